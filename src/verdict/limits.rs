//! Outcome of one limit: what was measured, the limit and the risk in, `meets`, `fails` or `open` out.
//!
//! The guard band of the decision rule lies on both sides of a limit (JCGM 106, 8.3): a value meets a limit only from
//! the guard band inwards, and breaks it only from the guard band outwards, so that neither a bad unit is passed nor a good
//! one scrapped with more than the risk. Everything between is `open`.

use std::collections::BTreeMap;

use crate::record::event::LimitFacts;
use crate::record::recording::Recording;
use crate::results::{Decision, Findings, Guard, Measured, Outcome, ResultName, Value};
use crate::units::{for_people, significant};
use crate::verdict::rule::{self, Reach};

/// Outcome of `limit` for what was measured, `None` when the result is absent, at the one-sided risk `risk`.
///
/// Absent, a bound (an open end of the interval), a proxy, or a number without uncertainty is [`Outcome::Open`]: none
/// of them says where the quantity lies. A word is looked up in `one_of`; the words `unknown` and `other` outside
/// that list are no statement about the unit and stay open too.
#[must_use]
pub fn outcome(limit: &LimitFacts, measured: Option<&Measured>, risk: f64) -> Outcome {
    let Some(measured) = measured.filter(|m| !m.is_bound() && !m.is_proxy()) else { return Outcome::Open };
    match &measured.value {
        Value::Word(word) => word_outcome(limit, word),
        Value::Number(value) => number_outcome(limit, *value, rule::reach(measured, risk)),
    }
}

/// How a limit on a number is judged, whatever comes out; `None` for words and for numbers that say nothing.
#[must_use]
pub(super) fn decision(limit: &LimitFacts, measured: &Measured, look: u32, risk: f64) -> Option<Decision> {
    let [below, above] = rule::reach(measured, risk).filter(|_| !measured.is_proxy())?;
    let guard = |limit: f64, reach: Reach, inwards: f64| Guard {
        limit,
        expanded_u: reach.expanded_u,
        r: reach.r,
        guard_band: reach.guard_band(),
        accepted: limit + inwards * reach.guard_band(),
    };
    let (min, max) = (limit.min.map(|min| guard(min, below, 1.0)), limit.max.map(|max| guard(max, above, -1.0)));
    (min.is_some() || max.is_some()).then_some(Decision { look, risk, min, max })
}

/// Outcomes of all limits of the plan, each at the look the record is at, and how the numbers among them were judged.
pub(super) fn outcomes(
    rec: &Recording,
    findings: &Findings,
) -> (BTreeMap<ResultName, Outcome>, BTreeMap<ResultName, Decision>) {
    let plan = &rec.header.plan_facts;
    let accepted = rule::accepted(plan);
    let (mut outcomes, mut decisions) = (BTreeMap::new(), BTreeMap::new());
    for (name, limit) in &plan.limits {
        let look = rule::look(rec, *name);
        let risk = rule::spent(accepted, look, plan.risk.looks);
        let measured = findings.results.get(name);
        outcomes.insert(*name, outcome(limit, measured, risk));
        if let Some(decision) = measured.and_then(|m| decision(limit, m, look, risk)) {
            decisions.insert(*name, decision);
        }
    }
    (outcomes, decisions)
}

fn word_outcome(limit: &LimitFacts, word: &str) -> Outcome {
    if limit.one_of.is_empty() {
        // A range asked of a category: the plan's parser refuses it, a hand-made record may still hold it.
        Outcome::Open
    } else if limit.one_of.iter().any(|allowed| allowed == word) {
        Outcome::Meets
    } else if matches!(word, "unknown" | "other") {
        Outcome::Open
    } else {
        Outcome::Fails
    }
}

fn number_outcome(limit: &LimitFacts, value: f64, reach: Option<[Reach; 2]>) -> Outcome {
    let Some([below, above]) = reach.map(|sides| sides.map(Reach::guard_band)) else { return Outcome::Open };
    if limit.min.is_none() && limit.max.is_none() {
        return Outcome::Open;
    }
    let (min, max) = (limit.min.unwrap_or(f64::NEG_INFINITY), limit.max.unwrap_or(f64::INFINITY));
    let (low, high) = (value - below, value + above);
    if high < min || low > max {
        Outcome::Fails
    } else if low >= min && high <= max {
        Outcome::Meets
    } else {
        Outcome::Open
    }
}

/// The limit in words: `at most 2 mA`, `0.5 to 10 s`, `one of stops, holds`.
#[must_use]
pub(crate) fn words(limit: &LimitFacts, unit: &str) -> String {
    let (factor, unit) = for_people(unit, limit.max.or(limit.min).unwrap_or(0.0));
    let number = |value: f64| significant(value * factor, 6);
    let text = match (limit.min, limit.max) {
        (Some(min), Some(max)) => format!("{} to {} {unit}", number(min), number(max)),
        (Some(min), None) => format!("at least {} {unit}", number(min)),
        (None, Some(max)) => format!("at most {} {unit}", number(max)),
        (None, None) if limit.one_of.is_empty() => "no limit set".to_owned(),
        (None, None) => format!("one of {}", limit.one_of.join(", ")),
    };
    text.trim_end().to_owned()
}

