//! What the module does when its motor stands, from tries on a dummy load: to what current it limits, when it cuts off, when it
//! tries again.
//!
//! A module that limits chops although it is told to be flat out: the current of the load then stands still, and that of the
//! supply is a share of it. Without a limit the two are one current.

use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};
use crate::results::{Findings, Measured, ResultName};

use super::estimate::{self, Estimate, miss_all, shortfall, spans};
use super::zero;

/// Cells in which the current is followed.
const CELL_S: f64 = 0.002;
/// Current of the load, as a share of what the supply drives through it, from which the output is on; twice that tells how
/// fast it came.
const ON: f64 = 0.003;
/// No output for this long is a cut.
const CUT_S: f64 = 0.03;
/// Stretch at the end of an output in which its current is read where it stands still, and change within it that is none;
/// and where it does not.
const PLATEAU_S: f64 = 0.4;
const END_S: f64 = 0.04;
const FLAT: f64 = 0.01;
/// Duty from which the output is to be flat out, and share of the load's current that the supply's may lack besides without being
/// chopped.
const FLAT_OUT: f64 = 0.9;
const LACKS: f64 = 0.03;
/// Uncertainties by which it must lack more.
const CLEARLY: f64 = 3.0;

/// What a try shows, best first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Did {
    Limits,
    Carries,
    Retries,
    Stays,
}

impl Did {
    const fn word(self) -> &'static str {
        match self {
            Self::Limits => "limits",
            Self::Carries => "carries",
            Self::Retries => "cuts_off_and_retries",
            Self::Stays => "cuts_off_and_stays",
        }
    }
}

/// Where the current of the load is read.
#[derive(Clone, Copy)]
struct Meter {
    channel: Channel,
    /// Amperes per unit of the channel, and the relative uncertainty of that.
    factor: f64,
    factor_u: f64,
    /// Current from which the output is on, amperes.
    on_a: f64,
}

/// One try.
struct Try {
    did: Did,
    /// Time from the first current to its end, by whatever.
    on: Estimate,
    /// Time from the cut until it came again.
    again: Option<Estimate>,
    /// Current at the end of the output, and whether the module holds it there.
    current: Option<Estimate>,
    limited: bool,
    /// How long it was waited for after a cut.
    watched_s: f64,
}

/// Fills in what the module does on a load that stands.
pub(crate) fn find(rec: &Recording, findings: &mut Findings) {
    let spans = spans(rec, &SpanKind::Stall);
    if spans.is_empty() {
        return;
    }
    let all = [ResultName::Stall, ResultName::StallLimitA, ResultName::StallCutOffS, ResultName::StallRetryS];
    let Some(meter) = Meter::of(rec) else {
        return miss_all(findings, &all, "the current of the load was not recorded");
    };
    let tries: Vec<Try> = spans.iter().filter_map(|span| Try::of(rec, span, meter)).collect();
    let Some(worst) = tries.iter().map(|one| one.did).max() else {
        return miss_all(findings, &all, &format!("no output came{}", shortfall(&spans)));
    };
    let told: Vec<String> = tries.iter().map(Try::told).collect();
    let n = tries.len() as u64;
    findings
        .put(ResultName::Stall, Measured::word(ResultName::Stall, worst.word(), "current", n).noted(told.join("; ")));
    limit(&tries, findings);
    times(&tries, findings);
}

/// The current to which it limits, or the highest that was seen without.
fn limit(tries: &[Try], findings: &mut Findings) {
    let name = ResultName::StallLimitA;
    let limited: Vec<Estimate> = tries.iter().filter(|one| one.limited).filter_map(|one| one.current.clone()).collect();
    if let Some(pooled) = estimate::pool(&limited) {
        return findings.put(name, pooled.measured(name, "plateau", limited.len() as u64));
    }
    let highest = tries.iter().filter_map(|one| one.current.as_ref()).max_by(|a, b| a.value.total_cmp(&b.value));
    match highest {
        Some(highest) => {
            let mut measured = highest.measured(name, "highest", tries.len() as u64);
            measured.interval = measured.interval.map(|[low, _]| [low, None]);
            let note = format!("a bound: at least {:.1} A, no limiting seen", highest.value);
            findings.put(name, measured.noted(note));
        }
        None => findings.miss(name, "the output was cut before its current could be read"),
    }
}

