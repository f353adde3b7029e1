//! The stages of a plan, one file each. A stage returns `Ok(Ok(()))` when everything was done, `Ok(Err(why))` when it gave
//! up on part of it, `Err(Halt)` when the run was stopped.

pub(crate) mod capacitance;
pub(crate) mod crank;
pub(crate) mod dead_band;
pub(crate) mod discover;
pub(crate) mod discover_standing;
pub(crate) mod drop;
pub(crate) mod first_power;
pub(crate) mod flex_watch;
pub(crate) mod frequency_edges;
pub(crate) mod hold;
pub(crate) mod hot_restart;
pub(crate) mod line_check;
pub(crate) mod loss_of_signal;
pub(crate) mod power_up;
pub(crate) mod repeated_starts;
pub(crate) mod repeats;
pub(crate) mod sleep;
pub(crate) mod soak;
pub(crate) mod soft_start;
pub(crate) mod stall;
pub(crate) mod supply_dip;
pub(crate) mod supply_open;
pub(crate) mod supply_sweep;
pub(crate) mod sweep;
pub(crate) mod thresholds;
pub(crate) mod triage;
