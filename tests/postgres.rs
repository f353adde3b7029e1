//! The shop's index on a real PostgreSQL server: the same answers as from a file, and nothing lost or doubled when the server
//! is killed.
#![cfg(feature = "postgres")]
#![allow(clippy::unwrap_used, reason = "a test stops at what it does not expect")]

mod database;

use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use database::Server;
use galebench::intake::journal::{Entry, Facts, Line};
use galebench::ops::archive;
use galebench::results::{Document, Grade, Measured, ResultName};
use galebench::store::{Filter, Page, Range, RunRow, RunState, Store, Total};
use serde_json::json;

/// A results document as a run leaves it.
fn document(unit: &str, run: &str, second: u32, grade: Option<&str>, drop_v: f64) -> Document {
    let verdict = grade.map(|grade| json!({"grade": grade, "reasons": ["starts softly"], "limits": {}, "risk": 0.01}));
    let started = format!("2026-05-04T{:02}:{:02}:{:02}Z", second / 3600, second / 60 % 60, second % 60);
    let mut document: Document = serde_json::from_value(json!({
        "format": 1, "unit": unit, "batch": "may-shelf-3", "run": run, "plan": "full", "rig": "bench",
        "started": started, "bench_seconds": 412.5, "results": {}, "absent": {}, "curve": [], "signs": [],
        "verdict": verdict, "stopped": null, "analysis": "galebench 1, analysis 1",
    }))
    .unwrap();
    let name = ResultName::DropV;
    document.results.insert(name, Measured::number(name, drop_v, 2.0, Vec::new(), "test", 3));
    document
}

fn put(root: &Path, document: &Document) {
    let dir = root.join("may-shelf-3").join(document.unit.as_deref().unwrap()).join(document.run.as_deref().unwrap());
    Store::open(root, false).unwrap().insert(document, &dir, RunState::Finished).unwrap();
}

fn line(second: u32, entry: Entry) -> Line {
    Line { at: format!("2026-05-05T10:00:{second:02}Z"), by: Some("Ines".to_owned()), entry }
}

fn unit(second: u32, tag: &str, donor: &str) -> Line {
    let facts = Facts { donor: Some(donor.to_owned()), ..Facts::default() };
    line(second, Entry::Unit { tag: tag.to_owned(), facts })
}

/// Fills the store of a bench and asks it everything that can be asked.
fn questions(root: &Path) -> Vec<String> {
    for i in 0..12 {
        let grade = ["fit", "scrap", "undecided"][i % 3];
        let second = u32::try_from(i * 61).unwrap();
        let unit = format!("TQ-{:04}", i / 2);
        put(root, &document(&unit, &format!("run-{i:02}"), second, Some(grade), 0.05 * i as f64));
    }
    let mut timeless = document("tq-0100", "run-x", 0, None, 0.2);
    timeless.started = None;
    timeless.verdict = None;
    put(root, &timeless);
    let lines = [
        unit(1, "TQ-0001", "Grey VAN, 100 % rust"),
        unit(2, "TQ-0002", "blue bus\0"),
        unit(3, "tq-0100", "Ärger"),
        line(4, Entry::Retag { run: "run-03".into(), from: "TQ-0001".into(), to: "TQ-0077".into() }),
        line(5, Entry::Grade { run: "run-04".into(), grade: Grade::Scrap, why: "cracked".into() }),
    ];
    let store = Store::open(root, false).unwrap();
    store.take_journal("may-shelf-3", &lines).unwrap();
    // Analysed again: the corrected tag and the person's grade stay.
    put(root, &document("TQ-0001", "run-03", 183, Some("fit"), 0.15));
    put(root, &document("TQ-0002", "run-04", 244, Some("restricted"), 0.2));
    let range = |min, max| Filter { ranges: vec![Range { result: ResultName::DropV, min, max }], ..Filter::default() };
    let text = |text: &str| Filter { text: Some(text.to_owned()), ..Filter::default() };
    let filters = [
        Filter::default(),
        Filter { batch: Some("may-shelf-3".into()), grade: Some(Grade::Fit), ..Filter::default() },
        Filter { unit: Some("TQ-0077".into()), ..Filter::default() },
        Filter { state: Some(RunState::Finished), ..Filter::default() },
        Filter { donor: Some("grey van".into()), ..Filter::default() },
        Filter { donor: Some("100 %".into()), ..Filter::default() },
        Filter { donor: Some("%x%".into()), ..Filter::default() },
        Filter { kind: Some("lin".into()), ..Filter::default() },
        range(Some(0.1), None),
        range(Some(0.1), Some(0.3)),
        range(None, None),
        Filter { grade: Some(Grade::Scrap), ..Filter::default() },
        Filter { donor: Some("bus".into()), ..range(Some(0.1), Some(0.3)) },
        text("CRACKED"),
        text("a"),
        text("o'clock"),
        text("bus"),
    ];
    let mut answers = Vec::new();
    for filter in &filters {
        for after in [None, Some("run-09"), Some("run-x")] {
            let page = Page { after: after.map(|run| store.cursor(run).unwrap().unwrap()), rows: 3 };
            let listing = store.list(filter, &page).unwrap();
            let rows: Vec<RunRow> = listing
                .rows
                .into_iter()
                .map(|mut row| {
                    row.bench = None;
                    row.dir = row.dir.strip_prefix(root).unwrap().to_owned();
                    row
                })
                .collect();
            answers.push(format!("{filter:?} {after:?}: {:?} {} {rows:?}", listing.total, listing.next.is_some()));
        }
    }
    answers.push(format!("{:?}", store.earlier_runs("TQ-0002", "run-05")));
    answers.push(format!("{:?}", store.earlier_runs("TQ-0002", "")));
    answers.push(format!("{:?}", store.tags_of("may-shelf-3")));
    answers.push(format!("{:?}", store.run_named("run-04").unwrap().map(|row| row.given)));
    let units = store.units_of("may-shelf-3", Some("TQ-0001"), 2).unwrap();
    answers.push(format!("{units:?}"));
    answers
}

