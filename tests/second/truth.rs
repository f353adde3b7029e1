//! What is true of a unit of the second plant: from its own equations where they say it, else from playing it without
//! chance. Fields carry the contract names of the results.
//!
//! Two definitions need a word. A rounded knee is nowhere: what is true of `saturation_duty_pct` is where the rise, drawn
//! on, meets full output, by least squares over the whole transfer. Two time constants are not one: what is true of
//! `heat_tau_s` is that of the single exponential nearest to the warming of the soak.

use std::f64::consts::TAU;

use galebench::plant::config::Level;
use galebench::plant::truth::{FanTruth, Truth, TruthConditions};
use galebench::plant::{LineDrive, Physics, Reading, Relay};
use galebench::units::{Duty, Hertz};

use super::Second;
use super::line::Seen;
use super::make::{Shape, Switch, Unit};

/// Spacing of the plays.
const DT_S: f64 = 5e-4;

/// The truth about `unit` at these conditions.
pub(crate) fn truth(unit: &Unit, at: &TruthConditions) -> Truth {
    let module = &unit.module;
    let copper_c = at.copper_c.unwrap_or(unit.ambient_c);
    let mut truth = Truth { capacitance_f: Some(module.farads), ..Truth::default() };
    truth.load_fan = Some(FanTruth {
        resistance_ohm: unit.fan.ohm(copper_c),
        ke_v_s: unit.fan.ke,
        inertia_kg_m2: unit.fan.inertia_kg_m2,
        air_nm_s2: unit.fan.air_nm_s2,
        copper_c,
    });
    truth.line_kind = Some(if module.input.pull_up_ohm.is_some() { "open_collector" } else { "push_pull" });
    if module.input.pull_up_ohm.is_some() {
        let (volts, ohm) = module.input.source(unit.supply.open_v);
        (truth.pull_up_v, truth.pull_up_ohm) = (Some(volts), Some(ohm));
    }
    asleep(unit, at, &mut truth);
    if answers(unit, at.command_hz) {
        truth.active_level = Some(if module.input.active == Level::Low { "low" } else { "high" });
        by_rule(unit, at, &mut truth);
        starting(unit, at, &mut truth);
        stopping(unit, at, &mut truth);
        truth.hysteresis_pct = truth.start_duty_pct.zip(truth.stop_duty_pct).map(|(start, stop)| start - stop);
        truth.saturation_duty_pct = knee(unit, at);
        starts(unit, at, &mut truth);
        truth.power_up_peak_a = power_up_peak_a(unit, at);
        flat(unit, at, &mut truth);
        soaked(unit, at, &mut truth);
        truth.steadiness_pct = steadiness_pct(unit, at);
    }
    truth
}

/// Conditions of the groups of results of one run.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Groups {
    pub(crate) cold: TruthConditions,
    pub(crate) ascend: TruthConditions,
    pub(crate) descend: TruthConditions,
    pub(crate) start: TruthConditions,
    pub(crate) power_up: TruthConditions,
    pub(crate) flat: TruthConditions,
    pub(crate) soaked: TruthConditions,
}

/// The truth of a run whose groups of results were measured at different temperatures.
pub(crate) fn truth_of(unit: &Unit, at: &Groups) -> Truth {
    let mut truth = Truth { capacitance_f: Some(unit.module.farads), ..Truth::default() };
    truth.line_kind = Some(if unit.module.input.pull_up_ohm.is_some() { "open_collector" } else { "push_pull" });
    if unit.module.input.pull_up_ohm.is_some() {
        let (volts, ohm) = unit.module.input.source(unit.supply.open_v);
        (truth.pull_up_v, truth.pull_up_ohm) = (Some(volts), Some(ohm));
    }
    asleep(unit, &at.cold, &mut truth);
    truth.active_level = Some(if unit.module.input.active == Level::Low { "low" } else { "high" });
    by_rule(unit, &at.cold, &mut truth);
    starting(unit, &at.ascend, &mut truth);
    stopping(unit, &at.descend, &mut truth);
    truth.hysteresis_pct = truth.start_duty_pct.zip(truth.stop_duty_pct).map(|(start, stop)| start - stop);
    truth.saturation_duty_pct = knee(unit, &at.cold);
    starts(unit, &at.start, &mut truth);
    truth.power_up_peak_a = power_up_peak_a(unit, &at.power_up);
    flat(unit, &at.flat, &mut truth);
    soaked(unit, &at.soaked, &mut truth);
    truth.steadiness_pct = steadiness_pct(unit, &at.soaked);
    // The last constant stretch is the last soak.
    truth.speed_rpm = Some(settled(unit, &at.soaked, at.soaked.soak_duty).rad_s * 60.0 / TAU);
    truth
}

