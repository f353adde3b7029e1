//! First power: the supply, zeros of the channels taken before, through the rig's declared means with the line
//! released, the current checked within 200 ms, then the relay.

use crate::bench::{Channel, Line, Pace, Setting, Supply};
use crate::record::event::SpanKind;
use crate::runner::session::{Session, Work, ZERO_S};
use crate::units::Seconds;

/// The capacitors count as charged at this share of the rig's voltage.
const CHARGED_SHARE: f64 = 0.9;
/// Within this time the first current is looked at.
const FIRST_LOOK_S: f64 = 0.2;

pub(crate) fn run(session: &mut Session<'_>, settle: Seconds) -> Work {
    session.set(Setting::SAFE)?;
    // At the start the zeros are those of the preflight.
    if !std::mem::take(&mut session.zero_fresh) {
        session.zero_span(ZERO_S, Ok(()))?;
    }
    let mut work = Ok(());
    if session.can.gentle {
        work = charge(session, SpanKind::PreCharge, settle, Line::Open)?;
        // A unit that runs on an open line never charges: the held line may keep it quiet.
        for line in [Line::High, Line::Low] {
            if work.is_ok() || !session.can.line {
                break;
            }
            session.set(Setting { line, ..Setting::SAFE })?;
            session.wait_rest(Pace::Slow)?;
            if charge(session, SpanKind::PreCharge, settle, line)?.is_ok() {
                session.sup.note(format!("the capacitors charge only with the line held {}", line.name()));
                work = Ok(());
            }
        }
    }
    session.set(Setting { supply: Supply::On, line: Line::Open, ..session.off_setting() })?;
    session.read(FIRST_LOOK_S, Pace::Burst)?;
    let amps = session.amps(0.1);
    session.sup.note(format!("{FIRST_LOOK_S} s after the relay closed the unit draws {amps:.3} A"));
    session.read(0.8, Pace::Normal)?;
    Ok(work)
}

/// Supply through the first-power means with the line in this state, until the capacitors are charged.
pub(crate) fn charge(session: &mut Session<'_>, kind: SpanKind, settle: Seconds, line: Line) -> Work {
    let (_, complete) = session.span(kind, |session| {
        session.read(0.04, Pace::Burst)?;
        session.set(Setting { supply: Supply::Gentle, line, ..Setting::SAFE })?;
        let begin_s = session.now_s();
        session.read(FIRST_LOOK_S, Pace::Burst)?;
        let amps = session.amps(0.02);
        session.sup.note(format!("{FIRST_LOOK_S} s after gentle power the unit draws {amps:.3} A"));
        let charged_v = CHARGED_SHARE * session.rig.supply.voltage.get();
        loop {
            let pace = if session.now_s() - begin_s < 1.0 { Pace::Burst } else { Pace::Normal };
            session.read(0.1, pace)?;
            let now_s = session.now_s();
            let volts = |from_s, to_s| session.rec().mean(Channel::SupplyV, from_s, to_s).unwrap_or(f64::NAN);
            let (before_v, now_v) = (volts(now_s - 0.1, now_s - 0.05), volts(now_s - 0.05, now_s));
            let rest_v = (now_v - before_v).abs();
            if now_v > charged_v && rest_v < 0.004 * now_v {
                return Ok(((), Ok(())));
            }
            if now_s - begin_s > settle.get() {
                let amps = session.amps(0.1);
                let why = format!("the unit draws {amps:.2} A through the first-power means and holds {now_v:.2} V");
                return Ok(((), Err(why)));
            }
        }
    })?;
    if complete.is_err() {
        session.set(Setting::SAFE)?;
        session.read(1.0, Pace::Normal)?;
    }
    Ok(complete)
}
