//! Sensors: gain and offset errors of this bench, white and slow noise, front-end pole, ranges, quantisation.

use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;

/// Stated errors of a sensor, standard uncertainties in its own unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SensorSpec {
    /// Full scale; readings are clipped there.
    pub range: f64,
    /// White noise of one sample at the normal spacing.
    pub noise: f64,
    /// Offset before zeroing.
    pub offset_u: f64,
    /// Relative gain.
    pub gain_u: f64,
    /// Step of one count; 0 is continuous.
    pub resolution: f64,
    /// Finer range used whenever the reading fits.
    pub low: Option<LowSpec>,
}

/// A finer range.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LowSpec {
    /// Full scale.
    pub range: f64,
    /// White noise of one sample at the normal spacing.
    pub noise: f64,
    /// Offset before zeroing.
    pub offset_u: f64,
    /// Relative gain.
    pub gain_u: f64,
}

/// Spacing for which noise is stated.
const NORMAL_DT_S: f64 = 5e-4;
/// Time constant of the analog front end.
const FRONT_END_S: f64 = 30e-6;
/// Correlation times of the slow noise: three octave-like sources make a spectrum close to 1/f.
const DRIFT_S: [f64; 3] = [1.0, 10.0, 100.0];
/// Each of them as a share of the white noise.
const DRIFT_SHARE: f64 = 0.08;
/// Spacing of drift updates.
const DRIFT_STEP_S: f64 = 0.05;
/// Errors beyond this many standard uncertainties do not pass a calibration.
const WORST: f64 = 2.5;

/// True errors of one range, drawn once per bench.
#[derive(Clone, Copy, Debug)]
struct Errors {
    gain: f64,
    offset: f64,
    noise: f64,
    range: f64,
    step: f64,
}

impl Errors {
    fn draw(rng: &mut Xoshiro256PlusPlus, gain_u: f64, offset_u: f64, noise: f64, range: f64, step: f64) -> Self {
        let mut normal = || {
            let z: f64 = StandardNormal.sample(rng);
            z.clamp(-WORST, WORST)
        };
        Self { gain: 1.0 + gain_u * normal(), offset: offset_u * normal(), noise, range, step }
    }
}

/// A sensor of this bench.
#[derive(Clone, Debug)]
pub struct Sensor {
    high: Errors,
    low: Option<Errors>,
    in_low: bool,
    /// Front-end state.
    seen: f64,
    drift: [f64; 3],
    drift_due_s: f64,
    rng: Xoshiro256PlusPlus,
}

/// What depends on the sample spacing alone.
#[derive(Clone, Copy, Debug)]
pub struct Spacing {
    dt_s: f64,
    follow: f64,
    noise: f64,
}

impl Spacing {
    /// For samples `dt_s` apart. White noise is stated at 0.5 ms and grows with the square root of the bandwidth.
    #[must_use]
    pub fn new(dt_s: f64) -> Self {
        Self { dt_s, follow: -(-dt_s / FRONT_END_S).exp_m1(), noise: (NORMAL_DT_S / dt_s).sqrt() }
    }

    /// For single readings of a slow channel `dt_s` apart, whose stated noise is that of one reading.
    #[must_use]
    pub const fn per_reading(dt_s: f64) -> Self {
        Self { dt_s, follow: 1.0, noise: 1.0 }
    }
}

impl Sensor {
    /// A sensor whose true errors are drawn from what is stated of it.
    #[must_use]
    pub fn new(spec: &SensorSpec, seed: u64) -> Self {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
        let high = Errors::draw(&mut rng, spec.gain_u, spec.offset_u, spec.noise, spec.range, spec.resolution);
        let low = spec.low.map(|low| {
            // The finer range has the gain in front of the converter: its count is at most its noise.
            let step = (spec.resolution * low.range / spec.range).min(low.noise);
            Errors::draw(&mut rng, low.gain_u, low.offset_u, low.noise, low.range, step)
        });
        Self { high, low, in_low: low.is_some(), seen: 0.0, drift: [0.0; 3], drift_due_s: 0.0, rng }
    }

    /// The same sensor, true errors and all, in a run with other noise.
    #[must_use]
    pub fn in_another_run(mut self, seed: u64) -> Self {
        self.rng = Xoshiro256PlusPlus::seed_from_u64(seed);
        self
    }

