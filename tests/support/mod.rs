//! Whole runs on the virtual bench beside the truth of the unit that it played: shared by the tests and by the
//! accuracy table.

#![allow(dead_code, reason = "each user of this file needs a part of it")]

use std::path::Path;
use std::sync::{Arc, Mutex};

use galebench::bench::{Block, Pace, Setting};
use galebench::config::plan::{Plan, RestartBy, Stage};
use galebench::config::rig::{DriverSpec, FaultKind, ModuleKind, Rig, VirtualSpec};
use galebench::driver::virtual_bench::VirtualBench;
use galebench::driver::{Bench, DriverError, Offers};
use galebench::ops::document::{self, Evaluated};
use galebench::plant::Physics;
use galebench::plant::config::PlantConfig;
use galebench::plant::statics;
use galebench::plant::truth::{FanTruth, Moment, Played, Truth, TruthConditions, truth, truth_in_part};
use galebench::record::event::{FORMAT, Header, SpanKind};
use galebench::record::recording::{Recording, Span};
use galebench::record::writer::RecordWriter;
use galebench::results::ResultName;
use galebench::runner::{self, Quiet, RunRequest, StopHandle};
use galebench::{config, results};

/// A run with the truth of its unit.
pub(crate) struct Run {
    /// What the program found.
    pub(crate) evaluated: Evaluated,
    /// What a perfect bench would have found.
    pub(crate) truth: Truth,
    /// Whether the safe state was confirmed.
    pub(crate) safe_confirmed: bool,
    /// Wall time of plant, runner and record, then of analysis and verdict, seconds.
    pub(crate) wall_s: (f64, f64),
    /// Bytes of the record.
    pub(crate) record_bytes: u64,
}

/// A file that ships with the program.
pub(crate) fn shipped(path: &str) -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// The shipped virtual rig with another unit on it.
pub(crate) fn rig(file: &str, kind: ModuleKind, seed: u64, faults: &[(FaultKind, f64)]) -> Rig {
    let mut rig = config::load_rig(&shipped(file)).expect("the shipped rig is valid");
    let spec = virtual_spec(&mut rig);
    spec.kind = kind;
    spec.seed = seed;
    spec.faults = faults.to_vec();
    rig
}

/// A shipped plan.
pub(crate) fn plan(file: &str) -> Plan {
    config::load_plan(&shipped(file)).expect("the shipped plan is valid")
}

/// What the virtual bench of `rig` plays.
pub(crate) fn virtual_spec(rig: &mut Rig) -> &mut VirtualSpec {
    match &mut rig.driver {
        DriverSpec::Virtual(spec) => spec,
        _ => panic!("not a virtual rig"),
    }
}

/// Runs `plan` on the unit of `rig`, record included, and evaluates it.
pub(crate) fn run(rig: Rig, plan: Plan) -> Run {
    run_on_rig(rig, plan, None)
}

/// The same on a bench whose own errors are those of `rig_seed` instead of the unit's own seed.
pub(crate) fn run_on_rig(mut rig: Rig, plan: Plan, rig_seed: Option<u64>) -> Run {
    let spec = virtual_spec(&mut rig).clone();
    let config = VirtualBench::plant_config(&rig, &spec, spec.seed);
    let bench = match rig_seed {
        None => VirtualBench::open(&rig, &spec, spec.seed),
        Some(rig_seed) => VirtualBench::open_on_rig(&rig, &spec, spec.seed, rig_seed),
    };
    let Carried { evaluated, inside, safe_confirmed, wall_s, record_bytes } = carry_out(&rig, &plan, spec.seed, bench);
    let truth = truth_of_run(&config, &evaluated, &plan, &inside);
    Run { evaluated, truth, safe_confirmed, wall_s, record_bytes }
}

/// A run before anything is known of the truth.
pub(crate) struct Carried {
    pub(crate) evaluated: Evaluated,
    pub(crate) inside: Vec<Inside>,
    pub(crate) safe_confirmed: bool,
    pub(crate) wall_s: (f64, f64),
    pub(crate) record_bytes: u64,
}

