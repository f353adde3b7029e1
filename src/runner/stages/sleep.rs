//! Off command until the unit sleeps, then a start from asleep.

use crate::bench::{Pace, Setting};
use crate::config::plan::UpTo;
use crate::record::event::SpanKind;
use crate::runner::session::{Session, Work};
use crate::runner::stages::soft_start::start;
use crate::safety::Halt;
use crate::units::{Duty, Seconds};

/// Asleep counts after this long below the threshold.
const ASLEEP_FOR_S: f64 = 4.0;
/// From its first moment on wake cycles are watched for this long, and after each wake for twice the time since the one
/// before.
const WATCH_S: f64 = 20.0;
const WAKES: usize = 3;
/// Where no low range shows the fall, waiting longer tells nothing.
const BLIND_S: f64 = 60.0;
const SETTLE: Seconds = Seconds(40.0);

/// Length of the zero before: nothing else is as small as the current of a sleeping unit.
const ZERO_S: f64 = 3.0;

pub(crate) fn run(session: &mut Session<'_>, longest: Seconds) -> Work {
    session.zero_for(ZERO_S)?;
    if !session.stand_still()? {
        return Ok(Err("the fan was not seen to come to rest".to_owned()));
    }
    session.wake()?;
    let (asleep, complete) = session.span(SpanKind::Sleep, |session| {
        let quiet = quiet(session);
        if session.known.still_stops {
            session.sup.off_known(quiet);
        }
        session.set(quiet)?;
        fall_asleep(session, longest)
    })?;
    session.sup.off_known(session.off_setting());
    let duty = session.highest(UpTo::RigLimit);
    let mut started = Ok(());
    if asleep {
        started = start(session, SpanKind::StartAsleep, duty, SETTLE)?;
    }
    session.off()?;
    session.wait_undriven(5.0)?;
    Ok(complete.and(started))
}

/// The inactive level: an off duty with edges would keep the unit awake.
fn quiet(session: &Session<'_>) -> Setting {
    let still = session.command(Duty::ZERO);
    match session.known.quiet_line {
        _ if session.known.still_stops => still,
        Some(line) => Setting { line, ..still },
        None => session.off_setting(),
    }
}

/// Waits; whether it slept, and what is missing.
fn fall_asleep(session: &mut Session<'_>, longest: Seconds) -> Result<(bool, Result<(), String>), Halt> {
    let asleep_a = session.asleep_below_a();
    let low = session.rig.channels.get(&crate::bench::Channel::SupplyA).and_then(|spec| spec.low);
    let longest_s = if low.is_some() { longest.get() } else { longest.get().min(BLIND_S) };
    let begin_s = session.now_s();
    let (mut below_s, mut asleep_since, mut awake) = (0.0, None, true);
    let mut wakes: Vec<f64> = Vec::new();
    while session.now_s() < begin_s + longest_s {
        session.read(0.2, Pace::Slow)?;
        let below = session.amps(0.2).abs() < asleep_a;
        below_s = if below { below_s + 0.2 } else { 0.0 };
        if below_s >= ASLEEP_FOR_S {
            asleep_since.get_or_insert(session.now_s() - below_s);
            awake = false;
        }
        if !below && asleep_since.is_some() && !awake {
            awake = true;
            wakes.push(session.now_s());
        }
        let Some(since_s) = asleep_since else { continue };
        let enough = match wakes[..] {
            [] => session.now_s() > since_s + WATCH_S,
            [.., before, last] if wakes.len() < WAKES => session.now_s() > last + 2.0 * (last - before),
            [only] => session.now_s() > only + 3.0 * WATCH_S,
            _ => below_s >= ASLEEP_FOR_S,
        };
        if enough && below {
            return Ok((true, Ok(())));
        }
    }
    let why = if low.is_some() {
        format!("not asleep after {longest_s:.0} s, {:.4} A", session.amps(1.0))
    } else {
        "the rig has no low current range: sleep cannot be seen".to_owned()
    };
    Ok((asleep_since.is_some(), if asleep_since.is_some() { Ok(()) } else { Err(why) }))
}
