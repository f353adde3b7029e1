//! Slow swing of the speed (or current) at a constant command: peak-to-peak from 0.2 to 20 Hz over the mean.
//!
//! The swing is rebuilt from the spectral lines that stand clear of the noise, without those of the rotation, so
//! neither noise nor an uneven tach disc counts as unsteadiness.

use realfft::RealFftPlanner;
use realfft::num_complex::Complex;

use crate::analysis::command;
use crate::analysis::level::Witness;
use crate::analysis::signal::stats;
use crate::analysis::speed;
use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};
use crate::results::{Contribution, Findings, Measured, ResultName};
use crate::units::significant;

/// Window of the definition, and the shortest that is used at all, seconds.
const WINDOW_S: f64 = 20.0;
const SHORTEST_S: f64 = 5.0;
/// Band of the definition, hertz.
const BAND_HZ: (f64, f64) = (0.2, 20.0);
/// Spacing of the track, seconds.
const SPACING_S: f64 = 0.02;
/// A line counts when its power is this many times the median: noise alone does that in 1 of 40 windows.
const CLEAR: f64 = 14.0;

/// Swing of one stretch.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Swing {
    /// Peak-to-peak over mean, percent.
    pct: f64,
    /// Smallest swing that would have been seen, percent.
    seen_from_pct: f64,
    duty_pct: f64,
    window_s: f64,
    from_current: bool,
}

/// Finds `steadiness_pct`: the worst of all long stretches.
pub(crate) fn find(rec: &Recording, findings: &mut Findings) {
    let name = ResultName::SteadinessPct;
    let long =
        |kind: &SpanKind| matches!(kind, SpanKind::Soak | SpanKind::FlatOut | SpanKind::Hold | SpanKind::Point { .. });
    let swings: Vec<Swing> = rec.spans_where(long).filter_map(|span| swing_of(rec, span)).collect();
    // Stretches of the full window speak when there are any; peaks of shorter ones are lower by nature.
    let full = swings.iter().filter(|s| s.window_s > 0.95 * WINDOW_S).count();
    let counted = swings.iter().filter(|s| full == 0 || s.window_s > 0.95 * WINDOW_S);
    let Some(worst) = counted.max_by(|a, b| a.pct.total_cmp(&b.pct)) else {
        return findings.miss(name, "no stretch of 5 s or more at a constant command with speed or current");
    };
    let n = if full > 0 { full } else { swings.len() };
    let doubt = worst.seen_from_pct / 12.0_f64.sqrt();
    let budget = vec![Contribution::random("noise under the lines", doubt)];
    let method = if worst.from_current { "current" } else { "speed" };
    let mut result = Measured::number(name, worst.pct, 1.96, budget, method, n as u64);
    result.interval = Some([Some((worst.pct - 1.96 * doubt).max(0.0)), Some(worst.pct + worst.seen_from_pct)]);
    let mut notes = vec![format!("worst at {} %", significant(worst.duty_pct, 3))];
    if worst.window_s < 0.95 * WINDOW_S {
        notes.push(format!("window of {} s instead of 20 s", significant(worst.window_s, 2)));
    }
    findings.put(name, result.noted(notes.join("; ")));
}

fn swing_of(rec: &Recording, span: &Span) -> Option<Swing> {
    // The first part of a stretch may still settle.
    let from_s = (span.t1_s - WINDOW_S).max(span.t0_s + 0.4 * (span.t1_s - span.t0_s).min(WINDOW_S));
    let window_s = span.t1_s - from_s;
    if window_s < SHORTEST_S {
        return None;
    }
    let (track, from_current) = track(rec, from_s, span.t1_s)?;
    let mean = stats::mean(&track)?.abs();
    let spacing_s = window_s / track.len() as f64;
    let rotation_hz = speed::mean_speed(rec, from_s, span.t1_s).map(|s| s.rpm / 60.0);
    let (swing, seen_from) = peak_to_peak(&track, spacing_s, rotation_hz)?;
    let duty_pct =
        rec.setting_at(0.5 * (from_s + span.t1_s)).map_or(0.0, |s| crate::analysis::level::commanded_pct(&s));
    let off = command::is_off(rec, from_s) == Some(true);
    (mean > 0.0 && !off).then(|| Swing {
        pct: 100.0 * swing / mean,
        seen_from_pct: 100.0 * seen_from / mean,
        duty_pct,
        window_s,
        from_current,
    })
}

