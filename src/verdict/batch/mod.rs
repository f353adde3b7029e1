//! A whole crate: counts, ranking, spread of each result, odd ones out, and units that match.
//!
//! Pure, like all of the verdict: takes what was found for each unit and returns what it adds up to.

mod curve;
mod fan;
mod matching;
mod member;
mod order;
mod ranking;

pub use curve::{DUTIES, SpeedCurve};
pub use fan::Fan;
pub use matching::{Match, alike, mixed_note, pairs};
pub use member::{Member, RigErrors, Standing, group};
pub use order::{MedianInterval, Spread, share_interval, spread};
pub use ranking::{Odd, Ranked, odd_ones, rank, to_do};
