//! Signs of the soft start and the input capacitor.

use super::weigh::{Population, posterior, prior};
use super::{SHOWN, evidence, fault, sign, with};
use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::Recording;
use crate::results::{Findings, ResultName, Sign};
use crate::verdict::steadfast::{RUNNING_A, level};

/// Signs found.
pub(super) fn find(findings: &Findings, rec: &Recording) -> Vec<Sign> {
    [soft_start_lost(findings, rec), dried_capacitor(findings, rec)].into_iter().flatten().collect()
}

/// 10 to 90 % of a sound soft start: the shortest ramp of a fan module is about half a second.
const RAMP_S: Population = Population::even(0.52, 6.0, 0.05);
/// What is left of a ramp that is on its way out, as a factor, and how often nothing at all is left.
const LEFT: (f64, f64) = (0.06, 0.32);
const NOTHING_LEFT: f64 = 0.35;
/// No ramp at all is over within this.
const NO_RAMP_S: Population = Population::even(1e-3, 0.1, 0.2);

/// Soft start lost: judged by the ramp itself and by the share of the hard-start peak that it takes away.
///
/// A short healthy ramp on a heavy fan lets most of the peak through, so a high peak alone says nothing. A ramp shorter
/// than any sound one speaks; where none was read, the words of start and power-up do.
fn soft_start_lost(findings: &Findings, rec: &Recording) -> Option<Sign> {
    let p = prior(rec);
    let ramp = findings.results.get(&ResultName::Ramp1090S).filter(|m| !m.is_proxy());
    let share = findings.number(ResultName::SoftStartShare);
    let none = findings.word(ResultName::RampShape) == Some("none");
    let hard = findings.word(ResultName::PowerUp) == Some("hard");
    let shown =
        share.map_or(String::new(), |s| format!(", {:.0} % of the hard-start peak taken away", 100.0 * s.max(0.0)));
    let Some((ramp_s, u)) = ramp.and_then(|m| Some((m.as_number()?, m.u?))) else {
        let strength = match share {
            Some(share) if share < 0.1 && (none || hard) => 0.85,
            None if none && hard => 0.8,
            _ => return None,
        };
        return Some(sign(fault::SOFT_START_LOST, strength, format!("no ramp seen{shown}")));
    };
    let ramp_s = ramp_s.max(1e-3);
    let lost = (1.0 - NOTHING_LEFT) * RAMP_S.taken_by(LEFT, ramp_s, u) + NOTHING_LEFT * NO_RAMP_S.density(ramp_s, u);
    // A peak hardly lower than that of a hard start goes with a lost ramp, and now and then with a sound one on a heavy fan.
    let by_share = if share.is_some_and(|share| share < 0.2) { 4.0 } else { 1.0 };
    let strength = posterior(p, lost * by_share, RAMP_S.sound(ramp_s, u));
    let seen = if ramp_s < 0.2 { format!("{:.0} ms", 1e3 * ramp_s) } else { format!("{ramp_s:.2} s") };
    (strength >= SHOWN).then(|| {
        let because = format!("output up within {seen}{shown}; sound ramps take 0.5 s and more");
        let mut found = with(sign(fault::SOFT_START_LOST, strength, because), p);
        found.evidence.push(evidence("ramp_10_90_s", ramp_s, "s", (Some(RAMP_S.low), None)));
        if let Some(share) = share {
            found.evidence.push(evidence("soft_start_share", share, "", (Some(0.2), None)));
        }
        found
    })
}

/// Input capacitance of sound modules, farads, and what drying leaves of it.
const SOUND_F: Population = Population::even(1.85e-3, 5.5e-3, 0.05);
const DRIED: (f64, f64) = (0.015, 0.52);

/// Dried electrolytic: sound modules carry 2 to 5 mF; a capacitor at the end of its life has lost half and more.
fn dried_capacitor(findings: &Findings, rec: &Recording) -> Option<Sign> {
    let p = prior(rec);
    let (farads, u, words) = match findings.results.get(&ResultName::CapacitanceF) {
        Some(m) if !m.is_bound() => (m.as_number()?, m.u?, format!("input capacitance {}", m.shown())),
        _ => {
            let most_f = charged_too_fast(findings, rec)?;
            (most_f, 0.3 * most_f, format!("input capacitance under {:.2} mF", 1e3 * most_f))
        }
    };
    let strength = posterior(p, SOUND_F.taken_by(DRIED, farads.max(1e-6), u), SOUND_F.sound(farads, u));
    (strength >= SHOWN).then(|| {
        let because = format!("{words}; sound ones have 2 to 5 mF");
        let mut found = with(sign(fault::DRIED_CAPACITOR, strength, because), p);
        found.evidence.push(evidence("capacitance_f", farads, "F", (Some(SOUND_F.low), None)));
        found
    })
}

/// Electronics that run draw at least this much, amperes.
const AWAKE_A: f64 = 3e-3;

