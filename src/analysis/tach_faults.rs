//! What a tach gets wrong over a run (edges that are missing, come twice, bounce, or stop at full speed), told in words; and
//! how many pulses make a turn, where the rig does not say and another source of speed does.

use crate::analysis::signal::{stats, tach};
use crate::analysis::speed;
use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::Recording;
use crate::units::significant;

/// The end of a constant stretch that is looked at, seconds, and how many stretches.
const WINDOW_S: f64 = 2.0;
const WINDOWS: usize = 60;
/// Faults are told from so many edges on that are wrong, and from this share of all.
const LEAST: usize = 3;
const SHARE: f64 = 1e-3;
/// A fan that draws this turns, or is stalled; amperes.
const DRIVEN_A: f64 = 1.0;
/// Stretches that must agree on the pulses per turn, within this share of a whole number, and the most that tachs have.
const AGREEING: usize = 3;
const WHOLE: f64 = 0.02;
const MOST_PULSES: f64 = 60.0;

/// What is wrong with the tach of this run, in words.
pub(crate) fn faults(rec: &Recording) -> Vec<String> {
    let windows = constant_ends(rec);
    let mut seen = Counted::default();
    for &(from_s, to_s) in &windows {
        if let Some(edges) = rec.tach_in(from_s, to_s).filter(|edges| edges.len() >= 8) {
            let clean = tach::clean(edges);
            seen.edges += clean.times_s.len() + clean.missing;
            seen.missing += clean.missing;
            seen.doubled += clean.doubled;
            seen.bounced += clean.bounced;
        }
    }
    let mut said = Vec::new();
    for (count, what) in [
        (
            seen.missing,
            "tach: {} of its edges are missing; the speed counts them, check the gap and the pull-up of the pickup",
        ),
        (
            seen.doubled,
            "tach: {} of its edges come with a second one halfway; the speed leaves those out, check for a second mark or pickup",
        ),
        (
            seen.bounced,
            "tach: {} of its edges bounce; the speed leaves the echoes out, check the pickup's filter and screen",
        ),
    ] {
        if count >= LEAST && count as f64 > SHARE * seen.edges as f64 {
            let share = format!("{} %", significant(100.0 * count as f64 / seen.edges as f64, 2));
            said.push(what.replace("{}", &share));
        }
    }
    let silent = windows.iter().find(|(from_s, to_s)| {
        let driven = |amps: Option<f64>| amps.is_some_and(|amps| amps > DRIVEN_A);
        driven(rec.mean(Channel::SupplyA, *from_s, *to_s)) && speed::tach_died(rec, *to_s)
    });
    said.extend(silent.map(|(_, to_s)| {
        format!("tach: silent at {to_s:.0} s though it stopped at full speed and the fan draws current; no speed is taken from it there")
    }));
    said
}

#[derive(Default)]
struct Counted {
    edges: usize,
    missing: usize,
    doubled: usize,
    bounced: usize,
}

/// Ends of the stretches in which the speed is constant, in order; spread over the run where there are many.
fn constant_ends(rec: &Recording) -> Vec<(f64, f64)> {
    let constant =
        |kind: &SpanKind| matches!(kind, SpanKind::Point { .. } | SpanKind::FlatOut | SpanKind::Soak | SpanKind::Hold);
    let all: Vec<(f64, f64)> = rec
        .spans_where(constant)
        .map(|span| (span.t1_s - WINDOW_S.min(0.5 * (span.t1_s - span.t0_s)), span.t1_s))
        .collect();
    let step = all.len().div_ceil(WINDOWS).max(1);
    all.into_iter().step_by(step).collect()
}

