//! The field table of plan files.

use super::field::{Bounds, Dim, Kind, Table, default, optional, required};
use super::plan::RestartBy;
use crate::record::event::Loss;
use crate::results::ResultName;

/// A stay, long enough to mean something and short enough for a workshop.
const fn stay(least_s: f64, most_s: f64) -> Kind {
    Kind::Quantity(Dim::Seconds, Bounds::Between(least_s, most_s))
}

const DUTY: Kind = Kind::Quantity(Dim::Duty, Bounds::Any);
const DUTY_ITEM: Kind = DUTY;
const UP_TO_DUTY: Kind = Kind::UpTo(Dim::Duty, Bounds::Any);
const FINE: Kind = Kind::Quantity(Dim::Duty, Bounds::Between(0.0005, 0.1));
const FREQUENCY: Kind = Kind::Quantity(Dim::Hertz, Bounds::Positive);
const FREQUENCY_ITEM: Kind = FREQUENCY;
const LOSS_ITEM: Kind = Kind::Word(|| LOSSES.iter().map(|(word, _)| *word).collect());
const RESTART_ITEM: Kind = Kind::Word(|| RESTARTS.iter().map(|(word, _)| *word).collect());
const STAGE_ITEM: Kind = Kind::Choice(&STAGES);

/// Words for the ways of losing the command.
pub(crate) const LOSSES: &[(&str, Loss)] = &[
    ("zero", Loss::Zero),
    ("full", Loss::Full),
    ("held_low", Loss::HeldLow),
    ("held_high", Loss::HeldHigh),
    ("open", Loss::Open),
];

/// Words for the ways of starting a warm unit again.
pub(crate) const RESTARTS: &[(&str, RestartBy)] = &[("command", RestartBy::Command), ("supply", RestartBy::Supply)];

/// The whole file.
pub(crate) static PLAN: Table = Table {
    doc: "What to do to a unit: ordered stages, limits per result, reference conditions.",
    fields: &[
        required("name", Kind::Text, "Name of the plan for people and for the results document."),
        optional(
            "reference_voltage",
            Kind::Quantity(Dim::Volts, Bounds::Between(1.0, 60.0)),
            "Voltage to which speeds and drops are corrected.",
        ),
        default("time_limit", Kind::Quantity(Dim::Seconds, Bounds::Positive), "90 min", "Longest bench time of a run."),
        default(
            "current_limit",
            Kind::UpTo(Dim::Amps, Bounds::Positive),
            "to the rig limit",
            "Current at which the supply is cut at once; never above that of the rig.",
        ),
        optional(
            "asleep_below",
            Kind::Quantity(Dim::Amps, Bounds::Positive),
            "Current below which the module counts as asleep.",
        ),
        default(
            "prior_bad",
            Kind::Quantity(Dim::Ratio, Bounds::Between(0.001, 0.999)),
            "20 %",
            "Share of such units that break a limit, before this one is looked at; the stated risk rests on it.",
        ),
        default("risk", Kind::Table(&RISK), "", "The risk accepted, by which limits are judged."),
        optional(
            "under_bonnet",
            Kind::Table(&UNDER_BONNET),
            "A hot day in the vehicle, to be predicted from the soaks.",
        ),
        optional("battery", Kind::Table(&BATTERY), "The vehicle's battery."),
        default("limits", Kind::Keyed(result_limits), "", "What each result must meet."),
        required("stage", Kind::List(&STAGE_ITEM, 1), "The stages in order, each beginning with `[[stage]]`."),
    ],
};

static RISK: Table = Table {
    doc: "The consumer's risk that the shop accepts (JCGM 106), and how often an open limit may be looked at.",
    fields: &[
        default(
            "kind",
            Kind::Word(|| vec!["specific", "global"]),
            "specific",
            "What the accepted risk is a share of: `specific`, of the units that break a limit; `global`, of all units that come, by `prior_bad`.",
        ),
        default(
            "accepted",
            Kind::Quantity(Dim::Ratio, Bounds::Between(0.0001, 0.2)),
            "2.5 %",
            "Share of those units that may break a limit and be passed nevertheless. Guard bands follow from it.",
        ),
        default(
            "looks",
            Kind::Count(1, 8),
            "3",
            "Most looks at one limit in one run; the risk is spent over them. 1: nothing is measured again.",
        ),
        default(
            "look_again_within",
            stay(0.0, 7200.0),
            "15 min",
            "Longest bench time of all further looks together; `time_limit` holds besides.",
        ),
    ],
};

