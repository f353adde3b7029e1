//! A short fuzz of every parser: each is a plain function on bytes, driven here by a seeded mutator for a fixed time.
//! A panic or a hang is a failure; wrong answers are for the parsers' own tests.
//!
//! `GALEBENCH_FUZZ_SECONDS=600 cargo test --test fuzz_parsers` fuzzes for longer, `GALEBENCH_FUZZ_SEED` elsewhere.

use std::path::Path;
use std::time::{Duration, Instant};

use galebench::config;
use galebench::record::csv_import::{self, TraceOptions};
use galebench::record::{EVENTS_FILE, SAMPLES_FILE, reader};
use rand::{Rng as _, RngExt as _, SeedableRng as _};
use rand_xoshiro::Xoshiro256PlusPlus;

/// Longest input offered; parsers meet larger files in tests of their own.
const LONGEST: usize = 20_000;

#[test]
fn rig_files() {
    let seeds = [shipped("rigs/virtual.toml"), shipped("rigs/external.toml"), shipped("rigs/can-bench.toml")];
    fuzz("rig", &seeds, |bytes| {
        let _ = config::parse_rig(Path::new("fuzz.toml"), &String::from_utf8_lossy(bytes));
    });
}

#[cfg(feature = "can")]
#[test]
fn can_databases() {
    let long = "BO_ 2566845717 Long: 8 Bench\n SG_ Heat : 32|32@1- (1e-3,-40) [0|0] \"\" Bench\n\nSIG_VALTYPE_ 2566845717 Heat : 1;\n";
    fuzz("database", &[shipped("rigs/can-bench.dbc"), long.as_bytes().to_vec()], |bytes| {
        for signal in config::dbc::signals(bytes).into_iter().flatten().filter_map(|entry| entry.signal.ok()) {
            let value = signal.decode(&[0xA5; 8]).unwrap_or_default();
            let _ = signal.encode(value, &mut [0; 8]);
        }
    });
}

#[test]
fn plan_files() {
    let seeds = [shipped("test-plans/full.toml"), shipped("test-plans/quick.toml")];
    fuzz("plan", &seeds, |bytes| {
        let _ = config::parse_plan(Path::new("fuzz.toml"), &String::from_utf8_lossy(bytes));
    });
}

#[test]
fn traces() {
    let seeds = [
        b"time_s,command_pct,supply_a,tach,line\n0,0,0.1,0,pwm\n0.5,30,4.5,1,pwm\n1.0,,4.4,0,open\n".to_vec(),
        b"# logger\ncommand_pct;speed_rpm\n0;0\n20;812,5\n40;1600\n".to_vec(),
        b"time_s\tfan_a\n0.000\t1\n0.001\t1.5\n0.002\t1.2\n".to_vec(),
    ];
    fuzz("trace", &seeds, |bytes| {
        let _ = csv_import::import(bytes, &TraceOptions::default());
    });
}

#[test]
fn record_events() {
    let kept = "tests/fixtures/runs/format-1.0/";
    let samples = shipped(&format!("{kept}samples.arrows"));
    fuzz_record(&[shipped(&format!("{kept}events.jsonl"))], |dir, bytes| {
        std::fs::write(dir.join(EVENTS_FILE), bytes)?;
        std::fs::write(dir.join(SAMPLES_FILE), &samples)
    });
}

#[test]
fn record_samples() {
    let kept = "tests/fixtures/runs/format-1.0/";
    let events = shipped(&format!("{kept}events.jsonl"));
    fuzz_record(&[shipped(&format!("{kept}samples.arrows"))], |dir, bytes| {
        std::fs::write(dir.join(EVENTS_FILE), &events)?;
        std::fs::write(dir.join(SAMPLES_FILE), bytes)
    });
}

/// Reads records of which `lay` makes the files.
fn fuzz_record(seeds: &[Vec<u8>], lay: impl Fn(&Path, &[u8]) -> std::io::Result<()>) {
    let dir = tempfile::tempdir().expect("a temporary folder");
    fuzz("record", seeds, |bytes| {
        lay(dir.path(), bytes).expect("the temporary folder takes files");
        let _ = reader::read(dir.path());
    });
}

fn shipped(path: &str) -> Vec<u8> {
    std::fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join(path)).expect("a shipped file")
}

/// Offers mutated seeds to `target` for the time given in the environment, else two seconds.
fn fuzz(name: &str, seeds: &[Vec<u8>], target: impl Fn(&[u8])) {
    let number =
        |key: &str, default: u64| std::env::var(key).ok().and_then(|text| text.parse().ok()).unwrap_or(default);
    let mut random = Xoshiro256PlusPlus::seed_from_u64(number("GALEBENCH_FUZZ_SEED", 1));
    let end = Instant::now() + Duration::from_secs(number("GALEBENCH_FUZZ_SECONDS", 2));
    let mut inputs = 0_u64;
    let mut slowest = Duration::ZERO;
    while Instant::now() < end {
        let input = mutated(&seeds[random.random_range(0..seeds.len())], seeds, &mut random);
        let begin = Instant::now();
        let survived = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| target(&input)));
        slowest = slowest.max(begin.elapsed());
        inputs += 1;
        assert!(survived.is_ok(), "{name} parser panicked on {:?}", String::from_utf8_lossy(&input));
    }
    println!("{name}: {inputs} inputs, slowest {slowest:?}");
    assert!(inputs > 10, "{name}: only {inputs} inputs in the time");
    assert!(slowest < Duration::from_secs(5), "{name} parser hung for {slowest:?}");
}

/// One to eight mutations of a seed: bits, bytes, cuts, repeats, splices and tokens that parsers trip over.
fn mutated(seed: &[u8], seeds: &[Vec<u8>], random: &mut Xoshiro256PlusPlus) -> Vec<u8> {
    const TOKENS: [&[u8]; 18] = [
        b"nan",
        b"inf",
        b"-0",
        b"1e999",
        b"\"",
        b"[[",
        b"]]",
        b"{",
        b"}",
        b"=",
        b"\n",
        b"\r\n",
        b"\0",
        b"\xff\xfe",
        b"\xef\xbb\xbf",
        b"9999999999999999999999",
        b" % ",
        b"\xc2\xb5A",
    ];
    let mut bytes = seed.to_vec();
    for _ in 0..random.random_range(1..=8) {
        let at = if bytes.is_empty() { 0 } else { random.random_range(0..bytes.len()) };
        let until = (at + random.random_range(0..64)).min(bytes.len());
        match random.random_range(0..7) {
            0 if at < bytes.len() => bytes[at] ^= 1 << random.random_range(0..8),
            1 if at < bytes.len() => bytes[at] = random.next_u32().to_le_bytes()[0],
            2 => drop(bytes.drain(at..until)),
            3 => {
                let part = bytes[at..until].to_vec();
                bytes.splice(at..at, part);
            }
            4 => bytes.truncate(at),
            5 => {
                let other = &seeds[random.random_range(0..seeds.len())];
                let from = random.random_range(0..=other.len());
                bytes.splice(at.., other[from..].iter().copied());
            }
            _ => {
                let token = TOKENS[random.random_range(0..TOKENS.len())];
                bytes.splice(at..at, token.iter().copied());
            }
        }
        bytes.truncate(LONGEST);
    }
    bytes
}
