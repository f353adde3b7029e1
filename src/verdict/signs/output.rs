//! Signs of the output stage: shorted or half-open switch, cracked joint.

use super::bench::is_limited;
use super::weigh::{Population, posterior, prior};
use super::{SHOWN, evidence, fault, sign, with};
use crate::analysis::events;
use crate::bench::{Channel, Line, Supply};
use crate::record::recording::Recording;
use crate::results::{Findings, ResultName, Sign, TransientKind};
use crate::verdict::steadfast::{RUNNING_A, level, stretches};

/// Signs found.
pub(super) fn find(findings: &Findings, rec: &Recording) -> Vec<Sign> {
    [never_off(rec), half_open(findings, rec), cracked_joint(findings, rec)].into_iter().flatten().collect()
}

/// Shorted switch without a trip: the supply current is nearly the same whatever is commanded.
///
/// A held or released line may be full command by design, so it takes pulses at duties 40 points apart, plus a held or released
/// line, all within a quarter of each other and all of them well above idle.
fn never_off(rec: &Recording) -> Option<Sign> {
    let mut duties: Vec<f64> = Vec::new();
    let mut held = false;
    let mut amps: Vec<f64> = Vec::new();
    for stretch in stretches(rec).into_iter().filter(|s| s.setting.supply == Supply::On && s.seconds() >= 0.5) {
        // The spin-up current of a fan that never stops is over after some seconds: the second half tells.
        let from_s = stretch.from_s + 0.5 * stretch.seconds();
        amps.push(level(rec, Channel::SupplyA, from_s, stretch.to_s)?);
        match stretch.setting.line {
            Line::Pwm => duties.push(stretch.setting.duty.percent()),
            Line::Open | Line::Low | Line::High => held = true,
        }
    }
    let least = amps.iter().copied().fold(f64::INFINITY, f64::min);
    let most = amps.iter().copied().fold(0.0, f64::max);
    let wide = duties.iter().copied().fold(0.0, f64::max) - duties.iter().copied().fold(100.0, f64::min) >= 40.0;
    (wide && held && least > 2.0 * RUNNING_A && least > 0.75 * most).then(|| {
        sign(
            fault::SWITCH_SHORTED,
            0.9,
            format!("{least:.1} to {most:.1} A whatever was commanded, pulses, held line and open line alike"),
        )
    })
}

/// On-resistance beyond which no lost switch is to blame: twice and a half the highest of a sound module, and a cracked joint.
pub(super) const HELD_BACK_OHM: f64 = 0.035;

/// On-resistance of sound modules from pin to pin, warm, few of them near the highest, and what losing one of two switches
/// makes of it.
pub(super) const SOUND_OHM: Population = Population { thins: 7.8e-3, ..Population::even(2.8e-3, 9.5e-3, 0.015) };
const HALF_OPEN: (f64, f64) = (1.65, 2.5);

/// On-resistance up: one of two parallel switches carries all.
///
/// A lost switch adds 0.7 to 1.4 times the resistance, which takes a good module up among those that are sound by birth: only
/// beyond what any sound one shows does the resistance alone decide. A start whose current never rises over what it
/// settles at is that of a unit that limits it, and its "resistance" then is no resistance.
fn half_open(findings: &Findings, rec: &Recording) -> Option<Sign> {
    let measured = findings.results.get(&ResultName::OnResistanceOhm)?;
    let (ohm, u) = (measured.as_number()?, measured.u?);
    if ohm > HELD_BACK_OHM || flat_topped(findings) {
        return None;
    }
    let p = prior(rec);
    let strength = posterior(p, SOUND_OHM.taken_by(HALF_OPEN, ohm, u), SOUND_OHM.sound(ohm, u));
    (strength >= SHOWN).then(|| {
        let because = format!("{} flat out; sound modules have 3 to 10 mOhm", measured.shown());
        let mut found = with(sign(fault::PARALLEL_SWITCH_OPEN, strength, because), p);
        found.evidence.push(evidence("on_resistance_ohm", ohm, "Ohm", (None, Some(SOUND_OHM.high))));
        if let Some(rise_k) = findings.number(ResultName::HeatRiseK) {
            found.evidence.push(evidence("heat_rise_k", rise_k, "K", (None, None)));
        }
        found
    })
}

/// Whether the start's current never rose over what it settled at, as behind a current limit. A slow soft start looks the
/// same, so this only tells what else a voltage lost may be.
pub(super) fn flat_topped(findings: &Findings) -> bool {
    let inrush = findings.number(ResultName::InrushRatio);
    inrush.is_none_or(|ratio| ratio < 1.03) && findings.number(ResultName::OnResistanceOhm).is_some_and(|r| r > 0.0115)
}

/// Fewer drop-outs than this may be a supply's that breaks down: those of a joint that goes on opening are more.
const FEW: usize = 10;

