//! The typed rig: what drives each function of the bench, its stated errors, its limits. Cannot be wrong by itself;
//! built from text by the parser in this folder only.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use super::address::Address;
use super::calibration::{Correction, Entry};
use super::can::CanSpec;
use super::instrument::ScpiSpec;
use crate::bench::Channel;
use crate::driver::Control;
use crate::units::{
    AmpSquaredSeconds, Amps, Celsius, Duty, Henries, Hertz, Kelvin, Ohms, Ratio, Rpm, Seconds, Volts, VoltsPerSecond,
    significant,
};

/// A bench.
#[derive(Clone, Debug, PartialEq)]
pub struct Rig {
    /// Name for people and for the results document.
    pub name: String,
    /// The driver that the functions use.
    pub driver: DriverSpec,
    /// What each control is called at the driver.
    pub controls: BTreeMap<Control, String>,
    /// Sampled channels.
    pub channels: BTreeMap<Channel, ChannelSpec>,
    /// Tach input.
    pub tach: Option<TachSpec>,
    /// Address of the emergency stop input.
    pub emergency_stop: Option<String>,
    /// How power is applied for the first time.
    pub first_power: FirstPower,
    /// Command output.
    pub command: CommandSpec,
    /// How the line is held and loaded.
    pub line: LineSpec,
    /// The rig's own supply.
    pub supply: SupplySpec,
    /// What the module drives.
    pub load: Load,
    /// Wiring and fuse.
    pub wiring: Wiring,
    /// What must never be exceeded on this bench.
    pub limits: RigLimits,
    /// What the rig cannot do, in words, printed in every report.
    pub cannot: Vec<String>,
    /// Calibrations and gauge studies from the file beside the rig's, oldest first.
    pub calibrations: Vec<Entry>,
    /// The file as it was.
    pub text: String,
    /// Where it came from.
    pub path: PathBuf,
}

/// Which driver, and what it needs.
#[derive(Clone, Debug, PartialEq)]
pub enum DriverSpec {
    /// The physical model in this program.
    Virtual(Box<VirtualSpec>),
    /// A program that speaks the line protocol.
    External {
        /// Program and arguments, run without a shell; relative paths are relative to the working folder.
        command: Vec<String>,
    },
    /// Devices of the kernel of a Linux board.
    Linux(Box<BoardSpec>),
    /// Pins and buses of a Raspberry Pi.
    Raspberry(Box<BoardSpec>),
    /// Instruments that speak SCPI.
    Scpi(Box<ScpiSpec>),
    /// Sensors and actuators on a CAN bus.
    Can(Box<CanSpec>),
    /// Several drivers side by side, each with the functions that name it.
    Joined(Vec<Share>),
}

/// What one driver of several serves.
#[derive(Clone, Debug, PartialEq)]
pub struct Share {
    /// The driver, never several again.
    pub driver: DriverSpec,
    /// Its controls.
    pub controls: BTreeSet<Control>,
    /// Its channels.
    pub channels: BTreeSet<Channel>,
    /// Whether the tach comes from it.
    pub tach: bool,
    /// Whether the emergency stop comes from it.
    pub emergency_stop: bool,
}

impl DriverSpec {
    /// Name in rig files; several are named by the first.
    #[must_use]
    pub fn name(&self) -> &'static str {
        match self {
            Self::Virtual(_) => "virtual",
            Self::External { .. } => "external",
            Self::Linux(_) => "linux",
            Self::Raspberry(_) => "raspberry",
            Self::Scpi(_) => "scpi",
            Self::Can(_) => "can",
            Self::Joined(shares) => shares.first().map_or("joined", |share| share.driver.name()),
        }
    }

    /// Every driver: itself, or those of its shares.
    pub fn each(&self) -> impl Iterator<Item = &Self> {
        let (alone, shares) = match self {
            Self::Joined(shares) => (None, shares.as_slice()),
            alone => (Some(alone), &[][..]),
        };
        alone.into_iter().chain(shares.iter().map(|share| &share.driver))
    }

    /// Whether the pins are those of a Raspberry Pi's header.
    #[must_use]
    pub fn has_header(&self) -> bool {
        self.each().any(|driver| matches!(driver, Self::Raspberry(_)))
    }

    /// The virtual bench, which is never one of several.
    #[must_use]
    pub fn played(&self) -> Option<&VirtualSpec> {
        self.each().find_map(|driver| match driver {
            Self::Virtual(spec) => Some(&**spec),
            _ => None,
        })
    }

    /// The CAN bus, if one is among them.
    #[must_use]
    pub fn bus(&self) -> Option<&CanSpec> {
        self.each().find_map(|driver| match driver {
            Self::Can(spec) => Some(&**spec),
            _ => None,
        })
    }

    /// The board, if one is among them; that of the bench comes first.
    #[must_use]
    pub fn board(&self) -> Option<&BoardSpec> {
        self.each().find_map(|driver| match driver {
            Self::Linux(board) | Self::Raspberry(board) => Some(&**board),
            _ => None,
        })
    }
}

