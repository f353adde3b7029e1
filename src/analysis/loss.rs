//! What the unit does when the command is lost: at exactly 100 %, at exactly 0 %, with the line open.

use crate::analysis::command;
use crate::analysis::estimate::{self, Estimate};
use crate::analysis::response::Response;
use crate::analysis::signal::steps::Instant;
use crate::analysis::signal::{fit, stats, steps};
use crate::bench::Channel;
use crate::record::event::{Loss, SpanKind};
use crate::record::recording::{Recording, Span};
use crate::results::{Findings, Measured, ResultName};
use crate::units::significant;

/// Levels closer than this share of full are the same.
const SAME: f64 = 0.03;
/// Share of full from which the unit runs flat out.
const FULL: f64 = 0.95;
/// Cells in which the begin of an answer is looked for, how long after it is out of reach, seconds, and up to which share
/// of full its begin is fitted.
const ONSET_CELL_S: f64 = 1e-3;
const ONSET_AFTER_S: f64 = 0.3;
const ONSET_UPTO: f64 = 0.12;
/// Width of a sample, how far before and after a jump they are looked at, seconds, and which share of it one holds that was
/// there as it came.
const SAMPLE_S: f64 = 5e-4;
const SAMPLES_S: (f64, f64) = (0.02, 4e-3);
const SAMPLE_SHARE: f64 = 0.1;
/// The level before an answer is followed over this long, up to so much before its begin, from so many cells on; and how
/// often the two are found in turns.
const BASE_S: f64 = 1.0;
const BASE_UNTIL_S: f64 = 0.03;
const BASE_LEAST: usize = 50;
const BASE_ROUNDS: u32 = 5;
/// A change of this share of full is an answer, when it stands out of the noise.
const MOVED: f64 = 0.05;

/// Finds `loss_full`, `loss_zero`, `loss_open` and their delays.
pub(crate) fn find(rec: &Recording, findings: &mut Findings) {
    let cases = [
        (Loss::Full, ResultName::LossFull, ResultName::LossFullAfterS, "100 % from a duty with edges was not tried"),
        (Loss::Zero, ResultName::LossZero, ResultName::LossZeroAfterS, "0 % from a duty with edges was not tried"),
        (Loss::Open, ResultName::LossOpen, ResultName::LossOpenAfterS, "the line was not opened"),
    ];
    let response = Response::of(rec);
    for (loss, what, after, untried) in cases {
        let span = rec.spans_where(|kind| *kind == SpanKind::Loss { loss }).filter(|s| s.complete.is_ok()).last();
        let (Some(span), Some(response)) = (span, &response) else {
            if loss == Loss::Open && open_from_rest(rec, findings, response.as_ref()) {
                continue;
            }
            let bare = rec.stages.is_empty() && !rec.settings.is_empty();
            let reason = match span {
                Some(_) => "neither output, speed nor current recorded",
                None if bare && !rec.line_told => "the trace has no `line` column: what the line did is not known",
                None => untried,
            };
            findings.miss(what, reason);
            findings.miss(after, reason);
            continue;
        };
        answer(rec, findings, span, response, what, after);
    }
}

/// What an open line does as supply comes: used when the line was not opened while running.
fn open_from_rest(rec: &Recording, findings: &mut Findings, response: Option<&Response>) -> bool {
    let (Some(response), Some(span)) = (response, rec.spans_where(|kind| *kind == SpanKind::OpenLine).last()) else {
        return false;
    };
    let Some(level) = response.share(rec, span.t0_s, span.t1_s) else { return false };
    let word = if response.is_off(rec, span.t0_s, span.t1_s) {
        "stops"
    } else if level.value >= FULL {
        "full"
    } else {
        "other"
    };
    let result = Measured::word(ResultName::LossOpen, word, "open line at rest", 1);
    findings.put(ResultName::LossOpen, result.noted("line open from the moment supply came, not opened while running"));
    findings.miss(ResultName::LossOpenAfterS, "the line was not opened while running");
    true
}

