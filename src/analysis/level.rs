//! Levels of constant command inside a stretch, and what the channels read on them once settled.
//!
//! A level may hold thousands of samples (a bench) or a single row (a logger that wrote one line per setting).

use crate::analysis::signal::stats;
use crate::analysis::speed::{self, Motion};
use crate::analysis::zero;
use crate::bench::{Channel, Line, Setting, Supply};
use crate::record::recording::Recording;

/// Longest window at the end of a level that is read, seconds.
const TAIL_S: f64 = 1.0;
/// Share of the top speed below which a delivered speed reading counts as standstill.
const FLOOR_SHARE: f64 = 0.005;
/// Share of the supply above which the output counts as on: with the zero of its channel known, and without.
const ON_SHARE: (f64, f64) = (0.003, 0.01);

/// A stretch with one setting.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Level {
    /// The setting.
    pub(crate) setting: Setting,
    /// Commanded duty in percent; 0 when nothing is commanded.
    pub(crate) duty_pct: f64,
    /// Begin, seconds.
    pub(crate) t0_s: f64,
    /// End, seconds.
    pub(crate) t1_s: f64,
}

/// A settled reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Reading {
    /// Mean, zero offset subtracted.
    pub(crate) value: f64,
    /// Standard uncertainty: scatter of the mean and of the zero.
    pub(crate) u: f64,
}

/// Duty that a setting commands, percent; 0 with the supply off or the line not driven.
pub(crate) fn commanded_pct(setting: &Setting) -> f64 {
    if setting.supply == Supply::Off || setting.line != Line::Pwm { 0.0 } else { setting.duty.percent() }
}

/// Levels in `from_s..to_s` in order; changes that leave the setting as it was are merged.
pub(crate) fn levels(rec: &Recording, from_s: f64, to_s: f64) -> Vec<Level> {
    let mut found: Vec<Level> = Vec::new();
    let first = rec.setting_at(from_s).map(|setting| (from_s, setting));
    for (t_s, setting) in first.into_iter().chain(rec.settings_in(from_s, to_s).iter().copied()) {
        if let Some(last) = found.last_mut() {
            if last.setting == setting {
                continue;
            }
            last.t1_s = t_s;
        }
        found.push(Level { setting, duty_pct: commanded_pct(&setting), t0_s: t_s, t1_s: to_s });
    }
    found.retain(|level| level.t1_s - level.t0_s > 1e-6);
    found
}

/// Window at the end of `from_s..to_s` that is read as settled: the last second, at most the later half; the whole
/// when `has_samples` finds nothing there.
pub(crate) fn tail(from_s: f64, to_s: f64, has_samples: impl Fn(f64, f64) -> bool) -> (f64, f64) {
    let start_s = to_s - TAIL_S.min(0.5 * (to_s - from_s));
    if has_samples(start_s, to_s) { (start_s, to_s) } else { (from_s, to_s) }
}

/// Settled reading of `channel` at the end of `from_s..to_s`; `None` without samples there.
pub(crate) fn settled(rec: &Recording, channel: Channel, from_s: f64, to_s: f64) -> Option<Reading> {
    let series = rec.channels.get(&channel)?;
    let (a, b) = tail(from_s, to_s, |a, b| series.slices(a, b).next().is_some());
    reading(rec, channel, a, b)
}

/// Mean of `channel` over all of `from_s..to_s`, zero subtracted.
pub(crate) fn reading(rec: &Recording, channel: Channel, from_s: f64, to_s: f64) -> Option<Reading> {
    let level = zero::level(rec, channel, from_s, to_s)?;
    Some(Reading { value: level.value, u: level.u_noise.hypot(level.u_zero) })
}

/// Largest sensible speed of the delivered speed column, a few wild readings left out; `None` without the column.
pub(crate) fn top_speed(rec: &Recording) -> Option<f64> {
    let values: Vec<f64> =
        rec.channels.get(&Channel::SpeedRpm)?.samples(f64::NEG_INFINITY, f64::INFINITY).map(|(_, v)| v.abs()).collect();
    let highest = stats::quantile(&values, 0.98)?;
    (highest > 0.0).then_some(highest)
}

/// What says whether the fan turns, with what it needs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Witness {
    /// A delivered speed column; readings up to the floor are standstill.
    Column {
        /// The floor, revolutions per minute.
        floor_rpm: f64,
    },
    /// Tach edges.
    Tach,
    /// Ripple or back-EMF, judged by the speed kernel in windows.
    Kernel,
}

impl Witness {
    /// The best witness that the recording has; `None` when nothing in it can prove turning.
    pub(crate) fn of(rec: &Recording) -> Option<Self> {
        if rec.tach_s.as_ref().is_some_and(|edges| edges.len() >= 3) {
            return Some(Self::Tach);
        }
        if rec.channels.contains_key(&Channel::SpeedRpm) {
            return Some(Self::Column { floor_rpm: FLOOR_SHARE * top_speed(rec).unwrap_or(0.0) });
        }
        let current = rec.channels.contains_key(&Channel::SupplyA) || rec.channels.contains_key(&Channel::FanA);
        current.then_some(Self::Kernel)
    }

