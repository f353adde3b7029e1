//! Controls on a bus that takes them, holds them back, fails, or has a stranger on it. The bus is played in place of the
//! kernel's socket, and tests say so in their names; the last one goes over the kernel's virtual bus where it can be made,
//! and says NOT RUN where it cannot.

use std::collections::VecDeque;
use std::io;
use std::sync::{Arc, Mutex};

use socketcan::errors::CAN_ERR_BUSOFF;
use socketcan::{CanErrorFrame, CanInterface, CanSocket, Socket};

use super::super::commands::Outgoing;
use super::super::listener::Received;
use super::super::signal::Signal;
use super::*;
use crate::bench::{ActiveLevel, Line, Supply};
use crate::config::parse_rig;
use crate::units::{Duty, Hertz};

/// The shipped rig with the controls of `docs/can.md`.
fn rig() -> (Rig, CanSpec) {
    let text = std::fs::read_to_string("rigs/can-bench.toml").unwrap();
    let page = std::fs::read_to_string("docs/can.md").unwrap();
    let controls = page.split("```toml\n").nth(1).and_then(|rest| rest.split("```").next()).unwrap();
    let (before, after) = (text.find("[control.supply_on]").unwrap(), text.find("# What is sampled.").unwrap());
    let text = format!("{}{controls}\n{}", &text[..before], &text[after..]);
    let rig = parse_rig(std::path::Path::new("rigs/bench.toml"), &text).unwrap();
    let spec = CanSpec { channels: [].into(), ..rig.driver.bus().unwrap().clone() };
    (rig, spec)
}

/// What a bus does with frames, and what was on it.
#[derive(Debug, Default)]
struct Bus {
    sent: Vec<Outgoing>,
    seen: VecDeque<(FrameId, Vec<u8>)>,
    deaf: bool,
    fails: Option<i32>,
}

#[derive(Clone, Debug, Default)]
struct Played(Arc<Mutex<Bus>>);

impl Played {
    fn with<T>(&self, act: impl FnOnce(&mut Bus) -> T) -> T {
        act(&mut self.0.lock().unwrap())
    }

    /// The newest value of a control that was on the bus.
    fn says(&self, spec: &CanSpec, control: Control) -> Option<f64> {
        let signal: &Signal = &spec.controls[&control].signal;
        self.with(|bus| {
            let frame = bus.sent.iter().rev().find(|frame| frame.id == signal.frame)?;
            signal.decode(frame.payload())
        })
    }

    fn is_safe(&self, spec: &CanSpec) -> bool {
        let zero = [Control::SupplyOn, Control::GentleSupply, Control::DutyPct, Control::Line];
        zero.into_iter().all(|control| self.says(spec, control) == Some(0.0))
    }
}

impl FrameSink for Played {
    fn send(&mut self, frame: &Outgoing) -> io::Result<()> {
        self.with(|bus| match bus.fails {
            Some(errno) => Err(io::Error::from_raw_os_error(errno)),
            None => {
                bus.sent.push(*frame);
                if !bus.deaf {
                    bus.seen.push_back((frame.id, frame.payload().to_vec()));
                }
                Ok(())
            }
        })
    }

    fn seen(&mut self) -> io::Result<Option<(FrameId, Vec<u8>)>> {
        self.with(|bus| match bus.fails {
            Some(errno) if errno != libc::ENOBUFS => Err(io::Error::from_raw_os_error(errno)),
            _ => Ok(bus.seen.pop_front()),
        })
    }
}

/// Hears what a test puts in.
struct Quiet(std::sync::mpsc::Receiver<CanFrame>);

impl FrameSource for Quiet {
    fn receive(&mut self, wait: Duration) -> io::Result<Option<Received>> {
        let frame = self.0.recv_timeout(wait.min(Duration::from_millis(5))).ok();
        Ok(frame.map(|frame| Received { frame, at: Instant::now(), stamped: true }))
    }
}

type Injects = std::sync::mpsc::Sender<CanFrame>;

fn open(bus: &Played) -> (Result<CanBench, DriverError>, CanSpec, Injects) {
    let (rig, spec) = rig();
    let (sender, receiver) = std::sync::mpsc::channel();
    let bench = CanBench::begin(&rig, &spec, Quiet(receiver), Some(Box::new(bus.clone())), Vec::new());
    (bench, spec, sender)
}

fn running() -> Setting {
    Setting {
        supply: Supply::On,
        duty: Duty::new(0.35).unwrap(),
        active: ActiveLevel::High,
        frequency: Hertz(140.0),
        line: Line::Pwm,
        supply_v: None,
    }
}

