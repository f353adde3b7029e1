//! The interlock's watches: one small memory and one rule (or two of a kind) each. Pure; times in seconds on the run's
//! clock.

use std::collections::{BTreeMap, VecDeque};

use crate::bench::{Block, Channel, Setting, Supply};
use crate::results::StoppedBy;
use crate::safety::interlock::{Rule, Trip, supply_v};
use crate::safety::limits::Limits;

/// Shortest mean that counts as a level: a single odd sample is no evidence, a fuse does not see it either.
const LEVEL_S: f64 = 0.002;

/// Highest mean over [`LEVEL_S`] (or one sample where samples are rarer) if it is above `limit`.
#[expect(clippy::cast_precision_loss, reason = "block lengths are far below 2^52")]
fn level_above(samples: &[f32], duration_s: f64, limit: f64) -> Option<f64> {
    let highest = samples.iter().fold(f32::NEG_INFINITY, |a, &b| a.max(b));
    if f64::from(highest) <= limit {
        return None;
    }
    let n = samples.len();
    let dt_s = duration_s / n as f64;
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped to the length")]
    let wide = ((LEVEL_S / dt_s).round() as usize).clamp(1, n);
    let mean = |window: &[f32]| window.iter().map(|&v| f64::from(v)).sum::<f64>() / wide as f64;
    let level = samples.windows(wide).map(mean).fold(f64::NEG_INFINITY, f64::max);
    (level > limit).then_some(level)
}

/// Over-current, at once and by i2t.
#[derive(Clone, Debug, Default)]
pub(super) struct Current {
    integral_a2s: f64,
}

impl Current {
    pub(super) fn instant(&self, limits: &Limits, block: &Block) -> Option<Trip> {
        let samples = block.samples(Channel::SupplyA)?;
        let level = level_above(samples, block.duration_s, limits.instant_a)?;
        let saw = format!("supply current {level:.1} A, limit {:.1} A", limits.instant_a);
        Some(Trip::new(Rule::OverCurrent, StoppedBy::Unit, saw))
    }

    pub(super) fn i2t(&mut self, limits: &Limits, block: &Block) -> Option<Trip> {
        let samples = block.samples(Channel::SupplyA).filter(|samples| !samples.is_empty())?;
        #[expect(clippy::cast_precision_loss, reason = "block lengths are far below 2^52")]
        let dt_s = block.duration_s / samples.len() as f64;
        let rest = limits.continuous_a * limits.continuous_a;
        for &sample in samples {
            let amps = f64::from(sample);
            self.integral_a2s = (self.integral_a2s + (amps * amps - rest) * dt_s).max(0.0);
        }
        if self.integral_a2s <= limits.i2t_a2s {
            return None;
        }
        let mean = block.mean(Channel::SupplyA)?;
        // What the load takes flat out is the rig's own choice of load and limits; more than that is the unit's.
        let by = if mean > 1.15 * limits.load_running_a { StoppedBy::Unit } else { StoppedBy::Rig };
        let saw = format!("i2t {:.0} A²s at {mean:.1} A, limit {:.0} A²s", self.integral_a2s, limits.i2t_a2s);
        Some(Trip::new(Rule::OverI2t, by, saw))
    }
}

/// Over- and under-voltage with the relay closed, and a programmable supply that does not follow.
#[derive(Clone, Debug, Default)]
pub(super) struct Voltage {
    low_for_s: f64,
    high_for_s: f64,
    /// The level commanded; `None` is the rig's own.
    level_v: Option<f64>,
    /// Levels commanded before, each with the time until which the supply may still be on its way from there.
    before: Vec<(f64, f64)>,
}

/// After the relay closed the capacitor charges and the supply recovers; a programmable one settles after it moved.
const SUPPLY_COMES_S: f64 = 0.5;
/// A start may pull the supply down this long.
const SAG_S: f64 = 0.5;

