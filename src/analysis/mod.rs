//! Pure functions from a recording to results. No clock, no files, no printing, no unseeded randomness.
#![deny(clippy::disallowed_methods, clippy::disallowed_macros, clippy::disallowed_types)]

mod absence;
mod by_frequency;
pub mod calibration;
mod capacitance;
mod capacitance_warm;
pub mod command;
mod constant;
mod contamination;
mod curve;
mod discover;
mod drop;
mod estimate;
pub mod events;
mod first_motion;
pub(crate) mod flex;
mod frequency;
pub mod gauge;
pub(crate) mod heat;
mod hinge;
mod hot_restart;
pub(crate) mod level;
mod line;
pub(crate) mod load_fan;
mod loss;
mod motor_fit;
mod onset;
mod peak;
mod power_up;
mod ramp;
pub mod recognise;
mod repeated_starts;
mod response;
mod run_down;
mod saturation;
mod settled_form;
mod short_wait;
pub mod signal;
mod sleep;
mod soft_start;
pub mod speed;
mod stall;
mod steadiness;
mod supply_dip;
mod supply_sweep;
mod swing;
#[cfg(test)]
pub(crate) mod synthetic;
mod tach_faults;
mod threshold_fit;
mod thresholds;
mod trial;
mod with_output;
pub mod zero;

pub use settled_form::from_settled;

use crate::record::recording::Recording;
use crate::results::{Contribution, Findings};

/// Program and version of the analysis, as documents name it. The last number grows with every change that can alter a result,
/// a limit's outcome or a grade.
pub const VERSION: &str = concat!("galebench ", env!("CARGO_PKG_VERSION"), ", analysis 22");

/// Everything that a recording tells: results, settled points, reasons for what is absent, oddities.
///
/// Pure: the same recording gives the same findings. One call per quantity file, what others build on first.
#[must_use]
pub fn analyse(rec: &Recording) -> Findings {
    let (mut cleaned, mut warnings) = contamination::clean(rec);
    if let Some(pulses) = tach_faults::pulses_per_rev(&cleaned) {
        warnings.push(format!("tach: {pulses:.0} pulses per turn, by the other source of speed; the rig does not say"));
        cleaned.to_mut().header.bench.pulses_per_rev = Some(pulses);
    }
    let rec = cleaned.as_ref();
    warnings.extend(tach_faults::faults(rec));
    let mut findings = Findings { warnings, ..Findings::default() };
    drop::find(rec, &mut findings);
    soft_start::find(rec, &mut findings);
    first_motion::find(rec, &mut findings);
    power_up::find(rec, &mut findings);
    hot_restart::find(rec, &mut findings);
    repeated_starts::find(rec, &mut findings);
    supply_dip::find(rec, &mut findings);
    supply_sweep::find(rec, &mut findings);
    stall::find(rec, &mut findings);
    flex::find(rec, &mut findings);
    line::find(rec, &mut findings);
    capacitance::find(rec, &mut findings);
    capacitance_warm::find(rec, &mut findings);
    run_down::find(rec, &mut findings);
    heat::find(rec, &mut findings);
    sleep::find(rec, &mut findings);
    short_wait::take_back(rec, &mut findings);
    curve::find(rec, &mut findings);
    thresholds::find(rec, &mut findings);
    saturation::find(rec, &mut findings);
    curve::speed_rpm(rec, &mut findings);
    discover::find(rec, &mut findings);
    frequency::find(rec, &mut findings);
    by_frequency::find(rec, &mut findings);
    loss::find(rec, &mut findings);
    steadiness::find(rec, &mut findings);
    findings.events = events::find(rec);
    absence::fill(rec, &mut findings);
    reproduce(rec, &mut findings);
    findings.drop_unreal();
    findings
}

/// Adds to each result what a gauge study on this rig found to differ between sessions: reconnection, day, operator.
fn reproduce(rec: &Recording, findings: &mut Findings) {
    for (name, u) in &rec.header.bench.reproducibility {
        if let Some(measured) = findings.results.get_mut(name) {
            measured.widen(Contribution::lasting("reproducibility (gauge study)", *u));
        }
    }
}
