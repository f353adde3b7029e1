//! What the benches of boards share, whatever library reaches the pins: order of outputs, edges of the tach, sampling
//! threads, one grid for all channels, lines held against others.
//!
//! The drivers `linux` and `raspberry` differ in [`ports::Devices`] alone.

pub(super) mod bench;
pub(super) mod edges;
mod grid;
pub(super) mod hold;
pub(super) mod lanes;
mod outputs;
pub(super) mod ports;
pub(super) mod pulses;
mod realtime;
pub(super) mod sampler;
pub(super) mod sysfs;
