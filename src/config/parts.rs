//! Converters and monitors on the SPI and I2C buses of a board, as addresses name them.

use std::fmt;

/// Successive-approximation converters with eight inputs that all answer to the same frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum SpiPart {
    /// 12 bits.
    Mcp3208,
    /// 10 bits.
    Mcp3008,
}

impl SpiPart {
    /// All of them.
    pub const ALL: [Self; 2] = [Self::Mcp3208, Self::Mcp3008];

    /// Spelling in addresses.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Mcp3208 => "mcp3208",
            Self::Mcp3008 => "mcp3008",
        }
    }

    /// Bits of a code.
    #[must_use]
    pub const fn bits(self) -> u32 {
        match self {
            Self::Mcp3208 => 12,
            Self::Mcp3008 => 10,
        }
    }
}

/// One input of a converter against ground, or against another one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Inputs {
    /// The input.
    pub plus: u8,
    /// The input that it is measured against; ground when there is none.
    pub minus: Option<u8>,
}

impl Inputs {
    fn parse(text: &str) -> Option<Self> {
        let number = |text: &str| text.parse().ok().filter(|_| text.len() == 1);
        match text.split_once('-') {
            Some((plus, minus)) => Some(Self { plus: number(plus)?, minus: Some(number(minus)?) }),
            None => Some(Self { plus: number(text)?, minus: None }),
        }
    }
}

impl fmt::Display for Inputs {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.plus)?;
        self.minus.map_or(Ok(()), |minus| write!(f, "-{minus}"))
    }
}

/// What a part on an I2C bus reads.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum I2cReading {
    /// A 16-bit converter with four inputs.
    Ads1115(Inputs),
    /// Voltage across the shunt of a current monitor.
    Ina226Shunt,
    /// Voltage of a current monitor's bus input.
    Ina226Bus,
}

impl I2cReading {
    /// Name of the part.
    #[must_use]
    pub const fn part(self) -> &'static str {
        match self {
            Self::Ads1115(_) => "ads1115",
            Self::Ina226Shunt | Self::Ina226Bus => "ina226",
        }
    }

    /// Addresses that the part can be set to.
    const fn places(self) -> std::ops::RangeInclusive<u8> {
        match self {
            Self::Ads1115(_) => 0x48..=0x4b,
            Self::Ina226Shunt | Self::Ina226Bus => 0x40..=0x4f,
        }
    }
}

impl fmt::Display for I2cReading {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Ads1115(inputs) => write!(f, "ads1115/{inputs}"),
            Self::Ina226Shunt => write!(f, "ina226/shunt"),
            Self::Ina226Bus => write!(f, "ina226/bus"),
        }
    }
}

/// Reads `BUS.SELECT`, part and inputs of `spi:BUS.SELECT/PART/INPUT`.
///
/// # Errors
/// What is wrong, and what is right.
pub(super) fn spi(place: &str, part: &str, input: &str) -> Result<(u8, u8, SpiPart, Inputs), String> {
    let digit = |text: &str, most: u8| text.parse().ok().filter(|number: &u8| text.len() == 1 && *number <= most);
    let place = place.split_once('.').and_then(|(bus, select)| Some((digit(bus, 6)?, digit(select, 2)?)));
    let (bus, select) = place.ok_or("write the bus and its chip select, for example spi:0.0/mcp3208/3")?;
    let part = SpiPart::ALL.into_iter().find(|known| known.name() == part).ok_or_else(|| {
        format!("converters on SPI are \"mcp3208\" (12 bits) and \"mcp3008\" (10 bits), and those that answer alike, not `{part}`")
    })?;
    // Differential inputs are the pairs 0 and 1, 2 and 3, and so on, either way round.
    let fits = |inputs: &Inputs| inputs.plus < 8 && inputs.minus.is_none_or(|minus| minus == inputs.plus ^ 1);
    let inputs = Inputs::parse(input).filter(fits);
    let inputs = inputs.ok_or_else(|| format!("`{input}` is no input: write 0 to 7, or a pair such as 0-1 or 3-2"))?;
    Ok((bus, select, part, inputs))
}

/// Reads bus, address and reading of `i2c:BUS/ADDRESS/PART/READING`.
///
/// # Errors
/// What is wrong, and what is right.
pub(super) fn i2c(bus: &str, at: &str, part: &str, reading: &str) -> Result<(u8, u8, I2cReading), String> {
    let number = bus.parse().map_err(|_| format!("`{bus}` is no bus number, such as 1 for /dev/i2c-1"))?;
    let place = at.strip_prefix("0x").and_then(|hex| u8::from_str_radix(hex, 16).ok());
    let place = place.ok_or_else(|| format!("`{at}` is no address: write it as `i2cdetect` shows it, such as 0x48"))?;
    let pairs = [(0, Some(1)), (0, Some(3)), (1, Some(3)), (2, Some(3))];
    let inputs = |text: &str| {
        let known =
            |inputs: &Inputs| inputs.plus < 4 && inputs.minus.is_none() || pairs.contains(&(inputs.plus, inputs.minus));
        Inputs::parse(text).filter(known)
    };
    let reading = match (part, reading) {
        ("ads1115", text) => I2cReading::Ads1115(
            inputs(text).ok_or_else(|| format!("`{text}` is no input: write 0 to 3, or 0-1, 0-3, 1-3, 2-3"))?,
        ),
        ("ina226", "shunt") => I2cReading::Ina226Shunt,
        ("ina226", "bus") => I2cReading::Ina226Bus,
        ("ina226", text) => return Err(format!("`{text}` is no reading of a monitor: write shunt or bus")),
        _ => return Err(format!("parts on I2C are \"ads1115\" and \"ina226\", not `{part}`")),
    };
    let places = reading.places();
    if !places.contains(&place) {
        let (part, least, most) = (reading.part(), places.start(), places.end());
        return Err(format!("{part} can be at {least:#04x} to {most:#04x}, not at {place:#04x}"));
    }
    Ok((number, place, reading))
}
