//! Flat out, not chopping: voltage lost in the module, and its on-resistance.

use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};
use crate::results::{Findings, ResultName};

use super::estimate::{self, Estimate, miss_all, pool, shortfall, spans};
use super::swing;
use super::zero::{self, Level};

const BOTH: [ResultName; 2] = [ResultName::DropV, ResultName::OnResistanceOhm];
/// Output under this share of the supply is not flat out.
const FLAT_SHARE: f64 = 0.9;
/// Below this current the drop says nothing, amperes.
const LEAST_A: f64 = 0.5;

/// Fills in drop and on-resistance.
pub(crate) fn find(rec: &Recording, findings: &mut Findings) {
    let spans = spans(rec, &SpanKind::FlatOut);
    if spans.is_empty() {
        return;
    }
    for (channel, what) in [(Channel::SupplyV, "supply voltage"), (Channel::OutputV, "output voltage")] {
        if !rec.channels.contains_key(&channel) {
            miss_all(findings, &BOTH, &format!("no {what} was recorded"));
            return;
        }
    }
    let read: Vec<Result<(Estimate, Option<Estimate>), String>> = spans.iter().map(|span| one(rec, span)).collect();
    let good: Vec<&(Estimate, Option<Estimate>)> = read.iter().filter_map(|r| r.as_ref().ok()).collect();
    let n = good.len() as u64;
    let Some(drop) = pool(&good.iter().map(|(drop, _)| drop.clone()).collect::<Vec<_>>()) else {
        let why = read.into_iter().find_map(Result::err).unwrap_or_default();
        miss_all(findings, &BOTH, &format!("{why}{}", shortfall(&spans)));
        return;
    };
    let ohm = pool(&good.iter().filter_map(|(_, ohm)| ohm.clone()).collect::<Vec<_>>());
    let (from_s, to_s) = window(&spans[0]);
    let current = fan_current(rec, from_s, to_s).map(|(current, _)| current.value);
    let (drop, ohm, tie) = match (ohm, current, swing::on_resistance(rec)) {
        (Some(ohm), Some(current), Some(swing)) => {
            let both = tied(&ohm, &swing);
            (Estimate::new(both.value * current, both.weighted(current)), Some(both), TIED)
        }
        (ohm, _, _) => (drop, ohm, UNTIED),
    };
    let note = format!("{}, {tie}", conditions(rec, &spans[0]));
    findings.put(ResultName::DropV, drop.measured(ResultName::DropV, "supply less output", n).noted(note.clone()));
    match ohm {
        Some(ohm) => {
            let name = ResultName::OnResistanceOhm;
            findings.put(name, ohm.measured(name, "drop over current", n).noted(note));
        }
        None => findings.miss(ResultName::OnResistanceOhm, "no current worth dividing by was recorded"),
    }
}

const UNTIED: &str = "two channels without a tie-point: both gain errors are in the uncertainty";
const TIED: &str = "the two voltages tied by the swing of the current after a start";

/// Mean of the resistance from the difference of two voltages and of that from its change with the current, weighted by
/// their variances: they share no gain of a voltage.
fn tied(level: &Estimate, swing: &Estimate) -> Estimate {
    let (a, b) = (1.0 / level.variance(), 1.0 / swing.variance());
    let (a, b) = (a / (a + b), b / (a + b));
    let mut parts = level.weighted(a);
    parts.extend(swing.weighted(b));
    Estimate::new(a * level.value + b * swing.value, parts)
}

/// Settled part of a flat-out stretch: what remains after half a second, at most the last ten.
fn window(span: &Span) -> (f64, f64) {
    let from_s = (span.t0_s + 0.5).min(0.5 * (span.t0_s + span.t1_s)).max(span.t1_s - 10.0);
    (from_s, span.t1_s)
}

fn fan_current(rec: &Recording, from_s: f64, to_s: f64) -> Option<(Level, &'static str)> {
    zero::level(rec, Channel::FanA, from_s, to_s)
        .map(|level| (level, "fan_a"))
        // Not chopping, the supply carries the fan's current and a few milliamperes.
        .or_else(|| zero::level(rec, Channel::SupplyA, from_s, to_s).map(|level| (level, "supply_a")))
}

