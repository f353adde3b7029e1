//! A bench driven by an external program: JSON lines on its standard input and output, run without a shell.
//!
//! What happens when things end: dropping the bench, closing it, or any fault asks the program for `safe`, closes its
//! input (which means `safe` to it), then sends TERM and KILL with short waits. When this process is killed outright,
//! the program's input ends, which means `safe` as well. A cut cable is the program's business: it must then refuse.
//! Samples are stamped by the program's clock; [`Pace`] is not passed on, the program has a rate of its own.
//!
//! A program without an `active` control always means `low`; a duty at the level `high` is then told as its
//! complement, which is the same line. A program without a `supply_gentle` control gets `supply_on` for
//! `Supply::Gentle`: unless the bench wiring itself limits the current, first power is then straight.

pub(crate) mod process;
pub(crate) mod protocol;
pub(crate) mod timeline;
pub(crate) mod translate;

use std::time::Duration;

use serde_json::{Map, Value};

use self::process::{NoLine, Process};
use self::protocol::{Hello, Op, Samples, Wrong};
use self::timeline::Timeline;
use self::translate::Names;
use crate::bench::{Block, Pace, Setting};
use crate::config::rig::Rig;
use crate::driver::{Bench, DriverError, Offers};

/// Time allowed for the answer to `hello`, seconds.
pub(crate) const HELLO_ALLOWED_S: f64 = 10.0;
/// Time allowed for any other answer beyond the seconds asked.
pub(crate) const ALLOWED_S: f64 = 2.0;
/// Notes kept between two collections.
const MOST_NOTES: usize = 50;

/// A bench program that has said hello and confirmed its safe state.
#[derive(Debug)]
pub struct ExternalBench {
    process: Process,
    offers: Offers,
    names: Names,
    timeline: Timeline,
    /// What the program was last told, by the program's names; empty when its state is not known in full.
    told: Map<String, Value>,
    /// Questions whose answer never came or was another's, oldest first.
    unanswered: Vec<Op>,
    fault: Option<DriverError>,
    /// Outcome of `safe` after a fault.
    safe_after_fault: Option<Result<f64, DriverError>>,
    /// On the program's clock.
    last_edge: f64,
    notes: Vec<String>,
    closed: bool,
}

impl ExternalBench {
    /// Starts `command`, says hello, compares what the program offers with what `rig` names, and asks for the safe
    /// state once, before anything could be energised.
    ///
    /// # Errors
    /// [`DriverError`] when the program cannot be started, does not answer as it must, lacks the supply switch, the
    /// supply current or the emergency stop that the rig file names, or does not confirm `safe`.
    pub fn open(rig: &Rig, command: &[String]) -> Result<Self, DriverError> {
        let mut process = Process::spawn(command)?;
        let hello = greet(&mut process)?;
        let (names, notes) = Names::matched(rig, &hello)
            .map_err(|why| DriverError::Open { what: format!("bench program `{}`", process.name), why })?;
        let mut bench = Self {
            offers: names.offers(&hello),
            timeline: Timeline::new(hello.clock),
            process,
            names,
            told: Map::new(),
            unanswered: Vec::new(),
            fault: None,
            safe_after_fault: None,
            last_edge: f64::NEG_INFINITY,
            notes,
            closed: false,
        };
        let line = bench.ask(Op::Safe, &protocol::bare_line(Op::Safe), ALLOWED_S).map_err(|e| bench.fail(e))?;
        protocol::time(&line, Op::Safe).map_err(|wrong| bench.wrong(Op::Safe, &wrong))?;
        Ok(bench)
    }

