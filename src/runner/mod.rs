//! Runs a plan on a bench: stages, dispatcher, shutdown.
//!
//! [`dispatcher::run`] is the entry: it starts the bench thread, on which the executor goes through the stages with the
//! supervisor between it and the bench, and reacts to signals and silence meanwhile.

pub mod dispatcher;
mod estimate;
mod executor;
mod live;
mod looks;
mod preflight;
mod session;
mod stages;
#[cfg(test)]
mod tests;

pub use crate::safety::{Attendant, News, StopHandle};
pub use dispatcher::{Observer, Quiet, RunOutcome, RunRequest, run};
pub use looks::Advise;
pub(crate) use preflight::run as look_before;
