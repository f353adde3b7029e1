//! Units of the second plant: every seed is another make, all its numbers drawn on their own.

use galebench::config::rig::FaultKind;
use galebench::plant::config::{Level, LineRig, PlantConfig, SupplyConfig};
use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

use super::firmware::Lost;
use super::line::Input;
use super::rotor::Fan;

/// Way of the soft start.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Shape {
    Linear,
    Exponential,
    /// Third-order blend.
    Smooth,
}

/// Duty to output ratio, both knees rounded.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Map {
    pub(crate) on: f64,
    pub(crate) off: f64,
    pub(crate) least: f64,
    /// Where the flank, drawn on straight, reaches full output.
    pub(crate) full: f64,
    /// Rounding of the lower and the upper knee, in output ratio.
    pub(crate) round: (f64, f64),
}

impl Map {
    /// Output ratio while on. Above 98.5 % the switch stays closed: it cannot open for so short a time.
    pub(crate) fn ratio(&self, duty: f64) -> f64 {
        let flank = (1.0 - self.least) * (duty - self.on) / (self.full - self.on);
        let bend = |x: f64, width: f64| if x > 30.0 * width { x } else { width * (x / width).exp().ln_1p() };
        let risen = self.least + bend(flank, self.round.0) - self.round.0 * std::f64::consts::LN_2;
        let ratio = 1.0 - bend(1.0 - risen, self.round.1);
        if ratio > 0.985 { 1.0 } else { ratio.max(0.0) }
    }
}

/// State of the output switch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Switch {
    Works,
    Open,
    Shorted(f64),
}

/// What is broken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Flaw {
    pub(crate) switch: Switch,
    /// Crack: case temperature from which it opens, openings per second then, resistance that it adds.
    pub(crate) crack: Option<(f64, f64, f64)>,
    pub(crate) leak_ohm: Option<f64>,
}

/// A module.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Module {
    pub(crate) input: Input,
    pub(crate) band_hz: (f64, f64),
    pub(crate) band_hysteresis: f64,
    pub(crate) out_of_band: Lost,
    pub(crate) at_full: Lost,
    pub(crate) at_zero: Lost,
    pub(crate) lost_s: f64,
    /// Periods of a new command that it measures, and what it waits besides.
    pub(crate) periods: u32,
    pub(crate) debounce_s: f64,
    pub(crate) off_delay_s: f64,
    pub(crate) wake_s: f64,
    pub(crate) boot_s: f64,
    pub(crate) restart_s: f64,
    pub(crate) tick_s: f64,
    pub(crate) map: Map,
    pub(crate) shape: Shape,
    pub(crate) ramp_s: f64,
    pub(crate) fall_s: f64,
    pub(crate) starts_by_supply: bool,
    pub(crate) chop_hz: f64,
    pub(crate) low_side: bool,
    /// Forward voltage of a freewheel diode; a second switch without one.
    pub(crate) diode_v: Option<f64>,
    pub(crate) on_ohm: f64,
    pub(crate) farads: f64,
    pub(crate) esr_ohm: f64,
    pub(crate) bleed_ohm: f64,
    /// Heat paths to the air in series: K/W and time constant of heatsink and case.
    pub(crate) paths: [(f64, f64); 2],
    pub(crate) die_k_per_w: f64,
    pub(crate) hottest_die_c: f64,
    /// Peak of the fan current at which it opens the switch until the next period.
    pub(crate) peak_a: f64,
    pub(crate) reset_v: f64,
    pub(crate) stall_ratio: f64,
    pub(crate) stall_s: f64,
    pub(crate) quiescent_a: f64,
    /// Idle time to sleep and current asleep.
    pub(crate) sleep: Option<(f64, f64)>,
    pub(crate) sleeps_on_pulses: bool,
    pub(crate) flaw: Flaw,
}

/// A unit on a bench.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Unit {
    pub(crate) module: Module,
    pub(crate) fan: Fan,
    /// The bench's own numbers.
    pub(crate) supply: SupplyConfig,
    pub(crate) line: LineRig,
    pub(crate) ambient_c: f64,
    /// Current and speed of the fan flat out, by its plate.
    pub(crate) running: (f64, f64),
}

/// The make that this seed draws, on the bench of `bench`, with a fan of this plate.
pub(crate) fn draw(seed: u64, bench: &PlantConfig, (locked_a, running_a, rad_s): (f64, f64, f64)) -> Unit {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed ^ 0x0005_ec0d);
    let fan = fan(&mut rng, bench, (locked_a, running_a, rad_s));
    Unit {
        module: module(&mut rng),
        fan,
        supply: bench.supply.clone(),
        line: bench.line,
        ambient_c: bench.ambient_c,
        running: (running_a, rad_s),
    }
}

fn even(rng: &mut Xoshiro256PlusPlus, from: f64, to: f64) -> f64 {
    from + (to - from) * rng.random::<f64>()
}