/// Whether it follows pulses of this frequency.
pub(crate) fn answers(unit: &Unit, hz: f64) -> bool {
    let module = &unit.module;
    let sees = reads(unit, 0.5, hz).is_some() && (module.band_hz.0..=module.band_hz.1).contains(&hz);
    sees && module.flaw.switch == Switch::Works
}

fn asleep(unit: &Unit, at: &TruthConditions, truth: &mut Truth) {
    let Some((after_s, own_a)) = unit.module.sleep.filter(|_| !matches!(unit.module.flaw.switch, Switch::Shorted(_)))
    else {
        return;
    };
    let asleep_a = own_a + unit.module.flaw.leak_ohm.map_or(0.0, |ohm| unit.supply.open_v / ohm);
    // The clock starts at the last edge; its own, when the command counts as lost.
    (truth.sleep_a, truth.sleep_after_s) = (Some(asleep_a), Some(unit.module.lost_s + after_s));
    truth.battery_days = at.battery.map(|(usable_ah, other_a)| usable_ah / (asleep_a + other_a) / 24.0);
}

/// What stands in the module's own numbers.
fn by_rule(unit: &Unit, at: &TruthConditions, truth: &mut Truth) {
    let module = &unit.module;
    // A round of the controller comes half of its length later, on average.
    let late_s = 0.5 * module.tick_s;
    let delay_s = f64::from(module.periods) / at.command_hz + module.debounce_s + late_s;
    truth.command_delay_s = Some(delay_s);
    truth.command_delay_asleep_s = module.sleep.map(|_| delay_s + module.wake_s);
    truth.output_off_delay_s = Some(module.off_delay_s + late_s);
    truth.command_hz_low = Some(module.band_hz.0 / (1.0 + module.band_hysteresis));
    truth.command_hz_high = Some(module.band_hz.1 * (1.0 + module.band_hysteresis));
    truth.output_on_pct = commanded(unit, module.map.on, at.command_hz).map(|duty| 100.0 * duty);
    truth.output_off_pct = commanded(unit, module.map.off, at.command_hz).map(|duty| 100.0 * duty);
    let open = match module.input.see(LineDrive::Released, &unit.line, unit.supply.open_v) {
        Seen::Steady(level) if level == module.input.active => module.at_full,
        _ => module.at_zero,
    };
    truth.loss_zero = Some(module.at_zero.word());
    truth.loss_full = Some(module.at_full.word());
    truth.loss_open = Some(open.word());
    let after_s = Some(module.lost_s + late_s);
    (truth.loss_zero_after_s, truth.loss_full_after_s, truth.loss_open_after_s) = (after_s, after_s, after_s);
    truth.ramp_shape = Some(match module.shape {
        _ if module.ramp_s < 0.05 => "none",
        Shape::Linear => "linear",
        Shape::Exponential => "exponential",
        Shape::Smooth => "s",
    });
    truth.power_up = Some(match module.starts_by_supply {
        false => "nothing",
        true if module.ramp_s < 0.05 => "hard",
        true => "soft",
    });
}

/// Duty that the module reads for one that is commanded.
/// Output ratio that this duty is to give; 0 where it is read as none.
pub(crate) fn ratio_at(unit: &Unit, duty: f64, hz: f64) -> f64 {
    reads(unit, duty, hz).map_or(0.0, |read| unit.module.map.ratio(read))
}

fn reads(unit: &Unit, duty: f64, hz: f64) -> Option<f64> {
    match unit.module.input.see(pulses(unit, duty, hz), &unit.line, unit.supply.open_v) {
        Seen::Pulses { duty, .. } => Some(duty),
        Seen::Steady(_) => None,
    }
}

/// Commanded duty that the module reads as this one.
fn commanded(unit: &Unit, wanted: f64, hz: f64) -> Option<f64> {
    let (mut low, mut high) = (0.005, 0.995);
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        // A level without edges is off or full to the module: further that way than any duty it reads.
        let is_under = match unit.module.input.see(pulses(unit, middle, hz), &unit.line, unit.supply.open_v) {
            Seen::Pulses { duty, .. } => duty < wanted,
            Seen::Steady(level) => level != unit.module.input.active,
        };
        if is_under { low = middle } else { high = middle }
    }
    reads(unit, 0.5 * (low + high), hz).map(|_| 0.5 * (low + high))
}

