//! Statistics that hold for a handful of units: order statistics and exact intervals, no assumed shape.

use serde::Serialize;
use statrs::distribution::{Beta, Binomial, ContinuousCDF as _, DiscreteCDF as _};

use crate::analysis::signal::stats;

/// Spread of a result over the units of a batch.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Spread {
    /// Number of units that have it.
    pub n: usize,
    /// Smallest.
    pub least: f64,
    /// Quarter, half and three quarters of the units lie below; `None` with fewer than five units.
    pub quartiles: Option<[f64; 3]>,
    /// The middle one (mean of the two middle ones).
    pub median: f64,
    /// Interval of the median of the lot that the units were drawn from; `None` where too few units tell.
    pub median_interval: Option<MedianInterval>,
    /// Largest.
    pub most: f64,
    /// 1.4826 times the median distance from the median: the standard deviation of a normal lot; `None` under eight.
    pub robust_sd: Option<f64>,
}

/// Interval of a median from order statistics.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct MedianInterval {
    /// Lower end, one of the values.
    pub low: f64,
    /// Upper end, one of the values.
    pub high: f64,
    /// Confidence that it really has, at least 0.95.
    pub confidence: f64,
}

/// Spread of `values`; `None` without any. Values that are not finite are left out.
#[must_use]
pub fn spread(values: &[f64]) -> Option<Spread> {
    let mut sorted: Vec<f64> = values.iter().copied().filter(|value| value.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    let (least, most) = (*sorted.first()?, *sorted.last()?);
    let n = sorted.len();
    let median = stats::median(&sorted)?;
    let robust_sd = if n >= 8 { stats::robust_sigma(&sorted) } else { None };
    let quartiles =
        if n >= 5 { Some([stats::quantile(&sorted, 0.25)?, median, stats::quantile(&sorted, 0.75)?]) } else { None };
    Some(Spread { n, least, quartiles, median, median_interval: median_interval(&sorted), most, robust_sd })
}

/// The narrowest pair of order statistics, equally far from both ends, between which the lot's median lies with at least
/// 95 % confidence whatever the shape of the lot: P = 1 - 2 P(X < r), X binomial (n, 1/2). Five values reach no more than
/// 93.75 %.
fn median_interval(sorted: &[f64]) -> Option<MedianInterval> {
    let n = sorted.len();
    let binomial = Binomial::new(0.5, n as u64).ok()?;
    let confidence = |r: usize| 1.0 - 2.0 * binomial.cdf(r as u64 - 1);
    let r = (1..=n / 2).rev().find(|r| confidence(*r) >= 0.95)?;
    Some(MedianInterval { low: sorted[r - 1], high: sorted[n - r], confidence: confidence(r) })
}

/// Exact (Clopper-Pearson) 95 % interval of a share of which `hits` of `n` units were seen.
#[must_use]
#[expect(clippy::cast_precision_loss, reason = "counts of units")]
pub fn share_interval(hits: usize, n: usize) -> [f64; 2] {
    let (k, n) = (hits as f64, n as f64);
    let quantile = |a: f64, b: f64, p: f64| Beta::new(a, b).map_or(f64::NAN, |beta| beta.inverse_cdf(p));
    let low = if k > 0.0 { quantile(k, n - k + 1.0, 0.025) } else { 0.0 };
    let high = if k < n { quantile(k + 1.0, n - k, 0.975) } else { 1.0 };
    [low, high]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_median_of_six_lies_between_the_ends_with_the_tabled_confidence() {
        let spread = spread(&[3.0, 1.0, 2.0, 6.0, 5.0, 4.0]).unwrap();
        let interval = spread.median_interval.unwrap();
        assert_eq!((interval.low, interval.high), (1.0, 6.0));
        // 1 - 2 / 2^6.
        assert!((interval.confidence - 0.968_75).abs() < 1e-9);
        assert!((spread.median - 3.5).abs() < 1e-12);
        assert_eq!(super::spread(&[1.0; 5]).unwrap().median_interval, None);
    }

    #[test]
    fn the_median_of_twenty_lies_between_the_sixth_and_the_fifteenth() {
        // Tables of distribution-free intervals: n = 20, r = 6, 95.9 %.
        let values: Vec<f64> = (1..=20).map(f64::from).collect();
        let interval = spread(&values).unwrap().median_interval.unwrap();
        assert_eq!((interval.low, interval.high), (6.0, 15.0));
        assert!((interval.confidence - 0.9586).abs() < 1e-3);
    }

    #[test]
    fn a_share_of_few_units_has_its_exact_interval() {
        // Clopper and Pearson for 0 of 10 (rule: 1 - 0.025^(1/10)) and 8 of 10.
        let [low, high] = share_interval(0, 10);
        assert_eq!(low, 0.0);
        assert!((high - 0.3085).abs() < 1e-3, "{high}");
        let [low, high] = share_interval(8, 10);
        assert!((low - 0.4439).abs() < 1e-3 && (high - 0.9748).abs() < 1e-3, "{low} {high}");
        assert_eq!(share_interval(3, 3)[1], 1.0);
    }

    #[test]
    fn a_value_far_out_does_not_move_the_robust_spread() {
        let mut values: Vec<f64> = (0..9).map(f64::from).collect();
        let before = spread(&values).unwrap().robust_sd.unwrap();
        values[8] = 1e9;
        assert_eq!(spread(&values).unwrap().robust_sd, Some(before));
    }
}
