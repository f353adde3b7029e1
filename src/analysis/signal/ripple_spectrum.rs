//! The lines in a window of current: found in a Hann-windowed spectrum, then fitted together by least squares.
//!
//! One transform without a window; the Hann spectrum is three bins of it. Each line is fitted in the bins around it with
//! the leakage of all others taken off, round after round: what is left of the Cramer-Rao bound is the share of the line
//! outside those bins, a few percent.

use std::cell::RefCell;
use std::f64::consts::{LN_2, PI, TAU};

use realfft::RealFftPlanner;
use realfft::num_complex::Complex;

use super::stats;

thread_local! {
    /// Planning a transform costs more than running one; plans are kept per thread.
    static PLANNER: RefCell<RealFftPlanner<f64>> = RefCell::new(RealFftPlanner::new());
}

/// Smallest clearance for a line: among 4000 bins of pure noise the largest exceeds it once in 10^5 windows.
pub(super) const CLEAR: f64 = 20.0;
/// Most lines fitted together.
const MOST_LINES: usize = 12;
/// Least floor, as a share of the strongest bin (90 dB): no measured current is cleaner.
const ROUNDING: f64 = 1e-9;
/// Bins on either side in which a line is fitted.
const REACH: usize = 8;
/// Rounds of the joint fit.
const ROUNDS: usize = 4;

/// One line of the window.
#[derive(Clone, Copy, Debug)]
pub(super) struct Line {
    pub(super) hz: f64,
    /// Standard uncertainty of the frequency: the Cramer-Rao bound at the noise around the line.
    pub(super) u_hz: f64,
    pub(super) amplitude: f64,
    /// Power of the line over the mean noise power around it, after a Hann window.
    pub(super) clearance: f64,
    /// Place in bins and complex amplitude at the window's centre.
    place: f64,
    phasor: Complex<f64>,
}

/// Spectrum of a detrended window.
pub(super) struct Spectrum {
    /// Bins without a window, phases seen from the window's centre.
    bins: Vec<Complex<f64>>,
    /// Power after a Hann window.
    power: Vec<f64>,
    floor: Vec<f64>,
    samples: usize,
    dt_s: f64,
}

impl Spectrum {
    /// Of at least 64 finite samples; `None` otherwise.
    pub(super) fn of(values: &[f32], dt_s: f64) -> Option<Self> {
        let n = values.len();
        if n < 64 || dt_s.is_nan() || dt_s <= 0.0 || values.iter().any(|v| !v.is_finite()) {
            return None;
        }
        let centre = 0.5 * (n - 1) as f64;
        let mean = values.iter().map(|&v| f64::from(v)).sum::<f64>() / n as f64;
        let slope = values.iter().enumerate().map(|(i, &v)| (i as f64 - centre) * f64::from(v)).sum::<f64>()
            / (n as f64 * (n as f64 * n as f64 - 1.0) / 12.0);
        let transform = PLANNER.with(|planner| planner.borrow_mut().plan_fft_forward(n));
        let mut input: Vec<f64> =
            values.iter().enumerate().map(|(i, &v)| f64::from(v) - mean - slope * (i as f64 - centre)).collect();
        let mut bins = transform.make_output_vec();
        transform.process(&mut input, &mut bins).ok()?;
        let power = hann_power(&bins);
        let turn = Complex::from_polar(1.0, TAU * centre / n as f64);
        let mut phase = Complex::new(1.0, 0.0);
        for bin in &mut bins {
            *bin *= phase;
            phase *= turn;
        }
        // Rounded numbers have lines of their own where nothing else is as faint.
        let rounding = ROUNDING * power.iter().copied().fold(0.0, f64::max);
        let floor = floor(&power).into_iter().map(|level| level.max(rounding)).collect();
        Some(Self { bins, power, floor, samples: n, dt_s })
    }

    pub(super) fn bin_hz(&self) -> f64 {
        1.0 / (self.samples as f64 * self.dt_s)
    }

    /// Lines that stand clear, strongest first, fitted together.
    pub(super) fn lines(&self) -> Vec<Line> {
        let is_peak = |bin: &usize| {
            self.power[*bin] >= self.power[bin - 1]
                && self.power[*bin] > self.power[bin + 1]
                && self.power[*bin] > CLEAR * self.floor[*bin]
        };
        let mut peaks: Vec<usize> = (2..self.power.len().saturating_sub(2)).filter(is_peak).collect();
        peaks.sort_by(|a, b| self.power[*b].total_cmp(&self.power[*a]));
        peaks.truncate(MOST_LINES);
        let mut lines: Vec<Line> = peaks.iter().map(|bin| self.guess(*bin)).collect();
        for _ in 0..ROUNDS {
            for at in 0..lines.len() {
                lines[at] = self.fitted(&lines, at);
            }
        }
        lines
    }

    /// Highest power over the floor within half a bin of `hz`.
    pub(super) fn clearance_at(&self, hz: f64) -> f64 {
        let bin = (hz / self.bin_hz()).round() as usize;
        if bin == 0 || bin >= self.power.len() { 0.0 } else { self.power[bin] / self.floor[bin] }
    }

