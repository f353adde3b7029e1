//! Line voltage released and held: what kind of input it is, and which state keeps the fan off.

use crate::bench::{Line, Pace, Setting};
use crate::record::event::SpanKind;
use crate::runner::session::{Session, Work};
use crate::runner::stages::supply_open::learn_line;
use crate::safety::Halt;
use crate::units::{Duty, Seconds};

/// Long enough for edges at any usual frequency, too short for a soft start to turn the fan.
const WAKE_S: f64 = 0.1;
/// How long the output may go on after edges or a state that ran before it counts as running by this state of the line.
const LINGERS_S: f64 = 2.0;
/// A unit that fell asleep while its line was read is woken and read again, this often.
const TRIES: u32 = 2;
/// Reads the same either way up: neither level sees a high command.
const WAKE_DUTY: f64 = 0.5;

pub(crate) fn run(session: &mut Session<'_>, each: Seconds) -> Work {
    session.power_on()?;
    let mut ran = session.driven(0.1);
    for line in [Line::Open, Line::High, Line::Low] {
        for _ in 0..TRIES {
            let woken = wake(session)?;
            let lingers = woken || (ran && session.sup.setting().line != line);
            read_line(session, line, each, lingers)?;
            if woken || !session.asleep(0.2) {
                break;
            }
        }
        // A start may be delayed or soft: what already grows will run.
        ran = session.driven(0.1);
        learn_line(session, line, ran);
    }
    session.off()?;
    session.wait_undriven(3.0)?;
    Ok(Ok(()))
}

/// `lingers` where edges, or a state that ran, went before: the output may go on for a while.
fn read_line(session: &mut Session<'_>, line: Line, each: Seconds, lingers: bool) -> Result<(), Halt> {
    session.stretch(SpanKind::LineRead { line }, |session| {
        session.set(Setting { line, ..session.off_setting() })?;
        session.read(each.get().max(0.5), Pace::Normal)?;
        // An output that lingers loads the supply, and a pull-up to the supply with it.
        if lingers && session.driven(0.1) && session.wait_undriven(LINGERS_S)? {
            session.read(0.5, Pace::Normal)?;
        }
        Ok(())
    })
}

/// Edges for a moment, unless the unit is seen to be awake; whether they were given. An input that sleeps may have another
/// pull-up, and the awake one is asked for.
fn wake(session: &mut Session<'_>) -> Result<bool, Halt> {
    if !session.can.duty || session.awake(0.2) {
        return Ok(false);
    }
    session.set(session.command(Duty::clamped(WAKE_DUTY)))?;
    session.read(WAKE_S, Pace::Normal)?;
    Ok(true)
}
