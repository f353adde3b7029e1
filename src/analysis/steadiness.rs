//! Slow swing of the speed (or current) at a constant command: peak-to-peak from 0.2 to 20 Hz over the mean.
//!
//! What is slower is taken out by a moving mean; each spectral line counts by the share of it that is not noise (Wiener),
//! without those of the rotation, so neither noise nor an uneven tach disc counts as unsteadiness.

use realfft::RealFftPlanner;
use realfft::num_complex::Complex;

use crate::analysis::command;
use crate::analysis::estimate::{self, Estimate, pool};
use crate::analysis::level::{self, Witness};
use crate::analysis::signal::{stats, tach};
use crate::analysis::speed;
use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Series, Span};
use crate::results::{Findings, ResultName};
use crate::units::significant;

/// Window of the definition, and the shortest that is used at all, seconds.
const WINDOW_S: f64 = 20.0;
const SHORTEST_S: f64 = 4.0;
/// Edge at either end of a window where cut lines ring, as a share of it.
const EDGE_SHARE: f64 = 0.05;
/// Windows averaged at most.
const MOST_WINDOWS: usize = 6;
/// Moving mean that takes out what is slower than 0.2 Hz, seconds.
const SLOW_S: f64 = 5.0;
/// Upper end of the band, hertz.
const TOP_HZ: f64 = 20.0;
/// Spacing of the track, seconds.
const SPACING_S: f64 = 0.02;
/// Lines on either side whose mean power tells signal from noise, and how many times that of the noise it must be: the
/// mean of seven lines of noise alone is that in 1 of 8 000, and a window has 400 of them.
const BESIDE: usize = 3;
const CLEAR: f64 = 3.0;

/// Standard uncertainties of their difference by which two swings are told apart.
const TOLD_APART: f64 = 1.0;

/// Swing in one window.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Window {
    /// Peak-to-peak over mean, percent.
    pct: f64,
    /// Its standard uncertainty by noise.
    noise_pct: f64,
}

/// Swing at one duty.
#[derive(Clone, Debug, PartialEq)]
struct Swing {
    windows: Vec<Window>,
    duty_pct: f64,
    window_s: f64,
    from_current: bool,
}

/// Finds `steadiness_pct`: the worst of all long stretches.
pub(crate) fn find(rec: &Recording, findings: &mut Findings) {
    let name = ResultName::SteadinessPct;
    let long =
        |kind: &SpanKind| matches!(kind, SpanKind::Soak | SpanKind::FlatOut | SpanKind::Hold | SpanKind::Point { .. });
    let mut spans: Vec<&Span> = rec.spans_where(long).collect();
    // A held point of an imported trace is both.
    spans.dedup_by(|a, b| a.t0_s == b.t0_s && a.t1_s == b.t1_s);
    let swings: Vec<Swing> = spans.into_iter().filter_map(|span| swing_of(rec, span)).collect();
    // Stretches of the full window speak when there are any; peaks of shorter ones are lower by nature.
    let is_full = |swing: &Swing| swing.window_s > 0.95 * WINDOW_S;
    let any_full = swings.iter().any(is_full);
    let counted: Vec<Swing> = swings.into_iter().filter(|swing| !any_full || is_full(swing)).collect();
    let Some((worst, swing)) = worst(&by_duty(counted)) else {
        return findings.miss(name, "no stretch of 16 s or more at a constant command with speed or current");
    };
    let method = if worst.from_current { "current" } else { "speed" };
    let mut result = swing.measured(name, method, worst.windows.len() as u64);
    if let Some([Some(low), _]) = &mut result.interval {
        *low = low.max(0.0);
    }
    let mut notes = vec![format!("worst at {} %", significant(worst.duty_pct, 3))];
    if !is_full(&worst) {
        notes.push(format!("window of {} s instead of 20 s", significant(worst.window_s, 2)));
    }
    findings.put(name, result.noted(notes.join("; ")));
}

