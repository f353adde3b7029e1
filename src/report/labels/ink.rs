//! What is on a page: boxes, frames and text, in millimetres from its left and top edge.

/// A mark on a page.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Ink {
    /// A black box: left, top, width, height.
    Filled([f64; 4]),
    /// A thin frame: left, top, width, height.
    Frame([f64; 4]),
    /// A line of text by its left end on the base line.
    Text { at: (f64, f64), size: f64, bold: bool, text: String },
}

/// A page.
#[derive(Clone, Debug, PartialEq)]
pub struct Page {
    pub(super) size_mm: (f64, f64),
    pub(super) inks: Vec<Ink>,
}

impl Page {
    pub(super) const fn new(size_mm: (f64, f64)) -> Self {
        Self { size_mm, inks: Vec::new() }
    }
}

/// A label on a page; places are from its own left and top edge.
#[derive(Debug)]
pub struct Canvas<'p> {
    page: &'p mut Page,
    left_top: (f64, f64),
    /// Width and height, millimetres.
    pub(super) size: (f64, f64),
}

/// Left, top and width of a text.
#[derive(Clone, Copy, Debug)]
pub(super) struct Room {
    pub(super) x: f64,
    /// Base line.
    pub(super) y: f64,
    pub(super) width: f64,
}

impl<'p> Canvas<'p> {
    pub(super) const fn new(page: &'p mut Page, left_top: (f64, f64), size: (f64, f64)) -> Self {
        Self { page, left_top, size }
    }

    pub(super) fn filled(&mut self, [x, y, w, h]: [f64; 4]) {
        self.page.inks.push(Ink::Filled([self.left_top.0 + x, self.left_top.1 + y, w, h]));
    }

    pub(super) fn frame(&mut self, [x, y, w, h]: [f64; 4]) {
        self.page.inks.push(Ink::Frame([self.left_top.0 + x, self.left_top.1 + y, w, h]));
    }

    /// A line of text at most `size` high that shrinks, to 60 % at the least, and is then cut to fit its room.
    pub(super) fn line(&mut self, room: Room, size: f64, bold: bool, text: &str) {
        let wide = width(text, size, bold);
        let size = if wide > room.width { size * (room.width / wide).max(0.6) } else { size };
        let text = cut(text, room.width, size, bold);
        let at = (self.left_top.0 + room.x, self.left_top.1 + room.y);
        self.page.inks.push(Ink::Text { at, size, bold, text });
    }

    /// Text over at most `lines` lines, `pitch` apart, broken between words; what does not fit is cut.
    pub(super) fn lines(&mut self, room: Room, size: f64, pitch: f64, lines: usize, text: &str) {
        let mut rest = text.trim();
        let mut y = room.y;
        for line in 0..lines {
            if rest.is_empty() {
                return;
            }
            let end = if line + 1 == lines { rest.len() } else { break_at(rest, room.width, size) };
            let (now, later) = rest.split_at(end);
            let text = cut(now.trim_end(), room.width, size, false);
            let at = (self.left_top.0 + room.x, self.left_top.1 + y);
            self.page.inks.push(Ink::Text { at, size, bold: false, text });
            rest = later.trim_start();
            y += pitch;
        }
    }
}

/// Byte after the last word that fits; at least one character.
fn break_at(text: &str, room: f64, size: f64) -> usize {
    if width(text, size, false) <= room {
        return text.len();
    }
    let mut best = None;
    for (at, _) in text.match_indices(' ') {
        if width(&text[..at], size, false) > room {
            break;
        }
        best = Some(at);
    }
    best.unwrap_or_else(|| {
        let fits = text.char_indices().skip(1).take_while(|(at, _)| width(&text[..*at], size, false) <= room);
        fits.last().map_or(text.len(), |(at, _)| at)
    })
}

/// The text, or as much of its begin as fits before an ellipsis.
fn cut(text: &str, room: f64, size: f64, bold: bool) -> String {
    // A hair of room: the width that a text was shrunk to is its room but for rounding.
    if width(text, size, bold) <= room + 1e-6 {
        return text.to_owned();
    }
    let mut kept = String::new();
    for letter in text.chars() {
        kept.push(letter);
        if width(&kept, size, bold) + width("…", size, bold) > room {
            kept.pop();
            break;
        }
    }
    format!("{}…", kept.trim_end())
}

/// About how wide a line is in a sans-serif face, in the unit of `size`; rather too wide than too narrow.
pub(super) fn width(text: &str, size: f64, bold: bool) -> f64 {
    let em: f64 = text.chars().map(letter_em).sum();
    size * em * if bold { 1.08 } else { 1.0 }
}

/// Widths of the usual sans-serif faces, in groups.
fn letter_em(letter: char) -> f64 {
    match letter {
        'i' | 'j' | 'l' | 'I' | '.' | ',' | ':' | ';' | '\'' | '|' | '!' | ' ' | '·' => 0.30,
        'f' | 't' | 'r' | '(' | ')' | '/' | '-' | '[' | ']' => 0.38,
        'm' | 'M' | 'W' | '%' | '…' | '—' => 1.0,
        'w' | 'O' | 'Q' | 'G' | 'D' | 'H' | 'N' | 'U' | 'C' => 0.80,
        'A'..='Z' => 0.72,
        _ => 0.58,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_text_is_broken_between_words_and_cut_at_the_end() {
        let mut page = Page::new((100.0, 50.0));
        let mut canvas = Canvas::new(&mut page, (10.0, 5.0), (40.0, 20.0));
        let text = "restricted to 18 A: no soak above that was carried, and the ambient was 22 °C all the time";
        canvas.lines(Room { x: 1.0, y: 4.0, width: 38.0 }, 2.5, 3.0, 2, text);
        canvas.line(Room { x: 1.0, y: 12.0, width: 6.0 }, 4.0, true, "TQ-0001-with-a-long-tail");
        let texts: Vec<&str> = page
            .inks
            .iter()
            .map(|ink| match ink {
                Ink::Text { text, .. } => text.as_str(),
                _ => "",
            })
            .collect();
        assert_eq!(texts.len(), 3);
        assert!(text.starts_with(texts[0]) && !texts[0].ends_with(' '), "{texts:?}");
        assert!(texts[1].ends_with('…') && texts[2].ends_with('…'), "{texts:?}");
        for ink in &page.inks {
            if let Ink::Text { at, size, bold, text } = ink {
                assert!(at.0 + width(text, *size, *bold) <= 49.0 + 1e-6, "{text}");
            }
        }
    }
}
