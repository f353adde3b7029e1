//! Units that stand out from their own kind, even inside all limits: by one result, by the whole speed curve, or by being a
//! little off in everything.

use serde::Serialize;

use super::curve::DUTIES;
use super::kinds::Kind;
use super::member::Member;
use super::order::spread;
use crate::analysis::signal::stats;
use crate::results::ResultName;

/// Robust standard deviations from the median of its kind at which a unit is odd (Iglewicz and Hoaglin 1993).
const ODD: f64 = 3.5;
/// Units of a kind from which on one can be told to be odd.
const LEAST: usize = 8;

/// A result of a unit that lies far from those of its kind.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Odd {
    /// Tag.
    pub unit: String,
    /// Letter of its kind.
    pub kind: String,
    /// Which result.
    pub result: ResultName,
    /// Its value.
    pub value: f64,
    /// Median of its kind.
    pub median: f64,
    /// Robust standard deviations from it.
    pub deviations: f64,
}

/// How a whole unit stands out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Whole {
    /// Its speed lies above or below that of its kind all along.
    CurveLevel,
    /// Its speed lies above at some duties and below at others: another bend, another knee.
    CurveShape,
    /// Its results are off together further than those of others, though perhaps none by itself.
    Results,
}

impl Whole {
    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::CurveLevel => "speed curve as a whole too high or too low",
            Self::CurveShape => "speed curve of another shape",
            Self::Results => "all results taken together",
        }
    }
}

/// A unit that stands out as a whole.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct OddWhole {
    /// Tag.
    pub unit: String,
    /// Letter of its kind.
    pub kind: String,
    /// By what.
    pub by: Whole,
    /// Robust standard deviations from its kind; of a level with its sign.
    pub deviations: f64,
    /// Duty at which its curve is farthest off, percent.
    pub at_duty_pct: Option<f64>,
}

/// Results that lie far out among units of the same kind, farthest first. Eight units at least; what the measurement's own
/// uncertainty explains is not odd.
#[must_use]
pub fn odd_ones(members: &[Member], kinds: &[Kind]) -> Vec<Odd> {
    let mut odd = Vec::new();
    for kind in kinds {
        for name in ResultName::ALL {
            let Some((median, sd)) = middle(members, kind, *name) else { continue };
            for member in kind.members.iter().map(|unit| &members[*unit]) {
                let Some((value, u)) = member.numbers.get(name) else { continue };
                let deviations = (value - median) / sd.hypot(*u).max(1e-9 * median.abs());
                if deviations.abs() > ODD {
                    let (unit, kind) = (member.tag.clone(), kind.letter.clone());
                    odd.push(Odd { unit, kind, result: *name, value: *value, median, deviations });
                }
            }
        }
    }
    odd.sort_by(|a, b| b.deviations.abs().total_cmp(&a.deviations.abs()));
    odd
}

/// Median and robust standard deviation of a result over a kind; `None` of fewer than eight units.
fn middle(members: &[Member], kind: &Kind, name: ResultName) -> Option<(f64, f64)> {
    let values: Vec<f64> = kind.members.iter().filter_map(|unit| Some(members[*unit].numbers.get(&name)?.0)).collect();
    median_and_sd(&values)
}

/// Median and robust standard deviation; `None` of fewer than eight values.
fn median_and_sd(values: &[f64]) -> Option<(f64, f64)> {
    let spread = spread(values)?;
    Some((spread.median, spread.robust_sd?))
}

/// Units whose whole curve, or whole set of results, stands out among their kind, farthest first.
///
/// A curve is taken apart into the mean of its deviations over the duties and their spread around it (directional
/// outlyingness, Dai and Genton 2019): the one says that it lies too high or too low, the other that it has another
/// shape. Results are taken together by the mean square of their deviations.
#[must_use]
pub fn odd_wholes(members: &[Member], kinds: &[Kind]) -> Vec<OddWhole> {
    let mut odd = Vec::new();
    for kind in kinds.iter().filter(|kind| kind.members.len() >= LEAST) {
        odd.extend(odd_curves(members, kind));
        odd.extend(odd_results(members, kind));
    }
    odd.sort_by(|a, b| b.deviations.abs().total_cmp(&a.deviations.abs()));
    odd
}

