//! A unit that answers nothing: open switch, dead or leaky input, or a capacitor so dry that it resets.
//!
//! What tells a deaf module from a dumb one is its own supply current: one that sees the pulses stays awake for them and draws
//! its milliamperes; one that does not falls asleep while it is commanded. A line pulled down or a missing capacitor
//! explains the silence by itself.

use super::weigh::{posteriors, prior};
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
const NODS_OFF: f64 = 0.04;
const STAYS_UP: f64 = 0.25;
/// Share of inputs without a pull-up among sound kinds, and among dead inputs (that lose it half of the time).
const NO_PULL_UP: f64 = 0.25;
const NO_PULL_UP_DEAD: f64 = 0.6;
/// How likely a unit is silent for another reason: a wire, another kind of command. Against one fault's prior.
const OTHER_REASONS: f64 = 0.3;

/// Signs of a silent unit; `known` are those found so far, which may explain the silence.
pub(super) fn find(findings: &Findings, rec: &Recording, known: &[Sign]) -> Vec<Sign> {
    if !nothing_answered(rec, findings) {
        return Vec::new();
    }
    let p = prior(rec);
    let kind = findings.word(ResultName::LineKind);
    let other_kind = matches!(kind, Some("lin_like" | "can_like"));
    // Read asleep a line may look like another: ten times the pull-up of a PWM input is that of a LIN one.
    let guessed = findings.results.get(&ResultName::LineKind).is_some_and(Measured::is_proxy);
    let pulled = kind == Some("open_collector");
    let asleep = asleep_while_asked(rec);
    let (deaf, dumb) = match asleep {
        Some(true) => (1.0 - STAYS_UP, NODS_OFF),
        Some(false) => (STAYS_UP, 1.0 - NODS_OFF),
        None => (1.0, 1.0),
    };
    let (line_open, line_dead) = match (kind, pulled) {
        (Some(_), true) => (1.0 - NO_PULL_UP, 1.0 - NO_PULL_UP_DEAD),
        (Some(_), false) => (NO_PULL_UP, NO_PULL_UP_DEAD),
        (None, _) => (1.0, 1.0),
    };
    let proof = silence_is_the_units(rec, findings);
    // Where every link is proven nothing outside the unit is left to blame.
    let outside = match (&proof, other_kind) {
        (Ok(()), _) => 0.02,
        (_, true) if guessed => 1.0,
        (_, true) => 20.0,
        (Err(_), false) => OTHER_REASONS * dumb.max(deaf),
    };
    // What already explains the silence leaves that much less for the rest.
    let explained = known
        .iter()
        .filter(|s| [fault::INPUT_LEAKY, fault::WATER_IN_CONNECTOR, fault::DRIED_CAPACITOR].contains(&s.fault.as_str()))
        .map(|s| s.strength)
        .sum::<f64>()
        .min(1.0);
    let odds = [dumb * line_open, deaf * line_dead];
    let total = odds[0] + odds[1] + outside;
    let strengths = posteriors(&[(p, odds[0]), (p, odds[1])], p * outside / (1.0 - 2.0 * p));
    debug_assert!(total > 0.0);
    let seen = match asleep {
        Some(true) => "it fell asleep while it was commanded: it does not see the pulses",
        Some(false) => "it stayed awake while it was commanded: it sees the pulses",
        None => "whether it sees the pulses could not be told from its own current",
    };
    let chain = match &proof {
        Ok(()) => "power, wiring and the bench itself were proven good".to_owned(),
        Err(why) => format!("but {why}"),
    };
    let input = if pulled { "pull-up there" } else { "no pull-up on the command line" };
    [
        (fault::SWITCH_OPEN, strengths[0], format!("no output at any command tried; {seen}; {chain}")),
        (fault::INPUT_DEAD, strengths[1], format!("no answer to any command, {input}; {seen}")),
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
