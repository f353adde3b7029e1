//! `galebench export`: results for other programs.

use std::path::PathBuf;

use clap::Args;

use crate::cli::exit::{ExitStatus, Failure};

/// Write the results of all runs as one Parquet file, which any query engine reads
///
/// One row for each result of each run, measured or absent; docs/shop.md has the columns.
#[derive(Debug, Args)]
pub(crate) struct ExportArgs {
    /// The file to write
    #[arg(long, value_name = "FILE")]
    parquet: PathBuf,
    /// Only runs of this batch
    #[arg(long, value_name = "NAME")]
    batch: Option<String>,
    /// Runs of the virtual bench, in place of real ones
    #[arg(long = "virtual")]
    is_virtual: bool,
    /// Folder with records and store
    #[arg(long, value_name = "DIR", default_value = "reports")]
    out: PathBuf,
}

impl ExportArgs {
    #[cfg(not(feature = "parquet"))]
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        let Self { parquet, .. } = self;
        let why = "this build cannot write Parquet; use one with the feature `parquet`";
        Err(Failure::bad_input(format!("{}: {why}", parquet.display())))
    }

    #[cfg(feature = "parquet")]
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        use crate::cli::output::print;
        use crate::ops::export;
        let done = export::parquet(&self.out, self.is_virtual, self.batch.as_deref(), &self.parquet)?;
        print(&format!("{} runs, {} rows: {}", done.runs, done.rows, self.parquet.display()))?;
        Ok(ExitStatus::Done)
    }
}
