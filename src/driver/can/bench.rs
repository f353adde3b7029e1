//! The sensors and actuators of a bus as a bench, or as a part of one.

use std::collections::BTreeSet;
use std::time::{Duration, Instant};

use socketcan::errors::{CanError, ErrorCause};
use socketcan::{CanFrame, EmbeddedFrame};

use super::commands::Commands;
use super::controller::{Controller, bus_off, named};
use super::hold::{Holds, Turn};
use super::listener::{FrameSource, Listener};
use super::sender::{FrameSink, Sender};
use super::signal::FrameId;
use super::socket::{KernelSender, KernelSocket, identifier};
use crate::bench::{Block, Channel, Pace, Setting};
use crate::config::can::CanSpec;
use crate::config::rig::Rig;
use crate::driver::{Alignment, Bench, Control, DriverError, Offers};

/// Values of each signal by which the pace is measured at the start.
const MEASURED: usize = 5;
/// For at least this time: frames that had piled up come in one burst and would look fast.
const MEASURED_FOR: Duration = Duration::from_millis(100);
/// They must come within this time, or within as many age limits of the slowest.
const FIRST_WITHIN: Duration = Duration::from_secs(3);
/// Beyond its age limit a value is waited for this long before the bench counts as silent.
const ALLOWED: Duration = Duration::from_millis(50);
/// How often the listener is looked at.
const LOOK: Duration = Duration::from_millis(1);
/// Rates of samples, a second: slower signals are held, faster ones are no sensor of a bench.
const RATES_HZ: (f64, f64) = (50.0, 2_000.0);

/// Sensors and actuators on a bus.
#[derive(Debug)]
pub struct CanBench {
    // Drops first: whatever else hangs on the way out, the safe values are sent.
    actuators: Option<Actuators>,
    interface: String,
    listener: Listener,
    holds: Holds,
    offers: Offers,
    /// The run's clock began here.
    origin: Instant,
    errors: Errors,
    unstamped: u64,
    notes: Vec<String>,
}

/// The controls of a bus, and what they were told last.
#[derive(Debug)]
struct Actuators {
    sender: Sender,
    commands: Commands,
    last: Setting,
}

impl Actuators {
    /// Sends a setting step by step; when the last of it was on the bus.
    fn apply(&mut self, setting: &Setting) -> Result<Instant, DriverError> {
        let refused = |why| DriverError::Answer { what: "a control on the CAN bus".to_owned(), why };
        let stages = self.commands.stages(&self.last, setting).map_err(refused);
        let mut at = Instant::now();
        for stage in stages.inspect_err(|_| self.sender.fall_back())? {
            at = self.sender.order(&stage)?;
        }
        self.last = *setting;
        Ok(at)
    }
}

/// Error frames so far.
#[derive(Debug, Default)]
struct Errors {
    count: u64,
    last: String,
}

impl CanBench {
    /// Looks at the controller, listens, sends the safe values of the controls, and measures how fast every signal comes.
    ///
    /// # Errors
    /// [`DriverError`] naming the interface that is missing, down, off the bus or set otherwise than the rig file says, on
    /// which nobody acknowledges the controls, or the signal that does not come or comes too seldom for its age limit.
    pub fn open(rig: &Rig, spec: &CanSpec) -> Result<Self, DriverError> {
        let notes = Controller::ask(&spec.interface)?.check(spec)?;
        let frames: BTreeSet<FrameId> = spec.channels.values().map(|source| source.signal.frame).collect();
        let socket = KernelSocket::open(&spec.interface, frames)?;
        let sent: BTreeSet<FrameId> = spec.controls.values().map(|target| target.signal.frame).collect();
        let sink: Option<Box<dyn FrameSink>> = match sent.is_empty() {
            true => None,
            false => Some(Box::new(KernelSender::open(&spec.interface, sent)?)),
        };
        Self::begin(rig, spec, socket, sink, notes)
    }

