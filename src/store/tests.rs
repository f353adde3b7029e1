use std::collections::BTreeMap;
use std::path::Path;

use rusqlite::Connection;

use super::*;
use crate::bench::Block;
use crate::record::event::{Event, Header, Numbered};
use crate::record::writer::RecordWriter;
use crate::record::{EVENTS_FILE, RESULTS_FILE};
use crate::results::{Document, Grade, Stopped, StoppedBy, Verdict};

pub(super) fn document(unit: &str, run: &str, started: &str, grade: Option<Grade>) -> Document {
    let verdict = grade.map(|grade| Verdict {
        grade,
        reasons: vec!["starts softly".to_owned(), "sleeps".to_owned()],
        limits: BTreeMap::new(),
        risk: Some(0.01),
        rule: Default::default(),
        decisions: BTreeMap::new(),
    });
    Document {
        format: 1,
        unit: Some(unit.to_owned()),
        batch: Some("may-shelf-3".to_owned()),
        run: Some(run.to_owned()),
        plan: Some("full".to_owned()),
        rig: Some("bench".to_owned()),
        started: Some(started.to_owned()),
        bench_seconds: 412.5,
        is_virtual: false,
        results: BTreeMap::new(),
        absent: BTreeMap::new(),
        curve: Vec::new(),
        signs: Vec::new(),
        verdict,
        stopped: None,
        earlier_runs: None,
        hot_day: Vec::new(),
        by_frequency: Vec::new(),
        carried: None,
        load_fan: None,
        warnings: Vec::new(),
        events: Vec::new(),
        provenance: None,
        analysis: Some("galebench 1, analysis 1".to_owned()),
    }
}

fn store(root: &Path) -> Store {
    Store::open(root, false).unwrap()
}

pub(super) fn put(store: &Store, root: &Path, document: &Document) {
    let dir = root.join("may-shelf-3").join(document.unit.as_deref().unwrap()).join(document.run.as_deref().unwrap());
    store.insert(document, &dir, RunState::Finished).unwrap();
}

fn runs(rows: &[RunRow]) -> Vec<&str> {
    rows.iter().map(|row| row.run.as_str()).collect()
}

#[test]
fn a_run_put_in_is_listed_as_it_was_even_after_opening_anew() {
    let root = tempfile::tempdir().unwrap();
    let document = document("TQ-0001", "run-1", "2026-05-04T09:00:00Z", Some(Grade::Fit));
    put(&store(root.path()), root.path(), &document);
    let listing = store(root.path()).list(&Filter::default(), &Page::default()).unwrap();
    let due = RunRow {
        run: "run-1".into(),
        unit: Some("TQ-0001".into()),
        batch: "may-shelf-3".into(),
        plan: Some("full".into()),
        rig: Some("bench".into()),
        started: Some("2026-05-04T09:00:00Z".into()),
        bench_s: 412.5,
        state: RunState::Finished,
        grade: Some(Grade::Fit),
        reason: Some("starts softly".into()),
        dir: root.path().join("may-shelf-3/TQ-0001/run-1"),
        given: None,
        recorded_unit: None,
        bench: None,
        analysis: Some("galebench 1, analysis 1".into()),
    };
    assert_eq!(listing, Listing { rows: vec![due], total: Total::Exactly(1), next: None });
}

#[test]
fn the_folder_of_all_reports_can_be_moved() {
    let parent = tempfile::tempdir().unwrap();
    let (old, new) = (parent.path().join("old"), parent.path().join("new"));
    put(&store(&old), &old, &document("TQ-0001", "run-1", "2026-05-04T09:00:00Z", None));
    std::fs::rename(&old, &new).unwrap();
    assert_eq!(store(&new).units("TQ-0001").unwrap()[0].dir, new.join("may-shelf-3/TQ-0001/run-1"));
}

#[test]
fn a_run_analysed_again_replaces_its_row() {
    let root = tempfile::tempdir().unwrap();
    let store = store(root.path());
    put(&store, root.path(), &document("TQ-0001", "run-1", "2026-05-04T09:00:00Z", None));
    put(&store, root.path(), &document("TQ-0001", "run-1", "2026-05-04T09:00:00Z", Some(Grade::Scrap)));
    let rows = store.units("TQ-0001").unwrap();
    assert_eq!((rows.len(), rows[0].grade), (1, Some(Grade::Scrap)));
}

