//! A crate run unit after unit through the real binary: what a scanner types, and what comes of it.

use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Output, Stdio};

use serde_json::Value;

fn galebench(arguments: &[&str], typed: &str) -> Output {
    let mut child = Command::new(env!("CARGO_BIN_EXE_galebench"))
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the binary starts");
    child.stdin.take().expect("it is piped").write_all(typed.as_bytes()).expect("it listens");
    child.wait_with_output().expect("it ends")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("output is UTF-8")
}

/// A crate on this rig; returns what became of each unit and what was said.
fn crate_on(rig: &str, out: &str, more: &[&str], typed: &str) -> (Value, String) {
    let plan = "tests/fixtures/plans/short.toml";
    let all = [&["crate", "--rig", rig, "--plan", plan, "--batch", "may-shelf-3", "--out", out, "-q", "--json"], more];
    let output = galebench(&all.concat(), typed);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    (serde_json::from_slice(&output.stdout).expect("JSON alone"), text(&output.stderr))
}

fn ran(outcomes: &Value) -> Vec<String> {
    let tag = |outcome: &Value| outcome["unit"].as_str().unwrap_or_default().to_owned();
    outcomes.as_array().expect("a list").iter().map(tag).collect()
}

fn listed(out: &str) -> Vec<Value> {
    let output = galebench(&["list", "--out", out, "--json"], "");
    serde_json::from_slice::<Value>(&output.stdout).expect("JSON").as_array().expect("a list").clone()
}

fn register(out: &str, tags: &[&str]) {
    for tag in tags {
        galebench(&["intake", "add", tag, "--batch", "may-shelf-3", "--out", out], "");
    }
}

#[test]
fn scanned_units_run_in_turn_and_skipping_undoing_and_grading_keep_their_places() {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().to_str().expect("UTF-8");
    register(out, &["TQ-0001", "TQ-0002", "TQ-0003"]);
    let typed = "TQ-0002\n\
                 undo\n\
                 TQ-0001\n\n\
                 grade restricted clip was loose\n\
                 TQ-0002\nskip plug is broken\n\
                 TQ-0009\nTQ-0003\n\n\
                 undo TQ-0002\n\
                 list\nTQ-0001\nquit\n";
    let (outcomes, said) = crate_on("rigs/virtual.toml", out, &["--by", "the foreman"], typed);
    assert_eq!(ran(&outcomes), ["TQ-0001", "TQ-0003"], "{said}");
    for expected in [
        "3 registered units left",
        "TQ-0002 put back",
        "TQ-0001: restricted by the foreman (measured: ",
        "TQ-0002 passed over, it keeps its place",
        "TQ-0009 is not registered in this batch; scan it again",
        "that run counts for TQ-0002 now, no longer for TQ-0003",
        "left: TQ-0003",
        "TQ-0001 was run already",
        "█",
    ] {
        assert!(said.contains(expected), "{expected}: {said}");
    }
    let rows = listed(out);
    assert_eq!(rows.len(), 2, "contact checks are not listed: {rows:?}");
    assert_eq!((&rows[0]["unit"], &rows[0]["recorded_unit"]), (&"TQ-0002".into(), &"TQ-0003".into()));
    assert_eq!((&rows[1]["unit"], &rows[1]["given"]["grade"]), (&"TQ-0001".into(), &"restricted".into()));
    // Runs of one second keep their order; both on a full second would be a chance of one in a million.
    let fraction = |row: &Value| row["started"].as_str().is_some_and(|time| time.contains('.'));
    assert!(rows.iter().any(fraction), "{rows:?}");

    // Another day: what was run is not run again.
    let (outcomes, said) = crate_on("rigs/virtual.toml", out, &["--unattended"], "");
    assert_eq!(ran(&outcomes), ["TQ-0003"], "{said}");
}

/// The external rig with the program whose clips may be loose.
fn loose_rig(folder: &Path) -> String {
    let rig = std::fs::read_to_string("rigs/external.toml").expect("the rig file is there");
    let command = format!("\"tests/external/loose_clip.py\", \"{}\"", folder.display());
    let rig = rig.replace("\"examples/simple_fan.py\"", &command)
        + "lowest_voltage = \"9 V\"\n[channel.line_v]\nrange = \"20 V\"\noffset_u = \"5 mV\"\ngain_u = \"0.2 %\"\n\
           [line]\nlow_resistance = \"100 Ohm\"\nhigh_resistance = \"1 kOhm\"\nhigh_voltage = \"5 V\"\n";
    let path = folder.join("rig.toml");
    std::fs::write(&path, rig).expect("the folder can be written");
    path.to_str().expect("UTF-8").to_owned()
}