    /// Reads `value` after one more sample spacing.
    #[inline]
    pub fn sample(&mut self, value: f64, spacing: &Spacing) -> f32 {
        self.drift_due_s -= spacing.dt_s;
        if self.drift_due_s <= 0.0 {
            self.drift();
        }
        self.seen += (value - self.seen) * spacing.follow;
        let errors = self.range();
        let z: f64 = StandardNormal.sample(&mut self.rng);
        let drift = self.drift[0] + self.drift[1] + self.drift[2];
        let noise = errors.noise * (spacing.noise * z + drift);
        let reading = (self.seen * errors.gain + errors.offset + noise).clamp(-errors.range, errors.range);
        let counted = if errors.step > 0.0 { (reading / errors.step).round() * errors.step } else { reading };
        #[expect(clippy::cast_possible_truncation, reason = "samples are kept in single precision")]
        let sample = counted as f32;
        sample
    }

    /// Range in use; it changes with some hysteresis.
    fn range(&mut self) -> Errors {
        let Some(low) = self.low else { return self.high };
        let share = self.seen.abs() / low.range;
        if share > 0.95 {
            self.in_low = false;
        } else if share < 0.8 {
            self.in_low = true;
        }
        if self.in_low { low } else { self.high }
    }

    fn drift(&mut self) {
        self.drift_due_s += DRIFT_STEP_S;
        for (state, tau_s) in self.drift.iter_mut().zip(DRIFT_S) {
            let keep = (-DRIFT_STEP_S / tau_s).exp();
            let z: f64 = StandardNormal.sample(&mut self.rng);
            *state = *state * keep + DRIFT_SHARE * (1.0 - keep * keep).sqrt() * z;
        }
        if self.drift_due_s <= 0.0 {
            self.drift_due_s = DRIFT_STEP_S;
        }
    }
}

/// A number drawn from a normal distribution with this standard deviation, cut at 2.5 of them.
#[must_use]
pub fn error(rng: &mut impl RngExt, u: f64) -> f64 {
    let z: f64 = StandardNormal.sample(rng);
    u * z.clamp(-WORST, WORST)
}

#[cfg(test)]
mod tests {
    use super::*;

    const SPEC: SensorSpec = SensorSpec {
        range: 120.0,
        noise: 0.05,
        offset_u: 0.1,
        gain_u: 0.005,
        resolution: 0.01,
        low: Some(LowSpec { range: 1.0, noise: 20e-6, offset_u: 30e-6, gain_u: 0.01 }),
    };

    fn statistics(sensor: &mut Sensor, value: f64, dt_s: f64, n: usize) -> (f64, f64) {
        let spacing = Spacing::new(dt_s);
        for _ in 0..2000 {
            sensor.sample(value, &spacing);
        }
        let samples: Vec<f64> = (0..n).map(|_| f64::from(sensor.sample(value, &spacing))).collect();
        let mean = samples.iter().sum::<f64>() / samples.len() as f64;
        let variance = samples.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / samples.len() as f64;
        (mean, variance.sqrt())
    }

    #[test]
    fn noise_at_the_normal_spacing_is_as_stated_and_grows_with_bandwidth() {
        let mut sensor = Sensor::new(&SPEC, 1);
        let (_, sd) = statistics(&mut sensor, 20.0, 5e-4, 20_000);
        assert!((sd - 0.05).abs() < 0.004, "{sd}");
        let (_, sd) = statistics(&mut sensor, 20.0, 5e-5, 20_000);
        assert!((sd - 0.158).abs() < 0.01, "{sd}");
    }

    #[test]
    fn errors_over_many_benches_spread_as_stated() {
        let means: Vec<f64> =
            (0..300).map(|seed| statistics(&mut Sensor::new(&SPEC, seed), 20.0, 5e-4, 2000).0 - 20.0).collect();
        let sd = (means.iter().map(|m| m * m).sum::<f64>() / 300.0).sqrt();
        // Gain 0.5 % of 20 A and offset 0.1 A: 0.141 A; 300 draws give it to 4 %.
        assert!((sd - 0.141).abs() < 0.02, "{sd}");
    }

    #[test]
    fn a_small_reading_comes_from_the_low_range() {
        let mut sensor = Sensor::new(&SPEC, 3);
        let (mean, sd) = statistics(&mut sensor, 200e-6, 5e-4, 5000);
        assert!(sd < 100e-6 && (mean - 200e-6).abs() < 120e-6, "{mean} {sd}");
    }
}
