//! Labels on sheets: a unit's tag with its QR code, and the label that goes onto a tested unit.
//!
//! A label is drawn once, in millimetres, and written as SVG (one text per page) or as one PDF. The QR code holds the
//! tag and nothing else, so that a scanner types what a person would.

mod ink;
mod pdf;
mod qr;
mod result;
mod sheet;
mod svg;
mod tag;

pub use ink::Page;
pub use pdf::pdf;
pub use result::{NoLabel, ResultLabel};
pub use sheet::{LAYOUTS, Layout};
pub use svg::svg;
pub use tag::TagLabel;

use ink::Canvas;

/// Something that fits on a label.
pub trait Label {
    /// Draws itself on a label of the canvas's size.
    ///
    /// # Errors
    /// Why it cannot be drawn, such as a tag too long for a QR code.
    fn draw(&self, canvas: &mut Canvas<'_>) -> Result<(), String>;
}

/// Lays labels out on pages, the first at place `first` of the first page (from 0), row by row.
///
/// # Errors
/// The first label that cannot be drawn.
pub fn lay_out(labels: &[&dyn Label], layout: &Layout, first: usize) -> Result<Vec<Page>, String> {
    let per_page = layout.columns * layout.rows;
    let mut pages = Vec::new();
    for (index, label) in labels.iter().enumerate() {
        let place = first % per_page + index;
        if place / per_page >= pages.len() {
            pages.push(Page::new(layout.page_mm));
        }
        let page: &mut Page = &mut pages[place / per_page];
        let mut canvas = Canvas::new(page, layout.place(place % per_page), layout.size_mm);
        label.draw(&mut canvas)?;
    }
    Ok(pages)
}

#[cfg(test)]
mod tests;
