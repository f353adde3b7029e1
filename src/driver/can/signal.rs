//! Signals in CAN frames: where the bits lie, and from bits to a number and back. Plain functions of bytes.
//!
//! Bits are numbered as in CAN databases: bit `n` is bit `n % 8` of byte `n / 8`, 0 the least significant. Little-endian
//! signals are named by their least significant bit and go up; big-endian ones by their most significant bit, go down to
//! bit 0 of the byte and on with bit 7 of the next.

use std::fmt;

/// Bytes of a frame of classic CAN.
pub const MOST_BYTES: usize = 8;

/// Identifier of a frame; the same number with 11 and with 29 bits is two identifiers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum FrameId {
    /// 11 bits.
    Standard(u16),
    /// 29 bits.
    Extended(u32),
}

impl FrameId {
    /// The identifier of that number; `None` where it has too many bits.
    #[must_use]
    pub fn new(id: u32, extended: bool) -> Option<Self> {
        match (extended, u16::try_from(id)) {
            (true, _) => (id < 1 << 29).then_some(Self::Extended(id)),
            (false, Ok(short)) => (short < 1 << 11).then_some(Self::Standard(short)),
            (false, Err(_)) => None,
        }
    }
}

impl fmt::Display for FrameId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Standard(id) => write!(f, "0x{id:03X}"),
            Self::Extended(id) => write!(f, "0x{id:08X} (29 bit)"),
        }
    }
}

/// Which byte of a longer signal comes first.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ByteOrder {
    /// The least significant.
    Little,
    /// The most significant.
    Big,
}

/// What the bits mean.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Coding {
    /// A whole number that is not negative.
    Unsigned,
    /// Two's complement.
    Signed,
    /// IEEE 754 of 32 or 64 bits.
    Float,
}

/// Where a number lies in a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Layout {
    start: u8,
    length: u8,
    order: ByteOrder,
    coding: Coding,
}

impl Layout {
    /// The layout from bit `start` over `length` bits.
    ///
    /// # Errors
    /// What does not fit a frame of 8 bytes, in words.
    pub fn new(start: u64, length: u64, order: ByteOrder, coding: Coding) -> Result<Self, String> {
        if !(1..=64).contains(&length) {
            return Err(format!("a length of {length} bits; 1 to 64 is allowed"));
        }
        if coding == Coding::Float && length != 32 && length != 64 {
            return Err(format!("a floating-point number of {length} bits; 32 or 64 is allowed"));
        }
        let (Ok(from), Ok(bits)) = (u8::try_from(start), u8::try_from(length)) else {
            return Err(format!("start bit {start} lies beyond the frame's 64 bits"));
        };
        let layout = Self { start: from, length: bits, order, coding };
        if start >= 64 || layout.bytes() > MOST_BYTES {
            return Err(format!("{length} bits from bit {start} reach beyond the frame's 64 bits"));
        }
        Ok(layout)
    }

    /// Bytes that a frame must have at least.
    #[must_use]
    pub fn bytes(&self) -> usize {
        (self.first() + usize::from(self.length)).div_ceil(8)
    }

    /// Bits before the signal, counted the way it runs.
    fn first(&self) -> usize {
        let start = usize::from(self.start);
        match self.order {
            ByteOrder::Little => start,
            ByteOrder::Big => start / 8 * 8 + (7 - start % 8),
        }
    }

    /// Bits from the least significant end of the frame read as one number in this byte order.
    fn shift(&self) -> usize {
        match self.order {
            ByteOrder::Little => self.first(),
            ByteOrder::Big => 64 - self.first() - usize::from(self.length),
        }
    }

    fn mask(&self) -> u64 {
        u64::MAX >> (64 - u32::from(self.length))
    }

    fn whole(&self, data: &[u8]) -> u64 {
        let mut padded = [0; MOST_BYTES];
        padded.iter_mut().zip(data).for_each(|(to, from)| *to = *from);
        match self.order {
            ByteOrder::Little => u64::from_le_bytes(padded),
            ByteOrder::Big => u64::from_be_bytes(padded),
        }
    }

    /// The signal's bits; `None` where the frame is too short.
    #[must_use]
    pub fn bits(&self, data: &[u8]) -> Option<u64> {
        (data.len() >= self.bytes()).then(|| self.whole(data) >> self.shift() & self.mask())
    }

