//! The plant as a whole: one step couples supply, module and motor, keeps the energy books, and yields a reading.

use std::f64::consts::{PI, TAU};

use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

use super::command::{self, LineDrive};
use super::config::{Freewheel, PlantConfig, Side, Switch};
use super::energy::Books;
use super::module::{Module, SAME_S, Senses};
use super::motor::{Motor, Terminals};
use super::source::{Relay, Source};

/// What the bench would read, averaged over the time advanced, before any error of the bench.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Reading {
    /// Voltage at the supply sense point.
    pub supply_v: f64,
    /// Supply current.
    pub supply_a: f64,
    /// Voltage across the fan.
    pub output_v: f64,
    /// Fan current.
    pub fan_a: f64,
    /// Common-mode voltage of the fan terminals.
    pub common_v: f64,
    /// Speed at the end, rad/s.
    pub rad_s: f64,
    /// Angle at the beginning and end, revolutions.
    pub turns: (f64, f64),
}

impl Reading {
    /// The reading over this time, which is `share` of the whole, and the time after it.
    fn followed_by(self, after: Self, share: f64) -> Self {
        let mean = |of: fn(&Self) -> f64| share * of(&self) + (1.0 - share) * of(&after);
        Self {
            supply_v: mean(|reading| reading.supply_v),
            supply_a: mean(|reading| reading.supply_a),
            output_v: mean(|reading| reading.output_v),
            fan_a: mean(|reading| reading.fan_a),
            common_v: mean(|reading| reading.common_v),
            rad_s: after.rad_s,
            turns: (self.turns.0, after.turns.1),
        }
    }
}

/// The plant in motion.
#[derive(Clone, Debug)]
pub struct Plant {
    config: PlantConfig,
    now_s: f64,
    relay: Relay,
    line: LineDrive,
    source: Source,
    module: Module,
    motor: Motor,
    books: Books,
    rng: Xoshiro256PlusPlus,
    /// Where in its period a command is when it changes.
    phase: Xoshiro256PlusPlus,
    case_c: f64,
    junction_c: f64,
    on_ohm: f64,
    capacitance_f: f64,
    ripples_per_rev: f64,
    ripple_filter: RippleFilter,
    joint_open_until_s: f64,
    /// Whether somebody flexes the harness.
    flexed: bool,
    /// Sums since the last slow tick: time, charge, module heat, copper heat.
    slow: Slow,
}

#[derive(Clone, Copy, Debug, Default)]
struct Slow {
    s: f64,
    charge_as: f64,
    module_j: f64,
    copper_j: f64,
}

/// What samples show of the commutation ripple; kept between slow ticks.
#[derive(Clone, Copy, Debug, Default)]
struct RippleFilter {
    hz: f64,
    /// Share that reaches the supply lead past the input capacitor.
    to_supply: f64,
    /// Sample spacing for which `averaged`, the share left by averaging over it, holds.
    dt: f64,
    averaged: f64,
}

impl RippleFilter {
    fn for_sample(&mut self, dt: f64) -> &Self {
        if self.dt != dt {
            let x = PI * self.hz * dt;
            (self.dt, self.averaged) = (dt, if x < 0.05 { 1.0 } else { x.sin() / x });
        }
        self
    }
}

/// Output path over one step.
#[derive(Clone, Copy, Debug)]
struct Path {
    terminals: Terminals,
    /// Share of the fan current that the supply side carries.
    ratio: f64,
    /// Forward drop of the freewheel path, and its share of the time.
    diode_v: f64,
    chops: bool,
}

/// Stream of the phases beside that of the noise.
const PHASE: u64 = 0x7068_6173;
/// Longest inner step while current may flow.
const STEP_S: f64 = 1e-3;
/// The same while the capacitor node is soft (relay open or first-power means) and the output conducts.
const SOFT_STEP_S: f64 = 1e-4;
/// Spacing of the slow updates: temperatures, battery recovery, turbulence.
const SLOW_S: f64 = 0.02;

impl Plant {
    /// The plant at rest, relay open, capacitor empty, everything at ambient temperature.
    #[must_use]
    pub fn new(config: PlantConfig, seed: u64) -> Self {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
        let motor = Motor::new(&config.motor, config.ambient_c, &mut rng);
        let mut plant = Self {
            now_s: 0.0,
            relay: Relay::Open,
            line: LineDrive::Released,
            source: Source::new(),
            module: Module::new(),
            books: Books::default(),
            rng,
            phase: Xoshiro256PlusPlus::seed_from_u64(seed ^ PHASE),
            case_c: config.ambient_c,
            junction_c: config.ambient_c,
            on_ohm: 0.0,
            capacitance_f: config.module.power.capacitance_f,
            ripples_per_rev: f64::from(config.motor.ripples_per_rev()),
            ripple_filter: RippleFilter::default(),
            joint_open_until_s: f64::NEG_INFINITY,
            flexed: false,
            slow: Slow::default(),
            motor,
            config,
        };
        plant.on_ohm = plant.on_resistance();
        plant
    }

