//! The command line as a source: voltage and resistance of the pull-up from the line released and under known loads,
//! and what kind of input that looks like.

use crate::bench::{Channel, LINE_LOAD_U, Line};
use crate::record::event::{BenchFacts, SpanKind};
use crate::record::recording::{Recording, Span};
use crate::results::{Findings, Measured, ResultName};

use super::estimate::{self, Estimate};
use super::zero::{self, Level};

/// Released voltage below which there is no pull-up, volts.
const NO_PULL_UP_V: f64 = 0.5;
/// A module that draws less is asleep, where the plan does not say, amperes.
const ASLEEP_A: f64 = 2e-3;
/// Longest settled part of a reading, seconds.
const SETTLED_S: f64 = 0.5;
/// Pull-ups that look like LIN, ohms.
const LIN_OHM: (f64, f64) = (15e3, 90e3);
/// Idle level of a CAN pair, volts, and how near counts.
const CAN_V: (f64, f64) = (2.5, 0.4);
/// A CAN node holds its wire with 6 kOhm or more (ISO 11898-2); a stronger source at that voltage is a pull-up to 5 V that
/// something pulls down.
const CAN_OHM: f64 = 5e3;
const CAN_NOTE: &str = "idles near 2.5 V like one wire of a CAN pair";

/// Fills in pull-up voltage, resistance and kind of line.
pub(crate) fn find(rec: &Recording, findings: &mut Findings) {
    let names = [ResultName::PullUpV, ResultName::PullUpOhm, ResultName::LineKind];
    if !rec.spans.iter().any(|span| matches!(span.kind, SpanKind::LineRead { .. })) {
        return;
    }
    if !rec.channels.contains_key(&Channel::LineV) {
        estimate::miss_all(findings, &names, "the voltage of the command line was not recorded");
        return;
    }
    let Some(open) = read(rec, Line::Open) else {
        estimate::miss_all(findings, &names, "the line was not read while released");
        return;
    };
    if open.value < NO_PULL_UP_V {
        let reason = format!("the released line rests at {:.2} V: no pull-up in the module", open.value);
        estimate::miss_all(findings, &names[..2], &reason);
        let measured = Measured::word(ResultName::LineKind, "push_pull", "line voltage", 1);
        findings.put(ResultName::LineKind, measured.noted("needs a line that is driven to both levels"));
        return;
    }
    let tied = tied(rec, &open);
    let low = read(rec, Line::Low).map(|low| tied.as_ref().map_or(low, |tied| at_supply(low, tied.sag)));
    match low.map(|low| source(&rec.header.bench, &open, &low)) {
        None => estimate::miss_all(findings, &names, "the line was not read while held low"),
        // Some ten kilohms behind 2.5 V leave too little across the load to be measured, but that voltage is like no other.
        Some(Err(reason)) if near_can(open.value) => {
            estimate::miss_all(findings, &names[..2], &reason);
            let measured = Measured::word(ResultName::LineKind, "can_like", "line voltage", 1);
            findings.put(ResultName::LineKind, measured.noted(CAN_NOTE));
        }
        Some(Err(reason)) => estimate::miss_all(findings, &names, &reason),
        Some(Ok((volts, ohms))) => put(rec, volts, ohms, tied.map(|tied| tied.supply_v), findings),
    }
    if slept(rec) {
        for name in names {
            if let Some(measured) = findings.results.remove(&name) {
                findings.put(name, measured.proxy("the module was asleep, its pull-up may be another then"));
            }
        }
    }
}

/// Whether a released line idles like one wire of a CAN pair.
fn near_can(open_v: f64) -> bool {
    (open_v - CAN_V.0).abs() < CAN_V.1
}

/// Whether the unit slept during one of the readings.
fn slept(rec: &Recording) -> bool {
    [Line::Open, Line::Low]
        .into_iter()
        .filter_map(|line| reading(rec, line))
        .any(|span| asleep(rec, settled_from_s(span), span.t1_s))
}

