//! What a filter means in SQL, and where the runs that meet it are looked up.
//!
//! Batch, unit, grade and state have indexes in the order of the list. For words and ranges there is a condition that can be
//! checked of a run at hand, and beside it a way to the numbers of all runs that may meet it ([`Condition`]).

use std::collections::BTreeMap;

use super::index::RunState;
use super::sql::{Dialect, Part};
use crate::results::{Document, Grade, Measured, ResultName};

/// Which runs to list; what is left out is not asked for.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Filter {
    /// Of this batch.
    pub batch: Option<String>,
    /// Of this unit.
    pub unit: Option<String>,
    /// With this grade: a person's where there is one, else the measured one.
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

/// A filter in SQL.
pub(super) struct Search {
    /// Conditions that indexes in the order of the list help with.
    pub(super) plain: Part,
    /// The others.
    pub(super) conditions: Vec<Condition>,
}

/// A condition with two ways to it.
pub(super) struct Condition {
    /// Checks it of a run at hand.
    pub(super) check: Part,
    /// Selects that together give the number of every run that meets it; empty where no index can.
    pub(super) candidates: Vec<Part>,
    /// Whether all that they give meet it.
    pub(super) exact: bool,
}

impl Search {
    pub(super) fn of(filter: &Filter, dialect: Dialect) -> Self {
        let mut plain = Vec::new();
        let equal = [
            ("batch", filter.batch.as_deref()),
            ("unit", filter.unit.as_deref()),
            ("counted", filter.grade.map(Grade::word)),
            ("state", filter.state.map(RunState::word)),
        ];
        for (column, value) in equal {
            plain.extend(value.map(|value| Part::with(format!("runs.{column} = ?"), [value.into()])));
        }
        if filter.unit.is_none() {
            plain.push(Part::from("runs.listed = 1"));
        }
        let mut conditions = Vec::new();
        conditions.extend(filter.donor.as_ref().map(|text| Condition::words("donor", text, dialect)));
        conditions.extend(filter.kind.as_ref().map(|text| Condition::kind(text, dialect)));
        conditions.extend(filter.text.as_ref().map(|text| Condition::words("words", text, dialect)));
        conditions.extend(filter.ranges.iter().map(Condition::range));
        Self { plain: Part::all_of(&plain), conditions }
    }
}

impl Condition {
    /// `text` anywhere in a column.
    fn words(column: &str, text: &str, dialect: Dialect) -> Self {
        let plain = text.replace('\\', "\\\\").replace('%', "\\%").replace('_', "\\_");
        let like = dialect.like();
        let check = Part::with(format!("runs.{column} {like} ? ESCAPE '\\'"), [format!("%{plain}%").into()]);
        let (candidates, exact) = dialect.candidates(column, text, &check);
        Self { check, candidates: candidates.into_iter().collect(), exact }
    }

    fn kind(word: &str, dialect: Dialect) -> Self {
        let mut all = Self::words("kind", word, dialect);
        all.check.sql.insert_str(0, "(runs.line_kind = ? OR ");
        all.check.sql.push(')');
        all.check.values.insert(0, word.into());
        if !all.candidates.is_empty() {
            all.candidates.push(Part::with("SELECT id FROM runs WHERE line_kind = ?", [word.into()]));
        }
        all
    }

    fn range(range: &Range) -> Self {
        let mut within = Part::with("numbers.result = ?", [range.result.name().into()]);
        for (sign, end) in [(">=", range.min), ("<=", range.max)] {
            if let Some(end) = end {
                within.sql += &format!(" AND numbers.value {sign} ?");
                within.values.push(end.into());
            }
        }
        let select = |what: &str| Part { sql: format!("{what}{}", within.sql), values: within.values.clone() };
        let mut check = select("EXISTS (SELECT 1 FROM numbers WHERE numbers.run = runs.id AND ");
        check.sql.push(')');
        Self { check, candidates: vec![select("SELECT run AS id FROM numbers WHERE ")], exact: true }
    }
}

/// All numbers of a document by name, as JSON, for queries by range; bounds are no numbers to ask for.
pub(super) fn numbers(document: &Document) -> String {
    let known = |(name, measured): (&ResultName, &Measured)| {
        let value = measured.plain_number()?;
        Some((name.name(), value))
    };
    let all: BTreeMap<&str, f64> = document.results.iter().filter_map(known).collect();
    // Plain names and finite numbers: nothing that JSON cannot hold.
    serde_json::to_string(&all).unwrap_or_default()
}
