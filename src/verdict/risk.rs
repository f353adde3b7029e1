//! Probability that a unit breaks any limit of its plan, given what was measured of it.
//!
//! Bayes' rule with the measurement as evidence (JCGM 106, 6.2 and 9.3, the specific risk). For one limit let `p` be the
//! share of a normal density around the value with the result's standard uncertainty that lies outside the limit. With
//! `q` the prior share of units that break this limit, and broken units spread about as widely in the quantity as good
//! ones (so that the two likelihoods are in the ratio `p : 1 - p`), the posterior odds are
//!
//! ```text
//! odds(broken) = q / (1 - q)  x  p / (1 - p)
//! ```
//!
//! The plan states the share `Q` of units that break ANY limit; over `m` limits taken as independent each gets
//! `q = 1 - (1 - Q)^(1/m)`. A limit of which nothing is known (absent, bound, proxy) keeps its prior. Words carry no
//! uncertainty: one that is allowed counts as kept, one that is not as broken. The limits combine as independent,
//! `1 - product(1 - posterior)`: correlated limits make that too large rather than too small.

use statrs::distribution::{ContinuousCDF, Normal};

use crate::record::event::{LimitFacts, PlanFacts};
use crate::results::{Findings, Measured, Outcome};
use crate::verdict::limits::outcome;

/// Probability, 0 to 1, that the unit breaks any limit of `plan`; `None` when the plan limits nothing.
#[must_use]
pub fn risk(plan: &PlanFacts, findings: &Findings) -> Option<f64> {
    if plan.limits.is_empty() {
        return None;
    }
    #[expect(clippy::cast_precision_loss, reason = "a plan has some dozen limits")]
    let count = plan.limits.len() as f64;
    let prior_any = plan.prior_bad.clamp(0.0, 1.0);
    let prior = 1.0 - (1.0 - prior_any).powf(1.0 / count);
    let kept = plan
        .limits
        .iter()
        .map(|(name, limit)| 1.0 - posterior(prior, limit, findings.results.get(name)))
        .product::<f64>();
    Some(1.0 - kept)
}

/// Probability that one limit is broken.
fn posterior(prior: f64, limit: &LimitFacts, measured: Option<&Measured>) -> f64 {
    let Some(measured) = measured.filter(|m| !m.is_bound() && !m.is_proxy()) else { return prior };
    match (measured.as_number(), measured.u) {
        (Some(value), Some(u)) if value.is_finite() && u.is_finite() => bayes(prior, share_outside(limit, value, u)),
        (Some(_), _) => prior,
        // A word is judged without a guard band.
        (None, _) => match outcome(limit, Some(measured), 0.5) {
            Outcome::Meets => 0.0,
            Outcome::Fails => 1.0,
            Outcome::Open => prior,
        },
    }
}

/// Posterior of `broken` from its prior and the share `p` of the density outside the limit.
fn bayes(prior: f64, p: f64) -> f64 {
    let (broken, good) = (prior * p, (1.0 - prior) * (1.0 - p));
    if broken + good > 0.0 { broken / (broken + good) } else { p }
}

/// Share of the normal density `value`, `u` that lies outside the limit.
fn share_outside(limit: &LimitFacts, value: f64, u: f64) -> f64 {
    let below = |edge: f64| match Normal::new(value, u) {
        Ok(normal) => normal.cdf(edge),
        // No spread at all: a step at the value.
        Err(_) => f64::from(u8::from(value < edge)),
    };
    let under = limit.min.map_or(0.0, below);
    let over = limit.max.map_or(0.0, |max| 1.0 - below(max));
    // With no spread a value exactly on its upper edge is inside.
    let over = if limit.max.is_some_and(|max| u <= 0.0 && value <= max) { 0.0 } else { over };
    (under + over).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::{Contribution, ResultName};

    fn plan(limits: &[(ResultName, LimitFacts)], prior_bad: f64) -> PlanFacts {
        PlanFacts { limits: limits.iter().cloned().collect(), prior_bad, ..PlanFacts::default() }
    }

    fn found(name: ResultName, value: f64, u: f64) -> Findings {
        let mut findings = Findings::default();
        findings.put(name, Measured::number(name, value, 1.96, vec![Contribution::random("spread", u)], "test", 3));
        findings
    }

    fn at_most(max: f64) -> LimitFacts {
        LimitFacts { max: Some(max), ..LimitFacts::default() }
    }

    #[test]
    fn nothing_limited_has_no_risk_to_state() {
        assert_eq!(risk(&plan(&[], 0.2), &Findings::default()), None);
    }

    #[test]
    fn with_an_even_prior_one_limit_gives_the_share_of_the_density_outside() {
        // Two standard uncertainties below the limit: 2.275 % of a normal density lies beyond.
        let name = ResultName::DropV;
        let stated = risk(&plan(&[(name, at_most(1.0))], 0.5), &found(name, 0.8, 0.1)).unwrap();
        assert!((stated - 0.022_75).abs() < 1e-5, "{stated}");
    }

    #[test]
    fn a_low_prior_lowers_the_risk_by_its_odds() {
        let name = ResultName::DropV;
        let stated = risk(&plan(&[(name, at_most(1.0))], 0.1), &found(name, 0.8, 0.1)).unwrap();
        let odds = 0.022_75 / 0.977_25 / 9.0;
        assert!((stated - odds / (1.0 + odds)).abs() < 1e-6, "{stated}");
    }

    #[test]
    fn a_limit_of_which_nothing_is_known_keeps_its_prior() {
        let stated = risk(&plan(&[(ResultName::DropV, at_most(1.0))], 0.2), &Findings::default()).unwrap();
        assert!((stated - 0.2).abs() < 1e-12);
        let two = plan(&[(ResultName::DropV, at_most(1.0)), (ResultName::SleepA, at_most(1.0))], 0.2);
        assert!((risk(&two, &Findings::default()).unwrap() - 0.2).abs() < 1e-12);
    }

    #[test]
    fn a_forbidden_word_is_certain_and_an_allowed_one_adds_nothing() {
        let limit = LimitFacts { one_of: vec!["stops".to_owned()], ..LimitFacts::default() };
        let plan = plan(&[(ResultName::LossOpen, limit)], 0.2);
        let mut findings = Findings::default();
        findings.put(ResultName::LossOpen, Measured::word(ResultName::LossOpen, "full", "watched", 1));
        assert_eq!(risk(&plan, &findings), Some(1.0));
        findings.put(ResultName::LossOpen, Measured::word(ResultName::LossOpen, "stops", "watched", 1));
        assert_eq!(risk(&plan, &findings), Some(0.0));
    }

    #[test]
    fn no_spread_is_a_step() {
        let name = ResultName::DropV;
        assert_eq!(risk(&plan(&[(name, at_most(1.0))], 0.5), &found(name, 1.0, 0.0)), Some(0.0));
        assert_eq!(risk(&plan(&[(name, at_most(1.0))], 0.5), &found(name, 1.1, 0.0)), Some(1.0));
    }
}
