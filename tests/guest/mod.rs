//! The guest kernel of `tests/kernel-box`, and runs of the triage in it: shared by the tests of what runs there. Guest time
//! stands still while the guest has work to do, so a busy machine changes no result.

#![allow(dead_code, reason = "each user of this file needs a part of it")]

use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::{Mutex, MutexGuard, OnceLock, PoisonError};
use std::time::Duration;

use galebench::config;
use galebench::driver::virtual_bench::VirtualBench;
use galebench::ops::analyze::analyze;
use galebench::ops::document::Evaluated;
use galebench::plant::truth::truth;
use galebench::record::csv_import::TraceOptions;
use galebench::record::reader;
use galebench::results::ResultName;

use crate::support;

const SEED: u64 = 7;
/// A box that takes longer hangs.
pub(crate) const LONGEST: Duration = Duration::from_secs(300);
/// How long the monostable on the heartbeat line holds the relays, and what a pulse may be late, nanoseconds.
pub(crate) const HOLDS_NS: i128 = 100_000_000;
pub(crate) const LATE_NS: i128 = 30_000_000;

/// Whether the box can be used here; says why not.
pub(crate) fn usable() -> bool {
    static USABLE: OnceLock<bool> = OnceLock::new();
    *USABLE.get_or_init(|| {
        let build = support::shipped("tests/kernel-box/build");
        let built = Command::new(build).env("BOX_ONLY_BUILT", "1").output().expect("a shell");
        let why = match built.status.code() {
            Some(0) => match in_box(&["true".to_owned()], &[]) {
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

/// What a command printed.
pub(crate) fn said(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

/// Each box takes a processor.
pub(crate) fn one_at_a_time() -> MutexGuard<'static, ()> {
    static ONE: Mutex<()> = Mutex::new(());
    ONE.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The program that runs `command` in the box.
pub(crate) fn box_command(command: &[String], environment: &[(&str, &str)]) -> Command {
    let mut run = Command::new(support::shipped("tests/kernel-box/run"));
    run.args(command).envs(environment.iter().copied()).env("BOX_SECONDS", LONGEST.as_secs().to_string());
    run
}

/// Runs `command` in the box.
pub(crate) fn in_box(command: &[String], environment: &[(&str, &str)]) -> Output {
    let _one = one_at_a_time();
    box_command(command, environment).output().expect("a shell")
}

/// The only record under `root`.
pub(crate) fn record_in(root: &Path) -> PathBuf {
    let mut all = reader::list(root).expect("a folder of reports");
    assert_eq!(all.len(), 1, "{all:?}");
    all.remove(0)
}

/// A run of the triage in the box.
pub(crate) struct Session {
    folder: tempfile::TempDir,
    /// Exit status of the program.
    pub(crate) status: Option<i32>,
    /// What it and the box printed.
    pub(crate) said: String,
}

impl Session {
    /// Runs it by `script` of `tests/kernel-box`, and beside it the shell command `meanwhile`; `more` makes further
    /// arguments of the script for the folder of the session.
    pub(crate) fn run(script: &str, meanwhile: &str, more: impl FnOnce(&Path) -> Vec<String>) -> Self {
        Self::run_with(&[], script, meanwhile, more)
    }

    /// The same in a box that `environment` makes otherwise.
    pub(crate) fn run_with(
        environment: &[(&str, &str)],
        script: &str,
        meanwhile: &str,
        more: impl FnOnce(&Path) -> Vec<String>,
    ) -> Self {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let binaries = Path::new(env!("CARGO_BIN_EXE_galebench")).parent().expect("a folder");
        let script = support::shipped(&format!("tests/kernel-box/{script}"));
        let (plan, reports) = (support::shipped("test-plans/quick.toml"), folder.path().join("reports"));
        let words = [script.as_path(), binaries, folder.path(), &plan, &reports];
        let mut command = words.map(|path| path.to_str().expect("a path of letters").to_owned()).to_vec();
        command.extend([SEED.to_string(), meanwhile.to_owned()]);
        command.extend(more(folder.path()));
        let output = in_box(&command, environment);
        Self { status: output.status.code(), said: said(&output), folder }
    }

    /// What stands in a file of the session; nothing where there is none.
    pub(crate) fn file(&self, name: &str) -> String {
        std::fs::read_to_string(self.folder.path().join(name)).unwrap_or_default()
    }

    /// When the plant last saw `what` at `level`, nanoseconds.
    pub(crate) fn last(&self, what: &str, level: bool) -> i128 {
        let log = self.file("relay");
        let wanted = format!(" {what} {}", u8::from(level));
        let found = log.lines().rev().find_map(|line| line.strip_suffix(&wanted));
        found.unwrap_or_else(|| panic!("{what} never {level}: {log}\n{}", self.said)).parse().expect("nanoseconds")
    }

    /// Its record.
    pub(crate) fn record(&self) -> PathBuf {
        record_in(&self.folder.path().join("reports"))
    }

    /// What the record says.
    pub(crate) fn evaluated(&self) -> Evaluated {
        analyze(&self.record(), &TraceOptions::default()).expect("the record can be analysed")
    }

    /// The program stopped the run by itself and left everything off.
    pub(crate) fn stopped(&self, status: i32, because: &str) {
        assert_eq!(self.status, Some(status), "{}", self.said);
        let why = format!("{:?}", self.evaluated().document.stopped.expect("it was stopped"));
        assert!(why.contains(because), "{why}");
        assert!(self.last("relay", false) > self.last("relay", true), "{}", self.file("relay"));
    }

    /// The relay opened at once after `cause`, another entry of the plant's log.
    pub(crate) fn opened_at_once(&self, cause: &str) {
        let took_ns = self.last("relay", false) - self.last(cause, true);
        println!("{cause} to relay: {:.1} ms of guest time", took_ns as f64 / 1e6);
        // Seen with the next block of samples, 20 ms, and one more for what waits.
        assert!((0..50_000_000).contains(&took_ns), "{took_ns} ns");
    }

    /// The run came through with nothing lost, and what it found is what the plant played, at most twice as far off as on
    /// the virtual bench.
    pub(crate) fn agrees(&self) -> Evaluated {
        use ResultName as R;
        assert_eq!(self.status, Some(0), "{}", self.said);
        let evaluated = self.evaluated();
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
            let twice = 2.0 * low - value..=2.0 * high - value;
            assert!(twice.contains(&truth), "{name} {value} ({low} to {high}): {truth}");
        }
        let level = evaluated.document.results.get(&R::ActiveLevel).and_then(|level| level.as_word());
        assert_eq!(level, truth.active_level);
        evaluated
    }
}
