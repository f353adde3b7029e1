//! The other side of the kernel box's devices, in real time: reads relays, command line and pulse output, plays the unit
//! and its fan, and feeds converter codes, tach pulses, relay feedback and emergency stop.
//!
//! `box_plant RIG SEED FOLDER` runs in the guest until `FOLDER/end` exists. It writes `FOLDER/ready` when everything is
//! there and takes commands from files that a test makes: `FOLDER/press` presses the emergency stop, `FOLDER/overload` lets the supply current read full scale while
//! the supply is on.
//! `FOLDER/relay` gets a line per change of the supply relay, of the monostable on the heartbeat line, which holds the
//! relays' own supply, of the stop and of the overload: monotonic nanoseconds, name, level.

use std::error::Error;
use std::fs::{self, File};
use std::io::Write as _;
use std::os::unix::fs::FileExt as _;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use galebench::bench::{ActiveLevel, Block, Channel, Line, Pace, Setting, Supply};
use galebench::config;
use galebench::config::rig::DriverSpec;
use galebench::driver::Bench as _;
use galebench::driver::virtual_bench::VirtualBench;
use galebench::units::{Duty, Hertz};

/// Simulated at once, and the samples in it.
const STEP_S: f64 = 0.002;
const SAMPLES: usize = 4;
/// A heartbeat that stands still for this long lets the monostable fall back, which opens both relays.
const MONOSTABLE: Duration = Duration::from_millis(100);
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

    fn pull(&self, high: bool) -> Result<(), Box<dyn Error>> {
        self.pull.write_at(if high { b"pull-up" } else { b"pull-down" }, 0)?;
        Ok(())
    }
}

/// Frequency and high share of the first pulse output, if it is enabled.
fn pulses(state: &str) -> Option<(f64, f64)> {
    let line = state.lines().find(|line| line.trim_start().starts_with("pwm-0 "))?;
    let number = |key: &str| line.split_once(key)?.1.trim_start().split(' ').next()?.parse::<f64>().ok();
    let (period_ns, duty_ns) = (number("period:")?, number("duty:")?);
    (line.contains(" enabled") && period_ns > 0.0).then(|| (1e9 / period_ns, duty_ns / period_ns))
}

/// What the bench commands, as the unit sees it.
fn setting(sims: &Sims, beating: bool) -> Result<Setting, Box<dyn Error>> {
    let supply = match (sims.relay.high()?, sims.pre_charge.high()?) {
        _ if !beating => Supply::Off,
        (true, _) => Supply::On,
        (false, true) => Supply::Gentle,
        (false, false) => Supply::Off,
    };
    // A transistor to ground: high output pulls the line low.
    let (hz, share) = pulses(&fs::read_to_string("/sys/kernel/debug/pwm")?).unwrap_or((100.0, 0.0));
    let line = match (sims.low.high()?, sims.high.high()?) {
        (true, _) => Line::Low,
        (false, true) => Line::High,
        (false, false) if share <= 0.0 => Line::Open,
        (false, false) if share >= 1.0 => Line::Low,
        (false, false) => Line::Pwm,
    };
    let duty = Duty::new(share).unwrap_or(Duty::ZERO);
    Ok(Setting { supply, duty, active: ActiveLevel::Low, frequency: Hertz(hz), line })
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

fn monotonic_ns() -> i128 {
    let now = rustix::time::clock_gettime(rustix::time::ClockId::Monotonic);
    i128::from(now.tv_sec) * 1_000_000_000 + i128::from(now.tv_nsec)
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
    let (mut beat, mut beaten, mut beating) = (sims.heartbeat.high()?, None::<Instant>, false);
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
        if sims.heartbeat.high()? != beat {
            (beat, beaten) = (!beat, Some(Instant::now()));
        }
        if beating != beaten.is_some_and(|beaten| beaten.elapsed() < MONOSTABLE) {
            beating = !beating;
            writeln!(log, "{} monostable {}", monotonic_ns(), u8::from(beating))?;
        }
        let wanted = setting(&sims, beating)?;
        if wanted != in_force {
            if wanted.supply != in_force.supply {
                writeln!(log, "{} relay {}", monotonic_ns(), u8::from(wanted.supply == Supply::On))?;
                sims.feedback.pull(wanted.supply == Supply::On)?;
            }
            bench.set(&wanted)?;
            in_force = wanted;
        }
        let block = bench.read(STEP_S, Pace::Normal)?;
        play(&block, due, overload && in_force.supply == Supply::On, &sims, &mut converter)?;
        due += Duration::from_secs_f64(STEP_S);
        if due.elapsed() > BEHIND {
            behind += 1;
            due = Instant::now();
        }
    }
    fs::write(folder.join("behind"), behind.to_string())?;
    Ok(())
}

/// Feeds the samples and edges of a block at their times.
fn play(
    block: &Block,
    begin: Instant,
    overload: bool,
    sims: &Sims,
    converter: &mut File,
) -> Result<(), Box<dyn Error>> {
    let mut events: Vec<(f64, Option<usize>)> =
        (0..SAMPLES).map(|at| (at as f64 / SAMPLES as f64 * STEP_S, Some(at))).collect();
    events.extend(block.tach_s.iter().flatten().map(|t_s| (t_s - block.t0_s, None)));
    events.sort_by(|a, b| a.0.total_cmp(&b.0));
    for (at_s, what) in events {
        let wait = (begin + Duration::from_secs_f64(at_s.max(0.0))).saturating_duration_since(Instant::now());
        if !wait.is_zero() {
            std::thread::sleep(wait);
        }
        match what {
            Some(at) => converter.write_all(&codes(block, at, overload))?,
            None => {
                sims.tach.pull(true)?;
                sims.tach.pull(false)?;
            }
        }
    }
    Ok(())
}
