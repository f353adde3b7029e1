//! Sensors on a CAN bus, through the network interfaces of the kernel (SocketCAN).
//!
//! The bus is listened to and nothing is sent, so nothing here can switch anything on; killing the process or pulling the
//! cable leaves the bus as it was, and shows as values that age.
//!
//! A value holds until the next one of its signal comes, or until it is older than its age limit: from then on samples are
//! lost. Frames are stamped by the kernel where it does so, else when they are taken up; how old a held value can be is
//! measured at the start and stated as the alignment of its channel.

#[cfg(all(target_os = "linux", feature = "can"))]
mod bench;
#[cfg(all(target_os = "linux", feature = "can"))]
mod controller;
#[cfg(all(target_os = "linux", feature = "can"))]
mod hold;
#[cfg(all(target_os = "linux", feature = "can"))]
mod listener;
pub mod signal;
#[cfg(all(target_os = "linux", feature = "can"))]
mod socket;

#[cfg(all(target_os = "linux", feature = "can"))]
pub use bench::CanBench;
