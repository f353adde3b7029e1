//! Result types: what a run yields, with units and uncertainty, and the results document.
//!
//! Names, fields and document layout are a contract with outside programs (`docs/results.md`); nothing here computes.

use std::collections::BTreeMap;
use std::fmt;

use serde::{Deserialize, Serialize};

use crate::bench::Channel;
use crate::units::{for_people, rounded_together};

mod by_frequency;
mod decision;
mod hot_day;

pub use by_frequency::ByFrequency;
pub use decision::{Decision, Guard, RiskKind, RiskRule};
pub use hot_day::{HotDay, SoakedHeat};

/// Declares the result names once: variant, contract name, unit, whose quantity it is, words for people.
macro_rules! result_names {
    ($(($variant:ident, $name:literal, $unit:literal, $of:ident, $words:literal)),+ $(,)?) => {
        /// A measurand, by its contract name.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
        pub enum ResultName {
            $(
                #[doc = $words]
                #[serde(rename = $name)]
                $variant,
            )+
        }

        impl ResultName {
            /// Every result, in the order in which people read them.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// Contract name.
            #[must_use]
            pub const fn name(self) -> &'static str {
                match self { $(Self::$variant => $name),+ }
            }

            /// Unit symbol; empty for categories and ratios.
            #[must_use]
            pub const fn unit(self) -> &'static str {
                match self { $(Self::$variant => $unit),+ }
            }

            /// Whether the quantity belongs to the module alone or to the module with this load fan.
            #[must_use]
            pub const fn of(self) -> Belongs {
                match self { $(Self::$variant => Belongs::$of),+ }
            }

            /// A few words that a person at the bench understands.
            #[must_use]
            pub const fn words(self) -> &'static str {
                match self { $(Self::$variant => $words),+ }
            }
        }
    };
}

/// What a quantity is a property of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Belongs {
    /// The module, whatever fan it drives.
    Module,
    /// The module together with this load fan.
    Fan,
}

