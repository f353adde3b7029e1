//! Speed from commutation ripple: the line that the commutator's bars leave in the current of a brushed motor.
//!
//! The lines of a window are fitted together. Of those in the band the commutation is the one whose rotation explains
//! most of the others: its harmonics, its side lines once per revolution away, the line of the rotation itself and of an
//! uneven wheel. So neither a bent blade nor the double nor an image beyond half the sample rate is taken for it.
//! Nothing at all when no line stands clear of the noise.

use super::ripple_spectrum::{CLEAR, Line, Spectrum};

/// What to look for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Search<'a> {
    /// Lowest plausible commutation frequency.
    pub lo_hz: f64,
    /// Highest plausible commutation frequency.
    pub hi_hz: f64,
    /// Lines known to be something else, such as the alias of the chopper or of the supply; lines within half a bin are skipped.
    pub avoid_hz: &'a [f64],
    /// Commutations per revolution where they are known; looked for otherwise.
    pub per_rev: Option<f64>,
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
    /// Commutations per revolution: as stated, else where lines of the rotation tell them.
    pub per_rev: Option<f64>,
    /// Whether the line was seen folded at half the sample rate.
    pub folded: bool,
}

/// Side lines may be weaker: their place is known to a bin.
const SIDE_CLEAR: f64 = 9.0;
/// Lines at odd multiples of half the chosen frequency must carry this share of the even ones to call it the double.
const HALF_SHARE: f64 = 0.3;
/// A line seen folded must explain so much more (natural logarithm of power over noise) than the same line unfolded.
const FOLD_COST: f64 = 6.0;
/// A line with less than this share of the strongest one's amplitude (26 dB) is not taken for the commutation.
const FAINT: f64 = 0.05;
/// Lead over the second-best number of commutations per revolution.
const LEAD: f64 = 1.0;
/// Candidates whose number of commutations is looked for.
const CANDIDATES: usize = 5;
/// Fastest and slowest rotation looked for, hertz.
const ROTATION_HZ: (f64, f64) = (1.0, 100.0);

/// The commutation line in evenly spaced current samples, or `None` when none stands clear.
///
/// At least 64 samples and four periods of `lo_hz`; samples that are not finite give `None`. The frequency is the
/// mean over the window, weighted to its middle.
#[must_use]
pub fn find(values: &[f32], dt_s: f64, search: &Search<'_>) -> Option<Ripple> {
    let spectrum = Spectrum::of(values, dt_s)?;
    let window = Window { lines: spectrum.lines(), spectrum: &spectrum, rate_hz: 1.0 / dt_s, search };
    let best = window.best()?;
    let (line, hz) = window.settle_octave(best.line, best.hz);
    let per_rev = search.per_rev.or_else(|| if hz == best.hz { best.per_rev } else { window.per_revolution(hz).0 });
    Some(Ripple {
        hz,
        u_hz: line.u_hz,
        amplitude: line.amplitude,
        clearance: line.clearance,
        per_rev,
        folded: hz > 0.5 / dt_s,
    })
}

/// Frequencies of all lines that stand clear in a window: what a bench shows with the fan off is not the fan's.
#[must_use]
pub fn clear_lines(values: &[f32], dt_s: f64) -> Vec<f64> {
    Spectrum::of(values, dt_s).map_or_else(Vec::new, |s| s.lines().iter().map(|line| line.hz).collect())
}

struct Window<'a> {
    lines: Vec<Line>,
    spectrum: &'a Spectrum,
    rate_hz: f64,
    search: &'a Search<'a>,
}

#[derive(Clone, Copy)]
struct Candidate {
    line: Line,
    hz: f64,
    per_rev: Option<f64>,
    score: f64,
}

