use proptest::prelude::*;

use super::*;
use crate::results::Fitted;
use crate::verdict::batch::{Fan, SpeedCurve, Standing};

/// A unit whose speed rises to `full` and whose ramp lasts `ramp_s`.
fn unit(tag: &str, full: f64, ramp_s: f64, rig: &str) -> Member {
    let mut member = Member::waiting(tag);
    member.standing = Standing::Judged;
    member.measured = Some(Grade::Fit);
    member.rig = Some(rig.to_owned());
    member.numbers.insert(ResultName::Ramp1090S, (ramp_s, 0.01));
    let rpm = DUTIES.iter().map(|duty| Some(full * (duty / 90.0).min(1.0))).collect();
    let known = |value: f64| Some(Fitted { value, u: 0.0 });
    member.fan = Fan { named: None, resistance: known(0.1), ke: known(0.05), air: known(1e-5) };
    member.curve = SpeedCurve { rpm, u_rpm: vec![2.0; DUTIES.len()] };
    member
}

fn rigs() -> BTreeMap<String, RigErrors> {
    let errors = RigErrors { clock: 1e-4, supply: 1e-3, duty_pct: 0.1 };
    BTreeMap::from([("bench 1".to_owned(), errors), ("bench 2".to_owned(), errors)])
}

fn tags(matches: &[Match]) -> Vec<Vec<&str>> {
    let mut all: Vec<Vec<&str>> = matches.iter().map(|m| m.units.iter().map(String::as_str).collect()).collect();
    all.sort();
    all
}

#[test]
fn the_best_pairs_of_the_whole_crate_are_not_the_greedy_ones() {
    // B and C are closest, but taking them leaves A with D.
    let members = [
        unit("A", 2000.0, 2.0, "bench 1"),
        unit("B", 2100.0, 2.0, "bench 1"),
        unit("C", 2180.0, 2.0, "bench 1"),
        unit("D", 2280.0, 2.0, "bench 1"),
    ];
    assert_eq!(tags(&pairs(&members, &rigs())), [["A", "B"], ["C", "D"]]);
}

#[test]
fn other_kinds_and_units_that_must_not_be_fitted_stay_out_and_an_odd_one_is_left_over() {
    let mut members: Vec<Member> =
        (0..6).map(|i| unit(&format!("TQ-{i}"), 2000.0 + f64::from(i), 2.0, "bench 1")).collect();
    members[0].words.insert(ResultName::ActiveLevel, "high".to_owned());
    members[1].measured = Some(Grade::Scrap);
    members[5].numbers.insert(ResultName::Ramp1090S, (9.0, 0.01));
    let found = pairs(&members, &rigs());
    assert_eq!(tags(&found).len(), 2);
    assert!(found.iter().all(|m| !m.units.contains(&"TQ-0".to_owned()) && !m.units.contains(&"TQ-1".to_owned())));
    assert!(pairs(&members[..1], &rigs()).is_empty() && pairs(&[], &rigs()).is_empty());
    let alone = pairs(&members[2..5], &rigs());
    assert_eq!(alone.len(), 1, "one of three is left over");
}

#[test]
fn speeds_taken_with_different_load_fans_are_never_put_together() {
    let mut members = [unit("A", 2000.0, 2.0, "bench 1"), unit("B", 2000.0, 2.0, "bench 2")];
    for (member, name) in members.iter_mut().zip(["340 mm", "280 mm"]) {
        member.fan.named = Some(name.to_owned());
    }
    assert!(pairs(&members, &rigs()).is_empty());
    assert!(alike(&members, 2, &rigs()).is_none());
}

#[test]
fn a_fan_warm_from_the_unit_before_is_in_the_uncertainty() {
    let cold = [unit("A", 2000.0, 2.0, "bench 1"), unit("B", 2040.0, 2.0, "bench 1")];
    let mut warm = cold.clone();
    // About 40 K.
    warm[1].fan.resistance = Some(Fitted { value: 0.117, u: 0.0 });
    let [cold, warm] = [cold, warm].map(|members| pairs(&members, &rigs())[0].clone());
    assert!(warm.worst_u_rpm > cold.worst_u_rpm + 5.0, "{} {}", warm.worst_u_rpm, cold.worst_u_rpm);
}

