//! The supervisor: owns the bench, shows every block to the interlock and the record before anybody else sees it, and
//! is the only way to energise and the only way to the safe state.
//!
//! Whatever ends a run (a trip, a failing bench or record, a stop, a panic, being dropped) ends in `Supervisor::halt`:
//! relay open, line released, verified by measurement. Software is the second line of defence.

use std::collections::BTreeMap;
use std::fmt;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use crate::bench::{Block, Channel, Pace, Setting, Supply};
use crate::driver::{Bench, Control, DriverError, Offers};
use crate::record::event::{Event, Header, Numbered, SpanKind, StageEnd};
use crate::record::preflight::Check;
use crate::record::recording::Recording;
use crate::record::writer::RecordWriter;
use crate::results::{ResultName, Stopped, StoppedBy};
use crate::safety::attendant::Attendant;
use crate::safety::interlock::{Input, Interlock, OffCommand, Rule, Trip};
use crate::safety::limits::Limits;
use crate::safety::stop::{Pulse, StopHandle, Urgency};

/// Where blocks and events are kept. Calls hand over and return; a failure is told at the next call at the latest.
pub trait RecordSink: Send {
    /// Keeps a block.
    ///
    /// # Errors
    /// What failed, for people.
    fn block(&mut self, block: &Arc<Block>) -> Result<(), String>;

    /// Keeps an event.
    ///
    /// # Errors
    /// What failed, for people.
    fn event(&mut self, event: &Numbered) -> Result<(), String>;

    /// Writes everything out.
    ///
    /// # Errors
    /// What failed, for people.
    fn finish(self: Box<Self>) -> Result<(), String>;
}

impl RecordSink for RecordWriter {
    fn block(&mut self, block: &Arc<Block>) -> Result<(), String> {
        Self::block(self, Arc::clone(block)).map_err(|error| error.to_string())
    }

    fn event(&mut self, event: &Numbered) -> Result<(), String> {
        Self::event(self, event).map_err(|error| error.to_string())
    }

    fn finish(self: Box<Self>) -> Result<(), String> {
        Self::finish(*self).map_err(|error| error.to_string())
    }
}

/// Keeps nothing: for looks at a bench that are no run and energise nothing.
#[derive(Debug, Default)]
pub struct Nowhere;

impl RecordSink for Nowhere {
    fn block(&mut self, _block: &Arc<Block>) -> Result<(), String> {
        Ok(())
    }

    fn event(&mut self, _event: &Numbered) -> Result<(), String> {
        Ok(())
    }

    fn finish(self: Box<Self>) -> Result<(), String> {
        Ok(())
    }
}

/// The run is over: the bench is in its safe state and every further call gives the same.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Halt;

/// Permission to energise, handed out once by [`Supervisor::arm`]; dropping it disarms.
#[derive(Debug)]
pub struct Armed(Arc<AtomicBool>);

impl Drop for Armed {
    fn drop(&mut self) {
        self.0.store(false, Ordering::Release);
    }
}

/// Why a run must not begin.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ArmError {
    /// Something that the least of rigs must have is missing.
    #[error("the bench offers no {0}; nothing is energised without it")]
    Lacks(&'static str),
    /// The run was stopped before.
    #[error("the run was stopped before it began")]
    Halted,
    /// It is armed already.
    #[error("the run is armed already")]
    Twice,
}

/// Longest read while the relay is closed, and while it is open, seconds.
const ENERGISED_READ_S: f64 = 0.02;
const REST_READ_S: f64 = 0.1;
/// Current must be gone this soon after the relay opened, and stay so this long.
const CURRENT_GONE_WITHIN_S: f64 = 1.0;
const CURRENT_GONE_FOR_S: f64 = 0.1;
/// Supply voltage must be gone, or be seen to fall, within this time.
const VOLTAGE_WITHIN_S: f64 = 6.0;
/// A contact that let go leaves less than this, or a voltage that falls by more than this share.
const VOLTAGE_GONE_V: f64 = 2.0;
const VOLTAGE_FALLS_SHARE: f64 = 0.003;

/// Owner of the bench during a run.
pub struct Supervisor {
    bench: Box<dyn Bench>,
    offers: Offers,
    interlock: Interlock,
    sink: Option<Box<dyn RecordSink>>,
    record_error: Option<String>,
    recording: Recording,
    seq: u64,
    spans: u64,
    open_spans: BTreeMap<u64, ()>,
    stage: Option<(usize, String)>,
    setting: Setting,
    armed: Arc<AtomicBool>,
    ever_armed: bool,
    stop: StopHandle,
    pulse: Pulse,
    stopped: Option<Stopped>,
    safe: Option<Result<(), String>>,
}

