//! Spans for a bare trace: what a person would recognise in its command column.
//!
//! A step from off, a staircase up or down, a staircase of frequencies, a constant stretch, the command taken away, the
//! line released or held, the supply coming. A trace may have thousands of rows per level or a single settled one.

use crate::analysis::constant;
use crate::analysis::level::{self, Level, Witness};
use crate::analysis::signal::stats;
use crate::analysis::speed::Motion;
use crate::bench::{Channel, Line, Supply};
use crate::record::event::{Loss, SpanKind};
use crate::record::recording::{Recording, Span};
use crate::results::Direction;

/// Pre-roll before a step, as on a bench, seconds.
const PRE_S: f64 = 0.3;
/// Pre-roll before a loss, seconds.
const LOSS_PRE_S: f64 = 0.5;
/// Shortest constant stretch outside a staircase that is worth a span, seconds.
const HOLD_S: f64 = 0.5;
/// Shortest time off in which a module may fall asleep, seconds.
const SLEEP_S: f64 = 20.0;
/// Levels from which a monotone run is a staircase.
const STAIRS: usize = 4;

/// Adds the spans that the command over time shows, in order of their begin; of a trace without a command, one hold
/// over its constant part. Spans already there are kept.
pub fn add_spans(rec: &mut Recording) {
    commands_before_their_rows(rec);
    let mut spans = if rec.settings.is_empty() { bare(rec) } else { commanded(rec) };
    rec.spans.append(&mut spans);
    rec.spans.sort_by(|a, b| a.t0_s.total_cmp(&b.t0_s));
}

/// Moves the commands of a sparse trace a part of a row earlier, so that each row's samples lie on its own level.
///
/// Samples are laid on an even grid and may come a little before the time of their row; with one row per level they
/// would count for the level before. When the command changed between two rows nobody knows anyway.
fn commands_before_their_rows(rec: &mut Recording) {
    let spacing_s = rec.channels.values().flat_map(|s| s.chunks()).map(|chunk| chunk.dt_s).reduce(f64::max);
    let gaps: Vec<f64> = rec.settings.windows(2).map(|pair| pair[1].0 - pair[0].0).collect();
    if let (Some(spacing_s), Some(gap_s)) = (spacing_s, stats::median(&gaps))
        && gap_s < 4.0 * spacing_s
    {
        for (t_s, _) in &mut rec.settings {
            *t_s -= 0.4 * spacing_s.min(gap_s);
        }
    }
}

fn span(kind: SpanKind, t0_s: f64, t1_s: f64) -> Span {
    Span { kind, stage: String::new(), t0_s, t1_s, complete: Ok(()) }
}

/// One hold over the constant part.
fn bare(rec: &Recording) -> Vec<Span> {
    constant::part(rec).map(|(t0_s, t1_s)| span(SpanKind::Hold, t0_s, t1_s)).into_iter().collect()
}

fn commanded(rec: &Recording) -> Vec<Span> {
    let from_s = rec.settings.first().map_or(0.0, |(t_s, _)| *t_s);
    let levels = level::levels(rec, from_s, rec.end_s);
    let mut spans = Vec::new();
    spans.extend(lost(&levels));
    if rec.line_told {
        spans.extend(edgeless(&levels));
    }
    spans.extend(power_up(&levels));
    spans.extend(frequencies(&levels));
    let taken = stairs(rec, &levels, &mut spans);
    steps(rec, &levels, &taken, &mut spans);
    spans
}

/// Line released or held: from driven with a duty, a loss; else what an open line does.
fn lost(levels: &[Level]) -> Vec<Span> {
    let mut spans = Vec::new();
    for (i, level) in levels.iter().enumerate() {
        let on = level.setting.supply == Supply::On;
        let Some(loss) = loss_of(level.setting.line).filter(|_| on) else { continue };
        match i.checked_sub(1).map(|before| &levels[before]) {
            Some(before) if before.duty_pct > 0.0 => {
                let t0_s = (level.t0_s - LOSS_PRE_S).max(before.t0_s);
                spans.push(span(SpanKind::Loss { loss }, t0_s, level.t1_s));
            }
            Some(before) if before.setting.line == level.setting.line && before.setting.supply == Supply::On => {}
            _ if loss == Loss::Open => spans.push(span(SpanKind::OpenLine, level.t0_s, level.t1_s)),
            _ => {}
        }
    }
    spans
}

