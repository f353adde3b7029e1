//! One constant duty for a while: the manual command and simple plans.

use crate::bench::{ActiveLevel, Pace};
use crate::record::event::SpanKind;
use crate::runner::session::{Session, Work};
use crate::units::{Duty, Hertz, Seconds};

/// Longest settling before the stretch that counts, where the hold is long enough for both.
const SETTLE_S: f64 = 10.0;

/// What the stage asks for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Ask {
    pub(crate) duty: Duty,
    pub(crate) time: Seconds,
    pub(crate) frequency: Option<Hertz>,
    pub(crate) active: Option<ActiveLevel>,
}

pub(crate) fn run(session: &mut Session<'_>, ask: Ask) -> Work {
    session.power_on()?;
    let mut setting = session.command(ask.duty);
    setting.frequency = ask.frequency.unwrap_or(setting.frequency);
    setting.active = ask.active.unwrap_or(setting.active);
    let (_, complete) = session.span(SpanKind::Hold, |session| {
        session.set(setting)?;
        session.zero_due = true;
        let begin_s = session.now_s();
        // Half the time at most goes into settling; the rest is the constant part.
        session.settle(1.5, SETTLE_S.min(0.5 * ask.time.get()), Pace::Normal)?;
        let left_s = (ask.time.get() - (session.now_s() - begin_s)).max(0.0);
        let fine_s = if session.can.tach { 0.0 } else { left_s.min(2.0) };
        session.read(left_s - fine_s, Pace::Normal)?;
        session.read(fine_s, Pace::Burst)?;
        Ok(((), Ok(())))
    })?;
    session.off()?;
    session.wait_undriven(3.0)?;
    Ok(complete)
}
