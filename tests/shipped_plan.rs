//! The shipped plan against the truth of the virtual bench: a healthy unit of any kind lies within its limits, and the
//! faulty rigs that are shipped beside it do not.

use std::path::Path;

use galebench::config::plan::Stage;
use galebench::config::rig::{DriverSpec, ModuleKind, Rig, VirtualSpec};
use galebench::config::{Plan, load_plan, load_rig};
use galebench::driver::virtual_bench::VirtualBench;
use galebench::plant::truth::{Truth, TruthConditions, truth};
use galebench::record::event::LimitFacts;
use galebench::results::ResultName as R;

fn spec_of(rig: &Rig) -> VirtualSpec {
    match &rig.driver {
        DriverSpec::Virtual(spec) => (**spec).clone(),
        _ => panic!("{} is not virtual", rig.path.display()),
    }
}

/// The unit's truth at the first frequency of the plan's search that it answers.
fn truth_of(rig: &Rig, plan: &Plan, spec: &VirtualSpec, seed: u64) -> Truth {
    let config = VirtualBench::plant_config(rig, spec, seed);
    let frequencies = plan.stages.iter().find_map(|stage| match stage {
        Stage::Discover { frequencies, .. } => Some(frequencies.clone()),
        _ => None,
    });
    let battery = plan.battery.map(|b| (b.capacity.get() * b.usable.get(), b.other_drain.get()));
    let at = |hz: f64| {
        let most = rig.command.most_duty.fraction();
        truth(
            &config,
            &TruthConditions { battery, power_up_duty: 0.6, soak_duty: 0.85, ..TruthConditions::new(hz, most) },
        )
    };
    let tried = frequencies.unwrap_or_default().into_iter().map(|hz| at(hz.get()));
    tried.into_iter().find(|truth| truth.active_level.is_some()).unwrap_or_else(|| at(100.0))
}

/// Number or word of the results that the plan limits; `None` where the unit has no such quantity.
fn value(truth: &Truth, result: R) -> (Option<f64>, Option<&'static str>) {
    match result {
        R::StartDuty95Pct => (truth.start_duty_95_pct, None),
        R::HysteresisPct => (truth.hysteresis_pct, None),
        R::SaturationDutyPct => (truth.saturation_duty_pct, None),
        R::CommandDelayS => (truth.command_delay_s, None),
        R::Ramp1090S => (truth.ramp_10_90_s, None),
        R::SoftStartShare => (truth.soft_start_share, None),
        R::PowerUp => (None, truth.power_up),
        R::OutputOffDelayS => (truth.output_off_delay_s, None),
        R::SleepA => (truth.sleep_a, None),
        R::SleepAfterS => (truth.sleep_after_s, None),
        R::BatteryDays => (truth.battery_days, None),
        R::DropV => (truth.drop_v, None),
        R::OnResistanceOhm => (truth.on_resistance_ohm, None),
        R::CapacitanceF => (truth.capacitance_f, None),
        R::SteadinessPct => (truth.steadiness_pct, None),
        R::HeatRiseK => (truth.heat_rise_k, None),
        R::LossOpen => (None, truth.loss_open),
        other => panic!("the plan limits {other}, which this test does not look at"),
    }
}

fn meets(limit: &LimitFacts, number: Option<f64>, word: Option<&str>) -> bool {
    let above = limit.min.is_none_or(|min| number.is_some_and(|value| value >= min));
    let below = limit.max.is_none_or(|max| number.is_some_and(|value| value <= max));
    let known = limit.one_of.is_empty() || word.is_some_and(|word| limit.one_of.iter().any(|allowed| allowed == word));
    above && below && known
}

fn broken(truth: &Truth, plan: &Plan) -> Vec<String> {
    let broken = plan.limits.iter().filter_map(|(result, limit)| {
        let (number, word) = value(truth, *result);
        (!meets(limit, number, word)).then(|| format!("{result}: {number:?} {word:?} against {limit:?}"))
    });
    broken.collect()
}

#[test]
fn a_healthy_unit_of_any_kind_is_within_the_limits_of_the_full_plan() {
    let rig = load_rig(Path::new("rigs/virtual.toml")).unwrap();
    let plan = load_plan(Path::new("test-plans/full.toml")).unwrap();
    let mut wrong = Vec::new();
    for kind in ModuleKind::ALL {
        for seed in 1..=5 {
            let spec = VirtualSpec { kind: *kind, faults: Vec::new(), ..spec_of(&rig) };
            let truth = truth_of(&rig, &plan, &spec, seed);
            wrong.extend(broken(&truth, &plan).into_iter().map(|what| format!("{} {seed} {what}", kind.name())));
            if truth.active_level.is_none() {
                wrong.push(format!("{} {seed} answers at no frequency of the plan", kind.name()));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn a_lost_soft_start_breaks_the_limit_on_the_ramp() {
    let rig = load_rig(Path::new("rigs/faults/soft-start-lost.toml")).unwrap();
    let plan = load_plan(Path::new("test-plans/full.toml")).unwrap();
    let spec = spec_of(&rig);
    let broken = broken(&truth_of(&rig, &plan, &spec, spec.seed), &plan);
    assert!(broken.iter().any(|what| what.starts_with("ramp_10_90_s")), "{broken:?}");
}

#[test]
fn a_healthy_start_stays_below_every_limit_of_the_rig() {
    let rig = load_rig(Path::new("rigs/virtual.toml")).unwrap();
    let plan = load_plan(Path::new("test-plans/full.toml")).unwrap();
    let limits = galebench::config::effective(&rig, &plan);
    for kind in ModuleKind::ALL {
        let spec = VirtualSpec { kind: *kind, ..spec_of(&rig) };
        let truth = truth_of(&rig, &plan, &spec, 1);
        let peak = truth.peak_supply_a.unwrap().max(truth.power_up_peak_a.unwrap_or(0.0));
        assert!(peak < limits.instant_a.value, "{}: {peak} A", kind.name());
        let settled = truth.peak_supply_a.unwrap() / truth.inrush_ratio.unwrap();
        assert!(settled < limits.continuous_a.value, "{}: {settled} A for ever", kind.name());
    }
}
