//! Speed and motion of the fan from whatever the bench offers: tach, else a logger's speed, else commutation ripple,
//! else back-EMF while the output is off. Output voltage while the output is on proves nothing.

use crate::bench::{Channel, Supply};
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Series};

use super::command;
use super::signal::{ripple, stats, tach};
use super::zero;

/// Where a speed came from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SpeedSource {
    /// Tach edges.
    Tach,
    /// The `speed_rpm` channel of a logger.
    Logger,
    /// Commutation ripple in a current.
    Ripple,
    /// Back-EMF at the fan while the output is off.
    BackEmf,
}

impl SpeedSource {
    /// Short word for methods and notes.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Tach => "tach",
            Self::Logger => "logger",
            Self::Ripple => "ripple",
            Self::BackEmf => "back-EMF",
        }
    }
}

/// Mean speed over a window.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SpeedReading {
    /// Revolutions per minute.
    pub rpm: f64,
    /// Combined standard uncertainty.
    pub u_rpm: f64,
    /// The part of `u_rpm` that all readings of this rig share (clock, gain).
    pub common_rpm: f64,
    /// Where it came from.
    pub source: SpeedSource,
}

/// Whether the fan turns.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Motion {
    /// It turns.
    Turning,
    /// It is at rest.
    Rest,
    /// Nothing that was recorded can tell.
    Unknown,
}

/// Slowest and fastest fan that commutation ripple is looked for in, revolutions per minute.
const RIPPLE_RPM: (f64, f64) = (150.0, 5000.0);
/// Below this a logger's speed or a back-EMF speed counts as standstill.
const REST_RPM: f64 = 25.0;
/// Current under which no fan is driven, amperes, and the window in which lines of the bench are looked for.
const STANDS_A: f64 = 0.15;
const QUIET_S: f64 = 0.2;
/// Back-EMF below this counts as standstill, volts: at the usual constants under 60 rpm.
const REST_V: f64 = 0.15;
/// A tach that stops within one period from above this speed has failed: rotors do not stop at once.
const SUDDEN_RPM: f64 = 500.0;
/// No edges for this long means standstill.
const STILL_S: f64 = 0.5;

/// Mean speed over `from_s..to_s`; `None` when no source can tell.
///
/// A fan seen at rest reads 0 with the uncertainty of what could have been missed.
#[must_use]
pub fn mean_speed(rec: &Recording, from_s: f64, to_s: f64) -> Option<SpeedReading> {
    from_tach(rec, from_s, to_s)
        .or_else(|| from_logger(rec, from_s, to_s))
        .or_else(|| from_ripple(rec, from_s, to_s))
        .or_else(|| from_back_emf(rec, from_s, to_s))
}

/// Whether the fan turns during `from_s..to_s` (towards its end, if that changes).
#[must_use]
pub fn motion(rec: &Recording, from_s: f64, to_s: f64) -> Motion {
    let known = |motion: Motion| (motion != Motion::Unknown).then_some(motion);
    known(tach_motion(rec, from_s, to_s))
        .or_else(|| known(logger_motion(rec, from_s, to_s)))
        .or_else(|| known(ripple_motion(rec, from_s, to_s)))
        .or_else(|| known(emf_motion(rec, from_s, to_s)))
        .unwrap_or(Motion::Unknown)
}

/// Speed on a grid of `spacing_s` over `from_s..to_s`: (middle of the cell, revolutions per minute), oldest first.
///
/// One source for the whole track, the best that yields one; cells that it cannot fill are left out.
#[must_use]
pub fn speed_track(rec: &Recording, from_s: f64, to_s: f64, spacing_s: f64) -> Vec<(f64, f64)> {
    if !(spacing_s > 0.0 && to_s > from_s) {
        return Vec::new();
    }
    if let Some(track) = tach_track(rec, from_s, to_s, spacing_s) {
        return track;
    }
    if rec.channels.contains_key(&Channel::SpeedRpm) {
        return logger_track(rec, from_s, to_s, spacing_s);
    }
    let width_s = spacing_s.max(0.1);
    let cells = ((to_s - from_s) / spacing_s).floor() as usize;
    let track: Vec<(f64, f64)> = (0..cells)
        .filter_map(|cell| {
            let middle_s = from_s + spacing_s * (cell as f64 + 0.5);
            let (a, b) = (middle_s - 0.5 * width_s, middle_s + 0.5 * width_s);
            let reading = from_ripple(rec, a, b).or_else(|| from_back_emf(rec, a, b))?;
            Some((middle_s, reading.rpm))
        })
        .collect();
    unsmeared(rec, &track, width_s)
}

