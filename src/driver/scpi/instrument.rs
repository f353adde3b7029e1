//! One instrument: commands, queries and its error queue (IEEE 488.2, SCPI-1999).
//!
//! Settings are followed by the error queue, so that an error is told with the command that caused it. Nothing is reset:
//! `*RST` may switch an output on, and the settings of the bench's owner are not ours to lose.

use std::time::{Duration, Instant};

use super::link::{Link, NoLine};
use crate::config::instrument::{Connection, InstrumentKind, InstrumentSpec, Quantity};
use crate::driver::DriverError;

/// Entries of an error queue that are read at a time; one that never empties must not hold us.
const MOST_ERRORS: usize = 20;
/// One order, all its commands together, takes no longer.
pub(super) const ORDER_ALLOWED: Duration = Duration::from_secs(3);
/// Readings from here on are an overload or no number (SCPI-1999, 7.2.1.4 and 7.2.1.5).
const OVERLOAD: f64 = 9.9e37;
/// Bits of the event status register that are errors: query, device, execution, command (IEEE 488.2, 11.5.1).
const ESR_ERRORS: u32 = 0b11_1100;

/// An instrument that answers.
#[derive(Debug)]
pub(super) struct Instrument {
    spec: InstrumentSpec,
    link: Link,
    /// What it says it is.
    pub(super) identity: String,
    /// Current limit in force, amperes, and voltage, volts; `None` when not known.
    limit_a: Option<f64>,
    volts: Option<f64>,
    /// Whether an answer may still be on its way that belongs to a query given up.
    astray: bool,
    gone: bool,
}

impl Instrument {
    /// Connects, asks who it is, clears its error queue and brings its output into the off state with the voltage and
    /// current of the rig.
    ///
    /// # Errors
    /// When it cannot be reached, is not the one that the rig names, or takes a command ill.
    pub(super) fn open(spec: &InstrumentSpec) -> Result<Self, DriverError> {
        let what = format!("instrument `{}` at {}", spec.name, spec.connect);
        let wrong = |why: String| DriverError::Open { what: what.clone(), why };
        let link = Link::open(spec, ORDER_ALLOWED).map_err(wrong)?;
        let (identity, limit_a, volts) = (String::new(), None, None);
        let mut instrument = Self { spec: spec.clone(), link, identity, limit_a, volts, astray: false, gone: false };
        let deadline = Instant::now() + ORDER_ALLOWED;
        instrument.link.drain(deadline).map_err(|none| instrument.none("opening", none))?;
        instrument.begin(deadline).map_err(|error| match (&spec.connect, &error) {
            (Connection::Serial { baud, .. }, DriverError::Late { .. } | DriverError::Answer { .. }) => {
                let (frame, end) = (spec.frame, spec.line_end.name());
                wrong(format!(
                    "no fitting answer came at {baud} baud, {frame}, lines that end in {end} ({error}); is it on, are \
                     these what its menu shows, and is the cable of the right kind?"
                ))
            }
            _ => error,
        })?;
        if let Some(due) = spec.identity.as_ref().filter(|due| !instrument.identity.contains(due.as_str())) {
            return Err(wrong(format!("it says it is \"{}\", which does not contain \"{due}\"", instrument.identity)));
        }
        instrument.errors("*IDN?", deadline)?;
        if let Some(volts) = spec.voltage {
            instrument.voltage(volts.get(), deadline)?;
        }
        if let Some(amps) = spec.current {
            instrument.limit(amps.get(), deadline)?;
        }
        Ok(instrument)
    }

    /// Off before anything else is asked: what it did for its last user is not known. Then who it is.
    fn begin(&mut self, deadline: Instant) -> Result<(), DriverError> {
        if self.spec.kind != InstrumentKind::Meter {
            self.off(deadline)?;
        }
        self.send("*CLS", deadline)?;
        self.identity = self.query("*IDN?", deadline)?;
        Ok(())
    }

    /// Reads a quantity.
    ///
    /// # Errors
    /// No answer in time, no number, an overload.
    pub(super) fn read(&mut self, quantity: Quantity) -> Result<f64, DriverError> {
        let query = self.spec.commands.query(quantity).to_owned();
        let deadline = Instant::now() + ORDER_ALLOWED;
        let answer = self.query(&query, deadline)?;
        let why = match number(&answer) {
            Some(value) if value.abs() < OVERLOAD => return Ok(value),
            Some(_) => format!("it answered `{}`, which means overload or no number", shortened(&answer)),
            None => format!("it answered `{}`, which is no number", shortened(&answer)),
        };
        // Its own words may say more.
        let more = self.errors(&query, deadline).err().map_or(String::new(), |error| format!("; {error}"));
        Err(DriverError::Answer { what: self.asked(&query), why: why + &more })
    }

