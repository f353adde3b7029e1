//! A pulse output of the kernel's PWM class.
//!
//! Duty 0 with the output enabled is the defined inactive level; a disabled output is at a level of its driver's
//! choosing. A change of period and duty never passes through a duty above the period, which the kernel refuses, nor
//! through 0 %, which a unit under test would see. Dropped, the output goes to duty 0, is disabled and unexported; when
//! the process is killed it goes on as it was: the supply relay is what protects then.

use std::fs::{File, OpenOptions, TryLockError};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use super::sysfs;
use crate::config::address::Address;
use crate::driver::DriverError;
use crate::units::{Duty, Hertz};

/// Time for udev to give a fresh channel its owner.
const EXPORT_ALLOWED: Duration = Duration::from_secs(2);

/// A channel in use.
#[derive(Debug)]
pub(super) struct Pulses {
    chip: PathBuf,
    channel: PathBuf,
    number: u32,
    period_ns: u64,
    duty_ns: u64,
    /// Held as long as the channel is ours; tells the next start that what it finds was left by us.
    lock: (File, PathBuf),
}

/// Folder of the marks by which this program knows a channel that it left behind when it was killed.
pub(super) fn marks() -> PathBuf {
    let run = Path::new("/run/lock");
    if run.is_dir() { run.to_owned() } else { std::env::temp_dir() }
}

impl Pulses {
    /// Takes the channel: duty 0, normal polarity, enabled.
    pub(super) fn open(sys: &Path, marks: &Path, address: &Address) -> Result<Self, DriverError> {
        let open = |why: String| DriverError::Open { what: address.to_string(), why };
        let Address::Pwm { device, channel: number } = address else {
            return Err(open("it is no pulse output".to_owned()));
        };
        let chip = sysfs::device(&sys.join("class/pwm"), device)?;
        let count: u32 = sysfs::number(&chip.join("npwm"))?;
        if *number >= count {
            return Err(open(format!("the chip has channels 0 to {}", count.saturating_sub(1))));
        }
        let (lock, left_by_us) = mark(marks, device, *number).map_err(open)?;
        let channel = chip.join(format!("pwm{number}"));
        if channel.exists() && !left_by_us {
            drop(std::fs::remove_file(&lock.1));
            let why = format!(
                "another program has exported the channel; when nothing uses it, write {number} to {}",
                chip.join("unexport").display()
            );
            return Err(open(why));
        }
        if !channel.exists()
            && let Err(error) = sysfs::write(&chip.join("export"), &number.to_string())
        {
            drop(std::fs::remove_file(&lock.1));
            let busy = "the kernel or another program uses the channel (a fan of the board itself, a backlight)";
            return Err(open(format!("{error}; {busy}")));
        }
        let mut pulses = Self { chip, channel, number: *number, period_ns: 0, duty_ns: 0, lock };
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
        self.write("duty_cycle", 0)?;
        self.duty_ns = 0;
        self.period_ns = sysfs::number(&self.channel.join("period"))?;
        let polarity = self.channel.join("polarity");
        if sysfs::read(&polarity).is_ok_and(|polarity| polarity != "normal") {
            // The kernel takes a new polarity of a disabled output only.
            self.write("enable", 0)?;
            sysfs::write(&polarity, "normal")?;
        }
        self.set(Hertz(100.0), Duty::ZERO)?;
        self.write("enable", 1)
    }

    /// Applies frequency and share of the period at the high level.
    pub(super) fn set(&mut self, frequency: Hertz, share: Duty) -> Result<(), DriverError> {
        let (period_ns, duty_ns) = nanoseconds(frequency, share);
        for (file, value) in steps((self.period_ns, self.duty_ns), (period_ns, duty_ns)) {
            self.write(file, value)?;
        }
        (self.period_ns, self.duty_ns) = (period_ns, duty_ns);
        Ok(())
    }

    /// Duty 0, whatever was before.
    pub(super) fn quiet(&mut self) -> Result<(), DriverError> {
        self.write("duty_cycle", 0)?;
        self.duty_ns = 0;
        Ok(())
    }

    fn write(&self, file: &str, value: u64) -> Result<(), DriverError> {
        sysfs::write(&self.channel.join(file), &value.to_string())
    }
}

impl Drop for Pulses {
    fn drop(&mut self) {
        // Each is tried whatever became of the others; a device that is gone has no output.
        let _ = self.write("duty_cycle", 0);
        let _ = self.write("enable", 0);
        let _ = sysfs::write(&self.chip.join("unexport"), &self.number.to_string());
        let _ = std::fs::remove_file(&self.lock.1);
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
fn nanoseconds(frequency: Hertz, share: Duty) -> (u64, u64) {
    let period_ns = (1e9 / frequency.get()).round();
    (period_ns as u64, (period_ns * share.fraction()).round() as u64)
}

/// Writes that lead from one (period, duty) to another with the duty never above the period.
fn steps(from: (u64, u64), to: (u64, u64)) -> Vec<(&'static str, u64)> {
    let mut steps = Vec::new();
    if to.0 > from.0 {
        steps.push(("period", to.0));
    }
    if to.1 != from.1 {
        steps.push(("duty_cycle", to.1));
    }
    if to.0 < from.0 {
        steps.push(("period", to.0));
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
                for (file, value) in steps(state, to) {
                    match file {
                        "period" => state.0 = value,
                        _ => state.1 = value,
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
        assert_eq!(steps(from, to), [("duty_cycle", 1_000_000), ("period", 2_500_000)]);
        assert_eq!(steps(to, from), [("period", 10_000_000), ("duty_cycle", 4_000_000)]);
        assert!(steps(to, to).is_empty());
    }

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
