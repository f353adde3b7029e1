//! One talk with a bench program, and the checks made in it.

use std::time::{Duration, Instant};

use serde_json::{Map, Value, json};

use crate::config::rig::Rig;
use crate::driver::Control;
use crate::driver::external::process::{NoLine, Process};
use crate::driver::external::protocol::{self, Clock, Hello, Op, Samples, Wrong};
use crate::driver::external::timeline::Timeline;
use crate::driver::external::translate::{self, Names};
use crate::driver::external::{ALLOWED_S, HELLO_ALLOWED_S};

/// How long a program may take to end by itself after `bye` or the end of its input.
const END_ALLOWED: Duration = Duration::from_secs(2);

/// What is wrong and what to do.
pub(super) struct Flaw {
    pub(super) wrong: String,
    pub(super) advice: &'static str,
    /// Whether question and answer no longer belong together, so that nothing more can be asked.
    pub(super) breaks_off: bool,
}

impl Flaw {
    fn new(wrong: impl Into<String>, advice: &'static str) -> Self {
        Self { wrong: wrong.into(), advice, breaks_off: false }
    }

    fn breaking_off(wrong: impl Into<String>, advice: &'static str) -> Self {
        Self { wrong: wrong.into(), advice, breaks_off: true }
    }

    /// What a wrong answer means for the author of the program.
    fn of(wrong: &Wrong) -> Self {
        let advice = match wrong {
            Wrong::NotText(_) => "write UTF-8",
            Wrong::NotJson { .. } => {
                "write one JSON object per line, flush it, and nothing else to standard output (notes for people go to standard error)"
            }
            Wrong::NotFinite(_) => "send finite numbers only; count samples that are missing as `lost`",
            Wrong::Refused(_) => "make it work in every state, or do not offer it in `hello`",
            Wrong::OutOfOrder { .. } => "answer each request once, in order, before reading the next",
            Wrong::Field(_) => "send the fields that docs/external-program.md lists for this answer",
            Wrong::Length(_) => "send as many samples of every channel; repeat the last value of a slow one",
        };
        Self { wrong: wrong.to_string(), advice, breaks_off: matches!(wrong, Wrong::OutOfOrder { .. }) }
    }
}

type Part = fn(&mut Talk) -> Result<(), Flaw>;

/// The checks after `hello`, in order: name, what must hold, the check.
pub(super) const PARTS: [(&str, &str, Part); 11] = [
    ("safe, first", "`safe` is answered before anything was set", Talk::safe),
    ("set, one by one", "each control can be set alone, and the time is answered", Talk::set_one_by_one),
    ("set, together", "several controls, or none at all, can come in one `set`", Talk::set_together),
    (
        "read, shape",
        "a read brings every channel of `hello`, of one length, finite, at the stated rate",
        Talk::read_shape,
    ),
    ("read, continuity", "samples and edges of each read follow on from the last", Talk::read_on),
    ("read, timing", "a virtual clock moves with `read` alone, a real read lasts as long as asked", Talk::read_timing),
    ("safe, energised", "`safe` works with the supply on and pulses on the line", Talk::safe_energised),
    ("safe, again", "`safe` works again and again", Talk::safe_again),
    ("unknown op", "a request that it does not know is answered by `\"ok\":false`", Talk::unknown_op),
    ("bad line", "a line that is no JSON is answered by `\"ok\":false`", Talk::bad_line),
    ("bye", "`bye` is answered, and the program ends", Talk::bye),
];

/// A program that answered `hello`.
pub(super) struct Talk {
    process: Process,
    hello: Hello,
    timeline: Timeline,
    last_edge: f64,
}

impl Talk {
    /// Starts `command` and says hello.
    pub(super) fn begin(command: &[String]) -> Result<Self, Flaw> {
        let mut process = Process::spawn(command).map_err(|error| {
            Flaw::new(error.to_string(), "name the program and its arguments in `command`, each as its own text")
        })?;
        let line = ask(&mut process, &protocol::hello_line(), HELLO_ALLOWED_S)?;
        let hello = protocol::hello(&line).map_err(|wrong| Flaw::of(&wrong))?;
        let timeline = Timeline::new(hello.clock);
        Ok(Self { process, hello, timeline, last_edge: f64::NEG_INFINITY })
    }

