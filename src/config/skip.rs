//! What a rig lacks for a stage: whether it must be skipped, and which results will be missing or mere stand-ins.

use super::plan::{Plan, Stage};
use super::rig::{FirstPower, Rig};
use crate::bench::Channel;
use crate::driver::Control;
use crate::record::event::Loss;
use crate::results::ResultName;

/// Why no capacitance can be told.
const NO_RESISTOR: &str = "first power does not come through a known resistor";

/// Why nothing can be told of another supply voltage.
const NOT_SETTABLE: &str = "the supply of this rig cannot be set during a run (no control `supply_v`)";

/// Why nothing can be told of a standing load.
const NO_DUMMY_LOAD: &str = "this rig has no dummy load; a fan is never stalled";
const NO_FAN: &str = "this rig has a dummy load in place of a fan";
const NO_LOAD_CURRENT: &str = "this rig has neither channel `fan_a` nor channel `output_v`";

/// Why `stage` cannot be done on `rig` at all; `None` when it can.
#[must_use]
pub fn skip_reason(rig: &Rig, stage: &Stage) -> Option<String> {
    let control = |control: Control| {
        (!rig.controls.contains_key(&control)).then(|| format!("this rig has no control `{}`", control.name()))
    };
    let channel = |channel: Channel| {
        (!rig.channels.contains_key(&channel)).then(|| format!("this rig has no channel `{}`", channel.name()))
    };
    match stage {
        Stage::FirstPower { .. } => None,
        Stage::SupplyOpen { .. } => control(Control::Line),
        Stage::LineCheck { .. } => control(Control::Line).or_else(|| channel(Channel::LineV)),
        Stage::Drop { .. } => control(Control::DutyPct).or_else(|| channel(Channel::OutputV)),
        Stage::Discover { .. } | Stage::Triage { .. } | Stage::FrequencyEdges { .. } => {
            control(Control::DutyPct).or_else(|| control(Control::FrequencyHz))
        }
        Stage::LossOfSignal { losses, .. } => control(Control::DutyPct)
            .or_else(|| losses.iter().all(|loss| needs_line(*loss)).then(|| control(Control::Line)).flatten()),
        Stage::Capacitance { .. } => control(Control::DutyPct).or_else(|| channel(Channel::SupplyV)).or_else(|| {
            let known = matches!(rig.first_power, FirstPower::PreCharge { .. });
            (!known).then(|| NO_RESISTOR.to_owned())
        }),
        Stage::SupplyDip { .. } | Stage::Crank { .. } | Stage::SupplySweep { .. } => {
            let settable = || rig.supply.range.is_none().then(|| NOT_SETTABLE.to_owned());
            settable().or_else(|| control(Control::DutyPct)).or_else(|| channel(Channel::SupplyV))
        }
        Stage::Stall { .. } => control(Control::DutyPct).or_else(|| {
            let seen = [Channel::FanA, Channel::OutputV].iter().any(|channel| rig.channels.contains_key(channel));
            (!seen).then(|| NO_LOAD_CURRENT.to_owned())
        }),
        Stage::SoftStart { .. }
        | Stage::Sweep { .. }
        | Stage::PowerUp { .. }
        | Stage::Soak { .. }
        | Stage::Repeats { .. }
        | Stage::HotRestart { .. }
        | Stage::RepeatedStarts { .. }
        | Stage::FlexWatch { .. }
        | Stage::Sleep { .. }
        | Stage::Hold { .. } => control(Control::DutyPct),
    }
}

/// Whether a stage commands what only `discover` can tell: the frequency and the level of this unit.
pub(crate) const fn needs_discovery(stage: &Stage) -> bool {
    !matches!(
        stage,
        Stage::FirstPower { .. }
            | Stage::SupplyOpen { .. }
            | Stage::LineCheck { .. }
            | Stage::Discover { .. }
            | Stage::Triage { .. }
            | Stage::Hold { .. }
    )
}

/// Whether the loss is made by releasing or holding the line.
const fn needs_line(loss: Loss) -> bool {
    matches!(loss, Loss::Open | Loss::HeldLow | Loss::HeldHigh)
}

