//! Fit of a normally distributed threshold to brackets: each trial tells only that its threshold lay between two
//! offered values. Maximum likelihood for interval-censored data, intervals by profile likelihood.
//!
//! The profile is cut at `n ln(1 + t²/(n - 1))` with Student's `t`, which reproduces the exact Student interval when
//! every bracket is narrow, so a handful of trials gets an honestly wide interval.

use statrs::distribution::{ContinuousCDF, StudentsT};
use statrs::function::erf::erfc;

/// Standard normal quantile of 0.95.
pub(crate) const Z95: f64 = 1.644_853_626_951_472_7;

/// One trial: the threshold lay above `below` and at or under `at`. Either end may be infinite.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Bracket {
    /// Largest value that did not do it; negative infinity if none was offered.
    pub(crate) below: f64,
    /// Value that did it; infinity if none did.
    pub(crate) at: f64,
}

impl Bracket {
    /// A threshold at or under `at`, and nothing below it was offered.
    pub(crate) const fn under(at: f64) -> Self {
        Self { below: f64::NEG_INFINITY, at }
    }

    /// Middle of the bracket; its finite end when the other is infinite.
    pub(crate) fn middle(&self) -> f64 {
        match (self.below.is_finite(), self.at.is_finite()) {
            (true, true) => f64::midpoint(self.below, self.at),
            (false, true) => self.at,
            _ => self.below,
        }
    }

    /// Width; `None` when an end is open.
    pub(crate) fn width(&self) -> Option<f64> {
        let width = self.at - self.below;
        width.is_finite().then_some(width)
    }
}

/// A fitted point of the distribution with its 95 % interval; an open end is `None`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Located {
    /// Best value.
    pub(crate) value: f64,
    /// Lower end.
    pub(crate) low: Option<f64>,
    /// Upper end.
    pub(crate) high: Option<f64>,
}

impl Located {
    /// Standard uncertainty that the interval stands for, with the coverage factor `k`; from the closed side when one
    /// end is open.
    pub(crate) fn standard_u(&self, k: f64) -> f64 {
        match (self.low, self.high) {
            (Some(low), Some(high)) => (high - low) / (2.0 * k),
            (Some(low), None) => (self.value - low) / k,
            (None, Some(high)) => (high - self.value) / k,
            (None, None) => f64::INFINITY,
        }
    }
}

/// How the error of a fitted point is distributed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Shape {
    /// Standard deviation.
    pub(crate) sd: f64,
    /// Excess kurtosis: 0 of a normal error, under it of one that lies within the part that all brackets share.
    pub(crate) excess: f64,
}

/// A fitted threshold distribution.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct ThresholdFit {
    /// Threshold passed in half of the trials.
    pub(crate) centre: Located,
    /// How its error is distributed; `None` where an end is open.
    pub(crate) centre_shape: Option<Shape>,
    /// Value that suffices in 95 of 100 trials.
    pub(crate) p95: Located,
    /// Standard deviation from trial to trial, corrected for small `n`; near zero when all brackets share a part.
    pub(crate) spread: f64,
    /// Mean width of the closed brackets.
    pub(crate) bracket: f64,
    /// All finite ends of brackets, rising.
    ends: Vec<f64>,
    /// Student quantile that the intervals use.
    pub(crate) k: f64,
    /// Number of trials.
    pub(crate) n: usize,
}

impl ThresholdFit {
    /// Width of the stretch around `value` in which no trial offered anything: a bracket where all trials share their
    /// ends, less where they were offset.
    pub(crate) fn gap_at(&self, value: f64) -> f64 {
        let above = self.ends.partition_point(|end| *end <= value);
        let between = above.checked_sub(1).zip(self.ends.get(above)).map(|(below, above)| above - self.ends[below]);
        between.map_or(self.bracket, |gap| gap.min(self.bracket))
    }
}