/// Cells of a track by whose line the rate of change is told.
const ALONG: usize = 3;
/// Change of a line within its window, in widths of a bin, from which it is smeared.
const SMEARS: f64 = 0.5;
/// Commutations per revolution that are taken for this where none are stated.
const USUAL_BARS: f64 = 12.0;

/// A track by ripple, its lines read anew where they ran through their windows: with the rate of the cells around, time is
/// stretched until they stand.
fn unsmeared(rec: &Recording, track: &[(f64, f64)], width_s: f64) -> Vec<(f64, f64)> {
    let anew = |i: usize| -> Option<f64> {
        let (middle_s, rpm) = track[i];
        let (t, v): (Vec<f64>, Vec<f64>) =
            track[i.saturating_sub(ALONG)..(i + ALONG + 1).min(track.len())].iter().copied().unzip();
        let rate_per_s = stats::line(&t, &v)?.slope / rpm.max(f64::MIN_POSITIVE);
        let per_rev = rec.header.bench.ripple_per_rev.unwrap_or(USUAL_BARS);
        if rate_per_s.abs() * rpm / 60.0 * per_rev * width_s * width_s < SMEARS || rate_per_s.abs() * width_s > 0.8 {
            return None;
        }
        let found = commutation_through(rec, middle_s - 0.5 * width_s, middle_s + 0.5 * width_s, rate_per_s)?;
        found.per_rev.filter(|k| *k > 0.0).map(|k| 60.0 * found.hz / k)
    };
    (0..track.len()).map(|i| (track[i].0, anew(i).unwrap_or(track[i].1))).collect()
}

/// Samples of a signal whose frequency grows by the share `rate_per_s` of that in the middle, at times between which its
/// phase grows evenly: a line that ran through the window stands at what it was in its middle.
fn stretched(values: &[f32], dt_s: f64, rate_per_s: f64) -> Vec<f32> {
    let middle = 0.5 * (values.len() as f64 - 1.0);
    let at = |i: usize| {
        let even_s = (i as f64 - middle) * dt_s;
        // The time t at which t + rate t² / 2 is that.
        let t_s = 2.0 * even_s / (1.0 + (1.0 + 2.0 * rate_per_s * even_s).max(0.0).sqrt());
        let place = middle + t_s / dt_s;
        let (before, share) = (place.floor(), place - place.floor());
        let index = (before >= 0.0).then_some(before as usize)?;
        let (a, b) = (*values.get(index)?, *values.get(index + 1)?);
        Some(a + (b - a) * share as f32)
    };
    (0..values.len()).filter_map(at).collect()
}

/// All edges of a tach that ever gave some.
fn live_tach(rec: &Recording) -> Option<&[f64]> {
    rec.tach_s.as_deref().filter(|edges| edges.len() >= 2)
}

/// Whether the tach has gone silent at full tilt, as seen from `t_s`.
pub(super) fn tach_died(rec: &Recording, t_s: f64) -> bool {
    let Some(edges) = live_tach(rec) else { return false };
    let next = edges.partition_point(|t| *t < t_s);
    if next < 3 || t_s - edges[next - 1] < STILL_S {
        return false;
    }
    let pulses = rec.header.bench.pulses_per_rev.unwrap_or(2.0);
    let recent = &edges[next.saturating_sub(8)..next];
    let intervals: Vec<f64> = recent.windows(2).map(|w| w[1] - w[0]).collect();
    stats::median(&intervals).is_some_and(|period| 60.0 / (period * pulses) > SUDDEN_RPM)
}

fn from_tach(rec: &Recording, from_s: f64, to_s: f64) -> Option<SpeedReading> {
    let pulses = rec.header.bench.pulses_per_rev?;
    let all = live_tach(rec)?;
    if tach_died(rec, to_s) {
        return None;
    }
    let edges = rec.tach_in(from_s, to_s)?;
    let Some(speed) = tach::mean(edges, pulses) else {
        return slow_tach(all, pulses, from_s, to_s);
    };
    // Edges that fill only a part of the window: the fan stopped or started in it.
    let covered_s = edges[edges.len() - 1] - edges[0];
    let period_s = 60.0 / (speed.rpm * pulses);
    if covered_s + 4.0 * period_s < to_s - from_s {
        let rpm = 60.0 * (edges.len() - 1) as f64 / (pulses * (to_s - from_s));
        return Some(tach_reading(rec, rpm, 60.0 / (pulses * (to_s - from_s))));
    }
    Some(tach_reading(rec, speed.rpm, speed.u_rpm))
}

