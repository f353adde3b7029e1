//! Bench supplies, electronic loads and meters that speak SCPI over a TCP socket or a serial port.
//!
//! What happens when things end: `make_safe` and dropping switch every output off and ask whether it is, over a new
//! connection where the old one is lost; a supply then goes back to the voltage of the rig. When the process is killed, or
//! the cable is pulled, the instrument keeps its output as it is: what must then open the supply is the contactor, the
//! fuse, and the instrument's own limits.
//!
//! Readings are taken one after the other by a thread for each instrument and stamped by this host's clock. Between two
//! readings a block repeats the last one; how old that is, is stated as the alignment of the channel. The bench that
//! carries the supply current stretches its blocks until a new reading of it has come.

mod instrument;
mod link;
mod port;
mod station;

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use self::instrument::Instrument;
use self::station::{Order, Station};
use crate::bench::{Block, Channel, Pace, Setting, Supply};
use crate::config::instrument::{InstrumentKind, Quantity, ScpiSpec};
use crate::config::rig::{FirstPower, Rig};
use crate::driver::{Alignment, Bench, Control, DriverError, Offers};

/// Readings of each quantity by which the pace is measured at the start.
const MEASURED: usize = 3;
/// A reading must come within this time at the start.
const FIRST_WITHIN: Duration = Duration::from_secs(6);
/// A reading older than this many of the slowest turns, and than a second, is no reading.
const OLD_TURNS: f64 = 8.0;
/// How often the stations are looked at.
const LOOK: Duration = Duration::from_millis(2);

/// A channel behind an instrument.
#[derive(Debug)]
struct Source {
    channel: Channel,
    station: usize,
    slot: usize,
    scale: f64,
    offset: f64,
    /// Readings since the last block.
    fresh: Vec<f32>,
    /// The newest reading and when it was complete.
    newest: Option<(f32, Instant)>,
    /// Readings seen and the longest time between two, while the pace is measured.
    seen: usize,
    turn_s: f64,
}

/// Instruments as a bench, or as a part of one.
#[derive(Debug)]
pub struct ScpiBench {
    stations: Vec<Station>,
    /// Stations with an output, supplies first.
    outputs: Vec<usize>,
    sources: Vec<Source>,
    offers: Offers,
    gentle_a: Option<f64>,
    supply: Option<Supply>,
    /// Voltage in force, where it can be set: the rig's own, or another. `None` when that is not known.
    level_v: Option<Option<f64>>,
    origin: Instant,
    end_s: f64,
    notes: Vec<String>,
    closed: bool,
}

impl ScpiBench {
    /// Connects to every instrument of the rig, outputs off, and measures how fast each is read.
    ///
    /// # Errors
    /// [`DriverError`] naming the instrument that cannot be reached, is another one, reports an error or is silent.
    pub fn open(rig: &Rig, spec: &ScpiSpec) -> Result<Self, DriverError> {
        let mut notes = Vec::new();
        let (mut stations, mut outputs, mut sources) = (Vec::new(), Vec::new(), Vec::new());
        for (index, instrument) in spec.instruments.iter().enumerate() {
            let opened = Instrument::open(instrument)?;
            notes.push(format!("instrument `{}` says it is \"{}\"", instrument.name, opened.identity));
            let read = spec.channels.iter().filter(|(_, (name, _))| *name == instrument.name);
            let quantities: Vec<(Channel, Quantity)> = read.map(|(channel, (_, of))| (*channel, *of)).collect();
            for (slot, (channel, _)) in quantities.iter().enumerate() {
                let (scale, offset) = rig.channels.get(channel).map_or((1.0, 0.0), |spec| (spec.scale, spec.offset));
                let (fresh, newest) = (Vec::new(), None);
                sources.push(Source {
                    channel: *channel,
                    station: index,
                    slot,
                    scale,
                    offset,
                    fresh,
                    newest,
                    seen: 0,
                    turn_s: 0.0,
                });
            }
            let quantities = quantities.into_iter().map(|(_, quantity)| quantity).collect();
            stations.push(Station::start(&instrument.name, opened, quantities)?);
            match instrument.kind {
                InstrumentKind::Supply => outputs.insert(0, index),
                InstrumentKind::Load => outputs.push(index),
                InstrumentKind::Meter => {}
            }
        }
        let gentle_a = match rig.first_power {
            FirstPower::LimitedSupply { limit } => Some(limit.get()),
            _ => None,
        };
        let offers = Offers {
            name: rig.name.clone(),
            channels: sources.iter().map(|source| source.channel).collect(),
            controls: rig.controls.keys().copied().collect(),
            ..Offers::default()
        };
        let mut bench = Self {
            stations,
            outputs,
            sources,
            offers,
            gentle_a,
            supply: None,
            level_v: Some(None),
            origin: Instant::now(),
            end_s: 0.0,
            notes,
            closed: false,
        };
        bench.measure()?;
        Ok(bench)
    }

