//! The crate as CSV for spreadsheets and as text for terminals.

use std::fmt::Write as _;

use super::Summary;
use crate::report::cell;
use crate::results::{Grade, ResultName};
use crate::verdict::batch::to_do;

/// One line per unit, best first; numbers in the unit of their column's result, an empty field is "not measured".
#[must_use]
pub fn csv(summary: &Summary) -> String {
    let names: Vec<ResultName> =
        ResultName::ALL.iter().copied().filter(|name| !summary.values(*name).is_empty()).collect();
    let mut text =
        String::from("rank,unit,grade,measured_grade,graded_by,risk,runs,bench_s,shelf,donor,kind,to_do,because");
    for name in &names {
        let _ = write!(text, ",{}", name.name());
    }
    text.push_str(",virtual\n");
    let word = |grade: Option<Grade>| grade.map_or("", Grade::word);
    for (place, ranked) in summary.ranked.iter().enumerate() {
        let member = &summary.members[ranked.member];
        let given = member.given.as_ref().map_or("", |(_, by, _)| by.as_str());
        let _ = write!(
            text,
            "{},{},{},{},{},{},{},{:.1},{},{},{},{},{}",
            place + 1,
            quoted(&member.tag),
            word(member.grade()),
            word(member.measured),
            quoted(given),
            member.risk.map_or(String::new(), |risk| format!("{risk:.4}")),
            member.runs,
            member.bench_s,
            quoted(member.shelf.as_deref().unwrap_or_default()),
            quoted(member.donor.as_deref().unwrap_or_default()),
            summary.kind_of(ranked.member).map_or("", |kind| kind.letter.as_str()),
            quoted(&to_do(member)),
            quoted(&ranked.because),
        );
        for name in &names {
            text.push(',');
            if let Some((value, _)) = member.numbers.get(name) {
                let _ = write!(text, "{}", crate::units::significant(*value, 6));
            }
        }
        let _ = writeln!(text, ",{}", u8::from(summary.is_virtual));
    }
    text
}

/// A field with quotes where it needs them.
fn quoted(text: &str) -> String {
    let text = cell(text);
    if text.contains([',', '"', ';']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text }
}

/// Counts, and a line per unit.
#[must_use]
pub fn text(summary: &Summary) -> String {
    let mut text = String::new();
    if summary.is_virtual {
        text.push_str("VIRTUAL BENCH, no real units\n");
    }
    let counts: Vec<String> = summary
        .counts()
        .iter()
        .filter(|(_, n)| *n > 0)
        .map(|(grade, n)| format!("{n} {}", grade.map_or("without a verdict", Grade::word)))
        .collect();
    let _ = writeln!(text, "{}: {} units: {}\n", summary.batch, summary.members.len(), counts.join(", "));
    let wide = summary.members.iter().map(|member| member.tag.chars().count()).max().unwrap_or(0);
    for (place, ranked) in summary.ranked.iter().enumerate() {
        let member = &summary.members[ranked.member];
        let grade = member.grade().map_or("-", Grade::word);
        let _ = writeln!(text, "{:>5}  {:<wide$}  {grade:<10}  {}", place + 1, member.tag, to_do(member));
    }
    text
}
