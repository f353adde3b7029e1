//! Sensors and actuators on a CAN bus, as a rig file names them.

use std::collections::BTreeMap;

use crate::bench::Channel;
use crate::driver::Control;
use crate::driver::can::signal::Signal;
use crate::units::Seconds;

/// The sensors and actuators of a rig on one bus.
#[derive(Clone, Debug, PartialEq)]
pub struct CanSpec {
    /// Network interface, such as `can0`.
    pub interface: String,
    /// Whether the controller must listen only.
    pub listen_only: bool,
    /// Where each channel comes from.
    pub channels: BTreeMap<Channel, CanSource>,
    /// How often every frame of the controls is sent.
    pub period: Seconds,
    /// Where each control goes.
    pub controls: BTreeMap<Control, CanTarget>,
}

/// Where a channel comes from.
#[derive(Clone, Debug, PartialEq)]
pub struct CanSource {
    /// Name for people: that of the database, or the frame's number.
    pub name: String,
    /// The signal.
    pub signal: Signal,
    /// A value older than this is lost.
    pub max_age: Seconds,
}

/// Where a control goes.
#[derive(Clone, Debug, PartialEq)]
pub struct CanTarget {
    /// Name for people: that of the database, or the frame's number.
    pub name: String,
    /// The signal.
    pub signal: Signal,
    /// Bytes of its frame.
    pub bytes: usize,
}
