//! The least that a stage can take on a unit: module ramp, fan coast, sleep timer, heating and repeats, from the plant's
//! truth and the plan. No time of the program's own goes in, but for the looks that the meaning of a result asks for.

use galebench::config::plan::{Plan, Stage, UpTo};
use galebench::plant::config::{Freewheel, Level, LossDoes, LossRule, Outside, PlantConfig, RampShape};
use galebench::plant::statics;
use galebench::plant::truth::Truth;
use galebench::record::event::Loss;
use galebench::units::{Duty, Seconds};

/// Silence of the tach that proves rest.
const PROOF_S: f64 = 1.5;
/// Shortest zero.
const ZERO_S: f64 = 1.0;
/// A settled level is read over this long.
const WINDOW_S: f64 = 1.0;
/// Supply away from the driven fan, which ties the two voltages.
const TIE_S: f64 = 0.5;
/// Time constants until something has settled, and the share that is left then.
const SETTLED: f64 = 5.0;
const LEFT: f64 = 0.007;
/// Share of full to which an exponential ramp counts as arrived, and the step of a start played here.
const ARRIVED: f64 = 0.01;
const STEP_S: f64 = 0.005;
const LONGEST_S: f64 = 60.0;
/// Look for hunting at a duty, and for an output gone for good.
const STEADY_S: f64 = 1.5;
const GONE_S: f64 = 0.6;
/// Shortest watch of a lost command.
const WATCH_S: f64 = 3.0;
/// Watch for wake cycles, and cycles taken where there are some.
const WAKE_WATCH_S: f64 = 20.0;
const WAKE_CYCLES: f64 = 3.0;
/// Edges that wake a unit before what must begin awake.
const AWAKE_S: f64 = 1.5;
/// Voltage below which a capacitor counts as bled.
const BLED_V: f64 = 0.3;

/// A unit on its bench, as the plant knows it.
pub(crate) struct Unit<'a> {
    pub(crate) config: &'a PlantConfig,
    pub(crate) truth: &'a Truth,
    pub(crate) hz: f64,
    /// Highest duty, fraction.
    pub(crate) full: f64,
    pub(crate) pulses_per_rev: f64,
    /// Series resistance of the first power.
    pub(crate) series_ohm: f64,
}

