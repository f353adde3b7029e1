//! What has been tested: the stores behind `list`, `show` and `reindex`. Real and virtual runs live apart.

use std::path::Path;

use crate::intake::book::Book;
use crate::intake::journal;
use crate::ops::OpsError;
use crate::record::RESULTS_FILE;
use crate::results::Document;
use crate::store::{Filter, Listing, Page, Rebuilt, RunRow, RunState, Settings, Store, UnitRow};

pub use crate::store::UNSORTED;

/// How often the unit was run before on this kind of bench.
///
/// # Errors
/// A store that cannot be opened or read.
pub fn earlier_runs(root: &Path, is_virtual: bool, unit: &str) -> Result<u64, OpsError> {
    Ok(Store::open(root, is_virtual)?.earlier_runs(unit, "")?)
}

/// Adds a run to the store of its kind under `root`.
///
/// # Errors
/// A store that cannot be opened or written; the run's own files are not touched.
pub fn index(root: &Path, document: &Document, dir: &Path) -> Result<(), OpsError> {
    let store = Store::open(root, document.is_virtual)?;
    let state = if document.stopped.is_some() { RunState::Stopped } else { RunState::Finished };
    Ok(store.add(document, dir, state)?)
}

/// Sees to it that the record of a run lies in its folder `dir`, brought from the shop's records where only those have it.
/// Nothing is done for a folder that is not of a bench with such a place.
///
/// # Errors
/// Settings that cannot be used; records that are away, or one that was altered there.
pub fn bring_record(dir: &Path) -> Result<(), OpsError> {
    let whole = std::path::absolute(dir).map_err(|source| OpsError::Read { path: dir.to_owned(), source })?;
    let Some(root) = whole.ancestors().find(|folder| Settings::path(folder).is_file()) else { return Ok(()) };
    for is_virtual in [false, true] {
        if Store::open(root, is_virtual)?.bring_record(&whole)? {
            break;
        }
    }
    Ok(())
}

/// The first `rows` of the runs that match `filter`, newest first, real ones and then those of the virtual bench. With
/// `after`, the name of a run, those behind it, of its kind alone.
///
/// # Errors
/// A store that cannot be opened or read; a run that is in neither.
pub fn list(root: &Path, filter: &Filter, after: Option<&str>, rows: u32) -> Result<[Listing; 2], OpsError> {
    let mut listings = [Listing::default(), Listing::default()];
    let mut known = after.is_none();
    for (listing, is_virtual) in listings.iter_mut().zip([false, true]) {
        let store = Store::open(root, is_virtual)?;
        let place = after.map(|run| store.cursor(run)).transpose()?.flatten();
        if after.is_none() || place.is_some() {
            *listing = store.list(filter, &Page { after: place, rows })?;
            known = true;
        }
    }
    match after.filter(|_| !known) {
        None => Ok(listings),
        Some(run) => Err(OpsError::Argument {
            what: format!("run `{run}`"),
            why: "is not known here; name the last run of the page before, as it was shown there".to_owned(),
        }),
    }
}

/// All runs of a unit, newest first; real ones, or those of the virtual bench.
///
/// # Errors
/// A store that cannot be opened or read.
pub fn runs_of(root: &Path, is_virtual: bool, unit: &str) -> Result<Vec<RunRow>, OpsError> {
    Ok(Store::open(root, is_virtual)?.units(unit)?)
}

/// What is known of a unit.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct History {
    /// Its runs on real benches, newest first.
    pub real: Vec<RunRow>,
    /// Its runs on the virtual bench, newest first.
    pub played: Vec<RunRow>,
    /// Results of its latest run, a real one if there is any; `None` when that run left no results.
    pub latest: Option<Document>,
}

/// Every run of a unit and the results of the latest.
///
/// # Errors
/// An unknown unit; a store that cannot be opened or read; results that cannot be understood.
pub fn history(root: &Path, unit: &str) -> Result<History, OpsError> {
    let (real, played) = (runs_of(root, false, unit)?, runs_of(root, true, unit)?);
    let Some(row) = real.first().or(played.first()) else {
        return Err(OpsError::Argument {
            what: format!("unit `{unit}`"),
            why: "has no run here; `galebench list` shows the units that have".to_owned(),
        });
    };
    Store::open(root, real.is_empty())?.bring(row)?;
    let path = row.dir.join(RESULTS_FILE);
    let latest = match std::fs::read(&path) {
        Ok(text) => Some(serde_json::from_slice(&text).map_err(|error| OpsError::Argument {
            what: path.display().to_string(),
            why: format!("is no results document: {error}"),
        })?),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => None,
        Err(source) => return Err(OpsError::Read { path, source }),
    };
    Ok(History { real, played, latest })
}

/// Builds both stores anew from the records under `root`: what the real one and the virtual one then hold.
///
/// # Errors
/// Folders that cannot be gone through, a store that cannot be written.
pub fn reindex(root: &Path) -> Result<[Rebuilt; 2], OpsError> {
    let rebuild = |is_virtual| -> Result<Rebuilt, OpsError> { Ok(Store::open(root, is_virtual)?.rebuild(root)?) };
    Ok([rebuild(false)?, rebuild(true)?])
}

/// What is known of a batch beside its runs, at whichever bench of the shop it was said.
///
/// # Errors
/// A damaged journal; a store that cannot be opened.
pub fn book(root: &Path, batch: &str) -> Result<Book, OpsError> {
    let own = journal::read(&root.join(batch))?.lines;
    // Without a shop there is nobody else to ask, and a look at a journal makes no files.
    if Settings::read(root)?.index.is_none() {
        return Ok(Book::of(&own));
    }
    Ok(Store::open(root, false)?.book(batch, own)?)
}

/// Tags of the units of `batch` that have runs, in order of the tags.
///
/// # Errors
/// A store that cannot be opened or read.
pub fn tags_of_batch(root: &Path, is_virtual: bool, batch: &str) -> Result<Vec<String>, OpsError> {
    Ok(Store::open(root, is_virtual)?.tags_of(batch)?)
}

/// Registered units of `batch`, by tag, the first `rows` of those behind the tag `after`.
///
/// # Errors
/// A store that cannot be opened or read.
pub fn registered(root: &Path, batch: &str, after: Option<&str>, rows: u32) -> Result<Vec<UnitRow>, OpsError> {
    Ok(Store::open(root, false)?.units_of(batch, after, rows)?)
}
