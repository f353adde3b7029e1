//! The other side of the header's pins and buses in the kernel box: what `box_plant` is to the lines and the converter
//! of the kernel. Pins are read and driven through the register block's file, converters get codes, a part on I2C gets
//! its register, tach pulses are edges of the kernel's line.
//!
//! `raspberry_plant RIG SEED FOLDER` runs in the guest until `FOLDER/end` exists. It writes `FOLDER/ready` when everything
//! is there; `FOLDER/press` presses the emergency stop. `FOLDER/relay` gets a line per change of the supply and of the
//! stop: monotonic nanoseconds, name, level.

mod far_side;

use std::error::Error;
use std::fs::{self, File};
use std::io::Write as _;
use std::os::unix::fs::FileExt as _;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use far_side::{Monostable, STEP_S, monotonic_ns, play, setting};
use galebench::bench::{Block, Channel, Pace, Setting, Supply};
use galebench::config;
use galebench::config::rig::DriverSpec;
use galebench::driver::Bench as _;
use galebench::driver::virtual_bench::VirtualBench;
use rppal::i2c::I2c;

/// Pins of raspberry.toml.
const RELAY: u32 = 17;
const PRE_CHARGE: u32 = 22;
const HEARTBEAT: u32 = 23;
const LOW: u32 = 24;
const HIGH: u32 = 25;
const FEEDBACK: u32 = 27;
const STOP: u32 = 6;
const TACH: u32 = 5;

/// Levels of all pins, and those that the plant drives.
struct Pins {
    file: File,
    driven: u64,
}

impl Pins {
    fn open() -> std::io::Result<Self> {
        let block = ["/dev/gpiomem0", "/dev/gpiomem"].into_iter().find(|path| Path::new(path).exists());
        let file = File::options().read(true).write(true).open(block.unwrap_or("/dev/gpiomem"))?;
        Ok(Self { file, driven: 0 })
    }

    fn levels(&self) -> Result<u64, Box<dyn Error>> {
        let mut bytes = [0; 8];
        self.file.read_exact_at(&mut bytes, 0)?;
        Ok(u64::from_ne_bytes(bytes))
    }

    fn drive(&mut self, pin: u32, high: bool) -> Result<(), Box<dyn Error>> {
        self.driven = self.driven & !(1 << pin) | u64::from(high) << pin;
        Ok(self.file.write_all_at(&self.driven.to_ne_bytes(), 0)?)
    }
}

fn value(block: &Block, channel: Channel, at: usize) -> f64 {
    let samples = block.samples(channel).unwrap_or(&[]);
    samples.get(at).or(samples.last()).map_or(0.0, |value| f64::from(*value))
}

/// Code of a voltage at a converter with a reference of 3.3 V.
fn code(volts: f64, bits: u32) -> u16 {
    let most = f64::from((1_u32 << bits) - 1);
    (volts / 3.3 * f64::from(1_u32 << bits)).floor().clamp(0.0, most) as u16
}

/// Codes of sample `at` at both converters, behind what raspberry.toml says of dividers and sensors.
fn codes(block: &Block, at: usize) -> [u8; 32] {
    let value = |channel| value(block, channel, at);
    let amps = value(Channel::SupplyA);
    let volts = [
        value(Channel::SupplyV) / 8.0,
        (amps + 125.0) / 75.76,
        (amps + 0.02) / 0.2,
        value(Channel::OutputV) / 8.0,
        0.0,
        0.0,
        value(Channel::LineV) / 8.0,
        0.0,
    ];
    let mut words = [0; 16];
    for (word, volts) in words.iter_mut().zip(volts) {
        *word = code(volts, 12);
    }
    words[8] = code((value(Channel::AmbientC) + 50.0) / 100.0, 10);
    let mut bytes = [0; 32];
    for (pair, word) in bytes.chunks_exact_mut(2).zip(words) {
        pair.copy_from_slice(&word.to_ne_bytes());
    }
    bytes
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().collect();
    let [_, rig, seed, folder] = arguments.as_slice() else { return Err("raspberry_plant RIG SEED FOLDER".into()) };
    let folder = PathBuf::from(folder);
    let rig = config::load_rig(Path::new(rig))?;
    let DriverSpec::Virtual(spec) = &rig.driver else { return Err("the plant's rig must be virtual".into()) };
    let mut bench = VirtualBench::open(&rig, spec, seed.parse()?);
    let mut pins = Pins::open()?;
    pins.drive(STOP, true)?;
    let pull = format!("/sys/devices/platform/gpio-sim/gpiochip1/sim_gpio{TACH}/pull");
    let tach = File::options().write(true).open(pull)?;
    let mut converters = File::options().write(true).open("/dev/spi-bench")?;
    let mut part = I2c::with_bus(0)?;
    part.set_slave_address(0x48)?;
    let mut log = File::create(folder.join("relay"))?;
    let (mut in_force, mut pressed) = (Setting::SAFE, false);
    let mut monostable = Monostable::new(false);
    let first = bench.read(STEP_S, Pace::Normal)?;
    converters.write_all(&codes(&first, 0))?;
    let mut due = Instant::now();
    for step in 0_u64.. {
        let levels = pins.levels()?;
        let high = |pin: u32| levels >> pin & 1 == 1;
        let held = monostable.holds(high(HEARTBEAT));
        let wanted = setting((held && high(RELAY), held && high(PRE_CHARGE)), (high(LOW), high(HIGH)))?;
        if wanted != in_force {
            if wanted.supply != in_force.supply {
                writeln!(log, "{} relay {}", monotonic_ns(), u8::from(wanted.supply == Supply::On))?;
                pins.drive(FEEDBACK, wanted.supply == Supply::On)?;
            }
            bench.set(&wanted)?;
            in_force = wanted;
        }
        let block = bench.read(STEP_S, Pace::Normal)?;
        if step.is_multiple_of(25) {
            if folder.join("end").exists() {
                break;
            }
            if !pressed && folder.join("press").exists() {
                pressed = true;
                pins.drive(STOP, false)?;
                writeln!(log, "{} stop 1", monotonic_ns())?;
            }
            let volts = (value(&block, Channel::CaseC, 0) + 50.0) / 100.0;
            let counts = (volts / 4.096 * 32_768.0).round().clamp(0.0, 32_767.0) as u16;
            let written = part.smbus_write_word_swapped(0x00, counts);
            if step == 0 {
                // Later a test may have taken the part off the bus, which is no end of the rest.
                written?;
                fs::write(folder.join("ready"), "")?;
            }
        }
        play(
            &block,
            due,
            |at| converters.write_all(&codes(&block, at)),
            || {
                tach.write_at(b"pull-up", 0)?;
                tach.write_at(b"pull-down", 0).map(drop)
            },
        )?;
        due += Duration::from_secs_f64(STEP_S);
    }
    Ok(())
}
