//! Line voltage released and held: what kind of input it is, and which state keeps the fan off.

use crate::bench::{Line, Pace, Setting};
use crate::record::event::SpanKind;
use crate::runner::session::{Session, Work};
use crate::runner::stages::supply_open::learn_line;
use crate::safety::Halt;
use crate::units::{Duty, Seconds};

/// Long enough for edges at any usual frequency, too short for a soft start to turn the fan.
const WAKE_S: f64 = 0.1;
/// How long the output may go on after the edges have ended before it counts as running by this state of the line.
const LINGERS_S: f64 = 2.0;
/// Reads the same either way up: neither level sees a high command.
const WAKE_DUTY: f64 = 0.5;

pub(crate) fn run(session: &mut Session<'_>, each: Seconds) -> Work {
    session.power_on()?;
    for line in [Line::Open, Line::High, Line::Low] {
        wake(session)?;
        session.stretch(SpanKind::LineRead { line }, |session| {
            session.set(Setting { line, ..session.off_setting() })?;
            session.read(each.get().max(0.5), Pace::Normal)?;
            // An output that lingers loads the supply, and a pull-up to the supply with it.
            if session.driven(0.1) && session.wait_undriven(LINGERS_S)? {
                session.read(0.5, Pace::Normal)?;
            }
            Ok(())
        })?;
        // A start may be delayed or soft: what already grows will run.
        let runs = session.driven(0.1);
        learn_line(session, line, runs);
    }
    session.off()?;
    session.wait_undriven(3.0)?;
    Ok(Ok(()))
}

/// Edges for a moment: an input that sleeps may have another pull-up, and the awake one is asked for.
fn wake(session: &mut Session<'_>) -> Result<(), Halt> {
    if !session.can.duty {
        return Ok(());
    }
    session.set(session.command(Duty::clamped(WAKE_DUTY)))?;
    session.read(WAKE_S, Pace::Normal)
}
