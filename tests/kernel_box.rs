//! Whole runs of the program through devices of a real kernel: a guest kernel with simulated lines, a pulse output and a
//! converter, the unit played on their other side (`tests/kernel-box/README.md`). Guest time stands still while the guest
//! has work to do, so a busy machine changes no result.
//!
//! Where the guest kernel can't be had or doesn't boot, every test here says NOT RUN and why.

mod support;

use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::{Mutex, MutexGuard, OnceLock, PoisonError};
use std::time::{Duration, Instant};

use galebench::bench::Channel;
use galebench::config;
use galebench::driver::virtual_bench::VirtualBench;
use galebench::ops::analyze::analyze;
use galebench::ops::document::Evaluated;
use galebench::plant::truth::truth;
use galebench::record::csv_import::TraceOptions;
use galebench::record::reader;
use galebench::record::recording::Series;
use galebench::results::ResultName;
use rustix::process::{Pid, Signal, kill_process};

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
        let built = Command::new(support::shipped("tests/kernel-box/build"))
            .env("BOX_ONLY_BUILT", "1")
            .output()
            .expect("a shell");
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

/// What differs from bench.toml with both contacts and the ambient temperature on a CAN bus.
const ON_CAN: [(&str, &str); 4] = [
    ("[control.supply_on]\n", "[can]\ninterface = \"vcan0\"\n\n[control.supply_on]\n"),
    (
        "address = \"gpio:supply-relay\"\nfeedback = \"gpio:relay-feedback\"\n",
        "driver = \"can\"\nframe = { id = 0x210, start = 0, length = 1, bytes = 1 }\n",
    ),
    ("address = \"gpio:pre-charge\"\n", "driver = \"can\"\nframe = { id = 0x210, start = 1, length = 1, bytes = 1 }\n"),
    (
        "address = \"iio:iio-bench/temp1\"\nscale = 1\n",
        "driver = \"can\"\nframe = { id = 0x320, start = 0, length = 16 }\nscale = 0.01\nmax_age = \"200 ms\"\n",
    ),
];

/// A run of the triage in the box.
struct Session {
    folder: tempfile::TempDir,
    status: Option<i32>,
    said: String,
}

impl Session {
    /// Runs it, and beside it the shell command `meanwhile`.
    fn run(meanwhile: &str) -> Self {
        Self::with(meanwhile, |_| Vec::new())
    }

    /// The same with more arguments of the session.
    fn with(meanwhile: &str, more: impl FnOnce(&Path) -> Vec<String>) -> Self {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let mut command = session(folder.path(), meanwhile);
        command.extend(more(folder.path()));
        let output = in_box(&command, &[]);
        Self { status: output.status.code(), said: said(&output), folder }
    }

