//! Benches that play along, go wrong, lag and hang, joined.

use std::sync::{Arc, Mutex};

use super::*;
use crate::bench::{ActiveLevel, Line};
use crate::units::{Duty, Hertz};

/// What was asked of the benches, in order.
type Log = Arc<Mutex<Vec<String>>>;

/// A bench that goes by the host's time on a clock of its own, and writes its own time into every sample.
#[derive(Debug)]
struct Fake {
    name: &'static str,
    offers: Offers,
    log: Log,
    began: Instant,
    /// What its clock stands at when it is made, and how fast it runs.
    start_s: f64,
    end_s: f64,
    /// Reads that go well.
    reads: usize,
    safe_fails: bool,
    hangs: Option<Duration>,
    calculated: bool,
}

impl Fake {
    fn new(name: &'static str, log: &Log, controls: &[Control], channels: &[Channel]) -> Self {
        let offers = Offers {
            name: name.to_owned(),
            channels: channels.iter().copied().collect(),
            controls: controls.iter().copied().collect(),
            rate_hz: 1000.0,
            ..Offers::default()
        };
        Self {
            name,
            offers,
            log: Arc::clone(log),
            began: Instant::now(),
            start_s: 0.0,
            end_s: 0.0,
            reads: usize::MAX,
            safe_fails: false,
            hangs: None,
            calculated: false,
        }
    }

    /// The same with a clock that stands elsewhere.
    fn clock_at(mut self, start_s: f64) -> Self {
        (self.start_s, self.end_s) = (start_s, start_s);
        self
    }

    fn now_s(&self) -> f64 {
        if self.calculated { self.end_s } else { self.start_s + self.began.elapsed().as_secs_f64() }
    }

    fn write(&self, what: &str) {
        self.log.lock().unwrap().push(format!("{} {what}", self.name));
    }

    fn part(self) -> Part {
        Part { name: self.name, bench: Box::new(self) }
    }
}

impl Bench for Fake {
    fn offers(&self) -> &Offers {
        &self.offers
    }

    fn set(&mut self, setting: &Setting) -> Result<f64, DriverError> {
        self.write(&format!("set {:?}", setting.supply));
        Ok(self.now_s())
    }

    fn read(&mut self, seconds: f64, _pace: Pace) -> Result<Block, DriverError> {
        if self.reads == 0 {
            return Err(DriverError::Gone { what: self.name.to_owned(), why: "the cable was pulled".to_owned() });
        }
        self.reads -= 1;
        let t0_s = self.end_s;
        if self.calculated {
            self.end_s += seconds;
        } else {
            while self.now_s() < t0_s + seconds {
                std::thread::sleep(Duration::from_millis(1));
            }
            self.end_s = self.now_s();
        }
        let duration_s = self.end_s - t0_s;
        let count = (duration_s * 1000.0).round().max(1.0) as usize;
        let times = (0..count).map(|i| (t0_s - self.start_s + (i as f64 + 0.5) * duration_s / count as f64) as f32);
        let times: Vec<f32> = times.collect();
        Ok(Block {
            t0_s,
            duration_s,
            channels: self.offers.channels.iter().map(|channel| (*channel, times.clone())).collect(),
            tach_s: self.offers.tach.then(|| vec![0.5 * (t0_s + self.end_s)]),
            ..Block::default()
        })
    }

    fn make_safe(&mut self) -> Result<f64, DriverError> {
        self.write("safe");
        if let Some(hangs) = self.hangs {
            std::thread::sleep(hangs);
        }
        if self.safe_fails {
            return Err(DriverError::Answer { what: self.name.to_owned(), why: "the relay sticks".to_owned() });
        }
        Ok(self.now_s())
    }
}

const LINE: [Control; 4] = [Control::DutyPct, Control::Active, Control::FrequencyHz, Control::Line];

fn turning() -> Setting {
    Setting {
        supply: Supply::On,
        duty: Duty::clamped(0.4),
        active: ActiveLevel::Low,
        frequency: Hertz(100.0),
        line: Line::Pwm,
        supply_v: None,
    }
}

