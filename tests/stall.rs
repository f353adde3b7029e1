//! What a module does when its motor stands, on the virtual bench with a dummy load: whole runs of the shipped plan against what
//! the module is made of; and that no fan is ever stalled, nor a dummy load taken for one.

mod support;

use std::path::Path;

use galebench::bench::Channel;
use galebench::config;
use galebench::config::plan::{Plan, Stage};
use galebench::config::rig::{FaultKind, Load, ModuleKind, Rig};
use galebench::driver::virtual_bench::VirtualBench;
use galebench::ops::document::Evaluated;
use galebench::plant::config::{Level, PlantConfig};
use galebench::plant::{LineDrive, Plant, Relay};
use galebench::results::{Measured, ResultName};
use galebench::units::{Duty, Hertz, Seconds};

/// Seeds below those that anything is reported of.
const SEED: u64 = 801;
const RIG: &str = "rigs/virtual-dummy-load.toml";
const PLAN: &str = "test-plans/stall.toml";
/// What the shipped plan commands, for how long, and how long it waits for an output that was cut.
const DUTY: f64 = 0.95;
const HOLD_S: f64 = 4.0;
const WATCH_S: f64 = 10.0;

/// A whole run on `rig`, which must come through.
fn go(mut rig: Rig, what: &str) -> (Evaluated, PlantConfig) {
    let spec = support::virtual_spec(&mut rig).clone();
    let plan = support::plan(PLAN);
    config::check_together(&rig, &plan).unwrap_or_else(|problems| panic!("{what}: {problems}"));
    let bench = VirtualBench::open(&rig, &spec, spec.seed);
    let config = VirtualBench::plant_config(&rig, &spec, spec.seed);
    let run = support::carry_out(&rig, &plan, spec.seed, bench);
    let (stopped, stages) = (&run.evaluated.document.stopped, &run.evaluated.recording.stages);
    assert!(run.safe_confirmed && stopped.is_none(), "{what}: {stopped:?} {stages:?}");
    (run.evaluated, config)
}

fn unit(kind: ModuleKind, seed: u64, faults: &[(FaultKind, f64)]) -> Rig {
    support::rig(RIG, kind, seed, faults)
}

/// What the module does, played without a bench around it: current just before the output ends, time of the output, time until
/// it comes again.
struct Played {
    amps: f64,
    limits: bool,
    cut_off_s: Option<f64>,
    retry_s: Option<f64>,
}

fn played(config: &PlantConfig, hz: f64) -> Played {
    let active = config.module.input.active;
    let drive = |duty| LineDrive::Pulses { share: Duty::clamped(duty), active, frequency: Hertz(hz) };
    let mut plant = Plant::new(config.clone(), 1);
    let dt_s = 5e-4;
    plant.set_line(drive(0.05));
    plant.set_relay(Relay::Closed);
    while plant.now_s() < 3.0 {
        plant.advance(dt_s);
    }
    plant.set_line(drive(DUTY));
    // A small output behind a freewheel diode drives no current.
    let until_current = |plant: &mut Plant, until_s: f64| {
        while plant.now_s() < until_s {
            if plant.advance(dt_s).fan_a > 0.01 {
                return true;
            }
        }
        false
    };
    assert!(until_current(&mut plant, 10.0), "no output");
    let begin_s = plant.now_s();
    let (mut amps, mut supply_a) = (0.0, 0.0);
    while plant.ratio() > 0.0 && plant.now_s() < begin_s + HOLD_S {
        let reading = plant.advance(dt_s);
        if plant.ratio() > 0.0 {
            (amps, supply_a) = (reading.fan_a, reading.supply_a);
        }
    }
    let cut_s = plant.now_s();
    let cut_off_s = (plant.ratio() <= 0.0).then_some(cut_s - begin_s);
    // What the inductance keeps flowing is over by then.
    while plant.now_s() < cut_s + 0.1 {
        plant.advance(dt_s);
    }
    let comes_again = cut_off_s.is_some() && until_current(&mut plant, cut_s + WATCH_S);
    let retry_s = comes_again.then_some(plant.now_s() - cut_s);
    Played { amps, limits: cut_off_s.is_none() && supply_a < 0.9 * amps, cut_off_s, retry_s }
}

fn number<'e>(found: &'e Evaluated, name: ResultName, what: &str) -> (&'e Measured, f64, f64) {
    let document = &found.document;
    let measured =
        document.results.get(&name).unwrap_or_else(|| panic!("{what}, {name}: {:?}", document.absent.get(&name)));
    (measured, measured.as_number().expect("a number"), measured.u.expect("a number has one"))
}

fn holds(kind: ModuleKind, seed: u64, word: &str) {
    let what = format!("{}/{seed}", kind.name());
    let (found, config) = go(unit(kind, seed, &[]), &what);
    let document = &found.document;
    let active = if config.module.input.active == Level::Low { "low" } else { "high" };
    assert_eq!(document.results[&ResultName::ActiveLevel].as_word(), Some(active), "{what}");
    let said = document.results.get(&ResultName::Stall);
    let said = said.unwrap_or_else(|| {
        panic!("{what}: {:?} {:?}", document.absent.get(&ResultName::Stall), found.recording.stages)
    });
    assert_eq!((said.as_word(), said.n), (Some(word), 3), "{what}: {said:?}");
    let hz = found.findings.number(ResultName::CommandHz).expect("a frequency");
    let truth = played(&config, hz);

    let (limit, amps, u) = number(&found, ResultName::StallLimitA, &what);
    assert_eq!(limit.is_bound(), !truth.limits, "{what}: {limit:?}");
    // A mean over the last 40 ms lies below the end of a ramp that was cut.
    let slack = if truth.cut_off_s.is_some() { 0.01 * truth.amps } else { 0.0 };
    assert!(
        amps < truth.amps + 3.0 * u && amps > truth.amps - slack - 3.0 * u,
        "{what}: {limit:?}, truth {}",
        truth.amps
    );
    assert!(u < 0.02 * amps, "{what}: {limit:?}");
    for (name, truth_s) in [(ResultName::StallCutOffS, truth.cut_off_s), (ResultName::StallRetryS, truth.retry_s)] {
        let Some(truth_s) = truth_s else {
            assert!(document.absent.contains_key(&name), "{what}: {name} {:?}", document.results.get(&name));
            continue;
        };
        let (measured, value, u) = number(&found, name, &what);
        assert!((value - truth_s).abs() < 3.0 * u && u < 0.1, "{what}: {measured:?}, truth {truth_s}");
    }
}