/// A window with fewer than three edges: nearly or quite at rest.
fn slow_tach(all: &[f64], pulses: f64, from_s: f64, to_s: f64) -> Option<SpeedReading> {
    let (first, last) = (all.partition_point(|t| *t < from_s), all.partition_point(|t| *t < to_s));
    let since_s = last.checked_sub(1).map_or(f64::INFINITY, |i| to_s - all[i]);
    if first == last && since_s.max(to_s - from_s) < STILL_S {
        return None;
    }
    // At most one pulse more than was seen, spread evenly over what that allows.
    let quiet_s = to_s - from_s;
    let rpm = 60.0 * (last - first) as f64 / (pulses * quiet_s);
    let reach = 60.0 / (pulses * quiet_s.max(since_s.min(10.0)));
    Some(SpeedReading { rpm, u_rpm: reach / 3.0_f64.sqrt(), common_rpm: 0.0, source: SpeedSource::Tach })
}

fn tach_reading(rec: &Recording, rpm: f64, u_random: f64) -> SpeedReading {
    let common_rpm = rpm * rec.header.bench.clock_u;
    SpeedReading { rpm, u_rpm: u_random.hypot(common_rpm), common_rpm, source: SpeedSource::Tach }
}

fn tach_motion(rec: &Recording, from_s: f64, to_s: f64) -> Motion {
    let Some(all) = live_tach(rec) else { return Motion::Unknown };
    if tach_died(rec, to_s) {
        return Motion::Unknown;
    }
    let last = all.partition_point(|t| *t < to_s);
    let since_s = last.checked_sub(1).map_or(f64::INFINITY, |i| to_s - all[i]);
    let in_window = last - all.partition_point(|t| *t < from_s).min(last);
    if since_s >= STILL_S {
        // Before the first edge only the length of the window speaks.
        return if last > 0 || to_s - from_s >= STILL_S { Motion::Rest } else { Motion::Unknown };
    }
    if in_window >= 2 || (in_window == 1 && to_s - from_s < STILL_S) { Motion::Turning } else { Motion::Unknown }
}

fn tach_track(rec: &Recording, from_s: f64, to_s: f64, spacing_s: f64) -> Option<Vec<(f64, f64)>> {
    let pulses = rec.header.bench.pulses_per_rev?;
    let all = live_tach(rec)?;
    if tach_died(rec, to_s) {
        return None;
    }
    // A few edges beyond the window, so that the intervals over its borders count.
    let first = all.partition_point(|t| *t < from_s).saturating_sub(8);
    let last = (all.partition_point(|t| *t < to_s) + 8).min(all.len());
    Some(tach::track(&all[first..last], pulses, from_s, to_s, spacing_s))
}

/// Samples of the logger's speed over the window without one-sample glitches; `None` of too few.
fn logger_samples(rec: &Recording, from_s: f64, to_s: f64) -> Option<Vec<(f64, f64)>> {
    let series = rec.channels.get(&Channel::SpeedRpm)?;
    let raw: Vec<(f64, f64)> = series.samples(from_s, to_s).filter(|(_, v)| v.is_finite()).collect();
    if raw.is_empty() {
        return None;
    }
    let step = stats::median(&raw.windows(2).map(|w| (w[1].1 - w[0].1).abs()).collect::<Vec<_>>()).unwrap_or(0.0);
    let reach = (8.0 * step).max(REST_RPM);
    let kept = raw.iter().enumerate().filter(|(i, (_, v))| {
        let (before, after) = (i.checked_sub(1).map(|b| raw[b].1), raw.get(i + 1).map(|s| s.1));
        match (before, after) {
            // A glitch stands off both neighbours, which agree with each other.
            (Some(b), Some(a)) => !((v - b).abs() > reach && (v - a).abs() > reach && (a - b).abs() < reach),
            _ => true,
        }
    });
    Some(kept.map(|(_, sample)| *sample).collect())
}

/// Whether a logger's speed is frozen over the window: the same number again and again, far longer than it ever
/// repeats while it moves. A frozen reading is no speed; loggers that count periods do this at standstill.
fn logger_frozen(series: &Series, from_s: f64, to_s: f64) -> bool {
    let mut inside = series.samples(from_s, to_s).map(|(_, v)| v);
    let Some(first) = inside.next() else { return false };
    if first == 0.0 || !inside.all(|v| v == first) {
        return false;
    }
    let held = longest_run(series.samples(from_s, to_s).map(|(_, v)| v));
    let usual = longest_run(series.samples(from_s - 60.0, from_s).map(|(_, v)| v).filter(|v| *v != first && *v != 0.0));
    let moved = series.samples(from_s - 60.0, to_s).any(|(_, v)| v != first && v != 0.0);
    moved && held >= 4 && held > 3 * usual.max(1)
}

