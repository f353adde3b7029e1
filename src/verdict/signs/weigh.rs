//! How evidence becomes a probability: populations of sound and faulty units in one measured quantity, and Bayes' rule.
//!
//! All quantities here are positive and spread by ratios, so everything is a density in the logarithm of the value. A
//! population is even between two bounds, or thins out towards the higher one, its ends softened by the uncertainty of the
//! reading and by what no such statement can know. Every population of sound units keeps a thin tail everywhere: there are
//! kinds that nobody here has seen.

use statrs::distribution::{Continuous, ContinuousCDF, Normal};

use crate::record::recording::Recording;

/// Faults among which a plan's share of bad units is divided evenly.
const FAULTS: f64 = 13.0;
/// Share of bad units where a plan states none.
const BAD: f64 = 0.2;
/// Density of the thin tail, per unit of the logarithm.
pub(super) const TAIL: f64 = 2e-4;
/// Steps in which a spread of ratios is gone through.
const STEPS: u32 = 24;

/// Probability of one fault before anything is measured: the plan's share of bad units, over the faults known.
pub(super) fn prior(rec: &Recording) -> f64 {
    let stated = rec.header.plan_facts.prior_bad;
    let bad = if stated > 0.0 { stated.min(0.9) } else { BAD };
    bad / FAULTS
}

/// Standard normal distribution function.
fn phi(z: f64) -> f64 {
    Normal::standard().cdf(z)
}

/// Integral of [`phi`] up to `z`.
fn left_of(z: f64) -> f64 {
    z * phi(z) + Normal::standard().pdf(z)
}

/// A population: lowest and highest value, how soft these ends are (relative), and from where on there are fewer and fewer
/// up to the highest (`high` itself if its end is as sudden as the other).
#[derive(Clone, Copy, Debug)]
pub(super) struct Population {
    pub(super) low: f64,
    pub(super) thins: f64,
    pub(super) high: f64,
    pub(super) soft: f64,
}

impl Population {
    /// One with as many everywhere between its ends.
    pub(super) const fn even(low: f64, high: f64, soft: f64) -> Self {
        Self { low, thins: high, high, soft }
    }

    /// Density at `value` (its uncertainty `u`), without the thin tail.
    pub(super) fn density(self, value: f64, u: f64) -> f64 {
        if value <= 0.0 {
            return 0.0;
        }
        let width = self.soft.hypot(u / value).max(1e-3);
        let beyond = |edge: f64| (edge / value).ln() / width;
        let thinning = (self.high / self.thins).ln();
        let upto = if thinning > 0.0 {
            // A straight decline seen through a normal error: the mean of what is left of it.
            (left_of(beyond(self.high)) - left_of(beyond(self.thins))) * width / thinning
        } else {
            phi(beyond(self.high))
        };
        (upto - phi(beyond(self.low))).max(0.0) / ((self.thins / self.low).ln() + 0.5 * thinning)
    }

    /// The same with the tail.
    pub(super) fn sound(self, value: f64, u: f64) -> f64 {
        self.density(value, u) + TAIL
    }

    /// Density of this population after a fault took each value by a factor, spread by ratios between these two.
    pub(super) fn taken_by(self, (least, most): (f64, f64), value: f64, u: f64) -> f64 {
        let factor = |i: u32| least * (most / least).powf((f64::from(i) + 0.5) / f64::from(STEPS));
        let sum: f64 = (0..STEPS).map(|i| self.density(value / factor(i), u / factor(i))).sum();
        sum / f64::from(STEPS)
    }
}

/// Probability of each fault, from its prior and density, against all being sound; what is left is that of sound.
pub(super) fn posteriors(faults: &[(f64, f64)], sound: f64) -> Vec<f64> {
    let rest = (1.0 - faults.iter().map(|(prior, _)| prior).sum::<f64>()).max(0.0) * sound;
    let total = rest + faults.iter().map(|(prior, density)| prior * density).sum::<f64>();
    faults.iter().map(|(prior, density)| if total > 0.0 { prior * density / total } else { *prior }).collect()
}

/// Probability of one fault against sound.
pub(super) fn posterior(prior: f64, fault: f64, sound: f64) -> f64 {
    posteriors(&[(prior, fault)], sound)[0]
}

#[cfg(test)]
mod tests {
    use super::*;

    const SOUND: Population = Population::even(3.0, 9.0, 0.05);

    #[test]
    fn a_population_is_a_density_and_so_is_what_a_fault_makes_of_it() {
        let area = |density: &dyn Fn(f64) -> f64| -> f64 {
            (0..4000).map(|i| density((f64::from(i) * 2e-3 - 3.0).exp()) * 2e-3).sum()
        };
        assert!((area(&|v| SOUND.density(v, 0.0)) - 1.0).abs() < 1e-3);
        assert!((area(&|v| SOUND.taken_by((1.7, 2.4), v, 0.0)) - 1.0).abs() < 1e-3);
        let thinning = Population { thins: 6.0, ..SOUND };
        assert!((area(&|v| thinning.density(v, 0.0)) - 1.0).abs() < 1e-3);
    }

    #[test]
    fn a_population_that_thins_out_declines_evenly_to_its_highest() {
        let thinning = Population { low: 3.0, thins: 6.0, high: 12.0, soft: 1e-3 };
        let full = thinning.density(4.0, 0.0);
        // In the logarithm: half of the way from 6 to 12 is 8.49.
        assert!((thinning.density(72.0_f64.sqrt(), 0.0) / full - 0.5).abs() < 1e-3);
        assert!((thinning.density(5.9, 0.0) / full - 1.0).abs() < 1e-3 && thinning.density(12.1, 0.0) / full < 1e-3);
    }

    #[test]
    fn a_value_in_both_populations_leaves_the_prior_and_one_outside_the_sound_one_decides() {
        let p = |value: f64| posterior(0.02, SOUND.taken_by((1.7, 2.4), value, 0.0), SOUND.sound(value, 0.0));
        assert!(p(7.0) < 0.03 && p(4.0) < 0.01, "{} {}", p(7.0), p(4.0));
        assert!(p(15.0) > 0.95, "{}", p(15.0));
        assert!(p(200.0) < 0.1, "no lost switch takes that much: {}", p(200.0));
    }

    #[test]
    fn an_uncertain_reading_says_less() {
        let p = |u: f64| posterior(0.02, SOUND.taken_by((1.7, 2.4), 12.0, u), SOUND.sound(12.0, u));
        assert!(p(0.1) > p(1.0) && p(1.0) > p(4.0), "{} {} {}", p(0.1), p(1.0), p(4.0));
    }

    #[test]
    fn posteriors_of_rival_faults_share_one_probability() {
        let all = posteriors(&[(0.1, 2.0), (0.1, 1.0)], 0.5);
        assert!((all[0] - 0.2 / 0.7).abs() < 1e-12 && (all[1] - 0.1 / 0.7).abs() < 1e-12);
    }
}
