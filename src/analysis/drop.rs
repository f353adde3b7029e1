//! Flat out, not chopping: voltage lost in the module, and its on-resistance.
//!
//! The loss is a hundredth of the two voltages whose difference it is, so that their gains have to be tied to each other:
//! by a stretch in which both read one voltage, and by the swing of the current after a start.

use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};
use crate::results::{Findings, ResultName};

use super::estimate::{self, Estimate, miss_all, pool, shortfall, spans};
use super::signal::stats;
use super::swing;
use super::zero::{self, Level};

const BOTH: [ResultName; 2] = [ResultName::DropV, ResultName::OnResistanceOhm];
/// Output under this share of the supply is not flat out.
const FLAT_SHARE: f64 = 0.9;
/// Cells of a flat-out stretch in which the voltages are compared.
const DIFFERENCES: f64 = 200.0;
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
    let tie = Tie::of(rec);
    let read: Vec<Result<(Estimate, Option<Estimate>), String>> =
        spans.iter().map(|span| one(rec, span, tie.as_ref())).collect();
    let good: Vec<&(Estimate, Option<Estimate>)> = read.iter().filter_map(|r| r.as_ref().ok()).collect();
    let n = good.len() as u64;
    let Some(drop) = pool(&good.iter().map(|(drop, _)| drop.clone()).collect::<Vec<_>>()) else {
        let why = read.into_iter().find_map(Result::err).unwrap_or_default();
        miss_all(findings, &BOTH, &format!("{why}{}", shortfall(&spans)));
        return;
    };
    let ohm = pool(&good.iter().filter_map(|(_, ohm)| ohm.clone()).collect::<Vec<_>>());
    let (from_s, to_s) = window(&spans[0]);
    let current = fan_current(rec, from_s, to_s);
    let case_c = zero::level(rec, Channel::CaseC, from_s, to_s).map(|case| case.value);
    let (drop, ohm, swings) = match (ohm, current, swing::on_resistance(rec, case_c)) {
        (Some(ohm), Some((amps, name)), Some(swing)) if allows(&ohm, &swing) => {
            let by_level = share_of_level(&ohm, &swing);
            (tied_drop(&drop, &swing, by_level, &amps, name), Some(mean_of(&ohm, &swing, by_level)), true)
        }
        (ohm, _, _) => (drop, ohm, false),
    };
    // Level and swing are divided by the same current.
    let ohm = ohm.zip(current).map(|(mut ohm, (amps, name))| {
        ohm.parts.push(estimate::common(&format!("{name} gain"), amps.u_gain / amps.value * ohm.value.abs()));
        ohm
    });
    let note = format!("{}, {}", conditions(rec, &spans[0]), tied_by(tie.as_ref(), swings));
    findings.put(ResultName::DropV, drop.measured(ResultName::DropV, "supply less output", n).noted(note.clone()));
    match ohm {
        Some(ohm) => {
            let name = ResultName::OnResistanceOhm;
            findings.put(name, ohm.measured(name, "drop over current", n).noted(note));
        }
        None => findings.miss(ResultName::OnResistanceOhm, "no current worth dividing by was recorded"),
    }
}

/// What ties the two voltages, in words.
fn tied_by(tie: Option<&Tie>, swings: bool) -> String {
    let swing = "by the swing of the current after a start";
    match (tie, swings) {
        (Some(tie), true) => format!("the two voltages tied at {:.1} V without current, and {swing}", tie.at_v),
        (Some(tie), false) => format!("the two voltages tied at {:.1} V without current", tie.at_v),
        (None, true) => format!("the two voltages tied {swing}"),
        (None, false) => "two channels without a tie-point: both gain errors are in the uncertainty".to_owned(),
    }
}

/// Both voltages while they are one: the switch closed, the supply away, the fan holding it up.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Tie {
    /// By what readings of the output are multiplied to agree with those of the supply.
    ratio: f64,
    /// Noise of the ratio, with its degrees of freedom.
    u: f64,
    dof: f64,
    /// Voltage there.
    at_v: f64,
}

