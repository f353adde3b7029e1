//! The field table of rig files.

use super::field::{Bounds, Dim, Field, Kind, Table, default, optional, required};
use super::instrument::{Frame, InstrumentKind, LineEnd};
use super::rig::{BenchFault, FaultKind, ModuleKind};

const fn positive(dim: Dim) -> Kind {
    Kind::Quantity(dim, Bounds::Positive)
}

const fn not_negative(dim: Dim) -> Kind {
    Kind::Quantity(dim, Bounds::NotNegative)
}

const fn any(dim: Dim) -> Kind {
    Kind::Quantity(dim, Bounds::Any)
}

/// Names of the drivers that this program has.
pub(crate) const DRIVERS: &[&str] = &["virtual", "external", "linux", "raspberry", "scpi", "can"];

const DRIVER: Field = optional(
    "driver",
    Kind::Word(|| DRIVERS.to_vec()),
    "Driver of this one function; that of `[bench]` when left out.",
);

const ACTIVE_LOW: Field = optional(
    "active_low",
    Kind::Flag,
    "Whether a low level means on, or pressed. Drivers `linux` and `raspberry`; false when left out.",
);

const ADDRESS: Field = optional("address", Kind::Text, "Name at the driver; the function's own name when left out.");

/// The whole file.
pub(crate) static RIG: Table = Table {
    doc: "A bench: what drives each function, its stated errors, its limits.",
    fields: &[
        required("name", Kind::Text, "Name of the rig for people and for the results document."),
        default(
            "cannot",
            Kind::List(&Kind::Text, 0),
            "",
            "What the rig cannot do, in plain words; printed in every report.",
        ),
        required("bench", Kind::Table(&BENCH), "The driver."),
        optional("virtual", Kind::Table(&VIRTUAL), "What the virtual bench plays."),
        default(
            "instrument",
            Kind::List(&Kind::Table(&INSTRUMENT), 0),
            "",
            "Instruments of driver `scpi`, each begun with `[[instrument]]`.",
        ),
        optional("can", Kind::Table(&CAN), "The bus of driver `can`."),
        required("control", Kind::Table(&CONTROL), "What can be commanded, one table per function."),
        required("channel", Kind::Table(&CHANNEL), "What is sampled, one table per channel."),
        optional("tach", Kind::Table(&TACH), "Input for the pulses of a speed sensor on the load fan."),
        optional(
            "emergency_stop",
            Kind::Table(&EMERGENCY_STOP),
            "Input that tells whether the emergency stop is pressed.",
        ),
        required("first_power", Kind::Table(&FIRST_POWER), "How power is applied for the first time."),
        required("command", Kind::Table(&COMMAND), "What the command output can do."),
        default("line", Kind::Table(&LINE), "", "How the command line is held, and what measuring loads it with."),
        required("supply", Kind::Table(&SUPPLY), "The rig's own supply."),
        optional("load_fan", Kind::Table(&LOAD_FAN), "The fan used on this bench; each rig has this or `dummy_load`."),
        optional(
            "dummy_load",
            Kind::Table(&DUMMY_LOAD),
            "A load that stands in for a stalled fan, connected in its place: only the stages that turn no fan can be run.",
        ),
        required("wiring", Kind::Table(&WIRING), "Wiring and fuse."),
        required("limits", Kind::Table(&LIMITS), "What must never be exceeded on this bench; no plan can raise it."),
    ],
};

static BENCH: Table = Table {
    doc: "The driver.",
    fields: &[
        required(
            "driver",
            Kind::Word(|| DRIVERS.to_vec()),
            "Which driver serves the functions that do not name one of their own.",
        ),
        optional(
            "command",
            Kind::List(&Kind::Text, 1),
            "Program and arguments of an external bench, run without a shell.",
        ),
        optional(
            "rate",
            Kind::Quantity(Dim::Hertz, Bounds::Between(200.0, 20_000.0)),
            "Samples per second. Drivers `linux` and `raspberry`; 2 kHz when left out.",
        ),
        optional(
            "reference",
            Kind::Quantity(Dim::Volts, Bounds::Between(0.25, 5.5)),
            "Voltage at the reference pin of converters on SPI. Driver `raspberry`.",
        ),
        optional("trigger", Kind::Text, "Name of the IIO trigger that paces buffered capture. Driver `linux`."),
        optional(
            "heartbeat",
            Kind::Text,
            "Output line, toggled as long as the program reads the bench, for a monostable that holds the relay. \
             Drivers `linux` and `raspberry`.",
        ),
    ],
};

