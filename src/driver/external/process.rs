//! The child process: spawned without a shell, lines in and out with deadlines, its standard error kept, and an end
//! that always comes.
//!
//! Two threads read the program's output so that no call here can block longer than it was allowed to. The program
//! gets its own process group: a Ctrl-C at the terminal must not kill the bench before it was told to be safe.

use std::collections::VecDeque;
use std::io::{BufRead, BufReader, Read, Write};
use std::process::{Child, ChildStderr, ChildStdin, Command, ExitStatus, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TryRecvError, sync_channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

use crate::driver::DriverError;

/// Longest line taken from the program; more is a fault, not data.
const LONGEST_LINE: u64 = 64 * 1024 * 1024;
/// Lines of standard error kept for error messages.
const KEPT_LINES: usize = 8;
/// Lines of standard error that wait for the log; what comes beyond is counted only.
const WAITING_LINES: usize = 200;
/// Longest piece of a line of standard error that is kept, bytes.
const LONGEST_LOG_LINE: u64 = 2000;
/// How long the program may take to end after its input ended, and again after TERM.
const END_WAIT: Duration = Duration::from_millis(700);

/// Why no line came.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum NoLine {
    /// Nothing within the time allowed.
    Late,
    /// The line was longer than 64 MiB.
    TooLong,
    /// The program closed its output or is gone; what was seen.
    Ended(String),
}

#[derive(Debug, PartialEq)]
enum Incoming {
    Line(Vec<u8>),
    TooLong,
    End,
}

#[derive(Debug, Default)]
struct Log {
    kept: VecDeque<String>,
    waiting: Vec<String>,
    left_out: usize,
}

/// A running bench program.
#[derive(Debug)]
pub(crate) struct Process {
    /// The command as typed, for messages.
    pub(crate) name: String,
    child: Child,
    stdin: Option<ChildStdin>,
    lines: Receiver<Incoming>,
    log: Arc<Mutex<Log>>,
    status: Option<ExitStatus>,
    ended: bool,
}

impl Process {
    /// Starts `command` (program and arguments, no shell; relative paths from the working folder).
    ///
    /// # Errors
    /// [`DriverError::Open`] when the command is empty or cannot be started.
    pub(crate) fn spawn(command: &[String]) -> Result<Self, DriverError> {
        let name = command.join(" ");
        let open = |why: String| DriverError::Open { what: format!("bench program `{name}`"), why };
        let Some((program, arguments)) = command.split_first() else {
            return Err(open("`command` names no program".to_owned()));
        };
        let mut builder = Command::new(program);
        builder.args(arguments).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
        #[cfg(unix)]
        std::os::unix::process::CommandExt::process_group(&mut builder, 0);
        let mut child = builder.spawn().map_err(|error| open(spawn_advice(program, &error)))?;
        let (Some(stdin), Some(stdout), Some(stderr)) = (child.stdin.take(), child.stdout.take(), child.stderr.take())
        else {
            // A child without pipes cannot be talked to.
            let _ = child.kill();
            return Err(open("its input and output could not be connected".to_owned()));
        };
        // Bounded: a program that chatters is held back instead of filling the memory.
        let (sender, lines) = sync_channel(2);
        let log = Arc::new(Mutex::new(Log::default()));
        let sink = Arc::clone(&log);
        let started = thread::Builder::new()
            .name("bench program output".to_owned())
            .spawn(move || read_lines(stdout, LONGEST_LINE, &sender))
            .and_then(|_| {
                thread::Builder::new().name("bench program log".to_owned()).spawn(move || read_log(stderr, &sink))
            });
        let mut process = Self { name, child, stdin: Some(stdin), lines, log, status: None, ended: false };
        if let Err(error) = started {
            process.end();
            return Err(DriverError::Open {
                what: format!("bench program `{}`", process.name),
                why: format!("no thread could be started: {error}"),
            });
        }
        Ok(process)
    }