#[test]
fn the_newest_run_comes_first_whatever_offset_its_time_was_written_with() {
    let root = tempfile::tempdir().unwrap();
    let store = store(root.path());
    for (run, started) in [
        ("second", "2026-05-04T10:30:00+02:00"),
        ("third", "2026-05-04T09:00:00Z"),
        ("first", "2026-05-04T09:15:00+02:00"),
        ("timeless", "some day in May"),
    ] {
        put(&store, root.path(), &document("TQ-0001", run, started, None));
    }
    assert_eq!(runs(&store.units("TQ-0001").unwrap()), ["third", "second", "first", "timeless"]);
}

#[test]
fn filters_and_pages_narrow_the_list_and_the_total_counts_all_pages() {
    let root = tempfile::tempdir().unwrap();
    let store = store(root.path());
    for i in 0..9 {
        let grade = if i % 3 == 0 { Grade::Fit } else { Grade::Scrap };
        let unit = format!("TQ-{:04}", i / 3 + 1);
        put(
            &store,
            root.path(),
            &document(&unit, &format!("run-{i}"), &format!("2026-05-0{}T09:00:00Z", i + 1), Some(grade)),
        );
    }
    let mut unsorted = document("TQ-0009", "run-x", "2026-06-01T09:00:00Z", None);
    unsorted.batch = None;
    store.insert(&unsorted, &root.path().join("unsorted/TQ-0009/run-x"), RunState::Interrupted).unwrap();

    let list = |filter: Filter, after: Option<&str>, rows| {
        let after = after.map(|run| store.cursor(run).unwrap().unwrap());
        let listing = store.list(&filter, &Page { after, rows }).unwrap();
        let Total::Exactly(total) = listing.total else { panic!("so few are counted") };
        (listing.rows.iter().map(|row| row.run.clone()).collect::<Vec<_>>().join(" "), total)
    };
    let all = Filter::default;
    assert_eq!(list(all(), None, 3), ("run-x run-8 run-7".into(), 10));
    assert_eq!(list(all(), Some("run-2"), 3), ("run-1 run-0".into(), 10));
    assert_eq!(list(Filter { grade: Some(Grade::Fit), ..all() }, Some("run-5"), 9), ("run-3 run-0".into(), 3));
    assert_eq!(store.cursor("run-y").unwrap(), None);
    assert_eq!(list(Filter { grade: Some(Grade::Fit), ..all() }, None, 9), ("run-6 run-3 run-0".into(), 3));
    assert_eq!(list(Filter { unit: Some("TQ-0002".into()), ..all() }, None, 9), ("run-5 run-4 run-3".into(), 3));
    assert_eq!(list(Filter { batch: Some(UNSORTED.into()), ..all() }, None, 9), ("run-x".into(), 1));
    assert_eq!(list(Filter { state: Some(RunState::Interrupted), ..all() }, None, 9), ("run-x".into(), 1));
    assert_eq!(list(Filter { batch: Some("june' OR 1=1 --".into()), ..all() }, None, 9), (String::new(), 0));
}

#[test]
fn earlier_runs_of_a_unit_are_counted() {
    let root = tempfile::tempdir().unwrap();
    let store = store(root.path());
    for i in 1..=3 {
        put(&store, root.path(), &document("TQ-0001", &format!("run-{i}"), &format!("2026-05-0{i}T09:00:00Z"), None));
    }
    put(&store, root.path(), &document("TQ-0002", "other", "2026-05-01T09:00:00Z", None));
    let earlier = |run| store.earlier_runs("TQ-0001", run).unwrap();
    assert_eq!((earlier("run-1"), earlier("run-3"), earlier("not there yet")), (0, 2, 3));
}

#[test]
fn virtual_and_real_runs_never_meet_in_one_index() {
    let root = tempfile::tempdir().unwrap();
    let mut made_up = document("TQ-0001", "run-1", "2026-05-04T09:00:00Z", None);
    made_up.is_virtual = true;
    let dir = root.path().join("may-shelf-3/TQ-0001/run-1");
    let error = store(root.path()).insert(&made_up, &dir, RunState::Finished).unwrap_err();
    assert!(matches!(&error, StoreError::WrongKind { run, .. } if run == "run-1"), "{error}");
    let own = Store::open(root.path(), true).unwrap();
    own.insert(&made_up, &dir, RunState::Finished).unwrap();
    assert_eq!(store(root.path()).list(&Filter::default(), &Page::default()).unwrap().total, Total::Exactly(0));
}

/// Writes a record, and its results document if there is one.
fn record(dir: &Path, header: &Header, end: bool, document: Option<&Document>) {
    let mut writer = RecordWriter::create(dir, header).unwrap();
    writer.block(Block { duration_s: 0.02, ..Block::default() }).unwrap();
    if end {
        writer.event(&Numbered { seq: 1, t_s: 1.0, event: Event::End { finished: true } }).unwrap();
    }
    writer.finish().unwrap();
    if let Some(document) = document {
        std::fs::write(dir.join(RESULTS_FILE), serde_json::to_vec(document).unwrap()).unwrap();
    }
}

