//! What a virtual bench is made of: every physical parameter of supply, line, module and motor, in one place.
//!
//! Plain numbers with the unit in the name; nothing here moves. A healthy unit comes from
//! [`presets`](crate::plant::presets), defects are worked in by [`faults`](crate::plant::faults), and the engine plays
//! what it finds.

/// One unit on one bench.
#[derive(Clone, Debug, PartialEq)]
pub struct PlantConfig {
    /// The bench's supply.
    pub supply: SupplyConfig,
    /// The bench's command line.
    pub line: LineRig,
    /// The module under test.
    pub module: ModuleConfig,
    /// The load fan.
    pub motor: MotorConfig,
    /// Ambient temperature.
    pub ambient_c: f64,
}

/// Battery or supply with its cables.
#[derive(Clone, Debug, PartialEq)]
pub struct SupplyConfig {
    /// Open-circuit voltage, rested.
    pub open_v: f64,
    /// Internal and cable resistance up to the supply sense point.
    pub resistance_ohm: f64,
    /// Lead between the sense point and the module pins that the voltage channel still contains.
    pub lead_ohm: f64,
    /// Whether current may flow back into it.
    pub sinks: bool,
    /// Polarisation: the part of the sag that comes slowly and goes slowly.
    pub recovery_ohm: f64,
    /// Time constant of that part.
    pub recovery_s: f64,
    /// How first power is applied.
    pub gentle: Gentle,
    /// Current at which the supply itself limits, amperes; `None` for a battery.
    pub limit_a: Option<f64>,
}

/// Means of the first power.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Gentle {
    /// Series resistor, also a stand-in for a lamp.
    Resistor(f64),
    /// Current limit, amperes.
    Limit(f64),
    /// No means.
    Straight,
}

/// How the bench holds, drives and loads the command line.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LineRig {
    /// Resistance to ground when the line is held low.
    pub low_ohm: Option<f64>,
    /// Resistance to `high_v` when the line is held or driven high.
    pub high_ohm: Option<f64>,
    /// Voltage when held high; `None` means the bench can only pull down.
    pub high_v: Option<f64>,
    /// Load of the voltage measurement to ground.
    pub sense_ohm: Option<f64>,
}

/// A logic level of the line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Level {
    /// Near ground.
    Low,
    /// Near the pull-up or driver voltage.
    High,
}

impl Level {
    /// The other one.
    #[must_use]
    pub const fn other(self) -> Self {
        match self {
            Self::Low => Self::High,
            Self::High => Self::Low,
        }
    }
}

/// The module.
#[derive(Clone, Debug, PartialEq)]
pub struct ModuleConfig {
    /// Command input.
    pub input: InputConfig,
    /// Frequencies that it follows.
    pub band: Band,
    /// Command duty to output ratio.
    pub map: OutputMap,
    /// What the inactive level without edges (0 %) does.
    pub at_inactive: LossRule,
    /// What the active level without edges (100 %) does.
    pub at_active: LossRule,
    /// Delays.
    pub timing: Timing,
    /// Soft start.
    pub ramp: RampConfig,
    /// Output stage.
    pub power: PowerStage,
    /// Where its heat goes.
    pub heat: HeatConfig,
    /// Sleep; `None` never sleeps.
    pub sleep: Option<SleepConfig>,
    /// Supply current awake with the output off.
    pub quiescent_a: f64,
    /// Protections.
    pub protect: Protections,
    /// Defects that no parameter above can express.
    pub defect: Defect,
}

/// Kind of command input.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum InputKind {
    /// Pulse train, duty decoded.
    Pwm,
    /// Analog level; answers no pulse train.
    Analog,
    /// LIN transceiver: weak pull-up to the supply, answers no pulse train.
    Lin,
    /// CAN transceiver: idles near 2.5 V, answers no pulse train.
    Can,
}

