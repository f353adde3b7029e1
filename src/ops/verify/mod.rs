//! Whether a run is still what it was: record against its seal, documents against the record.
//!
//! A record is compared with the hashes that its writer left. A document is compared with its own hash and with what
//! the record gives today; where it differs, the record says what stood there. Someone who changes record, seal,
//! hashes and documents together leaves no trace in the folder: against that stands the fingerprint on a printed
//! report, given as `expect`.

mod differences;

use std::path::{Path, PathBuf};

use serde::Serialize;

pub use self::differences::Difference;
use crate::analysis;
use crate::ops::analyze::analyze;
use crate::ops::document;
use crate::ops::provenance::{DOCUMENTS_FILE, Documents};
use crate::ops::{OpsError, archive};
use crate::record::csv_import::TraceOptions;
use crate::record::event::Header;
use crate::record::seal::{self, FileMark, SEAL_FILE, Seal};
use crate::record::{EVENTS_FILE, RESULTS_FILE, SAMPLES_FILE, reader};
use crate::results::Document;
use crate::store::Store;

/// What to verify.
#[derive(Clone, Debug)]
pub struct Request {
    /// Tag of a unit, folder of a run or of many, or a document.
    pub target: String,
    /// Folder of the run, for a document that lies elsewhere and does not name its run.
    pub run: Option<PathBuf>,
    /// Fingerprint of the record, or its first digits, as a printed report shows it.
    pub expect: Option<String>,
    /// Folder with records and store.
    pub out: PathBuf,
}

/// How a part of a run stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum State {
    /// As it was written.
    Holds,
    /// Not what was written.
    Altered,
    /// Gone.
    Missing,
    /// Nothing tells what it was.
    Unproven,
}

/// A part of a run, verified.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Check {
    /// The file, or `record`, or `rig and plan`.
    pub what: String,
    /// How it stands.
    pub state: State,
    /// Why, in plain words.
    pub because: String,
    /// What is not as it was, in order.
    pub differences: Vec<Difference>,
}

/// A run, verified.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Verified {
    /// Tag of the unit, as recorded.
    pub unit: Option<String>,
    /// Identifier of the run.
    pub run: String,
    /// Folder of the record.
    pub dir: PathBuf,
    /// Whether the virtual bench made it.
    #[serde(rename = "virtual")]
    pub is_virtual: bool,
    /// Program that took the record.
    pub recorded_by: String,
    /// Fingerprint of the record as it is now.
    pub record_sha256: String,
    /// All parts.
    pub checks: Vec<Check>,
}

impl Verified {
    /// Whether every part holds.
    #[must_use]
    pub fn holds(&self) -> bool {
        self.checks.iter().all(|check| check.state == State::Holds)
    }
}

/// The runs that `request` means, each with the one document asked for if it was one.
///
/// # Errors
/// A target that is neither a unit, a run nor a document; a document that names no run.
pub fn targets(request: &Request) -> Result<Vec<(PathBuf, Option<PathBuf>)>, OpsError> {
    let path = Path::new(&request.target);
    let wrong = |why: &str| OpsError::Argument { what: request.target.clone(), why: why.to_owned() };
    if path.is_dir() {
        // The folder of one run may have its documents alone, and the shop its record.
        if path.join(RESULTS_FILE).is_file() {
            archive::bring_record(path)?;
        }
        let runs = reader::list(path)?;
        if runs.is_empty() {
            return Err(wrong("holds no record of a run"));
        }
        return Ok(runs.into_iter().map(|dir| (dir, None)).collect());
    }
    if path.is_file() {
        let beside = path.parent().filter(|dir| dir.join(EVENTS_FILE).is_file()).map(Path::to_owned);
        let dir = match request.run.clone().or(beside) {
            Some(dir) => dir,
            None => run_named_in(path, &request.out)?,
        };
        let is_record = [EVENTS_FILE, SAMPLES_FILE].iter().any(|name| path.file_name().is_some_and(|n| n == *name));
        return Ok(vec![(dir, (!is_record).then(|| path.to_owned()))]);
    }
    let rows = [false, true].map(|is_virtual| archive::runs_of(&request.out, is_virtual, &request.target));
    let dirs: Vec<_> =
        rows.into_iter().collect::<Result<Vec<_>, _>>()?.into_iter().flatten().map(|row| row.dir).collect();
    if dirs.is_empty() {
        return Err(wrong("is neither a unit with runs, nor a folder, nor a file; `galebench list` shows the units"));
    }
    Ok(dirs.into_iter().map(|dir| (dir, None)).collect())
}

