//! When the fan broke away in a rising staircase.
//!
//! A tach's first edge comes up to a whole spacing after breakaway, half a second and more on a slow start, and may lie
//! on the next step. The current tells it better: it rises with every step while the rotor stands, and falls as soon as
//! the rotor moves and makes its own voltage.

use crate::analysis::level::{self, Level, Witness};
use crate::analysis::signal::stats;
use crate::analysis::speed::Motion;
use crate::bench::Channel;
use crate::record::recording::Recording;

/// Spacing at which ripple or back-EMF is asked for motion, and how long it may take to notice it, seconds.
const KERNEL_STEP_S: f64 = 0.25;
const KERNEL_LAG_S: f64 = 3.0;
/// Silence of a tach after which its earlier edges belong to something before, seconds.
const QUIET_S: f64 = 2.0;
/// Bin in which the current is looked at, seconds.
const BIN_S: f64 = 0.05;
/// Share of an output that counts as the same output.
const OUTPUT_KEEPS: f64 = 0.9;
/// A fall of the current by this many standard deviations of a bin is a breakaway.
const CLEAR_FALL: f64 = 6.0;

/// When motion began.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Onset {
    /// Between these times.
    At { earliest_s: f64, latest_s: f64 },
    /// Before the staircase.
    Always,
    /// Not in the staircase.
    Never,
    /// Cannot be told.
    Unknown,
}

/// When the fan began to turn within `levels`.
pub(crate) fn find(rec: &Recording, witness: Witness, levels: &[Level], coarse: bool) -> Onset {
    let (Some(first), Some(last)) = (levels.first(), levels.last()) else { return Onset::Unknown };
    let (from_s, to_s) = (first.t0_s, last.t1_s);
    let seen = match witness {
        Witness::Column { floor_rpm } => return column(rec, floor_rpm, from_s, to_s, coarse),
        Witness::Tach => tach(rec.tach_in(from_s, to_s).unwrap_or(&[]), from_s, to_s),
        // A slow fan shows no ripple: the current is asked over the whole staircase.
        Witness::Kernel => match by_current(rec, levels, from_s, to_s) {
            Some(onset) => return onset,
            None => kernel(rec, witness, from_s, to_s),
        },
    };
    match seen {
        Onset::At { earliest_s, latest_s } => by_current(rec, levels, earliest_s, latest_s).unwrap_or(seen),
        other => other,
    }
}

/// First reading above the floor after the last one at rest, so that a spin-up left over from before does not count.
fn column(rec: &Recording, floor_rpm: f64, from_s: f64, to_s: f64, coarse: bool) -> Onset {
    let Some(series) = rec.channels.get(&Channel::SpeedRpm) else { return Onset::Unknown };
    let mut last_rest = None;
    let mut first_after = None;
    for (t_s, value) in series.samples(from_s, to_s).filter(|(_, v)| v.is_finite()) {
        if value.abs() <= floor_rpm && !(coarse && first_after.is_some()) {
            (last_rest, first_after) = (Some(t_s), None);
        } else if first_after.is_none() {
            first_after = Some(t_s);
        }
    }
    match (last_rest, first_after) {
        (Some(_), Some(t_s)) => Onset::At { earliest_s: t_s, latest_s: t_s },
        (None, Some(_)) => Onset::Always,
        (Some(_), None) => Onset::Never,
        (None, None) => Onset::Unknown,
    }
}

/// Breakaway dated back from the first edges.
///
/// At the first edge the rotor has turned by at most one spacing. Starting from rest its speed there is at least twice
/// that over the time since, so breakaway lies no more than two spacings over the speed before it. It may have stood right
/// before the edge: then it broke away just now.
fn tach(edges: &[f64], from_s: f64, to_s: f64) -> Onset {
    // Edges followed by a long silence are a spin-up left over or a shake, not this start.
    let Some(last) = edges.last().filter(|last| to_s - **last < QUIET_S) else { return Onset::Never };
    let first = edges.windows(2).rposition(|pair| pair[1] - pair[0] > QUIET_S).map_or(0, |i| i + 1);
    let run = &edges[first..];
    if first == 0 && run[0] - from_s < 0.05 {
        return Onset::Always;
    }
    let floor_s = if first > 0 { edges[first - 1] } else { from_s };
    let [a, b, ..] = run else {
        return Onset::At { earliest_s: (*last - QUIET_S).max(floor_s), latest_s: *last };
    };
    // Speed at the first edge, in spacings per second: a little less than over the first interval.
    let speed = match run.get(2) {
        Some(c) => (1.5 / (b - a) - 0.5 / (c - b)).max(0.4 / (b - a)),
        None => 0.8 / (b - a),
    };
    let reach_s = 2.0 / speed;
    Onset::At { earliest_s: (a - reach_s).max(floor_s), latest_s: *a }
}

