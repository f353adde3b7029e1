//! Pins through the board's registers, each held through the kernel as well.
//!
//! The registers know no owner: without the kernel's word a pin of another program, or of a bus, would be switched. An
//! output is off when opened and when dropped. When the process is killed the kernel makes the pin an input again (unless
//! its driver was told to keep outputs), so that the pull-down at the transistor opens the relay.

use std::thread::sleep;
use std::time::{Duration, Instant};

use gpiocdev::Request;
use gpiocdev::line::Value;
use gpiocdev::request::Builder;
use rppal::gpio::{self, Gpio, InputPin, Mode, OutputPin, Pin, Trigger};
use rppal::system::Model;

use crate::config::address::Address;
use crate::driver::DriverError;
use crate::driver::board::edges::{Edge, Edges};
use crate::driver::board::hold;
use crate::driver::board::ports::{Input, Output};

/// Labels of the chips that the header's pins hang on, by board.
const LABELS: [&str; 3] = ["pinctrl-rp1", "pinctrl-bcm2711", "pinctrl-bcm2835"];

/// A pin has the level that it was set to within this time.
const FOLLOWS_WITHIN: Duration = Duration::from_millis(2);

/// All pins.
#[derive(Debug)]
pub(super) struct Pins {
    gpio: Gpio,
    /// Label of their chip, by which the kernel knows them.
    label: String,
}

impl Pins {
    /// Reaches the registers.
    pub(super) fn open(model: Model) -> Result<Self, DriverError> {
        let open = |why: String| DriverError::Open { what: format!("the pins of this {model}"), why };
        let chips =
            gpiocdev::chip::chips().map_err(|error| open(format!("the GPIO chips cannot be listed: {error}")))?;
        let labels =
            chips.iter().filter_map(|path| Some(gpiocdev::chip::Chip::from_path(path).ok()?.info().ok()?.label));
        let label = labels
            .into_iter()
            .find(|label| LABELS.contains(&label.as_str()))
            .ok_or_else(|| open(format!("no chip that may be opened is one of {}; {RIGHTS}", LABELS.join(", "))))?;
        let gpio = Gpio::new().map_err(|error| open(format!("{error}; {RIGHTS}")))?;
        Ok(Self { gpio, label })
    }

    /// A free pin, with the line that the kernel knows it by.
    fn free(&self, address: &Address) -> Result<(Pin, Address), DriverError> {
        let open = |why: String| DriverError::Open { what: address.to_string(), why };
        let number = address.pin().ok_or_else(|| open("it is no pin of the header".to_owned()))?;
        let line = Address::Gpio { chip: Some(self.label.clone()), line: number.to_string() };
        hold::find(&line).map_err(|error| named(error, address))?;
        let pin = self.gpio.get(number).map_err(|error| open(error.to_string()))?;
        free_of(pin.mode()).map_err(open)?;
        Ok((pin, line))
    }

    /// Takes a pin as an output that is off.
    pub(super) fn output(&self, address: &Address, active_low: bool) -> Result<Switch, DriverError> {
        let (pin, line) = self.free(address)?;
        let held = hold::take(&line, active_low, |builder| builder.as_output(Value::Inactive));
        let held = held.map_err(|error| named(error, address))?;
        // The level comes before the direction: a relay never sees a pulse.
        let pin = if active_low { pin.into_output_high() } else { pin.into_output_low() };
        let mut switch = Switch { pin, active_low, address: address.clone(), _held: held };
        switch.set(false)?;
        Ok(switch)
    }

    /// Takes a pin as an input, pulled to where it reads `broken` with its wire broken.
    pub(super) fn input(&self, address: &Address, active_low: bool, broken: bool) -> Result<Contact, DriverError> {
        let (pin, line) = self.free(address)?;
        let held = hold::take(&line, active_low, Builder::as_input).map_err(|error| named(error, address))?;
        let pin = if broken == active_low { pin.into_input_pulldown() } else { pin.into_input_pullup() };
        Ok(Contact { pin, active_low, _held: held })
    }

