//! The quick answers about a unit in one go: command, sleep, start duty, soft start, saturation. Everything that can wait
//! for the fan waits in the same coast, and whatever the output alone tells is not waited for by the fan.
//!
//! Two coasts are left: the one after the command was found, from a fan that was driven for a moment, in which the unit is
//! given time to sleep as well, and the one after the start to full. The climb comes last: it leaves a fan that hardly turns.

use crate::analysis::speed::Motion;
use crate::bench::{ActiveLevel, Channel, Pace, Setting, Supply};
use crate::config::plan::UpTo;
use crate::record::event::SpanKind;
use crate::results::Direction;
use crate::runner::live;
use crate::runner::session::{COAST_WITHIN_S, Session, Work, ZERO_S};
use crate::runner::stages::discover;
use crate::runner::stages::soft_start;
use crate::runner::stages::thresholds::{Climb, ascend};
use crate::safety::Halt;
use crate::units::{Duty, Hertz, Seconds};

/// Duty (percent) at which the level is told, and the answers below and above which it is: the same duty read upside down
/// is nearly full.
const PROBE_PCT: f64 = 15.0;
const LOW: f64 = 0.35;
const HIGH: f64 = 0.6;
/// Longest wait for that answer, and for the output to go.
const TELLS_WITHIN_S: f64 = 3.0;
const GONE_WITHIN_S: f64 = 2.5;
/// Duty whose edges keep a unit awake and start nothing, and how long they come before a wait for sleep.
const WAKE_DUTY: f64 = 0.03;
const EDGES_S: f64 = 0.4;
/// Edges that wake a unit before its start: how long.
const WAKE_S: f64 = 0.7;
/// Longest settling of the output after the start.
const RAMP_WITHIN_S: f64 = 15.0;
/// What the settled current of the start is read from.
const SETTLED_S: f64 = 1.2;
/// Stay at a step down: a falling output follows at once, but for the delay of the command.
const STAIR_S: f64 = 0.3;
const DELAYS: f64 = 1.3;
const AFTER_DELAY_S: f64 = 0.15;
/// Longest delay of a command that is reckoned with: the hidden begin of a soft start looks like more.
const MOST_DELAY_S: f64 = 0.3;
/// Steps down, no faster than the fan follows: one that drives its output by its own voltage hides it. They end when the
/// output is this share of its plateau.
const STAIR: f64 = 0.02;
/// The first of them are finer: a plateau may begin close to the top.
const TOP_STAIR: f64 = 0.005;
const TOP_STAIRS: u32 = 4;
const LEFT: f64 = 0.75;
/// Lowest duty of the staircase.
const LOWEST: f64 = 0.25;
/// First duty and step of the climb to the start, and its highest.
const FIRST: f64 = 0.06;
const STEP: f64 = 0.01;
const CLIMB_TO: f64 = 0.45;
/// Asleep counts after this long below the threshold.
const ASLEEP_FOR_S: f64 = 2.5;
/// Lower duties (percent) tried when a unit does not start at the highest.
const LOWER: [f64; 3] = [95.0, 90.0, 80.0];

const TURNS: &str = "the fan was not seen to come to rest";

/// What the stage asks for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Ask<'a> {
    pub(crate) frequencies: &'a [Hertz],
    pub(crate) answer_within: Seconds,
    pub(crate) to: UpTo<Duty>,
    pub(crate) asleep_within: Seconds,
}

pub(crate) fn run(session: &mut Session<'_>, ask: Ask<'_>) -> Work {
    session.power_on()?;
    if !identify(session, ask)? {
        return discover::nothing_answers(session, ask.frequencies.len());
    }
    if !sleep_and_rest(session, ask.asleep_within.get())? {
        return Ok(Err(TURNS.to_owned()));
    }
    let started = full_start(session, ask.to)?;
    if started.is_ok() {
        stairs(session)?;
    }
    session.off()?;
    if !session.wait_rest(Pace::Slow)? {
        return Ok(Err(TURNS.to_owned()));
    }
    let first = FIRST.max(session.lowest());
    let climb = Climb { first, step: STEP, top: CLIMB_TO, until_on: false };
    let found = ascend(session, climb)?;
    last_zero(session)?;
    (session.known.on, session.known.start) = found.map_or((None, None), |found| (found.on, found.start));
    let climbed = match session.known.start {
        Some(_) => Ok(()),
        None => Err(format!("no start up to {}", Duty::clamped(CLIMB_TO))),
    };
    Ok(started.and(climbed))
}

/// Looks for a frequency that the unit follows and for its level, and for a duty that stops it; whether they were found.
fn identify(session: &mut Session<'_>, ask: Ask<'_>) -> Result<bool, Halt> {
    for frequency in discover::within_rig(session, ask.frequencies) {
        if !discover::answers(session, frequency, ask.answer_within)? {
            continue;
        }
        let Some(active) = level(session, frequency)? else { continue };
        session.set(Setting { frequency, active, ..session.command(Duty::ZERO) })?;
        if session.wait_undriven(GONE_WITHIN_S)? {
            discover::learn(session, frequency, active);
            discover::take_off(session, 0.0);
            session.known.still_stops = true;
            session.sup.learned("off_duty", Duty::ZERO.to_string());
            return Ok(true);
        }
    }
    Ok(false)
}

