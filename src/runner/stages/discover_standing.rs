//! The search for command frequency and level on a dummy load, which neither takes a long output nor lets a module that looks
//! after its motor settle: pulses that end as soon as current flows.
//!
//! 50 % reads the same either way up and tells the frequency; a low duty of one level is nearly all of the other, so that only
//! one of the two brings an output.

use crate::bench::{ActiveLevel, Pace, Setting};
use crate::runner::session::{Session, Work};
use crate::runner::stages::discover::{learn, probe, take_off, within_rig};
use crate::safety::Halt;
use crate::units::Hertz;

/// Duties (percent) tried: the same either way up, and off to any unit.
const EITHER_WAY: f64 = 50.0;
const OFF: f64 = 5.0;
/// Longest wait for an output, how often it is looked for, and how often in a row it must be seen.
const ANSWERS_WITHIN_S: f64 = 2.5;
const LOOK_S: f64 = 0.05;
const LOOKS: u32 = 2;
/// Longest wait for an output to go, and the rest after it.
const GONE_WITHIN_S: f64 = 3.0;
const QUIET_S: f64 = 0.4;

pub(crate) fn run(session: &mut Session<'_>, frequencies: &[Hertz]) -> Work {
    session.power_on()?;
    for frequency in within_rig(session, frequencies) {
        if !pulse(session, frequency, ActiveLevel::Low, EITHER_WAY)? {
            continue;
        }
        let by_low = pulse(session, frequency, ActiveLevel::Low, OFF)?;
        let by_high = pulse(session, frequency, ActiveLevel::High, OFF)?;
        let active = match (by_low, by_high) {
            (false, true) => ActiveLevel::Low,
            (true, false) => ActiveLevel::High,
            // Outside its band a unit may run, or stop, by any duty.
            _ => continue,
        };
        learn(session, frequency, active);
        take_off(session, OFF);
        session.off()?;
        session.wait_undriven(GONE_WITHIN_S)?;
        return Ok(Ok(()));
    }
    quiet(session)?;
    Ok(Err("no frequency was followed by an output that one level alone brings".to_owned()))
}

/// Whether this command brings an output, which is taken away as soon as it is seen.
fn pulse(session: &mut Session<'_>, frequency: Hertz, active: ActiveLevel, percent: f64) -> Result<bool, Halt> {
    quiet(session)?;
    session.power_on()?;
    session.set(probe(frequency, active, percent, session))?;
    let begin_s = session.now_s();
    let mut seen = 0;
    while seen < LOOKS && session.now_s() < begin_s + ANSWERS_WITHIN_S {
        session.read(LOOK_S, Pace::Normal)?;
        seen = if session.driven(LOOK_S) { seen + 1 } else { 0 };
    }
    quiet(session)?;
    Ok(seen >= LOOKS)
}

/// The state of the line that was seen to be quiet, else the supply off.
fn quiet(session: &mut Session<'_>) -> Result<(), Halt> {
    if session.known.quiet_line.is_some() {
        session.off()?;
        if session.wait_undriven(GONE_WITHIN_S)? {
            return session.read(QUIET_S, Pace::Normal);
        }
    }
    session.set(Setting::SAFE)?;
    session.read(QUIET_S, Pace::Normal)
}
