//! How the supply current falls once nothing is commanded: logarithmic, so that microamperes beside amperes are seen.

use super::Plot;
use super::decimate::means;
use super::frame::{Across, BLACK, BLUE, Key, Look, Panel, legend, svg};
use super::scale::Scale;
use crate::analysis::zero;
use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::Recording;
use crate::results::{Document, Measured, ResultName};

const HEIGHT: i32 = 640;

/// Supply current from the off command on; readings at or below zero have no place on the axis and are left out.
pub(in crate::report) fn sleep(document: &Document, rec: &Recording) -> Plot {
    let span = rec
        .spans_where(|kind| matches!(kind, SpanKind::Sleep))
        .max_by_key(|span| span.complete.is_ok())
        .ok_or("The unit was not watched falling asleep, so there is no sleep decay.")?;
    let series = rec.channels.get(&Channel::SupplyA).ok_or("Supply current was not measured.")?;
    let zero_a = zero::offset(rec, Channel::SupplyA, span.t0_s).map_or(0.0, |(offset, _)| offset);
    let points: Vec<(f64, f64)> = means(series, span.t0_s, span.t1_s, 500)
        .into_iter()
        .map(|(t, a)| (t - span.t0_s, 1e3 * (a - zero_a)))
        .filter(|point| point.1 > 0.0)
        .collect();
    let lowest = points.iter().map(|p| p.1).fold(f64::INFINITY, f64::min);
    let highest = points.iter().map(|p| p.1).fold(0.0, f64::max);
    if points.len() < 2 {
        return Err("The current fell below what this bench can tell from zero, so there is no sleep decay.".to_owned());
    }
    svg(HEIGHT, |area| {
        let keys =
            [Key::new(Look::Line, BLUE, "supply current"), Key::new(Look::Dashed, BLACK, "asleep, and from when")];
        let top = legend(area, &keys)?;
        let scales = (Scale::exact(0.0, span.t1_s - span.t0_s), Scale::decades(lowest.max(1e-6 * highest), highest));
        let axes = (Across::Titled("time from the off command (s)"), "supply current (mA)");
        let panel = Panel::new(area, (top, HEIGHT), 2, scales, axes)?;
        panel.line(&points, BLUE)?;
        let measured = |name| document.results.get(&name).filter(|m| !m.is_bound());
        if let Some((shown, a)) = measured(ResultName::SleepA).and_then(|m| Some((m.shown(), m.as_number()?))) {
            panel.mark_y(1e3 * a, &format!("asleep {shown}"), 1)?;
        }
        if let Some(after_s) = measured(ResultName::SleepAfterS).and_then(Measured::as_number) {
            panel.mark_x(after_s, &format!("after {after_s:.1} s"), 0)?;
        }
        Ok(())
    })
}
