//! Duties at which the output comes on and goes off and at which the fan starts and stops.
//!
//! Each rising or falling staircase is one trial that brackets the threshold between two duties offered. Module
//! thresholds are one bracket, narrowed over trials; fan thresholds differ from start to start and are fitted as a
//! distribution. The duty at the pin is uncertain in common for all of them.

use crate::analysis::contamination;
use crate::analysis::estimate::{self, Estimate, Part};
use crate::analysis::level::{self, Level, Witness};
use crate::analysis::signal::stats;
use crate::analysis::threshold_fit::{self, Bracket, Located, Shape, ThresholdFit};
use crate::analysis::trial::{self, Told};
use crate::analysis::with_output::{self, Came};
use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::Recording;
use crate::results::{Contribution, CurvePoint, Findings, Measured, Nature, ResultName};
use crate::units::significant;

/// Why there is nothing about turning.
const NO_WITNESS: &str = "no tach, speed or current recorded; output voltage alone is no proof of turning";
/// What the bracket leaves open, in a budget.
const WIDTH: &str = "bracket width";
/// How well the duty at the module's pin is known, in a budget.
const PIN: &str = "duty at the pin";
/// Normal coverage factor of a 95 % interval.
const K95: f64 = 1.96;

/// Finds `output_on_pct`, `output_off_pct`, `start_duty_pct`, `start_duty_95_pct`, `stop_duty_pct`, `hysteresis_pct`.
pub(crate) fn find(rec: &Recording, findings: &mut Findings) {
    let (rising, falling) = (at_nominal(rec, &SpanKind::Ascend), at_nominal(rec, &SpanKind::Descend));
    let bands = dead_bands(rec);
    let on = output(rec, findings, &rising, &bands, ResultName::OutputOnPct);
    let off = output(rec, findings, &falling, &bands, ResultName::OutputOffPct);
    let Some(witness) = Witness::of(rec) else {
        for name in
            [ResultName::StartDutyPct, ResultName::StartDuty95Pct, ResultName::StopDutyPct, ResultName::HysteresisPct]
        {
            findings.miss(name, NO_WITNESS);
        }
        return;
    };
    let coarse = coarse_reading(rec);
    let started: Vec<Told> = rising.iter().map(|levels| trial::start(rec, witness, levels, coarse.is_some())).collect();
    let stopped: Vec<Told> = falling.iter().map(|levels| trial::stop(rec, witness, levels)).collect();
    let kick = kick_note(rec, &rising, &findings.curve);
    let breakaway = breakaway(rec, witness, &rising, &started);
    let notes: Vec<String> = [kick, breakaway, coarse.clone()].into_iter().flatten().collect();
    let start = start_results(rec, findings, &open_below(&started, coarse.is_some()), on, &notes);
    let stop = stop_result(rec, findings, &open_below(&stopped, coarse.is_some()), off, coarse);
    hysteresis(findings, start, stop);
}

/// A remark when the output overshoots what the duty asks for as it comes on.
fn kick_note(rec: &Recording, rising: &[Vec<Level>], curve: &[CurvePoint]) -> Option<String> {
    let expected_v = |duty_pct: f64| expected_output_v(curve, duty_pct);
    let (kick, levels) =
        rising.iter().find_map(|levels| trial::kick(rec, levels, expected_v).map(|kick| (kick, levels)))?;
    let supply = levels.last().and_then(|l| level::supply_v(rec, l.t0_s, l.t1_s));
    let share = supply.map(|v| format!(" ({} % of the supply)", significant(100.0 * kick.output_v / v, 2)));
    let (output, time) = (significant(kick.output_v, 3), significant(kick.time_s, 2));
    Some(format!("kick start: output goes to {output} V{} for {time} s", share.unwrap_or_default()))
}

/// Output voltage at a low duty, on the line through the two settled points nearest to it with the output on.
fn expected_output_v(curve: &[CurvePoint], duty_pct: f64) -> Option<f64> {
    let mut points: Vec<(f64, f64)> =
        curve.iter().filter_map(|p| p.output_v.filter(|v| *v > 0.2).map(|v| (p.duty_pct, v))).collect();
    points.sort_by(|a, b| (a.0 - duty_pct).abs().total_cmp(&(b.0 - duty_pct).abs()));
    let first = *points.first()?;
    let second = points.iter().find(|p| (p.0 - first.0).abs() > 1.0)?;
    let slope = (second.1 - first.1) / (second.0 - first.0);
    Some((first.1 + slope * (duty_pct - first.0)).max(0.0))
}