    /// First guess from two bins of the Hann spectrum.
    fn guess(&self, bin: usize) -> Line {
        let up = self.power[bin + 1] > self.power[bin - 1];
        let neighbour = if up { self.power[bin + 1] } else { self.power[bin - 1] };
        let ratio = (neighbour / self.power[bin]).sqrt();
        let offset = ((2.0 * ratio - 1.0) / (1.0 + ratio)).clamp(0.0, 0.5);
        let place = bin as f64 + if up { offset } else { -offset };
        let phasor = self.bins[bin] / kernel(place - bin as f64, self.samples).0;
        self.line(place, phasor)
    }

    fn line(&self, place: f64, phasor: Complex<f64>) -> Line {
        let n = self.samples as f64;
        let bin = (place.round() as usize).min(self.floor.len() - 1);
        let amplitude = 2.0 * phasor.norm();
        // A Hann window leaves 3/8 of the power of noise.
        let variance = self.floor[bin] / (0.375 * n);
        // Cramer-Rao bound of one real line in white noise (Rife and Boorstyn 1974; Kay 1993, eq. 3.41).
        let u_rad = (24.0 * variance / (amplitude * amplitude * n * (n * n - 1.0))).sqrt();
        let clearance = (0.25 * n * amplitude).powi(2) / self.floor[bin];
        Line { hz: place * self.bin_hz(), u_hz: u_rad / (TAU * self.dt_s), amplitude, clearance, place, phasor }
    }

    /// Line `at` after one step of Gauss and Newton in the bins around it, the other lines taken off.
    fn fitted(&self, lines: &[Line], at: usize) -> Line {
        let Line { place, .. } = lines[at];
        let middle = place.round() as usize;
        let (from, to) = (middle.saturating_sub(REACH).max(1), (middle + REACH).min(self.bins.len() - 1));
        let image = |line: &Line, bin: f64| line.phasor.conj() * kernel(-line.place - bin, self.samples).0;
        let left: Vec<Complex<f64>> = (from..=to)
            .map(|bin| {
                let here = bin as f64;
                let mut value = self.bins[bin] - image(&lines[at], here);
                for (_, other) in lines.iter().enumerate().filter(|(i, _)| *i != at) {
                    value -= other.phasor * kernel(other.place - here, self.samples).0 + image(other, here);
                }
                value
            })
            .collect();
        let shape: Vec<(f64, f64)> = (from..=to).map(|bin| kernel(place - bin as f64, self.samples)).collect();
        let squares: f64 = shape.iter().map(|(d, _)| d * d).sum();
        let mixed: f64 = shape.iter().map(|(d, slope)| d * slope).sum();
        let phasor = shape.iter().zip(&left).map(|((d, _), v)| v * *d).sum::<Complex<f64>>() / squares;
        let (mut pull, mut stiffness) = (0.0, 0.0);
        for ((d, slope), value) in shape.iter().zip(&left) {
            let across = slope - d * mixed / squares;
            pull += across * (phasor.conj() * (value - phasor * *d)).re;
            stiffness += across * across;
        }
        let step = (pull / (phasor.norm_sqr() * stiffness).max(f64::MIN_POSITIVE)).clamp(-0.3, 0.3);
        let moved = place + step;
        if (moved - middle as f64).abs() > 1.5 { self.line(place, phasor) } else { self.line(moved, phasor) }
    }
}

/// Response of a bin `x` bins away from a line of unit amplitude over `n` samples, and its slope.
fn kernel(x: f64, n: usize) -> (f64, f64) {
    let n = n as f64;
    let angle = PI * x / n;
    if x.abs() < 1e-4 {
        return (n, 0.0);
    }
    let (sin_n, cos_n) = (PI * x).sin_cos();
    let (sin, cos) = angle.sin_cos();
    let value = sin_n / sin;
    (value, PI * (cos_n - value * cos / n) / sin)
}

/// Power after a Hann window, from three bins without one.
fn hann_power(bins: &[Complex<f64>]) -> Vec<f64> {
    let last = bins.len() - 1;
    (0..bins.len())
        .map(|k| {
            let below = if k == 0 { bins[1].conj() } else { bins[k - 1] };
            let above = if k == last { bins[last - 1].conj() } else { bins[k + 1] };
            (0.5 * bins[k] - 0.25 * (below + above)).norm_sqr()
        })
        .collect()
}

/// Mean noise power around each bin: median of blocks of bins over ln 2, smoothed between block centres.
fn floor(power: &[f64]) -> Vec<f64> {
    let block = (power.len() / 32).clamp(24, 256);
    let levels: Vec<f64> = power.chunks(block).map(|bins| stats::median(bins).unwrap_or(0.0) / LN_2).collect();
    let highest = levels.iter().copied().fold(0.0, f64::max);
    let least = (highest * 1e-12).max(f64::MIN_POSITIVE);
    (0..power.len())
        .map(|i| {
            let position = (i as f64 / block as f64 - 0.5).clamp(0.0, (levels.len() - 1) as f64);
            let low = position.floor() as usize;
            let high = (low + 1).min(levels.len() - 1);
            let share = position - low as f64;
            (levels[low] * (1.0 - share) + levels[high] * share).max(least)
        })
        .collect()
}
