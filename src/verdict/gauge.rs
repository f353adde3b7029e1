//! Whether a gauge study says that this bench can decide the limits of a plan: variance components of each quantity,
//! their share of the limit's width, how many classes of units can be told apart.

use std::collections::{BTreeMap, BTreeSet};

use crate::analysis::gauge::{Components, components};
use crate::record::event::LimitFacts;
use crate::results::ResultName;

/// Readings by quantity, unit and session.
pub type Readings = BTreeMap<String, BTreeMap<String, BTreeMap<String, Vec<f64>>>>;

/// Adds one reading.
pub(crate) fn put(readings: &mut Readings, name: &str, unit: &str, session: &str, value: f64) {
    let units = readings.entry(name.to_owned()).or_default();
    units.entry(unit.to_owned()).or_default().entry(session.to_owned()).or_default().push(value);
}

/// Whether the bench can decide a limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Decides {
    /// Even at the upper end of the interval the gauge takes little of the limit's width.
    Yes,
    /// The interval holds both: more units, sessions or repeats tell.
    Open,
    /// Even at the lower end it takes too much.
    No,
}

impl Decides {
    /// As printed.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Yes => "can decide",
            Self::Open => "open",
            Self::No => "CANNOT decide",
        }
    }
}

/// Share of a limit's width up to which a gauge decides it: the usual 30 %.
pub const MOST_SHARE: f64 = 0.3;

/// A limit against the gauge.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LimitShare {
    /// Six standard deviations of the gauge over the width between two limits; with one limit three of them over the
    /// distance from the mean of the units to it. Estimate and 95 % interval.
    pub share: f64,
    /// Its ends.
    pub interval: (f64, f64),
    /// What that means.
    pub decides: Decides,
}

/// One quantity of the study.
#[derive(Clone, Debug)]
pub struct Line {
    /// Its name.
    pub name: String,
    /// Unit symbol; empty where it is no result of ours.
    pub unit: &'static str,
    /// The readings `[unit][session][repeat]` that were used.
    pub readings: Vec<Vec<Vec<f64>>>,
    /// Variance components.
    pub found: Components,
    /// Classes of units that this bench can tell apart: the square root of two times the spread of the units over
    /// that of the gauge, rounded down, at least one.
    pub classes: usize,
    /// Limit of the plan, if it has one.
    pub limit: Option<LimitShare>,
    /// Readings left out because not all cells had as many.
    pub left_out: usize,
}

/// An evaluated study.
#[derive(Clone, Debug, Default)]
pub struct Study {
    /// Tags, in order of the readings.
    pub units: Vec<String>,
    /// Sessions, likewise.
    pub sessions: Vec<String>,
    /// Quantities that tell something.
    pub lines: Vec<Line>,
    /// Limits of the plan that it was held against.
    pub limits: BTreeMap<ResultName, LimitFacts>,
    /// Quantities that do not, with the reason.
    pub without: Vec<(String, String)>,
}

/// Evaluates `readings` against `limits`.
///
/// # Errors
/// In words, when no quantity tells anything.
pub fn evaluate(readings: &Readings, limits: BTreeMap<ResultName, LimitFacts>) -> Result<Study, String> {
    let mut study = Study::default();
    for (name, units) in readings {
        let sessions: BTreeSet<&String> = units.values().flat_map(BTreeMap::keys).collect();
        match line(name, units, &sessions, &limits) {
            Ok(found) => {
                if study.units.len() < units.len() {
                    study.units = units.keys().cloned().collect();
                    study.sessions = sessions.into_iter().cloned().collect();
                }
                study.lines.push(found);
            }
            Err(why) => study.without.push((name.clone(), why)),
        }
    }
    if study.lines.is_empty() {
        let first = study.without.first();
        return Err(first.map_or("there are no readings".to_owned(), |(name, why)| format!("{name}: {why}")));
    }
    let place = |name: &str| ResultName::ALL.iter().position(|result| result.name() == name);
    study.lines.sort_by_key(|line| place(&line.name));
    study.limits = limits;
    Ok(study)
}