fn one(rec: &Recording, span: &Span) -> Result<(Estimate, Option<Estimate>), String> {
    let (from_s, to_s) = window(span);
    let level = |channel| zero::level(rec, channel, from_s, to_s).ok_or("no samples in the flat-out stretch");
    let (supply, output) = (level(Channel::SupplyV)?, level(Channel::OutputV)?);
    if supply.value < 1.0 || output.value < FLAT_SHARE * supply.value {
        let share = 100.0 * output.value / supply.value.max(0.1);
        return Err(format!("the output stays at {share:.0} % of the supply: limited or still chopping, not flat out"));
    }
    let current = fan_current(rec, from_s, to_s);
    let lead_v = rec.header.bench.lead_ohm * current.map_or(0.0, |(current, _)| current.value);
    let drop_v = supply.value - output.value - lead_v;
    // The noise of the difference is smaller than that of both, which sag together; both are kept, as an upper bound.
    let parts = |factor: f64| {
        vec![
            estimate::seen("supply_v noise", supply.u_noise * factor, supply.dof),
            estimate::seen("output_v noise", output.u_noise * factor, output.dof),
            estimate::lasting("supply_v zero", supply.u_zero * factor),
            estimate::lasting("output_v zero", output.u_zero * factor),
            estimate::common("supply_v gain", supply.u_gain * factor),
            estimate::common("output_v gain", output.u_gain * factor),
            estimate::common("lead resistance", 0.05 * lead_v * factor),
        ]
    };
    let ohm = current.filter(|(current, _)| current.value > LEAST_A).map(|(current, name)| {
        let ohm = drop_v / current.value;
        let mut all = parts(1.0 / current.value);
        let relative = ohm.abs() / current.value;
        all.push(estimate::seen(&format!("{name} noise"), current.u_noise * relative, current.dof));
        all.push(estimate::lasting(&format!("{name} zero"), current.u_zero * relative));
        all.push(estimate::common(&format!("{name} gain"), current.u_gain * relative));
        Estimate::new(ohm, all)
    });
    Ok((Estimate::new(drop_v, parts(1.0)), ohm))
}

/// Current and case temperature.
fn conditions(rec: &Recording, span: &Span) -> String {
    let (from_s, to_s) = window(span);
    let mut words = Vec::new();
    if let Some((current, _)) = fan_current(rec, from_s, to_s) {
        words.push(format!("at {:.1} A", current.value));
    }
    match zero::level(rec, Channel::CaseC, from_s, to_s) {
        Some(case) => words.push(format!("case {:.0} °C", case.value)),
        None => words.push("case temperature not recorded".to_owned()),
    }
    words.join(", ")
}

#[cfg(test)]
mod tests {
    use super::super::synthetic::{self, Bench};
    use super::*;
    use crate::record::event::ChannelFacts;

    fn flat_out(share: f64, gains: (f64, f64), seed: u64) -> Findings {
        let mut bench = Bench::new(seed);
        for (channel, gain_u) in [(Channel::SupplyV, 1e-3), (Channel::OutputV, 1e-3), (Channel::SupplyA, 5e-3)] {
            let facts = ChannelFacts { noise: 0.005, offset_u: 0.005, gain_u, ..ChannelFacts::default() };
            bench.rec.header.bench.channels.insert(channel, facts);
        }
        let zero = |offset: f64| move |_: f64| offset;
        let (a, b, c) = (zero(0.004), zero(-0.006), zero(0.0));
        bench.run(1.0, &[(Channel::SupplyV, &a, 0.005), (Channel::OutputV, &b, 0.005), (Channel::SupplyA, &c, 0.005)]);
        bench.span(SpanKind::Zero, 0.0);
        bench.set(synthetic::at(95.0));
        let t0_s = bench.t_s;
        let (supply, output) = (12.7 * gains.0 + 0.004, (12.7 - 0.132) * share * gains.1 - 0.006);
        let (s, o) = (zero(supply), zero(output));
        bench.run(
            4.0,
            &[(Channel::SupplyV, &s, 0.005), (Channel::OutputV, &o, 0.005), (Channel::SupplyA, &|_| 24.0, 0.05)],
        );
        bench.span(SpanKind::FlatOut, t0_s);
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        findings
    }

    #[test]
    fn the_drop_is_less_both_zeros_and_its_interval_allows_for_both_gains() {
        let found = flat_out(1.0, (1.0, 1.0), 1);
        let drop = found.number(ResultName::DropV).expect("measured");
        assert!((drop - 0.132).abs() < 0.003, "{drop}");
        let ohm = found.results.get(&ResultName::OnResistanceOhm).expect("measured");
        assert!((ohm.as_number().expect("a number") - 5.5e-3).abs() < 2e-4, "{ohm:?}");
        let seeds = super::super::signal::stats::tests::noise(9, 200, 1e-3);
        let covered = (0..100_usize)
            .filter(|i| {
                let found = flat_out(1.0, (1.0 + seeds[2 * i], 1.0 + seeds[2 * i + 1]), *i as u64);
                let [low, high] = found.results[&ResultName::DropV].interval.expect("a number");
                low.is_some_and(|low| low < 0.132) && high.is_some_and(|high| high > 0.132)
            })
            .count();
        assert!((88..=99).contains(&covered), "{covered} of 100");
    }

    #[test]
    fn a_limited_output_has_no_drop() {
        let found = flat_out(0.8, (1.0, 1.0), 1);
        assert!(found.absent.get(&ResultName::DropV).is_some_and(|why| why.contains("limited")));
    }
}
