//! The soft start over time: output ratio, supply current and speed above one another on one time axis.

use super::Plot;
use super::decimate::{extremes, means};
use super::frame::{Across, Area, BLUE, Drawn, GREEN, Key, Look, Panel, VERMILLION, legend, svg};
use super::scale::Scale;
use crate::analysis::speed::speed_track;
use crate::analysis::zero;
use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};
use crate::results::{Document, Measured, ResultName};

/// Columns into which the time axis is divided for drawing.
const COLUMNS: u32 = 680;
/// Heights of the panels of output ratio (with three lines of mark names), current and speed.
const ROOMS: [i32; 3] = [420, 330, 290];
/// Heights of the legend and of the time axis with its title.
const LEGEND: i32 = 62;
const TITLE: i32 = 80;

/// One start, all times from the command edge.
struct Start {
    ratio: Vec<(f64, f64)>,
    current: Vec<(f64, f64)>,
    speed: Vec<(f64, f64)>,
    from_s: f64,
    to_s: f64,
}

/// The soft start with its 10 and 90 % marks, delay and peak.
pub(in crate::report) fn soft_start(document: &Document, rec: &Recording) -> Plot {
    let span = rec
        .spans_where(|kind| matches!(kind, SpanKind::Start))
        .max_by_key(|span| span.complete.is_ok())
        .ok_or("No start from standstill was recorded, so there is no soft-start trace.")?;
    let start = read(rec, span, document);
    let rooms = [&start.ratio, &start.current, &start.speed].into_iter().zip(ROOMS);
    let height: i32 = rooms.filter(|(series, _)| series.len() > 1).map(|(_, room)| room).sum();
    if height == 0 {
        return Err("The start was recorded without output voltage, supply current and speed.".to_owned());
    }
    let height = height + LEGEND + TITLE;
    svg(height, |area| draw(area, height, &start, document))
}

fn read(rec: &Recording, span: &Span, document: &Document) -> Start {
    let edge_s = rec.settings_in(span.t0_s, span.t1_s).first().map_or(span.t0_s, |set| set.0);
    let to_s = seen_until(span, edge_s, document);
    let shift = |points: Vec<(f64, f64)>| points.into_iter().map(|(t, v)| (t - edge_s, v)).collect();
    let current = rec.channels.get(&Channel::SupplyA).map(|series| {
        let zero_a = zero::offset(rec, Channel::SupplyA, span.t0_s).map_or(0.0, |(offset, _)| offset);
        extremes(series, span.t0_s, to_s, COLUMNS).into_iter().map(|(t, a)| (t, a - zero_a)).collect()
    });
    Start {
        ratio: shift(output_ratio(rec, span.t0_s, to_s)),
        current: shift(current.unwrap_or_default()),
        speed: shift(speed_track(rec, span.t0_s, to_s, ((to_s - span.t0_s) / 200.0).max(0.02))),
        from_s: span.t0_s - edge_s,
        to_s: to_s - edge_s,
    }
}

/// The part worth drawing: what follows the ramp by three of its lengths and two seconds, at most the whole span.
fn seen_until(span: &Span, edge_s: f64, document: &Document) -> f64 {
    let number = |name| document.results.get(&name).and_then(Measured::as_number);
    let ramp_s = number(ResultName::RampFullS).or_else(|| number(ResultName::Ramp1090S).map(|s| 1.25 * s));
    let delay_s = number(ResultName::CommandDelayS).unwrap_or(0.0);
    ramp_s.map_or(span.t1_s, |ramp_s| span.t1_s.min(edge_s + delay_s + 3.0 * ramp_s + 2.0))
}

/// Mean output over mean supply per column.
fn output_ratio(rec: &Recording, from_s: f64, to_s: f64) -> Vec<(f64, f64)> {
    let (Some(output), Some(supply)) = (rec.channels.get(&Channel::OutputV), rec.channels.get(&Channel::SupplyV))
    else {
        return Vec::new();
    };
    let zero_v = zero::offset(rec, Channel::OutputV, from_s).map_or(0.0, |(offset, _)| offset);
    let half_s = 0.5 * (to_s - from_s) / f64::from(COLUMNS);
    means(output, from_s, to_s, COLUMNS)
        .into_iter()
        .filter_map(|(t, v)| {
            let supply_v = supply.mean(t - half_s, t + half_s).or_else(|| supply.mean(from_s, to_s))?;
            (supply_v > 1.0).then(|| (t, (v - zero_v) / supply_v))
        })
        .collect()
}

