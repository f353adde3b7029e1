//! Quantities: newtypes over `f64` in SI-like base units, with only the arithmetic that means something,
//! and the one parser that reads them from text such as `"25 A"` or `"140 Hz"`.
//!
//! Percent exists only where text is read or shown; inside the program a duty is a [`Duty`] fraction.
//! This module knows nothing else of ours.

use std::fmt;
use std::ops::{Add, Div, Mul, Neg, Sub};

use serde::{Deserialize, Serialize};

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $symbol:literal, $dimension:literal, [$(($unit:literal, $factor:expr)),+ $(,)?]) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub f64);

        impl $name {
            /// Zero of this quantity.
            pub const ZERO: Self = Self(0.0);

            /// The bare number in the base unit.
            #[must_use]
            pub const fn get(self) -> f64 {
                self.0
            }

            /// Magnitude.
            #[must_use]
            pub fn abs(self) -> Self {
                Self(self.0.abs())
            }

            /// The smaller of two.
            #[must_use]
            pub fn min(self, other: Self) -> Self {
                Self(self.0.min(other.0))
            }

            /// The larger of two.
            #[must_use]
            pub fn max(self, other: Self) -> Self {
                Self(self.0.max(other.0))
            }
        }

        impl Quantity for $name {
            const SYMBOL: &'static str = $symbol;
            const DIMENSION: &'static str = $dimension;
            const UNITS: &'static [(&'static str, f64)] = &[$(($unit, $factor)),+];

            fn from_base(value: f64) -> Result<Self, String> {
                Ok(Self(value))
            }

            fn to_base(self) -> f64 {
                self.0
            }
        }

        impl Add for $name {
            type Output = Self;
            fn add(self, rhs: Self) -> Self {
                Self(self.0 + rhs.0)
            }
        }

        impl Sub for $name {
            type Output = Self;
            fn sub(self, rhs: Self) -> Self {
                Self(self.0 - rhs.0)
            }
        }

        impl Neg for $name {
            type Output = Self;
            fn neg(self) -> Self {
                Self(-self.0)
            }
        }

        impl Mul<f64> for $name {
            type Output = Self;
            fn mul(self, rhs: f64) -> Self {
                Self(self.0 * rhs)
            }
        }

        impl Div<f64> for $name {
            type Output = Self;
            fn div(self, rhs: f64) -> Self {
                Self(self.0 / rhs)
            }
        }

        impl Div for $name {
            type Output = f64;
            fn div(self, rhs: Self) -> f64 {
                self.0 / rhs.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write_quantity(f, self.0, $symbol)
            }
        }
    };
}

/// A physical quantity that can be read from text with a unit.
pub trait Quantity: Copy {
    /// Symbol of the base unit, as printed.
    const SYMBOL: &'static str;
    /// Name of the dimension, as used in messages ("a current").
    const DIMENSION: &'static str;
    /// Accepted unit spellings with the factor to the base unit. Case matters: `mA` is not `MA`.
    const UNITS: &'static [(&'static str, f64)];

    /// Builds the quantity from a number in the base unit.
    ///
    /// # Errors
    /// A sentence that says which range is allowed, when the value is outside it.
    fn from_base(value: f64) -> Result<Self, String>;

    /// The number in the base unit.
    fn to_base(self) -> f64;
}

