//! A whole crate: kinds, ranking, spread of each result, odd ones out, and units that match.
//!
//! Pure, like all of the verdict: takes what was found for each unit and returns what it adds up to.

mod curve;
mod fan;
mod kinds;
mod matching;
mod member;
mod odd;
mod order;
mod ranking;

pub use curve::{DUTIES, SpeedCurve};
pub use fan::Fan;
pub use kinds::{Kind, kinds};
pub use matching::{Match, alike, mixed_note, pairs};
pub use member::{Member, RigErrors, Standing, group};
pub use odd::{Odd, OddWhole, odd_ones, odd_wholes};
pub use order::{MedianInterval, Spread, share_interval, spread};
pub use ranking::{Ranked, rank, to_do};