#[test]
fn a_module_that_limits_is_told_with_the_current_that_it_holds() {
    holds(ModuleKind::ExponentialHigh, SEED, "limits");
    holds(ModuleKind::ExponentialHigh, SEED + 1, "limits");
}

#[test]
fn a_module_that_cuts_off_and_retries_is_told_with_its_times() {
    holds(ModuleKind::LinearLow, SEED + 10, "cuts_off_and_retries");
    holds(ModuleKind::KickStart, SEED + 11, "cuts_off_and_retries");
    holds(ModuleKind::FastCommand, SEED + 12, "cuts_off_and_retries");
}

#[test]
fn a_module_that_cuts_off_and_stays_off_is_told_and_tried_again_after_the_supply_was_away() {
    holds(ModuleKind::SCurveLowSide, SEED + 20, "cuts_off_and_stays");
}

#[test]
fn a_module_without_any_of_that_carries_and_its_current_is_a_bound() {
    holds(ModuleKind::OpenRuns, SEED + 30, "carries");
}

#[test]
fn without_a_sensor_in_the_lead_the_resistance_tells_the_current_with_its_own_uncertainty() {
    let mut rig = unit(ModuleKind::OpenRuns, SEED + 40, &[]);
    rig.channels.remove(&Channel::FanA);
    let (found, config) = go(rig, "no fan_a");
    let (limit, amps, u) = number(&found, ResultName::StallLimitA, "no fan_a");
    assert!(limit.is_bound() && (amps - played(&config, 160.0).amps).abs() < 3.0 * u, "{limit:?}");
    assert!((0.04..0.08).contains(&(u / amps)), "5 % of the resistance is most of it: {limit:?}");
}

fn refused(rig: &Rig, plan: &Plan) -> String {
    config::check_together(rig, plan).expect_err("must be refused").to_string()
}

#[test]
fn a_fan_is_never_stalled() {
    let rig = config::load_rig(&support::shipped("rigs/virtual.toml")).expect("shipped");
    let text = refused(&rig, &support::plan(PLAN));
    assert!(text.contains("a fan is never stalled") && text.contains("stall.toml"), "{text}");
}

#[test]
fn a_plan_that_turns_a_fan_is_refused_on_a_dummy_load() {
    let rig = config::load_rig(&support::shipped(RIG)).expect("shipped");
    for plan in ["test-plans/full.toml", "test-plans/quick.toml", "test-plans/stress.toml"] {
        let text = refused(&rig, &support::plan(plan));
        assert!(text.contains("needs a fan") && text.contains("braking grid"), "{text}");
    }
}

#[test]
fn a_load_or_a_fuse_that_cannot_take_it_is_refused() {
    let rig = config::load_rig(&support::shipped(RIG)).expect("shipped");
    let with = |seconds: f64| {
        let mut plan = support::plan(PLAN);
        for stage in &mut plan.stages {
            if let Stage::Stall { hold, .. } = stage {
                *hold = Seconds(seconds);
            }
        }
        plan
    };
    assert!(config::check_together(&rig, &with(4.9)).is_ok());
    let text = refused(&rig, &with(5.1));
    assert!(text.contains("longer than the 5 s that the dummy load takes"), "{text}");
    let mut large = rig.clone();
    let Load::Dummy(dummy) = &mut large.load else { panic!("a dummy load") };
    dummy.longest = Seconds(60.0);
    let text = refused(&large, &with(8.0));
    assert!(text.contains("overload") && text.contains("cut the supply"), "{text}");

    let text = std::fs::read_to_string(support::shipped(RIG)).expect("shipped");
    let refused = |from: &str, to: &str| {
        let text = text.replace(from, to);
        config::parse_rig(Path::new("rigs/bench.toml"), &text).expect_err("must be refused").to_string()
    };
    let low = refused("resistance = \"0.1 Ohm\"", "resistance = \"0.08 Ohm\"");
    assert!(low.contains("162.5 A") && low.contains("cut it at once"), "{low}");
    let none = refused("resistance = \"0.1 Ohm\"", "resistance = \"0 Ohm\"");
    assert!(none.contains("`dummy_load.resistance`") || none.contains("`resistance`"), "{none}");
    let both = refused(
        "[wiring]",
        "[load_fan]\nname = \"fan\"\nlocked_rotor = \"90 A\"\nrunning = \"22 A\"\nspeed = \"2600 rpm\"\n[wiring]",
    );
    assert!(both.contains("only one of them"), "{both}");
    let turns = refused("[wiring]", "[tach]\npulses_per_rev = 2\n[wiring]");
    assert!(turns.contains("nothing turns"), "{turns}");
}
