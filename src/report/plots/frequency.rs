//! What the unit makes of command frequencies: output (else speed, else current) over frequency. The fan is not waited for
//! at each of them, so that the output comes first, and what had not settled is marked.

use super::Plot;
use super::frame::{Across, BLACK, BLUE, Drawn, Key, Look, Panel, VERMILLION, legend, svg};
use super::scale::Scale;
use crate::analysis::level::output_on;
use crate::analysis::speed::mean_speed;
use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};
use crate::results::{Document, Fitted, Measured, ResultName};

const HEIGHT: i32 = 640;
/// Least reach of the scale of decode errors, points of duty: what is smaller is no error of a duty.
const LEAST_POINTS: f64 = 0.5;
/// Change within the window that is read, as a share of the highest level, up to which a point counts as settled.
const SETTLED: f64 = 0.02;
/// Normal coverage factor of a 95 % interval.
const K95: f64 = 1.96;
/// Supply below which a share of it means nothing.
const LEAST_SUPPLY_V: f64 = 3.0;

/// Response per frequency tried, with the edges of the band.
pub(in crate::report) fn frequency(document: &Document, rec: &Recording) -> Plot {
    let spans: Vec<&Span> = rec.spans_where(|kind| matches!(kind, SpanKind::Follow)).collect();
    if spans.is_empty() {
        return Err("Other command frequencies were not tried, so there is no frequency response.".to_owned());
    }
    let speed = |from_s, to_s| mean_speed(rec, from_s, to_s).map(|reading| reading.rpm);
    let amps = |from_s, to_s| rec.mean(Channel::SupplyA, from_s, to_s);
    let sources: [(&str, Vec<Point>); 3] = [
        ("output (% of the supply)", points(rec, &spans, |from_s, to_s| output_pct(rec, from_s, to_s))),
        ("speed (rpm)", points(rec, &spans, speed)),
        ("supply current (A)", points(rec, &spans, amps)),
    ];
    let (title, points) = sources
        .into_iter()
        .find(|(_, points)| points.len() >= 2)
        .ok_or("Too few command frequencies gave a reading to draw a frequency response.")?;
    let highest = points.iter().map(|point| point.level).fold(0.0, f64::max);
    let places = |settled: bool| -> Vec<(f64, f64)> {
        points.iter().filter(|point| point.settles(highest) == settled).map(|point| (point.hz, point.level)).collect()
    };
    let (settled, changing) = (places(true), places(false));
    svg(HEIGHT, |area| {
        let mut keys = vec![Key::new(Look::Circles, BLUE, "settled response")];
        if !changing.is_empty() {
            keys.push(Key::new(Look::Triangles, VERMILLION, "still changing"));
        }
        keys.push(Key::new(Look::Dashed, BLACK, "band of following, frequency used"));
        let top = legend(area, &keys)?;
        let scales = (Scale::log(points[0].hz / 1.3, points[points.len() - 1].hz * 1.3), Scale::round(0.0, highest));
        let panel = Panel::new(area, (top, HEIGHT), 3, scales, (Across::Titled("command frequency (Hz)"), title))?;
        panel.series(&settled, Look::Circles, BLUE)?;
        panel.markers(&changing, Look::Triangles, VERMILLION)?;
        mark_band(&panel, document)
    })
}

/// Duty that the unit reads less the commanded one, over the command frequency, with its 95 % band.
pub(in crate::report) fn decode(document: &Document) -> Plot {
    let errors = document.by_frequency.iter().filter_map(|row| Some((row.hz, row.decode_error_pct?)));
    let errors: Vec<(f64, Fitted)> = errors.collect();
    let [(first_hz, _), .., (last_hz, _)] = errors[..] else {
        return Err("Fewer than two command frequencies were followed, so there is no decode error to draw.".to_owned());
    };
    let points: Vec<(f64, f64)> = errors.iter().map(|(hz, error)| (*hz, error.value)).collect();
    let band: Vec<(f64, f64, f64)> =
        errors.iter().map(|(hz, error)| (*hz, error.value - K95 * error.u, error.value + K95 * error.u)).collect();
    let lowest = band.iter().map(|(_, low, _)| *low).fold(-LEAST_POINTS, f64::min);
    let highest = band.iter().map(|(_, _, high)| *high).fold(LEAST_POINTS, f64::max);
    svg(HEIGHT, |area| {
        let keys = [
            Key::new(Look::Circles, BLUE, "decode error"),
            Key::new(Look::Band, BLUE, "95 % band"),
            Key::new(Look::Dashed, BLACK, "band of following, frequency used"),
        ];
        let top = legend(area, &keys)?;
        let scales = (Scale::log(first_hz / 1.3, last_hz * 1.3), Scale::round(lowest, highest));
        let axes = (Across::Titled("command frequency (Hz)"), "decode error (points)");
        let panel = Panel::new(area, (top, HEIGHT), 3, scales, axes)?;
        panel.band(&band, BLUE)?;
        panel.series(&points, Look::Circles, BLUE)?;
        mark_band(&panel, document)
    })
}

