//! Starts in a row: how many failed, what that says of the share that fails, and how much their delay scatters.

use statrs::distribution::{Beta, ChiSquared, ContinuousCDF};

use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};
use crate::results::{Contribution, Findings, Measured, ResultName};

use super::command;
use super::estimate::{miss_all, shortfall, spans};
use super::ramp::{Trace, Unreadable};
use super::signal::stats;
use super::speed::{self, Motion};
use super::zero;

const BOTH: [ResultName; 2] = [ResultName::StartFailurePct, ResultName::StartDelaySdS];
/// Current over its zero that only a driven fan draws.
pub(super) const DRIVEN_A: f64 = 0.25;
/// Cells in which a current is looked at.
const CELL_S: f64 = 2e-3;
/// A fall to this share of what flowed before, for this many cells, is a break.
const BROKEN: f64 = 0.1;
const BROKEN_CELLS: usize = 5;
/// What flowed before: above this current, for this long. Pulses by which a module tests its output are shorter.
const FLOWING_A: f64 = 1.0;
const FLOWING_CELLS: usize = 50;
/// Stretch at the end of a start in which it must be there.
const END_S: f64 = 0.3;

/// Scatter that sampling alone leaves, or hides: a command edge falls anywhere inside a sample's interval of 0.5 ms.
const ALIGNMENT_S: f64 = 1.44e-4;

/// How one start went.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Went {
    /// With the delay to the first output, where it can be read.
    Well(Option<f64>),
    NoOutput,
    BrokeOff,
    StoodStill,
}

/// Fills in the share of failed starts and the scatter of the delay.
pub(crate) fn find(rec: &Recording, findings: &mut Findings) {
    let spans = spans(rec, &SpanKind::RepeatedStart);
    let went: Vec<Went> = spans.iter().filter_map(|span| one(rec, span)).collect();
    if spans.is_empty() {
        return;
    }
    if went.is_empty() {
        miss_all(findings, &BOTH, &format!("no start shows its command edge and its current{}", shortfall(&spans)));
        return;
    }
    findings.put(ResultName::StartFailurePct, failures(&went));
    let delays: Vec<f64> =
        went.iter().filter_map(|went| if let Went::Well(delay_s) = went { *delay_s } else { None }).collect();
    match scatter(&delays) {
        Some(measured) => findings.put(ResultName::StartDelaySdS, measured),
        None if rec.channels.contains_key(&Channel::OutputV) => {
            findings.miss(ResultName::StartDelaySdS, "fewer than three starts came through with an output to be timed");
        }
        None => findings.miss(ResultName::StartDelaySdS, Unreadable::NoOutput.words()),
    }
}

fn one(rec: &Recording, span: &Span) -> Option<Went> {
    let (edge_s, ..) = command::first_change(rec, span)?;
    let amps = zero::level(rec, Channel::SupplyA, span.t1_s - END_S, span.t1_s)?.value;
    if breaks_off(rec, edge_s, span.t1_s).is_some() {
        return Some(Went::BrokeOff);
    }
    if amps < DRIVEN_A {
        return Some(Went::NoOutput);
    }
    if speed::motion(rec, span.t1_s - 1.0, span.t1_s) == Motion::Rest {
        return Some(Went::StoodStill);
    }
    let trace = Trace::of_output(rec, span.t0_s, edge_s, span.t1_s).ok();
    let delay_s = trace.and_then(|trace| trace.onset(edge_s)).map(|onset| onset.at.t_s - edge_s);
    Some(Went::Well(delay_s))
}

/// When the supply current first breaks off in a start from `edge_s` to `to_s`, seconds; `None` when it never does.
///
/// The current of a start may fall to a fraction as the fan gains speed, but not within 2 ms, and not to next to nothing.
pub(crate) fn breaks_off(rec: &Recording, edge_s: f64, to_s: f64) -> Option<f64> {
    let zero_a = zero::offset(rec, Channel::SupplyA, edge_s).map_or(0.0, |(zero, _)| zero);
    let cells: Vec<(f64, f64)> =
        zero::cells(rec, Channel::SupplyA, edge_s, to_s, CELL_S).into_iter().map(|(t, v)| (t, v - zero_a)).collect();
    let mut flowing = 0;
    for at in 1..cells.len() {
        flowing = if cells[at - 1].1 > FLOWING_A { flowing + 1 } else { 0 };
        if flowing < FLOWING_CELLS {
            continue;
        }
        let before = stats::median(&cells[at - FLOWING_CELLS / 5..at].iter().map(|(_, v)| *v).collect::<Vec<_>>())?;
        // The first cell of a break holds some of what flowed before it.
        let broken = cells.get(at + 1..at + 1 + BROKEN_CELLS)?.iter().all(|(_, v)| *v < BROKEN * before);
        if broken {
            return Some(cells[at].0);
        }
    }
    None
}

