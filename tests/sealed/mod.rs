//! Small sealed records as runs of the virtual bench leave them, and where they should be.

#![allow(dead_code, reason = "each user of this file needs a part of it")]

use std::path::{Path, PathBuf};
use std::time::Duration;

use galebench::bench::{Block, Channel};
use galebench::ops::{analyze, archive};
use galebench::record::csv_import::TraceOptions;
use galebench::record::event::{Event, FORMAT, Header, Numbered};
use galebench::record::writer::RecordWriter;
use galebench::store;

/// Files of a record.
pub(crate) const FILES: [&str; 3] = ["events.jsonl", "samples.arrows", "seal.json"];

/// Takes a record on the bench `root`, judged by an earlier analysis, and returns its folder.
pub(crate) fn take(root: &Path, unit: &str, run: &str) -> PathBuf {
    let dir = root.join("may-shelf-3").join(unit).join(run);
    let header = Header {
        format: (FORMAT.major, FORMAT.minor),
        run: run.to_owned(),
        unit: Some(unit.to_owned()),
        batch: Some("may-shelf-3".to_owned()),
        started: Some("2026-05-05T10:00:00Z".to_owned()),
        program: "galebench 0.0.9".to_owned(),
        is_virtual: true,
        ..Header::default()
    };
    let mut writer = RecordWriter::create(&dir, &header).expect("a record");
    for index in 0..50_u16 {
        let amps = f32::from(run.bytes().map(u16::from).sum::<u16>().wrapping_add(index) % 97);
        let block = Block {
            t0_s: f64::from(index) * 0.02,
            duration_s: 0.02,
            lost: 0,
            channels: vec![(Channel::SupplyA, vec![amps; 40])],
            tach_s: None,
            stop_pressed: Some(false),
        };
        writer.block(block).expect("a block");
    }
    writer.event(&Numbered { seq: 1, t_s: 1.0, event: Event::End { finished: true } }).expect("an event");
    writer.finish().expect("the record's end");
    let mut document = analyze::analyze(&dir, &TraceOptions::default()).expect("a sound record").document;
    document.analysis = Some("galebench 0.0.9, analysis 0".to_owned());
    let text = serde_json::to_vec(&document).expect("a document");
    std::fs::write(dir.join("results.json"), text).expect("the bench's folder can be written");
    archive::index(root, &document, &dir).expect("the store takes it");
    dir
}

/// Waits until nothing is being sent behind the back of this process.
pub(crate) fn settle() {
    assert!(store::wait_for_couriers(Duration::from_secs(120)), "records are still being sent");
}

/// Folders below `place` that hold a sealed record.
pub(crate) fn sealed_in(place: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut open = vec![place.to_owned()];
    while let Some(dir) = open.pop() {
        for entry in std::fs::read_dir(&dir).into_iter().flatten().flatten() {
            let path = entry.path();
            if path.is_dir() {
                open.push(path);
            } else if entry.file_name() == "seal.json" {
                found.push(dir.clone());
            }
        }
    }
    found.sort();
    found
}

/// Whether the record in `dir` is there as it is here.
pub(crate) fn same(dir: &Path, there: &Path) -> bool {
    let read = |dir: &Path, name| std::fs::read(dir.join(name)).expect("the file is there");
    FILES.iter().all(|name| read(dir, name) == read(there, name))
}

/// Takes the record away from its bench; documents stay.
pub(crate) fn lose(dir: &Path) {
    FILES.iter().for_each(|name| std::fs::remove_file(dir.join(name)).expect("the file is there"));
}

/// Changes a byte in the middle of a file.
pub(crate) fn alter(path: &Path) {
    let mut bytes = std::fs::read(path).expect("the file is there");
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    std::fs::write(path, bytes).expect("the file can be written");
}
