//! What changed of a unit between two runs, and whether the bench did, through the real binary.
#![allow(clippy::unwrap_used, reason = "a test stops at what it does not expect")]

mod shelf;

use std::path::Path;

/// The virtual rig with these faults on its unit.
fn rig(folder: &Path, name: &str, faults: &str) -> String {
    let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("rigs/virtual.toml");
    let text = std::fs::read_to_string(shipped).unwrap();
    let faulty = text.replace("faults = []", &format!("faults = [{faults}]"));
    assert!(faults.is_empty() || faulty != text);
    let path = folder.join(name);
    std::fs::write(&path, faulty).unwrap();
    path.to_str().unwrap().to_owned()
}

fn run(out: &Path, rig: &str, unit: &str, seed: u32) {
    let plan = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/plans/short.toml");
    let seed = seed.to_string();
    let command = ["run", "--rig", rig, "--plan", plan.to_str().unwrap(), "--batch", "may-shelf-3", "-q"];
    shelf::run(out, &[&command[..], &["--unit", unit, "--seed", &seed]].concat());
}

#[test]
fn a_lost_soft_start_is_told_since_may_and_an_unchanged_unit_is_not() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("reports");
    let (sound, worn) = (
        rig(folder.path(), "sound.toml", ""),
        rig(folder.path(), "worn.toml", "{ fault = \"soft-start-lost\", severity = \"60 %\" }"),
    );
    run(&out, &sound, "TQ-0900", 9);
    run(&out, &sound, "TQ-0001", 7);
    let alone = shelf::galebench(&out, &["drift", "TQ-0001"]).output().unwrap();
    assert_eq!(alone.status.code(), Some(2));
    assert!(shelf::said(&alone).contains("no earlier run of the same plan"), "{}", shelf::said(&alone));
    run(&out, &sound, "TQ-0001", 7);
    let same = shelf::run(&out, &["drift", "TQ-0001"]);
    assert!(same.contains("one bench") && same.contains("nothing that these runs can tell"), "{same}");
    run(&out, &worn, "TQ-0001", 7);
    run(&out, &sound, "TQ-0900", 9);
    let changed = shelf::run(&out, &["drift", "TQ-0001", "--check", "TQ-0900"]);
    let (told, rest) = changed.split_once("no change told").unwrap();
    assert!(
        told.contains("soft start, 10 to 90 % of output: ") && told.contains("the unit changed beyond that"),
        "{changed}"
    );
    assert!(rest.contains("input capacitance"), "{changed}");
}

#[test]
fn a_check_unit_that_comes_out_otherwise_tells_that_the_bench_moved() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("reports");
    let rigs = [
        rig(folder.path(), "sound.toml", ""),
        rig(folder.path(), "worn.toml", "{ fault = \"soft-start-lost\", severity = \"60 %\" }"),
    ];
    // Other seeds are other units: more scatter than one check unit has, and none of them moved.
    for seed in 1..=8 {
        run(&out, &rigs[0], "TQ-0900", seed);
    }
    let steady = shelf::run(&out, &["control", "TQ-0900"]);
    assert!(steady.contains("8 runs") && steady.contains("the bench is where it was"), "{steady}");
    run(&out, &rigs[1], "TQ-0900", 9);
    let drawing = folder.path().join("control.svg");
    let moved = shelf::run(&out, &["control", "TQ-0900", "--svg", drawing.to_str().unwrap()]);
    assert!(moved.contains("MOVED   soft start, 10 to 90 % of output") && moved.contains("find out why"), "{moved}");
    let svg = std::fs::read_to_string(drawing).unwrap();
    assert!(svg.contains("upper limit") && svg.contains("MOVED"), "{svg}");
}
