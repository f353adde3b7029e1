//! The way to an instrument: lines over a TCP socket or a serial port, every wait bounded.

use std::fmt;
use std::fs::File;
use std::io::{self, Read as _, Write as _};
use std::net::{TcpStream, ToSocketAddrs as _};
use std::time::{Duration, Instant};

use crate::config::instrument::Connection;

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
    Serial(File),
}

/// An open connection.
pub(super) struct Link {
    wire: Wire,
    waiting: Vec<u8>,
}

impl fmt::Debug for Link {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Link").field("wire", &self.wire).finish_non_exhaustive()
    }
}

impl Link {
    /// Connects within `allowed`.
    ///
    /// # Errors
    /// Why it cannot, for people.
    pub(super) fn open(to: &Connection, allowed: Duration) -> Result<Self, String> {
        let wire = match to {
            Connection::Tcp(address) => Wire::Tcp(connect(address, allowed).map_err(|error| error.to_string())?),
            Connection::Serial { path, baud } => Wire::Serial(port(path, *baud)?),
        };
        Ok(Self { wire, waiting: Vec::new() })
    }

    /// Sends a line.
    ///
    /// # Errors
    /// When it does not go out in time or the connection is gone.
    pub(super) fn send(&mut self, line: &str, deadline: Instant) -> Result<(), NoLine> {
        let text = format!("{line}\n");
        let mut rest = text.as_bytes();
        while !rest.is_empty() {
            let left = left(deadline)?;
            let sent = match &mut self.wire {
                Wire::Tcp(stream) => {
                    stream.set_write_timeout(Some(left)).map_err(gone)?;
                    stream.write(rest)
                }
                Wire::Serial(port) => {
                    ready(port, false, left).map_err(gone)?;
                    port.write(rest)
                }
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
            if let Some(end) = self.waiting.iter().position(|byte| *byte == b'\n') {
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
        let came = match &mut self.wire {
            Wire::Tcp(stream) => {
                stream.set_read_timeout(Some(most)).map_err(gone)?;
                stream.read(&mut bytes)
            }
            Wire::Serial(port) => {
                if !ready(port, true, most).map_err(gone)? {
                    return Ok(0);
                }
                port.read(&mut bytes)
            }
        };
        match came {
            Ok(0) => Err(NoLine::Gone("it closed the connection".to_owned())),
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

/// Time up to the deadline, never zero: a zero time-out means for ever to a socket.
fn left(deadline: Instant) -> Result<Duration, NoLine> {
    let left = deadline.saturating_duration_since(Instant::now());
    if left.is_zero() { Err(NoLine::Late) } else { Ok(left) }
}

fn connect(address: &str, allowed: Duration) -> io::Result<TcpStream> {
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

/// A serial port in raw mode, 8 data bits, no parity, one stop bit, without flow control.
fn port(path: &std::path::Path, baud: u32) -> Result<File, String> {
    use rustix::fs::{Mode, OFlags, open};
    use rustix::termios::{ControlModes, OptionalActions, ioctl_tiocexcl, tcgetattr, tcsetattr};
    let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
    let port = open(path, flags, Mode::empty()).map_err(|error| error.to_string())?;
    let wrong = |error: rustix::io::Errno| format!("it is no serial port: {error}");
    let mut modes = tcgetattr(&port).map_err(wrong)?;
    // Two programs on one port take each other's answers.
    ioctl_tiocexcl(&port).map_err(wrong)?;
    modes.make_raw();
    modes.control_modes -= ControlModes::PARENB | ControlModes::CSTOPB | ControlModes::CRTSCTS;
    modes.control_modes |= ControlModes::CREAD | ControlModes::CLOCAL | ControlModes::CS8;
    modes.set_speed(baud).map_err(|error| format!("it cannot run at {baud} baud: {error}"))?;
    tcsetattr(&port, OptionalActions::Now, &modes).map_err(wrong)?;
    Ok(File::from(port))
}

/// Whether the port can be read (or written) within `most`.
fn ready(port: &File, reads: bool, most: Duration) -> io::Result<bool> {
    use rustix::event::{PollFd, PollFlags, Timespec, poll};
    let flags = if reads { PollFlags::IN } else { PollFlags::OUT };
    let mut ports = [PollFd::new(port, flags)];
    let most = Timespec { tv_sec: i64::try_from(most.as_secs()).unwrap_or(1), tv_nsec: i64::from(most.subsec_nanos()) };
    match poll(&mut ports, Some(&most)) {
        Ok(count) => Ok(count > 0),
        Err(rustix::io::Errno::INTR) => Ok(false),
        Err(error) => Err(error.into()),
    }
}
