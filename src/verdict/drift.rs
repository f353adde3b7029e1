//! What changed: a unit against an earlier run of itself, and a bench against its own check unit.
//!
//! Two runs on one bench share its gains, clock and references: these cancel in the difference but for what the change
//! itself makes of them. What is left is what either run differs by anyway (JCGM 100, 5.2). A check unit that is kept for
//! nothing else shows whether the bench moved: an individuals chart with limits from its moving ranges (ISO 7870-2).

use std::collections::BTreeMap;

use statrs::distribution::{ContinuousCDF as _, Normal};

use crate::results::{Contribution, Findings, Measured, Nature, ResultName};

/// Chance of calling any result changed when none did.
const RISK: f64 = 0.05;

/// A result in two runs.
#[derive(Clone, Debug, PartialEq)]
pub struct Change {
    /// Which.
    pub name: ResultName,
    /// Value in the earlier run.
    pub before: f64,
    /// Value in the later run.
    pub after: f64,
    /// Standard uncertainty of their difference.
    pub u: f64,
    /// Half width of its 95 % interval over `u`.
    pub k: f64,
    /// Chance of a difference as large as this without any change.
    pub p: f64,
    /// Whether it is told, with as many results compared.
    pub is_told: bool,
}

impl Change {
    /// Later less earlier value.
    #[must_use]
    pub fn difference(&self) -> f64 {
        self.after - self.before
    }
}

/// All numbers that both runs gave, in the order of the results. `same_bench` is whether both were taken on one rig with
/// the same calibrations.
#[must_use]
pub fn changes(before: &Findings, after: &Findings, same_bench: bool) -> Vec<Change> {
    let pairs = ResultName::ALL.iter().filter_map(|name| {
        let pair = (before.results.get(name)?, after.results.get(name)?);
        change(*name, pair, same_bench)
    });
    let mut all: Vec<Change> = pairs.collect();
    // Each of many may differ by chance.
    let each = share_of_risk(all.len());
    all.iter_mut().for_each(|change| change.is_told = change.p < each);
    all
}

fn change(name: ResultName, (before, after): (&Measured, &Measured), same_bench: bool) -> Option<Change> {
    let (from, to) = (before.plain_number()?, after.plain_number()?);
    let shared = |part: &Contribution| same_bench && part.nature == Nature::Common;
    let own = before.budget.iter().chain(&after.budget).filter(|part| !shared(part)).map(|part| part.u * part.u);
    // What is common moved both alike: of it only the difference is left.
    let by_name = |measured: &Measured| -> BTreeMap<String, f64> {
        measured.budget.iter().filter(|part| shared(part)).map(|part| (part.name.clone(), part.u)).collect()
    };
    let mut left = by_name(before);
    for (part, u) in by_name(after) {
        *left.entry(part).or_default() -= u;
    }
    let common = left.into_values().map(|u| u * u);
    let u = own.chain(common).sum::<f64>().sqrt();
    if u <= 0.0 {
        return None;
    }
    let k = reach(before).max(reach(after));
    // Few readings behind a `u` make its interval wider than the normal one by this factor.
    let p = by_chance((to - from).abs() / u, k);
    Some(Change { name, before: from, after: to, u, k, p, is_told: false })
}

const K_NORMAL: f64 = 1.96;

/// Chance of a difference of so many standard uncertainties, or more, to either side.
fn by_chance(deviations: f64, k: f64) -> f64 {
    2.0 * Normal::standard().sf(deviations * K_NORMAL / k)
}

/// Share of the risk that falls to each of so many results (Bonferroni).
fn share_of_risk(results: usize) -> f64 {
    RISK / f64::from(u32::try_from(results.max(1)).unwrap_or(u32::MAX))
}

/// Half width of the 95 % interval over `u`, at least that of a normal distribution.
fn reach(measured: &Measured) -> f64 {
    let half = measured.interval.and_then(|[low, high]| Some(0.5 * (high? - low?)));
    half.zip(measured.u).map_or(K_NORMAL, |(half, u)| half / u).clamp(K_NORMAL, 13.0)
}

/// A run, as people call it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Which {
    /// Tag of its unit.
    pub unit: String,
    /// Its name.
    pub run: String,
    /// When it began, where that is known.
    pub started: Option<String>,
}

/// Two runs of a unit compared.
#[derive(Clone, Debug, PartialEq)]
pub struct Drift {
    /// The earlier run.
    pub before: Which,
    /// The later run.
    pub after: Which,
    /// Whether both were taken on one rig with the same calibrations.
    pub same_bench: bool,
    /// Every number that both gave.
    pub changes: Vec<Change>,
    /// Words that differ: which, before, after.
    pub words: Vec<(ResultName, String, String)>,
    /// The same of a check unit.
    pub check: Option<Checked>,
}