static INSTRUMENT: Table = Table {
    doc: "A bench supply, electronic load or meter. Supplies and loads are switched with the supply of the run: on before \
          its relay closes, off after it opens.",
    fields: &[
        required("name", Kind::Text, "Name that addresses of channels begin with, such as `meter` in `meter/voltage`."),
        required("kind", Kind::Word(|| InstrumentKind::ALL.map(InstrumentKind::name).to_vec()), "What it is."),
        required("connect", Kind::Text, "`tcp:HOST:PORT`, or `serial:/dev/serial/by-id/NAME:BAUD`."),
        optional(
            "frame",
            Kind::Word(|| Frame::NAMES.to_vec()),
            "Data bits, parity and stop bits of a serial port; 8N1 when left out.",
        ),
        optional(
            "line_end",
            Kind::Word(|| LineEnd::ALL.map(LineEnd::name).to_vec()),
            "What ends a line, sent and received; LF when left out, which takes answers with CR LF too.",
        ),
        optional("identity", Kind::Text, "Text that its answer to `*IDN?` must contain."),
        optional("voltage", positive(Dim::Volts), "Voltage of a supply, set before its output goes on."),
        optional("current", positive(Dim::Amps), "Current limit of a supply, current of a load."),
        optional(
            "timeout",
            Kind::Quantity(Dim::Seconds, Bounds::Between(0.05, 2.0)),
            "Time allowed for an answer; 1 s when left out.",
        ),
        optional("commands", Kind::Table(&COMMANDS), "Command texts in place of the usual ones."),
    ],
};

static COMMANDS: Table = Table {
    doc: "Command texts of an instrument that differ from the usual ones; `{}` stands for the value.",
    fields: &[
        optional("set_voltage", Kind::Text, "`VOLT {}` when left out."),
        optional("set_current", Kind::Text, "`CURR {}` when left out."),
        optional("on", Kind::Text, "`OUTP ON` when left out, `INP ON` of a load."),
        optional("off", Kind::Text, "`OUTP OFF` when left out, `INP OFF` of a load."),
        optional("state", Kind::Text, "Asks whether it is on: `OUTP?` when left out, `INP?` of a load."),
        optional("voltage", Kind::Text, "`MEAS:VOLT?` when left out."),
        optional("current", Kind::Text, "`MEAS:CURR?` when left out."),
        optional("temperature", Kind::Text, "`MEAS:TEMP?` when left out."),
        optional(
            "errors",
            Kind::Text,
            "Asks for the next entry of the error queue: `SYST:ERR?` when left out; `none` reads `*ESR?` instead.",
        ),
    ],
};

static CAN: Table = Table {
    doc: "A CAN bus with sensors on it, and actuators where controls name it.",
    fields: &[
        required("interface", Kind::Text, "Network interface, such as `can0`; it must be up."),
        optional("dbc", Kind::Text, "CAN database with the signals that `address` names; beside the rig file."),
        optional(
            "listen_only",
            Kind::Flag,
            "Whether the controller must be set to listen only, as on a bus whose sensors are acknowledged by others; \
             false when left out.",
        ),
        optional(
            "period",
            Kind::Quantity(Dim::Seconds, Bounds::Between(0.005, 0.1)),
            "How often every frame of the controls is sent; 20 ms when left out. A receiver must switch off by itself when \
             they stay away.",
        ),
    ],
};

const FRAME_ID: Field =
    required("id", Kind::Count(0, (1 << 29) - 1), "Identifier of the frame; `0x123` may be written.");
