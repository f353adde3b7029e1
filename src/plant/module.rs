//! The module's control: power state, command with its delays, target output, soft start, sleep, protections.

use std::collections::VecDeque;
use std::f64::consts::TAU;

use super::command::{self, Decoder, Demand, LineDrive, Pattern};
use super::config::{LineRig, LockOut, LossDoes, ModuleConfig, PowerUp, Protections};
use super::ramp::Ramp;

/// Whether the module's controller runs.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Power {
    /// No supply.
    Dead,
    /// Looks at the command at this time.
    Booting(f64),
    /// Runs.
    Awake,
    /// Sleeps since.
    Asleep(f64),
}

/// A pattern that was seen and takes effect later.
#[derive(Clone, Copy, Debug)]
struct Pending {
    due_s: f64,
    demand: Demand,
}

/// Lock-out at too low or too high a supply voltage.
#[derive(Clone, Copy, Debug, Default)]
struct Lock {
    out: bool,
    /// How long the voltage has been beyond the level.
    beyond_s: f64,
    /// How long it must be back, and when the output may come on again then.
    wait_s: f64,
    ends_s: Option<f64>,
}

/// What the control sees of the power side.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Senses {
    /// Voltage at the pins.
    pub(crate) supply_v: f64,
    /// Lowest voltage at the switch in a chopper period.
    pub(crate) lowest_v: f64,
    /// Whether the rotor rests.
    pub(crate) at_rest: bool,
    /// Junction temperature.
    pub(crate) junction_c: f64,
}

/// State of the control.
#[derive(Clone, Debug)]
pub(crate) struct Module {
    power: Power,
    line: LineDrive,
    pattern: Pattern,
    decoder: Decoder,
    pending: VecDeque<Pending>,
    demand: Demand,
    /// Output latched on (dead band with hysteresis).
    on: bool,
    target: f64,
    ramp: Ramp,
    busy_s: f64,
    /// Must see an off command first.
    wait_for_off: bool,
    stalled_s: f64,
    stall_until_s: f64,
    stalls: u32,
    lock: Lock,
    /// Under-voltage resets since power came.
    pub(crate) resets: u32,
}

impl Module {
    pub(crate) fn new() -> Self {
        Self {
            power: Power::Dead,
            line: LineDrive::Released,
            pattern: Pattern::Steady(super::config::Level::High),
            decoder: Decoder::default(),
            pending: VecDeque::new(),
            demand: Demand::Rule(LossDoes::Stops),
            on: false,
            target: 0.0,
            ramp: Ramp::new(),
            busy_s: 0.0,
            wait_for_off: false,
            stalled_s: 0.0,
            stall_until_s: 0.0,
            stalls: 0,
            lock: Lock::default(),
            resets: 0,
        }
    }

    pub(crate) fn is_asleep(&self) -> bool {
        matches!(self.power, Power::Asleep(_))
    }

    /// Output ratio now.
    pub(crate) const fn ratio(&self) -> f64 {
        self.ramp.ratio()
    }

    /// Nothing on, nothing coming.
    pub(crate) fn is_quiet(&self) -> bool {
        self.ratio() <= 0.0 && self.target <= 0.0 && self.pending.is_empty() && !matches!(self.power, Power::Booting(_))
    }

    /// When it next does something by its own clock.
    pub(crate) fn next_due_s(&self, config: &ModuleConfig) -> Option<f64> {
        if let Power::Booting(until_s) = self.power {
            return Some(until_s);
        }
        if let Some(waiting) = self.pending.front() {
            return Some(waiting.due_s);
        }
        let sleep = config.sleep.filter(|_| self.power == Power::Awake && self.target <= 0.0)?;
        let kept_awake = !sleep.with_edges && matches!(self.pattern, Pattern::Edges { .. });
        (!kept_awake).then_some(self.busy_s + sleep.after_s)
    }

    /// The bench changed the line, `phase` of a period after the last edge on it.
    pub(crate) fn set_line(
        &mut self,
        (now_s, phase): (f64, f64),
        line: LineDrive,
        config: &ModuleConfig,
        rig: &LineRig,
        supply_v: f64,
    ) {
        self.line = line;
        let before = self.pattern;
        self.look(now_s, config, rig, supply_v);
        if let (Pattern::Edges { hz, .. }, Pattern::Steady(_)) = (before, self.pattern) {
            // The last edge was its last activity, not the moment from which none came any more.
            self.busy_s = self.busy_s.min(now_s - phase / hz);
        }
    }

    /// Looks at the line; a changed pattern takes effect after the delay that belongs to it.
    fn look(&mut self, now_s: f64, config: &ModuleConfig, rig: &LineRig, supply_v: f64) {
        let asleep = self.is_asleep();
        let pattern = command::pattern(self.line, &config.input, rig, supply_v, asleep);
        if pattern == self.pattern {
            return;
        }
        self.pattern = pattern;
        match self.power {
            Power::Dead | Power::Booting(_) => {}
            Power::Awake => self.schedule(now_s, config, 0.0),
            Power::Asleep(_) => {
                if wakes(pattern, config) {
                    self.power = Power::Awake;
                    self.pattern = command::pattern(self.line, &config.input, rig, supply_v, false);
                    self.schedule(now_s, config, config.timing.wake_s);
                }
            }
        }
    }

