//! Where the output meets its plateau, and where the module leaves it again above.
//!
//! A knee in a curve that goes on rising is no saturation: a plateau must be flat and must explain the points clearly
//! better than every smooth curve. Without an output channel the speed is straightened by V = Ke w + c w² first.

use crate::analysis::hinge::{self, Found, Knee, Point};
use crate::analysis::signal::stats;
use crate::results::{Contribution, CurvePoint, Findings, Measured, ResultName};
use crate::units::significant;

use crate::record::recording::Recording;

/// Share of the top below which points say nothing about the knee.
const NEAR_TOP: f64 = 0.3;
/// Where the rise has a bend of its own further down (the current of a slow chopper ends before its period does), the part
/// above this share tells the knee by itself.
const NEXT_TO_TOP: f64 = 0.8;
/// Share of the supply under which a plateau is a limit of the module, not full output.
const LIMITED: f64 = 0.85;
/// A point above the knee that falls to this share of the top has left the plateau.
const LEFT: f64 = 0.9;

/// Where the ordinate comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Source {
    /// Mean output over supply.
    Ratio,
    /// Output voltage alone.
    Output,
    /// Speed.
    Speed,
}

/// Finds `saturation_duty_pct` and `upper_cutoff_pct` from the curve.
pub(crate) fn find(rec: &Recording, findings: &mut Findings) {
    let (saturation, cutoff) = (ResultName::SaturationDutyPct, ResultName::UpperCutoffPct);
    let Some((source, points)) = ordinates(&findings.curve) else {
        findings.miss(saturation, "too few settled points");
        findings.miss(cutoff, "too few settled points");
        return;
    };
    let left = leaves(&points);
    let kept: Vec<Point> = points.iter().copied().filter(|p| left.is_none_or(|(_, off)| p.x < off)).collect();
    let duty_u = rec.header.bench.duty_u_pct;
    saturation_duty(findings, source, &kept, duty_u);
    upper_cutoff(findings, &points, left, duty_u);
}

/// Points of the best ordinate that at least six of the curve's points have.
fn ordinates(curve: &[CurvePoint]) -> Option<(Source, Vec<Point>)> {
    let of = |f: &dyn Fn(&CurvePoint) -> Option<f64>| -> Vec<Point> {
        curve.iter().filter_map(|p| f(p).map(|y| Point { x: p.duty_pct, y })).filter(|p| p.y.is_finite()).collect()
    };
    let ratio = of(&|p| p.output_v.zip(p.supply_v.filter(|v| *v > 0.0)).map(|(output, supply)| output / supply));
    let output = of(&|p| p.output_v);
    let speed = of(&|p| p.speed_rpm);
    let enough = |points: &[Point]| points.len() >= 6;
    [(Source::Ratio, ratio), (Source::Output, output), (Source::Speed, speed)].into_iter().find(|(_, p)| enough(p))
}

fn top(points: &[Point]) -> f64 {
    stats::quantile(&points.iter().map(|p| p.y).collect::<Vec<_>>(), 0.95).unwrap_or(0.0)
}

/// Last duty near the top and first above it from which all points are well under it.
fn leaves(points: &[Point]) -> Option<(f64, f64)> {
    let top = top(points);
    let on = points.iter().filter(|p| p.y >= 0.97 * top).map(|p| p.x).reduce(f64::max)?;
    let off = points.iter().filter(|p| p.x > on && p.y < LEFT * top).map(|p| p.x).reduce(f64::min)?;
    Some((on, off))
}