impl fmt::Debug for Supervisor {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Supervisor")
            .field("setting", &self.setting)
            .field("end_s", &self.recording.end_s)
            .field("stopped", &self.stopped)
            .field("safe", &self.safe)
            .finish_non_exhaustive()
    }
}

/// What is left when a run is over.
#[derive(Debug)]
pub struct Ended {
    /// Everything that was recorded.
    pub recording: Recording,
    /// Why it was stopped, if it was.
    pub stopped: Option<Stopped>,
    /// Whether measurement confirmed the safe state; else what was seen.
    pub safe: Result<(), String>,
}

impl Supervisor {
    /// Takes over a bench that was just opened (and is therefore off). Nothing is energised.
    ///
    /// The header is event 0 in memory; whoever made `sink` has written it there already.
    pub fn new(
        bench: Box<dyn Bench>,
        limits: Limits,
        sink: Box<dyn RecordSink>,
        header: Header,
        stop: StopHandle,
        pulse: Pulse,
    ) -> Self {
        let offers = bench.offers().clone();
        let mut supervisor = Self {
            bench,
            offers,
            interlock: Interlock::new(limits),
            sink: Some(sink),
            record_error: None,
            recording: Recording::default(),
            seq: 1,
            spans: 0,
            open_spans: BTreeMap::new(),
            stage: None,
            setting: Setting::SAFE,
            armed: Arc::new(AtomicBool::new(false)),
            ever_armed: false,
            stop,
            pulse,
            stopped: None,
            safe: None,
        };
        supervisor.recording.push_event(Numbered { seq: 0, t_s: 0.0, event: Event::Header(Box::new(header)) });
        supervisor
    }

    /// Hands out the permission to energise, once.
    ///
    /// # Errors
    /// When the bench lacks a supply switch or supply current, the record already failed, or the run was stopped.
    pub fn arm(&mut self) -> Result<Armed, ArmError> {
        if self.check().is_err() {
            return Err(ArmError::Halted);
        }
        if self.ever_armed {
            return Err(ArmError::Twice);
        }
        if !self.offers.controls.contains(&Control::SupplyOn) {
            return Err(ArmError::Lacks("supply switch"));
        }
        if !self.offers.channels.contains(&Channel::SupplyA) {
            return Err(ArmError::Lacks("supply current"));
        }
        self.ever_armed = true;
        self.armed.store(true, Ordering::Release);
        Ok(Armed(Arc::clone(&self.armed)))
    }

    /// What the bench offers.
    #[must_use]
    pub fn offers(&self) -> &Offers {
        &self.offers
    }

    /// What the run is held to.
    #[must_use]
    pub fn limits(&self) -> &Limits {
        &self.interlock.limits
    }

    /// Everything recorded so far.
    #[must_use]
    pub fn recording(&self) -> &Recording {
        &self.recording
    }

    /// End of the last block, seconds on the run's clock.
    #[must_use]
    pub fn now_s(&self) -> f64 {
        self.recording.end_s
    }

    /// The setting in force.
    #[must_use]
    pub fn setting(&self) -> Setting {
        self.setting
    }

    /// Applies `setting`; returns the time from which it holds.
    ///
    /// # Errors
    /// [`Halt`] when the run is stopped, or this stopped it.
    pub fn set(&mut self, armed: &Armed, setting: Setting) -> Result<f64, Halt> {
        self.check()?;
        if !Arc::ptr_eq(&armed.0, &self.armed) {
            let saw = "a permission to energise another bench was shown";
            return self.halt(&Trip::new(Rule::Program, StoppedBy::Host, saw));
        }
        if let Some(saw) = self.beyond_the_supply(&setting) {
            return self.halt(&Trip::new(Rule::Program, StoppedBy::Host, saw));
        }
        match self.bench.set(&setting) {
            Ok(t_s) => self.took(t_s, setting),
            Err(error) => return self.halt(&driver_trip(&error)),
        }
        self.check()?;
        Ok(self.recording.end_s)
    }

