//! Tach edges of a fan that coasts to rest: which pulse of the rotor each of them is.
//!
//! A speed that falls leaves no steady period by which an edge is missed. What a pulse takes is read from a line through the
//! logarithms of the intervals around it, of which a few may be wrong (Theil 1950, Sen 1968), and not from what was made of
//! the edges before: one that is taken for the wrong pulse must not decide on those that follow.

use super::{stats, tach};

/// Turns on either side whose intervals tell what a pulse takes, and the most intervals.
const TURNS: usize = 4;
const MOST: usize = 12;

/// Speed turn by turn, as of [`tach::turns`], of a fan that coasts.
///
/// The last edge has nothing after it: where pulses seem to be missing before it, it may as well end one last slow turn, and is
/// left out.
#[must_use]
pub fn turns(edges_s: &[f64], pulses_per_rev: f64) -> Vec<(f64, f64)> {
    let mut rising: Vec<f64> = Vec::with_capacity(edges_s.len());
    for &edge in edges_s.iter().filter(|edge| edge.is_finite()) {
        if rising.last().is_none_or(|last| edge > *last) {
            rising.push(edge);
        }
    }
    let turn = (pulses_per_rev.round() as usize).max(1);
    let pulses_s = pulses_take(&rising, turn, (TURNS * turn).min(MOST));
    let (mut times_s, mut counts) = (Vec::with_capacity(rising.len()), Vec::with_capacity(rising.len()));
    let mut from = 0;
    for (i, &edge) in rising.iter().enumerate() {
        let Some((&last, &count)) = times_s.last().zip(counts.last()) else {
            (times_s, counts) = (vec![edge], vec![0.0]);
            continue;
        };
        let after: f64 = edge - last;
        let in_pulses = |after_s: f64| after_s / pulses_s[from];
        // A stray lies further from where a pulse is due than the edge after it does.
        let better =
            |next: f64| in_pulses(next) < 1.5 && (in_pulses(next) - 1.0).abs() < (in_pulses(after) - 1.0).abs();
        let is_stray = rising.get(i + 1).is_some_and(|next| better(next - last));
        // Magnets may be unevenly spaced, but not by half of their distance.
        if is_stray || in_pulses(after) < 0.5 {
            continue;
        }
        times_s.push(edge);
        counts.push(count + in_pulses(after).round().max(1.0));
        from = i;
    }
    if let [.., before, last] = counts[..]
        && last - before > 1.5
    {
        times_s.pop();
        counts.pop();
    }
    tach::turn_by_turn(&times_s, &counts, pulses_per_rev)
}

/// What a pulse takes after each edge but the last, seconds, by the turns that begin up to `reach` edges away: over whole turns
/// unevenly spaced magnets cancel.
fn pulses_take(edges_s: &[f64], turn: usize, reach: usize) -> Vec<f64> {
    let logs: Vec<f64> = edges_s.windows(turn + 1).map(|w| ((w[turn] - w[0]) / turn as f64).ln()).collect();
    let middle = turn / 2;
    (0..edges_s.len().saturating_sub(1))
        .map(|i| {
            let at = i.saturating_sub(middle).min(logs.len().saturating_sub(1));
            // At the begin, where nothing is before, by as many after it.
            let near = at.saturating_sub(reach)..(at + reach + 1).max(2 * reach + 1).min(logs.len());
            let pairs = near.clone().flat_map(|a| (a + 1..near.end).map(move |b| (a, b)));
            let slopes: Vec<f64> = pairs.map(|(a, b)| (logs[b] - logs[a]) / (b - a) as f64).collect();
            let slope = stats::median(&slopes).unwrap_or(0.0);
            // From the middle of that turn to the middle of this pulse.
            let moved = |j: usize| (i as f64 + 0.5) - (j as f64 + 0.5 * turn as f64);
            let here: Vec<f64> = near.map(|j| logs[j] + slope * moved(j)).collect();
            stats::median(&here).map_or(f64::INFINITY, f64::exp)
        })
        .collect()
}

#[cfg(test)]
pub(crate) mod tests {
    use proptest::prelude::*;

    use super::*;

    /// A fan of 2400 rpm that coasts against friction and air: the tangent of an angle that falls from `angle` in `seconds`.
    #[derive(Clone, Copy, Debug)]
    pub(crate) struct Fall {
        angle: f64,
        seconds: f64,
    }

    pub(crate) const FALLS: [Fall; 4] = [
        Fall { angle: 1.3, seconds: 1.3 / 0.12 },
        Fall { angle: 1.35, seconds: 10.0 },
        Fall { angle: 1.2, seconds: 14.0 },
        Fall { angle: 1.0, seconds: 8.0 },
    ];

