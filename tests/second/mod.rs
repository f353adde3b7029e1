//! A second plant, written apart from that of `galebench::plant`: it switches instead of averaging, and shares no
//! formula of module and motor with it. What the analysis says of its units shows whether the rules hold for more than
//! the model that they were made with.
//!
//! Its output chops at some hundred hertz, so every current and voltage carries real ripple; both knees of the duty
//! transfer are rounded; the case warms with two time constants; the command passes a filter and a comparator with
//! hysteresis; the rotor is held by a friction that differs around its turn. It plays behind the sensors of the virtual
//! bench (`VirtualBench::around`), and its truth is found by playing it (`truth`).

#![allow(dead_code, reason = "each user of this folder needs a part of it")]

mod circuit;
pub(crate) mod firmware;
pub(crate) mod line;
pub(crate) mod make;
pub(crate) mod rotor;
pub(crate) mod truth;

use galebench::config::plan::Plan;
use galebench::plant::config::Gentle;
use galebench::plant::{LineDrive, Physics, Reading, Relay};
use galebench::record::event::SpanKind;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;

use circuit::{Circuit, Feed, Gate, Means, State};
use firmware::{Feels, Firmware};
use make::{Switch, Unit};
use rotor::Rotor;

use super::support::{self, Carried};

/// The second plant in motion.
#[derive(Clone, Debug)]
pub(crate) struct Second {
    unit: Unit,
    now_s: f64,
    relay: Relay,
    line: LineDrive,
    firmware: Firmware,
    rotor: Rotor,
    state: State,
    /// When the chopper's period ends, and until when the switch is closed in it.
    period_end_s: f64,
    closed_until_s: f64,
    /// Next round of the controller.
    tick_s: f64,
    /// Since the last round: heat of the stage and copper, charge, lowest pin voltage.
    since: Since,
    pins_v: f64,
    polarised_v: f64,
    /// Voltage of the supply, where it goes, and how fast.
    source_v: f64,
    toward: (f64, f64),
    /// Rise of heatsink and case over the one outside it, and of the die over the case.
    rises_k: [f64; 2],
    die_k: f64,
    copper_c: f64,
    on_ohm: f64,
    crack_until_s: f64,
    /// Heat of the module since the beginning, and how often its peak limit opened the switch.
    spent_j: f64,
    limited: u64,
    rng: Xoshiro256PlusPlus,
}

#[derive(Clone, Copy, Debug)]
struct Since {
    s: f64,
    stage_j: f64,
    copper_j: f64,
    charge_as: f64,
    lowest_v: f64,
}

impl Since {
    const NOTHING: Self = Self { s: 0.0, stage_j: 0.0, copper_j: 0.0, charge_as: 0.0, lowest_v: f64::INFINITY };
}

/// Times closer than this are the same.
const SAME_S: f64 = 1e-9;
/// Longest steps: switch closed, current running down, rotor turning without current, supply on its way.
const CLOSED_S: f64 = 2.5e-4;
const RUNS_DOWN_S: f64 = 5e-4;
const COASTS_S: f64 = 1e-3;
const MOVES_S: f64 = 2.5e-4;
/// Drop of the body diode that takes over the current of a switched-off synchronous stage.
const BODY_V: f64 = 0.7;
/// Correlation time of gusts.
const GUST_S: f64 = 0.5;

