//! Signs of the output stage: shorted, open or half-open switch, cracked joint, limits that come early.

use super::bench::is_limited;
use super::weigh::{Population, posterior, prior};
use super::{SHOWN, between, evidence, fault, sign, with};
use crate::analysis::events;
use crate::bench::{Channel, Line, Supply};
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};
use crate::results::{CurvePoint, Direction, Findings, ResultName, Sign, TransientKind};
use crate::verdict::steadfast::{RUNNING_A, level, stretches};

/// Signs found.
pub(super) fn find(findings: &Findings, rec: &Recording) -> Vec<Sign> {
    [
        never_off(rec),
        half_open(findings, rec),
        cracked_joint(findings, rec),
        current_limit(findings, rec),
        thermal_limit(findings, rec),
    ]
    .into_iter()
    .flatten()
    .collect()
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
const HELD_BACK_OHM: f64 = 0.035;

/// On-resistance of sound modules from pin to pin, warm, and what losing one of two switches makes of it.
const SOUND_OHM: Population = Population { low: 2.8e-3, high: 9.6e-3, soft: 0.05 };
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
fn flat_topped(findings: &Findings) -> bool {
    let inrush = findings.number(ResultName::InrushRatio);
    inrush.is_none_or(|ratio| ratio < 1.03) && findings.number(ResultName::OnResistanceOhm).is_some_and(|r| r > 0.0115)
}

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
            1 => 0.6,
            2 => 0.85,
            _ => 0.97,
        };
        let watched_s = events::watched_s(rec);
        let because =
            format!("current dropped out {} times by itself in {watched_s:.0} s at a constant command", at_s.len());
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

/// Output ratios of the rising curve, by duty.
fn output_ratios(curve: &[CurvePoint]) -> Vec<(f64, f64)> {
    let rising = curve.iter().filter(|p| p.direction == Direction::Up);
    let mut ratios: Vec<(f64, f64)> = rising
        .filter_map(|p| Some((p.duty_pct, p.output_v? / p.supply_v.filter(|v| *v > 1.0)?)))
        .filter(|(_, ratio)| ratio.is_finite())
        .collect();
    ratios.sort_by(|a, b| a.0.total_cmp(&b.0));
    ratios
}

/// Where the rising curve ends under the supply: highest output ratio and the duty from which it holds.
///
/// Flat out a module loses its drop, less than 5 % of the supply; a ceiling below 85 % that holds over the last 10 points of
/// command is a limit.
fn ceiling(findings: &Findings) -> Option<(f64, f64)> {
    let ratios = output_ratios(&findings.curve);
    let (top_duty, top) = *ratios.last()?;
    let highest = ratios.iter().map(|(_, ratio)| *ratio).fold(0.0, f64::max);
    let knee = ratios.iter().find(|(_, ratio)| *ratio > highest - 0.02)?.0;
    (top_duty >= 85.0 && top_duty - knee >= 10.0 && highest < 0.85 && top > 0.2).then_some((highest, knee))
}

/// Output ratio at the end of the recorded starts, when the unit is still cool; the highest of them.
fn ratio_when_cool(rec: &Recording) -> Option<f64> {
    let starts = rec.spans_where(|kind| matches!(kind, SpanKind::Start)).filter(|span| span.complete.is_ok());
    starts.filter_map(|span| ratio_over(rec, (span.t1_s - 0.2 * (span.t1_s - span.t0_s), span.t1_s))).reduce(f64::max)
}

/// Mean output over mean supply.
fn ratio_over(rec: &Recording, (from_s, to_s): (f64, f64)) -> Option<f64> {
    // As read: zeros of voltages are millivolts, and a capacitor that bleeds during a zero span is no zero.
    let supply_v = rec.mean(Channel::SupplyV, from_s, to_s).filter(|v| *v > 1.0)?;
    Some(rec.mean(Channel::OutputV, from_s, to_s)? / supply_v)
}

/// Current limit early: a ceiling that is there from the first start on, or a drop flat out that no switch explains. A design
/// with such a ceiling exists too, hence no more than a suspicion.
fn current_limit(findings: &Findings, rec: &Recording) -> Option<Sign> {
    if is_limited(rec) {
        return None;
    }
    let Some((highest, knee)) = ceiling(findings) else { return held_back(findings) };
    let reached = ratio_when_cool(rec).is_some_and(|cool| cool > highest + 0.08);
    (!reached).then(|| {
        sign(
            fault::CURRENT_LIMIT_EARLY,
            between(highest, (0.85, 0.7), (0.6, 0.9)),
            format!("output stays at {:.0} % of the supply from {knee:.0} % command on", 100.0 * highest),
        )
    })
}

