//! Line voltage released and held: what kind of input it is, and which state keeps the fan off.

use crate::bench::{Line, Pace, Setting};
use crate::record::event::SpanKind;
use crate::runner::session::{Session, Work};
use crate::runner::stages::supply_open::learn_line;
use crate::units::Seconds;

pub(crate) fn run(session: &mut Session<'_>, each: Seconds) -> Work {
    session.power_on()?;
    for line in [Line::Open, Line::High, Line::Low] {
        session.stretch(SpanKind::LineRead { line }, |session| {
            session.set(Setting { line, ..session.off_setting() })?;
            session.read(each.get().max(0.5), Pace::Normal)?;
            Ok(())
        })?;
        // A start may be delayed or soft: what already grows will run.
        let runs = session.driven(0.1);
        learn_line(session, line, runs);
    }
    session.off()?;
    session.wait_undriven(3.0)?;
    Ok(Ok(()))
}
