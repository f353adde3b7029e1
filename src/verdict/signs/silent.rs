//! A unit that answers nothing: open switch, dead or leaky input, or a capacitor so dry that it resets.
//!
//! What tells a deaf module from a dumb one is its own supply current: one that sees the pulses stays awake for them and draws
//! its milliamperes; one that does not falls asleep while it is commanded. A line pulled down or a missing capacitor
//! explains the silence by itself. So does a module that is no PWM one: some take their command from a bus. Whether the wires
//! to the unit are whole is not weighed here: a silence that may be theirs scraps nothing (`proof.rs`).

use super::weigh::prior;
use super::{fault, sign, with};
use crate::bench::{Channel, Line};
use crate::record::event::SpanKind;
use crate::record::recording::Recording;
use crate::results::{Findings, Measured, ResultName, Sign};
use crate::verdict::proof::{nothing_answered, silence_is_the_units};
use crate::verdict::steadfast::{RUNNING_A, level};

/// Current below which a module sleeps, and share of the highest quiet current that it falls under then.
const ASLEEP_A: f64 = 2e-3;
const ASLEEP_SHARE: f64 = 0.35;
/// How often a module that sees pulses falls asleep all the same, and one that does not stays awake.
const NODS_OFF: f64 = 0.02;
const STAYS_UP: f64 = 0.01;
/// Share of modules that take their command from a bus and answer no pulses: sound, and silent here.
const ON_A_BUS: f64 = 0.02;
/// How likely a unit is silent for a reason that nobody here has seen, against the prior of one fault.
const UNSEEN: f64 = 0.02;

/// One explanation of a silence each.
#[derive(Clone, Copy, Debug)]
struct Weights {
    switch_open: f64,
    input_dead: f64,
    on_a_bus: f64,
}

/// How likely the command line looks like this, read as `guessed` from a sleeping module or not.
///
/// A quarter of sound inputs have no pull-up. A dead input has lost its pull-up half of the time, and sleeps: what pull-up it
/// has is ten times as high then in one of three kinds, which looks like that of a LIN node. Of the modules on a bus half
/// are on a LIN one and half on a CAN pair; in a third of readings they sleep, and a sleeping CAN transceiver holds no voltage.
fn by_line(kind: Option<&str>, guessed: bool) -> Weights {
    const STRAY: f64 = 2e-3;
    let (switch_open, input_dead, on_a_bus) = match kind {
        Some("open_collector") => (0.75, 0.25, STRAY),
        Some("push_pull") => (0.25, 0.6, 0.16),
        Some("lin_like") if guessed => (STRAY, 0.12, 0.16),
        Some("lin_like" | "can_like") => (STRAY, STRAY, 0.34),
        Some(_) => (STRAY, 0.03, STRAY),
        None => (1.0, 1.0, 1.0),
    };
    Weights { switch_open, input_dead, on_a_bus }
}

/// How likely it slept through its commands or stayed awake for them. No pulse wakes a module on a bus.
fn by_sleep(asleep: Option<bool>) -> Weights {
    match asleep {
        Some(true) => Weights { switch_open: NODS_OFF, input_dead: 1.0 - STAYS_UP, on_a_bus: 1.0 - STAYS_UP },
        Some(false) => Weights { switch_open: 1.0 - NODS_OFF, input_dead: STAYS_UP, on_a_bus: STAYS_UP },
        None => Weights { switch_open: 1.0, input_dead: 1.0, on_a_bus: 1.0 },
    }
}

/// Signs of a silent unit; `known` are those found so far, which may explain the silence.
pub(super) fn find(findings: &Findings, rec: &Recording, known: &[Sign]) -> Vec<Sign> {
    if !nothing_answered(rec, findings) {
        return Vec::new();
    }
    let p = prior(rec);
    // Read asleep a line may look like another: ten times the pull-up of a PWM input is that of a LIN one.
    let guessed = findings.results.get(&ResultName::LineKind).is_some_and(Measured::is_proxy);
    let kind = findings.word(ResultName::LineKind);
    let asleep = asleep_while_asked(rec);
    let (line, sleep) = (by_line(kind, guessed), by_sleep(asleep));
    let weights = [
        p * line.switch_open * sleep.switch_open,
        p * line.input_dead * sleep.input_dead,
        ON_A_BUS * line.on_a_bus * sleep.on_a_bus,
    ];
    let total = weights.iter().sum::<f64>() + UNSEEN * p;
    // What already explains the silence leaves that much less for the rest. A leak and water share one probability between
    // them, so their strengths add up: this is no product as in `explain.rs`, where causes do not exclude each other.
    let explained = known
        .iter()
        .filter(|s| [fault::INPUT_LEAKY, fault::WATER_IN_CONNECTOR, fault::DRIED_CAPACITOR].contains(&s.fault.as_str()))
        .map(|s| s.strength)
        .sum::<f64>()
        .min(1.0);
    let seen = match asleep {
        Some(true) => "it fell asleep while it was commanded: it does not see the pulses",
        Some(false) => "it stayed awake while it was commanded: it sees the pulses",
        None => "whether it sees the pulses could not be told from its own current",
    };
    let chain = match silence_is_the_units(rec, findings) {
        Ok(()) => "power, wiring and the bench itself were proven good".to_owned(),
        Err(why) => format!("but {why}"),
    };
    let input = if kind == Some("open_collector") { "pull-up there" } else { "no pull-up on the command line" };
    [
        (fault::SWITCH_OPEN, weights[0] / total, format!("no output at any command tried; {seen}; {chain}")),
        (fault::INPUT_DEAD, weights[1] / total, format!("no answer to any command, {input}; {seen}")),
    ]
    .into_iter()
    .map(|(name, strength, because)| with(sign(name, strength * (1.0 - explained), because), p))
    .filter(|found| found.strength >= super::SHOWN)
    .collect()
}