/// The acceptance limit in words: `accepted up to 0.389 V`, `accepted from 0.43 s to 9.8 s`, with the look when it is not
/// the first.
#[must_use]
pub(crate) fn accepted_words(name: ResultName, decision: &Decision) -> String {
    let of = |guard: Option<Guard>| guard.map(|guard| (guard.accepted, guard.limit));
    let (min, max) = (of(decision.min), of(decision.max));
    let largest = [min, max].into_iter().flatten().map(|(_, limit)| limit.abs()).fold(0.0, f64::max);
    let (factor, unit) = for_people(name.unit(), largest);
    let shown = |value: f64| format!("{} {unit}", significant(value * factor, 4)).trim_end().to_owned();
    let text = match (min, max) {
        (Some((min, _)), Some((max, _))) if min > max => {
            "accepted nowhere: the range is narrower than the guard bands".to_owned()
        }
        (Some((min, _)), Some((max, _))) => format!("accepted from {} to {}", shown(min), shown(max)),
        // No reading of a duty, a time or a current is that low.
        (None, Some((max, limit))) if limit > 0.0 && max <= 0.0 => {
            "accepted nowhere: the guard band is wider than all below the limit".to_owned()
        }
        (Some((min, _)), None) => format!("accepted from {}", shown(min)),
        (None, Some((max, _))) => format!("accepted up to {}", shown(max)),
        (None, None) => String::new(),
    };
    if decision.look > 1 { format!("{text} at look {}", decision.look) } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::Contribution;

    fn number(value: f64, u: f64) -> Measured {
        Measured::number(ResultName::SleepA, value, 2.0, vec![Contribution::random("spread", u)], "test", 5)
    }

    fn range(min: Option<f64>, max: Option<f64>) -> LimitFacts {
        LimitFacts { min, max, one_of: Vec::new() }
    }

    fn words_allowed(words: &[&str]) -> LimitFacts {
        LimitFacts { one_of: words.iter().map(|w| (*w).to_owned()).collect(), ..LimitFacts::default() }
    }

    #[test]
    fn a_number_meets_or_fails_only_with_its_whole_interval() {
        let table = [
            (range(None, Some(10.0)), 8.0, 1.0, Outcome::Meets),
            (range(None, Some(10.0)), 9.0, 1.0, Outcome::Open),
            (range(None, Some(10.0)), 11.0, 1.0, Outcome::Open),
            (range(None, Some(10.0)), 12.1, 1.0, Outcome::Fails),
            (range(Some(5.0), None), 8.0, 1.0, Outcome::Meets),
            (range(Some(5.0), None), 6.0, 1.0, Outcome::Open),
            (range(Some(5.0), None), 2.9, 1.0, Outcome::Fails),
            (range(Some(5.0), Some(10.0)), 7.5, 1.0, Outcome::Meets),
            (range(Some(5.0), Some(10.0)), 7.5, 2.0, Outcome::Open),
            (range(Some(5.0), Some(10.0)), 1.0, 1.0, Outcome::Fails),
            (range(None, None), 1.0, 1.0, Outcome::Open),
            (range(None, Some(10.0)), f64::NAN, 1.0, Outcome::Open),
        ];
        for (limit, value, u, expect) in table {
            assert_eq!(outcome(&limit, Some(&number(value, u)), 0.025), expect, "{limit:?} {value} ± 2 x {u}");
        }
    }

    #[test]
    fn absent_bound_proxy_and_no_uncertainty_are_open_however_good_the_number_looks() {
        let limit = range(None, Some(10.0));
        assert_eq!(outcome(&limit, None, 0.025), Outcome::Open);
        let bound = Measured { interval: Some([None, Some(2.0)]), ..number(1.0, 0.1) };
        assert_eq!(outcome(&limit, Some(&bound), 0.025), Outcome::Open);
        assert_eq!(outcome(&limit, Some(&number(1.0, 0.1).proxy("from the current")), 0.025), Outcome::Open);
        let bare = Measured { u: None, interval: None, ..number(1.0, 0.1) };
        assert_eq!(outcome(&limit, Some(&bare), 0.025), Outcome::Open);
    }

    #[test]
    fn a_word_must_be_one_of_those_allowed() {
        let table = [
            (words_allowed(&["stops", "holds"]), "stops", Outcome::Meets),
            (words_allowed(&["stops", "holds"]), "full", Outcome::Fails),
            (words_allowed(&["stops"]), "other", Outcome::Open),
            (words_allowed(&["stops", "other"]), "other", Outcome::Meets),
            (words_allowed(&["open_collector"]), "unknown", Outcome::Open),
            (range(None, Some(1.0)), "stops", Outcome::Open),
        ];
        for (limit, word, expect) in table {
            let measured = Measured::word(ResultName::LossOpen, word, "watched", 1);
            assert_eq!(outcome(&limit, Some(&measured), 0.025), expect, "{limit:?} {word}");
        }
    }

    #[test]
    fn a_limit_reads_as_plain_words() {
        assert_eq!(words(&range(None, Some(0.002)), "A"), "at most 2 mA");
        assert_eq!(words(&range(Some(0.5), Some(10.0)), "s"), "0.5 to 10 s");
        assert_eq!(words(&words_allowed(&["stops", "holds"]), ""), "one of stops, holds");
    }
}