/// Whether the supply current says that the unit sleeps from `from_s` to `to_s`. Only a low range can say so.
pub(crate) fn asleep(rec: &Recording, from_s: f64, to_s: f64) -> bool {
    let asleep_a = rec.header.plan_facts.asleep_below_a.unwrap_or(ASLEEP_A);
    let low_range = rec.header.bench.channels.get(&Channel::SupplyA).is_some_and(|facts| facts.low.is_some());
    low_range && zero::level(rec, Channel::SupplyA, from_s, to_s).is_some_and(|level| level.value.abs() < asleep_a)
}

/// Begin of the settled part: the second half, of which the last [`SETTLED_S`] count, because an output may linger.
fn settled_from_s(span: &Span) -> f64 {
    (0.5 * (span.t0_s + span.t1_s)).max(span.t1_s - SETTLED_S)
}

/// A pull-up to the supply.
struct Tied {
    /// Supply voltage while the line was released.
    supply_v: f64,
    /// The same while it was held low, as a share of that.
    sag: f64,
}

/// A line that rests within this share of the supply voltage is pulled up to it.
const TIED_SHARE: f64 = 0.04;

/// Whether the pull-up goes to the supply, and how far that sagged when the line was held low, which may run the fan.
fn tied(rec: &Recording, open: &Level) -> Option<Tied> {
    let supply = |line| {
        let span = reading(rec, line)?;
        zero::level(rec, Channel::SupplyV, settled_from_s(span), span.t1_s).map(|level| level.value)
    };
    let (released_v, low_v) = (supply(Line::Open)?, supply(Line::Low)?);
    ((open.value / released_v - 1.0).abs() < TIED_SHARE && low_v > 0.5 * released_v)
        .then_some(Tied { supply_v: released_v, sag: low_v / released_v })
}

/// A reading as it would be with the supply as it was while the line was released.
fn at_supply(low: Level, sag: f64) -> Level {
    Level { value: low.value / sag, ..low }
}

/// First reading of the line in that state of an awake unit; the first of all where it always slept.
fn reading(rec: &Recording, line: Line) -> Option<&Span> {
    let readings = || rec.spans_where(move |kind| matches!(kind, SpanKind::LineRead { line: l } if *l == line));
    readings().find(|span| !asleep(rec, settled_from_s(span), span.t1_s)).or_else(|| readings().next())
}

/// Level of the line over the settled part of the reading in that state.
fn read(rec: &Recording, line: Line) -> Option<Level> {
    let span = reading(rec, line)?;
    zero::level(rec, Channel::LineV, settled_from_s(span), span.t1_s)
}

/// Open voltage and resistance of the source behind the line, from its voltage under two loads to ground.
fn source(facts: &BenchFacts, open: &Level, low: &Level) -> Result<(Estimate, Estimate), String> {
    let load_ohm = facts.line_low_ohm.ok_or("the rig file does not state the resistance that holds the line low")?;
    let sense_s = facts.line_sense_ohm.map_or(0.0, |ohm| 1.0 / ohm);
    let low_s = sense_s + 1.0 / load_ohm;
    let solve = |open_v: f64, low_v: f64, low_s: f64| {
        let ohm = (open_v - low_v) / (low_v * low_s - open_v * sense_s);
        (open_v * (1.0 + ohm * sense_s), ohm)
    };
    // Held low through the load, less than a twentieth of a volt says nothing beside the meter's zero.
    if low.value < 4.0 * low.u_zero.hypot(low.u_noise) || low.value * low_s <= open.value * sense_s {
        return Err(format!("held low the line reads {:.3} V, too little to tell the pull-up's resistance", low.value));
    }
    let (volts, ohms) = solve(open.value, low.value, low_s);
    let change = |open_by: f64, low_by: f64, load_by: f64| {
        let (v, o) = solve(open.value + open_by, low.value + low_by, sense_s + (1.0 - load_by) / load_ohm);
        (v - volts, o - ohms)
    };
    let own = |level: &Level| level.u_noise.hypot(level.u_zero);
    let (by_open, by_low, by_load) =
        (change(own(open), 0.0, 0.0), change(0.0, own(low), 0.0), change(0.0, 0.0, LINE_LOAD_U));
    let parts = |open: f64, low: f64, load: f64, gain: f64| {
        vec![
            estimate::random("line_v released", open.abs()),
            estimate::random("line_v held low", low.abs()),
            estimate::common("load of the rig", load.abs()),
            estimate::common("line_v gain", gain),
        ]
    };
    // The gain is the same in both readings: it scales the voltage and leaves the resistance.
    let gain = open.u_gain / open.value * volts;
    Ok((
        Estimate::new(volts, parts(by_open.0, by_low.0, by_load.0, gain)),
        Estimate::new(ohms, parts(by_open.1, by_low.1, by_load.1, 0.0)),
    ))
}

