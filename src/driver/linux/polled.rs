//! Readings that are taken one by one, at an even pace.

use crate::driver::DriverError;
use crate::driver::board::sampler::{Gauge, MOST_SLOTS, Pace, Source, Tick, now_ns};

/// Readings taken one after the other at an even pace.
#[derive(Debug)]
pub(super) struct Polled {
    readings: Vec<Box<dyn Gauge>>,
    pace: Pace,
}

impl Polled {
    /// Reads all of `readings` every `spacing_ns`.
    pub(super) fn new(readings: Vec<Box<dyn Gauge>>, spacing_ns: u64) -> Self {
        Self { readings, pace: Pace::new(spacing_ns) }
    }
}

impl Source for Polled {
    fn fetch(&mut self, into: &mut Vec<Tick>) -> Result<(), DriverError> {
        self.pace.wait();
        let stamp_ns = now_ns();
        let mut values = [0.0_f32; MOST_SLOTS];
        for (value, reading) in values.iter_mut().zip(&mut self.readings) {
            #[expect(clippy::cast_possible_truncation, reason = "samples are kept as f32")]
            let short = reading.value()? as f32;
            *value = short;
        }
        into.push(Tick { stamp_ns, values });
        Ok(())
    }
}