    fn begin(
        rig: &Rig,
        spec: &CanSpec,
        source: impl FrameSource,
        sink: Option<Box<dyn FrameSink>>,
        notes: Vec<String>,
    ) -> Result<Self, DriverError> {
        let scaling =
            |channel: Channel| rig.channels.get(&channel).map_or((1.0, 0.0), |spec| (spec.scale, spec.offset));
        let offers = Offers {
            name: rig.name.clone(),
            channels: spec.channels.keys().copied().collect(),
            controls: spec.controls.keys().copied().collect(),
            ..Offers::default()
        };
        let actuators = sink.map(|sink| Self::actuators(rig, spec, sink)).transpose()?;
        let mut bench = Self {
            actuators,
            interface: spec.interface.clone(),
            listener: Listener::start(&spec.interface, source)?,
            holds: Holds::new(&spec.channels, scaling),
            offers,
            origin: Instant::now(),
            errors: Errors::default(),
            unstamped: 0,
            notes,
        };
        bench.measure()?;
        // A command counts from when it was on the bus; a node that takes up frames at a pace of its own acts within a
        // period.
        if bench.actuators.as_ref().is_some_and(|actuators| actuators.commands.has(Control::DutyPct)) {
            bench.offers.alignment.command_s = spec.period.get() / 3.0_f64.sqrt();
        }
        Ok(bench)
    }

    fn actuators(rig: &Rig, spec: &CanSpec, sink: Box<dyn FrameSink>) -> Result<Actuators, DriverError> {
        let commands = Commands::new(&spec.controls, rig.command, rig.supply.voltage);
        let safe = commands.safe().map_err(|why| DriverError::Open { what: named(&spec.interface), why })?;
        let period = Duration::from_secs_f64(spec.period.get());
        let sender = Sender::start(&spec.interface, sink, safe, period)?;
        Ok(Actuators { sender, commands, last: Setting::SAFE })
    }

    /// Measures how fast each signal comes, and begins the run's clock.
    fn measure(&mut self) -> Result<(), DriverError> {
        let slowest_s = self.holds.turns().map(|turn| turn.max_age_s).fold(0.0, f64::max);
        let within = FIRST_WITHIN.max(Duration::from_secs_f64(slowest_s * MEASURED as f64));
        let (least, deadline) = (Instant::now() + MEASURED_FOR, Instant::now() + within);
        let turns: Vec<Turn> = loop {
            self.fetch()?;
            let turns: Vec<Turn> = self.holds.turns().collect();
            let slow = turns.iter().find(|turn| turn.seen < MEASURED);
            if slow.is_none() && Instant::now() >= least {
                break turns;
            }
            if let Some(slow) = slow
                && Instant::now() > deadline
            {
                let what = format!(
                    "`{}` on `{}` ({} values of {MEASURED} came; {})",
                    slow.name,
                    self.interface,
                    slow.seen,
                    self.told_of_errors()
                );
                return Err(DriverError::Late { what, allowed_s: within.as_secs_f64() });
            }
            std::thread::sleep(LOOK);
        };
        for turn in &turns {
            self.notes.push(format!(
                "`{}` is `{}`: every {:.1} ms or less",
                turn.channel,
                turn.name,
                1e3 * turn.turn_s
            ));
            if turn.turn_s >= turn.max_age_s {
                let why = format!(
                    "it came {:.0} ms after the one before, and is lost after {:.0} ms: state a longer `max_age`, or have \
                     it sent more often",
                    1e3 * turn.turn_s,
                    1e3 * turn.max_age_s
                );
                return Err(DriverError::Open { what: format!("`{}` on `{}`", turn.name, self.interface), why });
            }
        }
        let main = turns.iter().find(|turn| turn.channel == Channel::SupplyA);
        let fastest_s = turns.iter().map(|turn| turn.turn_s).fold(f64::INFINITY, f64::min);
        let pace_s = main.map_or(fastest_s, |main| main.turn_s);
        self.offers.rate_hz = (1.0 / pace_s).clamp(RATES_HZ.0, RATES_HZ.1);
        // A held value is up to a turn old: evenly spread from now to then.
        let channels = turns.iter().map(|turn| (turn.channel, turn.turn_s / 3.0_f64.sqrt())).collect();
        self.offers.alignment = Alignment { channels, ..Alignment::default() };
        self.notes.push(if self.unstamped == 0 {
            "CAN frames are stamped by the kernel".to_owned()
        } else {
            "CAN frames are stamped when they are taken up: their times carry the delays of this machine".to_owned()
        });
        let before_s = self.now_s();
        self.origin += Duration::from_secs_f64(before_s);
        self.holds.begin(before_s, self.offers.rate_hz);
        Ok(())
    }

    fn now_s(&self) -> f64 {
        self.origin.elapsed().as_secs_f64()
    }

