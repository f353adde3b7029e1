//! A run is verified as it was left, and every edit of a file of it is named: which file, which value, which time.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;

fn galebench(arguments: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_galebench"));
    command.current_dir(env!("CARGO_MANIFEST_DIR")).args(arguments).output().expect("the binary starts")
}

fn text(path: &Path) -> &str {
    path.to_str().expect("the path is UTF-8")
}

/// A store with one run of a unit, and the folder of the run.
struct Bench {
    folder: tempfile::TempDir,
    dir: PathBuf,
}

impl Bench {
    fn new(more: &str) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let out = text(folder.path()).to_owned();
        let plan = folder.path().join("plan.toml");
        let short = fs::read_to_string("tests/fixtures/plans/first-look.toml").expect("the plan");
        fs::write(&plan, short.replace("[[stage]]\nsleep", &format!("{more}[[stage]]\nsleep"))).expect("a plan");
        let run = ["run", "--rig", "rigs/virtual.toml", "--plan", text(&plan), "--unit", "TQ-0001"];
        let done = galebench(&[&run[..], &["--batch", "may-shelf-3", "--out", &out, "--quiet", "--json"]].concat());
        assert_eq!(done.status.code(), Some(0), "{}", String::from_utf8_lossy(&done.stderr));
        let document: Value = serde_json::from_slice(&done.stdout).expect("the document");
        let dir = folder.path().join("may-shelf-3/TQ-0001").join(document["run"].as_str().expect("a run"));
        Self { folder, dir }
    }

    fn file(&self, name: &str) -> PathBuf {
        self.dir.join(name)
    }

    fn verify(&self, target: &Path, more: &[&str]) -> (Option<i32>, String) {
        let arguments = ["verify", text(target), "--out", text(self.folder.path())];
        let done = galebench(&[&arguments[..], more].concat());
        let said = String::from_utf8_lossy(&done.stdout).into_owned() + &String::from_utf8_lossy(&done.stderr);
        (done.status.code(), said)
    }

    /// What is said after `change` to the file called `name`, which is put back afterwards.
    fn after(&self, name: &str, change: impl FnOnce(Vec<u8>) -> Vec<u8>) -> String {
        let path = self.file(name);
        let was = fs::read(&path).expect("the file is there");
        fs::write(&path, change(was.clone())).expect("the file can be written");
        let (status, said) = self.verify(&self.dir, &[]);
        fs::write(&path, was).expect("the file can be written");
        assert_eq!(status, Some(4), "{said}");
        assert!(said.contains("NOT VERIFIED"), "{said}");
        said
    }
}

fn replaced(bytes: Vec<u8>, from: &str, to: &str) -> Vec<u8> {
    let text = String::from_utf8(bytes).expect("a text file");
    assert!(text.contains(from), "`{from}` is not there");
    text.replacen(from, to, 1).into_bytes()
}

fn said_of(said: &str, expected: &[&str]) {
    for words in expected {
        assert!(said.contains(words), "`{words}` is not in:\n{said}");
    }
}

