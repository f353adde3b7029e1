//! Plots as SVG text: one function per plot, from the document and the recording, `Err` with a sentence where there is
//! nothing to draw.
//!
//! Colours are those of Okabe and Ito, told apart by readers who do not see red and green; markers and dashes tell
//! the series apart once more, so a black and white print is whole.

mod curve;
mod decimate;
mod event;
mod frame;
mod frequency;
mod scale;
mod sleep;
mod soft_start;
mod stall;
mod supply;
mod temperature;

pub(super) use curve::{speed, supply_current};
pub(super) use event::event;
pub(super) use frequency::{decode, frequency};
pub(super) use sleep::sleep;
pub(super) use soft_start::soft_start;
pub(super) use stall::stall;
pub(super) use supply::{dips, sweep};
pub(super) use temperature::temperature;

/// SVG text, or the sentence that stands in its place.
pub(super) type Plot = Result<String, String>;
