//! Record files where a shop keeps them: a folder that its benches share, or a bucket of an object store.
//!
//! A record is its three sealed files under `<real|virtual>/<batch>/<unit>/<run>/`. The seal goes last: where it is, the
//! record is there as a whole. What comes back is held against the seal, and against the fingerprint that is known of the
//! run, before anything uses it.

#[cfg(feature = "s3")]
mod bucket;
mod folder;
#[cfg(feature = "s3")]
mod key;

use std::fs;
use std::path::{Path, PathBuf};

use self::folder::Folder;
use super::error::StoreError;
use super::patience::Patience;
use crate::record::seal::{FileMark, SEAL_FILE, Seal};
use crate::record::{EVENTS_FILE, SAMPLES_FILE};

/// Places of this process that failed.
static FAILED: Patience = Patience::new();

/// File of a bench with the keys of its object store: in no backup, and for its owner's eyes alone.
pub const KEY_FILE: &str = "store-key.toml";

/// What was wrong with the place of the records when this process last spoke to it.
#[must_use]
pub fn trouble() -> Option<String> {
    FAILED.trouble()
}

/// What a place of files must be able to do.
trait Files {
    /// The file named `key`; `None` when there is none.
    fn get(&self, key: &str) -> Result<Option<Vec<u8>>, StoreError>;
    /// Puts a file there, whole or not at all, and lasting when this returns.
    fn put(&self, key: &str, content: &[u8]) -> Result<(), StoreError>;
}

