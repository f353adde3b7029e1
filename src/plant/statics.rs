//! Closed forms of the plant at rest and in steady state: what the motion converges to, without playing it.

use super::command;
use super::config::{Freewheel, ModuleConfig, PlantConfig};
use super::module::output_ratio;

/// A settled working point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Steady {
    /// Speed, rad/s; 0 when the fan cannot turn.
    pub rad_s: f64,
    /// Fan current.
    pub fan_a: f64,
    /// Supply current, electronics included.
    pub supply_a: f64,
    /// Voltage at the module pins.
    pub supply_v: f64,
    /// Voltage across the fan.
    pub output_v: f64,
    /// Heat in the module.
    pub module_w: f64,
}

/// On-resistance of the output path at a case temperature, joint included.
#[must_use]
pub fn on_resistance(config: &PlantConfig, case_c: f64) -> f64 {
    let stage = &config.module.power;
    let joint_ohm = config.module.defect.joint.map_or(0.0, |joint| joint.ohm);
    stage.on_ohm * (1.0 + stage.on_per_k * (case_c - 25.0)) + joint_ohm
}

/// Duty that the module reads for a commanded duty, both fractions at its active level.
#[must_use]
pub fn read_duty(config: &PlantConfig, duty: f64, hz: f64) -> f64 {
    duty + command::shift(&config.module.input, &config.line, hz)
}

/// Static output ratio for a commanded duty with the output on.
#[must_use]
pub fn ratio_at(config: &PlantConfig, duty: f64, hz: f64) -> f64 {
    output_ratio(&config.module, read_duty(config, duty, hz))
}

/// Duty read by the module at which the (latched) output has this ratio; `None` above flat out.
pub(crate) fn duty_for_ratio(module: &ModuleConfig, ratio: f64) -> Option<f64> {
    let map = &module.map;
    let slope = (1.0 - map.ratio_on) / (map.saturation - map.on);
    (ratio <= 1.0).then(|| map.on + (ratio - map.ratio_on) / slope)
}

/// Freewheel drop as seen by the fan, and series resistance, at a ratio.
fn path(config: &PlantConfig, ratio: f64, on_ohm: f64) -> (f64, f64) {
    match config.module.power.freewheel {
        Freewheel::Synchronous => (0.0, on_ohm),
        Freewheel::Diode(forward_v) => (forward_v * (1.0 - ratio), on_ohm * ratio),
    }
}

/// Resistance of supply and cables.
fn source_ohm(config: &PlantConfig) -> f64 {
    config.supply.resistance_ohm + config.supply.lead_ohm
}

/// Fan current with the rotor at `rad_s` and the output at `ratio`, supply rested.
fn held_amps(config: &PlantConfig, ratio: f64, rad_s: f64, copper_c: f64, case_c: f64) -> f64 {
    let (drop_v, series_ohm) = path(config, ratio, on_resistance(config, case_c));
    let ohm = config.motor.resistance_at(copper_c) + series_ohm + source_ohm(config) * ratio * ratio;
    (ratio * config.supply.open_v - drop_v - config.motor.ke * rad_s) / ohm
}

/// Smallest ratio at which the rotor at `rad_s` gets `torque_nm`; `None` when flat out is not enough.
fn ratio_for(config: &PlantConfig, torque_nm: f64, rad_s: f64, copper_c: f64, case_c: f64) -> Option<f64> {
    let enough = |ratio| config.motor.ke * held_amps(config, ratio, rad_s, copper_c, case_c) >= torque_nm;
    if !enough(1.0) {
        return None;
    }
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if enough(middle) { high = middle } else { low = middle }
    }
    Some(high)
}

/// Ratio that breaks the fan loose, `z` standard deviations above the median breakaway torque.
#[must_use]
pub fn start_ratio(config: &PlantConfig, z: f64, copper_c: f64, case_c: f64) -> Option<f64> {
    let torque_nm = config.motor.breakaway_nm * (1.0 + config.motor.breakaway_sd * z);
    ratio_for(config, torque_nm, 0.0, copper_c, case_c)
}

/// Ratio below which the turning fan is caught: the balance at the speed where the detents catch.
#[must_use]
pub fn stop_ratio(config: &PlantConfig, copper_c: f64, case_c: f64) -> Option<f64> {
    let motor = &config.motor;
    let rad_s = motor.catch_rad_s;
    ratio_for(config, drag_nm(config, rad_s), rad_s, copper_c, case_c)
}

