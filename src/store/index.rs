//! What is asked of the index: put a run in, list runs, the history of a unit.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use rusqlite::types::{ToSql, Type, Value as SqlValue};
use rusqlite::{Connection, OptionalExtension, Row, params};
use serde::Serialize;

use super::error::StoreError;
use super::schema;
use crate::results::{Document, Grade, Measured, ResultName};

/// Batch of a run that was given none.
pub const UNSORTED: &str = "unsorted";

/// Name of the plan of a contact check, which grades nothing.
pub const CONTACT_PLAN: &str = "contact check";
/// Name of the plan behind a spin by hand, which grades nothing either.
pub const SPIN_PLAN: &str = "spin";

/// Database file below `root`, the folder of all reports. The virtual bench has its own.
#[must_use]
pub fn default_path(root: &Path, is_virtual: bool) -> PathBuf {
    root.join(if is_virtual { "galebench-virtual.db" } else { "galebench.db" })
}

/// How a run came to its end.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum RunState {
    /// Its plan was gone through.
    Finished,
    /// The supervisor, the operator or a failure stopped it; the record was brought to its end.
    Stopped,
    /// The record breaks off, or the run is still going on.
    Interrupted,
}

impl RunState {
    const ALL: [Self; 3] = [Self::Finished, Self::Stopped, Self::Interrupted];

    /// The word as printed.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Finished => "finished",
            Self::Stopped => "stopped",
            Self::Interrupted => "interrupted",
        }
    }
}

/// A run as listed.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RunRow {
    /// Identifier of the run.
    pub run: String,
    /// Unit tag.
    pub unit: Option<String>,
    /// Batch, [`UNSORTED`] if none was given.
    pub batch: String,
    /// Plan name.
    pub plan: Option<String>,
    /// Rig name.
    pub rig: Option<String>,
    /// Wall-clock start, RFC 3339.
    pub started: Option<String>,
    /// Time spent on the bench's own clock, seconds.
    pub bench_s: f64,
    /// How it ended.
    pub state: RunState,
    /// The grade; `None` without a verdict.
    pub grade: Option<Grade>,
    /// The most important reason of the grade, or why the run was stopped.
    pub reason: Option<String>,
    /// Folder of the run.
    pub dir: PathBuf,
    /// The grade that a person gave beside the measured one.
    pub given: Option<Given>,
    /// Tag in the record, where a person corrected it afterwards.
    pub recorded_unit: Option<String>,
}

impl RunRow {
    /// Whether the run was meant to judge the unit.
    #[must_use]
    pub fn judges(&self) -> bool {
        !matches!(self.plan.as_deref(), Some(CONTACT_PLAN | SPIN_PLAN))
    }

    /// The grade that counts: a person's where there is one.
    #[must_use]
    pub fn counted_grade(&self) -> Option<Grade> {
        self.given.as_ref().map(|given| given.grade).or(self.grade)
    }
}

/// A person's grade beside the measured one.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Given {
    /// Their grade.
    pub grade: Grade,
    /// Who.
    pub by: String,
    /// Why.
    pub why: String,
}

/// Which runs to list; what is left out is not asked for.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Filter {
    /// Of this batch.
    pub batch: Option<String>,
    /// Of this unit.
    pub unit: Option<String>,
    /// With this grade.
    pub grade: Option<Grade>,
    /// That ended so.
    pub state: Option<RunState>,
    /// Of units pulled from a donor with this in its words.
    pub donor: Option<String>,
    /// Of this kind of input, or of units with this in the kind that was noted at intake.
    pub kind: Option<String>,
    /// With this anywhere in tag, reason, rig, plan, a person's words or what was noted at intake.
    pub text: Option<String>,
    /// With results in these ranges.
    pub ranges: Vec<Range>,
}

/// A result between two values.
#[derive(Clone, Debug, PartialEq)]
pub struct Range {
    /// Which.
    pub result: ResultName,
    /// At least this.
    pub min: Option<f64>,
    /// At most this.
    pub max: Option<f64>,
}

/// Which part of a list.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Page {
    /// Rows passed over.
    pub skip: u32,
    /// Rows wanted at most.
    pub rows: u32,
}

impl Default for Page {
    fn default() -> Self {
        Self { skip: 0, rows: 50 }
    }
}

/// A page of a list.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Listing {
    /// The rows, newest run first.
    pub rows: Vec<RunRow>,
    /// How many runs there are on all pages.
    pub total: u64,
}

