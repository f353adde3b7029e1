//! A thread that sends the frames of the controls again and again, and makes sure that they went out.
//!
//! What it sends is what was ordered last, for as long as the bench is used: left alone for [`ALIVE`] it goes over to the
//! frames of the safe state by itself, and to be dropped they are the last that it sends. A frame counts as sent when the
//! interface hands it back, which a controller does once somebody on the bus has acknowledged it.

use std::collections::{BTreeMap, VecDeque};
use std::io;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::commands::Outgoing;
use super::controller::{gone, named};
use super::signal::FrameId;
use crate::driver::DriverError;

/// An order that is not renewed for this long is given up for the safe state.
const ALIVE: Duration = Duration::from_millis(500);
/// Beyond two periods a frame may take this long until it is seen to have gone out.
const CONFIRMED_WITHIN: Duration = Duration::from_millis(150);
/// How often the interface is looked at while something is on its way.
const LOOK: Duration = Duration::from_millis(1);
/// A frame of which nothing was seen for this long was thrown away on its way, as it is when a controller leaves the bus.
const FORGOTTEN: Duration = Duration::from_secs(1);
/// Frames that are remembered to be on their way; the kernel's own queue is far shorter.
const MOST_UNDERWAY: usize = 256;

/// Where frames go.
pub(super) trait FrameSink: Send + 'static {
    /// Hands over a frame.
    ///
    /// # Errors
    /// As the kernel tells them; [`io::ErrorKind::WouldBlock`] where its queue is full.
    fn send(&mut self, frame: &Outgoing) -> io::Result<()>;

    /// The next frame with an identifier of ours that was on the bus, whoever sent it; `None` where none waits.
    ///
    /// # Errors
    /// As the kernel tells them.
    fn seen(&mut self) -> io::Result<Option<(FrameId, Vec<u8>)>>;
}

/// What is to be sent, and what became of it.
#[derive(Debug)]
struct State {
    order: Vec<Outgoing>,
    /// Raised with every order.
    number: u64,
    /// The order that was last seen to have gone out whole, and when it had.
    confirmed: (u64, Instant),
    /// When the bench was last used.
    used: Instant,
    lapsed: bool,
    fault: Option<DriverError>,
    stop: bool,
}

#[derive(Debug)]
struct Shared {
    state: Mutex<State>,
    changed: Condvar,
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl State {
    fn usable(&mut self) -> Result<(), DriverError> {
        self.used = Instant::now();
        if let Some(fault) = &self.fault {
            return Err(fault.clone());
        }
        if self.lapsed {
            let what = "the program (meanwhile the controls on the CAN bus were sent to the safe state)".to_owned();
            return Err(DriverError::Late { what, allowed_s: ALIVE.as_secs_f64() });
        }
        Ok(())
    }

    /// Puts an order in the place of the one before; its number.
    fn put(&mut self, order: &[Outgoing]) -> u64 {
        order.clone_into(&mut self.order);
        self.number += 1;
        self.number
    }
}

/// The thread and the way to it.
#[derive(Debug)]
pub(super) struct Sender {
    interface: String,
    shared: Arc<Shared>,
    safe: Vec<Outgoing>,
    period: Duration,
    thread: Option<JoinHandle<()>>,
}

impl Sender {
    /// Begins to send `safe` every `period`, and waits until it is seen to have gone out.
    ///
    /// # Errors
    /// When it does not: nobody acknowledges, or the interface does not take frames.
    pub(super) fn start(
        interface: &str,
        sink: Box<dyn FrameSink>,
        safe: Vec<Outgoing>,
        period: Duration,
    ) -> Result<Self, DriverError> {
        let now = Instant::now();
        let state = State {
            order: safe.clone(),
            number: 1,
            confirmed: (0, now),
            used: now,
            lapsed: false,
            fault: None,
            stop: false,
        };
        let shared = Arc::new(Shared { state: Mutex::new(state), changed: Condvar::new() });
        let work = Work {
            interface: interface.to_owned(),
            sink,
            shared: Arc::clone(&shared),
            safe: safe.clone(),
            period,
            handed: 0,
            underway: VecDeque::new(),
            seen: BTreeMap::new(),
            refused: None,
        };
        let thread = std::thread::Builder::new().name(format!("{interface} out")).spawn(move || work.run());
        let thread = thread.map_err(|error| DriverError::Open {
            what: format!("thread for {}", named(interface)),
            why: error.to_string(),
        })?;
        let sender = Self { interface: interface.to_owned(), shared, safe, period, thread: Some(thread) };
        sender.confirm(1)?;
        Ok(sender)
    }

