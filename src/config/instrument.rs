//! Instruments that speak SCPI, as a rig file names them.

use std::collections::BTreeMap;
use std::fmt;
use std::path::PathBuf;

use crate::bench::Channel;
use crate::units::{Amps, Seconds, Volts};

/// The instruments of a rig.
#[derive(Clone, Debug, PartialEq)]
pub struct ScpiSpec {
    /// Every instrument.
    pub instruments: Vec<InstrumentSpec>,
    /// Which quantity of which instrument a channel is.
    pub channels: BTreeMap<Channel, (String, Quantity)>,
}

/// One instrument.
#[derive(Clone, Debug, PartialEq)]
pub struct InstrumentSpec {
    /// Name in the rig file.
    pub name: String,
    /// What it is.
    pub kind: InstrumentKind,
    /// How it is reached.
    pub connect: Connection,
    /// Text that its answer to `*IDN?` must contain.
    pub identity: Option<String>,
    /// Voltage of a supply.
    pub voltage: Option<Volts>,
    /// Current limit of a supply, current of a load.
    pub current: Option<Amps>,
    /// Time allowed for an answer.
    pub timeout: Seconds,
    /// Its commands.
    pub commands: Commands,
}

/// What an instrument is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum InstrumentKind {
    /// A bench supply: switched with the supply of the run.
    Supply,
    /// An electronic load: switched likewise.
    Load,
    /// Reads only.
    Meter,
}

impl InstrumentKind {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Supply, Self::Load, Self::Meter];

    /// Spelling in files.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Supply => "supply",
            Self::Load => "load",
            Self::Meter => "meter",
        }
    }
}

/// What can be read of an instrument.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Quantity {
    /// Volts.
    Voltage,
    /// Amperes.
    Current,
    /// Degrees Celsius.
    Temperature,
}

impl Quantity {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Voltage, Self::Current, Self::Temperature];

    /// Spelling in addresses.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Voltage => "voltage",
            Self::Current => "current",
            Self::Temperature => "temperature",
        }
    }

    /// Whether `channel` is in its unit.
    #[must_use]
    pub fn fits(self, channel: Channel) -> bool {
        channel.unit()
            == match self {
                Self::Voltage => "V",
                Self::Current => "A",
                Self::Temperature => "°C",
            }
    }
}

/// How an instrument is reached.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Connection {
    /// `tcp:HOST:PORT`, lines over a plain socket.
    Tcp(String),
    /// `serial:PATH:BAUD`.
    Serial {
        /// The port, best by `/dev/serial/by-id/`.
        path: PathBuf,
        /// Its speed.
        baud: u32,
    },
}

impl Connection {
    /// Reads a connection.
    ///
    /// # Errors
    /// What is wrong with it, and examples of right ones.
    pub fn parse(text: &str) -> Result<Self, String> {
        let forms = "write tcp:HOST:PORT (5025 is usual) or serial:/dev/serial/by-id/NAME:BAUD".to_owned();
        let (kind, rest) = text.split_once(':').ok_or_else(|| forms.clone())?;
        let (place, number) = rest.rsplit_once(':').ok_or_else(|| forms.clone())?;
        let clean = !place.is_empty() && place.chars().all(|c| c.is_ascii_graphic());
        match kind {
            "tcp" if clean && number.parse::<u16>().is_ok_and(|port| port > 0) => Ok(Self::Tcp(rest.to_owned())),
            "serial" if clean && place.starts_with('/') => match number.parse() {
                Ok(baud @ 300..=4_000_000) => Ok(Self::Serial { path: PathBuf::from(place), baud }),
                _ => Err(format!("`{number}` is no speed of a serial port, such as 9600")),
            },
            _ => Err(forms),
        }
    }
}

impl fmt::Display for Connection {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Tcp(address) => write!(f, "tcp:{address}"),
            Self::Serial { path, baud } => write!(f, "serial:{}:{baud}", path.display()),
        }
    }
}

/// Command texts of one instrument; `{}` stands for the value.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Commands {
    /// Sets the voltage.
    pub set_voltage: String,
    /// Sets the current or its limit.
    pub set_current: String,
    /// Output (or input of a load) on.
    pub on: String,
    /// The same off.
    pub off: String,
    /// Asks whether it is on.
    pub state: String,
    /// Asks for a voltage.
    pub voltage: String,
    /// Asks for a current.
    pub current: String,
    /// Asks for a temperature.
    pub temperature: String,
    /// Asks for the next entry of the error queue; `None` of an instrument without one.
    pub errors: Option<String>,
}

impl Commands {
    /// The usual ones.
    #[must_use]
    pub fn usual(kind: InstrumentKind) -> Self {
        let output = if kind == InstrumentKind::Load { "INP" } else { "OUTP" };
        Self {
            set_voltage: "VOLT {}".to_owned(),
            set_current: "CURR {}".to_owned(),
            on: format!("{output} ON"),
            off: format!("{output} OFF"),
            state: format!("{output}?"),
            voltage: "MEAS:VOLT?".to_owned(),
            current: "MEAS:CURR?".to_owned(),
            temperature: "MEAS:TEMP?".to_owned(),
            errors: Some("SYST:ERR?".to_owned()),
        }
    }

    /// Asks for `quantity`.
    #[must_use]
    pub fn query(&self, quantity: Quantity) -> &str {
        match quantity {
            Quantity::Voltage => &self.voltage,
            Quantity::Current => &self.current,
            Quantity::Temperature => &self.temperature,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn connections_read_back_as_they_were_written() {
        for text in ["tcp:192.168.7.20:5025", "tcp:psu.bench:5025", "serial:/dev/serial/by-id/usb-x-if00:9600"] {
            assert_eq!(Connection::parse(text).unwrap().to_string(), text);
        }
        for text in ["tcp:psu", "tcp::5025", "tcp:psu:0", "tcp:psu:99999", "serial:ttyUSB0:9600", "usb:1:2", "psu"] {
            assert!(Connection::parse(text).unwrap_err().contains("write tcp:HOST:PORT"), "{text}");
        }
        assert!(Connection::parse("serial:/dev/ttyS0:12").unwrap_err().contains("no speed"));
    }
}