/// The open index.
#[derive(Debug)]
pub struct Store {
    pub(super) connection: Connection,
    pub(super) path: PathBuf,
    /// Folder below which run folders are kept relative, so that the whole of it can be moved.
    pub(super) root: PathBuf,
}

/// Newest first; runs without a start time last. Identifiers decide between equal times.
const NEWEST_FIRST: &str = "ORDER BY started_ms DESC NULLS LAST, run DESC, id DESC";
const COLUMNS: &str = "dir, run, unit, batch, plan, rig, started, bench_s, state, grade, reason, \
    given_grade, given_by, given_why, recorded_unit";
impl Store {
    /// Opens the index at `path`, creates it with its folder, and brings an older one up to date. A file whose name ends in
    /// `-virtual` before its extension takes virtual runs only, any other real runs only.
    ///
    /// # Errors
    /// When the file cannot be created or opened, is locked, damaged, newer than this program or another program's.
    pub fn open(path: &Path) -> Result<Self, StoreError> {
        let failed = |doing, e: std::io::Error| StoreError::Io { doing, path: path.to_owned(), why: e.to_string() };
        let root = std::path::absolute(path).map_err(|e| failed("find", e))?;
        let root = root.parent().map(Path::to_owned).unwrap_or_default();
        fs::create_dir_all(&root).map_err(|e| failed("create the folder of", e))?;
        Ok(Self { connection: schema::open(path)?, path: path.to_owned(), root })
    }

    /// Whether this is the index of virtual runs.
    #[must_use]
    pub fn is_virtual(&self) -> bool {
        self.path.file_stem().is_some_and(|stem| stem.to_string_lossy().ends_with("-virtual"))
    }

