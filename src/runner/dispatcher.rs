//! The outside world of a run: one `select!` over everything that can happen, on a small tokio runtime of its own.
//!
//! The stages run on a thread of their own that owns the bench; nothing here touches it. A first Ctrl-C or SIGTERM asks
//! for a safe stop, a second for an immediate one. A bench thread that gives no sign of life is given up: its safe state
//! is then not confirmed.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::thread;
use std::time::Duration;

use tokio::sync::mpsc::{Receiver, Sender, channel};
use tokio::time::{MissedTickBehavior, interval};

use crate::config::plan::Plan;
use crate::config::rig::Rig;
use crate::driver::{Bench, Offers};
use crate::record::event::Header;
use crate::record::preflight::Check;
use crate::record::recording::Recording;
use crate::results::{Stopped, StoppedBy};
use crate::runner::estimate;
use crate::runner::executor;
use crate::runner::looks::Advise;
use crate::runner::preflight;
use crate::runner::session::Session;
use crate::safety::{ArmError, Ended, Halt, Limits, Pulse, RecordSink, Rule, StopHandle, Supervisor, Trip};

/// What is to be run.
#[derive(Clone, Debug)]
pub struct RunRequest {
    /// The bench.
    pub rig: Rig,
    /// What to do.
    pub plan: Plan,
    /// First line of the record.
    pub header: Header,
    /// What was looked at before the bench was opened: host, papers, readings taken by hand. One that fails keeps the
    /// run from energising anything.
    pub checks: Vec<Check>,
    /// Tells which limits are open in the record so far; pure, since it is asked in the middle of the run.
    pub advise: Advise,
}

/// Follows a run. Called on the dispatcher's thread; everything has a default that does nothing.
pub trait Observer {
    /// The preflight is done; one line per thing that was looked at.
    fn preflight(&mut self, _checks: &[Check]) {}

    /// A stage begins.
    fn stage(&mut self, _index: usize, _count: usize, _name: &str) {}

    /// Time goes on: seconds of bench time passed, and about how many remain.
    fn progress(&mut self, _elapsed_s: f64, _remaining_s: f64) {}

    /// The run was stopped.
    fn trip(&mut self, _stopped: &Stopped) {}

    /// The run is over.
    fn done(&mut self, _outcome: &RunOutcome) {}
}

/// Watches nothing.
#[derive(Clone, Copy, Debug, Default)]
pub struct Quiet;

impl Observer for Quiet {}

/// How a run went.
#[derive(Clone, Debug)]
pub struct RunOutcome {
    /// Everything that was recorded; empty when the bench thread had to be given up.
    pub recording: Recording,
    /// Why it was stopped, if it was.
    pub stopped: Option<Stopped>,
    /// Whether measurement confirmed the safe state.
    pub safe_confirmed: bool,
    /// What stood against confirming it.
    pub safe_doubt: Option<String>,
    /// Time on the bench's own clock, seconds.
    pub bench_s: f64,
}

