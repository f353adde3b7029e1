//! One trial of a threshold: where in a rising or falling staircase the fan began or ceased to turn and the output
//! came on or went off, as brackets between neighbouring duties.

use crate::analysis::level::{self, Level, Reading, Witness};
use crate::analysis::onset::{self, Onset};
use crate::analysis::speed::Motion;
use crate::analysis::threshold_fit::Bracket;
use crate::analysis::zero;
use crate::bench::Channel;
use crate::record::recording::{Recording, Span};

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
    let levels = up_to_top(levels);
    let (Some(first), Some(last)) = (levels.iter().find(|l| l.duty_pct > 0.0), levels.last()) else {
        return Told::Nothing;
    };
    let (earliest_s, latest_s) = match onset::find(rec, witness, levels, coarse) {
        Onset::At { earliest_s, latest_s } => (earliest_s, latest_s),
        Onset::Always => return Told::AtFirst(levels[0].duty_pct),
        Onset::Never => return Told::Never(last.duty_pct),
        Onset::Unknown => return Told::Nothing,
    };
    // With the output off nothing can start, however far back the onset is dated.
    let off = |l: &Level| level::output_above_zero(rec, l.t0_s, l.t1_s) == Some(false);
    let last_off = levels.iter().rposition(off);
    let on = last_off.map_or(0, |i| i + 1).min(levels.len() - 1);
    let at = index_at(levels, latest_s).max(on);
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
    below = below.max(last_off.filter(|off| *off < at).unwrap_or(0));
    Told::Between(Bracket { below: levels[below].duty_pct, at: levels[at].duty_pct })
}