    /// Puts in the run whose record lies in `dir`, or puts it in anew after another analysis.
    ///
    /// # Errors
    /// When the index cannot be written, or the run is virtual and the index is not (or the other way round).
    pub fn insert(&self, document: &Document, dir: &Path, state: RunState) -> Result<(), StoreError> {
        if document.is_virtual != self.is_virtual() {
            let run = document.run.clone().unwrap_or_else(|| dir.display().to_string());
            return Err(StoreError::WrongKind { path: self.path.clone(), run });
        }
        let kept = self.kept_dir(dir)?;
        let run = document.run.clone().unwrap_or_else(|| last_name(dir));
        let verdict = document.verdict.as_ref();
        let reason = verdict
            .and_then(|verdict| verdict.reasons.first())
            .or(document.stopped.as_ref().map(|stopped| &stopped.cause));
        self.connection
            .prepare_cached(
                "INSERT INTO runs (dir, run, unit, batch, plan, rig, started, started_ms, bench_s, state, grade, reason,
                                   line_kind, numbers)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14)
                 ON CONFLICT (dir) DO UPDATE SET
                     run = excluded.run, batch = excluded.batch, plan = excluded.plan,
                     unit = CASE WHEN runs.recorded_unit IS NULL THEN excluded.unit ELSE runs.unit END,
                     rig = excluded.rig, started = excluded.started, started_ms = excluded.started_ms,
                     bench_s = excluded.bench_s, state = excluded.state, grade = excluded.grade,
                     reason = excluded.reason, line_kind = excluded.line_kind, numbers = excluded.numbers",
            )
            .and_then(|mut statement| {
                statement.execute(params![
                    kept,
                    run,
                    document.unit,
                    document.batch.as_deref().unwrap_or(UNSORTED),
                    document.plan,
                    document.rig,
                    document.started,
                    document.started.as_deref().and_then(milliseconds),
                    document.bench_seconds,
                    state.word(),
                    verdict.map(|verdict| verdict.grade.word()),
                    reason,
                    document.results.get(&ResultName::LineKind).and_then(Measured::as_word),
                    numbers(document),
                ])
            })
            .map_err(|e| self.failed("write", &e))?;
        Ok(())
    }

    /// Runs that match `filter`, newest first. Contact checks are shown only when a unit is asked for.
    ///
    /// # Errors
    /// When the index cannot be read.
    pub fn list(&self, filter: &Filter, page: Page) -> Result<Listing, StoreError> {
        let (matches, given) = conditions(filter);
        let given = || given.iter().map(|value| value as &dyn ToSql).collect::<Vec<_>>();
        let read = || {
            let count = format!("SELECT count(*) FROM runs WHERE {matches}");
            let total: i64 = self.connection.prepare_cached(&count)?.query_row(given().as_slice(), |row| row.get(0))?;
            let Page { rows, skip } = page;
            let select =
                format!("SELECT {COLUMNS} FROM runs WHERE {matches} {NEWEST_FIRST} LIMIT {rows} OFFSET {skip}");
            let mut statement = self.connection.prepare_cached(&select)?;
            let rows =
                statement.query_map(given().as_slice(), |row| self.row(row))?.collect::<rusqlite::Result<Vec<_>>>()?;
            Ok(Listing { rows, total: u64::try_from(total).unwrap_or(0) })
        };
        read().map_err(|e| self.failed("read", &e))
    }

    /// All runs of the unit `tag`, newest first.
    ///
    /// # Errors
    /// When the index cannot be read.
    pub fn units(&self, tag: &str) -> Result<Vec<RunRow>, StoreError> {
        let filter = Filter { unit: Some(tag.to_owned()), ..Filter::default() };
        Ok(self.list(&filter, Page { skip: 0, rows: u32::MAX })?.rows)
    }

    /// How many other runs of the unit `tag`, contact checks apart, were started before `run`; all others when `run` is not in the
    /// index yet or its start is unknown.
    ///
    /// # Errors
    /// When the index cannot be read.
    pub fn earlier_runs(&self, tag: &str, run: &str) -> Result<u64, StoreError> {
        let read = || {
            let of_run = "SELECT started_ms FROM runs WHERE unit = ?1 AND run = ?2";
            let started: Option<i64> =
                self.connection.query_row(of_run, params![tag, run], |row| row.get(0)).optional()?.flatten();
            let others = "SELECT count(*) FROM runs WHERE unit = ?1 AND run <> ?2 \
                          AND plan IS DISTINCT FROM 'contact check' \
                          AND (?3 IS NULL OR started_ms IS NULL OR started_ms < ?3)";
            self.connection.query_row(others, params![tag, run, started], |row| row.get::<_, i64>(0))
        };
        read().map(|count| u64::try_from(count).unwrap_or(0)).map_err(|e| self.failed("read", &e))
    }

    pub(super) fn one_run(&self, run: &str) -> rusqlite::Result<Option<RunRow>> {
        let select = format!("SELECT {COLUMNS} FROM runs WHERE run = ?1 {NEWEST_FIRST} LIMIT 1");
        self.connection.prepare_cached(&select)?.query_row([run], |row| self.row(row)).optional()
    }

    pub(super) fn failed(&self, doing: &'static str, error: &rusqlite::Error) -> StoreError {
        StoreError::sql(doing, &self.path, error)
    }

    /// How `dir` is kept: relative where it lies below the index's own folder, with `/` on every system.
    fn kept_dir(&self, dir: &Path) -> Result<String, StoreError> {
        let failed = |why: String| StoreError::Sql { path: self.path.clone(), why };
        let whole = std::path::absolute(dir).map_err(|e| failed(e.to_string()))?;
        let kept = whole.strip_prefix(&self.root).unwrap_or(&whole);
        let text = kept.to_str().ok_or_else(|| failed(format!("folder {} is not UTF-8 text", dir.display())))?;
        Ok(text.replace(std::path::MAIN_SEPARATOR, "/"))
    }

    fn row(&self, row: &Row<'_>) -> rusqlite::Result<RunRow> {
        let state: String = row.get("state")?;
        let grade: Option<String> = row.get("grade")?;
        Ok(RunRow {
            run: row.get("run")?,
            unit: row.get("unit")?,
            batch: row.get("batch")?,
            plan: row.get("plan")?,
            rig: row.get("rig")?,
            started: row.get("started")?,
            bench_s: row.get("bench_s")?,
            state: RunState::ALL.into_iter().find(|known| known.word() == state).ok_or_else(|| unknown(8, &state))?,
            grade: grade.map(|word| grade_of(&word).ok_or_else(|| unknown(9, &word))).transpose()?,
            reason: row.get("reason")?,
            given: given(row)?,
            recorded_unit: row.get("recorded_unit")?,
            dir: self.root.join(row.get::<_, String>("dir")?),
        })
    }
}

