//! Triage on the virtual bench: under a minute for every kind within its promise, each answer true, and the faults that
//! it is there for caught. Bench time is that of the plant, so it repeats.

mod support;

use galebench::config::rig::{FaultKind, ModuleKind};
use galebench::results::{Grade, Outcome, ResultName};
use support::Run;

/// Longest bench time, and the ramp and the run-down up to which it is promised, seconds.
const PROMISED_S: f64 = 60.0;
const RAMP_S: f64 = 4.0;
const COAST_S: f64 = 15.0;
/// Time that the shipped plan gives for sleep, and for which a unit must sleep to be seen asleep, seconds.
const WITHIN_S: f64 = 10.0;
const SEEN_S: f64 = 2.5;

fn triage(kind: ModuleKind, seed: u64, faults: &[(FaultKind, f64)]) -> Run {
    support::run(support::rig("rigs/virtual.toml", kind, seed, faults), support::plan("test-plans/quick.toml"))
}

/// What is wrong with the answer of `name`; empty when it holds the plant's truth.
fn wrong(run: &Run, name: ResultName) -> Option<String> {
    let document = &run.evaluated.document;
    let Some(measured) = document.results.get(&name) else {
        return Some(format!("{name} absent: {}", document.absent.get(&name).map_or("", String::as_str)));
    };
    let Some(truth) = support::true_number(&run.truth, name) else { return Some(format!("{name} has no truth")) };
    // Three standard uncertainties: one of twenty 95 % intervals misses by itself. One start is one draw of the fan's
    // own spread, which its note says is not known.
    let spread = match (name, run.truth.start_duty_95_pct) {
        (ResultName::StartDutyPct, Some(in_95)) => (in_95 - truth) / 1.645,
        _ => 0.0,
    };
    let (value, u) = (measured.as_number().expect("a number"), measured.u.expect("a number has one"));
    let inside = support::covers(measured, truth) || (value - truth).abs() < 3.0 * u.hypot(spread);
    (!inside).then(|| format!("{name} {value} u {u}, truth {truth}"))
}

#[test]
fn every_kind_is_done_in_a_minute_and_each_answer_is_true() {
    use ResultName as R;
    let (mut promised, mut all) = (0, Vec::new());
    for (seed, &kind) in (31..).zip(ModuleKind::ALL) {
        let run = triage(kind, seed, &[]);
        let (document, unit) = (&run.evaluated.document, format!("{}/{seed}", kind.name()));
        let truth = |name| support::true_number(&run.truth, name).expect("the plant has one");
        let mut of_unit = Vec::new();
        let asked = [R::StartDutyPct, R::SaturationDutyPct, R::Ramp1090S, R::SoftStartShare];
        of_unit.extend(asked.into_iter().filter_map(|name| wrong(&run, name)));
        if document.results.get(&R::ActiveLevel).and_then(|level| level.as_word()) != run.truth.active_level {
            of_unit.push("the level".to_owned());
        }
        // Asleep, or not within the time given, which ends when the fan rests if that is later.
        let after_s = truth(R::SleepAfterS);
        let slept = match document.absent.get(&R::SleepAfterS) {
            None => {
                of_unit.extend(wrong(&run, R::SleepAfterS));
                true
            }
            Some(why) => {
                if after_s < WITHIN_S - SEEN_S || !why.contains("asleep within") {
                    of_unit.push(format!("sleeps after {after_s} s, but: {why}"));
                }
                false
            }
        };
        if !slept && document.results.contains_key(&R::SleepA) {
            of_unit.push("a current asleep though it was not seen to sleep".to_owned());
        }
        let verdict = document.verdict.as_ref().expect("a verdict");
        if (verdict.grade == Grade::Fit) != slept {
            of_unit.push(format!("{:?} though slept is {slept}: {:?}", verdict.grade, verdict.reasons));
        }
        if truth(R::RampFullS) <= RAMP_S && truth(R::RunDownS) < COAST_S {
            promised += 1;
            if document.bench_seconds >= PROMISED_S {
                of_unit.push("over a minute".to_owned());
            }
        }
        println!("{unit}: {:.1} s, {:?}, slept {slept}", document.bench_seconds, verdict.grade);
        all.extend(of_unit.into_iter().map(|what| format!("{unit} {:.1} s: {what}", document.bench_seconds)));
    }
    assert!(all.is_empty(), "{}", all.join("\n"));
    assert!(promised >= 6, "only {promised} kinds are within the promise");
}

#[test]
fn a_lost_soft_start_a_shorted_switch_and_a_lost_sleep_are_caught() {
    let lost = triage(ModuleKind::LinearLow, 41, &[(FaultKind::SoftStartLost, 1.0)]);
    let verdict = lost.evaluated.document.verdict.as_ref().expect("a verdict");
    assert_eq!(verdict.limits.get(&ResultName::Ramp1090S), Some(&Outcome::Fails), "{verdict:?}");
    assert_eq!(verdict.grade, Grade::Scrap, "{verdict:?}");

    let shorted = triage(ModuleKind::LinearLow, 42, &[(FaultKind::SwitchShorted, 1.0)]);
    let document = &shorted.evaluated.document;
    assert_eq!(document.verdict.as_ref().expect("a verdict").grade, Grade::Scrap, "{:?}", document.verdict);
    assert!(document.signs.iter().any(|sign| sign.fault.contains("shorted")), "{:?}", document.signs);

    let awake = triage(ModuleKind::LinearLow, 43, &[(FaultKind::SleepLost, 1.0)]);
    let document = &awake.evaluated.document;
    let why = document.absent.get(&ResultName::SleepAfterS).expect("it never sleeps");
    assert!(why.contains("not asleep within"), "{why}");
    assert_ne!(document.verdict.as_ref().expect("a verdict").grade, Grade::Fit, "{:?}", document.verdict);
}