fn saturation_duty(findings: &mut Findings, source: Source, points: &[Point], duty_u: f64) {
    let name = ResultName::SaturationDutyPct;
    let top = top(points);
    let above = |share: f64| -> Vec<Point> { points.iter().copied().filter(|p| p.y > share * top).collect() };
    let near = above(NEAR_TOP);
    let highest = points.iter().map(|p| p.x).fold(0.0, f64::max);
    match hinge::plateau(&near, source == Source::Speed) {
        Found::Knee(knee) => findings.put(name, measured(source, &knee, near.len(), duty_u)),
        Found::Smooth => {
            if let Some((knee, n)) = next_to_top(source, &above(NEXT_TO_TOP)) {
                return findings.put(name, measured(source, &knee, n, duty_u));
            }
            let most = near.iter().filter(|p| p.y >= LEFT * top).map(|p| p.x).fold(highest, f64::min);
            let text = format!(
                "no plateau up to {} %: still rising ({} % of the top at {} %)",
                significant(highest, 3),
                significant(100.0 * LEFT, 2),
                significant(most, 3)
            );
            match source {
                // A speed creeps: where it is near its top says little.
                Source::Speed => findings.miss(name, text),
                Source::Ratio | Source::Output => findings.put(name, at_least(most, &text, near.len(), duty_u)),
            }
        }
        Found::Flat => {
            let lowest = near.iter().map(|p| p.x).fold(highest, f64::min);
            findings.miss(name, format!("flat out at every duty offered; the lowest was {} %", significant(lowest, 3)));
        }
        Found::TooFew => findings.miss(name, "too few settled points near the top"),
    }
}

/// The knee that the points next to the top show by themselves, its rounding counted with its shape, and their number. An
/// output alone says this: a speed creeps.
fn next_to_top(source: Source, points: &[Point]) -> Option<(Knee, usize)> {
    match hinge::plateau(points, false) {
        Found::Knee(knee) if source != Source::Speed => {
            Some((Knee { shape: knee.shape.hypot(knee.rounding), ..knee }, points.len()))
        }
        _ => None,
    }
}

fn measured(source: Source, knee: &Knee, n: usize, duty_u: f64) -> Measured {
    let budget = vec![
        Contribution::random("fit of the knee", (knee.high - knee.low) / (2.0 * 1.96)),
        Contribution::lasting("shape below the knee", knee.shape),
        Contribution::common("duty at the pin", duty_u),
    ];
    let mut result = Measured::number(ResultName::SaturationDutyPct, knee.x, 1.96, budget, "piecewise", n as u64);
    let slack = 1.96 * duty_u.hypot(knee.shape);
    result.interval =
        Some([Some(knee.x - (knee.x - knee.low).hypot(slack)), Some(knee.x + (knee.high - knee.x).hypot(slack))]);
    match source {
        Source::Ratio if knee.plateau < LIMITED => {
            result.noted(format!("limited: the plateau is at {} % of the supply", significant(100.0 * knee.plateau, 3)))
        }
        Source::Ratio => result,
        Source::Output => result.noted("from output voltage; the supply was not recorded"),
        Source::Speed => result.proxy("no output channel; from speed straightened by V = Ke w + c w²"),
    }
}

/// Still under its top at `duty`, it is flat out above that only.
fn at_least(duty: f64, why: &str, n: usize, duty_u: f64) -> Measured {
    let budget = vec![Contribution::common("duty at the pin", duty_u)];
    let mut result = Measured::number(ResultName::SaturationDutyPct, duty, 1.96, budget, "piecewise", n as u64);
    result.interval = Some([Some(duty - 1.96 * duty_u), None]);
    result.noted(format!("a bound: {why}"))
}

