//! Soft start: how the output ratio follows its target. Rising follows the shape, falling is fast, off is at once.

use std::f64::consts::PI;

use super::config::{Kick, RampConfig, RampShape};

/// Remaining distance at which an exponential ramp has arrived.
const ARRIVED: f64 = 0.002;
/// What rounding may take from a step of a stepped ramp, in steps.
const STEP_ROUNDING: f64 = 1e-9;

/// State of the ramp.
#[derive(Clone, Debug)]
pub(crate) struct Ramp {
    ratio: f64,
    /// Where the present rising segment started, and its goal.
    from: f64,
    goal: f64,
    /// Time in the segment.
    in_s: f64,
    /// Time left of a kick.
    kick_s: f64,
    /// Skip the shape (hard power-up), until the control takes it back.
    pub(crate) hard: bool,
}

impl Ramp {
    pub(crate) const fn new() -> Self {
        Self { ratio: 0.0, from: 0.0, goal: 0.0, in_s: 0.0, kick_s: 0.0, hard: false }
    }

    /// Output ratio now.
    pub(crate) const fn ratio(&self) -> f64 {
        self.ratio
    }

    /// Output off at once.
    pub(crate) fn drop_out(&mut self) {
        *self = Self { hard: self.hard, ..Self::new() };
    }

    /// Lets `dt` pass towards `target` and returns the mean ratio over it; what it is at its end is [`Self::ratio`].
    pub(crate) fn step(&mut self, dt: f64, target: f64, config: &RampConfig) -> f64 {
        if target <= 0.0 {
            self.drop_out();
            return 0.0;
        }
        if self.hard {
            self.ratio = target;
            return target;
        }
        if self.ratio <= 0.0 && self.goal <= 0.0 {
            self.begin(target, config);
        }
        let kicked = self.ratio;
        let kicked_s = self.kick_s.min(dt);
        if kicked_s > 0.0 {
            self.kick_s -= kicked_s;
            self.goal = self.ratio;
            if kicked_s >= dt {
                return kicked;
            }
        }
        let rest_s = dt - kicked_s;
        let mean = self.follow(rest_s, target, config);
        (kicked * kicked_s + mean * rest_s) / dt
    }

    /// The same after a kick.
    fn follow(&mut self, dt: f64, target: f64, config: &RampConfig) -> f64 {
        if target < self.ratio {
            let before = self.ratio;
            self.ratio = (self.ratio - dt / config.fall_s.max(1e-3)).max(target);
            (self.from, self.goal, self.in_s) = (self.ratio, self.ratio, 0.0);
            return 0.5 * (before + self.ratio);
        }
        if target > self.ratio || target > self.goal {
            return self.rise(dt, target, config);
        }
        self.ratio
    }

    /// First output after off.
    fn begin(&mut self, target: f64, config: &RampConfig) {
        if let Some(Kick { ratio, for_s }) = config.kick {
            (self.ratio, self.kick_s) = (ratio, for_s);
        } else if let RampShape::JumpThenRamp(jump) = config.shape {
            self.ratio = jump.min(target);
        }
        (self.from, self.goal, self.in_s) = (self.ratio, self.ratio, 0.0);
    }

    fn rise(&mut self, dt: f64, target: f64, config: &RampConfig) -> f64 {
        if (target - self.goal).abs() > 1e-12 {
            (self.from, self.goal, self.in_s) = (self.ratio, target, 0.0);
        }
        let began_s = self.in_s;
        self.in_s += dt;
        let before = self.risen(began_s, target, config);
        self.ratio = self.risen(self.in_s, target, config);
        let share = match config.shape {
            // Held until the next step, in whatever part of `dt` that comes.
            RampShape::Stepped(steps) => {
                let passed =
                    |in_s: f64| (self.from + in_s / config.full_s.max(1e-6)) * f64::from(steps.max(1)) + STEP_ROUNDING;
                let (from, to) = (passed(began_s), passed(self.in_s));
                ((to - from.floor() - 1.0) / (to - from)).clamp(0.0, 1.0)
            }
            _ => 0.5,
        };
        before + share * (self.ratio - before)
    }