    /// Measures how fast each channel is read, and begins the run's clock.
    fn measure(&mut self) -> Result<(), DriverError> {
        let deadline = Instant::now() + FIRST_WITHIN;
        while let Some(slow) = self.sources.iter().position(|source| source.seen < MEASURED) {
            if Instant::now() > deadline {
                let what = format!("a reading of `{}`", self.sources[slow].channel);
                return Err(DriverError::Late { what, allowed_s: FIRST_WITHIN.as_secs_f64() });
            }
            std::thread::sleep(LOOK);
            self.fetch()?;
        }
        let slowest_s = self.sources.iter().map(|source| source.turn_s).fold(0.0, f64::max);
        let main = self.sources.iter().find(|source| source.channel == Channel::SupplyA);
        let pace_s = main.map_or(slowest_s, |main| main.turn_s);
        // Without readings the pace is that of the blocks.
        self.offers.rate_hz = if pace_s > 0.0 { 1.0 / pace_s } else { 50.0 };
        // A repeated reading is up to a turn old: evenly spread from now to then.
        let channels = self.sources.iter().map(|source| (source.channel, source.turn_s / 3.0_f64.sqrt())).collect();
        self.offers.alignment = Alignment { channels, ..Alignment::default() };
        for source in &self.sources {
            let (channel, pace) = (source.channel, 1.0 / source.turn_s);
            self.notes.push(format!("`{channel}` is read {pace:.1} times a second"));
        }
        self.origin = Instant::now();
        for source in &mut self.sources {
            source.fresh.clear();
        }
        Ok(())
    }

    /// Takes what the stations have read.
    fn fetch(&mut self) -> Result<(), DriverError> {
        for (index, station) in self.stations.iter().enumerate() {
            for taken in station.fetch()? {
                let slot = |source: &&mut Source| source.station == index && source.slot == taken.slot;
                let Some(source) = self.sources.iter_mut().find(slot) else { continue };
                #[expect(clippy::cast_possible_truncation, reason = "samples are kept as f32")]
                let value = (taken.value * source.scale + source.offset) as f32;
                let before = source.newest.map_or(taken.asked, |(_, answered)| answered);
                source.turn_s = source.turn_s.max(taken.answered.saturating_duration_since(before).as_secs_f64());
                source.seen += 1;
                source.newest = Some((value, taken.answered));
                source.fresh.push(value);
            }
        }
        Ok(())
    }

    fn now_s(&self) -> f64 {
        self.origin.elapsed().as_secs_f64().max(self.end_s)
    }

    /// The readings of a block: the fresh ones, else the last one again.
    fn channels(&mut self) -> Result<Vec<(Channel, Vec<f32>)>, DriverError> {
        let slowest_s = self.sources.iter().map(|source| source.turn_s).fold(0.0, f64::max);
        let oldest = Duration::from_secs_f64((OLD_TURNS * slowest_s).max(1.0));
        let mut channels: BTreeMap<Channel, Vec<f32>> = BTreeMap::new();
        for source in &mut self.sources {
            let fresh = std::mem::take(&mut source.fresh);
            let samples = match source.newest {
                _ if !fresh.is_empty() => fresh,
                Some((value, answered)) if answered.elapsed() <= oldest => vec![value],
                _ => {
                    let what = format!("a reading of `{}`", source.channel);
                    return Err(DriverError::Late { what, allowed_s: oldest.as_secs_f64() });
                }
            };
            channels.insert(source.channel, samples);
        }
        Ok(channels.into_iter().collect())
    }

