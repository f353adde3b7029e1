//! Layout of the samples that an IIO buffer delivers: which bytes are which channel, and what they are worth.

/// One element of a scan, from its `_type` attribute.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Element {
    big_endian: bool,
    signed: bool,
    bits: u32,
    bytes: usize,
    shift: u32,
}

impl Element {
    /// Reads `[be|le]:[s|u]bits/storagebits[Xrepeat][>>shift]`.
    ///
    /// # Errors
    /// When it is another form, or one that no converter of a bench has.
    pub(super) fn parse(text: &str) -> Result<Self, String> {
        let bad = || format!("`{text}` is no sample layout that this program reads");
        let (endian, rest) = text.trim().split_once(':').ok_or_else(bad)?;
        let signed = match rest.chars().next() {
            Some('s') => true,
            Some('u') => false,
            _ => return Err(bad()),
        };
        let (sizes, shift) = rest[1..].split_once(">>").unwrap_or((&rest[1..], "0"));
        let (bits, storage) = sizes.split_once('/').ok_or_else(bad)?;
        let number = |text: &str| text.parse::<u32>().map_err(|_| bad());
        let (bits, storage, shift) = (number(bits)?, number(storage)?, number(shift)?);
        let whole = matches!(storage, 8 | 16 | 32 | 64) && bits >= 1 && bits + shift <= storage;
        if !whole || !matches!(endian, "be" | "le") {
            return Err(bad());
        }
        Ok(Self { big_endian: endian == "be", signed, bits, bytes: (storage / 8) as usize, shift })
    }

    /// The number in the bytes, of which there are as many as the element has.
    fn number(self, bytes: &[u8]) -> i64 {
        let fold = |word: u64, byte: &u8| word << 8 | u64::from(*byte);
        let word = if self.big_endian { bytes.iter().fold(0, fold) } else { bytes.iter().rev().fold(0, fold) };
        let up = 64 - self.bits;
        let word = (word >> self.shift) << up;
        if self.signed { word.cast_signed() >> up } else { (word >> up).cast_signed() }
    }
}

/// All elements of a scan with their places.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Layout {
    elements: Vec<(usize, Element)>,
    /// Bytes of one scan.
    pub(super) bytes: usize,
}

impl Layout {
    /// Elements in the order of their scan index; each lies at a multiple of its own size, and so does the next scan.
    pub(super) fn new(elements: &[Element]) -> Self {
        let mut end = 0_usize;
        let mut widest = 1;
        let place = |element: &Element| {
            let at = end.next_multiple_of(element.bytes);
            end = at + element.bytes;
            widest = widest.max(element.bytes);
            (at, *element)
        };
        let elements = elements.iter().map(place).collect();
        Self { elements, bytes: end.next_multiple_of(widest) }
    }

    /// The numbers of one scan, whose bytes are all there.
    pub(super) fn numbers(&self, scan: &[u8]) -> impl Iterator<Item = i64> {
        self.elements.iter().map(|(at, element)| element.number(&scan[*at..at + element.bytes]))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_read_as_the_kernel_lays_them_out() {
        let number = |text: &str, bytes: &[u8]| Element::parse(text).unwrap().number(bytes);
        assert_eq!(number("le:s16/16>>0", &[0xfe, 0xff]), -2);
        assert_eq!(number("be:u12/16>>4", &[0xab, 0xcf]), 0xabc);
        assert_eq!(number("be:s12/16>>4", &[0xff, 0xf0]), -1);
        assert_eq!(number("le:u12/16", &[0x34, 0xf2]), 0x234);
        assert_eq!(number("le:s64/64>>0", &[0, 0, 0, 0, 1, 0, 0, 0]), 1 << 32);
        assert_eq!(number("le:s24/32>>8", &[0, 0, 0, 0x80]), -8_388_608);
    }

    #[test]
    fn a_timestamp_lies_at_a_multiple_of_eight() {
        let narrow = Element::parse("le:s16/16>>0").unwrap();
        let stamp = Element::parse("le:s64/64>>0").unwrap();
        let layout = Layout::new(&[narrow, narrow, narrow, stamp]);
        assert_eq!(layout.bytes, 16);
        let scan = [1, 0, 2, 0, 3, 0, 99, 99, 4, 0, 0, 0, 0, 0, 0, 0];
        assert_eq!(layout.numbers(&scan).collect::<Vec<_>>(), [1, 2, 3, 4]);
        assert_eq!(Layout::new(&[narrow, narrow, narrow]).bytes, 6);
    }

    #[test]
    fn other_forms_are_refused() {
        for text in
            ["", "le:s16", "le:x16/16", "le:s16/12", "me:s16/16", "le:s20/16>>0", "le:s8/8X4>>0", "le:s0/8", "le:"]
        {
            assert!(Element::parse(text).is_err(), "{text}");
        }
    }
}
