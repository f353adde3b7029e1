//! `galebench drift` and `galebench control`: what changed of a unit, and whether the bench did.

use std::path::PathBuf;

use clap::Args;

use crate::cli::exit::{ExitStatus, Failure};
use crate::cli::output::{print, say};
use crate::ops::{drift, write_whole};
use crate::report;

/// Compare the newest run of a unit with an earlier one: what changed, by how much, and whether that can be told
#[derive(Debug, Args)]
pub(crate) struct DriftArgs {
    /// Tag of the unit, for example TQ-0001
    unit: String,
    /// The earlier run [default: the oldest of the same plan]
    #[arg(long, value_name = "RUN")]
    since: Option<String>,
    /// A check unit, which is kept for nothing else: what it moved by meanwhile is the bench's
    #[arg(long, value_name = "TAG")]
    check: Option<String>,
    /// Folder with records and store
    #[arg(long, value_name = "DIR", default_value = "reports")]
    out: PathBuf,
}

impl DriftArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        let found = drift::drift(&self.out, &self.unit, self.since.as_deref(), self.check.as_deref())?;
        print(&report::drift::text(&found)).map(|()| ExitStatus::Done)
    }
}

/// Chart every run of a check unit on a bench, so that a bench that moves is not taken for units that do
#[derive(Debug, Args)]
pub(crate) struct ControlArgs {
    /// Tag of the check unit
    unit: String,
    /// Name of the rig [default: that of its newest run]
    #[arg(long, value_name = "NAME")]
    rig: Option<String>,
    /// Write the charts as a drawing to this file
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    /// Folder with records and store
    #[arg(long, value_name = "DIR", default_value = "reports")]
    out: PathBuf,
}

impl ControlArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        let found = drift::control(&self.out, &self.unit, self.rig.as_deref())?;
        if let Some(path) = &self.svg {
            write_whole(path, report::drift::control_svg(&found).as_bytes())?;
            say(&format!("drawing: {}", path.display()));
        }
        print(&report::drift::control_text(&found)).map(|()| ExitStatus::Done)
    }
}
