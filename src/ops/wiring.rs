//! The wiring of a rig: what the drivers open, as rows of a sheet, and what to buy for it. Made from the same typed rig
//! that the drivers get, so the sheet cannot say anything else than they do.

use std::collections::BTreeMap;
use std::path::Path;

use crate::bench::Channel;
use crate::config;
use crate::config::address::Address;
use crate::config::rig::{BoardSpec, DriverSpec, FirstPower, Load, Rig, SwitchSpec};
use crate::driver::Control;
use crate::ops::OpsError;
use crate::ops::wires::Wire;
use crate::report::wiring::{Element, Net, Part, Row, Sheet};
use crate::units::significant;

/// Largest input capacitor of a module that the pre-charge must bear, farads.
const MOST_CAPACITANCE_F: f64 = 5e-3;

/// The sheet of the rig file at `path`.
///
/// # Errors
/// Everything that is wrong with the file.
pub fn sheet(path: &Path) -> Result<Sheet, OpsError> {
    Ok(of(&config::load_rig(path)?))
}

fn of(rig: &Rig) -> Sheet {
    let board = rig.driver.board();
    let (volts, wire) = (rig.supply.voltage.get(), wire(rig));
    let rows = rows(rig, board);
    Sheet {
        title: rig.name.clone(),
        note: rig.driver.each().map(note).collect::<Vec<_>>().join(" "),
        supply: format!("{} V{}", significant(volts, 3), if rig.supply.sinks { ", takes current back" } else { "" }),
        fuse: format!("{} A", significant(rig.wiring.fuse.get(), 3)),
        wire: wire.0.clone(),
        means: means(rig),
        fan: load(rig),
        fan_current: rig.channels.contains_key(&Channel::FanA),
        four_wire: rig.wiring.lead_resistance.get() == 0.0,
        parts: parts(rig, board, &rows, wire),
        rows,
        cautions: cautions(rig),
    }
}

/// What hangs on the output, in a line.
fn load(rig: &Rig) -> String {
    match &rig.load {
        Load::Fan(fan) => format!(
            "{}, {} A, locked {} A",
            fan.name,
            significant(fan.running.get(), 3),
            significant(fan.locked_rotor.get(), 3)
        ),
        Load::Dummy(dummy) => format!("{}, {}, {}, no fan", dummy.name, dummy.resistance, dummy.choke()),
    }
}

/// What the pins of a driver are.
fn note(driver: &DriverSpec) -> String {
    match driver {
        DriverSpec::Virtual(_) => "Virtual bench: nothing to wire. Drawn as it would be.".to_owned(),
        DriverSpec::External { command } => format!("Pins are names at the program `{}`.", command.join(" ")),
        DriverSpec::Linux(_) => "Pins are the kernel's names of lines, pulse outputs and converters.".to_owned(),
        DriverSpec::Raspberry(_) => "Pins are GPIO numbers, with the place on the 40-pin header; spi and i2c are the \
                                     inputs of converters and monitors on those buses."
            .to_owned(),
        DriverSpec::Scpi(spec) => {
            let instruments = spec.instruments.iter();
            let names = instruments.map(|i| format!("{} `{}` at {}", i.kind.name(), i.name, i.connect));
            format!("Instruments: {}.", names.collect::<Vec<_>>().join(", "))
        }
        DriverSpec::Can(spec) => {
            let receives = if spec.controls.is_empty() { "" } else { ", actuators at the one that takes them" };
            format!(
                "Names at the CAN bus `{}` are signals; sensors sit at the node that sends them{receives}.",
                spec.interface
            )
        }
        DriverSpec::Joined(_) => String::new(),
    }
}

/// Wire for the supply path: cross-section in words, and the loss over a metre there and back.
fn wire(rig: &Rig) -> (String, String) {
    let amps = rig.wiring.fuse.get();
    match Wire::behind(amps) {
        Some(wire) => {
            let why = format!(
                "carries {} A, the fuse lets {} A pass; {} V lost per metre there and back at {} A",
                wire.carries_a,
                significant(amps, 3),
                significant(wire.lost_v(rig.limits.continuous_current.get()), 2),
                significant(rig.limits.continuous_current.get(), 3)
            );
            (format!("{} mm² (AWG {})", wire.area_mm2, wire.awg), why)
        }
        None => ("by calculation".to_owned(), format!("more than {} A: ask an electrician", significant(amps, 3))),
    }
}

