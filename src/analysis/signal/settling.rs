//! Whether a quantity has settled, and at what value: the longest tail that a constant or a slow creep explains.
//!
//! Settled means electromechanically settled. The warming of copper changes a fan's speed for minutes by a slow, steady
//! slope; that is creep, allowed up to a rate, and its effect on the mean is carried in the uncertainty.

use super::stats;

/// What counts as settled.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rule {
    /// Shortest tail that can be called settled, seconds.
    pub span_s: f64,
    /// Change over `span_s` that is allowed, in the quantity's unit, beside what noise explains.
    pub tolerance: f64,
}

/// A settled tail.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settled {
    /// Index of its first value.
    pub from_index: usize,
    /// Time of its first value, seconds.
    pub from_s: f64,
    /// Mean over the tail.
    pub mean: f64,
    /// Standard uncertainty of the mean: noise with its autocorrelation, and the creep across the tail.
    pub u: f64,
    /// Creep, unit per second.
    pub slope_per_s: f64,
    /// Standard uncertainty of the creep.
    pub slope_u: f64,
    /// Degrees of freedom behind the noise part.
    pub dof: f64,
}

/// Number of stretches whose means carry the slope test.
const STRETCHES: usize = 10;

/// The longest settled tail of `values` at `times_s` (increasing, about evenly spaced), or `None` when the last
/// `rule.span_s` still change, are not there yet, or hold a value that is not finite.
///
/// The last `span_s` must have a slope that, less its own uncertainty, changes the value by no more than the
/// tolerance over the span. The tail then grows backwards while stretches lie on its line within tolerance or noise.
#[must_use]
pub fn settled_tail(times_s: &[f64], values: &[f64], rule: &Rule) -> Option<Settled> {
    let n = times_s.len().min(values.len());
    let (times_s, values) = (&times_s[..n], &values[..n]);
    let end_s = *times_s.last()?;
    let first = times_s.partition_point(|t| *t < end_s - rule.span_s * (1.0 + 1e-9));
    let covered_s = end_s - times_s[first];
    if n - first < 4 || covered_s < 0.75 * rule.span_s || end_s - times_s[0] < 0.75 * rule.span_s {
        return None;
    }
    let (t, v) = stretches(&times_s[first..], &values[first..]);
    let line = stats::line(&t, &v).filter(|l| l.level.is_finite() && l.slope.is_finite())?;
    let change = (line.slope.abs() - line.slope_u).max(0.0) * rule.span_s;
    if change > rule.tolerance {
        return None;
    }
    let from_index = grow(times_s, values, first, &line, rule);
    Some(describe(times_s, values, from_index))
}

/// Moves the start of the tail back while the stretch before it lies on the tail's own line, which is fitted again
/// after each step; stretches are a quarter of the tail, halved where that is too coarse.
///
/// What counts as noise stays that of the first tail: a bend that got in would else let in more of itself.
fn grow(times_s: &[f64], values: &[f64], first: usize, line: &stats::Line, rule: &Rule) -> usize {
    let n = times_s.len();
    let least = ((n - first) / STRETCHES).max(1);
    let noise = line.scatter;
    let (mut from, mut line) = (first, *line);
    let mut size = (n - first) / 4;
    while size >= least && from >= least {
        let next = from.saturating_sub(size);
        let middle_s = 0.5 * (times_s[next] + times_s[from - 1]);
        // The slope is known from the tail alone; before it, its uncertainty widens what can be told apart.
        let tail_s = times_s[n - 1] - times_s[from];
        let away_s = times_s[from] - middle_s + 0.5 * tail_s;
        let slope_u = noise * (12.0 / STRETCHES as f64).sqrt() / tail_s.max(f64::MIN_POSITIVE);
        // A fifth of the tolerance: the end of a slow approach would else pull the mean.
        let reach = (0.2 * rule.tolerance).max(3.0 * noise.hypot(slope_u * away_s));
        let fits = stats::mean(&values[next..from]).is_some_and(|mean| (mean - line.at(middle_s)).abs() <= reach);
        if !fits {
            size /= 2;
            continue;
        }
        from = next;
        size = (n - from) / 4;
        let (t, v) = stretches(&times_s[from..], &values[from..]);
        match stats::line(&t, &v) {
            Some(refit) => line = refit,
            None => break,
        }
    }
    from
}

/// Mean, uncertainty and creep of the tail from `from_index` on.
fn describe(times_s: &[f64], values: &[f64], from_index: usize) -> Settled {
    let (t, v) = (&times_s[from_index..], &values[from_index..]);
    let (bt, bv) = stretches(t, v);
    let line = stats::line(&bt, &bv);
    let (slope_per_s, slope_u) = line.map_or((0.0, 0.0), |l| (l.slope, l.slope_u));
    let centre_s = stats::mean(t).unwrap_or(0.0);
    let level = stats::mean(v).unwrap_or(f64::NAN);
    let flat = t.iter().zip(v).map(|(t, v)| v - slope_per_s * (t - centre_s));
    let noise = stats::batched_mean(flat.collect::<Vec<_>>().into_iter());
    let span_s = t[t.len() - 1] - t[0];
    // A value creeping across the tail is spread evenly over slope times span.
    let creep_u = slope_per_s.abs() * span_s / 12.0_f64.sqrt();
    let (noise_u, dof) = noise.map_or((f64::INFINITY, 1.0), |m| (m.u, m.dof));
    Settled { from_index, from_s: t[0], mean: level, u: noise_u.hypot(creep_u), slope_per_s, slope_u, dof }
}