/// First window in which the kernel sees turning, and in the next too.
fn kernel(rec: &Recording, witness: Witness, from_s: f64, to_s: f64) -> Onset {
    let mut t_s = from_s;
    let (mut rest_seen, mut since) = (false, None);
    while t_s + 2.0 * KERNEL_STEP_S <= to_s {
        match witness.motion(rec, t_s, t_s + 2.0 * KERNEL_STEP_S) {
            Motion::Turning => since = since.or(Some(t_s + KERNEL_STEP_S)),
            Motion::Rest => (rest_seen, since) = (true, None),
            Motion::Unknown => {}
        }
        t_s += KERNEL_STEP_S;
    }
    match (rest_seen, since) {
        (true, Some(latest_s)) => Onset::At { earliest_s: (latest_s - KERNEL_LAG_S).max(from_s), latest_s },
        (false, Some(_)) => Onset::Always,
        (true, None) => Onset::Never,
        (false, None) => Onset::Unknown,
    }
}

/// Breakaway by the fall of the current between shortly before `earliest_s` and shortly after `latest_s`; `None` when
/// no current falls clearly there.
fn by_current(rec: &Recording, levels: &[Level], earliest_s: f64, latest_s: f64) -> Option<Onset> {
    let series = rec.channels.get(&level::current(rec)?)?;
    let end_s = levels.last()?.t1_s;
    let (from_s, to_s) = ((earliest_s - 0.3).max(levels[0].t0_s), (latest_s + 0.3).min(end_s));
    let count = ((to_s - from_s) / BIN_S) as usize;
    let bins: Vec<(f64, f64)> = (0..count)
        .filter_map(|i| {
            let start_s = from_s + BIN_S * i as f64;
            series.mean(start_s, start_s + BIN_S).map(|a| (start_s + 0.5 * BIN_S, a))
        })
        .collect();
    // Neighbours differ by noise, except where the current steps or falls.
    let steps: Vec<f64> = bins.windows(2).map(|w| w[1].1 - w[0].1).collect();
    let sigma = stats::robust_sigma(&steps)? / std::f64::consts::SQRT_2;
    let peak = bins.iter().map(|(_, a)| *a).fold(f64::NEG_INFINITY, f64::max);
    let top = bins.iter().rposition(|(_, a)| *a > peak - 3.0 * sigma)?;
    let after = stats::mean(&bins.get(top + 1..)?.iter().map(|(_, a)| *a).collect::<Vec<_>>())?;
    if peak - after < CLEAR_FALL * sigma || peak - after < 0.02 * peak.abs() {
        return None;
    }
    if output_falls(rec, bins[top].0, bins.last()?.0) {
        return None;
    }
    let end_s = bins[top].0 + 0.5 * BIN_S;
    // A current that had risen with the last step proves that the rotor still stood then.
    let step_s = levels.iter().rev().map(|level| level.t0_s).find(|t_s| *t_s < end_s)?;
    let before: Vec<f64> = bins.iter().filter(|(t_s, _)| *t_s + 0.5 * BIN_S <= step_s).map(|(_, a)| *a).collect();
    let rose = stats::median(&before).is_some_and(|level| peak - level > 3.0 * sigma);
    let highest = bins.iter().position(|(_, a)| *a >= peak)?;
    let within = bins[highest].0 > step_s;
    let begin_s = if rose && within { step_s + 0.5 * BIN_S } else { bins[top].0 - 3.0 * BIN_S };
    Some(Onset::At { earliest_s: begin_s.min(end_s), latest_s: end_s })
}