/// Stretches of the same duty and kind of reading as one.
fn by_duty(swings: Vec<Swing>) -> Vec<Swing> {
    let mut all: Vec<Swing> = Vec::new();
    for swing in swings {
        let same = |other: &&mut Swing| {
            (other.duty_pct - swing.duty_pct).abs() < 0.5 && other.from_current == swing.from_current
        };
        match all.iter_mut().find(same) {
            Some(known) => {
                known.windows.extend(swing.windows);
                known.window_s = known.window_s.max(swing.window_s);
            }
            None => all.push(swing),
        }
    }
    all
}

/// The worst duty together with those that are not told apart from it, and what they swing by: the highest of several that
/// are alike is one that chance has lifted.
fn worst(all: &[Swing]) -> Option<(Swing, Estimate)> {
    let found: Vec<(&Swing, Estimate)> =
        all.iter().filter_map(|swing| swing.estimate().map(|found| (swing, found))).collect();
    let (worst, highest) = found.iter().max_by(|a, b| a.1.value.total_cmp(&b.1.value))?;
    let windows = found
        .iter()
        .filter(|(other, _)| other.from_current == worst.from_current)
        .filter(|(_, other)| highest.value - other.value <= TOLD_APART * (highest.variance() + other.variance()).sqrt())
        .flat_map(|(alike, _)| alike.windows.clone())
        .collect();
    let together = Swing { windows, ..(*worst).clone() };
    let swing = together.estimate()?;
    Some((together, swing))
}

impl Swing {
    /// Mean of the windows, percent. Windows that scatter by more than chance makes of a swing that stays the same say so.
    fn estimate(&self) -> Option<Estimate> {
        let one = |window: &Window| {
            let chance = estimate::random("chance of the window", CHANCE_SHARE * window.pct);
            Estimate::new(window.pct, vec![chance, estimate::lasting("noise", window.noise_pct)])
        };
        pool(&self.windows.iter().map(one).collect::<Vec<_>>())
    }
}

fn swing_of(rec: &Recording, span: &Span) -> Option<Swing> {
    let settled_s = span.t0_s + (0.4 * (span.t1_s - span.t0_s)).min(WINDOW_S);
    let left_s = span.t1_s - settled_s - SLOW_S;
    // Neighbouring windows share their edges.
    let windows = ((left_s / WINDOW_S - 2.0 * EDGE_SHARE).max(1.0) as usize).min(MOST_WINDOWS);
    let window_s = (left_s / (windows as f64 + 2.0 * EDGE_SHARE)).min(WINDOW_S);
    if window_s < SHORTEST_S || command::is_off(rec, 0.5 * (span.t0_s + span.t1_s)) == Some(true) {
        return None;
    }
    let from_s = span.t1_s - SLOW_S - window_s * (windows as f64 + 2.0 * EDGE_SHARE);
    let (track, from_current) = track(rec, from_s, span.t1_s)?;
    let mean = stats::mean(&track)?.abs();
    let spacing_s = (span.t1_s - from_s) / track.len() as f64;
    let by_turns = !from_current && Witness::of(rec) == Some(Witness::Tach);
    let pulses_per_rev = rec.header.bench.pulses_per_rev.filter(|_| by_turns);
    let rotation_hz = speed::mean_speed(rec, from_s, span.t1_s).map(|s| s.rpm / 60.0);
    let fast = without_slow(&track, spacing_s);
    // Each with its edges, which the next one has too.
    let edge = (fast.len() as f64 * EDGE_SHARE / (windows as f64 + 2.0 * EDGE_SHARE)) as usize;
    let length = (fast.len() - 2 * edge) / windows;
    let setting = rec.setting_at(0.5 * (span.t0_s + span.t1_s));
    let found = (0..windows)
        .map(|i| &fast[i * length..(i + 1) * length + 2 * edge])
        .filter_map(|part| peak_to_peak(part, edge, spacing_s, rotation_hz, pulses_per_rev));
    let over_mean = |(swing, noise): (f64, f64)| Window { pct: 100.0 * swing / mean, noise_pct: 100.0 * noise / mean };
    let windows: Vec<Window> = found.map(over_mean).collect();
    (mean > 0.0 && !windows.is_empty()).then(|| Swing {
        windows,
        duty_pct: setting.map_or(0.0, |s| level::commanded_pct(&s)),
        window_s,
        from_current,
    })
}

