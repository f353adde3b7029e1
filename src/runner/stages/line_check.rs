//! Line voltage released and held: what kind of input it is, and which state keeps the fan off.

use crate::bench::{Channel, Line, Pace, Setting};
use crate::record::event::SpanKind;
use crate::runner::session::{Session, Work};
use crate::runner::stages::supply_open::learn_line;
use crate::safety::Halt;
use crate::units::{Duty, Seconds};

/// Long enough for edges at any usual frequency, too short for a soft start to turn the fan.
const WAKE_S: f64 = 0.1;
/// How long the output may go on after the edges, or a state that runs, before it counts as running by this state of the
/// line; and in what pieces that is looked at.
const LINGERS_S: f64 = 2.0;
const LOOK_S: f64 = 0.1;
/// Read once the output has gone: it loads the supply, and a pull-up to the supply with it.
const QUIET_S: f64 = 0.5;
/// Reads the same either way up: neither level sees a high command.
const WAKE_DUTY: f64 = 0.5;
/// Released voltage below which nothing pulls the line up.
const HIGH_V: f64 = 1.0;
/// A unit that fell asleep before its line was read is woken and read again, this often.
const TRIES: u32 = 2;

pub(crate) fn run(session: &mut Session<'_>, each: Seconds) -> Work {
    session.power_on()?;
    let high = rests_high(session);
    let mut ran = wake(session)?;
    for line in order(high) {
        for _ in 0..TRIES {
            read_line(session, line, each, ran && !runs_alike(session, line, high))?;
            if !session.asleep(0.2) {
                break;
            }
            ran = wake(session)?;
        }
        // A start may be delayed or soft: what already grows will run.
        ran = session.driven(LOOK_S);
        learn_line(session, line, ran);
    }
    session.off()?;
    if ran {
        session.wait_undriven_by(3.0, LOOK_S, LOOK_S)?;
    }
    Ok(Ok(()))
}

/// The states in the order in which they are read after one wake-up, before any unit is asleep again. Those that the unit
/// cannot tell apart come first, so that the last one, where it runs the fan, runs it by itself and nothing has to be waited
/// for. What the edges have begun ends in a state in which the line tells least: held to the level at which it rests.
fn order(high: bool) -> [Line; 3] {
    if high { [Line::High, Line::Open, Line::Low] } else { [Line::Open, Line::Low, Line::High] }
}

/// Whether the released line rests at a high level.
fn rests_high(session: &Session<'_>) -> bool {
    let now_s = session.now_s();
    session.rec().mean(Channel::LineV, now_s - LOOK_S, now_s).is_none_or(|volts| volts > HIGH_V)
}

/// Whether the fan is known to run with the line in another state of the same level.
fn runs_alike(session: &Session<'_>, line: Line, high: bool) -> bool {
    let at_rest = if high { Line::High } else { Line::Low };
    (line == Line::Open || line == at_rest) && session.known.running_lines.contains(&Line::Open)
}

/// `lingers` where edges, or a state that ran, went before: the output may go on for a while.
fn read_line(session: &mut Session<'_>, line: Line, each: Seconds, lingers: bool) -> Result<(), Halt> {
    session.stretch(SpanKind::LineRead { line }, |session| {
        session.set(Setting { line, ..session.off_setting() })?;
        session.read(each.get().max(0.5), Pace::Normal)?;
        let gone = lingers && session.driven(LOOK_S) && session.wait_undriven_by(LINGERS_S, LOOK_S, LOOK_S)?;
        // Held high the line is the bench's own: no load on the supply moves it.
        if gone && line != Line::High { session.read(QUIET_S, Pace::Normal) } else { Ok(()) }
    })
}

/// Edges for a moment, where the rig has them; whether something may run now. An input that sleeps may have another
/// pull-up, and the awake one is asked for.
fn wake(session: &mut Session<'_>) -> Result<bool, Halt> {
    if !session.can.duty {
        return Ok(session.driven(LOOK_S));
    }
    session.set(session.command(Duty::clamped(WAKE_DUTY)))?;
    session.read(WAKE_S, Pace::Normal)?;
    Ok(true)
}
