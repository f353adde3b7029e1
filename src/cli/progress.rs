//! Progress of a run on standard error: a moving line on a terminal, one plain line per stage elsewhere.
//!
//! Times are those of the bench's own clock; on a virtual bench they pass faster than the wall clock.

use std::io::IsTerminal;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::cli::output::say;
use crate::config::duration;
use crate::record::preflight::{self, Check, Finding};
use crate::runner::{Observer, Quiet};

/// The observer that suits the terminal and the person's wish for quiet.
pub(crate) fn observer(quiet: bool) -> Box<dyn Observer> {
    if quiet {
        Box::new(Quiet)
    } else if std::io::stderr().is_terminal() {
        Box::new(Moving::new())
    } else {
        Box::new(Lines { elapsed_s: 0.0 })
    }
}

struct Moving {
    bar: ProgressBar,
    stage: String,
}

impl Moving {
    fn new() -> Self {
        let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::stderr());
        if let Ok(style) = ProgressStyle::with_template("{bar:20} {percent:>3} %  {msg}") {
            bar.set_style(style);
        }
        Self { bar, stage: String::new() }
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