/// Length of the longest run of equal values.
fn longest_run(values: impl Iterator<Item = f64>) -> usize {
    let (mut longest, mut run, mut last) = (0, 0, f64::NAN);
    for value in values {
        run = if value == last { run + 1 } else { 1 };
        last = value;
        longest = longest.max(run);
    }
    longest
}

fn from_logger(rec: &Recording, from_s: f64, to_s: f64) -> Option<SpeedReading> {
    let series = rec.channels.get(&Channel::SpeedRpm)?;
    let samples = logger_samples(rec, from_s, to_s)?;
    let facts = rec.header.bench.channels.get(&Channel::SpeedRpm).copied().unwrap_or_default();
    if logger_frozen(series, from_s, to_s) {
        let u_rpm = REST_RPM / 3.0_f64.sqrt();
        return Some(SpeedReading { rpm: 0.0, u_rpm, common_rpm: 0.0, source: SpeedSource::Logger });
    }
    let values: Vec<f64> = samples.iter().map(|(_, v)| *v).collect();
    let spread = stats::batched_mean(values.iter().copied())?;
    let random = if spread.u.is_finite() { spread.u } else { facts.noise.max(0.01 * spread.mean.abs()) };
    let common_rpm = (facts.gain_u * spread.mean).hypot(facts.offset_u).hypot(facts.resolution / 12.0_f64.sqrt());
    let u_rpm = random.hypot(common_rpm);
    Some(SpeedReading { rpm: spread.mean, u_rpm, common_rpm, source: SpeedSource::Logger })
}

fn logger_motion(rec: &Recording, from_s: f64, to_s: f64) -> Motion {
    match from_logger(rec, from_s, to_s) {
        Some(reading) if reading.rpm.abs() > REST_RPM + 2.0 * reading.u_rpm => Motion::Turning,
        Some(_) => Motion::Rest,
        None => Motion::Unknown,
    }
}

fn logger_track(rec: &Recording, from_s: f64, to_s: f64, spacing_s: f64) -> Vec<(f64, f64)> {
    let Some(samples) = logger_samples(rec, from_s, to_s) else { return Vec::new() };
    let mut track = Vec::new();
    let mut rest = samples.as_slice();
    let cells = ((to_s - from_s) / spacing_s).floor() as usize;
    for cell in 0..cells {
        let end_s = from_s + spacing_s * (cell + 1) as f64;
        let (inside, later) = rest.split_at(rest.partition_point(|(t, _)| *t < end_s));
        rest = later;
        if let Some(mean) = stats::mean(&inside.iter().map(|(_, v)| *v).collect::<Vec<_>>()) {
            track.push((end_s - 0.5 * spacing_s, mean));
        }
    }
    track
}

/// Commutation frequency over a window.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Commutation {
    /// Mean frequency.
    pub hz: f64,
    /// Standard uncertainty.
    pub u_hz: f64,
    /// Commutations per revolution, stated by the rig or told by side lines.
    pub per_rev: Option<f64>,
    /// Windows that agreed.
    pub n: usize,
}

/// Commutation frequency during `from_s..to_s` from fan current, else supply current; `None` when no line is clear.
///
/// Stretches sampled at 4 kS/s or faster are used; where the window has none, those at 1 kS/s or faster.
#[must_use]
pub fn commutation(rec: &Recording, from_s: f64, to_s: f64) -> Option<Commutation> {
    commutation_through(rec, from_s, to_s, 0.0)
}

/// The same of a fan whose speed grows by the share `rate_per_s` per second; the frequency is that in the middle.
fn commutation_through(rec: &Recording, from_s: f64, to_s: f64, rate_per_s: f64) -> Option<Commutation> {
    let channel = [Channel::FanA, Channel::SupplyA].into_iter().find(|c| rec.channels.contains_key(c))?;
    let series = rec.channels.get(&channel)?;
    let burst = series.slices(from_s, to_s).any(|slice| slice.dt_s <= 2.5e-4);
    let slowest_dt_s = if burst { 2.5e-4 } else { 1e-3 };
    let stated = rec.header.bench.ripple_per_rev;
    // Without the number per revolution: from the slowest fan with four bars to the fastest with fifty.
    let (least, most) = stated.map_or((4.0, 50.0), |k| (k, k));
    let avoid_hz = lines_of_the_bench(rec, channel, series);
    let search = ripple::Search {
        lo_hz: RIPPLE_RPM.0 / 60.0 * least,
        hi_hz: RIPPLE_RPM.1 / 60.0 * most,
        avoid_hz: &avoid_hz,
        per_rev: stated,
    };
    let mut lines = Vec::new();
    for slice in series.slices(from_s, to_s).filter(|slice| slice.dt_s <= slowest_dt_s) {
        let longest = ((0.5 / slice.dt_s) as usize).clamp(64, 16_384);
        for part in slice.values.chunks(longest).filter(|part| part.len() as f64 * slice.dt_s >= 0.04) {
            lines.extend(match rate_per_s {
                0.0 => ripple::find(part, slice.dt_s, &search),
                rate_per_s => ripple::find(&stretched(part, slice.dt_s, rate_per_s), slice.dt_s, &search),
            });
            if lines.len() >= 24 {
                break;
            }
        }
    }
    combine(&lines, stated)
}

