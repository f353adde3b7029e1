//! `galebench wiring`: how to wire the bench of a rig file.

use std::path::PathBuf;

use clap::Args;

use crate::cli::exit::{ExitStatus, Failure};
use crate::cli::output::print;
use crate::ops::{wiring, write_whole};
use crate::report;

/// Print pins and parts of a rig, and draw its wiring
///
/// Made from the same data that the drivers use: what is on the sheet is what they open.
#[derive(Debug, Args)]
pub(crate) struct WiringArgs {
    /// Rig file
    rig: PathBuf,
    /// Write the drawing to this file
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
}

impl WiringArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        let sheet = wiring::sheet(&self.rig)?;
        print(&report::wiring::text(&sheet))?;
        if let Some(path) = &self.svg {
            write_whole(path, report::wiring::svg(&sheet).as_bytes())?;
        }
        Ok(ExitStatus::Done)
    }
}
