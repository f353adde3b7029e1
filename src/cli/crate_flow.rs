//! `galebench crate`: the units of a crate one after another.

use std::io::{BufRead as _, IsTerminal as _};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::time::{Duration, Instant};

use clap::Args;
use serde::Serialize;

use crate::cli::attended::{Attended, Wish};
use crate::cli::exit::{ExitStatus, Failure};
use crate::cli::output::{print, put_json, say};
use crate::cli::{big, progress};
use crate::config::duration;
use crate::ops::flow::{After, Flow, FlowOptions, UnitDone};
use crate::ops::intake::Desk;
use crate::results::Grade;
use crate::runner::{Attendant, StopHandle};

/// Run the units of a crate one after another: scan a tag, connect, run, verdict, next
///
/// Tags are read from standard input; a USB scanner that types like a keyboard will do. Words understood beside tags are
/// told by `help`. Ctrl-C in a run stops the bench safely; the unit keeps its place. A unit that the supervisor stopped
/// for its own fault is a finding and the crate goes on; a bench that fails ends the crate.
#[derive(Debug, Args)]
pub(crate) struct CrateArgs {
    /// Plan file: what to do to each unit
    #[arg(long, value_name = "FILE")]
    plan: PathBuf,
    /// Rig file: the bench
    #[arg(long, value_name = "FILE")]
    rig: PathBuf,
    /// Units that were bought together, for example may-shelf-3
    #[arg(long, value_name = "NAME")]
    batch: String,
    /// Your name, kept beside what you say
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// Ask nothing: run all registered units that have no verdict yet. For the virtual bench, or a bench that changes
    /// units by itself
    #[arg(long)]
    unattended: bool,
    /// Units at a time, unattended on the virtual bench only [default: one for each processor]
    #[arg(long, value_name = "N")]
    jobs: Option<usize>,
    /// Leave out the contact check before each unit
    #[arg(long)]
    no_contact_check: bool,
    /// No sound
    #[arg(long)]
    silent: bool,
    /// Folder for records, reports and the store
    #[arg(long, value_name = "DIR", default_value = "reports")]
    out: PathBuf,
    /// Seed of the first unit of the virtual bench, in place of the rig file's; the next unit has the next one
    #[arg(long, value_name = "NUMBER")]
    seed: Option<u64>,
    /// Show no progress
    #[arg(long, short)]
    quiet: bool,
    /// Write what became of each unit as JSON to this file, or to standard output for `-`
    #[arg(long, value_name = "PATH", num_args = 0..=1, default_missing_value = "-")]
    json: Option<PathBuf>,
}

/// What became of a unit, in JSON.
#[derive(Debug, Serialize)]
struct Outcome {
    unit: String,
    run: Option<String>,
    grade: Option<Grade>,
    stopped: Option<String>,
    contact: Vec<String>,
    seconds: f64,
    dir: Option<PathBuf>,
}

impl From<&UnitDone> for Outcome {
    fn from(done: &UnitDone) -> Self {
        let document = done.run.as_ref().map(|run| &run.document);
        Self {
            unit: done.tag.clone(),
            run: document.and_then(|document| document.run.clone()),
            grade: done.grade(),
            stopped: document.and_then(|document| document.stopped.as_ref()).map(|stopped| stopped.cause.clone()),
            contact: done.contact.clone(),
            seconds: (done.wall_s * 1000.0).round() / 1000.0,
            dir: done.run.as_ref().map(|run| run.dir.clone()),
        }
    }
}