impl Voltage {
    /// The supply is sent to this level; `None` is the rig's own.
    pub(super) fn command(&mut self, limits: &Limits, t_s: f64, level_v: Option<f64>) {
        let Some(settable) = limits.settable.filter(|_| level_v != self.level_v) else { return };
        let at = |level: Option<f64>| level.unwrap_or(limits.supply_v);
        let moves_s = (at(level_v) - at(self.level_v)).abs() / settable.slew_v_per_s;
        self.before.retain(|(_, until_s)| *until_s > t_s);
        // From where it may not have arrived yet it goes on.
        let furthest_s = self.before.iter().map(|(_, until_s)| until_s - t_s).fold(0.0, f64::max);
        let until_s = t_s + moves_s + furthest_s.max(SUPPLY_COMES_S);
        self.before.push((at(self.level_v), until_s));
        self.level_v = level_v;
    }

    /// Lowest and highest voltage that a supply which follows shows at the pins by `t_s`. At the rig's own level what the
    /// rig states holds, and what lies above that level is told by the highest voltage alone.
    fn allowed(&self, limits: &Limits, t_s: f64) -> (f64, f64) {
        let of = |level_v: f64| {
            let within_v = limits.settable.map_or(0.0, |settable| settable.within_v);
            (level_v - within_v, level_v + within_v)
        };
        let now = self.level_v.map_or((limits.lowest_v, f64::INFINITY), of);
        let on_the_way = self.before.iter().filter(|(_, until_s)| *until_s > t_s);
        on_the_way.map(|(level_v, _)| of(*level_v)).fold(now, |(low, high), (a, b)| (low.min(a), high.max(b)))
    }

    pub(super) fn judge(&mut self, limits: &Limits, block: &Block, setting: &Setting, since_s: f64) -> Option<Trip> {
        if setting.supply == Supply::Off {
            (self.low_for_s, self.high_for_s) = (0.0, 0.0);
            return None;
        }
        let samples = block.samples(Channel::SupplyV)?;
        if let Some(level) = level_above(samples, block.duration_s, limits.highest_v) {
            let saw = format!("supply voltage {level:.2} V, limit {:.2} V", limits.highest_v);
            return Some(Trip::new(Rule::OverVoltage, StoppedBy::Rig, saw));
        }
        let mean = supply_v(block)?;
        let (lowest_v, highest_v) = self.allowed(limits, block.t0_s);
        let judged = setting.supply == Supply::On && block.t0_s >= since_s + SUPPLY_COMES_S;
        // A charged capacitor and a coasting fan hold the pins up as well, but then nothing comes from the supply.
        let fed = block.mean(Channel::SupplyA).is_some_and(|amps| amps > limits.off_a);
        let longer = |for_s: f64, is: bool| if is { for_s + block.duration_s } else { 0.0 };
        self.low_for_s = longer(self.low_for_s, judged && mean < lowest_v);
        self.high_for_s = longer(self.high_for_s, judged && fed && mean > highest_v);
        if self.low_for_s > SAG_S {
            let asked = self.level_v.map_or(String::new(), |volts| format!(" and {volts:.2} V commanded"));
            let saw = format!(
                "supply voltage {mean:.2} V for {:.1} s with the relay closed{asked}, lowest allowed {lowest_v:.2} V",
                self.low_for_s
            );
            return Some(Trip::new(Rule::UnderVoltage, StoppedBy::Rig, saw));
        }
        let commanded_v = self.level_v.filter(|_| self.high_for_s > SAG_S)?;
        let saw = format!(
            "supply voltage {mean:.2} V for {:.1} s though {commanded_v:.2} V are commanded: the supply does not follow",
            self.high_for_s
        );
        Some(Trip::new(Rule::OverVoltage, StoppedBy::Rig, saw))
    }
}

/// Current while a valid off duty is commanded.
#[derive(Clone, Debug, Default)]
pub(super) struct OffCurrent {
    smooth_a: f64,
    edge_a: f64,
    since_s: f64,
}

/// A module may still answer the command before (its delay) and ramp down before the current must fall.
const OFF_HOLD_S: f64 = 2.0;
/// From then on the allowed current decays with this time constant.
const OFF_DECAY_S: f64 = 1.0;
/// Short test pulses at rest and charging currents average out over this time.
const OFF_SMOOTH_S: f64 = 0.5;

