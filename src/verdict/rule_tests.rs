//! The decision rule: its guard bands against tables, and the risk it promises against simulated measurements.

use proptest::prelude::*;
use rand::SeedableRng;
use rand_distr::{ChiSquared, Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;
use statrs::distribution::{Binomial, DiscreteCDF};

use super::*;
use crate::record::event::LimitFacts;
use crate::results::{Contribution, Outcome, RiskRule, Value};
use crate::verdict::limits::outcome;

const NAME: ResultName = ResultName::DropV;

fn number(value: f64, k: f64, parts: Vec<Contribution>) -> Measured {
    Measured::number(NAME, value, k, parts, "test", 5)
}

fn plan(kind: RiskKind, accepted: f64, prior_bad: f64) -> PlanFacts {
    PlanFacts { risk: RiskRule { kind, accepted, looks: 3 }, prior_bad, ..PlanFacts::default() }
}

fn range(min: Option<f64>, max: Option<f64>) -> LimitFacts {
    LimitFacts { min, max, one_of: Vec::new() }
}

/// More successes than this in `n` tries at probability `p` come about by chance once in a thousand times.
fn most(n: u64, p: f64) -> u64 {
    Binomial::new(p, n).map_or(n, |binomial| binomial.inverse_cdf(0.999))
}

#[test]
fn the_guard_band_is_the_quantile_of_the_risk() {
    // JCGM 106, table 1 and 9.3.3: one-sided 5 % is 1.645 u, 2.5 % 1.96 u; 1 % is 2.326 u.
    for (risk, z) in [(0.05, 1.6449), (0.025, 1.96), (0.0125, 2.2414), (0.01, 2.3263)] {
        let [below, above] = reach(&number(1.0, 1.959_964, vec![Contribution::random("spread", 0.1)]), risk).unwrap();
        assert!((above.guard_band() - 0.1 * z).abs() < 1e-4, "{risk}: {above:?}");
        assert!((below.guard_band() - above.guard_band()).abs() < 1e-12);
        assert!((above.r - z / 1.96).abs() < 1e-4, "{above:?}");
    }
}

#[test]
fn few_readings_widen_it_by_their_own_distribution() {
    // Student with 4 degrees of freedom: 2.776 at 2.5 %, 3.747 at 1 %, one-sided.
    let [_, above] = reach(&number(1.0, 2.7764, vec![Contribution::random("spread", 0.1)]), 0.01).unwrap();
    assert!((above.guard_band() - 0.3747).abs() < 2e-4, "{above:?}");
}

#[test]
fn a_bracket_is_never_taken_closer_than_it_is() {
    let mut bracket = number(10.0, 1.96, vec![Contribution::random("bracket width", 1.0 / 12.0_f64.sqrt())]);
    bracket.interval = Some([Some(9.5), Some(10.5)]);
    let [below, _] = reach(&bracket, 0.1).unwrap();
    assert!((below.guard_band() - 0.5).abs() < 1e-12, "{below:?}");
    let [below, _] = reach(&bracket, 0.01).unwrap();
    assert!(below.guard_band() > 0.5);
}

#[test]
fn no_closed_interval_has_no_reach() {
    let open = Measured { interval: Some([None, Some(2.0)]), ..number(1.0, 2.0, Vec::new()) };
    assert_eq!(reach(&open, 0.025), None);
    assert_eq!(reach(&Measured { interval: None, ..open.clone() }, 0.025), None);
    assert_eq!(reach(&Measured { value: Value::Number(f64::NAN), ..number(1.0, 2.0, Vec::new()) }, 0.025), None);
}

#[test]
fn a_global_risk_is_that_of_bad_units_times_their_share() {
    assert!((accepted(&plan(RiskKind::Specific, 0.025, 0.2)) - 0.025).abs() < 1e-12);
    assert!((accepted(&plan(RiskKind::Global, 0.005, 0.2)) - 0.025).abs() < 1e-12);
    assert!((accepted(&plan(RiskKind::Global, 0.005, 0.001)) - MOST_THROUGH).abs() < 1e-12, "never all");
}

#[test]
fn the_risk_spent_over_all_looks_is_the_risk_accepted() {
    for looks in 1..=8 {
        let all: f64 = (1..=looks).map(|look| spent(0.025, look, looks)).sum();
        assert!((all - 0.025).abs() < 1e-15, "{looks}: {all}");
        assert!(spent(0.025, 1, looks) >= spent(0.025, looks, looks));
    }
    assert_eq!(
        (spent(0.02, 1, 1), spent(0.02, 1, 3), spent(0.02, 2, 3), spent(0.02, 3, 3)),
        (0.02, 0.01, 0.005, 0.005)
    );
    assert_eq!(spent(0.02, 7, 3), spent(0.02, 3, 3));
}

proptest! {
    /// A more uncertain value is never accepted where a surer one is not, nor one nearer to the limit.
    #[test]
    fn the_outcome_is_monotone_in_uncertainty_and_distance(
        value in -2.0..3.0_f64, u in 0.001..1.0_f64, more in 1.0..5.0_f64, risk in 0.0005..0.2_f64, k in 1.0..6.0_f64,
    ) {
        let limit = range(Some(0.0), Some(1.0));
        let at = |value: f64, u: f64| outcome(&limit, Some(&number(value, k, vec![Contribution::random("spread", u)])), risk);
        let (sure, unsure) = (at(value, u), at(value, u * more));
        if unsure != Outcome::Open {
            prop_assert_eq!(sure, unsure);
        }
        if sure == Outcome::Meets {
            let inwards = value + 0.5 * (0.5 - value);
            prop_assert_eq!(at(inwards, u), Outcome::Meets);
            prop_assert!((0.0..=1.0).contains(&value));
        }
        if sure == Outcome::Fails {
            let outwards = if value > 0.5 { value + 1.0 } else { value - 1.0 };
            prop_assert_eq!(at(outwards, u), Outcome::Fails);
            prop_assert!(!(0.0..=1.0).contains(&value));
        }
    }

    /// A smaller risk never accepts or rejects more.
    #[test]
    fn a_smaller_risk_decides_less(value in -2.0..3.0_f64, u in 0.001..1.0_f64, risk in 0.001..0.2_f64, k in 1.0..6.0_f64) {
        let limit = range(Some(0.0), Some(1.0));
        let at = |risk| outcome(&limit, Some(&number(value, k, vec![Contribution::random("spread", u)])), risk);
        if at(0.3 * risk) != Outcome::Open {
            prop_assert_eq!(at(risk), at(0.3 * risk));
        }
    }
}

/// A unit right at a limit, or beyond, measured with the uncertainty stated: how often it is passed, and how often one
/// right inside is failed.
#[test]
fn simulated_measurements_pass_bad_units_no_more_often_than_the_risk() {
    const N: u64 = 6000;
    let mut random = Xoshiro256PlusPlus::seed_from_u64(1021);
    let cases =
        [(None, Some(1.0), 1.0), (Some(1.0), None, 1.0), (Some(0.0), Some(1.0), 1.0), (Some(0.0), Some(1.0), 0.0)];
    for risk in [0.05, 0.025, 0.01] {
        for dof in [3.0, 8.0, f64::INFINITY] {
            for (min, max, truth) in cases {
                let (limit, true_u) = (range(min, max), 0.05);
                let (mut passed, mut failed) = (0, 0);
                for _ in 0..N {
                    let off: f64 = StandardNormal.sample(&mut random);
                    // The spread is itself seen in few readings.
                    let seen = if f64::is_finite(dof) {
                        ChiSquared::new(dof).map_or(1.0, |chi: ChiSquared<f64>| (chi.sample(&mut random) / dof).sqrt())
                    } else {
                        1.0
                    };
                    let parts = vec![Contribution::random("spread", true_u * seen)];
                    let measured = number(truth + true_u * off, stats::k95(dof), parts);
                    match outcome(&limit, Some(&measured), risk) {
                        Outcome::Meets => passed += 1,
                        Outcome::Fails => failed += 1,
                        Outcome::Open => {}
                    }
                }
                let allowed = most(N, risk);
                assert!(passed <= allowed, "passed {passed} of {N}, {allowed} allowed: {limit:?} {risk} dof {dof}");
                assert!(failed <= allowed, "failed {failed} of {N}, {allowed} allowed: {limit:?} {risk} dof {dof}");
                // And no more careful than it says: the risk is used.
                assert!(passed as f64 > 0.6 * risk * N as f64, "only {passed} of {N}: {limit:?} {risk} dof {dof}");
            }
        }
    }
}

/// The same over looks: each adds a reading to the mean, what is common to all of them does not shrink, and looking ends
/// as soon as the limit is met or broken.
#[test]
fn over_all_looks_together_bad_units_pass_no_more_often_than_the_risk() {
    const N: u64 = 40_000;
    let mut random = Xoshiro256PlusPlus::seed_from_u64(1022);
    let limit = range(None, Some(1.0));
    for (looks, common) in [(2, 0.0), (3, 0.02), (8, 0.05)] {
        let (single, accepted) = (0.05, 0.025);
        for beyond in [0.0, 0.02, 0.05] {
            let mut passed = 0;
            for _ in 0..N {
                let mut draw = || -> f64 { StandardNormal.sample(&mut random) };
                let shared = common * draw();
                let mut sum = 0.0;
                for look in 1..=looks {
                    sum += single * draw();
                    let n = f64::from(look);
                    let parts =
                        vec![Contribution::random("noise", single / n.sqrt()), Contribution::common("gain", common)];
                    let measured = number(1.0 + beyond + shared + sum / n, 1.959_964, parts);
                    match outcome(&limit, Some(&measured), spent(accepted, look, looks)) {
                        Outcome::Open => {}
                        Outcome::Fails => break,
                        Outcome::Meets => {
                            passed += 1;
                            break;
                        }
                    }
                }
            }
            let allowed = most(N, accepted);
            assert!(passed <= allowed, "passed {passed} of {N}, {allowed} allowed; {looks} looks, {beyond} beyond");
            if beyond == 0.0 {
                // What the first look alone lets through, at the least.
                assert!(passed as f64 > 0.8 * spent(accepted, 1, looks) * N as f64, "only {passed} of {N}");
            }
        }
    }
}
