//! What the executor sees while a run goes on: small pure functions of the growing recording.
//!
//! They decide how long to wait, never what is reported: results come from the analysis of the finished record.

use crate::analysis::speed::{Motion, motion};
use crate::bench::Channel;
use crate::record::recording::Recording;

/// Levels of the channels that tell whether things have settled; `None` where a channel is missing.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Levels {
    /// Mean output over mean supply voltage.
    pub(crate) ratio: Option<f64>,
    /// Tach edges per second, 0 at rest.
    pub(crate) edges_hz: Option<f64>,
    /// Supply current, amperes.
    pub(crate) supply_a: Option<f64>,
}

/// Supply voltage below which an output ratio means nothing.
const LEAST_SUPPLY_V: f64 = 3.0;
/// Width of the windows that are compared to see whether a level has settled, seconds.
pub(crate) const WINDOW_S: f64 = 0.5;

/// Mean output over mean supply voltage in `from_s..to_s`; `None` without the channels or the supply.
pub(crate) fn ratio(rec: &Recording, from_s: f64, to_s: f64) -> Option<f64> {
    let supply_v = rec.mean(Channel::SupplyV, from_s, to_s)?;
    if supply_v < LEAST_SUPPLY_V {
        return None;
    }
    Some(rec.mean(Channel::OutputV, from_s, to_s)? / supply_v)
}

/// Edge rate from the median of the spacings, so that a missing or doubled edge does not matter; 0 with too few edges;
/// `None` without a tach.
fn edges_hz(rec: &Recording, from_s: f64, to_s: f64) -> Option<f64> {
    let edges = rec.tach_in(from_s, to_s)?;
    if edges.len() < 3 {
        return Some(0.0);
    }
    // Spacings over two edges: marks on a rotor are seldom evenly placed, and two a revolution are the usual number.
    let mut spacings: Vec<f64> = edges.windows(3).map(|three| 0.5 * (three[2] - three[0])).collect();
    let middle = spacings.len() / 2;
    let (_, median, _) = spacings.select_nth_unstable_by(middle, f64::total_cmp);
    Some(1.0 / median.max(1e-6))
}

/// All levels over `from_s..to_s`.
pub(crate) fn levels(rec: &Recording, from_s: f64, to_s: f64) -> Levels {
    Levels {
        ratio: ratio(rec, from_s, to_s),
        edges_hz: edges_hz(rec, from_s, to_s),
        supply_a: rec.mean(Channel::SupplyA, from_s, to_s),
    }
}

/// Whether three windows of one level show no trend: the last step is within `tolerance`, or the two steps go opposite
/// ways and are small (noise, not approach).
fn flat(a: Option<f64>, b: Option<f64>, c: Option<f64>, tolerance: impl Fn(f64) -> f64) -> bool {
    let (Some(a), Some(b), Some(c)) = (a, b, c) else { return true };
    let (first, second) = (b - a, c - b);
    let within = tolerance(c);
    second.abs() <= within || (first * second < 0.0 && first.abs() < 4.0 * within && second.abs() < 4.0 * within)
}

/// Whether every level has settled by `now_s`, judged on the last three windows, none of which may begin before
/// `from_s`. Settled means electromechanically: thermal creep is slower than this sees.
pub(crate) fn settled(rec: &Recording, from_s: f64, now_s: f64, current_counts: bool) -> bool {
    let begin_s = now_s - 3.0 * WINDOW_S;
    if begin_s < from_s - 1e-6 {
        return false;
    }
    let at = |n: f64| levels(rec, begin_s + n * WINDOW_S, begin_s + (n + 1.0) * WINDOW_S);
    let (a, b, c) = (at(0.0), at(1.0), at(2.0));
    // The window's step is a third of what is left to go for a time constant of 1.2 s.
    flat(a.ratio, b.ratio, c.ratio, |ratio| 0.001 + 0.002 * ratio)
        && flat(a.edges_hz, b.edges_hz, c.edges_hz, |hz| 0.0015 * hz + 0.05)
        && (!current_counts || flat(a.supply_a, b.supply_a, c.supply_a, |amps| 0.02 + 0.005 * amps))
}

/// Whether the tach rate alone has settled, judged on the last two half seconds.
pub(crate) fn speed_settled(rec: &Recording, from_s: f64, now_s: f64) -> bool {
    let begin_s = now_s - 2.0 * WINDOW_S;
    if begin_s < from_s - 1e-6 {
        return false;
    }
    let middle_s = begin_s + WINDOW_S;
    match (edges_hz(rec, begin_s, middle_s), edges_hz(rec, middle_s, now_s)) {
        (Some(a), Some(b)) => b > 0.0 && (b - a).abs() < 0.01 * b,
        _ => false,
    }
}

