//! Signs on the supply side: soft start, input capacitor, sleep.

use super::{between, fault, sign};
use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::Recording;
use crate::results::{Findings, Measured, ResultName, Sign};
use crate::verdict::steadfast::zero;

/// Signs found.
pub(super) fn find(findings: &Findings, rec: &Recording) -> Vec<Sign> {
    [soft_start_lost(findings, rec), dried_capacitor(findings, rec), sleep_lost(findings, rec)]
        .into_iter()
        .flatten()
        .collect()
}

/// Both ends of a closed interval.
fn ends(measured: &Measured) -> Option<(f64, f64)> {
    let [low, high] = measured.interval?;
    Some((low?, high?))
}

/// Soft start lost: judged by the ramp itself and by the share of the hard-start peak that it takes away.
///
/// Healthy ramps take 0.3 to 10 s. A short healthy ramp on a heavy fan lets most of the peak through, so a high peak
/// alone says nothing; a ramp under 0.15 s that takes away less than a fifth of the peak is no soft start. Where the share
/// is not known, the ramp alone speaks from 0.1 s down.
fn soft_start_lost(findings: &Findings, rec: &Recording) -> Option<Sign> {
    let ramp = findings.results.get(&ResultName::Ramp1090S).filter(|m| !m.is_proxy());
    let ramp_s = ramp.and_then(Measured::as_number);
    let longest_s = ramp.and_then(|m| m.interval?[1]).or(ramp_s);
    let share = findings.number(ResultName::SoftStartShare);
    let none = findings.word(ResultName::RampShape) == Some("none");
    let hard = findings.word(ResultName::PowerUp) == Some("hard");
    let shown =
        share.map_or(String::new(), |s| format!(", {:.0} % of the hard-start peak taken away", 100.0 * s.max(0.0)));
    let strength = match (longest_s, share) {
        (Some(ramp), Some(share)) if ramp < 0.15 && share < 0.2 => {
            between(ramp, (0.15, 0.85), (0.05, 0.95)) + if hard { 0.02 } else { 0.0 }
        }
        (Some(ramp), None) if ramp < 0.1 => 0.85,
        (None, Some(share)) if share < 0.1 && (none || hard) => 0.85,
        (None, None) if none && hard => 0.8,
        _ => return short_ramp(findings, rec),
    };
    let seen = ramp_s.map_or("no ramp seen".to_owned(), |s| format!("output up within {:.0} ms", 1e3 * s));
    Some(sign(fault::SOFT_START_LOST, strength, format!("{seen}{shown}")))
}

/// A ramp there but shorter than the plan allows: on the way to being lost.
fn short_ramp(findings: &Findings, rec: &Recording) -> Option<Sign> {
    let measured = findings.results.get(&ResultName::Ramp1090S).filter(|m| !m.is_proxy())?;
    let least_s = rec.header.plan_facts.limits.get(&ResultName::Ramp1090S)?.min?;
    let (_, high) = ends(measured)?;
    (high < least_s).then(|| {
        sign(
            fault::SOFT_START_LOST,
            between(high / least_s, (1.0, 0.4), (0.3, 0.75)),
            format!("ramp of {:.2} s, less than the {least_s} s asked", measured.as_number().unwrap_or(high)),
        )
    })
}

/// Dried electrolytic: modules of this kind carry 2 to 5 mF; a capacitor at the end of its life has lost a third and
/// more, so under 1.3 mF none is sound.
fn dried_capacitor(findings: &Findings, rec: &Recording) -> Option<Sign> {
    let (high_f, words) = match findings.results.get(&ResultName::CapacitanceF) {
        Some(measured) => (ends(measured)?.1, format!("input capacitance {}", measured.shown())),
        None => {
            let most_f = charged_too_fast(findings, rec)?;
            (most_f, format!("input capacitance under {:.2} mF", 1e3 * most_f))
        }
    };
    (high_f < 1.3e-3).then(|| {
        let strength = between(high_f, (1.3e-3, 0.7), (0.8e-3, 0.95));
        sign(fault::DRIED_CAPACITOR, strength, format!("{words}; sound ones have 2 to 5 mF"))
    })
}