/// Levels of every span of that kind.
fn staircases(rec: &Recording, kind: &SpanKind) -> Vec<Vec<Level>> {
    rec.spans_where(|k| k == kind).map(|span| trial::staircase(rec, span)).filter(|levels| !levels.is_empty()).collect()
}

/// The same at the frequency at which the unit is characterised.
fn at_nominal(rec: &Recording, kind: &SpanKind) -> Vec<Vec<Level>> {
    let hz = nominal_hz(rec);
    let is_nominal = |levels: &Vec<Level>| hz.is_none_or(|hz| same(hz_of(levels), hz));
    staircases(rec, kind).into_iter().filter(is_nominal).collect()
}

/// Command frequency of a staircase.
fn hz_of(levels: &[Level]) -> f64 {
    levels.last().map_or(0.0, |level| level.setting.frequency.get())
}

/// Thresholds at one command frequency.
pub(super) struct At {
    pub(super) hz: f64,
    pub(super) on: Option<Bracket>,
    pub(super) off: Option<Bracket>,
    pub(super) start: Option<Bracket>,
    pub(super) stop: Option<Bracket>,
}

/// Thresholds by command frequency, from what was searched at each by itself; those of the frequency at which the unit is
/// characterised are results of their own.
pub(super) fn by_frequency(rec: &Recording) -> Vec<At> {
    let elsewhere = |hz: f64| nominal_hz(rec).is_some_and(|nominal| !same(hz, nominal));
    let of_kind = |kind: &SpanKind| {
        staircases(rec, kind).into_iter().filter(|levels| elsewhere(hz_of(levels))).collect::<Vec<_>>()
    };
    let (rising, falling) = (of_kind(&SpanKind::Ascend), of_kind(&SpanKind::Descend));
    let bands: Vec<DeadBand> = dead_bands(rec).into_iter().filter(|band| elsewhere(band.hz)).collect();
    let mut tried: Vec<f64> = rising.iter().chain(&falling).map(|levels| hz_of(levels)).collect();
    tried.extend(bands.iter().map(|band| band.hz));
    tried.sort_by(f64::total_cmp);
    tried.dedup_by(|a, b| same(*a, *b));
    let (witness, coarse) = (Witness::of(rec), coarse_reading(rec).is_some());
    let at = |hz: f64| {
        let here = |all: &[Vec<Level>], judge: &dyn Fn(&[Level]) -> Told| -> Vec<Told> {
            all.iter().filter(|levels| same(hz_of(levels), hz)).map(|levels| judge(levels)).collect()
        };
        let searched = |of: fn(&DeadBand) -> Option<Bracket>| {
            bands.iter().filter(move |band| same(band.hz, hz)).filter_map(of).map(Told::Between)
        };
        let mut on = here(&rising, &|levels| trial::output_on(rec, levels));
        let mut off = here(&falling, &|levels| trial::output_off(rec, levels));
        on.extend(searched(|band| band.on));
        off.extend(searched(|band| band.off));
        let fan = |all: &[Vec<Level>], rises: bool| {
            witness.map_or_else(Vec::new, |witness| {
                here(all, &|levels| match rises {
                    true => trial::start(rec, witness, levels, coarse),
                    false => trial::stop(rec, witness, levels),
                })
            })
        };
        let closed =
            |told: &[Told], rises: bool| shared(&all_brackets(told, rises)).filter(|bracket| bracket.width().is_some());
        At {
            hz,
            on: closed(&on, true),
            off: closed(&off, false),
            start: closed(&fan(&rising, true), true),
            stop: closed(&fan(&falling, false), false),
        }
    };
    tried.into_iter().map(at).collect()
}

/// A remark when the speed column moves in steps too coarse to tell rest from slow turning.
fn coarse_reading(rec: &Recording) -> Option<String> {
    let top = level::top_speed(rec)?;
    let step = contamination::speed_step(rec).filter(|step| *step > 0.1 * top)?;
    Some(format!("speed readings move in steps of {} rpm: slower turning reads as rest", significant(step, 3)))
}

/// Takes back the lower ends of brackets whose "rest" may have been slow turning.
fn open_below(told: &[Told], coarse: bool) -> Vec<Told> {
    told.iter()
        .map(|told| match told {
            Told::Between(bracket) if coarse => Told::Between(Bracket::under(bracket.at)),
            other => *other,
        })
        .collect()
}

/// Brackets of the rising and the falling output threshold found at one command frequency with the fan at rest.
struct DeadBand {
    hz: f64,
    on: Option<Bracket>,
    off: Option<Bracket>,
}