impl Unit<'_> {
    /// Floor of `stage`, seconds; `None` for sweeps and searches, which are held against a grid.
    pub(crate) fn floor_s(&self, stage: &Stage, plan: &Plan) -> Option<f64> {
        Some(match stage {
            // Its zero is that of the preflight.
            Stage::FirstPower { .. } => self.charge_s() + WINDOW_S,
            Stage::SupplyOpen { watch } => self.supply_open_s(watch.get()),
            Stage::LineCheck { each } => 3.0 * each.get(),
            Stage::Discover { frequencies, answer_within } => {
                let off_s = plan.stages.iter().find_map(|stage| match stage {
                    Stage::LineCheck { each } => Some(each.get()),
                    _ => None,
                });
                let frequencies = frequencies.iter().map(|hz| hz.get()).collect::<Vec<_>>();
                self.discover_s(&frequencies, answer_within.get(), off_s.unwrap_or(0.0))
            }
            Stage::SoftStart { .. } => {
                // Discovery ends flat out.
                let rests_s = self.rest_s(self.full) + AWAKE_S;
                rests_s + self.start_s(self.full) + self.rest_s(self.full) + ZERO_S
            }
            Stage::Drop { hold } => self.charge_s() + self.start_s(self.full) - WINDOW_S + hold.get() + TIE_S,
            Stage::LossOfSignal { losses, watch, duty } => self.losses_s(losses, *watch, duty.fraction()),
            Stage::PowerUp { duty, .. } => self.power_up_s(duty.fraction(), plan),
            Stage::Soak { duties, each } => self.soak_s(duties, each.get()),
            Stage::Repeats { starts, stops, fine } => self.repeats_s(*starts, *stops, fine.fraction()),
            Stage::Sleep { .. } => self.sleep_s(),
            Stage::Hold { time, .. } => time.get(),
            Stage::Sweep { .. }
            | Stage::FrequencyEdges { .. }
            | Stage::Triage { .. }
            | Stage::HotRestart { .. }
            | Stage::Capacitance { .. }
            | Stage::RepeatedStarts { .. }
            | Stage::SupplyDip { .. }
            | Stage::Crank { .. }
            | Stage::SupplySweep { .. }
            | Stage::Stall { .. }
            | Stage::FlexWatch { .. } => return None,
        })
    }

    fn ratio(&self, duty: f64) -> f64 {
        statics::ratio_at(self.config, duty, self.hz)
    }

    fn speed(&self, duty: f64) -> f64 {
        statics::steady(self.config, self.ratio(duty), self.config.ambient_c, self.config.ambient_c).rad_s
    }

    /// Ratio from which the soft start begins: nothing, or what kick or jump give at once.
    fn begin(&self, from: f64) -> f64 {
        let ramp = &self.config.module.ramp;
        match (ramp.kick, ramp.shape) {
            _ if from > 0.0 => from,
            (Some(kick), _) => kick.ratio,
            (None, RampShape::JumpThenRamp(jump)) => jump,
            (None, _) => 0.0,
        }
    }

    /// Time of the soft start from one output ratio to a higher one.
    fn rise_s(&self, from: f64, to: f64) -> f64 {
        let (ramp, by) = (&self.config.module.ramp, (to - self.begin(from)).max(0.0));
        match ramp.shape {
            RampShape::None => 0.0,
            RampShape::Exponential => ramp.full_s * (by / ARRIVED).max(1.0).ln(),
            RampShape::Linear | RampShape::S | RampShape::Stepped(_) | RampShape::JumpThenRamp(_) => ramp.full_s * by,
        }
    }

    /// Delay, and the kick where the output comes from nothing.
    fn before_rise_s(&self, from: f64) -> (f64, f64) {
        let kick_s = self.config.module.ramp.kick.filter(|_| from <= 0.0).map_or(0.0, |kick| kick.for_s);
        (self.config.module.timing.delay_s, kick_s)
    }

    /// From a command to its output.
    fn output_s(&self, from_duty: f64, to_duty: f64) -> f64 {
        let from = if from_duty > 0.0 { self.ratio(from_duty) } else { 0.0 };
        let (delay_s, kick_s) = self.before_rise_s(from);
        delay_s + kick_s + self.rise_s(from, self.ratio(to_duty))
    }

    /// Output ratio this long after a start from nothing towards `to`.
    fn ratio_in_start(&self, t_s: f64, to: f64) -> f64 {
        let (delay_s, kick_s) = self.before_rise_s(0.0);
        let (ramp, begin) = (&self.config.module.ramp, self.begin(0.0).min(to));
        let t_s = t_s - delay_s - kick_s;
        if t_s < 0.0 {
            return if t_s < -kick_s { 0.0 } else { begin };
        }
        let share = (t_s / (ramp.full_s * (to - begin)).max(1e-6)).min(1.0);
        let risen = match ramp.shape {
            RampShape::None => 1.0,
            RampShape::Exponential => 1.0 - (-t_s / ramp.full_s).exp(),
            RampShape::S => 0.5 * (1.0 - (std::f64::consts::PI * share).cos()),
            RampShape::Linear | RampShape::Stepped(_) | RampShape::JumpThenRamp(_) => share,
        };
        begin + (to - begin) * risen
    }

    /// From the command of a start until the fan is within 0.7 % of its settled speed, and that has been read.
    fn start_s(&self, to_duty: f64) -> f64 {
        let (motor, to, settled) = (&self.config.motor, self.ratio(to_duty), self.speed(to_duty));
        let (mut t_s, mut rad_s) = (0.0, 0.0_f64);
        while rad_s < (1.0 - LEFT) * settled && t_s < LONGEST_S {
            let ratio = self.ratio_in_start(t_s, to);
            let freewheel_v = match self.config.module.power.freewheel {
                Freewheel::Synchronous => 0.0,
                Freewheel::Diode(forward_v) => forward_v * (1.0 - ratio),
            };
            let amps = ((ratio * self.config.supply.open_v - freewheel_v - motor.ke * rad_s) / self.driven_ohm(ratio))
                .max(0.0);
            let drag_nm = motor.friction_nm + motor.viscous_nm_s * rad_s + motor.air_nm_s2 * rad_s * rad_s;
            rad_s = (rad_s + STEP_S * (motor.ke * amps - drag_nm) / motor.inertia_kg_m2).max(0.0);
            t_s += STEP_S;
        }
        t_s + WINDOW_S
    }

    /// Resistance of the fan driven at an output ratio, with its path and the supply as seen through the chopper.
    fn driven_ohm(&self, ratio: f64) -> f64 {
        let switch_ohm = match self.config.module.power.freewheel {
            Freewheel::Synchronous => self.config.module.power.on_ohm,
            Freewheel::Diode(_) => ratio * self.config.module.power.on_ohm,
        };
        let supply_ohm = self.config.supply.resistance_ohm + self.config.supply.lead_ohm;
        self.config.motor.resistance_at(self.config.ambient_c) + switch_ohm + ratio * ratio * supply_ohm
    }

    /// Time constant of the fan about a speed, driven at a ratio.
    fn tau_s(&self, rad_s: f64, ratio: f64) -> f64 {
        let motor = &self.config.motor;
        let stiffness =
            motor.ke * motor.ke / self.driven_ohm(ratio) + motor.viscous_nm_s + 2.0 * motor.air_nm_s2 * rad_s;
        motor.inertia_kg_m2 / stiffness
    }

    /// Coasting from one speed to another by friction and air: the integral of J dw / (Tc + b w + k w²).
    fn coast_s(&self, from_rad_s: f64, to_rad_s: f64) -> f64 {
        let motor = &self.config.motor;
        let step = (from_rad_s - to_rad_s).max(0.0) / 400.0;
        (0..400)
            .map(|cell| {
                let w = to_rad_s + step * (f64::from(cell) + 0.5);
                let drag_nm = motor.friction_nm + motor.viscous_nm_s * w + motor.air_nm_s2 * w * w;
                step * motor.inertia_kg_m2 / drag_nm
            })
            .sum()
    }

    /// Off from the settled speed of a duty until rest is proven.
    fn rest_s(&self, duty: f64) -> f64 {
        self.config.module.timing.off_delay_s + self.coast_s(self.speed(duty), 0.0) + PROOF_S
    }

    /// Input capacitor through the series resistance, five time constants.
    fn charge_s(&self) -> f64 {
        SETTLED * self.series_ohm * self.config.module.power.capacitance_f
    }

    /// Capacitor of a unit without supply, from where its controller stops to where it counts as empty.
    fn bleed_s(&self) -> f64 {
        let power = &self.config.module.power;
        power.bleed_ohm * power.capacitance_f * (self.config.module.protect.reset_v / BLED_V).ln()
    }

    fn supply_open_s(&self, watch_s: f64) -> f64 {
        match (self.truth.loss_open, self.truth.loss_open_after_s) {
            (Some("full"), Some(after_s)) => {
                let runs_s = self.config.module.timing.boot_s + after_s + self.start_s(self.full);
                runs_s.min(watch_s)
            }
            _ => watch_s,
        }
    }

    /// `away_s`: how long the fan was off before, after the line was released.
    fn discover_s(&self, frequencies: &[f64], answer_within_s: f64, away_s: f64) -> f64 {
        let band = &self.config.module.band;
        // What the released line ran flat out has to come down to the lower of the two duties.
        let comes_down_s = match self.truth.loss_open {
            Some("full") => self.down_s(0.35) - away_s,
            _ => 0.0,
        };
        let comes_s = self.output_s(0.0, 0.5).max(comes_down_s);
        let tells_s = comes_s + 2.0 * STEADY_S + self.output_s(0.35, 0.65);
        // What answered has to be off again before the next one is asked, by a line without edges.
        let module = &self.config.module;
        let goes_s = module.at_inactive.after_s + module.timing.off_delay_s;
        // Flat out, or hunting, one duty says that this is not within its band.
        let (delay_s, kick_s) = self.before_rise_s(0.0);
        let full_s = delay_s + kick_s + self.rise_s(0.0, 1.0) + STEADY_S;
        let before = frequencies.iter().take_while(|hz| (**hz / self.hz - 1.0).abs() > 0.02);
        let wrong_s: f64 = before
            .map(|_| match band.outside {
                Outside::Stops | Outside::Holds => answer_within_s,
                Outside::Hunts => comes_s + STEADY_S + goes_s,
                Outside::Full => full_s + goes_s,
                Outside::Misreads(_) => tells_s + goes_s,
            })
            .sum();
        // 0 %, and one duty with edges, from 65 %; then the plateau.
        let off_s = goes_s + 2.0 * GONE_S;
        wrong_s + tells_s + off_s + self.output_s(0.0, 0.65) + self.output_s(0.0, self.full) + module.timing.off_delay_s
    }

    fn losses_s(&self, losses: &[Loss], watch: Seconds, duty: f64) -> f64 {
        let module = &self.config.module;
        let mut before = LossDoes::Stops;
        let mut total_s = 0.0;
        for loss in losses {
            total_s += match before {
                LossDoes::Stops => self.output_s(0.0, duty),
                LossDoes::Full => self.down_s(duty),
                LossDoes::Holds | LossDoes::Ratio(_) => module.timing.delay_s,
            };
            let rule = self.rule(*loss);
            total_s += match rule.does {
                LossDoes::Stops => (rule.after_s + STEADY_S).max(WATCH_S),
                LossDoes::Full => (rule.after_s + self.rise_s(self.ratio(duty), 1.0) + STEADY_S).max(WATCH_S),
                LossDoes::Holds | LossDoes::Ratio(_) => watch.get(),
            };
            before = rule.does;
        }
        total_s
    }

    /// Down from flat out to the speed of a duty: a diode lets the fan coast, a synchronous stage brakes it.
    fn down_s(&self, duty: f64) -> f64 {
        let coast_s = self.coast_s(self.speed(self.full), self.speed(duty));
        match self.config.module.power.freewheel {
            Freewheel::Diode(_) => coast_s,
            Freewheel::Synchronous => self.tau_s(self.speed(duty), self.ratio(duty)).min(coast_s),
        }
    }

    fn rule(&self, loss: Loss) -> LossRule {
        let module = &self.config.module;
        let held = |level: Level| if level == module.input.active { module.at_active } else { module.at_inactive };
        match loss {
            Loss::Zero => module.at_inactive,
            Loss::Full => module.at_active,
            Loss::HeldLow => held(Level::Low),
            Loss::HeldHigh => held(Level::High),
            Loss::Open => {
                let does = match self.truth.loss_open {
                    Some("stops") => LossDoes::Stops,
                    Some("full") => LossDoes::Full,
                    _ => LossDoes::Holds,
                };
                LossRule { does, after_s: self.truth.loss_open_after_s.unwrap_or(0.0) }
            }
        }
    }

    fn power_up_s(&self, duty: f64, plan: &Plan) -> f64 {
        // The fan coasts from what the last loss made of it.
        let last = plan.stages.iter().rev().find_map(|stage| match stage {
            Stage::LossOfSignal { losses, duty, .. } => Some((self.rule(*losses.last()?), duty.fraction())),
            _ => None,
        });
        let rests_s = match last {
            Some((LossRule { does: LossDoes::Full, .. }, _)) => self.rest_s(self.full),
            Some((LossRule { does: LossDoes::Stops, after_s }, before)) => {
                self.rest_s(before) - (WATCH_S - after_s).max(STEADY_S)
            }
            _ => self.rest_s(duty),
        };
        let boot_s = self.config.module.timing.boot_s;
        rests_s.max(self.bleed_s()) + ZERO_S + boot_s + self.start_s(duty) + self.config.module.timing.off_delay_s
    }

    fn soak_s(&self, duties: &[Duty], each_s: f64) -> f64 {
        let heat_s = |duty: &Duty| {
            let (_, tau_s) = statics::heat(self.config, self.ratio(duty.fraction()), self.config.ambient_c);
            (2.0 * tau_s).min(each_s)
        };
        let last = duties.last().map_or(self.full, |duty| duty.fraction());
        duties.iter().map(heat_s).sum::<f64>() + self.rest_s(last) + ZERO_S
    }

    fn repeats_s(&self, starts: u32, stops: u32, fine: f64) -> f64 {
        let motor = &self.config.motor;
        let delay_s = self.config.module.timing.delay_s;
        // Breaking loose leaves this much torque: time to one edge of the tach, and to the three that prove turning.
        let acceleration = (motor.breakaway_nm - motor.friction_nm) / motor.inertia_kg_m2;
        let angle = std::f64::consts::TAU / self.pulses_per_rev;
        let edges_s = |n: f64| (2.0 * n * angle / acceleration).sqrt();
        let (start, in_95) = (self.truth.start_duty_pct.unwrap_or(0.0), self.truth.start_duty_95_pct.unwrap_or(0.0));
        let spread = 0.01 * (in_95 - start) / 1.645;
        // From 2.5 standard deviations below the median on, in fine steps, and one for the step that starts it.
        let climb_s = (2.5 * spread / fine + 1.0) * (delay_s + edges_s(1.0)) + edges_s(3.0);
        let coast_s = self.coast_s(acceleration * edges_s(3.0), 0.0);
        let tau_s = self.tau_s(motor.catch_rad_s, self.ratio(0.01 * start));
        // Down to near the stop, then three fine steps of two time constants, and rest told.
        let stop_s = SETTLED * tau_s + 3.0 * (delay_s + 2.0 * tau_s) + PROOF_S;
        let only_starts = f64::from(starts.saturating_sub(stops));
        self.charge_s() + f64::from(starts) * (PROOF_S + climb_s) + only_starts * coast_s + f64::from(stops) * stop_s
    }

    fn sleep_s(&self) -> f64 {
        let module = &self.config.module;
        let watch_s = module.sleep.and_then(|sleep| sleep.wake).map_or(WAKE_WATCH_S, |wake| WAKE_CYCLES * wake.every_s);
        let after_s = self.truth.sleep_after_s.unwrap_or(0.0);
        let wakes_s = module.timing.wake_s + self.start_s(self.full);
        PROOF_S + 3.0 * ZERO_S + self.charge_s() + AWAKE_S + after_s + watch_s + wakes_s + module.timing.off_delay_s
    }
}

/// Highest duty of a stage that goes "to the rig limit".
pub(crate) fn highest(plan: &Plan, most: f64, learned: Option<f64>) -> f64 {
    let asked = plan.stages.iter().find_map(|stage| match stage {
        Stage::SoftStart { to: UpTo::Value(duty), .. } => Some(duty.fraction()),
        _ => None,
    });
    asked.unwrap_or(1.0).min(most).min(learned.unwrap_or(1.0))
}
