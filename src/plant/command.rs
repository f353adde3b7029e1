//! The command line: what the bench does to it, what voltage it takes, what the module's input makes of it.

use std::f64::consts::LN_2;

use crate::units::{Duty, Hertz};

use super::config::{Band, InputConfig, InputKind, Level, LineRig, LossDoes, LossRule, ModuleConfig, Outside};

/// What the bench does to the line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum LineDrive {
    /// Pulse train: `share` of the period at `active`, measured at the module pin.
    Pulses {
        /// Share of the period.
        share: Duty,
        /// The level it counts.
        active: Level,
        /// Frequency.
        frequency: Hertz,
    },
    /// Released.
    Released,
    /// Held low through the bench's resistance.
    HeldLow,
    /// Held high through the bench's resistance.
    HeldHigh,
}

/// What arrives behind the input comparator.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Pattern {
    /// Pulses: share of the period read as low, frequency.
    Edges { low: f64, hz: f64 },
    /// No edges.
    Steady(Level),
}

/// What the module makes of a pattern.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Demand {
    /// A duty to follow, fraction at the active level.
    Duty(f64),
    /// The same, but the output swings about it.
    Hunt(f64),
    /// A rule instead of a duty.
    Rule(LossDoes),
}

/// Thevenin source that the module's input puts on the line: open voltage and resistance.
pub(crate) fn input_source(input: &InputConfig, supply_v: f64, asleep: bool) -> (f64, f64) {
    let up_ohm = if asleep { input.pull_up_asleep_ohm } else { input.pull_up_ohm };
    let up_v = match input.kind {
        InputKind::Can => 2.5_f64.min(supply_v),
        InputKind::Lin | InputKind::Analog | InputKind::Pwm => input.pull_up_v.map_or(supply_v, |v| v.min(supply_v)),
    };
    let up = up_ohm.map_or(0.0, |ohm| 1.0 / ohm);
    let down = 1.0 / input.pull_down_ohm + input.leak_ohm.map_or(0.0, |ohm| 1.0 / ohm);
    (up_v * up / (up + down), 1.0 / (up + down))
}

/// Voltage of the line at the pin, averaged over the period.
pub(crate) fn line_volts(drive: LineDrive, input: &InputConfig, rig: &LineRig, supply_v: f64, asleep: bool) -> f64 {
    let source = input_source(input, supply_v, asleep);
    let low = node(source, rig, Some((0.0, DRIVER_OHM)));
    let high = node(source, rig, high_drive(rig));
    match drive {
        LineDrive::Released => node(source, rig, None),
        LineDrive::HeldLow => node(source, rig, Some((0.0, rig.low_ohm.unwrap_or(DRIVER_OHM)))),
        LineDrive::HeldHigh => high,
        LineDrive::Pulses { share, active, .. } => {
            let low_share = low_share(share, active);
            low_share * low + (1.0 - low_share) * high
        }
    }
}

/// Resistance of the bench's pulse driver to ground.
const DRIVER_OHM: f64 = 10.0;

fn high_drive(rig: &LineRig) -> Option<(f64, f64)> {
    rig.high_v.map(|volts| (volts, rig.high_ohm.unwrap_or(DRIVER_OHM)))
}

/// Voltage of a node fed by the input, the bench's measurement load and one drive (voltage, resistance).
fn node(source: (f64, f64), rig: &LineRig, drive: Option<(f64, f64)>) -> f64 {
    let mut conductance = 1.0 / source.1 + rig.sense_ohm.map_or(0.0, |ohm| 1.0 / ohm);
    let mut current = source.0 / source.1;
    if let Some((volts, ohm)) = drive {
        conductance += 1.0 / ohm.max(1e-3);
        current += volts / ohm.max(1e-3);
    }
    current / conductance
}

fn low_share(share: Duty, active: Level) -> f64 {
    match active {
        Level::Low => share.fraction(),
        Level::High => 1.0 - share.fraction(),
    }
}

