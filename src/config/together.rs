//! Rules across a rig and a plan: a plan beyond the rig is refused, with the place in the plan.

use super::diagnostic::{Diagnostic, Problems, Sheet};
use super::effective::effective;
use super::field::{Dim, RIG_LIMIT};
use super::plan::{Plan, Stage, UpTo};
use super::plan_table::PLAN;
use super::rig::{DummyLoad, Load, Rig};
use super::timeline::{Timeline, timeline};
use super::tree::Node;
use super::walk::walk;
use crate::driver::Control;
use crate::units::{Seconds, Volts};

/// Checks that `plan` stays within `rig`, and says what is going to happen.
///
/// # Errors
/// Everything in the plan that goes beyond the rig.
pub fn check_together(rig: &Rig, plan: &Plan) -> Result<Timeline, Problems> {
    let mut reader = Sheet::new(&plan.path, &plan.text);
    let tree = walk(&mut reader, &PLAN);
    let mut check = Check { rig, plan, tree, sheet: Sheet::new(&plan.path, &plan.text), whole: Vec::new() };
    check.current(plan);
    check.voltage();
    for (i, stage) in plan.stages.iter().enumerate() {
        check.stage(&format!("stage.{i}.{}", stage.name()), stage);
    }
    let mut problems = check.whole;
    problems.extend(check.sheet.into_problems().0);
    if problems.is_empty() { Ok(timeline(rig, plan)) } else { Err(Problems(problems)) }
}

/// Whether a stage drives the fan, or holds an output on for longer than a dummy load takes.
const fn turns_the_fan(stage: &Stage) -> bool {
    !matches!(stage, Stage::FirstPower { .. } | Stage::LineCheck { .. } | Stage::Discover { .. } | Stage::Stall { .. })
}

struct Check<'a> {
    rig: &'a Rig,
    plan: &'a Plan,
    /// The plan's text again, for places; a plan made in code has none.
    tree: Node,
    sheet: Sheet<'a>,
    whole: Vec<Diagnostic>,
}

