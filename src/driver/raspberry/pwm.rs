//! A hardware pulse output through the library, on the chip that the rig names by its hardware.
//!
//! The library guesses the chip by a number that moves between kernels, and its change of frequency passes through 0 %;
//! neither is used. Period and pulse width are written one by one, in the order that keeps the pulses going.

use std::path::Path;
use std::time::Duration;

use rppal::pwm::{Polarity, Pwm};

use crate::config::address::Address;
use crate::driver::DriverError;
use crate::driver::board::ports::PulseOutput;
use crate::driver::board::pulses::{self, Claim, Write};
use crate::units::{Duty, Hertz};

/// A channel in use.
#[derive(Debug)]
pub(super) struct Pulses {
    // Disabled and given back by the library, before the claim ends.
    pwm: Pwm,
    /// Period and high time, nanoseconds.
    in_force: (u64, u64),
    address: Address,
    _claim: Claim,
}

impl Pulses {
    /// Takes the channel: duty 0, normal polarity, enabled.
    pub(super) fn open(address: &Address) -> Result<Self, DriverError> {
        let claim = Claim::take(Path::new("/sys"), &pulses::marks(), address)?;
        let open = |why: String| DriverError::Open { what: address.to_string(), why };
        let chip = chip_number(&claim.chip).ok_or_else(|| open(format!("{} is no chip", claim.chip.display())))?;
        let channel = u8::try_from(claim.number).map_err(|_| open("it has no such channel".to_owned()))?;
        let taken = "if the kernel or another program uses the channel, end that use; see docs/low-cost-bench.md for the \
                     overlay and the groups";
        let failed = |error: rppal::pwm::Error| open(format!("{error}; {taken}"));
        let pwm = Pwm::with_pwmchip(chip, channel).map_err(failed)?;
        let mut pulses = Self { pwm, in_force: (0, 0), address: address.clone(), _claim: claim };
        pulses.quiet()?;
        // The kernel takes a new polarity of a disabled output only, which it is until enabled below.
        if pulses.pwm.polarity().map_err(failed)? != Polarity::Normal {
            pulses.pwm.set_polarity(Polarity::Normal).map_err(failed)?;
        }
        pulses.in_force.0 = u64::try_from(pulses.pwm.period().map_err(failed)?.as_nanos()).unwrap_or(u64::MAX);
        pulses.set(Hertz(100.0), Duty::ZERO)?;
        pulses.pwm.enable().map_err(failed)?;
        Ok(pulses)
    }
}

impl PulseOutput for Pulses {
    fn write(&self, step: Write) -> Result<(), DriverError> {
        let written = match step {
            Write::Period(value) => self.pwm.set_period(Duration::from_nanos(value)),
            Write::High(value) => self.pwm.set_pulse_width(Duration::from_nanos(value)),
        };
        written.map_err(|error| DriverError::Answer { what: self.address.to_string(), why: error.to_string() })
    }

    fn in_force(&mut self) -> &mut (u64, u64) {
        &mut self.in_force
    }
}

impl Drop for Pulses {
    fn drop(&mut self) {
        // A device that is gone has no output.
        let _ = self.quiet();
    }
}

/// The number under which the kernel has the chip today.
fn chip_number(chip: &Path) -> Option<u8> {
    chip.file_name()?.to_str()?.strip_prefix("pwmchip")?.parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_number_of_a_chip_is_that_of_its_folder() {
        assert_eq!(chip_number(Path::new("/sys/class/pwm/pwmchip2")), Some(2));
        assert_eq!(chip_number(Path::new("/sys/class/pwm/backlight")), None);
    }
}
