//! The curve: up from standstill with the start threshold, settled points to full, every second of them down again with
//! more around the saturation knee, then down to the stop threshold; then, with the fan at rest, the output thresholds.

use crate::bench::Pace;
use crate::config::plan::{Stage, UpTo};
use crate::record::event::SpanKind;
use crate::results::Direction;
use crate::runner::live;
use crate::runner::session::{Session, Work};
use crate::runner::stages::dead_band::{self, Search};
use crate::runner::stages::thresholds::{Ascent, Climb, Fall, ascend, descend};
use crate::safety::Halt;
use crate::units::{Duty, Seconds};

/// Step of the first ascent and the first descent.
const COARSE: f64 = 0.01;
/// Spacing of points around the knee, and how far around it they go.
const KNEE_STEP: f64 = 0.0125;
const KNEE_BELOW: f64 = 0.0375;
const KNEE_ABOVE: f64 = 0.03;
/// Steps of the way up in one step down.
const DOWN_STEPS: f64 = 2.0;
/// Longest settling before the descent.
const STOP_SETTLE_S: f64 = 4.0;
/// What is averaged: the last window that showed no trend, and a stay beyond it, in which ripple is read where there is
/// no tach.
const AVERAGE_S: f64 = 1.0;
const BEYOND_S: f64 = AVERAGE_S - live::WINDOW_S;
/// Width to which the output thresholds are halved, in fine steps.
const BAND_SHARE: f64 = 0.6;

/// What the stage file asks for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Ask {
    pub(crate) step: f64,
    pub(crate) fine: f64,
    pub(crate) to: UpTo<Duty>,
    pub(crate) settle_within: Seconds,
}

pub(crate) fn run(session: &mut Session<'_>, ask: Ask) -> Work {
    let top = session.highest_of_rig(ask.to);
    let lowest = session.lowest();
    let first = lowest.max(0.02);
    let Some(found) = ascend(session, Climb { first, step: COARSE, top, until_on: false })? else {
        return Ok(Err("the fan was not seen to come to rest".to_owned()));
    };
    (session.known.on, session.known.start) = (found.on, found.start);
    let Some(start) = found.start.or(found.on) else {
        session.off()?;
        return Ok(Err("no output at any duty offered".to_owned()));
    };
    let mut points = Vec::new();
    let mut unsettled = 0;
    for duty in rising_duties(start, ask.step, top) {
        let (ratio, settled) = point(session, duty, Direction::Up, ask.settle_within)?;
        points.push((duty, ratio));
        unsettled += usize::from(!settled);
    }
    leave_cut_off(session, ask.settle_within)?;
    let knee = live::knee(&points);
    let low = (start + 0.5 * ask.step).max(lowest);
    for duty in falling_duties(low, DOWN_STEPS * ask.step, session.highest(ask.to), knee) {
        let (_, settled) = point(session, duty, Direction::Down, ask.settle_within)?;
        unsettled += usize::from(!settled);
    }
    // Nothing stops above its start.
    let from = start.max(lowest + 2.0 * COARSE);
    session.set_duty(from)?;
    session.settle(1.5, STOP_SETTLE_S, Pace::Slow)?;
    let down = descend(session, Fall { first: from, step: COARSE, lowest, until_rest: true })?;
    session.known.stop = down.stop;
    let band = output_thresholds(session, found, ask.fine)?;
    session.zero()?;
    let settled = if unsettled == 0 { Ok(()) } else { Err(format!("{unsettled} points did not settle in time")) };
    Ok(settled.and(band))
}

/// The output thresholds finer than the climb found them: by themselves where the output comes on before the fan turns,
/// else together with its start.
fn output_thresholds(session: &mut Session<'_>, found: Ascent, fine: f64) -> Work {
    let Some(on) = found.on else { return Ok(Ok(())) };
    let lowest = session.lowest();
    let apart = session.can.output && found.start.is_none_or(|start| on < start - 1.5 * COARSE) && on > lowest + COARSE;
    if apart {
        if !session.stand_still()? {
            return Ok(Err("the fan was not seen to come to rest".to_owned()));
        }
        let frequency = session.command(Duty::ZERO).frequency;
        let within = BAND_SHARE * fine;
        let known = Some(((on - COARSE).max(lowest), on));
        let searched = dead_band::search(session, Search { frequency, lowest, on: known, top: on, within })?;
        session.known.dead_band = searched.is_ok();
        session.off()?;
        return Ok(searched);
    }
    // The repeats take them in fine steps anyway.
    let repeated = session.plan.stages.iter().any(|stage| matches!(stage, Stage::Repeats { .. }));
    let first = (on - 1.5 * COARSE).max(lowest);
    if first < on && !repeated {
        ascend(session, Climb { first, step: fine, top: on + COARSE, until_on: true })?;
    }
    session.off()?;
    Ok(Ok(()))
}