/// What can happen to a run.
#[derive(Debug)]
enum Input {
    /// The preflight is done.
    Preflight(Vec<Check>),
    /// The stages tell something.
    Stage { index: usize, name: &'static str },
    /// The bench thread is through.
    Done(Box<Ended>),
    /// The bench thread ended without a word.
    Lost,
    /// Ctrl-C or SIGTERM.
    Signal,
    /// Time to look.
    Tick,
}

/// What follows.
enum Response {
    GoOn,
    End(Box<RunOutcome>),
}

/// How often progress is shown and life is looked for.
const TICK: Duration = Duration::from_millis(100);
/// Without a sign of life for this long the bench thread is asked to stop, and after as long again given up. Drivers
/// bound every call to seconds themselves; this is for their failing.
const SILENT_TICKS: u32 = 300;

/// Runs `request` to its end and always comes back; blocks the calling thread.
///
/// The bench is safe afterwards, or [`RunOutcome::safe_confirmed`] is false and says why.
pub fn run(
    request: RunRequest,
    bench: Box<dyn Bench>,
    writer: impl RecordSink + 'static,
    observer: &mut dyn Observer,
    stop: StopHandle,
) -> RunOutcome {
    let (sender, receiver) = channel(64);
    let pulse = Pulse::default();
    let mut dispatcher = Dispatcher::new(&request.plan, pulse.clone(), stop.clone(), observer);
    let worker_stop = stop.clone();
    let work = move || {
        let ended = bench_thread(&request, bench, Box::new(writer), &worker_stop, pulse, &sender);
        // Fails only when the dispatcher gave this thread up: nobody is left to tell.
        let _told = sender.blocking_send(Input::Done(Box::new(ended)));
    };
    let spawned = thread::Builder::new().name("bench".to_owned()).spawn(work);
    let outcome = match spawned {
        Ok(_detached) => dispatcher.dispatch(receiver),
        Err(error) => host_failure(format!("cannot start the bench thread: {error}")),
    };
    observer.done(&outcome);
    outcome
}

fn host_failure(cause: String) -> RunOutcome {
    RunOutcome {
        recording: Recording::default(),
        stopped: Some(Stopped { cause, by: StoppedBy::Host, t_s: 0.0 }),
        safe_confirmed: false,
        safe_doubt: Some("the bench was not heard of".to_owned()),
        bench_s: 0.0,
    }
}

/// Owns the bench from here to its safe state.
fn bench_thread(
    request: &RunRequest,
    bench: Box<dyn Bench>,
    sink: Box<dyn RecordSink>,
    stop: &StopHandle,
    pulse: Pulse,
    sender: &Sender<Input>,
) -> Ended {
    let rig = offered(&request.rig, bench.offers());
    let limits = Limits::of(&rig, &request.plan, bench.offers());
    let mut supervisor = Supervisor::new(bench, limits, sink, request.header.clone(), stop.clone(), pulse);
    let (checks, zeros) = preflight::run(&mut supervisor, &rig, &request.checks);
    // A dispatcher that is gone has given this thread up; the stop handle tells that.
    let _told = sender.blocking_send(Input::Preflight(checks));
    let Some(zeros) = zeros else { return supervisor.finish(false) };
    let armed = match supervisor.arm() {
        Ok(armed) => armed,
        Err(error) => {
            refuse(&mut supervisor, &error);
            return supervisor.finish(false);
        }
    };
    let mut tell = |index, name| {
        // A dispatcher that is gone has given this thread up; the stop handle tells that.
        let _told = sender.blocking_send(Input::Stage { index, name });
    };
    let stages = catch_unwind(AssertUnwindSafe(|| {
        let mut session = Session::new(&mut supervisor, &armed, &rig, &request.plan, zeros);
        executor::execute(&mut session, &mut tell, request.advise)
    }));
    let finished = match stages {
        Ok(done) => done.is_ok(),
        Err(panic) => {
            let text = panic.downcast_ref::<String>().map(String::as_str);
            let text = text.or_else(|| panic.downcast_ref::<&str>().copied()).unwrap_or("no message");
            let trip = Trip::new(Rule::Program, StoppedBy::Host, format!("a stage panicked: {text}"));
            let _halted: Result<(), Halt> = supervisor.trip(&trip);
            false
        }
    };
    supervisor.finish(finished)
}

/// The rig without what its bench does not really offer.
fn offered(rig: &Rig, offers: &Offers) -> Rig {
    let mut rig = rig.clone();
    rig.channels.retain(|channel, _| offers.channels.contains(channel));
    rig.controls.retain(|control, _| offers.controls.contains(control));
    rig
}

fn refuse(supervisor: &mut Supervisor, error: &ArmError) {
    let by = match error {
        ArmError::Lacks(_) => StoppedBy::Rig,
        ArmError::Halted | ArmError::Twice => StoppedBy::Host,
    };
    // Stopped before it began: the first cause is kept.
    let _halted: Result<(), Halt> = supervisor.trip(&Trip::new(Rule::Program, by, error.to_string()));
}

struct Dispatcher<'a> {
    names: Vec<&'static str>,
    estimates_s: Vec<f64>,
    stage: usize,
    stage_began_s: f64,
    pulse: Pulse,
    beats: u64,
    silent_ticks: u32,
    stop: StopHandle,
    observer: &'a mut dyn Observer,
}

impl<'a> Dispatcher<'a> {
    fn new(plan: &Plan, pulse: Pulse, stop: StopHandle, observer: &'a mut dyn Observer) -> Self {
        Self {
            names: plan.stages.iter().map(crate::config::plan::Stage::name).collect(),
            estimates_s: plan.stages.iter().map(estimate::typical_s).collect(),
            stage: 0,
            stage_began_s: 0.0,
            pulse,
            beats: 0,
            silent_ticks: 0,
            stop,
            observer,
        }
    }

    fn dispatch(&mut self, receiver: Receiver<Input>) -> RunOutcome {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
        match runtime {
            Ok(runtime) => runtime.block_on(self.select(receiver)),
            Err(error) => {
                self.stop.stop();
                self.wait_blind(receiver, &error.to_string())
            }
        }
    }