/// Lines that the current shows while nothing is commanded and the fan stands: supply, charger, whatever the wires pick
/// up. A unit that runs on the open line draws current then, and its lines are those of its fan.
fn lines_of_the_bench(rec: &Recording, channel: Channel, series: &Series) -> Vec<f64> {
    let Some((driven_s, _)) = rec.settings.iter().find(|(_, setting)| setting.duty.fraction() > 0.0) else {
        return Vec::new();
    };
    let facts = rec.header.bench.channels.get(&channel).copied().unwrap_or_default();
    let offset_u = facts.low.map_or(facts.offset_u, |low| low.offset_u);
    let stands = |amps: f64| amps.abs() < STANDS_A + 3.0 * offset_u;
    let quiet = series.slices(f64::NEG_INFINITY, *driven_s).filter(|slice| slice.dt_s <= 1e-3);
    let parts: Vec<(&[f32], f64)> = quiet
        .flat_map(|slice| {
            let longest = ((QUIET_S / slice.dt_s) as usize).max(1);
            slice.values.chunks(longest).map(move |part| (part, slice.dt_s))
        })
        .filter(|(part, dt_s)| part.len() as f64 * dt_s >= 0.5 * QUIET_S)
        .collect();
    // A fan that ran coasts on, but draws nothing: without current there is no ripple.
    let last = parts
        .iter()
        .rev()
        .find(|(part, _)| stats::mean(&part.iter().map(|&v| f64::from(v)).collect::<Vec<_>>()).is_some_and(stands));
    last.map_or_else(Vec::new, |(part, dt_s)| ripple::clear_lines(part, *dt_s))
}

/// Mean of the lines that agree with their median.
fn combine(lines: &[ripple::Ripple], stated: Option<f64>) -> Option<Commutation> {
    let median = stats::median(&lines.iter().map(|l| l.hz).collect::<Vec<_>>())?;
    let agreeing: Vec<&ripple::Ripple> = lines.iter().filter(|l| (l.hz - median).abs() < 0.1 * median).collect();
    if agreeing.len() * 2 <= lines.len() {
        return None;
    }
    let n = agreeing.len();
    let hz = agreeing.iter().map(|l| l.hz).sum::<f64>() / n as f64;
    let inside = agreeing.iter().map(|l| l.u_hz * l.u_hz).sum::<f64>().sqrt() / n as f64;
    let spread = stats::deviation(&agreeing.iter().map(|l| l.hz).collect::<Vec<_>>()).unwrap_or(0.0);
    let per_rev = stated.or_else(|| stats::median(&agreeing.iter().filter_map(|l| l.per_rev).collect::<Vec<_>>()));
    Some(Commutation { hz, u_hz: inside.max(spread / (n as f64).sqrt()), per_rev, n })
}

fn from_ripple(rec: &Recording, from_s: f64, to_s: f64) -> Option<SpeedReading> {
    let found = commutation(rec, from_s, to_s)?;
    let per_rev = found.per_rev.filter(|k| *k > 0.0)?;
    let rpm = 60.0 * found.hz / per_rev;
    let common_rpm = rpm * rec.header.bench.clock_u;
    let u_rpm = (60.0 * found.u_hz / per_rev).hypot(common_rpm);
    Some(SpeedReading { rpm, u_rpm, common_rpm, source: SpeedSource::Ripple })
}

fn ripple_motion(rec: &Recording, from_s: f64, to_s: f64) -> Motion {
    if commutation(rec, from_s, to_s).is_some() { Motion::Turning } else { Motion::Unknown }
}

