//! Whole runs of the program through devices of a real kernel: a guest kernel with simulated lines, a pulse output and a
//! converter, the unit played on their other side (`tests/kernel-box/README.md`). Guest time stands still while the guest
//! has work to do, so a busy machine changes no result.
//!
//! Where the guest kernel can't be had or doesn't boot, every test here says NOT RUN and why.

mod support;

use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::{Mutex, MutexGuard, OnceLock, PoisonError};
use std::time::{Duration, Instant};

use galebench::config;
use galebench::driver::virtual_bench::VirtualBench;
use galebench::ops::analyze::analyze;
use galebench::ops::document::Evaluated;
use galebench::plant::truth::truth;
use galebench::record::csv_import::TraceOptions;
use galebench::record::reader;
use galebench::results::ResultName;
use rustix::process::{Pid, Signal, kill_process_group};

const SEED: u64 = 7;
/// A box that takes longer hangs.
const LONGEST: Duration = Duration::from_secs(300);
/// How long the monostable on the heartbeat line holds the relays, and what a pulse may be late, nanoseconds.
const HOLDS_NS: i128 = 100_000_000;
const LATE_NS: i128 = 30_000_000;

/// Whether the box can be used here; says why not.
fn usable() -> bool {
    static USABLE: OnceLock<bool> = OnceLock::new();
    *USABLE.get_or_init(|| {
        let built = Command::new(support::shipped("tests/kernel-box/build")).output().expect("a shell");
        let why = match built.status.code() {
            Some(0) => {
                let booted = in_box(&["true".to_owned()], &[]);
                if booted.status.success() {
                    return true;
                }
                format!("the guest kernel does not boot: {}", said(&booted))
            }
            Some(77) => said(&built),
            _ => panic!("the box was not built: {}", said(&built)),
        };
        println!("NOT RUN: {why}");
        false
    })
}

fn said(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

/// Each box takes a processor.
fn one_at_a_time() -> MutexGuard<'static, ()> {
    static ONE: Mutex<()> = Mutex::new(());
    ONE.lock().unwrap_or_else(PoisonError::into_inner)
}

fn box_command(command: &[String], environment: &[(&str, &str)]) -> Command {
    let mut run = Command::new(support::shipped("tests/kernel-box/run"));
    run.args(command).envs(environment.iter().copied()).env("BOX_SECONDS", LONGEST.as_secs().to_string());
    run
}

/// Runs `command` in the box.
fn in_box(command: &[String], environment: &[(&str, &str)]) -> Output {
    let _one = one_at_a_time();
    box_command(command, environment).output().expect("a shell")
}

/// A run of the triage in the box.
struct Session {
    folder: tempfile::TempDir,
    status: Option<i32>,
    said: String,
}

impl Session {
    /// Runs it, and beside it the shell command `meanwhile`.
    fn run(meanwhile: &str) -> Self {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let output = in_box(&session(folder.path(), folder.path(), meanwhile), &[]);
        Self { status: output.status.code(), said: said(&output), folder }
    }

    fn file(&self, name: &str) -> String {
        std::fs::read_to_string(self.folder.path().join(name)).unwrap_or_default()
    }

    /// When what the plant saw on the lines changed, nanoseconds: the line, and its level.
    fn changes(&self) -> Vec<(i128, String, bool)> {
        let log = self.file("relay");
        let parse = |line: &str| {
            let mut words = line.split(' ');
            Some((words.next()?.parse().ok()?, words.next()?.to_owned(), words.next()? == "1"))
        };
        log.lines().map(|line| parse(line).expect("a line of the plant's log")).collect()
    }

    /// The last change of `line` to `level`.
    fn last(&self, line: &str, level: bool) -> i128 {
        let changes = self.changes();
        let found = changes.iter().rev().find(|change| change.1 == line && change.2 == level);
        found.unwrap_or_else(|| panic!("{line} never {level}: {changes:?}\n{}", self.said)).0
    }

    fn record(&self) -> PathBuf {
        record_in(&self.folder.path().join("reports"))
    }

    fn evaluated(&self) -> Evaluated {
        analyze(&self.record(), &TraceOptions::default()).expect("the record can be analysed")
    }

