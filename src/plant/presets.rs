//! Healthy units: eight kinds of module with a spread from unit to unit, and the motor that fits a load fan's data.

use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

use super::config::{
    Band, Defect, Freewheel, HeatConfig, InputConfig, InputKind, Kick, Level, LockOut, LossDoes, LossRule,
    ModuleConfig, MotorConfig, OutputMap, Outside, PowerStage, PowerUp, Protections, RampConfig, RampShape, Reserved,
    Side, SleepConfig, Stall, Switch, Timing, WakeCycle,
};

/// Kinds of module.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// 140 Hz, open collector, active low, linear ramp, high-side chopper with diode.
    LinearLow,
    /// 200 Hz, push-pull, active high, exponential ramp, hunts outside its band.
    ExponentialHigh,
    /// 100 Hz, active low, S-shaped ramp, low-side chopper, holds outside its band.
    SCurveLowSide,
    /// 250 Hz, reserved bands near 0 and 100 %, ramp in steps.
    SteppedReserved,
    /// Kick start before a linear ramp, misreads outside its band.
    KickStart,
    /// Flat out on an open line, pull-up only while awake, jump then ramp.
    OpenRuns,
    /// 1 to 25 kHz, 5 V push-pull.
    FastCommand,
    /// 5 to 40 Hz, sleeps with wake cycles.
    SlowCommand,
}

impl Kind {
    /// All of them.
    pub const ALL: [Self; 8] = [
        Self::LinearLow,
        Self::ExponentialHigh,
        Self::SCurveLowSide,
        Self::SteppedReserved,
        Self::KickStart,
        Self::OpenRuns,
        Self::FastCommand,
        Self::SlowCommand,
    ];

    /// Command frequency at which the kind is at home, hertz.
    #[must_use]
    pub const fn nominal_hz(self) -> f64 {
        match self {
            Self::LinearLow => 140.0,
            Self::ExponentialHigh => 200.0,
            Self::SCurveLowSide => 100.0,
            Self::SteppedReserved => 250.0,
            Self::KickStart => 120.0,
            Self::OpenRuns => 160.0,
            Self::FastCommand => 5_000.0,
            Self::SlowCommand => 20.0,
        }
    }
}

/// Plate data of a load fan.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FanData {
    /// Current with the rotor locked at the supply's voltage.
    pub locked_a: f64,
    /// Current flat out.
    pub running_a: f64,
    /// Speed flat out, rad/s.
    pub rad_s: f64,
    /// Commutator bars.
    pub bars: u32,
    /// Brushes.
    pub brushes: u32,
}

impl Default for FanData {
    fn default() -> Self {
        Self { locked_a: 82.0, running_a: 24.0, rad_s: 272.0, bars: 12, brushes: 2 }
    }
}

/// The motor that draws these currents at this speed from a supply of `supply_v` behind `path_ohm` (supply, cables,
/// on-resistance). R comes from the locked rotor, Ke from the running point and the air load from the torque balance
/// there, so that the numbers cannot contradict each other.
#[must_use]
pub fn motor(fan: &FanData, supply_v: f64, path_ohm: f64) -> MotorConfig {
    let resistance_ohm = (supply_v / fan.locked_a - path_ohm).max(0.02);
    let emf_v = (supply_v - fan.running_a * (path_ohm + resistance_ohm)).max(0.3 * supply_v);
    let ke = emf_v / fan.rad_s;
    let torque_nm = ke * fan.running_a;
    // Breaks loose at 8.5 % of the locked-rotor torque, unless that were more than the fan needs when running.
    let breakaway_nm = (0.085 * ke * fan.locked_a).min(0.5 * torque_nm);
    let friction_nm = 0.55 * breakaway_nm;
    let viscous_nm_s = 0.02 * torque_nm / fan.rad_s;
    let air_nm_s2 = (torque_nm - friction_nm - viscous_nm_s * fan.rad_s) / (fan.rad_s * fan.rad_s);
    // Caught below the speed whose back-EMF is 45 % of the voltage between turning and breaking loose.
    let catch_rad_s = 0.45 * (breakaway_nm - friction_nm) * (resistance_ohm + path_ohm) / (ke * ke);
    MotorConfig {
        resistance_ohm,
        inductance_h: 180e-6,
        ke,
        inertia_kg_m2: 0.008,
        friction_nm,
        viscous_nm_s,
        air_nm_s2,
        breakaway_nm,
        breakaway_sd: 0.03,
        catch_rad_s,
        copper_k_per_w: 25.0 / (fan.running_a * fan.running_a * resistance_ohm),
        copper_tau_s: 600.0,
        bars: fan.bars,
        brushes: fan.brushes,
        ripple: 0.06,
        bar_modulation: 0.25,
        once_per_rev: 0.004,
        turbulence: 0.004,
    }
}

