//! One axis: a range mapped to pixels, linear or logarithmic, with ticks at round numbers.

/// A range of values along pixels.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Scale {
    from: f64,
    to: f64,
    log: bool,
}

impl Scale {
    /// Linear, widened to round numbers. A range without extent is widened by one.
    pub(super) fn round(from: f64, to: f64) -> Self {
        let to = if to > from { to } else { from + 1.0 };
        let step = step(to - from, 5);
        Self { from: (from / step + 1e-9).floor() * step, to: (to / step - 1e-9).ceil() * step, log: false }
    }

    /// Linear with exactly these ends.
    pub(super) fn exact(from: f64, to: f64) -> Self {
        Self { from, to: if to > from { to } else { from + 1.0 }, log: false }
    }

    /// Logarithmic with these ends, both above zero.
    pub(super) fn log(from: f64, to: f64) -> Self {
        let from = from.max(1e-12);
        Self { from, to: if to > 1.2 * from { to } else { 1.2 * from }, log: true }
    }

    /// Logarithmic, widened to whole decades.
    pub(super) fn decades(from: f64, to: f64) -> Self {
        let floor = 10f64.powf((from.max(1e-12).log10() + 1e-9).floor());
        let ceil = 10f64.powf((to.max(1e-12).log10() - 1e-9).ceil());
        Self::log(floor, if ceil > floor { ceil } else { 10.0 * floor })
    }

    /// Position from 0 at the start to 1 at the end, held at both; `None` for what has no place (not finite, or zero
    /// and below on a logarithmic scale).
    pub(super) fn position(&self, value: f64) -> Option<f64> {
        let inside = value.is_finite() && (!self.log || value > 0.0);
        let share = if self.log {
            (value.max(1e-300) / self.from).ln() / (self.to / self.from).ln()
        } else {
            (value - self.from) / (self.to - self.from)
        };
        inside.then(|| share.clamp(0.0, 1.0))
    }

    /// Whether a value lies on the axis.
    pub(super) fn holds(&self, value: f64) -> bool {
        let slack = 1e-9 * (self.to - self.from);
        (self.from - slack..=self.to + slack).contains(&value)
    }

    /// Values of the ticks, about `count` of them.
    pub(super) fn ticks(&self, count: u32) -> Vec<f64> {
        if self.log { self.log_ticks() } else { self.linear_ticks(count) }
    }

    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "at most some dozen ticks")]
    fn linear_ticks(&self, count: u32) -> Vec<f64> {
        let step = step(self.to - self.from, count);
        let first = (self.from / step - 1e-9).ceil();
        let n = ((self.to - first * step) / step + 1e-9).floor().max(0.0) as u32;
        (0..=n.min(60)).map(|i| (first + f64::from(i)) * step).collect()
    }

    /// Decades; with 2 and 5 between them where there are three or fewer.
    #[expect(clippy::cast_possible_truncation, reason = "decimal exponents")]
    fn log_ticks(&self) -> Vec<f64> {
        let (first, last) = (self.from.log10().floor() as i32, self.to.log10().ceil() as i32);
        let parts: &[f64] = if last - first <= 3 { &[1.0, 2.0, 5.0] } else { &[1.0] };
        let all = (first..=last).flat_map(|decade| parts.iter().map(move |part| part * 10f64.powi(decade)));
        all.filter(|value| self.holds(*value)).collect()
    }
}

/// A step of 1, 2 or 5 times a power of ten that divides `extent` into about `count` parts.
fn step(extent: f64, count: u32) -> f64 {
    let rough = extent / f64::from(count.max(1));
    let decade = 10f64.powf(rough.log10().floor());
    let factor = match rough / decade {
        part if part <= 1.0 + 1e-9 => 1.0,
        part if part <= 2.0 + 1e-9 => 2.0,
        part if part <= 5.0 + 1e-9 => 5.0,
        _ => 10.0,
    };
    factor * decade
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_numbers() {
        assert_eq!(Scale::exact(0.0, 100.0).ticks(10).len(), 11);
        assert_eq!(Scale::round(0.0, 2740.0).ticks(5), [0.0, 1000.0, 2000.0, 3000.0]);
        assert_eq!(Scale::log(5.0, 1000.0).ticks(5), [5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0]);
        assert_eq!(Scale::decades(3e-5, 0.02).ticks(5).len(), 5);
    }

    #[test]
    fn zero_has_no_place_on_a_logarithmic_scale() {
        let scale = Scale::decades(1e-4, 0.1);
        assert_eq!(scale.position(0.0), None);
        assert_eq!(scale.position(-1.0), None);
        assert_eq!(scale.position(0.1), Some(1.0));
        assert!((scale.position(1e-3).unwrap() - 1.0 / 3.0).abs() < 1e-9);
    }

    #[test]
    fn an_axis_without_extent_is_still_an_axis() {
        let scale = Scale::round(20.0, 20.0);
        assert!(scale.position(20.0).unwrap().is_finite());
    }
}