#[test]
fn a_server_answers_every_question_as_a_file_does() {
    let server = Server::start();
    let (alone, shop) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    server.serve(shop.path(), "north");
    let of_file = questions(alone.path());
    let of_server = questions(shop.path());
    assert_eq!(server.count("SELECT count(*) FROM galebench.runs"), 13);
    // The server's text has no character 0; everything else is the same.
    for (file, server) in of_file.iter().zip(&of_server) {
        assert_eq!(&file.replace("\\0", "\u{fffd}"), server);
    }
    assert_eq!(of_file.len(), of_server.len());
    // Another bench of the shop sees the same without having any run of its own.
    let other = tempfile::tempdir().unwrap();
    server.serve(other.path(), "south");
    assert_eq!(
        Store::open(other.path(), false).unwrap().list(&Filter::default(), &Page::default()).unwrap().total,
        Total::Exactly(13)
    );
    // Real runs alone: virtual ones have tables of their own.
    assert_eq!(
        Store::open(other.path(), true).unwrap().list(&Filter::default(), &Page::default()).unwrap().total,
        Total::Exactly(0)
    );
    // Both kinds of tables have the indexes of words.
    for schema in ["galebench", "galebench_virtual"] {
        let of = format!("schemaname = '{schema}' AND indexdef LIKE '%gin_trgm_ops%'");
        assert_eq!(server.count(&format!("SELECT count(*) FROM pg_indexes WHERE {of}")), 3, "{schema}");
    }
}

#[test]
fn older_tables_on_a_server_are_brought_up_to_date_without_loss() {
    let server = Server::start();
    let root = tempfile::tempdir().unwrap();
    server.serve(root.path(), "north");
    questions(root.path());
    let range = Range { result: ResultName::DropV, min: Some(0.1), max: Some(0.3) };
    let filters = [
        Filter::default(),
        Filter { ranges: vec![range], ..Filter::default() },
        Filter { grade: Some(Grade::Scrap), ..Filter::default() },
        Filter { donor: Some("grey van".into()), ..Filter::default() },
        Filter { text: Some("cracked".into()), ..Filter::default() },
    ];
    let ask = || {
        let store = Store::open(root.path(), false).unwrap();
        filters.iter().map(|filter| store.list(filter, &Page::default()).unwrap()).collect::<Vec<_>>()
    };
    let due = ask();
    assert!(due.iter().all(|listing| !listing.rows.is_empty()));
    // The tables as the third step left them, and this bench's own file out of the way, so that it cannot answer instead.
    let back = "SET search_path TO galebench;
        ALTER TABLE runs ADD COLUMN numbers TEXT;
        UPDATE runs SET numbers = (SELECT json_object_agg(result, value) FROM numbers WHERE numbers.run = runs.id);
        DROP TABLE numbers;
        ALTER TABLE runs DROP COLUMN at_ms, DROP COLUMN listed, DROP COLUMN counted, DROP COLUMN donor,
            DROP COLUMN kind, DROP COLUMN words;
        DROP INDEX runs_of_line_kind;
        CREATE INDEX runs_by_unit ON runs (unit); CREATE INDEX runs_by_batch ON runs (batch);
        CREATE INDEX runs_by_time ON runs (started_ms); CREATE INDEX runs_by_grade ON runs (grade);
        UPDATE version SET steps = 3";
    server.client().batch_execute(back).unwrap();
    std::fs::remove_file(root.path().join("galebench.db")).unwrap();
    assert_eq!(ask(), due);
}