/// Largest capacitance that the charge through the first-power resistance allows when it was too fast to be fitted.
///
/// Without any capacitor behind loose supply wires it looks the same, so the unit must have shown otherwise that it has power:
/// by its pull-up.
fn charged_too_fast(findings: &Findings, rec: &Recording) -> Option<f64> {
    if findings.word(ResultName::LineKind) != Some("open_collector") {
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

/// Sleep lost: still milliamperes when all waiting is over. Healthy modules fall under 1 mA.
///
/// What counts as milliamperes is what the plan allows asleep, else what it calls asleep, else 5 mA (45 Ah in a year).
fn sleep_lost(findings: &Findings, rec: &Recording) -> Option<Sign> {
    let plan = &rec.header.plan_facts;
    let limit_a = plan.limits.get(&ResultName::SleepA).and_then(|limit| limit.max);
    let allowed_a = limit_a.or(plan.asleep_below_a).unwrap_or(5e-3).max(1e-3);
    let Some(measured) = findings.results.get(&ResultName::SleepA) else { return never_fell_asleep(rec, allowed_a) };
    let low = measured.interval?[0]?;
    (low > allowed_a).then(|| {
        sign(
            fault::SLEEP_LOST,
            between(low / allowed_a, (1.0, 0.6), (3.0, 0.97)),
            format!("still {:.1} mA with nothing commanded", 1e3 * measured.as_number().unwrap_or(low)),
        )
    })
}

/// The same from the samples when no sleep current could be stated: the end of a wait of a minute or more.
fn never_fell_asleep(rec: &Recording, awake_a: f64) -> Option<Sign> {
    let low_range = rec.header.bench.channels.get(&Channel::SupplyA)?.low?;
    let span = rec.spans_where(|kind| matches!(kind, SpanKind::Sleep)).filter(|s| s.t1_s - s.t0_s >= 60.0).last()?;
    let length_s = span.t1_s - span.t0_s;
    let tail = |part: f64| rec.mean(Channel::SupplyA, span.t1_s - part * length_s, span.t1_s);
    let amps = tail(0.1)? - zero(rec, Channel::SupplyA);
    let still = (tail(0.1)? - tail(0.5)?).abs() < 0.2 * amps.abs();
    (still && amps - 3.0 * low_range.offset_u > awake_a).then(|| {
        sign(fault::SLEEP_LOST, 0.8, format!("still {:.1} mA after {length_s:.0} s with nothing commanded", 1e3 * amps))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::{Setting, Supply};
    use crate::results::Contribution;
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
        let quick = found(&[(ResultName::Ramp1090S, 0.24, 0.01), (ResultName::SoftStartShare, 0.05, 0.05)]);
        assert_eq!(soft_start_lost(&quick, &rec), None);
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
    fn a_ramp_under_the_plans_least_is_a_lesser_sign() {
        let mut rec = Recording::default();
        let limit = crate::record::event::LimitFacts { min: Some(1.0), ..Default::default() };
        rec.header.plan_facts.limits.insert(ResultName::Ramp1090S, limit);
        let short = found(&[(ResultName::Ramp1090S, 0.5, 0.01), (ResultName::SoftStartShare, 0.4, 0.05)]);
        let seen = strength(soft_start_lost(&short, &rec));
        assert!((SUSPICION..STRONG).contains(&seen), "{seen}");
    }

    #[test]
    fn capacitance_is_judged_with_its_uncertainty() {
        let seen = |farads, u| {
            strength(dried_capacitor(&found(&[(ResultName::CapacitanceF, farads, u)]), &Recording::default()))
        };
        assert_eq!([seen(2.2e-3, 1e-4), seen(1.2e-3, 1e-4)], [0.0, 0.0]);
        assert!(seen(0.7e-3, 2e-5) > STRONG);
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

    #[test]
    fn microamperes_are_sleep_and_milliamperes_are_not() {
        let rec = Recording::default();
        assert_eq!(sleep_lost(&found(&[(ResultName::SleepA, 120e-6, 5e-6)]), &rec), None);
        let lost = sleep_lost(&found(&[(ResultName::SleepA, 38e-3, 1e-4)]), &rec).unwrap();
        assert!(lost.strength > STRONG && lost.because.contains("38.0 mA"), "{lost:?}");
    }
}