result_names![
    (CommandHz, "command_hz", "Hz", Module, "command frequency used"),
    (ActiveLevel, "active_level", "", Module, "active level of the command"),
    (PullUpV, "pull_up_v", "V", Module, "pull-up voltage of the command line"),
    (PullUpOhm, "pull_up_ohm", "Ohm", Module, "pull-up resistance of the command line"),
    (LineKind, "line_kind", "", Module, "kind of command input"),
    (OutputOnPct, "output_on_pct", "%", Module, "output comes on at duty"),
    (OutputOffPct, "output_off_pct", "%", Module, "output goes off at duty"),
    (StartDutyPct, "start_duty_pct", "%", Fan, "fan starts at duty (half of the tries)"),
    (StartDuty95Pct, "start_duty_95_pct", "%", Fan, "fan starts at duty (95 of 100 tries)"),
    (StopDutyPct, "stop_duty_pct", "%", Fan, "fan stops below duty"),
    (HysteresisPct, "hysteresis_pct", "%", Fan, "start duty less stop duty"),
    (SaturationDutyPct, "saturation_duty_pct", "%", Module, "flat out from duty"),
    (UpperCutoffPct, "upper_cutoff_pct", "%", Module, "leaves flat out above duty"),
    (CommandHzLow, "command_hz_low", "Hz", Module, "lowest command frequency followed"),
    (CommandHzHigh, "command_hz_high", "Hz", Module, "highest command frequency followed"),
    (CommandDelayS, "command_delay_s", "s", Module, "delay from command to output"),
    (CommandDelayAsleepS, "command_delay_asleep_s", "s", Module, "delay from command to output, from asleep"),
    (Ramp1090S, "ramp_10_90_s", "s", Module, "soft start, 10 to 90 % of output"),
    (RampShape, "ramp_shape", "", Module, "shape of the soft start"),
    (RampFullS, "ramp_full_s", "s", Module, "soft start, first output to 95 %"),
    (PeakSupplyA, "peak_supply_a", "A", Fan, "highest supply current in the start"),
    (InrushRatio, "inrush_ratio", "", Fan, "peak over settled supply current"),
    (SoftStartShare, "soft_start_share", "", Fan, "share of the hard-start peak that soft start takes away"),
    (PowerUp, "power_up", "", Module, "start when supply comes with the command there"),
    (PowerUpPeakA, "power_up_peak_a", "A", Fan, "peak current when supply comes with the command there"),
    (HotRestart, "hot_restart", "", Module, "start again while warm"),
    (HotDelayS, "hot_delay_s", "s", Module, "delay to output of a warm start"),
    (HotInrushRatio, "hot_inrush_ratio", "", Fan, "peak of a warm start over that of the cold one"),
    (StartFailurePct, "start_failure_pct", "%", Fan, "share of starts that fail"),
    (StartDelaySdS, "start_delay_sd_s", "s", Module, "scatter of the delay from start to start"),
    (SupplyDip, "supply_dip", "", Module, "what dips of the supply do"),
    (DipRiddenV, "dip_ridden_v", "V", Module, "supply voltage down to which a dip is ridden through"),
    (DipBackS, "dip_back_s", "s", Module, "time to run again after a dip of the supply"),
    (Crank, "crank", "", Module, "what the cranking profile does"),
    (CrankBackS, "crank_back_s", "s", Module, "time to run again after the cranking profile"),
    (CutOutLowV, "cut_out_low_v", "V", Module, "output goes off below supply voltage"),
    (CutInLowV, "cut_in_low_v", "V", Module, "output comes back above that, at supply voltage"),
    (LockHysteresisLowV, "lock_hysteresis_low_v", "V", Module, "cut-in less cut-out at a low supply voltage"),
    (CutOutHighV, "cut_out_high_v", "V", Module, "output goes off above supply voltage"),
    (CutInHighV, "cut_in_high_v", "V", Module, "output comes back below that, at supply voltage"),
    (LockHysteresisHighV, "lock_hysteresis_high_v", "V", Module, "cut-out less cut-in at a high supply voltage"),
    (Stall, "stall", "", Module, "what it does when its motor stands"),
    (StallLimitA, "stall_limit_a", "A", Module, "load current to which it limits when its motor stands"),
    (
        StallCutOffS,
        "stall_cut_off_s",
        "s",
        Module,
        "time from first current to its being cut off when its motor stands"
    ),
    (StallRetryS, "stall_retry_s", "s", Module, "time from there until current flows again"),
    (FlexDropouts, "flex_dropouts", "", Module, "drop-outs while the harness is flexed"),
    (OutputOffDelayS, "output_off_delay_s", "s", Module, "delay from off command to output gone"),
    (RunDownS, "run_down_s", "s", Fan, "fan down to a tenth of its speed after off"),
    (SleepA, "sleep_a", "A", Module, "current asleep"),
    (SleepAfterS, "sleep_after_s", "s", Module, "time from off command to asleep"),
    (BatteryDays, "battery_days", "d", Module, "days until the battery is down"),
    (DropV, "drop_v", "V", Module, "voltage lost in the module flat out"),
    (OnResistanceOhm, "on_resistance_ohm", "Ohm", Module, "on-resistance of the module"),
    (CapacitanceF, "capacitance_f", "F", Module, "input capacitance"),
    (CapacitanceWarmF, "capacitance_warm_f", "F", Module, "input capacitance while warm"),
    (CapacitanceChangePct, "capacitance_change_pct", "%", Module, "change of the input capacitance with warmth"),
    (SpeedRpm, "speed_rpm", "rpm", Fan, "settled speed"),
    (SteadinessPct, "steadiness_pct", "%", Fan, "slow swing of speed at a constant command, worst duty"),
    (HeatRiseK, "heat_rise_k", "K", Module, "case above ambient, extrapolated"),
    (HeatTauS, "heat_tau_s", "s", Module, "time constant of the case"),
    (LossFull, "loss_full", "", Module, "what 100 % command does"),
    (LossZero, "loss_zero", "", Module, "what 0 % command does"),
    (LossOpen, "loss_open", "", Module, "what an open line does"),
    (LossFullAfterS, "loss_full_after_s", "s", Module, "delay of that at 100 %"),
    (LossZeroAfterS, "loss_zero_after_s", "s", Module, "delay of that at 0 %"),
    (LossOpenAfterS, "loss_open_after_s", "s", Module, "delay of that with the line open"),
];

impl ResultName {
    /// The result of that contract name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|result| result.name() == name)
    }
}

impl fmt::Display for ResultName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// The value of a result: a number, or a word for categories.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Value {
    /// A number in the result's unit.
    Number(f64),
    /// A category such as `low`, `linear`, `stops`.
    Word(String),
}

