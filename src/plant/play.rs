//! Noise-free runs of a copy of the plant, for truths that have no closed form.

use crate::units::{Duty, Hertz};

use super::command::LineDrive;
use super::config::{PlantConfig, RampShape};
use super::engine::{Plant, Reading};
use super::source::Relay;
use super::truth::Moment;

/// Spacing of the runs.
pub(crate) const DT_S: f64 = 5e-4;
/// Samples in 5 ms.
const PEAK_SAMPLES: usize = 10;

/// The plant without chance: median breakaway, no turbulence, no ripple.
pub(crate) fn without_chance(config: &PlantConfig) -> PlantConfig {
    let mut config = config.clone();
    config.motor.breakaway_sd = 0.0;
    config.motor.turbulence = 0.0;
    config.motor.ripple = 0.0;
    config.motor.once_per_rev = 0.0;
    config
}

/// The same without soft start and without a limit of its own: its fan switched on hard.
pub(crate) fn without_ramp(config: &PlantConfig) -> PlantConfig {
    let mut config = config.clone();
    config.module.ramp.shape = RampShape::None;
    config.module.ramp.kick = None;
    config.module.protect.current_limit_a = f64::INFINITY;
    config
}

/// Command at the module's own active level.
pub(crate) fn command(config: &PlantConfig, duty: f64, hz: f64) -> LineDrive {
    LineDrive::Pulses { share: Duty::clamped(duty), active: config.module.input.active, frequency: Hertz(hz) }
}

/// A commanded duty that every module of this configuration takes for a valid off.
pub(crate) fn off_duty(config: &PlantConfig) -> f64 {
    let map = &config.module.map;
    let from = map.reserved.iter().filter(|band| band.from < map.off).map(|band| band.to).fold(0.0, f64::max);
    0.5 * (from + map.off)
}

/// The plant powered, awake, off, at rest, its copper and case at these temperatures.
pub(crate) fn powered(config: &PlantConfig, hz: f64, (copper_c, case_c): (f64, f64)) -> Plant {
    let mut plant = Plant::new(config.clone(), 0);
    plant.warm_to(copper_c, case_c);
    plant.set_line(command(config, off_duty(config), hz));
    plant.set_relay(Relay::Closed);
    let awake_s = config.module.timing.boot_s + config.module.timing.off_delay_s + 0.5;
    play(&mut plant, awake_s, |_, _| {});
    plant
}

/// Lets `seconds` pass, handing each reading with the time at its end.
pub(crate) fn play(plant: &mut Plant, seconds: f64, mut each: impl FnMut(f64, &Reading)) {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a small positive count")]
    let count = (seconds / DT_S).round() as u32;
    for _ in 0..count {
        let reading = plant.advance(DT_S);
        each(plant.now_s(), &reading);
    }
}

/// A start as it went.
#[derive(Clone, Debug, Default)]
pub(crate) struct Start {
    /// Output over supply voltage by sample; time 0 is the command.
    ratio: Vec<f64>,
    amps: Vec<f64>,
    /// Speed at the end, rad/s.
    pub(crate) rad_s: f64,
    /// Under-voltage resets on the way.
    pub(crate) resets: u32,
}

impl Start {
    /// Samples of this start.
    fn of(plant: &mut Plant, seconds: f64) -> Self {
        let mut start = Self::default();
        play(plant, seconds, |_, reading| {
            start.ratio.push(if reading.supply_v > 1.0 { reading.output_v / reading.supply_v } else { 0.0 });
            start.amps.push(reading.supply_a);
            start.rad_s = reading.rad_s;
        });
        start.resets = plant.resets();
        start
    }

    /// Mean over the last half second.
    fn tail(values: &[f64]) -> f64 {
        let from = values.len().saturating_sub(1000);
        let tail = &values[from..];
        tail.iter().sum::<f64>() / tail.len().max(1) as f64
    }

    /// Settled output ratio.
    pub(crate) fn settled_ratio(&self) -> f64 {
        Self::tail(&self.ratio)
    }