impl Check<'_> {
    fn problem(&mut self, path: &str, title: String, help: &str) {
        let help = Some(help.to_owned()).filter(|help| !help.is_empty());
        match self.tree.at(path) {
            Some(node) => self.sheet.problem(node.span.clone(), title, help),
            None => self.whole.push(Diagnostic::of_file(self.sheet.path, title, help.as_deref())),
        }
    }

    fn current(&mut self, plan: &Plan) {
        let UpTo::Value(current) = plan.current_limit else { return };
        let (most, locked) = (self.rig.limits.instant_current, self.rig.locked());
        if current > most {
            let title = format!("`current_limit` {current} is above the {most} of the rig \"{}\"", self.rig.name);
            self.problem(
                "current_limit",
                title,
                &format!("no plan can raise a rig's limits: lower it, or write \"{RIG_LIMIT}\""),
            );
        }
        if current <= locked {
            let (draws, help) = match self.rig.load {
                Load::Fan(_) => (
                    "the load fan draws with its rotor locked",
                    "every hard start would trip: raise the limit, or use a smaller load fan",
                ),
                Load::Dummy(_) => (
                    "the dummy load draws from the rig's supply",
                    "every try would trip: raise the limit, or use a load of more resistance",
                ),
            };
            let title = format!("`current_limit` {current} is not above the {locked} that {draws}");
            self.problem("current_limit", title, help);
        }
    }

    fn voltage(&mut self) {
        let (reference, most) = (self.tree.number("reference_voltage"), self.rig.limits.highest_voltage);
        if let Some(reference) = reference.filter(|reference| *reference > most.get()) {
            let reference = Dim::Volts.show(reference);
            let title = format!("`reference_voltage` {reference} is above the highest voltage {most} of the rig");
            self.problem("reference_voltage", title, "results cannot be carried over so far");
        }
    }

    fn stage(&mut self, path: &str, stage: &Stage) {
        use Stage as S;
        if !self.fits_the_load(path, stage) {
            return;
        }
        match stage {
            S::Discover { frequencies, .. } => {
                for (i, frequency) in frequencies.iter().enumerate() {
                    self.frequency(&format!("{path}.frequencies.{i}"), frequency.get());
                }
            }
            S::Triage { frequencies, to, .. } => {
                for (i, frequency) in frequencies.iter().enumerate() {
                    self.frequency(&format!("{path}.frequencies.{i}"), frequency.get());
                }
                if let UpTo::Value(duty) = to {
                    self.duty(&format!("{path}.to"), duty.fraction(), true);
                }
            }
            S::HotRestart { duty, to, .. } => {
                self.duty(&format!("{path}.duty"), duty.fraction(), false);
                if let UpTo::Value(duty) = to {
                    self.duty(&format!("{path}.to"), duty.fraction(), true);
                }
            }
            S::Stall { duty, hold, .. } => {
                if let UpTo::Value(duty) = duty {
                    self.duty(&format!("{path}.duty"), duty.fraction(), true);
                }
                if let Load::Dummy(dummy) = &self.rig.load {
                    self.hold(&format!("{path}.hold"), dummy, *hold);
                }
            }
            S::SoftStart { to, .. } | S::Sweep { to, .. } | S::RepeatedStarts { to, .. } => {
                if let UpTo::Value(duty) = to {
                    self.duty(&format!("{path}.to"), duty.fraction(), true);
                }
            }
            S::FrequencyEdges { from, to, duty, thresholds_at, .. } => {
                for (i, frequency) in thresholds_at.iter().enumerate() {
                    self.frequency(&format!("{path}.thresholds_at.{i}"), frequency.get());
                }
                self.frequency(&format!("{path}.from"), from.get());
                self.frequency(&format!("{path}.to"), to.get());
                self.duty(&format!("{path}.duty"), duty.fraction(), false);
            }
            S::SupplyDip { duty, levels, .. } | S::Crank { duty, levels, .. } => {
                self.duty(&format!("{path}.duty"), duty.fraction(), false);
                for (i, level) in levels.iter().enumerate() {
                    self.level(&format!("{path}.levels.{i}"), *level);
                }
            }
            S::SupplySweep { duty, down_to, up_to, .. } => {
                self.duty(&format!("{path}.duty"), duty.fraction(), false);
                for (key, end) in [("down_to", down_to), ("up_to", up_to)] {
                    if let UpTo::Value(end) = end {
                        self.level(&format!("{path}.{key}"), *end);
                        self.side(&format!("{path}.{key}"), *end, key == "down_to");
                    }
                }
            }
            S::LossOfSignal { duty, .. }
            | S::PowerUp { duty, .. }
            | S::Capacitance { duty, .. }
            | S::FlexWatch { duty, .. } => {
                self.duty(&format!("{path}.duty"), duty.fraction(), false);
            }
            S::Soak { duties, .. } => {
                for (i, duty) in duties.iter().enumerate() {
                    self.duty(&format!("{path}.duties.{i}"), duty.fraction(), false);
                }
            }
            S::Hold { duty, frequency, .. } => {
                if duty.fraction() > 0.0 {
                    self.duty(&format!("{path}.duty"), duty.fraction(), false);
                }
                if let Some(frequency) = frequency {
                    self.frequency(&format!("{path}.frequency"), frequency.get());
                }
            }
            S::FirstPower { .. }
            | S::SupplyOpen { .. }
            | S::LineCheck { .. }
            | S::Drop { .. }
            | S::Repeats { .. }
            | S::Sleep { .. } => {}
        }
    }

    /// A fan is never stalled, and a dummy load never takes the place of one that is to turn.
    fn fits_the_load(&mut self, path: &str, stage: &Stage) -> bool {
        use Stage as S;
        let name = &self.rig.name;
        match (&self.rig.load, stage) {
            (Load::Fan(fan), S::Stall { .. }) => {
                let title = format!("`stall` on the rig \"{name}\", whose load is the fan \"{}\"", fan.name);
                let help = "a fan is never stalled: take a rig with `[dummy_load]`, such as rigs/virtual-dummy-load.toml, or \
                            leave the stage out";
                self.problem(path, title, help);
                false
            }
            (Load::Dummy(dummy), stage) if turns_the_fan(stage) => {
                let title = format!(
                    "`{}` needs a fan, and the load of the rig \"{name}\" is the dummy load \"{}\"",
                    stage.name(),
                    dummy.name
                );
                self.problem(path, title, "take the rig with the fan, or leave the stage out");
                false
            }
            _ => true,
        }
    }

    /// A stay at full current that the load, the wiring and the fuse take.
    fn hold(&mut self, path: &str, dummy: &DummyLoad, hold: Seconds) {
        let full = self.rig.locked();
        if hold > dummy.longest {
            let title =
                format!("`hold` of {hold} is longer than the {} that the dummy load takes at {full}", dummy.longest);
            self.problem(path, title, "hold it for less, or use a larger load");
        }
        let limits = effective(self.rig, self.plan);
        let (full_a, rest_a) = (full.get(), limits.continuous_a.value);
        let a2s = (full_a * full_a - rest_a * rest_a).max(0.0) * hold.get();
        if a2s >= limits.i2t_a2s.value {
            let (found, most) =
                (Dim::AmpSquaredSeconds.show(a2s.round()), Dim::AmpSquaredSeconds.show(limits.i2t_a2s.value));
            let title = format!(
                "`hold` of {hold} at {full} is an overload of {found}, and {most} cut the supply ({})",
                limits.i2t_a2s.from
            );
            self.problem(path, title, "hold it for less, or use a load of more resistance");
        }
    }

    /// A rig without the control has one frequency whatever the plan says; its stages say so themselves.
    fn frequency(&mut self, path: &str, frequency_hz: f64) {
        let (low, high) = (self.rig.command.lowest, self.rig.command.highest);
        let settable = self.rig.controls.contains_key(&Control::FrequencyHz);
        if settable && !(low.get()..=high.get()).contains(&frequency_hz) {
            let found = Dim::Hertz.show(frequency_hz);
            let title = format!("{found} is beyond the command output of the rig, which does {low} to {high}");
            self.problem(path, title, "keep to the rig's range, or use another rig");
        }
    }

    /// A level within what the rig's supply may be set to; without such a supply the stage is skipped.
    fn level(&mut self, path: &str, level: Volts) {
        let Some(range) = self.rig.supply.range else { return };
        if !(range.lowest..=range.highest).contains(&level) {
            let title = format!(
                "{level} is beyond the supply of the rig, which may be set from {} to {}",
                range.lowest, range.highest
            );
            self.problem(
                path,
                title,
                "no plan can raise a rig's limits: keep to the rig's range, or leave the level out",
            );
        }
    }

    /// A sweep goes away from the supply's own voltage.
    fn side(&mut self, path: &str, end: Volts, is_lower: bool) {
        let own = self.rig.supply.voltage;
        if self.rig.supply.range.is_some() && (end < own) != is_lower {
            let (key, side) = if is_lower { ("down_to", "below") } else { ("up_to", "above") };
            let title = format!("`{key}` of {end} is not {side} the {own} of the rig's supply");
            self.problem(path, title, "");
        }
    }

    fn duty(&mut self, path: &str, duty: f64, may_say_limit: bool) {
        let (least, most) = (self.rig.command.least_duty, self.rig.command.most_duty);
        if (least.fraction()..=most.fraction()).contains(&duty) {
            return;
        }
        let found = Dim::Duty.show(duty);
        let title = format!("duty {found} is beyond the command output of the rig, which does {least} to {most}");
        let help = if may_say_limit {
            format!("write \"{RIG_LIMIT}\", or a duty within it")
        } else {
            "give a duty within it".to_owned()
        };
        self.problem(path, title, &help);
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::config::{load_plan, load_rig, parse_plan};

    fn shipped(rig: &str, plan: &str) -> Result<Timeline, Problems> {
        check_together(&load_rig(Path::new(rig)).unwrap(), &load_plan(Path::new(plan)).unwrap())
    }

    #[test]
    fn every_shipped_plan_stays_within_every_shipped_rig() {
        for rig in ["rigs/virtual.toml", "rigs/virtual-two-wire.toml", "rigs/external.toml"] {
            for plan in ["test-plans/full.toml", "test-plans/quick.toml", "test-plans/stress.toml"] {
                let timeline = shipped(rig, plan).unwrap_or_else(|problems| panic!("{problems}"));
                let too_long = timeline.cautions.iter().find(|caution| caution.starts_with("at worst"));
                assert_eq!(too_long, None, "{plan} on {rig}");
            }
        }
        let timeline = shipped("rigs/virtual.toml", "test-plans/full.toml").unwrap();
        assert!(timeline.stages.iter().all(|stage| stage.skipped.is_none()), "the virtual rig lacks nothing");
    }

    #[test]
    fn the_plan_for_a_dummy_load_stays_within_the_rig_that_has_one() {
        let timeline = shipped("rigs/virtual-dummy-load.toml", "test-plans/stall.toml").unwrap();
        assert!(timeline.stages.iter().all(|stage| stage.skipped.is_none()), "{:?}", timeline.stages);
        let about = |text: &str| timeline.cautions.iter().any(|caution| caution.contains(text));
        assert!(about("the fan off it") && !about("at worst") && !about("no tach"), "{:?}", timeline.cautions);
        assert!(timeline.limits.stall.is_none() && timeline.limits.load_a2s.is_some());
    }

    #[test]
    fn every_stage_can_stand_without_settings_and_is_built() {
        use crate::config::plan_table::STAGES;
        let stages = STAGES.fields.iter().map(|field| match field.key {
            "hold" => "[[stage]]\nhold = { duty = \"30 %\", time = \"10 s\" }\n".to_owned(),
            key => format!("[[stage]]\n{key} = {{}}\n"),
        });
        let text = format!("name = \"all\"\n{}", stages.collect::<String>());
        let plan = parse_plan(Path::new("all.toml"), &text).unwrap_or_else(|problems| panic!("{problems}"));
        let names: Vec<_> = plan.stages.iter().map(Stage::name).collect();
        assert_eq!(names, STAGES.fields.iter().map(|field| field.key).collect::<Vec<_>>());
    }

    #[test]
    fn a_rig_whose_supply_cannot_be_set_skips_what_needs_it_and_another_one_does_not() {
        let skipped = |rig: &str| -> Vec<&str> {
            let timeline = shipped(rig, "test-plans/stress.toml").unwrap();
            timeline.stages.iter().filter(|stage| stage.skipped.is_some()).map(|stage| stage.stage).collect()
        };
        assert_eq!(skipped("rigs/virtual.toml"), ["supply_dip", "supply_dip", "crank", "supply_sweep"]);
        assert_eq!(skipped("rigs/virtual-supply.toml"), [""; 0]);
        let timeline = shipped("rigs/virtual-supply.toml", "test-plans/stress.toml").unwrap();
        assert!(timeline.worst_s() < 3.0 * 3600.0, "{}", timeline.worst_s());
        let why = shipped("rigs/virtual.toml", "test-plans/stress.toml").unwrap();
        let why = why.stages.iter().find_map(|stage| stage.skipped.clone()).unwrap();
        assert!(why.contains("cannot be set"), "{why}");
    }

    #[test]
    fn a_plan_made_in_code_is_refused_without_a_place() {
        let rig = load_rig(Path::new("rigs/virtual.toml")).unwrap();
        let mut plan = load_plan(Path::new("test-plans/quick.toml")).unwrap();
        plan.text = String::new();
        plan.stages = vec![Stage::Hold {
            duty: crate::units::Duty::FULL,
            time: crate::units::Seconds(5.0),
            frequency: None,
            active: None,
        }];
        let problems = check_together(&rig, &plan).unwrap_err();
        assert_eq!(problems.0.len(), 1);
        assert_eq!(problems.0[0].place, None);
    }

    #[test]
    fn a_rig_with_a_fixed_frequency_skips_the_search_and_all_that_rests_on_it() {
        let text = std::fs::read_to_string("rigs/virtual.toml").unwrap();
        let text = text.replace("[control.frequency_hz]", "").replace("highest = \"25 kHz\"", "highest = \"101 Hz\"");
        let rig = crate::config::parse_rig(Path::new("fixed.toml"), &text).unwrap();
        let timeline = check_together(&rig, &load_plan(Path::new("test-plans/full.toml")).unwrap()).unwrap();
        let skipped: Vec<_> = timeline.stages.iter().filter(|s| s.skipped.is_some()).map(|s| s.stage).collect();
        let all: Vec<_> = timeline.stages.iter().map(|s| s.stage).collect();
        assert_eq!(skipped, all[3..], "first power, open supply and line check are left");
        assert!(timeline.stages[4].skipped.as_ref().is_some_and(|why| why.contains("discover")));
    }

    #[test]
    fn what_rests_on_the_search_is_skipped_without_it() {
        let rig = load_rig(Path::new("rigs/virtual.toml")).unwrap();
        let text = "name = \"x\"\n[[stage]]\nsleep = {}\n[[stage]]\ndiscover = {}\n[[stage]]\nsleep = {}\n";
        let timeline = check_together(&rig, &parse_plan(Path::new("x.toml"), text).unwrap()).unwrap();
        let skipped: Vec<_> = timeline.stages.iter().map(|stage| stage.skipped.is_some()).collect();
        assert_eq!(skipped, [true, false, false]);
    }
}