/// Fits a normal threshold to at least two brackets of which at least one is closed; `None` otherwise.
pub(crate) fn fit(brackets: &[Bracket]) -> Option<ThresholdFit> {
    let widths: Vec<f64> = brackets.iter().filter_map(Bracket::width).collect();
    if brackets.len() < 2 || widths.is_empty() {
        return None;
    }
    let n = count(brackets.len());
    let bracket = (widths.iter().sum::<f64>() / count(widths.len())).max(1e-9);
    let k = student(n - 1.0)?;
    let cut = 0.5 * n * (k * k / (n - 1.0)).ln_1p();
    let problem = Problem::new(brackets, bracket);
    let (centre, sigma) = problem.locate(0.0, cut);
    let centre_shape = problem.shape(&centre);
    let spread = sigma * (n / (n - 1.0)).sqrt();
    let (mut p95, _) = problem.locate(Z95, cut);
    // Of trials that are open on one side centre and spread are known together better than each: there it stays as it is.
    if widths.len() == brackets.len() {
        let corrected = centre.value + Z95 * spread;
        p95.value = corrected.clamp(p95.low.unwrap_or(f64::NEG_INFINITY), p95.high.unwrap_or(f64::INFINITY));
    }
    let mut ends: Vec<f64> = brackets.iter().flat_map(|b| [b.below, b.at]).filter(|end| end.is_finite()).collect();
    ends.sort_by(f64::total_cmp);
    Some(ThresholdFit { centre, centre_shape, p95, spread, bracket, ends, k, n: brackets.len() })
}

/// Two-sided 95 % Student quantile; `None` for no degrees of freedom.
pub(crate) fn student(freedom: f64) -> Option<f64> {
    StudentsT::new(0.0, 1.0, freedom).ok().map(|t| t.inverse_cdf(0.975))
}

#[expect(clippy::cast_precision_loss, reason = "numbers of trials are small")]
fn count(n: usize) -> f64 {
    n as f64
}

/// Steps over the range of standard deviations.
const SIGMA_STEPS: u32 = 40;

/// Brackets with their multiplicity, and the ranges searched.
struct Problem {
    distinct: Vec<(Bracket, f64)>,
    low: f64,
    high: f64,
    width: f64,
}

impl Problem {
    fn new(brackets: &[Bracket], width: f64) -> Self {
        let mut distinct: Vec<(Bracket, f64)> = Vec::new();
        for bracket in brackets {
            match distinct.iter_mut().find(|(known, _)| known == bracket) {
                Some((_, weight)) => *weight += 1.0,
                None => distinct.push((*bracket, 1.0)),
            }
        }
        let ends = || brackets.iter().flat_map(|b| [b.below, b.at]).filter(|end| end.is_finite());
        let (low, high) = (ends().fold(f64::INFINITY, f64::min), ends().fold(f64::NEG_INFINITY, f64::max));
        Self { distinct, low, high, width }
    }

    /// Log likelihood of mean and standard deviation.
    fn log_likelihood(&self, mean: f64, sigma: f64) -> f64 {
        self.distinct
            .iter()
            .map(|(bracket, weight)| weight * ln_between((bracket.below - mean) / sigma, (bracket.at - mean) / sigma))
            .sum()
    }

    /// Logarithms of the smallest and the largest standard deviation looked at.
    fn ln_sigmas(&self) -> (f64, f64) {
        ((0.005 * self.width).ln(), (30.0 * (self.high - self.low + self.width)).ln())
    }

    /// Best log likelihood, and its sigma, with `mean + z sigma` held at `c`.
    fn profile(&self, c: f64, z: f64) -> (f64, f64) {
        let (least, most) = self.ln_sigmas();
        let at = |log_sigma: f64| {
            let sigma = log_sigma.exp();
            self.log_likelihood(c - z * sigma, sigma)
        };
        let step = (most - least) / f64::from(SIGMA_STEPS);
        let (mut best, mut best_log) = (f64::NEG_INFINITY, least);
        for i in 0..=SIGMA_STEPS {
            let log_sigma = least + step * f64::from(i);
            let value = at(log_sigma);
            if value > best {
                (best, best_log) = (value, log_sigma);
            }
        }
        let refined = golden_max(&at, best_log - step, best_log + step, 14);
        let value = at(refined);
        if value > best { (value, refined.exp()) } else { (best, best_log.exp()) }
    }

