//! Sleep: settled current at the inactive level over whole wake cycles, time to it, and what it means for a battery.

use crate::bench::{Channel, Line, Setting};
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};
use crate::results::{Findings, ResultName};

use super::command;
use super::estimate::{self, Estimate, miss_all, pool, shortfall, spans};
use super::signal::stats;
use super::zero;

const ALL: [ResultName; 3] = [ResultName::SleepA, ResultName::SleepAfterS, ResultName::BatteryDays];
/// Cells in which the current is looked at, seconds.
const CELL_S: f64 = 0.05;
/// A fall to this share of the awake current is a sleep whatever the plan's threshold.
const ASLEEP_SHARE: f64 = 0.5;
/// Slow noise is stated of readings of a second some seconds apart.
const STATED_S: f64 = 1.0;
const STATED_APART_S: f64 = 10.0;
/// After falling asleep this long is left out of the mean.
const SETTLE_S: f64 = 0.5;

/// The current of one wait for sleep.
struct Wait {
    t: Vec<f64>,
    a: Vec<f64>,
    /// When the off command came.
    off_s: f64,
    awake_a: f64,
    asleep_a: f64,
}

/// What one sleep told.
struct Slept {
    /// Current, and how many wake-ups were seen.
    current: Option<(Estimate, usize)>,
    /// Time from off to asleep, or why there is none.
    after: Result<Estimate, String>,
    /// What it is asleep below.
    threshold_a: f64,
    /// Time watched after the off command.
    watched_s: f64,
}

/// Fills in the sleep results, pooled over all sleeps.
pub(crate) fn find(rec: &Recording, findings: &mut Findings) {
    let spans = spans(rec, &SpanKind::Sleep);
    if spans.is_empty() {
        return;
    }
    let waits: Vec<(Wait, &Span)> = spans.iter().filter_map(|span| wait(rec, span).map(|wait| (wait, span))).collect();
    let Some((first, _)) = waits.first() else {
        let reason = match rec.channels.contains_key(&Channel::SupplyA) {
            true => format!("too little was recorded at the inactive level{}", shortfall(&spans)),
            false => "no supply current was recorded".to_owned(),
        };
        miss_all(findings, &ALL, &reason);
        return;
    };
    if let Some(limit_a) = blind_below(rec, first) {
        let reason = format!("below {limit_a:.2} A: the rig has no low current range to see it");
        miss_all(findings, &ALL, &reason);
        return;
    }
    let slept: Vec<Slept> = waits.iter().map(|(wait, span)| one(rec, wait, span)).collect();
    put_after(&slept, findings);
    put_current(rec, &slept, findings);
}

fn one(rec: &Recording, wait: &Wait, span: &Span) -> Slept {
    let threshold_a = threshold(rec, wait);
    let asleep_s = fell_asleep(wait, threshold_a);
    Slept {
        current: settled(rec, wait, asleep_s, span.t1_s),
        after: after(rec, wait, asleep_s, threshold_a),
        threshold_a,
        watched_s: span.t1_s - wait.off_s,
    }
}

fn put_after(slept: &[Slept], findings: &mut Findings) {
    let name = ResultName::SleepAfterS;
    let times: Vec<Estimate> = slept.iter().filter_map(|one| one.after.as_ref().ok().cloned()).collect();
    match (pool(&times), slept.first()) {
        (Some(time), Some(first)) => {
            let note = format!("time until the current falls below {:.4} A", first.threshold_a);
            findings.put(name, time.measured(name, "threshold", times.len() as u64).noted(note));
        }
        (_, first) => {
            let why = first.and_then(|one| one.after.as_ref().err().cloned()).unwrap_or_default();
            findings.miss(name, why);
        }
    }
}

fn put_current(rec: &Recording, slept: &[Slept], findings: &mut Findings) {
    let name = ResultName::SleepA;
    // One that did not fall asleep reads another current than one that did.
    let sleeps = slept.iter().any(|one| one.after.is_ok());
    let counted: Vec<&Slept> = slept.iter().filter(|one| one.after.is_ok() == sleeps).collect();
    let currents: Vec<Estimate> = counted.iter().filter_map(|one| Some(one.current.as_ref()?.0.clone())).collect();
    let Some(current) = pool(&currents) else {
        miss_all(findings, &ALL, "the current did not settle at the inactive level");
        return;
    };
    let wakes = counted.iter().filter_map(|one| one.current.as_ref()).map(|(_, wakes)| *wakes).max().unwrap_or(0);
    let note = match wakes {
        _ if !sleeps => {
            let watched_s = counted.iter().map(|one| one.watched_s).fold(0.0, f64::max);
            format!("did not fall asleep within {watched_s:.0} s")
        }
        0 => "no wake cycle seen".to_owned(),
        1 => "one wake-up seen: the mean over whole cycles is not known".to_owned(),
        n => format!("mean over {} whole wake cycles", n - 1),
    };
    findings.put(name, current.measured(name, "mean", currents.len() as u64).noted(note));
    battery(rec, &current, findings);
}