fn ratio(rng: &mut Xoshiro256PlusPlus, from: f64, to: f64) -> f64 {
    from * (to / from).powf(rng.random::<f64>())
}

fn one_of<T: Copy>(rng: &mut Xoshiro256PlusPlus, all: &[T]) -> T {
    all[rng.random_range(0..all.len())]
}

/// The plate gives the locked and the running current and the speed; the rest is this fan's own.
fn fan(rng: &mut Xoshiro256PlusPlus, bench: &PlantConfig, (locked_a, running_a, rad_s): (f64, f64, f64)) -> Fan {
    let path_ohm = bench.supply.resistance_ohm + bench.supply.lead_ohm;
    let volts = bench.supply.open_v;
    let ohm_20 = volts / locked_a - path_ohm;
    let ke = (volts - running_a * (ohm_20 + path_ohm)) / rad_s;
    let standing_nm = even(rng, 0.065, 0.09) * ke * locked_a;
    let sliding_nm = even(rng, 0.5, 0.62) * standing_nm;
    let viscous_nm_s = 0.03 * ke * running_a / rad_s;
    Fan {
        ohm_20,
        henry: even(rng, 130e-6, 260e-6),
        ke,
        inertia_kg_m2: even(rng, 0.006, 0.010),
        sliding_nm,
        standing_nm,
        by_bar: even(rng, 0.03, 0.09),
        by_turn: even(rng, 0.01, 0.04),
        stribeck_rad_s: even(rng, 2.5, 5.0),
        viscous_nm_s,
        air_nm_s2: (ke * running_a - sliding_nm - viscous_nm_s * rad_s) / (rad_s * rad_s),
        cogging_nm: even(rng, 0.05, 0.15) * sliding_nm,
        ripple: even(rng, 0.02, 0.05),
        unbalance: even(rng, 0.005, 0.02),
        bars: f64::from(bench.motor.ripples_per_rev()),
        gusts: even(rng, 0.002, 0.005),
        copper_k_per_w: even(rng, 18.0, 32.0) / (running_a * running_a * ohm_20),
        copper_tau_s: even(rng, 400.0, 900.0),
    }
}

fn input(rng: &mut Xoshiro256PlusPlus, nominal_hz: f64) -> Input {
    let pulled = rng.random::<f64>() < 0.65;
    let series_ohm = ratio(rng, 1e3, 1e4);
    let most_s = 0.006 / nominal_hz;
    Input {
        active: if pulled && rng.random::<f64>() < 0.75 { Level::Low } else { Level::High },
        pull_up_ohm: pulled.then(|| ratio(rng, 2e3, 8e3)),
        pull_up_v: if rng.random::<bool>() { Some(5.0) } else { None },
        pull_down_ohm: if pulled { 1e6 } else { ratio(rng, 4e4, 1.2e5) },
        leak_ohm: None,
        series_ohm,
        farads: ratio(rng, 0.1, 1.0) * most_s / series_ohm,
        thresholds: (even(rng, 0.34, 0.41), even(rng, 0.22, 0.30)),
        dead: false,
    }
}

fn module(rng: &mut Xoshiro256PlusPlus) -> Module {
    let nominal_hz = one_of(rng, &[20.0, 100.0, 120.0, 200.0, 250.0, 500.0, 1000.0]);
    let off = even(rng, 0.05, 0.11);
    let on = off + even(rng, 0.01, 0.03);
    let shape = one_of(rng, &[Shape::Linear, Shape::Exponential, Shape::Smooth]);
    Module {
        input: input(rng, nominal_hz),
        band_hz: (nominal_hz * even(rng, 0.45, 0.75), nominal_hz * even(rng, 1.5, 3.0)),
        band_hysteresis: even(rng, 0.02, 0.05),
        out_of_band: one_of(rng, &[Lost::Stops, Lost::Stops, Lost::Full, Lost::Holds]),
        at_full: one_of(rng, &[Lost::Stops, Lost::Full]),
        at_zero: Lost::Stops,
        lost_s: even(rng, 0.3, 1.2),
        periods: rng.random_range(2..5),
        debounce_s: even(rng, 0.005, 0.04),
        off_delay_s: even(rng, 0.03, 0.2),
        wake_s: even(rng, 0.08, 0.35),
        boot_s: even(rng, 0.08, 0.3),
        restart_s: 0.4,
        tick_s: even(rng, 0.0041, 0.0059),
        map: Map {
            on,
            off,
            least: even(rng, 0.07, 0.14),
            full: even(rng, 0.83, 0.94),
            round: (even(rng, 0.004, 0.02), even(rng, 0.006, 0.025)),
        },
        shape,
        ramp_s: if shape == Shape::Exponential { even(rng, 0.5, 1.5) } else { even(rng, 1.2, 4.5) },
        fall_s: even(rng, 0.1, 0.4),
        starts_by_supply: rng.random::<f64>() < 0.7,
        chop_hz: ratio(rng, 220.0, 900.0),
        low_side: rng.random(),
        diode_v: if rng.random::<f64>() < 0.6 { Some(even(rng, 0.4, 0.65)) } else { None },
        on_ohm: ratio(rng, 3.3e-3, 7.8e-3),
        farads: even(rng, 2.1e-3, 5.0e-3),
        esr_ohm: even(rng, 5e-3, 12e-3),
        bleed_ohm: ratio(rng, 1e3, 4e3),
        paths: [(even(rng, 0.8, 1.4), even(rng, 15.0, 40.0)), (even(rng, 1.6, 2.6), even(rng, 180.0, 360.0))],
        die_k_per_w: even(rng, 0.6, 1.0),
        hottest_die_c: even(rng, 130.0, 150.0),
        peak_a: even(rng, 115.0, 150.0),
        reset_v: even(rng, 5.6, 6.6),
        stall_ratio: even(rng, 0.3, 0.45),
        stall_s: even(rng, 1.0, 2.0),
        quiescent_a: ratio(rng, 9e-3, 38e-3),
        sleep: Some((even(rng, 4.0, 20.0), ratio(rng, 60e-6, 600e-6))),
        sleeps_on_pulses: rng.random::<f64>() < 0.3,
        flaw: Flaw { switch: Switch::Works, crack: None, leak_ohm: None },
    }
}