/// Runs `plan` on a bench that `rig` states, record included, and evaluates it.
pub(crate) fn carry_out<P: Physics + 'static>(rig: &Rig, plan: &Plan, seed: u64, bench: VirtualBench<P>) -> Carried {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let (bench_facts, plan_facts) = config::facts(rig, plan);
    let header = Header {
        format: (FORMAT.major, FORMAT.minor),
        run: "trial".to_owned(),
        unit: Some("TQ-0001".to_owned()),
        rig: Some(rig.name.clone()),
        plan: Some(plan.name.clone()),
        is_virtual: true,
        seed: Some(seed),
        bench: bench_facts,
        plan_facts,
        ..Header::default()
    };
    let begin = std::time::Instant::now();
    let record_dir = dir.path().join("record");
    let writer = RecordWriter::create(&record_dir, &header).expect("a record");
    let inside = Arc::new(Mutex::new(Vec::new()));
    let bench = Watched { bench, inside: Arc::clone(&inside) };
    let request =
        RunRequest { rig: rig.clone(), plan: plan.clone(), header, checks: Vec::new(), advise: document::doubts };
    let outcome = runner::run(request, Box::new(bench), writer, &mut Quiet, StopHandle::default());
    let ran_s = begin.elapsed().as_secs_f64();
    let begin = std::time::Instant::now();
    let evaluated = document::evaluate(outcome.recording, outcome.stopped);
    let evaluated_s = begin.elapsed().as_secs_f64();
    let inside = inside.lock().expect("nobody panicked with it").clone();
    let record_bytes = std::fs::read_dir(&record_dir)
        .expect("the record's folder")
        .filter_map(|entry| entry.ok()?.metadata().ok())
        .map(|data| data.len())
        .sum();
    let safe_confirmed = outcome.safe_confirmed;
    Carried { evaluated, inside, safe_confirmed, wall_s: (ran_s, evaluated_s), record_bytes }
}

/// A virtual bench whose hidden temperatures are noted beside the run.
#[derive(Debug)]
pub(crate) struct Watched<P> {
    pub(crate) bench: VirtualBench<P>,
    pub(crate) inside: Arc<Mutex<Vec<Inside>>>,
}

/// Temperatures that no sensor of the rig sees, and the current without the errors of its sensor.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Inside {
    pub(crate) t_s: f64,
    pub(crate) copper_c: f64,
    pub(crate) case_c: f64,
    pub(crate) fan_a: f64,
    pub(crate) sag_v: f64,
}

impl<P: Physics> Bench for Watched<P> {
    fn offers(&self) -> &Offers {
        self.bench.offers()
    }

    fn set(&mut self, setting: &Setting) -> Result<f64, DriverError> {
        self.bench.set(setting)
    }

    fn read(&mut self, seconds: f64, pace: Pace) -> Result<Block, DriverError> {
        let block = self.bench.read(seconds, pace)?;
        let plant = self.bench.plant();
        let (t_s, fan_a) = (block.end_s(), plant.fan_a());
        let sag_v = plant.slow_sag_v();
        let now = Inside { t_s, copper_c: plant.copper_c(), case_c: plant.case_c(), fan_a, sag_v };
        let mut inside = self.inside.lock().expect("nobody panicked with it");
        if inside.last().is_none_or(|last| now.t_s - last.t_s > 0.5) {
            inside.push(now);
        }
        Ok(block)
    }

    fn make_safe(&mut self) -> Result<f64, DriverError> {
        self.bench.make_safe()
    }

    fn flex(&mut self, on: bool) -> bool {
        self.bench.flex(on)
    }
}

/// The conditions of the parts of a run of this kind: hidden temperatures are those that the plant had there.
pub(crate) fn conditions_at(
    evaluated: &Evaluated,
    plan: &Plan,
    inside: &[Inside],
    kind: fn(&SpanKind) -> bool,
) -> TruthConditions {
    let spans: Vec<_> = evaluated.recording.spans_where(kind).collect();
    let within = |t_s: f64| spans.iter().any(|span| (span.t0_s..=span.t1_s).contains(&t_s));
    let seen: Vec<_> = inside.iter().filter(|now| within(now.t_s)).collect();
    let (copper_c, case_c) = mean_temperatures(&seen).unzip();
    TruthConditions { copper_c, case_c, ..conditions(evaluated, plan) }
}

/// Mean copper and case temperature; `None` of nothing.
fn mean_temperatures(seen: &[&Inside]) -> Option<(f64, f64)> {
    let mean = |of: fn(&Inside) -> f64| seen.iter().map(|now| of(now)).sum::<f64>() / seen.len() as f64;
    (!seen.is_empty()).then(|| (mean(|now| now.copper_c), mean(|now| now.case_c)))
}

/// The temperatures noted last by `t_s`.
fn noted_by(inside: &[Inside], t_s: f64) -> Option<&Inside> {
    inside.iter().rev().find(|now| now.t_s <= t_s)
}

