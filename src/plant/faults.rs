//! Defects: what each does to a healthy unit, from just visible (severity 0) to gross (severity 1).

use super::config::{Joint, LockOut, PlantConfig, RampShape, Switch};

/// A defect.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// Output switch shorted: runs uncommanded.
    SwitchShorted,
    /// Output switch open: dead.
    SwitchOpen,
    /// One of two parallel switches open: on-resistance up.
    ParallelSwitchOpen,
    /// Cracked joint: intermittent when warm or flexed.
    CrackedJoint,
    /// Dried electrolytic: capacitance down, series resistance up, resets when loaded.
    DriedCapacitor,
    /// Soft start lost.
    SoftStartLost,
    /// Command input dead.
    InputDead,
    /// Command input leaky: pull-up low, edges slow.
    InputLeaky,
    /// Accepted frequency band shifted.
    BandShifted,
    /// Current limit early.
    CurrentLimitEarly,
    /// Thermal limit early.
    ThermalLimitEarly,
    /// Sleep lost.
    SleepLost,
    /// Water in the connector: leakage between pins.
    WaterInConnector,
    /// Under-voltage lock-out early, and what it took off stays off.
    LockOutLatches,
}

impl Fault {
    /// All of them.
    pub const ALL: [Self; 14] = [
        Self::SwitchShorted,
        Self::SwitchOpen,
        Self::ParallelSwitchOpen,
        Self::CrackedJoint,
        Self::DriedCapacitor,
        Self::SoftStartLost,
        Self::InputDead,
        Self::InputLeaky,
        Self::BandShifted,
        Self::CurrentLimitEarly,
        Self::ThermalLimitEarly,
        Self::SleepLost,
        Self::WaterInConnector,
        Self::LockOutLatches,
    ];
}

/// From `none` at severity 0 to `gross` at severity 1, along a straight line.
fn line(severity: f64, mild: f64, gross: f64) -> f64 {
    mild + (gross - mild) * severity
}

/// The same along equal ratios.
fn ratio(severity: f64, mild: f64, gross: f64) -> f64 {
    mild * (gross / mild).powf(severity)
}

/// Works `fault` into the unit. `running_a` is the fan's current flat out.
pub fn put(config: &mut PlantConfig, fault: Fault, severity: f64, running_a: f64) {
    let s = severity.clamp(0.0, 1.0);
    let ambient_c = config.ambient_c;
    let module = &mut config.module;
    match fault {
        Fault::SwitchShorted => module.defect.switch = Switch::Shorted(line(s, 0.05, 0.005)),
        Fault::SwitchOpen => module.defect.switch = Switch::Open,
        Fault::ParallelSwitchOpen => module.power.on_ohm *= line(s, 1.7, 2.4),
        Fault::CrackedJoint => {
            let joint = Joint {
                above_c: ambient_c + line(s, 6.0, 1.0),
                per_s: ratio(s, 0.05, 2.0),
                flexed_per_s: ratio(s, 0.2, 2.0),
                ohm: line(s, 1e-3, 6e-3),
            };
            module.defect.joint = Some(joint);
        }
        Fault::DriedCapacitor => {
            module.power.capacitance_f *= ratio(s, 0.5, 0.015);
            module.power.capacitance_per_k = line(s, 3e-3, 1.2e-2);
            module.power.esr_ohm *= ratio(s, 2.0, 70.0);
        }
        Fault::SoftStartLost => {
            module.ramp.kick = None;
            module.ramp.full_s *= line(s, 0.3, 0.0);
            if s > 0.7 {
                module.ramp.shape = RampShape::None;
            }
        }
        Fault::InputDead => {
            module.input.dead = true;
            if s > 0.5 {
                (module.input.pull_up_ohm, module.input.pull_up_asleep_ohm) = (None, None);
            }
        }
        Fault::InputLeaky => {
            let pull_ohm = module.input.pull_up_ohm.unwrap_or(module.input.pull_down_ohm);
            module.input.leak_ohm = Some(pull_ohm * ratio(s, 8.0, 1.3));
            module.input.capacitance_f *= ratio(s, 10.0, 60.0);
        }
        Fault::BandShifted => {
            let by = ratio(s, 1.12, 1.9);
            let band = &mut module.band;
            for edge_hz in
                [&mut band.low_entry_hz, &mut band.low_exit_hz, &mut band.high_entry_hz, &mut band.high_exit_hz]
            {
                *edge_hz *= by;
            }
        }
        Fault::CurrentLimitEarly => module.protect.current_limit_a = running_a * line(s, 1.1, 0.35),
        Fault::ThermalLimitEarly => module.protect.thermal_limit_c = ambient_c + line(s, 8.0, 2.0),
        Fault::SleepLost => match &mut module.sleep {
            Some(sleep) if s < 0.7 => sleep.current_a = module.quiescent_a * line(s, 0.15, 0.7),
            sleep => *sleep = None,
        },
        Fault::WaterInConnector => {
            module.defect.leak_ohm = Some(ratio(s, 4_000.0, 120.0));
            let pull_ohm = module.input.pull_up_ohm.unwrap_or(10_000.0);
            module.input.leak_ohm = Some(pull_ohm * ratio(s, 12.0, 1.8));
        }
        Fault::LockOutLatches => {
            let sound = module.protect.under.unwrap_or(LockOut { off_v: 7.2, on_v: 8.0, after_s: 0.01, wait_s: 0.3 });
            let by_v = line(s, 0.2, 2.0);
            module.protect.under = Some(LockOut { off_v: sound.off_v + by_v, on_v: sound.on_v + by_v, ..sound });
            module.protect.latches = true;
        }
    }
}
