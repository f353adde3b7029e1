//! Numbers of a trace, with decimal point or, where commas do not separate columns, decimal comma.

/// Which decimal mark a file uses; the first one seen decides, a mixture is refused because one of them would then be a
/// thousands separator.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Decimal {
    /// Commas separate columns.
    PointOnly,
    /// No mark seen yet.
    Undecided,
    Point,
    Comma,
}

impl Decimal {
    pub(super) fn for_delimiter(delimiter: u8) -> Self {
        if delimiter == b',' { Self::PointOnly } else { Self::Undecided }
    }

    /// Reads a number.
    ///
    /// # Errors
    /// A clause that goes on after the text as found.
    pub(super) fn number(&mut self, field: &[u8]) -> Result<f64, &'static str> {
        if *self == Self::PointOnly {
            return plain(field).ok_or_else(|| why_not(field));
        }
        match (field.contains(&b','), field.contains(&b'.')) {
            (true, true) => Err("has a decimal point and a comma; leave out thousands separators"),
            (true, false) => {
                self.settle(Self::Comma)?;
                let text: Vec<u8> = field.iter().map(|b| if *b == b',' { b'.' } else { *b }).collect();
                plain(&text).ok_or_else(|| why_not(&text))
            }
            (false, point) => {
                if point {
                    self.settle(Self::Point)?;
                }
                plain(field).ok_or_else(|| why_not(field))
            }
        }
    }

    fn settle(&mut self, found: Self) -> Result<(), &'static str> {
        match (*self, found) {
            (Self::Point, Self::Comma) => Err("has a decimal comma, though earlier numbers have a point"),
            (Self::Comma, Self::Point) => Err("has a decimal point, though earlier numbers have a comma"),
            _ => {
                *self = found;
                Ok(())
            }
        }
    }
}

/// A finite number in plain or exponent notation.
fn plain(field: &[u8]) -> Option<f64> {
    if let Some(value) = short_decimal(field) {
        return Some(value);
    }
    let value: f64 = std::str::from_utf8(field).ok()?.parse().ok()?;
    value.is_finite().then_some(value)
}

/// The same for the common case, sign, digits and point up to 15 digits: several times faster, and exact, since both the
/// digits and the power of ten are then whole numbers that an `f64` holds (Clinger 1990, fast path).
fn short_decimal(field: &[u8]) -> Option<f64> {
    const POWERS: [f64; 16] = [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15];
    let (negative, digits) = match field.split_first()? {
        (b'-', digits) => (true, digits),
        _ => (false, field),
    };
    if digits.len() > 16 {
        return None;
    }
    let (mut mantissa, mut count, mut after_point) = (0_u64, 0_usize, None);
    for byte in digits {
        match byte {
            b'0'..=b'9' => {
                mantissa = mantissa * 10 + u64::from(byte - b'0');
                count += 1;
            }
            b'.' if after_point.is_none() => after_point = Some(count),
            _ => return None,
        }
    }
    if !(1..=15).contains(&count) {
        return None;
    }
    #[expect(clippy::cast_precision_loss, reason = "15 digits are below 2^53")]
    let value = mantissa as f64 / POWERS[count - after_point.unwrap_or(count)];
    Some(if negative { -value } else { value })
}

/// What is wrong with a text that is no number.
fn why_not(field: &[u8]) -> &'static str {
    match std::str::from_utf8(field) {
        Err(_) => "is not UTF-8 text",
        Ok(text) if text.parse::<f64>().is_ok() => {
            "is not a finite number; leave a field blank where nothing was sampled"
        }
        Ok(text) if text.contains(',') => {
            "is not a number; with a decimal comma the columns must be separated by semicolons or tabs"
        }
        Ok(_) => "is not a number",
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_decimal_comma_counts_where_no_comma_separates() {
        let mut decimal = Decimal::for_delimiter(b';');
        assert_eq!(decimal.number(b"12"), Ok(12.0));
        assert_eq!(decimal.number(b"-12,5"), Ok(-12.5));
        assert_eq!(decimal.number(b"1,5e-3"), Ok(0.0015));
        assert!(decimal.number(b"12.5").is_err(), "mixed marks");
        assert!(decimal.number(b"1,234,5").is_err());
        assert!(Decimal::for_delimiter(b';').number(b"1.234,5").is_err());
        assert!(Decimal::for_delimiter(b',').number(b"12,5").unwrap_err().contains("semicolons"));
    }

    #[test]
    fn only_finite_decimal_numbers_count() {
        let number = |text: &str| Decimal::PointOnly.number(text.as_bytes());
        assert_eq!(number("+.5"), Ok(0.5));
        assert_eq!(number("-0."), Ok(0.0));
        for bad in ["NaN", "inf", "-Infinity", "1e999", "0x10", "1_000", ".", "-", "--1", "1 2", "12abc", "\u{664}"] {
            assert!(number(bad).is_err(), "{bad}");
        }
    }

    proptest! {
        #[test]
        fn the_short_way_gives_the_same_number_as_the_long_one(text in "-?[0-9]{0,9}\\.?[0-9]{0,9}") {
            if let Some(short) = short_decimal(text.as_bytes()) {
                prop_assert_eq!(Some(short), text.parse::<f64>().ok(), "{}", text);
            }
        }
    }
}
