//! Index over the records; can be rebuilt from them at any time.
//!
//! Each bench has a database file of its own; the benches of a shop may share one on a server besides, and a place for their
//! records ([`Settings`]). The index holds nothing that is not in the record folders. Runs of the virtual bench have an index of their own
//! ([`default_path`]), so that no list ever mixes them with real ones.

mod copy;
mod courier;
mod error;
mod filter;
mod index;
mod listing;
mod outbox;
mod patience;
#[cfg(feature = "postgres")]
mod postgres;
mod queue;
mod rebuild;
mod records;
mod schema;
mod sending;
mod server;
mod settings;
mod shop;
mod sql;
mod sqlite;
mod units;

pub use courier::wait as wait_for_couriers;
pub use error::StoreError;
pub use filter::{Filter, Range};
pub use index::{CONTACT_PLAN, Given, RunRow, RunState, SPIN_PLAN, UNSORTED, default_path};
pub use listing::{Cursor, Listing, Page, Total};
pub use queue::{Turn, Whose, Worked};
pub use rebuild::Rebuilt;
pub use records::{KEY_FILE, trouble as records_trouble};
pub use sending::Sent;
pub use server::trouble;
pub use settings::Settings;
pub use shop::Store;
pub use units::UnitRow;

#[cfg(test)]
mod tests;
