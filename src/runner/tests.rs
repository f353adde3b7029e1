//! Whole runs on the virtual bench.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use crate::bench::Supply;
use crate::bench::{Block, Pace, Setting};
use crate::config::plan::Plan;
use crate::config::rig::{ModuleKind, Rig};
use crate::config::{load_rig, parse_plan, parse_rig};
use crate::driver::{self, Bench, DriverError, Offers};
use crate::record::event::{Event, Header, Numbered, SpanKind, StageEnd};
use crate::results::{ResultName, StoppedBy};
use crate::runner::{Attendant, News, Observer, Quiet, RunOutcome, RunRequest, StopHandle, run};
use crate::safety::{Nowhere, RecordSink};

fn rig(bend: impl Fn(&str) -> String) -> Rig {
    let path = Path::new("rigs/virtual.toml");
    parse_rig(path, &bend(&std::fs::read_to_string(path).unwrap())).map_err(|p| p.to_string()).unwrap()
}

fn of_kind(kind: &str) -> Rig {
    rig(|text| text.replace("linear-low", kind))
}

/// The full plan with shorter soaks: they take half the time and show nothing here.
fn full() -> Plan {
    let path = Path::new("test-plans/full.toml");
    let text = std::fs::read_to_string(path).unwrap().replace("each = \"8 min\"", "each = \"50 s\"");
    parse_plan(path, &text).map_err(|p| p.to_string()).unwrap()
}

/// The full plan up to and with the soft start.
fn up_to_soft_start() -> Plan {
    let mut plan = full();
    plan.stages.truncate(5);
    plan
}

fn go(rig: &Rig, plan: Plan) -> RunOutcome {
    let bench = driver::open(rig, None).unwrap();
    let request =
        RunRequest { rig: rig.clone(), plan, header: Header::default(), checks: Vec::new(), advise: |_| Vec::new() };
    run(request, bench, Nowhere, &mut Quiet, StopHandle::new())
}

/// A virtual bench with something that goes wrong at a time on the run's clock.
#[derive(Debug)]
struct Bent {
    inner: Box<dyn Bench>,
    now_s: f64,
    at_s: f64,
    how: How,
    safe: Arc<AtomicBool>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum How {
    DriverError,
    Panic,
}

impl Bench for Bent {
    fn offers(&self) -> &Offers {
        self.inner.offers()
    }

    fn set(&mut self, setting: &Setting) -> Result<f64, DriverError> {
        self.safe.store(false, Ordering::Release);
        self.inner.set(setting)
    }

    fn read(&mut self, seconds: f64, pace: Pace) -> Result<Block, DriverError> {
        if self.now_s >= self.at_s && !self.safe.load(Ordering::Acquire) {
            match self.how {
                How::DriverError => return Err(DriverError::Late { what: "read".to_owned(), allowed_s: 2.0 }),
                How::Panic => panic!("an arithmetic slip"),
            }
        }
        let block = self.inner.read(seconds, pace)?;
        self.now_s = block.end_s();
        Ok(block)
    }

