//! The rules of the verdict, one test each, in their own words.

use super::*;
use crate::bench::{Channel, Line};
use crate::record::event::{LimitFacts, SpanKind};
use crate::results::{Contribution, Fitted};
use crate::units::Hertz;
use crate::verdict::made_up::{Made, pulses};

fn number(name: ResultName, value: f64, u: f64) -> Measured {
    Measured::number(name, value, 2.0, vec![Contribution::random("spread", u)], "test", 5)
}

fn at_most(max: f64) -> LimitFacts {
    LimitFacts { max: Some(max), ..LimitFacts::default() }
}

fn at_least(min: f64) -> LimitFacts {
    LimitFacts { min: Some(min), ..LimitFacts::default() }
}

fn one_of(words: &[&str]) -> LimitFacts {
    LimitFacts { one_of: words.iter().map(|w| (*w).to_owned()).collect(), ..LimitFacts::default() }
}

/// A sound unit: soft start, sleeps, carries 25 A for two minutes.
fn sound() -> Findings {
    let mut findings = Findings::default();
    for (name, value, u) in [
        (ResultName::CommandHz, 140.0, 0.01),
        (ResultName::StartDuty95Pct, 14.0, 0.2),
        (ResultName::SaturationDutyPct, 88.0, 0.3),
        (ResultName::Ramp1090S, 2.4, 0.02),
        (ResultName::SleepA, 120e-6, 2e-6),
        (ResultName::DropV, 0.20, 0.005),
    ] {
        findings.put(name, number(name, value, u));
    }
    findings.put(ResultName::LossOpen, Measured::word(ResultName::LossOpen, "stops", "watched", 1));
    findings
}

fn limits() -> Vec<(ResultName, LimitFacts)> {
    vec![
        (ResultName::StartDuty95Pct, at_most(20.0)),
        (ResultName::Ramp1090S, at_least(0.5)),
        (ResultName::SleepA, at_most(2e-3)),
        (ResultName::DropV, at_most(0.4)),
        (ResultName::LossOpen, one_of(&["stops", "holds"])),
    ]
}

fn loaded(limits: Vec<(ResultName, LimitFacts)>) -> Recording {
    Made::new()
        .with(|rec| rec.header.plan_facts.limits = limits.into_iter().collect())
        .zero(1.0)
        .pulses(50.0, 20.0, 8.0)
        .pulses(95.0, 120.0, 25.0)
        .done()
}

fn graded(findings: &Findings, rec: &Recording) -> Verdict {
    judge(findings, rec, None).verdict.expect("a whole run with plan and rig has a verdict")
}

fn stop(by: StoppedBy) -> Stopped {
    Stopped { cause: "31 A while off was commanded".to_owned(), by, t_s: 12.0 }
}

#[test]
fn a_unit_that_meets_every_limit_is_fit_within_what_it_carried() {
    let verdict = graded(&sound(), &loaded(limits()));
    assert_eq!(verdict.grade, Grade::Fit, "{:?}", verdict.reasons);
    assert_eq!(
        verdict.reasons,
        [
            "meets all 5 limits of the plan",
            "carried 25.0 A for 2.0 min at 95 % duty and 13.0 V; nothing is known beyond that load"
        ]
    );
    assert!(verdict.limits.values().all(|o| *o == Outcome::Meets));
    assert!(verdict.risk.unwrap() < 1e-6);
    assert_eq!(judge(&sound(), &loaded(limits()), None).signs, Vec::new());
}