impl OffCurrent {
    /// `off_since` is the time from which a valid off duty was commanded, if one is.
    pub(super) fn judge(&mut self, limits: &Limits, block: &Block, off_since: Option<f64>) -> Option<Trip> {
        let mean = block.mean(Channel::SupplyA)?;
        let weight = 1.0 - (-block.duration_s / OFF_SMOOTH_S).exp();
        self.smooth_a += (mean - self.smooth_a) * weight;
        let since_s = off_since?;
        if since_s > self.since_s {
            (self.since_s, self.edge_a) = (since_s, 0.0);
        }
        let after_s = block.end_s() - since_s - OFF_HOLD_S;
        if after_s <= 0.0 {
            self.edge_a = self.edge_a.max(self.smooth_a);
            return None;
        }
        let allowed = limits.off_a + self.edge_a * (-after_s / OFF_DECAY_S).exp();
        (self.smooth_a > allowed).then(|| {
            let saw = format!(
                "{:.2} A flows {:.1} s after the off command, allowed by then {allowed:.2} A",
                self.smooth_a,
                after_s + OFF_HOLD_S
            );
            Trip::new(Rule::CurrentAtOff, StoppedBy::Unit, saw)
        })
    }
}

/// Supply voltage or current though the relay is open.
#[derive(Clone, Debug, Default)]
pub(super) struct Weld {
    edge_v: f64,
    rest_since_s: Option<f64>,
    /// Supply voltage about once a second while it is judged.
    past: VecDeque<(f64, f64)>,
    flowing_s: f64,
    standing_s: f64,
}

/// Time for the capacitors to bleed after the fan came to rest, and how fast the allowed rest then falls.
const BLEED_HOLD_S: f64 = 10.0;
const BLEED_DECAY_S: f64 = 20.0;
/// Voltage that no welded contact would leave.
const BLED_V: f64 = 2.0;
/// A charged capacitor falls by more than this share in [`STANDING_S`]; a welded contact holds.
const STANDING_SHARE: f64 = 0.005;
const STANDING_S: f64 = 5.0;
/// Without a tach, an output below this at both ends of a block is no back-EMF of a turning fan.
const REST_OUTPUT_V: f64 = 0.3;
/// Without tach and output channel a fan counts as at rest this long after the relay opened.
const REST_BLIND_S: f64 = 120.0;

impl Weld {
    pub(super) fn closed(&mut self, block: &Block) {
        if let Some(volts) = supply_v(block) {
            self.edge_v = volts;
        }
        self.rest_since_s = None;
        self.past.clear();
        (self.flowing_s, self.standing_s) = (0.0, 0.0);
    }

    /// `open_since` is `None` when the relay was never closed in this run; `edge_s` the last tach edge if there is a tach.
    pub(super) fn open(
        &mut self,
        limits: &Limits,
        block: &Block,
        open_since: Option<f64>,
        edge_s: Option<f64>,
    ) -> Option<Trip> {
        self.flowing(limits, block, open_since).or_else(|| match open_since {
            None => self.standing_from_before(limits, block),
            Some(since_s) => self.not_bleeding(block, since_s, edge_s),
        })
    }

    fn flowing(&mut self, limits: &Limits, block: &Block, open_since: Option<f64>) -> Option<Trip> {
        let amps = block.mean(Channel::SupplyA)?;
        let judged = open_since.is_none_or(|since_s| block.t0_s > since_s + 1.0);
        let flows = judged && amps > limits.off_a;
        self.flowing_s = if flows { self.flowing_s + block.duration_s } else { 0.0 };
        (self.flowing_s > 0.5).then(|| weld(format!("{amps:.2} A flows though the supply relay is open")))
    }

    fn standing_from_before(&mut self, limits: &Limits, block: &Block) -> Option<Trip> {
        let volts = supply_v(block)?;
        let stands = volts > 0.8 * limits.supply_v;
        self.standing_s = if stands { self.standing_s + block.duration_s } else { 0.0 };
        (self.standing_s > 0.5).then(|| {
            weld(format!(
                "{volts:.2} V at the module before the supply relay was closed (welded contact, or capacitors still \
                 charged from the run before)"
            ))
        })
    }

