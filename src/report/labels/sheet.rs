//! Sheets of labels as they are sold: how many, how large, where on the page.

/// A sheet. Lengths in millimetres from the left and top edge of the page.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Layout {
    /// Name on the command line.
    pub name: &'static str,
    /// Width and height of the page.
    pub page_mm: (f64, f64),
    /// Labels across.
    pub columns: usize,
    /// Labels down.
    pub rows: usize,
    /// Width and height of a label.
    pub size_mm: (f64, f64),
    /// Left and top edge of the first label.
    pub first_mm: (f64, f64),
    /// From one label to the next, across and down.
    pub pitch_mm: (f64, f64),
}

const A4: (f64, f64) = (210.0, 297.0);

/// All sheets, by labels a page.
pub const LAYOUTS: [Layout; 5] = [
    Layout {
        name: "a4-65",
        page_mm: A4,
        columns: 5,
        rows: 13,
        size_mm: (38.1, 21.2),
        first_mm: (4.75, 10.7),
        pitch_mm: (40.6, 21.2),
    },
    Layout {
        name: "a4-24",
        page_mm: A4,
        columns: 3,
        rows: 8,
        size_mm: (70.0, 37.0),
        first_mm: (0.0, 0.5),
        pitch_mm: (70.0, 37.0),
    },
    Layout {
        name: "a4-21",
        page_mm: A4,
        columns: 3,
        rows: 7,
        size_mm: (63.5, 38.1),
        first_mm: (7.2, 15.15),
        pitch_mm: (66.04, 38.1),
    },
    Layout {
        name: "a4-10",
        page_mm: A4,
        columns: 2,
        rows: 5,
        size_mm: (99.1, 57.0),
        first_mm: (4.65, 6.0),
        pitch_mm: (101.6, 57.0),
    },
    Layout {
        name: "a4-8",
        page_mm: A4,
        columns: 2,
        rows: 4,
        size_mm: (99.1, 67.7),
        first_mm: (4.65, 13.1),
        pitch_mm: (101.6, 67.7),
    },
];

impl Layout {
    /// The sheet of that name.
    #[must_use]
    pub fn named(name: &str) -> Option<&'static Self> {
        LAYOUTS.iter().find(|layout| layout.name == name)
    }

    /// Left and top edge of the label at `place`, row by row.
    #[expect(clippy::cast_precision_loss, reason = "some dozen labels")]
    pub(super) fn place(&self, place: usize) -> (f64, f64) {
        let (column, row) = ((place % self.columns) as f64, (place / self.columns) as f64);
        (self.first_mm.0 + column * self.pitch_mm.0, self.first_mm.1 + row * self.pitch_mm.1)
    }
}
