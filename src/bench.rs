//! The words shared by everything that talks about a bench: channels, what can be commanded, blocks of samples.
//!
//! Plain data without behaviour of its own: drivers make [`Block`]s, the runner commands [`Setting`]s, the record keeps
//! both, the analysis reads both. Channel names and units are those of the recorded-trace contract.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::units::{Duty, Hertz, Volts};

/// Relative standard uncertainty of the resistor that holds a command line low, where nobody states one: a common resistor
/// of 1 or 2 %.
pub(crate) const LINE_LOAD_U: f64 = 0.01;

/// A sampled channel, named and scaled as in a recorded trace.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Channel {
    /// Supply voltage at the module pins, volts.
    SupplyV,
    /// Supply current, best range at each sample, amperes.
    SupplyA,
    /// Voltage across the fan, differential, volts.
    OutputV,
    /// Current in the fan leads, amperes.
    FanA,
    /// Speed as delivered by a logger, revolutions per minute.
    SpeedRpm,
    /// Case temperature of the module, degrees Celsius.
    CaseC,
    /// Ambient temperature, degrees Celsius.
    AmbientC,
    /// Mean voltage of the command line at the module pin, volts.
    LineV,
}

impl Channel {
    /// Every channel, in the order of the record's columns.
    pub const ALL: [Self; 8] = [
        Self::SupplyV,
        Self::SupplyA,
        Self::OutputV,
        Self::FanA,
        Self::SpeedRpm,
        Self::CaseC,
        Self::AmbientC,
        Self::LineV,
    ];

    /// Name as in traces, rig files and the external-program protocol.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::SupplyV => "supply_v",
            Self::SupplyA => "supply_a",
            Self::OutputV => "output_v",
            Self::FanA => "fan_a",
            Self::SpeedRpm => "speed_rpm",
            Self::CaseC => "case_c",
            Self::AmbientC => "ambient_c",
            Self::LineV => "line_v",
        }
    }

    /// The channel of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|channel| channel.name() == name)
    }

    /// Unit symbol as shown to people.
    #[must_use]
    pub const fn unit(self) -> &'static str {
        match self {
            Self::SupplyV | Self::OutputV | Self::LineV => "V",
            Self::SupplyA | Self::FanA => "A",
            Self::SpeedRpm => "rpm",
            Self::CaseC | Self::AmbientC => "°C",
        }
    }
}

impl fmt::Display for Channel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// Whether the supply relay is closed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Supply {
    /// Relay open.
    Off,
    /// Relay closed through the first-power means (series resistor, lamp, current-limited supply).
    Gentle,
    /// Relay closed.
    On,
}

/// State of the command line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Line {
    /// Driven with the pulse train.
    Pwm,
    /// Released.
    Open,
    /// Held low.
    Low,
    /// Held high.
    High,
}

impl Line {
    /// Spelling in traces and in the external-program protocol.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Pwm => "pwm",
            Self::Open => "open",
            Self::Low => "low",
            Self::High => "high",
        }
    }
}

/// The level whose share of the period is the duty.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ActiveLevel {
    /// The line pulled to ground counts.
    Low,
    /// The line at its high level counts.
    High,
}

impl ActiveLevel {
    /// The other level.
    #[must_use]
    pub const fn other(self) -> Self {
        match self {
            Self::Low => Self::High,
            Self::High => Self::Low,
        }
    }

    /// `low` or `high`.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Low => "low",
            Self::High => "high",
        }
    }
}

/// Everything a bench can command, whole, so that one record line tells the full state.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Setting {
    /// Supply relay.
    pub supply: Supply,
    /// Share of the period at the level `active`.
    pub duty: Duty,
    /// Which level the duty counts.
    pub active: ActiveLevel,
    /// Frequency of the pulse train.
    pub frequency: Hertz,
    /// What the line does.
    pub line: Line,
    /// Voltage of the supply; `None` is the rig's own, the only one of a supply that cannot be set.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub supply_v: Option<Volts>,
}

impl Setting {
    /// The safe state: relay open, duty 0, line released, the supply at the rig's own voltage.
    pub const SAFE: Self = Self {
        supply: Supply::Off,
        duty: Duty::ZERO,
        active: ActiveLevel::Low,
        frequency: Hertz(100.0),
        line: Line::Open,
        supply_v: None,
    };
}

/// How finely a driver that can choose should sample the next read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Pace {
    /// About 200 S/s: waiting at rest, sleep, coasting.
    Slow,
    /// About 2 kS/s: the usual pace while something happens.
    Normal,
    /// About 20 kS/s: current ripple is wanted.
    Burst,
}

/// What one read brought. Samples of a channel are evenly spaced over the block; slow channels (temperatures, the
/// line's mean) may carry fewer samples than others, down to one.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Block {
    /// Time of the block's start on the run's clock, seconds.
    pub t0_s: f64,
    /// Duration that the block covers, seconds; sample `i` of `n` lies at `t0 + (i + 1/2) duration / n`.
    pub duration_s: f64,
    /// Samples known to be missing before `t0`.
    pub lost: u64,
    /// Channels that the block carries, each at most once, in [`Channel::ALL`] order.
    pub channels: Vec<(Channel, Vec<f32>)>,
    /// Times of rising tach edges on the run's clock, in order; `None` when no tach is there.
    pub tach_s: Option<Vec<f64>>,
    /// Whether the emergency stop is pressed; `None` when the bench cannot tell.
    pub stop_pressed: Option<bool>,
}

impl Block {
    /// Samples of `channel`, oldest first.
    #[must_use]
    pub fn samples(&self, channel: Channel) -> Option<&[f32]> {
        self.channels.iter().find(|(c, _)| *c == channel).map(|(_, samples)| samples.as_slice())
    }

    /// Mean of `channel` over the block.
    #[must_use]
    pub fn mean(&self, channel: Channel) -> Option<f64> {
        let samples = self.samples(channel).filter(|s| !s.is_empty())?;
        #[expect(clippy::cast_precision_loss, reason = "block lengths are far below 2^52")]
        let n = samples.len() as f64;
        Some(samples.iter().map(|&v| f64::from(v)).sum::<f64>() / n)
    }

    /// End of the block on the run's clock, seconds.
    #[must_use]
    pub fn end_s(&self) -> f64 {
        self.t0_s + self.duration_s
    }
}