#[test]
fn every_edit_of_a_run_is_named() {
    let bench = Bench::new("[[stage]]\nsweep = { step = \"20 %\", settle_within = \"20 s\" }\n\n");
    // As it was left, by unit, by folder, by document and all together.
    let unit = Path::new("TQ-0001");
    for target in [unit, &bench.dir, &bench.file("report.html"), &bench.file("curve.csv"), bench.folder.path()] {
        let (status, said) = bench.verify(target, &[]);
        assert_eq!(status, Some(0), "{}: {said}", target.display());
        assert!(said.contains(": verified"), "{said}");
    }

    let results: Value = serde_json::from_slice(&fs::read(bench.file("results.json")).unwrap()).unwrap();
    let fingerprint = results["provenance"]["record_sha256"].as_str().expect("a fingerprint").to_owned();
    assert!(fs::read_to_string(bench.file("report.html")).unwrap().contains(&fingerprint), "the report shows it");

    // A value in the results.
    let grade = results["verdict"]["grade"].as_str().expect("a grade");
    let better = if grade == "fit" { "scrap" } else { "fit" };
    let (from, to) = (format!("\"grade\": \"{grade}\""), format!("\"grade\": \"{better}\""));
    let said = bench.after("results.json", |bytes| replaced(bytes, &from, &to));
    let line = format!("verdict.grade: \"{better}\"; the record gives \"{grade}\"");
    said_of(&said, &["results.json ALTERED: edited after it was written", &line, "curve.csv    holds"]);

    // A field of the curve.
    let curve = fs::read_to_string(bench.file("curve.csv")).unwrap();
    let field = curve.lines().nth(2).expect("two points").split(',').nth(2).expect("a speed").to_owned();
    let said = bench.after("curve.csv", |bytes| replaced(bytes, &format!(",{field},"), ",4321.00,"));
    said_of(&said, &["curve.csv    ALTERED", &format!(", speed_rpm: 4321.00; the record gives {field}")]);

    // Words of the report.
    let said = bench.after("report.html", |bytes| replaced(bytes, "may-shelf-3", "june-shelf-1"));
    said_of(&said, &["report.html  ALTERED", "june-shelf-1; the record gives may-shelf-3"]);

    // A line of the record.
    let said = bench.after("events.jsonl", |bytes| replaced(bytes, "\"line\":\"open\"", "\"line\":\"high\""));
    said_of(
        &said,
        &["record       ALTERED: it was sealed as", &fingerprint, "events.jsonl line ", " s: altered, now {\"seq\":"],
    );

    // Rig and plan in its header.
    let said = bench.after("events.jsonl", |bytes| replaced(bytes, "gain_u = ", "gain_u =  "));
    said_of(&said, &["events.jsonl line 1 at 0.000 s: altered", "rig and plan ALTERED: they were frozen as"]);

    // A sample.
    let said = bench.after("samples.arrows", |mut bytes| {
        let middle = bytes.len() / 2;
        bytes[middle] ^= 0x10;
        bytes
    });
    said_of(&said, &["record       ALTERED", "samples.arrows bytes ", ", samples from ", " s: other bytes"]);

    // Everything is back.
    assert_eq!(bench.verify(&bench.dir, &["--expect", &fingerprint[..16]]).0, Some(0));

    // A run in which record, seal and documents were all made anew does not fit a printed report.
    let (status, said) = bench.verify(&bench.dir, &["--expect", "0123456789ab"]);
    assert_eq!(status, Some(4));
    said_of(&said, &["fingerprint  ALTERED: 0123456789ab was expected"]);
}

#[test]
fn a_report_that_was_carried_away_finds_its_run_and_hashes_made_anew_do_not_help() {
    let bench = Bench::new("");
    let away = tempfile::tempdir().expect("a folder");
    let copy = away.path().join("TQ-0001 for the customer.html");
    fs::copy(bench.file("report.html"), &copy).unwrap();
    assert_eq!(bench.verify(&copy, &[]).0, Some(0));
    fs::write(&copy, replaced(fs::read(&copy).unwrap(), "TQ-0001", "TQ-0009")).unwrap();
    let (status, said) = bench.verify(&copy, &[]);
    assert_eq!(status, Some(4), "{said}");
    said_of(&said, &["for the customer.html ALTERED", "TQ-0009"]);

    // A curve does not name its run.
    let curve = away.path().join("curve.csv");
    fs::copy(bench.file("curve.csv"), &curve).unwrap();
    let (status, said) = bench.verify(&curve, &[]);
    assert_eq!(status, Some(2), "{said}");
    said_of(&said, &["does not name its run", "--run"]);
    assert_eq!(bench.verify(&curve, &["--run", text(&bench.dir)]).0, Some(0));

    // Whoever edits the results and their hash too is told by the record.
    let results = fs::read(bench.file("results.json")).unwrap();
    let edited = replaced(results.clone(), "\"unit\": \"TQ-0001\"", "\"unit\": \"TQ-0002\"");
    let mark = |bytes: &[u8]| serde_json::to_string(&galebench::record::seal::FileMark::of(bytes).sha256).unwrap();
    let hashes = fs::read(bench.file("documents.json")).unwrap();
    fs::write(bench.file("results.json"), &edited).unwrap();
    fs::write(bench.file("documents.json"), replaced(hashes, &mark(&results), &mark(&edited))).unwrap();
    let (status, said) = bench.verify(&bench.dir, &[]);
    assert_eq!(status, Some(4), "{said}");
    said_of(&said, &["both were changed", "unit: \"TQ-0002\"; the record gives \"TQ-0001\""]);

    // A record altered together with its seal does not fit the documents.
    fs::write(bench.file("results.json"), &results).unwrap();
    fs::write(
        bench.file("events.jsonl"),
        replaced(fs::read(bench.file("events.jsonl")).unwrap(), "TQ-0001", "TQ-0003"),
    )
    .unwrap();
    fs::remove_file(bench.file("seal.json")).unwrap();
    let (status, said) = bench.verify(&bench.dir, &[]);
    assert_eq!(status, Some(4), "{said}");
    said_of(&said, &["record       ALTERED: it has no seal.json", "not the one that its documents were made from"]);
}

