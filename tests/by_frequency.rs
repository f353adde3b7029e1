//! The command over its frequency, on the virtual bench beside the plant's truth: thresholds at the frequencies that the plan
//! names, and what the unit makes of one duty at all that were tried.

mod support;

use galebench::config::plan::Stage;
use galebench::config::rig::ModuleKind;
use galebench::driver::virtual_bench::VirtualBench;
use galebench::plant::truth::{Truth, TruthConditions, truth};
use galebench::results::{ByFrequency, Fitted, ResultName};
use galebench::units::Hertz;

/// What the unit makes of its command, and its truth at a command frequency.
struct Tried {
    rows: Vec<ByFrequency>,
    nominal_hz: f64,
    at: Box<dyn Fn(f64) -> Truth>,
}

fn tried(kind: ModuleKind, seed: u64, at_hz: &[f64]) -> Tried {
    let mut plan = support::plan("test-plans/full.toml");
    plan.limits.clear();
    plan.stages.retain(|stage| matches!(stage.name(), "first_power" | "discover" | "sweep" | "frequency_edges"));
    for stage in &mut plan.stages {
        if let Stage::FrequencyEdges { thresholds_at, .. } = stage {
            *thresholds_at = at_hz.iter().copied().map(Hertz).collect();
        }
    }
    let mut rig = support::rig("rigs/virtual.toml", kind, seed, &[]);
    let spec = support::virtual_spec(&mut rig).clone();
    let config = VirtualBench::plant_config(&rig, &spec, seed);
    let run = support::run(rig, plan);
    assert!(run.safe_confirmed && run.evaluated.document.stopped.is_none(), "{:?}", run.evaluated.document.stopped);
    let nominal_hz = run.evaluated.findings.number(ResultName::CommandHz).expect("it follows");
    let at = move |hz: f64| truth(&config, &TruthConditions::new(hz, 0.99));
    Tried { rows: run.evaluated.document.by_frequency, nominal_hz, at: Box::new(at) }
}

/// Three standard uncertainties: one of twenty 95 % intervals misses by itself.
fn near(found: Fitted, truth: f64, beside: f64) -> bool {
    (found.value - truth).abs() < 3.0 * found.u.hypot(beside)
}

#[test]
fn thresholds_are_found_at_each_frequency_that_the_plan_names() {
    let asked = [2_000.0, 20_000.0];
    let Tried { rows, at, .. } = tried(ModuleKind::FastCommand, 61, &asked);
    for hz in asked {
        let truth = at(hz);
        let row = rows.iter().find(|row| (row.hz - hz).abs() < 1e-6 * hz).expect("asked for");
        assert_eq!(row.did.as_deref(), Some("follows"), "{row:?}");
        let found = [row.output_on_pct, row.output_off_pct, row.start_duty_pct, row.stop_duty_pct];
        let [Some(on), Some(off), Some(start), Some(stop)] = found else { panic!("{row:?} of {rows:?}") };
        // The fan's own spread is no part of a single start.
        let spread = (truth.start_duty_95_pct.unwrap() - truth.start_duty_pct.unwrap()) / 1.645;
        assert!(near(on, truth.output_on_pct.unwrap(), 0.0), "{hz} Hz: {on:?} {truth:?}");
        assert!(near(off, truth.output_off_pct.unwrap(), 0.0), "{hz} Hz: {off:?} {truth:?}");
        assert!(near(stop, truth.stop_duty_pct.unwrap(), 0.1), "{hz} Hz: {stop:?} {truth:?}");
        assert!(near(start, truth.start_duty_pct.unwrap(), spread), "{hz} Hz: {start:?} {truth:?}");
    }
}

#[test]
fn decode_errors_over_frequency_are_those_of_the_plant() {
    // Slow edges cost this unit a tenth of a point at the upper end of its band: its threshold moves by as much.
    let Tried { rows, nominal_hz, at } = tried(ModuleKind::FastCommand, 62, &[]);
    // Between entry and exit of its band a unit that is asked there first does not follow, and has no truth.
    let on_pct = |hz: f64| at(hz).output_on_pct;
    let error_of = |row: &ByFrequency| Some((row.hz, row.decode_error_pct?, on_pct(nominal_hz)? - on_pct(row.hz)?));
    let errors: Vec<(f64, Fitted, f64)> = rows.iter().filter_map(error_of).collect();
    assert!(errors.len() >= 5, "{rows:?}");
    for (hz, error, truth) in errors {
        assert!(near(error, truth, 0.02) && error.u < 0.5, "{hz} Hz: {error:?}, truth {truth}");
    }
    // This one reads six tenths of the duty outside its band.
    let Tried { rows, .. } = tried(ModuleKind::KickStart, 63, &[]);
    let outside: Vec<&ByFrequency> = rows.iter().filter(|row| row.did.as_deref() == Some("misreads")).collect();
    assert!(outside.len() >= 2, "{rows:?}");
    for row in outside {
        let error = row.decode_error_pct.expect("its output tells");
        assert!(near(error, -0.4 * 50.0, 0.1), "{row:?}");
    }
}