/// What the input comparator delivers.
pub(crate) fn pattern(drive: LineDrive, input: &InputConfig, rig: &LineRig, supply_v: f64, asleep: bool) -> Pattern {
    // Nothing that happens on the line gets past a dead input: it is not even kept awake by it.
    if input.dead {
        return Pattern::Steady(input.active.other());
    }
    let source = input_source(input, supply_v, asleep);
    // The comparator asks for a share of its own pull-up, or for a logic level where there is none.
    let threshold_v =
        if input.pull_up_ohm.is_some() { 0.35 * input.pull_up_v.map_or(supply_v, |v| v.min(supply_v)) } else { 2.0 };
    let level = |volts: f64| if volts > threshold_v { Level::High } else { Level::Low };
    let steady = |drive| Pattern::Steady(level(line_volts(drive, input, rig, supply_v, asleep)));
    let LineDrive::Pulses { share, active, frequency } = drive else { return steady(drive) };
    if level(node(source, rig, high_drive(rig))) == Level::Low {
        return Pattern::Steady(Level::Low);
    }
    let low = low_share(share, active);
    if low <= 0.0 || low >= 1.0 {
        return Pattern::Steady(if low >= 1.0 { Level::Low } else { Level::High });
    }
    let low = low + rise_delay_s(input, rig) * frequency.get();
    if low >= 1.0 {
        return Pattern::Steady(Level::Low);
    }
    Pattern::Edges { low, hz: frequency.get() }
}

/// Delay of the rising edge to half of the swing: the line's resistance times its capacitance times ln 2.
pub(crate) fn rise_delay_s(input: &InputConfig, rig: &LineRig) -> f64 {
    let (_, module_ohm) = input_source(input, 13.0, false);
    let ohm = high_drive(rig).map_or(module_ohm, |(_, drive_ohm)| 1.0 / (1.0 / module_ohm + 1.0 / drive_ohm));
    ohm * input.capacitance_f * LN_2
}

/// Command duty (as the bench counts it) shifted to what the module reads, fraction.
pub(crate) fn shift(input: &InputConfig, rig: &LineRig, hz: f64) -> f64 {
    let shift = rise_delay_s(input, rig) * hz;
    match input.active {
        Level::Low => shift,
        Level::High => -shift,
    }
}

/// Decodes patterns; remembers whether the frequency was accepted, because entry and exit differ.
#[derive(Clone, Debug, Default)]
pub(crate) struct Decoder {
    inside: bool,
}

impl Decoder {
    /// What to do about `pattern`, and the rule's own delay where a rule speaks.
    pub(crate) fn decode(&mut self, pattern: Pattern, module: &ModuleConfig) -> (Demand, Option<LossRule>) {
        let (low, hz) = match pattern {
            _ if module.input.kind != InputKind::Pwm || module.input.dead => {
                return rule(LossRule { does: LossDoes::Stops, after_s: 0.0 });
            }
            Pattern::Steady(level) if level == module.input.active => return rule(module.at_active),
            Pattern::Steady(_) => return rule(module.at_inactive),
            Pattern::Edges { low, hz } => (low, hz),
        };
        let duty = match module.input.active {
            Level::Low => low,
            Level::High => 1.0 - low,
        };
        self.inside = accepts(&module.band, hz, self.inside);
        if !self.inside {
            return outside(module.band.outside, duty);
        }
        if let Some(reserved) = module.map.reserved.iter().find(|band| (band.from..=band.to).contains(&duty)) {
            return rule(reserved.rule);
        }
        if module.map.upper_cutoff.is_some_and(|from| duty > from) {
            return rule(LossRule { does: LossDoes::Stops, after_s: 0.0 });
        }
        (Demand::Duty(duty), None)
    }
}

fn rule(rule: LossRule) -> (Demand, Option<LossRule>) {
    (Demand::Rule(rule.does), Some(rule))
}

fn outside(outside: Outside, duty: f64) -> (Demand, Option<LossRule>) {
    match outside {
        Outside::Hunts => (Demand::Hunt(duty), None),
        Outside::Misreads(factor) => (Demand::Duty(duty * factor), None),
        Outside::Stops => rule(LossRule { does: LossDoes::Stops, after_s: OUTSIDE_S }),
        Outside::Full => rule(LossRule { does: LossDoes::Full, after_s: OUTSIDE_S }),
        Outside::Holds => rule(LossRule { does: LossDoes::Holds, after_s: OUTSIDE_S }),
    }
}

