//! After the off command: when the output is gone, and how long the fan takes to a tenth of its speed.

use crate::bench::{Channel, Line};
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};
use crate::results::{Findings, ResultName};

use super::command;
use super::estimate::{self, Estimate, pool, shortfall, spans};
use super::signal::{coast, fit, stats, steps, tach};
use super::{speed, zero};

/// Share of the former speed at which the fan counts as run down.
const SLOW: f64 = 0.1;
/// Output voltage this share of the former one right after the output is gone means that the module shorts the fan.
const BRAKED: f64 = 0.1;

/// One stop with its command edge and the settled state before.
struct Stop<'a> {
    span: &'a Span,
    edge_s: f64,
    /// Off was a line without edges, not an off duty.
    edgeless: bool,
}

/// What a delay after a command without edges contains.
const EDGELESS: &str = "off was commanded by 0 % (no edges): the time for which the module waits for edges is in it";

/// Share by which one run-down of a fan differs from the next: with the gusts that it meets on the way, with the density of
/// the air, which a fifth of a kelvin or two thirds of a hectopascal moves by as much, and with the warmth of the bearings.
const AIR_SHARE: f64 = 7e-4;

/// Fills in the delay of the output and the run-down.
pub(crate) fn find(rec: &Recording, findings: &mut Findings) {
    let spans = spans(rec, &SpanKind::Stop);
    if spans.is_empty() {
        return;
    }
    let stops = from_full(rec, &spans);
    if stops.is_empty() {
        let reason = format!("no off command in the recorded stop{}", shortfall(&spans));
        findings.miss(ResultName::OutputOffDelayS, reason.clone());
        findings.miss(ResultName::RunDownS, reason);
        return;
    }
    let name = ResultName::OutputOffDelayS;
    let farads = findings.number(ResultName::CapacitanceF);
    let delays: Vec<Estimate> = stops.iter().filter_map(|stop| off_delay(rec, stop, farads)).collect();
    match pool(&delays) {
        Some(delay) => {
            let measured = delay.measured(name, "output gone", delays.len() as u64);
            let edgeless = stops.iter().all(|stop| stop.edgeless);
            findings.put(name, if edgeless { measured.noted(EDGELESS) } else { measured });
        }
        None => findings.miss(name, "neither supply current nor output voltage shows the output going off"),
    }
    run_down(rec, &stops, &spans, findings);
}

/// Stops from the highest duty among them, since run-down depends on the speed it starts from; by an off duty with
/// edges where there is one.
fn from_full<'a>(rec: &Recording, spans: &'a [Span]) -> Vec<Stop<'a>> {
    let all: Vec<(f64, Stop<'a>)> = spans
        .iter()
        .filter_map(|span| {
            let (edge_s, before, after) = command::first_change(rec, span)?;
            let edgeless = after.line != Line::Pwm || after.duty.fraction() <= 0.0;
            Some((before?.duty.fraction(), Stop { span, edge_s, edgeless }))
        })
        .collect();
    let highest = all.iter().map(|(duty, _)| *duty).fold(0.0, f64::max);
    let full: Vec<Stop<'a>> =
        all.into_iter().filter(|(duty, _)| (duty - highest).abs() < 0.01).map(|(_, stop)| stop).collect();
    let with_edges = full.iter().any(|stop| !stop.edgeless);
    full.into_iter().filter(|stop| !with_edges || !stop.edgeless).collect()
}

/// Samples on either side of the off edge in which its area is looked at.
const EDGE_REACH: f64 = 4.5;
/// Stretch after the edge whose median is what is left, seconds, and where it begins.
const LEFT: (f64, f64) = (0.003, 0.02);
/// Share to which the time constant of source and capacitors is known: these are warmer than when they were measured.
const LAG_SHARE: f64 = 0.1;
/// Fewest areas that tell the form of their scatter.
const MANY_AREAS: usize = 30;
/// Capacitance that a module may have of which none was measured, farads.
const TYPICAL_F: f64 = 3e-3;

