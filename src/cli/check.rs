//! `galebench check`: validates rig and plan files without touching a device.

use std::path::PathBuf;

use clap::Args;

use crate::cli::exit::{ExitStatus, Failure};
use crate::cli::output::print;
use crate::ops;

/// Check rig and plan files without touching a device, and print the timeline of each plan on each rig
///
/// Shows worst-case bench time and peak energy per stage, which stages the rig must skip, the limits in force and
/// what to know before the run. All problems of all files are told at once.
#[derive(Debug, Args)]
pub(crate) struct CheckArgs {
    /// Rig and plan files in any order
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
}

impl CheckArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        print(&ops::check::check(&self.files)?)?;
        Ok(ExitStatus::Done)
    }
}