/// How a contribution to the uncertainty behaves over points of one rig.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Nature {
    /// Independent from reading to reading; shrinks with averaging.
    Random,
    /// Shared by the readings of one run (its zeros, the warmth of the fan, how well a model fits this unit); more readings in
    /// that run do not shrink it.
    Lasting,
    /// Shared by all readings of a rig (gain, reference, calibration); cancels in ratios, does not shrink.
    Common,
}

/// One line of an uncertainty budget, in the result's own unit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Contribution {
    /// What it comes from, for example `threshold spread` or `supply_a gain`.
    pub name: String,
    /// Standard uncertainty that it contributes.
    pub u: f64,
    /// Random or common.
    pub nature: Nature,
}

/// A measured quantity.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Measured {
    /// The value.
    pub value: Value,
    /// Unit symbol as in the contract.
    pub unit: String,
    /// Standard uncertainty; null for categories.
    pub u: Option<f64>,
    /// 95 % interval; an open end is null and the note says why.
    pub interval: Option<[Option<f64>; 2]>,
    /// How it was obtained, a short fixed word such as `threshold`, `piecewise`, `tach`.
    pub method: String,
    /// Number of independent readings behind it.
    pub n: u64,
    /// What a reader must know (conditions, proxies, bounds).
    pub note: Option<String>,
    /// Uncertainty budget; kept inside the program and its own documents only.
    #[serde(skip)]
    pub budget: Vec<Contribution>,
}

impl Measured {
    /// A number with its budget; `u` is the root sum of squares and the interval is `value ± k u`.
    ///
    /// `k` is the coverage factor of a 95 % interval, for example 1.96 or a Student quantile (JCGM 100, 6.2 and G.3).
    #[must_use]
    pub fn number(name: ResultName, value: f64, k: f64, budget: Vec<Contribution>, method: &str, n: u64) -> Self {
        let u = budget.iter().map(|c| c.u * c.u).sum::<f64>().sqrt();
        Self {
            value: Value::Number(value),
            unit: name.unit().to_owned(),
            u: Some(u),
            interval: Some([Some(value - k * u), Some(value + k * u)]),
            method: method.to_owned(),
            n,
            note: None,
            budget,
        }
    }

    /// Adds a part that the budget did not hold; the interval keeps its shape and grows by the same factor. Absent
    /// numbers and ends that are open stay as they are.
    pub fn widen(&mut self, part: Contribution) {
        let (Some(u), Some(value)) = (self.u.filter(|u| *u > 0.0), self.as_number()) else { return };
        let wider = u.hypot(part.u);
        let grow = |end: Option<f64>| end.map(|end| value + (end - value) * wider / u);
        self.interval = self.interval.map(|ends| ends.map(grow));
        self.u = Some(wider);
        self.budget.push(part);
    }

    /// A category.
    #[must_use]
    pub fn word(name: ResultName, word: &str, method: &str, n: u64) -> Self {
        Self {
            value: Value::Word(word.to_owned()),
            unit: name.unit().to_owned(),
            u: None,
            interval: None,
            method: method.to_owned(),
            n,
            note: None,
            budget: Vec::new(),
        }
    }

    /// The same with a note.
    #[must_use]
    pub fn noted(mut self, note: impl Into<String>) -> Self {
        self.note = Some(note.into());
        self
    }

    /// The same, marked as a stand-in for the quantity itself: the note becomes `proxy: why`. Limits on it stay open.
    #[must_use]
    pub fn proxy(self, why: &str) -> Self {
        self.noted(format!("proxy: {why}"))
    }

    /// Whether it is only a stand-in for the quantity itself (the note or the method says `proxy`).
    #[must_use]
    pub fn is_proxy(&self) -> bool {
        self.method.contains("proxy") || self.note.as_deref().is_some_and(|note| note.contains("proxy"))
    }

    /// Whether it is only a bound: an end of its interval is open.
    #[must_use]
    pub fn is_bound(&self) -> bool {
        self.interval.is_some_and(|ends| ends.iter().any(Option::is_none))
    }

    /// The number, if it is one.
    #[must_use]
    pub fn as_number(&self) -> Option<f64> {
        match self.value {
            Value::Number(value) => Some(value),
            Value::Word(_) => None,
        }
    }

    /// The number, if it is finite and more than a bound.
    #[must_use]
    pub fn plain_number(&self) -> Option<f64> {
        self.as_number().filter(|value| value.is_finite() && !self.is_bound())
    }