const FRAME_EXTENDED: Field = default("extended", Kind::Flag, "false", "Whether the identifier has 29 bits.");
const FRAME_START: Field = required(
    "start",
    Kind::Count(0, 63),
    "Start bit: the least significant one of a little-endian signal, the most significant one of a big-endian one.",
);
const FRAME_LENGTH: Field = required("length", Kind::Count(1, 64), "Bits.");
const FRAME_ORDER: Field = default(
    "order",
    Kind::Word(|| super::rig_can::ORDERS.to_vec()),
    "little",
    "Which byte comes first: the little end or the big end.",
);
const FRAME_CODING: Field =
    default("coding", Kind::Word(|| super::rig_can::CODINGS.to_vec()), "unsigned", "What the bits mean.");

static FRAME: Table = Table {
    doc: "A signal of driver `can` without a database: the bits of a frame, as a whole number that `scale` and `offset` \
          of the channel turn into its unit. Bits are numbered as in CAN databases.",
    fields: &[FRAME_ID, FRAME_EXTENDED, FRAME_START, FRAME_LENGTH, FRAME_ORDER, FRAME_CODING],
};

static FRAME_SENT: Table = Table {
    doc: "A signal that driver `can` sends, without a database. All other bits of its frame are sent as 0.",
    fields: &[
        FRAME_ID,
        FRAME_EXTENDED,
        FRAME_START,
        FRAME_LENGTH,
        FRAME_ORDER,
        FRAME_CODING,
        optional("bytes", Kind::Count(1, 8), "Bytes of the frame; 8 when left out."),
    ],
};

const SENT: Field =
    optional("frame", Kind::Table(&FRAME_SENT), "Signal of driver `can`, where no `address` names one.");

/// Age limits from what a fast sensor sends to what a slow one does.
const AGES: Kind = Kind::Quantity(Dim::Seconds, Bounds::Between(0.005, 10.0));

static VIRTUAL: Table = Table {
    doc: "What the virtual bench plays.",
    fields: &[
        default(
            "kind",
            Kind::Word(|| ModuleKind::ALL.iter().map(|kind| kind.name()).collect()),
            "linear-low",
            "Kind of module.",
        ),
        default("seed", Kind::Count(0, i64::MAX as u64), "1", "Same seed, same samples."),
        default("faults", Kind::List(&Kind::Table(&FAULT), 0), "", "Faults put into the module."),
        default("ambient", Kind::Quantity(Dim::Celsius, Bounds::Between(-40.0, 60.0)), "22 °C", "Ambient temperature."),
        optional("stop_pressed_at", not_negative(Dim::Seconds), "When the emergency stop is pressed."),
        default(
            "bench_faults",
            Kind::List(&Kind::Word(|| BenchFault::ALL.iter().map(|fault| fault.name()).collect()), 0),
            "",
            "Faults of the bench itself, to see what the preflight makes of them.",
        ),
        default(
            "tach_missing",
            Kind::Quantity(Dim::Ratio, Bounds::Between(0.0, 0.5)),
            "0 %",
            "Share of tach pulses that go missing.",
        ),
        default(
            "tach_doubled",
            Kind::Quantity(Dim::Ratio, Bounds::Between(0.0, 0.5)),
            "0 %",
            "Share of tach pulses that come twice.",
        ),
    ],
};

static FAULT: Table = Table {
    doc: "A fault of the module.",
    fields: &[
        required("fault", Kind::Word(|| FaultKind::ALL.iter().map(|kind| kind.name()).collect()), "Which fault."),
        default(
            "severity",
            Kind::Quantity(Dim::Ratio, Bounds::Between(0.0, 1.0)),
            "60 %",
            "From 0 % (just visible) to 100 % (gross).",
        ),
    ],
};

/// What can be commanded.
static CONTROL: Table = Table {
    doc: "What can be commanded.",
    fields: &[
        required("supply_on", Kind::Table(&SWITCH), "The supply relay."),
        optional("supply_gentle", Kind::Table(&SWITCH), "The supply through the first-power means."),
        optional(
            "supply_v",
            Kind::Table(&FUNCTION),
            "Voltage of the supply during a run, within `supply.range`. Drivers `virtual`, `external`, `scpi` and `can`.",
        ),
        optional("duty_pct", Kind::Table(&PULSES), "Duty of the pulse train."),
        optional("active", Kind::Table(&FUNCTION), "Which level the duty counts."),
        optional("frequency_hz", Kind::Table(&FUNCTION), "Frequency of the pulse train."),
        optional("line", Kind::Table(&HOLD), "Whether the line is driven, released, or held low or high."),
    ],
};

