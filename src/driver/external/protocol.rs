//! The words of the line protocol: one JSON object per line, what is asked and what a right answer is.
//!
//! Pure: bytes in, checked values or the fault in words out. `docs/external-program.md` describes the protocol for
//! authors of bench programs.

use std::collections::BTreeMap;

use serde::Deserialize;
use serde_json::{Map, Value};

/// Version of the protocol that `hello` names.
pub(crate) const VERSION: u32 = 1;

/// What can be asked of a program.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Op {
    /// Who are you.
    Hello,
    /// Change the setting.
    Set,
    /// Let time pass and deliver samples.
    Read,
    /// Safe state.
    Safe,
    /// Good bye.
    Bye,
}

impl Op {
    /// Spelling in the protocol.
    pub(crate) const fn name(self) -> &'static str {
        match self {
            Self::Hello => "hello",
            Self::Set => "set",
            Self::Read => "read",
            Self::Safe => "safe",
            Self::Bye => "bye",
        }
    }
}

/// The line that says hello.
pub(crate) fn hello_line() -> String {
    format!(r#"{{"op":"hello","version":{VERSION}}}"#)
}

/// The line that changes `fields` and nothing else.
pub(crate) fn set_line(fields: &Map<String, Value>) -> String {
    let fields: String =
        fields.iter().map(|(name, value)| format!(",{}:{value}", Value::from(name.as_str()))).collect();
    format!(r#"{{"op":"set"{fields}}}"#)
}

/// The line that asks for `seconds` of samples.
pub(crate) fn read_line(seconds: f64) -> String {
    format!(r#"{{"op":"read","seconds":{}}}"#, Value::from(seconds))
}

/// The line of an operation without fields: `safe` or `bye`.
pub(crate) fn bare_line(op: Op) -> String {
    format!(r#"{{"op":"{}"}}"#, op.name())
}

/// How a program keeps time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Clock {
    /// `read` moves time on and returns at once.
    Virtual,
    /// `read` lasts as long as it was asked to.
    Real,
}

/// A right answer to `hello`.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Hello {
    /// Name of the program.
    pub(crate) name: String,
    /// How it keeps time.
    pub(crate) clock: Clock,
    /// Usual sample rate, samples per second.
    pub(crate) rate_hz: f64,
    /// Channels that every read brings.
    pub(crate) channels: Vec<String>,
    /// Edge inputs that every read brings.
    pub(crate) edges: Vec<String>,
    /// Controls that `set` takes.
    pub(crate) controls: Vec<String>,
}

/// A right answer to `read`, in the program's own numbers and time.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Samples {
    /// Start of the block on the program's clock, seconds.
    pub(crate) t0: f64,
    /// Spacing, seconds.
    pub(crate) dt: f64,
    /// Samples that the program says are missing before `t0`.
    pub(crate) lost: u64,
    /// Samples by channel, all of one length.
    pub(crate) channels: BTreeMap<String, Vec<f64>>,
    /// Rising edges by input, seconds on the program's clock.
    pub(crate) edges: BTreeMap<String, Vec<f64>>,
    /// Samples per channel.
    pub(crate) n: usize,
}

/// What is wrong with an answer.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub(crate) enum Wrong {
    /// Bytes that are no text.
    #[error("the answer is not UTF-8 text: {0}")]
    NotText(String),
    /// Text that is no JSON object.
    #[error("the answer is not one JSON object on one line ({why}): {line}")]
    NotJson {
        /// What the parser says.
        why: String,
        /// The line, shortened.
        line: String,
    },
    /// A number that is none.
    #[error("{0}")]
    NotFinite(String),
    /// `ok` is false.
    #[error("the program refused: {0}")]
    Refused(String),
    /// The answer belongs to another question.
    #[error("answer out of order: this looks like the answer to `{looks}`: {line}")]
    OutOfOrder {
        /// Question it would fit.
        looks: &'static str,
        /// The line, shortened.
        line: String,
    },
    /// A field is missing or not what it must be.
    #[error("{0}")]
    Field(String),
    /// Arrays of different lengths.
    #[error("{0}")]
    Length(String),
}