/// Whether the output alone (ratio, else current) has settled, judged on the last two windows of `window_s`.
pub(crate) fn output_settled(rec: &Recording, from_s: f64, now_s: f64, window_s: f64) -> bool {
    let begin_s = now_s - 2.0 * window_s;
    if begin_s < from_s - 1e-6 {
        return false;
    }
    let middle_s = begin_s + window_s;
    match (ratio(rec, begin_s, middle_s), ratio(rec, middle_s, now_s)) {
        (Some(a), Some(b)) => (b - a).abs() < 0.004 + 0.004 * b,
        _ => {
            let amps = |from_s, to_s| rec.mean(Channel::SupplyA, from_s, to_s);
            match (amps(begin_s, middle_s), amps(middle_s, now_s)) {
                (Some(a), Some(b)) => (b - a).abs() < 0.03 + 0.02 * b.abs(),
                _ => false,
            }
        }
    }
}

/// How often the output ratio, in means over cells, turned back by more than `by` since `from_s`; 0 where it is not recorded.
pub(crate) fn turns(rec: &Recording, from_s: f64, now_s: f64, cell_s: f64, by: f64) -> usize {
    let (mut turns, mut rising, mut furthest) = (0, None, None::<f64>);
    let mut t_s = from_s;
    while t_s + cell_s <= now_s + 1e-6 {
        if let Some(level) = ratio(rec, t_s, t_s + cell_s) {
            let last = *furthest.get_or_insert(level);
            let moved = level - last;
            match rising {
                Some(up) if (moved > 0.0) == up => furthest = Some(level),
                _ if moved.abs() > by => {
                    turns += usize::from(rising.is_some());
                    (rising, furthest) = (Some(moved > 0.0), Some(level));
                }
                _ => {}
            }
        }
        t_s += cell_s;
    }
    turns
}

/// Time from `edge_s` until the output of a fan at rest was a quarter of what it has settled at by `to_s`, its zero taken
/// off; `None` without an output.
pub(crate) fn quarter_s(rec: &Recording, edge_s: f64, to_s: f64, zero_v: f64) -> Option<f64> {
    let volts = |from_s: f64, to_s: f64| rec.mean(Channel::OutputV, from_s, to_s).map(|volts| volts - zero_v);
    let settled = volts(to_s - QUARTER_LOOK_S, to_s).filter(|settled| *settled > QUARTER_LEAST_V)?;
    let mut t_s = edge_s;
    while t_s < to_s {
        if volts(t_s, t_s + QUARTER_CELL_S).is_some_and(|now| now > 0.25 * settled) {
            return Some(t_s + QUARTER_CELL_S - edge_s);
        }
        t_s += QUARTER_CELL_S;
    }
    None
}

/// Cell in which a small output is looked for, the end over which it is taken, and the least of it, volts.
const QUARTER_CELL_S: f64 = 0.02;
const QUARTER_LOOK_S: f64 = 0.2;
const QUARTER_LEAST_V: f64 = 0.2;

/// Cell in which the current is followed on a step, and the share by which it falls as the fan breaks loose.
const CELL_S: f64 = 0.1;
const FALL: f64 = 0.1;
/// Share by which the current rises as the rotor is caught, and the window in which that is looked for.
const RISE: f64 = 0.08;
pub(crate) const REST_WINDOW_S: f64 = 0.3;
/// Deviations of a mean by which two of them are told apart, and the share of an output that counts as the same.
const CLEAR: f64 = 5.0;
const SAME_OUTPUT: f64 = 0.9;

/// Noise of the mean supply current over `window_s` at this level, amperes.
fn amps_noise(rec: &Recording, amps: f64, from_s: f64, to_s: f64) -> f64 {
    let facts = rec.header.bench.channels.get(&Channel::SupplyA).copied().unwrap_or_default();
    let noise = facts.low.filter(|low| amps.abs() < 0.9 * low.range).map_or(facts.noise, |low| low.noise);
    let series = rec.channels.get(&Channel::SupplyA);
    let samples = series.map_or(1, |series| series.samples(from_s, to_s).count().max(1));
    #[expect(clippy::cast_precision_loss, reason = "numbers of samples are small")]
    let samples = samples as f64;
    noise / samples.sqrt()
}

