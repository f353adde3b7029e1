//! Drivers: what turns settings into voltages and voltages into samples.
//!
//! Synchronous, owned by one thread, every call bounded in time. A driver knows nothing of plans, limits or results.
//! Opening is inert: a bench comes up safe.

#[cfg(all(target_os = "linux", any(feature = "linux", feature = "raspberry")))]
mod board;
pub mod calibrated;
pub mod can;
pub mod external;
pub mod joined;
#[cfg(all(target_os = "linux", feature = "linux"))]
pub mod linux;
#[cfg(all(target_os = "linux", feature = "raspberry"))]
pub mod raspberry;
#[cfg(all(unix, feature = "scpi"))]
pub mod scpi;
pub mod virtual_bench;

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::time::Instant;

use crate::bench::{Block, Channel, Pace, Setting};
use crate::config::rig::{DriverSpec, Rig, Share};
use crate::record::event::BenchFacts;

/// What a bench offers, known after opening.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Offers {
    /// Name as the bench gives it.
    pub name: String,
    /// Channels it samples.
    pub channels: BTreeSet<Channel>,
    /// Whether tach edges come.
    pub tach: bool,
    /// Whether it tells the emergency stop.
    pub emergency_stop: bool,
    /// Controls it takes.
    pub controls: BTreeSet<Control>,
    /// Whether `read` moves the bench's own time on and returns at once.
    pub virtual_clock: bool,
    /// Whether it makes its samples by calculation (every surface must then say so).
    pub is_virtual: bool,
    /// Fastest usual sample rate, samples per second.
    pub rate_hz: f64,
    /// How far the times of its channels and commands may be off.
    pub alignment: Alignment,
}

/// Standard uncertainties of times on the run's clock, seconds, beyond what sampling alone explains; 0 where one source
/// stamps everything.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Alignment {
    /// Of the samples, by channel; channels that are not named are not off.
    pub channels: BTreeMap<Channel, f64>,
    /// Of the tach's edges.
    pub tach_s: f64,
    /// Of the moment from which a command holds.
    pub command_s: f64,
}

impl Alignment {
    /// States it in what the record's header keeps of the bench.
    pub fn tell(&self, facts: &mut BenchFacts) {
        for (channel, u_s) in &self.channels {
            if let Some(channel) = facts.channels.get_mut(channel) {
                channel.alignment_u_s = *u_s;
            }
        }
        (facts.tach_alignment_u_s, facts.command_alignment_u_s) = (self.tach_s, self.command_s);
    }
}

/// Something that can be commanded.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Control {
    /// The supply relay.
    SupplyOn,
    /// First power through series resistance, lamp or current limit.
    GentleSupply,
    /// Voltage of the supply, during a run.
    SupplyV,
    /// Duty of the pulse train.
    DutyPct,
    /// Which level the duty counts.
    Active,
    /// Frequency of the pulse train.
    FrequencyHz,
    /// Released or held line.
    Line,
}

impl Control {
    /// Name in rig files and in the external-program protocol.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::SupplyOn => "supply_on",
            Self::GentleSupply => "supply_gentle",
            Self::SupplyV => "supply_v",
            Self::DutyPct => "duty_pct",
            Self::Active => "active",
            Self::FrequencyHz => "frequency_hz",
            Self::Line => "line",
        }
    }
}

/// A failure of the bench.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum DriverError {
    /// The device or program could not be opened.
    #[error("cannot open {what}: {why}")]
    Open {
        /// Device, program or address.
        what: String,
        /// Reason with what to do.
        why: String,
    },
    /// A call was not answered in time.
    #[error("{what} did not answer within {allowed_s} s")]
    Late {
        /// What was asked.
        what: String,
        /// Time allowed.
        allowed_s: f64,
    },
    /// The answer was not understood or not plausible.
    #[error("{what}: {why}")]
    Answer {
        /// What was asked.
        what: String,
        /// What is wrong with the answer.
        why: String,
    },
    /// The device or program is gone.
    #[error("{what} is gone: {why}")]
    Gone {
        /// Device or program.
        what: String,
        /// What was seen.
        why: String,
    },
}

/// A whole bench as the runner sees it.
pub trait Bench: Send + fmt::Debug {
    /// What it offers.
    fn offers(&self) -> &Offers;

    /// Applies `setting` whole; controls that the bench lacks are left out. Returns the time from which it holds.
    ///
    /// # Errors
    /// When the bench did not take it; its state is then unknown and the caller must make it safe.
    fn set(&mut self, setting: &Setting) -> Result<f64, DriverError>;