static FUNCTION: Table = Table { doc: "One control.", fields: &[ADDRESS, DRIVER, SENT] };

static SWITCH: Table = Table {
    doc: "A switch of the supply.",
    fields: &[
        ADDRESS,
        DRIVER,
        SENT,
        ACTIVE_LOW,
        optional(
            "feedback",
            Kind::Text,
            "Input line that is high while the contact is closed. Drivers `linux` and `raspberry`.",
        ),
    ],
};

static PULSES: Table = Table {
    doc: "The pulse train.",
    fields: &[
        ADDRESS,
        DRIVER,
        SENT,
        optional(
            "pulls_low",
            Kind::Flag,
            "Whether a high output pulls the command line low, as a transistor to ground does. Drivers `linux` and `raspberry`; true \
             when left out.",
        ),
    ],
};

static HOLD: Table = Table {
    doc: "What the command line does.",
    fields: &[
        ADDRESS,
        DRIVER,
        SENT,
        optional("low", Kind::Text, "Output line that holds the command line low. Drivers `linux` and `raspberry`."),
        optional("high", Kind::Text, "Output line that holds the command line high. Drivers `linux` and `raspberry`."),
    ],
};

/// What is sampled.
static CHANNEL: Table = Table {
    doc: "What is sampled.",
    fields: &[
        optional("supply_v", Kind::Table(&VOLT_CHANNEL), "Supply voltage at the module pins."),
        required("supply_a", Kind::Table(&AMP_CHANNEL), "Supply current."),
        optional("output_v", Kind::Table(&VOLT_CHANNEL), "Voltage across the fan, differential."),
        optional("fan_a", Kind::Table(&AMP_CHANNEL), "Current in the fan leads."),
        optional("speed_rpm", Kind::Table(&RPM_CHANNEL), "Speed as the driver delivers it."),
        optional("case_c", Kind::Table(&TEMPERATURE_CHANNEL), "Case temperature of the module."),
        optional("ambient_c", Kind::Table(&TEMPERATURE_CHANNEL), "Ambient temperature."),
        optional("line_v", Kind::Table(&VOLT_CHANNEL), "Mean voltage of the command line at the module pin."),
    ],
};

/// Fields that every channel has: `$value` is the dimension of its values, `$error` that of its stated errors.
macro_rules! channel_table {
    ($name:ident, $doc:literal, $value:ident, $error:ident, $zero:literal $(, $low:expr)?) => {
        static $name: Table = Table {
            doc: $doc,
            fields: &[
                ADDRESS,
                DRIVER,
                required("range", positive(Dim::$value), "Full scale."),
                default("noise", not_negative(Dim::$error), $zero, "White noise of one sample, standard deviation."),
                required("offset_u", not_negative(Dim::$error), "Standard uncertainty of the offset before zeroing."),
                required("gain_u", Kind::Quantity(Dim::Ratio, Bounds::Between(0.0, 0.5)), "Relative standard uncertainty of the gain from calibration."),
                default("resolution", not_negative(Dim::$error), $zero, "Step of one count."),
                default("scale", Kind::Number(Bounds::Any), "1", "Factor from the driver's number to the channel's unit."),
                default("offset", any(Dim::$error), $zero, "Added after scaling."),
                optional("frame", Kind::Table(&FRAME), "Signal of driver `can`, where no `address` names one."),
                optional("max_age", AGES, "Age at which a value is lost. Driver `can`; 200 ms when left out."),
                $(optional("low", Kind::Table(&$low), "Finer range, used by itself when the reading fits."),)?
            ],
        };
    };
}

