//! Whole runs of the program through devices of a real kernel: a guest kernel with simulated lines, a pulse output and a
//! converter, the unit played on their other side (`tests/kernel-box/README.md`).
//!
//! Where the guest kernel can't be had or doesn't boot, every test here says NOT RUN and why.
#![cfg(all(target_os = "linux", feature = "linux", feature = "can"))]

mod guest;
mod support;

use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use galebench::bench::Channel;
use galebench::config;
use galebench::record::reader;
use galebench::record::recording::Series;
use guest::{HOLDS_NS, LATE_NS, LONGEST, Session, box_command, in_box, one_at_a_time, record_in, said, usable};
use rustix::fs::{FlockOperation, fcntl_lock};
use rustix::process::{Pid, Signal, kill_process};

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

/// A run on bench.toml, and beside it the shell command `meanwhile`.
fn on_lines(meanwhile: &str) -> Session {
    Session::run("session", meanwhile, |_| Vec::new())
}

/// The same with both contacts and the ambient temperature on a CAN bus.
fn on_can(meanwhile: &str) -> Session {
    Session::run("session", meanwhile, |folder| {
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

#[test]
fn a_triage_through_kernel_devices_agrees_with_the_plant() {
    if !usable() {
        return;
    }
    let session = on_lines("");
    session.agrees();
    assert_eq!(session.file("behind"), "0", "the plant was late");
}

#[test]
fn the_emergency_stop_opens_the_relay_at_once() {
    if !usable() {
        return;
    }
    let session = on_lines("sleep 12; touch press");
    session.stopped(3, "mergency");
    session.opened_at_once("stop");
}

#[test]
fn too_much_current_opens_the_relay_at_once() {
    if !usable() {
        return;
    }
    let session = on_lines("sleep 12; touch overload");
    session.stopped(3, "current");
    session.opened_at_once("overload");
}

#[test]
fn a_converter_unplugged_in_the_run_ends_it_with_the_supply_off() {
    if !usable() {
        return;
    }
    let session = on_lines("sleep 12; echo iio-bench > /sys/bus/platform/drivers/iio-bench/unbind");
    assert_eq!(session.file("meanwhile"), "", "the converter stayed");
    session.stopped(4, "unplugged");
}

/// Sender and receiver are can-utils: other people's code.
#[test]
fn a_triage_with_sensor_and_contacts_on_a_can_bus_comes_through() {
    if !usable() {
        return;
    }
    let session = on_can("");
    let evaluated = session.agrees();
    let ambient = evaluated.recording.mean(Channel::AmbientC, 0.0, f64::INFINITY).expect("an ambient temperature");
    assert!((ambient - 22.0).abs() < 1e-3, "{ambient} °C");
    let switched = session.file("node");
    let mut switched: Vec<_> = switched.lines().collect();
    switched.dedup();
    // Through the pre-charge, both contacts, the main one alone.
    assert_eq!(switched, ["00", "02", "03", "01", "00"]);
}

#[test]
fn a_can_interface_that_goes_down_ends_the_run_and_the_node_opens_its_contacts() {
    if !usable() {
        return;
    }
    let session = on_can("sleep 12; cut -d' ' -f1 /proc/uptime; ip link set vcan0 down");
    session.stopped(4, "vcan0");
    let down_s: f64 = session.file("meanwhile").trim().parse().expect("when it went down");
    let took_ns = session.last("relay", false) - (down_s * 1e9) as i128;
    println!("interface down to relay open: {:.0} ms of guest time", took_ns as f64 / 1e6);
    // The node's own time limit, and the turns of a shell.
    assert!((0..200_000_000).contains(&took_ns), "{took_ns} ns");
    assert!(session.said.contains("safe state NOT confirmed"), "{}", session.said);
}

#[test]
fn lines_in_use_are_refused_and_the_run_that_has_them_goes_on() {
    if !usable() {
        return;
    }
    let second = "sleep 12; \"$bin/galebench\" run --rig \"$here/bench.toml\" --plan \"$plan\" --unit TQ-0002 \
                  --out \"$folder/second\" --quiet; echo \"status $?\"";
    let session = on_lines(second);
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
    let session = on_lines(hang);
    let meanwhile = session.file("meanwhile");
    let (hung_s, relay_line) = meanwhile.trim().split_once('\n').expect("the time, and the relay's line after it");
    assert_eq!(relay_line, "1", "the line itself fell");
    let fell_ns = session.last("monostable", false);
    let took_ns = fell_ns - (hung_s.parse::<f64>().expect("seconds") * 1e9) as i128;
    println!("hung to relay open: {:.0} ms of guest time", took_ns as f64 / 1e6);
    // The last beat lies up to 15 ms before, and /proc/uptime has hundredths of a second.
    assert!((HOLDS_NS - LATE_NS..HOLDS_NS + LATE_NS).contains(&took_ns), "{took_ns} ns");
    let relay_ns = session.last("relay", false);
    assert!((0..LATE_NS).contains(&(relay_ns - fell_ns)), "{}", session.file("relay"));
    // The record outlives it too.
    let recording = reader::read(&session.record()).expect("a record").0;
    assert!(recording.end_s > 9.0, "{} s", recording.end_s);
}

/// What `examples/box_tach.rs` says of so many pulses, 2 000 a second, while the shell command `meanwhile` runs beside it
/// from the first pulse on. `$reader` is its process.
fn quick_tach(pulses: u32, meanwhile: &str) -> BTreeMap<String, f64> {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let reader = Path::new(env!("CARGO_BIN_EXE_galebench")).with_file_name("examples").join("box_tach");
    let (rig, counted) = (support::shipped("tests/kernel-box/bench.toml"), folder.path().join("counted"));
    let script = format!(
        "{reader} {rig} {pulses} 2000 > {counted} & reader=$!; until grep -q begun {counted}; do sleep 0.01; done; \
         {meanwhile} wait $reader",
        reader = reader.display(),
        rig = rig.display(),
        counted = counted.display(),
    );
    let output = in_box(&["sh", "-c", &script].map(str::to_owned), &[]);
    let counted = std::fs::read_to_string(counted).unwrap_or_default();
    assert!(output.status.success(), "{counted}{}", said(&output));
    println!("{counted}");
    let words = counted.lines().filter_map(|line| line.split_once(' '));
    words.filter_map(|(name, value)| Some((name.to_owned(), value.parse().ok()?))).collect()
}

#[test]
fn of_two_thousand_tach_edges_a_second_none_is_lost_in_a_minute() {
    if !usable() {
        return;
    }
    let counted = quick_tach(120_000, "");
    assert_eq!([counted["made"], counted["seen"], counted["lost"]], [120_000.0, 120_000.0, 0.0]);
    let rate_hz = (counted["seen"] - 1.0) / counted["span_s"];
    assert!((rate_hz - 2_000.0).abs() < 0.1, "{rate_hz} edges/s");
}

/// The kernel keeps 1 024 edges of a line for a program that does not read them, and drops the oldest.
#[test]
fn edges_that_a_stopped_reader_missed_are_counted() {
    if !usable() {
        return;
    }
    let counted = quick_tach(10_000, "sleep 1; kill -STOP $reader; sleep 0.8; kill -CONT $reader;");
    assert_eq!(counted["made"], 10_000.0);
    assert_eq!(counted["seen"] + counted["lost"], 10_000.0, "an edge is neither seen nor told as lost");
    let expected = 0.8 * 2_000.0 - 1_024.0;
    assert!((counted["lost"] - expected).abs() < 60.0, "{} lost where {expected} were due", counted["lost"]);
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
    let_go_of(Path::new(disk[0].1));
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

/// Waits until no process of a box that was killed holds its disk any more: the next box must not find it in use.
fn let_go_of(disk: &Path) {
    let disk = std::fs::File::options().write(true).open(disk).expect("a disk");
    let begun = Instant::now();
    while fcntl_lock(&disk, FlockOperation::NonBlockingLockExclusive).is_err() {
        assert!(begun.elapsed() < LONGEST, "a box that was killed still holds its disk");
        std::thread::sleep(Duration::from_millis(20));
    }
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
