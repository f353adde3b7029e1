//! Converters and monitors of the kernel's IIO and hwmon classes: single readings from attributes, and buffered capture
//! with the kernel's timestamps from the character device.
//!
//! Everything that is changed for a capture (trigger, enabled channels, clock, buffer) is put back at the end.

use std::fs::{self, File};
use std::io::{ErrorKind, Read as _};
use std::os::fd::AsFd as _;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};

use rustix::event::{PollFd, PollFlags, Timespec, poll};

use super::attribute::{self, Reading, Restore};
use super::scan::{Element, Layout};
use crate::driver::DriverError;
use crate::driver::board::sampler::{MOST_SLOTS, Source, Tick};
use crate::driver::board::sysfs;

/// IIO attributes are in millivolts, milliamperes, thousandths of a degree; so are those of hwmon.
const MILLI: f64 = 1e-3;
/// Longest wait for samples before the thread looks whether it should end, and the least time between two wake-ups.
const WAIT_NS: i64 = 50_000_000;
const WAKE_S: f64 = 0.004;
/// Scans taken in one read.
const SCANS: usize = 512;

/// Factor and addend of a channel: its own, else those of its type.
fn scale_of(dir: &Path, channel: &str) -> Result<(f64, f64), DriverError> {
    let kind: String = channel.chars().filter(|c| !c.is_ascii_digit()).collect();
    let base = kind.split('-').next().unwrap_or(&kind).to_owned();
    let find = |what: &str, none: f64| {
        let candidates = [channel, &kind, &base].map(|name| dir.join(format!("in_{name}_{what}")));
        candidates.iter().find(|path| path.exists()).map_or(Ok(none), |path| sysfs::number(path))
    };
    Ok((find("scale", 1.0)? * MILLI, find("offset", 0.0)?))
}

/// The attribute by which a single reading of an IIO channel is taken.
pub(super) fn reading(dir: &Path, channel: &str) -> Result<Reading, DriverError> {
    let input = dir.join(format!("in_{channel}_input"));
    if input.exists() {
        return Reading::open(&input, MILLI, 0.0);
    }
    let (scale, offset) = scale_of(dir, channel)?;
    Reading::open(&dir.join(format!("in_{channel}_raw")), scale, offset)
}

/// The attribute of an hwmon channel.
pub(super) fn monitor(sys: &Path, device: &str, channel: &str) -> Result<Reading, DriverError> {
    let dir = sysfs::device(&sys.join("class/hwmon"), device)?;
    let known = ["in", "curr", "temp"].iter().any(|kind| channel.starts_with(kind));
    if !known {
        let why = "only voltages (inN), currents (currN) and temperatures (tempN) are read".to_owned();
        return Err(DriverError::Open { what: format!("hwmon:{device}/{channel}"), why });
    }
    Reading::open(&dir.join(format!("{channel}_input")), MILLI, 0.0)
}

/// Whether the device can capture into a buffer.
pub(super) fn captures(dir: &Path, dev: &Path) -> bool {
    dir.join("scan_elements").is_dir() && dir.join("buffer").is_dir() && node(dir, dev).exists()
}

fn node(dir: &Path, dev: &Path) -> PathBuf {
    dev.join(dir.file_name().unwrap_or_default())
}

/// A running capture.
#[derive(Debug)]
pub(super) struct Capture {
    dir: PathBuf,
    node: PathBuf,
    file: File,
    layout: Layout,
    /// For each element of a scan but the timestamp: the slot it fills, factor and addend.
    slots: Vec<Option<(usize, f64, f64)>>,
    stamp: usize,
    bytes: Vec<u8>,
    /// Puts back what was changed; after the capture was switched off.
    _restore: Restore,
}

