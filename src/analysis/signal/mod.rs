//! Kernels on samples: edges, ripple, settling, steps, fits. Also used by the runner to decide what to do next.

pub mod chop;
pub mod coast;
pub mod fit;
pub mod ripple;
mod ripple_spectrum;
pub mod settling;
pub mod stats;
pub mod steps;
pub mod tach;