/// Reads the answer to `hello`.
pub(crate) fn hello(line: &[u8]) -> Result<Hello, Wrong> {
    let object = object(line, Op::Hello)?;
    let clock = match object.get("clock").and_then(Value::as_str) {
        Some("virtual") => Clock::Virtual,
        Some("real") => Clock::Real,
        _ => return Err(field(&object, "clock", "must be \"virtual\" or \"real\"")),
    };
    let rate_hz = object.get("rate_hz").and_then(Value::as_f64).filter(|rate| rate.is_finite() && *rate > 0.0);
    Ok(Hello {
        name: object.get("name").and_then(Value::as_str).unwrap_or_default().to_owned(),
        clock,
        rate_hz: rate_hz.ok_or_else(|| field(&object, "rate_hz", "must be a number above 0"))?,
        channels: names(&object, "channels")?,
        edges: if object.contains_key("edges") { names(&object, "edges")? } else { Vec::new() },
        controls: names(&object, "controls")?,
    })
}

/// Reads the answer to `set` or `safe`: the time from which it holds, on the program's clock.
pub(crate) fn time(line: &[u8], op: Op) -> Result<f64, Wrong> {
    let object = object(line, op)?;
    let t = object.get("t").and_then(Value::as_f64).filter(|t| t.is_finite());
    t.ok_or_else(|| field(&object, "t", "must be the time in seconds from which it holds"))
}

/// Reads the answer to `bye`.
pub(crate) fn done(line: &[u8]) -> Result<(), Wrong> {
    object(line, Op::Bye).map(|_| ())
}

/// Reads the answer to `read`.
pub(crate) fn samples(line: &[u8]) -> Result<Samples, Wrong> {
    #[derive(Deserialize)]
    struct Wire {
        ok: bool,
        t0: f64,
        dt: f64,
        #[serde(default)]
        lost: u64,
        channels: BTreeMap<String, Vec<f64>>,
        #[serde(default)]
        edges: BTreeMap<String, Vec<f64>>,
    }
    let wire = match serde_json::from_slice::<Wire>(line) {
        Ok(wire) if wire.ok => wire,
        // The quick way does not say well what is wrong; look again, slowly.
        _ => return Err(wrong_samples(line)),
    };
    if !(wire.dt.is_finite() && wire.dt > 0.0) {
        return Err(Wrong::Field(format!("`dt` is {}; it must be the sample spacing in seconds, above 0", wire.dt)));
    }
    let n = common_length(&wire.channels)?;
    Ok(Samples { t0: wire.t0, dt: wire.dt, lost: wire.lost, channels: wire.channels, edges: wire.edges, n })
}

/// The question that an answer of this shape would fit; `None` when it is no answer at all.
///
/// `set` and `safe` are answered alike and come back as [`Op::Safe`].
pub(crate) fn looks_like(line: &[u8]) -> Option<Op> {
    let value: Value = serde_json::from_slice(line).ok()?;
    value.as_object().map(shape)
}

fn shape(object: &Map<String, Value>) -> Op {
    if object.contains_key("t0") || object.contains_key("dt") {
        Op::Read
    } else if object.contains_key("clock") || object.contains_key("controls") {
        Op::Hello
    } else if object.contains_key("t") {
        Op::Safe
    } else {
        Op::Bye
    }
}

/// The object of an answer to `op` that said ok.
fn object(line: &[u8], op: Op) -> Result<Map<String, Value>, Wrong> {
    let text = std::str::from_utf8(line).map_err(|error| Wrong::NotText(error.to_string()))?;
    let value: Value = serde_json::from_str(text).map_err(|error| not_json(text, &error.to_string()))?;
    let Value::Object(object) = value else { return Err(not_json(text, "it is JSON, but no object")) };
    match object.get("ok") {
        Some(Value::Bool(true)) => {}
        Some(Value::Bool(false)) => {
            let why = object.get("error").and_then(Value::as_str).unwrap_or("it gave no `error` text");
            return Err(Wrong::Refused(why.to_owned()));
        }
        _ => return Err(field(&object, "ok", "must be true or false")),
    }
    let looks = shape(&object);
    let fits = looks == op || (op == Op::Set && looks == Op::Safe) || looks == Op::Bye;
    if fits { Ok(object) } else { Err(Wrong::OutOfOrder { looks: asked(looks), line: shortened(text) }) }
}