    /// Value and 95 % interval of `mean + z sigma`, and sigma at the best value.
    fn locate(&self, z: f64, cut: f64) -> (Located, f64) {
        let span = self.high - self.low + self.width;
        let steps = 120_u32;
        let from = self.low - self.width;
        let step = (span + self.width + z * span) / f64::from(steps);
        let values: Vec<(f64, f64)> = (0..=steps)
            .map(|i| {
                let c = from + step * f64::from(i);
                (c, self.profile(c, z).0)
            })
            .collect();
        let top = values.iter().map(|(_, value)| *value).fold(f64::NEG_INFINITY, f64::max);
        // Brackets that share a part leave the top flat: its middle is the best value.
        let flat: Vec<f64> = values.iter().filter(|(_, value)| *value > top - 0.01).map(|(c, _)| *c).collect();
        let value = match (flat.first(), flat.last()) {
            (Some(first), Some(last)) => f64::midpoint(*first, *last),
            _ => f64::midpoint(self.low, self.high),
        };
        let inside = |c: f64| self.profile(c, z).0 >= top - cut;
        let low = edge(&inside, value, -0.25 * span);
        let high = edge(&inside, value, 0.25 * span);
        (Located { value, low, high }, self.profile(value, z).1)
    }

    /// Logarithm of the density of the mean, but for a constant, with all standard deviations alike on a logarithmic scale:
    /// Student's where every bracket is narrow, and even where all trials share a part of theirs.
    fn ln_density(&self, mean: f64) -> f64 {
        let (least, most) = self.ln_sigmas();
        let values: Vec<f64> = (0..=SIGMA_STEPS)
            .map(|i| {
                let sigma = (least + (most - least) * f64::from(i) / f64::from(SIGMA_STEPS)).exp();
                self.log_likelihood(mean, sigma)
            })
            .collect();
        let top = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        top + values.iter().map(|value| (value - top).exp()).sum::<f64>().ln()
    }

    /// Shape of what the trials say of the mean.
    fn shape(&self, at: &Located) -> Option<Shape> {
        const STEPS: u32 = 100;
        // So many half intervals to either side: nothing to speak of lies beyond.
        const REACH: f64 = 2.0;
        let (low, high) = (at.low?, at.high?);
        let (from, to) = (at.value - REACH * (at.value - low), at.value + REACH * (high - at.value));
        let points: Vec<(f64, f64)> = (0..=STEPS)
            .map(|i| {
                let c = from + (to - from) * f64::from(i) / f64::from(STEPS);
                (c, self.ln_density(c))
            })
            .collect();
        let top = points.iter().map(|(_, value)| *value).fold(f64::NEG_INFINITY, f64::max);
        let mean_of = |f: &dyn Fn(f64) -> f64| {
            let weight = |value: f64| (value - top).exp();
            let whole: f64 = points.iter().map(|(_, value)| weight(*value)).sum();
            points.iter().map(|(c, value)| f(*c) * weight(*value)).sum::<f64>() / whole
        };
        let mean = mean_of(&|c| c);
        let variance = mean_of(&|c| (c - mean).powi(2));
        (variance > 0.0).then(|| Shape {
            sd: variance.sqrt(),
            excess: mean_of(&|c| (c - mean).powi(4)) / (variance * variance) - 3.0,
        })
    }
}

/// Where `inside` ends when one walks from `start` in steps that grow from `step`; `None` when it does not end.
fn edge(inside: &impl Fn(f64) -> bool, start: f64, step: f64) -> Option<f64> {
    let (mut kept, mut offset) = (start, step);
    for _ in 0..9 {
        let next = start + offset;
        if !inside(next) {
            return Some(bisect(inside, kept, next));
        }
        kept = next;
        offset *= 2.0;
    }
    None
}

