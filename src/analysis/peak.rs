//! The highest 5 ms mean of a current, with the lift that noise and ripple give to a maximum taken out.
//!
//! The commutation of a fan leaves up to a percent in a 5 ms mean, and the highest of many means is one that it lifts. The
//! current around the top is therefore fitted: a parabola on either side, which meet in a corner (the end of a ramp, or none
//! at all) or at a jump (a step of the output, which the winding's inductance rounds off).

use crate::bench::Channel;
use crate::record::recording::Recording;

use super::estimate::{self, Part};
use super::signal::stats;
use super::zero;

/// Window of the mean, seconds.
pub(crate) const WINDOW_S: f64 = 5e-3;

/// Cells on either side of the top that are fitted, and how far from the top the corner may lie, in cells.
const REACH: usize = 30;
const CORNER: usize = 6;
/// Fewest cells on either side.
const LEAST: usize = 5;
/// Terms of a parabola.
const SIDE_TERMS: usize = 3;
/// Degrees of freedom behind its noise: those of the batches of both sides, less their parabolas, and where a side has too few
/// cells for them.
const DOF: f64 = 8.0;
const DOF_OF_FEW: f64 = 5.0;
/// A jump of more than this share of the peak is a hard start: its decay is too fast for a parabola.
const HARD_SHARE: f64 = 0.5;
/// Time constant of a fan's winding, seconds: the current follows a step of the voltage with it. Between 0.5 and 3 ms, which
/// moves the 5 ms mean after a step by the share below at most, evenly.
const WINDING_S: f64 = 1.4e-3;
const WINDING_SHARE: f64 = 2e-3;
/// By how much a jump must better the criterion: very strong evidence (Kass and Raftery 1995, 2 ln B of 10). Ripple that
/// does not average out in 5 ms looks a little like one somewhere.
const JUMP_EVIDENCE: f64 = 10.0;
/// How unlike two parabolas a current is.
const SHAPE_SHARE: f64 = 5e-4;
/// Spacing at which the fitted curve is looked at, seconds.
const FINE_S: f64 = 2.5e-4;

/// A highest mean.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Peak {
    /// Value, zero subtracted.
    pub(crate) value: f64,
    /// Time, seconds.
    pub(crate) t_s: f64,
    /// Noise and ripple left in it, with the degrees of freedom behind that.
    pub(crate) u_noise: f64,
    pub(crate) dof: f64,
    /// Zero of the range it was read on.
    pub(crate) u_zero: f64,
    /// Gain.
    pub(crate) u_gain: f64,
    /// Standard uncertainty by what a last step after the end of the recording may add.
    pub(crate) u_open: f64,
}

impl Peak {
    /// Parts of uncertainty.
    pub(crate) fn parts(&self) -> Vec<Part> {
        vec![
            estimate::seen("noise and ripple at the peak", self.u_noise, self.dof),
            estimate::lasting("supply_a zero", self.u_zero),
            estimate::common("supply_a gain", self.u_gain),
            self.last_step(1.0),
        ]
    }

    /// The part of a last step after the end of the recording, counting `factor` times.
    pub(crate) fn last_step(&self, factor: f64) -> Part {
        estimate::lasting("a last step after the record", factor * self.u_open)
    }

    /// The same where the current may yet come to `highest_a`: the rest of a ramp that creeps up to its end can come at once
    /// after the recording. The highest is anywhere between the two, and may well be either of them.
    pub(crate) fn open_to(self, highest_a: f64) -> Self {
        let open_a = (highest_a - self.value).max(0.0);
        Self { value: self.value + 0.5 * open_a, u_open: open_a / 12.0_f64.sqrt(), ..self }
    }
}

/// Highest 5 ms mean of supply current in `from_s..to_s`; `None` without samples.
///
/// From the fitted curve; where there is none (a hard start, too few cells) the highest moving mean less what noise adds to
/// the largest of several.
pub(crate) fn supply_current(rec: &Recording, from_s: f64, to_s: f64) -> Option<Peak> {
    let means = zero::cells(rec, Channel::SupplyA, from_s, to_s, WINDOW_S);
    let top = (0..means.len()).max_by(|a, b| means[*a].1.total_cmp(&means[*b].1))?;
    let (value, u_noise, dof) = fitted(rec, &means, top).unwrap_or_else(|| {
        let stated = rec.header.bench.channels.get(&Channel::SupplyA).map_or(0.0, |facts| facts.noise);
        let one = stated / 10.0_f64.sqrt();
        // Of about five means near the top the largest lies 1.16 deviations high (order statistics of five).
        let raw = moving_top(rec, from_s, to_s, means[top].0).unwrap_or(means[top].1) - 1.16 * one;
        (raw, (0.7 * one).hypot(0.003 * raw), DOF_OF_FEW)
    });
    let m = stats::BatchedMean { mean: value, u: u_noise, dof };
    let level = zero::corrected(rec, Channel::SupplyA, means[top].0, &m);
    Some(Peak {
        value: level.value,
        t_s: means[top].0,
        u_noise,
        dof,
        u_zero: level.u_zero,
        u_gain: level.u_gain,
        u_open: 0.0,
    })
}

