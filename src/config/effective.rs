//! The limits in force for a run: for each the least of what rig, wiring and fuse, load fan and plan allow.

use std::collections::BTreeMap;

use super::plan::Plan;
use super::rig::{ChannelSpec, Load, Rig};
use crate::bench::Channel;
use crate::units::Amps;

/// A start draws at most the locked-rotor current; above it by this factor something else is wrong.
const LOCKED_ROTOR_MARGIN: f64 = 1.25;
/// A cold fan draws more than the running current stated for it, but not by more than this factor for long.
const RUNNING_MARGIN: f64 = 1.5;
/// Fuses melt early with age and heat; this much of the stated integral is used at most.
const FUSE_MARGIN: f64 = 0.75;
/// Fan current above this share of the locked-rotor current, with no sign of turning, is a stall.
const STALL_SHARE: f64 = 0.5;

/// A limit with where it came from.
#[derive(Clone, Debug, PartialEq)]
pub struct EffectiveLimit {
    /// Value in the unit of the field's name.
    pub value: f64,
    /// Key of the rig or plan file, in words.
    pub from: String,
}

/// What counts as a stalled fan, and for how long one may be.
#[derive(Clone, Debug, PartialEq)]
pub struct StallLimit {
    /// Fan current above which a fan that does not turn counts as stalled, amperes.
    pub amps: EffectiveLimit,
    /// Longest stay stalled, seconds.
    pub seconds: EffectiveLimit,
    /// Resistance of the fan with its rotor locked, ohms.
    pub locked_ohm: f64,
}

/// Everything that the interlock compares with.
#[derive(Clone, Debug, PartialEq)]
pub struct EffectiveLimits {
    /// Supply current that trips at once, amperes.
    pub instant_a: EffectiveLimit,
    /// Supply current that may flow for ever, amperes.
    pub continuous_a: EffectiveLimit,
    /// Integral of current² less continuous² that trips, ampere squared seconds.
    pub i2t_a2s: EffectiveLimit,
    /// Highest supply voltage with the relay closed, volts.
    pub over_v: EffectiveLimit,
    /// Lowest supply voltage with the relay closed, starts apart, volts.
    pub under_v: EffectiveLimit,
    /// Highest case temperature, degrees Celsius.
    pub case_c: EffectiveLimit,
    /// Highest rise of the case temperature, kelvin per minute; `None` when not watched.
    pub case_rise_k_per_min: Option<EffectiveLimit>,
    /// Supply current allowed while a valid off duty is commanded and the decay is over, amperes.
    pub off_a: EffectiveLimit,
    /// What counts as a stalled fan; `None` on a dummy load, which stands by its nature.
    pub stall: Option<StallLimit>,
    /// Integral of the current of a dummy load, squared, less what it carries for ever, ampere squared seconds.
    pub load_a2s: Option<EffectiveLimit>,
    /// Longest energised time of the run, seconds.
    pub energised_s: EffectiveLimit,
    /// Plausible readings per channel, lowest and highest, in the channel's unit; outside the sensor is broken.
    pub plausible: BTreeMap<Channel, (f64, f64)>,
}