static UNDER_BONNET: Table = Table {
    doc: "A hot day in the vehicle. Air moves differently there than on a bench; that is not in the prediction.",
    fields: &[
        required(
            "ambient",
            Kind::Quantity(Dim::Celsius, Bounds::Between(-40.0, 150.0)),
            "Temperature of the air at the unit.",
        ),
        required(
            "highest_case",
            Kind::Quantity(Dim::Celsius, Bounds::Between(20.0, 200.0)),
            "Highest temperature of its case; beyond it the unit is fit only in cooler air.",
        ),
    ],
};

static BATTERY: Table = Table {
    doc: "The vehicle's battery.",
    fields: &[
        required("capacity", Kind::Quantity(Dim::AmpHours, Bounds::Positive), "Capacity."),
        default("usable", Kind::Quantity(Dim::Ratio, Bounds::Between(0.01, 1.0)), "50 %", "Share that may be used."),
        default("other_drain", Kind::Quantity(Dim::Amps, Bounds::NotNegative), "0 A", "Drain of everything else."),
    ],
};

/// The keys of `[limits]`: every result with the table that its unit asks for.
fn result_limits() -> Vec<(&'static str, &'static Table, &'static str)> {
    ResultName::ALL.iter().map(|result| (result.name(), limit_table(*result), result.words())).collect()
}

/// How a limit on `result` is written.
pub(crate) fn limit_table(result: ResultName) -> &'static Table {
    match (result, result.unit()) {
        (ResultName::ActiveLevel, _) => &LEVEL_LIMIT,
        (ResultName::LineKind, _) => &LINE_KIND_LIMIT,
        (ResultName::RampShape, _) => &RAMP_SHAPE_LIMIT,
        (ResultName::PowerUp, _) => &POWER_UP_LIMIT,
        (ResultName::HotRestart, _) => &HOT_RESTART_LIMIT,
        (ResultName::SupplyDip | ResultName::Crank, _) => &SUPPLY_DIP_LIMIT,
        (ResultName::Stall, _) => &STALL_LIMIT,
        (ResultName::LossFull | ResultName::LossZero | ResultName::LossOpen, _) => &LOSS_LIMIT,
        (_, "%") => &PERCENT_LIMIT,
        (_, "s" | "d") => &TIME_LIMIT,
        (_, "A") => &AMP_LIMIT,
        (_, "V") => &VOLT_LIMIT,
        (_, "Ohm") => &OHM_LIMIT,
        (_, "Hz") => &HERTZ_LIMIT,
        (_, "rpm") => &RPM_LIMIT,
        (_, "K") => &KELVIN_LIMIT,
        (_, "F") => &FARAD_LIMIT,
        _ => &NUMBER_LIMIT,
    }
}

macro_rules! limit_table {
    ($name:ident, $kind:expr) => {
        static $name: Table = Table {
            doc: "What a result must meet.",
            fields: &[
                optional("min", $kind, "Smallest value allowed."),
                optional("max", $kind, "Largest value allowed."),
            ],
        };
    };
}

limit_table!(PERCENT_LIMIT, Kind::Quantity(Dim::Ratio, Bounds::Any));
limit_table!(TIME_LIMIT, Kind::Quantity(Dim::Seconds, Bounds::Any));
limit_table!(AMP_LIMIT, Kind::Quantity(Dim::Amps, Bounds::Any));
limit_table!(VOLT_LIMIT, Kind::Quantity(Dim::Volts, Bounds::Any));
limit_table!(OHM_LIMIT, Kind::Quantity(Dim::Ohms, Bounds::Any));
limit_table!(HERTZ_LIMIT, Kind::Quantity(Dim::Hertz, Bounds::Any));
limit_table!(RPM_LIMIT, Kind::Quantity(Dim::Rpm, Bounds::Any));
limit_table!(KELVIN_LIMIT, Kind::Quantity(Dim::Kelvin, Bounds::Any));
limit_table!(FARAD_LIMIT, Kind::Quantity(Dim::Farads, Bounds::Any));
limit_table!(NUMBER_LIMIT, Kind::Number(Bounds::Any));

