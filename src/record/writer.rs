//! Keeps the record of a run: one folder, two append-only files, one writer thread.
//!
//! Events and blocks are handed over through a bounded channel, encoded and written by the thread, and synced to the
//! disk well within half a second of being handed over, whether or not more comes. The caller never waits for the
//! disk. A failure of the thread, or a disk that hangs, is reported on the caller's next call, so that a run that can
//! no longer be recorded is stopped.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, TryRecvError, TrySendError, sync_channel};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

use crate::bench::Block;
use crate::record::error::RecordError;
use crate::record::event::{Event, FORMAT, Header, Numbered};
use crate::record::samples::Encoder;
use crate::record::seal::{Seal, Sealing};
use crate::record::{EVENTS_FILE, SAMPLES_FILE};

/// Age at which handed-over data is written and synced. With the thread's poll and a slow card's own time to sync
/// (50 ms and more) it stays within the promised 0.5 s.
const SYNC_AFTER: Duration = Duration::from_millis(300);
/// How often the thread looks for data. It is not woken for each message: that would cost more than the writing.
const POLL: Duration = Duration::from_millis(10);
/// Messages that may wait; at the usual 50 blocks a second, 20 s.
const CAPACITY: usize = 1024;
/// Rows in a batch at most, so that a fast virtual run does not pile up.
const BATCH_ROWS: usize = 1024;
/// A thread that made no progress for this long hangs in the disk.
const STALLED_AFTER: Duration = Duration::from_secs(3);
/// Free space below which no run is begun: three records of the usual 10 MB.
const LEAST_FREE_BYTES: u64 = 32 << 20;

/// Where bytes go. A trait, so that a full or hanging disk can be played.
trait Sink: Send + 'static {
    fn append(&mut self, bytes: &[u8]) -> io::Result<()>;
    fn sync(&mut self) -> io::Result<()>;
}

impl Sink for File {
    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.write_all(bytes)
    }

    fn sync(&mut self) -> io::Result<()> {
        self.sync_data()
    }
}

enum Message {
    Block(Arc<Block>),
    Event(Box<Numbered>),
}

/// The record of a run being kept. Dropping it writes out and syncs what was handed over, like [`RecordWriter::finish`].
#[derive(Debug)]
pub struct RecordWriter {
    dir: PathBuf,
    sender: Option<SyncSender<Message>>,
    thread: Option<JoinHandle<Result<(), RecordError>>>,
    pulse: Arc<Pulse>,
    last_seq: u64,
    failed: Option<RecordError>,
}

impl RecordWriter {
    /// Begins a record in `dir`, which is created if need be: the header is on the disk when this returns, as event 0 at
    /// time 0; the caller's own events are numbered from 1.
    ///
    /// # Errors
    /// When the folder holds a record already, cannot be written, or the disk is full.
    pub fn create(dir: &Path, header: &Header) -> Result<Self, RecordError> {
        create_folder(dir)?;
        check_free(dir, free_bytes(dir)?)?;
        let events = create_file(dir, EVENTS_FILE)?;
        let samples = create_file(dir, SAMPLES_FILE)?;
        let mut files = Files::new(dir, events, samples)?;
        files.begin(header)?;
        sync_folder(dir)?;
        Self::spawn(dir, files)
    }

    fn spawn<S: Sink>(dir: &Path, files: Files<S>) -> Result<Self, RecordError> {
        let (sender, receiver) = sync_channel(CAPACITY);
        let pulse = Arc::new(Pulse::new());
        let beat = Arc::clone(&pulse);
        let thread = thread::Builder::new()
            .name("record-writer".to_owned())
            .spawn(move || {
                let dir = files.dir.clone();
                keep(files, &receiver, &beat)?.write(&dir)?;
                sync_folder(&dir)
            })
            .map_err(|e| RecordError::io("start the writer of", dir, &e))?;
        Ok(Self { dir: dir.to_owned(), sender: Some(sender), thread: Some(thread), pulse, last_seq: 0, failed: None })
    }

