//! Recorded traces of real motors, read as an honest person would read their plots (`fixtures/traces/SOURCES.md`).

use galebench::analysis::{analyse, recognise};
use galebench::record::csv_import::{TraceOptions, import};
use galebench::results::{Findings, ResultName};

/// Imports and analyses a fixture.
fn read(name: &str) -> Findings {
    let path = format!("{}/tests/fixtures/traces/{name}.csv", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read(&path).unwrap_or_else(|e| panic!("{path}: {e}"));
    let mut trace = import(&text, &TraceOptions::default()).unwrap_or_else(|e| panic!("{name}: {e}"));
    recognise::add_spans(&mut trace.recording);
    analyse(&trace.recording)
}

fn interval(found: &Findings, name: ResultName) -> (Option<f64>, Option<f64>) {
    let measured = found.results.get(&name).unwrap_or_else(|| panic!("{name} absent: {:?}", found.absent.get(&name)));
    let [low, high] = measured.interval.expect("a number has an interval");
    (low, high)
}

fn counts(counts: f64) -> f64 {
    counts * 100.0 / 255.0
}

/// Asserts that a duty lies between two commands given in counts of 255, as bracketed in the data.
fn between(found: &Findings, name: ResultName, below: f64, at: f64, what: &str) {
    let (low, high) = interval(found, name);
    let near = |end: Option<f64>, due: f64| end.is_some_and(|end| (end - counts(due)).abs() < 0.01);
    assert!(near(low, below) && near(high, at), "{what}: {low:?} to {high:?}, due {} to {}", counts(below), counts(at));
}

#[test]
fn sweeps_start_where_the_wheel_first_moves_and_stop_where_it_last_did() {
    // (file, side, last command at rest, first moving), rising; counts of 255.
    let rising = [
        (1, "left", 60.0, 70.0),
        (1, "right", 30.0, 40.0),
        (2, "left", 70.0, 75.0),
        (2, "right", 45.0, 50.0),
        (3, "left", 65.0, 66.0),
        (3, "right", 44.0, 45.0),
        (4, "left", 70.0, 75.0),
        (4, "right", 45.0, 50.0),
        (5, "left", 65.0, 70.0),
        (5, "right", 40.0, 45.0),
        (6, "left", 70.0, 75.0),
        (6, "right", 40.0, 45.0),
    ];
    for (file, side, below, at) in rising {
        let name = format!("wheel-sweep-{file}-{side}-rising");
        between(&read(&name), ResultName::StartDutyPct, below, at, &name);
    }
    let falling = [
        (2, "left", 40.0, 45.0),
        (2, "right", 40.0, 45.0),
        (3, "left", 39.0, 40.0),
        (3, "right", 39.0, 40.0),
        (4, "left", 40.0, 45.0),
        (4, "right", 45.0, 50.0),
        (5, "left", 40.0, 45.0),
        (5, "right", 40.0, 45.0),
        (6, "left", 40.0, 45.0),
        (6, "right", 40.0, 45.0),
    ];
    for (file, side, below, at) in falling {
        let name = format!("wheel-sweep-{file}-{side}-falling");
        between(&read(&name), ResultName::StopDutyPct, below, at, &name);
    }
}

#[test]
fn sweeps_show_a_knee_but_no_saturation() {
    for file in 1..=6 {
        for side in ["left", "right"] {
            for half in ["rising", "falling"] {
                if file == 1 && half == "falling" {
                    continue;
                }
                let name = format!("wheel-sweep-{file}-{side}-{half}");
                let found = read(&name);
                let reason = found.absent.get(&ResultName::SaturationDutyPct);
                assert!(
                    reason.is_some_and(|r| r.contains("no plateau up to")),
                    "{name}: {reason:?} {:?}",
                    found.results.get(&ResultName::SaturationDutyPct)
                );
            }
        }
    }
}

#[test]
fn a_frozen_register_is_not_taken_for_turning() {
    for name in ["wheel-sweep-5-left-falling", "wheel-sweep-5-right-rising", "wheel-sweep-6-left-falling"] {
        let found = read(name);
        assert!(found.warnings.iter().any(|w| w.contains("frozen")), "{name}: {:?}", found.warnings);
        let lowest = found.curve.iter().filter(|p| p.duty_pct < counts(40.5)).filter_map(|p| p.speed_rpm);
        assert!(lowest.fold(0.0, f64::max) < 0.1, "{name}");
    }
    // The period estimator of the other set freezes too; the wheel then breaks away.
    let found = read("two-estimators-1-left-period-falling");
    assert!(found.warnings.iter().any(|w| w.contains("frozen") && w.contains("22.04")), "{:?}", found.warnings);
    let rest = found.curve.iter().filter(|p| p.duty_pct < 11.0).filter_map(|p| p.speed_rpm);
    assert_eq!(rest.fold(0.0, f64::max), 0.0);
}

#[test]
fn the_left_wheel_breaks_away_and_the_right_one_starts_smoothly() {
    for file in 1..=6 {
        let note = |side: &str| {
            let found = read(&format!("wheel-sweep-{file}-{side}-rising"));
            found.results[&ResultName::StartDutyPct].note.clone().unwrap_or_default()
        };
        assert!(note("left").contains("breaks away: jumps from rest to"), "file {file}: {}", note("left"));
        assert!(!note("right").contains("breaks away"), "file {file}: {}", note("right"));
    }
}

#[test]
fn a_single_wild_sample_is_rejected_and_creep_is_not_called_settled() {
    let found = read("closed-loop-2");
    assert!(found.warnings.iter().any(|w| w.contains("1482") && w.contains("1 single")), "{:?}", found.warnings);
    for (name, mean) in [("closed-loop-1", 91.70), ("closed-loop-2", 90.97)] {
        let found = read(name);
        let speed = &found.results[&ResultName::SpeedRpm];
        // The mean after the first second, within the creep that the note tells of.
        assert!((speed.as_number().unwrap() - mean).abs() < 1.5, "{name}: {speed:?}");
        let (low, high) = interval(&found, ResultName::SpeedRpm);
        assert!(low.unwrap() < mean && mean < high.unwrap(), "{name}: {speed:?}");
        assert!(speed.note.as_deref().is_some_and(|n| n.contains("still creeping")), "{name}: {speed:?}");
    }
}

#[test]
fn counting_in_a_short_window_cannot_prove_rest() {
    for (file, first_moving_pct) in [(2, 6.6667), (3, 3.3333)] {
        let found = read(&format!("two-estimators-{file}-right-count-rising"));
        let start = &found.results[&ResultName::StartDutyPct];
        assert!(start.note.as_deref().is_some_and(|n| n.contains("steps of 16")), "{file}: {start:?}");
        let (low, high) = interval(&found, ResultName::StartDutyPct);
        assert_eq!(low, None, "{file}");
        assert!((high.unwrap() - first_moving_pct).abs() < 0.01, "{file}: {high:?}");
    }
    // The period estimator still shows the speed of before in its first row, so this half has no standstill in it.
    for file in [1, 2, 3] {
        let found = read(&format!("two-estimators-{file}-left-period-rising"));
        let reason = &found.absent[&ResultName::StartDutyPct];
        assert!(reason.contains("no standstill to start from"), "{file}: {reason}");
    }
}

#[test]
fn a_trace_without_a_command_gives_the_speed_of_its_constant_part() {
    for (name, rpm) in [("two-estimators-4-left-period", 563.0), ("two-estimators-4-right-period", 563.0)] {
        let found = read(name);
        let speed = found.number(ResultName::SpeedRpm).unwrap_or_else(|| panic!("{:?}", found.absent));
        assert!((speed / rpm - 1.0).abs() < 0.02, "{name}: {speed}");
        assert!(found.absent[&ResultName::StartDutyPct].contains("no rise of the duty"), "{name}");
    }
}

#[test]
fn dead_time_and_rise_of_a_step_are_told_apart() {
    let number = |found: &Findings, name| found.number(name).unwrap_or_else(|| panic!("{name} absent"));
    let fast = read("wheel-step-5");
    // Nothing for 350 ms after the command, then 10 to 90 % within 100 ms.
    assert!((number(&fast, ResultName::CommandDelayS) - 0.350).abs() <= 0.010, "{fast:?}");
    assert!((number(&fast, ResultName::Ramp1090S) - 0.100).abs() <= 0.010, "{fast:?}");
    for name in [ResultName::CommandDelayS, ResultName::Ramp1090S, ResultName::RampFullS] {
        assert!(fast.results[&name].is_proxy(), "{name} comes from speed");
    }
    let slow = read("wheel-step-3");
    assert!((number(&slow, ResultName::CommandDelayS) - 0.035).abs() <= 0.010, "{slow:?}");
    // Two time constants: the flat end makes the 90 % point lie anywhere from 300 to 370 ms.
    let rise_s = number(&slow, ResultName::Ramp1090S);
    assert!((0.245..=0.330).contains(&rise_s), "{rise_s}");
    assert!((number(&slow, ResultName::SpeedRpm) - 400.0).abs() < 10.0, "{slow:?}");
}

/// A bare current waveform at constant speed as an oscilloscope gives it: 24 ripples per revolution, one bar weaker.
fn current_waveform(rpm: f64, mean_a: f64, weak_bar: f64) -> Vec<u8> {
    let mut text = String::from("time_s,supply_a\n");
    for i in 0..40_000 {
        let t = f64::from(i) / 10_000.0;
        let turns = rpm / 60.0 * t;
        let bar = 1.0 + weak_bar * (std::f64::consts::TAU * turns).cos();
        let ripple = 0.8 * bar * (std::f64::consts::TAU * 24.0 * turns).sin();
        // A fixed pattern in place of noise: nothing may depend on chance.
        let rough = 0.05 * f64::from((i * 7919) % 101 - 50) / 50.0;
        text.push_str(&format!("{t:.4},{:.5}\n", mean_a + ripple + rough));
    }
    text.into_bytes()
}

#[test]
fn a_bare_current_waveform_gives_the_speed_coupled_either_way() {
    for mean_a in [14.0, 0.0] {
        for ripple_per_rev in [Some(24.0), None] {
            let options = TraceOptions { ripple_per_rev, ..TraceOptions::default() };
            let mut trace = import(&current_waveform(1_830.0, mean_a, 0.3), &options).expect("a legal trace");
            recognise::add_spans(&mut trace.recording);
            let found = analyse(&trace.recording);
            let rpm = found.number(ResultName::SpeedRpm).unwrap_or_else(|| panic!("{:?}", found.absent));
            assert!((rpm / 1_830.0 - 1.0).abs() < 0.003, "{mean_a} A, {ripple_per_rev:?}: {rpm}");
        }
    }
    // Without a line of the rotation the ripples per revolution cannot be found: the frequency is stated instead.
    let mut trace = import(&current_waveform(1_830.0, 14.0, 0.0), &TraceOptions::default()).expect("a legal trace");
    recognise::add_spans(&mut trace.recording);
    let reason = &analyse(&trace.recording).absent[&ResultName::SpeedRpm];
    assert!(reason.contains("the ripple is at 732 Hz"), "{reason}");
}

#[test]
fn every_fixture_is_read_without_a_word_about_the_output() {
    let folder = format!("{}/tests/fixtures/traces", env!("CARGO_MANIFEST_DIR"));
    let mut read_in = 0;
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|e| e == "csv") {
            let found = read(path.file_stem().unwrap().to_str().unwrap());
            assert!(found.absent[&ResultName::OutputOnPct].contains("no output voltage"), "{path:?}");
            read_in += 1;
        }
    }
    assert!(read_in >= 50, "{read_in}");
}