macro_rules! word_limit_table {
    ($name:ident, $item:ident, [$($word:literal),+]) => {
        const $item: Kind = Kind::Word(|| vec![$($word),+]);
        static $name: Table = Table {
            doc: "What a result must be.",
            fields: &[required("one_of", Kind::List(&$item, 1), "Answers allowed.")],
        };
    };
}

word_limit_table!(LEVEL_LIMIT, LEVEL_ITEM, ["low", "high"]);
word_limit_table!(LINE_KIND_LIMIT, LINE_KIND_ITEM, ["open_collector", "push_pull", "lin_like", "can_like", "unknown"]);
word_limit_table!(
    RAMP_SHAPE_LIMIT,
    RAMP_SHAPE_ITEM,
    ["linear", "exponential", "s", "stepped", "jump_then_ramp", "none"]
);
word_limit_table!(POWER_UP_LIMIT, POWER_UP_ITEM, ["soft", "hard", "nothing"]);
word_limit_table!(HOT_RESTART_LIMIT, HOT_RESTART_ITEM, ["starts", "weaker", "falters", "stays_off"]);
word_limit_table!(STALL_LIMIT, STALL_ITEM, ["limits", "cuts_off_and_retries", "cuts_off_and_stays", "carries"]);
word_limit_table!(SUPPLY_DIP_LIMIT, SUPPLY_DIP_ITEM, ["rides_through", "restarts", "stays_off", "latches"]);
word_limit_table!(LOSS_LIMIT, LOSS_ANSWER_ITEM, ["stops", "full", "holds", "other"]);

/// The stages that a plan can be made of.
pub(crate) static STAGES: Table = Table {
    doc: "One stage.",
    fields: &[
        optional(
            "first_power",
            Kind::Table(&FIRST_POWER),
            "Zeros, then power through the rig's declared means, line released.",
        ),
        optional("supply_open", Kind::Table(&SUPPLY_OPEN), "Supply on with the line open, watched."),
        optional("line_check", Kind::Table(&LINE_CHECK), "Line voltages released and held: kind of input."),
        optional("discover", Kind::Table(&DISCOVER), "Command frequency and active level."),
        optional(
            "triage",
            Kind::Table(&TRIAGE),
            "Command, soft start, saturation, sleep and start in the least bench time.",
        ),
        optional("soft_start", Kind::Table(&SOFT_START), "From standstill to full, then off."),
        optional("sweep", Kind::Table(&SWEEP), "Duty up from standstill, down from full, with the thresholds."),
        optional("drop", Kind::Table(&DROP), "Flat out, for voltage drop and on-resistance."),
        optional("frequency_edges", Kind::Table(&FREQUENCY_EDGES), "Band of command frequencies that is followed."),
        optional("loss_of_signal", Kind::Table(&LOSS_OF_SIGNAL), "What the unit does when the command is lost."),
        optional("power_up", Kind::Table(&POWER_UP), "Supply comes with the command there."),
        optional("soak", Kind::Table(&SOAK), "Long holds, for heating and steadiness."),
        optional("repeats", Kind::Table(&REPEATS), "More starts and stops, for thresholds and their spread."),
        optional("hot_restart", Kind::Table(&HOT_RESTART), "Warm from a hold at a high duty: does it start again?"),
        optional("repeated_starts", Kind::Table(&REPEATED_STARTS), "Many starts from rest, each of which may fail."),
        optional("capacitance", Kind::Table(&CAPACITANCE), "The input charged once more while it is warm."),
        optional(
            "supply_dip",
            Kind::Table(&SUPPLY_DIP),
            "The supply drops while the fan runs, and comes back. Needs a programmable supply.",
        ),
        optional(
            "crank",
            Kind::Table(&CRANK),
            "The supply of a vehicle whose engine is cranked. Needs a programmable supply.",
        ),
        optional(
            "supply_sweep",
            Kind::Table(&SUPPLY_SWEEP),
            "The supply goes slowly down and up until the unit cuts out and in. Needs a programmable supply.",
        ),
        optional(
            "stall",
            Kind::Table(&STALL),
            "What the module does when its motor stands. Needs a rig with `[dummy_load]`; refused on a fan.",
        ),
        optional("flex_watch", Kind::Table(&FLEX_WATCH), "The harness flexed by hand while drop-outs are counted."),
        optional("sleep", Kind::Table(&SLEEP), "Off until asleep, then a start from asleep."),
        optional("hold", Kind::Table(&HOLD), "One constant duty."),
    ],
};

