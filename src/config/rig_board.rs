//! Keys of a rig file that name devices of a board: rules across them, and the typed board. Two drivers read them, one
//! through the kernel of any board, one through the registers and buses of a Raspberry Pi.

use std::collections::{BTreeMap, BTreeSet};

use super::address::Address;
use super::diagnostic::Sheet;
use super::rig::{BoardSpec, PwmSpec, SwitchSpec};
use super::rig_drivers::{serves, used};
use super::rig_rules::at;
use super::tree::Node;
use crate::bench::Channel;
use crate::units::{Hertz, Volts};

/// Name of the driver of any Linux board.
pub(super) const LINUX: &str = "linux";
/// Name of the driver of a Raspberry Pi.
pub(super) const RASPBERRY: &str = "raspberry";
/// Both.
const BOTH: &[&str] = &[LINUX, RASPBERRY];
/// Samples per second when nothing is stated.
const RATE_HZ: f64 = 2_000.0;

/// Keys that only these drivers read.
const OWN: [(&str, &[&str]); 14] = [
    ("bench.rate", BOTH),
    ("bench.trigger", &[LINUX]),
    ("bench.reference", &[RASPBERRY]),
    ("bench.heartbeat", BOTH),
    ("control.supply_on.active_low", BOTH),
    ("control.supply_on.feedback", BOTH),
    ("control.supply_gentle.active_low", BOTH),
    ("control.supply_gentle.feedback", BOTH),
    ("control.duty_pct.pulls_low", BOTH),
    ("control.line.low", BOTH),
    ("control.line.high", BOTH),
    ("emergency_stop.active_low", BOTH),
    ("channel.supply_a.low.address", BOTH),
    ("channel.fan_a.low.address", BOTH),
];

/// What a key may name.
#[derive(Clone, Copy, PartialEq)]
enum Wants {
    Line,
    Pulses,
    Reading,
}

/// Whether `driver` reads the key at `path`. What belongs to the whole bench belongs to one driver alone.
fn reads(tree: &Node, path: &str, driver: &str) -> bool {
    if path != "bench.heartbeat" {
        return serves(tree, path, driver);
    }
    let used = used(tree);
    let of_bench = tree.text("bench.driver").filter(|bench| BOTH.contains(bench));
    of_bench.or_else(|| BOTH.iter().copied().find(|board| used.contains(board))) == Some(driver)
}

/// The keys that must name a device, with what they may name and whether they must be there when their table is. Keys of
/// functions that another driver serves are not among them.
fn devices(tree: &Node, driver: &str) -> Vec<(String, Wants, bool)> {
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
    keys.retain(|(path, ..)| reads(tree, path, driver));
    keys
}

/// Rules of the drivers of boards, and that nothing else uses their keys.
pub(super) fn check(tree: &Node, sheet: &mut Sheet<'_>) {
    if used(tree).is_empty() {
        return;
    }
    for (path, drivers) in OWN {
        if tree.at(path).is_some() && !drivers.iter().any(|driver| serves(tree, path, driver)) {
            let names = drivers.iter().map(|driver| format!("\"{driver}\"")).collect::<Vec<_>>().join(" or ");
            let title = format!("`{path}` is read with driver = {names} only");
            at(tree, sheet, path, title, &format!("remove it, or name the driver {names}"));
        }
    }
    for driver in BOTH.iter().filter(|driver| used(tree).contains(**driver)) {
        let named = board(tree, sheet, driver);
        if *driver == RASPBERRY {
            buses(tree, sheet, &named);
        }
    }
}