fn bisect(inside: &impl Fn(f64) -> bool, mut kept: f64, mut out: f64) -> f64 {
    for _ in 0..24 {
        let middle = f64::midpoint(kept, out);
        if inside(middle) { kept = middle } else { out = middle }
    }
    f64::midpoint(kept, out)
}

/// Argument of the maximum of `f` in `a..b` by golden section.
pub(crate) fn golden_max(f: &impl Fn(f64) -> f64, mut a: f64, mut b: f64, rounds: u32) -> f64 {
    const RATIO: f64 = 0.618_033_988_749_894_9;
    let (mut c, mut d) = (b - RATIO * (b - a), a + RATIO * (b - a));
    let (mut fc, mut fd) = (f(c), f(d));
    for _ in 0..rounds {
        if fc > fd {
            (b, d, fd) = (d, c, fc);
            c = b - RATIO * (b - a);
            fc = f(c);
        } else {
            (a, c, fc) = (c, d, fd);
            d = a + RATIO * (b - a);
            fd = f(d);
        }
    }
    f64::midpoint(a, b)
}

/// Logarithm of the normal probability between two standard scores, kept finite in the far tails.
fn ln_between(low: f64, high: f64) -> f64 {
    // Mirror to the side where the difference of upper tails loses no digits.
    let (low, high) = if low > 0.0 { (low, high) } else { (-high, -low) };
    let upper = |z: f64| if z == f64::INFINITY { 0.0 } else { 0.5 * erfc(z / std::f64::consts::SQRT_2) };
    let probability = if low == f64::NEG_INFINITY { 1.0 - upper(high) } else { upper(low) - upper(high) };
    probability.max(1e-300).ln()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};
    use rand_xoshiro::Xoshiro256PlusPlus;

    fn trials(mean: f64, sigma: f64, step: f64, n: usize, seed: u64) -> Vec<Bracket> {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
        let normal = Normal::new(mean, sigma).unwrap();
        (0..n)
            .map(|_| {
                let threshold = normal.sample(&mut rng);
                let at = (threshold / step).ceil() * step;
                Bracket { below: at - step, at }
            })
            .collect()
    }

    fn covers(located: &Located, truth: f64) -> bool {
        located.low.is_none_or(|low| low <= truth) && located.high.is_none_or(|high| truth <= high)
    }

    #[test]
    fn narrow_brackets_give_the_student_interval_of_the_mean() {
        let values = [20.1, 20.9, 21.4, 19.8, 20.6];
        let brackets: Vec<_> = values.iter().map(|v| Bracket { below: v - 1e-4, at: v + 1e-4 }).collect();
        let fitted = fit(&brackets).unwrap();
        let mean = values.iter().sum::<f64>() / 5.0;
        let sd = (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / 4.0).sqrt();
        let half = 2.776 * sd / 5.0_f64.sqrt();
        // One step of the search for the value; the ends follow the likelihood itself.
        assert!((fitted.centre.value - mean).abs() < 0.03, "{fitted:?}");
        assert!((fitted.centre.low.unwrap() - (mean - half)).abs() < 0.01 * half, "{fitted:?}");
        assert!((fitted.centre.high.unwrap() - (mean + half)).abs() < 0.01 * half, "{fitted:?}");
        assert!((fitted.spread / sd - 1.0).abs() < 0.03, "{fitted:?}");
    }

    #[test]
    fn the_error_of_a_threshold_is_students_or_even_as_its_brackets_are_narrow_or_shared() {
        let values = [20.1, 20.9, 21.4, 19.8, 20.6, 20.3, 21.0, 20.2, 20.7];
        let brackets: Vec<_> = values.iter().map(|v| Bracket { below: v - 1e-4, at: v + 1e-4 }).collect();
        let narrow = fit(&brackets).unwrap().centre_shape.unwrap();
        let mean = values.iter().sum::<f64>() / 9.0;
        let own = (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / 8.0).sqrt() / 3.0;
        // The variance of Student's t is n / (n - 2) of its degrees of freedom.
        assert!((narrow.sd / (own * (8.0_f64 / 6.0).sqrt()) - 1.0).abs() < 0.04 && narrow.excess > 0.0, "{narrow:?}");
        let shared = fit(&[Bracket { below: 12.0, at: 12.5 }; 9]).unwrap().centre_shape.unwrap();
        // Even over the bracket, and a little nearer to its middle, since the thresholds may scatter.
        let even = 0.5 / 12.0_f64.sqrt();
        assert!((0.85 * even..even).contains(&shared.sd) && shared.excess < -0.9, "{shared:?}");
    }

    #[test]
    fn trials_that_share_one_bracket_stay_inside_it() {
        let fitted = fit(&[Bracket { below: 12.0, at: 12.5 }; 8]).unwrap();
        assert!((fitted.centre.value - 12.25).abs() < 0.02);
        assert!(fitted.centre.low.unwrap() >= 11.9 && fitted.centre.high.unwrap() <= 12.6, "{fitted:?}");
        assert!(fitted.spread < 0.2);
    }

    #[test]
    fn offset_trials_leave_a_smaller_gap_than_a_bracket() {
        let brackets =
            |offset: f64| (0..8).map(move |i| 12.0 + offset * f64::from(i)).map(|at| Bracket { below: at - 0.25, at });
        let shared = fit(&brackets(0.0).collect::<Vec<_>>()).unwrap();
        assert!((shared.gap_at(11.9) - 0.25).abs() < 1e-9 && shared.gap_at(20.0) == shared.bracket);
        let offset = fit(&brackets(0.03).collect::<Vec<_>>()).unwrap();
        assert!(offset.gap_at(offset.centre.value) < 0.06, "{offset:?}");
    }

    #[test]
    fn one_trial_or_only_open_brackets_are_no_distribution() {
        assert!(fit(&[Bracket { below: 10.0, at: 11.0 }]).is_none());
        assert!(fit(&[Bracket { below: 10.0, at: f64::INFINITY }; 4]).is_none());
    }

    #[test]
    fn one_start_and_none_after_it_leave_the_value_in_an_interval_with_one_end() {
        let mut brackets = vec![Bracket { below: 33.0, at: f64::INFINITY }; 24];
        brackets.push(Bracket { below: 22.0, at: 23.0 });
        let fitted = fit(&brackets).unwrap();
        assert_eq!(fitted.p95.high, None);
        assert!(fitted.p95.low.is_some_and(|low| low <= fitted.p95.value), "{fitted:?}");
    }

    #[test]
    fn shifting_and_scaling_all_brackets_shifts_and_scales_the_fit() {
        let base = trials(20.0, 1.0, 0.5, 7, 3);
        let moved: Vec<_> = base.iter().map(|b| Bracket { below: 3.0 * b.below + 5.0, at: 3.0 * b.at + 5.0 }).collect();
        let (a, b) = (fit(&base).unwrap(), fit(&moved).unwrap());
        assert!((3.0 * a.centre.value + 5.0 - b.centre.value).abs() < 1e-6);
        assert!((3.0 * a.p95.high.unwrap() + 5.0 - b.p95.high.unwrap()).abs() < 1e-3);
    }

    #[test]
    fn stated_intervals_hold_the_truth_about_as_often_as_stated() {
        for (sigma, step, n) in [(0.8, 0.5, 6), (0.2, 0.5, 6), (1.5, 0.5, 10), (0.5, 1.0, 4)] {
            let (mut centre, mut p95) = (0, 0);
            let repeats = 100;
            for seed in 0..repeats {
                let fitted = fit(&trials(21.3, sigma, step, n, 1_000 + seed)).unwrap();
                centre += u32::from(covers(&fitted.centre, 21.3));
                p95 += u32::from(covers(&fitted.p95, 21.3 + Z95 * sigma));
            }
            // 95 of 100 expected; below 87 has a chance under 1 in 1000 (binomial).
            assert!(centre >= 87, "centre {centre} for sigma {sigma}, step {step}, n {n}");
            assert!(p95 >= 87, "p95 {p95} for sigma {sigma}, step {step}, n {n}");
        }
    }
}