#[test]
fn a_lost_index_comes_back_from_the_records() {
    let root = tempfile::tempdir().unwrap();
    let at = |path: &str| root.path().join(path);
    let header = |run: &str, is_virtual| Header {
        run: run.into(),
        unit: Some("TQ-0001".into()),
        started: Some("2026-05-02T09:00:00Z".into()),
        is_virtual,
        ..Header::default()
    };
    let whole = document("TQ-0001", "run-1", "2026-05-01T09:00:00Z", Some(Grade::Fit));
    let mut stopped = document("TQ-0001", "run-3", "2026-05-03T09:00:00Z", None);
    stopped.stopped = Some(Stopped { cause: "emergency stop".into(), by: StoppedBy::Operator, t_s: 3.0 });
    record(&at("may-shelf-3/TQ-0001/run-1"), &header("run-1", false), true, Some(&whole));
    record(&at("unsorted/TQ-0001/run-2"), &header("run-2", false), false, None);
    record(&at("may-shelf-3/TQ-0001/run-3"), &header("run-3", false), true, Some(&stopped));
    record(&at("unsorted/TQ-0001/run-4"), &header("run-4", true), true, None);
    record(&at("unsorted/TQ-0001/run-5"), &header("run-5", false), true, None);
    std::fs::write(at("unsorted/TQ-0001/run-5").join(RESULTS_FILE), "{").unwrap();

    let index = store(root.path());
    put(&index, root.path(), &document("TQ-0099", "gone", "2026-05-01T09:00:00Z", None));
    let rebuilt = index.rebuild(root.path()).unwrap();
    assert_eq!((rebuilt.runs, rebuilt.interrupted, rebuilt.problems.len()), (3, 1, 1));
    assert_eq!(rebuilt.problems[0].0, at("unsorted/TQ-0001/run-5"));
    assert!(rebuilt.problems[0].1.starts_with("results.json: EOF"), "{:?}", rebuilt.problems);
    let rows = index.list(&Filter::default(), &Page::default()).unwrap().rows;
    let seen: Vec<_> = rows.iter().map(|row| (row.run.as_str(), row.state, row.grade, row.batch.as_str())).collect();
    assert_eq!(
        seen,
        [
            ("run-3", RunState::Stopped, None, "may-shelf-3"),
            ("run-2", RunState::Interrupted, None, UNSORTED),
            ("run-1", RunState::Finished, Some(Grade::Fit), "may-shelf-3"),
        ]
    );
    assert_eq!(rows[0].reason.as_deref(), Some("emergency stop"));

    let virtual_index = Store::open(root.path(), true).unwrap();
    assert_eq!(virtual_index.rebuild(root.path()).unwrap().runs, 1);
}

#[test]
fn a_file_that_is_damaged_foreign_newer_or_locked_says_what_to_do() {
    let root = tempfile::tempdir().unwrap();
    let path = default_path(root.path(), false);
    let error = || Store::open(root.path(), false).unwrap_err();

    std::fs::write(&path, "time_s,supply_a\n".repeat(200)).unwrap();
    assert!(matches!(error(), StoreError::Damaged { .. }), "{}", error());
    assert!(error().to_string().contains("move the file away and rebuild the index"), "{}", error());

    std::fs::remove_file(&path).unwrap();
    Connection::open(&path).unwrap().execute_batch("CREATE TABLE recipes (name TEXT)").unwrap();
    assert_eq!(error(), StoreError::Foreign { path: path.clone() });

    std::fs::remove_file(&path).unwrap();
    let other = Connection::open(&path).unwrap();
    other.execute_batch("PRAGMA user_version = 99").unwrap();
    assert_eq!(error(), StoreError::Newer { path: path.clone(), version: 99, known: 4 });
    drop(other);

    std::fs::remove_file(&path).unwrap();
    drop(store(root.path()));
    let other = Connection::open(&path).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let waiting = store(root.path());
    waiting.local.database.batch("PRAGMA busy_timeout = 20").unwrap();
    let document = document("TQ-0001", "run-1", "2026-05-04T09:00:00Z", None);
    let error = waiting.insert(&document, root.path(), RunState::Finished).unwrap_err();
    assert_eq!(error, StoreError::Locked { path });
}

#[test]
fn programs_that_open_a_new_store_at_once_all_come_in() {
    for _ in 0..20 {
        let root = tempfile::tempdir().unwrap();
        let gate = std::sync::Barrier::new(6);
        std::thread::scope(|scope| {
            for _ in 0..6 {
                scope.spawn(|| {
                    gate.wait();
                    drop(store(root.path()));
                });
            }
        });
    }
}