    /// Puts the low bits of `bits` into the frame and leaves all others; false where the frame is too short.
    #[must_use]
    pub fn put(&self, bits: u64, data: &mut [u8]) -> bool {
        if data.len() < self.bytes() {
            return false;
        }
        let others = self.whole(data) & !(self.mask() << self.shift());
        let whole = others | (bits & self.mask()) << self.shift();
        let bytes = match self.order {
            ByteOrder::Little => whole.to_le_bytes(),
            ByteOrder::Big => whole.to_be_bytes(),
        };
        data.iter_mut().zip(bytes).for_each(|(to, from)| *to = from);
        true
    }

    /// Whether some bit belongs to both.
    #[must_use]
    pub fn overlaps(&self, other: &Self) -> bool {
        let bits = |layout: &Self| {
            let mut data = [0; MOST_BYTES];
            if layout.put(u64::MAX, &mut data) { u64::from_le_bytes(data) } else { 0 }
        };
        bits(self) & bits(other) != 0
    }

    /// The number that the bits stand for.
    #[expect(
        clippy::cast_precision_loss,
        clippy::cast_possible_wrap,
        clippy::cast_possible_truncation,
        reason = "no sensor resolves more than 53 bits; two's complement; a float of 32 bits has no more"
    )]
    fn number(&self, bits: u64) -> f64 {
        let spare = 64 - u32::from(self.length);
        match self.coding {
            Coding::Unsigned => bits as f64,
            Coding::Signed => ((bits << spare) as i64 >> spare) as f64,
            Coding::Float if self.length == 32 => f64::from(f32::from_bits(bits as u32)),
            Coding::Float => f64::from_bits(bits),
        }
    }

    /// The bits that stand for the nearest number; `None` beyond what the length can hold.
    #[expect(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "within bounds that were checked; a float of 32 bits is rounded to"
    )]
    fn coded(&self, number: f64) -> Option<u64> {
        let whole = number.round();
        match self.coding {
            Coding::Float if self.length == 32 => Some(u64::from((number as f32).to_bits())),
            Coding::Float => Some(number.to_bits()),
            // The highest number of 64 bits rounds up to one that no longer fits.
            Coding::Unsigned => {
                let end = (self.mask() as f64 + 1.0).min(u64::MAX as f64);
                (whole >= 0.0 && whole < end).then_some(whole as u64)
            }
            Coding::Signed => {
                let end = (1_u64 << (self.length - 1)) as f64;
                (whole >= -end && whole < end).then_some(whole as i64 as u64 & self.mask())
            }
        }
    }
}

/// A quantity in a frame.
#[derive(Clone, Debug, PartialEq)]
pub struct Signal {
    /// The frame.
    pub frame: FrameId,
    /// Where in it.
    pub layout: Layout,
    /// Factor from the number in the frame to the quantity.
    pub scale: f64,
    /// Added after scaling.
    pub offset: f64,
    /// Unit as the database spells it; empty where none is stated.
    pub unit: String,
}

impl Signal {
    /// The quantity in a frame's data; `None` where the frame is too short or holds no finite number.
    #[must_use]
    pub fn decode(&self, data: &[u8]) -> Option<f64> {
        let value = self.layout.number(self.layout.bits(data)?) * self.scale + self.offset;
        value.is_finite().then_some(value)
    }

    /// Distance of two values that the signal can hold; `None` of floating-point numbers.
    #[must_use]
    pub fn step(&self) -> Option<f64> {
        (self.layout.coding != Coding::Float).then_some(self.scale.abs())
    }

