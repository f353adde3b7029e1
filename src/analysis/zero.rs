//! Zeros of the channels from the stretches recorded for them, and levels corrected by them.

use crate::bench::Channel;
use crate::record::event::{ChannelFacts, SpanKind};
use crate::record::recording::{Recording, Span};
use crate::results::Contribution;

use super::signal::stats::{self, BatchedMean};

/// A zero further from nothing than this many of its stated uncertainties is a fault of the rig, not a zero.
const PLAUSIBLE: f64 = 3.0;

/// A corrected mean level with its parts of uncertainty, in the channel's unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    /// Mean less zero.
    pub value: f64,
    /// Noise of the mean.
    pub u_noise: f64,
    /// Degrees of freedom of the noise.
    pub dof: f64,
    /// Zero: noise of the zero readings and drift between them, or the stated offset where none was taken.
    pub u_zero: f64,
    /// Gain and resolution as stated; 0 where nothing is stated.
    pub u_gain: f64,
}

impl Level {
    /// Combined standard uncertainty.
    #[must_use]
    pub fn u(&self) -> f64 {
        self.u_noise.hypot(self.u_zero).hypot(self.u_gain)
    }

    /// Budget lines for a result that has sensitivity `factor` to this level; `what` names the channel.
    #[must_use]
    pub fn budget(&self, what: &str, factor: f64) -> Vec<Contribution> {
        let factor = factor.abs();
        vec![
            Contribution::random(&format!("{what} noise"), self.u_noise * factor),
            Contribution::lasting(&format!("{what} zero"), self.u_zero * factor),
            Contribution::common(&format!("{what} gain"), self.u_gain * factor),
        ]
    }
}

/// Zero of `channel` at `t_s` with its standard uncertainty, in the channel's unit.
///
/// Between two zero stretches it is interpolated, outside it is the nearest; half the drift between neighbours is in
/// the uncertainty. A current channel with a low range reads its zero on that range. `None` without a stretch that has
/// samples, and for a reading further than three stated uncertainties from nothing, which is never subtracted.
#[must_use]
pub fn offset(rec: &Recording, channel: Channel, t_s: f64) -> Option<(f64, f64)> {
    let reading = |span: &Span| reading(rec, channel, span);
    // Only the neighbours are read: this is asked thousands of times.
    let zeros = || rec.spans.iter().filter(|span| matches!(span.kind, SpanKind::Zero));
    let before = zeros().rev().filter(|s| s.t1_s <= t_s).find_map(reading);
    let after = zeros().filter(|s| s.t1_s > t_s).find_map(reading);
    match (before, after) {
        (None, None) => None,
        (Some((_, mean, u)), None) | (None, Some((_, mean, u))) => Some((mean, u)),
        (Some((t0, m0, u0)), Some((t1, m1, u1))) => {
            let share = if t1 > t0 { ((t_s - t0) / (t1 - t0)).clamp(0.0, 1.0) } else { 0.5 };
            let drift = (m1 - m0).abs() * 0.5 / 3.0_f64.sqrt();
            let noise = ((1.0 - share) * u0).hypot(share * u1);
            Some((m0 + share * (m1 - m0), noise.hypot(drift)))
        }
    }
}

/// Middle, mean and noise of one zero stretch; `None` without samples or for a reading that is no zero.
fn reading(rec: &Recording, channel: Channel, span: &Span) -> Option<(f64, f64, f64)> {
    let stated = rec.header.bench.channels.get(&channel);
    let allowed = stated.map(|facts| PLAUSIBLE * facts.low.map_or(facts.offset_u, |low| low.offset_u));
    let m = rec.kept(channel, (span.t0_s, span.t1_s), || {
        mean_of(rec, channel, span.t0_s, span.t1_s).map(|m| [m.mean, m.u, m.dof])
    });
    let m = m.map(|[mean, u, dof]| BatchedMean { mean, u, dof })?;
    let plausible = allowed.is_none_or(|a| a <= 0.0 || m.mean.abs() <= a + PLAUSIBLE * m.u);
    plausible.then_some((0.5 * (span.t0_s + span.t1_s), m.mean, noise_of(&m, stated)))
}

/// Slow noise that averaging does not take out, as a share of the noise of one sample, as long as the zeros of a run do
/// not show it: flicker noise of amplifiers and converters lies about there. It counts as much as so many differences, of which
/// a run has about as many: from those alone one run would be thought half as noisy as the next by chance.
const SLOW_SHARE: f64 = 0.1;
const SLOW_WEIGHT: f64 = 4.0;

