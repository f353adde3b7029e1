//! From the program's clock to the run's clock, and whether samples follow on from the last ones.
//!
//! The run's clock starts at the first time that the program names. Blocks are laid end to end: within the tolerance
//! a block is stretched by a hair so that it begins where the last one ended and ends where the program says, so
//! that a program which stamps its blocks by a clock of its own drifts neither against its edges nor its commands.

use super::protocol::Clock;

/// Where a block lies on the run's clock.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Place {
    /// Start, seconds.
    pub(crate) t0_s: f64,
    /// Duration, seconds.
    pub(crate) duration_s: f64,
    /// Samples missing before the start, stated by the program or seen as a gap.
    pub(crate) lost: u64,
    /// A gap that the program did not state, seconds.
    pub(crate) unstated_gap_s: Option<f64>,
}

/// The program's clock so far.
#[derive(Clone, Debug)]
pub(crate) struct Timeline {
    clock: Clock,
    /// Program's time at the start of the run's clock.
    origin: Option<f64>,
    /// End of the last block on the program's clock.
    program_end: Option<f64>,
    /// End of the last block on the run's clock.
    run_end_s: f64,
}

impl Timeline {
    /// A clock that has not started.
    pub(crate) const fn new(clock: Clock) -> Self {
        Self { clock, origin: None, program_end: None, run_end_s: 0.0 }
    }

    /// Run time of the program's time `t`, which a `set` or `safe` named; the first one starts the run's clock.
    ///
    /// # Errors
    /// When the program's time went backwards.
    pub(crate) fn moment(&mut self, t: f64) -> Result<f64, String> {
        if let Some(end) = self.program_end.filter(|end| t < end - self.tolerance_s(0.0)) {
            return Err(format!("time went backwards: {t} s after samples up to {end} s"));
        }
        Ok((t - *self.origin.get_or_insert(t)).max(self.run_end_s))
    }

    /// End of the last block on the run's clock, seconds.
    pub(crate) const fn now_s(&self) -> f64 {
        self.run_end_s
    }

    /// Run time of the program's time `t` inside a block, for edges.
    pub(crate) fn inside(&self, t: f64) -> f64 {
        t - self.origin.unwrap_or(t)
    }

    /// How far times may disagree before something is wrong: rounding of a virtual clock to milliseconds, jitter of
    /// a real one.
    pub(crate) fn tolerance_s(&self, dt: f64) -> f64 {
        match self.clock {
            Clock::Virtual => dt.max(1.1e-3),
            Clock::Real => dt.max(5e-3),
        }
    }

    /// Places a block of `n` samples spaced by `dt` that the program began at `t0`, with `lost` samples stated
    /// missing before it.
    ///
    /// # Errors
    /// When the program's time went backwards.
    #[expect(clippy::cast_precision_loss, reason = "block lengths are far below 2^52")]
    pub(crate) fn follow(&mut self, t0: f64, n: usize, dt: f64, lost: u64) -> Result<Place, String> {
        let length_s = n as f64 * dt;
        let tolerance_s = self.tolerance_s(dt);
        let origin = *self.origin.get_or_insert(t0);
        let begin_s = t0 - origin;
        let step_s = self.program_end.map_or(0.0, |end| t0 - end);
        if step_s < -tolerance_s {
            let end = self.program_end.unwrap_or(origin);
            return Err(format!("time went backwards: samples from {t0} s after samples up to {end} s"));
        }
        let gap = self.program_end.is_some() && step_s > tolerance_s;
        let slip_s = begin_s - self.run_end_s;
        let (t0_s, duration_s) = if self.program_end.is_none() || gap {
            (begin_s.max(self.run_end_s), length_s)
        } else if slip_s.abs() < 0.1 * dt {
            (self.run_end_s, length_s)
        } else {
            (self.run_end_s, (length_s + slip_s).max(0.5 * length_s))
        };
        self.program_end = Some(t0 + length_s);
        self.run_end_s = t0_s + duration_s;
        let missing = if gap { whole(step_s / dt) } else { 0 };
        Ok(Place {
            t0_s,
            duration_s,
            lost: lost.max(missing),
            unstated_gap_s: (missing > lost.saturating_add(1)).then_some(step_s),
        })
    }
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "checked to be a small positive number")]
fn whole(samples: f64) -> u64 {
    if samples.is_finite() && samples > 0.0 && samples < 1e15 { samples.round() as u64 } else { 0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_run_starts_at_the_programs_first_time_and_blocks_lie_end_to_end() {
        let mut line = Timeline::new(Clock::Virtual);
        assert_eq!(line.moment(12.5), Ok(0.0));
        let first = line.follow(12.5, 500, 0.0005, 0).unwrap();
        assert_eq!((first.t0_s, first.duration_s, first.lost), (0.0, 0.25, 0));
        let second = line.follow(12.75, 500, 0.0005, 0).unwrap();
        assert_eq!((second.t0_s, second.duration_s), (0.25, 0.25));
        assert_eq!(line.moment(13.0), Ok(0.5));
    }

    #[test]
    fn time_that_goes_backwards_is_refused() {
        let mut line = Timeline::new(Clock::Virtual);
        line.follow(5.0, 100, 0.001, 0).unwrap();
        assert!(line.follow(5.0, 100, 0.001, 0).unwrap_err().contains("backwards"));
        assert!(line.moment(4.0).unwrap_err().contains("backwards"));
    }

    #[test]
    fn a_gap_counts_as_lost_samples_whether_stated_or_not() {
        let mut line = Timeline::new(Clock::Real);
        line.follow(0.0, 100, 0.001, 0).unwrap();
        let stated = line.follow(0.13, 100, 0.001, 30).unwrap();
        assert_eq!((stated.lost, stated.unstated_gap_s), (30, None));
        let unstated = line.follow(0.25, 100, 0.001, 0).unwrap();
        assert_eq!(unstated.lost, 20);
        assert!(unstated.unstated_gap_s.is_some());
        assert!((unstated.t0_s - 0.25).abs() < 1e-12);
    }

    #[test]
    fn a_program_whose_stamps_drift_against_its_spacing_is_followed_without_gap_or_overlap() {
        // Samples come 1 % faster than `dt` says, over 40 s: 0.4 s of drift.
        let mut line = Timeline::new(Clock::Real);
        let mut end_s = 0.0;
        for block in 0..2000 {
            let place = line.follow(100.0 + f64::from(block) * 0.0198, 20, 0.001, 0).unwrap();
            assert!((place.t0_s - end_s).abs() < 1e-9);
            assert_eq!(place.lost, 0);
            end_s = place.t0_s + place.duration_s;
        }
        assert!((end_s - 39.6).abs() < 2e-3, "{end_s}");
    }
}
