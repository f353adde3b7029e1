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

#[path = "../study/mod.rs"]
mod study;

/// Two threads with their recorders allocate all the time: the one of the program itself.
#[global_allocator]
static MEMORY: mimalloc::MiMalloc = mimalloc::MiMalloc;

mod count;
mod draw;
mod page;
mod play;
mod plot;

use std::io::Write as _;
use std::path::Path;

use count::Unit;
use study::Study;

/// Seeds below this one are for work on rules and thresholds; the published study begins here.
const FIRST_SEED: u64 = 40_001;

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
    let (units, first_seed) = (options.units, options.first_seed);
    let study = Study {
        units: units + draw::added(units),
        threads: options.threads,
        keep: options.keep.as_deref().map(Path::new),
        words: format!("mix of {units} from seed {first_seed}"),
    };
    let done: Vec<(Unit, Option<String>)> = study.carry_out(|index| {
        let seed = first_seed + index;
        if options.only.is_some_and(|only| only != seed) {
            return None;
        }
        let mut drawn = draw::unit(seed, index, units);
        let played = play::play(&mut drawn);
        let unit = Unit::of(&drawn, &played);
        let line = if options.dump.is_some() { unit.line(&played.document) } else { String::new() };
        Some((unit, line))
    })?;
    if let Some(path) = &options.dump {
        let mut file = std::io::BufWriter::new(std::fs::File::create(path)?);
        for line in done.iter().filter_map(|(_, line)| line.as_ref()) {
            writeln!(file, "{line}")?;
        }
    }
    let units: Vec<Unit> = done.into_iter().map(|(unit, _)| unit).collect();
    let plot = plot::reliability(&units)?;
    let text = page::write(units, first_seed);
    print!("{text}");
    if options.dump.is_none() {
        std::fs::write(support::shipped("docs/fault-study.md"), &text)?;
        std::fs::write(support::shipped("docs/fault-study.svg"), plot)?;
    }
    Ok(())
}