/// Results that `rig` cannot give or gives as stand-ins only, whatever the plan, with the reason.
#[must_use]
pub fn missing_results(rig: &Rig) -> Vec<(ResultName, &'static str)> {
    use ResultName as R;
    let has = |channel: Channel| rig.channels.contains_key(&channel);
    let low_range = rig.channels.get(&Channel::SupplyA).is_some_and(|current| current.low.is_some());
    let mut missing = Vec::new();
    let mut note = |results: &[ResultName], absent: bool, why: &'static str| {
        if absent {
            missing.extend(results.iter().map(|result| (*result, why)));
        }
    };
    let pre_charge = matches!(rig.first_power, FirstPower::PreCharge { .. });
    let charged = [R::CapacitanceF, R::CapacitanceWarmF, R::CapacitanceChangePct];
    note(&charged, !pre_charge, NO_RESISTOR);
    note(&charged, pre_charge && !has(Channel::SupplyV), "no supply voltage channel");
    let by_supply = [
        R::SupplyDip,
        R::DipRiddenV,
        R::DipBackS,
        R::Crank,
        R::CrankBackS,
        R::CutOutLowV,
        R::CutInLowV,
        R::LockHysteresisLowV,
        R::CutOutHighV,
        R::CutInHighV,
        R::LockHysteresisHighV,
    ];
    note(&by_supply, rig.supply.range.is_none(), NOT_SETTABLE);
    note(&by_supply, rig.supply.range.is_some() && !has(Channel::SupplyV), "no supply voltage channel");
    note(&[R::Stall, R::StallLimitA, R::StallCutOffS, R::StallRetryS], rig.dummy().is_none(), NO_DUMMY_LOAD);
    note(&[R::PullUpV, R::LineKind], !has(Channel::LineV), "no line voltage channel");
    let one_load = rig.line.low_resistance.is_none() && rig.line.sense_resistance.is_none();
    note(
        &[R::PullUpOhm],
        !has(Channel::LineV) || one_load,
        "no line voltage channel, or no load of known resistance on it",
    );
    note(&[R::OutputOnPct, R::OutputOffPct], !has(Channel::OutputV), "no output voltage channel");
    note(&[R::DropV, R::OnResistanceOhm], !has(Channel::OutputV), "no output voltage channel");
    note(&[R::DropV, R::OnResistanceOhm], has(Channel::OutputV) && !has(Channel::SupplyV), "no supply voltage channel");
    note(&[R::HeatRiseK, R::HeatTauS], !has(Channel::CaseC), "no case temperature channel");
    note(&[R::HeatRiseK], has(Channel::CaseC) && !has(Channel::AmbientC), "no ambient temperature channel");
    note(
        &[R::SleepA, R::SleepAfterS, R::BatteryDays],
        !low_range,
        "no low current range: only a bound, limits stay open",
    );
    let fixed = !rig.controls.contains_key(&Control::FrequencyHz);
    note(&[R::CommandHzLow, R::CommandHzHigh], fixed, "the command frequency is fixed");
    note(&[R::LossOpen, R::LossOpenAfterS], !rig.controls.contains_key(&Control::Line), "the line cannot be released");
    if rig.dummy().is_some() {
        missing.retain(|(result, _)| stands_for(*result));
        missing.extend(R::ALL.iter().filter(|result| !stands_for(**result)).map(|result| (*result, NO_FAN)));
    }
    missing
}

/// Whether a rig with a dummy load can give a result: what needs no fan, and what only a load that stands can show.
const fn stands_for(result: ResultName) -> bool {
    use ResultName as R;
    matches!(
        result,
        R::CommandHz
            | R::ActiveLevel
            | R::PullUpV
            | R::PullUpOhm
            | R::LineKind
            | R::CapacitanceF
            | R::Stall
            | R::StallLimitA
            | R::StallCutOffS
            | R::StallRetryS
    )
}

/// What a person should know before this plan runs on this rig.
#[must_use]
pub fn cautions(rig: &Rig, plan: &Plan) -> Vec<String> {
    let mut cautions = Vec::new();
    if let Some(dummy) = rig.dummy() {
        cautions.push(format!(
            "the dummy load \"{}\" must be on the module and the fan off it; it gets hot enough to burn and to set fire",
            dummy.name
        ));
    }
    if rig.first_power == FirstPower::Straight {
        cautions.push(
            "first power comes straight from the supply: nothing limits the current into a shorted unit but the fuse"
                .to_owned(),
        );
    }
    if !matches!(plan.stages.first(), Some(Stage::FirstPower { .. })) {
        cautions.push(
            "the plan does not begin with `first_power`: no channel is zeroed and power comes straight on".to_owned(),
        );
    }
    if !rig.supply.sinks {
        cautions.push(
            "the supply takes no current back: a braking unit lifts its voltage; put a battery or a clamp across it"
                .to_owned(),
        );
    }
    if rig.emergency_stop.is_none() && rig.driver.played().is_none() {
        cautions
            .push("no emergency stop input: the program cannot tell whether the hardwired stop is pressed".to_owned());
    }
    let flexed = plan.stages.iter().any(|stage| matches!(stage, Stage::FlexWatch { .. }));
    if flexed && rig.driver.played().is_none() {
        cautions.push("`flex_watch` needs somebody at the bench: a run without a terminal skips it".to_owned());
    }
    if rig.fan().is_some() && rig.tach.is_none() && !rig.channels.contains_key(&Channel::SpeedRpm) {
        cautions.push("no tach: speed comes from the ripple of the current".to_owned());
    }
    if !rig.channels.contains_key(&Channel::CaseC) {
        cautions.push("no case temperature channel: an overheating unit is not noticed".to_owned());
    }
    let missing = missing_results(rig);
    for result in plan.limits.keys() {
        if let Some((_, why)) = missing.iter().find(|(absent, _)| absent == result) {
            cautions.push(format!("the limit on `{result}` will stay open: {why}"));
        }
    }
    cautions
}