impl Rig {
    /// The fan, on a rig that has one.
    #[must_use]
    pub fn fan(&self) -> Option<&LoadFan> {
        match &self.load {
            Load::Fan(fan) => Some(fan),
            Load::Dummy(_) => None,
        }
    }

    /// The dummy load, on a rig that has it in the fan's place.
    #[must_use]
    pub fn dummy(&self) -> Option<&DummyLoad> {
        match &self.load {
            Load::Fan(_) => None,
            Load::Dummy(dummy) => Some(dummy),
        }
    }

    /// Current that the load draws with nothing but itself across the rig's supply: the fan with its rotor locked.
    #[must_use]
    pub fn locked(&self) -> Amps {
        match &self.load {
            Load::Fan(fan) => fan.locked_rotor,
            Load::Dummy(dummy) => dummy.full_current(self.supply.voltage),
        }
    }

    /// Current that the load draws flat out.
    #[must_use]
    pub fn running(&self) -> Amps {
        self.fan().map_or(self.locked(), |fan| fan.running)
    }

    /// Name of the load for people.
    #[must_use]
    pub fn load_name(&self) -> &str {
        match &self.load {
            Load::Fan(fan) => &fan.name,
            Load::Dummy(dummy) => &dummy.name,
        }
    }

    /// The rig as one driver of several sees it: with the functions of its share alone.
    #[must_use]
    pub fn of_share(&self, share: &Share) -> Self {
        let mut rig = Self { driver: share.driver.clone(), ..self.clone() };
        rig.controls.retain(|control, _| share.controls.contains(control));
        rig.channels.retain(|channel, _| share.channels.contains(channel));
        rig.tach = rig.tach.filter(|_| share.tach);
        rig.emergency_stop = rig.emergency_stop.filter(|_| share.emergency_stop);
        rig
    }
}

/// The devices behind a bench on a board.
#[derive(Clone, Debug, PartialEq)]
pub struct BoardSpec {
    /// Samples per second of the channels that are not slow.
    pub rate: Hertz,
    /// Voltage that the highest code of a converter on SPI stands for.
    pub reference: Option<Volts>,
    /// Name of the trigger that paces buffered capture; what the device has when left out.
    pub trigger: Option<String>,
    /// Line that is toggled as long as the program reads the bench.
    pub heartbeat: Option<Address>,
    /// Supply relay, unless another driver has it.
    pub supply: Option<SwitchSpec>,
    /// Relay of the first-power means.
    pub gentle: Option<SwitchSpec>,
    /// Command output.
    pub command: Option<PwmSpec>,
    /// Switch that holds the line low through `line.low_resistance`.
    pub hold_low: Option<Address>,
    /// Switch that holds the line high through `line.high_resistance`.
    pub hold_high: Option<Address>,
    /// Where each channel is read.
    pub channels: BTreeMap<Channel, Address>,
    /// Where the low range of a current channel is read, with factor and offset to amperes.
    pub low: BTreeMap<Channel, (Address, f64, f64)>,
    /// Tach input.
    pub tach: Option<Address>,
    /// Emergency stop input, and whether a low level means pressed.
    pub stop: Option<(Address, bool)>,
}

