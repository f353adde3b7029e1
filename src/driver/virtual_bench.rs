//! The virtual bench: plays the plant behind the sensors that the rig file states. A driver like any other.
//!
//! Its own time moves in `read` alone. On drop or when the process ends nothing stays energised, since nothing is there.

use std::collections::BTreeSet;

use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

use crate::bench::{ActiveLevel, Block, Channel, LINE_LOAD_U, Line, Pace, Setting, Supply};
use crate::config::rig::{BenchFault, ChannelSpec, FaultKind, FirstPower, Load, ModuleKind, Rig, VirtualSpec};
use crate::driver::{Alignment, Bench, Control, DriverError, Offers};
use crate::plant::config::{Gentle, Level, LineRig, PlantConfig, SupplyConfig};
use crate::plant::faults::{self, Fault};
use crate::plant::presets::{self, FanData, Kind};
use crate::plant::sensor::{self, LowSpec, Sensor, SensorSpec, Spacing};
use crate::plant::tach::{Tach, TachConfig};
use crate::plant::{LineDrive, Physics, Plant, Reading, Relay};
use crate::units::{Duty, Hertz};

/// Bench with a modelled unit, which is that of [`crate::plant`] unless another is given.
#[derive(Debug)]
pub struct VirtualBench<P = Plant> {
    offers: Offers,
    plant: P,
    /// One per sampled channel, in [`Channel::ALL`] order.
    sensors: Vec<(Channel, Sensor)>,
    tach: Option<Tach>,
    stop_pressed_at_s: Option<f64>,
    tells_stop: bool,
    /// Difference between the commanded duty and that at the pin, fraction of the period.
    duty_error: f64,
    /// Seconds of the bench's clock in one of the plant's.
    clock: f64,
    ambient_c: f64,
    faults: Vec<BenchFault>,
    zero_off_a: f64,
    supply: Supply,
    /// The rig's own supply voltage, and how fast it moves to another.
    own_v: f64,
    slew_v_per_s: f64,
}

/// How much noisier than stated and how far off its zero a faulty bench reads, as multiples of what is stated.
const NOISY: f64 = 10.0;
const ZERO_OFF: f64 = 20.0;
/// Frequency that a badly shielded line picks up.
const HUM_HZ: f64 = 50.0;

/// Common-mode voltage that leaks into the output reading.
const COMMON_MODE: f64 = 1e-4;
/// Jitter of a tach edge and error of a slot's place.
const TACH_JITTER_S: f64 = 2e-5;
const SLOT_ERROR: f64 = 0.004;

/// Bounds between which the bench's clock is off, relative: an ordinary crystal.
const CLOCK_BOUND: f64 = 100e-6;

impl VirtualBench {
    /// Opens the bench of this rig file, safe and at rest. The seed draws the unit within its kind, the bench's own
    /// errors, and every noise; the same seed gives the same samples for the same calls.
    #[must_use]
    pub fn open(rig: &Rig, spec: &VirtualSpec, seed: u64) -> Self {
        Self::with_plant(rig, spec, seed, Self::plant_config(rig, spec, seed))
    }

    /// The same with a plant of one's own.
    #[must_use]
    pub fn with_plant(rig: &Rig, spec: &VirtualSpec, seed: u64, config: PlantConfig) -> Self {
        let config = with_these_resistors(config, rig, seed);
        let ambient_c = config.ambient_c;
        Self::around(rig, spec, seed, Plant::new(config, mix(seed, 2)), ambient_c)
    }

    /// The same unit and run, on a bench whose own errors are those of `rig_seed`: many units on one rig.
    #[must_use]
    pub fn open_on_rig(rig: &Rig, spec: &VirtualSpec, seed: u64, rig_seed: u64) -> Self {
        let mut bench = Self::with_plant(rig, spec, rig_seed, Self::plant_config(rig, spec, seed));
        let config = with_these_resistors(Self::plant_config(rig, spec, seed), rig, rig_seed);
        bench.plant = Plant::new(config, mix(seed, 2));
        for (channel, sensor) in &mut bench.sensors {
            *sensor = sensor.clone().in_another_run(mix(seed, 200 + *channel as u64));
        }
        bench.tach = bench.tach.map(|tach| tach.in_another_run(mix(seed, 5)));
        bench
    }

