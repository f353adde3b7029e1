//! The preflight on the virtual bench with faults of the bench itself: each is told, and nothing is energised.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use galebench::bench::Supply;
use galebench::record::event::Event;
use galebench::record::preflight::{Check, Finding};
use galebench::record::reader;

fn shipped(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// A copy of the virtual rig with `find` replaced by `put`.
fn rig(folder: &Path, find: &str, put: &str) -> PathBuf {
    let text = std::fs::read_to_string(shipped("rigs/virtual.toml")).expect("the shipped rig");
    assert!(text.contains(find), "the rig has no {find}");
    let path = folder.join("rig.toml");
    std::fs::write(&path, text.replace(find, put)).expect("a rig");
    path
}

fn with_fault(folder: &Path, fault: &str) -> PathBuf {
    rig(folder, "faults = []", &format!("faults = []\nbench_faults = [\"{fault}\"]"))
}

fn galebench(folder: &Path, arguments: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_galebench"));
    command.args(arguments).arg("--out").arg(folder.join("reports")).output().expect("the program runs")
}

/// What a run left: its exit status, the lines of its preflight, and whether the supply was ever commanded on.
fn run(folder: &Path, rig: &Path, more: &[&str]) -> (Option<i32>, Vec<Check>, bool) {
    let (plan, rig) = (shipped("test-plans/quick.toml"), rig.display().to_string());
    let plan = plan.display().to_string();
    let mut arguments = vec!["run", "--quiet", "--rig", &rig, "--plan", &plan, "--unit", "TQ-0001"];
    arguments.extend(more);
    let output = galebench(folder, &arguments);
    let unit = folder.join("reports/unsorted/TQ-0001");
    let dir = std::fs::read_dir(unit).expect("runs of the unit").next().expect("a run").expect("its folder").path();
    let (recording, _) = reader::read(&dir).expect("a record");
    let mut checks = Vec::new();
    let mut energised = false;
    for line in recording.events {
        match line.event {
            Event::Preflight { checks: found } => checks = found,
            Event::Set { setting } => energised |= setting.supply != Supply::Off,
            _ => {}
        }
    }
    (output.status.code(), checks, energised)
}

fn failed(checks: &[Check]) -> Vec<&str> {
    checks.iter().filter(|check| check.finding == Finding::Fail).map(|check| check.what.as_str()).collect()
}

#[test]
fn a_sound_bench_passes_and_its_lines_are_in_the_record() {
    let folder = tempfile::tempdir().expect("a folder");
    let (status, checks, energised) = run(folder.path(), &shipped("rigs/virtual.toml"), &[]);
    assert_eq!((status, energised), (Some(0), true));
    assert_eq!(failed(&checks), Vec::<&str>::new());
    for what in ["free disk", "clock", "devices", "emergency stop", "supply off", "tach", "relay feedback"] {
        assert!(checks.iter().any(|check| check.what == what && check.finding == Finding::Pass), "{what}: {checks:?}");
    }
    assert!(checks.iter().any(|check| check.what == "supply_a low range noise"), "{checks:?}");
}

#[test]
fn each_fault_of_the_bench_is_told_and_nothing_is_energised() {
    let cases = [
        ("relay-welded", "supply off"),
        ("feedback-stuck", "relay feedback"),
        ("noisy-readings", "supply_v noise"),
        ("zero-off", "supply_a low range zero"),
        ("tach-hum", "tach"),
    ];
    for (fault, what) in cases {
        let folder = tempfile::tempdir().expect("a folder");
        let (status, checks, energised) = run(folder.path(), &with_fault(folder.path(), fault), &[]);
        assert_eq!(status, Some(4), "{fault}");
        assert!(!energised, "{fault}");
        assert!(failed(&checks).contains(&what), "{fault}: {:?}", failed(&checks));
        assert!(checks.iter().filter(|check| check.failed()).all(|check| !check.to_do.is_empty()), "{fault}");
    }
}

#[test]
fn a_stop_that_is_pulled_is_the_operators_and_nothing_is_energised() {
    let folder = tempfile::tempdir().expect("a folder");
    let rig = rig(folder.path(), "# stop_pressed_at = \"30 s\"", "stop_pressed_at = \"0 s\" #");
    let (status, checks, energised) = run(folder.path(), &rig, &[]);
    assert_eq!((status, energised), (Some(3), false));
    assert!(checks.iter().any(|check| check.failed() && check.what == "emergency stop"), "{checks:?}");
}

#[test]
fn a_short_read_by_hand_is_a_finding_of_the_unit_without_power() {
    let folder = tempfile::tempdir().expect("a folder");
    let form = folder.path().join("form.toml");
    let text = "unit = \"TQ-0001\"\n[supply_ground]\nohm = \"0.4 Ohm\"\nohm_reversed = \"0.4 Ohm\"\n";
    std::fs::write(&form, text).expect("a form");
    let form = form.display().to_string();
    let (status, checks, energised) = run(folder.path(), &shipped("rigs/virtual.toml"), &["--form", &form]);
    assert_eq!((status, energised), (Some(3), false));
    assert_eq!(failed(&checks), ["supply to ground"]);
}

#[test]
fn the_command_by_itself_prints_every_line_and_tries_the_emergency_stop() {
    let folder = tempfile::tempdir().expect("a folder");
    let sound = shipped("rigs/virtual.toml").display().to_string();
    let output = galebench(folder.path(), &["preflight", "--rig", &sound]);
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert_eq!(output.status.code(), Some(0), "{text}");
    assert!(text.contains("pass  supply off") && text.trim_end().ends_with("0 failed"), "{text}");
    assert!(!folder.path().join("reports").exists(), "nothing is kept");

    let try_stop = |rig: &str| galebench(folder.path(), &["preflight", "--rig", rig, "--try-stop", "5 s"]);
    let unpressed = try_stop(&sound);
    assert_eq!(unpressed.status.code(), Some(4));
    assert!(String::from_utf8_lossy(&unpressed.stdout).contains("not seen pressed within 5 s"));
    let pressed = rig(folder.path(), "# stop_pressed_at = \"30 s\"", "stop_pressed_at = \"3 s\" #");
    let pressed = try_stop(&pressed.display().to_string());
    let text = String::from_utf8_lossy(&pressed.stdout).into_owned();
    assert_eq!(pressed.status.code(), Some(0), "{text}");
    assert!(text.contains("the supervisor stopped by it"), "{text}");

    let welded = with_fault(folder.path(), "relay-welded").display().to_string();
    let output = galebench(folder.path(), &["preflight", "--rig", &welded, "--json"]);
    assert_eq!(output.status.code(), Some(4));
    let checks: Vec<Check> = serde_json::from_slice(&output.stdout).expect("JSON and nothing else");
    assert!(failed(&checks).contains(&"supply off"), "{checks:?}");

    let blank = galebench(folder.path(), &["preflight", "--blank"]);
    assert!(String::from_utf8_lossy(&blank.stdout).contains("[supply_ground]"));
    let bad = folder.path().join("bad.toml");
    std::fs::write(&bad, "unit = 3\n").expect("a form");
    let bad = bad.display().to_string();
    let output = galebench(folder.path(), &["preflight", "--rig", &sound, "--form", &bad]);
    assert_eq!(output.status.code(), Some(2), "decided before any device was opened");
}