/// Evenly spaced speed, else supply current, and whether it is current; `None` when there are holes.
fn track(rec: &Recording, from_s: f64, to_s: f64) -> Option<(Vec<f64>, bool)> {
    let wanted = ((to_s - from_s) / SPACING_S) as usize;
    let full = |values: &[f64]| values.len() * 100 > wanted * 95;
    if matches!(Witness::of(rec), Some(Witness::Tach | Witness::Column { .. })) {
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

/// Peak-to-peak of the lines in the band, and the peak-to-peak of the weakest line that would count.
fn peak_to_peak(track: &[f64], spacing_s: f64, rotation_hz: Option<f64>) -> Option<(f64, f64)> {
    let mut values = detrended(track);
    let n = values.len();
    let mut planner = RealFftPlanner::<f64>::new();
    let forward = planner.plan_fft_forward(n);
    let mut spectrum = forward.make_output_vec();
    forward.process(&mut values, &mut spectrum).ok()?;
    let bin_hz = 1.0 / (spacing_s * n as f64);
    let in_band = |k: usize| {
        let hz = bin_hz * k as f64;
        (BAND_HZ.0..=BAND_HZ.1).contains(&hz) && !is_rotation(hz, rotation_hz, 1.0 / spacing_s, 2.0 * bin_hz)
    };
    let powers: Vec<f64> = (0..spectrum.len()).filter(|&k| in_band(k)).map(|k| spectrum[k].norm_sqr()).collect();
    let limit = CLEAR * stats::median(&powers)?;
    for (k, line) in spectrum.iter_mut().enumerate() {
        if !in_band(k) || line.norm_sqr() <= limit {
            *line = Complex::new(0.0, 0.0);
        }
    }
    let inverse = planner.plan_fft_inverse(n);
    let mut rebuilt = inverse.make_output_vec();
    inverse.process(&mut spectrum, &mut rebuilt).ok()?;
    let (low, high) = rebuilt.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
    Some(((high - low) / n as f64, 4.0 * limit.sqrt() / n as f64))
}

/// Whether `hz` is a line of the rotation or one of its multiples folded at the track's rate.
fn is_rotation(hz: f64, rotation_hz: Option<f64>, rate_hz: f64, near_hz: f64) -> bool {
    let Some(rotation) = rotation_hz.filter(|r| *r > 0.5) else { return false };
    (1..=6).any(|multiple| {
        let line = rotation * f64::from(multiple) % rate_hz;
        let folded = line.min(rate_hz - line);
        (folded - hz).abs() <= near_hz.max(0.01 * rotation)
    })
}

/// Values less their straight line.
fn detrended(values: &[f64]) -> Vec<f64> {
    let x: Vec<f64> = (0..values.len()).map(|i| i as f64).collect();
    match stats::line(&x, values) {
        Some(line) => x.iter().zip(values).map(|(x, v)| v - line.at(*x)).collect(),
        None => values.to_vec(),
    }
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
        let found = held(40.0, 60.0, 1.3, 10.0);
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
    fn a_short_stretch_is_noted_and_a_very_short_one_is_absent() {
        let note = held(12.0, 60.0, 1.3, 5.0).results[&ResultName::SteadinessPct].note.clone().unwrap();
        assert!(note.contains("instead of 20 s"), "{note}");
        assert!(held(4.0, 60.0, 1.3, 5.0).absent.contains_key(&ResultName::SteadinessPct));
    }
}