/// Where the fan stopped in a falling staircase: under the lowest duty at which it turned steadily, at or above the
/// highest at which it came to rest.
pub(crate) fn stop(rec: &Recording, witness: Witness, levels: &[Level]) -> Told {
    if witness == Witness::Kernel {
        return stop_by_current(rec, witness, levels);
    }
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

/// The same without tach or speed: a fan that turns slowly shows no ripple, but its current falls from step to step, and
/// rises as the rotor is caught and makes no voltage of its own any more.
///
/// That it turned before is told by ripple, by that rise, or by its voltage while it coasts with the output off.
fn stop_by_current(rec: &Recording, witness: Witness, levels: &[Level]) -> Told {
    let Some(last) = levels.last() else { return Told::Nothing };
    let ripples = |level: &Level| witness.motion(rec, level.t0_s, level.t1_s) == Motion::Turning;
    let seen = levels.iter().rposition(ripples);
    let tail = |level: &Level| {
        let from_s = (level.t1_s - SOON_S).max(f64::midpoint(level.t0_s, level.t1_s));
        current_in(rec, from_s, level.t1_s)
    };
    let mut turns = seen.unwrap_or(0);
    for at in turns + 1..levels.len() {
        let (before, now) = (&levels[at - 1], &levels[at]);
        let caught = tail(before).zip(tail(now)).is_some_and(|(before, now)| {
            now.value - before.value > (CAUGHT * before.value).max(5.0 * before.u.hypot(now.u))
        });
        let off = level::output_on(rec, now.t0_s, now.t1_s) == Some(false);
        if caught {
            // What had begun before the step is not its doing.
            if rises_at_once(rec, before, now) && turns == at - 1 {
                turns = turns.saturating_sub(1);
            }
        } else if off {
            if seen.is_none() && !coasts(rec, now, tail(before).map_or(0.0, |before| before.value)) {
                return Told::Nothing;
            }
        } else {
            turns = if current_steady(rec, now) { at } else { turns };
            continue;
        }
        return Told::Between(Bracket { below: now.duty_pct, at: levels[turns].duty_pct });
    }
    if seen.is_some() { Told::Never(last.duty_pct) } else { Told::Nothing }
}

/// Share by which the current of a caught rotor lies above that of one turning slowly.
const CAUGHT: f64 = 0.1;
/// Window in which the current is read just before a step, seconds.
const SOON_S: f64 = 0.3;

/// Mean current with the noise alone: what its zero is uncertain by cancels in the differences.
fn current_in(rec: &Recording, from_s: f64, to_s: f64) -> Option<Reading> {
    zero::level(rec, level::current(rec)?, from_s, to_s).map(|found| Reading { value: found.value, u: found.u_noise })
}

/// Whether a level in which the output went off shows the voltage of a fan that coasts: there is hardly any of the
/// current `before_a` any more, but voltage.
fn coasts(rec: &Recording, level: &Level, before_a: f64) -> bool {
    const CELL_S: f64 = 0.05;
    const OFF_SHARE: f64 = 0.3;
    const COASTS_V: f64 = 0.15;
    let cells = |channel| zero::cells(rec, channel, level.t0_s, level.t1_s, CELL_S);
    let Some(current) = level::current(rec) else { return false };
    let undriven: Vec<f64> =
        cells(current).into_iter().filter(|(_, amps)| *amps < OFF_SHARE * before_a).map(|(t_s, _)| t_s).collect();
    let volts = cells(Channel::OutputV);
    undriven.iter().filter(|t_s| volts.iter().any(|(at_s, v)| (at_s - *t_s).abs() < 1e-6 && *v > COASTS_V)).count() >= 2
}

/// Whether the current right after the step from `before` to `now` lies above what it was long before the step.
fn rises_at_once(rec: &Recording, before: &Level, now: &Level) -> bool {
    let part = |from_s: f64, to_s: f64| current_in(rec, from_s, to_s);
    let middle_s = f64::midpoint(before.t0_s, before.t1_s);
    let early = part((middle_s - SOON_S).max(before.t0_s), middle_s);
    early
        .zip(part(now.t0_s - SOON_S, now.t0_s))
        .is_some_and(|(early, late)| late.value - early.value > (CAUGHT * early.value).max(5.0 * early.u.hypot(late.u)))
}

/// Whether the current no longer changed at the end of a level.
fn current_steady(rec: &Recording, level: &Level) -> bool {
    let half_s = 0.5 * (level.t1_s - level.t0_s).min(1.0);
    let part = |from_s: f64| current_in(rec, from_s, from_s + half_s);
    let (Some(early), Some(late)) = (part(level.t1_s - 2.0 * half_s), part(level.t1_s - half_s)) else { return true };
    (late.value - early.value).abs() < (0.03 * early.value).max(3.0 * early.u.hypot(late.u))
}

/// Where the output came on in a rising staircase.
pub(crate) fn output_on(rec: &Recording, levels: &[Level]) -> Told {
    let levels = up_to_top(levels);
    let on: Vec<Option<bool>> = levels.iter().map(|l| level::output_above_zero(rec, l.t0_s, l.t1_s)).collect();
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

/// What looks around the output's thresholds told of the rising and of the falling one, fan at rest throughout.
///
/// A level tells by the state that it was come to from: the first of them is off.
pub(crate) fn dead_band(rec: &Recording, levels: &[Level]) -> (Option<Bracket>, Option<Bracket>) {
    const OPEN: Bracket = Bracket { below: f64::NEG_INFINITY, at: f64::INFINITY };
    let (mut rising, mut falling) = (OPEN, OPEN);
    let mut was_on = false;
    for level in levels {
        let Some(on) = level::output_above_zero(rec, level.t0_s, level.t1_s) else { continue };
        match (was_on, on) {
            (false, false) => rising.below = rising.below.max(level.duty_pct),
            (false, true) => rising.at = rising.at.min(level.duty_pct),
            (true, true) => falling.at = falling.at.min(level.duty_pct),
            (true, false) => falling.below = falling.below.max(level.duty_pct),
        }
        was_on = on;
    }
    let kept = |bracket: Bracket| (bracket.width().is_some() && bracket.below < bracket.at).then_some(bracket);
    (kept(rising), kept(falling))
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
///
/// The output that the duty asks for is that at the end of the level, when it lasted long enough, else
/// `expected_v(duty_pct)`.
pub(crate) fn kick(rec: &Recording, levels: &[Level], expected_v: impl Fn(f64) -> Option<f64>) -> Option<Kick> {
    const BIN_S: f64 = 0.02;
    const LONG_S: f64 = 2.0;
    let on = levels.iter().find(|l| level::output_above_zero(rec, l.t0_s, l.t1_s) == Some(true))?;
    let settled = || level::settled(rec, Channel::OutputV, on.t0_s, on.t1_s).map(|r| r.value);
    let asked = if on.t1_s - on.t0_s >= LONG_S { settled() } else { expected_v(on.duty_pct) }?;
    let supply = level::supply_v(rec, on.t0_s, on.t1_s)?;
    let above = asked + (0.5 * asked).max(0.02 * supply);
    let (mut bins, mut sum, mut t_s) = (0_u32, 0.0, on.t0_s);
    // What was begun is followed past the end of the trial.
    while t_s + BIN_S <= on.t0_s + 3.0 {
        if let Some(output) = level::reading(rec, Channel::OutputV, t_s, t_s + BIN_S).filter(|o| o.value > above) {
            bins += 1;
            sum += output.value;
        } else if bins > 0 || t_s > on.t1_s {
            break;
        }
        t_s += BIN_S;
    }
    let time_s = f64::from(bins) * BIN_S;
    (0.1..=1.5).contains(&time_s).then(|| Kick { output_v: sum / f64::from(bins), time_s })
}

/// The staircase without what follows its last highest level: a way back to off is no part of the trial.
fn up_to_top(levels: &[Level]) -> &[Level] {
    let top = levels.iter().map(|l| l.duty_pct).fold(0.0, f64::max);
    let end = levels.iter().rposition(|l| l.duty_pct >= top).map_or(0, |i| i + 1);
    &levels[..end]
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::synthetic::{Bench, at};

    /// A fall from 12 % in steps of a percent; the output goes off under 8 %. Values over the duty while the fan turns and,
    /// from `caught_pct` down, while it stands.
    fn fall(caught_pct: f64) -> (Bench, Vec<Level>) {
        let mut bench = Bench::new(71);
        for duty in [12.0, 11.0, 10.0, 9.0, 8.0, 7.0] {
            bench.set(at(duty));
            let (on, turns) = (duty >= 8.0, duty > caught_pct);
            let amps = move |t: f64| match (on, turns) {
                (true, true) => 0.03 * duty,
                (true, false) => 0.042 * duty - 0.012 * duty * (-t / 0.1).exp(),
                (false, _) => 0.01,
            };
            let volts = move |t: f64| match (on, turns) {
                (true, _) => 0.12 * duty,
                (false, true) => {
                    if t < 0.6 {
                        0.8 - t
                    } else {
                        0.0
                    }
                }
                (false, false) => 0.0,
            };
            bench.run(1.5, &[(Channel::SupplyA, &amps, 2e-4), (Channel::OutputV, &volts, 0.005)]);
        }
        let levels = level::levels(&bench.rec, 0.0, bench.t_s);
        (bench, levels)
    }

    #[test]
    fn the_current_of_a_caught_rotor_rises_and_tells_the_stop() {
        let (bench, levels) = fall(9.5);
        let Told::Between(bracket) = stop(&bench.rec, Witness::Kernel, &levels) else { panic!("it stops") };
        assert!((bracket.below - 9.0).abs() < 1e-9 && (bracket.at - 10.0).abs() < 1e-9, "{bracket:?}");
    }

    #[test]
    fn a_fan_that_turns_until_the_output_goes_off_stops_there_and_one_that_stood_tells_nothing() {
        let (bench, levels) = fall(0.0);
        let Told::Between(bracket) = stop(&bench.rec, Witness::Kernel, &levels) else { panic!("it stops") };
        assert!((bracket.below - 7.0).abs() < 1e-9 && (bracket.at - 8.0).abs() < 1e-9, "{bracket:?}");
        let (bench, levels) = fall(20.0);
        assert_eq!(stop(&bench.rec, Witness::Kernel, &levels), Told::Nothing);
    }
}
