//! Exit status of every command, and what went wrong as people read it.

use std::fmt;
use std::process::ExitCode;

use crate::config::Problems;
use crate::ops::OpsError;
use crate::results::{Document, Grade, StoppedBy};

/// How a command ended, for scripts. The numbers are a contract.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum ExitStatus {
    /// Done, whatever the grade.
    Done = 0,
    /// Done, but the grade is less than `--require` asked for.
    LesserGrade = 1,
    /// Bad arguments or files, decided before any device was opened.
    BadInput = 2,
    /// Stopped by the supervisor or the operator: safe state reached, record kept.
    Stopped = 3,
    /// Rig, record or program failure at any time, preflight included.
    Failed = 4,
}

impl ExitStatus {
    /// The lines under `--help`.
    pub(crate) const HELP: &str = "Exit status:
  0  done, whatever the grade
  1  done, but the grade is less than --require asked for
  2  bad arguments or files, decided before any device was opened
  3  stopped by the supervisor or the operator, safe state reached, record kept
  4  rig, record or program failure";

    /// Status of a run that took place. A stop beats a lesser grade; a stop by rig, record or host, or a safe state
    /// that was not confirmed, is a failure.
    #[must_use]
    pub fn of_run(document: &Document, safe_confirmed: bool, require: Option<Grade>) -> Self {
        let by = document.stopped.as_ref().map(|stopped| stopped.by);
        match by {
            _ if !safe_confirmed => Self::Failed,
            Some(StoppedBy::Rig | StoppedBy::Record | StoppedBy::Host) => Self::Failed,
            Some(StoppedBy::Unit | StoppedBy::Operator) => Self::Stopped,
            None => Self::of_grade(document, require),
        }
    }

    /// Status of a document that is there, by its grade alone; no verdict is less than any grade.
    #[must_use]
    pub fn of_grade(document: &Document, require: Option<Grade>) -> Self {
        let grade = document.verdict.as_ref().map(|verdict| verdict.grade);
        if require.is_some_and(|least| grade.is_none_or(|grade| grade < least)) {
            Self::LesserGrade
        } else {
            Self::Done
        }
    }
}

impl From<ExitStatus> for ExitCode {
    fn from(status: ExitStatus) -> Self {
        Self::from(status as u8)
    }
}

/// Why a command was not done: a status and the text for standard error.
#[derive(Debug)]
pub(crate) struct Failure {
    pub(crate) status: ExitStatus,
    /// Without `error: ` in front, except where `titled`.
    text: String,
    /// Whether the text has its own titles.
    titled: bool,
}

impl Failure {
    /// A failure of rig, record or program.
    pub(crate) fn failed(error: impl fmt::Display) -> Self {
        Self { status: ExitStatus::Failed, text: error.to_string(), titled: false }
    }

    /// Bad arguments or files.
    pub(crate) fn bad_input(error: impl fmt::Display) -> Self {
        Self { status: ExitStatus::BadInput, text: error.to_string(), titled: false }
    }
}

impl From<Problems> for Failure {
    fn from(problems: Problems) -> Self {
        Self { status: ExitStatus::BadInput, text: problems.to_string(), titled: true }
    }
}

impl From<OpsError> for Failure {
    fn from(error: OpsError) -> Self {
        match error {
            OpsError::Config(problems) => problems.into(),
            error if error.is_usage() => Self::bad_input(error),
            error => Self::failed(error),
        }
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let text = self.text.trim_end();
        if self.titled { f.write_str(text) } else { write!(f, "error: {text}") }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::{Stopped, Verdict};

    fn document(grade: Option<Grade>, stopped: Option<StoppedBy>) -> Document {
        let empty = r#"{"format":1,"bench_seconds":0,"results":{},"absent":{},"curve":[],"signs":[]}"#;
        let mut document: Document = serde_json::from_str(empty).unwrap();
        document.verdict = grade.map(|grade| Verdict {
            grade,
            reasons: Vec::new(),
            limits: Default::default(),
            risk: None,
            rule: Default::default(),
            decisions: Default::default(),
        });
        document.stopped = stopped.map(|by| Stopped { cause: "x".to_owned(), by, t_s: 1.0 });
        document
    }

    #[test]
    fn a_run_ends_with_the_status_that_its_stop_safety_and_grade_call_for() {
        use ExitStatus::{Done, Failed, LesserGrade, Stopped};
        use Grade::{Fit, Restricted, Scrap};
        let cases = [
            (Some(Scrap), None, true, None, Done),
            (Some(Scrap), None, true, Some(Restricted), LesserGrade),
            (Some(Restricted), None, true, Some(Restricted), Done),
            (Some(Fit), None, true, Some(Restricted), Done),
            (None, None, true, Some(Scrap), LesserGrade),
            (Some(Scrap), Some(StoppedBy::Unit), true, Some(Fit), Stopped),
            (None, Some(StoppedBy::Operator), true, None, Stopped),
            (None, Some(StoppedBy::Rig), true, None, Failed),
            (None, Some(StoppedBy::Record), true, Some(Fit), Failed),
            (None, Some(StoppedBy::Host), true, None, Failed),
            (Some(Fit), None, false, None, Failed),
            (None, Some(StoppedBy::Operator), false, None, Failed),
        ];
        for (grade, by, safe, require, expected) in cases {
            let status = ExitStatus::of_run(&document(grade, by), safe, require);
            assert_eq!(status, expected, "{grade:?} {by:?} safe {safe} require {require:?}");
        }
    }

    #[test]
    fn the_numbers_are_those_of_the_contract() {
        use ExitStatus::{BadInput, Done, Failed, LesserGrade, Stopped};
        assert_eq!([Done, LesserGrade, BadInput, Stopped, Failed].map(|status| status as u8), [0, 1, 2, 3, 4]);
    }
}
