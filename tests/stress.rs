//! The stress stages on the virtual bench: what a failing unit shows in them, and that sound ones show nothing.

mod support;

use galebench::config::plan::{Plan, RestartBy, Stage};
use galebench::config::rig::{FaultKind, ModuleKind};
use galebench::results::{Measured, Outcome, ResultName};
use galebench::units::{Duty, Seconds};
use support::Run;

/// Seeds below those that anything is reported of.
const SEED: u64 = 601;

/// The shipped plan with only those of its stress stages that `wanted` keeps, as `changed` changes them.
fn plan(wanted: fn(&Stage) -> bool, changed: impl Fn(&mut Stage)) -> Plan {
    let mut plan = support::plan("test-plans/stress.toml");
    let stress = plan.stages.iter().position(|stage| matches!(stage, Stage::HotRestart { .. })).expect("shipped");
    let tail = plan.stages.split_off(stress);
    plan.stages.extend(tail.into_iter().filter(wanted));
    plan.stages.iter_mut().for_each(changed);
    plan.limits.clear();
    plan
}

fn go(kind: ModuleKind, seed: u64, faults: &[(FaultKind, f64)], plan: Plan) -> Run {
    let run = support::run(support::rig("rigs/virtual.toml", kind, seed, faults), plan);
    assert!(
        run.safe_confirmed,
        "{}/{seed}: {:?} {:?}",
        kind.name(),
        run.evaluated.document.stopped,
        run.evaluated.recording.stages
    );
    run
}

fn result(run: &Run, name: ResultName) -> &Measured {
    let document = &run.evaluated.document;
    document
        .results
        .get(&name)
        .unwrap_or_else(|| panic!("{name}: {:?} {:?}", document.absent.get(&name), document.stopped))
}

fn word(run: &Run) -> &str {
    result(run, ResultName::HotRestart).as_word().expect("a word")
}

fn warm(by: RestartBy) -> Plan {
    plan(
        |stage| matches!(stage, Stage::HotRestart { .. }),
        |stage| {
            if let Stage::HotRestart { warm, by: ways, .. } = stage {
                (*warm, *ways) = (Seconds(120.0), vec![by]);
            }
        },
    )
}

#[test]
fn sound_units_start_again_while_warm() {
    for (seed, kind) in (SEED + 10..).zip([ModuleKind::LinearLow, ModuleKind::KickStart, ModuleKind::SlowCommand]) {
        let run = go(kind, seed, &[], warm(RestartBy::Command));
        let unit = format!("{}/{seed}", kind.name());
        assert_eq!(word(&run), "starts", "{unit}: {:?}", result(&run, ResultName::HotRestart));
        let delay = result(&run, ResultName::HotDelayS);
        let (value, u) = (delay.as_number().expect("a number"), delay.u.expect("a number has one"));
        let truth = run.truth.command_delay_s.expect("the plant has one");
        assert!((value - truth).abs() < 3.0 * u.max(0.002), "{unit}: {delay:?}, truth {truth}");
        let ratio = result(&run, ResultName::HotInrushRatio);
        let (value, u) = (ratio.as_number().expect("a number"), ratio.u.expect("a number has one"));
        let truth = run.truth.hot_inrush_ratio.expect("a warm start");
        assert!((value - truth).abs() < 3.0 * u.max(0.003), "{unit}: {ratio:?}, truth {truth}");
        assert!(truth < 1.0, "{unit}: warm copper draws less: {truth}");
    }
}

#[test]
fn a_unit_that_gives_less_or_breaks_off_when_warm_is_told() {
    let limited = go(ModuleKind::LinearLow, SEED, &[(FaultKind::ThermalLimitEarly, 1.0)], warm(RestartBy::Command));
    assert_eq!(word(&limited), "weaker", "{:?}", result(&limited, ResultName::HotRestart));
    let cracked = go(ModuleKind::LinearLow, SEED + 1, &[(FaultKind::CrackedJoint, 1.0)], warm(RestartBy::Command));
    assert_eq!(word(&cracked), "falters", "{:?}", result(&cracked, ResultName::HotRestart));
}

#[test]
fn by_the_supply_a_warm_unit_is_compared_with_its_cold_start_by_the_supply() {
    let mut plan = warm(RestartBy::Supply);
    let at = plan.stages.len() - 1;
    let (duty, settle_within) = (Duty::clamped(0.6), Seconds(30.0));
    plan.stages.insert(at, Stage::PowerUp { duty, settle_within });
    if let Some(Stage::HotRestart { to, .. }) = plan.stages.last_mut() {
        *to = galebench::config::plan::UpTo::Value(duty);
    }
    let run = go(ModuleKind::LinearLow, SEED + 2, &[], plan);
    assert_eq!(word(&run), "starts", "{:?}", result(&run, ResultName::HotRestart));
    let ratio = result(&run, ResultName::HotInrushRatio);
    let (value, u) = (ratio.as_number().expect("a number"), ratio.u.expect("a number has one"));
    let truth = run.truth.hot_inrush_ratio.expect("a warm start");
    assert!((value - truth).abs() < 3.0 * u && u < 0.02, "{ratio:?}, truth {truth}");
    // Warm copper draws less; beside a start by the command to full it would be near a half.
    assert!((0.7..1.0).contains(&truth), "{truth}");
}

fn in_a_row(starts: u32) -> Plan {
    plan(
        |stage| matches!(stage, Stage::RepeatedStarts { .. }),
        |stage| {
            if let Stage::RepeatedStarts { count, .. } = stage {
                *count = starts;
            }
        },
    )
}