    /// Goes to this voltage; `None` is that of the rig. What is no supply has none.
    ///
    /// # Errors
    /// When it takes the command ill.
    pub(super) fn level(&mut self, volts: Option<f64>) -> Result<(), DriverError> {
        let deadline = Instant::now() + ORDER_ALLOWED;
        match volts.or(self.spec.voltage.map(|own| own.get())) {
            Some(volts) if self.spec.kind == InstrumentKind::Supply => self.voltage(volts, deadline),
            _ => Ok(()),
        }
    }

    /// Output on with this current limit, amperes; `None` leaves the one of the rig.
    ///
    /// # Errors
    /// When it takes a command ill, or says that its output is still off.
    pub(super) fn on(&mut self, limit_a: Option<f64>) -> Result<(), DriverError> {
        let deadline = Instant::now() + ORDER_ALLOWED;
        let commands = self.spec.commands.clone();
        if self.volts.is_none() {
            self.level(None)?;
        }
        if let Some(amps) = limit_a.or(self.spec.current.map(|amps| amps.get())) {
            self.limit(amps, deadline)?;
        }
        self.order(&commands.on, None, deadline)?;
        let answer = self.query(&commands.state, deadline)?;
        if switched(&answer) == Some(true) {
            return Ok(());
        }
        let why = format!("it answered `{}` after `{}`: the output did not come on", shortened(&answer), commands.on);
        Err(DriverError::Answer { what: self.asked(&commands.state), why })
    }

    /// Output off, verified by asking, over a new connection where the old one went wrong.
    ///
    /// # Errors
    /// When it does not confirm it.
    pub(super) fn safe(&mut self) -> Result<(), DriverError> {
        if self.spec.kind == InstrumentKind::Meter {
            return Ok(());
        }
        let deadline = Instant::now() + ORDER_ALLOWED;
        if !self.gone {
            match self.off(deadline) {
                Ok(()) => {
                    // Off is what counts. A voltage that it does not take back here is set again, or told, before its
                    // output goes on.
                    let _ = self.level(None);
                    return Ok(());
                }
                Err(error) if !self.gone => return Err(error),
                Err(_) => {}
            }
        }
        let left = deadline.saturating_duration_since(Instant::now()).max(Duration::from_millis(500));
        self.link.open_anew(&self.spec, left).map_err(|why| {
            let what = format!("instrument `{}`", self.spec.name);
            DriverError::Gone { what, why: format!("it could not be reached anew to switch it off: {why}") }
        })?;
        (self.gone, self.astray) = (false, false);
        (self.limit_a, self.volts) = (None, None);
        self.off(Instant::now() + left)?;
        let _ = self.level(None);
        Ok(())
    }

    fn off(&mut self, deadline: Instant) -> Result<(), DriverError> {
        let commands = self.spec.commands.clone();
        self.send(&commands.off, deadline)?;
        let answer = self.query(&commands.state, deadline)?;
        if switched(&answer) == Some(false) {
            return Ok(());
        }
        let why = format!("it answered `{}` after `{}`: off is NOT confirmed", shortened(&answer), commands.off);
        Err(DriverError::Answer { what: self.asked(&commands.state), why })
    }

    /// Passes over late answers to what was given up, up to one that cannot be anything else: who it is. One of them
    /// might be taken for "off".
    fn find_back(&mut self, deadline: Instant) -> Result<(), DriverError> {
        self.link.drain(deadline).map_err(|none| self.none("*IDN?", none))?;
        self.send("*IDN?", deadline)?;
        loop {
            match self.link.line(deadline) {
                Ok(line) if line == self.identity => break,
                Ok(_) | Err(NoLine::Garbage(_)) => {}
                Err(none) => return Err(self.none("*IDN?", none)),
            }
        }
        self.astray = false;
        Ok(())
    }

    fn limit(&mut self, amps: f64, deadline: Instant) -> Result<(), DriverError> {
        if self.limit_a == Some(amps) {
            return Ok(());
        }
        self.limit_a = None;
        let command = self.spec.commands.set_current.clone();
        self.order(&command, Some(amps), deadline)?;
        self.limit_a = Some(amps);
        Ok(())
    }

    fn voltage(&mut self, volts: f64, deadline: Instant) -> Result<(), DriverError> {
        if self.volts == Some(volts) {
            return Ok(());
        }
        self.volts = None;
        let command = self.spec.commands.set_voltage.clone();
        self.order(&command, Some(volts), deadline)?;
        self.volts = Some(volts);
        Ok(())
    }

