//! The decision rule: from the risk that the plan accepts to the guard band of one result (JCGM 106, 8.3).
//!
//! A unit whose true value lies beyond a limit is passed only when the measured value is off by more than the guard band,
//! so a guard band as wide as the one-sided quantile of the measurement's error bounds the chance of it, whatever units
//! come in: at most `a` for a unit right at the limit, less further out. With nothing known beforehand `a` is at the same
//! time the probability that a unit measured right at the acceptance limit is a bad one (the specific consumer's risk).
//!
//! A risk stated for all units that come (global) is larger than what gets through of the bad ones by their prior share
//! `Q`: P(bad and passed) = Q P(passed | bad), so `a = accepted / Q`, whatever the distribution of the units.
//!
//! A unit that breaks any limit is passed only if that one limit is judged met: `a` per limit bounds it for the unit, too.
//!
//! Over `K` looks at a limit the risk is spent: half of it at the first, half of what is left at each later one, all that is left
//! at the last. The parts add up to `a`, so that the chance of passing at any look is at most `a`, however much the looks
//! have in common (Bonferroni) and whenever looking ends.

use statrs::distribution::{ContinuousCDF, Normal};

use crate::analysis::signal::stats;
use crate::record::event::{Event, PlanFacts};
use crate::record::recording::Recording;
use crate::results::{Measured, ResultName, RiskKind};

/// Most of the bad units that a guard band ever lets through, however rare they are.
const MOST_THROUGH: f64 = 0.2;
/// One-sided risk at which the stated 95 % interval ends.
const STATED: f64 = 0.025;

/// Share of the units right at a limit that may be called to meet it over all looks.
#[must_use]
pub(crate) fn accepted(plan: &PlanFacts) -> f64 {
    let rule = plan.risk;
    let through = match rule.kind {
        RiskKind::Specific => rule.accepted,
        RiskKind::Global => rule.accepted / plan.prior_bad.max(1e-6),
    };
    through.clamp(1e-6, MOST_THROUGH)
}

/// Part of that risk spent on look `look` (from 1) of at most `looks`.
#[must_use]
pub(crate) fn spent(accepted: f64, look: u32, looks: u32) -> f64 {
    let (look, looks) = (look.max(1), looks.max(1));
    // What a record holds beyond its plan's looks is judged as the last one.
    let halvings = if look < looks { look } else { looks - 1 };
    accepted * 0.5_f64.powi(i32::try_from(halvings).unwrap_or(i32::MAX))
}

/// Which look at the limit on `name` the record is at: one more than it was looked at again.
#[must_use]
pub(crate) fn look(rec: &Recording, name: ResultName) -> u32 {
    let again = rec.events.iter().filter(|line| match &line.event {
        Event::Look { limits, .. } => limits.contains_key(&name),
        _ => false,
    });
    1 + u32::try_from(again.count()).unwrap_or(u32::MAX - 1)
}

/// Reach of a measured number to one side of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Reach {
    /// Half the 95 % interval on that side.
    pub(crate) expanded_u: f64,
    /// Guard band over that.
    pub(crate) r: f64,
}

impl Reach {
    /// The guard band.
    pub(crate) fn guard_band(self) -> f64 {
        self.r * self.expanded_u
    }
}

/// Reach of `measured` downwards and upwards at the one-sided risk `risk`; `None` without a closed, finite interval.
pub(crate) fn reach(measured: &Measured, risk: f64) -> Option<[Reach; 2]> {
    let (value, [low, high]) = (measured.as_number()?, measured.interval?);
    let (low, high) = (low?, high?);
    let finite = value.is_finite() && low.is_finite() && high.is_finite();
    let one = |half: f64| Reach { expanded_u: half.max(0.0), r: factor(half, measured.u, risk) };
    finite.then(|| [one(value - low), one(high - value)])
}

/// Guard band over half the 95 % interval: the ratio of the quantiles of the distribution that the interval was taken from.
///
/// Half interval over standard uncertainty is its coverage factor, which tells the degrees of freedom of a Student
/// distribution. One below 1.96 belongs to a bracket, outside which nothing is expected: never taken closer than it is.
fn factor(half: f64, u: Option<f64>, risk: f64) -> f64 {
    let normal = |p: f64| Normal::standard().inverse_cdf(p);
    let plain = normal(1.0 - risk) / normal(1.0 - STATED);
    let Some(k) = u.filter(|u| *u > 0.0 && half > 0.0).map(|u| half / u) else { return plain };
    if k < 0.999 * normal(1.0 - STATED) {
        return plain.max(1.0);
    }
    match freedom(k) {
        Some(dof) => stats::student(1.0 - risk, dof) / stats::student(1.0 - STATED, dof),
        None => plain,
    }
}

/// Degrees of freedom whose coverage factor at 95 % is `k`; `None` for so many that it is the normal one.
fn freedom(k: f64) -> Option<f64> {
    let (mut few, mut many) = (1.0, 200.0);
    if k <= stats::k95(many) {
        return None;
    }
    for _ in 0..24 {
        let middle: f64 = 0.5 * (few + many);
        if stats::k95(middle) > k { few = middle } else { many = middle }
    }
    Some(0.5 * (few + many))
}

#[cfg(test)]
#[path = "rule_tests.rs"]
mod tests;
