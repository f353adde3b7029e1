//! A unit's run against an earlier one of its own, with a check unit beside it where the bench has one; and the chart of a
//! check unit over all its runs on a bench.
//!
//! Both records are analysed anew: only today's analysis of both can be compared, and budgets are in no document.

use std::path::Path;

use jiff::Timestamp;

use crate::ops::document::Evaluated;
use crate::ops::{OpsError, analyze, archive, labels};
use crate::record::csv_import::TraceOptions;
use crate::results::{Measured, ResultName};
use crate::store::{RunRow, RunState};
use crate::verdict::drift::{BASELINE, Change, Checked, Control, Drift, Which, beside, changes, chart};

/// Compares the newest run of `unit` with the run named `since`, else with the oldest of the same plan; `check` is the tag
/// of a check unit.
///
/// # Errors
/// A unit without two runs to compare, a run that is not known, a check unit without runs of its own on that bench at two
/// times, records that cannot be read.
pub fn drift(root: &Path, unit: &str, since: Option<&str>, check: Option<&str>) -> Result<Drift, OpsError> {
    let runs = judging(root, unit)?;
    let fail = |why: String| OpsError::Argument { what: format!("unit `{unit}`"), why };
    let Some((after, earlier)) = runs.split_first() else {
        return Err(fail("has no run that went through its plan".to_owned()));
    };
    let before = match since {
        Some(name) => earlier
            .iter()
            .find(|row| row.run == name)
            .ok_or_else(|| fail(format!("has no earlier run `{name}`; `galebench show {unit}` lists them")))?,
        None => earlier
            .iter()
            .rfind(|row| row.plan == after.plan)
            .ok_or_else(|| fail("has no earlier run of the same plan to compare the newest with".to_owned()))?,
    };
    let (first, last) = (evaluated(before)?, evaluated(after)?);
    let same_bench = on_one_bench(&first, &last);
    let changes = changes(&first.findings, &last.findings, same_bench);
    let check = check.map(|check| checked(root, check, (before, after), &changes)).transpose()?;
    let words = differing_words(&first, &last);
    Ok(Drift { before: which(before), after: which(after), same_bench, changes, words, check })
}

/// Runs of a unit that went through a plan, newest first: real ones, or virtual ones where there are no others.
fn judging(root: &Path, unit: &str) -> Result<Vec<RunRow>, OpsError> {
    let mut rows = archive::runs_of(root, false, unit)?;
    if rows.is_empty() {
        rows = archive::runs_of(root, true, unit)?;
    }
    rows.retain(|row| row.judges() && row.state == RunState::Finished);
    Ok(rows)
}

fn which(row: &RunRow) -> Which {
    Which { unit: row.unit.clone().unwrap_or_default(), run: row.run.clone(), started: row.started.clone() }
}

fn evaluated(row: &RunRow) -> Result<Evaluated, OpsError> {
    archive::bring_record(&row.dir)?;
    analyze::analyze(&row.dir, &TraceOptions::default())
}

fn on_one_bench(first: &Evaluated, last: &Evaluated) -> bool {
    let [first, last] = [first, last].map(|run| &run.recording.header);
    first.rig == last.rig && first.calibrations == last.calibrations && first.bench.channels == last.bench.channels
}

fn differing_words(first: &Evaluated, last: &Evaluated) -> Vec<(ResultName, String, String)> {
    let word = |run: &Evaluated, name| run.findings.results.get(name).and_then(Measured::as_word).map(str::to_owned);
    let both = ResultName::ALL.iter().filter_map(|name| Some((*name, word(first, name)?, word(last, name)?)));
    both.filter(|(_, before, after)| before != after).collect()
}

fn checked(
    root: &Path,
    check: &str,
    span: (&RunRow, &RunRow),
    changes_of_unit: &[Change],
) -> Result<Checked, OpsError> {
    let mut runs = judging(root, check)?;
    runs.retain(|row| row.rig == span.1.rig && row.plan == span.1.plan);
    let fail = |why: &str| OpsError::Argument { what: format!("check unit `{check}`"), why: why.to_owned() };
    let at = |row: &RunRow| row.started.as_deref().and_then(|text| text.parse::<Timestamp>().ok());
    let nearest = |to: &RunRow| {
        let to = at(to)?;
        runs.iter().filter_map(|row| Some((at(row)?.duration_since(to).abs(), row))).min_by_key(|(apart, _)| *apart)
    };
    let (Some((_, before)), Some((_, after))) = (nearest(span.0), nearest(span.1)) else {
        return Err(fail("has no run of that plan on that rig"));
    };
    if before.run == after.run {
        return Err(fail("was not run near both times on that rig: one and the same run is nearest to both"));
    }
    let (first, last) = (evaluated(before)?, evaluated(after)?);
    let own = changes(&first.findings, &last.findings, on_one_bench(&first, &last));
    Ok(Checked { before: which(before), after: which(after), beside: beside(changes_of_unit, &own) })
}

/// Charts the runs of a check unit on `rig`, else on that of its newest run, all of the newest run's plan.
///
/// # Errors
/// Fewer runs than the limits need; results that cannot be read.
pub fn control(root: &Path, unit: &str, rig: Option<&str>) -> Result<Control, OpsError> {
    let mut runs = judging(root, unit)?;
    if let Some(rig) = rig {
        runs.retain(|row| row.rig.as_deref() == Some(rig));
    }
    let newest = runs.first().map(|row| (row.rig.clone(), row.plan.clone()));
    runs.retain(|row| Some((&row.rig, &row.plan)) == newest.as_ref().map(|(rig, plan)| (rig, plan)));
    runs.reverse();
    if runs.len() < BASELINE {
        let why = format!("has {} runs of one plan on that rig; limits need {BASELINE}", runs.len());
        return Err(OpsError::Argument { what: format!("check unit `{unit}`"), why });
    }
    let documents = runs.iter().map(|row| labels::document(&row.dir)).collect::<Result<Vec<_>, _>>()?;
    let charts = ResultName::ALL.iter().filter_map(|name| {
        let values: Option<Vec<f64>> =
            documents.iter().map(|document| document.results.get(name).and_then(Measured::plain_number)).collect();
        chart(*name, &values?)
    });
    let charts = charts.collect();
    Ok(Control { rig: newest.and_then(|(rig, _)| rig), runs: runs.iter().map(which).collect(), charts })
}