channel_table!(VOLT_CHANNEL, "A voltage.", Volts, Volts, "0 V");
channel_table!(AMP_CHANNEL, "A current.", Amps, Amps, "0 A", LOW_RANGE);
channel_table!(RPM_CHANNEL, "A speed.", Rpm, Rpm, "0 rpm");
channel_table!(TEMPERATURE_CHANNEL, "A temperature.", Celsius, Kelvin, "0 K");

static LOW_RANGE: Table = Table {
    doc: "Finer range of a current channel.",
    fields: &[
        required("range", positive(Dim::Amps), "Full scale."),
        default("noise", not_negative(Dim::Amps), "0 A", "White noise of one sample, standard deviation."),
        required("offset_u", not_negative(Dim::Amps), "Standard uncertainty of the offset before zeroing."),
        required(
            "gain_u",
            Kind::Quantity(Dim::Ratio, Bounds::Between(0.0, 0.5)),
            "Relative standard uncertainty of the gain.",
        ),
        optional("address", Kind::Text, "Where the driver reads this range. Drivers `linux` and `raspberry`."),
        optional("scale", Kind::Number(Bounds::Any), "Factor from the driver's number to amperes; 1 when left out."),
        optional("offset", any(Dim::Amps), "Added after scaling; 0 A when left out."),
    ],
};

static TACH: Table = Table {
    doc: "Speed sensor of the load fan.",
    fields: &[
        ADDRESS,
        DRIVER,
        optional("pulses_per_rev", Kind::Number(Bounds::Between(0.5, 1000.0)), "Rising edges per revolution."),
    ],
};

static EMERGENCY_STOP: Table = Table { doc: "Emergency stop input.", fields: &[ADDRESS, DRIVER, ACTIVE_LOW] };

/// Words for the means of first power.
pub(crate) const MEANS: &[&str] = &["pre-charge", "limited supply", "lamp", "none"];

static FIRST_POWER: Table = Table {
    doc: "How power is applied for the first time.",
    fields: &[
        required("means", Kind::Word(|| MEANS.to_vec()), "What limits the current; `none` is printed as a caution."),
        optional("resistance", positive(Dim::Ohms), "Resistance of the pre-charge."),
        optional(
            "resistance_u",
            Kind::Quantity(Dim::Ratio, Bounds::Between(0.0, 0.5)),
            "Its relative standard uncertainty; 1 % when left out.",
        ),
        optional("limit", positive(Dim::Amps), "Current limit of the limited supply."),
    ],
};

static COMMAND: Table = Table {
    doc: "What the command output can do.",
    fields: &[
        required("lowest", positive(Dim::Hertz), "Lowest frequency."),
        required("highest", positive(Dim::Hertz), "Highest frequency."),
        default("least_duty", any(Dim::Duty), "1 %", "Lowest duty that still has edges."),
        default("most_duty", any(Dim::Duty), "99 %", "Highest duty that still has edges."),
        default(
            "duty_u",
            Kind::Quantity(Dim::Ratio, Bounds::Between(0.0, 0.1)),
            "0.05 %",
            "Standard uncertainty of the duty at the module pin, as a share of the period.",
        ),
    ],
};

static LINE: Table = Table {
    doc: "How the command line is held, and what measuring loads it with.",
    fields: &[
        optional("low_resistance", positive(Dim::Ohms), "Resistance to ground when held low."),
        optional("high_resistance", positive(Dim::Ohms), "Resistance to `high_voltage` when held high."),
        optional("high_voltage", positive(Dim::Volts), "Voltage when held high."),
        optional("sense_resistance", positive(Dim::Ohms), "Load of the line measurement to ground."),
    ],
};

static SUPPLY: Table = Table {
    doc: "The rig's own supply.",
    fields: &[
        required("voltage", Kind::Quantity(Dim::Volts, Bounds::Between(1.0, 60.0)), "Open-circuit voltage."),
        required("resistance", not_negative(Dim::Ohms), "Internal and cable resistance up to the voltage sense point."),
        required("sinks", Kind::Flag, "Whether it takes current back, as a battery does."),
        optional(
            "range",
            Kind::Table(&SUPPLY_RANGE),
            "Voltages that `control.supply_v` can set during a run; the limits hold besides.",
        ),
    ],
};