    pub(super) fn end(&mut self) {
        self.process.end();
    }

    /// What it wrote to its standard error.
    pub(super) fn log(&mut self) -> Vec<String> {
        self.process.take_log()
    }

    /// Whether what `hello` lists makes sense.
    pub(super) fn check_hello(&self) -> Result<(), Flaw> {
        if self.hello.name.is_empty() {
            return Err(Flaw::new("`name` is missing or empty", "give a name that people at the bench know"));
        }
        for list in [&self.hello.channels, &self.hello.edges, &self.hello.controls] {
            if let Some(twice) = list.iter().enumerate().find_map(|(i, name)| list[..i].contains(name).then_some(name))
            {
                return Err(Flaw::new(format!("`{twice}` is listed twice"), "list each name once"));
            }
        }
        if !self.hello.controls.iter().any(|name| name == Control::SupplyOn.name()) {
            return Err(Flaw::new(
                "`controls` lacks `supply_on`",
                "offer the supply relay: nothing is energised without a switch that can be opened again",
            ));
        }
        Ok(())
    }

    /// Whether the program has everything that the rig file names.
    pub(super) fn compare_with(&self, rig: &Rig) -> Result<(), Flaw> {
        let advice = "offer it in `hello`, or take it out of the rig file; names must be the same letter by letter";
        match Names::matched(rig, &self.hello) {
            Ok((_, missing)) if missing.is_empty() => Ok(()),
            Ok((_, missing)) => Err(Flaw::new(missing.join("; "), advice)),
            Err(why) => Err(Flaw::new(why, advice)),
        }
    }

    fn safe(&mut self) -> Result<(), Flaw> {
        self.moment(Op::Safe, &protocol::bare_line(Op::Safe)).map(|_| ())
    }

    fn set_one_by_one(&mut self) -> Result<(), Flaw> {
        let tries = [
            ("frequency_hz", json!(140.0)),
            ("active", json!("high")),
            ("active", json!("low")),
            ("duty_pct", json!(35.0)),
            ("line", json!("pwm")),
            ("line", json!("low")),
            ("line", json!("high")),
            ("line", json!("open")),
            ("duty_pct", json!(100.0)),
            ("duty_pct", json!(0.0)),
            ("supply_gentle", json!(true)),
            ("supply_on", json!(true)),
            ("supply_on", json!(false)),
        ];
        for (control, value) in tries {
            if !self.offers(control) {
                continue;
            }
            let told = format!("`{control}` to {value}");
            self.set([(control, value)]).map_err(|mut flaw| {
                flaw.wrong = format!("setting {told}: {}", flaw.wrong);
                flaw
            })?;
        }
        Ok(())
    }

    fn set_together(&mut self) -> Result<(), Flaw> {
        self.set([("duty_pct", json!(40.5)), ("frequency_hz", json!(100.0)), ("line", json!("pwm"))])?;
        self.set([])
    }

    fn read_shape(&mut self) -> Result<(), Flaw> {
        let samples = self.read(0.25)?;
        let rate = 1.0 / samples.dt;
        if (rate / self.hello.rate_hz - 1.0).abs() > 0.01 {
            let wrong = format!("`dt` means {rate:.1} samples/s, but `hello` said {}", self.hello.rate_hz);
            return Err(Flaw::new(wrong, "state the rate in `hello` that a read brings"));
        }
        Ok(())
    }

    fn read_on(&mut self) -> Result<(), Flaw> {
        (0..25).try_for_each(|_| self.read(0.02).map(|_| ()))
    }

