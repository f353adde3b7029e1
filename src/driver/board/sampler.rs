//! Threads that take samples and hand them on through bounded queues. A queue that is full loses samples, which shows
//! as a gap in the stamps; nothing ever waits for the reader.

use std::fmt;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, TrySendError, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::realtime;
use crate::driver::DriverError;

/// Most readings in one sample.
pub(in crate::driver) const MOST_SLOTS: usize = 12;
/// Seconds of samples that wait for the reader.
const QUEUED_S: f64 = 4.0;
/// How often slow readings are taken.
const SLOW_EVERY: Duration = Duration::from_millis(250);

/// One reading of every channel of a source.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::driver) struct Tick {
    /// When, nanoseconds of the monotonic clock.
    pub(in crate::driver) stamp_ns: u64,
    /// What, in volts, amperes or degrees Celsius; as many as the source has channels.
    pub(in crate::driver) values: [f32; MOST_SLOTS],
}

/// Where samples come from.
pub(in crate::driver) trait Source: Send + fmt::Debug {
    /// Adds the samples that came, waiting for some for 50 ms at most.
    fn fetch(&mut self, into: &mut Vec<Tick>) -> Result<(), DriverError>;
}

/// One reading that is taken when asked.
pub(in crate::driver) trait Gauge: Send + fmt::Debug {
    /// The value now, in volts, amperes or degrees Celsius.
    fn value(&mut self) -> Result<f64, DriverError>;
}

/// The monotonic clock, nanoseconds.
#[expect(clippy::cast_sign_loss, reason = "the monotonic clock starts at boot and is never negative")]
pub(in crate::driver) fn now_ns() -> u64 {
    let now = rustix::time::clock_gettime(rustix::time::ClockId::Monotonic);
    now.tv_sec as u64 * 1_000_000_000 + now.tv_nsec as u64
}

type Fault = Arc<Mutex<Option<DriverError>>>;

/// A thread that samples one source.
#[derive(Debug)]
pub(in crate::driver) struct Sampler {
    queue: Receiver<Tick>,
    fault: Fault,
    stop: Arc<AtomicBool>,
    real_time: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Sampler {
    /// Starts sampling.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "rates are positive and bounded")]
    pub(in crate::driver) fn start(name: &str, mut source: Box<dyn Source>, rate_hz: f64) -> Result<Self, DriverError> {
        let (sender, queue) = sync_channel((QUEUED_S * rate_hz) as usize);
        let fault = Fault::default();
        let (stop, real_time) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicBool::new(false)));
        let shared = (Arc::clone(&fault), Arc::clone(&stop), Arc::clone(&real_time));
        let work = move || {
            let (fault, stop, real_time) = shared;
            real_time.store(realtime::raise(), Ordering::Release);
            let mut ticks = Vec::with_capacity(1024);
            while !stop.load(Ordering::Acquire) {
                ticks.clear();
                if let Err(error) = source.fetch(&mut ticks) {
                    *fault.lock().unwrap_or_else(PoisonError::into_inner) = Some(error);
                    return;
                }
                for tick in &ticks {
                    if let Err(TrySendError::Disconnected(_)) = sender.try_send(*tick) {
                        return;
                    }
                }
            }
        };
        Ok(Self { queue, fault, stop, real_time, thread: Some(spawn(name, work)?) })
    }

    /// The next sample, if one comes within `wait`.
    pub(in crate::driver) fn next(&self, wait: Duration) -> Result<Option<Tick>, DriverError> {
        match self.queue.recv_timeout(wait) {
            Ok(tick) => Ok(Some(tick)),
            Err(RecvTimeoutError::Timeout) => self.sound().map(|()| None),
            Err(RecvTimeoutError::Disconnected) => {
                self.sound()?;
                let why = "its thread ended".to_owned();
                Err(DriverError::Gone { what: "sampling".to_owned(), why })
            }
        }
    }

    /// Throws away what waits.
    pub(in crate::driver) fn clear(&self) {
        while self.queue.try_recv().is_ok() {}
    }

    /// Whether the thread runs under real-time scheduling.
    pub(in crate::driver) fn real_time(&self) -> bool {
        self.real_time.load(Ordering::Acquire)
    }

    fn sound(&self) -> Result<(), DriverError> {
        match &*self.fault.lock().unwrap_or_else(PoisonError::into_inner) {
            Some(error) => Err(error.clone()),
            None => Ok(()),
        }
    }
}

