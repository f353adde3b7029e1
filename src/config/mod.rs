//! Rig and plan files: text to typed values with positions, and all diagnostics.

pub mod plan;
pub mod rig;