    /// Has `frames` sent from now on, and waits until they are seen to have gone out; returns when they had.
    ///
    /// # Errors
    /// When they do not in time, when the bus failed before, and when the bench was left alone so long that the safe state
    /// went out. That is then what is sent on.
    pub(super) fn order(&self, frames: &[Outgoing]) -> Result<Instant, DriverError> {
        let number = {
            let mut state = self.shared.lock();
            state.usable()?;
            state.put(frames)
        };
        self.shared.changed.notify_all();
        self.confirm(number).inspect_err(|_| self.fall_back())
    }

    /// Has the safe state sent, whatever happened before, and waits until it is seen to have gone out.
    ///
    /// # Errors
    /// When it does not.
    pub(super) fn make_safe(&self) -> Result<Instant, DriverError> {
        let number = {
            let mut state = self.shared.lock();
            (state.fault, state.lapsed) = (None, false);
            state.put(&self.safe)
        };
        self.shared.changed.notify_all();
        self.confirm(number)
    }

    /// Has the safe state sent and waits for nothing.
    pub(super) fn fall_back(&self) {
        self.shared.lock().put(&self.safe);
        self.shared.changed.notify_all();
    }

    /// The bench is being used.
    ///
    /// # Errors
    /// When the bus failed, or when it was left alone so long that the safe state went out.
    pub(super) fn beat(&self) -> Result<(), DriverError> {
        self.shared.lock().usable()
    }

    fn confirm(&self, number: u64) -> Result<Instant, DriverError> {
        let allowed = allowed(self.period);
        let deadline = Instant::now() + allowed;
        let mut state = self.shared.lock();
        loop {
            if let Some(fault) = &state.fault {
                return Err(fault.clone());
            }
            if state.confirmed.0 >= number {
                return Ok(state.confirmed.1);
            }
            let left = deadline.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return Err(stuck(&self.interface, self.period));
            }
            state = self.shared.changed.wait_timeout(state, left).unwrap_or_else(PoisonError::into_inner).0;
        }
    }
}