/// Two parabolas on either side of a corner, and a jump there; times count from the corner.
struct Curve {
    corner_s: f64,
    /// Level before; slope and half the bend before; the same after; jump.
    terms: [f64; 6],
    bic: f64,
    scatter: f64,
    dof: f64,
    least_side: usize,
}

impl Curve {
    fn fit(cells: &[(f64, f64)], corner_s: f64, jumps: bool) -> Option<Self> {
        // The cell in which a jump lies is neither before nor after it.
        let apart = if jumps { 0.75 * WINDOW_S } else { 0.0 };
        let kept: Vec<(f64, f64)> =
            cells.iter().map(|(t, v)| (t - corner_s, *v)).filter(|(t, _)| t.abs() >= apart).collect();
        let before = kept.iter().filter(|(t, _)| *t < 0.0).count();
        let least_side = before.min(kept.len() - before);
        if least_side < LEAST {
            return None;
        }
        let column = |of: fn(f64) -> f64| kept.iter().map(|(t, _)| of(*t)).collect::<Vec<f64>>();
        let values: Vec<f64> = kept.iter().map(|(_, v)| *v).collect();
        let all = [
            column(|_| 1.0),
            column(|t| t.min(0.0)),
            column(|t| t.min(0.0).powi(2)),
            column(|t| t.max(0.0)),
            column(|t| t.max(0.0).powi(2)),
            column(|t| f64::from(t > 0.0)),
        ];
        let all = &all[..if jumps { 6 } else { 5 }];
        let rms = |left: &[f64]| (left.iter().map(|r| r * r).sum::<f64>() / left.len() as f64).sqrt();
        let sides = |left: &[f64]| (rms(&left[..before]), rms(&left[before..]));
        let alike = sides(&Self::weighed(all, &values, before, (1.0, 1.0))?.1);
        // A unit that chops up to the end of its ramp leaves more on one side than on the other.
        let least = 0.1 * alike.0.max(alike.1).max(f64::MIN_POSITIVE);
        let weights = (1.0 / alike.0.max(least), 1.0 / alike.1.max(least));
        let (terms, left) = Self::weighed(all, &values, before, weights)?;
        let (rms_before, rms_after) = sides(&left);
        let ln_square = |rms: f64| 2.0 * rms.max(f64::MIN_POSITIVE).ln();
        let (n, n_before, p) = (kept.len() as f64, before as f64, all.len() as f64 + 1.0);
        let bic = n_before * ln_square(rms_before) + (n - n_before) * ln_square(rms_after) + p * n.ln();
        // Half of the terms are of either side. What both together tell of the corner, as of two alike.
        let in_batches = |left: &[f64]| stats::scatter_in_batches(left, SIDE_TERMS);
        let side = |left: &[f64], rms: f64| {
            let n = left.len() as f64;
            in_batches(left).unwrap_or(rms * (n / (n - SIDE_TERMS as f64)).sqrt())
        };
        let (left_before, left_after) = left.split_at(before);
        let (by_before, by_after) = (side(left_before, rms_before), side(left_after, rms_after));
        let scatter = (0.5 * (by_before.powi(-2) + by_after.powi(-2))).powf(-0.5);
        let has_batches = in_batches(left_before).is_some() && in_batches(left_after).is_some();
        let dof = if has_batches { DOF } else { DOF_OF_FEW };
        Some(Self { corner_s, terms, bic, scatter, dof, least_side })
    }

    /// Terms fitted with a weight for either side, and what is left of the values.
    fn weighed(
        columns: &[Vec<f64>],
        values: &[f64],
        before: usize,
        weights: (f64, f64),
    ) -> Option<([f64; 6], Vec<f64>)> {
        let scaled = |column: &[f64]| -> Vec<f64> {
            let weight = |i: usize| if i < before { weights.0 } else { weights.1 };
            column.iter().enumerate().map(|(i, value)| value * weight(i)).collect()
        };
        let used: Vec<Vec<f64>> = columns.iter().map(|column| scaled(column)).collect();
        let used: Vec<&[f64]> = used.iter().map(Vec::as_slice).collect();
        let (found, _) = super::signal::fit::linear(&used, &scaled(values))?;
        let mut terms = [0.0; 6];
        terms[..found.len()].copy_from_slice(&found);
        let left = |i: usize| values[i] - columns.iter().zip(terms).map(|(column, term)| column[i] * term).sum::<f64>();
        Some((terms, (0..values.len()).map(left).collect()))
    }

