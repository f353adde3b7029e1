//! Tach edges to speed, by the period method.
//!
//! Missing edges, doubled edges and glitches are recognised against their neighbours, mended or dropped, and counted;
//! the speed is the number of pulses over the time they took, so that it is the mean over the window whatever the
//! spacing of the magnets.

/// Edges with the number of pulses since the first, after mending.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Clean {
    /// Time of each kept edge, seconds, increasing.
    pub times_s: Vec<f64>,
    /// Pulses since the first kept edge, counting those that went missing.
    pub counts: Vec<f64>,
    /// Edges that must have been there and were not.
    pub missing: usize,
    /// Edges dropped since they lie halfway between two others.
    pub doubled: usize,
    /// Edges dropped since they follow another much too soon.
    pub bounced: usize,
}

/// Mean speed over a window.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TachSpeed {
    /// Revolutions per minute.
    pub rpm: f64,
    /// Standard uncertainty from edge jitter and number of edges.
    pub u_rpm: f64,
    /// Edges used.
    pub edges: usize,
}

/// Share of the neighbours' period within which a mended interval must fall.
const LIKE: f64 = 0.25;

/// Drops doubled edges and counts missing ones.
///
/// A stray edge is one that follows the last much too soon, or whose removal leaves an interval like its neighbours'
/// while both its parts are clearly shorter. A long interval counts as several pulses when it is nearly a whole multiple of its neighbours on both
/// sides and those agree with each other, so that a fan speeding up or running down is left alone.
#[must_use]
pub fn clean(edges_s: &[f64]) -> Clean {
    let (times_s, doubled, bounced) = without_strays(edges_s);
    let intervals: Vec<f64> = times_s.windows(2).map(|w| w[1] - w[0]).collect();
    let (mut counts, mut missing, mut count) = (Vec::with_capacity(times_s.len()), 0, 0.0);
    for i in 0..times_s.len() {
        if i > 0 {
            let pulses = pulses_in(&intervals, i - 1);
            missing += pulses - 1;
            count += pulses as f64;
        }
        counts.push(count);
    }
    Clean { times_s, counts, missing, doubled, bounced }
}

/// Edges without strays, and how many were dropped that lay halfway, and that came too soon.
fn without_strays(edges_s: &[f64]) -> (Vec<f64>, usize, usize) {
    let mut kept: Vec<f64> = Vec::with_capacity(edges_s.len());
    let (mut doubled, mut bounced) = (0, 0);
    let intervals: Vec<f64> = edges_s.windows(2).map(|w| w[1] - w[0]).collect();
    for (i, &edge) in edges_s.iter().enumerate() {
        let Some(&last) = kept.last() else {
            kept.push(edge);
            continue;
        };
        let period = local_period(&intervals, i.saturating_sub(1));
        let before = edge - last;
        let after = intervals.get(i).copied();
        let halves = after.is_some_and(|after| {
            (before + after - period).abs() < LIKE * period && before < 0.8 * period && after < 0.8 * period
        });
        let soon = before < 0.3 * period;
        if before <= 0.0 || (soon && edges_s.len() >= 6) {
            bounced += 1;
        } else if halves && edges_s.len() >= 6 {
            doubled += 1;
        } else {
            kept.push(edge);
        }
    }
    (kept, doubled, bounced)
}

/// The quantile of `stats` of up to nine values, without an allocation: two are asked for per edge.
fn small_quantile(values: &[f64], q: f64) -> Option<f64> {
    let mut sorted = [0.0; 9];
    let sorted = sorted.get_mut(..values.len()).filter(|_| !values.is_empty())?;
    sorted.copy_from_slice(values);
    sorted.sort_unstable_by(f64::total_cmp);
    let position = q * (sorted.len() - 1) as f64;
    let low = position.floor() as usize;
    let above = sorted.get(low + 1).copied().unwrap_or(sorted[low]);
    Some(sorted[low] + (position - low as f64) * (above - sorted[low]))
}

