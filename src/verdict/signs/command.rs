//! Signs of the command input: dead, leaky, band shifted, water in the connector.

use super::{between, fault, sign};
use crate::bench::{Channel, Line};
use crate::record::event::SpanKind;
use crate::record::recording::Recording;
use crate::results::{Findings, Outcome, ResultName, Sign};
use crate::verdict::limits::outcome;
use crate::verdict::proof::nothing_answered;
use crate::verdict::rule;

/// Pull-ups of such modules lie between 1 and 10 kOhm; a tenth less is still tolerance.
const LEAST_PULL_UP_OHM: f64 = 900.0;

/// Signs found.
pub(super) fn find(findings: &Findings, rec: &Recording) -> Vec<Sign> {
    let leaky = leaky(findings, rec);
    let water = water(findings, leaky.is_some());
    [dead(findings, rec), leaky, band(findings, rec), water].into_iter().flatten().collect()
}

/// Nothing answers and no pull-up is there: the input may be dead, or wants driven levels that the bench did not give.
fn dead(findings: &Findings, rec: &Recording) -> Option<Sign> {
    let read = findings.word(ResultName::LineKind).is_some();
    let pulled = matches!(findings.word(ResultName::LineKind), Some("open_collector" | "lin_like" | "can_like"));
    (read && !pulled && nothing_answered(rec, findings)).then(|| {
        sign(
            fault::INPUT_DEAD,
            0.6,
            "no pull-up on the command line and no answer to any command; a kind that wants driven levels would look the same",
        )
    })
}

/// A leak to ground pulls the open line down: it then stands neither at the supply nor at 5 V, the two in use.
///
/// A diode in the pull-up takes 0.7 V, a regulator is good for a tenth. Pull-ups to other voltages are rare but healthy, so
/// the voltage alone never makes more than a suspicion.
fn leaky(findings: &Findings, rec: &Recording) -> Option<Sign> {
    if findings.word(ResultName::LineKind).is_some_and(|kind| kind != "open_collector") {
        return None;
    }
    let pull_up = findings.results.get(&ResultName::PullUpOhm)?;
    let (ohm, high_ohm) = (pull_up.as_number()?, pull_up.interval?[1]?);
    let open_v = findings.number(ResultName::PullUpV)?;
    let supply_v = supply_at_line_read(rec);
    let expected_v = if open_v > 5.8 { supply_v - 0.7 } else { 5.0 };
    let by_volts = if open_v < 0.92 * expected_v { between(open_v / expected_v, (0.92, 0.3), (0.7, 0.7)) } else { 0.0 };
    let by_ohms = if high_ohm < LEAST_PULL_UP_OHM {
        between(high_ohm, (LEAST_PULL_UP_OHM, 0.3), (0.4 * LEAST_PULL_UP_OHM, 0.7))
    } else {
        0.0
    };
    // Two independent hints together are more than either.
    let strength = 1.0 - (1.0 - by_volts) * (1.0 - by_ohms);
    (strength > 0.0)
        .then(|| sign(fault::INPUT_LEAKY, strength, format!("command line shows {ohm:.0} Ohm, {open_v:.1} V open")))
}

/// Supply voltage while the open line was read, else the rig's.
fn supply_at_line_read(rec: &Recording) -> f64 {
    let open = rec.spans_where(|kind| matches!(kind, SpanKind::LineRead { line: Line::Open })).last();
    open.and_then(|span| rec.mean(Channel::SupplyV, span.t0_s, span.t1_s)).or(rec.header.bench.supply_v).unwrap_or(13.0)
}

/// What is the band of a kind can only be known from the plan: a shifted band is one that breaks the plan's limit.
fn band(findings: &Findings, rec: &Recording) -> Option<Sign> {
    let risk = rule::accepted(&rec.header.plan_facts);
    let broken: Vec<String> = [ResultName::CommandHzLow, ResultName::CommandHzHigh, ResultName::CommandHz]
        .into_iter()
        .filter_map(|name| {
            let limit = rec.header.plan_facts.limits.get(&name)?;
            let measured = findings.results.get(&name)?;
            (outcome(limit, Some(measured), risk) == Outcome::Fails)
                .then(|| format!("{} {:.0} Hz", name.words(), measured.as_number().unwrap_or_default()))
        })
        .collect();
    (!broken.is_empty())
        .then(|| sign(fault::BAND_SHIFTED, if broken.len() > 1 { 0.9 } else { 0.75 }, broken.join(", ")))
}

/// Water between the pins leaks from the supply to everything: current asleep and a leaky line together.
fn water(findings: &Findings, leaky: bool) -> Option<Sign> {
    let asleep_a = findings.results.get(&ResultName::SleepA)?.interval?[0]?;
    (leaky && asleep_a > 1e-3).then(|| {
        sign(
            fault::WATER_IN_CONNECTOR,
            0.7,
            format!("{:.1} mA asleep together with a leak on the command line", 1e3 * asleep_a),
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::event::LimitFacts;
    use crate::results::{Contribution, Measured};
    use crate::verdict::signs::SUSPICION;

    fn put(findings: &mut Findings, name: ResultName, value: f64, u: f64) {
        findings.put(name, Measured::number(name, value, 2.0, vec![Contribution::common("gain", u)], "test", 3));
    }

    fn line(ohm: f64, volts: f64, kind: &str) -> Findings {
        let mut findings = Findings::default();
        put(&mut findings, ResultName::PullUpOhm, ohm, 0.01 * ohm);
        put(&mut findings, ResultName::PullUpV, volts, 0.05);
        findings.put(ResultName::LineKind, Measured::word(ResultName::LineKind, kind, "two loads", 2));
        findings
    }

    #[test]
    fn sound_pull_ups_of_every_kind_show_nothing() {
        let rec = Recording::default();
        for (ohm, volts, kind) in [
            (1000.0, 12.7, "open_collector"),
            (10_000.0, 5.0, "open_collector"),
            (4700.0, 4.8, "open_collector"),
            (3300.0, 11.6, "open_collector"),
            (30_000.0, 12.0, "lin_like"),
            (60.0, 2.5, "can_like"),
        ] {
            assert_eq!(find(&line(ohm, volts, kind), &rec), Vec::new(), "{ohm} {volts} {kind}");
        }
    }

    #[test]
    fn a_low_resistance_at_an_odd_voltage_is_a_leak() {
        let found = find(&line(500.0, 7.0, "open_collector"), &Recording::default());
        assert_eq!(found[0].fault, fault::INPUT_LEAKY);
        assert!(found[0].strength >= SUSPICION);
    }

    #[test]
    fn a_leak_with_milliamperes_asleep_is_water() {
        let mut findings = line(500.0, 7.0, "open_collector");
        put(&mut findings, ResultName::SleepA, 4e-3, 1e-5);
        assert!(find(&findings, &Recording::default()).iter().any(|s| s.fault == fault::WATER_IN_CONNECTOR));
    }

    #[test]
    fn a_band_edge_beyond_the_plans_limit_is_a_shifted_band() {
        let mut rec = Recording::default();
        let limit = LimitFacts { max: Some(80.0), ..LimitFacts::default() };
        rec.header.plan_facts.limits.insert(ResultName::CommandHzLow, limit);
        let mut findings = Findings::default();
        put(&mut findings, ResultName::CommandHzLow, 60.0, 1.0);
        assert_eq!(band(&findings, &rec), None);
        put(&mut findings, ResultName::CommandHzLow, 120.0, 1.0);
        assert_eq!(band(&findings, &rec).unwrap().fault, fault::BAND_SHIFTED);
    }
}
