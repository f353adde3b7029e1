//! Transients: what happens by itself while nothing was commanded. Every stretch of the run at an unchanged setting, every
//! electrical channel, every sample.
//!
//! Each sample is held against the median of its surroundings, so creep, ramps and slow swings are no events. One sample
//! alone is a glitch of the bench, not an event of the unit. A drop-out is told by the supply current, not by the output:
//! a fan cut off while it turns holds its back-EMF on its terminals. What follows an event within a moment (the inrush of
//! the fan that has slowed) belongs to it.

use crate::bench::{Channel, Line, Supply};
use crate::record::event::SpanKind;
use crate::record::recording::Recording;
use crate::results::{Transient, TransientKind};

use super::signal::chop;
use super::zero;

/// Stretches shorter than this have no surroundings.
const LEAST_S: f64 = 1.5;
/// Time after a change of the setting in which what happens is its doing: longer than ramps, or this share of the stretch.
const AFTER_CHANGE_S: f64 = 6.0;
const AFTER_CHANGE_SHARE: f64 = 0.5;
/// Cells whose medians make the surroundings, and how many of them on either side.
const CELL_S: f64 = 0.05;
const REACH: usize = 12;
/// A current under this is nothing running, amperes; a drop-out is a fall below this share of the surroundings.
const RUNNING_A: f64 = 0.5;
const DROPPED: f64 = 1.0 / 3.0;
/// From this share of the surroundings on a current runs.
const RAN: f64 = 0.8;
/// A drop-out is at least this many times the usual scatter deep.
const DROP_SCATTERS: f64 = 6.0;
/// Shortest event, samples, and longest, seconds.
const LEAST_SAMPLES: usize = 3;
const LONGEST_S: f64 = 5.0;
/// A supply current that a slow chopper cuts falls by this share of its highest in every period: no drop-out.
const CHOPS: f64 = 0.5;
/// A return that takes longer than this after a gap longer than that is a new start: the unit was reset.
const SOFT_RETURN_S: f64 = 0.12;
const RESET_GAP_S: f64 = 0.15;
/// Spikes stand this many times the usual scatter off, and at least this far.
const SPIKE_SCATTERS: f64 = 10.0;
const SPIKE_A: f64 = 3.0;
const SPIKE_SHARE: f64 = 0.4;
const SPIKE_V: f64 = 1.0;
/// Moment before and after a spike in which the channel is at its usual level, seconds.
const BESIDE_S: f64 = 0.05;
/// After an event its consequences are over by then.
const AFTERWARDS_S: f64 = 0.6;
/// More events than this are a habit, not events: the rest are not listed, and what counts them says "at least".
pub(crate) const MOST: usize = 200;

/// All transients, in the order in which they came.
#[must_use]
pub fn find(rec: &Recording) -> Vec<Transient> {
    let mut all = Vec::new();
    for (from_s, to_s) in quiet_stretches(rec) {
        let mut here = Vec::new();
        for channel in [Channel::SupplyA, Channel::SupplyV, Channel::OutputV, Channel::FanA] {
            let Some(seen) = Watched::of(rec, channel, from_s, to_s) else { continue };
            if channel == Channel::SupplyA {
                here = drop_outs(&seen);
            }
            let found = spikes(&seen, channel);
            let apart = |spike: &Transient, known: &[Transient]| {
                known.iter().all(|k| spike.t_s > k.t_s + k.seconds + AFTERWARDS_S || spike.t_s + AFTERWARDS_S < k.t_s)
            };
            for spike in found {
                if apart(&spike, &here) {
                    here.push(spike);
                }
            }
        }
        all.extend(here);
    }
    all.extend(wakings(rec));
    all.sort_by(|a, b| a.t_s.total_cmp(&b.t_s));
    all.truncate(MOST);
    for event in &mut all {
        let stage = rec.stages.iter().rev().find(|run| run.t0_s <= event.t_s);
        event.stage = stage.map(|run| run.stage.clone()).unwrap_or_default();
    }
    all
}

/// Seconds that were watched for drop-outs with the fan running.
#[must_use]
pub fn watched_s(rec: &Recording) -> f64 {
    quiet_stretches(rec)
        .into_iter()
        .filter(|(from_s, to_s)| level(rec, *from_s, *to_s).is_some_and(|amps| amps > RUNNING_A))
        .map(|(from_s, to_s)| to_s - from_s)
        .sum()
}