impl Window<'_> {
    /// The line in the band that explains most; folded only when that explains clearly more.
    fn best(&self) -> Option<Candidate> {
        let width = self.spectrum.bin_hz();
        let lo_hz = self.search.lo_hz.max(4.0 * width);
        let known = |hz: f64| self.search.avoid_hz.iter().any(|avoid| (hz - avoid).abs() < 0.5 * width);
        let mut best: Option<Candidate> = None;
        // Over a very low floor a comb of lines that hardly move the current would outweigh the one that does.
        let faint = FAINT * self.lines.iter().map(|line| line.amplitude).fold(0.0, f64::max);
        let clear =
            self.lines.iter().filter(|line| line.clearance > CLEAR && line.amplitude > faint && !known(line.hz));
        for line in clear.filter(|line| line.hz < 0.49 * self.rate_hz).take(2 * CANDIDATES) {
            for (hz, cost) in [(line.hz, 0.0), (self.rate_hz - line.hz, FOLD_COST), (self.rate_hz + line.hz, FOLD_COST)]
            {
                if !(lo_hz..=self.search.hi_hz).contains(&hz) {
                    continue;
                }
                let (per_rev, explained) = match self.search.per_rev {
                    Some(k) => (Some(k), self.explained(hz, Some(k))),
                    None => self.per_revolution(hz),
                };
                // Between candidates that explain the same the stronger one is the commutation.
                let score = explained + 0.5 * line.clearance.ln() - cost;
                if best.is_none_or(|best| score > best.score) {
                    best = Some(Candidate { line: *line, hz, per_rev, score });
                }
            }
        }
        best
    }

    /// Where a true frequency is seen.
    fn seen(&self, hz: f64) -> f64 {
        let rest = hz.rem_euclid(self.rate_hz);
        rest.min(self.rate_hz - rest)
    }

    /// Sum over the lines that a commutation at `hz` explains of the logarithm of their power over noise.
    fn explained(&self, hz: f64, per_rev: Option<f64>) -> f64 {
        let harmonics = [hz, 2.0 * hz, 3.0 * hz, 0.5 * hz, 1.5 * hz];
        let turn = per_rev.map(|k| hz / k).filter(|turn| (ROTATION_HZ.0..=ROTATION_HZ.1).contains(turn));
        let of_turn = turn
            .into_iter()
            .flat_map(|turn| [turn, 2.0 * turn, 3.0 * turn, hz - turn, hz + turn, 2.0 * hz - turn, 2.0 * hz + turn]);
        let width = self.spectrum.bin_hz();
        let due: Vec<f64> = harmonics.into_iter().chain(of_turn).map(|hz| self.seen(hz)).collect();
        self.lines
            .iter()
            .filter(|line| due.iter().any(|due| (line.hz - due).abs() < (0.25 * width).max(5.0 * line.u_hz)))
            .map(|line| line.clearance.ln())
            .sum()
    }

    /// Commutations per revolution for a commutation at `hz`, if lines of the rotation tell them clearly better than any
    /// other whole number; and what that explains.
    fn per_revolution(&self, hz: f64) -> (Option<f64>, f64) {
        let width = self.spectrum.bin_hz();
        let plain = self.explained(hz, None);
        let side = |hz: f64| self.weak_line(hz);
        let mut scores: Vec<(f64, f64)> = (4..=64)
            .map(f64::from)
            .filter(|k| hz / k > 3.0 * width && hz / k < ROTATION_HZ.1)
            .filter_map(|k| {
                let turn = hz / k;
                let sides = side(hz - turn).min(side(hz + turn));
                let more = self.explained(hz, Some(k)) - plain;
                let itself = side(turn);
                let told = sides > SIDE_CLEAR || (itself > CLEAR && more > 0.0);
                told.then(|| (k, sides.max(1.0).ln() + itself.max(1.0).ln()))
            })
            .collect();
        scores.sort_by(|a, b| b.1.total_cmp(&a.1));
        let Some(&(best, score)) = scores.first() else { return (None, plain) };
        let rival = scores.get(1).map_or(0.0, |s| s.1);
        if score - rival > LEAD { (Some(best), self.explained(hz, Some(best))) } else { (None, plain) }
    }

    /// Clearance of what lies at `hz` and nowhere beside it.
    fn weak_line(&self, hz: f64) -> f64 {
        let (seen, width) = (self.seen(hz), self.spectrum.bin_hz());
        let beside = self.lines.iter().any(|line| {
            let off = (line.hz - seen).abs();
            off > 0.6 * width && off < 2.5 * width
        });
        if beside { 0.0 } else { self.spectrum.clearance_at(seen) }
    }

    /// The commutation behind the chosen line: half its frequency where the odd multiples of the half are strong.
    fn settle_octave(&self, chosen: Line, hz: f64) -> (Line, f64) {
        let near = |hz: f64| {
            let seen = self.seen(hz);
            self.lines.iter().find(|line| (line.hz - seen).abs() < 0.5 * self.spectrum.bin_hz())
        };
        let half = 0.5 * hz;
        let (Some(first), Some(third)) = (near(half), near(1.5 * hz)) else { return (chosen, hz) };
        if half < self.search.lo_hz {
            return (chosen, hz);
        }
        let odd = first.amplitude + third.amplitude;
        let even = chosen.amplitude + near(2.0 * hz).map_or(0.0, |line| line.amplitude);
        if odd > HALF_SHARE * even { (*first, first.hz) } else { (chosen, hz) }
    }
}

