//! The two-column form of a trace: settled points in the order taken, without time.

use crate::analysis::{analyse, recognise};
use crate::bench::{ActiveLevel, Channel, Line, Setting, Supply};
use crate::record::recording::Recording;
use crate::results::{Findings, ResultName};
use crate::units::{Duty, Hertz};

/// Results that settled speeds over duty can give at all.
const POSSIBLE: [ResultName; 6] = [
    ResultName::StartDutyPct,
    ResultName::StartDuty95Pct,
    ResultName::StopDutyPct,
    ResultName::HysteresisPct,
    ResultName::SaturationDutyPct,
    ResultName::UpperCutoffPct,
];

/// Findings from settled points (command in percent, speed in revolutions per minute) in the order taken.
///
/// Points with a duty outside 0 to 100 % are left out with a warning. Everything that takes time is absent.
#[must_use]
pub fn from_settled(points: &[(f64, f64)]) -> Findings {
    let mut rec = Recording::default();
    let mut left_out = 0;
    for (duty_pct, speed_rpm) in points {
        let Some(duty) = Duty::from_percent(*duty_pct).filter(|_| speed_rpm.is_finite()) else {
            left_out += 1;
            continue;
        };
        let (supply, active, line) = (Supply::On, ActiveLevel::Low, Line::Pwm);
        rec.settings.push((rec.end_s, Setting { supply, duty, active, frequency: Hertz::ZERO, line, supply_v: None }));
        let speeds = rec.channels.entry(Channel::SpeedRpm).or_default();
        speeds.push(rec.end_s + 0.5, 1.0, &[*speed_rpm as f32]);
        rec.end_s += 1.0;
    }
    recognise::add_spans(&mut rec);
    let mut findings = analyse(&rec);
    findings.results.retain(|name, _| POSSIBLE.contains(name));
    for name in ResultName::ALL.iter().filter(|name| !POSSIBLE.contains(name)) {
        findings.miss(*name, "only settled points, without time");
    }
    if left_out > 0 {
        findings.warnings.push(format!("{left_out} point(s) outside 0 to 100 % or without a speed left out"));
    }
    findings
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn settled_points_give_curve_and_thresholds_but_nothing_timed() {
        let speed = |duty: f64| 30.0 * duty;
        let up = (0..=20).map(|i| 5.0 * f64::from(i)).map(|d| (d, if d > 22.0 { speed(d) } else { 0.0 }));
        let down = (0..20).rev().map(|i| 5.0 * f64::from(i)).map(|d| (d, if d > 12.0 { speed(d) } else { 0.0 }));
        let found = from_settled(&up.chain(down).collect::<Vec<_>>());
        // Percent of a fraction carries rounding in its last digits.
        let near = |name, due: f64| found.number(name).is_some_and(|value| (value - due).abs() < 1e-9);
        assert!(near(ResultName::StartDutyPct, 22.5));
        assert!(near(ResultName::StopDutyPct, 12.5));
        assert!(near(ResultName::HysteresisPct, 10.0));
        assert_eq!(found.curve.len(), 39);
        assert!(found.absent[&ResultName::SaturationDutyPct].contains("no plateau up to 100 %"));
        assert_eq!(found.absent[&ResultName::Ramp1090S], "only settled points, without time");
    }
}