/// Findings changed in one place, the grade that must come out, and words that a reason must hold.
#[test]
fn each_shortcoming_leads_to_its_grade_and_is_named() {
    type Change = fn(&mut Findings);
    let table: &[(&str, Change, Grade, &str)] = &[
        (
            "a broken limit that no fitter can work round scraps",
            |f| f.put(ResultName::DropV, number(ResultName::DropV, 0.9, 0.01)),
            Grade::Scrap,
            "voltage lost in the module flat out: 900 mV breaks the limit, at most 400 mV",
        ),
        (
            "a limit too close for the uncertainty is open and leaves it undecided",
            |f| f.put(ResultName::DropV, number(ResultName::DropV, 0.39, 0.02)),
            Grade::Undecided,
            "too close to the limit",
        ),
        (
            "an absent result is open, with its reason",
            |f| {
                f.results.remove(&ResultName::DropV);
                f.miss(ResultName::DropV, "no output channel");
            },
            Grade::Undecided,
            "not measured, no output channel",
        ),
        (
            "a bound is open however small it is",
            |f| {
                let bound = Measured {
                    interval: Some([None, Some(0.1)]),
                    ..number(ResultName::DropV, 0.1, 0.01).noted("below 0.1 V")
                };
                f.put(ResultName::DropV, bound);
            },
            Grade::Undecided,
            "only a bound is known, below 0.1 V",
        ),
        (
            "a stand-in is open",
            |f| f.put(ResultName::Ramp1090S, number(ResultName::Ramp1090S, 2.4, 0.02).proxy("from speed")),
            Grade::Undecided,
            "stand-in",
        ),
        (
            "a forbidden word scraps",
            |f| f.put(ResultName::LossOpen, Measured::word(ResultName::LossOpen, "full", "watched", 1)),
            Grade::Scrap,
            "what an open line does: full breaks the limit, one of stops, holds",
        ),
        (
            "a sleep current that could not be measured restricts to a switched feed",
            |f| {
                f.results.remove(&ResultName::SleepA);
                f.miss(ResultName::SleepA, "no low current range");
            },
            Grade::Restricted,
            "fit only on a feed that is off with the ignition",
        ),
        (
            "sleep lost restricts and is named",
            |f| f.put(ResultName::SleepA, number(ResultName::SleepA, 14e-3, 1e-4)),
            Grade::Restricted,
            "sleep lost: still 14.0 mA",
        ),
        (
            "a late start is kept by the duty table",
            |f| f.put(ResultName::StartDuty95Pct, number(ResultName::StartDuty95Pct, 27.0, 0.2)),
            Grade::Restricted,
            "begin the duty table at 27.4 % or above",
        ),
        (
            "a start too uncertain to lay a table by gives no bound",
            |f| f.put(ResultName::StartDuty95Pct, number(ResultName::StartDuty95Pct, 27.0, 160.0)),
            Grade::Undecided,
            "too close to the limit for its uncertainty, accepted nowhere",
        ),
        (
            "lost soft start scraps and is named",
            |f| {
                f.put(ResultName::Ramp1090S, number(ResultName::Ramp1090S, 0.004, 0.0005));
                f.put(ResultName::SoftStartShare, number(ResultName::SoftStartShare, 0.01, 0.03));
            },
            Grade::Scrap,
            "soft start lost",
        ),
        (
            "a strong sign scraps although no limit speaks of it",
            |f| f.put(ResultName::CapacitanceF, number(ResultName::CapacitanceF, 0.5e-3, 1e-5)),
            Grade::Scrap,
            "dried capacitor",
        ),
        (
            "a suspicion bars fit",
            |f| f.put(ResultName::CapacitanceF, number(ResultName::CapacitanceF, 1.6e-3, 1e-5)),
            Grade::Undecided,
            "suspected dried capacitor",
        ),
    ];
    for (rule, change, grade, words) in table {
        let mut findings = sound();
        change(&mut findings);
        let verdict = graded(&findings, &loaded(limits()));
        assert_eq!(verdict.grade, *grade, "{rule}: {:?}", verdict.reasons);
        assert!(verdict.reasons.iter().any(|r| r.contains(words)), "{rule}: {:?}", verdict.reasons);
    }
}

#[test]
fn an_open_limit_never_grades_fit() {
    for (name, _) in limits() {
        let mut findings = sound();
        findings.results.remove(&name);
        let verdict = graded(&findings, &loaded(limits()));
        assert!(verdict.grade < Grade::Fit, "{name}");
        assert_eq!(verdict.limits[&name], Outcome::Open);
        assert!(verdict.reasons.iter().any(|r| r.contains(name.words())), "{name}: {:?}", verdict.reasons);
    }
}

#[test]
fn what_a_worn_load_fan_spoils_is_not_the_units_fault() {
    let with_fan = |milliohm: f64, spoilt: ResultName, value: f64| {
        let mut findings = sound();
        findings.fan_resistance_ohm = Some(Fitted { value: 1e-3 * milliohm, u: 0.002 });
        findings.put(spoilt, number(spoilt, value, 0.01 * value));
        let rec = Made::new()
            .with(|rec| {
                rec.header.plan_facts.limits = limits().into_iter().collect();
                rec.header.bench.supply_ohm = Some(0.012);
                rec.header.bench.locked_rotor_a = Some(90.0);
            })
            .zero(1.0)
            .pulses(50.0, 20.0, 8.0)
            .pulses(95.0, 120.0, 25.0)
            .done();
        graded(&findings, &rec)
    };
    // It starts late because the fan sticks: nothing to lay a duty table by.
    let worn = with_fan(190.0, ResultName::StartDuty95Pct, 55.0);
    assert_eq!(worn.grade, Grade::Undecided);
    assert!(worn.reasons.iter().any(|why| why.contains("mend it first")), "{:?}", worn.reasons);
    assert_eq!(with_fan(132.0, ResultName::StartDuty95Pct, 55.0).grade, Grade::Restricted);
    // What the module itself loses stays its own.
    assert_eq!(with_fan(190.0, ResultName::DropV, 0.9).grade, Grade::Scrap);
}

