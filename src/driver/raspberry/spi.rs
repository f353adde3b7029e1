//! Converters on SPI: all inputs of one in a single message of the kernel, scan after scan at an even pace.
//!
//! The moment of a scan is the middle between the stamps before and after its message; the inputs follow one another
//! within it, which the alignment of the channels states.

use std::fmt;
use std::fs::File;

use rppal::spi::{Bus, Mode, Segment, SlaveSelect, Spi};

use super::frame::{self, BYTES};
use crate::config::parts::{Inputs, SpiPart};
use crate::config::rig::BoardSpec;
use crate::driver::DriverError;
use crate::driver::board::lanes::{Paced, Readings, Slot};
use crate::driver::board::sampler::{MOST_SLOTS, Pace, Source, Tick, now_ns};

/// Clock of the bus: below what the 12-bit part takes at 2.7 V (DS21298E: 1 MHz), and off the range around 1 MHz where
/// the bus of some boards lets go of the chip select early.
const CLOCK_HZ: u32 = 700_000;
/// Scans by which the time of one is measured.
const TRIALS: usize = 21;
/// Scans without an answer, one after the other, that mean that the converter is gone.
const SILENT: u32 = 50;

/// Opens a converter and adds it to the readings.
pub(super) fn open(
    (bus, select, part): (u8, u8, SpiPart),
    wanted: &[(Slot, Inputs)],
    board: &BoardSpec,
    readings: &mut Readings,
) -> Result<(), DriverError> {
    let name = format!("spi:{bus}.{select}/{}", part.name());
    let open = |why: String| DriverError::Open { what: name.clone(), why };
    let reference_v = board.reference.ok_or_else(|| open("its reference voltage is not stated".to_owned()))?.get();
    if wanted.len() > MOST_SLOTS {
        return Err(open(format!("{} readings; {MOST_SLOTS} is the most", wanted.len())));
    }
    // The bus knows no owner; another run of this program is kept off by a lock on its file.
    let path = format!("/dev/spidev{bus}.{select}");
    let advice =
        "set dtparam=spi=on in config.txt and join the group `spi`; a kernel driver on that chip select must go";
    let lock = File::open(&path).map_err(|error| open(format!("{path}: {error}; {advice}")))?;
    lock.try_lock().map_err(|_| open("another galebench uses it: wait for its end".to_owned()))?;
    let (known_bus, known_select) = of(bus, select).ok_or_else(|| open("there is no such bus".to_owned()))?;
    let spi = Spi::new(known_bus, known_select, CLOCK_HZ, Mode::Mode0);
    let spi = spi.map_err(|error| open(format!("{error}; {advice}")))?;
    let mut converter = Converter {
        wires: spi,
        name: name.clone(),
        part,
        volts: reference_v / f64::from(1_u32 << part.bits()),
        requests: wanted.iter().map(|(_, inputs)| frame::request(part, *inputs)).collect(),
        answers: vec![[0; BYTES]; wanted.len()],
        pace: pace(board.rate.get()),
        silent: 0,
        _lock: Some(lock),
    };
    let scan_ns = converter.time_of_a_scan()?;
    #[expect(clippy::cast_precision_loss, reason = "microseconds")]
    let scan_s = scan_ns as f64 * 1e-9;
    if scan_s * board.rate.get() > 0.9 {
        let most = (0.8 / scan_s).floor();
        let why = format!(
            "one scan of {} inputs takes {:.0} us: state a `rate` of {most:.0} Hz or less in `[bench]`",
            wanted.len(),
            scan_s * 1e6
        );
        return Err(open(why));
    }
    readings.notes.push(format!(
        "{name}: a scan of {} inputs takes {:.0} us (median of {TRIALS}); their moments are taken as its middle",
        wanted.len(),
        scan_s * 1e6
    ));
    // Anywhere within the scan: the deviation of an even spread.
    readings.skew_s.extend(wanted.iter().map(|(slot, _)| (slot.channel, scan_s / 12_f64.sqrt())));
    let slots = wanted.iter().map(|(slot, _)| *slot).collect();
    readings.paced.push(Paced { name, slots, rate_hz: board.rate.get(), ours: true, source: Box::new(converter) });
    Ok(())
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "bounded by the rig file")]
fn pace(rate_hz: f64) -> Pace {
    Pace::new((1e9 / rate_hz) as u64)
}

/// The library's names of a bus and a chip select.
const fn of(bus: u8, select: u8) -> Option<(Bus, SlaveSelect)> {
    let bus = match bus {
        0 => Bus::Spi0,
        1 => Bus::Spi1,
        2 => Bus::Spi2,
        3 => Bus::Spi3,
        4 => Bus::Spi4,
        5 => Bus::Spi5,
        6 => Bus::Spi6,
        _ => return None,
    };
    let select = match select {
        0 => SlaveSelect::Ss0,
        1 => SlaveSelect::Ss1,
        2 => SlaveSelect::Ss2,
        _ => return None,
    };
    Some((bus, select))
}

/// What moves bytes: the chip is selected anew for each request.
trait Wires: Send + fmt::Debug {
    fn exchange(&self, requests: &[[u8; BYTES]], answers: &mut [[u8; BYTES]]) -> Result<(), String>;
}