static FIRST_POWER: Table = Table {
    doc: "Zeros, then power through the rig's declared means.",
    fields: &[default("settle", stay(0.1, 120.0), "5 s", "Longest time to charge and settle.")],
};

static SUPPLY_OPEN: Table = Table {
    doc: "Supply on with the line open.",
    fields: &[default("watch", stay(0.5, 600.0), "5 s", "How long it is watched.")],
};

static LINE_CHECK: Table = Table {
    doc: "Line voltages released and held.",
    fields: &[default("each", stay(0.2, 60.0), "1 s", "Stay in each state.")],
};

static DISCOVER: Table = Table {
    doc: "Command frequency and active level.",
    fields: &[
        default(
            "frequencies",
            Kind::List(&FREQUENCY_ITEM, 1),
            "100 Hz, 200 Hz, 20 Hz, 500 Hz, 1 kHz, 10 kHz",
            "Frequencies in the order in which they are tried.",
        ),
        default("answer_within", stay(0.2, 120.0), "8 s", "Longest wait for an answer per try."),
    ],
};

static TRIAGE: Table = Table {
    doc: "The quick answers in one go, in place of `discover` and what follows it: one start to full, one climb to the start duty.",
    fields: &[
        default(
            "frequencies",
            Kind::List(&FREQUENCY_ITEM, 1),
            "150 Hz, 20 Hz, 1 kHz, 70 Hz, 400 Hz, 10 kHz",
            "Frequencies in the order in which they are tried; the first is the middle of the usual ones.",
        ),
        default("answer_within", stay(0.2, 120.0), "1.2 s", "Longest wait for an answer per try."),
        default("to", UP_TO_DUTY, "to the rig limit", "Duty of the start."),
        default("asleep_within", stay(1.0, 600.0), "10 s", "Time that the unit is given to fall asleep."),
    ],
};

static SOFT_START: Table = Table {
    doc: "From standstill to full, then off.",
    fields: &[
        default("to", UP_TO_DUTY, "to the rig limit", "Duty of the step."),
        default("settle_within", stay(0.5, 600.0), "40 s", "Longest time to settle."),
    ],
};

static SWEEP: Table = Table {
    doc: "Duty up from standstill, down from full.",
    fields: &[
        default(
            "step",
            Kind::Quantity(Dim::Duty, Bounds::Between(0.005, 0.5)),
            "5 %",
            "Spacing of points away from the knees.",
        ),
        default("fine", FINE, "0.25 %", "Finest step of the search for start and stop."),
        default("to", UP_TO_DUTY, "to the rig limit", "Highest duty visited."),
        default("settle_within", stay(0.5, 600.0), "20 s", "Longest time to settle per point."),
    ],
};

static DROP: Table = Table { doc: "Flat out.", fields: &[default("hold", stay(2.0, 600.0), "5 s", "Stay.")] };

static FREQUENCY_EDGES: Table = Table {
    doc: "Band of command frequencies that is followed.",
    fields: &[
        default("from", FREQUENCY, "5 Hz", "Lowest frequency tried."),
        default("to", FREQUENCY, "25 kHz", "Highest frequency tried."),
        default(
            "within",
            Kind::Quantity(Dim::Ratio, Bounds::Between(0.001, 0.5)),
            "2 %",
            "Relative width of an edge when found.",
        ),
        default("duty", DUTY, "50 %", "Duty meanwhile."),
        default(
            "thresholds_at",
            Kind::List(&FREQUENCY_ITEM, 0),
            "",
            "Other frequencies, such as those of the vehicles it may go into, at which output thresholds and start are looked for too.",
        ),
    ],
};

