//! Whole runs through the driver of a Raspberry Pi in the guest kernel of `tests/kernel-box`: its library maps registers,
//! holds lines and talks to buses as on its board, and the unit is played on the other side of them.
//!
//! Where the guest kernel can't be had or doesn't boot, every test here says NOT RUN and why.
#![cfg(all(target_os = "linux", feature = "raspberry"))]

mod support;

use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::{Mutex, OnceLock, PoisonError};

use galebench::config;
use galebench::driver::virtual_bench::VirtualBench;
use galebench::ops::analyze::analyze;
use galebench::ops::document::Evaluated;
use galebench::plant::truth::truth;
use galebench::record::csv_import::TraceOptions;
use galebench::record::reader;
use galebench::results::ResultName;

const SEED: u64 = 7;

/// Whether the box can be used here; says why not.
fn usable() -> bool {
    static USABLE: OnceLock<bool> = OnceLock::new();
    *USABLE.get_or_init(|| {
        let build = support::shipped("tests/kernel-box/build");
        let built = Command::new(build).env("BOX_ONLY_BUILT", "1").output().expect("a shell");
        let why = match built.status.code() {
            Some(0) => match in_box(&["true".to_owned()]) {
                booted if booted.status.success() => return true,
                booted => format!("the guest kernel does not boot: {}", said(&booted)),
            },
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

/// Runs `command` in the box, one box at a time: each takes a processor.
fn in_box(command: &[String]) -> Output {
    static ONE: Mutex<()> = Mutex::new(());
    let _one = ONE.lock().unwrap_or_else(PoisonError::into_inner);
    let mut run = Command::new(support::shipped("tests/kernel-box/run"));
    run.args(command).env("BOX_SECONDS", "300").output().expect("a shell")
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
        let binaries = Path::new(env!("CARGO_BIN_EXE_galebench")).parent().expect("a folder");
        let script = support::shipped("tests/kernel-box/raspberry-session");
        let (plan, reports) = (support::shipped("test-plans/quick.toml"), folder.path().join("reports"));
        let words = [script.as_path(), binaries, folder.path(), &plan, &reports];
        let words = words.map(|path| path.to_str().expect("a path of letters").to_owned()).into_iter();
        let output = in_box(&words.chain([SEED.to_string(), meanwhile.to_owned()]).collect::<Vec<_>>());
        Self { status: output.status.code(), said: said(&output), folder }
    }

    fn file(&self, name: &str) -> String {
        std::fs::read_to_string(self.folder.path().join(name)).unwrap_or_default()
    }

    /// When the plant last saw `what` at `level`, nanoseconds.
    fn last(&self, what: &str, level: bool) -> i128 {
        let log = self.file("relay");
        let wanted = format!(" {what} {}", u8::from(level));
        let found = log.lines().rev().find_map(|line| line.strip_suffix(&wanted));
        found.unwrap_or_else(|| panic!("{what} never {level}: {log}\n{}", self.said)).parse().expect("nanoseconds")
    }

    fn record(&self) -> PathBuf {
        let mut all = reader::list(&self.folder.path().join("reports")).expect("a folder of reports");
        assert_eq!(all.len(), 1, "{all:?}");
        all.remove(0)
    }

    fn evaluated(&self) -> Evaluated {
        analyze(&self.record(), &TraceOptions::default()).expect("the record can be analysed")
    }

    /// The program stopped the run by itself and left everything off.
    fn stopped(&self, status: i32, because: &str) {
        assert_eq!(self.status, Some(status), "{}", self.said);
        let why = format!("{:?}", self.evaluated().document.stopped.expect("it was stopped"));
        assert!(why.contains(because), "{why}");
        assert!(self.last("relay", false) > self.last("relay", true));
    }
}

#[test]
fn a_triage_through_registers_and_buses_agrees_with_the_plant() {
    use ResultName as R;
    if !usable() {
        return;
    }
    let session = Session::run("");
    assert_eq!(session.status, Some(0), "{}", session.said);
    let evaluated = session.evaluated();
    assert_eq!(evaluated.recording.lost, 0, "samples or edges were lost");

    let mut rig = config::load_rig(&support::shipped("tests/kernel-box/plant.toml")).expect("a rig");
    let spec = support::virtual_spec(&mut rig).clone();
    let plan = support::plan("test-plans/quick.toml");
    let truth = truth(&VirtualBench::plant_config(&rig, &spec, SEED), &support::conditions(&evaluated, &plan));
    for name in [R::StartDutyPct, R::SaturationDutyPct, R::Ramp1090S, R::SoftStartShare] {
        let truth = support::true_number(&truth, name).expect("the plant has one");
        let found = evaluated.document.results.get(&name).unwrap_or_else(|| panic!("{name} is absent"));
        let [low, high] = found.interval.expect("an interval");
        let (low, high) = (low.unwrap_or(f64::NEG_INFINITY), high.unwrap_or(f64::INFINITY));
        let value = found.as_number().expect("a number");
        println!("{name}: {value:.4} in {low:.4} to {high:.4}, truth {truth:.4}");
        // Twice as far off as on the virtual bench.
        assert!((2.0 * low - value..=2.0 * high - value).contains(&truth), "{name} {value} ({low} to {high}): {truth}");
    }
    // A slow part on I2C and a coarse converter tell the same air as the plant had it.
    let ambient_c = spec.ambient.get();
    for channel in [galebench::bench::Channel::CaseC, galebench::bench::Channel::AmbientC] {
        let first = evaluated.recording.channels[&channel].samples(0.0, 1.0).next().expect("a reading").1;
        assert!((first - ambient_c).abs() < 1.5, "{channel}: {first} where the air has {ambient_c}");
    }
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
    let session = Session::run("sleep 12; echo spi0.0 > /sys/bus/spi/drivers/spidev/unbind");
    assert_eq!(session.file("meanwhile"), "", "the converter stayed");
    session.stopped(4, "mcp3208");
}

#[test]
fn pins_in_use_are_refused_and_the_run_that_has_them_goes_on() {
    if !usable() {
        return;
    }
    let second = "sleep 12; \"$bin/galebench\" preflight --rig \"$here/raspberry.toml\" --out \"$folder/second\"; \
                  echo \"status $?\"";
    let session = Session::run(second);
    assert_eq!(session.status, Some(0), "{}", session.said);
    let second = session.file("meanwhile");
    assert!(
        second.contains("status 4") && second.contains("gpio:GPIO17: the line is in use by `galebench`"),
        "{second}"
    );
    assert!(session.evaluated().document.stopped.is_none());
}

/// Killed outright the program can do nothing: the monostable on its heartbeat opens the relay. The kernel has its lines
/// back, and the next start takes them, and the pulse output that went on.
#[test]
fn a_killed_program_loses_the_relay_and_leaves_nothing_that_the_next_start_trips_over() {
    if !usable() {
        return;
    }
    let kill = "sleep 12; cut -d' ' -f1 /proc/uptime; kill -9 $(cat running); sleep 1; cat /sys/class/pwm/pwmchip0/pwm0/enable; \
                \"$bin/galebench\" preflight --rig \"$here/raspberry.toml\" --out \"$folder/second\"; echo \"status $?\"; \
                ls /sys/class/pwm/pwmchip0";
    let session = Session::run(kill);
    assert_eq!(session.status, Some(137), "{}", session.said);
    let meanwhile = session.file("meanwhile");
    let (killed_s, after) = meanwhile.split_once('\n').expect("the time, and what came after it");
    assert!(after.starts_with("1\n"), "the pulses went on: {after}");
    assert!(after.contains("status 0"), "{after}");
    assert!(!after.contains("pwm0"), "given back: {after}");
    let took_ns = session.last("relay", false) - (killed_s.parse::<f64>().expect("seconds") * 1e9) as i128;
    println!("killed to relay open: {:.0} ms of guest time", took_ns as f64 / 1e6);
    // Held for 100 ms after the last beat, which lies up to 15 ms before; /proc/uptime has hundredths of a second.
    assert!((70_000_000..130_000_000).contains(&took_ns), "{took_ns} ns");
}
