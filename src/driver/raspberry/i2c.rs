//! Converters and current monitors on I2C. A part that a driver of the kernel holds is refused by the kernel itself.
//!
//! Settings of a part are put back when it is dropped. Readings of a part that serves slow channels alone are slow
//! readings; others keep a pace of their own.

use std::fmt;
use std::thread::sleep;
use std::time::Duration;

use rppal::i2c::I2c;

use super::frame::{ads1115, ina226};
use crate::config::parts::I2cReading;
use crate::driver::DriverError;
use crate::driver::board::lanes::{Paced, Readings, Slot};
use crate::driver::board::sampler::{Gauge, MOST_SLOTS, Pace, Source, Tick, now_ns};
use crate::units::Hertz;

/// Calls without an answer, one after the other, that mean that the part is gone.
const SILENT: u32 = 20;
/// Looks for the end of a conversion that takes longer than it may.
const LOOKS: u32 = 5;

/// Opens a part and adds its readings.
pub(super) fn open(
    bus: u8,
    at: u8,
    wanted: &[(Slot, I2cReading)],
    rate: Hertz,
    readings: &mut Readings,
) -> Result<(), DriverError> {
    if wanted.iter().all(|(slot, _)| slot.is_slow()) {
        for (slot, reading) in wanted {
            readings.slow.push((*slot, Box::new(Part::open(bus, at, vec![*reading])?)));
        }
        return Ok(());
    }
    let part = Part::open(bus, at, wanted.iter().map(|(_, reading)| *reading).collect())?;
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "bounded by the rig file")]
    let spacing_ns = ((1e9 / rate.get()) as u64).max(part.cycle_ns());
    let name = part.name.clone();
    #[expect(clippy::cast_precision_loss, reason = "milliseconds")]
    let rate_hz = 1e9 / spacing_ns as f64;
    let slots = wanted.iter().map(|(slot, _)| *slot).collect();
    let source = Box::new(Steady { part, pace: Pace::new(spacing_ns), silent: 0 });
    readings.paced.push(Paced { name, slots, rate_hz, ours: true, source });
    Ok(())
}

/// Registers of 16 bits, high byte first.
trait Registers: Send + fmt::Debug {
    fn get(&self, register: u8) -> Result<u16, String>;
    fn put(&self, register: u8, value: u16) -> Result<(), String>;
}

impl Registers for I2c {
    fn get(&self, register: u8) -> Result<u16, String> {
        self.smbus_read_word_swapped(register).map_err(|error| error.to_string())
    }

    fn put(&self, register: u8, value: u16) -> Result<(), String> {
        self.smbus_write_word_swapped(register, value).map_err(|error| error.to_string())
    }
}

/// A part with what is read of it.
#[derive(Debug)]
struct Part<R: Registers> {
    registers: R,
    name: String,
    readings: Vec<I2cReading>,
    /// Configuration as it was found: register and value.
    before: (u8, u16),
}

impl Part<I2c> {
    fn open(bus: u8, at: u8, readings: Vec<I2cReading>) -> Result<Self, DriverError> {
        let name = format!("i2c:{bus}/{at:#04x}/{}", readings.first().map_or("", |reading| reading.part()));
        let open = |why: String| DriverError::Open { what: name.clone(), why };
        let advice = "set dtparam=i2c_arm=on in config.txt and join the group `i2c`";
        let mut wires = I2c::with_bus(bus).map_err(|error| open(format!("/dev/i2c-{bus}: {error}; {advice}")))?;
        let held = "a driver of the kernel holds it: read it with driver = \"linux\", or take its overlay out";
        wires.set_slave_address(at.into()).map_err(|error| open(format!("{error}; {held}")))?;
        Self::with(wires, name.clone(), readings).map_err(open)
    }
}

