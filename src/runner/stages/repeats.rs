//! More starts and stops: each start from verified standstill, each stop from settled turning, in fine steps around what
//! the sweep found.

use crate::bench::Pace;
use crate::runner::session::{Session, Work};
use crate::runner::stages::thresholds::{Climb, ascend, descend};
use crate::safety::Halt;
use crate::units::Duty;

/// How far below the estimate a start begins: its jump must not reach the threshold.
const BELOW: f64 = 0.015;
/// Added after a fan started on the jump itself.
const LOWER: f64 = 0.01;
/// How far above the estimate a stop begins: the coarse one of the sweep, then the finer ones.
const ABOVE: f64 = 0.04;
const ABOVE_FINE: f64 = 0.025;
/// Longest settling before a stop trial.
const SETTLE_S: f64 = 12.0;
/// How many duties above the estimate a start may go: a worn fan sticks now and then.
const REACH: f64 = 0.10;

pub(crate) fn run(session: &mut Session<'_>, starts: u32, stops: u32, fine: Duty) -> Work {
    let Some(estimate) = session.known.start else {
        return Ok(Err("no start duty is known to repeat around".to_owned()));
    };
    let fine = fine.fraction();
    let (mut below, mut missed) = (BELOW, 0);
    let (mut estimates, mut stops_seen) = (vec![estimate], Vec::new());
    for trial in 0..starts.max(stops) {
        let start = median(&estimates);
        if trial < starts {
            let first = (start - below).max(session.lowest());
            let climb = Climb { first, step: fine, top: (start + REACH).min(1.0), until_on: false };
            match ascend(session, climb)? {
                Some(found) if found.at_once => below += LOWER,
                Some(found) => match found.start {
                    Some(start) => estimates.push(start),
                    None => missed += 1,
                },
                None => missed += 1,
            }
        }
        if trial < stops {
            let from = match (stops_seen.is_empty(), session.known.stop) {
                (false, _) => median(&stops_seen) + ABOVE_FINE,
                (true, Some(stop)) => stop + ABOVE,
                (true, None) => start,
            };
            stops_seen.extend(stop_trial(session, start, from, fine)?);
        }
        session.off()?;
    }
    session.zero()?;
    Ok(if missed == 0 { Ok(()) } else { Err(format!("{missed} start trials gave no start")) })
}

fn stop_trial(session: &mut Session<'_>, start: f64, from: f64, fine: f64) -> Result<Option<f64>, Halt> {
    let lowest = session.lowest();
    let from = from.max(lowest + 2.0 * fine);
    if from < start {
        // Below the start duty the fan keeps turning only when it turns already.
        session.set_duty(start + 0.02)?;
        session.settle(1.0, SETTLE_S, Pace::Slow)?;
    }
    session.set_duty(from)?;
    session.settle(1.5, SETTLE_S, Pace::Slow)?;
    Ok(descend(session, from, fine, lowest)?.stop)
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[sorted.len() / 2]
}