    /// Why no supply may be sent to the voltage of `setting`; plans were checked before, so that none should ask for it.
    fn beyond_the_supply(&self, setting: &Setting) -> Option<String> {
        let volts = setting.supply_v?;
        match self.interlock.limits.settable {
            None => Some(format!("{volts} were asked of a supply that cannot be set")),
            Some(range) if (range.lowest_v..=range.highest_v).contains(&volts.get()) => None,
            Some(range) => {
                let (low, high) = (range.lowest_v, range.highest_v);
                Some(format!("{volts} were asked of a supply that may be set from {low} V to {high} V"))
            }
        }
    }

    /// Lets `seconds` pass and keeps what was sampled, judged block by block.
    ///
    /// # Errors
    /// [`Halt`] when the run is stopped, or a block stopped it.
    pub fn read(&mut self, seconds: f64, pace: Pace) -> Result<(), Halt> {
        let mut left_s = seconds;
        while left_s > 1e-6 {
            self.check()?;
            if self.interlock.state.energised() && !self.armed.load(Ordering::Acquire) {
                let saw = "the permission to energise was dropped";
                return self.halt(&Trip::new(Rule::Program, StoppedBy::Host, saw));
            }
            let longest_s = if self.interlock.state.energised() { ENERGISED_READ_S } else { REST_READ_S };
            let asked_s = left_s.min(longest_s);
            left_s -= asked_s;
            match self.bench.read(asked_s, pace) {
                Ok(block) => {
                    let block = Arc::new(block);
                    let trip = self.interlock.step(Input::Block { block: &block, asked_s });
                    self.keep(&block);
                    if let Some(trip) = trip {
                        return self.halt(&trip);
                    }
                }
                Err(error) => return self.halt(&driver_trip(&error)),
            }
        }
        self.check()
    }

    /// Tells the interlock that `setting` is a command that stops the fan.
    pub fn off_known(&mut self, setting: Setting) {
        self.interlock.step(Input::OffKnown(OffCommand { setting }));
    }

    /// Stops the run for a reason that only the stages can see.
    ///
    /// # Errors
    /// Always [`Halt`].
    pub fn trip(&mut self, trip: &Trip) -> Result<(), Halt> {
        self.halt(trip)
    }

    /// A stage begins.
    pub fn begin_stage(&mut self, index: usize, stage: &str) {
        self.stage = Some((index, stage.to_owned()));
        self.write(self.recording.end_s, Event::StageBegin { index, stage: stage.to_owned() });
    }

    /// The stage ends.
    pub fn end_stage(&mut self, end: StageEnd) {
        if let Some((index, stage)) = self.stage.take() {
            self.write(self.recording.end_s, Event::StageEnd { index, stage, end });
        }
    }

    /// Somebody begins to flex the harness, or ends it; whether the bench plays that person itself.
    pub fn flex(&mut self, on: bool) -> bool {
        self.bench.flex(on)
    }

    /// Who attends the run.
    pub const fn attendant(&self) -> Option<&Attendant> {
        self.stop.attendant()
    }

    /// A span begins; its number.
    pub fn begin_span(&mut self, kind: SpanKind) -> u64 {
        let id = self.spans;
        self.spans += 1;
        self.open_spans.insert(id, ());
        self.write(self.recording.end_s, Event::SpanBegin { id, kind });
        id
    }

    /// A span ends.
    pub fn end_span(&mut self, id: u64, complete: Result<(), String>) {
        if self.open_spans.remove(&id).is_some() {
            self.write(self.recording.end_s, Event::SpanEnd { id, complete });
        }
    }

    /// Something was learned of the unit.
    pub fn learned(&mut self, what: &str, value: String) {
        self.write(self.recording.end_s, Event::Learned { what: what.to_owned(), value });
    }

    /// Limits that could not be told are looked at again.
    pub fn look(&mut self, number: u32, limits: BTreeMap<ResultName, String>, stages: Vec<String>) {
        self.write(self.recording.end_s, Event::Look { number, limits, stages });
    }

    /// What was looked at before anything is energised.
    pub fn preflight(&mut self, checks: Vec<Check>) {
        self.write(self.recording.end_s, Event::Preflight { checks });
    }

    /// Whether the supply contact is closed, by its own feedback; `None` where the bench has none.
    ///
    /// # Errors
    /// [`Halt`] when the run is stopped, or the bench failed at this.
    pub fn feedback(&mut self) -> Result<Option<bool>, Halt> {
        self.check()?;
        match self.bench.supply_feedback() {
            Ok(feedback) => Ok(feedback),
            Err(error) => self.halt(&driver_trip(&error)),
        }
    }

