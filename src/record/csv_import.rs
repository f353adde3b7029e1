//! Reads a recorded trace from any logger or oscilloscope: comma, semicolon or tab separated text with a header line.
//!
//! A pure function from bytes to a [`Recording`]: no files, no clock. Columns are the channels and commands of the
//! trace contract in any order; what is not known is named in a warning, what is wrong is an error with its line and
//! column. Times may jitter: samples are laid on the evenly spaced grid that fits them (`spacing`).

mod lines;
mod numbers;
mod spacing;
mod table;

use std::collections::BTreeMap;

use crate::bench::Channel;
use crate::record::event::{BenchFacts, FORMAT, Header};
use crate::record::recording::Recording;

use lines::{Line, Lines};
use numbers::Decimal;
use table::{Settled, Table};

/// What the person at the bench knows of the trace that its columns do not say.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TraceOptions {
    /// Tach pulses per revolution.
    pub pulses_per_rev: Option<f64>,
    /// Bars of the fan's commutator; with the brushes this gives the ripples per revolution.
    pub commutator_bars: Option<u32>,
    /// Brushes of the fan; two when only the bars are given.
    pub brushes: Option<u32>,
    /// Commutation ripples per revolution, said directly.
    pub ripple_per_rev: Option<f64>,
}

/// A settled point of the two-column form, in the order taken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SettledPoint {
    /// Commanded duty, percent.
    pub duty_pct: f64,
    /// Settled speed, revolutions per minute.
    pub speed_rpm: f64,
}

/// What a trace holds.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ImportedTrace {
    /// Channels, tach edges and settings; the first row is time 0. No spans and no events. A setting whose
    /// frequency the trace does not tell has 0 Hz; supply and line count as on and `pwm` until the trace says otherwise;
    /// the active level is not in a trace and reads `low`.
    pub recording: Recording,
    /// The points, when the file is the two-column form `command_pct,speed_rpm`; the recording is then empty.
    pub settled: Option<Vec<SettledPoint>>,
    /// What was noticed and passed over, in plain words.
    pub warnings: Vec<String>,
}

/// Why a file is not a trace. Lines count from 1.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TraceError {
    /// Nothing but blank lines and comments.
    #[error("the file is empty; a header line and rows are due")]
    Empty,
    /// Not text that can be read.
    #[error("the file is not UTF-8 text: {0}")]
    Encoding(&'static str),
    /// The first line names no column of a trace.
    #[error("line {line}: `{found}` is no header line: {why}")]
    NoHeader {
        /// The line.
        line: usize,
        /// Its text.
        found: String,
        /// What is wrong with it.
        why: &'static str,
    },
    /// A column comes twice.
    #[error("line {line}: column `{column}` comes twice")]
    Twice {
        /// The header line.
        line: usize,
        /// The column.
        column: String,
    },
    /// There is no time.
    #[error("line {line}: there is no column `time_s`; found {found}")]
    NoTime {
        /// The header line.
        line: usize,
        /// The columns that are there.
        found: String,
    },
    /// There is a time and nothing else that is known.
    #[error("line {line}: no column beside `time_s` is known; known are {known}")]
    NothingSampled {
        /// The header line.
        line: usize,
        /// The names that would be known.
        known: String,
    },
    /// A header and no rows, or but one.
    #[error("there are {rows} rows below the header; two or more are due")]
    TooShort {
        /// Rows found.
        rows: usize,
    },
    /// A row has more or fewer fields than the header.
    #[error("line {line} has {found} of {due} columns{}", if *.cut_off { "; the file breaks off in it" } else { "" })]
    Fields {
        /// The line.
        line: usize,
        /// Fields found.
        found: usize,
        /// Columns of the header.
        due: usize,
        /// Whether it is the last line and has no line end.
        cut_off: bool,
    },
    /// A field cannot be read.
    #[error("line {line}, column `{column}`: `{found}` {why}")]
    Field {
        /// The line.
        line: usize,
        /// The column.
        column: String,
        /// The text as found.
        found: String,
        /// What is wrong with it.
        why: String,
    },
    /// An option makes no sense.
    #[error("{name} = {value}: {why}")]
    Option {
        /// The option.
        name: &'static str,
        /// As given.
        value: String,
        /// What is wrong with it.
        why: &'static str,
    },
}

/// What a column of the file is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Column {
    Time,
    Duty,
    Frequency,
    Line,
    Supply,
    Tach,
    Sampled(Channel),
    Unknown,
}

/// Columns that are no channels, by name.
const COMMANDS: [(&str, Column); 6] = [
    ("time_s", Column::Time),
    ("command_pct", Column::Duty),
    ("command_hz", Column::Frequency),
    ("line", Column::Line),
    ("supply_on", Column::Supply),
    ("tach", Column::Tach),
];

impl Column {
    fn from_name(name: &str) -> Self {
        let command = COMMANDS.iter().find(|(known, _)| *known == name).map(|(_, column)| *column);
        command.or_else(|| Channel::from_name(name).map(Self::Sampled)).unwrap_or(Self::Unknown)
    }
}

