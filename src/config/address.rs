//! Addresses of devices in rig files, such as `gpio:supply-relay`, `iio:adc0/voltage2` or `spi:0.0/mcp3208/3`. Names and
//! places only: kernel numbers (`gpiochip4`, `pwmchip2`, `hwmon3`) move between boots and kernels, and a moved number would drive a pin of
//! somebody else.

use std::fmt;

use super::parts::{self, I2cReading, Inputs, SpiPart};

/// The pulse output of a board that drives its own cooling fan.
pub const COOLING_FAN: &str = "1f0009c000.pwm";

/// A device of the kernel, as a rig file names it.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Address {
    /// `gpio:LINE` by the line's own name, or `gpio:CHIP/OFFSET` with the chip's label.
    Gpio {
        /// Label of the chip; any chip when left out.
        chip: Option<String>,
        /// Name of the line, or its offset where the chip is given.
        line: String,
    },
    /// `pwm:DEVICE/CHANNEL`.
    Pwm {
        /// Last part of the device's path, such as `1f00098000.pwm`.
        device: String,
        /// Channel of the chip.
        channel: u32,
    },
    /// `iio:DEVICE/CHANNEL`.
    Iio {
        /// The device's `name`, or the last part of its path where several share one.
        device: String,
        /// Channel as in the attribute names, such as `voltage2` or `voltage0-voltage1`.
        channel: String,
    },
    /// `hwmon:DEVICE/CHANNEL`.
    Hwmon {
        /// The device's `name`, or the last part of its path where several share one.
        device: String,
        /// Channel as in the attribute names, such as `curr1`, `in1` or `temp1`.
        channel: String,
    },
    /// `spi:BUS.SELECT/PART/INPUT`.
    Spi {
        /// Bus of the board.
        bus: u8,
        /// Chip select.
        select: u8,
        /// The converter.
        part: SpiPart,
        /// What it converts.
        inputs: Inputs,
    },
    /// `i2c:BUS/ADDRESS/PART/READING`.
    I2c {
        /// Bus of the board.
        bus: u8,
        /// Address of the part.
        at: u8,
        /// The part and what of it is read.
        reading: I2cReading,
    },
}

impl Address {
    /// Reads an address.
    ///
    /// # Errors
    /// What is wrong with it, and an example of a right one.
    pub fn parse(text: &str) -> Result<Self, String> {
        let forms = "write gpio:LINE, pwm:DEVICE/CHANNEL, iio:DEVICE/CHANNEL, hwmon:DEVICE/CHANNEL, \
                     spi:BUS.SELECT/PART/INPUT or i2c:BUS/ADDRESS/PART/READING";
        let (kind, rest) = text.split_once(':').ok_or_else(|| forms.to_owned())?;
        let legal = |part: &str| {
            !part.is_empty() && !part.starts_with('.') && part.chars().all(|c| c.is_ascii_graphic() && c != '/')
        };
        let parts: Vec<&str> = rest.split('/').collect();
        if !parts.iter().all(|part| legal(part)) {
            return Err(forms.to_owned());
        }
        match (kind, parts.as_slice()) {
            ("gpio", [line]) => Ok(Self::Gpio { chip: None, line: (*line).to_owned() }),
            ("gpio", [chip, line]) => {
                named(chip, "gpiochip", "the chip's label as `gpiodetect` shows it")?;
                Ok(Self::Gpio { chip: Some((*chip).to_owned()), line: (*line).to_owned() })
            }
            ("pwm", [device, channel]) => {
                named(device, "pwmchip", "the last part of `readlink /sys/class/pwm/pwmchipN/device`")?;
                if *device == COOLING_FAN {
                    return Err("that output drives the board's own cooling fan".to_owned());
                }
                let channel = channel.parse().map_err(|_| format!("`{channel}` is no channel number"))?;
                Ok(Self::Pwm { device: (*device).to_owned(), channel })
            }
            ("iio", [device, channel]) => {
                named(device, "iio:device", "its name from /sys/bus/iio/devices/*/name")?;
                Ok(Self::Iio { device: (*device).to_owned(), channel: (*channel).to_owned() })
            }
            ("hwmon", [device, channel]) => {
                named(device, "hwmon", "its name from /sys/class/hwmon/*/name")?;
                Ok(Self::Hwmon { device: (*device).to_owned(), channel: (*channel).to_owned() })
            }
            ("spi", [place, part, input]) => {
                let (bus, select, part, inputs) = parts::spi(place, part, input)?;
                Ok(Self::Spi { bus, select, part, inputs })
            }
            ("i2c", [bus, at, part, reading]) => {
                let (bus, at, reading) = parts::i2c(bus, at, part, reading)?;
                Ok(Self::I2c { bus, at, reading })
            }
            _ => Err(forms.to_owned()),
        }
    }

