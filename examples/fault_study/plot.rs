//! The reliability plot: how often the fault was there, by the strength of its sign.

use plotters::prelude::{Circle, Color, IntoDrawingArea, LineSeries, PathElement, RGBColor, SVGBackend, WHITE};
use plotters::style::{IntoFont, ShapeStyle};

use super::count::{Unit, bins, claims};

const SIZE: (u32, u32) = (760, 620);
const BLUE: RGBColor = RGBColor(0, 114, 178);
const GREY: RGBColor = RGBColor(120, 120, 120);

/// The plot as SVG.
pub(crate) fn reliability(units: &[Unit]) -> Result<String, Box<dyn std::error::Error>> {
    let mut text = String::new();
    {
        let area = SVGBackend::with_string(&mut text, SIZE).into_drawing_area();
        area.fill(&WHITE)?;
        let mut chart = plotters::chart::ChartBuilder::on(&area)
            .margin(20)
            .x_label_area_size(56)
            .y_label_area_size(72)
            .build_cartesian_2d(0.0..1.0, 0.0..1.0)?;
        chart
            .configure_mesh()
            .x_desc("strength of the sign")
            .y_desc("share of signs whose fault was there")
            .label_style(("sans-serif", 19).into_font())
            .axis_desc_style(("sans-serif", 21).into_font())
            .light_line_style(WHITE)
            .draw()?;
        chart.draw_series(LineSeries::new([(0.0, 0.0), (1.0, 1.0)], ShapeStyle::from(GREY).stroke_width(2)))?;
        let bins = bins(&claims(units));
        chart.draw_series(bins.iter().map(|bin| {
            let (low, high) = bin.share.interval();
            PathElement::new(vec![(bin.strength, low), (bin.strength, high)], ShapeStyle::from(BLUE).stroke_width(2))
        }))?;
        chart
            .draw_series(bins.iter().map(|bin| {
                Circle::new((bin.strength, bin.share.hits as f64 / bin.share.n as f64), 6, BLUE.filled())
            }))?;
        area.present()?;
    }
    Ok(text)
}