    /// A command that changes something, with what the instrument reports of it.
    fn order(&mut self, command: &str, value: Option<f64>, deadline: Instant) -> Result<(), DriverError> {
        let line = match value {
            Some(value) => command.replace("{}", &value.to_string()),
            None => command.to_owned(),
        };
        self.send(&line, deadline)?;
        self.errors(&line, deadline)
    }

    /// Reads the error queue until it is empty.
    fn errors(&mut self, cause: &str, deadline: Instant) -> Result<(), DriverError> {
        let mut found = Vec::new();
        match self.spec.commands.errors.clone() {
            Some(query) => {
                for _ in 0..MOST_ERRORS {
                    let entry = self.query(&query, deadline)?;
                    match entry.split(',').next().and_then(number) {
                        Some(code) if code.abs() < 0.5 => break,
                        Some(_) => found.push(shortened(&entry)),
                        None => {
                            let why =
                                format!("it answered `{}`, which is no entry of an error queue", shortened(&entry));
                            return Err(DriverError::Answer { what: self.asked(&query), why });
                        }
                    }
                }
            }
            // Without a queue the event status register tells at least that there was an error.
            None => {
                let answer = self.query("*ESR?", deadline)?;
                let bits = answer.parse::<u32>().map_err(|_| DriverError::Answer {
                    what: self.asked("*ESR?"),
                    why: format!("it answered `{}`, which is no register", shortened(&answer)),
                })?;
                if bits & ESR_ERRORS != 0 {
                    found.push(format!("event status register {bits}"));
                }
            }
        }
        if found.is_empty() {
            return Ok(());
        }
        Err(DriverError::Answer { what: self.asked(cause), why: format!("it reports {}", found.join("; ")) })
    }

    fn send(&mut self, line: &str, deadline: Instant) -> Result<(), DriverError> {
        self.link.send(line, deadline).map_err(|none| self.none(line, none))
    }

    /// Asks and waits for the one line of the answer, once what was given up before has come and gone.
    fn query(&mut self, query: &str, deadline: Instant) -> Result<String, DriverError> {
        if self.astray {
            self.find_back(deadline)?;
        }
        let deadline = deadline.min(Instant::now() + self.allowed());
        self.send(query, deadline)?;
        self.link.line(deadline).map_err(|none| self.none(query, none))
    }

    fn allowed(&self) -> Duration {
        Duration::from_secs_f64(self.spec.timeout.get())
    }

    fn asked(&self, line: &str) -> String {
        format!("`{line}` to instrument `{}`", self.spec.name)
    }

    fn none(&mut self, line: &str, none: NoLine) -> DriverError {
        self.astray = true;
        match none {
            NoLine::Late => DriverError::Late { what: self.asked(line), allowed_s: self.spec.timeout.get() },
            NoLine::Garbage(why) => DriverError::Answer { what: self.asked(line), why: format!("it answered {why}") },
            NoLine::Gone(why) => {
                self.gone = true;
                DriverError::Gone { what: format!("instrument `{}` (at `{line}`)", self.spec.name), why }
            }
        }
    }
}

/// A numeric answer (NR1, NR2, NR3), with or without a unit after a blank; no infinity, no comma.
fn number(text: &str) -> Option<f64> {
    let text = text.trim();
    let word = text.split_whitespace().next()?;
    word.parse::<f64>().ok().filter(|value| value.is_finite())
}

/// The state of an output as instruments tell it.
fn switched(text: &str) -> Option<bool> {
    match text.trim().to_ascii_uppercase().as_str() {
        "1" | "+1" | "ON" => Some(true),
        "0" | "+0" | "OFF" => Some(false),
        _ => None,
    }
}

/// What came, short enough for a message and without control characters.
fn shortened(text: &str) -> String {
    let short: String = text.chars().take(60).map(|c| if c.is_control() { '\u{fffd}' } else { c }).collect();
    if text.chars().count() > 60 { format!("{short}...") } else { short }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn answers_are_read_as_instruments_write_them() {
        for (text, value) in [("+1.30015E+01", 13.0015), ("13.0 V", 13.0), (" -0.002\r", -0.002), ("12", 12.0)] {
            assert_eq!(number(text), Some(value), "{text}");
        }
        for text in ["", "1,5", "inf", "nan", "ERR", "13V"] {
            assert_eq!(number(text), None, "{text}");
        }
        assert_eq!((switched("on"), switched("+0"), switched("0.0")), (Some(true), Some(false), None));
    }
}
