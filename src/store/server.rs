//! The shop's server: a connection that comes and goes, and what arrives there.

use std::cell::RefCell;
use std::path::{Path, PathBuf};

use sha2::{Digest as _, Sha256};

use super::error::StoreError;
use super::index::{Index, RunState};
use super::outbox::{SentJournal, SentRun};
use super::patience::Patience;
use super::sql::SqlError;
use crate::intake::book::Book;
use crate::intake::journal::Line;
use crate::record::seal::hex;
use crate::results::Document;

/// Servers of this process that failed.
static FAILED: Patience = Patience::new();

/// What was wrong with a server when it was last spoken to by this process.
#[must_use]
pub fn trouble() -> Option<String> {
    FAILED.trouble()
}

/// The way to the server.
#[derive(Debug)]
pub(super) struct Server {
    url: String,
    /// Name of this bench.
    pub(super) bench: String,
    #[cfg_attr(not(feature = "postgres"), expect(dead_code, reason = "a build that speaks to no server"))]
    root: PathBuf,
    #[cfg_attr(not(feature = "postgres"), expect(dead_code, reason = "a build that speaks to no server"))]
    is_virtual: bool,
    link: RefCell<Option<Index>>,
}

impl Server {
    pub(super) const fn new(url: String, bench: String, root: PathBuf, is_virtual: bool) -> Self {
        Self { url, bench, root, is_virtual, link: RefCell::new(None) }
    }

    /// Does something with the server; connects first where there is no connection yet. A server that failed a moment ago
    /// is not asked.
    pub(super) fn ask<T>(&self, ask: impl FnOnce(&Index) -> Result<T, StoreError>) -> Result<T, StoreError> {
        FAILED.ask(&self.url, || {
            // Taken out: what is asked meanwhile goes another way, and a way that failed is not used again.
            let index = self.link.take().map_or_else(|| self.connect(), Ok)?;
            let answer = ask(&index)?;
            self.link.replace(Some(index));
            Ok(answer)
        })
    }

    /// Asks even a server that failed a moment ago.
    pub(super) fn try_again(&self) {
        FAILED.forget(&self.url);
    }

    #[cfg(feature = "postgres")]
    fn connect(&self) -> Result<Index, StoreError> {
        use super::postgres::{Postgres, place};
        use super::schema::migrate_server;
        // Runs of the virtual bench never meet real ones.
        let schema = if self.is_virtual { "galebench_virtual" } else { "galebench" };
        let place = place(&self.url).unwrap_or_default();
        let place = Path::new(&place);
        let database = Postgres::connect(&self.url, schema).map_err(|error| StoreError::sql("open", place, error))?;
        migrate_server(&database, place, schema)?;
        Ok(Index::of(Box::new(database), place.to_owned(), self.root.clone(), self.is_virtual))
    }

    #[cfg(not(feature = "postgres"))]
    fn connect(&self) -> Result<Index, StoreError> {
        let path = Path::new(&self.url).to_owned();
        Err(StoreError::Settings { path, why: "this build cannot speak to a server".to_owned() })
    }
}

impl Index {
    /// Takes in a run that a bench sent. Sent again, it changes nothing.
    pub(super) fn receive_run(&self, sent: &SentRun, bench: Option<&str>) -> Result<(), StoreError> {
        let state = RunState::from_word(&sent.state).unwrap_or(RunState::Interrupted);
        self.at_once(|| {
            self.put(&sent.document, &sent.dir, state, bench)?;
            self.keep_document(&sent.dir, &sent.document)?;
            // A correction may have come before the run that it is about.
            let batch = sent.document.batch.as_deref().unwrap_or(super::UNSORTED);
            let book = Book::of(&self.lines(batch, None)?);
            let run = sent.document.run.as_deref().unwrap_or_default();
            if book.retags.contains_key(run) || book.overrides.contains_key(run) {
                self.take_book(batch, &book)?;
            }
            Ok(())
        })
    }