#[test]
fn a_stop_by_the_unit_is_a_sign_and_scrap() {
    let rec = Made::new().zero(1.0).pulses(50.0, 5.0, 8.0).trip("off_current", "31 A at off", StoppedBy::Unit).done();
    let judged = judge(&Findings::default(), &rec, Some(&stop(StoppedBy::Unit)));
    let verdict = judged.verdict.unwrap();
    assert_eq!(verdict.grade, Grade::Scrap);
    assert_eq!(verdict.reasons[0], "switch shorted, the unit ended the run itself: 31 A while off was commanded");
    assert_eq!(judged.signs[0].fault, fault::SWITCH_SHORTED);
}

#[test]
fn a_stop_by_rig_record_host_or_operator_gives_no_verdict() {
    for by in [StoppedBy::Rig, StoppedBy::Record, StoppedBy::Host, StoppedBy::Operator] {
        let judged = judge(&sound(), &loaded(limits()), Some(&stop(by)));
        assert_eq!(judged.verdict, None, "{by:?}");
        assert_eq!(judged.signs, Vec::new(), "{by:?}");
    }
}

#[test]
fn a_trace_without_plan_or_without_rig_has_no_verdict() {
    let mut rec = loaded(limits());
    rec.header.plan = None;
    assert_eq!(judge(&sound(), &rec, None).verdict, None);
    let mut rec = loaded(limits());
    rec.header.rig = None;
    assert_eq!(judge(&sound(), &rec, None).verdict, None);
}

#[test]
fn a_plan_without_limits_decides_nothing_and_states_no_risk() {
    let verdict = graded(&sound(), &loaded(Vec::new()));
    assert_eq!((verdict.grade, verdict.risk), (Grade::Undecided, None));
    assert!(verdict.reasons[0].contains("no limits"));
}

#[test]
fn a_unit_never_seen_under_load_is_not_fit() {
    let rec = Made::new().with(|rec| rec.header.plan_facts.limits = limits().into_iter().collect()).zero(1.0).done();
    let verdict = graded(&sound(), &rec);
    assert_eq!(verdict.grade, Grade::Undecided);
    assert!(verdict.reasons[0].contains("never seen to carry a load"));
}

fn silent(kind: &str) -> (Findings, Recording) {
    let mut findings = Findings::default();
    let cap = ResultName::CapacitanceF;
    findings.put(cap, number(cap, 3e-3, 1e-5));
    findings.put(ResultName::LineKind, Measured::word(ResultName::LineKind, kind, "two loads", 2));
    let mut made = Made::new()
        .with(|rec| rec.header.plan_facts.limits = limits().into_iter().collect())
        .zero(1.0)
        .line(Line::Open, 0.5, 0.02, 12.6)
        .line(Line::Low, 0.5, 0.02, 0.3);
    for hz in [100.0, 200.0, 20.0] {
        let setting = crate::bench::Setting { frequency: Hertz(hz), ..pulses(50.0) };
        made = made.held(SpanKind::Probe, setting, 2.0, |channel, _| match channel {
            Channel::SupplyV => Some(13.0),
            Channel::SupplyA => Some(0.03),
            Channel::OutputV => Some(0.0),
            _ => None,
        });
    }
    (findings, made.done())
}

#[test]
fn nothing_answered_is_undecided_unless_the_whole_chain_is_proven() {
    let (findings, rec) = silent("unknown");
    let verdict = graded(&findings, &rec);
    assert_eq!(verdict.grade, Grade::Undecided);
    assert_eq!(verdict.reasons[0], NOTHING_ANSWERED);
    assert!(verdict.reasons[1].contains("no pull-up"), "{:?}", verdict.reasons);
}

#[test]
fn nothing_answered_with_power_wiring_and_self_check_proven_is_scrap() {
    let (findings, rec) = silent("open_collector");
    let judged = judge(&findings, &rec, None);
    assert_eq!(judged.verdict.unwrap().grade, Grade::Scrap);
    assert_eq!(judged.signs[0].fault, fault::SWITCH_OPEN);
}

#[test]
fn a_can_module_is_not_called_dead() {
    let (findings, rec) = silent("can_like");
    let verdict = graded(&findings, &rec);
    assert_eq!(verdict.grade, Grade::Undecided);
    assert!(verdict.reasons[1].contains("CAN"), "{:?}", verdict.reasons);
}

#[test]
fn the_risk_of_a_fit_unit_grows_as_a_result_nears_its_limit() {
    let risk = |drop_v: f64| {
        let mut findings = sound();
        findings.put(ResultName::DropV, number(ResultName::DropV, drop_v, 0.01));
        graded(&findings, &loaded(limits())).risk.unwrap()
    };
    assert!(risk(0.2) < risk(0.37) && risk(0.37) < risk(0.38) && risk(0.38) < 0.01);
}
