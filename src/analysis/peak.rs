//! The highest 5 ms mean of a current, with the lift that noise gives to a maximum taken out.

use crate::bench::Channel;
use crate::record::recording::Recording;

use super::estimate::{self, Part};
use super::signal::stats;
use super::zero;

/// Window of the mean, seconds.
pub(crate) const WINDOW_S: f64 = 5e-3;

/// The fan's copper is some ten kelvin warmer or colder than it was said to be: three percent of its resistance, of
/// which the supply and the run-up pass on a quarter.
const COPPER_SHARE: f64 = 0.008;

/// A highest mean.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Peak {
    /// Value, zero subtracted.
    pub(crate) value: f64,
    /// Time, seconds.
    pub(crate) t_s: f64,
    /// Noise and ripple left in it.
    pub(crate) u_noise: f64,
    /// Zero of the range it was read on.
    pub(crate) u_zero: f64,
    /// Gain.
    pub(crate) u_gain: f64,
}

impl Peak {
    /// Parts of uncertainty.
    pub(crate) fn parts(&self) -> Vec<Part> {
        vec![
            estimate::seen("noise and ripple at the peak", self.u_noise, 5.0),
            estimate::lasting("supply_a zero", self.u_zero),
            estimate::lasting("temperature of the fan's copper", COPPER_SHARE * self.value),
            estimate::common("supply_a gain", self.u_gain),
        ]
    }
}

/// Highest 5 ms mean of supply current in `from_s..to_s`; `None` without samples.
///
/// Where the current passes smoothly through its highest value, a parabola over as many means as it fits gives it;
/// where it jumps there, the highest moving mean less what noise adds to the largest of several; where both are
/// possible and differ, their middle with half the difference as uncertainty.
pub(crate) fn supply_current(rec: &Recording, from_s: f64, to_s: f64) -> Option<Peak> {
    let means = zero::cells(rec, Channel::SupplyA, from_s, to_s, WINDOW_S);
    let top = (0..means.len()).max_by(|a, b| means[*a].1.total_cmp(&means[*b].1))?;
    let noise = local_noise(&means, top);
    let stated = rec.header.bench.channels.get(&Channel::SupplyA).map_or(0.0, |facts| facts.noise);
    let one = stated / 10.0_f64.sqrt();
    // Of about five means near the top the largest lies 1.16 deviations high (order statistics of five).
    let raw = moving_top(rec, from_s, to_s, means[top].0).unwrap_or(means[top].1) - 1.16 * one;
    let (value, u_noise) = match smooth_top(&means, top, noise) {
        Some((smooth, u)) if raw - smooth < 4.0 * one + 2e-3 * raw => (smooth, u),
        // Ripple slower than the window, or an edge that a parabola cuts: somewhere between the two.
        Some((smooth, u)) => (0.5 * (smooth + raw), u.hypot(0.5 * (raw - smooth))),
        None => (raw, (0.7 * one).hypot(0.003 * raw)),
    };
    let m = stats::BatchedMean { mean: value, u: u_noise, dof: 5.0 };
    let level = zero::corrected(rec, Channel::SupplyA, means[top].0, &m);
    Some(Peak { value: level.value, t_s: means[top].0, u_noise, u_zero: level.u_zero, u_gain: level.u_gain })
}

/// Noise and ripple of one mean around `top`, from second differences, which a smooth curve hardly has.
fn local_noise(means: &[(f64, f64)], top: usize) -> f64 {
    let (from, to) = (top.saturating_sub(20), (top + 21).min(means.len()));
    let second: Vec<f64> = means[from..to].windows(3).map(|w| w[0].1 - 2.0 * w[1].1 + w[2].1).collect();
    // The second difference of independent values has six times their variance.
    stats::robust_sigma(&second).unwrap_or(0.0) / 6.0_f64.sqrt()
}

