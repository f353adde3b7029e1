//! The record of a run: append-only events and samples, and what reads them back.
//!
//! Nothing here judges or interprets; everything downstream is a pure function of what is kept here.

pub mod csv_import;
pub mod error;
pub mod event;
mod framing;
pub mod preflight;
pub mod reader;
pub mod recording;
mod samples;
pub mod seal;
pub mod writer;

/// Name of the file of events in a record folder.
pub const EVENTS_FILE: &str = "events.jsonl";
/// Name of the file of samples in a record folder.
pub const SAMPLES_FILE: &str = "samples.arrows";
/// Name of the results document in a record folder.
pub const RESULTS_FILE: &str = "results.json";