    /// The unit, fan and supply that [`open`](Self::open) plays: the kind spread by the seed, with its faults.
    #[must_use]
    pub fn plant_config(rig: &Rig, spec: &VirtualSpec, seed: u64) -> PlantConfig {
        let supply = SupplyConfig {
            open_v: rig.supply.voltage.get(),
            resistance_ohm: rig.supply.resistance.get(),
            lead_ohm: rig.wiring.lead_resistance.get(),
            sinks: rig.supply.sinks,
            recovery_ohm: 0.2 * rig.supply.resistance.get(),
            recovery_s: 30.0,
            gentle: gentle(&rig.first_power),
            limit_a: None,
        };
        let usual = FanData::default();
        let (motor, running_a) = match &rig.load {
            Load::Fan(fan) => {
                let fan = FanData {
                    locked_a: fan.locked_rotor.get(),
                    running_a: fan.running.get(),
                    rad_s: fan.speed.get() * std::f64::consts::TAU / 60.0,
                    bars: fan.bars.unwrap_or(usual.bars),
                    brushes: fan.brushes.unwrap_or(usual.brushes),
                };
                // The fan's plate data hold at the bench's own terminals: its cables count, the unit under test does not.
                (presets::motor(&fan, supply.open_v, supply.resistance_ohm + supply.lead_ohm), fan.running_a)
            }
            Load::Dummy(dummy) => {
                (presets::standing(dummy.resistance.get(), dummy.inductance.get(), spec.ambient.get()), usual.running_a)
            }
        };
        let line = LineRig {
            low_ohm: rig.line.low_resistance.map(|ohm| ohm.get()),
            high_ohm: rig.line.high_resistance.map(|ohm| ohm.get()),
            high_v: rig.line.high_voltage.map(|volts| volts.get()),
            sense_ohm: rig.line.sense_resistance.map(|ohm| ohm.get()),
        };
        let module = presets::unit(kind(spec.kind), mix(seed, 1));
        let mut config = PlantConfig { supply, line, module, motor, ambient_c: spec.ambient.get() };
        for (fault, severity) in &spec.faults {
            faults::put(&mut config, fault_of(*fault), *severity, running_a);
        }
        config
    }
}

impl<P: Physics> VirtualBench<P> {
    /// A bench, safe and at rest, with its sensors on this plant, in air of `ambient_c`.
    #[must_use]
    pub fn around(rig: &Rig, spec: &VirtualSpec, seed: u64, plant: P, ambient_c: f64) -> Self {
        let sensors = rig
            .channels
            .iter()
            .map(|(channel, stated)| {
                (*channel, Sensor::new(&sensor_spec(stated, &spec.bench_faults), mix(seed, 100 + *channel as u64)))
            })
            .collect();
        let tach = rig.tach.as_ref().map(|tach| {
            let config = TachConfig {
                pulses_per_rev: tach.pulses_per_rev.unwrap_or(2.0),
                jitter_s: TACH_JITTER_S,
                slot_error: SLOT_ERROR,
                missing: spec.tach_missing.get(),
                doubled: spec.tach_doubled.get(),
            };
            Tach::new(config, mix(seed, 3))
        });
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(mix(seed, 4));
        let zero_off_a = match rig.channels.get(&Channel::SupplyA) {
            Some(stated) if spec.bench_faults.contains(&BenchFault::ZeroOff) => {
                ZERO_OFF * stated.low.map_or(stated.offset_u, |low| low.offset_u.get())
            }
            _ => 0.0,
        };
        let mut bench = Self {
            offers: offers(rig),
            ambient_c,
            plant,
            sensors,
            tach,
            stop_pressed_at_s: spec.stop_pressed_at.map(|at| at.get()),
            tells_stop: rig.emergency_stop.is_some(),
            duty_error: sensor::error(&mut rng, rig.command.duty_u.get()),
            clock: 1.0 + rng.random_range(-CLOCK_BOUND..=CLOCK_BOUND),
            zero_off_a,
            supply: Supply::Off,
            own_v: rig.supply.voltage.get(),
            slew_v_per_s: rig.supply.range.map_or(f64::INFINITY, |range| range.slew.get()),
            faults: spec.bench_faults.clone(),
        };
        bench.plant.set_relay(bench.relay(Supply::Off));
        bench
    }

