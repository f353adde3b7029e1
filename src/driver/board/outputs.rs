//! What can be switched on a board: supply, first-power means, command line, heartbeat.

use std::time::{Duration, Instant};

use super::ports::{Devices, Input, Output, PulseOutput};
use crate::bench::{ActiveLevel, Line, Setting, Supply};
use crate::config::rig::{BoardSpec, SwitchSpec};
use crate::driver::DriverError;
use crate::units::Duty;

/// A relay's contact must follow within this time.
const FOLLOWS_WITHIN: Duration = Duration::from_millis(200);
/// The heartbeat line turns over this often as long as the program reads the bench.
const BEAT: Duration = Duration::from_millis(15);

/// A relay with what tells whether its contact followed.
#[derive(Debug)]
struct Relay {
    switch: Box<dyn Output>,
    feedback: Option<Box<dyn Input>>,
    on: bool,
    since: Instant,
}

impl Relay {
    fn set(&mut self, on: bool) -> Result<(), DriverError> {
        if on != self.on {
            self.since = Instant::now();
        }
        // Written every time: what another hand did to the line is undone.
        self.switch.set(on)?;
        self.on = on;
        Ok(())
    }

    fn check(&self, what: &str) -> Result<(), DriverError> {
        let Some(feedback) = &self.feedback else { return Ok(()) };
        if self.since.elapsed() < FOLLOWS_WITHIN || feedback.active()? == self.on {
            return Ok(());
        }
        let (is, should) = if self.on { ("open", "closed") } else { ("closed", "open") };
        let why = format!("its feedback says the contact is {is} though it was commanded {should}");
        Err(DriverError::Answer { what: what.to_owned(), why })
    }
}

/// The line that is turned over.
#[derive(Debug)]
struct Heartbeat {
    line: Box<dyn Output>,
    high: bool,
    last: Instant,
}

/// All outputs. Off when opened, off when dropped, the supply first.
#[derive(Debug)]
pub(in crate::driver) struct Outputs {
    // Fields drop in this order.
    supply: Option<Relay>,
    gentle: Option<Relay>,
    hold_low: Option<Box<dyn Output>>,
    hold_high: Option<Box<dyn Output>>,
    pulses: Option<(Box<dyn PulseOutput>, bool)>,
    heartbeat: Option<Heartbeat>,
}

impl Outputs {
    /// Takes every output of the board; each comes up off, the supply before all others.
    pub(in crate::driver) fn open(board: &BoardSpec, devices: &dyn Devices) -> Result<Self, DriverError> {
        let relay = |spec: &SwitchSpec| {
            let switch = devices.output(&spec.address, spec.active_low)?;
            // A feedback that lost its wire reads as open, which a closed contact contradicts.
            let feedback = spec.feedback.as_ref().map(|address| devices.input(address, false, false)).transpose()?;
            Ok::<_, DriverError>(Relay { switch, feedback, on: false, since: Instant::now() })
        };
        let hold = |address: &Option<_>| address.as_ref().map(|address| devices.output(address, false)).transpose();
        Ok(Self {
            supply: board.supply.as_ref().map(relay).transpose()?,
            gentle: board.gentle.as_ref().map(relay).transpose()?,
            hold_low: hold(&board.hold_low)?,
            hold_high: hold(&board.hold_high)?,
            pulses: match &board.command {
                Some(spec) => Some((devices.pulses(&spec.address)?, spec.pulls_low)),
                None => None,
            },
            heartbeat: hold(&board.heartbeat)?.map(|line| Heartbeat { line, high: false, last: Instant::now() }),
        })
    }

    /// Applies a setting. Off: the supply before the line. On: the line before the supply, so that a unit never meets
    /// a line that is still to change.
    pub(in crate::driver) fn apply(&mut self, setting: &Setting) -> Result<(), DriverError> {
        if setting.supply == Supply::Off {
            self.supply(setting.supply)?;
            return self.line(setting);
        }
        self.line(setting)?;
        self.supply(setting.supply)
    }