/// Wears the fan: brushes, bearings, magnets, balance, by a share from 0 to 1.
pub(crate) fn wear(fan: &mut Fan, share: f64) {
    fan.ohm_20 *= 1.0 + 0.5 * share;
    fan.sliding_nm *= 1.0 + 1.1 * share;
    fan.standing_nm *= 1.0 + 1.2 * share;
    fan.by_bar *= 1.0 + share;
    fan.ke *= 1.0 - 0.06 * share;
    fan.ripple *= 1.0 + share;
    fan.unbalance *= 1.0 + 5.0 * share;
    fan.gusts *= 1.0 + 2.0 * share;
}

/// Breaks the unit, from barely visible (0) to gross (1).
pub(crate) fn break_it(unit: &mut Unit, fault: FaultKind, severity: f64) {
    let s = severity.clamp(0.0, 1.0);
    let line = |mild: f64, gross: f64| mild + (gross - mild) * s;
    let ratio = |mild: f64, gross: f64| mild * (gross / mild).powf(s);
    let (running_a, ambient_c) = (unit.running.0, unit.ambient_c);
    let module = &mut unit.module;
    let pull_ohm = module.input.pull_up_ohm.unwrap_or(module.input.pull_down_ohm);
    match fault {
        FaultKind::SwitchShorted => module.flaw.switch = Switch::Shorted(ratio(0.05, 0.005)),
        FaultKind::SwitchOpen => module.flaw.switch = Switch::Open,
        // Two alike carry half each; bond wires and clips, a quarter of the whole, stay as they are.
        FaultKind::ParallelSwitchOpen => module.on_ohm *= line(1.65, 2.3),
        FaultKind::CrackedJoint => {
            module.flaw.crack = Some((ambient_c + line(5.0, 1.0), ratio(0.06, 2.0), line(1e-3, 6e-3)));
        }
        FaultKind::DriedCapacitor => {
            module.farads *= ratio(0.5, 0.02);
            module.esr_ohm *= ratio(2.0, 60.0);
        }
        FaultKind::SoftStartLost => module.ramp_s *= line(0.3, 0.0),
        FaultKind::InputDead => {
            module.input.dead = true;
            if s > 0.5 {
                module.input.pull_up_ohm = None;
            }
        }
        FaultKind::InputLeaky => module.input.leak_ohm = Some(pull_ohm * ratio(8.0, 1.4)),
        FaultKind::BandShifted => {
            let by = ratio(1.12, 1.9);
            module.band_hz = (module.band_hz.0 * by, module.band_hz.1 * by);
        }
        FaultKind::CurrentLimitEarly => module.peak_a = running_a * line(1.1, 0.35),
        FaultKind::ThermalLimitEarly => module.hottest_die_c = ambient_c + line(8.0, 2.0),
        FaultKind::SleepLost => {
            module.sleep = module.sleep.filter(|_| s < 0.7).map(|(s, _)| (s, module.quiescent_a * line(0.15, 0.7)));
        }
        FaultKind::WaterInConnector => {
            module.flaw.leak_ohm = Some(ratio(4_000.0, 120.0));
            module.input.leak_ohm = Some(module.input.pull_up_ohm.unwrap_or(10_000.0) * ratio(12.0, 1.8));
        }
        // This controller has no lock-out beside its reset, which forgets everything.
        FaultKind::LockOutLatches => {}
    }
}
