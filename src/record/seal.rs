//! The seal of a record: SHA-256 of its files as they were written, kept beside them.
//!
//! The writer computes it from the bytes it hands to the disk, and leaves it in [`SEAL_FILE`] when the record has come
//! to its end; nothing ever writes that file again. Marks of single lines, pieces and seconds let [`Seal::compare`] say
//! where a record was altered. They are short: only the whole SHA-256 decides whether it was.

use std::fs;
use std::io::{self, Write as _};
use std::ops::RangeInclusive;
use std::path::Path;

use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};

use crate::record::error::RecordError;
use crate::record::event::Header;
use crate::record::{EVENTS_FILE, SAMPLES_FILE, reader};

/// Name of the seal in a record folder.
pub const SEAL_FILE: &str = "seal.json";

/// Layout version of the seal.
const FORMAT: u32 = 1;
/// Hexadecimal digits of the mark of a line, a piece or a second: enough to find the place.
const MARK_DIGITS: usize = 8;

/// A file by its size and content.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct FileMark {
    /// Size in bytes.
    pub bytes: u64,
    /// SHA-256 of the content, hexadecimal.
    pub sha256: String,
}

impl FileMark {
    /// The mark of a file with this content.
    #[must_use]
    pub fn of(content: &[u8]) -> Self {
        Self { bytes: content.len() as u64, sha256: hex(&Sha256::digest(content)) }
    }
}

/// A piece of the samples as it went to the disk.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Piece {
    /// Time of its first sample, seconds; `None` for a piece without samples.
    pub t_s: Option<f64>,
    /// Size in bytes.
    pub bytes: u64,
    /// First digits of its SHA-256.
    pub mark: String,
}

/// What a record was when it came to its end.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Seal {
    /// Layout version.
    pub format: u32,
    /// Identifier of the run.
    pub run: String,
    /// Program that took the record.
    pub program: String,
    /// SHA-256 of rig and plan, frozen before the run.
    pub frozen: Option<String>,
    /// The file of events.
    pub events: FileMark,
    /// The file of samples.
    pub samples: FileMark,
    /// First digits of the SHA-256 of each line of the events, one after another.
    pub lines: String,
    /// Pieces of the samples, in order.
    pub pieces: Vec<Piece>,
    /// Check sums of the samples by whole seconds of the run, one after another: they hold also when the file is written
    /// anew with another packing.
    pub seconds: String,
}

/// Something in a record that is not as it was sealed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Altered {
    /// The file.
    pub file: String,
    /// Where, and at which time of the run.
    pub at: String,
    /// What is there now.
    pub found: String,
}

impl Seal {
    /// The seal in `dir`; `None` when there is none, as in a record that was cut off or is older than seals.
    ///
    /// # Errors
    /// When it is there and cannot be read.
    pub fn read(dir: &Path) -> Result<Option<Self>, RecordError> {
        let path = dir.join(SEAL_FILE);
        let bytes = match fs::read(&path) {
            Ok(bytes) => bytes,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
            Err(error) => return Err(RecordError::io("read", &path, &error)),
        };
        let seal = Self::parse(&bytes).map_err(|why| RecordError::BadLine { path, line: 1, why })?;
        Ok(Some(seal))
    }

    /// The seal that a file holds, or why it holds none.
    pub(crate) fn parse(bytes: &[u8]) -> Result<Self, String> {
        let seal: Self = serde_json::from_slice(bytes).map_err(|error| error.to_string())?;
        if seal.format > FORMAT {
            return Err(format!("has format {}, this program reads up to {FORMAT}", seal.format));
        }
        Ok(seal)
    }

    /// Puts the seal into `dir`, on the disk when this returns.
    pub(super) fn write(&self, dir: &Path) -> Result<(), RecordError> {
        let path = dir.join(SEAL_FILE);
        let attempt = || {
            let mut file = fs::OpenOptions::new().write(true).create_new(true).open(&path)?;
            serde_json::to_writer(&mut file, self).map_err(io::Error::other)?;
            file.write_all(b"\n")?;
            file.sync_all()
        };
        attempt().map_err(|error| RecordError::io("write", &path, &error))
    }

