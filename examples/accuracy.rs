//! Measures how far the results of the full plan are from the truth of the virtual units that it ran on, and how often
//! the stated 95 % intervals hold it: every healthy kind with five seeds.
//!
//! `cargo run --release --example accuracy` writes `docs/accuracy.md` (the bench with a tach) and
//! `docs/accuracy-two-wire.md` (no tach: speed from ripple and back-EMF). `-- --show KIND SEED [PLAN]` prints one unit,
//! `-- --seeds FIRST` the table from another first seed on with what missed, `-- --values RESULT,... FIRST` some results
//! of every unit; `--two-wire` before any of them means the other bench.

#[path = "../tests/support/mod.rs"]
mod support;

use std::collections::BTreeMap;
use std::fmt::Write as _;

use galebench::config::rig::ModuleKind;
use galebench::results::ResultName;
use galebench::units::significant;

/// First seed of the table; every unit has its own, so that no two share a draw of the rig's errors. Nothing was tuned
/// on them: work on estimators uses seeds below 1000.
const FIRST_SEED: u64 = 1001;

/// Units of each kind.
const PER_KIND: u64 = 5;

/// What became of one result over all units.
#[derive(Default)]
struct Row {
    /// Unit, measured value, u, true value, covered.
    numbers: Vec<(String, f64, f64, f64, bool)>,
    /// Unit, measured word, true word.
    words: Vec<(String, String, &'static str)>,
    /// Units that have a true value but gave no result, with the reason.
    absent: Vec<(String, String)>,
}

/// A bench of the table, where its table goes, and what to say of it.
struct Bench {
    rig: &'static str,
    page: &'static str,
    about: &'static str,
}

const WITH_TACH: Bench = Bench { rig: "rigs/virtual.toml", page: "docs/accuracy.md", about: "" };
const TWO_WIRE: Bench = Bench {
    rig: "rigs/virtual-two-wire.toml",
    page: "docs/accuracy-two-wire.md",
    about: "This bench has no tach: speed comes from the commutation ripple in the supply current, and from the back-EMF while the output is off. `steadiness_pct` is that of the current, and held against the true swing of the current.\n",
};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let mut words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let bench = if words.first() == Some(&"--two-wire") { TWO_WIRE } else { WITH_TACH };
    words.retain(|word| *word != "--two-wire");
    match words.as_slice() {
        ["--show", kind, seed] => show(&bench, "test-plans/full.toml", kind, seed.parse()?),
        ["--show", kind, seed, plan] => show(&bench, plan, kind, seed.parse()?),
        ["--seeds", first] => {
            println!("{}", table(&bench, first.parse()?, true));
            Ok(())
        }
        ["--values", name, first] => values(&bench, name, first.parse()?),
        _ => {
            for bench in [WITH_TACH, TWO_WIRE] {
                let text = table(&bench, FIRST_SEED, false);
                std::fs::write(support::shipped(bench.page), &text)?;
                print!("{text}");
            }
            Ok(())
        }
    }
}

/// Prints everything about one unit, truth beside it.
fn show(bench: &Bench, plan: &str, kind: &str, seed: u64) -> Result<(), Box<dyn std::error::Error>> {
    let kind = ModuleKind::from_name(kind).ok_or("no such kind")?;
    let run = support::run(support::rig(bench.rig, kind, seed, &[]), support::plan(plan));
    let document = &run.evaluated.document;
    for stage in &run.evaluated.recording.stages {
        println!("{:>8.1} s {:>7.1} s  {:<16} {:?}", stage.t0_s, stage.t1_s - stage.t0_s, stage.stage, stage.end);
    }
    for span in &run.evaluated.recording.spans {
        println!("    {:>8.1} s {:>7.1} s  {:?} {:?}", span.t0_s, span.t1_s - span.t0_s, span.kind, span.complete);
    }
    for &name in ResultName::ALL {
        let number = support::true_number(&run.truth, name).map(|v| significant(v, 5));
        let truth = number.or(support::true_word(&run.truth, name).map(str::to_owned)).unwrap_or("-".to_owned());
        let hit = match (document.results.get(&name), support::true_number(&run.truth, name)) {
            (Some(measured), Some(value)) if !support::covers(measured, value) => "OUTSIDE",
            _ => "",
        };
        match document.results.get(&name) {
            Some(m) => println!(
                "{name:<24} {:<14} u {:<10} truth {truth:<12} {hit:<8} {} n {} {}",
                m.as_number().map_or_else(|| m.as_word().unwrap_or("").to_owned(), |v| significant(v, 5)),
                m.u.map_or("-".to_owned(), |u| significant(u, 3)),
                m.method,
                m.n,
                m.note.as_deref().unwrap_or(""),
            ),
            None => println!("{name:<24} absent: {} (truth {truth})", document.absent.get(&name).map_or("?", |s| s)),
        }
    }
    println!("stopped {:?}\nverdict {:#?}\nsigns {:?}", document.stopped, document.verdict, document.signs);
    println!("warnings {:#?}", document.warnings);
    println!(
        "bench {:.1} s, wall {:.3} + {:.3} s, record {:.1} MB",
        document.bench_seconds,
        run.wall_s.0,
        run.wall_s.1,
        run.record_bytes as f64 / 1e6
    );
    Ok(())
}