/// The track less its moving mean over 5 s, without the half window at either end: what is faster than 0.2 Hz.
fn without_slow(track: &[f64], spacing_s: f64) -> Vec<f64> {
    let half = ((0.5 * SLOW_S / spacing_s).round() as usize).min(track.len() / 3).max(1);
    let mut sums = vec![0.0];
    for value in track {
        sums.push(sums[sums.len() - 1] + value);
    }
    (half..track.len() - half).map(|i| track[i] - (sums[i + half] - sums[i - half]) / (2 * half) as f64).collect()
}

/// Evenly spaced speed, else supply current, and whether it is current; `None` when there are holes.
fn track(rec: &Recording, from_s: f64, to_s: f64) -> Option<(Vec<f64>, bool)> {
    let wanted = ((to_s - from_s) / SPACING_S) as usize;
    let full = |values: &[f64]| values.len() * 100 > wanted * 95;
    if let (Some(Witness::Tach), Some(pulses)) = (Witness::of(rec), rec.header.bench.pulses_per_rev) {
        // Turn by turn, in which unevenly spaced magnets cancel: their line would wander with a creeping speed.
        let turns = tach::turns(rec.tach_in(from_s - 0.5, to_s + 0.5)?, pulses);
        let values = on_grid(&turns, from_s, wanted);
        return (turns.first()?.0 <= from_s + 0.5 && turns.last()?.0 >= to_s - 0.5).then_some((values, false));
    }
    if matches!(Witness::of(rec), Some(Witness::Column { .. })) {
        let values: Vec<f64> = speed::speed_track(rec, from_s, to_s, SPACING_S).into_iter().map(|(_, v)| v).collect();
        return full(&values).then_some((values, false));
    }
    let series = rec.channels.get(&Channel::SupplyA)?;
    let values: Vec<f64> = (0..wanted).filter_map(|i| tapered(series, from_s + SPACING_S * (i as f64 + 0.5))).collect();
    full(&values).then_some((values, true))
}

/// Mean of samples around `middle_s` that count less towards the middles of the neighbouring cells: commutation and the residue
/// of a chopper go through plain means of cells well enough to fold down into the band.
fn tapered(series: &Series, middle_s: f64) -> Option<f64> {
    let (mut sum, mut weight) = (0.0, 0.0);
    for (t_s, value) in series.samples(middle_s - SPACING_S, middle_s + SPACING_S).filter(|(_, v)| v.is_finite()) {
        let counts = (SPACING_S - (t_s - middle_s).abs()).max(0.0);
        sum += counts * value;
        weight += counts;
    }
    (weight > 0.0).then(|| sum / weight)
}

/// Means of a track, straight between its points, over `count` cells from `from_s` on; `track` is not empty. Values at the
/// middles alone would take noise far above the band for swings in it.
fn on_grid(track: &[(f64, f64)], from_s: f64, count: usize) -> Vec<f64> {
    let mut area = vec![0.0];
    for pair in track.windows(2) {
        area.push(area[area.len() - 1] + 0.5 * (pair[0].1 + pair[1].1) * (pair[1].0 - pair[0].0));
    }
    let until = |t_s: f64| {
        let next = track.partition_point(|(then_s, _)| *then_s < t_s);
        match (next.checked_sub(1).map(|before| track[before]), track.get(next)) {
            (Some((t0, v0)), Some((t1, v1))) => {
                let here = v0 + (v1 - v0) * (t_s - t0) / (t1 - t0);
                area[next - 1] + 0.5 * (v0 + here) * (t_s - t0)
            }
            (Some((t0, v0)), None) => area[next - 1] + v0 * (t_s - t0),
            (None, Some((t1, v1))) => v1 * (t_s - t1),
            (None, None) => f64::NAN,
        }
    };
    let edges: Vec<f64> = (0..=count).map(|i| until(from_s + SPACING_S * i as f64)).collect();
    edges.windows(2).map(|pair| (pair[1] - pair[0]) / SPACING_S).collect()
}