    fn jump(&self) -> f64 {
        self.terms[5]
    }

    /// Value at `t` from the corner, the jump at `jump_s` from it and rounded off by the winding.
    fn at(&self, t: f64, jump_s: f64) -> f64 {
        let (before, after) = (t.min(0.0), t.max(0.0));
        let smooth = self.terms[0]
            + before * (self.terms[1] + before * self.terms[2])
            + after * (self.terms[3] + after * self.terms[4]);
        if t > jump_s { smooth + self.jump() * (1.0 - (-(t - jump_s) / WINDING_S).exp()) } else { smooth }
    }
}

/// Highest 5 ms mean of the curve fitted around `top`, with what noise and ripple leave of uncertainty and the degrees of
/// freedom behind that.
fn fitted(rec: &Recording, means: &[(f64, f64)], top: usize) -> Option<(f64, f64, f64)> {
    let cells = &means[top.saturating_sub(REACH)..(top + REACH + 1).min(means.len())];
    let best_of = |jumps: bool| {
        let corners = (0..=4 * CORNER).map(|i| means[top].0 + WINDOW_S * (0.5 * i as f64 - CORNER as f64));
        let curves = corners.filter_map(|corner_s| Curve::fit(cells, corner_s, jumps));
        curves.min_by(|a, b| a.bic.total_cmp(&b.bic))
    };
    let (smooth, stepped) = (best_of(false)?, best_of(true));
    let best = stepped.filter(|stepped| stepped.bic < smooth.bic - JUMP_EVIDENCE).unwrap_or(smooth);
    let jumps = best.jump() != 0.0;
    if best.jump().abs() > HARD_SHARE * means[top].1 {
        return None;
    }
    let jump_s = if jumps { jump_time(rec, &best) } else { 0.0 };
    let span_s = 2.0 * CORNER as f64 * WINDOW_S;
    // Only as far as there are cells: a current that is highest at the end of the record has nothing fitted beyond it, and
    // a parabola of five cells carried on from there goes anywhere.
    let ends = (cells.first()?.0 - 0.5 * WINDOW_S - best.corner_s, cells.last()?.0 + 0.5 * WINDOW_S - best.corner_s);
    let fine: Vec<f64> = (0..(2.0 * span_s / FINE_S) as usize)
        .map(|i| FINE_S * i as f64 - span_s)
        .filter(|t| (ends.0..=ends.1).contains(t))
        .map(|t| best.at(t, jump_s))
        .collect();
    let width = (WINDOW_S / FINE_S).round() as usize;
    let highest = fine.windows(width).filter_map(stats::mean).max_by(f64::total_cmp)?;
    // Where two parabolas meet their value has 4.4 times the variance of a mean of one side, and at the end of one eight
    // times.
    let variances = if jumps { 8.0 } else { 4.4 };
    let by_scatter = best.scatter * (variances / best.least_side as f64).sqrt();
    let by_winding = if jumps { WINDING_SHARE / 3.0_f64.sqrt() * highest } else { 0.0 };
    Some((highest, by_scatter.hypot(SHAPE_SHARE * highest).hypot(by_winding), best.dof))
}

