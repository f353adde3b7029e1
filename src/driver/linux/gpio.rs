//! Lines of the GPIO character device: outputs for relays, inputs for contacts, edges for the tach.
//!
//! A line that another program or the kernel uses is refused. An output is switched off when its value is dropped; when
//! the process is killed the kernel releases the line, and its level is then up to the chip and the pull on the board:
//! a relay must be off with its line released (pull-down at the transistor), and a monostable on the heartbeat line
//! must hold it.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, TrySendError, sync_channel};
use std::thread::JoinHandle;
use std::time::Duration;

use gpiocdev::Request;
use gpiocdev::chip::Chip;
use gpiocdev::line::{EdgeDetection, EventClock, Value};
use gpiocdev::request::Builder;

use crate::config::address::Address;
use crate::driver::DriverError;

/// Name under which this program holds lines, as `gpioinfo` shows it.
const CONSUMER: &str = "galebench";
/// Edges that the kernel keeps for us, the most it allows for one line.
const KERNEL_EDGES: u32 = 1024;
/// Edges that wait for the reader: ten seconds at 4 000 a second.
const QUEUED_EDGES: usize = 40_000;
/// How often the edge thread looks whether it should end.
const LOOK: Duration = Duration::from_millis(50);

/// A line that was found and is free.
fn find(address: &Address) -> Result<(PathBuf, u32), DriverError> {
    let open = |why: String| DriverError::Open { what: address.to_string(), why };
    let Address::Gpio { chip: label, line } = address else {
        return Err(open("it is no line".to_owned()));
    };
    let mut found = Vec::new();
    let chips = gpiocdev::chip::chips().map_err(|error| open(format!("the GPIO chips cannot be listed: {error}")))?;
    for path in chips {
        // The line may be on another chip; that this one cannot be opened is told if it is not.
        let chip = match Chip::from_path(&path) {
            Ok(chip) => chip,
            Err(error) => {
                found.push(Err(format!("{} cannot be opened: {error}", path.display())));
                continue;
            }
        };
        let info = chip.info().map_err(|error| open(error.to_string()))?;
        if label.as_ref().is_some_and(|label| *label != info.label) {
            continue;
        }
        for offset in 0..info.num_lines {
            let line_info = chip.line_info(offset).map_err(|error| open(error.to_string()))?;
            let by_offset = label.is_some() && line.parse() == Ok(offset);
            if line_info.name == *line || by_offset {
                found.push(Ok((path.clone(), line_info)));
            }
        }
    }
    let lines: Vec<_> = found.iter().filter_map(|entry| entry.as_ref().ok()).collect();
    match lines.as_slice() {
        [(path, info)] if !info.used => Ok((path.clone(), info.offset)),
        [(_, info)] => {
            let by = if info.consumer.is_empty() { "the kernel" } else { info.consumer.as_str() };
            Err(open(format!("the line is in use by `{by}`: end that use, or name another line")))
        }
        [] => {
            let denied = found.iter().filter_map(|entry| entry.as_ref().err());
            let denied: String = denied.map(|why| format!(" ({why})")).collect();
            Err(open(format!("no chip has such a line; `gpioinfo` lists what there is{denied}")))
        }
        several => {
            Err(open(format!("{} lines have that name: write gpio:CHIP/OFFSET with the chip's label", several.len())))
        }
    }
}

/// Takes a free line for this program, as what `direction` makes of it.
fn take(
    address: &Address,
    active_low: bool,
    direction: impl FnOnce(&mut Builder) -> &mut Builder,
) -> Result<Request, DriverError> {
    let (chip, offset) = find(address)?;
    let mut builder = Request::builder();
    builder.on_chip(chip).with_consumer(CONSUMER).with_line(offset);
    if active_low {
        builder.as_active_low();
    }
    direction(&mut builder)
        .request()
        .map_err(|error| DriverError::Open { what: address.to_string(), why: error.to_string() })
}

fn failed(address: &Address, error: &gpiocdev::Error) -> DriverError {
    DriverError::Answer { what: address.to_string(), why: error.to_string() }
}

/// An output line, off when opened and off when dropped.
#[derive(Debug)]
pub(super) struct Switch {
    request: Request,
    address: Address,
    on: bool,
}

impl Switch {
    /// Takes the line as an output that is off.
    pub(super) fn open(address: &Address, active_low: bool) -> Result<Self, DriverError> {
        let request = take(address, active_low, |builder| builder.as_output(Value::Inactive))?;
        Ok(Self { request, address: address.clone(), on: false })
    }

