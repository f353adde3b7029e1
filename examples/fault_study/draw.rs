//! The units of the study and the benches that they sit on: who has which fault, what else is wrong on the bench.

use std::sync::OnceLock;

use galebench::config::plan::Plan;
use galebench::config::rig::{ChannelSpec, FaultKind, ModuleKind, Rig};
use galebench::driver::virtual_bench::VirtualBench;
use galebench::plant::config::{InputKind, LossDoes, ModuleConfig, PlantConfig};
use galebench::plant::presets::{self, Kind};
use galebench::record::event::LimitFacts;
use galebench::results::ResultName;
use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;
use serde::{Deserialize, Serialize};

use super::second::make::{self, Unit};
use super::support;

/// What is wrong on the bench, apart from the unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub(crate) enum Trouble {
    /// The bench is as its rig file says.
    None,
    /// The load fan is worn.
    WornFan,
    /// The supply sags more than the rig file says.
    Sagging,
    /// The supply goes into its current limit.
    Limited,
    /// The channels are noisier than stated.
    Noisy,
    /// The gains are off by more than stated.
    Miscalibrated,
}

impl Trouble {
    pub(crate) const ALL: [Self; 6] =
        [Self::None, Self::WornFan, Self::Sagging, Self::Limited, Self::Noisy, Self::Miscalibrated];

    pub(crate) const fn words(self) -> &'static str {
        match self {
            Self::None => "as the rig file says",
            Self::WornFan => "worn load fan",
            Self::Sagging => "sagging supply",
            Self::Limited => "current-limited supply",
            Self::Noisy => "noise 1.2 to 3 times as stated",
            Self::Miscalibrated => "gains 2 to 4 times as far off as stated",
        }
    }
}

/// Where a unit comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub(crate) enum Origin {
    /// One of the healthy kinds, which rules and thresholds were made with.
    Known,
    /// Of no known kind: input, ramp, map, power stage and sleep come from five different ones.
    Mixed,
    /// Of the second plant, every one of another make.
    Second,
    /// A sound module that takes its command from a bus and answers no pulses.
    Bus,
}

impl Origin {
    /// Where units for pulses come from.
    pub(crate) const OF_PULSES: [Self; 3] = [Self::Known, Self::Mixed, Self::Second];

    pub(crate) const fn words(self) -> &'static str {
        match self {
            Self::Known => "of a kind that the rules were made with",
            Self::Mixed => "of no known kind",
            Self::Second => "of the second plant",
            Self::Bus => "commanded over a bus",
        }
    }
}

/// A unit with its fan and supply.
pub(crate) enum Made {
    First(Box<PlantConfig>),
    Second(Box<Unit>),
}

/// One unit of the study, ready to run.
pub(crate) struct Drawn {
    pub(crate) seed: u64,
    /// Whether it is one of those that are drawn with a fault each, apart from the mix.
    pub(crate) added: bool,
    pub(crate) kind: ModuleKind,
    pub(crate) origin: Origin,
    pub(crate) fault: Option<(FaultKind, f64)>,
    pub(crate) trouble: Trouble,
    /// The rig as its file states it: what the analysis is told.
    pub(crate) stated: Rig,
    /// The rig as it is.
    pub(crate) actual: Rig,
    pub(crate) plan: Plan,
    pub(crate) made: Made,
}

/// The faults of the study: those that a supply of one voltage can show, which is all that its plan asks for.
pub(crate) fn drawn() -> Vec<FaultKind> {
    FaultKind::ALL.iter().copied().filter(|fault| *fault != FaultKind::LockOutLatches).collect()
}

/// Share of units with a fault.
const FAULTY: f64 = 0.3;
/// Shares of units that are of no known kind, and of the second plant.
const MIXED: f64 = 0.2;
const SECOND: f64 = 0.15;
/// Share of units without a fault that are commanded over a bus: with it, one unit in fifty is silent and sound.
const BUS: f64 = 0.03;
/// Share of benches with a trouble.
const TROUBLED: f64 = 0.4;