    fn read_timing(&mut self) -> Result<(), Flaw> {
        let virtual_clock = self.hello.clock == Clock::Virtual;
        let asked_s = if virtual_clock { 4.0 } else { 0.5 };
        let begin = Instant::now();
        self.read(asked_s)?;
        let took_s = begin.elapsed().as_secs_f64();
        if virtual_clock && took_s > 0.9 * asked_s {
            return Err(Flaw::new(
                format!("a read of {asked_s} s took {took_s:.2} s though the clock is virtual"),
                "do not wait in `read`, or say `\"clock\":\"real\"`",
            ));
        }
        if !virtual_clock && took_s < 0.5 * asked_s {
            return Err(Flaw::new(
                format!("a read of {asked_s} s came back after {took_s:.2} s though the clock is real"),
                "wait until the time asked is over, or say `\"clock\":\"virtual\"`",
            ));
        }
        let before_s = self.moment(Op::Set, &protocol::set_line(&Map::new()))?;
        std::thread::sleep(Duration::from_millis(60));
        let passed_s = self.moment(Op::Set, &protocol::set_line(&Map::new()))? - before_s;
        if virtual_clock && passed_s > 0.03 {
            return Err(Flaw::new(
                format!("a virtual clock moved by {passed_s:.3} s without a `read`"),
                "move a virtual clock in `read` alone",
            ));
        }
        Ok(())
    }

    fn safe_energised(&mut self) -> Result<(), Flaw> {
        // The line stays at its released or inactive level: the relay is what is tried here.
        self.set([("line", json!("pwm")), ("duty_pct", json!(0.0)), ("supply_on", json!(true))])?;
        self.read(0.02)?;
        self.safe()?;
        self.read(0.02).map(|_| ())
    }

    fn safe_again(&mut self) -> Result<(), Flaw> {
        (0..3).try_for_each(|_| self.safe())
    }

