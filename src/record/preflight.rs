//! Lines of the preflight as the record keeps them: what was looked at before anything was energised, what was seen,
//! and what to do about it.

use serde::{Deserialize, Serialize};

use crate::results::StoppedBy;

/// How one thing looked.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Finding {
    /// As it must be.
    Pass,
    /// Not wrong, but to be known.
    Note,
    /// Nothing is energised.
    Fail,
    /// Nothing to look at on this rig or in this run.
    Absent,
}

impl Finding {
    /// As people read it, never by colour alone.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Note => "note",
            Self::Fail => "FAIL",
            Self::Absent => "--",
        }
    }
}

/// One line of the preflight.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Check {
    /// What was looked at.
    pub what: String,
    /// How it looked.
    pub finding: Finding,
    /// What was seen, with numbers.
    pub saw: String,
    /// What to do about it; empty where nothing is to be done.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub to_do: String,
    /// Whose doing a failure is.
    pub by: StoppedBy,
}

impl Check {
    /// A line with nothing to do about it.
    #[must_use]
    pub fn new(what: impl Into<String>, finding: Finding, saw: impl Into<String>) -> Self {
        Self { what: what.into(), finding, saw: saw.into(), to_do: String::new(), by: StoppedBy::Rig }
    }

    /// As it must be.
    #[must_use]
    pub fn pass(what: impl Into<String>, saw: impl Into<String>) -> Self {
        Self::new(what, Finding::Pass, saw)
    }

    /// To be known.
    #[must_use]
    pub fn note(what: impl Into<String>, saw: impl Into<String>, to_do: impl Into<String>) -> Self {
        Self { to_do: to_do.into(), ..Self::new(what, Finding::Note, saw) }
    }

    /// A failure.
    #[must_use]
    pub fn fail(what: impl Into<String>, by: StoppedBy, saw: impl Into<String>, to_do: impl Into<String>) -> Self {
        Self { to_do: to_do.into(), by, ..Self::new(what, Finding::Fail, saw) }
    }

    /// Nothing to look at.
    #[must_use]
    pub fn absent(what: impl Into<String>, why: impl Into<String>) -> Self {
        Self::new(what, Finding::Absent, why)
    }

    /// Whether it forbids to energise.
    #[must_use]
    pub fn failed(&self) -> bool {
        self.finding == Finding::Fail
    }

    /// The line as text: word, what, what was seen, what to do.
    #[must_use]
    pub fn line(&self) -> String {
        let to_do = if self.to_do.is_empty() { String::new() } else { format!(" -> {}", self.to_do) };
        format!("{:<4}  {:<24} {}{to_do}", self.finding.word(), self.what, self.saw)
    }
}

/// All of them in one line: how many of each, and what failed.
#[must_use]
pub fn summary(checks: &[Check]) -> String {
    let count = |finding| checks.iter().filter(|check| check.finding == finding).count();
    let failed: Vec<&str> = checks.iter().filter(|c| c.failed()).map(|c| c.what.as_str()).collect();
    let tail = if failed.is_empty() { String::new() } else { format!(": {}", failed.join(", ")) };
    format!(
        "preflight: {} pass, {} to know, {} not looked at, {} failed{tail}",
        count(Finding::Pass),
        count(Finding::Note),
        count(Finding::Absent),
        failed.len()
    )
}