impl Drop for Sender {
    fn drop(&mut self) {
        // Bounded, and what did not go out was told by `make_safe`; the receiver's own time limit is what remains.
        let _ = self.make_safe();
        self.shared.lock().stop = true;
        self.shared.changed.notify_all();
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// Time within which a frame must be seen to have gone out.
fn allowed(period: Duration) -> Duration {
    2 * period + CONFIRMED_WITHIN
}

fn stuck(interface: &str, period: Duration) -> DriverError {
    DriverError::Answer {
        what: named(interface),
        why: format!(
            "for {:.2} s no frame of the controls went out: nobody acknowledges them, or the bus is held. Is the node \
             powered, its bit rate the same, 60 Ohm between the lines?",
            allowed(period).as_secs_f64()
        ),
    }
}

/// A frame on its way.
struct Underway {
    number: u64,
    frame: Outgoing,
    since: Instant,
}

/// The thread's own side.
struct Work {
    interface: String,
    sink: Box<dyn FrameSink>,
    shared: Arc<Shared>,
    safe: Vec<Outgoing>,
    period: Duration,
    /// The last order that was handed over whole.
    handed: u64,
    underway: VecDeque<Underway>,
    /// The order that an identifier was last seen with, and when.
    seen: BTreeMap<FrameId, (u64, Instant)>,
    /// Since when the kernel has had no room.
    refused: Option<Instant>,
}

impl Work {
    fn run(mut self) {
        let mut due = Instant::now();
        loop {
            let (number, order) = {
                let mut state = self.shared.lock();
                if state.stop {
                    return;
                }
                if state.used.elapsed() > ALIVE && state.order != self.safe {
                    state.put(&self.safe);
                    state.lapsed = true;
                }
                (state.number, state.order.clone())
            };
            let now = Instant::now();
            if number != self.handed || now >= due {
                // What was missed is not made up for: only the newest order counts.
                due = now + self.period;
                self.send(number, &order);
            }
            self.look();
            let state = self.shared.lock();
            let left = due.saturating_duration_since(Instant::now());
            let wait = if state.confirmed.0 < state.number { left.min(LOOK) } else { left };
            if !state.stop && state.number == number {
                drop(self.shared.changed.wait_timeout(state, wait).unwrap_or_else(PoisonError::into_inner));
            }
        }
    }

    /// Hands all frames of an order over; where the kernel has no room the rest is tried again.
    fn send(&mut self, number: u64, order: &[Outgoing]) {
        for frame in order {
            match self.sink.send(frame) {
                Ok(()) => {
                    if self.underway.len() >= MOST_UNDERWAY {
                        self.underway.pop_front();
                    }
                    self.underway.push_back(Underway { number, frame: *frame, since: Instant::now() });
                    self.refused = None;
                }
                Err(error) if full(&error) => {
                    self.refused.get_or_insert_with(Instant::now);
                    return;
                }
                Err(error) => return self.failed(gone(&self.interface, &error)),
            }
        }
        self.handed = number;
    }

    /// Takes what was on the bus, and tells when nothing goes out any more.
    fn look(&mut self) {
        loop {
            match self.sink.seen() {
                Ok(None) => break,
                Ok(Some((id, data))) => self.saw(id, &data),
                Err(error) => return self.failed(gone(&self.interface, &error)),
            }
        }
        self.underway.retain(|underway| underway.since.elapsed() < FORGOTTEN);
        let allowed = allowed(self.period);
        let late = |underway: &Underway| {
            let seen = self.seen.get(&underway.frame.id);
            underway.since.elapsed() > allowed && seen.is_none_or(|(_, at)| at.elapsed() > allowed)
        };
        if self.underway.iter().any(late) || self.refused.is_some_and(|since| since.elapsed() > allowed) {
            self.failed(stuck(&self.interface, self.period));
        }
    }

    fn saw(&mut self, id: FrameId, data: &[u8]) {
        let is_own = |underway: &Underway| underway.frame.id == id && underway.frame.payload() == data;
        let Some(at) = self.underway.iter().position(is_own) else {
            let why = format!("somebody else sends frame {id} as well, which commands this bench: find and stop it");
            return self.failed(DriverError::Answer { what: named(&self.interface), why });
        };
        // What follows with the same data says nothing new: an order of that data has gone out with the first of them.
        let same = self.underway.iter().skip(at).filter(|underway| underway.frame.id == id);
        let number = same.take_while(|underway| is_own(underway)).map(|underway| underway.number).max();
        // Frames of one identifier keep their order: those before are not to come any more.
        let mut index = 0;
        self.underway.retain(|underway| {
            index += 1;
            index > at + 1 || underway.frame.id != id
        });
        let now = Instant::now();
        self.seen.insert(id, (number.unwrap_or_default(), now));
        let mut state = self.shared.lock();
        let whole = state.number;
        let out = |frame: &Outgoing| self.seen.get(&frame.id).is_some_and(|(number, _)| *number >= whole);
        if self.handed == whole && state.confirmed.0 < whole && state.order.iter().all(out) {
            state.confirmed = (whole, now);
            self.shared.changed.notify_all();
        }
    }

    /// Tells of a failure; the safe state is what is sent from here on.
    fn failed(&self, error: DriverError) {
        let mut state = self.shared.lock();
        if state.fault.is_none() {
            state.fault = Some(error);
            state.put(&self.safe);
        }
        self.shared.changed.notify_all();
    }
}

/// Whether the kernel has no room just now: its queue is 10 frames short by default.
fn full(error: &io::Error) -> bool {
    error.kind() == io::ErrorKind::WouldBlock || error.raw_os_error() == Some(libc::ENOBUFS)
}