    /// Writes one line.
    ///
    /// # Errors
    /// What was seen when the program no longer takes input.
    pub(crate) fn send(&mut self, line: &str) -> Result<(), String> {
        let Some(stdin) = self.stdin.as_mut() else { return Err("its input is closed".to_owned()) };
        let written =
            stdin.write_all(line.as_bytes()).and_then(|()| stdin.write_all(b"\n")).and_then(|()| stdin.flush());
        written.map_err(|error| match self.gone() {
            Some(seen) => seen,
            None => format!("it no longer takes input ({error}){}", self.last_words()),
        })
    }

    /// The next line, without its end, within `allowed`.
    ///
    /// # Errors
    /// [`NoLine`] says why none came.
    pub(crate) fn line(&mut self, allowed: Duration) -> Result<Vec<u8>, NoLine> {
        match self.lines.recv_timeout(allowed) {
            Ok(incoming) => self.take(incoming),
            Err(RecvTimeoutError::Timeout) => Err(NoLine::Late),
            Err(RecvTimeoutError::Disconnected) => Err(NoLine::Ended(self.seen_at_end())),
        }
    }

    /// A line that is there already, if any.
    pub(crate) fn waiting_line(&mut self) -> Option<Result<Vec<u8>, NoLine>> {
        match self.lines.try_recv() {
            Ok(incoming) => Some(self.take(incoming)),
            Err(TryRecvError::Empty) => None,
            Err(TryRecvError::Disconnected) => Some(Err(NoLine::Ended(self.seen_at_end()))),
        }
    }

    /// Closes the program's input, which means `safe` to it.
    pub(crate) fn close_input(&mut self) {
        self.stdin = None;
    }

    /// Waits up to `allowed` for the program to end by itself; its status if it did.
    pub(crate) fn wait(&mut self, allowed: Duration) -> Option<ExitStatus> {
        let deadline = Instant::now() + allowed;
        loop {
            if self.status.is_none() {
                self.status = self.child.try_wait().ok().flatten();
            }
            if self.status.is_some() || Instant::now() >= deadline {
                return self.status;
            }
            thread::sleep(Duration::from_millis(3));
        }
    }

    /// Ends the program: end of input, then TERM, then KILL, each with a short wait. May be called again.
    pub(crate) fn end(&mut self) {
        if self.ended {
            return;
        }
        self.ended = true;
        self.close_input();
        if self.wait(END_WAIT).is_some() {
            return;
        }
        self.signal(Signal::Term);
        if self.wait(END_WAIT).is_some() {
            return;
        }
        self.signal(Signal::Kill);
        self.wait(END_WAIT);
    }

    /// Lines of standard error since the last call, oldest first.
    pub(crate) fn take_log(&mut self) -> Vec<String> {
        let mut log = lock(&self.log);
        let mut lines = std::mem::take(&mut log.waiting);
        let left_out = std::mem::take(&mut log.left_out);
        if left_out > 0 {
            lines.push(format!("({left_out} more lines left out)"));
        }
        lines
    }

    /// The last lines of standard error as the tail of a message; empty when there were none.
    pub(crate) fn last_words(&self) -> String {
        let log = lock(&self.log);
        if log.kept.is_empty() {
            return String::new();
        }
        let words: Vec<&str> = log.kept.iter().map(String::as_str).collect();
        format!("; last lines of its standard error:\n    {}", words.join("\n    "))
    }

    fn take(&mut self, incoming: Incoming) -> Result<Vec<u8>, NoLine> {
        match incoming {
            Incoming::Line(line) => Ok(line),
            Incoming::TooLong => Err(NoLine::TooLong),
            Incoming::End => Err(NoLine::Ended(self.seen_at_end())),
        }
    }

    /// What can be said of a program that has closed its output.
    fn seen_at_end(&mut self) -> String {
        match self.gone() {
            Some(seen) => seen,
            None => format!("it closed its standard output{}", self.last_words()),
        }
    }

    /// How the program ended, if it did.
    fn gone(&mut self) -> Option<String> {
        let status = self.wait(Duration::from_millis(300))?;
        // The log thread sees the end of standard error at about the same time as we see the exit.
        thread::sleep(Duration::from_millis(20));
        Some(format!("it ended ({status}){}", self.last_words()))
    }

