//! A chopper so slow that samples show its single periods (a tenth of a kilohertz to a few): told from other changes, and
//! averaged out, so that what is looked at is the mean output.

use super::stats;

/// A fall is none of the noise, in standard deviations of one value.
const CLEAR: f64 = 20.0;
/// So many falls in a row, none later after the last than this on average: slower than any chopper is hunting.
const FALLS: usize = 12;
const APART_S: f64 = 0.015;
/// Half of the base of the triangle by which values are averaged, seconds: two periods of 100 Hz.
const REACH_S: f64 = 0.02;

/// Fall of an output voltage by which a period shows, as a share of the highest: no soft start falls in between.
pub const OUTPUT_FALL: f64 = 0.1;

/// Whether `cells` (time, value) with `noise` in each value show the single periods of a chopper: each a fall by at least
/// `fall` of the highest value.
#[must_use]
pub fn shows(cells: &[(f64, f64)], fall: f64, noise: f64) -> bool {
    let values: Vec<f64> = cells.iter().map(|(_, v)| *v).collect();
    let Some(highest) = stats::quantile(&values, 0.98) else { return false };
    let least = (fall * highest).max(CLEAR * noise);
    let falls: Vec<f64> = cells.windows(2).filter(|w| w[0].1 - w[1].1 > least).map(|w| w[1].0).collect();
    least > 0.0 && falls.windows(FALLS).any(|w| w[FALLS - 1] - w[0] < APART_S * (FALLS - 1) as f64)
}

/// Means of evenly spaced `cells` (time, value) by a triangle, at every half of its reach; narrower at the ends.
#[must_use]
pub fn averaged(cells: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let (Some(first), Some(last)) = (cells.first(), cells.last()) else { return Vec::new() };
    let n = cells.len();
    let reach = (REACH_S * (n - 1) as f64 / (last.0 - first.0).max(f64::MIN_POSITIVE)).round() as usize;
    let mean = |middle: usize| {
        let reach = reach.max(2).min(middle + 1).min(n - middle);
        let weight = |i: usize| (reach - i.abs_diff(middle)) as f64;
        let around = middle + 1 - reach..middle + reach;
        let (sum, all) = around.fold((0.0, 0.0), |(sum, all), i| (sum + weight(i) * cells[i].1, all + weight(i)));
        (cells[middle].0, sum / all)
    };
    (0..n).step_by((reach / 2).max(1)).map(mean).collect()
}

#[cfg(test)]
mod tests {
    use super::super::stats::tests::noise;
    use super::*;

    /// Cells of 1 ms of an output that chops at `hz`, as their means.
    fn chopped(hz: f64, duty: impl Fn(f64) -> f64, sigma: f64) -> Vec<(f64, f64)> {
        let times = (0..4000).map(|i| 1e-3 * f64::from(i) + 5e-4);
        let on = |t: f64| f64::from((t * hz).fract() < duty(t));
        let cell = |t: f64| (0..20).map(|i| on(t - 5e-4 + 5e-5 * (f64::from(i) + 0.5))).sum::<f64>() / 20.0;
        times.zip(noise(3, 4000, sigma)).map(|(t, e)| (t, cell(t) + e)).collect()
    }

    #[test]
    fn a_slow_chopper_is_seen_and_its_mean_kept() {
        for hz in [107.0, 223.0, 380.0, 871.0] {
            let duty = |t: f64| (t / 3.0).min(0.97);
            let cells = chopped(hz, duty, 0.001);
            assert!(shows(&cells, 0.1, 0.001), "{hz}");
            for (t, mean) in averaged(&cells).into_iter().filter(|(t, _)| (0.1..3.9).contains(t)) {
                assert!((mean - duty(t)).abs() < 0.03, "{hz} Hz, {t} s: {mean}");
            }
        }
    }

    #[test]
    fn ramps_steps_noise_hunting_and_resets_are_no_chopper() {
        let waves: [fn(f64) -> f64; 4] = [
            |t| t / 4.0,
            |t| (t * 5.0).floor() / 20.0,
            // 8 Hz, to nothing and back.
            |t| f64::from((t * 8.0).fract() < 0.5),
            |t| (t * 4.0).fract(),
        ];
        for (i, wave) in waves.iter().enumerate() {
            for sigma in [1e-4, 0.02, 0.1] {
                let at = |(k, e): (usize, f64)| (1e-3 * k as f64, wave(1e-3 * k as f64) + e);
                let cells: Vec<(f64, f64)> = noise(i as u64, 4000, sigma).into_iter().enumerate().map(at).collect();
                assert!(!shows(&cells, 0.1, sigma), "wave {i}, {sigma}");
            }
        }
    }
}
