//! Units that behave alike, for a vehicle that takes two or more.
//!
//! Two units are as far apart as their rising speeds over the whole duty range (root mean square over the grid, as a
//! share of full speed) and their soft starts: a tenth of the ramp counts like one percent of full speed. Only units of
//! the same kind of input and active level, measured with the same load fan, go together.

use std::collections::BTreeMap;

use serde::Serialize;

use super::curve::DUTIES;
use super::member::{Member, RigErrors, group};
use crate::results::{Grade, ResultName};

/// What a relative difference of the ramp counts beside a relative difference of the speed.
const RAMP_WEIGHT: f64 = 0.1;
/// Step of a duty table, percent of the period: what a per-unit correction can set.
const TABLE_STEP_PCT: f64 = 1.0;
/// Most sets that are gone through one by one when more than two units are wanted.
const MOST_SETS: u128 = 2_000_000;

/// Units that go together.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Match {
    /// Their tags.
    pub units: Vec<String>,
    /// How far apart they are, percent of full speed, ramp included: the mean over their pairs.
    pub distance_pct: f64,
    /// Largest difference of speed, rpm.
    pub worst_rpm: f64,
    /// Standard uncertainty of that difference, rpm.
    pub worst_u_rpm: f64,
    /// Duty at which it is, percent.
    pub worst_duty_pct: f64,
    /// The same as a share of full speed, percent.
    pub worst_pct: f64,
    /// Largest difference left when each unit gets a duty table of its own in whole percents, rpm (standard
    /// uncertainty of what the tables can do, their speeds known as well as they were measured).
    pub after_table_rpm: f64,
    /// Speed beyond which the slowest cannot follow, rpm.
    pub common_full_rpm: f64,
    /// Largest over smallest ramp; `None` where one was not measured.
    pub ramp_ratio: Option<f64>,
    /// Whether all were measured on one rig, so that its common errors cancel in the differences.
    pub one_rig: bool,
}

impl Match {
    /// Whether a duty table of its own for each unit leaves less than one table for all.
    #[must_use]
    pub fn table_helps(&self) -> bool {
        self.after_table_rpm < self.worst_rpm
    }
}

/// Whether a unit may go into a vehicle at all, and can be compared.
fn candidate(member: &Member) -> bool {
    matches!(member.grade(), Some(Grade::Fit | Grade::Restricted)) && member.curve.is_whole()
}

/// Distance of two units as a share of full speed; `None` where they cannot go together.
fn distance(a: &Member, b: &Member) -> Option<f64> {
    if group(a) != group(b) || a.fan.is_other(&b.fan) {
        return None;
    }
    let full = 0.5 * (a.curve.full_rpm()? + b.curve.full_rpm()?);
    let (mut sum, mut n) = (0.0, 0.0);
    for (x, y) in a.curve.rpm.iter().zip(&b.curve.rpm) {
        if let (Some(x), Some(y)) = (x, y) {
            sum += ((x - y) / full).powi(2);
            n += 1.0;
        }
    }
    #[expect(clippy::cast_precision_loss, reason = "the grid is small")]
    let enough = DUTIES.len() as f64 / 3.0;
    if n < enough || full <= 0.0 {
        return None;
    }
    let ramp = ramp_ratio(&[a, b]).map_or(0.0, |ratio| RAMP_WEIGHT * (ratio - 1.0));
    Some((sum / n + ramp * ramp).sqrt())
}

fn ramp_ratio(units: &[&Member]) -> Option<f64> {
    let ramps: Option<Vec<f64>> =
        units.iter().map(|member| Some(member.numbers.get(&ResultName::Ramp1090S)?.0.max(1e-3))).collect();
    let ramps = ramps?;
    let (least, most) = (ramps.iter().copied().reduce(f64::min)?, ramps.iter().copied().reduce(f64::max)?);
    Some(most / least)
}

