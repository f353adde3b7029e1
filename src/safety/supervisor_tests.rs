//! Whatever ends a run, the bench ends safe and the record says why.

use std::sync::{Arc, Mutex};

use super::interlock_tests::limits;
use super::stop::{Pulse, StopHandle};
use super::supervisor::{ArmError, Armed, RecordSink, Supervisor};
use crate::bench::{ActiveLevel, Block, Channel, Line, Pace, Setting, Supply};
use crate::driver::{Bench, Control, DriverError, Offers};
use crate::record::event::{Event, Header, Numbered, SpanKind, StageEnd};
use crate::results::StoppedBy;
use crate::units::{Duty, Hertz};

/// What the test sees of the bench from outside.
#[derive(Debug, Default)]
struct Seen {
    calls: Vec<String>,
    longest_energised_read_s: f64,
    safe: bool,
}

/// A bench with a fan that draws 20 A as soon as the relay closes, and switchable failings.
#[derive(Debug)]
struct Fake {
    offers: Offers,
    seen: Arc<Mutex<Seen>>,
    setting: Setting,
    now_s: f64,
    count: u32,
    opened_s: f64,
    fail_read_at_s: f64,
    fail_safe: bool,
    contact_welds: bool,
    off_duty_stops: bool,
}

impl Fake {
    fn new(seen: &Arc<Mutex<Seen>>) -> Self {
        let offers = Offers {
            channels: [Channel::SupplyV, Channel::SupplyA].into(),
            controls: [Control::SupplyOn, Control::DutyPct].into(),
            virtual_clock: true,
            ..Offers::default()
        };
        Self {
            offers,
            seen: Arc::clone(seen),
            setting: Setting::SAFE,
            now_s: 0.0,
            count: 0,
            opened_s: 0.0,
            fail_read_at_s: f64::INFINITY,
            fail_safe: false,
            contact_welds: false,
            off_duty_stops: false,
        }
    }

    fn levels(&self, t_s: f64) -> (f64, f64) {
        let stopped = self.off_duty_stops && self.setting.line == Line::Pwm && self.setting.duty == Duty::ZERO;
        match self.setting.supply {
            Supply::Off if !self.contact_welds => (13.0 * (-(t_s - self.opened_s) / 2.0).exp(), 0.0),
            _ if stopped => (13.0, 0.02),
            _ => (12.5, 20.0),
        }
    }
}

impl Bench for Fake {
    fn offers(&self) -> &Offers {
        &self.offers
    }

    fn set(&mut self, setting: &Setting) -> Result<f64, DriverError> {
        self.seen.lock().unwrap().calls.push(format!("set {:?} {}", setting.supply, setting.duty));
        self.setting = *setting;
        self.seen.lock().unwrap().safe = false;
        Ok(self.now_s)
    }

    fn read(&mut self, seconds: f64, _pace: Pace) -> Result<Block, DriverError> {
        if self.now_s >= self.fail_read_at_s {
            return Err(DriverError::Late { what: "read".to_owned(), allowed_s: 2.0 });
        }
        if self.setting.supply != Supply::Off {
            let mut seen = self.seen.lock().unwrap();
            seen.longest_energised_read_s = seen.longest_energised_read_s.max(seconds);
        }
        let (volts, amps) = self.levels(self.now_s);
        let mut noisy = |value: f64| -> Vec<f32> {
            (0..20)
                .map(|_| {
                    self.count += 1;
                    (value + 1e-3 * f64::from(self.count % 7)) as f32
                })
                .collect()
        };
        let channels = vec![(Channel::SupplyV, noisy(volts)), (Channel::SupplyA, noisy(amps))];
        let block = Block { t0_s: self.now_s, duration_s: seconds, channels, ..Block::default() };
        self.now_s += seconds;
        Ok(block)
    }

    fn make_safe(&mut self) -> Result<f64, DriverError> {
        self.seen.lock().unwrap().calls.push("safe".to_owned());
        if self.fail_safe {
            return Err(DriverError::Gone { what: "bench".to_owned(), why: "no answer".to_owned() });
        }
        if self.setting.supply != Supply::Off {
            self.opened_s = self.now_s;
        }
        self.setting = Setting::SAFE;
        self.seen.lock().unwrap().safe = true;
        Ok(self.now_s)
    }
}

