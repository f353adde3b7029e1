//! What the record's header keeps of rig and plan, so that analysis and verdict never need the files.

use super::calibration;
use super::plan::Plan;
use super::rig::{ChannelSpec, FirstPower, Rig};
use crate::bench::Channel;
use crate::record::event::{
    BatteryFacts, BenchFacts, ChannelFacts, DummyLoadFacts, LowRange, PlanFacts, UnderBonnetFacts,
};

/// Relative standard uncertainty of a sampling clock of which nothing is stated: a 100 ppm crystal, evenly spread
/// between its bounds (JCGM 100, 4.3.7).
const CLOCK_U: f64 = 58e-6;

/// The facts of `rig` and `plan`.
#[must_use]
pub fn facts(rig: &Rig, plan: &Plan) -> (BenchFacts, PlanFacts) {
    (bench_facts(rig), plan_facts(plan))
}

/// The facts of a rig alone.
#[must_use]
pub fn bench_facts(rig: &Rig) -> BenchFacts {
    BenchFacts {
        channels: rig.channels.iter().map(|(channel, spec)| (*channel, channel_facts(*channel, spec))).collect(),
        pulses_per_rev: rig.tach.as_ref().and_then(|tach| tach.pulses_per_rev),
        ripple_per_rev: match rig.fan().map_or((None, None), |fan| (fan.bars, fan.brushes)) {
            (Some(bars), Some(brushes)) => Some(f64::from(least_common_multiple(bars, brushes))),
            _ => None,
        },
        pre_charge_ohm: match rig.first_power {
            FirstPower::PreCharge { resistance, resistance_u } => {
                Some((resistance.get(), resistance.get() * resistance_u.get()))
            }
            _ => None,
        },
        line_low_ohm: rig.line.low_resistance.map(|ohms| ohms.get()),
        line_high_ohm: rig.line.high_resistance.map(|ohms| ohms.get()),
        line_high_v: rig.line.high_voltage.map(|volts| volts.get()),
        line_sense_ohm: rig.line.sense_resistance.map(|ohms| ohms.get()),
        duty_u_pct: 100.0 * rig.command.duty_u.get(),
        lead_ohm: rig.wiring.lead_resistance.get(),
        locked_rotor_a: rig.fan().map(|fan| fan.locked_rotor.get()),
        running_a: rig.fan().map(|fan| fan.running.get()),
        supply_ohm: Some(rig.supply.resistance.get()),
        load_fan: rig.fan().map(|fan| fan.name.clone()),
        dummy_load: rig.dummy().map(|dummy| DummyLoadFacts {
            name: dummy.name.clone(),
            ohm: dummy.resistance.get(),
            ohm_u: dummy.resistance.get() * dummy.resistance_u.get(),
        }),
        clock_u: CLOCK_U,
        supply_v: Some(rig.supply.voltage.get()),
        cannot: rig.cannot.clone(),
        tach_alignment_u_s: 0.0,
        command_alignment_u_s: 0.0,
        reproducibility: calibration::reproducibility(&rig.calibrations),
    }
}

fn plan_facts(plan: &Plan) -> PlanFacts {
    PlanFacts {
        reference_v: plan.reference_voltage.map(|volts| volts.get()),
        battery: plan.battery.map(|battery| BatteryFacts {
            capacity_ah: battery.capacity.get(),
            usable: battery.usable.get(),
            other_drain_a: battery.other_drain.get(),
        }),
        asleep_below_a: plan.asleep_below.map(|amps| amps.get()),
        under_bonnet: plan
            .under_bonnet
            .map(|day| UnderBonnetFacts { ambient_c: day.ambient.get(), highest_case_c: day.highest_case.get() }),
        limits: plan.limits.clone(),
        prior_bad: plan.prior_bad.get(),
        risk: plan.risk,
    }
}

fn channel_facts(channel: Channel, spec: &ChannelSpec) -> ChannelFacts {
    ChannelFacts {
        range: spec.range,
        noise: spec.noise,
        offset_u: offset_u(channel, spec),
        gain_u: spec.correction.map_or(spec.gain_u.get(), |found| found.gain_u),
        resolution: spec.resolution,
        // Only an open bench knows.
        alignment_u_s: 0.0,
        low: spec.low.map(|low| LowRange {
            range: low.range.get(),
            noise: low.noise.get(),
            offset_u: low.offset_u.get(),
            gain_u: low.correction.map_or(low.gain_u.get(), |found| found.gain_u),
        }),
    }
}

/// Offset of a channel before zeroing. One that every run zeroes keeps what the rig states, since the statement is how
/// far its zero wanders; of one that no run can zero the calibration knows better.
fn offset_u(channel: Channel, spec: &ChannelSpec) -> f64 {
    match (channel, spec.correction) {
        (Channel::SupplyA | Channel::FanA | Channel::OutputV, _) | (_, None) => spec.offset_u,
        (_, Some(found)) => found.offset_u,
    }
}

/// Ripples per revolution of a commutator: two brushes give the bars if even, twice the bars if odd.
fn least_common_multiple(a: u32, b: u32) -> u32 {
    let (mut x, mut y) = (a, b);
    while y != 0 {
        (x, y) = (y, x % y);
    }
    a.checked_div(x).map_or(0, |times| times * b)
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::config::{load_plan, load_rig};
    use crate::results::ResultName;

    #[test]
    fn ripples_per_revolution_follow_bars_and_brushes() {
        assert_eq!(least_common_multiple(12, 2), 12);
        assert_eq!(least_common_multiple(11, 2), 22);
        assert_eq!(least_common_multiple(10, 4), 20);
    }

    #[test]
    fn facts_of_the_shipped_files_are_in_the_units_of_the_record() {
        let rig = load_rig(Path::new("rigs/virtual.toml")).unwrap();
        let plan = load_plan(Path::new("test-plans/full.toml")).unwrap();
        let (bench, plan) = facts(&rig, &plan);
        assert_eq!(bench.pulses_per_rev, Some(2.0));
        assert_eq!(bench.ripple_per_rev, Some(12.0));
        assert_eq!(bench.pre_charge_ohm, Some((22.0, 0.22)));
        assert_eq!(bench.duty_u_pct, 0.05);
        let current = &bench.channels[&Channel::SupplyA];
        assert_eq!((current.range, current.noise, current.gain_u), (125.0, 0.06, 0.005));
        assert_eq!(current.low.unwrap().range, 0.5);
        assert_eq!(plan.limits[&ResultName::StartDuty95Pct].max, Some(40.0), "percent, not a share");
        assert_eq!(plan.limits[&ResultName::BatteryDays].min, Some(30.0), "days, not seconds");
        assert_eq!(plan.limits[&ResultName::SleepA].max, Some(0.002));
        assert_eq!(plan.limits[&ResultName::OnResistanceOhm].max, Some(0.015));
        assert_eq!(plan.prior_bad, 0.2);
    }
}
