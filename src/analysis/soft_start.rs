//! Soft start: delay, ramp and its shape, peak current, and what a hard start would have drawn.

use statrs::distribution::{Continuous, ContinuousCDF, Normal};

use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};
use crate::results::{Findings, Fitted, Measured, ResultName};

use super::command;
use super::estimate::{self, Estimate, miss_all, pool, spans};
use super::line;
use super::load_fan;
use super::motor_fit::{self, By, LEFT_MOST, LEFT_SHARE, MotorFit};
use super::peak::{self, Peak};
use super::ramp::{RampFigures, Trace, Unreadable};
use super::signal::settling::{self, Rule};
use super::signal::{fit, stats, steps};
use super::{speed, zero};

const RAMP: [ResultName; 3] = [ResultName::Ramp1090S, ResultName::RampFullS, ResultName::RampShape];
const CURRENT: [ResultName; 3] = [ResultName::PeakSupplyA, ResultName::InrushRatio, ResultName::SoftStartShare];

/// One start with its command edge.
#[derive(Clone, Copy)]
struct Start<'a> {
    span: &'a Span,
    edge_s: f64,
}

/// Fills in everything that a start from a command tells.
pub(crate) fn find(rec: &Recording, findings: &mut Findings) {
    from_awake(rec, findings);
    from_asleep(rec, findings);
}

fn from_awake(rec: &Recording, findings: &mut Findings) {
    let spans = spans(rec, &SpanKind::Start);
    if spans.is_empty() {
        return;
    }
    let starts = comparable(rec, &spans);
    if starts.is_empty() {
        let reason = format!("the start shows no command edge{}", estimate::shortfall(&spans));
        miss_all(findings, &RAMP, &reason);
        miss_all(findings, &CURRENT, &reason);
        findings.miss(ResultName::CommandDelayS, reason);
        return;
    }
    let on_ohm = findings.number(ResultName::OnResistanceOhm);
    let fits: Vec<Option<MotorFit>> =
        starts.iter().map(|start| motor_fit::fit_start(rec, start.edge_s, start.span.t1_s, on_ohm)).collect();
    let fan = fits.first().and_then(Option::as_ref);
    findings.fan_resistance_ohm = fan.map(|fan| Fitted { value: fan.resistance_ohm, u: fan.resistance_u });
    delay(rec, &starts, fan, findings);
    let arrivals = ramp(rec, &starts, &fits, &spans, findings);
    current(rec, &starts, &arrivals, fits, findings);
}

/// Starts to the same duty as the first.
fn comparable<'a>(rec: &Recording, spans: &'a [Span]) -> Vec<Start<'a>> {
    let mut duty = None;
    spans
        .iter()
        .filter_map(|span| {
            let (edge_s, _, after) = command::first_change(rec, span)?;
            let first = *duty.get_or_insert(after.duty.fraction());
            ((after.duty.fraction() - first).abs() < 0.01).then_some(Start { span, edge_s })
        })
        .collect()
}

fn trace(rec: &Recording, start: &Start<'_>) -> Result<Trace, Unreadable> {
    Trace::of_output(rec, start.span.t0_s, start.edge_s, start.span.t1_s)
}

