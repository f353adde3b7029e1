//! Kinds of module in a mixed crate, found by what the parts inside make of a unit: band edges, pull-up, thresholds, ramp,
//! delays, capacitance. Nothing is known beforehand of how many kinds there are.
//!
//! Clusters by DP-means (Kulis and Jordan 2012): a unit too far from every centre founds a new one. Centres are medians, and
//! of the distances to a centre the largest third is left out, so that a unit with one fault stays with its kind, where
//! it can be told from the others.

use std::collections::BTreeMap;

use serde::Serialize;

use super::member::{Member, group};
use crate::analysis::signal::stats;
use crate::results::ResultName;

/// What tells kinds apart, and by which share units of one kind differ in it: the tolerances of their parts (resistors,
/// oscillators, electrolytics, thresholds of comparators), as standard deviations.
const FEATURES: [(ResultName, f64); 12] = [
    (ResultName::CommandHzLow, 0.06),
    (ResultName::CommandHzHigh, 0.06),
    (ResultName::PullUpOhm, 0.08),
    (ResultName::PullUpV, 0.05),
    (ResultName::OutputOnPct, 0.08),
    (ResultName::OutputOffPct, 0.08),
    (ResultName::SaturationDutyPct, 0.02),
    (ResultName::Ramp1090S, 0.10),
    (ResultName::CommandDelayS, 0.12),
    (ResultName::OutputOffDelayS, 0.12),
    (ResultName::CapacitanceF, 0.12),
    (ResultName::SleepAfterS, 0.12),
];
/// Fewest features with which a unit is told from another.
const LEAST: usize = 4;
/// Root mean square of the smaller two thirds of the differences, in tolerances, beyond which it is another kind. Within a
/// kind it is seldom above 1; another product differs in most of its parts.
const ANOTHER: f64 = 2.5;
/// Rounds after which what still moves is left where it is.
const ROUNDS: usize = 20;

/// A kind of module.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Kind {
    /// Its letter in this crate, most frequent first.
    pub letter: String,
    /// What a person noted as the kind of its units at intake, the most frequent words first.
    pub noted: Vec<String>,
    /// What it looks like on the bench, in words.
    pub looks: String,
    /// Indices of its units.
    #[serde(skip)]
    pub members: Vec<usize>,
    /// How many they are.
    pub units: usize,
}

/// The kinds among `members` that a run has judged, largest first. Units of which too little is known to tell stay
/// together by their input alone.
#[must_use]
pub fn kinds(members: &[Member]) -> Vec<Kind> {
    let mut by_input: BTreeMap<(bool, (String, String)), Vec<usize>> = BTreeMap::new();
    for (index, member) in members.iter().enumerate().filter(|(_, member)| !member.numbers.is_empty()) {
        let known = features(member).iter().flatten().count();
        by_input.entry((known >= LEAST, group(member))).or_default().push(index);
    }
    let mut found: Vec<Vec<usize>> = Vec::new();
    for ((told, _), units) in by_input {
        if told {
            found.extend(clusters(members, &units));
        } else {
            found.push(units);
        }
    }
    found.sort_by_key(|units| (std::cmp::Reverse(units.len()), units.first().copied()));
    let kind = |(place, units): (usize, Vec<usize>)| Kind {
        letter: letter(place),
        noted: noted(members, &units),
        looks: looks(members, &units),
        units: units.len(),
        members: units,
    };
    found.into_iter().enumerate().map(kind).collect()
}

/// A, B ... Z, AA, AB ...
fn letter(place: usize) -> String {
    let (more, last) = (place / 26, place % 26);
    let last = char::from(b'A' + u8::try_from(last).unwrap_or(0));
    if more == 0 { last.to_string() } else { format!("{}{last}", letter(more - 1)) }
}

type Features = [Option<f64>; FEATURES.len()];

/// Logarithms in units of the tolerance.
fn features(member: &Member) -> Features {
    FEATURES.map(|(name, share)| {
        let (value, _) = member.numbers.get(&name)?;
        (*value > 0.0).then(|| value.ln() / share)
    })
}

