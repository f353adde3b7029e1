//! Lays unevenly taken samples on evenly spaced grids.
//!
//! A logger's clock jitters, its times are rounded, rows go missing, a burst is faster than the rest. The samples are
//! split into runs in which a grid of constant spacing fits every time within half a spacing; the grid is the straight
//! line of least squares through the times of the run. So a jittering clock gives one long run with the true mean
//! spacing, and a gap or a change of pace begins a new run.

/// How far a time may lie from its place on the grid, in spacings.
const TOLERANCE: f64 = 0.5;
/// Intervals between neighbours that still belong to the same pace, in spacings.
const SAME_PACE: std::ops::RangeInclusive<f64> = 0.3..=1.7;
/// Intervals from which the spacing at the beginning of a run is taken.
const LOOK_AHEAD: usize = 9;

/// Samples `first..first + len` on a grid.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Run {
    pub first: usize,
    pub len: usize,
    pub t0_s: f64,
    pub dt_s: f64,
}

impl Run {
    /// Just after the last sample's interval.
    pub(super) fn end_s(&self) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "sample counts are far below 2^52")]
        let len = self.len as f64;
        self.t0_s + len * self.dt_s
    }
}

/// Splits strictly rising `times` into runs, in order, without gaps or overlaps of samples.
pub(super) fn runs(times: &[f64]) -> Vec<Run> {
    let mut runs: Vec<Run> = Vec::new();
    let mut first = 0;
    while first < times.len() {
        let mut run = grow(times, first);
        if run.len == 1 {
            run.dt_s = lone_spacing(times, first, runs.last());
        }
        first += run.len;
        runs.push(run);
    }
    runs
}

/// What a single sample stands for: the time to the next one, but not longer than before it.
fn lone_spacing(times: &[f64], index: usize, before: Option<&Run>) -> f64 {
    let next = times.get(index + 1).map(|next| next - times[index]);
    match (next, before) {
        (Some(next), Some(before)) => next.min(before.dt_s),
        (Some(next), None) => next,
        (None, Some(before)) => before.dt_s,
        (None, None) => 1.0,
    }
}

/// The longest run that begins at `first`.
#[expect(clippy::cast_precision_loss, reason = "sample counts are far below 2^52")]
fn grow(times: &[f64], first: usize) -> Run {
    let origin = times[first];
    let Some(usual) = usual_spacing(&times[first..]) else { return Run { first, len: 1, t0_s: origin, dt_s: 0.0 } };
    let slack = TOLERANCE * usual;
    // Spacings for which the grid from the first sample fits all samples so far.
    let (mut least, mut most) = (0.0_f64, f64::INFINITY);
    let mut sums = Sums::default();
    sums.add(0.0, 0.0);
    for (step, pair) in times[first..].windows(2).enumerate() {
        if !SAME_PACE.contains(&((pair[1] - pair[0]) / usual)) {
            break;
        }
        let (k, span) = ((step + 1) as f64, pair[1] - origin);
        let (low, high) = (least.max((span - slack) / k), most.min((span + slack) / k));
        if low > high {
            break;
        }
        (least, most) = (low, high);
        sums.add(k, span);
    }
    let (offset_s, dt_s) = sums.line();
    // The line may begin before the first sample, but not among the samples of the run before.
    let room_s = first.checked_sub(1).map_or(f64::INFINITY, |before| 0.5 * (origin - times[before]));
    let (offset_s, dt_s) = if offset_s < -room_s { (-room_s, sums.spacing_from(-room_s)) } else { (offset_s, dt_s) };
    Run { first, len: sums.count(), t0_s: origin + offset_s, dt_s }
}

/// Mean of the next few intervals, those apart that are not of the pace of their median; `None` without any.
///
/// Under jitter that alternates, short intervals or long ones are the more frequent, and their median is off by it.
#[expect(clippy::cast_precision_loss, reason = "a handful")]
fn usual_spacing(times: &[f64]) -> Option<f64> {
    let mut next = [0.0; LOOK_AHEAD];
    let mut count = 0;
    for (slot, pair) in next.iter_mut().zip(times.windows(2)) {
        *slot = pair[1] - pair[0];
        count += 1;
    }
    let next = &mut next[..count];
    next.sort_unstable_by(f64::total_cmp);
    let mut usual = *next.get(count / 2)?;
    // Once more, as what was left out at first may be alike after all.
    for _ in 0..2 {
        let alike: Vec<f64> = next.iter().copied().filter(|interval| SAME_PACE.contains(&(interval / usual))).collect();
        if !alike.is_empty() {
            usual = alike.iter().sum::<f64>() / alike.len() as f64;
        }
    }
    Some(usual)
}

/// Sums for a straight line `t = offset + spacing k`.
#[derive(Default)]
struct Sums {
    n: f64,
    k: f64,
    t: f64,
    kk: f64,
    kt: f64,
}

impl Sums {
    fn add(&mut self, k: f64, t: f64) {
        self.n += 1.0;
        self.k += k;
        self.t += t;
        self.kk += k * k;
        self.kt += k * t;
    }

    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a count")]
    fn count(&self) -> usize {
        self.n as usize
    }

    /// Spacing of least squares of a line that begins at `offset`; needs a point beside the first.
    fn spacing_from(&self, offset: f64) -> f64 {
        (self.kt - offset * self.k) / self.kk
    }

