//! Threshold spans shared by sweep and repeats: up from standstill until the fan turns, down until it rests.

use crate::analysis::speed::Motion;
use crate::bench::Pace;
use crate::record::event::SpanKind;
use crate::runner::live;
use crate::runner::session::Session;
use crate::safety::Halt;

/// What an ascent found, as fractions of the period.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Ascent {
    /// Duty at which the output came on.
    pub(crate) on: Option<f64>,
    /// Duty at which the fan turned.
    pub(crate) start: Option<f64>,
    /// Whether it turned on the first jump, so that nothing below is known.
    pub(crate) at_once: bool,
}

/// Where an ascent goes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Climb {
    /// First duty, reached by a jump.
    pub(crate) first: f64,
    /// Step from then on.
    pub(crate) step: f64,
    /// Last duty.
    pub(crate) top: f64,
    /// Ends as soon as the output is on, whether the fan turns or not.
    pub(crate) until_on: bool,
}

/// Shortest stay at a step of an ascent: a fan at its threshold takes this long to show, with a tach and without.
const LEAST_HOLD_TACH_S: f64 = 0.7;
const LEAST_HOLD_S: f64 = 1.0;
/// Further stay at a step once the current tells that the fan broke loose.
const LOOSE_S: f64 = 0.8;
/// Stay at a step in ramp times of the step.
const RAMP_SHARE: f64 = 1.5;
/// Burst in which motion is looked for.
const LOOK_S: f64 = 0.2;
/// End of a stay in which the output is looked at.
pub(super) const OFF_LOOK_S: f64 = 0.15;
/// Unknown ramps count as this long.
const RAMP_S: f64 = 3.0;

/// Climbs from verified standstill; `None` when the fan was not seen to rest before.
pub(crate) fn ascend(session: &mut Session<'_>, climb: Climb) -> Result<Option<Ascent>, Halt> {
    if !session.stand_still()? {
        return Ok(None);
    }
    let (found, _) = session.span(SpanKind::Ascend, |session| {
        session.read(0.3, Pace::Normal)?;
        let mut found = Ascent::default();
        let mut duty = climb.first;
        loop {
            session.set_duty(duty)?;
            let edge_s = session.now_s();
            let jumps = duty == climb.first;
            let turned = hold_rising(session, if jumps { duty } else { climb.step }, jumps)?;
            if jumps && !turned {
                learn_answer(session, edge_s);
            }
            if found.on.is_none() && (turned || session.output_on_at_rest(0.2)) {
                found.on = Some(duty);
            }
            if turned {
                (found.start, found.at_once) = (Some(duty), duty == climb.first);
                break;
            }
            if duty >= climb.top - 1e-9 || (climb.until_on && found.on.is_some()) {
                break;
            }
            duty = (duty + climb.step).min(climb.top);
        }
        Ok((found, Ok(())))
    })?;
    session.zero_due = true;
    Ok(Some(found))
}

/// A full start that begins gently, or below the drop of a diode, shows long after its delay, and by that delay every step
/// of a climb would wait for nothing. The jump from rest to a small output shows sooner, and what has come of it by then is
/// more than a step.
fn learn_answer(session: &mut Session<'_>, edge_s: f64) {
    let quarter_s = live::quarter_s(session.rec(), edge_s, session.now_s(), session.known.zero_output_v);
    session.known.jump_s = quarter_s.or(session.known.jump_s);
}

/// Holds one step until the fan turns (true), or until the output settled and the fan had time to show. With the output
/// off nothing can start: the time for the output to come is enough.
fn hold_rising(session: &mut Session<'_>, by: f64, jumps: bool) -> Result<bool, Halt> {
    let ramp_s = session.known.ramp_s.unwrap_or(RAMP_S);
    let least_s = if session.can.tach { LEAST_HOLD_TACH_S } else { LEAST_HOLD_S };
    let least_s = least_s.max(RAMP_SHARE * ramp_s * by);
    let (begin_s, most_s) = (session.now_s(), least_s + 2.0);
    if session.can.output {
        // A jump may have to wake the unit.
        let comes_s = if jumps { session.answer_s() } else { session.comes_s() };
        session.read(comes_s, Pace::Slow)?;
        if !session.output_on_at_rest(OFF_LOOK_S) && session.motion(LOOK_S) != Motion::Turning {
            return Ok(false);
        }
        let rest_s = begin_s + session.answer_s() - session.now_s();
        if rest_s > 1e-3 {
            session.read(rest_s, Pace::Slow)?;
        }
    }
    loop {
        let loose = if session.can.tach {
            session.read(0.1, Pace::Slow)?;
            false
        } else {
            watch(session, begin_s)?
        };
        let held_s = session.now_s() - begin_s;
        let window_s = if session.can.tach { held_s.min(1.0) } else { LOOK_S };
        if loose || (session.motion(window_s) == Motion::Turning && session.driven(0.1)) {
            if loose {
                // The fall must stand clear of the noise in the record, too.
                session.read(LOOSE_S, Pace::Slow)?;
            }
            session.read(0.3, session.motion_pace())?;
            return Ok(true);
        }
        // A first edge or two may be the beginning of a start: that is waited for.
        let settled = live::output_settled(session.rec(), begin_s, session.now_s(), 0.3)
            && (!session.can.tach || session.motion(window_s) == Motion::Rest);
        if (held_s >= least_s - 1e-6 && settled) || held_s >= most_s {
            return Ok(false);
        }
    }
}