static LOSS_OF_SIGNAL: Table = Table {
    doc: "What the unit does when the command is lost.",
    fields: &[
        default(
            "losses",
            Kind::List(&LOSS_ITEM, 1),
            "zero, full, held_low, held_high, open",
            "Which losses, in order.",
        ),
        default("watch", stay(0.5, 600.0), "10 s", "Longest watch per loss."),
        default("duty", DUTY, "50 %", "Duty before the loss."),
    ],
};

static POWER_UP: Table = Table {
    doc: "Supply comes with the command there.",
    fields: &[
        default("duty", DUTY, "60 %", "The command."),
        default("settle_within", stay(0.5, 600.0), "30 s", "Longest time to settle."),
    ],
};

static SOAK: Table = Table {
    doc: "Long holds.",
    fields: &[
        default("duties", Kind::List(&DUTY_ITEM, 1), "50 %, 85 %", "Duties in order."),
        default("each", stay(20.0, 7200.0), "10 min", "Longest stay at each."),
    ],
};

static REPEATS: Table = Table {
    doc: "More starts and stops.",
    fields: &[
        default("starts", Kind::Count(0, 200), "8", "Number of starts."),
        default("stops", Kind::Count(0, 200), "8", "Number of stops."),
        default("fine", FINE, "0.25 %", "Finest step of the search."),
    ],
};

static HOT_RESTART: Table = Table {
    doc: "Fan and module warm from a hold, then stopped, at rest, and started again; compared with the cold start of the same run.",
    fields: &[
        default(
            "duty",
            DUTY,
            "85 %",
            "Duty that warms it: with a freewheel diode the module is hottest near this one.",
        ),
        default("warm", stay(10.0, 7200.0), "5 min", "How long it is held there."),
        default("to", UP_TO_DUTY, "to the rig limit", "Duty of the start; that of `soft_start`, to compare with it."),
        default(
            "by",
            Kind::List(&RESTART_ITEM, 1),
            "command",
            "Ways in order: `command`, an off command and a step; `supply`, cut and back under the command `to`, to compare with a `power_up` at that duty.",
        ),
        default("settle_within", stay(0.5, 600.0), "40 s", "Longest time to settle."),
    ],
};

static REPEATED_STARTS: Table = Table {
    doc: "Many starts from rest, of which the failed ones are counted: no output, an output that breaks off, or a fan that does not turn.",
    fields: &[
        default("count", Kind::Count(2, 1000), "20", "Number of starts."),
        default("to", UP_TO_DUTY, "to the rig limit", "Duty of each: one that starts a sound unit every time."),
        default("rest", stay(0.0, 600.0), "1 s", "Stay at rest before each, after the fan has come to rest."),
        default("settle_within", stay(0.5, 120.0), "15 s", "Longest time for the output to settle."),
    ],
};

static CAPACITANCE: Table = Table {
    doc: "The input charged through the first-power resistor once more while it is warm, to compare with the charge of `first_power`.",
    fields: &[
        default("duty", DUTY, "85 %", "Duty that warms it."),
        default("warm", stay(10.0, 7200.0), "5 min", "How long it is held there."),
        default("settle", stay(0.1, 120.0), "5 s", "Longest time to charge."),
    ],
};

const LEVEL: Kind = Kind::Quantity(Dim::Volts, Bounds::Between(0.0, 60.0));
const MOMENT: Kind = Kind::Quantity(Dim::Seconds, Bounds::Between(0.001, 600.0));

static SUPPLY_DIP: Table = Table {
    doc: "The supply drops at a running duty and comes back, once per level. The left-out values are numbers of ISO 16750-2 for \
          12 V systems: its momentary drop goes to 4.5 V for 100 ms; its reset test goes down in steps of 5 % of the lowest \
          supply voltage, each held for 5 s.",
    fields: &[
        default("duty", DUTY, "60 %", "Duty at which the fan runs."),
        default("levels", Kind::List(&LEVEL, 1), "9 V, 8 V, 7 V, 6 V, 5 V, 4.5 V", "Levels in order."),
        default("hold", MOMENT, "100 ms", "How long each lasts."),
        default("watch", stay(1.0, 120.0), "10 s", "Longest wait for the unit to run again."),
    ],
};