/// Whether the fan broke loose since `begin_s` at a constant duty: its current has fallen while its output has not. A
/// rotor that stands makes no voltage, one that turns does, long before its ripple can be seen.
pub(crate) fn broke_loose(rec: &Recording, begin_s: f64, now_s: f64) -> bool {
    let amps = |t_s: f64| rec.mean(Channel::SupplyA, t_s, t_s + CELL_S);
    let mut highest: Option<(f64, f64)> = None;
    let mut t_s = begin_s;
    while t_s + 2.0 * CELL_S <= now_s - CELL_S + 1e-6 {
        if let Some(level) = amps(t_s).filter(|level| highest.is_none_or(|(_, most)| *level > most)) {
            highest = Some((t_s, level));
        }
        t_s += CELL_S;
    }
    let last_s = now_s - 2.0 * CELL_S;
    let Some((peak_s, peak)) = highest else { return false };
    let Some(now) = rec.mean(Channel::SupplyA, last_s, now_s) else { return false };
    let noise = amps_noise(rec, peak, peak_s, peak_s + CELL_S);
    let keeps = ratio(rec, peak_s, peak_s + CELL_S)
        .zip(ratio(rec, last_s, now_s))
        .is_none_or(|(then, now)| now >= SAME_OUTPUT * then);
    keeps && peak - now > (FALL * peak).max(CLEAR * noise)
}

/// Whether the rotor was caught since the supply current was `before_a`, at a higher duty: it draws more now.
pub(crate) fn caught(rec: &Recording, before_a: f64, now_s: f64) -> bool {
    let from_s = now_s - REST_WINDOW_S;
    let Some(now) = rec.mean(Channel::SupplyA, from_s, now_s) else { return false };
    now - before_a > (RISE * before_a).max(CLEAR * amps_noise(rec, now, from_s, now_s))
}

/// Whether the supply current has settled, judged on the last two windows.
pub(crate) fn amps_settled(rec: &Recording, from_s: f64, now_s: f64) -> bool {
    let begin_s = now_s - 2.0 * REST_WINDOW_S;
    if begin_s < from_s - 1e-6 {
        return false;
    }
    let middle_s = begin_s + REST_WINDOW_S;
    let amps = |from_s, to_s| rec.mean(Channel::SupplyA, from_s, to_s);
    amps(begin_s, middle_s)
        .zip(amps(middle_s, now_s))
        .is_some_and(|(a, b)| (b - a).abs() < (0.01 * b.abs()).max(3.0 * amps_noise(rec, b, middle_s, now_s)))
}

/// Whether the fan turns, as seen over the last `window_s`; with a tach three edges prove it and none disproves it.
pub(crate) fn motion_now(rec: &Recording, window_s: f64) -> Motion {
    let (from_s, to_s) = (rec.end_s - window_s, rec.end_s);
    match rec.tach_in(from_s, to_s) {
        Some(edges) if edges.len() >= 3 => Motion::Turning,
        Some([]) => Motion::Rest,
        Some(_) => Motion::Unknown,
        None => motion(rec, from_s, to_s),
    }
}

/// Times from `edge_s` to the first sign of output, and from there to 95 % of the level settled at by `to_s`; `None`
/// without output channel or output.
pub(crate) fn ramp_s(rec: &Recording, edge_s: f64, to_s: f64) -> Option<(f64, f64)> {
    let settled = ratio(rec, to_s - WINDOW_S, to_s).filter(|settled| *settled > 0.05)?;
    let cell_s = 0.02;
    let reaches = |share: f64| {
        let mut t_s = edge_s;
        while t_s < to_s {
            if ratio(rec, t_s, t_s + cell_s).is_some_and(|now| now > share * settled) {
                return Some(t_s);
            }
            t_s += cell_s;
        }
        None
    };
    let first_s = reaches(0.02)?;
    Some((first_s - edge_s, (reaches(0.95)? - first_s).max(0.0)))
}

