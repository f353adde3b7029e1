//! Reads a record back, whole or broken off.
//!
//! A record is evidence: what the cut of power or a crash tore off at its very end is reported and read past, damage
//! anywhere else is an error that names the place.

use std::fs;
use std::io::{self, BufRead, BufReader, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use arrow_ipc::reader::StreamReader;
use serde::Deserialize;

use crate::bench::Block;
use crate::record::error::RecordError;
use crate::record::event::{Event, FORMAT, Header, Numbered};
use crate::record::recording::Recording;
use crate::record::seal::Seconds;
use crate::record::{EVENTS_FILE, SAMPLES_FILE, framing, samples};

/// Folders below the root at which runs may lie: batch, unit, run, and one to spare.
const DEPTH: usize = 4;

/// How whole a record is.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Integrity {
    /// Whether the record was brought to its end (the run itself may have been stopped before its plan's end); else the
    /// run was interrupted, or is still going on.
    pub finished: bool,
    /// What was torn off at the end and read past; `None` when nothing was.
    pub torn: Option<String>,
    /// Events of kinds that only a newer program knows, passed over.
    pub unknown_events: u64,
    /// Numbers missing from the order of events.
    pub missing_events: u64,
}

/// A record as it lies on the disk, header apart.
#[derive(Clone, Debug, PartialEq)]
pub struct Raw {
    /// The header.
    pub header: Header,
    /// All events from the header on, in order.
    pub events: Vec<Numbered>,
    /// All blocks, in order.
    pub blocks: Vec<Block>,
    /// How whole the record is.
    pub integrity: Integrity,
}

/// Reads the record in `dir` into memory as the analysis takes it.
///
/// # Errors
/// When there is no record, it was written in a newer format, or it is damaged before its end.
pub fn read(dir: &Path) -> Result<(Recording, Integrity), RecordError> {
    let raw = read_raw(dir)?;
    let mut recording = Recording::default();
    let mut blocks = raw.blocks.iter().peekable();
    for event in raw.events {
        // A block that was over before the event came first; times of settings may lie a little back.
        while let Some(block) = blocks.next_if(|block| block.end_s() <= event.t_s) {
            recording.push_block(block);
        }
        recording.push_event(event);
    }
    blocks.for_each(|block| recording.push_block(block));
    Ok((recording, raw.integrity))
}

/// Reads the record in `dir` as events and blocks.
///
/// # Errors
/// As [`read`].
pub fn read_raw(dir: &Path) -> Result<Raw, RecordError> {
    let mut integrity = Integrity::default();
    let (header, events) = read_events(dir, &mut integrity)?;
    let blocks = read_blocks(dir, &mut integrity)?;
    Ok(Raw { header, events, blocks, integrity })
}

/// Reads only the header of the record in `dir`.
///
/// # Errors
/// When there is no record or it was written in a newer format.
pub fn read_header(dir: &Path) -> Result<Header, RecordError> {
    let path = dir.join(EVENTS_FILE);
    let file = fs::File::open(&path).map_err(|e| open_error(dir, &path, &e))?;
    let mut line = Vec::new();
    BufReader::new(file).read_until(b'\n', &mut line).map_err(|e| RecordError::io("read", &path, &e))?;
    header_of(dir, &line).map(|(header, _)| header)
}

/// Whether the record in `dir` was brought to its end. Looks at the last line alone, so that a whole shelf of records is
/// gone through quickly.
///
/// # Errors
/// When there is no record or it cannot be read.
pub fn is_finished(dir: &Path) -> Result<bool, RecordError> {
    /// No `End` line is longer.
    const TAIL: u64 = 4096;
    let path = dir.join(EVENTS_FILE);
    let mut file = fs::File::open(&path).map_err(|e| open_error(dir, &path, &e))?;
    let failed = |e: io::Error| RecordError::io("read", &path, &e);
    let length = file.seek(SeekFrom::End(0)).map_err(failed)?;
    file.seek(SeekFrom::Start(length.saturating_sub(TAIL))).map_err(failed)?;
    let mut tail = Vec::new();
    file.read_to_end(&mut tail).map_err(failed)?;
    let Some(whole) = tail.strip_suffix(b"\n") else { return Ok(false) };
    let last = whole.rsplit(|b| *b == b'\n').next().unwrap_or_default();
    Ok(matches!(serde_json::from_slice(last), Ok(Numbered { event: Event::End { .. }, .. })))
}

