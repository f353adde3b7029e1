//! Supply on with the line released: does the unit stay quiet, run, or draw too much?

use crate::bench::{Line, Pace};
use crate::record::event::SpanKind;
use crate::runner::live;
use crate::runner::session::{Session, Work};
use crate::units::Seconds;

pub(crate) fn run(session: &mut Session<'_>, watch: Seconds) -> Work {
    session.power_on()?;
    session.stretch(SpanKind::OpenLine, |session| {
        session.read(0.2, Pace::Normal)?;
        let mut open = session.off_setting();
        open.line = Line::Open;
        session.set(open)?;
        let begin_s = session.now_s();
        while session.now_s() < begin_s + watch.get() {
            session.read(0.2, Pace::Normal)?;
            // Once it runs, the level that it settles at is the answer.
            if session.driven(0.2) && live::settled(session.rec(), begin_s, session.now_s(), !session.can.tach) {
                break;
            }
        }
        Ok(())
    })?;
    let runs = session.driven(0.3);
    learn_line(session, Line::Open, runs);
    Ok(Ok(()))
}

/// Keeps whether the fan ran with the line in this state.
pub(crate) fn learn_line(session: &mut Session<'_>, line: Line, runs: bool) {
    let known = &mut session.known;
    if runs {
        if known.quiet_line == Some(line) {
            known.quiet_line = None;
        }
        if !known.running_lines.contains(&line) {
            known.running_lines.push(line);
            session.sup.note(format!("the fan runs with the line {}", in_words(line)));
        }
    } else if known.quiet_line.is_none() && !known.running_lines.contains(&line) {
        known.quiet_line = Some(line);
    }
}

fn in_words(line: Line) -> &'static str {
    match line {
        Line::Pwm => "driven",
        Line::Open => "released",
        Line::Low => "held low",
        Line::High => "held high",
    }
}