    /// Parameters it plays.
    #[must_use]
    pub const fn config(&self) -> &PlantConfig {
        &self.config
    }

    /// Time since the beginning.
    #[must_use]
    pub const fn now_s(&self) -> f64 {
        self.now_s
    }

    /// Case temperature.
    #[must_use]
    pub const fn case_c(&self) -> f64 {
        self.case_c
    }

    /// Copper temperature of the motor.
    #[must_use]
    pub const fn copper_c(&self) -> f64 {
        self.motor.copper_c
    }

    /// Current of the motor, without the ripple of its commutation.
    #[must_use]
    pub const fn fan_a(&self) -> f64 {
        self.motor.amps
    }

    /// Slow part of the supply's sag, volts.
    #[must_use]
    pub const fn slow_sag_v(&self) -> f64 {
        self.source.slow_sag_v()
    }

    /// The same as after another load.
    pub const fn sag_to(&mut self, volts: f64) {
        self.source.sag_to(volts);
    }

    /// Copper and case at other temperatures than ambient, as after a run.
    pub fn warm_to(&mut self, copper_c: f64, case_c: f64) {
        self.motor.warm_to(&self.config.motor, copper_c);
        (self.case_c, self.junction_c) = (case_c, case_c);
        self.on_ohm = self.on_resistance();
    }

    /// Energy so far, with what is stored now.
    #[must_use]
    pub fn books(&self) -> Books {
        let motor = &self.config.motor;
        Books {
            capacitor_j: 0.5 * self.capacitance_f * self.source.volts * self.source.volts,
            inductor_j: 0.5 * motor.inductance_h * self.motor.amps * self.motor.amps,
            rotor_j: 0.5 * motor.inertia_kg_m2 * self.motor.rad_s * self.motor.rad_s,
            ..self.books
        }
    }

    /// Under-voltage resets of the module since power came.
    #[must_use]
    pub const fn resets(&self) -> u32 {
        self.module.resets
    }

    /// Whether the module sleeps.
    #[must_use]
    pub fn is_asleep(&self) -> bool {
        self.module.is_asleep()
    }

    /// Output ratio of the chopper now.
    #[must_use]
    pub const fn ratio(&self) -> f64 {
        self.module.ratio()
    }

    /// Somebody begins to flex the harness, or ends it.
    pub fn flex(&mut self, on: bool) {
        self.flexed = on;
    }

    /// Moves the relay.
    pub fn set_relay(&mut self, relay: Relay) {
        self.relay = relay;
    }

    /// Sends the supply to this voltage, at this rate.
    pub fn set_supply(&mut self, volts: f64, slew_v_per_s: f64) {
        self.source.go_to(&self.config.supply, volts, slew_v_per_s);
    }

    /// Drives the line.
    pub fn set_line(&mut self, line: LineDrive) {
        self.line = line;
        let phase = self.phase.random();
        self.module.set_line((self.now_s, phase), line, &self.config.module, &self.config.line, self.source.volts);
    }

    /// Mean voltage of the line at the pin.
    #[must_use]
    pub fn line_v(&self) -> f64 {
        let asleep = self.module.is_asleep();
        command::line_volts(self.line, &self.config.module.input, &self.config.line, self.source.volts, asleep)
    }

    /// Lets `dt` pass in as many inner steps as it needs. What the module does by its own clock takes effect when it is
    /// due, not with the next step: a reading across it holds both parts in their shares.
    pub fn advance(&mut self, dt: f64) -> Reading {
        let end_s = self.now_s + dt;
        let due_s = self.module.next_due_s(&self.config.module);
        match due_s.filter(|due_s| *due_s > self.now_s + SAME_S && *due_s < end_s - SAME_S) {
            Some(due_s) => {
                let before = self.advance_evenly(due_s - self.now_s);
                let share = (due_s - (end_s - dt)) / dt;
                before.followed_by(self.advance_evenly(end_s - due_s), share)
            }
            None => self.advance_evenly(dt),
        }
    }

