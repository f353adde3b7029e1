//! A copy of the index as it is at one moment, while others go on writing.

use std::path::Path;

use super::error::StoreError;
use super::index::Store;

impl Store {
    /// Writes a sound copy of the whole index to `to`, which must not exist yet.
    ///
    /// # Errors
    /// When the index cannot be read or the copy cannot be written.
    pub fn copy_to(&self, to: &Path) -> Result<(), StoreError> {
        let text = to.to_str().ok_or_else(|| StoreError::Sql {
            path: self.path.clone(),
            why: format!("cannot be copied to {}, which is not UTF-8 text", to.display()),
        })?;
        self.connection.execute("VACUUM INTO ?1", [text]).map_err(|error| self.failed("copy", &error))?;
        Ok(())
    }
}
