//! Flat out and settled, not chopping: what is lost between supply and output. Then the supply is taken away from the
//! driven fan, which ties the readings of the two voltages to each other.

use crate::bench::{Pace, Setting, Supply};
use crate::config::plan::UpTo;
use crate::record::event::SpanKind;
use crate::runner::session::{Session, Work};
use crate::runner::stages::soft_start::settle_at;
use crate::units::{Duty, Seconds};

/// Longest settling before.
const SETTLE: Seconds = Seconds(40.0);
/// Shortest stay that is averaged.
const LEAST_S: f64 = 2.0;
/// Length of the tie: long before a coasting fan falls to the voltage at which the module resets.
const TIE_S: f64 = 0.5;

pub(crate) fn run(session: &mut Session<'_>, hold: Seconds) -> Work {
    let duty = session.highest(UpTo::RigLimit);
    let settled = settle_at(session, duty, SETTLE)?;
    let (_, complete) = session.span(SpanKind::FlatOut, |session| {
        session.read(hold.get().max(LEAST_S), Pace::Normal)?;
        let complete = match (session.driven(1.0), settled) {
            (false, _) => Err("no output".to_owned()),
            (true, false) => Err("did not settle in time".to_owned()),
            (true, true) => Ok(()),
        };
        Ok(((), complete))
    })?;
    if complete.is_ok() {
        let there = session.command(Duty::clamped(duty));
        session.stretch(SpanKind::Tie, |session| {
            session.set(Setting { supply: Supply::Off, ..there })?;
            session.read(TIE_S, Pace::Normal)
        })?;
        session.set(Setting { supply: Supply::Off, ..session.off_setting() })?;
    }
    Ok(complete)
}
