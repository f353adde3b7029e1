//! Curves of all units over one another, and the spread of a result as a strip.

use std::fmt::Write as _;

use super::Summary;
use crate::record::event::LimitFacts;
use crate::units::{for_people, significant};
use crate::verdict::batch::DUTIES;

/// Width of every drawing in its own units.
const WIDTH: f64 = 760.0;
/// Most curves that are drawn one by one.
const MOST_CURVES: usize = 60;
/// Most units whose values are drawn one by one.
const MOST_DOTS: usize = 200;

/// Rising speeds of all units; of large crates the band that holds nine of ten. `None` without any.
pub(super) fn curves(summary: &Summary) -> Option<String> {
    let curves: Vec<&[Option<f64>]> = summary
        .members
        .iter()
        .filter(|member| member.curve.is_whole())
        .map(|member| member.curve.rpm.as_slice())
        .collect();
    let most = curves.iter().flat_map(|curve| curve.iter().flatten()).copied().reduce(f64::max)?;
    let step = nice_step(most / 5.0);
    let top = (most / step).ceil() * step;
    let (left, right, upper, lower) = (78.0, WIDTH - 20.0, 16.0, 330.0);
    let x = |duty: f64| left + (right - left) * duty / 100.0;
    let y = |rpm: f64| lower - (lower - upper) * rpm / top;
    let mut svg = open(390.0, "rising speed over duty of all units");
    for tick in 0..=10 {
        let duty = 10.0 * f64::from(tick);
        line(&mut svg, (x(duty), upper), (x(duty), lower), "#ddd");
        label(&mut svg, (x(duty), lower + 20.0), "middle", &format!("{duty:.0}"));
    }
    let mut rpm = 0.0;
    while rpm <= top + 0.5 * step {
        line(&mut svg, (left, y(rpm)), (right, y(rpm)), "#ddd");
        label(&mut svg, (left - 8.0, y(rpm) + 5.0), "end", &significant(rpm, 4));
        rpm += step;
    }
    label(&mut svg, ((left + right) / 2.0, lower + 46.0), "middle", "command duty (%)");
    let _ = write!(
        svg,
        "<text x=\"20\" y=\"{0:.0}\" text-anchor=\"middle\" transform=\"rotate(-90 20 {0:.0})\">speed (rpm)</text>",
        (upper + lower) / 2.0
    );
    if curves.len() > MOST_CURVES {
        band(&mut svg, &curves, &x, &y);
    } else {
        for curve in &curves {
            path(&mut svg, curve, &x, &y, "#0072b2", 0.45, 1.5);
        }
    }
    line(&mut svg, (left, lower), (right, lower), "#000");
    line(&mut svg, (left, upper), (left, lower), "#000");
    svg.push_str("</svg>");
    Some(svg)
}

/// Band from the twentieth to the nineteenth of twenty, and the median.
fn band(svg: &mut String, curves: &[&[Option<f64>]], x: &impl Fn(f64) -> f64, y: &impl Fn(f64) -> f64) {
    let at = |share: f64| -> Vec<Option<f64>> {
        let place = |i: usize| {
            let mut speeds: Vec<f64> = curves.iter().filter_map(|curve| curve.get(i).copied().flatten()).collect();
            speeds.sort_by(f64::total_cmp);
            #[expect(
                clippy::cast_precision_loss,
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "a place in a list"
            )]
            let index = (share * speeds.len().saturating_sub(1) as f64).round() as usize;
            speeds.get(index).copied()
        };
        (0..DUTIES.len()).map(place).collect()
    };
    let (low, high) = (at(0.05), at(0.95));
    let edge = |(duty, rpm): (&f64, &Option<f64>)| rpm.map(|rpm| format!("{:.1},{:.1}", x(*duty), y(rpm)));
    let there: Vec<String> = DUTIES.iter().zip(&low).filter_map(edge).collect();
    let back: Vec<String> = DUTIES.iter().zip(&high).rev().filter_map(edge).collect();
    let _ = write!(
        svg,
        "<polygon points=\"{} {}\" fill=\"#0072b2\" fill-opacity=\"0.25\"/>",
        there.join(" "),
        back.join(" ")
    );
    path(svg, &at(0.5), x, y, "#0072b2", 1.0, 2.5);
}

