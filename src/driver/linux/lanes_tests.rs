//! The sampled channels over a temporary directory tree in place of the kernel's: a converter that is polled and a
//! current monitor behind hwmon.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use super::*;
use crate::bench::Channel;
use crate::config::parse_rig;
use crate::config::rig::DriverSpec;
use crate::driver::board::lanes::{Lanes, Read};
use crate::driver::board::sampler::now_ns;

/// A device with its attributes, as the kernel shows it.
fn device(sys: &Path, class: &str, entry: &str, attributes: &[(&str, &str)]) -> PathBuf {
    let dir = sys.join(class).join(entry);
    fs::create_dir_all(&dir).unwrap();
    for (file, text) in attributes {
        fs::write(dir.join(file), format!("{text}\n")).unwrap();
    }
    dir
}

/// The least that a rig may ask for: a busy machine loses few.
const RATE_HZ: f64 = 200.0;

/// The devices that the shipped rig names: 13.0 V, 0.2 A, 6.5 V across the fan, 41 °C and 22 °C.
fn tree(sys: &Path) -> PathBuf {
    for (number, milli) in [(0, "41000"), (1, "22000")] {
        let dir = device(sys, "class/hwmon", &format!("hwmon{number}"), &[("name", "lm75"), ("temp1_input", milli)]);
        let place = sys.join(format!("devices/1-004{}", 8 + number));
        fs::create_dir_all(&place).unwrap();
        std::os::unix::fs::symlink(place, dir.join("device")).unwrap();
    }
    let attributes = [
        ("name", "mcp3208"),
        ("in_voltage_scale", "0.805664062"),
        ("in_voltage0_raw", "2017"),
        ("in_voltage1_raw", "2053"),
        ("in_voltage2_raw", "1552"),
        ("in_voltage3_raw", "1009"),
        ("in_voltage4_raw", "0"),
    ];
    device(sys, "bus/iio/devices", "iio:device0", &attributes)
}

fn board() -> (Rig, BoardSpec) {
    let text = fs::read_to_string("rigs/linux-board.toml").unwrap().replace("rate = \"2 kHz\"", "rate = \"200 Hz\"");
    let rig = parse_rig(Path::new("rig.toml"), &text).unwrap();
    let DriverSpec::Linux(board) = rig.driver.clone() else { panic!("not a board") };
    (rig, *board)
}

fn lanes(rig: &Rig, board: &BoardSpec, dir: &Path) -> Result<Lanes, DriverError> {
    Lanes::open(rig, board, Kernel { sys: dir, dev: dir }.readings(board)?)
}

fn value(read: &Read, channel: Channel) -> f64 {
    let (_, samples) = read.channels.iter().find(|(c, _)| *c == channel).unwrap();
    samples.iter().map(|value| f64::from(*value)).sum::<f64>() / samples.len() as f64
}

#[test]
fn channels_of_several_devices_come_in_one_block_in_their_units() {
    let dir = tempfile::tempdir().unwrap();
    tree(dir.path());
    let (rig, board) = board();
    let mut lanes = lanes(&rig, &board, dir.path()).unwrap();
    let first = lanes.read(0.1, 0.1, || Ok(())).unwrap();
    let second = lanes.read(0.1, first.begin_s + first.duration_s + 0.1, || Ok(())).unwrap();
    assert!(second.begin_s >= first.begin_s + first.duration_s - 1e-9);
    assert!((value(&first, Channel::SupplyV) - 13.0).abs() < 0.01, "{}", value(&first, Channel::SupplyV));
    // 2 053 counts are 0.1 A of the wide range; the low range fits and is better.
    assert!((value(&first, Channel::SupplyA) - 0.25).abs() < 0.001, "{}", value(&first, Channel::SupplyA));
    assert!((value(&first, Channel::OutputV) - 6.5).abs() < 0.01);
    assert!((value(&first, Channel::CaseC) - 41.0).abs() < 1e-6);
    assert!((value(&first, Channel::AmbientC) - 22.0).abs() < 1e-6);
    assert!(lanes.pace.contains("S/s where 200.0 were asked"), "{}", lanes.pace);
}

