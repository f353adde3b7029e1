//! Panels of readings as SVG text: what the gauge study and the charts of a check unit are drawn with.

use std::fmt::Write as _;

use crate::units::significant;

const WIDTH: f64 = 900.0;
pub(super) const PANEL: f64 = 300.0;
pub(super) const LEFT: f64 = 96.0;
pub(super) const RIGHT: f64 = WIDTH - 24.0;
/// Colours and marks of the groups of readings; both differ, so that colour is never all there is.
const MARKS: [(&str, &str); 6] = [
    ("#0072b2", "circle"),
    ("#d55e00", "triangle"),
    ("#009e73", "square"),
    ("#cc79a7", "diamond"),
    ("#000000", "cross"),
    ("#e69f00", "ring"),
];

/// The begin of a drawing, on white; it ends with `</svg>`.
pub(super) fn open(height: f64, what: &str) -> String {
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH:.0} {height:.0}\" width=\"{WIDTH:.0}\" \
         height=\"{height:.0}\" font-family=\"sans-serif\" font-size=\"13\" role=\"img\" aria-label=\"{what}\">\
         <rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>"
    )
}

/// Lines across at round values, with the values beside them.
pub(super) fn grid(svg: &mut String, (low, high): (f64, f64), y: impl Fn(f64) -> f64) {
    let step = nice_step((high - low) / 4.0);
    let first = (low / step).ceil() * step;
    for value in (0..8).map(|tick| first + step * f64::from(tick)).take_while(|value| *value <= high) {
        rule(svg, (LEFT, y(value)), (RIGHT, y(value)), "#ddd", "");
        label(svg, (LEFT - 8.0, y(value) + 4.0), "end", &significant(value, 4));
    }
}

/// The next step of 1, 2 or 5 times a power of ten.
fn nice_step(about: f64) -> f64 {
    let ten = 10.0_f64.powf(about.max(f64::MIN_POSITIVE).log10().floor());
    [1.0, 2.0, 5.0].map(|times| times * ten).into_iter().find(|step| *step >= about).unwrap_or(10.0 * ten)
}

pub(super) fn rule(svg: &mut String, (x1, y1): (f64, f64), (x2, y2): (f64, f64), colour: &str, dashes: &str) {
    let dashes = if dashes.is_empty() { String::new() } else { format!(" stroke-dasharray=\"{dashes}\"") };
    let _ = write!(svg, "<path d=\"M{x1:.1} {y1:.1}L{x2:.1} {y2:.1}\" stroke=\"{colour}\"{dashes}/>");
}

pub(super) fn label(svg: &mut String, (x, y): (f64, f64), anchor: &str, text: &str) {
    let text = text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;");
    let _ = write!(svg, "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\">{text}</text>");
}

pub(super) fn mark(svg: &mut String, group: usize, (x, y): (f64, f64)) {
    let (colour, shape) = MARKS[group % MARKS.len()];
    let path = match shape {
        "circle" => format!("M{:.1} {y:.1}a4.5 4.5 0 1 0 9 0a4.5 4.5 0 1 0 -9 0", x - 4.5),
        "ring" => {
            let _ = write!(
                svg,
                "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"4\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"2\"/>"
            );
            return;
        }
        "triangle" => format!("M{x:.1} {:.1}l5 9h-10z", y - 5.0),
        "square" => format!("M{:.1} {:.1}h8v8h-8z", x - 4.0, y - 4.0),
        "diamond" => format!("M{x:.1} {:.1}l5 5l-5 5l-5 -5z", y - 5.0),
        _ => {
            let _ = write!(
                svg,
                "<path d=\"M{:.1} {:.1}l8 8m0 -8l-8 8\" stroke=\"{colour}\" stroke-width=\"2\"/>",
                x - 4.0,
                y - 4.0
            );
            return;
        }
    };
    let _ = write!(svg, "<path d=\"{path}\" fill=\"{colour}\" fill-opacity=\"0.8\"/>");
}
