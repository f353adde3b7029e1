//! Schema of the record: what happened in a run, as numbered lines.
//!
//! Events state what happened, never what it means. Fields are added with defaults, never renamed or reused. The
//! [`SpanKind`] kinds are the meeting point of runner and analysis: each says what the runner guarantees about the
//! stretch of samples it encloses, and which results the analysis takes from it.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::bench::{Channel, Line, Setting};
use crate::record::preflight::Check;
use crate::results::{Direction, ResultName, RiskRule, StoppedBy};

/// Version of the schema; readers refuse a larger major.
pub const FORMAT: Format = Format { major: 1, minor: 6 };

/// Schema version: minor grows with added fields, major with anything an old reader would get wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Format {
    /// Breaking changes.
    pub major: u32,
    /// Additions.
    pub minor: u32,
}

/// One line of `events.jsonl`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Numbered {
    /// Position in the run's one order, from 0.
    pub seq: u64,
    /// Time on the run's clock, seconds.
    pub t_s: f64,
    /// What happened.
    pub event: Event,
}

/// Something that happened.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Event {
    /// First line of every record.
    Header(Box<Header>),
    /// A stage of the plan begins.
    StageBegin {
        /// Position in the plan, from 0.
        index: usize,
        /// Name of the stage as in plan files.
        stage: String,
    },
    /// A stage ends.
    StageEnd {
        /// Position in the plan.
        index: usize,
        /// Name of the stage.
        stage: String,
        /// How it ended.
        end: StageEnd,
    },
    /// A setting took effect.
    Set {
        /// The full state from now on.
        setting: Setting,
    },
    /// A stretch of samples worth analysing begins; it ends with the matching `SpanEnd`.
    SpanBegin {
        /// Number of the span, from 0.
        id: u64,
        /// What it is.
        kind: SpanKind,
    },
    /// A span ends.
    SpanEnd {
        /// Number of the span.
        id: u64,
        /// Whether the runner got what the kind promises; else why not.
        complete: Result<(), String>,
    },
    /// Something the operator or a program said.
    Note {
        /// The text.
        text: String,
    },
    /// What the runner learned of the unit and used from then on (a valid off duty, the active level, a ramp time).
    Learned {
        /// Name of the fact.
        what: String,
        /// Its value as text with unit.
        value: String,
    },
    /// The stages of the plan are through and limits that could not be told are looked at again (since 1.1).
    Look {
        /// Which look at the unit this is; the plan's own stages are the first.
        number: u32,
        /// The limits looked at again, each with why it was open.
        limits: BTreeMap<ResultName, String>,
        /// Stages repeated for that, in order.
        stages: Vec<String>,
    },
    /// What was looked at before anything was energised (since 1.2).
    Preflight {
        /// The lines, in order.
        checks: Vec<Check>,
    },
    /// Samples known to be missing.
    Lost {
        /// How many.
        samples: u64,
    },
    /// The supervisor or the operator ended the run.
    Trip {
        /// Name of the rule, for example `over_current`.
        rule: String,
        /// What was seen, with numbers.
        saw: String,
        /// Whose doing.
        by: StoppedBy,
    },
    /// The safe state was commanded.
    Safe {
        /// Whether measurement confirmed it; else what was seen.
        confirmed: Result<(), String>,
    },
    /// Last line of every finished record.
    End {
        /// Whether every stage of the plan was gone through.
        finished: bool,
    },
}

/// How a stage ended.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StageEnd {
    /// Everything it set out to do was done.
    Done,
    /// It was not begun.
    Skipped {
        /// Why.
        why: String,
    },
    /// It gave up on part of its work; the run goes on.
    Partial {
        /// Why.
        why: String,
    },
    /// The run was stopped in it.
    Stopped,
}

