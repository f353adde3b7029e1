//! Signs of the bench's own troubles, so that they are not taken for the unit's: a worn load fan, a weak supply or a bad
//! contact in its wires, a supply in its current limit. They bar no grade; they say what else to look at.

use super::{SHOWN, evidence, sign};
use crate::analysis::load_fan::{self, SAME_FAN};
use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::Recording;
use crate::results::{Findings, Sign};
use crate::verdict::steadfast::{RUNNING_A, level, zero};

/// Names.
pub(crate) const FAN_WORN: &str = "load fan worn";
const SUPPLY_WEAK: &str = "supply weak or a bad contact in its wires";
const SUPPLY_LIMITED: &str = "supply in its current limit";

/// Probability of each before anything is measured: benches are looked after, but not daily.
const PRIOR: f64 = 0.08;

/// Signs found.
pub(super) fn find(findings: &Findings, rec: &Recording) -> Vec<Sign> {
    let limited = limited(rec);
    let weak = if limited.is_none() { weak_supply(rec) } else { None };
    [worn_fan(findings, rec), limited, weak]
        .into_iter()
        .flatten()
        .map(|found| Sign { of_bench: true, prior: Some(PRIOR), ..found })
        .collect()
}

/// Whether the supply was seen in its current limit: what a unit shows then may be the supply's doing.
pub(super) fn is_limited(rec: &Recording) -> bool {
    limited(rec).is_some()
}

/// Resistance of the fan fitted to its start, against that by which it would draw the locked-rotor current of the rig file.
///
/// Glazed brushes and a worn commutator add resistance. What the report calls another fan is a hint, 30 % more a sign.
fn worn_fan(findings: &Findings, rec: &Recording) -> Option<Sign> {
    let expected = load_fan::stated_ohm(&rec.header.bench)?;
    let fitted = findings.fan_resistance_ohm?;
    let (least, _) = load_fan::of_stated(fitted, expected);
    let ohm = fitted.value;
    (least > SAME_FAN).then(|| {
        let because = format!(
            "the fan's resistance is {:.0} mOhm by its start, {:.0} by the rig file's locked-rotor current",
            1e3 * ohm,
            1e3 * expected
        );
        let mut found = sign(FAN_WORN, super::between(least, (SAME_FAN, 0.3), (1.3, 0.95)), because);
        found.evidence.push(evidence("resistance of the load fan", ohm, "Ohm", (None, Some(SAME_FAN * expected))));
        found
    })
}

/// Voltage lost per ampere between the rest before a stay flat out and its end, against the rig file.
fn weak_supply(rec: &Recording) -> Option<Sign> {
    let stated = rec.header.bench.supply_ohm.filter(|ohm| *ohm > 0.0)?;
    let open_v = rec.header.bench.supply_v?;
    let lost = flat_out(rec).filter(|(_, amps)| *amps > 5.0).map(|(volts, amps)| (open_v - volts) / amps);
    let ohm = lost.reduce(f64::max)?;
    // A battery polarises: a third more than its resistance is nothing.
    let ratio = (ohm - stated / 3.0 - 0.002) / stated;
    (ratio > 1.3).then(|| {
        let because =
            format!("the supply loses {:.0} mOhm times the current, {:.0} by the rig file", 1e3 * ohm, 1e3 * stated);
        let mut found = sign(SUPPLY_WEAK, super::between(ratio, (1.3, 0.4), (2.0, 0.95)), because);
        found.evidence.push(evidence("resistance of the supply", ohm, "Ohm", (None, Some(1.4 * stated))));
        found
    })
}

/// Settled supply voltage and current of the stays flat out and the soaks.
fn flat_out(rec: &Recording) -> impl Iterator<Item = (f64, f64)> {
    rec.spans_where(|kind| matches!(kind, SpanKind::FlatOut | SpanKind::Soak | SpanKind::Start)).filter_map(|span| {
        let (from_s, to_s) = (span.t1_s - 0.2 * (span.t1_s - span.t0_s), span.t1_s);
        let amps = level(rec, Channel::SupplyA, from_s, to_s).filter(|a| *a > RUNNING_A)?;
        Some((rec.mean(Channel::SupplyV, from_s, to_s)?, amps))
    })
}