fn times(tries: &[Try], findings: &mut Findings) {
    let (cut_off, retry) = (ResultName::StallCutOffS, ResultName::StallRetryS);
    let cut: Vec<Estimate> = tries.iter().filter(|one| one.did >= Did::Retries).map(|one| one.on.clone()).collect();
    let again: Vec<Estimate> = tries.iter().filter_map(|one| one.again.clone()).collect();
    let Some(pooled) = estimate::pool(&cut) else {
        let longest_s = tries.iter().map(|one| one.on.value).fold(0.0, f64::max);
        findings.miss(cut_off, format!("it does not cut off within {longest_s:.1} s, soft start included"));
        return findings.miss(retry, "it does not cut off, so that it need not try again");
    };
    findings.put(cut_off, pooled.measured(cut_off, "current", cut.len() as u64));
    match estimate::pool(&again) {
        Some(pooled) => findings.put(retry, pooled.measured(retry, "current", again.len() as u64)),
        None => {
            let watched_s = tries.iter().map(|one| one.watched_s).fold(0.0, f64::max);
            findings.miss(retry, format!("it stays off: no output within {watched_s:.1} s after the cut"));
        }
    }
}

impl Meter {
    fn of(rec: &Recording) -> Option<Self> {
        let load = rec.header.bench.dummy_load.as_ref().filter(|load| load.ohm > 0.0)?;
        let on_a = ON * rec.header.bench.supply_v? / load.ohm;
        if rec.channels.contains_key(&Channel::FanA) {
            return Some(Self { channel: Channel::FanA, factor: 1.0, factor_u: 0.0, on_a });
        }
        let (factor, factor_u) = (1.0 / load.ohm, load.ohm_u / load.ohm);
        rec.channels.contains_key(&Channel::OutputV).then_some(Self {
            channel: Channel::OutputV,
            factor,
            factor_u,
            on_a,
        })
    }

    /// Current in cells, less its zero.
    fn cells(&self, rec: &Recording, from_s: f64, to_s: f64) -> Vec<(f64, f64)> {
        let zero = zero::offset(rec, self.channel, from_s).map_or(0.0, |(zero, _)| zero);
        let cells = zero::cells(rec, self.channel, from_s, to_s, CELL_S);
        cells.into_iter().map(|(t_s, value)| (t_s, self.factor * (value - zero))).collect()
    }

    fn level(&self, rec: &Recording, from_s: f64, to_s: f64) -> Option<Estimate> {
        let level = zero::level(rec, self.channel, from_s, to_s)?;
        let amps = self.factor * level.value;
        let mut parts = vec![
            estimate::seen("load current noise", self.factor * level.u_noise, level.dof),
            estimate::lasting("load current zero", self.factor * level.u_zero),
            estimate::common("load current gain", self.factor * level.u_gain),
        ];
        if self.factor_u > 0.0 {
            parts.push(estimate::common("load resistance", amps.abs() * self.factor_u));
        }
        Some(Estimate::new(amps, parts))
    }
}

impl Try {
    /// `None` where no output came.
    fn of(rec: &Recording, span: &Span, meter: Meter) -> Option<Self> {
        let settings = rec.settings_in(span.t0_s - 1e-9, span.t1_s);
        let (begin_s, command) = *settings.first()?;
        let ended_s = settings.get(1).map_or(span.t1_s, |(t_s, _)| *t_s);
        let cells = meter.cells(rec, begin_s, ended_s);
        let (first, onset) = onset(&cells, 0, meter)?;
        let spacing_s = (cells.last()?.0 - cells.first()?.0) / (cells.len() - 1).max(1) as f64;
        let cut = cut(&cells, first, meter);
        let end = cut.map_or_else(|| (ended_s, 0.0), |cut| (cut.half_s, cut.fell_s));
        let on = between(rec, meter, spacing_s, (onset, end));
        let next = cut.and_then(|cut| onset_after(&cells, cut, meter));
        let again = next.map(|next| between(rec, meter, spacing_s, (end, next)));
        let last_s = end.0 - CELL_S;
        let read = |stretch_s: f64| {
            (end.0 - onset.0 > stretch_s + CELL_S).then(|| meter.level(rec, last_s - stretch_s, last_s)).flatten()
        };
        let plateau = read(PLATEAU_S).filter(|amps| stands(rec, meter, amps, last_s));
        let limited = plateau.as_ref().is_some_and(|amps| chops(rec, amps, (last_s, command.duty.fraction())));
        let current = plateau.or_else(|| read(END_S));
        let did = match (cut, &again) {
            (Some(_), Some(_)) => Did::Retries,
            (Some(_), None) => Did::Stays,
            (None, _) if limited => Did::Limits,
            (None, _) => Did::Carries,
        };
        Some(Self { did, on, again, current, limited, watched_s: ended_s - end.0 })
    }

