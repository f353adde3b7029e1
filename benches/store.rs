//! What the store costs as it grows: `cargo bench --bench store`, or with counts of runs, `-- 10000 100000`.
//!
//! Fills an index with synthetic runs of units of many crates and prints the median of each query and of an insert at
//! 10^4, 10^5 and 10^6 runs, with the exponent of the growth (0 constant, 1 in proportion).

use std::error::Error;
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::time::Instant;

use galebench::intake::journal::{Entry, Facts, Line};
use galebench::results::{Document, Grade, Measured, ResultName, Verdict};
use galebench::store::{Filter, Page, Range, RunState, Store};
use rand::{RngExt as _, SeedableRng as _};
use rand_xoshiro::Xoshiro256PlusPlus as Random;

/// Each time is the median of this many.
const REPEATS: usize = 21;
/// Units of a crate, runs of a unit.
const UNITS: u32 = 100;
const RUNS: u32 = 4;
const DONORS: [&str; 6] = ["minibus, rear", "van, side door", "estate", "hatchback", "pickup", "ambulance"];
const KINDS: [&str; 4] = ["two wires", "three wires, grey plug", "potted", "with diode"];

fn main() -> Result<(), Box<dyn Error>> {
    let counts: Vec<u32> = std::env::args().skip(1).filter_map(|argument| argument.parse().ok()).collect();
    let counts = if counts.is_empty() { vec![10_000, 100_000, 1_000_000] } else { counts };
    let root = tempfile::tempdir()?;
    let store = Store::open(root.path(), false)?;
    let mut shop = Shop { random: Random::seed_from_u64(1), taken: 0, template: template()? };
    let mut columns = Vec::new();
    for count in &counts {
        let begin = Instant::now();
        shop.fill(&store, *count)?;
        let bytes = std::fs::metadata(root.path().join("galebench.db"))?.len();
        say(&format!("{count} runs: filled in {:.0} s, {:.0} MB", begin.elapsed().as_secs_f64(), bytes as f64 / 1e6))?;
        columns.push(shop.measure(&store)?);
    }
    let mut text = format!("\n{:<44}", "median, ms");
    for count in &counts {
        let _ = write!(text, "{count:>11}");
    }
    text += "   exponent\n";
    for (row, (what, _)) in columns[0].iter().enumerate() {
        let _ = write!(text, "{what:<44}");
        let times: Vec<f64> = columns.iter().map(|column| column[row].1).collect();
        for ms in &times {
            let _ = write!(text, "{ms:>11.3}");
        }
        let _ = writeln!(text, "{:>11}", exponent(&counts, &times).map_or(String::new(), |e| format!("{e:.2}")));
    }
    say(&text)
}

fn say(text: &str) -> Result<(), Box<dyn Error>> {
    Ok(writeln!(std::io::stdout().lock(), "{text}")?)
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
        let first = self.taken / (UNITS * RUNS);
        while self.taken < count {
            // A crate at a time would sync each; ten thousand runs at once is what a rebuild does.
            let more = (count - self.taken).min(10_000);
            let runs: Vec<_> = (0..more).map(|_| self.run()).collect();
            store.insert_all(runs)?;
        }
        for batch in first..self.taken.div_ceil(UNITS * RUNS) {
            store.take_journal(&batch_name(batch), &self.journal(batch))?;
        }
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
        let grade = match self.random.random_range(0..100) {
            0..60 => Grade::Fit,
            60..80 => Grade::Restricted,
            80..90 => Grade::Undecided,
            _ => Grade::Scrap,
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
        (document, dir, RunState::Finished)
    }

    fn journal(&mut self, batch: u32) -> Vec<Line> {
        let mut any = |of: &[&str]| of[self.random.random_range(0..of.len())].to_owned();
        let line = |tag: String, donor: String, kind: String| {
            let facts =
                Facts { donor: Some(donor), kind: Some(kind), shelf: Some("shelf 3".to_owned()), ..Facts::default() };
            Line { at: "2026-05-12T08:00:00Z".to_owned(), by: None, entry: Entry::Unit { tag, facts } }
        };
        (0..UNITS).map(|unit| line(tag(batch * UNITS + unit), any(&DONORS), any(&KINDS))).collect()
    }

    /// Medians of all queries and of an insert, milliseconds.
    fn measure(&mut self, store: &Store) -> Result<Vec<(&'static str, f64)>, Box<dyn Error>> {
        let page = |skip| Page { skip, rows: 50 };
        let of = |change: &dyn Fn(&mut Filter)| {
            let mut filter = Filter::default();
            change(&mut filter);
            filter
        };
        let range = |min, max| vec![Range { result: ResultName::DropV, min, max }];
        let crates = self.taken / (UNITS * RUNS);
        let queries: Vec<(&'static str, Filter, Page)> = vec![
            ("list, first page", of(&|_| {}), page(0)),
            ("list, page 200", of(&|_| {}), page(10_000.min(self.taken / 2))),
            ("filter by batch", of(&|f| f.batch = Some(batch_name(crates / 2))), page(0)),
            ("filter by unit", of(&|f| f.unit = Some(tag(crates / 2 * UNITS + 7))), page(0)),
            ("filter by grade, one in ten", of(&|f| f.grade = Some(Grade::Scrap)), page(0)),
            ("filter by donor, one in six", of(&|f| f.donor = Some("side door".to_owned())), page(0)),
            ("filter by donor, none", of(&|f| f.donor = Some("tractor".to_owned())), page(0)),
            ("filter by kind, one in four", of(&|f| f.kind = Some("grey".to_owned())), page(0)),
            ("filter by range, a third", of(&|f| f.ranges = range(None, Some(0.2))), page(0)),
            ("filter by range, one in 3000", of(&|f| f.ranges = range(Some(0.3), Some(0.3001))), page(0)),
            ("filter by range, none", of(&|f| f.ranges = range(Some(0.5), None)), page(0)),
            ("filter by text, all", of(&|f| f.text = Some("carried".to_owned())), page(0)),
            ("filter by text, one unit", of(&|f| f.text = Some(tag(crates / 2 * UNITS + 7))), page(0)),
            ("filter by text, none", of(&|f| f.text = Some("tractor".to_owned())), page(0)),
            (
                "filter by grade, donor and range",
                of(&|f| {
                    f.grade = Some(Grade::Fit);
                    f.donor = Some("estate".to_owned());
                    f.ranges = range(Some(0.15), Some(0.25));
                }),
                page(0),
            ),
        ];
        let mut medians = Vec::new();
        for (what, filter, page) in &queries {
            medians.push((
                *what,
                median(|| {
                    store.list(filter, *page)?;
                    Ok(())
                })?,
            ));
        }
        let unit = tag(crates / 2 * UNITS + 7);
        medians.push((
            "earlier runs of a unit",
            median(|| {
                store.earlier_runs(&unit, "")?;
                Ok(())
            })?,
        ));
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

fn tag(number: u32) -> String {
    format!("TQ-{number:06}")
}

fn batch_name(number: u32) -> String {
    format!("crate-{number:05}")
}