    fn make_safe(&mut self) -> Result<f64, DriverError> {
        self.safe.store(true, Ordering::Release);
        self.inner.make_safe()
    }
}

fn go_bent(how: How, at_s: f64) -> (RunOutcome, bool) {
    let rig = of_kind("linear-low");
    let safe = Arc::new(AtomicBool::new(false));
    let inner = driver::open(&rig, None).unwrap();
    let bench = Bent { inner, now_s: 0.0, at_s, how, safe: Arc::clone(&safe) };
    let request =
        RunRequest { rig, plan: full(), header: Header::default(), checks: Vec::new(), advise: |_| Vec::new() };
    let outcome = run(request, Box::new(bench), Nowhere, &mut Quiet, StopHandle::new());
    (outcome, safe.load(Ordering::Acquire))
}

fn stopped_by(outcome: &RunOutcome) -> Option<(StoppedBy, &str)> {
    let stopped = outcome.stopped.as_ref()?;
    Some((stopped.by, stopped.cause.split(':').next().unwrap_or_default()))
}

fn ends(outcome: &RunOutcome) -> Vec<(&str, Option<StageEnd>)> {
    outcome.recording.stages.iter().map(|run| (run.stage.as_str(), run.end.clone())).collect()
}

/// A healthy unit of this kind goes through every stage of the full plan, trips nothing, ends safe.
fn check_healthy(rig: &Rig) {
    let outcome = go(rig, full());
    assert_eq!(outcome.stopped, None);
    assert!(outcome.safe_confirmed, "{:?}", outcome.safe_doubt);
    let ends = ends(&outcome);
    assert!(ends.iter().all(|(_, end)| *end == Some(StageEnd::Done)), "{ends:?}");
    assert_eq!(ends.len(), full().stages.len());
    let last = outcome.recording.events.last().map(|numbered| &numbered.event);
    assert_eq!(last, Some(&Event::End { finished: true }));
}

#[test]
fn healthy_units_of_every_kind_go_through_every_stage_and_trip_nothing() {
    for kind in ModuleKind::ALL {
        check_healthy(&of_kind(kind.name()));
    }
}

#[test]
fn a_fan_without_a_tach_goes_through_every_stage() {
    let path = Path::new("rigs/virtual-two-wire.toml");
    check_healthy(&load_rig(path).map_err(|p| p.to_string()).unwrap());
}

#[test]
fn what_is_learned_is_what_the_kind_is() {
    for (kind, active) in [("linear-low", "low"), ("exponential-high", "high")] {
        let outcome = go(&of_kind(kind), up_to_soft_start());
        let learned = |name: &str| {
            outcome.recording.events.iter().find_map(|numbered| match &numbered.event {
                Event::Learned { what, value } if what == name => Some(value.clone()),
                _ => None,
            })
        };
        assert_eq!(learned("active_level").as_deref(), Some(active));
        assert_eq!(learned("off_duty").as_deref(), Some("5 %"));
        assert!(learned("command_hz").is_some() && learned("most_duty").is_some() && learned("ramp_s").is_some());
    }
}

/// A unit of this kind after first power, the watch of its open line and of the line held, then these stages.
fn through(kind: &str, stages: &[&str]) -> RunOutcome {
    let begin = ["first_power = {}", "supply_open = {}", "line_check = {}"];
    let stages: String = begin.iter().chain(stages).map(|stage| format!("[[stage]]\n{stage}\n")).collect();
    let text = format!("name = \"some\"\ntime_limit = \"1 h\"\n{stages}");
    let plan = parse_plan(Path::new("some.toml"), &text).map_err(|p| p.to_string()).unwrap();
    go(&of_kind(kind), plan)
}

fn learned(outcome: &RunOutcome, name: &str) -> Option<String> {
    outcome.recording.events.iter().find_map(|numbered| match &numbered.event {
        Event::Learned { what, value } if what == name => Some(value.clone()),
        _ => None,
    })
}

/// Commands of a run in order: from when on, to when, and which.
fn commands(outcome: &RunOutcome) -> Vec<(f64, f64, Setting)> {
    let settings = &outcome.recording.settings;
    settings.windows(2).map(|pair| (pair[0].0, pair[1].0, pair[0].1)).collect()
}

/// Probes at 100 Hz, which neither of these two units follows.
fn probes_at_100_hz(outcome: &RunOutcome) -> usize {
    let spans = outcome.recording.spans.iter().filter(|span| span.kind == SpanKind::Probe);
    let setting = |span: &crate::record::recording::Span| outcome.recording.setting_at(0.5 * (span.t0_s + span.t1_s));
    spans.filter(|span| setting(span).is_some_and(|setting| setting.frequency.get() < 101.0)).count()
}

#[test]
fn a_frequency_at_which_the_unit_hunts_or_runs_flat_out_costs_one_duty_where_another_is_followed() {
    for kind in ["exponential-high", "stepped-reserved"] {
        let outcome = through(kind, &["discover = {}"]);
        assert_eq!(learned(&outcome, "command_hz").as_deref(), Some("200 Hz"), "{kind}");
        assert_eq!(probes_at_100_hz(&outcome), 2, "{kind}");
    }
}

#[test]
fn hunting_is_told_by_its_turns_and_not_by_the_longest_soft_start() {
    let outcome = through("exponential-high", &["discover = {}"]);
    let probes = outcome.recording.spans.iter().filter(|span| span.kind == SpanKind::Probe);
    let longest_s = probes.map(|span| span.t1_s - span.t0_s).fold(0.0, f64::max);
    assert!((1.0..8.0).contains(&longest_s), "{longest_s}");
}

#[test]
fn a_frequency_put_off_is_come_back_to_where_no_other_is_followed() {
    let outcome = through("exponential-high", &["discover = { frequencies = [\"100 Hz\"] }"]);
    assert_eq!(learned(&outcome, "command_hz").as_deref(), Some("100 Hz"));
    assert_eq!(learned(&outcome, "active_level").as_deref(), Some("high"));
    let Some(StageEnd::Partial { why }) = &outcome.recording.stages[3].end else { panic!("{:?}", ends(&outcome)) };
    assert!(why.contains("hunts at every frequency"), "{why}");
}

#[test]
fn the_duties_rise_with_the_level_that_the_line_told_and_an_off_follows_at_once() {
    for kind in ["linear-low", "open-runs"] {
        let outcome = through(kind, &["discover = {}"]);
        let by_event = &outcome.recording.events;
        let after =
            by_event.iter().skip_while(|n| !matches!(&n.event, Event::Learned { what, .. } if what == "active_level"));
        let next = after
            .into_iter()
            .find_map(|n| if let Event::Set { setting } = &n.event { Some(setting.duty) } else { None });
        assert_eq!(next.map(|duty| duty.percent()), Some(0.0), "{kind}");
    }
}

#[test]
fn the_highest_duty_is_gone_to_as_soon_as_the_output_has_come_up() {
    let outcome = through("linear-low", &["discover = {}", "soft_start = {}"]);
    assert_eq!(learned(&outcome, "most_duty").as_deref(), Some("98 %"));
    let ramp_s: f64 =
        learned(&outcome, "ramp_s").and_then(|text| text.split(' ').next()?.parse().ok()).expect("a ramp");
    let near = |setting: &Setting| (setting.duty.percent() - 80.0).abs() < 1e-6;
    let stays_s: Vec<f64> = commands(&outcome)
        .iter()
        .filter(|(.., setting)| near(setting))
        .map(|(from_s, to_s, _)| to_s - from_s)
        .collect();
    assert!(stays_s.len() == 1 && stays_s[0] < 0.8 * ramp_s, "{stays_s:?} of a ramp of {ramp_s} s");
}

#[test]
fn the_end_of_an_output_after_the_line_check_is_looked_for_finely() {
    let outcome = through("linear-low", &[]);
    let last = outcome.recording.spans.iter().rfind(|span| matches!(span.kind, SpanKind::LineRead { .. }));
    let stage = &outcome.recording.stages[2];
    let waited_s = stage.t1_s - last.expect("a reading of the line").t1_s;
    assert!((0.2..0.55).contains(&waited_s), "{waited_s}");
}

#[test]
fn an_output_that_held_through_a_loss_is_not_waited_for_like_a_ramp() {
    let losses = "loss_of_signal = { losses = [\"full\", \"full\"], watch = \"4 s\" }";
    let outcome = through("kick-start", &["discover = {}", "soft_start = {}", losses]);
    let begun_s = outcome.recording.stages.last().expect("a stage").t0_s;
    let losses = outcome.recording.spans.iter().filter(|span| matches!(span.kind, SpanKind::Loss { .. }));
    let at: Vec<(f64, f64)> = losses.map(|span| (span.t0_s, span.t1_s)).collect();
    let (first_s, second_s) = (at[0].0 - begun_s, at[1].0 - at[0].1);
    assert!(first_s > 1.8 && second_s < 1.3, "{first_s} {second_s}");
    assert!(second_s > 0.8, "two windows in which it stands");
}

/// Stays at the small steps of the climbs of the repeats, the median.
fn step_s(kind: &str) -> f64 {
    let repeats = "repeats = { starts = 3, stops = 1 }";
    let outcome = through(kind, &["discover = {}", "soft_start = {}", "sweep = { step = \"25 %\" }", repeats]);
    let begun_s = outcome.recording.stages.last().expect("a stage").t0_s;
    let climbs = outcome.recording.spans.iter().filter(|span| span.kind == SpanKind::Ascend && span.t0_s > begun_s);
    let commands = commands(&outcome);
    let mut stays_s: Vec<f64> = climbs
        .flat_map(|span| {
            let inside = commands.iter().filter(|(from_s, to_s, _)| *from_s > span.t0_s && *to_s < span.t1_s);
            inside.skip(1).map(|(from_s, to_s, _)| to_s - from_s)
        })
        .collect();
    stays_s.sort_by(f64::total_cmp);
    stays_s[stays_s.len() / 2]
}

#[test]
fn a_step_of_a_climb_is_not_held_for_a_delay_that_only_a_gentle_ramp_had() {
    let step_s = step_s("s-curve-low-side");
    assert!((0.7..1.0).contains(&step_s), "{step_s}");
}

#[test]
fn a_step_without_an_output_is_left_once_the_output_must_have_come() {
    let step_s = step_s("slow-command");
    assert!((0.5..0.7).contains(&step_s), "{step_s}");
}

#[test]
fn a_shorted_switch_is_the_units_doing_and_ends_safe() {
    let path = Path::new("rigs/faults/switch-shorted.toml");
    let outcome = go(&load_rig(path).map_err(|p| p.to_string()).unwrap(), full());
    assert_eq!(stopped_by(&outcome), Some((StoppedBy::Unit, "runs_uncommanded")));
    assert!(outcome.safe_confirmed, "{:?}", outcome.safe_doubt);
}

#[test]
fn a_unit_that_does_not_wake_by_its_command_is_started_after_the_supply_was_away() {
    let fault = "faults = [{ fault = \"input-leaky\", severity = \"80 %\" }]";
    let outcome = go(&rig(|text| text.replace("faults = []", fault)), up_to_soft_start());
    let ends = ends(&outcome);
    assert!(ends.iter().all(|(_, end)| *end == Some(StageEnd::Done)), "{ends:?}");
}

#[test]
fn a_dead_unit_is_no_trip_and_later_stages_say_why_they_are_skipped() {
    let dead = rig(|text| text.replace("faults = []", "faults = [{ fault = \"input-dead\", severity = \"100 %\" }]"));
    let outcome = go(&dead, full());
    assert_eq!(outcome.stopped, None);
    let ends = ends(&outcome);
    let after = ends.iter().skip_while(|(stage, _)| *stage != "discover").skip(1);
    for (stage, end) in after {
        assert_eq!(*end, Some(StageEnd::Skipped { why: "not a PWM module, or dead".to_owned() }), "{stage}");
    }
}

#[test]
fn the_emergency_stop_is_the_operators_and_ends_safe() {
    let pressed = rig(|text| text.replace("# stop_pressed_at = \"30 s\"", "stop_pressed_at = \"100 s\" #"));
    let outcome = go(&pressed, full());
    assert_eq!(stopped_by(&outcome), Some((StoppedBy::Operator, "emergency_stop")));
    assert!(outcome.safe_confirmed && outcome.bench_s < 110.0, "{:?}", outcome.safe_doubt);
}

#[test]
fn a_driver_error_is_the_rigs_and_a_panic_the_hosts_and_both_end_safe() {
    let (outcome, safe) = go_bent(How::DriverError, 60.0);
    assert_eq!(stopped_by(&outcome), Some((StoppedBy::Rig, "driver")));
    assert!(safe && outcome.safe_confirmed);
    let (outcome, safe) = go_bent(How::Panic, 60.0);
    assert_eq!(stopped_by(&outcome), Some((StoppedBy::Host, "program")));
    assert!(safe && outcome.safe_confirmed && outcome.recording.end_s > 60.0);
}

#[test]
fn a_stop_that_is_asked_for_is_the_operators_and_ends_safe() {
    struct StopAt(StopHandle);
    impl Observer for StopAt {
        fn stage(&mut self, _index: usize, _count: usize, name: &str) {
            if name == "soft_start" {
                self.0.stop();
            }
        }
    }
    let stop = StopHandle::new();
    let rig = of_kind("linear-low");
    let bench = driver::open(&rig, None).unwrap();
    let request =
        RunRequest { rig, plan: full(), header: Header::default(), checks: Vec::new(), advise: |_| Vec::new() };
    let outcome = run(request, bench, Nowhere, &mut StopAt(stop.clone()), stop);
    assert_eq!(stopped_by(&outcome), Some((StoppedBy::Operator, "operator_stop")));
    assert!(outcome.safe_confirmed, "{:?}", outcome.safe_doubt);
}

#[test]
fn a_record_that_fails_stops_the_run_safely() {
    #[derive(Debug)]
    struct Full(u32);
    impl RecordSink for Full {
        fn block(&mut self, _block: &Arc<Block>) -> Result<(), String> {
            self.0 += 1;
            if self.0 > 1000 { Err("no space left on the disk".to_owned()) } else { Ok(()) }
        }
        fn event(&mut self, _event: &Numbered) -> Result<(), String> {
            Ok(())
        }
        fn finish(self: Box<Self>) -> Result<(), String> {
            Ok(())
        }
    }
    let rig = of_kind("linear-low");
    let bench = driver::open(&rig, None).unwrap();
    let request =
        RunRequest { rig, plan: full(), header: Header::default(), checks: Vec::new(), advise: |_| Vec::new() };
    let outcome = run(request, bench, Full(0), &mut Quiet, StopHandle::new());
    assert_eq!(stopped_by(&outcome), Some((StoppedBy::Record, "record")));
    assert!(outcome.safe_confirmed && outcome.bench_s < 40.0, "{:?}", outcome.safe_doubt);
}

/// A virtual bench without hands of its own, and the person who lends theirs.
#[derive(Debug)]
struct Handless {
    inner: Box<dyn Bench>,
    stop: StopHandle,
    /// What they do about each question in turn; about further ones nothing.
    answers: std::vec::IntoIter<Answer>,
    told: Arc<std::sync::Mutex<Vec<News>>>,
}

#[derive(Clone, Copy, Debug)]
enum Answer {
    /// Enter, once the question was read.
    Enter,
    /// Enter after so many reads of the bench.
    EnterAfter(u32),
    /// Ctrl-C after so many.
    StopAfter(u32),
}

impl Handless {
    fn answer(&mut self) {
        let Some(person) = self.stop.attendant().cloned() else { return };
        self.told.lock().unwrap().extend(person.news());
        if !person.is_asked() {
            return;
        }
        match self.answers.as_slice().first() {
            // What is pressed before a question can have been read is not taken for its answer.
            Some(Answer::Enter | Answer::EnterAfter(0)) => {
                while !person.enter() {
                    std::thread::sleep(std::time::Duration::from_millis(20));
                }
            }
            Some(Answer::StopAfter(0)) => self.stop.stop(),
            Some(Answer::EnterAfter(n)) => return self.later(Answer::EnterAfter(n - 1)),
            Some(Answer::StopAfter(n)) => return self.later(Answer::StopAfter(n - 1)),
            None => return,
        }
        self.answers.next();
    }

