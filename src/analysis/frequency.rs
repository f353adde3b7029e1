//! The band of command frequencies that the unit follows: settled as at the nominal frequency, and steady.

use crate::analysis::level::{self, Reading};
use crate::analysis::response::Response;
use crate::analysis::signal::stats;
use crate::record::event::{Event, SpanKind};
use crate::record::recording::{Recording, Span};
use crate::results::{Contribution, Findings, Measured, ResultName};
use crate::units::significant;

/// Share of full within which a level counts as followed, and beyond which its swing is hunting.
const WITHIN: f64 = 0.02;
/// Share of full from which the unit runs flat out.
const FULL: f64 = 0.95;

/// What the unit did at one frequency.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Tried {
    pub(super) hz: f64,
    pub(super) did: &'static str,
    /// Level as a share of full.
    pub(super) share: Reading,
}

pub(super) const FOLLOWS: &str = "follows";
pub(super) const MISREADS: &str = "misreads";

/// Finds `command_hz_low` and `command_hz_high`.
pub(crate) fn find(rec: &Recording, findings: &mut Findings) {
    let names = [ResultName::CommandHzLow, ResultName::CommandHzHigh];
    let mut miss = |reason: &str| names.iter().for_each(|name| findings.miss(*name, reason));
    let spans: Vec<&Span> = rec.spans_where(|kind| *kind == SpanKind::Follow).collect();
    if spans.is_empty() {
        return miss("command frequency was not varied");
    }
    let Some(response) = Response::of(rec) else {
        return miss("neither output, speed nor current recorded");
    };
    let Some((nominal_hz, nominal)) = nominal(rec, &response, &spans) else {
        return miss("no settled level at the nominal frequency to compare with");
    };
    let duty_varied = spans.iter().any(|span| level::levels(rec, span.t0_s, span.t1_s).len() > 1);
    let tried: Vec<Tried> = spans.iter().filter_map(|span| judge(rec, &response, span, nominal)).collect();
    if !tried.iter().any(|t| t.did == FOLLOWS) {
        return miss("follows at none of the frequencies tried");
    }
    edge(rec, findings, names[0], &tried, nominal_hz, |hz| hz <= nominal_hz, true);
    edge(rec, findings, names[1], &tried, nominal_hz, |hz| hz >= nominal_hz, false);
    if !duty_varied {
        // One that holds its last output looks like one that follows as long as the duty stays the same.
        for name in names {
            if let Some(reason) = findings.absent.get_mut(&name) {
                reason.push_str("; the duty was not varied there, so holding the last output looks the same");
            }
        }
    }
}

/// The nominal frequency and everything that was tried; `None` where the frequency was not varied or nothing answers.
pub(super) fn all_tried(rec: &Recording, response: &Response) -> Option<(f64, Vec<Tried>)> {
    let spans: Vec<&Span> = rec.spans_where(|kind| *kind == SpanKind::Follow).collect();
    let (nominal_hz, nominal) = nominal(rec, response, &spans)?;
    Some((nominal_hz, spans.iter().filter_map(|span| judge(rec, response, span, nominal)).collect()))
}

/// Nominal frequency, and the level there: from a try at it, else from just before the first try.
fn nominal(rec: &Recording, response: &Response, spans: &[&Span]) -> Option<(f64, f64)> {
    let first = spans.first()?;
    let before = rec.setting_at(first.t0_s - 1e-3).filter(|s| level::commanded_pct(s) > 0.0);
    let learned = rec.events.iter().rev().find_map(|e| match &e.event {
        Event::Learned { what, value } if what == "command_hz" => value.split_whitespace().next()?.parse::<f64>().ok(),
        _ => None,
    });
    let of = |span: &Span| rec.setting_at(0.5 * (span.t0_s + span.t1_s)).map(|s| s.frequency.get());
    let hz = learned.or(before.map(|s| s.frequency.get()).filter(|hz| *hz > 0.0)).or_else(|| of(first))?;
    let at_nominal: Vec<f64> = spans
        .iter()
        .filter(|span| of(span).is_some_and(|other| (other / hz - 1.0).abs() < 0.02))
        .filter_map(|span| response.share(rec, span.t0_s, compared_until_s(rec, span)).map(|r| r.value))
        .collect();
    let level = stats::median(&at_nominal).or_else(|| {
        let from_s = first.t0_s - 1.0;
        before.and_then(|_| response.share(rec, from_s.max(0.0), first.t0_s)).map(|r| r.value)
    })?;
    Some((hz, level))
}

/// End of the level that is compared with the nominal one: a change of duty within the span, made to tell following
/// from holding, comes after it.
fn compared_until_s(rec: &Recording, span: &Span) -> f64 {
    let levels = level::levels(rec, span.t0_s, span.t1_s);
    levels.iter().find(|level| level.duty_pct > 0.0).map_or(span.t1_s, |level| level.t1_s)
}