/// Drop-outs: the supply current collapses at a constant command and comes back at once by itself, by the events of the run.
///
/// One drop-out may be anything; a joint that opens does so again. A unit that hunts drops out too, but like a clock; cracks
/// open at random. From six drop-outs on the distances between them must scatter by more than 40 % of their mean (at
/// random it is near 100 %).
fn cracked_joint(findings: &Findings, rec: &Recording) -> Option<Sign> {
    let at_s: Vec<f64> =
        findings.events.iter().filter(|event| event.kind == TransientKind::DropOut).map(|event| event.t_s).collect();
    let distances_s: Vec<f64> = at_s.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let regular = distances_s.len() >= 5 && scatter(&distances_s) < 0.4;
    (!at_s.is_empty() && !regular).then(|| {
        let strength = match at_s.len() {
            // A supply that breaks down in its limit resets the unit some times.
            1..FEW if is_limited(rec) => 0.15,
            1 => 0.6,
            2 => 0.85,
            _ => 0.97,
        };
        let watched_s = events::watched_s(rec);
        let cut = if findings.events.len() >= events::MOST { "at least " } else { "" };
        let times = at_s.len();
        let because =
            format!("current dropped out {cut}{times} times by itself in {watched_s:.0} s at a constant command");
        let mut found = sign(fault::CRACKED_JOINT, strength, because);
        #[expect(clippy::cast_precision_loss, reason = "some hundred drop-outs at most")]
        let n = at_s.len() as f64;
        found.evidence.push(evidence("drop-outs of the current", n, "", (None, Some(0.0))));
        found
    })
}

/// Standard deviation over mean.
fn scatter(values: &[f64]) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "some thousand drop-outs at most")]
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n).sqrt() / mean
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::{Contribution, Measured};
    use crate::verdict::made_up::{Made, soaked};

    #[test]
    fn a_steady_fan_shows_nothing() {
        let rec = soaked(|t| 1.0 - 0.001 * t);
        assert_eq!(find(&Findings::default(), &rec), Vec::new());
    }

    #[test]
    fn the_same_current_at_every_command_is_a_shorted_switch() {
        let rec = Made::new()
            .line(Line::Open, 3.0, 24.0, 12.0)
            .line(Line::Low, 3.0, 24.5, 0.2)
            .pulses(20.0, 3.0, 24.0)
            .pulses(65.0, 3.0, 25.0)
            .done();
        assert_eq!(never_off(&rec).unwrap().fault, fault::SWITCH_SHORTED);
        // A module that runs flat out on a lost line by design still follows its pulses.
        let by_design = Made::new()
            .line(Line::Open, 3.0, 24.0, 12.0)
            .line(Line::Low, 3.0, 24.5, 0.2)
            .pulses(20.0, 3.0, 2.0)
            .pulses(65.0, 3.0, 14.0)
            .done();
        assert_eq!(never_off(&by_design), None);
    }

    #[test]
    fn drop_outs_at_random_are_a_cracked_joint_and_a_hunting_unit_or_single_samples_are_not() {
        let joint = |rec: &Recording| {
            let findings = Findings { events: events::find(rec), ..Findings::default() };
            cracked_joint(&findings, rec)
        };
        let gaps = |t: f64| [21.0, 25.0, 31.0, 35.0].iter().any(|at| (*at..at + 0.05).contains(&t));
        let found = joint(&soaked(|t| if gaps(t) { 0.0 } else { 1.0 })).unwrap();
        assert!(found.strength >= super::super::STRONG && found.because.contains("4 times"), "{found:?}");
        let clockwork = |t: f64| t > 20.0 && (t % 1.5) < 0.05;
        assert_eq!(joint(&soaked(|t| if clockwork(t) { 0.0 } else { 1.0 })), None);
        let glitches = |t: f64| [21.0, 25.0, 31.0].iter().any(|at| (*at..at + 0.009).contains(&t));
        assert_eq!(joint(&soaked(|t| if glitches(t) { 0.0 } else { 1.0 })), None);
    }

    #[test]
    fn on_resistance_counts_only_beyond_what_sound_modules_show() {
        let found = |ohm: f64, u: f64| {
            let name = ResultName::OnResistanceOhm;
            let mut findings = Findings::default();
            findings.put(name, Measured::number(name, ohm, 2.0, vec![Contribution::common("gain", u)], "test", 5));
            findings
                .put(ResultName::InrushRatio, Measured::number(ResultName::InrushRatio, 1.5, 2.0, vec![], "test", 1));
            half_open(&findings, &Recording::default()).map(|s| s.strength)
        };
        assert_eq!(found(0.008, 0.0003), None);
        assert_eq!(found(0.0125, 0.004), None, "too uncertain");
        assert!(found(0.0096, 0.0001).is_none_or(|s| s < super::super::SUSPICION));
        assert!(found(0.0103, 0.0001).unwrap() >= super::super::STRONG, "beyond every sound one");
        assert!(found(0.014, 0.0003).unwrap() >= super::super::STRONG);
        assert!(found(0.019, 0.001).unwrap() >= super::super::STRONG);
        assert_eq!(found(0.065, 0.002), None, "no lost switch takes that much");
    }
}
