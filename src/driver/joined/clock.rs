//! The clock of one bench among several against the monotonic clock of this host.
//!
//! A command is asked for at one moment of the host and confirmed at another, and the bench names the time from which it
//! holds: its clock and the host's differ by something between the two. The tightest such bracket gives the offset, and
//! its width the uncertainty (evenly spread, JCGM 100, 4.3.7). From there on blocks show the drift: of many of them the
//! least late one was hardly late at all.

/// Blocks between two looks at the drift.
const WINDOW: u32 = 100;
/// A bracket that the offset misses by more than this shows a clock that was set, not one that drifts.
const JUMP_S: f64 = 0.02;

/// Where one bench's clock stands.
#[derive(Clone, Debug)]
pub(super) struct Clock {
    /// Host time less the bench's time, seconds.
    offset_s: f64,
    /// Whether the bench stamps by the host's own clock, or by none that runs.
    exact: bool,
    /// Width of the bracket behind the offset, seconds.
    width_s: f64,
    /// Least lateness of the first window of blocks, against which later ones are compared.
    usual_late_s: Option<f64>,
    least_late_s: f64,
    seen: u32,
}

impl Clock {
    /// A clock whose offset is known without a bracket: the host's own, or one that moves when it is told to.
    pub(super) const fn exact(offset_s: f64) -> Self {
        Self { offset_s, exact: true, width_s: 0.0, usual_late_s: None, least_late_s: f64::INFINITY, seen: 0 }
    }

    /// The clock of a bench that named its times between the host's times of asking and of the answer; `None` of none.
    pub(super) fn bracketed(named: &[(f64, f64, f64)]) -> Option<Self> {
        let (asked_s, answered_s, t_s) = named.iter().copied().min_by(|a, b| (a.1 - a.0).total_cmp(&(b.1 - b.0)))?;
        let (low_s, high_s) = (asked_s - t_s, answered_s - t_s);
        let clock = Self::exact(0.5 * (low_s + high_s));
        Some(Self { exact: false, width_s: high_s - low_s, ..clock })
    }

    /// Host time of the bench's time.
    pub(super) fn host_s(&self, bench_s: f64) -> f64 {
        bench_s + self.offset_s
    }

    /// Standard uncertainty of host times, seconds.
    pub(super) fn u_s(&self) -> f64 {
        self.width_s / 12.0_f64.sqrt()
    }

    /// A command was asked for and confirmed at these host times and holds from the bench's time `t_s`. What the clock
    /// was found to have jumped by, if it did.
    pub(super) fn command(&mut self, asked_s: f64, answered_s: f64, t_s: f64) -> Option<f64> {
        if self.exact {
            return None;
        }
        let right_s = self.offset_s.clamp(asked_s - t_s, answered_s - t_s);
        let step_s = right_s - self.offset_s;
        self.offset_s = right_s;
        if step_s.abs() <= JUMP_S {
            return None;
        }
        (self.usual_late_s, self.least_late_s, self.seen) = (None, f64::INFINITY, 0);
        Some(step_s)
    }

    /// A block that ends at the bench's time `end_s` was there at this host time.
    pub(super) fn block(&mut self, answered_s: f64, end_s: f64) {
        if self.exact {
            return;
        }
        self.least_late_s = self.least_late_s.min(answered_s - self.host_s(end_s));
        self.seen += 1;
        if self.seen == WINDOW {
            match self.usual_late_s {
                Some(usual_s) => self.offset_s += self.least_late_s - usual_s,
                None => self.usual_late_s = Some(self.least_late_s),
            }
            (self.seen, self.least_late_s) = (0, f64::INFINITY);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_tightest_bracket_counts_and_its_width_is_the_uncertainty() {
        // The bench's clock stands at 7.3 s when the host's stands at 100 s.
        let clock = Clock::bracketed(&[(100.0, 100.5, 7.4), (101.0, 101.02, 8.31), (102.0, 102.3, 9.4)]).unwrap();
        assert!((clock.host_s(8.31) - 101.01).abs() < 1e-9);
        assert!((clock.u_s() - 0.02 / 12.0_f64.sqrt()).abs() < 1e-12);
        assert!(Clock::bracketed(&[]).is_none());
    }

    #[test]
    fn a_clock_that_drifts_is_followed_by_its_blocks() {
        // 100 ppm slow over half an hour is 0.18 s.
        let rate = 1.0 - 100e-6;
        let mut clock = Clock::bracketed(&[(0.0, 0.001, 0.0005 * rate)]).unwrap();
        for block in 1..=90_000_u32 {
            let host_s = f64::from(block) * 0.02;
            let late_s = if block.is_multiple_of(7) { 0.0005 } else { 0.004 };
            clock.block(host_s + late_s, host_s * rate);
        }
        let off_s = clock.host_s(1800.0 * rate) - 1800.0;
        assert!(off_s.abs() < 0.002, "{off_s}");
    }

    #[test]
    fn a_clock_that_is_set_anew_is_noticed_and_put_right() {
        let mut clock = Clock::bracketed(&[(10.0, 10.002, 1.001)]).unwrap();
        assert_eq!(clock.command(11.0, 11.002, 2.001), None);
        let step_s = clock.command(12.0, 12.002, 500.0).unwrap();
        assert!((step_s + 497.0).abs() < 0.01, "{step_s}");
        assert!((clock.host_s(500.0) - 12.0).abs() < 0.003);
        let mut exact = Clock::exact(3.0);
        assert_eq!((exact.command(0.0, 0.1, 50.0), exact.u_s()), (None, 0.0));
        assert_eq!(exact.host_s(1.0), 4.0);
    }
}