    /// Ratio so long after the segment started.
    fn risen(&self, in_s: f64, target: f64, config: &RampConfig) -> f64 {
        let full_s = config.full_s.max(1e-6);
        let linear = self.from + in_s / full_s;
        match config.shape {
            RampShape::None => target,
            RampShape::Linear | RampShape::JumpThenRamp(_) => linear.min(target),
            RampShape::Exponential => {
                let gap = (target - self.from) * (-in_s / full_s).exp();
                if gap < ARRIVED { target } else { target - gap }
            }
            RampShape::S => {
                let share = (in_s / (full_s * (target - self.from))).min(1.0);
                self.from + (target - self.from) * 0.5 * (1.0 - (PI * share).cos())
            }
            RampShape::Stepped(steps) => {
                let steps = f64::from(steps.max(1));
                (((linear * steps + STEP_ROUNDING).floor() + 1.0) / steps).min(target)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plant::config::PowerUp;

    fn config(shape: RampShape, full_s: f64, kick: Option<Kick>) -> RampConfig {
        RampConfig { shape, full_s, fall_s: 0.1, kick, power_up: PowerUp::Soft }
    }

    /// Time from the command to each of the ratios, by 0.1 ms steps.
    fn times(config: &RampConfig, target: f64, at: &[f64]) -> Vec<f64> {
        let mut ramp = Ramp::new();
        let mut found = vec![f64::NAN; at.len()];
        for i in 0..200_000 {
            let ratio = ramp.step(1e-4, target, config);
            for (slot, level) in found.iter_mut().zip(at) {
                if slot.is_nan() && ratio >= *level {
                    *slot = f64::from(i) * 1e-4;
                }
            }
        }
        found
    }

    #[test]
    fn ten_to_ninety_percent_of_each_shape_is_its_closed_form() {
        let s_10 = ((1.0 - 0.2_f64).acos()) / PI;
        for (shape, expect_s) in [
            (RampShape::Linear, 0.8 * 2.0),
            (RampShape::Exponential, 9.0_f64.ln() * 2.0),
            (RampShape::S, (1.0 - 2.0 * s_10) * 2.0),
            (RampShape::Stepped(8), 7.0 / 8.0 * 2.0),
            (RampShape::JumpThenRamp(0.25), 0.65 * 2.0),
            (RampShape::None, 0.0),
        ] {
            let t = times(&config(shape, 2.0, None), 1.0, &[0.1, 0.9]);
            assert!((t[1] - t[0] - expect_s).abs() < 3e-4, "{shape:?}: {t:?}, expected {expect_s}");
        }
    }

    #[test]
    fn a_kick_comes_first_and_the_ramp_goes_on_from_it() {
        let kick = Kick { ratio: 0.4, for_s: 0.5 };
        let t = times(&config(RampShape::Linear, 2.0, Some(kick)), 1.0, &[0.1, 0.4, 0.9]);
        assert!(t[0] < 2e-4 && t[1] < 2e-4, "{t:?}");
        assert!((t[2] - (0.5 + 0.5 * 2.0)).abs() < 1e-3, "{t:?}");
        let mut ramp = Ramp::new();
        let config = config(RampShape::Linear, 2.0, Some(kick));
        for _ in 0..10_000 {
            ramp.step(1e-4, 0.15, &config);
        }
        assert!((ramp.ratio() - 0.15).abs() < 1e-9, "a small command falls back to its own output after the kick");
    }

    #[test]
    fn a_step_gives_its_mean_whatever_its_length() {
        let kick = Kick { ratio: 0.4, for_s: 0.0521 };
        for (shape, kick) in [
            (RampShape::Linear, None),
            (RampShape::Linear, Some(kick)),
            (RampShape::Exponential, None),
            (RampShape::S, None),
            (RampShape::Stepped(7), None),
            (RampShape::JumpThenRamp(0.25), None),
        ] {
            let config = config(shape, 2.0, kick);
            let area = |dt: f64, steps: u32| {
                let mut ramp = Ramp::new();
                (0..steps).map(|_| dt * ramp.step(dt, 1.0, &config)).sum::<f64>()
            };
            let (coarse, fine) = (area(5e-3, 100), area(1e-5, 50_000));
            assert!((coarse - fine).abs() < 2e-5, "{shape:?}: {coarse} {fine}");
        }
    }

    #[test]
    fn falling_is_fast_and_off_is_at_once() {
        let config = config(RampShape::Linear, 2.0, None);
        let mut ramp = Ramp::new();
        for _ in 0..30_000 {
            ramp.step(1e-4, 1.0, &config);
        }
        for _ in 0..500 {
            ramp.step(1e-4, 0.3, &config);
        }
        assert!((ramp.ratio() - 0.5).abs() < 1e-6, "{}", ramp.ratio());
        assert_eq!(ramp.step(1e-4, 0.0, &config), 0.0);
    }
}
