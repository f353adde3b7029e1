//! Rising speed over duty on one grid for all units, so that units can be compared and thousands of them kept.

use crate::results::{CurvePoint, Direction};

/// Duties of the grid, percent: wide enough apart that measured points lie between, narrow enough for every knee.
pub const DUTIES: [f64; 39] = {
    let mut duties = [0.0; 39];
    let mut i = 0;
    while i < 39 {
        #[expect(clippy::cast_precision_loss, reason = "small numbers")]
        let duty = 2.5 * (i + 1) as f64;
        duties[i] = duty;
        i += 1;
    }
    duties
};

/// Speeds on the grid; what the unit was not taken to is `None`.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SpeedCurve {
    /// Speed at each grid duty, rpm, at the reference voltage where there is one.
    pub rpm: Vec<Option<f64>>,
    /// Random standard uncertainty at each, rpm, as measured: what all readings of the rig share is not taken out.
    pub u_rpm: Vec<f64>,
}

impl SpeedCurve {
    /// From the settled points of a run: rising ones, straight lines between them.
    #[must_use]
    pub fn of(points: &[CurvePoint]) -> Self {
        let known = |point: &CurvePoint| {
            let speed = point.speed_ref_rpm.or(point.speed_rpm).filter(|speed| speed.is_finite())?;
            Some((point.duty_pct, speed, point.u_rpm.unwrap_or(0.0)))
        };
        let rising = points.iter().filter(|point| point.direction == Direction::Up);
        let mut points: Vec<(f64, f64, f64)> = rising.filter_map(known).collect();
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        if points.len() < 3 {
            return Self::default();
        }
        let between = |duty: f64| {
            let next = points.partition_point(|point| point.0 < duty - 1e-9);
            let after = points.get(next)?;
            if (after.0 - duty).abs() < 1e-6 {
                return Some((after.1, after.2));
            }
            let before = points.get(next.checked_sub(1)?)?;
            let share = (duty - before.0) / (after.0 - before.0);
            Some((before.1 + share * (after.1 - before.1), before.2.max(after.2)))
        };
        let (mut rpm, mut u_rpm) = (Vec::new(), Vec::new());
        for duty in DUTIES {
            let at = between(duty);
            rpm.push(at.map(|(speed, _)| speed));
            u_rpm.push(at.map_or(0.0, |(_, u)| u));
        }
        Self { rpm, u_rpm }
    }

    /// Whether there is enough of it to compare.
    #[must_use]
    pub fn is_whole(&self) -> bool {
        self.rpm.iter().flatten().count() >= DUTIES.len() / 2
    }

    /// Highest speed.
    #[must_use]
    pub fn full_rpm(&self) -> Option<f64> {
        self.rpm.iter().flatten().copied().reduce(f64::max)
    }

    /// Slope at grid place `i`, rpm per duty point.
    pub(super) fn slope(&self, i: usize) -> f64 {
        let at = |i: usize| self.rpm.get(i).copied().flatten();
        let (low, high) = (i.saturating_sub(1), (i + 1).min(DUTIES.len() - 1));
        match (at(low), at(high)) {
            (Some(a), Some(b)) if high > low => (b - a) / (DUTIES[high] - DUTIES[low]),
            _ => 0.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn points_are_put_on_the_grid_by_straight_lines_and_not_beyond_their_ends() {
        let point = |duty_pct: f64, speed: f64, direction| CurvePoint {
            duty_pct,
            direction,
            speed_rpm: Some(speed),
            u_rpm: Some(2.0),
            supply_a: None,
            output_v: None,
            supply_v: None,
            speed_ref_rpm: None,
        };
        let up = Direction::Up;
        let curve = SpeedCurve::of(&[
            point(40.0, 800.0, up),
            point(10.0, 0.0, up),
            point(20.0, 400.0, up),
            point(20.0, 999.0, Direction::Down),
        ]);
        let at = |duty: f64| curve.rpm[DUTIES.iter().position(|d| (d - duty).abs() < 1e-9).unwrap()];
        assert_eq!((at(7.5), at(10.0), at(42.5)), (None, Some(0.0), None));
        assert!((at(15.0).unwrap() - 200.0).abs() < 1e-9);
        assert!((at(30.0).unwrap() - 600.0).abs() < 1e-9);
        assert!(!curve.is_whole());
        assert_eq!(SpeedCurve::of(&[]), SpeedCurve::default());
    }
}
