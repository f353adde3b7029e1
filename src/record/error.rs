//! What can go wrong with a record, with the path it went wrong at.

use std::io;
use std::path::{Path, PathBuf};

/// A failure to keep or to read a record.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum RecordError {
    /// The folder holds a record already; records are never overwritten.
    #[error("{} already holds a record; give the run another name", path.display())]
    Exists {
        /// The folder.
        path: PathBuf,
    },
    /// The disk is full, or too full to begin.
    #[error("no room for the record in {}: {why}", path.display())]
    Full {
        /// Folder or file.
        path: PathBuf,
        /// What was seen.
        why: String,
    },
    /// The operating system refused.
    #[error("cannot {doing} {}: {why}", path.display())]
    Io {
        /// What was tried, as a verb.
        doing: &'static str,
        /// Folder or file.
        path: PathBuf,
        /// The system's reason.
        why: String,
    },
    /// The disk takes nothing any more, without saying why.
    #[error("the record in {} was not written for {after_s} s; the disk hangs", path.display())]
    Stalled {
        /// The folder.
        path: PathBuf,
        /// How long nothing was written.
        after_s: u64,
    },
    /// Something that the record's format cannot hold, such as a time that is not a number.
    #[error("cannot keep in the record in {}: {why}", path.display())]
    Unkeepable {
        /// The folder.
        path: PathBuf,
        /// What and why.
        why: String,
    },
    /// There is no record at that place.
    #[error("{} is not a record: {why}", path.display())]
    NotARecord {
        /// The folder.
        path: PathBuf,
        /// What is missing.
        why: String,
    },
    /// Written by a newer program in a format that this one would misread.
    #[error("{} has record format {major}, this program reads up to {known}; use a newer galebench", path.display())]
    Newer {
        /// The folder.
        path: PathBuf,
        /// Major version found.
        major: u32,
        /// Largest major version known.
        known: u32,
    },
    /// A line of the events that is not the last cannot be read.
    #[error("{}:{line}: {why}", path.display())]
    BadLine {
        /// The file.
        path: PathBuf,
        /// Line, from 1.
        line: usize,
        /// What is wrong with it.
        why: String,
    },
    /// The samples are damaged before their end.
    #[error("{} is damaged at byte {offset}: {why}", path.display())]
    BadSamples {
        /// The file.
        path: PathBuf,
        /// Where the damaged part begins.
        offset: usize,
        /// What is wrong with it.
        why: String,
    },
}

impl RecordError {
    /// The error for a failed system call, a full disk told apart.
    pub(crate) fn io(doing: &'static str, path: &Path, error: &io::Error) -> Self {
        match error.kind() {
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
                Self::Full { path: path.to_owned(), why: error.to_string() }
            }
            _ => Self::Io { doing, path: path.to_owned(), why: error.to_string() },
        }
    }
}