    /// Number of the pin, for a line named as the header of a board names its pins: `gpio:GPIO17`.
    #[must_use]
    pub fn pin(&self) -> Option<u8> {
        let Self::Gpio { chip: None, line } = self else { return None };
        let digits = line.strip_prefix("GPIO")?;
        let pin = digits.parse().ok()?;
        (format!("{pin}") == digits && (FIRST_PIN..=LAST_PIN).contains(&pin)).then_some(pin)
    }

    /// Where on the 40-pin header of a Raspberry Pi it is, or at which input of a part on a bus.
    #[must_use]
    pub fn on_header(&self) -> Option<String> {
        let place = |pin: u8| PLACES.get(usize::from(pin.checked_sub(FIRST_PIN)?)).map(|place| format!("pin {place}"));
        match self {
            Self::Gpio { .. } => place(self.pin()?),
            Self::Pwm { device, channel } => {
                let (_, pins) = PULSES.iter().find(|(known, _)| known == device)?;
                let pin = *pins.get(usize::try_from(*channel).ok()?)?;
                Some(format!("GPIO{pin}, {}", place(pin)?))
            }
            Self::Spi { inputs, .. } => {
                let minus = inputs.minus.map_or(String::new(), |minus| format!(" against CH{minus}"));
                Some(format!("CH{}{minus}", inputs.plus))
            }
            _ => None,
        }
    }
}

/// Places on the 40-pin header of GPIO 2 to 27.
const PLACES: [u8; 26] =
    [3, 5, 7, 29, 31, 26, 24, 21, 19, 23, 32, 33, 8, 10, 36, 11, 12, 35, 38, 40, 15, 16, 18, 22, 37, 13];
/// Pulse outputs of the header, with the GPIO of each channel: of the Pi 5, and of those before it with the overlay's own
/// pins.
const PULSES: [(&str, &[u8]); 4] = [
    ("1f00098000.pwm", &[12, 13, 18, 19]),
    ("fe20c000.pwm", &[18, 19]),
    ("3f20c000.pwm", &[18, 19]),
    ("2020c000.pwm", &[18, 19]),
];

/// Pins of the header that are free to use; the first two belong to the memory of boards put on top.
const FIRST_PIN: u8 = 2;
const LAST_PIN: u8 = 27;