fn wait(rec: &Recording, span: &Span) -> Option<Wait> {
    let off_s = command::first_change(rec, span).map_or(span.t0_s, |(edge_s, ..)| edge_s);
    let cells = zero::cells(rec, Channel::SupplyA, off_s, span.t1_s, CELL_S);
    let zero_a = zero::offset(rec, Channel::SupplyA, off_s).map_or(0.0, |(zero, _)| zero);
    let (t, a): (Vec<f64>, Vec<f64>) = cells.into_iter().map(|(t, a)| (t, a - zero_a)).unzip();
    let n = t.len();
    if n < 20 {
        return None;
    }
    let first = (n / 20).clamp(2, 20);
    let awake_a = stats::median(&a[..first])?;
    let asleep_a = stats::median(&a[n - (n / 4).max(4)..])?;
    Some(Wait { t, a, off_s, awake_a, asleep_a })
}

/// Bound on the current where no range of the rig can resolve it; `None` where one can or nothing is stated.
fn blind_below(rec: &Recording, wait: &Wait) -> Option<f64> {
    let facts = rec.header.bench.channels.get(&Channel::SupplyA)?;
    if facts.low.is_some() || facts.offset_u <= 0.0 {
        return None;
    }
    let drift =
        zero::offset(rec, Channel::SupplyA, wait.off_s).map_or(facts.offset_u, |(_, u)| u.max(0.1 * facts.noise));
    // Two standard uncertainties above what is read; a current that stands clear of them is measured all the same.
    (wait.asleep_a < 10.0 * drift).then_some(wait.asleep_a.max(0.0) + 2.0 * drift)
}

/// Current that parts awake from asleep: the plan's, else a tenth of the way above asleep.
fn threshold(rec: &Recording, wait: &Wait) -> f64 {
    let between = wait.asleep_a + 0.1 * (wait.awake_a - wait.asleep_a);
    rec.header.plan_facts.asleep_below_a.unwrap_or(between)
}

/// When the current falls below the threshold for good, but for wake-ups; `None` when it does not.
fn fell_asleep(wait: &Wait, threshold: f64) -> Option<f64> {
    let fallen = wait.asleep_a < threshold && wait.asleep_a < ASLEEP_SHARE * wait.awake_a.max(threshold);
    if !fallen {
        return None;
    }
    let need = ((2.0 / CELL_S) as usize).min(wait.a.len() / 4).max(2);
    // Two seconds of quiet in a row: a controller that only paused is not asleep.
    let quiet = |i: usize| wait.a[i..(i + need).min(wait.a.len())].iter().all(|a| *a < threshold);
    let first = (0..wait.a.len()).find(|&i| wait.a[i] < threshold && quiet(i))?;
    if first == 0 {
        return Some(wait.t[0]);
    }
    // It falls inside one of the two cells around the crossing: each counts by the share of it spent awake.
    let awake = wait.a[first.saturating_sub(2)].max(threshold);
    let asleep = wait.a[(first + 1).min(wait.a.len() - 1)].min(threshold);
    let share = |i: usize| ((wait.a[i] - asleep) / (awake - asleep).max(f64::MIN_POSITIVE)).clamp(0.0, 1.0);
    Some(wait.t[first - 1] - 0.5 * CELL_S + CELL_S * (share(first - 1) + share(first)))
}

/// What a wait in which the unit did not fall asleep showed. A current that fell just before the end is no sleep yet: a
/// controller may pause.
fn not_asleep(wait: &Wait, threshold_a: f64) -> String {
    let seen_s = wait.t.last().copied().unwrap_or(wait.off_s) - wait.off_s;
    let below = wait.a.iter().rev().take_while(|a| **a < threshold_a).count();
    match wait.t.len().checked_sub(below).and_then(|first| wait.t.get(first)) {
        Some(from_s) if below > 1 => format!(
            "not seen asleep within {seen_s:.0} s: below {threshold_a:.4} A only from {:.1} s on, too short to tell sleep \
             from a pause",
            from_s - 0.5 * CELL_S - wait.off_s
        ),
        _ => format!("not asleep within {seen_s:.0} s: {:.4} A at the end", wait.asleep_a),
    }
}

