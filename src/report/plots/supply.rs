//! What the unit does while its supply is moved: dips over time, and the slow sweep over the voltage.

use super::Plot;
use super::decimate::extremes;
use super::frame::{Across, BLACK, BLUE, Key, Look, Panel, VERMILLION, legend, svg};
use super::scale::Scale;
use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};
use crate::results::{Direction, Document, Measured, ResultName};

const DIPS: i32 = 860;
const SWEEP: i32 = 680;
/// Room before the dip, and at most after the supply is back.
const BEFORE_S: f64 = 0.5;
const AFTER_S: f64 = 4.0;
/// Last share of a level in which it is read.
const LEVEL_SHARE: f64 = 0.5;

/// A dip with the moments at which the supply went down and back, and its lowest commanded level.
struct Dip<'r> {
    span: &'r Span,
    begin_s: f64,
    end_s: f64,
    lowest_v: f64,
}

impl<'r> Dip<'r> {
    fn of(rec: &Recording, span: &'r Span) -> Option<Self> {
        let settings = rec.settings_in(span.t0_s, span.t1_s);
        let levels: Vec<(f64, f64)> =
            settings.iter().filter_map(|(t_s, setting)| Some((*t_s, setting.supply_v?.get()))).collect();
        let (begin_s, last_s) = (levels.first()?.0, levels.last()?.0);
        let end_s = settings.iter().map(|(t_s, _)| *t_s).find(|t_s| *t_s > last_s)?;
        let lowest_v = levels.iter().map(|(_, volts)| *volts).fold(f64::INFINITY, f64::min);
        Some(Self { span, begin_s, end_s, lowest_v })
    }

    fn held_s(&self) -> f64 {
        self.end_s - self.begin_s
    }

    fn points(&self, rec: &Recording, channel: Channel) -> Vec<(f64, f64)> {
        let Some(series) = rec.channels.get(&channel) else { return Vec::new() };
        let to_s = self.span.t1_s.min(self.end_s + AFTER_S);
        extremes(series, self.begin_s - BEFORE_S, to_s, 700).into_iter().map(|(t, v)| (t - self.begin_s, v)).collect()
    }

    /// Whether current flows as soon as the supply is back.
    fn runs_on(&self, rec: &Recording) -> bool {
        let mean = |from_s, to_s| rec.mean(Channel::SupplyA, from_s, to_s);
        mean(self.end_s + 0.05, self.end_s + 0.15)
            .zip(mean(self.begin_s - BEFORE_S, self.begin_s))
            .is_some_and(|(after, before)| after > 0.5 * before)
    }
}

/// Supply voltage and current over the deepest dip, and over the deepest of its length that was ridden through; else over the
/// cranking profile.
pub(in crate::report) fn dips(rec: &Recording) -> Plot {
    let of = |wanted: SpanKind| -> Vec<Dip<'_>> {
        rec.spans.iter().filter(|span| span.kind == wanted).filter_map(|span| Dip::of(rec, span)).collect()
    };
    let (dips, cranked) = (of(SpanKind::SupplyDip), of(SpanKind::Crank));
    let lower = |a: &&Dip<'_>, b: &&Dip<'_>| a.lowest_v.total_cmp(&b.lowest_v);
    let deepest = dips.iter().min_by(lower).or(cranked.first()).ok_or("The supply was not made to dip.")?;
    let as_long = |dip: &&Dip<'_>| (dip.held_s() / deepest.held_s() - 1.0).abs() < 0.1;
    let ridden = dips.iter().filter(as_long).filter(|dip| dip.runs_on(rec)).min_by(lower);
    let ridden = ridden.filter(|dip| dip.begin_s != deepest.begin_s);
    let lines = |channel| (deepest.points(rec, channel), ridden.map_or(Vec::new(), |dip| dip.points(rec, channel)));
    let (volts, amps) = (lines(Channel::SupplyV), lines(Channel::SupplyA));
    let last_s = |points: &[(f64, f64)]| points.last().map_or(0.0, |p| p.0);
    let end_s = last_s(&amps.0).max(last_s(&amps.1));
    if amps.0.len() < 2 || volts.0.len() < 2 {
        return Err("There are no samples of the dip.".to_owned());
    }
    let highest = |points: &[(f64, f64)]| points.iter().map(|p| p.1).fold(0.0, f64::max);
    let highest_v = highest(&volts.0).max(highest(&volts.1));
    let highest_a = highest(&amps.0).max(highest(&amps.1));
    let lowest_a = amps.0.iter().chain(&amps.1).map(|p| p.1).fold(0.0, f64::min);
    svg(DIPS, |area| {
        let mut keys = vec![Key::new(Look::Line, VERMILLION, format!("down to {:.1} V", deepest.lowest_v))];
        keys.extend(
            ridden.map(|dip| Key::new(Look::Line, BLACK, format!("down to {:.1} V, ridden through", dip.lowest_v))),
        );
        let top = legend(area, &keys)?;
        let middle = top.midpoint(DIPS);
        let x = || Scale::exact(-BEFORE_S, end_s);
        let upper = (x(), Scale::round(0.0, highest_v));
        let panel = Panel::new(area, (top, middle), 0, upper, (Across::Shared, "supply (V)"))?;
        panel.line(&volts.0, VERMILLION)?;
        panel.line(&volts.1, BLACK)?;
        let lower = (x(), Scale::round(lowest_a, highest_a));
        let axes = (Across::Titled("time from the dip (s)"), "current (A)");
        let panel = Panel::new(area, (middle, DIPS), 0, lower, axes)?;
        panel.line(&amps.0, VERMILLION)?;
        panel.line(&amps.1, BLACK)
    })
}