fn means(rig: &Rig) -> String {
    match rig.first_power {
        FirstPower::PreCharge { resistance, .. } => format!("{} Ohm", significant(resistance.get(), 3)),
        FirstPower::LimitedSupply { limit } => format!("limit {} A", significant(limit.get(), 3)),
        FirstPower::Lamp => "lamp".to_owned(),
        FirstPower::Straight => "none".to_owned(),
    }
}

fn row(pin: impl Into<String>, what: impl Into<String>, element: Element, net: Net, note: impl Into<String>) -> Row {
    Row { pin: pin.into(), what: what.into(), element, net, note: note.into() }
}

/// A device as the rig names it; on a Raspberry Pi with its place on the header, or its input of a converter.
fn pin(rig: &Rig, address: &Address) -> String {
    let place = address.on_header().filter(|_| rig.driver.has_header());
    place.map_or_else(|| address.to_string(), |place| format!("{address} ({place})"))
}

fn rows(rig: &Rig, board: Option<&BoardSpec>) -> Vec<Row> {
    let pin_of = |address: &Address| pin(rig, address);
    let mut rows = Vec::new();
    let name = |control: Control| sent(rig, control).or_else(|| rig.controls.get(&control).cloned());
    let switch = |rows: &mut Vec<Row>, spec: Option<&SwitchSpec>, control, what: &str, net| {
        let pin = spec.map(|spec| pin_of(&spec.address)).or_else(|| name(control));
        let Some(pin) = pin else { return };
        let level = if spec.is_some_and(|spec| spec.active_low) { "low switches on" } else { "high switches on" };
        let on_bus = sent(rig, control).is_some();
        let level = if spec.is_some() {
            level
        } else if on_bus {
            "1 switches on"
        } else {
            ""
        };
        rows.push(row(pin, what, Element::RelayDriver, net, level));
        if let Some(feedback) = spec.and_then(|spec| spec.feedback.as_ref()) {
            rows.push(row(pin_of(feedback), format!("{what} feedback"), Element::Contact, net, "high when closed"));
        }
    };
    switch(&mut rows, board.and_then(|board| board.supply.as_ref()), Control::SupplyOn, "supply relay", Net::Relay);
    if rig.controls.contains_key(&Control::GentleSupply) {
        let gentle = board.and_then(|board| board.gentle.as_ref());
        switch(&mut rows, gentle, Control::GentleSupply, "first-power relay", Net::Gentle);
    }
    command_rows(rig, board, &mut rows);
    for (channel, spec) in &rig.channels {
        let pin = board.and_then(|board| board.channels.get(channel)).map(pin_of);
        let pin = pin.or_else(|| on_bus(rig, *channel)).unwrap_or_else(|| spec.address.clone());
        let (element, net) = sensor(*channel);
        let unit = channel.unit();
        let scale = if spec.scale == 1.0 { String::new() } else { format!(", x {}", significant(spec.scale, 5)) };
        rows.push(row(
            pin,
            channel.name(),
            element,
            net,
            format!("up to {} {unit}{scale}", significant(spec.range, 4)),
        ));
        if let Some(low) = &spec.low {
            let pin = board.and_then(|board| board.low.get(channel)).map(|(address, _, _)| pin_of(address));
            let note = format!("up to {} {unit}", significant(low.range.get(), 3));
            let pin = pin.unwrap_or_else(|| format!("{} (same)", spec.address));
            rows.push(row(pin, format!("{channel} low range"), Element::Shunt, net, note));
        }
    }
    if let Some(tach) = &rig.tach {
        let pin = board.and_then(|board| board.tach.as_ref()).map_or_else(|| tach.address.clone(), pin_of);
        let pulses = tach.pulses_per_rev.map_or(String::new(), |n| format!("{n} per turn"));
        rows.push(row(pin, "tach", Element::PulseInput, Net::Tach, pulses));
    }
    if let Some(address) = &rig.emergency_stop {
        let stop = board.and_then(|board| board.stop.as_ref());
        let pin = stop.map_or_else(|| address.clone(), |(address, _)| pin_of(address));
        let level = match stop {
            Some((_, true)) => "low when pressed",
            Some((_, false)) => "high when pressed",
            None => "",
        };
        rows.push(row(pin, "emergency stop", Element::Contact, Net::Stop, level));
    }
    if let Some(heartbeat) = board.and_then(|board| board.heartbeat.as_ref()) {
        rows.push(row(pin_of(heartbeat), "heartbeat", Element::Monostable, Net::Relay, "holds the relay"));
    }
    rows
}

