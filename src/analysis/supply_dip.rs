//! Dips of the supply and the cranking profile: whether the unit runs on, runs again by itself and when, or must be helped.
//!
//! During a dip the fan coasts faster than the output would drive it, and neither current nor output voltage tells
//! whether the output is on. What tells is the moment at which the supply is back: an output that was held drives the
//! fan at once, one that was not has to start again.

use crate::bench::{Channel, Setting, Supply};
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};
use crate::results::{Findings, Measured, ResultName};

use super::estimate::{self, Estimate, Part, miss_all, shortfall, spans};
use super::repeated_starts::DRIVEN_A;
use super::signal::stats;
use super::zero::{self, Level};

/// Stretch before a dip that counts as settled.
const BEFORE_S: f64 = 0.8;
/// Share of the supply voltage before at which it counts as back.
const BACK: f64 = 0.95;
/// Current under this share of the one before is none; a stay of `GONE_S` there, or none within `AT_ONCE_S`, is an output that
/// was lost.
const GONE: f64 = 0.25;
const GONE_S: f64 = 0.02;
const AT_ONCE_S: f64 = 0.05;
/// Share of the output before at which the unit runs again.
const AGAIN: f64 = 0.95;
/// Last share of a level that counts as the level itself, and cells in it.
const LEVEL_SHARE: f64 = 0.4;
const CELLS: f64 = 5.0;
/// Cells in which current and output are followed.
const CELL_S: f64 = 0.005;
/// Stretch at the end of a try in which the current must be there.
const END_S: f64 = 0.3;
/// Holds closer than this share are the same.
const SAME_HOLD: f64 = 0.1;

/// What a dip does, best first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Went {
    RidesThrough,
    Restarts,
    /// Runs again after an off command.
    StaysOff,
    /// Runs again after the supply was away, or not at all.
    Latches,
}

impl Went {
    const fn word(self) -> &'static str {
        match self {
            Self::RidesThrough => "rides_through",
            Self::Restarts => "restarts",
            Self::StaysOff => "stays_off",
            Self::Latches => "latches",
        }
    }
}

/// One way through lower levels and back.
struct Passage {
    /// The lowest level as seen at the pins; `None` where no sample falls into it.
    level: Option<Level>,
    /// How far it still moved there.
    moves_v: f64,
    commanded_v: f64,
    /// How many levels there were, and how long all of them took.
    levels: usize,
    held_s: f64,
    went: Went,
    /// From the supply back to running again.
    back: Option<Estimate>,
    /// Whether it ran at the end of the span, after whatever help.
    runs: bool,
}

/// Fills in what dips and the cranking profile do.
pub(crate) fn find(rec: &Recording, findings: &mut Findings) {
    dips(rec, findings);
    crank(rec, findings);
}

fn read(rec: &Recording, spans: &[Span]) -> Result<Vec<Passage>, String> {
    let all: Vec<Result<Passage, &'static str>> = spans.iter().map(|span| Passage::of(rec, span)).collect();
    let why = all.iter().find_map(|one| one.as_ref().err().copied());
    let good: Vec<Passage> = all.into_iter().filter_map(Result::ok).collect();
    match why {
        Some(why) if good.is_empty() => Err(format!("{why}{}", shortfall(spans))),
        _ => Ok(good),
    }
}

fn dips(rec: &Recording, findings: &mut Findings) {
    let spans = spans(rec, &SpanKind::SupplyDip);
    if spans.is_empty() {
        return;
    }
    let all = [ResultName::SupplyDip, ResultName::DipRiddenV, ResultName::DipBackS];
    let passages = match read(rec, &spans) {
        Ok(passages) => passages,
        Err(why) => return miss_all(findings, &all, &why),
    };
    word(ResultName::SupplyDip, &passages, findings);
    back(ResultName::DipBackS, &passages, findings);
    let shortest_s = passages.iter().map(|passage| passage.held_s).fold(f64::INFINITY, f64::min);
    let alike: Vec<&Passage> =
        passages.iter().filter(|passage| passage.held_s < (1.0 + SAME_HOLD) * shortest_s).collect();
    match ridden(&alike, shortest_s) {
        Ok(measured) => findings.put(ResultName::DipRiddenV, measured),
        Err(why) => findings.miss(ResultName::DipRiddenV, why),
    }
}