/// The conditions under which trials of this kind passed their threshold: a trial ends where it is passed, and each counts
/// once, however long it waited for that.
pub(crate) fn when_passed(
    evaluated: &Evaluated,
    plan: &Plan,
    inside: &[Inside],
    kind: fn(&SpanKind) -> bool,
) -> TruthConditions {
    let ends = evaluated.recording.spans_where(kind).filter_map(|span| noted_by(inside, span.t1_s));
    let (copper_c, case_c) = mean_temperatures(&ends.collect::<Vec<_>>()).unzip();
    TruthConditions { copper_c, case_c, ..conditions(evaluated, plan) }
}

/// What was noted at the begins and at the ends of the parts of a run of this kind, each as one mean.
fn at_both_ends(recording: &Recording, inside: &[Inside], kind: fn(&SpanKind) -> bool) -> Option<[Moment; 2]> {
    let mean_at = |time_s: fn(&Span) -> f64| {
        let seen: Vec<_> = recording.spans_where(kind).filter_map(|span| noted_by(inside, time_s(span))).collect();
        let (copper_c, case_c) = mean_temperatures(&seen)?;
        let sag_v = seen.iter().map(|now| now.sag_v).sum::<f64>() / seen.len() as f64;
        Some(Moment { copper_c, case_c, sag_v })
    };
    Some([mean_at(|span| span.t0_s)?, mean_at(|span| span.t1_s)?])
}

/// The truth at the conditions under which each group of results was measured. The conditions are taken from the run;
/// hidden temperatures from the plant, since thresholds, drop and speed depend on them.
fn truth_of_run(config: &PlantConfig, evaluated: &Evaluated, plan: &Plan, inside: &[Inside]) -> Truth {
    let recording = &evaluated.recording;
    let cold = conditions(evaluated, plan);
    let at = |kind: fn(&SpanKind) -> bool, played: Played| {
        truth_in_part(config, &conditions_at(evaluated, plan, inside, kind), played)
    };
    let mut all = truth(config, &cold);
    let passed = |kind: fn(&SpanKind) -> bool| {
        truth_in_part(config, &when_passed(evaluated, plan, inside, kind), Played::Nothing)
    };
    let starting = passed(|kind| *kind == SpanKind::Ascend);
    (all.start_duty_pct, all.start_duty_95_pct) = (starting.start_duty_pct, starting.start_duty_95_pct);
    all.stop_duty_pct = passed(|kind| *kind == SpanKind::Descend).stop_duty_pct;
    all.hysteresis_pct = all.start_duty_pct.zip(all.stop_duty_pct).map(|(start, stop)| start - stop);
    let is_start = |kind: &SpanKind| *kind == SpanKind::Start;
    let ends = at_both_ends(recording, inside, is_start);
    let when_started = TruthConditions {
        sag_v: ends.map_or(0.0, |[begin, _]| begin.sag_v),
        settled: ends.map(|[_, end]| end),
        ..conditions_at(evaluated, plan, inside, is_start)
    };
    let started = truth_in_part(config, &when_started, Played::Starts);
    all.run_down_s = started.run_down_s;
    (all.ramp_10_90_s, all.ramp_full_s) = (started.ramp_10_90_s, started.ramp_full_s);
    (all.peak_supply_a, all.inrush_ratio) = (started.peak_supply_a, started.inrush_ratio);
    all.soft_start_share = started.soft_start_share;
    if recording.spans_where(|kind| *kind == SpanKind::HotStart).next().is_some() {
        let warm = at(|kind| *kind == SpanKind::HotStart, Played::Starts);
        let by_supply = |stage: &Stage| matches!(stage, Stage::HotRestart { by, .. } if by == &[RestartBy::Supply]);
        let (warm_a, cold_a) = if plan.stages.iter().any(by_supply) {
            (warm.power_up_peak_a, at(|kind| *kind == SpanKind::PowerUp, Played::Starts).power_up_peak_a)
        } else {
            (warm.peak_supply_a, started.peak_supply_a)
        };
        all.hot_inrush_ratio = warm_a.zip(cold_a).map(|(warm, cold)| warm / cold);
    }
    all.power_up_peak_a = at(|kind| *kind == SpanKind::PowerUp, Played::Starts).power_up_peak_a;
    let flat = at(|kind| *kind == SpanKind::FlatOut, Played::Nothing);
    all.on_resistance_ohm = flat.on_resistance_ohm;
    all.drop_v = flat.drop_v.zip(flat.on_resistance_ohm).map(|(settled_v, ohm)| {
        // At the current that flowed: the supply goes on giving way to it for half a minute.
        current_flat_out(recording, inside).map_or(settled_v, |amps| ohm * amps)
    });
    let soaked = truth_in_part(config, &after_soak(recording, &cold, inside), Played::Nothing);
    all.load_fan = started.load_fan.zip(soaked.load_fan).map(|(cold, hot)| FanTruth { copper_c: hot.copper_c, ..cold });
    let at_duty = |name| truth_in_part(config, &at_stated_soak(evaluated, &cold, inside, name), Played::Nothing);
    all.heat_rise_k = at_duty(ResultName::HeatRiseK).heat_rise_k;
    all.heat_tau_s = at_duty(ResultName::HeatTauS).heat_tau_s;
    all.speed_rpm = last_constant_speed(config, recording, cold.command_hz, inside);
    let steadiness = evaluated.document.results.get(&ResultName::SteadinessPct);
    if steadiness.is_some_and(|measured| measured.method == "current") {
        all.steadiness_pct = all.steadiness_current_pct;
    }
    all
}

