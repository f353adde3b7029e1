//! The whole path at once: the full plan on every healthy kind of the virtual bench beside the unit's truth, faulty
//! units named end to end, and a record that says next year what the run said today.

mod support;

use galebench::config::rig::{FaultKind, ModuleKind};
use galebench::ops::analyze::analyze;
use galebench::ops::run::{RunDone, RunOptions, Task, run};
use galebench::record::csv_import::TraceOptions;
use galebench::record::event::StageEnd;
use galebench::results::{Grade, Outcome, ResultName, StoppedBy};
use galebench::runner::{Quiet, StopHandle};

/// Seed that nothing was tuned on.
const SEED: u64 = 4711;

/// Furthest that a result may be from the truth of its unit: an absolute error, or a share of the truth.
const TOLERANCES: [(ResultName, f64, f64); 5] = [
    (ResultName::StartDutyPct, 1.0, 0.0),
    (ResultName::StopDutyPct, 1.0, 0.0),
    (ResultName::SaturationDutyPct, 1.0, 0.0),
    (ResultName::Ramp1090S, 0.0, 0.05),
    (ResultName::PeakSupplyA, 0.0, 0.05),
];

fn healthy(kind: ModuleKind) {
    let run = support::run(support::rig("rigs/virtual.toml", kind, SEED, &[]), support::plan("test-plans/full.toml"));
    let document = &run.evaluated.document;
    assert_eq!(document.stopped, None, "nothing trips on a healthy unit");
    assert!(run.safe_confirmed);
    for stage in &run.evaluated.recording.stages {
        assert_eq!(stage.end, Some(StageEnd::Done), "stage {}", stage.stage);
    }
    for (name, absolute, share) in TOLERANCES {
        let value = document.results.get(&name).and_then(|m| m.as_number());
        let (Some(value), Some(truth)) = (value, support::true_number(&run.truth, name)) else {
            panic!("{name}: {:?} {:?}", document.results.get(&name), document.absent.get(&name));
        };
        assert!((value - truth).abs() <= absolute + share * truth, "{name}: {value}, truth {truth}");
    }
    // As many as the plan asks for: a few trials in one bracket tell nothing of how a fan scatters.
    for name in [ResultName::StartDutyPct, ResultName::StopDutyPct] {
        assert!(document.results[&name].n >= 8, "{name}: {}", document.results[&name].n);
    }
    for name in [ResultName::ActiveLevel, ResultName::PowerUp, ResultName::LossOpen] {
        let word = document.results.get(&name).and_then(|m| m.as_word());
        assert_eq!(word, support::true_word(&run.truth, name), "{name}");
    }
    let verdict = document.verdict.as_ref().expect("a finished run has a verdict");
    assert_ne!(verdict.grade, Grade::Scrap, "{:?}", verdict.reasons);
    assert!(!verdict.limits.values().any(|outcome| *outcome == Outcome::Fails), "{:?}", verdict.reasons);
    assert!(document.signs.iter().all(|sign| sign.strength < 0.5), "{:?}", document.signs);
    for &name in ResultName::ALL {
        let (measured, absent) = (document.results.contains_key(&name), document.absent.get(&name));
        assert!(measured != absent.is_some(), "{name} is measured or absent with a reason, not both or neither");
        assert!(absent.is_none_or(|reason| !reason.trim().is_empty()), "{name}");
    }
}

macro_rules! healthy_kinds {
    ($($name:ident: $kind:ident),+ $(,)?) => { $(#[test] fn $name() { healthy(ModuleKind::$kind); })+ };
}

healthy_kinds! {
    linear_low: LinearLow,
    exponential_high: ExponentialHigh,
    s_curve_low_side: SCurveLowSide,
    stepped_reserved: SteppedReserved,
    kick_start: KickStart,
    open_runs: OpenRuns,
    fast_command: FastCommand,
    slow_command: SlowCommand,
}

#[test]
fn a_shorted_switch_stops_the_run_and_is_scrap() {
    let faults = [(FaultKind::SwitchShorted, 0.8)];
    let rig = support::rig("rigs/virtual.toml", ModuleKind::LinearLow, SEED, &faults);
    let run = support::run(rig, support::plan("test-plans/full.toml"));
    let document = &run.evaluated.document;
    let stopped = document.stopped.as_ref().expect("the supervisor stops it");
    assert_eq!(stopped.by, StoppedBy::Unit, "{stopped:?}");
    assert!(run.safe_confirmed, "the relay opens and the current is gone");
    assert_eq!(document.verdict.as_ref().map(|v| v.grade), Some(Grade::Scrap));
    let first = document.signs.first().map(|sign| sign.fault.as_str());
    assert_eq!(first, Some("switch shorted"), "{:?}", document.signs);
}

#[test]
fn a_lost_soft_start_is_named_and_scrap() {
    let faults = [(FaultKind::SoftStartLost, 0.9)];
    let rig = support::rig("rigs/virtual.toml", ModuleKind::LinearLow, SEED, &faults);
    let run = support::run(rig, support::plan("test-plans/full.toml"));
    let document = &run.evaluated.document;
    assert_eq!(document.stopped, None);
    let first = document.signs.first().map(|sign| sign.fault.as_str());
    assert_eq!(first, Some("soft start lost"), "{:?}", document.signs);
    let verdict = document.verdict.as_ref().expect("a verdict");
    assert_eq!(verdict.grade, Grade::Scrap, "{:?}", verdict.reasons);
    assert_eq!(verdict.limits.get(&ResultName::Ramp1090S), Some(&Outcome::Fails));
}

fn quick_run(out: &std::path::Path) -> RunDone {
    let options = RunOptions {
        rig: support::shipped("rigs/virtual.toml"),
        task: Task::Plan(support::shipped("test-plans/quick.toml")),
        unit: "TQ-0001".to_owned(),
        batch: Some("may-shelf-3".to_owned()),
        out: out.to_owned(),
        seed: Some(SEED),
        form: None,
    };
    run(&options, &mut Quiet, StopHandle::default()).expect("a run")
}

#[test]
fn the_record_says_what_the_run_said_and_the_same_seed_gives_the_same_results() {
    let out = tempfile::tempdir().expect("a temporary folder");
    let first = quick_run(out.path());
    let again = analyze(&first.dir, &TraceOptions::default()).expect("the record is readable").document;
    assert_eq!(again, first.document);
    let second = quick_run(out.path());
    assert_eq!(second.document.results, first.document.results);
    assert_eq!(second.document.bench_seconds, first.document.bench_seconds);
    assert_eq!((first.document.earlier_runs, second.document.earlier_runs), (Some(0), Some(1)));
}