/// The files of a record, each with its name.
type WholeRecord = [(&'static str, Vec<u8>); 3];

/// A place for the records of a shop.
pub(super) struct Records {
    files: Box<dyn Files>,
    /// Folder or address as people are told.
    place: PathBuf,
    address: String,
    kind: &'static str,
}

/// Whether an address is one that this program can use, else why not.
pub(super) fn check(address: &str) -> Result<(), String> {
    if is_web(address) {
        #[cfg(feature = "s3")]
        return bucket::check(address);
        #[cfg(not(feature = "s3"))]
        return Err("this build cannot speak to an object store; use one with the feature `s3`".to_owned());
    }
    if address.contains("://") {
        return Err("must be a folder or look like https://host/bucket/prefix".to_owned());
    }
    if Path::new(address).is_absolute() { Ok(()) } else { Err("must be the whole path of a folder".to_owned()) }
}

fn is_web(address: &str) -> bool {
    ["http://", "https://"].iter().any(|scheme| address.starts_with(scheme))
}

impl Records {
    /// The place at `address`. `root` is the folder of this bench, where the keys may lie.
    pub(super) fn open(address: &str, root: &Path, is_virtual: bool) -> Result<Self, StoreError> {
        let place = PathBuf::from(address);
        check(address).map_err(|why| StoreError::Records { path: place.clone(), why })?;
        #[cfg(feature = "s3")]
        let files: Box<dyn Files> = if is_web(address) {
            Box::new(bucket::ObjectStore::open(address, root)?)
        } else {
            Box::new(Folder::new(&place))
        };
        #[cfg(not(feature = "s3"))]
        let (files, _): (Box<dyn Files>, _) = (Box::new(Folder::new(&place)), root);
        let kind = if is_virtual { "virtual" } else { "real" };
        Ok(Self { files, place, address: address.to_owned(), kind })
    }

    /// Sees whether the place is there and may be used; a folder is marked as a place of records.
    pub(super) fn prepare(address: &str, root: &Path) -> Result<(), StoreError> {
        if !is_web(address) {
            return Folder::new(Path::new(address)).mark();
        }
        let records = Self::open(address, root, false)?;
        // Nothing has this name: what counts is that the answer says so.
        records.files.get(&records.key("unsorted/galebench", SEAL_FILE)).map(|_| ())
    }

    /// Speaks to the place, unless it was away a moment ago.
    fn ask<T>(&self, ask: impl FnOnce() -> Result<T, StoreError>) -> Result<T, StoreError> {
        FAILED.ask(&self.address, ask)
    }

    /// Keeps what went wrong, to be told.
    pub(super) fn note(error: &StoreError) {
        // Away was noted where it was met.
        if !error.is_away() {
            FAILED.note(error);
        }
    }

    /// Asks even a place that was away a moment ago.
    pub(super) fn try_again(address: &str) {
        FAILED.forget(address);
    }

    fn key(&self, kept: &str, file: &str) -> String {
        format!("{}/{kept}/{file}", self.kind)
    }

    /// Sends the record in `dir`, whose folder is kept as `kept`. One that is there already stays as it is.
    pub(super) fn send(&self, kept: &str, dir: &Path) -> Result<(), StoreError> {
        let refused = |why: String| StoreError::NotSent { path: dir.to_owned(), why };
        let read = |name: &str| {
            let path = dir.join(name);
            fs::read(&path).map_err(|error| refused(format!("cannot read {name}: {error}")))
        };
        let sealed = read(SEAL_FILE)?;
        let seal = Seal::parse(&sealed).map_err(|why| refused(format!("{SEAL_FILE}: {why}")))?;
        let files = [(EVENTS_FILE, &seal.events), (SAMPLES_FILE, &seal.samples)];
        let files = files.map(|(name, mark)| read(name).map(|content| (name, mark, content)));
        let files = files.into_iter().collect::<Result<Vec<_>, _>>()?;
        for (name, mark, content) in &files {
            if FileMark::of(content) != **mark {
                return Err(refused(format!("{name} is not as it was sealed; `galebench verify` says where")));
            }
        }
        self.ask(|| {
            match self.files.get(&self.key(kept, SEAL_FILE))? {
                Some(there) if there == sealed => return Ok(()),
                Some(_) => {
                    let why = format!("another record lies under its name at {}", self.place.display());
                    return Err(refused(why));
                }
                None => {}
            }
            for (name, _, content) in &files {
                self.files.put(&self.key(kept, name), content)?;
            }
            self.files.put(&self.key(kept, SEAL_FILE), &sealed)
        })
    }

    /// Whether the record kept as `kept` is there.
    pub(super) fn has(&self, kept: &str) -> Result<bool, StoreError> {
        self.ask(|| Ok(self.files.get(&self.key(kept, SEAL_FILE))?.is_some()))
    }

    /// Brings the record kept as `kept` into `dir` and says whether there was one. `expect` is its fingerprint, where
    /// something else than the record itself tells it.
    pub(super) fn fetch(&self, kept: &str, dir: &Path, expect: Option<&str>) -> Result<bool, StoreError> {
        let Some(files) = self.ask(|| self.get_whole(kept, expect))? else { return Ok(false) };
        let write = || {
            fs::create_dir_all(dir)?;
            // The events last: a folder that has them is a record.
            files.iter().try_for_each(|(name, content)| folder::write_whole(&dir.join(name), content))
        };
        write().map_err(|e| StoreError::Io { doing: "bring a record to", path: dir.to_owned(), why: e.to_string() })?;
        Ok(true)
    }

    fn get_whole(&self, kept: &str, expect: Option<&str>) -> Result<Option<WholeRecord>, StoreError> {
        let altered = |why: String| StoreError::AlteredThere { path: self.place.clone(), record: kept.to_owned(), why };
        let Some(sealed) = self.files.get(&self.key(kept, SEAL_FILE))? else { return Ok(None) };
        let seal = Seal::parse(&sealed).map_err(|why| altered(format!("its {SEAL_FILE} cannot be read ({why})")))?;
        if kept.rsplit('/').next() != Some(seal.run.as_str()) {
            return Err(altered(format!("it is the record of run {}", seal.run)));
        }
        if let Some(expect) = expect.filter(|expect| *expect != seal.fingerprint()) {
            return Err(altered(format!("its fingerprint is {}, the run's was {expect}", seal.fingerprint())));
        }
        let file = |name: &str, mark: &FileMark| {
            let content = self.files.get(&self.key(kept, name))?;
            let content = content.ok_or_else(|| altered(format!("{name} is missing")))?;
            if FileMark::of(&content) == *mark {
                Ok(content)
            } else {
                Err(altered(format!("{name} is not as it was sealed")))
            }
        };
        let events = file(EVENTS_FILE, &seal.events)?;
        let samples = file(SAMPLES_FILE, &seal.samples)?;
        Ok(Some([(SAMPLES_FILE, samples), (SEAL_FILE, sealed), (EVENTS_FILE, events)]))
    }
}