/// Time in which a foreign frequency is recognised.
const OUTSIDE_S: f64 = 0.25;

pub(crate) fn accepts(band: &Band, hz: f64, was_inside: bool) -> bool {
    let (low, high) =
        if was_inside { (band.low_exit_hz, band.high_exit_hz) } else { (band.low_entry_hz, band.high_entry_hz) };
    (low..=high).contains(&hz) && !band.holes.iter().any(|(from, to)| (*from..=*to).contains(&hz))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plant::presets::{self, Kind};

    fn module() -> ModuleConfig {
        presets::nominal(Kind::LinearLow)
    }

    const RIG: LineRig = LineRig { low_ohm: Some(470.0), high_ohm: None, high_v: None, sense_ohm: Some(1.0e6) };

    fn pulses(share: f64, active: Level, hz: f64) -> LineDrive {
        LineDrive::Pulses { share: Duty::clamped(share), active, frequency: Hertz(hz) }
    }

    #[test]
    fn ten_kiloohm_with_ten_nanofarad_shifts_seven_tenths_of_a_point_at_100_hz() {
        let mut input = module().input;
        (input.pull_up_ohm, input.capacitance_f) = (Some(10_000.0), 10e-9);
        for (hz, points) in [(100.0, 0.7), (500.0, 3.5), (2000.0, 14.0)] {
            let shift_pct = 100.0 * shift(&input, &RIG, hz);
            assert!((shift_pct - points).abs() < 0.03 * points, "{hz} Hz: {shift_pct}");
        }
    }

    #[test]
    fn the_same_pulses_read_upside_down_are_the_rest_of_the_period() {
        let mut module = module();
        let read = |module: &ModuleConfig| {
            let seen = pattern(pulses(0.3, Level::Low, 140.0), &module.input, &RIG, 13.0, false);
            Decoder::default().decode(seen, module).0
        };
        let Demand::Duty(low) = read(&module) else { panic!("not followed") };
        module.input.active = Level::High;
        let Demand::Duty(high) = read(&module) else { panic!("not followed") };
        assert!((low + high - 1.0).abs() < 1e-12, "{low} {high}");
    }

    #[test]
    fn the_band_is_left_later_than_it_is_entered() {
        let module = module();
        let band = &module.band;
        let between = 0.5 * (band.high_entry_hz + band.high_exit_hz);
        let seen = Pattern::Edges { low: 0.5, hz: between };
        let mut decoder = Decoder::default();
        assert_ne!(decoder.decode(seen, &module).0, Demand::Duty(0.5));
        decoder.decode(Pattern::Edges { low: 0.5, hz: 140.0 }, &module);
        assert_eq!(decoder.decode(seen, &module).0, Demand::Duty(0.5));
    }

    #[test]
    fn a_push_pull_input_sees_nothing_from_a_bench_that_only_pulls_down() {
        let module = presets::nominal(Kind::ExponentialHigh);
        let drive = pulses(0.5, Level::High, 200.0);
        assert_eq!(pattern(drive, &module.input, &RIG, 13.0, false), Pattern::Steady(Level::Low));
        let rig = LineRig { high_ohm: Some(1000.0), high_v: Some(5.0), ..RIG };
        assert!(matches!(pattern(drive, &module.input, &rig, 13.0, false), Pattern::Edges { .. }));
    }

    #[test]
    fn the_released_line_shows_the_pull_up_and_a_known_load_its_resistance() {
        let input = module().input;
        let ohm = input.pull_up_ohm.unwrap();
        let rig = LineRig { sense_ohm: None, ..RIG };
        let open = line_volts(LineDrive::Released, &input, &rig, 13.0, false);
        let loaded = line_volts(LineDrive::HeldLow, &input, &rig, 13.0, false);
        assert!((470.0 * (open - loaded) / loaded - ohm).abs() < 0.01 * ohm);
    }
}