    fn not_bleeding(&mut self, block: &Block, since_s: f64, edge_s: Option<f64>) -> Option<Trip> {
        let volts = supply_v(block)?;
        let rest_s = self.rest_since(block, since_s, edge_s)?;
        if self.past.back().is_none_or(|(t_s, _)| block.end_s() >= t_s + 1.0) {
            self.past.push_back((block.end_s(), volts));
        }
        let after_s = block.end_s() - rest_s - BLEED_HOLD_S;
        let allowed = (self.edge_v * (-after_s / BLEED_DECAY_S).exp()).max(BLED_V);
        if after_s <= 0.0 || volts <= allowed {
            return None;
        }
        while self.past.get(1).is_some_and(|(t_s, _)| *t_s <= block.end_s() - STANDING_S) {
            self.past.pop_front();
        }
        let (then_s, then_v) = *self.past.front()?;
        let stands = block.end_s() - then_s >= STANDING_S && volts > then_v * (1.0 - STANDING_SHARE);
        stands.then(|| {
            let open_s = block.end_s() - since_s;
            weld(format!("{volts:.2} V stands at the module {open_s:.0} s after the supply relay opened, fan at rest"))
        })
    }

    /// Since when the fan rests; `None` while it may turn.
    fn rest_since(&mut self, block: &Block, since_s: f64, edge_s: Option<f64>) -> Option<f64> {
        let rests = match (edge_s, block.mean(Channel::OutputV)) {
            (Some(edge_s), _) => block.end_s() > edge_s + 2.0,
            (None, Some(output_v)) => output_v.abs() < REST_OUTPUT_V,
            (None, None) => block.end_s() > since_s + REST_BLIND_S,
        };
        if !rests {
            self.rest_since_s = None;
            self.past.clear();
            return None;
        }
        Some(*self.rest_since_s.get_or_insert(block.t0_s.max(since_s)))
    }
}

fn weld(saw: String) -> Trip {
    Trip::new(Rule::WeldedContact, StoppedBy::Rig, saw)
}

/// A fan that draws current without turning.
#[derive(Clone, Debug, Default)]
pub(super) struct Stall {
    stalled_s: f64,
}

/// Without an edge for this long a fan with a tach does not turn.
const TACH_SILENT_S: f64 = 0.5;
/// Share of the locked-rotor current at the voltage across the fan above which it can hardly turn; a warm winding
/// takes a quarter less than a cold one, a turning fan less than half.
const LOCKED_SHARE: f64 = 0.6;
/// The same where only the current tells that the fan is at rest.
const LOCKED_SHARE_BLIND: f64 = 0.75;

impl Stall {
    /// `silent_s` is the time since the last tach edge if there is a tach.
    pub(super) fn judge(
        &mut self,
        limits: &Limits,
        block: &Block,
        energised: bool,
        silent_s: Option<f64>,
    ) -> Option<Trip> {
        let rules = limits.stall?;
        let seen = if energised { fan(block) } else { None };
        let stalled = seen.is_some_and(|(amps, across_v)| {
            let locked_a = across_v / rules.locked_ohm;
            let at_rest = match silent_s {
                Some(silent_s) => silent_s > TACH_SILENT_S && amps > LOCKED_SHARE * locked_a,
                None => amps > LOCKED_SHARE_BLIND * locked_a,
            };
            amps > rules.above_a && at_rest
        });
        self.stalled_s = if stalled { self.stalled_s + block.duration_s } else { 0.0 };
        let (amps, _) = seen.filter(|_| self.stalled_s > rules.longest_s)?;
        let saw = format!("the fan takes {amps:.1} A without turning for {:.1} s", self.stalled_s);
        Some(Trip::new(Rule::Stalled, StoppedBy::Rig, saw))
    }
}