/// Mean current of the fan once it had come to its speed in the flat-out stretches.
fn current_flat_out(recording: &Recording, inside: &[Inside]) -> Option<f64> {
    let spans: Vec<_> = recording.spans_where(|kind| *kind == SpanKind::FlatOut).collect();
    let within = |t_s: f64| spans.iter().any(|span| (span.t0_s + 0.5..=span.t1_s).contains(&t_s));
    let seen: Vec<f64> = inside.iter().filter(|now| within(now.t_s)).map(|now| now.fan_a).collect();
    (!seen.is_empty()).then(|| seen.iter().sum::<f64>() / seen.len() as f64)
}

/// Conditions that a soak leads to: the case converges to what the fan makes of it once its own copper is warm, as it
/// is at the end of the soak, and a warm fan draws less than a cold one.
pub(crate) fn after_soak(recording: &Recording, cold: &TruthConditions, inside: &[Inside]) -> TruthConditions {
    let end_s = recording.spans_where(|kind| *kind == SpanKind::Soak).last().map_or(f64::INFINITY, |span| span.t1_s);
    let copper_c = noted_by(inside, end_s).map(|now| now.copper_c);
    TruthConditions { copper_c, ..*cold }
}

/// Conditions of the soak of which `name` says that it was read from it: on-resistance and current, and with them the
/// time constant too, are others at another duty.
fn at_stated_soak(
    evaluated: &Evaluated,
    cold: &TruthConditions,
    inside: &[Inside],
    name: ResultName,
) -> TruthConditions {
    let recording = &evaluated.recording;
    let note = evaluated.document.results.get(&name).and_then(|measured| measured.note.as_deref());
    let stated = note.and_then(|note| note.split(" % duty").next()?.rsplit(' ').next()?.parse::<f64>().ok());
    let duty = |span: &&Span| recording.setting_at(span.t1_s - 1e-6).map_or(f64::NAN, |setting| setting.duty.percent());
    let is_stated = |span: &&Span| stated.is_some_and(|stated| (duty(span) - stated).abs() < 0.5);
    match recording.spans_where(|kind| *kind == SpanKind::Soak).find(is_stated) {
        Some(span) => {
            let copper_c = noted_by(inside, span.t1_s).map(|now| now.copper_c);
            TruthConditions { copper_c, soak_duty: duty(&span) / 100.0, ..*cold }
        }
        None => after_soak(recording, cold, inside),
    }
}

/// Speed that the fan converges to at the duty and temperatures of the last long hold.
fn last_constant_speed(config: &PlantConfig, recording: &Recording, hz: f64, inside: &[Inside]) -> Option<f64> {
    let held = |kind: &SpanKind| matches!(kind, SpanKind::Soak | SpanKind::Hold);
    let span = recording.spans_where(held).last()?;
    let now = noted_by(inside, span.t1_s)?;
    let duty = recording.setting_at(span.t1_s - 1e-6)?.duty.fraction();
    let ratio = statics::ratio_at(config, duty, hz);
    Some(statics::steady(config, ratio, now.copper_c, now.case_c).rad_s * 30.0 / std::f64::consts::PI)
}

