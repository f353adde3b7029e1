//! What the module does when the supply comes with a command already there.

use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};
use crate::results::{Findings, Measured, ResultName};

use super::command;
use super::estimate::{Estimate, shortfall, spans};
use super::peak;
use super::ramp::{Trace, Unreadable};
use super::speed::{self, Motion};
use super::zero;

/// Charging of the input capacitor is over this long after the supply came.
pub(super) const CHARGED_S: f64 = 0.02;
/// A rise shorter than this share of the soft start is a hard one.
const HARD_SHARE: f64 = 0.25;
/// A rise shorter than this is hard whatever the soft start takes.
const HARD_S: f64 = 0.06;

/// Fills in the start by supply. Needs the soft start to have been read before.
pub(crate) fn find(rec: &Recording, findings: &mut Findings) {
    let spans = spans(rec, &SpanKind::PowerUp);
    let Some(span) = spans.first() else { return };
    let Some((edge_s, ..)) = command::first_change_under_supply(rec, span) else {
        let reason = format!("the supply did not come on in the recorded stretch{}", shortfall(&spans));
        findings.miss(ResultName::PowerUp, reason.clone());
        findings.miss(ResultName::PowerUpPeakA, reason);
        return;
    };
    let peak = peak::supply_current(rec, edge_s + CHARGED_S, span.t1_s);
    match peak {
        Some(peak) => {
            let name = ResultName::PowerUpPeakA;
            let measured = Estimate::new(peak.value, peak.parts()).measured(name, "5 ms mean", 1);
            findings.put(name, measured.noted(charge_note(rec, edge_s)));
        }
        None => findings.miss(ResultName::PowerUpPeakA, "no supply current was recorded"),
    }
    match kind(rec, span, edge_s, findings) {
        Ok(measured) => findings.put(ResultName::PowerUp, measured),
        Err(reason) => findings.miss(ResultName::PowerUp, format!("{reason}{}", shortfall(&spans))),
    }
}

/// What the capacitor drew, apart from the start.
fn charge_note(rec: &Recording, edge_s: f64) -> String {
    let series = rec.channels.get(&Channel::SupplyA);
    let samples = series.into_iter().flat_map(|series| series.samples(edge_s, edge_s + CHARGED_S));
    let highest = samples.map(|(_, v)| v).fold(0.0, f64::max);
    format!("after the first 20 ms, in which the input capacitor drew up to {highest:.0} A as sampled")
}

fn kind(rec: &Recording, span: &Span, edge_s: f64, findings: &Findings) -> Result<Measured, String> {
    let word = |word| Measured::word(ResultName::PowerUp, word, "output", 1);
    match Trace::of_output(rec, span.t0_s, edge_s, span.t1_s) {
        Ok(trace) => {
            let figures = trace.figures(edge_s).ok_or("the output's rise cannot be read")?;
            let rise_s = figures.t_90.t_s - figures.onset.at.t_s;
            let soft_s = findings.number(ResultName::RampFullS).unwrap_or(0.0);
            let hard = rise_s < HARD_S.max(HARD_SHARE * soft_s);
            let note = format!(
                "output {:.2} s after the supply, 90 % of settled {rise_s:.2} s later",
                figures.onset.at.t_s - edge_s
            );
            Ok(word(if hard { "hard" } else { "soft" }).noted(note))
        }
        Err(Unreadable::NoRise) => Ok(word("nothing").noted(format!("no output within {:.1} s", span.t1_s - edge_s))),
        Err(Unreadable::NoOutput) => match speed::motion(rec, span.t1_s - 1.0, span.t1_s) {
            Motion::Rest => Ok(word("nothing").proxy("the fan stayed at rest; no output voltage was recorded")),
            Motion::Turning | Motion::Unknown => Err(Unreadable::NoOutput.words().to_owned()),
        },
        Err(Unreadable::NotSettled) => Err(unsettled(rec, span, edge_s)),
    }
}

fn unsettled(rec: &Recording, span: &Span, edge_s: f64) -> String {
    let output = zero::mean_of(rec, Channel::OutputV, span.t1_s - 0.2, span.t1_s).map_or(0.0, |m| m.mean);
    format!("the output did not settle within {:.1} s ({output:.1} V at the end)", span.t1_s - edge_s)
}

#[cfg(test)]
mod tests {
    use super::super::synthetic::{self, Bench};
    use super::*;
    use crate::bench::{Setting, Supply};

    fn powered_up(rise: &dyn Fn(f64) -> f64) -> Findings {
        let mut bench = Bench::new(1);
        let zero: &dyn Fn(f64) -> f64 = &|_| 0.0;
        let quiet = [(Channel::SupplyV, zero, 0.003), (Channel::SupplyA, zero, 0.02), (Channel::OutputV, zero, 0.003)];
        bench.set(Setting { supply: Supply::Off, ..synthetic::at(5.0) });
        bench.run(0.2, &quiet);
        // The runner lays the command on the line as the span begins, and closes the relay a moment later.
        let t0_s = bench.t_s;
        bench.set(Setting { supply: Supply::Off, ..synthetic::at(50.0) });
        bench.run(0.3, &quiet);
        bench.set(synthetic::at(50.0));
        let amps = |t: f64| if t < 0.01 { 300.0 } else { 12.0 * rise(t) };
        let volts = |t: f64| 13.0 * rise(t);
        bench.run(
            6.0,
            &[(Channel::SupplyV, &|_| 13.0, 0.003), (Channel::SupplyA, &amps, 0.02), (Channel::OutputV, &volts, 0.003)],
        );
        bench.span(SpanKind::PowerUp, t0_s);
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        findings
    }

    #[test]
    fn soft_hard_and_nothing_are_told_and_the_charge_is_kept_apart() {
        let soft = powered_up(&|t| 0.5 * ((t - 0.2).max(0.0) / 2.0).min(1.0));
        assert_eq!(soft.word(ResultName::PowerUp), Some("soft"), "{soft:?}");
        assert!(soft.number(ResultName::PowerUpPeakA).is_some_and(|a| (a - 6.0).abs() < 0.2), "{soft:?}");
        let note =
            soft.results.get(&ResultName::PowerUp).and_then(|measured| measured.note.clone()).unwrap_or_default();
        assert!(note.starts_with("output 0.2"), "{note}");
        let hard = powered_up(&|t| if t > 0.2 { 0.5 } else { 0.0 });
        assert_eq!(hard.word(ResultName::PowerUp), Some("hard"), "{hard:?}");
        let nothing = powered_up(&|_| 0.0);
        assert_eq!(nothing.word(ResultName::PowerUp), Some("nothing"), "{nothing:?}");
    }
}
