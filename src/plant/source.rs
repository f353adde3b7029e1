//! Supply side: battery behind resistances, relay, first-power means, and the module's input capacitor.
//!
//! One node (the capacitor) is solved exactly over a step with the load current held, so a time constant of tens of
//! microseconds needs no fine steps.

use super::config::{Gentle, SupplyConfig};

/// Position of the supply relay.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Relay {
    /// Open.
    Open,
    /// Closed through the first-power means.
    Gentle,
    /// Closed.
    Closed,
}

/// State of the supply side.
#[derive(Clone, Debug)]
pub(crate) struct Source {
    /// Voltage at the module pins.
    pub(crate) volts: f64,
    polarised_v: f64,
    /// Where a programmable supply stands from its own voltage, where it goes, and how fast.
    offset_v: f64,
    toward_v: f64,
    slew_v_per_s: f64,
    /// Cached decay: for which step and time constant, and its factor.
    cached: (f64, f64, f64),
}

/// One step of the supply side.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct SourceStep {
    /// Mean voltage at the module pins.
    pub(crate) volts: f64,
    /// Mean current out of the supply.
    pub(crate) amps: f64,
    /// Energy out of the supply.
    pub(crate) from_j: f64,
    /// Heat in its resistances.
    pub(crate) heat_j: f64,
}

impl Source {
    pub(crate) const fn new() -> Self {
        Self {
            volts: 0.0,
            polarised_v: 0.0,
            offset_v: 0.0,
            toward_v: 0.0,
            slew_v_per_s: f64::INFINITY,
            cached: (0.0, 0.0, 0.0),
        }
    }

    /// Sends the supply to this voltage, as fast as it goes.
    pub(crate) fn go_to(&mut self, config: &SupplyConfig, volts: f64, slew_v_per_s: f64) {
        (self.toward_v, self.slew_v_per_s) = (volts - config.open_v, slew_v_per_s);
    }

    /// Series resistance of the closed path; `None` with the relay open.
    pub(crate) fn path_ohm(config: &SupplyConfig, relay: Relay) -> Option<f64> {
        let ohm = config.resistance_ohm + config.lead_ohm;
        match (relay, config.gentle) {
            (Relay::Open, _) => None,
            (Relay::Gentle, Gentle::Resistor(series)) => Some(ohm + series),
            (Relay::Gentle | Relay::Closed, _) => Some(ohm),
        }
    }

    /// Lets `dt` pass with `load_a` drawn from a capacitor of `farads`.
    pub(crate) fn step(
        &mut self,
        dt: f64,
        config: &SupplyConfig,
        relay: Relay,
        farads: f64,
        load_a: f64,
    ) -> SourceStep {
        if self.offset_v != self.toward_v {
            let most_v = self.slew_v_per_s * dt;
            self.offset_v += (self.toward_v - self.offset_v).clamp(-most_v, most_v);
        }
        let emf = (config.open_v + self.offset_v - self.polarised_v).max(0.0);
        let Some(ohm) = Self::path_ohm(config, relay) else { return self.drift(dt, farads, load_a) };
        // What takes nothing back leaves the capacitor to the load until that has brought it down.
        if !config.sinks && self.volts >= emf && (load_a <= 0.0 || self.volts - load_a * dt / farads >= emf) {
            return self.drift(dt, farads, load_a);
        }
        let limit_a = match (relay, config.gentle) {
            (Relay::Gentle, Gentle::Limit(limit_a)) => Some(limit_a),
            (Relay::Closed, _) => config.limit_a,
            _ => None,
        };
        if let Some(limit_a) = limit_a.filter(|limit_a| (emf - self.volts) / ohm > *limit_a) {
            return self.limited(dt, emf, farads, load_a, limit_a);
        }
        let tau = ohm * farads;
        let end = emf - ohm * load_a;
        if self.cached.0 != dt || self.cached.1 != tau {
            self.cached = (dt, tau, (-dt / tau).exp());
        }
        let decay = self.cached.2;
        let gap = self.volts - end;
        let volts = end + gap * (tau / dt) * (1.0 - decay);
        self.volts = end + gap * decay;
        let amps = (emf - volts) / ohm;
        // Integral of the squared current: i(t) = load - gap / ohm * exp(-t / tau).
        let swing = -gap / ohm;
        let square = load_a * load_a * dt
            + 2.0 * load_a * swing * tau * (1.0 - decay)
            + swing * swing * 0.5 * tau * (1.0 - decay * decay);
        SourceStep { volts, amps, from_j: emf * amps * dt, heat_j: ohm * square }
    }

    /// Relay open: the capacitor alone feeds the load.
    fn drift(&mut self, dt: f64, farads: f64, load_a: f64) -> SourceStep {
        let before = self.volts;
        self.volts = (before - load_a * dt / farads).max(0.0);
        SourceStep { volts: 0.5 * (before + self.volts), ..SourceStep::default() }
    }