    /// What the bench's clock says.
    fn now_s(&self) -> f64 {
        self.clock * self.plant.now_s()
    }

    fn has(&self, fault: BenchFault) -> bool {
        self.faults.contains(&fault)
    }

    /// What the contacts do when `supply` is commanded.
    fn relay(&self, supply: Supply) -> Relay {
        match supply {
            _ if self.has(BenchFault::RelayWelded) => Relay::Closed,
            Supply::Off => Relay::Open,
            Supply::Gentle => Relay::Gentle,
            Supply::On => Relay::Closed,
        }
    }

    /// The plant behind the sensors, for tests that compare with its truth.
    #[must_use]
    pub const fn plant(&self) -> &P {
        &self.plant
    }

    fn drive(&self, setting: &Setting) -> LineDrive {
        match setting.line {
            Line::Open => LineDrive::Released,
            Line::Low => LineDrive::HeldLow,
            Line::High => LineDrive::HeldHigh,
            Line::Pwm => {
                let error = if setting.duty.has_edges() { self.duty_error } else { 0.0 };
                LineDrive::Pulses {
                    share: Duty::clamped(setting.duty.fraction() + error),
                    active: match setting.active {
                        ActiveLevel::Low => Level::Low,
                        ActiveLevel::High => Level::High,
                    },
                    // One crystal for all: what its clock calls a second holds the pulses that were asked for.
                    frequency: Hertz(setting.frequency.get() * self.clock),
                }
            }
        }
    }

    /// One sample of every slow channel for the block that ends now.
    fn slow_value(&self, channel: Channel) -> Option<f64> {
        match channel {
            Channel::CaseC => Some(self.plant.case_c()),
            Channel::AmbientC => Some(self.ambient_c),
            Channel::LineV => Some(self.plant.line_v()),
            Channel::SupplyV | Channel::SupplyA | Channel::OutputV | Channel::FanA | Channel::SpeedRpm => None,
        }
    }
}

impl<P: Physics> Bench for VirtualBench<P> {
    fn offers(&self) -> &Offers {
        &self.offers
    }

    fn set(&mut self, setting: &Setting) -> Result<f64, DriverError> {
        self.supply = setting.supply;
        self.plant.set_relay(self.relay(setting.supply));
        if self.offers.controls.contains(&Control::SupplyV) && !self.has(BenchFault::SupplyStuck) {
            let volts = setting.supply_v.map_or(self.own_v, |volts| volts.get());
            self.plant.set_supply(volts, self.slew_v_per_s);
        }
        let drive = self.drive(setting);
        self.plant.set_line(drive);
        Ok(self.now_s())
    }

    fn read(&mut self, seconds: f64, pace: Pace) -> Result<Block, DriverError> {
        if !seconds.is_finite() || seconds < 0.0 {
            let why = format!("a read of {seconds} s is not possible");
            return Err(DriverError::Answer { what: "read".to_owned(), why });
        }
        let t0_s = self.now_s();
        let count = sample_count(seconds, pace);
        let spacing_s = seconds / f64::from(count.max(1));
        let end_s = t0_s + seconds;
        let spacing = Spacing::new(spacing_s);
        let mut fast: Vec<(Channel, Vec<f32>)> =
            self.sensors.iter().map(|(channel, _)| (*channel, Vec::with_capacity(count as usize))).collect();
        let mut edges = self.tach.as_ref().map(|_| Vec::new());
        for _ in 0..count {
            let t_s = self.now_s();
            let reading = self.plant.advance(spacing_s / self.clock);
            for ((channel, sensor), (_, samples)) in self.sensors.iter_mut().zip(&mut fast) {
                if let Some(value) = fast_value(*channel, &reading) {
                    let off = if *channel == Channel::SupplyA { self.zero_off_a } else { 0.0 };
                    samples.push(sensor.sample(value + off, &spacing));
                }
            }
            if let (Some(tach), Some(edges)) = (&mut self.tach, &mut edges) {
                tach.edges(reading.turns, t_s, spacing_s, end_s, edges);
            }
        }
        if count > 0 {
            self.sample_slow(&mut fast, seconds);
        }
        if let Some(edges) = edges.as_mut().filter(|_| self.has(BenchFault::TachHum)) {
            hum(t0_s, end_s, edges);
        }
        let stop_pressed = self.tells_stop.then(|| self.stop_pressed_at_s.is_some_and(|at| self.now_s() >= at));
        Ok(Block { t0_s, duration_s: seconds, lost: 0, channels: fast, tach_s: edges, stop_pressed })
    }