fn crank(rec: &Recording, findings: &mut Findings) {
    let spans = spans(rec, &SpanKind::Crank);
    if spans.is_empty() {
        return;
    }
    match read(rec, &spans) {
        Ok(passages) => {
            word(ResultName::Crank, &passages, findings);
            back(ResultName::CrankBackS, &passages, findings);
        }
        Err(why) => miss_all(findings, &[ResultName::Crank, ResultName::CrankBackS], &why),
    }
}

/// The worst of all.
fn word(name: ResultName, passages: &[Passage], findings: &mut Findings) {
    if let Some(worst) = passages.iter().map(|passage| passage.went).max() {
        let alike = passages.chunk_by(|a, b| a.went == b.went && a.runs == b.runs && time(a.held_s) == time(b.held_s));
        let note = alike.map(told).collect::<Vec<_>>().join("; ");
        findings.put(name, Measured::word(name, worst.word(), "current", passages.len() as u64).noted(note));
    }
}

/// The longest time to run again of those that did by themselves.
fn back(name: ResultName, passages: &[Passage], findings: &mut Findings) {
    let restarts = || passages.iter().filter(|passage| passage.went == Went::Restarts);
    let timed = restarts().filter_map(|passage| Some((passage, passage.back.as_ref()?)));
    match timed.max_by(|(_, a), (_, b)| a.value.total_cmp(&b.value)) {
        Some((passage, longest)) => {
            let note =
                format!("after {}, from the supply back to {:.0} % of the output before", passage.at(), 100.0 * AGAIN);
            findings.put(name, longest.measured(name, "output", restarts().count() as u64).noted(note));
        }
        None if restarts().next().is_some() => findings.miss(name, "it did not reach its output from before in time"),
        None if passages.iter().all(|passage| passage.went == Went::RidesThrough) => {
            findings.miss(name, "it rides through, so that it need not run again");
        }
        None => findings.miss(name, "it does not run again by itself"),
    }
}

/// Between the lowest level ridden through and the highest that was not.
fn ridden(passages: &[&Passage], held_s: f64) -> Result<Measured, String> {
    let name = ResultName::DipRiddenV;
    let seen = |rides: bool| {
        let fits = move |passage: &&&Passage| (passage.went == Went::RidesThrough) == rides;
        passages.iter().filter(fits).filter_map(|passage| Some((passage.level?, passage.moves_v)))
    };
    let lowest = seen(true).min_by(|(a, _), (b, _)| a.value.total_cmp(&b.value));
    let highest = seen(false).max_by(|(a, _), (b, _)| a.value.total_cmp(&b.value));
    let parts = |(level, moves_v): (Level, f64), value: f64, between_v: f64| {
        let mut parts = level_parts(&level);
        parts.push(estimate::random("level still moving", moves_v));
        parts.push(estimate::random("between levels tried", between_v));
        Estimate::new(value, parts)
    };
    let n = passages.len() as u64;
    let held = time(held_s);
    match (lowest, highest) {
        (Some(low), Some(high)) => {
            let (a, b) = (low.0.value, high.0.value);
            let middle = parts(low, 0.5 * (a + b), 0.5 * (a - b).abs() / 3.0_f64.sqrt());
            let which = if a < b { "; a higher one was not, so that it is no matter of the level alone" } else { "" };
            let note = format!("dips of {held}: ridden through at {a:.2} V, not at {b:.2} V{which}");
            Ok(middle.measured(name, "levels", n).noted(note))
        }
        (Some(low), None) => {
            let mut measured = parts(low, low.0.value, 0.0).measured(name, "levels", n);
            measured.interval = measured.interval.map(|[_, high]| [None, high]);
            Ok(measured.noted(format!("a bound: dips of {held} are ridden through at every level tried")))
        }
        (None, Some(high)) => {
            Err(format!("not within range: no dip of {held} was ridden through, tried down from {:.2} V", high.0.value))
        }
        (None, None) => Err("no sample shows the level of a dip".to_owned()),
    }
}

/// Noise, zero and gain of a level.
pub(super) fn level_parts(level: &Level) -> Vec<Part> {
    vec![
        estimate::seen("supply_v noise", level.u_noise, level.dof),
        estimate::lasting("supply_v zero", level.u_zero),
        estimate::common("supply_v gain", level.u_gain),
    ]
}