#[test]
fn killed_while_four_writers_store_a_thousand_records_the_server_has_each_exactly_once() {
    const EACH: usize = 250;
    let server = Server::start();
    // Two benches, two programs on each.
    let benches = [tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap()];
    for (index, bench) in benches.iter().enumerate() {
        server.serve(bench.path(), &format!("bench-{index}"));
    }
    let stored = AtomicUsize::new(0);
    let wait_for = |count| {
        while stored.load(Ordering::SeqCst) < count {
            std::thread::sleep(Duration::from_millis(1));
        }
    };
    std::thread::scope(|scope| {
        for writer in 0..4 {
            let (stored, root) = (&stored, benches[writer % 2].path());
            scope.spawn(move || {
                for i in 0..EACH {
                    let run = format!("run-{writer}-{i:03}");
                    let second = u32::try_from(writer * EACH + i).unwrap();
                    put(root, &document(&format!("TQ-{writer}{i:03}"), &run, second, Some("fit"), 0.1));
                    stored.fetch_add(1, Ordering::SeqCst);
                }
            });
        }
        wait_for(200);
        server.kill();
        wait_for(600);
        let waiting = |root: &Path| Store::open(root, false).unwrap().waiting().unwrap();
        let waiting: u64 = benches.iter().map(|bench| waiting(bench.path())).sum();
        assert!(waiting > 300, "what was stored while the server was away waits: {waiting}");
        server.begin();
    });
    assert!(server.count("SELECT count(*) FROM galebench.runs") > 0, "some had arrived before");
    for bench in &benches {
        let store = Store::open(bench.path(), false).unwrap();
        store.send().unwrap();
        assert_eq!(store.waiting().unwrap(), 0);
        // Sent twice, nothing is doubled.
        store.rebuild(bench.path()).unwrap();
        store.send().unwrap();
    }
    assert_eq!(server.count("SELECT count(*) FROM galebench.runs"), 1000);
    assert_eq!(server.count("SELECT count(DISTINCT run) FROM galebench.runs"), 1000);
    assert_eq!(server.count("SELECT count(*) FROM galebench.documents"), 1000);
    let mut names: Vec<String> =
        server.client().query("SELECT run FROM galebench.runs", &[]).unwrap().iter().map(|row| row.get(0)).collect();
    names.sort();
    let mut due: Vec<String> = (0..4).flat_map(|w| (0..EACH).map(move |i| format!("run-{w}-{i:03}"))).collect();
    due.sort();
    assert_eq!(names, due);
}

#[test]
fn a_bench_goes_on_alone_while_the_server_is_away_and_says_so() {
    let server = Server::start();
    let root = tempfile::tempdir().unwrap();
    server.serve(root.path(), "north");
    put(root.path(), &document("TQ-0001", "run-1", 1, Some("fit"), 0.1));
    server.kill();
    put(root.path(), &document("TQ-0001", "run-2", 2, Some("fit"), 0.1));
    let store = Store::open(root.path(), false).unwrap();
    assert_eq!(store.units("TQ-0001").unwrap().len(), 2, "its own index has both");
    assert_eq!(store.waiting().unwrap(), 1);
    let error = store.send().unwrap_err().to_string();
    assert!(error.contains("cannot be reached") && error.contains("127.0.0.1"), "{error}");
    assert!(galebench::store::trouble().is_some_and(|words| words.contains("runs wait here")));
    server.begin();
    assert_eq!(store.send().unwrap().arrived, 1);
    assert_eq!(server.count("SELECT count(*) FROM galebench.runs"), 2);
}

#[test]
fn two_benches_may_speak_of_one_crate() {
    let server = Server::start();
    let (north, south) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    server.serve(north.path(), "north");
    server.serve(south.path(), "south");
    let store = |root: &Path| Store::open(root, false).unwrap();
    put(north.path(), &document("TQ-0001", "run-1", 1, Some("fit"), 0.1));
    store(north.path())
        .take_journal("may-shelf-3", &[unit(1, "TQ-0001", "grey van"), unit(2, "TQ-0002", "bus")])
        .unwrap();
    // The other bench registers one more and corrects what the first has measured.
    let correction = line(9, Entry::Retag { run: "run-1".into(), from: "TQ-0001".into(), to: "TQ-0002".into() });
    let own = [unit(8, "TQ-0003", "lorry"), correction];
    store(south.path()).take_journal("may-shelf-3", &own).unwrap();
    let units = store(north.path()).units_of("may-shelf-3", None, 50).unwrap();
    assert_eq!(units.iter().map(|unit| unit.tag.as_str()).collect::<Vec<_>>(), ["TQ-0001", "TQ-0002", "TQ-0003"]);
    assert_eq!(store(north.path()).units("TQ-0002").unwrap().len(), 1);
    let book = store(south.path()).book("may-shelf-3", own.to_vec()).unwrap();
    assert_eq!(book.order, ["TQ-0001", "TQ-0002", "TQ-0003"]);
    // Results of the other bench's run are brought here when they are asked for.
    let history = archive::history(south.path(), "TQ-0002").unwrap();
    assert_eq!(history.latest.unwrap().run.as_deref(), Some("run-1"));
    // Rebuilding one bench's index takes nothing of the other's away.
    store(south.path()).rebuild(south.path()).unwrap();
    assert_eq!(server.count("SELECT count(*) FROM galebench.runs"), 1);
    assert_eq!(server.count("SELECT count(*) FROM galebench.units"), 3);
}