impl<R: Registers> Part<R> {
    /// Makes sure of the part and sets it up.
    fn with(registers: R, name: String, readings: Vec<I2cReading>) -> Result<Self, String> {
        let seen = "`i2cdetect` shows which addresses answer";
        let found = |value: Result<u16, String>| value.map_err(|why| format!("no answer ({why}); {seen}"));
        if !matches!(readings.first(), Some(I2cReading::Ads1115(_))) {
            let maker = found(registers.get(ina226::MAKER))?;
            if maker != ina226::MAKER_IS {
                return Err(format!("what answers there says {maker:#06x} of its maker: no such monitor; {seen}"));
            }
            let before = (ina226::CONFIG, found(registers.get(ina226::CONFIG))?);
            let part = Self { registers, name, readings, before };
            part.registers.put(ina226::CONFIG, ina226::SETTING)?;
            sleep(Duration::from_nanos(ina226::CYCLE_NS));
            return Ok(part);
        }
        // Written back without the bit that would start a conversion.
        let before = (ads1115::CONFIG, found(registers.get(ads1115::CONFIG))? & !ads1115::READY);
        Ok(Self { registers, name, readings, before })
    }

    /// Time that fresh values of all readings take.
    fn cycle_ns(&self) -> u64 {
        match self.readings.first() {
            Some(I2cReading::Ads1115(_)) => self.readings.len() as u64 * (ads1115::CONVERSION_US + 300) * 1_000,
            _ => ina226::CYCLE_NS,
        }
    }

    fn read(&self, reading: I2cReading) -> Result<f64, String> {
        match reading {
            I2cReading::Ina226Shunt => self.registers.get(ina226::SHUNT).map(ina226::shunt_v),
            I2cReading::Ina226Bus => self.registers.get(ina226::BUS).map(ina226::bus_v),
            I2cReading::Ads1115(inputs) => {
                self.registers.put(ads1115::CONFIG, ads1115::setting(inputs))?;
                sleep(Duration::from_micros(ads1115::CONVERSION_US));
                for _ in 0..LOOKS {
                    if self.registers.get(ads1115::CONFIG)? & ads1115::READY != 0 {
                        return self.registers.get(ads1115::CODE).map(ads1115::volts);
                    }
                    sleep(Duration::from_micros(ads1115::CONVERSION_US / 4));
                }
                Err("its conversion does not end".to_owned())
            }
        }
    }
}

impl<R: Registers> Drop for Part<R> {
    fn drop(&mut self) {
        // A part that is gone has nothing to restore.
        let _ = self.registers.put(self.before.0, self.before.1);
    }
}

impl<R: Registers> Gauge for Part<R> {
    fn value(&mut self) -> Result<f64, DriverError> {
        let Some(reading) = self.readings.first().copied() else {
            return Err(DriverError::Answer { what: self.name.clone(), why: "nothing is read of it".to_owned() });
        };
        let mut tried = self.read(reading);
        for _ in 1..3 {
            tried = tried.or_else(|_| self.read(reading));
        }
        tried.map_err(|why| DriverError::Gone { what: self.name.clone(), why: format!("no answer: {why}") })
    }
}

/// A part that keeps a pace.
#[derive(Debug)]
struct Steady<R: Registers> {
    part: Part<R>,
    pace: Pace,
    /// Calls without an answer up to now.
    silent: u32,
}