#[derive(Debug, Default)]
struct Sink {
    events: Arc<Mutex<Vec<Numbered>>>,
    fail_after: Option<usize>,
    taken: usize,
}

impl Sink {
    fn take(&mut self) -> Result<(), String> {
        self.taken += 1;
        if self.fail_after.is_some_and(|n| self.taken > n) { Err("disk full".to_owned()) } else { Ok(()) }
    }
}

impl RecordSink for Sink {
    fn block(&mut self, _block: &Arc<Block>) -> Result<(), String> {
        self.take()
    }
    fn event(&mut self, event: &Numbered) -> Result<(), String> {
        self.events.lock().unwrap().push(event.clone());
        self.take()
    }
    fn finish(self: Box<Self>) -> Result<(), String> {
        Ok(())
    }
}

struct Rig {
    seen: Arc<Mutex<Seen>>,
    events: Arc<Mutex<Vec<Numbered>>>,
    stop: StopHandle,
    supervisor: Supervisor,
}

fn rig(bend: impl FnOnce(&mut Fake, &mut Sink)) -> Rig {
    let seen = Arc::default();
    let mut bench = Fake::new(&seen);
    let mut sink = Sink::default();
    bend(&mut bench, &mut sink);
    let mut limits = limits();
    limits.tach = false;
    limits.sensors.retain(|channel, _| bench.offers.channels.contains(channel));
    let (events, stop) = (Arc::clone(&sink.events), StopHandle::new());
    let supervisor =
        Supervisor::new(Box::new(bench), limits, Box::new(sink), Header::default(), stop.clone(), Pulse::default());
    Rig { seen, events, stop, supervisor }
}

fn running() -> Setting {
    Setting {
        supply: Supply::On,
        duty: Duty::clamped(0.5),
        active: ActiveLevel::Low,
        frequency: Hertz(140.0),
        line: Line::Pwm,
        supply_v: None,
    }
}

fn start(rig: &mut Rig) -> Armed {
    let armed = rig.supervisor.arm().unwrap();
    rig.supervisor.begin_stage(0, "hold");
    rig.supervisor.begin_span(SpanKind::Hold);
    rig.supervisor.set(&armed, running()).unwrap();
    armed
}

/// Ends the run and checks what must hold however it ended.
fn check_ended(rig: Rig, by: StoppedBy, rule: &str) {
    let ended = rig.supervisor.finish(false);
    let stopped = ended.stopped.unwrap();
    assert_eq!(stopped.by, by, "{stopped:?}");
    assert!(stopped.cause.starts_with(rule), "{stopped:?}");
    assert_eq!(ended.safe, Ok(()));
    assert!(rig.seen.lock().unwrap().safe);
    assert_eq!(ended.recording.spans[0].complete, Err(format!("stopped: {rule}")));
    assert_eq!(ended.recording.stages[0].end, Some(StageEnd::Stopped));
    let events = rig.events.lock().unwrap();
    assert!(events.iter().enumerate().all(|(i, numbered)| numbered.seq == i as u64 + 1));
    assert!(events.windows(2).all(|pair| pair[0].t_s <= pair[1].t_s));
    assert_eq!(events.last().unwrap().event, Event::End { finished: false });
}

#[test]
fn reads_are_split_and_nothing_energises_unarmed() {
    let mut rig = rig(|_, _| {});
    let armed = start(&mut rig);
    rig.supervisor.read(1.0, Pace::Normal).unwrap();
    assert!(rig.seen.lock().unwrap().longest_energised_read_s <= 0.02);
    assert_eq!(rig.supervisor.arm().err(), Some(ArmError::Twice));
    drop(armed);
    assert!(rig.supervisor.read(1.0, Pace::Normal).is_err());
    assert!(rig.supervisor.recording().end_s < 3.0, "the relay opens at once when the permission goes");
    check_ended(rig, StoppedBy::Host, "program");
}

