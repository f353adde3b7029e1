//! What the interlock holds a run to: the least of rig, wiring and fuse, load fan and plan, with what it must know of the
//! sensors to tell a frozen or impossible reading.

use std::collections::BTreeMap;

use crate::bench::Channel;
use crate::config::plan::{Plan, UpTo};
use crate::config::rig::{ChannelSpec, Rig};
use crate::driver::Offers;

/// Effective limits in base units (amperes, volts, seconds, degrees Celsius).
#[derive(Clone, Debug, PartialEq)]
pub struct Limits {
    /// Trip at once above this 2 ms mean of supply current.
    pub instant_a: f64,
    /// Current that may flow for ever.
    pub continuous_a: f64,
    /// Limit of the integral of (current² - continuous²), A²s.
    pub i2t_a2s: f64,
    /// Highest supply voltage with the relay closed.
    pub highest_v: f64,
    /// Lowest supply voltage with the relay closed, outside starts.
    pub lowest_v: f64,
    /// Highest case temperature.
    pub case_c: f64,
    /// Highest rise of the case temperature within a minute.
    pub case_rise_k: Option<f64>,
    /// Current allowed at a valid off command once the decay after the edge is over.
    pub off_a: f64,
    /// Longest stay stalled.
    pub stall_s: f64,
    /// Fan current above which a fan at rest counts as stalled.
    pub stall_a: f64,
    /// Longest energised time of the run.
    pub energised_s: f64,
    /// Current of the load fan flat out: more than that is not the fan's doing.
    pub fan_running_a: f64,
    /// Resistance of the load fan with the rotor locked, from the rig's voltage and locked-rotor current.
    pub fan_locked_ohm: f64,
    /// Supply voltage of the rig.
    pub supply_v: f64,
    /// Sampled channels with what may be expected of them.
    pub sensors: BTreeMap<Channel, Sensor>,
    /// Whether tach edges come.
    pub tach: bool,
}

/// What may be expected of a channel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sensor {
    /// Full scale.
    pub range: f64,
    /// Magnitude from which an exactly repeating reading is suspicious; infinite where the channel is too quiet to tell.
    pub lively_from: f64,
}

/// Share of the locked-rotor current from which a fan at rest counts as stalled: above what breaks a healthy fan loose.
const STALL_SHARE: f64 = 0.3;

impl Limits {
    /// The least of what rig, wiring, load fan and plan allow, for the channels that the bench really offers.
    #[must_use]
    pub fn of(rig: &Rig, plan: &Plan, offers: &Offers) -> Self {
        let instant = match plan.current_limit {
            UpTo::RigLimit => rig.limits.instant_current,
            UpTo::Value(limit) => limit.min(rig.limits.instant_current),
        };
        let sensors = rig
            .channels
            .iter()
            .filter(|(channel, _)| offers.channels.contains(channel))
            .map(|(channel, spec)| (*channel, sensor(spec)))
            .collect();
        Self {
            instant_a: instant.get(),
            continuous_a: rig.limits.continuous_current.min(rig.wiring.wire_rating).get(),
            i2t_a2s: rig.limits.i2t.get().min(rig.wiring.fuse_i2t.get()),
            highest_v: rig.limits.highest_voltage.get(),
            lowest_v: rig.limits.lowest_voltage.get(),
            case_c: rig.limits.case_temperature.get(),
            case_rise_k: rig.limits.case_rise.map(|rise| rise.get()),
            off_a: rig.limits.off_current.get(),
            stall_s: rig.limits.stall_time.get(),
            stall_a: STALL_SHARE * rig.load_fan.locked_rotor.get(),
            energised_s: rig.limits.energised_time.get(),
            fan_running_a: rig.load_fan.running.get(),
            fan_locked_ohm: (rig.supply.voltage / rig.load_fan.locked_rotor).get(),
            supply_v: rig.supply.voltage.get(),
            sensors,
            tach: offers.tach && rig.tach.is_some(),
        }
    }
}

/// A channel is lively where its noise moves the last digit often (half a step of standard deviation moves it at four
/// samples in ten), so that fifty equal samples in a row are no accident.
fn sensor(spec: &ChannelSpec) -> Sensor {
    let lively = |noise: f64| noise > 0.0 && noise >= 0.5 * spec.resolution;
    let lively_from = match spec.low {
        _ if !lively(spec.noise) => f64::INFINITY,
        Some(low) if !lively(low.noise.get()) => low.range.get(),
        _ => 0.0,
    };
    Sensor { range: spec.range, lively_from }
}