    /// Whether the fan turns at the end of `from_s..to_s`.
    pub(crate) fn motion(self, rec: &Recording, from_s: f64, to_s: f64) -> Motion {
        match self {
            Self::Column { floor_rpm } => match settled(rec, Channel::SpeedRpm, from_s, to_s) {
                Some(speed) if speed.value.abs() > floor_rpm => Motion::Turning,
                Some(_) => Motion::Rest,
                None => Motion::Unknown,
            },
            Self::Tach => {
                let start_s = to_s - TAIL_S.min(to_s - from_s);
                if rec.tach_in(start_s, to_s).is_some_and(|edges| !edges.is_empty()) {
                    return Motion::Turning;
                }
                // A tach that died at speed: the kernel then asks the other sources.
                let motion = speed::motion(rec, start_s, to_s);
                if motion == Motion::Turning { motion } else { Motion::Rest }
            }
            Self::Kernel => {
                let (a, b) = tail(from_s, to_s, |_, _| true);
                match speed::motion(rec, a, b) {
                    // Where ripple would be seen, none is standstill.
                    Motion::Unknown if fast_current(rec, a, b) => Motion::Rest,
                    motion => motion,
                }
            }
        }
    }
}

/// The current that shows what the fan does: its own, else that of the supply.
pub(crate) fn current(rec: &Recording) -> Option<Channel> {
    [Channel::FanA, Channel::SupplyA].into_iter().find(|channel| rec.channels.contains_key(channel))
}

/// Whether a current was sampled fast enough in the window to show commutation ripple.
fn fast_current(rec: &Recording, from_s: f64, to_s: f64) -> bool {
    [Channel::FanA, Channel::SupplyA].iter().filter_map(|channel| rec.channels.get(channel)).any(|series| {
        series.slices(from_s, to_s).any(|slice| slice.dt_s <= 1e-3 && slice.values.len() as f64 * slice.dt_s >= 0.04)
    })
}

/// Settled speed at the end of `from_s..to_s` with its standard uncertainty; 0 at a proven standstill.
pub(crate) fn settled_speed(rec: &Recording, witness: Witness, from_s: f64, to_s: f64) -> Option<Reading> {
    match (witness, witness.motion(rec, from_s, to_s)) {
        (Witness::Column { .. }, _) => {
            settled(rec, Channel::SpeedRpm, from_s, to_s).map(|speed| Reading { value: speed.value.abs(), u: speed.u })
        }
        (_, Motion::Rest) => Some(Reading { value: 0.0, u: 0.0 }),
        _ => {
            let (a, b) = tail(from_s, to_s, |_, _| true);
            speed::mean_speed(rec, a, b).map(|speed| Reading { value: speed.rpm, u: speed.u_rpm })
        }
    }
}

/// Mean supply voltage at the end of `from_s..to_s`, else what the rig states.
pub(crate) fn supply_v(rec: &Recording, from_s: f64, to_s: f64) -> Option<f64> {
    settled(rec, Channel::SupplyV, from_s, to_s).map(|v| v.value).or(rec.header.bench.supply_v).filter(|v| *v > 0.0)
}

/// Whether the output is on at the end of `from_s..to_s`: above its zero, and not the decaying back-EMF of a coasting
/// fan, which may have come to rest by then. `None` without output channel.
pub(crate) fn output_on(rec: &Recording, from_s: f64, to_s: f64) -> Option<bool> {
    let above = output_above_zero(rec, from_s, to_s)?;
    let (a, b) = tail(from_s, to_s, |_, _| true);
    let at_last = || output_above_zero(rec, b - (b - a) / 3.0, b) != Some(false);
    Some(above && !decays(rec, from_s, to_s) && at_last())
}

/// Whether there is voltage at the output at the end of `from_s..to_s`: with the fan at rest before, the output is on.
pub(crate) fn output_above_zero(rec: &Recording, from_s: f64, to_s: f64) -> Option<bool> {
    let output = settled(rec, Channel::OutputV, from_s, to_s)?;
    let supply = supply_v(rec, from_s, to_s).unwrap_or(12.0);
    let zeroed = zero::offset(rec, Channel::OutputV, from_s).is_some();
    let on_share = if zeroed { ON_SHARE.0 } else { ON_SHARE.1 };
    Some(output.value >= (on_share * supply).max(5.0 * output.u.min(0.002 * supply)))
}

/// Whether the output falls all through the settled window.
fn decays(rec: &Recording, from_s: f64, to_s: f64) -> bool {
    let (a, b) = tail(from_s, to_s, |_, _| true);
    let third = (b - a) / 3.0;
    let part = |i: f64| reading(rec, Channel::OutputV, a + i * third, a + (i + 1.0) * third);
    let (Some(first), Some(middle), Some(last)) = (part(0.0), part(1.0), part(2.0)) else { return false };
    let falls = |x: &Reading, y: &Reading| x.value - y.value > (0.005 * x.value).max(3.0 * x.u.hypot(y.u));
    falls(&first, &middle) && falls(&middle, &last)
}
