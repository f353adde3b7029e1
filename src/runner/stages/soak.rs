//! Long holds: heat and steadiness. Ends early once the case has warmed through.

use crate::bench::{Channel, Pace};
use crate::record::event::SpanKind;
use crate::runner::session::{Session, Work};
use crate::units::{Duty, Seconds};

/// Steadiness is read from 20 s, after the start has settled.
const STEADY_S: f64 = 45.0;
/// Shortest stay for heat.
const LEAST_S: f64 = 90.0;
/// Temperature means are taken over this long, slopes between means this far apart.
const MEAN_S: f64 = 10.0;
const APART_S: f64 = 30.0;
/// A first-order rise whose slope fell to this share of its steepest has run 2.7 time constants: two must have been seen
/// for a rise to be stated, and the time constant seen by then is uncertain.
const LEVELLED: f64 = 0.07;

pub(crate) fn run(session: &mut Session<'_>, duties: &[Duty], each: Seconds) -> Work {
    let mut missing = Vec::new();
    // The time constant is the case's own: after a first soak a smaller step, hard to time by itself, needs as long.
    let mut least_s = LEAST_S;
    for &duty in duties {
        session.power_on()?;
        let duty = Duty::clamped(duty.fraction().min(session.highest(crate::config::plan::UpTo::RigLimit)));
        let (_, complete) = session.span(SpanKind::Soak, |session| {
            session.set(session.command(duty))?;
            session.zero_due = true;
            let begin_s = session.now_s();
            let mut steepest: f64 = 0.0;
            while session.now_s() < begin_s + each.get() {
                session.read(5.0, Pace::Slow)?;
                let held_s = session.now_s() - begin_s;
                if !session.can.case && held_s >= STEADY_S {
                    break;
                }
                let Some(slope) = slope(session, begin_s) else { continue };
                steepest = steepest.max(slope);
                if held_s >= least_s && slope < LEVELLED * steepest {
                    break;
                }
            }
            least_s = least_s.max(session.now_s() - begin_s);
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