/// Command input.
#[derive(Clone, Debug, PartialEq)]
pub struct InputConfig {
    /// What it understands.
    pub kind: InputKind,
    /// Level whose share is the duty.
    pub active: Level,
    /// Voltage of the pull-up; `None` is the supply itself.
    pub pull_up_v: Option<f64>,
    /// Pull-up while awake; `None` is a push-pull input that needs driven levels.
    pub pull_up_ohm: Option<f64>,
    /// Pull-up while asleep.
    pub pull_up_asleep_ohm: Option<f64>,
    /// Pull-down of an input without pull-up.
    pub pull_down_ohm: f64,
    /// Leak to ground, in or at the input.
    pub leak_ohm: Option<f64>,
    /// Capacitance of the line and input.
    pub capacitance_f: f64,
    /// Whether the input is dead: no edge is ever seen.
    pub dead: bool,
}

/// Accepted command frequencies. Entry lies inside exit.
#[derive(Clone, Debug, PartialEq)]
pub struct Band {
    /// Lower edge when coming from outside.
    pub low_entry_hz: f64,
    /// Lower edge when leaving.
    pub low_exit_hz: f64,
    /// Upper edge when coming from outside.
    pub high_entry_hz: f64,
    /// Upper edge when leaving.
    pub high_exit_hz: f64,
    /// Holes inside the band, each from..to.
    pub holes: Vec<(f64, f64)>,
    /// What it does outside.
    pub outside: Outside,
}

/// What a module does outside its frequency band.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Outside {
    /// Swings about the commanded output.
    Hunts,
    /// Output off.
    Stops,
    /// Full output.
    Full,
    /// Keeps the last output.
    Holds,
    /// Reads the duty wrong by this factor.
    Misreads(f64),
}

/// Static transfer from command duty (fraction at the active level) to output ratio.
#[derive(Clone, Debug, PartialEq)]
pub struct OutputMap {
    /// Lowest rising duty at which the output chops.
    pub on: f64,
    /// Falling duty below which it stops.
    pub off: f64,
    /// Output ratio at `on`.
    pub ratio_on: f64,
    /// Duty from which the output is flat out.
    pub saturation: f64,
    /// Duty above which it leaves flat out and goes off.
    pub upper_cutoff: Option<f64>,
    /// Reserved bands of the duty range.
    pub reserved: Vec<Reserved>,
}

/// A reserved band of the duty range.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reserved {
    /// Lower end, fraction.
    pub from: f64,
    /// Upper end, fraction.
    pub to: f64,
    /// What it does there, and how long the last command holds before.
    pub rule: LossRule,
}

/// Reaction to a command that is missing or reserved.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LossRule {
    /// What it does.
    pub does: LossDoes,
    /// Time before it does it.
    pub after_s: f64,
}

/// What a module does without a valid command.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum LossDoes {
    /// Output off.
    Stops,
    /// Full output.
    Full,
    /// Keeps the last output.
    Holds,
    /// A fixed output ratio.
    Ratio(f64),
}

/// Delays of the module.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Timing {
    /// Command edge to onset of output, awake.
    pub delay_s: f64,
    /// Added to it when asleep.
    pub wake_s: f64,
    /// Valid off duty to output off.
    pub off_delay_s: f64,
    /// Supply to first look at the command.
    pub boot_s: f64,
}

/// Shape of the soft start.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum RampShape {
    /// Constant rate of output ratio.
    Linear,
    /// First-order approach.
    Exponential,
    /// Raised cosine.
    S,
    /// So many equal steps.
    Stepped(u32),
    /// At once to this ratio, then linear.
    JumpThenRamp(f64),
    /// No soft start.
    None,
}

/// What happens when the supply comes with a command there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PowerUp {
    /// Soft start as from a command.
    Soft,
    /// Straight to the commanded output.
    Hard,
    /// Nothing until the command has been off once.
    Nothing,
}

/// Soft start, on rising output ratio only; falling is fast.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RampConfig {
    /// Shape.
    pub shape: RampShape,
    /// Time from 0 to full output (exponential: the time constant).
    pub full_s: f64,
    /// Time from full output to none when the command falls but stays above off.
    pub fall_s: f64,
    /// Kick start at every start of the output.
    pub kick: Option<Kick>,
    /// Supply applied with the command there.
    pub power_up: PowerUp,
}