/// Whether it slept at the end of the tries; `None` without a low range or when it was never seen awake.
fn asleep_while_asked(rec: &Recording) -> Option<bool> {
    rec.header.bench.channels.get(&Channel::SupplyA)?.low?;
    let quiet = |from_s: f64, to_s: f64| level(rec, Channel::SupplyA, from_s, to_s).filter(|a| *a < RUNNING_A);
    let tries = rec
        .spans_where(|kind| matches!(kind, SpanKind::Probe))
        .filter(|span| span.t1_s - span.t0_s >= 2.0)
        .filter(|span| rec.setting_at(span.t1_s - 0.01).is_some_and(|setting| setting.line == Line::Pwm))
        .filter_map(|span| quiet(span.t1_s - 0.3, span.t1_s));
    let ends: Vec<f64> = tries.collect();
    let awake_a = rec
        .spans_where(|kind| matches!(kind, SpanKind::OpenLine | SpanKind::LineRead { .. } | SpanKind::Probe))
        .filter_map(|span| quiet(span.t0_s + 0.2, (span.t0_s + 1.0).min(span.t1_s)))
        .reduce(f64::max)?;
    if ends.is_empty() || awake_a < ASLEEP_A {
        return None;
    }
    let asleep = ends.iter().filter(|a| **a < ASLEEP_SHARE * awake_a).count();
    Some(2 * asleep > ends.len())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::event::{ChannelFacts, LowRange};
    use crate::verdict::made_up::{Made, pulses};

    /// Six tries in which nothing answers; awake for this long in each, then asleep.
    fn silent(awake_s: f64) -> Recording {
        let low = LowRange { range: 0.5, noise: 50e-6, offset_u: 20e-6, gain_u: 0.005 };
        let facts = ChannelFacts { range: 125.0, low: Some(low), ..ChannelFacts::default() };
        let mut made = Made::new()
            .with(|rec| {
                rec.header.bench.channels.insert(Channel::SupplyA, facts);
            })
            .zero(1.0)
            .line(Line::Open, 1.0, 14e-3, 12.9);
        for _ in 0..6 {
            made = made.held(SpanKind::Probe, pulses(50.0), 8.0, move |channel, t| match channel {
                Channel::SupplyA => Some(if t < awake_s { 14e-3 } else { 180e-6 }),
                Channel::SupplyV => Some(13.0),
                Channel::OutputV => Some(0.0),
                _ => None,
            });
        }
        made.done()
    }

    fn findings(kind: &str) -> Findings {
        let mut findings = Findings::default();
        findings.put(ResultName::LineKind, Measured::word(ResultName::LineKind, kind, "two loads", 2));
        findings
    }

    fn strongest(findings: &Findings, rec: &Recording, known: &[Sign]) -> Option<Sign> {
        find(findings, rec, known).into_iter().max_by(|a, b| a.strength.total_cmp(&b.strength))
    }

    #[test]
    fn awake_for_its_pulses_it_is_the_switch_and_asleep_through_them_the_input() {
        for kind in ["open_collector", "push_pull"] {
            let awake = strongest(&findings(kind), &silent(9.0), &[]).unwrap();
            assert_eq!(awake.fault, fault::SWITCH_OPEN, "{kind}: {}", awake.because);
            let asleep = strongest(&findings(kind), &silent(1.0), &[]).unwrap();
            assert_eq!(asleep.fault, fault::INPUT_DEAD, "{kind}: {}", asleep.because);
        }
    }

    #[test]
    fn a_line_that_looks_like_another_kind_while_asleep_hides_a_dead_input_less_than_one_read_awake() {
        let strength = |proxied: bool| {
            let mut findings = Findings::default();
            let word = Measured::word(ResultName::LineKind, "lin_like", "two loads", 2);
            findings.put(ResultName::LineKind, if proxied { word.proxy("asleep") } else { word });
            strongest(&findings, &silent(1.0), &[]).map_or(0.0, |sign| sign.strength)
        };
        assert!(strength(false) < 0.1 && strength(true) > 0.3, "{} {}", strength(false), strength(true));
    }

    #[test]
    fn a_module_on_a_bus_is_not_called_dead() {
        for kind in ["lin_like", "can_like"] {
            for awake_s in [1.0, 9.0] {
                assert_eq!(find(&findings(kind), &silent(awake_s), &[]), Vec::new(), "{kind} {awake_s}");
            }
        }
        // Asleep a CAN transceiver holds no voltage: like a dead input that lost its pull-up.
        let asleep = strongest(&findings("push_pull"), &silent(1.0), &[]).unwrap();
        assert!((0.6..0.95).contains(&asleep.strength), "{asleep:?}");
    }

    #[test]
    fn a_cause_already_known_explains_the_silence() {
        let leaky = sign(fault::INPUT_LEAKY, 0.97, "");
        let rest = strongest(&findings("open_collector"), &silent(1.0), &[leaky]);
        assert!(rest.is_none_or(|s| s.strength < 0.1));
    }

    #[test]
    fn a_unit_that_answers_is_not_silent() {
        let rec = Made::new().zero(1.0).pulses(50.0, 5.0, 8.0).done();
        assert_eq!(find(&findings("open_collector"), &rec, &[]), Vec::new());
    }
}
