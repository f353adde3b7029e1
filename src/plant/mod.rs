//! Physics of the virtual bench: battery, module, brushed motor, sensors. Knows units and nothing else of ours;
//! known to the virtual driver alone.

mod command;
pub mod config;
mod energy;
mod engine;
pub mod faults;
mod module;
mod motor;
mod play;
pub mod presets;
mod ramp;
pub mod sensor;
mod source;
pub mod statics;
pub mod tach;
pub mod truth;

#[cfg(test)]
mod tests;

pub use command::LineDrive;
pub use energy::Books;
pub use engine::{Plant, Reading};
pub use module::THERMAL_SPAN_K;
pub use source::Relay;

/// A unit on its supply with its fan, moving in its own time: what a virtual bench puts its sensors on.
pub trait Physics: std::fmt::Debug + Send {
    /// Time since the beginning.
    fn now_s(&self) -> f64;
    /// Moves the relay.
    fn set_relay(&mut self, relay: Relay);
    /// Sends the supply to this voltage, at this rate in volts per second.
    fn set_supply(&mut self, volts: f64, slew_v_per_s: f64);
    /// Drives the command line.
    fn set_line(&mut self, line: LineDrive);
    /// Somebody begins to flex the harness, or ends it; nothing to a unit whose joints are sound.
    fn flex(&mut self, _on: bool) {}
    /// Lets `dt` pass: means over it.
    fn advance(&mut self, dt: f64) -> Reading;
    /// Mean voltage of the line at the pin.
    fn line_v(&self) -> f64;
    /// Case temperature.
    fn case_c(&self) -> f64;
    /// Copper temperature of the fan, which no sensor sees.
    fn copper_c(&self) -> f64;
    /// Current of the fan, as no sensor sees it.
    fn fan_a(&self) -> f64;
    /// By how much the supply has given way slowly, volts; 0 of one that does not.
    fn slow_sag_v(&self) -> f64 {
        0.0
    }
}

impl Physics for Plant {
    fn now_s(&self) -> f64 {
        self.now_s()
    }

    fn set_relay(&mut self, relay: Relay) {
        self.set_relay(relay);
    }

    fn set_supply(&mut self, volts: f64, slew_v_per_s: f64) {
        self.set_supply(volts, slew_v_per_s);
    }

    fn flex(&mut self, on: bool) {
        self.flex(on);
    }

    fn set_line(&mut self, line: LineDrive) {
        self.set_line(line);
    }

    fn advance(&mut self, dt: f64) -> Reading {
        self.advance(dt)
    }

    fn line_v(&self) -> f64 {
        self.line_v()
    }

    fn case_c(&self) -> f64 {
        self.case_c()
    }

    fn copper_c(&self) -> f64 {
        self.copper_c()
    }

    fn fan_a(&self) -> f64 {
        self.fan_a()
    }

    fn slow_sag_v(&self) -> f64 {
        self.slow_sag_v()
    }
}
