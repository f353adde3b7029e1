//! `galebench report`: writes the report of a run anew from its record.

use std::path::PathBuf;

use clap::Args;

use crate::cli::exit::{ExitStatus, Failure};
use crate::cli::output::print;
use crate::ops::analyze::analyze;
use crate::ops::{archive, document};
use crate::record::csv_import::TraceOptions;

/// Write results.json, curve.csv and report.html of a run anew from its record
///
/// The record itself is not touched; one that only the shop's records have is brought first. `galebench reindex` takes new grades into the store.
#[derive(Debug, Args)]
pub(crate) struct ReportArgs {
    /// Folder of the run
    #[arg(value_name = "RUN_DIR")]
    dir: PathBuf,
}

impl ReportArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        if !self.dir.is_dir() {
            let why = "is no folder of a run; `galebench show UNIT` names them";
            return Err(Failure::bad_input(format!("{} {why}", self.dir.display())));
        }
        archive::bring_record(&self.dir).map_err(Failure::failed)?;
        document::write(&self.dir, &analyze(&self.dir, &TraceOptions::default())?)?;
        print(&self.dir.join("report.html").display().to_string())?;
        Ok(ExitStatus::Done)
    }
}
