//! How quick the software path of a Linux board is, in the kernel box on the wall clock: from the stop, and from too much
//! current, to the relay line low; and how many samples and tach edges are lost.
//! Figures of a simulated board on a shared machine: they say where the program spends time, and are no protection whatever.
//!
//! `BOX_CLOCK=real tests/kernel-box/run BINARY tests/kernel-box/bench.toml test-plans/quick.toml TRIALS SECONDS`, on a machine
//! that does nothing else.

use std::error::Error;
use std::fs::File;
use std::io::{Read as _, Write as _};
use std::os::unix::fs::FileExt as _;
use std::path::Path;
use std::thread;
use std::time::{Duration, Instant};

use galebench::bench::{Pace, Setting, Supply};
use galebench::config;
use galebench::config::address::Address;
use galebench::config::plan::Plan;
use galebench::config::rig::{BoardSpec, DriverSpec, Rig};
use galebench::driver::{Bench, DriverError, linux};
use galebench::record::event::Header;
use galebench::safety::{Limits, Nowhere, Pulse, StopHandle, Supervisor};
use galebench::units::Hertz;
use rand::{RngExt as _, SeedableRng as _};
use rand_xoshiro::Xoshiro256PlusPlus;

/// Converter codes at 13 V without current, with more current than any limit allows, and with the supply off.
const IDLE: [i16; 8] = [13_000, 0, 0, 0, 0, 0, 2_200, 2_200];
const OVERLOAD: [i16; 8] = [13_000, i16::MAX, i16::MAX, 0, 0, 0, 2_200, 2_200];
const OFF: [i16; 8] = [0, 0, 0, 0, 0, 0, 2_200, 2_200];
/// A bench that does not open because the machine was busy just then is tried so often: opening measures the pace.
const TRIES: u32 = 20;
/// How often the relay line is looked at.
const LOOK: Duration = Duration::from_micros(100);

/// The far side of the devices.
struct Far {
    relay: File,
    stop: File,
    feedback: File,
    converter: File,
}

impl Far {
    fn open() -> std::io::Result<Self> {
        let line = |offset: u32, file: &str| {
            let path = format!("/sys/devices/platform/gpio-sim/gpiochip0/sim_gpio{offset}/{file}");
            File::options().read(true).write(file == "pull").open(path)
        };
        let converter = File::options().write(true).open("/dev/iio-bench")?;
        Ok(Self { relay: line(2, "value")?, stop: line(4, "pull")?, feedback: line(8, "pull")?, converter })
    }

    fn codes(&self, codes: [i16; 8]) -> std::io::Result<()> {
        (&self.converter).write_all(&codes.map(i16::to_ne_bytes).concat())
    }

    fn until_relay(&self, closed: bool) -> std::io::Result<Instant> {
        let mut text = [0_u8; 1];
        loop {
            self.relay.read_at(&mut text, 0)?;
            if (text[0] == b'1') == closed {
                return Ok(Instant::now());
            }
            thread::sleep(LOOK);
        }
    }
}

fn pull(line: &File, up: bool) -> std::io::Result<()> {
    line.write_at(if up { b"pull-up" } else { b"pull-down" }, 0).map(drop)
}

fn opened(rig: &Rig, board: &BoardSpec) -> Result<Box<dyn Bench>, DriverError> {
    for _ in 1..TRIES {
        match linux::open(rig, board) {
            Err(error) => eprintln!("tried again: {error}"),
            opened => return opened,
        }
    }
    linux::open(rig, board)
}

#[derive(Clone, Copy)]
enum Cause {
    Stop,
    Current,
}