/// From the command to the output gone: supply current down to a tenth, else the step of the output voltage. The supply
/// goes on charging the input capacitors for a moment, of which `farads` tells how long it is.
fn off_delay(rec: &Recording, stop: &Stop<'_>, farads: Option<f64>) -> Option<Estimate> {
    let window = |channel| {
        let cells = zero::cells(rec, channel, stop.span.t0_s, (stop.edge_s + 10.0).min(stop.span.t1_s), 1e-3);
        let (t, v): (Vec<f64>, Vec<f64>) = cells.into_iter().unzip();
        let before = t.partition_point(|t| *t < stop.edge_s);
        (before > 3).then_some((t, v, before))
    };
    let by_current = || {
        let (t, v, before) = window(Channel::SupplyA)?;
        let level = stats::median(&v[..before])?;
        let noise = stats::robust_sigma(&v[..before])?;
        (level > 10.0 * noise && level > 0.2).then_some(())?;
        // An edge inside a cell leaves a mean between the levels: half way is where the crossing is unbiased.
        let rough = steps::falling_through(&t[before - 1..], &v[before - 1..], 0.5 * level, 0.02 * level, 1)?;
        Some(current_gone(rec, stop, rough.t_s, farads).unwrap_or(Gone::plain(rough)))
    };
    let by_voltage = || {
        let (t, v, before) = window(Channel::OutputV)?;
        let level = stats::median(&v[..before])?;
        let noise = stats::robust_sigma(&v[..before])?;
        let drop = (8.0 * noise).max(0.04 * level);
        steps::falling_through(&t[before - 1..], &v[before - 1..], level - drop, 0.0, 1).map(Gone::plain)
    };
    let gone = by_current().or_else(by_voltage)?;
    let delay_s = gone.at.t_s - stop.edge_s;
    let mut parts = vec![
        // Commands fall on the same place of the grid of samples each time.
        estimate::lasting("spacing of samples", gone.at.u_s).shaped(gone.excess),
        estimate::lasting("charging of the input capacitors", gone.lag_u_s),
        estimate::on_the_grid(rec),
        estimate::clock(rec, delay_s),
    ];
    parts.extend(estimate::apart(rec, &[Channel::SupplyA, Channel::OutputV], false));
    Some(Estimate::new(delay_s, parts))
}

/// The output gone.
struct Gone {
    at: steps::Instant,
    /// Excess kurtosis of the error of that.
    excess: f64,
    /// What the charge of the input capacitors leaves open of it, seconds.
    lag_u_s: f64,
}

impl Gone {
    const fn plain(at: steps::Instant) -> Self {
        Self { at, excess: if at.even { stats::EVEN } else { 0.0 }, lag_u_s: 0.0 }
    }
}