/// An output line.
#[derive(Clone, Debug, PartialEq)]
pub struct SwitchSpec {
    /// The line.
    pub address: Address,
    /// Whether a low level switches on.
    pub active_low: bool,
    /// Line that is high when the contact is closed.
    pub feedback: Option<Address>,
}

/// The pulse output behind the command line.
#[derive(Clone, Debug, PartialEq)]
pub struct PwmSpec {
    /// Chip and channel.
    pub address: Address,
    /// Whether a high output pulls the command line low, as a transistor to ground does.
    pub pulls_low: bool,
}

/// The unit and bench that the virtual driver plays.
#[derive(Clone, Debug, PartialEq)]
pub struct VirtualSpec {
    /// Kind of healthy module to start from.
    pub kind: ModuleKind,
    /// Seed; same seed, same samples.
    pub seed: u64,
    /// Faults put into the module, each with a severity from just visible (0) to gross (1).
    pub faults: Vec<(FaultKind, f64)>,
    /// Ambient temperature.
    pub ambient: Celsius,
    /// Whether the emergency stop is pressed at this time on the run's clock.
    pub stop_pressed_at: Option<Seconds>,
    /// Faults of the bench itself.
    pub bench_faults: Vec<BenchFault>,
    /// Share of tach edges that go missing.
    pub tach_missing: Ratio,
    /// Share of tach edges that come twice.
    pub tach_doubled: Ratio,
}

macro_rules! named_enum {
    ($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident = $text:literal),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum $name { $($(#[$vdoc])* $variant),+ }

        impl $name {
            /// All of them.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// Spelling in files and reports.
            #[must_use]
            pub const fn name(self) -> &'static str {
                match self { $(Self::$variant => $text),+ }
            }

            /// The one of that spelling.
            #[must_use]
            pub fn from_name(name: &str) -> Option<Self> {
                Self::ALL.iter().copied().find(|item| item.name() == name)
            }
        }
    };
}

named_enum! {
    /// Healthy module kinds of the virtual bench.
    ModuleKind {
        /// 140 Hz, open collector, active low, linear ramp of 3 s, high-side chopper.
        LinearLow = "linear-low",
        /// 200 Hz, push-pull, active high, exponential ramp.
        ExponentialHigh = "exponential-high",
        /// 100 Hz, active low, S-shaped ramp, low-side chopper.
        SCurveLowSide = "s-curve-low-side",
        /// 250 Hz, reserved bands near 0 and 100 %, ramp in steps.
        SteppedReserved = "stepped-reserved",
        /// Kick start before a linear ramp.
        KickStart = "kick-start",
        /// Runs flat out on an open line; pull-up only while awake.
        OpenRuns = "open-runs",
        /// Takes 1 to 25 kHz, 5 V push-pull.
        FastCommand = "fast-command",
        /// Takes 5 to 40 Hz, sleeps with wake cycles.
        SlowCommand = "slow-command",
    }
}

named_enum! {
    /// Faults that the virtual bench can put into a module.
    FaultKind {
        /// Output switch shorted: the fan runs uncommanded.
        SwitchShorted = "switch-shorted",
        /// Output switch open: dead.
        SwitchOpen = "switch-open",
        /// One of two parallel switches open: on-resistance up.
        ParallelSwitchOpen = "parallel-switch-open",
        /// Cracked joint: intermittent when warm.
        CrackedJoint = "cracked-joint",
        /// Dried electrolytic: capacitance down, resets at start.
        DriedCapacitor = "dried-capacitor",
        /// Soft start lost.
        SoftStartLost = "soft-start-lost",
        /// Command input dead.
        InputDead = "input-dead",
        /// Command input leaky: pull-up low, edges slow.
        InputLeaky = "input-leaky",
        /// Accepted frequency band shifted.
        BandShifted = "band-shifted",
        /// Current limit comes early.
        CurrentLimitEarly = "current-limit-early",
        /// Thermal limit comes early.
        ThermalLimitEarly = "thermal-limit-early",
        /// Sleep lost.
        SleepLost = "sleep-lost",
        /// Water in the connector: leakage between pins.
        WaterInConnector = "water-in-connector",
        /// Under-voltage lock-out early, and what it took off stays off until the supply was away.
        LockOutLatches = "lock-out-latches",
    }
}

named_enum! {
    /// Faults of the bench itself that the virtual bench can play.
    BenchFault {
        /// The supply contact is welded: it stays closed whatever is commanded.
        RelayWelded = "relay-welded",
        /// The feedback of the supply contact says closed for ever.
        FeedbackStuck = "feedback-stuck",
        /// The readings scatter ten times as much as stated.
        NoisyReadings = "noisy-readings",
        /// The zero of the supply current is off by twenty times what is stated.
        ZeroOff = "zero-off",
        /// The speed sensor's line picks up mains hum.
        TachHum = "tach-hum",
        /// The programmable supply stays at its own voltage whatever is set.
        SupplyStuck = "supply-stuck",
    }
}

/// A sampled channel with its stated errors (standard uncertainties).
#[derive(Clone, Debug, PartialEq)]
pub struct ChannelSpec {
    /// Name at the driver.
    pub address: String,
    /// Factor from the driver's number to the channel's unit (1 where the driver delivers the unit itself).
    pub scale: f64,
    /// Added after scaling, in the channel's unit.
    pub offset: f64,
    /// Full scale in the channel's unit.
    pub range: f64,
    /// White noise of one sample.
    pub noise: f64,
    /// Uncertainty of the offset before zeroing.
    pub offset_u: f64,
    /// Relative calibration uncertainty of the gain.
    pub gain_u: Ratio,
    /// Step of one count.
    pub resolution: f64,
    /// Finer range used by itself when the reading fits.
    pub low: Option<LowRangeSpec>,
    /// What a calibration found; what is stated above is then only what the sensor could be off without.
    pub correction: Option<Correction>,
}

/// The low range of a current channel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LowRangeSpec {
    /// Full scale.
    pub range: Amps,
    /// White noise of one sample.
    pub noise: Amps,
    /// Uncertainty of the offset before zeroing.
    pub offset_u: Amps,
    /// Relative calibration uncertainty of the gain.
    pub gain_u: Ratio,
    /// What a calibration found.
    pub correction: Option<Correction>,
}

