//! Rig and plan files: text to typed values with positions, and all diagnostics.
//!
//! One field table per kind of file says what each key holds; the same table is walked to read a file, fills in the
//! defaults, and yields the JSON Schema. A file is read as a whole: every problem is told at once, with its place.
//! No device is opened here.

pub mod address;
pub mod calibration;
pub mod can;
pub mod dbc;
mod diagnostic;
pub mod effective;
mod facts;
mod field;
pub mod form;
#[cfg(test)]
mod fuzz;
#[cfg(test)]
mod golden;
pub mod instrument;
mod load;
pub mod parts;
pub mod plan;
mod plan_build;
mod plan_rules;
mod plan_table;
#[cfg(test)]
mod reference;
pub mod rig;
mod rig_board;
mod rig_build;
mod rig_can;
mod rig_can_controls;
mod rig_drivers;
mod rig_rules;
mod rig_scpi;
mod rig_table;
pub mod schema;
mod skip;
mod timeline;
mod together;
mod tree;
mod walk;

pub use diagnostic::{Diagnostic, Place, Problems};
pub use effective::{EffectiveLimit, EffectiveLimits, effective};
pub use facts::{bench_facts, facts};
pub use form::Form;
pub use load::{
    FileKind, load_either, load_form, load_plan, load_rig, parse_form, parse_plan, parse_rig, plan_from_bytes,
    rig_from_bytes,
};
pub use plan::Plan;
pub use rig::Rig;
pub(crate) use skip::needs_discovery;
pub use skip::{cautions, missing_results, skip_reason};
pub(crate) use timeline::ATTEND_S;
pub use timeline::{StageTime, Timeline, duration, stall_rest};
pub use together::check_together;