/// The conditions under which the program says it measured, everything cold.
pub(crate) fn conditions(evaluated: &Evaluated, plan: &Plan) -> TruthConditions {
    let recording = &evaluated.recording;
    let hz = evaluated.findings.number(ResultName::CommandHz).unwrap_or(100.0);
    let mut conditions = TruthConditions::new(hz, full_duty(recording).unwrap_or(0.99));
    for stage in &plan.stages {
        match stage {
            Stage::PowerUp { duty, .. } => conditions.power_up_duty = duty.fraction(),
            Stage::Soak { duties, .. } => {
                conditions.soak_duty = duties.last().map_or(conditions.soak_duty, |duty| duty.fraction());
            }
            _ => {}
        }
    }
    conditions.battery = plan.battery.map(|b| (b.capacity.get() * b.usable.get(), b.other_drain.get()));
    conditions
}

/// Duty of the start that was measured.
fn full_duty(recording: &Recording) -> Option<f64> {
    let complete = |span: &&Span| span.kind == SpanKind::Start && span.complete.is_ok();
    let span = recording.spans.iter().find(complete)?;
    recording.setting_at(span.t1_s - 1e-6).map(|setting| setting.duty.fraction())
}

/// The true number of `name`, where there is one.
pub(crate) fn true_number(truth: &Truth, name: ResultName) -> Option<f64> {
    match name {
        ResultName::PullUpV => truth.pull_up_v,
        ResultName::PullUpOhm => truth.pull_up_ohm,
        ResultName::OutputOnPct => truth.output_on_pct,
        ResultName::OutputOffPct => truth.output_off_pct,
        ResultName::StartDutyPct => truth.start_duty_pct,
        ResultName::StartDuty95Pct => truth.start_duty_95_pct,
        ResultName::StopDutyPct => truth.stop_duty_pct,
        ResultName::HysteresisPct => truth.hysteresis_pct,
        ResultName::SaturationDutyPct => truth.saturation_duty_pct,
        ResultName::UpperCutoffPct => truth.upper_cutoff_pct,
        ResultName::CommandHzLow => truth.command_hz_low,
        ResultName::CommandHzHigh => truth.command_hz_high,
        ResultName::CommandDelayS => truth.command_delay_s,
        ResultName::CommandDelayAsleepS => truth.command_delay_asleep_s,
        ResultName::Ramp1090S => truth.ramp_10_90_s,
        ResultName::RampFullS => truth.ramp_full_s,
        ResultName::PeakSupplyA => truth.peak_supply_a,
        ResultName::InrushRatio => truth.inrush_ratio,
        ResultName::SoftStartShare => truth.soft_start_share,
        ResultName::HotInrushRatio => truth.hot_inrush_ratio,
        ResultName::PowerUpPeakA => truth.power_up_peak_a,
        ResultName::OutputOffDelayS => truth.output_off_delay_s,
        ResultName::RunDownS => truth.run_down_s,
        ResultName::SleepA => truth.sleep_a,
        ResultName::SleepAfterS => truth.sleep_after_s,
        ResultName::BatteryDays => truth.battery_days,
        ResultName::DropV => truth.drop_v,
        ResultName::OnResistanceOhm => truth.on_resistance_ohm,
        ResultName::CapacitanceF => truth.capacitance_f,
        ResultName::SpeedRpm => truth.speed_rpm,
        ResultName::SteadinessPct => truth.steadiness_pct,
        ResultName::HeatRiseK => truth.heat_rise_k,
        ResultName::HeatTauS => truth.heat_tau_s,
        ResultName::LossFullAfterS => truth.loss_full_after_s,
        ResultName::LossZeroAfterS => truth.loss_zero_after_s,
        ResultName::LossOpenAfterS => truth.loss_open_after_s,
        _ => None,
    }
}

/// The true word of `name`, where there is one.
pub(crate) fn true_word(truth: &Truth, name: ResultName) -> Option<&'static str> {
    match name {
        ResultName::ActiveLevel => truth.active_level,
        ResultName::LineKind => truth.line_kind,
        ResultName::RampShape => truth.ramp_shape,
        ResultName::PowerUp => truth.power_up,
        ResultName::LossFull => truth.loss_full,
        ResultName::LossZero => truth.loss_zero,
        ResultName::LossOpen => truth.loss_open,
        _ => None,
    }
}

/// Whether the stated 95 % interval holds `value`; an open end holds everything on its side.
pub(crate) fn covers(measured: &results::Measured, value: f64) -> bool {
    measured
        .interval
        .is_some_and(|[low, high]| low.is_none_or(|low| value >= low) && high.is_none_or(|high| value <= high))
}