/// Heat in a dummy load, by its own current: with a chopped output that of the supply is only a share of it.
#[derive(Clone, Debug, Default)]
pub(super) struct DummyLoad {
    integral_a2s: f64,
}

impl DummyLoad {
    pub(super) fn judge(&mut self, limits: &Limits, block: &Block, energised: bool) -> Option<Trip> {
        let takes = limits.load?;
        let amps = if energised { fan(block).map_or(0.0, |(amps, _)| amps) } else { 0.0 };
        let rest = takes.continuous_a * takes.continuous_a;
        self.integral_a2s = (self.integral_a2s + (amps * amps - rest) * block.duration_s).max(0.0);
        (self.integral_a2s > takes.a2s).then(|| {
            let saw = format!(
                "the dummy load took {:.0} A²s at {amps:.1} A, the rig states {:.0} A²s",
                self.integral_a2s, takes.a2s
            );
            Trip::new(Rule::OverI2t, StoppedBy::Rig, saw)
        })
    }
}

/// Fan current and the voltage across the fan: measured, else by the chopper's power balance, else the least it can be.
fn fan(block: &Block) -> Option<(f64, f64)> {
    let (supply_a, volts) = (block.mean(Channel::SupplyA)?, supply_v(block)?);
    match (block.mean(Channel::FanA), block.mean(Channel::OutputV)) {
        (Some(fan_a), output_v) => Some((fan_a, output_v.unwrap_or(volts))),
        (None, Some(output_v)) if output_v > 0.5 => Some((supply_a * (volts / output_v).max(1.0), output_v)),
        (None, Some(_)) => None,
        (None, None) => Some((supply_a, volts)),
    }
}

/// Case temperature and its rise.
#[derive(Clone, Debug, Default)]
pub(super) struct Case {
    /// About once a second, a minute back.
    past: VecDeque<(f64, f64)>,
}

impl Case {
    pub(super) fn judge(&mut self, limits: &Limits, block: &Block, energised: bool) -> Option<Trip> {
        let case_c = block.mean(Channel::CaseC)?;
        if energised && case_c > limits.case_c {
            let saw = format!("case at {case_c:.1} °C, limit {:.1} °C", limits.case_c);
            return Some(Trip::new(Rule::CaseTemperature, StoppedBy::Unit, saw));
        }
        let allowed_k = limits.case_rise_k?;
        if self.past.back().is_none_or(|(t_s, _)| block.end_s() >= t_s + 1.0) {
            self.past.push_back((block.end_s(), case_c));
            while self.past.front().is_some_and(|(t_s, _)| *t_s < block.end_s() - 60.0) {
                self.past.pop_front();
            }
        }
        let rise_k = case_c - self.past.iter().map(|(_, past_c)| *past_c).fold(f64::INFINITY, f64::min);
        (energised && rise_k > allowed_k).then(|| {
            let saw = format!("case {rise_k:.1} K warmer within a minute, limit {allowed_k:.1} K");
            Trip::new(Rule::CaseRise, StoppedBy::Unit, saw)
        })
    }
}

/// Impossible and frozen readings.
#[derive(Clone, Debug, Default)]
pub(super) struct Sensors {
    still: BTreeMap<Channel, Still>,
}

#[derive(Clone, Copy, Debug, Default)]
struct Still {
    value: f32,
    since_s: f64,
    samples: usize,
}

/// An exactly repeating reading counts as frozen after this time and this many samples.
const FROZEN_S: f64 = 0.5;
const FROZEN_SAMPLES: usize = 500;

impl Sensors {
    pub(super) fn not_finite(block: &Block) -> Option<Trip> {
        let (channel, value) = block
            .channels
            .iter()
            .find_map(|(channel, samples)| Some((channel, samples.iter().find(|v| !v.is_finite())?)))?;
        Some(Trip::new(Rule::SensorRange, StoppedBy::Rig, format!("`{channel}` reads {value}")))
    }

