//! What can go wrong with the journal of a batch.

use std::path::{Path, PathBuf};

/// A failure of the journal.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum IntakeError {
    /// The operating system refused.
    #[error("cannot {doing} {}: {why}", path.display())]
    Io {
        /// What was tried, as a verb.
        doing: &'static str,
        /// The file.
        path: PathBuf,
        /// The system's reason.
        why: String,
    },
    /// A line before the last cannot be understood.
    #[error("{}:{line}: {why}; restore the file from a backup, or take this line out by hand", path.display())]
    BadLine {
        /// The journal.
        path: PathBuf,
        /// Number of the line, from 1.
        line: usize,
        /// What is wrong with it.
        why: String,
    },
}

impl IntakeError {
    /// The error for one of the system.
    pub(crate) fn io(doing: &'static str, path: &Path, error: &std::io::Error) -> Self {
        Self::Io { doing, path: path.to_owned(), why: error.to_string() }
    }
}