/// Delay from the edge to the onset of output, of the starts from awake.
fn delay(rec: &Recording, starts: &[Start<'_>], fan: Option<&MotorFit>, findings: &mut Findings) {
    let name = ResultName::CommandDelayS;
    let awake: Vec<Start<'_>> =
        starts.iter().filter(|start| !line::asleep(rec, start.edge_s - 0.2, start.edge_s)).copied().collect();
    if awake.is_empty() {
        findings.miss(name, "the unit was asleep when the command came");
        return;
    }
    let starts = &awake;
    let found: Vec<(Estimate, bool)> = starts.iter().filter_map(|start| output_delay(rec, start, fan)).collect();
    let hidden = found.iter().any(|(_, hidden)| *hidden);
    let found: Vec<Estimate> = found.into_iter().map(|(delay, _)| delay).collect();
    if let Some(delay) = pool(&found) {
        findings.put(name, delay_measured(name, &delay, found.len(), hidden));
        return;
    }
    if rec.channels.contains_key(&Channel::OutputV) {
        findings.miss(name, Unreadable::NoRise.words());
        return;
    }
    let found: Vec<Estimate> = starts.iter().filter_map(|start| current_delay(rec, start)).collect();
    match pool(&found) {
        Some(delay) => {
            let why = "onset of supply current; no output voltage was recorded";
            findings.put(name, delay.measured(name, "onset", found.len() as u64).proxy(why));
        }
        None => findings.miss(name, "neither output voltage nor a clear rise of supply current was recorded"),
    }
}

fn delay_measured(name: ResultName, delay: &Estimate, n: usize, hidden: bool) -> Measured {
    let mut measured = delay.measured(name, "onset", n as u64);
    // Nothing comes before its command.
    if let Some([Some(low), _]) = &mut measured.interval {
        *low = low.max(0.0);
    }
    if hidden {
        measured.noted("begin of the ramp by its shape: the first output does not get past the freewheel drop")
    } else {
        measured
    }
}

/// What a ramp is off its shape where it is seen (share of full) counts so many times as a share of the time that is hidden,
/// between these.
const UNSEEN: f64 = 10.0;
const LEAST_UNLIKE: f64 = 0.003;
const MOST_UNLIKE: f64 = 0.06;

/// Smallest freewheel drop over the supply voltage that hides the begin of a ramp.
const WHEEL: f64 = 0.01;
/// It is at least so many of its standard uncertainties: a synchronous freewheel has none, and a fit finds a little.
const WHEEL_CLEAR: f64 = 2.8;

/// Delay from the edge to the onset of output in any span that holds a start; `None` where no output comes on and settles.
pub(crate) fn delay_in(rec: &Recording, span: &Span, edge_s: f64, fan: Option<&MotorFit>) -> Option<Estimate> {
    output_delay(rec, &Start { span, edge_s }, fan).map(|(delay, _)| delay)
}

/// Delay by output voltage, and whether its begin was hidden by the freewheel drop.
fn output_delay(rec: &Recording, start: &Start<'_>, fan: Option<&MotorFit>) -> Option<(Estimate, bool)> {
    let trace = trace(rec, start).ok()?;
    let visible = trace.onset(start.edge_s)?;
    let hidden = fan.filter(|fan| fan.wheel.0 > WHEEL && fan.wheel.0 > WHEEL_CLEAR * fan.wheel.1).and_then(|fan| {
        let (wheel, u) = fan.wheel;
        let figures = trace.figures(start.edge_s)?;
        let begin = trace.hidden_begin(&figures, (wheel, u), fan.on_ohm)?;
        Some((begin.at, begin))
    });
    Some(match hidden {
        Some((at, begin)) => {
            let mut estimate = delay_estimate(rec, Channel::OutputV, at, start.edge_s);
            estimate.parts.push(estimate::lasting("freewheel drop", begin.by_wheel_s));
            // A ramp may be as unlike its model where it is not seen as it is where it is.
            let unlike = (UNSEEN * begin.unlike).clamp(LEAST_UNLIKE, MOST_UNLIKE);
            let unseen = unlike * (visible.at.t_s - at.t_s).abs();
            estimate.parts.push(estimate::lasting("shape of the hidden begin", unseen));
            (between(estimate, visible.at.t_s - start.edge_s), true)
        }
        None => (delay_estimate(rec, Channel::OutputV, visible.at, start.edge_s), false),
    })
}

/// Chance of lying between its two ends below which a hidden begin is no longer believed.
const EXCLUDED: f64 = 0.01;

/// The same with what is known besides: a hidden begin is not before its command nor after the first output that is seen.
/// Mean and standard deviation of a normal distribution cut off at both ends (JCGM 101, 6.4: all that is known goes into
/// the distribution).
fn between(estimate: Estimate, latest_s: f64) -> Estimate {
    let u = estimate.variance().sqrt();
    if latest_s <= 0.0 {
        return estimate;
    }
    let normal = Normal::standard();
    let (low, high) = (-estimate.value / u, (latest_s - estimate.value) / u);
    let within = normal.cdf(high) - normal.cdf(low);
    let (value, cut_u, excess) = if within < EXCLUDED {
        // Its own shape is refuted: all that is known is what it lies between.
        (0.5 * latest_s, latest_s / 12.0_f64.sqrt(), stats::EVEN)
    } else {
        // Each moment of the cut distribution follows from the one two before it.
        let (p, q) = (normal.pdf(low) / within, normal.pdf(high) / within);
        let next = |n: i32, before: f64| f64::from(n - 1) * before + low.powi(n - 1) * p - high.powi(n - 1) * q;
        let (mean, second) = (p - q, next(2, 1.0));
        let (third, fourth) = (next(3, mean), next(4, second));
        let variance = (second - mean * mean).max(f64::MIN_POSITIVE);
        let central = fourth - 4.0 * mean * third + 6.0 * mean * mean * second - 3.0 * mean.powi(4);
        let excess = (central / (variance * variance) - 3.0).clamp(stats::EVEN, 0.0);
        (estimate.value + u * mean, u * variance.sqrt(), excess)
    };
    Estimate::new(value, estimate.weighted(cut_u / u)).shaped(excess)
}

fn delay_estimate(rec: &Recording, channel: Channel, at: steps::Instant, edge_s: f64) -> Estimate {
    let delay_s = at.t_s - edge_s;
    let clock = estimate::clock(rec, delay_s);
    let onset = estimate::instant(rec, "onset fit", &at, 30.0);
    let mut parts = vec![onset, estimate::on_the_grid(rec), estimate::between_samples(rec, true), clock];
    parts.extend(estimate::apart(rec, &[channel], false));
    Estimate::new(delay_s, parts)
}

fn current_delay(rec: &Recording, start: &Start<'_>) -> Option<Estimate> {
    let cells = zero::cells(rec, Channel::SupplyA, start.span.t0_s, start.span.t1_s, 2e-3);
    let (t, v): (Vec<f64>, Vec<f64>) = cells.into_iter().unzip();
    let before = t.partition_point(|t| *t < start.edge_s);
    let base = stats::mean(&v[..before])?;
    let highest = v.iter().copied().fold(0.0, f64::max);
    let onset = steps::onset(&t, &v, base, 0.12 * (highest - base))?;
    Some(delay_estimate(rec, Channel::SupplyA, onset.at, start.edge_s))
}

/// Fans break loose about where the output is at a tenth. One that hardly turns draws some percent more or less according to
/// where its commutator stands, and so does what the module loses by it.
const STANDING_RIPPLE: f64 = 0.036;

/// Where the output of a start leads.
#[derive(Clone, Copy)]
struct Arrival {
    /// Settled output over the supply voltage.
    ratio: f64,
    /// What of that may come at once after the recording.
    last_step: f64,
}

/// The highest current of a start, as it was seen and as it may yet come to be.
struct Peaked<'a> {
    start: &'a Start<'a>,
    seen: Peak,
    peak: Peak,
    fit: Option<MotorFit>,
}

