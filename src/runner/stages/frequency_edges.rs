//! Band of command frequencies that the unit follows: a coarse scan outward from the frequency at which it was
//! characterised, then each edge bracketed by halving. At frequencies for which the plan asks, the thresholds too.

use crate::bench::{Pace, Setting};
use crate::record::event::SpanKind;
use crate::runner::live::{self, Levels};
use crate::runner::session::{Session, Work};
use crate::runner::stages::dead_band::{self, Search};
use crate::runner::stages::soft_start::settle_at;
use crate::runner::stages::thresholds::{Climb, Fall, ascend, descend};
use crate::safety::Halt;
use crate::units::{Duty, Hertz, Seconds};

/// Ratio of neighbouring frequencies in the coarse scan.
const COARSE: f64 = 1.5;
/// After so many in a row that are not followed the scan ends on that side: a hole is narrower.
const LOST_IN_A_ROW: u32 = 3;
/// A followed frequency gives the nominal speed within this share of full speed.
const FOLLOWS: f64 = 0.02;
/// This far below the lower level there is no need to wait for it to settle.
const CLEARLY_OFF: f64 = 0.10;
/// Every frequency is come to from a duty this much lower: a unit that holds its last output would look as if it
/// followed.
const APPROACH: f64 = 0.15;
/// Longest settling at a duty this much higher, which shows a unit that holds.
const VARY_S: f64 = 5.0;
/// Shortest and longest stay: a unit that has lost its command may hold for a while.
const LEAST_S: f64 = 2.5;
const MOST_S: f64 = 8.0;
const RECOVER: Seconds = Seconds(15.0);

/// What the stage asks for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Ask<'a> {
    pub(crate) from_hz: f64,
    pub(crate) to_hz: f64,
    pub(crate) within: f64,
    pub(crate) duty: Duty,
    /// Where thresholds are looked for too.
    pub(crate) thresholds_at: &'a [Hertz],
}

/// Step of the start's climb at another frequency, how far below the start at the nominal one it begins, and how far above
/// it ends.
const CLIMB_STEP: f64 = 0.005;
const CLIMB_BELOW: f64 = 0.03;
const CLIMB_ABOVE: f64 = 0.05;
/// Longest settling before the fall.
const STOP_SETTLE_S: f64 = 8.0;
/// The output comes on by itself, the fan at rest, where it does so this far below the start.
const APART: f64 = 0.015;
/// Width to which the output thresholds are bracketed there.
const BAND_WITHIN: f64 = 0.0025;

/// The level at the nominal frequency and what counts as full.
#[derive(Clone, Copy, Debug)]
struct Nominal {
    hz: f64,
    level: f64,
    full: f64,
    duty: Duty,
    /// Duty and level that each frequency is come to from.
    lower: (f64, f64),
}

pub(crate) fn run(session: &mut Session<'_>, ask: Ask<'_>) -> Work {
    let Some(frequency) = session.known.frequency else { return Ok(Err("no command frequency is known".to_owned())) };
    let lower_duty = (ask.duty.fraction() - APPROACH).max(0.5 * ask.duty.fraction());
    let lower_settled = settle_at(session, lower_duty, RECOVER)?;
    let lower = (lower_duty, level(levels(session)));
    let settled = settle_at(session, ask.duty.fraction(), RECOVER)?;
    if !lower_settled || !settled || !session.driven(0.5) {
        return Ok(Err("the fan does not run steadily at the nominal frequency".to_owned()));
    }
    let level = level(levels(session));
    let full = session.known.full.map_or(1.5 * level, self::level);
    let nominal = Nominal { hz: frequency.get(), level, full, duty: ask.duty, lower };
    // The level that all others are compared with comes about in the same way; it is shown not to hold.
    follows(session, nominal, nominal.hz)?;
    let command = &session.rig.command;
    let (lowest, highest) = (ask.from_hz.max(command.lowest.get()), ask.to_hz.min(command.highest.get()));
    let low = edge(session, nominal, lowest, ask.within)?;
    let high = edge(session, nominal, highest, ask.within)?;
    let mut thresholds = Ok(());
    for &frequency in ask.thresholds_at {
        thresholds = thresholds.and(thresholds_at(session, nominal, frequency)?);
    }
    session.off()?;
    Ok(low.and(high).and(thresholds))
}

/// Output thresholds and the start at another frequency, where the unit follows there; what is missing, if anything.
fn thresholds_at(session: &mut Session<'_>, nominal: Nominal, frequency: Hertz) -> Work {
    if !follows(session, nominal, frequency.get())? {
        return Ok(Err(format!("does not follow {frequency}, so there are no thresholds there")));
    }
    let Some(start) = session.known.start.or(session.known.on) else {
        return Ok(Err("no start is known at the nominal frequency".to_owned()));
    };
    // Everything that the session commands is at its known frequency, off included.
    let known = session.known.frequency.replace(frequency);
    let found = search_thresholds(session, frequency, start);
    session.known.frequency = known;
    found
}