/// Folder of the run that a document elsewhere names.
fn run_named_in(path: &Path, out: &Path) -> Result<PathBuf, OpsError> {
    let text = read_text(path)?;
    let what = path.display().to_string();
    let run = serde_json::from_str::<Document>(&text).ok().and_then(|document| document.run);
    let run = run.or_else(|| differences::run_in_page(&text));
    let Some(run) = run else {
        let why = "does not name its run; say the run's folder with --run".to_owned();
        return Err(OpsError::Argument { what, why });
    };
    for is_virtual in [false, true] {
        if let Some(row) = Store::open(out, is_virtual)?.run_named(&run)? {
            return Ok(row.dir);
        }
    }
    let why = format!("is of run {run}, which is not in this store; say the run's folder with --run, or --out");
    Err(OpsError::Argument { what, why })
}

fn read_text(path: &Path) -> Result<String, OpsError> {
    let bytes = std::fs::read(path).map_err(|source| OpsError::Read { path: path.to_owned(), source })?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

/// Verifies the run in `dir`: its record, brought from the shop's records if only those have it, and its documents or only
/// the one at `document`.
///
/// # Errors
/// A folder without a record, or a file that cannot be read. What was altered is no error but a finding.
pub fn verify(dir: &Path, document: Option<&Path>, expect: Option<&str>) -> Result<Verified, OpsError> {
    archive::bring_record(dir)?;
    let now = seal::fingerprint(dir)?;
    let (seal, seal_damage) = match Seal::read(dir) {
        Ok(seal) => (seal, None),
        Err(error) => (None, Some(error.to_string())),
    };
    let documents = Documents::read(dir);
    let header = reader::read_header(dir);
    let mut checks =
        vec![record(dir, &now, seal.as_ref(), seal_damage, documents.as_ref().ok().and_then(Option::as_ref))?];
    checks.extend(header.as_ref().ok().and_then(rig_and_plan));
    checks.extend(expect.map(|expect| expected(&now, expect)));
    let record_holds = checks.iter().all(|check| check.state != State::Altered);
    let made = Made { documents: documents.ok().flatten(), now: now.clone(), record_holds, today: today(dir) };
    match document {
        Some(path) => checks.push(made.check(path)?),
        None if made.documents.is_none() && !dir.join(RESULTS_FILE).exists() => {}
        None => {
            for name in document::NAMES {
                checks.push(made.check(&dir.join(name))?);
            }
        }
    }
    let header = header.unwrap_or_default();
    Ok(Verified {
        unit: header.unit,
        run: header.run,
        dir: dir.to_owned(),
        is_virtual: header.is_virtual,
        recorded_by: header.program,
        record_sha256: now,
        checks,
    })
}

fn check(what: &str, state: State, because: impl Into<String>) -> Check {
    Check { what: what.to_owned(), state, because: because.into(), differences: Vec::new() }
}

/// The record against its seal, or else against the fingerprint that its documents were made from.
fn record(
    dir: &Path,
    now: &str,
    seal: Option<&Seal>,
    seal_damage: Option<String>,
    documents: Option<&Documents>,
) -> Result<Check, OpsError> {
    let of_documents = documents.map(|documents| documents.record_sha256.clone()).or_else(|| stated_in_results(dir));
    let Some(seal) = seal else {
        let finished = reader::is_finished(dir).unwrap_or(false);
        let why = match (seal_damage, finished) {
            (Some(damage), _) => format!("its seal cannot be read ({damage})"),
            (None, true) => format!("it has no {SEAL_FILE}: taken out, or taken by a program older than seals"),
            (None, false) => "it breaks off before its end, so that it was never sealed".to_owned(),
        };
        return Ok(match of_documents {
            Some(due) if due == now => {
                check("record", State::Holds, format!("{why}; it is as it was when its documents were made"))
            }
            Some(_) => {
                check("record", State::Altered, format!("{why}; it is not the one that its documents were made from"))
            }
            None => check("record", State::Unproven, format!("{why}, and no document says what it was")),
        });
    };
    if seal.fingerprint() == now {
        // A seal made anew after the record was altered: the documents still name the old one.
        return Ok(match of_documents {
            Some(due) if due != now => check(
                "record",
                State::Altered,
                format!("it fits its seal, but its documents were made from another record, {due}"),
            ),
            _ => check("record", State::Holds, "as sealed at the end of the run"),
        });
    }
    let differences = seal.compare(dir)?.into_iter().map(Difference::from).collect();
    let because = format!("it was sealed as {}", seal.fingerprint());
    Ok(Check { differences, ..check("record", State::Altered, because) })
}

fn stated_in_results(dir: &Path) -> Option<String> {
    let bytes = std::fs::read(dir.join(RESULTS_FILE)).ok()?;
    Some(serde_json::from_slice::<Document>(&bytes).ok()?.provenance?.record_sha256)
}

/// Rig and plan in the header against the hash frozen before the run.
fn rig_and_plan(header: &Header) -> Option<Check> {
    let frozen = header.frozen.as_ref()?;
    let now = document::frozen(header.rig_text.as_deref()?, header.plan_text.as_deref()?);
    Some(if now == *frozen {
        check("rig and plan", State::Holds, "as frozen before the run")
    } else {
        check("rig and plan", State::Altered, format!("they were frozen as {frozen} before the run"))
    })
}

fn expected(now: &str, expect: &str) -> Check {
    if now.starts_with(&expect.to_lowercase()) {
        check("fingerprint", State::Holds, "as expected")
    } else {
        check("fingerprint", State::Altered, format!("{expect} was expected, the record has {now}"))
    }
}

/// What the documents of the run in `dir` hold when made anew.
fn today(dir: &Path) -> Result<Vec<(&'static str, String)>, String> {
    let evaluated = analyze(dir, &TraceOptions::default()).map_err(|error| error.to_string())?;
    Ok(document::texts(&evaluated).to_vec())
}

/// What is known of the documents of a run.
struct Made {
    documents: Option<Documents>,
    now: String,
    record_holds: bool,
    today: Result<Vec<(&'static str, String)>, String>,
}

impl Made {
    /// The document at `path` against its hash and against what the record gives.
    fn check(&self, path: &Path) -> Result<Check, OpsError> {
        let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        let kind = document::NAMES.into_iter().find(|known| extension(known) == extension(&name));
        let Some(kind) = kind else {
            let why = "is no document of a run; results.json, curve.csv and report.html are".to_owned();
            return Err(OpsError::Argument { what: path.display().to_string(), why });
        };
        let Ok(found) = std::fs::read(path) else {
            return Ok(check(
                &name,
                State::Missing,
                "it is not there; `galebench report` writes it anew from the record",
            ));
        };
        let mark = self.documents.as_ref().and_then(|documents| documents.files.get(kind));
        let as_written = mark.map(|mark| *mark == FileMark::of(&found));
        let found = String::from_utf8_lossy(&found);
        let due = match &self.today {
            Ok(today) => today.iter().find(|(known, _)| *known == kind).map_or("", |(_, text)| text.as_str()),
            Err(why) => return Ok(self.without_record(&name, as_written, why)),
        };
        if found == due {
            return Ok(check(&name, State::Holds, "the record gives the same"));
        }
        let differences = differences::between(kind, &found, due);
        let older =
            self.documents.as_ref().map(|documents| documents.analysis.as_str()).filter(|by| *by != analysis::VERSION);
        Ok(match (as_written, older) {
            (Some(true), _) if !self.record_holds => {
                check(&name, State::Holds, "as written, before the record was altered")
            }
            (Some(true), Some(older)) => {
                let count = differences.len();
                let because = format!("as written by {older}; this program words or finds {count} things otherwise");
                check(&name, State::Holds, because)
            }
            _ => {
                let because = match as_written {
                    Some(true) => {
                        format!("it is not what the record gives, though it fits {DOCUMENTS_FILE}: both were changed")
                    }
                    Some(false) => "edited after it was written".to_owned(),
                    None => format!("it is not what the record gives, and there is no {DOCUMENTS_FILE}"),
                };
                Check { differences, ..check(&name, State::Altered, because) }
            }
        })
    }

    /// A document whose record cannot be read any more.
    fn without_record(&self, name: &str, as_written: Option<bool>, why: &str) -> Check {
        match as_written {
            Some(true) => check(name, State::Holds, format!("as written; the record cannot be read any more ({why})")),
            Some(false) => check(
                name,
                State::Altered,
                format!("edited after it was written; the record cannot be read any more to tell where ({why})"),
            ),
            None => check(name, State::Unproven, format!("the record {} cannot be read any more ({why})", self.now)),
        }
    }
}

fn extension(name: &str) -> Option<&str> {
    Path::new(name).extension().and_then(|extension| extension.to_str())
}