    pub(super) fn out_of_range(limits: &Limits, block: &Block) -> Option<Trip> {
        block.channels.iter().find_map(|(channel, samples)| {
            let (least, most) = limits.sensors.get(channel)?.plausible;
            let beyond = samples.iter().filter(|v| !(least..=most).contains(&f64::from(**v))).count();
            // More than half: a single glitch is no broken sensor.
            (2 * beyond > samples.len()).then(|| {
                let mean = block.mean(*channel).unwrap_or_default();
                let unit = channel.unit();
                let saw = format!("`{channel}` reads {mean:.2} {unit}, plausible is {least:.2} to {most:.2} {unit}");
                Trip::new(Rule::SensorRange, StoppedBy::Rig, saw)
            })
        })
    }

    pub(super) fn frozen(&mut self, limits: &Limits, block: &Block) -> Option<Trip> {
        for (channel, samples) in &block.channels {
            let Some(sensor) = limits.sensors.get(channel) else { continue };
            if !sensor.lively_from.is_finite() || samples.is_empty() {
                continue;
            }
            let still = self.still.entry(*channel).or_default();
            still.take(samples, block.t0_s);
            let value = f64::from(still.value);
            // A reading of exactly nothing is the floor of a one-sided sensor, except where the supply must be.
            let floor = value == 0.0 && *channel != Channel::SupplyV;
            let held_s = block.end_s() - still.since_s;
            let frozen = held_s > FROZEN_S && still.samples >= FROZEN_SAMPLES && !floor;
            if frozen && value.abs() >= sensor.lively_from {
                let saw =
                    format!("`{channel}` stands at {value} {} for {held_s:.2} s to the last digit", channel.unit());
                return Some(Trip::new(Rule::SensorFrozen, StoppedBy::Rig, saw));
            }
        }
        None
    }
}

impl Still {
    #[expect(clippy::float_cmp, reason = "exact repetition is what is looked for")]
    fn take(&mut self, samples: &[f32], t0_s: f64) {
        let Some(&last) = samples.last() else { return };
        let same = samples.iter().rev().take_while(|v| **v == last).count();
        if same == samples.len() && self.value == last && self.samples > 0 {
            self.samples += same;
        } else {
            // Counting from the block's start is early by less than a block where only its tail repeats.
            *self = Self { value: last, since_s: t0_s, samples: same };
        }
    }
}

/// Samples late, missing or out of order.
#[derive(Clone, Debug, Default)]
pub(super) struct Timing {
    end_s: Option<f64>,
}

/// Longest gap that is only noted.
const GAP_S: f64 = 0.02;
/// Rounding of driver clocks.
const SLACK_S: f64 = 1e-3;

impl Timing {
    pub(super) fn judge(&mut self, limits: &Limits, block: &Block, asked_s: f64, energised: bool) -> Option<Trip> {
        let before = self.end_s.replace(block.end_s());
        let wrong = |saw: String| Some(Trip::new(Rule::Samples, StoppedBy::Rig, saw));
        if !(block.t0_s.is_finite() && block.duration_s.is_finite() && block.duration_s > 0.0) {
            return wrong(format!("a block at {} s of {} s", block.t0_s, block.duration_s));
        }
        if let Some(end_s) = before.filter(|end_s| block.t0_s < end_s - SLACK_S) {
            return wrong(format!("a block begins at {:.4} s, before the last one ended at {end_s:.4} s", block.t0_s));
        }
        if !energised {
            return None;
        }
        if let Some(end_s) = before.filter(|end_s| block.t0_s > end_s + GAP_S) {
            let gap_ms = (block.t0_s - end_s) * 1e3;
            return wrong(format!("no samples for {gap_ms:.0} ms ({} lost)", block.lost));
        }
        if block.duration_s < 0.25 * asked_s {
            return wrong(format!("{:.4} s of samples came where {asked_s:.4} s were asked", block.duration_s));
        }
        let missing = limits
            .sensors
            .keys()
            .filter(|channel| matches!(channel, Channel::SupplyA | Channel::SupplyV))
            .find(|channel| block.samples(**channel).is_none_or(<[f32]>::is_empty));
        missing.and_then(|channel| wrong(format!("a block without samples of `{channel}`")))
    }
}