fn pulses(unit: &Unit, duty: f64, hz: f64) -> LineDrive {
    LineDrive::Pulses { share: Duty::clamped(duty), active: unit.module.input.active, frequency: Hertz(hz) }
}

/// A unit without gusts; played from the same seed it does the same.
fn calm(unit: &Unit) -> Unit {
    let mut unit = unit.clone();
    unit.fan.gusts = 0.0;
    unit
}

/// The same without soft start.
fn without_ramp(unit: &Unit) -> Unit {
    let mut unit = unit.clone();
    unit.module.ramp_s = 0.0;
    unit
}

fn temperatures(unit: &Unit, at: &TruthConditions) -> (f64, f64) {
    (at.copper_c.unwrap_or(unit.ambient_c), at.case_c.unwrap_or(unit.ambient_c))
}

fn play(second: &mut Second, seconds: f64, mut each: impl FnMut(&Reading)) {
    let mut left = (seconds / DT_S).round();
    while left > 0.0 {
        each(&second.advance(DT_S));
        left -= 1.0;
    }
}

/// Powered, awake, at rest at this angle, off commanded.
fn ready(unit: &Unit, at: &TruthConditions, angle: f64) -> Second {
    let mut second = Second::new(unit.clone(), 1);
    let (copper_c, case_c) = temperatures(unit, at);
    second.warm_to(copper_c, case_c);
    second.rotor = super::Rotor::at(angle, &unit.fan);
    let off = commanded(unit, 0.5 * unit.module.map.off, at.command_hz).unwrap_or(0.03);
    second.set_line(pulses(unit, off, at.command_hz));
    second.set_relay(Relay::Closed);
    play(&mut second, unit.module.boot_s + unit.module.off_delay_s + 0.3, |_| {});
    second
}

/// Angles at which a coasting rotor comes to rest, those that hold it least first.
fn rest_angles(unit: &Unit) -> Vec<f64> {
    let fan = &unit.fan;
    let rests_at = |i: u32| {
        let mut rotor = super::Rotor::at(TAU * 0.618_034 * f64::from(i), fan);
        (rotor.rests, rotor.rad_s) = (false, 9.0 + 0.01 * f64::from(i));
        while !rotor.rests {
            rotor.step(5e-4, fan, 0.0);
        }
        rotor.angle
    };
    // Current by which it breaks loose there.
    let needs_a = |angle: f64| {
        let (mut low, mut high) = (0.0, 60.0);
        for _ in 0..24 {
            let middle = 0.5 * (low + high);
            if super::rotor::moves(fan, angle, middle) { high = middle } else { low = middle }
        }
        high
    };
    let mut all: Vec<(f64, f64)> = (0..200).map(rests_at).map(|angle| (needs_a(angle), angle)).collect();
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    all.into_iter().map(|(_, angle)| angle).collect()
}

/// Lowest commanded duty, percent, of which `holds` is true, to a hundredth; `None` when it never is.
fn lowest_pct(unit: &Unit, hz: f64, holds: impl Fn(f64) -> bool) -> Option<f64> {
    let top = commanded(unit, unit.module.map.full, hz)?;
    let (mut low, mut high) = (0.01, 0.6 * top);
    if !holds(high) {
        return None;
    }
    for _ in 0..13 {
        let middle = 0.5 * (low + high);
        if holds(middle) { high = middle } else { low = middle }
    }
    Some(50.0 * (low + high))
}

/// Longest coast of a fan whose freewheel path does not brake it, from where stops are played down to its last turn.
const COAST_S: f64 = 30.0;

/// Time in which the ramp reaches the output of a start.
fn ramp_over_s(unit: &Unit) -> f64 {
    if unit.module.shape == Shape::Exponential { 5.0 * unit.module.ramp_s } else { 0.5 * unit.module.ramp_s }
}

fn starting(unit: &Unit, at: &TruthConditions, truth: &mut Truth) {
    let unit = &calm(unit);
    let hz = at.command_hz;
    let angles = rest_angles(unit);
    let starts_at = |angle: f64| {
        let ready = ready(unit, at, angle);
        let turns = |duty: f64| {
            let mut second = ready.clone();
            second.set_line(pulses(unit, duty, hz));
            play(&mut second, ramp_over_s(unit) + 2.0, |_| {});
            !second.rotor.rests && second.rotor.angle > angle + TAU
        };
        lowest_pct(unit, hz, turns)
    };
    truth.start_duty_pct = starts_at(angles[100]);
    truth.start_duty_95_pct = starts_at(angles[190]);
}