/// Deviations of one curve from its kind at the duties that both have.
struct Deviations {
    unit: usize,
    at: Vec<(f64, f64)>,
    mean: f64,
    shape: f64,
}

fn odd_curves(members: &[Member], kind: &Kind) -> Vec<OddWhole> {
    let whole: Vec<usize> = kind.members.iter().copied().filter(|unit| members[*unit].curve.is_whole()).collect();
    let at = |unit: usize, place: usize| members[unit].curve.rpm.get(place).copied().flatten();
    let middles: Vec<Option<(f64, f64)>> = (0..DUTIES.len())
        .map(|place| {
            let values: Vec<f64> = whole.iter().filter_map(|unit| at(*unit, place)).collect();
            let (median, sd) = median_and_sd(&values)?;
            // Where all of them stand, or are at the same end, a hair would be many deviations.
            Some((median, sd.max(0.002 * median.abs()).max(1.0)))
        })
        .collect();
    let deviations: Vec<Deviations> = whole
        .into_iter()
        .filter_map(|unit| {
            let curve = &members[unit].curve;
            let at: Vec<(f64, f64)> = middles
                .iter()
                .enumerate()
                .filter_map(|(place, middle)| {
                    let (median, sd) = (*middle)?;
                    let u = curve.u_rpm.get(place).copied().unwrap_or(0.0);
                    Some((DUTIES[place], (at(unit, place)? - median) / sd.hypot(u)))
                })
                .collect();
            let all: Vec<f64> = at.iter().map(|(_, deviation)| *deviation).collect();
            let mean = stats::mean(&all)?;
            let shape = stats::deviation(&all)?;
            Some(Deviations { unit, at, mean, shape })
        })
        .collect();
    let shapes: Vec<f64> = deviations.iter().map(|one| one.shape).collect();
    let usual = median_and_sd(&shapes);
    let mut odd = Vec::new();
    for one in &deviations {
        let found = |by, deviations, at_duty_pct| {
            let (unit, kind) = (members[one.unit].tag.clone(), kind.letter.clone());
            OddWhole { unit, kind, by, deviations, at_duty_pct }
        };
        if one.mean.abs() > ODD {
            odd.push(found(Whole::CurveLevel, one.mean, None));
        }
        // Spread of the deviations themselves is one where nothing is odd: less than three is no other shape.
        if let Some((median, sd)) = usual
            && one.shape > (median + ODD * sd).max(3.0)
        {
            let from_mean = |(_, deviation): &&(f64, f64)| (deviation - one.mean).abs();
            let worst = one.at.iter().max_by(|a, b| from_mean(a).total_cmp(&from_mean(b))).map(|(duty, _)| *duty);
            odd.push(found(Whole::CurveShape, (one.shape - median) / sd.max(0.1), worst));
        }
    }
    odd
}

/// Most that one result counts among all, deviations: a single wild one is told by itself.
const CAPPED: f64 = 5.0;
/// Results that a unit must share with its kind.
const LEAST_RESULTS: usize = 6;

