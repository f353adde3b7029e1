//! Pure judgement: limits, signs of faults, grade.
#![deny(clippy::disallowed_methods, clippy::disallowed_macros, clippy::disallowed_types)]