fn search_thresholds(session: &mut Session<'_>, frequency: Hertz, start: f64) -> Work {
    if !session.stand_still()? {
        return Ok(Err("the fan was not seen to come to rest".to_owned()));
    }
    let lowest = session.lowest();
    let mut banded = Ok(());
    // Where the fan starts as soon as the output comes on, climb and fall tell the output's thresholds too.
    let apart = session.known.on.is_some_and(|on| on < start - APART);
    if session.can.output && apart {
        let search = Search { frequency, lowest, on: None, top: start, within: BAND_WITHIN };
        banded = dead_band::search(session, search)?.map_err(|why| format!("output thresholds at {frequency}: {why}"));
    }
    let first = (start - CLIMB_BELOW).max(lowest);
    let climb = Climb { first, step: CLIMB_STEP, top: start + CLIMB_ABOVE, until_on: false };
    let started = match ascend(session, climb)?.map(|found| found.start) {
        Some(Some(start)) => {
            // Nothing stops above its start.
            session.set_duty(start)?;
            session.settle(1.5, STOP_SETTLE_S, Pace::Slow)?;
            descend(session, Fall { first: start, step: CLIMB_STEP, lowest, until_rest: true })?;
            Ok(())
        }
        Some(None) => Err(format!("no start at {frequency} up to {}", Duty::clamped(climb.top))),
        None => Err("the fan was not seen to come to rest".to_owned()),
    };
    Ok(started.and(banded))
}

fn levels(session: &Session<'_>) -> Levels {
    live::levels(session.rec(), session.now_s() - live::WINDOW_S, session.now_s())
}

/// Speed, else output, else current.
fn level(levels: Levels) -> f64 {
    levels.edges_hz.or(levels.ratio).or(levels.supply_a).unwrap_or(0.0)
}

/// Scans from the nominal frequency towards `end_hz` and brackets the last change from followed to not followed.
fn edge(session: &mut Session<'_>, nominal: Nominal, end_hz: f64, within: f64) -> Work {
    let mut bracket = None;
    let (mut last_ok, mut lost) = (nominal.hz, 0);
    for hz in coarse(nominal.hz, end_hz) {
        if follows(session, nominal, hz)? {
            (last_ok, lost, bracket) = (hz, 0, None);
        } else {
            bracket.get_or_insert((last_ok, hz));
            lost += 1;
            if lost == LOST_IN_A_ROW {
                break;
            }
        }
    }
    let Some((mut ok, mut bad)) = bracket else { return Ok(Ok(())) };
    while (bad / ok).max(ok / bad) > 1.0 + within {
        let middle = (ok * bad).sqrt();
        if follows(session, nominal, middle)? { ok = middle } else { bad = middle }
    }
    Ok(Ok(()))
}

/// Frequencies outward from `nominal_hz`, the last one `end_hz`; none when that lies on the nominal one.
fn coarse(nominal_hz: f64, end_hz: f64) -> Vec<f64> {
    let outward = if end_hz > nominal_hz { COARSE } else { 1.0 / COARSE };
    let mut list = Vec::new();
    let mut hz = nominal_hz * outward;
    while (end_hz / hz - 1.0) * (outward - 1.0) > 0.02 * (outward - 1.0).abs() {
        list.push(hz);
        hz *= outward;
    }
    if (end_hz / nominal_hz - 1.0).abs() > 0.02 {
        list.push(end_hz);
    }
    list
}

/// Whether the unit follows at `hz`, come to from the lower duty at the nominal frequency.
fn follows(session: &mut Session<'_>, nominal: Nominal, hz: f64) -> Result<bool, Halt> {
    approach(session, nominal)?;
    let (follows, _) = session.span(SpanKind::Follow, |session| {
        let setting = Setting { frequency: Hertz(hz), ..session.command(nominal.duty) };
        session.set(setting)?;
        let begin_s = session.now_s();
        let (follows, stayed) = loop {
            session.read(0.25, Pace::Slow)?;
            let held_s = session.now_s() - begin_s;
            if held_s < LEAST_S {
                continue;
            }
            let share = |to: f64| (level(levels(session)) - to) / nominal.full.max(1e-9);
            let lost = share(nominal.lower.1) < -CLEARLY_OFF;
            let settled = live::settled(session.rec(), begin_s, session.now_s(), !session.can.tach);
            if lost || settled || held_s >= MOST_S {
                break (settled && share(nominal.level).abs() <= FOLLOWS, share(nominal.lower.1).abs() <= FOLLOWS);
            }
        };
        if stayed || hz == nominal.hz {
            let higher = Duty::clamped(nominal.duty.fraction() + APPROACH);
            session.set(Setting { duty: higher, ..setting })?;
            session.settle(1.5, VARY_S, Pace::Slow)?;
        }
        Ok((follows, Ok(())))
    })?;
    Ok(follows)
}

/// To the lower duty at the nominal frequency, by way of off where the unit insists.
fn approach(session: &mut Session<'_>, nominal: Nominal) -> Result<(), Halt> {
    for _ in 0..2 {
        settle_at(session, nominal.lower.0, RECOVER)?;
        if (level(levels(session)) - nominal.lower.1).abs() < FOLLOWS * nominal.full {
            return Ok(());
        }
        session.off()?;
        session.read(1.0, Pace::Normal)?;
    }
    settle_at(session, nominal.lower.0, RECOVER)?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_coarse_scan_goes_outward_and_ends_on_the_end() {
        let up = coarse(100.0, 500.0);
        assert!((up[0] - 150.0).abs() < 1e-9 && up[up.len() - 1] == 500.0 && up.len() == 4, "{up:?}");
        let down = coarse(100.0, 20.0);
        assert!((down[0] - 100.0 / 1.5).abs() < 1e-9 && down[down.len() - 1] == 20.0, "{down:?}");
        assert!(down.windows(2).all(|pair| pair[0] > pair[1]));
        assert!(coarse(100.0, 100.0).is_empty());
    }
}