fn known_names() -> impl Iterator<Item = &'static str> {
    COMMANDS.iter().map(|(name, _)| *name).chain(Channel::ALL.iter().map(|channel| channel.name()))
}

/// Imports a trace.
///
/// A million rows of six columns take well under a second of one core.
///
/// # Errors
/// The first thing that is wrong with the file or the options, with its line and column.
pub fn import(text: &[u8], options: &TraceOptions) -> Result<ImportedTrace, TraceError> {
    let mut warnings = Vec::new();
    let bench = bench_facts(options, &mut warnings)?;
    let mut lines = Lines::new(readable(text)?);
    let first = lines.next().ok_or(TraceError::Empty)?;
    let head = Head::read(first)?;
    head.warn_unknown(&mut warnings);
    let mut trace = if head.is_settled_form() {
        let settled = read_settled(&head, &mut lines)?;
        ImportedTrace { settled: Some(settled), warnings, ..ImportedTrace::default() }
    } else {
        head.check_trace()?;
        let recording = read_table(&head, &mut lines)?.into_recording(&mut warnings)?;
        ImportedTrace { recording, settled: None, warnings }
    };
    if bench.pulses_per_rev.is_some() && trace.recording.tach_s.is_none() {
        trace.warnings.push("pulses per revolution were given, but there is no `tach` column to count".to_owned());
    }
    trace.recording.header = Header { format: (FORMAT.major, FORMAT.minor), bench, ..Header::default() };
    Ok(trace)
}

/// The text without its byte order mark.
fn readable(text: &[u8]) -> Result<&[u8], TraceError> {
    if text.starts_with(&[0xff, 0xfe]) || text.starts_with(&[0xfe, 0xff]) {
        return Err(TraceError::Encoding("it is UTF-16; save it as UTF-8"));
    }
    if text[..text.len().min(4096)].contains(&0) {
        return Err(TraceError::Encoding("it holds zero bytes, like a program's own file format; export it as CSV"));
    }
    Ok(text.strip_prefix(b"\xef\xbb\xbf").unwrap_or(text))
}

fn bench_facts(options: &TraceOptions, warnings: &mut Vec<String>) -> Result<BenchFacts, TraceError> {
    let positive = |name, value: Option<f64>| match value {
        Some(value) if !(value.is_finite() && value > 0.0) => {
            Err(TraceError::Option { name, value: value.to_string(), why: "a number above 0 is due" })
        }
        other => Ok(other),
    };
    let pulses_per_rev = positive("pulses per revolution", options.pulses_per_rev)?;
    let said = positive("ripples per revolution", options.ripple_per_rev)?;
    for (name, count) in [("commutator bars", options.commutator_bars), ("brushes", options.brushes)] {
        if count == Some(0) {
            return Err(TraceError::Option { name, value: "0".to_owned(), why: "a number above 0 is due" });
        }
    }
    let counted = match (options.commutator_bars, options.brushes) {
        (Some(bars), brushes) => Some(ripples(bars, brushes.unwrap_or(2))),
        (None, Some(_)) => {
            warnings.push("the number of brushes alone does not tell the ripples; give the bars as well".to_owned());
            None
        }
        (None, None) => None,
    };
    if let (Some(said), Some(counted)) = (said, counted)
        && said != counted
    {
        warnings.push(format!("{said} ripples per revolution are used, though bars and brushes make {counted}"));
    }
    Ok(BenchFacts { pulses_per_rev, ripple_per_rev: said.or(counted), ..BenchFacts::default() })
}

/// Ripples per revolution: least common multiple of bars and brushes.
fn ripples(bars: u32, brushes: u32) -> f64 {
    let (mut a, mut b) = (bars, brushes);
    while b != 0 {
        (a, b) = (b, a % b);
    }
    f64::from(bars / a) * f64::from(brushes)
}

/// The header line, understood.
struct Head {
    line: usize,
    delimiter: u8,
    names: Vec<String>,
    columns: Vec<Column>,
}

impl Head {
    /// Takes the separator under which most columns are known.
    fn read(line: Line<'_>) -> Result<Self, TraceError> {
        let candidates = [b',', b';', b'\t'].map(|delimiter| Self::split(&line, delimiter));
        let score = |head: &Self| (head.known().count(), head.names.len());
        let mut best: Option<Self> = None;
        for head in candidates {
            if best.as_ref().is_none_or(|best| score(&head) > score(best)) {
                best = Some(head);
            }
        }
        let no_header = |why| TraceError::NoHeader { line: line.number, found: shown(line.text), why };
        let mut head = best.filter(|head| head.known().count() > 0).ok_or_else(|| {
            let numbers = line.text.trim_ascii().first().is_some_and(|b| b.is_ascii_digit() || b"-+.".contains(b));
            no_header(if numbers {
                "it holds numbers; if the names are in a line with `#`, take the `#` away"
            } else {
                "it names no known column"
            })
        })?;
        // A separator after the last name makes an empty column that is none.
        if head.names.last().is_some_and(String::is_empty) {
            head.names.pop();
            head.columns.pop();
        }
        for (index, column) in head.columns.iter().enumerate() {
            if *column != Column::Unknown && head.columns[..index].contains(column) {
                return Err(TraceError::Twice { line: line.number, column: head.names[index].clone() });
            }
        }
        Ok(head)
    }

