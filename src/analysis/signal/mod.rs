//! Kernels on samples: edges, ripple, settling, steps, fits. Also used by the runner to decide what to do next.

pub mod ripple;
pub mod settling;
pub mod stats;
pub mod tach;
