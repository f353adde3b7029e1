//! The true value of every result, as a function of the plant: what a perfect bench would report.
//!
//! Closed forms where there are any, else a noise-free run of a copy. Fields carry the contract names of the results.

use super::command::{self, Pattern};
use super::config::{InputKind, Level, LossDoes, LossRule, PlantConfig, PowerUp, RampShape, Switch};
use super::module::output_ratio;
use super::{LineDrive, play, statics};

/// Conditions at which the truth is asked for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TruthConditions {
    /// Command frequency.
    pub command_hz: f64,
    /// Highest commanded duty, fraction: what "full" is in start, drop and run-down.
    pub most_duty: f64,
    /// Commanded duty when the supply comes with the command there.
    pub power_up_duty: f64,
    /// Commanded duty of the soak.
    pub soak_duty: f64,
    /// Copper temperature for thresholds, starts and soak; `None` is ambient.
    pub copper_c: Option<f64>,
    /// Case temperature for on-resistance, drop and starts; `None` is ambient.
    pub case_c: Option<f64>,
    /// By how much the supply had given way slowly when a start began, volts.
    pub sag_v: f64,
    /// What it was like inside at the end of a start, where its current has settled and its run-down begins; `None` is what
    /// the start itself makes of that.
    pub settled: Option<Moment>,
    /// Usable charge of the vehicle's battery (A.h) and its other drain (A).
    pub battery: Option<(f64, f64)>,
}

impl TruthConditions {
    /// At this frequency up to this duty (fraction), half duty at power-up, 60 % in the soak, everything cold.
    #[must_use]
    pub const fn new(command_hz: f64, most_duty: f64) -> Self {
        Self {
            command_hz,
            most_duty,
            power_up_duty: 0.5,
            soak_duty: 0.6,
            copper_c: None,
            case_c: None,
            sag_v: 0.0,
            settled: None,
            battery: None,
        }
    }
}

/// What no sensor sees of a moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Moment {
    /// Copper temperature of the fan.
    pub copper_c: f64,
    /// Case temperature.
    pub case_c: f64,
    /// By how much the supply has given way slowly, volts.
    pub sag_v: f64,
}

/// True values. `None` where the quantity does not exist for this unit (it never answers, never sleeps, holds).
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Truth {
    /// Level whose share is the duty.
    pub active_level: Option<&'static str>,
    /// Open voltage of the awake input as a source.
    pub pull_up_v: Option<f64>,
    /// Its resistance.
    pub pull_up_ohm: Option<f64>,
    /// Kind of input.
    pub line_kind: Option<&'static str>,
    /// Commanded duty that the module reads as its rising threshold.
    pub output_on_pct: Option<f64>,
    /// The same for the falling threshold.
    pub output_off_pct: Option<f64>,
    /// Commanded duty at which the stalled fan's torque equals the median breakaway torque, but not below the output
    /// threshold; with a kick start that frees the fan, the duty from which it keeps turning.
    pub start_duty_pct: Option<f64>,
    /// The same at the breakaway torque that 95 of 100 starts stay below.
    pub start_duty_95_pct: Option<f64>,
    /// Commanded duty at which the settled speed is that at which the detents catch, or the output goes off.
    pub stop_duty_pct: Option<f64>,
    /// Start less stop.
    pub hysteresis_pct: Option<f64>,
    /// Commanded duty at which the map meets its plateau; `None` when current limiting keeps it from there.
    pub saturation_duty_pct: Option<f64>,
    /// Commanded duty above which the output leaves the plateau.
    pub upper_cutoff_pct: Option<f64>,
    /// Frequency at which the band is left downwards.
    pub command_hz_low: Option<f64>,
    /// Frequency at which it is left upwards.
    pub command_hz_high: Option<f64>,
    /// Command edge to onset of output, awake.
    pub command_delay_s: Option<f64>,
    /// The same from asleep.
    pub command_delay_asleep_s: Option<f64>,
    /// 10 to 90 % of the settled ratio of output to supply voltage in a noise-free start.
    pub ramp_10_90_s: Option<f64>,
    /// Shape of the soft start.
    pub ramp_shape: Option<&'static str>,
    /// First output to 95 % in that start.
    pub ramp_full_s: Option<f64>,
    /// Highest 5 ms mean of supply current in it.
    pub peak_supply_a: Option<f64>,
    /// That over the settled current at its end.
    pub inrush_ratio: Option<f64>,
    /// Share of the hard-start peak that the soft start takes away, from two noise-free starts.
    pub soft_start_share: Option<f64>,
    /// What supply with a command does.
    pub power_up: Option<&'static str>,
    /// Highest 5 ms mean of supply current then, from 20 ms after the contact on.
    pub power_up_peak_a: Option<f64>,
    /// Peak of a warm start over that of a cold one; filled in by whoever knows how warm and how cold they were.
    pub hot_inrush_ratio: Option<f64>,
    /// Valid off duty (with edges) to output gone.
    pub output_off_delay_s: Option<f64>,
    /// Off command to a tenth of the speed in a noise-free run-down.
    pub run_down_s: Option<f64>,
    /// Mean current asleep over whole wake cycles, leaks included.
    pub sleep_a: Option<f64>,
    /// End of the last activity (edges, demand) to asleep.
    pub sleep_after_s: Option<f64>,
    /// Days that the battery of the conditions lasts.
    pub battery_days: Option<f64>,
    /// On-resistance times fan current flat out, copper cold.
    pub drop_v: Option<f64>,
    /// On-resistance at the case temperature of the conditions.
    pub on_resistance_ohm: Option<f64>,
    /// Input capacitance.
    pub capacitance_f: Option<f64>,
    /// The load fan.
    pub load_fan: Option<FanTruth>,
    /// Speed at the end of the noise-free start.
    pub speed_rpm: Option<f64>,
    /// Expected peak-to-peak of speed at the soak duty, percent of its mean (a chance quantity).
    pub steadiness_pct: Option<f64>,
    /// The same of the supply current, which is what a bench without a tach sees.
    pub steadiness_current_pct: Option<f64>,
    /// Case over ambient in the end at the soak duty.
    pub heat_rise_k: Option<f64>,
    /// Effective time constant there.
    pub heat_tau_s: Option<f64>,
    /// What 100 % does.
    pub loss_full: Option<&'static str>,
    /// What 0 % does.
    pub loss_zero: Option<&'static str>,
    /// What an open line does.
    pub loss_open: Option<&'static str>,
    /// After how long.
    pub loss_full_after_s: Option<f64>,
    /// After how long.
    pub loss_zero_after_s: Option<f64>,
    /// After how long.
    pub loss_open_after_s: Option<f64>,
}

