//! From the checked tree of a rig file to the typed rig.

use std::collections::BTreeMap;
use std::path::Path;

use super::diagnostic::Sheet;
use super::rig::{
    BenchFault, ChannelSpec, CommandSpec, DriverSpec, DummyLoad, FaultKind, FirstPower, LineSpec, Load, LoadFan,
    LowRangeSpec, ModuleKind, Rig, RigLimits, Share, SupplyRange, SupplySpec, TachSpec, VirtualSpec, Wiring,
};
use super::rig_board;
use super::rig_can;
use super::rig_drivers;
use super::rig_scpi;
use super::tree::Node;
use crate::bench::Channel;
use crate::driver::Control;
use crate::units::{
    AmpSquaredSeconds, Amps, Celsius, Duty, Henries, Hertz, Kelvin, Ohms, Ratio, Rpm, Seconds, Volts, VoltsPerSecond,
};

/// Every control.
pub(crate) const CONTROLS: [Control; 7] = [
    Control::SupplyOn,
    Control::GentleSupply,
    Control::SupplyV,
    Control::DutyPct,
    Control::Active,
    Control::FrequencyHz,
    Control::Line,
];

/// Uncertainty of a pre-charge resistor of which nothing is stated.
const RESISTANCE_U: f64 = 0.01;

/// The rig; `None` when something due is missing, of which the walk has told.
pub(crate) fn build(tree: &Node, sheet: &Sheet<'_>) -> Option<Rig> {
    let amps = |path: &str| tree.number(path).map(Amps);
    let ohms = |path: &str| tree.number(path).map(Ohms);
    let seconds = |path: &str| tree.number(path).map(Seconds);
    Some(Rig {
        name: tree.text("name")?.to_owned(),
        driver: driver(tree, sheet.path)?,
        controls: controls(tree),
        channels: channels(tree)?,
        tach: tree
            .at("tach")
            .map(|tach| TachSpec { address: address(tach, "tach"), pulses_per_rev: tach.number("pulses_per_rev") }),
        emergency_stop: tree.at("emergency_stop").map(|stop| address(stop, "emergency_stop")),
        first_power: first_power(tree)?,
        command: CommandSpec {
            lowest: Hertz(tree.number("command.lowest")?),
            highest: Hertz(tree.number("command.highest")?),
            least_duty: Duty::new(tree.number("command.least_duty")?)?,
            most_duty: Duty::new(tree.number("command.most_duty")?)?,
            duty_u: Ratio(tree.number("command.duty_u")?),
        },
        line: LineSpec {
            low_resistance: ohms("line.low_resistance"),
            high_resistance: ohms("line.high_resistance"),
            high_voltage: tree.number("line.high_voltage").map(Volts),
            sense_resistance: ohms("line.sense_resistance"),
        },
        supply: SupplySpec {
            voltage: Volts(tree.number("supply.voltage")?),
            resistance: ohms("supply.resistance")?,
            sinks: tree.flag("supply.sinks")?,
            range: match tree.at("supply.range") {
                Some(range) => Some(SupplyRange {
                    lowest: Volts(range.number("lowest")?),
                    highest: Volts(range.number("highest")?),
                    slew: VoltsPerSecond(range.number("slew")?),
                }),
                None => None,
            },
        },
        load: load(tree)?,
        wiring: Wiring {
            fuse: amps("wiring.fuse")?,
            fuse_i2t: AmpSquaredSeconds(tree.number("wiring.fuse_i2t")?),
            wire_rating: amps("wiring.wire_rating")?,
            lead_resistance: ohms("wiring.lead_resistance")?,
        },
        limits: RigLimits {
            instant_current: amps("limits.instant_current")?,
            continuous_current: amps("limits.continuous_current")?,
            i2t: AmpSquaredSeconds(tree.number("limits.i2t")?),
            highest_voltage: Volts(tree.number("limits.highest_voltage")?),
            lowest_voltage: Volts(tree.number("limits.lowest_voltage")?),
            case_temperature: Celsius(tree.number("limits.case_temperature")?),
            case_rise: tree.number("limits.case_rise").map(Kelvin),
            off_current: amps("limits.off_current")?,
            stall_time: seconds("limits.stall_time")?,
            energised_time: seconds("limits.energised_time")?,
        },
        cannot: tree.texts("cannot")?,
        calibrations: Vec::new(),
        text: sheet.text.to_owned(),
        path: sheet.path.to_owned(),
    })
}

fn load(tree: &Node) -> Option<Load> {
    if let Some(dummy) = tree.at("dummy_load") {
        return Some(Load::Dummy(DummyLoad {
            name: dummy.text("name")?.to_owned(),
            resistance: Ohms(dummy.number("resistance")?),
            resistance_u: Ratio(dummy.number("resistance_u")?),
            inductance: Henries(dummy.number("inductance")?),
            continuous: Amps(dummy.number("continuous")?),
            longest: Seconds(dummy.number("longest")?),
        }));
    }
    let fan = tree.at("load_fan")?;
    let count = |key: &str| fan.count(key).and_then(|n| u32::try_from(n).ok());
    Some(Load::Fan(LoadFan {
        name: fan.text("name")?.to_owned(),
        locked_rotor: Amps(fan.number("locked_rotor")?),
        running: Amps(fan.number("running")?),
        speed: Rpm(fan.number("speed")?),
        bars: count("bars"),
        brushes: count("brushes"),
    }))
}

