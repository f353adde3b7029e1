//! Intake of a crate: units registered one by one or from a list, pictures kept, tags corrected, grades given by people.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use sha2::{Digest as _, Sha256};

use crate::intake::book::Book;
use crate::intake::journal::{self, Entry, Facts, Line};
use crate::intake::table;
use crate::ops::run::check_name;
use crate::ops::{OpsError, archive};
use crate::record::seal::hex;
use crate::results::Grade;
use crate::store::{self, RunRow, Store};

/// Where a batch is and who speaks.
#[derive(Clone, Debug)]
pub struct Desk {
    /// Folder that holds records and store.
    pub out: PathBuf,
    /// The batch.
    pub batch: String,
    /// Name of the person, if they gave one.
    pub by: Option<String>,
}

/// What a list of units brought.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Imported {
    /// Units that were new.
    pub added: usize,
    /// Units that were known and said more of.
    pub changed: usize,
    /// Columns that mean nothing here.
    pub ignored: Vec<String>,
    /// Tags that other batches have as well, with those.
    pub elsewhere: Vec<(String, Vec<String>)>,
}

/// Largest picture that is kept.
const LARGEST_PHOTO: u64 = 50 * 1024 * 1024;

impl Desk {
    fn folder(&self) -> PathBuf {
        self.out.join(&self.batch)
    }

    /// What is known of the batch.
    ///
    /// # Errors
    /// A bad batch name, an unreadable or damaged journal.
    pub fn book(&self) -> Result<Book, OpsError> {
        check_name("batch", &self.batch)?;
        archive::book(&self.out, &self.batch)
    }

    /// Registers a unit, or says more of one; returns whether it was new.
    ///
    /// # Errors
    /// A tag that cannot be a folder, an unknown finding, a picture that cannot be kept, a journal that cannot be written.
    pub fn register(&self, tag: &str, facts: &Facts, photos: &[PathBuf]) -> Result<bool, OpsError> {
        check_name("unit", tag)?;
        let book = self.book()?;
        let mut entries = vec![Entry::Unit { tag: tag.to_owned(), facts: facts.clone() }];
        for photo in photos {
            entries.push(self.keep_photo(tag, photo)?);
        }
        self.say(entries)?;
        Ok(!book.units.contains_key(tag))
    }

    /// Other batches that have a unit with this tag: one of the two is likely mistyped, and runs are told apart by tag.
    ///
    /// # Errors
    /// A store that cannot be opened or read.
    pub fn other_batches(&self, tag: &str) -> Result<Vec<String>, OpsError> {
        Ok(Store::open(&self.out, false)?.other_batches(&self.batch, tag)?)
    }

    /// Registers all units of a CSV list; nothing when anything is wrong with it. Pictures are looked for beside the list.
    ///
    /// # Errors
    /// Everything wrong with the list at once.
    pub fn import(&self, list: &Path) -> Result<Imported, OpsError> {
        let wrong = |why: String| OpsError::Argument { what: list.display().to_string(), why };
        let bytes = std::fs::read(list).map_err(|source| OpsError::Read { path: list.to_owned(), source })?;
        let table = table::parse(&bytes).map_err(|problems| wrong(problems.join("\n  ")))?;
        let mut problems = Vec::new();
        let beside = list.parent().unwrap_or_else(|| Path::new(""));
        for row in &table.rows {
            if let Err(error) = check_name("unit", &row.tag) {
                problems.push(format!("line {}: {error}", row.line));
            }
            for photo in &row.photos {
                if let Err(why) = photo_extension(&beside.join(photo)) {
                    problems.push(format!("line {}: {why}", row.line));
                }
            }
        }
        if !problems.is_empty() {
            return Err(wrong(problems.join("\n  ")));
        }
        let book = self.book()?;
        let mut imported = Imported { ignored: table.ignored.clone(), ..Imported::default() };
        let mut entries = Vec::new();
        let store = Store::open(&self.out, false)?;
        for row in table.rows {
            let others = store.other_batches(&self.batch, &row.tag)?;
            if !others.is_empty() {
                imported.elsewhere.push((row.tag.clone(), others));
            }
            let known = book.units.contains_key(&row.tag);
            imported.added += usize::from(!known);
            imported.changed += usize::from(known);
            for photo in &row.photos {
                entries.push(self.keep_photo(&row.tag, &beside.join(photo))?);
            }
            entries.push(Entry::Unit { tag: row.tag, facts: row.facts });
        }
        self.say(entries)?;
        Ok(imported)
    }

    /// Takes back a registration.
    ///
    /// # Errors
    /// A unit that is not registered, or that was run and so belongs to the batch for good.
    pub fn remove(&self, tag: &str) -> Result<(), OpsError> {
        let wrong = |why: &str| OpsError::Argument { what: format!("unit `{tag}`"), why: why.to_owned() };
        if !self.book()?.units.contains_key(tag) {
            return Err(wrong("is not registered in this batch"));
        }
        for is_virtual in [false, true] {
            let runs = Store::open(&self.out, is_virtual)?.units(tag)?;
            if runs.iter().any(|run| run.batch == self.batch) {
                return Err(wrong("has been run; `galebench retag` corrects the tag of a run"));
            }
        }
        self.say(vec![Entry::Remove { tag: tag.to_owned() }])
    }