/// When the current jumps, seconds from the corner: half way up, less what the winding takes for that.
fn jump_time(rec: &Recording, curve: &Curve) -> f64 {
    let half = curve.terms[0] + 0.5 * curve.jump();
    let (from_s, to_s) = (curve.corner_s - 2.0 * WINDOW_S, curve.corner_s + 2.0 * WINDOW_S);
    let series = rec.channels.get(&Channel::SupplyA);
    let samples: Vec<(f64, f64)> = series.into_iter().flat_map(|series| series.samples(from_s, to_s)).collect();
    let crossings = samples.windows(2).filter(|w| (w[0].1 < half) != (w[1].1 < half)).map(|w| w[1].0 - curve.corner_s);
    let nearest = crossings.min_by(|a, b| a.abs().total_cmp(&b.abs()));
    nearest.map_or(0.0, |t_s| t_s - WINDING_S * std::f64::consts::LN_2)
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
    fn ripple_does_not_lift_the_end_of_a_ramp_or_a_step() {
        let ripple =
            |t: f64| 0.01 * (std::f64::consts::TAU * 31.0 * t).sin() + 0.01 * (std::f64::consts::TAU * 373.0 * t).cos();
        let ramp = |t: f64| if t < 2.0 { 10.0 + 15.0 * t } else { 20.0 + 20.0 * (-(t - 2.0) / 0.6).exp() };
        let step = |t: f64| match t {
            t if t < 2.0 => 25.0,
            t => 20.0 + 20.0 * (-(t - 2.0) / 0.6).exp() - 15.0 * (-(t - 2.0) / 1.4e-3).exp(),
        };
        // The mean of the best 5 ms: a corner between slopes of +15 and -33 A/s, and a step rounded off within 1.4 ms.
        let cases: [(&dyn Fn(f64) -> f64, f64); 2] = [(&ramp, 39.96), (&step, 39.66)];
        for (wave, height) in cases {
            let errors: Vec<f64> = (0..20)
                .map(|seed| {
                    let rec = recording(|t| wave(t) * (1.0 + ripple(t + 0.013 * seed as f64)), 0.06, seed);
                    supply_current(&rec, 0.0, 4.0).expect("samples").value - height
                })
                .collect();
            let mean = stats::mean(&errors).expect("twenty");
            // Two per mille. The plain maximum lies 1.5 % high.
            assert!(mean.abs() < 2e-3 * height, "{height}: {mean} {errors:?}");
        }
    }

    #[test]
    fn bursts_before_the_end_of_a_ramp_leave_the_smooth_fall_after_it_its_word() {
        // Every fourth 5 ms carries a twelfth less, as of a chopper that beats with the commutation and then stands open.
        let wave = |t: f64| match t {
            t if t >= 2.0 => 30.0 * (-(t - 2.0) / 0.6).exp(),
            t if (t / 5e-3).floor() % 4.0 == 0.0 => (10.0 + 10.0 * t) * 0.92,
            t => 10.0 + 10.0 * t,
        };
        let rec = recording(wave, 0.02, 1);
        let peak = supply_current(&rec, 0.0, 4.0).expect("samples");
        // Weighed alike the fit lies 0.2 A low; the first 5 ms of the fall have a mean of 29.88 A.
        assert!((peak.value - 29.88).abs() < 0.1, "{peak:?}");
        assert!((peak.value - 29.88).abs() < 3.0 * peak.u_noise, "{peak:?}");
    }

    #[test]
    fn what_is_left_of_ripple_passes_for_no_jump_at_the_end_of_a_ramp() {
        // A fan that starts within a second; 5 ms leave an ampere of what a sample has, as of aliased commutation.
        let ramp = |t: f64| if t < 2.0 { 28.0 + 65.0 * (t - 2.0) } else { 28.0 - 33.0 * (t - 2.0) };
        let errors: Vec<f64> = (0..100)
            .map(|seed| {
                let rec = recording(ramp, 1.0, seed);
                // The best 5 ms across the corner have a mean 0.05 A below it.
                supply_current(&rec, 1.0, 3.0).expect("samples").value - 27.95
            })
            .collect();
        let rms = (errors.iter().map(|e| e * e).sum::<f64>() / 100.0).sqrt();
        // With a jump wherever one fits a little better it is twice as much.
        assert!(rms < 0.14, "{rms} {errors:?}");
    }

    #[test]
    fn a_current_that_is_highest_at_the_end_of_the_record_is_not_carried_on_beyond_it() {
        // An exponential soft start: the current creeps up to where it stays, with ripple on it.
        let errors: Vec<f64> = (0..60)
            .map(|seed| {
                let rec = recording(|t| 21.9 - 0.2 * (-(t - 3.0) / 1.2).exp(), 0.3, seed);
                supply_current(&rec, 1.0, 4.0).expect("samples").value - 21.81
            })
            .collect();
        assert!(errors.iter().all(|e| e.abs() < 0.45), "{errors:?}");
    }

    #[test]
    fn a_ramp_that_has_not_arrived_leaves_its_peak_open() {
        let rec = recording(|t| 21.9 - 0.2 * (-(t - 3.0) / 1.2).exp(), 0.05, 1);
        let seen = supply_current(&rec, 1.0, 4.0).expect("samples");
        let open = seen.open_to(seen.value + 0.2);
        let half = crate::analysis::estimate::Estimate::new(open.value, vec![open.last_step(1.0)]);
        let interval = half.measured(crate::results::ResultName::PeakSupplyA, "5 ms mean", 1).interval.expect("closed");
        // Either end may well be it: both are inside.
        assert!((interval[0].expect("closed") - seen.value + 0.013).abs() < 1e-3, "{interval:?} from {seen:?}");
        assert!((interval[1].expect("closed") - seen.value - 0.213).abs() < 1e-3, "{interval:?} from {seen:?}");
        assert_eq!(seen.open_to(seen.value - 1.0), seen, "a hump before it was higher");
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
