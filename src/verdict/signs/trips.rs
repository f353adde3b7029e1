//! Signs from a run that the unit itself brought to its end.

use super::{fault, sign};
use crate::record::event::Event;
use crate::record::recording::Recording;
use crate::results::{Sign, Stopped, StoppedBy};

/// One sign per stop that was the unit's doing.
pub(super) fn find(rec: &Recording, stopped: Option<&Stopped>) -> Vec<Sign> {
    let trips = rec.events.iter().filter_map(|numbered| match &numbered.event {
        Event::Trip { rule, saw, by: StoppedBy::Unit } => Some((rule.clone(), saw.clone())),
        _ => None,
    });
    let mut signs: Vec<Sign> = trips.map(|(rule, saw)| from_rule(&rule, &saw)).collect();
    if signs.is_empty() {
        // A stop that is not in the events still says its cause.
        signs.extend(stopped.filter(|s| s.by == StoppedBy::Unit).map(|s| from_rule(&s.cause, &s.cause)));
    }
    signs
}

fn from_rule(rule: &str, saw: &str) -> Sign {
    let said = rule.to_lowercase().replace(['_', '-'], " ");
    let has = |words: &[&str]| words.iter().any(|word| said.contains(word));
    let name = if has(&["uncommanded", "off current", "at off", "while off", "off is commanded", "off command"]) {
        fault::SWITCH_SHORTED
    } else if has(&["over current", "i2t", "overcurrent"]) {
        fault::OVER_CURRENT
    } else if has(&["case"]) {
        fault::OVERHEATS
    } else {
        return sign(&said, 0.9, format!("the run was stopped: {saw}"));
    };
    sign(name, 0.97, format!("the run was stopped: {saw}"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::verdict::made_up::Made;

    #[test]
    fn current_at_off_names_the_shorted_switch_and_a_bench_trip_names_nothing() {
        let table = [
            ("off_current", StoppedBy::Unit, Some(fault::SWITCH_SHORTED)),
            ("over_current", StoppedBy::Unit, Some(fault::OVER_CURRENT)),
            ("i2t", StoppedBy::Unit, Some(fault::OVER_CURRENT)),
            ("case_rise", StoppedBy::Unit, Some(fault::OVERHEATS)),
            ("runs_uncommanded", StoppedBy::Unit, Some(fault::SWITCH_SHORTED)),
            ("current_at_off", StoppedBy::Unit, Some(fault::SWITCH_SHORTED)),
            ("sensor_frozen", StoppedBy::Rig, None),
            ("stop_pressed", StoppedBy::Operator, None),
        ];
        for (rule, by, expect) in table {
            let rec = Made::new().trip(rule, "31 A", by).done();
            let stopped = Stopped { cause: rule.to_owned(), by, t_s: 1.0 };
            let found = find(&rec, Some(&stopped));
            assert_eq!(found.first().map(|s| s.fault.as_str()), expect, "{rule}");
        }
    }

    #[test]
    fn a_stop_without_its_event_still_counts() {
        let stopped = Stopped { cause: "off_current: 30 A at off".to_owned(), by: StoppedBy::Unit, t_s: 2.0 };
        assert_eq!(find(&Recording::default(), Some(&stopped))[0].fault, fault::SWITCH_SHORTED);
    }
}
