//! The curve: up from standstill with the start threshold, settled points to full, points down with more of them around
//! the saturation knee, then down to the stop threshold.

use crate::bench::Pace;
use crate::config::plan::UpTo;
use crate::record::event::SpanKind;
use crate::results::Direction;
use crate::runner::live;
use crate::runner::session::{Session, Work};
use crate::runner::stages::thresholds::{Climb, ascend, descend};
use crate::safety::Halt;
use crate::units::{Duty, Seconds};

/// Step of the first ascent and the first descent.
const COARSE: f64 = 0.01;
/// Spacing of points around the knee, and how far around it they go.
const KNEE_STEP: f64 = 0.0125;
const KNEE_BELOW: f64 = 0.06;
const KNEE_ABOVE: f64 = 0.05;
/// Stay beyond settling that is averaged.
const AVERAGE_S: f64 = 1.0;
/// Burst in which ripple is read where there is no tach.
const BURST_S: f64 = 0.5;

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
    for duty in falling_duties(low, ask.step, session.highest(ask.to), knee) {
        let (_, settled) = point(session, duty, Direction::Down, ask.settle_within)?;
        unsettled += usize::from(!settled);
    }
    let from = (low / COARSE).ceil() * COARSE;
    session.set_duty(from)?;
    session.settle(1.5, ask.settle_within.get(), Pace::Slow)?;
    let down = descend(session, from, COARSE, lowest)?;
    session.known.stop = down.stop;
    refine_on(session, ask.fine)?;
    session.zero()?;
    Ok(if unsettled == 0 { Ok(()) } else { Err(format!("{unsettled} points did not settle in time")) })
}

/// The output threshold again in fine steps: it lies below the start, where the coarse ascent had only one step.
fn refine_on(session: &mut Session<'_>, fine: f64) -> Result<(), Halt> {
    let Some(on) = session.known.on else { return Ok(()) };
    let first = (on - 1.5 * COARSE).max(session.lowest());
    if first < on {
        ascend(session, Climb { first, step: fine, top: on + COARSE, until_on: true })?;
    }
    session.off()
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
        if session.can.tach {
            session.read(AVERAGE_S, Pace::Normal)?;
        } else {
            session.read(AVERAGE_S - BURST_S, Pace::Normal)?;
            session.read(BURST_S, Pace::Burst)?;
        }
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