/// Flat out by its command, yet the output is short of the supply by more than any switch takes.
fn held_back(findings: &Findings) -> Option<Sign> {
    let measured = findings.results.get(&ResultName::OnResistanceOhm)?;
    let beyond = measured.interval?[0]? > HELD_BACK_OHM;
    (beyond || flat_topped(findings)).then(|| {
        let because = if beyond {
            format!("{} flat out, more than any switch: the output is held back", measured.shown())
        } else {
            format!("{} flat out, and the start's current never rose over what it settled at", measured.shown())
        };
        let mut found = sign(fault::CURRENT_LIMIT_EARLY, if beyond { 0.85 } else { 0.75 }, because);
        let ohm = measured.as_number().unwrap_or_default();
        found.evidence.push(evidence("on_resistance_ohm", ohm, "Ohm", (None, Some(SOUND_OHM.high))));
        found
    })
}

/// Thermal limit early: the output is taken back while the case is still below 90 °C, in a hold or between the first start
/// and the sweep.
///
/// Warming copper slows a fan and lowers its current by some percent but leaves the output ratio alone; without an
/// output channel only a fall of the current by a quarter counts.
fn thermal_limit(findings: &Findings, rec: &Recording) -> Option<Sign> {
    let holds = rec
        .spans_where(|kind| matches!(kind, SpanKind::Soak | SpanKind::FlatOut | SpanKind::Hold))
        .filter(|span| span.t1_s - span.t0_s >= 10.0)
        .filter_map(|span| taken_back(rec, span));
    holds.chain(lower_than_cool(findings, rec)).max_by(|a, b| a.strength.total_cmp(&b.strength))
}

/// The start reached what the sweep, or the stay flat out, no longer does.
fn lower_than_cool(findings: &Findings, rec: &Recording) -> Option<Sign> {
    let cool = ratio_when_cool(rec)?;
    let warm = [ceiling(findings).map(|(highest, _)| highest), ratio_flat_out(rec)].into_iter().flatten();
    let warm = warm.reduce(f64::min)?;
    let case_c = hottest_c(rec);
    (cool > warm + 0.08 && case_c.is_none_or(|c| c < 90.0)).then(|| {
        sign(
            fault::THERMAL_LIMIT_EARLY,
            between(cool - warm, (0.08, 0.7), (0.2, 0.9)),
            format!("output reached {:.0} % of the supply at first, {:.0} % once warm", 100.0 * cool, 100.0 * warm),
        )
    })
}

/// Lowest output ratio at the end of the stays flat out that were commanded as high as the starts.
fn ratio_flat_out(rec: &Recording) -> Option<f64> {
    let duty = |span: &Span| rec.setting_at(0.5 * (span.t0_s + span.t1_s)).map(|setting| setting.duty.percent());
    let start = rec.spans_where(|kind| matches!(kind, SpanKind::Start)).filter_map(duty).reduce(f64::max)?;
    rec.spans_where(|kind| matches!(kind, SpanKind::FlatOut))
        .filter(|span| duty(span).is_some_and(|pct| pct > start - 2.0))
        .filter_map(|span| ratio_over(rec, (span.t1_s - 0.3 * (span.t1_s - span.t0_s), span.t1_s)))
        .reduce(f64::min)
}

/// Highest case temperature of the run, by half-minutes.
fn hottest_c(rec: &Recording) -> Option<f64> {
    let times = std::iter::successors(Some(0.0), |t| Some(t + 30.0)).take_while(|t| *t < rec.end_s);
    times.filter_map(|t_s| rec.mean(Channel::CaseC, t_s, t_s + 30.0)).reduce(f64::max)
}