    /// Takes in the journal that a bench keeps of a batch, and makes of all benches' journals what is known of it.
    pub(super) fn receive_journal(&self, sent: &SentJournal, bench: &str) -> Result<(), StoreError> {
        self.at_once(|| {
            let write = || -> Result<(), SqlError> {
                // Two benches may speak of one batch: one after the other, or either would miss what the other said.
                self.database.batch("LOCK TABLE journals IN SHARE ROW EXCLUSIVE MODE")?;
                let count = "SELECT count(*) FROM journals WHERE batch = ?1 AND bench = ?2";
                let known = self.count(count, &[sent.batch.as_str().into(), bench.into()])?;
                let insert = "INSERT INTO journals (batch, bench, number, line) VALUES (?1, ?2, ?3, ?4)
                              ON CONFLICT (batch, bench, number) DO NOTHING";
                for (number, line) in sent.lines.iter().enumerate().skip(usize::try_from(known).unwrap_or(0)) {
                    let text = serde_json::to_string(line).map_err(|e| SqlError::other(e.to_string()))?;
                    let number = i64::try_from(number).unwrap_or(i64::MAX);
                    let values = [sent.batch.as_str().into(), bench.into(), number.into(), text.into()];
                    self.database.execute(insert, &values)?;
                }
                Ok(())
            };
            write().map_err(|e| self.failed("write", e))?;
            self.take_book(&sent.batch, &Book::of(&self.lines(&sent.batch, None)?))
        })
    }

    /// Lines of all benches on a batch, `apart` from one, in the order of their times.
    pub(super) fn lines(&self, batch: &str, apart: Option<&str>) -> Result<Vec<Line>, StoreError> {
        let read = || -> Result<Vec<String>, SqlError> {
            let select = "SELECT line FROM journals WHERE batch = ?1 AND bench <> ?2 ORDER BY bench, number";
            let rows = self.database.query(select, &[batch.into(), apart.unwrap_or_default().into()])?;
            rows.into_iter().map(|mut row| row.take()).collect()
        };
        let texts = read().map_err(|e| self.failed("read", e))?;
        // A line of a newer program says nothing to this one.
        let mut lines: Vec<Line> = texts.iter().filter_map(|text| serde_json::from_str(text).ok()).collect();
        sort_lines(&mut lines);
        Ok(lines)
    }

    /// Keeps a results document beside those that earlier analyses made.
    fn keep_document(&self, dir: &str, document: &Document) -> Result<(), StoreError> {
        let text = serde_json::to_string(document)
            .map_err(|e| StoreError::Sql { path: self.place.clone(), why: e.to_string() })?;
        let sha256 = hex(&Sha256::digest(&text));
        let insert = "INSERT INTO documents (dir, analysis, sha256, taken_ms, document) VALUES (?1, ?2, ?3, ?4, ?5)
                      ON CONFLICT (dir, analysis, sha256) DO UPDATE SET taken_ms = excluded.taken_ms";
        let analysis = document.analysis.as_deref().unwrap_or("unknown");
        let now = jiff::Timestamp::now().as_millisecond();
        let values = [dir.into(), analysis.into(), sha256.into(), now.into(), text.into()];
        self.database.execute(insert, &values).map_err(|e| self.failed("write", e))?;
        Ok(())
    }

    /// The latest results document of a run that is kept here, as text.
    pub(super) fn kept_document(&self, dir: &str) -> Result<Option<String>, StoreError> {
        let select = "SELECT document FROM documents WHERE dir = ?1 ORDER BY taken_ms DESC LIMIT 1";
        let read = || self.database.first(select, &[dir.into()])?.map(|mut row| row.take()).transpose();
        read().map_err(|e| self.failed("read", e))
    }
}

/// Puts lines of several journals into one order: that of their times, else as they were.
pub(super) fn sort_lines(lines: &mut [Line]) {
    lines.sort_by_key(|line| super::index::milliseconds(&line.at));
}
