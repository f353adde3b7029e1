//! Pure functions from a recording to results. No clock, no files, no printing, no unseeded randomness.
#![deny(clippy::disallowed_methods, clippy::disallowed_macros, clippy::disallowed_types)]

pub mod command;
pub mod signal;
pub mod speed;
pub mod zero;
