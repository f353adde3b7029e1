//! Many starts from verified standstill to one duty, so that one that fails now and then is seen.

use crate::bench::Pace;
use crate::config::plan::UpTo;
use crate::record::event::SpanKind;
use crate::runner::session::{Session, Work};
use crate::runner::stages::soft_start::wake;
use crate::units::{Duty, Seconds};

/// Stay once the output has settled: what breaks off does so now and then.
const HELD_S: f64 = 2.0;

/// What the stage asks for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Ask {
    pub(crate) count: u32,
    pub(crate) to: UpTo<Duty>,
    pub(crate) rest: Seconds,
    pub(crate) settle_within: Seconds,
}

pub(crate) fn run(session: &mut Session<'_>, ask: Ask) -> Work {
    let duty = session.highest(ask.to);
    for done in 0..ask.count {
        if !session.stand_still()? {
            return Ok(Err(format!("the fan was not seen to come to rest after {done} starts")));
        }
        session.read(ask.rest.get(), Pace::Slow)?;
        wake(session)?;
        session.stretch(SpanKind::RepeatedStart, |session| {
            session.read(0.3, Pace::Normal)?;
            session.set_duty(duty)?;
            session.zero_due = true;
            session.settle_output(1.5, ask.settle_within.get())?;
            session.read(HELD_S, Pace::Normal)
        })?;
        session.off()?;
        session.wait_undriven(5.0)?;
    }
    session.zero()?;
    Ok(Ok(()))
}
