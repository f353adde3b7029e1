//! What the kernel tells of a CAN controller before the bus is listened to, and what must be true of it.

use std::io;

use socketcan::nl::{CanState, InterfaceDetails};
use socketcan::{CanCtrlMode, CanInterface};

use crate::config::can::CanSpec;
use crate::driver::DriverError;

/// A controller; `None` where the kernel does not tell.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Controller {
    pub(super) up: Option<bool>,
    pub(super) state: Option<CanState>,
    pub(super) listen_only: Option<bool>,
    pub(super) bitrate: Option<u32>,
    pub(super) restart_ms: Option<u32>,
}

impl Controller {
    /// Asks the kernel.
    ///
    /// # Errors
    /// When there is no such interface. What else cannot be asked stays unknown.
    pub(super) fn ask(interface: &str) -> Result<Self, DriverError> {
        let opened = CanInterface::open(interface).map_err(|error| DriverError::Open {
            what: named(interface),
            why: format!(
                "there is no such interface ({error}): `ip link` lists them; a controller without its driver or device \
                 tree overlay is not among them"
            ),
        })?;
        Ok(opened.details().map(Self::from).unwrap_or_default())
    }

    /// What is to be noted of a controller that will do.
    ///
    /// # Errors
    /// [`DriverError::Open`] with what to do about one that will not.
    pub(super) fn check(self, spec: &CanSpec) -> Result<Vec<String>, DriverError> {
        let name = &spec.interface;
        let refused = |why: String| Err(DriverError::Open { what: named(name), why });
        if self.up == Some(false) {
            return refused(format!("it is down: set it up with `ip link set {name} up type can bitrate RATE`"));
        }
        if self.state == Some(CanState::BusOff) {
            return refused(bus_off(name));
        }
        if spec.listen_only && self.listen_only == Some(false) {
            return refused(format!(
                "it acknowledges frames where the rig file asks for a listener: `ip link set {name} down`, then \
                 `ip link set {name} up type can bitrate RATE listen-only on`"
            ));
        }
        let sends = !spec.controls.is_empty();
        if sends && self.listen_only == Some(true) {
            return refused(format!(
                "it only listens, and the controls of the rig file are sent on it: `ip link set {name} down`, then \
                 `ip link set {name} up type can bitrate RATE listen-only off`"
            ));
        }
        let own = if sends {
            format!("this program sends its controls every {:.0} ms", 1e3 * spec.period.get())
        } else {
            "this program sends no frames".to_owned()
        };
        let mut notes = vec![match self.listen_only {
            Some(true) => format!("CAN controller `{name}` listens only"),
            Some(false) => format!("CAN controller `{name}` acknowledges frames; {own}"),
            None => format!("the kernel does not tell whether `{name}` listens only; {own}"),
        }];
        let rate = self.bitrate.map(|rate| format!("{rate} bit/s"));
        let state = self.state.map(|state| format!("state {state:?}"));
        let restart = self.restart_ms.filter(|ms| *ms > 0).map(|ms| {
            let then = if sends { "; safe values are what it sends then" } else { "" };
            format!("restarts by itself {ms} ms after bus-off, which stops the run all the same{then}")
        });
        let told: Vec<String> = [rate, state, restart].into_iter().flatten().collect();
        if !told.is_empty() {
            notes.push(format!("CAN controller `{name}`: {}", told.join(", ")));
        }
        Ok(notes)
    }
}

impl From<InterfaceDetails> for Controller {
    fn from(details: InterfaceDetails) -> Self {
        Self {
            up: Some(details.is_up),
            state: details.can.state,
            listen_only: details.can.ctrl_mode.map(|modes| modes.has_mode(CanCtrlMode::ListenOnly)),
            bitrate: details.can.bit_timing.map(|timing| timing.bitrate),
            restart_ms: details.can.restart_ms,
        }
    }
}

/// An interface as messages name it.
pub(super) fn named(interface: &str) -> String {
    format!("CAN interface `{interface}`")
}

/// What bus-off means and what to do about it.
pub(super) fn bus_off(interface: &str) -> String {
    format!(
        "its controller is off the bus after too many errors: supply off, look for CAN high and low swapped or shorted, \
         another bit rate, and 60 Ohm between the lines (a resistor of 120 Ohm at each end); then \
         `ip link set {interface} type can restart`"
    )
}

