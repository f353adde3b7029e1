//! Speed and supply current over command duty, rising and falling.

use plotters::prelude::RGBColor;

use super::Plot;
use super::frame::{Across, BLACK, BLUE, Drawn, Key, Look, Panel, VERMILLION, legend, svg};
use super::scale::Scale;
use crate::results::{CurvePoint, Direction, Document, Measured, ResultName};

/// Heights of the two plots: both and the top of the report fit a page.
const SPEED: i32 = 640;
const CURRENT: i32 = 500;
const RISING: (Look, RGBColor) = (Look::Circles, BLUE);
const FALLING: (Look, RGBColor) = (Look::Triangles, VERMILLION);

/// Settled speed over duty with its 95 % band; start, stop and saturation marked.
pub(in crate::report) fn speed(document: &Document) -> Plot {
    let rising = points(&document.curve, Direction::Up, |p| p.speed_rpm);
    let falling = points(&document.curve, Direction::Down, |p| p.speed_rpm);
    let highest = highest(&rising, &falling).ok_or("No settled speeds were measured, so there is no speed curve.")?;
    svg(SPEED, |area| {
        let mut keys = directions(&rising, &falling);
        keys.push(Key::new(Look::Band, BLUE, "95 % band"));
        keys.push(Key::new(Look::Dashed, BLACK, "start, stop, flat out"));
        let top = legend(area, &keys)?;
        let scales = (Scale::exact(0.0, 100.0), Scale::round(0.0, highest));
        let axes = (Across::Titled("command duty (%)"), "speed (rpm)");
        let panel = Panel::new(area, (top, SPEED), 2, scales, axes)?;
        panel.band(&band(&document.curve, Direction::Up), BLUE)?;
        panel.band(&band(&document.curve, Direction::Down), VERMILLION)?;
        marks(&panel, document)?;
        panel.series(&falling, FALLING.0, FALLING.1)?;
        panel.series(&rising, RISING.0, RISING.1)
    })
}

/// Settled supply current over duty.
pub(in crate::report) fn supply_current(document: &Document) -> Plot {
    let rising = points(&document.curve, Direction::Up, |p| p.supply_a);
    let falling = points(&document.curve, Direction::Down, |p| p.supply_a);
    let highest =
        highest(&rising, &falling).ok_or("No settled supply currents were measured, so there is no current curve.")?;
    svg(CURRENT, |area| {
        let top = legend(area, &directions(&rising, &falling))?;
        let scales = (Scale::exact(0.0, 100.0), Scale::round(0.0, highest));
        let axes = (Across::Titled("command duty (%)"), "supply current (A)");
        let panel = Panel::new(area, (top, CURRENT), 0, scales, axes)?;
        panel.series(&falling, FALLING.0, FALLING.1)?;
        panel.series(&rising, RISING.0, RISING.1)
    })
}

/// Start, stop and saturation as upright marks, each name on its own line.
fn marks(panel: &Panel<'_, '_>, document: &Document) -> Drawn {
    let number = |name| document.results.get(&name).and_then(Measured::plain_number);
    let marks = [
        (ResultName::StopDutyPct, "stop", 0),
        (ResultName::StartDutyPct, "start", 1),
        (ResultName::SaturationDutyPct, "flat out", 0),
    ];
    for (name, word, row) in marks {
        if let Some(duty) = number(name) {
            panel.mark_x(duty, &format!("{word} {duty:.1} %"), row)?;
        }
    }
    Ok(())
}

fn directions(rising: &[(f64, f64)], falling: &[(f64, f64)]) -> Vec<Key> {
    let mut keys = Vec::new();
    if !rising.is_empty() {
        keys.push(Key::new(RISING.0, RISING.1, "rising"));
    }
    if !falling.is_empty() {
        keys.push(Key::new(FALLING.0, FALLING.1, "falling"));
    }
    keys
}

/// Points of one direction, by duty.
fn points(curve: &[CurvePoint], direction: Direction, of: impl Fn(&CurvePoint) -> Option<f64>) -> Vec<(f64, f64)> {
    let mut points: Vec<(f64, f64)> = curve
        .iter()
        .filter(|point| point.direction == direction)
        .filter_map(|point| Some((point.duty_pct, of(point)?)))
        .filter(|point| point.0.is_finite() && point.1.is_finite())
        .collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    points
}

/// Edges of the 95 % band (two standard uncertainties).
fn band(curve: &[CurvePoint], direction: Direction) -> Vec<(f64, f64, f64)> {
    let of = |point: &CurvePoint| Some((point.duty_pct, point.speed_rpm?, point.u_rpm?));
    let mut edges: Vec<(f64, f64, f64)> = curve
        .iter()
        .filter(|point| point.direction == direction)
        .filter_map(of)
        .map(|(duty, rpm, u)| (duty, (rpm - 2.0 * u).max(0.0), rpm + 2.0 * u))
        .collect();
    edges.sort_by(|a, b| a.0.total_cmp(&b.0));
    edges
}

fn highest(rising: &[(f64, f64)], falling: &[(f64, f64)]) -> Option<f64> {
    rising.iter().chain(falling).map(|point| point.1).reduce(f64::max)
}
