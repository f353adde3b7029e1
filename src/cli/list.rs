//! `galebench list`: what has been tested.

use std::path::PathBuf;

use clap::Args;
use serde::Serialize;

use crate::cli::exit::{ExitStatus, Failure};
use crate::cli::output::{print, put_json};
use crate::cli::run::grade_parser;
use crate::cli::table;
use crate::ops::archive;
use crate::results::Grade;
use crate::store::{Filter, Page, RunRow};

/// List what has been tested, newest first; runs of the virtual bench apart
#[derive(Debug, Args)]
pub(crate) struct ListArgs {
    /// Only runs of this batch
    #[arg(long, value_name = "NAME")]
    batch: Option<String>,
    /// Only runs with this grade
    #[arg(long, value_name = "GRADE", value_parser = grade_parser())]
    grade: Option<Grade>,
    /// Rows at most, of each kind of bench
    #[arg(long, value_name = "N", default_value_t = 50)]
    rows: u32,
    /// Rows passed over
    #[arg(long, value_name = "N", default_value_t = 0)]
    skip: u32,
    /// Folder with records and store
    #[arg(long, value_name = "DIR", default_value = "reports")]
    out: PathBuf,
    /// Write the list as JSON to this file, or to standard output for `-`
    #[arg(long, value_name = "PATH", num_args = 0..=1, default_missing_value = "-")]
    json: Option<PathBuf>,
}

/// A run in JSON.
#[derive(Debug, Serialize)]
pub(crate) struct ListedRun<'a> {
    #[serde(rename = "virtual")]
    is_virtual: bool,
    #[serde(flatten)]
    row: &'a RunRow,
}

impl ListArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        let filter = Filter { batch: self.batch.clone(), grade: self.grade, ..Filter::default() };
        let page = Page { skip: self.skip, rows: self.rows };
        let real = archive::list(&self.out, false, &filter, page)?;
        let played = archive::list(&self.out, true, &filter, page)?;
        match &self.json {
            Some(path) => put_json(&json(&real.rows, &played.rows)?, path)?,
            None => print(&table::both(&real.rows, real.total, &played.rows, played.total))?,
        }
        Ok(ExitStatus::Done)
    }
}

/// Real runs, then virtual ones, as one JSON array.
pub(crate) fn json(real: &[RunRow], played: &[RunRow]) -> Result<String, Failure> {
    let listed = |is_virtual| move |row| ListedRun { is_virtual, row };
    let rows: Vec<ListedRun<'_>> = real.iter().map(listed(false)).chain(played.iter().map(listed(true))).collect();
    serde_json::to_string_pretty(&rows).map_err(Failure::failed)
}