fn dead_bands(rec: &Recording) -> Vec<DeadBand> {
    let looked = staircases(rec, &SpanKind::DeadBand);
    looked
        .iter()
        .map(|levels| {
            let (on, off) = trial::dead_band(rec, levels);
            DeadBand { hz: levels[0].setting.frequency.get(), on, off }
        })
        .collect()
}

/// Whether two command frequencies are the same one.
pub(super) fn same(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-3 * b.abs()
}

/// Command frequency of the fan's thresholds: that at which the unit is characterised.
fn nominal_hz(rec: &Recording) -> Option<f64> {
    let span = rec.spans_where(|k| matches!(k, SpanKind::Ascend | SpanKind::Descend)).next()?;
    rec.setting_at(span.t1_s).map(|setting| setting.frequency.get())
}

/// A module threshold: the brackets of all trials narrowed to what they share. Returns that where they agree.
fn output(
    rec: &Recording,
    findings: &mut Findings,
    staircases: &[Vec<Level>],
    bands: &[DeadBand],
    name: ResultName,
) -> Option<Bracket> {
    let rising = name == ResultName::OutputOnPct;
    let mut miss = |why: String| {
        findings.miss(name, why);
        None
    };
    if !rec.channels.contains_key(&Channel::OutputV) {
        return miss("no output voltage channel".to_owned());
    }
    if staircases.is_empty() {
        return miss(no_staircase(rising).to_owned());
    }
    let judge = if rising { trial::output_on } else { trial::output_off };
    let nominal = nominal_hz(rec);
    let of_band = |band: &DeadBand| if rising { band.on } else { band.off };
    let searched = bands.iter().filter(|band| nominal.is_some_and(|hz| same(band.hz, hz))).filter_map(of_band);
    let told: Vec<Told> =
        staircases.iter().map(|levels| judge(rec, levels)).chain(searched.map(Told::Between)).collect();
    let brackets = all_brackets(&told, rising);
    let Some(shared) = shared(&brackets).filter(|_| !closed(&told).is_empty()) else {
        return miss(output_reason(&told, rising));
    };
    // Brackets that agree share a closed one.
    if shared.width().is_none() {
        return miss(
            "its trials contradict each other: on and off at the same duties, as a loose joint does".to_owned(),
        );
    }
    findings.put(name, from_bracket(name, &shared, brackets.len(), rec.header.bench.duty_u_pct));
    with_output::in_common(&brackets)
}

/// What all brackets have in common; the whole they cover when they contradict.
fn shared(brackets: &[Bracket]) -> Option<Bracket> {
    let whole = || {
        let below = brackets.iter().map(|b| b.below).reduce(f64::min)?;
        let at = brackets.iter().map(|b| b.at).reduce(f64::max)?;
        Some(Bracket { below, at })
    };
    with_output::in_common(brackets).or_else(whole)
}

/// A value from one bracket: its middle, the interval never narrower than the bracket.
fn from_bracket(name: ResultName, bracket: &Bracket, n: usize, duty_u_pct: f64) -> Measured {
    let width = bracket.width().unwrap_or(0.0);
    let budget = vec![Contribution::random(WIDTH, width / 12.0_f64.sqrt()), Contribution::common(PIN, duty_u_pct)];
    let mut measured = Measured::number(name, bracket.middle(), K95, budget, "bracket", n as u64);
    let slack = K95 * duty_u_pct;
    let end = |value: f64, slack: f64| value.is_finite().then_some(value + slack);
    measured.interval = Some([end(bracket.below, -slack), end(bracket.at, slack)]);
    measured
}

fn closed(told: &[Told]) -> Vec<Bracket> {
    told.iter().filter_map(|t| if let Told::Between(bracket) = t { Some(*bracket) } else { None }).collect()
}

/// Brackets of every trial that told something, open ones included.
fn all_brackets(told: &[Told], first_is_upper: bool) -> Vec<Bracket> {
    told.iter()
        .filter_map(|t| match *t {
            Told::Between(bracket) => Some(bracket),
            Told::AtFirst(duty) if first_is_upper => Some(Bracket::under(duty)),
            Told::AtFirst(duty) => Some(Bracket { below: duty, at: f64::INFINITY }),
            Told::Never(duty) if first_is_upper => Some(Bracket { below: duty, at: f64::INFINITY }),
            Told::Never(duty) => Some(Bracket::under(duty)),
            Told::Nothing => None,
        })
        .collect()
}

fn no_staircase(rising: bool) -> &'static str {
    if rising { "no rise of the duty in steps from standstill" } else { "no fall of the duty in steps from turning" }
}

