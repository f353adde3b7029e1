//! What the unit does when its command is lost: no edges, line held, line open.

use crate::bench::{Line, Pace, Setting};
use crate::record::event::{Loss, SpanKind};
use crate::runner::live;
use crate::runner::session::{Session, Work};
use crate::safety::Halt;
use crate::units::{Duty, Seconds};

/// Longest wait for the output before each loss, and the pieces in which it is looked at.
const COMES_WITHIN_S: f64 = 20.0;
const LOOK_S: f64 = 0.1;
/// Two windows in which it must stand, in times of the ramp to full and at least and at most: a ramp in five steps or a kick
/// stands for less.
const WINDOW_SHARE: f64 = 0.2;
const WINDOWS_S: (f64, f64) = (0.25, 0.45);
/// Outputs closer than this (share of the supply) are the same.
const SAME: f64 = 0.01;
/// Part of the ramp that the output takes to a duty, at most, in times of that duty.
const RATIO_OVER_DUTY: f64 = 1.3;
/// Ramps not known count as this long.
const RAMP_S: f64 = 3.0;
/// Read before each loss: the analysis follows what the output still does from there on.
const BEFORE_S: f64 = 0.4;
/// Shortest watch, and how long an answer must stand.
const LEAST_S: f64 = 3.0;
const STANDS_S: f64 = 1.5;
/// Output within this share of flat out is flat out.
const FULL_SHARE: f64 = 0.97;

pub(crate) fn run(session: &mut Session<'_>, losses: &[Loss], watch: Seconds, duty: Duty) -> Work {
    let (mut missing, mut stood_at) = (Vec::new(), None);
    for &loss in losses {
        let needs_line = matches!(loss, Loss::Open | Loss::HeldLow | Loss::HeldHigh);
        if needs_line && !session.can.line {
            missing.push(format!("{loss:?}: the rig cannot release or hold the line"));
            continue;
        }
        if !drive_at(session, duty, stood_at)? && !session.driven(WINDOWS_S.0) {
            // Some units want an off command before they take a new one.
            session.off()?;
            session.read(1.0, Pace::Normal)?;
            drive_at(session, duty, None)?;
        }
        if !session.driven(WINDOWS_S.0) {
            missing.push(format!("{loss:?}: the fan does not run before it"));
            continue;
        }
        stood_at = session.ratio(WINDOWS_S.0);
        one(session, loss, watch, duty)?;
    }
    session.off()?;
    Ok(if missing.is_empty() { Ok(()) } else { Err(missing.join("; ")) })
}

/// Waits until the output drives the fan at this duty and stands; whether it does. Where the output is not recorded the
/// fan has to settle too: its current is all that tells the answer then.
///
/// `stood_at` is the output at which it stood before the last loss: a unit that held it through that loss has no ramp to go.
fn drive_at(session: &mut Session<'_>, duty: Duty, stood_at: Option<f64>) -> Result<bool, Halt> {
    let held = stands_at(session, stood_at);
    session.power_on()?;
    session.set_duty(duty.fraction())?;
    session.zero_due = true;
    if !session.can.output {
        return session.settle(1.5, COMES_WITHIN_S, Pace::Slow);
    }
    let begin_s = session.now_s();
    session.read(session.known.delay_s.unwrap_or_else(|| session.answer_s()), Pace::Slow)?;
    let from_s = session.now_s();
    let ramp_s = session.known.ramp_s.unwrap_or(RAMP_S);
    let window_s = (WINDOW_SHARE * ramp_s).clamp(WINDOWS_S.0, WINDOWS_S.1);
    let least_s = (RATIO_OVER_DUTY * duty.fraction()).min(1.0) * ramp_s + window_s;
    while session.now_s() < begin_s + COMES_WITHIN_S {
        session.read(LOOK_S, Pace::Slow)?;
        // The voltage of a fan that coasts down from a higher speed may stand as still.
        let stands = live::output_settled(session.rec(), from_s, session.now_s(), window_s);
        let enough_s = if held && stands_at(session, stood_at) { 2.0 * window_s } else { least_s };
        if stands && session.now_s() > from_s + enough_s && session.driven(2.0 * window_s) {
            return Ok(true);
        }
    }
    Ok(false)
}

/// Whether the output drives the fan as it did when it stood at `level`.
fn stands_at(session: &Session<'_>, level: Option<f64>) -> bool {
    let now = session.ratio(WINDOWS_S.0);
    session.driven(WINDOWS_S.0) && now.zip(level).is_some_and(|(now, level)| (now - level).abs() < SAME)
}

fn setting(session: &Session<'_>, loss: Loss, duty: Duty) -> Setting {
    let command = session.command(duty);
    match loss {
        Loss::Zero => Setting { duty: Duty::ZERO, ..command },
        Loss::Full => Setting { duty: Duty::FULL, ..command },
        Loss::Open => Setting { line: Line::Open, ..command },
        Loss::HeldLow => Setting { line: Line::Low, ..command },
        Loss::HeldHigh => Setting { line: Line::High, ..command },
    }
}

fn one(session: &mut Session<'_>, loss: Loss, watch: Seconds, duty: Duty) -> Result<(), Halt> {
    session.stretch(SpanKind::Loss { loss }, |session| {
        session.read(BEFORE_S, Pace::Normal)?;
        session.set(setting(session, loss, duty))?;
        let begin_s = session.now_s();
        let (mut gone_for_s, mut full_for_s) = (0.0, 0.0);
        let full = session.known.full.and_then(|levels| levels.ratio.or(levels.supply_a));
        while session.now_s() < begin_s + watch.get() {
            session.read(LOOK_S, Pace::Normal)?;
            let held_s = session.now_s() - begin_s;
            gone_for_s = if session.driven(LOOK_S) { 0.0 } else { gone_for_s + LOOK_S };
            let now = live::levels(session.rec(), session.now_s() - LOOK_S, session.now_s());
            let level = now.ratio.or(now.supply_a);
            let is_full = full.zip(level).is_some_and(|(full, level)| level > FULL_SHARE * full);
            full_for_s = if is_full { full_for_s + LOOK_S } else { 0.0 };
            if held_s >= LEAST_S - 1e-6 && (gone_for_s > STANDS_S - 1e-6 || full_for_s > STANDS_S - 1e-6) {
                break;
            }
        }
        Ok(())
    })?;
    Ok(())
}