/// True constants of the load fan.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FanTruth {
    /// Resistance at the copper temperature of the conditions.
    pub resistance_ohm: f64,
    /// Back-EMF constant, V.s/rad.
    pub ke_v_s: f64,
    /// Inertia, kg.m2.
    pub inertia_kg_m2: f64,
    /// Air load over speed squared, N.m.s2.
    pub air_nm_s2: f64,
    /// Copper temperature of the conditions.
    pub copper_c: f64,
}

/// Level exceeded by five in a hundred of a normal distribution.
const Z_95: f64 = 1.644_854;

/// What is played of the truth that has no closed form.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Played {
    /// Nothing: the rest is there at once.
    Nothing,
    /// Starts and a run-down: some 20 ms in a release build.
    Starts,
    /// These and an hour at constant duty, for the steadiness: some 500 ms.
    All,
}

/// The truth about `config` at these conditions.
#[must_use]
pub fn truth(config: &PlantConfig, at: &TruthConditions) -> Truth {
    truth_in_part(config, at, Played::All)
}

/// As [`truth`], without what would have to be played beyond `played`.
#[must_use]
pub fn truth_in_part(config: &PlantConfig, at: &TruthConditions, played: Played) -> Truth {
    let mut truth = Truth { capacitance_f: Some(config.module.power.capacitance_f), ..Truth::default() };
    let copper_c = at.copper_c.unwrap_or(config.ambient_c);
    truth.load_fan = Some(FanTruth {
        resistance_ohm: config.motor.resistance_at(copper_c),
        ke_v_s: config.motor.ke,
        inertia_kg_m2: config.motor.inertia_kg_m2,
        air_nm_s2: config.motor.air_nm_s2,
        copper_c,
    });
    input(config, &mut truth);
    asleep(config, at, &mut truth);
    if answers(config, at) {
        truth.active_level = Some(if config.module.input.active == Level::Low { "low" } else { "high" });
        thresholds(config, at, &mut truth);
        band_and_delays(config, &mut truth);
        losses(config, &mut truth);
        steady_values(config, at, &mut truth);
        if played != Played::Nothing {
            starts(config, at, &mut truth);
        }
        if played == Played::All {
            let (speed, current) = play::steadiness(config, at.soak_duty, at.command_hz).unzip();
            truth.steadiness_pct = speed.map(|share| 100.0 * share);
            truth.steadiness_current_pct = current.map(|share| 100.0 * share);
        }
    }
    truth
}