/// Refuses a name that is a prefix with a number.
fn named(name: &str, prefix: &str, instead: &str) -> Result<(), String> {
    let numbered = name.strip_prefix(prefix).is_some_and(|tail| tail.chars().all(|c| c.is_ascii_digit()));
    if numbered {
        Err(format!("`{name}` is a number that the kernel may give to another device: write {instead}"))
    } else {
        Ok(())
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Gpio { chip: None, line } => write!(f, "gpio:{line}"),
            Self::Gpio { chip: Some(chip), line } => write!(f, "gpio:{chip}/{line}"),
            Self::Pwm { device, channel } => write!(f, "pwm:{device}/{channel}"),
            Self::Iio { device, channel } => write!(f, "iio:{device}/{channel}"),
            Self::Hwmon { device, channel } => write!(f, "hwmon:{device}/{channel}"),
            Self::Spi { bus, select, part, inputs } => write!(f, "spi:{bus}.{select}/{}/{inputs}", part.name()),
            Self::I2c { bus, at, reading } => write!(f, "i2c:{bus}/{at:#04x}/{reading}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_read_back_as_they_were_written() {
        for text in [
            "gpio:supply-relay",
            "gpio:pinctrl-rp1/17",
            "pwm:1f00098000.pwm/2",
            "iio:adc0/voltage0-voltage1",
            "hwmon:ina226/curr1",
            "spi:0.1/mcp3208/7",
            "spi:1.0/mcp3008/3-2",
            "i2c:1/0x48/ads1115/0-3",
            "i2c:1/0x40/ina226/shunt",
        ] {
            assert_eq!(Address::parse(text).unwrap().to_string(), text);
        }
    }

    #[test]
    fn numbers_that_move_and_paths_that_wander_are_refused() {
        for text in ["pwm:pwmchip0/0", "gpio:gpiochip4/17", "hwmon:hwmon2/in0", "iio:iio:device0/voltage0"] {
            assert!(Address::parse(text).unwrap_err().contains("may give to another device"), "{text}");
        }
        for text in ["gpio:", "supply", "pwm:x", "pwm:x/y", "iio:../x/voltage0", "iio:a/../b", "usb:1", "iio:a/.."] {
            assert!(Address::parse(text).is_err(), "{text}");
        }
    }

    #[test]
    fn parts_that_are_not_known_and_inputs_that_are_not_there_are_refused() {
        for (text, why) in [
            ("spi:0.0/mcp3208/8", "0 to 7"),
            ("spi:0.0/mcp3208/0-2", "0 to 7"),
            ("spi:0.0/adc/0", "not `adc`"),
            ("spi:0/mcp3208/0", "chip select"),
            ("i2c:1/48/ads1115/0", "such as 0x48"),
            ("i2c:1/0x40/ads1115/0", "0x48 to 0x4b, not at 0x40"),
            ("i2c:1/0x48/ads1115/1-0", "is no input"),
            ("i2c:1/0x40/ina226/current", "shunt or bus"),
            ("i2c:1/0x40/ina219/bus", "not `ina219`"),
        ] {
            let error = Address::parse(text).unwrap_err();
            assert!(error.contains(why), "{text}: {error}");
        }
    }

    #[test]
    fn the_cooling_fan_of_the_board_is_never_a_pulse_output() {
        let refused = Address::parse("pwm:1f0009c000.pwm/3").unwrap_err();
        assert!(refused.contains("cooling fan"), "{refused}");
    }

    #[test]
    fn places_on_the_header_are_those_of_the_board() {
        let place = |text: &str| Address::parse(text).unwrap().on_header();
        for (text, due) in [
            ("gpio:GPIO2", "pin 3"),
            ("gpio:GPIO17", "pin 11"),
            ("gpio:GPIO27", "pin 13"),
            ("gpio:GPIO21", "pin 40"),
            ("pwm:1f00098000.pwm/2", "GPIO18, pin 12"),
            ("pwm:fe20c000.pwm/1", "GPIO19, pin 35"),
            ("spi:0.0/mcp3208/3-2", "CH3 against CH2"),
        ] {
            assert_eq!(place(text).as_deref(), Some(due), "{text}");
        }
        assert_eq!(place("gpio:supply-relay"), None);
        assert_eq!(place("pwm:fe20c000.pwm/2"), None);
        let all: std::collections::BTreeSet<u8> = PLACES.into_iter().collect();
        assert_eq!(all.len(), PLACES.len(), "no place twice");
        // Supply and ground pins, and those of the memory of boards on top, carry no line.
        assert!([1, 2, 4, 6, 9, 14, 17, 20, 25, 27, 28, 30, 34, 39].iter().all(|pin| !all.contains(pin)));
    }

    #[test]
    fn pins_are_those_of_the_header_that_are_free() {
        let pin = |text: &str| Address::parse(text).unwrap().pin();
        assert_eq!((pin("gpio:GPIO2"), pin("gpio:GPIO27")), (Some(2), Some(27)));
        for text in ["gpio:GPIO1", "gpio:GPIO28", "gpio:GPIO017", "gpio:17", "gpio:chip/GPIO17", "pwm:x/0"] {
            assert_eq!(pin(text), None, "{text}");
        }
    }
}
