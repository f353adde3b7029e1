//! The command line of the second plant: a filter of resistor and capacitor in the module, then a comparator with
//! hysteresis. The pin itself stays square; what the module reads is late on both edges, and by different times.

use galebench::plant::LineDrive;
use galebench::plant::config::{Level, LineRig};

/// Command input.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Input {
    pub(crate) active: Level,
    /// Pull-up and its voltage (`None`: the supply); without one it needs driven levels.
    pub(crate) pull_up_ohm: Option<f64>,
    pub(crate) pull_up_v: Option<f64>,
    pub(crate) pull_down_ohm: f64,
    /// Leak from the pin to ground.
    pub(crate) leak_ohm: Option<f64>,
    /// Filter.
    pub(crate) series_ohm: f64,
    pub(crate) farads: f64,
    /// Thresholds of the comparator as shares of the pull-up voltage, 5 V without one: upper, lower.
    pub(crate) thresholds: (f64, f64),
    pub(crate) dead: bool,
}

/// What the comparator gives.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Seen {
    /// Pulses: share of the period at the active level, frequency.
    Pulses { duty: f64, hz: f64 },
    /// A level without edges.
    Steady(Level),
}

/// Resistance of the bench's pulse driver to ground.
const SINK_OHM: f64 = 10.0;

impl Input {
    /// The pin as a source when the module runs on `supply_v`: open voltage, resistance.
    pub(crate) fn source(&self, supply_v: f64) -> (f64, f64) {
        let up = self.pull_up_ohm.map_or(0.0, f64::recip);
        let down = self.pull_down_ohm.recip() + self.leak_ohm.map_or(0.0, f64::recip);
        let up_v = self.pull_up_v.unwrap_or(supply_v).min(supply_v);
        (up_v * up / (up + down), 1.0 / (up + down))
    }

    /// Pin voltage and resistance with these (voltage, resistance) pairs on it besides the module's own.
    fn pin(&self, supply_v: f64, others: &[(f64, f64)]) -> (f64, f64) {
        let all = others.iter().copied().chain(std::iter::once(self.source(supply_v)));
        let (amps, siemens) = all.fold((0.0, 0.0), |(amps, siemens), (v, ohm)| (amps + v / ohm, siemens + 1.0 / ohm));
        (amps / siemens, 1.0 / siemens)
    }

    /// The pin in the two states of a pulse: low, high.
    fn pulsed(&self, rig: &LineRig, supply_v: f64) -> [(f64, f64); 2] {
        let sense = (0.0, rig.sense_ohm.unwrap_or(1e9));
        let high = rig.high_v.map(|volts| (volts, rig.high_ohm.unwrap_or(SINK_OHM)));
        let high = match high {
            Some(drive) => self.pin(supply_v, &[sense, drive]),
            None => self.pin(supply_v, &[sense]),
        };
        [self.pin(supply_v, &[sense, (0.0, SINK_OHM)]), high]
    }

    /// The pin held in one way.
    fn held(&self, drive: LineDrive, rig: &LineRig, supply_v: f64) -> (f64, f64) {
        let sense = (0.0, rig.sense_ohm.unwrap_or(1e9));
        match drive {
            LineDrive::HeldLow => self.pin(supply_v, &[sense, (0.0, rig.low_ohm.unwrap_or(SINK_OHM))]),
            LineDrive::HeldHigh => self.pulsed(rig, supply_v)[1],
            LineDrive::Released | LineDrive::Pulses { .. } => self.pin(supply_v, &[sense]),
        }
    }

    /// Mean voltage at the pin.
    pub(crate) fn line_v(&self, drive: LineDrive, rig: &LineRig, supply_v: f64) -> f64 {
        match drive {
            LineDrive::Pulses { share, active, .. } => {
                let low = low_share(share.fraction(), active);
                let [(low_v, _), (high_v, _)] = self.pulsed(rig, supply_v);
                low * low_v + (1.0 - low) * high_v
            }
            _ => self.held(drive, rig, supply_v).0,
        }
    }

    /// What the comparator makes of it, once the filter has swung in.
    pub(crate) fn see(&self, drive: LineDrive, rig: &LineRig, supply_v: f64) -> Seen {
        if self.dead {
            return Seen::Steady(self.active.other());
        }
        let reference_v = if self.pull_up_ohm.is_some() { self.pull_up_v.unwrap_or(supply_v) } else { 5.0 };
        let (upper_v, lower_v) = (self.thresholds.0 * reference_v, self.thresholds.1 * reference_v);
        let LineDrive::Pulses { share, active, frequency } = drive else {
            let middle_v = 0.5 * (upper_v + lower_v);
            let is_high = self.held(drive, rig, supply_v).0 > middle_v;
            return Seen::Steady(if is_high { Level::High } else { Level::Low });
        };
        let hz = frequency.get();
        let low = low_share(share.fraction(), active);
        let [(low_v, low_ohm), (high_v, high_ohm)] = self.pulsed(rig, supply_v);
        let fall_s = (low_ohm + self.series_ohm) * self.farads;
        let rise_s = (high_ohm + self.series_ohm) * self.farads;
        // The filter swings between these two once every period is like the last.
        let (down, up) = ((-low / hz / fall_s).exp(), (-(1.0 - low) / hz / rise_s).exp());
        let least_v = (low_v * (1.0 - down) + high_v * (1.0 - up) * down) / (1.0 - up * down);
        let most_v = high_v + (least_v - high_v) * up;
        if low <= 0.0 || least_v > lower_v {
            return Seen::Steady(if most_v > upper_v { Level::High } else { Level::Low });
        }
        if low >= 1.0 || most_v < upper_v {
            return Seen::Steady(Level::Low);
        }
        let late_up_s = rise_s * ((high_v - least_v) / (high_v - upper_v)).ln();
        let late_down_s = fall_s * ((most_v - low_v) / (lower_v - low_v)).ln();
        let read_low = low + (late_up_s - late_down_s) * hz;
        let duty = if self.active == Level::Low { read_low } else { 1.0 - read_low };
        Seen::Pulses { duty: duty.clamp(0.0, 1.0), hz }
    }
}

fn low_share(share: f64, active: Level) -> f64 {
    if active == Level::Low { share } else { 1.0 - share }
}