    fn split(line: &Line<'_>, delimiter: u8) -> Self {
        let mut fields = Vec::new();
        // A quote left open is found again where it matters: no name matches.
        let _ = lines::split(line.text, delimiter, &mut fields);
        let names: Vec<String> = fields.iter().map(|field| String::from_utf8_lossy(field).into_owned()).collect();
        let columns = names.iter().map(|name| Column::from_name(name)).collect();
        Self { line: line.number, delimiter, names, columns }
    }

    fn known(&self) -> impl Iterator<Item = Column> + '_ {
        self.columns.iter().copied().filter(|column| *column != Column::Unknown)
    }

    fn has(&self, column: Column) -> bool {
        self.columns.contains(&column)
    }

    /// `command_pct` and `speed_rpm`, and nothing else that is known.
    fn is_settled_form(&self) -> bool {
        self.has(Column::Duty) && self.has(Column::Sampled(Channel::SpeedRpm)) && self.known().count() == 2
    }

    fn check_trace(&self) -> Result<(), TraceError> {
        if !self.has(Column::Time) {
            let found = self.names.iter().map(|name| format!("`{name}`")).collect::<Vec<_>>().join(", ");
            return Err(TraceError::NoTime { line: self.line, found });
        }
        if self.known().count() == 1 {
            let known = known_names().filter(|name| *name != "time_s").collect::<Vec<_>>().join(", ");
            return Err(TraceError::NothingSampled { line: self.line, known });
        }
        Ok(())
    }

    fn warn_unknown(&self, warnings: &mut Vec<String>) {
        for (index, name) in self.names.iter().enumerate().filter(|(i, _)| self.columns[*i] == Column::Unknown) {
            let meant = known_names()
                .map(|known| (strsim::damerau_levenshtein(known, &name.to_lowercase()), known))
                .min()
                .filter(|(distance, known)| *distance <= 2 && *distance < known.len() / 2);
            let hint = meant.map_or_else(String::new, |(_, known)| format!("; did you mean `{known}`?"));
            let name = shown(name.as_bytes());
            warnings.push(format!("column {} `{name}` is not known and was ignored{hint}", index + 1));
        }
    }

    /// Splits a row into as many fields as there are columns.
    fn fields<'a>(&self, line: &Line<'a>, fields: &mut Vec<&'a [u8]>) -> Result<(), TraceError> {
        if let Err(column) = lines::split(line.text, self.delimiter, fields) {
            let column = self.names.get(column).cloned().unwrap_or_else(|| format!("{}", column + 1));
            let why = "has a quotation mark out of place".to_owned();
            return Err(TraceError::Field { line: line.number, column, found: shown(line.text), why });
        }
        let due = self.columns.len();
        if fields.len() == due + 1 && fields[due].is_empty() {
            fields.pop();
        }
        if fields.len() == due {
            return Ok(());
        }
        Err(TraceError::Fields {
            line: line.number,
            found: fields.len(),
            due,
            cut_off: !line.ended && fields.len() < due,
        })
    }

    fn field_error(&self, line: usize, index: usize, found: &[u8], why: impl Into<String>) -> TraceError {
        TraceError::Field { line, column: self.names[index].clone(), found: shown(found), why: why.into() }
    }
}

fn read_table(head: &Head, lines: &mut Lines<'_>) -> Result<Table, TraceError> {
    let mut table = Table::new(&head.columns);
    let mut decimal = Decimal::for_delimiter(head.delimiter);
    let mut fields = Vec::new();
    for line in lines {
        head.fields(&line, &mut fields)?;
        table
            .row(&head.columns, &fields, &mut decimal)
            .map_err(|(index, why)| head.field_error(line.number, index, fields[index], why))?;
    }
    Ok(table)
}

fn read_settled(head: &Head, lines: &mut Lines<'_>) -> Result<Vec<SettledPoint>, TraceError> {
    let mut decimal = Decimal::for_delimiter(head.delimiter);
    let mut fields = Vec::new();
    let mut settled = Settled::new(&head.columns);
    for line in lines {
        head.fields(&line, &mut fields)?;
        settled
            .row(&fields, &mut decimal)
            .map_err(|(index, why)| head.field_error(line.number, index, fields[index], why))?;
    }
    let points = settled.into_points();
    if points.len() < 2 {
        return Err(TraceError::TooShort { rows: points.len() });
    }
    Ok(points)
}

/// Text of the file as it may stand in a message: short, and without what would upset a terminal.
fn shown(text: &[u8]) -> String {
    const MOST: usize = 40;
    let text = String::from_utf8_lossy(text);
    let mut short: String = text.chars().take(MOST).flat_map(char::escape_debug).collect();
    if text.chars().nth(MOST).is_some() {
        short.push('…');
    }
    short
}

/// Series by channel that hold samples.
type Series = BTreeMap<Channel, crate::record::recording::Series>;

#[cfg(test)]
#[path = "csv_import/tests.rs"]
mod tests;
