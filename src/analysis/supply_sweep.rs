//! Slow sweep of the supply voltage: where the output goes off and where it comes back, at the low and the high end.
//!
//! Each level that was held tells one of three things: the output stayed on, it went off, it came on, or it stayed off.
//! The voltages lie between the last level of one kind and the first of the other. What stayed off counts only where it
//! was held as long as any level was, since coming back takes its time.

use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};
use crate::results::{Direction, Findings, ResultName};

use super::estimate::{self, Estimate, miss_all, shortfall, spans};
use super::repeated_starts::DRIVEN_A;
use super::supply_dip::level_parts;
use super::zero::{self, Level};

/// Last share of a hold in which its voltage is read, and stretch at its end in which the output is looked for.
const LEVEL_SHARE: f64 = 0.5;
const END_S: f64 = 0.1;
/// A level counts as held long from this share of the longest hold on.
const LONG: f64 = 0.9;

/// One level as it was held.
#[derive(Clone, Copy, Debug)]
struct Hold {
    commanded_v: f64,
    level: Level,
    seconds: f64,
    was_on: bool,
    is_on: bool,
}

/// The names of one end, and in which direction voltages count there: a cut-out lies beyond a cut-in.
struct End {
    cut_out: ResultName,
    cut_in: ResultName,
    hysteresis: ResultName,
    sign: f64,
}

/// Fills in both ends.
pub(crate) fn find(rec: &Recording, findings: &mut Findings) {
    let low = End {
        cut_out: ResultName::CutOutLowV,
        cut_in: ResultName::CutInLowV,
        hysteresis: ResultName::LockHysteresisLowV,
        sign: -1.0,
    };
    let high = End {
        cut_out: ResultName::CutOutHighV,
        cut_in: ResultName::CutInHighV,
        hysteresis: ResultName::LockHysteresisHighV,
        sign: 1.0,
    };
    for (toward, end) in [(Direction::Down, low), (Direction::Up, high)] {
        let spans = spans(rec, &SpanKind::SupplySweep { toward });
        let Some(span) = spans.iter().rev().find(|span| span.complete.is_ok()) else {
            if !spans.is_empty() {
                let why = format!("the sweep was not completed{}", shortfall(&spans));
                miss_all(findings, &[end.cut_out, end.cut_in, end.hysteresis], &why);
            }
            continue;
        };
        end.find(&holds(rec, span), findings);
    }
}

/// The levels of a sweep in order.
fn holds(rec: &Recording, span: &Span) -> Vec<Hold> {
    let settings = rec.settings_in(span.t0_s - 1e-9, span.t1_s);
    let ends = settings.iter().skip(1).map(|(t_s, _)| *t_s).chain([span.t1_s]);
    let on = |t_s: f64| zero::level(rec, Channel::SupplyA, t_s - END_S, t_s).is_some_and(|amps| amps.value > DRIVEN_A);
    let mut was_on = settings.first().is_some_and(|(t_s, _)| on(*t_s));
    let mut holds = Vec::new();
    for ((from_s, setting), to_s) in settings.iter().zip(ends) {
        let Some(commanded) = setting.supply_v else { continue };
        let is_on = on(to_s);
        let from = to_s - LEVEL_SHARE * (to_s - from_s);
        if let Some(level) = zero::level(rec, Channel::SupplyV, from, to_s) {
            holds.push(Hold { commanded_v: commanded.get(), level, seconds: to_s - from_s, was_on, is_on });
        }
        was_on = is_on;
    }
    holds
}

/// A voltage between two.
struct Between {
    estimate: Estimate,
    note: String,
    n: u64,
}

impl End {
    fn find(&self, holds: &[Hold], findings: &mut Findings) {
        let cut_out = self.cut_out(holds);
        let cut_in = if cut_out.is_ok() {
            self.cut_in(holds)
        } else {
            Err("it did not cut out within range, so that it need not come back".to_owned())
        };
        if let (Ok(out), Ok(back)) = (&cut_out, &cut_in) {
            // One gain and one zero: what they are off by cancels, but for the little by which the two differ.
            let value = self.sign * (out.estimate.value - back.estimate.value);
            let mut parts = out.estimate.unshared(1.0);
            parts.extend(back.estimate.unshared(1.0));
            let measured = Estimate::new(value, parts).measured(self.hysteresis, "difference", out.n + back.n);
            findings.put(self.hysteresis, measured);
        } else {
            findings.miss(self.hysteresis, "cut-out and cut-in were not both found");
        }
        for (name, found) in [(self.cut_out, cut_out), (self.cut_in, cut_in)] {
            match found {
                Ok(Between { estimate, note, n }) => {
                    findings.put(name, estimate.measured(name, "steps", n).noted(note))
                }
                Err(why) => findings.miss(name, why),
            }
        }
    }

    /// How far beyond the usual a level is.
    fn beyond(&self, hold: &Hold) -> f64 {
        self.sign * hold.level.value
    }

    /// The first level at which the output went off, and the one before it.
    fn cut_out(&self, holds: &[Hold]) -> Result<Between, String> {
        let Some(off) = holds.iter().position(|hold| hold.was_on && !hold.is_on) else {
            let furthest =
                holds.iter().filter(|hold| hold.is_on).max_by(|a, b| self.beyond(a).total_cmp(&self.beyond(b)));
            return Err(furthest.map_or("no level was held with the output on".to_owned(), |hold| {
                format!("not within range: it runs to {:.2} V, the last level tried", hold.level.value)
            }));
        };
        let Some(on) = holds[..off].iter().rev().find(|hold| hold.is_on) else {
            return Err("not within range: it went off at the first level".to_owned());
        };
        // With the output off the supply sags no more: the level at which it went off lay as far from the one before as
        // the two were commanded apart.
        let loaded_v = on.level.value + (holds[off].commanded_v - on.commanded_v);
        let note = format!("ran at {:.2} V, not at {loaded_v:.2} V", on.level.value);
        Ok(between(on, on.level.value, loaded_v, note))
    }

