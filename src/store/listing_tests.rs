use std::path::Path;

use super::*;
use crate::intake::journal::{Entry, Facts, Line};
use crate::results::{Contribution, Document, Grade, Measured, ResultName};
use crate::store::filter::Range;
use crate::store::tests::{document, put};
use crate::store::{CONTACT_PLAN, Store, default_path};

fn with_drop(mut document: Document, drop_v: f64) -> Document {
    let name = ResultName::DropV;
    let budget = vec![Contribution::random("spread", 0.001)];
    document.results.insert(name, Measured::number(name, drop_v, 2.0, budget, "test", 3));
    document
}

fn line(entry: Entry) -> Line {
    Line { at: "2026-05-12T08:00:00Z".to_owned(), by: Some("Ines".to_owned()), entry }
}

fn noted(tag: &str, donor: &str, kind: &str) -> Line {
    let facts = Facts { donor: Some(donor.to_owned()), kind: Some(kind.to_owned()), ..Facts::default() };
    line(Entry::Unit { tag: tag.to_owned(), facts })
}

fn given(run: &str, grade: Grade) -> Line {
    line(Entry::Grade { run: run.to_owned(), grade, why: "clip was loose".to_owned() })
}

/// A crate in which times are equal or missing, kinds and donors differ, and people have had their say.
fn filled(root: &Path) -> Store {
    let store = Store::open(root, false).unwrap();
    for i in 0..40_u32 {
        let grade = [Grade::Fit, Grade::Scrap, Grade::Restricted][i as usize % 3];
        let started = if i % 7 == 0 { "some day".to_owned() } else { format!("2026-05-04T09:{:02}:00Z", i / 3) };
        let mut document = document(&format!("TQ-{:04}", i % 8), &format!("run-{:02}", i % 38), &started, Some(grade));
        if i % 10 == 3 {
            document.plan = Some(CONTACT_PLAN.to_owned());
        }
        let kind = if i % 4 == 0 { "lin" } else { "pull_up" };
        document.results.insert(ResultName::LineKind, Measured::word(ResultName::LineKind, kind, "test", 1));
        put(&store, &root.join(i.to_string()), &with_drop(document, 0.01 * f64::from(i)));
    }
    let lines = [
        noted("TQ-0001", "grey van, side door", "two-pin"),
        noted("TQ-0002", "Grey Van", "lin with lid"),
        noted("TQ-0003", "van \"grey\"", "potted"),
        given("run-09", Grade::Fit),
        given("run-10", Grade::Undecided),
    ];
    store.take_journal("may-shelf-3", &lines).unwrap();
    store
}

fn all_pages(index: &Index, filter: &Filter, rows: u32, reach: Reach) -> (Vec<(String, String)>, Vec<Total>) {
    let search = Search::of(filter, index.database.dialect());
    let (mut page, mut seen, mut totals) = (Page::first(rows), Vec::new(), Vec::new());
    loop {
        let listing = index.find(&search, &page, reach).unwrap();
        assert!(listing.rows.len() <= rows as usize);
        let name = |row: RunRow| (row.run, row.dir.to_string_lossy().into_owned());
        seen.extend(listing.rows.into_iter().map(name));
        totals.push(listing.total);
        let Some(next) = listing.next else { return (seen, totals) };
        page.after = Some(next);
    }
}

#[test]
fn both_ways_to_a_list_and_all_sizes_of_pages_give_the_same_runs_in_the_same_order() {
    let root = tempfile::tempdir().unwrap();
    let store = filled(root.path());
    let all = Filter::default;
    let text = |text: &str| Some(text.to_owned());
    let range = |min, max| vec![Range { result: ResultName::DropV, min, max }];
    let filters = [
        (all(), 36),
        (Filter { unit: text("TQ-0003"), ..all() }, 5),
        (Filter { batch: text("may-shelf-3"), ..all() }, 36),
        (Filter { grade: Some(Grade::Fit), ..all() }, 12),
        (Filter { donor: text("grey van"), ..all() }, 9),
        (Filter { donor: text("n \"G"), ..all() }, 4),
        (Filter { donor: text("va"), ..all() }, 13),
        (Filter { kind: text("lin"), ..all() }, 15),
        (Filter { kind: text("POTTED"), ..all() }, 4),
        (Filter { text: text("softly"), ..all() }, 36),
        (Filter { text: text("was loose"), ..all() }, 2),
        (Filter { text: text("loose grey"), ..all() }, 0),
        (Filter { ranges: range(Some(0.1), Some(0.195)), ..all() }, 9),
        (Filter { ranges: range(None, None), text: text("van"), ..all() }, 13),
        (Filter { ranges: range(Some(0.2), None), donor: text("door"), grade: Some(Grade::Scrap), ..all() }, 1),
    ];
    for (filter, due) in filters {
        let (whole, total) = all_pages(&store.local, &filter, 100, REACH);
        assert_eq!((whole.len(), total), (due, vec![Total::Exactly(due as u64)]), "{filter:?}");
        for (few, far) in [(0, FAR), (1, FAR), (FEW, FAR), (0, 1), (0, 7), (3, 7)] {
            for rows in [1, 3, 100] {
                let (seen, totals) = all_pages(&store.local, &filter, rows, Reach { few, far });
                assert_eq!(seen, whole, "{filter:?} {rows} {few} {far}");
                for total in totals {
                    match total {
                        Total::Exactly(total) => assert_eq!(total, due as u64, "{filter:?} {rows} {few}"),
                        Total::MoreThan(least) => assert!(least <= due as u64, "{filter:?} {rows} {few}"),
                    }
                }
            }
        }
    }
}