    /// Queues what the present pattern asks for. A later pattern that acts earlier replaces what waits.
    fn schedule(&mut self, now_s: f64, config: &ModuleConfig, extra_s: f64) {
        self.busy_s = now_s;
        let (demand, rule) = self.decoder.decode(self.pattern, config);
        let delay_s = match (demand, rule) {
            (_, Some(rule)) => rule.after_s,
            (Demand::Duty(duty), None) if duty < config.map.off => config.timing.off_delay_s,
            _ => config.timing.delay_s,
        };
        let due_s = now_s + extra_s + delay_s;
        while self.pending.back().is_some_and(|waiting| waiting.due_s >= due_s) {
            self.pending.pop_back();
        }
        self.pending.push_back(Pending { due_s, demand });
    }

    /// Lets `dt` pass and returns the mean output ratio over it.
    pub(crate) fn step(&mut self, now_s: f64, dt: f64, config: &ModuleConfig, rig: &LineRig, senses: Senses) -> f64 {
        self.keep_power(now_s, config, rig, senses);
        while self.pending.front().is_some_and(|waiting| waiting.due_s <= now_s + SAME_S) {
            if let Some(due) = self.pending.pop_front() {
                self.apply(due.demand);
            }
        }
        self.aim(now_s, config);
        let locked = self.is_locked_out(now_s, dt, &config.protect, senses.supply_v);
        let stalled = self.is_stalled(now_s, dt, config, senses.at_rest);
        let target = if locked || stalled { 0.0 } else { self.target };
        let cap = 1.0 - (senses.junction_c - config.protect.thermal_limit_c) / THERMAL_SPAN_K;
        let target = if cap < 1.0 { target.min(cap.max(THERMAL_FLOOR)) } else { target };
        let ratio = self.ramp.step(dt, target, &config.ramp);
        self.rest(now_s, config, rig, senses.supply_v);
        ratio
    }

    /// Supply comes, goes, or dips.
    fn keep_power(&mut self, now_s: f64, config: &ModuleConfig, rig: &LineRig, senses: Senses) {
        let protect = &config.protect;
        match self.power {
            Power::Dead if senses.supply_v > protect.reset_v + RESET_HYSTERESIS_V => {
                let wait_s = if self.resets == 0 { config.timing.boot_s } else { protect.restart_s };
                self.power = Power::Booting(now_s + wait_s);
            }
            Power::Dead => {}
            _ if senses.lowest_v < protect.reset_v => {
                self.resets = if senses.supply_v < COLD_V { 0 } else { self.resets + 1 };
                *self = Self { line: self.line, resets: self.resets, ..Self::new() };
            }
            Power::Booting(until_s) if now_s + SAME_S >= until_s => {
                self.power = Power::Awake;
                self.lock.out = beyond(protect, senses.supply_v, true).is_some();
                self.pattern = command::pattern(self.line, &config.input, rig, senses.supply_v, false);
                self.ramp.hard = config.ramp.power_up == PowerUp::Hard;
                self.wait_for_off = config.ramp.power_up == PowerUp::Nothing;
                self.schedule(now_s, config, 0.0);
            }
            _ => {}
        }
        if self.power == Power::Dead && senses.supply_v < COLD_V {
            self.resets = 0;
        }
    }

    fn apply(&mut self, demand: Demand) {
        if demand != Demand::Rule(LossDoes::Holds) {
            self.demand = demand;
        }
    }

    /// Target output for the demand in force.
    fn aim(&mut self, now_s: f64, config: &ModuleConfig) {
        let map = &config.map;
        let wanted = match self.demand {
            Demand::Duty(duty) | Demand::Hunt(duty) => {
                if duty >= map.on {
                    self.on = true;
                } else if duty < map.off {
                    self.on = false;
                }
                let ratio = if self.on { output_ratio(config, duty) } else { 0.0 };
                if matches!(self.demand, Demand::Hunt(_)) && self.on {
                    (ratio * (1.0 + HUNT_SHARE * (TAU * HUNT_HZ * now_s).sin())).clamp(0.02, 1.0)
                } else {
                    ratio
                }
            }
            Demand::Rule(LossDoes::Full) => 1.0,
            Demand::Rule(LossDoes::Ratio(ratio)) => ratio,
            Demand::Rule(LossDoes::Stops | LossDoes::Holds) => 0.0,
        };
        if wanted <= 0.0 {
            self.on = false;
            self.stalls = 0;
            if self.power == Power::Awake && self.pending.is_empty() {
                self.wait_for_off = false;
                self.ramp.hard = false;
            }
        }
        self.target = if self.wait_for_off || self.power != Power::Awake { 0.0 } else { wanted };
        if self.target > 0.0 {
            self.busy_s = now_s;
        }
    }

