//! One event with the trace around it.

use super::Plot;
use super::decimate::extremes;
use super::frame::{Across, BLUE, Panel, VERMILLION, svg};
use super::scale::Scale;
use crate::bench::Channel;
use crate::record::recording::Recording;
use crate::results::Transient;

const HEIGHT: i32 = 420;

/// The channel of the event from a little before to a little after, and the supply voltage where it is not that channel.
pub(in crate::report) fn event(rec: &Recording, event: &Transient) -> Plot {
    let room_s = (1.5 * event.seconds).clamp(0.15, 2.0);
    let (from_s, to_s) = (event.t_s - room_s, event.t_s + event.seconds + room_s);
    let series = rec.channels.get(&event.channel).ok_or("The channel is not in the record.")?;
    let points: Vec<(f64, f64)> =
        extremes(series, from_s, to_s, 300).into_iter().map(|(t, v)| (t - event.t_s, v)).collect();
    if points.len() < 2 {
        return Err("There are no samples around it.".to_owned());
    }
    let lowest = points.iter().map(|p| p.1).fold(f64::INFINITY, f64::min).min(0.0);
    let highest = points.iter().map(|p| p.1).fold(f64::NEG_INFINITY, f64::max);
    let colour = if event.channel == Channel::SupplyA { VERMILLION } else { BLUE };
    svg(HEIGHT, |area| {
        let scales = (Scale::exact(-room_s, to_s - event.t_s), Scale::round(lowest, highest.max(lowest + 1e-6)));
        let up = format!("{} ({})", event.channel.name().replace('_', " "), event.channel.unit());
        let panel = Panel::new(area, (0, HEIGHT), 0, scales, (Across::Titled("time from the event (s)"), &up))?;
        panel.line(&points, colour)
    })
}