#[test]
fn a_page_ends_after_as_many_runs_as_it_may_go_through_and_says_where_to_go_on() {
    let root = tempfile::tempdir().unwrap();
    let store = filled(root.path());
    let filter = Filter { donor: Some("grey van".to_owned()), kind: Some("potted".to_owned()), ..Filter::default() };
    let search = Search::of(&filter, store.local.database.dialect());
    let reach = Reach { few: 0, far: 10 };
    let (mut page, mut ends) = (Page::first(5), Vec::new());
    while let Some(next) = {
        let listing = store.local.find(&search, &page, reach).unwrap();
        assert!(listing.rows.is_empty() && listing.total != Total::Exactly(1));
        listing.next
    } {
        ends.push(next.run().to_owned());
        page.after = Some(next);
    }
    // 36 of the 40 runs are listed.
    assert_eq!(ends.len(), 3, "{ends:?}");
}

#[test]
fn the_grade_that_counts_is_the_one_looked_for() {
    let root = tempfile::tempdir().unwrap();
    let store = Store::open(root.path(), false).unwrap();
    put(&store, root.path(), &document("TQ-0001", "run-1", "2026-05-04T09:00:00Z", Some(Grade::Scrap)));
    let found = |grade| {
        let filter = Filter { grade: Some(grade), ..Filter::default() };
        store.list(&filter, &Page::default()).unwrap().rows.len()
    };
    let grades = || [Grade::Scrap, Grade::Fit, Grade::Restricted].map(found);
    assert_eq!(grades(), [1, 0, 0]);
    store.take_journal("may-shelf-3", &[given("run-1", Grade::Fit)]).unwrap();
    assert_eq!(grades(), [0, 1, 0]);
    // Another analysis changes the measured grade, not the person's.
    put(&store, root.path(), &document("TQ-0001", "run-1", "2026-05-04T09:00:00Z", Some(Grade::Restricted)));
    assert_eq!(grades(), [0, 1, 0]);
    store.take_journal("may-shelf-3", &[]).unwrap();
    assert_eq!(grades(), [0, 0, 1]);
}

#[test]
fn words_and_numbers_that_change_are_found_anew_and_no_longer_where_they_were() {
    let root = tempfile::tempdir().unwrap();
    let store = Store::open(root.path(), false).unwrap();
    let found = |filter: Filter| store.list(&filter, &Page::default()).unwrap().rows.len();
    let text = |text: &str| found(Filter { text: Some(text.to_owned()), ..Filter::default() });
    let donor = |text: &str| found(Filter { donor: Some(text.to_owned()), ..Filter::default() });
    let below = |max| {
        let ranges = vec![Range { result: ResultName::DropV, min: None, max: Some(max) }];
        found(Filter { ranges, ..Filter::default() })
    };
    // What is noted of a unit before its run counts as well.
    store.take_journal("may-shelf-3", &[noted("TQ-0001", "grey van", "potted")]).unwrap();
    let mut measured = with_drop(document("TQ-0001", "run-1", "2026-05-04T09:00:00Z", Some(Grade::Fit)), 0.1);
    put(&store, root.path(), &measured);
    assert_eq!((text("softly"), text("potted"), donor("van"), below(0.15)), (1, 1, 1, 1));
    measured.verdict.as_mut().unwrap().reasons = vec!["starts hard".to_owned()];
    put(&store, root.path(), &with_drop(measured, 0.2));
    assert_eq!((text("softly"), text("hard"), below(0.15), below(0.25)), (0, 1, 0, 1));
    store.take_journal("may-shelf-3", &[noted("TQ-0001", "blue bus", "potted")]).unwrap();
    assert_eq!((donor("van"), donor("bus"), text("grey"), text("blue")), (0, 1, 0, 1));
    let retag = Entry::Retag { run: "run-1".into(), from: "TQ-0001".into(), to: "TQ-0002".into() };
    store.take_journal("may-shelf-3", &[noted("TQ-0001", "blue bus", "potted"), line(retag)]).unwrap();
    assert_eq!((donor("bus"), text("TQ-0001"), text("TQ-0002")), (0, 0, 1));
    // The index of words agrees with what it is an index of.
    let check = "INSERT INTO runs_found (runs_found, rank) VALUES ('integrity-check', 1)";
    store.local.database.batch(check).unwrap();
}