    /// The value as people read it: prefixed unit, as many digits as its uncertainty allows; or the word.
    #[must_use]
    pub fn shown(&self) -> String {
        match &self.value {
            Value::Word(word) => word.replace('_', " "),
            Value::Number(value) => {
                let (factor, unit) = for_people(&self.unit, *value);
                let (text, _) = rounded_together(value * factor, self.u.unwrap_or(0.0) * factor);
                format!("{text} {unit}").trim_end().to_owned()
            }
        }
    }

    /// The word, if it is one.
    #[must_use]
    pub fn as_word(&self) -> Option<&str> {
        match &self.value {
            Value::Number(_) => None,
            Value::Word(word) => Some(word),
        }
    }
}

impl Contribution {
    /// A contribution that averages out.
    #[must_use]
    pub fn random(name: &str, u: f64) -> Self {
        Self { name: name.to_owned(), u, nature: Nature::Random }
    }

    /// A contribution that readings of one run share.
    #[must_use]
    pub fn lasting(name: &str, u: f64) -> Self {
        Self { name: name.to_owned(), u, nature: Nature::Lasting }
    }

    /// A contribution shared by all readings of a rig.
    #[must_use]
    pub fn common(name: &str, u: f64) -> Self {
        Self { name: name.to_owned(), u, nature: Nature::Common }
    }
}

/// From which side a settled point was reached.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Direction {
    /// From below.
    Up,
    /// From above.
    Down,
}

/// One settled point of the curve. What was not measured is null.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CurvePoint {
    /// Commanded duty, percent.
    pub duty_pct: f64,
    /// Reached from below or above.
    pub direction: Direction,
    /// Settled speed.
    pub speed_rpm: Option<f64>,
    /// Its standard uncertainty.
    pub u_rpm: Option<f64>,
    /// Settled supply current.
    pub supply_a: Option<f64>,
    /// Settled output voltage.
    pub output_v: Option<f64>,
    /// Settled supply voltage at the module pins.
    pub supply_v: Option<f64>,
    /// Speed corrected to the plan's reference voltage.
    pub speed_ref_rpm: Option<f64>,
}

/// What the analysis found in a run or trace.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Findings {
    /// Results that were measured.
    pub results: BTreeMap<ResultName, Measured>,
    /// Results that were not, with the reason in plain words (and the bound, if there is one).
    pub absent: BTreeMap<ResultName, String>,
    /// Settled points in the order taken.
    pub curve: Vec<CurvePoint>,
    /// The load fan, where a start shows it.
    pub load_fan: Option<LoadFan>,
    /// Heating of the case, one per soaked duty.
    pub soaks: Vec<SoakedHeat>,
    /// Resistance of the load fan as fitted to the first start, ohms: what tells a worn fan from a bad unit.
    pub fan_resistance_ohm: Option<Fitted>,
    /// What it makes of its command at other frequencies, lowest first.
    pub by_frequency: Vec<ByFrequency>,
    /// What happened by itself at an unchanged command.
    pub events: Vec<Transient>,
    /// Oddities noticed on the way (glitches left out, frozen readings, clipped samples), in plain words.
    pub warnings: Vec<String>,
}

impl Findings {
    /// Notes a result, taking back an earlier absence.
    pub fn put(&mut self, name: ResultName, measured: Measured) {
        self.absent.remove(&name);
        self.results.insert(name, measured);
    }

    /// Notes why a result is absent, unless it has been measured.
    pub fn miss(&mut self, name: ResultName, reason: impl Into<String>) {
        if !self.results.contains_key(&name) {
            self.absent.insert(name, reason.into());
        }
    }

    /// Takes out results that are no numbers: what contradicts itself everywhere leads nowhere, and JSON cannot hold it.
    pub fn drop_unreal(&mut self) {
        let unreal = |measured: &Measured| matches!(measured.value, Value::Number(value) if !value.is_finite());
        let names: Vec<ResultName> =
            self.results.iter().filter(|(_, measured)| unreal(measured)).map(|(name, _)| *name).collect();
        for name in names {
            self.results.remove(&name);
            self.miss(name, "the readings contradict each other: no value fits them");
        }
    }

    /// The number of a result, if measured.
    #[must_use]
    pub fn number(&self, name: ResultName) -> Option<f64> {
        self.results.get(&name).and_then(Measured::as_number)
    }

