//! Limits left open by the plan's stages are looked at again in the same run: decided by more readings where that helps,
//! left open where the unit lies right at the limit, undecided where nothing helps, and never beyond the looks and the time of the plan.

mod support;

use galebench::config::plan::{Plan, Stage};
use galebench::config::rig::ModuleKind;
use galebench::record::event::{Event, LimitFacts};
use galebench::results::{Grade, Measured, Outcome, ResultName};
use galebench::units::Seconds;
use support::Run;

/// Differs from start to start, so that more starts tell more.
const START: ResultName = ResultName::StartDuty95Pct;
/// Known by the resistor that the input is charged through, which more charges do not tell better.
const CHARGED: ResultName = ResultName::CapacitanceF;
/// Seeds that nothing was tuned on.
const SEEDS: [u64; 3] = [1101, 1102, 1103];

/// The full plan without its long stages and most of its stops, with this one limit.
fn plan(name: ResultName, max: f64) -> Plan {
    let mut plan = support::plan("test-plans/full.toml");
    let long = |stage: &Stage| {
        matches!(
            stage,
            Stage::FrequencyEdges { .. }
                | Stage::LossOfSignal { .. }
                | Stage::PowerUp { .. }
                | Stage::Soak { .. }
                | Stage::Sleep { .. }
        )
    };
    plan.stages.retain(|stage| !long(stage));
    for stage in &mut plan.stages {
        if let Stage::Repeats { stops, .. } = stage {
            *stops = 3;
        }
    }
    plan.limits = [(name, LimitFacts { max: Some(max), ..LimitFacts::default() })].into();
    plan
}

fn go(plan: Plan, seed: u64) -> Run {
    support::run(support::rig("rigs/virtual.toml", ModuleKind::LinearLow, seed, &[]), plan)
}

fn measured(run: &Run, name: ResultName) -> &Measured {
    run.evaluated.document.results.get(&name).expect("a result")
}

/// A further look as the record has it.
#[derive(Debug, PartialEq)]
struct Look {
    number: u32,
    why: Vec<(ResultName, String)>,
    stages: Vec<String>,
}

fn looks(run: &Run) -> Vec<Look> {
    let events = run.evaluated.recording.events.iter();
    let looks = events.filter_map(|line| match &line.event {
        Event::Look { number, limits, stages } => {
            let why = limits.iter().map(|(name, why)| (*name, why.clone())).collect();
            Some(Look { number: *number, why, stages: stages.clone() })
        }
        _ => None,
    });
    looks.collect()
}

fn outcome(run: &Run, name: ResultName) -> (Grade, Outcome) {
    let verdict = run.evaluated.document.verdict.as_ref().expect("a verdict");
    (verdict.grade, verdict.limits[&name])
}

#[test]
fn a_unit_near_a_limit_is_decided_by_further_looks_that_know_more() {
    let mut decided = 0;
    for seed in SEEDS {
        let first = go(plan(START, 100.0), seed);
        assert_eq!(
            (looks(&first).len(), outcome(&first, START).1),
            (0, Outcome::Meets),
            "far away nothing is repeated"
        );
        let high = measured(&first, START).interval.expect("an interval")[1].expect("closed");
        // Inside the guard band of the first of three looks, just outside the 95 % interval.
        let again = go(plan(START, high + 0.02), seed);
        let looks = looks(&again);
        assert!((1..=2).contains(&looks.len()), "{seed}: {looks:?}");
        assert_eq!((looks[0].number, looks[0].stages.as_slice()), (2, ["repeats".to_owned()].as_slice()));
        assert!(looks[0].why[0].1.contains("too close to the limit"), "{looks:?}");
        let (before, after) = (measured(&first, START), measured(&again, START));
        assert!(after.n > before.n && after.u < before.u, "{seed}: pooled with what was there: {before:?} {after:?}");
        let (grade, told) = outcome(&again, START);
        assert_ne!(told, Outcome::Fails);
        if told == Outcome::Meets {
            assert_eq!(grade, Grade::Fit);
            let truth = support::true_number(&again.truth, START).expect("a true start");
            assert!(truth < high + 0.02, "{seed}: passed beyond its limit: {truth}");
            decided += 1;
        }
    }
    // New trials may as well move the value towards the limit: not every unit gets decided.
    assert!(decided >= 1, "{decided} of {}", SEEDS.len());
}

#[test]
fn a_unit_right_at_a_limit_stays_open_whatever_is_repeated() {
    let mut looked = 0;
    for seed in SEEDS {
        let truth = support::true_number(&go(plan(START, 100.0), seed).truth, START).expect("a true start");
        let run = go(plan(START, truth), seed);
        // A duty that is known, however uncertain, can be kept by the duty table: restricted instead of undecided.
        assert_eq!(outcome(&run, START), (Grade::Restricted, Outcome::Open), "{seed}: {:?}", measured(&run, START));
        let looks = looks(&run);
        let decision = &run.evaluated.document.verdict.as_ref().expect("a verdict").decisions[&START];
        assert_eq!(decision.look as usize, 1 + looks.len());
        looked += usize::from(!looks.is_empty());
    }
    assert!(looked > 0, "somewhere more starts were worth it");
}

#[test]
fn what_more_readings_do_not_tell_is_not_looked_at_again() {
    let first = go(plan(CHARGED, 100.0), SEEDS[0]);
    let run = go(plan(CHARGED, measured(&first, CHARGED).as_number().expect("a number")), SEEDS[0]);
    assert_eq!((outcome(&run, CHARGED), looks(&run)), ((Grade::Undecided, Outcome::Open), Vec::new()));
}

#[test]
fn looks_end_with_the_time_and_the_number_that_the_plan_gives() {
    let first = go(plan(START, 100.0), SEEDS[0]);
    let limit = measured(&first, START).interval.expect("an interval")[1].expect("closed") + 0.02;
    let mut none = plan(START, limit);
    none.risk.looks = 1;
    let once = go(none, SEEDS[0]);
    assert_eq!(looks(&once), Vec::new());
    let mut late = plan(START, limit);
    late.look_again_within = Seconds(20.0);
    let late = go(late, SEEDS[0]);
    assert_eq!(looks(&late), Vec::new());
    let told = |run: &Run| {
        let events = run.evaluated.recording.events.iter();
        let mut notes =
            events.filter_map(|line| if let Event::Note { text } = &line.event { Some(text) } else { None });
        notes.any(|text| text.starts_with("not looked at again") && text.contains("repeats"))
    };
    assert!(told(&late) && !told(&once));
    assert_eq!(late.evaluated.document.bench_seconds, once.evaluated.document.bench_seconds);
}
