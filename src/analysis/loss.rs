//! What the unit does when the command is lost: at exactly 100 %, at exactly 0 %, with the line open.

use crate::analysis::response::Response;
use crate::analysis::signal::{stats, steps};
use crate::analysis::{command, estimate};
use crate::bench::Channel;
use crate::record::event::{Loss, SpanKind};
use crate::record::recording::{Recording, Span};
use crate::results::{Contribution, Findings, Measured, ResultName};
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
        Some((t_s, doubt_s)) => {
            let mut budget = vec![
                Contribution::random("time resolution", doubt_s),
                Contribution::from(estimate::on_the_grid(rec)),
                Contribution::common("clock", (t_s - lost_s).abs() * rec.header.bench.clock_u),
            ];
            budget.extend(estimate::apart(rec, &Channel::ALL, true).map(Contribution::from));
            let delay = Measured::number(after, (t_s - lost_s).max(0.0), 1.96, budget, "first change", 1);
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

/// When the level first left, and kept away from, what it was before the loss; with the doubt of that.
fn moved_at(rec: &Recording, response: &Response, span: &Span, lost_s: f64) -> Option<(f64, f64)> {
    let track = response.track(rec, span.t0_s, span.t1_s);
    let split = track.partition_point(|(t_s, _)| *t_s < lost_s);
    let before: Vec<f64> = track[..split].iter().map(|(_, v)| *v).collect();
    let (level, noise) = (stats::median(&before)?, stats::robust_sigma(&before)?);
    let reach = MOVED.max(6.0 * noise);
    let later = &track[split..];
    // Two neighbours out of reach, so that one wild bin does not count.
    let first = later.windows(2).position(|w| w.iter().all(|(_, v)| (v - level).abs() > reach))?;
    let spacing_s = later.get(first + 1).map_or(0.02, |next| next.0 - later[first].0);
    let crossed_s = later[first].0 - 0.5 * spacing_s;
    if let Some(found) = onset(rec, response, (span.t0_s, lost_s, crossed_s), reach) {
        return Some(found);
    }
    let began_s = dated_back(later, first, level, reach).map_or(crossed_s, |t_s| t_s.clamp(lost_s, crossed_s));
    Some((began_s, (spacing_s / 12.0_f64.sqrt()).hypot(0.2 * (crossed_s - began_s))))
}

/// When what had left its level by `crossed_s` began to leave it, with the uncertainty: a ramp begins before it is out of
/// reach, and an exponential one bends on its way.
fn onset(
    rec: &Recording,
    response: &Response,
    (from_s, lost_s, crossed_s): (f64, f64, f64),
    reach: f64,
) -> Option<(f64, f64)> {
    let cells = response.cells(rec, from_s, crossed_s + ONSET_AFTER_S, ONSET_CELL_S)?;
    let (t, v): (Vec<f64>, Vec<f64>) = cells.into_iter().unzip();
    let level = stats::median(&v[..t.partition_point(|t_s| *t_s < lost_s)])?;
    let after = stats::median(&v[t.partition_point(|t_s| *t_s < crossed_s)..])?;
    let way = (after - level).signum();
    let leaves: Vec<f64> = v.iter().map(|v| way * (v - level)).collect();
    let upto = ONSET_UPTO.min(0.9 * (after - level).abs()).max(reach);
    let at = steps::onset(&t, &leaves, 0.0, upto)?.at;
    // Nothing is an answer before its question. The spacing of the cells is in what the onset states of a jump.
    Some((at.t_s.max(lost_s), at.u_s))
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
        let mut bench = Bench::new(11);
        let supply: &dyn Fn(f64) -> f64 = &|_| 13.0;
        bench.set(at(90.0));
        bench.run(2.0, &[(Channel::OutputV, &|_| 12.9, 0.02), (Channel::SupplyV, supply, 0.01)]);
        bench.span(SpanKind::Point { direction: Direction::Up }, 0.0);
        bench.set(at(50.0));
        bench.run(1.0, &[(Channel::OutputV, &|_| 6.0, 0.02), (Channel::SupplyV, supply, 0.01)]);
        let t0_s = bench.t_s - 0.5;
        bench.set(match loss {
            Loss::Full => at(100.0),
            Loss::Zero => at(0.0),
            _ => Setting { line: Line::Open, ..at(50.0) },
        });
        bench.run(6.0, &[(Channel::OutputV, volts, 0.02), (Channel::SupplyV, supply, 0.01)]);
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