    /// The furthest level at which it came on, and the nearest at which it stayed off for long.
    fn cut_in(&self, holds: &[Hold]) -> Result<Between, String> {
        let off = |hold: &&Hold| !hold.was_on && !hold.is_on;
        let longest_s = holds.iter().filter(off).map(|hold| hold.seconds).fold(0.0, f64::max);
        let came = holds.iter().enumerate().filter(|(_, hold)| !hold.was_on && hold.is_on);
        let Some((at, on)) = came.max_by(|(_, a), (_, b)| self.commanded(a).total_cmp(&self.commanded(b))) else {
            return Err("not within range: it did not come back up to the supply's own voltage".to_owned());
        };
        let beyond = |hold: &&Hold| self.commanded(hold) > self.commanded(on);
        let stayed = holds.iter().filter(off).filter(|hold| hold.seconds >= LONG * longest_s).filter(beyond);
        let Some(stayed) = stayed.min_by(|a, b| self.commanded(a).total_cmp(&self.commanded(b))) else {
            return Err(format!("it came back at every level tried, {:.2} V among them", on.level.value));
        };
        // What came on sags its supply: before it did, the level lay as far from another with the output off as the two
        // were commanded apart.
        let before = holds[..at].iter().rev().find(|hold| !hold.is_on).unwrap_or(stayed);
        let unloaded_v = before.level.value + (on.commanded_v - before.commanded_v);
        let note = format!("came back at {unloaded_v:.2} V, not at {:.2} V", stayed.level.value);
        Ok(between(stayed, stayed.level.value, unloaded_v, note))
    }

    fn commanded(&self, hold: &Hold) -> f64 {
        self.sign * hold.commanded_v
    }
}

/// Evenly likely between two voltages, read as `hold` was.
fn between(hold: &Hold, a_v: f64, b_v: f64, note: String) -> Between {
    let mut parts = level_parts(&hold.level);
    parts.push(estimate::random("between levels", 0.5 * (a_v - b_v).abs() / 3.0_f64.sqrt()));
    Between { estimate: Estimate::new(0.5 * (a_v + b_v), parts), note, n: 2 }
}

#[cfg(test)]
mod tests {
    use super::super::synthetic::{self, Bench};
    use super::*;
    use crate::bench::Setting;
    use crate::units::Volts;

    /// Plays levels of which each says whether the output is on at its end; on, the supply sags by 50 mV.
    fn sweep(toward: Direction, levels: &[(f64, f64, bool)]) -> Findings {
        let mut bench = Bench::new(9);
        bench.set(synthetic::at(60.0));
        bench.run(1.0, &[(Channel::SupplyA, &|_| 8.0, 0.02), (Channel::SupplyV, &|_| 12.95, 0.002)]);
        let t0_s = bench.t_s;
        for &(volts, seconds, on) in levels {
            bench.set(Setting { supply_v: Some(Volts(volts)), ..synthetic::at(60.0) });
            let (amps, pins_v) = if on { (8.0, volts - 0.05) } else { (0.02, volts) };
            bench.run(seconds, &[(Channel::SupplyA, &|_| amps, 0.02), (Channel::SupplyV, &|_| pins_v, 0.002)]);
        }
        bench.span(SpanKind::SupplySweep { toward }, t0_s);
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        findings
    }

    #[test]
    fn both_voltages_lie_between_the_levels_and_only_a_long_stay_off_counts() {
        let found = sweep(
            Direction::Down,
            &[
                (8.0, 1.0, true),
                (7.8, 1.0, true),
                (7.6, 1.0, false),
                (7.8, 1.0, false),
                (8.0, 1.0, false),
                // Seen late: it was on its way at 8.2 V already.
                (8.2, 1.0, false),
                (8.4, 1.0, true),
                (7.6, 1.0, false),
                (8.2, 6.0, true),
                (7.6, 1.0, false),
                (8.0, 6.0, false),
            ],
        );
        let number = |name| found.number(name).unwrap_or_else(|| panic!("{name}: {found:?}"));
        assert!((number(ResultName::CutOutLowV) - 7.65).abs() < 0.01, "loaded: {found:?}");
        assert!((number(ResultName::CutInLowV) - 8.1).abs() < 0.01, "unloaded: {found:?}");
        assert!((number(ResultName::LockHysteresisLowV) - 0.45).abs() < 0.01);
        let measured = &found.results[&ResultName::CutInLowV];
        assert!((measured.u.unwrap() - 0.1 / 3.0_f64.sqrt()).abs() < 0.002, "{measured:?}");
    }

    #[test]
    fn what_never_cuts_out_or_never_comes_back_is_not_within_range() {
        let found = sweep(Direction::Up, &[(13.5, 1.0, true), (14.0, 1.0, true)]);
        assert!(
            found.absent[&ResultName::CutOutHighV].starts_with("not within range: it runs to 13.95 V"),
            "{found:?}"
        );
        let found = sweep(Direction::Up, &[(13.5, 1.0, true), (14.0, 1.0, false), (13.5, 1.0, false)]);
        assert!(found.results.contains_key(&ResultName::CutOutHighV));
        assert!(found.absent[&ResultName::CutInHighV].contains("did not come back"), "{found:?}");
        assert!(found.absent.contains_key(&ResultName::LockHysteresisHighV));
    }
}
