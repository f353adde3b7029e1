//! What every driver of a pulse output keeps to: which channel may be taken, and in which order period and duty change.
//!
//! A change of period and duty never passes through a duty above the period, which the kernel refuses, nor through 0 %,
//! which a unit under test would see.

use std::fs::{File, OpenOptions, TryLockError};
use std::path::{Path, PathBuf};

use super::sysfs;
use crate::config::address::{Address, COOLING_FAN};
use crate::driver::DriverError;
use crate::units::{Duty, Hertz};

/// Folder of the marks by which this program knows a channel that it left behind when it was killed.
pub(in crate::driver) fn marks() -> PathBuf {
    let run = Path::new("/run/lock");
    if run.is_dir() { run.to_owned() } else { std::env::temp_dir() }
}

/// A channel that is this program's as long as the value lives.
#[derive(Debug)]
pub(in crate::driver) struct Claim {
    /// Folder of the chip in the PWM class.
    pub(in crate::driver) chip: PathBuf,
    /// Channel of the chip.
    pub(in crate::driver) number: u32,
    /// Held locked; tells the next start that what it finds was left by us.
    mark: (File, PathBuf),
}

impl Claim {
    /// Finds the chip by the path of its hardware and claims the channel; what another program has exported is refused.
    pub(in crate::driver) fn take(sys: &Path, marks: &Path, address: &Address) -> Result<Self, DriverError> {
        let open = |why: String| DriverError::Open { what: address.to_string(), why };
        let Address::Pwm { device, channel: number } = address else {
            return Err(open("it is no pulse output".to_owned()));
        };
        let chip = sysfs::device(&sys.join("class/pwm"), device)?;
        // Told by the rig's own check as well; here it is the hardware that says so, under whatever name it was found.
        if device == COOLING_FAN || sysfs::place_of(&chip) == COOLING_FAN {
            return Err(open("it drives the board's own cooling fan".to_owned()));
        }
        let count: u32 = sysfs::number(&chip.join("npwm"))?;
        if *number >= count {
            return Err(open(format!("the chip has channels 0 to {}", count.saturating_sub(1))));
        }
        let (mark, left_by_us) = mark(marks, device, *number).map_err(open)?;
        let claim = Self { chip, number: *number, mark };
        if claim.channel().exists() && !left_by_us {
            let why = format!(
                "another program has exported the channel; when nothing uses it, write {number} to {}",
                claim.chip.join("unexport").display()
            );
            return Err(open(why));
        }
        Ok(claim)
    }

    /// Folder of the channel once it is exported.
    pub(in crate::driver) fn channel(&self) -> PathBuf {
        self.chip.join(format!("pwm{}", self.number))
    }
}

impl Drop for Claim {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.mark.1);
    }
}

/// Takes the channel's mark; whether it was there already, left by a process of ours that is gone.
fn mark(marks: &Path, device: &str, number: u32) -> Result<((File, PathBuf), bool), String> {
    let path = marks.join(format!("galebench-pwm-{device}-{number}"));
    let left_by_us = path.exists();
    let file = OpenOptions::new().create(true).truncate(false).write(true).open(&path);
    let file = file.map_err(|error| format!("{} cannot be written: {error}", path.display()))?;
    match file.try_lock() {
        Ok(()) => Ok(((file, path), left_by_us)),
        Err(TryLockError::WouldBlock) => Err("another galebench uses it: wait for its end".to_owned()),
        Err(TryLockError::Error(error)) => Err(format!("{} cannot be locked: {error}", path.display())),
    }
}

/// Period and high time.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "periods of seconds are far below 2^63 ns")]
pub(super) fn nanoseconds(frequency: Hertz, share: Duty) -> (u64, u64) {
    let period_ns = (1e9 / frequency.get()).round();
    (period_ns as u64, (period_ns * share.fraction()).round() as u64)
}

/// One write, nanoseconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::driver) enum Write {
    Period(u64),
    /// Time at the high level.
    High(u64),
}

