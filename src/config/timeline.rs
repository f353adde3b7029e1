//! How long a plan can take on a rig and how much energy it can move, stage by stage.

use super::effective::{EffectiveLimits, effective};
use super::plan::{Plan, Stage, UpTo};
use super::rig::Rig;
use super::skip::{cautions, needs_discovery, skip_reason};
use crate::units::{Duty, Seconds};

/// Longest coast to rest of a fan after off; fans take 4 to 100 s.
const COAST_S: f64 = 100.0;
/// How long a stage waits for a person to come to the bench, seconds.
pub(crate) const ATTEND_S: f64 = 300.0;
/// Longest time to settle where a stage states none.
const SETTLE_S: f64 = 20.0;
/// Zero readings around a stage with high current.
const ZERO_S: f64 = 2.0;
/// Stay at the target of a repeated start once its output has settled, and what waking the unit takes before.
const HELD_S: f64 = 5.0;
/// Longest wait until capacitors have bled.
const BLEED_S: f64 = 60.0;
/// Frequencies per octave of the coarse scan before an edge is bracketed.
const SCAN_PER_OCTAVE: f64 = 3.0;

/// What is planned, before it runs.
#[derive(Clone, Debug, PartialEq)]
pub struct Timeline {
    /// Stages in order.
    pub stages: Vec<StageTime>,
    /// Limits in force.
    pub limits: EffectiveLimits,
    /// What a person should know before the run.
    pub cautions: Vec<String>,
}

/// One stage of the timeline.
#[derive(Clone, Debug, PartialEq)]
pub struct StageTime {
    /// Name as in plan files.
    pub stage: &'static str,
    /// Longest time that it can take, seconds; 0 when skipped.
    pub worst_s: f64,
    /// Energy that can flow in that time within the limits in force, joules.
    pub peak_energy_j: f64,
    /// Why the rig must skip it; `None` when it can be done.
    pub skipped: Option<String>,
}

impl Timeline {
    /// Longest time of the whole run, seconds.
    #[must_use]
    pub fn worst_s(&self) -> f64 {
        self.stages.iter().map(|stage| stage.worst_s).sum()
    }
}

/// The timeline of `plan` on `rig`.
pub(crate) fn timeline(rig: &Rig, plan: &Plan) -> Timeline {
    let limits = effective(rig, plan);
    let mut discovered = false;
    let mut stages = Vec::new();
    for stage in &plan.stages {
        let mut skipped = skip_reason(rig, stage);
        if skipped.is_none() && needs_discovery(stage) && !discovered {
            skipped = Some("no `discover` before it tells the unit's command frequency and level".to_owned());
        }
        discovered |= skipped.is_none() && matches!(stage, Stage::Discover { .. } | Stage::Triage { .. });
        stages.push(stage_time(rig, &limits, stage, skipped));
    }
    let mut timeline = Timeline { stages, cautions: cautions(rig, plan), limits };
    let (worst, allowed) = (timeline.worst_s(), &timeline.limits.energised_s);
    if worst > allowed.value {
        let text = format!(
            "at worst the stages take {}, but {} are allowed ({}): the last ones may be left out",
            duration(worst),
            duration(allowed.value),
            allowed.from
        );
        timeline.cautions.push(text);
    }
    timeline
}

fn stage_time(rig: &Rig, limits: &EffectiveLimits, stage: &Stage, skipped: Option<String>) -> StageTime {
    let worst_s = if skipped.is_some() { 0.0 } else { worst_s(rig, stage) };
    let current_a = match stage {
        Stage::Sleep { .. } => limits.off_a.value,
        _ => limits.continuous_a.value,
    };
    StageTime { stage: stage.name(), worst_s, peak_energy_j: rig.supply.voltage.get() * current_a * worst_s, skipped }
}