/// The tach input.
#[derive(Clone, Debug, PartialEq)]
pub struct TachSpec {
    /// Name at the driver.
    pub address: String,
    /// Pulses per revolution, if known.
    pub pulses_per_rev: Option<f64>,
}

/// How power is applied for the first time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum FirstPower {
    /// Through a resistor that charges the input capacitor, then bridged.
    PreCharge {
        /// Its resistance.
        resistance: Ohms,
        /// Its relative standard uncertainty.
        resistance_u: Ratio,
    },
    /// A supply whose current limit was set low.
    LimitedSupply {
        /// The limit.
        limit: Amps,
    },
    /// Through a lamp.
    Lamp,
    /// Straight on: printed as a caution.
    Straight,
}

/// What the command output can do.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CommandSpec {
    /// Lowest frequency.
    pub lowest: Hertz,
    /// Highest frequency.
    pub highest: Hertz,
    /// Lowest duty with edges.
    pub least_duty: Duty,
    /// Highest duty with edges.
    pub most_duty: Duty,
    /// Standard uncertainty of the duty at the module pin, as a fraction of the period.
    pub duty_u: Ratio,
}

/// How the line is held and what its measurement loads it with.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LineSpec {
    /// Resistance to ground when held low.
    pub low_resistance: Option<Ohms>,
    /// Resistance to `high_voltage` when held high.
    pub high_resistance: Option<Ohms>,
    /// Voltage when held high.
    pub high_voltage: Option<Volts>,
    /// Load of the line measurement to ground.
    pub sense_resistance: Option<Ohms>,
}

/// The rig's supply.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SupplySpec {
    /// Open-circuit voltage.
    pub voltage: Volts,
    /// Internal and cable resistance up to the supply sense point.
    pub resistance: Ohms,
    /// Whether it can take current back (a battery can).
    pub sinks: bool,
    /// Voltages that can be set during a run; `None` of a supply that stays as it is.
    pub range: Option<SupplyRange>,
}

