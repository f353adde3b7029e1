//! The interlock: a pure state machine that judges every block of samples and every setting.
//!
//! [`step`] takes what happened and says whether the run must stop, why, and whose doing it is. It reads no clock and
//! touches no device; after a trip it stays tripped for good. What only a charged capacitor, a coasting fan or a start
//! does never trips: envelopes decay after each edge, and only current counts against an off command, never voltage.

use crate::bench::{Block, Channel, Line, Setting, Supply};
use crate::results::StoppedBy;
use crate::safety::limits::Limits;
use crate::safety::watch::{Case, Current, DummyLoad, OffCurrent, Sensors, Stall, Timing, Voltage, Weld};

/// A rule of the interlock, by the name that the record keeps.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Rule {
    /// Supply current above the instant limit.
    OverCurrent,
    /// Integral of the current's square above its limit.
    OverI2t,
    /// Supply voltage too high with the relay closed.
    OverVoltage,
    /// Supply voltage too low with the relay closed.
    UnderVoltage,
    /// Case too hot.
    CaseTemperature,
    /// Case warming too fast.
    CaseRise,
    /// Current while a valid off duty is commanded.
    CurrentAtOff,
    /// The fan runs whatever the command does.
    RunsUncommanded,
    /// Supply voltage or current though the relay is open.
    WeldedContact,
    /// The fan draws current without turning.
    Stalled,
    /// A reading that is no number or outside its sensor's range.
    SensorRange,
    /// A reading that stands still to the last digit.
    SensorFrozen,
    /// Samples late, missing or out of order.
    Samples,
    /// Energised longer than the rig allows.
    EnergisedTime,
    /// The emergency stop is pressed.
    EmergencyStop,
    /// The operator stopped the run.
    OperatorStop,
    /// The bench failed.
    Driver,
    /// Something was not as it must be before anything is energised.
    Preflight,
    /// The readings taken by hand before power tell of a short in the unit.
    ReadingsBeforePower,
    /// The record cannot be kept.
    Record,
    /// This program failed.
    Program,
}

impl Rule {
    /// Name in the record.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::OverCurrent => "over_current",
            Self::OverI2t => "over_i2t",
            Self::OverVoltage => "over_voltage",
            Self::UnderVoltage => "under_voltage",
            Self::CaseTemperature => "case_temperature",
            Self::CaseRise => "case_rise",
            Self::CurrentAtOff => "current_at_off",
            Self::RunsUncommanded => "runs_uncommanded",
            Self::WeldedContact => "welded_contact",
            Self::Stalled => "stalled",
            Self::SensorRange => "sensor_range",
            Self::SensorFrozen => "sensor_frozen",
            Self::Samples => "samples",
            Self::EnergisedTime => "energised_time",
            Self::EmergencyStop => "emergency_stop",
            Self::OperatorStop => "operator_stop",
            Self::Driver => "driver",
            Self::Preflight => "preflight",
            Self::ReadingsBeforePower => "readings_before_power",
            Self::Record => "record",
            Self::Program => "program",
        }
    }
}

/// Why a run must stop.
#[derive(Clone, Debug, PartialEq)]
pub struct Trip {
    /// Which rule.
    pub rule: Rule,
    /// What was seen, with numbers.
    pub saw: String,
    /// Whose doing.
    pub by: StoppedBy,
}

impl Trip {
    /// A trip of `rule` by `by`.
    pub fn new(rule: Rule, by: StoppedBy, saw: impl Into<String>) -> Self {
        Self { rule, saw: saw.into(), by }
    }
}

/// A command that was seen to stop the fan.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OffCommand {
    /// Level, frequency and duty of the command; the supply in it does not matter.
    pub setting: Setting,
}

impl OffCommand {
    /// Whether `setting` commands this off. Without edges the frequency does not matter.
    #[must_use]
    pub fn matches(&self, setting: &Setting) -> bool {
        let off = &self.setting;
        let same_duty = (setting.duty.fraction() - off.duty.fraction()).abs() < 1e-9;
        let same_pace = (setting.frequency / off.frequency - 1.0).abs() < 0.01;
        setting.line == Line::Pwm && setting.active == off.active && same_duty && (!off.duty.has_edges() || same_pace)
    }
}

/// Something that the interlock must know.
#[derive(Clone, Copy, Debug)]
pub enum Input<'a> {
    /// This setting holds from `t_s` on.
    Set {
        /// Time on the run's clock.
        t_s: f64,
        /// The whole setting.
        setting: &'a Setting,
    },
    /// This command is now known to stop the fan.
    OffKnown(OffCommand),
    /// A block came, asked for with this length in seconds.
    Block {
        /// The samples.
        block: &'a Block,
        /// Length asked for, seconds.
        asked_s: f64,
    },
    /// The operator wants to stop.
    OperatorStop,
}

/// What the interlock remembers.
#[derive(Clone, Debug)]
pub struct State {
    pub(super) setting: Setting,
    /// When the relay last opened or closed.
    pub(super) supply_since_s: f64,
    /// When the command or the relay last changed.
    pub(super) command_since_s: f64,
    pub(super) ever_closed: bool,
    pub(super) off: Option<OffCommand>,
    /// End of the last tach edge seen; the run's start before the first.
    pub(super) last_edge_s: f64,
    tripped: bool,
    energised_s: f64,
    current: Current,
    voltage: Voltage,
    off_current: OffCurrent,
    weld: Weld,
    stall: Stall,
    load: DummyLoad,
    case: Case,
    sensors: Sensors,
    timing: Timing,
}

