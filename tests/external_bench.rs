//! The external driver and the conformance check against a program that answers as it must and against programs
//! that go wrong in every way the protocol can: each gets the right error, the safe state is asked for, and the
//! check names the fault.

use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use galebench::bench::{ActiveLevel, Channel, Line, Pace, Setting, Supply};
use galebench::config::{self, rig::DriverSpec, rig::Rig};
use galebench::driver::{self, Bench, DriverError};
use galebench::ops::conform::{Outcome, conform};
use galebench::units::{Duty, Hertz};

/// What must come of one fault of `tests/external/faulty.py`.
struct Case {
    fault: &'static str,
    /// In the driver's error; empty when none is due.
    error: &'static str,
    safe: Safe,
    /// The check that must fail; empty when all must pass.
    check: &'static str,
    /// In what that check says.
    says: &'static str,
}

#[derive(Clone, Copy, PartialEq, Debug)]
enum Safe {
    Confirmed,
    NotConfirmed,
    /// The bench never opened.
    Never,
}
use Safe::{Confirmed, Never, NotConfirmed};

const fn case(fault: &'static str, error: &'static str, safe: Safe, check: &'static str, says: &'static str) -> Case {
    Case { fault, error, safe, check, says }
}

const CASES: [Case; 22] = [
    case("none", "", Confirmed, "", ""),
    case("bad_hello", "`clock` is \"lunar\"", Never, "hello", "\"lunar\""),
    case("no_current", "no channel `supply_a`", Never, "rig file", "`supply_a`"),
    case("late", "did not answer within 2.02 s", Confirmed, "read, continuity", "no answer to"),
    case("hang", "did not answer within 2.02 s", NotConfirmed, "read, continuity", "no answer to"),
    case("bad_json", "not one JSON object", Confirmed, "read, continuity", "not one JSON object"),
    case("bad_utf8", "not UTF-8", Confirmed, "read, continuity", "not UTF-8"),
    case("nan", "contains NaN", Confirmed, "read, continuity", "contains NaN"),
    case("null", "sample 19 of `supply_a` is null", Confirmed, "read, continuity", "is null"),
    case("exit", "the converter was unplugged", NotConfirmed, "read, continuity", "it ended (exit status: 1)"),
    case("out_of_order", "answer out of order", NotConfirmed, "read, continuity", "out of order"),
    case(
        "two_answers",
        "answer out of order | time went backwards",
        Confirmed,
        "read, continuity",
        "out of order | time went backwards",
    ),
    case(
        "uneven",
        "different lengths: 20 samples of `output_v` but 19 of `supply_a`",
        Confirmed,
        "read, continuity",
        "different lengths",
    ),
    case("short", "wrong length: 5 samples", Confirmed, "read, continuity", "wrong length: 5 samples"),
    case("backwards", "time went backwards", Confirmed, "read, continuity", "backwards"),
    case("missing_channel", "`supply_a` that `hello` promised is missing", Confirmed, "read, continuity", "is missing"),
    case("edges_out_of_order", "must be in order", Confirmed, "read, continuity", "must be in order"),
    case("refuses_set", "refused: relay stuck", Confirmed, "set, one by one", "setting `frequency_hz` to 140.0: "),
    case("refuses_safe", "", NotConfirmed, "safe, energised", "refused: not now"),
    case("silent_safe", "", NotConfirmed, "safe, energised", "no answer to `{\"op\":\"safe\"}`"),
    case("gap", "", Confirmed, "read, continuity", "a gap of 0.5"),
    case("stays", "", Confirmed, "bye", "went on running"),
];

fn rig(command: &[&str]) -> Rig {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut rig = config::load_rig(&root.join("rigs/external.toml")).expect("the rig file of the example is right");
    rig.driver = DriverSpec::External { command: command.iter().map(|&word| word.to_owned()).collect() };
    rig
}

fn faulty(fault: &str) -> Rig {
    let program = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/external/faulty.py");
    let mut rig = rig(&["python3", program, fault]);
    // The program has no temperatures.
    rig.channels.retain(|channel, _| matches!(channel, Channel::SupplyV | Channel::SupplyA | Channel::OutputV));
    rig
}

const TURNING: Setting = Setting {
    supply: Supply::On,
    duty: Duty::FULL,
    active: ActiveLevel::Low,
    frequency: Hertz(140.0),
    line: Line::Pwm,
    supply_v: None,
};

/// Sets, and reads ten blocks of 20 ms.
fn use_bench(bench: &mut dyn Bench) -> Result<u64, DriverError> {
    bench.set(&TURNING)?;
    (0..10).map(|_| Ok(bench.read(0.02, Pace::Normal)?.lost)).sum()
}

/// Whether `text` holds one of the `wanted`, separated by ` | `: what a stray answer is taken for depends on whether it
/// arrives before or after the next question.
fn says(text: &str, wanted: &str) -> bool {
    wanted.split(" | ").any(|words| text.contains(words))
}

