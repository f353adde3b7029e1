//! A pulse output of the kernel's PWM class.
//!
//! Duty 0 with the output enabled is the defined inactive level; a disabled output is at a level of its driver's
//! choosing. Dropped, the output goes to duty 0, is disabled and unexported; when
//! the process is killed it goes on as it was: the supply relay is what protects then.

use std::fs::OpenOptions;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use super::attribute;
use crate::config::address::Address;
use crate::driver::DriverError;
use crate::driver::board::ports::PulseOutput;
use crate::driver::board::pulses::{Claim, Write};
use crate::driver::board::sysfs;
use crate::units::{Duty, Hertz};

/// Time for udev to give a fresh channel its owner.
const EXPORT_ALLOWED: Duration = Duration::from_secs(2);

/// A channel in use.
#[derive(Debug)]
pub(super) struct Pulses {
    channel: PathBuf,
    /// Period and high time, nanoseconds.
    in_force: (u64, u64),
    claim: Claim,
}

impl Pulses {
    /// Takes the channel: duty 0, normal polarity, enabled.
    pub(super) fn open(sys: &Path, marks: &Path, address: &Address) -> Result<Self, DriverError> {
        let claim = Claim::take(sys, marks, address)?;
        let channel = claim.channel();
        if !channel.exists()
            && let Err(error) = attribute::write(&claim.chip.join("export"), &claim.number.to_string())
        {
            let busy = "the kernel or another program uses the channel (a fan of the board itself, a backlight)";
            return Err(DriverError::Open { what: address.to_string(), why: format!("{error}; {busy}") });
        }
        let mut pulses = Self { channel, in_force: (0, 0), claim };
        pulses.settle()?;
        Ok(pulses)
    }

    /// Waits for the channel's files, then brings it to duty 0.
    fn settle(&mut self) -> Result<(), DriverError> {
        let begin = Instant::now();
        let files = ["duty_cycle", "period", "enable"].map(|file| self.channel.join(file));
        while !files.iter().all(|file| OpenOptions::new().write(true).open(file).is_ok()) {
            if begin.elapsed() > EXPORT_ALLOWED {
                let why = "its files are not there or not writable; see docs/linux-board.md for the udev rule";
                return Err(DriverError::Open { what: self.channel.display().to_string(), why: why.to_owned() });
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        self.quiet()?;
        self.in_force.0 = sysfs::number(&self.channel.join("period"))?;
        let polarity = self.channel.join("polarity");
        if sysfs::read(&polarity).is_ok_and(|polarity| polarity != "normal") {
            // The kernel takes a new polarity of a disabled output only.
            self.put("enable", 0)?;
            attribute::write(&polarity, "normal")?;
        }
        self.set(Hertz(100.0), Duty::ZERO)?;
        self.put("enable", 1)
    }

    fn put(&self, file: &str, value: u64) -> Result<(), DriverError> {
        attribute::write(&self.channel.join(file), &value.to_string())
    }
}

impl PulseOutput for Pulses {
    fn write(&self, step: Write) -> Result<(), DriverError> {
        match step {
            Write::Period(value) => self.put("period", value),
            Write::High(value) => self.put("duty_cycle", value),
        }
    }

    fn in_force(&mut self) -> &mut (u64, u64) {
        &mut self.in_force
    }
}

impl Drop for Pulses {
    fn drop(&mut self) {
        // Each is tried whatever became of the others; a device that is gone has no output.
        let _ = self.quiet();
        let _ = self.put("enable", 0);
        let _ = attribute::write(&self.claim.chip.join("unexport"), &self.claim.number.to_string());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A chip as the kernel shows it, with channel 0 exported.
    fn chip(dir: &Path) -> PathBuf {
        let chip = dir.join("class/pwm/pwmchip3");
        let channel = chip.join("pwm0");
        std::fs::create_dir_all(&channel).unwrap();
        std::fs::create_dir_all(dir.join("devices/40000000.pwm")).unwrap();
        std::os::unix::fs::symlink(dir.join("devices/40000000.pwm"), chip.join("device")).unwrap();
        for (file, value) in [("npwm", "2"), ("export", ""), ("unexport", "")] {
            std::fs::write(chip.join(file), value).unwrap();
        }
        for (file, value) in [("duty_cycle", "500"), ("period", "1000"), ("enable", "1"), ("polarity", "normal")] {
            std::fs::write(channel.join(file), value).unwrap();
        }
        channel
    }

    fn address() -> Address {
        Address::Pwm { device: "40000000.pwm".to_owned(), channel: 0 }
    }

    #[test]
    fn a_channel_of_somebody_else_is_refused_and_left_as_it_was() {
        let dir = tempfile::tempdir().unwrap();
        let channel = chip(dir.path());
        let refused = Pulses::open(dir.path(), dir.path(), &address()).unwrap_err().to_string();
        assert!(refused.contains("another program has exported"), "{refused}");
        assert_eq!(std::fs::read_to_string(channel.join("enable")).unwrap(), "1");
        assert_eq!(std::fs::read_to_string(channel.join("duty_cycle")).unwrap(), "500");
        let again = Pulses::open(dir.path(), dir.path(), &address());
        assert!(again.is_err(), "a refusal must not make the channel look like ours");
    }

    #[test]
    fn a_channel_left_by_a_killed_run_is_taken_over_and_stopped() {
        let dir = tempfile::tempdir().unwrap();
        let channel = chip(dir.path());
        std::fs::write(dir.path().join("galebench-pwm-40000000.pwm-0"), "").unwrap();
        let first = Pulses::open(dir.path(), dir.path(), &address()).unwrap();
        // A regular file keeps the tail of a longer text; the kernel takes each write whole.
        assert!(std::fs::read_to_string(channel.join("duty_cycle")).unwrap().starts_with('0'));
        let second = Pulses::open(dir.path(), dir.path(), &address()).unwrap_err().to_string();
        assert!(second.contains("another galebench"), "{second}");
        drop(first);
        assert_eq!(std::fs::read_to_string(channel.join("enable")).unwrap(), "0");
        assert!(!dir.path().join("galebench-pwm-40000000.pwm-0").exists());
    }
}