    /// Sends one line and waits for its answer.
    fn ask(&mut self, op: Op, line: &str, allowed_s: f64) -> Result<Vec<u8>, DriverError> {
        if let Some(stray) = self.process.waiting_line() {
            return Err(match stray {
                Ok(stray) => {
                    let text = protocol::shortened(&String::from_utf8_lossy(&stray));
                    let why = format!("answer out of order: before it was asked, a line came: {text}");
                    DriverError::Answer { what: self.asked(op), why }
                }
                Err(none) => no_line(&self.process, self.asked(op), none, allowed_s),
            });
        }
        self.process.send(line).map_err(|why| DriverError::Gone { what: self.program(), why })?;
        self.process.line(Duration::from_secs_f64(allowed_s)).map_err(|none| {
            self.unanswered.push(op);
            no_line(&self.process, self.asked(op), none, allowed_s)
        })
    }

    fn program(&self) -> String {
        format!("bench program `{}`", self.process.name)
    }

    fn asked(&self, op: Op) -> String {
        asked(&self.process, op)
    }

    /// A wrong answer is a fault; one that belongs to another question leaves this one unanswered.
    fn wrong(&mut self, op: Op, wrong: &Wrong) -> DriverError {
        if matches!(wrong, Wrong::OutOfOrder { .. }) {
            self.unanswered.push(op);
        }
        let why = match wrong {
            // The program itself knows best; its own words may say more.
            Wrong::Refused(_) => format!("{wrong}{}", self.process.last_words()),
            _ => wrong.to_string(),
        };
        self.fail(DriverError::Answer { what: self.asked(op), why })
    }

    /// Notes a fault, asks for the safe state at once and ends the program.
    fn fail(&mut self, error: DriverError) -> DriverError {
        if self.fault.is_none() {
            self.fault = Some(error.clone());
            self.told.clear();
            let outcome = self.last_safe();
            self.process.end();
            self.safe_after_fault = Some(outcome);
        }
        error
    }

    /// Asks a program that has gone wrong for the safe state; answers that were due before do not count.
    fn last_safe(&mut self) -> Result<f64, DriverError> {
        while let Some(Ok(line)) = self.process.waiting_line() {
            self.answers_earlier(&line);
        }
        self.process.send(&protocol::bare_line(Op::Safe)).map_err(|why| self.unsafe_state(&why))?;
        let deadline = std::time::Instant::now() + Duration::from_secs_f64(ALLOWED_S);
        loop {
            let left = deadline.saturating_duration_since(std::time::Instant::now());
            let line = self.process.line(left).map_err(|none| {
                let what = self.asked(Op::Safe);
                self.unsafe_state(&no_line(&self.process, what, none, ALLOWED_S).to_string())
            })?;
            if self.answers_earlier(&line) {
                continue;
            }
            return match protocol::time(&line, Op::Safe) {
                Ok(t) => Ok(self.timeline.moment(t).unwrap_or_else(|_| self.timeline.now_s())),
                Err(wrong) => Err(self.unsafe_state(&wrong.to_string())),
            };
        }
    }

    /// Whether `line` may be the late answer to an earlier question, which it then answers.
    fn answers_earlier(&mut self, line: &[u8]) -> bool {
        let looks = protocol::looks_like(line);
        let fits = |op: &Op| match looks {
            Some(Op::Safe) => matches!(op, Op::Set | Op::Safe),
            Some(Op::Bye) | None => true,
            Some(other) => *op == other,
        };
        if let Some(at) = self.unanswered.iter().position(fits) {
            self.unanswered.remove(at);
            return true;
        }
        matches!(looks, Some(Op::Read | Op::Hello))
    }

    fn unsafe_state(&self, why: &str) -> DriverError {
        DriverError::Answer { what: self.asked(Op::Safe), why: format!("safe state NOT confirmed: {why}") }
    }

    /// Refuses when the bench has failed before.
    fn usable(&self) -> Result<(), DriverError> {
        match &self.fault {
            Some(error) => Err(error.clone()),
            None if self.closed => {
                Err(DriverError::Gone { what: self.program(), why: "the bench was closed".to_owned() })
            }
            None => Ok(()),
        }
    }

