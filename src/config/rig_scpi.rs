//! Keys of a rig file that name instruments: rules across them, and the typed instruments.

use std::collections::{BTreeMap, BTreeSet};

use super::diagnostic::Sheet;
use super::instrument::{Commands, Connection, Frame, InstrumentKind, InstrumentSpec, LineEnd, Quantity, ScpiSpec};
use super::rig_drivers::serves;
use super::rig_rules::at;
use super::tree::Node;
use crate::bench::Channel;
use crate::units::{Amps, Seconds, Volts};

/// Name of the driver.
pub(super) const NAME: &str = "scpi";
/// Time allowed for an answer when nothing is stated.
const TIMEOUT_S: f64 = 1.0;
/// What stands for no error queue.
const NO_QUEUE: &str = "none";

fn instruments(tree: &Node) -> &[Node] {
    tree.list("instrument").unwrap_or_default()
}

/// Instrument and quantity that an address names.
type Address<'a> = Option<(&'a str, &'a str)>;

/// Channels that this driver serves: path of the address, the channel, instrument and quantity named.
fn readings(tree: &Node) -> Vec<(String, Channel, Address<'_>)> {
    let channels = tree.entries("channel").into_iter().flatten();
    let here = channels.filter(|(name, _)| serves(tree, &format!("channel.{name}"), NAME));
    here.filter_map(|(name, node)| {
        let address = node.text("address").and_then(|text| text.split_once('/'));
        Some((format!("channel.{name}.address"), Channel::from_name(name)?, address))
    })
    .collect()
}

/// Rules of instruments.
pub(super) fn check(tree: &Node, sheet: &mut Sheet<'_>) {
    let mut names = BTreeSet::new();
    for (i, node) in instruments(tree).iter().enumerate() {
        let path = |key: &str| format!("instrument.{i}.{key}");
        if let Some(name) = node.text("name") {
            if name.contains('/') {
                at(tree, sheet, &path("name"), format!("`{name}` holds a `/`, which addresses need themselves"), "");
            }
            if !names.insert(name) {
                at(
                    tree,
                    sheet,
                    &path("name"),
                    format!("the instrument `{name}` is there twice"),
                    "give it its own name",
                );
            }
        }
        if let Some(Err(why)) = node.text("connect").map(Connection::parse) {
            let text = node.text("connect").unwrap_or_default();
            at(tree, sheet, &path("connect"), format!("`{text}` is no connection: {why}"), "");
        }
        if node.at("frame").is_some() && node.text("connect").is_some_and(|connect| connect.starts_with("tcp:")) {
            at(
                tree,
                sheet,
                &path("frame"),
                "a socket has no `frame`".to_owned(),
                "remove it, or write serial:PATH:BAUD",
            );
        }
        kind_needs(tree, sheet, i, node);
        commands_take_values(tree, sheet, i, node);
    }
    let mut read = BTreeSet::new();
    for (path, channel, address) in readings(tree) {
        let quantity = address.and_then(|(_, quantity)| Quantity::ALL.into_iter().find(|q| q.name() == quantity));
        let (Some((name, _)), Some(quantity)) = (address, quantity) else {
            let place = if tree.at(&path).is_some() { path.clone() } else { format!("channel.{channel}") };
            let title = format!("`{path}` names no reading of an instrument");
            at(
                tree,
                sheet,
                &place,
                title,
                "write NAME/voltage, NAME/current or NAME/temperature of an `[[instrument]]`",
            );
            continue;
        };
        if !names.contains(name) {
            let known = names.iter().map(|name| format!("`{name}`")).collect::<Vec<_>>().join(", ");
            let title = format!("there is no instrument `{name}`");
            at(tree, sheet, &path, title, &format!("instruments of this file: {known}"));
        }
        if !quantity.fits(channel) {
            let title = format!("`{channel}` in {} cannot be a {}", channel.unit(), quantity.name());
            at(tree, sheet, &path, title, "");
        }
        if !read.insert((name, quantity.name())) {
            let title = format!("`{name}/{}` is read by two channels", quantity.name());
            at(tree, sheet, &path, title, "one reading tells of one place: name another instrument, or leave one out");
        }
    }
    controls(tree, sheet);
    for (i, node) in instruments(tree).iter().enumerate() {
        let (name, kind) = (node.text("name").unwrap_or_default(), node.text("kind"));
        if kind == Some("meter") && !read.iter().any(|(reader, _)| *reader == name) {
            let title = format!("the meter `{name}` serves no channel");
            at(
                tree,
                sheet,
                &format!("instrument.{i}.name"),
                title,
                "name it at a channel with driver = \"scpi\", or remove it",
            );
        }
    }
}

/// What each kind must state and must not.
fn kind_needs(tree: &Node, sheet: &mut Sheet<'_>, i: usize, node: &Node) {
    let due: &[&str] = match node.text("kind") {
        Some("supply") => &["voltage", "current"],
        Some("load") => &["current"],
        Some("meter") => &[],
        _ => return,
    };
    let kind = node.text("kind").unwrap_or_default();
    for key in ["voltage", "current"] {
        let path = format!("instrument.{i}.{key}");
        match (due.contains(&key), node.at(key).is_some()) {
            (true, false) => {
                let title = format!("a {kind} lacks `{key}`: what was set by hand before is not known");
                at(
                    tree,
                    sheet,
                    &format!("instrument.{i}"),
                    title,
                    &format!("state it, for example {key} = \"{}\"", if key == "voltage" { "13 V" } else { "30 A" }),
                );
            }
            (false, true) => at(tree, sheet, &path, format!("a {kind} has no `{key}` to be set"), "remove it"),
            _ => {}
        }
    }
    if let (Some(volts), Some(most)) = (node.number("voltage"), tree.number("limits.highest_voltage"))
        && volts >= most
    {
        let title = format!("{volts} V is not below the highest voltage of {most} V in `[limits]`");
        at(tree, sheet, &format!("instrument.{i}.voltage"), title, "");
    }
}

