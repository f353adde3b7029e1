//! The supply comes while a mid-range command is there already.

use crate::bench::{Pace, Setting, Supply};
use crate::record::event::SpanKind;
use crate::runner::session::{Session, Work};
use crate::units::{Duty, Seconds};

/// Without output for this long it does nothing.
const NOTHING_S: f64 = 8.0;
/// Capacitors that still hold a charge would hide the charging current.
pub(crate) const BLEED_WITHIN_S: f64 = 60.0;

pub(crate) fn run(session: &mut Session<'_>, duty: Duty, settle_within: Seconds) -> Work {
    session.zero()?;
    let bled = session.wait_bled(BLEED_WITHIN_S)?;
    let there = Setting { supply: Supply::Off, ..session.command(duty) };
    session.set(there)?;
    let complete = start(session, SpanKind::PowerUp, there, settle_within)?;
    session.off()?;
    session.wait_undriven(5.0)?;
    Ok(complete.and(if bled { Ok(()) } else { Err("the capacitors had not bled before".to_owned()) }))
}

/// Held with the supply off and this setting there, then the supply, until the output settles or shows that none comes.
pub(crate) fn start(session: &mut Session<'_>, kind: SpanKind, there: Setting, settle_within: Seconds) -> Work {
    let (_, complete) = session.span(kind, |session| {
        session.read(0.3, Pace::Normal)?;
        session.set(Setting { supply: Supply::On, ..there })?;
        session.zero_due = true;
        session.read(0.1, Pace::Burst)?;
        let nothing_s = NOTHING_S.min(settle_within.get());
        let mut settled = session.settle(1.5, nothing_s, session.motion_pace())?;
        if !settled && session.driven(0.3) {
            settled = session.settle(1.5, (settle_within.get() - nothing_s).max(1.5), Pace::Normal)?;
        }
        let did_nothing = !session.driven(0.3);
        Ok(((), if settled || did_nothing { Ok(()) } else { Err("did not settle in time".to_owned()) }))
    })?;
    Ok(complete)
}