impl Second {
    /// At rest, cold, relay open. The seed places the rotor, the controller's clock and all that is left to chance.
    pub(crate) fn new(unit: Unit, seed: u64) -> Self {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed ^ 0xb0bb1e);
        let rotor = Rotor::at(std::f64::consts::TAU * rng.random::<f64>(), &unit.fan);
        let mut second = Self {
            now_s: 0.0,
            relay: Relay::Open,
            line: LineDrive::Released,
            firmware: Firmware::new(),
            rotor,
            state: State::default(),
            period_end_s: 0.0,
            closed_until_s: 0.0,
            tick_s: unit.module.tick_s * rng.random::<f64>(),
            since: Since::NOTHING,
            pins_v: 0.0,
            polarised_v: 0.0,
            source_v: unit.supply.open_v,
            toward: (unit.supply.open_v, f64::INFINITY),
            rises_k: [0.0; 2],
            die_k: 0.0,
            copper_c: unit.ambient_c,
            on_ohm: 0.0,
            crack_until_s: f64::NEG_INFINITY,
            spent_j: 0.0,
            limited: 0,
            rng,
            unit,
        };
        second.on_ohm = second.on_ohm_now();
        second
    }

    /// What it plays.
    pub(crate) fn unit(&self) -> &Unit {
        &self.unit
    }

    /// Copper and case at these temperatures.
    pub(crate) fn warm_to(&mut self, copper_c: f64, case_c: f64) {
        self.copper_c = copper_c;
        self.rises_k = [0.0, case_c - self.unit.ambient_c];
        self.on_ohm = self.on_ohm_now();
    }

    /// Under-voltage resets since power came.
    pub(crate) fn resets(&self) -> u32 {
        self.firmware.resets
    }

    /// Heat of the module since the beginning, joules.
    pub(crate) fn spent_j(&self) -> f64 {
        self.spent_j
    }

    /// Voltage of the input capacitance.
    pub(crate) fn capacitor_v(&self) -> f64 {
        self.state.volts
    }

    pub(crate) fn is_awake(&self) -> bool {
        self.firmware.is_awake()
    }

    fn on_ohm_now(&self) -> f64 {
        let module = &self.unit.module;
        let crack_ohm = module.flaw.crack.map_or(0.0, |(.., ohm)| ohm);
        module.on_ohm * (1.0 + 4.2e-3 * (self.case_c() - 25.0)) + crack_ohm
    }

    /// The gate for the moment, and how long it may stay so.
    fn gate(&mut self) -> (Gate, f64) {
        let module = &self.unit.module;
        let open = match module.diode_v {
            Some(drop_v) => Gate::Open { drop_v, ohm: 0.0 },
            None if self.firmware.ratio > 0.0 => Gate::Open { drop_v: 0.0, ohm: self.on_ohm },
            None => Gate::Open { drop_v: BODY_V, ohm: 0.0 },
        };
        match module.flaw.switch {
            Switch::Shorted(ohm) => return (Gate::Closed(ohm), CLOSED_S),
            Switch::Works if self.now_s >= self.crack_until_s => {}
            Switch::Open | Switch::Works => return (open, self.open_step_s()),
        }
        if self.now_s + SAME_S >= self.period_end_s {
            let ratio = self.firmware.ratio;
            let period_s = module.chop_hz.recip();
            if ratio <= 0.0 {
                // Looked at again when the controller has had its round.
                (self.period_end_s, self.closed_until_s) = (self.now_s, self.now_s);
                return (open, self.open_step_s());
            }
            self.period_end_s = self.now_s + period_s;
            self.closed_until_s = self.now_s + if ratio >= 1.0 { period_s } else { ratio * period_s };
        }
        if self.now_s + SAME_S < self.closed_until_s {
            (Gate::Closed(self.on_ohm), CLOSED_S.min(self.closed_until_s - self.now_s))
        } else {
            (open, self.open_step_s().min(self.period_end_s - self.now_s))
        }
    }

    fn open_step_s(&self) -> f64 {
        if self.state.amps > 0.0 {
            RUNS_DOWN_S
        } else if self.rotor.rests {
            f64::INFINITY
        } else {
            COASTS_S
        }
    }

    /// What feeds the capacitor, as the relay stands.
    fn feed(&self) -> Feed {
        let supply = &self.unit.supply;
        let ohm = supply.resistance_ohm + supply.lead_ohm;
        let volts = (self.source_v - self.polarised_v).max(0.0);
        match (self.relay, supply.gentle) {
            (Relay::Open, _) => Feed::NONE,
            (Relay::Gentle, Gentle::Resistor(series)) => Feed { volts, siemens: 1.0 / (ohm + series), amps: 0.0 },
            (Relay::Gentle | Relay::Closed, _) => Feed { volts, siemens: 1.0 / ohm, amps: 0.0 },
        }
    }

    fn limit_a(&self) -> Option<f64> {
        match (self.relay, self.unit.supply.gentle) {
            (Relay::Gentle, Gentle::Limit(limit_a)) => Some(limit_a),
            (Relay::Closed, _) => self.unit.supply.limit_a,
            _ => None,
        }
    }

    fn circuit(&self, gate: Gate) -> Circuit {
        let (module, fan) = (&self.unit.module, &self.unit.fan);
        Circuit {
            farads: module.farads,
            esr_ohm: module.esr_ohm,
            own_a: self.firmware.own_a(self.pins_v, module),
            henry: fan.henry,
            winding_ohm: fan.ohm(self.copper_c),
            back_v: self.rotor.back_v(fan),
            gate,
        }
    }

    /// One step, at most `longest` long; returns its length with it.
    fn step(&mut self, longest: f64) -> (f64, Means) {
        let (gate, gate_s) = self.gate();
        let mut h = longest.min(gate_s);
        if self.source_v != self.toward.0 {
            h = h.min(MOVES_S);
            let most_v = self.toward.1 * h;
            self.source_v += (self.toward.0 - self.source_v).clamp(-most_v, most_v);
        }
        let circuit = self.circuit(gate);
        let before = self.state;
        let feed = self.feed();
        let mut means = circuit.step(h, &mut self.state, feed);
        let peak_a = self.unit.module.peak_a;
        let chops = matches!(gate, Gate::Closed(_)) && matches!(self.unit.module.flaw.switch, Switch::Works);
        if chops && self.state.amps > peak_a {
            // Open until the next period, at the moment at which the current got there.
            let share = ((peak_a - before.amps) / (self.state.amps - before.amps)).clamp(0.0, 1.0);
            h = (share * h).max(2e-6).min(h);
            self.state = before;
            means = circuit.step(h, &mut self.state, feed);
            self.closed_until_s = self.now_s + h;
            self.limited += 1;
        }
        let limited = self.limit_a().filter(|limit_a| means.supply_a > *limit_a);
        if let Some(limit_a) = limited {
            self.state = before;
            means = circuit.step(h, &mut self.state, Feed { volts: 0.0, siemens: 0.0, amps: limit_a });
        } else if !self.unit.supply.sinks && means.supply_a < 0.0 {
            self.state = before;
            means = circuit.step(h, &mut self.state, Feed::NONE);
        }
        self.rotor.step(h, &self.unit.fan, means.fan_a);
        self.pins_v = means.pins_v;
        self.now_s += h;
        self.since.s += h;
        let spent_j = (means.stage_w + circuit.own_a * means.pins_v) * h;
        self.since.stage_j += spent_j;
        self.spent_j += spent_j;
        self.since.copper_j += circuit.winding_ohm * means.fan_a * means.fan_a * h;
        self.since.charge_as += means.supply_a * h;
        self.since.lowest_v = self.since.lowest_v.min(means.lowest_v);
        (h, means)
    }

    /// One round of the controller, and what changes slowly.
    fn tick(&mut self) {
        let since = std::mem::replace(&mut self.since, Since::NOTHING);
        let module = &self.unit.module;
        self.tick_s += module.tick_s;
        if since.s > 0.0 {
            let watts = since.stage_j / since.s;
            for (rise_k, (k_per_w, tau_s)) in self.rises_k.iter_mut().zip(module.paths) {
                *rise_k += (k_per_w * watts - *rise_k) * -(-since.s / tau_s).exp_m1();
            }
            self.die_k += (module.die_k_per_w * watts - self.die_k) * -(-since.s / 0.3).exp_m1();
            let fan = &self.unit.fan;
            let end_c = self.unit.ambient_c + fan.copper_k_per_w * since.copper_j / since.s;
            self.copper_c += (end_c - self.copper_c) * -(-since.s / fan.copper_tau_s).exp_m1();
            let supply = &self.unit.supply;
            let sag_v = supply.recovery_ohm * since.charge_as / since.s;
            self.polarised_v += (sag_v - self.polarised_v) * -(-since.s / supply.recovery_s).exp_m1();
            if !self.rotor.rests && fan.gusts > 0.0 {
                let keep = (-since.s / GUST_S).exp();
                let z: f64 = StandardNormal.sample(&mut self.rng);
                self.rotor.gust = self.rotor.gust * keep + fan.gusts * (1.0 - keep * keep).sqrt() * z;
            }
            if let Some((above_c, per_s, _)) = module.flaw.crack
                && self.case_c() > above_c
                && self.now_s >= self.crack_until_s
                && self.rng.random::<f64>() < per_s * since.s
            {
                self.crack_until_s = self.now_s + 0.02 + 0.3 * self.rng.random::<f64>();
            }
            self.on_ohm = self.on_ohm_now();
        }
        let module = &self.unit.module;
        let feels = Feels {
            now_s: self.now_s,
            pins_v: self.pins_v,
            lowest_v: since.lowest_v.min(self.pins_v),
            die_c: self.case_c() + self.die_k,
            rests: self.rotor.rests,
        };
        let (line, rig, nominal_v) = (self.line, &self.unit.line, self.unit.supply.open_v);
        self.firmware.tick(&feels, module, || module.input.see(line, rig, nominal_v));
    }
}

