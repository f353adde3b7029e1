//! Sends records behind the back of whoever is at the bench: they are large, and nobody waits for them between two units.
//!
//! What a courier has not sent when the program ends still waits in the outbox.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use super::shop::Store;

/// Stores with a courier under way, and whether it must look again before it ends.
static UNDER_WAY: Mutex<BTreeMap<(PathBuf, bool), bool>> = Mutex::new(BTreeMap::new());
static ENDED: Condvar = Condvar::new();

fn under_way() -> MutexGuard<'static, BTreeMap<(PathBuf, bool), bool>> {
    UNDER_WAY.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Has the records that wait in the store of `root` sent.
pub(super) fn wake(root: &Path, is_virtual: bool) {
    let key = (root.to_owned(), is_virtual);
    if let Some(again) = under_way().get_mut(&key) {
        *again = true;
        return;
    }
    under_way().insert(key.clone(), false);
    let work = move || {
        let left = Leave(key.clone());
        loop {
            // What went wrong is kept in `records::trouble`.
            let _ = Store::open(&key.0, key.1).and_then(|store| store.send_records());
            let mut all = under_way();
            match all.get_mut(&key) {
                Some(again) if *again => *again = false,
                // Gone while the list is held: whoever comes now sends out another courier.
                _ => {
                    all.remove(&key);
                    break;
                }
            }
        }
        drop(left);
    };
    if std::thread::Builder::new().name("courier".to_owned()).spawn(work).is_err() {
        under_way().remove(&(root.to_owned(), is_virtual));
    }
}

/// Takes a courier off the list however it ends.
struct Leave((PathBuf, bool));

impl Drop for Leave {
    fn drop(&mut self) {
        if std::thread::panicking() {
            under_way().remove(&self.0);
        }
        ENDED.notify_all();
    }
}

/// Waits for all couriers, at most so long; says whether they are back.
pub fn wait(longest: Duration) -> bool {
    let all = under_way();
    let waited = ENDED.wait_timeout_while(all, longest, |all| !all.is_empty());
    waited.unwrap_or_else(PoisonError::into_inner).0.is_empty()
}
