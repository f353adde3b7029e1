//! From a recording to its documents: analysis, verdict and the results document, the same for a run just ended, a
//! record read back and a bare trace.

use std::path::Path;

use sha2::{Digest as _, Sha256};

use crate::analysis;
use crate::ops::provenance::Documents;
use crate::ops::{OpsError, write_whole};
use crate::record::RESULTS_FILE;
use crate::record::event::Event;
use crate::record::recording::Recording;
use crate::record::seal::hex;
use crate::report;
use crate::results::{Document, Findings, Stopped, StoppedBy};
use crate::verdict;

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
        Event::Trip { rule, saw, by } => Some(Stopped { cause: trip_words(rule, saw), by: *by, t_s: line.t_s }),
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

/// A trip as one phrase.
#[must_use]
pub fn trip_words(rule: &str, saw: &str) -> String {
    format!("{}: {saw}", rule.replace('_', " "))
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

/// Writes `results.json`, `curve.csv` and `report.html` into `dir`, and what they hash to where they have a record.
///
/// # Errors
/// [`OpsError::Write`] for the first that cannot be written; the others may be there.
pub fn write(dir: &Path, evaluated: &Evaluated) -> Result<(), OpsError> {
    let texts = texts(evaluated);
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