/// What the unit did over one span.
fn judge(rec: &Recording, response: &Response, span: &Span, nominal: f64) -> Option<Tried> {
    let hz = rec.setting_at(0.5 * (span.t0_s + span.t1_s))?.frequency.get();
    let end_s = compared_until_s(rec, span);
    let share = response.share(rec, span.t0_s, end_s)?;
    let (a, b) = level::tail(span.t0_s, end_s, |_, _| true);
    let did = if holds_another_duty(rec, response, span) {
        "holds"
    } else if response.is_off(rec, span.t0_s, end_s) {
        "stops"
    } else if swing(rec, response, a, b) > 2.0 * WITHIN {
        "hunts"
    } else if (share.value - nominal).abs() <= WITHIN + 2.0 * share.u {
        FOLLOWS
    } else if share.value >= FULL && nominal < FULL - WITHIN {
        "full"
    } else {
        MISREADS
    };
    Some(Tried { hz, did, share })
}

/// Peak-to-peak of the level over the settled window, noise of its bins taken out by averaging five of them.
fn swing(rec: &Recording, response: &Response, from_s: f64, to_s: f64) -> f64 {
    let track: Vec<f64> = response.track(rec, from_s, to_s).into_iter().map(|(_, v)| v).collect();
    let means = track.chunks(5).filter(|c| c.len() == 5).filter_map(stats::mean);
    let (low, high) = means.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
    (high - low).max(0.0)
}

/// Whether the duty was changed within the span and the level took no notice.
fn holds_another_duty(rec: &Recording, response: &Response, span: &Span) -> bool {
    let levels = level::levels(rec, span.t0_s, span.t1_s);
    levels.windows(2).any(|pair| {
        let shares = pair.iter().map(|l| response.share(rec, l.t0_s, l.t1_s).map(|r| r.value));
        let shares: Option<Vec<f64>> = shares.collect();
        pair[0].duty_pct != pair[1].duty_pct && shares.is_some_and(|s| (s[0] - s[1]).abs() < WITHIN)
    })
}

/// One edge of the band: between the nearest frequency that was not followed and the last that was.
fn edge(
    rec: &Recording,
    findings: &mut Findings,
    name: ResultName,
    tried: &[Tried],
    nominal_hz: f64,
    on_side: impl Fn(f64) -> bool,
    low: bool,
) {
    let side: Vec<&Tried> = tried.iter().filter(|t| on_side(t.hz)).collect();
    // Distance from the nominal frequency as a ratio of one or more, whichever the side.
    let away = |t: &Tried| if low { nominal_hz / t.hz } else { t.hz / nominal_hz };
    let nearest_lost = side.iter().filter(|t| t.did != FOLLOWS).map(|t| away(t)).reduce(f64::min);
    let followed = side.iter().filter(|t| t.did == FOLLOWS).map(|t| away(t));
    let Some(lost) = nearest_lost else {
        let furthest = followed.fold(1.0, f64::max);
        let hz = if low { nominal_hz / furthest } else { nominal_hz * furthest };
        let (way, which) = if low { ("down", "lowest") } else { ("up", "highest") };
        return findings.miss(name, format!("follows {way} to {} Hz, the {which} tried", significant(hz, 4)));
    };
    let beyond: Vec<f64> = followed.clone().filter(|a| *a > lost).collect();
    let kept = followed.filter(|a| *a <= lost).fold(1.0, f64::max);
    let hz = |away: f64| if low { nominal_hz / away } else { nominal_hz * away };
    let (a, b) = (hz(kept).min(hz(lost)), hz(kept).max(hz(lost)));
    let clock = rec.header.bench.clock_u * hz(kept);
    let budget = vec![
        Contribution::random("bracket width", (b - a) / 12.0_f64.sqrt()),
        Contribution::common("command clock", clock),
    ];
    let mut result = Measured::number(name, (a * b).sqrt(), 1.96, budget, "bracket", side.len() as u64);
    result.interval = Some([Some(a - 1.96 * clock), Some(b + 1.96 * clock)]);
    let mut notes = vec![outside(&side, &away)];
    if let Some(again) = beyond.into_iter().reduce(f64::max) {
        notes.push(format!("follows again at {} Hz: a hole, or entry and exit differ", significant(hz(again), 4)));
    }
    findings.put(name, result.noted(notes.join("; ")));
}