impl Passage {
    fn of(rec: &Recording, span: &Span) -> Result<Self, &'static str> {
        let settings = rec.settings_in(span.t0_s - 1e-9, span.t1_s);
        let first = settings.iter().position(|(_, setting)| setting.supply_v.is_some());
        let first = first.ok_or("the supply was not set to another level")?;
        let after = settings[first..].iter().position(|(_, setting)| setting.supply_v.is_none());
        let after = first + after.ok_or("the supply was not set back")?;
        let (begin_s, end_s) = (settings[first].0, settings[after].0);
        let ran = settings[after].1;
        // What comes after a change of the command is help.
        let helped_s = settings[after..].iter().find(|(_, setting)| *setting != ran).map_or(span.t1_s, |(t, _)| *t);
        let before = |channel| zero::level(rec, channel, begin_s - BEFORE_S, begin_s).map(|level| level.value);
        let amps_before = before(Channel::SupplyA).filter(|amps| *amps > DRIVEN_A);
        let amps_before = amps_before.ok_or("no current flowed before the supply was lowered")?;
        let volts_before = before(Channel::SupplyV).ok_or("no supply voltage was recorded")?;
        let (level, moves_v, commanded_v) = lowest(rec, &settings[first..after], end_s);
        let back_s = supply_back(rec, end_s, helped_s, BACK * volts_before);
        let flows = |t_s: f64| flowing(rec, t_s - END_S, t_s, GONE * amps_before);
        let went = if at_once(rec, back_s, helped_s, GONE * amps_before) {
            Went::RidesThrough
        } else if flows(helped_s) {
            Went::Restarts
        } else {
            let away_s = settings[after..].iter().find(|(_, s)| s.supply == Supply::Off).map_or(span.t1_s, |(t, _)| *t);
            if helped_s < away_s && flows(away_s) { Went::StaysOff } else { Went::Latches }
        };
        let back = if went == Went::Restarts { again(rec, (begin_s, back_s, helped_s), amps_before) } else { None };
        let runs = flows(span.t1_s);
        let (levels, held_s) = (after - first, end_s - begin_s);
        Ok(Self { level, moves_v, commanded_v, levels, held_s, went, back, runs })
    }

    /// Level and time in words.
    fn at(&self) -> String {
        let lowest = if self.levels > 1 { " lowest of levels" } else { "" };
        format!("{}{lowest} for {}", self.volts(), time(self.held_s))
    }

    fn volts(&self) -> String {
        match self.level {
            Some(level) => format!("{:.2} V", level.value),
            None => format!("{:.2} V (commanded, no sample shows it)", self.commanded_v),
        }
    }
}

/// What passages of one time and outcome did, in words.
fn told(alike: &[Passage]) -> String {
    let Some(one) = alike.first() else { return String::new() };
    let times: Vec<f64> = alike.iter().filter_map(|passage| Some(passage.back.as_ref()?.value)).collect();
    let (least, most) =
        (times.iter().copied().fold(f64::INFINITY, f64::min), times.iter().copied().fold(0.0, f64::max));
    let did = match (one.went, one.runs) {
        (Went::RidesThrough, _) => "rides through".to_owned(),
        (Went::Restarts, _) if times.is_empty() => "stops and starts again".to_owned(),
        (Went::Restarts, _) if most - least < 0.005 => format!("stops and runs again after {most:.2} s"),
        (Went::Restarts, _) => format!("stops and runs again after {least:.2} to {most:.2} s"),
        (Went::StaysOff, _) => "stays off until it had an off command".to_owned(),
        (Went::Latches, true) => "stays off until the supply was away".to_owned(),
        (Went::Latches, false) => "stays off, also after the supply was away".to_owned(),
    };
    match alike {
        [one] => format!("{}: {did}", one.at()),
        _ => {
            let volts: Vec<String> = alike.iter().map(Passage::volts).collect();
            format!("{} for {}: {did}", volts.join(", "), time(one.held_s))
        }
    }
}

