//! The curve as CSV: settled points in the order taken.

use std::fmt::Write as _;

use crate::results::{Direction, Document};

/// A text as a cell: line feeds become spaces, and what a spreadsheet would run as a formula is made text by a leading `'`.
#[must_use]
pub fn cell(text: &str) -> String {
    let text = text.replace(['\n', '\r'], " ");
    if text.starts_with(['=', '+', '-', '@', '\t']) { format!("'{text}") } else { text }
}

/// Header and one line per settled point; an empty field is "not measured". Numbers are in the unit of their column name.
#[must_use]
pub fn curve_csv(document: &Document) -> String {
    let mut text =
        String::from("duty_pct,direction,speed_rpm,u_rpm,supply_a,output_v,supply_v,speed_ref_rpm,virtual\n");
    for point in &document.curve {
        let direction = match point.direction {
            Direction::Up => "up",
            Direction::Down => "down",
        };
        let _ = write!(text, "{:.3},{direction}", point.duty_pct);
        let fields = [
            (point.speed_rpm, 2),
            (point.u_rpm, 3),
            (point.supply_a, 4),
            (point.output_v, 4),
            (point.supply_v, 4),
            (point.speed_ref_rpm, 2),
        ];
        for (value, decimals) in fields {
            text.push(',');
            if let Some(value) = value.filter(|v| v.is_finite()) {
                let _ = write!(text, "{value:.decimals$}");
            }
        }
        // Every surface says when the virtual bench made it; a column does so without a line that other tools stumble on.
        let _ = writeln!(text, ",{}", u8::from(document.is_virtual));
    }
    text
}