    /// Checks a right-looking answer against what was asked and turns it into a block.
    fn block(&mut self, samples: &Samples, seconds: f64) -> Result<Block, String> {
        translate::check_length(samples, seconds, self.offers.virtual_clock)?;
        let place = self.timeline.follow(samples.t0, samples.n, samples.dt, samples.lost)?;
        if let Some(gap_s) = place.unstated_gap_s {
            self.note(format!("a gap of {gap_s:.4} s before {} s was not stated as `lost`", samples.t0));
        }
        let tach_s = self.tach(samples)?;
        Ok(Block {
            t0_s: place.t0_s,
            duration_s: place.duration_s,
            lost: place.lost,
            channels: self.names.channels(samples)?,
            tach_s,
            stop_pressed: self.names.stop_pressed(samples)?,
        })
    }

    fn tach(&mut self, samples: &Samples) -> Result<Option<Vec<f64>>, String> {
        let Some(edges) = self.names.edges(samples)? else { return Ok(None) };
        let tolerance_s = self.timeline.tolerance_s(samples.dt);
        translate::check_edges(samples, edges, tolerance_s, self.last_edge)?;
        self.last_edge = edges.last().copied().unwrap_or(self.last_edge);
        Ok(Some(edges.iter().map(|edge| self.timeline.inside(*edge)).collect()))
    }

    fn note(&mut self, text: String) {
        if self.notes.len() < MOST_NOTES {
            self.notes.push(text);
        }
    }
}

impl Bench for ExternalBench {
    fn offers(&self) -> &Offers {
        &self.offers
    }

    fn set(&mut self, setting: &Setting) -> Result<f64, DriverError> {
        self.usable()?;
        let wanted = self.names.fields(setting);
        let news = wanted.iter().filter(|(name, value)| self.told.get(*name) != Some(*value));
        let news: Map<String, Value> = news.map(|(name, value)| (name.clone(), value.clone())).collect();
        let line = self.ask(Op::Set, &protocol::set_line(&news), ALLOWED_S).map_err(|e| self.fail(e))?;
        let t = protocol::time(&line, Op::Set).map_err(|wrong| self.wrong(Op::Set, &wrong))?;
        self.told.extend(news);
        let what = self.asked(Op::Set);
        self.timeline.moment(t).map_err(|why| self.fail(DriverError::Answer { what, why }))
    }

    fn read(&mut self, seconds: f64, _pace: Pace) -> Result<Block, DriverError> {
        self.usable()?;
        let question = protocol::read_line(seconds);
        let line = self.ask(Op::Read, &question, seconds + ALLOWED_S).map_err(|e| self.fail(e))?;
        let samples = protocol::samples(&line).map_err(|wrong| self.wrong(Op::Read, &wrong))?;
        let what = self.asked(Op::Read);
        self.block(&samples, seconds).map_err(|why| self.fail(DriverError::Answer { what, why }))
    }

    fn make_safe(&mut self) -> Result<f64, DriverError> {
        if let Some(outcome) = &self.safe_after_fault {
            return outcome.clone();
        }
        if self.closed {
            return Ok(self.timeline.now_s());
        }
        self.told.clear();
        let answer = self.ask(Op::Safe, &protocol::bare_line(Op::Safe), ALLOWED_S);
        let t = answer.and_then(|line| {
            protocol::time(&line, Op::Safe).map_err(|wrong| {
                if matches!(wrong, Wrong::OutOfOrder { .. }) {
                    self.unanswered.push(Op::Safe);
                }
                DriverError::Answer { what: self.asked(Op::Safe), why: wrong.to_string() }
            })
        });
        match t {
            Ok(t) => Ok(self.timeline.moment(t).unwrap_or_else(|_| self.timeline.now_s())),
            Err(error) => {
                // Asked once more, now without trust, before the program is ended.
                self.fail(error);
                self.safe_after_fault.clone().unwrap_or_else(|| Err(self.unsafe_state("it was not asked")))
            }
        }
    }

