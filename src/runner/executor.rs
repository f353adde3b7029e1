//! Goes through the stages of a plan: skips what rig or unit make impossible, tells how each went, ends with a zero, and
//! looks again at what is left open.

use crate::bench::{Pace, Setting};
use crate::config;
use crate::config::plan::{Plan, Stage};
use crate::record::event::StageEnd;
use crate::runner::looks::{self, Advise};
use crate::runner::session::{Session, Work};
use crate::runner::stages;
use crate::runner::stages::{
    discover, first_power, flex_watch, frequency_edges, hold, hot_restart, repeated_starts, stall, supply_dip,
    supply_sweep, sweep, triage,
};
use crate::safety::Halt;

/// Tells that a stage begins (position, name).
pub(crate) type OnStage<'a> = dyn FnMut(usize, &'static str) + 'a;

/// Runs every stage, then looks again at what `advise` finds open; `Err` when the run was stopped in one.
pub(crate) fn execute(session: &mut Session<'_>, on_stage: &mut OnStage<'_>, advise: Advise) -> Result<(), Halt> {
    let plan: &Plan = session.plan;
    if !matches!(plan.stages.first(), Some(Stage::FirstPower { .. })) {
        session.set(Setting::SAFE)?;
    }
    for (index, stage) in plan.stages.iter().enumerate() {
        on_stage(index, stage.name());
        session.sup.begin_stage(index, stage.name());
        let end = match hindrance(session, stage) {
            Some(why) => StageEnd::Skipped { why },
            None => match perform(session, stage)? {
                Ok(()) => StageEnd::Done,
                Err(why) => StageEnd::Partial { why },
            },
        };
        session.sup.end_stage(end);
    }
    rest(session)?;
    looks::look_again(session, on_stage, advise)
}

/// The end of a part of a run: supply off, with a zero after high current.
pub(crate) fn rest(session: &mut Session<'_>) -> Result<(), Halt> {
    if session.zero_due {
        return session.zero();
    }
    session.set(Setting::SAFE)?;
    session.read(0.1, Pace::Slow)
}

/// Why a stage is not begun; `None` when it can be.
fn hindrance(session: &mut Session<'_>, stage: &Stage) -> Option<String> {
    if matches!(stage, Stage::FirstPower { .. }) {
        return None;
    }
    if session.now_s() > session.plan.time_limit.get() {
        return Some("the plan's time limit is used up".to_owned());
    }
    let by_supply = matches!(stage, Stage::SupplyDip { .. } | Stage::Crank { .. } | Stage::SupplySweep { .. });
    let lacks = config::skip_reason(session.rig, stage)
        .or_else(|| (by_supply && !session.can.level).then(|| "the bench takes no control `supply_v`".to_owned()));
    if lacks.is_some() || !config::needs_discovery(stage) {
        return lacks;
    }
    if let Some(dead) = &session.known.dead {
        return Some(dead.clone());
    }
    if session.known.frequency.is_none() {
        return Some("the unit's command frequency and level are not known (no `discover` before)".to_owned());
    }
    if matches!(stage, Stage::FlexWatch { .. }) && !flex_watch::has_hands(session) {
        return Some(flex_watch::NOBODY.to_owned());
    }
    if session.known.off.is_none() && !matches!(stage, Stage::Drop { .. }) {
        return Some("no duty is known that stops the fan".to_owned());
    }
    None
}

/// Goes through one stage.
pub(crate) fn perform(session: &mut Session<'_>, stage: &Stage) -> Work {
    match stage {
        Stage::FirstPower { settle } => first_power::run(session, *settle),
        Stage::SupplyOpen { watch } => stages::supply_open::run(session, *watch),
        Stage::LineCheck { each } => stages::line_check::run(session, *each),
        Stage::Discover { frequencies, answer_within } => match session.rig.dummy() {
            None => discover::run(session, frequencies, *answer_within),
            Some(_) => stages::discover_standing::run(session, frequencies),
        },
        Stage::Triage { frequencies, answer_within, to, asleep_within } => {
            let (answer_within, asleep_within) = (*answer_within, *asleep_within);
            triage::run(session, triage::Ask { frequencies, answer_within, to: *to, asleep_within })
        }
        Stage::SoftStart { to, settle_within } => stages::soft_start::run(session, *to, *settle_within),
        Stage::Sweep { step, fine, to, settle_within } => {
            let ask =
                sweep::Ask { step: step.fraction(), fine: fine.fraction(), to: *to, settle_within: *settle_within };
            sweep::run(session, ask)
        }
        Stage::Drop { hold } => stages::drop::run(session, *hold),
        Stage::FrequencyEdges { from, to, within, duty, thresholds_at } => {
            let (from_hz, to_hz, within) = (from.get(), to.get(), within.get());
            frequency_edges::run(session, frequency_edges::Ask { from_hz, to_hz, within, duty: *duty, thresholds_at })
        }
        Stage::LossOfSignal { losses, watch, duty } => stages::loss_of_signal::run(session, losses, *watch, *duty),
        Stage::PowerUp { duty, settle_within } => stages::power_up::run(session, *duty, *settle_within),
        Stage::Soak { duties, each } => stages::soak::run(session, duties, *each),
        Stage::Repeats { starts, stops, fine } => stages::repeats::run(session, *starts, *stops, *fine),
        Stage::HotRestart { duty, warm, to, by, settle_within } => {
            let ask = hot_restart::Ask { duty: *duty, warm: *warm, to: *to, by, settle_within: *settle_within };
            hot_restart::run(session, ask)
        }
        Stage::Capacitance { duty, warm, settle } => stages::capacitance::run(session, *duty, *warm, *settle),
        Stage::RepeatedStarts { count, to, rest, settle_within } => {
            let ask = repeated_starts::Ask { count: *count, to: *to, rest: *rest, settle_within: *settle_within };
            repeated_starts::run(session, ask)
        }
        Stage::SupplyDip { duty, levels, hold, watch } => {
            supply_dip::run(session, supply_dip::Ask { duty: *duty, levels, hold: *hold, watch: *watch })
        }
        Stage::Crank { duty, levels, times, watch } => {
            let profile: Vec<_> = levels.iter().copied().zip(times.iter().copied()).collect();
            stages::crank::run(session, *duty, &profile, *watch)
        }
        Stage::SupplySweep { duty, step, stay, confirm, down_to, up_to } => {
            let (stay, confirm) = (*stay, *confirm);
            let ask = supply_sweep::Ask { duty: *duty, step: *step, stay, confirm, down_to: *down_to, up_to: *up_to };
            supply_sweep::run(session, ask)
        }
        Stage::Stall { duty, hold, watch, tries, rest } => {
            let ask = stall::Ask { duty: *duty, hold: *hold, watch: *watch, tries: *tries, rest: *rest };
            stall::run(session, ask)
        }
        Stage::FlexWatch { duty, watch } => flex_watch::run(session, *duty, *watch),
        Stage::Sleep { longest } => stages::sleep::run(session, *longest),
        Stage::Hold { duty, time, frequency, active } => {
            let ask = hold::Ask { duty: *duty, time: *time, frequency: *frequency, active: *active };
            hold::run(session, ask)
        }
    }
}
