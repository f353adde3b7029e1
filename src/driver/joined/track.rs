//! Samples of one channel that came by another clock, waiting to be laid into the blocks of the leading bench.

use std::collections::VecDeque;

/// Samples that are kept to find the nearest one in, seconds.
const KEPT_S: f64 = 0.5;

/// Samples with their times, oldest first.
#[derive(Clone, Debug, Default)]
pub(super) struct Track {
    samples: VecDeque<(f64, f32)>,
    /// Usual spacing, seconds.
    spacing_s: f64,
}

impl Track {
    /// Adds the evenly spaced `samples` of a block from `t0_s` on.
    #[expect(clippy::cast_precision_loss, reason = "block lengths are far below 2^52")]
    pub(super) fn add(&mut self, t0_s: f64, duration_s: f64, samples: &[f32]) {
        if samples.is_empty() {
            return;
        }
        self.spacing_s = duration_s / samples.len() as f64;
        let times = (0..samples.len()).map(|i| t0_s + (i as f64 + 0.5) * self.spacing_s);
        self.samples.extend(times.zip(samples.iter().copied()));
    }

    /// Evenly spaced samples over a block, each the nearest in time: as many as this channel has, at least one. `None`
    /// where a sample has no neighbour within two spacings or a twentieth of a second.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "block lengths are small and positive"
    )]
    pub(super) fn over(&mut self, t0_s: f64, duration_s: f64) -> Option<Vec<f32>> {
        // What lies well before the block is of no use to a later one.
        let oldest_s = t0_s - KEPT_S.max(4.0 * self.spacing_s);
        while self.samples.front().is_some_and(|(t_s, _)| *t_s < oldest_s) {
            self.samples.pop_front();
        }
        if self.samples.is_empty() {
            return None;
        }
        let count = (duration_s / self.spacing_s).round().max(1.0) as usize;
        let step_s = duration_s / count as f64;
        let most_s = (2.0 * self.spacing_s).max(0.05);
        (0..count).map(|i| self.nearest(t0_s + (i as f64 + 0.5) * step_s, most_s)).collect()
    }

    fn nearest(&self, t_s: f64, most_s: f64) -> Option<f32> {
        let after = self.samples.partition_point(|(at_s, _)| *at_s < t_s);
        let around = [after.checked_sub(1), Some(after)].into_iter().flatten().filter_map(|i| self.samples.get(i));
        let (at_s, value) = around.min_by(|a, b| (a.0 - t_s).abs().total_cmp(&(b.0 - t_s).abs()))?;
        ((at_s - t_s).abs() <= most_s).then_some(*value)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn samples_of_another_grid_come_in_their_own_number_and_at_most_half_a_spacing_off() {
        let mut track = Track::default();
        for block in 0..10_u8 {
            let t0_s = f64::from(block) * 0.02 + 0.0007;
            let times: Vec<f32> = (0..20_u8).map(|i| (t0_s + (f64::from(i) + 0.5) * 0.001) as f32).collect();
            track.add(t0_s, 0.02, &times);
        }
        let got = track.over(0.05, 0.04).unwrap();
        assert_eq!(got.len(), 40);
        for (i, value) in got.iter().enumerate() {
            let t_s = 0.05 + (i as f64 + 0.5) * 0.001;
            assert!((f64::from(*value) - t_s).abs() <= 0.0005 + 1e-6, "{value} at {t_s}");
        }
    }

    #[test]
    fn what_is_not_there_is_not_made_up() {
        let mut track = Track::default();
        assert_eq!(track.over(0.0, 0.02), None);
        track.add(0.0, 0.02, &[1.0; 20]);
        assert!(track.over(0.04, 0.02).is_some());
        assert_eq!(track.over(0.2, 0.02), None);
        // A slow channel: one value a block.
        let mut slow = Track::default();
        slow.add(0.0, 0.02, &[25.0]);
        assert_eq!(slow.over(0.021, 0.02), Some(vec![25.0]));
    }
}
