//! What ties a document to the record it was made from: the record's fingerprint inside it, and the hashes of the
//! documents beside it.

use std::collections::BTreeMap;
use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::analysis;
use crate::ops::document::Evaluated;
use crate::ops::{OpsError, write_whole};
use crate::record::seal::{self, FileMark, Seal};
use crate::results::Provenance;

/// This program, as it names itself in records and documents.
pub const PROGRAM: &str = concat!("galebench ", env!("CARGO_PKG_VERSION"));

/// Name of the file that holds the hashes of the documents of a run.
pub const DOCUMENTS_FILE: &str = "documents.json";

/// Layout version of that file.
const FORMAT: u32 = 1;

/// Hashes of the documents of a run, as they were written.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Documents {
    /// Layout version.
    pub format: u32,
    /// Program and version of the analysis that made them.
    pub analysis: String,
    /// Fingerprint of the record that they were made from.
    pub record_sha256: String,
    /// Each file's mark, by name.
    pub files: BTreeMap<String, FileMark>,
}

impl Documents {
    /// The hashes beside the documents in `dir`; `None` when there are none.
    ///
    /// # Errors
    /// When they are there and cannot be read.
    pub fn read(dir: &Path) -> Result<Option<Self>, OpsError> {
        let path = dir.join(DOCUMENTS_FILE);
        let bytes = match std::fs::read(&path) {
            Ok(bytes) => bytes,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            Err(source) => return Err(OpsError::Read { path, source }),
        };
        serde_json::from_slice(&bytes).map(Some).map_err(|error| OpsError::Argument {
            what: path.display().to_string(),
            why: format!("is no list of hashes: {error}"),
        })
    }

    /// Writes the hashes of `files` (name, content) into `dir`.
    pub(super) fn write(dir: &Path, of: &Provenance, files: &[(&str, &str)]) -> Result<(), OpsError> {
        let documents = Self {
            format: FORMAT,
            analysis: analysis::VERSION.to_owned(),
            record_sha256: of.record_sha256.clone(),
            files: files.iter().map(|(name, text)| ((*name).to_owned(), FileMark::of(text.as_bytes()))).collect(),
        };
        // Names, numbers and digits: nothing that JSON cannot hold.
        let mut text = serde_json::to_string_pretty(&documents).unwrap_or_default();
        text.push('\n');
        write_whole(&dir.join(DOCUMENTS_FILE), text.as_bytes())
    }
}

/// Says in the document which record in `dir` it was made from. A record that is not as it was sealed is warned of.
///
/// # Errors
/// When the record cannot be read.
pub(super) fn stamp(dir: &Path, evaluated: &mut Evaluated, fresh: bool) -> Result<(), OpsError> {
    let sealed = Seal::read(dir)?.map(|seal| seal.fingerprint());
    let record_sha256 = match &sealed {
        // The writer has just hashed what it wrote.
        Some(sealed) if fresh => sealed.clone(),
        _ => seal::fingerprint(dir)?,
    };
    if sealed.is_some_and(|sealed| sealed != record_sha256) {
        let warning = "THE RECORD WAS ALTERED after the run; `galebench verify` says where";
        evaluated.document.warnings.insert(0, warning.to_owned());
    }
    let header = &evaluated.recording.header;
    evaluated.document.provenance =
        Some(Provenance { record_sha256, frozen_sha256: header.frozen.clone(), recorded_by: header.program.clone() });
    Ok(())
}