static CRANK: Table = Table {
    doc: "The supply of a vehicle whose engine is cranked: levels one after the other. The left-out values are in the style of the \
          starting profile of ISO 16750-2 for 12 V systems, without its ripple.",
    fields: &[
        default("duty", DUTY, "60 %", "Duty at which the fan runs."),
        default("levels", Kind::List(&LEVEL, 1), "4.5 V, 6.5 V", "Levels in order."),
        default("times", Kind::List(&MOMENT, 1), "20 ms, 10 s", "How long each lasts, as many as there are levels."),
        default("watch", stay(1.0, 120.0), "10 s", "Longest wait for the unit to run again."),
    ],
};

static STALL: Table = Table {
    doc: "From off to a duty on a dummy load, which stands: whether the module limits the current, cuts it off, tries again. Each \
          try begins with the supply away, and ends when the output was on for `hold`, when it came again after it was cut, or \
          when it stayed off for `watch`.",
    fields: &[
        default("duty", UP_TO_DUTY, "to the rig limit", "Duty commanded; below 90 % no limiting can be told from it."),
        default(
            "hold",
            stay(0.2, 60.0),
            "2 s",
            "Longest time with the output on, soft start included; at most what the load takes at full current.",
        ),
        default("watch", stay(0.5, 120.0), "10 s", "Longest wait for an output that was cut to come again."),
        default("tries", Kind::Count(1, 20), "3", "How many tries."),
        default("rest", stay(1.0, 3600.0), "10 s", "Rest between them; longer where the dummy load needs it to cool."),
    ],
};

static SUPPLY_SWEEP: Table = Table {
    doc: "The supply goes slowly down, and back, and up, and back: where the unit cuts out and in. The steps are smaller and the \
          pace is quicker than the 0.5 V a minute of ISO 16750-2.",
    fields: &[
        default("duty", DUTY, "60 %", "Duty at which the fan runs."),
        default(
            "step",
            Kind::Quantity(Dim::Volts, Bounds::Between(0.01, 2.0)),
            "0.1 V",
            "Steps of the supply voltage.",
        ),
        default("stay", stay(0.3, 60.0), "1 s", "Stay at each."),
        default(
            "confirm",
            stay(1.0, 120.0),
            "6 s",
            "Stay at a level at which it is to stay off: longer than it takes to start again and catch up with its fan.",
        ),
        default("down_to", Kind::UpTo(Dim::Volts, Bounds::NotNegative), "to the rig limit", "Lowest level."),
        default("up_to", Kind::UpTo(Dim::Volts, Bounds::Positive), "to the rig limit", "Highest level."),
    ],
};

static FLEX_WATCH: Table = Table {
    doc: "The harness flexed by hand with a long tool, guard shut, while a duty is held and drop-outs are counted. Asks at the terminal before, and shows the count meanwhile; skipped where nobody attends the run.",
    fields: &[
        default("duty", DUTY, "40 %", "The duty: one that keeps the fan turning."),
        default("watch", stay(10.0, 3600.0), "60 s", "How long it is flexed; Enter ends it earlier."),
    ],
};

static SLEEP: Table = Table {
    doc: "Off until asleep, then a start from asleep.",
    fields: &[default("longest", stay(1.0, 7200.0), "10 min", "Longest wait.")],
};

static HOLD: Table = Table {
    doc: "One constant duty.",
    fields: &[
        required("duty", DUTY, "The duty."),
        required("time", stay(0.1, 7200.0), "How long."),
        optional(
            "frequency",
            FREQUENCY,
            "Command frequency; what was learned of the unit, else 100 Hz, when left out.",
        ),
        optional("active", LEVEL_ITEM, "Active level; what was learned of the unit, else low, when left out."),
    ],
};
