//! The summary for a terminal: grade, reasons, label, table of results.

use std::fmt::Write as _;

use super::view;
use crate::results::Document;
use crate::verdict::limit_accepted_words;

/// Grade, reasons, six label numbers, results and what is absent, as lines of plain text.
#[must_use]
pub fn text(document: &Document) -> String {
    let mut out = String::new();
    head(&mut out, document);
    label(&mut out, document);
    signs(&mut out, document);
    results(&mut out, document);
    under_stress(&mut out, document);
    hot_day(&mut out, document);
    absent(&mut out, document);
    out
}

fn head(out: &mut String, document: &Document) {
    if document.is_virtual {
        line(out, "VIRTUAL RUN: made by calculation, says nothing about a real unit");
    }
    let unit = document.unit.as_deref().unwrap_or("trace");
    let batch = document.batch.as_deref().map_or(String::new(), |batch| format!(" of {batch}"));
    let run = document.run.as_deref().map_or(String::new(), |run| format!(", run {run}"));
    line(out, &format!("{unit}{batch}{run}"));
    if let Some(earlier) = view::earlier_words(document) {
        line(out, &earlier);
    }
    let grade = view::grade(document);
    line(out, &format!("{} {}", grade.symbol, grade.word.to_uppercase()));
    for reason in view::reasons(document) {
        line(out, &format!("  - {reason}"));
    }
    if let Some(risk) = view::risk_words(document) {
        line(out, &format!("  {risk}"));
    }
    if let Some(verdict) = document.verdict.as_ref().filter(|verdict| !verdict.decisions.is_empty()) {
        line(out, &format!("  {}", view::rule_words(&verdict.rule)));
    }
}

fn label(out: &mut String, document: &Document) {
    line(out, "");
    for number in view::label_numbers(document) {
        let note = if number.note.is_empty() { String::new() } else { format!("  ({})", number.note) };
        line(out, &format!("  {:<30} {}{note}", number.what, number.value));
    }
    for (what, value) in view::label_facts(document) {
        line(out, &format!("  {what:<30} {value}"));
    }
}

fn signs(out: &mut String, document: &Document) {
    if document.signs.is_empty() {
        return;
    }
    line(out, "\nsigns of faults");
    for sign in &document.signs {
        let bench = if sign.of_bench { " (bench)" } else { "" };
        line(out, &format!("  {:.2}  {}{bench}: {}", sign.strength, sign.fault, sign.because));
        if !sign.check.is_empty() {
            line(out, &format!("        check: {}", sign.check));
        }
    }
}

fn results(out: &mut String, document: &Document) {
    let rows = view::rows(document);
    if rows.is_empty() {
        line(out, "\nno results");
        return;
    }
    line(out, "\nresult                    value                 95 % interval                 limit");
    let decisions = document.verdict.as_ref().map(|verdict| &verdict.decisions);
    for row in rows {
        let outcome = row.outcome.map_or("", view::outcome_words);
        let decision = decisions.and_then(|decisions| decisions.get(&row.name));
        let accepted = decision.map_or(String::new(), |d| format!(", {}", limit_accepted_words(row.name, d)));
        line(out, &format!("{:<25} {:<21} {:<29} {outcome}{accepted}", row.name.name(), row.value, row.interval));
        if !row.note.is_empty() {
            line(out, &format!("    {}", row.note));
        }
    }
}

fn under_stress(out: &mut String, document: &Document) {
    let lines = view::under_stress(document);
    if lines.is_empty() {
        return;
    }
    line(out, "\nunder stress");
    for words in lines {
        line(out, &format!("  {words}"));
    }
}

fn hot_day(out: &mut String, document: &Document) {
    let lines = view::hot_days(document);
    if !lines.is_empty() {
        line(out, "\non a hot day");
        lines.iter().for_each(|day| line(out, &format!("  {day}")));
        line(out, &format!("  {}", view::BENCH_AIR));
    }
}

fn absent(out: &mut String, document: &Document) {
    let mut by_reason: Vec<(String, Vec<&str>)> = Vec::new();
    for (name, why) in view::absent(document) {
        match by_reason.iter_mut().find(|(reason, _)| *reason == why) {
            Some((_, names)) => names.push(name.name()),
            None => by_reason.push((why, vec![name.name()])),
        }
    }
    if !by_reason.is_empty() {
        line(out, "\nnot measured");
    }
    for (why, names) in by_reason {
        line(out, &format!("  {why}:\n      {}", names.join(", ")));
    }
    if !document.warnings.is_empty() {
        line(out, "\nnoticed in the data");
        for warning in &document.warnings {
            line(out, &format!("  - {warning}"));
        }
    }
}

fn line(out: &mut String, text: &str) {
    let _ = writeln!(out, "{}", text.trim_end());
}