/// Largest fall of the supply voltage beyond what its resistance explains, with the current then: 50 ms means of the
/// starts and stays flat out. A limit shows as the same current at many voltages.
fn limited(rec: &Recording) -> Option<Sign> {
    let stated = rec.header.bench.supply_ohm?;
    let open_v = rec.header.bench.supply_v?;
    let zero_a = zero(rec, Channel::SupplyA);
    let mut worst: Option<(f64, f64, f64)> = None;
    let mut short = Vec::new();
    for span in rec.spans_where(|kind| matches!(kind, SpanKind::FlatOut | SpanKind::Start | SpanKind::Point { .. })) {
        let cells = ((span.t1_s - span.t0_s) / 0.05).floor().min(400.0);
        let mut at_s = span.t1_s - 0.05 * cells;
        while at_s + 0.05 <= span.t1_s {
            let to_s = at_s + 0.05;
            if let Some(amps) = rec.mean(Channel::SupplyA, at_s, to_s).map(|a| a - zero_a).filter(|a| *a > 3.0)
                && let Some(volts) = rec.mean(Channel::SupplyV, at_s, to_s)
            {
                let unexplained = open_v - 6.0 * stated * amps - volts;
                if unexplained > 0.4 {
                    short.push(amps);
                    if worst.is_none_or(|(most, ..)| unexplained > most) {
                        worst = Some((unexplained, volts, amps));
                    }
                }
            }
            at_s = to_s;
        }
    }
    let (unexplained, volts, amps) = worst?;
    short.sort_by(f64::total_cmp);
    let median = short[short.len() / 2];
    let same = short.iter().filter(|a| (*a / median - 1.0).abs() < 0.05).count();
    if short.len() < 4 || same * 10 < short.len() * 6 {
        return None;
    }
    let strength = super::between(unexplained, (0.4, 0.6), (1.5, 0.97));
    let because = format!("the supply fell to {volts:.1} V while it gave {amps:.0} A and no more");
    (strength >= SHOWN).then(|| sign(SUPPLY_LIMITED, strength, because))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::Fitted;
    use crate::verdict::made_up::{Made, pulses};

    fn run(volts: impl Fn(f64) -> f64 + Copy, amps: impl Fn(f64) -> f64 + Copy) -> Recording {
        Made::new()
            .with(|rec| {
                rec.header.bench.supply_ohm = Some(0.012);
                rec.header.bench.locked_rotor_a = Some(90.0);
            })
            .held(SpanKind::Start, pulses(97.0), 10.0, move |channel, t| match channel {
                Channel::SupplyV => Some(volts(t)),
                Channel::SupplyA => Some(amps(t)),
                _ => None,
            })
            .done()
    }

    fn names(findings: &Findings, rec: &Recording) -> Vec<String> {
        find(findings, rec).into_iter().map(|sign| sign.fault).collect()
    }

    fn fan(ohm: f64) -> Findings {
        Findings { fan_resistance_ohm: Some(Fitted { value: ohm, u: 0.002 }), ..Findings::default() }
    }

    #[test]
    fn a_bench_as_its_file_says_shows_nothing() {
        let amps = |t: f64| if t < 2.0 { 15.0 * t } else { 22.0 };
        assert_eq!(names(&fan(0.134), &run(|t| 13.0 - 0.013 * amps(t), amps)), Vec::<String>::new());
    }

    #[test]
    fn worn_brushes_a_sagging_and_a_limited_supply_are_told_apart() {
        let amps = |t: f64| if t < 2.0 { 15.0 * t } else { 22.0 };
        let good = run(|t| 13.0 - 0.013 * amps(t), amps);
        assert_eq!(names(&fan(0.180), &good), [FAN_WORN]);
        let sags = run(|t| 13.0 - 0.040 * amps(t), amps);
        assert_eq!(names(&fan(0.134), &sags), [SUPPLY_WEAK]);
        let limited = run(|t| if t < 1.4 { 12.8 } else { 10.5 }, |t| (15.0 * t).min(20.0));
        assert_eq!(names(&fan(0.134), &limited), [SUPPLY_LIMITED]);
    }
}
