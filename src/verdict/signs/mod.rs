//! Signs: evidence of named faults, each with a strength from 0 to 1 and the evidence in plain words.
//!
//! A strength is a probability: that of the fault given what was measured, from a prior (the plan's share of bad units over
//! the faults known) and from what sound and faulty units show in the quantity (each population is explained where it
//! stands). From [`STRONG`] on the fault alone decides the grade, from [`SUSPICION`] on it bars the grade `fit`, below that it is
//! shown and left to the reader. Signs of the bench's own troubles come with the others and bar nothing.

mod bench;
mod command;
mod explain;
mod held_back;
mod leaks;
mod meaning;
mod output;
mod silent;
mod supply;
mod trips;
mod weigh;

pub(crate) use bench::FAN_WORN;

use crate::record::recording::Recording;
use crate::results::{Evidence, Findings, Sign, Stopped};

/// From here on a sign decides by itself.
pub const STRONG: f64 = 0.8;
/// From here on a sign bars `fit`.
pub const SUSPICION: f64 = 0.5;
/// Below this nothing is said.
const SHOWN: f64 = 0.1;

/// Names of the faults that signs speak of.
pub(crate) mod fault {
    pub(crate) const SWITCH_SHORTED: &str = "switch shorted";
    pub(crate) const SWITCH_OPEN: &str = "switch open";
    pub(crate) const PARALLEL_SWITCH_OPEN: &str = "one of two parallel switches open";
    pub(crate) const CRACKED_JOINT: &str = "cracked joint";
    pub(crate) const DRIED_CAPACITOR: &str = "dried capacitor";
    pub(crate) const SOFT_START_LOST: &str = "soft start lost";
    pub(crate) const INPUT_DEAD: &str = "input dead";
    pub(crate) const INPUT_LEAKY: &str = "input leaky";
    pub(crate) const BAND_SHIFTED: &str = "band shifted";
    pub(crate) const CURRENT_LIMIT_EARLY: &str = "current limit early";
    pub(crate) const THERMAL_LIMIT_EARLY: &str = "thermal limit early";
    pub(crate) const SLEEP_LOST: &str = "sleep lost";
    pub(crate) const WATER_IN_CONNECTOR: &str = "water in connector";
    pub(crate) const OVERHEATS: &str = "overheats";
    pub(crate) const OVER_CURRENT: &str = "over-current";
}

/// All signs in a run, those of the unit first, strongest first, at most one per fault.
#[must_use]
pub fn signs(findings: &Findings, rec: &Recording, stopped: Option<&Stopped>) -> Vec<Sign> {
    let mut all: Vec<Sign> = Vec::new();
    let mut found = trips::find(rec, stopped);
    found.extend(output::find(findings, rec));
    found.extend(held_back::find(findings, rec));
    found.extend(supply::find(findings, rec));
    found.extend(leaks::find(findings, rec));
    found.extend(silent::find(findings, rec, &found));
    found.extend(command::find(findings, rec));
    found.extend(bench::find(findings, rec));
    for sign in found {
        match all.iter_mut().find(|known| known.fault == sign.fault) {
            Some(known) if sign.strength > known.strength => *known = sign,
            Some(_) => {}
            None => all.push(sign),
        }
    }
    explain::away(&mut all);
    for sign in &mut all {
        meaning::add(sign);
    }
    let order = |sign: &Sign| (sign.of_bench, -sign.strength);
    all.sort_by(|a, b| {
        let (a_key, b_key) = (order(a), order(b));
        a_key.0.cmp(&b_key.0).then(a_key.1.total_cmp(&b_key.1)).then_with(|| a.fault.cmp(&b.fault))
    });
    all
}

/// Signs from stops that were the unit's own doing alone.
pub(super) fn from_trips(rec: &Recording, stopped: Option<&Stopped>) -> Vec<Sign> {
    trips::find(rec, stopped)
}

/// A sign; the strength is kept to two decimals, more would pretend.
fn sign(fault: &str, strength: f64, because: impl Into<String>) -> Sign {
    Sign { fault: fault.to_owned(), strength: rounded(strength), because: because.into(), ..Sign::default() }
}

fn rounded(strength: f64) -> f64 {
    (strength.clamp(0.0, 1.0) * 100.0).round() / 100.0
}

/// The same with the prior that its strength is built on.
fn with(sign: Sign, prior: f64) -> Sign {
    Sign { prior: Some((prior * 1e4).round() / 1e4), ..sign }
}

/// A reading beside what sound ones show.
fn evidence(what: &str, value: f64, unit: &str, sound: (Option<f64>, Option<f64>)) -> Evidence {
    Evidence { what: what.to_owned(), value, unit: unit.to_owned(), sound: [sound.0, sound.1] }
}

/// Line from `(x0, y0)` to `(x1, y1)`, held at its ends.
fn between(x: f64, (x0, y0): (f64, f64), (x1, y1): (f64, f64)) -> f64 {
    y0 + (y1 - y0) * ((x - x0) / (x1 - x0)).clamp(0.0, 1.0)
}