/// Largest capacitance that the charge through the first-power resistance allows when it was too fast to be fitted.
///
/// Without any capacitor behind loose supply wires it looks the same, so the unit must have shown otherwise that it has power:
/// by its pull-up, or by the milliamperes that its electronics draw.
fn charged_too_fast(findings: &Findings, rec: &Recording) -> Option<f64> {
    let draws = rec
        .spans_where(|kind| matches!(kind, SpanKind::OpenLine | SpanKind::LineRead { .. }))
        .filter_map(|span| level(rec, Channel::SupplyA, span.t0_s, span.t1_s))
        .any(|amps| (AWAKE_A..RUNNING_A).contains(&amps));
    let finely = rec.header.bench.channels.get(&Channel::SupplyA).is_some_and(|facts| facts.low.is_some());
    if findings.word(ResultName::LineKind) != Some("open_collector") && !(draws && finely) {
        return None;
    }
    let (ohm, _) = rec.header.bench.pre_charge_ohm?;
    let span = rec.spans_where(|kind| matches!(kind, SpanKind::PreCharge)).find(|span| span.complete.is_ok())?;
    let series = rec.channels.get(&Channel::SupplyV)?;
    let full_v = series.mean(span.t1_s - 0.2 * (span.t1_s - span.t0_s), span.t1_s).filter(|v| *v > 5.0)?;
    let samples: Vec<(f64, f64)> = series.samples(span.t0_s, span.t1_s).collect();
    let over = samples.iter().position(|(_, v)| *v >= 0.9 * full_v)?;
    let under = samples[..over].iter().rposition(|(_, v)| *v <= 0.1 * full_v)?;
    // From 10 to 90 % of an exponential charge takes ln 9 time constants.
    Some((samples[over].0 - samples[under].0) / 9f64.ln() / ohm)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::{Setting, Supply};
    use crate::results::{Contribution, Measured};
    use crate::verdict::made_up::Made;
    use crate::verdict::signs::{STRONG, SUSPICION};

    fn found(results: &[(ResultName, f64, f64)]) -> Findings {
        let mut findings = Findings::default();
        for &(name, value, u) in results {
            findings.put(name, Measured::number(name, value, 2.0, vec![Contribution::random("spread", u)], "test", 3));
        }
        findings
    }

    fn strength(sign: Option<Sign>) -> f64 {
        sign.map_or(0.0, |s| s.strength)
    }

    #[test]
    fn a_short_healthy_ramp_on_a_heavy_fan_peaks_high_and_is_no_fault() {
        // 1 s at J = 0.02: 74 A against 92 A hard, with 30 A settled: 29 % of the peak taken away.
        let rec = Recording::default();
        let healthy = found(&[(ResultName::Ramp1090S, 0.8, 0.01), (ResultName::SoftStartShare, 0.29, 0.05)]);
        assert_eq!(soft_start_lost(&healthy, &rec), None);
        let quick = found(&[(ResultName::Ramp1090S, 0.62, 0.01), (ResultName::SoftStartShare, 0.12, 0.05)]);
        assert!(strength(soft_start_lost(&quick, &rec)) < SUSPICION);
    }

    #[test]
    fn no_ramp_and_no_share_is_soft_start_lost() {
        let rec = Recording::default();
        let lost = found(&[(ResultName::Ramp1090S, 0.01, 0.001), (ResultName::SoftStartShare, 0.02, 0.05)]);
        assert!(strength(soft_start_lost(&lost, &rec)) > STRONG);
        let alone = found(&[(ResultName::Ramp1090S, 0.02, 0.001)]);
        assert!(strength(soft_start_lost(&alone, &rec)) > STRONG);
    }

    #[test]
    fn a_ramp_shorter_than_sound_ones_is_suspect_and_one_among_them_is_not() {
        let seen = |ramp_s: f64| {
            strength(soft_start_lost(&found(&[(ResultName::Ramp1090S, ramp_s, 0.01)]), &Recording::default()))
        };
        assert!(seen(0.3) > SUSPICION && seen(0.2) > STRONG, "{} {}", seen(0.3), seen(0.2));
        assert!(seen(0.4) > STRONG, "{}", seen(0.4));
        assert!((0.0..STRONG).contains(&seen(0.5)), "{}", seen(0.5));
        assert!(seen(0.62) < SUSPICION && seen(2.4) < 0.05, "{} {}", seen(0.62), seen(2.4));
    }

    #[test]
    fn capacitance_is_judged_with_its_uncertainty() {
        let seen = |farads, u| {
            strength(dried_capacitor(&found(&[(ResultName::CapacitanceF, farads, u)]), &Recording::default()))
        };
        assert_eq!(seen(2.2e-3, 1e-4), 0.0);
        assert!(seen(1.2e-3, 2e-5) > STRONG && seen(1.2e-3, 6e-4) < SUSPICION);
    }

    #[test]
    fn a_charge_too_fast_to_be_fitted_is_a_dried_capacitor_only_behind_proven_wires() {
        let gentle = Setting { supply: Supply::Gentle, ..Setting::SAFE };
        let rec = Made::new()
            .with(|rec| rec.header.bench.pre_charge_ohm = Some((22.0, 0.2)))
            .held(SpanKind::PreCharge, gentle, 2.0, |channel, t| {
                (channel == Channel::SupplyV).then_some(if t < 0.02 { 0.0 } else { 13.0 })
            })
            .done();
        let mut findings = Findings::default();
        assert_eq!(dried_capacitor(&findings, &rec), None);
        findings.put(ResultName::LineKind, Measured::word(ResultName::LineKind, "open_collector", "two loads", 2));
        let seen = dried_capacitor(&findings, &rec).unwrap();
        assert!(seen.because.contains("under 0.21 mF"), "{}", seen.because);
    }
}