/// A board with the command line, a supply with its switch, and a meter.
fn three(log: &Log) -> [Fake; 3] {
    [
        Fake::new("board", log, &LINE, &[Channel::SupplyA, Channel::SupplyV]),
        Fake::new("supply", log, &[Control::SupplyOn], &[]),
        Fake::new("meter", log, &[], &[Channel::OutputV]),
    ]
}

fn join(fakes: impl IntoIterator<Item = Fake>) -> Result<JoinedBench, DriverError> {
    JoinedBench::join("lab", fakes.into_iter().map(Fake::part).collect())
}

fn taken(log: &Log) -> Vec<String> {
    std::mem::take(&mut *log.lock().unwrap())
}

#[test]
fn the_supply_goes_off_before_the_line_and_on_after_it() {
    let log = Log::default();
    let mut bench = join(three(&log)).unwrap();
    taken(&log);
    bench.set(&turning()).unwrap();
    assert_eq!(taken(&log).last().unwrap(), "supply set On");
    bench.set(&Setting::SAFE).unwrap();
    assert_eq!(taken(&log)[0], "supply set Off");
    bench.make_safe().unwrap();
    let said = taken(&log);
    assert_eq!((said[0].as_str(), said.len()), ("supply safe", 3), "{said:?}");
}

#[test]
fn one_block_carries_the_channels_of_all_on_one_clock() {
    // Clocks that stand seconds apart: each sample is the host's time since its bench was made, all within a millisecond.
    let log = Log::default();
    let [board, supply, meter] = three(&log);
    let mut meter = meter.clock_at(7321.5);
    meter.offers.tach = true;
    let mut bench = join([board.clock_at(3.0), supply, meter]).unwrap();
    let mut end_s: Option<f64> = None;
    for _ in 0..30 {
        let block = bench.read(0.02, Pace::Normal).unwrap();
        assert!(end_s.is_none_or(|end_s| (block.t0_s - end_s).abs() < 1e-9), "blocks lie end to end");
        end_s = Some(block.end_s());
        let names: Vec<Channel> = block.channels.iter().map(|(channel, _)| *channel).collect();
        assert_eq!(names, [Channel::SupplyV, Channel::SupplyA, Channel::OutputV]);
        let (board, meter) = (block.mean(Channel::SupplyA).unwrap(), block.mean(Channel::OutputV).unwrap());
        // A busy machine makes brackets wide, which the bench then states.
        let u_s = bench.offers().alignment.channels[&Channel::OutputV];
        assert!((board - meter).abs() < 2e-3 + 4.0 * u_s, "{board} and {meter}, u {u_s}");
        for edge_s in block.tach_s.iter().flatten().copied() {
            assert!(edge_s < block.end_s() && edge_s > block.t0_s - 0.2, "{edge_s} in {} s", block.t0_s);
        }
    }
    let alignment = &bench.offers().alignment;
    assert!(alignment.channels[&Channel::OutputV] >= 1e-3 / 12.0_f64.sqrt(), "{alignment:?}");
    assert!(!alignment.channels.contains_key(&Channel::SupplyA) && alignment.command_s == 0.0, "{alignment:?}");
    assert!(bench.notes()[0].contains("output_v"), "the record is told");
}

#[test]
fn commands_by_another_clock_are_told_on_the_runs_clock() {
    let log = Log::default();
    let [board, supply, meter] = three(&log);
    let line = Fake::new("line", &log, &LINE, &[]).clock_at(500.0);
    let board = Fake { offers: Offers { controls: [].into(), ..board.offers.clone() }, ..board };
    let mut bench = join([board, supply, meter, line]).unwrap();
    let block = bench.read(0.05, Pace::Normal).unwrap();
    let t_s = bench.set(&turning()).unwrap();
    assert!((block.end_s()..block.end_s() + 1.0).contains(&t_s), "{t_s} after {}", block.end_s());
    assert!(bench.offers().alignment.command_s > 0.0);
}

