//! What happens to a place of the shop that does not answer: it is left alone for a while, and what was wrong is kept to be
//! told.

use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use super::error::StoreError;

/// How long a place that did not answer is left alone, so that a bench does not wait for it again and again.
const PATIENCE: Duration = Duration::from_secs(10);

/// Places of this process that failed, by address: when, and how.
pub(super) struct Patience(Mutex<BTreeMap<String, (Instant, StoreError)>>);

impl Patience {
    pub(super) const fn new() -> Self {
        Self(Mutex::new(BTreeMap::new()))
    }

    fn failed(&self) -> MutexGuard<'_, BTreeMap<String, (Instant, StoreError)>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Does something with the place at `address`. One that was away a moment ago is not asked.
    pub(super) fn ask<T>(&self, address: &str, ask: impl FnOnce() -> Result<T, StoreError>) -> Result<T, StoreError> {
        let mut failed = self.failed();
        if let Some((since, error)) = failed.get(address)
            && error.is_away()
            && since.elapsed() < PATIENCE
        {
            return Err(error.clone());
        }
        failed.remove(address);
        drop(failed);
        ask().inspect_err(|error| {
            self.failed().insert(address.to_owned(), (Instant::now(), error.clone()));
        })
    }

    /// Keeps a failure that is no place's.
    pub(super) fn note(&self, error: &StoreError) {
        self.failed().insert(String::new(), (Instant::now(), error.clone()));
    }

    /// Asks even a place that failed a moment ago.
    pub(super) fn forget(&self, address: &str) {
        self.failed().remove(address);
    }

    /// What was wrong when a place was last spoken to.
    pub(super) fn trouble(&self) -> Option<String> {
        self.failed().values().next().map(|(_, error)| error.to_string())
    }
}