/// The lowest of these levels as seen at the pins, how far it still moved, and what was commanded.
fn lowest(rec: &Recording, levels: &[(f64, Setting)], end_s: f64) -> (Option<Level>, f64, f64) {
    let ends = levels.iter().skip(1).map(|(t_s, _)| *t_s).chain([end_s]);
    let each = levels.iter().zip(ends).map(|((t_s, setting), to_s)| {
        let from_s = to_s - LEVEL_SHARE * (to_s - t_s);
        let cells = zero::cells(rec, Channel::SupplyV, from_s, to_s, (to_s - from_s) / CELLS);
        let ends = cells.first().zip(cells.last());
        let moves_v = ends.map_or(0.0, |(a, b)| (a.1 - b.1).abs() / 12.0_f64.sqrt());
        let commanded_v = setting.supply_v.map_or(f64::INFINITY, |volts| volts.get());
        (zero::level(rec, Channel::SupplyV, from_s, to_s), moves_v, commanded_v)
    });
    each.min_by(|a, b| a.2.total_cmp(&b.2)).unwrap_or((None, 0.0, f64::NAN))
}

/// When the supply, sent back at `from_s`, is above `volts`; by the command where no sample tells.
fn supply_back(rec: &Recording, from_s: f64, to_s: f64, volts: f64) -> f64 {
    let zero_v = zero::offset(rec, Channel::SupplyV, from_s).map_or(0.0, |(zero, _)| zero);
    let samples = rec.channels.get(&Channel::SupplyV).into_iter().flat_map(|series| series.samples(from_s, to_s));
    samples.filter(|(_, v)| v - zero_v > volts).map(|(t_s, _)| t_s).next().unwrap_or(from_s)
}

/// Supply current in cells, less its zero.
fn current(rec: &Recording, from_s: f64, to_s: f64) -> Vec<(f64, f64)> {
    let zero_a = zero::offset(rec, Channel::SupplyA, from_s).map_or(0.0, |(zero, _)| zero);
    let cells = zero::cells(rec, Channel::SupplyA, from_s, to_s, CELL_S);
    cells.into_iter().map(|(t_s, amps)| (t_s, amps - zero_a)).collect()
}

/// Whether the mean current of this stretch is above `least_a`.
fn flowing(rec: &Recording, from_s: f64, to_s: f64, least_a: f64) -> bool {
    zero::level(rec, Channel::SupplyA, from_s, to_s).is_some_and(|amps| amps.value > least_a)
}

/// Whether the current is there as soon as the supply is back, and stays.
fn at_once(rec: &Recording, back_s: f64, to_s: f64, least_a: f64) -> bool {
    let cells = current(rec, back_s, to_s);
    let Some((first_s, _)) = cells.first() else { return false };
    let soon_s = AT_ONCE_S.max(first_s - back_s + 2.0 * CELL_S);
    let soon = cells.iter().take_while(|(t_s, _)| *t_s < back_s + soon_s).any(|(_, amps)| *amps > least_a);
    let mut gone_since = None;
    for (t_s, amps) in &cells {
        if *amps > least_a {
            gone_since = None;
        } else if t_s - *gone_since.get_or_insert(*t_s) > GONE_S {
            return false;
        }
    }
    soon
}

/// From the supply back to the output from before: output over supply voltage while current flows, else the current.
fn again(rec: &Recording, (begin_s, back_s, to_s): (f64, f64, f64), amps_before: f64) -> Option<Estimate> {
    let amps = current(rec, back_s, to_s);
    let outputs = zero::cells(rec, Channel::OutputV, back_s, to_s, CELL_S);
    let supplies = zero::cells(rec, Channel::SupplyV, back_s, to_s, CELL_S);
    let by_output = outputs.len() == amps.len() && supplies.len() == amps.len();
    let share: Vec<(f64, f64)> = if by_output {
        let mean = |channel| rec.mean(channel, begin_s - BEFORE_S, begin_s);
        let before = mean(Channel::OutputV)? / mean(Channel::SupplyV)?;
        let ratio = |i: usize| if amps[i].1 > GONE * amps_before { outputs[i].1 / supplies[i].1 / before } else { 0.0 };
        (0..amps.len()).map(|i| (amps[i].0, ratio(i))).collect()
    } else {
        amps.iter().map(|(t_s, a)| (*t_s, a / amps_before)).collect()
    };
    // The last time below is the last before it runs again: what overshoots has been there already.
    let last = share.iter().rposition(|(_, share)| *share < AGAIN)?;
    let (&(t0_s, s0), &(t1_s, s1)) = (share.get(last)?, share.get(last + 1)?);
    let at_s = t0_s + (t1_s - t0_s) * ((AGAIN - s0) / (s1 - s0).max(1e-9)).clamp(0.0, 1.0);
    // Scatter of the share once it is there, over the slope with which it came.
    let there: Vec<f64> = share[last + 1..].iter().map(|(_, share)| *share).collect();
    let scatter = stats::deviation(&there).unwrap_or(0.0);
    let begun = share[..=last].iter().rposition(|(_, share)| *share < AGAIN - 0.1).map_or(t0_s, |i| share[i].0);
    let slope_per_s = 0.1 / (at_s - begun).max(CELL_S);
    let channel = if by_output { Channel::OutputV } else { Channel::SupplyA };
    let mut parts = vec![
        estimate::random("cells", (2.0_f64 * (t1_s - t0_s).powi(2) / 12.0).sqrt()),
        estimate::seen("noise at the crossing", scatter / slope_per_s, there.len() as f64 - 1.0),
    ];
    parts.extend(estimate::apart_within(rec, Some(channel)));
    Some(Estimate::new(at_s - back_s, parts))
}

