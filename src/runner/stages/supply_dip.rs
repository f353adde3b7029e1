//! Dips of the supply while the fan runs at one duty: down to a level, back, and watched until it runs again.

use crate::bench::{Pace, Setting, Supply};
use crate::record::event::SpanKind;
use crate::runner::live;
use crate::runner::session::{Session, Work};
use crate::runner::stages::power_up::BLEED_WITHIN_S;
use crate::safety::Halt;
use crate::units::{Duty, Seconds, Volts};

/// Before anything moves the fan is settled, within this time, and read for that one.
const SETTLE_WITHIN_S: f64 = 20.0;
const BEFORE_S: f64 = 1.0;
/// Shortest watch, and stay once it runs again.
const LEAST_S: f64 = 1.5;
const AFTER_S: f64 = 1.0;
/// Stay at the off command that may bring it back.
const OFF_S: f64 = 2.0;

/// What the stage asks for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Ask<'a> {
    pub(crate) duty: Duty,
    pub(crate) levels: &'a [Volts],
    pub(crate) hold: Seconds,
    pub(crate) watch: Seconds,
}

pub(crate) fn run(session: &mut Session<'_>, ask: Ask<'_>) -> Work {
    let mut missing = Vec::new();
    for &level in ask.levels {
        let dip = [(level, ask.hold)];
        if let Err(why) = passage(session, SpanKind::SupplyDip, ask.duty, &dip, ask.watch)? {
            missing.push(format!("{level}: {why}"));
        }
    }
    end(session)?;
    Ok(if missing.is_empty() { Ok(()) } else { Err(missing.join("; ")) })
}

/// Off, at rest, and a zero.
pub(crate) fn end(session: &mut Session<'_>) -> Result<(), Halt> {
    session.off()?;
    session.wait_undriven(5.0)?;
    session.zero()
}

/// Runs settled at this duty, with the supply at its own voltage; whether it does.
pub(crate) fn running(session: &mut Session<'_>, duty: Duty) -> Result<bool, Halt> {
    session.power_on()?;
    session.set(session.command(duty))?;
    session.zero_due = true;
    let settled = session.settle(LEAST_S, SETTLE_WITHIN_S, Pace::Normal)?;
    Ok(settled && session.driven(0.3))
}

/// One span of this kind: settled at `duty`, through the levels of `profile`, and watched afterwards.
pub(crate) fn passage(
    session: &mut Session<'_>,
    kind: SpanKind,
    duty: Duty,
    profile: &[(Volts, Seconds)],
    watch: Seconds,
) -> Work {
    let duty = session.allowed(duty);
    if !running(session, duty)? {
        return Ok(Err("the fan did not settle before".to_owned()));
    }
    session.stretch(kind, |session| {
        session.read(BEFORE_S, Pace::Normal)?;
        for (level, time) in profile {
            session.set(Setting { supply_v: Some(*level), ..session.command(duty) })?;
            session.read(time.get(), Pace::Normal)?;
        }
        session.set(session.command(duty))?;
        if comes_back(session, watch.get())? {
            return session.read(AFTER_S, Pace::Normal);
        }
        bring_back(session, duty, watch.get())
    })?;
    Ok(Ok(()))
}

/// Reads until the output is on and settled, at most `within_s`; whether it is on.
pub(crate) fn comes_back(session: &mut Session<'_>, within_s: f64) -> Result<bool, Halt> {
    let begin_s = session.now_s();
    loop {
        session.read(0.1, Pace::Normal)?;
        let now_s = session.now_s();
        let on = session.driven(0.3);
        if on && now_s - begin_s >= LEAST_S && live::output_settled(session.rec(), begin_s, now_s, 0.4) {
            return Ok(true);
        }
        if now_s - begin_s >= within_s {
            return Ok(on);
        }
    }
}

/// Runs a unit again that stays off: by an off command and the duty once more, else with the supply away in between.
pub(crate) fn bring_back(session: &mut Session<'_>, duty: Duty, within_s: f64) -> Result<(), Halt> {
    session.off()?;
    session.read(OFF_S, Pace::Normal)?;
    session.set(session.command(duty))?;
    if comes_back(session, within_s)? {
        session.sup.note("it ran again after an off command");
        return Ok(());
    }
    session.set(Setting { supply: Supply::Off, ..session.off_setting() })?;
    session.wait_bled(BLEED_WITHIN_S)?;
    session.power_on()?;
    session.set(session.command(duty))?;
    let how = if comes_back(session, within_s)? { "it ran again" } else { "it did not run again even" };
    session.sup.note(format!("{how} after the supply was away"));
    Ok(())
}
