//! A bench on a Linux board, through devices of the kernel: GPIO lines, PWM outputs, IIO converters, hwmon monitors.
//!
//! Opening takes every output switched off, the supply relay first, and refuses what another program or the kernel
//! uses. Dropping the bench switches everything off, disables the pulse output and puts back what was changed. When the
//! process is killed the kernel releases the lines (a relay must be off then by its wiring) and the pulse output goes on:
//! a monostable on the heartbeat line, which stops with the program, must take the relay's supply. A cable that is
//! pulled shows as missing samples, or as a device that is gone, and stops the run.
//!
//! A kernel call that never returns cannot be cut short from here; the heartbeat stops with it.

mod attribute;
mod gpio;
mod iio;
#[cfg(test)]
mod lanes_tests;
mod polled;
mod pwm;
mod scan;

use std::collections::BTreeMap;
use std::path::Path;

use self::iio::Capture;
use super::board::bench::BoardBench;
use super::board::edges::Edges;
use super::board::lanes::{Paced, Readings, Slot, wanted};
use super::board::ports::{Devices, Input, Output, PulseOutput};
use super::board::sampler::Gauge;
use super::board::{pulses, sysfs};
use super::{Bench, DriverError};
use crate::config::address::Address;
use crate::config::rig::{BoardSpec, Rig};

/// Opens every device that the rig names; the bench comes up safe.
///
/// # Errors
/// [`DriverError`] naming the device that is missing, in use, not permitted or too slow.
pub fn open(rig: &Rig, board: &BoardSpec) -> Result<Box<dyn Bench>, DriverError> {
    let kernel = Kernel { sys: Path::new("/sys"), dev: Path::new("/dev") };
    Ok(Box::new(BoardBench::open(rig, board, &kernel)?))
}

/// The kernel's devices, where it shows them.
#[derive(Clone, Copy, Debug)]
struct Kernel<'a> {
    sys: &'a Path,
    dev: &'a Path,
}

impl Devices for Kernel<'_> {
    fn output(&self, address: &Address, active_low: bool) -> Result<Box<dyn Output>, DriverError> {
        Ok(Box::new(gpio::Switch::open(address, active_low)?))
    }

    fn input(&self, address: &Address, active_low: bool, _broken: bool) -> Result<Box<dyn Input>, DriverError> {
        Ok(Box::new(gpio::Contact::open(address, active_low)?))
    }

    fn pulses(&self, address: &Address) -> Result<Box<dyn PulseOutput>, DriverError> {
        Ok(Box::new(pwm::Pulses::open(self.sys, &pulses::marks(), address)?))
    }

    fn edges(&self, address: &Address) -> Result<Edges, DriverError> {
        gpio::edges(address)
    }

    fn readings(&self, board: &BoardSpec) -> Result<Readings, DriverError> {
        let rate_hz = board.rate.get();
        let (mut captured, mut polled) = (BTreeMap::<String, Vec<(Slot, String)>>::new(), Vec::new());
        let mut readings = Readings::default();
        for (slot, address) in wanted(board) {
            match address {
                Address::Hwmon { device, channel } => {
                    readings.slow.push((slot, Box::new(iio::monitor(self.sys, device, channel)?)));
                }
                Address::Iio { device, channel } => {
                    let dir = sysfs::device(&self.sys.join("bus/iio/devices"), device)?;
                    if iio::captures(&dir, self.dev) {
                        captured.entry(device.clone()).or_default().push((slot, channel.clone()));
                    } else if slot.is_slow() {
                        readings.slow.push((slot, Box::new(iio::reading(&dir, channel)?)));
                    } else {
                        polled.push((slot, Box::new(iio::reading(&dir, channel)?) as Box<dyn Gauge>));
                    }
                }
                _ => {
                    let why = "it is no reading of this driver".to_owned();
                    return Err(DriverError::Open { what: address.to_string(), why });
                }
            }
        }
        for (device, channels) in captured {
            let dir = sysfs::device(&self.sys.join("bus/iio/devices"), &device)?;
            let (slots, names): (Vec<Slot>, Vec<String>) = channels.into_iter().unzip();
            let capture = Capture::open(&dir, self.sys, self.dev, &names, rate_hz, board.trigger.as_deref())?;
            readings.paced.push(Paced { name: device, slots, rate_hz, ours: false, source: Box::new(capture) });
        }
        if !polled.is_empty() {
            readings.paced.push(polled::paced(polled, rate_hz));
        }
        Ok(readings)
    }
}
