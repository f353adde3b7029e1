//! Whole stores at once: a copy of an index while others go on writing, and many runs put in together.

use std::path::{Path, PathBuf};

use super::error::StoreError;
use super::index::{Index, RunState};
use super::shop::Store;
use super::sql::SqlError;
use crate::results::Document;

impl Store {
    /// Writes a sound copy of this bench's own index to `to`, which must not exist yet.
    ///
    /// # Errors
    /// When the index cannot be read or the copy cannot be written.
    pub fn copy_to(&self, to: &Path) -> Result<(), StoreError> {
        let text = to.to_str().ok_or_else(|| StoreError::Sql {
            path: self.local.place.clone(),
            why: format!("cannot be copied to {}, which is not UTF-8 text", to.display()),
        })?;
        let copied = self.local.database.execute("VACUUM INTO ?1", &[text.into()]);
        copied.map(|_| ()).map_err(|error| self.local.failed("copy", error))
    }

    /// Puts many runs in at once, each with its folder: all or none. Takes them one after another, however many there are.
    ///
    /// # Errors
    /// As [`Store::insert`].
    pub fn insert_all(&self, runs: impl IntoIterator<Item = (Document, PathBuf, RunState)>) -> Result<u64, StoreError> {
        let count = self.local.in_bulk(|| {
            let mut count = 0;
            for (document, dir, state) in runs {
                self.enter(&document, &dir, state)?;
                count += 1;
            }
            Ok(count)
        })?;
        self.send_quietly();
        Ok(count)
    }
}

/// What keeps up with every single run, and is made faster for all of them at the end.
const KEEPING_UP: [&str; 2] = ["runs_found_again", "numbers_by_value"];

impl Index {
    /// Does all of `work`, or nothing of it, with this bench's own file laid out for very many runs at once.
    pub(super) fn in_bulk<T>(&self, work: impl FnOnce() -> Result<T, StoreError>) -> Result<T, StoreError> {
        let failed = |error: SqlError| self.failed("write", error);
        self.at_once(|| {
            let mut laid_aside = Vec::new();
            for name in KEEPING_UP {
                let select = "SELECT type, sql FROM sqlite_schema WHERE name = ?1";
                let Some(mut row) = self.database.first(select, &[name.into()]).map_err(failed)? else { continue };
                let kind: String = row.take().map_err(failed)?;
                laid_aside.push(row.take::<String>().map_err(failed)?);
                self.database.batch(&format!("DROP {kind} {name}")).map_err(failed)?;
            }
            let done = work()?;
            self.database.batch("INSERT INTO runs_found (runs_found) VALUES ('rebuild')").map_err(failed)?;
            laid_aside.iter().try_for_each(|sql| self.database.batch(sql)).map_err(failed)?;
            Ok(done)
        })
    }
}