/// Prints some results of every unit of a table: unit, value, u, truth, error over u.
fn values(bench: &Bench, names: &str, first_seed: u64) -> Result<(), Box<dyn std::error::Error>> {
    let named = |name: &str| ResultName::ALL.iter().copied().find(|n| n.to_string() == name).ok_or("no such result");
    let names = names.split(',').map(named).collect::<Result<Vec<_>, _>>()?;
    let mut rows = BTreeMap::new();
    for (seed, &kind) in
        (first_seed..).zip(ModuleKind::ALL.iter().flat_map(|kind| std::iter::repeat_n(kind, PER_KIND as usize)))
    {
        let plan = support::plan("test-plans/full.toml");
        let run = support::run(support::rig(bench.rig, kind, seed, &[]), plan);
        enter(&mut rows, &format!("{}/{seed}", kind.name()), &run);
    }
    for name in names {
        println!("{name}");
        for (unit, value, u, truth, _) in rows.get(&name).map_or(&[][..], |row: &Row| &row.numbers) {
            println!("  {unit:<24} {value:<14.6} u {u:<12.6} truth {truth:<14.6} error / u {:.2}", (value - truth) / u);
        }
    }
    Ok(())
}

fn table(bench: &Bench, first_seed: u64, detail: bool) -> String {
    let mut rows: BTreeMap<ResultName, Row> = BTreeMap::new();
    let mut grades: BTreeMap<&str, u32> = BTreeMap::new();
    let mut units = 0;
    let (mut bench_s, mut wall_s, mut bytes) = (Vec::new(), Vec::new(), Vec::new());
    let mut upset = String::new();
    let mut fans = Fans::default();
    let mut seed = first_seed;
    for &kind in ModuleKind::ALL {
        for _ in 0..PER_KIND {
            let plan = support::plan("test-plans/full.toml");
            let run = support::run(support::rig(bench.rig, kind, seed, &[]), plan);
            let unit = format!("{}/{seed}", kind.name());
            units += 1;
            seed += 1;
            let grade = run.evaluated.document.verdict.as_ref().map_or("none", |v| v.grade.word());
            *grades.entry(grade).or_default() += 1;
            if let Some(stopped) = &run.evaluated.document.stopped {
                let _ = writeln!(upset, "- {unit} stopped: {}", stopped.cause);
            }
            if detail && let Some(verdict) = run.evaluated.document.verdict.as_ref().filter(|_| grade != "fit") {
                let _ = writeln!(upset, "- {unit} {grade}: {}", verdict.reasons.join("; "));
                for sign in &run.evaluated.document.signs {
                    let _ = writeln!(upset, "    sign {} {:.2}: {}", sign.fault, sign.strength, sign.because);
                }
            }
            bench_s.push(run.evaluated.document.bench_seconds);
            wall_s.push(run.wall_s.0 + run.wall_s.1);
            bytes.push(run.record_bytes as f64 / 1e6);
            enter(&mut rows, &unit, &run);
            fans.enter(&run);
        }
    }
    let mut text = INTRODUCTION.replace("{rig}", bench.rig).replace("{about}", bench.about);
    let spread = |values: &[f64]| {
        let low = values.iter().copied().fold(f64::INFINITY, f64::min);
        let high = values.iter().copied().fold(0.0, f64::max);
        format!("{low:.2} to {high:.2}")
    };
    let _ = writeln!(
        text,
        "Units: {units}. Grades: {grades:?}. Bench time per run {} s; wall time of plant, record,",
        spread(&bench_s)
    );
    let _ = writeln!(text, "analysis and verdict {} s; record {} MB.\n", spread(&wall_s), spread(&bytes));
    text.push_str(&upset);
    text.push_str("\n| result | unit | measured | of | RMS error | largest error | interval holds truth | RMS error / mean u |\n|---|---|---|---|---|---|---|---|\n");
    for (name, row) in &rows {
        number_row(&mut text, *name, row);
    }
    text.push_str("\n| category | right | of |\n|---|---|---|\n");
    for (name, row) in rows.iter().filter(|(_, row)| !row.words.is_empty()) {
        let right = row.words.iter().filter(|(_, found, truth)| found == truth).count();
        let _ = writeln!(text, "| `{name}` | {right} | {} |", row.words.len() + row.absent.len());
    }
    fans.write(&mut text);
    if detail {
        details(&mut text, &rows);
    }
    text
}

/// Constants of the load fan over all units: what, unit, and value, u and truth of each.
#[derive(Default)]
struct Fans(BTreeMap<(&'static str, &'static str), Vec<Compared>>);

/// Measured, its u, true.
type Compared = (f64, f64, f64);