/// Without a tach the current tells first that the fan broke loose (true); ripple only once it turns fast enough.
fn watch(session: &mut Session<'_>, begin_s: f64) -> Result<bool, Halt> {
    let until_s = begin_s + LEAST_HOLD_S - LOOK_S;
    while session.now_s() < until_s - 0.05 {
        session.read(0.1, Pace::Slow)?;
        if live::broke_loose(session.rec(), begin_s, session.now_s()) {
            return Ok(true);
        }
    }
    look(session, begin_s)?;
    Ok(live::broke_loose(session.rec(), begin_s, session.now_s()))
}

/// Ripple needs bursts, and those are kept rare: one at the end of the shortest stay, then two a second.
fn look(session: &mut Session<'_>, begin_s: f64) -> Result<(), Halt> {
    let held_s = session.now_s() - begin_s;
    let rest_s = LEAST_HOLD_S - LOOK_S - held_s;
    session.read(if rest_s > 0.05 { rest_s } else { 0.3 }, Pace::Slow)?;
    session.read(LOOK_S, Pace::Burst)
}

/// What a descent found, as fractions of the period.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Descent {
    /// Duty at which the fan was first seen at rest.
    pub(crate) stop: Option<f64>,
    /// Duty at which the output was first seen off.
    pub(crate) off: Option<f64>,
}

/// Longest stay at a step down: a slowly turning fan gives too few edges to call it settled.
const LONGEST_FALL_S: f64 = 2.4;

/// Where a descent goes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Fall {
    /// Duty at which the fan turns and is settled.
    pub(crate) first: f64,
    /// Step from then on; twice that once the fan rests.
    pub(crate) step: f64,
    /// Last duty.
    pub(crate) lowest: f64,
    /// Ends as soon as the fan rests, whether the output is off or not.
    pub(crate) until_rest: bool,
}

/// Steps down until the fan rests and the output is off, or the lowest duty was held.
pub(crate) fn descend(session: &mut Session<'_>, fall: Fall) -> Result<Descent, Halt> {
    let (found, _) = session.span(SpanKind::Descend, |session| {
        session.read(0.3, Pace::Normal)?;
        let mut found = Descent::default();
        let mut duty = fall.first;
        while duty > fall.lowest + 1e-9 {
            let before_a = session.amps(live::REST_WINDOW_S) + session.known.zero_a;
            let stride = if found.stop.is_some() { 2.0 * fall.step } else { fall.step };
            duty = (duty - stride).max(fall.lowest);
            session.set_duty(duty)?;
            let rests = hold_falling(session, found.stop.is_some(), before_a)?;
            if rests && found.stop.is_none() {
                found.stop = Some(duty);
            }
            if rests && !session.output_on_at_rest(0.2) {
                found.off = Some(duty);
                break;
            }
            if rests && fall.until_rest {
                break;
            }
        }
        Ok((found, Ok(())))
    })?;
    Ok(found)
}

/// Holds one step down until speed and output have settled; whether the fan rests. `before_a` is the current at the step
/// before.
fn hold_falling(session: &mut Session<'_>, rests_already: bool, before_a: f64) -> Result<bool, Halt> {
    let begin_s = session.now_s();
    loop {
        if session.can.tach || rests_already {
            session.read(0.2, Pace::Slow)?;
        } else {
            look(session, begin_s)?;
        }
        let held_s = session.now_s() - begin_s;
        let settled = live::output_settled(session.rec(), begin_s, session.now_s(), 0.3);
        if rests_already && settled {
            return Ok(true);
        }
        let window_s = if session.can.tach { 1.0 } else { LOOK_S };
        let now_s = session.now_s();
        let caught = || !session.can.tach && live::caught(session.rec(), before_a, now_s);
        let gone = || !session.can.tach && session.can.output && !session.output_on_at_rest(OFF_LOOK_S);
        if held_s >= 1.0 && (session.motion(window_s) == Motion::Rest || caught() || gone()) {
            if !session.can.tach {
                // The current of the caught rotor is still on its way up.
                session.read(live::REST_WINDOW_S, Pace::Slow)?;
            }
            return Ok(true);
        }
        let level = if session.can.tach {
            live::speed_settled(session.rec(), begin_s, now_s)
        } else {
            settled && live::amps_settled(session.rec(), begin_s, now_s)
        };
        if (held_s >= 1.0 && level) || held_s >= LONGEST_FALL_S {
            return Ok(false);
        }
    }
}
