//! galebench: characterises second-hand vehicle fan drive modules on a hardware-in-the-loop bench.
//!
//! Data flows one way: [`config`] and [`driver`] feed the [`runner`], every block of samples is judged by [`safety`]
//! and kept by [`record`]; [`analysis`] and [`verdict`] are pure functions of the record; [`report`] and [`store`]
//! show and index what they found. [`ops`] has one function per thing a user can ask for.

pub mod analysis;
pub mod bench;
pub mod cli;
pub mod config;
pub mod driver;
pub mod intake;
pub mod ops;
pub mod plant;
pub mod record;
pub mod report;
pub mod results;
pub mod runner;
pub mod safety;
pub mod store;
pub mod units;
pub mod verdict;