/// How far the zero of `channel` wanders from one reading to the next, in the channel's unit, with the degrees of
/// freedom behind it: root of half the mean square of the differences of successive zero stretches, noise of the
/// readings included. Few of them may lie close together by chance, so that what is stated of the noise counts beside
/// them. `None` where nothing is stated and there are fewer than two stretches.
#[must_use]
pub fn wander(rec: &Recording, channel: Channel) -> Option<(f64, f64)> {
    let zeros = rec.spans_where(|kind| matches!(kind, SpanKind::Zero));
    let means: Vec<f64> = zeros.filter_map(|span| reading(rec, channel, span)).map(|(_, mean, _)| mean).collect();
    let squares: Vec<f64> = means.windows(2).map(|w| 0.5 * (w[1] - w[0]).powi(2)).collect();
    let stated = rec.header.bench.channels.get(&channel);
    let noise = stated.map_or(0.0, |facts| facts.low.map_or(facts.noise, |low| low.noise));
    let usual = (SLOW_SHARE * noise).powi(2);
    let weight = if usual > 0.0 { SLOW_WEIGHT } else { 0.0 };
    let dof = weight + squares.len() as f64;
    (dof > 0.0).then(|| (((weight * usual + squares.iter().sum::<f64>()) / dof).sqrt(), dof))
}

/// Slow noise by which two readings of `channel` some seconds apart differ, as far as its stated noise tells.
#[must_use]
pub fn slow_noise(rec: &Recording, channel: Channel) -> f64 {
    SLOW_SHARE * rec.header.bench.channels.get(&channel).map_or(0.0, |facts| facts.noise)
}

/// Noise of a mean, at least what the step of one count leaves.
fn noise_of(m: &BatchedMean, stated: Option<&ChannelFacts>) -> f64 {
    let step = stated.map_or(0.0, |facts| if facts.low.is_some() { 0.0 } else { facts.resolution });
    if m.u.is_finite() { m.u.hypot(0.1 * step) } else { stated.map_or(0.0, |facts| facts.noise) }
}

/// Mean level of `channel` over `from_s..to_s`, less its zero; `None` without samples.
#[must_use]
pub fn level(rec: &Recording, channel: Channel, from_s: f64, to_s: f64) -> Option<Level> {
    let m = mean_of(rec, channel, from_s, to_s)?;
    Some(corrected(rec, channel, 0.5 * (from_s + to_s), &m))
}

/// `m` less the zero at `t_s`, with the stated errors of the range that it was read on.
#[must_use]
pub fn corrected(rec: &Recording, channel: Channel, t_s: f64, m: &BatchedMean) -> Level {
    let stated = rec.header.bench.channels.get(&channel).copied().unwrap_or_default();
    let on_low = stated.low.filter(|low| m.mean.abs() <= low.range);
    let high_of_two = stated.low.is_some() && on_low.is_none();
    let (zero, u_zero) = match offset(rec, channel, t_s) {
        // The relay-open zero of a two-range channel is read on the low range and says nothing of the high one.
        Some(_) | None if high_of_two => (0.0, stated.offset_u),
        Some(found) => found,
        None => (0.0, on_low.map_or(stated.offset_u, |low| low.offset_u)),
    };
    let gain_u = on_low.map_or(stated.gain_u, |low| low.gain_u);
    let value = m.mean - zero;
    let step_u = if on_low.is_some() { 0.0 } else { 0.1 * stated.resolution };
    let fallback = on_low.map_or(stated.noise, |low| low.noise);
    let u_noise = if m.u.is_finite() { m.u } else { fallback };
    Level { value, u_noise, dof: m.dof, u_zero, u_gain: (gain_u * value).hypot(step_u) }
}

/// Mean of `channel` over `from_s..to_s` with the uncertainty that its scatter shows.
#[must_use]
pub fn mean_of(rec: &Recording, channel: Channel, from_s: f64, to_s: f64) -> Option<BatchedMean> {
    let series = rec.channels.get(&channel)?;
    let mut slices = series.slices(from_s, to_s);
    let first = slices.next()?;
    match slices.next() {
        None => stats::batched_mean(first.values.iter().map(|&v| f64::from(v))),
        Some(_) => {
            // Spacing changes inside: cells of equal time, so that a burst does not outweigh the rest.
            let cells = cells(rec, channel, from_s, to_s, (to_s - from_s) / 40.0);
            let values: Vec<f64> = cells.iter().map(|(_, v)| *v).collect();
            stats::batched_mean(values.into_iter())
        }
    }
}

