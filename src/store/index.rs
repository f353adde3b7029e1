//! What is asked of the index: put a run in, list runs, the history of a unit.

use std::cell::Cell;
use std::fs;
use std::path::{Path, PathBuf};

use serde::Serialize;

use super::error::StoreError;
use super::filter::numbers;
use super::schema;
use super::sql::{Database, Row, SqlError, Value};
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

    /// The state that a word names.
    pub(super) fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|known| known.word() == word)
    }

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
    /// The bench that took it, where the index is shared by several.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bench: Option<String>,
    /// Program and analysis behind grade and reason; `None` where that was not yet written down.
    pub analysis: Option<String>,
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

/// One index: a file of this bench's own, or the tables on a server that benches share.
#[derive(Debug)]
pub(super) struct Index {
    pub(super) database: Box<dyn Database>,
    /// The file, or server and database, as people are told.
    pub(super) place: PathBuf,
    /// Folder below which run folders are kept relative, so that the whole of it can be moved.
    pub(super) root: PathBuf,
    /// Whether it takes runs of the virtual bench, or all others.
    pub(super) is_virtual: bool,
    writing: Cell<bool>,
}

/// Start of a run that does not say when it was: before all others.
const TIMELESS_MS: i64 = -9_000_000_000_000_000_000;
/// Newest first; identifiers decide between equal times.
pub(super) const NEWEST_FIRST: &str = "ORDER BY at_ms DESC, run DESC, runs.id DESC";
pub(super) const COLUMNS: &str = "run, unit, batch, plan, rig, started, bench_s, state, grade, reason, dir, \
    given_grade, given_by, given_why, recorded_unit, bench, analysis";

impl Index {
    /// Opens the file at `path`, creates it with its folder, and brings an older one up to date.
    pub(super) fn file(path: &Path, is_virtual: bool) -> Result<Self, StoreError> {
        let failed = |doing, e: std::io::Error| StoreError::Io { doing, path: path.to_owned(), why: e.to_string() };
        let root = std::path::absolute(path).map_err(|e| failed("find", e))?;
        let root = root.parent().map(Path::to_owned).unwrap_or_default();
        fs::create_dir_all(&root).map_err(|e| failed("create the folder of", e))?;
        Ok(Self::of(Box::new(schema::open(path)?), path.to_owned(), root, is_virtual))
    }

    /// An index in tables that are there.
    pub(super) const fn of(database: Box<dyn Database>, place: PathBuf, root: PathBuf, is_virtual: bool) -> Self {
        Self { database, place, root, is_virtual, writing: Cell::new(false) }
    }

    /// Does all of `work` or nothing of it. Inside another it is part of that one.
    pub(super) fn at_once<T>(&self, work: impl FnOnce() -> Result<T, StoreError>) -> Result<T, StoreError> {
        if self.writing.get() {
            return work();
        }
        let failed = |error| self.failed("write", error);
        self.database.batch(self.database.dialect().begin()).map_err(failed)?;
        self.writing.set(true);
        let done = work().and_then(|done| self.database.batch("COMMIT").map_err(failed).map(|()| done));
        self.writing.set(false);
        done.inspect_err(|_| {
            // Taken back already where the connection is gone; the error above is what the person is told.
            let _ = self.database.batch("ROLLBACK");
        })
    }