/// What a check unit did meanwhile.
#[derive(Clone, Debug, PartialEq)]
pub struct Checked {
    /// Its run nearest to the earlier one.
    pub before: Which,
    /// Its run nearest to the later one.
    pub after: Which,
    /// The unit's changes beside its own.
    pub beside: Vec<Beside>,
}

/// Charts of a check unit on a bench.
#[derive(Clone, Debug, PartialEq)]
pub struct Control {
    /// The bench.
    pub rig: Option<String>,
    /// The runs, oldest first.
    pub runs: Vec<Which>,
    /// A chart for each result that all of them gave.
    pub charts: Vec<Chart>,
}

/// Whether a check unit moved on the same bench meanwhile: its change, and what is left of the unit's beside it.
#[derive(Clone, Debug, PartialEq)]
pub struct Beside {
    /// The unit's own change.
    pub unit: Change,
    /// The check unit's.
    pub check: Change,
    /// Whether the difference of both is told.
    pub is_told: bool,
}

/// The unit's changes beside those of a check unit over the same time.
#[must_use]
pub fn beside(unit: &[Change], check: &[Change]) -> Vec<Beside> {
    let each = share_of_risk(unit.len());
    let both = unit.iter().filter_map(|unit| Some((unit, check.iter().find(|check| check.name == unit.name)?)));
    both.map(|(unit, check)| {
        let left = (unit.difference() - check.difference()).abs() / unit.u.hypot(check.u);
        let p = by_chance(left, unit.k.max(check.k));
        Beside { unit: unit.clone(), check: check.clone(), is_told: p < each }
    })
    .collect()
}

/// Runs of a check unit that set the limits, at least.
pub const BASELINE: usize = 8;
/// Runs on one side of the middle in a row that tell of a shift (ISO 7870-2).
const ROW: usize = 9;
/// Expected range of two over the standard deviation.
const D2: f64 = 1.128;

/// An individuals chart of one result of a check unit.
#[derive(Clone, Debug, PartialEq)]
pub struct Chart {
    /// Which result.
    pub name: ResultName,
    /// Values in the order of the runs.
    pub values: Vec<f64>,
    /// Mean of the baseline.
    pub middle: f64,
    /// Lower and upper limit, three standard deviations away.
    pub limits: (f64, f64),
    /// First run that tells of a change, and by which rule.
    pub out: Option<(usize, Rule)>,
}

/// What tells that a bench moved.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rule {
    /// A run beyond a limit.
    Beyond,
    /// Nine in a row on one side of the middle.
    Row,
}

