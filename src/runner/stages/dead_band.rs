//! Duties at which the output comes on and goes off, at one command frequency, with the fan at rest all the while: below
//! its start it need not be waited for, so each look takes half a second and the two brackets are halved in turn.

use crate::bench::{Pace, Setting};
use crate::record::event::SpanKind;
use crate::runner::session::Session;
use crate::runner::stages::thresholds::OFF_LOOK_S;
use crate::safety::Halt;
use crate::units::{Duty, Hertz};

/// Step of the climb where nothing is known yet.
const COARSE: f64 = 0.01;
/// A look takes this much longer than the output needs to answer: only its later half is read.
const LOOK_SHARE: f64 = 1.25;

/// What is looked for, as fractions of the period.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Search {
    pub(crate) frequency: Hertz,
    /// Duty at which the output is off, with edges.
    pub(crate) lowest: f64,
    /// Highest duty seen off and lowest seen on, rising, if known.
    pub(crate) on: Option<(f64, f64)>,
    /// The climb ends here: above, the fan would start.
    pub(crate) top: f64,
    /// Brackets are halved down to this.
    pub(crate) within: f64,
}

/// Runs the search from standstill; why not, where it was given up.
pub(crate) fn search(session: &mut Session<'_>, search: Search) -> Result<Result<(), String>, Halt> {
    let (_, complete) = session.span(SpanKind::DeadBand, |session| Ok(((), narrow(session, search)?)))?;
    session.zero_due = true;
    Ok(complete)
}

/// What one look saw.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Seen {
    Off,
    On,
    Turning,
}

const STARTED: &str = "the fan started";

fn narrow(session: &mut Session<'_>, search: Search) -> Result<Result<(), String>, Halt> {
    if look(session, search, search.lowest)? != Seen::Off {
        return Ok(Err("the output is on at the lowest duty".to_owned()));
    }
    let (mut on_below, mut on_at) = match search.on {
        Some(known) => known,
        None => match climb(session, search)? {
            Ok(found) => found,
            Err(why) => return Ok(Err(why)),
        },
    };
    let (mut off_at, mut off_above) = (search.lowest, on_at);
    // The climb ends with the output on; a known bracket begins with it off.
    let mut is_on = search.on.is_none();
    loop {
        let (on_left, off_left) = (on_at - on_below > search.within, off_above - off_at > search.within);
        if !on_left && !off_left {
            return Ok(Ok(()));
        }
        let duty = match (is_on, on_left, off_left) {
            (false, true, _) => f64::midpoint(on_below, on_at),
            (true, _, true) => f64::midpoint(off_at, off_above),
            // Only the other bracket is left: to the side from which it is come to.
            (false, false, _) => on_at,
            (true, true, false) => search.lowest,
            (true, false, false) => return Ok(Ok(())),
        };
        match (look(session, search, duty)?, is_on) {
            (Seen::Turning, _) => return Ok(Err(STARTED.to_owned())),
            (Seen::Off, false) if duty >= on_at => return Ok(Err("the output does not come on again".to_owned())),
            (Seen::Off, false) => on_below = on_below.max(duty),
            (Seen::On, false) => (on_at, is_on) = (on_at.min(duty), true),
            (Seen::On, true) if duty <= search.lowest => return Ok(Err("the output does not go off again".to_owned())),
            (Seen::On, true) => off_above = off_above.min(duty),
            (Seen::Off, true) => (off_at, is_on) = (off_at.max(duty), false),
        }
    }
}

/// Steps up until the output comes on; the last two duties.
fn climb(session: &mut Session<'_>, search: Search) -> Result<Result<(f64, f64), String>, Halt> {
    let mut below = search.lowest;
    while below < search.top - 1e-9 {
        let duty = (below + COARSE).min(search.top);
        match look(session, search, duty)? {
            Seen::Off => below = duty,
            Seen::On => return Ok(Ok((below, duty))),
            Seen::Turning => return Ok(Err(STARTED.to_owned())),
        }
    }
    Ok(Err(format!("no output up to {}", Duty::clamped(search.top))))
}

fn look(session: &mut Session<'_>, search: Search, duty: f64) -> Result<Seen, Halt> {
    session.set(Setting { frequency: search.frequency, ..session.command(Duty::clamped(duty)) })?;
    // A few periods of a slow command have to be seen.
    let periods_s = 4.0 / search.frequency.get().max(1.0);
    session.read(LOOK_SHARE * session.answer_s().max(periods_s), Pace::Slow)?;
    if session.turns_by_edges(0.5) {
        return Ok(Seen::Turning);
    }
    Ok(if session.output_on_at_rest(OFF_LOOK_S) { Seen::On } else { Seen::Off })
}