    /// Not yet.
    fn later(&mut self, answer: Answer) {
        let rest = self.answers.as_slice()[1..].to_vec();
        self.answers = [vec![answer], rest].concat().into_iter();
    }
}

impl Bench for Handless {
    fn offers(&self) -> &Offers {
        self.inner.offers()
    }

    fn set(&mut self, setting: &Setting) -> Result<f64, DriverError> {
        self.inner.set(setting)
    }

    fn read(&mut self, seconds: f64, pace: Pace) -> Result<Block, DriverError> {
        self.answer();
        self.inner.read(seconds, pace)
    }

    fn make_safe(&mut self) -> Result<f64, DriverError> {
        self.inner.make_safe()
    }
}

/// First power, discovery and the watch, attended by somebody who answers so, or by nobody.
fn flexed(answers: Option<Vec<Answer>>) -> (RunOutcome, Vec<News>) {
    let rig = of_kind("linear-low");
    let stages =
        "[[stage]]\nfirst_power = {}\n[[stage]]\ndiscover = {}\n[[stage]]\nflex_watch = { watch = \"30 s\" }\n";
    let text = format!("name = \"flexed\"\ntime_limit = \"30 min\"\n{stages}");
    let plan = parse_plan(Path::new("flexed.toml"), &text).map_err(|p| p.to_string()).unwrap();
    let stop = answers.as_ref().map_or_else(StopHandle::new, |_| StopHandle::attended(Attendant::new()));
    let told = Arc::default();
    let bench = Handless {
        inner: driver::open(&rig, None).unwrap(),
        stop: stop.clone(),
        answers: answers.unwrap_or_default().into_iter(),
        told: Arc::clone(&told),
    };
    let request = RunRequest { rig, plan, header: Header::default(), checks: Vec::new(), advise: |_| Vec::new() };
    let outcome = run(request, Box::new(bench), Nowhere, &mut Quiet, stop);
    let told = told.lock().unwrap().clone();
    (outcome, told)
}

fn watch_end(outcome: &RunOutcome) -> Option<StageEnd> {
    let watch = outcome.recording.stages.iter().find(|stage| stage.stage == "flex_watch");
    watch.expect("the stage").end.clone()
}

fn watched_s(outcome: &RunOutcome) -> Vec<f64> {
    let spans = outcome.recording.spans.iter().filter(|span| span.kind == SpanKind::FlexWatch);
    spans.map(|span| span.t1_s - span.t0_s).collect()
}

#[test]
fn a_harness_is_flexed_by_who_is_asked_and_says_so() {
    let (outcome, told) = flexed(Some(vec![Answer::Enter]));
    assert_eq!((outcome.stopped.clone(), watch_end(&outcome)), (None, Some(StageEnd::Done)));
    assert!((watched_s(&outcome)[0] - 30.0).abs() < 0.1, "{:?}", watched_s(&outcome));
    let questions: Vec<&str> = told
        .iter()
        .filter_map(|news| if let News::Question(text) = news { Some(text.as_str()) } else { None })
        .collect();
    assert!(
        matches!(questions.as_slice(), [guard, flex] if guard.contains("Guard shut") && flex.contains("flex it now"))
    );
    assert!(
        told.iter().any(|news| matches!(news, News::Standing(text) if text.contains("0 drop-outs so far"))),
        "{told:?}"
    );
    // Nothing was energised while the person was waited for.
    let begun_s = outcome.recording.stages.iter().find(|stage| stage.stage == "flex_watch").unwrap().t0_s;
    assert_eq!(outcome.recording.setting_at(begun_s + 0.5).expect("a setting").supply, Supply::Off);
    let found = crate::analysis::analyse(&outcome.recording);
    assert_eq!(found.number(ResultName::FlexDropouts), Some(0.0), "{:?}", found.absent);
}

#[test]
fn enter_ends_the_watch_early_and_ctrl_c_the_run_in_the_safe_state() {
    let (outcome, _) = flexed(Some(vec![Answer::Enter, Answer::EnterAfter(600)]));
    assert_eq!(watch_end(&outcome), Some(StageEnd::Done));
    assert!((8.0..25.0).contains(&watched_s(&outcome)[0]), "{:?}", watched_s(&outcome));

    let (outcome, _) = flexed(Some(vec![Answer::Enter, Answer::StopAfter(300)]));
    assert_eq!(stopped_by(&outcome).map(|(by, _)| by), Some(StoppedBy::Operator));
    assert_eq!(watch_end(&outcome), Some(StageEnd::Stopped));
    assert!(outcome.safe_confirmed, "{:?}", outcome.safe_doubt);
    let (_, last) = outcome.recording.settings.last().expect("a setting");
    assert_eq!(last.supply, Supply::Off);
}

#[test]
fn without_somebody_the_watch_is_skipped_and_who_does_not_come_is_not_waited_for_long() {
    let (outcome, _) = flexed(None);
    let Some(StageEnd::Skipped { why }) = watch_end(&outcome) else { panic!("{:?}", watch_end(&outcome)) };
    assert!(why.contains("nobody is at the bench"), "{why}");
    assert!(outcome.stopped.is_none());

    let (outcome, _) = flexed(Some(vec![]));
    let Some(StageEnd::Partial { why }) = watch_end(&outcome) else { panic!("{:?}", watch_end(&outcome)) };
    assert_eq!(why, "nobody pressed Enter within 5 min");
    assert!(outcome.stopped.is_none() && watched_s(&outcome).is_empty());
}