fn taken_back(rec: &Recording, span: &Span) -> Option<Sign> {
    let length_s = span.t1_s - span.t0_s;
    let early = (span.t0_s + 0.2 * length_s, span.t0_s + 0.4 * length_s);
    let late = (span.t1_s - 0.1 * length_s, span.t1_s);
    let at = |channel, part: (f64, f64)| level(rec, channel, part.0, part.1);
    let case_c = rec.mean(Channel::CaseC, late.0, late.1);
    if case_c.is_some_and(|c| c > 90.0) || at(Channel::SupplyA, early)? < RUNNING_A {
        return None;
    }
    let (fall, least, what) = match (ratio_over(rec, early), ratio_over(rec, late)) {
        (Some(before), Some(after)) => (1.0 - after / before, 0.06, "output"),
        _ => (1.0 - at(Channel::SupplyA, late)? / at(Channel::SupplyA, early)?, 0.25, "supply current"),
    };
    (fall > least).then(|| {
        let warm = case_c.map_or("an unknown case temperature".to_owned(), |c| format!("{c:.0} °C at the case"));
        sign(
            fault::THERMAL_LIMIT_EARLY,
            between(fall / least, (1.0, 0.55), (3.0, 0.9)),
            format!("{what} fell by {:.0} % at a constant command with {warm}", 100.0 * fall),
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::{Contribution, Measured};
    use crate::verdict::made_up::{Made, pulses};

    fn steady(value: impl Fn(f64) -> f64) -> Recording {
        Made::new()
            .held(SpanKind::Soak, pulses(60.0), 40.0, |channel, t| match channel {
                Channel::SupplyV => Some(13.0),
                Channel::SupplyA => Some(8.0 * value(t)),
                Channel::OutputV => Some(7.5 * value(t)),
                Channel::CaseC => Some(45.0),
                _ => None,
            })
            .done()
    }

    #[test]
    fn a_steady_fan_shows_nothing() {
        let rec = steady(|t| 1.0 - 0.001 * t);
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
        let found = joint(&steady(|t| if gaps(t) { 0.0 } else { 1.0 })).unwrap();
        assert!(found.strength >= super::super::STRONG && found.because.contains("4 times"), "{found:?}");
        let clockwork = |t: f64| t > 20.0 && (t % 1.5) < 0.05;
        assert_eq!(joint(&steady(|t| if clockwork(t) { 0.0 } else { 1.0 })), None);
        let glitches = |t: f64| [21.0, 25.0, 31.0].iter().any(|at| (*at..at + 0.009).contains(&t));
        assert_eq!(joint(&steady(|t| if glitches(t) { 0.0 } else { 1.0 })), None);
    }

    #[test]
    fn output_taken_back_in_a_cool_case_is_an_early_thermal_limit() {
        let found = thermal_limit(&Findings::default(), &steady(|t| if t > 25.0 { 0.7 } else { 1.0 })).unwrap();
        assert_eq!(found.fault, fault::THERMAL_LIMIT_EARLY);
        assert!(found.strength > super::super::STRONG);
    }

    fn curve(ratio: impl Fn(f64) -> f64) -> Findings {
        let point = |i: u32| {
            let duty_pct = 10.0 * f64::from(i);
            CurvePoint {
                duty_pct,
                direction: Direction::Up,
                speed_rpm: None,
                u_rpm: None,
                supply_a: None,
                output_v: Some(13.0 * ratio(duty_pct)),
                supply_v: Some(13.0),
                speed_ref_rpm: None,
            }
        };
        Findings { curve: (1..=10).map(point).collect(), ..Findings::default() }
    }

    #[test]
    fn a_ceiling_under_the_supply_is_an_early_current_limit_and_plain_saturation_is_not() {
        let rec = Recording::default();
        assert_eq!(current_limit(&curve(|d| (d / 85.0).min(0.98)), &rec), None);
        assert_eq!(current_limit(&curve(|d| 0.8 * d / 100.0), &rec), None);
        let found = current_limit(&curve(|d| (d / 100.0).min(0.65)), &rec).unwrap();
        assert_eq!(found.fault, fault::CURRENT_LIMIT_EARLY);
        assert!(found.strength >= super::super::SUSPICION);
    }

    #[test]
    fn a_ceiling_that_the_first_start_broke_through_is_thermal() {
        let cool = Made::new().spanned(SpanKind::Start, 97.0, 6.0, 20.0).done();
        let findings = curve(|d| (d / 100.0).min(0.7));
        assert_eq!(current_limit(&findings, &cool), None);
        let found = thermal_limit(&findings, &cool).unwrap();
        assert!(found.strength >= super::super::STRONG && found.because.contains("96 %"), "{found:?}");
        let faded = Made::new().spanned(SpanKind::Start, 97.0, 6.0, 20.0).held(
            SpanKind::FlatOut,
            pulses(97.0),
            5.0,
            |channel, _| match channel {
                Channel::SupplyV => Some(13.0),
                Channel::OutputV => Some(10.0),
                _ => None,
            },
        );
        assert!(thermal_limit(&Findings::default(), &faded.done()).is_some_and(|s| s.because.contains("77 %")));
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
        assert!(found(0.011, 0.0002).is_none_or(|s| s < super::super::STRONG));
        assert!(found(0.014, 0.0003).unwrap() >= super::super::STRONG);
        assert!(found(0.019, 0.001).unwrap() >= super::super::STRONG);
        assert_eq!(found(0.065, 0.002), None, "no lost switch takes that much");
    }
}
