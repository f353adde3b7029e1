//! Records in a folder that the benches of a shop share: each there once and whole, none lost while the folder is away, none
//! used that was altered.
#![allow(clippy::unwrap_used, reason = "a test stops at what it does not expect")]

mod sealed;
mod shelf;

use std::io::Write as _;
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::time::{Duration, Instant};

use galebench::results::Document;
use galebench::store::Store;
use sealed::{alter, lose, same, sealed_in, settle, take};

/// A bench with a shared folder.
struct Shop {
    folder: tempfile::TempDir,
    bench: PathBuf,
    shared: PathBuf,
}

fn shop() -> Shop {
    let folder = tempfile::tempdir().unwrap();
    let (bench, shared) = (folder.path().join("reports"), folder.path().join("shared"));
    std::fs::create_dir(&shared).unwrap();
    let said = shelf::run(&bench, &["store", "set", "--records", shared.to_str().unwrap()]);
    assert!(said.contains(shared.to_str().unwrap()), "{said}");
    Shop { folder, bench, shared }
}

impl Shop {
    fn there(&self, dir: &Path) -> PathBuf {
        self.shared.join("virtual").join(dir.strip_prefix(&self.bench).unwrap())
    }
}

fn results(dir: &Path) -> Document {
    serde_json::from_slice(&std::fs::read(dir.join("results.json")).unwrap()).unwrap()
}

#[test]
fn a_record_is_sent_after_its_run_and_waits_while_the_folder_is_away() {
    let shop = shop();
    let first = take(&shop.bench, "TQ-0001", "run-1");
    settle();
    assert!(same(&first, &shop.there(&first)));
    // Not mounted: the empty place must not be taken for the folder.
    let away = shop.folder.path().join("away");
    std::fs::rename(&shop.shared, &away).unwrap();
    std::fs::create_dir(&shop.shared).unwrap();
    let more = [take(&shop.bench, "TQ-0002", "run-2"), take(&shop.bench, "TQ-0003", "run-3")];
    settle();
    let sync = shelf::galebench(&shop.bench, &["store", "sync"]).output().unwrap();
    assert_eq!(sync.status.code(), Some(4));
    assert!(shelf::said(&sync).contains("not mounted"), "{}", shelf::said(&sync));
    assert_eq!(std::fs::read_dir(&shop.shared).unwrap().count(), 0);
    assert!(shelf::run(&shop.bench, &["store", "show"]).contains("waiting  2"));
    std::fs::remove_dir(&shop.shared).unwrap();
    std::fs::rename(&away, &shop.shared).unwrap();
    assert_eq!(shelf::run(&shop.bench, &["store", "sync"]).trim(), "2 sent, 0 waiting");
    assert!(more.iter().all(|dir| same(dir, &shop.there(dir))));
    // Everything once more, as after a loss of the bench's index: nothing is doubled, nothing waits.
    shelf::run(&shop.bench, &["reindex"]);
    assert_eq!(shelf::run(&shop.bench, &["store", "sync"]).trim(), "0 sent, 0 waiting");
    assert_eq!(sealed_in(&shop.shared).len(), 3);
}

#[test]
fn what_the_bench_has_already_is_sent_when_the_folder_is_set() {
    let folder = tempfile::tempdir().unwrap();
    let (bench, shared) = (folder.path().join("reports"), folder.path().join("shared"));
    let dir = take(&bench, "TQ-0001", "run-1");
    let set = ["store", "set", "--records", shared.to_str().unwrap()];
    let refused = shelf::galebench(&bench, &set).output().unwrap();
    assert!(!refused.status.success() && shelf::said(&refused).contains("make it, or mount it, first"));
    assert!(!bench.join("store.toml").exists(), "a folder that is not there is not set");
    std::fs::create_dir(&shared).unwrap();
    shelf::run(&bench, &set);
    assert!(same(&dir, &shared.join("virtual/may-shelf-3/TQ-0001/run-1")));
    // It may hold the password of a database.
    let mode = std::fs::metadata(bench.join("store.toml")).unwrap().permissions().mode();
    assert_eq!(mode & 0o777, 0o600);
}

