//! What the module does when its motor stands: on a dummy load from off to one duty, until the output was on for as long as
//! asked, came again after it was cut, or stayed off.

use crate::bench::{Pace, Setting};
use crate::config;
use crate::config::plan::UpTo;
use crate::record::event::SpanKind;
use crate::runner::session::{Session, Work};
use crate::safety::Halt;
use crate::units::{Duty, Seconds};

/// Stretch before the command.
const BEFORE_S: f64 = 0.3;
/// How often the output is looked at.
const LOOK_S: f64 = 0.02;
/// No output for this long is a cut, and one that comes again is followed for this long.
const CUT_S: f64 = 0.06;
const AGAIN_S: f64 = 0.2;
/// Longest wait for the first output, and for the last to go.
const ANSWERS_WITHIN_S: f64 = 4.0;
const GONE_WITHIN_S: f64 = 5.0;

/// What the stage asks for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Ask {
    pub(crate) duty: UpTo<Duty>,
    pub(crate) hold: Seconds,
    pub(crate) watch: Seconds,
    pub(crate) tries: u32,
    pub(crate) rest: Seconds,
}

pub(crate) fn run(session: &mut Session<'_>, ask: Ask) -> Work {
    let duty = Duty::clamped(session.highest(ask.duty));
    let rest = config::stall_rest(session.rig, ask.rest, ask.hold);
    let mut missing = Vec::new();
    for number in 1..=ask.tries {
        // The supply away between tries: what latched in one is over in the next, and nothing heats the load while it cools.
        session.zero()?;
        if session.rec().spans.iter().any(|span| span.kind == SpanKind::Stall) {
            session.read(rest.get(), Pace::Slow)?;
        }
        session.power_on()?;
        session.wake()?;
        let (_, complete) = session.span(SpanKind::Stall, |session| one(session, duty, ask))?;
        if let Err(why) = complete {
            missing.push(format!("try {number}: {why}"));
        }
    }
    session.zero()?;
    Ok(if missing.is_empty() { Ok(()) } else { Err(missing.join("; ")) })
}

/// One try, ended by an off command.
fn one(session: &mut Session<'_>, duty: Duty, ask: Ask) -> Result<((), Result<(), String>), Halt> {
    session.read(BEFORE_S, Pace::Normal)?;
    let before: Setting = session.sup.setting();
    session.set(session.command(duty))?;
    session.zero_due = true;
    let complete = follow(session, ask)?;
    session.set(before)?;
    session.wait_undriven(GONE_WITHIN_S)?;
    Ok(((), complete))
}

/// Reads until the try has told what it can.
fn follow(session: &mut Session<'_>, ask: Ask) -> Work {
    let begin_s = session.now_s();
    let (mut on_s, mut off_since) = (0.0, None);
    loop {
        session.read(LOOK_S, Pace::Normal)?;
        let now_s = session.now_s();
        if session.driven(LOOK_S) {
            let off_s = off_since.take().map_or(0.0, |since_s| now_s - LOOK_S - since_s);
            if off_s >= CUT_S {
                session.read(AGAIN_S, Pace::Normal)?;
                return Ok(Ok(()));
            }
            on_s += LOOK_S;
            if on_s >= ask.hold.get() {
                return Ok(Ok(()));
            }
        } else if on_s > 0.0 {
            let since_s = *off_since.get_or_insert(now_s - LOOK_S);
            if now_s - since_s >= ask.watch.get() {
                return Ok(Ok(()));
            }
        } else if now_s - begin_s > ANSWERS_WITHIN_S {
            return Ok(Err("no output came".to_owned()));
        }
    }
}