/// Reads until it fails.
fn fails(bench: &mut CanBench) -> String {
    (0..500).find_map(|_| bench.read(0.02, Pace::Normal).err()).expect("reading goes on").to_string()
}

#[test]
fn played_safe_values_come_first_settings_go_out_again_and_again_and_safe_values_come_last() {
    let bus = Played::default();
    let (bench, spec, _injects) = open(&bus);
    let mut bench = bench.unwrap();
    assert!(bus.is_safe(&spec), "{bus:?}");
    assert_eq!(bench.offers().controls.len(), 6);
    assert!(bench.offers().alignment.command_s > 0.0);
    let at_s = bench.set(&running()).unwrap();
    let of = |control| bus.says(&spec, control).unwrap();
    assert_eq!((of(Control::SupplyOn), of(Control::GentleSupply), of(Control::Line)), (1.0, 0.0, 1.0));
    assert_eq!((of(Control::Active), of(Control::FrequencyHz)), (1.0, 140.0));
    assert!((of(Control::DutyPct) - 35.0).abs() < 0.006);
    let before = bus.with(|bus| bus.sent.len());
    let block = bench.read(0.2, Pace::Normal).unwrap();
    assert!(block.end_s() >= at_s, "one clock for commands and blocks");
    let again = bus.with(|bus| bus.sent.len()) - before;
    assert!(again >= 4, "sent again {again} times in ten periods");
    assert_eq!(of(Control::SupplyOn), 1.0);
    bench.make_safe().unwrap();
    assert!(bus.is_safe(&spec));
    bench.set(&running()).unwrap();
    drop(bench);
    assert!(bus.is_safe(&spec), "dropping sends the safe values");
    let ended = bus.with(|bus| bus.sent.len());
    std::thread::sleep(Duration::from_millis(60));
    assert_eq!(bus.with(|bus| bus.sent.len()), ended, "nothing is sent after the end");
}

#[test]
fn played_a_program_that_hangs_is_overruled() {
    let bus = Played::default();
    let (bench, spec, _injects) = open(&bus);
    let mut bench = bench.unwrap();
    bench.set(&running()).unwrap();
    std::thread::sleep(Duration::from_millis(900));
    assert!(bus.is_safe(&spec), "nobody used the bench for longer than half a second");
    let error = bench.set(&running()).unwrap_err().to_string();
    assert!(error.contains("safe state meanwhile") || error.contains("meanwhile the controls"), "{error}");
    assert!(bench.read(0.02, Pace::Normal).is_err() && bus.is_safe(&spec));
    bench.make_safe().unwrap();
    bench.set(&running()).unwrap();
    assert_eq!(bus.says(&spec, Control::SupplyOn), Some(1.0), "a new start is possible");
}

#[test]
fn played_a_bus_on_which_nobody_acknowledges_is_refused_and_ends_a_run() {
    let bus = Played::default();
    bus.with(|bus| bus.deaf = true);
    let (bench, ..) = open(&bus);
    let error = bench.unwrap_err().to_string();
    assert!(error.contains("nobody acknowledges") && error.contains("60 Ohm"), "{error}");

    let bus = Played::default();
    let (bench, spec, _injects) = open(&bus);
    let mut bench = bench.unwrap();
    bench.set(&running()).unwrap();
    bus.with(|bus| bus.deaf = true);
    let error = fails(&mut bench);
    assert!(error.contains("nobody acknowledges"), "{error}");
    assert!(bench.make_safe().unwrap_err().to_string().contains("nobody acknowledges"), "it is not confirmed");
    assert!(bus.is_safe(&spec), "and is what is sent all the same");
    // The node is back: what is sent without end is what it gets.
    bus.with(|bus| bus.deaf = false);
    assert!((0..10).any(|_| bench.make_safe().is_ok()));
}

#[test]
fn played_a_full_queue_is_waited_out_and_told_when_it_stays() {
    let bus = Played::default();
    let (bench, spec, _injects) = open(&bus);
    let mut bench = bench.unwrap();
    bus.with(|bus| bus.fails = Some(libc::ENOBUFS));
    let later = bus.clone();
    let frees = std::thread::spawn(move || {
        std::thread::sleep(Duration::from_millis(40));
        later.with(|bus| bus.fails = None);
    });
    bench.set(&running()).unwrap();
    assert_eq!(bus.says(&spec, Control::SupplyOn), Some(1.0));
    frees.join().unwrap();
    bus.with(|bus| bus.fails = Some(libc::ENOBUFS));
    assert!(fails(&mut bench).contains("the bus is held"));
    bus.with(|bus| bus.fails = None);
    bench.make_safe().unwrap();
    assert!(bus.is_safe(&spec));
}

