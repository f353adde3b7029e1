//! What a filter means in SQL.

use std::collections::BTreeMap;

use super::index::{CONTACT_PLAN, Filter, RunState};
use super::sql::{Dialect, Value};
use crate::results::{Document, Grade, Measured, ResultName};

/// Conditions as they come together, each value with its number.
struct Conditions {
    dialect: Dialect,
    parts: Vec<String>,
    values: Vec<Value>,
}

impl Conditions {
    /// The mark that stands for `value`.
    fn mark(&mut self, value: impl Into<Value>) -> String {
        self.values.push(value.into());
        format!("?{}", self.values.len())
    }

    fn equal(&mut self, column: &str, value: Option<&str>) {
        if let Some(value) = value {
            let mark = self.mark(value);
            self.parts.push(format!("{column} = {mark}"));
        }
    }

    /// That any of `columns` has `text` in it.
    fn within(&mut self, columns: &[&str], text: &str) -> String {
        let plain = text.replace('\\', "\\\\").replace('%', "\\%").replace('_', "\\_");
        let mark = self.mark(format!("%{plain}%"));
        let like = self.dialect.like();
        let any: Vec<_> = columns.iter().map(|column| format!("{column} {like} {mark} ESCAPE '\\'")).collect();
        any.join(" OR ")
    }

    /// That the unit of the run was registered with `text` in any of `columns`.
    fn unit_has(&mut self, columns: &[&str], text: &str) -> String {
        let any = self.within(columns, text);
        format!("EXISTS (SELECT 1 FROM units WHERE units.batch = runs.batch AND units.tag = runs.unit AND ({any}))")
    }
}

/// Conditions of a filter, and the values of their marks in order.
pub(super) fn conditions(filter: &Filter, dialect: Dialect) -> (String, Vec<Value>) {
    let mut all = Conditions { dialect, parts: Vec::new(), values: Vec::new() };
    all.equal("batch", filter.batch.as_deref());
    all.equal("unit", filter.unit.as_deref());
    all.equal("grade", filter.grade.map(Grade::word));
    all.equal("state", filter.state.map(RunState::word));
    if filter.unit.is_none() {
        all.parts.push(format!("plan IS DISTINCT FROM '{CONTACT_PLAN}'"));
    }
    if let Some(donor) = &filter.donor {
        let has = all.unit_has(&["units.donor"], donor);
        all.parts.push(has);
    }
    if let Some(kind) = &filter.kind {
        let mark = all.mark(kind.clone());
        let has = all.unit_has(&["units.kind"], kind);
        all.parts.push(format!("(line_kind = {mark} OR {has})"));
    }
    if let Some(text) = &filter.text {
        let own = ["runs.unit", "reason", "runs.rig", "runs.plan", "given_by", "given_why"];
        let noted = ["units.donor", "units.kind", "units.shelf", "units.findings", "units.note"];
        let (own, noted) = (all.within(&own, text), all.unit_has(&noted, text));
        all.parts.push(format!("({own} OR {noted})"));
    }
    for range in &filter.ranges {
        // Names of results are letters, digits and underscores.
        let value = dialect.number("numbers", range.result.name());
        for (sign, end) in [(">=", range.min), ("<=", range.max)] {
            if let Some(end) = end {
                let mark = all.mark(end);
                all.parts.push(format!("{value} {sign} {mark}"));
            }
        }
        if range.min.is_none() && range.max.is_none() {
            all.parts.push(format!("{value} IS NOT NULL"));
        }
    }
    let parts = if all.parts.is_empty() { "TRUE".to_owned() } else { all.parts.join(" AND ") };
    (parts, all.values)
}

/// All numbers of a document by name, as JSON, for queries by range; bounds are no numbers to ask for.
pub(super) fn numbers(document: &Document) -> String {
    let known = |(name, measured): (&ResultName, &Measured)| {
        let value = measured.as_number().filter(|value| value.is_finite() && !measured.is_bound())?;
        Some((name.name(), value))
    };
    let all: BTreeMap<&str, f64> = document.results.iter().filter_map(known).collect();
    // Plain names and finite numbers: nothing that JSON cannot hold.
    serde_json::to_string(&all).unwrap_or_default()
}