/// What holds for every board; the devices with the keys that name them.
fn board(tree: &Node, sheet: &mut Sheet<'_>, driver: &str) -> Vec<(String, Address)> {
    let mut used = BTreeSet::new();
    let mut named = Vec::new();
    for (path, wants, must) in devices(tree, driver) {
        let table = path.rsplit_once('.').map_or("", |(table, _)| table).to_owned();
        let Some(text) = tree.text(&path) else {
            if must && tree.at(&table).is_some() {
                let title = format!("`{path}` is missing: driver = \"{driver}\" needs the device of each function");
                at(tree, sheet, &table, title, wants.example(driver));
            }
            continue;
        };
        match Address::parse(text) {
            Err(why) => at(tree, sheet, &path, format!("`{text}` is no device: {why}"), ""),
            Ok(address) if !wants.takes(&address, driver) => {
                at(tree, sheet, &path, format!("`{text}` is no device for `{path}`"), wants.example(driver));
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
            Ok(address) => named.push((path, address)),
        }
    }
    let pulses = tree.at("control.duty_pct").is_some() && serves(tree, "control.duty_pct", driver);
    if pulses && tree.at("control.frequency_hz").is_none() {
        let title = "`[control.duty_pct]` without `[control.frequency_hz]`: a pulse output has both".to_owned();
        at(tree, sheet, "control.duty_pct", title, "add `[control.frequency_hz]`, which needs no address");
    }
    if tree.at("channel.speed_rpm").is_some() && serves(tree, "channel.speed_rpm", driver) {
        let title = format!("driver = \"{driver}\" has no speed reading");
        at(tree, sheet, "channel.speed_rpm", title, "name the speed sensor's line in `[tach]`");
    }
    named
}

/// Buses of a Raspberry Pi: their pins are no lines, one part sits at one place, a converter needs its reference.
fn buses(tree: &Node, sheet: &mut Sheet<'_>, named: &[(String, Address)]) {
    let mut places: Vec<(String, &'static str)> = Vec::new();
    for (path, address) in named {
        let (place, part) = match address {
            Address::Spi { bus, select, part, .. } => (format!("spi:{bus}.{select}"), part.name()),
            Address::I2c { bus, at, reading } => (format!("i2c:{bus}/{at:#04x}"), reading.part()),
            _ => continue,
        };
        match places.iter().find(|(known, _)| *known == place) {
            Some((_, other)) if *other != part => {
                let title = format!("`{address}`: there is {other} at {place} already");
                at(tree, sheet, path, title, "one part sits at one place: name its own, or the part that is there");
            }
            Some(_) => {}
            None => places.push((place, part)),
        }
    }
    for (path, pin) in named.iter().filter_map(|(path, address)| Some((path, address.pin()?))) {
        let bus = named.iter().find_map(|(_, address)| match address {
            Address::Spi { bus, .. } if spi_pins(*bus).contains(&pin) => Some(format!("SPI bus {bus}")),
            Address::I2c { bus: 1, .. } if [2, 3].contains(&pin) => Some("I2C bus 1".to_owned()),
            _ => None,
        });
        if let Some(bus) = bus {
            let title = format!("`gpio:GPIO{pin}` is a pin of {bus}, which this rig uses");
            at(tree, sheet, path, title, "name another pin, and wire it there");
        }
    }
    let converter = named.iter().find(|(_, address)| matches!(address, Address::Spi { .. }));
    if let Some((path, _)) = converter
        && tree.at("bench.reference").is_none()
    {
        let title =
            "a converter on SPI needs `bench.reference`, the voltage that its highest code stands for".to_owned();
        at(tree, sheet, path, title, "state the voltage at its reference pin, for example reference = \"3.3 V\"");
    }
}

/// Pins that the kernel's SPI drivers take for a bus, chip selects included.
const fn spi_pins(bus: u8) -> &'static [u8] {
    match bus {
        0 => &[7, 8, 9, 10, 11],
        1 => &[16, 17, 18, 19, 20, 21],
        _ => &[],
    }
}

impl Wants {
    fn takes(self, address: &Address, driver: &str) -> bool {
        match address {
            Address::Gpio { .. } => self == Self::Line && (driver == LINUX || address.pin().is_some()),
            Address::Pwm { .. } => self == Self::Pulses,
            Address::Iio { .. } | Address::Hwmon { .. } => self == Self::Reading && driver == LINUX,
            Address::Spi { .. } | Address::I2c { .. } => self == Self::Reading && driver == RASPBERRY,
        }
    }

    fn example(self, driver: &str) -> &'static str {
        match (self, driver) {
            (Self::Line, RASPBERRY) => "name a pin of the header, gpio:GPIO2 to gpio:GPIO27",
            (Self::Line, _) => "name a line, for example \"gpio:supply-relay\"; `gpioinfo` lists them",
            (Self::Pulses, RASPBERRY) => {
                "name a hardware pulse output, for example \"pwm:1f00098000.pwm/0\"; pulses that a program makes on a pin \
                 waver with what else the board does, and every threshold with them"
            }
            (Self::Pulses, _) => "name a hardware pulse output, for example \"pwm:1f00098000.pwm/0\"",
            (Self::Reading, RASPBERRY) => {
                "name a reading, for example \"spi:0.0/mcp3208/3\" or \"i2c:1/0x40/ina226/bus\"; readings of the kernel \
                 (iio, hwmon) need driver = \"linux\" at that channel"
            }
            (Self::Reading, _) => "name a reading, for example \"iio:mcp3208/voltage0\" or \"hwmon:ina226/curr1\"",
        }
    }
}

/// The typed board of the functions that this driver serves; `None` when something due is missing, of which the rules
/// have told.
pub(super) fn build(tree: &Node, driver: &str) -> Option<BoardSpec> {
    let here = |path: &str| tree.at(path).is_some() && serves(tree, path, driver);
    let address =
        |path: &str| tree.text(path).filter(|_| reads(tree, path, driver)).and_then(|text| Address::parse(text).ok());
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
        reference: tree.number("bench.reference").map(Volts),
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

#[cfg(test)]
mod tests {
    use std::path::Path;

    use crate::bench::Channel;
    use crate::config::parse_rig;
    use crate::config::rig::DriverSpec;

    #[test]
    fn two_drivers_of_one_board_share_nothing_and_the_heartbeat_is_one_s() {
        let text = std::fs::read_to_string("rigs/low-cost-bench.toml").unwrap();
        let text = text.replacen(
            "address = \"spi:0.0/mcp3208/4\"\nscale = 100\noffset = \"-50 K\"",
            "driver = \"linux\"\naddress = \"hwmon:1-0048/temp1\"",
            1,
        );
        let rig = parse_rig(Path::new("rig.toml"), &text).unwrap();
        let DriverSpec::Joined(shares) = &rig.driver else { panic!("one driver: {}", rig.driver.name()) };
        let [raspberry, linux] = shares.as_slice() else { panic!("two drivers") };
        let (DriverSpec::Raspberry(pins), DriverSpec::Linux(kernel)) = (&raspberry.driver, &linux.driver) else {
            panic!("that of the bench first, then the other")
        };
        assert!(pins.heartbeat.is_some() && kernel.heartbeat.is_none());
        assert!(pins.supply.is_some() && kernel.supply.is_none());
        assert_eq!(kernel.channels.keys().collect::<Vec<_>>(), [&Channel::CaseC]);
        assert!(!pins.channels.contains_key(&Channel::CaseC) && pins.channels.len() == 5);
    }
}