    /// Offset and spacing of least squares; one point gives spacing 0.
    fn line(&self) -> (f64, f64) {
        let spread = self.n * self.kk - self.k * self.k;
        if spread <= 0.0 {
            return (self.t, 0.0);
        }
        let dt = (self.n * self.kt - self.k * self.t) / spread;
        ((self.t - dt * self.k) / self.n, dt)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn shape(times: &[f64]) -> Vec<(usize, usize)> {
        runs(times).iter().map(|run| (run.first, run.len)).collect()
    }

    #[test]
    fn even_times_are_one_run_with_the_spacing_they_have() {
        let times: Vec<f64> = (0..200_000).map(|i| 3.0 + f64::from(i) * 0.0005).collect();
        let runs = runs(&times);
        assert_eq!(runs.len(), 1);
        assert!((runs[0].dt_s / 0.0005 - 1.0).abs() < 1e-9, "{}", runs[0].dt_s);
        assert!((runs[0].t0_s - 3.0).abs() < 1e-7, "{}", runs[0].t0_s);
    }

    #[test]
    fn rounded_times_are_one_run_with_the_true_mean_spacing() {
        // 48 kS/s written with five decimals.
        let times: Vec<f64> = (0..48_000).map(|i| (f64::from(i) / 0.48).round() * 1e-5).collect();
        let runs = runs(&times);
        assert_eq!(runs.len(), 1);
        assert!((runs[0].dt_s * 48_000.0 - 1.0).abs() < 1e-6, "{}", runs[0].dt_s);
    }

    #[test]
    fn a_gap_a_missing_row_and_a_change_of_pace_begin_a_new_run() {
        assert_eq!(shape(&[0.0, 1.0, 2.0, 3.0, 9.0, 10.0, 11.0]), [(0, 4), (4, 3)]);
        assert_eq!(shape(&[0.0, 1.0, 2.0, 3.0, 5.0, 6.0, 7.0]), [(0, 4), (4, 3)]);
        let burst: Vec<f64> = (0..10).map(f64::from).chain((1..10).map(|i| 9.0 + 0.01 * f64::from(i))).collect();
        assert_eq!(shape(&burst), [(0, 10), (10, 9)]);
    }

    #[test]
    fn jitter_to_and_fro_is_no_change_of_pace() {
        let jitter = [0.157, -0.154, 0.16, -0.08, 0.165, -0.08, 0.097, -0.181, 0.15, -0.055, -0.178, 0.194];
        let times: Vec<f64> = (0..12).zip(jitter).map(|(i, j)| f64::from(i) + j).collect();
        assert_eq!(shape(&times), [(0, 12)]);
    }

    #[test]
    fn a_lone_sample_stands_for_the_time_to_the_next() {
        assert_eq!(runs(&[5.0]), [Run { first: 0, len: 1, t0_s: 5.0, dt_s: 1.0 }]);
        let lone = runs(&[0.0, 1.0, 2.0, 3.0, 50.0, 99.0, 99.1, 99.2, 99.3, 99.4, 99.5, 99.6, 99.7, 99.8]);
        assert_eq!((lone[1].first, lone[1].len, lone[1].dt_s), (4, 1, 1.0));
    }

    #[test]
    fn a_run_never_begins_among_the_samples_before_it() {
        let runs = runs(&[0.9, 1.8, 585.887, 1465.266]);
        assert!(runs.windows(2).all(|pair| pair[0].t0_s < pair[1].t0_s), "{runs:?}");
        // Held back at its begin, a run still lies among its samples.
        let late = self::runs(&[0.9, 1.8, 204.1, 363.7, 540.2, 1016.5, 1472.4]);
        let last = late[late.len() - 1];
        assert!((last.end_s() - last.dt_s - 1472.4).abs() < last.dt_s, "{late:?}");
    }

    proptest! {
        // Three intervals, or five, may look like a missing row by such a jitter: one of 200 lists of four samples does.
        #[test]
        fn jitter_of_a_fifth_of_the_spacing_leaves_one_run(jitter in prop::collection::vec(-0.2..0.2_f64, 7..500), dt in 1e-5..10.0_f64) {
            let times: Vec<f64> = jitter.iter().enumerate().map(|(i, j)| (i as f64 + j) * dt).collect();
            let runs = runs(&times);
            prop_assert_eq!(runs.len(), 1);
            prop_assert!((runs[0].dt_s / dt - 1.0).abs() <= 0.4 / (times.len() - 1) as f64 + 1e-9);
        }

        #[test]
        fn every_sample_keeps_its_place_within_a_spacing(gaps in prop::collection::vec(prop_oneof![0.9..1.1_f64, 1e-3..1e3_f64], 0..200)) {
            let mut now = 0.0;
            let times: Vec<f64> = gaps.iter().map(|gap| { now += gap; now }).collect();
            let runs = runs(&times);
            let mut next = 0;
            for run in &runs {
                prop_assert_eq!(run.first, next);
                prop_assert!(run.dt_s > 0.0);
                next += run.len;
                for i in 0..run.len {
                    let placed = run.t0_s + i as f64 * run.dt_s;
                    prop_assert!((placed - times[run.first + i]).abs() <= run.dt_s * 1.01, "{run:?}");
                }
            }
            prop_assert_eq!(next, times.len());
            prop_assert!(runs.windows(2).all(|pair| pair[0].t0_s < pair[1].t0_s));
        }
    }
}
