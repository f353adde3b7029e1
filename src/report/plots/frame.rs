//! The frame that all plots share: size, fonts, axes with units, legend above the data, colours.

use plotters::coord::Shift;
use plotters::prelude::{
    Circle, Color, DrawingArea, DrawingAreaErrorKind, IntoDrawingArea, IntoFont, PathElement, Polygon, RGBColor,
    Rectangle, SVGBackend, ShapeStyle, Text, TextStyle, WHITE,
};
use plotters::style::FontTransform;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::scale::Scale;

/// Width of every plot in its own units; pages scale it to their column, about half of it in pixels. Twice the
/// pixels make the backend's whole-number coordinates fine enough.
pub(super) const WIDTH: i32 = 1520;
/// Left edge of the data.
const LEFT: i32 = 150;
/// Right edge of the data.
const RIGHT: i32 = WIDTH - 40;
/// Room under the data for ticks and title.
const BELOW: i32 = 104;
/// Size of tick labels; the backend writes it divided by 1.24, so that 14.5 px are left at half scale.
const LABEL: i32 = 36;
/// Size of axis titles.
const TITLE: i32 = 38;
/// Height of a line of mark names.
const ROW: i32 = 40;
/// Line width of data.
const LINE: u32 = 4;

pub(super) const BLACK: RGBColor = RGBColor(0, 0, 0);
pub(super) const BLUE: RGBColor = RGBColor(0, 114, 178);
pub(super) const VERMILLION: RGBColor = RGBColor(213, 94, 0);
pub(super) const GREEN: RGBColor = RGBColor(0, 158, 115);
const GRID: RGBColor = RGBColor(215, 215, 215);

/// A drawing area of ours.
pub(super) type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;
/// Result of drawing.
pub(super) type Drawn = Result<(), DrawingAreaErrorKind<std::io::Error>>;

/// How a series is drawn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Look {
    /// Line.
    Line,
    /// Line with filled circles.
    Circles,
    /// Line with hollow triangles.
    Triangles,
    /// Dashed line: a mark, not data.
    Dashed,
    /// Filled band.
    Band,
}

/// An entry of the legend.
pub(super) struct Key {
    look: Look,
    colour: RGBColor,
    text: String,
}

impl Key {
    pub(super) fn new(look: Look, colour: RGBColor, text: impl Into<String>) -> Self {
        Self { look, colour, text: text.into() }
    }
}

/// Runs `draw` on a white area of this height and returns the SVG text.
pub(super) fn svg(height: i32, draw: impl FnOnce(&Area<'_>) -> Drawn) -> Result<String, String> {
    let mut text = String::new();
    let drawn = {
        let size = (WIDTH.unsigned_abs(), height.unsigned_abs());
        let area = SVGBackend::with_string(&mut text, size).into_drawing_area();
        area.fill(&WHITE).and_then(|()| draw(&area)).and_then(|()| area.present())
    };
    drawn.map(|()| text).map_err(|error| format!("This plot could not be drawn: {error}."))
}

fn font(size: i32, horizontal: HPos, vertical: VPos) -> TextStyle<'static> {
    TextStyle::from(("sans-serif", size).into_font()).color(&BLACK).pos(Pos::new(horizontal, vertical))
}

fn stroke(colour: RGBColor, width: u32) -> ShapeStyle {
    ShapeStyle { color: colour.to_rgba(), filled: false, stroke_width: width }
}

/// Width of a text at label size: sans-serif letters are about half as wide as high.
fn text_width(text: &str) -> i32 {
    i32::try_from(text.chars().count()).unwrap_or(0) * LABEL * 45 / 100
}

/// Draws the legend along the top, over a second line if need be, and returns where it ends.
pub(super) fn legend(area: &Area<'_>, keys: &[Key]) -> Result<i32, DrawingAreaErrorKind<std::io::Error>> {
    let (mut x, mut y) = (LEFT, 28);
    for key in keys {
        let wide = 70 + text_width(&key.text);
        if x > LEFT && x + wide > WIDTH {
            (x, y) = (LEFT, y + 44);
        }
        draw_key(area, key, (x, y))?;
        area.draw(&Text::new(key.text.clone(), (x + 68, y), font(LABEL, HPos::Left, VPos::Center)))?;
        x += wide + 34;
    }
    Ok(y + 34)
}

