//! The typed plan: ordered stages with their settings, limits per result, reference conditions. Cannot be wrong by
//! itself; built from text by the parser in this folder only.

use std::collections::BTreeMap;
use std::path::PathBuf;

use crate::bench::ActiveLevel;
use crate::record::event::{LimitFacts, Loss};
use crate::results::{ResultName, RiskRule};
use crate::units::{AmpHours, Amps, Celsius, Duty, Hertz, Ratio, Seconds, Volts};

/// What to do to a unit.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// Name for people and for the results document.
    pub name: String,
    /// Voltage to which speeds and drops are corrected.
    pub reference_voltage: Option<Volts>,
    /// Longest bench time of the whole run.
    pub time_limit: Seconds,
    /// Instant current limit asked by the plan; the effective one is the least of all.
    pub current_limit: UpTo<Amps>,
    /// The vehicle's battery.
    pub battery: Option<Battery>,
    /// Current below which the module counts as asleep.
    pub asleep_below: Option<Amps>,
    /// A hot day in the vehicle.
    pub under_bonnet: Option<UnderBonnet>,
    /// Prior share of units that break a limit.
    pub prior_bad: Ratio,
    /// The risk accepted, by which limits are judged, and how often one may be looked at.
    pub risk: RiskRule,
    /// Longest bench time of all further looks together.
    pub look_again_within: Seconds,
    /// Limits by result, in the result's own unit.
    pub limits: BTreeMap<ResultName, LimitFacts>,
    /// Stages in order.
    pub stages: Vec<Stage>,
    /// The file as it was.
    pub text: String,
    /// Where it came from.
    pub path: PathBuf,
}

/// A value, or `"to the rig limit"`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum UpTo<T> {
    /// As far as the rig allows.
    RigLimit,
    /// To this value, or to the rig's if that is less.
    Value(T),
}

impl<T> UpTo<T> {
    /// What the plan says, else the rig's limit.
    pub fn or(self, rig_limit: T) -> T {
        match self {
            Self::RigLimit => rig_limit,
            Self::Value(value) => value,
        }
    }
}

/// The vehicle's battery.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Battery {
    /// Capacity.
    pub capacity: AmpHours,
    /// Share that may be used.
    pub usable: Ratio,
    /// Drain of everything else.
    pub other_drain: Amps,
}

/// A hot day in the vehicle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct UnderBonnet {
    /// Air at the unit.
    pub ambient: Celsius,
    /// Highest case temperature allowed.
    pub highest_case: Celsius,
}

/// How a warm unit is stopped and started again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RestartBy {
    /// An off command, then a step of the command.
    Command,
    /// The supply is cut under the command and comes back with it there.
    Supply,
}

