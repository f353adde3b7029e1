//! `galebench retag` and `galebench grade`: what a person says of a run afterwards. Records stay as they are.

use std::path::PathBuf;

use clap::Args;

use crate::cli::exit::{ExitStatus, Failure};
use crate::cli::output::print;
use crate::cli::run::grade_parser;
use crate::ops::intake::{Desk, find_run};
use crate::results::Grade;
use crate::store::RunRow;

/// Correct the tag of a run that was taken under the wrong one
///
/// The record stays as it is; lists, reports of the batch and labels take the right tag, and say so.
#[derive(Debug, Args)]
pub(crate) struct RetagArgs {
    /// Name of the run, or a unit's tag for its latest run
    run: String,
    /// Tag of the unit that was on the bench
    to: String,
    /// Your name, kept beside what you say
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// Folder with records and store
    #[arg(long, value_name = "DIR", default_value = "reports")]
    out: PathBuf,
}

/// Put your own grade beside the measured one, with your name and reason
///
/// The measured grade stays and is shown beside yours everywhere.
#[derive(Debug, Args)]
pub(crate) struct GradeArgs {
    /// Name of the run, or a unit's tag for its latest run
    run: String,
    /// Your grade
    #[arg(value_parser = grade_parser(), required_unless_present = "withdraw")]
    grade: Option<Grade>,
    /// Your name
    #[arg(long, value_name = "NAME")]
    by: String,
    /// Your reason
    #[arg(long, value_name = "TEXT", required_unless_present = "withdraw", default_value = "")]
    why: String,
    /// Take a person's grade back, so that the measured one stands alone
    #[arg(long, conflicts_with = "grade")]
    withdraw: bool,
    /// Folder with records and store
    #[arg(long, value_name = "DIR", default_value = "reports")]
    out: PathBuf,
}

fn desk(out: &std::path::Path, run: &RunRow, by: Option<&str>) -> Desk {
    Desk { out: out.to_owned(), batch: run.batch.clone(), by: by.map(str::to_owned) }
}

impl RetagArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        let run = find_run(&self.out, &self.run)?;
        desk(&self.out, &run, self.by.as_deref()).retag(&run, &self.to)?;
        let was = run.unit.as_deref().unwrap_or("-");
        print(&format!("run {}: was {was}, is {}", run.run, self.to))?;
        Ok(ExitStatus::Done)
    }
}

impl GradeArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        let run = find_run(&self.out, &self.run)?;
        let given = self.grade.filter(|_| !self.withdraw).map(|grade| (grade, self.why.as_str()));
        desk(&self.out, &run, Some(&self.by)).grade(&run, given)?;
        let measured = run.grade.map_or("no verdict", Grade::word);
        print(&match given {
            Some((grade, _)) => format!("run {}: {} by {} (measured: {measured})", run.run, grade.word(), self.by),
            None => format!("run {}: {measured}, as measured", run.run),
        })?;
        Ok(ExitStatus::Done)
    }
}
