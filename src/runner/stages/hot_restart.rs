//! A hold that warms fan and module, then a start from standstill while they are warm.

use crate::bench::{Pace, Setting, Supply};
use crate::config::plan::{RestartBy, UpTo};
use crate::record::event::SpanKind;
use crate::runner::session::{Session, Work};
use crate::runner::stages::power_up;
use crate::runner::stages::soft_start::{start, wake};
use crate::safety::Halt;
use crate::units::{Duty, Seconds};

/// Each read while it warms.
const READ_S: f64 = 5.0;

/// What the stage asks for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Ask<'a> {
    pub(crate) duty: Duty,
    pub(crate) warm: Seconds,
    pub(crate) to: UpTo<Duty>,
    pub(crate) by: &'a [RestartBy],
    pub(crate) settle_within: Seconds,
}

pub(crate) fn run(session: &mut Session<'_>, ask: Ask<'_>) -> Work {
    let mut missing = Vec::new();
    for by in ask.by {
        warm_up(session, ask.duty, ask.warm)?;
        let (name, done) = match by {
            RestartBy::Command => ("command", by_command(session, ask)?),
            RestartBy::Supply => ("supply", by_supply(session, ask)?),
        };
        if let Err(why) = done {
            missing.push(format!("by {name}: {why}"));
        }
    }
    session.zero()?;
    Ok(if missing.is_empty() { Ok(()) } else { Err(missing.join("; ")) })
}

/// Holds this duty for so long, or the highest that rig and unit allow.
pub(crate) fn warm_up(session: &mut Session<'_>, duty: Duty, warm: Seconds) -> Result<(), Halt> {
    session.power_on()?;
    session.set(session.command(session.allowed(duty)))?;
    session.zero_due = true;
    let end_s = session.now_s() + warm.get();
    while session.now_s() < end_s - 1e-6 {
        let left_s = end_s - session.now_s();
        session.read(left_s.min(READ_S), Pace::Slow)?;
    }
    Ok(())
}

fn by_command(session: &mut Session<'_>, ask: Ask<'_>) -> Work {
    if !session.stand_still()? {
        return Ok(Err("the fan was not seen to come to rest".to_owned()));
    }
    wake(session)?;
    let duty = session.highest(ask.to);
    let done = start(session, SpanKind::HotStart, duty, ask.settle_within)?;
    session.off()?;
    session.wait_undriven(5.0)?;
    Ok(done)
}

fn by_supply(session: &mut Session<'_>, ask: Ask<'_>) -> Work {
    let there = Setting { supply: Supply::Off, ..session.command(Duty::clamped(session.highest(ask.to))) };
    session.set(there)?;
    let rests = session.wait_rest(Pace::Slow)?;
    let bled = session.wait_bled(power_up::BLEED_WITHIN_S)?;
    let complete = power_up::start(session, SpanKind::HotStart, there, ask.settle_within)?;
    session.off()?;
    session.wait_undriven(5.0)?;
    Ok(match (rests, bled) {
        (false, _) => Err("the fan was not seen to come to rest".to_owned()),
        (true, false) => Err("the capacitors had not bled before".to_owned()),
        (true, true) => complete,
    })
}
