//! One trial of a threshold: where in a rising or falling staircase the fan began or ceased to turn and the output
//! came on or went off, as brackets between neighbouring duties.

use crate::analysis::level::{self, Level, Witness};
use crate::analysis::speed::Motion;
use crate::analysis::threshold_fit::Bracket;
use crate::bench::Channel;
use crate::record::recording::{Recording, Span};

/// Spacing at which ripple or back-EMF is asked for motion, and how long it may take to notice it, seconds.
const KERNEL_STEP_S: f64 = 0.25;
const KERNEL_LAG_S: f64 = 0.6;

/// What a trial told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Told {
    /// The threshold lies in the bracket.
    Between(Bracket),
    /// It had happened at the first duty offered, this one.
    AtFirst(f64),
    /// It did not happen up (or down) to the last duty offered, this one.
    Never(f64),
    /// Nothing can be told.
    Nothing,
}

/// Levels of a staircase after which something is judged.
pub(crate) fn staircase(rec: &Recording, span: &Span) -> Vec<Level> {
    level::levels(rec, span.t0_s, span.t1_s)
}

/// Where the fan started in a rising staircase.
///
/// The onset is dated back to breakaway; the duty in force then is the upper end. The lower end is the highest duty
/// before it that had been held until the output was settled, without a start. With a `coarse` speed column, which may
/// read zero while the fan turns, the first reading above zero counts.
pub(crate) fn start(rec: &Recording, witness: Witness, levels: &[Level], coarse: bool) -> Told {
    let (Some(first), Some(last)) = (levels.iter().find(|l| l.duty_pct > 0.0), levels.last()) else {
        return Told::Nothing;
    };
    let (earliest_s, latest_s) = match onset(rec, witness, levels[0].t0_s, last.t1_s, coarse) {
        Onset::At { earliest_s, latest_s } => (earliest_s, latest_s),
        Onset::Always => return Told::AtFirst(levels[0].duty_pct),
        Onset::Never => return Told::Never(last.duty_pct),
        Onset::Unknown => return Told::Nothing,
    };
    let at = index_at(levels, latest_s);
    if levels[at].duty_pct <= first.duty_pct {
        return Told::AtFirst(first.duty_pct);
    }
    // A start within one command period of a step cannot be its doing; the step before may be the cause.
    let hz = levels[at].setting.frequency.get();
    let period_s = if hz > 0.0 { 1.0 / hz } else { 0.0 };
    let sure_s = if dense(rec, levels[at]) { earliest_s - period_s } else { earliest_s };
    let mut below = index_at(levels, sure_s.max(levels[0].t0_s)).min(at).saturating_sub(1);
    while below > 0 && !output_settled(rec, &levels[below]) {
        below -= 1;
    }
    Told::Between(Bracket { below: levels[below].duty_pct, at: levels[at].duty_pct })
}

/// Where the fan stopped in a falling staircase: under the lowest duty at which it turned steadily, at or above the
/// highest at which it came to rest.
pub(crate) fn stop(rec: &Recording, witness: Witness, levels: &[Level]) -> Told {
    let motions: Vec<Motion> = levels.iter().map(|l| witness.motion(rec, l.t0_s, l.t1_s)).collect();
    let after_turning = motions.iter().rposition(|m| *m == Motion::Turning).map_or(0, |i| i + 1);
    if motions.iter().all(|m| *m == Motion::Unknown) {
        return Told::Nothing;
    }
    let Some(rest) = (after_turning..levels.len()).find(|&i| motions[i] == Motion::Rest) else {
        return levels.last().map_or(Told::Nothing, |l| Told::Never(l.duty_pct));
    };
    let turning = (0..rest).rev().find(|&i| motions[i] == Motion::Turning && steady(rec, witness, &levels[i]));
    match turning {
        Some(i) => Told::Between(Bracket { below: levels[rest].duty_pct, at: levels[i].duty_pct }),
        None => Told::AtFirst(levels[0].duty_pct),
    }
}