fn line(
    name: &str,
    units: &BTreeMap<String, BTreeMap<String, Vec<f64>>>,
    sessions: &BTreeSet<&String>,
    limits: &BTreeMap<ResultName, LimitFacts>,
) -> Result<Line, String> {
    let cell = |unit: &BTreeMap<String, Vec<f64>>, session: &String| unit.get(session).map_or(0, Vec::len);
    let repeats = units.values().flat_map(|unit| sessions.iter().map(|s| cell(unit, s))).min().unwrap_or(0);
    if let Some((tag, session)) = units
        .iter()
        .flat_map(|(tag, unit)| sessions.iter().map(move |s| (tag, unit, *s)))
        .find(|(_, unit, session)| cell(unit, session) < 2)
        .map(|(tag, _, session)| (tag, session))
    {
        return Err(format!("{tag} has fewer than two readings in session {session}"));
    }
    let all: usize = units.values().flat_map(BTreeMap::values).map(Vec::len).sum();
    let readings: Vec<Vec<Vec<f64>>> = units
        .values()
        .map(|unit| sessions.iter().filter_map(|session| Some(unit.get(*session)?[..repeats].to_vec())).collect())
        .collect();
    let found = components(&readings)?;
    let result = ResultName::from_name(name);
    let ratio = if found.gauge.variance > 0.0 {
        (2.0 * found.units.variance / found.gauge.variance).sqrt()
    } else {
        f64::INFINITY
    };
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped to a count")]
    let classes = ratio.floor().clamp(1.0, 999.0) as usize;
    Ok(Line {
        name: name.to_owned(),
        unit: result.map_or("", ResultName::unit),
        classes,
        limit: result.and_then(|result| limits.get(&result)).and_then(|limit| share(limit, &found)),
        left_out: all - units.len() * sessions.len() * repeats,
        found,
        readings,
    })
}

fn share(limit: &LimitFacts, found: &Components) -> Option<LimitShare> {
    let (times, width) = match (limit.min, limit.max) {
        (Some(min), Some(max)) => (6.0, max - min),
        (Some(end), None) | (None, Some(end)) => (3.0, (end - found.mean).abs()),
        (None, None) => return None,
    };
    if width <= 0.0 {
        return None;
    }
    let of = |sd: f64| times * sd / width;
    let (low, high) = found.gauge.sd_interval();
    let decides = match (of(low), of(high)) {
        (_, high) if high <= MOST_SHARE => Decides::Yes,
        (low, _) if low > MOST_SHARE => Decides::No,
        _ => Decides::Open,
    };
    Some(LimitShare { share: of(found.gauge.sd()), interval: (of(low), of(high)), decides })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_narrow_limit_cannot_be_decided_and_a_wide_one_can() {
        let mut readings = Readings::new();
        for unit in 0..6 {
            for session in 0..3 {
                for repeat in 0..3 {
                    let wobble = f64::from((unit * 7 + session * 5 + repeat * 3) % 5) - 2.0;
                    let value = 3.0 + f64::from(unit) + 0.1 * wobble;
                    put(&mut readings, "ramp_10_90_s", &format!("u{unit}"), &format!("s{session}"), value);
                    put(&mut readings, "speed_rpm", &format!("u{unit}"), &format!("s{session}"), value);
                }
            }
        }
        readings.get_mut("speed_rpm").unwrap().get_mut("u0").unwrap().remove("s1");
        let decided = |min: f64, max: f64| {
            let limit = LimitFacts { min: Some(min), max: Some(max), one_of: Vec::new() };
            let study = evaluate(&readings, [(ResultName::Ramp1090S, limit)].into()).unwrap();
            assert_eq!(study.without.len(), 1, "{:?}", study.without);
            assert!(study.lines[0].classes >= 5);
            study.lines[0].limit.unwrap().decides
        };
        assert_eq!(decided(0.5, 20.0), Decides::Yes);
        assert_eq!(decided(5.0, 5.2), Decides::No);
    }
}