/// Folders at or below `root` that hold a record, in order of their paths.
///
/// # Errors
/// When a folder cannot be read. A root that does not exist holds no records.
pub fn list(root: &Path) -> Result<Vec<PathBuf>, RecordError> {
    let mut found = Vec::new();
    if root.exists() {
        look_into(root, DEPTH, &mut found)?;
    }
    found.sort();
    Ok(found)
}

fn look_into(dir: &Path, depth: usize, found: &mut Vec<PathBuf>) -> Result<(), RecordError> {
    if dir.join(EVENTS_FILE).is_file() {
        found.push(dir.to_owned());
        return Ok(());
    }
    if depth == 0 {
        return Ok(());
    }
    let failed = |e: io::Error| RecordError::io("read folder", dir, &e);
    for entry in fs::read_dir(dir).map_err(failed)? {
        let entry = entry.map_err(failed)?;
        // Links are not followed: a circle of them would never end. What begins with a dot holds copies of other benches' runs.
        let hidden = entry.file_name().as_encoded_bytes().starts_with(b".");
        if !hidden && entry.file_type().map_err(failed)?.is_dir() {
            look_into(&entry.path(), depth - 1, found)?;
        }
    }
    Ok(())
}

fn open_error(dir: &Path, path: &Path, error: &io::Error) -> RecordError {
    match error.kind() {
        io::ErrorKind::NotFound | io::ErrorKind::NotADirectory => {
            RecordError::NotARecord { path: dir.to_owned(), why: format!("it has no {EVENTS_FILE}") }
        }
        _ => RecordError::io("read", path, error),
    }
}

/// What every line has, whatever the event.
#[derive(Deserialize)]
struct Envelope {
    seq: u64,
}

/// The part of the first line that tells whether the rest can be read.
#[derive(Deserialize)]
struct FirstLine {
    event: FirstEvent,
}

#[derive(Deserialize)]
struct FirstEvent {
    header: FormatOnly,
}

#[derive(Deserialize)]
struct FormatOnly {
    format: (u32, u32),
}

/// The header in the first line, and the line as an event. The version is looked at before the rest is understood.
fn header_of(dir: &Path, line: &[u8]) -> Result<(Header, Numbered), RecordError> {
    let not_a_record = |why: String| RecordError::NotARecord { path: dir.to_owned(), why };
    let first: FirstLine = serde_json::from_slice(line)
        .map_err(|e| not_a_record(format!("the first line of {EVENTS_FILE} is no header ({e})")))?;
    let (major, _) = first.event.header.format;
    if major > FORMAT.major {
        return Err(RecordError::Newer { path: dir.to_owned(), major, known: FORMAT.major });
    }
    let event: Numbered = serde_json::from_slice(line)
        .map_err(|e| not_a_record(format!("the header in {EVENTS_FILE} cannot be read ({e})")))?;
    match &event.event {
        Event::Header(header) => Ok(((**header).clone(), event)),
        _ => Err(not_a_record(format!("the first line of {EVENTS_FILE} is no header"))),
    }
}