#[test]
fn an_older_file_is_brought_up_to_date_without_loss() {
    let root = tempfile::tempdir().unwrap();
    let store = filled(root.path());
    let filters = |store: &Store| -> Vec<Listing> {
        let text = |text: &str| Some(text.to_owned());
        let all = Filter::default;
        let ranges = vec![Range { result: ResultName::DropV, min: Some(0.1), max: Some(0.195) }];
        let filters = [
            all(),
            Filter { grade: Some(Grade::Fit), ..all() },
            Filter { donor: text("grey van"), ..all() },
            Filter { kind: text("lin"), ..all() },
            Filter { text: text("was loose"), ..all() },
            Filter { ranges, ..all() },
        ];
        filters.iter().map(|filter| store.list(filter, &Page::first(20)).unwrap()).collect()
    };
    let due = filters(&store);
    // The same rows in the tables that version 3 had.
    let old = root.path().join("old");
    std::fs::create_dir(&old).unwrap();
    let file = rusqlite::Connection::open(default_path(&old, false)).unwrap();
    for step in crate::store::schema::first_steps(3) {
        file.execute_batch(step).unwrap();
    }
    let from = default_path(root.path(), false);
    file.execute("ATTACH ?1 AS new", [from.to_str().unwrap()]).unwrap();
    let columns = "id, dir, run, unit, batch, plan, rig, started, started_ms, bench_s, state, grade, reason, \
                   recorded_unit, given_grade, given_by, given_why, line_kind, bench, analysis";
    file.execute_batch(&format!(
        "INSERT INTO runs ({columns}, numbers) SELECT {columns},
             (SELECT json_group_object(result, value) FROM new.numbers WHERE new.numbers.run = new.runs.id) FROM new.runs;
         UPDATE runs SET numbers = NULL WHERE id = 1;
         INSERT INTO units SELECT * FROM new.units;
         DETACH new;
         PRAGMA user_version = 3"
    ))
    .unwrap();
    drop(file);
    let moved = Store::open(&old, false).unwrap();
    let mut found = filters(&moved);
    for row in found.iter_mut().flat_map(|listing| &mut listing.rows) {
        row.dir = root.path().join(row.dir.strip_prefix(&old).unwrap());
    }
    assert_eq!(found, due);
    put(&moved, &old, &document("TQ-0001", "run-new", "2026-06-04T09:00:00Z", Some(Grade::Scrap)));
    assert_eq!(moved.list(&Filter::default(), &Page::default()).unwrap().rows[0].run, "run-new");
}

#[test]
fn many_at_once_are_found_as_if_they_had_come_one_by_one() {
    let (one, many) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let document = |i: u32| {
        let run = format!("run-{i}");
        with_drop(document(&format!("TQ-{i:04}"), &run, "2026-05-04T09:00:00Z", Some(Grade::Fit)), f64::from(i))
    };
    let dir = |root: &Path, i: u32| root.join("may-shelf-3").join(format!("TQ-{i:04}")).join(format!("run-{i}"));
    let first = Store::open(one.path(), false).unwrap();
    let second = Store::open(many.path(), false).unwrap();
    (0..9).for_each(|i| first.insert(&document(i), &dir(one.path(), i), crate::store::RunState::Finished).unwrap());
    let all = |from, to| {
        (from..to).map(|i| (document(i), dir(many.path(), i), crate::store::RunState::Finished)).collect::<Vec<_>>()
    };
    second.insert_all(all(0, 5)).unwrap();
    second.insert_all(all(3, 9)).unwrap();
    let ranges = vec![Range { result: ResultName::DropV, min: Some(2.0), max: Some(6.0) }];
    for filter in [
        Filter { text: Some("softly".to_owned()), ..Filter::default() },
        Filter { text: Some("TQ-0004".to_owned()), ..Filter::default() },
        Filter { ranges, ..Filter::default() },
    ] {
        let runs = |store: &Store| {
            let listing = store.list(&filter, &Page::default()).unwrap();
            listing.rows.into_iter().map(|row| row.run).collect::<Vec<_>>()
        };
        assert!(!runs(&first).is_empty());
        assert_eq!(runs(&first), runs(&second));
    }
    second.local.database.batch("INSERT INTO runs_found (runs_found, rank) VALUES ('integrity-check', 1)").unwrap();
    let schema = |store: &Store| store.local.count("SELECT count(*) FROM sqlite_schema", &[]).unwrap();
    assert_eq!(schema(&first), schema(&second), "nothing that was laid aside is left out");
}
