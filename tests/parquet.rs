//! The exported Parquet file, read by a query engine that is not ours (duckdb, which `tests/all` installs).
#![cfg(feature = "parquet")]
#![allow(clippy::unwrap_used, reason = "a test stops at what it does not expect")]

mod foreign;
mod shelf;

use std::path::Path;

use galebench::results::{Document, Measured, ResultName};
use galebench::store::{RunState, Store};
use serde_json::{Value, json};

fn document(run: &str, results: &[(ResultName, Measured)]) -> Document {
    let mut document: Document = serde_json::from_value(json!({
        "format": 1, "unit": "TQ-0001", "batch": "may-shelf-3", "run": run, "plan": "full", "rig": "Prüfstand",
        "started": "2026-05-04T11:00:00.250+02:00", "bench_seconds": 412.5, "results": {},
        "absent": {"heat_rise_k": "no case temperature channel"}, "curve": [], "signs": [],
        "verdict": {"grade": "fit", "reasons": ["starts softly"], "limits": {}, "risk": 0.01}, "stopped": null,
    }))
    .unwrap();
    document.results.extend(results.iter().cloned());
    document
}

fn put(store: &Store, root: &Path, document: &Document) {
    let dir = root.join("may-shelf-3/TQ-0001").join(document.run.as_deref().unwrap());
    std::fs::create_dir_all(&dir).unwrap();
    std::fs::write(dir.join("results.json"), serde_json::to_vec(document).unwrap()).unwrap();
    store.insert(document, &dir, RunState::Finished).unwrap();
}

/// What duckdb answers to `query`, in which `{}` stands for the file.
fn ask(file: &Path, query: &str) -> Value {
    let script = "import duckdb, json, sys
duckdb.sql(\"SET TimeZone = 'UTC'\")
print(json.dumps(duckdb.sql(sys.argv[1]).fetchall(), default=str))";
    let query = query.replace("{}", &format!("'{}'", file.display()));
    serde_json::from_str(&foreign::python(script, &[&query])).unwrap()
}

#[test]
fn another_engine_reads_every_value_as_it_was_measured() {
    let root = tempfile::tempdir().unwrap();
    let store = Store::open(root.path(), false).unwrap();
    let mut bound = Measured::number(ResultName::SleepA, 0.002, 2.0, Vec::new(), "low range", 4);
    bound.interval = Some([None, Some(0.003)]);
    bound.note = Some("below \"2 mA\"".to_owned());
    let drop = Measured::number(ResultName::DropV, 0.1 + 0.2, 2.0, Vec::new(), "flat out", 7);
    let kind = Measured::word(ResultName::LineKind, "pull_up", "loads", 3);
    let results = [(ResultName::SleepA, bound), (ResultName::DropV, drop), (ResultName::LineKind, kind)];
    put(&store, root.path(), &document("run-1", &results));
    // Without a document, a run is still in the history.
    put(&store, root.path(), &document("run-2", &[]));
    std::fs::remove_file(root.path().join("may-shelf-3/TQ-0001/run-2/results.json")).unwrap();
    let file = root.path().join("fleet.parquet");
    let said = shelf::run(root.path(), &["export", "--parquet", file.to_str().unwrap()]);
    assert!(said.starts_with("2 runs, 5 rows"), "{said}");
    let columns = "run, result, value, word, result_unit, low, high, method, n, note, absent";
    let found = ask(&file, &format!("SELECT {columns} FROM {{}} ORDER BY run, result"));
    assert_eq!(
        found,
        json!([
            ["run-1", "drop_v", 0.1 + 0.2, null, "V", 0.1 + 0.2, 0.1 + 0.2, "flat out", 7, null, null],
            ["run-1", "heat_rise_k", null, null, "K", null, null, null, null, null, "no case temperature channel"],
            ["run-1", "line_kind", null, "pull_up", "", null, null, "loads", 3, null, null],
            ["run-1", "sleep_a", 0.002, null, "A", null, 0.003, "low range", 4, "below \"2 mA\"", null],
            ["run-2", null, null, null, null, null, null, null, null, null, null],
        ])
    );
    let of_runs = "SELECT DISTINCT unit, batch, plan, rig, started, virtual, bench_s, state, grade, reason FROM {}";
    assert_eq!(
        ask(&file, of_runs),
        json!([[
            "TQ-0001",
            "may-shelf-3",
            "full",
            "Prüfstand",
            "2026-05-04 09:00:00.250000+00:00",
            false,
            412.5,
            "finished",
            "fit",
            "starts softly"
        ]])
    );
}

#[test]
fn a_long_history_is_written_in_groups_and_adds_up() {
    let root = tempfile::tempdir().unwrap();
    let store = Store::open(root.path(), false).unwrap();
    let numbers = ResultName::ALL;
    for run in 0..1500_u32 {
        let value = |name: &ResultName| (*name, Measured::number(*name, f64::from(run), 2.0, Vec::new(), "test", 1));
        let mut document = document(&format!("run-{run:04}"), &numbers.iter().map(value).collect::<Vec<_>>());
        document.absent.clear();
        put(&store, root.path(), &document);
    }
    let file = root.path().join("fleet.parquet");
    shelf::run(root.path(), &["export", "--parquet", file.to_str().unwrap()]);
    let rows = 1500 * numbers.len();
    assert!(rows > 50_000, "more than one group");
    let sum = f64::from(1500 * 1499 / 2);
    let found = ask(&file, "SELECT count(*), count(DISTINCT run) FROM {}");
    assert_eq!(found, json!([[rows, 1500]]));
    let found = ask(&file, "SELECT DISTINCT total FROM (SELECT sum(value) AS total FROM {} GROUP BY result)");
    assert_eq!(found, json!([[sum]]));
    let groups = ask(&file, "SELECT count(DISTINCT row_group_id) FROM parquet_metadata({})");
    assert_eq!(groups, json!([[2]]));
    let none = ["export", "--batch", "june", "--parquet", file.to_str().unwrap()];
    assert!(shelf::run(root.path(), &none).starts_with("0 runs, 0 rows"));
    assert_eq!(ask(&file, "SELECT count(*) FROM {}"), json!([[0]]));
}