#[test]
fn time_that_nobody_read_is_not_lost() {
    let dir = tempfile::tempdir().unwrap();
    tree(dir.path());
    let (rig, board) = board();
    let mut lanes = lanes(&rig, &board, dir.path()).unwrap();
    let mut covered_s = 0.0;
    let mut lost = 0;
    std::thread::sleep(Duration::from_millis(300));
    while covered_s < 0.3 {
        let now_s = lanes.time_s(now_ns());
        let read = lanes.read(0.02, now_s, || Ok(())).unwrap();
        covered_s += read.duration_s;
        lost += read.lost;
        assert!(read.begin_s < now_s);
    }
    let samples_lost_s = lost as f64 / RATE_HZ;
    let now_s = lanes.time_s(now_ns());
    assert!(covered_s + samples_lost_s > now_s - 0.1, "{covered_s} s and {lost} samples of {now_s} s");
}

#[test]
fn a_converter_that_goes_away_is_an_error_and_no_silence() {
    let dir = tempfile::tempdir().unwrap();
    let adc = tree(dir.path());
    let (rig, board) = board();
    let mut lanes = lanes(&rig, &board, dir.path()).unwrap();
    fs::write(adc.join("in_voltage0_raw"), "").unwrap();
    let begin = Instant::now();
    let error = loop {
        match lanes.read(0.02, lanes.time_s(now_ns()), || Ok(())) {
            Ok(_) => assert!(begin.elapsed() < Duration::from_secs(2), "readings went on"),
            Err(error) => break error.to_string(),
        }
    };
    assert!(error.contains("in_voltage0_raw"), "{error}");
}

#[test]
fn supply_current_from_a_slow_monitor_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    tree(dir.path());
    let (rig, mut board) = board();
    let slow = Address::Hwmon { device: "1-0048".to_owned(), channel: "temp1".to_owned() };
    board.channels.insert(Channel::SupplyA, slow);
    let error = lanes(&rig, &board, dir.path()).unwrap_err().to_string();
    assert!(error.contains("too slow"), "{error}");
}

/// A reading that takes `seconds`, every `each`th time.
#[derive(Debug)]
struct Tardy {
    seconds: f64,
    each: u32,
    taken: u32,
}

impl Gauge for Tardy {
    fn value(&mut self) -> Result<f64, DriverError> {
        self.taken += 1;
        if self.taken.is_multiple_of(self.each) {
            std::thread::sleep(Duration::from_secs_f64(self.seconds));
        }
        Ok(1.0)
    }
}

fn tardy(seconds: f64, each: u32) -> Result<Lanes, DriverError> {
    let (rig, board) = board();
    let slot = Slot { channel: Channel::SupplyA, low: false };
    let gauge: Box<dyn Gauge> = Box::new(Tardy { seconds, each, taken: 0 });
    let paced = vec![polled::paced(vec![(slot, gauge)], RATE_HZ)];
    Lanes::open(&rig, &board, Readings { paced, ..Readings::default() })
}

#[test]
fn readings_that_take_longer_than_their_spacing_are_refused_and_no_pace_of_their_own() {
    let refused = tardy(1.5 / RATE_HZ, 1).unwrap_err().to_string();
    assert!(refused.contains("samples a second come where 200 are asked"), "{refused}");
}

#[test]
fn a_reading_that_takes_too_long_now_and_then_is_lost_samples() {
    let mut lanes = tardy(2.5 / RATE_HZ, 20).unwrap();
    let (mut came, mut lost) = (0, 0);
    while came < 60 {
        let read = lanes.read(0.1, lanes.time_s(now_ns()), || Ok(())).unwrap();
        came += read.channels[0].1.len();
        lost += read.lost;
    }
    assert!(lost >= 3, "{lost} lost beside {came}");
}