/// When the supply current steps down near `rough_s`, by the area under its samples, and what the charge of the input
/// capacitors behind the resistance of the source leaves open of it, seconds: that resistance shows in the same step.
fn current_gone(rec: &Recording, stop: &Stop<'_>, rough_s: f64, farads: Option<f64>) -> Option<Gone> {
    let values = |channel: Channel, from_s: f64, to_s: f64| -> Option<Vec<f64>> {
        let series = rec.channels.get(&channel)?;
        Some(series.samples(from_s, to_s).map(|(_, v)| v).filter(|v| v.is_finite()).collect())
    };
    let before = |channel| values(channel, stop.span.t0_s, stop.edge_s);
    let left = |channel| values(channel, rough_s + LEFT.0, rough_s + LEFT.1);
    let amps = before(Channel::SupplyA)?;
    // The mean: ripple that leans to one side has its median beside that, which the area would take for time.
    let levels = (stats::mean(&amps)?, stats::median(&left(Channel::SupplyA)?)?);
    let series = rec.channels.get(&Channel::SupplyA)?;
    let spacing_s = series.slices(rough_s - 1e-9, rough_s + 1.0).next()?.dt_s;
    let near = series.samples(rough_s - EDGE_REACH * spacing_s, rough_s + EDGE_REACH * spacing_s);
    let (t, v): (Vec<f64>, Vec<f64>) = near.unzip();
    let t_s = steps::step_by_area(&t, &v, levels)?;
    // Ripple and noise of as long a stretch as held the current: areas of such elsewhere before the edge scatter alike. The
    // last of its samples counts by its share, which decides how much of a ripple is left over.
    let held = ((t_s - t.first()?) / spacing_s + 0.5).max(1.0);
    let whole = held as usize;
    let area = |part: &[f64]| {
        let (last, full) = part.split_last().unwrap_or((&levels.0, &[]));
        full.iter().map(|v| v - levels.0).sum::<f64>() + (held - whole as f64) * (last - levels.0)
    };
    let areas: Vec<f64> = amps.chunks_exact(whole + 1).map(area).collect();
    let by_ripple_s = spacing_s * stats::deviation(&areas)? / (levels.0 - levels.1).abs();
    // The samples of a calculated bench are means over their spacing; others may be taken at an instant each.
    let unseen_s = estimate::unseen_s(rec, spacing_s);
    let at = steps::Instant::new(t_s, by_ripple_s.hypot(unseen_s));
    // A ripple has bounds, and what is left of it too; few areas look bounded whatever they are.
    let many = Some(&areas).filter(|areas| areas.len() >= MANY_AREAS);
    let excess =
        many.and_then(|areas| stats::excess_kurtosis(areas)).map_or(0.0, |excess| excess.clamp(stats::EVEN, 0.0));
    let volts = before(Channel::SupplyV).zip(left(Channel::SupplyV));
    let rise_v = volts.and_then(|(before, left)| stats::median(&left).zip(stats::median(&before)));
    let Some((left_v, before_v)) = rise_v else { return Some(Gone { at, excess, lag_u_s: 0.0 }) };
    let source_ohm = ((left_v - before_v) / (levels.0 - levels.1)).max(0.0);
    Some(match farads {
        Some(farads) => {
            let lag_s = source_ohm * farads;
            Gone { at: steps::Instant { t_s: at.t_s - lag_s, ..at }, excess, lag_u_s: LAG_SHARE * lag_s }
        }
        None => Gone { at, excess, lag_u_s: source_ohm * TYPICAL_F },
    })
}