    /// The word of a result, if measured.
    #[must_use]
    pub fn word(&self, name: ResultName) -> Option<&str> {
        self.results.get(&name).and_then(Measured::as_word)
    }
}

/// Evidence of a named fault.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Sign {
    /// Name of the fault, for example `soft start lost`.
    pub fault: String,
    /// Probability of the fault given what was measured, from 0 to 1.
    pub strength: f64,
    /// The evidence in plain words.
    pub because: String,
    /// Probability of the fault before anything was measured; null when the strength is not built on one.
    #[serde(default)]
    pub prior: Option<f64>,
    /// Results that speak, with what sound ones show.
    #[serde(default)]
    pub evidence: Vec<Evidence>,
    /// What it means for use.
    #[serde(default)]
    pub implies: String,
    /// What to check by hand next.
    #[serde(default)]
    pub check: String,
    /// Whether it speaks of the bench (load fan, supply, contacts) and not of the unit.
    #[serde(default)]
    pub of_bench: bool,
}

/// A result or reading that speaks for a sign.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// Name of the result, or plain words for a reading that is none.
    pub what: String,
    /// Its value.
    pub value: f64,
    /// Its unit.
    pub unit: String,
    /// What sound ones show: lowest and highest, an open end null.
    pub sound: [Option<f64>; 2],
}

/// What happened by itself while nothing was commanded.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Transient {
    /// What it was.
    pub kind: TransientKind,
    /// Channel that shows it.
    pub channel: Channel,
    /// When, on the run's clock.
    pub t_s: f64,
    /// How long.
    pub seconds: f64,
    /// Value furthest from the usual, in the channel's unit.
    pub value: f64,
    /// Usual value around it.
    pub usual: f64,
    /// Stage in which it happened; empty for traces.
    pub stage: String,
}

/// Kinds of transients.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TransientKind {
    /// The current goes and comes back at once.
    DropOut,
    /// It goes and comes back through a new start.
    Reset,
    /// A short excursion.
    Spike,
    /// It wakes by itself and falls asleep again.
    ReSleep,
}

impl TransientKind {
    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::DropOut => "drop-out",
            Self::Reset => "reset",
            Self::Spike => "spike",
            Self::ReSleep => "woke by itself",
        }
    }
}

/// Outcome of one limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// The result meets it, uncertainty included.
    Meets,
    /// The result breaks it, uncertainty included.
    Fails,
    /// Cannot be told.
    Open,
}

/// What to do with the unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Grade {
    /// Do not fit.
    Scrap,
    /// Not enough is known.
    Undecided,
    /// Fit inside the stated bounds only.
    Restricted,
    /// Fit.
    Fit,
}

impl Grade {
    /// The word as printed and as given to `--require`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Scrap => "scrap",
            Self::Undecided => "undecided",
            Self::Restricted => "restricted",
            Self::Fit => "fit",
        }
    }
}

/// The judgement of a run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    /// The grade.
    pub grade: Grade,
    /// Why, and the bounds it holds within, in plain words, most important first.
    pub reasons: Vec<String>,
    /// Outcome of each limit of the plan.
    pub limits: BTreeMap<ResultName, Outcome>,
    /// Probability that a unit graded so breaks any of the limits; null when nothing was limited.
    pub risk: Option<f64>,
    /// The risk that the plan accepts, by which the limits were judged.
    #[serde(default)]
    pub rule: RiskRule,
    /// How each limit on a number was judged: its guard band and the acceptance limit that follows.
    #[serde(default)]
    pub decisions: BTreeMap<ResultName, Decision>,
}

/// Why a run ended before its plan did.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Stopped {
    /// What happened.
    pub cause: String,
    /// `unit`, `rig`, `record`, `host` or `operator`.
    pub by: StoppedBy,
    /// When, on the run's clock.
    pub t_s: f64,
}

/// Whose doing a stop was.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StoppedBy {
    /// The unit: a finding.
    Unit,
    /// The bench.
    Rig,
    /// The record could not be kept.
    Record,
    /// The computer or this program.
    Host,
    /// A person.
    Operator,
}

/// The heaviest load that the unit carried without a break: the bound within which a grade holds.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Carried {
    /// Mean supply current of that stretch.
    pub supply_a: f64,
    /// Command duty, percent.
    pub duty_pct: f64,
    /// Mean supply voltage at the module pins; null when it was not measured.
    pub supply_v: Option<f64>,
    /// Unbroken stay at that setting.
    pub seconds: f64,
}