    /// The fingerprint of the record: SHA-256 of the two lines that `sha256sum events.jsonl samples.arrows` prints, so
    /// that it can be found without this program.
    #[must_use]
    pub fn fingerprint(&self) -> String {
        fingerprint_of(&self.events, &self.samples)
    }

    /// Everything in the record in `dir` that is not as it was sealed, in order; at most some dozen places per file.
    ///
    /// # Errors
    /// When a file of the record cannot be read.
    pub fn compare(&self, dir: &Path) -> Result<Vec<Altered>, RecordError> {
        let mut altered = Vec::new();
        for (file, mark) in [(EVENTS_FILE, &self.events), (SAMPLES_FILE, &self.samples)] {
            let Some(bytes) = read_if_there(&dir.join(file))? else {
                altered.push(altered_at(file, "the whole file", "it is missing".to_owned()));
                continue;
            };
            if FileMark::of(&bytes) == *mark {
                continue;
            }
            let found =
                if file == EVENTS_FILE { self.lines_altered(&bytes) } else { self.samples_altered(dir, &bytes) };
            if found.is_empty() {
                // A mark of eight digits can be met by chance; the whole hash cannot.
                altered.push(altered_at(file, "a place that cannot be told", format!("{} bytes", bytes.len())));
            }
            altered.extend(found);
        }
        Ok(altered)
    }

    /// Lines that are new, gone or not what they were.
    fn lines_altered(&self, bytes: &[u8]) -> Vec<Altered> {
        let now: Vec<&[u8]> = bytes.split_inclusive(|byte| *byte == b'\n').collect();
        let marks: Vec<String> = now.iter().map(|line| mark(line)).collect();
        let sealed = pieces_of(&self.lines);
        let marks: Vec<&str> = marks.iter().map(String::as_str).collect();
        let place = |index: usize| match time_of(now.get(index).copied().unwrap_or_default()) {
            Some(t_s) => format!("line {} at {t_s:.3} s", index + 1),
            None => format!("line {}", index + 1),
        };
        let mut altered = Vec::new();
        for op in similar::capture_diff_slices(similar::Algorithm::Myers, &sealed, &marks) {
            let (old, new) = (op.old_range(), op.new_range());
            match op.tag() {
                similar::DiffTag::Equal => {}
                similar::DiffTag::Delete => {
                    let after = if new.start == 0 { "the beginning".to_owned() } else { place(new.start - 1) };
                    let found = format!("{} lines were taken out here", old.len());
                    altered.push(altered_at(EVENTS_FILE, &format!("after {after}"), found));
                }
                similar::DiffTag::Insert | similar::DiffTag::Replace => {
                    let replaced = old.len();
                    for (count, index) in new.clone().enumerate() {
                        let text = shortened(now.get(index).copied().unwrap_or_default());
                        let what = if count < replaced { "altered, now" } else { "put in," };
                        altered.push(altered_at(EVENTS_FILE, &place(index), format!("{what} {text}")));
                    }
                    if replaced > new.len() {
                        let found = format!("{} lines were taken out here", replaced - new.len());
                        altered.push(altered_at(EVENTS_FILE, &format!("after {}", place(new.end - 1)), found));
                    }
                }
            }
        }
        altered
    }