/// The limits in force when `plan` runs on `rig`.
#[must_use]
pub fn effective(rig: &Rig, plan: &Plan) -> EffectiveLimits {
    let (limits, wiring) = (&rig.limits, &rig.wiring);
    let locked = rig.locked();
    let rig_key = |key: &str| format!("rig, limits.{key}");
    let plan_instant = plan.current_limit.or(Amps(f64::INFINITY)).get();
    let own = |value: f64, key: &str| EffectiveLimit { value, from: rig_key(key) };
    EffectiveLimits {
        instant_a: least([
            (limits.instant_current.get(), rig_key("instant_current")),
            (plan_instant, "plan, current_limit".to_owned()),
            (
                LOCKED_ROTOR_MARGIN * locked.get(),
                match rig.load {
                    Load::Fan(_) => format!("load fan, {LOCKED_ROTOR_MARGIN} x locked_rotor of {locked}"),
                    Load::Dummy(_) => format!("dummy load, {LOCKED_ROTOR_MARGIN} x {locked} at the rig's voltage"),
                },
            ),
        ]),
        continuous_a: least([
            (limits.continuous_current.get(), rig_key("continuous_current")),
            (wiring.fuse.get(), "rig, wiring.fuse".to_owned()),
            (wiring.wire_rating.get(), "rig, wiring.wire_rating".to_owned()),
            match &rig.load {
                Load::Fan(fan) => (
                    RUNNING_MARGIN * fan.running.get(),
                    format!("load fan, {RUNNING_MARGIN} x running of {}", fan.running),
                ),
                Load::Dummy(_) => (locked.get(), "dummy load, current at the rig's voltage".to_owned()),
            },
        ]),
        i2t_a2s: least([
            (limits.i2t.get(), rig_key("i2t")),
            (
                FUSE_MARGIN * wiring.fuse_i2t.get(),
                format!("fuse, {FUSE_MARGIN} x wiring.fuse_i2t of {}", wiring.fuse_i2t),
            ),
        ]),
        over_v: own(limits.highest_voltage.get(), "highest_voltage"),
        under_v: own(limits.lowest_voltage.get(), "lowest_voltage"),
        case_c: own(limits.case_temperature.get(), "case_temperature"),
        case_rise_k_per_min: limits.case_rise.map(|rise| own(rise.get(), "case_rise")),
        off_a: own(limits.off_current.get(), "off_current"),
        stall: rig.fan().map(|fan| StallLimit {
            amps: EffectiveLimit {
                value: STALL_SHARE * locked.get(),
                from: format!("load fan, {STALL_SHARE} x locked_rotor of {locked}"),
            },
            seconds: own(limits.stall_time.get(), "stall_time"),
            locked_ohm: (rig.supply.voltage / fan.locked_rotor).get(),
        }),
        load_a2s: rig.dummy().map(|dummy| EffectiveLimit {
            value: dummy.takes(rig.supply.voltage).get(),
            from: format!("dummy load, {} at {locked} above {}", dummy.longest, dummy.continuous),
        }),
        energised_s: least([
            (limits.energised_time.get(), rig_key("energised_time")),
            (plan.time_limit.get(), "plan, time_limit".to_owned()),
        ]),
        plausible: rig.channels.iter().map(|(channel, spec)| (*channel, plausible(*channel, spec))).collect(),
    }
}

/// The smallest of the candidates; the first of equals.
fn least<const N: usize>(candidates: [(f64, String); N]) -> EffectiveLimit {
    let start = EffectiveLimit { value: f64::INFINITY, from: String::new() };
    candidates
        .into_iter()
        .fold(start, |best, (value, from)| if value < best.value { EffectiveLimit { value, from } } else { best })
}

/// What a working sensor can read. Voltages and currents may swing below zero: freewheel and current taken back.
fn plausible(channel: Channel, spec: &ChannelSpec) -> (f64, f64) {
    match channel {
        Channel::SupplyA | Channel::FanA => (-spec.range, spec.range),
        Channel::SupplyV | Channel::OutputV | Channel::LineV => (-1.0 - 0.1 * spec.range, spec.range),
        Channel::CaseC | Channel::AmbientC => (-45.0, spec.range),
        Channel::SpeedRpm => (-0.01 * spec.range, spec.range),
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::config::plan::UpTo;
    use crate::config::{load_plan, load_rig};
    use crate::units::Seconds;

    fn shipped() -> (Rig, Plan) {
        (load_rig(Path::new("rigs/virtual.toml")).unwrap(), load_plan(Path::new("test-plans/full.toml")).unwrap())
    }

    #[test]
    fn each_limit_is_the_least_of_all_and_says_whose() {
        let (mut rig, mut plan) = shipped();
        let limits = effective(&rig, &plan);
        assert_eq!((limits.instant_a.value, limits.instant_a.from.as_str()), (110.0, "rig, limits.instant_current"));
        assert_eq!(limits.continuous_a.value, 33.0, "1.5 x 22 A of the load fan is below the 35 A of the rig");
        assert_eq!(limits.i2t_a2s.value, 8000.0);
        assert_eq!(limits.stall.as_ref().map(|stall| stall.amps.value), Some(45.0));
        plan.current_limit = UpTo::Value(Amps(95.0));
        plan.time_limit = Seconds(60.0);
        let Load::Fan(fan) = &mut rig.load else { panic!("a rig with a fan") };
        fan.running = Amps(40.0);
        rig.wiring.fuse = Amps(30.0);
        let limits = effective(&rig, &plan);
        assert_eq!((limits.instant_a.value, limits.instant_a.from.as_str()), (95.0, "plan, current_limit"));
        assert_eq!((limits.continuous_a.value, limits.continuous_a.from.as_str()), (30.0, "rig, wiring.fuse"));
        assert_eq!((limits.energised_s.value, limits.energised_s.from.as_str()), (60.0, "plan, time_limit"));
    }

    #[test]
    fn a_plan_never_raises_a_limit_of_the_rig() {
        let (rig, mut plan) = shipped();
        plan.current_limit = UpTo::Value(Amps(500.0));
        plan.time_limit = Seconds(1e6);
        let limits = effective(&rig, &plan);
        assert_eq!(limits.instant_a.value, 110.0);
        assert_eq!(limits.energised_s.value, 14400.0);
    }
}