#[test]
fn sound_units_fail_no_start_and_the_bound_says_how_much_that_shows() {
    for (seed, kind) in (SEED + 20..).zip([ModuleKind::SteppedReserved, ModuleKind::KickStart, ModuleKind::OpenRuns]) {
        let run = go(kind, seed, &[], in_a_row(8));
        let failed = result(&run, ResultName::StartFailurePct);
        // 1 - 0.05^(1/8).
        let note = "0 of 8: at most 31.2 % of starts fail, 95 % confidence";
        assert_eq!((failed.as_number(), failed.note.as_deref()), (Some(0.0), Some(note)), "{}/{seed}", kind.name());
        let scatter = result(&run, ResultName::StartDelaySdS).as_number().expect("a number");
        assert!(scatter < 0.06, "{}/{seed}: {scatter} s", kind.name());
    }
}

#[test]
fn a_cracked_joint_is_caught_by_starts_that_break_off() {
    let run = go(ModuleKind::LinearLow, SEED + 3, &[(FaultKind::CrackedJoint, 1.0)], in_a_row(20));
    let failed = result(&run, ResultName::StartFailurePct);
    let least = failed.interval.expect("an interval")[0].expect("closed");
    assert!(failed.n == 20 && least > 10.0, "{failed:?}");
    assert!(failed.note.as_deref().is_some_and(|note| note.contains("broke off")), "{failed:?}");
}

#[test]
fn an_open_switch_fails_every_start_that_is_tried() {
    let run = go(ModuleKind::LinearLow, SEED + 4, &[(FaultKind::SwitchOpen, 1.0)], in_a_row(3));
    let absent = &run.evaluated.document.absent[&ResultName::StartFailurePct];
    assert!(absent.contains("skipped"), "nothing is started that never answered: {absent}");
}

/// Only the watch, at room temperature, with the limit that asks for none.
fn flexed() -> Plan {
    let stages =
        "[[stage]]\nfirst_power = {}\n[[stage]]\ndiscover = {}\n[[stage]]\nflex_watch = { watch = \"60 s\" }\n";
    let text = format!("name = \"flexed\"\ntime_limit = \"30 min\"\n[limits]\nflex_dropouts = {{ max = 5 }}\n{stages}");
    galebench::config::parse_plan(std::path::Path::new("flexed.toml"), &text).unwrap_or_else(|p| panic!("{p}"))
}

fn outcome(run: &Run) -> Option<Outcome> {
    run.evaluated.document.verdict.as_ref()?.limits.get(&ResultName::FlexDropouts).copied()
}

#[test]
fn a_cracked_joint_drops_out_while_it_is_flexed() {
    for (seed, severity) in (SEED + 40..).zip([0.1, 0.5, 0.8]) {
        let run = go(ModuleKind::LinearLow, seed, &[(FaultKind::CrackedJoint, severity)], flexed());
        let counted = result(&run, ResultName::FlexDropouts);
        let least = counted.interval.expect("an interval")[0].expect("closed");
        assert!(least > 3.0, "{severity}: {counted:?}");
        // A dozen in a minute is too few to be sure of more than five in the mean.
        let due: &[Outcome] = if severity < 0.3 { &[Outcome::Open, Outcome::Fails] } else { &[Outcome::Fails] };
        assert!(outcome(&run).is_some_and(|outcome| due.contains(&outcome)), "{severity}: {:?}", outcome(&run));
        let events = &run.evaluated.document.events;
        let flexed = events.iter().filter(|event| event.stage == "flex_watch").count();
        assert!(flexed as f64 >= 0.8 * counted.as_number().expect("a number"), "{severity}: {events:?}");
        let named = run.evaluated.document.signs.first().map(|sign| sign.fault.clone());
        assert_eq!(named.as_deref(), Some("cracked joint"), "{severity}");
    }
}

#[test]
fn a_sound_unit_stands_being_flexed() {
    for (seed, kind) in (SEED + 50..).zip([ModuleKind::SteppedReserved, ModuleKind::KickStart, ModuleKind::OpenRuns]) {
        let run = go(kind, seed, &[], flexed());
        let counted = result(&run, ResultName::FlexDropouts);
        let note = "0 in 60 s of flexing: at most 3.0 a minute, 95 % confidence";
        assert_eq!((counted.as_number(), counted.note.as_deref()), (Some(0.0), Some(note)), "{}", kind.name());
        assert_eq!(outcome(&run), Some(Outcome::Meets), "{}", kind.name());
    }
}

fn charged() -> Plan {
    plan(
        |stage| matches!(stage, Stage::Capacitance { .. }),
        |stage| {
            if let Stage::Capacitance { warm, .. } = stage {
                *warm = Seconds(240.0);
            }
        },
    )
}

#[test]
fn a_dried_capacitor_comes_back_with_warmth_and_a_sound_one_hardly_changes() {
    let change = |faults: &[(FaultKind, f64)], seed: u64| {
        let run = go(ModuleKind::LinearLow, seed, faults, charged());
        let measured = result(&run, ResultName::CapacitanceChangePct).clone();
        (measured.as_number().expect("a number"), measured.u.expect("a number has one"), measured.note.expect("a note"))
    };
    // The case ends some 10 to 20 K over the ambient: 0.04 % per kelvin are below one percent.
    let (value, u, note) = change(&[], SEED + 30);
    assert!(value.abs() < 1.0 + 2.0 * u && u < 1.0, "{value} u {u}, {note}");
    let (value, u, note) = change(&[(FaultKind::DriedCapacitor, 0.1)], SEED + 31);
    let per_k: f64 = note.rsplit(", ").next().and_then(|words| words.split(' ').next()).unwrap().parse().unwrap();
    // 0.39 % per kelvin at this severity.
    assert!(value > 2.0 * u && (per_k - 0.39).abs() < 0.15, "{value} u {u}, {note}");
}
