//! Builds the index anew from the record folders.

use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use super::courier;
use super::error::StoreError;
use super::index::RunState;
use super::shop::Store;
use crate::intake::journal;
use crate::record::RESULTS_FILE;
use crate::record::error::RecordError;
use crate::record::reader;
use crate::results::Document;

/// Largest layout version of the results document that this program understands.
const DOCUMENT_FORMAT: u32 = 1;

/// What a rebuild found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Rebuilt {
    /// Runs put into the index.
    pub runs: u64,
    /// Of those, runs whose record breaks off.
    pub interrupted: u64,
    /// Folders that could not be taken in, each with the reason.
    pub problems: Vec<(PathBuf, String)>,
}

impl Store {
    /// Empties the index and fills it from the records below `root`: from their results document, or, where there is none,
    /// from the header of the record. Virtual runs go into the virtual index only, real ones into the other. A folder that
    /// cannot be understood is named in the result and left out.
    ///
    /// # Errors
    /// When the folders cannot be gone through or the index cannot be written; it then is as it was before.
    pub fn rebuild(&self, root: &Path) -> Result<Rebuilt, StoreError> {
        let mut rebuilt = Rebuilt::default();
        let folders = reader::list(root)?;
        self.local.in_bulk(|| {
            let clear = self.local.database.batch("DELETE FROM runs; DELETE FROM units; DELETE FROM numbers");
            clear.map_err(|e| self.local.failed("write", e))?;
            // One document at a time: there may be more than memory holds.
            for dir in folders {
                match run_of(&dir) {
                    Ok((document, _)) if document.is_virtual != self.is_virtual() => {}
                    Ok((document, state)) => {
                        self.enter(&document, &dir, state)?;
                        self.post_record(&dir)?;
                        rebuilt.runs += 1;
                        rebuilt.interrupted += u64::from(state == RunState::Interrupted);
                    }
                    Err(why) => rebuilt.problems.push((dir, why)),
                }
            }
            for (batch, folder) in batches(root)? {
                match journal::read(&folder) {
                    Ok(journal) => self.enter_journal(&batch, &journal.lines)?,
                    Err(why) => rebuilt.problems.push((folder, why.to_string())),
                }
            }
            Ok(())
        })?;
        // What the server has of this bench is put in anew as well; other benches' runs are left alone.
        self.send_quietly();
        if self.waiting()? > 0 {
            courier::wake(&self.local.root, self.is_virtual());
        }
        Ok(rebuilt)
    }
}

/// Folders of batches that have a journal, with the batch's name.
fn batches(root: &Path) -> Result<Vec<(String, PathBuf)>, StoreError> {
    let failed = |error: io::Error| RecordError::io("read", root, &error);
    let mut found = Vec::new();
    if root.exists() {
        for entry in fs::read_dir(root).map_err(failed)? {
            let entry = entry.map_err(failed)?;
            if journal::path(&entry.path()).is_file() {
                found.push((entry.file_name().to_string_lossy().into_owned(), entry.path()));
            }
        }
    }
    found.sort();
    Ok(found)
}

/// What the folder of a run says of it.
fn run_of(dir: &Path) -> Result<(Document, RunState), String> {
    let finished = reader::is_finished(dir).map_err(|e| e.to_string())?;
    let document = match fs::read(dir.join(RESULTS_FILE)) {
        Ok(bytes) => parse(&bytes)?,
        Err(error) if error.kind() == io::ErrorKind::NotFound => bare(dir)?,
        Err(error) => return Err(format!("cannot read {RESULTS_FILE}: {error}")),
    };
    let state = match (finished, &document.stopped) {
        (false, _) => RunState::Interrupted,
        (true, Some(_)) => RunState::Stopped,
        (true, None) => RunState::Finished,
    };
    Ok((document, state))
}

fn parse(bytes: &[u8]) -> Result<Document, String> {
    let document: Document = serde_json::from_slice(bytes).map_err(|e| format!("{RESULTS_FILE}: {e}"))?;
    if document.format > DOCUMENT_FORMAT {
        return Err(format!(
            "{RESULTS_FILE} has format {}, this program reads up to {DOCUMENT_FORMAT}",
            document.format
        ));
    }
    Ok(document)
}

/// A document without results, from the record's header.
fn bare(dir: &Path) -> Result<Document, String> {
    let header = reader::read_header(dir).map_err(|e| e.to_string())?;
    Ok(Document {
        format: DOCUMENT_FORMAT,
        unit: header.unit,
        batch: header.batch,
        run: Some(header.run),
        plan: header.plan,
        rig: header.rig,
        started: header.started,
        bench_seconds: 0.0,
        is_virtual: header.is_virtual,
        results: BTreeMap::new(),
        absent: BTreeMap::new(),
        curve: Vec::new(),
        signs: Vec::new(),
        verdict: None,
        stopped: None,
        earlier_runs: header.earlier_runs,
        hot_day: Vec::new(),
        by_frequency: Vec::new(),
        carried: None,
        load_fan: None,
        warnings: Vec::new(),
        events: Vec::new(),
        provenance: None,
        analysis: None,
    })
}
