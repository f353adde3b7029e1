//! What the second plant's controller does every few milliseconds: measure the command, wait, aim, ramp, sleep, protect.

use galebench::plant::LineDrive;
use galebench::plant::config::{Level, LineRig};

use super::line::Seen;
use super::make::{Module, Shape};

/// Heat of the die over its limit that would take all of the output.
pub(crate) const DIE_SPAN_K: f64 = 12.0;

/// What it does without a valid command.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Lost {
    Stops,
    Full,
    Holds,
}

impl Lost {
    /// In the words of the results.
    pub(crate) const fn word(self) -> &'static str {
        match self {
            Self::Stops => "stops",
            Self::Full => "full",
            Self::Holds => "holds",
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Power {
    Off,
    Boots(f64),
    Runs,
    Sleeps,
}

/// What it acts on.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Order {
    Duty(f64),
    Stop,
    Full,
}

/// What it feels of the power side at a tick.
#[derive(Clone, Copy, Debug)]
pub(super) struct Feels {
    pub(super) now_s: f64,
    pub(super) pins_v: f64,
    /// Lowest since the last tick.
    pub(super) lowest_v: f64,
    pub(super) die_c: f64,
    pub(super) rests: bool,
}

/// State of the controller.
#[derive(Clone, Debug)]
pub(super) struct Firmware {
    power: Power,
    seen: Seen,
    waiting: Option<(f64, Order)>,
    order: Order,
    in_band: bool,
    on: bool,
    /// Output ratio now; from where and since when it ramps.
    pub(super) ratio: f64,
    ramp: (f64, f64),
    goal: f64,
    idle_since_s: f64,
    must_see_off: bool,
    stalled_s: f64,
    rests_until_s: f64,
    pub(super) resets: u32,
}

impl Firmware {
    pub(super) const fn new() -> Self {
        Self {
            power: Power::Off,
            seen: Seen::Steady(Level::High),
            waiting: None,
            order: Order::Stop,
            in_band: false,
            on: false,
            ratio: 0.0,
            ramp: (0.0, 0.0),
            goal: 0.0,
            idle_since_s: 0.0,
            must_see_off: false,
            stalled_s: 0.0,
            rests_until_s: 0.0,
            resets: 0,
        }
    }

    pub(super) fn is_awake(&self) -> bool {
        self.power == Power::Runs
    }

    /// The line changed, or may have.
    pub(super) fn look(&mut self, now_s: f64, line: LineDrive, module: &Module, rig: &LineRig, nominal_v: f64) {
        let seen = module.input.see(line, rig, nominal_v);
        if seen == self.seen {
            return;
        }
        self.seen = seen;
        match self.power {
            Power::Off | Power::Boots(_) => {}
            Power::Runs => self.measure(now_s, module, 0.0),
            Power::Sleeps => {
                let wakes = match seen {
                    Seen::Pulses { .. } => true,
                    Seen::Steady(level) => level == module.input.active && module.at_full != Lost::Stops,
                };
                if wakes {
                    self.power = Power::Runs;
                    self.measure(now_s, module, module.wake_s);
                }
            }
        }
    }

    /// A new command takes effect once enough periods of it went by; a lost one after its time.
    fn measure(&mut self, now_s: f64, module: &Module, extra_s: f64) {
        self.idle_since_s = now_s;
        let lost = |lost: Lost| match lost {
            Lost::Stops => Some(Order::Stop),
            Lost::Full => Some(Order::Full),
            Lost::Holds => None,
        };
        let (order, after_s) = match self.seen {
            Seen::Pulses { duty, hz } => {
                let margin = if self.in_band { 1.0 + module.band_hysteresis } else { 1.0 };
                let (low, high) = (module.band_hz.0 / margin, module.band_hz.1 * margin);
                self.in_band = (low..=high).contains(&hz);
                let measured_s = f64::from(module.periods) / hz + module.debounce_s;
                match self.in_band {
                    true if duty < module.map.off => (Some(Order::Duty(duty)), module.off_delay_s),
                    true => (Some(Order::Duty(duty)), measured_s),
                    false => (lost(module.out_of_band), measured_s + 0.2),
                }
            }
            Seen::Steady(level) if level == module.input.active => (lost(module.at_full), module.lost_s),
            Seen::Steady(_) => (lost(module.at_zero), module.lost_s),
        };
        self.waiting = order.map(|order| (now_s + extra_s + after_s, order));
    }