/// Peak-to-peak of the lines in the band between the edges, and the standard uncertainty by what noise leaves in it or takes out of it.
///
/// Turn by turn (with `pulses_per_rev`) nothing is left of the rotation in a speed, whose noise is that of two times a turn
/// apart.
fn peak_to_peak(
    values: &[f64],
    edge: usize,
    spacing_s: f64,
    rotation_hz: Option<f64>,
    pulses_per_rev: Option<f64>,
) -> Option<(f64, f64)> {
    let (rotation_hz, turning) = match pulses_per_rev {
        // A turn is as many pulses as come nearest to one.
        Some(pulses) => (None, rotation_hz.map(|hz| (hz * pulses / pulses.round().max(1.0), hz * pulses))),
        None => (rotation_hz, None),
    };
    let mut values = without_rotation(values, spacing_s, rotation_hz);
    let n = values.len();
    let mut planner = RealFftPlanner::<f64>::new();
    let forward = planner.plan_fft_forward(n);
    let mut spectrum = forward.make_output_vec();
    forward.process(&mut values, &mut spectrum).ok()?;
    let bin_hz = 1.0 / (spacing_s * n as f64);
    let in_band = |k: usize| {
        let hz = bin_hz * k as f64;
        hz > 0.0 && hz <= TOP_HZ && !is_rotation(hz, rotation_hz, 1.0 / spacing_s, 2.0 * bin_hz)
    };
    let powers: Vec<f64> = spectrum.iter().map(Complex::norm_sqr).collect();
    let lines = |from_hz: f64, to_hz: f64| -> Vec<(f64, f64)> {
        let line = |k: usize| (bin_hz * k as f64, powers[k]);
        let within = |(hz, _): &(f64, f64)| (from_hz..=to_hz).contains(hz);
        (0..powers.len()).filter(|k| in_band(*k)).map(line).filter(within).collect()
    };
    let noise = match turning {
        Some(turning) => Noise::of_turns(turning, &lines(0.25 * TOP_HZ, TOP_HZ))?,
        None => Noise::between(&lines(0.25 * TOP_HZ, 0.5 * TOP_HZ), &lines(0.7 * TOP_HZ, TOP_HZ))?,
    };
    let mut left = 0.0;
    for (k, line) in spectrum.iter_mut().enumerate() {
        let floor = noise.at(bin_hz * k as f64);
        let beside = (k.saturating_sub(BESIDE)..(k + BESIDE + 1).min(powers.len())).filter(|&k| in_band(k));
        let mean = stats::mean(&beside.map(|k| powers[k]).collect::<Vec<_>>()).filter(|_| in_band(k));
        let share = mean.filter(|mean| *mean > CLEAR * floor).map_or(0.0, |mean| 1.0 - floor / mean);
        left += 2.0 * share * share * floor;
        *line *= share;
    }
    let inverse = planner.plan_fft_inverse(n);
    let mut rebuilt = inverse.make_output_vec();
    inverse.process(&mut spectrum, &mut rebuilt).ok()?;
    let inner = &rebuilt[edge..n - edge];
    let (low, high) = inner.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
    // A group of lines of the size of the limit may stay unseen.
    let unseen = 2.0 * (CLEAR - 1.0) * (2 * BESIDE + 1) as f64 * noise.at(1.0);
    let (swing, noise) = ((high - low) / n as f64, 2.0 * (left + unseen).sqrt() / n as f64);
    // What is left or missing goes its own way: swings add as squares do.
    Some((swing, swing.hypot(noise) - swing))
}

/// How much the swing of one window differs from that of the next by how high its highest peaks happen to come, a share of it.
const CHANCE_SHARE: f64 = 0.22;