    #[cfg(unix)]
    fn signal(&mut self, signal: Signal) {
        let raw = match signal {
            Signal::Term => rustix::process::Signal::TERM,
            Signal::Kill => rustix::process::Signal::KILL,
        };
        // The program leads its own group, so that a wrapper's children go with it. It has not been waited for, so
        // its number cannot have been given to another process.
        if let Some(group) = i32::try_from(self.child.id()).ok().and_then(rustix::process::Pid::from_raw) {
            let _ = rustix::process::kill_process_group(group, raw);
        }
    }

    #[cfg(not(unix))]
    fn signal(&mut self, signal: Signal) {
        if matches!(signal, Signal::Kill) {
            let _ = self.child.kill();
        }
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        self.end();
    }
}

#[derive(Clone, Copy)]
enum Signal {
    Term,
    Kill,
}

fn lock(log: &Mutex<Log>) -> MutexGuard<'_, Log> {
    log.lock().unwrap_or_else(PoisonError::into_inner)
}

fn spawn_advice(program: &str, error: &std::io::Error) -> String {
    match error.kind() {
        std::io::ErrorKind::NotFound => {
            format!("`{program}` was not found; give its path, or install it")
        }
        std::io::ErrorKind::PermissionDenied => {
            format!("`{program}` may not be executed; make it executable, or name its interpreter first")
        }
        _ => error.to_string(),
    }
}

fn read_lines(stdout: impl Read, longest: u64, sender: &SyncSender<Incoming>) {
    let mut reader = BufReader::new(stdout);
    loop {
        let mut line = Vec::new();
        let incoming = match (&mut reader).take(longest).read_until(b'\n', &mut line) {
            Ok(_) if line.last() == Some(&b'\n') => {
                line.pop();
                Incoming::Line(line)
            }
            Ok(taken) if taken as u64 == longest => Incoming::TooLong,
            // An unfinished last line is no answer.
            Ok(_) | Err(_) => Incoming::End,
        };
        let last = !matches!(incoming, Incoming::Line(_));
        if sender.send(incoming).is_err() || last {
            return;
        }
    }
}

fn read_log(stderr: ChildStderr, log: &Mutex<Log>) {
    let mut reader = BufReader::new(stderr);
    loop {
        let mut line = Vec::new();
        match (&mut reader).take(LONGEST_LOG_LINE).read_until(b'\n', &mut line) {
            Ok(0) | Err(_) => return,
            Ok(_) => keep(log, String::from_utf8_lossy(&line).trim_end().to_owned()),
        }
    }
}

fn keep(log: &Mutex<Log>, line: String) {
    let mut log = lock(log);
    if log.kept.len() == KEPT_LINES {
        log.kept.pop_front();
    }
    log.kept.push_back(line.clone());
    if log.waiting.len() < WAITING_LINES {
        log.waiting.push(line);
    } else {
        log.left_out += 1;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_cut_at_their_ends_and_an_overlong_one_ends_the_reading() {
        let (sender, lines) = sync_channel(8);
        read_lines(&b"{\"ok\":true}\n\nwithout end"[..], 100, &sender);
        let got: Vec<Incoming> = lines.try_iter().collect();
        assert_eq!(got, [Incoming::Line(b"{\"ok\":true}".to_vec()), Incoming::Line(Vec::new()), Incoming::End]);
        read_lines(&[b'x'; 101][..], 100, &sender);
        assert_eq!(lines.try_iter().collect::<Vec<_>>(), [Incoming::TooLong]);
    }

    #[test]
    fn the_last_lines_of_standard_error_are_kept_and_a_flood_is_counted() {
        let log = Mutex::new(Log::default());
        for number in 0..WAITING_LINES + 5 {
            keep(&log, format!("line {number}"));
        }
        let log = lock(&log);
        assert_eq!(log.kept.len(), KEPT_LINES);
        assert_eq!(log.kept.back().map(String::as_str), Some("line 204"));
        assert_eq!((log.waiting.len(), log.left_out), (WAITING_LINES, 5));
    }
}
