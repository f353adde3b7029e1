//! What the plants of the kernel box share: the unit's steps in real time, what the command line does, and the monostable
//! on the heartbeat line that holds the supply of the relays.

use std::error::Error;
use std::fs;
use std::time::{Duration, Instant};

use galebench::bench::{ActiveLevel, Block, Line, Setting, Supply};
use galebench::units::{Duty, Hertz};

/// Simulated at once, and the samples in it.
pub(crate) const STEP_S: f64 = 0.002;
const SAMPLES: usize = 4;
/// A heartbeat that stands still for this long lets the monostable fall back, which opens both relays.
const MONOSTABLE: Duration = Duration::from_millis(100);

/// Nanoseconds since the box was started.
pub(crate) fn monotonic_ns() -> i128 {
    let now = rustix::time::clock_gettime(rustix::time::ClockId::Monotonic);
    i128::from(now.tv_sec) * 1_000_000_000 + i128::from(now.tv_nsec)
}

/// A retriggerable monostable on the heartbeat line.
pub(crate) struct Monostable {
    level: bool,
    beaten: Option<Instant>,
}

impl Monostable {
    /// Fallen back, with its input at `level`.
    pub(crate) fn new(level: bool) -> Self {
        Self { level, beaten: None }
    }

    /// Whether it holds the relays, with its input at `level` now.
    pub(crate) fn holds(&mut self, level: bool) -> bool {
        if level != self.level {
            (self.level, self.beaten) = (level, Some(Instant::now()));
        }
        self.beaten.is_some_and(|beaten| beaten.elapsed() < MONOSTABLE)
    }
}

/// Frequency and high share of the first pulse output, if it is enabled.
fn pulses(state: &str) -> Option<(f64, f64)> {
    let line = state.lines().find(|line| line.trim_start().starts_with("pwm-0 "))?;
    let number = |key: &str| line.split_once(key)?.1.trim_start().split(' ').next()?.parse::<f64>().ok();
    let (period_ns, duty_ns) = (number("period:")?, number("duty:")?);
    (line.contains(" enabled") && period_ns > 0.0).then(|| (1e9 / period_ns, duty_ns / period_ns))
}

/// What the bench commands, as the unit sees it: by the contacts of supply and pre-charge, by the transistors that hold
/// the line low and high, and by the pulse output.
pub(crate) fn setting(contacts: (bool, bool), held: (bool, bool)) -> Result<Setting, Box<dyn Error>> {
    let supply = match contacts {
        (true, _) => Supply::On,
        (false, true) => Supply::Gentle,
        (false, false) => Supply::Off,
    };
    // A transistor to ground: high output pulls the line low.
    let (hz, share) = pulses(&fs::read_to_string("/sys/kernel/debug/pwm")?).unwrap_or((100.0, 0.0));
    let line = match held {
        (true, _) => Line::Low,
        (false, true) => Line::High,
        (false, false) if share <= 0.0 => Line::Open,
        (false, false) if share >= 1.0 => Line::Low,
        (false, false) => Line::Pwm,
    };
    let duty = Duty::new(share).unwrap_or(Duty::ZERO);
    Ok(Setting { supply, duty, active: ActiveLevel::Low, frequency: Hertz(hz), line, supply_v: None })
}

/// Has samples, by their number, and tach edges of a block that begins at `begin` fed at their times.
pub(crate) fn play(
    block: &Block,
    begin: Instant,
    mut sample: impl FnMut(usize) -> std::io::Result<()>,
    mut edge: impl FnMut() -> std::io::Result<()>,
) -> std::io::Result<()> {
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
            Some(at) => sample(at)?,
            None => edge()?,
        }
    }
    Ok(())
}
