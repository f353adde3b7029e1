//! Runs as a table for people.

use std::fmt::Write as _;

use crate::store::{Listing, RunRow, Total};
use crate::units;

/// Both kinds of runs, each under its heading, with how many there are in all.
pub(crate) fn both(real: &Listing, played: &Listing) -> String {
    let nothing = |listing: &Listing| listing.rows.is_empty() && listing.next.is_none();
    if nothing(real) && nothing(played) {
        return "no runs\n".to_owned();
    }
    let mut text = String::new();
    for (heading, listing) in [("", real), ("VIRTUAL BENCH, no real units", played)] {
        if nothing(listing) {
            continue;
        }
        if !text.is_empty() {
            text.push('\n');
        }
        if !heading.is_empty() {
            let _ = writeln!(text, "{heading}");
        }
        if !listing.rows.is_empty() {
            text += &rows_text(&listing.rows);
        }
        if let Some(words) = next_page(listing) {
            let _ = writeln!(text, "{words}");
        }
    }
    text
}

/// How many runs there are beside those shown, and how to see the next; `None` after the last page.
pub(crate) fn next_page(listing: &Listing) -> Option<String> {
    let next = listing.next.as_ref()?.run();
    let shown = listing.rows.len();
    let total = match listing.total {
        Total::Exactly(total) => format!("{total}"),
        Total::MoreThan(total) => format!("more than {total}"),
    };
    // A page that ends elsewhere than with its last run has gone through as many others as one page does.
    if listing.rows.last().is_none_or(|last| last.run != next) {
        return Some(format!("{shown} runs so far, gone through down to {next}; --after {next} goes on from there"));
    }
    Some(format!("{shown} of {total} runs; --after {next} shows the next"))
}

/// One line per run: when, unit, batch, plan, grade or how it ended, the reason.
fn rows_text(rows: &[RunRow]) -> String {
    let head = ["started", "unit", "batch", "plan", "grade", "because"].map(str::to_owned);
    let lines: Vec<[String; 6]> = std::iter::once(head).chain(rows.iter().map(cells)).collect();
    let width = |column: usize| lines.iter().map(|line| line[column].chars().count()).max().unwrap_or(0);
    let widths: Vec<usize> = (0..5).map(width).collect();
    let mut text = String::new();
    for line in &lines {
        let padded: Vec<String> = line.iter().zip(&widths).map(|(cell, width)| format!("{cell:<width$}")).collect();
        let _ = writeln!(text, "{}", format!("{}  {}", padded.join("  "), line[5]).trim_end());
    }
    text
}

fn cells(row: &RunRow) -> [String; 6] {
    let or_dash = |text: &Option<String>| text.clone().unwrap_or_else(|| "-".to_owned());
    let started = row.started.as_deref().map_or_else(|| "-".to_owned(), units::to_the_second);
    let measured = row.grade.map_or(row.state.word(), |grade| grade.word());
    let grade = match &row.given {
        Some(given) => format!("{} (measured {measured})", given.grade.word()),
        None => measured.to_owned(),
    };
    // Reasons may hold line feeds of a program's own words; the report has them whole.
    let reason = row.reason.as_deref().unwrap_or_default().lines().next().unwrap_or_default();
    let because = match &row.given {
        Some(given) => format!("{}: {}; measured: {reason}", given.by, given.why),
        None => reason.to_owned(),
    };
    let unit = match &row.recorded_unit {
        Some(recorded) => format!("{} (recorded {recorded})", or_dash(&row.unit)),
        None => or_dash(&row.unit),
    };
    [started, unit, row.batch.clone(), or_dash(&row.plan), grade, because]
}

#[cfg(test)]
mod tests {
    use std::path::PathBuf;

    use super::*;
    use crate::results::Grade;
    use crate::store::{Cursor, Given, RunState};

    fn row(unit: &str, state: RunState, grade: Option<Grade>, reason: Option<&str>) -> RunRow {
        RunRow {
            run: "20260512T143015Z-a3f0c1".to_owned(),
            unit: Some(unit.to_owned()),
            batch: "may-shelf-3".to_owned(),
            plan: Some("full".to_owned()),
            rig: Some("bench 1".to_owned()),
            started: Some("2026-05-12T14:30:15.204Z".to_owned()),
            bench_s: 412.5,
            state,
            grade,
            reason: reason.map(str::to_owned),
            dir: PathBuf::from("reports/may-shelf-3/TQ-0001/20260512T143015Z-a3f0c1"),
            given: None,
            recorded_unit: None,
            bench: None,
            analysis: None,
        }
    }

    #[test]
    fn real_and_virtual_runs_are_told_apart_and_what_is_not_shown_is_counted() {
        let real = [
            row("TQ-0001", RunState::Finished, Some(Grade::Fit), Some("every limit is met")),
            row("TQ-0002", RunState::Interrupted, None, None),
        ];
        let mut real = real.to_vec();
        let (by, why) = ("the foreman".to_owned(), "bench clip was loose".to_owned());
        real.push(row("TQ-0003", RunState::Finished, Some(Grade::Scrap), Some("drop too large")));
        real[2].given = Some(Given { grade: Grade::Restricted, by, why });
        real[2].recorded_unit = Some("TQ-0002".to_owned());
        let played = [row("TQ-0900", RunState::Stopped, Some(Grade::Scrap), Some("over current: 97 A\nlong story"))];
        let next = Some(Cursor::behind(&real[2].run));
        let real = Listing { rows: real, total: Total::Exactly(12), next };
        let played = Listing { rows: played.to_vec(), total: Total::Exactly(1), next: None };
        insta::assert_snapshot!(both(&real, &played));
        let short = Listing { rows: Vec::new(), next: Some(Cursor::behind("20260512T110000Z-0b1c2d")), ..real.clone() };
        assert!(
            both(&short, &played).starts_with("0 runs so far, gone through down to 20260512T110000Z-0b1c2d; --after")
        );
        let many = Listing { total: Total::MoreThan(10_000), ..real };
        assert!(both(&many, &played).contains("3 of more than 10000 runs; --after 2026"));
        assert_eq!(both(&Listing::default(), &Listing::default()), "no runs\n");
    }
}
