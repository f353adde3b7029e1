//! Brushed motor with a fan wheel: current, speed, angle, grip of the detents, warming copper, commutation ripple.
//!
//! The current is solved exactly over a step at held speed and drive; speed is stepped with the mean current, which is
//! stable at every pace because the mechanical time constant is near a second.

use std::f64::consts::TAU;

use rand_distr::{Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;

use super::config::MotorConfig;

/// What drives the motor over a step, as seen from its terminals.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Terminals {
    /// Mean voltage behind `series_ohm`.
    pub(crate) volts: f64,
    /// Resistance in the path besides the motor's own.
    pub(crate) series_ohm: f64,
    /// Whether current may flow backwards.
    pub(crate) two_way: bool,
}

/// One step of the motor.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct MotorStep {
    /// Mean current.
    pub(crate) amps: f64,
    /// Integral of the squared current.
    pub(crate) square_a2s: f64,
    /// Mean terminal voltage.
    pub(crate) volts: f64,
    /// Heat in the copper.
    pub(crate) copper_j: f64,
    /// Friction heat.
    pub(crate) friction_j: f64,
    /// Work on the air.
    pub(crate) air_j: f64,
}

/// How the rotor is held.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Grip {
    /// At rest.
    Held,
    /// Turning; `armed` once it was clearly faster than the detents can catch.
    Free { armed: bool },
    /// Caught by the detents, coming to rest.
    Caught,
}

/// State of the motor.
#[derive(Clone, Debug)]
pub(crate) struct Motor {
    pub(crate) amps: f64,
    pub(crate) rad_s: f64,
    /// Angle in revolutions.
    pub(crate) turns: f64,
    pub(crate) copper_c: f64,
    ohm: f64,
    grip: Grip,
    breakaway_nm: f64,
    gust: f64,
    /// Cached decay of the current: for which step and resistance, and its factor.
    cached: (f64, f64, f64),
}

impl Motor {
    pub(crate) fn new(config: &MotorConfig, ambient_c: f64, rng: &mut Xoshiro256PlusPlus) -> Self {
        let mut motor = Self {
            amps: 0.0,
            rad_s: 0.0,
            turns: 0.0,
            copper_c: ambient_c,
            ohm: config.resistance_at(ambient_c),
            grip: Grip::Held,
            breakaway_nm: 0.0,
            gust: 0.0,
            cached: (0.0, 0.0, 0.0),
        };
        motor.rest(config, rng);
        motor
    }

    /// Resistance now.
    pub(crate) const fn ohm(&self) -> f64 {
        self.ohm
    }

    /// Whether the rotor is at rest.
    pub(crate) fn at_rest(&self) -> bool {
        self.grip == Grip::Held
    }

    /// Whether nothing moves and nothing flows.
    pub(crate) fn is_idle(&self) -> bool {
        self.at_rest() && self.amps == 0.0
    }

    /// Copper at this temperature.
    pub(crate) fn warm_to(&mut self, config: &MotorConfig, copper_c: f64) {
        (self.copper_c, self.ohm) = (copper_c, config.resistance_at(copper_c));
    }

    /// At rest, with a fresh breakaway torque for the next start.
    fn rest(&mut self, config: &MotorConfig, rng: &mut Xoshiro256PlusPlus) {
        let z: f64 = StandardNormal.sample(rng);
        (self.grip, self.rad_s) = (Grip::Held, 0.0);
        self.breakaway_nm = config.breakaway_nm * (1.0 + config.breakaway_sd * z).max(0.2);
    }

    /// Lets `dt` pass with the terminals driven so.
    pub(crate) fn step(
        &mut self,
        dt: f64,
        config: &MotorConfig,
        drive: Terminals,
        rng: &mut Xoshiro256PlusPlus,
    ) -> MotorStep {
        if self.amps == 0.0 && drive.volts <= config.ke * self.rad_s && !drive.two_way {
            // No current and none to come: the terminals show the back-EMF.
            let mut step = MotorStep { volts: config.ke * self.rad_s, ..MotorStep::default() };
            self.turn(dt, config, &mut step, rng);
            return step;
        }
        let mut step = self.flow(dt, config, drive);
        step.copper_j = self.ohm * step.square_a2s;
        self.turn(dt, config, &mut step, rng);
        step
    }

