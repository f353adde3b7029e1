//! A recording process is killed at any moment: all but the last second is on the disk, and nothing that is there is
//! wrong.
//!
//! The test starts this very program again as the process to be killed. That one records in real time and says on its
//! standard output what it has handed over, so that the two clocks need not be compared.

#![expect(clippy::unwrap_used, reason = "a test ends at the first surprise")]

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::thread;
use std::time::{Duration, Instant};

use galebench::bench::{Block, Channel};
use galebench::record::event::{Event, Header, Numbered};
use galebench::record::reader;
use galebench::record::writer::RecordWriter;
use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

/// Set for the process to be killed; the folder that it records into.
const RECORD_INTO: &str = "GALEBENCH_TEST_RECORD_INTO";
const BLOCK: Duration = Duration::from_millis(100);
/// What may be missing.
const LAST_SECOND: Duration = Duration::from_secs(1);
const KILLS: usize = 20;
/// Processes at a time; more would make a small machine late with its own blocks.
const AT_ONCE: usize = 5;
const SEED: u64 = 0x7e57_0001;

fn block(index: u32) -> Block {
    let samples = (0..200_u16).map(|k| f32::from(k) * 0.01 + f32::from(u16::try_from(index % 1000).unwrap_or(0)));
    Block {
        t0_s: f64::from(index) * BLOCK.as_secs_f64(),
        duration_s: BLOCK.as_secs_f64(),
        channels: vec![(Channel::SupplyV, vec![13.5; 200]), (Channel::SupplyA, samples.collect())],
        tach_s: Some(vec![f64::from(index) * BLOCK.as_secs_f64() + 0.05]),
        ..Block::default()
    }
}

fn note(index: u32) -> Numbered {
    let event = Event::Note { text: format!("block {index}") };
    Numbered { seq: u64::from(index) + 1, t_s: block(index).end_s(), event }
}

/// The process to be killed: records in real time until then.
#[test]
fn record_until_killed() {
    let Some(dir) = std::env::var_os(RECORD_INTO) else { return };
    let mut writer = RecordWriter::create(Path::new(&dir), &Header::default()).unwrap();
    let begin = Instant::now();
    for index in 0.. {
        thread::sleep((BLOCK * (index + 1)).saturating_sub(begin.elapsed()));
        writer.block(block(index)).unwrap();
        writer.event(&note(index)).unwrap();
        println!("\nhanded over {index}");
        std::io::stdout().flush().unwrap();
    }
}

#[test]
fn all_but_the_last_second_outlives_a_kill_at_any_moment() {
    let root = tempfile::tempdir().unwrap();
    let mut random = Xoshiro256PlusPlus::seed_from_u64(SEED);
    let lives: Vec<(PathBuf, Duration)> = (0..KILLS)
        .map(|run| (root.path().join(format!("run-{run}")), Duration::from_millis(random.random_range(50..4000))))
        .collect();
    let begin = Instant::now();
    for lives in lives.chunks(AT_ONCE) {
        thread::scope(|scope| {
            for (dir, life) in lives {
                scope.spawn(|| kill_after(dir, *life));
            }
        });
    }
    println!("{KILLS} processes killed in {:?}", begin.elapsed());
}

/// Lets a process record for `life` after its first block, kills it, and looks at what it left.
fn kill_after(dir: &Path, life: Duration) {
    let mut child = start(dir);
    let said = listen(&mut child);
    // Until the first block nothing was taken that could be lost.
    let mut handed = vec![(Instant::now(), said.recv_timeout(Duration::from_secs(60)).unwrap())];
    let end = handed[0].0 + life;
    loop {
        match said.recv_timeout(end.saturating_duration_since(Instant::now())) {
            Ok(index) => handed.push((Instant::now(), index)),
            Err(RecvTimeoutError::Timeout) => break,
            Err(RecvTimeoutError::Disconnected) => panic!("the recording process ended by itself"),
        }
    }
    let killed = Instant::now();
    child.kill().unwrap();
    child.wait().unwrap();

    let raw = reader::read_raw(dir).unwrap();
    let due = handed.iter().filter(|(when, _)| killed.duration_since(*when) >= LAST_SECOND).count();
    let what = format!(
        "killed {:?} after the first block: {} of {} blocks, {} events, at least {due} due; torn: {:?}",
        life,
        raw.blocks.len(),
        handed.len(),
        raw.events.len() - 1,
        raw.integrity.torn
    );
    println!("{what}");
    assert!(raw.blocks.len() >= due && raw.events.len() > due, "{what}");
    assert!(!raw.integrity.finished && !reader::is_finished(dir).unwrap(), "{what}");
    // What is there is what was handed over.
    for (index, found) in (0..).zip(&raw.blocks) {
        assert_eq!(found, &block(index), "{what}");
    }
    for (index, found) in (0..).zip(&raw.events[1..]) {
        assert_eq!(found, &note(index), "{what}");
    }
    assert!(reader::read(dir).is_ok(), "{what}");
}

fn start(dir: &Path) -> Child {
    Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "record_until_killed", "--nocapture"])
        .env(RECORD_INTO, dir)
        .stdout(Stdio::piped())
        .stderr(Stdio::inherit())
        .spawn()
        .unwrap()
}

/// Numbers of the blocks that the process says it has handed over.
fn listen(child: &mut Child) -> Receiver<u32> {
    let (sender, receiver) = channel();
    let lines = BufReader::new(child.stdout.take().unwrap()).lines();
    thread::spawn(move || {
        for line in lines.map_while(Result::ok) {
            let index = line.strip_prefix("handed over ").and_then(|index| index.parse().ok());
            if index.is_some_and(|index| sender.send(index).is_err()) {
                return;
            }
        }
    });
    receiver
}