/// A dummy load: a motor that no torque turns, with this resistance at `ambient_c`.
#[must_use]
pub fn standing(resistance_ohm: f64, inductance_h: f64, ambient_c: f64) -> MotorConfig {
    let fan = motor(&FanData::default(), 13.0, 0.02);
    let mut load = MotorConfig {
        inductance_h,
        ke: 0.0,
        breakaway_nm: f64::MAX,
        breakaway_sd: 0.0,
        // Resistance wire: it gets hot and stays what it is.
        copper_k_per_w: 0.0,
        ripple: 0.0,
        once_per_rev: 0.0,
        turbulence: 0.0,
        ..fan
    };
    load.resistance_ohm *= resistance_ohm / load.resistance_at(ambient_c);
    load
}

/// Wears a fan, from just run in (0) to near its end (1): brushes worn and glazed, bearings stiff, magnets tired, the
/// wheel out of balance. No fault of the unit under test, but it shows in everything that the fan does.
pub fn wear(motor: &mut MotorConfig, severity: f64) {
    let s = severity.clamp(0.0, 1.0);
    motor.resistance_ohm *= 1.0 + 0.5 * s;
    motor.friction_nm *= 1.0 + 1.2 * s;
    motor.breakaway_nm *= 1.0 + 1.2 * s;
    motor.breakaway_sd *= 1.0 + 2.0 * s;
    motor.ke *= 1.0 - 0.06 * s;
    motor.ripple *= 1.0 + s;
    motor.bar_modulation *= 1.0 + s;
    motor.once_per_rev *= 1.0 + 8.0 * s;
    motor.turbulence *= 1.0 + 2.0 * s;
}

/// A healthy unit of a kind; the seed makes it this one and no other.
#[must_use]
pub fn unit(kind: Kind, seed: u64) -> ModuleConfig {
    let mut module = nominal(kind);
    spread(&mut module, &mut Xoshiro256PlusPlus::seed_from_u64(seed));
    module
}

/// The middle of a kind.
#[must_use]
pub fn nominal(kind: Kind) -> ModuleConfig {
    match kind {
        Kind::LinearLow => linear_low(),
        Kind::ExponentialHigh => exponential_high(),
        Kind::SCurveLowSide => s_curve_low_side(),
        Kind::SteppedReserved => stepped_reserved(),
        Kind::KickStart => kick_start(),
        Kind::OpenRuns => open_runs(),
        Kind::FastCommand => fast_command(),
        Kind::SlowCommand => slow_command(),
    }
}

const fn loss(does: LossDoes, after_s: f64) -> LossRule {
    LossRule { does, after_s }
}

/// Band whose exit edges lie 4 % outside the entry edges.
fn band(low_hz: f64, high_hz: f64, outside: Outside) -> Band {
    Band {
        low_entry_hz: low_hz,
        low_exit_hz: low_hz * 0.96,
        high_entry_hz: high_hz,
        high_exit_hz: high_hz * 1.04,
        holes: Vec::new(),
        outside,
    }
}

fn map(off: f64, on: f64, ratio_on: f64, saturation: f64) -> OutputMap {
    OutputMap { on, off, ratio_on, saturation, upper_cutoff: None, reserved: Vec::new() }
}