/// Drop-outs and resets from `from_s` to `to_s`, a settled stretch at one setting; `None` where too little current flows
/// for one to be told.
pub(crate) fn drop_outs_in(rec: &Recording, from_s: f64, to_s: f64) -> Option<Vec<Transient>> {
    let seen = Watched::of(rec, Channel::SupplyA, from_s, to_s)?;
    usual(&seen).map(|_| drop_outs(&seen))
}

fn level(rec: &Recording, from_s: f64, to_s: f64) -> Option<f64> {
    Some(rec.mean(Channel::SupplyA, from_s, to_s)? - offset(rec, from_s))
}

fn offset(rec: &Recording, t_s: f64) -> f64 {
    zero::offset(rec, Channel::SupplyA, t_s).map_or(0.0, |(zero, _)| zero)
}

/// Stretches with the full supply, pulses on the line and nothing changed, less what the change before them explains. Tries at
/// thresholds are left out: a fan that is about to stop or to start does what it likes. So is what the supply was made to do.
fn quiet_stretches(rec: &Recording) -> Vec<(f64, f64)> {
    let at_thresholds: Vec<(f64, f64)> = rec
        .spans_where(|kind| {
            matches!(kind, SpanKind::Ascend | SpanKind::Descend | SpanKind::Probe | SpanKind::Follow | SpanKind::Stop)
                || matches!(
                    kind,
                    SpanKind::SupplyDip | SpanKind::Crank | SpanKind::SupplySweep { .. } | SpanKind::Stall
                )
        })
        .map(|span| (span.t0_s, span.t1_s))
        .collect();
    // Discovering goes on as soon as it is answered: its stays are too short for what comes after a change to be over.
    let discovering = rec.stages.iter().filter(|run| run.stage == "discover").map(|run| (run.t0_s, run.t1_s));
    let at_thresholds: Vec<(f64, f64)> = at_thresholds.into_iter().chain(discovering).collect();
    let mut settings: Vec<(f64, _)> = Vec::new();
    for &(t_s, setting) in &rec.settings {
        if settings.last().is_none_or(|(_, last)| *last != setting) {
            settings.push((t_s, setting));
        }
    }
    let ends = settings.iter().skip(1).map(|(t_s, _)| *t_s).chain([rec.end_s]);
    settings
        .iter()
        .zip(ends)
        .filter(|((_, setting), _)| setting.supply == Supply::On && setting.line == Line::Pwm)
        .map(|((t_s, _), end_s)| {
            let skip_s = AFTER_CHANGE_S.min(AFTER_CHANGE_SHARE * (end_s - t_s));
            (t_s + skip_s, end_s - 0.01)
        })
        .filter(|(from_s, to_s)| to_s - from_s >= LEAST_S)
        .filter(|(from_s, to_s)| !at_thresholds.iter().any(|(a, b)| from_s < b && a < to_s))
        .collect()
}

/// Samples of a stretch with the median of their surroundings.
struct Watched {
    t_s: Vec<f64>,
    values: Vec<f64>,
    /// Per cell: median of it and its neighbours.
    around: Vec<f64>,
    from_s: f64,
    /// Usual distance of a sample from its surroundings.
    scatter: f64,
}

impl Watched {
    fn of(rec: &Recording, channel: Channel, from_s: f64, to_s: f64) -> Option<Self> {
        let series = rec.channels.get(&channel)?;
        let zero = zero::offset(rec, channel, from_s).map_or(0.0, |(zero, _)| zero);
        let most = series.slices(from_s, to_s).map(|slice| slice.values.len()).sum();
        let mut samples = Vec::with_capacity(most);
        samples.extend(series.samples(from_s, to_s).filter(|(_, v)| v.is_finite()).map(|(t, v)| (t, v - zero)));
        if samples.len() < 100 {
            return None;
        }
        // Without a stated noise it cannot be told from a chopper.
        let noise = rec.header.bench.channels.get(&channel).map_or(0.0, |facts| facts.noise);
        if channel == Channel::SupplyA && noise > 0.0 && chop::shows(&samples, CHOPS, noise) {
            samples = chop::averaged(&samples);
        }
        let (t_s, values): (Vec<f64>, Vec<f64>) = samples.into_iter().unzip();
        let cell = |t: f64| cell_at(t, from_s);
        let mut medians: Vec<Option<f64>> = vec![None; cell(to_s) + 1];
        let (mut scratch, mut begin) = (Vec::new(), 0);
        while begin < t_s.len() {
            let here = cell(t_s[begin]);
            let end = begin + t_s[begin..].partition_point(|t| cell(*t) <= here);
            scratch.clear();
            scratch.extend_from_slice(&values[begin..end]);
            medians[here] = median(&mut scratch);
            begin = end;
        }
        let around: Vec<f64> = (0..medians.len())
            .map(|i| {
                let near = &medians[i.saturating_sub(REACH)..(i + REACH + 1).min(medians.len())];
                median(&mut near.iter().flatten().copied().collect::<Vec<f64>>()).unwrap_or(0.0)
            })
            .collect();
        let mut apart: Vec<f64> = t_s.iter().zip(&values).map(|(t, v)| (v - around[cell(*t)]).abs()).collect();
        // 0.6745 is the median distance of a normal density, in standard deviations.
        let scatter = median(&mut apart).unwrap_or(0.0) / 0.6745;
        Some(Self { t_s, values, around, from_s, scatter })
    }