impl Physics for Second {
    fn now_s(&self) -> f64 {
        self.now_s
    }

    fn set_relay(&mut self, relay: Relay) {
        self.relay = relay;
    }

    fn set_supply(&mut self, volts: f64, slew_v_per_s: f64) {
        self.toward = (volts, slew_v_per_s);
    }

    fn set_line(&mut self, line: LineDrive) {
        self.line = line;
        let nominal_v = self.unit.supply.open_v;
        self.firmware.look(self.now_s, line, &self.unit.module, &self.unit.line, nominal_v);
    }

    fn advance(&mut self, dt: f64) -> Reading {
        let end_s = self.now_s + dt;
        let mut sum = Means::default();
        let turns = self.rotor.angle / std::f64::consts::TAU;
        while end_s - self.now_s > SAME_S {
            if self.now_s + SAME_S >= self.tick_s {
                self.tick();
            }
            let (h, part) = self.step((end_s - self.now_s).min((self.tick_s - self.now_s).max(SAME_S)));
            sum.pins_v += part.pins_v * h;
            sum.supply_a += part.supply_a * h;
            sum.fan_a += part.fan_a * h;
            sum.fan_v += part.fan_v * h;
        }
        self.now_s = end_s;
        let mean = |of: f64| of / dt;
        let (pins_v, supply_a, output_v) = (mean(sum.pins_v), mean(sum.supply_a), mean(sum.fan_v));
        Reading {
            supply_v: pins_v + self.unit.supply.lead_ohm * supply_a,
            supply_a,
            output_v,
            fan_a: mean(sum.fan_a),
            common_v: if self.unit.module.low_side { pins_v - 0.5 * output_v } else { 0.5 * output_v },
            rad_s: self.rotor.rad_s,
            turns: (turns, self.rotor.angle / std::f64::consts::TAU),
        }
    }