impl Capture {
    /// Sets the device up for these channels at this rate and starts it.
    pub(super) fn open(
        dir: &Path,
        sys: &Path,
        dev: &Path,
        channels: &[String],
        rate_hz: f64,
        trigger: Option<&str>,
    ) -> Result<Self, DriverError> {
        let node = node(dir, dev);
        // Open first: the kernel lets one program have the device.
        let file = File::options()
            .read(true)
            .custom_flags(libc::O_NONBLOCK)
            .open(&node)
            .map_err(|error| sysfs::failed(&node, &error))?;
        let mut restore = Restore::default();
        if sysfs::read(&dir.join("buffer/enable"))? != "0" {
            let why = "a capture of another program runs on it; end that program first".to_owned();
            return Err(DriverError::Open { what: dir.display().to_string(), why });
        }
        pace(dir, sys, rate_hz, trigger, &mut restore)?;
        restore.change(&dir.join("current_timestamp_clock"), "monotonic")?;
        let elements = enable(dir, channels, &mut restore)?;
        let whole = |value: f64| format!("{:.0}", value.max(1.0));
        restore.change(&dir.join("buffer/length"), &whole(2.0 * rate_hz))?;
        let watermark = dir.join("buffer/watermark");
        if watermark.exists() {
            restore.change(&watermark, &whole(WAKE_S * rate_hz))?;
        }
        let mut slots = Vec::new();
        let mut stamp = None;
        for (at, (name, _)) in elements.iter().enumerate() {
            match channels.iter().position(|channel| channel == name) {
                Some(slot) => {
                    let (scale, offset) = scale_of(dir, name)?;
                    slots.push(Some((slot, scale, offset)));
                }
                None => {
                    stamp = Some(at);
                    slots.push(None);
                }
            }
        }
        let no_stamp = || DriverError::Open {
            what: dir.display().to_string(),
            why: "its buffer has no timestamps: samples could not be placed".to_owned(),
        };
        let layout = Layout::new(&elements.iter().map(|(_, element)| *element).collect::<Vec<_>>());
        let capture = Self {
            dir: dir.to_owned(),
            node,
            file,
            bytes: vec![0; SCANS * layout.bytes],
            layout,
            slots,
            stamp: stamp.ok_or_else(no_stamp)?,
            _restore: restore,
        };
        attribute::write(&dir.join("buffer/enable"), "1")?;
        Ok(capture)
    }
}

impl Drop for Capture {
    fn drop(&mut self) {
        // A device that is gone captures no more.
        let _ = attribute::write(&self.dir.join("buffer/enable"), "0");
    }
}

/// Rate and trigger.
fn pace(dir: &Path, sys: &Path, rate_hz: f64, trigger: Option<&str>, restore: &mut Restore) -> Result<(), DriverError> {
    let current = dir.join("trigger/current_trigger");
    let rate = format!("{rate_hz:.0}");
    if !current.exists() {
        // A device that paces itself; the rate that it really runs at is measured afterwards.
        let own = dir.join("sampling_frequency");
        return if own.exists() { restore.change(&own, &rate) } else { Ok(()) };
    }
    let Some(trigger) = trigger else {
        let why =
            "it captures on a trigger: name one as `trigger` in `[bench]`; docs/linux-board.md says how to make it";
        return Err(DriverError::Open { what: dir.display().to_string(), why: why.to_owned() });
    };
    let triggers = sysfs::device(&sys.join("bus/iio/devices"), trigger)?;
    let frequency = triggers.join("sampling_frequency");
    if frequency.exists() && sysfs::number::<f64>(&frequency)? != rate_hz {
        restore.change(&frequency, &rate)?;
    }
    restore.change(&current, trigger)
}

/// Enables these channels and the timestamp, nothing else; all elements in the order of a scan.
fn enable(dir: &Path, channels: &[String], restore: &mut Restore) -> Result<Vec<(String, Element)>, DriverError> {
    let scan = dir.join("scan_elements");
    let mut elements = Vec::new();
    for entry in fs::read_dir(&scan).map_err(|error| sysfs::failed(&scan, &error))?.flatten() {
        let file = entry.file_name().to_string_lossy().into_owned();
        let Some(name) = file.strip_prefix("in_").and_then(|name| name.strip_suffix("_en")) else { continue };
        let wanted = name == "timestamp" || channels.iter().any(|channel| channel == name);
        restore.change(&entry.path(), if wanted { "1" } else { "0" })?;
        if wanted {
            let layout = scan.join(format!("in_{name}_type"));
            let element = Element::parse(&sysfs::read(&layout)?)
                .map_err(|why| DriverError::Answer { what: layout.display().to_string(), why })?;
            let index: u32 = sysfs::number(&scan.join(format!("in_{name}_index")))?;
            elements.push((index, name.to_owned(), element));
        }
    }
    if let Some(missing) = channels.iter().find(|channel| !elements.iter().any(|(_, name, _)| name == *channel)) {
        let why = format!("it captures no channel `{missing}`; {} lists what it has", scan.display());
        return Err(DriverError::Open { what: dir.display().to_string(), why });
    }
    elements.sort_by_key(|(index, ..)| *index);
    Ok(elements.into_iter().map(|(_, name, element)| (name, element)).collect())
}

