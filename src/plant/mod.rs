//! Physics of the virtual bench: battery, module, brushed motor, sensors. Knows units and nothing else of ours;
//! known to the virtual driver alone.

mod command;
pub mod config;
mod energy;
mod engine;
pub mod faults;
mod module;
mod motor;
mod play;
pub mod presets;
mod ramp;
pub mod sensor;
mod source;
pub mod statics;
pub mod tach;
pub mod truth;

#[cfg(test)]
mod tests;

pub use command::LineDrive;
pub use energy::Books;
pub use engine::{Plant, Reading};
pub use source::Relay;