fn answer(
    rec: &Recording,
    findings: &mut Findings,
    span: &Span,
    response: &Response,
    what: ResultName,
    after: ResultName,
) {
    let Some((lost_s, _, _)) = command::first_change(rec, span).filter(|(t, ..)| *t < span.t1_s) else {
        findings.miss(what, "the loss itself is not in the recording");
        return findings.miss(after, "the loss itself is not in the recording");
    };
    let before = response.share(rec, span.t0_s, lost_s);
    let late = response.share(rec, lost_s, span.t1_s);
    let (Some(before), Some(late)) = (before, late) else {
        findings.miss(what, "too short to tell");
        return findings.miss(after, "too short to tell");
    };
    let off = response.is_off(rec, lost_s, span.t1_s);
    let word = judged(before.value, late.value, off);
    let mut result = Measured::word(what, word, "watched", 1);
    if word == "other" {
        let level = significant(100.0 * late.value, 2);
        result = result.noted(format!("goes from {} % to {level} % of full", significant(100.0 * before.value, 2)));
    }
    findings.put(what, result);
    match moved_at(rec, response, span, lost_s).filter(|_| word != "holds") {
        Some(begun) => {
            let delay_s = (begun.t_s - lost_s).max(0.0);
            let clock = estimate::clock(rec, delay_s);
            let mut parts = vec![
                estimate::instant(rec, "time resolution", &begun, f64::INFINITY),
                estimate::on_the_grid(rec),
                estimate::between_samples(rec, true),
                clock,
            ];
            parts.extend(estimate::apart(rec, &Channel::ALL, true));
            let delay = Estimate::new(delay_s, parts).measured(after, "first change", 1);
            findings.put(after, response.remark().map_or(delay.clone(), |remark| delay.noted(remark)));
        }
        None => {
            let watched = significant(span.t1_s - lost_s, 3);
            findings.miss(after, format!("nothing changed within {watched} s"));
        }
    }
}

fn judged(before: f64, late: f64, off: bool) -> &'static str {
    if off {
        "stops"
    } else if late >= FULL {
        "full"
    } else if (late - before).abs() < SAME {
        "holds"
    } else {
        "other"
    }
}

/// When the level first left, and kept away from, what it was before the loss.
fn moved_at(rec: &Recording, response: &Response, span: &Span, lost_s: f64) -> Option<Instant> {
    let track = response.track(rec, span.t0_s, span.t1_s);
    let split = track.partition_point(|(t_s, _)| *t_s < lost_s);
    let before: Vec<f64> = track[..split].iter().map(|(_, v)| *v).collect();
    let (level, noise) = (stats::median(&before)?, stats::robust_sigma(&before)?);
    let reach = MOVED.max(6.0 * noise);
    let later = &track[split..];
    // Two neighbours out of reach, so that one wild bin does not count.
    let first = later.windows(2).position(|w| w.iter().all(|(_, v)| (v - level).abs() > reach))?;
    let spacing_s = later.get(first + 1).map_or(0.02, |next| next.0 - later[first].0);
    // The first bin may begin with the loss, and by its rounding a hair before.
    let crossed_s = (later[first].0 - 0.5 * spacing_s).max(lost_s);
    if let Some(found) = onset(rec, response, (span.t0_s, lost_s, crossed_s), reach) {
        return Some(found);
    }
    let began_s = dated_back(later, first, level, reach).map_or(crossed_s, |t_s| t_s.clamp(lost_s, crossed_s));
    let u_s = (spacing_s / 12.0_f64.sqrt()).hypot(0.2 * (crossed_s - began_s));
    Some(Instant::new(began_s, u_s))
}

/// When what had left its level by `crossed_s` began to leave it, with the uncertainty: a ramp begins before it is out of
/// reach, and an exponential one bends on its way.
///
/// The level before need not stand: a fan that still gains speed draws less and less, and a soft start ends slowly. What the
/// signal did until it began to leave is taken out, up to a parabola; where that was is found anew with it.
fn onset(
    rec: &Recording,
    response: &Response,
    (from_s, lost_s, crossed_s): (f64, f64, f64),
    reach: f64,
) -> Option<Instant> {
    let cells = response.cells(rec, from_s, crossed_s + ONSET_AFTER_S, ONSET_CELL_S)?;
    let (t, v): (Vec<f64>, Vec<f64>) = cells.into_iter().unzip();
    let (mut base, mut found) = (Base::of(&t, &v, lost_s)?, None);
    for _ in 0..BASE_ROUNDS {
        let begun = leaves(&t, &v, &base, crossed_s, reach)?;
        let until_s = (begun.t_s - BASE_UNTIL_S).clamp(lost_s, crossed_s);
        let settled = found.is_some_and(|before: Instant| (before.t_s - begun.t_s).abs() < ONSET_CELL_S);
        found = Some(begun);
        if settled {
            break;
        }
        base = Base::of(&t, &v, until_s)?;
    }
    let found = found.map(|begun| in_sample(rec, response, &base, &begun).unwrap_or(begun));
    // Nothing is an answer before its question. The spacing of the values is in what the onset states of a jump.
    found.map(|begun| Instant { t_s: begun.t_s.max(lost_s), ..begun })
}