#[cfg(test)]
mod tests {
    use super::super::stats::tests::noise;
    use super::*;

    const WIDE: Search<'static> = Search { lo_hz: 50.0, hi_hz: 4000.0, avoid_hz: &[], per_rev: None };

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

    #[test]
    fn the_frequency_is_as_good_as_the_cramer_rao_bound_allows() {
        // Kay 1993, eq. 3.41: var f >= 12 / ((2 pi)^2 (A^2 / 2 s^2) N (N^2 - 1)) of the sample rate squared. The two lines
        // beside are in the bound to first order: at this distance from the line they cost it less than a percent.
        let (rate, seeds) = (20_000.0, 60);
        let cases: [(f64, f64); 5] = [(0.25, 0.03), (0.25, 0.1), (0.5, 0.15), (1.0, 0.03), (1.0, 0.25)];
        for (seconds, sigma) in cases {
            let n = seconds * rate;
            let bound =
                (24.0 * sigma * sigma / (0.05 * 0.05 * n * (n * n - 1.0))).sqrt() * rate / std::f64::consts::TAU;
            let mut squares = 0.0;
            for seed in 0..seeds {
                let hz = 611.3 + 0.37 * seed as f64;
                let lines =
                    [(hz, 0.05, 0.3 * seed as f64), (100.0, 0.08, 1.0), (hz + 44.0, 0.02, 0.2), (1717.0, 0.3, 2.0)];
                let search = Search { avoid_hz: &[100.0, 1717.0], ..WIDE };
                let ripple = find(&current(seconds, &lines, sigma, 5000 + seed), 5e-5, &search).expect("line");
                squares += (ripple.hz - hz).powi(2);
            }
            let rmse = (squares / seeds as f64).sqrt();
            assert!(rmse < 1.3 * bound, "{seconds} s, {sigma} A: {rmse} Hz, bound {bound} Hz");
        }
    }

    #[test]
    fn a_bent_blade_stronger_than_the_commutation_is_not_taken_for_it() {
        let turn = 43.3;
        let lines = [(turn, 0.6, 0.0), (2.0 * turn, 0.2, 1.0), (12.0 * turn, 0.1, 0.4)];
        let samples = current(0.5, &lines, 0.05, 6);
        let search = Search { lo_hz: 30.0, hi_hz: 1000.0, avoid_hz: &[], per_rev: Some(12.0) };
        let ripple = find(&samples, 5e-5, &search).expect("line");
        assert!((ripple.hz - 12.0 * turn).abs() < 0.2, "{ripple:?}");
        let unknown = find(&samples, 5e-5, &Search { per_rev: None, ..search }).expect("line");
        assert_eq!(unknown.per_rev, Some(12.0), "{unknown:?}");
        assert!((unknown.hz - 12.0 * turn).abs() < 0.2, "{unknown:?}");
    }

    #[test]
    fn a_line_folded_at_half_the_rate_is_told_by_the_lines_of_the_rotation() {
        // 24 ripples per revolution at 52 Hz are 1248 Hz: seen at 752 Hz in 2 kS/s.
        let turn = 52.0;
        let wave = |t: f64| {
            let turns = std::f64::consts::TAU * turn * t;
            0.2 * (24.0 * turns).cos() + 0.05 * turns.cos() + 0.04 * (25.0 * turns).cos() + 0.04 * (23.0 * turns).cos()
        };
        let samples: Vec<f32> =
            noise(8, 2000, 0.03).iter().enumerate().map(|(i, e)| (8.0 + wave(i as f64 / 2000.0) + e) as f32).collect();
        let search = Search { lo_hz: 60.0, hi_hz: 2000.0, avoid_hz: &[], per_rev: Some(24.0) };
        let ripple = find(&samples, 5e-4, &search).expect("line");
        assert!(ripple.folded && (ripple.hz - 1248.0).abs() < 0.1, "{ripple:?}");
    }
}
