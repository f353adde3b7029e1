//! One start from verified standstill to a high duty, held until settled, then off until the fan rests.

use crate::bench::Pace;
use crate::config::plan::UpTo;
use crate::record::event::SpanKind;
use crate::runner::live;
use crate::runner::session::{Session, Work};
use crate::safety::Halt;
use crate::units::{Duty, Seconds};

/// Without a tach the start is taken in bursts for ripple, up to this long: the record must stay small.
const BURST_S: f64 = 6.0;

/// Time over which the current is looked at for an awake unit.
const AWAKE_S: f64 = 0.2;

/// Lower duties (percent) tried when a unit that keeps running at the highest does not start there.
const LOWER: [f64; 3] = [95.0, 90.0, 80.0];

pub(crate) fn run(session: &mut Session<'_>, to: UpTo<Duty>, settle_within: Seconds) -> Work {
    let (mut lower, mut power_cycled) = (LOWER.into_iter(), false);
    let started = loop {
        if !session.stand_still()? {
            return Ok(Err("the fan was not seen to come to rest".to_owned()));
        }
        wake(session)?;
        let duty = session.highest(to);
        let started = start(session, SpanKind::Start, duty, settle_within)?;
        if session.driven(0.3) {
            break started;
        }
        // A unit that does not wake by its command is awake after the supply was away; where that does not help, the
        // edges close to 100 % may be too narrow to be seen, and running on there was no more than holding.
        session.zero()?;
        if !power_cycled {
            power_cycled = true;
            session.sup.note(format!("no start at {:.1} %: the supply is taken away and given again", 100.0 * duty));
            continue;
        }
        let Some(next) = lower.find(|percent| percent / 100.0 < duty - 0.01) else { break started };
        let most = Duty::clamped(next / 100.0);
        session.known.most = Some(most);
        session.sup.learned("most_duty", most.to_string());
        session.sup.note(format!("no start at {:.1} %, next try at {most}", 100.0 * duty));
    };
    let stopped = stop(session)?;
    session.zero()?;
    Ok(started.and(stopped))
}

/// Off, and awake: what does not wake by edges is so after the supply was away.
pub(crate) fn wake(session: &mut Session<'_>) -> Result<(), Halt> {
    session.wake()?;
    session.off()?;
    session.read(AWAKE_S, Pace::Normal)?;
    if session.asleep(AWAKE_S) {
        session.sup.note("asleep before its start: the supply is taken away and given again".to_owned());
        session.zero()?;
        session.power_on()?;
    }
    Ok(())
}

/// A start span of this kind from standstill to `duty`.
pub(crate) fn start(session: &mut Session<'_>, kind: SpanKind, duty: f64, settle_within: Seconds) -> Work {
    let kind_is_awake = kind == SpanKind::Start;
    let (_, complete) = session.span(kind, |session| {
        let pace = session.motion_pace();
        session.read(0.3, pace)?;
        session.set_duty(duty)?;
        let edge_s = session.now_s();
        let mut settled = session.settle(1.5, settle_within.get().min(BURST_S), pace)?;
        if !settled && settle_within.get() > BURST_S {
            settled = session.settle(1.5, settle_within.get() - BURST_S, Pace::Normal)?;
        }
        session.zero_due = true;
        learn_ramp(session, edge_s);
        if settled && kind_is_awake {
            let (now_s, rec) = (session.now_s(), session.rec());
            session.known.full = Some(live::levels(rec, now_s - live::WINDOW_S, now_s));
        }
        if !session.driven(0.3) {
            return Ok(((), Err("no output".to_owned())));
        }
        Ok(((), if settled { Ok(()) } else { Err("did not settle in time".to_owned()) }))
    })?;
    Ok(complete)
}

/// A start span that ends as soon as the output has settled and the current was read for `read_s`: the fan may still
/// gain the last of its speed.
pub(crate) fn start_quickly(session: &mut Session<'_>, duty: f64, within_s: f64, read_s: f64) -> Work {
    let (_, complete) = session.span(SpanKind::Start, |session| {
        let pace = session.motion_pace();
        session.read(0.3, pace)?;
        session.set_duty(duty)?;
        let edge_s = session.now_s();
        let settled = session.settle_output(1.5, within_s)?;
        session.read(read_s, Pace::Normal)?;
        session.zero_due = true;
        learn_ramp(session, edge_s);
        if !session.driven(0.3) {
            return Ok(((), Err("no output".to_owned())));
        }
        Ok(((), if settled { Ok(()) } else { Err("did not settle in time".to_owned()) }))
    })?;
    Ok(complete)
}

fn learn_ramp(session: &mut Session<'_>, edge_s: f64) {
    if session.known.ramp_s.is_some() {
        return;
    }
    if let Some((delay_s, ramp_s)) = live::ramp_s(session.rec(), edge_s, session.now_s()) {
        (session.known.delay_s, session.known.ramp_s) = (Some(delay_s), Some(ramp_s));
        session.sup.learned("ramp_s", Seconds((ramp_s * 1e3).round() / 1e3).to_string());
    }
}

/// A stop span: the off command from settled turning, held until the fan rests.
pub(crate) fn stop(session: &mut Session<'_>) -> Work {
    if session.known.off.is_none() {
        session.off()?;
        session.wait_rest(Pace::Slow)?;
        return Ok(Err("no valid off duty is known".to_owned()));
    }
    let (_, complete) = session.span(SpanKind::Stop, |session| {
        session.read(0.3, Pace::Normal)?;
        session.off()?;
        // The output's end is wanted finely, the run-down is not.
        session.read(2.0, Pace::Normal)?;
        let pace = if session.can.tach { Pace::Slow } else { Pace::Normal };
        let rests = session.wait_rest(pace)?;
        Ok(((), if rests { Ok(()) } else { Err("the fan was not seen to come to rest".to_owned()) }))
    })?;
    Ok(complete)
}

/// Settles at `duty` from wherever the unit is; a problem is a reason, not the end of the run.
pub(crate) fn settle_at(session: &mut Session<'_>, duty: f64, within: Seconds) -> Result<bool, Halt> {
    session.power_on()?;
    session.set_duty(duty)?;
    session.zero_due = true;
    session.settle(1.5, within.get(), Pace::Slow)
}
