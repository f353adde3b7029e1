//! Small statistics that every quantity needs: robust centre and spread, effective number of readings, Student
//! quantiles. Plain numbers in, plain numbers out; units are the caller's.

use statrs::distribution::{Continuous, ContinuousCDF, Normal, StudentsT};

/// Spread of a normal distribution over its median absolute deviation.
const MAD_TO_SIGMA: f64 = 1.482_602_218_505_602;

/// Arithmetic mean; `None` of nothing.
#[must_use]
pub fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

/// Standard deviation with n - 1; `None` of fewer than two values.
#[must_use]
pub fn deviation(values: &[f64]) -> Option<f64> {
    let centre = mean(values)?;
    let n = values.len();
    (n > 1).then(|| (values.iter().map(|v| (v - centre).powi(2)).sum::<f64>() / (n - 1) as f64).sqrt())
}

/// Median of the finite values; `None` without any.
#[must_use]
pub fn median(values: &[f64]) -> Option<f64> {
    quantile(values, 0.5)
}

/// Quantile `q` (0 to 1) of the finite values, linear between order statistics; `None` without any.
#[must_use]
pub fn quantile(values: &[f64], q: f64) -> Option<f64> {
    let mut sorted: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    if sorted.is_empty() {
        return None;
    }
    let position = q.clamp(0.0, 1.0) * (sorted.len() - 1) as f64;
    let low = position.floor() as usize;
    let (_, &mut below, rest) = sorted.select_nth_unstable_by(low, f64::total_cmp);
    let above = rest.iter().copied().fold(f64::INFINITY, f64::min);
    let share = position - low as f64;
    Some(if share > 0.0 && above.is_finite() { below + share * (above - below) } else { below })
}

/// Standard deviation estimated from the median absolute deviation: a few wild values do not move it.
#[must_use]
pub fn robust_sigma(values: &[f64]) -> Option<f64> {
    let centre = median(values)?;
    let distances: Vec<f64> = values.iter().map(|v| (v - centre).abs()).collect();
    median(&distances).map(|mad| mad * MAD_TO_SIGMA)
}

/// Mean without the values further than `k` robust deviations from the median, and how many were left out.
///
/// A spread of zero (quantised readings) leaves out nothing that lies within one in 10^9 of the median.
#[must_use]
pub fn robust_mean(values: &[f64], k: f64) -> Option<(f64, usize)> {
    let centre = median(values)?;
    let reach = k * robust_sigma(values)?.max(centre.abs() * 1e-9);
    let kept: Vec<f64> = values.iter().copied().filter(|v| (v - centre).abs() <= reach).collect();
    mean(&kept).map(|m| (m, values.len() - kept.len()))
}

/// Effective number of independent readings in an evenly spaced series, from its autocorrelation.
///
/// n / (1 + 2 Σ r_k), the sum cut at the first pair of lags whose sum is not positive (Geyer's initial positive
/// sequence). Between 1 and n; the length itself for fewer than eight values or no spread.
#[must_use]
pub fn effective_n(values: &[f64]) -> f64 {
    let n = values.len();
    let Some(centre) = mean(values).filter(|_| n >= 8) else { return n as f64 };
    let at =
        |lag: usize| values[lag..].iter().zip(values).map(|(a, b)| (a - centre) * (b - centre)).sum::<f64>() / n as f64;
    let variance = at(0);
    if variance <= 0.0 {
        return n as f64;
    }
    let mut sum = 0.0;
    for lag in (1..n / 4).step_by(2) {
        let pair = (at(lag) + at(lag + 1)) / variance;
        if pair <= 0.0 {
            break;
        }
        sum += pair;
    }
    (n as f64 / (1.0 + 2.0 * sum)).clamp(1.0, n as f64)
}

/// Values averaged into one batch of [`scatter_in_batches`], and the fewest batches beyond the parameters.
const BATCH: usize = 4;
const LEAST_BATCHES: usize = 4;

/// Standard deviation of one value of evenly spaced residuals of a fit of so many parameters, as the means of few neighbours
/// tell it: neighbours that hang together, or undo each other as the residues of a chopper or of a commutation do, make a
/// mean worse or better than as many independent ones. `None` of too few.
#[must_use]
pub fn scatter_in_batches(residuals: &[f64], parameters: usize) -> Option<f64> {
    let means: Vec<f64> = residuals.chunks_exact(BATCH).filter_map(mean).collect();
    let dof = means.len().checked_sub(parameters).filter(|dof| *dof >= LEAST_BATCHES)?;
    Some((BATCH as f64 * means.iter().map(|m| m * m).sum::<f64>() / dof as f64).sqrt())
}