/// A fitted value with its standard uncertainty.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Fitted {
    /// The value.
    pub value: f64,
    /// Its standard uncertainty, in the same unit.
    pub u: f64,
}

/// The load fan as the run shows it. It belongs to the bench: a weak module and a worn bench fan slow alike, and are told
/// apart here.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LoadFan {
    /// Resistance of armature and brushes at the begin of the first start.
    pub resistance_ohm: Fitted,
    /// Back-EMF and torque constant; null without a speed.
    pub ke_v_s: Option<Fitted>,
    /// Moment of inertia; null without a speed.
    pub inertia_kg_m2: Option<Fitted>,
    /// Torque that the air takes, over the square of the speed; null without a speed.
    pub air_nm_s2: Option<Fitted>,
    /// Copper temperature at the end of the last long hold; null without one or without an ambient temperature.
    pub copper_c: Option<Fitted>,
    /// The measured start beside a hard one of the same fan.
    pub starts: Option<StartsCompared>,
    /// Whether this is the fan that the rig file describes, in plain words; null where it states no locked-rotor current.
    pub judgement: Option<String>,
}

/// What the soft start did and what a hard start of the same fan to the same output would do.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct StartsCompared {
    /// Highest 5 ms mean of the supply current, as measured.
    pub soft_peak_a: f64,
    /// The same of a hard start, predicted.
    pub hard_peak_a: Fitted,
    /// How far the supply sagged at the peak, by its resistance.
    pub soft_sag_v: f64,
    /// The same of a hard start.
    pub hard_sag_v: f64,
    /// Heat in copper, module and supply until the fan had 95 % of its speed.
    pub soft_heat_j: f64,
    /// The same of a hard start.
    pub hard_heat_j: f64,
}

/// The results document, `results.json`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Document {
    /// Layout version of this document.
    pub format: u32,
    /// Unit tag.
    pub unit: Option<String>,
    /// Batch.
    pub batch: Option<String>,
    /// Run identifier.
    pub run: Option<String>,
    /// Plan name.
    pub plan: Option<String>,
    /// Rig name.
    pub rig: Option<String>,
    /// Wall-clock start, RFC 3339.
    pub started: Option<String>,
    /// Time spent on the bench's own clock.
    pub bench_seconds: f64,
    /// Whether the virtual bench made this.
    #[serde(rename = "virtual", default)]
    pub is_virtual: bool,
    /// Measured results by name.
    pub results: BTreeMap<ResultName, Measured>,
    /// Results not measured, with the reason.
    pub absent: BTreeMap<ResultName, String>,
    /// Settled points.
    pub curve: Vec<CurvePoint>,
    /// Signs of faults, strongest first.
    pub signs: Vec<Sign>,
    /// The verdict; null when there is none to give.
    pub verdict: Option<Verdict>,
    /// Why the run ended early; null when it ran to its end.
    pub stopped: Option<Stopped>,
    /// How often this unit was run before; null when that is not known.
    #[serde(default)]
    pub earlier_runs: Option<u64>,
    /// Heaviest load carried without a break; null when the unit was never loaded.
    #[serde(default)]
    pub carried: Option<Carried>,
    /// The load fan as the run shows it; left out when it does not.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub load_fan: Option<LoadFan>,
    /// Case temperature on a hot day, one per soaked duty; empty unless the plan states one.
    #[serde(default)]
    pub hot_day: Vec<HotDay>,
    /// What it makes of its command at other frequencies, lowest first; left out where they were not tried.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub by_frequency: Vec<ByFrequency>,
    /// Oddities in the data, in plain words.
    #[serde(default)]
    pub warnings: Vec<String>,
    /// What happened by itself at an unchanged command.
    #[serde(default)]
    pub events: Vec<Transient>,
    /// Program and version of the analysis that made this; null in documents older than this field.
    #[serde(default)]
    pub analysis: Option<String>,
    /// What the document was made from; left out for a bare trace.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub provenance: Option<Provenance>,
}

/// Where a document comes from, for checking it later.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Provenance {
    /// Fingerprint of the record: SHA-256 of what `sha256sum events.jsonl samples.arrows` prints in its folder.
    pub record_sha256: String,
    /// SHA-256 of rig and plan, frozen before the run.
    pub frozen_sha256: Option<String>,
    /// Program that took the record.
    pub recorded_by: String,
}
