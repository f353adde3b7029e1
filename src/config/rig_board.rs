//! Keys of a rig file that name kernel devices: rules across them, and the typed board.

use std::collections::{BTreeMap, BTreeSet};

use super::address::Address;
use super::diagnostic::Sheet;
use super::rig::{BoardSpec, PwmSpec, SwitchSpec};
use super::rig_drivers::{serves, used};
use super::rig_rules::at;
use super::tree::Node;
use crate::bench::Channel;
use crate::units::Hertz;

/// Name of the driver.
const NAME: &str = "linux";
/// Samples per second when nothing is stated.
const RATE_HZ: f64 = 2_000.0;

/// Keys that only this driver reads.
const OWN: [&str; 13] = [
    "bench.rate",
    "bench.trigger",
    "bench.heartbeat",
    "control.supply_on.active_low",
    "control.supply_on.feedback",
    "control.supply_gentle.active_low",
    "control.supply_gentle.feedback",
    "control.duty_pct.pulls_low",
    "control.line.low",
    "control.line.high",
    "emergency_stop.active_low",
    "channel.supply_a.low.address",
    "channel.fan_a.low.address",
];

/// What a key may name.
#[derive(Clone, Copy, PartialEq)]
enum Wants {
    Line,
    Pulses,
    Reading,
}

/// The keys that must name a device, with what they may name and whether they must be there when their table is. Keys of
/// functions that another driver serves are not among them.
fn devices(tree: &Node) -> Vec<(String, Wants, bool)> {
    let mut keys: Vec<(String, Wants, bool)> = [
        ("bench.heartbeat", Wants::Line, false),
        ("control.supply_on.address", Wants::Line, true),
        ("control.supply_on.feedback", Wants::Line, false),
        ("control.supply_gentle.address", Wants::Line, true),
        ("control.supply_gentle.feedback", Wants::Line, false),
        ("control.duty_pct.address", Wants::Pulses, true),
        ("control.line.low", Wants::Line, false),
        ("control.line.high", Wants::Line, true),
        ("tach.address", Wants::Line, true),
        ("emergency_stop.address", Wants::Line, true),
    ]
    .map(|(path, wants, must)| (path.to_owned(), wants, must))
    .to_vec();
    for (name, node) in tree.entries("channel").into_iter().flatten() {
        keys.push((format!("channel.{name}.address"), Wants::Reading, true));
        if node.at("low").is_some() {
            keys.push((format!("channel.{name}.low.address"), Wants::Reading, true));
        }
    }
    keys.retain(|(path, ..)| serves(tree, path, NAME));
    keys
}

/// Rules of the driver `linux`, and that nothing else uses its keys.
pub(super) fn check(tree: &Node, sheet: &mut Sheet<'_>) {
    if used(tree).is_empty() {
        return;
    }
    for path in OWN.iter().filter(|path| tree.at(path).is_some() && !serves(tree, path, NAME)) {
        let title = format!("`{path}` is read with driver = \"linux\" only");
        at(tree, sheet, path, title, "remove it, or name the driver \"linux\"");
    }
    if used(tree).contains(NAME) {
        board(tree, sheet);
    }
}