/// The command going from a duty with edges to one without while the line is driven: 0 % or 100 %, which a module may
/// take for a broken wire.
fn edgeless(levels: &[Level]) -> Vec<Span> {
    let driven = |l: &Level| l.setting.supply == Supply::On && l.setting.line == Line::Pwm;
    let has_edges = |l: &Level| l.duty_pct > 0.0 && l.duty_pct < 100.0;
    levels
        .windows(2)
        .filter(|pair| driven(&pair[0]) && driven(&pair[1]) && has_edges(&pair[0]) && !has_edges(&pair[1]))
        .map(|pair| {
            let loss = if pair[1].duty_pct > 0.0 { Loss::Full } else { Loss::Zero };
            span(SpanKind::Loss { loss }, (pair[1].t0_s - LOSS_PRE_S).max(pair[0].t0_s), pair[1].t1_s)
        })
        .collect()
}

const fn loss_of(line: Line) -> Option<Loss> {
    match line {
        Line::Pwm => None,
        Line::Open => Some(Loss::Open),
        Line::Low => Some(Loss::HeldLow),
        Line::High => Some(Loss::HeldHigh),
    }
}

/// Supply comes while a duty is commanded.
fn power_up(levels: &[Level]) -> Vec<Span> {
    let came = |pair: &&[Level]| pair[0].setting.supply == Supply::Off && pair[1].duty_pct > 0.0;
    levels
        .windows(2)
        .filter(came)
        .map(|pair| span(SpanKind::PowerUp, (pair[1].t0_s - PRE_S).max(pair[0].t0_s), pair[1].t1_s))
        .collect()
}

/// Runs of one duty at several frequencies.
fn frequencies(levels: &[Level]) -> Vec<Span> {
    levels
        .chunk_by(|a, b| a.duty_pct > 0.0 && a.duty_pct == b.duty_pct && a.setting.frequency != b.setting.frequency)
        .filter(|run| run.len() > 1)
        .flat_map(|run| run.iter().map(|level| span(SpanKind::Follow, level.t0_s, level.t1_s)))
        .collect()
}

/// Staircases with their points; returns which levels they took.
fn stairs(rec: &Recording, levels: &[Level], spans: &mut Vec<Span>) -> Vec<bool> {
    let mut taken = vec![false; levels.len()];
    for direction in [Direction::Up, Direction::Down] {
        let goes = |a: &Level, b: &Level| match direction {
            Direction::Up => b.duty_pct > a.duty_pct,
            Direction::Down => b.duty_pct < a.duty_pct,
        };
        let driven = |l: &Level| l.setting.supply == Supply::On && l.setting.line == Line::Pwm;
        let mut from = 0;
        for run in levels.chunk_by(|a, b| goes(a, b) && driven(a) && driven(b)) {
            let range = from..from + run.len();
            from = range.end;
            if run.len() < STAIRS {
                continue;
            }
            taken[range].fill(true);
            let (t0_s, t1_s) = (run[0].t0_s, run[run.len() - 1].t1_s);
            match direction {
                Direction::Up if from_rest(rec, &run[0]) => spans.push(span(SpanKind::Ascend, t0_s, t1_s)),
                Direction::Up => {}
                Direction::Down => spans.push(span(SpanKind::Descend, t0_s, t1_s)),
            }
        }
    }
    points(levels, &taken, spans);
    taken
}