    fn around(&self, i: usize) -> f64 {
        self.around[cell_at(self.t_s[i], self.from_s).min(self.around.len() - 1)]
    }

    /// Runs of samples for which `is` holds, single ones in between bridged, as first and last index.
    fn runs(&self, is: impl Fn(usize) -> bool) -> Vec<(usize, usize)> {
        let mut runs: Vec<(usize, usize)> = Vec::new();
        for i in (0..self.values.len()).filter(|i| is(*i)) {
            match runs.last_mut() {
                Some((_, last)) if i - *last <= 2 => *last = i,
                _ => runs.push((i, i)),
            }
        }
        runs.retain(|(a, b)| {
            b - a + 1 >= LEAST_SAMPLES
                && *a > 0
                && b + 1 < self.values.len()
                && self.t_s[*b] - self.t_s[*a] <= LONGEST_S
        });
        runs
    }

    /// Whether what a run of samples departs from is what it comes back to: the last moment before it and the first after it
    /// lie less than half as far from each other as its worst from either. Not where there is no such moment.
    fn returns(&self, (a, b): (usize, usize)) -> bool {
        let before = self.t_s.partition_point(|t| *t < self.t_s[a] - BESIDE_S);
        let after = self.t_s.partition_point(|t| *t <= self.t_s[b] + BESIDE_S);
        if before == 0 || after == self.t_s.len() {
            return false;
        }
        let level = |beside: &[f64]| median(&mut beside.to_vec());
        let (Some(left), Some(right)) = (level(&self.values[before..a]), level(&self.values[b + 1..after])) else {
            return false;
        };
        let worst = |from: f64| self.values[a..=b].iter().map(|v| (v - from).abs()).fold(0.0, f64::max);
        worst(left).min(worst(right)) > 2.0 * (left - right).abs() + SPIKE_SCATTERS * self.scatter
    }

    fn seconds(&self, (a, b): (usize, usize)) -> f64 {
        self.t_s[b + 1] - self.t_s[a]
    }
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "not negative, and minutes of 50 ms cells")]
fn cell_at(t_s: f64, from_s: f64) -> usize {
    ((t_s - from_s) / CELL_S).max(0.0) as usize
}

fn median(values: &mut [f64]) -> Option<f64> {
    let middle = values.len() / 2;
    (!values.is_empty()).then(|| *values.select_nth_unstable_by(middle, f64::total_cmp).1)
}

/// What runs, as the stretch as a whole says: long gaps pull the surroundings down. `None` where noise reaches down as far
/// as a drop-out would.
fn usual(seen: &Watched) -> Option<f64> {
    let least = RUNNING_A.max(DROP_SCATTERS * seen.scatter / (1.0 - DROPPED));
    median(&mut seen.values.clone()).filter(|usual| *usual > least)
}

/// Current that goes and comes back by itself: at once, or through a new start.
fn drop_outs(seen: &Watched) -> Vec<Transient> {
    let Some(usual) = usual(seen) else { return Vec::new() };
    // What has not run yet cannot drop out: a start that is still coming, its ripple now above and now below.
    let ran = seen.values.iter().position(|amps| *amps > RAN * usual).unwrap_or(seen.values.len());
    seen.runs(|i| seen.values[i] < DROPPED * usual)
        .into_iter()
        .filter(|run| run.0 > ran)
        .map(|run| {
            let seconds = seen.seconds(run);
            let back = (run.1 + 1..seen.values.len()).find(|i| seen.values[*i] > RAN * usual);
            let return_s = back.map_or(f64::INFINITY, |i| seen.t_s[i] - seen.t_s[run.1]);
            let reset = seconds >= RESET_GAP_S && return_s > SOFT_RETURN_S;
            let least = seen.values[run.0..=run.1].iter().copied().fold(f64::INFINITY, f64::min);
            Transient {
                kind: if reset { TransientKind::Reset } else { TransientKind::DropOut },
                channel: Channel::SupplyA,
                t_s: seen.t_s[run.0],
                seconds: if reset { seconds + return_s.min(LONGEST_S) } else { seconds },
                value: least,
                usual,
                stage: String::new(),
            }
        })
        .collect()
}