    fn flex(&mut self, on: bool) -> bool {
        self.plant.flex(on);
        true
    }

    fn make_safe(&mut self) -> Result<f64, DriverError> {
        self.set(&Setting::SAFE)
    }

    fn supply_feedback(&mut self) -> Result<Option<bool>, DriverError> {
        let closed = self.relay(self.supply) != Relay::Open;
        Ok(Some(closed || self.has(BenchFault::FeedbackStuck)))
    }
}

/// Adds an edge per period of the mains to the edges of this stretch.
fn hum(from_s: f64, to_s: f64, edges: &mut Vec<f64>) {
    let mut period = (from_s * HUM_HZ).ceil();
    while period / HUM_HZ < to_s {
        edges.push(period / HUM_HZ);
        period += 1.0;
    }
    edges.sort_by(f64::total_cmp);
}

impl<P: Physics> VirtualBench<P> {
    fn sample_slow(&mut self, channels: &mut [(Channel, Vec<f32>)], seconds: f64) {
        let values: Vec<Option<f64>> = self.sensors.iter().map(|(channel, _)| self.slow_value(*channel)).collect();
        let spacing = Spacing::per_reading(seconds);
        for (((_, sensor), (_, samples)), value) in self.sensors.iter_mut().zip(channels).zip(values) {
            if let Some(value) = value {
                samples.push(sensor.sample(value, &spacing));
            }
        }
    }
}

fn fast_value(channel: Channel, reading: &Reading) -> Option<f64> {
    match channel {
        Channel::SupplyV => Some(reading.supply_v),
        Channel::SupplyA => Some(reading.supply_a),
        Channel::OutputV => Some(reading.output_v + COMMON_MODE * reading.common_v),
        Channel::FanA => Some(reading.fan_a),
        Channel::SpeedRpm => Some(reading.rad_s * 60.0 / std::f64::consts::TAU),
        Channel::CaseC | Channel::AmbientC | Channel::LineV => None,
    }
}

/// Samples per second of a pace.
const fn rate_hz(pace: Pace) -> f64 {
    match pace {
        Pace::Slow => 200.0,
        Pace::Normal => 2_000.0,
        Pace::Burst => 20_000.0,
    }
}

/// Number of samples: the nearest whole number, at least one in any time at all.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "not negative, saturates")]
fn sample_count(seconds: f64, pace: Pace) -> u32 {
    if seconds <= 0.0 { 0 } else { (seconds * rate_hz(pace)).round().max(1.0) as u32 }
}

fn offers(rig: &Rig) -> Offers {
    Offers {
        name: "virtual bench".to_owned(),
        channels: rig.channels.keys().copied().collect::<BTreeSet<_>>(),
        tach: rig.tach.is_some(),
        emergency_stop: rig.emergency_stop.is_some(),
        controls: [
            Control::SupplyOn,
            Control::GentleSupply,
            Control::SupplyV,
            Control::DutyPct,
            Control::Active,
            Control::FrequencyHz,
            Control::Line,
        ]
        .into_iter()
        .filter(|control| rig.controls.is_empty() || rig.controls.contains_key(control))
        .filter(|control| *control != Control::SupplyV || rig.supply.range.is_some())
        .collect(),
        virtual_clock: true,
        is_virtual: true,
        rate_hz: rate_hz(Pace::Normal),
        alignment: Alignment::default(),
    }
}

