//! Slow swing of the speed (or current) at a constant command: peak-to-peak from 0.2 to 20 Hz over the mean.
//!
//! What is slower is taken out by a moving mean; each spectral line counts by the share of it that is not noise (Wiener),
//! without those of the rotation, so neither noise nor an uneven tach disc counts as unsteadiness.

use realfft::RealFftPlanner;
use realfft::num_complex::Complex;

use crate::analysis::command;
use crate::analysis::level::{self, Witness};
use crate::analysis::signal::{stats, tach};
use crate::analysis::speed;
use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};
use crate::results::{Contribution, Findings, Measured, ResultName};
use crate::units::significant;

/// Window of the definition, and the shortest that is used at all, seconds.
const WINDOW_S: f64 = 20.0;
const SHORTEST_S: f64 = 4.0;
/// Windows averaged at most.
const MOST_WINDOWS: usize = 6;
/// Moving mean that takes out what is slower than 0.2 Hz, seconds.
const SLOW_S: f64 = 5.0;
/// Upper end of the band, hertz.
const TOP_HZ: f64 = 20.0;
/// Spacing of the track, seconds.
const SPACING_S: f64 = 0.02;
/// Lines on either side whose mean power tells signal from noise, and how many times that of the noise it must be: the
/// mean of seven lines of noise alone is that in 1 of 100.
const BESIDE: usize = 3;
const CLEAR: f64 = 2.0;

/// Standard uncertainties of their difference by which two swings are told apart.
const TOLD_APART: f64 = 2.0;

/// Swing at one duty.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Swing {
    /// Peak-to-peak over mean, percent, mean over the windows.
    pct: f64,
    /// Its standard uncertainty.
    u_pct: f64,
    /// What of that the chance of its windows makes: it is known from them, the rest from the spectrum.
    chance_pct: f64,
    duty_pct: f64,
    window_s: f64,
    windows: usize,
    from_current: bool,
}

/// Finds `steadiness_pct`: the worst of all long stretches.
pub(crate) fn find(rec: &Recording, findings: &mut Findings) {
    let name = ResultName::SteadinessPct;
    let long =
        |kind: &SpanKind| matches!(kind, SpanKind::Soak | SpanKind::FlatOut | SpanKind::Hold | SpanKind::Point { .. });
    let swings: Vec<Swing> = rec.spans_where(long).filter_map(|span| swing_of(rec, span)).collect();
    // Stretches of the full window speak when there are any; peaks of shorter ones are lower by nature.
    let is_full = |swing: &Swing| swing.window_s > 0.95 * WINDOW_S;
    let any_full = swings.iter().any(is_full);
    let counted: Vec<Swing> = swings.iter().filter(|swing| !any_full || is_full(swing)).copied().collect();
    let by_duty = by_duty(&counted);
    let Some(worst) = by_duty.iter().max_by(|a, b| a.pct.total_cmp(&b.pct)).map(|worst| with_alike(worst, &by_duty))
    else {
        return findings.miss(name, "no stretch of 9 s or more at a constant command with speed or current");
    };
    let budget = vec![Contribution::random("chance of the window and noise", worst.u_pct)];
    let method = if worst.from_current { "current" } else { "speed" };
    let k = stats::k95(worst.dof());
    let mut result = Measured::number(name, worst.pct, k, budget, method, worst.windows as u64);
    result.interval = Some([Some((worst.pct - k * worst.u_pct).max(0.0)), Some(worst.pct + k * worst.u_pct)]);
    let mut notes = vec![format!("worst at {} %", significant(worst.duty_pct, 3))];
    if !is_full(&worst) {
        notes.push(format!("window of {} s instead of 20 s", significant(worst.window_s, 2)));
    }
    findings.put(name, result.noted(notes.join("; ")));
}

/// Stretches of the same duty and kind of reading as one, weighted by their windows.
fn by_duty(swings: &[Swing]) -> Vec<Swing> {
    let mut all: Vec<Swing> = Vec::new();
    for swing in swings {
        let same = |other: &&mut Swing| {
            (other.duty_pct - swing.duty_pct).abs() < 0.5 && other.from_current == swing.from_current
        };
        match all.iter_mut().find(same) {
            Some(known) => {
                let (a, b) = (known.windows as f64, swing.windows as f64);
                known.pct = (a * known.pct + b * swing.pct) / (a + b);
                known.u_pct = (a * known.u_pct).hypot(b * swing.u_pct) / (a + b);
                known.chance_pct = (a * known.chance_pct).hypot(b * swing.chance_pct) / (a + b);
                known.windows += swing.windows;
                known.window_s = known.window_s.max(swing.window_s);
            }
            None => all.push(*swing),
        }
    }
    all
}