/// The signal that a channel is, with its bus.
fn on_bus(rig: &Rig, channel: Channel) -> Option<String> {
    let bus = rig.driver.bus()?;
    Some(format!("{}/{}", bus.interface, bus.channels.get(&channel)?.name))
}

/// The signal that a control is, with its bus.
fn sent(rig: &Rig, control: Control) -> Option<String> {
    let bus = rig.driver.bus()?;
    Some(format!("{}/{}", bus.interface, bus.controls.get(&control)?.name))
}

fn command_rows(rig: &Rig, board: Option<&BoardSpec>, rows: &mut Vec<Row>) {
    let span =
        format!("{} to {} Hz", significant(rig.command.lowest.get(), 3), significant(rig.command.highest.get(), 5));
    if let Some(command) = board.and_then(|board| board.command.as_ref()) {
        let element = if command.pulls_low { Element::OpenDrain } else { Element::PushPull };
        rows.push(row(pin(rig, &command.address), "command", element, Net::Line, span));
    } else if let Some(name) = rig.controls.get(&Control::DutyPct) {
        let pin = sent(rig, Control::DutyPct).unwrap_or_else(|| name.clone());
        rows.push(row(pin, "command", Element::OpenDrain, Net::Line, span));
    }
    let ohm = |ohm: Option<crate::units::Ohms>| {
        ohm.map_or("resistor not stated".to_owned(), |ohm| format!("{} Ohm", significant(ohm.get(), 3)))
    };
    if let Some(low) = board.and_then(|board| board.hold_low.as_ref()) {
        rows.push(row(pin(rig, low), "line held low", Element::HoldLow, Net::Line, ohm(rig.line.low_resistance)));
    }
    let high_v = rig.line.high_voltage.map_or(String::new(), |volts| format!(" to {} V", significant(volts.get(), 3)));
    let high = ohm(rig.line.high_resistance) + &high_v;
    if let Some(address) = board.and_then(|board| board.hold_high.as_ref()) {
        rows.push(row(pin(rig, address), "line held high", Element::HoldHigh, Net::Line, high));
    } else if let Some(pin) = sent(rig, Control::Line) {
        rows.push(row(pin, "line held low or high", Element::HoldHigh, Net::Line, high));
    } else if let (None, Some(name)) = (board, rig.controls.get(&Control::Line)) {
        rows.push(row(name.clone(), "line held low or high", Element::HoldHigh, Net::Line, high));
    }
}

const fn sensor(channel: Channel) -> (Element, Net) {
    match channel {
        Channel::SupplyV => (Element::Divider, Net::SupplySense),
        Channel::SupplyA => (Element::CurrentSensor, Net::SupplyCurrent),
        Channel::OutputV => (Element::Differential, Net::Output),
        Channel::FanA => (Element::CurrentSensor, Net::FanCurrent),
        Channel::SpeedRpm => (Element::PulseInput, Net::Tach),
        Channel::CaseC => (Element::Thermometer, Net::Case),
        Channel::AmbientC => (Element::Thermometer, Net::Ambient),
        Channel::LineV => (Element::Divider, Net::Line),
    }
}

fn part(count: usize, what: impl Into<String>, why: impl Into<String>) -> Part {
    Part { count, what: what.into(), why: why.into() }
}