    /// Lock-out at the supply voltage: off beyond a level for a while, on again some time after it came back.
    fn is_locked_out(&mut self, now_s: f64, dt: f64, protect: &Protections, supply_v: f64) -> bool {
        if self.power != Power::Awake {
            return false;
        }
        let limit = beyond(protect, supply_v, self.lock.out);
        let lock = &mut self.lock;
        match (lock.out, limit) {
            (false, None) => lock.beyond_s = 0.0,
            (false, Some(level)) => {
                lock.beyond_s += dt;
                (lock.out, lock.wait_s) = (lock.beyond_s >= level.after_s, level.wait_s);
            }
            (true, Some(level)) => (lock.ends_s, lock.wait_s) = (None, level.wait_s),
            (true, None) if protect.latches => {}
            (true, None) => {
                if now_s + SAME_S >= *lock.ends_s.get_or_insert(now_s + lock.wait_s) {
                    *lock = Lock::default();
                }
            }
        }
        self.lock.out
    }

    /// Stall protection: gives up, tries again, locks out.
    fn is_stalled(&mut self, now_s: f64, dt: f64, config: &ModuleConfig, at_rest: bool) -> bool {
        let Some(stall) = config.protect.stall else { return false };
        if now_s < self.stall_until_s || self.stalls > stall.tries {
            return self.target > 0.0;
        }
        if at_rest && self.ratio() > stall.above_ratio {
            self.stalled_s += dt;
        } else {
            self.stalled_s = 0.0;
        }
        if self.stalled_s > stall.after_s {
            self.stalled_s = 0.0;
            self.stalls += 1;
            self.stall_until_s = now_s + stall.retry_s;
            return true;
        }
        false
    }

    /// Falls asleep after idling.
    fn rest(&mut self, now_s: f64, config: &ModuleConfig, rig: &LineRig, supply_v: f64) {
        let Some(sleep) = &config.sleep else { return };
        if self.power != Power::Awake || !self.pending.is_empty() {
            return;
        }
        if !sleep.with_edges && matches!(self.pattern, Pattern::Edges { .. }) {
            self.busy_s = now_s;
        }
        if now_s + SAME_S >= self.busy_s + sleep.after_s {
            self.power = Power::Asleep(now_s);
            self.decoder = Decoder::default();
            // The pull-up may go with the controller: that is no new command.
            self.pattern = command::pattern(self.line, &config.input, rig, supply_v, true);
        }
    }

    /// Supply current of the electronics.
    pub(crate) fn quiescent_a(&self, now_s: f64, config: &ModuleConfig, supply_v: f64) -> f64 {
        let own = match (self.power, &config.sleep) {
            (Power::Dead, _) => supply_v / config.power.bleed_ohm,
            (Power::Asleep(since_s), Some(sleep)) => {
                let phase = |wake: &super::config::WakeCycle| (now_s - since_s) % wake.every_s;
                match &sleep.wake {
                    // The cycle ends with the wake-up, so that sleep begins asleep.
                    Some(wake) if phase(wake) >= wake.every_s - wake.for_s => wake.current_a,
                    _ => sleep.current_a,
                }
            }
            _ => config.quiescent_a,
        };
        own + config.defect.leak_ohm.map_or(0.0, |ohm| supply_v / ohm)
    }
}

/// The level of the lock-out that the supply voltage is beyond, or from beyond which it has not come back.
fn beyond(protect: &Protections, supply_v: f64, was_out: bool) -> Option<LockOut> {
    let level = |lock: &LockOut| if was_out { lock.on_v } else { lock.off_v };
    let under = protect.under.filter(|lock| supply_v < level(lock));
    under.or_else(|| protect.over.filter(|lock| supply_v > level(lock)))
}

/// Times closer than this are the same.
pub(crate) const SAME_S: f64 = 1e-9;

/// Static output ratio for a duty while the output is on.
pub(crate) fn output_ratio(config: &ModuleConfig, duty: f64) -> f64 {
    let map = &config.map;
    let slope = (1.0 - map.ratio_on) / (map.saturation - map.on);
    (map.ratio_on + slope * (duty - map.on)).clamp(0.0, 1.0)
}

/// Whether a sleeping module wakes.
fn wakes(pattern: Pattern, config: &ModuleConfig) -> bool {
    match pattern {
        Pattern::Edges { .. } => !config.input.dead && config.input.kind == super::config::InputKind::Pwm,
        Pattern::Steady(level) => level == config.input.active && config.at_active.does != LossDoes::Stops,
    }
}

/// Supply above the reset level at which the controller starts.
const RESET_HYSTERESIS_V: f64 = 0.7;
/// Supply below which the next start is a cold one.
const COLD_V: f64 = 1.0;
/// Junction range over which the thermal limit takes the output down, and what is left then.
pub const THERMAL_SPAN_K: f64 = 15.0;
const THERMAL_FLOOR: f64 = 0.15;
/// Swing of a module that hunts.
const HUNT_SHARE: f64 = 0.35;
const HUNT_HZ: f64 = 0.5;
