//! The book of a batch in the index: registered units, corrected tags, grades of people.

use rusqlite::params;
use serde::Serialize;

use super::error::StoreError;
use super::index::Store;
use crate::intake::book::Book;

/// A registered unit with where it stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct UnitRow {
    /// Its batch.
    pub batch: String,
    /// Its tag.
    pub tag: String,
    /// What it was pulled from.
    pub donor: Option<String>,
    /// What kind of module it is.
    pub kind: Option<String>,
    /// Where it lies.
    pub shelf: Option<String>,
    /// What was paid.
    pub price: Option<String>,
    /// What eyes found, words with commas between; empty when it was looked at and had nothing.
    pub findings: Option<String>,
    /// Anything else.
    pub note: Option<String>,
    /// Number of pictures.
    pub photos: u32,
    /// When it was registered, RFC 3339.
    pub registered: String,
}

impl Store {
    /// Takes the book of `batch` in: its units replace those known, its corrections and people's grades are put on the
    /// runs. All or nothing.
    ///
    /// # Errors
    /// When the index cannot be written.
    pub fn take_book(&self, batch: &str, book: &Book) -> Result<(), StoreError> {
        let write = || {
            // Inside a rebuild there is a transaction already; its end is this one's.
            let transaction =
                self.connection.is_autocommit().then(|| self.connection.unchecked_transaction()).transpose()?;
            self.write_units(batch, book)?;
            self.write_words_on_runs(batch, book)?;
            transaction.map_or(Ok(()), rusqlite::Transaction::commit)
        };
        write().map_err(|e| self.failed("write", &e))
    }

    fn write_units(&self, batch: &str, book: &Book) -> rusqlite::Result<()> {
        self.connection.prepare_cached("DELETE FROM units WHERE batch = ?1")?.execute([batch])?;
        let mut insert = self.connection.prepare_cached(
            "INSERT INTO units (batch, tag, donor, kind, shelf, price, findings, note, photos, registered)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
        )?;
        for (tag, card) in &book.units {
            let facts = &card.facts;
            insert.execute(params![
                batch,
                tag,
                facts.donor,
                facts.kind,
                facts.shelf,
                facts.price,
                facts.findings.as_ref().map(|findings| findings.join(", ")),
                facts.note,
                u32::try_from(card.photos.len()).unwrap_or(u32::MAX),
                card.registered,
            ])?;
        }
        Ok(())
    }

    fn write_words_on_runs(&self, batch: &str, book: &Book) -> rusqlite::Result<()> {
        let mut retag = self.connection.prepare_cached(
            "UPDATE runs SET unit = ?1, recorded_unit = CASE WHEN ?1 = ?2 THEN NULL ELSE ?2 END
             WHERE run = ?3 AND batch = ?4",
        )?;
        for (run, (from, to)) in &book.retags {
            retag.execute(params![to, from, run, batch])?;
        }
        self.connection
            .prepare_cached(
                "UPDATE runs SET given_grade = NULL, given_by = NULL, given_why = NULL
                 WHERE batch = ?1 AND given_grade IS NOT NULL",
            )?
            .execute([batch])?;
        let mut give = self.connection.prepare_cached(
            "UPDATE runs SET given_grade = ?1, given_by = ?2, given_why = ?3 WHERE run = ?4 AND batch = ?5",
        )?;
        for (run, given) in &book.overrides {
            give.execute(params![given.grade.word(), given.by, given.why, run, batch])?;
        }
        Ok(())
    }

    /// Registered units of `batch`, by tag, a page of them.
    ///
    /// # Errors
    /// When the index cannot be read.
    pub fn units_of(&self, batch: &str, page: super::Page) -> Result<Vec<UnitRow>, StoreError> {
        let read = || {
            let mut select = self.connection.prepare_cached(
                "SELECT batch, tag, donor, kind, shelf, price, findings, note, photos, registered
                 FROM units WHERE batch = ?1 ORDER BY tag LIMIT ?2 OFFSET ?3",
            )?;
            let rows = select.query_map(params![batch, page.rows, page.skip], |row| {
                Ok(UnitRow {
                    batch: row.get(0)?,
                    tag: row.get(1)?,
                    donor: row.get(2)?,
                    kind: row.get(3)?,
                    shelf: row.get(4)?,
                    price: row.get(5)?,
                    findings: row.get(6)?,
                    note: row.get(7)?,
                    photos: row.get(8)?,
                    registered: row.get(9)?,
                })
            })?;
            rows.collect::<rusqlite::Result<Vec<_>>>()
        };
        read().map_err(|e| self.failed("read", &e))
    }

    /// Tags of the units of `batch` that have runs, in order.
    ///
    /// # Errors
    /// When the index cannot be read.
    pub fn tags_of(&self, batch: &str) -> Result<Vec<String>, StoreError> {
        let read = || {
            let select = "SELECT DISTINCT unit FROM runs WHERE batch = ?1 AND unit IS NOT NULL ORDER BY unit";
            self.connection
                .prepare_cached(select)?
                .query_map([batch], |row| row.get::<_, String>(0))?
                .collect::<rusqlite::Result<Vec<_>>>()
        };
        read().map_err(|e| self.failed("read", &e))
    }

    /// The run named `run`; `None` when the index does not know it.
    ///
    /// # Errors
    /// When the index cannot be read.
    pub fn run_named(&self, run: &str) -> Result<Option<super::RunRow>, StoreError> {
        self.one_run(run).map_err(|e| self.failed("read", &e))
    }
}
