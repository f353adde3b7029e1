//! How quick the software path of a Linux board is, in the kernel box on the wall clock: from the stop, and from too much
//! current, to the relay line low; and how many samples are lost, beside tach edges of which the box hands on 100 a second.
//! Figures of a simulated board on a shared machine: they say where the program spends time, and are no protection whatever.
//!
//! `BOX_CLOCK=real tests/kernel-box/run BINARY tests/kernel-box/bench.toml test-plans/quick.toml TRIALS SECONDS`, on a machine
//! that does nothing else.

use std::error::Error;
use std::fs::File;
use std::io::Write as _;
use std::os::unix::fs::FileExt as _;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use galebench::bench::{Pace, Setting, Supply};
use galebench::config;
use galebench::config::plan::Plan;
use galebench::config::rig::{DriverSpec, Rig};
use galebench::driver::linux;
use galebench::record::event::Header;
use galebench::safety::{Limits, Nowhere, Pulse, StopHandle, Supervisor};
use galebench::units::Hertz;
use rand::{RngExt as _, SeedableRng as _};
use rand_xoshiro::Xoshiro256PlusPlus;

/// Converter codes at 13 V without current, with more current than any limit allows, and with the supply off.
const IDLE: [i16; 8] = [13_000, 0, 0, 0, 0, 0, 2_200, 2_200];
const OVERLOAD: [i16; 8] = [13_000, i16::MAX, i16::MAX, 0, 0, 0, 2_200, 2_200];
const OFF: [i16; 8] = [0, 0, 0, 0, 0, 0, 2_200, 2_200];
/// How often the relay line is looked at.
const LOOK: Duration = Duration::from_micros(100);

/// The far side of the devices.
struct Far {
    relay: File,
    stop: File,
    tach: File,
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
        let (relay, tach, stop) = (line(2, "value")?, line(3, "pull")?, line(4, "pull")?);
        Ok(Self { relay, stop, tach, feedback: line(8, "pull")?, converter })
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
    let bench = linux::open(rig, board)?;
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

/// Rising edges at `rate` for `seconds` while samples are taken: edges made, edges seen, samples, and how many were lost.
fn rates(rig: &Rig, rate: f64, seconds: u64) -> Result<String, Box<dyn Error>> {
    let DriverSpec::Linux(board) = &rig.driver else { return Err("the rig must be of the linux driver".into()) };
    let far = Far::open()?;
    pull(&far.stop, false)?;
    let mut bench = linux::open(rig, board)?;
    let stop = std::sync::Arc::new(AtomicBool::new(false));
    let told = std::sync::Arc::clone(&stop);
    let (mut seen, mut samples, mut lost) = (0, 0, 0);
    bench.read(0.1, Pace::Normal)?;
    let maker = thread::spawn(move || -> std::io::Result<u64> {
        let begin = Instant::now();
        let mut made = 0;
        while !told.load(Ordering::Relaxed) {
            let due = begin + Duration::from_secs_f64(made as f64 / rate);
            thread::sleep(due.saturating_duration_since(Instant::now()));
            pull(&far.tach, true)?;
            pull(&far.tach, false)?;
            made += 1;
        }
        Ok(made)
    });
    let begin = Instant::now();
    let mut tail = 0;
    // A few blocks more, for the edges that wait.
    while tail < 10 {
        if begin.elapsed() >= Duration::from_secs(seconds) {
            stop.store(true, Ordering::Relaxed);
            tail += 1;
        }
        let block = bench.read(0.02, Pace::Normal)?;
        seen += block.tach_s.as_ref().map_or(0, Vec::len);
        samples += block.channels.first().map_or(0, |(_, samples)| samples.len());
        lost += block.lost;
    }
    let made = maker.join().map_err(|_| "the maker panicked")??;
    let took_s = begin.elapsed().as_secs_f64();
    Ok(format!(
        "{made} edges made ({:.0}/s), {seen} seen; {samples} samples ({:.0}/s); {lost} lost; {}",
        made as f64 / seconds as f64,
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
        }
        println!("at {rate} samples/s: {}", rates(&rig, 2_000.0, seconds.parse()?)?);
    }
    Ok(())
}