quantity!(
    /// Electric potential difference in volts.
    Volts, "V", "a voltage", [("V", 1.0), ("mV", 1e-3), ("kV", 1e3), ("uV", 1e-6), ("µV", 1e-6), ("μV", 1e-6)]
);
quantity!(
    /// Current in amperes.
    Amps, "A", "a current", [("A", 1.0), ("mA", 1e-3), ("kA", 1e3), ("uA", 1e-6), ("µA", 1e-6), ("μA", 1e-6)]
);
quantity!(
    /// Resistance in ohms.
    Ohms, "Ohm", "a resistance",
    [("Ohm", 1.0), ("ohm", 1.0), ("Ω", 1.0), ("mOhm", 1e-3), ("mΩ", 1e-3), ("kOhm", 1e3), ("kΩ", 1e3), ("MOhm", 1e6), ("MΩ", 1e6)]
);
quantity!(
    /// Frequency in hertz.
    Hertz, "Hz", "a frequency", [("Hz", 1.0), ("kHz", 1e3), ("MHz", 1e6), ("mHz", 1e-3)]
);
quantity!(
    /// Rotational speed in revolutions per minute.
    Rpm, "rpm", "a speed", [("rpm", 1.0), ("1/min", 1.0)]
);
quantity!(
    /// Signal time in seconds. Waits and time-outs are `std::time::Duration`.
    Seconds, "s", "a time",
    [("s", 1.0), ("ms", 1e-3), ("us", 1e-6), ("µs", 1e-6), ("μs", 1e-6), ("min", 60.0), ("h", 3600.0), ("d", 86400.0)]
);
quantity!(
    /// Temperature in degrees Celsius.
    Celsius, "°C", "a temperature", [("°C", 1.0), ("C", 1.0), ("degC", 1.0)]
);
quantity!(
    /// Temperature difference in kelvin.
    Kelvin, "K", "a temperature difference", [("K", 1.0), ("mK", 1e-3)]
);
quantity!(
    /// Capacitance in farads.
    Farads, "F", "a capacitance",
    [("F", 1.0), ("mF", 1e-3), ("uF", 1e-6), ("µF", 1e-6), ("μF", 1e-6), ("nF", 1e-9)]
);
quantity!(
    /// Inductance in henries.
    Henries, "H", "an inductance", [("H", 1.0), ("mH", 1e-3), ("uH", 1e-6), ("µH", 1e-6), ("μH", 1e-6)]
);
quantity!(
    /// Energy in joules.
    Joules, "J", "an energy", [("J", 1.0), ("kJ", 1e3), ("Wh", 3600.0)]
);
quantity!(
    /// Power in watts.
    Watts, "W", "a power", [("W", 1.0), ("mW", 1e-3), ("kW", 1e3)]
);
quantity!(
    /// Electric charge of a battery in ampere hours.
    AmpHours, "Ah", "a battery charge", [("Ah", 1.0), ("mAh", 1e-3)]
);
quantity!(
    /// Fuse or wire melting integral in ampere squared seconds.
    AmpSquaredSeconds, "A2s", "an i2t value", [("A2s", 1.0), ("A²s", 1.0)]
);
quantity!(
    /// Rate of change of a voltage in volts per second.
    VoltsPerSecond, "V/s", "a voltage per time", [("V/s", 1.0), ("V/ms", 1e3), ("V/min", 1.0 / 60.0)]
);
quantity!(
    /// A plain ratio written as percent or as parts of the whole, such as a gain uncertainty.
    Ratio, "%", "a ratio in percent", [("%", 0.01), ("ppm", 1e-6)]
);

impl Div<Ohms> for Volts {
    type Output = Amps;
    fn div(self, rhs: Ohms) -> Amps {
        Amps(self.0 / rhs.0)
    }
}

impl Div<Amps> for Volts {
    type Output = Ohms;
    fn div(self, rhs: Amps) -> Ohms {
        Ohms(self.0 / rhs.0)
    }
}

impl Mul<Ohms> for Amps {
    type Output = Volts;
    fn mul(self, rhs: Ohms) -> Volts {
        Volts(self.0 * rhs.0)
    }
}

impl Mul<Amps> for Volts {
    type Output = Watts;
    fn mul(self, rhs: Amps) -> Watts {
        Watts(self.0 * rhs.0)
    }
}

impl Mul<Seconds> for Watts {
    type Output = Joules;
    fn mul(self, rhs: Seconds) -> Joules {
        Joules(self.0 * rhs.0)
    }
}

/// Command duty: the share of the period spent at the active level, `0..=1`, built only checked.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct Duty(f64);

impl Duty {
    /// No active time at all: a line without edges at the inactive level.
    pub const ZERO: Self = Self(0.0);
    /// All active time: a line without edges at the active level.
    pub const FULL: Self = Self(1.0);

    /// A duty from a fraction; `None` outside `0..=1` or not finite.
    #[must_use]
    pub fn new(fraction: f64) -> Option<Self> {
        (0.0..=1.0).contains(&fraction).then_some(Self(fraction))
    }

    /// A duty from percent; `None` outside `0..=100` or not finite.
    #[must_use]
    pub fn from_percent(percent: f64) -> Option<Self> {
        Self::new(percent / 100.0)
    }

    /// The nearest duty to a fraction that may be slightly out of range; NaN becomes zero.
    #[must_use]
    pub fn clamped(fraction: f64) -> Self {
        if fraction.is_nan() { Self::ZERO } else { Self(fraction.clamp(0.0, 1.0)) }
    }

