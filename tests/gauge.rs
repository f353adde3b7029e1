//! Gauge studies through the command line: planned, evaluated from a table and from stored runs, kept for later runs.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use galebench::results::{Document, ResultName};

fn shipped(path: &str) -> String {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path).display().to_string()
}

fn galebench(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_galebench")).args(arguments).output().expect("the program runs")
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

#[test]
fn the_published_study_is_evaluated_from_its_table_and_drawn() {
    let folder = tempfile::tempdir().expect("a folder");
    let drawing = folder.path().join("study.svg").display().to_string();
    let table = shipped("tests/fixtures/gauge/houf-berman.csv");
    let output = galebench(&["gauge", "evaluate", "--table", &table, "--svg", &drawing]);
    let text = said(&output);
    assert_eq!(output.status.code(), Some(0), "{text}");
    // sqrt(0.511), sqrt(1.293), sqrt(1.804), sqrt(48.293); sqrt(2 * 48.293 / 1.804) = 7.3.
    let line = |what: &str| text.lines().find(|line| line.trim_start().starts_with(what)).expect(what).to_owned();
    assert!(
        line("repeatability").contains("0.715") && line("repeatability").contains("1.0 % of the variance"),
        "{text}"
    );
    assert!(line("reproducibility").contains("1.14") && line("gauge, all").contains("1.34"), "{text}");
    assert!(line("between units").contains("6.95") && line("between units").contains("96.4 %"), "{text}");
    assert!(line("classes").contains('7'), "{text}");
    let svg = std::fs::read_to_string(&drawing).expect("a drawing");
    assert!(svg.starts_with("<svg") && svg.matches("fill-opacity=\"0.8\"").count() >= 90, "every reading is drawn");
}

#[test]
fn a_plan_lists_every_run_and_bad_tables_are_refused() {
    let output = galebench(&["gauge", "plan", "--units", "TQ-0001,TQ-0002,TQ-0003", "--sessions", "2"]);
    assert_eq!(said(&output).matches("galebench run").count(), 12);
    assert_eq!(galebench(&["gauge", "plan", "--units", "TQ-0001"]).status.code(), Some(2));
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("bad.csv");
    for (text, told) in [
        ("unit,drop_v\na,1\n", "lacks the column `session`"),
        ("unit,session,drop_v\na,1,x\n", "line 2: `x` under `drop_v`"),
        ("unit,session,drop_v\na,1,0.1\na,2,0.1\n", "fewer than two readings"),
    ] {
        std::fs::write(&path, text).expect("a table");
        let output = galebench(&["gauge", "evaluate", "--table", &path.display().to_string()]);
        assert_eq!(output.status.code(), Some(2), "{}", said(&output));
        assert!(said(&output).contains(told), "{}", said(&output));
    }
}

/// Runs a short plan on the virtual unit of this seed and gives the document.
fn run(rig: &Path, out: &Path, batch: &str, unit: &str, seed: &str) -> Document {
    let plan = shipped("tests/fixtures/plans/first-look.toml");
    let (rig, out) = (rig.display().to_string(), out.display().to_string());
    let arguments = ["run", "--quiet", "--rig", &rig, "--plan", &plan, "--unit", unit, "--batch", batch];
    let output = galebench(&[&arguments[..], &["--seed", seed, "--out", &out, "--json"]].concat());
    serde_json::from_slice(&output.stdout).unwrap_or_else(|error| panic!("{error}: {}", said(&output)))
}

#[test]
fn stored_runs_are_evaluated_and_what_sessions_differ_by_is_in_every_later_u() {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().join("reports");
    let rig: PathBuf = folder.path().join("rig.toml");
    std::fs::copy(shipped("rigs/virtual.toml"), &rig).expect("a rig");
    let before = run(&rig, &out, "s1", "TQ-0001", "5");
    // On the virtual bench a seed is unit and bench together: other seeds play sessions that differ by a lot.
    for (batch, unit, seed) in [
        ("s1", "TQ-0001", "6"),
        ("s1", "TQ-0002", "7"),
        ("s1", "TQ-0002", "8"),
        ("s2", "TQ-0001", "9"),
        ("s2", "TQ-0001", "10"),
        ("s2", "TQ-0002", "11"),
        ("s2", "TQ-0002", "12"),
    ] {
        run(&rig, &out, batch, unit, seed);
    }
    let (rig_text, out_text) = (rig.display().to_string(), out.display().to_string());
    let plan = shipped("tests/fixtures/plans/first-look.toml");
    let arguments = ["gauge", "evaluate", "--virtual", "--batches", "s1,s2", "--out", &out_text, "--plan", &plan];
    let output = galebench(&[&arguments[..], &["--keep", &rig_text]].concat());
    let text = said(&output);
    assert_eq!(output.status.code(), Some(0), "{text}");
    assert!(text.contains("2 x 2 x 2") && text.contains("share of the limit"), "{text}");

    let kept = galebench::config::load_rig(&rig).map_err(|problems| problems.to_string()).expect("it still loads");
    let facts: BTreeMap<ResultName, f64> = galebench::config::bench_facts(&kept).reproducibility;
    let after = run(&rig, &out, "s3", "TQ-0001", "5");
    let mut wider = 0;
    for (name, was) in &before.results {
        let (Some(was_u), Some(now)) = (was.u.filter(|u| *u > 0.0), after.results.get(name)) else { continue };
        assert_eq!(was.as_number(), now.as_number(), "{name}: the value itself stays");
        let added = facts.get(name).copied().unwrap_or(0.0);
        let now_u = now.u.expect("a number has one");
        assert!((now_u - was_u.hypot(added)).abs() < 1e-9 * now_u.max(1e-12), "{name}: {was_u} {added} {now_u}");
        wider += usize::from(added > 0.0);
    }
    assert!(wider >= 3, "only {wider} results grew");
}
