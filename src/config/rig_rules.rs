//! Rules across the keys of a rig file.

use super::diagnostic::Sheet;
use super::field::Dim;
use super::tree::Node;

/// Checks what the field table cannot say; values that are missing or wrong by themselves are passed over.
pub(crate) fn check(tree: &Node, sheet: &mut Sheet<'_>) {
    super::rig_drivers::check(tree, sheet);
    super::rig_board::check(tree, sheet);
    super::rig_scpi::check(tree, sheet);
    super::rig_can::check(tree, sheet);
    first_power(tree, sheet);
    load(tree, sheet);
    command(tree, sheet);
    limits(tree, sheet);
    ranges(tree, sheet);
}

/// Notes a problem at the value of `path`.
pub(super) fn at(tree: &Node, sheet: &mut Sheet<'_>, path: &str, title: String, help: &str) {
    let span = tree.at(path).map_or(0..0, |node| node.span.clone());
    sheet.problem(span, title, Some(help.to_owned()).filter(|help| !help.is_empty()));
}

fn first_power(tree: &Node, sheet: &mut Sheet<'_>) {
    let Some(means) = tree.text("first_power.means") else { return };
    let owners = [("resistance", "pre-charge"), ("resistance_u", "pre-charge"), ("limit", "limited supply")];
    for (key, owner) in owners {
        let path = format!("first_power.{key}");
        if means != owner && tree.at(&path).is_some() {
            let title = format!("`{path}` belongs to means = \"{owner}\"");
            at(tree, sheet, &path, title, "remove it, or name those means");
        }
    }
    for (key, owner, example) in [("resistance", "pre-charge", "22 Ohm"), ("limit", "limited supply", "2 A")] {
        if means == owner && tree.at(&format!("first_power.{key}")).is_none() && tree.at("first_power").is_some() {
            let title = format!("means = \"{owner}\" lacks `first_power.{key}`");
            at(tree, sheet, "first_power.means", title, &format!("state it, for example {key} = \"{example}\""));
        }
    }
    if means != "none" && tree.at("control").is_some() && tree.at("control.supply_gentle").is_none() {
        let title = format!("means = \"{means}\" needs the control `supply_gentle`, which this rig lacks");
        at(tree, sheet, "first_power.means", title, "add `[control.supply_gentle]`, or write means = \"none\"");
    }
}

/// A rig drives a fan or a dummy load; what the latter draws must be within what cuts the supply, and nothing turns.
fn load(tree: &Node, sheet: &mut Sheet<'_>) {
    let (fan, dummy) = (tree.at("load_fan").is_some(), tree.at("dummy_load").is_some());
    if fan && dummy {
        let title = "`[load_fan]` and `[dummy_load]` in one rig: only one of them can be connected".to_owned();
        let help = "keep a rig file for each, and run the one whose load is on the module";
        at(tree, sheet, "dummy_load", title, help);
    }
    if !fan && !dummy && tree.at("wiring").is_some() {
        let title = "neither `[load_fan]` nor `[dummy_load]`: what the module drives is not known".to_owned();
        at(tree, sheet, "wiring", title, "add `[load_fan]`, or `[dummy_load]` where that is connected instead");
    }
    for sensor in ["tach", "channel.speed_rpm"] {
        if dummy && tree.at(sensor).is_some() {
            let title = format!("`[{sensor}]` on a rig with `[dummy_load]`: nothing turns there");
            at(tree, sheet, sensor, title, "remove it");
        }
    }
    let (volts, ohms) = (tree.number("supply.voltage"), tree.number("dummy_load.resistance"));
    let Some(full) = volts.zip(ohms).map(|(volts, ohms)| volts / ohms) else { return };
    if let Some(instant) = tree.number("limits.instant_current").filter(|instant| *instant <= full) {
        let (instant, full) = (Dim::Amps.show(instant), Dim::Amps.show(full));
        let title = format!("the dummy load draws {full} from the supply, and {instant} cut it at once");
        at(
            tree,
            sheet,
            "dummy_load.resistance",
            title,
            "use a load of more resistance, or raise `limits.instant_current`",
        );
    }
    if let Some(continuous) = tree.number("dummy_load.continuous").filter(|continuous| *continuous > full) {
        let (continuous, full) = (Dim::Amps.show(continuous), Dim::Amps.show(full));
        let title = format!("the dummy load is to carry {continuous} for ever, but draws only {full} from the supply");
        at(tree, sheet, "dummy_load.continuous", title, "state what it carries for ever, at most what it draws");
    }
}

fn command(tree: &Node, sheet: &mut Sheet<'_>) {
    let pairs =
        [("command.lowest", "command.highest", Dim::Hertz), ("command.least_duty", "command.most_duty", Dim::Duty)];
    for (low, high, dim) in pairs {
        if let (Some(a), Some(b)) = (tree.number(low), tree.number(high))
            && a >= b
        {
            let title = format!("`{low}` of {} is not below `{high}` of {}", dim.show(a), dim.show(b));
            at(tree, sheet, low, title, "");
        }
    }
}

