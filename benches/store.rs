//! What the store costs as it grows: `cargo bench --bench store`, or with counts of runs, `-- 10000 100000`.
//!
//! Fills an index with synthetic runs of units of many crates and prints the median of each question and of an insert at
//! 10^4, 10^5 and 10^6 runs, with the exponent of the growth (0 constant, 1 in proportion). Then the report of a crate of
//! 10 000 units: `-- --report` for that alone, `-- --write` puts both into `docs/scale.md`.

use std::error::Error;
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::time::Instant;

use galebench::intake::journal::{Entry, Facts, Line};
use galebench::ops::batch::{self, Crate};
use galebench::ops::run::{RunOptions, Task, run};
use galebench::results::{Document, Grade, Measured, ResultName, Verdict};
use galebench::runner::{Quiet, StopHandle};
use galebench::store::{Filter, Page, Range, RunState, Store};
use rand::{RngExt as _, SeedableRng as _};
use rand_xoshiro::Xoshiro256PlusPlus as Random;

/// Each time is the median of this many.
const REPEATS: usize = 21;
/// Units of a crate, runs of a unit.
const UNITS: u32 = 100;
const RUNS: u32 = 4;
/// Units of the crate that is reported as a whole.
const IN_REPORT: u32 = 10_000;
const DONORS: [&str; 6] = ["minibus, rear", "van, side door", "estate", "hatchback", "pickup", "lorry"];
const KINDS: [&str; 4] = ["two wires", "three wires, grey plug", "potted", "with diode"];
/// Where the page begins.
const PAGE: &str = "docs/scale.md";
const BEGIN: &str = "<!-- printed by the command above -->\n";
const END: &str = "<!-- end of what it printed -->\n";

fn main() -> Result<(), Box<dyn Error>> {
    let asked: Vec<String> = std::env::args().skip(1).filter(|argument| argument != "--bench").collect();
    let has = |flag: &str| asked.iter().any(|argument| argument == flag);
    let counts: Vec<u32> = asked.iter().filter_map(|argument| argument.parse().ok()).collect();
    let counts = if counts.is_empty() { vec![10_000, 100_000, 1_000_000] } else { counts };
    let mut text = String::new();
    if !has("--report") {
        text += &growth(&counts)?;
        say(&text)?;
    }
    let report = report()?;
    say(&report)?;
    text += &report;
    if has("--write") {
        let page = std::fs::read_to_string(PAGE)?;
        let (head, rest) = page.split_once(BEGIN).ok_or("the page has no place for it")?;
        let (_, tail) = rest.split_once(END).ok_or("the page has no place for it")?;
        std::fs::write(PAGE, format!("{head}{BEGIN}\n```\n{text}```\n\n{END}{tail}"))?;
    }
    Ok(())
}

fn say(text: &str) -> Result<(), Box<dyn Error>> {
    Ok(writeln!(std::io::stdout().lock(), "{text}")?)
}

/// The table of medians.
fn growth(counts: &[u32]) -> Result<String, Box<dyn Error>> {
    let root = tempfile::tempdir()?;
    let store = Store::open(root.path(), false)?;
    let mut shop = Shop { random: Random::seed_from_u64(1), taken: 0, template: template()? };
    let mut columns = Vec::new();
    for count in counts {
        let begin = Instant::now();
        shop.fill(&store, *count)?;
        let bytes = std::fs::metadata(root.path().join("galebench.db"))?.len();
        say(&format!("{count} runs: filled in {:.0} s, {:.0} MB", begin.elapsed().as_secs_f64(), bytes as f64 / 1e6))?;
        columns.push(shop.measure(&store)?);
    }
    let mut text = format!("{:<44}", "median, ms, at this many runs");
    for count in counts {
        let _ = write!(text, "{count:>11}");
    }
    text += "   exponent\n";
    for (row, (what, _)) in columns[0].iter().enumerate() {
        let _ = write!(text, "{what:<44}");
        let times: Vec<f64> = columns.iter().map(|column| column[row].1).collect();
        for ms in &times {
            let _ = write!(text, "{ms:>11.2}");
        }
        let _ = writeln!(text, "{:>11}", exponent(counts, &times).map_or(String::new(), |e| format!("{e:.2}")));
    }
    Ok(text)
}