fn read_events(dir: &Path, integrity: &mut Integrity) -> Result<(Header, Vec<Numbered>), RecordError> {
    let path = dir.join(EVENTS_FILE);
    let bytes = fs::read(&path).map_err(|e| open_error(dir, &path, &e))?;
    let mut lines: Vec<&[u8]> = bytes.split(|b| *b == b'\n').collect();
    // A whole file ends in a line end, so that the last piece is empty.
    let torn_tail = lines.pop().filter(|tail| !tail.is_empty());
    let Some((first, rest)) = lines.split_first() else {
        return Err(RecordError::NotARecord { path: dir.to_owned(), why: format!("{EVENTS_FILE} has no whole line") });
    };
    let (header, first) = header_of(dir, first)?;
    let newer = header.format > (FORMAT.major, FORMAT.minor);
    let mut last_seq = first.seq;
    let mut events = vec![first];
    for (index, line) in rest.iter().enumerate() {
        let (number, is_last) = (index + 2, index + 1 == rest.len() && torn_tail.is_none());
        let seq = match serde_json::from_slice::<Numbered>(line) {
            Ok(event) => {
                let seq = event.seq;
                events.push(event);
                seq
            }
            Err(error) => match serde_json::from_slice::<Envelope>(line) {
                Ok(envelope) if newer => {
                    integrity.unknown_events += 1;
                    envelope.seq
                }
                _ if is_last => {
                    integrity.torn = Some(format!("line {number} of {EVENTS_FILE}, the last, cannot be read"));
                    break;
                }
                _ => return Err(RecordError::BadLine { path, line: number, why: error.to_string() }),
            },
        };
        if seq <= last_seq {
            return Err(RecordError::BadLine { path, line: number, why: format!("number {seq} follows {last_seq}") });
        }
        integrity.missing_events += seq - last_seq - 1;
        last_seq = seq;
    }
    if let Some(tail) = torn_tail {
        integrity.torn = Some(format!("the last line of {EVENTS_FILE} breaks off after {} bytes", tail.len()));
    }
    integrity.finished = matches!(events.last(), Some(Numbered { event: Event::End { .. }, .. }));
    Ok((header, events))
}

fn read_blocks(dir: &Path, integrity: &mut Integrity) -> Result<Vec<Block>, RecordError> {
    let path = dir.join(SAMPLES_FILE);
    let bytes = match fs::read(&path) {
        Ok(bytes) => bytes,
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            integrity.torn.get_or_insert_with(|| format!("there is no {SAMPLES_FILE}"));
            return Ok(Vec::new());
        }
        Err(error) => return Err(RecordError::io("read", &path, &error)),
    };
    let damaged = |offset, why| RecordError::BadSamples { path: path.clone(), offset, why };
    let frame = framing::scan(&bytes).map_err(|(offset, why)| damaged(offset, why))?;
    let mut torn = frame.torn.map(|why| format!("{SAMPLES_FILE}: {why}"));
    let mut blocks = Vec::new();
    for (index, decoded) in decode(&bytes[..frame.end], frame.messages.len()).enumerate() {
        match decoded {
            Ok(more) => blocks.extend(more),
            // After a cut of power the last pages may have their length and not their content.
            Err(why) if index + 1 == frame.messages.len() => {
                torn = Some(format!("{SAMPLES_FILE}: the last batch cannot be read ({why})"));
            }
            Err(why) => return Err(damaged(frame.messages[index], why)),
        }
    }
    if integrity.finished && !frame.ended && torn.is_none() {
        torn = Some(format!("{SAMPLES_FILE} lacks its end mark"));
    }
    integrity.torn = integrity.torn.take().or(torn);
    Ok(blocks)
}

/// Sums of the samples in `dir` by seconds, of what is there, whatever its own check sums say.
pub(crate) fn second_sums(dir: &Path) -> Result<Seconds, String> {
    let bytes = fs::read(dir.join(SAMPLES_FILE)).map_err(|error| error.to_string())?;
    let mut seconds = Seconds::default();
    framing::scan(&bytes).map_err(|(_, why)| why)?;
    for batch in StreamReader::try_new(&bytes[..], None).map_err(|error| error.to_string())? {
        let batch = batch.map_err(|error| error.to_string())?;
        samples::summed(&batch)?.iter().for_each(|(block, sum, _)| seconds.row(block.t0_s, *sum));
    }
    Ok(seconds)
}

/// Blocks message by message: none from the first, the schema, then a batch each.
fn decode(bytes: &[u8], messages: usize) -> impl Iterator<Item = Result<Vec<Block>, String>> {
    let (schema, batches) = match (messages > 0).then(|| StreamReader::try_new(bytes, None)).transpose() {
        Ok(reader) => (Ok(Vec::new()), reader),
        Err(error) => (Err(error.to_string()), None),
    };
    let batches = batches.into_iter().flatten();
    let blocks = batches.map(|batch| batch.map_err(|e| e.to_string()).and_then(|batch| samples::blocks(&batch)));
    std::iter::once(schema).chain(blocks).take(messages)
}

#[cfg(test)]
#[path = "reader_tests.rs"]
mod tests;