/// Where the output came on in a rising staircase.
pub(crate) fn output_on(rec: &Recording, levels: &[Level]) -> Told {
    let on: Vec<Option<bool>> = levels.iter().map(|l| level::output_on(rec, l.t0_s, l.t1_s)).collect();
    if on.iter().all(Option::is_none) {
        return Told::Nothing;
    }
    let (Some(first), Some(last)) = (levels.iter().find(|l| l.duty_pct > 0.0), levels.last()) else {
        return Told::Nothing;
    };
    let Some(off) = on.iter().rposition(|on| *on == Some(false)) else { return Told::AtFirst(first.duty_pct) };
    match levels.get(off + 1) {
        Some(next) if next.duty_pct > first.duty_pct => {
            Told::Between(Bracket { below: levels[off].duty_pct, at: next.duty_pct })
        }
        Some(_) => Told::AtFirst(first.duty_pct),
        None => Told::Never(last.duty_pct),
    }
}

/// Where the output went off in a falling staircase.
pub(crate) fn output_off(rec: &Recording, levels: &[Level]) -> Told {
    let on: Vec<Option<bool>> = levels.iter().map(|l| level::output_on(rec, l.t0_s, l.t1_s)).collect();
    let Some(off) = on.iter().position(|on| *on == Some(false)) else {
        return levels.last().filter(|_| on.contains(&Some(true))).map_or(Told::Nothing, |l| Told::Never(l.duty_pct));
    };
    match off.checked_sub(1) {
        Some(before) => Told::Between(Bracket { below: levels[off].duty_pct, at: levels[before].duty_pct }),
        None => Told::AtFirst(levels[0].duty_pct),
    }
}

/// A kick start: the output overshoots its settled level right after it comes on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Kick {
    /// Output during the kick, volts.
    pub(crate) output_v: f64,
    /// Duration, seconds.
    pub(crate) time_s: f64,
}

/// Looks for a kick of 0.1 to 1.5 s in the level at which the output came on.
pub(crate) fn kick(rec: &Recording, levels: &[Level]) -> Option<Kick> {
    const BIN_S: f64 = 0.02;
    let on = levels.iter().find(|l| level::output_on(rec, l.t0_s, l.t1_s) == Some(true))?;
    let settled = level::settled(rec, Channel::OutputV, on.t0_s, on.t1_s)?;
    let supply = level::supply_v(rec, on.t0_s, on.t1_s)?;
    let above = settled.value + (0.3 * settled.value).max(0.02 * supply);
    let (mut bins, mut sum, mut t_s) = (0_u32, 0.0, on.t0_s);
    while t_s + BIN_S <= on.t1_s.min(on.t0_s + 3.0) {
        if let Some(output) = level::reading(rec, Channel::OutputV, t_s, t_s + BIN_S).filter(|o| o.value > above) {
            bins += 1;
            sum += output.value;
        } else if bins > 0 {
            break;
        }
        t_s += BIN_S;
    }
    let time_s = f64::from(bins) * BIN_S;
    (0.1..=1.5).contains(&time_s).then(|| Kick { output_v: sum / f64::from(bins), time_s })
}

/// When motion began.
enum Onset {
    At { earliest_s: f64, latest_s: f64 },
    Always,
    Never,
    Unknown,
}

fn onset(rec: &Recording, witness: Witness, from_s: f64, to_s: f64, coarse: bool) -> Onset {
    match witness {
        Witness::Column { floor_rpm } => column_onset(rec, floor_rpm, from_s, to_s, coarse),
        Witness::Tach => tach_onset(rec.tach_in(from_s, to_s).unwrap_or(&[]), from_s, to_s),
        Witness::Kernel => kernel_onset(rec, witness, from_s, to_s),
    }
}