fn ramp(shape: RampShape, full_s: f64) -> RampConfig {
    RampConfig { shape, full_s, fall_s: 0.08, kick: None, power_up: PowerUp::Soft }
}

const fn sleep(after_s: f64, current_a: f64) -> SleepConfig {
    SleepConfig { after_s, current_a, with_edges: false, wake: None }
}

#[expect(clippy::unnecessary_wraps, reason = "a kind has one or has none")]
const fn lock_out(off_v: f64, on_v: f64, (after_s, wait_s): (f64, f64)) -> Option<LockOut> {
    Some(LockOut { off_v, on_v, after_s, wait_s })
}

#[expect(clippy::unnecessary_wraps, reason = "a kind has one or has none")]
const fn stall(after_s: f64, retry_s: f64, tries: u32) -> Option<Stall> {
    Some(Stall { above_ratio: 0.3, after_s, retry_s, tries })
}

fn linear_low() -> ModuleConfig {
    ModuleConfig {
        input: InputConfig {
            kind: InputKind::Pwm,
            active: Level::Low,
            pull_up_v: None,
            pull_up_ohm: Some(3_300.0),
            pull_up_asleep_ohm: Some(33_000.0),
            pull_down_ohm: 1e6,
            leak_ohm: None,
            capacitance_f: 1e-9,
            dead: false,
        },
        band: band(62.0, 265.0, Outside::Stops),
        map: map(0.08, 0.10, 0.10, 0.90),
        at_inactive: loss(LossDoes::Stops, 0.3),
        at_active: loss(LossDoes::Full, 0.5),
        timing: Timing { delay_s: 0.04, wake_s: 0.15, off_delay_s: 0.06, boot_s: 0.15 },
        ramp: ramp(RampShape::Linear, 3.0),
        power: PowerStage {
            side: Side::High,
            chop_hz: 18e3,
            freewheel: Freewheel::Diode(0.55),
            regenerates: false,
            brakes: false,
            on_ohm: 5.5e-3,
            on_per_k: 4.5e-3,
            switching_s: 150e-9,
            capacitance_f: 3.3e-3,
            capacitance_per_k: 4e-4,
            esr_ohm: 9e-3,
            bleed_ohm: 2_200.0,
        },
        heat: HeatConfig { case_k_per_w: 3.0, tau_s: 180.0, junction_k_per_w: 0.8 },
        sleep: Some(sleep(8.0, 180e-6)),
        quiescent_a: 14e-3,
        protect: Protections {
            current_limit_a: 130.0,
            thermal_limit_c: 140.0,
            reset_v: 6.2,
            restart_s: 0.3,
            under: lock_out(7.2, 8.0, (0.01, 0.3)),
            over: lock_out(17.0, 16.3, (0.02, 0.3)),
            latches: false,
            stall: stall(1.0, 3.0, 3),
        },
        defect: Defect { switch: Switch::Works, joint: None, leak_ohm: None },
    }
}

fn exponential_high() -> ModuleConfig {
    let mut module = linear_low();
    module.input = InputConfig {
        active: Level::High,
        pull_up_ohm: None,
        pull_up_asleep_ohm: None,
        pull_down_ohm: 47e3,
        ..module.input
    };
    module.band = band(110.0, 420.0, Outside::Hunts);
    module.map = map(0.10, 0.12, 0.15, 0.88);
    module.at_inactive = loss(LossDoes::Stops, 0.4);
    module.at_active = loss(LossDoes::Full, 0.4);
    module.timing = Timing { delay_s: 0.03, wake_s: 0.2, off_delay_s: 0.05, boot_s: 0.2 };
    module.ramp = ramp(RampShape::Exponential, 1.2);
    module.power.freewheel = Freewheel::Synchronous;
    module.power.chop_hz = 20e3;
    module.power.on_ohm = 4.5e-3;
    module.power.capacitance_f = 2.2e-3;
    module.heat = HeatConfig { case_k_per_w: 3.5, tau_s: 150.0, junction_k_per_w: 0.7 };
    module.sleep = Some(sleep(5.0, 90e-6));
    module.quiescent_a = 12e-3;
    (module.protect.under, module.protect.over) = (lock_out(6.8, 7.6, (0.005, 0.2)), lock_out(18.9, 18.2, (0.05, 0.2)));
    (module.protect.current_limit_a, module.protect.stall) = (95.0, None);
    module
}

