//! `galebench list`: what has been tested.

use std::path::PathBuf;

use clap::Args;
use serde::Serialize;

use crate::cli::exit::{ExitStatus, Failure};
use crate::cli::output::{print, put_json, say};
use crate::cli::run::grade_parser;
use crate::cli::table;
use crate::ops::archive;
use crate::report::cell;
use crate::results::{Grade, ResultName};
use crate::store::{Filter, Range, RunRow};

/// List what has been tested, newest first; runs of the virtual bench apart
#[derive(Debug, Args)]
pub(crate) struct ListArgs {
    /// Only runs of this batch
    #[arg(long, value_name = "NAME")]
    batch: Option<String>,
    /// Only runs with this grade: a person's where there is one, else the measured one
    #[arg(long, value_name = "GRADE", value_parser = grade_parser())]
    grade: Option<Grade>,
    /// Only units pulled from a donor with this in its words
    #[arg(long, value_name = "TEXT")]
    donor: Option<String>,
    /// Only this kind of input (a word of the result line_kind), or units with this in the kind noted at intake
    #[arg(long, value_name = "TEXT")]
    kind: Option<String>,
    /// Only runs with this in tag, reason, rig, plan, a person's words or what was noted at intake
    #[arg(long, value_name = "TEXT")]
    text: Option<String>,
    /// Only runs with a result in a range, in its unit: drop_v=..0.3, ramp_10_90_s=1..3, sleep_a=0.002.. ; may be
    /// given more than once
    #[arg(long = "where", value_name = "RESULT=FROM..TO", value_parser = range)]
    ranges: Vec<Range>,
    /// Rows at most, of each kind of bench
    #[arg(long, value_name = "N", default_value_t = 50)]
    rows: u32,
    /// Go on behind this run, the last of the page before; real and virtual runs each have their own pages
    #[arg(long, value_name = "RUN")]
    after: Option<String>,
    /// Folder with records and store
    #[arg(long, value_name = "DIR", default_value = "reports")]
    out: PathBuf,
    /// Write the list as JSON to this file, or to standard output for `-`
    #[arg(long, value_name = "PATH", num_args = 0..=1, default_missing_value = "-")]
    json: Option<PathBuf>,
    /// Write the list as CSV to this file, or to standard output for `-`
    #[arg(long, value_name = "PATH", num_args = 0..=1, default_missing_value = "-", conflicts_with = "json")]
    csv: Option<PathBuf>,
}

/// A range as typed.
fn range(text: &str) -> Result<Range, String> {
    let (name, ends) = text.split_once('=').ok_or("must look like drop_v=0.1..0.3")?;
    let result = ResultName::from_name(name.trim()).ok_or_else(|| {
        let near = ResultName::ALL.iter().map(|known| known.name());
        let near = near.max_by(|a, b| strsim::jaro_winkler(a, name).total_cmp(&strsim::jaro_winkler(b, name)));
        format!("`{name}` is no result; the nearest is `{}`", near.unwrap_or_default())
    })?;
    let (low, high) = ends.split_once("..").ok_or("the range must look like 0.1..0.3, 0.1.. or ..0.3")?;
    let end = |text: &str| match text.trim() {
        "" => Ok(None),
        number => match number.parse::<f64>() {
            Ok(value) if value.is_finite() => Ok(Some(value)),
            _ => Err(format!("`{number}` is not a number; write it in {}", unit_words(result))),
        },
    };
    let (min, max) = (end(low)?, end(high)?);
    if min.zip(max).is_some_and(|(min, max)| min > max) {
        return Err(format!("the range {ends} is empty"));
    }
    Ok(Range { result, min, max })
}

fn unit_words(result: ResultName) -> &'static str {
    if result.unit().is_empty() { "plain digits" } else { result.unit() }
}

/// A run in JSON.
#[derive(Debug, Serialize)]
pub(crate) struct ListedRun<'a> {
    #[serde(rename = "virtual")]
    is_virtual: bool,
    #[serde(flatten)]
    row: &'a RunRow,
}

impl ListArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        let filter = Filter {
            batch: self.batch.clone(),
            grade: self.grade,
            donor: self.donor.clone(),
            kind: self.kind.clone(),
            text: self.text.clone(),
            ranges: self.ranges.clone(),
            ..Filter::default()
        };
        let [real, played] = archive::list(&self.out, &filter, self.after.as_deref(), self.rows)?;
        match (&self.json, &self.csv) {
            (Some(path), _) => put_json(&json(&real.rows, &played.rows)?, path)?,
            (None, Some(path)) => put_json(&csv(&real.rows, &played.rows)?, path)?,
            (None, None) => return print(&table::both(&real, &played)).map(|()| ExitStatus::Done),
        }
        for listing in [&real, &played] {
            table::next_page(listing).iter().for_each(|words| say(words));
        }
        Ok(ExitStatus::Done)
    }
}

