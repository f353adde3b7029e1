//! A straight line through the points of a calibration, with the uncertainties of its two numbers.
//!
//! Weighted least squares; where there are more points than two, the scatter about the line counts if it is larger
//! than the points' own uncertainties explain. What the reference itself may be off is common to all points and is
//! added to the line as a whole (JCGM 100:2008, 5.1 and H.3).

/// One point: what the reference said and what the channel read.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// Value of the reference, in the channel's unit.
    pub reference: f64,
    /// Mean reading of the channel.
    pub reading: f64,
    /// Standard uncertainty of that mean from its own scatter.
    pub reading_u: f64,
}

/// Standard uncertainties of the reference, common to all points.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ReferenceU {
    /// Of its gain, relative.
    pub relative: f64,
    /// Of its offset, in the channel's unit.
    pub offset: f64,
}

/// value = gain * reading + offset.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Factor on the reading.
    pub gain: f64,
    /// Added after it, in the channel's unit.
    pub offset: f64,
    /// Standard uncertainty of the gain.
    pub gain_u: f64,
    /// Standard uncertainty of the offset.
    pub offset_u: f64,
    /// Correlation of the two.
    pub correlation: f64,
    /// Degrees of freedom behind the scatter; infinite where the points' own uncertainties were taken.
    pub dof: f64,
    /// Largest distance of a point from the line, in units of the scatter expected of it.
    pub worst: f64,
}

/// Fewest points.
pub const LEAST_POINTS: usize = 2;

/// The line through `points`.
///
/// # Errors
/// In words: too few points, readings that do not differ, numbers that are no numbers.
pub fn line(points: &[Point], reference: ReferenceU) -> Result<Line, String> {
    if points.len() < LEAST_POINTS {
        return Err(format!("{} points are too few: two or more are needed, the first near zero", points.len()));
    }
    if points.iter().any(|p| !(p.reference.is_finite() && p.reading.is_finite() && p.reading_u.is_finite())) {
        return Err("a point holds something that is no number".to_owned());
    }
    // The gain is near one: the reading's scatter is that of the value.
    let known = points.iter().all(|point| point.reading_u > 0.0);
    let weight = |point: &Point| if known { point.reading_u.powi(-2) } else { 1.0 };
    let sum = |term: &dyn Fn(&Point) -> f64| points.iter().map(|point| weight(point) * term(point)).sum::<f64>();
    let total = sum(&|_| 1.0);
    let (centre, level) = (sum(&|p| p.reading) / total, sum(&|p| p.reference) / total);
    let spread = sum(&|p| (p.reading - centre).powi(2));
    let span = points.iter().map(|p| (p.reading - centre).abs()).fold(0.0, f64::max);
    let size = points.iter().map(|p| p.reading.abs()).fold(f64::MIN_POSITIVE, f64::max);
    if span < 1e-9 * size || spread <= 0.0 {
        return Err("the readings do not differ: set the reference to values far apart".to_owned());
    }
    let gain = sum(&|p| (p.reading - centre) * (p.reference - level)) / spread;
    let off = |p: &Point| p.reference - level - gain * (p.reading - centre);
    let free = points.len() - LEAST_POINTS;
    #[expect(clippy::cast_precision_loss, reason = "a handful of points")]
    let free_f = free as f64;
    // Square of what the scatter about the line is, over what the weights expect of it.
    let seen = if free > 0 { sum(&|p| off(p).powi(2)) / free_f } else { 0.0 };
    let expected = if known { 1.0 } else { 0.0 };
    let factor = seen.max(expected);
    let dof = if seen > expected { free_f } else { f64::INFINITY };
    let (slope_var, level_var) = (factor / spread, factor / total);
    let offset = level - gain * centre;
    let offset_var = level_var + centre * centre * slope_var;
    let gain_u = slope_var.sqrt().hypot(reference.relative * gain.abs());
    let offset_u = offset_var.sqrt().hypot(reference.offset);
    let covariance = -centre * slope_var;
    let correlation = if gain_u > 0.0 && offset_u > 0.0 { covariance / (gain_u * offset_u) } else { 0.0 };
    let each = |p: &Point| off(p).abs() * (weight(p) / factor.max(f64::MIN_POSITIVE)).sqrt();
    let worst = if free > 0 { points.iter().map(each).fold(0.0, f64::max) } else { 0.0 };
    Ok(Line { gain, offset, gain_u, offset_u, correlation, dof, worst })
}