fn sensor_spec(stated: &ChannelSpec, faults: &[BenchFault]) -> SensorSpec {
    let louder = if faults.contains(&BenchFault::NoisyReadings) { NOISY } else { 1.0 };
    SensorSpec {
        range: stated.range,
        noise: stated.noise * louder,
        offset_u: stated.offset_u,
        gain_u: stated.gain_u.get(),
        resolution: stated.resolution,
        low: stated.low.map(|low| LowSpec {
            range: low.range.get(),
            noise: low.noise.get() * louder,
            offset_u: low.offset_u.get(),
            gain_u: low.gain_u.get(),
        }),
    }
}

/// Resistance by which a lamp is played.
const LAMP_OHM: f64 = 2.5;

const fn gentle(first: &FirstPower) -> Gentle {
    match first {
        FirstPower::PreCharge { resistance, .. } => Gentle::Resistor(resistance.get()),
        FirstPower::LimitedSupply { limit } => Gentle::Limit(limit.get()),
        FirstPower::Lamp => Gentle::Resistor(LAMP_OHM),
        FirstPower::Straight => Gentle::Straight,
    }
}

/// The resistors that were bought: off their plates by what the rig file states, or the analysis takes where it states
/// nothing, once per bench.
fn with_these_resistors(mut config: PlantConfig, rig: &Rig, rig_seed: u64) -> PlantConfig {
    if let (FirstPower::PreCharge { resistance_u, .. }, Gentle::Resistor(ohm)) =
        (&rig.first_power, &mut config.supply.gentle)
    {
        *ohm *= 1.0 + sensor::error(&mut Xoshiro256PlusPlus::seed_from_u64(mix(rig_seed, 6)), resistance_u.get());
    }
    if let Some(ohm) = &mut config.line.low_ohm {
        *ohm *= 1.0 + sensor::error(&mut Xoshiro256PlusPlus::seed_from_u64(mix(rig_seed, 7)), LINE_LOAD_U);
    }
    config
}

const fn kind(kind: ModuleKind) -> Kind {
    match kind {
        ModuleKind::LinearLow => Kind::LinearLow,
        ModuleKind::ExponentialHigh => Kind::ExponentialHigh,
        ModuleKind::SCurveLowSide => Kind::SCurveLowSide,
        ModuleKind::SteppedReserved => Kind::SteppedReserved,
        ModuleKind::KickStart => Kind::KickStart,
        ModuleKind::OpenRuns => Kind::OpenRuns,
        ModuleKind::FastCommand => Kind::FastCommand,
        ModuleKind::SlowCommand => Kind::SlowCommand,
    }
}

const fn fault_of(fault: FaultKind) -> Fault {
    match fault {
        FaultKind::SwitchShorted => Fault::SwitchShorted,
        FaultKind::SwitchOpen => Fault::SwitchOpen,
        FaultKind::ParallelSwitchOpen => Fault::ParallelSwitchOpen,
        FaultKind::CrackedJoint => Fault::CrackedJoint,
        FaultKind::DriedCapacitor => Fault::DriedCapacitor,
        FaultKind::SoftStartLost => Fault::SoftStartLost,
        FaultKind::InputDead => Fault::InputDead,
        FaultKind::InputLeaky => Fault::InputLeaky,
        FaultKind::BandShifted => Fault::BandShifted,
        FaultKind::CurrentLimitEarly => Fault::CurrentLimitEarly,
        FaultKind::ThermalLimitEarly => Fault::ThermalLimitEarly,
        FaultKind::SleepLost => Fault::SleepLost,
        FaultKind::WaterInConnector => Fault::WaterInConnector,
        FaultKind::LockOutLatches => Fault::LockOutLatches,
    }
}

