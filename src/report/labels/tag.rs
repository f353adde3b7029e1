//! The label of a unit's tag, stuck on at intake.

use super::Label;
use super::ink::{Canvas, Room};
use super::qr;

/// Tag in large letters beside its QR code, and up to two lines of where it belongs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TagLabel {
    /// The tag.
    pub tag: String,
    /// Such as the batch.
    pub first: String,
    /// Such as the shelf.
    pub second: String,
}

impl Label for TagLabel {
    fn draw(&self, canvas: &mut Canvas<'_>) -> Result<(), String> {
        let (width, height) = canvas.size;
        let side = (height - 2.0).min(0.46 * width);
        qr::draw(canvas, &self.tag, (1.0, (height - side) / 2.0), side)?;
        let x = side + 1.5;
        let room = |y| Room { x, y, width: width - x - 1.5 };
        let large = (0.22 * height).min(7.5);
        canvas.line(room(0.46 * height), large, true, &self.tag);
        let small = (0.11 * height).clamp(2.2, 3.6);
        canvas.line(room(0.46 * height + 1.9 * small), small, false, &self.first);
        canvas.line(room(0.46 * height + 3.3 * small), small, false, &self.second);
        Ok(())
    }
}