    /// Without a runtime the run is stopped; its end is still waited for.
    fn wait_blind(&mut self, mut receiver: Receiver<Input>, error: &str) -> RunOutcome {
        loop {
            let input = receiver.blocking_recv().unwrap_or(Input::Lost);
            if let Response::End(mut outcome) = self.handle(input) {
                let cause = format!("cannot wait for signals: {error}");
                outcome.stopped = Some(Stopped { cause, by: StoppedBy::Host, t_s: outcome.bench_s });
                return *outcome;
            }
        }
    }

    async fn select(&mut self, mut receiver: Receiver<Input>) -> RunOutcome {
        let mut ticks = interval(TICK);
        ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut signals = Signals::listen();
        loop {
            let input = tokio::select! {
                told = receiver.recv() => told.unwrap_or(Input::Lost),
                () = signals.next() => Input::Signal,
                _ = ticks.tick() => Input::Tick,
            };
            if let Response::End(outcome) = self.handle(input) {
                return *outcome;
            }
        }
    }

    /// Everything that a run reacts to, in one place.
    fn handle(&mut self, input: Input) -> Response {
        match input {
            Input::Stage { index, name } => {
                (self.stage, self.stage_began_s) = (index, self.pulse.bench_s());
                self.observer.stage(index, self.names.len(), name);
                Response::GoOn
            }
            Input::Preflight(checks) => {
                self.observer.preflight(&checks);
                Response::GoOn
            }
            Input::Signal => {
                self.stop.stop();
                Response::GoOn
            }
            Input::Tick => self.tick(),
            Input::Done(ended) => self.done(*ended),
            Input::Lost => Response::End(Box::new(host_failure("the bench thread ended without a word".to_owned()))),
        }
    }

    fn tick(&mut self) -> Response {
        let beats = self.pulse.beats();
        self.silent_ticks = if beats == self.beats { self.silent_ticks + 1 } else { 0 };
        self.beats = beats;
        let elapsed_s = self.pulse.bench_s();
        let in_stage_s = elapsed_s - self.stage_began_s;
        let this_s = self.estimates_s.get(self.stage).map_or(0.0, |s| (s - in_stage_s).max(0.0));
        let later_s: f64 = self.estimates_s.iter().skip(self.stage + 1).sum();
        self.observer.progress(elapsed_s, this_s + later_s);
        if self.silent_ticks == SILENT_TICKS {
            self.stop.stop();
        }
        if self.silent_ticks < 2 * SILENT_TICKS {
            return Response::GoOn;
        }
        let mut outcome = host_failure("the bench gave no sign of life for a minute and was given up".to_owned());
        outcome.bench_s = elapsed_s;
        self.told_stop(&outcome);
        Response::End(Box::new(outcome))
    }

    fn done(&mut self, ended: Ended) -> Response {
        let outcome = RunOutcome {
            bench_s: ended.recording.end_s,
            recording: ended.recording,
            stopped: ended.stopped,
            safe_confirmed: ended.safe.is_ok(),
            safe_doubt: ended.safe.err(),
        };
        self.told_stop(&outcome);
        Response::End(Box::new(outcome))
    }

    fn told_stop(&mut self, outcome: &RunOutcome) {
        if let Some(stopped) = &outcome.stopped {
            self.observer.trip(stopped);
        }
    }
}

/// Ctrl-C and SIGTERM; where they cannot be listened to, the run goes on without (a note is not worth a stop).
struct Signals {
    #[cfg(unix)]
    term: Option<tokio::signal::unix::Signal>,
    interrupts: bool,
}

impl Signals {
    fn listen() -> Self {
        Self {
            #[cfg(unix)]
            term: tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate()).ok(),
            interrupts: true,
        }
    }

    /// The next signal; never, where none can come.
    async fn next(&mut self) {
        loop {
            #[cfg(unix)]
            let term = async {
                match &mut self.term {
                    Some(term) => term.recv().await,
                    None => std::future::pending().await,
                }
            };
            #[cfg(not(unix))]
            let term = std::future::pending::<Option<()>>();
            let interrupt =
                async { if self.interrupts { tokio::signal::ctrl_c().await } else { std::future::pending().await } };
            tokio::select! {
                _ = term => return,
                heard = interrupt => match heard {
                    Ok(()) => return,
                    Err(_) => self.interrupts = false,
                },
            }
        }
    }
}