fn draw_key(area: &Area<'_>, key: &Key, (x, y): (i32, i32)) -> Drawn {
    let line = PathElement::new([(x, y), (x + 56, y)], stroke(key.colour, LINE));
    match key.look {
        Look::Line => area.draw(&line),
        Look::Circles => {
            area.draw(&line)?;
            area.draw(&Circle::new((x + 28, y), 8, key.colour.filled()))
        }
        Look::Triangles => {
            area.draw(&line)?;
            area.draw(&triangle((x + 28, y), key.colour))
        }
        Look::Dashed => dashed(area, (x, y), (x + 56, y), key.colour),
        Look::Band => area.draw(&Rectangle::new([(x, y - 10), (x + 56, y + 10)], key.colour.mix(0.25).filled())),
    }
}

/// A hollow triangle, wide enough to be seen around a filled circle at the same place.
fn triangle((x, y): (i32, i32), colour: RGBColor) -> PathElement<(i32, i32)> {
    PathElement::new([(x - 14, y + 11), (x + 14, y + 11), (x, y - 15), (x - 14, y + 11)], stroke(colour, 3))
}

/// A straight dashed line between two pixels.
fn dashed(area: &Area<'_>, from: (i32, i32), to: (i32, i32), colour: RGBColor) -> Drawn {
    let length = f64::from(to.0 - from.0).hypot(f64::from(to.1 - from.1));
    let at = |along: f64| {
        let share = (along / length.max(1.0)).min(1.0);
        let part = |a: i32, b: i32| pixel(f64::from(a) + share * f64::from(b - a));
        (part(from.0, to.0), part(from.1, to.1))
    };
    let mut along = 0.0;
    while along < length {
        area.draw(&PathElement::new([at(along), at(along + 14.0)], stroke(colour, 3)))?;
        along += 24.0;
    }
    Ok(())
}

#[expect(clippy::cast_possible_truncation, reason = "pixels of a drawing some thousand wide")]
fn pixel(position: f64) -> i32 {
    position.round() as i32
}

/// A pair of axes on part of a drawing.
pub(super) struct Panel<'p, 'a> {
    area: &'p Area<'a>,
    strip: i32,
    top: i32,
    bottom: i32,
    x: Scale,
    y: Scale,
}

/// Whether an axis is named, or shares its name with the panel below.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Across<'t> {
    /// Ticks, labels and this title.
    Titled(&'t str),
    /// Ticks only.
    Shared,
}