    fn notes(&mut self) -> Vec<String> {
        let mut notes = std::mem::take(&mut self.notes);
        notes.extend(self.process.take_log().into_iter().map(|line| format!("bench program: {line}")));
        notes
    }

    fn close(&mut self) {
        if self.fault.is_none() && !self.closed {
            // Safe again and bye are courtesy here: the end of its input means safe to the program.
            let _ = self.make_safe();
            if self.fault.is_none() {
                let answer = self.ask(Op::Bye, &protocol::bare_line(Op::Bye), ALLOWED_S);
                let said = answer.map_err(|error| error.to_string());
                if let Err(why) = said.and_then(|line| protocol::done(&line).map_err(|wrong| wrong.to_string())) {
                    self.note(format!("`bye` was not answered as it must be: {why}"));
                }
            }
        }
        self.closed = true;
        self.process.end();
    }
}

impl Drop for ExternalBench {
    fn drop(&mut self) {
        self.close();
    }
}

/// Says hello to a fresh program.
pub(crate) fn greet(process: &mut Process) -> Result<Hello, DriverError> {
    process
        .send(&protocol::hello_line())
        .map_err(|why| DriverError::Gone { what: format!("bench program `{}`", process.name), why })?;
    let line = process
        .line(Duration::from_secs_f64(HELLO_ALLOWED_S))
        .map_err(|none| no_line(process, asked(process, Op::Hello), none, HELLO_ALLOWED_S))?;
    protocol::hello(&line)
        .map_err(|wrong| DriverError::Answer { what: asked(process, Op::Hello), why: wrong.to_string() })
}

fn asked(process: &Process, op: Op) -> String {
    format!("`{}` to bench program `{}`", op.name(), process.name)
}

fn no_line(process: &Process, what: String, none: NoLine, allowed_s: f64) -> DriverError {
    match none {
        NoLine::Late => DriverError::Late { what, allowed_s },
        NoLine::TooLong => DriverError::Answer { what, why: "the answer is longer than 64 MiB".to_owned() },
        NoLine::Ended(why) => DriverError::Gone { what: format!("bench program `{}`", process.name), why },
    }
}

#[cfg(test)]
mod tests {
    use super::translate::tests::rig;
    use super::*;
    use crate::bench::{ActiveLevel, Channel, Line, Supply};
    use crate::units::{Duty, Hertz};

    /// A bench played by a few lines of Python, which see each request as `r` and give the answer `a`.
    fn bench(body: &str) -> Result<ExternalBench, DriverError> {
        let program = format!(
            r#"
import json, sys
t = 3.0
for line in sys.stdin:
    r = json.loads(line)
    a = {{"ok": True}}
    if r["op"] == "hello":
        a.update(name="p", clock="virtual", rate_hz=100, channels=["supply_v", "supply_a"], edges=["tach"],
                 controls=["supply_on", "duty_pct", "frequency_hz", "line"])
    elif r["op"] == "read":
        n = round(r["seconds"] * 100)
        a.update(t0=t, dt=0.01, channels={{"supply_v": [13.0] * n, "supply_a": [2.0] * n}}, edges={{"tach": [t + 0.005]}})
        t += n * 0.01
    elif r["op"] != "bye":
        a["t"] = t
{body}
    print(json.dumps(a), flush=True)
"#
        );
        let command = ["python3".to_owned(), "-c".to_owned(), program];
        ExternalBench::open(&rig(), &command)
    }

    fn setting(duty: f64, active: ActiveLevel) -> Setting {
        let duty = Duty::from_percent(duty).unwrap();
        Setting { supply: Supply::On, duty, active, frequency: Hertz(140.0), line: Line::Pwm, supply_v: None }
    }

