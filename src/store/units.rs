//! The book of a batch in the index: registered units, corrected tags, grades of people.

use serde::Serialize;

use super::error::StoreError;
use super::index::Index;
use super::sql::SqlError;
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

impl Index {
    /// Batches apart from `batch` that have a registered unit with this tag, in order.
    pub(super) fn other_batches(&self, batch: &str, tag: &str) -> Result<Vec<String>, StoreError> {
        let select = "SELECT batch FROM units WHERE tag = ?1 AND batch <> ?2 ORDER BY batch";
        let read = || -> Result<Vec<String>, SqlError> {
            let rows = self.database.query(select, &[tag.into(), batch.into()])?;
            rows.into_iter().map(|mut row| row.take()).collect()
        };
        read().map_err(|e| self.failed("read", e))
    }

    /// Takes the book of `batch` in: its units replace those known, its corrections and people's grades are put on the
    /// runs. All or nothing.
    pub(super) fn take_book(&self, batch: &str, book: &Book) -> Result<(), StoreError> {
        self.at_once(|| {
            self.write_units(batch, book)
                .and_then(|()| self.write_words_on_runs(batch, book))
                .map_err(|e| self.failed("write", e))
        })
    }

    fn write_units(&self, batch: &str, book: &Book) -> Result<(), SqlError> {
        self.database.execute("DELETE FROM units WHERE batch = ?1", &[batch.into()])?;
        let insert = "INSERT INTO units (batch, tag, donor, kind, shelf, price, findings, note, photos, registered)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)";
        for (tag, card) in &book.units {
            let facts = &card.facts;
            let values = [
                batch.into(),
                tag.as_str().into(),
                (&facts.donor).into(),
                (&facts.kind).into(),
                (&facts.shelf).into(),
                (&facts.price).into(),
                facts.findings.as_ref().map(|findings| findings.join(", ")).into(),
                (&facts.note).into(),
                u32::try_from(card.photos.len()).unwrap_or(u32::MAX).into(),
                card.registered.as_str().into(),
            ];
            self.database.execute(insert, &values)?;
        }
        Ok(())
    }

    fn write_words_on_runs(&self, batch: &str, book: &Book) -> Result<(), SqlError> {
        let retag = "UPDATE runs SET unit = ?1, recorded_unit = CASE WHEN ?1 = ?2 THEN NULL ELSE ?2 END
             WHERE run = ?3 AND batch = ?4";
        for (run, (from, to)) in &book.retags {
            let values = [to.as_str().into(), from.as_str().into(), run.as_str().into(), batch.into()];
            self.database.execute(retag, &values)?;
        }
        let clear = "UPDATE runs SET given_grade = NULL, given_by = NULL, given_why = NULL
                 WHERE batch = ?1 AND given_grade IS NOT NULL";
        self.database.execute(clear, &[batch.into()])?;
        let give = "UPDATE runs SET given_grade = ?1, given_by = ?2, given_why = ?3 WHERE run = ?4 AND batch = ?5";
        for (run, given) in &book.overrides {
            let values = [
                given.grade.word().into(),
                given.by.as_str().into(),
                given.why.as_str().into(),
                run.as_str().into(),
                batch.into(),
            ];
            self.database.execute(give, &values)?;
        }
        self.refresh("batch", batch.into())
    }

    /// Registered units of `batch`, by tag, the first `rows` of those behind the tag `after`.
    pub(super) fn units_of(&self, batch: &str, after: Option<&str>, rows: u32) -> Result<Vec<UnitRow>, StoreError> {
        let read = || {
            let select = "SELECT batch, tag, donor, kind, shelf, price, findings, note, photos, registered
                 FROM units WHERE batch = ?1 AND tag > ?2 ORDER BY tag LIMIT ?3";
            // No tag is empty.
            let rows = self.database.query(select, &[batch.into(), after.unwrap_or_default().into(), rows.into()])?;
            let unit = |mut row: super::sql::Row| {
                Ok(UnitRow {
                    batch: row.take()?,
                    tag: row.take()?,
                    donor: row.take()?,
                    kind: row.take()?,
                    shelf: row.take()?,
                    price: row.take()?,
                    findings: row.take()?,
                    note: row.take()?,
                    photos: row.take()?,
                    registered: row.take()?,
                })
            };
            rows.into_iter().map(unit).collect::<Result<Vec<_>, SqlError>>()
        };
        read().map_err(|e| self.failed("read", e))
    }

    /// Tags of the units of `batch` that have runs, in order.
    pub(super) fn tags_of(&self, batch: &str) -> Result<Vec<String>, StoreError> {
        let read = || {
            let select = "SELECT DISTINCT unit FROM runs WHERE batch = ?1 AND unit IS NOT NULL ORDER BY unit";
            let rows = self.database.query(select, &[batch.into()])?;
            rows.into_iter().map(|mut row| row.take()).collect::<Result<Vec<_>, SqlError>>()
        };
        read().map_err(|e| self.failed("read", e))
    }
}