/// Ramp results; returns where the output of each start leads, as far as it was seen.
fn ramp(
    rec: &Recording,
    starts: &[Start<'_>],
    fits: &[Option<MotorFit>],
    spans: &[Span],
    findings: &mut Findings,
) -> Vec<Option<Arrival>> {
    let read: Vec<Result<(Trace, RampFigures), Unreadable>> = starts
        .iter()
        .zip(fits)
        .map(|(start, fan)| trace(rec, start)?.read(start.edge_s, fan.as_ref()).ok_or(Unreadable::NoRise))
        .collect();
    let good: Vec<&(Trace, RampFigures)> = read.iter().filter_map(|r| r.as_ref().ok()).collect();
    if !good.is_empty() {
        put_ramp(rec, &good, "output", None, findings);
        let arrival = |(trace, _): &(Trace, _)| Arrival { ratio: trace.settled, last_step: trace.last_step() };
        return read.iter().map(|read| read.as_ref().ok().map(arrival)).collect();
    }
    let why = read.iter().find_map(|r| r.as_ref().err().copied()).unwrap_or(Unreadable::NoRise);
    if why == Unreadable::NoOutput {
        ramp_from_speed(rec, starts, findings);
    } else {
        miss_all(findings, &RAMP, &format!("{}{}", why.words(), estimate::shortfall(spans)));
    }
    vec![None; starts.len()]
}

fn put_ramp(
    rec: &Recording,
    good: &[&(Trace, RampFigures)],
    method: &str,
    proxy: Option<&str>,
    findings: &mut Findings,
) {
    let n = good.len() as u64;
    let times = |from: fn(&RampFigures) -> steps::Instant, to: fn(&RampFigures) -> steps::Instant, share: f64| {
        let one = |(trace, figures): &&(Trace, RampFigures)| {
            let (a, b) = (from(figures), to(figures));
            let per_unit = trace.seconds_per_unit(figures, share);
            let span_s = b.t_s - a.t_s;
            let mut parts = vec![
                estimate::instant(rec, "first crossing", &a, 20.0),
                estimate::instant(rec, "last crossing", &b, 20.0),
                estimate::lasting("settled level", per_unit * share * trace.settled_beside_noise()),
                estimate::clock(rec, span_s),
            ];
            let through_a_tenth = from(figures) == figures.t_10 && figures.t_10 != figures.onset.at;
            let by_zero = trace.by_zero(figures, through_a_tenth.then_some(0.1), share);
            parts.push(estimate::lasting("output_v zero", by_zero));
            let lost = if through_a_tenth { trace.lost_through(0.1, figures.t_10.t_s) } else { 0.0 };
            let standing = STANDING_RIPPLE * lost * trace.seconds_per_unit(figures, 0.1);
            parts.push(estimate::random("ripple of a fan that hardly turns", standing).even());
            let first_s = if through_a_tenth { trace.by_slow_noise(figures, 0.1) } else { 0.0 };
            parts.push(estimate::random("slow noise", first_s.hypot(trace.by_slow_noise(figures, share))));
            let steps = matches!(figures.shape.name, "stepped" | "jump_then_ramp" | "none");
            parts.push(estimate::between_samples(rec, steps));
            parts.extend(estimate::apart_within(rec, (method == "output").then_some(Channel::OutputV)));
            Estimate::new(span_s, parts)
        };
        pool(&good.iter().map(one).collect::<Vec<_>>())
    };
    let jump = good.iter().map(|(_, figures)| figures.jump_share).sum::<f64>() / n as f64;
    let note = (jump > 0.005).then(|| format!("jumps to {:.0} % of the settled output at first", 100.0 * jump));
    let finish = |measured: Measured| match (proxy, &note) {
        (Some(why), _) => measured.proxy(why),
        (None, Some(note)) => measured.noted(note.clone()),
        (None, None) => measured,
    };
    let ramp = times(|f| f.t_10, |f| f.t_90, 0.9);
    let full = times(|f| f.onset.at, |f| f.t_95, 0.95);
    for (name, estimate) in [(ResultName::Ramp1090S, ramp), (ResultName::RampFullS, full)] {
        if let Some(estimate) = estimate {
            findings.put(name, finish(estimate.measured(name, method, n)));
        }
    }
    if let Some((_, figures)) = good.first() {
        let shape = figures.shape.name;
        findings.put(ResultName::RampShape, finish(Measured::word(ResultName::RampShape, shape, "fit", n)));
    }
}

/// Ramp from the speed where no output voltage is there: with the fan's lag taken out if the run tells it.
fn ramp_from_speed(rec: &Recording, starts: &[Start<'_>], findings: &mut Findings) {
    let lag = fan_lag(rec, starts);
    let good: Vec<(Trace, RampFigures)> = starts
        .iter()
        .filter_map(|start| {
            let track = speed::speed_track(rec, start.span.t0_s, start.span.t1_s, SPEED_STEP_S);
            let (t, rpm): (Vec<f64>, Vec<f64>) = track.into_iter().unzip();
            let output = without_lag(&rpm, lag.as_ref());
            Trace::finish(t, output, start.edge_s, 0.0).ok()?.read(start.edge_s, None)
        })
        .collect();
    if good.is_empty() {
        miss_all(findings, &RAMP, "neither output voltage nor a speed that settles was recorded");
        return;
    }
    let (method, why) = match lag {
        Some(_) => ("speed less lag", "from speed with the fan's own lag taken out; no output voltage was recorded"),
        None => ("speed", "from speed, the fan's own run-up is in it; no output voltage was recorded"),
    };
    put_ramp(rec, &good.iter().collect::<Vec<_>>(), method, Some(why), findings);
}

const SPEED_STEP_S: f64 = 0.02;

/// How the fan lags behind its voltage.
struct Lag {
    /// Share of the voltage that its resistance takes at the settled current: settled over locked-rotor current.
    resistive: f64,
    /// Settled speed over the rate at which it falls right after the output is off.
    coast_s: f64,
}

/// Lag from the settled current, the locked-rotor current of the rig file and the first moments of a stop.
fn fan_lag(rec: &Recording, starts: &[Start<'_>]) -> Option<Lag> {
    let end_s = starts.first()?.span.t1_s;
    let settled_a = zero::level(rec, Channel::SupplyA, end_s - 0.5, end_s)?.value;
    let resistive = (settled_a / rec.header.bench.locked_rotor_a?).clamp(0.0, 0.9);
    let stop = rec.spans_where(|kind| matches!(kind, SpanKind::Stop)).next()?;
    let (cut_s, ..) = command::first_change(rec, stop)?;
    let before = speed::mean_speed(rec, cut_s - 0.25, cut_s)?.rpm;
    let track = speed::speed_track(rec, cut_s + 0.15, cut_s + 0.75, 0.05);
    let (t, rpm): (Vec<f64>, Vec<f64>) = track.into_iter().unzip();
    let line = stats::line(&t, &rpm).filter(|line| line.slope < 0.0)?;
    Some(Lag { resistive, coast_s: before / -line.slope })
}

/// Voltage at the fan, relative, from its speed: v = (1 - r) w + r (w² + T dw/dt), all over their settled values.
fn without_lag(rpm: &[f64], lag: Option<&Lag>) -> Vec<f64> {
    let Some(lag) = lag else { return rpm.to_vec() };
    let settled = stats::median(&rpm[rpm.len() - rpm.len() / 8 - 1..]).unwrap_or(1.0).max(1.0);
    let w: Vec<f64> = rpm.iter().map(|v| v / settled).collect();
    let reach = 4;
    (0..w.len())
        .map(|i| {
            let (a, b) = (i.saturating_sub(reach), (i + reach).min(w.len() - 1));
            let rate = (w[b] - w[a]) / ((b - a).max(1) as f64 * SPEED_STEP_S);
            let torque = w[i] * w[i] + lag.coast_s * rate;
            (1.0 - lag.resistive) * w[i] + lag.resistive * torque
        })
        .collect()
}

/// Peak, its ratio to the settled current, and the share that the soft start takes away.
fn current(
    rec: &Recording,
    starts: &[Start<'_>],
    arrivals: &[Option<Arrival>],
    fits: Vec<Option<MotorFit>>,
    findings: &mut Findings,
) {
    if !rec.channels.contains_key(&Channel::SupplyA) {
        miss_all(findings, &CURRENT, "no supply current was recorded");
        return;
    }
    let ratio = arrivals.iter().flatten().map(|arrival| arrival.ratio).next();
    let found: Vec<Peaked<'_>> = starts
        .iter()
        .zip(arrivals)
        .zip(fits)
        .filter_map(|((start, arrival), fit)| {
            let peak = peak::supply_current(rec, start.edge_s, start.span.t1_s)?;
            let last_a = arrival.zip(fit.as_ref()).and_then(|(arrival, fan)| last_step(rec, start, arrival, fan));
            Some(Peaked { start, seen: peak, peak: last_a.map_or(peak, |last_a| peak.open_to(last_a)), fit })
        })
        .collect();
    let estimates: Vec<Estimate> =
        found.iter().map(|found| Estimate::new(found.peak.value, found.peak.parts())).collect();
    let (Some(Peaked { start, seen, peak, fit }), Some(pooled)) = (found.first(), pool(&estimates)) else {
        miss_all(findings, &CURRENT, "no supply current was recorded during the start");
        return;
    };
    let n = estimates.len() as u64;
    let mut note = format!("{:.2} s after the command", seen.t_s - start.edge_s);
    if peak.value > seen.value {
        note += &format!(
            ", where it was {:.2} A; what the ramp has left when the record ends may come at once",
            seen.value
        );
    }
    findings.put(ResultName::PeakSupplyA, pooled.measured(ResultName::PeakSupplyA, "5 ms mean", n).noted(note));
    if let Some(fan) = fit {
        let hard = fan.hard_start(ratio.unwrap_or(1.0).clamp(0.0, 1.0));
        findings.load_fan = Some(load_fan::identify(rec, fan, start.span, seen.value, &hard));
    }
    let read: Vec<(Peak, zero::Level, Option<MotorFit>)> = found
        .into_iter()
        .filter_map(|Peaked { start, peak, fit, .. }| {
            let left_a = fit.as_ref().zip(ratio).and_then(|(fan, ratio)| fan.left_a(ratio));
            Some((peak, settled_current(rec, start, peak.t_s, left_a)?, fit))
        })
        .collect();
    if read.is_empty() {
        let reason = "the supply current did not settle within the recorded start";
        miss_all(findings, &CURRENT[1..], reason);
        return;
    }
    let inrush = pool(&read.iter().map(|(peak, settled, _)| inrush(peak, settled)).collect::<Vec<_>>());
    if let Some(inrush) = inrush {
        let name = ResultName::InrushRatio;
        findings.put(name, inrush.measured(name, "5 ms mean", read.len() as u64));
    }
    share(rec, &read, ratio, findings);
}

/// Supply current that a start may yet come to when the last of its ramp comes at once: the output steps up by that, and the
/// fan has no more voltage of its own than before. `None` where nothing is still to come.
fn last_step(rec: &Recording, start: &Start<'_>, arrival: Arrival, fan: &MotorFit) -> Option<f64> {
    let end_s = start.span.t1_s;
    let mean = |channel| zero::level(rec, channel, end_s - motor_fit::END_S, end_s).map(|level| level.value);
    let (supply_v, end_a) = (mean(Channel::SupplyV)?, mean(Channel::SupplyA)?);
    let ratio = arrival.ratio;
    let fan_a = arrival.last_step * supply_v / (fan.resistance_ohm + ratio * ratio * fan.source_ohm + fan.on_ohm);
    // The switch is on for longer too, and carries the fan's current then.
    (arrival.last_step > 0.0 && ratio > 0.0).then(|| end_a + ratio * fan_a + arrival.last_step * end_a / ratio)
}

/// A tail that still changes by this share of itself in a second is on its way.
const CREEPS: f64 = 1e-3;

/// Settled supply current at the end of a start: what it is there and what by the fitted fan is still to come, else its tail,
/// else what its approach leads to.
///
/// While a ramp creeps up to its end and the fan after it, what the one adds the other may take away: a current that stands
/// still is not yet that of its last speed.
fn settled_current(rec: &Recording, start: &Start<'_>, peak_s: f64, left_a: Option<f64>) -> Option<zero::Level> {
    // A start without a hump peaks at its end.
    let from_s = peak_s.min(start.span.t1_s - 2.5).max(start.edge_s);
    let cells = zero::cells(rec, Channel::SupplyA, from_s, start.span.t1_s, 0.05);
    let (t, v): (Vec<f64>, Vec<f64>) = cells.into_iter().unzip();
    let last = *v.last()?;
    let rule = Rule { span_s: 1.0, tolerance: 0.003 * last.abs().max(0.1) };
    let end = t.partition_point(|t_s| *t_s < start.span.t1_s - motor_fit::END_S);
    let believed = left_a.zip(stats::mean(&v[end..])).filter(|(left, mean)| left.abs() < LEFT_MOST * mean);
    // About a line: what still changes there is what is still to come.
    if let Some(((left_a, mean), line)) = believed.zip(stats::line(&t[end..], &v[end..])) {
        let n = (v.len() - end) as f64;
        let scatter = line.scatter;
        let u = (scatter / n.sqrt()).hypot(LEFT_SHARE * left_a);
        let m = stats::BatchedMean { mean: mean + left_a, u, dof: n - 2.0 };
        return Some(zero::corrected(rec, Channel::SupplyA, start.span.t1_s, &m)).filter(|level| level.value > 0.0);
    }
    let (mean, u, dof) = match settling::settled_tail(&t, &v, &rule) {
        // The end of the tail alone: at its begin the fan still gained the last of its speed.
        Some(tail) => match settling::end_of(&t[tail.from_index..], &v[tail.from_index..], rule.span_s) {
            Some((mean, u)) if u < CREEPS * mean.abs() => (mean, u, tail.dof),
            Some((mean, u)) => approach(&t, &v).unwrap_or((mean, u, tail.dof)),
            None => (tail.mean, tail.u, tail.dof),
        },
        None => approach(&t, &v)?,
    };
    let m = stats::BatchedMean { mean, u, dof };
    Some(zero::corrected(rec, Channel::SupplyA, start.span.t1_s, &m)).filter(|level| level.value > 0.0)
}

/// Where an exponential approach over the later part of the values leads, if it is nearly there: value, uncertainty,
/// degrees of freedom.
fn approach(t: &[f64], v: &[f64]) -> Option<(f64, f64, f64)> {
    let from = t.len() / 3;
    let (t, v) = (&t[from..], &v[from..]);
    let (first, last) = (*v.first()?, *v.last()?);
    let length_s = t[t.len() - 1] - t[0];
    let found = fit::fit(&[last, first - last, (0.3 * length_s).ln()], t.len(), |p, r| {
        for ((r, t_s), v) in r.iter_mut().zip(t).zip(v) {
            *r = v - p[0] - p[1] * (-(t_s - t[0]) / p[2].clamp(-5.0, 5.0).exp()).exp();
        }
    })?;
    let left = last - found.params[0];
    let near = left.abs() < 0.1 * found.params[0].abs() && found.params[2].exp() < length_s;
    let scatter = (found.rss / found.dof.max(1) as f64).sqrt();
    let u = (2.0 * found.u(0)).hypot(0.3 * left).hypot(scatter / (t.len() as f64).sqrt());
    near.then_some((found.params[0], u, 8.0))
}

fn inrush(peak: &Peak, settled: &zero::Level) -> Estimate {
    let ratio = peak.value / settled.value;
    // The gain is the same in both and cancels; the zero does so only in part.
    let zero_u = peak.u_zero * (1.0 - ratio).abs() / settled.value;
    let parts = vec![
        estimate::seen("noise and ripple at the peak", peak.u_noise / settled.value, peak.dof),
        estimate::seen("settled current", settled.u_noise * ratio / settled.value, settled.dof),
        estimate::lasting("supply_a zero", zero_u),
        peak.last_step(1.0 / settled.value),
    ];
    Estimate::new(ratio, parts)
}

/// Share of the hard-start peak that is taken away, over all starts of which a hard start can be predicted.
fn share(rec: &Recording, read: &[(Peak, zero::Level, Option<MotorFit>)], ratio: Option<f64>, findings: &mut Findings) {
    let name = ResultName::SoftStartShare;
    let hard = |fan: &MotorFit| fan.hard_start(ratio.unwrap_or(1.0).clamp(0.0, 1.0));
    let fitted: Vec<(&Peak, &zero::Level, f64, By)> = read
        .iter()
        .filter_map(|(peak, settled, fan)| fan.as_ref().map(hard).map(|hard| (peak, settled, hard.peak_a, hard.by)))
        .collect();
    let (all, proxy) = match (fitted.is_empty(), rec.header.bench.locked_rotor_a) {
        (false, _) => (fitted, None),
        // A fan that starts turning never draws quite the locked-rotor current in a 5 ms mean.
        (true, Some(locked_a)) => {
            let by = vec![("stated locked-rotor current", 0.04 * locked_a)];
            let stated = read.iter().map(|(peak, settled, _)| (peak, settled, 0.95 * locked_a, by.clone()));
            (stated.collect(), Some("hard start taken from the rig's fan data"))
        }
        (true, None) => {
            findings.miss(name, "the fan's resistance cannot be told from this start, so no hard start is predicted");
            return;
        }
    };
    let shares: Vec<Estimate> =
        all.iter().filter_map(|(peak, settled, a, by)| one_share(peak, settled, *a, by)).collect();
    let Some(pooled) = pool(&shares) else {
        findings.miss(name, "a hard start of this fan would hardly draw more than the settled current");
        return;
    };
    let measured = pooled.measured(name, "motor fit", shares.len() as u64);
    let words = format!("a hard start would draw {:.0} A", all[0].2);
    let fan = read.iter().find_map(|(_, _, fan)| fan.as_ref());
    let measured = match (proxy, fan) {
        (Some(why), _) => measured.proxy(&format!("{why}; {words}")),
        (None, Some(fan)) => measured.noted(format!(
            "{words} (fan {:.0} mOhm, supply {:.0} mOhm)",
            1e3 * fan.resistance_ohm,
            1e3 * fan.source_ohm
        )),
        (None, None) => measured.noted(words),
    };
    findings.put(name, measured);
}

/// Share of one start; `None` where a hard start would hardly draw more than the settled current.
fn one_share(peak: &Peak, settled: &zero::Level, hard_a: f64, hard_by: &[(&str, f64)]) -> Option<Estimate> {
    let room = hard_a - settled.value;
    if room < 0.1 * settled.value {
        return None;
    }
    let value = (hard_a - peak.value) / room;
    let per_hard_a = (peak.value - settled.value).abs() / (room * room);
    let of_hard = hard_by.iter().map(|(name, u)| estimate::lasting(name, u * per_hard_a));
    let mut parts = vec![
        estimate::seen("noise and ripple at the peak", peak.u_noise / room, peak.dof),
        estimate::seen("settled current", settled.u_noise * value.abs() / room, settled.dof),
        estimate::lasting("supply_a zero", peak.u_zero * (value - 1.0).abs() / room),
        peak.last_step(1.0 / room),
    ];
    parts.extend(of_hard);
    Some(Estimate::new(value, parts))
}

/// Delay of a start from asleep.
fn from_asleep(rec: &Recording, findings: &mut Findings) {
    let name = ResultName::CommandDelayAsleepS;
    let spans = spans(rec, &SpanKind::StartAsleep);
    if spans.is_empty() {
        return;
    }
    let starts: Vec<Start<'_>> = spans
        .iter()
        .filter_map(|span| command::first_change(rec, span).map(|(edge_s, ..)| Start { span, edge_s }))
        .collect();
    let on_ohm = findings.number(ResultName::OnResistanceOhm);
    let fan = starts.first().and_then(|start| motor_fit::fit_start(rec, start.edge_s, start.span.t1_s, on_ohm));
    let found: Vec<(Estimate, bool)> = starts.iter().filter_map(|s| output_delay(rec, s, fan.as_ref())).collect();
    let hidden = found.iter().any(|(_, hidden)| *hidden);
    let found: Vec<Estimate> = found.into_iter().map(|(delay, _)| delay).collect();
    match pool(&found) {
        Some(delay) => findings.put(name, delay_measured(name, &delay, found.len(), hidden)),
        None if !rec.channels.contains_key(&Channel::OutputV) => findings.miss(name, Unreadable::NoOutput.words()),
        None => findings.miss(
            name,
            format!(
                "the output did not come on and settle after the command from asleep{}",
                estimate::shortfall(&spans)
            ),
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::super::signal::stats::tests::noise;
    use super::super::synthetic::{self, Bench};
    use super::*;
    use crate::record::event::{ChannelFacts, LowRange};

    /// A soft start as the channels show it: ramp of `full_s`, delay 50 ms, a fan with a current hump.
    fn bench(full_s: f64, with_output: bool) -> Recording {
        bench_along(&|t| ((t - 0.05).max(0.0) / full_s).min(1.0), with_output)
    }

    /// The same along any ramp.
    fn bench_along(ratio: &dyn Fn(f64) -> f64, with_output: bool) -> Recording {
        let mut bench = Bench::new(3);
        bench.set(synthetic::at(0.0));
        bench.run(0.3, &[(Channel::SupplyV, &|_| 13.0, 0.005), (Channel::SupplyA, &|_| 0.02, 0.02)]);
        let mut rec = bench.rec;
        rec.settings.push((0.3, synthetic::at(95.0)));
        let (r, ke, j, source) = (0.14, 0.037, 0.008, 0.012);
        let load = ke * 20.0 / (270.0 * 270.0);
        let (mut w, mut i_fan, mut t) = (0.0_f64, 0.0_f64, 0.0_f64);
        let e = noise(11, 60_000, 1.0);
        let (mut sv, mut sa, mut ov, mut edges, mut turns) = (vec![], vec![], vec![], vec![], 0.0_f64);
        for step in 0..90_000_usize {
            t += 1e-4;
            let d = ratio(t);
            let supply = 13.0 - source * d * i_fan;
            let out = d * supply;
            i_fan += 1e-4 / 2e-4 * (out - ke * w - r * i_fan) / (1.0 + 0.5 * r);
            w = (w + 1e-4 / j * (ke * i_fan - 0.05 - load * w * w)).max(0.0);
            let before = (turns * 2.0).floor();
            turns += w * 1e-4 / std::f64::consts::TAU;
            if (turns * 2.0).floor() > before {
                edges.push(0.3 + t);
            }
            if step % 5 == 4 {
                let k = step / 5;
                sv.push((supply + 0.005 * e[k]) as f32);
                sa.push((0.02 + d * i_fan + 0.05 * e[k + 18_000]) as f32);
                ov.push((out + 0.005 * e[k + 36_000]) as f32);
            }
        }
        let mut push = |channel, values: &[f32]| rec.channels.entry(channel).or_default().push(0.30025, 5e-4, values);
        push(Channel::SupplyV, &sv);
        push(Channel::SupplyA, &sa);
        if with_output {
            let quiet: Vec<f32> = e[..600].iter().map(|e| (0.005 * e) as f32).collect();
            rec.channels.entry(Channel::OutputV).or_default().push(2.5e-4, 5e-4, &quiet);
            rec.channels.entry(Channel::OutputV).or_default().push(0.30025, 5e-4, &ov);
        } else {
            rec.tach_s = Some(edges);
            rec.header.bench.pulses_per_rev = Some(2.0);
        }
        rec.end_s = 9.3;
        rec.spans.push(Span {
            kind: SpanKind::Start,
            stage: "soft_start".to_owned(),
            t0_s: 0.0,
            t1_s: 9.3,
            complete: Ok(()),
        });
        rec
    }

    #[test]
    fn a_hidden_begin_lies_between_command_and_first_output_whatever_its_shape_says() {
        let of = |value: f64, u: f64| between(Estimate::new(value, vec![estimate::lasting("shape", u)]), 0.06);
        let close = |a: f64, b: f64| assert!((a - b).abs() < 1e-6, "{a} for {b}");
        let sure = of(0.03, 0.002);
        close(sure.value, 0.03);
        close(sure.variance().sqrt(), 0.002);
        // Nothing known but the two ends: the middle, evenly spread.
        let unsure = of(0.03, 2.0);
        close(unsure.value, 0.03);
        close(unsure.variance().sqrt(), 0.06 / 12.0_f64.sqrt());
        // Half of the distribution is before the command: the mean of the other half, cut far above.
        let half = between(Estimate::new(0.0, vec![estimate::lasting("shape", 0.01)]), 1.0);
        close(half.value, 0.01 * (2.0 / std::f64::consts::PI).sqrt());
        close(half.variance().sqrt(), 0.01 * (1.0 - 2.0 / std::f64::consts::PI).sqrt());
        let shown = |delay: &Estimate| delay_measured(ResultName::CommandDelayS, delay, 1, true).interval;
        assert_eq!(shown(&half).and_then(|[low, _]| low), Some(0.0), "nothing comes before its command");
        // Evenly between two ends: the middle 95 % of what lies between them.
        let [Some(low), Some(high)] = shown(&unsure).expect("a number has one") else { panic!("{unsure:?}") };
        assert!((low - 0.025 * 0.06).abs() < 1e-4 && (high - 0.975 * 0.06).abs() < 1e-4, "{low} {high}");
        // A shape that leads elsewhere is wrong, and says nothing.
        for beyond in [of(0.5, 0.001), of(-0.05, 0.01)] {
            close(beyond.value, 0.03);
            close(beyond.variance().sqrt(), 0.06 / 12.0_f64.sqrt());
        }
    }

    #[test]
    fn a_linear_soft_start_comes_out_whole() {
        let mut findings = Findings::default();
        find(&bench(3.0, true), &mut findings);
        let near = |name, value: f64, within: f64| {
            let found = findings.number(name).unwrap_or_else(|| panic!("{name}: {:?}", findings.absent));
            assert!((found - value).abs() < within, "{name}: {found} for {value}");
        };
        near(ResultName::CommandDelayS, 0.05, 0.01);
        near(ResultName::Ramp1090S, 2.4, 0.02);
        near(ResultName::RampFullS, 2.85, 0.03);
        assert_eq!(findings.word(ResultName::RampShape), Some("linear"));
        assert!(findings.number(ResultName::SoftStartShare).is_some_and(|share| (0.7..1.05).contains(&share)));
        assert!(findings.number(ResultName::InrushRatio).is_some_and(|ratio| (1.0..2.0).contains(&ratio)));
    }

    #[test]
    fn what_a_ramp_has_left_at_the_end_of_its_record_may_come_at_once() {
        let found = |ratio: &dyn Fn(f64) -> f64| {
            let mut findings = Findings::default();
            find(&bench_along(ratio, true), &mut findings);
            findings
        };
        let open = |findings: &Findings, name: ResultName| {
            let budget = &findings.results[&name].budget;
            budget.iter().find(|part| part.name == "a last step after the record").map(|part| part.u)
        };
        let slow = found(&|t| 1.0 - (-(t - 0.05).max(0.0) / 1.9).exp());
        let peak = &slow.results[&ResultName::PeakSupplyA];
        // A hundredth of the way is left, of which the last step is 0.4: 0.05 V across 0.15 Ohm, and as much longer on.
        let u_a = open(&slow, ResultName::PeakSupplyA).expect("a line");
        assert!((0.7 * 0.42..1.05 * 0.42).contains(&(u_a * 12.0_f64.sqrt())), "{peak:?}");
        assert!(peak.note.as_ref().is_some_and(|note| note.contains("may come at once")), "{peak:?}");
        for name in [ResultName::InrushRatio, ResultName::SoftStartShare] {
            assert!(open(&slow, name).is_some_and(|u| u > 0.0), "{name}");
        }
        let over = found(&|t| ((t - 0.05).max(0.0) / 3.0).min(1.0));
        assert_eq!(open(&over, ResultName::PeakSupplyA), Some(0.0), "it is there");
        let of_hard = |part: &&crate::results::Contribution| part.name.ends_with("of the fan");
        let parts = over.results[&ResultName::SoftStartShare].budget.iter().filter(of_hard).count();
        assert_eq!(
            parts,
            3,
            "resistance, inductance and model: {:?}",
            over.results[&ResultName::SoftStartShare].budget
        );
    }

    #[test]
    fn a_step_falls_between_two_samples_of_a_real_bench_and_a_ramp_does_not() {
        for (full_s, falls) in [(3.0, false), (0.002, true)] {
            let mut findings = Findings::default();
            find(&bench(full_s, true), &mut findings);
            let budget = &findings.results[&ResultName::RampFullS].budget;
            let part = budget.iter().find(|part| part.name == "instants of the samples");
            assert_eq!(part.is_some_and(|part| part.u > 1e-4), falls, "{full_s}: {budget:?}");
        }
    }

    #[test]
    fn a_start_of_a_sleeping_unit_gives_no_delay_from_awake() {
        for (low, absent) in [(Some(LowRange { range: 0.1, ..LowRange::default() }), true), (None, false)] {
            let mut rec = bench(3.0, true);
            let facts = ChannelFacts { low, ..ChannelFacts::default() };
            rec.header.bench.channels.insert(Channel::SupplyA, facts);
            // The made-up unit draws 20 mA before the command.
            rec.header.plan_facts.asleep_below_a = Some(0.03);
            let mut findings = Findings::default();
            find(&rec, &mut findings);
            let reason = findings.absent.get(&ResultName::CommandDelayS);
            assert_eq!(reason.is_some_and(|why| why.contains("asleep")), absent, "{reason:?}");
        }
    }

    #[test]
    fn a_lost_soft_start_peaks_hard_and_takes_little_away() {
        let mut findings = Findings::default();
        find(&bench(0.002, true), &mut findings);
        assert_eq!(findings.word(ResultName::RampShape), Some("none"));
        let share = findings.number(ResultName::SoftStartShare).expect("a share");
        assert!(share.abs() < 0.12, "{share}");
    }

    #[test]
    fn without_output_voltage_the_ramp_comes_from_speed_and_says_so() {
        let mut findings = Findings::default();
        find(&bench(3.0, false), &mut findings);
        let ramp = findings.results.get(&ResultName::Ramp1090S).expect("from speed");
        assert!(ramp.is_proxy() && ramp.as_number().is_some_and(|s| (2.0..3.2).contains(&s)), "{ramp:?}");
        assert!(findings.results.get(&ResultName::CommandDelayS).is_none_or(Measured::is_proxy));
    }

    #[test]
    fn a_recording_without_a_start_is_left_alone() {
        let mut findings = Findings::default();
        find(&Recording::default(), &mut findings);
        assert_eq!(findings, Findings::default());
    }
}