    /// Pieces of the samples with other bytes; where the whole file was packed anew, the seconds with other samples.
    fn samples_altered(&self, dir: &Path, bytes: &[u8]) -> Vec<Altered> {
        let mut altered = Vec::new();
        let mut offset = 0_usize;
        for (index, piece) in self.pieces.iter().enumerate() {
            let length = usize::try_from(piece.bytes).unwrap_or(usize::MAX);
            let end = offset.saturating_add(length);
            let now = bytes.get(offset..end.min(bytes.len())).unwrap_or_default();
            if mark(now) != piece.mark {
                let until = self.pieces[index + 1..].iter().find_map(|next| next.t_s);
                let time = match (piece.t_s, until) {
                    (Some(from), Some(until)) => format!(", samples from {from:.2} to {until:.2} s"),
                    (Some(from), None) => format!(", samples from {from:.2} s on"),
                    (None, _) => String::new(),
                };
                let found = if now.len() < length { "cut off" } else { "other bytes" };
                altered.push(altered_at(SAMPLES_FILE, &format!("bytes {offset} to {end}{time}"), found.to_owned()));
            }
            offset = end;
        }
        if bytes.len() > offset {
            let more = format!("{} bytes were put on", bytes.len() - offset);
            altered.push(altered_at(SAMPLES_FILE, &format!("from byte {offset} on"), more));
        }
        // Written anew by a tool, every piece differs; then the content tells where.
        if altered.len() > self.pieces.len() / 2
            && let Ok(now) = reader::second_sums(dir)
        {
            return self.seconds_altered(&now);
        }
        altered
    }

    fn seconds_altered(&self, now: &Seconds) -> Vec<Altered> {
        let sealed = pieces_of(&self.seconds);
        let now = now.text();
        let now = pieces_of(&now);
        let differs = |second: &usize| sealed.get(*second) != now.get(*second);
        let which: Vec<usize> = (0..sealed.len().max(now.len())).filter(differs).collect();
        if which.is_empty() {
            return vec![altered_at(SAMPLES_FILE, "the whole file", "packed anew with the same samples".to_owned())];
        }
        let place = |range: &RangeInclusive<usize>| format!("samples from {} to {} s", range.start(), range.end() + 1);
        let found = "other samples; the whole file was written anew";
        runs(&which).iter().map(|range| altered_at(SAMPLES_FILE, &place(range), found.to_owned())).collect()
    }
}

/// Fingerprint of the record in `dir` as its files are now, without its seal.
///
/// # Errors
/// When there is no record or a file of it cannot be read.
pub fn fingerprint(dir: &Path) -> Result<String, RecordError> {
    let mark = |name: &str| {
        let path = dir.join(name);
        match fs::read(&path) {
            Ok(bytes) => Ok(FileMark::of(&bytes)),
            Err(error) if error.kind() == io::ErrorKind::NotFound && name == SAMPLES_FILE => Ok(FileMark::of(&[])),
            Err(error) => Err(RecordError::io("read", &path, &error)),
        }
    };
    Ok(fingerprint_of(&mark(EVENTS_FILE)?, &mark(SAMPLES_FILE)?))
}

fn fingerprint_of(events: &FileMark, samples: &FileMark) -> String {
    let lines = format!("{}  {EVENTS_FILE}\n{}  {SAMPLES_FILE}\n", events.sha256, samples.sha256);
    hex(&Sha256::digest(lines.as_bytes()))
}

/// Sums of the samples by whole seconds of the run.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Seconds(Vec<u32>);

impl Seconds {
    /// Takes in a row that begins at `t0_s` and has this check sum.
    pub(crate) fn row(&mut self, t0_s: f64, check: u64) {
        /// A day; what lies beyond is told by the hashes of the whole alone.
        const MOST: f64 = 86_400.0;
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "between 0 and a day")]
        let second = t0_s.clamp(0.0, MOST) as usize;
        if self.0.len() <= second {
            self.0.resize(second + 1, 0);
        }
        #[expect(clippy::cast_possible_truncation, reason = "both halves are folded in")]
        let folded = (check ^ (check >> 32)) as u32;
        // The order of rows counts.
        self.0[second] = self.0[second].rotate_left(5) ^ folded;
    }

    fn text(&self) -> String {
        self.0.iter().map(|sum| format!("{sum:08x}")).collect()
    }
}

/// Builds the seal while a record is written.
#[derive(Default)]
pub(super) struct Sealing {
    run: String,
    program: String,
    frozen: Option<String>,
    events: Hashed,
    samples: Hashed,
    lines: String,
    pieces: Vec<Piece>,
    seconds: Seconds,
    first_t_s: Option<f64>,
}