/// Conditions of a filter, and the values of their `?` in order.
fn conditions(filter: &Filter) -> (String, Vec<SqlValue>) {
    let mut parts: Vec<String> = Vec::new();
    let mut given: Vec<SqlValue> = Vec::new();
    let mut equal = |column: &str, value: Option<&str>| {
        if let Some(value) = value {
            parts.push(format!("{column} = ?"));
            given.push(SqlValue::Text(value.to_owned()));
        }
    };
    equal("batch", filter.batch.as_deref());
    equal("unit", filter.unit.as_deref());
    equal("grade", filter.grade.map(Grade::word));
    equal("state", filter.state.map(RunState::word));
    if filter.unit.is_none() {
        parts.push(format!("plan IS DISTINCT FROM '{CONTACT_PLAN}'"));
    }
    let unit_has = |columns: &[&str]| {
        let any: Vec<String> = columns.iter().map(|column| format!("units.{column} LIKE ? ESCAPE '\\'")).collect();
        let at = "units.batch = runs.batch AND units.tag = runs.unit";
        format!("EXISTS (SELECT 1 FROM units WHERE {at} AND ({}))", any.join(" OR "))
    };
    let within = |text: &str| {
        let plain = text.replace('\\', "\\\\").replace('%', "\\%").replace('_', "\\_");
        SqlValue::Text(format!("%{plain}%"))
    };
    if let Some(donor) = &filter.donor {
        parts.push(unit_has(&["donor"]));
        given.push(within(donor));
    }
    if let Some(kind) = &filter.kind {
        parts.push(format!("(line_kind = ? OR {})", unit_has(&["kind"])));
        given.extend([SqlValue::Text(kind.clone()), within(kind)]);
    }
    if let Some(text) = &filter.text {
        let own = ["unit", "reason", "rig", "plan", "given_by", "given_why"];
        let noted = ["donor", "kind", "shelf", "findings", "note"];
        let any: Vec<String> = own.iter().map(|column| format!("runs.{column} LIKE ? ESCAPE '\\'")).collect();
        parts.push(format!("({} OR {})", any.join(" OR "), unit_has(&noted)));
        given.extend(std::iter::repeat_n(within(text), own.len() + noted.len()));
    }
    for range in &filter.ranges {
        // Names of results are letters, digits and underscores.
        let value = format!("CAST(numbers ->> '{}' AS DOUBLE PRECISION)", range.result.name());
        for (sign, end) in [(">=", range.min), ("<=", range.max)] {
            if let Some(end) = end {
                parts.push(format!("{value} {sign} ?"));
                given.push(SqlValue::Real(end));
            }
        }
        if range.min.is_none() && range.max.is_none() {
            parts.push(format!("{value} IS NOT NULL"));
        }
    }
    let all = if parts.is_empty() { "TRUE".to_owned() } else { parts.join(" AND ") };
    (all, given)
}

/// The person's grade of a row.
fn given(row: &Row<'_>) -> rusqlite::Result<Option<Given>> {
    let Some(word) = row.get::<_, Option<String>>("given_grade")? else { return Ok(None) };
    let grade = grade_of(&word).ok_or_else(|| unknown(11, &word))?;
    let text = |name| row.get::<_, Option<String>>(name).map(Option::unwrap_or_default);
    Ok(Some(Given { grade, by: text("given_by")?, why: text("given_why")? }))
}

/// All numbers of a document by name, as JSON, for queries by range; bounds are no numbers to ask for.
fn numbers(document: &Document) -> String {
    let known = |(name, measured): (&ResultName, &Measured)| {
        let value = measured.as_number().filter(|value| value.is_finite() && !measured.is_bound())?;
        Some((name.name(), value))
    };
    let all: BTreeMap<&str, f64> = document.results.iter().filter_map(known).collect();
    // Plain names and finite numbers: nothing that JSON cannot hold.
    serde_json::to_string(&all).unwrap_or_default()
}

fn unknown(column: usize, word: &str) -> rusqlite::Error {
    rusqlite::Error::FromSqlConversionFailure(column, Type::Text, format!("`{word}` is not known").into())
}

fn grade_of(word: &str) -> Option<Grade> {
    [Grade::Scrap, Grade::Undecided, Grade::Restricted, Grade::Fit].into_iter().find(|grade| grade.word() == word)
}

/// Milliseconds since 1970, to order times that were written with different offsets.
fn milliseconds(started: &str) -> Option<i64> {
    started.parse::<jiff::Timestamp>().ok().map(jiff::Timestamp::as_millisecond)
}

fn last_name(dir: &Path) -> String {
    dir.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
}

#[cfg(test)]
#[path = "tests.rs"]
mod tests;
