//! The heaviest load that the unit carried: a grade says nothing beyond it.

use crate::bench::Channel;
use crate::record::recording::Recording;
use crate::results::Carried;
use crate::verdict::steadfast::{RUNNING_A, commanded, level};

/// Shortest stay that counts as carrying: the fan's own time constant is seconds, the heatsink's minutes.
const STAY_S: f64 = 60.0;

/// Heaviest load carried without a break: of the stretches with an unchanged setting of a minute or more the one with
/// the highest mean supply current; without such a stretch the longest of those within a fifth of the highest current.
/// `None` when supply current was not measured or never above half an ampere.
#[must_use]
pub fn carried(rec: &Recording) -> Option<Carried> {
    let loads: Vec<Carried> = commanded(rec)
        .filter_map(|stretch| {
            let (from_s, to_s) = (stretch.settled_from_s(), stretch.to_s);
            Some(Carried {
                supply_a: level(rec, Channel::SupplyA, from_s, to_s)?,
                duty_pct: stretch.setting.duty.percent(),
                supply_v: rec.mean(Channel::SupplyV, from_s, to_s),
                seconds: stretch.seconds(),
            })
        })
        .filter(|load| load.supply_a > RUNNING_A)
        .collect();
    let long = loads.iter().filter(|load| load.seconds >= STAY_S).max_by(|a, b| a.supply_a.total_cmp(&b.supply_a));
    let highest_a = loads.iter().map(|load| load.supply_a).fold(0.0, f64::max);
    let short = || {
        let near = loads.iter().filter(|load| load.supply_a >= 0.8 * highest_a);
        near.max_by(|a, b| a.seconds.total_cmp(&b.seconds))
    };
    long.or_else(short).copied()
}

/// The bound in plain words.
pub(super) fn words(load: &Carried) -> String {
    let volts = load.supply_v.map_or(String::new(), |v| format!(" and {v:.1} V"));
    let stay =
        if load.seconds >= 60.0 { format!("{:.1} min", load.seconds / 60.0) } else { format!("{:.0} s", load.seconds) };
    format!(
        "carried {:.1} A for {stay} at {:.0} % duty{volts}; nothing is known beyond that load",
        load.supply_a, load.duty_pct
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::verdict::made_up::Made;

    #[test]
    fn the_bound_is_the_heaviest_stay_of_a_minute_or_more() {
        let rec = Made::new().pulses(90.0, 120.0, 25.0).pulses(95.0, 5.0, 28.0).pulses(30.0, 300.0, 3.0).done();
        let load = carried(&rec).unwrap();
        assert!((load.supply_a - 25.0).abs() < 1e-3 && (load.seconds - 120.0).abs() < 0.1, "{load:?}");
        assert_eq!(
            words(&load),
            "carried 25.0 A for 2.0 min at 90 % duty and 13.0 V; nothing is known beyond that load"
        );
    }

    #[test]
    fn short_stays_are_stated_in_seconds() {
        let rec = Made::new().pulses(90.0, 12.0, 25.0).pulses(95.0, 5.0, 26.0).pulses(30.0, 30.0, 3.0).done();
        let load = carried(&rec).unwrap();
        assert_eq!(words(&load), "carried 25.0 A for 12 s at 90 % duty and 13.0 V; nothing is known beyond that load");
    }

    #[test]
    fn the_zero_of_the_channel_is_taken_off() {
        let rec = Made::new().offset(0.4).zero(2.0).pulses(90.0, 100.0, 20.0).done();
        assert!((carried(&rec).unwrap().supply_a - 20.0).abs() < 1e-3);
    }

    #[test]
    fn a_unit_that_never_ran_carried_nothing() {
        assert_eq!(carried(&Made::new().pulses(50.0, 100.0, 0.05).done()), None);
        assert_eq!(carried(&Recording::default()), None);
    }
}
