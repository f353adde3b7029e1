//! What changed of a unit, and the charts of a check unit: as text, the charts as one drawing, too.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use super::chart::{LEFT, PANEL, RIGHT, grid, label, mark, open, rule};
use crate::results::ResultName;
use crate::units::{significant, to_the_second};
use crate::verdict::drift::{BASELINE, Change, Chart, Control, Drift, Rule, Which};

/// What changed, then what did not.
#[must_use]
pub fn text(drift: &Drift) -> String {
    let bench = if drift.same_bench {
        "one bench, same calibrations: what it shares cancels"
    } else {
        "other bench or calibrations: their errors are in the uncertainty"
    };
    let mut text = format!("{} now, against {}\n{bench}\n", run_words(&drift.after), run_words(&drift.before));
    let (told, rest): (Vec<&Change>, Vec<&Change>) = drift.changes.iter().partition(|change| change.is_told);
    text += &format!("\nchanged ({} results compared):\n", drift.changes.len());
    for (name, before, after) in &drift.words {
        let _ = writeln!(text, "  {}: {before} -> {after}", name.words());
    }
    if told.is_empty() && drift.words.is_empty() {
        text += "  nothing that these runs can tell\n";
    }
    for change in &told {
        let _ = writeln!(text, "  {}", change_words(change));
        if let Some(beside) = drift.check.iter().flat_map(|check| &check.beside).find(|b| b.unit.name == change.name) {
            let moved = signed(beside.check.difference());
            let verdict = match (beside.is_told, beside.check.is_told) {
                (true, _) => "the unit changed beyond that",
                (false, true) => "the bench moved: this is no change of the unit",
                (false, false) => "with it, no change of the unit can be told",
            };
            let _ = writeln!(text, "    the check unit moved by {moved}{}: {verdict}", unit_words(change.name));
        }
    }
    if let Some(check) = &drift.check {
        let _ = writeln!(text, "\ncheck unit: {}, against {}", run_words(&check.after), run_words(&check.before));
    }
    if !rest.is_empty() {
        text += "\nno change told:\n";
        for change in rest {
            let _ = writeln!(text, "  {}", change_words(change));
        }
    }
    text
}

fn run_words(which: &Which) -> String {
    let started = which.started.as_deref().map_or_else(|| "at an unknown time".to_owned(), to_the_second);
    format!("{}, run {} ({started})", which.unit, which.run)
}

fn change_words(change: &Change) -> String {
    let [before, after] = [change.before, change.after].map(|value| significant(value, 4));
    let (moved, reach) = (signed(change.difference()), significant(change.k * change.u, 2));
    let share = 100.0 * change.difference() / change.before.abs();
    let share = if share.is_finite() && share.abs() >= 0.05 { format!(", {share:+.1} %") } else { String::new() };
    format!(
        "{}: {before} -> {after}{} (by {moved} +- {reach}, 95 %{share})",
        change.name.words(),
        unit_words(change.name)
    )
}

fn signed(value: f64) -> String {
    let digits = significant(value, 2);
    if value > 0.0 { format!("+{digits}") } else { digits }
}

/// The unit behind a space; nothing for a plain number.
fn unit_words(name: ResultName) -> String {
    if name.unit().is_empty() { String::new() } else { format!(" {}", name.unit()) }
}

/// Which results of the check unit left their limits, and since when.
#[must_use]
pub fn control_text(control: &Control) -> String {
    let rig = control.rig.as_deref().unwrap_or("?");
    let mut text = format!(
        "check unit {} on {rig}: {} runs, limits from the first {BASELINE}\n",
        control.runs.first().map_or("?", |run| run.unit.as_str()),
        control.runs.len(),
    );
    let (out, within): (Vec<&Chart>, Vec<&Chart>) = control.charts.iter().partition(|chart| chart.out.is_some());
    for chart in &out {
        let Some((at, rule)) = chart.out else { continue };
        let how = match rule {
            Rule::Beyond => "beyond a limit",
            Rule::Row => "nine runs in a row on one side",
        };
        let run = control.runs.get(at).map_or(String::new(), run_words);
        let _ = writeln!(text, "MOVED   {}: {}\n        {how}, {run}", chart.name.words(), chart_words(chart));
    }
    for chart in &within {
        let _ = writeln!(text, "steady  {}: {}", chart.name.words(), chart_words(chart));
    }
    text += match out.is_empty() {
        true => "the bench is where it was\n",
        false => "find out why before it judges more units: clips, calibration, load fan, the check unit itself\n",
    };
    text
}