    /// One round of the loop.
    pub(super) fn tick(&mut self, feels: &Feels, module: &Module, seen_now: impl Fn() -> Seen) {
        let now_s = feels.now_s;
        self.supply(feels, module, seen_now);
        if let Some((_, order)) = self.waiting.filter(|(due_s, _)| *due_s <= now_s) {
            self.order = order;
            self.waiting = None;
        }
        let wanted = self.wanted(module);
        if wanted <= 0.0 && self.power == Power::Runs && self.waiting.is_none() {
            self.must_see_off = false;
        }
        let goal = if self.power != Power::Runs || self.must_see_off { 0.0 } else { wanted };
        let goal = goal.min((1.0 - (feels.die_c - module.hottest_die_c) / DIE_SPAN_K).clamp(0.1, 1.0));
        let goal = if self.gives_up(feels, module, goal) { 0.0 } else { goal };
        self.follow(goal, now_s, module);
        self.rest(now_s, module);
    }

    fn supply(&mut self, feels: &Feels, module: &Module, seen_now: impl Fn() -> Seen) {
        match self.power {
            Power::Off if feels.pins_v > module.reset_v + 0.6 => {
                let wait_s = if self.resets == 0 { module.boot_s } else { module.restart_s };
                self.power = Power::Boots(feels.now_s + wait_s);
            }
            Power::Off => {}
            _ if feels.lowest_v < module.reset_v => {
                let resets = self.resets + 1;
                *self = Self { resets, ..Self::new() };
            }
            Power::Boots(until_s) if feels.now_s >= until_s => {
                self.power = Power::Runs;
                self.seen = seen_now();
                self.must_see_off = !module.starts_by_supply;
                self.measure(feels.now_s, module, 0.0);
            }
            _ => {}
        }
        if self.power == Power::Off && feels.pins_v < 1.0 {
            self.resets = 0;
        }
    }

    fn wanted(&mut self, module: &Module) -> f64 {
        match self.order {
            Order::Stop => {
                self.on = false;
                0.0
            }
            Order::Full => 1.0,
            Order::Duty(duty) => {
                self.on = if self.on { duty >= module.map.off } else { duty >= module.map.on };
                if self.on { module.map.ratio(duty) } else { 0.0 }
            }
        }
    }

    /// Stall protection.
    fn gives_up(&mut self, feels: &Feels, module: &Module, goal: f64) -> bool {
        if feels.now_s < self.rests_until_s {
            return true;
        }
        let stalls = feels.rests && goal > 0.0 && self.ratio > module.stall_ratio;
        self.stalled_s = if stalls { self.stalled_s + module.tick_s } else { 0.0 };
        if self.stalled_s > module.stall_s {
            (self.stalled_s, self.rests_until_s) = (0.0, feels.now_s + 3.0);
            return true;
        }
        false
    }

    /// Ramps up, falls quickly.
    fn follow(&mut self, goal: f64, now_s: f64, module: &Module) {
        if goal != self.goal {
            (self.ramp, self.goal) = ((self.ratio, now_s), goal);
        }
        if goal <= 0.0 {
            self.ratio = 0.0;
            return;
        }
        let since_s = now_s - self.ramp.1 + module.tick_s;
        let from = self.ramp.0;
        if goal < from {
            self.ratio = (from - since_s / module.fall_s).max(goal);
            return;
        }
        let part = |whole: f64| (since_s / module.ramp_s.max(1e-6) / whole.max(1e-6)).min(1.0);
        self.ratio = match module.shape {
            Shape::Linear => (from + part(1.0)).min(goal),
            Shape::Exponential => goal - (goal - from) * (-since_s / module.ramp_s.max(1e-6)).exp(),
            Shape::Smooth => {
                let x = part(goal - from);
                from + (goal - from) * x * x * (3.0 - 2.0 * x)
            }
        };
        if goal - self.ratio < 5e-4 {
            self.ratio = goal;
        }
    }

    fn rest(&mut self, now_s: f64, module: &Module) {
        let Some((after_s, _)) = module.sleep else { return };
        if self.power != Power::Runs {
            return;
        }
        let busy = self.goal > 0.0
            || self.waiting.is_some()
            || (!module.sleeps_on_pulses && matches!(self.seen, Seen::Pulses { .. }));
        if busy {
            self.idle_since_s = now_s;
        }
        if now_s - self.idle_since_s >= after_s {
            (self.power, self.in_band) = (Power::Sleeps, false);
        }
    }

    /// What the electronics draw from the pins.
    pub(super) fn own_a(&self, pins_v: f64, module: &Module) -> f64 {
        let own_a = match (self.power, module.sleep) {
            (Power::Off, _) => pins_v / module.bleed_ohm,
            (Power::Sleeps, Some((_, asleep_a))) => asleep_a,
            _ => module.quiescent_a,
        };
        own_a + module.flaw.leak_ohm.map_or(0.0, |ohm| pins_v / ohm)
    }
}