/// Whether it follows a pulse train of these conditions at all.
fn answers(config: &PlantConfig, at: &TruthConditions) -> bool {
    let module = &config.module;
    let drive = play::command(config, 0.5, at.command_hz);
    let seen = command::pattern(drive, &module.input, &config.line, config.supply.open_v, false);
    module.input.kind == InputKind::Pwm
        && !module.input.dead
        && module.defect.switch == Switch::Works
        && matches!(seen, Pattern::Edges { .. })
        && command::accepts(&module.band, at.command_hz, false)
}

fn input(config: &PlantConfig, truth: &mut Truth) {
    let input = &config.module.input;
    truth.line_kind = Some(match input.kind {
        InputKind::Pwm if input.pull_up_ohm.is_some() => "open_collector",
        InputKind::Pwm => "push_pull",
        InputKind::Lin => "lin_like",
        InputKind::Can => "can_like",
        InputKind::Analog => "unknown",
    });
    if input.pull_up_ohm.is_some() {
        let (volts, ohm) = command::input_source(input, config.supply.open_v, false);
        (truth.pull_up_v, truth.pull_up_ohm) = (Some(volts), Some(ohm));
    }
}

fn asleep(config: &PlantConfig, at: &TruthConditions, truth: &mut Truth) {
    let Some(sleep) = &config.module.sleep else { return };
    if matches!(config.module.defect.switch, Switch::Shorted(_)) {
        return;
    }
    let leak_a = config.module.defect.leak_ohm.map_or(0.0, |ohm| config.supply.open_v / ohm);
    let own_a = sleep.wake.map_or(sleep.current_a, |wake| {
        let share = wake.for_s / wake.every_s;
        sleep.current_a * (1.0 - share) + wake.current_a * share
    });
    truth.sleep_a = Some(own_a + leak_a);
    truth.sleep_after_s = Some(sleep.after_s);
    truth.battery_days = at.battery.map(|(usable_ah, other_a)| usable_ah / (own_a + leak_a + other_a) / 24.0);
}

fn thresholds(config: &PlantConfig, at: &TruthConditions, truth: &mut Truth) {
    let module = &config.module;
    let map = &module.map;
    let shift = command::shift(&module.input, &config.line, at.command_hz);
    let pct = |duty: f64| 100.0 * (duty - shift);
    let (copper_c, case_c) = (at.copper_c.unwrap_or(config.ambient_c), at.case_c.unwrap_or(config.ambient_c));
    let keeps = statics::stop_ratio(config, copper_c, case_c).and_then(|ratio| statics::duty_for_ratio(module, ratio));
    let frees = |z: f64| {
        let ratio = statics::start_ratio(config, z, copper_c, case_c)?;
        let kicked = module.ramp.kick.is_some_and(|kick| kick.ratio >= ratio);
        let duty = if kicked { keeps } else { statics::duty_for_ratio(module, ratio) };
        duty.map(|duty| duty.max(map.on))
    };
    truth.output_on_pct = Some(pct(map.on));
    truth.output_off_pct = Some(pct(map.off));
    truth.start_duty_pct = frees(0.0).map(pct);
    truth.start_duty_95_pct = frees(Z_95).map(pct);
    truth.stop_duty_pct = keeps.map(|duty| pct(duty.max(map.off)));
    truth.hysteresis_pct = truth.start_duty_pct.zip(truth.stop_duty_pct).map(|(start, stop)| start - stop);
    let flat_out = statics::steady(config, 1.0, copper_c, case_c);
    if flat_out.fan_a < 0.99 * module.protect.current_limit_a {
        truth.saturation_duty_pct = Some(pct(map.saturation));
        truth.upper_cutoff_pct = map.upper_cutoff.map(pct);
    }
}

fn band_and_delays(config: &PlantConfig, truth: &mut Truth) {
    let module = &config.module;
    truth.command_hz_low = Some(module.band.low_exit_hz);
    truth.command_hz_high = Some(module.band.high_exit_hz);
    truth.command_delay_s = Some(module.timing.delay_s);
    truth.command_delay_asleep_s = module.sleep.map(|_| module.timing.delay_s + module.timing.wake_s);
    truth.output_off_delay_s = Some(module.timing.off_delay_s);
}