/// The worst duty together with those that are not told apart from it, weighted by their windows: the highest of several
/// that are alike is one that chance has lifted.
fn with_alike(worst: &Swing, all: &[Swing]) -> Swing {
    let alike: Vec<&Swing> = all
        .iter()
        .filter(|other| other.from_current == worst.from_current)
        .filter(|other| worst.pct - other.pct <= TOLD_APART * worst.u_pct.hypot(other.u_pct))
        .collect();
    let windows: usize = alike.iter().map(|swing| swing.windows).sum();
    let mean = |of: &dyn Fn(&Swing) -> f64| {
        alike.iter().map(|swing| swing.windows as f64 * of(swing)).sum::<f64>() / windows as f64
    };
    let together = |of: &dyn Fn(&Swing) -> f64| {
        alike.iter().map(|swing| (swing.windows as f64 * of(swing)).powi(2)).sum::<f64>().sqrt() / windows as f64
    };
    let (u_pct, chance_pct) = (together(&|swing| swing.u_pct), together(&|swing| swing.chance_pct));
    Swing { pct: mean(&|swing| swing.pct), u_pct, chance_pct, windows, ..*worst }
}

impl Swing {
    /// Effective degrees of freedom (JCGM 100, G.4): those of the windows are for what chance makes of them alone.
    fn dof(&self) -> f64 {
        let of_windows = (self.windows as f64 - 1.0).max(4.0);
        of_windows * (self.u_pct / self.chance_pct.max(f64::MIN_POSITIVE)).powi(4)
    }
}

