//! A thread that takes frames as they come, from a socket or from whatever a test puts in its place.

use std::io;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, TryRecvError, TrySendError, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use socketcan::CanFrame;

use super::controller::{gone, named};
use crate::driver::DriverError;

/// Frames that wait to be fetched: more than two seconds of a full bus of 1 Mbit/s.
const MOST_WAITING: usize = 16_384;
/// How long a source may wait for a frame.
const WAIT: Duration = Duration::from_millis(50);

/// A frame and when it came.
#[derive(Clone, Copy, Debug)]
pub(super) struct Received {
    pub(super) frame: CanFrame,
    /// By the clock that all drivers of this host share.
    pub(super) at: Instant,
    /// Whether the kernel stamped it; else this is when it was taken up.
    pub(super) stamped: bool,
}

/// Where frames come from.
pub(super) trait FrameSource: Send + 'static {
    /// The next frame, error frames among them; `None` where none came within `wait`.
    ///
    /// # Errors
    /// As the kernel tells them.
    fn receive(&mut self, wait: Duration) -> io::Result<Option<Received>>;
}

/// The thread and the way to it.
#[derive(Debug)]
pub(super) struct Listener {
    queue: Receiver<Received>,
    fault: Arc<Mutex<Option<DriverError>>>,
    overrun: Arc<AtomicU64>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Listener {
    /// Begins to listen on `interface`.
    pub(super) fn start(interface: &str, mut source: impl FrameSource) -> Result<Self, DriverError> {
        let (sender, queue) = sync_channel(MOST_WAITING);
        let fault = Arc::new(Mutex::new(None));
        let (stop, overrun) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicU64::new(0)));
        let shared = (Arc::clone(&fault), Arc::clone(&stop), Arc::clone(&overrun));
        let name = interface.to_owned();
        let work = move || {
            let (fault, stop, overrun) = shared;
            while !stop.load(Ordering::Acquire) {
                match source.receive(WAIT) {
                    Ok(None) => {}
                    Ok(Some(received)) => match sender.try_send(received) {
                        Ok(()) => {}
                        Err(TrySendError::Full(_)) => {
                            overrun.fetch_add(1, Ordering::AcqRel);
                        }
                        Err(TrySendError::Disconnected(_)) => return,
                    },
                    Err(error) => {
                        *fault.lock().unwrap_or_else(PoisonError::into_inner) = Some(gone(&name, &error));
                        return;
                    }
                }
            }
        };
        let thread = std::thread::Builder::new().name(interface.to_owned()).spawn(work).map_err(|error| {
            let what = format!("thread for {}", named(interface));
            DriverError::Open { what, why: error.to_string() }
        })?;
        Ok(Self { queue, fault, overrun, stop, thread: Some(thread) })
    }

    /// The next frame that waits.
    ///
    /// # Errors
    /// When nothing comes any more, after all that came before was fetched.
    pub(super) fn next(&self) -> Result<Option<Received>, DriverError> {
        match self.queue.try_recv() {
            Ok(received) => Ok(Some(received)),
            Err(TryRecvError::Empty) => Ok(None),
            Err(TryRecvError::Disconnected) => {
                let fault = self.fault.lock().unwrap_or_else(PoisonError::into_inner).clone();
                let ended = || DriverError::Gone { what: "the CAN bus".to_owned(), why: "its thread ended".to_owned() };
                Err(fault.unwrap_or_else(ended))
            }
        }
    }

    /// Frames thrown away since the last call because nobody fetched them.
    pub(super) fn take_overrun(&self) -> u64 {
        self.overrun.swap(0, Ordering::AcqRel)
    }
}

impl Drop for Listener {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take() {
            // A thread that panicked has ended as well.
            let _ = thread.join();
        }
    }
}