    /// The fraction, `0..=1`.
    #[must_use]
    pub const fn fraction(self) -> f64 {
        self.0
    }

    /// The duty in percent, `0..=100`.
    #[must_use]
    pub fn percent(self) -> f64 {
        self.0 * 100.0
    }

    /// Whether a line at this duty has edges: neither always nor never active.
    #[must_use]
    pub fn has_edges(self) -> bool {
        self > Self::ZERO && self < Self::FULL
    }

    /// The same pulse train read with the other active level.
    #[must_use]
    pub fn inverted(self) -> Self {
        Self(1.0 - self.0)
    }
}

impl TryFrom<f64> for Duty {
    type Error = String;
    fn try_from(value: f64) -> Result<Self, String> {
        Self::new(value).ok_or_else(|| format!("duty {value} is outside 0 to 1"))
    }
}

impl From<Duty> for f64 {
    fn from(duty: Duty) -> f64 {
        duty.0
    }
}

impl Quantity for Duty {
    const SYMBOL: &'static str = "%";
    const DIMENSION: &'static str = "a duty";
    const UNITS: &'static [(&'static str, f64)] = &[("%", 0.01)];

    fn from_base(value: f64) -> Result<Self, String> {
        Self::new(value).ok_or_else(|| "a duty lies between 0 % and 100 %".to_owned())
    }

    fn to_base(self) -> f64 {
        self.0
    }
}

impl fmt::Display for Duty {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write_quantity(f, self.percent(), "%")
    }
}

/// Writes `value symbol`, honouring the formatter's precision and else at most six significant digits.
fn write_quantity(f: &mut fmt::Formatter<'_>, value: f64, symbol: &str) -> fmt::Result {
    if let Some(digits) = f.precision() {
        return write!(f, "{value:.digits$} {symbol}");
    }
    write!(f, "{} {symbol}", significant(value, 6))
}

/// `value` with at most `digits` significant digits and no trailing zeros; plain decimal notation.
#[must_use]
pub fn significant(value: f64, digits: u32) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value}");
    }
    #[expect(clippy::cast_possible_truncation, reason = "a decimal exponent of an f64 fits an i32")]
    let exponent = value.abs().log10().floor() as i32;
    let decimals = usize::try_from(digits.cast_signed() - 1 - exponent).unwrap_or(0);
    let text = format!("{value:.decimals$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// A value and its standard uncertainty rounded together: the uncertainty to two significant digits, the value to the
/// same place (JCGM 100, 7.2.6). With an uncertainty that is zero or not finite the value keeps four significant digits.
#[must_use]
pub fn rounded_together(value: f64, u: f64) -> (String, String) {
    if !(u.is_finite() && u > 0.0 && value.is_finite()) {
        return (significant(value, 4), significant(u, 2));
    }
    #[expect(clippy::cast_possible_truncation, reason = "a decimal exponent of an f64 fits an i32")]
    let place = |u: f64| u.log10().floor() as i32 - 1;
    // 0.0996 rounds up to 0.10, which has one more digit before its last place.
    let first = place(u);
    let last = place((u / 10f64.powi(first)).round() * 10f64.powi(first) * (1.0 + 1e-12)).max(first);
    let decimals = usize::try_from(-last).unwrap_or(0);
    let to_place = |x: f64| {
        let step = 10f64.powi(last.max(0));
        format!("{:.decimals$}", (x / step).round() * step)
    };
    let exact = |x: f64| if last > 0 { to_place(x) } else { format!("{x:.decimals$}") };
    (exact(value), exact(u))
}

/// Factor and unit in which people read a number of about `typical` in the base unit `unit`: `1e3, "mA"` for 38e-3 A.
///
/// One choice serves a whole table column or axis. Units without customary prefixes come back as they are.
#[must_use]
pub fn for_people(unit: &str, typical: f64) -> (f64, String) {
    let size = typical.abs();
    let scales: &[(f64, f64, &str)] = match unit {
        "A" | "V" => &[(0.9999, 1.0, ""), (0.9999e-3, 1e3, "m"), (0.0, 1e6, "µ")],
        "Ohm" => &[(0.9999e6, 1e-6, "M"), (0.9999e3, 1e-3, "k"), (0.9999, 1.0, ""), (0.0, 1e3, "m")],
        "F" => &[(0.9999, 1.0, ""), (0.9999e-3, 1e3, "m"), (0.0, 1e6, "µ")],
        "s" => &[(0.0999, 1.0, ""), (0.0999e-3, 1e3, "m"), (0.0, 1e6, "µ")],
        "Hz" => &[(0.9999e4, 1e-3, "k"), (0.0, 1.0, "")],
        _ => &[(0.0, 1.0, "")],
    };
    if size == 0.0 || !size.is_finite() {
        return (1.0, unit.to_owned());
    }
    let found = scales.iter().find(|(least, _, _)| size >= *least);
    found.map_or_else(|| (1.0, unit.to_owned()), |(_, factor, prefix)| (*factor, format!("{prefix}{unit}")))
}

/// An RFC 3339 time as people read it: `2026-05-12T14:30:15Z` for `2026-05-12T14:30:15.204Z`; other texts as they are.
#[must_use]
pub fn to_the_second(time: &str) -> String {
    match time.split_once('.') {
        Some((before, after)) if before.contains('T') => {
            before.to_owned() + after.trim_start_matches(|c: char| c.is_ascii_digit())
        }
        _ => time.to_owned(),
    }
}

/// Why a text is not the quantity that was due.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ParseQuantityError {
    /// A number without a unit.
    #[error("`{found}` has no unit; {dimension} is due, for example \"{example}\"")]
    NoUnit {
        /// The text as found.
        found: String,
        /// The dimension that was due.
        dimension: &'static str,
        /// A legal spelling.
        example: String,
    },
    /// The unit is not one of this dimension.
    #[error("unit `{unit}` is not that of {dimension}; allowed: {allowed}")]
    WrongUnit {
        /// The unit as found.
        unit: String,
        /// The dimension that was due.
        dimension: &'static str,
        /// Allowed units, comma separated.
        allowed: String,
    },
    /// The part before the unit is not a finite decimal number.
    #[error("`{found}` is not a number; write it like \"{example}\" (decimal point, no thousands separator)")]
    NotANumber {
        /// The number part as found.
        found: String,
        /// A legal spelling.
        example: String,
    },
    /// The value is outside the quantity's own range.
    #[error("{0}")]
    OutOfRange(String),
}