/// What flows when the supply goes is left out; a cell; and how far from one the ratio of a tie may lie.
const TIE_FROM_S: f64 = 0.05;
const TIE_CELL_S: f64 = 0.02;
const TIE_SAME: f64 = 0.01;
/// A ratio that moves by more than its noise and this has lost its tie: the module has opened its switch.
const TIE_DRIFT: f64 = 3e-4;
/// A ratio known no better than this ties nothing: an output that goes on chopping on what is left of the supply.
const TIE_MOST_U: f64 = 2e-3;
/// Fewest cells, and lowest voltage.
const TIE_CELLS: usize = 10;
const TIE_LEAST_V: f64 = 3.0;

impl Tie {
    /// The tie of the last stretch that shows one; `None` where the two voltages were not one.
    fn of(rec: &Recording) -> Option<Self> {
        spans(rec, &SpanKind::Tie).iter().rev().find_map(|span| Self::one(rec, span))
    }

    fn one(rec: &Recording, span: &Span) -> Option<Self> {
        let middle_s = 0.5 * (span.t0_s + span.t1_s);
        let column = |channel| {
            let zero = zero::offset(rec, channel, middle_s).map_or(0.0, |(zero, _)| zero);
            zero::cells(rec, channel, span.t0_s + TIE_FROM_S, span.t1_s, TIE_CELL_S)
                .into_iter()
                .map(move |(_, v)| v - zero)
                .collect::<Vec<f64>>()
        };
        let (supply, output) = (column(Channel::SupplyV), column(Channel::OutputV));
        let pairs: Vec<(f64, f64)> = supply.into_iter().zip(output).collect();
        // The first cells say what the ratio is; where it changes the switch has opened.
        let early: Vec<f64> = pairs.iter().take(TIE_CELLS).map(|(supply, output)| supply / output).collect();
        let first = stats::median(&early)?;
        let reach = (6.0 * stats::robust_sigma(&early)?).max(TIE_DRIFT);
        let same = |(supply, output): &(f64, f64)| *output > TIE_LEAST_V && (supply / output - first).abs() < reach;
        let kept: Vec<(f64, f64)> = pairs.into_iter().take_while(same).collect();
        if kept.len() < TIE_CELLS || (first - 1.0).abs() > TIE_SAME {
            return None;
        }
        let ratios: Vec<f64> = kept.iter().map(|(supply, output)| supply / output).collect();
        let at_v = stats::mean(&kept.iter().map(|(supply, _)| *supply).collect::<Vec<_>>())?;
        let n = ratios.len() as f64;
        let u = stats::deviation(&ratios)? / n.sqrt();
        if u > TIE_MOST_U {
            return None;
        }
        Some(Self { ratio: stats::mean(&ratios)?, u, dof: n - 1.0, at_v })
    }
}

/// So many times what both leave uncertain may the swing say more than the level.
const ABOVE: f64 = 5.0;

/// Whether what the level says allows for the swing: an output that was still on its rise, on a rounded knee, loses less
/// and less voltage while the current falls, and looks like a great resistance. The level has no such trap. A swing that
/// says less cannot come from it: there the gains are further off than stated, and the swing is right.
fn allows(level: &Estimate, swing: &Estimate) -> bool {
    swing.value - level.value < ABOVE * (level.variance() + swing.variance()).sqrt()
}

/// Share of the level in the mean of it and the swing, by their variances: they have no gain of a voltage in common, and
/// that of the current is in neither.
fn share_of_level(level: &Estimate, swing: &Estimate) -> f64 {
    swing.variance() / (level.variance() + swing.variance())
}

/// Mean of two, of which `first` counts by this share.
fn mean_of(first: &Estimate, second: &Estimate, share: f64) -> Estimate {
    let mut parts = first.weighted(share);
    parts.extend(second.weighted(1.0 - share));
    Estimate::new(share * first.value + (1.0 - share) * second.value, parts)
}