/// The chart of a result; `None` with fewer runs than the baseline needs, or values that never differ.
#[must_use]
pub fn chart(name: ResultName, values: &[f64]) -> Option<Chart> {
    let first = values.get(..BASELINE)?;
    let count = f64::from(u32::try_from(BASELINE).unwrap_or(u32::MAX));
    let middle = first.iter().sum::<f64>() / count;
    let sigma = first.windows(2).map(|pair| (pair[1] - pair[0]).abs()).sum::<f64>() / (count - 1.0) / D2;
    if sigma <= 0.0 {
        return None;
    }
    let limits = (middle - 3.0 * sigma, middle + 3.0 * sigma);
    let beyond = values.iter().position(|v| *v < limits.0 || *v > limits.1).map(|at| (at, Rule::Beyond));
    let side = |v: &f64| (*v - middle).signum();
    let row = values.windows(ROW).position(|run| run.iter().all(|v| side(v) == side(&run[0]) && *v != middle));
    let row = row.map(|at| (at + ROW - 1, Rule::Row));
    let out = [beyond, row].into_iter().flatten().min_by_key(|(at, _)| *at);
    Some(Chart { name, values: values.to_vec(), middle, limits, out })
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng as _;
    use rand_distr::{Distribution as _, StandardNormal};
    use rand_xoshiro::Xoshiro256PlusPlus;

    use super::*;

    /// A run on a bench whose gain is off by `gain`, of a unit whose drop is `drop_v`.
    fn run(drop_v: f64, gain: f64, random: &mut Xoshiro256PlusPlus) -> Findings {
        let noise: f64 = StandardNormal.sample(random);
        let budget = vec![
            Contribution { name: "spread".to_owned(), u: 0.002, nature: Nature::Random },
            Contribution { name: "gain".to_owned(), u: 0.01, nature: Nature::Common },
        ];
        let name = ResultName::DropV;
        let value = drop_v + gain + 0.002 * noise;
        let mut findings = Findings::default();
        findings.results.insert(name, Measured::number(name, value, K_NORMAL, budget, "test", 9));
        findings
    }

    #[test]
    fn what_one_bench_shares_cancels_and_what_two_benches_differ_by_does_not() {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(61);
        let (mut told_same, mut told_other, mut told_changed) = (0, 0, 0);
        for _ in 0..1000 {
            let gains: [f64; 2] = std::array::from_fn(|_| {
                let g: f64 = StandardNormal.sample(&mut random);
                0.01 * g
            });
            let first = run(0.2, gains[0], &mut random);
            let again = run(0.2, gains[0], &mut random);
            let elsewhere = run(0.2, gains[1], &mut random);
            let worse = run(0.215, gains[0], &mut random);
            let told = |after: &Findings, same| u32::from(changes(&first, after, same)[0].is_told);
            told_same += told(&again, true);
            told_other += told(&elsewhere, false);
            told_changed += told(&worse, true);
        }
        // One in twenty by chance (27 to 76 in 99.9 % of thousands).
        assert!((27..=76).contains(&told_same), "{told_same}");
        assert!((27..=76).contains(&told_other), "{told_other}");
        // Five of its standard deviations.
        assert!(told_changed > 985, "{told_changed}");
    }

    #[test]
    fn a_common_part_that_one_run_alone_has_is_not_cancelled_by_anything() {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(65);
        let (bare, mut more) = (run(0.2, 0.0, &mut random), run(0.2, 0.0, &mut random));
        let part = Contribution { name: "reference".to_owned(), u: 0.05, nature: Nature::Common };
        more.results.get_mut(&ResultName::DropV).unwrap().budget.push(part);
        let u = |before: &Findings, after: &Findings| changes(before, after, true)[0].u;
        assert!((u(&bare, &more) - 0.05_f64.hypot(0.002 * 2.0_f64.sqrt())).abs() < 1e-9);
        assert_eq!(u(&bare, &more), u(&more, &bare));
    }

    #[test]
    fn a_change_that_the_check_unit_shows_too_is_the_benchs() {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(62);
        let of = |before: f64, after: f64, random: &mut Xoshiro256PlusPlus| {
            changes(&run(before, 0.0, random), &run(after, 0.0, random), true)
        };
        let (unit, check) = (of(0.2, 0.23, &mut random), of(0.3, 0.33, &mut random));
        assert!(unit[0].is_told && check[0].is_told);
        assert!(!beside(&unit, &check)[0].is_told);
        let steady = of(0.3, 0.3, &mut random);
        assert!(beside(&unit, &steady)[0].is_told);
    }

    #[test]
    fn a_chart_tells_a_jump_and_a_slow_shift_and_is_quiet_otherwise() {
        // To and fro by 0.1: moving ranges of 0.2, a standard deviation of 0.177.
        let wobble = |i: u32| if i.is_multiple_of(2) { 0.1 } else { -0.1 };
        let mut values: Vec<f64> = (0..20).map(|i| 5.0 + wobble(i)).collect();
        let quiet = chart(ResultName::DropV, &values).unwrap();
        assert!((quiet.limits.1 - 5.532).abs() < 0.001 && quiet.out.is_none(), "{quiet:?}");
        values.push(5.54);
        assert_eq!(chart(ResultName::DropV, &values).unwrap().out, Some((20, Rule::Beyond)));
        let shifted: Vec<f64> = (0..40).map(|i| wobble(i) + if i < 12 { 5.0 } else { 5.12 }).collect();
        assert_eq!(chart(ResultName::DropV, &shifted).unwrap().out, Some((20, Rule::Row)));
        assert_eq!(chart(ResultName::DropV, &values[..7]), None);
        assert_eq!(chart(ResultName::DropV, &[1.0; 12]), None);
    }

    #[test]
    fn a_quiet_bench_is_seldom_called_moved_over_twenty_runs() {
        let mut random = Xoshiro256PlusPlus::seed_from_u64(64);
        let mut called = 0;
        for _ in 0..500 {
            let values: Vec<f64> = (0..20).map(|_| StandardNormal.sample(&mut random)).collect();
            let out = chart(ResultName::DropV, &values).unwrap().out;
            called += u32::from(out.is_some());
        }
        // Limits from eight runs are uncertain themselves: with known ones it would be one in ten.
        assert!(called < 175, "{called}");
    }
}