/// Reads a quantity from `number [space] unit`, for example `"25 A"`, `"140Hz"`, `"-40 °C"`.
///
/// # Errors
/// A bare number, an unknown or foreign unit, a number that is not finite decimal notation, or a value outside
/// the quantity's range.
pub fn parse<Q: Quantity>(text: &str) -> Result<Q, ParseQuantityError> {
    let text = text.trim();
    let split = text.find(|c: char| !matches!(c, '0'..='9' | '.' | '+' | '-' | ',')).unwrap_or(text.len());
    // An exponent such as `1e-3 A` belongs to the number.
    let split = exponent_end(text, split);
    let (number, unit) = (text[..split].trim(), text[split..].trim());
    let example = || format!("{} {}", if Q::SYMBOL == "%" { "85" } else { "25" }, Q::SYMBOL);
    let value: f64 = match number.parse::<f64>() {
        Ok(value) if value.is_finite() && !number.is_empty() => value,
        _ => {
            let found = if number.is_empty() { text } else { number };
            return Err(ParseQuantityError::NotANumber { found: found.to_owned(), example: example() });
        }
    };
    if unit.is_empty() {
        return Err(ParseQuantityError::NoUnit {
            found: text.to_owned(),
            dimension: Q::DIMENSION,
            example: format!("{number} {}", Q::SYMBOL),
        });
    }
    let Some((_, factor)) = Q::UNITS.iter().find(|(name, _)| *name == unit) else {
        let allowed = Q::UNITS.iter().map(|(name, _)| *name).collect::<Vec<_>>().join(", ");
        return Err(ParseQuantityError::WrongUnit { unit: unit.to_owned(), dimension: Q::DIMENSION, allowed });
    };
    Q::from_base(scaled(value, *factor)).map_err(ParseQuantityError::OutOfRange)
}

/// `value` in base units. Units below the base divide by a whole number, which is exact, so that 350 mA is 0.35 A to
/// the last bit; the factors themselves are not exact.
fn scaled(value: f64, factor: f64) -> f64 {
    if factor < 1.0 { value / (1.0 / factor).round() } else { value * factor }
}