/// Time from off to asleep, or why there is none.
fn after(rec: &Recording, wait: &Wait, asleep_s: Option<f64>, threshold_a: f64) -> Result<Estimate, String> {
    let Some(asleep_s) = asleep_s else { return Err(not_asleep(wait, threshold_a)) };
    // Where the command ends with its edges, the last of them lies up to a period back, and the unit counts from there.
    let edgeless = rec.setting_at(wait.off_s + 1e-3).is_some_and(|after| !has_edges(&after));
    let before = rec.setting_at(wait.off_s - 1e-3).filter(|before| edgeless && has_edges(before));
    let period_s = before.map_or(0.0, |before| 1.0 / before.frequency.get().max(1.0));
    let value = asleep_s - wait.off_s + 0.5 * period_s;
    let spacing_s = rec
        .channels
        .get(&Channel::SupplyA)
        .and_then(|series| series.slices(asleep_s - CELL_S, asleep_s + CELL_S).next())
        .map_or(CELL_S, |slice| slice.dt_s.min(CELL_S));
    // The samples of a calculated bench are means over their spacing, which place a fall by their area; others may be taken
    // at an instant each.
    let unseen_s = estimate::unseen_s(rec, spacing_s);
    let quiet: Vec<f64> =
        wait.a.iter().zip(&wait.t).filter(|(_, t)| **t > asleep_s + SETTLE_S).map(|(a, _)| *a).collect();
    let noise_a = stats::robust_sigma(&quiet).unwrap_or(0.0);
    let by_noise_s = CELL_S * 2.0_f64.sqrt() * noise_a / (wait.awake_a - wait.asleep_a).max(f64::MIN_POSITIVE);
    let mut parts = vec![
        estimate::random("sampling of the current", unseen_s).even(),
        estimate::random("noise of the current", by_noise_s.min(CELL_S)),
        estimate::random("period of the command", period_s / 12.0_f64.sqrt()).even(),
        estimate::clock(rec, value),
    ];
    parts.extend(estimate::apart(rec, &[Channel::SupplyA], false));
    Ok(Estimate::new(value, parts))
}

fn has_edges(setting: &Setting) -> bool {
    setting.line == Line::Pwm && setting.duty.has_edges()
}

/// Mean current over whole wake cycles after falling asleep (or over the last quarter when awake), and wake-ups seen.
fn settled(rec: &Recording, wait: &Wait, asleep_s: Option<f64>, to_s: f64) -> Option<(Estimate, usize)> {
    let from_s = match asleep_s {
        Some(asleep_s) => (asleep_s + SETTLE_S).min(to_s - 4.0 * CELL_S),
        None => wait.t[wait.t.len() - (wait.t.len() / 4).max(4)],
    };
    let wakes = if asleep_s.is_some() { wake_ups(wait, from_s) } else { Vec::new() };
    let (a, b) = match wakes[..] {
        [first, .., last] => (first, last),
        _ => (from_s, to_s),
    };
    let level = zero::level(rec, Channel::SupplyA, a, b)?;
    let noise = if wakes.len() >= 2 {
        // The wake-ups are signal, not noise: from cycle to cycle.
        let cycles: Vec<f64> = wakes.windows(2).filter_map(|w| rec.mean(Channel::SupplyA, w[0], w[1])).collect();
        let edge = (level.value - wait.asleep_a).abs() * CELL_S / (b - a);
        estimate::seen(
            "from cycle to cycle",
            stats::deviation(&cycles).map_or(edge, |sd| sd / (cycles.len() as f64).sqrt()).max(edge),
            (cycles.len() as f64 - 1.0).max(2.0),
        )
    } else {
        estimate::seen("noise", level.u_noise, level.dof)
    };
    // Slow noise: the zero was taken at another time, and what it wanders in between no averaging of the sleep takes out.
    let (wander, zeros) = wander_since(rec, (a, b)).unwrap_or((0.0, f64::INFINITY));
    let zeroed = zero::offset(rec, Channel::SupplyA, 0.5 * (a + b)).is_some();
    let drift = (wander * wander - level.u_zero * level.u_zero).max(0.0).sqrt();
    let parts = vec![
        noise,
        // Each sleep has a zero of its own, taken right before it; as few zeros tell what its noise is as what it wanders. One
        // that was not taken is as far off as stated.
        estimate::seen("supply_a zero", level.u_zero, if zeroed { zeros } else { f64::INFINITY }),
        estimate::seen("supply_a zero wander", drift, zeros),
        estimate::common("supply_a gain", level.u_gain),
    ];
    Some((Estimate::new(level.value, parts), wakes.len()))
}