/// One point for every level of a staircase, whose direction is that from the level before.
fn points(levels: &[Level], taken: &[bool], spans: &mut Vec<Span>) {
    for (i, level) in levels.iter().enumerate().filter(|(i, level)| taken[*i] && level.duty_pct > 0.0) {
        let next_rises = || levels.get(i + 1).is_none_or(|next| next.duty_pct > level.duty_pct);
        let up = i.checked_sub(1).map_or_else(next_rises, |before| levels[before].duty_pct < level.duty_pct);
        let direction = if up { Direction::Up } else { Direction::Down };
        spans.push(span(SpanKind::Point { direction }, level.t0_s, level.t1_s));
    }
}

/// Whether a rising staircase begins at standstill: nothing commanded, or seen at rest.
fn from_rest(rec: &Recording, first: &Level) -> bool {
    first.duty_pct == 0.0
        || Witness::of(rec).is_some_and(|witness| witness.motion(rec, first.t0_s, first.t1_s) == Motion::Rest)
}

/// Single steps and constant stretches outside staircases.
fn steps(rec: &Recording, levels: &[Level], taken: &[bool], spans: &mut Vec<Span>) {
    for (i, level) in levels.iter().enumerate() {
        let before = i.checked_sub(1).map(|b| &levels[b]);
        let ready = level.setting.supply == Supply::On && level.setting.line == Line::Pwm;
        if !ready || taken[i] {
            continue;
        }
        let came = before.is_some_and(|b| b.setting.supply == Supply::Off);
        match before {
            Some(off) if off.duty_pct == 0.0 && off.setting.line == Line::Pwm && level.duty_pct > 0.0 && !came => {
                spans.push(span(SpanKind::Start, (level.t0_s - PRE_S).max(off.t0_s), level.t1_s));
            }
            Some(on) if on.duty_pct > 0.0 && level.duty_pct == 0.0 => {
                spans.push(span(SpanKind::Stop, (level.t0_s - PRE_S).max(on.t0_s), level.t1_s));
                if falls_asleep(rec, level) {
                    spans.push(span(SpanKind::Sleep, level.t0_s, level.t1_s));
                }
            }
            _ => {}
        }
        if level.duty_pct > 0.0 && level.t1_s - level.t0_s >= HOLD_S {
            let up = before.is_none_or(|b| b.duty_pct <= level.duty_pct);
            let direction = if up { Direction::Up } else { Direction::Down };
            spans.push(span(SpanKind::Point { direction }, level.t0_s, level.t1_s));
            spans.push(span(SpanKind::Hold, level.t0_s, level.t1_s));
        }
    }
}

