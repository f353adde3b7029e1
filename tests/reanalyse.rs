//! Every record gone through again: on one bench, and with a server that hands out the work.
#![allow(clippy::unwrap_used, reason = "a test stops at what it does not expect")]

#[cfg(feature = "postgres")]
mod database;
mod shelf;

use std::path::Path;

use galebench::analysis::VERSION;
use galebench::results::Document;

fn results(dir: &Path) -> Document {
    serde_json::from_slice(&std::fs::read(dir.join("results.json")).unwrap()).unwrap()
}

/// Files of earlier analyses.
fn former(dir: &Path) -> Vec<std::path::PathBuf> {
    let files = std::fs::read_dir(dir.join("analyses")).into_iter().flatten();
    files.map(|entry| entry.unwrap().path()).collect()
}

#[test]
fn every_record_is_gone_through_once_and_earlier_verdicts_are_kept_as_they_were() {
    let root = tempfile::tempdir().unwrap();
    let dirs = shelf::fill(root.path(), "a", 25);
    let before: Vec<Vec<u8>> = dirs.iter().map(|dir| std::fs::read(dir.join("results.json")).unwrap()).collect();
    // One never had results; one is no record any more.
    std::fs::remove_file(dirs[3].join("results.json")).unwrap();
    shelf::run(root.path(), &["reindex"]);
    let events = std::fs::read(dirs[7].join("events.jsonl")).unwrap();
    std::fs::write(dirs[7].join("events.jsonl"), "rust").unwrap();

    let work = ["reanalyse", "--virtual", "--workers", "3"];
    let done = shelf::galebench(root.path(), &work).output().unwrap();
    assert_eq!(done.status.code(), Some(4), "{}", shelf::said(&done));
    assert!(shelf::said(&done).contains("24 runs reanalysed"), "{}", shelf::said(&done));
    assert!(shelf::said(&done).contains("run-a-007 is left out"), "{}", shelf::said(&done));
    assert!(shelf::said(&done).contains("23 grades changed"), "{}", shelf::said(&done));
    for (index, (dir, before)) in dirs.iter().zip(&before).enumerate().filter(|(index, _)| *index != 7) {
        assert_eq!(results(dir).analysis.as_deref(), Some(VERSION));
        let kept = former(dir);
        if index == 3 {
            assert!(kept.is_empty());
        } else {
            assert_eq!(kept.len(), 1);
            assert_eq!(&std::fs::read(&kept[0]).unwrap(), before, "byte for byte");
            assert!(kept[0].to_string_lossy().contains("galebench-0.0.9--analysis-0-"), "{kept:?}");
        }
    }
    // Found again, the damaged one is all that is left to do; after it nothing is.
    std::fs::write(dirs[7].join("events.jsonl"), events).unwrap();
    assert!(shelf::run(root.path(), &work).starts_with("1 runs reanalysed"));
    assert!(shelf::run(root.path(), &work).starts_with("0 runs reanalysed"));
    // The store built anew knows which analysis each row is of.
    shelf::run(root.path(), &["reindex"]);
    assert!(shelf::run(root.path(), &work).starts_with("0 runs reanalysed"));
}

#[cfg(feature = "postgres")]
#[test]
fn workers_of_two_benches_share_the_work_and_one_that_is_killed_leaves_no_gap() {
    let server = database::Server::start();
    let (north, south) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let mut dirs = shelf::fill(north.path(), "n", 150);
    dirs.extend(shelf::fill(south.path(), "s", 50));
    for (bench, root) in [("north", &north), ("south", &south)] {
        let set = ["store", "set", "--index", &server.url(), "--bench", bench];
        shelf::run(root.path(), &set);
    }
    assert_eq!(server.count("SELECT count(*) FROM galebench_virtual.runs"), 200);
    let fresh = format!("SELECT count(*) FROM galebench_virtual.documents WHERE analysis = '{VERSION}'");
    let work = ["reanalyse", "--virtual", "--workers", "1"];
    let start = |root: &Path| {
        let mut command = shelf::galebench(root, &work);
        command.stdout(std::process::Stdio::piped()).stderr(std::process::Stdio::piped()).spawn().unwrap()
    };
    let mut victim = start(north.path());
    while server.count(&fresh) < 10 {
        assert!(victim.try_wait().unwrap().is_none(), "it must be killed at work");
        std::thread::sleep(std::time::Duration::from_millis(1));
    }
    victim.kill().unwrap();
    victim.wait().unwrap();
    assert!(server.count(&fresh) < 150, "it must be killed at work");
    let others: Vec<_> = [north.path(), north.path(), south.path()].into_iter().map(start).collect();
    let mut done = 0;
    for other in others {
        let output = other.wait_with_output().unwrap();
        let said = shelf::said(&output);
        assert!(output.status.success(), "{said}");
        done += said.split(" runs reanalysed").next().unwrap().lines().last().unwrap().parse::<i64>().unwrap();
    }
    // What the killed one had finished was not done again, apart from the one in its hands.
    assert!((50..=190).contains(&done), "{done}");
    assert_eq!(server.count(&fresh), 200);
    assert_eq!(server.count("SELECT count(*) FROM galebench_virtual.documents"), 400, "the earlier ones are kept");
    assert_eq!(server.count("SELECT count(*) FROM galebench_virtual.jobs"), 0);
    let stale = format!("SELECT count(*) FROM galebench_virtual.runs WHERE analysis <> '{VERSION}'");
    assert_eq!(server.count(&stale), 0);
    let benches = "SELECT count(*) FROM galebench_virtual.runs WHERE bench = 'south'";
    assert_eq!(server.count(benches), 50, "a run stays with the bench that took it");
    for dir in &dirs {
        assert_eq!(results(dir).analysis.as_deref(), Some(VERSION));
        assert_eq!(former(dir).len(), 1);
    }
}

#[cfg(feature = "postgres")]
#[test]
fn a_record_that_another_worker_has_in_hand_is_passed_over() {
    let server = database::Server::start();
    let root = tempfile::tempdir().unwrap();
    shelf::fill(root.path(), "a", 4);
    shelf::run(root.path(), &["store", "set", "--index", &server.url(), "--bench", "north"]);
    let mut client = server.client();
    let mut other = client.transaction().unwrap();
    // The other worker has made the jobs and works on one of them.
    let dir = "may-shelf-3/TQ-0001/run-a-001";
    let mut maker = server.client();
    let make = "INSERT INTO galebench_virtual.jobs (analysis, dir) SELECT $1, dir FROM galebench_virtual.runs";
    maker.execute(make, &[&VERSION]).unwrap();
    other.execute("SELECT * FROM galebench_virtual.jobs WHERE dir = $1 FOR UPDATE", &[&dir]).unwrap();
    let work = ["reanalyse", "--virtual", "--workers", "2"];
    assert!(shelf::run(root.path(), &work).starts_with("3 runs reanalysed"));
    // It dies: its record is free again.
    other.rollback().unwrap();
    assert!(shelf::run(root.path(), &work).starts_with("1 runs reanalysed"));
    assert!(shelf::run(root.path(), &work).starts_with("0 runs reanalysed"));
}