impl<R: Registers> Source for Steady<R> {
    fn fetch(&mut self, into: &mut Vec<Tick>) -> Result<(), DriverError> {
        self.pace.wait();
        let begin_ns = now_ns();
        let mut values = [0.0_f32; MOST_SLOTS];
        let mut read = Ok(());
        for (value, reading) in values.iter_mut().zip(&self.part.readings) {
            #[expect(clippy::cast_possible_truncation, reason = "samples are kept as f32")]
            match self.part.read(*reading) {
                Ok(volts) => *value = volts as f32,
                Err(why) => read = Err(why),
            }
        }
        match read {
            Ok(()) => {
                self.silent = 0;
                into.push(Tick { stamp_ns: begin_ns + (now_ns() - begin_ns) / 2, values });
                Ok(())
            }
            // Not acknowledged: that sample is missing, and counts as lost.
            Err(_) if self.silent + 1 < SILENT => {
                self.silent += 1;
                Ok(())
            }
            Err(why) => Err(DriverError::Gone { what: self.part.name.clone(), why: format!("no answer: {why}") }),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;
    use std::sync::{Arc, Mutex};

    use super::*;
    use crate::config::parts::Inputs;

    /// Registers in memory; register 0xee, once set, makes every call fail.
    #[derive(Clone, Debug, Default)]
    struct Memory(Arc<Mutex<BTreeMap<u8, u16>>>);

    impl Memory {
        fn set(&self, register: u8, value: u16) {
            self.0.lock().unwrap().insert(register, value);
        }
    }

    impl Registers for Memory {
        fn get(&self, register: u8) -> Result<u16, String> {
            let all = self.0.lock().unwrap();
            if all.contains_key(&0xee) {
                return Err("not acknowledged".to_owned());
            }
            all.get(&register).copied().ok_or_else(|| "no such register".to_owned())
        }

        fn put(&self, register: u8, value: u16) -> Result<(), String> {
            self.get(register)?;
            self.set(register, value);
            Ok(())
        }
    }

    fn monitor(registers: &Memory) -> Result<Part<Memory>, String> {
        let readings = vec![I2cReading::Ina226Shunt, I2cReading::Ina226Bus];
        Part::with(registers.clone(), "i2c:1/0x40/ina226".to_owned(), readings)
    }

    #[test]
    fn a_monitor_is_set_up_read_and_left_as_it_was() {
        let registers = Memory::default();
        for (register, value) in [(0x00, 0x4127), (0x01, 0x8300), (0x02, 0x2570), (0xfe, 0x5449)] {
            registers.set(register, value);
        }
        let part = monitor(&registers).unwrap();
        assert_eq!(registers.get(0x00), Ok(0x4097), "two voltages for ever, 332 us each");
        let mut source = Steady { part, pace: Pace::new(1_000), silent: 0 };
        let mut ticks = Vec::new();
        source.fetch(&mut ticks).unwrap();
        assert!((ticks[0].values[0] + 0.08).abs() < 1e-7 && (ticks[0].values[1] - 11.98).abs() < 1e-5);
        drop(source);
        assert_eq!(registers.get(0x00), Ok(0x4127));
    }

    #[test]
    fn another_part_at_that_address_is_refused_and_not_written_to() {
        let registers = Memory::default();
        registers.set(0xfe, 0x1234);
        registers.set(0x00, 0x00ff);
        let refused = monitor(&registers).unwrap_err();
        assert!(refused.contains("0x1234"), "{refused}");
        assert_eq!(registers.get(0x00), Ok(0x00ff));
    }

    #[test]
    fn calls_without_an_answer_are_missing_samples_and_then_the_end() {
        let registers = Memory::default();
        for (register, value) in [(0x00, 0x4127), (0x01, 0), (0x02, 0), (0xfe, 0x5449)] {
            registers.set(register, value);
        }
        let mut source = Steady { part: monitor(&registers).unwrap(), pace: Pace::new(1_000), silent: 0 };
        let mut ticks = Vec::new();
        registers.set(0xee, 0);
        let calls = (1..).find(|_| source.fetch(&mut ticks).is_err());
        assert_eq!((calls, ticks.len()), (Some(20), 0));
    }

    #[test]
    fn a_conversion_is_asked_for_and_waited_for() {
        let registers = Memory::default();
        registers.set(0x01, 0x8583);
        registers.set(0x00, 0x4000);
        let readings = vec![I2cReading::Ads1115(Inputs { plus: 2, minus: None })];
        let mut part = Part::with(registers.clone(), "i2c:1/0x48/ads1115".to_owned(), readings).unwrap();
        // The memory keeps the bit that starts a conversion, which reads as its end.
        assert!((part.value().unwrap() - 2.048).abs() < 1e-9);
        assert_eq!(registers.get(0x01), Ok(0xe3e3));
        drop(part);
        assert_eq!(registers.get(0x01), Ok(0x0583), "as it was, and no conversion started");
    }
}
