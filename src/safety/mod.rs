//! The safety supervisor: a pure interlock and what acts on it.
//!
//! [`interlock`] judges each block of samples and touches nothing; [`supervisor`] owns the bench, asks the interlock
//! before anybody else sees a block, and holds the only way to the safe state. Software is the second line of defence:
//! the fuse at the battery post and the hardwired emergency stop are the first.

mod attendant;
pub mod interlock;
pub mod limits;
pub mod stop;
pub mod supervisor;
mod watch;

#[cfg(test)]
mod interlock_tests;
#[cfg(test)]
mod supervisor_tests;

pub use attendant::{Attendant, News};
pub use interlock::{Input, Interlock, Rule, Trip};
pub use limits::Limits;
pub use stop::{Pulse, StopHandle, Urgency};
pub use supervisor::{ArmError, Armed, Ended, Halt, Nowhere, RecordSink, Supervisor};