    /// Lets `seconds` pass and returns what was sampled meanwhile, following on from the last read.
    ///
    /// # Errors
    /// When samples did not come in time or are not finite numbers.
    fn read(&mut self, seconds: f64, pace: Pace) -> Result<Block, DriverError>;

    /// Supply off and back at the rig's own voltage, duty 0, line released. Callable in any state, again and again. Returns
    /// when.
    ///
    /// # Errors
    /// When the bench did not confirm it; the caller must say so loudly.
    fn make_safe(&mut self) -> Result<f64, DriverError>;

    /// Whether the supply contact is closed as its own feedback tells; `None` where the bench has no such feedback.
    ///
    /// # Errors
    /// When the feedback is there and cannot be read.
    fn supply_feedback(&mut self) -> Result<Option<bool>, DriverError> {
        Ok(None)
    }

    /// When its clock stood at 0, for a bench that stamps by the monotonic clock of this host; `None` for one with a
    /// clock of its own.
    fn clock_began(&self) -> Option<Instant> {
        None
    }

    /// A person begins to flex the harness, or ends it. Whether the bench plays that person itself, as a calculated one
    /// does: elsewhere somebody has to be asked.
    fn flex(&mut self, _on: bool) -> bool {
        false
    }

    /// What the bench wants noted in the record since the last call: oddities of its answers, lines that a bench
    /// program wrote to its standard error.
    fn notes(&mut self) -> Vec<String> {
        Vec::new()
    }

    /// Ends use of the bench after `make_safe`.
    fn close(&mut self) {}
}

/// Opens the bench that `rig` names; it comes up safe. `seed` overrides the seed of a virtual bench.
///
/// # Errors
/// [`DriverError`] when the device or program is not there, does not answer as it must, or does not confirm its safe
/// state.
pub fn open(rig: &Rig, seed: Option<u64>) -> Result<Box<dyn Bench>, DriverError> {
    Ok(calibrated::Calibrated::wrap(open_raw(rig, seed)?, rig))
}

/// The same without what calibrations say: the readings as the sensors give them, for calibrating.
///
/// # Errors
/// As [`open`].
pub fn open_raw(rig: &Rig, seed: Option<u64>) -> Result<Box<dyn Bench>, DriverError> {
    match &rig.driver {
        DriverSpec::External { command } => Ok(Box::new(external::ExternalBench::open(rig, command)?)),
        #[cfg(all(target_os = "linux", feature = "linux"))]
        DriverSpec::Linux(board) => linux::open(rig, board),
        #[cfg(not(all(target_os = "linux", feature = "linux")))]
        DriverSpec::Linux(_) => Err(DriverError::Open {
            what: "driver `linux`".to_owned(),
            why: "this program was built without it: build on Linux with the cargo feature `linux`".to_owned(),
        }),
        #[cfg(all(target_os = "linux", feature = "raspberry"))]
        DriverSpec::Raspberry(board) => raspberry::open(rig, board),
        #[cfg(not(all(target_os = "linux", feature = "raspberry")))]
        DriverSpec::Raspberry(_) => Err(DriverError::Open {
            what: "driver `raspberry`".to_owned(),
            why: "this program was built without it: build on Linux with the cargo feature `raspberry`".to_owned(),
        }),
        #[cfg(all(unix, feature = "scpi"))]
        DriverSpec::Scpi(spec) => Ok(Box::new(scpi::ScpiBench::open(rig, spec)?)),
        #[cfg(not(all(unix, feature = "scpi")))]
        DriverSpec::Scpi(_) => Err(DriverError::Open {
            what: "driver `scpi`".to_owned(),
            why: "this program was built without it: build with the cargo feature `scpi`".to_owned(),
        }),
        #[cfg(all(target_os = "linux", feature = "can"))]
        DriverSpec::Can(spec) => Ok(Box::new(can::CanBench::open(rig, spec)?)),
        #[cfg(not(all(target_os = "linux", feature = "can")))]
        DriverSpec::Can(_) => Err(DriverError::Open {
            what: "driver `can`".to_owned(),
            why: "this program was built without it: build on Linux with the cargo feature `can`".to_owned(),
        }),
        DriverSpec::Joined(shares) => {
            let open = |share: &Share| {
                let part = rig.of_share(share);
                Ok(joined::Part { name: share.driver.name(), bench: open_raw(&part, seed)? })
            };
            let parts = shares.iter().map(open).collect::<Result<_, DriverError>>()?;
            Ok(Box::new(joined::JoinedBench::join(&rig.name, parts)?))
        }
        DriverSpec::Virtual(spec) => {
            Ok(Box::new(virtual_bench::VirtualBench::open(rig, spec, seed.unwrap_or(spec.seed))))
        }
    }
}