fn output_reason(told: &[Told], rising: bool) -> String {
    let first = told.iter().find_map(|t| if let Told::AtFirst(duty) = t { Some(*duty) } else { None });
    let never = told.iter().find_map(|t| if let Told::Never(duty) = t { Some(*duty) } else { None });
    match (rising, first, never) {
        (true, Some(duty), _) => format!("output is on at every duty offered; the lowest was {}", pct(duty)),
        (true, _, Some(duty)) => format!("output never comes on up to {}", pct(duty)),
        (false, _, Some(duty)) => format!("output never goes off down to {}", pct(duty)),
        (false, Some(duty), _) => format!("output is off at every duty offered; the highest was {}", pct(duty)),
        _ => "the output could not be judged".to_owned(),
    }
}

fn pct(duty: f64) -> String {
    format!("{} %", significant(duty, 3))
}

/// Start duty for half and for 95 of 100 tries. Returns how the error of the former is distributed, where many trials tell.
fn start_results(
    rec: &Recording,
    findings: &mut Findings,
    told: &[Told],
    on: Option<Bracket>,
    notes: &[String],
) -> Option<Shape> {
    let brackets = all_brackets(told, true);
    if closed(told).is_empty() {
        let reason = start_reason(told);
        findings.miss(ResultName::StartDutyPct, reason.clone());
        findings.miss(ResultName::StartDuty95Pct, reason);
        return None;
    }
    let duty_u = rec.header.bench.duty_u_pct;
    if let Some(fitted) = threshold_fit::fit(&brackets) {
        let came = on.and_then(|on| with_output::of(&brackets, on));
        let (start, shape) = median(ResultName::StartDutyPct, &fitted, came.as_ref(), duty_u);
        let (of_95, at_95) = match &came {
            Some(Came::Sometimes(above)) => (&above.fan, above.p95),
            Some(Came::Always(_)) | None => (&fitted, fitted.p95),
        };
        findings.put(ResultName::StartDutyPct, with_notes(start, notes));
        let start_95 = from_fit(ResultName::StartDuty95Pct, &at_95, of_95, duty_u);
        findings.put(ResultName::StartDuty95Pct, with_notes(start_95, notes));
        return shape;
    }
    let mut notes = notes.to_vec();
    notes.push("one start only: how it differs from start to start is not known".to_owned());
    let measured = from_bracket(ResultName::StartDutyPct, &brackets[0], 1, duty_u);
    findings.put(ResultName::StartDutyPct, with_notes(measured, &notes));
    findings.miss(ResultName::StartDuty95Pct, "one start only; at least two are needed to see the spread");
    None
}

fn start_reason(told: &[Told]) -> String {
    let lowest = told.iter().filter_map(|t| if let Told::AtFirst(duty) = t { Some(*duty) } else { None });
    let highest = told.iter().filter_map(|t| if let Told::Never(duty) = t { Some(*duty) } else { None });
    let (lowest, highest) = (lowest.fold(f64::INFINITY, f64::min), highest.fold(f64::NEG_INFINITY, f64::max));
    if told.is_empty() {
        no_staircase(true).to_owned()
    } else if lowest == 0.0 {
        "the speed reads as turning at 0 % already: no standstill to start from".to_owned()
    } else if lowest.is_finite() {
        format!("starts at every duty offered; the lowest was {}", pct(lowest))
    } else if highest.is_finite() {
        format!("never starts up to {}", pct(highest))
    } else {
        "standstill and turning could not be told apart".to_owned()
    }
}

/// Threshold passed in half of the trials, and how its error is distributed where many trials tell.
fn median(name: ResultName, fitted: &ThresholdFit, came: Option<&Came>, duty_u_pct: f64) -> (Measured, Option<Shape>) {
    match came {
        Some(Came::Always(shared)) => {
            let width = shared.width().unwrap_or(0.0) / 12.0_f64.sqrt();
            let parts = vec![estimate::random(WIDTH, width).even(), estimate::common(PIN, duty_u_pct)];
            (Estimate::new(shared.middle(), parts).measured(name, "threshold", fitted.n as u64), None)
        }
        Some(Came::Sometimes(above)) => {
            let shape = above.fan.centre_shape.filter(|_| above.centre == above.fan.centre);
            (from_fit(name, &above.centre, &above.fan, duty_u_pct), shape)
        }
        None => (from_fit(name, &fitted.centre, fitted, duty_u_pct), fitted.centre_shape),
    }
}

