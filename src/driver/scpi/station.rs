//! One instrument at work: a thread that reads it over and over and takes orders in between, so that neither a slow
//! reading nor a slow instrument holds up the others.

use std::collections::VecDeque;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TryRecvError, sync_channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::instrument::{Instrument, ORDER_ALLOWED};
use crate::config::instrument::Quantity;
use crate::driver::DriverError;

/// An order waits for a reading under way, and is then given its own time.
const ANSWERED_WITHIN: Duration = ORDER_ALLOWED.saturating_add(Duration::from_millis(2500));
/// Readings that wait to be fetched.
const MOST_WAITING: usize = 1000;

/// What an output is to be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Order {
    /// On, with a current limit other than the rig's where one is given.
    On(Option<f64>),
    /// Off, verified, and back at the rig's own voltage.
    Off,
    /// To this voltage, whether on or off; the rig's own when none is given.
    Level(Option<f64>),
}

/// A reading: which, what, and between which moments it was taken.
#[derive(Clone, Copy, Debug)]
pub(super) struct Taken {
    pub(super) slot: usize,
    pub(super) value: f64,
    pub(super) asked: Instant,
    pub(super) answered: Instant,
}

#[derive(Debug, Default)]
struct Shared {
    taken: VecDeque<Taken>,
    fault: Option<DriverError>,
}

type Reply = SyncSender<Result<(), DriverError>>;

/// The thread and the way to it.
#[derive(Debug)]
pub(super) struct Station {
    name: String,
    orders: Option<SyncSender<(Order, Reply)>>,
    shared: Arc<Mutex<Shared>>,
    thread: Option<JoinHandle<()>>,
}

impl Station {
    /// Begins to read `quantities` of `instrument`, in turn.
    pub(super) fn start(name: &str, instrument: Instrument, quantities: Vec<Quantity>) -> Result<Self, DriverError> {
        let shared = Arc::new(Mutex::new(Shared::default()));
        let (orders, asked) = sync_channel(4);
        let seen = Arc::clone(&shared);
        let thread = std::thread::Builder::new()
            .name(format!("instrument {name}"))
            .spawn(move || work(instrument, &quantities, &asked, &seen))
            .map_err(|error| DriverError::Open { what: format!("thread for {name}"), why: error.to_string() })?;
        Ok(Self { name: name.to_owned(), orders: Some(orders), shared, thread: Some(thread) })
    }

    /// Gives an order and waits until it is done.
    pub(super) fn order(&self, order: Order) -> Result<(), DriverError> {
        let what = || format!("instrument `{}`", self.name);
        let gone = || DriverError::Gone { what: what(), why: "its thread ended".to_owned() };
        let (reply, done) = sync_channel(1);
        self.orders.as_ref().ok_or_else(gone)?.try_send((order, reply)).map_err(|_| gone())?;
        match done.recv_timeout(ANSWERED_WITHIN) {
            Ok(outcome) => outcome,
            Err(RecvTimeoutError::Timeout) => {
                Err(DriverError::Late { what: what(), allowed_s: ANSWERED_WITHIN.as_secs_f64() })
            }
            Err(RecvTimeoutError::Disconnected) => Err(gone()),
        }
    }

    /// The readings since the last call.
    ///
    /// # Errors
    /// What went wrong with the instrument since it was opened.
    pub(super) fn fetch(&self) -> Result<Vec<Taken>, DriverError> {
        let mut shared = locked(&self.shared);
        match &shared.fault {
            Some(error) => Err(error.clone()),
            None => Ok(shared.taken.drain(..).collect()),
        }
    }
}

impl Drop for Station {
    fn drop(&mut self) {
        // The thread switches the output off when nobody can give orders any more.
        self.orders = None;
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn locked(shared: &Mutex<Shared>) -> MutexGuard<'_, Shared> {
    shared.lock().unwrap_or_else(PoisonError::into_inner)
}

fn work(
    mut instrument: Instrument,
    quantities: &[Quantity],
    orders: &Receiver<(Order, Reply)>,
    shared: &Mutex<Shared>,
) {
    let mut turn = 0;
    loop {
        let idle = quantities.is_empty() || locked(shared).fault.is_some();
        let next = if idle { orders.recv().map_err(|_| TryRecvError::Disconnected) } else { orders.try_recv() };
        match next {
            Ok((order, reply)) => {
                let outcome = match order {
                    Order::On(limit_a) => instrument.on(limit_a),
                    Order::Off => instrument.safe(),
                    Order::Level(volts) => instrument.level(volts),
                };
                let _ = reply.send(outcome);
                continue;
            }
            Err(TryRecvError::Disconnected) => break,
            Err(TryRecvError::Empty) => {}
        }
        let asked = Instant::now();
        let slot = turn % quantities.len();
        turn += 1;
        let read = instrument.read(quantities[slot]);
        let mut shared = locked(shared);
        match read {
            Ok(value) => {
                shared.taken.push_back(Taken { slot, value, asked, answered: Instant::now() });
                if shared.taken.len() > MOST_WAITING {
                    shared.taken.pop_front();
                }
            }
            Err(error) => shared.fault = Some(error),
        }
    }
    // Whoever wanted to know whether it worked has asked before.
    let _ = instrument.safe();
}