/// What happens outside, nearest first: `stops at 10 Hz, hunts at 12 Hz`.
fn outside(side: &[&Tried], away: &impl Fn(&Tried) -> f64) -> String {
    let mut lost: Vec<&&Tried> = side.iter().filter(|t| t.did != FOLLOWS).collect();
    lost.sort_by(|a, b| away(a).total_cmp(&away(b)));
    lost.dedup_by(|a, b| a.did == b.did);
    let words: Vec<String> = lost.iter().map(|t| format!("{} at {} Hz", t.did, significant(t.hz, 4))).collect();
    format!("outside: {}", words.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::synthetic::{Bench, at};
    use crate::bench::{Channel, Setting};
    use crate::units::Hertz;

    fn tried(steps: &[(f64, &dyn Fn(f64) -> f64)]) -> Findings {
        let mut bench = Bench::new(21);
        let supply: &dyn Fn(f64) -> f64 = &|_| 13.0;
        bench.set(at(90.0));
        bench.run(2.0, &[(Channel::OutputV, &|_| 12.9, 0.02), (Channel::SupplyV, supply, 0.01)]);
        bench.span(SpanKind::FlatOut, 0.0);
        bench.set(at(50.0));
        bench.run(3.0, &[(Channel::OutputV, &|_| 6.0, 0.02), (Channel::SupplyV, supply, 0.01)]);
        for (hz, volts) in steps {
            let t0_s = bench.t_s;
            bench.set(Setting { frequency: Hertz(*hz), ..at(50.0) });
            bench.run(3.0, &[(Channel::OutputV, *volts, 0.02), (Channel::SupplyV, supply, 0.01)]);
            bench.span(SpanKind::Follow, t0_s);
        }
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        findings
    }

    #[test]
    fn edges_are_bracketed_and_what_happens_outside_is_named() {
        let same: &dyn Fn(f64) -> f64 = &|_| 6.05;
        let hunting: &dyn Fn(f64) -> f64 = &|t| 6.0 + (std::f64::consts::TAU * 0.8 * t).sin();
        let found = tried(&[
            (140.0, same),
            (70.0, same),
            (40.0, &|t| 4.0 * (-t / 4.0).exp()),
            (55.0, &|_| 6.6),
            (62.0, same),
            (280.0, same),
            (500.0, &|_| 12.85),
            (400.0, hunting),
        ]);
        let low = &found.results[&ResultName::CommandHzLow];
        let [a, b] = low.interval.unwrap();
        assert!((a.unwrap() - 55.0).abs() < 1e-9 && (b.unwrap() - 62.0).abs() < 1e-9, "{low:?}");
        assert_eq!(low.note.as_deref(), Some("outside: misreads at 55 Hz, stops at 40 Hz"));
        let high = &found.results[&ResultName::CommandHzHigh];
        assert_eq!(high.note.as_deref(), Some("outside: hunts at 400 Hz, full at 500 Hz"));
        assert!(high.as_number().unwrap() > 280.0 && high.as_number().unwrap() < 400.0);
    }

    #[test]
    fn a_band_wider_than_what_was_tried_is_absent_with_its_bound() {
        let same: &dyn Fn(f64) -> f64 = &|_| 6.0;
        let found = tried(&[(140.0, same), (20.0, same), (1_000.0, same)]);
        let low = &found.absent[&ResultName::CommandHzLow];
        assert!(low.starts_with("follows down to 20 Hz, the lowest tried; the duty was not varied"), "{low}");
        assert!(found.absent[&ResultName::CommandHzHigh].starts_with("follows up to 1000 Hz, the highest tried"));
    }

    #[test]
    fn a_unit_that_holds_its_last_output_is_told_by_a_change_of_duty() {
        let mut bench = Bench::new(22);
        let supply: &dyn Fn(f64) -> f64 = &|_| 13.0;
        for (hz, duties) in [(140.0, [(50.0, 6.0), (60.0, 7.3)]), (20.0, [(50.0, 6.0), (60.0, 6.0)])] {
            let t0_s = bench.t_s;
            for (duty, volts) in duties {
                bench.set(Setting { frequency: Hertz(hz), ..at(duty) });
                bench.run(3.0, &[(Channel::OutputV, &|_| volts, 0.02), (Channel::SupplyV, supply, 0.01)]);
            }
            bench.span(SpanKind::Follow, t0_s);
        }
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        assert_eq!(findings.results[&ResultName::CommandHzLow].note.as_deref(), Some("outside: holds at 20 Hz"));
    }

    #[test]
    fn a_hole_in_the_band_is_said() {
        let same: &dyn Fn(f64) -> f64 = &|_| 6.0;
        let found = tried(&[(140.0, same), (100.0, &|_| 0.0), (80.0, same)]);
        let note = found.results[&ResultName::CommandHzLow].note.clone().unwrap();
        assert!(note.contains("follows again at 80 Hz"), "{note}");
    }
}