fn path(
    svg: &mut String,
    curve: &[Option<f64>],
    x: &impl Fn(f64) -> f64,
    y: &impl Fn(f64) -> f64,
    colour: &str,
    opacity: f64,
    width: f64,
) {
    let known = DUTIES.iter().zip(curve).filter_map(|(duty, rpm)| rpm.map(|rpm| (x(*duty), y(rpm))));
    let points: Vec<String> = known.map(|(x, y)| format!("{x:.1},{y:.1}")).collect();
    let _ = write!(
        svg,
        "<polyline points=\"{}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"{width}\" stroke-opacity=\"{opacity}\"/>",
        points.join(" ")
    );
}

/// Values of one result along a line, limits shaded, those named in `named` with their tags. Empty without values.
pub(super) fn strip(values: &[(&str, f64)], unit: &str, limit: Option<&LimitFacts>, named: &[&str]) -> String {
    let finite = || values.iter().map(|(_, value)| *value).filter(|value| value.is_finite());
    let (Some(least), Some(most)) = (finite().reduce(f64::min), finite().reduce(f64::max)) else {
        return String::new();
    };
    let ends = [limit.and_then(|limit| limit.min), limit.and_then(|limit| limit.max)];
    let (mut from, mut to) = (least, most);
    for end in ends.into_iter().flatten() {
        // A limit far away would press all values into one spot; it is then told by the table alone.
        let spread = (most - least).max(0.05 * most.abs()).max(1e-12);
        if end > least - 4.0 * spread && end < most + 4.0 * spread {
            (from, to) = (from.min(end), to.max(end));
        }
    }
    let pad = 0.06 * (to - from).max(1e-3 * to.abs()).max(1e-12);
    (from, to) = (from - pad, to + pad);
    let (left, right, middle) = (20.0, WIDTH - 20.0, 34.0);
    let x = |value: f64| left + (right - left) * ((value - from) / (to - from)).clamp(0.0, 1.0);
    let mut svg = open(84.0, "spread over the units");
    for (end, side) in [(ends[0], left), (ends[1], right)] {
        let Some(end) = end.filter(|end| *end >= from && *end <= to) else { continue };
        let (a, b) = if side < x(end) { (side, x(end)) } else { (x(end), side) };
        let _ = write!(
            svg,
            "<rect x=\"{a:.1}\" y=\"8\" width=\"{:.1}\" height=\"46\" fill=\"#d55e00\" fill-opacity=\"0.16\"/>",
            b - a
        );
        let _ = write!(
            svg,
            "<line x1=\"{0:.1}\" y1=\"8\" x2=\"{0:.1}\" y2=\"54\" stroke=\"#d55e00\" stroke-width=\"2\" stroke-dasharray=\"5 3\"/>",
            x(end)
        );
    }
    line(&mut svg, (left, 54.0), (right, 54.0), "#000");
    let (factor, shown_unit) = for_people(unit, most.abs().max(least.abs()));
    let step = nice_step((to - from) * factor / 6.0);
    let mut tick = (from * factor / step).ceil() * step;
    while tick <= to * factor {
        line(&mut svg, (x(tick / factor), 54.0), (x(tick / factor), 59.0), "#000");
        let text = format!("{} {shown_unit}", tick_text(tick, step));
        label(&mut svg, (x(tick / factor), 76.0), "middle", text.trim_end());
        tick += step;
    }
    if values.len() > MOST_DOTS {
        bars(&mut svg, values, (from, to), &x)
    } else {
        dots(&mut svg, values, named, middle, &x)
    }
    svg.push_str("</svg>");
    svg
}