/// The driver, or all of them with what each serves; that of `[bench]` comes first.
fn driver(tree: &Node, rig: &Path) -> Option<DriverSpec> {
    let own = tree.text("bench.driver")?;
    let used = rig_drivers::used(tree);
    let mut names = vec![own];
    names.extend(used.into_iter().filter(|name| *name != own));
    match names.as_slice() {
        [one] => one_driver(tree, one, rig),
        _ => names.into_iter().map(|name| share(tree, name, rig)).collect::<Option<_>>().map(DriverSpec::Joined),
    }
}

fn one_driver(tree: &Node, name: &str, rig: &Path) -> Option<DriverSpec> {
    match name {
        "external" => Some(DriverSpec::External { command: tree.texts("bench.command")? }),
        rig_board::LINUX => Some(DriverSpec::Linux(Box::new(rig_board::build(tree, name)?))),
        rig_board::RASPBERRY => Some(DriverSpec::Raspberry(Box::new(rig_board::build(tree, name)?))),
        rig_scpi::NAME => Some(DriverSpec::Scpi(Box::new(rig_scpi::build(tree)?))),
        rig_can::NAME => Some(DriverSpec::Can(Box::new(rig_can::build(tree, rig)?))),
        _ => Some(DriverSpec::Virtual(Box::new(virtual_spec(tree.at("virtual")?)?))),
    }
}

fn share(tree: &Node, name: &str, rig: &Path) -> Option<Share> {
    let here = |path: &str| tree.at(path).is_some() && rig_drivers::serves(tree, path, name);
    Some(Share {
        driver: one_driver(tree, name, rig)?,
        controls: CONTROLS.into_iter().filter(|control| here(&format!("control.{}", control.name()))).collect(),
        channels: Channel::ALL.into_iter().filter(|channel| here(&format!("channel.{channel}"))).collect(),
        tach: here("tach"),
        emergency_stop: here("emergency_stop"),
    })
}

fn virtual_spec(tree: &Node) -> Option<VirtualSpec> {
    let faults = tree.list("faults")?.iter();
    let faults = faults.map(|fault| Some((FaultKind::from_name(fault.text("fault")?)?, fault.number("severity")?)));
    Some(VirtualSpec {
        kind: ModuleKind::from_name(tree.text("kind")?)?,
        seed: tree.count("seed")?,
        faults: faults.collect::<Option<Vec<_>>>()?,
        ambient: Celsius(tree.number("ambient")?),
        stop_pressed_at: tree.number("stop_pressed_at").map(Seconds),
        bench_faults: tree.texts("bench_faults")?.iter().filter_map(|name| BenchFault::from_name(name)).collect(),
        tach_missing: Ratio(tree.number("tach_missing")?),
        tach_doubled: Ratio(tree.number("tach_doubled")?),
    })
}

/// The stated address, else the function's own name.
fn address(function: &Node, name: &str) -> String {
    function.text("address").unwrap_or(name).to_owned()
}

fn controls(tree: &Node) -> BTreeMap<Control, String> {
    let here = |control: Control| {
        let function = tree.at("control")?.at(control.name())?;
        Some((control, address(function, control.name())))
    };
    CONTROLS.into_iter().filter_map(here).collect()
}

fn channels(tree: &Node) -> Option<BTreeMap<Channel, ChannelSpec>> {
    let entries = tree.entries("channel")?.iter();
    entries.map(|(name, node)| Some((Channel::from_name(name)?, channel(name, node)?))).collect()
}

fn channel(name: &str, node: &Node) -> Option<ChannelSpec> {
    Some(ChannelSpec {
        address: address(node, name),
        scale: node.number("scale")?,
        offset: node.number("offset")?,
        range: node.number("range")?,
        noise: node.number("noise")?,
        offset_u: node.number("offset_u")?,
        gain_u: Ratio(node.number("gain_u")?),
        resolution: node.number("resolution")?,
        low: match node.at("low") {
            Some(low) => Some(LowRangeSpec {
                range: Amps(low.number("range")?),
                noise: Amps(low.number("noise")?),
                offset_u: Amps(low.number("offset_u")?),
                gain_u: Ratio(low.number("gain_u")?),
                correction: None,
            }),
            None => None,
        },
        correction: None,
    })
}

fn first_power(tree: &Node) -> Option<FirstPower> {
    let tree = tree.at("first_power")?;
    Some(match tree.text("means")? {
        "pre-charge" => FirstPower::PreCharge {
            resistance: Ohms(tree.number("resistance")?),
            resistance_u: Ratio(tree.number("resistance_u").unwrap_or(RESISTANCE_U)),
        },
        "limited supply" => FirstPower::LimitedSupply { limit: Amps(tree.number("limit")?) },
        "lamp" => FirstPower::Lamp,
        _ => FirstPower::Straight,
    })
}