    /// Takes a pin as an input whose rising edges the kernel stamps.
    pub(super) fn edges(&self, address: &Address) -> Result<Edges, DriverError> {
        let (pin, _) = self.free(address)?;
        let mut pin = pin.into_input();
        // Waited for by ourselves: the library's own thread ends without a word when the line cannot be had.
        pin.set_interrupt(Trigger::RisingEdge, None).map_err(|error| DriverError::Open {
            what: address.to_string(),
            why: format!("no edge events: {error}"),
        })?;
        Edges::collect(address, move |wait| {
            pin.poll_interrupt(false, Some(wait)).map_err(drop).map(|event| event.map(edge))
        })
    }
}

/// What a user needs.
const RIGHTS: &str = "see docs/low-cost-bench.md for the groups that a user needs";

/// An event as the tach takes it; the stamps are the monotonic clock's.
#[expect(clippy::cast_possible_truncation, reason = "nanoseconds since boot stay below 2^64 for centuries")]
const fn edge(event: gpio::Event) -> Edge {
    Edge { stamp_ns: event.timestamp.as_nanos() as u64, sequence: event.seqno }
}

/// Whether a pin in this mode does nothing else.
fn free_of(mode: Mode) -> Result<(), String> {
    match mode {
        Mode::Input | Mode::Output | Mode::Null => Ok(()),
        other => Err(format!(
            "the pin works for the board itself ({other}: a bus, a pulse output, a serial port); name another pin, or \
             take the overlay out of config.txt"
        )),
    }
}

/// The same failure, told of the address that the rig names.
fn named(error: DriverError, address: &Address) -> DriverError {
    match error {
        DriverError::Open { why, .. } => DriverError::Open { what: address.to_string(), why },
        other => other,
    }
}

/// An output pin.
#[derive(Debug)]
pub(super) struct Switch {
    // Let go before the kernel's hold is.
    pin: OutputPin,
    active_low: bool,
    address: Address,
    _held: Request,
}

impl Switch {
    /// Makes sure that the pin is at the level it was set to: one that is shorted, or driven by something else, is not.
    fn follows(&self, high: bool) -> Result<(), DriverError> {
        let begin = Instant::now();
        // What the library calls set is the level that the register reads at the pin.
        while self.pin.is_set_high() != high {
            if begin.elapsed() > FOLLOWS_WITHIN {
                let (set, is) = if high { ("high", "low") } else { ("low", "high") };
                let why = format!("the pin was set {set} and is {is}: shorted, or driven by something else");
                return Err(DriverError::Answer { what: self.address.to_string(), why });
            }
            sleep(Duration::from_micros(20));
        }
        Ok(())
    }
}

impl Output for Switch {
    fn set(&mut self, on: bool) -> Result<(), DriverError> {
        let high = on != self.active_low;
        self.pin.write(high.into());
        self.follows(high)
    }
}

impl Drop for Switch {
    fn drop(&mut self) {
        self.pin.write(self.active_low.into());
    }
}

/// An input pin.
#[derive(Debug)]
pub(super) struct Contact {
    pin: InputPin,
    active_low: bool,
    _held: Request,
}

impl Input for Contact {
    fn active(&self) -> Result<bool, DriverError> {
        Ok(self.pin.is_high() != self.active_low)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pin_that_works_for_a_bus_or_a_pulse_output_is_refused() {
        for mode in [Mode::Input, Mode::Output, Mode::Null] {
            assert_eq!(free_of(mode), Ok(()));
        }
        for mode in [Mode::Alt0, Mode::Alt3, Mode::Alt5, Mode::Alt8] {
            let refused = free_of(mode).unwrap_err();
            assert!(refused.contains("works for the board itself"), "{refused}");
        }
    }

    #[test]
    fn stamps_and_sequence_of_an_event_are_kept() {
        let event = gpio::Event { timestamp: Duration::new(3, 7), seqno: 41, trigger: Trigger::RisingEdge };
        assert_eq!(edge(event), Edge { stamp_ns: 3_000_000_007, sequence: 41 });
    }
}
