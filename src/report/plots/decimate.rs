//! Thinning of samples for drawing: no more points than pixels can show, extremes kept.

use crate::record::recording::Series;

/// Smallest and largest finite sample of each of `columns` equal parts of `from_s..to_s`, in the order in which they
/// came: at most two points per column, every spike kept.
pub(super) fn extremes(series: &Series, from_s: f64, to_s: f64, columns: u32) -> Vec<(f64, f64)> {
    let mut points: Vec<(f64, f64)> = Vec::new();
    each_column(series, from_s, to_s, columns, |samples| {
        let by_value = |a: &&(f64, f64), b: &&(f64, f64)| a.1.total_cmp(&b.1);
        let (Some(low), Some(high)) = (samples.iter().min_by(by_value), samples.iter().max_by(by_value)) else {
            return;
        };
        let (first, last) = if low.0 <= high.0 { (low, high) } else { (high, low) };
        points.push(*first);
        if last != first {
            points.push(*last);
        }
    });
    points
}

/// Mean of the finite samples of each of `columns` equal parts, at the mean of their times.
pub(super) fn means(series: &Series, from_s: f64, to_s: f64, columns: u32) -> Vec<(f64, f64)> {
    let mut points = Vec::new();
    each_column(series, from_s, to_s, columns, |samples| {
        #[expect(clippy::cast_precision_loss, reason = "sample counts are far below 2^52")]
        let n = samples.len() as f64;
        let sum = samples.iter().fold((0.0, 0.0), |sum, s| (sum.0 + s.0, sum.1 + s.1));
        points.push((sum.0 / n, sum.1 / n));
    });
    points
}

/// Hands the finite samples of each column that has any to `take`.
fn each_column(series: &Series, from_s: f64, to_s: f64, columns: u32, mut take: impl FnMut(&[(f64, f64)])) {
    let width_s = (to_s - from_s) / f64::from(columns.max(1));
    let mut column: Vec<(f64, f64)> = Vec::new();
    let mut current = 0.0;
    for (t_s, value) in series.samples(from_s, to_s).filter(|(_, value)| value.is_finite()) {
        let place = ((t_s - from_s) / width_s).floor();
        if place > current && !column.is_empty() {
            take(&column);
            column.clear();
        }
        current = place;
        column.push((t_s, value));
    }
    if !column.is_empty() {
        take(&column);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_million_samples_shrink_to_two_points_a_column_and_keep_their_spike() {
        let mut values = vec![1.0_f32; 1_000_000];
        values[123_456] = 9.0;
        let mut series = Series::default();
        series.push(0.0, 1e-3, &values);
        let points = extremes(&series, 0.0, 1000.0, 700);
        assert!(points.len() <= 1400, "{}", points.len());
        assert!(points.iter().any(|p| (p.1 - 9.0).abs() < 1e-9 && (p.0 - 123.456).abs() < 1e-6));
        assert!(points.windows(2).all(|w| w[0].0 <= w[1].0));
    }

    #[test]
    fn means_keep_the_level_and_leave_out_what_is_not_finite() {
        let mut series = Series::default();
        series.push(0.0, 0.1, &[1.0, f32::NAN, 3.0, 5.0]);
        assert_eq!(means(&series, 0.0, 0.4, 1).len(), 1);
        assert!((means(&series, 0.0, 0.4, 1)[0].1 - 3.0).abs() < 1e-9);
        assert_eq!(means(&Series::default(), 0.0, 1.0, 10), Vec::new());
    }
}