/// The active level, told by where the output goes at a low duty; `None` where it goes to neither side.
fn level(session: &mut Session<'_>, frequency: Hertz) -> Result<Option<ActiveLevel>, Halt> {
    session.set(discover::probe(frequency, ActiveLevel::Low, PROBE_PCT, session))?;
    let begin_s = session.now_s();
    loop {
        session.read(0.1, Pace::Normal)?;
        let (answer, now_s) = (session.answer(0.1), session.now_s());
        // What ran before has to come down first.
        if answer > HIGH && now_s > begin_s + 0.5 {
            return Ok(Some(ActiveLevel::High));
        }
        // A soft start on its way up has not settled.
        if now_s > begin_s + 0.8 && live::output_settled(session.rec(), begin_s, now_s, 0.3) {
            return Ok((answer < LOW).then_some(ActiveLevel::Low));
        }
        if now_s > begin_s + TELLS_WITHIN_S {
            return Ok(None);
        }
    }
}

/// From off: wakes the unit, then waits at the inactive level until it sleeps and the fan rests, or it has had `longest_s`
/// for it. Whether the fan rests.
fn sleep_and_rest(session: &mut Session<'_>, longest_s: f64) -> Result<bool, Halt> {
    let threshold_a = session.asleep_below_a();
    let sees = session.rig.channels.get(&Channel::SupplyA).is_some_and(|spec| spec.low.is_some());
    // Its clock starts with the last edge, not with what the fan did before.
    session.set_duty(WAKE_DUTY.max(session.lowest()))?;
    session.read(EDGES_S, Pace::Slow)?;
    let (rests, _) = session.span(SpanKind::Sleep, |session| {
        session.off()?;
        let begin_s = session.now_s();
        let (mut below_s, mut asleep, mut rests) = (0.0, false, false);
        loop {
            session.read(0.2, Pace::Slow)?;
            below_s = if session.amps(0.2).abs() < threshold_a { below_s + 0.2 } else { 0.0 };
            asleep |= sees && below_s >= ASLEEP_FOR_S;
            let waited_s = session.now_s() - begin_s;
            rests |= waited_s >= 1.5 && session.motion_at_rest() == Motion::Rest;
            let had_time = asleep || !sees || waited_s >= longest_s;
            if (rests && had_time) || waited_s >= COAST_WITHIN_S {
                let complete = if asleep { Ok(()) } else { Err(unseen(longest_s)) };
                return Ok((rests, complete));
            }
        }
    })?;
    Ok(rests)
}

fn unseen(longest_s: f64) -> String {
    format!("not seen asleep for {ASLEEP_FOR_S} s within {longest_s:.0} s")
}

/// The start from rest to a high duty, awake, until output and current have settled.
fn full_start(session: &mut Session<'_>, to: UpTo<Duty>) -> Work {
    let mut duty = session.highest(to);
    let mut lower = LOWER.into_iter();
    loop {
        session.set_duty(0.0)?;
        session.read(0.1, Pace::Normal)?;
        session.set_duty(WAKE_DUTY.max(session.lowest()))?;
        session.read(WAKE_S, Pace::Normal)?;
        let started = soft_start::start_quickly(session, duty, RAMP_WITHIN_S, SETTLED_S)?;
        session.known.delay_s = session.known.delay_s.map(|delay_s| delay_s.min(MOST_DELAY_S));
        if session.driven(0.3) {
            return Ok(started);
        }
        let Some(next) = lower.find(|percent| percent / 100.0 < duty - 0.01) else { return Ok(started) };
        session.sup.note(format!("no start at {:.1} %, next try at {next} %", 100.0 * duty));
        duty = next / 100.0;
        session.off()?;
        session.read(0.5, Pace::Normal)?;
    }
}

/// Supply off, and the zero that closes the run: of the currents and the output, since capacitors are not waited for.
fn last_zero(session: &mut Session<'_>) -> Result<(), Halt> {
    session.set(Setting { supply: Supply::Off, ..session.off_setting() })?;
    let rests = session.wait_rest(Pace::Slow)?;
    let why = if rests { "the capacitors were not waited for: no zero of the supply voltage" } else { TURNS };
    session.zero_span(ZERO_S, Err(why.to_owned()))
}

/// Steps down from full until the plateau is well behind, each for as long as the output needs, fan or no fan.
fn stairs(session: &mut Session<'_>) -> Result<(), Halt> {
    let mut duty = session.sup.setting().duty.fraction();
    let plateau = session.answer(0.3);
    let stay_s = STAIR_S.max(DELAYS * session.known.delay_s.unwrap_or(0.0) + AFTER_DELAY_S);
    let mut steps = 0;
    while duty > LOWEST {
        let setting = session.command(Duty::clamped(duty));
        session.stretch(SpanKind::OutputPoint { direction: Direction::Down }, |session| {
            session.set(setting)?;
            session.read(stay_s, Pace::Normal)
        })?;
        if session.answer(0.1) < LEFT * plateau {
            break;
        }
        steps += 1;
        duty -= if steps <= TOP_STAIRS { TOP_STAIR } else { STAIR };
    }
    session.zero_due = true;
    Ok(())
}
