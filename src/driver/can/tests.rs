//! Sensors that send, fall silent and fail. No controller is at hand where tests run: frames, error frames, bus-off and
//! the loss of the interface are injected in place of the kernel's socket, and tests say so in their names. The last one
//! goes over the kernel's virtual bus where it can be made, and says NOT RUN where it cannot.

use std::io;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;

use socketcan::errors::{CAN_ERR_BUSERROR, CAN_ERR_BUSOFF, CAN_ERR_PROT, CAN_ERR_RESTARTED};
use socketcan::{CanErrorFrame, CanInterface, CanSocket, Socket};

use super::super::listener::Received;
use super::*;
use crate::bench::Supply;
use crate::config::load_rig;
use crate::driver::Control;
use crate::driver::joined::{JoinedBench, Part};
use crate::units::Seconds;

/// What a sensor node of the shipped rig says: 13.2 V, 21.5 A, 12.9 V; 2500 rpm and 41.5 degrees.
const SUPPLY: (u16, [u8; 8]) = (0x1A0, [0x90, 0x33, 0x66, 0x08, 0x64, 0x32, 0, 0]);
const FAN: (u16, [u8; 8]) = (0x1A1, [0x27, 0x10, 0x01, 0x9F, 0, 0, 0, 0]);

fn frame((id, data): (u16, [u8; 8])) -> CanFrame {
    CanFrame::new(socketcan::StandardId::new(id).unwrap(), &data).unwrap()
}

fn trouble(bits: u32) -> CanFrame {
    CanFrame::Error(CanErrorFrame::new_error(bits, &[]).unwrap())
}

/// A source that hands on what a test puts in.
struct Injected(Receiver<io::Result<CanFrame>>);

impl FrameSource for Injected {
    fn receive(&mut self, wait: Duration) -> io::Result<Option<Received>> {
        match self.0.recv_timeout(wait) {
            Ok(frame) => frame.map(|frame| Some(Received { frame, at: Instant::now(), stamped: true })),
            Err(RecvTimeoutError::Timeout) => Ok(None),
            Err(RecvTimeoutError::Disconnected) => {
                std::thread::sleep(wait);
                Ok(None)
            }
        }
    }
}

/// A sensor node that sends on its own thread until it is told to stop.
struct Node {
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Node {
    fn sends(frames: Vec<CanFrame>, mut send: impl FnMut(CanFrame) -> bool + Send + 'static) -> Self {
        let stop = Arc::new(AtomicBool::new(false));
        let seen = Arc::clone(&stop);
        let thread = std::thread::spawn(move || {
            while !seen.load(Ordering::Acquire) && frames.iter().all(|frame| send(*frame)) {
                std::thread::sleep(Duration::from_millis(2));
            }
        });
        Self { stop, thread: Some(thread) }
    }

    fn injects(frames: Vec<CanFrame>) -> (Self, Sender<io::Result<CanFrame>>, Injected) {
        let (sender, receiver) = channel();
        let own = sender.clone();
        (Self::sends(frames, move |frame| own.send(Ok(frame)).is_ok()), sender, Injected(receiver))
    }
}

impl Drop for Node {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
        self.thread.take().unwrap().join().unwrap();
    }
}

/// The shipped rig's sensors, with age limits that a busy machine keeps.
fn shipped(max_age_s: f64) -> (Rig, CanSpec) {
    let rig = load_rig(Path::new("rigs/can-bench.toml")).unwrap();
    let mut spec = rig.driver.bus().unwrap().clone();
    spec.channels.values_mut().for_each(|source| source.max_age = Seconds(max_age_s));
    (rig, spec)
}

fn listen(source: Injected, max_age_s: f64) -> Result<CanBench, DriverError> {
    let (rig, spec) = shipped(max_age_s);
    CanBench::begin(&rig, &spec, source, None, Vec::new())
}

/// Reads until it fails.
fn fails(bench: &mut CanBench) -> String {
    (0..500).find_map(|_| bench.read(0.02, Pace::Normal).err()).expect("reading goes on").to_string()
}

fn check(block: &Block) {
    let expected = [
        (Channel::SupplyV, 13.2),
        (Channel::SupplyA, 21.5),
        (Channel::OutputV, 12.9),
        (Channel::SpeedRpm, 2500.0),
        (Channel::CaseC, 41.5),
    ];
    assert_eq!(block.channels.len(), expected.len());
    for (channel, value) in expected {
        let samples = block.samples(channel).unwrap();
        assert!(
            !samples.is_empty() && samples.iter().all(|got| (f64::from(*got) - value).abs() < 1e-3),
            "{channel} {samples:?}"
        );
    }
}