impl Source for Capture {
    fn fetch(&mut self, into: &mut Vec<Tick>) -> Result<(), DriverError> {
        let wait = Timespec { tv_sec: 0, tv_nsec: WAIT_NS };
        let fd = self.file.as_fd();
        let mut waits = [PollFd::new(&fd, PollFlags::IN)];
        match poll(&mut waits, Some(&wait)) {
            // With nothing there it is read too: the kernel wakes nobody when a converter is unplugged, a read tells.
            Ok(_) | Err(rustix::io::Errno::INTR) => {}
            Err(error) => return Err(sysfs::failed(&self.node, &error.into())),
        }
        let n = match self.file.read(&mut self.bytes) {
            Ok(0) => {
                let why = "its samples ended: unplugged, or switched off by another program".to_owned();
                return Err(DriverError::Gone { what: self.node.display().to_string(), why });
            }
            Ok(n) => n,
            Err(error) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::Interrupted) => return Ok(()),
            Err(error) => return Err(sysfs::failed(&self.node, &error)),
        };
        for scan in self.bytes[..n].chunks_exact(self.layout.bytes) {
            let mut tick = Tick { stamp_ns: 0, values: [0.0; MOST_SLOTS] };
            for (at, number) in self.layout.numbers(scan).enumerate() {
                if at == self.stamp {
                    tick.stamp_ns = number.cast_unsigned();
                } else if let Some((slot, scale, offset)) = self.slots[at] {
                    #[expect(clippy::cast_possible_truncation, clippy::cast_precision_loss, reason = "converter codes")]
                    let value = ((number as f64 + offset) * scale) as f32;
                    tick.values[slot] = value;
                }
            }
            into.push(tick);
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::driver::board::sampler::Gauge as _;

    #[test]
    fn monitors_are_read_in_volts_amperes_and_degrees() {
        let dir = tempfile::tempdir().unwrap();
        let own = dir.path().join("class/hwmon/hwmon5");
        fs::create_dir_all(&own).unwrap();
        let files = [("name", "ina226"), ("in1_input", "13020"), ("curr1_input", "-41"), ("temp1_input", "36500")];
        for (file, text) in files {
            fs::write(own.join(file), format!("{text}\n")).unwrap();
        }
        let value = |channel: &str| monitor(dir.path(), "ina226", channel).unwrap().value().unwrap();
        assert!((value("in1") - 13.02).abs() < 1e-9);
        assert!((value("curr1") + 0.041).abs() < 1e-9);
        assert!((value("temp1") - 36.5).abs() < 1e-9);
        assert!(monitor(dir.path(), "ina226", "fan1").unwrap_err().to_string().contains("only voltages"));
        assert!(monitor(dir.path(), "ina226", "in7").unwrap_err().to_string().contains("not there"));
        // A value that changes is read anew, and a broken one is no number.
        let mut reading = monitor(dir.path(), "ina226", "in1").unwrap();
        fs::write(own.join("in1_input"), "12000\n").unwrap();
        assert!((reading.value().unwrap() - 12.0).abs() < 1e-9);
        fs::write(own.join("in1_input"), "n/a\n").unwrap();
        assert!(reading.value().unwrap_err().to_string().contains("`n/a` is no number"));
    }

    #[test]
    fn scale_and_offset_are_the_channels_own_else_those_of_its_type() {
        let dir = tempfile::tempdir().unwrap();
        let attributes = [
            ("in_voltage0_raw", "100"),
            ("in_voltage1_raw", "100"),
            ("in_voltage_scale", "0.5"),
            ("in_voltage1_scale", "2"),
            ("in_voltage0-voltage1_raw", "-8"),
            ("in_temp_raw", "2000"),
            ("in_temp_offset", "-500"),
            ("in_temp_scale", "10"),
            ("in_current3_input", "2500"),
        ];
        for (file, text) in attributes {
            fs::write(dir.path().join(file), text).unwrap();
        }
        let value = |channel: &str| reading(dir.path(), channel).unwrap().value().unwrap();
        assert!((value("voltage0") - 0.05).abs() < 1e-12);
        assert!((value("voltage1") - 0.2).abs() < 1e-12);
        assert!((value("voltage0-voltage1") + 0.004).abs() < 1e-12);
        assert!((value("temp") - 15.0).abs() < 1e-12);
        assert!((value("current3") - 2.5).abs() < 1e-12);
    }
}