    fn told(&self) -> String {
        let current = match &self.current {
            Some(amps) if self.limited => format!(", limited to {:.1} A", amps.value),
            Some(amps) => format!(", {:.1} A at the end", amps.value),
            None => String::new(),
        };
        let then = match (self.did, &self.again) {
            (Did::Retries, Some(again)) => format!("cut off, on again after {:.2} s", again.value),
            (Did::Stays | Did::Retries, _) => format!("cut off, stays off for {:.1} s", self.watched_s),
            (Did::Limits | Did::Carries, _) => "not cut off".to_owned(),
        };
        format!("on for {:.2} s{current}, {then}", self.on.value)
    }
}

/// A cut: the cell from which the output is gone, when it was at half, and how long it took from there.
#[derive(Clone, Copy)]
struct Cut {
    index: usize,
    half_s: f64,
    fell_s: f64,
}

/// When current comes at or after cell `from`, and by how much that may be wrong; with the cell.
///
/// A soft start is seen late: as late as it takes from the level at which it is seen to twice that if it is a straight line.
fn onset(cells: &[(f64, f64)], from: usize, meter: Meter) -> Option<(usize, (f64, f64))> {
    let on = |pair: &[(f64, f64)]| pair.iter().all(|(_, amps)| *amps > meter.on_a);
    let first = from + cells.get(from..)?.windows(2).position(on)?;
    let at_s = cells[first].0;
    let before_s = first.checked_sub(1).map_or(at_s, |before| cells[before].0);
    let twice_s = cells[first..].iter().find(|(_, amps)| *amps > 2.0 * meter.on_a).map_or(at_s, |(t_s, _)| *t_s);
    let late_s = twice_s - at_s;
    Some((first, (0.5 * (before_s + at_s) - late_s, late_s)))
}

fn onset_after(cells: &[(f64, f64)], cut: Cut, meter: Meter) -> Option<(f64, f64)> {
    onset(cells, cut.index, meter).map(|(_, next)| next)
}

/// The first stay without output after cell `first`.
fn cut(cells: &[(f64, f64)], first: usize, meter: Meter) -> Option<Cut> {
    let mut since: Option<usize> = None;
    for (i, (t_s, amps)) in cells.iter().enumerate().skip(first) {
        if *amps > meter.on_a {
            since = None;
        } else if t_s - cells[*since.get_or_insert(i)].0 >= CUT_S {
            break;
        }
    }
    let index = since.filter(|since| cells.last().is_some_and(|(t_s, _)| t_s - cells[*since].0 >= CUT_S))?;
    // What the inductance keeps flowing is no output: half of what flowed well before.
    let before = cells[index.saturating_sub(15).max(first)..=index].iter().map(|(_, amps)| *amps).fold(0.0, f64::max);
    let half = cells[first..index].iter().rposition(|(_, amps)| *amps > 0.5 * before).map_or(first, |i| first + i);
    let below_s = cells[half + 1].0;
    Some(Cut { index, half_s: 0.5 * (cells[half].0 + below_s), fell_s: cells[index].0 - below_s })
}

/// The time from one moment to another, each with how far it may be off.
fn between(rec: &Recording, meter: Meter, spacing_s: f64, (from, to): ((f64, f64), (f64, f64))) -> Estimate {
    let mut parts = vec![
        estimate::random("cells", spacing_s / 6.0_f64.sqrt()),
        estimate::lasting("soft start and decay at the ends", from.1.hypot(to.1)),
    ];
    parts.extend(estimate::apart_within(rec, Some(meter.channel)));
    Estimate::new(to.0 - from.0, parts)
}

/// Whether the current up to `to_s` stands still.
fn stands(rec: &Recording, meter: Meter, amps: &Estimate, to_s: f64) -> bool {
    let middle_s = to_s - 0.5 * PLATEAU_S;
    let halves = meter.level(rec, to_s - PLATEAU_S, middle_s).zip(meter.level(rec, middle_s, to_s));
    halves.is_some_and(|(a, b)| (a.value - b.value).abs() < FLAT * amps.value)
}