    /// Hands over a block.
    ///
    /// # Errors
    /// When the record can no longer be written; the same error then comes back from every call.
    pub fn block(&mut self, block: impl Into<Arc<Block>>) -> Result<(), RecordError> {
        self.send(Message::Block(block.into()))
    }

    /// Hands over an event. Numbers rise from event to event.
    ///
    /// # Errors
    /// When the record can no longer be written, or the event's number or a value in it cannot be kept.
    pub fn event(&mut self, event: &Numbered) -> Result<(), RecordError> {
        check_keepable(event, self.last_seq).map_err(|why| RecordError::Unkeepable { path: self.dir.clone(), why })?;
        self.send(Message::Event(Box::new(event.clone())))?;
        self.last_seq = event.seq;
        Ok(())
    }

    /// Writes out and syncs everything and ends the thread. Whether the run counts as finished depends on the caller's
    /// `End` event, not on this call.
    ///
    /// # Errors
    /// When not everything handed over is safely on the disk.
    pub fn finish(mut self) -> Result<(), RecordError> {
        self.close()
    }

    fn send(&mut self, mut message: Message) -> Result<(), RecordError> {
        if let Some(failed) = &self.failed {
            return Err(failed.clone());
        }
        if self.pulse.age() > STALLED_AFTER {
            return Err(self.stalled());
        }
        loop {
            let Some(sender) = &self.sender else { return self.close() };
            match sender.try_send(message) {
                Ok(()) => return Ok(()),
                Err(TrySendError::Disconnected(_)) => return self.close(),
                Err(TrySendError::Full(back)) => message = back,
            }
            if self.pulse.age() > STALLED_AFTER {
                return Err(self.stalled());
            }
            self.wake();
            thread::sleep(Duration::from_micros(200));
        }
    }

    fn wake(&self) {
        if let Some(thread) = &self.thread {
            thread.thread().unpark();
        }
    }

    fn stalled(&mut self) -> RecordError {
        let error = RecordError::Stalled { path: self.dir.clone(), after_s: STALLED_AFTER.as_secs() };
        self.failed.get_or_insert(error).clone()
    }

    /// Lets the thread come to its end and takes its result; a thread that hangs in the disk is left behind.
    fn close(&mut self) -> Result<(), RecordError> {
        self.sender = None;
        self.wake();
        let Some(thread) = self.thread.take() else { return self.failed.clone().map_or(Ok(()), Err) };
        while !thread.is_finished() {
            if self.pulse.age() > STALLED_AFTER {
                return Err(self.stalled());
            }
            thread::sleep(Duration::from_micros(200));
        }
        let result = thread.join().unwrap_or_else(|_| {
            let why = "the writer thread panicked".to_owned();
            Err(RecordError::Io { doing: "write", path: self.dir.clone(), why })
        });
        if let Err(error) = &result {
            self.failed.get_or_insert(error.clone());
        }
        self.failed.clone().map_or(Ok(()), Err)
    }
}

impl Drop for RecordWriter {
    fn drop(&mut self) {
        // Nobody is left to tell; the reader will find what is missing.
        let _ = self.close();
    }
}

/// When the thread last made progress.
#[derive(Debug)]
struct Pulse {
    begin: Instant,
    last_ms: AtomicU64,
}

impl Pulse {
    fn new() -> Self {
        Self { begin: Instant::now(), last_ms: AtomicU64::new(0) }
    }

    fn beat(&self) {
        self.last_ms.store(self.elapsed_ms(), Ordering::Relaxed);
    }

    fn age(&self) -> Duration {
        Duration::from_millis(self.elapsed_ms().saturating_sub(self.last_ms.load(Ordering::Relaxed)))
    }

    fn elapsed_ms(&self) -> u64 {
        u64::try_from(self.begin.elapsed().as_millis()).unwrap_or(u64::MAX)
    }
}