/// Mean of a long evenly spaced series with a standard uncertainty that allows for autocorrelation, and the degrees
/// of freedom behind it: spread of the means of about twenty stretches, scaled by their own autocorrelation.
///
/// Not-finite samples are left out. `None` without any finite sample; the uncertainty is infinite for one sample.
#[must_use]
pub fn batched_mean(mut values: impl ExactSizeIterator<Item = f64>) -> Option<BatchedMean> {
    const BATCHES: usize = 20;
    let length = values.len();
    let size = length.div_ceil(BATCHES).max(1);
    let mut means = Vec::with_capacity(BATCHES);
    let (mut total, mut finite) = (0.0, 0_usize);
    for begin in (0..length).step_by(size) {
        let (mut sum, mut count) = (0.0, 0_usize);
        for value in values.by_ref().take(size.min(length - begin)) {
            if value.is_finite() {
                sum += value;
                count += 1;
            }
        }
        total += sum;
        finite += count;
        if count * 2 > size || means.is_empty() {
            means.push(sum / count.max(1) as f64);
        }
    }
    if finite == 0 {
        return None;
    }
    let n = effective_n(&means);
    let u = deviation(&means).map_or(f64::INFINITY, |sd| sd / n.sqrt());
    Some(BatchedMean { mean: total / finite as f64, u, dof: (n - 1.0).max(1.0) })
}

/// What [`batched_mean`] gives.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BatchedMean {
    /// Mean of all finite samples.
    pub mean: f64,
    /// Its standard uncertainty from the spread of the stretches.
    pub u: f64,
    /// Degrees of freedom of that uncertainty.
    pub dof: f64,
}

/// Coverage factor of a two-sided 95 % interval with `dof` degrees of freedom (JCGM 100, table G.2).
///
/// Values below one count as one; from 1e6 on the normal quantile is given.
#[must_use]
pub fn k95(dof: f64) -> f64 {
    student(0.975, dof)
}

/// Excess kurtosis of values: 0 of normal ones, [`EVEN`] of even ones; `None` of fewer than four or without spread.
#[must_use]
pub fn excess_kurtosis(values: &[f64]) -> Option<f64> {
    let centre = mean(values).filter(|_| values.len() >= 4)?;
    let moment = |power: i32| values.iter().map(|v| (v - centre).powi(power)).sum::<f64>() / values.len() as f64;
    let variance = moment(2);
    (variance > 0.0).then(|| moment(4) / (variance * variance) - 3.0)
}

/// Excess kurtosis of an even distribution.
pub const EVEN: f64 = -1.2;

/// Coverage factor of a two-sided 95 % interval where even parts make the error flatter than a normal one: `excess` is its
/// excess kurtosis, from 0 (normal, 1.96) to [`EVEN`] (1.65; JCGM 100, 4.3.7 and G.1.3).
///
/// That of the sum of an even and a normal error with this kurtosis (JCGM 101: the distributions are convolved).
#[must_use]
pub fn k95_flat(excess: f64) -> f64 {
    // Fourth cumulants add: the even part has this share of the variance.
    let even = (excess / EVEN).clamp(0.0, 1.0).sqrt();
    let (half, sigma) = ((3.0 * even).sqrt(), (1.0 - even).sqrt());
    let normal = Normal::standard();
    if sigma < 1e-6 {
        return 0.95 * half;
    }
    if half < 1e-3 {
        return normal.inverse_cdf(0.975);
    }
    // The integral of the normal distribution function over the even part.
    let integral = |z: f64| z * normal.cdf(z) + normal.pdf(z);
    let above = |k: f64| 1.0 - sigma * (integral((k + half) / sigma) - integral((k - half) / sigma)) / (2.0 * half);
    let (mut low, mut high) = (0.0, 4.0);
    for _ in 0..40 {
        let middle = f64::midpoint(low, high);
        if above(middle) > 0.025 { low = middle } else { high = middle }
    }
    f64::midpoint(low, high)
}