/// What a stretch of samples is. `SpanBegin` precedes any `Set` named here, by the pre-roll given.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SpanKind {
    /// Relay open, fan at rest, capacitors bled, at least 1 s: zeros of the channels.
    Zero,
    /// Supply comes through the first-power means with the line released, burst pace, at least 20 ms before: the
    /// input capacitor charges through the rig's series resistance. Gives `capacitance_f`.
    PreCharge,
    /// Supply on with the line released, from before the moment it is released: what an open line does.
    OpenLine,
    /// Line in this state with the supply on, at least 0.2 s settled: line voltage. Gives pull-up and kind of line.
    LineRead {
        /// State of the line.
        line: Line,
    },
    /// Looking for the command frequency and level: begins at the command edge (from off or rest), one setting held
    /// until the output answered or the time to answer was over.
    Probe,
    /// From verified standstill, output off, module awake, 0.3 s of pre-roll, one command edge to a high duty, held until
    /// settled. Gives delay, ramp, peak, inrush.
    Start,
    /// The same with the module asleep before the edge. Gives `command_delay_asleep_s`.
    StartAsleep,
    /// From settled turning, 0.3 s of pre-roll, a valid off duty is commanded and held until standstill (or the time is over).
    /// Gives `output_off_delay_s`, `run_down_s`.
    Stop,
    /// From verified standstill and output off, duty rises (first `Set` inside may be a jump, then small steps), each
    /// held until the output has settled, until the fan turns or the last duty was held long enough.
    /// The last `Set` in the span is the duty at which it turned, if it did. Gives `output_on_pct`, `start_duty_pct`.
    Ascend,
    /// From settled turning, duty falls in small steps, each held until settled, until the fan rests and the output is off
    /// (or the lowest duty was held). Gives `stop_duty_pct`, `output_off_pct`.
    Descend,
    /// From verified standstill and output off, with the fan at rest throughout: duties around the output's thresholds at
    /// one command frequency, each held until the output has answered within the first half. Each comes from the output
    /// state of the one before; the first is off. Gives `output_on_pct`, `output_off_pct`, the dead band by frequency.
    DeadBand,
    /// Begins at the command edge to one duty, held until settled, the last second of it. Gives a point of the curve.
    Point {
        /// From which side.
        direction: Direction,
    },
    /// Begins at the command edge to one duty, held until the output has settled; the fan has not. Gives a point of the
    /// curve without a speed.
    OutputPoint {
        /// From which side.
        direction: Direction,
    },
    /// Highest useful duty, settled, not chopping, at least 2 s. Gives `drop_v`, `on_resistance_ohm`.
    FlatOut,
    /// Right after it the supply is taken away with the command there: the fan, coasting, holds the module's capacitors at
    /// its own voltage through the closed switch. Nothing flows, so that supply and output are one voltage (since 1.4).
    Tie,
    /// Begins at the edge to one command frequency, come to from a lower duty at the nominal one, held until settled or
    /// seen not to follow. A change of duty later in the span shows whether the unit holds its output.
    Follow,
    /// From settled turning at a mid-range duty with 0.5 s of pre-roll, the loss happens and is watched.
    Loss {
        /// What was lost.
        loss: Loss,
    },
    /// Supply off and fan at rest, mid-range command there, 0.3 s of pre-roll, the supply comes; held until settled.
    PowerUp,
    /// Fan and module warm from a hold, then from verified standstill with 0.3 s of pre-roll one command edge, or the
    /// supply with the command there, held until settled. Gives `hot_restart`, `hot_delay_s`, `hot_inrush_ratio`
    /// (since 1.5).
    HotStart,
    /// The same as `PreCharge` with the module warm from a hold. Gives `capacitance_warm_f`, `capacitance_change_pct`
    /// (since 1.5).
    WarmCharge,
    /// One of many starts: from verified standstill, awake, 0.3 s of pre-roll, one command edge to a duty that starts a
    /// sound unit every time, held until the output has settled and a little longer, or the time for that was over. Gives
    /// `start_failure_pct`, `start_delay_sd_s` (since 1.5).
    RepeatedStart,
    /// From settled turning at one duty with 1 s of pre-roll the supply is set to a lower level, held, and set back to its
    /// own; then watched until the output has come back and settled, or the time for that was over. Where it was, an off
    /// command and the duty again, and where that does not help the supply away and back, are tried in the span. Gives
    /// `supply_dip`, `dip_ridden_v`, `dip_back_s` (since 1.6).
    SupplyDip,
    /// The same with several levels one after the other. Gives `crank`, `crank_back_s` (since 1.6).
    Crank,
    /// From settled turning at one duty the supply goes away from its own voltage in small steps, each held, until the output
    /// goes off, and back until it comes on; then, from off, levels nearer and nearer to where it went off are each held
    /// for longer, until one at which it stays off. Gives the cut-out and cut-in voltages (since 1.6).
    SupplySweep {
        /// Down or up from the supply's own voltage.
        toward: Direction,
    },
    /// On a dummy load, from off with 0.3 s of pre-roll one command edge to a duty, held until the output was on for as long as
    /// was asked, or came again after it was cut, or stayed off for as long as was waited; then off. Gives `stall`,
    /// `stall_limit_a`, `stall_cut_off_s`, `stall_retry_s` (since 1.6).
    Stall,
    /// One duty held, the fan settled before, while somebody flexes the harness. Gives `flex_dropouts` (since 1.6).
    FlexWatch,
    /// One duty held for a long time. Gives `heat_rise_k`, `heat_tau_s`, `steadiness_pct`.
    Soak,
    /// Valid off or inactive level from awake at rest until asleep or the time is over. Gives the sleep results.
    Sleep,
    /// A manual or constant stretch. Gives `speed_rpm`.
    Hold,
}