    impl Fall {
        pub(crate) fn rpm(self, t: f64) -> f64 {
            let angle = self.angle * (1.0 - t / self.seconds);
            if angle <= 0.0 { 0.0 } else { 2400.0 * angle.tan() / self.angle.tan() }
        }

        /// When it has come to a tenth.
        pub(crate) fn tenth_s(self) -> f64 {
            self.seconds * (1.0 - (0.1 * self.angle.tan()).atan() / self.angle)
        }

        /// Edges of two a turn until rest; every other lies `slot` of a pitch late.
        pub(crate) fn edges(self, slot: f64) -> Vec<f64> {
            // The tangent's integral is the logarithm of the cosine.
            let angle = |t: f64| self.angle * (1.0 - t / self.seconds);
            let per_s = self.angle / self.seconds;
            let turns = |t: f64| 40.0 / self.angle.tan() / per_s * (angle(t).cos() / self.angle.cos()).ln();
            let when = |pulses: f64| {
                let (mut low, mut high) = (0.0, self.seconds);
                for _ in 0..60 {
                    let middle = 0.5 * (low + high);
                    if 2.0 * turns(middle) < pulses { low = middle } else { high = middle }
                }
                low
            };
            let all = (2.0 * turns(self.seconds)) as usize;
            (1..all).map(|count| when(count as f64 + if count % 2 == 0 { slot } else { 0.0 })).collect()
        }
    }

    /// Speeds over those of the law, but for the last turns, where a turn is no moment any more.
    fn off(fall: Fall, edges: &[f64]) -> f64 {
        let moments = turns(edges, 2.0).into_iter().filter(|(t, _)| fall.rpm(*t) > 200.0);
        moments.map(|(t, rpm)| (rpm / fall.rpm(t) - 1.0).abs()).fold(0.0, f64::max)
    }

    #[test]
    fn no_edge_that_goes_missing_or_comes_too_many_is_taken_for_another_speed() {
        for (fall, slot) in FALLS.into_iter().flat_map(|fall| [0.0, 0.2].map(|slot| (fall, slot))) {
            let whole = fall.edges(slot);
            let usual = off(fall, &whole);
            assert!(usual < 0.02, "{fall:?} {slot}: {usual}");
            for at in [0, 1, 2, 40, 41, whole.len() - 60, whole.len() - 45, whole.len() - 30] {
                // Of the very first edges two may be missing, with nothing before them to tell of more.
                let most_gone = if at < 40 { 4 } else { 5 };
                for gone in [&[0][..], &[0, 1], &[0, 2], &[0, 3], &[0, 2, 4]].into_iter().take(most_gone) {
                    let keep = |i: &usize| !gone.iter().any(|more| at + more == *i);
                    let edges: Vec<f64> = (0..whole.len()).filter(keep).map(|i| whole[i]).collect();
                    // A turn that is not whole has the spacing of its magnets in it.
                    let most = usual + 0.4 * slot + 0.01;
                    assert!(off(fall, &edges) < most, "{fall:?} {slot}: {gone:?} from {at}: {}", off(fall, &edges));
                }
                for share in [0.05, 0.3] {
                    let mut edges = whole.clone();
                    edges.insert(at + 1, whole[at] + share * (whole[at + 1] - whole[at]));
                    // Where magnets are uneven, the nearer of an edge and a stray behind it may be either; the next is right again.
                    let most = usual + 0.5 * (slot + 1.2 * share) + 0.01;
                    assert!(
                        off(fall, &edges) < most,
                        "{fall:?} {slot}: a stray {share} after {at}: {}",
                        off(fall, &edges)
                    );
                }
            }
        }
    }

    #[test]
    fn a_last_slow_turn_is_none_of_two() {
        let mut edges = FALLS[0].edges(0.0);
        edges.truncate(edges.len() - 12);
        let before = turns(&edges, 2.0);
        let (last, before_s) = (edges[edges.len() - 1], edges[edges.len() - 2]);
        edges.push(last + 1.9 * (last - before_s));
        assert_eq!(turns(&edges, 2.0), before);
        assert_eq!((turns(&edges[..1], 2.0), turns(&[], 2.0)), (Vec::new(), Vec::new()));
    }

    proptest! {
        #[test]
        fn no_edge_list_panics(times in proptest::collection::vec(-1e3..1e3_f64, 0..40), ppr in 0.0..8.0_f64) {
            let _ = turns(&times, ppr);
            let _ = turns(&[times, vec![f64::NAN, f64::INFINITY, 1.0]].concat(), ppr);
        }
    }
}
