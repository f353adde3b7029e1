//! Index over the records; can be rebuilt from them at any time.
//!
//! Each bench has a database file of its own; the benches of a shop may share one on a server besides ([`Settings`]). It
//! holds nothing that is not in the record folders. Runs of the virtual bench have an index of their own
//! ([`default_path`]), so that no list ever mixes them with real ones.

mod copy;
mod error;
mod filter;
mod index;
mod listing;
mod outbox;
#[cfg(feature = "postgres")]
mod postgres;
mod queue;
mod rebuild;
mod schema;
mod server;
mod settings;
mod shop;
mod sql;
mod sqlite;
mod units;

pub use error::StoreError;
pub use filter::{Filter, Range};
pub use index::{CONTACT_PLAN, Given, RunRow, RunState, SPIN_PLAN, UNSORTED, default_path};
pub use listing::{Cursor, Listing, Page, Total};
pub use queue::{Turn, Worked};
pub use rebuild::Rebuilt;
pub use server::trouble;
pub use settings::Settings;
pub use shop::{Sent, Store};
pub use units::UnitRow;

#[cfg(test)]
mod tests;