fn limits(tree: &Node, sheet: &mut Sheet<'_>) {
    let number = |path: &str| tree.number(path);
    if let (Some(instant), Some(locked)) = (number("limits.instant_current"), number("load_fan.locked_rotor"))
        && instant <= locked
    {
        let title = format!(
            "instant limit {} is not above the {} that the load fan draws with its rotor locked",
            Dim::Amps.show(instant),
            Dim::Amps.show(locked)
        );
        at(
            tree,
            sheet,
            "limits.instant_current",
            title,
            "every hard start would trip: raise the limit, or use a smaller load fan",
        );
    }
    if let (Some(limit), Some(fuse)) = (number("limits.i2t"), number("wiring.fuse_i2t"))
        && limit >= fuse
    {
        let (limit, fuse) = (Dim::AmpSquaredSeconds.show(limit), Dim::AmpSquaredSeconds.show(fuse));
        let title = format!("i2t limit {limit} is not below the {fuse} that melt the fuse");
        at(tree, sheet, "limits.i2t", title, "lower the limit, so that the supply is cut before the fuse goes");
    }
    for (path, what) in [("wiring.fuse", "the fuse"), ("wiring.wire_rating", "the wires")] {
        if let (Some(limit), Some(rating)) = (number("limits.continuous_current"), number(path))
            && limit > rating
        {
            let (limit, rating) = (Dim::Amps.show(limit), Dim::Amps.show(rating));
            let title = format!("continuous current {limit} is above the {rating} of {what}");
            at(tree, sheet, "limits.continuous_current", title, &format!("lower it to {rating} or less"));
        }
    }
    ordered(tree, sheet, "limits.continuous_current", "limits.instant_current", Dim::Amps);
    ordered(tree, sheet, "load_fan.running", "load_fan.locked_rotor", Dim::Amps);
    ordered(tree, sheet, "limits.lowest_voltage", "supply.voltage", Dim::Volts);
    ordered(tree, sheet, "supply.voltage", "limits.highest_voltage", Dim::Volts);
    supply_range(tree, sheet);
}

/// A range belongs to the control that sets within it, holds the rig's own voltage, and stays below what cuts the supply.
fn supply_range(tree: &Node, sheet: &mut Sheet<'_>) {
    match (tree.at("control.supply_v").is_some(), tree.at("supply.range").is_some()) {
        (true, false) => {
            let title = "`[control.supply_v]` without `[supply.range]`: what may be set is not known".to_owned();
            let help = "state it: lowest = \"3 V\", highest = \"16 V\", slew = \"500 V/s\"";
            at(tree, sheet, "control.supply_v", title, help);
        }
        (false, true) if tree.at("control").is_some() => {
            let title = "`[supply.range]` without `[control.supply_v]`: nothing sets the voltage".to_owned();
            at(tree, sheet, "supply.range", title, "add `[control.supply_v]`, or remove the table");
        }
        _ => {}
    }
    ordered(tree, sheet, "supply.range.lowest", "supply.voltage", Dim::Volts);
    ordered(tree, sheet, "supply.voltage", "supply.range.highest", Dim::Volts);
    ordered(tree, sheet, "supply.range.highest", "limits.highest_voltage", Dim::Volts);
}

/// The value at `low` lies below that at `high`.
fn ordered(tree: &Node, sheet: &mut Sheet<'_>, low: &str, high: &str, dim: Dim) {
    if let (Some(a), Some(b)) = (tree.number(low), tree.number(high))
        && a >= b
    {
        let title = format!("`{low}` of {} is not below `{high}` of {}", dim.show(a), dim.show(b));
        at(tree, sheet, low, title, "");
    }
}

/// A sensor must see what it is to guard against.
fn ranges(tree: &Node, sheet: &mut Sheet<'_>) {
    let guards = [
        ("channel.supply_a.range", "limits.instant_current", "the instant limit", Dim::Amps),
        ("channel.supply_v.range", "limits.highest_voltage", "the highest voltage", Dim::Volts),
        ("channel.case_c.range", "limits.case_temperature", "the case temperature limit", Dim::Celsius),
    ];
    for (range_path, limit_path, what, dim) in guards {
        if let (Some(range), Some(limit)) = (tree.number(range_path), tree.number(limit_path))
            && range <= limit
        {
            let title =
                format!("range {} of the channel does not cover {what} of {}", dim.show(range), dim.show(limit));
            at(tree, sheet, range_path, title, "name the sensor's true range, and lower the limit below it");
        }
    }
    for channel in ["supply_a", "fan_a"] {
        let base = format!("channel.{channel}");
        ordered(tree, sheet, &format!("{base}.low.range"), &format!("{base}.range"), Dim::Amps);
    }
}