fn stopping(unit: &Unit, at: &TruthConditions, truth: &mut Truth) {
    let unit = &calm(unit);
    let mut turning = ready(unit, at, 0.0);
    turning.set_line(pulses(unit, 0.4, at.command_hz));
    play(&mut turning, ramp_over_s(unit) + 4.0, |_| {});
    let keeps = |duty: f64| {
        let mut second = turning.clone();
        second.set_line(pulses(unit, duty, at.command_hz));
        play(&mut second, COAST_S, |_| {});
        // A chopper's peaks twitch a rotor that rests: turning is what gets on.
        let before = second.rotor.angle;
        play(&mut second, 2.0, |_| {});
        second.rotor.angle > before + 0.5 * TAU && second.firmware.ratio > 0.0
    };
    truth.stop_duty_pct = lowest_pct(unit, at.command_hz, keeps);
}

/// Knee of the least-squares line and plateau over the transfer, percent of the commanded duty; `None` when its own peak
/// limit keeps it from full output.
fn knee(unit: &Unit, at: &TruthConditions) -> Option<f64> {
    if flat_out(unit, at).limited {
        return None;
    }
    let points: Vec<(f64, f64)> = (300..=985)
        .filter_map(|i| {
            let duty = 1e-3 * f64::from(i);
            reads(unit, duty, at.command_hz).map(|read| (duty, unit.module.map.ratio(read)))
        })
        .collect();
    // y = 1 + slope * min(x - knee, 0): the slope is the only number that is linear.
    let misfit = |knee: f64| {
        let under = |x: f64| (x - knee).min(0.0);
        let (xx, xy) =
            points.iter().fold((0.0, 0.0), |(xx, xy), (x, y)| (xx + under(*x).powi(2), xy + under(*x) * (y - 1.0)));
        let slope = xy / xx;
        points.iter().map(|(x, y)| (y - 1.0 - slope * under(*x)).powi(2)).sum::<f64>()
    };
    (5000..=9900).map(|i| 1e-4 * f64::from(i)).min_by(|a, b| misfit(*a).total_cmp(&misfit(*b))).map(|knee| 100.0 * knee)
}

/// A start as it went, from the command on, in a whole number of steps per period of the chopper.
struct Start {
    output_v: Vec<f64>,
    supply_v: Vec<f64>,
    supply_a: Vec<f64>,
    step_s: f64,
    per_period: usize,
}

impl Start {
    fn of(second: &mut Second, seconds: f64) -> Self {
        let period_s = second.unit.module.chop_hz.recip();
        let per_period = (period_s / DT_S).ceil();
        let step_s = period_s / per_period;
        let (output_v, supply_v, supply_a) = (Vec::new(), Vec::new(), Vec::new());
        let mut start = Self { output_v, supply_v, supply_a, step_s, per_period: per_period as usize };
        for _ in 0..(seconds / step_s) as usize {
            let reading = second.advance(step_s);
            start.output_v.push(reading.output_v);
            start.supply_v.push(reading.supply_v);
            start.supply_a.push(reading.supply_a);
        }
        start
    }

    fn tail(values: &[f64]) -> f64 {
        let tail = &values[values.len().saturating_sub(1000)..];
        tail.iter().sum::<f64>() / tail.len() as f64
    }

    /// Output over supply, each a mean over exactly one period of the chopper, at the middle of each.
    fn ratios(&self) -> Vec<f64> {
        let n = self.per_period;
        let sum = |values: &[f64]| values.iter().sum::<f64>();
        let both = self.output_v.windows(n).zip(self.supply_v.windows(n));
        std::iter::repeat_n(0.0, n / 2)
            .chain(both.map(|(output, supply)| sum(output) / sum(supply).max(1e-9)))
            .collect()
    }

    /// First time at which the values cross this level.
    fn crossing_s(&self, values: &[f64], level: f64) -> Option<f64> {
        let at = values.iter().position(|v| *v >= level)?;
        let before = if at == 0 { 0.0 } else { values[at - 1] };
        let part = if values[at] > before { (level - before) / (values[at] - before) } else { 1.0 };
        Some((at as f64 + part.clamp(0.0, 1.0)) * self.step_s)
    }

