//! Tach: rising edges by exact interpolation of the angle, with slot errors, jitter, missing and doubled edges.

use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;

/// What the tach is like.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TachConfig {
    /// Pulses per revolution.
    pub pulses_per_rev: f64,
    /// Standard deviation of an edge's time.
    pub jitter_s: f64,
    /// Standard deviation of a slot's place, as a share of the pitch; the same every revolution.
    pub slot_error: f64,
    /// Share of edges that go missing.
    pub missing: f64,
    /// Share of edges that come twice.
    pub doubled: f64,
}

/// State of the tach.
#[derive(Clone, Debug)]
pub struct Tach {
    config: TachConfig,
    slots: Vec<f64>,
    last_s: f64,
    rng: Xoshiro256PlusPlus,
}

/// Distance of the second of two edges from the first (contact bounce).
const BOUNCE_S: f64 = 3e-4;

impl Tach {
    /// A tach whose slot errors are drawn once.
    #[must_use]
    pub fn new(config: TachConfig, seed: u64) -> Self {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a small positive count")]
        let count = config.pulses_per_rev.round().clamp(1.0, 1024.0) as usize;
        let slots = (0..count)
            .map(|_| {
                let z: f64 = StandardNormal.sample(&mut rng);
                config.slot_error * z.clamp(-2.5, 2.5)
            })
            .collect();
        Self { config, slots, last_s: f64::NEG_INFINITY, rng }
    }

    /// The same tach, slots and all, in a run with other jitter.
    #[must_use]
    pub fn in_another_run(mut self, seed: u64) -> Self {
        self.rng = Xoshiro256PlusPlus::seed_from_u64(seed);
        self
    }

    /// Adds the edges of a sample in which the angle went from `turns.0` to `turns.1` (revolutions) between `t_s` and
    /// `t_s + dt_s`. Edges stay in order and before `end_s`, the end of the block.
    pub fn edges(&mut self, turns: (f64, f64), t_s: f64, dt_s: f64, end_s: f64, out: &mut Vec<f64>) {
        let (from, to) = (turns.0 * self.config.pulses_per_rev, turns.1 * self.config.pulses_per_rev);
        let mut edge = from.floor() + 1.0;
        while edge <= to {
            let per_pitch_s = dt_s / (to - from);
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a remainder of a small count")]
            let slot = self.slots[(edge % self.slots.len() as f64) as usize];
            let z: f64 = StandardNormal.sample(&mut self.rng);
            let exact_s = t_s + (edge - from + slot) * per_pitch_s + self.config.jitter_s * z;
            self.emit(exact_s, end_s, out);
            edge += 1.0;
        }
    }

    fn emit(&mut self, exact_s: f64, end_s: f64, out: &mut Vec<f64>) {
        let (lost, twice) = (self.rng.random::<f64>(), self.rng.random::<f64>());
        if lost < self.config.missing {
            return;
        }
        self.put(exact_s, end_s, out);
        if twice < self.config.doubled {
            self.put(exact_s + BOUNCE_S, end_s, out);
        }
    }

    fn put(&mut self, at_s: f64, end_s: f64, out: &mut Vec<f64>) {
        let at_s = at_s.max(self.last_s + 1e-6).min(end_s);
        if at_s > self.last_s {
            self.last_s = at_s;
            out.push(at_s);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const CLEAN: TachConfig =
        TachConfig { pulses_per_rev: 2.0, jitter_s: 0.0, slot_error: 0.0, missing: 0.0, doubled: 0.0 };

    /// Edges of a constant speed over 10 s in 0.5 ms samples.
    fn run(config: TachConfig, rev_per_s: f64) -> Vec<f64> {
        let mut tach = Tach::new(config, 5);
        let mut out = Vec::new();
        let mut turns = 0.0;
        for i in 0..20_000 {
            let after = f64::from(i + 1) * 5e-4 * rev_per_s;
            tach.edges((turns, after), f64::from(i) * 5e-4, 5e-4, 10.0, &mut out);
            turns = after;
        }
        out
    }

    #[test]
    fn edges_lie_exactly_where_the_angle_passes() {
        let edges = run(CLEAN, 37.3);
        assert_eq!(edges.len(), 746);
        for (i, edge) in edges.iter().enumerate() {
            let expect = (i as f64 + 1.0) / (2.0 * 37.3);
            assert!((edge - expect).abs() < 1e-9, "{edge} {expect}");
        }
    }

    #[test]
    fn missing_and_doubled_edges_come_at_their_share_and_in_order() {
        let edges = run(TachConfig { missing: 0.05, doubled: 0.02, jitter_s: 2e-5, ..CLEAN }, 40.0);
        // 800 edges less 5 %, 2 % of the rest twice: 775 with a standard deviation of 7.3.
        assert!((750..800).contains(&edges.len()), "{}", edges.len());
        assert!(edges.windows(2).all(|pair| pair[1] > pair[0]));
    }
}