    fn advance_evenly(&mut self, dt: f64) -> Reading {
        let longest = self.longest_step(dt);
        if dt <= longest {
            return self.step(dt);
        }
        let steps = (dt / longest).ceil();
        let mut sum = Reading { turns: (self.motor.turns, 0.0), ..Reading::default() };
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a small positive count")]
        for _ in 0..steps as u32 {
            let part = self.step(dt / steps);
            sum.supply_v += part.supply_v / steps;
            sum.supply_a += part.supply_a / steps;
            sum.output_v += part.output_v / steps;
            sum.fan_a += part.fan_a / steps;
            sum.common_v += part.common_v / steps;
            sum.rad_s = part.rad_s;
            sum.turns.1 = part.turns.1;
        }
        sum
    }

    fn longest_step(&self, dt: f64) -> f64 {
        let conducts = !self.motor.is_idle() || !self.module.is_quiet();
        let always_on = matches!(self.config.module.defect.switch, Switch::Shorted(_));
        if !conducts && !always_on {
            return dt;
        }
        if self.relay == Relay::Closed || (self.module.ratio() <= 0.0 && !always_on) { STEP_S } else { SOFT_STEP_S }
    }

    fn step(&mut self, dt: f64) -> Reading {
        let module = &self.config.module;
        let before = self.source.volts;
        let ratio = self.module.step(self.now_s, dt, module, &self.config.line, self.senses());
        let path = self.path(ratio);
        let turns = self.motor.turns;
        let motor = self.motor.step(dt, &self.config.motor, path.terminals, &mut self.rng);

        let stage = &self.config.module.power;
        let switching_a = if path.chops { stage.switching_s * stage.chop_hz * motor.amps.abs() } else { 0.0 };
        let own_a = self.module.quiescent_a(self.now_s, &self.config.module, before);
        let load_a = path.ratio * motor.amps + switching_a + own_a;
        let source = self.source.step(dt, &self.config.supply, self.relay, self.capacitance_f, load_a);

        let switch_j = path.terminals.series_ohm * motor.square_a2s + path.diode_v * motor.amps * dt;
        let module_j = switch_j + (switching_a + own_a) * before * dt;
        self.books.add(&source, &motor, module_j);
        self.slow.s += dt;
        self.slow.charge_as += source.amps * dt;
        self.slow.module_j += module_j;
        self.slow.copper_j += motor.copper_j;
        self.now_s += dt;
        if self.slow.s >= SLOW_S {
            self.slow_tick();
        }
        let reading = Reading {
            supply_v: source.volts + self.config.supply.lead_ohm * source.amps,
            supply_a: source.amps,
            output_v: motor.volts,
            fan_a: motor.amps,
            common_v: match self.config.module.power.side {
                Side::High => 0.5 * motor.volts,
                Side::Low => source.volts - 0.5 * motor.volts,
            },
            rad_s: self.motor.rad_s,
            turns: (turns, self.motor.turns),
        };
        if motor.amps.abs() > 1e-3 { self.with_ripple(reading, dt, &path) } else { reading }
    }

    fn senses(&self) -> Senses {
        let stage = &self.config.module.power;
        let ratio = self.module.ratio();
        let rest = (1.0 - ratio).clamp(0.0, 1.0);
        let chop = ratio * rest / (2.0 * self.capacitance_f * stage.chop_hz) + stage.esr_ohm * rest;
        let dip_v = if ratio > 0.0 { self.motor.amps.max(0.0) * chop } else { 0.0 };
        Senses {
            supply_v: self.source.volts,
            lowest_v: self.source.volts - dip_v,
            at_rest: self.motor.at_rest(),
            junction_c: self.junction_c,
        }
    }

    /// Output path for the ratio that the control asks for.
    fn path(&self, ratio: f64) -> Path {
        let module = &self.config.module;
        let stage = &module.power;
        let joint_ohm = module.defect.joint.map_or(0.0, |joint| joint.ohm);
        let ratio = match module.defect.switch {
            _ if self.now_s < self.joint_open_until_s => 0.0,
            Switch::Open => 0.0,
            Switch::Works => self.limit(ratio),
            Switch::Shorted(ohm) => {
                let terminals = Terminals { volts: self.source.volts, series_ohm: ohm + joint_ohm, two_way: true };
                return Path { terminals, ratio: 1.0, diode_v: 0.0, chops: false };
            }
        };
        let on_ohm = self.on_ohm + joint_ohm;
        if ratio <= 0.0 {
            if stage.brakes {
                let terminals = Terminals { volts: 0.0, series_ohm: on_ohm, two_way: true };
                return Path { terminals, ratio: 0.0, diode_v: 0.0, chops: false };
            }
            let terminals = Terminals { volts: -DIODE_V, series_ohm: 0.0, two_way: false };
            return Path { terminals, ratio: 0.0, diode_v: DIODE_V, chops: false };
        }
        let supply_v = self.source.volts;
        let (diode_v, series_ohm) = match stage.freewheel {
            Freewheel::Synchronous => (0.0, on_ohm),
            Freewheel::Diode(forward_v) => (forward_v * (1.0 - ratio), on_ohm * ratio),
        };
        // A switch that is closed all the time carries current either way.
        let two_way = ratio >= 1.0 || (stage.regenerates && stage.freewheel == Freewheel::Synchronous);
        let terminals = Terminals { volts: ratio * supply_v - diode_v, series_ohm, two_way };
        Path { terminals, ratio, diode_v, chops: ratio < 1.0 }
    }

