//! A gauge study as text and as one drawing: every reading by unit, one mark per session, limits as lines.

use std::fmt::Write as _;

use super::chart::{LEFT, PANEL, RIGHT, grid, label, mark, open, rule};
use crate::results::ResultName;
use crate::units::significant;
use crate::verdict::gauge::{Line, Study};

/// The table: components, classes, limits, what sessions add to `u`.
#[must_use]
pub fn text(study: &Study) -> String {
    let mut text = format!("gauge study: {} units, {} sessions", study.units.len(), study.sessions.len());
    text += "\nstandard deviations with 95 % intervals; classes: how many kinds of unit this bench can tell apart\n";
    for line in &study.lines {
        text.push('\n');
        quantity(&mut text, line);
    }
    for (name, why) in &study.without {
        let _ = write!(text, "\n{name}: not evaluated, {why}");
    }
    text.push('\n');
    text
}

fn quantity(text: &mut String, line: &Line) {
    let (found, unit) = (&line.found, line.unit);
    let name = ResultName::from_name(&line.name).map_or(line.name.as_str(), |name| name.words());
    let [units, sessions, repeats] = found.design;
    let mean = significant(found.mean, 5);
    let _ = writeln!(text, "{name} ({}), mean {mean} {unit}, {units} x {sessions} x {repeats}", line.name);
    let rows = [
        ("repeatability", found.repeatability),
        ("reproducibility", found.reproducibility),
        ("  sessions", found.sessions),
        ("  unit by session", found.interaction),
        ("gauge, all of it", found.gauge),
        ("between units", found.units),
    ];
    for (what, part) in rows {
        let (low, high) = part.sd_interval();
        let share = if found.total > 0.0 { 100.0 * part.variance / found.total } else { 0.0 };
        let [sd, low, high] = [part.sd(), low, high].map(|value| significant(value, 3));
        let _ = writeln!(text, "  {what:<18} {sd:>10} {unit:<4} [{low}, {high}]  {share:>5.1} % of the variance");
    }
    let _ = writeln!(text, "  classes            {:>10}", line.classes);
    if let Some(limit) = line.limit {
        let [share, low, high] = [limit.share, limit.interval.0, limit.interval.1].map(|value| 100.0 * value);
        let decides = limit.decides.word();
        let _ = writeln!(text, "  share of the limit {share:>9.1} %     [{low:.1}, {high:.1}]  this rig {decides} it");
    }
    if line.left_out > 0 {
        let _ = writeln!(text, "  {} readings left out: not every cell has as many", line.left_out);
    }
}

/// One panel per quantity, below one another.
#[must_use]
pub fn svg(study: &Study) -> String {
    #[expect(clippy::cast_precision_loss, reason = "a count of panels")]
    let height = 64.0 + PANEL * study.lines.len() as f64;
    let mut svg = open(height, "gauge study");
    let mut x = LEFT;
    for (place, session) in study.sessions.iter().enumerate() {
        mark(&mut svg, place, (x, 26.0));
        label(&mut svg, (x + 12.0, 31.0), "start", session);
        #[expect(clippy::cast_precision_loss, reason = "a count of letters")]
        let wide = 8.0 * session.chars().count() as f64;
        x += 40.0 + wide;
    }
    for (place, line) in study.lines.iter().enumerate() {
        #[expect(clippy::cast_precision_loss, reason = "a count of panels")]
        panel(&mut svg, study, line, 48.0 + PANEL * place as f64);
    }
    svg.push_str("</svg>\n");
    svg
}

fn panel(svg: &mut String, study: &Study, line: &Line, top: f64) {
    let all = || line.readings.iter().flatten().flatten().copied();
    let (least, most) = (all().fold(f64::INFINITY, f64::min), all().fold(f64::NEG_INFINITY, f64::max));
    let spread = (most - least).max(1e-9 * most.abs()).max(f64::MIN_POSITIVE);
    let limit = ResultName::from_name(&line.name).and_then(|name| study.limits.get(&name));
    let (mut low, mut high) = (least, most);
    // A limit far away would press all readings into one line; the table tells it then.
    for end in limit.iter().flat_map(|limit| [limit.min, limit.max]).flatten() {
        if end > least - 2.0 * spread && end < most + 2.0 * spread {
            (low, high) = (low.min(end), high.max(end));
        }
    }
    let pad = 0.08 * (high - low).max(spread);
    let (low, high) = (low - pad, high + pad);
    let (upper, lower) = (top + 34.0, top + PANEL - 44.0);
    let y = |value: f64| lower - (lower - upper) * (value - low) / (high - low);
    let name = ResultName::from_name(&line.name).map_or(line.name.as_str(), |name| name.words());
    let unit = if line.unit.is_empty() { String::new() } else { format!(" ({})", line.unit) };
    let verdict = line.limit.map_or(String::new(), |limit| format!(": this rig {} its limit", limit.decides.word()));
    label(svg, (LEFT, top + 20.0), "start", &format!("{name}{unit}{verdict}"));
    grid(svg, (low, high), y);
    for (what, end) in limit.iter().flat_map(|limit| [("min", limit.min), ("max", limit.max)]) {
        if let Some(end) = end.filter(|end| (low..=high).contains(end)) {
            rule(svg, (LEFT, y(end)), (RIGHT, y(end)), "#a00", "8 5");
            label(svg, (RIGHT, y(end) - 4.0), "end", what);
        }
    }
    let [units, sessions, _] = line.found.design;
    #[expect(clippy::cast_precision_loss, reason = "counts of a study")]
    let column = (RIGHT - LEFT) / units.max(1) as f64;
    for (at, cells) in line.readings.iter().enumerate() {
        #[expect(clippy::cast_precision_loss, reason = "counts of a study")]
        let begin = LEFT + column * at as f64;
        rule(svg, (begin, upper), (begin, lower), "#eee", "");
        let tag = study.units.get(at).map_or("", String::as_str);
        label(svg, (begin + 0.5 * column, lower + 18.0), "middle", tag);
        for (session, cell) in cells.iter().enumerate() {
            #[expect(clippy::cast_precision_loss, reason = "counts of a study")]
            let x = begin + column * (session as f64 + 0.5) / sessions.max(1) as f64;
            for value in cell {
                mark(svg, session, (x, y(*value)));
            }
        }
    }
    rule(svg, (LEFT, upper), (LEFT, lower), "#000", "");
    rule(svg, (LEFT, lower), (RIGHT, lower), "#000", "");
}
