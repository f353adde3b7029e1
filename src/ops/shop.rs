//! The shop behind a bench: which server and which place of records it uses, and what still waits to be sent there.

use std::path::Path;

use sha2::{Digest as _, Sha256};

use crate::ops::{OpsError, write_secret};
use crate::record::seal::hex;
use crate::store::{Sent, Settings, Store};

/// What a bench says of its shop.
///
/// # Errors
/// Settings that cannot be read or used.
pub fn settings(root: &Path) -> Result<Settings, OpsError> {
    Ok(Settings::read(root)?)
}

/// Writes the settings down and lets everything that this bench has wait for its new place.
///
/// # Errors
/// Settings that cannot be used; a place of records that is away or refuses; a folder that cannot be written; records that cannot be gone through.
pub fn set(root: &Path, settings: &Settings) -> Result<(), OpsError> {
    let path = Settings::path(root);
    settings.check().map_err(|why| OpsError::Argument { what: path.display().to_string(), why })?;
    std::fs::create_dir_all(root).map_err(|source| OpsError::Write { path: root.to_owned(), source })?;
    if let Some(records) = &settings.records {
        Store::try_records(records, root)?;
    }
    // The address of the index may hold a password.
    write_secret(&path, settings.text().as_bytes())?;
    if settings.index.is_some() || settings.records.is_some() {
        for is_virtual in [false, true] {
            Store::open(root, is_virtual)?.rebuild(root)?;
        }
    }
    Ok(())
}

/// A name for this bench that no other is likely to have.
#[must_use]
pub fn bench_name() -> String {
    let mut hash = Sha256::new();
    hash.update(jiff::Timestamp::now().as_nanosecond().to_le_bytes());
    hash.update(std::process::id().to_le_bytes());
    format!("bench-{}", &hex(&hash.finalize())[..8])
}

/// Sends what waits, real and virtual.
///
/// # Errors
/// A server that is away or refuses; what could not be sent still waits.
pub fn send(root: &Path) -> Result<Sent, OpsError> {
    let mut all = Sent::default();
    for is_virtual in [false, true] {
        let sent = Store::open(root, is_virtual)?.send()?;
        all.arrived += sent.arrived;
        all.waiting += sent.waiting;
    }
    Ok(all)
}

/// How much waits.
///
/// # Errors
/// A bench's own index that cannot be read.
pub fn waiting(root: &Path) -> Result<u64, OpsError> {
    let mut all = 0;
    for is_virtual in [false, true] {
        all += Store::open(root, is_virtual)?.waiting()?;
    }
    Ok(all)
}
