//! A folder that the benches of a shop share, such as one of a file server.

use std::fs::{self, File};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

use super::Files;
use crate::store::StoreError;

/// Tells the folder from the empty place where it is mounted, and from one of another use.
const MARK: &str = "galebench-records.txt";

pub(super) struct Folder(PathBuf);

impl Folder {
    pub(super) fn new(path: &Path) -> Self {
        Self(path.to_owned())
    }

    fn away(&self, why: impl ToString) -> StoreError {
        StoreError::RecordsAway { path: self.0.clone(), why: why.to_string() }
    }

    /// Makes the folder a place of records; it must be there.
    pub(super) fn mark(&self) -> Result<(), StoreError> {
        let mark = self.0.join(MARK);
        if !self.0.is_dir() {
            let why = "there is no such folder; make it, or mount it, first".to_owned();
            return Err(StoreError::Records { path: self.0.clone(), why });
        }
        if mark.is_file() {
            return Ok(());
        }
        write_whole(&mark, b"Records of test runs, put here by galebench. A folder without this file is not used.\n")
            .map_err(|error| StoreError::Records { path: self.0.clone(), why: format!("cannot be written: {error}") })
    }

    fn look(&self) -> Result<(), StoreError> {
        if self.0.join(MARK).is_file() {
            return Ok(());
        }
        Err(self.away(format!("it has no {MARK}: not mounted, or moved")))
    }
}

impl Files for Folder {
    fn get(&self, key: &str) -> Result<Option<Vec<u8>>, StoreError> {
        self.look()?;
        match fs::read(self.0.join(key)) {
            Ok(content) => Ok(Some(content)),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(self.away(error)),
        }
    }

    fn put(&self, key: &str, content: &[u8]) -> Result<(), StoreError> {
        self.look()?;
        let path = self.0.join(key);
        let parent = path.parent().unwrap_or(&self.0);
        fs::create_dir_all(parent).and_then(|()| write_whole(&path, content)).map_err(|error| self.away(error))
    }
}

/// Writes a file whole or not at all, on the disk when this returns. Several programs may write the same one.
pub(super) fn write_whole(path: &Path, content: &[u8]) -> io::Result<()> {
    static COUNT: AtomicU64 = AtomicU64::new(0);
    let mut part = path.as_os_str().to_owned();
    part.push(format!(".{}-{}.part", std::process::id(), COUNT.fetch_add(1, Ordering::Relaxed)));
    let part = PathBuf::from(part);
    let written = || {
        let mut file = File::create(&part)?;
        file.write_all(content)?;
        file.sync_all()?;
        fs::rename(&part, path)?;
        path.parent().map_or(Ok(()), |parent| File::open(parent)?.sync_all())
    };
    written().inspect_err(|_| {
        // Half a file helps nobody; the error above is what is told.
        let _ = fs::remove_file(&part);
    })
}