/// Mean of the drop that was read and of that which the swing's resistance makes at this current. The gain of the current
/// is in neither: the first holds none, and in the second it stretches the current and shrinks the resistance.
fn tied_drop(read: &Estimate, swing: &Estimate, by_level: f64, amps: &Level, name: &str) -> Estimate {
    let mut parts = swing.weighted(amps.value);
    parts.push(estimate::seen(&format!("{name} noise"), amps.u_noise * swing.value.abs(), amps.dof));
    parts.push(estimate::lasting(&format!("{name} zero"), amps.u_zero * swing.value.abs()));
    mean_of(read, &Estimate::new(swing.value * amps.value, parts), by_level)
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

/// Noise of the mean of the difference of the voltages, with its degrees of freedom: what both go through together, the sag
/// of the supply and the ripple of the current, is none. That of both where their samples do not pair.
fn noise_of_difference(rec: &Recording, window: (f64, f64), ratio: f64, levels: (&Level, &Level)) -> (f64, f64) {
    let width_s = (window.1 - window.0) / DIFFERENCES;
    let cells = |channel| zero::cells(rec, channel, window.0, window.1, width_s);
    let (supply, output) = (cells(Channel::SupplyV), cells(Channel::OutputV));
    let both = (levels.0.u_noise.hypot(levels.1.u_noise), levels.0.dof.min(levels.1.dof));
    if supply.len() != output.len() {
        return both;
    }
    let differences = supply.iter().zip(&output).map(|((_, supply), (_, output))| supply - ratio * output);
    let mean = stats::batched_mean(differences.collect::<Vec<f64>>().into_iter());
    mean.filter(|mean| mean.u.is_finite()).map_or(both, |mean| (mean.u, mean.dof))
}

/// What was found in one stretch: the drop, and the resistance but for the gain of the current.
fn one(rec: &Recording, span: &Span, tie: Option<&Tie>) -> Result<(Estimate, Option<Estimate>), String> {
    let (from_s, to_s) = window(span);
    let level = |channel| zero::level(rec, channel, from_s, to_s).ok_or("no samples in the flat-out stretch");
    let (supply, output) = (level(Channel::SupplyV)?, level(Channel::OutputV)?);
    if supply.value < 1.0 || output.value < FLAT_SHARE * supply.value {
        let share = 100.0 * output.value / supply.value.max(0.1);
        return Err(format!("the output stays at {share:.0} % of the supply: limited or still chopping, not flat out"));
    }
    let current = fan_current(rec, from_s, to_s);
    let lead_v = rec.header.bench.lead_ohm * current.map_or(0.0, |(current, _)| current.value);
    let ratio = tie.map_or(1.0, |tie| tie.ratio);
    let drop_v = supply.value - ratio * output.value - lead_v;
    let (noise_v, noise_dof) = noise_of_difference(rec, (from_s, to_s), ratio, (&supply, &output));
    let gains = |factor: f64| match tie {
        None => vec![
            estimate::lasting("supply_v zero", supply.u_zero * factor),
            estimate::lasting("output_v zero", output.u_zero * factor),
            estimate::common("supply_v gain", supply.u_gain * factor),
            estimate::common("output_v gain", output.u_gain * factor),
        ],
        Some(tie) => {
            // An error of a zero moves the tie too, and both cancel but for the voltages between them.
            let beside = (1.0 - output.value / tie.at_v).abs() * factor;
            // Slow noise moves the reading and the tie each by its own; what it does to the tie grows with the voltage.
            let slow_v = zero::slow_noise(rec, Channel::SupplyV).hypot(zero::slow_noise(rec, Channel::OutputV))
                * 1.0_f64.hypot(output.value / tie.at_v);
            let gain_u = rec.header.bench.channels.get(&Channel::SupplyV).map_or(0.0, |facts| facts.gain_u);
            vec![
                estimate::lasting("supply_v zero", supply.u_zero * beside),
                estimate::lasting("output_v zero", output.u_zero * beside),
                estimate::seen("tie of the voltages", tie.u * output.value * factor, tie.dof),
                estimate::random("slow noise of reading and tie", slow_v * factor),
                estimate::common("supply_v gain", gain_u * drop_v.abs() * factor),
            ]
        }
    };
    let parts = |factor: f64| {
        let mut all = vec![
            estimate::seen("noise of the difference", noise_v * factor, noise_dof),
            estimate::common("lead resistance", 0.05 * lead_v * factor),
        ];
        all.extend(gains(factor));
        all
    };
    let ohm = current.filter(|(current, _)| current.value > LEAST_A).map(|(current, name)| {
        let ohm = drop_v / current.value;
        let mut all = parts(1.0 / current.value);
        let relative = ohm.abs() / current.value;
        all.push(estimate::seen(&format!("{name} noise"), current.u_noise * relative, current.dof));
        all.push(estimate::lasting(&format!("{name} zero"), current.u_zero * relative));
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
    use crate::results::Measured;

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

    /// Flat out with gains a per mille apart, then the fan holding both voltages up until the switch opens.
    fn with_tie(opens_s: f64, wild_v: f64) -> Findings {
        let mut bench = Bench::new(7);
        for channel in [Channel::SupplyV, Channel::OutputV, Channel::SupplyA] {
            let facts = ChannelFacts { noise: 0.005, offset_u: 0.005, gain_u: 1e-3, ..ChannelFacts::default() };
            bench.rec.header.bench.channels.insert(channel, facts);
        }
        bench.run(1.0, &[(Channel::SupplyV, &|_| 0.004, 0.005), (Channel::OutputV, &|_| -0.006, 0.005)]);
        bench.span(SpanKind::Zero, 0.0);
        bench.set(synthetic::at(95.0));
        let t0_s = bench.t_s;
        let (gain_s, gain_o) = (1.0007, 0.9988);
        let (supply, output) = (12.7 * gain_s + 0.004, (12.7 - 0.132) * gain_o - 0.006);
        let flat: [synthetic::Made<'_>; 3] = [
            (Channel::SupplyV, &|_| supply, 0.005),
            (Channel::OutputV, &|_| output, 0.005),
            (Channel::SupplyA, &|_| 24.0, 0.05),
        ];
        bench.run(4.0, &flat);
        bench.span(SpanKind::FlatOut, t0_s);
        let t0_s = bench.t_s;
        let emf = |t: f64| 10.5 - 3.0 * t;
        let supply = |t: f64| gain_s * if t < opens_s { emf(t) } else { emf(opens_s) - 0.5 * (t - opens_s) } + 0.004;
        let output = |t: f64| gain_o * emf(t) - 0.006;
        bench.run(0.5, &[(Channel::SupplyV, &supply, 0.005), (Channel::OutputV, &output, wild_v)]);
        bench.span(SpanKind::Tie, t0_s);
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        findings
    }

    #[test]
    fn gains_are_tied_while_the_fan_holds_both_voltages_up() {
        for opens_s in [1.0, 0.35] {
            let found = with_tie(opens_s, 0.005);
            let drop = found.results.get(&ResultName::DropV).expect("measured");
            let (value, u) = (drop.as_number().expect("a number"), drop.u.expect("a number has one"));
            // Untied the gains alone would put it 24 mV off, and say 18 mV.
            assert!((value - 0.132).abs() < 2e-3 && u < 2e-3, "{opens_s}: {drop:?}");
            assert!(drop.note.as_ref().is_some_and(|note| note.contains("tied at")), "{drop:?}");
        }
    }

    #[test]
    fn slow_noise_is_in_the_reading_and_in_the_tie_that_is_carried_to_its_voltage() {
        let found = with_tie(1.0, 0.005);
        let budget = &found.results[&ResultName::DropV].budget;
        let slow = budget.iter().find(|part| part.name == "slow noise of reading and tie").expect("in the budget");
        // A tenth of 5 mV on two channels, the tie at 9.8 V for a reading at 12.6 V.
        assert!((slow.u - 5e-4 * 2.0_f64.sqrt() * 1.0_f64.hypot(12.56 / 9.8)).abs() < 2e-5, "{slow:?}");
    }

    #[test]
    fn an_output_that_goes_on_chopping_ties_nothing() {
        let found = with_tie(1.0, 2.0);
        let drop = found.results.get(&ResultName::DropV).expect("measured");
        let (value, u) = (drop.as_number().expect("a number"), drop.u.expect("a number has one"));
        assert!(drop.note.as_ref().is_some_and(|note| note.contains("without a tie-point")), "{drop:?}");
        assert!((value - 0.132).abs() < 2.0 * u && u < 0.03, "{drop:?}");
    }

    /// A start with its swing of the current, then flat out on 5.5 mOhm; at the top of the current the output is still
    /// short of flat out by `rising`, and comes up as the current falls.
    fn with_swing(rising: f64) -> Findings {
        let mut bench = Bench::new(3);
        for channel in [Channel::SupplyV, Channel::OutputV, Channel::SupplyA] {
            let facts = ChannelFacts { noise: 0.005, gain_u: 1e-3, ..ChannelFacts::default() };
            bench.rec.header.bench.channels.insert(channel, facts);
        }
        bench.set(synthetic::at(95.0));
        let hump = |t: f64| (-(t - 1.0) / 0.6).exp();
        let amps = move |t: f64| if t < 1.0 { 30.0 * t } else { 21.0 + 13.0 * hump(t) };
        let supply = move |t: f64| 13.0 - 0.012 * amps(t);
        let ratio = move |t: f64| if t < 1.0 { t * (1.0 - rising) } else { 1.0 - rising * hump(t) };
        let output = move |t: f64| (supply(t) - 5.5e-3 * amps(t)) * ratio(t);
        let made: [synthetic::Made<'_>; 3] =
            [(Channel::SupplyV, &supply, 0.002), (Channel::SupplyA, &amps, 0.05), (Channel::OutputV, &output, 0.002)];
        bench.run(9.0, &made);
        bench.span(SpanKind::Start, 0.0);
        let t0_s = bench.t_s;
        let settled: [synthetic::Made<'_>; 3] = [
            (Channel::SupplyV, &|_| 12.748, 0.002),
            (Channel::SupplyA, &|_| 21.0, 0.05),
            (Channel::OutputV, &|_| 12.748 - 5.5e-3 * 21.0, 0.002),
        ];
        bench.run(4.0, &settled);
        bench.span(SpanKind::FlatOut, t0_s);
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        findings
    }

    /// Parts of `name` that the current brings.
    fn of_the_current(found: &Findings, name: ResultName) -> Vec<(&str, f64)> {
        let parts = found.results[&name].budget.iter();
        parts.filter(|part| part.name.starts_with("supply_a")).map(|part| (part.name.as_str(), part.u)).collect()
    }

    #[test]
    fn the_gain_of_the_current_is_in_the_resistance_once_and_in_no_drop() {
        let found = with_swing(0.0);
        let drop = of_the_current(&found, ResultName::DropV);
        assert!(drop.iter().all(|(name, _)| !name.contains("gain")), "{drop:?}");
        let ohm = found.number(ResultName::OnResistanceOhm).expect("measured");
        let gains: Vec<f64> = of_the_current(&found, ResultName::OnResistanceOhm)
            .into_iter()
            .filter_map(|(name, u)| name.contains("gain").then_some(u))
            .collect();
        assert!(gains.len() == 1 && (gains[0] / ohm - 1e-3).abs() < 1e-6, "{gains:?}");
    }

    #[test]
    fn a_sag_of_the_supply_during_the_stretch_is_no_noise_of_the_drop() {
        let mut bench = Bench::new(8);
        bench.set(synthetic::at(95.0));
        let supply = |t: f64| 12.8 - 0.02 * t;
        let output = |t: f64| supply(t) - 0.132;
        bench.run(4.0, &[(Channel::SupplyV, &supply, 0.002), (Channel::OutputV, &output, 0.002)]);
        bench.span(SpanKind::FlatOut, 0.0);
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        let drop = &findings.results[&ResultName::DropV];
        assert!((drop.as_number().expect("a number") - 0.132).abs() < 5e-4, "{drop:?}");
        assert!(drop.u.is_some_and(|u| u < 5e-4), "{drop:?}");
    }

    #[test]
    fn a_swing_is_taken_only_where_the_level_allows_for_it() {
        let of = |rising| with_swing(rising).results.remove(&ResultName::OnResistanceOhm).expect("measured");
        let [clean, rising] = [of(0.0), of(0.05)];
        for found in [&clean, &rising] {
            let ohm = found.as_number().expect("a number");
            assert!((ohm - 5.5e-3).abs() < 2.0 * found.u.expect("a number has one"), "{found:?}");
        }
        // The swing of the second one alone says 56 mOhm.
        let says = |found: &Measured, what: &str| found.note.as_ref().is_some_and(|note| note.contains(what));
        assert!(says(&clean, "by the swing") && says(&rising, "without a tie-point"), "{clean:?} {rising:?}");
    }

    #[test]
    fn a_limited_output_has_no_drop() {
        let found = flat_out(0.8, (1.0, 1.0), 1);
        assert!(found.absent.get(&ResultName::DropV).is_some_and(|why| why.contains("limited")));
    }
}
