//! Typical bench time of a stage, for the remaining time shown while a run goes on. Worst cases are `check`'s business.

use crate::config::plan::Stage;

/// About how long a stage takes on a unit with a ramp of a few seconds, seconds.
pub(crate) fn typical_s(stage: &Stage) -> f64 {
    let count = |n: usize| f64::from(u32::try_from(n).unwrap_or(u32::MAX));
    match stage {
        Stage::FirstPower { .. } => 3.0,
        Stage::SupplyOpen { watch } => watch.get(),
        Stage::LineCheck { each } => 3.0 * each.get() + 1.0,
        Stage::Discover { .. } => 50.0,
        Stage::Triage { .. } => 50.0,
        Stage::SoftStart { .. } => 35.0,
        Stage::Sweep { step, .. } => 60.0 + 6.0 / step.fraction().max(0.005),
        Stage::Drop { hold } => 8.0 + hold.get(),
        Stage::FrequencyEdges { thresholds_at, .. } => 150.0 + 45.0 * count(thresholds_at.len()),
        Stage::LossOfSignal { losses, .. } => 15.0 * count(losses.len()),
        Stage::PowerUp { .. } => 35.0,
        Stage::Soak { duties, each } => count(duties.len()) * each.get().min(240.0),
        Stage::Repeats { starts, stops, .. } => 15.0 * f64::from(*starts) + 30.0 * f64::from(*stops),
        Stage::HotRestart { warm, by, .. } => count(by.len()) * (warm.get() + 40.0),
        Stage::Capacitance { warm, .. } => warm.get() + 60.0,
        Stage::RepeatedStarts { count, rest, .. } => f64::from(*count) * (rest.get() + 22.0),
        Stage::SupplyDip { levels, hold, .. } => 15.0 + count(levels.len()) * (hold.get() + 8.0),
        Stage::Crank { times, .. } => 25.0 + times.iter().map(|time| time.get()).sum::<f64>(),
        Stage::SupplySweep { step, stay, confirm, .. } => 12.0 / step.get() * stay.get() + 8.0 * confirm.get() + 30.0,
        Stage::Stall { hold, tries, rest, .. } => f64::from(*tries) * (2.0 * hold.get() + rest.get() + 15.0),
        Stage::FlexWatch { watch, .. } => watch.get() + 30.0,
        Stage::Sleep { longest } => longest.get().min(60.0) + 15.0,
        Stage::Hold { time, .. } => time.get() + 2.0,
    }
}
