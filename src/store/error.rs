//! What can go wrong with the index, and what to do about it.

use std::path::{Path, PathBuf};

use super::sql::{SqlError, SqlKind};
use crate::record::error::RecordError;

/// A failure of the index. The records are untouched by all of them.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum StoreError {
    /// The file or its folder cannot be created, opened or written.
    #[error("cannot {doing} the index {}: {why}", path.display())]
    Io {
        /// What was tried, as a verb.
        doing: &'static str,
        /// The database file.
        path: PathBuf,
        /// The system's reason.
        why: String,
    },
    /// Somebody else keeps it locked.
    #[error("the index {} is in use by another program; end that one, or wait, and try again", path.display())]
    Locked {
        /// The database file.
        path: PathBuf,
    },
    /// The file is damaged, or no database at all.
    #[error(
        "the index {} is damaged ({why}); move the file away and rebuild the index: all runs are in their own folders",
        path.display()
    )]
    Damaged {
        /// The database file.
        path: PathBuf,
        /// What was found.
        why: String,
    },
    /// A database of another program.
    #[error("{} is a database of another program; name another file", path.display())]
    Foreign {
        /// The database file.
        path: PathBuf,
    },
    /// Written by a newer program.
    #[error(
        "the index {} has version {version}, this program knows up to {known}; use a newer galebench, or move the file \
         away and rebuild the index",
        path.display()
    )]
    Newer {
        /// The database file.
        path: PathBuf,
        /// Version found.
        version: i64,
        /// Largest version known.
        known: i64,
    },
    /// A virtual run for the index of real ones, or the other way round.
    #[error("run {run} does not belong into the index {}: virtual and real runs are kept apart", path.display())]
    WrongKind {
        /// The database file.
        path: PathBuf,
        /// The run.
        run: String,
    },
    /// Something that the index cannot hold, or SQL went wrong otherwise.
    #[error("the index {}: {why}", path.display())]
    Sql {
        /// The database file.
        path: PathBuf,
        /// The reason given.
        why: String,
    },
    /// The server cannot be reached.
    #[error("the server of the index {} cannot be reached ({why}); runs wait here until it can", path.display())]
    Away {
        /// Server and database.
        path: PathBuf,
        /// The reason given.
        why: String,
    },
    /// The place where the shop keeps records cannot be reached.
    #[error("the records at {} cannot be reached ({why}); what is to be sent waits here until they can", path.display())]
    RecordsAway {
        /// Folder, or address without keys.
        path: PathBuf,
        /// The reason given.
        why: String,
    },
    /// The place where the shop keeps records answers, but not as it must.
    #[error("the records at {}: {why}", path.display())]
    Records {
        /// Folder, or address without keys.
        path: PathBuf,
        /// What is wrong, and what to do.
        why: String,
    },
    /// A record that may not be sent.
    #[error("the record {} is not sent: {why}", path.display())]
    NotSent {
        /// Folder of the run.
        path: PathBuf,
        /// Why not.
        why: String,
    },
    /// A record that came from the shop and is not what was sealed.
    #[error("the record {record} at {} is not used: {why}", path.display())]
    AlteredThere {
        /// Folder, or address without keys.
        path: PathBuf,
        /// The record.
        record: String,
        /// What is not as it was.
        why: String,
    },
    /// What is said of index and records cannot be used.
    #[error("{}: {why}", path.display())]
    Settings {
        /// The file, or the address in it.
        path: PathBuf,
        /// What is wrong, and what to do.
        why: String,
    },
    /// The folders could not be gone through.
    #[error(transparent)]
    Record(#[from] RecordError),
}

impl StoreError {
    /// Whether nothing answers there: worth trying again later.
    #[must_use]
    pub const fn is_away(&self) -> bool {
        matches!(self, Self::Away { .. } | Self::RecordsAway { .. })
    }

    /// The error for a failed statement, told apart by what the person at the bench can do about it. `place` is a file, or
    /// server and database.
    pub(super) fn sql(doing: &'static str, place: &Path, error: SqlError) -> Self {
        let (path, why) = (place.to_owned(), error.why);
        match error.kind {
            SqlKind::Locked => Self::Locked { path },
            SqlKind::Damaged => Self::Damaged { path, why },
            SqlKind::Io => Self::Io { doing, path, why },
            SqlKind::Away => Self::Away { path, why },
            SqlKind::Other => Self::Sql { path, why },
        }
    }
}
