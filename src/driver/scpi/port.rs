//! A serial port, held for one program alone, raw and without flow control.
//!
//! Closing gives the port back; a port whose device was pulled reads as hung up and is found again by opening its path
//! anew, which is why rig files name it by `/dev/serial/by-id/`.

use std::fs::File;
use std::io::{self, Read as _, Write as _};
use std::path::Path;
use std::time::Duration;

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::{FlockOperation, Mode, OFlags, flock, open};
use rustix::io::Errno;
use rustix::termios::{
    ControlModes, OptionalActions, QueueSelector, Termios, ioctl_tiocexcl, ioctl_tiocnxcl, tcflush, tcgetattr,
    tcsetattr,
};

use crate::config::instrument::{Frame, Parity};

/// An open port.
#[derive(Debug)]
pub(super) struct Port(File);

impl Port {
    /// Opens the port, takes it for this program alone and throws away what waits in it.
    ///
    /// # Errors
    /// Why it cannot and what to do, for people.
    pub(super) fn open(path: &Path, baud: u32, frame: Frame) -> Result<Self, String> {
        let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
        let port = open(path, flags, Mode::empty()).map_err(|error| reason(path, error))?;
        let mut modes = tcgetattr(&port).map_err(|error| format!("it is no serial port: {error}"))?;
        // Two programs on one port take each other's answers. The kernel's own way does not hold against root, so the
        // lock that terminal programs look for is taken as well.
        flock(&port, FlockOperation::NonBlockingLockExclusive).map_err(|error| reason(path, error))?;
        ioctl_tiocexcl(&port).map_err(|error| format!("it cannot be held: {error}"))?;
        let port = Self(File::from(port));
        set(&mut modes, baud, frame)?;
        tcsetattr(&port.0, OptionalActions::Now, &modes)
            .and_then(|()| tcflush(&port.0, QueueSelector::IOFlush))
            .map_err(|error| format!("it takes no {frame} at {baud} baud: {error}"))?;
        Ok(port)
    }

    /// Writes what goes at once, waiting for room no longer than `most`; [`io::ErrorKind::WouldBlock`] where none came.
    pub(super) fn write(&mut self, bytes: &[u8], most: Duration) -> io::Result<usize> {
        self.ready(PollFlags::OUT, most)?;
        self.0.write(bytes)
    }

    /// Reads what is there, waiting no longer than `most`; [`io::ErrorKind::WouldBlock`] where nothing came, nothing at
    /// all from a port that hung up.
    pub(super) fn read(&mut self, bytes: &mut [u8], most: Duration) -> io::Result<usize> {
        self.ready(PollFlags::IN, most)?;
        self.0.read(bytes)
    }

    fn ready(&self, flags: PollFlags, most: Duration) -> io::Result<()> {
        let seconds = i64::try_from(most.as_secs()).unwrap_or(i64::MAX);
        let most = Timespec { tv_sec: seconds, tv_nsec: i64::from(most.subsec_nanos()) };
        match poll(&mut [PollFd::new(&self.0, flags)], Some(&most)) {
            Ok(0) => Err(io::ErrorKind::WouldBlock.into()),
            Ok(_) => Ok(()),
            Err(error) => Err(error.into()),
        }
    }
}

impl Drop for Port {
    fn drop(&mut self) {
        // Some other handle, such as one that a child process inherited, would keep the port from everybody.
        let _ = ioctl_tiocnxcl(&self.0);
    }
}

fn set(modes: &mut Termios, baud: u32, frame: Frame) -> Result<(), String> {
    modes.make_raw();
    let modes_of_a_frame = ControlModes::CSIZE | ControlModes::PARENB | ControlModes::PARODD | ControlModes::CSTOPB;
    modes.control_modes -= modes_of_a_frame | ControlModes::CRTSCTS;
    modes.control_modes |= ControlModes::CREAD | ControlModes::CLOCAL;
    modes.control_modes |= if frame.seven_bits { ControlModes::CS7 } else { ControlModes::CS8 };
    modes.control_modes |= match frame.parity {
        Parity::None => ControlModes::empty(),
        Parity::Even => ControlModes::PARENB,
        Parity::Odd => ControlModes::PARENB | ControlModes::PARODD,
    };
    if frame.two_stop_bits {
        modes.control_modes |= ControlModes::CSTOPB;
    }
    modes.set_speed(baud).map_err(|error| format!("it cannot run at {baud} baud: {error}"))
}

/// Why a port could not be had, and what to do.
fn reason(path: &Path, error: Errno) -> String {
    match error {
        Errno::NOENT | Errno::NODEV | Errno::NXIO => {
            "there is no such port; is its cable in, is the instrument on? `ls /dev/serial/by-id` names those there are"
                .to_owned()
        }
        Errno::ACCESS | Errno::PERM => format!(
            "no permission; join the group that `ls -lL {}` shows, most often `sudo adduser $USER dialout`, and log in \
             again",
            path.display()
        ),
        Errno::BUSY | Errno::WOULDBLOCK => {
            format!("another program holds the port; `fuser {}` tells its number: close it", path.display())
        }
        error => error.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_to_do_is_told_with_each_reason() {
        let path = Path::new("/dev/serial/by-id/usb-supply");
        for (error, says) in [
            (Errno::NOENT, "is its cable in"),
            (Errno::ACCESS, "dialout"),
            (Errno::BUSY, "fuser /dev/serial/by-id/usb-supply"),
            (Errno::WOULDBLOCK, "another program holds the port"),
        ] {
            let reason = reason(path, error);
            assert!(reason.contains(says), "{reason}");
        }
    }
}