/// A jump that is only known to lie between two cells lies in the first sample that holds some of it, whatever the fan's own
/// current makes of the output after it.
fn in_sample(rec: &Recording, response: &Response, base: &Base, begun: &Instant) -> Option<Instant> {
    let (before_s, after_s) = SAMPLES_S;
    let cells = response.cells(rec, begun.t_s - before_s, begun.t_s + after_s, SAMPLE_S).filter(|_| begun.even)?;
    let off: Vec<f64> = cells.iter().map(|(t_s, v)| v - base.at(*t_s)).collect();
    let (last, quiet) = (off.len().checked_sub(2)?, &off[..off.len() / 2]);
    let height = off[last].abs();
    let clear = SAMPLE_SHARE * height > 4.0 * stats::robust_sigma(quiet)?;
    let first = off.iter().position(|v| v.abs() > SAMPLE_SHARE * height).filter(|first| clear && *first > 0)?;
    let spacing_s = cells[first].0 - cells[first - 1].0;
    Some(Instant::between(cells[first].0, spacing_s))
}

/// Where `v` leaves `base`, and the uncertainty of that.
fn leaves(t: &[f64], v: &[f64], base: &Base, crossed_s: f64, reach: f64) -> Option<Instant> {
    let off: Vec<f64> = t.iter().zip(v).map(|(t_s, v)| v - base.at(*t_s)).collect();
    let after = stats::median(&off[t.partition_point(|t_s| *t_s < crossed_s)..])?;
    let rise: Vec<f64> = off.iter().map(|v| after.signum() * v).collect();
    let upto = ONSET_UPTO.min(0.9 * after.abs()).max(reach);
    let onset = steps::onset(t, &rise, 0.0, upto)?;
    let reached_s = t[rise.iter().position(|v| *v >= upto).unwrap_or(t.len() - 1)];
    let fitted_s = (reached_s - onset.at.t_s).max(0.0);
    let by_base = onset.pivot * base.end_u * fitted_s / upto;
    Some(Instant { u_s: onset.at.u_s.hypot(by_base), ..onset.at })
}

/// What a signal does before it answers: a level, a trend or a bend, whichever its samples bear out.
struct Base {
    centre_s: f64,
    half_s: f64,
    terms: Vec<f64>,
    /// Standard uncertainty of its end beyond that of a mere level.
    end_u: f64,
}

impl Base {
    /// From the last [`BASE_S`] before `until_s`.
    fn of(t: &[f64], v: &[f64], until_s: f64) -> Option<Self> {
        let part = t.partition_point(|t_s| *t_s < until_s - BASE_S)..t.partition_point(|t_s| *t_s < until_s);
        let (t, v) = (&t[part.clone()], &v[part]);
        let (centre_s, half_s) = (0.5 * (t.first()? + t.last()?), 0.5 * (t.last()? - t.first()?));
        let x: Vec<f64> = t.iter().map(|t_s| (t_s - centre_s) / half_s.max(ONSET_CELL_S)).collect();
        let (ones, squares) = (vec![1.0; x.len()], x.iter().map(|x| x * x).collect::<Vec<f64>>());
        let n = x.len() as f64;
        // A trend of few samples is their noise.
        let orders = if x.len() < BASE_LEAST { 1..=1_usize } else { 1..=3 };
        let fits = orders.filter_map(|order| {
            let columns: [&[f64]; 3] = [&ones, &x, &squares];
            let (terms, rss) = fit::linear(&columns[..order], v)?;
            let criterion = n * (rss / n).max(f64::MIN_POSITIVE).ln() + order as f64 * n.ln();
            // The variance at the end of a line is four times, of a parabola nine times that of a mean.
            let end_u = (rss / (n - order as f64).max(1.0) / n * (order * order - 1) as f64).sqrt();
            Some((criterion, Self { centre_s, half_s: half_s.max(ONSET_CELL_S), terms, end_u }))
        });
        let (_, mut best) = fits.min_by(|a, b| a.0.total_cmp(&b.0))?;
        if best.terms.len() == 1 {
            // One wild sample does not move it.
            best.terms = vec![stats::median(v)?];
        }
        Some(best)
    }

    fn at(&self, t_s: f64) -> f64 {
        // Carried on straight from its end: what bends there is the answer's own.
        let x = (t_s - self.centre_s) / self.half_s;
        let inside = x.min(1.0);
        let value = self.terms.iter().rev().fold(0.0, |sum, term| sum * inside + term);
        let slope = self.terms.get(1).map_or(0.0, |b| b + 2.0 * self.terms.get(2).unwrap_or(&0.0) * inside);
        value + slope * (x - inside)
    }
}