/// What a programmable supply can do during a run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SupplyRange {
    /// Lowest voltage.
    pub lowest: Volts,
    /// Highest voltage.
    pub highest: Volts,
    /// How fast it moves from one voltage to another.
    pub slew: VoltsPerSecond,
}

/// What is connected to the module's output: a fan that turns, or a load that stands. Never both.
#[derive(Clone, Debug, PartialEq)]
pub enum Load {
    /// The bench's own fan.
    Fan(LoadFan),
    /// A resistor and a choke in its place.
    Dummy(DummyLoad),
}

/// A load with the resistance and inductance of a stalled fan.
#[derive(Clone, Debug, PartialEq)]
pub struct DummyLoad {
    /// Name for people.
    pub name: String,
    /// Resistance of resistor, choke and leads.
    pub resistance: Ohms,
    /// Its relative standard uncertainty, warm or cold.
    pub resistance_u: Ratio,
    /// Inductance.
    pub inductance: Henries,
    /// Current that it carries for ever.
    pub continuous: Amps,
    /// Longest time at what the rig's supply drives through it.
    pub longest: Seconds,
}

impl DummyLoad {
    /// Its inductance as people say it.
    #[must_use]
    pub fn choke(&self) -> String {
        format!("{} mH", significant(1e3 * self.inductance.get(), 3))
    }

    /// Current that `supply` drives through it.
    #[must_use]
    pub fn full_current(&self, supply: Volts) -> Amps {
        supply / self.resistance
    }

    /// Integral of current² less what it carries for ever, that it takes from cold.
    #[must_use]
    pub fn takes(&self, supply: Volts) -> AmpSquaredSeconds {
        let (full_a, rest_a) = (self.full_current(supply).get(), self.continuous.get());
        AmpSquaredSeconds((full_a * full_a - rest_a * rest_a) * self.longest.get())
    }

    /// Rest after so long at full current until its heat is what it gives off for ever.
    #[must_use]
    pub fn rest_after(&self, supply: Volts, hold: Seconds) -> Seconds {
        let over = self.full_current(supply) / self.continuous;
        Seconds(hold.get() * (over * over - 1.0).max(0.0))
    }
}

/// The bench's own fan.
#[derive(Clone, Debug, PartialEq)]
pub struct LoadFan {
    /// Name for people.
    pub name: String,
    /// Current with the rotor locked at the rig's voltage.
    pub locked_rotor: Amps,
    /// Current flat out at the rig's voltage.
    pub running: Amps,
    /// Speed flat out.
    pub speed: Rpm,
    /// Commutator bars, if known.
    pub bars: Option<u32>,
    /// Brushes, if known.
    pub brushes: Option<u32>,
}

/// Wiring and fuse.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wiring {
    /// Fuse rating.
    pub fuse: Amps,
    /// Melting integral of the fuse.
    pub fuse_i2t: AmpSquaredSeconds,
    /// Continuous current that the wires carry.
    pub wire_rating: Amps,
    /// Resistance between the supply sense point and the module pins that `supply_v` still contains; 0 with four wires.
    pub lead_resistance: Ohms,
}

/// Limits of the bench. No plan can raise them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RigLimits {
    /// Trip at once above this supply current.
    pub instant_current: Amps,
    /// Current that may flow for ever; above it the i2t integral grows.
    pub continuous_current: Amps,
    /// Trip when the integral of (current² - continuous²) reaches this.
    pub i2t: AmpSquaredSeconds,
    /// Highest supply voltage with the relay closed.
    pub highest_voltage: Volts,
    /// Lowest supply voltage with the relay closed (outside starts).
    pub lowest_voltage: Volts,
    /// Highest case temperature.
    pub case_temperature: Celsius,
    /// Highest case temperature rise per minute; `None` when not watched.
    pub case_rise: Option<Kelvin>,
    /// Supply current allowed while a valid off duty is commanded and the decay after it is over.
    pub off_current: Amps,
    /// Longest stay stalled.
    pub stall_time: Seconds,
    /// Longest energised time of one run.
    pub energised_time: Seconds,
}