fn parts(rig: &Rig, board: Option<&BoardSpec>, rows: &[Row], wire: (String, String)) -> Vec<Part> {
    let volts = rig.supply.voltage.get();
    let amps = |amps: f64| significant(amps, 3);
    let count = |element| rows.iter().filter(|row| row.element == element).count();
    let mut all = vec![
        part(
            1,
            format!("fuse {} A, melting integral {} A²s", amps(rig.wiring.fuse.get()), amps(rig.wiring.fuse_i2t.get())),
            format!(
                "within 20 cm of the battery post; one of another integral goes into the rig file, which must stay above {} A²s",
                amps(rig.limits.i2t.get())
            ),
        ),
        part(1, format!("copper wire {}, red and black", wire.0), wire.1),
        part(
            1,
            "emergency stop, latching, opening contact in the relay coil's supply",
            "acts without any software; a second contact tells the board",
        ),
        part(
            1,
            format!(
                "relay or contactor, {} V DC, {} A",
                amps((1.5 * rig.limits.highest_voltage.get()).ceil()),
                amps(rig.limits.instant_current.get())
            ),
            "breaks the instant limit; its coil with a diode",
        ),
    ];
    match rig.first_power {
        FirstPower::PreCharge { resistance, .. } => {
            let ohm = resistance.get();
            let pulse_j = 0.5 * MOST_CAPACITANCE_F * volts * volts;
            let what = format!(
                "resistor {} Ohm, {} W, pulse {} J",
                amps(ohm),
                amps((volts * volts / ohm).ceil()),
                significant(pulse_j, 2)
            );
            all.push(part(1, what, "bears a shorted unit for as long as first power lasts"));
            all.push(part(1, "relay for first power", format!("{} A", significant(volts / ohm, 2))));
        }
        FirstPower::LimitedSupply { limit } => {
            all.push(part(1, format!("supply with a current limit of {} A", amps(limit.get())), "first power"));
        }
        FirstPower::Lamp => all.push(part(1, format!("lamp {} V with its relay", amps(volts)), "first power")),
        FirstPower::Straight => {}
    }
    let mut several = |element: Element, what: &str, why: &str| {
        let n = count(element);
        if n > 0 {
            all.push(part(n, what, why));
        }
    };
    several(
        Element::RelayDriver,
        "transistor with coil diode and a resistor to the off level at its input",
        "an unpowered board switches nothing on",
    );
    several(Element::OpenDrain, "logic-level transistor to ground, 47 Ohm in its gate", "pulls the command line low");
    several(Element::PushPull, "driver that switches both ways, with a series resistor", "drives the command line");
    several(Element::HoldLow, "transistor with the resistor of the sheet to ground", "line held low");
    several(Element::HoldHigh, "transistor with the resistor of the sheet to its voltage", "line held high");
    several(
        Element::CurrentSensor,
        "hall current sensor or shunt with amplifier, range of the sheet",
        "supply and fan current",
    );
    several(
        Element::Shunt,
        "shunt with amplifier and a bypass that closes by itself above its range",
        "what a sleeping unit draws",
    );
    several(
        Element::Divider,
        "divider with two clamping diodes and a filter",
        "converter never sees more than its supply",
    );
    several(
        Element::Differential,
        "differential divider, both legs equal to 0.1 %",
        "fan plus is not ground: low-side choppers",
    );
    several(Element::Thermometer, "temperature sensor, the case one clamped with paste", "case and ambient");
    several(Element::PulseInput, "pull-up, filter and Schmitt trigger", "tach edges");
    several(Element::Contact, "pull resistor and filter", "contacts that the board reads");
    several(
        Element::Monostable,
        "retriggerable monostable in series with the relay coil",
        "opens the relay when the program is gone",
    );
    all.extend(board.into_iter().flat_map(on_buses));
    if let Some(bus) = rig.driver.bus() {
        all.push(part(
            1,
            format!("CAN interface `{}`, twisted pair and ground wire", bus.interface),
            if bus.controls.is_empty() {
                "sensors on a bus"
            } else {
                "sensors and actuators on a bus: the node switches off by itself when frames stay away"
            },
        ));
        all.push(part(2, "resistor 120 Ohm, one at each end of the bus", "60 Ohm between its lines in all"));
    }
    let board_words = if board.is_some() { "board with these pins" } else { "what plays the program's side" };
    all.push(part(1, board_words, rig.name.clone()));
    all
}

