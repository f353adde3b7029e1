//! What the unit does when its command is lost: no edges, line held, line open.

use crate::bench::{Line, Pace, Setting};
use crate::record::event::{Loss, SpanKind};
use crate::runner::live;
use crate::runner::session::{Session, Work};
use crate::runner::stages::soft_start::settle_at;
use crate::safety::Halt;
use crate::units::{Duty, Seconds};

/// Longest settling before each loss.
const SETTLE: Seconds = Seconds(20.0);
/// Shortest watch, and how long an answer must stand.
const LEAST_S: f64 = 3.0;
const STANDS_S: f64 = 1.5;
/// Output within this share of flat out is flat out.
const FULL_SHARE: f64 = 0.97;

pub(crate) fn run(session: &mut Session<'_>, losses: &[Loss], watch: Seconds, duty: Duty) -> Work {
    let mut missing = Vec::new();
    for &loss in losses {
        let needs_line = matches!(loss, Loss::Open | Loss::HeldLow | Loss::HeldHigh);
        if needs_line && !session.can.line {
            missing.push(format!("{loss:?}: the rig cannot release or hold the line"));
            continue;
        }
        let settled = settle_at(session, duty.fraction(), SETTLE)?;
        if !settled && !session.driven(0.5) {
            // Some units want an off command before they take a new one.
            session.off()?;
            session.read(1.0, Pace::Normal)?;
            settle_at(session, duty.fraction(), SETTLE)?;
        }
        if !session.driven(0.5) {
            missing.push(format!("{loss:?}: the fan does not run before it"));
            continue;
        }
        one(session, loss, watch, duty)?;
    }
    session.off()?;
    Ok(if missing.is_empty() { Ok(()) } else { Err(missing.join("; ")) })
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
        session.read(0.5, Pace::Normal)?;
        session.set(setting(session, loss, duty))?;
        let begin_s = session.now_s();
        let (mut gone_for_s, mut full_for_s) = (0.0, 0.0);
        let full = session.known.full.and_then(|levels| levels.ratio.or(levels.supply_a));
        while session.now_s() < begin_s + watch.get() {
            session.read(0.1, Pace::Normal)?;
            let held_s = session.now_s() - begin_s;
            gone_for_s = if session.driven(0.1) { 0.0 } else { gone_for_s + 0.1 };
            let now = live::levels(session.rec(), session.now_s() - 0.1, session.now_s());
            let level = now.ratio.or(now.supply_a);
            let is_full = full.zip(level).is_some_and(|(full, level)| level > FULL_SHARE * full);
            full_for_s = if is_full { full_for_s + 0.1 } else { 0.0 };
            if held_s >= LEAST_S && (gone_for_s > STANDS_S || full_for_s > STANDS_S) {
                break;
            }
        }
        Ok(())
    })?;
    Ok(())
}