/// Median of the intervals around `index` that are not slivers: the period there.
fn local_period(intervals: &[f64], index: usize) -> f64 {
    let from = index.saturating_sub(4);
    let to = (index + 5).min(intervals.len());
    small_quantile(&intervals[from.min(to)..to], 0.6).unwrap_or(0.0)
}

/// Median of the up to nine intervals around `index` if three in four lie close to it: the fan keeps its speed there.
fn steady_period(intervals: &[f64], index: usize) -> Option<f64> {
    let near = &intervals[index.saturating_sub(4)..(index + 5).min(intervals.len())];
    let period = small_quantile(near, 0.5).filter(|_| near.len() >= 4)?;
    let close = near.iter().filter(|v| (*v - period).abs() < LIKE * period).count();
    (close * 4 >= near.len() * 3).then_some(period)
}

/// Pulses that interval `index` stands for: one, or more where edges are missing.
fn pulses_in(intervals: &[f64], index: usize) -> usize {
    let Some(period) = steady_period(intervals, index).filter(|p| *p > 0.0) else { return 1 };
    let ratio = intervals[index] / period;
    let whole = ratio.round();
    if whole >= 2.0 && (ratio - whole).abs() < LIKE && whole < 50.0 { whole as usize } else { 1 }
}

/// Mean speed from rising edges, `pulses_per_rev` of them per turn; `None` of fewer than three good edges.
///
/// Mean time of the last third of the edges less that of the first third, over the pulses between: nearly as good
/// as a least-squares slope and not fooled by a slow change. Each third holds whole turns where there are enough
/// edges, so that unevenly spaced magnets cancel. Jitter comes from second differences over one turn.
#[must_use]
pub fn mean(edges_s: &[f64], pulses_per_rev: f64) -> Option<TachSpeed> {
    let edges = clean(edges_s);
    let n = edges.times_s.len();
    if n < 3 || !(pulses_per_rev > 0.0 && pulses_per_rev.is_finite()) {
        return None;
    }
    let turn = (pulses_per_rev.round() as usize).max(1);
    let third = (n / 3).max(1);
    let group = if third >= turn { third - third % turn } else { third };
    let centre = |values: &[f64]| values.iter().sum::<f64>() / group as f64;
    let span_s = centre(&edges.times_s[n - group..]) - centre(&edges.times_s[..group]);
    let pulses = centre(&edges.counts[n - group..]) - centre(&edges.counts[..group]);
    if !(span_s > 0.0 && pulses > 0.0) {
        return None;
    }
    let rpm = 60.0 * pulses / (span_s * pulses_per_rev);
    let jitter_s = jitter(&edges, turn).unwrap_or(0.25 * span_s / pulses);
    let u_rpm = rpm * jitter_s * (2.0 / group as f64).sqrt() / span_s;
    Some(TachSpeed { rpm, u_rpm, edges: n })
}

/// Standard deviation of one edge's time from second differences over whole turns; `None` of too few.
fn jitter(edges: &Clean, turn: usize) -> Option<f64> {
    let whole = |i: usize| (edges.counts[i + turn] - edges.counts[i] - turn as f64).abs() < 0.5;
    let second: Vec<f64> = (0..edges.times_s.len().saturating_sub(2 * turn))
        .filter(|&i| whole(i) && whole(i + turn))
        .map(|i| edges.times_s[i + 2 * turn] - 2.0 * edges.times_s[i + turn] + edges.times_s[i])
        .collect();
    if second.len() < 6 {
        return None;
    }
    // The variance of a second difference of independent times is six times theirs.
    Some((second.iter().map(|d| d * d).sum::<f64>() / second.len() as f64 / 6.0).sqrt())
}

/// Speed turn by turn: (middle of the turn, revolutions per minute) for each edge and the one a turn later, so that
/// unevenly spaced magnets cancel. Oldest first; empty of less than a turn.
#[must_use]
pub fn turns(edges_s: &[f64], pulses_per_rev: f64) -> Vec<(f64, f64)> {
    let edges = clean(edges_s);
    turn_by_turn(&edges.times_s, &edges.counts, pulses_per_rev)
}