/// A call to the interface that failed, as people are told of it.
pub(super) fn gone(interface: &str, error: &io::Error) -> DriverError {
    let why = match error.raw_os_error() {
        Some(libc::ENETDOWN) => format!(
            "it went down: find out what set it down (`dmesg`), and set it up again with \
             `ip link set {interface} up type can bitrate RATE`"
        ),
        Some(libc::ENODEV | libc::ENXIO) => {
            "its controller was removed: plug it in again, and look for a loose cable".to_owned()
        }
        _ => format!("a call to it failed: {error}"),
    };
    DriverError::Gone { what: named(interface), why }
}

#[cfg(test)]
mod tests {
    //! No controller is at hand where tests run: what the kernel would tell is injected.
    use super::*;
    use crate::config::can::CanTarget;
    use crate::driver::Control;
    use crate::driver::can::signal::{ByteOrder, Coding, FrameId, Layout, Signal};
    use crate::units::Seconds;

    fn spec(listen_only: bool) -> CanSpec {
        CanSpec {
            interface: "can7".to_owned(),
            listen_only,
            channels: [].into(),
            period: Seconds(0.02),
            controls: [].into(),
        }
    }

    fn good() -> Controller {
        Controller {
            up: Some(true),
            state: Some(CanState::ErrorActive),
            listen_only: Some(true),
            bitrate: Some(500_000),
            restart_ms: Some(0),
        }
    }

    #[test]
    fn injected_a_controller_that_will_do_is_noted() {
        let notes = good().check(&spec(true)).unwrap().join("; ");
        assert!(notes.contains("listens only") && notes.contains("500000 bit/s, state ErrorActive"), "{notes}");
        assert!(!notes.contains("restarts"), "{notes}");
        let loud = Controller { listen_only: Some(false), restart_ms: Some(100), ..good() };
        let notes = loud.check(&spec(false)).unwrap().join("; ");
        assert!(notes.contains("acknowledges") && notes.contains("100 ms after bus-off"), "{notes}");
        assert!(notes.contains("sends no frames"), "{notes}");
    }

    #[test]
    fn injected_actuators_need_a_controller_that_sends() {
        let layout = Layout::new(0, 1, ByteOrder::Little, Coding::Unsigned).unwrap();
        let signal = Signal { frame: FrameId::Standard(0x210), layout, scale: 1.0, offset: 0.0, unit: String::new() };
        let target = CanTarget { name: "BenchSwitch.Supply".to_owned(), signal, bytes: 8 };
        let acts = CanSpec { controls: [(Control::SupplyOn, target)].into(), ..spec(false) };
        let error = good().check(&acts).unwrap_err().to_string();
        assert!(error.contains("only listens") && error.contains("listen-only off"), "{error}");
        let loud = Controller { listen_only: Some(false), restart_ms: Some(100), ..good() };
        let notes = loud.check(&acts).unwrap().join("; ");
        assert!(notes.contains("controls every 20 ms") && notes.contains("safe values are what"), "{notes}");
    }

    #[test]
    fn injected_one_that_will_not_is_refused_with_what_to_do() {
        let why = |controller: Controller| controller.check(&spec(true)).unwrap_err().to_string();
        let down = why(Controller { up: Some(false), ..good() });
        assert!(down.contains("`can7`") && down.contains("ip link set can7 up"), "{down}");
        let off = why(Controller { state: Some(CanState::BusOff), ..good() });
        assert!(off.contains("60 Ohm") && off.contains("restart"), "{off}");
        let loud = why(Controller { listen_only: Some(false), ..good() });
        assert!(loud.contains("listen-only on"), "{loud}");
    }

    #[test]
    fn injected_what_the_kernel_does_not_tell_is_said() {
        let notes = Controller { up: Some(true), ..Controller::default() }.check(&spec(true)).unwrap();
        assert!(notes.len() == 1 && notes[0].contains("does not tell"), "{notes:?}");
    }

    #[test]
    fn an_interface_that_is_not_there_is_named() {
        let error = Controller::ask("can-no-such").unwrap_err().to_string();
        assert!(error.contains("`can-no-such`") && error.contains("ip link"), "{error}");
    }
}