impl Fans {
    fn enter(&mut self, run: &support::Run) {
        let (Some(found), Some(truth)) = (&run.evaluated.document.load_fan, run.truth.load_fan) else { return };
        for (what, found, truth) in [
            (("resistance", "Ohm"), Some(found.resistance_ohm), truth.resistance_ohm),
            (("back-EMF constant", "V.s/rad"), found.ke_v_s, truth.ke_v_s),
            (("inertia", "kg.m²"), found.inertia_kg_m2, truth.inertia_kg_m2),
            (("air load", "N.m.s²"), found.air_nm_s2, truth.air_nm_s2),
            (("copper after the soak", "°C"), found.copper_c, truth.copper_c),
        ] {
            if let Some(found) = found {
                self.0.entry(what).or_default().push((found.value, found.u, truth));
            }
        }
    }

    fn write(&self, text: &mut String) {
        text.push_str("\nThe load fan, identified from the same runs (`load_fan` of the results document):\n\n");
        text.push_str("| of the fan | unit | measured | mean error | RMS error | mean truth | within 2 u | RMS error / mean u |\n|---|---|---|---|---|---|---|---|\n");
        for ((what, unit), values) in &self.0 {
            let n = values.len() as f64;
            let mean = |of: fn(&(f64, f64, f64)) -> f64| values.iter().map(of).sum::<f64>() / n;
            let rms = mean(|(value, _, truth)| (value - truth).powi(2)).sqrt();
            let within = values.iter().filter(|(value, u, truth)| (value - truth).abs() <= 2.0 * u).count();
            let _ = writeln!(
                text,
                "| {what} | {unit} | {} | {} | {} | {} | {within} | {:.2} |",
                values.len(),
                significant(mean(|(value, _, truth)| value - truth), 2),
                significant(rms, 3),
                significant(mean(|(_, _, truth)| *truth), 3),
                rms / mean(|(_, u, _)| *u),
            );
        }
    }
}

fn enter(rows: &mut BTreeMap<ResultName, Row>, unit: &str, run: &support::Run) {
    let document = &run.evaluated.document;
    for &name in ResultName::ALL {
        let number = support::true_number(&run.truth, name);
        let word = support::true_word(&run.truth, name);
        if number.is_none() && word.is_none() {
            continue;
        }
        let row = rows.entry(name).or_default();
        let Some(measured) = document.results.get(&name) else {
            let why = document.absent.get(&name).cloned().unwrap_or_default();
            row.absent.push((unit.to_owned(), why));
            continue;
        };
        if let (Some(truth), Some(value)) = (number, measured.as_number()) {
            let covered = support::covers(measured, truth);
            row.numbers.push((unit.to_owned(), value, measured.u.unwrap_or(f64::NAN), truth, covered));
        } else if let (Some(truth), Some(found)) = (word, measured.as_word()) {
            row.words.push((unit.to_owned(), found.to_owned(), truth));
        }
    }
}

fn number_row(text: &mut String, name: ResultName, row: &Row) {
    if row.numbers.is_empty() && (row.absent.is_empty() || !row.words.is_empty()) {
        return;
    }
    let n = row.numbers.len();
    let errors = || row.numbers.iter().map(|(_, value, _, truth, _)| value - truth);
    let rms = (errors().map(|e| e * e).sum::<f64>() / n.max(1) as f64).sqrt();
    let worst = errors().map(f64::abs).fold(0.0, f64::max);
    let mean_u = row.numbers.iter().map(|(_, _, u, _, _)| u).sum::<f64>() / n.max(1) as f64;
    let covered = row.numbers.iter().filter(|(.., covered)| *covered).count();
    let _ = writeln!(
        text,
        "| `{name}` | {} | {n} | {} | {} | {} | {covered} | {:.2} |",
        name.unit(),
        n + row.absent.len(),
        significant(rms, 3),
        significant(worst, 3),
        rms / mean_u,
    );
}

fn details(text: &mut String, rows: &BTreeMap<ResultName, Row>) {
    for (name, row) in rows {
        for (unit, value, u, truth, covered) in &row.numbers {
            if !covered {
                let _ = writeln!(
                    text,
                    "{name} {unit}: {} u {} truth {}",
                    significant(*value, 5),
                    significant(*u, 3),
                    significant(*truth, 5)
                );
            }
        }
        for (unit, found, truth) in row.words.iter().filter(|(_, found, truth)| found != truth) {
            let _ = writeln!(text, "{name} {unit}: {found}, truth {truth}");
        }
        for (unit, why) in &row.absent {
            let _ = writeln!(text, "{name} {unit}: absent: {why}");
        }
    }
}

const INTRODUCTION: &str = "# Accuracy on the virtual bench

Written by `cargo run --release --example accuracy`; do not edit.

Five units of every healthy kind of module, each with its own seed, run the full plan (`test-plans/full.toml`) on `{rig}`.
{about}Each seed draws another unit and other errors of the rig's channels from their stated uncertainties.
The analysis never sees the truth; it is worked out from the plant afterwards, at the duty, frequency and temperatures of the measurement.
`of` counts the units for which the quantity exists.

";