/// Whether the output is off during the window: off commanded for a tenth of a second and no current worth a fan.
fn output_is_off(rec: &Recording, from_s: f64, to_s: f64) -> bool {
    let commanded = command::off_since(rec, from_s).is_some_and(|since| from_s - since >= 0.1 - 1e-9)
        && command::is_off(rec, to_s) == Some(true);
    let idle = zero::level(rec, Channel::SupplyA, from_s, to_s).is_none_or(|l| l.value < 0.3 + 3.0 * l.u());
    commanded && idle
}

/// Back-EMF during a window with the output off: median of the output voltage less its zero.
fn back_emf(rec: &Recording, from_s: f64, to_s: f64) -> Option<f64> {
    if !output_is_off(rec, from_s, to_s) {
        return None;
    }
    let series = rec.channels.get(&Channel::OutputV)?;
    // The median is blind to the short pulses by which healthy modules test their output at rest.
    let median = stats::median(&series.samples(from_s, to_s).map(|(_, v)| v).collect::<Vec<_>>())?;
    let zero = zero::offset(rec, Channel::OutputV, 0.5 * (from_s + to_s)).map_or(0.0, |(zero, _)| zero);
    Some(median - zero)
}

fn emf_motion(rec: &Recording, from_s: f64, to_s: f64) -> Motion {
    match back_emf(rec, from_s, to_s) {
        Some(volts) if volts.abs() > REST_V => Motion::Turning,
        Some(_) => Motion::Rest,
        None => Motion::Unknown,
    }
}

/// Back-EMF constant in volts per revolution per minute with its standard uncertainty, from the stops at which the
/// speed before the cut is known by ripple.
#[must_use]
pub fn emf_constant(rec: &Recording) -> Option<(f64, f64)> {
    let constants: Vec<f64> = rec
        .spans_where(|kind| matches!(kind, SpanKind::Stop))
        .filter_map(|span| {
            let (cut_s, before, _) = command::first_change(rec, span)?;
            let speed = from_ripple(rec, cut_s - 0.3, cut_s).filter(|_| before.is_some())?;
            let track: Vec<(f64, f64)> = (0..6)
                .filter_map(|i| {
                    let t_s = cut_s + 0.15 + 0.1 * f64::from(i);
                    back_emf(rec, t_s, t_s + 0.1).map(|volts| (t_s + 0.05, volts))
                })
                .collect();
            let (t, v): (Vec<f64>, Vec<f64>) = track.into_iter().unzip();
            let at_cut = stats::line(&t, &v)?.at(cut_s);
            (at_cut > REST_V).then_some(at_cut / speed.rpm)
        })
        .collect();
    let constant = stats::mean(&constants)?;
    let spread = stats::deviation(&constants).unwrap_or(0.02 * constant);
    Some((constant, (spread / (constants.len() as f64).sqrt()).max(0.01 * constant)))
}

fn from_back_emf(rec: &Recording, from_s: f64, to_s: f64) -> Option<SpeedReading> {
    let volts = back_emf(rec, from_s, to_s)?;
    let (constant, u_constant) = emf_constant(rec)?;
    let rpm = volts / constant;
    let common_rpm = rpm * u_constant / constant;
    let noise = rec.header.bench.channels.get(&Channel::OutputV).map_or(0.02, |facts| facts.noise);
    let u_rpm = (noise / constant).hypot(common_rpm);
    Some(SpeedReading { rpm, u_rpm, common_rpm, source: SpeedSource::BackEmf })
}

/// Whether the supply relay is closed at `t_s`, as far as commanded; `true` where no setting is known.
#[must_use]
pub fn powered(rec: &Recording, t_s: f64) -> bool {
    rec.setting_at(t_s).is_none_or(|setting| setting.supply != Supply::Off)
}

#[cfg(test)]
mod tests {
    use super::super::signal::stats::tests::noise;
    use super::*;
    use crate::bench::{Line, Setting};
    use crate::record::event::{Event, Numbered};
    use crate::units::Duty;

    fn push(rec: &mut Recording, channel: Channel, t0_s: f64, dt_s: f64, values: impl Iterator<Item = f64>) {
        let values: Vec<f32> = values.map(|v| v as f32).collect();
        let end_s = t0_s + dt_s * values.len() as f64;
        rec.channels.entry(channel).or_default().push(t0_s + 0.5 * dt_s, dt_s, &values);
        rec.end_s = rec.end_s.max(end_s);
    }

    fn command(rec: &mut Recording, t_s: f64, duty_pct: f64) {
        let duty = Duty::from_percent(duty_pct).expect("a duty");
        let setting = Setting { supply: Supply::On, duty, line: Line::Pwm, ..Setting::SAFE };
        let seq = rec.events.len() as u64;
        rec.push_event(Numbered { seq, t_s, event: Event::Set { setting } });
    }