/// A value from a fitted distribution.
fn from_fit(name: ResultName, at: &Located, fitted: &ThresholdFit, duty_u_pct: f64) -> Measured {
    let from_trials = at.standard_u(fitted.k);
    let trials = fitted.n as f64;
    let gap = fitted.gap_at(at.value);
    let width = gap / (12.0 * trials).sqrt();
    let spread = (from_trials * from_trials - width * width).max(0.0).sqrt();
    let budget = vec![
        Contribution::random("spread from trial to trial", spread),
        Contribution::random(WIDTH, width),
        Contribution::common(PIN, duty_u_pct),
    ];
    let mut measured = Measured::number(name, at.value, fitted.k, budget, "threshold", fitted.n as u64);
    // What the trials leave open and the duty at the pin are independent.
    let slack = K95 * duty_u_pct;
    let widen = |end: Option<f64>, sign: f64| end.map(|end| at.value + sign * (end - at.value).abs().hypot(slack));
    measured.interval = Some([widen(at.low, -1.0), widen(at.high, 1.0)]);
    if at.low.is_none() || at.high.is_none() {
        measured = measured.noted("too few tries to bound it on both sides");
    }
    measured
}

fn with_notes(mut measured: Measured, notes: &[String]) -> Measured {
    let all: Vec<&str> = measured.note.iter().map(String::as_str).chain(notes.iter().map(String::as_str)).collect();
    measured.note = (!all.is_empty()).then(|| all.join("; "));
    measured
}

/// Stop duty: the median over trials. Returns how its error is distributed, where many trials tell.
fn stop_result(
    rec: &Recording,
    findings: &mut Findings,
    told: &[Told],
    off: Option<Bracket>,
    coarse: Option<String>,
) -> Option<Shape> {
    let name = ResultName::StopDutyPct;
    let brackets = all_brackets(told, false);
    if closed(told).is_empty() {
        findings.miss(name, stop_reason(told));
        return None;
    }
    let notes: Vec<String> = coarse.into_iter().collect();
    let duty_u = rec.header.bench.duty_u_pct;
    let (measured, shape) = match threshold_fit::fit(&brackets) {
        Some(fitted) => {
            let came = off.and_then(|off| with_output::of(&brackets, off));
            median(name, &fitted, came.as_ref(), duty_u)
        }
        None => (from_bracket(name, &brackets[0], 1, duty_u), None),
    };
    findings.put(name, with_notes(measured, &notes));
    shape
}

fn stop_reason(told: &[Told]) -> String {
    let never = told.iter().filter_map(|t| if let Told::Never(duty) = t { Some(*duty) } else { None });
    let never = never.fold(f64::INFINITY, f64::min);
    if told.is_empty() {
        no_staircase(false).to_owned()
    } else if never.is_finite() {
        format!("never stops down to {}", pct(never))
    } else if told.iter().any(|t| matches!(t, Told::AtFirst(_))) {
        "not seen turning steadily at any duty of the fall".to_owned()
    } else {
        "standstill and turning could not be told apart".to_owned()
    }
}

/// Start less stop; the duty at the pin is common to both and cancels.
fn hysteresis(findings: &mut Findings, start_shape: Option<Shape>, stop_shape: Option<Shape>) {
    let name = ResultName::HysteresisPct;
    let (start, stop) =
        (findings.results.get(&ResultName::StartDutyPct), findings.results.get(&ResultName::StopDutyPct));
    let (Some(start), Some(stop)) = (start, stop) else {
        return findings.miss(name, "needs both the start and the stop duty");
    };
    let (Some(a), Some(b)) = (start.as_number(), stop.as_number()) else { return };
    let mut parts = own_parts("start", start, start_shape);
    parts.extend(own_parts("stop", stop, stop_shape));
    let mut measured = Estimate::new(a - b, parts).measured(name, "difference", start.n.min(stop.n));
    // An end is as open as the one that it would be made of.
    let [start_low, start_high] = start.interval.unwrap_or([None, None]);
    let [stop_low, stop_high] = stop.interval.unwrap_or([None, None]);
    measured.interval = measured.interval.map(|[low, high]| {
        [low.filter(|_| start_low.and(stop_high).is_some()), high.filter(|_| start_high.and(stop_low).is_some())]
    });
    if measured.is_bound() {
        measured = measured.noted("one of start and stop is a bound");
    }
    findings.put(name, measured);
}

/// So many trials know the shape of their error.
const SHAPED: u64 = 6;