/// A tick with as many decimals as its step needs; a tick of -0 is 0.
fn tick_text(tick: f64, step: f64) -> String {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few decimals")]
    let decimals = (-step.log10().floor()).max(0.0) as usize;
    let text = format!("{tick:.decimals$}");
    if text.trim_start_matches('-').chars().all(|c| c == '0' || c == '.') { "0".to_owned() } else { text }
}

fn dots(svg: &mut String, values: &[(&str, f64)], named: &[&str], middle: f64, x: &impl Fn(f64) -> f64) {
    let mut labels: Vec<f64> = Vec::new();
    for (index, (tag, value)) in values.iter().enumerate().filter(|(_, (_, value))| value.is_finite()) {
        // Spread over five rows, so that equal values are seen side by side.
        #[expect(clippy::cast_precision_loss, reason = "five rows")]
        let y = middle + 4.0 * ((index * 2 % 5) as f64 - 2.0);
        let odd = named.contains(tag);
        let fill = if odd { "none" } else { "#0072b2" };
        let _ = write!(
            svg,
            "<circle cx=\"{:.1}\" cy=\"{y:.1}\" r=\"{}\" fill=\"{fill}\" fill-opacity=\"0.6\" stroke=\"{}\" stroke-width=\"2\"/>",
            x(*value),
            if odd { 6 } else { 4 },
            if odd { "#000" } else { "none" },
        );
        if odd && labels.iter().all(|at| (at - x(*value)).abs() > 70.0) {
            labels.push(x(*value));
            let (at, side) = if x(*value) > WIDTH - 90.0 { (-9.0, "end") } else { (9.0, "start") };
            label(svg, (x(*value) + at, 20.0), side, tag);
        }
    }
}

fn bars(svg: &mut String, values: &[(&str, f64)], (from, to): (f64, f64), x: &impl Fn(f64) -> f64) {
    const BINS: usize = 60;
    let mut counts = [0_u32; BINS];
    for (_, value) in values.iter().filter(|(_, value)| value.is_finite()) {
        #[expect(
            clippy::cast_precision_loss,
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a bin of sixty"
        )]
        let bin = ((value - from) / (to - from) * BINS as f64) as usize;
        counts[bin.min(BINS - 1)] += 1;
    }
    let most = f64::from(counts.iter().copied().max().unwrap_or(1).max(1));
    for (bin, count) in counts.iter().enumerate().filter(|(_, count)| **count > 0) {
        #[expect(clippy::cast_precision_loss, reason = "a bin of sixty")]
        let edge = |bin: usize| x(from + (to - from) * bin as f64 / BINS as f64);
        let height = 44.0 * f64::from(*count) / most;
        let _ = write!(
            svg,
            "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{height:.1}\" fill=\"#0072b2\" fill-opacity=\"0.7\"/>",
            edge(bin),
            54.0 - height,
            edge(bin + 1) - edge(bin) - 0.5,
        );
    }
}

fn open(height: f64, what: &str) -> String {
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height}\" font-family=\"sans-serif\" \
         font-size=\"15\" role=\"img\" aria-label=\"{what}\">"
    )
}

fn line(svg: &mut String, from: (f64, f64), to: (f64, f64), colour: &str) {
    let _ = write!(
        svg,
        "<line x1=\"{:.1}\" y1=\"{:.1}\" x2=\"{:.1}\" y2=\"{:.1}\" stroke=\"{colour}\"/>",
        from.0, from.1, to.0, to.1
    );
}

fn label(svg: &mut String, at: (f64, f64), anchor: &str, text: &str) {
    let text = text.replace('&', "&amp;").replace('<', "&lt;");
    let _ = write!(svg, "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"{anchor}\">{text}</text>", at.0, at.1);
}

/// The next step of 1, 2 or 5 times a power of ten.
fn nice_step(about: f64) -> f64 {
    let power = 10f64.powf(about.max(1e-12).log10().floor());
    [1.0, 2.0, 5.0, 10.0].into_iter().map(|m| m * power).find(|step| *step >= about).unwrap_or(10.0 * power)
}
