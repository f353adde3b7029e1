//! Keys of a rig file that name sensors and actuators on a CAN bus: rules across them, and the typed bus. What is told of
//! controls alone is in `rig_can_controls`.

use std::collections::BTreeMap;
use std::path::Path;

use super::can::{CanSource, CanSpec};
use super::dbc::{self, Entry};
use super::diagnostic::Sheet;
use super::rig_can_controls as controls;
use super::rig_drivers::{serves, used};
use super::rig_rules::at;
use super::tree::Node;
use crate::bench::Channel;
use crate::driver::can::signal::{ByteOrder, Coding, FrameId, Layout, Signal};
use crate::units::Seconds;

/// Name of the driver.
pub(super) const NAME: &str = "can";
/// Age at which a value is lost when nothing is stated.
const MAX_AGE_S: f64 = 0.2;
/// Longest name of a network interface.
const MOST_NAME: usize = 15;

/// Words for the order of bytes.
pub(super) const ORDERS: &[&str] = &["little", "big"];
/// Words for what the bits mean.
pub(super) const CODINGS: &[&str] = &["unsigned", "signed", "float"];

/// A problem: the path that it is about, what is wrong, and what to do.
pub(super) type Problem = (String, String, String);

pub(super) fn problem(key: &str, title: String, help: &str) -> Problem {
    (key.to_owned(), title, help.to_owned())
}

/// The database of the file, where one is named.
fn database(tree: &Node, rig: &Path) -> Option<Result<Vec<Entry>, String>> {
    let name = tree.text("can.dbc")?;
    Some(dbc::load(&rig.parent().unwrap_or(Path::new("")).join(name)))
}

/// Channels that this driver serves.
fn channels(tree: &Node) -> impl Iterator<Item = (Channel, &Node)> {
    let entries = tree.entries("channel").into_iter().flatten();
    let here = entries.filter(|(name, _)| serves(tree, &format!("channel.{name}"), NAME));
    here.filter_map(|(name, node)| Some((Channel::from_name(name)?, node)))
}

/// Rules of sensors and actuators on a bus.
pub(super) fn check(tree: &Node, sheet: &mut Sheet<'_>) {
    for table in ["channel", "control"] {
        for (name, node) in tree.entries(table).into_iter().flatten() {
            for key in ["max_age", "frame"] {
                let path = format!("{table}.{name}.{key}");
                if node.at(key).is_some() && !serves(tree, &path, NAME) {
                    let title = format!("`{path}` is read with driver = \"can\" only");
                    at(tree, sheet, &path, title, "remove it, or name the driver \"can\"");
                }
            }
        }
    }
    if !used(tree).contains(NAME) {
        if tree.at("can").is_some() {
            let title = "`[can]` is read with driver = \"can\" only".to_owned();
            at(
                tree,
                sheet,
                "can",
                title,
                "name that driver at the channels that come from the bus, or remove the table",
            );
        }
        return;
    }
    bus(tree, sheet);
    functions(tree, sheet);
    let database = database(tree, sheet.path);
    if let Some(Err(why)) = &database {
        let title = format!("`{}` cannot be read: {why}", tree.text("can.dbc").unwrap_or_default());
        at(tree, sheet, "can.dbc", title, "");
    }
    let entries = match &database {
        Some(Ok(entries)) => Some(entries.as_slice()),
        // Of a database that cannot be read one problem is enough.
        Some(Err(_)) => return,
        None => None,
    };
    let mut named: Vec<Signal> = Vec::new();
    for (channel, node) in channels(tree) {
        let problem = match source(channel, node, entries) {
            Ok(source) if named.iter().any(|other| same_bits(other, &source.signal)) => {
                let title = format!("`{}` is read by two channels", source.name);
                Some((String::new(), title, "one signal tells of one place: name another one".to_owned()))
            }
            Ok(source) => {
                named.push(source.signal);
                None
            }
            Err(problem) => Some(problem),
        };
        if let Some(problem) = problem {
            tell(tree, sheet, &format!("channel.{channel}"), problem);
        }
    }
    controls::check(tree, sheet, entries, &named);
}

/// Notes a problem of the function at `path`.
pub(super) fn tell(tree: &Node, sheet: &mut Sheet<'_>, path: &str, (key, title, help): Problem) {
    let path = format!("{path}{}{key}", if key.is_empty() { "" } else { "." });
    at(tree, sheet, &path, title, &help);
}

fn same_bits(a: &Signal, b: &Signal) -> bool {
    (a.frame, a.layout) == (b.frame, b.layout)
}

fn bus(tree: &Node, sheet: &mut Sheet<'_>) {
    if tree.at("can").is_none() {
        let title = "driver = \"can\" lacks the table `[can]`".to_owned();
        let own = channels(tree).map(|(channel, _)| format!("channel.{channel}.driver"));
        let own = own.chain(controls::here(tree).map(|(control, _)| format!("control.{}.driver", control.name())));
        let own = own.into_iter().find(|path| tree.at(path).is_some()).unwrap_or_else(|| "bench.driver".to_owned());
        at(tree, sheet, &own, title, "add it with the name of the interface, for example interface = \"can0\"");
    }
    if let Some(name) = tree.text("can.interface")
        && (name.len() > MOST_NAME || name.contains(|c: char| c == '/' || c.is_whitespace() || c.is_control()))
    {
        let title = format!("`{name}` is no name of an interface");
        at(tree, sheet, "can.interface", title, "`ip link` lists them; for example \"can0\"");
    }
}

