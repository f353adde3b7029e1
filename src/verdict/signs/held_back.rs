//! Signs of limits that come early: an output that the module holds back from the first start on, or takes back once warm.
//!
//! What tells them apart is time. A limit of the current gives the output back as the fan's copper warms and draws less; a
//! thermal one takes more and more of it at a constant command.

use super::bench::is_limited;
use super::output::{HELD_BACK_OHM, SOUND_OHM, flat_topped};
use super::weigh::{posterior, prior};
use super::{between, evidence, fault, sign, with};
use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};
use crate::results::{CurvePoint, Direction, Findings, ResultName, Sign};
use crate::units::significant;
use crate::verdict::steadfast::{RUNNING_A, level};

/// Signs found.
pub(super) fn find(findings: &Findings, rec: &Recording) -> Vec<Sign> {
    [current_limit(findings, rec), thermal_limit(findings, rec)].into_iter().flatten().collect()
}

/// Output ratios of the curve in one direction, by duty.
fn output_ratios(curve: &[CurvePoint], direction: Direction) -> Vec<(f64, f64)> {
    let way = curve.iter().filter(|p| p.direction == direction);
    let mut ratios: Vec<(f64, f64)> = way
        .filter_map(|p| Some((p.duty_pct, p.output_v? / p.supply_v.filter(|v| *v > 1.0)?)))
        .filter(|(_, ratio)| ratio.is_finite())
        .collect();
    ratios.sort_by(|a, b| a.0.total_cmp(&b.0));
    ratios
}

/// Highest output ratio that sound modules surely have: flat out they lose their drop, less than 5 % of the supply.
const FLAT_OUT: f64 = 0.95;

/// Where the rising curve ends under the supply: highest output ratio and the duty from which it holds.
///
/// A ceiling that holds over the last 10 points of command is a limit.
fn ceiling(findings: &Findings) -> Option<(f64, f64)> {
    let ratios = output_ratios(&findings.curve, Direction::Up);
    let (top_duty, top) = *ratios.last()?;
    let highest = ratios.iter().map(|(_, ratio)| *ratio).fold(0.0, f64::max);
    let knee = ratios.iter().find(|(_, ratio)| *ratio > highest - 0.02)?.0;
    (top_duty >= 85.0 && top_duty - knee >= 10.0 && highest < FLAT_OUT && top > 0.2).then_some((highest, knee))
}

/// Share of its output that a sound module may seem to lose between the way up and the way down: it repeats within some
/// thousandths, within 0.016 on a noisy bench right at its knee.
const REPEATS: f64 = 0.02;