/// Multiples of `step` above `start` up to and with `top`; the last part above 90 % twice as fine, where cut-offs are.
fn rising_duties(start: f64, step: f64, top: f64) -> Vec<f64> {
    let mut duties = Vec::new();
    let mut duty = ((start / step).floor() + 1.0) * step;
    while duty < top - 0.2 * step {
        duties.push(duty);
        duty += if duty > 0.9 - 1e-9 { 0.5 * step } else { step };
    }
    duties.push(top);
    duties
}

/// Multiples of `step` from `top` down to `low`, with the surroundings of the knee finer.
fn falling_duties(low: f64, step: f64, top: f64, knee: Option<f64>) -> Vec<f64> {
    let mut duties = rising_duties(low - step, step, top);
    if let Some(knee) = knee {
        let mut duty = knee - KNEE_BELOW;
        while duty < knee + KNEE_ABOVE {
            duties.push(duty);
            duty += KNEE_STEP;
        }
    }
    duties.retain(|duty| (low..=top).contains(duty));
    duties.sort_by(|a, b| b.total_cmp(a));
    // What the coarse grid has within a third of the fine spacing is there already.
    duties.dedup_by(|a, b| (*a - *b).abs() < 0.3 * KNEE_STEP);
    duties
}

/// One settled point; its output ratio and whether it settled.
pub(crate) fn point(
    session: &mut Session<'_>,
    duty: f64,
    direction: Direction,
    within: Seconds,
) -> Result<(f64, bool), Halt> {
    let ((ratio, settled), _) = session.span(SpanKind::Point { direction }, |session| {
        session.set_duty(duty)?;
        let settled = session.settle(1.5, within.get(), Pace::Slow)?;
        session.read(BEYOND_S, session.motion_pace())?;
        let complete = if settled { Ok(()) } else { Err("did not settle in time".to_owned()) };
        Ok(((session.answer(AVERAGE_S), settled), complete))
    })?;
    session.zero_due = true;
    Ok((ratio, settled))
}

/// Above the highest useful duty the unit may have left its plateau, even for good: back to it, by way of off if need be.
fn leave_cut_off(session: &mut Session<'_>, within: Seconds) -> Result<(), Halt> {
    let most = session.highest(UpTo::RigLimit);
    session.set_duty(most)?;
    session.settle(1.5, within.get(), Pace::Slow)?;
    if !session.driven(0.3) {
        session.off()?;
        session.read(1.0, Pace::Normal)?;
        session.set_duty(most)?;
        session.settle(1.5, within.get(), Pace::Slow)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rising_duties_are_multiples_above_the_start_and_end_at_the_top() {
        let duties: Vec<f64> = rising_duties(0.123, 0.05, 0.99).into_iter().map(|d| (d * 1000.0).round()).collect();
        assert_eq!(duties[..3], [150.0, 200.0, 250.0]);
        assert_eq!(duties[duties.len() - 4..], [925.0, 950.0, 975.0, 990.0]);
    }

    #[test]
    fn falling_duties_are_dense_around_the_knee_only() {
        let duties = falling_duties(0.15, 0.05, 0.98, Some(0.8));
        assert!(duties.windows(2).all(|pair| pair[0] > pair[1]));
        let near = |duty: &f64| (duty - 0.8).abs() < 0.05;
        let spacing = |pair: &[f64]| pair[0] - pair[1];
        assert!(duties.windows(2).filter(|pair| pair.iter().all(near)).all(|pair| spacing(pair) < 0.0151));
        assert!(duties.iter().filter(|duty| **duty < 0.7).count() < 13);
        assert!((duties[duties.len() - 1] - 0.15).abs() < 1e-9);
    }
}