    fn tach_recording(rpm: f64, until_s: f64) -> Recording {
        let mut rec = Recording::default();
        rec.header.bench.pulses_per_rev = Some(2.0);
        rec.header.bench.clock_u = 1e-5;
        let period = 30.0 / rpm;
        rec.tach_s = Some((0..(until_s / period) as usize).map(|i| period * i as f64).collect());
        rec.end_s = until_s + 5.0;
        rec
    }

    #[test]
    fn the_tach_comes_first_and_its_clock_is_the_common_part() {
        let rec = tach_recording(1800.0, 10.0);
        let speed = mean_speed(&rec, 2.0, 4.0).expect("tach");
        assert!((speed.rpm - 1800.0).abs() < 0.01, "{speed:?}");
        assert_eq!(speed.source, SpeedSource::Tach);
        assert!((speed.common_rpm - 0.018).abs() < 1e-6);
        assert_eq!(motion(&rec, 2.0, 4.0), Motion::Turning);
    }

    #[test]
    fn a_tach_that_stops_at_once_from_full_speed_is_a_dead_tach_not_a_fan_at_rest() {
        let rec = tach_recording(1800.0, 10.0);
        assert_eq!(motion(&rec, 12.0, 13.0), Motion::Unknown);
        assert_eq!(mean_speed(&rec, 12.0, 13.0), None);
    }

    #[test]
    fn a_fan_that_ran_down_is_at_rest() {
        let mut rec = tach_recording(1800.0, 10.0);
        // Constant friction from 188 rad/s over 10 s: angle = 188 t - 9.4 t^2.
        let tail = (1..600).map(|k| f64::from(k) * std::f64::consts::PI).take_while(|angle| *angle < 940.0);
        let times: Vec<f64> = tail.map(|angle| 10.0 + 10.0 * (1.0 - (1.0 - angle / 942.5).max(0.0).sqrt())).collect();
        rec.tach_s.get_or_insert_default().extend(times);
        assert_eq!(motion(&rec, 21.0, 22.0), Motion::Rest);
        let speed = mean_speed(&rec, 21.0, 22.0).expect("at rest");
        assert!(speed.rpm == 0.0 && speed.u_rpm < 20.0, "{speed:?}");
        assert_eq!(motion(&rec, 14.0, 15.0), Motion::Turning);
    }

    #[test]
    fn a_frozen_logger_is_at_rest_and_a_glitch_is_left_out() {
        let mut rec = Recording::default();
        let e = noise(3, 1000, 3.0);
        let wave = (0..1000).map(|i| match i {
            500 => 9000.0,
            i if i < 700 => (1500.0 + e[i]).round(),
            _ => 213.0,
        });
        push(&mut rec, Channel::SpeedRpm, 0.0, 0.01, wave);
        let speed = mean_speed(&rec, 4.0, 6.0).expect("logger");
        assert!((speed.rpm - 1500.0).abs() < 1.0, "{speed:?}");
        assert_eq!(motion(&rec, 8.0, 9.0), Motion::Rest);
        assert_eq!(mean_speed(&rec, 8.0, 9.0).map(|s| s.rpm), Some(0.0));
        assert_eq!(motion(&rec, 4.0, 6.0), Motion::Turning);
        let track = speed_track(&rec, 4.0, 6.0, 0.1);
        assert!(track.len() == 20 && track.iter().all(|(_, rpm)| (rpm - 1500.0).abs() < 10.0));
    }

    #[test]
    fn ripple_in_the_supply_current_gives_the_speed_with_its_uncertainty() {
        let mut rec = Recording::default();
        rec.header.bench.ripple_per_rev = Some(16.0);
        let e = noise(5, 20_000, 0.08);
        let hz = 2100.0 / 60.0 * 16.0;
        let wave =
            e.iter().enumerate().map(|(i, e)| 6.0 + 0.15 * (std::f64::consts::TAU * hz * i as f64 / 2e4).sin() + e);
        push(&mut rec, Channel::SupplyA, 0.0, 5e-5, wave);
        let speed = mean_speed(&rec, 0.0, 1.0).expect("ripple");
        assert_eq!(speed.source, SpeedSource::Ripple);
        assert!((speed.rpm - 2100.0).abs() < 3.0 * speed.u_rpm && speed.u_rpm < 1.0, "{speed:?}");
        assert_eq!(motion(&rec, 0.0, 1.0), Motion::Turning);
    }

