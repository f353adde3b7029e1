//! What people say of a crate: units registered at intake, tags corrected, grades overridden.
//!
//! Each batch has a journal, `intake.jsonl` in the batch's folder: one line per statement, only ever added to, each with
//! its time and the name of who made it. [`book::Book`] is what the lines add up to. Records of runs are never touched
//! by any of this; the store takes both in.

pub mod book;
pub mod error;
pub mod journal;
pub mod table;

/// Name of the journal in the folder of a batch.
pub const JOURNAL_FILE: &str = "intake.jsonl";

/// What eyes can find, by the words that commands and CSV files take.
pub const FINDINGS: [&str; 8] =
    ["cracked", "corroded", "wires-cut-short", "pins-bent", "burnt", "melted", "wet", "parts-missing"];