fn s_curve_low_side() -> ModuleConfig {
    let mut module = linear_low();
    module.input.pull_up_v = Some(5.0);
    module.input.pull_up_ohm = Some(4_700.0);
    module.input.pull_up_asleep_ohm = Some(4_700.0);
    module.band = band(46.0, 190.0, Outside::Holds);
    module.map = map(0.06, 0.08, 0.07, 0.92);
    module.at_active = loss(LossDoes::Stops, 0.6);
    module.timing = Timing { delay_s: 0.07, wake_s: 0.25, off_delay_s: 0.1, boot_s: 0.12 };
    module.ramp = ramp(RampShape::S, 4.0);
    module.power.side = Side::Low;
    module.power.chop_hz = 16e3;
    module.power.on_ohm = 7e-3;
    module.power.capacitance_f = 4.7e-3;
    module.heat = HeatConfig { case_k_per_w: 2.6, tau_s: 240.0, junction_k_per_w: 0.9 };
    module.sleep = Some(SleepConfig { with_edges: true, ..sleep(12.0, 250e-6) });
    module.quiescent_a = 22e-3;
    (module.protect.under, module.protect.over) = (lock_out(7.6, 8.6, (0.03, 0.5)), lock_out(16.6, 15.9, (0.01, 0.5)));
    module.protect.stall = stall(1.2, 4.0, 0);
    module
}

fn stepped_reserved() -> ModuleConfig {
    let mut module = linear_low();
    module.input.pull_up_ohm = Some(2_200.0);
    module.input.pull_up_asleep_ohm = Some(22_000.0);
    module.band = band(140.0, 450.0, Outside::Full);
    module.map = map(0.085, 0.10, 0.14, 0.86);
    module.map.reserved = vec![
        Reserved { from: 0.0, to: 0.04, rule: loss(LossDoes::Stops, 0.2) },
        Reserved { from: 0.97, to: 1.0, rule: loss(LossDoes::Full, 0.2) },
    ];
    module.at_inactive = loss(LossDoes::Stops, 1.2);
    module.at_active = loss(LossDoes::Stops, 1.0);
    module.timing = Timing { delay_s: 0.05, wake_s: 0.18, off_delay_s: 0.05, boot_s: 0.1 };
    module.ramp = ramp(RampShape::Stepped(8), 2.4);
    module.power.freewheel = Freewheel::Synchronous;
    module.power.on_ohm = 6e-3;
    module.sleep = Some(sleep(6.0, 320e-6));
    module.quiescent_a = 18e-3;
    (module.protect.under, module.protect.over) = (None, lock_out(17.4, 16.9, (0.02, 0.3)));
    module
}

fn kick_start() -> ModuleConfig {
    let mut module = linear_low();
    module.input.pull_up_v = Some(5.0);
    module.band = band(55.0, 240.0, Outside::Misreads(0.6));
    module.map = map(0.09, 0.11, 0.13, 0.90);
    module.at_inactive = loss(LossDoes::Stops, 0.5);
    module.at_active = loss(LossDoes::Holds, 0.5);
    module.ramp = ramp(RampShape::Linear, 4.0);
    module.ramp.kick = Some(Kick { ratio: 0.4, for_s: 0.5 });
    module.power.freewheel = Freewheel::Synchronous;
    module.power.on_ohm = 5e-3;
    module.power.capacitance_f = 2.7e-3;
    module.sleep = Some(SleepConfig { with_edges: true, ..sleep(10.0, 140e-6) });
    module.quiescent_a = 16e-3;
    (module.protect.under, module.protect.over) = (lock_out(7.0, 8.2, (0.15, 0.8)), None);
    module.protect.stall = stall(1.0, 5.0, 3);
    module
}