#[test]
fn a_folder_that_cannot_be_made_is_named() {
    let root = tempfile::tempdir().unwrap();
    let file = root.path().join(EVENTS_FILE);
    std::fs::write(&file, "").unwrap();
    let error = Store::open(&file, false).unwrap_err();
    assert!(error.to_string().starts_with("cannot create the folder of the index"), "{error}");
}

#[test]
fn many_programs_may_open_a_new_index_at_once() {
    let root = tempfile::tempdir().unwrap();
    std::thread::scope(|scope| {
        for i in 0..8 {
            let root = root.path();
            scope.spawn(move || {
                put(&store(root), root, &document("TQ-0001", &format!("run-{i}"), "2026-05-04T09:00:00Z", None));
            });
        }
    });
    assert_eq!(store(root.path()).units("TQ-0001").unwrap().len(), 8);
}

#[test]
fn verdicts_outlive_a_power_cut() {
    let root = tempfile::tempdir().unwrap();
    let store = store(root.path());
    let pragma = |name: &str| store.local.database.first(&format!("PRAGMA {name}"), &[]).unwrap().unwrap();
    assert_eq!(pragma("journal_mode").take::<String>().unwrap(), "wal");
    // 2 is FULL.
    assert_eq!(pragma("synchronous").take::<i64>().unwrap(), 2);
}

#[test]
fn runs_are_found_by_result_range_donor_kind_and_free_text() {
    use crate::intake::journal::{Entry, Facts, Line};
    use crate::results::{Contribution, Measured, ResultName};
    let root = tempfile::tempdir().unwrap();
    let store = store(root.path());
    for (index, drop_v) in [0.1, 0.2, 0.3].into_iter().enumerate() {
        let (unit, run) = (format!("TQ-000{index}"), format!("run-{index}"));
        let mut document = document(&unit, &run, "2026-05-04T09:00:00Z", Some(Grade::Fit));
        let name = ResultName::DropV;
        let budget = vec![Contribution::random("spread", 0.001)];
        document.results.insert(name, Measured::number(name, drop_v, 2.0, budget, "test", 3));
        let kind = if index == 0 { "lin" } else { "pull_up" };
        document.results.insert(ResultName::LineKind, Measured::word(ResultName::LineKind, kind, "test", 1));
        put(&store, root.path(), &document);
    }
    let facts = Facts {
        donor: Some("Grey van, 100 % rust".to_owned()),
        kind: Some("two-pin".to_owned()),
        note: Some("smells burnt".to_owned()),
        ..Facts::default()
    };
    let entry = Entry::Unit { tag: "TQ-0002".to_owned(), facts };
    let line = Line { at: "2026-05-01T00:00:00Z".to_owned(), by: None, entry };
    store.take_journal("may-shelf-3", &[line]).unwrap();
    let found = |filter: Filter| {
        let listing = store.list(&filter, &Page::default()).unwrap();
        assert_eq!(listing.total, Total::Exactly(listing.rows.len() as u64));
        let mut runs: Vec<String> = listing.rows.into_iter().map(|row| row.run).collect();
        runs.sort();
        runs
    };
    let range = |min, max| Filter { ranges: vec![Range { result: ResultName::DropV, min, max }], ..Filter::default() };
    assert_eq!(found(range(Some(0.15), None)), ["run-1", "run-2"]);
    assert_eq!(found(range(Some(0.15), Some(0.2))), ["run-1"]);
    assert_eq!(found(range(None, None)).len(), 3);
    let donor = |text: &str| Filter { donor: Some(text.to_owned()), ..Filter::default() };
    assert_eq!(found(donor("grey VAN")), ["run-2"]);
    assert_eq!(found(donor("100 %")), ["run-2"]);
    assert!(found(donor("%x%")).is_empty(), "a percent sign is no wildcard");
    let kind = |text: &str| Filter { kind: Some(text.to_owned()), ..Filter::default() };
    assert_eq!(found(kind("lin")), ["run-0"]);
    assert_eq!(found(kind("two-pin")), ["run-2"]);
    let text = |text: &str| Filter { text: Some(text.to_owned()), ..Filter::default() };
    assert_eq!(found(text("burnt")), ["run-2"]);
    assert_eq!(found(text("starts softly")).len(), 3);
    assert!(found(text("o'clock")).is_empty(), "quotes are text");
    let both = Filter { donor: Some("van".to_owned()), ..range(None, Some(0.2)) };
    assert!(found(both).is_empty());
}