/// Speed turn by turn from edges and the pulses until each.
pub(super) fn turn_by_turn(times_s: &[f64], counts: &[f64], pulses_per_rev: f64) -> Vec<(f64, f64)> {
    let turn = (pulses_per_rev.round() as usize).max(1);
    (turn..times_s.len())
        .map(|i| {
            let (t0, t1) = (times_s[i - turn], times_s[i]);
            (0.5 * (t0 + t1), 60.0 * (counts[i] - counts[i - turn]) / ((t1 - t0) * pulses_per_rev))
        })
        .collect()
}

/// Speed over `from_s..to_s` on a grid of `spacing_s`: (time of the middle, revolutions per minute) per cell.
///
/// `edges_s` should reach a little beyond the window on both sides. Each cell holds the pulses that fell into it, in
/// parts where an interval straddles its border; before the first edge and after the last the speed is 0, except that
/// it goes on to the end of the window where the next edge was not due yet.
#[must_use]
pub fn track(edges_s: &[f64], pulses_per_rev: f64, from_s: f64, to_s: f64, spacing_s: f64) -> Vec<(f64, f64)> {
    let edges = clean(edges_s);
    if !(spacing_s > 0.0 && to_s > from_s && pulses_per_rev > 0.0) {
        return Vec::new();
    }
    let cells = ((to_s - from_s) / spacing_s).floor() as usize;
    let mut cursor = 0;
    let edges = carried_on(edges, to_s);
    let mut below = count_at(&edges, from_s, &mut cursor);
    (0..cells)
        .map(|cell| {
            let end_s = from_s + spacing_s * (cell + 1) as f64;
            let above = count_at(&edges, end_s, &mut cursor);
            let rpm = 60.0 * (above - below) / (spacing_s * pulses_per_rev);
            below = above;
            (end_s - 0.5 * spacing_s, rpm)
        })
        .collect()
}

/// The edges with one more where the next was merely not there yet: the window ends before it was due, or hardly later.
fn carried_on(mut edges: Clean, to_s: f64) -> Clean {
    if let [.., before, last] = edges.times_s[..] {
        let period_s = last - before;
        if last < to_s && last + 1.5 * period_s > to_s {
            let count = edges.counts[edges.counts.len() - 1];
            edges.times_s.push(last + period_s.max(to_s - last));
            edges.counts.push(count + 1.0);
        }
    }
    edges
}

