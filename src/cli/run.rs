//! `galebench run`: runs a plan on a unit.

use std::path::PathBuf;

use clap::Args;
use clap::builder::{PossibleValuesParser, TypedValueParser};

use crate::cli::exit::{ExitStatus, Failure};
use crate::cli::output::{print, put_json, say};
use crate::cli::progress;
use crate::ops::run::{RunDone, RunOptions, Task, run};
use crate::report;
use crate::results::Grade;
use crate::runner::{Attendant, StopHandle};
use crate::units::{self, Quantity};

/// Run a plan on a unit and leave a record and a report
///
/// Ctrl-C once stops the bench safely and finishes the record, twice makes it safe at once.
#[derive(Debug, Args)]
pub(crate) struct RunArgs {
    /// Plan file: what to do to the unit
    #[arg(long, value_name = "FILE")]
    plan: PathBuf,
    /// Tag of the unit on the bench, for example TQ-0001
    #[arg(long, value_name = "TAG")]
    unit: String,
    /// End with status 1 when the grade is less than this
    #[arg(long, value_name = "GRADE", value_parser = grade_parser())]
    require: Option<Grade>,
    /// Nobody is at the bench: what asks for a hand is skipped. So it is without a terminal
    #[arg(long)]
    unattended: bool,
    #[command(flatten)]
    bench: BenchArgs,
}

/// What every command that moves a bench takes.
#[derive(Debug, Args)]
pub(crate) struct BenchArgs {
    /// Rig file: the bench
    #[arg(long, value_name = "FILE")]
    rig: PathBuf,
    /// Units that were bought together, for example may-shelf-3 [default: unsorted]
    #[arg(long, value_name = "NAME")]
    batch: Option<String>,
    /// Folder for records, reports and the store
    #[arg(long, value_name = "DIR", default_value = "reports")]
    out: PathBuf,
    /// Seed of the virtual bench, in place of the rig file's
    #[arg(long, value_name = "NUMBER")]
    seed: Option<u64>,
    /// Readings of the unit taken by hand before power (`galebench preflight --blank` prints a form)
    #[arg(long, value_name = "FILE")]
    form: Option<PathBuf>,
    /// Show no progress
    #[arg(long, short)]
    quiet: bool,
    /// Write the results document to this file, or to standard output and nothing else there for `-`
    #[arg(long, value_name = "PATH", num_args = 0..=1, default_missing_value = "-")]
    json: Option<PathBuf>,
}

/// Accepts the words of the grades.
pub(crate) fn grade_parser() -> impl TypedValueParser<Value = Grade> {
    const GRADES: [Grade; 4] = [Grade::Scrap, Grade::Undecided, Grade::Restricted, Grade::Fit];
    PossibleValuesParser::new(GRADES.map(Grade::word))
        .map(|word| GRADES.into_iter().find(|grade| grade.word() == word).unwrap_or(Grade::Fit))
}

impl RunArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        let attendant = progress::attendant(self.unattended);
        self.bench.go(&self.unit, Task::Plan(self.plan.clone()), self.require, attendant)
    }
}

impl BenchArgs {
    /// Whether no progress is to be shown.
    pub(crate) const fn is_quiet(&self) -> bool {
        self.quiet
    }

    /// `task` on `unit` as the arguments say.
    pub(crate) fn options(&self, unit: &str, task: Task) -> RunOptions {
        RunOptions {
            rig: self.rig.clone(),
            task,
            unit: unit.to_owned(),
            batch: self.batch.clone(),
            out: self.out.clone(),
            seed: self.seed,
            form: self.form.clone(),
        }
    }

    /// Runs `task` on `unit`, shows what came of it, and says how it ended.
    pub(crate) fn go(
        &self,
        unit: &str,
        task: Task,
        require: Option<Grade>,
        attendant: Option<Attendant>,
    ) -> Result<ExitStatus, Failure> {
        let options = self.options(unit, task);
        let mut observer = progress::observer(self.quiet, attendant.clone());
        let done = run(&options, observer.as_mut(), attendant.map_or_else(StopHandle::new, StopHandle::attended));
        drop(observer);
        let done = done?;
        warn(&done);
        match &self.json {
            Some(path) => put_json(&report::json(&done.document), path)?,
            None => print(&report::text(&done.document))?,
        }
        say(&format!("record and report: {}", done.dir.display()));
        Ok(ExitStatus::of_run(&done.document, done.safe_confirmed, require))
    }
}

/// Reads a quantity argument.
pub(crate) fn quantity<Q: Quantity>(text: &str) -> Result<Q, String> {
    units::parse(text).map_err(|error| error.to_string())
}

/// What must not be overlooked.
pub(crate) fn warn(done: &RunDone) {
    if let Some(stopped) = &done.document.stopped {
        say(&format!("STOPPED: {}", stopped.cause));
    }
    if !done.safe_confirmed {
        say("DANGER: safe state NOT confirmed. Press the emergency stop, keep hands off the fan and the module.");
    }
}
