//! Case and ambient temperature over the run.

use super::Plot;
use super::decimate::means;
use super::frame::{Across, BLUE, Key, Look, Panel, VERMILLION, legend, svg};
use super::scale::Scale;
use crate::bench::Channel;
use crate::record::recording::Recording;

const HEIGHT: i32 = 560;

/// Temperatures over the whole run, in minutes.
pub(in crate::report) fn temperature(rec: &Recording) -> Plot {
    let read = |channel| {
        let series = rec.channels.get(&channel)?;
        let points: Vec<(f64, f64)> =
            means(series, 0.0, rec.end_s, 600).into_iter().map(|(t, c)| (t / 60.0, c)).collect();
        (points.len() > 1).then_some(points)
    };
    let (case, ambient) = (read(Channel::CaseC), read(Channel::AmbientC));
    let all = || case.iter().chain(&ambient).flatten().map(|p| p.1);
    if all().next().is_none() {
        return Err("No temperatures were measured.".to_owned());
    }
    let (lowest, highest) = (all().fold(f64::INFINITY, f64::min), all().fold(f64::NEG_INFINITY, f64::max));
    svg(HEIGHT, |area| {
        let mut keys = Vec::new();
        keys.extend(case.is_some().then(|| Key::new(Look::Line, VERMILLION, "case")));
        keys.extend(ambient.is_some().then(|| Key::new(Look::Dashed, BLUE, "ambient")));
        let top = legend(area, &keys)?;
        let scales = (Scale::exact(0.0, rec.end_s / 60.0), Scale::round(lowest - 1.0, highest + 1.0));
        let panel = Panel::new(area, (top, HEIGHT), 0, scales, (Across::Titled("time (min)"), "temperature (°C)"))?;
        if let Some(points) = &ambient {
            panel.dashed_line(points, BLUE)?;
        }
        case.as_ref().map_or(Ok(()), |points| panel.line(points, VERMILLION))
    })
}