#[test]
fn a_record_that_is_only_in_the_shop_is_lent_to_the_analysis_and_an_altered_one_refused() {
    let shop = shop();
    let dirs = ["run-1", "run-2", "run-3"].map(|run| take(&shop.bench, "TQ-0001", run));
    settle();
    dirs.iter().for_each(|dir| lose(dir));
    alter(&shop.there(&dirs[1]).join("samples.arrows"));
    // Sealed anew after it was altered: the results still tell its fingerprint.
    let other = take(&shop.folder.path().join("elsewhere"), "TQ-0001", "run-3-forged");
    let forged = std::fs::read_to_string(other.join("seal.json")).unwrap().replace("run-3-forged", "run-3");
    for name in ["events.jsonl", "samples.arrows"] {
        std::fs::copy(other.join(name), shop.there(&dirs[2]).join(name)).unwrap();
    }
    std::fs::write(shop.there(&dirs[2]).join("seal.json"), forged).unwrap();

    let done = shelf::galebench(&shop.bench, &["reanalyse", "--virtual"]).output().unwrap();
    let said = shelf::said(&done);
    assert_eq!(done.status.code(), Some(4), "{said}");
    assert!(said.contains("1 runs reanalysed"), "{said}");
    assert!(said.contains("samples.arrows is not as it was sealed"), "{said}");
    assert!(said.contains("its fingerprint is"), "{said}");
    let analysis = dirs.each_ref().map(|dir| results(dir).analysis.unwrap());
    assert_eq!(analysis[0], galebench::analysis::VERSION);
    assert!(analysis[1..].iter().all(|old| old.ends_with("analysis 0")), "{analysis:?}");
    assert!(dirs.iter().all(|dir| !dir.join("events.jsonl").exists()), "a record is only lent");

    // Asked for by hand it comes back for good.
    shelf::run(&shop.bench, &["verify", dirs[0].to_str().unwrap()]);
    assert!(same(&dirs[0], &shop.there(&dirs[0])));
    lose(&dirs[0]);
    let report =
        std::process::Command::new(env!("CARGO_BIN_EXE_galebench")).arg("report").arg(&dirs[0]).output().unwrap();
    assert!(report.status.success(), "{}", shelf::said(&report));
    assert!(same(&dirs[0], &shop.there(&dirs[0])));
}

#[test]
fn neither_an_altered_record_is_sent_nor_another_one_overwritten() {
    let shop = shop();
    let away = shop.folder.path().join("away");
    std::fs::rename(&shop.shared, &away).unwrap();
    let altered = take(&shop.bench, "TQ-0001", "run-1");
    let second = take(&shop.bench, "TQ-0002", "run-2");
    let sound = take(&shop.bench, "TQ-0003", "run-3");
    settle();
    std::fs::rename(&away, &shop.shared).unwrap();
    alter(&altered.join("events.jsonl"));
    std::fs::create_dir_all(shop.there(&second)).unwrap();
    std::fs::write(shop.there(&second).join("seal.json"), "{}").unwrap();
    let store = Store::open(&shop.bench, true).unwrap();
    let error = store.send().unwrap_err().to_string();
    assert!(error.contains("another record lies under its name"), "{error}");
    assert_eq!(store.waiting().unwrap(), 2, "both stay in the outbox");
    assert!(!shop.there(&altered).exists());
    assert_eq!(std::fs::read_to_string(shop.there(&second).join("seal.json")).unwrap(), "{}");
    assert!(same(&sound, &shop.there(&sound)), "one that is refused does not hold up the rest");
}

#[test]
fn in_a_crate_records_are_sent_unit_after_unit_while_it_goes_on() {
    let shop = shop();
    let rig = ["crate", "--rig", "rigs/virtual.toml", "--plan", "tests/fixtures/plans/short.toml"];
    let mut session = shelf::galebench(&shop.bench, &[&rig[..], &["--batch", "may-shelf-3", "-q"]].concat())
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut typed = session.stdin.take().unwrap();
    let give_up = Instant::now() + Duration::from_secs(120);
    for (unit, records) in [("TQ-0001", 2), ("TQ-0002", 4)] {
        // Not registered: scanned twice.
        write!(typed, "{unit}\n{unit}\n\n").unwrap();
        // Its contact check and its run.
        while sealed_in(&shop.shared).len() < records {
            assert!(Instant::now() < give_up, "{unit}: {:?}", sealed_in(&shop.shared));
            std::thread::sleep(Duration::from_millis(50));
        }
        assert!(session.try_wait().unwrap().is_none(), "the session still waits for the next unit");
    }
    writeln!(typed, "quit").unwrap();
    assert!(session.wait().unwrap().success());
    assert_eq!(shelf::run(&shop.bench, &["store", "sync"]).trim(), "0 sent, 0 waiting");
}