    /// Why the run was stopped, if it was.
    #[must_use]
    pub fn stopped(&self) -> Option<&Stopped> {
        self.stopped.as_ref()
    }

    /// Something worth telling.
    pub fn note(&mut self, text: impl Into<String>) {
        self.write(self.recording.end_s, Event::Note { text: text.into() });
    }

    /// Makes the bench safe (if that is not done yet), closes record and bench.
    #[must_use]
    pub fn finish(mut self, finished: bool) -> Ended {
        // Opens the relay before anything is waited for; `reach_safe` tells whether that was confirmed.
        let safe = self.reach_safe();
        let stopped_early = self.stopped.is_some();
        self.write(self.recording.end_s, Event::End { finished: finished && !stopped_early });
        let closed = self.sink.take().map_or(Ok(()), RecordSink::finish);
        if let Some(error) = self.record_error.take().or(closed.err()) {
            let t_s = self.recording.end_s;
            self.stopped.get_or_insert(Stopped { cause: format!("record: {error}"), by: StoppedBy::Record, t_s });
        }
        self.bench.close();
        Ended { recording: std::mem::take(&mut self.recording), stopped: self.stopped.take(), safe }
    }

    /// Whether the run may go on; a stop that was asked for or a record that failed ends it here.
    fn check(&mut self) -> Result<(), Halt> {
        if self.safe.is_some() {
            return Err(Halt);
        }
        if let Some(error) = &self.record_error {
            let trip = Trip::new(Rule::Record, StoppedBy::Record, format!("the record cannot be kept: {error}"));
            return self.halt(&trip);
        }
        if self.stop.urgency() > Urgency::None {
            return match self.interlock.step(Input::OperatorStop) {
                Some(trip) => self.halt(&trip),
                None => Err(Halt),
            };
        }
        Ok(())
    }

    /// Ends the run: trip recorded, safe state reached, open spans and stage closed. Always an error.
    fn halt<T>(&mut self, trip: &Trip) -> Result<T, Halt> {
        if self.safe.is_some() {
            return Err(Halt);
        }
        let t_s = self.recording.end_s;
        let cause = format!("{}: {}", trip.rule.name(), trip.saw);
        self.stopped.get_or_insert(Stopped { cause, by: trip.by, t_s });
        // The relay opens before anything else, the record's line included: it may be the record that hangs.
        let commanded = self.bench.make_safe();
        self.write(t_s, Event::Trip { rule: trip.rule.name().to_owned(), saw: trip.saw.clone(), by: trip.by });
        let open: Vec<u64> = self.open_spans.keys().copied().collect();
        for id in open {
            self.end_span(id, Err(format!("stopped: {}", trip.rule.name())));
        }
        self.end_stage(StageEnd::Stopped);
        // The outcome is kept and recorded; whoever finishes the run shows it.
        let _kept = self.verify_safe(commanded, Rule::Driver == trip.rule);
        Err(Halt)
    }

    /// Makes safe unless that was done; what measurement said of it.
    fn reach_safe(&mut self) -> Result<(), String> {
        if let Some(safe) = &self.safe {
            return safe.clone();
        }
        let commanded = self.bench.make_safe();
        self.verify_safe(commanded, false)
    }

    /// Measures that current and voltage go after `make_safe` and records what was seen. Of a bench that has failed
    /// no sample can be had any more: its answer to `make_safe` is then all there is, and the record says so.
    fn verify_safe(&mut self, commanded: Result<f64, DriverError>, failed: bool) -> Result<(), String> {
        let confirmed = match commanded {
            Ok(t_s) if failed => {
                self.took(t_s, Setting::SAFE);
                self.note("the bench failed but answered that it is safe; that could not be measured");
                Ok(())
            }
            Ok(t_s) => {
                self.took(t_s, Setting::SAFE);
                self.current_goes().and_then(|()| self.voltage_goes())
            }
            Err(error) => Err(error.to_string()),
        };
        self.safe = Some(confirmed.clone());
        self.write(self.recording.end_s, Event::Safe { confirmed: confirmed.clone() });
        confirmed
    }

    /// Waits until the current is gone; where it is not, commands the known off duty once more.
    fn current_goes(&mut self) -> Result<(), String> {
        let first = self.current_gone_within();
        let (Err(_), Some(off)) = (&first, self.interlock.state.off_command()) else { return first };
        self.note("current still flows with the relay commanded open: the off duty is commanded again");
        let again = Setting { supply: Supply::Off, ..off.setting };
        match self.bench.set(&again) {
            Ok(t_s) => self.took(t_s, again),
            Err(error) => return Err(error.to_string()),
        }
        self.current_gone_within()
    }

