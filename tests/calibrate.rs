//! Calibration and self-check with a bench whose current sensor is off by a known gain and offset.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use galebench::bench::Channel;
use galebench::config;
use galebench::config::calibration::{Entry, path_for};

const GAIN: f64 = 1.03;
const OFFSET_A: f64 = 0.21;
const OHM: f64 = 1.5;

/// A rig on `resistor.py` with these references to drive.
fn rig(folder: &Path, references: &str) -> PathBuf {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(root.join("rigs/external.toml")).expect("the shipped rig");
    let mut kept = String::new();
    let mut keep = true;
    for line in text.lines() {
        if line.starts_with('[') {
            let gone = ["[channel.output_v]", "[channel.case_c]", "[channel.ambient_c]", "[tach]"];
            keep = !gone.contains(&line.trim());
        }
        if keep {
            kept += line;
            kept.push('\n');
        }
    }
    let script = root.join("tests/external/resistor.py");
    let mut command = vec![script.display().to_string(), GAIN.to_string(), OFFSET_A.to_string(), OHM.to_string()];
    command.extend(references.split_whitespace().map(str::to_owned));
    let quoted: Vec<String> = command.iter().map(|word| format!("\"{word}\"")).collect();
    let command = format!("command = [\"python3\", {}]", quoted.join(", "));
    let kept = kept.replace("command = [\"python3\", \"examples/simple_fan.py\"]", &command);
    let path = folder.join("bench.toml");
    std::fs::write(&path, kept).expect("a rig");
    path
}

fn galebench(arguments: &[&str], typed: &str) -> Output {
    let mut child = Command::new(env!("CARGO_BIN_EXE_galebench"))
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program runs");
    child.stdin.take().expect("a pipe").write_all(typed.as_bytes()).expect("it listens");
    child.wait_with_output().expect("it ends")
}

fn calibrate(rig: &Path, typed: &str, more: &[&str]) -> Output {
    let rig = rig.display().to_string();
    let mut arguments = vec!["calibrate", &rig, "supply_a", "--reference", "shunt 7, certificate 118"];
    arguments.extend(["--reference-u", "0.1 %", "--operator", "A. Keeper"]);
    arguments.extend(more);
    galebench(&arguments, typed)
}

fn entries(rig: &Path) -> Vec<Entry> {
    config::calibration::load(&path_for(rig)).map_err(|problems| problems.to_string()).expect("a file that reads")
}

fn self_check(folder: &Path, rig: &Path) -> (Option<i32>, String) {
    let (rig, out) = (rig.display().to_string(), folder.join("reports").display().to_string());
    let load = format!("{OHM} Ohm");
    let arguments = ["self-check", "--quiet", "--rig", &rig, "--load", &load, "--load-u", "0.1 %", "--out", &out];
    let output = galebench(&arguments, "");
    (
        output.status.code(),
        String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr),
    )
}

#[test]
fn what_the_sensor_is_off_is_found_kept_and_put_right() {
    let folder = tempfile::tempdir().expect("a folder");
    // The rig as stated does not know that its sensor is off; nobody has calibrated it.
    let rig = rig(folder.path(), "0 5 10 20 50");
    let before = std::fs::read_to_string(&rig).expect("the rig");
    let output = calibrate(&rig, "0 A\n5 A\nfive\n10 A\n20 A\n50 A\n\n", &[]);
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert_eq!(output.status.code(), Some(0), "{said} {}", String::from_utf8_lossy(&output.stderr));
    assert!(String::from_utf8_lossy(&output.stderr).contains("not taken"), "a slip is not taken for a value");
    let [Entry::Calibration(found)] = &entries(&rig)[..] else { panic!("one calibration") };
    // The line goes from reading to value: 1 / gain, -offset / gain.
    assert!((found.gain - 1.0 / GAIN).abs() < 3.0 * found.gain_u, "{found:?}");
    assert!((found.offset + OFFSET_A / GAIN).abs() < 3.0 * found.offset_u, "{found:?}");
    assert!((0.0009..0.0012).contains(&found.gain_u), "the reference's 0.1 % rules: {found:?}");
    assert_eq!((found.operator.as_str(), found.points.len()), ("A. Keeper", 5));
    assert_eq!(std::fs::read_to_string(&rig).expect("the rig"), before, "the rig file itself is left alone");

    // Samples and uncertainty follow.
    let loaded = config::load_rig(&rig).map_err(|problems| problems.to_string()).expect("a rig");
    let facts = config::bench_facts(&loaded);
    assert!((facts.channels[&Channel::SupplyA].gain_u - found.gain_u / found.gain).abs() < 1e-12);

    // A second one is added, the history kept, the change told of in u.
    assert_eq!(calibrate(&rig, "0 A\n5 A\n10 A\n20 A\n50 A\n", &["--valid", "30"]).status.code(), Some(0));
    assert_eq!(entries(&rig).len(), 2);
    let history = galebench(&["calibrate", &rig.display().to_string(), "supply_a", "--history"], "");
    assert_eq!(String::from_utf8_lossy(&history.stdout).lines().count(), 2);
}

#[test]
fn a_self_check_fails_until_the_channel_is_calibrated() {
    let folder = tempfile::tempdir().expect("a folder");
    // 0.21 A of offset is taken for a zero that wanders by what the rig states; the gain is what is off.
    let rig = rig(folder.path(), "0 0 0 0 0 0 0");
    let (status, said) = self_check(folder.path(), &rig);
    assert_eq!(status, Some(4), "{said}");
    assert!(said.contains("FAIL") && said.contains("calibrate"), "{said}");

    let points = folder.path().join("points.csv");
    let rows: String = [0.0, 10.0, 50.0].map(|amps: f64| format!("{amps},{},0.001\n", GAIN * amps + OFFSET_A)).concat();
    std::fs::write(&points, format!("reference,reading,reading_u\n{rows}")).expect("points");
    let points = points.display().to_string();
    assert_eq!(calibrate(&rig, "", &["--points", &points]).status.code(), Some(0));
    let (status, said) = self_check(folder.path(), &rig);
    assert_eq!(status, Some(0), "{said}");
    assert!(said.contains("pass"), "{said}");
}

#[test]
fn a_calibration_that_is_over_fails_the_preflight_and_nonsense_is_refused() {
    let folder = tempfile::tempdir().expect("a folder");
    let rig = rig(folder.path(), "0 10 20");
    assert_eq!(calibrate(&rig, "0 A\n10 A\n20 A\n", &["--valid", "30"]).status.code(), Some(0));
    let path = path_for(&rig);
    let line = std::fs::read_to_string(&path).expect("the file");
    let expires = line.split("\"expires\":\"").nth(1).and_then(|rest| rest.split('"').next()).expect("a time");
    std::fs::write(&path, line.replace(expires, "2025-05-01T00:00:00Z")).expect("an old one");
    let (status, said) = self_check(folder.path(), &rig);
    assert_eq!(status, Some(4), "{said}");
    assert!(said.contains("was calibrated until 2025-05-01"), "{said}");

    assert_eq!(calibrate(&rig, "0 A\n", &[]).status.code(), Some(2), "one point is no line");
    assert_eq!(calibrate(&rig, "", &["--low"]).status.code(), Some(2), "there is no low range");
    std::fs::write(&path, "nonsense\n").expect("a file");
    assert_eq!(calibrate(&rig, "0 A\n10 A\n", &[]).status.code(), Some(2));
}
