//! Speed from commutation ripple: the line that the commutator's bars leave in the current of a brushed motor.
//!
//! One windowed spectrum, lines judged against the noise around them, a rule against locking on half or double the
//! rate, and a stated uncertainty; nothing at all when no line stands clear of the noise.

use std::cell::RefCell;

use realfft::RealFftPlanner;

use super::stats;

thread_local! {
    /// Planning a transform costs more than running one; plans are kept per thread.
    static PLANNER: RefCell<RealFftPlanner<f64>> = RefCell::new(RealFftPlanner::new());
}

/// What to look for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Search<'a> {
    /// Lowest plausible commutation frequency.
    pub lo_hz: f64,
    /// Highest plausible commutation frequency; at most 0.45 of the sample rate is searched.
    pub hi_hz: f64,
    /// Lines known to be something else, such as the alias of the chopper; lines within a bin and a half are skipped.
    pub avoid_hz: &'a [f64],
}

/// A commutation line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ripple {
    /// Commutation frequency.
    pub hz: f64,
    /// Its standard uncertainty.
    pub u_hz: f64,
    /// Amplitude of the line, in the unit of the samples.
    pub amplitude: f64,
    /// Power of the line over the mean noise power around it.
    pub clearance: f64,
    /// Commutations per revolution, where once-per-revolution side lines tell them.
    pub per_rev: Option<f64>,
}

/// Smallest clearance for a line: among 4000 bins of pure noise the largest exceeds it once in 10^5 windows.
const CLEAR: f64 = 20.0;
/// Side lines may be weaker: their place is known to a bin.
const SIDE_CLEAR: f64 = 9.0;
/// Lines at odd multiples of half the strongest frequency must carry this share of the even ones to call it the double.
const HALF_SHARE: f64 = 0.3;
/// Loss of a Hann window against the Cramer-Rao bound.
const WINDOW_LOSS: f64 = 1.4;

/// Power spectrum of a Hann-windowed, line-detrended stretch, zero-padded about twice.
struct Spectrum {
    power: Vec<f64>,
    floor: Vec<f64>,
    bin_hz: f64,
    duration_s: f64,
    samples: usize,
}

/// The commutation line in evenly spaced current samples, or `None` when none stands clear.
///
/// At least 64 samples and four periods of `lo_hz`; samples that are not finite give `None`. The frequency is the
/// mean over the window, weighted to its middle.
#[must_use]
pub fn find(values: &[f32], dt_s: f64, search: &Search<'_>) -> Option<Ripple> {
    let spectrum = spectrum(values, dt_s)?;
    let hi_hz = search.hi_hz.min(0.45 / dt_s);
    let lo_hz = search.lo_hz.max(4.0 / spectrum.duration_s);
    let strongest = strongest(&spectrum, lo_hz, hi_hz, search.avoid_hz)?;
    let bin = settle_octave(&spectrum, strongest, lo_hz);
    let hz = spectrum.refine(bin);
    let clearance = spectrum.clearance(bin);
    // Cramer-Rao for one real line under white noise: 1 / (pi T sqrt(clearance)) with the clearance after a Hann
    // window; the second term is what parabolic interpolation of the logarithm leaves.
    let u_hz = (WINDOW_LOSS / (std::f64::consts::PI * spectrum.duration_s * clearance.sqrt()))
        .hypot(0.01 / spectrum.duration_s);
    let per_rev = per_revolution(&spectrum, hz);
    // Coherent gain of the Hann window is one half; a line of amplitude A has |X| = A N / 4.
    let amplitude = 4.0 * spectrum.power[bin].sqrt() / spectrum.samples as f64;
    Some(Ripple { hz, u_hz, amplitude, clearance, per_rev })
}

fn spectrum(values: &[f32], dt_s: f64) -> Option<Spectrum> {
    let n = values.len();
    if n < 64 || dt_s.is_nan() || dt_s <= 0.0 || values.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let centre = 0.5 * (n - 1) as f64;
    let mean = values.iter().map(|&v| f64::from(v)).sum::<f64>() / n as f64;
    let (mut sxy, mut sxx) = (0.0, 0.0);
    for (i, &v) in values.iter().enumerate() {
        let x = i as f64 - centre;
        sxy += x * (f64::from(v) - mean);
        sxx += x * x;
    }
    let slope = sxy / sxx;
    let length = (2 * n).next_power_of_two();
    let transform = PLANNER.with(|planner| planner.borrow_mut().plan_fft_forward(length));
    let mut input = vec![0.0; length];
    let turn = std::f64::consts::TAU / n as f64;
    for (i, (slot, &v)) in input.iter_mut().zip(values).enumerate() {
        let window = 0.5 - 0.5 * (turn * (i as f64 + 0.5)).cos();
        *slot = window * (f64::from(v) - mean - slope * (i as f64 - centre));
    }
    let mut output = transform.make_output_vec();
    transform.process(&mut input, &mut output).ok()?;
    let power: Vec<f64> = output.iter().map(|c| c.norm_sqr()).collect();
    let floor = floor(&power);
    let bin_hz = 1.0 / (length as f64 * dt_s);
    Some(Spectrum { power, floor, bin_hz, duration_s: n as f64 * dt_s, samples: n })
}