    fn current_gone_within(&mut self) -> Result<(), String> {
        let begin_s = self.recording.end_s;
        let (mut gone_for_s, mut seen_a) = (0.0, f64::NAN);
        while self.recording.end_s < begin_s + CURRENT_GONE_WITHIN_S {
            let block = self.unjudged_read(ENERGISED_READ_S)?;
            seen_a = block.mean(Channel::SupplyA).unwrap_or(f64::NAN);
            let gone = seen_a.abs() <= self.interlock.limits.off_a;
            gone_for_s = if gone { gone_for_s + block.duration_s } else { 0.0 };
            if gone_for_s >= CURRENT_GONE_FOR_S - 1e-9 {
                return Ok(());
            }
        }
        Err(format!("{seen_a:.2} A still flows {CURRENT_GONE_WITHIN_S:.0} s after the relay was commanded open"))
    }

    fn voltage_goes(&mut self) -> Result<(), String> {
        if !self.offers.channels.contains(&Channel::SupplyV) {
            return Ok(());
        }
        let begin_s = self.recording.end_s;
        let (mut first_v, mut seen_v) = (None, f64::NAN);
        while self.recording.end_s < begin_s + VOLTAGE_WITHIN_S {
            if self.stop.urgency() == Urgency::Now {
                return Err("stopped at once: the fall of the supply voltage was not waited for".to_owned());
            }
            let block = self.unjudged_read(REST_READ_S)?;
            seen_v = block.mean(Channel::SupplyV).unwrap_or(f64::NAN);
            let begin_v = *first_v.get_or_insert(seen_v);
            if seen_v.abs() < VOLTAGE_GONE_V || seen_v < begin_v * (1.0 - VOLTAGE_FALLS_SHARE) {
                return Ok(());
            }
        }
        Err(format!("{seen_v:.2} V still stands at the module {VOLTAGE_WITHIN_S:.0} s after the relay was opened"))
    }

    /// A read on the way to the safe state: kept, but nothing judges it any more.
    fn unjudged_read(&mut self, seconds: f64) -> Result<Arc<Block>, String> {
        let block = Arc::new(self.bench.read(seconds, Pace::Normal).map_err(|error| error.to_string())?);
        if block.duration_s.is_nan() || block.duration_s <= 0.0 {
            return Err("the bench gives no samples".to_owned());
        }
        self.keep(&block);
        Ok(block)
    }

    /// Notes that `setting` holds since `t_s`.
    fn took(&mut self, t_s: f64, setting: Setting) {
        self.setting = setting;
        self.interlock.step(Input::Set { t_s, setting: &setting });
        self.write(t_s, Event::Set { setting });
        self.pulse.beat(self.recording.end_s);
    }

    /// Keeps a block in record and memory. It is shared with the sink: copying fifty a second cost more than the writing.
    fn keep(&mut self, block: &Arc<Block>) {
        if block.lost > 0 {
            self.write(block.t0_s, Event::Lost { samples: block.lost });
        }
        if let Some(sink) = &mut self.sink
            && let Err(error) = sink.block(block)
        {
            self.record_error.get_or_insert(error);
        }
        self.recording.push_block(block);
        for text in self.bench.notes() {
            self.note(text);
        }
        self.pulse.beat(self.recording.end_s);
    }

    /// Numbers an event and keeps it in record and memory.
    fn write(&mut self, t_s: f64, event: Event) {
        let numbered = Numbered { seq: self.seq, t_s, event };
        self.seq += 1;
        if let Some(sink) = &mut self.sink
            && let Err(error) = sink.event(&numbered)
        {
            self.record_error.get_or_insert(error);
        }
        self.recording.push_event(numbered);
    }
}

impl Drop for Supervisor {
    /// The last net: a supervisor that goes away without [`Supervisor::finish`] leaves the bench safe.
    fn drop(&mut self) {
        if self.safe.is_none() {
            let trip = Trip::new(Rule::Program, StoppedBy::Host, "the run ended without being finished");
            let _halted: Result<(), Halt> = self.halt(&trip);
        }
    }
}

fn driver_trip(error: &DriverError) -> Trip {
    Trip::new(Rule::Driver, StoppedBy::Rig, error.to_string())
}