    /// Highest 5 ms mean of the supply current from this time on.
    fn peak_a(&self, from_s: f64) -> f64 {
        let from = ((from_s / self.step_s) as usize).min(self.supply_a.len());
        let n = (5e-3 / self.step_s).round() as usize;
        self.supply_a[from..].windows(n).map(|w| w.iter().sum::<f64>() / n as f64).fold(f64::NEG_INFINITY, f64::max)
    }
}

fn settle_s(unit: &Unit) -> f64 {
    let ramp_s = if unit.module.shape == Shape::Exponential { 6.0 * unit.module.ramp_s } else { unit.module.ramp_s };
    ramp_s + 9.0
}

fn starts(unit: &Unit, at: &TruthConditions, truth: &mut Truth) {
    let unit = &calm(unit);
    let to_full = |unit: &Unit| {
        let mut second = ready(unit, at, 0.3);
        second.set_line(pulses(unit, at.most_duty, at.command_hz));
        let start = Start::of(&mut second, settle_s(unit));
        (start, second)
    };
    let (soft, mut second) = to_full(unit);
    let ratios = soft.ratios();
    let settled = Start::tail(&ratios);
    if second.resets() > 0 || settled < 0.05 {
        return;
    }
    // The fan switched on hard, without a limit of the module's own.
    let mut on_hard = without_ramp(unit);
    on_hard.module.peak_a = f64::INFINITY;
    let (hard, _) = to_full(&on_hard);
    let (peak_a, settled_a, hard_a) = (soft.peak_a(0.0), Start::tail(&soft.supply_a), hard.peak_a(0.0));
    let crossing = |share: f64| soft.crossing_s(&ratios, share * settled);
    truth.ramp_10_90_s = crossing(0.1).zip(crossing(0.9)).map(|(low, high)| high - low);
    let first_s = soft.output_v.iter().position(|v| *v > 0.05).map(|at| at as f64 * soft.step_s);
    truth.ramp_full_s = first_s.zip(crossing(0.95)).map(|(first, full)| full - first);
    (truth.peak_supply_a, truth.inrush_ratio) = (Some(peak_a), Some(peak_a / settled_a));
    truth.soft_start_share = Some((hard_a - peak_a) / (hard_a - settled_a));
    truth.speed_rpm = Some(second.rotor.rad_s * 60.0 / TAU);
    truth.run_down_s = run_down_s(unit, &mut second, at.command_hz);
}

fn power_up_peak_a(unit: &Unit, at: &TruthConditions) -> Option<f64> {
    let unit = &calm(unit);
    let mut by_supply = Second::new(unit.clone(), 1);
    let (copper_c, case_c) = temperatures(unit, at);
    by_supply.warm_to(copper_c, case_c);
    by_supply.set_line(pulses(unit, at.power_up_duty, at.command_hz));
    by_supply.set_relay(Relay::Closed);
    let by_supply = Start::of(&mut by_supply, unit.module.boot_s + settle_s(unit));
    Some(by_supply.peak_a(0.02))
}

fn run_down_s(unit: &Unit, second: &mut Second, hz: f64) -> Option<f64> {
    let (from_s, from_rad_s) = (second.now_s(), second.rotor.rad_s);
    let off = commanded(unit, 0.5 * unit.module.map.off, hz)?;
    second.set_line(pulses(unit, off, hz));
    while second.rotor.rad_s > 0.1 * from_rad_s {
        second.advance(2e-3);
        if second.now_s() - from_s > 120.0 {
            return None;
        }
    }
    Some(second.now_s() - from_s)
}

/// A settled working point.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Settled {
    pub(crate) rad_s: f64,
    pub(crate) fan_a: f64,
    /// Heat in the module.
    pub(crate) module_w: f64,
    /// Whether its own peak limit holds it back.
    pub(crate) limited: bool,
}

/// What it settles at when this duty is commanded, with the slow sag of the supply gone through.
pub(crate) fn settled(unit: &Unit, at: &TruthConditions, duty: f64) -> Settled {
    let unit = &without_ramp(&calm(unit));
    let mut second = ready(unit, at, 0.3);
    second.set_line(pulses(unit, duty, at.command_hz));
    let mut last = Settled::default();
    for round in 0..3 {
        let (mut amps, mut fan_a, mut n) = (0.0, 0.0, 0.0);
        let seconds = if round == 0 { 5.0 } else { 2.0 };
        let before_j = second.spent_j;
        let limited = second.limited;
        play(&mut second, seconds, |reading| {
            (amps, fan_a, n) = (amps + reading.supply_a, fan_a + reading.fan_a, n + 1.0);
        });
        last = Settled {
            rad_s: second.rotor.rad_s,
            fan_a: fan_a / n,
            module_w: (second.spent_j - before_j) / seconds,
            limited: second.limited > limited,
        };
        second.polarised_v = unit.supply.recovery_ohm * amps / n;
        let (copper_c, case_c) = temperatures(unit, at);
        second.warm_to(copper_c, case_c);
    }
    last
}