    /// Chopper current limit: the ratio that would just hold the limit at this speed.
    fn limit(&self, ratio: f64) -> f64 {
        let limit_a = self.config.module.protect.current_limit_a;
        let ohm = self.motor.ohm() + self.on_ohm;
        let most_v = limit_a * ohm + self.config.motor.ke * self.motor.rad_s;
        let forward_v = match self.config.module.power.freewheel {
            Freewheel::Synchronous => 0.0,
            Freewheel::Diode(forward_v) => forward_v,
        };
        let most = (most_v + forward_v) / (self.source.volts + forward_v).max(1e-3);
        ratio.min(most.max(0.0))
    }

    fn on_resistance(&self) -> f64 {
        let stage = &self.config.module.power;
        stage.on_ohm * (1.0 + stage.on_per_k * (self.case_c - 25.0))
    }

    /// Temperatures, battery recovery, turbulence, the joint.
    fn slow_tick(&mut self) {
        let Slow { s, charge_as, module_j, copper_j } = std::mem::take(&mut self.slow);
        let heat = &self.config.module.heat;
        let ambient_c = self.config.ambient_c;
        let watts = module_j / s;
        self.case_c += (ambient_c + heat.case_k_per_w * watts - self.case_c) * -(-s / heat.tau_s).exp_m1();
        self.junction_c = self.case_c + heat.junction_k_per_w * watts;
        self.on_ohm = self.on_resistance();
        // Only while it holds no charge, which would have to stay what it is.
        if self.source.volts < EMPTY_V {
            let stage = &self.config.module.power;
            self.capacitance_f = stage.capacitance_f * (1.0 + stage.capacitance_per_k * (self.case_c - ambient_c));
        }
        self.motor.warm(s, &self.config.motor, copper_j, ambient_c, &mut self.rng);
        self.source.recover(s, &self.config.supply, charge_as / s);
        if let Some(joint) = &self.config.module.defect.joint
            && (self.case_c > joint.above_c || self.flexed)
            && self.now_s >= self.joint_open_until_s
            && self.rng.random::<f64>() < joint.openings_per_s(self.case_c, self.flexed) * s
        {
            self.joint_open_until_s = self.now_s + 0.02 + 0.28 * self.rng.random::<f64>();
        }
        self.ripple_filter = self.filter_of_ripple();
    }

    /// Filter at the present speed; averaging is worked out with the next sample.
    fn filter_of_ripple(&self) -> RippleFilter {
        let hz = self.ripples_per_rev * self.motor.rad_s / TAU;
        let ohm = Source::path_ohm(&self.config.supply, self.relay).unwrap_or(1e6);
        let corner = TAU * hz * ohm * self.capacitance_f;
        RippleFilter { hz, to_supply: 1.0 / (1.0 + corner * corner).sqrt(), dt: 0.0, averaged: 1.0 }
    }

    /// Adds commutation ripple, averaged over the sample. A switch loses by it while it is closed, a synchronous freewheel always.
    fn with_ripple(&mut self, mut reading: Reading, dt: f64, path: &Path) -> Reading {
        let (fast, once) = self.motor.ripple(&self.config.motor, self.ripples_per_rev);
        let RippleFilter { to_supply, averaged, .. } = *self.ripple_filter.for_sample(dt);
        let ripple_a = reading.fan_a * (fast * averaged + once);
        let supply_a = path.ratio * ripple_a * to_supply;
        reading.fan_a += ripple_a;
        reading.supply_a += supply_a;
        reading.supply_v -= self.config.supply.resistance_ohm * supply_a;
        reading.output_v -= path.terminals.series_ohm * ripple_a;
        reading
    }
}

/// Voltage below which the input capacitor counts as empty.
const EMPTY_V: f64 = 0.5;
/// Forward drop of the body diode that carries the current after off.
const DIODE_V: f64 = 0.7;
