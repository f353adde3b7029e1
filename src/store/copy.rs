//! Whole stores at once: a copy of an index while others go on writing, and many runs put in together.

use std::path::{Path, PathBuf};

use super::error::StoreError;
use super::index::RunState;
use super::shop::Store;
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
        let count = self.local.at_once(|| {
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