/// What start and stop do not share of their errors: with trials enough its own standard deviation, and how flat it is where it
/// lies within what the brackets of all trials share. Of a few trials the spread is known from as many as there are, and what
/// lies inside a bracket is not seen to scatter at all.
fn own_parts(what: &str, measured: &Measured, shape: Option<Shape>) -> Vec<Part> {
    let lines = measured.budget.iter().filter(|line| line.nature != Nature::Common);
    let named = |line: &Contribution| format!("{what} duty, {}", line.name);
    if let Some(shape) = shape.filter(|_| measured.n >= SHAPED) {
        let scale = shape.sd / lines.clone().map(|line| line.u * line.u).sum::<f64>().sqrt().max(f64::MIN_POSITIVE);
        let parts = lines.map(|line| estimate::random(&named(line), scale * line.u)).collect();
        return Estimate::new(0.0, parts).shaped(shape.excess.min(0.0)).parts;
    }
    let freedom = (measured.n as f64 - 1.0).max(1.0);
    lines
        .map(|line| match line.name == WIDTH {
            true => estimate::random(&named(line), line.u).even(),
            false => estimate::seen(&named(line), line.u, freedom),
        })
        .collect()
}

/// Remark when the fan jumps to speed at the start instead of creeping up from rest.
fn breakaway(rec: &Recording, witness: Witness, rising: &[Vec<Level>], told: &[Told]) -> Option<String> {
    let speeds: Vec<f64> = rising
        .iter()
        .zip(told)
        .filter_map(|(levels, told)| {
            let Told::Between(bracket) = told else { return None };
            let started = levels.iter().find(|l| (l.duty_pct - bracket.at).abs() < 1e-9)?;
            level::settled_speed(rec, witness, started.t0_s, started.t1_s).map(|speed| speed.value)
        })
        .collect();
    let top = level::top_speed(rec).or_else(|| {
        let tops = rec.spans_where(|k| matches!(k, SpanKind::Point { .. } | SpanKind::FlatOut));
        tops.filter_map(|s| level::settled_speed(rec, witness, s.t0_s, s.t1_s)).map(|r| r.value).reduce(f64::max)
    })?;
    let speed = stats::median(&speeds)?;
    (speed > 0.15 * top).then(|| format!("breaks away: jumps from rest to {} rpm", significant(speed, 3)))
}

#[cfg(test)]
mod tests {
    use super::*;

    use crate::analysis::synthetic::{Bench, RESPONSE_S, ascend, at, descend};

    fn found(bench: &Bench) -> Findings {
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        findings
    }

    fn interval(findings: &Findings, name: ResultName) -> (f64, f64) {
        let [low, high] = findings.results[&name].interval.unwrap();
        // Percent of a fraction carries rounding in its last digits.
        ((low.unwrap() * 1e9).round() / 1e9, (high.unwrap() * 1e9).round() / 1e9)
    }

    /// A fan that starts at these duties, one after the other, and stops under 14.2 %.
    fn starts_at(starts: &[f64], duty_u_pct: f64) -> Findings {
        let mut bench = Bench::new(1);
        bench.rec.header.bench.duty_u_pct = duty_u_pct;
        for start in starts {
            ascend(&mut bench, 15.0, 0.5, *start, 40.0);
            bench.run(0.1, &[(Channel::SpeedRpm, &|_| 500.0, 0.2)]);
            descend(&mut bench, 30.0, 0.5, 14.2, 5.0);
        }
        // Speeds run to full elsewhere in a run.
        bench.set(at(90.0));
        bench.run(60.0, &[(Channel::SpeedRpm, &|_| 2400.0, 0.2)]);
        found(&bench)
    }

    #[test]
    fn trials_that_contradict_each_other_without_end_are_no_number() {
        let never = Bracket { below: 60.0, at: f64::INFINITY };
        let at_once = Bracket::under(5.0);
        let closed = Bracket { below: 20.0, at: 21.0 };
        for contradicting in [&[never, closed, at_once][..], &[closed, at_once], &[never, closed]] {
            assert_eq!(shared(contradicting).unwrap().width(), None, "{contradicting:?}");
        }
        let agreeing = Bracket::under(20.6);
        assert_eq!(shared(&[closed, agreeing]), Some(Bracket { below: 20.0, at: 20.6 }));
        // Whatever else comes to no number is taken out as well, with a reason.
        let mut findings = Findings::default();
        let measured = |value: f64| Measured::number(ResultName::OutputOnPct, value, K95, Vec::new(), "bracket", 3);
        findings.put(ResultName::OutputOnPct, measured(f64::NEG_INFINITY));
        findings.put(ResultName::OutputOffPct, measured(12.0));
        findings.drop_unreal();
        assert_eq!(findings.number(ResultName::OutputOnPct), None);
        assert!(findings.absent[&ResultName::OutputOnPct].contains("contradict"));
        assert_eq!(findings.number(ResultName::OutputOffPct), Some(12.0));
    }