/// How far a mean of the supply current over this stretch wanders from its zero, with the degrees of freedom behind it. Zeros
/// of a run are minutes apart, and one taken right before a sleep has wandered less than they have from each other: noise
/// that goes with 1/f makes of the one the other.
fn wander_since(rec: &Recording, stretch: (f64, f64)) -> Option<(f64, f64)> {
    let (usual, dof) = zero::wander(rec, Channel::SupplyA)?;
    let of_zeros = |span: &Span| span.kind == SpanKind::Zero && span.t1_s > span.t0_s;
    let zeros: Vec<(f64, f64)> = rec.spans.iter().filter(|s| of_zeros(s)).map(|s| (s.t0_s, s.t1_s)).collect();
    let apart: Vec<f64> = zeros.windows(2).map(|w| 0.5 * flicker(&[(1.0, w[0]), (-1.0, w[1])])).collect();
    // Beside the differences of zeros, what is stated counts in it.
    let weight = (dof - apart.len() as f64).max(0.0);
    let later = (STATED_APART_S, STATED_APART_S + STATED_S);
    let stated = 0.5 * flicker(&[(1.0, (0.0, STATED_S)), (-1.0, later)]);
    let apart = (weight * stated + apart.iter().sum::<f64>()) / (weight + apart.len() as f64);
    // The zero is interpolated between the two around the middle.
    let middle = |(from_s, to_s): (f64, f64)| 0.5 * (from_s + to_s);
    let t_s = middle(stretch);
    let before = zeros.iter().rev().find(|zero| zero.1 <= t_s).copied();
    let after = zeros.iter().find(|zero| zero.1 > t_s).copied();
    let since = match (before, after) {
        (None, None) => return Some((usual, dof)),
        (Some(only), None) | (None, Some(only)) => flicker(&[(1.0, stretch), (-1.0, only)]),
        (Some(before), Some(after)) => {
            let share = ((t_s - middle(before)) / (middle(after) - middle(before))).clamp(0.0, 1.0);
            flicker(&[(1.0, stretch), (share - 1.0, before), (-share, after)])
        }
    };
    Some((usual * (since / apart).max(0.0).sqrt(), dof))
}

/// Variance of a sum of means over stretches of time, each with its weight, under noise whose power goes with 1/f: as a share
/// of that power. The weights sum to nothing, so that what is slower than all of it cancels.
fn flicker(means: &[(f64, (f64, f64))]) -> f64 {
    // Twice integrated, the logarithm of a distance: how much less two moments share the further they are apart.
    let area = |s: f64| if s == 0.0 { 0.0 } else { 0.5 * s * s * (s.abs().ln() - 1.5) };
    let unshared = |(a, b): (f64, f64), (c, d): (f64, f64)| {
        (area(d - a) - area(d - b) - area(c - a) + area(c - b)) / ((b - a) * (d - c))
    };
    let pairs = means.iter().flat_map(|one| means.iter().map(move |other| (one, other)));
    -pairs.map(|(one, other)| one.0 * other.0 * unshared(one.1, other.1)).sum::<f64>()
}

/// Begins of the wake-ups after `from_s`: the current rises clear of its sleep level.
fn wake_ups(wait: &Wait, from_s: f64) -> Vec<f64> {
    let first = wait.t.partition_point(|t| *t < from_s);
    let quiet = &wait.a[first..];
    let noise = stats::robust_sigma(quiet).unwrap_or(0.0);
    let highest = quiet.iter().copied().fold(f64::MIN, f64::max);
    let level = wait.asleep_a + 0.3 * (highest - wait.asleep_a);
    if highest - wait.asleep_a < (12.0 * noise).max(0.5 * wait.asleep_a.abs()) {
        return Vec::new();
    }
    let mut begins: Vec<f64> = Vec::new();
    for i in 1..quiet.len() {
        let rises = quiet[i - 1] < level && quiet[i] >= level;
        let begin_s = wait.t[first + i] - 0.5 * CELL_S;
        if rises && begins.last().is_none_or(|last| begin_s - last > 0.5) {
            begins.push(begin_s);
        }
    }
    begins
}