#[test]
fn common_errors_cancel_on_one_rig_and_not_across_rigs() {
    let same = pairs(&[unit("A", 2000.0, 2.0, "bench 1"), unit("B", 2040.0, 2.0, "bench 1")], &rigs());
    let across = pairs(&[unit("A", 2000.0, 2.0, "bench 1"), unit("B", 2040.0, 2.0, "bench 2")], &rigs());
    assert!(same[0].one_rig && !across[0].one_rig);
    assert!((same[0].worst_rpm - 40.0).abs() < 1e-6 && (same[0].worst_pct - 40.0 / 20.4).abs() < 1e-6);
    // Two random parts of 2 rpm each.
    assert!((same[0].worst_u_rpm - 2.0 * 2.0_f64.sqrt()).abs() < 0.1, "{}", same[0].worst_u_rpm);
    assert!(across[0].worst_u_rpm > same[0].worst_u_rpm + 0.1);
    assert!((same[0].common_full_rpm - 2000.0).abs() < 1e-9);
    // A table in whole percents cannot do better than its step on the slope: about 22 rpm a point here.
    let step = 2.0_f64.sqrt() * (2000.0 / 90.0) / 12.0_f64.sqrt();
    assert!((same[0].after_table_rpm - step).abs() < 0.1 * step + 2.9, "{}", same[0].after_table_rpm);
}

#[test]
fn the_three_most_alike_are_found_among_many() {
    let mut members: Vec<Member> =
        (0..12).map(|i| unit(&format!("TQ-{i:02}"), 1800.0 + 60.0 * f64::from(i), 2.0, "bench 1")).collect();
    for (i, full) in [(3, 2501.0), (7, 2502.0), (9, 2503.0)] {
        members[i] = unit(&format!("TQ-{i:02}"), full, 2.0, "bench 1");
    }
    let (found, exact) = alike(&members, 3, &rigs()).unwrap();
    assert!(exact);
    assert_eq!(found.units, ["TQ-03", "TQ-07", "TQ-09"]);
    assert!(alike(&members, 13, &rigs()).is_none());
}

#[test]
fn sets_are_counted_without_running_over() {
    assert_eq!(sets(12, 3), 220);
    assert_eq!(sets(60, 4), 487_635);
    assert!(sets(10_000, 8) > MOST_SETS);
}

/// Least sum of distances over all ways to make as many pairs as can be.
fn brute_force(units: &[&Member]) -> f64 {
    fn go(left: &[&Member], odd: bool) -> f64 {
        let Some((first, rest)) = left.split_first() else { return 0.0 };
        let mut least = f64::INFINITY;
        for i in 0..rest.len() {
            let mut others = rest.to_vec();
            let mate = others.remove(i);
            least = least.min(distance(first, mate).unwrap() + go(&others, odd));
        }
        if odd {
            least = least.min(go(rest, false));
        }
        least
    }
    go(units, units.len() % 2 == 1)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn pairs_are_as_good_as_going_through_all_ways(
        fulls in prop::collection::vec((1500.0_f64..3000.0, 0.3_f64..5.0), 2..9)
    ) {
        let members: Vec<Member> = fulls
            .iter()
            .enumerate()
            .map(|(i, (full, ramp))| unit(&format!("TQ-{i}"), *full, *ramp, "bench 1"))
            .collect();
        let found = pairs(&members, &rigs());
        prop_assert_eq!(found.len(), members.len() / 2);
        let sum: f64 = found.iter().map(|m| m.distance_pct / 100.0).sum();
        let least = brute_force(&members.iter().collect::<Vec<_>>());
        prop_assert!((sum - least).abs() < 1e-5, "{sum} {least}");
    }
}