/// The writer thread: the seal of what it wrote.
fn keep<S: Sink>(mut files: Files<S>, receiver: &Receiver<Message>, pulse: &Pulse) -> Result<Seal, RecordError> {
    loop {
        pulse.beat();
        let more = take_waiting(&mut files, receiver)?;
        if !more {
            return files.end();
        }
        if files.waits_since.is_some_and(|since| since.elapsed() >= SYNC_AFTER) {
            files.sync()?;
        }
        thread::park_timeout(POLL);
    }
}

/// Takes what waits in the channel, one channel's worth at most; whether the other end still lives.
fn take_waiting<S: Sink>(files: &mut Files<S>, receiver: &Receiver<Message>) -> Result<bool, RecordError> {
    for _ in 0..CAPACITY {
        match receiver.try_recv() {
            Ok(message) => files.take(&message)?,
            Err(TryRecvError::Empty) => return Ok(true),
            Err(TryRecvError::Disconnected) => return Ok(false),
        }
    }
    Ok(true)
}

/// An append-only file.
struct Output<S> {
    sink: S,
    path: PathBuf,
}

impl<S: Sink> Output<S> {
    /// Writes out and clears `bytes`.
    fn drain(&mut self, bytes: &mut Vec<u8>) -> Result<(), RecordError> {
        if !bytes.is_empty() {
            self.sink.append(bytes).map_err(|e| RecordError::io("write", &self.path, &e))?;
            bytes.clear();
        }
        Ok(())
    }

    fn sync(&mut self) -> Result<(), RecordError> {
        self.sink.sync().map_err(|e| RecordError::io("sync", &self.path, &e))
    }
}

/// Both files of a record and what waits to be written to them.
struct Files<S> {
    dir: PathBuf,
    events: Output<S>,
    samples: Output<S>,
    lines: Vec<u8>,
    encoder: Encoder,
    sealing: Sealing,
    waits_since: Option<Instant>,
}

impl<S: Sink> Files<S> {
    fn new(dir: &Path, events: S, samples: S) -> Result<Self, RecordError> {
        let encoder = Encoder::new().map_err(|e| unkeepable(dir, &e))?;
        Ok(Self {
            dir: dir.to_owned(),
            events: Output { sink: events, path: dir.join(EVENTS_FILE) },
            samples: Output { sink: samples, path: dir.join(SAMPLES_FILE) },
            lines: Vec::new(),
            encoder,
            sealing: Sealing::default(),
            waits_since: None,
        })
    }

    /// Header and schema, on the disk.
    fn begin(&mut self, header: &Header) -> Result<(), RecordError> {
        let header = Header { format: (FORMAT.major, FORMAT.minor), ..header.clone() };
        self.sealing.header(&header);
        let first = Numbered { seq: 0, t_s: 0.0, event: Event::Header(Box::new(header)) };
        self.line(&first)?;
        // JSON turns what is not a number into null, which would not read back: better no run than that.
        let back = serde_json::from_slice::<Numbered>(&self.lines).map_err(|e| unkeepable(&self.dir, &e))?;
        if back != first {
            return Err(unkeepable(&self.dir, &"the header does not read back as it was"));
        }
        self.sync()
    }

    fn take(&mut self, message: &Message) -> Result<(), RecordError> {
        self.waits_since.get_or_insert_with(Instant::now);
        match message {
            Message::Event(event) => self.line(event),
            Message::Block(block) => {
                let check = self.encoder.push(block);
                self.sealing.row(block.t0_s, check);
                if self.encoder.rows() >= BATCH_ROWS { self.write_samples() } else { Ok(()) }
            }
        }
    }

    fn line(&mut self, event: &Numbered) -> Result<(), RecordError> {
        serde_json::to_writer(&mut self.lines, event).map_err(|e| unkeepable(&self.dir, &e))?;
        self.lines.push(b'\n');
        Ok(())
    }