/// A time as people write it.
fn time(seconds: f64) -> String {
    if seconds < 0.95 { format!("{:.0} ms", 1e3 * seconds) } else { format!("{seconds:.1} s") }
}

#[cfg(test)]
mod tests {
    use super::super::synthetic::{self, Bench};
    use super::*;
    use crate::units::Volts;

    /// Dips of a unit that takes `amps` some seconds after the supply is back, by the level.
    fn dips(levels: &[f64], amps: impl Fn(f64, f64) -> f64) -> Findings {
        let mut bench = Bench::new(5);
        for &level in levels {
            let t0_s = bench.t_s;
            bench.set(synthetic::at(60.0));
            bench.run(1.0, &[(Channel::SupplyA, &|_| 8.0, 0.02), (Channel::SupplyV, &|_| 12.9, 0.004)]);
            bench.set(Setting { supply_v: Some(Volts(level)), ..synthetic::at(60.0) });
            bench.run(0.1, &[(Channel::SupplyA, &|_| 0.0, 0.02), (Channel::SupplyV, &|_| level, 0.004)]);
            bench.set(synthetic::at(60.0));
            bench.run(4.0, &[(Channel::SupplyA, &|t| amps(level, t), 0.02), (Channel::SupplyV, &|_| 12.9, 0.004)]);
            bench.span(SpanKind::SupplyDip, t0_s);
        }
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        findings
    }

    #[test]
    fn levels_ridden_through_and_levels_that_restart_are_told_apart_and_bracketed() {
        let found = dips(&[9.0, 8.0, 7.0, 6.0], |level, t| if level > 7.5 || t > 0.5 { 8.4 } else { 0.0 });
        let word = &found.results[&ResultName::SupplyDip];
        assert_eq!((word.as_word(), word.n), (Some("restarts"), 4), "{word:?}");
        let ridden = &found.results[&ResultName::DipRiddenV];
        assert!((ridden.as_number().unwrap() - 7.5).abs() < 0.01, "{ridden:?}");
        let [low, high] = ridden.interval.unwrap();
        assert!(low.unwrap() < 7.01 && high.unwrap() > 7.99, "both levels are within: {ridden:?}");
        let back = &found.results[&ResultName::DipBackS];
        assert!((back.as_number().unwrap() - 0.5).abs() < 0.01, "{back:?}");
    }

    #[test]
    fn what_is_not_within_the_levels_tried_is_a_bound_or_absent() {
        let all = dips(&[9.0, 6.0], |_, _| 8.4);
        let ridden = &all.results[&ResultName::DipRiddenV];
        assert!(ridden.is_bound() && (ridden.as_number().unwrap() - 6.0).abs() < 0.01, "{ridden:?}");
        assert!(all.absent[&ResultName::DipBackS].contains("rides through"));
        let none = dips(&[9.0, 6.0], |_, t| if t > 0.3 { 8.0 } else { 0.0 });
        assert!(none.absent[&ResultName::DipRiddenV].contains("not within range"), "{none:?}");
    }

    #[test]
    fn a_current_that_comes_and_goes_again_is_no_ride_through() {
        let found = dips(&[7.0], |_, t| if (0.1..0.4).contains(&t) { 0.0 } else { 8.0 });
        assert_eq!(found.results[&ResultName::SupplyDip].as_word(), Some("restarts"));
        let found = dips(&[7.0], |_, _| 0.0);
        assert_eq!(found.results[&ResultName::SupplyDip].as_word(), Some("latches"));
        assert!(found.absent[&ResultName::DipBackS].contains("does not run again by itself"));
    }
}