/// Edges of the band and the frequency used, as upright marks.
fn mark_band(panel: &Panel<'_, '_>, document: &Document) -> Drawn {
    let marks =
        [(ResultName::CommandHzLow, "from"), (ResultName::CommandHz, "used"), (ResultName::CommandHzHigh, "to")];
    for (row, (name, word)) in (0..).zip(marks) {
        if let Some(hz) = document.results.get(&name).and_then(Measured::as_number) {
            panel.mark_x(hz, &format!("{word} {} Hz", crate::units::significant(hz, 3)), row)?;
        }
    }
    Ok(())
}

/// Reading at one frequency.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Point {
    hz: f64,
    level: f64,
    /// By how much it changed within the window that it was read in.
    change: f64,
}

impl Point {
    fn settles(&self, highest: f64) -> bool {
        self.change.abs() <= SETTLED * highest
    }
}

/// Output as a share of the supply; voltage of a fan that coasts with the output off is none.
fn output_pct(rec: &Recording, from_s: f64, to_s: f64) -> Option<f64> {
    let output_v = rec.mean(Channel::OutputV, from_s, to_s)?;
    let supply_v = rec.mean(Channel::SupplyV, from_s, to_s).filter(|volts| *volts > LEAST_SUPPLY_V)?;
    Some(if output_on(rec, from_s, to_s) == Some(false) { 0.0 } else { 100.0 * output_v / supply_v })
}

/// Reading by frequency, at the end of the first level of each span: the duty that all of them have. Some go on to a
/// higher one, to tell following from holding.
fn points(rec: &Recording, spans: &[&Span], read: impl Fn(f64, f64) -> Option<f64>) -> Vec<Point> {
    let mut points: Vec<Point> = spans
        .iter()
        .filter_map(|span| {
            let next = rec.settings_in(span.t0_s + 1e-6, span.t1_s - 1e-6).first();
            let end_s = next.map_or(span.t1_s, |(t_s, _)| *t_s);
            let hz = rec.setting_at(end_s - 1e-6)?.frequency.get();
            let (from_s, middle_s) = (end_s - (end_s - span.t0_s) / 3.0, end_s - (end_s - span.t0_s) / 6.0);
            let (level, first, last) = (read(from_s, end_s)?, read(from_s, middle_s)?, read(middle_s, end_s)?);
            Some(Point { hz, level, change: last - first })
        })
        .filter(|point| point.hz > 0.0 && point.level.is_finite())
        .collect();
    points.sort_by(|a, b| a.hz.total_cmp(&b.hz));
    points
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::synthetic::{Bench, at};
    use crate::bench::Setting;
    use crate::record::event::SpanKind;
    use crate::units::{Duty, Hertz};

    #[test]
    fn a_span_that_goes_on_to_another_duty_is_read_before_that() {
        let mut rec = Recording::default();
        for (t_s, duty, hz) in [(0.0, 0.5, 100.0), (4.0, 0.65, 100.0), (8.0, 0.35, 100.0), (12.0, 0.5, 66.0)] {
            let (duty, frequency) = (Duty::clamped(duty), Hertz(hz));
            rec.settings.push((t_s, Setting { duty, frequency, ..Setting::SAFE }));
        }
        let span = |t0_s, t1_s| Span { kind: SpanKind::Follow, stage: String::new(), t0_s, t1_s, complete: Ok(()) };
        let spans = [span(0.0, 8.0), span(12.0, 15.0)];
        let read = points(&rec, &spans.each_ref(), |from_s, to_s| Some(0.5 * (from_s + to_s)));
        let places: Vec<(f64, f64)> = read.iter().map(|point| (point.hz, point.level)).collect();
        assert_eq!(places, [(66.0, 14.5), (100.0, 4.0 - 4.0 / 6.0)]);
    }

    #[test]
    fn a_fan_that_coasts_is_no_output_and_no_settled_speed() {
        let mut bench = Bench::new(31);
        let coasts = |t_s: f64| 6.0 * (-t_s / 4.0).exp();
        let steady = |_: f64| 6.0;
        let mut of = |hz: f64, output: &dyn Fn(f64) -> f64| {
            let t0_s = bench.t_s;
            bench.set(Setting { frequency: Hertz(hz), ..at(50.0) });
            let speed = |t_s: f64| 200.0 * output(t_s);
            let supply: &dyn Fn(f64) -> f64 = &|_| 13.0;
            bench.run(
                3.0,
                &[(Channel::OutputV, output, 0.01), (Channel::SupplyV, supply, 0.01), (Channel::SpeedRpm, &speed, 1.0)],
            );
            bench.span(SpanKind::Follow, t0_s);
        };
        of(100.0, &steady);
        of(300.0, &coasts);
        let rec = &bench.rec;
        let spans: Vec<&Span> = rec.spans.iter().collect();
        let output = points(rec, &spans, |from_s, to_s| output_pct(rec, from_s, to_s));
        assert!((output[0].level - 100.0 * 6.0 / 13.0).abs() < 0.5, "{output:?}");
        assert_eq!((output[1].level, output[1].settles(50.0)), (0.0, true), "{output:?}");
        let speed = points(rec, &spans, |from_s, to_s| mean_speed(rec, from_s, to_s).map(|reading| reading.rpm));
        assert!(speed[0].settles(1200.0) && !speed[1].settles(1200.0), "{speed:?}");
    }
}
