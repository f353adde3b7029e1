//! The record of a run: append-only events and samples, and what reads them back.
//!
//! Nothing here judges or interprets; everything downstream is a pure function of what is kept here.

pub mod event;
pub mod recording;
