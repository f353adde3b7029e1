//! Further looks at limits that the plan's stages left open: the stages that tell more are repeated, shortened where that
//! is enough, while bench time and the looks of the plan allow it.
//!
//! What is open is judged by a pure function over the record so far, which the caller of the run gives; it is asked with
//! the supply off. The analysis pools all spans of a kind, so that nothing here computes.

use std::collections::BTreeMap;

use crate::config::plan::{Plan, Stage};
use crate::record::event::StageEnd;
use crate::record::recording::Recording;
use crate::results::ResultName as R;
use crate::runner::estimate;
use crate::runner::executor::{OnStage, perform, rest};
use crate::runner::session::{Session, Work};
use crate::runner::stages::power_up::BLEED_WITHIN_S;
use crate::safety::Halt;
use crate::units::{Duty, Ratio, Seconds};
use crate::verdict::{Doubt, Lack};

/// Tells which limits are open in the record so far.
pub type Advise = fn(&Recording) -> Vec<Doubt>;

/// Start and stop trials where the plan itself states none.
const TRIALS: u32 = 6;
/// Finest step of those.
const FINE: f64 = 0.0025;
/// Stay per duty that gives two more windows of steadiness.
const STEADY: Seconds = Seconds(75.0);

/// A stage to be repeated.
struct Again {
    /// Its position in the plan.
    index: usize,
    stage: Stage,
    /// Limits it tells more of, with why they are open.
    limits: BTreeMap<R, String>,
    /// Bench time it is expected to take, seconds.
    expected_s: f64,
}

/// Looks again as often as the plan allows; leaves the bench at rest with the supply off.
pub(crate) fn look_again(session: &mut Session<'_>, on_stage: &mut OnStage<'_>, advise: Advise) -> Result<(), Halt> {
    let plan: &Plan = session.plan;
    if plan.limits.is_empty() {
        return Ok(());
    }
    let begin_s = session.now_s();
    for number in 2..=plan.risk.looks {
        let doubts = advise(session.rec());
        let used_s = session.now_s() - begin_s;
        let left_s = (plan.time_limit.get() - session.now_s()).min(plan.look_again_within.get() - used_s);
        let (chosen, passed_over) = within(wanted(session, &doubts), left_s);
        for again in passed_over {
            session.sup.note(format!(
                "not looked at again: {} by {}, which takes about {:.0} s of {left_s:.0} s left",
                names(&again.limits),
                again.stage.name(),
                again.expected_s
            ));
        }
        if chosen.is_empty() {
            break;
        }
        let limits = chosen.iter().flat_map(|again| again.limits.clone()).collect();
        session.sup.look(number, limits, chosen.iter().map(|again| again.stage.name().to_owned()).collect());
        for again in &chosen {
            on_stage(again.index, again.stage.name());
            session.sup.begin_stage(again.index, again.stage.name());
            let end = match repeat(session, &again.stage)? {
                Ok(()) => StageEnd::Done,
                Err(why) => StageEnd::Partial { why },
            };
            session.sup.end_stage(end);
        }
        rest(session)?;
    }
    Ok(())
}

/// Goes through a stage once more.
fn repeat(session: &mut Session<'_>, stage: &Stage) -> Work {
    if !matches!(stage, Stage::FirstPower { .. }) {
        return perform(session, stage);
    }
    // A charge is seen only by a unit without one.
    session.zero()?;
    if !session.wait_bled(BLEED_WITHIN_S)? {
        return Ok(Err("the capacitors had not bled".to_owned()));
    }
    session.zero_due = true;
    perform(session, stage)
}

fn names(limits: &BTreeMap<R, String>) -> String {
    limits.keys().map(|name| name.words()).collect::<Vec<_>>().join(", ")
}

/// Stages that fit into the time left, taken in their order, and those that do not.
fn within(wanted: Vec<Again>, mut left_s: f64) -> (Vec<Again>, Vec<Again>) {
    wanted.into_iter().partition(|again| {
        let fits = again.expected_s <= left_s;
        left_s -= if fits { again.expected_s } else { 0.0 };
        fits
    })
}

/// Stages that tell more of what is in doubt, in the order of the plan.
fn wanted(session: &Session<'_>, doubts: &[Doubt]) -> Vec<Again> {
    let stages = &session.plan.stages;
    let mut taken: Vec<R> = Vec::new();
    let mut all = Vec::new();
    for (index, stage) in stages.iter().enumerate() {
        let limits: BTreeMap<R, String> = doubts
            .iter()
            .filter(|doubt| tells(stage, stages, doubt.name) && !taken.contains(&doubt.name))
            .filter(|doubt| worth_it(session.rec(), stage, doubt.lack))
            .map(|doubt| (doubt.name, doubt.why.clone()))
            .collect();
        if limits.is_empty() {
            continue;
        }
        taken.extend(limits.keys());
        let stage = shortened(stage, &limits);
        let expected_s = expected_s(session.rec(), stages.get(index), &stage);
        all.push(Again { index, stage, limits, expected_s });
    }
    all
}