    /// Puts the nearest value that the signal can hold into a frame's data; false where it cannot hold it or the frame is
    /// too short, and the data is then as it was.
    #[must_use]
    pub fn encode(&self, value: f64, data: &mut [u8]) -> bool {
        let number = (value - self.offset) / self.scale;
        number.is_finite() && self.layout.coded(number).is_some_and(|bits| self.layout.put(bits, data))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn signal(start: u64, length: u64, order: ByteOrder, coding: Coding, scale: f64, offset: f64) -> Signal {
        let layout = Layout::new(start, length, order, coding).unwrap();
        Signal { frame: FrameId::Standard(0x123), layout, scale, offset, unit: String::new() }
    }

    #[test]
    fn examples_worked_by_hand_in_both_byte_orders() {
        use ByteOrder::{Big, Little};
        use Coding::{Float, Signed, Unsigned};
        // Bytes 0 and 1, low byte first: 0x0102.
        let data = [0x02, 0x01, 0, 0, 0, 0, 0, 0];
        assert_eq!(signal(0, 16, Little, Unsigned, 0.01, -1.0).decode(&data), Some(1.58));
        // Bytes 0 and 1, high byte first: 0x0201. The most significant bit is bit 7 of byte 0.
        assert_eq!(signal(7, 16, Big, Unsigned, 1.0, 0.0).decode(&data), Some(513.0));
        // Twelve bits from bit 4 on: byte 0 is 0xA5, byte 1 is 0x3C, so 0x3CA.
        let data = [0xA5, 0x3C, 0, 0, 0, 0, 0, 0];
        assert_eq!(signal(4, 12, Little, Unsigned, 1.0, 0.0).decode(&data), Some(970.0));
        // Twelve bits from bit 3 of byte 0 down: 0x5, then 0x3C.
        assert_eq!(signal(3, 12, Big, Unsigned, 1.0, 0.0).decode(&data), Some(1340.0));
        // Twelve bits from bit 7 of byte 0 down: 0xA5, then 0x3; as two's complement less 4096.
        assert_eq!(signal(7, 12, Big, Unsigned, 1.0, 0.0).decode(&data), Some(2643.0));
        assert_eq!(signal(7, 12, Big, Signed, 1.0, 0.0).decode(&data), Some(-1453.0));
        // A single bit is a sign when it is signed.
        assert_eq!(signal(15, 1, Little, Signed, 1.0, 0.0).decode(&[0, 0x80]), Some(-1.0));
        // 12.5 is 0x41480000 as a float of 32 bits.
        let data = [0, 0, 0x48, 0x41, 0x41, 0x48, 0, 0];
        assert_eq!(signal(0, 32, Little, Float, 2.0, 0.0).decode(&data), Some(25.0));
        assert_eq!(signal(39, 32, Big, Float, 2.0, 0.0).decode(&data), Some(25.0));
        // All 64 bits.
        let data = [0xFF; 8];
        assert_eq!(signal(0, 64, Little, Signed, 1.0, 0.0).decode(&data), Some(-1.0));
        assert_eq!(signal(7, 64, Big, Unsigned, 1.0, 0.0).decode(&data), Some(18_446_744_073_709_551_615.0));
        // No number is no value, and neither is a frame that is too short.
        assert_eq!(signal(0, 32, Little, Float, 1.0, 0.0).decode(&[0, 0, 0xC0, 0x7F]), None);
        assert_eq!(signal(0, 16, Little, Unsigned, 1.0, 0.0).decode(&[1]), None);
    }

    #[test]
    fn layouts_that_leave_the_frame_are_refused() {
        use ByteOrder::{Big, Little};
        for (start, length, order) in [
            (0, 0, Little),
            (0, 65, Little),
            (60, 5, Little),
            (64, 1, Big),
            (56, 2, Big),
            (6, 64, Big),
            (900, 1, Little),
        ] {
            assert!(Layout::new(start, length, order, Coding::Unsigned).is_err(), "{start} {length} {order:?}");
        }
        assert!(Layout::new(0, 16, Little, Coding::Float).is_err());
        assert_eq!(Layout::new(56, 1, Big, Coding::Unsigned).unwrap().bytes(), 8);
        assert_eq!(Layout::new(11, 12, Big, Coding::Unsigned).unwrap().bytes(), 3);
    }

    #[test]
    fn numbers_that_do_not_fit_are_refused_and_change_nothing() {
        let mut data = [0x55; 8];
        let byte = signal(8, 8, ByteOrder::Little, Coding::Signed, 0.5, 0.0);
        for value in [64.0, -64.6, f64::NAN, f64::INFINITY] {
            assert!(!byte.encode(value, &mut data));
        }
        assert_eq!(data, [0x55; 8]);
        assert!(byte.encode(-64.0, &mut data) && byte.decode(&data) == Some(-64.0));
        let full = signal(0, 64, ByteOrder::Little, Coding::Unsigned, 1.0, 0.0);
        assert!(!full.encode(1.8446744073709552e19, &mut data));
    }

    #[test]
    fn identifiers_have_their_bits() {
        assert_eq!(FrameId::new(0x7FF, false), Some(FrameId::Standard(0x7FF)));
        assert_eq!((FrameId::new(0x800, false), FrameId::new(0x1_0001, false)), (None, None));
        assert_eq!(FrameId::new(0x1FFF_FFFF, true), Some(FrameId::Extended(0x1FFF_FFFF)));
        assert_eq!(FrameId::new(0x2000_0000, true), None);
        assert_ne!(FrameId::new(0x10, true), FrameId::new(0x10, false));
    }

    fn layout() -> impl Strategy<Value = Layout> {
        let order = prop_oneof![Just(ByteOrder::Little), Just(ByteOrder::Big)];
        let coding = prop_oneof![Just(Coding::Unsigned), Just(Coding::Signed), Just(Coding::Float)];
        (0..64_u64, 1..=64_u64, order, coding).prop_filter_map("leaves the frame", |(start, length, order, coding)| {
            let length = if coding == Coding::Float { 32 + length / 33 * 32 } else { length };
            Layout::new(start, length, order, coding).ok()
        })
    }

    /// The bits one by one, as the numbering says.
    fn one_by_one(layout: &Layout, data: &[u8; 8]) -> u64 {
        let mut at = usize::from(layout.start);
        let bit = |at: usize| u64::from(data[at / 8] >> (at % 8) & 1);
        let mut bits = 0;
        for i in 0..layout.length {
            match layout.order {
                ByteOrder::Little => bits |= bit(at + usize::from(i)) << i,
                ByteOrder::Big => {
                    bits = bits << 1 | bit(at);
                    at = if at.is_multiple_of(8) { at + 15 } else { at - 1 };
                }
            }
        }
        bits
    }

    proptest! {
        #[test]
        fn bits_are_those_that_the_numbering_names(layout in layout(), data: [u8; 8]) {
            prop_assert_eq!(layout.bits(&data), Some(one_by_one(&layout, &data)));
        }

        #[test]
        fn what_was_put_comes_back_and_the_rest_stays(layout in layout(), data: [u8; 8], bits: u64) {
            let mut changed = data;
            prop_assert!(layout.put(bits, &mut changed));
            prop_assert_eq!(layout.bits(&changed), Some(bits & layout.mask()));
            prop_assert!(layout.put(layout.bits(&data).unwrap(), &mut changed));
            prop_assert_eq!(changed, data);
        }

        #[test]
        fn what_was_encoded_is_decoded_within_half_a_step_and_neighbours_stay(layout in layout(), data: [u8; 8], share in 0.0..1.0_f64, scale in 0.001..10.0_f64, offset in -500.0..500.0_f64) {
            let signal = Signal { frame: FrameId::Standard(1), layout, scale, offset, unit: String::new() };
            // Any value that the signal reaches, most between two steps.
            let top = layout.mask().min(1 << 40) as f64;
            let number = match layout.coding {
                Coding::Unsigned => share * top,
                Coding::Signed => (share - 0.5) * top,
                Coding::Float => (share - 0.5) * 1e6,
            };
            let value = number * scale + offset;
            let mut frame = data;
            prop_assert!(signal.encode(value, &mut frame), "{} of {:?}", number, layout);
            let back = signal.decode(&frame).unwrap();
            // A float of 32 bits has 24 of them for the number.
            let step = signal.step().unwrap_or(scale * 1e6 * f64::from(f32::EPSILON));
            prop_assert!((back - value).abs() <= step * 0.5 + 1e-14 * (1e3 + value.abs()), "{} came back as {}", value, back);
            let mut rest = frame;
            prop_assert!(layout.put(layout.bits(&data).unwrap(), &mut rest));
            prop_assert_eq!(rest, data, "a neighbouring bit changed");
        }

        #[test]
        fn layouts_overlap_where_one_changes_the_other(a in layout(), b in layout()) {
            let mut data = [0; 8];
            prop_assert!(a.put(u64::MAX, &mut data));
            prop_assert_eq!(a.overlaps(&b), b.bits(&data) != Some(0));
            prop_assert_eq!(a.overlaps(&b), b.overlaps(&a));
        }
    }
}