/// Largest share of the output that the sweep's way down lost against its way up at one duty of 50 % or more, and that duty.
fn faded(curve: &[CurvePoint]) -> Option<(f64, f64)> {
    let (up, down) = (output_ratios(curve, Direction::Up), output_ratios(curve, Direction::Down));
    let before = |duty: f64| {
        let pair = up.windows(2).find(|pair| (pair[0].0..=pair[1].0).contains(&duty))?;
        let share = (duty - pair[0].0) / (pair[1].0 - pair[0].0).max(f64::EPSILON);
        Some(pair[0].1 + share * (pair[1].1 - pair[0].1))
    };
    let lost = down.iter().filter(|(duty, _)| *duty >= 50.0).filter_map(|(duty, after)| {
        let before = before(*duty).filter(|ratio| *ratio > 0.2)?;
        Some((1.0 - after / before, *duty))
    });
    lost.max_by(|a, b| a.0.total_cmp(&b.0)).filter(|(share, _)| *share > REPEATS)
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

/// Share of sound units that are held back like this by design: none is known here, one in a thousand is left for what
/// nobody has seen.
const BY_DESIGN: f64 = 1e-3;

/// Probability that a limit which is there is a fault and not the design.
fn a_fault(rec: &Recording) -> f64 {
    posterior(prior(rec), 1.0, BY_DESIGN)
}

/// Current limit early: a ceiling that is there from the first start on, or a drop flat out that no switch explains.
fn current_limit(findings: &Findings, rec: &Recording) -> Option<Sign> {
    if is_limited(rec) {
        return None;
    }
    let Some((highest, knee)) = ceiling(findings) else { return held_back(findings, rec) };
    let reached = ratio_when_cool(rec).is_some_and(|cool| cool > highest + 0.08);
    (!reached).then(|| {
        let because = format!("output stays at {:.0} % of the supply from {knee:.0} % command on", 100.0 * highest);
        with(sign(fault::CURRENT_LIMIT_EARLY, a_fault(rec), because), prior(rec))
    })
}

/// Of starts whose current never rises over what it settles at, this share is the work of a limit; the others begin so gently.
const OF_FLAT_TOPS: f64 = 0.9;

/// Flat out by its command, yet the output is short of the supply by more than any switch takes.
fn held_back(findings: &Findings, rec: &Recording) -> Option<Sign> {
    let measured = findings.results.get(&ResultName::OnResistanceOhm)?;
    let beyond = measured.interval?[0]? > HELD_BACK_OHM;
    (beyond || flat_topped(findings)).then(|| {
        let because = if beyond {
            format!("{} flat out, more than any switch: the output is held back", measured.shown())
        } else {
            format!("{} flat out, and the start's current never rose over what it settled at", measured.shown())
        };
        let strength = a_fault(rec) * if beyond { 1.0 } else { OF_FLAT_TOPS };
        let mut found = with(sign(fault::CURRENT_LIMIT_EARLY, strength, because), prior(rec));
        let ohm = measured.as_number().unwrap_or_default();
        found.evidence.push(evidence("on_resistance_ohm", ohm, "Ohm", (None, Some(SOUND_OHM.high))));
        found
    })
}

/// Thermal limit early: the output is taken back while the case is still below 90 °C, in a hold, between the first start
/// and the sweep, or between the sweep's way up and its way down.
///
/// Warming copper slows a fan and lowers its current by some percent but leaves the output ratio alone, within 0.001 on
/// every bench of the study; without an output channel only a fall of the current by a quarter counts.
fn thermal_limit(findings: &Findings, rec: &Recording) -> Option<Sign> {
    let holds = rec
        .spans_where(|kind| matches!(kind, SpanKind::Soak | SpanKind::FlatOut | SpanKind::Hold))
        .filter(|span| span.t1_s - span.t0_s >= 10.0)
        .filter_map(|span| taken_back(rec, span));
    let between = [lower_than_cool(findings, rec), lower_on_the_way_down(findings, rec)].into_iter().flatten();
    holds.chain(between).max_by(|a, b| a.strength.total_cmp(&b.strength))
}

/// The sign, where a fall that is no noise with this probability was seen.
fn taken(rec: &Recording, seen: f64, because: String) -> Sign {
    with(sign(fault::THERMAL_LIMIT_EARLY, seen * a_fault(rec), because), prior(rec))
}

/// The way up of the sweep reached what its way down, a minute later, no longer does.
fn lower_on_the_way_down(findings: &Findings, rec: &Recording) -> Option<Sign> {
    let (lost, duty_pct) = faded(&findings.curve)?;
    let cool = !is_limited(rec) && hottest_c(rec).is_none_or(|c| c < 90.0);
    cool.then(|| {
        let because =
            format!("output at {duty_pct:.0} % command fell by {:.1} % from the way up to the way down", 100.0 * lost);
        let mut found = taken(rec, between(lost, (REPEATS, 0.55), (0.035, 1.0)), because);
        found.evidence.push(evidence(
            "fall of the output within the sweep",
            100.0 * lost,
            "%",
            (None, Some(100.0 * REPEATS)),
        ));
        found
    })
}

/// The start reached what the sweep, or the stay flat out, no longer does.
fn lower_than_cool(findings: &Findings, rec: &Recording) -> Option<Sign> {
    let cool = ratio_when_cool(rec)?;
    let warm = [ceiling(findings).map(|(highest, _)| highest), ratio_flat_out(rec)].into_iter().flatten();
    // Nothing at all is no limit: a thermal one leaves a share.
    let warm = warm.reduce(f64::min).filter(|ratio| *ratio > 0.2)?;
    let case_c = hottest_c(rec);
    (cool > warm + 0.08 && case_c.is_none_or(|c| c < 90.0)).then(|| {
        let because =
            format!("output reached {:.0} % of the supply at first, {:.0} % once warm", 100.0 * cool, 100.0 * warm);
        taken(rec, between(cool - warm, (0.08, 0.75), (0.2, 1.0)), because)
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
    let early = (span.t0_s + 0.05 * length_s, span.t0_s + 0.15 * length_s);
    let late = (span.t1_s - 0.1 * length_s, span.t1_s);
    let at = |channel, part: (f64, f64)| level(rec, channel, part.0, part.1);
    let case_c = rec.mean(Channel::CaseC, late.0, late.1);
    if case_c.is_some_and(|c| c > 90.0) || at(Channel::SupplyA, early)? < RUNNING_A {
        return None;
    }
    let (fall, least, what) = match (ratio_over(rec, early), ratio_over(rec, late)) {
        (Some(before), Some(after)) => (1.0 - after / before, 0.01, "output"),
        _ => (1.0 - at(Channel::SupplyA, late)? / at(Channel::SupplyA, early)?, 0.25, "supply current"),
    };
    (fall > least).then(|| {
        let warm = case_c.map_or("an unknown case temperature".to_owned(), |c| format!("{c:.0} °C at the case"));
        let because = format!("{what} fell by {} % at a constant command with {warm}", significant(100.0 * fall, 2));
        taken(rec, between(fall / least, (1.0, 0.6), (3.0, 1.0)), because)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::verdict::made_up::{Made, pulses, soaked};

    #[test]
    fn output_taken_back_in_a_cool_case_is_an_early_thermal_limit() {
        let found = thermal_limit(&Findings::default(), &soaked(|t| if t > 25.0 { 0.7 } else { 1.0 })).unwrap();
        assert_eq!(found.fault, fault::THERMAL_LIMIT_EARLY);
        assert!(found.strength > super::super::STRONG);
    }

    /// Ten points up by this output ratio and ten down, this share of the output lost meanwhile.
    fn swept(ratio: impl Fn(f64) -> f64, lost: f64) -> Findings {
        let point = |i: u32, direction: Direction, kept: f64| {
            let duty_pct = 10.0 * f64::from(i);
            CurvePoint {
                duty_pct,
                direction,
                speed_rpm: None,
                u_rpm: None,
                supply_a: None,
                output_v: Some(13.0 * kept * ratio(duty_pct)),
                supply_v: Some(13.0),
                speed_ref_rpm: None,
            }
        };
        let up = (1..=10).map(|i| point(i, Direction::Up, 1.0));
        let down = (1..=10).rev().map(|i| point(i, Direction::Down, 1.0 - lost));
        Findings { curve: up.chain(down).collect(), ..Findings::default() }
    }

    fn curve(ratio: impl Fn(f64) -> f64) -> Findings {
        swept(ratio, 0.0)
    }

    #[test]
    fn an_output_lower_on_the_way_down_is_a_thermal_limit_and_no_limit_of_the_current() {
        let found = |lost: f64| find(&swept(|d| (d / 100.0).min(0.72), lost), &Recording::default());
        let held = found(0.001);
        assert!(held.len() == 1 && held[0].fault == fault::CURRENT_LIMIT_EARLY, "{held:?}");
        let mut taken = found(0.05);
        super::super::explain::away(&mut taken);
        assert!(taken.iter().all(|s| s.fault == fault::THERMAL_LIMIT_EARLY) && taken[0].strength > 0.85, "{taken:?}");
        assert_eq!(find(&swept(|d| (d / 90.0).min(0.98), 0.015), &Recording::default()), Vec::new(), "noise at a knee");
    }

    #[test]
    fn a_ceiling_under_the_supply_is_an_early_current_limit_and_plain_saturation_is_not() {
        let rec = Recording::default();
        assert_eq!(current_limit(&curve(|d| (d / 85.0).min(0.98)), &rec), None);
        assert_eq!(current_limit(&curve(|d| 0.8 * d / 100.0), &rec), None);
        for top in [0.65, 0.88] {
            let found = current_limit(&curve(|d| (d / 92.0).min(top)), &rec).unwrap();
            assert_eq!(found.fault, fault::CURRENT_LIMIT_EARLY);
            assert!(found.strength >= super::super::STRONG, "{found:?}");
        }
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
}
