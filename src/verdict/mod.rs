//! Pure judgement: limits, signs of faults, grade, risk.
//!
//! Takes what the analysis found and the recording it was found in; knows nothing of files, rigs' devices or reports.
//! The rules are those told to users in `docs/results.md`; each rule here says in its comment why it is as it is.
#![deny(clippy::disallowed_methods, clippy::disallowed_macros, clippy::disallowed_types)]

pub mod batch;
mod carried;
mod doubt;
pub mod drift;
pub mod gauge;
mod grade;
mod hot_day;
mod limits;
mod proof;
mod risk;
mod rule;
mod signs;
mod steadfast;

pub use carried::carried;
pub use doubt::{Doubt, Lack, doubts};
pub use grade::{Judgement, NOTHING_ANSWERED, judge};
pub use hot_day::hot_day;
pub use limits::outcome;
pub(crate) use limits::{accepted_words as limit_accepted_words, words as limit_words};
pub use risk::risk;
pub use signs::{STRONG, SUSPICION, signs};

#[cfg(test)]
pub(crate) mod made_up;
