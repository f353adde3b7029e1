//! Rising edges of a line with the kernel's timestamps, collected by a thread of its own. Lost edges are counted by the
//! sequence numbers of the events, never closed up.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, TrySendError, sync_channel};
use std::thread::JoinHandle;
use std::time::Duration;

use crate::config::address::Address;
use crate::driver::DriverError;

/// Edges that wait for the reader: ten seconds at 4 000 a second.
const QUEUED: usize = 40_000;
/// How often the thread looks whether it should end.
const LOOK: Duration = Duration::from_millis(50);

/// An edge as the kernel tells it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::driver) struct Edge {
    /// When, nanoseconds of the monotonic clock.
    pub(in crate::driver) stamp_ns: u64,
    /// Counts the events of the line.
    pub(in crate::driver) sequence: u32,
}

/// Edges that come.
#[derive(Debug)]
pub(in crate::driver) struct Edges {
    queue: Receiver<u64>,
    lost: Arc<AtomicU64>,
    failed: Arc<AtomicBool>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
    address: Address,
}

impl Edges {
    /// Collects what `next` gives: an edge that came within the time, none, or that no more will come.
    pub(in crate::driver) fn collect(
        address: &Address,
        mut next: impl FnMut(Duration) -> Result<Option<Edge>, ()> + Send + 'static,
    ) -> Result<Self, DriverError> {
        let (sender, queue) = sync_channel(QUEUED);
        let lost = Arc::new(AtomicU64::new(0));
        let (stop, failed) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicBool::new(false)));
        let shared = (Arc::clone(&lost), Arc::clone(&stop), Arc::clone(&failed));
        let work = move || {
            let (lost, stop, failed) = shared;
            let mut last: Option<u32> = None;
            while !stop.load(Ordering::Acquire) {
                let edge = match next(LOOK) {
                    Ok(Some(edge)) => edge,
                    Ok(None) => continue,
                    Err(()) => return failed.store(true, Ordering::Release),
                };
                // The kernel drops the oldest when its buffer is full; the sequence number tells.
                let missed = last.map_or(0, |last| edge.sequence.wrapping_sub(last).saturating_sub(1));
                last = Some(edge.sequence);
                lost.fetch_add(u64::from(missed), Ordering::Relaxed);
                match sender.try_send(edge.stamp_ns) {
                    Ok(()) => {}
                    Err(TrySendError::Full(_)) => {
                        lost.fetch_add(1, Ordering::Relaxed);
                    }
                    Err(TrySendError::Disconnected(_)) => return,
                }
            }
        };
        let thread = std::thread::Builder::new().name("edges".to_owned()).spawn(work);
        let open = |why: String| DriverError::Open { what: address.to_string(), why };
        let thread = thread.map_err(|error| open(format!("no thread for its edges: {error}")))?;
        Ok(Self { queue, lost, failed, stop, thread: Some(thread), address: address.clone() })
    }

    /// Adds the edges that came since the last call, nanoseconds of the monotonic clock.
    pub(in crate::driver) fn take(&self, into: &mut Vec<u64>) -> Result<(), DriverError> {
        into.extend(self.queue.try_iter());
        if self.failed.load(Ordering::Acquire) {
            let why = "its edge events ended: the device was unplugged or its driver unbound".to_owned();
            return Err(DriverError::Gone { what: self.address.to_string(), why });
        }
        Ok(())
    }

    /// Edges that were lost since the last call.
    pub(in crate::driver) fn take_lost(&self) -> u64 {
        self.lost.swap(0, Ordering::Relaxed)
    }
}

impl Drop for Edges {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take() {
            // A thread that panicked has ended as well.
            let _ = thread.join();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn edges_that_the_kernel_dropped_are_counted_and_the_end_is_told() {
        let address = Address::Gpio { chip: None, line: "tach".to_owned() };
        let mut came = [(100, u32::MAX - 1), (200, u32::MAX), (300, 0), (700, 4), (800, 5)].into_iter();
        let edges = Edges::collect(&address, move |_| {
            came.next().map(|(stamp_ns, sequence)| Some(Edge { stamp_ns, sequence })).ok_or(())
        })
        .unwrap();
        let mut stamps = Vec::new();
        let error = loop {
            if let Err(error) = edges.take(&mut stamps) {
                break error.to_string();
            }
        };
        edges.take(&mut stamps).unwrap_err();
        assert_eq!(stamps, [100, 200, 300, 700, 800]);
        assert_eq!(edges.take_lost(), 3, "three numbers are missing between 0 and 4");
        assert!(error.contains("gpio:tach") && error.contains("edge events ended"), "{error}");
    }
}