/// Whether `stage` gives, or narrows, that result.
fn tells(stage: &Stage, all: &[Stage], name: R) -> bool {
    let duty = matches!(
        name,
        R::StartDutyPct | R::StartDuty95Pct | R::StopDutyPct | R::HysteresisPct | R::OutputOnPct | R::OutputOffPct
    );
    match stage {
        Stage::FirstPower { .. } => name == R::CapacitanceF,
        Stage::SoftStart { .. } => matches!(
            name,
            R::CommandDelayS
                | R::Ramp1090S
                | R::RampFullS
                | R::PeakSupplyA
                | R::InrushRatio
                | R::SoftStartShare
                | R::OutputOffDelayS
                | R::RunDownS
        ),
        // Its thresholds are told by more trials where the plan has a stage of them.
        Stage::Sweep { .. } => {
            let repeated = all.iter().any(|other| matches!(other, Stage::Repeats { .. }));
            matches!(name, R::SaturationDutyPct | R::UpperCutoffPct) || (duty && !repeated)
        }
        Stage::Repeats { .. } => duty,
        Stage::Drop { .. } => matches!(name, R::DropV | R::OnResistanceOhm),
        Stage::FrequencyEdges { .. } => matches!(name, R::CommandHzLow | R::CommandHzHigh),
        Stage::PowerUp { .. } => name == R::PowerUpPeakA,
        Stage::Soak { .. } => matches!(name, R::SteadinessPct | R::HeatRiseK | R::HeatTauS),
        Stage::RepeatedStarts { .. } => matches!(name, R::StartFailurePct | R::StartDelaySdS),
        Stage::HotRestart { .. } => matches!(name, R::HotDelayS | R::HotInrushRatio),
        Stage::Sleep { .. } => {
            matches!(name, R::SleepA | R::SleepAfterS | R::BatteryDays | R::CommandDelayAsleepS)
        }
        Stage::SupplyDip { .. } => matches!(name, R::DipRiddenV | R::DipBackS),
        Stage::Crank { .. } => name == R::CrankBackS,
        Stage::Stall { .. } => matches!(name, R::StallLimitA | R::StallCutOffS | R::StallRetryS),
        Stage::SupplySweep { .. } => matches!(
            name,
            R::CutOutLowV
                | R::CutInLowV
                | R::LockHysteresisLowV
                | R::CutOutHighV
                | R::CutInHighV
                | R::LockHysteresisHighV
        ),
        Stage::SupplyOpen { .. }
        | Stage::LineCheck { .. }
        | Stage::Discover { .. }
        | Stage::Triage { .. }
        | Stage::LossOfSignal { .. }
        | Stage::Capacitance { .. }
        // Nobody is asked to come back for a second look.
        | Stage::FlexWatch { .. }
        | Stage::Hold { .. } => false,
    }
}

/// Whether repeating `stage` may bring what is lacking: an absent result only where the stage itself did not come through,
/// an open end only where more trials close it.
fn worth_it(rec: &Recording, stage: &Stage, lack: Lack) -> bool {
    let last = rec.stages.iter().rev().find(|run| run.stage == stage.name()).and_then(|run| run.end.as_ref());
    match lack {
        Lack::Readings => matches!(last, Some(StageEnd::Done | StageEnd::Partial { .. })),
        Lack::Trials => matches!(stage, Stage::Repeats { .. } | Stage::Sweep { .. }) && last.is_some(),
        Lack::Result => matches!(last, Some(StageEnd::Partial { .. })),
        Lack::Other => false,
    }
}

/// `stage` with no more in it than `limits` need.
fn shortened(stage: &Stage, limits: &BTreeMap<R, String>) -> Stage {
    let any = |names: &[R]| names.iter().any(|name| limits.contains_key(name));
    let starting = any(&[R::StartDutyPct, R::StartDuty95Pct, R::OutputOnPct, R::HysteresisPct]);
    let stopping = any(&[R::StopDutyPct, R::OutputOffPct, R::HysteresisPct]);
    let trials = |wanted: bool, planned: u32| match (wanted, planned) {
        (false, _) => 0,
        (true, 0) => TRIALS,
        (true, planned) => planned,
    };
    match stage {
        Stage::Repeats { starts, stops, fine } => {
            Stage::Repeats { starts: trials(starting, *starts), stops: trials(stopping, *stops), fine: *fine }
        }
        Stage::Sweep { fine, .. } if !any(&[R::SaturationDutyPct, R::UpperCutoffPct]) => Stage::Repeats {
            starts: trials(starting, 0),
            stops: trials(stopping, 0),
            fine: Duty::clamped(fine.fraction().min(FINE)),
        },
        Stage::Drop { hold } => Stage::Drop { hold: Seconds(2.0 * hold.get()) },
        Stage::FrequencyEdges { from, to, within, duty, .. } => {
            let (within, thresholds_at) = (Ratio((0.5 * within.get()).max(0.001)), Vec::new());
            Stage::FrequencyEdges { from: *from, to: *to, within, duty: *duty, thresholds_at }
        }
        Stage::Soak { duties, each } if !any(&[R::HeatRiseK, R::HeatTauS]) => {
            Stage::Soak { duties: duties.clone(), each: Seconds(STEADY.get().min(each.get())) }
        }
        other => other.clone(),
    }
}

/// Bench time that `stage` will take: what it took before, in the share that is left of it, else what is typical.
fn expected_s(rec: &Recording, planned: Option<&Stage>, stage: &Stage) -> f64 {
    let took = rec.stages.iter().filter(|run| run.stage == stage.name()).map(|run| run.t1_s - run.t0_s);
    let share = planned.map_or(1.0, |planned| estimate::typical_s(stage) / estimate::typical_s(planned).max(1.0));
    match took.reduce(f64::max) {
        Some(took_s) if planned.is_some_and(|planned| planned.name() == stage.name()) => took_s * share,
        _ => estimate::typical_s(stage),
    }
}