/// Kick start.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Kick {
    /// Output ratio.
    pub ratio: f64,
    /// Duration.
    pub for_s: f64,
}

/// Path of the fan current while the switch is off.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Freewheel {
    /// Second switch.
    Synchronous,
    /// Diode with this forward voltage.
    Diode(f64),
}

/// Which side of the fan is chopped. The output voltage is taken across the fan, so the reading is the same; what
/// differs is the common-mode voltage that the measurement must reject.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Fan minus on ground.
    High,
    /// Fan plus on the supply.
    Low,
}

/// Output stage and input capacitor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PowerStage {
    /// Chopped side.
    pub side: Side,
    /// Chopper frequency.
    pub chop_hz: f64,
    /// Freewheel path.
    pub freewheel: Freewheel,
    /// Whether a synchronous stage lets current flow back into the supply.
    pub regenerates: bool,
    /// Whether the output is shorted when off, braking the fan.
    pub brakes: bool,
    /// On-resistance at 25 °C case.
    pub on_ohm: f64,
    /// Its relative rise per kelvin.
    pub on_per_k: f64,
    /// Sum of switching times per period (rise and fall halved), seconds.
    pub switching_s: f64,
    /// Input capacitance.
    pub capacitance_f: f64,
    /// Its relative rise per kelvin over the ambient temperature.
    pub capacitance_per_k: f64,
    /// Its series resistance.
    pub esr_ohm: f64,
    /// What the unpowered module draws from its own capacitor, as a resistance.
    pub bleed_ohm: f64,
}

/// Thermal path of the case.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeatConfig {
    /// Case to ambient.
    pub case_k_per_w: f64,
    /// Time constant of the case.
    pub tau_s: f64,
    /// Junction to case.
    pub junction_k_per_w: f64,
}

/// Sleep.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SleepConfig {
    /// Idle time before it sleeps.
    pub after_s: f64,
    /// Current asleep.
    pub current_a: f64,
    /// Whether it sleeps while edges (of an off duty) still come.
    pub with_edges: bool,
    /// Wake cycles.
    pub wake: Option<WakeCycle>,
}

/// Regular short wake-ups during sleep.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WakeCycle {
    /// Period.
    pub every_s: f64,
    /// Length of the wake-up.
    pub for_s: f64,
    /// Current in it.
    pub current_a: f64,
}

/// Protections.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Protections {
    /// Fan current to which the chopper limits itself.
    pub current_limit_a: f64,
    /// Junction temperature above which the output is reduced.
    pub thermal_limit_c: f64,
    /// Supply voltage at the switch below which it resets.
    pub reset_v: f64,
    /// Time before it looks again after a reset.
    pub restart_s: f64,
    /// Output off at a supply voltage below a level; `None` where only the reset comes.
    pub under: Option<LockOut>,
    /// Output off at a supply voltage above a level.
    pub over: Option<LockOut>,
    /// Whether what a lock-out took off stays off until the controller was without power.
    pub latches: bool,
    /// Stall protection.
    pub stall: Option<Stall>,
}

/// Lock-out at a supply voltage: the controller stays awake, the output is off.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LockOut {
    /// Supply voltage beyond which the output goes off.
    pub off_v: f64,
    /// Supply voltage, nearer to the usual one, at which it may come back.
    pub on_v: f64,
    /// How long the voltage must be beyond `off_v`.
    pub after_s: f64,
    /// How long it must be back at `on_v`.
    pub wait_s: f64,
}

/// Stall protection: told by a current that shows no turning, of a fan at rest or of a load that stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stall {
    /// Output ratio above which a fan at rest counts as stalled.
    pub above_ratio: f64,
    /// Time before it gives up.
    pub after_s: f64,
    /// Time before it tries again.
    pub retry_s: f64,
    /// Tries before it locks out until the command has been off.
    pub tries: u32,
}

