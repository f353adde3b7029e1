//! What the search for the command showed: which level counts, which frequencies were answered.
//!
//! The same pulse train read upside down is 100 % minus the duty. So the active level is the one whose growing share
//! of the period makes the output rise; it takes probes at two different shares.

use crate::analysis::level;
use crate::analysis::response::Response;
use crate::bench::ActiveLevel;
use crate::record::event::{Event, SpanKind};
use crate::record::recording::Recording;
use crate::results::{Findings, Measured, ResultName};
use crate::units::significant;

/// Share of full above which a probe was answered.
const ANSWERED: f64 = 0.02;
/// Difference between two answers, as a share of the larger, that tells a rise from a fall.
const DIFFERS: f64 = 0.1;

/// One probe.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Probe {
    hz: f64,
    /// Share of the period that the line was low.
    low: f64,
    /// Settled answer as a share of full.
    answer: f64,
}

/// Finds `active_level`, and adds to `command_hz` what was tried.
pub(crate) fn find(rec: &Recording, findings: &mut Findings) {
    let (active, command) = (ResultName::ActiveLevel, ResultName::CommandHz);
    let probes = probes(rec);
    if probes.is_empty() {
        return match learned_level(rec) {
            Some(word) => findings.put(active, Measured::word(active, &word, "learned", 1)),
            None if rec.settings.is_empty() => findings.miss(active, "no command recorded"),
            None => findings.miss(active, "not looked for: taken as commanded"),
        };
    }
    let tried = listed(&probes);
    if !probes.iter().any(|p| p.answer > ANSWERED) {
        let reason = format!("nothing answered at {tried}: not a PWM module, or dead");
        findings.results.remove(&command);
        findings.miss(command, reason.clone());
        return findings.miss(active, reason);
    }
    if let Some(result) = findings.results.get_mut(&command) {
        "discovered".clone_into(&mut result.method);
        result.note = Some(format!("tried {tried}"));
    }
    match rising_level(&probes) {
        Some((level, pairs)) => {
            findings.put(active, Measured::word(active, level.name(), "probes at two duties", pairs));
        }
        None => match learned_level(rec) {
            Some(word) => findings.put(active, Measured::word(active, &word, "learned", 1)),
            None => findings.miss(active, "the answer was the same at every duty probed"),
        },
    }
}

fn probes(rec: &Recording) -> Vec<Probe> {
    let full = Response::of(rec);
    rec.spans_where(|kind| *kind == SpanKind::Probe)
        .filter_map(|span| {
            let setting = rec.setting_at(0.5 * (span.t0_s + span.t1_s))?;
            let duty = level::commanded_pct(&setting) / 100.0;
            let low = if setting.active == ActiveLevel::Low { duty } else { 1.0 - duty };
            let answer = full.as_ref().map_or(Some(0.0), |full| {
                let off = full.is_off(rec, span.t0_s, span.t1_s);
                full.share(rec, span.t0_s, span.t1_s).map(|r| if off { 0.0 } else { r.value })
            })?;
            Some(Probe { hz: setting.frequency.get(), low, answer })
        })
        .collect()
}

/// The level whose share makes the output rise, and how many pairs of probes said so; `None` when they do not agree.
fn rising_level(probes: &[Probe]) -> Option<(ActiveLevel, u64)> {
    let (mut low, mut high) = (0, 0);
    for (i, a) in probes.iter().enumerate() {
        for b in &probes[i + 1..] {
            let differ = (a.answer - b.answer).abs() > DIFFERS * a.answer.max(b.answer).max(ANSWERED);
            if (a.hz / b.hz - 1.0).abs() > 0.01 || (a.low - b.low).abs() < 0.05 || !differ {
                continue;
            }
            if (a.low > b.low) == (a.answer > b.answer) { low += 1 } else { high += 1 }
        }
    }
    match (low, high) {
        (n, m) if n > 2 * m => Some((ActiveLevel::Low, n)),
        (n, m) if m > 2 * n => Some((ActiveLevel::High, m)),
        _ => None,
    }
}

fn learned_level(rec: &Recording) -> Option<String> {
    rec.events.iter().rev().find_map(|numbered| match &numbered.event {
        Event::Learned { what, value } if what == "active_level" => Some(value.clone()),
        _ => None,
    })
}

/// Frequencies tried, in order, each once.
fn listed(probes: &[Probe]) -> String {
    let mut seen: Vec<f64> = Vec::new();
    for probe in probes {
        if !seen.iter().any(|hz| (hz / probe.hz - 1.0).abs() < 0.01) {
            seen.push(probe.hz);
        }
    }
    let words: Vec<String> = seen.iter().map(|hz| significant(*hz, 4)).collect();
    format!("{} Hz", words.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::synthetic::{Bench, at};
    use crate::bench::{Channel, Setting};
    use crate::units::Hertz;

    /// Probes a module that counts `truly` and follows above 60 Hz.
    fn probe(truly: ActiveLevel, declared: ActiveLevel, alive: bool) -> Findings {
        let mut bench = Bench::new(31);
        for (hz, duty) in [(20.0, 50.0), (140.0, 50.0), (140.0, 35.0), (140.0, 65.0), (140.0, 20.0), (140.0, 80.0)] {
            let t0_s = bench.t_s;
            bench.set(Setting { active: declared, frequency: Hertz(hz), ..at(duty) });
            let seen = if truly == declared { duty } else { 100.0 - duty };
            let volts = if hz > 60.0 && alive { 0.13 * seen } else { 0.0 };
            bench.run(2.0, &[(Channel::OutputV, &|_| volts, 0.01), (Channel::SupplyV, &|_| 13.0, 0.01)]);
            bench.span(SpanKind::Probe, t0_s);
        }
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        findings
    }

    #[test]
    fn the_active_level_is_told_whichever_was_declared() {
        for truly in [ActiveLevel::Low, ActiveLevel::High] {
            for declared in [ActiveLevel::Low, ActiveLevel::High] {
                assert_eq!(probe(truly, declared, true).word(ResultName::ActiveLevel), Some(truly.name()));
            }
        }
    }

    #[test]
    fn a_unit_that_answers_nothing_is_said_to_be_dead_or_no_pwm_module() {
        let found = probe(ActiveLevel::Low, ActiveLevel::Low, false);
        for name in [ResultName::ActiveLevel, ResultName::CommandHz] {
            assert!(found.absent[&name].contains("nothing answered at 20, 140 Hz: not a PWM module, or dead"));
        }
    }
}