impl Wires for Spi {
    fn exchange(&self, requests: &[[u8; BYTES]], answers: &mut [[u8; BYTES]]) -> Result<(), String> {
        let last = requests.len().saturating_sub(1);
        let segment = |(at, (request, answer))| {
            // After the last one the kernel lets go by itself; there the mark would hold the chip.
            Segment::with_settings(Some(answer), Some(request), 0, 0, 8, at != last)
        };
        let segments: Vec<Segment<'_, '_>> = requests
            .iter()
            .zip(answers)
            .enumerate()
            .map(|(at, (request, answer))| segment((at, (request.as_slice(), answer.as_mut_slice()))))
            .collect();
        self.transfer_segments(&segments).map_err(|error| error.to_string())
    }
}

/// A converter that is scanned.
#[derive(Debug)]
struct Converter<W> {
    wires: W,
    name: String,
    part: SpiPart,
    /// Volts of one count.
    volts: f64,
    requests: Vec<[u8; BYTES]>,
    answers: Vec<[u8; BYTES]>,
    pace: Pace,
    /// Scans without an answer up to now.
    silent: u32,
    _lock: Option<File>,
}

impl<W: Wires> Converter<W> {
    /// One scan; its middle, and how long it took.
    fn scan(&mut self) -> Result<(u64, u64), DriverError> {
        let begin_ns = now_ns();
        self.wires
            .exchange(&self.requests, &mut self.answers)
            .map_err(|why| DriverError::Gone { what: self.name.clone(), why })?;
        let took_ns = now_ns() - begin_ns;
        Ok((begin_ns + took_ns / 2, took_ns))
    }

    /// The values of the last scan; none where an answer is none.
    fn values(&self) -> Option<[f32; MOST_SLOTS]> {
        let mut values = [0.0; MOST_SLOTS];
        for (value, answer) in values.iter_mut().zip(&self.answers) {
            #[expect(clippy::cast_possible_truncation, reason = "samples are kept as f32")]
            let volts = (f64::from(frame::code(self.part, *answer)?) * self.volts) as f32;
            *value = volts;
        }
        Some(values)
    }

    fn time_of_a_scan(&mut self) -> Result<u64, DriverError> {
        let mut took = Vec::with_capacity(TRIALS);
        for _ in 0..TRIALS {
            took.push(self.scan()?.1);
            self.heard()?;
        }
        took.sort_unstable();
        Ok(took[TRIALS / 2])
    }

    /// The values of the last scan, if something answered; an error once nothing has for too long.
    fn heard(&mut self) -> Result<Option<[f32; MOST_SLOTS]>, DriverError> {
        let values = self.values();
        self.silent = if values.is_some() { 0 } else { self.silent + 1 };
        if self.silent >= SILENT {
            let why = "nothing answers on the bus: converter without power, or its data line broken".to_owned();
            return Err(DriverError::Gone { what: self.name.clone(), why });
        }
        Ok(values)
    }
}

impl<W: Wires> Source for Converter<W> {
    fn fetch(&mut self, into: &mut Vec<Tick>) -> Result<(), DriverError> {
        self.pace.wait();
        let (stamp_ns, _) = self.scan()?;
        // A scan that was not answered is missing, and counts as lost.
        into.extend(self.heard()?.map(|values| Tick { stamp_ns, values }));
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Mutex;

    use super::*;

    /// Wires with answers prepared.
    #[derive(Debug)]
    struct Played(Mutex<Vec<Vec<[u8; BYTES]>>>);

    impl Wires for Played {
        fn exchange(&self, _: &[[u8; BYTES]], answers: &mut [[u8; BYTES]]) -> Result<(), String> {
            let next = self.0.lock().unwrap().pop().ok_or("unplugged")?;
            answers.copy_from_slice(&next);
            Ok(())
        }
    }

    fn converter(mut scans: Vec<Vec<[u8; BYTES]>>) -> Converter<Played> {
        scans.reverse();
        Converter {
            wires: Played(Mutex::new(scans)),
            name: "spi:0.0/mcp3208".to_owned(),
            part: SpiPart::Mcp3208,
            volts: 3.3 / 4096.0,
            requests: vec![[0; BYTES]; 2],
            answers: vec![[0; BYTES]; 2],
            pace: pace(20_000.0),
            silent: 0,
            _lock: None,
        }
    }

    #[test]
    fn a_scan_that_nobody_answered_is_missing_and_a_converter_that_is_gone_is_an_error() {
        let good = vec![[0, 0x08, 0x00], [0, 0x0f, 0xff]];
        let half = vec![[0, 0x08, 0x00], [0xff; BYTES]];
        let mut source = converter(vec![good.clone(), half, good]);
        let mut ticks = Vec::new();
        for _ in 0..3 {
            source.fetch(&mut ticks).unwrap();
        }
        assert_eq!(ticks.len(), 2, "the scan in between is missing");
        assert!((ticks[0].values[0] - 1.65).abs() < 1e-6 && (ticks[1].values[1] - 3.3 * 4095.0 / 4096.0).abs() < 1e-6);
        assert!(ticks[0].stamp_ns < ticks[1].stamp_ns);
        let gone = source.fetch(&mut ticks).unwrap_err();
        assert!(gone.to_string().contains("unplugged"), "{gone}");
    }

    #[test]
    fn a_line_that_stays_high_is_told_after_a_while() {
        let mut source = converter(vec![vec![[0xff; BYTES]; 2]; 60]);
        let mut ticks = Vec::new();
        let scans = (1..).find(|_| source.fetch(&mut ticks).is_err());
        assert_eq!((scans, ticks.len()), (Some(50), 0));
    }
}