#[test]
fn when_one_is_lost_the_whole_has_failed_and_every_one_is_made_safe() {
    let log = Log::default();
    let [board, supply, mut meter] = three(&log);
    meter.reads = 3;
    let mut bench = join([board, supply, meter]).unwrap();
    bench.set(&turning()).unwrap();
    let error = (0..20).find_map(|_| bench.read(0.01, Pace::Normal).err()).expect("the meter is lost").to_string();
    assert!(error.contains("meter is gone: the cable was pulled"), "{error}");
    assert_eq!(bench.set(&turning()).unwrap_err().to_string(), error, "nothing is energised any more");
    taken(&log);
    bench.make_safe().unwrap();
    assert_eq!(taken(&log).len(), 3);
}

#[test]
fn every_one_is_made_safe_though_the_first_fails_and_another_hangs() {
    let log = Log::default();
    let [board, mut supply, mut meter] = three(&log);
    meter.offers.virtual_clock = false;
    supply.safe_fails = true;
    supply.hangs = Some(Duration::from_millis(400));
    // Opening asks for the safe state as well: it fails there unless the clock is the host's.
    let error = join([board, supply, meter]).unwrap_err().to_string();
    assert!(error.contains("the relay sticks"), "{error}");

    let [board, supply, meter] = three(&log);
    let mut bench = join([board, supply, meter]).unwrap();
    let begin = Instant::now();
    let sticks = Arc::clone(&log);
    bench.members[1] = member_that_sticks(&sticks);
    taken(&log);
    let error = bench.make_safe().unwrap_err().to_string();
    assert!(
        error.contains("safe state NOT confirmed") && error.contains("driver `supply`: supply: the relay sticks"),
        "{error}"
    );
    let said = taken(&log);
    assert_eq!(said.len(), 3, "{said:?}");
    assert!(begin.elapsed() < Duration::from_secs(5));
}

/// A supply that opened well and now takes longer than its head start to say that it cannot.
fn member_that_sticks(log: &Log) -> Member {
    let [_, mut supply, _] = three(log);
    supply.safe_fails = true;
    supply.hangs = Some(Duration::from_millis(400));
    let offers = supply.offers.clone();
    Member {
        name: "supply",
        offers,
        worker: Worker::start("supply", Box::new(supply)).unwrap(),
        clock: Clock::exact(0.0),
        end_s: 0.0,
        tracks: BTreeMap::new(),
        edges: VecDeque::new(),
        lost: 0,
        stop_pressed: None,
    }
}

#[test]
fn what_cannot_be_one_bench_is_refused() {
    let log = Log::default();
    let refused = |fakes: Vec<Fake>| join(fakes).unwrap_err().to_string();
    let [board, supply, meter] = three(&log);
    let twice = Fake::new("second meter", &log, &[], &[Channel::OutputV]);
    let error = refused(vec![board, supply, meter, twice]);
    assert!(error.contains("channel `output_v` comes from `meter` and from `second meter`"), "{error}");
    let [board, _, meter] = three(&log);
    assert!(refused(vec![board, meter]).contains("no driver offers the supply switch"));
    let [_, supply, meter] = three(&log);
    assert!(refused(vec![supply, meter]).contains("no driver offers the supply current"));
    let [mut board, supply, meter] = three(&log);
    board.offers.virtual_clock = true;
    let error = refused(vec![board, supply, meter]);
    assert!(error.contains("time is calculated in `board`"), "{error}");
}

#[test]
fn calculated_clocks_are_joined_without_error_of_time() {
    let log = Log::default();
    let calculated = |mut fake: Fake| {
        fake.offers.virtual_clock = true;
        fake.calculated = true;
        fake
    };
    let [board, supply, meter] = three(&log);
    let meter = calculated(meter).clock_at(40.0);
    let mut bench = join([calculated(board), calculated(supply), meter]).unwrap();
    for _ in 0..5 {
        let block = bench.read(0.1, Pace::Normal).unwrap();
        let (board, meter) = (block.samples(Channel::SupplyA).unwrap(), block.samples(Channel::OutputV).unwrap());
        assert_eq!(board.len(), meter.len());
        for (a, b) in board.iter().zip(meter) {
            assert!((a - b).abs() < 1e-3, "{a} and {b}");
        }
    }
    assert_eq!(bench.offers().alignment.command_s, 0.0);
}
