//! A larger crate takes no more memory than a smaller one: nothing of a unit stays behind when its documents are written.
#![cfg(target_os = "linux")]

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use galebench::intake::journal::Facts;
use galebench::ops::intake::Desk;
use galebench::record::reader;

/// Runs a crate of virtual units; returns the most memory that the program ever held, and what one recording of it takes.
fn crate_of(units: usize) -> (u64, u64) {
    let folder = tempfile::tempdir().expect("a folder");
    let desk = Desk { out: folder.path().to_owned(), batch: "may-shelf-3".to_owned(), by: None };
    for unit in 1..=units {
        desk.register(&format!("TQ-{unit:04}"), &Facts::default(), &[]).expect("the journal can be written");
    }
    let mut child = Command::new(env!("CARGO_BIN_EXE_galebench"))
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .args([
            "crate",
            "--rig",
            "rigs/virtual.toml",
            "--plan",
            "tests/fixtures/plans/short.toml",
            "--unattended",
            "-q",
        ])
        .args(["--batch", "may-shelf-3", "--jobs", "2", "--no-contact-check", "--out"])
        .arg(folder.path())
        .stdout(Stdio::null())
        .spawn()
        .expect("the binary starts");
    let mut most = 0;
    while child.try_wait().expect("it is ours").is_none() {
        most = most.max(most_memory(child.id()).unwrap_or(0));
        std::thread::sleep(Duration::from_millis(2));
    }
    assert!(child.wait().expect("it is ours").success());
    let runs = reader::list(folder.path()).expect("records");
    assert_eq!(runs.len(), units);
    (most, recording_bytes(&runs[0]))
}

/// The most memory that a process has held so far, bytes.
fn most_memory(process: u32) -> Option<u64> {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    Some(line.trim().trim_end_matches(" kB").parse::<u64>().ok()? * 1024)
}

/// Samples alone; events come on top.
fn recording_bytes(dir: &Path) -> u64 {
    let (recording, _) = reader::read(dir).expect("the record can be read");
    let series = recording.channels.values().flat_map(|series| series.chunks());
    series.map(|chunk| 4 * chunk.values.len() as u64).sum()
}

#[test]
fn the_most_memory_does_not_grow_with_the_crate() {
    // Enough that two units at a time have come together at their largest in the smaller crate already.
    const FIRST: usize = 12;
    const MORE: usize = 28;
    let (small, one) = crate_of(FIRST);
    let (large, _) = crate_of(FIRST + MORE);
    let grown = large.saturating_sub(small);
    // Were every recording kept, it would be all of them; two units at a time come together at their largest by chance.
    let most = one * MORE as u64 / 3;
    assert!(grown < most, "{grown} bytes more for {MORE} more units; one recording takes {one}");
}
