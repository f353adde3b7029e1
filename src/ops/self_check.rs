//! Self-check of a rig: a resistor of known value in place of the unit, powered like a unit; voltage over current must
//! give the resistor back within what both are said to be off.

use std::path::Path;

use crate::analysis::zero;
use crate::bench::{Channel, Supply};
use crate::config;
use crate::config::plan::{Plan, Stage};
use crate::config::rig::Rig;
use crate::ops::OpsError;
use crate::record::recording::Recording;
use crate::units::{Ohms, Ratio, Seconds, significant};

use super::run::plain_plan;

/// Name of the plan behind it.
pub const PLAN: &str = "self-check";
/// The current settles this long after the relay closed.
const SETTLE_S: f64 = 0.3;
/// Room between the load's current and the limit at which the supply is cut.
const LIMIT_SHARE: f64 = 0.8;
/// Coverage of the comparison.
const K: f64 = 2.0;

/// The known resistor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Load {
    /// Its resistance, cold.
    pub resistance: Ohms,
    /// Its relative standard uncertainty, warming included.
    pub u: Ratio,
}

/// First power and nothing else: the relay stays closed for about a second.
#[must_use]
pub fn plan(rig: &Rig) -> Plan {
    plain_plan(PLAN, rig, vec![Stage::FirstPower { settle: Seconds(0.5) }])
}

/// Power that the resistor must take for about a second, watts.
///
/// # Errors
/// A rig file that is wrong; a resistor that would draw more than the rig allows.
pub fn power_w(rig: &Path, load: Load) -> Result<f64, OpsError> {
    let rig = config::load_rig(rig)?;
    let (volts, ohm) = (rig.supply.voltage.get(), load.resistance.get());
    let amps = volts / (ohm + rig.supply.resistance.get());
    let most = LIMIT_SHARE * rig.limits.instant_current.get().min(rig.wiring.fuse.get());
    if !amps.is_finite() || amps > most {
        let why = format!(
            "would draw {} A, of which this rig allows {} A: use a larger one",
            significant(amps, 3),
            significant(most, 3)
        );
        return Err(OpsError::Argument { what: format!("a load of {} Ohm", significant(ohm, 4)), why });
    }
    Ok(amps * amps * ohm)
}

/// What the check found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Found {
    /// Voltage at the load.
    pub volts: f64,
    /// Current through it.
    pub amps: f64,
    /// Resistance that the rig measures, ohms, with its standard uncertainty.
    pub ohm: (f64, f64),
    /// Difference over the expanded uncertainty of both; within 1 the rig agrees with the resistor (ISO/IEC 17043, En).
    pub en: f64,
}

/// Compares what was recorded with the resistor.
///
/// # Errors
/// In words, when the record does not hold what is needed.
pub fn judge(rec: &Recording, load: Load) -> Result<Found, String> {
    let on = rec.settings.iter().rposition(|(_, setting)| setting.supply == Supply::On);
    let on = on.ok_or("the supply was never switched on to the load")?;
    let from_s = rec.settings[on].0 + SETTLE_S;
    let to_s = rec.settings[on + 1..].first().map_or(rec.end_s, |(t_s, _)| *t_s);
    let level = |channel| zero::level(rec, channel, from_s, to_s);
    let volts = level(Channel::SupplyV).ok_or("this rig does not measure the supply voltage")?;
    let amps = level(Channel::SupplyA).ok_or("no samples of the supply current came")?;
    if amps.value.abs() < 5.0 * amps.u() {
        return Err(format!("only {} A flowed: is the load connected?", significant(amps.value, 2)));
    }
    let ohm = volts.value / amps.value - rec.header.bench.lead_ohm;
    let u = ohm * (volts.u() / volts.value).hypot(amps.u() / amps.value);
    let expected = load.resistance.get();
    let en = (ohm - expected) / (K * u.hypot(expected * load.u.get()));
    Ok(Found { volts: volts.value, amps: amps.value, ohm: (ohm, u), en })
}

impl Found {
    /// Whether rig and resistor agree.
    #[must_use]
    pub fn agrees(&self) -> bool {
        self.en.abs() <= 1.0
    }
}
