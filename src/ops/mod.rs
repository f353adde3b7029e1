//! One function per thing a user can ask for; command line and page both call these.
//!
//! Here the rooms are joined: files are opened, the clock is read for the run's name, documents are written. No
//! argument parsing and no terminal.

pub mod analyze;
pub mod archive;
pub mod backup;
pub mod batch;
pub mod before_power;
pub mod calibrate;
pub mod check;
pub mod conform;
pub mod contact;
pub mod document;
pub mod drift;
#[cfg(feature = "parquet")]
pub mod export;
pub mod flow;
pub mod gauge;
pub mod intake;
pub mod labels;
pub mod preflight;
pub mod provenance;
pub mod reanalyse;
pub mod run;
pub mod self_check;
pub mod shop;
pub mod verify;
mod wires;
pub mod wiring;

use std::path::{Path, PathBuf};

use crate::config::Problems;
use crate::driver::DriverError;
use crate::intake::error::IntakeError;
use crate::record::csv_import::TraceError;
use crate::record::error::RecordError;
use crate::store::StoreError;

/// Why something a user asked for was not done.
#[derive(Debug, thiserror::Error)]
pub enum OpsError {
    /// Rig or plan files are wrong; all problems are in the text.
    #[error("{0}")]
    Config(#[from] Problems),
    /// A trace cannot be read.
    #[error("{path}:{source}")]
    Trace {
        /// The trace file.
        path: PathBuf,
        /// What is wrong with it.
        source: TraceError,
    },
    /// An argument is wrong.
    #[error("{what}: {why}")]
    Argument {
        /// The argument.
        what: String,
        /// What is wrong, and what to do.
        why: String,
    },
    /// A file named by the user cannot be read.
    #[error("cannot read {path}: {source}")]
    Read {
        /// The file.
        path: PathBuf,
        /// The system's reason.
        source: std::io::Error,
    },
    /// A result file cannot be written.
    #[error("cannot write {path}: {source}")]
    Write {
        /// The file.
        path: PathBuf,
        /// The system's reason.
        source: std::io::Error,
    },
    /// The record cannot be written or read.
    #[error(transparent)]
    Record(#[from] RecordError),
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The journal of a batch failed.
    #[error(transparent)]
    Intake(#[from] IntakeError),
    /// The bench failed.
    #[error(transparent)]
    Driver(#[from] DriverError),
}

impl OpsError {
    /// Whether the user's own arguments or files are at fault (exit status 2) rather than rig, record or program (4).
    #[must_use]
    pub const fn is_usage(&self) -> bool {
        matches!(
            self,
            Self::Config(_)
                | Self::Trace { .. }
                | Self::Argument { .. }
                | Self::Read { .. }
                | Self::Store(StoreError::Settings { .. })
        )
    }
}

/// Writes `text` to `path` whole or not at all: a temporary file beside it, synced, renamed, folder synced.
///
/// # Errors
/// [`OpsError::Write`] with the path, whatever step failed.
pub fn write_whole(path: &Path, text: &[u8]) -> Result<(), OpsError> {
    write_for(path, text, false)
}

/// The same, for its owner's eyes alone: a text that may hold a password.
///
/// # Errors
/// [`OpsError::Write`] with the path, whatever step failed.
pub(crate) fn write_secret(path: &Path, text: &[u8]) -> Result<(), OpsError> {
    write_for(path, text, true)
}

fn write_for(path: &Path, text: &[u8], owner_alone: bool) -> Result<(), OpsError> {
    let attempt = || -> std::io::Result<()> {
        use std::io::Write as _;
        let mut temporary = path.as_os_str().to_owned();
        temporary.push(".part");
        let temporary = PathBuf::from(temporary);
        let mut file = std::fs::File::create(&temporary)?;
        #[cfg(unix)]
        if owner_alone {
            use std::os::unix::fs::PermissionsExt as _;
            file.set_permissions(std::fs::Permissions::from_mode(0o600))?;
        }
        #[cfg(not(unix))]
        let _ = owner_alone;
        file.write_all(text)?;
        file.sync_all()?;
        drop(file);
        std::fs::rename(&temporary, path)?;
        match path.parent().filter(|parent| !parent.as_os_str().is_empty()) {
            Some(parent) => std::fs::File::open(parent)?.sync_all(),
            None => Ok(()),
        }
    };
    attempt().map_err(|source| OpsError::Write { path: path.to_owned(), source })
}
