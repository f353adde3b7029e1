//! The supply of a vehicle whose engine is cranked, while the fan runs: several levels one after the other.

use crate::record::event::SpanKind;
use crate::runner::session::{Session, Work};
use crate::runner::stages::supply_dip;
use crate::units::{Duty, Seconds, Volts};

pub(crate) fn run(session: &mut Session<'_>, duty: Duty, profile: &[(Volts, Seconds)], watch: Seconds) -> Work {
    let complete = supply_dip::passage(session, SpanKind::Crank, duty, profile, watch)?;
    supply_dip::end(session)?;
    Ok(complete)
}