impl Line {
    /// Standard uncertainty of the value at this reading.
    #[must_use]
    pub fn u_at(&self, reading: f64) -> f64 {
        let covariance = self.correlation * self.gain_u * self.offset_u;
        ((reading * self.gain_u).powi(2) + self.offset_u.powi(2) + 2.0 * reading * covariance).max(0.0).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(rows: &[(f64, f64)], reading_u: f64) -> Vec<Point> {
        rows.iter().map(|&(reading, reference)| Point { reference, reading, reading_u }).collect()
    }

    /// JCGM 100:2008, table H.6: a thermometer against a reference, correction over t - 20 °C.
    #[test]
    fn the_published_thermometer_calibration_comes_out_to_its_printed_digits() {
        let rows = [
            (21.521, -0.171),
            (22.012, -0.169),
            (22.512, -0.166),
            (23.003, -0.159),
            (23.507, -0.164),
            (23.999, -0.165),
            (24.513, -0.156),
            (25.002, -0.157),
            (25.503, -0.159),
            (26.010, -0.161),
            (26.511, -0.160),
        ];
        let rows: Vec<(f64, f64)> = rows.iter().map(|(t, b)| (t - 20.0, *b)).collect();
        let found = line(&points(&rows, 0.0), ReferenceU::default()).unwrap();
        // y1 = -0.1712, u 0.0029; y2 = 0.00218, u 0.00067; r = -0.930; b(30 °C) = -0.1494, u 0.0041.
        assert_eq!(format!("{:.4} {:.4}", found.offset, found.offset_u), "-0.1712 0.0029");
        assert_eq!(format!("{:.5} {:.5}", found.gain, found.gain_u), "0.00218 0.00067");
        assert_eq!(format!("{:.3}", found.correlation), "-0.930");
        assert_eq!(format!("{:.4} {:.4}", found.gain * 10.0 + found.offset, found.u_at(10.0)), "-0.1494 0.0041");
        assert_eq!(found.dof, 9.0);
    }

    #[test]
    fn two_points_take_their_uncertainty_from_their_own_scatter_and_the_reference() {
        let reference = ReferenceU { relative: 0.001, offset: 0.002 };
        let found = line(&points(&[(0.1, 0.0), (20.1, 20.4)], 0.01), reference).unwrap();
        assert!((found.gain - 1.02).abs() < 1e-12 && (found.offset + 0.102).abs() < 1e-12, "{found:?}");
        // sqrt(2) * 0.01 / 20 of the scatter, 0.1 % of the reference.
        assert!((found.gain_u - 0.000_707_f64.hypot(0.001_02)).abs() < 1e-6, "{found:?}");
        assert!(found.dof.is_infinite() && found.worst == 0.0);
    }

    #[test]
    fn a_bend_widens_the_uncertainty_and_is_told() {
        let straight = line(&points(&[(0.0, 0.0), (10.0, 10.0), (20.0, 20.0)], 0.01), ReferenceU::default()).unwrap();
        let bent = line(&points(&[(0.0, 0.0), (10.0, 10.3), (20.0, 20.0)], 0.01), ReferenceU::default()).unwrap();
        assert!(bent.gain_u > 10.0 * straight.gain_u && bent.dof == 1.0);
    }

    #[test]
    fn points_that_make_no_line_are_refused() {
        let no = |rows: &[(f64, f64)]| line(&points(rows, 0.01), ReferenceU::default()).unwrap_err();
        assert!(no(&[(1.0, 1.0)]).contains("too few"));
        assert!(no(&[(1.0, 1.0), (1.0, 2.0)]).contains("do not differ"));
        assert!(no(&[(1.0, f64::NAN), (2.0, 2.0)]).contains("no number"));
    }
}