/// Pulses up to `t_s`, in parts within an interval; `cursor` moves on with growing times.
fn count_at(edges: &Clean, t_s: f64, cursor: &mut usize) -> f64 {
    let times = &edges.times_s;
    while *cursor < times.len() && times[*cursor] <= t_s {
        *cursor += 1;
    }
    match *cursor {
        0 => 0.0,
        next if next < times.len() => {
            let (t0, t1) = (times[next - 1], times[next]);
            let (c0, c1) = (edges.counts[next - 1], edges.counts[next]);
            c0 + (c1 - c0) * (t_s - t0) / (t1 - t0)
        }
        all => edges.counts[all - 1],
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::stats::tests::noise;
    use super::*;

    /// Edges of a fan at a constant speed with jitter.
    fn edges(rpm: f64, pulses: f64, seconds: f64, jitter_s: f64, seed: u64) -> Vec<f64> {
        let period = 60.0 / (rpm * pulses);
        let n = (seconds / period) as usize;
        noise(seed, n, jitter_s.max(1e-12)).iter().enumerate().map(|(i, e)| period * i as f64 + e).collect()
    }

    #[test]
    fn missing_and_doubled_edges_do_not_move_the_speed_and_are_counted() {
        let mut times = edges(2400.0, 2.0, 2.0, 2e-6, 1);
        for gone in [120, 77, 30, 31] {
            times.remove(gone);
        }
        times.insert(50, times[49] + 3e-4);
        times.insert(90, times[89] + 6e-3);
        let speed = mean(&times, 2.0).expect("edges");
        assert!((speed.rpm - 2400.0).abs() < 0.05, "{speed:?}");
        let edges = clean(&times);
        assert_eq!((edges.missing, edges.doubled, edges.bounced), (4, 1, 1));
    }

    #[test]
    fn a_fan_speeding_up_from_rest_has_no_missing_edges() {
        let times: Vec<f64> = (0..120).map(|i| (f64::from(i) / 30.0).sqrt()).collect();
        let edges = clean(&times);
        assert_eq!((edges.missing, edges.doubled, edges.bounced), (0, 0, 0));
        // Nor has one that then turns steadily for long.
        let settled = (1..2000).map(|i| times[119] + 0.009 * f64::from(i));
        let edges = clean(&times.iter().copied().chain(settled).collect::<Vec<_>>());
        assert_eq!((edges.missing, edges.doubled, edges.bounced), (0, 0, 0));
    }

    #[test]
    fn uneven_magnets_cancel() {
        let period = 0.01;
        let times: Vec<f64> =
            (0..200).map(|i| period * f64::from(i) + if i % 2 == 0 { 0.0 } else { 0.15 * period }).collect();
        let speed = mean(&times, 2.0).expect("edges");
        assert!((speed.rpm - 3000.0).abs() < 1e-6, "{speed:?}");
    }

    #[test]
    fn the_stated_uncertainty_covers_95_percent() {
        let covered = (0..200)
            .filter(|seed| {
                let speed = mean(&edges(1500.0, 2.0, 1.0, 5e-5, *seed), 2.0).expect("edges");
                (speed.rpm - 1500.0).abs() < 1.96 * speed.u_rpm
            })
            .count();
        assert!((176..=198).contains(&covered), "{covered} of 200");
    }

    #[test]
    fn the_last_cell_of_a_turning_fan_is_not_low() {
        let times = edges(1234.0, 2.0, 1.0, 0.0, 4);
        let track = track(&times, 2.0, 0.2, 0.97, 0.02);
        assert!(track.iter().all(|(_, rpm)| (rpm - 1234.0).abs() < 1.0), "{track:?}");
    }

    #[test]
    fn the_track_holds_every_pulse_and_ends_at_zero() {
        let times = edges(1200.0, 2.0, 1.0, 0.0, 4);
        let track = track(&times, 2.0, -0.5, 2.0, 0.05);
        let turns: f64 = track.iter().map(|(_, rpm)| rpm / 60.0 * 0.05).sum();
        assert!((turns - (times.len() - 1) as f64 / 2.0).abs() < 1e-9);
        assert!(track.first().expect("cells").1.abs() < 1e-12);
        assert!(track.last().expect("cells").1.abs() < 1e-12);
    }

    proptest! {
        #[test]
        fn the_speed_is_the_same_at_any_time_and_scales_with_it(shift in -50.0..50.0_f64, scale in 0.2..5.0_f64) {
            let times = edges(2000.0, 3.0, 1.0, 1e-5, 9);
            let moved: Vec<f64> = times.iter().map(|t| t * scale + shift).collect();
            let (a, b) = (mean(&times, 3.0).expect("edges"), mean(&moved, 3.0).expect("edges"));
            prop_assert!((a.rpm / scale - b.rpm).abs() < 1e-6 * b.rpm);
        }

        #[test]
        fn no_edge_list_panics(times in proptest::collection::vec(-1e3..1e3_f64, 0..40), ppr in 0.0..8.0_f64) {
            let mut times = times;
            times.sort_by(f64::total_cmp);
            let _ = mean(&times, ppr);
            let _ = track(&times, ppr, 0.0, 1.0, 0.1);
        }
    }

    proptest! {
        #[test]
        fn a_small_quantile_is_the_quantile(values in prop::collection::vec(-1e3..1e3f64, 0..=9), q in 0.0..=1.0f64) {
            let (small, usual) = (small_quantile(&values, q), super::super::stats::quantile(&values, q));
            prop_assert!(small.zip(usual).map_or(small == usual, |(a, b)| (a - b).abs() < 1e-9));
        }
    }
}