    /// Takes all that came.
    fn fetch(&mut self) -> Result<(), DriverError> {
        while let Some(received) = self.listener.next()? {
            match received.frame {
                CanFrame::Data(frame) => {
                    self.unstamped += u64::from(!received.stamped);
                    // A frame from before the clock began has a time before 0.
                    let early_s = self.origin.saturating_duration_since(received.at).as_secs_f64();
                    let late_s = received.at.saturating_duration_since(self.origin).as_secs_f64();
                    self.holds.take(identifier(&frame), frame.data(), late_s - early_s);
                }
                CanFrame::Error(frame) => self.heard(&frame.into_error())?,
                CanFrame::Remote(_) => {}
            }
        }
        let overrun = self.listener.take_overrun();
        if overrun > 0 {
            self.notes.push(format!("{overrun} CAN frames came while nobody fetched them, and are lost"));
        }
        Ok(())
    }

    /// An error frame: bus-off ends it all, others are told as they become more.
    fn heard(&mut self, error: &CanError) -> Result<(), DriverError> {
        if error.causes().any(|cause| *cause == ErrorCause::BusOff) {
            return Err(DriverError::Gone { what: named(&self.interface), why: bus_off(&self.interface) });
        }
        self.errors.count += 1;
        self.errors.last = error.to_string();
        if self.errors.count.is_power_of_two() {
            self.notes.push(format!("`{}`: {}", self.interface, self.told_of_errors()));
        }
        Ok(())
    }

    /// The bench is in use, and the controls still go out.
    fn beat(&self) -> Result<(), DriverError> {
        self.actuators.as_ref().map_or(Ok(()), |actuators| actuators.sender.beat())
    }

    /// After a failure the controls go out with their safe values, before anybody asks for it.
    fn guarded<T>(&mut self, outcome: Result<T, DriverError>) -> Result<T, DriverError> {
        if let (Err(_), Some(actuators)) = (&outcome, &mut self.actuators) {
            actuators.sender.fall_back();
            actuators.last = Setting::SAFE;
        }
        outcome
    }

    fn next_block(&mut self, seconds: f64) -> Result<Block, DriverError> {
        let until_s = self.holds.end_s() + seconds;
        let until_s = until_s.max(self.now_s());
        loop {
            self.beat()?;
            self.fetch()?;
            let now_s = self.now_s();
            if now_s >= until_s && !self.holds.current_due(now_s) {
                if let Some(block) = self.holds.block(now_s) {
                    self.notes.append(&mut self.holds.notes());
                    return Ok(block);
                }
                if let Some((what, allowed_s)) = self.holds.oldest(now_s)
                    && now_s > until_s + ALLOWED.as_secs_f64()
                {
                    let what = format!("{what} on `{}`, {}", self.interface, self.told_of_errors());
                    return Err(DriverError::Late { what, allowed_s });
                }
            }
            let wait_s = (until_s - now_s).clamp(0.0, LOOK.as_secs_f64());
            std::thread::sleep(Duration::from_secs_f64(wait_s.max(2e-4)));
        }
    }

    fn applied(&mut self, setting: &Setting) -> Result<f64, DriverError> {
        // Bus-off is told by an error frame, and as what it is.
        self.fetch()?;
        let Some(actuators) = &mut self.actuators else { return Ok(self.now_s()) };
        let at = actuators.apply(setting)?;
        Ok(at.saturating_duration_since(self.origin).as_secs_f64())
    }

    fn told_of_errors(&self) -> String {
        match self.errors.count {
            0 => "no error frames".to_owned(),
            1 => format!("an error frame: {}", self.errors.last),
            count => format!("{count} error frames, the last: {}", self.errors.last),
        }
    }
}

impl Bench for CanBench {
    fn offers(&self) -> &Offers {
        &self.offers
    }

    fn set(&mut self, setting: &Setting) -> Result<f64, DriverError> {
        let outcome = self.applied(setting);
        self.guarded(outcome)
    }

    fn read(&mut self, seconds: f64, _pace: Pace) -> Result<Block, DriverError> {
        let outcome = self.next_block(seconds);
        self.guarded(outcome)
    }

    fn make_safe(&mut self) -> Result<f64, DriverError> {
        if let Some(actuators) = &mut self.actuators {
            actuators.last = Setting::SAFE;
            actuators.sender.make_safe()?;
        }
        Ok(self.now_s())
    }

    fn close(&mut self) {
        // Sends the safe values once more, and ends.
        self.actuators = None;
    }

    fn clock_began(&self) -> Option<Instant> {
        Some(self.origin)
    }

    fn notes(&mut self) -> Vec<String> {
        std::mem::take(&mut self.notes)
    }
}

#[cfg(test)]
#[path = "acting_tests.rs"]
mod acting_tests;
#[cfg(test)]
#[path = "tests.rs"]
mod tests;