/// Independent seeds from one (SplitMix64 finaliser, Steele et al. 2014).
const fn mix(seed: u64, stream: u64) -> u64 {
    let mut z = seed.wrapping_add(stream.wrapping_mul(0x9e37_79b9_7f4a_7c15));
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::config::rig::DriverSpec;
    use crate::units::Seconds;

    fn rig() -> (Rig, VirtualSpec) {
        let rig = crate::config::load_rig(Path::new("rigs/virtual.toml")).unwrap();
        let DriverSpec::Virtual(spec) = rig.driver.clone() else { panic!("not a virtual rig") };
        (rig, *spec)
    }

    fn command(spec: &VirtualSpec, percent: f64) -> Setting {
        let active = match presets::nominal(kind(spec.kind)).input.active {
            Level::Low => ActiveLevel::Low,
            Level::High => ActiveLevel::High,
        };
        Setting {
            supply: Supply::On,
            duty: Duty::clamped(percent / 100.0),
            active,
            frequency: Hertz(kind(spec.kind).nominal_hz()),
            line: Line::Pwm,
            supply_v: None,
        }
    }

    /// Brings the bench up through the first-power means with an off duty on the line.
    fn powered(bench: &mut VirtualBench, spec: &VirtualSpec) {
        bench.set(&Setting { supply: Supply::Gentle, ..command(spec, 5.0) }).unwrap();
        bench.read(0.6, Pace::Normal).unwrap();
        bench.set(&command(spec, 5.0)).unwrap();
        bench.read(0.5, Pace::Normal).unwrap();
    }

    fn mean(block: &Block, channel: Channel) -> f64 {
        block.mean(channel).unwrap()
    }

    #[test]
    fn each_bench_has_a_clock_of_its_own_that_is_off_as_a_crystal_may_be() {
        let (rig, spec) = rig();
        let off = |seed: u64| {
            let mut bench = VirtualBench::open(&rig, &spec, seed);
            let first = bench.read(5.0, Pace::Slow).unwrap();
            let second = bench.read(5.0, Pace::Slow).unwrap();
            assert!((second.t0_s - first.t0_s - 5.0).abs() < 1e-9, "its own seconds are what was asked for");
            10.0 / bench.plant().now_s() - 1.0
        };
        let off: Vec<f64> = (0..60).map(off).collect();
        assert!(off.iter().all(|off| off.abs() <= CLOCK_BOUND * 1.001), "{off:?}");
        // Evenly spread: 58 ppm; sixty draws give it to a tenth.
        let rms = (off.iter().map(|off| off * off).sum::<f64>() / 60.0).sqrt();
        assert!((rms / 58e-6 - 1.0).abs() < 0.2, "{rms}");
        let facts = crate::config::bench_facts(&rig);
        assert!((facts.clock_u * 3.0_f64.sqrt() / CLOCK_BOUND - 1.0).abs() < 0.01, "what is stated is what is played");
    }

    #[test]
    fn each_bench_has_a_line_load_of_its_own() {
        let (rig, spec) = rig();
        let stated = rig.line.low_resistance.expect("the shipped rig states it").get();
        let off = |seed| with_these_resistors(VirtualBench::plant_config(&rig, &spec, 1), &rig, seed).line.low_ohm;
        let off: Vec<f64> = (0..400).map(|seed| off(seed).expect("a load") / stated - 1.0).collect();
        let rms = (off.iter().map(|off| off * off).sum::<f64>() / 400.0).sqrt();
        assert!((rms / LINE_LOAD_U - 1.0).abs() < 0.12, "{rms}");
        assert_eq!(VirtualBench::plant_config(&rig, &spec, 1).line.low_ohm, Some(stated), "the truth knows none");
    }

    #[test]
    fn every_kind_starts_runs_at_the_fans_plate_data_and_stops() {
        let (rig, mut spec) = rig();
        for kind in ModuleKind::ALL {
            spec.kind = *kind;
            for seed in 1..=5 {
                let mut bench = VirtualBench::open(&rig, &spec, seed);
                powered(&mut bench, &spec);
                let quiet = bench.read(0.2, Pace::Normal).unwrap();
                assert!(mean(&quiet, Channel::SupplyA) < 0.06, "{kind:?} {seed}: {}", mean(&quiet, Channel::SupplyA));
                bench.set(&command(&spec, 96.0)).unwrap();
                bench.read(15.0, Pace::Normal).unwrap();
                let full = bench.read(1.0, Pace::Normal).unwrap();
                let amps = mean(&full, Channel::SupplyA);
                let rpm = full.tach_s.as_ref().unwrap().len() as f64 * 30.0;
                assert!((19.0..24.0).contains(&amps), "{kind:?} {seed}: {amps} A");
                assert!((2350.0..2700.0).contains(&rpm), "{kind:?} {seed}: {rpm} rpm");
                bench.set(&command(&spec, 5.0)).unwrap();
                bench.read(1.0, Pace::Normal).unwrap();
                let coast = bench.read(0.1, Pace::Normal).unwrap();
                assert!(mean(&coast, Channel::SupplyA) < 0.08);
                assert!(mean(&coast, Channel::OutputV) > 2.0, "{kind:?}: back-EMF shows after the stop");
                bench.read(40.0, Pace::Slow).unwrap();
                let rest = bench.read(1.0, Pace::Normal).unwrap();
                assert!(rest.tach_s.unwrap().is_empty(), "{kind:?} still turns");
            }
        }
    }

    #[test]
    fn the_same_seed_gives_the_same_samples_however_the_reads_are_cut() {
        let (rig, spec) = rig();
        let run = |cut: u32, seed: u64| {
            let mut bench = VirtualBench::open(&rig, &spec, seed);
            powered(&mut bench, &spec);
            bench.set(&command(&spec, 60.0)).unwrap();
            let mut samples = Vec::new();
            for _ in 0..cut {
                let block = bench.read(2.0 / f64::from(cut), Pace::Normal).unwrap();
                samples.extend_from_slice(block.samples(Channel::SupplyA).unwrap());
            }
            samples
        };
        let whole = run(1, 7);
        assert_eq!(whole, run(1, 7));
        assert_ne!(whole, run(1, 8));
        let cut = run(100, 7);
        assert_eq!(whole.len(), cut.len());
        // One count: step lengths differ in the last bit.
        assert!(whole.iter().zip(&cut).all(|(a, b)| (a - b).abs() < 0.062));
    }

    #[test]
    fn safe_opens_the_relay_and_the_capacitor_keeps_its_charge() {
        let (rig, spec) = rig();
        let mut bench = VirtualBench::open(&rig, &spec, 3);
        powered(&mut bench, &spec);
        bench.make_safe().unwrap();
        let after = bench.read(0.1, Pace::Normal).unwrap();
        assert!(mean(&after, Channel::SupplyV) > 11.0 && mean(&after, Channel::SupplyA).abs() < 0.01);
        bench.read(120.0, Pace::Slow).unwrap();
        let bled = bench.read(0.1, Pace::Normal).unwrap();
        assert!(mean(&bled, Channel::SupplyV) < 0.5, "{}", mean(&bled, Channel::SupplyV));
    }

    #[test]
    fn the_emergency_stop_is_told_from_its_time_on() {
        let (rig, mut spec) = rig();
        spec.stop_pressed_at = Some(Seconds(1.0));
        let mut bench = VirtualBench::open(&rig, &spec, 3);
        assert_eq!(bench.read(0.5, Pace::Normal).unwrap().stop_pressed, Some(false));
        assert_eq!(bench.read(0.6, Pace::Normal).unwrap().stop_pressed, Some(true));
    }

    #[test]
    fn slow_channels_carry_one_sample_per_block_and_paces_their_rates() {
        let (rig, spec) = rig();
        let mut bench = VirtualBench::open(&rig, &spec, 3);
        for (pace, count) in [(Pace::Slow, 20), (Pace::Normal, 200), (Pace::Burst, 2000)] {
            let block = bench.read(0.1, pace).unwrap();
            assert_eq!(block.samples(Channel::SupplyV).unwrap().len(), count);
            assert_eq!(block.samples(Channel::CaseC).unwrap().len(), 1);
            assert_eq!(block.samples(Channel::LineV).unwrap().len(), 1);
        }
        assert!(bench.read(f64::NAN, Pace::Normal).is_err());
    }
}