/// How one run-down went.
enum Coast {
    Done {
        estimate: Estimate,
        method: &'static str,
    },
    /// Still faster than a tenth at the end, after so many seconds.
    Turning(f64),
    NoSpeed(&'static str),
}

fn run_down(rec: &Recording, stops: &[Stop<'_>], spans: &[Span], findings: &mut Findings) {
    let name = ResultName::RunDownS;
    let (mut done, mut method, mut reason) = (Vec::new(), "", None);
    for stop in stops {
        match coast(rec, stop) {
            Coast::Done { estimate, method: by } => {
                done.push(estimate);
                method = by;
            }
            Coast::Turning(seconds) => {
                reason.get_or_insert(format!("still above a tenth of its speed after {seconds:.1} s"));
            }
            Coast::NoSpeed(why) => {
                reason.get_or_insert(why.to_owned());
            }
        }
    }
    let Some(pooled) = pool(&done) else {
        findings.miss(name, reason.unwrap_or_else(|| format!("no run-down was seen{}", shortfall(spans))));
        return;
    };
    let measured = pooled.measured(name, method, done.len() as u64);
    let brakes = stops.iter().any(|stop| brakes(rec, stop));
    let note = "the module brakes: it shorts the fan when off";
    findings.put(name, if brakes { measured.noted(note) } else { measured });
}

fn coast(rec: &Recording, stop: &Stop<'_>) -> Coast {
    if let Some(coast) = by_tach(rec, stop).or_else(|| by_logger(rec, stop)) {
        return coast;
    }
    by_back_emf(rec, stop)
}

/// Time to a tenth from a track of speeds, oldest first, after the command.
fn to_a_tenth(
    rec: &Recording,
    stop: &Stop<'_>,
    track: &[(f64, f64)],
    before: (f64, f64),
    method: &'static str,
) -> Coast {
    let (t, v): (Vec<f64>, Vec<f64>) = track.iter().copied().unzip();
    let level = SLOW * before.0;
    let Some(slow) = through(&t, &v, level) else {
        return Coast::Turning(t.last().map_or(0.0, |t| t - stop.edge_s));
    };
    // Rate of fall around the crossing turns an error of the level into one of time.
    let around = |share: f64| through(&t, &v, share * level).map(|i| i.t_s);
    let per_unit = match (around(1.3), around(0.75)) {
        (Some(a), Some(b)) if b > a => (b - a) / (0.55 * level),
        _ => 0.0,
    };
    let run_s = slow.t_s - stop.edge_s;
    let mut parts = vec![
        estimate::seen("noise at the crossing", slow.u_s, 10.0),
        estimate::random("former speed", SLOW * before.1 * per_unit),
        estimate::lasting("air and bearings", AIR_SHARE * run_s),
        estimate::on_the_grid(rec),
        estimate::clock(rec, run_s),
    ];
    parts.extend(estimate::apart(rec, &[Channel::SpeedRpm, Channel::OutputV], true));
    Coast::Done { estimate: Estimate::new(run_s, parts), method }
}

/// Speeds around a level within which the fall is fitted, as shares of it. A turn of a slow fan takes so long that few of
/// them lie close to the level. Friction and air slow a fan along a tangent, which over so many speeds needs its cubic term:
/// a parabola alone crosses the level some milliseconds early.
const NEAR: (f64, f64) = (0.4, 2.2);
/// Fewer speeds than this leave a cubic term to chance.
const FOR_A_CUBIC: usize = 8;
/// A speed so many deviations off the curve, and at least this share of the level, is none of a coasting fan.
const ODD_SCATTERS: f64 = 4.0;
const ODD_LEAST: f64 = 0.01;

/// When a coasting fan falls through `level`. A fan has no steps: between few speeds, too, the crossing is known better
/// than to their spacing.
fn through(t: &[f64], v: &[f64], level: f64) -> Option<steps::Instant> {
    let first = (1..v.len()).find(|&i| v[i - 1] > level && v[i] <= level)?;
    let near = |i: &usize| (NEAR.0 * level..NEAR.1 * level).contains(&v[*i]);
    let a = first - (0..first).rev().take_while(near).count();
    let b = first + (first..v.len()).take_while(near).count();
    if b - a < 5 || a == first || b == first {
        return steps::falling_through(t, v, level, 0.3 * level, 3);
    }
    let mut near: Vec<(f64, f64)> = (a..b).map(|i| (t[i] - t[first], v[i] - level)).collect();
    let fitted = |near: &[(f64, f64)]| -> Option<(Curve, f64)> {
        let (x, off): (Vec<f64>, Vec<f64>) = near.iter().copied().unzip();
        let powers: Vec<Vec<f64>> = (0..4).map(|power| x.iter().map(|x| x.powi(power)).collect()).collect();
        let terms = if x.len() < FOR_A_CUBIC { 3 } else { 4 };
        let columns: Vec<&[f64]> = powers[..terms].iter().map(Vec::as_slice).collect();
        let (mut found, rss) = fit::linear(&columns, &off)?;
        found.resize(4, 0.0);
        Some((Curve([found[0], found[1], found[2], found[3]]), rss / (x.len() - terms) as f64))
    };
    // Turns beside an edge that was not told for what it is are far off what the others agree on.
    for _ in 0..2 {
        let (curve, _) = fitted(&near)?;
        let left: Vec<f64> = near.iter().map(|(x, off)| off - curve.at(*x)).collect();
        let reach = (ODD_SCATTERS * stats::robust_sigma(&left)?).max(ODD_LEAST * level);
        let kept: Vec<(f64, f64)> = near.iter().zip(&left).filter(|(_, l)| l.abs() <= reach).map(|(p, _)| *p).collect();
        if kept.len() < 5 || kept.len() == near.len() {
            break;
        }
        near = kept;
    }
    let (curve, variance) = fitted(&near)?;
    let at = curve.root()?;
    // The middle of a parabola, and of a cubic, has nine fourths of the variance of a mean.
    let u_s = 1.5 * (variance / near.len() as f64).sqrt() / curve.slope(at).abs().max(0.2 * curve.slope(0.0).abs());
    Some(steps::Instant::new(t[first] + at, u_s))
}

/// A polynomial of the third order: speed less the level, over the time since the speed first was below it.
#[derive(Clone, Copy, Debug)]
struct Curve([f64; 4]);

impl Curve {
    fn at(&self, x: f64) -> f64 {
        let [height, slope, bend, twist] = self.0;
        height + x * (slope + x * (bend + x * twist))
    }

    fn slope(&self, x: f64) -> f64 {
        let [_, slope, bend, twist] = self.0;
        slope + x * (2.0 * bend + 3.0 * x * twist)
    }

    /// Where it falls through zero near 0, by Newton's steps; `None` where it does not fall.
    fn root(&self) -> Option<f64> {
        let mut x = 0.0;
        for _ in 0..20 {
            let slope = self.slope(x);
            if slope >= 0.0 {
                return None;
            }
            x -= self.at(x) / slope;
        }
        x.is_finite().then_some(x)
    }
}

fn by_tach(rec: &Recording, stop: &Stop<'_>) -> Option<Coast> {
    let pulses = rec.header.bench.pulses_per_rev?;
    let before = tach::mean(rec.tach_in(stop.span.t0_s, stop.edge_s)?, pulses)?;
    let track = coast::turns(rec.tach_in(stop.edge_s, stop.span.t1_s)?, pulses);
    (track.len() >= 8).then(|| to_a_tenth(rec, stop, &track, (before.rpm, before.u_rpm), "tach"))
}

fn by_logger(rec: &Recording, stop: &Stop<'_>) -> Option<Coast> {
    rec.channels.get(&Channel::SpeedRpm)?;
    let before = speed::mean_speed(rec, stop.span.t0_s, stop.edge_s)?;
    let track = speed::speed_track(rec, stop.edge_s, stop.span.t1_s, 0.05);
    (track.len() >= 8).then(|| to_a_tenth(rec, stop, &track, (before.rpm, before.u_rpm), "logger"))
}

/// Run-down from the back-EMF, relative to its value carried back to the command.
fn by_back_emf(rec: &Recording, stop: &Stop<'_>) -> Coast {
    if !rec.channels.contains_key(&Channel::OutputV) {
        return Coast::NoSpeed(
            "neither tach nor output voltage was recorded: nothing shows the speed of a coasting fan",
        );
    }
    let gone_s = stop.edge_s + off_delay(rec, stop, None).map_or(0.1, |delay| delay.value.max(0.0));
    let cells = zero::cells(rec, Channel::OutputV, gone_s + 0.03, stop.span.t1_s, 0.02);
    let (zero_v, zero_u) = zero::offset(rec, Channel::OutputV, stop.edge_s).unwrap_or((0.0, 0.02));
    let volts: Vec<(f64, f64)> = cells.into_iter().map(|(t, v)| (t, v - zero_v)).collect();
    let (t, v): (Vec<f64>, Vec<f64>) = volts.iter().take(25).copied().unzip();
    let Some((former_v, former_u)) = carried_back(&t, &v, gone_s) else {
        return Coast::NoSpeed("the recording ends with the off command");
    };
    if brakes(rec, stop) || former_v < 0.3 {
        return Coast::NoSpeed("no back-EMF after off: the module brakes, or the fan was at rest; no tach tells");
    }
    to_a_tenth(rec, stop, &volts, (former_v, former_u.hypot(zero_u)), "back-EMF")
}

/// What a coasting fan's voltage was when its output went, and the uncertainty of that by noise: the speed before that is the
/// one at which it went, since the drive held it so far. By a parabola, as a fan loses less and less speed: a line comes out
/// low. `None` of too little.
fn carried_back(t: &[f64], v: &[f64], gone_s: f64) -> Option<(f64, f64)> {
    let x: Vec<f64> = t.iter().map(|t| t - gone_s).collect();
    let squares: Vec<f64> = x.iter().map(|x| x * x).collect();
    let (found, rss) = fit::linear(&[&vec![1.0; x.len()], &x, &squares], v).filter(|_| x.len() > 3)?;
    let n = x.len() as f64;
    // The end of a parabola has nine times the variance of a mean.
    Some((found[0], 3.0 * (rss / (n - 3.0) / n).sqrt()))
}

/// Whether the output falls to nearly nothing at once while the fan must still turn.
fn brakes(rec: &Recording, stop: &Stop<'_>) -> bool {
    let gone_s = stop.edge_s + off_delay(rec, stop, None).map_or(0.1, |delay| delay.value.max(0.0));
    let level = |from_s, to_s| zero::level(rec, Channel::OutputV, from_s, to_s).map(|level| level.value);
    let former = level(stop.span.t0_s, stop.edge_s);
    let after = level(gone_s + 0.03, gone_s + 0.08);
    former.zip(after).is_some_and(|(former, after)| former > 2.0 && after < BRAKED * former)
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::super::signal::coast::tests::FALLS;
    use super::super::signal::stats::tests::noise;
    use super::super::synthetic::{self, Bench};
    use super::*;

    fn stop(with_tach: bool, brakes: bool) -> Findings {
        let mut bench = Bench::new(5);
        bench.set(synthetic::at(95.0));
        let on: [synthetic::Made<'_>; 2] = [(Channel::SupplyA, &|_| 22.0, 0.05), (Channel::OutputV, &|_| 12.8, 0.005)];
        bench.run(0.5, &on);
        if with_tach {
            bench.tach(0.5, &|_| 2400.0);
        }
        bench.set(synthetic::at(0.0));
        let delay_s = 0.06;
        let amps = |t: f64| if t < delay_s { 22.0 } else { 0.01 };
        let volts = |t: f64| match t {
            t if t < delay_s => 12.8,
            _ if brakes => 0.0,
            t => 9.6 / 2400.0 * FALLS[0].rpm(t - delay_s),
        };
        bench.run(14.0, &[(Channel::SupplyA, &amps, 0.05), (Channel::OutputV, &volts, 0.005)]);
        if with_tach {
            bench.tach(14.0, &|t| FALLS[0].rpm((t - delay_s).max(0.0)));
        }
        bench.span(SpanKind::Stop, 0.0);
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        findings
    }

    #[test]
    fn the_speed_at_which_the_output_went_is_carried_back_along_a_bend() {
        let (gone_s, law) = (2.0, |t: f64| 12.0 / (1.0 + (t - 2.0) / 6.0));
        for seed in 0..20 {
            let t: Vec<f64> = (0..25).map(|i| gone_s + 0.04 + 0.02 * f64::from(i)).collect();
            let v: Vec<f64> = t.iter().zip(noise(seed, 25, 0.002)).map(|(t, e)| law(*t) + e).collect();
            let (volts, u) = carried_back(&t, &v, gone_s).expect("enough");
            assert!(u < 0.004 && (volts - 12.0).abs() < 3.0 * u.max(1e-3), "{seed}: {volts} {u}");
        }
        assert_eq!(carried_back(&[1.0, 2.0], &[3.0, 2.0], 0.0), None);
    }

    #[test]
    fn run_down_by_tach_and_by_back_emf_agree_with_the_law() {
        for with_tach in [true, false] {
            let found = stop(with_tach, false);
            let delay = found.number(ResultName::OutputOffDelayS).expect("measured");
            // Sampled every 5 ms here.
            assert!((delay - 0.06).abs() < 0.006, "{delay}");
            let run = found.results.get(&ResultName::RunDownS).unwrap_or_else(|| panic!("{:?}", found.absent));
            let seconds = run.as_number().expect("a number");
            assert!(
                (seconds - 0.06 - FALLS[0].tenth_s()).abs() < 0.1,
                "{with_tach}: {run:?} for {}",
                FALLS[0].tenth_s()
            );
            assert_eq!(run.method, if with_tach { "tach" } else { "back-EMF" });
        }
    }

    #[test]
    fn the_charging_of_the_input_capacitors_is_no_part_of_the_delay() {
        let mut bench = Bench::new(6);
        bench.set(synthetic::at(95.0));
        bench.run(0.5, &[(Channel::SupplyA, &|_| 22.0, 0.05), (Channel::SupplyV, &|_| 12.736, 0.001)]);
        let edge_s = bench.t_s;
        bench.set(synthetic::at(0.0));
        let amps = |t: f64| if t < 0.06 { 22.0 } else { 0.0 };
        let volts = |t: f64| if t < 0.06 { 12.736 } else { 13.0 };
        bench.run(1.0, &[(Channel::SupplyA, &amps, 0.05), (Channel::SupplyV, &volts, 0.001)]);
        bench.span(SpanKind::Stop, 0.0);
        let stop = Stop { span: &bench.rec.spans[0], edge_s, edgeless: false };
        let delay = |farads| off_delay(&bench.rec, &stop, farads).expect("it goes off");
        let (none, some) = (delay(Some(0.0)), delay(Some(5e-3)));
        // 12 mOhm show in the step.
        assert!((none.value - some.value - 60e-6).abs() < 2e-6, "{} {}", none.value, some.value);
        assert!((none.value - 0.06).abs() < 0.003, "sampled every 5 ms: {}", none.value);
        let unseen_s = 5e-3 / 12.0_f64.sqrt();
        assert!(none.variance().sqrt() >= unseen_s, "{none:?}");
        bench.rec.header.is_virtual = true;
        let stop = Stop { span: &bench.rec.spans[0], edge_s, edgeless: false };
        let means = off_delay(&bench.rec, &stop, Some(0.0)).expect("it goes off");
        assert!(means.variance().sqrt() < 1e-4, "samples that are means: {means:?}");
    }

    /// Error of the moment at which 22 A, on which a ripple of four samples lies, leaves in the middle of a sample, with its u.
    fn error_through_ripple(phase: f64, share: f64, ripple: &dyn Fn(f64) -> f64) -> (f64, f64) {
        let mut bench = Bench::new(7);
        bench.rec.header.is_virtual = true;
        bench.set(synthetic::at(95.0));
        let amps = |t: f64| 22.0 + 2.0 * ripple(t / 0.02 + phase);
        bench.run(1.0, &[(Channel::SupplyA, &amps, 0.01)]);
        let edge_s = bench.t_s;
        bench.set(synthetic::at(0.0));
        let off_s = 0.1 + 0.005 * share;
        // Each sample is the mean of what flowed in it.
        let held = |t: f64| ((off_s - t) / 0.005 + 0.5).clamp(0.0, 1.0);
        let mean = |t: f64| held(t) * amps(1.0 + t - 0.0025 * (1.0 - held(t)));
        bench.run(1.0, &[(Channel::SupplyA, &mean, 0.01)]);
        bench.span(SpanKind::Stop, 0.0);
        let stop = Stop { span: &bench.rec.spans[0], edge_s, edgeless: false };
        let found = off_delay(&bench.rec, &stop, Some(0.0)).expect("it goes off");
        (found.value - off_s, found.variance().sqrt())
    }

    #[test]
    fn what_is_left_of_a_ripple_at_the_edge_is_in_the_interval_of_the_delay() {
        for share in [0.25, 0.5, 0.75] {
            let squares = |of: &dyn Fn((f64, f64)) -> f64| -> f64 {
                let phases = (0..16).map(|i| f64::from(i) / 16.0);
                phases.map(|phase| error_through_ripple(phase, share, &|turns| (turns * TAU).sin())).map(of).sum()
            };
            let ratio = (squares(&|(_, u)| u * u) / squares(&|(error, _)| error * error)).sqrt();
            assert!((0.7..1.4).contains(&ratio), "{share}: u is {ratio} times the error");
        }
    }

    #[test]
    fn a_ripple_that_leans_to_one_side_moves_no_edge() {
        let leaning = |turns: f64| if turns.rem_euclid(1.0) < 0.2 { 1.6 } else { -0.4 };
        let errors: f64 = (0..16).map(|i| error_through_ripple(f64::from(i) / 16.0 + 0.01, 0.0, &leaning).0).sum();
        // By the median 0.4 of 22 A would be missing from each of four to five samples of 5 ms: 0.4 ms.
        assert!((errors / 16.0).abs() < 2.5e-4, "{}", errors / 16.0);
    }

    #[test]
    fn a_crossing_between_few_turns_is_known_better_than_to_their_spacing() {
        // A turn of a slow fan takes a quarter of a second, and its speed falls by a third meanwhile.
        let fall = |t: f64| 600.0 - 420.0 * t + 60.0 * t * t;
        let (t, v): (Vec<f64>, Vec<f64>) = (0..9).map(|i| 0.18 * f64::from(i)).map(|t| (t, fall(t))).unzip();
        let at = through(&t, &v, 260.0).expect("it slows down");
        let exact_s = (420.0 - (420.0_f64 * 420.0 - 4.0 * 60.0 * 340.0).sqrt()) / 120.0;
        assert!((at.t_s - exact_s).abs() < 1e-3 && at.u_s < 1e-3, "{at:?} for {exact_s}");
    }

    fn crossing_of(edges: &[f64]) -> Option<f64> {
        let (t, v): (Vec<f64>, Vec<f64>) = coast::turns(edges, 2.0).into_iter().unzip();
        through(&t, &v, 240.0).map(|at| at.t_s)
    }

    #[test]
    fn the_fall_of_a_fan_is_no_parabola_over_so_many_speeds() {
        for fall in FALLS {
            let at_s = crossing_of(&fall.edges(0.0)).expect("it slows down");
            assert!((at_s - fall.tenth_s()).abs() < 5e-4, "{fall:?}: {at_s} for {}", fall.tenth_s());
        }
    }

    #[test]
    fn whichever_edge_goes_missing_and_wherever_the_fan_is_caught_the_run_down_stays() {
        for (fall, slot) in FALLS.into_iter().flat_map(|fall| [0.0, 0.1].map(|slot| (fall, slot))) {
            let all = fall.edges(slot);
            // The detents catch it at less than half of the speed at which it has run down.
            let caught = all.partition_point(|t| *t < fall.tenth_s()) + 6;
            for end in caught..=all.len() {
                let whole_s = crossing_of(&all[..end]).expect("it slows down");
                for gone in end.saturating_sub(60)..end {
                    let mut edges = all[..end].to_vec();
                    edges.remove(gone);
                    let at_s = crossing_of(&edges).unwrap_or_else(|| panic!("{fall:?} {end} {gone}"));
                    let off_s = at_s - whole_s;
                    assert!(off_s.abs() < 2e-3, "{fall:?} {slot}: edge {gone} of {end} moves it by {off_s} s");
                }
            }
        }
    }

    #[test]
    fn a_last_turn_so_slow_that_an_edge_seems_to_miss_does_not_move_the_run_down() {
        let mut edges = FALLS[0].edges(0.0);
        edges.truncate(edges.partition_point(|t| *t < FALLS[0].tenth_s() + 0.6));
        let before_s = crossing_of(&edges).expect("it slows down");
        // The detents slow the last half turn to nearly twice the one before.
        let (last, before) = (edges[edges.len() - 1], edges[edges.len() - 2]);
        edges.push(last + 1.9 * (last - before));
        assert_eq!(tach::clean(&edges).missing, 1, "it is taken for two");
        let after_s = crossing_of(&edges).expect("it slows down");
        assert!((after_s - before_s).abs() < 1e-3, "{before_s} {after_s}");
    }

    #[test]
    fn a_braking_module_is_said_to_brake() {
        let run = stop(true, true).results.remove(&ResultName::RunDownS).expect("by tach");
        assert!(run.note.is_some_and(|note| note.contains("brakes")));
        let found = stop(false, true);
        assert!(found.absent.get(&ResultName::RunDownS).is_some_and(|why| why.contains("brakes")));
    }
}
