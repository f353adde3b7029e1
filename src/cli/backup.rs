//! `galebench backup` and `galebench restore`: everything in one file, and back.

use std::path::PathBuf;

use clap::Args;

use crate::cli::exit::{ExitStatus, Failure};
use crate::cli::output::print;
use crate::ops::backup::{self, Moved};

/// Pack records, documents, journals, pictures and stores into one file
///
/// May run while units are being run. The file is a tar archive packed with LZ4; `galebench restore` checks every file of
/// it. Runs of a store on a server are in the records too, and `galebench reindex` finds them there.
#[derive(Debug, Args)]
pub(crate) struct BackupArgs {
    /// The new file, for example galebench-2026-05-12.tar.lz4
    #[arg(value_name = "FILE")]
    file: PathBuf,
    /// Folder with records and store
    #[arg(long, value_name = "DIR", default_value = "reports")]
    out: PathBuf,
}

/// Unpack a backup into a new or empty folder
///
/// Everything is checked before it is put in its place; nothing is ever overwritten.
#[derive(Debug, Args)]
pub(crate) struct RestoreArgs {
    /// The backup
    #[arg(value_name = "FILE")]
    file: PathBuf,
    /// Folder for records and store
    #[arg(long, value_name = "DIR", default_value = "reports")]
    out: PathBuf,
}

impl BackupArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        let moved = backup::backup(&self.out, &self.file)?;
        print(&format!("{} into {}", words(moved), self.file.display()))?;
        Ok(ExitStatus::Done)
    }
}

impl RestoreArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        let moved = backup::restore(&self.file, &self.out)?;
        print(&format!("{} into {}", words(moved), self.out.display()))?;
        Ok(ExitStatus::Done)
    }
}

#[expect(clippy::cast_precision_loss, reason = "megabytes for people")]
fn words(moved: Moved) -> String {
    format!("{} files, {:.1} MB,", moved.files, moved.bytes as f64 / 1e6)
}
