//! How other threads (signals, a terminal, tests) ask a run to stop, and how they see that it lives.

use std::sync::Arc;
use std::sync::atomic::{AtomicU8, AtomicU64, Ordering};

use super::attendant::Attendant;

/// How urgently a run should stop.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Urgency {
    /// Go on.
    None,
    /// Safe state, verified, record finished.
    Stop,
    /// Safe state at once, without waiting for proof that the capacitors bleed.
    Now,
}

/// The operator's ways into a run: asks it to stop, and knows who attends it, if anybody does. Clones ask the same run.
#[derive(Clone, Debug, Default)]
pub struct StopHandle {
    level: Arc<AtomicU8>,
    attendant: Option<Attendant>,
}

impl StopHandle {
    /// A handle that nobody has pulled, of a run that nobody attends.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// The same of a run with somebody at the bench.
    #[must_use]
    pub fn attended(attendant: Attendant) -> Self {
        Self { attendant: Some(attendant), ..Self::default() }
    }

    /// Who is at the bench.
    #[must_use]
    pub const fn attendant(&self) -> Option<&Attendant> {
        self.attendant.as_ref()
    }

    /// Asks for a stop; asked again, for an immediate one.
    pub fn stop(&self) {
        let more = |level: u8| Some(level.saturating_add(1).min(2));
        // The closure never refuses, so the result carries nothing.
        let _ = self.level.fetch_update(Ordering::AcqRel, Ordering::Acquire, more);
    }

    /// What was asked so far.
    #[must_use]
    pub fn urgency(&self) -> Urgency {
        match self.level.load(Ordering::Acquire) {
            0 => Urgency::None,
            1 => Urgency::Stop,
            _ => Urgency::Now,
        }
    }
}

/// Signs of life of the thread that owns the bench.
#[derive(Clone, Debug, Default)]
pub struct Pulse(Arc<PulseInner>);

#[derive(Debug, Default)]
struct PulseInner {
    beats: AtomicU64,
    bench_s_bits: AtomicU64,
}

impl Pulse {
    /// Another block came (or another call to the bench returned) at this time on the run's clock.
    pub(super) fn beat(&self, bench_s: f64) {
        self.0.bench_s_bits.store(bench_s.to_bits(), Ordering::Relaxed);
        self.0.beats.fetch_add(1, Ordering::Release);
    }

    /// Number of beats so far.
    #[must_use]
    pub fn beats(&self) -> u64 {
        self.0.beats.load(Ordering::Acquire)
    }

    /// Time on the run's clock at the last beat, seconds.
    #[must_use]
    pub fn bench_s(&self) -> f64 {
        f64::from_bits(self.0.bench_s_bits.load(Ordering::Relaxed))
    }
}