/// Power of the noise per line: rotors are slow, so what is left in the upper band is noise of the reading. White for a
/// current, growing with the square of the frequency for a speed taken from times of edges, and turn by turn with that of
/// the sine of half the phase that goes by in a turn.
#[derive(Clone, Copy, Debug)]
struct Noise {
    white: f64,
    growing: f64,
    /// Of a speed turn by turn: turns and pulses in a second.
    turning: Option<(f64, f64)>,
}

/// What is white in the noise at least, as a share of the rest.
const WHITE_SHARE: f64 = 1e-3;
/// Least of [`Noise::growth`] at which a line tells the noise of turns, as a share of the most in the band.
const TELLING: f64 = 0.3;

impl Noise {
    /// From the lines of two bands (frequency, power).
    fn between(low: &[(f64, f64)], high: &[(f64, f64)]) -> Option<Self> {
        let both = |lines: &[(f64, f64)]| {
            let (squares, powers): (Vec<f64>, Vec<f64>) = lines.iter().map(|(hz, power)| (hz * hz, *power)).unzip();
            Some((stats::mean(&squares)?, mean_power(&powers)?))
        };
        let ((low_sq, low), (high_sq, high)) = (both(low)?, both(high)?);
        let growing = ((high - low) / (high_sq - low_sq)).clamp(0.0, low / low_sq);
        let white = (low - growing * low_sq).max(WHITE_SHARE * low);
        Some(Self { white, growing, turning: None })
    }

    /// Of a speed turn by turn from its lines in the upper band.
    fn of_turns(turning: (f64, f64), lines: &[(f64, f64)]) -> Option<Self> {
        let unit = Self { white: 0.0, growing: 1.0, turning: Some(turning) };
        let most = lines.iter().map(|(hz, _)| unit.growth(*hz)).fold(0.0, f64::max);
        let telling = lines.iter().filter(|(hz, _)| unit.growth(*hz) > TELLING * most);
        let each: Vec<f64> = telling.map(|(hz, power)| power / unit.growth(*hz)).collect();
        let growing = mean_power(&each)?;
        Some(Self { white: WHITE_SHARE * growing, growing, ..unit })
    }

    fn growth(&self, hz: f64) -> f64 {
        let Some((turning_hz, pulse_hz)) = self.turning else { return hz * hz };
        let sinc = |turns: f64| {
            let phase = (std::f64::consts::PI * turns).max(f64::MIN_POSITIVE);
            phase.sin() / phase
        };
        // Straight lines from pulse to pulse and means over a cell hold less of what is quick.
        ((std::f64::consts::PI * hz / turning_hz).sin() * sinc(hz / pulse_hz).powi(2) * sinc(hz * SPACING_S)).powi(2)
    }

    fn at(&self, hz: f64) -> f64 {
        self.white + self.growing * self.growth(hz)
    }
}

/// Mean of the powers of noise, from their median: that of an exponential distribution is ln 2 of its mean.
fn mean_power(powers: &[f64]) -> Option<f64> {
    stats::median(powers).map(|median| median / std::f64::consts::LN_2)
}

/// Lines of the rotation and its multiples as they appear in a track sampled at `rate_hz`, hertz.
fn rotation_lines(rotation_hz: Option<f64>, rate_hz: f64) -> Vec<f64> {
    let Some(rotation) = rotation_hz.filter(|r| *r > 0.5) else { return Vec::new() };
    (1..=6)
        .map(|multiple| {
            let line = rotation * f64::from(multiple) % rate_hz;
            line.min(rate_hz - line)
        })
        .filter(|line| *line > 0.1)
        .collect()
}

/// Whether `hz` is next to a line of the rotation.
fn is_rotation(hz: f64, rotation_hz: Option<f64>, rate_hz: f64, near_hz: f64) -> bool {
    rotation_lines(rotation_hz, rate_hz).iter().any(|line| (line - hz).abs() <= near_hz)
}

