//! The other side of the kernel box's devices, in real time: reads relays, command line and pulse output, plays the unit
//! and its fan, and feeds converter codes, tach pulses, relay feedback and emergency stop.
//!
//! `box_plant RIG SEED FOLDER` runs in the guest until `FOLDER/end` exists. It writes `FOLDER/ready` when everything is
//! there and takes commands from files that a test makes: `FOLDER/press` presses the emergency stop, `FOLDER/overload` lets the supply current read full scale while
//! the supply is on.
//! `FOLDER/relay` gets a line per change of the supply relay, of the monostable on the heartbeat line, which holds the
//! relays' own supply, of the stop and of the overload: monotonic nanoseconds, name, level.

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

/// A plant this far behind the clock jumps on: the fan stands still meanwhile, which no test may take for real.
const BEHIND: Duration = Duration::from_millis(200);

/// A simulated line.
struct Sim {
    value: File,
    pull: File,
}

impl Sim {
    fn open(dir: &Path, offset: u32) -> Result<Self, Box<dyn Error>> {
        let dir = dir.join(format!("sim_gpio{offset}"));
        Ok(Self { value: File::open(dir.join("value"))?, pull: File::options().write(true).open(dir.join("pull"))? })
    }

    fn high(&self) -> Result<bool, Box<dyn Error>> {
        let mut text = [0_u8; 4];
        self.value.read_at(&mut text, 0)?;
        Ok(text[0] == b'1')
    }

    fn pull(&self, high: bool) -> std::io::Result<()> {
        self.pull.write_at(if high { b"pull-up" } else { b"pull-down" }, 0).map(drop)
    }
}

struct Sims {
    relay: Sim,
    tach: Sim,
    stop: Sim,
    low: Sim,
    high: Sim,
    heartbeat: Sim,
    feedback: Sim,
    pre_charge: Sim,
}

/// Codes of sample `at`: 0.1 mV a count, dividers and amplifiers as in bench.toml; 10 millidegrees a count.
fn codes(block: &Block, at: usize, overload: bool) -> [u8; 16] {
    let value = |channel: Channel| {
        let samples = block.samples(channel).unwrap_or(&[]);
        samples.get(at).or(samples.last()).map_or(0.0, |value| f64::from(*value))
    };
    let amps = if overload { f64::INFINITY } else { value(Channel::SupplyA) };
    let counts = [
        value(Channel::SupplyV) / 10.0 / 1e-4,
        amps / 50.0 / 1e-4,
        amps / 0.2 / 1e-4,
        value(Channel::OutputV) / 10.0 / 1e-4,
        value(Channel::LineV) / 10.0 / 1e-4,
        0.0,
        value(Channel::CaseC) * 100.0,
        value(Channel::AmbientC) * 100.0,
    ];
    let mut bytes = [0; 16];
    for (pair, count) in bytes.chunks_exact_mut(2).zip(counts) {
        let count = count.round().clamp(f64::from(i16::MIN), f64::from(i16::MAX)) as i16;
        pair.copy_from_slice(&count.to_ne_bytes());
    }
    bytes
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().collect();
    let [_, rig, seed, folder] = arguments.as_slice() else { return Err("box_plant RIG SEED FOLDER".into()) };
    let folder = PathBuf::from(folder);
    let rig = config::load_rig(Path::new(rig))?;
    let DriverSpec::Virtual(spec) = &rig.driver else { return Err("the plant's rig must be virtual".into()) };
    let mut bench = VirtualBench::open(&rig, spec, seed.parse()?);
    let dir = Path::new("/sys/devices/platform/gpio-sim/gpiochip0");
    let open = |offset| Sim::open(dir, offset);
    let sims = Sims {
        relay: open(2)?,
        tach: open(3)?,
        stop: open(4)?,
        low: open(5)?,
        high: open(6)?,
        heartbeat: open(7)?,
        feedback: open(8)?,
        pre_charge: open(9)?,
    };
    let mut converter = File::options().write(true).open("/dev/iio-bench")?;
    let mut log = File::create(folder.join("relay"))?;
    let (mut in_force, mut pressed, mut overload, mut behind) = (Setting::SAFE, false, false, 0_u32);
    let (mut monostable, mut beating) = (Monostable::new(sims.heartbeat.high()?), false);
    converter.write_all(&codes(&bench.read(STEP_S, Pace::Normal)?, 0, false))?;
    fs::write(folder.join("ready"), "")?;
    let mut due = Instant::now();
    for step in 0_u64.. {
        if step.is_multiple_of(25) {
            if folder.join("end").exists() {
                break;
            }
            if !pressed && folder.join("press").exists() {
                pressed = true;
                sims.stop.pull(true)?;
                writeln!(log, "{} stop 1", monotonic_ns())?;
            }
            if !overload && folder.join("overload").exists() {
                overload = true;
                writeln!(log, "{} overload 1", monotonic_ns())?;
            }
        }
        if beating != monostable.holds(sims.heartbeat.high()?) {
            beating = !beating;
            writeln!(log, "{} monostable {}", monotonic_ns(), u8::from(beating))?;
        }
        let contacts = (beating && sims.relay.high()?, beating && sims.pre_charge.high()?);
        let wanted = setting(contacts, (sims.low.high()?, sims.high.high()?))?;
        if wanted != in_force {
            if wanted.supply != in_force.supply {
                writeln!(log, "{} relay {}", monotonic_ns(), u8::from(wanted.supply == Supply::On))?;
                sims.feedback.pull(wanted.supply == Supply::On)?;
            }
            bench.set(&wanted)?;
            in_force = wanted;
        }
        let block = bench.read(STEP_S, Pace::Normal)?;
        let overload = overload && in_force.supply == Supply::On;
        play(
            &block,
            due,
            |at| converter.write_all(&codes(&block, at, overload)),
            || {
                sims.tach.pull(true)?;
                sims.tach.pull(false)
            },
        )?;
        due += Duration::from_secs_f64(STEP_S);
        if due.elapsed() > BEHIND {
            behind += 1;
            due = Instant::now();
        }
    }
    fs::write(folder.join("behind"), behind.to_string())?;
    Ok(())
}
