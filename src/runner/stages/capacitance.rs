//! The input charged through the first-power resistor once more while it is warm: a dried electrolytic comes back with warmth.

use crate::bench::{Line, Setting};
use crate::record::event::SpanKind;
use crate::runner::session::{Session, Work};
use crate::runner::stages::first_power::charge;
use crate::runner::stages::hot_restart::warm_up;
use crate::runner::stages::power_up::BLEED_WITHIN_S;
use crate::units::{Duty, Seconds};

pub(crate) fn run(session: &mut Session<'_>, duty: Duty, warm: Seconds, settle: Seconds) -> Work {
    warm_up(session, duty, warm)?;
    session.zero()?;
    if !session.wait_bled(BLEED_WITHIN_S)? {
        return Ok(Err("the capacitors had not bled".to_owned()));
    }
    let line = session.known.quiet_line.unwrap_or(Line::Open);
    let done = charge(session, SpanKind::WarmCharge, settle, line)?;
    session.set(Setting::SAFE)?;
    Ok(done)
}
