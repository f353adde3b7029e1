//! What the unit does on a load that stands: its current over time, try by try.

use plotters::prelude::RGBColor;

use super::Plot;
use super::decimate::extremes;
use super::frame::{Across, BLACK, BLUE, GREEN, Key, Look, Panel, VERMILLION, legend, svg};
use super::scale::Scale;
use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::Recording;
use crate::results::{Document, Measured, ResultName};

const HEIGHT: i32 = 560;
/// Room before the command and after the last output.
const BEFORE_S: f64 = 0.2;
/// Tries drawn.
const COLOURS: [RGBColor; 3] = [BLUE, VERMILLION, GREEN];

/// Current of the dummy load, else of the supply, in the first tries.
pub(in crate::report) fn stall(document: &Document, rec: &Recording) -> Plot {
    let spans: Vec<_> = rec.spans.iter().filter(|span| span.kind == SpanKind::Stall).take(COLOURS.len()).collect();
    if spans.is_empty() {
        return Err("No load that stands was connected.".to_owned());
    }
    let channel = if rec.channels.contains_key(&Channel::FanA) { Channel::FanA } else { Channel::SupplyA };
    let series = rec.channels.get(&channel).ok_or("No current was recorded.")?;
    let tries: Vec<Vec<(f64, f64)>> = spans
        .iter()
        .filter_map(|span| {
            let begin_s = rec.settings_in(span.t0_s - 1e-9, span.t1_s).first()?.0;
            let points = extremes(series, begin_s - BEFORE_S, span.t1_s, 700);
            Some(points.into_iter().map(|(t_s, amps)| (t_s - begin_s, amps)).collect())
        })
        .collect();
    let all = || tries.iter().flatten();
    if all().count() < 2 {
        return Err("There are no samples of the tries.".to_owned());
    }
    let end_s = all().map(|p| p.0).fold(0.0, f64::max);
    let (lowest_a, highest_a) = (all().map(|p| p.1).fold(0.0, f64::min), all().map(|p| p.1).fold(0.0, f64::max));
    let limit = document.results.get(&ResultName::StallLimitA).filter(|limit| !limit.is_bound());
    svg(HEIGHT, |area| {
        let mut keys: Vec<Key> = (1..=tries.len())
            .map(|number| Key::new(Look::Line, COLOURS[number - 1], format!("try {number}")))
            .collect();
        keys.extend(limit.map(|_| Key::new(Look::Dashed, BLACK, "limited to")));
        let top = legend(area, &keys)?;
        let scales = (Scale::exact(-BEFORE_S, end_s), Scale::round(lowest_a, highest_a));
        let what = if channel == Channel::FanA { "load current (A)" } else { "supply current (A)" };
        let panel = Panel::new(area, (top, HEIGHT), 0, scales, (Across::Titled("time from the command (s)"), what))?;
        for (points, colour) in tries.iter().zip(COLOURS) {
            panel.line(points, colour)?;
        }
        match limit.and_then(Measured::as_number).filter(|_| channel == Channel::FanA) {
            Some(amps) => panel.dashed_line(&[(0.0, amps), (end_s, amps)], BLACK),
            None => Ok(()),
        }
    })
}