    fn supply(&mut self, supply: Supply) -> Result<(), DriverError> {
        let Some(main) = &mut self.supply else { return Ok(()) };
        match (supply, &mut self.gentle) {
            (Supply::Off, gentle) => {
                let main = main.set(false);
                if let Some(gentle) = gentle {
                    gentle.set(false)?;
                }
                main
            }
            (Supply::Gentle, Some(gentle)) => {
                main.set(false)?;
                gentle.set(true)
            }
            (Supply::Gentle, None) => main.set(true),
            (Supply::On, gentle) => {
                // The main contact closes over the resistor before the resistor goes.
                main.set(true)?;
                gentle.as_mut().map_or(Ok(()), |gentle| gentle.set(false))
            }
        }
    }

    fn line(&mut self, setting: &Setting) -> Result<(), DriverError> {
        let low = match setting.active {
            ActiveLevel::Low => setting.duty,
            ActiveLevel::High => setting.duty.inverted(),
        };
        // Two drivers never meet on the line: one lets go before the other takes hold.
        let (held_low, held_high, low) = match setting.line {
            Line::Pwm => (false, false, low),
            Line::Low if self.hold_low.is_some() => (true, false, Duty::ZERO),
            Line::Low => (false, false, Duty::FULL),
            Line::High => (false, true, Duty::ZERO),
            Line::Open => (false, false, Duty::ZERO),
        };
        for (hold, on) in [(&mut self.hold_low, held_low), (&mut self.hold_high, held_high)] {
            if let Some(hold) = hold.as_mut().filter(|_| !on) {
                hold.set(false)?;
            }
        }
        if let Some((pulses, pulls_low)) = &mut self.pulses {
            // An output that drives the line itself cannot let go of it: low is what it does without power.
            let released = matches!(setting.line, Line::Open) && !*pulls_low;
            let high = if *pulls_low || released { low } else { low.inverted() };
            pulses.set(setting.frequency, high)?;
        }
        for (hold, on) in [(&mut self.hold_low, held_low), (&mut self.hold_high, held_high)] {
            if let Some(hold) = hold.as_mut().filter(|_| on) {
                hold.set(true)?;
            }
        }
        Ok(())
    }

    /// Everything off; each output is tried whatever became of the others, the supply first.
    pub(in crate::driver) fn safe(&mut self) -> Result<(), DriverError> {
        let mut worst = Ok(());
        for relay in [&mut self.supply, &mut self.gentle].into_iter().flatten() {
            worst = worst.and(relay.set(false));
        }
        for hold in [&mut self.hold_low, &mut self.hold_high].into_iter().flatten() {
            worst = worst.and(hold.set(false));
        }
        worst.and(self.pulses.as_mut().map_or(Ok(()), |(pulses, _)| pulses.quiet()))
    }

    /// Turns the heartbeat over when it is due.
    pub(in crate::driver) fn beat(&mut self) -> Result<(), DriverError> {
        match &mut self.heartbeat {
            Some(beat) if beat.last.elapsed() >= BEAT => {
                beat.last = Instant::now();
                beat.high = !beat.high;
                beat.line.set(beat.high)
            }
            _ => Ok(()),
        }
    }

    /// Whether the contacts are as commanded.
    pub(in crate::driver) fn check(&self) -> Result<(), DriverError> {
        self.supply.as_ref().map_or(Ok(()), |supply| supply.check("supply relay"))?;
        self.gentle.as_ref().map_or(Ok(()), |gentle| gentle.check("first-power relay"))
    }

    /// Whether the supply is on by either contact, as their feedbacks tell.
    pub(in crate::driver) fn feedback(&self) -> Result<Option<bool>, DriverError> {
        let told = |relay: &Relay| relay.feedback.as_ref().map(|input| input.active()).transpose();
        let main = self.supply.as_ref().map(told).transpose()?.flatten();
        let gentle = self.gentle.as_ref().map(told).transpose()?.flatten();
        Ok(match (main, gentle) {
            (None, None) => None,
            (main, gentle) => Some(main.unwrap_or(false) || gentle.unwrap_or(false)),
        })
    }

    /// Whether the line can be released and held.
    pub(in crate::driver) const fn holds(&self) -> bool {
        self.hold_high.is_some()
    }
}