    /// Current of a fan with 16 bars that speeds up to `full_rpm` at 20 kS/s, and its speed: it follows a linear ramp of the
    /// output with its own time constant.
    fn run_up(full_rpm: f64, ramp_s: f64, lag_s: f64, seed: u64) -> (Recording, impl Fn(f64) -> f64) {
        let rpm = move |t_s: f64| {
            let followed = |t_s: f64| t_s - lag_s * (1.0 - (-t_s / lag_s).exp());
            let late = if t_s > ramp_s { followed(t_s - ramp_s) } else { 0.0 };
            full_rpm * (followed(t_s) - late) / ramp_s
        };
        let mut rec = Recording::default();
        rec.header.bench.ripple_per_rev = Some(16.0);
        let n = ((ramp_s + 2.0) * 2e4) as usize;
        let mut turns = 0.0;
        let wave: Vec<f64> = noise(seed, n, 0.08)
            .into_iter()
            .enumerate()
            .map(|(i, e)| {
                turns += rpm(i as f64 / 2e4) / 60.0 / 2e4;
                6.0 + 0.25 * (std::f64::consts::TAU * 16.0 * turns).sin() + e
            })
            .collect();
        push(&mut rec, Channel::SupplyA, 0.0, 5e-5, wave.into_iter());
        (rec, rpm)
    }

    #[test]
    fn a_soft_start_is_tracked_by_ripple_within_a_percent_of_full_speed() {
        let full_rpm = 2400.0;
        for (ramp_s, lag_s) in [(0.6, 0.3), (1.0, 0.4), (2.0, 0.5), (4.0, 0.8)] {
            for seed in 40..43 {
                let (rec, rpm) = run_up(full_rpm, ramp_s, lag_s, seed);
                let track = speed_track(&rec, 0.0, ramp_s + 2.0, 0.05);
                let off = |(t_s, read): &(f64, f64)| (read - rpm(*t_s)) / full_rpm;
                let worst = track.iter().map(|at| off(at).abs()).fold(0.0, f64::max);
                let lag = track.iter().map(off).sum::<f64>() / track.len() as f64;
                assert!(worst < 0.01 && lag.abs() < 1e-3, "{ramp_s} s: {worst} {lag}");
                let missing = (ramp_s + 2.0) / 0.05 - track.len() as f64;
                let slow = (0_u8..).take_while(|i| rpm(0.05 * f64::from(*i)) < 0.1 * full_rpm).count();
                assert!(missing <= slow as f64, "{ramp_s} s: {missing} cells missing, {slow} under a tenth");
            }
        }
    }

    #[test]
    fn ripple_of_a_fan_that_runs_on_the_open_line_is_no_line_of_the_bench() {
        let mut rec = Recording::default();
        rec.header.bench.ripple_per_rev = Some(16.0);
        let hz = 2100.0 / 60.0 * 16.0;
        let hum = 700.0;
        let e = noise(5, 24_000, 0.02);
        let sine = |hz: f64, i: usize| 0.15 * (std::f64::consts::TAU * hz * i as f64 / 2e4).sin();
        // At rest with a line of the supply, then the fan on the open line, then commanded.
        let wave = e.iter().enumerate().map(|(i, e)| match i {
            i if i < 8_000 => sine(hum, i) + e,
            i => 6.0 + sine(hum, i) + sine(hz, i) + e,
        });
        push(&mut rec, Channel::SupplyA, 0.0, 5e-5, wave);
        command(&mut rec, 0.8, 90.0);
        let speed = mean_speed(&rec, 0.8, 1.2).expect("ripple");
        assert!((speed.rpm - 2100.0).abs() < 3.0, "{speed:?}");
    }

    #[test]
    fn back_emf_tells_turning_only_while_the_output_is_off() {
        let mut rec = Recording::default();
        command(&mut rec, 0.0, 60.0);
        command(&mut rec, 2.0, 0.0);
        push(
            &mut rec,
            Channel::OutputV,
            0.0,
            5e-4,
            (0..20_000).map(|i| match i {
                i if i < 4000 => 7.0,
                i => 5.0 * (-(f64::from(i) - 4000.0) / 4000.0).exp(),
            }),
        );
        push(&mut rec, Channel::SupplyA, 0.0, 5e-4, (0..20_000).map(|i| if i < 4000 { 8.0 } else { 0.02 }));
        assert_eq!(motion(&rec, 1.0, 1.5), Motion::Unknown);
        assert_eq!(motion(&rec, 2.5, 3.0), Motion::Turning);
        assert_eq!(motion(&rec, 9.5, 10.0), Motion::Rest);
        assert_eq!(mean_speed(&rec, 2.5, 3.0), None);
    }
}