/// From the cause to the relay line low, once.
fn trip(rig: &Rig, plan: &Plan, cause: Cause, after: Duration) -> Result<Duration, Box<dyn Error>> {
    let DriverSpec::Linux(board) = &rig.driver else { return Err("the rig must be of the linux driver".into()) };
    let far = Far::open()?;
    pull(&far.stop, false)?;
    far.codes(OFF)?;
    let bench = opened(rig, board)?;
    let limits = Limits::of(rig, plan, bench.offers());
    let mut supervisor =
        Supervisor::new(bench, limits, Box::new(Nowhere), Header::default(), StopHandle::default(), Pulse::default());
    let armed = supervisor.arm()?;
    let player = thread::spawn(move || -> std::io::Result<Duration> {
        far.until_relay(true)?;
        pull(&far.feedback, true)?;
        far.codes(IDLE)?;
        thread::sleep(after);
        let begun = Instant::now();
        match cause {
            Cause::Stop => pull(&far.stop, true)?,
            Cause::Current => far.codes(OVERLOAD)?,
        }
        let took = far.until_relay(false)? - begun;
        pull(&far.feedback, false)?;
        far.codes(OFF)?;
        Ok(took)
    });
    let on = Setting { supply: Supply::On, ..Setting::SAFE };
    if supervisor.set(&armed, on).is_ok() {
        while supervisor.read(1.0, Pace::Normal).is_ok() {}
    }
    let took = player.join().map_err(|_| "the player panicked")??;
    let ended = supervisor.finish(false);
    ended.safe?;
    Ok(took)
}

/// Median, 99 % quantile and longest, milliseconds.
fn summary(mut all: Vec<Duration>) -> String {
    all.sort_unstable();
    let at = |share: f64| all[((all.len() - 1) as f64 * share).round() as usize].as_secs_f64() * 1e3;
    format!("median {:.1} ms, p99 {:.1} ms, longest {:.1} ms of {}", at(0.5), at(0.99), at(1.0), all.len())
}

/// Tach edges at `rate` for `seconds` while samples are taken: edges made, edges seen, samples, and how many were lost.
fn rates(rig: &Rig, rate: u64, seconds: u64) -> Result<String, Box<dyn Error>> {
    let DriverSpec::Linux(board) = &rig.driver else { return Err("the rig must be of the linux driver".into()) };
    let far = Far::open()?;
    pull(&far.stop, false)?;
    let mut bench = opened(rig, board)?;
    let (mut seen, mut samples, mut lost, mut tail) = (0, 0, 0, 0);
    bench.read(0.1, Pace::Normal)?;
    let (asked, spacing_ns) = (rate * seconds, 1_000_000_000 / rate);
    let mut tach = File::options().read(true).write(true).open("/dev/tach-bench")?;
    tach.write_all(&[asked, spacing_ns].map(u64::to_ne_bytes).concat())?;
    let begin = Instant::now();
    // A few blocks more, for the edges that wait.
    while tail < 10 {
        let block = bench.read(0.02, Pace::Normal)?;
        seen += block.tach_s.as_ref().map_or(0, Vec::len);
        samples += block.channels.first().map_or(0, |(_, samples)| samples.len());
        lost += block.lost;
        let mut made = [0; 8];
        tach.read_exact(&mut made)?;
        tail += u32::from(u64::from_ne_bytes(made) == asked);
    }
    let took_s = begin.elapsed().as_secs_f64();
    Ok(format!(
        "{asked} edges made, {seen} seen; {samples} samples ({:.0}/s); {lost} lost; {}",
        samples as f64 / took_s,
        bench.notes().join("; ")
    ))
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().collect();
    let [_, rig, plan, trials, seconds] = arguments.as_slice() else {
        return Err("box_timing RIG PLAN TRIALS SECONDS".into());
    };
    let (rig, plan) = (config::load_rig(Path::new(rig))?, config::load_plan(Path::new(plan))?);
    let mut random = Xoshiro256PlusPlus::seed_from_u64(1);
    for (what, cause) in [("emergency stop", Cause::Stop), ("too much current", Cause::Current)] {
        let wait = |random: &mut Xoshiro256PlusPlus| Duration::from_micros(random.random_range(100_000..200_000));
        let all = (0..trials.parse::<u32>()?)
            .map(|_| trip(&rig, &plan, cause, wait(&mut random)))
            .collect::<Result<Vec<_>, _>>()?;
        println!("{what} to relay line low: {}", summary(all));
    }
    for rate in [500.0, 2_000.0, 5_000.0, 10_000.0] {
        let mut rig = rig.clone();
        if let DriverSpec::Linux(board) = &mut rig.driver {
            board.rate = Hertz(rate);
            board.tach = Some(Address::Gpio { chip: None, line: "fast-tach".to_owned() });
        }
        // A rate that this machine does not give is an answer too.
        let told = rates(&rig, 2_000, seconds.parse()?).unwrap_or_else(|error| error.to_string());
        println!("at {rate} samples/s: {told}");
    }
    Ok(())
}
