//! Readings that are taken one by one, at an even pace.

use crate::driver::DriverError;
use crate::driver::board::lanes::{Paced, Slot};
use crate::driver::board::sampler::{Gauge, MOST_SLOTS, Pace, Source, Tick, now_ns};

/// These readings, all of them `rate_hz` times a second: the pace is this program's, so what it misses is lost.
pub(super) fn paced(readings: Vec<(Slot, Box<dyn Gauge>)>, rate_hz: f64) -> Paced {
    let (slots, readings) = readings.into_iter().unzip();
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "bounded by the rig file")]
    let pace = Pace::new((1e9 / rate_hz) as u64);
    let source = Box::new(Polled { readings, pace });
    Paced { name: "polled readings".to_owned(), slots, rate_hz, ours: true, source }
}

/// Readings taken one after the other at an even pace.
#[derive(Debug)]
struct Polled {
    readings: Vec<Box<dyn Gauge>>,
    pace: Pace,
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