#[test]
fn what_cannot_be_verified_is_said_and_is_no_success() {
    let folder = tempfile::tempdir().expect("a folder");
    let out = text(folder.path());
    for (target, words) in [("TQ-0404", "neither a unit with runs"), (out, "holds no record of a run")] {
        let done = galebench(&["verify", target, "--out", out]);
        assert_eq!(done.status.code(), Some(2));
        assert!(String::from_utf8_lossy(&done.stderr).contains(words));
    }
    assert_eq!(galebench(&["verify", out, "--expect", "abc"]).status.code(), Some(2));

    // A record of before there were seals: nothing says what it was, until its documents are written.
    let old = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/runs");
    let old = fs::read_dir(&old).expect("old records").filter_map(Result::ok).map(|entry| entry.path());
    let old = old.filter(|path| path.join("events.jsonl").is_file()).min().expect("an old record");
    let dir = folder.path().join("old");
    fs::create_dir(&dir).unwrap();
    for name in ["events.jsonl", "samples.arrows"] {
        fs::copy(old.join(name), dir.join(name)).unwrap();
    }
    let verify = || galebench(&["verify", text(&dir), "--out", out]);
    let done = verify();
    assert_eq!(done.status.code(), Some(4));
    assert!(String::from_utf8_lossy(&done.stdout).contains("record       UNPROVEN"), "{done:?}");
    assert_eq!(galebench(&["report", text(&dir)]).status.code(), Some(0));
    let done = verify();
    assert_eq!(done.status.code(), Some(0), "{done:?}");
    assert!(String::from_utf8_lossy(&done.stdout).contains("as it was when its documents were made"), "{done:?}");
}

#[test]
fn a_run_that_was_stopped_holds_as_it_was_left() {
    let folder = tempfile::tempdir().expect("a folder");
    let rig = fs::read_to_string("rigs/virtual.toml").expect("the shipped rig");
    let shorted = "faults = [{ fault = \"switch-shorted\", severity = \"80 %\" }]";
    assert!(rig.contains("faults = []"));
    let path = folder.path().join("rig.toml");
    fs::write(&path, rig.replacen("faults = []", shorted, 1)).expect("a rig");
    let out = text(folder.path());
    let run = ["run", "--rig", text(&path), "--plan", "test-plans/quick.toml", "--unit", "TQ-0001"];
    let done = galebench(&[&run[..], &["--batch", "may-shelf-3", "--out", out, "--quiet"]].concat());
    assert_eq!(done.status.code(), Some(3), "{}", String::from_utf8_lossy(&done.stderr));
    let verified = galebench(&["verify", "TQ-0001", "--out", out]);
    let said = String::from_utf8_lossy(&verified.stdout).into_owned();
    assert_eq!(verified.status.code(), Some(0), "{said}");
    assert!(said.contains("results.json"), "{said}");
}