/// Excursions away from the surroundings and back, on any channel. A slope, or a step that stays, has other surroundings
/// on either side of it: at the end of a stretch, where the surroundings lie to one side alone, it would pass for one.
fn spikes(seen: &Watched, channel: Channel) -> Vec<Transient> {
    let far = |i: usize| {
        let usual = seen.around(i);
        let least = match channel {
            Channel::SupplyA | Channel::FanA => SPIKE_A.max(SPIKE_SHARE * usual.abs()),
            _ => SPIKE_V,
        };
        (seen.values[i] - usual).abs() > least.max(SPIKE_SCATTERS * seen.scatter)
    };
    seen.runs(far)
        .into_iter()
        .filter(|run| seen.seconds(*run) < 0.3 && seen.returns(*run))
        .map(|run| {
            let usual = seen.around(run.0);
            let off = |i: &usize| (seen.values[*i] - usual).abs();
            let worst = (run.0..=run.1).max_by(|a, b| off(a).total_cmp(&off(b))).unwrap_or(run.0);
            Transient {
                kind: TransientKind::Spike,
                channel,
                t_s: seen.t_s[run.0],
                seconds: seen.seconds(run),
                value: seen.values[worst],
                usual,
                stage: String::new(),
            }
        })
        .collect()
}

/// Current asleep below which a module sleeps, amperes; a waking is a stay above for this long, and no clockwork.
const ASLEEP_A: f64 = 2e-3;
const WAKING_S: f64 = 0.5;

