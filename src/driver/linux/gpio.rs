//! Lines of the GPIO character device: outputs for relays, inputs for contacts, edges for the tach.
//!
//! A line that another program or the kernel uses is refused. An output is switched off when its value is dropped; when
//! the process is killed the kernel releases the line, and its level is then up to the chip and the pull on the board:
//! a relay must be off with its line released (pull-down at the transistor), and a monostable on the heartbeat line
//! must hold it.

use gpiocdev::Request;
use gpiocdev::line::{EdgeDetection, EventClock, Value};
use gpiocdev::request::Builder;

use crate::config::address::Address;
use crate::driver::DriverError;
use crate::driver::board::edges::{Edge, Edges};
use crate::driver::board::hold::{CONSUMER, find, take};
use crate::driver::board::ports::{Input, Output};

/// Edges that the kernel keeps for us, the most it allows for one line.
const KERNEL_EDGES: u32 = 1024;
/// Edges taken in one read.
const EDGES: usize = 64;

fn failed(address: &Address, error: &gpiocdev::Error) -> DriverError {
    DriverError::Answer { what: address.to_string(), why: error.to_string() }
}

/// An output line, off when opened and off when dropped.
#[derive(Debug)]
pub(super) struct Switch {
    request: Request,
    address: Address,
}

impl Switch {
    /// Takes the line as an output that is off.
    pub(super) fn open(address: &Address, active_low: bool) -> Result<Self, DriverError> {
        let request = take(address, active_low, |builder| builder.as_output(Value::Inactive))?;
        Ok(Self { request, address: address.clone() })
    }
}

impl Output for Switch {
    fn set(&mut self, on: bool) -> Result<(), DriverError> {
        let value = if on { Value::Active } else { Value::Inactive };
        self.request.set_lone_value(value).map(drop).map_err(|error| failed(&self.address, &error))
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
}

impl Input for Contact {
    fn active(&self) -> Result<bool, DriverError> {
        let value = self.request.lone_value().map_err(|error| failed(&self.address, &error))?;
        Ok(value == Value::Active)
    }
}

/// Takes the line as an input with edge events on the monotonic clock.
pub(super) fn edges(address: &Address) -> Result<Edges, DriverError> {
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
    // Through a buffer of our own: the library's call for one event reads up to eight and hands on the first.
    let size = request.edge_event_u64_size();
    let mut raw = vec![0; EDGES * size];
    let (mut at, mut filled) = (0, 0);
    Edges::collect(address, move |wait| {
        if at == filled {
            if !request.wait_edge_event(wait).map_err(drop)? {
                return Ok(None);
            }
            (at, filled) = (0, request.read_edge_events_into_slice(&mut raw).map_err(drop)?);
        }
        let event = request.edge_event_from_slice(&raw[at..filled]).map_err(drop)?;
        at += size;
        Ok(Some(Edge { stamp_ns: event.timestamp_ns, sequence: event.line_seqno }))
    })
}