/// Whether the supply gives clearly less of a standing current than a closed switch would, although that is commanded.
fn chops(rec: &Recording, amps: &Estimate, (to_s, duty): (f64, f64)) -> bool {
    let Some(supply) = zero::level(rec, Channel::SupplyA, to_s - PLATEAU_S, to_s) else { return false };
    let lacks = 1.0 - supply.value / amps.value;
    let u = (supply.u() / amps.value).hypot(amps.variance().sqrt() / amps.value);
    duty >= FLAT_OUT && lacks > (1.0 - duty) + LACKS + CLEARLY * u
}

#[cfg(test)]
mod tests {
    use super::super::synthetic::{self, Bench};
    use super::*;
    use crate::record::event::DummyLoadFacts;

    /// Three tries on 0.1 Ohm at 13 V: load and supply current over the time from the command at 95 %.
    fn tries(load_a: &dyn Fn(f64) -> f64, supply_a: &dyn Fn(f64) -> f64, seconds: f64) -> Findings {
        let mut bench = Bench::new(5);
        bench.rec.header.bench.dummy_load = Some(DummyLoadFacts { name: "grid".to_owned(), ohm: 0.1, ohm_u: 0.005 });
        bench.rec.header.bench.supply_v = Some(13.0);
        for _ in 0..3 {
            let nothing: &dyn Fn(f64) -> f64 = &|_| 0.0;
            bench.set(synthetic::at(5.0));
            bench.run(0.3, &[(Channel::FanA, nothing, 0.02), (Channel::SupplyA, nothing, 0.02)]);
            let t0_s = bench.t_s;
            bench.set(synthetic::at(95.0));
            bench.run(seconds, &[(Channel::FanA, load_a, 0.02), (Channel::SupplyA, supply_a, 0.02)]);
            bench.set(synthetic::at(5.0));
            bench.run(0.3, &[(Channel::FanA, nothing, 0.02), (Channel::SupplyA, nothing, 0.02)]);
            bench.span(SpanKind::Stall, t0_s);
        }
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        findings
    }

    fn word(found: &Findings) -> Option<&str> {
        found.results[&ResultName::Stall].as_word()
    }

    #[test]
    fn a_standing_current_of_which_the_supply_gives_a_share_is_a_limit_and_one_that_it_gives_whole_is_not() {
        let ramp = |top: f64| move |t: f64| (50.0 * t).min(top);
        let limits = tries(&ramp(80.0), &|t| 0.8 * (50.0 * t).min(80.0), 3.0);
        assert_eq!(word(&limits), Some("limits"));
        let limit = &limits.results[&ResultName::StallLimitA];
        assert!(!limit.is_bound() && (limit.as_number().unwrap() - 80.0).abs() < 0.05, "{limit:?}");
        assert!(limits.absent[&ResultName::StallCutOffS].contains("does not cut off within 3.0 s"));
        let carries = tries(&ramp(80.0), &ramp(80.0), 3.0);
        assert_eq!(word(&carries), Some("carries"));
        assert!(carries.results[&ResultName::StallLimitA].is_bound());
        let rising = tries(&|t| 20.0 * t, &|t| 16.0 * t, 3.0);
        let limit = &rising.results[&ResultName::StallLimitA];
        assert!(limit.is_bound() && (limit.as_number().unwrap() - 59.6).abs() < 0.5, "still in its ramp: {limit:?}");
    }

    #[test]
    fn the_times_of_a_cut_and_of_the_next_try_are_from_output_to_output() {
        let on = |t: f64| if (0.2..1.0).contains(&t) || t >= 2.5 { 60.0 } else { 0.0 };
        let found = tries(&on, &on, 2.7);
        assert_eq!(word(&found), Some("cuts_off_and_retries"));
        for (name, truth_s) in [(ResultName::StallCutOffS, 0.8), (ResultName::StallRetryS, 1.5)] {
            let measured = &found.results[&name];
            assert!((measured.as_number().unwrap() - truth_s).abs() < 0.003, "{name}: {measured:?}");
        }
        let once = |t: f64| if (0.2..1.0).contains(&t) { 60.0 } else { 0.0 };
        let found = tries(&once, &once, 6.0);
        assert_eq!(word(&found), Some("cuts_off_and_stays"));
        assert!(found.absent[&ResultName::StallRetryS].contains("no output within 5.0 s after the cut"), "{found:?}");
    }

    #[test]
    fn without_an_output_there_is_nothing_to_tell() {
        let found = tries(&|_| 0.0, &|_| 0.0, 1.0);
        assert!(found.absent[&ResultName::Stall].contains("no output came"), "{found:?}");
    }
}