/// Whether the output is lower around `late_s` than around `early_s`, as after a kick: then the current falls with it and
/// tells nothing of the rotor.
fn output_falls(rec: &Recording, early_s: f64, late_s: f64) -> bool {
    let around = |t_s: f64| rec.mean(Channel::OutputV, t_s - BIN_S, t_s + BIN_S);
    around(early_s).zip(around(late_s)).is_some_and(|(early, late)| late < OUTPUT_KEEPS * early)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::synthetic::{Bench, at};

    /// A slow start on the step at 3 s: the rotor breaks away 0.1 s after it, its first edges come late.
    fn slow_start(with_current: bool) -> (Bench, f64) {
        let mut bench = Bench::new(51);
        let breakaway_s = 3.1;
        for (i, duty) in [10.0, 11.0, 12.0, 13.0].into_iter().enumerate() {
            bench.set(at(duty));
            let standing = 0.08 * duty;
            let begin_s = i as f64;
            let current = move |t: f64| {
                let since = begin_s + t - breakaway_s;
                if since < 0.0 { standing } else { standing * (0.5 + 0.5 * (-since / 0.6).exp()) }
            };
            if with_current {
                bench.run(1.0, &[(Channel::SupplyA, &current, 0.01)]);
            } else {
                bench.run(1.0, &[]);
            }
            bench.tach(1.0, &|t| 150.0 * (1.0 - (-((begin_s + t - breakaway_s).max(0.0)) / 0.6).exp()));
        }
        (bench, breakaway_s)
    }

    fn found(bench: &Bench) -> (f64, f64) {
        let levels = level::levels(&bench.rec, 0.0, bench.t_s);
        match find(&bench.rec, Witness::Tach, &levels, false) {
            Onset::At { earliest_s, latest_s } => (earliest_s, latest_s),
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn the_fall_of_the_current_dates_the_breakaway_closely() {
        let (bench, breakaway_s) = slow_start(true);
        let (earliest_s, latest_s) = found(&bench);
        assert!(earliest_s >= 3.0 && latest_s <= 3.3, "{earliest_s} {latest_s}");
        assert!(earliest_s <= breakaway_s && breakaway_s <= latest_s + 0.05, "{earliest_s} {latest_s}");
    }

    #[test]
    fn edges_alone_hold_the_breakaway_in_a_wide_interval() {
        let (bench, breakaway_s) = slow_start(false);
        let (earliest_s, latest_s) = found(&bench);
        assert!(earliest_s <= breakaway_s && breakaway_s <= latest_s, "{earliest_s} {latest_s}");
    }

    /// The rotor stands right before an edge: the first comes at once, the next ones late.
    #[test]
    fn an_edge_right_after_the_breakaway_does_not_date_it_back_to_the_step_before() {
        let mut bench = Bench::new(53);
        for duty in [10.0, 11.0, 12.0] {
            bench.set(at(duty));
            let standing = 0.065 * duty;
            let current = move |t: f64| match duty > 11.5 && t > 0.15 {
                true => standing * (0.6 + 0.4 * (-(t - 0.15) / 0.6).exp()),
                false => standing,
            };
            bench.run(1.0, &[(Channel::SupplyA, &current, 0.01)]);
        }
        bench.rec.tach_s = Some(vec![2.17, 2.5, 2.68, 2.82, 2.94]);
        let (earliest_s, latest_s) = found(&bench);
        assert!((2.0..=2.15).contains(&earliest_s) && (2.15..2.4).contains(&latest_s), "{earliest_s} {latest_s}");
    }

    #[test]
    fn without_a_tach_the_fall_of_the_current_over_the_whole_staircase_tells() {
        let (mut bench, breakaway_s) = slow_start(true);
        bench.rec.tach_s = None;
        let levels = level::levels(&bench.rec, 0.0, bench.t_s);
        let Onset::At { earliest_s, latest_s } = find(&bench.rec, Witness::Kernel, &levels, false) else {
            panic!("a start is there")
        };
        assert!(earliest_s >= 3.0 && earliest_s <= breakaway_s && latest_s <= 3.3, "{earliest_s} {latest_s}");
    }

    #[test]
    fn a_current_that_falls_with_its_output_is_no_start() {
        let mut bench = Bench::new(52);
        for duty in [10.0, 11.0, 12.0] {
            bench.set(at(duty));
            let kick = move |t: f64| if duty > 11.5 && t < 0.4 { 5.0 } else { 0.1 * duty };
            bench.run(1.0, &[(Channel::SupplyA, &|t| 0.8 * kick(t), 0.01), (Channel::OutputV, &kick, 0.005)]);
        }
        let levels = level::levels(&bench.rec, 0.0, bench.t_s);
        assert!(by_current(&bench.rec, &levels, 0.0, bench.t_s).is_none());
    }
}
