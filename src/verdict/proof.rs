//! Proofs that a silent unit is to blame for its silence: power, wiring and the bench's self-check.
//!
//! A unit that answers nothing may be dead, may be another kind of module (LIN, CAN), or may sit on a bench with a
//! loose wire. It is scrapped only when every link of the chain was seen to work.

use crate::bench::{ActiveLevel, Channel, Line, Supply};
use crate::record::event::SpanKind;
use crate::record::recording::Recording;
use crate::results::{Findings, ResultName};
use crate::verdict::steadfast::{RUNNING_A, Stretch, commanded, level, stretches, zero};

/// Output voltage above which the output is on: half the smallest output that a chopper of 12 V makes at 10 %.
const OUTPUT_ON_V: f64 = 0.6;

/// Whether the unit was given commands that any PWM module answers and never did anything.
///
/// Asks for at least a second of pulses in all between 20 and 100 % of the period; a unit that was never asked has not
/// failed to answer.
pub(super) fn nothing_answered(rec: &Recording, findings: &Findings) -> bool {
    let asked_s: f64 = commanded(rec).filter(|s| s.setting.duty.percent() >= 20.0).map(|s| s.seconds()).sum();
    let answered = findings.results.contains_key(&ResultName::CommandHz) || ever_ran(rec);
    asked_s >= 1.0 && would_show(rec) && !answered
}

/// Whether an answer would have shown: a trace of speed alone says nothing of a silent output.
fn would_show(rec: &Recording) -> bool {
    rec.tach_s.is_some() || [Channel::SupplyA, Channel::OutputV].iter().any(|c| rec.channels.contains_key(c))
}

/// Whether anything was ever seen at the output, by current, voltage or tach, while the supply was on.
fn ever_ran(rec: &Recording) -> bool {
    stretches(rec).iter().filter(|s| s.setting.supply == Supply::On).any(|stretch| runs(rec, stretch))
}

/// Whether the output was on in the settled part of a stretch.
fn runs(rec: &Recording, stretch: &Stretch) -> bool {
    let (from_s, to_s) = (stretch.settled_from_s(), stretch.to_s);
    let current = level(rec, Channel::SupplyA, from_s, to_s).is_some_and(|a| a > RUNNING_A);
    let voltage = rec.mean(Channel::OutputV, from_s, to_s).is_some_and(|v| v > OUTPUT_ON_V);
    let turned = rec.tach_in(from_s, to_s).is_some_and(|edges| edges.len() >= 4);
    current || voltage || turned
}

/// Whether power, wiring and the bench itself were proven good while the unit stayed silent.
///
/// # Errors
/// The first link that was not proven, in plain words.
pub(super) fn silence_is_the_units(rec: &Recording, findings: &Findings) -> Result<(), String> {
    self_check(rec)?;
    power(rec)?;
    wiring(rec, findings)?;
    asked_enough(rec)
}

/// Zeros taken and plausible, no samples lost.
fn self_check(rec: &Recording) -> Result<(), String> {
    let zeros = rec.spans_where(|kind| matches!(kind, SpanKind::Zero)).filter(|span| span.complete.is_ok()).count();
    let stated_u = rec.header.bench.channels.get(&Channel::SupplyA).map_or(0.0, |facts| facts.offset_u);
    let zero_a = zero(rec, Channel::SupplyA).abs();
    if zeros == 0 {
        Err("the zeros of the channels were not taken".to_owned())
    } else if stated_u > 0.0 && zero_a > 3.0 * stated_u {
        Err(format!("the current channel reads {zero_a:.2} A at zero, more than three times its stated uncertainty"))
    } else if rec.lost > 0 {
        Err(format!("{} samples were lost", rec.lost))
    } else {
        Ok(())
    }
}

/// Supply at the module pins while it was asked.
fn power(rec: &Recording) -> Result<(), String> {
    let lowest_v = commanded(rec)
        .filter(|stretch| stretch.seconds() >= 0.1)
        .map(|stretch| rec.mean(Channel::SupplyV, stretch.from_s, stretch.to_s))
        .try_fold(f64::INFINITY, |lowest, v| v.map(|v| lowest.min(v)));
    let least_v = rec.header.bench.supply_v.map_or(9.0, |v| (0.85 * v).max(9.0));
    match lowest_v {
        None => Err("the supply voltage at the module pins was not measured".to_owned()),
        Some(v) if v < least_v => Err(format!("the supply at the module pins was only {v:.1} V")),
        Some(_) => Ok(()),
    }
}

