//! Coverage study: thousands of healthy virtual units of all kinds, each with other errors of the bench, through the full
//! plan. How far are the results from the truth, do the 95 % intervals hold it as often as they say, and is `u` of the
//! size of the error? Then more units on a few benches whose errors stay.
//!
//! `cargo run --release --example coverage` writes `docs/coverage.md`. Options: `--units N`, `--rigs N`, `--per-rig N`,
//! `--first-seed S`, `--threads T`; `--dump FILE` also writes one tab-separated line per unit and result and leaves the
//! page alone. The outcome depends on units and seed alone, not on the threads.

#[path = "../../tests/support/mod.rs"]
mod support;

mod page;
mod tally;

use std::io::Write as _;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

use tally::Unit;

/// Seeds below this one are for work on the estimators; the published study begins here.
const FIRST_SEED: u64 = 1001;

/// What the command line asks for.
pub(crate) struct Options {
    pub(crate) units: u64,
    pub(crate) rigs: u64,
    pub(crate) per_rig: u64,
    pub(crate) first_seed: u64,
    threads: u64,
    dump: Option<String>,
}

fn options() -> Result<Options, Box<dyn std::error::Error>> {
    let mut options = Options { units: 2000, rigs: 5, per_rig: 100, first_seed: FIRST_SEED, threads: 2, dump: None };
    let mut arguments = std::env::args().skip(1);
    while let Some(name) = arguments.next() {
        let value = arguments.next().ok_or_else(|| format!("`{name}` needs a value"))?;
        match name.as_str() {
            "--units" => options.units = value.parse()?,
            "--rigs" => options.rigs = value.parse()?,
            "--per-rig" => options.per_rig = value.parse()?,
            "--first-seed" => options.first_seed = value.parse()?,
            "--threads" => options.threads = value.parse::<u64>()?.max(1),
            "--dump" => options.dump = Some(value),
            _ => {
                let known = "--units, --rigs, --per-rig, --first-seed, --threads, --dump";
                return Err(format!("unknown option `{name}`; known are {known}").into());
            }
        }
    }
    Ok(options)
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let options = options()?;
    let total = options.units + options.rigs * options.per_rig;
    let next = AtomicU64::new(0);
    let done: Mutex<Vec<(u64, Unit)>> = Mutex::new(Vec::new());
    let begin = std::time::Instant::now();
    std::thread::scope(|scope| {
        for _ in 0..options.threads {
            scope.spawn(|| {
                loop {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    if index >= total {
                        return;
                    }
                    let rig = index.checked_sub(options.units).map(|beyond| beyond / options.per_rig);
                    let unit = tally::play(options.first_seed + index, rig);
                    let mut done = done.lock().expect("nobody panicked with it");
                    done.push((index, unit));
                    if done.len().is_multiple_of(100) {
                        eprintln!("{} of {total}, {:.0} s", done.len(), begin.elapsed().as_secs_f64());
                    }
                }
            });
        }
    });
    let mut done = done.into_inner()?;
    done.sort_by_key(|(index, _)| *index);
    let units: Vec<Unit> = done.into_iter().map(|(_, unit)| unit).collect();
    let walls = |of: fn(&Unit) -> f64| units.iter().map(of).sum::<f64>() / units.len().max(1) as f64;
    eprintln!("mean wall time of a run {:.3} s, of its analysis {:.3} s", walls(|u| u.wall_s.0), walls(|u| u.wall_s.1));
    let text = page::write(&units, &options);
    print!("{text}");
    if let Some(path) = &options.dump {
        let mut file = std::io::BufWriter::new(std::fs::File::create(path)?);
        for line in units.iter().flat_map(Unit::lines) {
            writeln!(file, "{line}")?;
        }
    } else {
        std::fs::write(support::shipped("docs/coverage.md"), &text)?;
    }
    Ok(())
}