/// Units with a fault that come on top of a mix of that many: with them each fault has its three hundred in ten thousand.
pub(crate) const fn added(mix: u64) -> u64 {
    mix * 11 / 100
}

/// Unit number `index` of a mix of so many `units`, and of those added to it; its seed alone decides everything but the
/// fault, which goes round so that each gets its share.
pub(crate) fn unit(seed: u64, index: u64, units: u64) -> Drawn {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed ^ 0x5eed_fa17);
    let kind = pick(&mut rng, ModuleKind::ALL);
    let drawn_from = rng.random::<f64>();
    // Three of ten of the mix, spread evenly, and the faults in turn; then one in each.
    let turn_at = |index: u64| (index.min(units) as f64 * FAULTY) as u64 + index.saturating_sub(units);
    let turn = turn_at(index);
    let is_faulty = turn != turn_at(index + 1);
    let origin = match drawn_from {
        draw if draw < MIXED => Origin::Mixed,
        draw if draw < MIXED + SECOND => Origin::Second,
        draw if draw > 1.0 - BUS && !is_faulty => Origin::Bus,
        _ => Origin::Known,
    };
    let all = drawn();
    let fault = is_faulty.then(|| (all[turn as usize % all.len()], rng.random::<f64>()));
    let trouble = if rng.random::<f64>() < TROUBLED { pick(&mut rng, &Trouble::ALL[1..]) } else { Trouble::None };

    // Read once: a study takes long, and its files may change meanwhile.
    static RIG: OnceLock<Rig> = OnceLock::new();
    static PLAN: OnceLock<Plan> = OnceLock::new();
    let mut stated = RIG.get_or_init(|| support::rig("rigs/virtual.toml", kind, seed, &[])).clone();
    let mut plan = PLAN.get_or_init(|| support::plan("test-plans/full.toml")).clone();
    let spec = support::virtual_spec(&mut stated);
    (spec.kind, spec.seed) = (kind, seed);
    // What the workshop knows of its crates is what the study draws.
    plan.prior_bad = galebench::units::Ratio(FAULTY);
    let spec = support::virtual_spec(&mut stated).clone();
    let mut config = VirtualBench::plant_config(&stated, &spec, seed);
    match origin {
        Origin::Known => {
            limit_band(&mut plan, known(kind).band.low_exit_hz, stated.command.lowest.get());
        }
        Origin::Mixed => mix(&mut config, seed, &mut rng),
        Origin::Second => {}
        Origin::Bus => put_on_a_bus(&mut config.module, &mut rng),
    }
    let mut actual = stated.clone();
    let worn = disturb(trouble, &mut actual, &mut config, &mut rng);
    let running_a = stated.fan().expect("a rig with a fan").running.get();
    let made = if origin == Origin::Second {
        let rad_s = stated.fan().expect("a rig with a fan").speed.get() * std::f64::consts::TAU / 60.0;
        // The bench as it is, its pre-charge resistor too.
        let bench = VirtualBench::with_plant(&stated, &spec, seed, config).plant().config().clone();
        let mut unit =
            make::draw(seed, &bench, (stated.fan().expect("a rig with a fan").locked_rotor.get(), running_a, rad_s));
        make::wear(&mut unit.fan, worn);
        let low_hz = unit.module.band_hz.0 / (1.0 + unit.module.band_hysteresis);
        limit_band(&mut plan, low_hz, stated.command.lowest.get());
        if let Some((fault, severity)) = fault {
            make::break_it(&mut unit, fault, severity);
        }
        Made::Second(Box::new(unit))
    } else {
        presets::wear(&mut config.motor, worn);
        if let Some((fault, severity)) = fault {
            galebench::plant::faults::put(&mut config, kind_of(fault), severity, running_a);
        }
        Made::First(Box::new(config))
    };
    Drawn { seed, added: index >= units, kind, origin, fault, trouble, stated, actual, plan, made }
}

fn pick<T: Copy>(rng: &mut Xoshiro256PlusPlus, all: &[T]) -> T {
    all[rng.random_range(0..all.len())]
}