fn drag_nm(config: &PlantConfig, rad_s: f64) -> f64 {
    let motor = &config.motor;
    motor.friction_nm + motor.viscous_nm_s * rad_s + motor.air_nm_s2 * rad_s * rad_s
}

/// Steady state of a turning fan at an output ratio with `pins_v` at the module pins.
#[must_use]
pub fn steady_at_pins(config: &PlantConfig, ratio: f64, pins_v: f64, copper_c: f64, case_c: f64) -> Steady {
    let motor = &config.motor;
    let (drop_v, series_ohm) = path(config, ratio, on_resistance(config, case_c));
    let ohm = motor.resistance_at(copper_c) + series_ohm;
    // (R / Ke) (Tc + b w + k w^2) + Ke w = ratio V - drop, a quadratic in w.
    let (a, b) = (ohm / motor.ke * motor.air_nm_s2, ohm / motor.ke * motor.viscous_nm_s + motor.ke);
    let c = ohm / motor.ke * motor.friction_nm - (ratio * pins_v - drop_v);
    let turning = if c < 0.0 { (-b + (b * b - 4.0 * a * c).sqrt()) / (2.0 * a) } else { 0.0 };
    let limit_a = config.module.protect.current_limit_a;
    let rad_s = if drag_nm(config, turning) / motor.ke > limit_a { limited_speed(config, limit_a) } else { turning };
    let fan_a = if rad_s > 0.0 { drag_nm(config, rad_s) / motor.ke } else { 0.0 };
    let limited = rad_s < turning;
    let full_drop_v = path(config, 0.0, 0.0).0;
    let held_v = motor.ke * rad_s + fan_a * (motor.resistance_at(copper_c) + on_resistance(config, case_c));
    let ratio = if limited { (held_v + full_drop_v) / (pins_v + full_drop_v) } else { ratio };
    let (drop_v, series_ohm) = path(config, ratio, on_resistance(config, case_c));
    let stage = &config.module.power;
    let switching_a = if ratio < 1.0 { stage.switching_s * stage.chop_hz * fan_a } else { 0.0 };
    let own_a = config.module.quiescent_a + config.module.defect.leak_ohm.map_or(0.0, |leak| pins_v / leak);
    Steady {
        rad_s,
        fan_a,
        supply_a: ratio * fan_a + switching_a + own_a,
        supply_v: pins_v,
        output_v: motor.ke * rad_s + fan_a * motor.resistance_at(copper_c),
        module_w: fan_a * fan_a * series_ohm + fan_a * drop_v + (switching_a + own_a) * pins_v,
    }
}

/// Speed at which the drag takes exactly the limited current.
fn limited_speed(config: &PlantConfig, limit_a: f64) -> f64 {
    let motor = &config.motor;
    let spare_nm = motor.ke * limit_a - motor.friction_nm;
    if spare_nm <= 0.0 {
        return 0.0;
    }
    let (a, b) = (motor.air_nm_s2, motor.viscous_nm_s);
    (-b + (b * b + 4.0 * a * spare_nm).sqrt()) / (2.0 * a)
}

/// Steady state at an output ratio on the rested supply with its slow sag gone through.
#[must_use]
pub fn steady(config: &PlantConfig, ratio: f64, copper_c: f64, case_c: f64) -> Steady {
    let ohm = source_ohm(config) + config.supply.recovery_ohm;
    let mut point = steady_at_pins(config, ratio, config.supply.open_v, copper_c, case_c);
    for _ in 0..50 {
        let pins_v = config.supply.open_v - ohm * point.supply_a;
        point = steady_at_pins(config, ratio, 0.5 * (pins_v + point.supply_v), copper_c, case_c);
    }
    point
}

/// Case rise over ambient and effective time constant at an output ratio: the heat depends on the case itself.
#[must_use]
pub fn heat(config: &PlantConfig, ratio: f64, copper_c: f64) -> (f64, f64) {
    let heat = &config.module.heat;
    let watts = |case_c: f64| steady(config, ratio, copper_c, case_c).module_w;
    let mut case_c = config.ambient_c;
    for _ in 0..100 {
        case_c += 0.5 * (config.ambient_c + heat.case_k_per_w * watts(case_c) - case_c);
    }
    let per_k = heat.case_k_per_w * (watts(case_c + 1.0) - watts(case_c - 1.0)) / 2.0;
    (case_c - config.ambient_c, heat.tau_s / (1.0 - per_k))
}