impl CrateArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        let desk = Desk { out: self.out.clone(), batch: self.batch.clone(), by: self.by.clone() };
        let mut flow = Flow::open(FlowOptions {
            rig: self.rig.clone(),
            plan: self.plan.clone(),
            desk,
            seed: self.seed,
            contact: !self.no_contact_check,
        })?;
        let mut outcomes = Vec::new();
        let after = if self.unattended {
            self.unattended(&mut flow, &mut outcomes)?
        } else {
            self.attended(&mut flow, &mut outcomes)?
        };
        match &self.json {
            Some(path) => put_json(&serde_json::to_string_pretty(&outcomes).map_err(Failure::failed)?, path)?,
            None => print(&summary(&outcomes, flow.left().len()))?,
        }
        Ok(match after {
            After::Next => ExitStatus::Done,
            After::Aborted => ExitStatus::Stopped,
            After::Broken => ExitStatus::Failed,
        })
    }

    fn unattended(&self, flow: &mut Flow, outcomes: &mut Vec<Outcome>) -> Result<After, Failure> {
        if flow.left().is_empty() {
            say("no registered unit of this batch is without a verdict; `galebench intake` registers units");
        }
        let jobs = self.jobs.unwrap_or_else(|| std::thread::available_parallelism().map_or(1, usize::from));
        let after = flow.unattended(jobs, &halt_on_interrupt(), |done, rest_s| {
            if !self.quiet {
                let rest = rest_s.map_or(String::new(), |s| format!(", about {} to go", duration(s)));
                say(&format!("{}: {}{rest}", done.tag, line(done)));
            }
            danger(done);
            outcomes.push(done.into());
        })?;
        Ok(after)
    }

    fn attended(&self, flow: &mut Flow, outcomes: &mut Vec<Outcome>) -> Result<After, Failure> {
        let person = progress::person(false);
        let input = listen(person.clone());
        let mut attended = Attended::new(self.by.clone());
        say(&attended.greeting(flow));
        let mut asked = Question::now(std::io::stdin().is_terminal());
        let mut kept = None;
        while let Some(Heard::Line(line, at)) = kept.take().or_else(|| input.recv().ok()) {
            if !asked.is_answered_by(at) {
                say(&format!("`{line}` was typed before that was asked and is not taken"));
                continue;
            }
            match attended.hear(flow, &line)? {
                Wish::Say(text) => {
                    say(&text);
                    asked = asked.anew();
                }
                Wish::Quit => break,
                Wish::Run { tag, contact } => {
                    let mut observer = progress::observer(self.quiet, person.clone());
                    let stop = person.clone().map_or_else(StopHandle::new, StopHandle::attended);
                    let done = flow.run(&tag, contact, observer.as_mut(), &stop)?;
                    drop(observer);
                    // Ctrl-C in the run was for the run.
                    kept = input.try_iter().find(|heard| !matches!(heard, Heard::Interrupt));
                    self.verdict(&done);
                    outcomes.push((&done).into());
                    let broken = done.after() == After::Broken;
                    say(&attended.after(flow, done));
                    asked = asked.anew();
                    if broken {
                        return Ok(After::Broken);
                    }
                }
            }
        }
        Ok(After::Next)
    }

    /// The verdict as a big word and a sound: one bell for fit, more for worse.
    fn verdict(&self, done: &UnitDone) {
        let (word, bells) = match (done.grade(), &done.run) {
            _ if !done.contact.is_empty() => ("check clips", 3),
            (Some(grade), _) => (grade.word(), 4 - grade as usize),
            (None, Some(run)) if run.document.stopped.is_some() => ("stopped", 4),
            (None, _) => ("no verdict", 3),
        };
        say(&format!("\n{}\n\n{}: {}", big::word(word), done.tag, line(done)));
        danger(done);
        if !self.silent && std::io::stderr().is_terminal() {
            say(&"\u{7}".repeat(bells));
        }
    }
}

/// How a unit went in one line.
fn line(done: &UnitDone) -> String {
    let document = done.run.as_ref().map(|run| &run.document);
    let stopped = document.and_then(|document| document.stopped.as_ref()).map(|stopped| stopped.cause.as_str());
    let verdict = document.and_then(|document| document.verdict.as_ref());
    match (verdict, stopped) {
        _ if !done.contact.is_empty() => format!("not judged, {}", done.contact.join("; ")),
        (Some(verdict), _) => {
            let reason = verdict.reasons.first().map_or("", String::as_str);
            format!("{}, {reason}", verdict.grade.word())
        }
        (None, Some(stopped)) => format!("stopped, {stopped}; it keeps its place"),
        (None, None) => "no verdict; it keeps its place".to_owned(),
    }
}

