//! A QR code as black boxes.

use qrcode::{Color, EcLevel, QrCode};

use super::ink::Canvas;

/// Light modules around a code that readers need (ISO/IEC 18004, 7.3.8).
const QUIET: usize = 4;

/// Draws the code of `text` into the square with its left top at (`x`, `y`) and this side, quiet zone included.
/// Level M: a fifteenth of the code may be dirty.
///
/// # Errors
/// A text too long for any code.
pub(super) fn draw(canvas: &mut Canvas<'_>, text: &str, (x, y): (f64, f64), side: f64) -> Result<(), String> {
    let code = QrCode::with_error_correction_level(text, EcLevel::M)
        .map_err(|error| format!("tag `{text}` does not fit a QR code: {error}"))?;
    let modules = code.width();
    #[expect(clippy::cast_precision_loss, reason = "at most 185 modules")]
    let pitch = side / (modules + 2 * QUIET) as f64;
    #[expect(clippy::cast_precision_loss, reason = "at most 185 modules")]
    let at = |module: usize| pitch * (module + QUIET) as f64;
    for (row, colours) in code.to_colors().chunks(modules).enumerate() {
        // Neighbours in one box: thin light seams between boxes would disturb readers.
        let mut column = 0;
        while column < modules {
            let dark = colours[column..].iter().take_while(|colour| **colour == Color::Dark).count();
            if dark > 0 {
                let wide = at(column + dark) - at(column);
                canvas.filled([x + at(column), y + at(row), wide, pitch]);
            }
            column += dark.max(1);
        }
    }
    Ok(())
}