fn put(rec: &Recording, volts: Estimate, ohms: Estimate, tied_to_v: Option<f64>, findings: &mut Findings) {
    let (v, o) = (volts.value, ohms.value);
    let pull_up_v = volts.measured(ResultName::PullUpV, "two loads", 2);
    findings.put(
        ResultName::PullUpV,
        match tied_to_v {
            Some(supply_v) => pull_up_v.noted(format!("follows the supply, {supply_v:.2} V then")),
            None => pull_up_v,
        },
    );
    findings.put(ResultName::PullUpOhm, ohms.measured(ResultName::PullUpOhm, "two loads", 2));
    let supply_v = rec.header.bench.supply_v.unwrap_or(13.0);
    let (kind, note) = if near_can(v) && o > CAN_OHM {
        ("can_like", Some(CAN_NOTE))
    } else if (LIN_OHM.0..LIN_OHM.1).contains(&o) && v > 0.75 * supply_v {
        ("lin_like", Some("a weak pull-up to the supply hints at LIN"))
    } else if o < LIN_OHM.0 {
        ("open_collector", None)
    } else {
        ("unknown", None)
    };
    let measured = Measured::word(ResultName::LineKind, kind, "line voltage", 2);
    findings.put(ResultName::LineKind, if let Some(note) = note { measured.noted(note) } else { measured });
}

#[cfg(test)]
mod tests {
    use super::super::synthetic::{self, Bench};
    use super::*;
    use crate::bench::Setting;
    use crate::record::event::{ChannelFacts, LowRange};

    /// A line with a source of `volts` behind `ohm`, read released and held low through 100 Ohm, sensed with 1 MOhm.
    fn findings(volts: f64, ohm: f64, seed: u64) -> Findings {
        sagging(volts, ohm, seed, 13.0, 1.0)
    }

    /// The same, with a supply of `supply_v` that sags to this share while the line is held low.
    fn sagging(volts: f64, ohm: f64, seed: u64, supply_v: f64, sag: f64) -> Findings {
        let mut bench = Bench::new(seed);
        bench.rec.header.bench = BenchFacts {
            line_low_ohm: Some(100.0),
            line_sense_ohm: Some(1e6),
            supply_v: Some(13.0),
            ..BenchFacts::default()
        };
        let facts = ChannelFacts { noise: 0.005, offset_u: 0.002, gain_u: 0.002, ..ChannelFacts::default() };
        bench.rec.header.bench.channels.insert(Channel::LineV, facts);
        for (line, load, share) in [(Line::Open, 1e6, 1.0), (Line::Low, 1.0 / (1e-6 + 1e-2), sag)] {
            let t0_s = bench.t_s;
            bench.set(Setting { line, ..synthetic::at(0.0) });
            let tied = if (volts / supply_v - 1.0).abs() < 0.01 { share } else { 1.0 };
            let level = volts * tied * load / (ohm + load);
            let supply = supply_v * share;
            bench.run(0.6, &[(Channel::LineV, &|_| level, 0.005), (Channel::SupplyV, &|_| supply, 0.005)]);
            bench.span(SpanKind::LineRead { line }, t0_s);
        }
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        findings
    }