    #[test]
    fn known_thresholds_are_recovered_with_honest_intervals() {
        let findings = starts_at(&[20.3, 20.9, 19.8, 20.4, 20.6, 20.1], 0.05);
        let (low, high) = interval(&findings, ResultName::StartDutyPct);
        assert!(low < 20.35 && 20.35 < high && high - low < 1.2, "{low} {high}");
        let (low, high) = interval(&findings, ResultName::StopDutyPct);
        assert!(low < 14.2 && 14.2 < high && high - low < 0.8, "{low} {high}");
        let (low, high) = interval(&findings, ResultName::HysteresisPct);
        assert!(low < 6.15 && 6.15 < high, "{low} {high}");
        assert!(findings.number(ResultName::StartDuty95Pct).unwrap() > 20.5);
        let names: Vec<&str> =
            findings.results[&ResultName::StartDutyPct].budget.iter().map(|c| c.name.as_str()).collect();
        assert!(names.contains(&"bracket width") && names.contains(&"duty at the pin"));
    }

    #[test]
    fn a_duty_that_is_off_at_the_pin_widens_start_and_stop_but_not_what_lies_between() {
        let with = |duty_u_pct: f64| {
            let findings = starts_at(&[20.3, 20.4, 20.3, 20.4], duty_u_pct);
            [ResultName::StartDutyPct, ResultName::HysteresisPct].map(|name| {
                let (low, high) = interval(&findings, name);
                high - low
            })
        };
        let ([start, between], [wide_start, wide_between]) = (with(0.0), with(1.0));
        assert!((wide_start - start.hypot(2.0 * K95)).abs() < 1e-6, "{start} {wide_start}");
        assert!((wide_between - between).abs() < 1e-6, "{between} {wide_between}");
    }

    #[test]
    fn never_stopping_and_always_starting_are_answers_with_their_bound() {
        let mut bench = Bench::new(2);
        ascend(&mut bench, 10.0, 1.0, 5.0, 40.0);
        descend(&mut bench, 40.0, 5.0, 0.0, 10.0);
        let findings = found(&bench);
        assert!(
            findings.absent[&ResultName::StartDutyPct].contains("starts at every duty offered; the lowest was 10 %")
        );
        assert!(findings.absent[&ResultName::StopDutyPct].contains("never stops down to 10 %"));
        assert!(findings.absent[&ResultName::OutputOnPct].contains("no output voltage"));
    }

    #[test]
    fn one_start_gives_its_bracket_and_no_spread() {
        let mut bench = Bench::new(3);
        ascend(&mut bench, 10.0, 2.0, 21.0, 60.0);
        let findings = found(&bench);
        assert_eq!(interval(&findings, ResultName::StartDutyPct), (20.0, 22.0));
        assert!(findings.absent.contains_key(&ResultName::StartDuty95Pct));
    }

    #[test]
    fn output_voltage_alone_proves_no_turning_but_brackets_the_output() {
        let mut bench = Bench::new(4);
        let t0_s = bench.t_s;
        bench.set(at(0.0));
        bench.run(0.5, &[(Channel::OutputV, &|_| 0.0, 0.01), (Channel::SupplyV, &|_| 13.0, 0.01)]);
        for duty in [8.0, 9.0, 10.0, 11.0, 12.0] {
            bench.set(at(duty));
            let volts = if duty > 10.5 { 1.2 } else { 0.0 };
            bench.run(1.0, &[(Channel::OutputV, &|_| volts, 0.01), (Channel::SupplyV, &|_| 13.0, 0.01)]);
        }
        bench.span(SpanKind::Ascend, t0_s);
        let findings = found(&bench);
        assert_eq!(interval(&findings, ResultName::OutputOnPct), (10.0, 11.0));
        assert!(findings.absent[&ResultName::StartDutyPct].contains("no proof of turning"));
        assert!(findings.absent[&ResultName::StopDutyPct].contains("no proof of turning"));
    }

    #[test]
    fn back_emf_of_a_coasting_fan_is_not_an_output() {
        let mut bench = Bench::new(5);
        let t0_s = bench.t_s;
        for (duty, on) in [(30.0, true), (20.0, true), (15.0, false)] {
            bench.set(at(duty));
            let volts = move |t: f64| if on { 0.13 * duty } else { 2.0 * (-t / 8.0).exp() };
            bench.run(3.0, &[(Channel::OutputV, &volts, 0.01), (Channel::SupplyV, &|_| 13.0, 0.01)]);
        }
        bench.span(SpanKind::Descend, t0_s);
        assert_eq!(interval(&found(&bench), ResultName::OutputOffPct), (15.0, 20.0));
    }