    #[test]
    fn set_says_only_what_changes_and_turns_the_duty_round_without_an_active_control() {
        let mut bench = bench(
            r#"
    if r["op"] == "set":
        print(json.dumps(r, sort_keys=True), file=sys.stderr, flush=True)
"#,
        )
        .unwrap();
        bench.notes();
        bench.set(&setting(35.0, ActiveLevel::Low)).unwrap();
        bench.set(&setting(35.0, ActiveLevel::Low)).unwrap();
        bench.set(&setting(35.0, ActiveLevel::High)).unwrap();
        bench.make_safe().unwrap();
        bench.set(&setting(35.0, ActiveLevel::High)).unwrap();
        bench.close();
        let said: Vec<String> = bench.notes();
        let prefix = "bench program: ";
        let expected = [
            r#"{"duty_pct": 35.0, "frequency_hz": 140.0, "line": "pwm", "op": "set", "supply_on": true}"#,
            r#"{"op": "set"}"#,
            r#"{"duty_pct": 65.0, "op": "set"}"#,
            r#"{"duty_pct": 65.0, "frequency_hz": 140.0, "line": "pwm", "op": "set", "supply_on": true}"#,
        ];
        assert_eq!(said, expected.map(|line| format!("{prefix}{line}")));
    }

    #[test]
    fn blocks_come_on_the_runs_clock_scaled_and_named_by_the_rig() {
        let mut bench = bench("").unwrap();
        assert_eq!(bench.set(&setting(35.0, ActiveLevel::Low)), Ok(0.0));
        let block = bench.read(0.05, Pace::Normal).unwrap();
        assert_eq!((block.t0_s, block.lost), (0.0, 0));
        assert!((block.duration_s - 0.05).abs() < 1e-12);
        // The rig file of the test scales the current by 2 and adds 1 A.
        assert_eq!(block.samples(Channel::SupplyA), Some([5.0_f32; 5].as_slice()));
        assert!((block.tach_s.unwrap()[0] - 0.005).abs() < 1e-9);
        assert!((bench.read(0.05, Pace::Normal).unwrap().t0_s - 0.05).abs() < 1e-12);
    }

    #[test]
    fn a_fault_asks_for_safe_at_once_and_says_whether_it_was_confirmed() {
        let refuses = "    if r[\"op\"] == \"read\": a = {\"ok\": False, \"error\": \"converter asleep\"}";
        let mut polite = bench(refuses).unwrap();
        let error = polite.read(0.05, Pace::Normal).unwrap_err();
        assert!(error.to_string().contains("converter asleep"), "{error}");
        assert!(polite.make_safe().is_ok());
        assert!(polite.set(&Setting::SAFE).is_err(), "a bench that failed is not used again");

        let mut gone = bench("    if r[\"op\"] == \"read\": sys.exit(\"out of coffee\")").unwrap();
        let error = gone.read(0.05, Pace::Normal).unwrap_err().to_string();
        assert!(error.contains("exit status: 1") && error.contains("out of coffee"), "{error}");
        assert!(gone.make_safe().unwrap_err().to_string().contains("safe state NOT confirmed"));
    }

    #[test]
    fn a_late_answer_to_an_earlier_question_does_not_count_as_the_answer_to_safe() {
        // Answers to `set` come 2.2 s late, everything after it never.
        let mut bench = bench(
            r#"
    if r["op"] == "set":
        import time
        time.sleep(2.2)
    if r["op"] == "safe" and t == 99.0: continue
    if r["op"] == "set": t = 99.0
"#,
        )
        .unwrap();
        assert!(matches!(bench.set(&Setting::SAFE), Err(DriverError::Late { .. })));
        assert!(bench.make_safe().unwrap_err().to_string().contains("safe state NOT confirmed"));
    }

    #[test]
    fn a_program_that_is_not_there_is_named() {
        let error = ExternalBench::open(&rig(), &["no-such-bench-program".to_owned()]).unwrap_err().to_string();
        assert!(error.contains("`no-such-bench-program` was not found"), "{error}");
        assert!(ExternalBench::open(&rig(), &[]).is_err());
    }
}
