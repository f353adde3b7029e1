//! The real binary: exit statuses, what goes to which stream, and that nothing is lost when a reader goes away.

use std::path::Path;
use std::process::{Command, Output, Stdio};

use serde_json::Value;

fn galebench(arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_galebench"));
    command.current_dir(env!("CARGO_MANIFEST_DIR")).args(arguments);
    command
}

fn run(arguments: &[&str]) -> Output {
    galebench(arguments).output().expect("the binary starts")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("output is UTF-8")
}

/// A rig file like the external one with the program that goes wrong as `fault` says.
fn faulty_rig(folder: &Path, fault: &str) -> String {
    let rig = std::fs::read_to_string("rigs/external.toml").expect("the rig file is there");
    let command = format!("\"tests/external/faulty.py\", \"{fault}\"");
    let path = folder.join(format!("{fault}.toml"));
    std::fs::write(&path, rig.replace("\"examples/simple_fan.py\"", &command)).expect("the folder can be written");
    path.to_str().expect("the path is UTF-8").to_owned()
}

#[test]
fn bad_arguments_and_files_end_with_2_and_say_why_on_standard_error() {
    let cases: [(&[&str], &str); 6] = [
        (&["nonsense"], "unrecognized subcommand"),
        (&["run", "--rig", "rigs/virtual.toml"], "--plan"),
        (&["check", "rigs/no-such-file.toml"], "no such file"),
        (&["spin", "--rig", "rigs/virtual.toml", "--duty", "30", "--for", "10 s"], "has no unit"),
        (&["spin", "--rig", "rigs/virtual.toml", "--duty", "30 %", "--for", "10 A"], "not that of a time"),
        (&["conform", "rigs/virtual.toml"], "no external program"),
    ];
    for (arguments, expected) in cases {
        let output = run(arguments);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}");
        assert!(text(&output.stderr).contains(expected), "{arguments:?}: {}", text(&output.stderr));
        assert!(output.stdout.is_empty(), "{arguments:?}");
    }
    assert_eq!(run(&["--help"]).status.code(), Some(0));
    assert_eq!(run(&["--version"]).status.code(), Some(0));
}

#[test]
fn a_spin_prints_its_document_alone_and_is_listed_and_shown() {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().to_str().expect("the path is UTF-8");
    let spin = ["spin", "--rig", "rigs/external.toml", "--duty", "30 %", "--for", "3 s", "--frequency", "140 Hz"];
    let output = run(&[&spin[..], &["--unit", "TQ-0001", "--batch", "may-shelf-3", "--out", out, "--json"]].concat());
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let document: Value = serde_json::from_slice(&output.stdout).expect("the document and nothing else");
    assert_eq!(document["unit"], "TQ-0001");
    assert_eq!(document["stopped"], Value::Null);
    assert!(document["bench_seconds"].as_f64().is_some_and(|seconds| seconds > 3.0));
    assert!(text(&output.stderr).contains("stage 1 of 2: first power"));

    let quiet = run(&[&spin[..], &["--out", out, "--quiet", "--require", "fit"]].concat());
    assert_eq!(quiet.status.code(), Some(2), "spin takes no --require");
    let list = run(&["list", "--out", out]);
    assert!(text(&list.stdout).contains("TQ-0001"), "{}", text(&list.stdout));
    let show = run(&["show", "TQ-0001", "--out", out]);
    assert!(text(&show.stdout).contains("latest run: "), "{}", text(&show.stdout));
    let latest = text(&show.stdout).lines().find_map(|line| line.strip_prefix("latest run: ").map(str::to_owned));
    let dir = latest.expect("the folder is named");
    let before = std::fs::read(Path::new(&dir).join("results.json")).expect("the results are there");
    assert_eq!(run(&["report", &dir]).status.code(), Some(0));
    let after = std::fs::read(Path::new(&dir).join("results.json")).expect("the results are there");
    assert_eq!(text(&before), text(&after), "a record gives the same document again");
    assert_eq!(run(&["show", "TQ-0404", "--out", out]).status.code(), Some(2));
    let again = run(&["reindex", "--out", out]);
    assert!(text(&again.stdout).starts_with("0 runs and 1 of the virtual bench"), "{}", text(&again.stdout));
}

#[test]
fn a_bench_program_that_fails_ends_with_4_and_says_whether_the_safe_state_was_confirmed() {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().to_str().expect("the path is UTF-8");
    for (fault, cause, confirmed) in [
        ("nan", "contains NaN", true),
        ("hang", "did not answer within", false),
        ("exit", "the converter was unplugged", false),
        ("no_current", "offers no channel `supply_a`", true),
    ] {
        let rig = faulty_rig(folder.path(), fault);
        let plan = "test-plans/quick.toml";
        let output = run(&["run", "--rig", &rig, "--plan", plan, "--unit", "TQ-0002", "--out", out, "--json", "-"]);
        let talk = text(&output.stderr);
        assert_eq!(output.status.code(), Some(4), "{fault}: {talk}");
        let document: Value = serde_json::from_slice(&output.stdout).expect("the document and nothing else");
        assert_eq!(document["verdict"], Value::Null);
        assert_eq!(document["stopped"]["by"], "rig");
        assert!(document["stopped"]["cause"].as_str().is_some_and(|text| text.contains(cause)), "{document}");
        assert_eq!(talk.contains("safe state NOT confirmed"), !confirmed, "{fault}: {talk}");
    }
}

#[test]
fn conform_ends_with_4_when_a_check_fails_and_its_json_stands_alone() {
    let folder = tempfile::tempdir().expect("a folder");
    let rig = faulty_rig(folder.path(), "drops_unknown");
    let output = run(&["conform", &rig, "--json", "-"]);
    assert_eq!(output.status.code(), Some(4));
    let report: Value = serde_json::from_slice(&output.stdout).expect("the report and nothing else");
    assert!(report["checks"].as_array().is_some_and(|checks| checks.len() == 14));
    assert!(text(&output.stderr).contains("leave the unit disconnected"));
}

#[test]
fn a_reader_that_goes_away_is_no_failure() {
    let mut child = galebench(&["schema", "rig"]).stdout(Stdio::piped()).spawn().expect("the binary starts");
    drop(child.stdout.take());
    assert_eq!(child.wait().expect("it ends").code(), Some(0));
}

#[test]
fn a_trace_gives_its_document_and_a_bad_row_is_named_and_writes_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let rows: String = (0..400).map(|i| format!("{},40,1800\n", f64::from(i) * 0.01)).collect();
    let trace = folder.path().join("trace.csv");
    std::fs::write(&trace, format!("time_s,command_pct,speed_rpm\n{rows}")).expect("the folder can be written");
    let trace = trace.to_str().expect("the path is UTF-8");
    let output = run(&["analyze", trace, "--json", "-"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let document: Value = serde_json::from_slice(&output.stdout).expect("the document and nothing else");
    assert_eq!(document["verdict"], Value::Null);
    assert!(document["results"]["speed_rpm"]["value"].as_f64().is_some_and(|rpm| (rpm - 1800.0).abs() < 1.0));

    let bad = folder.path().join("bad.csv");
    std::fs::write(&bad, format!("time_s,command_pct,speed_rpm\n{rows}4.2,40,fast\n")).expect("it can be written");
    let out = folder.path().join("out");
    let (bad, to) = (bad.to_str().expect("UTF-8"), out.to_str().expect("UTF-8"));
    let output = run(&["analyze", bad, "--out", to, "--json"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(text(&output.stderr).contains("402"), "{}", text(&output.stderr));
    assert!(output.stdout.is_empty() && !out.exists());
}