    #[test]
    fn a_fan_that_comes_to_rest_as_a_step_ends_leaves_no_output_behind() {
        let mut bench = Bench::new(5);
        let t0_s = bench.t_s;
        for (duty, on) in [(10.0, true), (9.0, true), (8.0, false)] {
            bench.set(at(duty));
            let volts = move |t: f64| if on { 0.16 * duty } else { (3.0 * (1.25 - t)).clamp(0.0, 1.0) };
            bench.run(1.8, &[(Channel::OutputV, &volts, 0.01), (Channel::SupplyV, &|_| 13.0, 0.01)]);
        }
        bench.span(SpanKind::Descend, t0_s);
        assert_eq!(interval(&found(&bench), ResultName::OutputOffPct), (8.0, 9.0));
    }

    #[test]
    fn a_kick_start_is_named() {
        let mut bench = Bench::new(6);
        let t0_s = bench.t_s;
        bench.set(at(0.0));
        let still: &dyn Fn(f64) -> f64 = &|_| 0.0;
        let supply: &dyn Fn(f64) -> f64 = &|_| 13.0;
        bench.run(
            0.5,
            &[(Channel::SpeedRpm, still, 0.0), (Channel::OutputV, still, 0.01), (Channel::SupplyV, supply, 0.01)],
        );
        for (duty, on) in [(10.0, false), (12.0, false), (14.0, true)] {
            bench.set(at(duty));
            let volts = move |t: f64| {
                if !on {
                    0.0
                } else if t < 0.5 {
                    5.2
                } else {
                    1.8
                }
            };
            let speed = move |_: f64| if on { 300.0 } else { 0.0 };
            bench.run(
                3.0,
                &[(Channel::SpeedRpm, &speed, 0.0), (Channel::OutputV, &volts, 0.01), (Channel::SupplyV, supply, 0.01)],
            );
        }
        bench.span(SpanKind::Ascend, t0_s);
        let note = found(&bench).results[&ResultName::StartDutyPct].note.clone().unwrap();
        assert!(note.contains("kick start: output goes to 5.2 V (40 % of the supply) for 0.5 s"), "{note}");
    }

    #[test]
    fn a_tach_start_is_dated_back_to_breakaway() {
        // The fan breaks away 0.1 s before the step to 22 %, its first edge comes after it.
        let mut bench = Bench::new(7);
        let t0_s = bench.t_s;
        bench.set(at(0.0));
        bench.run(1.0, &[]);
        bench.tach(1.0, &|_| 0.0);
        for duty in [18.0, 20.0] {
            bench.set(at(duty));
            bench.run(2.0, &[]);
            bench.tach(2.0, &|t| if duty > 19.0 { 200.0 * (t - 1.9).max(0.0) } else { 0.0 });
        }
        bench.set(at(22.0));
        bench.run(2.0, &[]);
        bench.tach(2.0, &|t| 20.0 + 200.0 * t);
        bench.span(SpanKind::Ascend, t0_s);
        let (low, high) = interval(&found(&bench), ResultName::StartDutyPct);
        // The true cause is the step to 20 %; a first edge taken as the start would say 20 to 22.
        assert!(low <= 18.0 && high >= 20.0, "{low} {high}");
    }

    #[test]
    fn spin_up_left_over_from_before_is_no_start() {
        let mut bench = Bench::new(8);
        let t0_s = bench.t_s;
        bench.set(at(10.0));
        bench.run(4.0, &[(Channel::SpeedRpm, &|t| 400.0 * (-t / 0.5).exp(), 0.0)]);
        for (duty, speed) in [(12.0, 0.0), (14.0, 0.0), (16.0, 300.0), (40.0, 1_000.0)] {
            bench.set(at(duty));
            bench.run(2.0, &[(Channel::SpeedRpm, &|t| if duty != 16.0 || t > RESPONSE_S { speed } else { 0.0 }, 0.1)]);
        }
        bench.span(SpanKind::Ascend, t0_s);
        assert_eq!(interval(&found(&bench), ResultName::StartDutyPct), (14.0, 16.0));
    }

    #[test]
    fn moving_the_clock_changes_nothing() {
        let at_offset = |offset: f64| {
            let mut bench = Bench::new(9);
            bench.t_s = offset;
            ascend(&mut bench, 10.0, 1.0, 17.5, 40.0);
            descend(&mut bench, 40.0, 1.0, 12.5, 5.0);
            found(&bench)
        };
        let (a, b) = (at_offset(0.0), at_offset(1_000.0));
        assert_eq!(a.results[&ResultName::StartDutyPct], b.results[&ResultName::StartDutyPct]);
        assert_eq!(a.results[&ResultName::StopDutyPct], b.results[&ResultName::StopDutyPct]);
    }
}