fn swing_of(rec: &Recording, span: &Span) -> Option<Swing> {
    let settled_s = span.t0_s + (0.4 * (span.t1_s - span.t0_s)).min(WINDOW_S);
    let usable_s = span.t1_s - settled_s - SLOW_S;
    if usable_s < SHORTEST_S || command::is_off(rec, 0.5 * (span.t0_s + span.t1_s)) == Some(true) {
        return None;
    }
    let window_s = usable_s.min(WINDOW_S);
    let windows = ((usable_s / window_s) as usize).min(MOST_WINDOWS);
    let from_s = span.t1_s - SLOW_S - window_s * windows as f64;
    let (track, from_current) = track(rec, from_s, span.t1_s)?;
    let mean = stats::mean(&track)?.abs();
    let spacing_s = (span.t1_s - from_s) / track.len() as f64;
    let by_turns = !from_current && Witness::of(rec) == Some(Witness::Tach);
    let rotation_hz = speed::mean_speed(rec, from_s, span.t1_s).map(|s| s.rpm / 60.0).filter(|_| !by_turns);
    let fast = without_slow(&track, spacing_s);
    let length = fast.len() / windows;
    let found: Vec<(f64, f64)> =
        fast.chunks_exact(length.max(1)).filter_map(|part| peak_to_peak(part, spacing_s, rotation_hz)).collect();
    let swings: Vec<f64> = found.iter().map(|(swing, _)| *swing).collect();
    let (swing, noise) = (stats::mean(&swings)?, stats::mean(&found.iter().map(|f| f.1).collect::<Vec<_>>())?);
    let spread = stats::deviation(&swings).map_or(0.0, |sd| sd / (swings.len() as f64).sqrt());
    // How high the highest peak comes is chance; one window differs from the next by about a fifth.
    let chance = (0.2 * swing / (swings.len() as f64).sqrt()).max(spread);
    let setting = rec.setting_at(0.5 * (span.t0_s + span.t1_s));
    (mean > 0.0).then(|| Swing {
        pct: 100.0 * swing / mean,
        u_pct: 100.0 * chance.hypot(noise) / mean,
        chance_pct: 100.0 * chance / mean,
        duty_pct: setting.map_or(0.0, |s| level::commanded_pct(&s)),
        window_s,
        windows: swings.len(),
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
    let values: Vec<f64> = (0..wanted)
        .filter_map(|i| {
            let start_s = from_s + SPACING_S * i as f64;
            series.mean(start_s, start_s + SPACING_S)
        })
        .collect();
    full(&values).then_some((values, true))
}

/// Values of a track between its points, at the middles of `count` cells from `from_s` on; `track` is not empty.
fn on_grid(track: &[(f64, f64)], from_s: f64, count: usize) -> Vec<f64> {
    let mut next = 0;
    (0..count)
        .map(|i| {
            let t_s = from_s + SPACING_S * (i as f64 + 0.5);
            while next < track.len() && track[next].0 < t_s {
                next += 1;
            }
            match (next.checked_sub(1).map(|before| track[before]), track.get(next)) {
                (Some((t0, v0)), Some((t1, v1))) => v0 + (v1 - v0) * (t_s - t0) / (t1 - t0),
                (Some((_, v)), None) | (None, Some(&(_, v))) => v,
                (None, None) => f64::NAN,
            }
        })
        .collect()
}

/// Peak-to-peak of the lines in the band, and the standard deviation of what noise leaves in it.
fn peak_to_peak(values: &[f64], spacing_s: f64, rotation_hz: Option<f64>) -> Option<(f64, f64)> {
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
    let power = |from_hz: f64, to_hz: f64| {
        let bins = (0..spectrum.len()).filter(|&k| in_band(k) && (from_hz..=to_hz).contains(&(bin_hz * k as f64)));
        let (squares, powers): (Vec<f64>, Vec<f64>) =
            bins.map(|k| ((bin_hz * k as f64).powi(2), spectrum[k].norm_sqr())).unzip();
        // The median of an exponential distribution is ln 2 of its mean.
        Some((stats::mean(&squares)?, stats::median(&powers)? / std::f64::consts::LN_2))
    };
    let noise = Noise::between(power(0.25 * TOP_HZ, 0.5 * TOP_HZ)?, power(0.7 * TOP_HZ, TOP_HZ)?);
    let powers: Vec<f64> = spectrum.iter().map(Complex::norm_sqr).collect();
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
    // Cut lines ring at the ends.
    let inner = &rebuilt[n / 20..n - n / 20];
    let (low, high) = inner.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
    // A group of lines of the size of the limit may stay unseen.
    let unseen = 2.0 * (CLEAR - 1.0) * (2 * BESIDE + 1) as f64 * noise.at(1.0);
    Some(((high - low) / n as f64, 2.0 * (left + unseen).sqrt() / n as f64))
}

/// Power of the noise per line: rotors are slow, so what is left in the upper band is noise of the reading. White for a
/// current, growing with the square of the frequency for a speed taken from times of edges.
#[derive(Clone, Copy, Debug)]
struct Noise {
    white: f64,
    per_square_hz: f64,
}

impl Noise {
    /// From two bands, each as mean square of the frequency and power.
    fn between((low_sq, low): (f64, f64), (high_sq, high): (f64, f64)) -> Self {
        let per_square_hz = ((high - low) / (high_sq - low_sq)).clamp(0.0, low / low_sq);
        let white = (low - per_square_hz * low_sq).max(1e-3 * low);
        Self { white, per_square_hz }
    }

    fn at(&self, hz: f64) -> f64 {
        self.white + self.per_square_hz * hz * hz
    }
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

    #[test]
    fn duties_that_swing_alike_count_as_one_and_a_worse_one_by_itself() {
        let swing = |pct, u_pct, duty_pct| Swing {
            pct,
            u_pct,
            chance_pct: u_pct,
            duty_pct,
            window_s: 20.0,
            windows: 4,
            from_current: false,
        };
        let (a, b, far) = (swing(0.15, 0.015, 50.0), swing(0.13, 0.013, 85.0), swing(0.4, 0.04, 30.0));
        let pooled = with_alike(&a, &[a, b]);
        assert!((pooled.pct - 0.14).abs() < 1e-9 && (pooled.u_pct - 0.00992).abs() < 1e-4 && pooled.windows == 8);
        assert_eq!(with_alike(&far, &[a, b, far]), far);
    }

    #[test]
    fn few_windows_widen_the_interval_for_their_chance_alone() {
        let of = |chance_pct| swing_by(chance_pct).dof();
        assert!((of(0.02) - 5.0).abs() < 1e-9 && (of(0.01) - 80.0).abs() < 1e-9 && of(0.0) > 1e6);
        let found = held(45.0, 10.0, 1.3, 40.0);
        let result = &found.results[&ResultName::SteadinessPct];
        let k = (result.interval.unwrap()[1].unwrap() - result.as_number().unwrap()) / result.u.unwrap();
        assert!(k < 2.3, "two windows and much noise: {k}");
        let pooled = with_alike(&swing_by(0.01), &[swing_by(0.01), swing_by(0.01)]);
        assert!((pooled.chance_pct - 0.01 / 2.0_f64.sqrt()).abs() < 1e-9, "{pooled:?}");
    }

    fn swing_by(chance_pct: f64) -> Swing {
        Swing { pct: 0.15, u_pct: 0.02, chance_pct, duty_pct: 50.0, window_s: 20.0, windows: 6, from_current: false }
    }

    #[test]
    fn a_short_stretch_is_noted_and_a_very_short_one_is_absent() {
        let note = held(22.0, 60.0, 1.3, 5.0).results[&ResultName::SteadinessPct].note.clone().unwrap();
        assert!(note.contains("instead of 20 s"), "{note}");
        assert!(held(8.0, 60.0, 1.3, 5.0).absent.contains_key(&ResultName::SteadinessPct));
    }
}
