//! The tables of `docs/bench-time.md`.

use std::fmt::Write as _;

use super::{Timed, Took};

/// Every percent of duty from 0 to 100, up and down, each held for five seconds, and the share of that which a sweep or
/// search may take.
const GRID_S: f64 = 202.0 * 5.0;
const GRID_SHARE: f64 = 0.25;
/// What every other stage may take of its floor.
const FLOOR_RATIO: f64 = 1.3;
/// What the triage may take, and the units for which it is promised.
const TRIAGE_S: f64 = 60.0;
const RAMP_S: f64 = 4.0;
const COAST_S: f64 = 15.0;

pub(crate) fn tables(timed: &[Timed]) -> String {
    let mut text = String::new();
    summary(&mut text, timed);
    kinds(&mut text, timed);
    triage(&mut text, timed);
    missed(&mut text, timed);
    text
}

/// Share of the grid, or ratio to the floor, with its target.
fn held_against(took: &Took) -> (f64, f64) {
    match took.floor_s {
        Some(floor_s) => (took.seconds / floor_s, FLOOR_RATIO),
        None => (took.seconds / GRID_S, GRID_SHARE),
    }
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let middle = sorted.len() / 2;
    if sorted.len().is_multiple_of(2) { 0.5 * (sorted[middle - 1] + sorted[middle]) } else { sorted[middle] }
}

/// The stage at position `index`, of every unit.
fn column(timed: &[Timed], index: usize) -> Vec<&Took> {
    timed.iter().filter_map(|unit| unit.stages.get(index)).collect()
}

fn positions(timed: &[Timed]) -> usize {
    timed.iter().map(|unit| unit.stages.len()).max().unwrap_or(0)
}

fn summary(text: &mut String, timed: &[Timed]) {
    text.push_str("| stage | median, s | worst, s | held against, median, s | share or ratio, median | worst | of kind | at most | met by |\n");
    text.push_str("|---|---|---|---|---|---|---|---|---|\n");
    for index in 0..positions(timed) {
        let column = column(timed, index);
        let of = |value: fn(&Took) -> f64| column.iter().map(|took| value(took)).collect::<Vec<f64>>();
        let (seconds, ratios) = (of(|took| took.seconds), of(|took| held_against(took).0));
        let against = of(|took| took.floor_s.unwrap_or(GRID_S));
        let target = held_against(column[0]).1;
        let (worst, kind) = ratios
            .iter()
            .zip(timed)
            .map(|(ratio, unit)| (*ratio, unit.unit.as_str()))
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .unwrap_or((0.0, ""));
        let _ = writeln!(
            text,
            "| `{}` | {:.1} | {:.1} | {:.1}{} | {:.2} | {worst:.2} | {kind} | {target} | {} of {} |",
            column[0].stage,
            median(&seconds),
            seconds.iter().copied().fold(0.0, f64::max),
            median(&against),
            if column[0].floor_s.is_some() { "" } else { " (grid)" },
            median(&ratios),
            ratios.iter().filter(|ratio| **ratio <= target).count(),
            ratios.len(),
        );
    }
    let looks: Vec<f64> = timed.iter().map(|unit| unit.looks_s).collect();
    let all: Vec<f64> = timed.iter().map(|unit| unit.full_s).collect();
    let most = |values: &[f64]| values.iter().copied().fold(0.0, f64::max);
    let _ = writeln!(text, "| looks at open limits | {:.1} | {:.1} | | | | | | |", median(&looks), most(&looks));
    let _ = writeln!(text, "| whole run | {:.0} | {:.0} | | | | | | |", median(&all), most(&all));
}

fn kinds(text: &mut String, timed: &[Timed]) {
    text.push_str("\nBy kind, seconds and in brackets the share or ratio:\n\n| stage |");
    for unit in timed {
        let _ = write!(text, " {} |", unit.unit);
    }
    let _ = writeln!(text, "\n|---|{}", "---|".repeat(timed.len()));
    for index in 0..positions(timed) {
        let column = column(timed, index);
        let _ = write!(text, "| `{}` |", column[0].stage);
        for took in column {
            let _ = write!(text, " {:.1} ({:.2}) |", took.seconds, held_against(took).0);
        }
        text.push('\n');
    }
    text.push_str("| whole run |");
    for unit in timed {
        let _ = write!(text, " {:.0} |", unit.full_s);
    }
    text.push('\n');
}

fn promised(unit: &Timed) -> bool {
    unit.ramp_s <= RAMP_S && unit.coast_s < COAST_S
}

fn triage(text: &mut String, timed: &[Timed]) {
    let _ = writeln!(
        text,
        "\nThe triage (`test-plans/quick.toml`), which is to be under {TRIAGE_S:.0} s for ramps up to {RAMP_S:.0} s and coasts under {COAST_S:.0} s:\n\n| kind | bench, s | ramp, s | coast to a tenth, s | promised |\n|---|---|---|---|---|",
    );
    for unit in timed {
        let word = if promised(unit) { "yes" } else { "no" };
        let _ = writeln!(
            text,
            "| {} | {:.1} | {:.2} | {:.1} | {word} |",
            unit.unit, unit.triage_s, unit.ramp_s, unit.coast_s
        );
    }
}

/// Everything over its target, in words.
fn missed(text: &mut String, timed: &[Timed]) {
    let mut lines = Vec::new();
    for index in 0..positions(timed) {
        let column = column(timed, index);
        let over: Vec<String> = column
            .iter()
            .zip(timed)
            .filter(|(took, _)| held_against(took).0 > held_against(took).1)
            .map(|(took, unit)| format!("{} {:.2}", unit.unit, held_against(took).0))
            .collect();
        if !over.is_empty() {
            let target = held_against(column[0]).1;
            lines.push(format!("- `{}`, at most {target}: {}", column[0].stage, over.join(", ")));
        }
    }
    for unit in timed.iter().filter(|unit| promised(unit) && unit.triage_s >= TRIAGE_S) {
        lines.push(format!("- the triage of {}: {:.1} s", unit.unit, unit.triage_s));
    }
    if lines.is_empty() {
        text.push_str("\nNothing is over its target.\n");
    } else {
        let _ = writeln!(text, "\nOver the target:\n\n{}", lines.join("\n"));
    }
}
