//! What waits to be sent to the shop: written together with this bench's own index, so that neither a dead server nor
//! a power cut loses anything, and taken out only once its arrival is confirmed.

use serde::{Deserialize, Serialize};

use super::error::StoreError;
use super::index::Index;
use super::sql::SqlError;
use crate::intake::journal::Line;
use crate::results::Document;

/// A run as sent.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct SentRun {
    /// Folder as kept.
    pub(super) dir: String,
    /// How it ended, as a word.
    pub(super) state: String,
    /// Its results.
    pub(super) document: Document,
}

/// The journal of a batch on this bench as sent.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct SentJournal {
    /// The batch.
    pub(super) batch: String,
    /// All its lines.
    pub(super) lines: Vec<Line>,
}

/// A record to be sent: its files are read when they go.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct SentRecord {
    /// Folder as kept.
    pub(super) dir: String,
}

/// Kinds of things that wait.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// A [`SentRun`] for the index.
    Run,
    /// A [`SentJournal`] for the index.
    Journal,
    /// A [`SentRecord`] for the place of the records.
    Record,
}

impl Kind {
    const fn word(self) -> &'static str {
        match self {
            Self::Run => "run",
            Self::Journal => "journal",
            Self::Record => "record",
        }
    }
}

/// Something that waits.
#[derive(Debug)]
pub(super) struct Waiting {
    pub(super) id: i64,
    pub(super) payload: String,
}

impl Index {
    /// Lets something wait; what waited under the same name gives way to it.
    pub(super) fn post(&self, kind: Kind, name: &str, payload: &impl Serialize) -> Result<(), StoreError> {
        let failed = |why: String| StoreError::Sql { path: self.place.clone(), why };
        let payload = serde_json::to_string(payload).map_err(|e| failed(e.to_string()))?;
        let post = "INSERT INTO outbox (kind, name, payload) VALUES (?1, ?2, ?3)
                    ON CONFLICT (kind, name) DO UPDATE SET payload = excluded.payload";
        let values = [kind.word().into(), name.into(), payload.into()];
        self.database.execute(post, &values).map_err(|e| self.failed("write", e))?;
        Ok(())
    }

    /// The next few of a kind after the one numbered `after`, oldest first.
    pub(super) fn waiting(&self, kind: Kind, after: i64, count: u32) -> Result<Vec<Waiting>, StoreError> {
        let read = || -> Result<Vec<Waiting>, SqlError> {
            let select = "SELECT id, payload FROM outbox WHERE kind = ?1 AND id > ?2 ORDER BY id LIMIT ?3";
            let rows = self.database.query(select, &[kind.word().into(), after.into(), count.into()])?;
            let entry = |mut row: super::sql::Row| Ok(Waiting { id: row.take()?, payload: row.take()? });
            rows.into_iter().map(entry).collect()
        };
        read().map_err(|e| self.failed("read", e))
    }

    /// Takes one out that has arrived; one that was posted anew meanwhile stays.
    pub(super) fn arrived(&self, sent: &Waiting) -> Result<(), StoreError> {
        let delete = "DELETE FROM outbox WHERE id = ?1 AND payload = ?2";
        let values = [sent.id.into(), sent.payload.as_str().into()];
        self.database.execute(delete, &values).map_err(|e| self.failed("write", e))?;
        Ok(())
    }

    /// How many of a kind wait.
    pub(super) fn count_waiting(&self, kind: Kind) -> Result<u64, StoreError> {
        let count = "SELECT count(*) FROM outbox WHERE kind = ?1";
        self.count(count, &[kind.word().into()]).map_err(|e| self.failed("read", e))
    }
}