/// State of the output switch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Switch {
    /// Works.
    Works,
    /// Shorted, with this resistance.
    Shorted(f64),
    /// Open.
    Open,
}

/// Defects.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Defect {
    /// Output switch.
    pub switch: Switch,
    /// Cracked joint in the output path.
    pub joint: Option<Joint>,
    /// Leak from supply to ground, outside all switches.
    pub leak_ohm: Option<f64>,
}

/// A cracked joint: opens now and then when warm, and when something moves it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Joint {
    /// Case temperature above which it opens.
    pub above_c: f64,
    /// Openings per second then.
    pub per_s: f64,
    /// Openings per second while it is flexed, warm or not, besides.
    pub flexed_per_s: f64,
    /// Resistance that it adds always.
    pub ohm: f64,
}

impl Joint {
    /// Openings per second at this case temperature, flexed or not.
    #[must_use]
    pub fn openings_per_s(&self, case_c: f64, flexed: bool) -> f64 {
        let warm = if case_c > self.above_c { self.per_s } else { 0.0 };
        warm + if flexed { self.flexed_per_s } else { 0.0 }
    }
}

/// Brushed motor with a fan wheel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MotorConfig {
    /// Armature and brush resistance at 20 °C.
    pub resistance_ohm: f64,
    /// Inductance.
    pub inductance_h: f64,
    /// Back-EMF and torque constant, V.s/rad or N.m/A.
    pub ke: f64,
    /// Moment of inertia, kg.m2.
    pub inertia_kg_m2: f64,
    /// Coulomb friction while turning.
    pub friction_nm: f64,
    /// Viscous friction, N.m.s.
    pub viscous_nm_s: f64,
    /// Air load, torque = this times speed squared, N.m.s2.
    pub air_nm_s2: f64,
    /// Median torque that breaks it loose from rest.
    pub breakaway_nm: f64,
    /// Relative standard deviation of that from start to start.
    pub breakaway_sd: f64,
    /// Speed below which the detents catch the rotor, rad/s.
    pub catch_rad_s: f64,
    /// Copper to ambient, K/W.
    pub copper_k_per_w: f64,
    /// Time constant of the copper.
    pub copper_tau_s: f64,
    /// Commutator bars.
    pub bars: u32,
    /// Brushes.
    pub brushes: u32,
    /// Commutation ripple: peak over mean of the fan current.
    pub ripple: f64,
    /// Once-per-revolution modulation of the ripple.
    pub bar_modulation: f64,
    /// Once-per-revolution part of the current itself.
    pub once_per_rev: f64,
    /// Relative standard deviation of the air load (turbulence).
    pub turbulence: f64,
}

impl MotorConfig {
    /// Ripples per revolution: lcm(bars, brush positions); two brushes give the bars if even, twice the bars if odd.
    #[must_use]
    pub fn ripples_per_rev(&self) -> u32 {
        let (bars, brushes) = (self.bars.max(1), self.brushes.max(1));
        bars / gcd(bars, brushes) * brushes
    }

    /// Resistance at a copper temperature (0.393 % per kelvin, annealed copper, IEC 60028).
    #[must_use]
    pub fn resistance_at(&self, copper_c: f64) -> f64 {
        self.resistance_ohm * (1.0 + 0.003_93 * (copper_c - 20.0))
    }
}

fn gcd(a: u32, b: u32) -> u32 {
    if b == 0 { a } else { gcd(b, a % b) }
}

#[cfg(test)]
mod tests {
    use crate::plant::presets;

    #[test]
    fn two_brushes_ripple_at_the_bars_if_even_and_twice_the_bars_if_odd() {
        let mut motor = presets::motor(&presets::FanData::default(), 13.0, 0.02);
        for (bars, brushes, ripples) in [(12, 2, 12), (11, 2, 22), (10, 4, 20), (12, 4, 12)] {
            (motor.bars, motor.brushes) = (bars, brushes);
            assert_eq!(motor.ripples_per_rev(), ripples, "{bars} bars, {brushes} brushes");
        }
    }
}