    /// Current over the step.
    fn flow(&mut self, dt: f64, config: &MotorConfig, drive: Terminals) -> MotorStep {
        let emf = config.ke * self.rad_s;
        let ohm = self.ohm + drive.series_ohm;
        let tau = config.inductance_h / ohm;
        let decay = self.decay(dt, tau);
        let end = (drive.volts - emf) / ohm;
        let gap = self.amps - end;
        let after = end + gap * decay;
        if after < 0.0 && !drive.two_way {
            // The current reaches zero inside the step and stays there (t0 = tau ln(gap / -end)).
            let until = if self.amps > 0.0 && end < 0.0 { (tau * (gap / -end).ln()).min(dt) } else { 0.0 };
            let e = (-until / tau).exp();
            let charge = end * until + gap * tau * (1.0 - e);
            let square = end * end * until + 2.0 * end * gap * tau * (1.0 - e) + 0.5 * gap * gap * tau * (1.0 - e * e);
            self.amps = 0.0;
            let volts = (until * drive.volts - drive.series_ohm * charge + (dt - until) * emf) / dt;
            return MotorStep { amps: charge / dt, square_a2s: square.max(0.0), volts, ..MotorStep::default() };
        }
        self.amps = after;
        let amps = end + gap * (tau / dt) * (1.0 - decay);
        let square =
            end * end * dt + 2.0 * end * gap * tau * (1.0 - decay) + 0.5 * gap * gap * tau * (1.0 - decay * decay);
        MotorStep { amps, square_a2s: square, volts: drive.volts - drive.series_ohm * amps, ..MotorStep::default() }
    }

    fn decay(&mut self, dt: f64, tau: f64) -> f64 {
        if self.cached.0 != dt || self.cached.1 != tau {
            self.cached = (dt, tau, (-dt / tau).exp());
        }
        self.cached.2
    }

    /// Speed and angle over the step.
    fn turn(&mut self, dt: f64, config: &MotorConfig, step: &mut MotorStep, rng: &mut Xoshiro256PlusPlus) {
        let torque = config.ke * step.amps;
        if self.grip == Grip::Held {
            if torque <= self.breakaway_nm {
                return;
            }
            self.grip = Grip::Free { armed: false };
        }
        let rubbing = match self.grip {
            Grip::Caught => 2.0 * config.breakaway_nm,
            Grip::Held | Grip::Free { .. } => config.friction_nm,
        };
        let before = self.rad_s;
        let air = config.air_nm_s2 * (1.0 + self.gust) * before * before;
        let drag = rubbing + config.viscous_nm_s * before;
        let after = before + dt / config.inertia_kg_m2 * (torque - drag - air);
        if after <= 0.0 {
            step.friction_j = 0.5 * config.inertia_kg_m2 * before * before + 0.5 * torque * before * dt;
            self.turns += 0.5 * before * dt / TAU;
            self.rest(config, rng);
            return;
        }
        let mean = 0.5 * (before + after);
        self.rad_s = after;
        self.turns += mean * dt / TAU;
        step.friction_j = drag * mean * dt;
        step.air_j = air * mean * dt;
        self.grip(config, torque);
    }

    /// Arms, catches and frees.
    fn grip(&mut self, config: &MotorConfig, torque: f64) {
        match self.grip {
            Grip::Free { armed: false } if self.rad_s > 1.2 * config.catch_rad_s => {
                self.grip = Grip::Free { armed: true };
            }
            Grip::Free { armed: true } if self.rad_s < config.catch_rad_s && torque < config.breakaway_nm => {
                self.grip = Grip::Caught;
            }
            Grip::Caught if torque > config.breakaway_nm => self.grip = Grip::Free { armed: false },
            _ => {}
        }
    }

    /// Copper temperature and turbulence over a longer step with this heat.
    pub(crate) fn warm(
        &mut self,
        dt: f64,
        config: &MotorConfig,
        heat_j: f64,
        ambient_c: f64,
        rng: &mut Xoshiro256PlusPlus,
    ) {
        let share = -(-dt / config.copper_tau_s).exp_m1();
        self.copper_c += (ambient_c + config.copper_k_per_w * heat_j / dt - self.copper_c) * share;
        self.ohm = config.resistance_at(self.copper_c);
        if config.turbulence > 0.0 {
            let keep = (-dt / GUST_S).exp();
            let z: f64 = StandardNormal.sample(rng);
            self.gust = self.gust * keep + config.turbulence * (1.0 - keep * keep).sqrt() * z;
        }
    }

    /// Commutation ripple at this instant as a fraction of the current, before any filter.
    pub(crate) fn ripple(&self, config: &MotorConfig, ripples_per_rev: f64) -> (f64, f64) {
        let angle = TAU * self.turns.fract();
        let once = angle.cos();
        let fast = config.ripple * (1.0 + config.bar_modulation * once) * (ripples_per_rev * angle).sin();
        (fast, config.once_per_rev * once)
    }
}

/// Correlation time of the turbulence.
const GUST_S: f64 = 0.4;