/// What no bus has here.
fn functions(tree: &Node, sheet: &mut Sheet<'_>) {
    for path in ["tach", "emergency_stop"] {
        if tree.at(path).is_some() && serves(tree, path, NAME) {
            let title = format!("driver = \"can\" has no `{path}`: a frame comes too late for it");
            at(tree, sheet, path, title, "name the driver that has it, for example driver = \"linux\"");
        }
    }
    for (channel, _) in channels(tree).filter(|(_, node)| node.at("low").is_some()) {
        let title = "driver = \"can\" has no low range".to_owned();
        at(tree, sheet, &format!("channel.{channel}.low"), title, "remove it, and state what the whole range resolves");
    }
}

/// The signal that the function at `path` names or describes: its name for people, the signal, and the bytes of its frame
/// where that is known.
pub(super) fn signal(
    path: &str,
    node: &Node,
    entries: Option<&[Entry]>,
) -> Result<(String, Signal, Option<u64>), Problem> {
    match (node.text("address"), node.at("frame")) {
        (Some(_), Some(_)) => {
            let title = "a signal is named by `address` and described by `frame`".to_owned();
            Err(problem("frame", title, "keep one of them"))
        }
        (None, None) => {
            let title = format!("`{path}` names no signal");
            let help = "write address = \"MESSAGE.SIGNAL\" of `can.dbc`, or describe it in a table `frame`";
            Err(problem("", title, help))
        }
        (Some(name), None) => {
            let entries = entries.ok_or_else(|| {
                let title = format!("`{name}` needs a database, and the file names none");
                problem(
                    "address",
                    title,
                    "write dbc = \"FILE.dbc\" in `[can]`, or describe the signal in a table `frame`",
                )
            })?;
            let (signal, bytes) = dbc::find(entries, name).map_err(|(title, help)| problem("address", title, &help))?;
            Ok((name.to_owned(), signal, Some(bytes)))
        }
        (None, Some(frame)) => {
            let (name, signal) = inline(frame).map_err(|why| problem("frame", why, ""))?;
            Ok((name, signal, frame.count("bytes")))
        }
    }
}

/// Where a channel comes from, or what is wrong with it.
fn source(channel: Channel, node: &Node, entries: Option<&[Entry]>) -> Result<CanSource, Problem> {
    let (name, signal, _) = signal(&format!("channel.{channel}"), node, entries)?;
    // Milliamperes taken for amperes would pass every other rule.
    let untouched = node.number("scale") == Some(1.0) && node.number("offset") == Some(0.0);
    if untouched && !signal.unit.is_empty() && !is_unit(&signal.unit, channel.unit()) {
        let title = format!("`{name}` is in \"{}\", `{channel}` in {}", signal.unit, channel.unit());
        return Err(problem("address", title, "state `scale` (and `offset`) from the one to the other"));
    }
    let max_age = Seconds(node.number("max_age").unwrap_or(MAX_AGE_S));
    Ok(CanSource { name, signal, max_age })
}

/// Whether databases spell `unit` so.
pub(super) fn is_unit(spelt: &str, unit: &str) -> bool {
    let others: &[&str] = match unit {
        "°C" => &["°C", "degC", "deg C", "C", "Celsius"],
        "rpm" => &["rpm", "RPM", "1/min", "min-1", "r/min", "rev/min"],
        "V" => &["V", "Volt", "Volts"],
        "A" => &["A", "Amp", "Ampere", "Amps"],
        "%" => &["%", "percent"],
        "Hz" => &["Hz", "1/s"],
        _ => &[],
    };
    others.contains(&spelt)
}

fn inline(frame: &Node) -> Result<(String, Signal), String> {
    // What is missing was told by the walk; the rest of the rules go on with what such a signal would be.
    let count = |key: &str| frame.count(key).unwrap_or_default();
    let id = u32::try_from(count("id")).unwrap_or(u32::MAX);
    let extended = frame.flag("extended").unwrap_or(false);
    let id = FrameId::new(id, extended).ok_or_else(|| {
        let most = if extended { "29 bits" } else { "11 bits: write extended = true where it has 29" };
        format!("identifier {:#x} has more than {most}", count("id"))
    })?;
    let order = if frame.text("order") == Some("big") { ByteOrder::Big } else { ByteOrder::Little };
    let coding = match frame.text("coding") {
        Some("signed") => Coding::Signed,
        Some("float") => Coding::Float,
        _ => Coding::Unsigned,
    };
    let (start, length) = (count("start"), count("length"));
    let layout = Layout::new(start, length.max(1), order, coding)?;
    Ok((format!("{id} bit {start}"), Signal { frame: id, layout, scale: 1.0, offset: 0.0, unit: String::new() }))
}

/// The typed bus; `None` when something due is missing, of which the rules have told.
pub(super) fn build(tree: &Node, rig: &Path) -> Option<CanSpec> {
    let entries = database(tree, rig).transpose().ok()?;
    let of = |(channel, node): (Channel, &Node)| Some((channel, source(channel, node, entries.as_deref()).ok()?));
    Some(CanSpec {
        interface: tree.text("can.interface")?.to_owned(),
        listen_only: tree.flag("can.listen_only").unwrap_or(false),
        channels: channels(tree).map(of).collect::<Option<BTreeMap<_, _>>>()?,
        period: Seconds(tree.number("can.period").unwrap_or(controls::PERIOD_S)),
        controls: controls::build(tree, entries.as_deref())?,
    })
}