fn upper_cutoff(findings: &mut Findings, points: &[Point], left: Option<(f64, f64)>, duty_u: f64) {
    let name = ResultName::UpperCutoffPct;
    let highest = points.iter().map(|p| p.x).fold(0.0, f64::max);
    if findings.results.get(&ResultName::SaturationDutyPct).is_none_or(Measured::is_bound) {
        return findings.miss(name, "no plateau to leave");
    }
    let Some((on, off)) = left else {
        return findings.miss(name, format!("stays flat out up to {} %", significant(highest, 3)));
    };
    let budget = vec![
        Contribution::random("bracket width", (off - on) / 12.0_f64.sqrt()),
        Contribution::common("duty at the pin", duty_u),
    ];
    let mut result = Measured::number(name, f64::midpoint(on, off), 1.96, budget, "bracket", 1);
    result.interval = Some([Some(on - 1.96 * duty_u), Some(off + 1.96 * duty_u)]);
    findings.put(name, result);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::Direction;

    fn findings(ratio: impl Fn(f64) -> f64, with_output: bool) -> Findings {
        let mut findings = Findings::default();
        for i in 4..=20 {
            let duty_pct = 5.0 * f64::from(i);
            let wiggle = 0.001 * f64::from(i * 7919 % 13 - 6) / 6.0;
            let output = 13.0 * (ratio(duty_pct) + wiggle);
            findings.curve.push(CurvePoint {
                duty_pct,
                direction: Direction::Up,
                speed_rpm: Some(200.0 * output),
                u_rpm: Some(1.0),
                supply_a: None,
                output_v: with_output.then_some(output),
                supply_v: Some(13.0),
                speed_ref_rpm: None,
            });
        }
        let mut rec = Recording::default();
        rec.header.bench.duty_u_pct = 0.1;
        find(&rec, &mut findings);
        findings
    }

    #[test]
    fn a_knee_between_points_is_found_within_a_tenth_of_their_spacing() {
        let found = findings(|d| (d / 87.0).min(0.99), true);
        let result = &found.results[&ResultName::SaturationDutyPct];
        assert!((result.as_number().unwrap() - 86.1).abs() < 0.5, "{result:?}");
        assert!(found.absent[&ResultName::UpperCutoffPct].contains("stays flat out up to 100 %"));
    }

    #[test]
    fn a_rounded_knee_above_a_bend_of_the_rise_is_found_and_a_curve_that_only_flattens_is_none() {
        // As of a slow chopper: below 70 % the fan's own voltage fills the pauses of its current.
        let flank = |d: f64| if d < 70.0 { 0.8 * (d / 70.0).powf(0.55) } else { 0.8 + 0.2 * (d - 70.0) / 17.0 };
        let found = findings(|d| 1.0 - 0.012 * ((1.0 - flank(d)) / 0.012).exp().ln_1p(), true);
        let result = &found.results[&ResultName::SaturationDutyPct];
        let off = (result.as_number().unwrap() - 87.0).abs();
        assert!(off < 1.5 && off < 3.0 * result.u.unwrap(), "{result:?}");
        for length in [15.0, 25.0, 40.0] {
            let found = findings(|d| 1.0 - (-(d - 15.0) / length).exp(), true);
            assert!(found.results[&ResultName::SaturationDutyPct].is_bound(), "{length}");
        }
    }

    #[test]
    fn a_plateau_well_under_the_supply_is_called_limited() {
        let found = findings(|d| (d / 100.0).min(0.7), true);
        let result = &found.results[&ResultName::SaturationDutyPct];
        assert!(result.note.as_deref().unwrap().starts_with("limited"), "{result:?}");
    }

    #[test]
    fn leaving_the_plateau_is_bracketed() {
        let found = findings(|d| if d > 92.0 { 0.0 } else { (d / 70.0).min(1.0) }, true);
        assert_eq!(found.number(ResultName::UpperCutoffPct), Some(92.5));
        assert!((found.number(ResultName::SaturationDutyPct).unwrap() - 70.0).abs() < 1.0);
    }

    #[test]
    fn no_plateau_is_an_answer_with_its_bound_and_speed_alone_is_a_proxy() {
        let found = findings(|d| d / 100.0, true);
        let bound = &found.results[&ResultName::SaturationDutyPct];
        let note = bound.note.as_deref().unwrap();
        assert!(bound.is_bound() && note.contains("no plateau up to 100 %"), "{bound:?}");
        assert!((bound.as_number().unwrap() - 90.0).abs() < 1.0, "{bound:?}");
        assert!(found.absent[&ResultName::UpperCutoffPct].contains("no plateau"));
        let found = findings(|d| (d / 80.0).min(1.0), false);
        assert!(found.results[&ResultName::SaturationDutyPct].is_proxy());
    }
}