/// Duty (fraction) at which the rising part of settled points (duty, ratio) meets their plateau; `None` where the ratio
/// still rises at the top.
pub(crate) fn knee(points: &[(f64, f64)]) -> Option<f64> {
    let plateau = points.iter().map(|(_, ratio)| *ratio).fold(0.0, f64::max);
    let on_plateau = points.iter().filter(|(_, ratio)| *ratio > 0.985 * plateau).count();
    let rising: Vec<_> = points.iter().filter(|(_, r)| (0.15 * plateau..0.85 * plateau).contains(r)).collect();
    if on_plateau < 2 || rising.len() < 2 {
        return None;
    }
    #[expect(clippy::cast_precision_loss, reason = "a handful of points")]
    let n = rising.len() as f64;
    let (mean_d, mean_r) = (rising.iter().map(|p| p.0).sum::<f64>() / n, rising.iter().map(|p| p.1).sum::<f64>() / n);
    let over = rising.iter().map(|(d, r)| (d - mean_d) * (r - mean_r)).sum::<f64>();
    let slope = over / rising.iter().map(|(d, _)| (d - mean_d).powi(2)).sum::<f64>();
    (slope > 0.0).then(|| mean_d + (plateau - mean_r) / slope)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::Block;

    /// Output that rises linearly from 1 s to 4 s to 12 V of 13 V, and a tach whose rate follows with 1 s lag.
    fn ramp() -> Recording {
        let mut rec = Recording::default();
        for i in 0..500 {
            let t0_s = 0.02 * f64::from(i);
            let share = |t: f64| ((t - 1.0) / 3.0).clamp(0.0, 1.0);
            let output = (0..40).map(|k| (12.0 * share(t0_s + 0.0005 * f64::from(k))) as f32).collect();
            rec.push_block(&Block {
                t0_s,
                duration_s: 0.02,
                channels: vec![(Channel::SupplyV, vec![13.0; 40]), (Channel::OutputV, output)],
                ..Block::default()
            });
        }
        rec
    }

    #[test]
    fn a_ramp_is_timed_and_settles_only_after_its_end() {
        let rec = ramp();
        // 2 % to 95 % of 3 s.
        assert!((ramp_s(&rec, 0.5, 9.0).unwrap().1 - 2.79).abs() < 0.05);
        assert!((ramp_s(&rec, 0.5, 9.0).unwrap().0 - 0.56).abs() < 0.05);
        assert!(!settled(&rec, 0.5, 4.2, false));
        assert!(settled(&rec, 0.5, 5.6, false));
        assert!(!output_settled(&rec, 0.5, 3.0, 0.4));
    }

    /// Output over 10 s at 10 V of supply, in blocks of 0.1 s.
    fn output(volts: impl Fn(f64) -> f64) -> Recording {
        let mut rec = Recording::default();
        for i in 0..100 {
            let t0_s = 0.1 * f64::from(i);
            let output = (0..20).map(|k| volts(t0_s + 0.005 * f64::from(k)) as f32).collect();
            rec.push_block(&Block {
                t0_s,
                duration_s: 0.1,
                channels: vec![(Channel::SupplyV, vec![10.0; 20]), (Channel::OutputV, output)],
                ..Block::default()
            });
        }
        rec
    }

    #[test]
    fn an_output_that_hunts_turns_again_and_again_and_a_kick_after_a_coast_three_times() {
        let turns = |rec: &Recording| turns(rec, 0.0, 10.0, 0.1, 0.03);
        assert_eq!(turns(&output(|t| 5.0 + (0.7 * std::f64::consts::TAU * t).sin())), 14);
        assert_eq!(turns(&output(|t| 5.0 + 0.1 * (0.7 * std::f64::consts::TAU * t).sin())), 0);
        assert_eq!(turns(&output(|t| t)), 0);
        let kicked = |t: f64| match t {
            t if t < 2.0 => 5.0 - t,
            t if t < 2.5 => 6.0,
            t => 1.0 + t,
        };
        assert_eq!(turns(&output(kicked)), 3);
    }

    #[test]
    fn a_small_output_is_timed_to_its_quarter_without_its_zero() {
        // A gentle beginning below the drop of a diode: nothing for half a second, and 0.8 V from 1 s on.
        let rec = output(|t| 0.1 + 0.8 * (2.0 * t - 1.0).clamp(0.0, 1.0));
        let quarter_s = quarter_s(&rec, 0.0, 3.0, 0.1).expect("an output");
        assert!((quarter_s - 0.63).abs() < 0.03, "{quarter_s}");
        assert_eq!(super::quarter_s(&output(|_| 0.1), 0.0, 3.0, 0.1), None);
    }

    /// A fan that approaches its speed with this time constant while its copper creeps: output constant with noise, two
    /// edges a turn with jitter, 45 turns a second in the end. Blocks of 0.1 s.
    fn approach(tau_s: f64, creep_per_s: f64, seed: u64, seconds: f64) -> Recording {
        let e = crate::analysis::signal::stats::tests::noise(seed, 4000, 1.0);
        let speed = |t: f64| 45.0 * (1.0 - 0.6 * (-t / tau_s).exp()) * (1.0 - creep_per_s * t);
        let (mut rec, mut turns, mut edges, mut k) = (Recording::default(), 0.0_f64, Vec::new(), 0);
        for i in 0..(1000.0 * seconds) as u32 {
            let (from_s, before) = (1e-3 * f64::from(i), 2.0 * turns);
            turns += 1e-3 * speed(from_s);
            let due = before.floor() + 1.0;
            if 2.0 * turns >= due {
                k += 1;
                edges.push(from_s + 1e-3 * (due - before) / (2.0 * turns - before) + 2e-5 * e[k % 4000]);
            }
        }
        for i in 0..(10.0 * seconds) as u32 {
            let at = |k: u32| e[(20 * i + k) as usize % 4000];
            let output = (0..20).map(|k| (6.0 + 0.005 * at(k)) as f32).collect();
            let supply = (0..20).map(|k| (13.0 + 0.005 * at(k + 7)) as f32).collect();
            rec.push_block(&Block {
                t0_s: 0.1 * f64::from(i),
                duration_s: 0.1,
                channels: vec![(Channel::SupplyV, supply), (Channel::OutputV, output)],
                ..Block::default()
            });
        }
        rec.tach_s = Some(edges);
        rec
    }

    /// Of how many of 100 approaches the test, asked every 0.1 s, accepts one with more than this share left to go, and
    /// the longest time until it accepts.
    fn accepted_early(tau_s: f64, creep_per_s: f64, left: f64) -> (usize, f64) {
        let mut latest_s = 0.0_f64;
        let early = (0..100).filter(|seed| {
            let rec = approach(tau_s, creep_per_s, 1000 + seed, 15.0 + 8.0 * tau_s);
            let looks = (15..).map(|i| 0.1 * f64::from(i)).take_while(|t_s| *t_s < 14.0 + 8.0 * tau_s);
            let accepted_s = looks.into_iter().find(|now_s| settled(&rec, 0.0, *now_s, false));
            latest_s = latest_s.max(accepted_s.unwrap_or(f64::INFINITY));
            accepted_s.is_some_and(|t_s| 0.6 * (-t_s / tau_s).exp() > left)
        });
        (early.count(), latest_s)
    }

    /// False accepts of the sequential test, as `docs/results.md` states them.
    #[test]
    fn a_fan_is_taken_for_settled_with_more_than_one_percent_to_go_only_where_it_is_slow() {
        let (rates, late): (Vec<usize>, Vec<f64>) =
            [0.3, 0.6, 1.2, 2.0, 3.0].map(|tau_s| accepted_early(tau_s, 0.0, 0.01)).into_iter().unzip();
        println!("{rates:?} of 100, accepted by {late:?} s");
        assert!(rates[..4].iter().all(|rate| *rate == 0), "{rates:?}");
        assert!(late.iter().all(|t_s| t_s.is_finite()), "{late:?}");
        // Copper that warms by 20 K in five minutes slows the fan by half a per mille a second: creep is no transient.
        let (early, latest_s) = accepted_early(0.6, 5e-4, 0.01);
        assert!(early == 0 && latest_s < 8.0, "{early} {latest_s}");
    }

    #[test]
    fn an_edge_rate_ignores_a_missing_and_a_doubled_edge() {
        let mut edges: Vec<f64> = (0..40).map(|i| 0.025 * f64::from(i)).collect();
        edges.remove(20);
        edges.insert(7, edges[7] + 1e-4);
        edges.sort_by(f64::total_cmp);
        let mut rec = Recording::default();
        rec.tach_s = Some(edges);
        assert!((edges_hz(&rec, 0.0, 1.0).unwrap() - 40.0).abs() < 0.01);
        assert_eq!(edges_hz(&rec, 2.0, 3.0), Some(0.0));
        assert_eq!(edges_hz(&Recording::default(), 0.0, 1.0), None);
    }

    #[test]
    fn the_knee_is_where_the_rise_meets_the_plateau() {
        let points: Vec<(f64, f64)> = (2..20)
            .map(|i| 0.05 * f64::from(i))
            .map(|duty| (duty, ((duty - 0.1) / 0.75).clamp(0.0, 1.0) * 0.98))
            .collect();
        assert!((knee(&points).unwrap() - 0.85).abs() < 0.005);
        let no_plateau: Vec<(f64, f64)> = points.iter().map(|(d, _)| (*d, *d)).collect();
        assert_eq!(knee(&no_plateau), None);
    }
}
