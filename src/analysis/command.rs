//! What was commanded when: off or not, the edges inside a span, and the facts that the runner learned.

use crate::bench::{Line, Setting, Supply};
use crate::record::event::Event;
use crate::record::recording::{Recording, Span};
use crate::units::{self, Duty};

/// The off duty that the runner learned, as it stood at `t_s`.
#[must_use]
pub fn learned_off(rec: &Recording, t_s: f64) -> Option<Duty> {
    rec.events
        .iter()
        .take_while(|numbered| numbered.t_s <= t_s)
        .filter_map(|numbered| match &numbered.event {
            Event::Learned { what, value } if what == "off_duty" => units::parse::<Duty>(value).ok(),
            _ => None,
        })
        .last()
}

/// Whether the command in force at `t_s` is an off command; `None` when no command is known.
#[must_use]
pub fn is_off(rec: &Recording, t_s: f64) -> Option<bool> {
    rec.setting_at(t_s).map(|setting| asks_off(rec, t_s, &setting))
}

/// Whether `setting` at `t_s` asks for nothing: supply off, no active time, or the off duty learned so far.
#[must_use]
pub fn asks_off(rec: &Recording, t_s: f64, setting: &Setting) -> bool {
    if setting.supply == Supply::Off {
        return true;
    }
    let at_most = learned_off(rec, t_s).map_or(0.0, Duty::fraction);
    match setting.line {
        Line::Pwm => setting.duty.fraction() <= at_most + 1e-6,
        Line::Open => false,
        Line::Low => setting.active == crate::bench::ActiveLevel::High,
        Line::High => setting.active == crate::bench::ActiveLevel::Low,
    }
}

/// Since when the off command in force at `t_s` holds; `None` when it is not off or unknown.
#[must_use]
pub fn off_since(rec: &Recording, t_s: f64) -> Option<f64> {
    let until = rec.settings.partition_point(|(t, _)| *t <= t_s);
    rec.settings[..until]
        .iter()
        .rev()
        .take_while(|(_, setting)| asks_off(rec, t_s, setting))
        .last()
        .map(|(since_s, _)| *since_s)
}

/// The first change of setting inside `span`: (time, setting before if any, setting after).
///
/// A setting repeated without change does not count, nor does the first of all at the very begin of the span.
#[must_use]
pub fn first_change(rec: &Recording, span: &Span) -> Option<(f64, Option<Setting>, Setting)> {
    let mut before = rec.setting_at(span.t0_s - 1e-9);
    for (t_s, setting) in rec.settings_in(span.t0_s - 1e-9, span.t1_s) {
        let initial = before.is_none() && *t_s <= span.t0_s + 1e-6;
        if !initial && before.as_ref() != Some(setting) {
            return Some((*t_s, before, *setting));
        }
        before = Some(*setting);
    }
    None
}

/// The first change inside `span` after which the supply is on: (time, setting before if any, setting after). A command laid
/// on the line before the supply comes is none.
pub(crate) fn first_change_under_supply(rec: &Recording, span: &Span) -> Option<(f64, Option<Setting>, Setting)> {
    let mut before = rec.setting_at(span.t0_s - 1e-9);
    for &(t_s, after) in rec.settings_in(span.t0_s - 1e-9, span.t1_s) {
        if after.supply == Supply::On && before != Some(after) {
            return Some((t_s, before, after));
        }
        before = Some(after);
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::event::Numbered;

    fn setting(duty_pct: f64) -> Setting {
        Setting {
            supply: Supply::On,
            duty: Duty::from_percent(duty_pct).expect("a duty"),
            line: Line::Pwm,
            ..Setting::SAFE
        }
    }

    #[test]
    fn the_learned_off_duty_counts_as_off_from_when_it_was_learned() {
        let mut rec = Recording::default();
        for (seq, (t_s, duty)) in [(0.0, 8.0), (1.0, 60.0), (2.0, 8.0), (3.0, 5.0)].into_iter().enumerate() {
            rec.push_event(Numbered { seq: seq as u64, t_s, event: Event::Set { setting: setting(duty) } });
        }
        assert_eq!(is_off(&rec, 2.5), Some(false));
        let learned = Event::Learned { what: "off_duty".to_owned(), value: "8 %".to_owned() };
        rec.push_event(Numbered { seq: 9, t_s: 3.5, event: learned });
        assert_eq!(is_off(&rec, 4.0), Some(true));
        assert_eq!(off_since(&rec, 4.0), Some(2.0));
        assert_eq!(is_off(&rec, -1.0), None);
    }

    #[test]
    fn a_held_line_is_off_at_the_inactive_level_only() {
        let rec = Recording::default();
        let held = |line| Setting { line, ..setting(50.0) };
        assert!(asks_off(&rec, 0.0, &held(Line::High)));
        assert!(!asks_off(&rec, 0.0, &held(Line::Low)));
        assert!(!asks_off(&rec, 0.0, &held(Line::Open)));
    }
}