/// The same at the highest duty.
pub(crate) fn flat_out(unit: &Unit, at: &TruthConditions) -> Settled {
    settled(unit, at, at.most_duty)
}

/// Case over ambient in the end of a soak.
pub(crate) fn heat_rise_k(unit: &Unit, at: &TruthConditions, duty: f64) -> f64 {
    let [(heatsink, _), (case, _)] = unit.module.paths;
    let mut rise_k = 0.0;
    for _ in 0..3 {
        let at = TruthConditions { case_c: Some(unit.ambient_c + rise_k), ..*at };
        rise_k = (heatsink + case) * settled(unit, &at, duty).module_w;
    }
    rise_k
}

fn flat(unit: &Unit, at: &TruthConditions, truth: &mut Truth) {
    let (_, case_c) = temperatures(unit, at);
    let crack_ohm = unit.module.flaw.crack.map_or(0.0, |(.., ohm)| ohm);
    let on_ohm = unit.module.on_ohm * (1.0 + 4.2e-3 * (case_c - 25.0)) + crack_ohm;
    let full = flat_out(unit, at);
    truth.on_resistance_ohm = Some(on_ohm);
    let is_full = reads(unit, at.most_duty, at.command_hz).is_some_and(|read| unit.module.map.ratio(read) >= 1.0);
    truth.drop_v = (is_full && !full.limited).then_some(on_ohm * full.fan_a);
}

fn soaked(unit: &Unit, at: &TruthConditions, truth: &mut Truth) {
    truth.heat_rise_k = Some(heat_rise_k(unit, at, at.soak_duty));
    truth.heat_tau_s = Some(nearest_tau_s(unit.module.paths, SOAK_S));
}

/// Length of a soak in the full plan.
const SOAK_S: f64 = 900.0;

/// Time constant of the one exponential nearest to two in series, over the soak.
fn nearest_tau_s(paths: [(f64, f64); 2], seconds: f64) -> f64 {
    let times: Vec<f64> = (1..=180).map(|i| seconds * f64::from(i) / 180.0).collect();
    let rise = |t: f64| paths.iter().map(|(k, tau_s)| k * -(-t / tau_s).exp_m1()).sum::<f64>();
    let misfit = |tau_s: f64| {
        let one = |t: f64| -(-t / tau_s).exp_m1();
        let (xx, xy) = times.iter().fold((0.0, 0.0), |(xx, xy), t| (xx + one(*t).powi(2), xy + one(*t) * rise(*t)));
        times.iter().map(|t| (rise(*t) - xy / xx * one(*t)).powi(2)).sum::<f64>()
    };
    (20..=800).map(f64::from).min_by(|a, b| misfit(*a).total_cmp(&misfit(*b))).unwrap_or_default()
}

/// Stretches of 20 s whose swings are averaged.
const STRETCHES: usize = 8;

/// Expected peak-to-peak of the speed from 0.2 to 20 Hz in 20 s over its mean at the soak's duty, percent.
fn steadiness_pct(unit: &Unit, at: &TruthConditions) -> Option<f64> {
    let unit = &without_ramp(unit);
    let mut second = ready(unit, at, 0.3);
    second.set_line(pulses(unit, at.soak_duty, at.command_hz));
    play(&mut second, 6.0, |_| {});
    let speeds: Vec<f64> = (0..STRETCHES * 800 + 200)
        .map(|_| {
            let from = second.rotor.angle;
            second.advance(0.025);
            (second.rotor.angle - from) / 0.025
        })
        .collect();
    let mean = speeds.iter().sum::<f64>() / speeds.len() as f64;
    let fast: Vec<f64> =
        (100..speeds.len() - 100).map(|i| speeds[i] - speeds[i - 100..i + 100].iter().sum::<f64>() / 200.0).collect();
    let swings = fast.chunks_exact(800).map(|part| {
        let (low, high) = part.iter().fold((f64::MAX, f64::MIN), |(low, high), v| (low.min(*v), high.max(*v)));
        high - low
    });
    (mean > 1.0).then(|| 100.0 * swings.sum::<f64>() / STRETCHES as f64 / mean)
}