/// Converters and monitors on the buses of a board, with the pins of the header that they hang on.
fn on_buses(board: &BoardSpec) -> Vec<Part> {
    let wide = board.channels.values();
    let mut parts = BTreeMap::new();
    for address in wide.chain(board.low.values().map(|(address, ..)| address)) {
        let (what, why) = match address {
            Address::Spi { bus, select, part, .. } => {
                let pins = match bus {
                    0 => format!(
                        "clock pin 23, in pin 19, out pin 21, select pin {}",
                        if *select == 0 { 24 } else { 26 }
                    ),
                    _ => format!("bus {bus}, select {select}, by the overlay's pins"),
                };
                let volts = board.reference.map_or(String::new(), |volts| format!(", reference {} V", volts.get()));
                (format!("converter {}, {} bits{volts}", part.name(), part.bits()), pins)
            }
            Address::I2c { bus, at, reading } => {
                let pins = if *bus == 1 { "data pin 3, clock pin 5".to_owned() } else { format!("bus {bus}") };
                (format!("{} set to address {at:#04x}", reading.part()), pins)
            }
            _ => continue,
        };
        parts.insert((what.clone(), why.clone()), part(1, what, why));
    }
    parts.into_values().collect()
}

fn cautions(rig: &Rig) -> Vec<String> {
    let mut all = vec![
        "Fuse at the battery post, emergency stop and fan guard come first; software is the second line.".to_owned(),
        "One ground point at the unit's ground pin: 10 mOhm of shared ground is 250 mV.".to_owned(),
        "Nothing of the 12 V side reaches a pin of the board but through the parts drawn here.".to_owned(),
    ];
    if rig.first_power == FirstPower::Straight {
        all.push("No first-power means: a shorted unit meets the full supply, only the fuse is between.".to_owned());
    }
    if !rig.supply.sinks {
        all.push("The supply takes no current back: a clamp must, or a battery beside it.".to_owned());
    }
    if rig.driver.has_header() {
        all.push("The board's pins bear 3.3 V: 5 V on one of them ends the board.".to_owned());
    }
    if rig.driver.bus().is_some_and(|bus| !bus.controls.is_empty()) {
        all.push(
            "The node on the bus must switch off by itself when frames stay away: nobody tells it to when the program is gone."
                .to_owned(),
        );
    }
    if rig.emergency_stop.is_none() {
        all.push(
            "The program is not told of the emergency stop on this rig: it must cut the supply by itself.".to_owned(),
        );
    }
    all
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;
    use crate::report::wiring::{svg, text};

    #[test]
    fn every_device_that_the_driver_opens_is_on_the_sheet_once() {
        let path = Path::new("rigs/linux-board.toml");
        let rig = config::load_rig(path).map_err(|problems| problems.to_string()).unwrap();
        let DriverSpec::Linux(board) = &rig.driver else { panic!("a Linux board") };
        let sheet = sheet(path).map_err(|error| error.to_string()).unwrap();
        let mut due = Vec::new();
        for switch in board.supply.iter().chain(&board.gentle) {
            due.push(switch.address.to_string());
            due.extend(switch.feedback.iter().map(ToString::to_string));
        }
        due.extend(board.command.iter().map(|command| command.address.to_string()));
        let lines = [&board.hold_low, &board.hold_high, &board.tach, &board.heartbeat];
        due.extend(lines.into_iter().flatten().map(ToString::to_string));
        due.extend(board.stop.iter().map(|(address, _)| address.to_string()));
        due.extend(board.channels.values().map(ToString::to_string));
        due.extend(board.low.values().map(|(address, _, _)| address.to_string()));
        let drawn: Vec<&str> = sheet.rows.iter().map(|row| row.pin.as_str()).collect();
        assert_eq!(drawn.iter().collect::<BTreeSet<_>>().len(), drawn.len());
        assert_eq!(drawn.iter().copied().collect::<BTreeSet<_>>(), due.iter().map(String::as_str).collect());
        let picture = svg(&sheet);
        assert!(due.iter().all(|pin| picture.contains(pin.as_str())), "every pin is in the drawing");
        assert!(text(&sheet).contains("fuse"));
    }

    #[test]
    fn pins_of_a_raspberry_pi_stand_with_their_place_on_the_header() {
        let sheet = sheet(Path::new("rigs/low-cost-bench.toml")).map_err(|error| error.to_string()).unwrap();
        let pin = |what: &str| sheet.rows.iter().find(|row| row.what == what).map(|row| row.pin.as_str());
        assert_eq!(pin("supply relay"), Some("gpio:GPIO17 (pin 11)"));
        assert_eq!(pin("command"), Some("pwm:1f00098000.pwm/2 (GPIO18, pin 12)"));
        assert_eq!(pin("supply_a low range"), Some("spi:0.0/mcp3208/2 (CH2)"));
        let converters = sheet.parts.iter().filter(|part| part.what.starts_with("converter")).collect::<Vec<_>>();
        assert_eq!(converters.len(), 1, "{converters:?}");
        assert!(
            converters[0].what.contains("mcp3208, 12 bits, reference 3.3 V") && converters[0].why.contains("pin 24")
        );
        assert_eq!(sheet.rows.len(), 16, "every device of the rig");
        let picture = svg(&sheet);
        assert!(sheet.rows.iter().all(|row| picture.contains(row.pin.as_str())));
        assert!(text(&sheet).contains("40 A") && sheet.wire.contains("6 mm²"));
    }

    #[test]
    fn channels_on_a_bus_are_named_by_their_signals() {
        let sheet = sheet(Path::new("rigs/can-bench.toml")).map_err(|error| error.to_string()).unwrap();
        let pin = |what: &str| sheet.rows.iter().find(|row| row.what == what).map(|row| row.pin.as_str());
        assert_eq!(pin("supply_a"), Some("can0/SupplySense.SupplyCurrent"));
        assert_eq!(pin("case_c"), Some("can0/0x1A1 bit 23"));
        assert_eq!(pin("ambient_c"), Some("hwmon:1-0049/temp1"));
        assert!(text(&sheet).contains("120 Ohm") && sheet.note.contains("CAN bus `can0`"));
    }

    #[test]
    fn controls_on_a_bus_are_named_by_their_signals_and_come_with_their_caution() {
        let path = Path::new("rigs/can-bench.toml");
        let text = std::fs::read_to_string(path).unwrap();
        let (from, to) = (text.find("[control.supply_on]").unwrap(), text.find("# What is sampled.").unwrap());
        let own = "[control.supply_on]\ndriver = \"can\"\naddress = \"BenchSwitch.Supply\"\n\n\
                   [first_power]\nmeans = \"none\"\n\n";
        let rest = text[to..].replace("[first_power]\nmeans = \"pre-charge\"", "");
        let rest = rest.lines().filter(|line| !line.starts_with("resistance") || line.contains("5 mOhm"));
        let text = format!("{}{own}{}", &text[..from], rest.collect::<Vec<_>>().join("\n"));
        let rig = config::parse_rig(path, &text).map_err(|problems| problems.to_string()).unwrap();
        let sheet = of(&rig);
        assert_eq!(
            (sheet.rows[0].pin.as_str(), sheet.rows[0].note.as_str()),
            ("can0/BenchSwitch.Supply", "1 switches on")
        );
        assert!(sheet.cautions.iter().any(|caution| caution.contains("when frames stay away")));
        assert!(!of(&config::load_rig(path).unwrap()).cautions.iter().any(|caution| caution.contains("frames")));
    }

    #[test]
    fn the_wire_carries_what_the_fuse_lets_pass() {
        let rig = config::load_rig(Path::new("rigs/virtual.toml")).map_err(|problems| problems.to_string()).unwrap();
        assert_eq!(rig.wiring.fuse.get(), 50.0);
        assert_eq!(wire(&rig).0, "10 mm² (AWG 6)");
    }
}