/// A command that sets something has a place for the value, others have none.
fn commands_take_values(tree: &Node, sheet: &mut Sheet<'_>, i: usize, node: &Node) {
    for (key, text) in node.entries("commands").into_iter().flatten() {
        let Some(text) = text_of(text) else { continue };
        let sets = key.starts_with("set_");
        let path = format!("instrument.{i}.commands.{key}");
        if sets != (text.matches("{}").count() == 1) {
            let title = format!(
                "`{text}` {}",
                if sets { "has no single `{}` for the value" } else { "holds a `{}`, but takes no value" }
            );
            at(tree, sheet, &path, title, "");
        }
        if text.chars().any(char::is_control) {
            at(tree, sheet, &path, "a command is one line".to_owned(), "");
        }
    }
}

fn text_of(node: &Node) -> Option<&str> {
    match &node.item {
        super::tree::Item::Text(text) => Some(text),
        _ => None,
    }
}

/// An instrument can switch the supply and set its voltage, and do nothing else.
fn controls(tree: &Node, sheet: &mut Sheet<'_>) {
    let has_supply = instruments(tree).iter().any(|node| node.text("kind") == Some("supply"));
    for (name, _) in tree.entries("control").into_iter().flatten() {
        let path = format!("control.{name}");
        if !serves(tree, &path, NAME) {
            continue;
        }
        match *name {
            "supply_on" if !has_supply => {
                let title = "`control.supply_on` needs an `[[instrument]]` of kind = \"supply\"".to_owned();
                at(tree, sheet, &path, title, "");
            }
            "supply_on" => {}
            "supply_v" => {
                let supplies = instruments(tree).iter().filter(|node| node.text("kind") == Some("supply")).count();
                if supplies != 1 {
                    let title =
                        format!("`control.supply_v` needs one `[[instrument]]` of kind = \"supply\", not {supplies}");
                    at(tree, sheet, &path, title, "one supply feeds the unit, and that one is set");
                }
            }
            "supply_gentle" => {
                let means = tree.text("first_power.means");
                if means.is_some_and(|means| means != "limited supply" && means != "none") {
                    let title = "an instrument makes first power gentle by its current limit".to_owned();
                    at(tree, sheet, &path, title, "write means = \"limited supply\" with `limit` in `[first_power]`");
                }
            }
            _ => {
                let title = format!("driver = \"scpi\" has no control `{name}`");
                at(tree, sheet, &path, title, "name the driver that has it, for example driver = \"linux\"");
            }
        }
    }
    for path in ["tach", "emergency_stop"] {
        if tree.at(path).is_some() && serves(tree, path, NAME) {
            let title = format!("driver = \"scpi\" has no `[{path}]`");
            at(tree, sheet, path, title, "name the driver that has it, for example driver = \"linux\"");
        }
    }
}

/// The typed instruments; `None` when something due is missing, of which the rules have told.
pub(super) fn build(tree: &Node) -> Option<ScpiSpec> {
    let mut channels = BTreeMap::new();
    for (_, channel, address) in readings(tree) {
        let (name, quantity) = address?;
        let quantity = Quantity::ALL.into_iter().find(|q| q.name() == quantity)?;
        channels.insert(channel, (name.to_owned(), quantity));
    }
    Some(ScpiSpec { instruments: instruments(tree).iter().map(instrument).collect::<Option<_>>()?, channels })
}

fn instrument(node: &Node) -> Option<InstrumentSpec> {
    let kind = InstrumentKind::ALL.into_iter().find(|kind| Some(kind.name()) == node.text("kind"))?;
    let usual = Commands::usual(kind);
    let command = |key: &str, usual: String| node.text(&format!("commands.{key}")).map_or(usual, str::to_owned);
    Some(InstrumentSpec {
        name: node.text("name")?.to_owned(),
        kind,
        connect: Connection::parse(node.text("connect")?).ok()?,
        frame: node.text("frame").and_then(Frame::from_name).unwrap_or_default(),
        line_end: LineEnd::ALL.into_iter().find(|end| Some(end.name()) == node.text("line_end")).unwrap_or_default(),
        identity: node.text("identity").map(str::to_owned),
        voltage: node.number("voltage").map(Volts),
        current: node.number("current").map(Amps),
        timeout: Seconds(node.number("timeout").unwrap_or(TIMEOUT_S)),
        commands: Commands {
            set_voltage: command("set_voltage", usual.set_voltage),
            set_current: command("set_current", usual.set_current),
            on: command("on", usual.on),
            off: command("off", usual.off),
            state: command("state", usual.state),
            voltage: command("voltage", usual.voltage),
            current: command("current", usual.current),
            temperature: command("temperature", usual.temperature),
            errors: match node.text("commands.errors") {
                Some(NO_QUEUE) => None,
                Some(own) => Some(own.to_owned()),
                None => usual.errors,
            },
        },
    })
}