/// A way of losing the command.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Loss {
    /// Exactly 0 %: no edges, inactive level.
    Zero,
    /// Exactly 100 %: no edges, active level.
    Full,
    /// Line released.
    Open,
    /// Line held low.
    HeldLow,
    /// Line held high.
    HeldHigh,
}

/// First line of a record: everything needed to analyse it next year.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Header {
    /// Schema version (`major`, `minor`).
    pub format: (u32, u32),
    /// Run identifier.
    pub run: String,
    /// Unit tag.
    pub unit: Option<String>,
    /// Batch.
    pub batch: Option<String>,
    /// Wall-clock start, RFC 3339.
    pub started: Option<String>,
    /// Program version.
    pub program: String,
    /// Rig name, and the file as it was.
    pub rig: Option<String>,
    /// Text of the rig file.
    pub rig_text: Option<String>,
    /// Plan name.
    pub plan: Option<String>,
    /// Text of the plan file.
    pub plan_text: Option<String>,
    /// SHA-256 of rig and plan text, hexadecimal, frozen before the run.
    pub frozen: Option<String>,
    /// Whether the virtual bench made the samples.
    #[serde(rename = "virtual", default)]
    pub is_virtual: bool,
    /// Seed of the virtual bench.
    pub seed: Option<u64>,
    /// How often this unit was run before, by the store of the time; shown with the grade, so that nobody retests
    /// until it fits.
    #[serde(default)]
    pub earlier_runs: Option<u64>,
    /// Calibrations in force, as text: channel, date, reference, operator.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub calibrations: Vec<String>,
    /// What the rig file states about the bench, as far as the analysis needs it.
    pub bench: BenchFacts,
    /// What the plan states, as far as analysis and verdict need it.
    pub plan_facts: PlanFacts,
}

/// What is known of the bench that took the samples. Everything may be unknown (a bare trace).
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct BenchFacts {
    /// Per channel: what the rig file states of its errors.
    pub channels: BTreeMap<Channel, ChannelFacts>,
    /// Tach pulses per revolution; `None` without a tach.
    pub pulses_per_rev: Option<f64>,
    /// Commutation ripples per revolution, lcm(bars, brushes), if known.
    pub ripple_per_rev: Option<f64>,
    /// Series resistance of the first-power means, ohms, and its standard uncertainty.
    pub pre_charge_ohm: Option<(f64, f64)>,
    /// Resistance through which the line is held low, ohms.
    pub line_low_ohm: Option<f64>,
    /// Resistance through which the line is held high, ohms.
    pub line_high_ohm: Option<f64>,
    /// Voltage to which the line is held high, volts.
    pub line_high_v: Option<f64>,
    /// Load of the line's own measurement, ohms.
    pub line_sense_ohm: Option<f64>,
    /// Standard uncertainty of the duty realised at the pin, in duty points.
    pub duty_u_pct: f64,
    /// Wiring resistance between supply sense point and module pins still inside `supply_v`, ohms; 0 with four wires.
    pub lead_ohm: f64,
    /// Locked-rotor current of the load fan at the rig's voltage, amperes.
    pub locked_rotor_a: Option<f64>,
    /// Current of the load fan flat out at the rig's voltage, amperes.
    #[serde(default)]
    pub running_a: Option<f64>,
    /// Resistance of the rig's supply up to the sense point, ohms.
    #[serde(default)]
    pub supply_ohm: Option<f64>,
    /// Name of the load fan.
    pub load_fan: Option<String>,
    /// The dummy load in its place, where one is connected (since 1.6).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dummy_load: Option<DummyLoadFacts>,
    /// Relative standard uncertainty of the sampling clock.
    pub clock_u: f64,
    /// Open-circuit voltage of the rig's supply, volts.
    pub supply_v: Option<f64>,
    /// What this rig cannot do, in the rig file's own words.
    pub cannot: Vec<String>,
    /// Standard uncertainty by result, in its unit, of what differs between sessions, from a gauge study on this rig.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub reproducibility: BTreeMap<ResultName, f64>,
    /// Standard uncertainty of the tach's times against those of the supply current, seconds (since 1.3).
    #[serde(default, skip_serializing_if = "is_nothing")]
    pub tach_alignment_u_s: f64,
    /// Standard uncertainty of the moment of a command against the times of the supply current, seconds (since 1.3).
    #[serde(default, skip_serializing_if = "is_nothing")]
    pub command_alignment_u_s: f64,
}

