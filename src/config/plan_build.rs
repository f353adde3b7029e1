//! From the checked tree of a plan file to the typed plan.

use super::diagnostic::Sheet;
use super::plan::{Battery, Plan, RestartBy, Stage, UnderBonnet, UpTo};
use super::plan_table::{LOSSES, RESTARTS};
use super::tree::{Item, Node};
use crate::bench::ActiveLevel;
use crate::record::event::LimitFacts;
use crate::results::{ResultName, RiskKind, RiskRule};
use crate::units::{AmpHours, Amps, Celsius, Duty, Hertz, Ratio, Seconds, Volts};

/// The plan; `None` when something due is missing, of which the walk has told.
pub(crate) fn build(tree: &Node, sheet: &Sheet<'_>) -> Option<Plan> {
    let limits = tree.entries("limits")?.iter();
    let limits = limits.map(|(name, node)| {
        let result = ResultName::from_name(name)?;
        Some((result, limit(result, node)?))
    });
    let battery = match tree.at("battery") {
        Some(battery) => Some(Battery {
            capacity: AmpHours(battery.number("capacity")?),
            usable: Ratio(battery.number("usable")?),
            other_drain: Amps(battery.number("other_drain")?),
        }),
        None => None,
    };
    let under_bonnet = match tree.at("under_bonnet") {
        Some(day) => Some(UnderBonnet {
            ambient: Celsius(day.number("ambient")?),
            highest_case: Celsius(day.number("highest_case")?),
        }),
        None => None,
    };
    Some(Plan {
        name: tree.text("name")?.to_owned(),
        reference_voltage: tree.number("reference_voltage").map(Volts),
        time_limit: Seconds(tree.number("time_limit")?),
        current_limit: up_to(tree, "current_limit", |base| Some(Amps(base)))?,
        battery,
        asleep_below: tree.number("asleep_below").map(Amps),
        under_bonnet,
        prior_bad: Ratio(tree.number("prior_bad")?),
        risk: RiskRule {
            kind: RiskKind::from_word(tree.text("risk.kind")?)?,
            accepted: tree.number("risk.accepted")?,
            looks: u32::try_from(tree.count("risk.looks")?).ok()?,
        },
        look_again_within: Seconds(tree.number("risk.look_again_within")?),
        limits: limits.collect::<Option<_>>()?,
        stages: tree.list("stage")?.iter().map(stage).collect::<Option<Vec<_>>>()?,
        text: sheet.text.to_owned(),
        path: sheet.path.to_owned(),
    })
}

fn up_to<T>(tree: &Node, path: &str, make: impl Fn(f64) -> Option<T>) -> Option<UpTo<T>> {
    match tree.at(path)?.item {
        Item::RigLimit => Some(UpTo::RigLimit),
        Item::Number(base) => make(base).map(UpTo::Value),
        _ => None,
    }
}

/// A limit in the result's own unit: percent and days where the file holds shares and seconds.
fn limit(result: ResultName, node: &Node) -> Option<LimitFacts> {
    let factor = match result.unit() {
        "%" => 100.0,
        "d" => 1.0 / 86_400.0,
        _ => 1.0,
    };
    let value = |key: &str| node.number(key).map(|base| tidy(base * factor));
    let one_of = if node.at("one_of").is_some() { node.texts("one_of")? } else { Vec::new() };
    Some(LimitFacts { min: value("min"), max: value("max"), one_of })
}

/// Twelve significant digits, so that `"55 %"` becomes 55 and not 55.000000000000007.
fn tidy(value: f64) -> f64 {
    format!("{value:.11e}").parse().unwrap_or(value)
}