/// End of the number when an exponent follows at `split`, else `split`.
fn exponent_end(text: &str, split: usize) -> usize {
    let rest = &text[split..];
    let Some(tail) = rest.strip_prefix(['e', 'E']) else { return split };
    let sign = usize::from(tail.starts_with(['+', '-']));
    let digits = tail[sign..].bytes().take_while(u8::is_ascii_digit).count();
    if digits == 0 { split } else { split + 1 + sign + digits }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn people_read_times_to_the_second_whatever_the_offset() {
        assert_eq!(to_the_second("2026-05-12T14:30:15.204Z"), "2026-05-12T14:30:15Z");
        assert_eq!(to_the_second("2026-05-12T14:30:15.2+01:00"), "2026-05-12T14:30:15+01:00");
        assert_eq!(to_the_second("2026-05-12T14:30:15Z"), "2026-05-12T14:30:15Z");
        assert_eq!(to_the_second("some day. Or other"), "some day. Or other");
    }

    #[test]
    fn text_with_a_unit_is_read_in_base_units() {
        assert_eq!(parse::<Amps>("25 A"), Ok(Amps(25.0)));
        assert_eq!(parse::<Amps>("350mA"), Ok(Amps(0.35)));
        assert_eq!(parse::<Seconds>("2 min"), Ok(Seconds(120.0)));
        assert_eq!(parse::<Celsius>("-40 °C"), Ok(Celsius(-40.0)));
        assert_eq!(parse::<Amps>("1e-3 A"), Ok(Amps(1e-3)));
        assert_eq!(parse::<Duty>("85 %").map(Duty::percent), Ok(85.0));
    }

    #[test]
    fn a_bare_number_a_foreign_unit_and_a_decimal_comma_are_refused() {
        assert!(matches!(parse::<Amps>("25"), Err(ParseQuantityError::NoUnit { .. })));
        assert!(matches!(parse::<Amps>("25 V"), Err(ParseQuantityError::WrongUnit { .. })));
        assert!(matches!(parse::<Amps>("25 ma"), Err(ParseQuantityError::WrongUnit { .. })));
        assert!(matches!(parse::<Amps>("2,5 A"), Err(ParseQuantityError::NotANumber { .. })));
        assert!(matches!(parse::<Amps>("NaN A"), Err(ParseQuantityError::NotANumber { .. })));
        assert!(matches!(parse::<Amps>(""), Err(ParseQuantityError::NotANumber { .. })));
        assert!(matches!(parse::<Duty>("120 %"), Err(ParseQuantityError::OutOfRange(_))));
    }

    #[test]
    fn value_and_uncertainty_are_rounded_together() {
        let table = [
            (12.414_9, 0.034_2, "12.415", "0.034"),
            (12.41, 0.0996, "12.41", "0.10"),
            (2345.6, 12.4, "2346", "12"),
            (2345.6, 123.0, "2350", "120"),
            (0.000_123_4, 0.000_001_2, "0.0001234", "0.0000012"),
            (-3.0, 0.5, "-3.00", "0.50"),
            (3.0, 0.0, "3", "0"),
        ];
        for (value, u, text, u_text) in table {
            assert_eq!(rounded_together(value, u), (text.to_owned(), u_text.to_owned()), "{value} {u}");
        }
    }

    #[test]
    fn people_read_milliamperes_and_kiloohms() {
        assert_eq!(for_people("A", 0.038), (1e3, "mA".to_owned()));
        assert_eq!(for_people("A", 120e-6), (1e6, "µA".to_owned()));
        assert_eq!(for_people("A", 25.0), (1.0, "A".to_owned()));
        assert_eq!(for_people("Ohm", 4700.0), (1e-3, "kOhm".to_owned()));
        assert_eq!(for_people("Ohm", 0.0081), (1e3, "mOhm".to_owned()));
        assert_eq!(for_people("F", 2.2e-3), (1e3, "mF".to_owned()));
        assert_eq!(for_people("%", 0.01), (1.0, "%".to_owned()));
        assert_eq!(for_people("A", 0.0), (1.0, "A".to_owned()));
    }

    #[test]
    fn printing_keeps_six_significant_digits_and_no_trailing_zeros() {
        assert_eq!(Amps(25.0).to_string(), "25 A");
        assert_eq!(Amps(0.012_345_678).to_string(), "0.0123457 A");
        assert_eq!(format!("{:.2}", Volts(13.0)), "13.00 V");
        assert_eq!(significant(123_456_789.0, 6), "123456789");
    }
}