    /// Supply in current limit: the rest of its voltage stays in its regulator, as heat.
    fn limited(&mut self, dt: f64, emf: f64, farads: f64, load_a: f64, limit_a: f64) -> SourceStep {
        let before = self.volts;
        self.volts = (before + (limit_a - load_a) * dt / farads).clamp(0.0, emf);
        let volts = 0.5 * (before + self.volts);
        let amps = load_a + (self.volts - before) * farads / dt;
        SourceStep { volts, amps, from_j: emf * amps * dt, heat_j: (emf - volts) * amps * dt }
    }

    /// Slow part of the sag, volts.
    pub(crate) const fn slow_sag_v(&self) -> f64 {
        self.polarised_v
    }

    /// The same as after another load.
    pub(crate) const fn sag_to(&mut self, volts: f64) {
        self.polarised_v = volts;
    }

    /// Slow part of the sag, over a longer step with this mean current.
    pub(crate) fn recover(&mut self, dt: f64, config: &SupplyConfig, amps: f64) {
        let share = -(-dt / config.recovery_s).exp_m1();
        self.polarised_v += (config.recovery_ohm * amps - self.polarised_v) * share;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn config() -> SupplyConfig {
        SupplyConfig {
            open_v: 13.0,
            resistance_ohm: 0.02,
            lead_ohm: 0.0,
            sinks: true,
            recovery_ohm: 0.0,
            recovery_s: 30.0,
            gentle: Gentle::Resistor(22.0),
            limit_a: None,
        }
    }

    #[test]
    fn charging_through_the_resistor_follows_the_time_constant_at_any_step() {
        for dt in [5e-3, 5e-4, 5e-5] {
            let mut source = Source::new();
            let tau = 22.02 * 3e-3;
            let mut t = 0.0;
            while t < tau - 0.5 * dt {
                source.step(dt, &config(), Relay::Gentle, 3e-3, 0.0);
                t += dt;
            }
            let expect = 13.0 * (1.0 - (-t / tau).exp());
            assert!((source.volts - expect).abs() < 1e-6, "{dt}: {} against {expect}", source.volts);
        }
    }

    #[test]
    fn half_of_the_charging_energy_becomes_heat() {
        let mut source = Source::new();
        let (mut from, mut heat) = (0.0, 0.0);
        for _ in 0..1000 {
            let step = source.step(5e-4, &config(), Relay::Closed, 3e-3, 0.0);
            from += step.from_j;
            heat += step.heat_j;
        }
        let stored = 0.5 * 3e-3 * 169.0;
        assert!((from - 2.0 * stored).abs() < 1e-9 && (heat - stored).abs() < 1e-9, "{from} {heat} {stored}");
    }

    #[test]
    fn a_supply_in_current_limit_gives_no_more_and_lets_its_voltage_fall() {
        let limited = SupplyConfig { limit_a: Some(20.0), ..config() };
        let mut source = Source { volts: 13.0, ..Source::new() };
        for i in 0..10 {
            let step = source.step(5e-4, &limited, Relay::Closed, 3e-3, 24.0);
            // It goes into its limit between two steps: the one in which it does may still take more.
            assert!(i < 2 || step.amps <= 20.0 + 1e-9, "{} A at {} V", step.amps, source.volts);
        }
        assert!(source.volts < 11.0, "4 A short of the load for 5 ms take 3 mF down: {}", source.volts);
        // A load within the limit brings it back to what the resistance leaves.
        for _ in 0..100 {
            source.step(5e-4, &limited, Relay::Closed, 3e-3, 5.0);
        }
        assert!((source.volts - (13.0 - 0.02 * 5.0)).abs() < 1e-6, "{}", source.volts);
    }

    #[test]
    fn a_programmable_supply_moves_at_its_slew_and_only_one_that_sinks_takes_the_charge_back() {
        for sinks in [true, false] {
            let config = SupplyConfig { sinks, ..config() };
            let mut source = Source { volts: 13.0, ..Source::new() };
            source.go_to(&config, 5.0, 400.0);
            let mut play = |seconds: f64, load_a: f64| {
                for _ in 0..(seconds / 5e-4).round() as u32 {
                    source.step(5e-4, &config, Relay::Closed, 3e-3, load_a);
                }
                source.volts
            };
            // 8 V at 400 V/s take 20 ms.
            let (halfway_v, after_v) = (play(0.01, 0.0), play(0.012, 0.0));
            let expect = if sinks { (9.0, 5.0) } else { (13.0, 13.0) };
            assert!((halfway_v - expect.0).abs() < 0.1 && (after_v - expect.1).abs() < 0.01, "{halfway_v} {after_v}");
            // A load of 3 A takes 3 mF down by a volt in a millisecond, and no further than the supply.
            let (soon_v, loaded_v) = (play(2e-3, 3.0), play(0.02, 3.0));
            assert!((soon_v - if sinks { 4.94 } else { 11.0 }).abs() < 0.05, "{soon_v}");
            assert!((loaded_v - 4.94).abs() < 0.01, "{loaded_v}");
        }
    }

    #[test]
    fn the_charge_stays_after_the_relay_opens() {
        let mut source = Source { volts: 13.0, ..Source::new() };
        for _ in 0..200 {
            source.step(5e-3, &config(), Relay::Open, 3e-3, 10e-3);
        }
        assert!((source.volts - (13.0 - 10e-3 / 3e-3)).abs() < 1e-9, "{}", source.volts);
    }
}