/// Longest time of a stage, seconds: every wait taken to its end, every coast at its longest.
fn worst_s(rig: &Rig, stage: &Stage) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "lists of a plan are short")]
    let count = |n: usize| n as f64;
    match stage {
        Stage::FirstPower { settle } => ZERO_S + settle.get(),
        Stage::SupplyOpen { watch } => watch.get() + COAST_S,
        Stage::LineCheck { each } => 4.0 * each.get() + COAST_S,
        // Four readings tell the level: 35 and 65 %, 20 and 80 %.
        Stage::Discover { frequencies, answer_within } => {
            (count(frequencies.len()) + 4.0) * (answer_within.get() + COAST_S)
        }
        // Two coasts and a climb, each sleep at its longest.
        Stage::Triage { frequencies, answer_within, asleep_within, .. } => {
            count(frequencies.len()) * (answer_within.get() + SETTLE_S)
                + 2.0 * (asleep_within.get() + COAST_S)
                + SETTLE_S
        }
        Stage::SoftStart { settle_within, .. } => 2.0 * ZERO_S + settle_within.get() + COAST_S,
        Stage::Sweep { step, fine, to, settle_within } => {
            let points = (highest(rig, *to).fraction() / step.fraction()).ceil() + 1.0;
            let halvings = (step.fraction() / fine.fraction()).log2().ceil();
            2.0 * (points * settle_within.get() + halvings * (settle_within.get() + COAST_S))
        }
        Stage::Drop { hold } => 2.0 * ZERO_S + SETTLE_S + hold.get() + COAST_S,
        Stage::FrequencyEdges { from, to, within, thresholds_at, .. } => {
            let more = count(thresholds_at.len()) * (2.0 * SETTLE_S + 3.0 * COAST_S);
            let scan = SCAN_PER_OCTAVE * (to.get() / from.get()).log2();
            let halvings = (1.0 / (SCAN_PER_OCTAVE * within.get())).log2().max(0.0);
            (scan + 2.0 * halvings).ceil() * SETTLE_S + COAST_S + more
        }
        Stage::LossOfSignal { losses, watch, .. } => count(losses.len()) * (SETTLE_S + watch.get() + COAST_S),
        Stage::PowerUp { settle_within, .. } => 2.0 * ZERO_S + settle_within.get() + 2.0 * COAST_S,
        Stage::Soak { duties, each } => 2.0 * ZERO_S + count(duties.len()) * each.get() + COAST_S,
        Stage::Repeats { starts, stops, .. } => f64::from(*starts + *stops) * (SETTLE_S + COAST_S),
        Stage::HotRestart { warm, by, settle_within, .. } => {
            2.0 * ZERO_S + count(by.len()) * (warm.get() + settle_within.get() + 2.0 * COAST_S)
        }
        Stage::Capacitance { warm, settle, .. } => ZERO_S + warm.get() + COAST_S + BLEED_S + settle.get(),
        Stage::RepeatedStarts { count, rest, settle_within, .. } => {
            ZERO_S + f64::from(*count) * (rest.get() + settle_within.get() + HELD_S + COAST_S)
        }
        Stage::SupplyDip { levels, hold, watch, .. } => {
            ZERO_S + count(levels.len()) * (hold.get() + passage_s(watch.get())) + COAST_S
        }
        Stage::Crank { times, watch, .. } => {
            ZERO_S + times.iter().map(|time| time.get()).sum::<f64>() + passage_s(watch.get()) + COAST_S
        }
        Stage::SupplySweep { step, stay, confirm, down_to, up_to, .. } => {
            let (own, range) = (rig.supply.voltage, rig.supply.range);
            let low = down_to.or(range.map_or(own, |range| range.lowest));
            let steps = (up_to.or(range.map_or(own, |range| range.highest)) - low).get() / step.get();
            // Away and back, the way back confirmed level by level, and a unit that must be brought back at each end.
            2.0 * steps * stay.get() + steps * (confirm.get() + stay.get()) + 2.0 * passage_s(confirm.get()) + COAST_S
        }
        Stage::Stall { hold, watch, tries, rest, .. } => {
            let cools_s = stall_rest(rig, *rest, *hold).get();
            let each_s = ZERO_S + SETTLE_S + BLEED_S + 2.0 * hold.get() + watch.get();
            f64::from(*tries) * (each_s + cools_s)
        }
        // The person has as long to come as the stage waits for them.
        Stage::FlexWatch { watch, .. } => ZERO_S + ATTEND_S + SETTLE_S + watch.get() + COAST_S,
        Stage::Sleep { longest } => longest.get() + SETTLE_S + COAST_S,
        Stage::Hold { time, .. } => time.get() + COAST_S,
    }
}

/// Rest between tries on a dummy load: what the plan asks for, or what the load needs to cool if that is longer.
#[must_use]
pub fn stall_rest(rig: &Rig, asked: Seconds, hold: Seconds) -> Seconds {
    let needed = rig.dummy().map_or(Seconds(0.0), |dummy| dummy.rest_after(rig.supply.voltage, hold));
    if needed > asked { needed } else { asked }
}

/// Before and after a change of the supply: settled, then watched, once more after an off command, and once more after the
/// supply was away.
fn passage_s(watch_s: f64) -> f64 {
    SETTLE_S + 3.0 * watch_s + BLEED_S
}

/// The highest duty that a stage goes to.
fn highest(rig: &Rig, to: UpTo<Duty>) -> Duty {
    to.or(rig.command.most_duty)
}

/// A time in words: `45 s`, `12 min 30 s`, `1 h 20 min`.
#[must_use]
pub fn duration(seconds: f64) -> String {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped; whole seconds are enough")]
    let whole = seconds.clamp(0.0, 1e9).round() as u64;
    match (whole / 3600, whole / 60 % 60, whole % 60) {
        (0, 0, s) => format!("{s} s"),
        (0, min, 0) => format!("{min} min"),
        (0, min, s) => format!("{min} min {s} s"),
        (h, 0, _) => format!("{h} h"),
        (h, min, _) => format!("{h} h {min} min"),
    }
}
