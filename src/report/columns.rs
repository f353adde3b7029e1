//! Results as columns, for any query engine: one row for each result of each run, measured or absent.

use std::sync::Arc;

use arrow_array::{
    ArrayRef, BooleanArray, Float64Array, RecordBatch, StringArray, TimestampMillisecondArray, UInt64Array,
};
use arrow_schema::ArrowError;

use crate::results::{Document, Grade, Measured, ResultName};
use crate::store::RunRow;

/// Rows as they come together.
#[derive(Debug, Default)]
pub struct Columns(Vec<Line>);

#[derive(Debug)]
struct Line {
    run: Arc<RunRow>,
    is_virtual: bool,
    result: Option<ResultName>,
    measured: Option<Measured>,
    absent: Option<String>,
}

impl Columns {
    /// Adds a run with its results and with what is absent; a run without either is one row.
    pub fn push(&mut self, run: RunRow, is_virtual: bool, document: Option<Document>) {
        let run = Arc::new(run);
        let line = |result, measured, absent| Line { run: Arc::clone(&run), is_virtual, result, measured, absent };
        let (results, absent) = document.map(|document| (document.results, document.absent)).unwrap_or_default();
        if results.is_empty() && absent.is_empty() {
            self.0.push(line(None, None, None));
        }
        self.0.extend(results.into_iter().map(|(name, measured)| line(Some(name), Some(measured), None)));
        self.0.extend(absent.into_iter().map(|(name, why)| line(Some(name), None, Some(why))));
    }

    /// How many rows there are.
    #[must_use]
    pub fn rows(&self) -> usize {
        self.0.len()
    }

    /// The rows as one batch. Times are UTC, `bench_s` is seconds on the bench's own clock, `low` and `high` are the ends of
    /// the 95 % interval, and numbers are in the unit of `result_unit`.
    ///
    /// # Errors
    /// None that is known: all columns have one length.
    pub fn batch(&self) -> Result<RecordBatch, ArrowError> {
        let started = |line: &Line| {
            let time = line.run.started.as_deref()?.parse::<jiff::Timestamp>().ok()?;
            Some(time.as_millisecond())
        };
        let started: TimestampMillisecondArray = self.0.iter().map(started).collect();
        let is_virtual: BooleanArray = self.0.iter().map(|line| Some(line.is_virtual)).collect();
        let n: UInt64Array = self.0.iter().map(|line| line.measured.as_ref().map(|measured| measured.n)).collect();
        let end = |line: &Line, which: usize| line.measured.as_ref()?.interval?[which];
        RecordBatch::try_from_iter_with_nullable([
            ("run", self.texts(|line| Some(&line.run.run)), false),
            ("unit", self.texts(|line| line.run.unit.as_deref()), true),
            ("batch", self.texts(|line| Some(&line.run.batch)), false),
            ("plan", self.texts(|line| line.run.plan.as_deref()), true),
            ("rig", self.texts(|line| line.run.rig.as_deref()), true),
            ("bench", self.texts(|line| line.run.bench.as_deref()), true),
            ("started", Arc::new(started.with_timezone("UTC")), true),
            ("virtual", Arc::new(is_virtual), false),
            ("bench_s", self.numbers(|line| Some(line.run.bench_s)), false),
            ("state", self.texts(|line| Some(line.run.state.word())), false),
            ("grade", self.texts(|line| line.run.grade.map(Grade::word)), true),
            ("given_grade", self.texts(|line| line.run.given.as_ref().map(|given| given.grade.word())), true),
            ("given_by", self.texts(|line| line.run.given.as_ref().map(|given| given.by.as_str())), true),
            ("reason", self.texts(|line| line.run.reason.as_deref()), true),
            ("analysis", self.texts(|line| line.run.analysis.as_deref()), true),
            ("result", self.texts(|line| line.result.map(ResultName::name)), true),
            ("value", self.numbers(|line| line.measured.as_ref()?.as_number()), true),
            ("word", self.texts(|line| line.measured.as_ref()?.as_word()), true),
            ("result_unit", self.texts(|line| line.result.map(ResultName::unit)), true),
            ("u", self.numbers(|line| line.measured.as_ref()?.u), true),
            ("low", self.numbers(|line| end(line, 0)), true),
            ("high", self.numbers(|line| end(line, 1)), true),
            ("method", self.texts(|line| line.measured.as_ref().map(|measured| measured.method.as_str())), true),
            ("n", Arc::new(n), true),
            ("note", self.texts(|line| line.measured.as_ref()?.note.as_deref()), true),
            ("absent", self.texts(|line| line.absent.as_deref()), true),
        ])
    }

    fn texts<'a>(&'a self, of: impl Fn(&'a Line) -> Option<&'a str>) -> ArrayRef {
        Arc::new(self.0.iter().map(of).collect::<StringArray>())
    }

    fn numbers(&self, of: impl Fn(&Line) -> Option<f64>) -> ArrayRef {
        Arc::new(self.0.iter().map(of).collect::<Float64Array>())
    }
}