#[test]
fn injected_frames_become_blocks_in_units_end_to_end() {
    let (_node, _sender, source) = Node::injects(vec![frame(SUPPLY), frame(FAN)]);
    let mut bench = listen(source, 2.0).unwrap();
    assert!(bench.offers().controls.is_empty() && !bench.offers().tach);
    let mut end_s = 0.0;
    for _ in 0..20 {
        let block = bench.read(0.02, Pace::Normal).unwrap();
        assert!((block.t0_s - end_s).abs() < 1e-9 && block.duration_s >= 0.02 - 1e-9 && block.lost == 0, "{block:?}");
        end_s = block.end_s();
        check(&block);
    }
    assert!(bench.set(&Setting::SAFE).unwrap() >= end_s);
    let notes = bench.notes().join("; ");
    assert!(
        notes.contains("stamped by the kernel") && notes.contains("`supply_a` is `SupplySense.SupplyCurrent`"),
        "{notes}"
    );
    // How old a held value may be stands in the alignment.
    assert!(bench.offers().alignment.channels[&Channel::SupplyA] >= 0.002 / 3.0_f64.sqrt() * 0.9);
}

#[test]
fn injected_silence_of_one_signal_is_lost_and_named() {
    let (node, sender, source) = Node::injects(vec![frame(SUPPLY), frame(FAN)]);
    let mut bench = listen(source, 0.5).unwrap();
    check(&bench.read(0.02, Pace::Normal).unwrap());
    drop(node);
    let own = sender.clone();
    let _half = Node::sends(vec![frame(SUPPLY)], move |frame| own.send(Ok(frame)).is_ok());
    let error = fails(&mut bench);
    assert!(error.contains("FanSense.FanSpeed") || error.contains("case_c"), "{error}");
    assert!(error.contains("0x1A1") && error.contains("0.5 s") && error.contains("no error frames"), "{error}");
}

#[test]
fn injected_error_frames_are_noted_and_counted_and_bus_off_ends_the_run_until_a_restart() {
    let (node, sender, source) = Node::injects(vec![frame(SUPPLY), frame(FAN)]);
    let mut bench = listen(source, 2.0).unwrap();
    for _ in 0..5 {
        sender.send(Ok(trouble(CAN_ERR_PROT | CAN_ERR_BUSERROR))).unwrap();
    }
    // They stand in the queue before what is sent after them.
    std::thread::sleep(Duration::from_millis(100));
    check(&bench.read(0.02, Pace::Normal).unwrap());
    let notes = bench.notes().join("; ");
    assert!(notes.contains("4 error frames") && !notes.contains("5 error frames"), "{notes}");
    sender.send(Ok(trouble(CAN_ERR_BUSOFF))).unwrap();
    let error = fails(&mut bench);
    assert!(
        error.contains("`can0` is gone") && error.contains("60 Ohm") && error.contains("type can restart"),
        "{error}"
    );
    drop((bench, node));

    let (_node, sender, source) = Node::injects(vec![frame(SUPPLY), frame(FAN)]);
    sender.send(Ok(trouble(CAN_ERR_RESTARTED))).unwrap();
    let mut bench = listen(source, 2.0).unwrap();
    check(&bench.read(0.02, Pace::Normal).unwrap());
    assert!(bench.notes().join("; ").contains("restarted"), "the restart is told");
}

#[test]
fn injected_loss_of_the_interface_says_what_to_do() {
    for (errno, says) in
        [(libc::ENETDOWN, "ip link set can0 up"), (libc::ENODEV, "removed"), (libc::EIO, "a call to it failed")]
    {
        let (_node, sender, source) = Node::injects(vec![frame(SUPPLY), frame(FAN)]);
        let mut bench = listen(source, 2.0).unwrap();
        sender.send(Err(io::Error::from_raw_os_error(errno))).unwrap();
        let error = fails(&mut bench);
        assert!(error.contains("`can0` is gone") && error.contains(says), "{error}");
        assert!(bench.make_safe().is_ok(), "there is nothing to switch off");
    }
}

/// A relay on a board beside the bus.
#[derive(Debug)]
struct Relay {
    offers: Offers,
    began: Instant,
    closed: Arc<AtomicBool>,
}

impl Bench for Relay {
    fn offers(&self) -> &Offers {
        &self.offers
    }