    #[test]
    fn a_pull_up_comes_out_and_its_interval_holds_it() {
        let covered = (0..60)
            .filter(|seed| {
                let found = findings(13.0, 3300.0, *seed);
                assert_eq!(found.word(ResultName::LineKind), Some("open_collector"));
                let ohm = found.results.get(&ResultName::PullUpOhm).expect("measured");
                let [low, high] = ohm.interval.expect("a number");
                assert!((found.number(ResultName::PullUpV).expect("measured") - 13.0).abs() < 0.02);
                low.is_some_and(|low| low < 3300.0) && high.is_some_and(|high| high > 3300.0)
            })
            .count();
        // The load's one percent does not vary here, so all of them should hold.
        assert!(covered >= 57, "{covered} of 60");
    }

    #[test]
    fn a_reading_of_a_sleeping_unit_gives_way_to_one_awake() {
        let mut bench = Bench::new(5);
        bench.rec.header.bench =
            BenchFacts { line_low_ohm: Some(100.0), line_sense_ohm: Some(1e6), ..BenchFacts::default() };
        let low = ChannelFacts { low: Some(LowRange { range: 0.5, ..LowRange::default() }), ..ChannelFacts::default() };
        bench.rec.header.bench.channels.insert(Channel::SupplyA, low);
        let low_ohm = 1.0 / (1e-6 + 1e-2);
        for (line, load, amps, ohm) in [
            (Line::Open, 1e6, 0.014, 3300.0),
            (Line::Low, low_ohm, 2e-4, 33_000.0),
            (Line::Low, low_ohm, 0.014, 3300.0),
        ] {
            let t0_s = bench.t_s;
            bench.set(Setting { line, ..synthetic::at(0.0) });
            let level = 13.0 * load / (ohm + load);
            bench.run(0.6, &[(Channel::LineV, &|_| level, 0.001), (Channel::SupplyA, &|_| amps, 1e-5)]);
            bench.span(SpanKind::LineRead { line }, t0_s);
        }
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        let ohm = &findings.results[&ResultName::PullUpOhm];
        assert!((ohm.as_number().expect("a number") / 3300.0 - 1.0).abs() < 0.01, "{ohm:?}");
    }

    #[test]
    fn a_supply_that_sags_with_the_line_held_low_leaves_the_resistance() {
        for (volts, sag) in [(13.0, 0.97), (5.0, 0.97)] {
            let ohm = sagging(volts, 3300.0, 7, 13.0, sag).number(ResultName::PullUpOhm).expect("measured");
            assert!((ohm / 3300.0 - 1.0).abs() < 0.01, "{ohm} at {volts} V");
        }
    }

    #[test]
    fn other_kinds_of_line_are_told() {
        assert_eq!(findings(13.0, 30_000.0, 1).word(ResultName::LineKind), Some("lin_like"));
        assert_eq!(findings(2.5, 12_000.0, 1).word(ResultName::LineKind), Some("can_like"));
        let far = findings(2.5, 60_000.0, 1);
        assert_eq!(far.word(ResultName::LineKind), Some("can_like"));
        assert!(far.absent.contains_key(&ResultName::PullUpOhm), "a few millivolts are no resistance");
        assert_eq!(findings(2.5, 1_600.0, 1).word(ResultName::LineKind), Some("open_collector"), "5 V and a leak");
        let bare = findings(0.0, 47_000.0, 1);
        assert_eq!(bare.word(ResultName::LineKind), Some("push_pull"));
        assert!(bare.absent.contains_key(&ResultName::PullUpOhm));
    }
}