/// Supply, command and output wires reach the unit.
fn wiring(rec: &Recording, findings: &Findings) -> Result<(), String> {
    // A charged input capacitor can only lie behind whole supply wires.
    if !findings.results.contains_key(&ResultName::CapacitanceF) {
        return Err("no input capacitor was seen charging, so the supply wires are not proven".to_owned());
    }
    match findings.word(ResultName::LineKind) {
        Some("open_collector") => {}
        Some("lin_like") => return Err("the command line looks like LIN".to_owned()),
        Some("can_like") => return Err("the command line looks like CAN".to_owned()),
        _ => return Err("no pull-up was seen on the command line, so its wire is not proven".to_owned()),
    }
    // The pull-up proves the command wire; whether the bench pulls it low is seen in the line's own reading.
    let held = |line: Line| {
        let span = rec.spans_where(move |kind| matches!(kind, SpanKind::LineRead { line: l } if *l == line)).last()?;
        rec.mean(Channel::LineV, span.t0_s + 0.5 * (span.t1_s - span.t0_s), span.t1_s)
    };
    match (held(Line::Low), held(Line::Open)) {
        (Some(low), Some(open)) if low < 0.5 * open => {}
        _ => return Err("the bench was not seen to pull the command line low".to_owned()),
    }
    if rec.channels.contains_key(&Channel::OutputV) {
        Ok(())
    } else {
        Err("the output voltage was not measured, so a loose fan wire would look the same".to_owned())
    }
}

/// Both levels and at least three frequencies were tried.
fn asked_enough(rec: &Recording) -> Result<(), String> {
    let mut tried: Vec<f64> = Vec::new();
    let mut read = [false, false];
    for stretch in commanded(rec).filter(|stretch| stretch.seconds() >= 0.2) {
        let hz = stretch.setting.frequency.get();
        if !tried.iter().any(|t| (t / hz - 1.0).abs() < 0.01) {
            tried.push(hz);
        }
        // A duty of 35 % at one level is 65 % at the other: either side of a half asks both.
        let as_low = match stretch.setting.active {
            ActiveLevel::Low => stretch.setting.duty.fraction(),
            ActiveLevel::High => stretch.setting.duty.inverted().fraction(),
        };
        read[0] |= as_low >= 0.5;
        read[1] |= as_low <= 0.5;
    }
    if tried.len() < 3 {
        Err(format!("only {} command frequencies were tried", tried.len()))
    } else if read != [true, true] {
        Err("the command was not tried with both active levels".to_owned())
    } else {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::Measured;
    use crate::units::Hertz;
    use crate::verdict::made_up::{Made, pulses};

    fn level_of(channel: Channel) -> Option<f64> {
        match channel {
            Channel::SupplyV => Some(13.0),
            Channel::SupplyA => Some(0.03),
            Channel::OutputV => Some(0.01),
            _ => None,
        }
    }

    fn silent(frequencies: &[f64]) -> Recording {
        let mut made = Made::new().zero(1.0).line(Line::Open, 0.5, 0.02, 12.6).line(Line::Low, 0.5, 0.02, 0.3);
        for hz in frequencies {
            let setting = crate::bench::Setting { frequency: Hertz(*hz), ..pulses(50.0) };
            made = made.held(SpanKind::Probe, setting, 2.0, |channel, _| level_of(channel));
        }
        made.done()
    }

    fn seen() -> Findings {
        let mut findings = Findings::default();
        findings
            .put(ResultName::CapacitanceF, Measured::number(ResultName::CapacitanceF, 3e-3, 2.0, vec![], "test", 1));
        findings.put(ResultName::LineKind, Measured::word(ResultName::LineKind, "open_collector", "test", 2));
        findings
    }

    #[test]
    fn a_whole_chain_proves_that_the_unit_is_silent() {
        let rec = silent(&[100.0, 200.0, 20.0]);
        assert!(nothing_answered(&rec, &seen()));
        assert_eq!(silence_is_the_units(&rec, &seen()), Ok(()));
    }

    #[test]
    fn each_missing_link_is_named() {
        let full = [100.0, 200.0, 20.0];
        let check = |rec: &Recording, findings: &Findings, expect: &str| {
            let why = silence_is_the_units(rec, findings).unwrap_err();
            assert!(why.contains(expect), "{why}");
        };
        check(&silent(&[100.0]), &seen(), "only 1 command frequencies");
        check(&silent(&full), &Findings::default(), "capacitor");
        let mut can = seen();
        can.put(ResultName::LineKind, Measured::word(ResultName::LineKind, "can_like", "test", 2));
        check(&silent(&full), &can, "CAN");
        let mut blind = silent(&full);
        blind.channels.remove(&Channel::OutputV);
        check(&blind, &seen(), "output voltage");
        let mut starved = silent(&full);
        starved.header.bench.supply_v = Some(24.0);
        check(&starved, &seen(), "only 13.0 V");
        let mut lossy = silent(&full);
        lossy.lost = 7;
        check(&lossy, &seen(), "7 samples");
        let mut unzeroed = silent(&full);
        unzeroed.spans.retain(|span| span.kind != SpanKind::Zero);
        check(&unzeroed, &seen(), "zeros");
    }

    #[test]
    fn a_unit_that_ran_or_was_never_asked_has_not_kept_silent() {
        assert!(!nothing_answered(&Made::new().pulses(50.0, 3.0, 8.0).done(), &Findings::default()));
        assert!(!nothing_answered(&Made::new().zero(3.0).done(), &Findings::default()));
    }
}
