//! A bench on a Raspberry Pi: pins through its registers, its hardware pulse outputs, converters and current monitors on
//! its SPI and I2C buses. The library behind it is no longer developed; nothing of it is seen outside this folder.
//!
//! What a library that writes registers would take from others is taken from the kernel first: every line is held through
//! the GPIO character device, so that one in use is refused, and the kernel lets go of it when the process is killed.
//! Opening, dropping and what remains after a kill are otherwise as with the driver `linux`.

mod frame;
mod gpio;
mod i2c;
mod pwm;
mod spi;

use std::collections::BTreeMap;

use rppal::system::DeviceInfo;

use self::gpio::Pins;
use super::board::bench::BoardBench;
use super::board::edges::Edges;
use super::board::lanes::{Readings, Slot, wanted};
use super::board::ports::{Devices, Input, Output, PulseOutput};
use super::{Bench, DriverError};
use crate::config::address::Address;
use crate::config::parts::{I2cReading, Inputs, SpiPart};
use crate::config::rig::{BoardSpec, Rig};

/// Opens every device that the rig names; the bench comes up safe.
///
/// # Errors
/// [`DriverError`] when this is no Raspberry Pi, or naming the device that is missing, in use, not permitted or too slow.
pub fn open(rig: &Rig, board: &BoardSpec) -> Result<Box<dyn Bench>, DriverError> {
    let pi = DeviceInfo::new().map_err(|_| DriverError::Open {
        what: "driver `raspberry`".to_owned(),
        why: "this driver needs a Raspberry Pi, and this machine is none that it knows; set driver = \"linux\", which \
              takes any board"
            .to_owned(),
    })?;
    let devices = Pi { pins: Pins::open(pi.model())? };
    Ok(Box::new(BoardBench::open(rig, board, &devices)?))
}

/// The board.
#[derive(Debug)]
struct Pi {
    pins: Pins,
}

impl Devices for Pi {
    fn output(&self, address: &Address, active_low: bool) -> Result<Box<dyn Output>, DriverError> {
        Ok(Box::new(self.pins.output(address, active_low)?))
    }

    fn input(&self, address: &Address, active_low: bool, broken: bool) -> Result<Box<dyn Input>, DriverError> {
        Ok(Box::new(self.pins.input(address, active_low, broken)?))
    }

    fn pulses(&self, address: &Address) -> Result<Box<dyn PulseOutput>, DriverError> {
        Ok(Box::new(pwm::Pulses::open(address)?))
    }

    fn edges(&self, address: &Address) -> Result<Edges, DriverError> {
        self.pins.edges(address)
    }

    fn readings(&self, board: &BoardSpec) -> Result<Readings, DriverError> {
        // Inputs of one converter are read together; one converter has one owner.
        let mut converters = BTreeMap::<(u8, u8, SpiPart), Vec<(Slot, Inputs)>>::new();
        let mut parts = BTreeMap::<(u8, u8), Vec<(Slot, I2cReading)>>::new();
        for (slot, address) in wanted(board) {
            match address {
                Address::Spi { bus, select, part, inputs } => {
                    converters.entry((*bus, *select, *part)).or_default().push((slot, *inputs));
                }
                Address::I2c { bus, at, reading } => parts.entry((*bus, *at)).or_default().push((slot, *reading)),
                _ => {
                    let why = "it is no reading of this driver".to_owned();
                    return Err(DriverError::Open { what: address.to_string(), why });
                }
            }
        }
        let mut readings = Readings::default();
        for (converter, inputs) in converters {
            spi::open(converter, &inputs, board, &mut readings)?;
        }
        for ((bus, at), wanted) in parts {
            i2c::open(bus, at, &wanted, board.rate, &mut readings)?;
        }
        Ok(readings)
    }
}