fn odd_results(members: &[Member], kind: &Kind) -> Vec<OddWhole> {
    let middles: Vec<(ResultName, f64, f64)> = ResultName::ALL
        .iter()
        .filter_map(|name| middle(members, kind, *name).map(|(median, sd)| (*name, median, sd)))
        .filter(|(_, _, sd)| *sd > 0.0)
        .collect();
    let scores: Vec<(usize, f64)> = kind
        .members
        .iter()
        .filter_map(|unit| {
            let squares: Vec<f64> = middles
                .iter()
                .filter_map(|(name, median, sd)| {
                    let (value, u) = members[*unit].numbers.get(name)?;
                    Some(((value - median) / sd.hypot(*u)).abs().min(CAPPED).powi(2))
                })
                .collect();
            (squares.len() >= LEAST_RESULTS).then(|| stats::mean(&squares).map(|mean| (*unit, mean.sqrt())))?
        })
        .collect();
    let Some((median, sd)) = median_and_sd(&scores.iter().map(|(_, score)| *score).collect::<Vec<_>>()) else {
        return Vec::new();
    };
    let far = |score: f64| (score - median) / sd.max(0.05 * median).max(1e-9);
    scores
        .into_iter()
        .filter(|(_, score)| far(*score) > ODD)
        .map(|(unit, score)| OddWhole {
            unit: members[unit].tag.clone(),
            kind: kind.letter.clone(),
            by: Whole::Results,
            deviations: far(score),
            at_duty_pct: None,
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::verdict::batch::{SpeedCurve, kinds};

    /// Rough numbers that repeat in every run, evenly in -1..1.
    fn rough(seed: usize) -> f64 {
        let share = f64::from((seed.wrapping_mul(2_654_435_761) >> 8) as u16) / 65_535.0;
        2.0 * share - 1.0
    }

    fn unit(i: usize, speed: impl Fn(f64) -> f64) -> Member {
        let mut member = Member::waiting(&format!("TQ-{i:04}"));
        member.numbers.insert(ResultName::DropV, (0.2 + 0.02 * rough(i), 0.001));
        let rpm = DUTIES.map(|duty| Some(speed(duty) * (1.0 + 0.01 * rough(i + 77))));
        member.curve = SpeedCurve { rpm: rpm.to_vec(), u_rpm: vec![1.0; DUTIES.len()] };
        member
    }

    fn sound(duty: f64) -> f64 {
        25.0 * duty
    }

    fn wholes(members: &[Member]) -> Vec<(String, Whole)> {
        odd_wholes(members, &kinds(members)).into_iter().map(|odd| (odd.unit, odd.by)).collect()
    }

    #[test]
    fn a_result_far_out_is_odd_and_what_its_uncertainty_explains_is_not() {
        let mut members: Vec<Member> = (0..9).map(|i| unit(i, sound)).collect();
        members[8].numbers.insert(ResultName::DropV, (0.60, 0.001));
        let odd = odd_ones(&members, &kinds(&members));
        assert_eq!(odd.len(), 1);
        assert_eq!((odd[0].unit.as_str(), odd[0].result, odd[0].kind.as_str()), ("TQ-0008", ResultName::DropV, "A"));
        members[8].numbers.insert(ResultName::DropV, (0.60, 0.2));
        assert!(odd_ones(&members, &kinds(&members)).is_empty());
        // Another kind is compared with its own.
        members[8].numbers.insert(ResultName::DropV, (0.60, 0.001));
        members[8].words.insert(ResultName::ActiveLevel, "high".to_owned());
        assert!(odd_ones(&members, &kinds(&members)).is_empty());
    }

    #[test]
    fn curves_stand_out_by_level_and_by_shape() {
        let mut members: Vec<Member> = (0..24).map(|i| unit(i, sound)).collect();
        assert_eq!(wholes(&members), []);
        members.push(unit(24, |duty| 0.93 * sound(duty)));
        assert_eq!(wholes(&members), [("TQ-0024".to_owned(), Whole::CurveLevel)]);
        members.pop();
        // Above at one end and below at the other, on the mean as the others.
        members.push(unit(24, |duty| sound(duty) * (1.06 - 0.12 * duty / 97.5)));
        let odd = odd_wholes(&members, &kinds(&members));
        assert_eq!(
            odd.iter().map(|odd| (odd.unit.as_str(), odd.by)).collect::<Vec<_>>(),
            [("TQ-0024", Whole::CurveShape)]
        );
        assert!(odd[0].at_duty_pct.is_some_and(|duty| !(20.0..80.0).contains(&duty)), "{odd:?}");
    }

    #[test]
    fn a_unit_a_little_off_in_everything_stands_out() {
        let names = [
            ResultName::DropV,
            ResultName::SleepA,
            ResultName::SaturationDutyPct,
            ResultName::OutputOnPct,
            ResultName::HeatRiseK,
            ResultName::CommandDelayS,
            ResultName::RampFullS,
            ResultName::StartDutyPct,
        ];
        let make = |i: usize, off: f64| {
            let mut member = unit(i, sound);
            for (place, name) in names.iter().enumerate() {
                member.numbers.insert(*name, (10.0 * (1.0 + 0.05 * rough(i * 31 + place * 7) + off), 0.001));
            }
            member
        };
        let mut members: Vec<Member> = (0..20).map(|i| make(i, 0.0)).collect();
        members.push(make(20, 0.13));
        assert!(wholes(&members).contains(&("TQ-0020".to_owned(), Whole::Results)), "{:?}", wholes(&members));
        let last = members.pop();
        assert!(last.is_some() && !wholes(&members).iter().any(|(_, by)| *by == Whole::Results));
    }
}