/// Vertex of a parabola through the means around `top`, the widest that leaves no more than their noise and agrees
/// with the means next to the top.
fn smooth_top(means: &[(f64, f64)], top: usize, noise: f64) -> Option<(f64, f64)> {
    let near =
        stats::mean(&means[top.checked_sub(2)?..(top + 3).min(means.len())].iter().map(|m| m.1).collect::<Vec<_>>())?;
    let allowed = (1.3 * noise).max(5e-4 * near.abs());
    [32, 16, 8, 4].into_iter().find_map(|half| {
        let from = top.checked_sub(half)?;
        let (t, v): (Vec<f64>, Vec<f64>) =
            means.get(from..=top + half)?.iter().map(|(t, v)| (t - means[top].0, *v)).unzip();
        let square: Vec<f64> = t.iter().map(|t| t * t).collect();
        let one = vec![1.0; t.len()];
        let (c, rss) = super::signal::fit::linear(&[&one, &t, &square], &v)?;
        let scatter = (rss / (t.len() - 3) as f64).sqrt();
        let vertex = if c[2] < 0.0 { -0.5 * c[1] / c[2] } else { 0.0 };
        let inside = vertex.abs() <= 0.5 * t[t.len() - 1];
        let value = c[0] + 0.5 * c[1] * vertex;
        let agrees = value - near > -0.7 * noise - 5e-4 * near.abs();
        // A parabola at its middle carries nine quarters of the variance of a mean; ripple is not independent, and
        // the stretch was chosen for its height.
        let u = 1.5 * scatter / (t.len() as f64).sqrt() * 1.5;
        (c[2] < 0.0 && inside && agrees && scatter <= allowed).then_some((value, u.hypot(1e-3 * value)))
    })
}

/// Highest 5 ms mean moving by single samples within two windows of `near_s`.
fn moving_top(rec: &Recording, from_s: f64, to_s: f64, near_s: f64) -> Option<f64> {
    let series = rec.channels.get(&Channel::SupplyA)?;
    let (a, b) = ((near_s - 2.0 * WINDOW_S).max(from_s), (near_s + 2.0 * WINDOW_S).min(to_s));
    let slices = series.slices(a, b).filter_map(|slice| {
        let width = ((WINDOW_S / slice.dt_s).round() as usize).max(1);
        let tops = slice.values.windows(width).map(|w| w.iter().map(|&v| f64::from(v)).sum::<f64>() / width as f64);
        tops.max_by(f64::total_cmp)
    });
    slices.max_by(f64::total_cmp)
}

#[cfg(test)]
mod tests {
    use super::super::signal::stats::tests::noise;
    use super::*;
    use crate::record::event::ChannelFacts;

    fn recording(wave: impl Fn(f64) -> f64, sigma: f64, seed: u64) -> Recording {
        let mut rec = Recording::default();
        let e = noise(seed, 8000, sigma);
        let values: Vec<f32> = e.iter().enumerate().map(|(i, e)| (wave(i as f64 / 2000.0) + e) as f32).collect();
        rec.channels.entry(Channel::SupplyA).or_default().push(2.5e-4, 5e-4, &values);
        let facts = ChannelFacts { noise: sigma, ..ChannelFacts::default() };
        rec.header.bench.channels.insert(Channel::SupplyA, facts);
        rec
    }

    #[test]
    fn noise_does_not_lift_a_broad_peak() {
        let bias: f64 = (0..40)
            .map(|seed| {
                let rec = recording(|t| 40.0 - 5.0 * (t - 1.5) * (t - 1.5), 0.5, seed);
                let peak = supply_current(&rec, 0.0, 4.0).expect("samples");
                assert!((peak.value - 40.0).abs() < 4.0 * peak.u_noise, "{peak:?}");
                peak.value - 40.0
            })
            .sum::<f64>()
            / 40.0;
        // The plain maximum would lie 0.4 high.
        assert!(bias.abs() < 0.05, "{bias}");
    }

    #[test]
    fn a_sharp_peak_keeps_its_height() {
        let wave = |t: f64| if t < 1.0 { 0.0 } else { 80.0 * (-(t - 1.0) / 0.2).exp() };
        let rec = recording(wave, 0.05, 1);
        let peak = supply_current(&rec, 0.0, 4.0).expect("samples");
        // The mean of exp(-t / 0.2) over its first 5 ms is 0.9876.
        assert!((peak.value - 79.0).abs() < 0.5, "{peak:?}");
    }
}