fn battery(rec: &Recording, sleep: &Estimate, findings: &mut Findings) {
    let name = ResultName::BatteryDays;
    let Some(battery) = rec.header.plan_facts.battery else {
        findings.miss(name, "the plan names no battery");
        return;
    };
    let drain_a = sleep.value + battery.other_drain_a;
    if drain_a <= 0.0 {
        findings.miss(name, "no drain was measured");
        return;
    }
    let days = battery.capacity_ah * battery.usable / drain_a / 24.0;
    let parts = sleep.weighted(days / drain_a);
    let note = format!(
        "{:.0} Ah of which {:.0} % may be used, other drain {:.3} A",
        battery.capacity_ah,
        100.0 * battery.usable,
        battery.other_drain_a
    );
    findings.put(name, Estimate::new(days, parts).measured(name, "division", 1).noted(note));
}

#[cfg(test)]
mod tests {
    use super::super::synthetic::{self, Bench};
    use super::*;
    use crate::record::event::{BatteryFacts, ChannelFacts, LowRange};

    fn waiting(current: &dyn Fn(f64) -> f64, low: bool) -> Findings {
        let mut bench = Bench::new(4);
        let range = LowRange { range: 0.5, noise: 5e-5, offset_u: 2e-5, gain_u: 0.005 };
        let facts = ChannelFacts {
            range: 125.0,
            noise: 0.06,
            offset_u: 0.1,
            gain_u: 0.005,
            low: low.then_some(range),
            ..ChannelFacts::default()
        };
        bench.rec.header.bench.channels.insert(Channel::SupplyA, facts);
        bench.rec.header.plan_facts.battery =
            Some(BatteryFacts { capacity_ah: 70.0, usable: 0.5, other_drain_a: 0.02 });
        let noise = if low { 5e-5 } else { 0.06 };
        bench.run(1.0, &[(Channel::SupplyA, &|_| 1e-5, noise)]);
        bench.span(SpanKind::Zero, 0.0);
        bench.set(synthetic::at(6.0));
        bench.run(1.0, &[(Channel::SupplyA, &|_| 0.014, noise)]);
        let t0_s = bench.t_s;
        bench.set(synthetic::at(0.0));
        let shifted = |t: f64| current(t) + 1e-5;
        bench.run(40.0, &[(Channel::SupplyA, &shifted, noise)]);
        bench.span(SpanKind::Sleep, t0_s);
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        findings
    }

    #[test]
    fn a_module_that_sleeps_comes_out_with_its_days() {
        let found = waiting(&|t| if t < 8.0 { 0.014 } else { 180e-6 }, true);
        let sleep = found.results.get(&ResultName::SleepA).expect("measured");
        assert!((sleep.as_number().expect("a number") - 180e-6).abs() < 2.0 * sleep.u.expect("a number"), "{sleep:?}");
        assert!((found.number(ResultName::SleepAfterS).expect("measured") - 8.0).abs() < 0.06);
        let days = 35.0 / (180e-6 + 0.02) / 24.0;
        assert!((found.number(ResultName::BatteryDays).expect("measured") - days).abs() < 0.5);
    }

    #[test]
    fn samples_that_are_means_place_the_fall_within_them() {
        let sampling = |is_virtual: bool| {
            let mut rec = Recording::default();
            rec.header.is_virtual = is_virtual;
            let cells = |of: &dyn Fn(f64) -> f64| (0..400).map(|i| of(CELL_S * (f64::from(i) + 0.5))).collect();
            let a = cells(&|t| if t < 8.0 { 0.014 } else { 180e-6 + 2e-6 * (40.0 * t).sin() });
            let wait = Wait { t: cells(&|t| t), a, off_s: 0.0, awake_a: 0.014, asleep_a: 180e-6 };
            let samples = vec![0.0_f32; 5000];
            rec.channels.entry(Channel::SupplyA).or_default().push(0.0, 0.005, &samples);
            after(&rec, &wait, Some(8.0), 0.005).expect("asleep").variance().sqrt()
        };
        assert!((sampling(false) - 0.005 / 12.0_f64.sqrt()).abs() < 1e-4, "{}", sampling(false));
        assert!((1e-6..1e-4).contains(&sampling(true)), "{}", sampling(true));
    }