    fn line_v(&self) -> f64 {
        let input = &self.unit.module.input;
        // Without power there is no pull-up.
        let supply_v = if self.pins_v < 1.0 { 0.0 } else { self.pins_v };
        input.line_v(self.line, &self.unit.line, supply_v)
    }

    fn case_c(&self) -> f64 {
        self.unit.ambient_c + self.rises_k[0] + self.rises_k[1]
    }

    fn copper_c(&self) -> f64 {
        self.copper_c
    }

    fn fan_a(&self) -> f64 {
        self.state.amps
    }
}

/// Conditions at which the groups of results of a run were measured.
pub(crate) fn groups(carried: &Carried, plan: &Plan) -> truth::Groups {
    let cold = support::conditions(&carried.evaluated, plan);
    let at = |kind: fn(&SpanKind) -> bool| support::conditions_at(&carried.evaluated, plan, &carried.inside, kind);
    let passed = |kind: fn(&SpanKind) -> bool| support::when_passed(&carried.evaluated, plan, &carried.inside, kind);
    truth::Groups {
        cold,
        ascend: passed(|kind| *kind == SpanKind::Ascend),
        descend: passed(|kind| *kind == SpanKind::Descend),
        start: at(|kind| *kind == SpanKind::Start),
        power_up: at(|kind| *kind == SpanKind::PowerUp),
        flat: at(|kind| *kind == SpanKind::FlatOut),
        soaked: support::after_soak(&carried.evaluated.recording, &cold, &carried.inside),
    }
}
