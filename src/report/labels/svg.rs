//! A page of labels as SVG, true to size.

use std::fmt::Write as _;

use super::ink::{Ink, Page};

/// SVG text of a page; a user unit is a millimetre.
#[must_use]
pub fn svg(page: &Page) -> String {
    let (width, height) = page.size_mm;
    let mut text = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}mm\" height=\"{height}mm\" \
         viewBox=\"0 0 {width} {height}\" font-family=\"Helvetica, Arial, 'Liberation Sans', sans-serif\">\n\
         <rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>\n"
    );
    for ink in &page.inks {
        // Writing to a `String` cannot fail.
        let _ = match ink {
            Ink::Filled([x, y, w, h]) => {
                writeln!(text, "<rect x=\"{x:.3}\" y=\"{y:.3}\" width=\"{w:.3}\" height=\"{h:.3}\"/>")
            }
            Ink::Frame([x, y, w, h]) => writeln!(
                text,
                "<rect x=\"{x:.3}\" y=\"{y:.3}\" width=\"{w:.3}\" height=\"{h:.3}\" fill=\"none\" stroke=\"#000\" \
                 stroke-width=\"0.15\"/>"
            ),
            Ink::Text { at: (x, y), size, bold, text: words } => {
                let weight = if *bold { " font-weight=\"bold\"" } else { "" };
                let words = escaped(words);
                writeln!(text, "<text x=\"{x:.3}\" y=\"{y:.3}\" font-size=\"{size:.3}\"{weight}>{words}</text>")
            }
        };
    }
    text.push_str("</svg>\n");
    text
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}