/// Whether the current at the end of a long time off is well under that at its middle or begin.
fn falls_asleep(rec: &Recording, off: &Level) -> bool {
    if off.t1_s - off.t0_s < SLEEP_S {
        return false;
    }
    let part = |from: f64, to: f64| level::reading(rec, Channel::SupplyA, from, to).map(|a| a.value.abs());
    // The run-down is over after the first tenth at the latest.
    let length_s = off.t1_s - off.t0_s;
    let early = part(off.t0_s + 0.02 * length_s, off.t0_s + 0.1 * length_s);
    let late = part(off.t1_s - 0.05 * length_s, off.t1_s);
    early.zip(late).is_some_and(|(early, late)| late < 0.5 * early)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::synthetic::{Bench, at};
    use crate::bench::Setting;
    use crate::units::Hertz;

    fn kinds(bench: Bench) -> Vec<(SpanKind, f64, f64)> {
        let mut rec = bench.rec;
        add_spans(&mut rec);
        rec.spans.into_iter().map(|s| (s.kind, s.t0_s, s.t1_s)).collect()
    }

    fn level(bench: &mut Bench, setting: Setting, seconds: f64, rpm: f64) {
        bench.set(setting);
        bench.run(seconds, &[(Channel::SpeedRpm, &|_| rpm, 0.1)]);
    }

    #[test]
    fn a_step_from_off_and_the_command_taken_away() {
        let mut bench = Bench::new(1);
        level(&mut bench, at(0.0), 1.0, 0.0);
        level(&mut bench, at(85.0), 5.0, 2_000.0);
        level(&mut bench, at(0.0), 4.0, 0.0);
        let found = kinds(bench);
        assert!(found.contains(&(SpanKind::Start, 0.7, 6.0)), "{found:?}");
        assert!(found.contains(&(SpanKind::Stop, 5.7, 10.0)), "{found:?}");
        assert!(found.contains(&(SpanKind::Hold, 1.0, 6.0)), "{found:?}");
        assert!(!found.iter().any(|(kind, ..)| *kind == SpanKind::Sleep));
    }

    #[test]
    fn staircases_up_and_down_become_trials_and_points() {
        let mut bench = Bench::new(2);
        for duty in [0.0, 10.0, 20.0, 30.0, 40.0, 30.0, 20.0, 10.0] {
            level(&mut bench, at(duty), 2.0, if duty > 15.0 { 30.0 * duty } else { 0.0 });
        }
        let found = kinds(bench);
        assert!(found.contains(&(SpanKind::Ascend, 0.0, 10.0)), "{found:?}");
        assert!(found.contains(&(SpanKind::Descend, 8.0, 16.0)), "{found:?}");
        let points = |direction| found.iter().filter(|(k, ..)| *k == SpanKind::Point { direction }).count();
        assert_eq!((points(Direction::Up), points(Direction::Down)), (4, 3));
        assert!(!found.iter().any(|(k, ..)| *k == SpanKind::Start || *k == SpanKind::Hold));
    }

    #[test]
    fn a_staircase_of_frequencies_a_released_line_and_a_late_supply() {
        let mut bench = Bench::new(3);
        level(&mut bench, Setting { supply: Supply::Off, ..at(50.0) }, 1.0, 0.0);
        for hz in [100.0, 50.0, 20.0] {
            level(&mut bench, Setting { frequency: Hertz(hz), ..at(50.0) }, 2.0, 900.0);
        }
        level(&mut bench, Setting { line: Line::Open, ..at(50.0) }, 3.0, 2_000.0);
        let found = kinds(bench);
        assert_eq!(found.iter().filter(|(k, ..)| *k == SpanKind::Follow).count(), 3, "{found:?}");
        assert!(found.contains(&(SpanKind::Loss { loss: Loss::Open }, 6.5, 10.0)), "{found:?}");
        assert!(found.contains(&(SpanKind::PowerUp, 0.7, 3.0)), "{found:?}");
    }

    #[test]
    fn a_command_without_edges_is_a_loss_where_the_line_is_known_to_be_driven() {
        let mut bench = Bench::new(5);
        for (duty, rpm) in [(60.0, 1_500.0), (100.0, 2_400.0), (60.0, 1_500.0), (0.0, 0.0)] {
            level(&mut bench, at(duty), 3.0, rpm);
        }
        let losses = |line_told| {
            let mut rec = bench.rec.clone();
            rec.line_told = line_told;
            add_spans(&mut rec);
            let kinds = rec.spans.into_iter().map(|s| (s.kind, s.t0_s, s.t1_s));
            kinds.filter(|(kind, ..)| matches!(kind, SpanKind::Loss { .. })).collect::<Vec<_>>()
        };
        let full = (SpanKind::Loss { loss: Loss::Full }, 2.5, 6.0);
        assert_eq!(losses(true), [full, (SpanKind::Loss { loss: Loss::Zero }, 8.5, 12.0)]);
        assert_eq!(losses(false), []);
    }

    #[test]
    fn without_a_command_the_constant_part_is_a_hold() {
        let mut bench = Bench::new(4);
        bench.run(2.0, &[(Channel::SpeedRpm, &|t| 500.0 * t, 1.0)]);
        bench.run(8.0, &[(Channel::SpeedRpm, &|_| 1_000.0, 1.0)]);
        let found = kinds(bench);
        assert_eq!(found.len(), 1);
        assert!(found[0].0 == SpanKind::Hold && (1.8..2.6).contains(&found[0].1) && found[0].2 > 9.5, "{found:?}");
    }
}