/// Means of `channel` over cells of `width_s`, as (middle of the cell, mean); cells without samples are left out.
#[must_use]
pub fn cells(rec: &Recording, channel: Channel, from_s: f64, to_s: f64, width_s: f64) -> Vec<(f64, f64)> {
    let Some(series) = rec.channels.get(&channel) else { return Vec::new() };
    if !(width_s > 0.0 && to_s > from_s) {
        return Vec::new();
    }
    let count = ((to_s - from_s) / width_s - 1e-9).ceil().max(1.0) as usize;
    let mut sums = vec![(0.0, 0_u32); count];
    for slice in series.slices(from_s, to_s) {
        for (i, &value) in slice.values.iter().enumerate() {
            let t_s = slice.t0_s + slice.dt_s * i as f64;
            let cell = (((t_s - from_s) / width_s) as usize).min(count - 1);
            if value.is_finite() {
                sums[cell].0 += f64::from(value);
                sums[cell].1 += 1;
            }
        }
    }
    sums.iter()
        .enumerate()
        .filter(|(_, (_, n))| *n > 0)
        .map(|(i, (sum, n))| (from_s + width_s * (i as f64 + 0.5), sum / f64::from(*n)))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::signal::stats::tests::noise;
    use super::*;
    use crate::record::event::LowRange;

    /// 10 s of a channel at 1 kS/s with zero stretches at both ends.
    fn recording(low: bool, wave: impl Fn(f64) -> f64) -> Recording {
        let mut rec = Recording::default();
        let samples: Vec<f32> =
            noise(7, 10_000, 0.02).iter().enumerate().map(|(i, e)| (wave(i as f64 / 1000.0) + e) as f32).collect();
        rec.channels.entry(Channel::SupplyA).or_default().push(0.0005, 0.001, &samples);
        for (t0_s, t1_s) in [(0.0, 1.0), (9.0, 10.0)] {
            rec.spans.push(Span { kind: SpanKind::Zero, stage: String::new(), t0_s, t1_s, complete: Ok(()) });
        }
        let range = LowRange { range: 1.0, noise: 0.001, offset_u: 0.2, gain_u: 0.01 };
        let facts = ChannelFacts {
            range: 50.0,
            offset_u: 0.2,
            gain_u: 0.005,
            low: low.then_some(range),
            ..ChannelFacts::default()
        };
        rec.header.bench.channels.insert(Channel::SupplyA, facts);
        rec
    }

    #[test]
    fn a_drifting_zero_is_interpolated_and_its_drift_is_in_u() {
        let rec = recording(false, |t| 0.1 + 0.01 * t);
        let (zero, u) = offset(&rec, Channel::SupplyA, 5.0).expect("zeros");
        assert!((zero - 0.15).abs() < 0.004, "{zero}");
        assert!((0.02..0.04).contains(&u), "{u}");
        let (early, _) = offset(&rec, Channel::SupplyA, -1.0).expect("zeros");
        assert!((early - 0.105).abs() < 0.004);
    }

    #[test]
    fn the_wander_of_a_zero_is_half_the_square_of_its_steps() {
        let rec = recording(false, |t| if t < 5.0 { 0.1 } else { 0.13 });
        let (u, dof) = wander(&rec, Channel::SupplyA).expect("two zeros");
        assert!((u - 0.03 / 2.0_f64.sqrt()).abs() < 0.002 && dof == 1.0, "{u}");
        let beyond = recording(false, |t| if t < 5.0 { 0.1 } else { 3.0 });
        assert_eq!(wander(&beyond, Channel::SupplyA), None);
    }

    #[test]
    fn two_zeros_that_happen_to_agree_do_not_prove_that_nothing_wanders() {
        let mut rec = recording(false, |_| 0.1);
        rec.header.bench.channels.entry(Channel::SupplyA).or_default().noise = 0.2;
        let (u, dof) = wander(&rec, Channel::SupplyA).expect("stated noise");
        // Four weights of a tenth of 0.2 beside one difference of next to nothing.
        assert!((u - 0.02 * (4.0_f64 / 5.0).sqrt()).abs() < 5e-4 && dof == 5.0, "{u}");
    }

    #[test]
    fn a_zero_far_outside_its_stated_uncertainty_is_not_subtracted() {
        let rec = recording(false, |_| 2.0);
        assert_eq!(offset(&rec, Channel::SupplyA, 5.0), None);
        let level = level(&rec, Channel::SupplyA, 2.0, 8.0).expect("samples");
        assert!((level.value - 2.0).abs() < 0.01 && level.u_zero >= 0.2);
    }

    #[test]
    fn a_level_is_less_its_zero_and_carries_gain_noise_and_zero() {
        let rec = recording(false, |t| if (1.0..9.0).contains(&t) { 10.1 } else { 0.1 });
        let level = level(&rec, Channel::SupplyA, 2.0, 8.0).expect("samples");
        assert!((level.value - 10.0).abs() < 0.01, "{level:?}");
        assert!((level.u_gain - 0.05).abs() < 1e-3 && level.u_noise < 0.002 && level.u_zero < 0.005);
    }

    #[test]
    fn the_zero_of_the_low_range_is_not_taken_for_that_of_the_high_range() {
        let wave = |t: f64| if (1.0..5.0).contains(&t) { 10.1 } else { 0.1 };
        let rec = recording(true, wave);
        let high = level(&rec, Channel::SupplyA, 2.0, 4.0).expect("samples");
        assert!((high.value - 10.1).abs() < 0.01 && high.u_zero >= 0.2, "{high:?}");
        let low = level(&rec, Channel::SupplyA, 6.0, 8.0).expect("samples");
        assert!(low.value.abs() < 0.01 && low.u_zero < 0.01, "{low:?}");
    }
}
