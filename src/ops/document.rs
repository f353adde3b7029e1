//! From a recording to its documents: analysis, verdict and the results document, the same for a run just ended, a
//! record read back and a bare trace.

use std::path::Path;

use sha2::{Digest as _, Sha256};

use crate::analysis;
use crate::ops::provenance::Documents;
use crate::ops::{OpsError, write_whole};
use crate::record::event::Event;
use crate::record::recording::Recording;
use crate::record::seal::hex;
use crate::record::{EVENTS_FILE, RESULTS_FILE};
use crate::report;
use crate::results::{Document, Findings, Stopped, StoppedBy};
use crate::verdict;

/// Folder below that of a run for results of earlier analyses.
const ANALYSES: &str = "analyses";

/// Layout version of the results document.
pub const FORMAT: u32 = 1;

/// A recording with everything derived from it.
#[derive(Clone, Debug)]
pub struct Evaluated {
    /// The samples and events.
    pub recording: Recording,
    /// Results with their budgets.
    pub findings: Findings,
    /// The results document.
    pub document: Document,
}

/// Analyses and judges a recording. `stopped` is why it ended early, if it did.
#[must_use]
pub fn evaluate(recording: Recording, stopped: Option<Stopped>) -> Evaluated {
    let findings = analysis::analyse(&recording);
    let judgement = verdict::judge(&findings, &recording, stopped.as_ref());
    let document = document(&recording, &findings, judgement, stopped);
    Evaluated { recording, findings, document }
}

/// Limits that the record so far leaves open: what a run asks before it ends.
#[must_use]
pub fn doubts(recording: &Recording) -> Vec<verdict::Doubt> {
    verdict::doubts(&analysis::analyse(recording), recording)
}

/// Why a record that was read back ended early, from its own events: its trip, or that it breaks off.
#[must_use]
pub fn stopped_of(recording: &Recording, finished: bool) -> Option<Stopped> {
    let trip = recording.events.iter().find_map(|line| match &line.event {
        Event::Trip { rule, saw, by } => Some(Stopped { cause: trip_cause(rule, saw), by: *by, t_s: line.t_s }),
        _ => None,
    });
    trip.or_else(|| {
        (!finished).then(|| Stopped {
            cause: "interrupted: the record breaks off before its last line".to_owned(),
            by: StoppedBy::Host,
            t_s: recording.end_s,
        })
    })
}

/// A trip as the run itself states it: whoever reads the record again must come to the same words.
fn trip_cause(rule: &str, saw: &str) -> String {
    format!("{rule}: {saw}")
}

pub(super) fn document(
    recording: &Recording,
    findings: &Findings,
    judgement: verdict::Judgement,
    stopped: Option<Stopped>,
) -> Document {
    let header = &recording.header;
    let named = |text: &str| (!text.is_empty()).then(|| text.to_owned());
    let mut warnings = findings.warnings.clone();
    warnings.splice(0..0, safe_doubt(recording));
    Document {
        format: FORMAT,
        unit: header.unit.clone(),
        batch: header.batch.clone(),
        run: named(&header.run),
        plan: header.plan.clone(),
        rig: header.rig.clone(),
        started: header.started.clone(),
        bench_seconds: (recording.end_s * 1000.0).round() / 1000.0,
        is_virtual: header.is_virtual,
        results: findings.results.clone(),
        absent: findings.absent.clone(),
        curve: findings.curve.clone(),
        signs: judgement.signs,
        verdict: judgement.verdict,
        stopped,
        earlier_runs: header.earlier_runs,
        carried: verdict::carried(recording),
        load_fan: findings.load_fan.clone(),
        hot_day: verdict::hot_day(findings, recording),
        by_frequency: findings.by_frequency.clone(),
        warnings,
        events: findings.events.clone(),
        provenance: None,
        analysis: Some(analysis::VERSION.to_owned()),
    }
}

/// What the last attempt to make the bench safe leaves open: nobody may miss it, so it heads the warnings.
fn safe_doubt(recording: &Recording) -> Option<String> {
    let last = recording.events.iter().rev().find_map(|line| match &line.event {
        Event::Safe { confirmed } => Some(confirmed),
        _ => None,
    })?;
    last.as_ref().err().map(|why| format!("SAFE STATE NOT CONFIRMED: {why}; treat bench and unit as live"))
}

/// What an earlier document says of itself.
#[derive(serde::Deserialize)]
struct Former {
    #[serde(default)]
    analysis: Option<String>,
}

/// Moves a run's former results out of the way of `new` ones: a verdict that was once given can be shown for good, with
/// the analysis that gave it. The name has the document's hash, so that nothing ever takes its place.
fn keep_former(dir: &Path, new: &[u8]) -> Result<(), OpsError> {
    let path = dir.join(RESULTS_FILE);
    let former = match std::fs::read(&path) {
        Ok(former) if dir.join(EVENTS_FILE).is_file() && former != new => former,
        Ok(_) => return Ok(()),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(()),
        Err(source) => return Err(OpsError::Read { path, source }),
    };
    let said = serde_json::from_slice::<Former>(&former).ok().and_then(|former| former.analysis);
    let said = said.unwrap_or_else(|| "unknown".to_owned());
    let name: String = said.chars().map(|c| if c.is_ascii_alphanumeric() || c == '.' { c } else { '-' }).collect();
    let folder = dir.join(ANALYSES);
    std::fs::create_dir_all(&folder).map_err(|source| OpsError::Write { path: folder.clone(), source })?;
    let hash = hex(&Sha256::digest(&former));
    write_whole(&folder.join(format!("{name}-{}.json", &hash[..16])), &former)
}

/// Names of the documents of a run.
pub const NAMES: [&str; 3] = [RESULTS_FILE, "curve.csv", "report.html"];

/// The documents of a run, name and content.
#[must_use]
pub fn texts(evaluated: &Evaluated) -> [(&'static str, String); 3] {
    let Evaluated { recording, findings, document } = evaluated;
    let [results, curve, page] = NAMES;
    [
        (results, report::json(document)),
        (curve, report::curve_csv(document)),
        (page, report::html(document, recording, findings)),
    ]
}

/// SHA-256 over the texts of rig and plan with their lengths, so that moving a line from one to the other changes it.
#[must_use]
pub fn frozen(rig: &str, plan: &str) -> String {
    let mut hash = Sha256::new();
    for text in [rig, plan] {
        hash.update((text.len() as u64).to_le_bytes());
        hash.update(text.as_bytes());
    }
    hex(&hash.finalize())
}

/// Writes `results.json`, `curve.csv` and `report.html` into `dir`, and what they hash to where they have a record. Results
/// of an earlier analysis are kept in `analyses`.
///
/// # Errors
/// [`OpsError::Write`] for the first that cannot be written; the others may be there.
pub fn write(dir: &Path, evaluated: &Evaluated) -> Result<(), OpsError> {
    let texts = texts(evaluated);
    let [(_, json), ..] = &texts;
    keep_former(dir, json.as_bytes())?;
    for (name, text) in &texts {
        write_whole(&dir.join(name), text.as_bytes())?;
    }
    match &evaluated.document.provenance {
        Some(provenance) => {
            Documents::write(dir, provenance, &texts.each_ref().map(|(name, text)| (*name, text.as_str())))
        }
        None => Ok(()),
    }
}