    /// Notes that a unit was passed over.
    ///
    /// # Errors
    /// A journal that cannot be written.
    pub fn skip(&self, tag: &str, why: &str) -> Result<(), OpsError> {
        check_name("unit", tag)?;
        self.say(vec![Entry::Skip { tag: tag.to_owned(), why: why.to_owned() }])
    }

    /// Says that `run` was of the unit `to`. The record stays as it is; store, lists and reports take the right tag.
    ///
    /// # Errors
    /// A tag that cannot be one.
    pub fn retag(&self, run: &RunRow, to: &str) -> Result<(), OpsError> {
        check_name("unit", to)?;
        let from = run.recorded_unit.clone().or_else(|| run.unit.clone()).unwrap_or_default();
        self.say(vec![Entry::Retag { run: run.run.clone(), from, to: to.to_owned() }])
    }

    /// Puts a person's grade beside the measured one of `run`; `None` takes it back.
    ///
    /// # Errors
    /// No name or no reason.
    pub fn grade(&self, run: &RunRow, given: Option<(Grade, &str)>) -> Result<(), OpsError> {
        let run = run.run.clone();
        let missing = |what: &str| OpsError::Argument {
            what: what.to_owned(),
            why: "is missing; a grade beside the measured one needs the name of a person and their reason".to_owned(),
        };
        if self.by.as_deref().is_none_or(|name| name.trim().is_empty()) {
            return Err(missing("the name"));
        }
        let entry = match given {
            Some((_, why)) if why.trim().is_empty() => return Err(missing("the reason")),
            Some((grade, why)) => Entry::Grade { run, grade, why: why.trim().to_owned() },
            None => Entry::Withdraw { run },
        };
        self.say(vec![entry])
    }

    /// Writes entries down and takes them into the stores.
    fn say(&self, entries: Vec<Entry>) -> Result<(), OpsError> {
        check_name("batch", &self.batch)?;
        let at = now();
        let lines: Vec<Line> =
            entries.into_iter().map(|entry| Line { at: at.clone(), by: self.by.clone(), entry }).collect();
        journal::append(&self.folder(), &lines)?;
        let lines = journal::read(&self.folder())?.lines;
        for is_virtual in [false, true] {
            Store::open(&self.out, is_virtual)?.take_journal(&self.batch, &lines)?;
        }
        Ok(())
    }

    /// Copies a picture into the unit's folder, named by its content, so that the same picture is kept once.
    fn keep_photo(&self, tag: &str, photo: &Path) -> Result<Entry, OpsError> {
        let wrong = |why| OpsError::Argument { what: photo.display().to_string(), why };
        let extension = photo_extension(photo).map_err(wrong)?;
        let bytes = std::fs::read(photo).map_err(|source| OpsError::Read { path: photo.to_owned(), source })?;
        let sha256 = hex(&Sha256::digest(&bytes));
        let file = format!("{tag}/photos/{}.{extension}", &sha256[..16]);
        let kept = self.folder().join(&file);
        if let Some(folder) = kept.parent() {
            let failed = |source| OpsError::Write { path: folder.to_owned(), source };
            std::fs::create_dir_all(folder).map_err(failed)?;
        }
        if !kept.exists() {
            super::write_whole(&kept, &bytes)?;
        }
        Ok(Entry::Photo { tag: tag.to_owned(), file, sha256 })
    }
}

/// The run that a person means by `wanted`: its name, or a unit's tag for that unit's latest run.
///
/// # Errors
/// Neither is known.
pub fn find_run(out: &Path, wanted: &str) -> Result<RunRow, OpsError> {
    for is_virtual in [false, true] {
        let store = Store::open(out, is_virtual)?;
        if let Some(run) = store.run_named(wanted)? {
            return Ok(run);
        }
        if let Some(run) = store.units(wanted)?.into_iter().find(|run| run.plan.as_deref() != Some(store::CONTACT_PLAN))
        {
            return Ok(run);
        }
    }
    Err(OpsError::Argument {
        what: format!("run or unit `{wanted}`"),
        why: "is not known here; `galebench list --json` names the runs".to_owned(),
    })
}

/// How often each eye finding occurs in a book.
#[must_use]
pub fn finding_counts(book: &Book) -> BTreeMap<String, usize> {
    let mut counts = BTreeMap::new();
    for finding in book.units.values().flat_map(|card| card.facts.findings.iter().flatten()) {
        *counts.entry(finding.clone()).or_default() += 1;
    }
    counts
}

/// Extension of a picture that can be kept, in small letters.
fn photo_extension(photo: &Path) -> Result<String, String> {
    let extension = photo.extension().map(|text| text.to_string_lossy().to_lowercase()).unwrap_or_default();
    if !matches!(extension.as_str(), "jpg" | "jpeg" | "png" | "webp" | "heic") {
        return Err(format!("picture {} is no jpg, png, webp or heic", photo.display()));
    }
    match std::fs::metadata(photo) {
        Ok(data) if !data.is_file() => Err(format!("picture {} is no file", photo.display())),
        Ok(data) if data.len() > LARGEST_PHOTO => {
            Err(format!("picture {} is larger than {} MB", photo.display(), LARGEST_PHOTO / 1024 / 1024))
        }
        Ok(_) => Ok(extension),
        Err(error) => Err(format!("picture {} cannot be read: {error}", photo.display())),
    }
}

fn now() -> String {
    let now = jiff::Timestamp::now();
    now.round(jiff::Unit::Second).unwrap_or(now).to_string()
}