#[test]
fn a_loose_clip_is_told_before_the_unit_is_judged_and_the_unit_keeps_its_place() {
    let folder = tempfile::tempdir().expect("a folder");
    let rig = loose_rig(folder.path());
    let out = folder.path().join("reports");
    let out = out.to_str().expect("UTF-8");
    for (loose, expected) in [("loose-command", "check the command clip"), ("loose-supply", "check the supply clips")] {
        std::fs::write(folder.path().join(loose), "").expect("the folder can be written");
        let (outcomes, said) = crate_on(&rig, out, &[], "TQ-0001\n\nskip clip is worn\nquit\n");
        assert!(said.contains(expected) && said.contains("put the clip right"), "{said}");
        assert_eq!(outcomes[0]["grade"], Value::Null);
        assert!(listed(out).is_empty(), "nothing was judged");
        std::fs::remove_file(folder.path().join(loose)).expect("it was there");
    }
    // Unattended the unit is passed over with the reason, and still waits for the next day.
    std::fs::write(folder.path().join("loose-command"), "").expect("the folder can be written");
    let (outcomes, _) = crate_on(&rig, out, &["--unattended"], "");
    assert_eq!(ran(&outcomes), ["TQ-0001"]);
    assert!(outcomes[0]["contact"][0].as_str().is_some_and(|why| why.contains("command clip")));
    std::fs::remove_file(folder.path().join("loose-command")).expect("it was there");
    let (outcomes, said) = crate_on(&rig, out, &["--unattended"], "");
    assert_eq!(outcomes[0]["contact"], Value::Array(Vec::new()), "{said}");
    assert_ne!(outcomes[0]["grade"], Value::Null, "{said}");
}

#[test]
fn a_bench_that_fails_ends_the_crate_with_4_and_energises_nothing_more() {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().to_str().expect("UTF-8");
    register(out, &["TQ-0001", "TQ-0002"]);
    let rig = std::fs::read_to_string("rigs/external.toml").expect("the rig file is there");
    let rig = rig.replace("\"examples/simple_fan.py\"", "\"tests/external/faulty.py\", \"exit\"");
    let path = folder.path().join("rig.toml");
    std::fs::write(&path, rig).expect("the folder can be written");
    let rig = path.to_str().expect("UTF-8");
    let plan = "tests/fixtures/plans/short.toml";
    let crate_of = ["crate", "--rig", rig, "--plan", plan, "--batch", "may-shelf-3", "--out", out, "--unattended"];
    let output = galebench(&crate_of, "");
    assert_eq!(output.status.code(), Some(4), "{}", text(&output.stderr));
    assert!(text(&output.stdout).contains("2 registered units left"), "{}", text(&output.stdout));
    assert!(!text(&output.stderr).contains("TQ-0002"), "{}", text(&output.stderr));
}

#[test]
fn units_of_a_crate_on_the_virtual_bench_differ_and_each_comes_out_the_same_again() {
    let run = |jobs: &str| {
        let folder = tempfile::tempdir().expect("a folder");
        let out = folder.path().to_str().expect("UTF-8");
        register(out, &["TQ-0001", "TQ-0002", "TQ-0003", "TQ-0004"]);
        let more = ["--unattended", "--seed", "1001", "--jobs", jobs];
        let (outcomes, _) = crate_on("rigs/virtual.toml", out, &more, "");
        let ramp = |outcome: &Value| {
            let dir = outcome["dir"].as_str().expect("a folder");
            let results = std::fs::read(Path::new(dir).join("results.json")).expect("results");
            let results: Value = serde_json::from_slice(&results).expect("JSON");
            (
                outcome["unit"].as_str().unwrap_or_default().to_owned(),
                results["results"]["ramp_10_90_s"]["value"].as_f64(),
            )
        };
        let mut ramps: Vec<_> = outcomes.as_array().expect("a list").iter().map(ramp).collect();
        ramps.sort_by(|a, b| a.0.cmp(&b.0));
        ramps
    };
    let (one, two) = (run("1"), run("2"));
    assert_eq!(one, two);
    let mut values: Vec<f64> = one.iter().filter_map(|ramp| ramp.1).collect();
    values.dedup();
    assert_eq!(values.len(), 4, "{one:?}");
}