fn open_runs() -> ModuleConfig {
    let mut module = linear_low();
    module.input.active = Level::High;
    module.input.pull_up_v = Some(5.0);
    module.input.pull_up_ohm = Some(6_800.0);
    module.input.pull_up_asleep_ohm = None;
    module.band = band(75.0, 330.0, Outside::Full);
    module.map = map(0.10, 0.12, 0.12, 0.90);
    module.at_active = loss(LossDoes::Full, 0.8);
    module.timing = Timing { delay_s: 0.05, wake_s: 0.3, off_delay_s: 0.08, boot_s: 0.25 };
    module.ramp = ramp(RampShape::JumpThenRamp(0.25), 2.5);
    module.power.on_ohm = 6.5e-3;
    module.power.side = Side::Low;
    module.sleep = Some(sleep(15.0, 500e-6));
    module.quiescent_a = 25e-3;
    (module.protect.under, module.protect.over) = (None, lock_out(16.8, 16.0, (0.02, 0.1)));
    module.protect.stall = None;
    module
}

fn fast_command() -> ModuleConfig {
    let mut module = exponential_high();
    module.input.pull_down_ohm = 100e3;
    module.input.capacitance_f = 100e-12;
    module.band = band(950.0, 26_000.0, Outside::Stops);
    module.map = map(0.06, 0.08, 0.10, 0.94);
    module.at_active = loss(LossDoes::Full, 0.1);
    module.at_inactive = loss(LossDoes::Stops, 0.1);
    module.timing = Timing { delay_s: 0.015, wake_s: 0.08, off_delay_s: 0.02, boot_s: 0.06 };
    module.ramp = ramp(RampShape::Linear, 0.9);
    module.power.chop_hz = 25e3;
    module.power.on_ohm = 3.5e-3;
    module.sleep = Some(sleep(4.0, 60e-6));
    module.quiescent_a = 9e-3;
    (module.protect.under, module.protect.over) =
        (lock_out(6.9, 7.9, (0.002, 0.1)), lock_out(17.2, 16.5, (0.005, 0.1)));
    (module.protect.current_limit_a, module.protect.stall) = (130.0, stall(0.6, 0.8, 5));
    module
}

fn slow_command() -> ModuleConfig {
    let mut module = linear_low();
    module.input.pull_up_ohm = Some(5_600.0);
    module.input.pull_up_asleep_ohm = Some(56_000.0);
    module.band = band(4.6, 42.0, Outside::Stops);
    module.map = map(0.12, 0.15, 0.16, 0.85);
    module.at_inactive = loss(LossDoes::Stops, 0.8);
    module.at_active = loss(LossDoes::Full, 1.5);
    module.timing = Timing { delay_s: 0.25, wake_s: 0.4, off_delay_s: 0.3, boot_s: 0.3 };
    module.ramp = ramp(RampShape::Linear, 1.6);
    module.power.freewheel = Freewheel::Synchronous;
    module.power.chop_hz = 12e3;
    module.power.on_ohm = 8e-3;
    module.heat = HeatConfig { case_k_per_w: 2.2, tau_s: 290.0, junction_k_per_w: 0.8 };
    let wake = WakeCycle { every_s: 5.0, for_s: 0.04, current_a: 4e-3 };
    module.sleep = Some(SleepConfig { wake: Some(wake), ..sleep(22.0, 400e-6) });
    module.quiescent_a = 30e-3;
    (module.protect.under, module.protect.over) = (lock_out(7.6, 8.8, (0.05, 1.0)), lock_out(17.6, 17.0, (0.1, 1.0)));
    module
}

