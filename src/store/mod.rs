//! SQLite index over the records; can be rebuilt from them at any time.
//!
//! It holds nothing that is not in the record folders. Runs of the virtual bench have an index of their own
//! ([`default_path`]), so that no list ever mixes them with real ones.

mod copy;
mod error;
mod index;
mod rebuild;
mod schema;
mod units;

pub use error::StoreError;
pub use index::{
    CONTACT_PLAN, Filter, Given, Listing, Page, Range, RunRow, RunState, SPIN_PLAN, Store, UNSORTED, default_path,
};
pub use rebuild::Rebuilt;
pub use units::UnitRow;