    /// Sends the supply to a voltage, where this driver sets it.
    fn level(&mut self, volts: Option<f64>) -> Result<(), DriverError> {
        if self.level_v == Some(volts) || !self.offers.controls.contains(&Control::SupplyV) {
            return Ok(());
        }
        self.level_v = None;
        for at in &self.outputs {
            self.stations[*at].order(Order::Level(volts))?;
        }
        self.level_v = Some(volts);
        Ok(())
    }

    /// Whether the supply current is due and has not come.
    fn current_due(&self) -> bool {
        self.sources.iter().any(|source| source.channel == Channel::SupplyA && source.fresh.is_empty())
    }
}

impl Bench for ScpiBench {
    fn offers(&self) -> &Offers {
        &self.offers
    }

    fn set(&mut self, setting: &Setting) -> Result<f64, DriverError> {
        // On at the voltage it is to have; off before it moves, of which switching off takes care.
        if setting.supply != Supply::Off {
            self.level(setting.supply_v.map(|volts| volts.get()))?;
        }
        if self.supply != Some(setting.supply) {
            // What an output does is not known until all have taken it.
            self.supply = None;
            let order = match setting.supply {
                Supply::Off => Order::Off,
                Supply::Gentle => Order::On(self.gentle_a),
                Supply::On => Order::On(None),
            };
            // Off: supplies first; on: they come last.
            let mut outputs = self.outputs.clone();
            if order != Order::Off {
                outputs.reverse();
            }
            for at in outputs {
                self.stations[at].order(order)?;
            }
            self.supply = Some(setting.supply);
            if order == Order::Off {
                self.level_v = Some(None);
            }
        }
        Ok(self.now_s())
    }

    fn read(&mut self, seconds: f64, _pace: Pace) -> Result<Block, DriverError> {
        let begin_s = self.end_s;
        let until_s = begin_s + seconds;
        let deadline = Instant::now() + Duration::from_secs_f64(seconds.max(0.0)) + Duration::from_secs(2);
        loop {
            self.fetch()?;
            let now_s = self.origin.elapsed().as_secs_f64();
            if now_s >= until_s && !self.current_due() {
                self.end_s = now_s;
                break;
            }
            if Instant::now() > deadline {
                let what = "the supply current from its instrument".to_owned();
                return Err(DriverError::Late { what, allowed_s: seconds + 2.0 });
            }
            let wait_s = (until_s - now_s).clamp(0.0, LOOK.as_secs_f64());
            std::thread::sleep(Duration::from_secs_f64(wait_s.max(5e-4)));
        }
        let channels = self.channels()?;
        Ok(Block { t0_s: begin_s, duration_s: self.end_s - begin_s, channels, ..Block::default() })
    }

    fn make_safe(&mut self) -> Result<f64, DriverError> {
        (self.supply, self.level_v) = (None, None);
        let mut worst = Ok(());
        for at in &self.outputs {
            worst = worst.and(self.stations[*at].order(Order::Off));
        }
        worst.map(|()| {
            (self.supply, self.level_v) = (Some(Supply::Off), Some(None));
            self.now_s()
        })
    }

    fn clock_began(&self) -> Option<Instant> {
        Some(self.origin)
    }

    fn notes(&mut self) -> Vec<String> {
        std::mem::take(&mut self.notes)
    }

    fn close(&mut self) {
        if !std::mem::replace(&mut self.closed, true) {
            // What could not be switched was told by `make_safe`; the stations try once more.
            let _ = self.make_safe();
            self.stations.clear();
            self.outputs.clear();
        }
    }
}

impl Drop for ScpiBench {
    fn drop(&mut self) {
        self.close();
    }
}

#[cfg(test)]
#[path = "scpi/tests.rs"]
mod tests;
