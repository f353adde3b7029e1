//! The kernel's CAN sockets: one for the frames of the signals in use and all error frames, stamped by the kernel where it
//! can; one that sends, and sees what became of it.

use std::io;
use std::time::{Duration, Instant, SystemTime};

use socketcan::{
    CanFilter, CanFrame, CanSocket, EmbeddedFrame, ExtendedId, Id, ShouldRetry, Socket, SocketOptions, StandardId,
};

use super::commands::Outgoing;
use super::controller::named;
use super::listener::{FrameSource, Received};
use super::sender::FrameSink;
use crate::driver::DriverError;
use crate::driver::can::signal::FrameId;

/// Bytes of frames that wait in the kernel: it drops what goes beyond without a word.
const KERNEL_BUFFER: usize = 1 << 20;
/// A stamp further from now than this shows a wall clock that was set in between.
const ODD_STAMP: Duration = Duration::from_secs(1);

/// A socket.
#[derive(Debug)]
pub(super) struct KernelSocket {
    socket: CanSocket,
    stamps: bool,
}

impl KernelSocket {
    /// Listens for `frames` on `interface`.
    pub(super) fn open(interface: &str, frames: impl IntoIterator<Item = FrameId>) -> Result<Self, DriverError> {
        let refused = |doing: &str, error: &io::Error| refused(interface, doing, error);
        let socket = CanSocket::open(interface).map_err(|error| refused("opening", &error))?;
        let filters: Vec<CanFilter> = frames.into_iter().map(filter).collect();
        socket.set_filters(&filters).map_err(|error| refused("asking for its frames", &error))?;
        socket.set_error_filter_accept_all().map_err(|error| refused("asking for error frames", &error))?;
        // The kernel may allow less than asked; what is then dropped shows as values that age.
        let _ = socket.as_raw_socket().set_recv_buffer_size(KERNEL_BUFFER);
        let stamps = socket.set_recv_timestamp(true).is_ok();
        Ok(Self { socket, stamps })
    }
}

impl FrameSource for KernelSocket {
    fn receive(&mut self, wait: Duration) -> io::Result<Option<Received>> {
        self.socket.set_read_timeout(wait)?;
        let read = if self.stamps {
            self.socket.read_frame_with_timestamp().map(|(frame, stamp)| (frame, Some(stamp)))
        } else {
            self.socket.read_frame().map(|frame| (frame, None))
        };
        match read {
            Ok((frame, stamp)) => {
                let (at, stamped) = moment(stamp, SystemTime::now(), Instant::now());
                Ok(Some(Received { frame, at, stamped }))
            }
            Err(error) if error.should_retry() || error.kind() == io::ErrorKind::Interrupted => Ok(None),
            Err(error) => Err(error),
        }
    }
}

/// The socket that sends.
#[derive(Debug)]
pub(super) struct KernelSender(CanSocket);

impl KernelSender {
    /// Opens `interface` to send `frames` and to see whoever sends such.
    pub(super) fn open(interface: &str, frames: impl IntoIterator<Item = FrameId>) -> Result<Self, DriverError> {
        let refused = |doing: &str, error: &io::Error| refused(interface, doing, error);
        let socket = CanSocket::open(interface).map_err(|error| refused("opening", &error))?;
        let filters: Vec<CanFilter> = frames.into_iter().map(filter).collect();
        socket.set_filters(&filters).map_err(|error| refused("asking for its own frames", &error))?;
        // Handed back by the controller once they were on the bus.
        socket.set_recv_own_msgs(true).map_err(|error| refused("asking for its own frames", &error))?;
        socket.set_nonblocking(true).map_err(|error| refused("asking not to wait", &error))?;
        Ok(Self(socket))
    }
}

impl FrameSink for KernelSender {
    fn send(&mut self, frame: &Outgoing) -> io::Result<()> {
        let id = match frame.id {
            FrameId::Standard(id) => StandardId::new(id).map(Id::Standard),
            FrameId::Extended(id) => ExtendedId::new(id).map(Id::Extended),
        };
        let made = id.and_then(|id| CanFrame::new(id, frame.payload()));
        self.0.write_frame(&made.ok_or(io::ErrorKind::InvalidInput)?)
    }

    fn seen(&mut self) -> io::Result<Option<(FrameId, Vec<u8>)>> {
        match self.0.read_frame() {
            Ok(frame) => Ok(Some((identifier(&frame), frame.data().to_vec()))),
            Err(error) if error.should_retry() || error.kind() == io::ErrorKind::Interrupted => Ok(None),
            Err(error) => Err(error),
        }
    }
}

fn refused(interface: &str, doing: &str, error: &io::Error) -> DriverError {
    DriverError::Open { what: named(interface), why: format!("{doing} failed: {error}") }
}

/// Identifier of a frame.
pub(super) fn identifier(frame: &impl EmbeddedFrame) -> FrameId {
    match frame.id() {
        Id::Standard(id) => FrameId::Standard(id.as_raw()),
        Id::Extended(id) => FrameId::Extended(id.as_raw()),
    }
}

/// A filter for one identifier: data frames alone, 11 and 29 bits told apart.
fn filter(frame: FrameId) -> CanFilter {
    let flags = libc::CAN_EFF_FLAG | libc::CAN_RTR_FLAG;
    match frame {
        FrameId::Standard(id) => CanFilter::new(u32::from(id), libc::CAN_SFF_MASK | flags),
        FrameId::Extended(id) => CanFilter::new(id | libc::CAN_EFF_FLAG, libc::CAN_EFF_MASK | flags),
    }
}

/// The stamp of the wall clock on the monotonic one, and whether it was of use.
fn moment(stamp: Option<SystemTime>, wall: SystemTime, now: Instant) -> (Instant, bool) {
    let age = stamp.and_then(|stamp| wall.duration_since(stamp).ok()).filter(|age| *age <= ODD_STAMP);
    match age.and_then(|age| now.checked_sub(age)) {
        Some(at) => (at, true),
        None => (now, false),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stamps_are_carried_to_the_monotonic_clock_unless_the_wall_clock_was_set() {
        let (wall, now) = (SystemTime::now(), Instant::now());
        let before = |seconds: f64| wall.checked_sub(Duration::from_secs_f64(seconds));
        let (at, stamped) = moment(before(0.003), wall, now);
        assert!(stamped && now.duration_since(at) == Duration::from_millis(3));
        for odd in [before(3600.0), wall.checked_add(Duration::from_secs(2)), None] {
            assert_eq!(moment(odd, wall, now), (now, false));
        }
    }
}