/// Pulses per turn of a tach whose rig does not tell, from stretches at which a logger or the commutation ripple gives the
/// speed as well; `None` where that is not so, or where they agree on no whole number.
pub(crate) fn pulses_per_rev(rec: &Recording) -> Option<f64> {
    if rec.header.bench.pulses_per_rev.is_some() || rec.tach_s.is_none() {
        return None;
    }
    let ratios: Vec<f64> = constant_ends(rec)
        .into_iter()
        .filter_map(|(from_s, to_s)| {
            // One pulse per turn: the "speed" is then the number of edges a minute.
            let edges_per_min = tach::mean(rec.tach_in(from_s, to_s)?, 1.0)?.rpm;
            // Without the pulses the tach gives no speed: this is another source's.
            let other = speed::mean_speed(rec, from_s, to_s).filter(|other| other.rpm > 20.0 * other.u_rpm)?;
            Some(edges_per_min / other.rpm)
        })
        .collect();
    let pulses = stats::median(&ratios)?.round();
    let agree = ratios.iter().filter(|ratio| (*ratio / pulses - 1.0).abs() < WHOLE).count();
    let whole = (1.0..=MOST_PULSES).contains(&pulses);
    (whole && agree >= AGREEING && agree * 4 >= ratios.len() * 3).then_some(pulses)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::synthetic::{Bench, at};

    /// Points at several duties with a tach of `edges` per turn and a logger's speed, each edge handed to `spoil`.
    fn run(edges_per_turn: f64, logger: bool, spoil: impl Fn(usize, f64, &mut Vec<f64>)) -> Recording {
        let mut bench = Bench::new(7);
        let mut tach_s = Vec::new();
        for duty in [30.0, 50.0, 70.0, 90.0] {
            let (t0_s, rpm) = (bench.t_s, 25.0 * duty);
            bench.set(at(duty));
            let speed = |_| rpm;
            let amps = |_| 0.2 * duty;
            if logger {
                bench.run(5.0, &[(Channel::SpeedRpm, &speed, 0.5), (Channel::SupplyA, &amps, 0.05)]);
            } else {
                bench.run(5.0, &[(Channel::SupplyA, &amps, 0.05)]);
            }
            let period_s = 60.0 / (rpm * edges_per_turn);
            for i in 0..(5.0 / period_s) as usize {
                let edge_s = t0_s + period_s * (i as f64 + 0.5);
                spoil(i, edge_s, &mut tach_s);
            }
            bench.span(SpanKind::Point { direction: crate::results::Direction::Up }, t0_s);
        }
        bench.rec.tach_s = Some(tach_s);
        bench.rec
    }

    fn sound(_: usize, edge_s: f64, out: &mut Vec<f64>) {
        out.push(edge_s);
    }

    fn with_pulses(mut rec: Recording) -> Recording {
        rec.header.bench.pulses_per_rev = Some(2.0);
        rec
    }

    #[test]
    fn a_sound_tach_gives_nothing_to_say() {
        assert_eq!(faults(&with_pulses(run(2.0, true, sound))), Vec::<String>::new());
    }

    #[test]
    fn missing_doubled_and_bouncing_edges_are_told_apart_with_their_share() {
        let missing = run(2.0, true, |i, t, out| {
            if i % 25 != 12 {
                out.push(t)
            }
        });
        let doubled = run(2.0, true, |i, t, out| {
            out.push(t);
            if i % 25 == 12 {
                out.push(t + 0.006);
            }
        });
        let bounced = run(2.0, true, |i, t, out| {
            out.push(t);
            if i % 25 == 12 {
                out.push(t + 3e-4);
            }
        });
        for (rec, word) in [(missing, "missing"), (bounced, "bounce")] {
            let said = faults(&with_pulses(rec));
            assert_eq!(said.len(), 1, "{said:?}");
            assert!(said[0].contains(word) && (said[0].contains("4 %") || said[0].contains("4.")), "{said:?}");
        }
        // 6 ms lies halfway at some of the speeds alone.
        let said = faults(&with_pulses(doubled));
        assert!(said.iter().any(|words| words.contains("halfway")), "{said:?}");
    }

    #[test]
    fn a_tach_that_falls_silent_at_speed_is_told() {
        let said = faults(&with_pulses(run(2.0, true, |_, t, out| {
            if t < 11.0 {
                out.push(t)
            }
        })));
        assert!(said.len() == 1 && said[0].contains("silent at 15 s"), "{said:?}");
    }

    #[test]
    fn pulses_per_turn_come_from_a_second_source_and_from_nothing_else() {
        assert_eq!(pulses_per_rev(&run(3.0, true, sound)), Some(3.0));
        assert_eq!(pulses_per_rev(&run(3.0, false, sound)), None);
        assert_eq!(pulses_per_rev(&run(2.5, true, sound)), None);
        assert_eq!(pulses_per_rev(&with_pulses(run(3.0, true, sound))), None);
    }
}