impl Drop for Sampler {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take() {
            // A thread that panicked has ended as well.
            let _ = thread.join();
        }
    }
}

fn spawn(name: &str, work: impl FnOnce() + Send + 'static) -> Result<JoinHandle<()>, DriverError> {
    std::thread::Builder::new()
        .name(name.to_owned())
        .spawn(work)
        .map_err(|error| DriverError::Open { what: format!("thread for {name}"), why: error.to_string() })
}

/// Moments at an even spacing.
#[derive(Debug)]
pub(in crate::driver) struct Pace {
    spacing_ns: u64,
    due_ns: u64,
}

impl Pace {
    /// Begins at the first wait.
    pub(in crate::driver) const fn new(spacing_ns: u64) -> Self {
        Self { spacing_ns, due_ns: 0 }
    }

    /// Waits for the next moment. What was slept through is missing; it is not made up for by going faster.
    pub(in crate::driver) fn wait(&mut self) {
        let now = now_ns();
        self.due_ns = if self.due_ns == 0 { now } else { self.due_ns + self.spacing_ns };
        if self.due_ns + self.spacing_ns <= now {
            self.due_ns += (now - self.due_ns) / self.spacing_ns * self.spacing_ns;
        }
        sleep_until(self.due_ns);
    }
}

/// Sleeps up to a moment of the monotonic clock.
fn sleep_until(due_ns: u64) {
    loop {
        let now = now_ns();
        if now >= due_ns {
            return;
        }
        std::thread::sleep(Duration::from_nanos(due_ns - now));
    }
}

/// The newest of each slow reading, with when it was taken.
type Newest = Arc<Mutex<Vec<Option<(f64, Instant)>>>>;

/// A thread that takes readings which may be slow (temperatures, current monitors) a few times a second.
#[derive(Debug)]
pub(in crate::driver) struct Slow {
    newest: Newest,
    fault: Fault,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Slow {
    /// Starts reading; the first values are there when this returns.
    pub(in crate::driver) fn start(mut readings: Vec<Box<dyn Gauge>>) -> Result<Self, DriverError> {
        let first: Result<Vec<_>, _> =
            readings.iter_mut().map(|r| r.value().map(|v| Some((v, Instant::now())))).collect();
        let (newest, fault) = (Arc::new(Mutex::new(first?)), Fault::default());
        let stop = Arc::new(AtomicBool::new(false));
        let shared = (Arc::clone(&newest), Arc::clone(&fault), Arc::clone(&stop));
        let work = move || {
            let (newest, fault, stop) = shared;
            while !stop.load(Ordering::Acquire) {
                std::thread::park_timeout(SLOW_EVERY);
                for (slot, reading) in readings.iter_mut().enumerate() {
                    match reading.value() {
                        Ok(value) => {
                            newest.lock().unwrap_or_else(PoisonError::into_inner)[slot] = Some((value, Instant::now()));
                        }
                        Err(error) => {
                            *fault.lock().unwrap_or_else(PoisonError::into_inner) = Some(error);
                            return;
                        }
                    }
                }
            }
        };
        Ok(Self { newest, fault, stop, thread: Some(spawn("slow readings", work)?) })
    }

    /// The newest value of a reading, unless it is older than `most`.
    pub(in crate::driver) fn value(&self, slot: usize, most: Duration) -> Result<f64, DriverError> {
        if let Some(error) = &*self.fault.lock().unwrap_or_else(PoisonError::into_inner) {
            return Err(error.clone());
        }
        let newest = self.newest.lock().unwrap_or_else(PoisonError::into_inner);
        match newest.get(slot).copied().flatten().filter(|(_, taken)| taken.elapsed() <= most) {
            Some((value, _)) => Ok(value),
            None => Err(DriverError::Late { what: "a slow reading".to_owned(), allowed_s: most.as_secs_f64() }),
        }
    }
}

impl Drop for Slow {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take() {
            thread.thread().unpark();
            let _ = thread.join();
        }
    }
}