/// A dummy load.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct DummyLoadFacts {
    /// Name for people.
    pub name: String,
    /// Resistance, ohms.
    pub ohm: f64,
    /// Its standard uncertainty, ohms.
    pub ohm_u: f64,
}

/// Whether there is nothing to keep.
#[expect(clippy::trivially_copy_pass_by_ref, reason = "the signature that serde asks for")]
fn is_nothing(value: &f64) -> bool {
    *value == 0.0
}

/// Stated errors of a channel, standard uncertainties in the channel's unit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ChannelFacts {
    /// Full scale.
    pub range: f64,
    /// White noise of one sample at the normal pace.
    pub noise: f64,
    /// Offset before zeroing.
    pub offset_u: f64,
    /// Relative gain.
    pub gain_u: f64,
    /// Step of one count.
    pub resolution: f64,
    /// Standard uncertainty of its samples' times against those of the supply current, seconds (since 1.3).
    #[serde(default, skip_serializing_if = "is_nothing")]
    pub alignment_u_s: f64,
    /// Low range of the channel, if it has one: full scale, offset uncertainty, relative gain uncertainty.
    pub low: Option<LowRange>,
}

/// A second, finer range of a current channel, used by itself whenever the reading fits.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct LowRange {
    /// Full scale.
    pub range: f64,
    /// White noise of one sample.
    pub noise: f64,
    /// Offset before zeroing.
    pub offset_u: f64,
    /// Relative gain.
    pub gain_u: f64,
}

/// What the plan fixes for analysis and verdict.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PlanFacts {
    /// Voltage to which speeds and drops are corrected.
    pub reference_v: Option<f64>,
    /// Capacity of the vehicle's battery, ampere hours, usable share of it, and other drain in amperes.
    pub battery: Option<BatteryFacts>,
    /// Current below which the module counts as asleep, amperes.
    pub asleep_below_a: Option<f64>,
    /// What the unit meets in the vehicle on a hot day.
    #[serde(default)]
    pub under_bonnet: Option<UnderBonnetFacts>,
    /// Limits by result, in the result's unit (or as words).
    pub limits: BTreeMap<ResultName, LimitFacts>,
    /// Prior share of units that break a limit, for the stated risk.
    pub prior_bad: f64,
    /// The risk that the plan accepts.
    #[serde(default)]
    pub risk: RiskRule,
}

/// A hot day in the vehicle.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct UnderBonnetFacts {
    /// Temperature of the air at the unit.
    pub ambient_c: f64,
    /// Highest temperature of its case.
    pub highest_case_c: f64,
}

/// The vehicle's battery.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct BatteryFacts {
    /// Capacity.
    pub capacity_ah: f64,
    /// Share that may be used, 0 to 1.
    pub usable: f64,
    /// Drain of everything else.
    pub other_drain_a: f64,
}

/// What a result must meet.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct LimitFacts {
    /// Smallest value allowed.
    pub min: Option<f64>,
    /// Largest value allowed.
    pub max: Option<f64>,
    /// Words allowed, for categories.
    #[serde(default)]
    pub one_of: Vec<String>,
}