/// One part of a plan.
#[derive(Clone, Debug, PartialEq)]
pub enum Stage {
    /// Channel zeros, then power through the rig's declared means, line released, current checked within 200 ms.
    FirstPower {
        /// Longest time to charge and settle.
        settle: Seconds,
    },
    /// Supply on with the line open, watched.
    SupplyOpen {
        /// How long.
        watch: Seconds,
    },
    /// Line voltages released and held.
    LineCheck {
        /// Stay per state.
        each: Seconds,
    },
    /// Command frequency and active level.
    Discover {
        /// Frequencies in the order tried.
        frequencies: Vec<Hertz>,
        /// Longest wait for an answer per try.
        answer_within: Seconds,
    },
    /// The quick answers in one go: command, soft start, saturation, sleep, start.
    Triage {
        /// Frequencies in the order tried.
        frequencies: Vec<Hertz>,
        /// Longest wait for an answer per try.
        answer_within: Seconds,
        /// Target duty of the start.
        to: UpTo<Duty>,
        /// Time in which the unit must be asleep.
        asleep_within: Seconds,
    },
    /// From standstill to full, then off.
    SoftStart {
        /// Target duty, or as high as rig, plan and what is known of the unit allow.
        to: UpTo<Duty>,
        /// Longest time to settle.
        settle_within: Seconds,
    },
    /// Staircase up from standstill with thresholds, down from full with thresholds.
    Sweep {
        /// Spacing of settled points away from the knees.
        step: Duty,
        /// Step of the threshold search at its finest.
        fine: Duty,
        /// Highest duty visited.
        to: UpTo<Duty>,
        /// Longest time to settle per point.
        settle_within: Seconds,
    },
    /// Flat out, for drop and on-resistance.
    Drop {
        /// Stay.
        hold: Seconds,
    },
    /// Band of command frequencies followed.
    FrequencyEdges {
        /// Lowest tried.
        from: Hertz,
        /// Highest tried.
        to: Hertz,
        /// Relative width to which an edge is bracketed.
        within: Ratio,
        /// Command duty held meanwhile.
        duty: Duty,
        /// Frequencies at which output thresholds and start are looked for too.
        thresholds_at: Vec<Hertz>,
    },
    /// Loss of signal.
    LossOfSignal {
        /// Which, in order.
        losses: Vec<Loss>,
        /// Longest watch per loss.
        watch: Seconds,
        /// Duty held before the loss.
        duty: Duty,
    },
    /// Supply comes with the command there.
    PowerUp {
        /// The command.
        duty: Duty,
        /// Longest time to settle.
        settle_within: Seconds,
    },
    /// Long holds.
    Soak {
        /// Duties in order.
        duties: Vec<Duty>,
        /// Longest stay at each.
        each: Seconds,
    },
    /// More starts and stops for thresholds and spread.
    Repeats {
        /// Number of start trials.
        starts: u32,
        /// Number of stop trials.
        stops: u32,
        /// Step of the search at its finest.
        fine: Duty,
    },
    /// Warm from a hold at a high duty: does it start again?
    HotRestart {
        /// Duty that warms it.
        duty: Duty,
        /// How long.
        warm: Seconds,
        /// Target duty of the start.
        to: UpTo<Duty>,
        /// Ways in which it is stopped and started again, in order.
        by: Vec<RestartBy>,
        /// Longest time to settle.
        settle_within: Seconds,
    },
    /// The input charged once more while it is warm.
    Capacitance {
        /// Duty that warms it.
        duty: Duty,
        /// How long.
        warm: Seconds,
        /// Longest time to charge.
        settle: Seconds,
    },
    /// Many starts from rest, each of which may fail.
    RepeatedStarts {
        /// How many.
        count: u32,
        /// Target duty of each.
        to: UpTo<Duty>,
        /// Stay at rest before each.
        rest: Seconds,
        /// Longest time for the output to settle.
        settle_within: Seconds,
    },
    /// The supply drops at a running duty, and comes back.
    SupplyDip {
        /// The duty.
        duty: Duty,
        /// Levels in order.
        levels: Vec<Volts>,
        /// How long each lasts.
        hold: Seconds,
        /// Longest wait for the unit to run again.
        watch: Seconds,
    },
    /// The supply of a vehicle whose engine is cranked.
    Crank {
        /// The duty.
        duty: Duty,
        /// Levels one after the other.
        levels: Vec<Volts>,
        /// How long each lasts.
        times: Vec<Seconds>,
        /// Longest wait for the unit to run again.
        watch: Seconds,
    },
    /// The supply goes slowly down and up until the unit cuts out and in.
    SupplySweep {
        /// The duty.
        duty: Duty,
        /// Steps of the supply voltage.
        step: Volts,
        /// Stay at each.
        stay: Seconds,
        /// Stay at a level at which the unit is to stay off.
        confirm: Seconds,
        /// Lowest level.
        down_to: UpTo<Volts>,
        /// Highest level.
        up_to: UpTo<Volts>,
    },
    /// What the module does when its motor stands: on a dummy load, never on the fan.
    Stall {
        /// The duty.
        duty: UpTo<Duty>,
        /// Longest time with the output on.
        hold: Seconds,
        /// Longest wait for an output that was cut to come again.
        watch: Seconds,
        /// How many tries.
        tries: u32,
        /// Rest between them; longer where the load needs it.
        rest: Seconds,
    },
    /// The harness flexed by hand while a duty is held, drop-outs counted.
    FlexWatch {
        /// The duty.
        duty: Duty,
        /// How long it is flexed.
        watch: Seconds,
    },
    /// Off command until asleep, then a start from asleep.
    Sleep {
        /// Longest wait.
        longest: Seconds,
    },
    /// One constant duty: the manual command and simple plans.
    Hold {
        /// The duty.
        duty: Duty,
        /// How long.
        time: Seconds,
        /// Command frequency; what was learned of the unit, else 100 Hz, if none is given.
        frequency: Option<Hertz>,
        /// Active level; what was learned of the unit, else low, if none is given.
        active: Option<ActiveLevel>,
    },
}

impl Stage {
    /// Name as in plan files and in the record.
    #[must_use]
    pub const fn name(&self) -> &'static str {
        match self {
            Self::FirstPower { .. } => "first_power",
            Self::SupplyOpen { .. } => "supply_open",
            Self::LineCheck { .. } => "line_check",
            Self::Discover { .. } => "discover",
            Self::Triage { .. } => "triage",
            Self::SoftStart { .. } => "soft_start",
            Self::Sweep { .. } => "sweep",
            Self::Drop { .. } => "drop",
            Self::FrequencyEdges { .. } => "frequency_edges",
            Self::LossOfSignal { .. } => "loss_of_signal",
            Self::PowerUp { .. } => "power_up",
            Self::Soak { .. } => "soak",
            Self::Repeats { .. } => "repeats",
            Self::HotRestart { .. } => "hot_restart",
            Self::Capacitance { .. } => "capacitance",
            Self::RepeatedStarts { .. } => "repeated_starts",
            Self::SupplyDip { .. } => "supply_dip",
            Self::Crank { .. } => "crank",
            Self::SupplySweep { .. } => "supply_sweep",
            Self::Stall { .. } => "stall",
            Self::FlexWatch { .. } => "flex_watch",
            Self::Sleep { .. } => "sleep",
            Self::Hold { .. } => "hold",
        }
    }
}