    /// The same with both contacts and the ambient temperature on a CAN bus.
    fn on_can(meanwhile: &str) -> Self {
        Self::with(meanwhile, |folder| {
            let mut rig = std::fs::read_to_string(support::shipped("tests/kernel-box/bench.toml")).expect("the rig");
            for (here, there) in ON_CAN {
                assert_eq!(rig.matches(here).count(), 1, "{here}");
                rig = rig.replace(here, there);
            }
            let path = folder.join("can.toml");
            std::fs::write(&path, rig).expect("a file");
            vec![path.to_str().expect("a path of letters").to_owned(), "can-node".to_owned()]
        })
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

/// The command that plays a triage and leaves everything in `folder`.
fn session(folder: &Path, meanwhile: &str) -> Vec<String> {
    let binaries = Path::new(env!("CARGO_BIN_EXE_galebench")).parent().expect("a folder");
    let script = support::shipped("tests/kernel-box/session");
    let plan = support::shipped("test-plans/quick.toml");
    let reports = folder.join("reports");
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
fn too_much_current_opens_the_relay_at_once() {
    if !usable() {
        return;
    }
    let session = Session::run("sleep 12; touch overload");
    session.stopped(3, "current");
    let took_ns = session.last("relay", false) - session.last("overload", true);
    println!("too much current to relay: {:.1} ms of guest time", took_ns as f64 / 1e6);
    assert!((0..50_000_000).contains(&took_ns), "{took_ns} ns");
}

#[test]
fn a_converter_unplugged_in_the_run_ends_it_with_the_supply_off() {
    if !usable() {
        return;
    }
    let session = Session::run("sleep 12; echo iio-bench > /sys/bus/platform/drivers/iio-bench/unbind");
    assert_eq!(session.file("meanwhile"), "", "the converter stayed");
    session.stopped(4, "unplugged");
}

/// Sender and receiver are can-utils: other people's code.
#[test]
fn a_triage_with_sensor_and_contacts_on_a_can_bus_comes_through() {
    if !usable() {
        return;
    }
    let session = Session::on_can("");
    assert_eq!(session.status, Some(0), "{}", session.said);
    let evaluated = session.evaluated();
    let ambient = evaluated.recording.mean(Channel::AmbientC, 0.0, f64::INFINITY).expect("an ambient temperature");
    assert!((ambient - 22.0).abs() < 1e-3, "{ambient} °C");
    assert_eq!(evaluated.recording.lost, 0, "samples were lost");
    let switched = session.file("node");
    let switched: Vec<_> = switched.lines().collect();
    // Off, through the pre-charge, both contacts, the main one alone; off at the end.
    assert!(switched.starts_with(&["00", "02", "03", "01"]), "{switched:?}");
    assert_eq!(switched.last(), Some(&"00"), "{switched:?}");
    assert!(evaluated.document.results.contains_key(&ResultName::StartDutyPct), "{}", session.said);
}

#[test]
fn a_can_interface_that_goes_down_ends_the_run_and_the_node_opens_its_contacts() {
    if !usable() {
        return;
    }
    let session = Session::on_can("sleep 12; cut -d' ' -f1 /proc/uptime; ip link set vcan0 down");
    session.stopped(4, "vcan0");
    let down_s: f64 = session.file("meanwhile").trim().parse().expect("when it went down");
    let took_ns = session.last("relay", false) - (down_s * 1e9) as i128;
    println!("interface down to relay open: {:.0} ms of guest time", took_ns as f64 / 1e6);
    // The node's own time limit, and the turns of a shell.
    assert!((0..200_000_000).contains(&took_ns), "{took_ns} ns");
    assert!(session.said.contains("not confirmed"), "{}", session.said);
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

/// The program is stopped for good, as by a kernel that hangs; nothing in it can act any more. Its lines stay as they
/// are, the relay's among them, so that the monostable alone can have opened the relay. Then it is killed outright.
#[test]
fn a_program_that_hangs_loses_the_relay_by_its_heartbeat() {
    if !usable() {
        return;
    }
    let hang = "sleep 12; cut -d' ' -f1 /proc/uptime; kill -STOP $(cat running); sleep 1; \
                cat /sys/devices/platform/gpio-sim/gpiochip0/sim_gpio2/value; kill -9 $(cat running)";
    let session = Session::run(hang);
    let meanwhile = session.file("meanwhile");
    let (hung_s, relay_line) = meanwhile.trim().split_once('\n').expect("the time, and the relay's line after it");
    assert_eq!(relay_line, "1", "the line itself fell");
    let fell_ns = session.last("monostable", false);
    let took_ns = fell_ns - (hung_s.parse::<f64>().expect("seconds") * 1e9) as i128;
    println!("hung to relay open: {:.0} ms of guest time", took_ns as f64 / 1e6);
    // The last beat lies up to 15 ms before, and /proc/uptime has hundredths of a second.
    assert!((HOLDS_NS - LATE_NS..HOLDS_NS + LATE_NS).contains(&took_ns), "{took_ns} ns");
    let relay_ns = session.last("relay", false);
    assert!((0..LATE_NS).contains(&(relay_ns - fell_ns)), "{:?}", session.changes());
    // The record outlives it too.
    let recording = reader::read(&session.record()).expect("a record").0;
    assert!(recording.end_s > 9.0, "{} s", recording.end_s);
}

/// The guest is killed while its program records to a disk of its own: what was on its way to the disk is gone, and the
/// records are there. Killing the program alone would prove nothing, since the page cache outlives it.
///
/// A disk answers in its own time, so this box keeps the wall clock, and a busy machine could lose samples of the plant:
/// the bench is the virtual one, whose samples can also be had once more to compare.
#[test]
fn records_outlive_a_power_cut() {
    if !usable() {
        return;
    }
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = |name: &str| folder.path().join(name).to_str().expect("a path of letters").to_owned();
    let disk = path("disk");
    std::fs::File::create(&disk).and_then(|file| file.set_len(256 << 20)).expect("a disk");
    let made = Command::new("mkfs.ext4").args(["-q", &disk]).env("PATH", "/usr/sbin:/sbin:/usr/bin:/bin").status();
    assert!(made.is_ok_and(|status| status.success()), "mkfs.ext4 fails: install e2fsprogs");
    let disk = [("BOX_DISK", disk.as_str()), ("BOX_CLOCK", "real")];

    // One run ends, then power goes in the middle of another. The mark alone is brought out, not what the disk has yet to
    // write, and nothing happens after it.
    let run = format!(
        "{} run --rig {} --plan",
        env!("CARGO_BIN_EXE_galebench"),
        support::shipped("rigs/virtual.toml").display()
    );
    let (quick, full) = (support::shipped("test-plans/quick.toml"), support::shipped("test-plans/full.toml"));
    let script = format!(
        "{run} {} --unit TQ-0001 --out /run/disk/ended --quiet > /dev/null; \
        {run} {} --unit TQ-0001 --out /run/disk/cut --quiet > /dev/null & \
        mkdir -p /run/disk/cut; until [ $(du -s /run/disk/cut | cut -f1) -gt 600 ]; do sleep 0.05; done; \
        touch {mark}; sync {mark}; kill -STOP $!; while :; do :; done",
        quick.display(),
        full.display(),
        mark = path("mark"),
    );
    cut_off(&["sh", "-c", &script].map(str::to_owned), &disk, Path::new(&path("mark")));
    let copied = in_box(&["cp", "-r", "/run/disk", &path("kept")].map(str::to_owned), &disk);
    assert!(copied.status.success(), "{}", said(&copied));

    let whole = |record: &Path| {
        let run =
            Command::new(env!("CARGO_BIN_EXE_galebench")).arg("verify").arg(record).output().expect("the program");
        assert!(run.status.success(), "{}", said(&run));
    };
    whole(&record_in(Path::new(&path("kept/ended"))));
    let kept = reader::read(&record_in(Path::new(&path("kept/cut")))).expect("a record").0;
    let again = support::run(
        config::load_rig(&support::shipped("rigs/virtual.toml")).expect("a rig"),
        support::plan("test-plans/full.toml"),
    );
    let again = again.evaluated.recording;
    println!("{:.1} s of the run's {:.1} s were on the disk", kept.end_s, again.end_s);
    assert!(kept.end_s > 1.0 && kept.end_s < again.end_s, "{} s", kept.end_s);
    for (channel, series) in &kept.channels {
        let samples = |series: &Series| series.samples(0.0, kept.end_s).collect::<Vec<_>>();
        assert!(samples(series) == samples(&again.channels[channel]), "{channel:?} differs");
    }
    assert_eq!(kept.settings[..], again.settings[..kept.settings.len()]);
}

/// Runs `command` in the box and kills the box, as a power cut would, once `mark` is there.
fn cut_off(command: &[String], environment: &[(&str, &str)], mark: &Path) {
    let _one = one_at_a_time();
    let number = mark.with_extension("pid");
    let mut guest = box_command(command, environment).env("BOX_PID", &number).spawn().expect("a shell");
    let begun = Instant::now();
    let mut ended = None;
    while !mark.exists() && ended.is_none() && begun.elapsed() < LONGEST {
        std::thread::sleep(Duration::from_millis(50));
        ended = guest.try_wait().expect("a process of ours");
    }
    let number = std::fs::read_to_string(number).expect("the number of the box's process");
    let number = number.trim().parse().ok().and_then(Pid::from_raw).expect("a process");
    kill_process(number, Signal::KILL).expect("a process of ours");
    guest.wait().expect("a process of ours");
    assert!(mark.exists(), "the run never came to the cut: {ended:?}");
}