    fn unknown_op(&mut self) -> Result<(), Flaw> {
        self.must_refuse(r#"{"op":"no such op"}"#)
    }

    fn bad_line(&mut self) -> Result<(), Flaw> {
        self.must_refuse(r#"{"op":"set","duty_pct":"#)
    }

    fn bye(&mut self) -> Result<(), Flaw> {
        let line = ask(&mut self.process, &protocol::bare_line(Op::Bye), ALLOWED_S)?;
        protocol::done(&line).map_err(|wrong| Flaw::of(&wrong))?;
        must_end(&mut self.process, "`bye`")
    }

    fn offers(&self, control: &str) -> bool {
        self.hello.controls.iter().any(|name| name == control)
    }

    fn set<const N: usize>(&mut self, values: [(&str, Value); N]) -> Result<(), Flaw> {
        let offered = values.into_iter().filter(|(control, _)| self.offers(control));
        let fields: Map<String, Value> = offered.map(|(control, value)| (control.to_owned(), value)).collect();
        self.moment(Op::Set, &protocol::set_line(&fields)).map(|_| ())
    }

    /// Asks for something that is answered by a time; the time on the run's clock.
    fn moment(&mut self, op: Op, line: &str) -> Result<f64, Flaw> {
        let line = ask(&mut self.process, line, ALLOWED_S)?;
        let t = protocol::time(&line, op).map_err(|wrong| Flaw::of(&wrong))?;
        self.timeline.moment(t).map_err(backwards)
    }

    fn read(&mut self, seconds: f64) -> Result<Samples, Flaw> {
        let line = ask(&mut self.process, &protocol::read_line(seconds), seconds + ALLOWED_S)?;
        let samples = protocol::samples(&line).map_err(|wrong| Flaw::of(&wrong))?;
        for (promised, arrays, what) in
            [(&self.hello.channels, &samples.channels, "channel"), (&self.hello.edges, &samples.edges, "edge input")]
        {
            if let Some(name) = promised.iter().find(|name| !arrays.contains_key(*name)) {
                let wrong = format!("{what} `{name}` is missing, though `hello` names it");
                return Err(Flaw::new(wrong, "bring with every read all that `hello` names"));
            }
        }
        translate::check_length(&samples, seconds, self.hello.clock == Clock::Virtual)
            .map_err(|wrong| Flaw::new(wrong, "bring the samples of the time asked, no more and no less"))?;
        self.check_time(&samples)?;
        Ok(samples)
    }

    fn check_time(&mut self, samples: &Samples) -> Result<(), Flaw> {
        let place = self.timeline.follow(samples.t0, samples.n, samples.dt, samples.lost).map_err(backwards)?;
        if let Some(gap_s) = place.unstated_gap_s {
            return Err(Flaw::new(
                format!("a gap of {gap_s:.4} s lies before {} s, and `lost` does not state it", samples.t0),
                "buffer what is sampled between reads, or state the number of lost samples",
            ));
        }
        for edges in samples.edges.values() {
            translate::check_edges(samples, edges, self.timeline.tolerance_s(samples.dt), self.last_edge)
                .map_err(|wrong| Flaw::new(wrong, "bring the rising edges of this block in order of time"))?;
        }
        // With several edge inputs their times interleave; only one can be followed from block to block.
        if let (1, Some(last)) = (samples.edges.len(), samples.edges.values().next().and_then(|edges| edges.last())) {
            self.last_edge = *last;
        }
        Ok(())
    }

    fn must_refuse(&mut self, request: &str) -> Result<(), Flaw> {
        let advice = "answer it by {\"ok\":false,\"error\":\"...\"} and go on";
        let line = ask(&mut self.process, request, ALLOWED_S).map_err(|flaw| Flaw { advice, ..flaw })?;
        match protocol::done(&line) {
            Err(Wrong::Refused(_)) => Ok(()),
            Err(wrong) => Err(Flaw::of(&wrong)),
            Ok(()) => Err(Flaw::new(format!("`{request}` was answered as if it were right"), advice)),
        }
    }
}

/// A fresh program whose input ends after `hello` and a `set`.
pub(super) fn end_of_input(command: &[String]) -> Result<(), Flaw> {
    let mut talk = Talk::begin(command)?;
    talk.set([("supply_on", json!(true))])?;
    talk.process.close_input();
    must_end(&mut talk.process, "the end of its input")
}

fn must_end(process: &mut Process, after: &str) -> Result<(), Flaw> {
    let advice = "make the bench safe and leave the loop there";
    match process.wait(END_ALLOWED) {
        Some(status) if status.success() => Ok(()),
        Some(status) => Err(Flaw::new(format!("it ended with {status} after {after}{}", process.last_words()), advice)),
        None => Err(Flaw::new(format!("it went on running after {after}"), advice)),
    }
}

fn backwards(wrong: String) -> Flaw {
    Flaw::new(wrong, "answer with one clock that never goes backwards, in `set`, `read` and `safe`")
}

/// Sends one line and waits for one.
fn ask(process: &mut Process, request: &str, allowed_s: f64) -> Result<Vec<u8>, Flaw> {
    if let Some(Ok(stray)) = process.waiting_line() {
        let stray = protocol::shortened(&String::from_utf8_lossy(&stray));
        let wrong = format!("answer out of order: before `{request}` was asked, a line came: {stray}");
        return Err(Flaw::breaking_off(wrong, "answer each request once, in order"));
    }
    process.send(request).map_err(|why| Flaw::breaking_off(why, "stay alive until `bye` or the end of input"))?;
    process.line(Duration::from_secs_f64(allowed_s)).map_err(|none| match none {
        NoLine::Late => Flaw::breaking_off(
            format!("no answer to `{request}` within {allowed_s} s{}", process.last_words()),
            "answer in time, and flush standard output after each line",
        ),
        NoLine::TooLong => Flaw::breaking_off("the answer is longer than 64 MiB", "end each answer by a line feed"),
        NoLine::Ended(why) => Flaw::breaking_off(
            format!("at `{request}`: {why}"),
            "stay alive until `bye` or the end of input; answer errors by {\"ok\":false,\"error\":\"...\"}",
        ),
    })
}
