//! Coverage study: thousands of healthy virtual units of all kinds, each with other errors of the bench, through the full
//! plan. How far are the results from the truth, do the 95 % intervals hold it as often as they say, and is `u` of the
//! size of the error? Then more units on a few benches whose errors stay, and some against limits close to their truth.
//!
//! `cargo run --release --example coverage` writes `docs/coverage.md`. Options: `--units N`, `--rigs N`, `--per-rig N`,
//! `--close N`, `--first-seed S`, `--threads T`; `--keep FILE` writes each unit down as it is done and goes on where a stopped study
//! left the file; `--dump FILE` also writes one tab-separated line per unit and result and leaves the page alone. The
//! outcome depends on units and seed alone, not on the threads.

#[path = "../../tests/support/mod.rs"]
mod support;

#[path = "../study/mod.rs"]
mod study;

mod page;
mod tally;

use std::io::Write as _;
use std::path::Path;

use study::Study;
use tally::Unit;

/// Seeds below this one are for work on the estimators; the published study begins here.
const FIRST_SEED: u64 = 1001;

/// What the command line asks for.
pub(crate) struct Options {
    pub(crate) units: u64,
    pub(crate) rigs: u64,
    pub(crate) per_rig: u64,
    close: u64,
    pub(crate) first_seed: u64,
    threads: u64,
    keep: Option<String>,
    dump: Option<String>,
}

fn options() -> Result<Options, Box<dyn std::error::Error>> {
    let mut options = Options {
        units: 2000,
        rigs: 5,
        per_rig: 100,
        close: 200,
        first_seed: FIRST_SEED,
        threads: 2,
        keep: None,
        dump: None,
    };
    let mut arguments = std::env::args().skip(1);
    while let Some(name) = arguments.next() {
        let value = arguments.next().ok_or_else(|| format!("`{name}` needs a value"))?;
        match name.as_str() {
            "--units" => options.units = value.parse()?,
            "--rigs" => options.rigs = value.parse()?,
            "--per-rig" => options.per_rig = value.parse()?,
            "--close" => options.close = value.parse()?,
            "--first-seed" => options.first_seed = value.parse()?,
            "--threads" => options.threads = value.parse::<u64>()?.max(1),
            "--keep" => options.keep = Some(value),
            "--dump" => options.dump = Some(value),
            _ => {
                let known = "--units, --rigs, --per-rig, --close, --first-seed, --threads, --keep, --dump";
                return Err(format!("unknown option `{name}`; known are {known}").into());
            }
        }
    }
    Ok(options)
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let options = options()?;
    let &Options { units, rigs, per_rig, close, first_seed, .. } = &options;
    let study = Study {
        units: units + rigs * per_rig + close,
        threads: options.threads,
        keep: options.keep.as_deref().map(Path::new),
        words: format!("{units} units, {rigs} times {per_rig} and {close} close ones from seed {first_seed}"),
    };
    let done: Vec<(Unit, Option<()>)> = study.carry_out(|index| {
        let seed = first_seed + index;
        let rig = index.checked_sub(units).map(|beyond| beyond / per_rig.max(1));
        let unit = if rig.is_some_and(|rig| rig >= rigs) { tally::play_close(seed) } else { tally::play(seed, rig) };
        Some((unit, ()))
    })?;
    let units: Vec<Unit> = done.into_iter().map(|(unit, _)| unit).collect();
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