    /// The program stopped the run by itself and left everything off.
    fn stopped(&self, status: i32, because: &str) {
        assert_eq!(self.status, Some(status), "{}", self.said);
        let document = self.evaluated().document;
        let why = format!("{:?}", document.stopped.expect("it was stopped"));
        assert!(why.contains(because), "{why}");
        assert!(!self.changes().last().expect("the supply was on").2, "{:?}", self.changes());
    }
}

/// The only record under `root`.
fn record_in(root: &Path) -> PathBuf {
    let mut all = reader::list(root).expect("a folder of reports");
    assert_eq!(all.len(), 1, "{all:?}");
    all.remove(0)
}

/// The command that plays a triage: what belongs to the plant in `folder`, reports and record in `reports`.
fn session(folder: &Path, reports: &Path, meanwhile: &str) -> Vec<String> {
    let binaries = Path::new(env!("CARGO_BIN_EXE_galebench")).parent().expect("a folder");
    let script = support::shipped("tests/kernel-box/session");
    let plan = support::shipped("test-plans/quick.toml");
    let reports = reports.join("reports");
    [script.as_path(), binaries, folder, &plan, &reports]
        .map(|path| path.to_str().expect("a path of letters").to_owned())
        .into_iter()
        .chain([SEED.to_string(), meanwhile.to_owned()])
        .collect()
}

#[test]
fn a_triage_through_kernel_devices_agrees_with_the_plant() {
    use ResultName as R;
    if !usable() {
        return;
    }
    let session = Session::run("");
    assert_eq!(session.status, Some(0), "{}", session.said);
    assert_eq!(session.file("behind"), "0", "the plant was late");
    let evaluated = session.evaluated();
    assert_eq!(evaluated.recording.lost, 0, "samples were lost");

    let mut rig = config::load_rig(&support::shipped("tests/kernel-box/plant.toml")).expect("a rig");
    let spec = support::virtual_spec(&mut rig).clone();
    let plan = support::plan("test-plans/quick.toml");
    let truth = truth(&VirtualBench::plant_config(&rig, &spec, SEED), &support::conditions(&evaluated, &plan));
    let wrong: Vec<_> = [R::StartDutyPct, R::SaturationDutyPct, R::Ramp1090S, R::SoftStartShare]
        .into_iter()
        .filter_map(|name| {
            let truth = support::true_number(&truth, name).expect("the plant has one");
            let Some(found) = evaluated.document.results.get(&name) else { return Some(format!("{name} absent")) };
            let [low, high] = found.interval.expect("an interval");
            let (low, high) = (low.unwrap_or(f64::NEG_INFINITY), high.unwrap_or(f64::INFINITY));
            let value = found.as_number().expect("a number");
            println!("{name}: {value:.4} in {low:.4} to {high:.4}, truth {truth:.4}");
            // Twice as far off as on the virtual bench.
            let inside = (2.0 * low - value..=2.0 * high - value).contains(&truth);
            (!inside).then(|| format!("{name} {value} ({low} to {high}), truth {truth}"))
        })
        .collect();
    assert!(wrong.is_empty(), "{wrong:?}");
    let level = evaluated.document.results.get(&R::ActiveLevel).and_then(|level| level.as_word());
    assert_eq!(level, truth.active_level);
}

#[test]
fn the_emergency_stop_opens_the_relay_at_once() {
    if !usable() {
        return;
    }
    let session = Session::run("sleep 12; touch press");
    session.stopped(3, "mergency");
    let took_ns = session.last("relay", false) - session.last("stop", true);
    println!("emergency stop to relay: {:.1} ms of guest time", took_ns as f64 / 1e6);
    // Seen with the next block of samples, 20 ms, and one more for what waits.
    assert!((0..50_000_000).contains(&took_ns), "{took_ns} ns");
}

#[test]
fn a_converter_unplugged_in_the_run_ends_it_with_the_supply_off() {
    if !usable() {
        return;
    }
    let session = Session::run("sleep 12; echo iio-bench > /sys/bus/platform/drivers/iio-bench/unbind");
    assert_eq!(session.file("meanwhile"), "", "the converter stayed");
    session.stopped(4, "iio");
}