/// Quantile `p` of Student's t with `dof` degrees of freedom.
#[must_use]
pub fn student(p: f64, dof: f64) -> f64 {
    let dof = if dof.is_finite() { dof.clamp(1.0, 1e6) } else { 1e6 };
    StudentsT::new(0.0, 1.0, dof).map_or(f64::NAN, |t| t.inverse_cdf(p))
}

/// Effective degrees of freedom of a combined uncertainty (Welch-Satterthwaite, JCGM 100 G.4): contributions as
/// (standard uncertainty, degrees of freedom); infinite when nothing contributes.
#[must_use]
pub fn combined_dof(parts: &[(f64, f64)]) -> f64 {
    let variance: f64 = parts.iter().map(|(u, _)| u * u).sum();
    let fourth: f64 = parts.iter().filter(|(_, dof)| dof.is_finite()).map(|(u, dof)| u.powi(4) / dof.max(1.0)).sum();
    if fourth > 0.0 { variance * variance / fourth } else { f64::INFINITY }
}

/// Straight line through points by least squares.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Value at the centre of the abscissae.
    pub level: f64,
    /// Centre of the abscissae.
    pub centre: f64,
    /// Slope.
    pub slope: f64,
    /// Standard uncertainty of the slope from the scatter.
    pub slope_u: f64,
    /// Standard deviation of the points about the line.
    pub scatter: f64,
}

impl Line {
    /// Value of the line at `x`.
    #[must_use]
    pub fn at(&self, x: f64) -> f64 {
        self.level + self.slope * (x - self.centre)
    }
}

/// Least-squares line; `None` of fewer than three points or abscissae without spread.
#[must_use]
pub fn line(x: &[f64], y: &[f64]) -> Option<Line> {
    let n = x.len().min(y.len());
    if n < 3 {
        return None;
    }
    let (centre, level) = (mean(&x[..n])?, mean(&y[..n])?);
    let sxx: f64 = x[..n].iter().map(|v| (v - centre).powi(2)).sum();
    if !(sxx > 0.0 && sxx.is_finite() && level.is_finite()) {
        return None;
    }
    let sxy: f64 = x[..n].iter().zip(y).map(|(a, b)| (a - centre) * (b - level)).sum();
    let slope = sxy / sxx;
    let rss: f64 = x[..n].iter().zip(y).map(|(a, b)| (b - level - slope * (a - centre)).powi(2)).sum();
    let scatter = (rss / (n - 2) as f64).sqrt();
    Some(Line { level, centre, slope, slope_u: scatter / sxx.sqrt(), scatter })
}