    #[test]
    fn a_zero_wanders_less_in_seconds_than_in_minutes() {
        let second = |from_s: f64| (from_s, from_s + 1.0);
        // Far apart, half the variance of a difference is the logarithm of the distance and what the mean of a second leaves.
        let far = 0.5 * flicker(&[(1.0, second(0.0)), (-1.0, second(500.0))]);
        assert!((far - 500.0_f64.ln() - 1.5).abs() < 1e-4, "{far}");
        let mut rec = Recording::default();
        for (t0_s, zero_a) in [(0.0, 1e-5), (300.0, 3e-5), (600.0, 2e-5)] {
            rec.channels.entry(Channel::SupplyA).or_default().push(t0_s, 0.01, &[zero_a; 100]);
            rec.spans.push(Span {
                kind: SpanKind::Zero,
                stage: String::new(),
                t0_s,
                t1_s: t0_s + 1.0,
                complete: Ok(()),
            });
        }
        let (usual, _) = zero::wander(&rec, Channel::SupplyA).expect("three zeros");
        let wander = |from_s: f64| wander_since(&rec, (from_s, from_s + 20.0)).expect("zeros").0 / usual;
        let expected = |from_s: f64| {
            let apart = 0.5 * flicker(&[(1.0, second(300.0)), (-1.0, second(600.0))]);
            (flicker(&[(1.0, (from_s, from_s + 20.0)), (-1.0, second(600.0))]) / apart).sqrt()
        };
        assert!((wander(610.0) - expected(610.0)).abs() < 1e-9);
        assert!((0.75..0.95).contains(&wander(610.0)), "{}", wander(610.0));
        assert!(wander(900.0) > 1.2 * wander(610.0) && wander(320.0) < wander(900.0));
        // With one zero nothing but what is stated tells.
        rec.spans.truncate(1);
        let facts = ChannelFacts { noise: 5e-5, ..ChannelFacts::default() };
        rec.header.bench.channels.insert(Channel::SupplyA, facts);
        let (usual, _) = zero::wander(&rec, Channel::SupplyA).expect("stated noise");
        let stated = 0.5 * flicker(&[(1.0, second(0.0)), (-1.0, second(10.0))]);
        let since = flicker(&[(1.0, (10.0, 30.0)), (-1.0, second(0.0))]);
        let wander = wander_since(&rec, (10.0, 30.0)).expect("a zero").0 / usual;
        assert!((wander - (since / stated).sqrt()).abs() < 1e-9, "{wander}");
    }

    #[test]
    fn wake_cycles_are_averaged_whole() {
        let current = |t: f64| match t {
            t if t < 5.0 => 0.014,
            t if (t - 5.0) % 9.0 > 8.7 => 0.008,
            _ => 100e-6,
        };
        let found = waiting(&current, true);
        let mean = (8.7 * 100e-6 + 0.3 * 0.008) / 9.0;
        let sleep = found.results.get(&ResultName::SleepA).expect("measured");
        assert!((sleep.as_number().expect("a number") / mean - 1.0).abs() < 0.1, "{sleep:?} for {mean}");
        assert!((found.number(ResultName::SleepAfterS).expect("measured") - 5.0).abs() < 0.06);
    }

    #[test]
    fn a_module_that_never_sleeps_has_its_current_and_no_time() {
        let found = waiting(&|_| 0.014, true);
        assert!(found.number(ResultName::SleepA).is_some_and(|a| (a - 0.014).abs() < 1e-4));
        assert!(found.absent.get(&ResultName::SleepAfterS).is_some_and(|why| why.contains("not asleep")));
    }

    #[test]
    fn a_current_that_falls_just_before_the_end_is_said_to_have_fallen() {
        let found = waiting(&|t| if t < 38.5 { 0.014 } else { 180e-6 }, true);
        let why = &found.absent[&ResultName::SleepAfterS];
        assert!(why.starts_with("not seen asleep within 40 s: below") && why.contains("only from 38.5 s on"), "{why}");
    }

    #[test]
    fn without_a_low_range_there_is_a_bound_only() {
        let found = waiting(&|t| if t < 8.0 { 0.014 } else { 180e-6 }, false);
        assert!(found.absent.get(&ResultName::SleepA).is_some_and(|why| why.starts_with("below ")), "{found:?}");
    }
}