/// Share of failed starts with the exact interval of Clopper and Pearson (1934): one-sided where none failed, so that what
/// is left out lies above it.
fn failures(went: &[Went]) -> Measured {
    let n = went.len() as f64;
    let count = |kind: Went| went.iter().filter(|went| **went == kind).count();
    let kinds = [
        (count(Went::NoOutput), "without output"),
        (count(Went::BrokeOff), "broke off"),
        (count(Went::StoodStill), "with the fan standing still"),
    ];
    let failed: usize = kinds.iter().map(|(count, _)| count).sum();
    let k = failed as f64;
    let quantile = |a: f64, b: f64, p: f64| Beta::new(a, b).map_or(f64::NAN, |beta| beta.inverse_cdf(p));
    let up_to = |p: f64| if k < n { quantile(k + 1.0, n - k, p) } else { 1.0 };
    let least = if k > 0.0 { quantile(k, n - k + 1.0, if k < n { 0.025 } else { 0.05 }) } else { 0.0 };
    let most = up_to(if failed == 0 { 0.95 } else { 0.975 });
    // Standard deviation of the share given the count, every share alike likely before (rule of succession).
    let (a, b) = (k + 1.0, n - k + 1.0);
    let u = 100.0 * (a * b / ((a + b).powi(2) * (a + b + 1.0))).sqrt();
    let budget = vec![Contribution::random("few starts", u)];
    let mut measured =
        Measured::number(ResultName::StartFailurePct, 100.0 * k / n, 2.0, budget, "count", went.len() as u64);
    measured.interval = Some([Some(100.0 * least), Some(100.0 * most)]);
    let bound = match failed {
        all if all == went.len() => "every start fails".to_owned(),
        _ => format!("at most {:.1} % of starts fail, 95 % confidence", 100.0 * up_to(0.95)),
    };
    let kinds: Vec<String> =
        kinds.iter().filter(|(count, _)| *count > 0).map(|(count, how)| format!("{count} {how}")).collect();
    let how = if kinds.is_empty() { String::new() } else { format!(" ({})", kinds.join(", ")) };
    measured.noted(format!("{failed} of {}{how}: {bound}", went.len()))
}

/// Standard deviation of the delays, with its interval by chi-square; `None` of fewer than three.
fn scatter(delays: &[f64]) -> Option<Measured> {
    if delays.len() < 3 {
        return None;
    }
    let sd = stats::deviation(delays)?;
    let dof = delays.len() as f64 - 1.0;
    let chi = ChiSquared::new(dof).ok()?;
    let name = ResultName::StartDelaySdS;
    let budget = vec![
        Contribution::random("few starts", sd / (2.0 * dof).sqrt()),
        Contribution::lasting("alignment of samples and command", ALIGNMENT_S),
    ];
    let mut measured = Measured::number(name, sd, 2.0, budget, "onset", delays.len() as u64);
    let end = |p: f64| sd * (dof / chi.inverse_cdf(p)).sqrt();
    let least = if sd > 2.0 * ALIGNMENT_S { end(0.975) } else { 0.0 };
    measured.interval = Some([Some(least), Some(end(0.025).hypot(2.0 * ALIGNMENT_S))]);
    let mean = stats::mean(delays)?;
    Some(
        measured
            .noted(format!("delay of {:.1} ms in the mean; one period of the command is in the scatter", 1e3 * mean)),
    )
}

#[cfg(test)]
mod tests {
    use super::super::synthetic::{self, Bench};
    use super::*;

    /// So many starts of which each does what `amps` and `volts` say by its number and time.
    fn starts(n: u32, amps: impl Fn(u32, f64) -> f64) -> Findings {
        let mut bench = Bench::new(3);
        for i in 0..n {
            let t0_s = bench.t_s;
            bench.set(synthetic::at(5.0));
            bench.run(0.3, &[(Channel::SupplyA, &|_| 0.0, 0.02)]);
            bench.set(synthetic::at(95.0));
            bench.run(6.0, &[(Channel::SupplyA, &|t| amps(i, t), 0.02), (Channel::SpeedRpm, &|t| 500.0 * t, 0.5)]);
            bench.span(SpanKind::RepeatedStart, t0_s);
        }
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        findings
    }

    /// A soft start with its hump.
    fn sound(t: f64) -> f64 {
        if t < 0.1 { 0.0 } else { 20.0 * (t - 0.1).min(1.0) + 15.0 * (-(t - 1.1).abs()).exp() * (t - 0.1).min(1.0) }
    }

    #[test]
    fn none_of_twenty_still_gives_its_bound() {
        let found = starts(20, |_, t| sound(t));
        let measured = &found.results[&ResultName::StartFailurePct];
        assert_eq!(measured.as_number(), Some(0.0));
        // 1 - 0.05^(1/20).
        assert_eq!(measured.note.as_deref(), Some("0 of 20: at most 13.9 % of starts fail, 95 % confidence"));
        let [low, high] = measured.interval.expect("an interval");
        assert!(low == Some(0.0) && high.is_some_and(|high| (high - 13.91).abs() < 0.01), "{measured:?}");
        assert!(found.absent.contains_key(&ResultName::StartDelaySdS), "no output was recorded");
    }

    #[test]
    fn starts_that_break_off_or_do_not_come_are_counted_apart() {
        let found = starts(10, |i, t| match i {
            2 => 0.0,
            5 if (1.5..1.56).contains(&t) => 0.05,
            _ => sound(t),
        });
        let measured = &found.results[&ResultName::StartFailurePct];
        assert_eq!((measured.as_number(), measured.n), (Some(20.0), 10));
        let note = measured.note.as_deref().expect("a note");
        // Tables of Clopper and Pearson for 2 of 10: 2.5 to 55.6 %; one-sided 50.7 %.
        assert_eq!(note, "2 of 10 (1 without output, 1 broke off): at most 50.7 % of starts fail, 95 % confidence");
        let [low, high] = measured.interval.expect("an interval");
        assert!(low.is_some_and(|low| (low - 2.52).abs() < 0.01), "{measured:?}");
        assert!(high.is_some_and(|high| (high - 55.61).abs() < 0.01), "{measured:?}");
    }

    #[test]
    fn a_hard_start_that_falls_from_its_peak_and_a_test_pulse_are_no_breaks() {
        let hard = |t: f64| if t < 0.1 { 0.0 } else { 12.0 + 70.0 * (-(t - 0.1) / 0.15).exp() };
        let found = starts(4, |_, t| if (0.02..0.03).contains(&t) { 5.0 } else { hard(t) });
        assert_eq!(found.number(ResultName::StartFailurePct), Some(0.0), "{found:?}");
    }
}