impl Default for State {
    fn default() -> Self {
        Self {
            setting: Setting::SAFE,
            supply_since_s: 0.0,
            command_since_s: 0.0,
            ever_closed: false,
            off: None,
            last_edge_s: 0.0,
            tripped: false,
            energised_s: 0.0,
            current: Current::default(),
            voltage: Voltage::default(),
            off_current: OffCurrent::default(),
            weld: Weld::default(),
            stall: Stall::default(),
            load: DummyLoad::default(),
            case: Case::default(),
            sensors: Sensors::default(),
            timing: Timing::default(),
        }
    }
}

impl State {
    /// Whether the relay is closed, by whatever means.
    #[must_use]
    pub fn energised(&self) -> bool {
        self.setting.supply != Supply::Off
    }

    /// Whether a command known to stop the fan is in force.
    #[must_use]
    pub fn off_commanded(&self) -> bool {
        self.off.is_some_and(|off| off.matches(&self.setting))
    }

    /// The command known to stop the fan.
    #[must_use]
    pub fn off_command(&self) -> Option<OffCommand> {
        self.off
    }
}

/// Limits and memory together, for owners that keep both.
#[derive(Clone, Debug)]
pub struct Interlock {
    /// What the run is held to.
    pub limits: Limits,
    /// What was seen so far.
    pub state: State,
}

impl Interlock {
    /// A fresh interlock: relay open, nothing known.
    #[must_use]
    pub fn new(limits: Limits) -> Self {
        Self { limits, state: State::default() }
    }

    /// [`step`] on the own state.
    pub fn step(&mut self, input: Input<'_>) -> Option<Trip> {
        step(&mut self.state, &self.limits, input)
    }
}

/// Takes one input and says whether the run must stop. After the first trip every further input gives `None`: the owner
/// is already making the bench safe, and nothing here arms again.
pub fn step(state: &mut State, limits: &Limits, input: Input<'_>) -> Option<Trip> {
    if state.tripped {
        return None;
    }
    let trip = match input {
        Input::Set { t_s, setting } => {
            take_setting(state, limits, t_s, *setting);
            None
        }
        Input::OffKnown(off) => {
            state.off = Some(off);
            None
        }
        Input::Block { block, asked_s } => judge(state, limits, block, asked_s),
        Input::OperatorStop => Some(Trip::new(Rule::OperatorStop, StoppedBy::Operator, "the operator stopped the run")),
    };
    state.tripped = trip.is_some();
    trip
}

fn take_setting(state: &mut State, limits: &Limits, t_s: f64, setting: Setting) {
    state.voltage.command(limits, t_s, setting.supply_v.map(|volts| volts.get()));
    if setting.supply != state.setting.supply {
        state.supply_since_s = t_s;
    }
    // Another supply voltage is no other command: what must be off stays off.
    if (Setting { supply_v: state.setting.supply_v, ..setting }) != state.setting {
        state.command_since_s = t_s;
    }
    state.ever_closed |= setting.supply != Supply::Off;
    state.setting = setting;
}

/// Judges a block: what hurts at once first, then what needs time to show.
fn judge(state: &mut State, limits: &Limits, block: &Block, asked_s: f64) -> Option<Trip> {
    if let Some(&edge) = block.tach_s.as_ref().and_then(|edges| edges.last()) {
        state.last_edge_s = edge;
    }
    if state.energised() {
        state.energised_s += block.duration_s;
    }
    if block.stop_pressed == Some(true) {
        return Some(Trip::new(Rule::EmergencyStop, StoppedBy::Operator, "the emergency stop is pressed"));
    }
    let energised = state.energised();
    Sensors::not_finite(block)
        .or_else(|| state.current.instant(limits, block))
        .or_else(|| state.voltage.judge(limits, block, &state.setting, state.supply_since_s))
        .or_else(|| state.timing.judge(limits, block, asked_s, energised))
        .or_else(|| Sensors::out_of_range(limits, block))
        .or_else(|| state.current.i2t(limits, block))
        .or_else(|| judge_off(state, limits, block))
        .or_else(|| state.case.judge(limits, block, energised))
        .or_else(|| judge_stall(state, limits, block))
        .or_else(|| state.load.judge(limits, block, energised))
        .or_else(|| judge_weld(state, limits, block))
        .or_else(|| if energised { state.sensors.frozen(limits, block) } else { None })
        .or_else(|| energised_too_long(state.energised_s, limits))
}

fn judge_off(state: &mut State, limits: &Limits, block: &Block) -> Option<Trip> {
    let watched = state.energised() && state.off_commanded();
    state.off_current.judge(limits, block, watched.then_some(state.command_since_s))
}

fn judge_stall(state: &mut State, limits: &Limits, block: &Block) -> Option<Trip> {
    let silent_s = limits.tach.then(|| block.end_s() - state.last_edge_s.max(state.supply_since_s));
    let energised = state.energised();
    state.stall.judge(limits, block, energised, silent_s)
}

fn judge_weld(state: &mut State, limits: &Limits, block: &Block) -> Option<Trip> {
    if state.energised() {
        state.weld.closed(block);
        return None;
    }
    let open_since = state.ever_closed.then_some(state.supply_since_s);
    let edge_s = limits.tach.then_some(state.last_edge_s);
    state.weld.open(limits, block, open_since, edge_s)
}

fn energised_too_long(energised_s: f64, limits: &Limits) -> Option<Trip> {
    (energised_s > limits.energised_s).then(|| {
        let saw = format!("energised for {energised_s:.0} s, the rig allows {:.0} s", limits.energised_s);
        Trip::new(Rule::EnergisedTime, StoppedBy::Rig, saw)
    })
}

/// Mean supply voltage of a block where the channel is there.
pub(super) fn supply_v(block: &Block) -> Option<f64> {
    block.mean(Channel::SupplyV)
}