const fn asked(looks: Op) -> &'static str {
    match looks {
        Op::Set | Op::Safe => "set` or `safe",
        other => other.name(),
    }
}

/// Why a line that the quick parser refused is no answer to `read`.
fn wrong_samples(line: &[u8]) -> Wrong {
    let object = match object(line, Op::Read) {
        Ok(object) => object,
        Err(wrong) => return wrong,
    };
    for name in ["t0", "dt"] {
        if object.get(name).and_then(Value::as_f64).is_none() {
            return field(&object, name, "must be a number of seconds");
        }
    }
    if object.get("lost").is_some_and(|lost| lost.as_u64().is_none()) {
        return field(&object, "lost", "must be a whole number of samples");
    }
    for name in ["channels", "edges"] {
        let Some(arrays) = object.get(name).and_then(Value::as_object) else {
            return field(&object, name, "must be an object with one array per name");
        };
        if let Some(wrong) = arrays.iter().find_map(|(channel, array)| wrong_array(channel, array)) {
            return wrong;
        }
    }
    Wrong::Field("the answer is not what a read must bring".to_owned())
}

fn wrong_array(channel: &str, array: &Value) -> Option<Wrong> {
    let Some(values) = array.as_array() else {
        return Some(Wrong::Field(format!(
            "`{channel}` is {}, not an array of numbers",
            shortened(&array.to_string())
        )));
    };
    let (at, value) = values.iter().enumerate().find(|(_, value)| value.as_f64().is_none())?;
    Some(Wrong::NotFinite(format!(
        "sample {at} of `{channel}` is {}, not a finite number",
        shortened(&value.to_string())
    )))
}

fn common_length(channels: &BTreeMap<String, Vec<f64>>) -> Result<usize, Wrong> {
    let Some((first, samples)) = channels.iter().next() else { return Ok(0) };
    match channels.iter().find(|(_, other)| other.len() != samples.len()) {
        Some((name, other)) => Err(Wrong::Length(format!(
            "arrays of different lengths: {} samples of `{first}` but {} of `{name}`; one read has one `dt`",
            samples.len(),
            other.len()
        ))),
        None => Ok(samples.len()),
    }
}

fn names(object: &Map<String, Value>, name: &str) -> Result<Vec<String>, Wrong> {
    let list = object.get(name).and_then(Value::as_array);
    let list = list.and_then(|list| list.iter().map(|item| item.as_str().map(str::to_owned)).collect());
    list.ok_or_else(|| field(object, name, "must be an array of names"))
}

fn field(object: &Map<String, Value>, name: &str, must: &str) -> Wrong {
    Wrong::Field(match object.get(name) {
        Some(value) => format!("`{name}` is {}; it {must}", shortened(&value.to_string())),
        None => format!("the answer has no `{name}`; it {must}"),
    })
}

fn not_json(text: &str, why: &str) -> Wrong {
    // Some JSON writers print these words, which JSON does not have.
    if let Some(word) = ["NaN", "Infinity"].into_iter().find(|word| text.contains(word)) {
        return Wrong::NotFinite(format!("the answer contains {word}, which is neither JSON nor a finite number"));
    }
    Wrong::NotJson { why: why.to_owned(), line: shortened(text) }
}