static SUPPLY_RANGE: Table = Table {
    doc: "What a programmable supply can do during a run. A stage never asks for more, and `limits.highest_voltage` cuts \
          the supply whatever is set here.",
    fields: &[
        required("lowest", Kind::Quantity(Dim::Volts, Bounds::Between(0.0, 60.0)), "Lowest voltage."),
        required("highest", Kind::Quantity(Dim::Volts, Bounds::Between(1.0, 60.0)), "Highest voltage."),
        required(
            "slew",
            Kind::Quantity(Dim::VoltsPerSecond, Bounds::Between(0.1, 1e6)),
            "How fast it gets from one voltage to another, the slower way where they differ.",
        ),
    ],
};

static LOAD_FAN: Table = Table {
    doc: "The fan used on this bench.",
    fields: &[
        required("name", Kind::Text, "Name for people."),
        required("locked_rotor", positive(Dim::Amps), "Current with the rotor held, at the rig's voltage."),
        required("running", positive(Dim::Amps), "Current flat out, at the rig's voltage."),
        required("speed", positive(Dim::Rpm), "Speed flat out."),
        optional("bars", Kind::Count(2, 200), "Commutator bars."),
        optional("brushes", Kind::Count(2, 16), "Brushes."),
    ],
};

static DUMMY_LOAD: Table = Table {
    doc: "A resistor and a choke in series with the resistance and inductance of a stalled fan, for stage `stall`. It gets hot: \
          `docs/bench-care.md`.",
    fields: &[
        required("name", Kind::Text, "Name for people."),
        required("resistance", positive(Dim::Ohms), "Resistance of resistor, choke and leads together."),
        default(
            "resistance_u",
            Kind::Quantity(Dim::Ratio, Bounds::Between(0.0001, 0.5)),
            "5 %",
            "Its standard uncertainty, warm or cold; counts where no channel `fan_a` reads the current itself.",
        ),
        required("inductance", positive(Dim::Henries), "Inductance."),
        required("continuous", positive(Dim::Amps), "Current that it carries for ever."),
        required(
            "longest",
            Kind::Quantity(Dim::Seconds, Bounds::Between(0.5, 600.0)),
            "Longest time, from cold, at what the rig's supply drives through it.",
        ),
    ],
};

static WIRING: Table = Table {
    doc: "Wiring and fuse.",
    fields: &[
        required("fuse", positive(Dim::Amps), "Rating of the fuse."),
        required("fuse_i2t", positive(Dim::AmpSquaredSeconds), "Melting integral of the fuse, from its datasheet."),
        required("wire_rating", positive(Dim::Amps), "Continuous current that the wires carry."),
        default(
            "lead_resistance",
            not_negative(Dim::Ohms),
            "0 Ohm",
            "Resistance between voltage sense point and module pins; 0 with four wires.",
        ),
    ],
};

static LIMITS: Table = Table {
    doc: "What must never be exceeded on this bench.",
    fields: &[
        required("instant_current", positive(Dim::Amps), "The supply is cut at once above this current."),
        required("continuous_current", positive(Dim::Amps), "Current that may flow for ever."),
        required(
            "i2t",
            positive(Dim::AmpSquaredSeconds),
            "The supply is cut when the integral of current² less continuous² reaches this.",
        ),
        required("highest_voltage", positive(Dim::Volts), "Highest supply voltage."),
        default("lowest_voltage", not_negative(Dim::Volts), "9 V", "Lowest supply voltage, starts apart."),
        default(
            "case_temperature",
            Kind::Quantity(Dim::Celsius, Bounds::Between(30.0, 150.0)),
            "100 °C",
            "Highest case temperature.",
        ),
        optional("case_rise", positive(Dim::Kelvin), "Highest rise of the case temperature in a minute."),
        default("off_current", positive(Dim::Amps), "0.5 A", "Supply current allowed while an off duty is commanded."),
        default("stall_time", Kind::Quantity(Dim::Seconds, Bounds::Between(0.1, 3.0)), "3 s", "Longest stay stalled."),
        default("energised_time", positive(Dim::Seconds), "1 h", "Longest energised time of one run."),
    ],
};
