//! The stages that move the supply, on the virtual bench with a programmable one: dips, the cranking profile and the slow
//! sweep against what the module is made of; a unit that latches, and a supply that does not follow.

mod support;

use galebench::config::plan::{Plan, Stage, UpTo};
use galebench::config::rig::{BenchFault, FaultKind, ModuleKind};
use galebench::driver::virtual_bench::VirtualBench;
use galebench::plant::config::PlantConfig;
use galebench::plant::{LineDrive, Plant, Relay};
use galebench::results::{Measured, ResultName, StoppedBy};
use galebench::units::{Duty, Hertz, Seconds, Volts};
use support::Run;

/// Seeds below those that anything is reported of.
const SEED: u64 = 701;
const RIG: &str = "rigs/virtual-supply.toml";
const DUTY: f64 = 0.6;

/// The shipped plan up to its first stress stage, and these.
fn plan(stages: Vec<Stage>) -> Plan {
    let mut plan = support::plan("test-plans/stress.toml");
    let stress = plan.stages.iter().position(|stage| matches!(stage, Stage::HotRestart { .. })).expect("shipped");
    plan.stages.truncate(stress);
    plan.stages.extend(stages);
    plan.limits.clear();
    plan
}

fn dips(levels: &[f64], hold_s: f64) -> Stage {
    let levels = levels.iter().copied().map(Volts).collect();
    Stage::SupplyDip { duty: Duty::clamped(DUTY), levels, hold: Seconds(hold_s), watch: Seconds(10.0) }
}

fn go(kind: ModuleKind, seed: u64, faults: &[(FaultKind, f64)], stages: Vec<Stage>) -> (Run, PlantConfig) {
    let mut rig = support::rig(RIG, kind, seed, faults);
    let spec = support::virtual_spec(&mut rig).clone();
    let config = VirtualBench::plant_config(&rig, &spec, seed);
    let run = support::run(rig, plan(stages));
    let document = &run.evaluated.document;
    let stages = &run.evaluated.recording.stages;
    assert!(run.safe_confirmed && document.stopped.is_none(), "{}: {:?} {stages:?}", kind.name(), document.stopped);
    (run, config)
}

fn result(run: &Run, name: ResultName) -> &Measured {
    let document = &run.evaluated.document;
    document.results.get(&name).unwrap_or_else(|| panic!("{name}: {:?}", document.absent.get(&name)))
}

fn near(run: &Run, name: ResultName, truth: f64, what: &str) {
    let measured = result(run, name);
    let (value, u) = (measured.as_number().expect("a number"), measured.u.expect("a number has one"));
    assert!((value - truth).abs() < 3.0 * u && u < 0.2, "{what}: {measured:?}, truth {truth}");
}

/// Voltage at the pins down to which a dip of so long is ridden through: the reset is told by the lowest voltage in a chopper
/// period, a few hundredths of a volt below the mean.
fn ridden_v(config: &PlantConfig, hold_s: f64) -> f64 {
    let protect = &config.module.protect;
    protect.under.filter(|lock| lock.after_s < hold_s).map_or(protect.reset_v + 0.03, |lock| lock.off_v)
}

/// Time from the supply back to 95 % of the output before, of the plant without a bench around it.
fn back_s(config: &PlantConfig, hz: f64, levels: &[(f64, f64)], slew_v_per_s: f64) -> f64 {
    let active = config.module.input.active;
    let drive = |duty| LineDrive::Pulses { share: Duty::clamped(duty), active, frequency: Hertz(hz) };
    let mut plant = Plant::new(config.clone(), 1);
    let pass = |plant: &mut Plant, seconds: f64| {
        for _ in 0..(seconds * 2000.0).round() as u32 {
            plant.advance(5e-4);
        }
    };
    plant.set_line(drive(0.05));
    plant.set_relay(Relay::Closed);
    pass(&mut plant, 2.0);
    plant.set_line(drive(DUTY));
    pass(&mut plant, 15.0);
    let before = plant.ratio();
    for (volts, seconds) in levels {
        plant.set_supply(*volts, slew_v_per_s);
        pass(&mut plant, *seconds);
    }
    let own_v = config.supply.open_v;
    plant.set_supply(own_v, slew_v_per_s);
    pass(&mut plant, (own_v * 0.95 - levels[levels.len() - 1].0) / slew_v_per_s);
    let from_s = plant.now_s();
    while plant.ratio() < 0.95 * before {
        plant.advance(5e-4);
        assert!(plant.now_s() < from_s + 20.0, "it does not come back");
    }
    plant.now_s() - from_s
}

#[test]
fn dips_are_ridden_through_down_to_where_the_module_lets_go() {
    let levels = [9.0, 8.0, 7.5, 7.0, 6.5, 6.0, 5.0, 4.5];
    for (seed, kind) in (SEED..).zip([ModuleKind::LinearLow, ModuleKind::KickStart, ModuleKind::OpenRuns]) {
        let (run, config) = go(kind, seed, &[], vec![dips(&levels, 0.1)]);
        let what = format!("{}/{seed}", kind.name());
        let word = result(&run, ResultName::SupplyDip);
        assert_eq!((word.as_word(), word.n), (Some("restarts"), 8), "{what}: {word:?}");
        near(&run, ResultName::DipRiddenV, ridden_v(&config, 0.1), &what);
        let hz = run.evaluated.findings.number(ResultName::CommandHz).expect("a frequency");
        let restarts = levels.iter().filter(|volts| **volts < ridden_v(&config, 0.1));
        let truth = restarts.map(|volts| back_s(&config, hz, &[(*volts, 0.1)], 800.0)).fold(0.0, f64::max);
        let back = result(&run, ResultName::DipBackS);
        let (value, u) = (back.as_number().expect("a number"), back.u.expect("a number has one"));
        // A reading at an even chance of 5 ms cells, and the command's own phase.
        assert!((value - truth).abs() < 3.0 * u.max(0.01), "{what}: {back:?}, truth {truth}");
    }
}