/// At most 120 characters of `text`, for messages.
pub(crate) fn shortened(text: &str) -> String {
    const MOST: usize = 120;
    let mut short: String = text.chars().take(MOST).collect();
    if short.len() < text.len() {
        short.push_str(" ...");
    }
    short
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every reader of answers, on the same bytes.
    fn read_as_everything(line: &[u8]) {
        let _ = (hello(line), time(line, Op::Safe), done(line), samples(line), looks_like(line));
    }

    proptest::proptest! {
        #[test]
        fn whatever_a_program_answers_is_an_answer_or_an_error(line: Vec<u8>, from in 0_usize..140, noise: Vec<u8>) {
            read_as_everything(&line);
            let answer = br#"{"ok":true,"t0":12.5,"dt":0.5,"lost":3,"channels":{"supply_a":[1,2.5]},"edges":{"tach":[12.6]}}"#;
            let from = from.min(answer.len());
            read_as_everything(&[&answer[..from], &noise, &answer[(from + noise.len()).min(answer.len())..]].concat());
        }
    }

    fn said<T: std::fmt::Debug>(answer: Result<T, Wrong>) -> String {
        answer.unwrap_err().to_string()
    }

    #[test]
    fn right_answers_are_read() {
        let answer = br#"{"ok":true,"name":"my daq","clock":"virtual","rate_hz":2000,"channels":["supply_a"],"edges":["tach"],"controls":["supply_on"]}"#;
        let hello = hello(answer).unwrap();
        assert_eq!((hello.clock, hello.rate_hz), (Clock::Virtual, 2000.0));
        assert_eq!(hello.channels, ["supply_a"]);
        assert_eq!(time(br#"{"ok":true,"t":12.5}"#, Op::Set), Ok(12.5));
        let answer =
            br#"{"ok":true,"t0":12.5,"dt":0.5,"lost":3,"channels":{"supply_a":[1,2.5]},"edges":{"tach":[12.6]}}"#;
        let samples = samples(answer).unwrap();
        assert_eq!((samples.t0, samples.dt, samples.lost, samples.n), (12.5, 0.5, 3, 2));
        assert_eq!(samples.channels["supply_a"], [1.0, 2.5]);
        assert_eq!(done(br#"{"ok":true}"#), Ok(()));
    }

    #[test]
    fn numbers_that_are_none_are_named() {
        let text = said(samples(br#"{"ok":true,"t0":0,"dt":0.5,"channels":{"supply_a":[1.0,NaN]},"edges":{}}"#));
        assert!(text.contains("NaN"), "{text}");
        for bad in ["null", "\"x\"", "\"NaN\""] {
            let line = format!(r#"{{"ok":true,"t0":0,"dt":0.5,"channels":{{"supply_a":[1.0,{bad}]}},"edges":{{}}}}"#);
            let text = said(samples(line.as_bytes()));
            assert!(text.contains("sample 1 of `supply_a`") && text.contains(bad), "{text}");
        }
    }

    #[test]
    fn each_other_fault_has_its_own_words() {
        let cases: [(&[u8], &str); 7] = [
            (br#"{"ok":true,"t0":0,"dt":0.5,"channels":{"a":[1],"b":[1,2]}}"#, "1 samples of `a` but 2 of `b`"),
            (br#"{"ok":true,"t":1.0}"#, "answer to `set` or `safe`"),
            (br#"{"ok":false,"error":"converter asleep"}"#, "refused: converter asleep"),
            (br#"{"ok":true,"t0":0,"dt":0,"channels":{}}"#, "`dt` is 0"),
            (b"hello there", "not one JSON object"),
            (b"[1,2]", "no object"),
            (b"\xff\xfe{}", "UTF-8"),
        ];
        for (line, expected) in cases {
            let text = said(samples(line));
            assert!(text.contains(expected), "{text}");
        }
        assert!(said(time(br#"{"ok":true}"#, Op::Safe)).contains("no `t`"));
        assert!(said(hello(br#"{"ok":true,"clock":"lunar"}"#)).contains("\"lunar\""));
    }

    #[test]
    fn a_set_line_carries_only_what_it_is_given() {
        let fields = Map::from_iter([("duty_pct".to_owned(), Value::from(35.0))]);
        assert_eq!(set_line(&fields), r#"{"op":"set","duty_pct":35.0}"#);
        assert_eq!(set_line(&Map::new()), r#"{"op":"set"}"#);
    }

    #[test]
    fn long_lines_are_shortened_in_messages() {
        assert!(shortened(&"ü".repeat(500)).chars().count() < 130);
    }
}