/// Parts of five kinds in one unit.
fn mix(config: &mut PlantConfig, seed: u64, rng: &mut Xoshiro256PlusPlus) {
    let mut other = || presets::unit(pick(rng, &Kind::ALL), seed.wrapping_mul(31));
    let module = &mut config.module;
    module.ramp = other().ramp;
    (module.power, module.heat) = {
        let part = other();
        (part.power, part.heat)
    };
    let map = other().map;
    (module.map.on, module.map.off, module.map.ratio_on, module.map.saturation) =
        (map.on, map.off, map.ratio_on, map.saturation);
    // Reserved bands belong to the map that they were taken with.
    module.map.reserved = map.reserved;
    let part = other();
    (module.sleep, module.quiescent_a) = (part.sleep, part.quiescent_a);
}

/// Gives the module the transceiver of a bus in place of its input: the pull-up that a LIN node has (20 to 60 kOhm, ISO 17987-4),
/// asleep too, or the 2.5 V at which a CAN pair idles (ISO 11898-2) behind its inner resistance, let go of asleep.
fn put_on_a_bus(module: &mut ModuleConfig, rng: &mut Xoshiro256PlusPlus) {
    let input = &mut module.input;
    let ohm = 20e3 + 40e3 * rng.random::<f64>();
    (input.kind, input.pull_up_v, input.pull_up_asleep_ohm) =
        if rng.random() { (InputKind::Lin, None, Some(ohm)) } else { (InputKind::Can, Some(2.5), None) };
    (input.pull_up_ohm, input.pull_down_ohm) = (Some(ohm), 1e6);
    (module.at_active.does, module.at_inactive.does) = (LossDoes::Stops, LossDoes::Stops);
}

/// The middle of a kind.
fn known(kind: ModuleKind) -> ModuleConfig {
    let position = ModuleKind::ALL.iter().position(|known| *known == kind).unwrap_or(0);
    presets::nominal(Kind::ALL[position])
}

/// The user knows the kind, and with it where its band begins: more than a tenth above is not of this kind. A band that
/// begins below the lowest frequency of the bench has no limit that the bench could judge.
fn limit_band(plan: &mut Plan, low_hz: f64, lowest_hz: f64) {
    if low_hz < 1.1 * lowest_hz {
        return;
    }
    let limit = LimitFacts { max: Some(1.1 * low_hz), ..LimitFacts::default() };
    plan.limits.insert(ResultName::CommandHzLow, limit);
}

/// Works the trouble into rig and supply; how worn the fan is comes back, from 0 to 1.
fn disturb(trouble: Trouble, actual: &mut Rig, config: &mut PlantConfig, rng: &mut Xoshiro256PlusPlus) -> f64 {
    let draw = rng.random::<f64>();
    let running_a = actual.fan().expect("a rig with a fan").running.get();
    let each = |rig: &mut Rig, change: fn(&mut ChannelSpec, f64), by: f64| {
        for channel in rig.channels.values_mut() {
            change(channel, by);
        }
    };
    match trouble {
        Trouble::None => {}
        Trouble::WornFan => return draw,
        Trouble::Sagging => {
            config.supply.resistance_ohm *= 2.0 + 3.0 * draw;
            config.supply.recovery_ohm *= 3.0 + 5.0 * draw;
        }
        Trouble::Limited => config.supply.limit_a = Some(running_a * (0.85 + 1.15 * draw)),
        Trouble::Noisy => each(actual, |channel, by| channel.noise *= by, 1.2 + 1.8 * draw),
        Trouble::Miscalibrated => {
            let more = |channel: &mut ChannelSpec, by: f64| {
                channel.gain_u = galebench::units::Ratio(channel.gain_u.get() * by);
            };
            each(actual, more, 2.0 + 2.0 * draw);
        }
    }
    0.0
}

/// The plant's fault of that name: both lists are in the same order.
fn kind_of(fault: FaultKind) -> galebench::plant::faults::Fault {
    let position = FaultKind::ALL.iter().position(|known| *known == fault).unwrap_or(0);
    galebench::plant::faults::Fault::ALL[position]
}