fn stage(node: &Node) -> Option<Stage> {
    let Item::Table(table) = &node.item else { return None };
    let (name, settings) = table.iter().next()?;
    let seconds = |key: &str| settings.number(key).map(Seconds);
    let duty = |key: &str| settings.number(key).and_then(Duty::new);
    let hertz = |key: &str| settings.number(key).map(Hertz);
    let volts = |key: &str| -> Option<Vec<Volts>> { Some(settings.numbers(key)?.into_iter().map(Volts).collect()) };
    let count = |key: &str| settings.count(key).and_then(|n| u32::try_from(n).ok());
    Some(match *name {
        "first_power" => Stage::FirstPower { settle: seconds("settle")? },
        "supply_open" => Stage::SupplyOpen { watch: seconds("watch")? },
        "line_check" => Stage::LineCheck { each: seconds("each")? },
        "discover" => Stage::Discover {
            frequencies: settings.numbers("frequencies")?.into_iter().map(Hertz).collect(),
            answer_within: seconds("answer_within")?,
        },
        "triage" => Stage::Triage {
            frequencies: settings.numbers("frequencies")?.into_iter().map(Hertz).collect(),
            answer_within: seconds("answer_within")?,
            to: up_to(settings, "to", Duty::new)?,
            asleep_within: seconds("asleep_within")?,
        },
        "soft_start" => {
            Stage::SoftStart { to: up_to(settings, "to", Duty::new)?, settle_within: seconds("settle_within")? }
        }
        "sweep" => Stage::Sweep {
            step: duty("step")?,
            fine: duty("fine")?,
            to: up_to(settings, "to", Duty::new)?,
            settle_within: seconds("settle_within")?,
        },
        "drop" => Stage::Drop { hold: seconds("hold")? },
        "frequency_edges" => Stage::FrequencyEdges {
            from: hertz("from")?,
            to: hertz("to")?,
            within: settings.number("within").map(Ratio)?,
            duty: duty("duty")?,
            thresholds_at: settings.numbers("thresholds_at")?.into_iter().map(Hertz).collect(),
        },
        "loss_of_signal" => {
            Stage::LossOfSignal { losses: losses(settings)?, watch: seconds("watch")?, duty: duty("duty")? }
        }
        "power_up" => Stage::PowerUp { duty: duty("duty")?, settle_within: seconds("settle_within")? },
        "soak" => Stage::Soak {
            duties: settings.numbers("duties")?.into_iter().map(Duty::new).collect::<Option<_>>()?,
            each: seconds("each")?,
        },
        "repeats" => Stage::Repeats { starts: count("starts")?, stops: count("stops")?, fine: duty("fine")? },
        "hot_restart" => Stage::HotRestart {
            duty: duty("duty")?,
            warm: seconds("warm")?,
            to: up_to(settings, "to", Duty::new)?,
            by: restarts(settings)?,
            settle_within: seconds("settle_within")?,
        },
        "repeated_starts" => Stage::RepeatedStarts {
            count: count("count")?,
            to: up_to(settings, "to", Duty::new)?,
            rest: seconds("rest")?,
            settle_within: seconds("settle_within")?,
        },
        "capacitance" => Stage::Capacitance { duty: duty("duty")?, warm: seconds("warm")?, settle: seconds("settle")? },
        "supply_dip" => Stage::SupplyDip {
            duty: duty("duty")?,
            levels: volts("levels")?,
            hold: seconds("hold")?,
            watch: seconds("watch")?,
        },
        "crank" => Stage::Crank {
            duty: duty("duty")?,
            levels: volts("levels")?,
            times: settings.numbers("times")?.into_iter().map(Seconds).collect(),
            watch: seconds("watch")?,
        },
        "supply_sweep" => Stage::SupplySweep {
            duty: duty("duty")?,
            step: settings.number("step").map(Volts)?,
            stay: seconds("stay")?,
            confirm: seconds("confirm")?,
            down_to: up_to(settings, "down_to", |base| Some(Volts(base)))?,
            up_to: up_to(settings, "up_to", |base| Some(Volts(base)))?,
        },
        "stall" => Stage::Stall {
            duty: up_to(settings, "duty", Duty::new)?,
            hold: seconds("hold")?,
            watch: seconds("watch")?,
            tries: count("tries")?,
            rest: seconds("rest")?,
        },
        "flex_watch" => Stage::FlexWatch { duty: duty("duty")?, watch: seconds("watch")? },
        "sleep" => Stage::Sleep { longest: seconds("longest")? },
        "hold" => Stage::Hold {
            duty: duty("duty")?,
            time: seconds("time")?,
            frequency: hertz("frequency"),
            active: settings
                .text("active")
                .map(|word| if word == "high" { ActiveLevel::High } else { ActiveLevel::Low }),
        },
        _ => return None,
    })
}

fn restarts(settings: &Node) -> Option<Vec<RestartBy>> {
    let words = settings.texts("by")?;
    words.iter().map(|word| RESTARTS.iter().find(|(name, _)| name == word).map(|(_, by)| *by)).collect()
}

fn losses(settings: &Node) -> Option<Vec<crate::record::event::Loss>> {
    let words = settings.texts("losses")?;
    words.iter().map(|word| LOSSES.iter().find(|(name, _)| name == word).map(|(_, loss)| *loss)).collect()
}