/// Writes that lead from one (period, high time) to another with the high time never above the period.
pub(super) fn steps(from: (u64, u64), to: (u64, u64)) -> Vec<Write> {
    let mut steps = Vec::new();
    if to.0 > from.0 {
        steps.push(Write::Period(to.0));
    }
    if to.1 != from.1 {
        steps.push(Write::High(to.1));
    }
    if to.0 < from.0 {
        steps.push(Write::Period(to.0));
    }
    steps
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        /// As the kernel judges every single write, starting from a channel that was never set.
        #[test]
        fn no_step_is_one_that_the_kernel_refuses(changes in prop::collection::vec((0.5_f64..50_000.0, 0.0_f64..=1.0), 1..20)) {
            let mut state = (0, 0);
            for (hz, share) in changes {
                let to = nanoseconds(Hertz(hz), Duty::clamped(share));
                for step in steps(state, to) {
                    match step {
                        Write::Period(value) => state.0 = value,
                        Write::High(value) => state.1 = value,
                    }
                    prop_assert!(state.1 <= state.0, "duty {} above period {}", state.1, state.0);
                }
                prop_assert_eq!(state, to);
            }
        }
    }

    #[test]
    fn a_live_change_never_passes_through_zero() {
        let (from, to) = (nanoseconds(Hertz(100.0), Duty::clamped(0.4)), nanoseconds(Hertz(400.0), Duty::clamped(0.4)));
        assert_eq!(steps(from, to), [Write::High(1_000_000), Write::Period(2_500_000)]);
        assert_eq!(steps(to, from), [Write::Period(10_000_000), Write::High(4_000_000)]);
        assert!(steps(to, to).is_empty());
    }

    /// Chips as a kernel shows them: number, hardware, channels.
    fn chips(sys: &Path, chips: &[(u32, &str, u32)]) {
        for (number, hardware, channels) in chips {
            let chip = sys.join(format!("class/pwm/pwmchip{number}"));
            let behind = sys.join("devices").join(hardware);
            std::fs::create_dir_all(&chip).unwrap();
            std::fs::create_dir_all(&behind).unwrap();
            std::os::unix::fs::symlink(behind, chip.join("device")).unwrap();
            std::fs::write(chip.join("npwm"), channels.to_string()).unwrap();
        }
    }

    fn take(sys: &Path, device: &str, channel: u32) -> Result<PathBuf, String> {
        let address = Address::Pwm { device: device.to_owned(), channel };
        Claim::take(sys, sys, &address).map(|claim| claim.chip.clone()).map_err(|error| error.to_string())
    }

    #[test]
    fn a_chip_is_found_by_its_hardware_whatever_its_number() {
        for (header, fan) in [(0, 4), (2, 0)] {
            let dir = tempfile::tempdir().unwrap();
            chips(dir.path(), &[(header, "1f00098000.pwm", 4), (fan, COOLING_FAN, 4)]);
            let chip = take(dir.path(), "1f00098000.pwm", 2).unwrap();
            assert!(chip.ends_with(format!("pwmchip{header}")), "{}", chip.display());
            assert!(take(dir.path(), "1f00098000.pwm", 4).unwrap_err().contains("channels 0 to 3"));
            let missing = take(dir.path(), "fe20c000.pwm", 0).unwrap_err();
            assert!(missing.contains("fe20c000.pwm"), "{missing}");
        }
    }

    #[test]
    fn the_cooling_fan_is_refused_under_every_name() {
        let dir = tempfile::tempdir().unwrap();
        chips(dir.path(), &[(0, COOLING_FAN, 4)]);
        std::fs::write(dir.path().join("class/pwm/pwmchip0/name"), "rp1_pwm1").unwrap();
        for name in [COOLING_FAN, "rp1_pwm1"] {
            let refused = take(dir.path(), name, 3).unwrap_err();
            assert!(refused.contains("cooling fan"), "{name}: {refused}");
        }
        assert!(!dir.path().join(format!("galebench-pwm-{COOLING_FAN}-3")).exists(), "no mark is left");
    }
}
