//! Reports: view model to HTML, plots, CSV, JSON and text. Renderers return strings, know no paths and no clock: the same
//! document gives the same bytes.
#![deny(clippy::disallowed_methods, clippy::disallowed_macros, clippy::disallowed_types)]

pub mod batch;
mod budget;
mod chart;
#[cfg(feature = "parquet")]
pub mod columns;
mod csv;
pub mod drift;
pub mod gauge;
mod history;
mod html;
pub mod labels;
mod plots;
mod style;
mod text;
mod view;
pub mod wiring;

pub use budget::budgets;
pub use csv::{cell, curve_csv};
pub use html::html;
pub use text::text;

use crate::results::Document;

/// The results document as indented JSON with a last line end, as `results.json` holds it.
#[must_use]
pub fn json(document: &Document) -> String {
    // Maps with unit-variant keys, numbers and strings only: nothing that JSON cannot hold (numbers that are not finite become null).
    let mut text = serde_json::to_string_pretty(document).unwrap_or_default();
    text.push('\n');
    text
}

#[cfg(test)]
mod sample;
#[cfg(test)]
mod tests;
