//! Reasons for results that no stretch of the recording could yield: the stage that would have, and what became of it.

use crate::record::event::StageEnd;
use crate::record::recording::Recording;
use crate::results::{Findings, ResultName};

/// Gives every result that is neither measured nor already absent a reason.
pub(crate) fn fill(rec: &Recording, findings: &mut Findings) {
    for name in ResultName::ALL {
        if !findings.results.contains_key(name) && !findings.absent.contains_key(name) {
            findings.miss(*name, reason(rec, *name));
        }
    }
}

/// The stage whose stretches yield a result, and what it looks for.
const fn stage_of(name: ResultName) -> (&'static str, &'static str) {
    use ResultName as R;
    match name {
        R::CommandHz | R::ActiveLevel => ("discover", "an answer to the command"),
        R::PullUpV | R::PullUpOhm | R::LineKind => ("line_check", "the line released and held"),
        R::OutputOnPct
        | R::OutputOffPct
        | R::StartDutyPct
        | R::StartDuty95Pct
        | R::StopDutyPct
        | R::HysteresisPct
        | R::SaturationDutyPct
        | R::UpperCutoffPct => ("sweep", "a staircase of the command"),
        R::SpeedRpm => ("sweep", "a settled constant command"),
        R::CommandHzLow | R::CommandHzHigh => ("frequency_edges", "a staircase of the command frequency"),
        R::CommandDelayS
        | R::Ramp1090S
        | R::RampShape
        | R::RampFullS
        | R::PeakSupplyA
        | R::InrushRatio
        | R::SoftStartShare => ("soft_start", "a start from standstill"),
        R::PowerUp | R::PowerUpPeakA => ("power_up", "the supply coming with the command there"),
        R::HotRestart | R::HotDelayS | R::HotInrushRatio => ("hot_restart", "a start of a warm unit"),
        R::StartFailurePct | R::StartDelaySdS => ("repeated_starts", "starts in a row"),
        R::Stall | R::StallLimitA | R::StallCutOffS | R::StallRetryS => ("stall", "a standing load"),
        R::SupplyDip | R::DipRiddenV | R::DipBackS => ("supply_dip", "a dip of the supply"),
        R::Crank | R::CrankBackS => ("crank", "a cranking profile of the supply"),
        R::CutOutLowV
        | R::CutInLowV
        | R::LockHysteresisLowV
        | R::CutOutHighV
        | R::CutInHighV
        | R::LockHysteresisHighV => ("supply_sweep", "a slow sweep of the supply voltage"),
        R::FlexDropouts => ("flex_watch", "a harness being flexed"),
        R::OutputOffDelayS | R::RunDownS => ("soft_start", "an off command from settled turning"),
        R::CommandDelayAsleepS => ("sleep", "a start from asleep"),
        R::SleepA | R::SleepAfterS | R::BatteryDays => ("sleep", "a wait at the inactive level"),
        R::DropV | R::OnResistanceOhm => ("drop", "a flat-out stretch"),
        R::CapacitanceF => ("first_power", "the input charging through a known resistance"),
        R::CapacitanceWarmF | R::CapacitanceChangePct => ("capacitance", "a warm input charging"),
        R::SteadinessPct | R::HeatRiseK | R::HeatTauS => ("soak", "a long hold"),
        R::LossFull | R::LossFullAfterS => ("loss_of_signal", "a command of 100 %"),
        R::LossZero | R::LossZeroAfterS => ("loss_of_signal", "a command of 0 %"),
        R::LossOpen | R::LossOpenAfterS => ("loss_of_signal", "a released line"),
    }
}

fn reason(rec: &Recording, name: ResultName) -> String {
    let (stage, what) = stage_of(name);
    if rec.stages.is_empty() {
        return format!("the trace holds nothing that shows {what}");
    }
    let Some(run) = rec.stages.iter().rev().find(|run| run.stage == stage) else {
        return format!("stage {stage} was not run");
    };
    match &run.end {
        Some(StageEnd::Skipped { why }) => format!("stage {stage} was skipped: {why}"),
        Some(StageEnd::Partial { why }) => format!("stage {stage} was not completed: {why}"),
        Some(StageEnd::Stopped) | None => format!("the run was stopped in stage {stage}"),
        Some(StageEnd::Done) => format!("stage {stage} did not show {what}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::recording::StageRun;

    #[test]
    fn every_result_gets_a_reason_that_names_its_stage() {
        let mut rec = Recording::default();
        let skipped = StageEnd::Skipped { why: "the rig has no case temperature".to_owned() };
        rec.stages.push(StageRun { stage: "soak".to_owned(), t0_s: 0.0, t1_s: 0.0, end: Some(skipped) });
        let mut findings = Findings::default();
        findings.miss(ResultName::DropV, "kept");
        fill(&rec, &mut findings);
        assert_eq!(findings.absent.len(), ResultName::ALL.len());
        assert_eq!(findings.absent[&ResultName::DropV], "kept");
        assert_eq!(findings.absent[&ResultName::HeatRiseK], "stage soak was skipped: the rig has no case temperature");
        assert_eq!(findings.absent[&ResultName::SleepA], "stage sleep was not run");
    }

    #[test]
    fn a_trace_is_told_what_it_lacks() {
        let mut findings = Findings::default();
        fill(&Recording::default(), &mut findings);
        assert_eq!(
            findings.absent[&ResultName::CapacitanceF],
            "the trace holds nothing that shows the input charging through a known resistance"
        );
    }
}