/// From the first count to the last.
fn exponent(counts: &[u32], times: &[f64]) -> Option<f64> {
    let grown = f64::from(*counts.last()?) / f64::from(*counts.first()?);
    (grown > 1.0).then(|| (times.last().unwrap_or(&0.0) / times.first().unwrap_or(&1.0)).ln() / grown.ln())
}

/// A document with everything in it that stays the same.
fn template() -> Result<Document, serde_json::Error> {
    serde_json::from_str(r#"{"format":1,"bench_seconds":412.5,"results":{},"absent":{},"curve":[],"signs":[]}"#)
}

struct Shop {
    random: Random,
    taken: u32,
    template: Document,
}

impl Shop {
    /// More runs, until there are `count`, with the journals of their crates.
    fn fill(&mut self, store: &Store, count: u32) -> Result<(), Box<dyn Error>> {
        for batch in self.taken.div_ceil(UNITS * RUNS)..count.div_ceil(UNITS * RUNS) {
            store.take_journal(&batch_name(batch), &journal(batch))?;
        }
        // All at once, as a rebuild does it.
        store.insert_all((self.taken..count).map(|_| self.run()))?;
        Ok(())
    }

    fn run(&mut self) -> (Document, PathBuf, RunState) {
        let number = self.taken;
        self.taken += 1;
        let batch = number / (UNITS * RUNS);
        // All units of a crate are run once, then again.
        let unit = tag(batch * UNITS + number % UNITS);
        let start =
            jiff::Timestamp::UNIX_EPOCH + jiff::SignedDuration::from_secs(1_500_000_000 + 300 * i64::from(number));
        let run = format!("{}-{number:06x}", start.strftime("%Y%m%dT%H%M%SZ"));
        let grade = match self.random.random_range(0..10_000) {
            0..7_000 => Grade::Fit,
            7_000..9_000 => Grade::Restricted,
            9_000..9_995 => Grade::Scrap,
            _ => Grade::Undecided,
        };
        let mut document = self.template.clone();
        let dir = Path::new("/records").join(batch_name(batch)).join(&unit).join(&run);
        (document.unit, document.batch, document.run) = (Some(unit), Some(batch_name(batch)), Some(run));
        (document.plan, document.rig) = (Some("full".to_owned()), Some(format!("bench {}", number % 4)));
        document.started = Some(start.to_string());
        let drop_v: f64 = 0.1 + 0.3 * self.random.random::<f64>();
        document.verdict = Some(Verdict {
            grade,
            reasons: vec![format!(
                "drop in the module flat out: {drop_v:.3} V against at most 0.4 V, carried 24.6 A for 90 s"
            )],
            limits: Default::default(),
            risk: None,
            rule: Default::default(),
            decisions: Default::default(),
        });
        for name in ResultName::ALL.iter().copied().filter(|name| !name.unit().is_empty()) {
            let value = if name == ResultName::DropV { drop_v } else { self.random.random::<f64>() };
            document.results.insert(name, Measured::number(name, value, 2.0, Vec::new(), "synthetic", 1));
        }
        let kind = if number.is_multiple_of(500) { "lin" } else { "pull_up" };
        document.results.insert(ResultName::LineKind, Measured::word(ResultName::LineKind, kind, "synthetic", 1));
        (document, dir, RunState::Finished)
    }

    /// Medians of all questions and of an insert, milliseconds.
    fn measure(&mut self, store: &Store) -> Result<Vec<(&'static str, f64)>, Box<dyn Error>> {
        let of = |change: &dyn Fn(&mut Filter)| {
            let mut filter = Filter::default();
            change(&mut filter);
            filter
        };
        let range = |min, max| vec![Range { result: ResultName::DropV, min, max }];
        let crates = self.taken / (UNITS * RUNS);
        let middle = batch_name(crates / 2);
        let of_middle = Filter { batch: Some(middle.clone()), ..Filter::default() };
        let behind = store.list(&of_middle, &Page::first(1))?.next;
        let donor = |text: &'static str| of(&move |f: &mut Filter| f.donor = Some(text.to_owned()));
        let text = |text: &str| Filter { text: Some(text.to_owned()), ..Filter::default() };
        let kind = |text: &str| Filter { kind: Some(text.to_owned()), ..Filter::default() };
        let within = |min, max| Filter { ranges: range(min, max), ..Filter::default() };
        let grade = |grade| Filter { grade: Some(grade), ..Filter::default() };
        let unit = tag(crates / 2 * UNITS + 7);
        let questions: Vec<(&'static str, Filter)> = vec![
            ("first page", Filter::default()),
            ("page in the middle", Filter::default()),
            ("of a batch", of_middle),
            ("of a unit", Filter { unit: Some(unit.clone()), ..Filter::default() }),
            ("grade, seven of ten", grade(Grade::Fit)),
            ("grade, one in 2 000", grade(Grade::Undecided)),
            ("donor, one in six", donor("side door")),
            ("donor, one in 100", donor("ambulance")),
            ("donor, one in 300", donor("hearse")),
            ("donor, one unit a crate in 100", donor("fire engine")),
            ("donor, none", donor("tractor")),
            ("kind noted, one in four", kind("grey")),
            ("kind of line, nearly all", kind("pull_up")),
            ("kind of line, one in 500", kind("lin")),
            ("range, a third", within(None, Some(0.2))),
            ("range, one in 100", within(Some(0.3), Some(0.303))),
            ("range, one in 250", within(Some(0.3), Some(0.3012))),
            ("range, one in 3 000", within(Some(0.3), Some(0.3001))),
            ("range, none", within(Some(0.5), None)),
            ("text, all", text("carried")),
            ("text, one in six", text("side door")),
            ("text, one unit", text(&unit)),
            ("text, none", text("tractor")),
            ("text of two letters, all", text("ca")),
            (
                "grade, donor and range, all met often",
                of(&|f| {
                    f.grade = Some(Grade::Fit);
                    f.donor = Some("estate".to_owned());
                    f.ranges = range(Some(0.15), Some(0.25));
                }),
            ),
            (
                "donor and kind, often but never together",
                of(&|f| (f.donor, f.kind) = (Some("lorry".to_owned()), Some("diode".to_owned()))),
            ),
            ("text of two letters, none", text("zz")),
        ];
        let mut medians = Vec::new();
        for (what, filter) in &questions {
            let after = behind.clone().filter(|_| *what == "page in the middle");
            let page = Page { after, rows: 50 };
            medians.push((*what, median(|| Ok(store.list(filter, &page).map(drop)?))?));
        }
        medians.push(("earlier runs of a unit", median(|| Ok(store.earlier_runs(&unit, "").map(drop)?))?));
        medians.push((
            "insert a run, on the disk",
            median(|| {
                let (document, dir, state) = self.run();
                Ok(store.insert(&document, &dir, state)?)
            })?,
        ));
        Ok(medians)
    }
}

fn journal(batch: u32) -> Vec<Line> {
    let line = |unit: u32| {
        let place = (batch * UNITS + unit) as usize;
        let donor = match place {
            _ if place % 10_000 == 77 => "fire engine",
            _ if place % 300 == 11 => "hearse",
            _ if place % 100 == 5 => "ambulance",
            _ => DONORS[place % DONORS.len()],
        };
        // The last donor never has the last kind.
        let kind = KINDS[(place / DONORS.len()) % if donor == DONORS[5] { 3 } else { 4 }];
        let (donor, kind) = (Some(donor.to_owned()), Some(kind.to_owned()));
        let facts = Facts { donor, kind, shelf: Some("shelf 3".to_owned()), ..Facts::default() };
        let tag = tag(batch * UNITS + unit);
        Line { at: "2026-05-12T08:00:00Z".to_owned(), by: None, entry: Entry::Unit { tag, facts } }
    };
    (0..UNITS).map(line).collect()
}

fn median(mut work: impl FnMut() -> Result<(), Box<dyn Error>>) -> Result<f64, Box<dyn Error>> {
    let mut times = Vec::with_capacity(REPEATS);
    let whole = Instant::now();
    for _ in 0..REPEATS {
        let begin = Instant::now();
        work()?;
        times.push(1000.0 * begin.elapsed().as_secs_f64());
        // What takes seconds need not be taken often to be known as too slow.
        if whole.elapsed().as_secs() > 10 {
            break;
        }
    }
    times.sort_by(f64::total_cmp);
    Ok(times[times.len() / 2])
}

/// The report of a crate of very many units: each has the results of one whole virtual run, numbers a little apart.
fn report() -> Result<String, Box<dyn Error>> {
    let root = tempfile::tempdir()?;
    let batch = "many".to_owned();
    let options = RunOptions {
        rig: "rigs/virtual.toml".into(),
        task: Task::Plan("test-plans/full.toml".into()),
        unit: tag(0),
        batch: Some(batch.clone()),
        out: root.path().to_owned(),
        seed: Some(1),
        form: None,
    };
    let first = run(&options, &mut Quiet, StopHandle::new())?;
    let mut random = Random::seed_from_u64(2);
    let mut bytes = 0;
    let mut runs = Vec::new();
    for number in 1..IN_REPORT {
        let mut document = first.document.clone();
        let name = format!("run-{number:06}");
        let dir = root.path().join(&batch).join(tag(number)).join(&name);
        (document.unit, document.run) = (Some(tag(number)), Some(name));
        let factor = 1.0 + 0.02 * (random.random::<f64>() - 0.5);
        let speeds = document.curve.iter_mut().flat_map(|point| [&mut point.speed_rpm, &mut point.speed_ref_rpm]);
        speeds.flatten().for_each(|rpm| *rpm *= factor);
        for name in ResultName::ALL {
            if let Some(value) = document.results.get(name).and_then(Measured::as_number) {
                let other = value * (1.0 + 0.1 * (random.random::<f64>() - 0.5));
                document.results.insert(*name, Measured::number(*name, other, 2.0, Vec::new(), "synthetic", 1));
            }
        }
        let text = galebench::report::json(&document);
        bytes += text.len();
        std::fs::create_dir_all(&dir)?;
        std::fs::write(dir.join("results.json"), text)?;
        runs.push((document, dir, RunState::Finished));
    }
    Store::open(root.path(), true)?.insert_all(runs)?;
    let begin = Instant::now();
    let gathered = Crate::gather(root.path(), &batch, None)?;
    let gathered_s = begin.elapsed().as_secs_f64();
    let summary = gathered.summary();
    let summed_s = begin.elapsed().as_secs_f64();
    batch::write(root.path(), None, &summary)?;
    let all_s = begin.elapsed().as_secs_f64();
    Ok(format!(
        "\nreport of a crate of {IN_REPORT} units, {:.0} MB of results: {all_s:.2} s\n  read {gathered_s:.2} s, ranked {:.2} s, \
         page, CSV and JSON written {:.2} s\n",
        bytes as f64 / 1e6,
        summed_s - gathered_s,
        all_s - summed_s,
    ))
}

fn tag(number: u32) -> String {
    format!("TQ-{number:06}")
}

fn batch_name(number: u32) -> String {
    format!("crate-{number:05}")
}
