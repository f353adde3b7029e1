//! Addresses of kernel devices in rig files, such as `gpio:supply-relay` or `iio:adc0/voltage2`. Names only: kernel
//! numbers (`gpiochip4`, `pwmchip2`, `hwmon3`) move between boots and kernels, and a moved number would drive a pin of
//! somebody else.

use std::fmt;

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
}

impl Address {
    /// Reads an address.
    ///
    /// # Errors
    /// What is wrong with it, and an example of a right one.
    pub fn parse(text: &str) -> Result<Self, String> {
        let forms = "write gpio:LINE, pwm:DEVICE/CHANNEL, iio:DEVICE/CHANNEL or hwmon:DEVICE/CHANNEL";
        let (kind, rest) = text.split_once(':').ok_or_else(|| forms.to_owned())?;
        let legal = |part: &str| {
            !part.is_empty() && !part.starts_with('.') && part.chars().all(|c| c.is_ascii_graphic() && c != '/')
        };
        let parts: Vec<&str> = rest.split('/').collect();
        if !parts.iter().all(|part| legal(part)) || parts.len() > 2 {
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
            _ => Err(forms.to_owned()),
        }
    }
}

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
}