#[test]
fn a_bench_without_supply_switch_or_current_is_not_armed() {
    let mut bare = rig(|bench, _| bench.offers.controls.clear());
    assert_eq!(bare.supervisor.arm().err(), Some(ArmError::Lacks("supply switch")));
    let mut blind = rig(|bench, _| {
        bench.offers.channels.remove(&Channel::SupplyA);
    });
    assert_eq!(blind.supervisor.arm().err(), Some(ArmError::Lacks("supply current")));
}

#[test]
fn a_record_that_cannot_be_written_is_not_armed() {
    let mut rig = rig(|_, sink| sink.fail_after = Some(0));
    rig.supervisor.note("the first thing to be kept");
    assert_eq!(rig.supervisor.arm().err(), Some(ArmError::Halted));
    assert!(!rig.seen.lock().unwrap().calls.iter().any(|call| call.starts_with("set")));
}

#[test]
fn operator_driver_and_record_each_end_safe_with_their_cause() {
    let mut stopped = rig(|_, _| {});
    let _armed = start(&mut stopped);
    stopped.stop.stop();
    assert!(stopped.supervisor.read(1.0, Pace::Normal).is_err());
    check_ended(stopped, StoppedBy::Operator, "operator_stop");

    let mut full = rig(|_, sink| sink.fail_after = Some(30));
    let _armed = start(&mut full);
    assert!(full.supervisor.read(5.0, Pace::Normal).is_err());
    assert!(full.supervisor.now_s() < 4.0, "a run that cannot be recorded is stopped at once");
    check_ended(full, StoppedBy::Record, "record");
}

#[test]
fn a_driver_that_fails_is_the_rigs_doing_and_its_answer_to_safe_is_taken_and_noted() {
    let mut rig = rig(|bench, _| bench.fail_read_at_s = 0.5);
    let _armed = start(&mut rig);
    assert!(rig.supervisor.read(1.0, Pace::Normal).is_err());
    let ended = rig.supervisor.finish(false);
    assert_eq!(ended.stopped.unwrap().by, StoppedBy::Rig);
    assert_eq!(ended.safe, Ok(()));
    assert!(rig.seen.lock().unwrap().safe, "the relay was commanded open");
    let notes = ended
        .recording
        .events
        .iter()
        .filter(|line| matches!(&line.event, Event::Note { text } if text.contains("could not be measured")));
    assert_eq!(notes.count(), 1);
}

#[test]
fn a_driver_that_fails_and_does_not_answer_safe_is_not_claimed_to_be() {
    let mut rig = rig(|bench, _| (bench.fail_read_at_s, bench.fail_safe) = (0.5, true));
    let _armed = start(&mut rig);
    assert!(rig.supervisor.read(1.0, Pace::Normal).is_err());
    assert!(rig.supervisor.finish(false).safe.unwrap_err().contains("no answer"));
}

#[test]
fn a_bench_that_does_not_confirm_is_told_so() {
    let mut rig = rig(|bench, _| bench.fail_safe = true);
    let _armed = start(&mut rig);
    rig.stop.stop();
    assert!(rig.supervisor.read(0.1, Pace::Normal).is_err());
    assert!(rig.supervisor.finish(false).safe.unwrap_err().contains("no answer"));
}

#[test]
fn where_the_current_does_not_fall_the_known_off_duty_is_commanded_again() {
    let mut rig = rig(|bench, _| (bench.contact_welds, bench.off_duty_stops) = (true, true));
    let _armed = start(&mut rig);
    rig.supervisor.off_known(Setting { duty: Duty::ZERO, ..running() });
    rig.stop.stop();
    assert!(rig.supervisor.read(0.1, Pace::Normal).is_err());
    let calls = rig.seen.lock().unwrap().calls.clone();
    assert_eq!(calls[calls.len() - 2..], ["safe", "set Off 0 %"]);
    let ended = rig.supervisor.finish(false);
    assert!(ended.safe.unwrap_err().contains("still stands"), "the fan stopped, the contact did not open");
}

#[test]
fn a_supervisor_that_is_dropped_leaves_the_bench_safe() {
    let mut rig = rig(|_, _| {});
    let _armed = start(&mut rig);
    let seen = Arc::clone(&rig.seen);
    drop(rig.supervisor);
    assert!(seen.lock().unwrap().safe);
}
