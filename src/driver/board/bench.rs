//! A bench on a board's pins: settings out, blocks of samples and edges in, on the monotonic clock.

use std::time::{Duration, Instant};

use super::edges::Edges;
use super::lanes::Lanes;
use super::outputs::Outputs;
use super::ports::{Devices, Input};
use super::sampler;
use crate::bench::{Block, Pace, Setting};
use crate::config::rig::{BoardSpec, Rig};
use crate::driver::{Alignment, Bench, Control, DriverError, Offers};

/// A bench made of a board's devices.
#[derive(Debug)]
pub(in crate::driver) struct BoardBench {
    // Outputs drop first: whatever else hangs on the way out, the supply is off.
    outputs: Outputs,
    stop: Option<Box<dyn Input>>,
    tach: Option<Edges>,
    lanes: Lanes,
    offers: Offers,
    /// Edges after the end of the last block, nanoseconds of the monotonic clock.
    waiting: Vec<u64>,
    end_s: f64,
    notes: Vec<String>,
    closed: bool,
}

impl BoardBench {
    /// Opens every device that the rig names; the bench comes up safe.
    pub(in crate::driver) fn open(rig: &Rig, board: &BoardSpec, devices: &dyn Devices) -> Result<Self, DriverError> {
        let outputs = Outputs::open(board, devices)?;
        // A stop that lost its wire reads as pressed.
        let stop = board.stop.as_ref().map(|(address, active_low)| devices.input(address, *active_low, true));
        let stop = stop.transpose()?;
        let tach = board.tach.as_ref().map(|address| devices.edges(address)).transpose()?;
        let mut readings = devices.readings(board)?;
        let (skew_s, mut notes) = (std::mem::take(&mut readings.skew_s), std::mem::take(&mut readings.notes));
        let lanes = Lanes::open(rig, board, readings)?;
        let mut controls: Vec<Control> = board.supply.as_ref().map(|_| Control::SupplyOn).into_iter().collect();
        controls.extend(board.gentle.as_ref().map(|_| Control::GentleSupply));
        if board.command.is_some() {
            controls.extend([Control::DutyPct, Control::Active, Control::FrequencyHz]);
        }
        controls.extend(outputs.holds().then_some(Control::Line));
        let offers = Offers {
            name: rig.name.clone(),
            channels: board.channels.keys().copied().collect(),
            tach: tach.is_some(),
            emergency_stop: stop.is_some(),
            controls: controls.into_iter().filter(|control| rig.controls.contains_key(control)).collect(),
            virtual_clock: false,
            is_virtual: false,
            rate_hz: board.rate.get(),
            alignment: Alignment { channels: skew_s, ..Alignment::default() },
        };
        notes.push(lanes.pace.clone());
        Ok(Self { outputs, stop, tach, lanes, offers, waiting: Vec::new(), end_s: 0.0, notes, closed: false })
    }

    fn now_s(&self) -> f64 {
        self.lanes.time_s(sampler::now_ns()).max(self.end_s)
    }

    fn pressed(&self) -> Result<Option<bool>, DriverError> {
        self.stop.as_ref().map(|stop| stop.active()).transpose()
    }

    /// Edges up to the end of the block, and how many were lost before.
    fn edges(&mut self) -> Result<(Option<Vec<f64>>, u64), DriverError> {
        let Some(tach) = &self.tach else { return Ok((None, 0)) };
        tach.take(&mut self.waiting)?;
        let (lanes, end_s) = (&self.lanes, self.end_s);
        let ready = self.waiting.iter().take_while(|stamp| lanes.time_s(**stamp) < end_s).count();
        let edges = self.waiting.drain(..ready).map(|stamp| lanes.time_s(stamp));
        // Those before the run's clock began belong to no run.
        let edges = edges.filter(|t_s| *t_s >= 0.0).collect();
        Ok((Some(edges), tach.take_lost()))
    }
}

impl Bench for BoardBench {
    fn offers(&self) -> &Offers {
        &self.offers
    }

    fn set(&mut self, setting: &Setting) -> Result<f64, DriverError> {
        self.outputs.apply(setting)?;
        self.outputs.beat()?;
        Ok(self.now_s())
    }

    fn read(&mut self, seconds: f64, _pace: Pace) -> Result<Block, DriverError> {
        self.outputs.beat()?;
        self.outputs.check()?;
        let before = self.pressed()?;
        // What came while nobody read belongs to this block too: a reader that lags never falls further behind.
        let until_s = (self.end_s + seconds).max(self.now_s());
        let outputs = &mut self.outputs;
        let read = self.lanes.read(seconds, until_s, || outputs.beat())?;
        self.end_s = read.begin_s + read.duration_s;
        let (tach_s, lost_edges) = self.edges()?;
        if lost_edges > 0 {
            self.notes.push(format!("{lost_edges} tach edges were lost before {:.3} s", self.end_s));
        }
        let stop_pressed = match (before, self.pressed()?) {
            (Some(before), Some(after)) => Some(before || after),
            _ => None,
        };
        Ok(Block {
            t0_s: read.begin_s,
            duration_s: read.duration_s,
            lost: read.lost + lost_edges,
            channels: read.channels,
            tach_s,
            stop_pressed,
        })
    }

    fn make_safe(&mut self) -> Result<f64, DriverError> {
        self.outputs.safe()?;
        Ok(self.now_s())
    }

    fn supply_feedback(&mut self) -> Result<Option<bool>, DriverError> {
        self.outputs.feedback()
    }

    fn clock_began(&self) -> Option<Instant> {
        let passed_s = self.lanes.time_s(sampler::now_ns());
        Instant::now().checked_sub(Duration::try_from_secs_f64(passed_s).ok()?)
    }

    fn notes(&mut self) -> Vec<String> {
        std::mem::take(&mut self.notes)
    }

    fn close(&mut self) {
        if !self.closed {
            // What could not be switched was told by `make_safe`; dropping tries once more.
            let _ = self.outputs.safe();
            self.closed = true;
        }
    }
}
