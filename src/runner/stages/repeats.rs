//! More starts and stops: each start from verified standstill, each stop from settled turning, in fine steps around what
//! the sweep found.

use crate::analysis::signal::stats;
use crate::bench::Pace;
use crate::runner::session::{Session, Work};
use crate::runner::stages::thresholds::{Ascent, Climb, Fall, ascend, descend};
use crate::safety::Halt;
use crate::units::Duty;

/// How far below the estimate a start begins at most and at least: its jump must not reach the threshold.
const BELOW: f64 = 0.015;
const LEAST_BELOW: f64 = 0.0075;
/// The same in standard deviations of the starts so far, from this many on.
const BELOW_SPREADS: f64 = 2.5;
const ENOUGH: usize = 3;
/// Added after a fan started on the jump itself.
const LOWER: f64 = 0.005;
/// How far above the estimate a stop begins: the coarse one of the sweep, then the finer ones.
const ABOVE: f64 = 0.0125;
const ABOVE_FINE: f64 = 0.0075;
/// Longest settling before a stop trial, from a standstill and from turning near there.
const SETTLE_S: f64 = 12.0;
const NEAR_S: f64 = 3.0;
const TURNING_S: f64 = 1.5;
/// How many duties above the estimate a start may go: a worn fan sticks now and then.
const REACH: f64 = 0.10;
/// The duties of a trial lie this part of a fine step off those of the one before (the golden section), so that what all their
/// brackets share shrinks as fast as it can whatever their number.
const DITHER: f64 = 0.618_033_988_749_894_9;

pub(crate) fn run(session: &mut Session<'_>, starts: u32, stops: u32, fine: Duty) -> Work {
    let Some(estimate) = session.known.start else {
        return Ok(Err("no start duty is known to repeat around".to_owned()));
    };
    let fine = fine.fraction();
    let (mut lower, mut missed) = (0.0, 0);
    let (mut starts_seen, mut stops_seen) = (Vec::new(), Vec::new());
    for trial in 0..starts.max(stops) {
        let start = around(estimate, &starts_seen);
        let dither = fine * (f64::from(trial) * DITHER).fract();
        let mut turns = false;
        if trial < starts {
            let first = on_grid(start - below(&starts_seen, fine) - lower, estimate, fine) - dither;
            let first = first.max(session.lowest());
            let climb = Climb { first, step: fine, top: (start + REACH).min(1.0), until_on: false };
            let found = ascend(session, climb)?;
            turns = found.is_some_and(|found| found.start.is_some());
            match found {
                Some(found) if found.at_once => lower += LOWER,
                Some(Ascent { start: Some(start), .. }) => starts_seen.push(start),
                _ => missed += 1,
            }
        }
        if trial < stops {
            let from = match (stops_seen.is_empty(), session.known.stop) {
                (false, _) => median(&stops_seen) + ABOVE_FINE,
                (true, Some(stop)) => stop + ABOVE,
                (true, None) => start,
            };
            let from = on_grid(from, estimate, fine) + dither;
            stops_seen.extend(stop_trial(session, Trial { start, from, fine, turns })?);
        }
        session.off()?;
    }
    // Nothing here drew a high current: the zero that follows the next stage, or ends the run, does.
    Ok(if missed == 0 { Ok(()) } else { Err(format!("{missed} start trials gave no start")) })
}

/// The duty nearest to `duty` that lies whole steps from `anchor`: what was found with one offset would shift the next.
fn on_grid(duty: f64, anchor: f64, step: f64) -> f64 {
    anchor + ((duty - anchor) / step).round() * step
}

/// Where the next start is expected. The coarse one of the sweep is up to a coarse step too high: once there are finer ones
/// it would only draw them up, and spread them.
fn around(coarse: f64, starts_seen: &[f64]) -> f64 {
    if starts_seen.is_empty() { coarse } else { median(starts_seen) }
}

/// How far below the estimate the next start begins.
fn below(starts_seen: &[f64], fine: f64) -> f64 {
    if starts_seen.len() < ENOUGH {
        return BELOW;
    }
    let spread = stats::deviation(starts_seen).unwrap_or(BELOW);
    (BELOW_SPREADS * spread + fine).clamp(LEAST_BELOW, BELOW)
}

/// One stop, as fractions of the period.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Trial {
    start: f64,
    from: f64,
    fine: f64,
    /// Whether the fan turns already, near its start duty.
    turns: bool,
}

fn stop_trial(session: &mut Session<'_>, trial: Trial) -> Result<Option<f64>, Halt> {
    let lowest = session.lowest();
    let from = trial.from.max(lowest + 2.0 * trial.fine);
    let near_s = if trial.turns { NEAR_S } else { SETTLE_S };
    if from < trial.start && !trial.turns {
        // Below the start duty the fan keeps turning only when it turns already.
        session.set_duty(trial.start + 0.02)?;
        session.settle(1.0, SETTLE_S, Pace::Slow)?;
    } else if trial.turns {
        // Without a tach a start is seen so early that the fan has hardly gained speed.
        let most_s = if session.can.tach { TURNING_S } else { SETTLE_S };
        session.settle(1.0, most_s, Pace::Slow)?;
    }
    session.set_duty(from)?;
    session.settle(1.5, near_s, Pace::Slow)?;
    let until_rest = session.known.dead_band;
    Ok(descend(session, Fall { first: from, step: trial.fine, lowest, until_rest })?.stop)
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[sorted.len() / 2]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn eight_trials_leave_no_gap_wider_than_a_sixth_of_a_step_whatever_the_starts_were() {
        let (anchor, fine) = (0.13, 0.0025);
        let mut parts: Vec<f64> = (0..8)
            .map(|trial| {
                let wanted = 0.12 + 0.000_37 * f64::from(trial);
                let first = on_grid(wanted, anchor, fine) - fine * (f64::from(trial) * DITHER).fract();
                assert!((first - wanted).abs() <= 1.5 * fine);
                ((first - anchor) / fine).rem_euclid(1.0)
            })
            .collect();
        parts.sort_by(f64::total_cmp);
        parts.push(parts[0] + 1.0);
        assert!(parts.windows(2).all(|pair| pair[1] - pair[0] < 1.0 / 6.0), "{parts:?}");
    }

    #[test]
    fn the_coarse_start_of_the_sweep_counts_only_until_there_is_a_finer_one() {
        assert_eq!(around(0.13, &[]), 0.13);
        assert_eq!(around(0.13, &[0.121]), 0.121);
        let finer = [0.121, 0.122, 0.123];
        assert_eq!(around(0.13, &finer), 0.122);
        // As far below as 2.5 of their deviations and a step ask for, no less than what a jump needs.
        assert_eq!(below(&finer[..2], 0.0025), BELOW);
        assert_eq!(below(&finer, 0.0025), LEAST_BELOW);
        assert!((below(&[0.12, 0.122, 0.124], 0.0025) - 0.0075).abs() < 1e-9);
        assert!((below(&[0.12, 0.123, 0.126], 0.0025) - 0.01).abs() < 1e-9);
    }
}