/// Mean noise power around each bin: median of blocks of bins over ln 2, smoothed between block centres.
fn floor(power: &[f64]) -> Vec<f64> {
    let block = (power.len() / 32).clamp(24, 256);
    let levels: Vec<f64> =
        power.chunks(block).map(|bins| stats::median(bins).unwrap_or(0.0) / std::f64::consts::LN_2).collect();
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

impl Spectrum {
    fn clearance(&self, bin: usize) -> f64 {
        self.power[bin] / self.floor[bin]
    }

    /// Highest bin within one and a half natural bins of `hz`; `None` outside the spectrum.
    fn peak_near(&self, hz: f64) -> Option<usize> {
        let reach = (1.5 / (self.duration_s * self.bin_hz)).ceil() as usize;
        let middle = (hz / self.bin_hz).round() as usize;
        let (from, to) = (middle.saturating_sub(reach).max(1), (middle + reach + 1).min(self.power.len() - 1));
        (from..to).max_by(|a, b| self.power[*a].total_cmp(&self.power[*b]))
    }

    /// Frequency of the peak at `bin` by a parabola through the logarithms of three bins.
    fn refine(&self, bin: usize) -> f64 {
        if bin == 0 || bin + 1 >= self.power.len() {
            return bin as f64 * self.bin_hz;
        }
        let log = |i: usize| self.power[i].max(f64::MIN_POSITIVE).ln();
        let (a, b, c) = (log(bin - 1), log(bin), log(bin + 1));
        let curvature = a - 2.0 * b + c;
        let offset = if curvature < 0.0 { (0.5 * (a - c) / curvature).clamp(-0.5, 0.5) } else { 0.0 };
        (bin as f64 + offset) * self.bin_hz
    }

    fn is_peak(&self, bin: usize) -> bool {
        self.power[bin] >= self.power[bin - 1] && self.power[bin] > self.power[bin + 1]
    }
}

/// Strongest clear peak in the band that is not to be avoided.
fn strongest(spectrum: &Spectrum, lo_hz: f64, hi_hz: f64, avoid_hz: &[f64]) -> Option<usize> {
    let from = ((lo_hz / spectrum.bin_hz).ceil() as usize).max(1);
    let to = ((hi_hz / spectrum.bin_hz).floor() as usize + 1).min(spectrum.power.len() - 1);
    let near = 1.5 / spectrum.duration_s;
    (from..to.max(from))
        .filter(|&bin| spectrum.is_peak(bin) && spectrum.clearance(bin) > CLEAR)
        .filter(|&bin| avoid_hz.iter().all(|hz| (bin as f64 * spectrum.bin_hz - hz).abs() > near))
        .max_by(|a, b| spectrum.power[*a].total_cmp(&spectrum.power[*b]))
}

/// The commutation line behind the strongest one: half its frequency where the odd multiples of the half are strong.
fn settle_octave(spectrum: &Spectrum, strongest: usize, lo_hz: f64) -> usize {
    let hz = spectrum.refine(strongest);
    let half = 0.5 * hz;
    if half < lo_hz {
        return strongest;
    }
    let clear = |hz: f64| spectrum.peak_near(hz).filter(|&bin| spectrum.clearance(bin) > CLEAR);
    let amplitude = |bin: Option<usize>| bin.map_or(0.0, |b| spectrum.power[b].sqrt());
    let (Some(first), Some(third)) = (clear(half), clear(3.0 * half)) else { return strongest };
    let odd = amplitude(Some(first)) + amplitude(Some(third));
    let even = amplitude(Some(strongest)) + amplitude(clear(4.0 * half));
    if odd > HALF_SHARE * even { first } else { strongest }
}

/// Commutations per revolution from side lines once per revolution away on both sides, if one whole number explains
/// them clearly better than any other.
fn per_revolution(spectrum: &Spectrum, hz: f64) -> Option<f64> {
    // A side line must lie where it is due: the places for neighbouring numbers of bars are close together.
    let due = |hz: f64| move |bin: &usize| (spectrum.refine(*bin) - hz).abs() < 0.6 / spectrum.duration_s;
    let side = |hz: f64| spectrum.peak_near(hz).filter(due(hz)).map_or(0.0, |bin| spectrum.clearance(bin));
    let mut scores: Vec<(f64, f64)> = (4..=64)
        .map(f64::from)
        .filter(|k| hz / k > 3.0 / spectrum.duration_s)
        .filter_map(|k| {
            let turn = hz / k;
            let (below, above) = (side(hz - turn), side(hz + turn));
            (below > SIDE_CLEAR && above > SIDE_CLEAR).then(|| (k, below.min(above).ln() + side(turn).max(1.0).ln()))
        })
        .collect();
    scores.sort_by(|a, b| b.1.total_cmp(&a.1));
    let (best, score) = *scores.first()?;
    let rival = scores.get(1).map_or(0.0, |s| s.1);
    (score - rival > 1.0).then_some(best)
}

#[cfg(test)]
mod tests {
    use super::super::stats::tests::noise;
    use super::*;

    const WIDE: Search<'static> = Search { lo_hz: 50.0, hi_hz: 4000.0, avoid_hz: &[] };

    /// Samples at 20 kS/s: level plus lines (hertz, amplitude, phase) plus noise.
    fn current(seconds: f64, lines: &[(f64, f64, f64)], sigma: f64, seed: u64) -> Vec<f32> {
        let n = (seconds * 20_000.0) as usize;
        let wave = |t: f64| lines.iter().map(|(hz, a, p)| a * (std::f64::consts::TAU * hz * t + p).cos()).sum::<f64>();
        noise(seed, n, sigma).iter().enumerate().map(|(i, e)| (8.0 + wave(i as f64 / 20_000.0) + e) as f32).collect()
    }

    #[test]
    fn a_line_in_noise_is_found_and_its_uncertainty_covers() {
        let mut covered = 0;
        for seed in 0..200 {
            let hz = 611.3 + 0.37 * seed as f64;
            let samples = current(0.25, &[(hz, 0.04, 0.1 * seed as f64)], 0.1, seed);
            let ripple = find(&samples, 5e-5, &WIDE).expect("clear line");
            assert!((ripple.hz - hz).abs() < 0.5, "{ripple:?} for {hz}");
            covered += usize::from((ripple.hz - hz).abs() < 1.96 * ripple.u_hz);
        }
        assert!((176..=199).contains(&covered), "{covered} of 200");
    }

    #[test]
    fn the_amplitude_comes_out_in_the_unit_of_the_samples() {
        let ripple = find(&current(0.5, &[(800.0, 0.3, 0.0)], 0.01, 1), 5e-5, &WIDE).expect("line");
        assert!((ripple.amplitude - 0.3).abs() < 0.01, "{ripple:?}");
    }

    #[test]
    fn pure_noise_has_no_commutation() {
        let found = (0..100).filter(|seed| find(&current(0.25, &[], 0.1, *seed), 5e-5, &WIDE).is_some()).count();
        assert_eq!(found, 0);
    }

    #[test]
    fn a_second_harmonic_stronger_than_the_first_does_not_double_the_speed() {
        let lines = [(600.0, 0.1, 0.0), (1200.0, 0.16, 1.0), (1800.0, 0.06, 2.0)];
        let ripple = find(&current(0.25, &lines, 0.05, 3), 5e-5, &WIDE).expect("line");
        assert!((ripple.hz - 600.0).abs() < 0.5, "{ripple:?}");
    }

    #[test]
    fn weak_bar_to_bar_lines_do_not_halve_the_speed() {
        let lines = [(300.0, 0.015, 0.0), (600.0, 0.2, 0.0), (900.0, 0.012, 2.0)];
        let ripple = find(&current(0.25, &lines, 0.02, 3), 5e-5, &WIDE).expect("line");
        assert!((ripple.hz - 600.0).abs() < 0.5, "{ripple:?}");
    }

    #[test]
    fn side_lines_tell_the_commutations_per_revolution() {
        let turn = 600.0 / 16.0;
        let lines = [(600.0, 0.2, 0.0), (600.0 + turn, 0.03, 0.5), (600.0 - turn, 0.03, 0.5)];
        let ripple = find(&current(0.5, &lines, 0.02, 4), 5e-5, &WIDE).expect("line");
        assert_eq!(ripple.per_rev, Some(16.0));
        let bare = find(&current(0.5, &lines[..1], 0.02, 4), 5e-5, &WIDE).expect("line");
        assert_eq!(bare.per_rev, None);
    }

    #[test]
    fn a_known_alias_is_stepped_over() {
        let lines = [(600.0, 0.05, 0.0), (1700.0, 0.5, 0.0)];
        let samples = current(0.25, &lines, 0.02, 5);
        let ripple = find(&samples, 5e-5, &Search { avoid_hz: &[1700.0], ..WIDE }).expect("line");
        assert!((ripple.hz - 600.0).abs() < 0.5, "{ripple:?}");
    }

    #[test]
    fn useless_input_is_refused() {
        assert_eq!(find(&[], 5e-5, &WIDE), None);
        assert_eq!(find(&[1.0; 4096], 5e-5, &WIDE), None);
        assert_eq!(find(&[f32::NAN; 4096], 5e-5, &WIDE), None);
        assert_eq!(find(&[1.0; 4096], 0.0, &WIDE), None);
    }
}
