//! What goes over the wires to converters and monitors, and what the answers are worth.

use crate::config::parts::{Inputs, SpiPart};

/// Bytes of one conversion on SPI.
pub(super) const BYTES: usize = 3;

/// What asks a converter for one conversion: start bit, single-ended or not, three bits that name the input, placed so
/// that the code ends with the last byte (MCP3204/3208 data sheet DS21298E, figure 6-1; MCP3004/3008 DS21295D, figure
/// 6-1).
pub(super) const fn request(part: SpiPart, inputs: Inputs) -> [u8; BYTES] {
    let single = inputs.minus.is_none() as u32;
    // Of a pair the even number names it, the odd one turns it round, which is what the number of its input says.
    let word = 1 << 4 | single << 3 | inputs.plus as u32;
    // After the last bit of the input come a clock to sample, a null bit, and the code.
    let word = word << (part.bits() + 2);
    [(word >> 16) as u8, (word >> 8) as u8, word as u8]
}

/// The code of an answer; `None` where the null bit before it is set, which no converter sends: nothing answered.
pub(super) fn code(part: SpiPart, answer: [u8; BYTES]) -> Option<u16> {
    let word = answer.iter().fold(0_u32, |word, byte| word << 8 | u32::from(*byte));
    let null = word >> part.bits() & 1;
    let code = word & ((1 << part.bits()) - 1);
    (null == 0).then_some(code as u16)
}

/// Registers and settings of a current monitor (INA226 data sheet SBOS547A, table 4).
pub(super) mod ina226 {
    /// Configuration.
    pub(in super::super) const CONFIG: u8 = 0x00;
    /// Voltage across the shunt.
    pub(in super::super) const SHUNT: u8 = 0x01;
    /// Voltage of the bus input.
    pub(in super::super) const BUS: u8 = 0x02;
    /// Who made it.
    pub(in super::super) const MAKER: u8 = 0xfe;
    /// What stands there.
    pub(in super::super) const MAKER_IS: u16 = 0x5449;
    /// Both voltages for ever, 332 µs each, no averaging.
    pub(in super::super) const SETTING: u16 = 0x4097;
    /// Time of both conversions, 10 % longer than stated.
    pub(in super::super) const CYCLE_NS: u64 = 2 * 365_000;

    /// Volts across the shunt: 2.5 µV a count, two's complement.
    pub(in super::super) fn shunt_v(register: u16) -> f64 {
        f64::from(register.cast_signed()) * 2.5e-6
    }

    /// Volts at the bus input: 1.25 mV a count.
    pub(in super::super) fn bus_v(register: u16) -> f64 {
        f64::from(register) * 1.25e-3
    }
}

/// Registers and settings of a 16-bit converter (ADS1115 data sheet SBAS444D, tables 7 and 8).
pub(super) mod ads1115 {
    use crate::config::parts::Inputs;

    /// Code.
    pub(in super::super) const CODE: u8 = 0x00;
    /// Configuration.
    pub(in super::super) const CONFIG: u8 = 0x01;
    /// Starts a conversion when written, tells its end when read.
    pub(in super::super) const READY: u16 = 0x8000;
    /// Longest conversion at 860 a second with a clock 10 % slow, and the time to wake up.
    pub(in super::super) const CONVERSION_US: u64 = 1_330;
    /// Volts of the highest code with the setting below.
    const FULL_SCALE_V: f64 = 4.096;

    /// One conversion of these inputs: full scale 4.096 V, 860 a second, comparator off.
    pub(in super::super) fn setting(inputs: Inputs) -> u16 {
        let mux = match (inputs.plus, inputs.minus) {
            (0, Some(1)) => 0,
            (0, Some(_)) => 1,
            (1, Some(_)) => 2,
            (_, Some(_)) => 3,
            (input, None) => 4 + u16::from(input),
        };
        READY | mux << 12 | 0b001 << 9 | 1 << 8 | 0b111 << 5 | 0b11
    }

