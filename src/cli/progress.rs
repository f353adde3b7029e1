//! Progress of a run on standard error: a moving line on a terminal, one plain line per stage elsewhere.
//!
//! Times are those of the bench's own clock; on a virtual bench they pass faster than the wall clock.

use std::io::{BufRead as _, IsTerminal as _};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::cli::output::say;
use crate::config::duration;
use crate::record::preflight::{self, Check, Finding};
use crate::runner::{Attendant, News, Observer, Quiet};

/// The observer that suits the terminal and the person's wish for quiet. What a stage has to say to the person at the bench
/// is shown whatever they wish.
pub(crate) fn observer(quiet: bool, attendant: Option<Attendant>) -> Box<dyn Observer> {
    match attendant {
        Some(attendant) if quiet => Box::new(Asking { attendant }),
        None if quiet => Box::new(Quiet),
        attendant if std::io::stderr().is_terminal() => Box::new(Moving::new(attendant)),
        _ => Box::new(Lines { elapsed_s: 0.0 }),
    }
}

/// The person at the terminal, whose Enter is listened for from now on; nobody where it is no terminal, or where nobody is
/// meant to be there.
pub(crate) fn attendant(unattended: bool) -> Option<Attendant> {
    let attendant = person(unattended)?;
    let heard = attendant.clone();
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines() {
            if line.is_err() {
                return;
            }
            heard.enter();
        }
    });
    Some(attendant)
}

/// The same for who listens by themselves.
pub(crate) fn person(unattended: bool) -> Option<Attendant> {
    let there = !unattended && std::io::stdin().is_terminal() && std::io::stderr().is_terminal();
    there.then(Attendant::new)
}

/// Quiet but for what the person at the bench is asked, and how that stands.
struct Asking {
    attendant: Attendant,
}

impl Observer for Asking {
    fn progress(&mut self, _elapsed_s: f64, _remaining_s: f64) {
        match self.attendant.news() {
            Some(News::Question(question)) => say(&asked(&question)),
            Some(News::Standing(standing)) => say(&standing),
            None => {}
        }
    }
}

/// A question, with a bell: the person looks at the bench.
fn asked(question: &str) -> String {
    format!("\u{7}>> {question}")
}

struct Moving {
    bar: ProgressBar,
    stage: String,
    attendant: Option<Attendant>,
}

impl Moving {
    fn new(attendant: Option<Attendant>) -> Self {
        let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::stderr());
        if let Ok(style) = ProgressStyle::with_template("{bar:20} {percent:>3} %  {msg}") {
            bar.set_style(style);
        }
        Self { bar, stage: String::new(), attendant }
    }

    /// Shows what a stage has to say to the person; whether that is what they are to look at now.
    fn attend(&self) -> bool {
        let Some(attendant) = &self.attendant else { return false };
        match attendant.news() {
            Some(News::Question(question)) => self.bar.println(asked(&question)),
            Some(News::Standing(standing)) => self.bar.set_message(standing),
            None => {}
        }
        attendant.is_asked()
    }
}

/// The preflight in as few lines as will do: what must be known or put right, then how many of each.
fn preflight_lines(checks: &[Check]) -> Vec<String> {
    let worth = checks.iter().filter(|check| matches!(check.finding, Finding::Fail | Finding::Note)).map(Check::line);
    worth.chain([preflight::summary(checks)]).collect()
}

impl Observer for Moving {
    fn preflight(&mut self, checks: &[Check]) {
        for line in preflight_lines(checks) {
            self.bar.println(line);
        }
    }

    fn stage(&mut self, index: usize, count: usize, name: &str) {
        self.stage = stage_words(index, count, name);
        self.bar.set_message(self.stage.clone());
    }

    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a bar of seconds; `as` saturates")]
    fn progress(&mut self, elapsed_s: f64, remaining_s: f64) {
        self.bar.set_length((elapsed_s + remaining_s) as u64);
        self.bar.set_position(elapsed_s as u64);
        if self.attend() {
            return;
        }
        let (elapsed, remaining) = (duration(elapsed_s), duration(remaining_s));
        self.bar.set_message(format!("{}, {elapsed} passed, about {remaining} to go", self.stage));
    }
}

impl Drop for Moving {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}

struct Lines {
    elapsed_s: f64,
}

impl Observer for Lines {
    fn preflight(&mut self, checks: &[Check]) {
        for line in preflight_lines(checks) {
            say(&line);
        }
    }

    fn stage(&mut self, index: usize, count: usize, name: &str) {
        say(&format!("{} from {}", stage_words(index, count, name), duration(self.elapsed_s)));
    }

    fn progress(&mut self, elapsed_s: f64, _remaining_s: f64) {
        self.elapsed_s = elapsed_s;
    }
}

fn stage_words(index: usize, count: usize, name: &str) -> String {
    format!("stage {} of {count}: {}", index + 1, name.replace('_', " "))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stages_are_counted_from_one_in_words() {
        assert_eq!(stage_words(0, 13, "first_power"), "stage 1 of 13: first power");
    }
}