/// Values less the sines of the rotation: a line between two bins would leak into all of them.
fn without_rotation(values: &[f64], spacing_s: f64, rotation_hz: Option<f64>) -> Vec<f64> {
    let mut left = values.to_vec();
    for hz in rotation_lines(rotation_hz, 1.0 / spacing_s) {
        let phase = |i: usize| std::f64::consts::TAU * hz * spacing_s * i as f64;
        let (mut sin, mut cos) = (0.0, 0.0);
        for (i, value) in left.iter().enumerate() {
            sin += value * phase(i).sin();
            cos += value * phase(i).cos();
        }
        let scale = 2.0 / left.len() as f64;
        for (i, value) in left.iter_mut().enumerate() {
            *value -= scale * (sin * phase(i).sin() + cos * phase(i).cos());
        }
    }
    left
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::synthetic::{Bench, at};
    use std::f64::consts::TAU;

    fn held(seconds: f64, swing_rpm: f64, hz: f64, noise: f64) -> Findings {
        let mut bench = Bench::new(41);
        bench.set(at(60.0));
        let speed = move |t: f64| 1_500.0 + 0.5 * swing_rpm * (TAU * hz * t).sin();
        bench.run(seconds, &[(Channel::SpeedRpm, &speed, noise)]);
        bench.span(SpanKind::Hold, 0.0);
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        findings
    }

    #[test]
    fn a_swing_is_measured_peak_to_peak_through_noise() {
        let found = held(45.0, 60.0, 1.3, 4.0);
        let result = &found.results[&ResultName::SteadinessPct];
        assert!((result.as_number().unwrap() - 4.0).abs() < 0.3, "{result:?}");
        assert_eq!(result.note.as_deref(), Some("worst at 60 %"));
    }

    #[test]
    fn noise_and_the_line_of_the_rotation_are_no_swing() {
        let noise = held(40.0, 0.0, 1.0, 20.0).number(ResultName::SteadinessPct).unwrap();
        assert!(noise < 0.3, "{noise}");
        // 1 500 rpm is 25 Hz, which a 50 Hz track cannot hold: half of it is a line of the rotation at 750 rpm.
        let mut bench = Bench::new(42);
        bench.set(at(30.0));
        bench.run(40.0, &[(Channel::SpeedRpm, &|t| 750.0 + 20.0 * (TAU * 12.5 * t).sin(), 1.0)]);
        bench.span(SpanKind::Hold, 0.0);
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        let found = findings.number(ResultName::SteadinessPct).unwrap();
        assert!(found < 0.3, "{found}");
    }

    fn windows(pct: f64, duty_pct: f64) -> Swing {
        let window = Window { pct, noise_pct: 0.02 * pct };
        Swing { windows: vec![window; 4], duty_pct, window_s: 20.0, from_current: false }
    }

    #[test]
    fn duties_that_swing_alike_count_as_one_and_a_worse_one_by_itself() {
        let (a, b, far) = (windows(0.15, 50.0), windows(0.13, 85.0), windows(0.4, 30.0));
        let (pooled, swing) = worst(&[a.clone(), b.clone()]).expect("both");
        assert!(
            (swing.value - 0.14).abs() < 1e-9 && pooled.windows.len() == 8 && pooled.duty_pct == 50.0,
            "{pooled:?}"
        );
        let expected = (CHANCE_SHARE * 0.1404 / 8.0_f64.sqrt()).hypot(0.02 * 0.1404);
        assert!((swing.variance().sqrt() - expected).abs() < 1e-5, "{swing:?} for {expected}");
        assert_eq!(worst(&[a, b, far.clone()]).expect("the worst").0, far);
        assert_eq!(worst(&[]), None);
    }

    #[test]
    fn windows_that_scatter_by_more_than_chance_widen_the_interval() {
        let half = |swing: &Swing| {
            let measured = swing.estimate().expect("windows").measured(ResultName::SteadinessPct, "speed", 4);
            measured.interval.expect("closed")[1].expect("closed") - measured.as_number().expect("a number")
        };
        let (even, mut bursts) = (windows(0.15, 50.0), windows(0.15, 50.0));
        bursts.windows[0].pct = 0.45;
        bursts.windows[1].pct = 0.05;
        assert!((half(&even) / (1.96 * 0.15 * (0.5 * CHANCE_SHARE).hypot(0.02)) - 1.0).abs() < 1e-3, "{}", half(&even));
        assert!(half(&bursts) > 5.0 * half(&even), "{}", half(&bursts));
    }

    /// A tach at 2 460 rpm that swings by so much, with edges a few microseconds off.
    fn turning(pulses_per_rev: f64, swing_rpm: f64, jitter_s: f64) -> f64 {
        let mut bench = Bench::new(43);
        bench.set(at(85.0));
        bench.run(150.0, &[(Channel::SupplyV, &|_| 13.0, 0.05)]);
        bench.span(SpanKind::Soak, 0.0);
        bench.rec.header.bench.pulses_per_rev = Some(pulses_per_rev);
        let (mut edges, mut t_s) = (Vec::new(), 0.0);
        for jitter in stats::tests::noise(7, 39_000, jitter_s) {
            let rpm = 2_460.0 + 0.5 * swing_rpm * (TAU * 0.8 * t_s).sin();
            t_s += 60.0 / (pulses_per_rev * rpm);
            edges.push(t_s + jitter);
        }
        edges.retain(|edge_s| *edge_s < 150.0);
        bench.rec.tach_s = Some(edges);
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        findings.number(ResultName::SteadinessPct).expect("a long stretch")
    }

    #[test]
    fn jitter_of_a_tach_above_the_band_is_no_swing_in_it() {
        // Values at the middles of the cells would fold what is around 50 Hz down to swings of 0.08 %.
        for pulses in [2.0, 1.0, 6.0] {
            let still = turning(pulses, 0.0, 12e-6);
            assert!(still < 0.03, "{pulses}: {still}");
            let swinging = turning(pulses, 4.0, 12e-6);
            assert!((swinging - 100.0 * 4.0 / 2_460.0).abs() < 0.01, "{pulses}: {swinging}");
        }
    }

    #[test]
    fn commutation_does_not_fold_down_into_the_swing_of_a_current() {
        let swing = |height_a: f64| {
            let mut bench = Bench::new(44);
            bench.set(at(85.0));
            // Twelve bars at 2 434 rpm are 486.7 Hz, which two hundred samples a second show at 86.7 Hz.
            let amps = move |t: f64| 20.0 + 0.5 * height_a * (TAU * 0.8 * t).sin() + 0.1 * (TAU * 86.7 * t).sin();
            bench.run(150.0, &[(Channel::SupplyA, &amps, 0.02)]);
            bench.span(SpanKind::Soak, 0.0);
            let mut findings = Findings::default();
            find(&bench.rec, &mut findings);
            findings.number(ResultName::SteadinessPct).expect("a long stretch")
        };
        // Through plain means it is 0.19 %.
        let (still, swinging) = (swing(0.0), swing(0.1));
        assert!(still < 0.06 && (swinging - 0.5).abs() < 0.06, "{still} {swinging}");
    }

    #[test]
    fn what_noise_leaves_adds_to_a_swing_as_squares_do() {
        let result = held(150.0, 60.0, 1.3, 10.0).results[&ResultName::SteadinessPct].clone();
        let noise = result.budget.iter().find(|part| part.name == "noise").expect("a line of it").u;
        // By itself it is 0.14.
        assert!(noise < 0.02 && (result.as_number().expect("a number") - 4.0).abs() < 0.3, "{result:?}");
    }

    #[test]
    fn a_short_stretch_is_noted_and_a_very_short_one_is_absent() {
        let note = held(22.0, 60.0, 1.3, 5.0).results[&ResultName::SteadinessPct].note.clone().unwrap();
        assert!(note.contains("instead of 20 s"), "{note}");
        assert!(held(8.0, 60.0, 1.3, 5.0).absent.contains_key(&ResultName::SteadinessPct));
    }
}