/// Disjoint pairs over the whole batch: as many as can be, and among those the ones with the least sum of distances
/// (exact, by matching in a general graph). Closest pair first.
#[must_use]
pub fn pairs(members: &[Member], rigs: &BTreeMap<String, RigErrors>) -> Vec<Match> {
    let units: Vec<&Member> = members.iter().filter(|member| candidate(member)).collect();
    let n = units.len();
    let mut costs: Vec<Option<i64>> = vec![None; n * n];
    let mut dearest = 0;
    for a in 0..n {
        for b in a + 1..n {
            // Millionths of full speed: far finer than any measurement.
            #[expect(clippy::cast_possible_truncation, reason = "a distance is a small share")]
            let cost = distance(units[a], units[b]).map(|share| (share.min(1e3) * 1e6).round() as i64);
            dearest = dearest.max(cost.unwrap_or(0));
            (costs[a * n + b], costs[b * n + a]) = (cost, cost);
        }
    }
    // One more pair is worth more than any saving of cost, so that as many go together as can.
    let pair_worth = (dearest + 1) * i64::try_from(n).unwrap_or(i64::MAX).max(1);
    let weights: Vec<i64> = costs.iter().map(|cost| cost.map_or(0, |cost| pair_worth - cost)).collect();
    let mates = if n < 2 { vec![None; n] } else { integer_blossom::max_weight_matching(&weights, n) };
    let found = mates.iter().enumerate().filter_map(|(a, mate)| mate.filter(|b| *b > a).map(|b| (a, b)));
    let mut matches: Vec<Match> = found.filter_map(|(a, b)| describe(&[units[a], units[b]], rigs)).collect();
    matches.sort_by(|a, b| a.distance_pct.total_cmp(&b.distance_pct));
    matches
}

/// The `k` units that are most alike, by the mean distance of their pairs; with whether every set was tried.
#[must_use]
pub fn alike(members: &[Member], k: usize, rigs: &BTreeMap<String, RigErrors>) -> Option<(Match, bool)> {
    let units: Vec<&Member> = members.iter().filter(|member| candidate(member)).collect();
    let n = units.len();
    if k < 2 || n < k {
        return None;
    }
    let costs: Vec<f64> = (0..n * n).map(|i| distance(units[i / n], units[i % n]).unwrap_or(f64::INFINITY)).collect();
    let total = |set: &[usize]| {
        let mut sum = 0.0;
        for (i, a) in set.iter().enumerate() {
            sum += set[i + 1..].iter().map(|b| costs[a * n + b]).sum::<f64>();
        }
        sum
    };
    let exact = sets(n, k) <= MOST_SETS;
    let mut best: Option<(f64, Vec<usize>)> = None;
    let mut offer = |set: &[usize]| {
        let sum = total(set);
        if sum.is_finite() && best.as_ref().is_none_or(|(least, _)| sum < *least) {
            best = Some((sum, set.to_vec()));
        }
    };
    if exact {
        each_set(n, k, &mut offer);
    } else {
        // Each unit with those nearest to it: within twice of the best by the triangle inequality.
        for centre in 0..n {
            let mut near: Vec<usize> = (0..n).collect();
            near.sort_by(|a, b| costs[centre * n + a].total_cmp(&costs[centre * n + b]));
            offer(&near[..k]);
        }
    }
    let (_, set) = best?;
    let chosen: Vec<&Member> = set.iter().map(|i| units[*i]).collect();
    Some((describe(&chosen, rigs)?, exact))
}

/// Number of sets of `k` out of `n`, held at a large number.
fn sets(n: usize, k: usize) -> u128 {
    (0..k as u128).fold(1, |sets: u128, i| {
        (sets.saturating_mul((n as u128).saturating_sub(i)) / (i + 1)).min(u128::MAX / 1_000_000)
    })
}

fn each_set(n: usize, k: usize, offer: &mut impl FnMut(&[usize])) {
    let mut set: Vec<usize> = (0..k).collect();
    loop {
        offer(&set);
        let Some(at) = (0..k).rev().find(|at| set[*at] < n - k + at) else { return };
        set[at] += 1;
        for later in at + 1..k {
            set[later] = set[later - 1] + 1;
        }
    }
}