fn draw(area: &Area<'_>, height: i32, start: &Start, document: &Document) -> Drawn {
    let mut keys = Vec::new();
    let shown = |keys: &mut Vec<Key>, series: &[(f64, f64)], colour, text: &str| {
        if series.len() > 1 {
            keys.push(Key::new(Look::Line, colour, text));
        }
    };
    shown(&mut keys, &start.ratio, BLUE, "output over supply");
    shown(&mut keys, &start.current, VERMILLION, "supply current");
    shown(&mut keys, &start.speed, GREEN, "speed");
    let mut top = legend(area, &keys)?;
    let x = Scale::exact(start.from_s, start.to_s);
    let drawn = [&start.ratio, &start.current, &start.speed].map(|series| series.len() > 1);
    let last = drawn.iter().rposition(|shown| *shown).unwrap_or(0);
    for (place, _) in drawn.iter().enumerate().filter(|(_, shown)| **shown) {
        let (across, bottom) = if place == last {
            (Across::Titled("time from the command edge (s)"), height)
        } else {
            (Across::Shared, top + ROOMS[place])
        };
        match place {
            0 => ratio(area, (top, bottom), x, across, start, document)?,
            1 => current(area, (top, bottom), x, across, start, document)?,
            _ => speed(area, (top, bottom), x, across, start)?,
        }
        top = bottom;
    }
    Ok(())
}

fn ratio(area: &Area<'_>, room: (i32, i32), x: Scale, across: Across<'_>, start: &Start, document: &Document) -> Drawn {
    let highest = start.ratio.iter().map(|p| p.1).fold(0.0, f64::max);
    let panel = Panel::new(area, room, 3, (x, Scale::round(0.0, highest.max(0.1))), (across, "output ratio"))?;
    panel.line(&start.ratio, BLUE)?;
    let number = |name| document.results.get(&name).and_then(Measured::as_number);
    if let Some((at_10_s, at_90_s)) = crossings(&start.ratio) {
        let ramp_s = number(ResultName::Ramp1090S).unwrap_or(at_90_s - at_10_s);
        panel.mark_x(at_10_s, "10 %", 1)?;
        panel.mark_x(at_90_s, &format!("90 %, {ramp_s:.2} s later"), 2)?;
    }
    if let Some(delay_s) = number(ResultName::CommandDelayS) {
        panel.mark_x(delay_s, &format!("delay {:.0} ms", 1e3 * delay_s), 0)?;
    }
    Ok(())
}

/// Times at which the ratio passes 10 and 90 % of its settled level, the mean of the last tenth.
fn crossings(ratio: &[(f64, f64)]) -> Option<(f64, f64)> {
    let tail = &ratio[ratio.len() - ratio.len() / 10 - 1..];
    #[expect(clippy::cast_precision_loss, reason = "some hundred points")]
    let settled = tail.iter().map(|p| p.1).sum::<f64>() / tail.len() as f64;
    // The last point under 10 % before the first over 90 %: a kick start passes 10 % twice.
    let over = ratio.iter().position(|p| p.1 >= 0.9 * settled)?;
    let under = ratio[..over].iter().rposition(|p| p.1 < 0.1 * settled)?;
    (settled > 0.05).then(|| (ratio[under].0, ratio[over].0))
}

fn current(
    area: &Area<'_>,
    room: (i32, i32),
    x: Scale,
    across: Across<'_>,
    start: &Start,
    document: &Document,
) -> Drawn {
    let peak_a = document.results.get(&ResultName::PeakSupplyA).and_then(Measured::as_number);
    let highest = start.current.iter().map(|p| p.1).fold(peak_a.unwrap_or(0.0), f64::max);
    let panel = Panel::new(area, room, 1, (x, Scale::round(0.0, highest.max(0.1))), (across, "current (A)"))?;
    panel.line(&start.current, VERMILLION)?;
    peak_a.map_or(Ok(()), |a| panel.mark_y(a, &format!("peak {a:.1} A (5 ms mean)"), 0))
}

fn speed(area: &Area<'_>, room: (i32, i32), x: Scale, across: Across<'_>, start: &Start) -> Drawn {
    let highest = start.speed.iter().map(|p| p.1).fold(0.0, f64::max);
    let panel = Panel::new(area, room, 0, (x, Scale::round(0.0, highest.max(10.0))), (across, "speed (rpm)"))?;
    panel.line(&start.speed, GREEN)
}