#[test]
fn lines_in_use_are_refused_and_the_run_that_has_them_goes_on() {
    if !usable() {
        return;
    }
    let second = "sleep 12; \"$bin/galebench\" run --rig \"$here/bench.toml\" --plan \"$plan\" --unit TQ-0002 \
                  --out \"$folder/second\" --quiet; echo \"status $?\"";
    let session = Session::run(second);
    assert_eq!(session.status, Some(0), "{}", session.said);
    let second = session.file("meanwhile");
    assert!(second.contains("status 4") && second.contains("supply-relay"), "{second}");
    assert!(session.evaluated().document.stopped.is_none());
}

#[test]
fn killed_outright_the_monostable_opens_the_relay() {
    if !usable() {
        return;
    }
    let session = Session::run("sleep 12; cut -d' ' -f1 /proc/uptime; kill -9 $(cat running)");
    let killed_s: f64 = session.file("meanwhile").trim().parse().expect("the time of the kill");
    let fell_ns = session.last("monostable", false);
    let took_ns = fell_ns - (killed_s * 1e9) as i128;
    println!("killed to relay open: {:.0} ms of guest time", took_ns as f64 / 1e6);
    // /proc/uptime has hundredths of a second.
    assert!((0..HOLDS_NS + LATE_NS).contains(&took_ns), "{took_ns} ns");
    let relay = session.last("relay", false);
    assert!(relay >= fell_ns && relay - fell_ns < LATE_NS, "{:?}", session.changes());
    // The record outlives it too.
    let recording = reader::read(&session.record()).expect("a record").0;
    assert!(recording.end_s > 9.0, "{} s", recording.end_s);
}

/// The guest is killed while its program records to a disk of its own: what was on its way to the disk is gone, and the
/// record is there. Killing the program alone would prove nothing, since the page cache outlives it.
#[test]
fn the_record_outlives_a_power_cut() {
    if !usable() {
        return;
    }
    let folder = tempfile::tempdir().expect("a temporary folder");
    let disk = folder.path().join("disk");
    std::fs::File::create(&disk).and_then(|file| file.set_len(64 << 20)).expect("a disk");
    let made = Command::new("mkfs.ext4").arg("-q").arg(&disk).env("PATH", "/usr/sbin:/sbin:/usr/bin:/bin").status();
    assert!(made.is_ok_and(|status| status.success()), "mkfs.ext4 fails: install e2fsprogs");
    let disk = [("BOX_DISK", disk.to_str().expect("a path of letters"))];

    // A loop that never waits lets no guest time pass, so that the cut comes at this moment whatever the host does.
    let cut_at = "sleep 12; echo now; while :; do :; done";
    cut_off(&session(folder.path(), Path::new("/run/disk"), cut_at), &disk, &folder.path().join("meanwhile"));
    let kept = folder.path().join("kept");
    let copy = ["cp", "-r", "/run/disk/reports", kept.to_str().expect("a path of letters")].map(str::to_owned);
    let copied = in_box(&copy, &disk);
    assert!(copied.status.success(), "{}", said(&copied));

    let recording = reader::read(&record_in(&kept)).expect("a record").0;
    println!("of about 11 s, {:.2} s were on the disk", recording.end_s);
    // The program starts within a second; the last second may be missing.
    assert!((9.5..12.0).contains(&recording.end_s), "{} s", recording.end_s);
    assert!(recording.settings.len() > 3, "{:?}", recording.settings);
}

/// Runs `command` in the box and kills the box, as a power cut would, once `mark` has something in it.
fn cut_off(command: &[String], environment: &[(&str, &str)], mark: &Path) {
    let _one = one_at_a_time();
    let mut guest = box_command(command, environment).process_group(0).spawn().expect("a shell");
    let group = i32::try_from(guest.id()).ok().and_then(Pid::from_raw).expect("a process");
    let begun = Instant::now();
    while std::fs::read(mark).unwrap_or_default().is_empty() {
        let ended = guest.try_wait().expect("a process of ours");
        assert!(ended.is_none() && begun.elapsed() < LONGEST, "the run never came to the cut: {ended:?}");
        std::thread::sleep(Duration::from_millis(50));
    }
    kill_process_group(group, Signal::KILL).expect("a group of ours");
    guest.wait().expect("a process of ours");
}