    /// Puts in a run whose folder is kept as `dir`, or puts it in anew after another analysis. `bench` is who took it;
    /// unsaid, it stays as it was.
    pub(super) fn put(
        &self,
        document: &Document,
        dir: &str,
        state: RunState,
        bench: Option<&str>,
    ) -> Result<(), StoreError> {
        let last_name = || dir.rsplit('/').next().unwrap_or(dir).to_owned();
        let run = document.run.clone().unwrap_or_else(last_name);
        if document.is_virtual != self.is_virtual {
            return Err(StoreError::WrongKind { path: self.place.clone(), run });
        }
        let verdict = document.verdict.as_ref();
        let reason = verdict
            .and_then(|verdict| verdict.reasons.first())
            .or(document.stopped.as_ref().map(|stopped| &stopped.cause));
        let started_ms = document.started.as_deref().and_then(milliseconds);
        let values = [
            dir.into(),
            run.into(),
            (&document.unit).into(),
            document.batch.as_deref().unwrap_or(UNSORTED).into(),
            (&document.plan).into(),
            (&document.rig).into(),
            (&document.started).into(),
            started_ms.into(),
            document.bench_seconds.into(),
            state.word().into(),
            verdict.map(|verdict| verdict.grade.word()).into(),
            reason.map(String::as_str).into(),
            document.results.get(&ResultName::LineKind).and_then(Measured::as_word).into(),
            bench.into(),
            (&document.analysis).into(),
            started_ms.unwrap_or(TIMELESS_MS).into(),
            i64::from(document.plan.as_deref() != Some(CONTACT_PLAN)).into(),
        ];
        let insert =
            "INSERT INTO runs (dir, run, unit, batch, plan, rig, started, started_ms, bench_s, state, grade, reason,
                                   line_kind, bench, analysis, at_ms, listed)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17)
                 ON CONFLICT (dir) DO UPDATE SET
                     run = excluded.run, batch = excluded.batch, plan = excluded.plan,
                     unit = CASE WHEN runs.recorded_unit IS NULL THEN excluded.unit ELSE runs.unit END,
                     rig = excluded.rig, started = excluded.started, started_ms = excluded.started_ms,
                     bench_s = excluded.bench_s, state = excluded.state, grade = excluded.grade,
                     reason = excluded.reason, line_kind = excluded.line_kind,
                     bench = coalesce(excluded.bench, runs.bench), analysis = excluded.analysis,
                     at_ms = excluded.at_ms, listed = excluded.listed
                 RETURNING id";
        self.at_once(|| {
            let write = || -> Result<(), SqlError> {
                let id = self.database.first(insert, &values)?;
                let id: i64 = id.ok_or_else(|| SqlError::other("a run put in has no number"))?.take()?;
                self.write_numbers(id, document)?;
                self.refresh("id", id.into())
            };
            write().map_err(|e| self.failed("write", e))
        })
    }

    /// The numbers of a run, for queries by range.
    fn write_numbers(&self, id: i64, document: &Document) -> Result<(), SqlError> {
        self.database.execute("DELETE FROM numbers WHERE run = ?1", &[id.into()])?;
        let insert = format!(
            "INSERT INTO numbers (run, result, value)
             SELECT CAST(?1 AS BIGINT), key, CAST(value AS DOUBLE PRECISION) FROM {}",
            self.database.dialect().each_number("?2")
        );
        self.database.execute(&insert, &[id.into(), numbers(document).into()])?;
        Ok(())
    }

    /// Writes down with the runs that have `value` in `column` what follows from all that is known of them: the grade that
    /// counts, and the words in which they are looked for.
    pub(super) fn refresh(&self, column: &str, value: Value) -> Result<(), SqlError> {
        let noted =
            |what: &str| format!("(SELECT {what} FROM units WHERE units.batch = runs.batch AND units.tag = runs.unit)");
        let said = ["donor", "kind", "shelf", "findings", "note"].map(|column| format!("units.{column}"));
        let own = ["unit", "reason", "rig", "plan", "given_by", "given_why"];
        let refresh = format!(
            "UPDATE runs SET counted = coalesce(given_grade, grade), donor = {}, kind = {},
                 words = {} || coalesce({}, '') WHERE {column} = ?1",
            noted("units.donor"),
            noted("units.kind"),
            together(&own),
            noted(&together(&said)),
        );
        self.database.execute(&refresh, &[value])?;
        Ok(())
    }

    /// How many other runs of the unit `tag`, contact checks apart, were started before `run`; all others when `run` is not in the
    /// index yet or its start is unknown.
    pub(super) fn earlier_runs(&self, tag: &str, run: &str) -> Result<u64, StoreError> {
        let read = || {
            let of_run = "SELECT started_ms FROM runs WHERE unit = ?1 AND run = ?2";
            let started = self.database.first(of_run, &[tag.into(), run.into()])?;
            let started: Option<i64> = started.map_or(Ok(None), |mut row| row.take())?;
            let others = "SELECT count(*) FROM runs WHERE unit = ?1 AND run <> ?2 \
                          AND plan IS DISTINCT FROM 'contact check' \
                          AND (CAST(?3 AS BIGINT) IS NULL OR started_ms IS NULL OR started_ms < CAST(?3 AS BIGINT))";
            self.count(others, &[tag.into(), run.into(), started.into()])
        };
        read().map_err(|e| self.failed("read", e))
    }

    /// The run named `run`.
    pub(super) fn one_run(&self, run: &str) -> Result<Option<RunRow>, StoreError> {
        let select = format!("SELECT {COLUMNS} FROM runs WHERE run = ?1 {NEWEST_FIRST} LIMIT 1");
        let rows = self.rows(&select, &[run.into()]).map_err(|e| self.failed("read", e))?;
        Ok(rows.into_iter().next())
    }

    /// The run whose folder is kept as `dir`.
    pub(super) fn run_in(&self, dir: &str) -> Result<Option<RunRow>, StoreError> {
        let select = format!("SELECT {COLUMNS} FROM runs WHERE dir = ?1");
        let rows = self.rows(&select, &[dir.into()]).map_err(|e| self.failed("read", e))?;
        Ok(rows.into_iter().next())
    }

    /// Runs of one batch or of all, and of all analyses `apart` from one, with their numbers, in the order in which they came,
    /// from the one after number `after` on.
    pub(super) fn walk(
        &self,
        batch: Option<&str>,
        apart: Option<&str>,
        after: i64,
        count: u32,
    ) -> Result<Vec<(i64, RunRow)>, StoreError> {
        let mut select = format!("SELECT {COLUMNS}, id FROM runs WHERE id > ?1");
        let mut values: Vec<Value> = vec![after.into(), count.into()];
        for (condition, value) in [("batch = ", batch), ("analysis IS DISTINCT FROM ", apart)] {
            if let Some(value) = value {
                values.push(value.into());
                select += &format!(" AND {condition}?{}", values.len());
            }
        }
        select += " ORDER BY id LIMIT ?2";
        let read = || -> Result<Vec<_>, SqlError> {
            let mut rows = self.database.query(&select, &values)?;
            rows.iter_mut().map(|row| self.row(row).and_then(|run| Ok((row.take()?, run)))).collect()
        };
        read().map_err(|e| self.failed("read", e))
    }

    pub(super) fn rows(&self, select: &str, values: &[Value]) -> Result<Vec<RunRow>, SqlError> {
        self.database.query(select, values)?.iter_mut().map(|row| self.row(row)).collect()
    }

    pub(super) fn count(&self, select: &str, values: &[Value]) -> Result<u64, SqlError> {
        let count: i64 = self.database.first(select, values)?.map_or(Ok(0), |mut row| row.take())?;
        Ok(u64::try_from(count).unwrap_or(0))
    }

    pub(super) fn failed(&self, doing: &'static str, error: SqlError) -> StoreError {
        StoreError::sql(doing, &self.place, error)
    }

    /// How `dir` is kept: relative where it lies below the index's own folder, with `/` on every system.
    pub(super) fn kept_dir(&self, dir: &Path) -> Result<String, StoreError> {
        let failed = |why: String| StoreError::Sql { path: self.place.clone(), why };
        let whole = std::path::absolute(dir).map_err(|e| failed(e.to_string()))?;
        let kept = whole.strip_prefix(&self.root).unwrap_or(&whole);
        let text = kept.to_str().ok_or_else(|| failed(format!("folder {} is not UTF-8 text", dir.display())))?;
        Ok(text.replace(std::path::MAIN_SEPARATOR, "/"))
    }

    /// A row of [`COLUMNS`].
    pub(super) fn row(&self, row: &mut Row) -> Result<RunRow, SqlError> {
        let unknown = |word: &str| SqlError::other(format!("`{word}` is not known"));
        let grade = |word: Option<String>| -> Result<Option<Grade>, SqlError> {
            word.map(|word| grade_of(&word).ok_or_else(|| unknown(&word))).transpose()
        };
        Ok(RunRow {
            run: row.take()?,
            unit: row.take()?,
            batch: row.take()?,
            plan: row.take()?,
            rig: row.take()?,
            started: row.take()?,
            bench_s: row.take()?,
            state: {
                let word: String = row.take()?;
                RunState::from_word(&word).ok_or_else(|| unknown(&word))?
            },
            grade: grade(row.take()?)?,
            reason: row.take()?,
            dir: self.root.join(row.take::<String>()?),
            given: {
                let given = grade(row.take()?)?;
                let (by, why): (Option<String>, Option<String>) = (row.take()?, row.take()?);
                given.map(|grade| Given { grade, by: by.unwrap_or_default(), why: why.unwrap_or_default() })
            },
            recorded_unit: row.take()?,
            bench: row.take()?,
            analysis: row.take()?,
        })
    }
}

/// Texts one after another, with a character between them that nobody types.
fn together<T: AsRef<str>>(columns: &[T]) -> String {
    let texts: Vec<_> = columns.iter().map(|column| format!("coalesce({}, '')", column.as_ref())).collect();
    format!("'\u{1f}' || {}", texts.join(" || '\u{1f}' || "))
}

fn grade_of(word: &str) -> Option<Grade> {
    [Grade::Scrap, Grade::Undecided, Grade::Restricted, Grade::Fit].into_iter().find(|grade| grade.word() == word)
}

/// Milliseconds since 1970, to order times that were written with different offsets.
pub(super) fn milliseconds(started: &str) -> Option<i64> {
    started.parse::<jiff::Timestamp>().ok().map(jiff::Timestamp::as_millisecond)
}
