//! A bench whose samples are put right by the calibrations of its rig; everything else passes through.

use std::collections::BTreeMap;

use crate::bench::{Block, Channel, Pace, Setting};
use crate::config::calibration::Correction;
use crate::config::rig::Rig;
use crate::driver::{Bench, DriverError, Offers};

/// A sample of a channel with two ranges comes from the low one when it reads no more than this share of it.
const LOW_USED: f64 = 0.95;

/// Corrections of one channel by range.
#[derive(Clone, Copy, Debug)]
struct Ranges {
    wide: Option<Correction>,
    /// Full scale of the low range and its correction.
    low: Option<(f64, Option<Correction>)>,
}

impl Ranges {
    fn of(&self, reading: f64) -> Option<&Correction> {
        match &self.low {
            Some((range, low)) if reading.abs() <= LOW_USED * range => low.as_ref(),
            _ => self.wide.as_ref(),
        }
    }
}

/// The bench with its corrections.
#[derive(Debug)]
pub struct Calibrated {
    inner: Box<dyn Bench>,
    ranges: BTreeMap<Channel, Ranges>,
}

impl Calibrated {
    /// `inner` with what `rig` was calibrated to; `inner` itself where nothing was.
    #[must_use]
    pub fn wrap(inner: Box<dyn Bench>, rig: &Rig) -> Box<dyn Bench> {
        let ranges: BTreeMap<Channel, Ranges> = rig
            .channels
            .iter()
            .map(|(channel, spec)| {
                let low = spec.low.map(|low| (low.range.get(), low.correction));
                (*channel, Ranges { wide: spec.correction, low })
            })
            .filter(|(_, ranges)| ranges.wide.is_some() || ranges.low.is_some_and(|(_, low)| low.is_some()))
            .collect();
        if ranges.is_empty() { inner } else { Box::new(Self { inner, ranges }) }
    }
}

impl Bench for Calibrated {
    fn offers(&self) -> &Offers {
        self.inner.offers()
    }

    fn set(&mut self, setting: &Setting) -> Result<f64, DriverError> {
        self.inner.set(setting)
    }

    fn read(&mut self, seconds: f64, pace: Pace) -> Result<Block, DriverError> {
        let mut block = self.inner.read(seconds, pace)?;
        for (channel, samples) in &mut block.channels {
            let Some(ranges) = self.ranges.get(channel) else { continue };
            for sample in samples {
                let reading = f64::from(*sample);
                if let Some(correction) = ranges.of(reading) {
                    #[expect(clippy::cast_possible_truncation, reason = "samples are kept in single precision")]
                    let value = correction.apply(reading) as f32;
                    *sample = value;
                }
            }
        }
        Ok(block)
    }

    fn make_safe(&mut self) -> Result<f64, DriverError> {
        self.inner.make_safe()
    }

    fn supply_feedback(&mut self) -> Result<Option<bool>, DriverError> {
        self.inner.supply_feedback()
    }

    fn flex(&mut self, on: bool) -> bool {
        self.inner.flex(on)
    }

    fn notes(&mut self) -> Vec<String> {
        self.inner.notes()
    }

    fn close(&mut self) {
        self.inner.close();
    }
}
