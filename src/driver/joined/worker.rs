//! One bench of several on a thread of its own, so that none waits for another and none can hold up the way to the safe
//! state.

use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use crate::bench::{Block, Pace, Setting};
use crate::driver::{Bench, DriverError};

/// What a bench is asked.
#[derive(Clone, Copy, Debug)]
pub(super) enum Ask {
    Set(Setting),
    Read(f64, Pace),
    Safe,
    Feedback,
    Close,
}

/// What it answered.
#[derive(Debug)]
pub(super) enum Answer {
    Time(f64),
    Block(Block),
    Feedback(Option<bool>),
}

/// An answer with the host's times around it.
#[derive(Debug)]
pub(super) struct Timed {
    pub(super) asked: Instant,
    pub(super) answered: Instant,
    pub(super) answer: Result<Answer, DriverError>,
    pub(super) notes: Vec<String>,
}

/// The thread and the way to it.
#[derive(Debug)]
pub(super) struct Worker {
    name: &'static str,
    asks: Option<Sender<Ask>>,
    answers: Receiver<Timed>,
    /// Questions without an answer yet.
    open: usize,
    thread: Option<JoinHandle<()>>,
}

impl Worker {
    /// Takes `bench` over to a thread.
    pub(super) fn start(name: &'static str, mut bench: Box<dyn Bench>) -> Result<Self, DriverError> {
        let (asks, questions) = channel();
        let (sender, answers) = channel();
        let work = move || {
            // The end of the questions ends the thread, and dropping the bench makes it safe.
            for ask in questions {
                let asked = Instant::now();
                let answer = match ask {
                    Ask::Set(setting) => bench.set(&setting).map(Answer::Time),
                    Ask::Read(seconds, pace) => bench.read(seconds, pace).map(Answer::Block),
                    Ask::Safe => bench.make_safe().map(Answer::Time),
                    Ask::Feedback => bench.supply_feedback().map(Answer::Feedback),
                    Ask::Close => {
                        bench.close();
                        Ok(Answer::Feedback(None))
                    }
                };
                let timed = Timed { asked, answered: Instant::now(), answer, notes: bench.notes() };
                if sender.send(timed).is_err() {
                    break;
                }
            }
        };
        let thread = std::thread::Builder::new().name(format!("bench {name}")).spawn(work).map_err(|error| {
            DriverError::Open { what: format!("thread for driver `{name}`"), why: error.to_string() }
        })?;
        Ok(Self { name, asks: Some(asks), answers, open: 0, thread: Some(thread) })
    }

    /// Puts a question without waiting.
    pub(super) fn ask(&mut self, ask: Ask) -> Result<(), DriverError> {
        let gone = || self.gone();
        self.asks.as_ref().ok_or_else(gone)?.send(ask).map_err(|_| self.gone())?;
        self.open += 1;
        Ok(())
    }

    /// The answer to the last question; those to earlier ones that were given up are passed over. After
    /// [`DriverError::Late`] it can still be waited for.
    pub(super) fn answer(&mut self, allowed: Duration) -> Result<Timed, DriverError> {
        let deadline = Instant::now() + allowed;
        while self.open > 0 {
            match self.answers.recv_timeout(deadline.saturating_duration_since(Instant::now())) {
                Ok(timed) => {
                    self.open -= 1;
                    if self.open == 0 {
                        return Ok(timed);
                    }
                }
                Err(RecvTimeoutError::Timeout) => {
                    let what = format!("driver `{}`", self.name);
                    return Err(DriverError::Late { what, allowed_s: allowed.as_secs_f64() });
                }
                Err(RecvTimeoutError::Disconnected) => return Err(self.gone()),
            }
        }
        Err(self.gone())
    }

    fn gone(&self) -> DriverError {
        DriverError::Gone { what: format!("driver `{}`", self.name), why: "its thread ended".to_owned() }
    }
}

impl Drop for Worker {
    fn drop(&mut self) {
        self.asks = None;
        // One that hangs is left behind: waiting for it would hang the way out as well.
        if let Some(thread) = self.thread.take().filter(|_| self.open == 0) {
            let _ = thread.join();
        }
    }
}
