//! What the interlock holds a run to: the least of rig, wiring and fuse, load fan and plan, with what it must know of the
//! sensors to tell a frozen or impossible reading.

use std::collections::BTreeMap;

use crate::bench::Channel;
use crate::config::effective;
use crate::config::plan::Plan;
use crate::config::rig::{ChannelSpec, Rig};
use crate::driver::{Control, Offers};

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
    /// What counts as a stalled fan; `None` on a dummy load, which stands by its nature.
    pub stall: Option<Stalled>,
    /// What a dummy load takes.
    pub load: Option<LoadTakes>,
    /// Longest energised time of the run.
    pub energised_s: f64,
    /// Current of the load flat out: more than that is not the load's doing.
    pub load_running_a: f64,
    /// Supply voltage of the rig.
    pub supply_v: f64,
    /// What may be commanded of it; `None` where it stays as it is.
    pub settable: Option<Settable>,
    /// Sampled channels with what may be expected of them.
    pub sensors: BTreeMap<Channel, Sensor>,
    /// Whether tach edges come.
    pub tach: bool,
}

/// When a fan that does not turn counts as stalled, and for how long it may be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stalled {
    /// Fan current above which it does.
    pub above_a: f64,
    /// Longest stay.
    pub longest_s: f64,
    /// Resistance of the fan with the rotor locked, from the rig's voltage and locked-rotor current.
    pub locked_ohm: f64,
}

/// What a dummy load takes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LoadTakes {
    /// Its current for ever.
    pub continuous_a: f64,
    /// Limit of the integral of (its current² - that²), A²s.
    pub a2s: f64,
}

/// Voltages that may be commanded of a programmable supply, and how well it must follow them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settable {
    /// Lowest.
    pub lowest_v: f64,
    /// Highest.
    pub highest_v: f64,
    /// How fast it gets there, volts per second.
    pub slew_v_per_s: f64,
    /// How far the module's pins may lie from what is commanded.
    pub within_v: f64,
}

/// A supply that follows is off by this at most, beside what its resistance takes at the current that may flow for ever.
const FOLLOWS_V: f64 = 0.5;

impl Settable {
    fn of(rig: &Rig, continuous_a: f64) -> Option<Self> {
        let sag_v = continuous_a * (rig.supply.resistance.get() + rig.wiring.lead_resistance.get());
        rig.supply.range.map(|range| Self {
            lowest_v: range.lowest.get(),
            highest_v: range.highest.get(),
            slew_v_per_s: range.slew.get(),
            within_v: FOLLOWS_V + sag_v,
        })
    }
}

/// What may be expected of a channel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sensor {
    /// Lowest and highest plausible reading.
    pub plausible: (f64, f64),
    /// Magnitude from which an exactly repeating reading is suspicious; infinite where the channel is too quiet to tell.
    pub lively_from: f64,
}

impl Limits {
    /// The limits in force when `plan` runs on `rig`, for the channels that the bench really offers.
    #[must_use]
    pub fn of(rig: &Rig, plan: &Plan, offers: &Offers) -> Self {
        let limits = effective(rig, plan);
        let sensors = rig
            .channels
            .iter()
            .filter(|(channel, _)| offers.channels.contains(channel))
            .map(|(channel, spec)| (*channel, sensor(*channel, spec, limits.plausible.get(channel))))
            .collect();
        Self {
            instant_a: limits.instant_a.value,
            continuous_a: limits.continuous_a.value,
            i2t_a2s: limits.i2t_a2s.value,
            highest_v: limits.over_v.value,
            lowest_v: limits.under_v.value,
            case_c: limits.case_c.value,
            case_rise_k: limits.case_rise_k_per_min.map(|rise| rise.value),
            off_a: limits.off_a.value,
            stall: limits.stall.map(|stall| Stalled {
                above_a: stall.amps.value,
                longest_s: stall.seconds.value,
                locked_ohm: stall.locked_ohm,
            }),
            load: rig
                .dummy()
                .zip(limits.load_a2s)
                .map(|(dummy, takes)| LoadTakes { continuous_a: dummy.continuous.get(), a2s: takes.value }),
            energised_s: limits.energised_s.value,
            load_running_a: rig.running().get(),
            supply_v: rig.supply.voltage.get(),
            settable: Settable::of(rig, limits.continuous_a.value)
                .filter(|_| offers.controls.contains(&Control::SupplyV)),
            sensors,
            tach: offers.tach && rig.tach.is_some(),
        }
    }
}

/// A channel is lively where its noise moves the last digit often (half a step of standard deviation moves it at four
/// samples in ten, and less where a slow pace averages), so that five hundred equal samples in a row are no accident.
///
/// Temperatures, and a line that is held, may well stand still.
fn sensor(channel: Channel, spec: &ChannelSpec, plausible: Option<&(f64, f64)>) -> Sensor {
    let moves = matches!(channel, Channel::SupplyV | Channel::SupplyA | Channel::OutputV | Channel::FanA);
    let lively = |noise: f64| noise > 0.0 && noise >= 0.5 * spec.resolution;
    let lively_from = match spec.low {
        _ if !moves || !lively(spec.noise) => f64::INFINITY,
        Some(low) if !lively(low.noise.get()) => low.range.get(),
        _ => 0.0,
    };
    let plausible = plausible.copied().unwrap_or((-1.05 * spec.range, 1.05 * spec.range));
    Sensor { plausible, lively_from }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::config::{load_plan, load_rig};

    #[test]
    fn only_channels_that_never_stand_still_are_watched_for_freezing() {
        let rig = load_rig(Path::new("rigs/virtual.toml")).unwrap();
        let plan = load_plan(Path::new("test-plans/full.toml")).unwrap();
        let channels = rig.channels.keys().copied().collect();
        let limits = Limits::of(&rig, &plan, &Offers { channels, ..Offers::default() });
        let from = |channel| limits.sensors[&channel].lively_from;
        assert_eq!((from(Channel::SupplyV), from(Channel::OutputV)), (0.0, 0.0));
        // The low range is quieter than one step.
        assert_eq!(from(Channel::SupplyA), 0.5);
        assert_eq!((from(Channel::CaseC), from(Channel::LineV)), (f64::INFINITY, f64::INFINITY));
    }
}