#[test]
fn a_cranking_profile_is_followed_by_a_new_start_whose_time_is_told() {
    let levels = vec![Volts(4.5), Volts(6.5)];
    let times = vec![Seconds(0.02), Seconds(10.0)];
    let crank = Stage::Crank { duty: Duty::clamped(DUTY), levels, times, watch: Seconds(10.0) };
    let (run, config) = go(ModuleKind::SCurveLowSide, SEED + 10, &[], vec![crank]);
    assert_eq!(result(&run, ResultName::Crank).as_word(), Some("restarts"));
    let hz = run.evaluated.findings.number(ResultName::CommandHz).expect("a frequency");
    let truth = back_s(&config, hz, &[(4.5, 0.02), (6.5, 10.0)], 800.0);
    let back = result(&run, ResultName::CrankBackS);
    let (value, u) = (back.as_number().expect("a number"), back.u.expect("a number has one"));
    assert!((value - truth).abs() < 3.0 * u.max(0.01), "{back:?}, truth {truth}");
}

#[test]
fn cut_out_and_cut_in_are_where_the_module_has_them() {
    let kinds = [ModuleKind::LinearLow, ModuleKind::KickStart, ModuleKind::SteppedReserved, ModuleKind::SlowCommand];
    for (seed, kind) in (SEED + 20..).zip(kinds) {
        let sweep = Stage::SupplySweep {
            duty: Duty::clamped(DUTY),
            step: Volts(0.2),
            stay: Seconds(1.0),
            confirm: Seconds(6.0),
            down_to: UpTo::RigLimit,
            up_to: UpTo::RigLimit,
        };
        let (run, config) = go(kind, seed, &[], vec![sweep]);
        let what = format!("{}/{seed}", kind.name());
        let protect = config.module.protect;
        let (off_v, on_v) =
            protect.under.map_or((protect.reset_v + 0.03, protect.reset_v + 0.7), |lock| (lock.off_v, lock.on_v));
        near(&run, ResultName::CutOutLowV, off_v, &what);
        near(&run, ResultName::CutInLowV, on_v, &what);
        near(&run, ResultName::LockHysteresisLowV, on_v - off_v, &what);
        match protect.over {
            Some(lock) => {
                near(&run, ResultName::CutOutHighV, lock.off_v, &what);
                near(&run, ResultName::CutInHighV, lock.on_v, &what);
                near(&run, ResultName::LockHysteresisHighV, lock.off_v - lock.on_v, &what);
            }
            None => {
                let absent = &run.evaluated.document.absent[&ResultName::CutOutHighV];
                assert!(absent.starts_with("not within range: it runs to 18."), "{what}: {absent}");
            }
        }
    }
}

#[test]
fn a_lock_out_that_latches_is_told_and_the_unit_runs_again_after_the_supply_was_away() {
    let (run, _) =
        go(ModuleKind::LinearLow, SEED + 30, &[(FaultKind::LockOutLatches, 0.5)], vec![dips(&[9.5, 7.0], 0.1)]);
    let word = result(&run, ResultName::SupplyDip);
    assert_eq!(word.as_word(), Some("latches"), "{word:?}");
    let note = word.note.as_deref().expect("a note");
    assert!(note.contains("rides through") && note.contains("stays off until the supply was away"), "{note}");
}

#[test]
fn a_supply_that_does_not_follow_ends_the_run_in_the_safe_state() {
    let mut rig = support::rig(RIG, ModuleKind::LinearLow, SEED + 40, &[]);
    support::virtual_spec(&mut rig).bench_faults = vec![BenchFault::SupplyStuck];
    let run = support::run(rig, plan(vec![dips(&[6.0], 3.0)]));
    let stopped = run.evaluated.document.stopped.as_ref().expect("stopped");
    assert!(stopped.cause.contains("over_voltage") && stopped.cause.contains("does not follow"), "{stopped:?}");
    assert!(
        stopped.by == StoppedBy::Rig && run.safe_confirmed && run.evaluated.document.verdict.is_none(),
        "{stopped:?}"
    );
}

#[test]
fn no_dip_is_taken_for_an_event_of_the_unit() {
    let (run, _) = go(ModuleKind::LinearLow, SEED + 50, &[], vec![dips(&[8.0, 5.0], 5.0)]);
    let events = &run.evaluated.findings.events;
    assert!(events.iter().all(|event| event.stage != "supply_dip"), "{events:?}");
}

#[test]
fn a_dip_that_a_coasting_fan_keeps_from_the_pins_is_told_at_the_voltage_that_was_there() {
    let mut rig = support::rig(RIG, ModuleKind::LinearLow, SEED + 60, &[]);
    rig.supply.sinks = false;
    let run = support::run(rig, plan(vec![dips(&[5.0], 0.1)]));
    assert!(run.safe_confirmed && run.evaluated.document.stopped.is_none(), "{:?}", run.evaluated.document.stopped);
    // The supply takes nothing back, and the fan, faster than the output would drive it, draws nothing: only the module's own
    // 14 mA empty its capacitor. The unit is not credited with the 5 V that never came.
    let ridden = result(&run, ResultName::DipRiddenV);
    assert!(ridden.is_bound() && ridden.as_number().expect("a number") > 7.5, "{ridden:?}");
    assert_eq!(result(&run, ResultName::SupplyDip).as_word(), Some("rides_through"));
}
