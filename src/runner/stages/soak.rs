//! Long holds: heat and steadiness. A hold ends once the case has shown two of its time constants.

use crate::analysis::heat;
use crate::bench::{Channel, Pace};
use crate::record::event::SpanKind;
use crate::runner::session::{Session, Work};
use crate::units::{Duty, Seconds};

/// Steadiness is read from 20 s, after the start has settled.
const STEADY_S: f64 = 45.0;
/// Shortest stay for heat.
const LEAST_S: f64 = 90.0;
/// Each read, and without a tach its last part at the pace that shows the ripple.
const READ_S: f64 = 5.0;
const BURST_S: f64 = 0.1;
/// Temperature means are taken over this long, slopes between means this far apart.
const MEAN_S: f64 = 10.0;
const APART_S: f64 = 30.0;
/// Without a time constant to see: a slope of this share of the steepest is the end of any warming.
const LEVELLED: f64 = 0.07;
/// Time constants that must have been seen for a rise to be stated, with a little over: the analysis sees the whole.
const ENOUGH: f64 = 2.05;
/// Shortest and longest time between looks at the time constant.
const LOOK_S: f64 = 10.0;
const LONGEST_LOOK_S: f64 = 60.0;

pub(crate) fn run(session: &mut Session<'_>, duties: &[Duty], each: Seconds) -> Work {
    let mut missing = Vec::new();
    // The case's own: what a first soak showed counts for a later one, which may warm it too little to tell.
    let mut tau_s = None;
    for &duty in duties {
        session.power_on()?;
        let duty = session.allowed(duty);
        let (_, complete) = session.span(SpanKind::Soak, |session| {
            session.set(session.command(duty))?;
            session.zero_due = true;
            let begin_s = session.now_s();
            let (mut steepest, mut look_s): (f64, f64) = (0.0, begin_s + LEAST_S);
            while session.now_s() < begin_s + each.get() {
                if session.can.tach {
                    session.read(READ_S, Pace::Slow)?;
                } else {
                    session.read(READ_S - BURST_S, Pace::Slow)?;
                    session.read(BURST_S, Pace::Burst)?;
                }
                let held_s = session.now_s() - begin_s;
                if !session.can.case && held_s >= STEADY_S {
                    break;
                }
                steepest = steepest.max(slope(session, begin_s).unwrap_or(0.0));
                if session.now_s() < look_s {
                    continue;
                }
                let now_s = session.now_s();
                look_s = now_s + LOOK_S;
                let seen = heat::time_constant(session.rec(), begin_s, session.now_s());
                let levelled = || slope(session, begin_s).is_some_and(|slope| slope < LEVELLED * steepest);
                let enough = match (seen, tau_s) {
                    (Some((seen_s, u_s)), known_s) => {
                        tau_s = Some(seen_s);
                        let enough_s = ENOUGH * (seen_s + 2.0 * u_s).max(known_s.unwrap_or(0.0));
                        // The next look is due halfway to where this one ends the hold: later ones know better.
                        look_s = look_s.max(now_s + (0.5 * (enough_s - held_s)).min(LONGEST_LOOK_S));
                        held_s >= enough_s
                    }
                    (None, Some(known_s)) => held_s >= ENOUGH * known_s,
                    (None, None) => levelled(),
                };
                if enough {
                    break;
                }
            }
            Ok(((), if session.driven(1.0) { Ok(()) } else { Err("the output went away".to_owned()) }))
        })?;
        if let Err(why) = complete {
            missing.push(format!("{duty}: {why}"));
        }
    }
    session.zero()?;
    Ok(if missing.is_empty() { Ok(()) } else { Err(missing.join("; ")) })
}

/// Slope of the case temperature by now; `None` too soon after `begin_s`.
fn slope(session: &Session<'_>, begin_s: f64) -> Option<f64> {
    let now_s = session.now_s();
    let then_s = now_s - APART_S;
    if then_s - MEAN_S < begin_s {
        return None;
    }
    let mean = |to_s: f64| session.rec().mean(Channel::CaseC, to_s - MEAN_S, to_s);
    Some((mean(now_s)? - mean(then_s)?) / APART_S)
}