/// Mean over the last `span_s` of a settled tail, with its standard uncertainty: while a fan gains the last of its speed
/// its current falls, and the output rises by what the module loses less. What changed since the span before is counted
/// whole. `None` of fewer than two values there.
#[must_use]
pub fn end_of(t: &[f64], v: &[f64], span_s: f64) -> Option<(f64, f64)> {
    let from = t.partition_point(|t_s| *t_s < t[t.len() - 1] - span_s);
    let before = t.partition_point(|t_s| *t_s < t[t.len() - 1] - 2.0 * span_s);
    let mean = stats::mean(&v[from..])?;
    let noise = stats::deviation(&v[from..])? / ((v.len() - from) as f64).sqrt();
    let gained = stats::mean(&v[before..from]).map_or(0.0, |earlier| mean - earlier);
    Some((mean, noise.hypot(gained)))
}

/// Means of about [`STRETCHES`] stretches: times and values.
fn stretches(times_s: &[f64], values: &[f64]) -> (Vec<f64>, Vec<f64>) {
    let size = (times_s.len() / STRETCHES).max(1);
    let t = times_s.chunks_exact(size).filter_map(stats::mean).collect();
    let v = values.chunks_exact(size).filter_map(stats::mean).collect();
    (t, v)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::stats::tests::noise;
    use super::*;

    const RULE: Rule = Rule { span_s: 1.0, tolerance: 2.0 };

    /// Approach to 1000 with a time constant, creep and noise, 20 values per second.
    fn approach(seconds: f64, tau_s: f64, creep: f64, sigma: f64, seed: u64) -> (Vec<f64>, Vec<f64>) {
        let n = (seconds * 20.0) as usize;
        let e = noise(seed, n, sigma.max(1e-9));
        let t: Vec<f64> = (0..n).map(|i| i as f64 / 20.0).collect();
        let v = t.iter().zip(e).map(|(t, e)| 1000.0 * (1.0 - (-t / tau_s).exp()) + creep * t + e).collect();
        (t, v)
    }

    #[test]
    fn a_fan_still_speeding_up_is_not_settled_and_later_is() {
        let (t, v) = approach(20.0, 1.0, 0.0, 1.0, 1);
        assert_eq!(settled_tail(&t[..80], &v[..80], &RULE), None);
        let settled = settled_tail(&t, &v, &RULE).expect("settled after 20 time constants");
        assert!((settled.mean - 1000.0).abs() < 3.0 * settled.u, "{settled:?}");
        // exp(-t) 1000 = 6 (twice the noise's triple reach) at 5.1 s.
        assert!((4.5..8.0).contains(&settled.from_s), "{settled:?}");
    }

    #[test]
    fn a_slow_creep_is_settled_and_carried_in_u() {
        let (t, v) = approach(30.0, 0.5, -0.5, 0.3, 2);
        let settled = settled_tail(&t, &v, &RULE).expect("creep is no transient");
        assert!((settled.slope_per_s + 0.5).abs() < 0.05, "{settled:?}");
        assert!(settled.u > 1.0, "{settled:?}");
    }

    #[test]
    fn too_short_and_not_finite_are_not_settled() {
        assert_eq!(settled_tail(&[], &[], &RULE), None);
        assert_eq!(settled_tail(&[0.0, 0.1, 0.2, 0.3], &[1.0; 4], &RULE), None);
        let (t, mut v) = approach(20.0, 0.2, 0.0, 1.0, 3);
        v[395] = f64::NAN;
        assert_eq!(settled_tail(&t, &v, &RULE), None);
    }

    #[test]
    fn the_interval_of_the_settled_mean_covers_95_percent() {
        let covered = (0..200)
            .filter(|seed| {
                let (t, v) = approach(12.0, 0.3, 0.0, 5.0, 100 + seed);
                let rule = Rule { span_s: 6.0, tolerance: 5.0 };
                settled_tail(&t, &v, &rule).is_some_and(|s| (s.mean - 1000.0).abs() < stats::k95(s.dof) * s.u)
            })
            .count();
        assert!((176..=199).contains(&covered), "{covered} of 200");
    }

    proptest! {
        #[test]
        fn time_shift_and_gain_only_shift_and_scale(shift in -100.0..100.0_f64, gain in 0.1..10.0_f64) {
            let (t, v) = approach(15.0, 0.7, 0.1, 1.0, 5);
            let a = settled_tail(&t, &v, &RULE).expect("settled");
            let moved: Vec<f64> = t.iter().map(|t| t + shift).collect();
            let scaled: Vec<f64> = v.iter().map(|v| v * gain).collect();
            let rule = Rule { tolerance: RULE.tolerance * gain, ..RULE };
            let b = settled_tail(&moved, &scaled, &rule).expect("settled");
            prop_assert!((a.mean * gain - b.mean).abs() < 1e-3 * b.mean);
            prop_assert!((a.from_s + shift - b.from_s).abs() < 0.2);
        }
    }
}
