//! Fault study: thousands of virtual units, three of ten with one fault at any severity, on benches that are not all as
//! their rig file says, through the full plan. How many of the bad ones are caught, how many of the good ones are not let
//! through, is the right fault named, and do strengths mean what they say?
//!
//! `cargo run --release --example fault_study` writes `docs/fault-study.md` and its plot. Options: `--units N` (of the
//! mix; a ninth as many with a fault each come on top), `--first-seed S`, `--threads T`; `--keep FILE` writes each unit down as it is done and goes on where a stopped study
//! left the file; `--dump FILE` also writes one line of JSON per unit and leaves the page alone;
//! `--only S` plays none but the unit of that seed; `--show S` prints the unit of that seed, if it is of the second plant, beside its truth.
//! The outcome depends on units and seed alone, not on the threads.

#[path = "../../tests/support/mod.rs"]
mod support;

#[path = "../../tests/second/mod.rs"]
mod second;

/// Two threads with their recorders allocate all the time: the one of the program itself.
#[global_allocator]
static MEMORY: mimalloc::MiMalloc = mimalloc::MiMalloc;

mod count;
mod draw;
mod kept;
mod page;
mod play;
mod plot;

use std::collections::HashSet;
use std::io::Write as _;
use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

use count::Unit;

/// Seeds below this one are for work on rules and thresholds; the published study begins here.
const FIRST_SEED: u64 = 1001;

struct Options {
    units: u64,
    first_seed: u64,
    threads: u64,
    keep: Option<String>,
    dump: Option<String>,
    only: Option<u64>,
    show: Option<u64>,
}

fn options() -> Result<Options, Box<dyn std::error::Error>> {
    let mut options =
        Options { units: 10_000, first_seed: FIRST_SEED, threads: 2, keep: None, dump: None, only: None, show: None };
    let mut arguments = std::env::args().skip(1);
    while let Some(name) = arguments.next() {
        let value = arguments.next().ok_or_else(|| format!("`{name}` needs a value"))?;
        match name.as_str() {
            "--units" => options.units = value.parse()?,
            "--first-seed" => options.first_seed = value.parse()?,
            "--threads" => options.threads = value.parse::<u64>()?.max(1),
            "--keep" => options.keep = Some(value),
            "--dump" => options.dump = Some(value),
            "--only" => options.only = Some(value.parse()?),
            "--show" => options.show = Some(value.parse()?),
            _ => {
                return Err(format!(
                    "unknown option `{name}`; known are --units, --first-seed, --threads, --keep, --dump, --only, --show"
                )
                .into());
            }
        }
    }
    Ok(options)
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let options = options()?;
    if let Some(seed) = options.show {
        let index = seed.saturating_sub(options.first_seed);
        print!("{}", play::show(&mut draw::unit(seed, index, options.units)));
        return Ok(());
    }
    let (kept, had) = match &options.keep {
        Some(path) => {
            let (kept, had) = kept::open(Path::new(path), options.first_seed, options.units)?;
            (Some(Mutex::new(kept)), had)
        }
        None => (None, Vec::new()),
    };
    let is_had: HashSet<u64> = had.iter().map(|(index, _)| *index).collect();
    let done: Mutex<Vec<(u64, Unit, String)>> =
        Mutex::new(had.into_iter().map(|(i, unit)| (i, unit, String::new())).collect());
    let next = AtomicU64::new(0);
    let all = options.units + draw::added(options.units);
    std::thread::scope(|scope| {
        for _ in 0..options.threads {
            scope.spawn(|| {
                loop {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    if index >= all {
                        return;
                    }
                    let is_meant = options.only.is_none_or(|seed| seed == options.first_seed + index);
                    if is_had.contains(&index) || !is_meant {
                        continue;
                    }
                    let mut drawn = draw::unit(options.first_seed + index, index, options.units);
                    let played = play::play(&mut drawn);
                    let unit = Unit::of(&drawn, &played);
                    let line = if options.dump.is_some() { unit.line(&played.document) } else { String::new() };
                    if let Some(kept) = &kept {
                        let mut kept = kept.lock().expect("nobody panicked with it");
                        kept.add(index, &unit).expect("a file that takes a line");
                    }
                    let mut done = done.lock().expect("nobody panicked with it");
                    done.push((index, unit, line));
                    if done.len().is_multiple_of(100) {
                        eprintln!("{} of {all}", done.len());
                    }
                }
            });
        }
    });
    let mut done = done.into_inner()?;
    done.sort_by_key(|(index, ..)| *index);
    if let Some(path) = &options.dump {
        let mut file = std::io::BufWriter::new(std::fs::File::create(path)?);
        for (.., line) in &done {
            writeln!(file, "{line}")?;
        }
    }
    let units: Vec<Unit> = done.into_iter().map(|(_, unit, _)| unit).collect();
    let plot = plot::reliability(&units)?;
    let text = page::write(units, options.first_seed);
    print!("{text}");
    if options.dump.is_none() {
        std::fs::write(support::shipped("docs/fault-study.md"), &text)?;
        std::fs::write(support::shipped("docs/fault-study.svg"), plot)?;
    }
    Ok(())
}