/// Random part of the uncertainty of a speed: what is left when the clock, which all readings of a rig share, is taken out.
fn random_u(member: &Member, i: usize, rig: RigErrors) -> f64 {
    let rpm = member.curve.rpm.get(i).copied().flatten().unwrap_or(0.0);
    let u = member.curve.u_rpm.get(i).copied().unwrap_or(0.0);
    (u * u - (rig.clock * rpm).powi(2)).max(0.0).sqrt()
}

/// What the readings of a rig share at a speed: clock, reference voltage (speed follows it about as V^0.75), duty.
fn common_u(member: &Member, i: usize, rig: RigErrors) -> f64 {
    let rpm = member.curve.rpm.get(i).copied().flatten().unwrap_or(0.0);
    let duty = member.curve.slope(i) * rig.duty_pct;
    ((rig.clock * rpm).powi(2) + (0.75 * rig.supply * rpm).powi(2) + duty * duty).sqrt()
}

fn describe(units: &[&Member], rigs: &BTreeMap<String, RigErrors>) -> Option<Match> {
    let errors = |member: &Member| member.rig.as_ref().and_then(|rig| rigs.get(rig)).copied().unwrap_or_default();
    let one_rig = units.iter().all(|member| member.rig.is_some() && member.rig == units[0].rig);
    let (mut worst, mut after) = ((0.0, 0.0, 0.0), 0.0_f64);
    let (mut sum, mut count) = (0.0, 0.0);
    for (i, a) in units.iter().enumerate() {
        for b in &units[i + 1..] {
            sum += distance(a, b)?;
            count += 1.0;
            for (place, duty) in DUTIES.iter().enumerate() {
                let at = |member: &Member| member.curve.rpm.get(place).copied().flatten();
                let (Some(x), Some(y)) = (at(a), at(b)) else { continue };
                let random = random_u(a, place, errors(a)).hypot(random_u(b, place, errors(b)));
                let common = common_u(a, place, errors(a)).hypot(common_u(b, place, errors(b)));
                // On one rig the common errors move both alike and leave only their share of the difference.
                let relative = (x - y).abs() / x.abs().max(y.abs()).max(1.0);
                let warmth = a.fan.warmth_u(&b.fan, 0.5 * (x + y));
                let random = random.hypot(warmth);
                let u = random.hypot(if one_rig { relative * common } else { common });
                if (x - y).abs() >= worst.0 {
                    worst = ((x - y).abs(), u, *duty);
                }
                // A table is set to half a step at the most beside the duty wanted: uniform, hence the square root of 12.
                let step = TABLE_STEP_PCT / 12.0_f64.sqrt();
                let table = (a.curve.slope(place) * step).hypot(b.curve.slope(place) * step);
                after = after.max(table.hypot(if one_rig { random } else { random.hypot(common) }));
            }
        }
    }
    let common_full_rpm = units.iter().filter_map(|member| member.curve.full_rpm()).reduce(f64::min)?;
    let full = units.iter().filter_map(|member| member.curve.full_rpm()).reduce(f64::max)?;
    Some(Match {
        units: units.iter().map(|member| member.tag.clone()).collect(),
        distance_pct: 100.0 * sum / count,
        worst_rpm: worst.0,
        worst_u_rpm: worst.1,
        worst_duty_pct: worst.2,
        worst_pct: 100.0 * worst.0 / full,
        after_table_rpm: after,
        common_full_rpm,
        ramp_ratio: ramp_ratio(units),
        one_rig,
    })
}

/// What a reader must know of how differences of speed are to be read.
#[must_use]
pub const fn mixed_note(one_rig: bool) -> &'static str {
    if one_rig {
        "measured on one rig: its clock, voltage reference and duty errors move both alike and cancel but for their share \
         of the difference; how warm the load fan was from the unit before is in the uncertainty, reconnecting a unit is not"
    } else {
        "measured on different rigs with load fans alike: the common errors of both rigs and how warm the fans were are in \
         the uncertainty, reconnecting a unit is not"
    }
}

#[cfg(test)]
#[path = "matching_tests.rs"]
mod tests;