/// Real runs, then virtual ones, as one JSON array.
pub(crate) fn json(real: &[RunRow], played: &[RunRow]) -> Result<String, Failure> {
    let listed = |is_virtual| move |row| ListedRun { is_virtual, row };
    let rows: Vec<ListedRun<'_>> = real.iter().map(listed(false)).chain(played.iter().map(listed(true))).collect();
    serde_json::to_string_pretty(&rows).map_err(Failure::failed)
}

/// The same as CSV.
fn csv(real: &[RunRow], played: &[RunRow]) -> Result<String, Failure> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let head = [
        "started",
        "unit",
        "batch",
        "plan",
        "rig",
        "state",
        "grade",
        "given_grade",
        "given_by",
        "given_why",
        "reason",
        "bench_s",
        "run",
        "dir",
        "virtual",
    ];
    writer.write_record(head).map_err(Failure::failed)?;
    for (is_virtual, row) in real.iter().map(|row| ("0", row)).chain(played.iter().map(|row| ("1", row))) {
        let text = |text: &Option<String>| cell(text.as_deref().unwrap_or_default());
        let grade = |grade: Option<Grade>| grade.map_or("", Grade::word).to_owned();
        let given = row.given.as_ref();
        writer
            .write_record([
                text(&row.started),
                text(&row.unit),
                cell(&row.batch),
                text(&row.plan),
                text(&row.rig),
                row.state.word().to_owned(),
                grade(row.grade),
                grade(given.map(|given| given.grade)),
                given.map_or(String::new(), |given| cell(&given.by)),
                given.map_or(String::new(), |given| cell(&given.why)),
                text(&row.reason),
                format!("{:.1}", row.bench_s),
                cell(&row.run),
                cell(&row.dir.to_string_lossy()),
                is_virtual.to_owned(),
            ])
            .map_err(Failure::failed)?;
    }
    let bytes = writer.into_inner().map_err(Failure::failed)?;
    String::from_utf8(bytes).map_err(Failure::failed)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::{Given, RunState};

    #[test]
    fn ranges_are_read_as_typed_and_wrong_ones_say_what_is_wrong() {
        let drop = |min, max| Ok(Range { result: ResultName::DropV, min, max });
        assert_eq!(range("drop_v=0.1..0.3"), drop(Some(0.1), Some(0.3)));
        assert_eq!(range("drop_v=..0.3"), drop(None, Some(0.3)));
        assert_eq!(range("drop_v=1e-1.."), drop(Some(0.1), None));
        assert!(range("drop=..0.3").unwrap_err().contains("nearest is `drop_v`"));
        assert!(range("drop_v=300 mV..").unwrap_err().contains("write it in V"));
        assert!(range("drop_v=0.3..0.1").unwrap_err().contains("empty"));
        assert!(range("drop_v<0.3").is_err() && range("drop_v=0.3").is_err() && range("drop_v=nan..").is_err());
    }

    #[test]
    fn csv_has_a_persons_reason_and_no_cell_that_a_spreadsheet_would_run() {
        let row = RunRow {
            run: "20260512T143015Z-a3f0c1".to_owned(),
            unit: Some("TQ-0001".to_owned()),
            batch: "may-shelf-3".to_owned(),
            plan: Some("-full".to_owned()),
            rig: Some("@bench".to_owned()),
            started: None,
            bench_s: 412.5,
            state: RunState::Finished,
            grade: Some(Grade::Scrap),
            reason: Some("=1+1\nand more".to_owned()),
            dir: PathBuf::from("reports/may-shelf-3"),
            given: Some(Given {
                grade: Grade::Fit,
                by: "+Ines".to_owned(),
                why: "=HYPERLINK(\"x\"), loose".to_owned(),
            }),
            recorded_unit: None,
            bench: None,
            analysis: None,
        };
        let text = csv(&[row], &[]).unwrap();
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let head = reader.headers().unwrap().clone();
        let cells = reader.records().next().unwrap().unwrap();
        let of = |name: &str| cells[head.iter().position(|head| head == name).unwrap()].to_owned();
        assert_eq!(of("given_why"), "'=HYPERLINK(\"x\"), loose");
        assert_eq!((of("given_by"), of("plan"), of("rig")), ("'+Ines".into(), "'-full".into(), "'@bench".into()));
        assert_eq!(
            (of("reason"), of("unit"), of("bench_s")),
            ("'=1+1 and more".into(), "TQ-0001".into(), "412.5".into())
        );
        assert_eq!((of("grade"), of("given_grade")), ("scrap".into(), "fit".into()));
    }
}