/// How far apart two units are: see [`ANOTHER`]. What one of them lacks does not count.
fn distance(a: &Features, b: &Features) -> f64 {
    let mut apart: Vec<f64> = a.iter().zip(b).filter_map(|(a, b)| Some(((*a)? - (*b)?).abs())).collect();
    if apart.len() < LEAST {
        return 0.0;
    }
    apart.sort_by(f64::total_cmp);
    apart.truncate(apart.len() - apart.len() / 3);
    #[expect(clippy::cast_precision_loss, reason = "a dozen")]
    let n = apart.len() as f64;
    (apart.iter().map(|d| d * d).sum::<f64>() / n).sqrt()
}

fn clusters(members: &[Member], units: &[usize]) -> Vec<Vec<usize>> {
    let known: Vec<Features> = units.iter().map(|unit| features(&members[*unit])).collect();
    let mut centres: Vec<Features> = Vec::new();
    let mut assigned: Vec<usize> = Vec::new();
    for _ in 0..ROUNDS {
        let mut now = Vec::with_capacity(known.len());
        for unit in &known {
            let nearest = centres.iter().map(|centre| distance(unit, centre)).enumerate();
            match nearest.min_by(|a, b| a.1.total_cmp(&b.1)).filter(|(_, apart)| *apart <= ANOTHER) {
                Some((centre, _)) => now.push(centre),
                None => {
                    centres.push(*unit);
                    now.push(centres.len() - 1);
                }
            }
        }
        let mut next: Vec<Features> = Vec::new();
        for centre in 0..centres.len() {
            let of_it: Vec<&Features> = known.iter().zip(&now).filter(|(_, c)| **c == centre).map(|(f, _)| f).collect();
            let middle = medians(&of_it);
            // One that lies with another is no centre of its own.
            if !of_it.is_empty() && next.iter().all(|other| distance(other, &middle) > ANOTHER) {
                next.push(middle);
            }
        }
        let settled = now == assigned && next.len() == centres.len();
        (centres, assigned) = (next, now);
        if settled {
            break;
        }
    }
    let mut found: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for (unit, features) in units.iter().zip(&known) {
        let nearest = centres.iter().map(|centre| distance(features, centre)).enumerate();
        let centre = nearest.min_by(|a, b| a.1.total_cmp(&b.1)).map_or(0, |(centre, _)| centre);
        found.entry(centre).or_default().push(*unit);
    }
    found.into_values().collect()
}

/// Median of each feature over the units that have it.
fn medians(units: &[&Features]) -> Features {
    std::array::from_fn(|i| stats::median(&units.iter().filter_map(|unit| unit[i]).collect::<Vec<_>>()))
}

/// Kinds noted at intake, most frequent first.
fn noted(members: &[Member], units: &[usize]) -> Vec<String> {
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    for words in units.iter().filter_map(|unit| members[*unit].noted_kind.as_deref()) {
        *counts.entry(words).or_default() += 1;
    }
    let mut words: Vec<(&str, usize)> = counts.into_iter().collect();
    words.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(b.0)));
    words.into_iter().map(|(words, _)| words.to_owned()).collect()
}