/// First reading above the floor after the last one at rest, so that a spin-up left over from before does not count.
fn column_onset(rec: &Recording, floor_rpm: f64, from_s: f64, to_s: f64, coarse: bool) -> Onset {
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

/// Breakaway dated back from the first three edges, taken as uniform acceleration from rest.
///
/// Two edge intervals give two speeds at their middles, hence an acceleration and the time at which the speed was
/// zero. It lies before the first edge and after the last moment at rest.
fn tach_onset(edges: &[f64], from_s: f64, to_s: f64) -> Onset {
    // Edges followed by a long silence are a spin-up left over or a shake, not this start.
    let quiet_s = 2.0;
    let Some(last) = edges.last().filter(|last| to_s - **last < quiet_s) else { return Onset::Never };
    let first = edges.windows(2).rposition(|pair| pair[1] - pair[0] > quiet_s).map_or(0, |i| i + 1);
    let run = &edges[first..];
    if run.len() < 3 {
        return if *last - from_s < quiet_s {
            Onset::Unknown
        } else {
            Onset::At { earliest_s: *last - quiet_s, latest_s: *last }
        };
    }
    if first == 0 && run[0] - from_s < 0.05 {
        return Onset::Always;
    }
    let (a, b) = (run[1] - run[0], run[2] - run[1]);
    let (speed_a, speed_b) = (1.0 / a, 1.0 / b);
    let acceleration = (speed_b - speed_a) / (0.5 * (a + b));
    let rest_s = if acceleration > 0.0 { run[0] + 0.5 * a - speed_a / acceleration } else { run[0] };
    let began_s = rest_s.clamp((run[0] - quiet_s).max(from_s), run[0]);
    // The guess is good to a part of what was dated back.
    let doubt_s = 0.3 * (run[0] - began_s);
    Onset::At { earliest_s: began_s - doubt_s, latest_s: (began_s + doubt_s).min(run[0]) }
}

/// First window in which the kernel sees turning, and again in the next.
fn kernel_onset(rec: &Recording, witness: Witness, from_s: f64, to_s: f64) -> Onset {
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
        (true, Some(latest_s)) => Onset::At { earliest_s: latest_s - KERNEL_LAG_S, latest_s },
        (false, Some(_)) => Onset::Always,
        (true, None) => Onset::Never,
        (false, None) => Onset::Unknown,
    }
}

/// Index of the level that contains `t_s`.
fn index_at(levels: &[Level], t_s: f64) -> usize {
    levels.partition_point(|l| l.t0_s <= t_s).saturating_sub(1)
}

/// Whether a level holds more than a few speed readings, so that times inside it mean something.
fn dense(rec: &Recording, level: Level) -> bool {
    rec.channels.get(&Channel::SpeedRpm).is_none_or(|series| series.samples(level.t0_s, level.t1_s).nth(5).is_some())
}

/// Whether the output had stopped changing at the end of a level (true when it was not recorded).
fn output_settled(rec: &Recording, level: &Level) -> bool {
    let end_s = level.t1_s;
    let window_s = (0.2 * (end_s - level.t0_s)).clamp(0.01, 0.3);
    let part =
        |back: f64| level::reading(rec, Channel::OutputV, end_s - back * window_s, end_s - (back - 1.0) * window_s);
    let (Some(late), Some(early)) = (part(1.0), part(2.0)) else { return true };
    let supply = level::supply_v(rec, level.t0_s, end_s).unwrap_or(12.0);
    (late.value - early.value).abs() <= (0.005 * supply).max(3.0 * late.u.hypot(early.u))
}

/// Whether the speed at the end of a level no longer falls; true when too little was recorded to tell.
fn steady(rec: &Recording, witness: Witness, level: &Level) -> bool {
    let half_s = 0.5 * (level.t1_s - level.t0_s).min(1.0);
    if witness != Witness::Tach && !dense(rec, *level) {
        return true;
    }
    let part = |from: f64, to: f64| match witness {
        Witness::Column { .. } => level::reading(rec, Channel::SpeedRpm, from, to).map(|r| r.value.abs()),
        _ => crate::analysis::speed::mean_speed(rec, from, to).map(|r| r.rpm),
    };
    let middle_s = level.t1_s - half_s;
    match (part(middle_s - half_s, middle_s), part(middle_s, level.t1_s)) {
        (Some(early), Some(late)) => late > 0.95 * early,
        _ => true,
    }
}
