//! Contact check: a few seconds on the bench that tell a loose clip from a bad unit, before a unit is judged.
//!
//! A run of its own with first power and line check only. It grades nothing: what it finds is told to the person, who
//! puts the clip right and tries again.

use crate::bench::{Channel, Line};
use crate::config::plan::{Plan, Stage};
use crate::config::rig::Rig;
use crate::record::event::{Event, SpanKind};
use crate::record::recording::{Recording, Span};
use crate::store::CONTACT_PLAN;
use crate::units::Seconds;

use super::run::plain_plan;

/// Share of the rig's supply voltage below which the module does not get its supply.
const LEAST_SUPPLY: f64 = 0.6;
/// Least difference of the line between held low and held high: any input, shorted ones apart, gives way to a driver of
/// some hundred ohms by more.
const LEAST_SWING_V: f64 = 0.5;
/// A line that the rig holds low reads no more than this with its clip on.
const MOST_LOW_V: f64 = 1.5;

/// The plan of the check.
#[must_use]
pub fn plan(rig: &Rig) -> Plan {
    let stages = vec![Stage::FirstPower { settle: Seconds(5.0) }, Stage::LineCheck { each: Seconds(0.5) }];
    plain_plan(CONTACT_PLAN, rig, stages)
}

/// What is wrong with the contacts, as far as this rig can see; empty when nothing is.
#[must_use]
pub fn problems(recording: &Recording) -> Vec<String> {
    let reads: Vec<&Span> = recording.spans_where(|kind| matches!(kind, SpanKind::LineRead { .. })).collect();
    let settled = |channel, span: &Span| recording.mean(channel, 0.5 * (span.t0_s + span.t1_s), span.t1_s);
    let mut found: Vec<String> = starved(recording).into_iter().collect();
    let due_v = recording.header.bench.supply_v;
    let seen_v = reads.iter().filter_map(|span| settled(Channel::SupplyV, span)).reduce(f64::min);
    if let Some((due_v, seen_v)) = due_v.zip(seen_v).filter(|(due, seen)| *seen < LEAST_SUPPLY * due) {
        found.push(format!(
            "the supply at the module reads {seen_v:.1} V with the relay closed, {due_v:.1} V are due: check the supply \
             clips and the sense wires"
        ));
    }
    let line_v = |wanted: Line| {
        let span = reads.iter().find(|span| span.kind == SpanKind::LineRead { line: wanted })?;
        settled(Channel::LineV, span)
    };
    if let Some((low_v, high_v)) = line_v(Line::Low).zip(line_v(Line::High)) {
        if high_v - low_v < LEAST_SWING_V {
            found.push(format!(
                "the command line reads {low_v:.2} V held low and {high_v:.2} V held high: check the command clip and its \
                 sense wire; if both are good, the input is shorted"
            ));
        } else if low_v > MOST_LOW_V {
            found.push(format!("the command line reads {low_v:.2} V held low: check the ground clip of the command"));
        }
    }
    found
}

/// A supervisor that saw too little voltage right after the relay closed saw a loose clip, not a broken bench.
fn starved(recording: &Recording) -> Option<String> {
    recording.events.iter().find_map(|line| match &line.event {
        Event::Trip { rule, saw, .. } if rule == "under_voltage" => {
            Some(format!("{saw}: check the supply clips and the sense wires"))
        }
        _ => None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::Block;
    use crate::record::event::Numbered;

    /// Line reads of a second each with these levels of supply and line.
    fn recording(levels: &[(Line, f32, f32)]) -> Recording {
        let mut rec = Recording::default();
        rec.header.bench.supply_v = Some(13.0);
        for (index, (line, supply, line_v)) in levels.iter().enumerate() {
            let (id, t_s) = (index as u64, index as f64);
            let begin = Event::SpanBegin { id, kind: SpanKind::LineRead { line: *line } };
            rec.push_event(Numbered { seq: 2 * id, t_s, event: begin });
            let channels = vec![(Channel::SupplyV, vec![*supply; 100]), (Channel::LineV, vec![*line_v; 100])];
            rec.push_block(&Block { t0_s: t_s, duration_s: 1.0, channels, ..Block::default() });
            let end = Event::SpanEnd { id, complete: Ok(()) };
            rec.push_event(Numbered { seq: 2 * id + 1, t_s: t_s + 1.0, event: end });
        }
        rec
    }

    fn check(supply: f32, open: f32, high: f32, low: f32) -> Vec<String> {
        problems(&recording(&[(Line::Open, supply, open), (Line::High, supply, high), (Line::Low, supply, low)]))
    }

    #[test]
    fn good_contacts_of_every_kind_of_input_pass() {
        assert_eq!(check(12.9, 12.8, 6.3, 0.2), Vec::<String>::new(), "pull-up to the supply");
        assert_eq!(check(12.9, 0.0, 4.9, 0.0), Vec::<String>::new(), "no pull-up");
        assert_eq!(check(12.9, 2.5, 3.4, 0.1), Vec::<String>::new(), "a weak bias");
        assert_eq!(problems(&Recording::default()), Vec::<String>::new(), "nothing sampled tells nothing");
    }

    #[test]
    fn each_loose_clip_is_named() {
        let only = |problems: Vec<String>| {
            assert_eq!(problems.len(), 1, "{problems:?}");
            problems[0].clone()
        };
        assert!(only(check(4.0, 3.9, 4.2, 0.1)).contains("check the supply clips"));
        assert!(only(check(12.9, 0.01, 0.01, 0.01)).contains("check the command clip"));
        assert!(only(check(12.9, 12.8, 12.8, 12.8)).contains("check the command clip"));
        assert!(only(check(12.9, 12.8, 6.3, 3.1)).contains("ground clip"));
    }
}