/// Input, level, ramp and band of the middle one.
fn looks(members: &[Member], units: &[usize]) -> String {
    let word = |name: ResultName| {
        let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
        for word in units.iter().filter_map(|unit| members[*unit].words.get(&name)) {
            *counts.entry(word).or_default() += 1;
        }
        counts.into_iter().max_by_key(|(_, n)| *n).map(|(word, _)| word)
    };
    let middle = |name: ResultName| {
        stats::median(&units.iter().filter_map(|unit| Some(members[*unit].numbers.get(&name)?.0)).collect::<Vec<_>>())
    };
    let shown = |value: f64| crate::units::significant(value, 2);
    let mut parts: Vec<String> = Vec::new();
    parts.extend(word(ResultName::LineKind).map(|kind| format!("{} input", kind.replace('_', " "))));
    parts.extend(word(ResultName::ActiveLevel).map(|level| format!("active {level}")));
    parts.extend(match (middle(ResultName::CommandHzLow), middle(ResultName::CommandHzHigh)) {
        (Some(low), Some(high)) => Some(format!("{} to {} Hz", shown(low), shown(high))),
        _ => middle(ResultName::CommandHz).map(|hz| format!("tested at {} Hz", shown(hz))),
    });
    let shape = word(ResultName::RampShape).map_or(String::new(), |shape| format!("{} ", shape.replace('_', " ")));
    parts.extend(middle(ResultName::Ramp1090S).map(|ramp| format!("{shape}ramp of {} s", shown(ramp))));
    if parts.is_empty() { "nothing that tells its kind was measured".to_owned() } else { parts.join(", ") }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A unit around a design: `scale` moves every part by up to its tolerance, differently for each.
    fn unit(tag: usize, design: &[f64; FEATURES.len()]) -> Member {
        let mut member = Member::waiting(&format!("TQ-{tag:04}"));
        for (i, ((name, share), nominal)) in FEATURES.iter().zip(design).enumerate() {
            #[expect(clippy::cast_precision_loss, reason = "a small remainder")]
            let off = ((tag * 7 + i * 5) % 11) as f64 / 5.0 - 1.0;
            member.numbers.insert(*name, (nominal * (1.0 + 1.7 * share * off), 0.0));
        }
        member
    }

    const ONE: [f64; 12] = [62.0, 265.0, 3300.0, 13.0, 10.0, 8.0, 90.0, 2.4, 0.04, 0.06, 3.3e-3, 8.0];
    const TWO: [f64; 12] = [110.0, 420.0, 2200.0, 13.0, 12.0, 10.0, 86.0, 1.0, 0.03, 0.05, 2.2e-3, 5.0];

    #[test]
    fn two_designs_are_two_kinds_and_tolerances_make_no_third() {
        let members: Vec<Member> = (0..30).map(|i| unit(i, if i % 3 == 0 { &TWO } else { &ONE })).collect();
        let found = kinds(&members);
        assert_eq!(
            found.iter().map(|kind| (kind.letter.as_str(), kind.units)).collect::<Vec<_>>(),
            [("A", 20), ("B", 10)]
        );
        assert!(found[1].members.iter().all(|i| i % 3 == 0));
        assert_eq!(found[0].looks, "62 to 265 Hz, ramp of 2.4 s");
    }

    #[test]
    fn a_unit_with_a_fault_stays_with_its_kind_and_a_stranger_does_not() {
        let mut members: Vec<Member> = (0..12).map(|i| unit(i, &ONE)).collect();
        // A dried capacitor, no ramp left, a leaky input.
        for (name, value) in
            [(ResultName::CapacitanceF, 4e-4), (ResultName::Ramp1090S, 0.02), (ResultName::PullUpOhm, 400.0)]
        {
            members[4].numbers.insert(name, (value, 0.0));
        }
        assert_eq!(kinds(&members).len(), 1);
        members.push(unit(12, &TWO));
        let found = kinds(&members);
        assert_eq!(found.iter().map(|kind| kind.units).collect::<Vec<_>>(), [12, 1]);
    }

    #[test]
    fn people_name_kinds_by_what_they_note_of_units() {
        let mut members: Vec<Member> = (0..9).map(|i| unit(i, &ONE)).collect();
        for (i, words) in [(0, "two plugs"), (5, "two plugs"), (7, "grey lid")] {
            members[i].noted_kind = Some(words.to_owned());
        }
        assert_eq!(kinds(&members)[0].noted, ["two plugs", "grey lid"]);
    }

    #[test]
    fn letters_go_on_after_z() {
        assert_eq!([letter(0), letter(25), letter(26), letter(53)], ["A", "Z", "AA", "BB"]);
    }

    #[test]
    fn too_little_to_tell_leaves_the_input() {
        let mut members = vec![Member::waiting("TQ-0001"), Member::waiting("TQ-0002"), Member::waiting("TQ-0003")];
        for member in &mut members[..2] {
            member.numbers.insert(ResultName::DropV, (0.2, 0.01));
        }
        let found = kinds(&members);
        assert_eq!(found.iter().map(|kind| kind.members.clone()).collect::<Vec<_>>(), [vec![0, 1]]);
    }
}
