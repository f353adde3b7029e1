//! Samples with timestamps onto an even grid. A converter is paced evenly; what jitters is when a stamp is taken, and
//! what stalls is the machine. A late stamp must not look like a missing sample, and a missing sample never closes up.

/// Share of the spacing by which a stamp may be late before samples count as missing.
const LATE: f64 = 0.9;
/// Samples between two adjustments to the converter's clock.
const WINDOW: u32 = 1_000;
/// Most that one adjustment moves the grid, as a share of the spacing: below what would break a series in two.
const NUDGE: f64 = 0.2;

/// Where samples lie.
#[derive(Clone, Debug)]
pub(in crate::driver) struct Grid {
    dt_s: f64,
    /// Time of place 0, seconds.
    phase_s: f64,
    /// Place that the next sample is due at.
    next: u64,
    seen: u32,
    least_late_s: f64,
}

impl Grid {
    /// A grid that begins with a sample stamped `stamp_s`.
    pub(in crate::driver) const fn new(stamp_s: f64, dt_s: f64) -> Self {
        Self { dt_s, phase_s: stamp_s, next: 0, seen: 0, least_late_s: f64::INFINITY }
    }

    /// Spacing, seconds.
    pub(in crate::driver) const fn dt_s(&self) -> f64 {
        self.dt_s
    }

    /// Time at which the interval of the sample at `place` begins.
    #[expect(clippy::cast_precision_loss, reason = "places are far below 2^52")]
    pub(in crate::driver) fn begin_s(&self, place: u64) -> f64 {
        self.phase_s + (place as f64 - 0.5) * self.dt_s
    }

    /// Takes the next sample; its place, and how many places before it stayed empty.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "not negative, saturates")]
    pub(in crate::driver) fn place(&mut self, stamp_s: f64) -> (u64, u64) {
        let late_s = stamp_s - self.begin_s(self.next) - 0.5 * self.dt_s;
        let missing = if late_s < LATE * self.dt_s { 0 } else { (late_s / self.dt_s + 1.0 - LATE).floor() as u64 };
        let place = self.next + missing;
        self.next = place + 1;
        self.least_late_s = self.least_late_s.min(stamp_s - self.begin_s(place) - 0.5 * self.dt_s);
        self.seen += 1;
        if self.seen == WINDOW {
            // The least late stamp of a window was hardly late at all: where it drifts, the clocks drift.
            let most_s = NUDGE * self.dt_s;
            self.phase_s += self.least_late_s.clamp(-most_s, most_s);
            (self.seen, self.least_late_s) = (0, f64::INFINITY);
        }
        (place, missing)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const DT_S: f64 = 0.0005;

    /// Total of missing samples over stamps.
    fn missing(stamps: impl IntoIterator<Item = f64>) -> u64 {
        let mut stamps = stamps.into_iter();
        let mut grid = Grid::new(stamps.next().unwrap(), DT_S);
        grid.place(grid.phase_s);
        stamps.map(|stamp_s| grid.place(stamp_s).1).sum()
    }

    #[test]
    fn late_stamps_are_no_missing_samples() {
        let late = |i: u32| if i.is_multiple_of(7) { 0.8 * DT_S } else { 0.0 };
        assert_eq!(missing((0..50_000).map(|i| f64::from(i) * DT_S + late(i))), 0);
    }

    #[test]
    fn every_missing_sample_is_counted() {
        let stamps = (0..50_000).filter(|i| ![10, 11, 12, 777, 40_000].contains(i));
        assert_eq!(missing(stamps.map(|i| f64::from(i) * DT_S)), 5);
    }

    #[test]
    fn a_clock_that_runs_by_other_ppm_is_followed() {
        for ppm in [-150.0, 150.0] {
            let dt_s = DT_S * (1.0 + ppm * 1e-6);
            assert_eq!(missing((0..200_000).map(|i| f64::from(i) * dt_s)), 0, "{ppm} ppm");
        }
    }

    #[test]
    fn times_follow_the_grid_not_the_stamps() {
        let mut grid = Grid::new(1.0, DT_S);
        assert_eq!(grid.place(1.0), (0, 0));
        assert_eq!(grid.place(1.0 + 1.7 * DT_S), (1, 0));
        assert_eq!(grid.place(1.0 + 2.0 * DT_S), (2, 0));
        assert!((grid.begin_s(2) - (1.0 + 1.5 * DT_S)).abs() < 1e-12);
        assert_eq!(grid.place(1.0 + 6.1 * DT_S), (6, 3));
    }
}
