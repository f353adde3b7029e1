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
    /// Bits of a character on a serial port.
    pub frame: Frame,
    /// What ends a line in both directions.
    pub line_end: LineEnd,
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

/// Parity of a character on a serial port.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Parity {
    /// No parity bit.
    #[default]
    None,
    /// An even number of ones.
    Even,
    /// An odd number of ones.
    Odd,
}

/// Bits of a character on a serial port: 8N1 when nothing is stated.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Frame {
    /// Seven data bits instead of eight.
    pub seven_bits: bool,
    /// Its parity bit.
    pub parity: Parity,
    /// Two stop bits instead of one.
    pub two_stop_bits: bool,
}

impl Frame {
    /// Spelling in files of those that instruments use, the usual one first.
    pub const NAMES: [&str; 8] = ["8N1", "8N2", "8E1", "8O1", "7E1", "7O1", "7E2", "7O2"];

    /// The frame with this spelling.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        let [bits, parity, stop] = *name.as_bytes() else { return None };
        let parity = match parity {
            b'N' => Parity::None,
            b'E' => Parity::Even,
            _ => Parity::Odd,
        };
        let frame = Self { seven_bits: bits == b'7', parity, two_stop_bits: stop == b'2' };
        Self::NAMES.contains(&name).then_some(frame)
    }
}

impl fmt::Display for Frame {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let bits = if self.seven_bits { 7 } else { 8 };
        let parity = match self.parity {
            Parity::None => 'N',
            Parity::Even => 'E',
            Parity::Odd => 'O',
        };
        write!(f, "{bits}{parity}{}", if self.two_stop_bits { 2 } else { 1 })
    }
}

/// What ends a line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum LineEnd {
    /// Line feed (IEEE 488.2); a carriage return before it is passed over in answers.
    #[default]
    Lf,
    /// Carriage return.
    Cr,
    /// Both.
    CrLf,
}

impl LineEnd {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Lf, Self::Cr, Self::CrLf];

    /// Spelling in files.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Lf => "LF",
            Self::Cr => "CR",
            Self::CrLf => "CR LF",
        }
    }

    /// Its characters.
    #[must_use]
    pub const fn text(self) -> &'static str {
        match self {
            Self::Lf => "\n",
            Self::Cr => "\r",
            Self::CrLf => "\r\n",
        }
    }

    /// The last of them.
    #[must_use]
    pub const fn last(self) -> u8 {
        match self {
            Self::Lf | Self::CrLf => b'\n',
            Self::Cr => b'\r',
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

    #[test]
    fn frames_read_back_as_they_were_written() {
        for name in Frame::NAMES {
            assert_eq!(Frame::from_name(name).unwrap().to_string(), name);
        }
        assert_eq!(Frame::default().to_string(), Frame::NAMES[0]);
        assert_eq!((Frame::from_name("9N1"), Frame::from_name("8N")), (None, None));
    }
}
