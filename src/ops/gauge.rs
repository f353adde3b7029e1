//! Gauge study: units by sessions by repeats, planned as a list of runs, evaluated from stored runs or a table, judged
//! against the limits of a plan, kept in the calibration file so that later runs carry what sessions differ by.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use rand::SeedableRng as _;
use rand::seq::SliceRandom as _;
use rand_xoshiro::Xoshiro256PlusPlus;

use crate::config;
use crate::config::calibration::{Entry, GaugeEntry, path_for};
use crate::ops::{OpsError, archive, calibrate};
use crate::record::RESULTS_FILE;
use crate::results::{Document, ResultName};
use crate::store::RunState;
use crate::verdict::gauge::{self, Readings, Study};

/// One run of a study that is to be made.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Step {
    /// Session, from 1.
    pub session: usize,
    /// The unit to put on the bench.
    pub unit: String,
    /// Repeat, from 1.
    pub repeat: usize,
}

/// Order of the runs: session by session, within one every unit once per round, in an order of its own, so that
/// warming and wear do not look like a unit. The same seed gives the same order.
///
/// # Errors
/// Fewer than two of anything, a unit named twice.
pub fn plan(units: &[String], sessions: usize, repeats: usize, seed: u64) -> Result<Vec<Step>, OpsError> {
    let fail = |why: String| OpsError::Argument { what: "gauge study".to_owned(), why };
    if units.len() < 2 || sessions < 2 || repeats < 2 {
        let why = "needs two units, two sessions and two repeats at the least; ten, three and two are good";
        return Err(fail(why.to_owned()));
    }
    if units.iter().collect::<BTreeSet<_>>().len() != units.len() {
        return Err(fail("a unit is named twice".to_owned()));
    }
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
    let mut steps = Vec::new();
    for session in 1..=sessions {
        for repeat in 1..=repeats {
            let mut order = units.to_vec();
            order.shuffle(&mut rng);
            steps.extend(order.into_iter().map(|unit| Step { session, unit, repeat }));
        }
    }
    Ok(steps)
}

/// Readings from a table with the columns `unit`, `session` (or `operator`) and one for each quantity; empty is absent.
///
/// # Errors
/// A file that cannot be read, columns that are missing, a value that is no number, with its line.
pub fn from_table(path: &Path) -> Result<Readings, OpsError> {
    let fail = |why: String| OpsError::Argument { what: path.display().to_string(), why };
    let text = std::fs::read_to_string(path).map_err(|source| OpsError::Read { path: path.to_owned(), source })?;
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).trim(csv::Trim::All).from_reader(text.as_bytes());
    let headers = reader.headers().map_err(|error| fail(error.to_string()))?.clone();
    let column = |names: &[&str]| headers.iter().position(|header| names.contains(&header));
    let missing = |name: &str| fail(format!("lacks the column `{name}`"));
    let unit = column(&["unit"]).ok_or_else(|| missing("unit"))?;
    let session = column(&["session", "operator"]).ok_or_else(|| missing("session"))?;
    let mut readings = Readings::new();
    for row in reader.records() {
        let row = row.map_err(|error| fail(error.to_string()))?;
        let line = row.position().map_or(0, csv::Position::line);
        for (at, name) in headers.iter().enumerate().filter(|(at, _)| *at != unit && *at != session) {
            let field = row.get(at).unwrap_or_default();
            if field.is_empty() {
                continue;
            }
            let value: f64 =
                field.parse().map_err(|_| fail(format!("line {line}: `{field}` under `{name}` is no number")))?;
            gauge::put(&mut readings, name, &row[unit], &row[session], value);
        }
    }
    Ok(readings)
}

/// Readings from stored runs, one batch per session; runs that were stopped or judge nothing are left out.
///
/// # Errors
/// A batch without runs, a store or document that cannot be read.
pub fn from_batches(root: &Path, batches: &[String], is_virtual: bool) -> Result<Readings, OpsError> {
    let mut readings = Readings::new();
    for batch in batches {
        let tags = archive::tags_of_batch(root, is_virtual, batch)?;
        if tags.is_empty() {
            let why = "has no runs here; `galebench list` shows what is there".to_owned();
            return Err(OpsError::Argument { what: format!("batch `{batch}`"), why });
        }
        for tag in tags {
            let mut rows = archive::runs_of(root, is_virtual, &tag)?;
            rows.retain(|row| row.batch == *batch && row.state == RunState::Finished && row.grade.is_some());
            rows.reverse();
            for row in rows {
                let path = row.dir.join(RESULTS_FILE);
                let text = std::fs::read(&path).map_err(|source| OpsError::Read { path: path.clone(), source })?;
                let document: Document = serde_json::from_slice(&text).map_err(|error| OpsError::Argument {
                    what: path.display().to_string(),
                    why: format!("is no results document: {error}"),
                })?;
                for (name, measured) in &document.results {
                    if let Some(value) = measured.as_number().filter(|_| !measured.is_bound() && !measured.is_proxy()) {
                        gauge::put(&mut readings, name.name(), &tag, batch, value);
                    }
                }
            }
        }
    }
    Ok(readings)
}

/// Evaluates `readings` against the limits of the plan, if one is given.
///
/// # Errors
/// A plan file that is wrong, or readings of which no quantity tells anything.
pub fn evaluate(readings: &Readings, plan: Option<&Path>) -> Result<Study, OpsError> {
    let limits = plan.map(config::load_plan).transpose()?.map(|plan| plan.limits).unwrap_or_default();
    gauge::evaluate(readings, limits).map_err(|why| OpsError::Argument { what: "gauge study".to_owned(), why })
}

/// Adds what sessions differ by to the calibration file of the rig, from where every later run takes it into `u`.
///
/// # Errors
/// A rig file that is wrong, a file that cannot be written.
pub fn keep(rig: &Path, study: &Study, source: &str) -> Result<PathBuf, OpsError> {
    let rig = config::load_rig(rig)?;
    let now = jiff::Timestamp::now();
    let reproducibility = study
        .lines
        .iter()
        .filter_map(|line| Some((ResultName::from_name(&line.name)?, line.found.reproducibility.sd())));
    let entry = GaugeEntry {
        date: now.round(jiff::Unit::Second).unwrap_or(now).to_string(),
        source: source.to_owned(),
        design: study.lines.first().map_or([0; 3], |line| line.found.design),
        reproducibility: reproducibility.collect(),
    };
    let path = path_for(&rig.path);
    calibrate::add(&path, &Entry::Gauge(entry))?;
    Ok(path)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn units(n: usize) -> Vec<String> {
        (1..=n).map(|n| format!("TQ-{n:04}")).collect()
    }

    #[test]
    fn a_plan_holds_every_cell_and_mixes_the_order_within_rounds() {
        let steps = plan(&units(5), 3, 2, 1).unwrap();
        assert_eq!(steps.len(), 30);
        assert_eq!(steps.iter().map(|s| (s.session, s.repeat, &s.unit)).collect::<BTreeSet<_>>().len(), 30);
        let rounds: Vec<Vec<&String>> = steps.chunks(5).map(|round| round.iter().map(|s| &s.unit).collect()).collect();
        assert!(rounds.windows(2).any(|pair| pair[0] != pair[1]));
        assert!(plan(&units(1), 3, 2, 1).is_err() && plan(&[units(1), units(1)].concat(), 2, 2, 1).is_err());
    }
}
