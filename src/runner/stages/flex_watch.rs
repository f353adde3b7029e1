//! The harness flexed by hand while the fan turns and drop-outs are counted: a person at the bench is asked before, with
//! the supply off, and sees the count meanwhile. A calculated bench plays that person itself.

use crate::analysis::events;
use crate::bench::{Pace, Setting};
use crate::config::{ATTEND_S, duration};
use crate::record::event::SpanKind;
use crate::runner::session::{Session, Work};
use crate::safety::{Attendant, Halt};
use crate::units::{Duty, Seconds};

/// Why a run that nobody attends has no such stage.
pub(crate) const NOBODY: &str =
    "nobody is at the bench to flex the harness: run it from a terminal, and not with --unattended";
/// The fan has settled by then: what happens sooner may be the doing of its start.
const SETTLED_S: f64 = 6.0;
const SETTLE_WITHIN_S: f64 = 30.0;
/// Each read, after which the count is shown anew.
const READ_S: f64 = 1.0;

/// Whether anybody can flex the harness.
pub(crate) fn has_hands(session: &mut Session<'_>) -> bool {
    session.sup.flex(false) || session.sup.attendant().is_some()
}

pub(crate) fn run(session: &mut Session<'_>, duty: Duty, watch: Seconds) -> Work {
    let person = if session.sup.flex(false) { None } else { session.sup.attendant().cloned() };
    if let Some(person) = &person
        && !comes(session, person, duty, watch)?
    {
        return Ok(Err(format!("nobody pressed Enter within {}", duration(ATTEND_S))));
    }
    session.power_on()?;
    session.set(session.command(session.allowed(duty)))?;
    session.zero_due = true;
    session.settle(SETTLED_S, SETTLE_WITHIN_S, Pace::Normal)?;
    let done = if session.driven(1.0) {
        flexed(session, person.as_ref(), watch)?;
        Ok(())
    } else {
        Err("the fan was not driven at that duty".to_owned())
    };
    session.off()?;
    session.wait_undriven(5.0)?;
    session.zero()?;
    Ok(done)
}

/// Asks with the supply off, and waits; whether somebody came.
fn comes(session: &mut Session<'_>, person: &Attendant, duty: Duty, watch: Seconds) -> Result<bool, Halt> {
    session.set(Setting::SAFE)?;
    person.ask(format!(
        "flex watch: the fan will turn at {duty} for {}. Guard shut, hands and sleeves clear; take a long tool that does \
         not conduct. Press Enter, and flex the harness from the connector on once it turns (Ctrl-C stops the run)",
        duration(watch.get())
    ));
    let end_s = session.now_s() + ATTEND_S;
    while person.is_asked() && session.now_s() < end_s {
        session.read(READ_S, Pace::Slow)?;
    }
    let came = !person.is_asked();
    person.dismiss();
    Ok(came)
}

fn flexed(session: &mut Session<'_>, person: Option<&Attendant>, watch: Seconds) -> Result<(), Halt> {
    if let Some(person) = person {
        person.ask("flex it now: along the harness, at the connector, at the case. Enter ends it".to_owned());
    }
    session.sup.flex(true);
    let watched = session.stretch(SpanKind::FlexWatch, |session| {
        let begin_s = session.now_s();
        while session.now_s() < begin_s + watch.get() - 1e-6 {
            session.read(READ_S.min(begin_s + watch.get() - session.now_s()), Pace::Normal)?;
            let Some(person) = person else { continue };
            if !person.is_asked() {
                break;
            }
            let now_s = session.now_s();
            let count = events::drop_outs_in(session.rec(), begin_s, now_s).map_or(0, |events| events.len());
            let left = duration(begin_s + watch.get() - now_s);
            person.say(format!("flex watch: {count} drop-outs so far, {left} to go; Enter ends it"));
        }
        Ok(())
    });
    session.sup.flex(false);
    if let Some(person) = person {
        person.dismiss();
    }
    watched
}