fn losses(config: &PlantConfig, truth: &mut Truth) {
    let module = &config.module;
    let steady = |level: Level| if level == module.input.active { module.at_active } else { module.at_inactive };
    let open = match command::pattern(LineDrive::Released, &module.input, &config.line, config.supply.open_v, false) {
        Pattern::Steady(level) => steady(level),
        Pattern::Edges { .. } => module.at_inactive,
    };
    let word = |rule: LossRule| match rule.does {
        LossDoes::Stops => "stops",
        LossDoes::Full => "full",
        LossDoes::Holds => "holds",
        LossDoes::Ratio(_) => "other",
    };
    let after = |rule: LossRule| (rule.does != LossDoes::Holds).then_some(rule.after_s);
    truth.loss_zero = Some(word(module.at_inactive));
    truth.loss_full = Some(word(module.at_active));
    truth.loss_open = Some(word(open));
    truth.loss_zero_after_s = after(module.at_inactive);
    truth.loss_full_after_s = after(module.at_active);
    truth.loss_open_after_s = after(open);
}

/// Ramps shorter than this are none at all to a fan.
const NO_RAMP_S: f64 = 0.05;
/// Charging of the input capacitor is over by then.
const CHARGED_S: f64 = 0.02;

fn starts(config: &PlantConfig, at: &TruthConditions, truth: &mut Truth) {
    let quiet = play::without_chance(config);
    let temperatures = (at.copper_c.unwrap_or(config.ambient_c), at.case_c.unwrap_or(config.ambient_c));
    let (soft, mut plant) = play::start(&quiet, at.most_duty, at.command_hz, temperatures, at.sag_v);
    if soft.resets > 0 || soft.settled_ratio() < 0.05 {
        return;
    }
    let at_once = play::without_ramp(&quiet);
    let (hard, _) = play::start(&at_once, at.most_duty, at.command_hz, temperatures, at.sag_v);
    let (peak_a, hard_a) = (soft.peak_a(0.0), hard.peak_a(0.0));
    let settled = at.settled.map(|there| play::settled_at(&mut plant, &there));
    let (settled_a, former_rad_s) = settled.unwrap_or((soft.settled_a(), soft.rad_s));
    let reached = play::reached(&quiet, at.most_duty, at.command_hz, temperatures, &soft);
    truth.ramp_10_90_s = reached.tenth_s.zip(reached.nine_tenths_s).map(|(low, high)| high - low);
    truth.ramp_full_s = reached.onset_s.zip(reached.full_s).map(|(first, full)| full - first);
    truth.ramp_shape = Some(shape(config));
    truth.peak_supply_a = Some(peak_a);
    truth.inrush_ratio = Some(peak_a / settled_a);
    truth.soft_start_share = Some((hard_a - peak_a) / (hard_a - settled_a));
    truth.speed_rpm = Some(soft.rad_s * 60.0 / std::f64::consts::TAU);
    truth.run_down_s = play::run_down_s(&quiet, plant, former_rad_s, at.command_hz);
    let by_supply = play::power_up(&quiet, at.power_up_duty, at.command_hz, temperatures);
    truth.power_up = Some(match config.module.ramp.power_up {
        PowerUp::Nothing => "nothing",
        PowerUp::Hard => "hard",
        PowerUp::Soft if shape(config) == "none" => "hard",
        PowerUp::Soft => "soft",
    });
    truth.power_up_peak_a = Some(by_supply.peak_a(CHARGED_S));
}

fn shape(config: &PlantConfig) -> &'static str {
    let ramp = &config.module.ramp;
    match ramp.shape {
        _ if ramp.full_s < NO_RAMP_S => "none",
        RampShape::None => "none",
        RampShape::Linear if ramp.kick.is_some() => "jump_then_ramp",
        RampShape::Linear => "linear",
        RampShape::Exponential => "exponential",
        RampShape::S => "s",
        RampShape::Stepped(_) => "stepped",
        RampShape::JumpThenRamp(_) => "jump_then_ramp",
    }
}

fn steady_values(config: &PlantConfig, at: &TruthConditions, truth: &mut Truth) {
    let (copper_c, case_c) = (at.copper_c.unwrap_or(config.ambient_c), at.case_c.unwrap_or(config.ambient_c));
    let full = output_ratio(&config.module, statics::read_duty(config, at.most_duty, at.command_hz));
    let on_ohm = statics::on_resistance(config, case_c);
    truth.on_resistance_ohm = Some(on_ohm);
    truth.drop_v = (full >= 1.0).then(|| on_ohm * statics::steady(config, full, copper_c, case_c).fan_a);
    let soak = statics::ratio_at(config, at.soak_duty, at.command_hz);
    let (rise_k, tau_s) = statics::heat(config, soak, copper_c);
    (truth.heat_rise_k, truth.heat_tau_s) = (Some(rise_k), Some(tau_s));
}
