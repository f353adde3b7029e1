//! Sensors and actuators on a CAN bus, through the network interfaces of the kernel (SocketCAN).
//!
//! Controls are signals of frames that are sent again and again. Opening, the way to the safe state and dropping (a panic
//! included) send the safe values: supply off, duty 0, line released; so does a program that leaves the bench alone for
//! half a second. **When the process is killed or the cable is pulled nothing is sent any more: the receiver must go to its
//! safe state by itself when frames stay away.** Without controls the bus is listened to and nothing is sent.
//!
//! A value of a sensor holds until the next one of its signal comes, or until it is older than its age limit: from then on
//! samples are lost. Frames are stamped by the kernel where it does so, else when they are taken up; how old a held value
//! can be is measured at the start and stated as the alignment of its channel.

#[cfg(all(target_os = "linux", feature = "can"))]
mod bench;
#[cfg(all(target_os = "linux", feature = "can"))]
mod commands;
#[cfg(all(target_os = "linux", feature = "can"))]
mod controller;
#[cfg(all(target_os = "linux", feature = "can"))]
mod hold;
#[cfg(all(target_os = "linux", feature = "can"))]
mod listener;
#[cfg(all(target_os = "linux", feature = "can"))]
mod sender;
pub mod signal;
#[cfg(all(target_os = "linux", feature = "can"))]
mod socket;

#[cfg(all(target_os = "linux", feature = "can"))]
pub use bench::CanBench;