    /// Settled supply current.
    pub(crate) fn settled_a(&self) -> f64 {
        Self::tail(&self.amps)
    }

    /// Highest 5 ms mean of supply current after `from_s`.
    pub(crate) fn peak_a(&self, from_s: f64) -> f64 {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a small positive count")]
        let from = ((from_s / DT_S) as usize).min(self.amps.len());
        self.amps[from..]
            .windows(PEAK_SAMPLES)
            .map(|window| window.iter().sum::<f64>() / window.len() as f64)
            .fold(f64::NEG_INFINITY, f64::max)
    }
}

/// Stretches into which a sample is cut where the output reaches a level: 10 us each.
const CUTS: u32 = 50;
/// Samples before and after that are cut, too.
const AROUND: usize = 2;
/// Output ratio from which there is any.
const ANY_OUTPUT: f64 = 1e-6;

/// Times from the command of a start, seconds.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Reached {
    /// First output at all.
    pub(crate) onset_s: Option<f64>,
    /// A tenth, nine tenths and 95 % of the settled output ratio.
    pub(crate) tenth_s: Option<f64>,
    pub(crate) nine_tenths_s: Option<f64>,
    pub(crate) full_s: Option<f64>,
}

/// When `start`, which was that of this plant to `duty`, reached what its ramp is timed by. A sample holds the mean of its own
/// stretch: a begin or a step inside it is found by going through that stretch again, finely.
pub(crate) fn reached(config: &PlantConfig, duty: f64, hz: f64, temperatures: (f64, f64), start: &Start) -> Reached {
    let settled = start.settled_ratio();
    let levels = [ANY_OUTPUT, 0.1 * settled, 0.9 * settled, 0.95 * settled];
    let first = levels.map(|level| start.ratio.iter().position(|ratio| *ratio >= level));
    let mut plant = powered(config, hz, temperatures);
    plant.set_line(command(config, duty, hz));
    let mut times_s = [None; 4];
    for at in 0..=first.into_iter().flatten().max().unwrap_or(0) + AROUND {
        // What the mean reaches in this sample may have been there in the one before, or be there in the next: cut finely
        // the plant goes another way by a hair.
        let cuts = if first.iter().flatten().any(|first| first.abs_diff(at) <= AROUND) { CUTS } else { 1 };
        for cut in 0..cuts {
            let reading = plant.advance(DT_S / f64::from(cuts));
            let middle_s = (at as f64 + (f64::from(cut) + 0.5) / f64::from(cuts)) * DT_S;
            for (time_s, level) in times_s.iter_mut().zip(levels) {
                if time_s.is_none() && reading.supply_v > 1.0 && reading.output_v / reading.supply_v >= level {
                    *time_s = Some(middle_s);
                }
            }
        }
    }
    let [onset_s, tenth_s, nine_tenths_s, full_s] = times_s;
    Reached { onset_s, tenth_s, nine_tenths_s, full_s }
}

/// Longest time until the ramp is over and the fan has settled.
pub(crate) fn settle_s(config: &PlantConfig) -> f64 {
    let ramp = &config.module.ramp;
    let shape_s = if ramp.shape == RampShape::Exponential { 6.0 * ramp.full_s } else { ramp.full_s };
    config.module.timing.delay_s + shape_s + ramp.kick.map_or(0.0, |kick| kick.for_s) + 9.0
}

/// A start from awake and rest to `duty`, from a supply that has given way slowly by `sag_v`, with the plant as it stands
/// afterwards.
pub(crate) fn start(config: &PlantConfig, duty: f64, hz: f64, temperatures: (f64, f64), sag_v: f64) -> (Start, Plant) {
    let mut plant = powered(config, hz, temperatures);
    plant.sag_to(sag_v);
    plant.set_line(command(config, duty, hz));
    let start = Start::of(&mut plant, settle_s(config));
    (start, plant)
}

/// Time that a running fan takes to settle after its copper and case were set to other temperatures, and the shorter one in
/// which what it then draws is read, before it has warmed on: seconds.
const AGAIN_S: [f64; 2] = [2.0, 0.6];