fn board(tree: &Node, sheet: &mut Sheet<'_>) {
    let mut used = BTreeSet::new();
    for (path, wants, must) in devices(tree) {
        let table = path.rsplit_once('.').map_or("", |(table, _)| table).to_owned();
        let Some(text) = tree.text(&path) else {
            if must && tree.at(&table).is_some() {
                let title = format!("`{path}` is missing: driver = \"linux\" needs the device of each function");
                at(tree, sheet, &table, title, wants.example());
            }
            continue;
        };
        match Address::parse(text) {
            Err(why) => at(tree, sheet, &path, format!("`{text}` is no device: {why}"), ""),
            Ok(address) if !wants.takes(&address) => {
                at(tree, sheet, &path, format!("`{text}` is no device for `{path}`"), wants.example());
            }
            // One output for two purposes would switch both; one reading for two channels is a slip of the pen.
            Ok(address) if !used.insert(address.clone()) => {
                at(
                    tree,
                    sheet,
                    &path,
                    format!("`{address}` is named twice"),
                    "each function needs a device of its own",
                );
            }
            Ok(_) => {}
        }
    }
    let pulses = tree.at("control.duty_pct").is_some() && serves(tree, "control.duty_pct", NAME);
    if pulses && tree.at("control.frequency_hz").is_none() {
        let title = "`[control.duty_pct]` without `[control.frequency_hz]`: a pulse output has both".to_owned();
        at(tree, sheet, "control.duty_pct", title, "add `[control.frequency_hz]`, which needs no address");
    }
    if tree.at("channel.speed_rpm").is_some() && serves(tree, "channel.speed_rpm", NAME) {
        let title = "driver = \"linux\" has no speed reading".to_owned();
        at(tree, sheet, "channel.speed_rpm", title, "name the speed sensor's line in `[tach]`");
    }
}

impl Wants {
    fn takes(self, address: &Address) -> bool {
        match address {
            Address::Gpio { .. } => self == Self::Line,
            Address::Pwm { .. } => self == Self::Pulses,
            Address::Iio { .. } | Address::Hwmon { .. } => self == Self::Reading,
        }
    }

    const fn example(self) -> &'static str {
        match self {
            Self::Line => "name a line, for example \"gpio:supply-relay\"; `gpioinfo` lists them",
            Self::Pulses => "name a hardware pulse output, for example \"pwm:1f00098000.pwm/0\"",
            Self::Reading => "name a reading, for example \"iio:mcp3208/voltage0\" or \"hwmon:ina226/curr1\"",
        }
    }
}

/// The typed board of the functions that this driver serves; `None` when something due is missing, of which the rules
/// have told.
pub(super) fn build(tree: &Node) -> Option<BoardSpec> {
    let here = |path: &str| tree.at(path).is_some() && serves(tree, path, NAME);
    let address =
        |path: &str| tree.text(path).filter(|_| serves(tree, path, NAME)).and_then(|text| Address::parse(text).ok());
    let switch = |path: &str| {
        // Where another driver has the switch there is none here; where its device is missing there is no board.
        if !here(path) {
            return Some(None);
        }
        Some(Some(SwitchSpec {
            address: address(&format!("{path}.address"))?,
            active_low: tree.flag(&format!("{path}.active_low")).unwrap_or(false),
            feedback: address(&format!("{path}.feedback")),
        }))
    };
    let (mut channels, mut low) = (BTreeMap::new(), BTreeMap::new());
    for (name, node) in tree.entries("channel")?.iter().filter(|(name, _)| here(&format!("channel.{name}"))) {
        let channel = Channel::from_name(name)?;
        channels.insert(channel, Address::parse(node.text("address")?).ok()?);
        if let Some(fine) = node.at("low") {
            let source = Address::parse(fine.text("address")?).ok()?;
            low.insert(channel, (source, fine.number("scale").unwrap_or(1.0), fine.number("offset").unwrap_or(0.0)));
        }
    }
    Some(BoardSpec {
        rate: Hertz(tree.number("bench.rate").unwrap_or(RATE_HZ)),
        trigger: tree.text("bench.trigger").map(str::to_owned),
        heartbeat: address("bench.heartbeat"),
        supply: switch("control.supply_on")?,
        gentle: switch("control.supply_gentle")?,
        command: address("control.duty_pct.address")
            .map(|address| PwmSpec { address, pulls_low: tree.flag("control.duty_pct.pulls_low").unwrap_or(true) }),
        hold_low: address("control.line.low"),
        hold_high: address("control.line.high"),
        channels,
        low,
        tach: address("tach.address"),
        stop: address("emergency_stop.address")
            .map(|address| (address, tree.flag("emergency_stop.active_low").unwrap_or(false))),
    })
}
