//! The pins of a board as the bench uses them, and how a driver opens them.

use std::fmt;

use super::edges::Edges;
use super::lanes::Readings;
use super::pulses::{self, Write};
use crate::config::address::Address;
use crate::config::rig::BoardSpec;
use crate::driver::DriverError;
use crate::units::{Duty, Hertz};

/// An output line: off when opened, off when dropped.
pub(in crate::driver) trait Output: Send + fmt::Debug {
    /// Switches, whatever it was before: what another hand did to the line is undone.
    fn set(&mut self, on: bool) -> Result<(), DriverError>;
}

/// An input line.
pub(in crate::driver) trait Input: Send + fmt::Debug {
    /// Whether it is active.
    fn active(&self) -> Result<bool, DriverError>;
}

/// A hardware pulse output: duty 0 when opened; duty 0, disabled and given back when dropped.
pub(in crate::driver) trait PulseOutput: Send + fmt::Debug {
    /// Writes a period or a high time to the device.
    fn write(&self, step: Write) -> Result<(), DriverError>;

    /// Period and high time in force, nanoseconds.
    fn in_force(&mut self) -> &mut (u64, u64);

    /// Applies frequency and share of the period at the high level, without a gap.
    fn set(&mut self, frequency: Hertz, share: Duty) -> Result<(), DriverError> {
        let to = pulses::nanoseconds(frequency, share);
        for step in pulses::steps(*self.in_force(), to) {
            self.write(step)?;
        }
        *self.in_force() = to;
        Ok(())
    }

    /// Duty 0, whatever was before.
    fn quiet(&mut self) -> Result<(), DriverError> {
        self.write(Write::High(0))?;
        self.in_force().1 = 0;
        Ok(())
    }
}

/// How a driver opens what a rig names. Nothing that another program or the kernel uses is ever taken.
pub(in crate::driver) trait Devices {
    /// Takes a line as an output that is off.
    fn output(&self, address: &Address, active_low: bool) -> Result<Box<dyn Output>, DriverError>;

    /// Takes a line as an input. A pin with a pull of its own is pulled to where the line reads `broken` with its wire
    /// broken.
    fn input(&self, address: &Address, active_low: bool, broken: bool) -> Result<Box<dyn Input>, DriverError>;

    /// Takes a pulse output.
    fn pulses(&self, address: &Address) -> Result<Box<dyn PulseOutput>, DriverError>;

    /// Takes a line as an input whose rising edges are stamped by the kernel.
    fn edges(&self, address: &Address) -> Result<Edges, DriverError>;

    /// Opens every reading of the board.
    fn readings(&self, board: &BoardSpec) -> Result<Readings, DriverError>;
}