/// What the case got wrong, in words.
fn try_driver(case: &Case) -> Result<(), String> {
    let mut bench = match driver::open(&faulty(case.fault), None) {
        Ok(bench) => bench,
        Err(error) if case.safe == Never && says(&error.to_string(), case.error) => return Ok(()),
        Err(error) => return Err(format!("could not be opened: {error}")),
    };
    match use_bench(bench.as_mut()) {
        Ok(_) if case.error.is_empty() => {}
        Ok(_) => return Err("no error came".to_owned()),
        Err(error) if !case.error.is_empty() && says(&error.to_string(), case.error) => {}
        Err(error) => return Err(format!("the wrong error came: {error}")),
    }
    match (bench.make_safe(), case.safe) {
        (Ok(_), Confirmed) => Ok(()),
        (Err(error), NotConfirmed) if error.to_string().contains("safe state NOT confirmed") => Ok(()),
        (outcome, _) => Err(format!("safe ended as {outcome:?}")),
    }
}

fn try_conform(case: &Case) -> Result<(), String> {
    let report = conform(&faulty(case.fault)).ok_or("no external program")?;
    let first = report.checks.iter().find_map(|check| match &check.outcome {
        Outcome::Fail { wrong, advice } => Some((check.name, wrong, advice)),
        _ => None,
    });
    match first {
        None if case.check.is_empty() && report.passed() => Ok(()),
        Some((name, wrong, advice)) if name == case.check && says(wrong, case.says) && !advice.is_empty() => Ok(()),
        other => Err(format!("the check said {other:?}")),
    }
}

#[test]
fn every_fault_gives_its_error_asks_for_safe_and_is_named_by_the_check() {
    let next = AtomicUsize::new(0);
    let complaints = std::sync::Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        // Most of the time is waiting for programs that stay silent.
        for _ in 0..12 {
            scope.spawn(|| {
                while let Some(case) = CASES.get(next.fetch_add(1, Ordering::Relaxed)) {
                    for (part, result) in [("driver", try_driver(case)), ("conform", try_conform(case))] {
                        if let Err(why) = result {
                            complaints.lock().unwrap().push(format!("{} ({part}): {why}", case.fault));
                        }
                    }
                }
            });
        }
    });
    let complaints = complaints.into_inner().unwrap();
    assert!(complaints.is_empty(), "{}", complaints.join("\n"));
}

#[test]
fn a_gap_that_was_not_stated_is_counted_as_lost_and_noted() {
    let mut bench = driver::open(&faulty("gap"), None).unwrap();
    bench.notes();
    assert_eq!(use_bench(bench.as_mut()), Ok(500));
    assert!(bench.notes().iter().any(|note| note.contains("not stated")));
}

#[test]
fn an_unanswered_hello_is_waited_for_ten_seconds_and_no_longer() {
    let begin = Instant::now();
    let error = driver::open(&faulty("silent_hello"), None).unwrap_err();
    assert!(error.to_string().contains("did not answer within 10 s"), "{error}");
    assert!((Duration::from_secs(10)..Duration::from_secs(13)).contains(&begin.elapsed()));
}

#[test]
fn a_program_that_ignores_what_it_does_not_know_is_told_to_answer() {
    let report = conform(&faulty("drops_unknown")).unwrap();
    let check = report.checks.iter().find(|check| check.name == "unknown op").unwrap();
    assert!(matches!(&check.outcome, Outcome::Fail { advice, .. } if advice.contains("\"ok\":false")));
}

#[test]
fn dropping_the_bench_ends_a_program_that_ignores_the_end_of_its_input() {
    let bench = driver::open(&faulty("stays"), None).unwrap();
    let begin = Instant::now();
    drop(bench);
    assert!(begin.elapsed() < Duration::from_secs(4));
}

#[test]
fn the_worked_example_conforms_and_turns_its_fan() {
    let program = concat!(env!("CARGO_MANIFEST_DIR"), "/examples/simple_fan.py");
    let rig = rig(&["python3", program]);
    let report = conform(&rig).unwrap();
    assert!(report.passed(), "{:#?}", report.checks);
    let mut bench = driver::open(&rig, None).unwrap();
    bench.set(&TURNING).unwrap();
    let mut last = bench.read(5.0, Pace::Normal).unwrap();
    for _ in 0..5 {
        last = bench.read(0.02, Pace::Normal).unwrap();
    }
    let edges = last.tach_s.as_ref().unwrap();
    assert!(!edges.is_empty() && edges.iter().all(|&edge| edge > 5.0 && edge < last.end_s()));
    assert!((10.0..20.0).contains(&last.mean(Channel::SupplyA).unwrap()));
    bench.make_safe().unwrap();
    assert!(bench.read(0.1, Pace::Slow).unwrap().mean(Channel::SupplyA).unwrap() < 0.2);
    bench.close();
}