/// Supply current over the supply voltage at the pins, level by level: circles away from the supply's own voltage, triangles
/// on the way back.
pub(in crate::report) fn sweep(document: &Document, rec: &Recording) -> Plot {
    let (mut away, mut back) = (Vec::new(), Vec::new());
    for toward in [Direction::Down, Direction::Up] {
        let Some(span) = rec.spans.iter().find(|span| span.kind == SpanKind::SupplySweep { toward }) else { continue };
        let settings = rec.settings_in(span.t0_s, span.t1_s);
        let mut furthest: Option<f64> = None;
        for pair in settings.windows(2) {
            let (Some(level), (from_s, to_s)) = (pair[0].1.supply_v, (pair[0].0, pair[1].0)) else { continue };
            let mean = |channel| rec.mean(channel, to_s - LEVEL_SHARE * (to_s - from_s), to_s);
            let (Some(volts), Some(amps)) = (mean(Channel::SupplyV), mean(Channel::SupplyA)) else { continue };
            let goes_on =
                furthest.is_none_or(|v| if toward == Direction::Up { level.get() > v } else { level.get() < v });
            if goes_on {
                furthest = Some(level.get());
                away.push((volts, amps));
            } else {
                back.push((volts, amps));
            }
        }
    }
    let all = || away.iter().chain(&back);
    if all().count() < 2 {
        return Err("The supply was not swept.".to_owned());
    }
    let end = |start: f64, of: fn(f64, f64) -> f64| all().map(|p| p.0).fold(start, of);
    let highest = all().map(|p| p.1).fold(0.0, f64::max);
    svg(SWEEP, |area| {
        let keys = [
            Key::new(Look::Circles, BLUE, "away from its own voltage"),
            Key::new(Look::Triangles, VERMILLION, "on the way back"),
            Key::new(Look::Dashed, BLACK, "cut-out and cut-in"),
        ];
        let top = legend(area, &keys)?;
        let scales = (Scale::round(end(f64::INFINITY, f64::min), end(0.0, f64::max)), Scale::round(0.0, highest));
        let axes = (Across::Titled("supply voltage at the pins (V)"), "supply current (A)");
        let panel = Panel::new(area, (top, SWEEP), 4, scales, axes)?;
        let marks = [
            (ResultName::CutOutLowV, "off", 0),
            (ResultName::CutInLowV, "back", 1),
            (ResultName::CutInHighV, "back", 2),
            (ResultName::CutOutHighV, "off", 3),
        ];
        for (name, what, row) in marks {
            if let Some(volts) = document.results.get(&name).and_then(Measured::as_number) {
                panel.mark_x(volts, &format!("{what} {volts:.2} V"), row)?;
            }
        }
        panel.markers(&away, Look::Circles, BLUE)?;
        panel.markers(&back, Look::Triangles, VERMILLION)
    })
}