fn danger(done: &UnitDone) {
    if done.run.as_ref().is_some_and(|run| !run.safe_confirmed) {
        say("DANGER: safe state NOT confirmed. Press the emergency stop, keep hands off the fan and the module.");
    }
}

/// Counts of what came out.
fn summary(outcomes: &[Outcome], left: usize) -> String {
    let count = |grade| outcomes.iter().filter(|outcome| outcome.grade == Some(grade)).count();
    let graded =
        [Grade::Fit, Grade::Restricted, Grade::Undecided, Grade::Scrap].map(|grade| (grade.word(), count(grade)));
    let without = outcomes.iter().filter(|outcome| outcome.grade.is_none()).count();
    let mut parts: Vec<String> = graded.iter().filter(|(_, n)| *n > 0).map(|(word, n)| format!("{n} {word}")).collect();
    if without > 0 {
        parts.push(format!("{without} not judged"));
    }
    if parts.is_empty() {
        parts.push("nothing was run".to_owned());
    }
    format!("{}; {left} registered units left", parts.join(", "))
}

/// Set by a Ctrl-C, also by one that falls between two runs.
fn halt_on_interrupt() -> Arc<AtomicBool> {
    let halt = Arc::new(AtomicBool::new(false));
    let set = Arc::clone(&halt);
    std::thread::spawn(move || {
        each_interrupt(|| {
            set.store(true, Ordering::SeqCst);
            true
        });
    });
    halt
}

/// Calls `heard` on each Ctrl-C as long as it says to go on.
fn each_interrupt(heard: impl Fn() -> bool) {
    let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_io().build() else { return };
    runtime.block_on(async { while tokio::signal::ctrl_c().await.is_ok() && heard() {} });
}

/// When the person was asked last.
#[derive(Clone, Copy)]
struct Question {
    at: Instant,
    /// Whether a person types, who must have read it; a list from a file is there beforehand.
    is_read: bool,
}

impl Question {
    /// Nobody reads and answers faster; a scanner that ends a tag with two line ends does.
    const REACTION: Duration = Duration::from_millis(300);

    fn now(is_read: bool) -> Self {
        Self { at: Instant::now(), is_read }
    }

    fn anew(self) -> Self {
        Self::now(self.is_read)
    }

    /// Whether a line that came at `at` can be meant as the answer.
    fn is_answered_by(self, at: Instant) -> bool {
        !self.is_read || at.saturating_duration_since(self.at) >= Self::REACTION
    }
}

/// What comes from the person.
enum Heard {
    Line(String, Instant),
    Interrupt,
    End,
}

/// Lines of standard input, and Ctrl-C: once a run has waited for signals, the system's own way of ending a program by
/// Ctrl-C is gone, so that it must be heard here between runs.
fn listen(person: Option<Attendant>) -> Receiver<Heard> {
    let (sender, receiver) = channel();
    let lines: Sender<Heard> = sender.clone();
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines() {
            let Ok(line) = line else { break };
            // What a stage of the run under way asked for is not for the crate.
            if person.as_ref().is_some_and(Attendant::enter) {
                continue;
            }
            if lines.send(Heard::Line(line, Instant::now())).is_err() {
                return;
            }
        }
        let _ = lines.send(Heard::End);
    });
    std::thread::spawn(move || each_interrupt(|| sender.send(Heard::Interrupt).is_ok()));
    receiver
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_person_typed_before_the_question_is_no_answer_to_it() {
        let asked = Question::now(true);
        let before = asked.at.checked_sub(Duration::from_secs(3)).unwrap();
        assert!(!asked.is_answered_by(before), "an Enter typed ahead starts nothing");
        assert!(!asked.is_answered_by(asked.at + Duration::from_millis(2)), "nor a scanner's second line end");
        assert!(asked.is_answered_by(asked.at + Duration::from_secs(1)));
        let list = Question { is_read: false, ..asked };
        assert!(list.is_answered_by(before), "a list from a file is there beforehand");
    }
}