#[cfg(test)]
pub(crate) mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};
    use rand_xoshiro::Xoshiro256PlusPlus;

    use super::*;

    /// `n` normal deviates of spread `sigma`, from `seed`.
    pub(crate) fn noise(seed: u64, n: usize, sigma: f64) -> Vec<f64> {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
        let normal = Normal::new(0.0, sigma).expect("sigma is positive");
        (0..n).map(|_| normal.sample(&mut rng)).collect()
    }

    #[test]
    fn batches_tell_what_neighbours_make_of_a_mean() {
        let white = noise(5, 4_000, 2.0);
        let of = |values: &[f64]| scatter_in_batches(values, 3).expect("enough");
        assert!((of(&white) - 2.0).abs() < 0.15, "{}", of(&white));
        // What comes twice makes a mean as bad as half as many; what the next one takes back does it no harm.
        let twice: Vec<f64> = white.iter().flat_map(|v| [*v, *v]).collect();
        assert!((of(&twice) - 2.0 * 2.0_f64.sqrt()).abs() < 0.2, "{}", of(&twice));
        let undone: Vec<f64> = white.iter().flat_map(|v| [*v, -*v]).collect();
        assert!(of(&undone) < 1e-9);
        assert!(scatter_in_batches(&white[..28], 3).is_some() && scatter_in_batches(&white[..27], 3).is_none());
    }

    #[test]
    fn the_excess_kurtosis_of_a_few_shapes() {
        let even: Vec<f64> = (0..1000).map(f64::from).collect();
        assert!((excess_kurtosis(&even).expect("spread") - EVEN).abs() < 1e-3);
        assert!(excess_kurtosis(&noise(3, 20_000, 2.0)).expect("spread").abs() < 0.15);
        let wave: Vec<f64> = (0..1000).map(|i| (std::f64::consts::TAU * f64::from(i) / 100.0).sin()).collect();
        assert!((excess_kurtosis(&wave).expect("spread") + 1.5).abs() < 1e-3);
        assert_eq!((excess_kurtosis(&[1.0; 9]), excess_kurtosis(&[1.0, 2.0])), (None, None));
    }

    #[test]
    fn student_quantiles_match_the_table_of_jcgm_100() {
        // JCGM 100:2008, table G.2, 95 %.
        for (dof, k) in [(1.0, 12.71), (2.0, 4.30), (5.0, 2.57), (10.0, 2.23), (50.0, 2.01)] {
            assert!((k95(dof) - k).abs() < 0.006, "{dof}: {}", k95(dof));
        }
        assert!((k95(f64::INFINITY) - 1.96).abs() < 0.001);
    }

    #[test]
    fn a_flat_error_has_its_95_percent_nearer() {
        assert!((k95_flat(0.0) - 1.96).abs() < 1e-3 && (k95_flat(EVEN) - 0.95 * 3.0_f64.sqrt()).abs() < 1e-3);
        // Two equal even errors have a triangular sum, of which a little less lies within what this takes it for.
        let triangle = 1.0 - (1.0 - k95_flat(0.5 * EVEN) / 6.0_f64.sqrt()).powi(2);
        assert!((0.94..0.951).contains(&triangle), "{triangle}");
        // Half of the variance each: kurtosis a quarter of the even one's.
        let held = noise(5, 40_000, 1.0).into_iter().enumerate().filter(|(i, e)| {
            let even = 3.0_f64.sqrt() * (2.0 * (*i as f64 * 0.618_034).fract() - 1.0);
            ((even + *e) / 2.0_f64.sqrt()).abs() < k95_flat(0.25 * EVEN)
        });
        let share = held.count() as f64 / 40_000.0;
        assert!((share - 0.95).abs() < 0.004, "{share}");
    }

    #[test]
    fn medians_and_robust_spread_ignore_a_wild_value() {
        assert_eq!(median(&[3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(&[4.0, 1.0, 2.0, 3.0]), Some(2.5));
        assert_eq!(median(&[]), None);
        let mut values = noise(1, 4000, 2.0);
        values[17] = 1e6;
        let sigma = robust_sigma(&values).expect("values");
        assert!((sigma - 2.0).abs() < 0.1, "{sigma}");
        let (centre, left_out) = robust_mean(&values, 5.0).expect("values");
        assert!(centre.abs() < 0.1 && left_out >= 1);
    }

    #[test]
    fn white_noise_keeps_its_n_and_a_first_order_process_loses_it() {
        let white = noise(2, 4000, 1.0);
        assert!(effective_n(&white) > 2800.0);
        let (mut state, a) = (0.0, 0.9);
        let red: Vec<f64> = white
            .iter()
            .map(|w| {
                state = a * state + w;
                state
            })
            .collect();
        // n (1 - a) / (1 + a) = 210.
        let n = effective_n(&red);
        assert!((130.0..320.0).contains(&n), "{n}");
    }

    #[test]
    fn the_95_percent_interval_of_a_mean_covers_as_often_as_it_says() {
        let covered = (0..400)
            .filter(|seed| {
                let (mut state, a) = (0.0, 0.8);
                let red = noise(1000 + seed, 2000, 1.0).into_iter().map(|w| {
                    state = a * state + w;
                    state
                });
                let m = batched_mean(red.collect::<Vec<_>>().into_iter()).expect("samples");
                m.mean.abs() < k95(m.dof) * m.u
            })
            .count();
        assert!((352..=396).contains(&covered), "{covered} of 400");
    }

    #[test]
    fn a_line_is_recovered_with_the_uncertainty_of_its_slope() {
        let x: Vec<f64> = (0..200).map(f64::from).collect();
        let y: Vec<f64> = x.iter().zip(noise(3, 200, 0.5)).map(|(x, e)| 2.0 + 0.1 * x + e).collect();
        let fit = line(&x, &y).expect("points");
        assert!((fit.slope - 0.1).abs() < 3.0 * fit.slope_u);
        assert!((fit.scatter - 0.5).abs() < 0.1);
        assert!((fit.at(0.0) - 2.0).abs() < 0.3);
    }
}