impl<'p, 'a> Panel<'p, 'a> {
    /// A panel from `top` to `bottom` with its axes drawn; `bottom` includes the room for a titled axis. Above the data
    /// `rows` lines are kept free for the names of marks, so that no name covers data.
    pub(super) fn new(
        area: &'p Area<'a>,
        (top, bottom): (i32, i32),
        rows: i32,
        (x, y): (Scale, Scale),
        (across, up): (Across<'_>, &str),
    ) -> Result<Self, DrawingAreaErrorKind<std::io::Error>> {
        let below = if across == Across::Shared { 26 } else { BELOW };
        let panel = Self { area, strip: top, top: top + 18 + ROW * rows, bottom: bottom - below, x, y };
        panel.grid(across)?;
        panel.titles(across, up, panel.top.midpoint(panel.bottom))?;
        Ok(panel)
    }

    fn grid(&self, across: Across<'_>) -> Drawn {
        for value in self.x.ticks(10) {
            let Some(x) = self.at_x(value) else { continue };
            self.area.draw(&PathElement::new([(x, self.top), (x, self.bottom)], stroke(GRID, 2)))?;
            self.area.draw(&PathElement::new([(x, self.bottom), (x, self.bottom + 8)], stroke(BLACK, 2)))?;
            if across != Across::Shared {
                let style = font(LABEL, HPos::Center, VPos::Top);
                self.area.draw(&Text::new(tick(value), (x, self.bottom + 14), style))?;
            }
        }
        let room = u32::try_from((self.bottom - self.top) / 70).unwrap_or(2).clamp(2, 6);
        for value in self.y.ticks(room) {
            let Some(y) = self.at_y(value) else { continue };
            self.area.draw(&PathElement::new([(LEFT, y), (RIGHT, y)], stroke(GRID, 2)))?;
            self.area.draw(&PathElement::new([(LEFT - 8, y), (LEFT, y)], stroke(BLACK, 2)))?;
            self.area.draw(&Text::new(tick(value), (LEFT - 14, y), font(LABEL, HPos::Right, VPos::Center)))?;
        }
        let frame = [(LEFT, self.top), (LEFT, self.bottom), (RIGHT, self.bottom)];
        self.area.draw(&PathElement::new(frame, stroke(BLACK, 3)))
    }

    fn titles(&self, across: Across<'_>, up: &str, middle: i32) -> Drawn {
        if let Across::Titled(title) = across {
            let at = (LEFT.midpoint(RIGHT), self.bottom + 60);
            self.area.draw(&Text::new(title.to_owned(), at, font(TITLE, HPos::Center, VPos::Top)))?;
        }
        let turned = ("sans-serif", TITLE).into_font().transform(FontTransform::Rotate270);
        let style = TextStyle::from(turned).color(&BLACK).pos(Pos::new(HPos::Center, VPos::Top));
        self.area.draw(&Text::new(up.to_owned(), (4, middle), style))
    }

    fn at_x(&self, value: f64) -> Option<i32> {
        Some(LEFT + pixel(self.x.position(value)? * f64::from(RIGHT - LEFT)))
    }

    fn at_y(&self, value: f64) -> Option<i32> {
        Some(self.bottom - pixel(self.y.position(value)? * f64::from(self.bottom - self.top)))
    }

    fn at(&self, (x, y): (f64, f64)) -> Option<(i32, i32)> {
        Some((self.at_x(x)?, self.at_y(y)?))
    }

    /// A line through the points; what has no place on the axes breaks it.
    pub(super) fn line(&self, points: &[(f64, f64)], colour: RGBColor) -> Drawn {
        for run in points.split(|point| self.at(*point).is_none()).filter(|run| !run.is_empty()) {
            let mut pixels: Vec<(i32, i32)> = run.iter().filter_map(|point| self.at(*point)).collect();
            pixels.dedup();
            self.area.draw(&PathElement::new(pixels, stroke(colour, LINE)))?;
        }
        Ok(())
    }

    /// A line through the points with every third piece left out.
    pub(super) fn dashed_line(&self, points: &[(f64, f64)], colour: RGBColor) -> Drawn {
        let size = (points.len() / 40).max(2);
        for piece in points.chunks(size + size / 2 + 1) {
            self.line(&piece[..piece.len().min(size)], colour)?;
        }
        Ok(())
    }

    /// Line and markers.
    pub(super) fn series(&self, points: &[(f64, f64)], look: Look, colour: RGBColor) -> Drawn {
        self.line(points, colour)?;
        self.markers(points, look, colour)
    }

    /// Markers alone.
    pub(super) fn markers(&self, points: &[(f64, f64)], look: Look, colour: RGBColor) -> Drawn {
        for at in points.iter().filter_map(|point| self.at(*point)) {
            match look {
                Look::Circles => self.area.draw(&Circle::new(at, 8, colour.filled()))?,
                Look::Triangles => self.area.draw(&triangle(at, colour))?,
                Look::Line | Look::Dashed | Look::Band => {}
            }
        }
        Ok(())
    }

    /// Band between lower and upper edge at each place, `(x, lower, upper)`.
    pub(super) fn band(&self, edges: &[(f64, f64, f64)], colour: RGBColor) -> Drawn {
        let lower = edges.iter().filter_map(|(x, low, _)| self.at((*x, *low)));
        let upper = edges.iter().rev().filter_map(|(x, _, high)| self.at((*x, *high)));
        let outline: Vec<(i32, i32)> = lower.chain(upper).collect();
        if outline.len() < 3 {
            return Ok(());
        }
        self.area.draw(&Polygon::new(outline, colour.mix(0.25).filled()))
    }

    /// Upright dashed mark, its name above the data in line `row`. Marks that may stand close together take lines of
    /// their own, the leftmost the uppermost. Off the axis nothing is drawn.
    pub(super) fn mark_x(&self, value: f64, name: &str, row: i32) -> Drawn {
        let Some(x) = self.at_x(value).filter(|_| self.x.holds(value)) else { return Ok(()) };
        let y = self.strip + 20 + ROW * row;
        dashed(self.area, (x, y - 16), (x, self.bottom), BLACK)?;
        let (x, side) = if x + 12 + text_width(name) > WIDTH { (x - 10, HPos::Right) } else { (x + 10, HPos::Left) };
        self.area.draw(&Text::new(name.to_owned(), (x, y), font(LABEL, side, VPos::Center)))
    }

    /// Level dashed mark, its name above the data at the right end of line `row`.
    pub(super) fn mark_y(&self, value: f64, name: &str, row: i32) -> Drawn {
        let Some(y) = self.at_y(value).filter(|_| self.y.holds(value)) else { return Ok(()) };
        dashed(self.area, (LEFT, y), (RIGHT, y), BLACK)?;
        let at = (RIGHT, self.strip + 20 + ROW * row);
        self.area.draw(&Text::new(name.to_owned(), at, font(LABEL, HPos::Right, VPos::Center)))
    }
}

/// Tick text without trailing zeros; a tick of -0 is 0.
fn tick(value: f64) -> String {
    let text = crate::units::significant(value, 6);
    if text == "-0" { "0".to_owned() } else { text }
}