fn chart_words(chart: &Chart) -> String {
    let last = chart.values.last().copied().unwrap_or(chart.middle);
    let [middle, low, high, last] =
        [chart.middle, chart.limits.0, chart.limits.1, last].map(|value| significant(value, 4));
    format!("{middle} [{low}, {high}]{}, last {last}", unit_words(chart.name))
}

/// The charts below one another: value over run, middle, limits, the run that tells of a change.
#[must_use]
pub fn control_svg(control: &Control) -> String {
    let height = 24.0 + PANEL * count(control.charts.len());
    let mut svg = open(height, "control charts");
    for (place, chart) in control.charts.iter().enumerate() {
        panel(&mut svg, control, chart, 8.0 + PANEL * count(place));
    }
    svg.push_str("</svg>\n");
    svg
}

#[expect(clippy::cast_precision_loss, reason = "counts of runs and panels")]
fn count(number: usize) -> f64 {
    number as f64
}

fn panel(svg: &mut String, control: &Control, chart: &Chart, top: f64) {
    let all = || chart.values.iter().copied().chain([chart.limits.0, chart.limits.1]);
    let (low, high) = (all().fold(f64::INFINITY, f64::min), all().fold(f64::NEG_INFINITY, f64::max));
    let pad = 0.08 * (high - low).max(1e-9 * high.abs()).max(f64::MIN_POSITIVE);
    let (low, high) = (low - pad, high + pad);
    let (upper, lower) = (top + 34.0, top + PANEL - 44.0);
    let y = |value: f64| lower - (lower - upper) * (value - low) / (high - low);
    let x = |at: usize| LEFT + (RIGHT - LEFT) * (count(at) + 0.5) / count(chart.values.len());
    let unit = if chart.name.unit().is_empty() { String::new() } else { format!(" ({})", chart.name.unit()) };
    let state = if chart.out.is_some() { "MOVED" } else { "steady" };
    label(svg, (LEFT, top + 20.0), "start", &format!("{}{unit}: {state}", chart.name.words()));
    grid(svg, (low, high), y);
    rule(svg, (LEFT, y(chart.middle)), (RIGHT, y(chart.middle)), "#000", "");
    for (what, limit) in [("lower limit", chart.limits.0), ("upper limit", chart.limits.1)] {
        rule(svg, (LEFT, y(limit)), (RIGHT, y(limit)), "#a00", "8 5");
        label(svg, (RIGHT, y(limit) - 4.0), "end", what);
    }
    let told = chart.out.map(|(at, _)| at);
    for (at, value) in chart.values.iter().enumerate() {
        // A triangle where a run tells of a change, circles elsewhere.
        mark(svg, usize::from(told.is_some_and(|told| at >= told)), (x(at), y(*value)));
    }
    let dated: BTreeSet<usize> = [Some(0), told, chart.values.len().checked_sub(1)].into_iter().flatten().collect();
    for at in dated {
        let day = control.runs.get(at).and_then(|row| row.started.as_deref()?.get(..10)).unwrap_or("");
        label(svg, (x(at), lower + 18.0), "middle", &format!("{}: {day}", at + 1));
    }
    rule(svg, (LEFT, lower), (RIGHT, lower), "#000", "");
    label(svg, (0.5 * (LEFT + RIGHT), lower + 36.0), "middle", "run of the check unit");
}