    fn write_samples(&mut self) -> Result<(), RecordError> {
        self.encoder.close_batch().map_err(|e| unkeepable(&self.dir, &e))?;
        self.sealing.piece(self.encoder.pending());
        self.samples.drain(self.encoder.pending())
    }

    /// Writes and syncs everything taken. Samples first: an event on the disk then never speaks of samples that are not.
    fn sync(&mut self) -> Result<(), RecordError> {
        self.write_samples()?;
        self.samples.sync()?;
        self.sealing.lines(&self.lines);
        self.events.drain(&mut self.lines)?;
        self.events.sync()?;
        self.waits_since = None;
        Ok(())
    }

    fn end(mut self) -> Result<Seal, RecordError> {
        self.encoder.close_stream().map_err(|e| unkeepable(&self.dir, &e))?;
        self.sealing.piece(self.encoder.pending());
        self.samples.drain(self.encoder.pending())?;
        self.sync()?;
        Ok(self.sealing.seal())
    }
}

fn unkeepable(dir: &Path, why: &dyn std::fmt::Display) -> RecordError {
    RecordError::Unkeepable { path: dir.to_owned(), why: why.to_string() }
}

/// Whether the event would read back from JSON as it is.
fn check_keepable(event: &Numbered, last_seq: u64) -> Result<(), String> {
    if event.seq <= last_seq {
        return Err(format!("event number {} after {last_seq}", event.seq));
    }
    if !event.t_s.is_finite() {
        return Err(format!("event {} at time {}", event.seq, event.t_s));
    }
    match &event.event {
        Event::Set { setting } if !setting.frequency.get().is_finite() => {
            Err(format!("event {} sets a frequency of {}", event.seq, setting.frequency))
        }
        _ => Ok(()),
    }
}

/// Creates `dir` with its parents and makes their entries last.
fn create_folder(dir: &Path) -> Result<(), RecordError> {
    let missing: Vec<&Path> = dir.ancestors().take_while(|path| !path.exists()).collect();
    fs::create_dir_all(dir).map_err(|e| RecordError::io("create folder", dir, &e))?;
    missing.into_iter().filter_map(Path::parent).try_for_each(sync_folder)
}

fn create_file(dir: &Path, name: &str) -> Result<File, RecordError> {
    let path = dir.join(name);
    OpenOptions::new().append(true).create_new(true).open(&path).map_err(|e| match e.kind() {
        io::ErrorKind::AlreadyExists => RecordError::Exists { path: dir.to_owned() },
        _ => RecordError::io("create", &path, &e),
    })
}

/// Makes the folder's entries last through a power cut.
#[cfg(unix)]
fn sync_folder(dir: &Path) -> Result<(), RecordError> {
    let dir = if dir.as_os_str().is_empty() { Path::new(".") } else { dir };
    File::open(dir).and_then(|folder| folder.sync_all()).map_err(|e| RecordError::io("sync folder", dir, &e))
}

/// Other systems keep folder entries by themselves or offer no way to ask for it.
#[cfg(not(unix))]
fn sync_folder(_dir: &Path) -> Result<(), RecordError> {
    Ok(())
}

#[cfg(unix)]
fn free_bytes(dir: &Path) -> Result<u64, RecordError> {
    let stat = rustix::fs::statvfs(dir).map_err(|e| RecordError::io("ask the free space of", dir, &e.into()))?;
    Ok(stat.f_bavail.saturating_mul(stat.f_frsize))
}

#[cfg(not(unix))]
fn free_bytes(_dir: &Path) -> Result<u64, RecordError> {
    Ok(u64::MAX)
}

fn check_free(dir: &Path, free: u64) -> Result<(), RecordError> {
    if free >= LEAST_FREE_BYTES {
        return Ok(());
    }
    let why = format!("{} MB free, {} MB needed to begin", free >> 20, LEAST_FREE_BYTES >> 20);
    Err(RecordError::Full { path: dir.to_owned(), why })
}

#[cfg(test)]
#[path = "writer_tests.rs"]
mod tests;
