//! What the unit makes of command frequencies: settled speed (else output, else current) over frequency.

use super::Plot;
use super::frame::{Across, BLACK, BLUE, Key, Look, Panel, legend, svg};
use super::scale::Scale;
use crate::analysis::speed::mean_speed;
use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};
use crate::results::{Document, Measured, ResultName};

const HEIGHT: i32 = 640;

/// Settled response per frequency tried, with the edges of the band.
pub(in crate::report) fn frequency(document: &Document, rec: &Recording) -> Plot {
    let spans: Vec<&Span> = rec.spans_where(|kind| matches!(kind, SpanKind::Follow)).collect();
    if spans.is_empty() {
        return Err("Other command frequencies were not tried, so there is no frequency response.".to_owned());
    }
    let speed = |from_s, to_s| mean_speed(rec, from_s, to_s).map(|reading| reading.rpm);
    let channel = |channel| move |from_s, to_s| rec.mean(channel, from_s, to_s);
    let sources: [(&str, Vec<(f64, f64)>); 3] = [
        ("speed (rpm)", points(rec, &spans, speed)),
        ("output (V)", points(rec, &spans, channel(Channel::OutputV))),
        ("supply current (A)", points(rec, &spans, channel(Channel::SupplyA))),
    ];
    let (title, points) = sources
        .into_iter()
        .find(|(_, points)| points.len() >= 2)
        .ok_or("Too few command frequencies gave a reading to draw a frequency response.")?;
    let highest = points.iter().map(|p| p.1).fold(0.0, f64::max);
    svg(HEIGHT, |area| {
        let keys = [
            Key::new(Look::Circles, BLUE, "settled response"),
            Key::new(Look::Dashed, BLACK, "band of following, frequency used"),
        ];
        let top = legend(area, &keys)?;
        let scales = (Scale::log(points[0].0 / 1.3, points[points.len() - 1].0 * 1.3), Scale::round(0.0, highest));
        let panel = Panel::new(area, (top, HEIGHT), 3, scales, (Across::Titled("command frequency (Hz)"), title))?;
        let marks =
            [(ResultName::CommandHzLow, "from"), (ResultName::CommandHz, "used"), (ResultName::CommandHzHigh, "to")];
        panel.series(&points, Look::Circles, BLUE)?;
        for (row, (name, word)) in (0..).zip(marks) {
            if let Some(hz) = document.results.get(&name).and_then(Measured::as_number) {
                panel.mark_x(hz, &format!("{word} {} Hz", crate::units::significant(hz, 3)), row)?;
            }
        }
        Ok(())
    })
}

/// Reading by frequency, over the last third of the first level of each span: the duty that all of them have. The first
/// goes on to a higher one, to see what following looks like.
fn points(rec: &Recording, spans: &[&Span], read: impl Fn(f64, f64) -> Option<f64>) -> Vec<(f64, f64)> {
    let mut points: Vec<(f64, f64)> = spans
        .iter()
        .filter_map(|span| {
            let next = rec.settings_in(span.t0_s + 1e-6, span.t1_s - 1e-6).first();
            let end_s = next.map_or(span.t1_s, |(t_s, _)| *t_s);
            let hz = rec.setting_at(end_s - 1e-6)?.frequency.get();
            Some((hz, read(end_s - (end_s - span.t0_s) / 3.0, end_s)?))
        })
        .filter(|point| point.0 > 0.0 && point.1.is_finite())
        .collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    points
}

#[cfg(test)]
mod tests {
    use super::*;
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
        assert_eq!(read, [(66.0, 14.5), (100.0, 4.0 - 4.0 / 6.0)]);
    }
}