#[derive(Default)]
struct Hashed {
    bytes: u64,
    hash: Sha256,
}

impl Hashed {
    fn take(&mut self, bytes: &[u8]) {
        self.bytes += bytes.len() as u64;
        self.hash.update(bytes);
    }

    fn mark(self) -> FileMark {
        FileMark { bytes: self.bytes, sha256: hex(&self.hash.finalize()) }
    }
}

impl Sealing {
    pub(super) fn header(&mut self, header: &Header) {
        self.run.clone_from(&header.run);
        self.program.clone_from(&header.program);
        self.frozen.clone_from(&header.frozen);
    }

    /// Whole lines that go to the file of events.
    pub(super) fn lines(&mut self, bytes: &[u8]) {
        self.events.take(bytes);
        bytes.split_inclusive(|byte| *byte == b'\n').for_each(|line| self.lines += &mark(line));
    }

    /// A row that will be in the next piece of the samples.
    pub(super) fn row(&mut self, t0_s: f64, check: u64) {
        self.first_t_s.get_or_insert(t0_s);
        self.seconds.row(t0_s, check);
    }

    /// A piece that goes to the file of samples.
    pub(super) fn piece(&mut self, bytes: &[u8]) {
        if !bytes.is_empty() {
            self.samples.take(bytes);
            let t_s = self.first_t_s.take();
            self.pieces.push(Piece { t_s, bytes: bytes.len() as u64, mark: mark(bytes) });
        }
    }

    pub(super) fn seal(self) -> Seal {
        Seal {
            format: FORMAT,
            run: self.run,
            program: self.program,
            frozen: self.frozen,
            events: self.events.mark(),
            samples: self.samples.mark(),
            lines: self.lines,
            pieces: self.pieces,
            seconds: self.seconds.text(),
        }
    }
}

fn altered_at(file: &str, at: &str, found: String) -> Altered {
    Altered { file: file.to_owned(), at: at.to_owned(), found }
}

fn read_if_there(path: &Path) -> Result<Option<Vec<u8>>, RecordError> {
    match fs::read(path) {
        Ok(bytes) => Ok(Some(bytes)),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(RecordError::io("read", path, &error)),
    }
}

/// The time that a line of events states.
fn time_of(line: &[u8]) -> Option<f64> {
    #[derive(Deserialize)]
    struct Timed {
        t_s: f64,
    }
    serde_json::from_slice::<Timed>(line).ok().map(|timed| timed.t_s)
}

/// The beginning of a line, as text.
fn shortened(line: &[u8]) -> String {
    const CHARACTERS: usize = 160;
    let text = String::from_utf8_lossy(line);
    let text = text.trim_end();
    let mut short: String = text.chars().take(CHARACTERS).collect();
    if short.len() < text.len() {
        short.push('…');
    }
    short
}

/// Marks one after another, taken apart.
fn pieces_of(marks: &str) -> Vec<&str> {
    (0..marks.len() / MARK_DIGITS).filter_map(|at| marks.get(at * MARK_DIGITS..(at + 1) * MARK_DIGITS)).collect()
}

/// Stretches of neighbours in rising numbers.
fn runs(numbers: &[usize]) -> Vec<RangeInclusive<usize>> {
    let mut runs: Vec<RangeInclusive<usize>> = Vec::new();
    for number in numbers {
        match runs.last_mut() {
            Some(last) if last.end() + 1 == *number => *last = *last.start()..=*number,
            _ => runs.push(*number..=*number),
        }
    }
    runs
}

fn mark(bytes: &[u8]) -> String {
    let mut digits = hex(&Sha256::digest(bytes));
    digits.truncate(MARK_DIGITS);
    digits
}

/// Bytes as hexadecimal digits.
pub(crate) fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    bytes.iter().fold(String::with_capacity(2 * bytes.len()), |mut text, byte| {
        let _ = write!(text, "{byte:02x}");
        text
    })
}

#[cfg(test)]
#[path = "seal_tests.rs"]
mod tests;
