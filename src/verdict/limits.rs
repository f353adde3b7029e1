//! Outcome of one limit: value, interval and limit in, `meets`, `fails` or `open` out.
//!
//! The 95 % interval of the result is the guard band on both sides of a limit (JCGM 106, 8.3): a result meets a limit
//! only with its whole interval, and breaks it only with its whole interval. Everything between is `open`.

use std::collections::BTreeMap;

use crate::record::event::LimitFacts;
use crate::results::{Findings, Measured, Outcome, ResultName, Value};
use crate::units::{for_people, significant};

/// Outcome of `limit` for what was measured, `None` when the result is absent.
///
/// Absent, a bound (an open end of the interval), a proxy, or a number without uncertainty is [`Outcome::Open`]: none
/// of them says where the quantity lies. A word is looked up in `one_of`; the words `unknown` and `other` outside
/// that list are no statement about the unit and stay open too.
#[must_use]
pub fn outcome(limit: &LimitFacts, measured: Option<&Measured>) -> Outcome {
    let Some(measured) = measured.filter(|m| !m.is_bound() && !m.is_proxy()) else { return Outcome::Open };
    match &measured.value {
        Value::Word(word) => word_outcome(limit, word),
        Value::Number(value) => number_outcome(limit, *value, measured.interval),
    }
}

/// Outcomes of all limits of the plan.
pub(super) fn outcomes(
    limits: &BTreeMap<ResultName, LimitFacts>,
    findings: &Findings,
) -> BTreeMap<ResultName, Outcome> {
    limits.iter().map(|(name, limit)| (*name, outcome(limit, findings.results.get(name)))).collect()
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

fn number_outcome(limit: &LimitFacts, value: f64, interval: Option<[Option<f64>; 2]>) -> Outcome {
    let Some([Some(low), Some(high)]) = interval else { return Outcome::Open };
    if !(value.is_finite() && low.is_finite() && high.is_finite()) || (limit.min.is_none() && limit.max.is_none()) {
        return Outcome::Open;
    }
    let (min, max) = (limit.min.unwrap_or(f64::NEG_INFINITY), limit.max.unwrap_or(f64::INFINITY));
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
            assert_eq!(outcome(&limit, Some(&number(value, u))), expect, "{limit:?} {value} ± 2 x {u}");
        }
    }

    #[test]
    fn absent_bound_proxy_and_no_uncertainty_are_open_however_good_the_number_looks() {
        let limit = range(None, Some(10.0));
        assert_eq!(outcome(&limit, None), Outcome::Open);
        let bound = Measured { interval: Some([None, Some(2.0)]), ..number(1.0, 0.1) };
        assert_eq!(outcome(&limit, Some(&bound)), Outcome::Open);
        assert_eq!(outcome(&limit, Some(&number(1.0, 0.1).proxy("from the current"))), Outcome::Open);
        let bare = Measured { u: None, interval: None, ..number(1.0, 0.1) };
        assert_eq!(outcome(&limit, Some(&bare)), Outcome::Open);
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
            assert_eq!(outcome(&limit, Some(&measured)), expect, "{limit:?} {word}");
        }
    }

    #[test]
    fn a_limit_reads_as_plain_words() {
        assert_eq!(words(&range(None, Some(0.002)), "A"), "at most 2 mA");
        assert_eq!(words(&range(Some(0.5), Some(10.0)), "s"), "0.5 to 10 s");
        assert_eq!(words(&words_allowed(&["stops", "holds"]), ""), "one of stops, holds");
    }
}
