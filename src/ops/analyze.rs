//! Analysis of what is already there: a trace from any logger, or the record of a run.

use std::path::Path;

use crate::analysis::{self, recognise};
use crate::ops::document::{self, Evaluated};
use crate::ops::{OpsError, provenance};
use crate::record::csv_import::{self, TraceOptions};
use crate::record::reader;
use crate::verdict;

/// Analyses a CSV trace, or the record in a run's folder.
///
/// A trace has no rig and no plan: uncertainties are type A only and there is no verdict. A record gives the same
/// document as its run did.
///
/// # Errors
/// An unreadable file, a bad row (with its line and column), a torn or foreign record.
pub fn analyze(path: &Path, options: &TraceOptions) -> Result<Evaluated, OpsError> {
    if path.is_dir() { record(path) } else { trace(path, options) }
}

pub(super) fn record(dir: &Path) -> Result<Evaluated, OpsError> {
    let (recording, integrity) = reader::read(dir)?;
    let stopped = document::stopped_of(&recording, integrity.finished);
    let mut evaluated = document::evaluate(recording, stopped);
    if let Some(torn) = integrity.torn {
        evaluated.document.warnings.push(torn);
    }
    provenance::stamp(dir, &mut evaluated, false)?;
    Ok(evaluated)
}

fn trace(path: &Path, options: &TraceOptions) -> Result<Evaluated, OpsError> {
    let bytes = std::fs::read(path).map_err(|source| OpsError::Read { path: path.to_owned(), source })?;
    let imported =
        csv_import::import(&bytes, options).map_err(|source| OpsError::Trace { path: path.to_owned(), source })?;
    let mut recording = imported.recording;
    let mut findings = if let Some(points) = &imported.settled {
        let points: Vec<_> = points.iter().map(|point| (point.duty_pct, point.speed_rpm)).collect();
        analysis::from_settled(&points)
    } else {
        recognise::add_spans(&mut recording);
        analysis::analyse(&recording)
    };
    findings.warnings.splice(0..0, imported.warnings);
    let judgement = verdict::judge(&findings, &recording, None);
    let document = document::document(&recording, &findings, judgement, None);
    Ok(Evaluated { recording, findings, document })
}