    /// Volts of a code, two's complement.
    pub(in super::super) fn volts(code: u16) -> f64 {
        f64::from(code.cast_signed()) * FULL_SCALE_V / 32_768.0
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// A converter as its data sheet tells it, clock by clock: nothing before the start bit, then the mode, three bits of
    /// input, a clock to sample, a null bit, the code from its highest bit.
    fn converter(bits: u32, code_of: impl Fn(bool, u32) -> u16, request: [u8; BYTES]) -> [u8; BYTES] {
        let (mut clocks, mut single, mut input, mut code) = (None, false, 0_u32, 0);
        let mut answer = [0_u8; BYTES];
        for at in 0..8 * BYTES {
            let bit = request[at / 8] >> (7 - at % 8) & 1 == 1;
            let out = match clocks {
                None => {
                    clocks = bit.then_some(0);
                    false
                }
                Some(clock) => {
                    let clock = clock + 1;
                    clocks = Some(clock);
                    match clock {
                        1 => single = bit,
                        2..=4 => input = input << 1 | u32::from(bit),
                        5 => code = code_of(single, input),
                        _ => {}
                    }
                    // Clock 5 samples, the null bit comes with clock 6.
                    (7..7 + bits).contains(&clock) && code >> (bits - 1 - (clock - 7)) & 1 == 1
                }
            };
            answer[at / 8] |= u8::from(out) << (7 - at % 8);
        }
        answer
    }

    proptest! {
        #[test]
        fn every_code_of_every_input_is_read_back(code_12 in 0_u16..4096, plus in 0_u8..8, pair in any::<bool>()) {
            for part in SpiPart::ALL {
                let inputs = Inputs { plus, minus: pair.then_some(plus ^ 1) };
                let due = code_12 >> (12 - part.bits());
                let code_of = |single: bool, input: u32| {
                    if single != pair && input == u32::from(plus) { due } else { due ^ 1 }
                };
                let answer = converter(part.bits(), code_of, request(part, inputs));
                prop_assert_eq!(code(part, answer), Some(due), "{:?} {:?}", part, inputs);
            }
        }
    }

    #[test]
    fn requests_are_those_of_the_data_sheets() {
        let single = |plus| Inputs { plus, minus: None };
        assert_eq!(request(SpiPart::Mcp3208, single(0)), [0x06, 0x00, 0x00]);
        assert_eq!(request(SpiPart::Mcp3208, single(7)), [0x07, 0xc0, 0x00]);
        assert_eq!(request(SpiPart::Mcp3008, single(5)), [0x01, 0xd0, 0x00]);
        assert_eq!(request(SpiPart::Mcp3008, Inputs { plus: 1, minus: Some(0) }), [0x01, 0x10, 0x00]);
    }

    #[test]
    fn a_line_that_nobody_pulls_low_is_no_reading() {
        assert_eq!(code(SpiPart::Mcp3208, [0xff; BYTES]), None);
        assert_eq!(code(SpiPart::Mcp3008, [0xff; BYTES]), None);
        // What comes before the null bit is undefined and says nothing.
        assert_eq!(code(SpiPart::Mcp3208, [0xff, 0xef, 0xff]), Some(0xfff));
        assert_eq!(code(SpiPart::Mcp3008, [0xff, 0xfb, 0xff]), Some(0x3ff));
    }

    #[test]
    fn a_monitor_reads_as_in_the_examples_of_its_data_sheet() {
        assert!((ina226::shunt_v(0x8300) + 0.08).abs() < 1e-12);
        assert!((ina226::bus_v(0x2570) - 11.98).abs() < 1e-12);
        assert!((ina226::shunt_v(0x0001) - 2.5e-6).abs() < 1e-15);
    }

    #[test]
    fn a_sixteen_bit_code_is_signed_and_its_setting_names_the_input() {
        assert!((ads1115::volts(0x7fff) - 4.096 * 32_767.0 / 32_768.0).abs() < 1e-12);
        assert!((ads1115::volts(0x8000) + 4.096).abs() < 1e-12);
        assert!((ads1115::volts(0xffff) + 0.000_125).abs() < 1e-12);
        let setting = |plus, minus| ads1115::setting(Inputs { plus, minus });
        assert_eq!(setting(0, None), 0xc3e3);
        assert_eq!(setting(3, None), 0xf3e3);
        assert_eq!(setting(0, Some(1)), 0x83e3);
        assert_eq!(setting(2, Some(3)), 0xb3e3);
    }
}