/// Wakings from sleep that nobody asked for, each followed by sleep again.
fn wakings(rec: &Recording) -> Vec<Transient> {
    let low = rec.header.bench.channels.get(&Channel::SupplyA).and_then(|facts| facts.low);
    if low.is_none() {
        return Vec::new();
    }
    let mut all = Vec::new();
    for span in rec.spans_where(|kind| matches!(kind, SpanKind::Sleep)) {
        let zero_a = offset(rec, span.t0_s);
        let Some(series) = rec.channels.get(&Channel::SupplyA) else { continue };
        let samples: Vec<(f64, f64)> = series.samples(span.t0_s, span.t1_s).map(|(t, a)| (t, a - zero_a)).collect();
        let mut slept = false;
        let mut woke: Option<(f64, f64)> = None;
        for (t_s, amps) in samples {
            let awake = amps > 2.0 * ASLEEP_A;
            match (&mut woke, awake) {
                (None, true) if slept => woke = Some((t_s, amps)),
                (Some((_, most)), true) => *most = most.max(amps),
                (Some((since_s, most)), false) => {
                    if t_s - *since_s >= WAKING_S {
                        all.push(Transient {
                            kind: TransientKind::ReSleep,
                            channel: Channel::SupplyA,
                            t_s: *since_s,
                            seconds: t_s - *since_s,
                            value: *most,
                            usual: amps,
                            stage: String::new(),
                        });
                    }
                    woke = None;
                }
                (None, false) => slept |= amps < ASLEEP_A,
                (None, true) => {}
            }
        }
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::{ActiveLevel, Block, Setting};
    use crate::record::event::{Event, Numbered};
    use crate::record::recording::StageRun;
    use crate::units::{Duty, Hertz};

    /// Half a minute at 60 % with this supply current.
    fn run(amps: impl Fn(f64) -> f64) -> Recording {
        let mut rec = Recording::default();
        let setting = Setting {
            supply: Supply::On,
            duty: Duty::clamped(0.6),
            active: ActiveLevel::Low,
            frequency: Hertz(140.0),
            line: Line::Pwm,
            supply_v: None,
        };
        rec.push_event(Numbered { seq: 0, t_s: 0.0, event: Event::Set { setting } });
        let samples = (0..60_000u32).map(|i| amps(f64::from(i) * 5e-4));
        #[expect(clippy::cast_possible_truncation, reason = "samples are f32")]
        let samples: Vec<f32> = samples.map(|a| a as f32).collect();
        let volts = vec![13.0f32; samples.len()];
        let channels = vec![(Channel::SupplyA, samples), (Channel::SupplyV, volts)];
        rec.push_block(&Block { t0_s: 0.0, duration_s: 30.0, channels, ..Block::default() });
        rec
    }

    fn kinds(rec: &Recording) -> Vec<TransientKind> {
        find(rec).into_iter().map(|event| event.kind).collect()
    }

    /// Ripple of a running fan.
    fn ripple(t: f64) -> f64 {
        10.0 + 0.4 * (900.0 * t).sin() - 0.02 * t
    }

    #[test]
    fn ripple_creep_swings_and_single_samples_are_no_events() {
        assert_eq!(kinds(&run(ripple)), []);
        assert_eq!(kinds(&run(|t| ripple(t) * (1.0 + 0.35 * (3.1 * t).sin()))), []);
        assert_eq!(kinds(&run(|t| if (20.0..20.0004).contains(&t) { 0.0 } else { ripple(t) })), []);
    }

    #[test]
    fn noise_over_a_small_current_is_no_drop_out() {
        // A fast generator of scatter, no randomness: 0.5 A of noise over 0.9 A.
        let noisy = |t: f64| 0.9 + 0.5 * ((1.0e7 * t).sin() + (7.7e6 * t + 1.0).sin());
        assert_eq!(kinds(&run(noisy)), []);
    }

    #[test]
    fn a_gap_that_closes_at_once_is_a_drop_out_and_its_inrush_is_part_of_it() {
        let amps = |t: f64| match t {
            t if (20.0..20.08).contains(&t) => 0.02,
            t if (20.08..20.15).contains(&t) => 18.0,
            t => ripple(t),
        };
        let found = find(&run(amps));
        assert_eq!(found.len(), 1, "{found:?}");
        assert_eq!(found[0].kind, TransientKind::DropOut);
        assert!((found[0].t_s - 20.0).abs() < 2e-3 && (found[0].seconds - 0.08).abs() < 2e-3, "{found:?}");
    }

    #[test]
    fn a_gap_that_ends_in_a_new_start_is_a_reset() {
        let amps = |t: f64| match t {
            t if (15.0..15.4).contains(&t) => 0.02,
            t if (15.4..17.0).contains(&t) => 0.02 + 10.0 * (t - 15.4) / 1.6,
            t => ripple(t),
        };
        assert_eq!(kinds(&run(amps)), [TransientKind::Reset]);
    }

    #[test]
    fn a_short_excess_is_a_spike() {
        let found = find(&run(|t| if (22.0..22.004).contains(&t) { 25.0 } else { ripple(t) }));
        assert_eq!(found.len(), 1, "{found:?}");
        assert_eq!((found[0].kind, found[0].channel), (TransientKind::Spike, Channel::SupplyA));
        assert!((found[0].value - 25.0).abs() < 0.1);
    }

    #[test]
    fn a_ramp_at_the_end_of_a_stretch_and_a_step_that_stays_are_no_spikes() {
        for late in [|t: f64| 60.0 * (t - 29.7).max(0.0), |t: f64| 60.0 * (6.4 - t).clamp(0.0, 0.4)] {
            assert_eq!(kinds(&run(|t| ripple(t) + late(t))), []);
        }
        assert_eq!(kinds(&run(|t| ripple(t) + if t < 20.0 { 0.0 } else { 9.0 })), []);
    }

    #[test]
    fn a_start_that_is_still_coming_does_not_drop_out() {
        // Through a third of what it comes to in seconds, its ripple to either side of that.
        let coming = |t: f64| ripple(t) * (t / 14.0).min(1.0).powi(2);
        assert_eq!(kinds(&run(coming)), []);
        let then = kinds(&run(|t| if (20.0..20.02).contains(&t) { 0.0 } else { coming(t) }));
        assert_eq!(then, [TransientKind::DropOut], "once it ran it can");
    }

    #[test]
    fn while_discovering_nothing_is_by_itself() {
        let dropped = |t: f64| if (20.0..20.02).contains(&t) { 0.0 } else { ripple(t) };
        let mut rec = run(dropped);
        assert_eq!(kinds(&rec), [TransientKind::DropOut]);
        let stage = |name: &str| StageRun { stage: name.to_owned(), t0_s: 15.0, t1_s: 25.0, end: None };
        rec.stages = vec![stage("discover")];
        assert_eq!(kinds(&rec), []);
        rec.stages = vec![stage("sweep")];
        assert_eq!(kinds(&rec), [TransientKind::DropOut]);
    }

    #[test]
    fn what_follows_a_change_of_the_command_is_its_own_doing() {
        assert_eq!(kinds(&run(|t| if (2.0..2.1).contains(&t) { 0.0 } else { ripple(t) })), []);
    }
}