#[test]
fn played_an_interface_that_goes_down_ends_the_run_and_gets_the_safe_values_when_it_is_back() {
    let bus = Played::default();
    let (bench, spec, _injects) = open(&bus);
    let mut bench = bench.unwrap();
    bench.set(&running()).unwrap();
    bus.with(|bus| bus.fails = Some(libc::ENETDOWN));
    let error = fails(&mut bench);
    assert!(error.contains("went down") && error.contains("ip link set can0 up"), "{error}");
    assert!(bench.make_safe().is_err(), "what cannot be sent is not confirmed");
    assert!(!bus.is_safe(&spec), "the node has to time out by itself");
    bus.with(|bus| bus.fails = None);
    assert!((0..200).any(|_| {
        std::thread::sleep(Duration::from_millis(5));
        bus.is_safe(&spec)
    }));
}

#[test]
fn injected_bus_off_ends_the_run_and_the_safe_values_are_what_a_restart_sends() {
    let bus = Played::default();
    let (bench, spec, injects) = open(&bus);
    let mut bench = bench.unwrap();
    bench.set(&running()).unwrap();
    // Off the bus the kernel takes no frames; after `restart-ms` it does again.
    bus.with(|bus| bus.fails = Some(libc::ENOBUFS));
    injects.send(CanFrame::Error(CanErrorFrame::new_error(CAN_ERR_BUSOFF, &[]).unwrap())).unwrap();
    let error = fails(&mut bench);
    assert!(error.contains("off the bus"), "{error}");
    assert!(bench.make_safe().is_err());
    let before = bus.with(|bus| {
        bus.fails = None;
        bus.sent.len()
    });
    bench.make_safe().unwrap();
    let signal = spec.controls[&Control::SupplyOn].signal.clone();
    let on = bus.with(|bus| {
        let after = bus.sent[before..].iter().filter(|frame| frame.id == signal.frame);
        after.filter(|frame| signal.decode(frame.payload()) != Some(0.0)).count()
    });
    assert_eq!(on, 0, "no frame from before the failure is sent after it");
}

#[test]
fn played_a_stranger_that_commands_the_bench_ends_the_run() {
    let bus = Played::default();
    let (bench, spec, _injects) = open(&bus);
    let mut bench = bench.unwrap();
    bench.set(&running()).unwrap();
    let frame = spec.controls[&Control::SupplyOn].signal.frame;
    bus.with(|bus| bus.seen.push_back((frame, vec![0xA5])));
    let error = fails(&mut bench);
    assert!(error.contains("somebody else sends frame 0x210"), "{error}");
    assert!(bench.make_safe().is_ok() && bus.is_safe(&spec));
}

#[test]
fn over_the_kernels_virtual_bus_controls_are_seen_by_a_receiver() {
    let Ok(link) = CanInterface::create_vcan("vcangale1", None) else {
        println!("NOT RUN: no virtual CAN bus can be made here");
        return;
    };
    link.bring_up().unwrap();
    let (rig, mut spec) = rig();
    spec.interface = "vcangale1".to_owned();
    let receiver = CanSocket::open("vcangale1").unwrap();
    receiver.set_read_timeout(Duration::from_millis(200)).unwrap();
    let signal = spec.controls[&Control::SupplyOn].signal.clone();
    let hears = |value: f64| {
        (0..100).any(|_| match receiver.read_frame() {
            Ok(CanFrame::Data(frame)) if identifier(&frame) == signal.frame => {
                signal.decode(frame.data()) == Some(value)
            }
            _ => false,
        })
    };
    let mut bench = CanBench::open(&rig, &spec).unwrap();
    assert!(hears(0.0));
    bench.set(&running()).unwrap();
    assert!(hears(1.0));
    bench.make_safe().unwrap();
    assert!(hears(0.0));
    // Another sender of the same frame.
    let stranger = CanSocket::open("vcangale1").unwrap();
    let id = socketcan::StandardId::new(0x210).unwrap();
    stranger.write_frame(&CanFrame::new(id, &[0x03]).unwrap()).unwrap();
    assert!(fails(&mut bench).contains("somebody else sends"));
    bench.make_safe().unwrap();
    link.bring_down().unwrap();
    assert!(fails(&mut bench).contains("went down"));
    assert!(bench.make_safe().is_err());
    drop(bench);
    link.delete().unwrap();
}
