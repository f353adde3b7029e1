//! Pages of labels as one PDF, true to size, in the faces that every reader has.

use pdf_writer::{Content, Name, Pdf, Rect, Ref, Str};

use super::ink::{Ink, Page};

const POINTS_PER_MM: f32 = 72.0 / 25.4;
const REGULAR: Name<'_> = Name(b"F1");
const BOLD: Name<'_> = Name(b"F2");

/// The whole file. Letters outside the western European set of those faces become `?`; the SVG pages keep them.
#[must_use]
pub fn pdf(pages: &[Page]) -> Vec<u8> {
    let mut ids = (1..).map(Ref::new);
    let mut next = || ids.next().unwrap_or(Ref::new(1));
    let (catalog, tree, regular, bold) = (next(), next(), next(), next());
    let page_ids: Vec<(Ref, Ref)> = pages.iter().map(|_| (next(), next())).collect();
    let mut pdf = Pdf::new();
    pdf.catalog(catalog).pages(tree);
    let count = i32::try_from(pages.len()).unwrap_or(i32::MAX);
    pdf.pages(tree).kids(page_ids.iter().map(|ids| ids.0)).count(count);
    for (id, face) in [(regular, &b"Helvetica"[..]), (bold, &b"Helvetica-Bold"[..])] {
        pdf.type1_font(id).base_font(Name(face)).encoding_predefined(Name(b"WinAnsiEncoding"));
    }
    for (page, (id, content)) in pages.iter().zip(&page_ids) {
        let (width, height) = (points(page.size_mm.0), points(page.size_mm.1));
        {
            let mut written = pdf.page(*id);
            written.media_box(Rect::new(0.0, 0.0, width, height)).parent(tree).contents(*content);
            let mut resources = written.resources();
            resources.fonts().pair(REGULAR, regular).pair(BOLD, bold);
        }
        pdf.stream(*content, &drawn(page, height));
    }
    pdf.finish()
}

fn drawn(page: &Page, height: f32) -> Vec<u8> {
    let mut content = Content::new();
    content.set_line_width(0.4);
    for ink in &page.inks {
        match ink {
            Ink::Filled(place) => {
                let [x, y, w, h] = placed(*place, height);
                content.rect(x, y, w, h).fill_nonzero();
            }
            Ink::Frame(place) => {
                let [x, y, w, h] = placed(*place, height);
                content.rect(x, y, w, h).stroke();
            }
            Ink::Text { at, size, bold, text } => {
                content.begin_text();
                content.set_font(if *bold { BOLD } else { REGULAR }, points(*size));
                content.next_line(points(at.0), height - points(at.1));
                content.show(Str(&western(text)));
                content.end_text();
            }
        }
    }
    content.finish().to_vec()
}

/// From the top left in millimetres to the bottom left in points.
fn placed([x, y, w, h]: [f64; 4], height: f32) -> [f32; 4] {
    [points(x), height - points(y + h), points(w), points(h)]
}

#[expect(clippy::cast_possible_truncation, reason = "a page, to the micrometre")]
fn points(mm: f64) -> f32 {
    mm as f32 * POINTS_PER_MM
}

/// Bytes of the faces' encoding.
fn western(text: &str) -> Vec<u8> {
    let byte = |letter: char| match letter {
        '€' => 0x80,
        '…' => 0x85,
        '‘' => 0x91,
        '’' => 0x92,
        '“' => 0x93,
        '”' => 0x94,
        '–' => 0x96,
        '—' => 0x97,
        'μ' => 0xB5,
        ' '..='~' | '\u{a0}'..='ÿ' => u8::try_from(letter).unwrap_or(b'?'),
        _ => b'?',
    };
    text.chars().map(byte).collect()
}
