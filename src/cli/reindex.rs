//! `galebench reindex`: builds the store anew from the records.

use std::path::PathBuf;

use clap::Args;

use crate::cli::exit::{ExitStatus, Failure};
use crate::cli::output::{print, say};
use crate::ops::archive;

/// Build the store anew from the records
///
/// The store is an index; nothing exists only there. Records are not touched.
#[derive(Debug, Args)]
pub(crate) struct ReindexArgs {
    /// Folder with records and store
    #[arg(long, value_name = "DIR", default_value = "reports")]
    out: PathBuf,
}

impl ReindexArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        let [real, played] = archive::reindex(&self.out)?;
        let problems: Vec<_> =
            real.problems.iter().chain(played.problems.iter().filter(|p| !real.problems.contains(p))).collect();
        for (dir, why) in &problems {
            say(&format!("warning: {} is left out: {why}", dir.display()));
        }
        print(&format!(
            "{} runs and {} of the virtual bench, {} of them interrupted; {} folders left out",
            real.runs,
            played.runs,
            real.interrupted + played.interrupted,
            problems.len()
        ))?;
        Ok(ExitStatus::Done)
    }
}