    /// Switches, whatever it was before: what another hand did to the line is undone.
    pub(super) fn set(&mut self, on: bool) -> Result<(), DriverError> {
        let value = if on { Value::Active } else { Value::Inactive };
        self.request.set_lone_value(value).map_err(|error| failed(&self.address, &error))?;
        self.on = on;
        Ok(())
    }

    /// Turns it over.
    pub(super) fn toggle(&mut self) -> Result<(), DriverError> {
        self.set(!self.on)
    }
}

impl Drop for Switch {
    fn drop(&mut self) {
        // The device may be gone; then nothing can be switched.
        let _ = self.set(false);
    }
}

/// An input line.
#[derive(Debug)]
pub(super) struct Contact {
    request: Request,
    address: Address,
}

impl Contact {
    /// Takes the line as an input.
    pub(super) fn open(address: &Address, active_low: bool) -> Result<Self, DriverError> {
        let request = take(address, active_low, Builder::as_input)?;
        Ok(Self { request, address: address.clone() })
    }

    /// Whether it is active.
    pub(super) fn active(&self) -> Result<bool, DriverError> {
        let value = self.request.lone_value().map_err(|error| failed(&self.address, &error))?;
        Ok(value == Value::Active)
    }
}

/// Rising edges of a line with the kernel's timestamps, collected by a thread of its own.
#[derive(Debug)]
pub(super) struct Edges {
    queue: Receiver<u64>,
    lost: Arc<AtomicU64>,
    failed: Arc<AtomicBool>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
    address: Address,
}

impl Edges {
    /// Takes the line as an input with edge events on the monotonic clock.
    pub(super) fn open(address: &Address) -> Result<Self, DriverError> {
        let open = |why: String| DriverError::Open { what: address.to_string(), why };
        let (chip, offset) = find(address)?;
        let request = Request::builder()
            .on_chip(chip)
            .with_consumer(CONSUMER)
            .with_kernel_event_buffer_size(KERNEL_EDGES)
            .with_line(offset)
            .as_input()
            .with_edge_detection(EdgeDetection::RisingEdge)
            .with_event_clock(EventClock::Monotonic)
            .request()
            .map_err(|error| open(format!("no edge events: {error}")))?;
        let (sender, queue) = sync_channel(QUEUED_EDGES);
        let lost = Arc::new(AtomicU64::new(0));
        let (stop, failed) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicBool::new(false)));
        let shared = (Arc::clone(&lost), Arc::clone(&stop), Arc::clone(&failed));
        let thread = std::thread::Builder::new()
            .name("edges".to_owned())
            .spawn(move || {
                let (lost, stop, failed) = shared;
                let mut last: Option<u32> = None;
                while !stop.load(Ordering::Acquire) {
                    match request.wait_edge_event(LOOK) {
                        Ok(false) => continue,
                        Ok(true) => {}
                        Err(_) => return failed.store(true, Ordering::Release),
                    }
                    let Ok(event) = request.read_edge_event() else {
                        return failed.store(true, Ordering::Release);
                    };
                    // The kernel drops the oldest when its buffer is full; the sequence number tells.
                    let missed = last.map_or(0, |last| event.line_seqno.wrapping_sub(last).saturating_sub(1));
                    last = Some(event.line_seqno);
                    lost.fetch_add(u64::from(missed), Ordering::Relaxed);
                    match sender.try_send(event.timestamp_ns) {
                        Ok(()) => {}
                        Err(TrySendError::Full(_)) => {
                            lost.fetch_add(1, Ordering::Relaxed);
                        }
                        Err(TrySendError::Disconnected(_)) => return,
                    }
                }
            })
            .map_err(|error| open(format!("no thread for its edges: {error}")))?;
        Ok(Self { queue, lost, failed, stop, thread: Some(thread), address: address.clone() })
    }

    /// Adds the edges that came since the last call, nanoseconds of the monotonic clock.
    pub(super) fn take(&self, into: &mut Vec<u64>) -> Result<(), DriverError> {
        into.extend(self.queue.try_iter());
        if self.failed.load(Ordering::Acquire) {
            let why = "its edge events ended: the device was unplugged or its driver unbound".to_owned();
            return Err(DriverError::Gone { what: self.address.to_string(), why });
        }
        Ok(())
    }

    /// Edges that were lost since the last call.
    pub(super) fn take_lost(&self) -> u64 {
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
