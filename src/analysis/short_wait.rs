//! A wait for sleep that was shorter than sound units take, as in a triage: a unit still awake at its end was not given the
//! time, and what it drew says nothing of what it draws asleep.

use crate::record::event::SpanKind;
use crate::record::recording::Recording;
use crate::results::{Findings, ResultName};

/// Sound units sleep within this time.
const ENOUGH_S: f64 = 30.0;

/// Takes back the current of a unit that did not fall asleep in waits that were too short for it.
pub(crate) fn take_back(rec: &Recording, findings: &mut Findings) {
    if findings.results.contains_key(&ResultName::SleepAfterS) {
        return;
    }
    let waits = rec.spans_where(|kind| *kind == SpanKind::Sleep).map(|span| span.t1_s - span.t0_s);
    if waits.reduce(f64::max).is_none_or(|longest_s| longest_s >= ENOUGH_S) {
        return;
    }
    let seen = findings.absent.get(&ResultName::SleepAfterS).map_or("not seen asleep", String::as_str);
    let reason = format!("{seen}; some sound units take longer than this wait");
    for name in [ResultName::SleepA, ResultName::BatteryDays] {
        if findings.results.remove(&name).is_some() {
            findings.miss(name, reason.clone());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::synthetic::Bench;
    use crate::results::Measured;

    fn left(wait_s: f64, slept: bool) -> bool {
        let mut bench = Bench::new(81);
        bench.run(wait_s, &[]);
        bench.span(SpanKind::Sleep, 0.0);
        let mut findings = Findings::default();
        let number = |name| Measured::number(name, 0.014, 2.0, Vec::new(), "mean", 1);
        findings.put(ResultName::SleepA, number(ResultName::SleepA));
        if slept {
            findings.put(ResultName::SleepAfterS, number(ResultName::SleepAfterS));
        }
        take_back(&bench.rec, &mut findings);
        findings.results.contains_key(&ResultName::SleepA)
    }

    #[test]
    fn only_a_short_wait_without_sleep_is_taken_back() {
        assert!(!left(10.0, false));
        assert!(left(10.0, true));
        assert!(left(60.0, false));
    }
}
