//! The way to an instrument: lines over a TCP socket or a serial port, every wait bounded.

use std::fmt;
use std::io::{self, Read as _, Write as _};
use std::net::{TcpStream, ToSocketAddrs as _};
use std::time::{Duration, Instant};

use super::port::Port;
use crate::config::instrument::{Connection, InstrumentSpec, LineEnd};

/// An answer longer than this is none.
const MOST_BYTES: usize = 64 * 1024;
/// A line that waits is not older than this: what came before is thrown away.
const QUIET: Duration = Duration::from_millis(30);

/// Why no line came.
#[derive(Debug)]
pub(super) enum NoLine {
    /// Not in time.
    Late,
    /// The connection is gone.
    Gone(String),
    /// What came is no line.
    Garbage(String),
}

#[derive(Debug)]
enum Wire {
    Tcp(TcpStream),
    Serial(Port),
}

/// An open connection.
pub(super) struct Link {
    /// `None` once it was given up.
    wire: Option<Wire>,
    end: LineEnd,
    waiting: Vec<u8>,
}

impl fmt::Debug for Link {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Link").field("wire", &self.wire).finish_non_exhaustive()
    }
}

impl Link {
    /// Connects to an instrument within `allowed`.
    ///
    /// # Errors
    /// Why it cannot and what to look at, for people.
    pub(super) fn open(to: &InstrumentSpec, allowed: Duration) -> Result<Self, String> {
        Ok(Self { wire: Some(connect(to, allowed)?), end: to.line_end, waiting: Vec::new() })
    }

    /// Lets the connection go and makes it anew: a port that is held, and many an instrument, takes no second one.
    ///
    /// # Errors
    /// As [`Self::open`].
    pub(super) fn open_anew(&mut self, to: &InstrumentSpec, allowed: Duration) -> Result<(), String> {
        self.wire = None;
        self.waiting.clear();
        self.wire = Some(connect(to, allowed)?);
        Ok(())
    }

    /// Sends a line.
    ///
    /// # Errors
    /// When it does not go out in time or the connection is gone.
    pub(super) fn send(&mut self, line: &str, deadline: Instant) -> Result<(), NoLine> {
        let text = format!("{line}{}", self.end.text());
        let mut rest = text.as_bytes();
        while !rest.is_empty() {
            let left = left(deadline)?;
            let sent = match self.wire.as_mut().ok_or_else(given_up)? {
                Wire::Tcp(stream) => {
                    stream.set_write_timeout(Some(left)).map_err(gone)?;
                    stream.write(rest)
                }
                Wire::Serial(port) => port.write(rest, left),
            };
            match sent {
                Ok(0) => return Err(NoLine::Gone("it takes nothing any more".to_owned())),
                Ok(count) => rest = rest.get(count..).unwrap_or_default(),
                Err(error) if passing(&error) => {}
                Err(error) => return Err(gone(error)),
            }
        }
        Ok(())
    }

    /// The next line, without its end.
    ///
    /// # Errors
    /// See [`NoLine`].
    pub(super) fn line(&mut self, deadline: Instant) -> Result<String, NoLine> {
        loop {
            if let Some(end) = self.waiting.iter().position(|byte| *byte == self.end.last()) {
                let line: Vec<u8> = self.waiting.drain(..=end).collect();
                let text = String::from_utf8(line).map_err(|_| NoLine::Garbage("bytes that are no text".to_owned()))?;
                return Ok(text.trim().to_owned());
            }
            if self.waiting.len() > MOST_BYTES {
                self.waiting.clear();
                return Err(NoLine::Garbage(format!("more than {MOST_BYTES} bytes without the end of a line")));
            }
            self.receive(left(deadline)?)?;
        }
    }

    /// Throws away what comes until nothing comes for a moment: answers to what was given up.
    pub(super) fn drain(&mut self, deadline: Instant) -> Result<(), NoLine> {
        loop {
            let quiet = QUIET.min(left(deadline)?);
            match self.receive(quiet)? {
                0 => break,
                _ => self.waiting.clear(),
            }
        }
        self.waiting.clear();
        Ok(())
    }

    /// Takes what is there, waiting for `most`; how many bytes came.
    fn receive(&mut self, most: Duration) -> Result<usize, NoLine> {
        let mut bytes = [0; 4096];
        let (came, closed) = match self.wire.as_mut().ok_or_else(given_up)? {
            Wire::Tcp(stream) => {
                stream.set_read_timeout(Some(most)).map_err(gone)?;
                (stream.read(&mut bytes), "it closed the connection")
            }
            Wire::Serial(port) => (port.read(&mut bytes, most), "its port hung up; is the cable still in?"),
        };
        match came {
            Ok(0) => Err(NoLine::Gone(closed.to_owned())),
            Ok(count) => {
                self.waiting.extend_from_slice(&bytes[..count]);
                Ok(count)
            }
            Err(error) if passing(&error) => Ok(0),
            Err(error) => Err(gone(error)),
        }
    }
}

fn passing(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::WouldBlock | io::ErrorKind::TimedOut | io::ErrorKind::Interrupted)
}

#[expect(clippy::needless_pass_by_value, reason = "for map_err")]
fn gone(error: io::Error) -> NoLine {
    NoLine::Gone(error.to_string())
}

fn given_up() -> NoLine {
    NoLine::Gone("its connection was given up".to_owned())
}

/// Time up to the deadline, never zero: a zero time-out means for ever to a socket.
fn left(deadline: Instant) -> Result<Duration, NoLine> {
    let left = deadline.saturating_duration_since(Instant::now());
    if left.is_zero() { Err(NoLine::Late) } else { Ok(left) }
}

fn connect(to: &InstrumentSpec, allowed: Duration) -> Result<Wire, String> {
    match &to.connect {
        Connection::Tcp(address) => socket(address, allowed).map(Wire::Tcp).map_err(|error| {
            format!("{error}; is it on, is remote control enabled, does another program hold its one connection?")
        }),
        Connection::Serial { path, baud } => Port::open(path, *baud, to.frame).map(Wire::Serial),
    }
}

fn socket(address: &str, allowed: Duration) -> io::Result<TcpStream> {
    let mut last = io::Error::new(io::ErrorKind::NotFound, "the name has no address");
    for address in address.to_socket_addrs()? {
        match TcpStream::connect_timeout(&address, allowed) {
            Ok(stream) => {
                // Commands are short: without this they wait for more to come.
                stream.set_nodelay(true)?;
                return Ok(stream);
            }
            Err(error) => last = error,
        }
    }
    Err(last)
}