/// A ramp leaves its level before it is out of reach: the line through its first part, met with the level.
fn dated_back(later: &[(f64, f64)], first: usize, level: f64, reach: f64) -> Option<f64> {
    let part = later[first..].iter().take_while(|(_, v)| (v - level).abs() < 4.0 * reach);
    let (t, v): (Vec<f64>, Vec<f64>) = part.copied().unzip();
    let line = stats::line(&t, &v).filter(|line| t.len() >= 4 && line.slope.abs() > 0.0)?;
    // A step with a slow decay after it is no ramp: the bin before the crossing would lie on the line.
    let (t_s, before) = first.checked_sub(1).map(|i| later[i])?;
    let on_line = (line.at(t_s) - before).abs() < 0.5 * reach;
    on_line.then(|| line.centre + (level - line.level) / line.slope)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::synthetic::{Bench, at};
    use crate::bench::{Line, Setting};
    use crate::results::Direction;

    /// Runs at 50 % with full output known, then loses the command; `volts` is the output over time since.
    fn lose(loss: Loss, volts: &dyn Fn(f64) -> f64) -> Findings {
        lose_after(0.0, loss, volts)
    }

    /// The same, so many seconds later in the record.
    fn lose_after(later_s: f64, loss: Loss, volts: &dyn Fn(f64) -> f64) -> Findings {
        lose_sampled(200.0, later_s, loss, volts)
    }

    fn lose_sampled(per_s: f64, later_s: f64, loss: Loss, volts: &dyn Fn(f64) -> f64) -> Findings {
        let mut bench = Bench::new(11);
        bench.t_s = later_s;
        let supply: &dyn Fn(f64) -> f64 = &|_| 13.0;
        bench.set(at(90.0));
        bench.run_at(per_s, 2.0, &[(Channel::OutputV, &|_| 12.9, 0.02), (Channel::SupplyV, supply, 0.01)]);
        bench.span(SpanKind::Point { direction: Direction::Up }, 0.0);
        bench.set(at(50.0));
        bench.run_at(per_s, 1.0, &[(Channel::OutputV, &|_| 6.0, 0.02), (Channel::SupplyV, supply, 0.01)]);
        let t0_s = bench.t_s - 0.5;
        bench.set(match loss {
            Loss::Full => at(100.0),
            Loss::Zero => at(0.0),
            _ => Setting { line: Line::Open, ..at(50.0) },
        });
        bench.run_at(per_s, 6.0, &[(Channel::OutputV, volts, 0.02), (Channel::SupplyV, supply, 0.01)]);
        bench.span(SpanKind::Loss { loss }, t0_s);
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        findings
    }

    #[test]
    fn each_answer_to_a_lost_command_is_named_and_timed() {
        let found = lose(Loss::Open, &|t| if t < 1.5 { 6.0 } else { 12.9 });
        assert_eq!(found.word(ResultName::LossOpen), Some("full"));
        assert!((found.number(ResultName::LossOpenAfterS).unwrap() - 1.5).abs() < 0.03);
        // The output goes, the fan coasts: its own voltage decays and is no output.
        let found = lose(Loss::Zero, &|t| if t < 0.25 { 6.0 } else { 5.0 * (-(t - 0.25) / 5.0).exp() });
        assert_eq!(found.word(ResultName::LossZero), Some("stops"));
        assert!((found.number(ResultName::LossZeroAfterS).unwrap() - 0.25).abs() < 0.03);
        let found = lose(Loss::Full, &|_| 6.0);
        assert_eq!(found.word(ResultName::LossFull), Some("holds"));
        assert!(found.absent[&ResultName::LossFullAfterS].contains("nothing changed within 6 s"));
        let found = lose(Loss::Full, &|t| if t < 0.1 { 6.0 } else { 9.0 });
        assert_eq!(found.word(ResultName::LossFull), Some("other"));
        // A soft start to full: its begin, not the time at which it stands out, be it straight or bent.
        let found = lose(Loss::Full, &|t| (6.0 + 2.5 * (t - 0.5).max(0.0)).min(12.9));
        assert!((found.number(ResultName::LossFullAfterS).unwrap() - 0.5).abs() < 0.03);
        let found = lose(Loss::Full, &|t| 12.9 - 6.9 * (-(t - 0.4).max(0.0) / 1.2).exp());
        assert!((found.number(ResultName::LossFullAfterS).unwrap() - 0.4).abs() < 0.02);
    }

    #[test]
    fn an_answer_in_the_very_sample_of_the_loss_has_no_delay() {
        // Late in a record the times of two neighbouring bins are rounded, one way or the other.
        for hundredths in 0..50 {
            let later_s = 1190.0 + 0.01 * f64::from(hundredths);
            let found = lose_after(later_s, Loss::Zero, &|_| 0.0);
            assert!(found.number(ResultName::LossZeroAfterS).unwrap().abs() < 0.02, "{later_s} {found:?}");
        }
    }

    #[test]
    fn an_output_that_still_drifts_before_the_loss_moves_no_delay() {
        let delays = (0..20).map(|seed| {
            let mut bench = Bench::new(seed);
            let supply: &dyn Fn(f64) -> f64 = &|_| 13.0;
            bench.set(at(90.0));
            bench.run(2.0, &[(Channel::OutputV, &|_| 12.9, 0.004), (Channel::SupplyV, supply, 0.004)]);
            bench.span(SpanKind::Point { direction: Direction::Up }, 0.0);
            bench.set(at(50.0));
            // The end of a soft start, or of a fan that gains speed and draws less.
            let drifts = |t: f64| 6.0 - 0.12 * (-t / 0.8).exp();
            bench.run(1.0, &[(Channel::OutputV, &drifts, 0.004), (Channel::SupplyV, supply, 0.004)]);
            let t0_s = bench.t_s - 0.5;
            bench.set(at(100.0));
            let volts = |t: f64| (drifts(t + 1.0) + 2.5 * (t - 0.4).max(0.0)).min(12.9);
            bench.run(6.0, &[(Channel::OutputV, &volts, 0.004), (Channel::SupplyV, supply, 0.004)]);
            bench.span(SpanKind::Loss { loss: Loss::Full }, t0_s);
            let mut findings = Findings::default();
            find(&bench.rec, &mut findings);
            let delay = findings.results.remove(&ResultName::LossFullAfterS).expect("measured");
            (delay.as_number().expect("a number") - 0.4, delay.u.expect("its uncertainty"))
        });
        let delays: Vec<(f64, f64)> = delays.collect();
        let bias_s = delays.iter().map(|(error_s, _)| error_s).sum::<f64>() / 20.0;
        let covered = delays.iter().filter(|(error_s, u_s)| error_s.abs() < 1.96 * u_s).count();
        assert!(bias_s.abs() < 2e-3 && covered >= 18, "{bias_s} {covered} {delays:?}");
    }

    #[test]
    fn a_jump_lies_in_the_sample_that_holds_some_of_it() {
        let (mut covered, mut widest_s) = (0, 0.0_f64);
        for step in 0..40 {
            // In a sample that is a mean; after it the fan's current holds the output down for most of a millisecond.
            let jump_s = 0.25 + 2.5e-5 * f64::from(step);
            let volts = |t: f64| {
                let gone = ((t - jump_s) / 5e-4 + 0.5).clamp(0.0, 1.0);
                let held = ((t - jump_s - 7e-4) / 5e-4 + 0.5).clamp(0.0, 1.0);
                6.0 + gone * (-0.7 - 6.0) + held * (5.0 + 0.7)
            };
            let found = lose_sampled(2000.0, 0.0, Loss::Zero, &volts);
            let delay = found.results.get(&ResultName::LossZeroAfterS).expect("measured");
            let [Some(low), Some(high)] = delay.interval.expect("a number has one") else { panic!("{delay:?}") };
            widest_s = widest_s.max(high - low);
            covered += u32::from((low..=high).contains(&jump_s));
        }
        // On a bench of instants: two even parts of half a millisecond.
        assert!(covered >= 36 && widest_s < 1.1e-3, "{covered} of 40 in {widest_s} s");
    }

    #[test]
    fn what_was_not_tried_is_absent() {
        let found = lose(Loss::Zero, &|_| 0.0);
        assert!(found.absent[&ResultName::LossOpen].contains("not opened"));
        assert!(found.absent[&ResultName::LossFull].contains("not tried"));
    }

    #[test]
    fn an_open_line_at_rest_stands_in_for_one_opened_while_running() {
        let mut bench = Bench::new(12);
        bench.set(Setting { line: Line::Open, ..at(0.0) });
        bench.run(3.0, &[(Channel::OutputV, &|t| (6.0 * t).min(12.8), 0.02), (Channel::SupplyV, &|_| 13.0, 0.01)]);
        bench.span(SpanKind::OpenLine, 0.0);
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        assert_eq!(findings.word(ResultName::LossOpen), Some("full"));
    }
}