/// Supply current and speed (rad/s) of a running plant settled with copper, case and supply as they are there.
pub(crate) fn settled_at(plant: &mut Plant, there: &Moment) -> (f64, f64) {
    let mut last = Start::default();
    for seconds in AGAIN_S {
        plant.warm_to(there.copper_c, there.case_c);
        plant.sag_to(there.sag_v);
        last = Start::of(plant, seconds);
    }
    (last.settled_a(), last.rad_s)
}

/// A start by supply, with the command there and the input capacitor empty.
pub(crate) fn power_up(config: &PlantConfig, duty: f64, hz: f64, (copper_c, case_c): (f64, f64)) -> Start {
    let mut plant = Plant::new(config.clone(), 0);
    plant.warm_to(copper_c, case_c);
    plant.set_line(command(config, duty, hz));
    plant.set_relay(Relay::Closed);
    Start::of(&mut plant, config.module.timing.boot_s + settle_s(config))
}

/// Time from the off command to a tenth of the former speed.
pub(crate) fn run_down_s(config: &PlantConfig, mut plant: Plant, rad_s: f64, hz: f64) -> Option<f64> {
    plant.set_line(command(config, off_duty(config), hz));
    let from_s = plant.now_s();
    let mut slow_s = None;
    for _ in 0..120 {
        play(&mut plant, 1.0, |now_s, reading| {
            if slow_s.is_none() && reading.rad_s <= 0.1 * rad_s {
                slow_s = Some(now_s - from_s);
            }
        });
        if slow_s.is_some() {
            break;
        }
    }
    slow_s
}

/// Spacing of runs that only the slow swing is read from; the current settles within it, the rotor does not.
const COARSE_S: f64 = 5e-3;
/// Stretches of 20 s whose swings are averaged: one differs from the next by a fifth, so the mean is good to 1.6 %.
const STRETCHES: usize = 160;

/// Expected peak-to-peak over the mean of speed, and of the supply current, in 20 s, slower than 20 Hz and faster than
/// 0.2 Hz: the mean over many stretches of a run with turbulence but without ripple.
pub(crate) fn steadiness(config: &PlantConfig, duty: f64, hz: f64) -> Option<(f64, f64)> {
    let mut config = config.clone();
    config.motor.ripple = 0.0;
    config.motor.once_per_rev = 0.0;
    let (_, mut plant) = start(&config, duty, hz, (config.ambient_c, config.ambient_c), 0.0);
    // A cell of five steps, 25 ms, is the Nyquist interval of the band's upper end.
    let cell = |plant: &mut Plant| {
        let readings: [Reading; 5] = std::array::from_fn(|_| plant.advance(COARSE_S));
        let mean = |of: fn(&Reading) -> f64| readings.iter().map(of).sum::<f64>() / 5.0;
        (mean(|reading| reading.rad_s), mean(|reading| reading.supply_a))
    };
    let (speed, amps): (Vec<f64>, Vec<f64>) = (0..STRETCHES * 800 + 200).map(|_| cell(&mut plant)).unzip();
    swing_share(&speed, 1.0).zip(swing_share(&amps, 0.1))
}

/// Mean peak-to-peak of stretches of 20 s over the mean of all; `None` when that is less than `least`.
fn swing_share(cells: &[f64], least: f64) -> Option<f64> {
    let mean = cells.iter().sum::<f64>() / cells.len() as f64;
    if mean < least {
        return None;
    }
    // Moving mean over 5 s takes out what is slower than 0.2 Hz.
    let slow = |at: usize| cells[at - 100..at + 100].iter().sum::<f64>() / 200.0;
    let fast: Vec<f64> = (100..cells.len() - 100).map(|at| cells[at] - slow(at)).collect();
    let swings = fast.chunks_exact(800).map(|stretch| {
        let (low, high) = stretch.iter().fold((f64::MAX, f64::MIN), |(low, high), v| (low.min(*v), high.max(*v)));
        high - low
    });
    Some(swings.sum::<f64>() / STRETCHES as f64 / mean)
}