/// Unit-to-unit spread: each parameter moves on its own, evenly within its tolerance.
fn spread(module: &mut ModuleConfig, rng: &mut Xoshiro256PlusPlus) {
    let mut by = |value: &mut f64, share: f64| *value *= 1.0 + share * (2.0 * rng.random::<f64>() - 1.0);
    for ohm in [&mut module.input.pull_up_ohm, &mut module.input.pull_up_asleep_ohm].into_iter().flatten() {
        by(ohm, 0.08);
    }
    by(&mut module.input.capacitance_f, 0.2);
    spread_band(&mut module.band, &mut by);
    let gap = module.map.on - module.map.off;
    by(&mut module.map.on, 0.08);
    module.map.off = module.map.on - gap;
    by(&mut module.map.off, 0.03);
    by(&mut module.map.ratio_on, 0.06);
    by(&mut module.map.saturation, 0.025);
    for time_s in [&mut module.timing.delay_s, &mut module.timing.wake_s, &mut module.timing.off_delay_s] {
        by(time_s, 0.15);
    }
    // Reserved duties with edges are read like any other: same delays.
    for reserved in &mut module.map.reserved {
        reserved.rule.after_s = match reserved.rule.does {
            LossDoes::Stops => module.timing.off_delay_s,
            LossDoes::Full | LossDoes::Holds | LossDoes::Ratio(_) => module.timing.delay_s,
        };
    }
    by(&mut module.ramp.full_s, 0.15);
    by(&mut module.power.on_ohm, 0.15);
    by(&mut module.power.capacitance_f, 0.15);
    by(&mut module.power.chop_hz, 0.05);
    by(&mut module.heat.case_k_per_w, 0.1);
    by(&mut module.heat.tau_s, 0.1);
    by(&mut module.quiescent_a, 0.2);
    if let Some(sleep) = &mut module.sleep {
        by(&mut sleep.after_s, 0.15);
        by(&mut sleep.current_a, 0.25);
    }
    for lock in [&mut module.protect.under, &mut module.protect.over].into_iter().flatten() {
        let gap_v = lock.on_v - lock.off_v;
        by(&mut lock.off_v, 0.02);
        lock.on_v = lock.off_v + gap_v;
    }
    for rule in [&mut module.at_inactive, &mut module.at_active] {
        by(&mut rule.after_s, 0.1);
    }
}

fn spread_band(band: &mut Band, by: &mut impl FnMut(&mut f64, f64)) {
    let (mut low, mut high) = (1.0, 1.0);
    by(&mut low, 0.06);
    by(&mut high, 0.06);
    band.low_entry_hz *= low;
    band.low_exit_hz *= low;
    band.high_entry_hz *= high;
    band.high_exit_hz *= high;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_motor_meets_its_plate_data() {
        let fan = FanData::default();
        let motor = motor(&fan, 13.0, 0.025);
        let amps = (13.0 - motor.ke * fan.rad_s) / (motor.resistance_ohm + 0.025);
        assert!((amps - fan.running_a).abs() < 1e-9);
        let drag = motor.friction_nm + motor.viscous_nm_s * fan.rad_s + motor.air_nm_s2 * fan.rad_s.powi(2);
        assert!((motor.ke * amps - drag).abs() < 1e-9);
        assert!((0.02..0.06).contains(&motor.ke), "{}", motor.ke);
        assert!((13.0 / (motor.resistance_ohm + 0.025) - fan.locked_a).abs() < 1e-9);
    }

    #[test]
    fn five_seeds_of_a_kind_are_five_different_plausible_units() {
        for kind in Kind::ALL {
            let units: Vec<ModuleConfig> = (1..=5).map(|seed| unit(kind, seed)).collect();
            for (i, unit) in units.iter().enumerate() {
                let map = &unit.map;
                assert!(units[i + 1..].iter().all(|other| other != unit), "{kind:?}");
                assert!(0.02 < map.off && map.off < map.on && map.on < map.saturation && map.saturation < 0.97);
                assert!(unit.band.low_exit_hz < kind.nominal_hz() && kind.nominal_hz() < unit.band.high_exit_hz);
                assert!((2e-3..6e-3).contains(&unit.power.capacitance_f) || kind != Kind::LinearLow);
                let sleep = unit.sleep.unwrap();
                assert!((3.0..60.0).contains(&sleep.after_s) && (40e-6..900e-6).contains(&sleep.current_a));
            }
        }
    }
}