    fn set(&mut self, setting: &Setting) -> Result<f64, DriverError> {
        self.closed.store(setting.supply != Supply::Off, Ordering::Release);
        Ok(self.began.elapsed().as_secs_f64())
    }

    fn read(&mut self, seconds: f64, _pace: Pace) -> Result<Block, DriverError> {
        let t0_s = self.began.elapsed().as_secs_f64();
        std::thread::sleep(Duration::from_secs_f64(seconds));
        Ok(Block { t0_s, duration_s: self.began.elapsed().as_secs_f64() - t0_s, ..Block::default() })
    }

    fn make_safe(&mut self) -> Result<f64, DriverError> {
        self.set(&Setting::SAFE)
    }

    fn clock_began(&self) -> Option<Instant> {
        Some(self.began)
    }
}

#[test]
fn injected_beside_a_relay_the_bus_leads_and_its_loss_opens_the_relay() {
    let (_node, sender, source) = Node::injects(vec![frame(SUPPLY), frame(FAN)]);
    let bus = listen(source, 2.0).unwrap();
    let closed = Arc::new(AtomicBool::new(false));
    let offers = Offers { controls: [Control::SupplyOn].into(), rate_hz: 1000.0, ..Offers::default() };
    let relay = Relay { offers, began: Instant::now(), closed: Arc::clone(&closed) };
    let parts = vec![Part { name: "linux", bench: Box::new(relay) }, Part { name: "can", bench: Box::new(bus) }];
    let mut bench = JoinedBench::join("CAN bench", parts).unwrap();
    let on_s = bench.set(&Setting { supply: Supply::On, ..Setting::SAFE }).unwrap();
    assert!(closed.load(Ordering::Acquire));
    let mut end_s: Option<f64> = None;
    for _ in 0..10 {
        let block = bench.read(0.02, Pace::Normal).unwrap();
        assert!(end_s.is_none_or(|end_s| (block.t0_s - end_s).abs() < 1e-9), "blocks lie end to end");
        end_s = Some(block.end_s());
        check(&block);
    }
    assert!(end_s.unwrap() > on_s, "one clock for commands and samples");
    sender.send(Err(io::Error::from_raw_os_error(libc::ENETDOWN))).unwrap();
    let error = (0..500).find_map(|_| bench.read(0.02, Pace::Normal).err()).unwrap().to_string();
    assert!(error.contains("went down"), "{error}");
    assert!(bench.set(&Setting { supply: Supply::On, ..Setting::SAFE }).is_err(), "nothing is energised any more");
    bench.make_safe().unwrap();
    assert!(!closed.load(Ordering::Acquire));
}

#[test]
fn a_signal_that_never_comes_or_too_seldom_is_told_at_the_start() {
    let (_node, sender, source) = Node::injects(vec![frame(SUPPLY)]);
    sender.send(Ok(trouble(CAN_ERR_PROT))).unwrap();
    let error = listen(source, 0.5).unwrap_err().to_string();
    assert!(
        error.contains("FanSense.FanSpeed") && error.contains("0 values of 5") && error.contains("an error frame"),
        "{error}"
    );
    let (_node, _sender, source) = Node::injects(vec![frame(SUPPLY), frame(FAN)]);
    let error = listen(source, 0.001).unwrap_err().to_string();
    assert!(error.contains("state a longer `max_age`"), "{error}");
}

#[test]
fn over_the_kernels_virtual_bus() {
    let Ok(bus) = CanInterface::create_vcan("vcangale0", None) else {
        println!("NOT RUN: no virtual CAN bus can be made here");
        return;
    };
    bus.bring_up().unwrap();
    let (rig, mut spec) = shipped(2.0);
    spec.interface = "vcangale0".to_owned();
    let socket = CanSocket::open("vcangale0").unwrap();
    let node = Node::sends(vec![frame(SUPPLY), frame((0x300, [0; 8])), frame(FAN)], move |frame| {
        socket.write_frame(&frame).is_ok()
    });
    let mut bench = CanBench::open(&rig, &spec).unwrap();
    check(&bench.read(0.02, Pace::Normal).unwrap());
    let notes = bench.notes().join("; ");
    assert!(notes.contains("does not tell") && notes.contains("stamped by the kernel"), "{notes}");
    bus.bring_down().unwrap();
    let error = fails(&mut bench);
    assert!(error.contains("went down"), "{error}");
    assert!(CanBench::open(&rig, &spec).unwrap_err().to_string().contains("is down"));
    drop(node);
    bus.delete().unwrap();
}
