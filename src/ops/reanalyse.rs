//! Every record gone through again by today's analysis; what earlier ones said is kept.

use std::collections::VecDeque;
use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use crate::analysis;
use crate::ops::document::{self, Evaluated};
use crate::ops::{OpsError, analyze};
use crate::record::recording::Recording;
use crate::record::seal::SEAL_FILE;
use crate::record::{EVENTS_FILE, SAMPLES_FILE, reader};
use crate::results::Grade;
use crate::store::{RunRow, RunState, Store, Turn, Whose, Worked};

/// A grade that the new analysis gives otherwise.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Changed {
    /// Unit tag.
    pub unit: Option<String>,
    /// The run.
    pub run: String,
    /// The grade of the earlier analysis.
    pub from: Option<Grade>,
    /// Today's.
    pub to: Option<Grade>,
}

/// What was done.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Reanalysed {
    /// Records gone through.
    pub runs: u64,
    /// Samples in them, of all channels, tach edges included.
    pub samples: u64,
    /// Wall time.
    pub seconds: f64,
    /// Grades that changed.
    pub changed: Vec<Changed>,
    /// Records that could not be read: folder and reason.
    pub left_out: Vec<(String, String)>,
}

/// What the workers share.
#[derive(Default)]
struct Shared {
    runs: AtomicU64,
    samples: AtomicU64,
    changed: Mutex<Vec<Changed>>,
    left_out: Mutex<Vec<(String, String)>>,
    /// A worker failed: the others end after their record.
    ending: AtomicBool,
}

impl Shared {
    /// Notes a record that could not be gone through, and hands the reason back.
    fn leave_out(&self, dir: &Path, why: String) -> String {
        let mut left_out = self.left_out.lock().unwrap_or_else(PoisonError::into_inner);
        left_out.push((dir.display().to_string(), why.clone()));
        why
    }
}

/// Has `workers` threads go through all records under `root` that another analysis went through last, real ones or those of
/// the virtual bench; one that is not there any more is brought from the shop's records. In a shop with a server, through
/// all records that can be had here, those of this bench first; workers on other machines take part by being started
/// there. Stopped at any moment, it goes on where it was when it is started again.
///
/// `tell` is called about every two seconds with records and samples so far.
///
/// # Errors
/// A store that cannot be read or written, a server that is away; results that cannot be written. A record that cannot be
/// read is left out and named.
pub fn reanalyse(
    root: &Path,
    is_virtual: bool,
    workers: usize,
    tell: &mut dyn FnMut(u64, u64),
) -> Result<Reanalysed, OpsError> {
    let begin = Instant::now();
    let shared = Shared::default();
    let store = Store::open(root, is_virtual)?;
    store.make_jobs(analysis::VERSION)?;
    let is_shared = store.is_shared();
    let feed = Mutex::new(Feed { store, after: 0, rows: VecDeque::new() });
    std::thread::scope(|scope| {
        let work = || -> Result<(), OpsError> {
            let store = Store::open(root, is_virtual)?;
            let done = if is_shared { by_turns(&store, &shared) } else { Ok(()) };
            // With common records others may have gone through some of this bench's: those are brought up to date here.
            let rest = !is_shared || store.has_records();
            let done = done.and_then(|()| if rest { from_feed(&store, &feed, &shared) } else { Ok(()) });
            done.inspect_err(|_| shared.ending.store(true, Ordering::Relaxed))
        };
        let threads: Vec<_> = (0..workers.max(1)).map(|_| scope.spawn(work)).collect();
        let mut told = Instant::now();
        while threads.iter().any(|thread| !thread.is_finished()) {
            std::thread::sleep(Duration::from_millis(10));
            if told.elapsed() > Duration::from_secs(2) {
                told = Instant::now();
                tell(shared.runs.load(Ordering::Relaxed), shared.samples.load(Ordering::Relaxed));
            }
        }
        threads.into_iter().try_for_each(|thread| match thread.join() {
            Ok(result) => result,
            Err(panic) => std::panic::resume_unwind(panic),
        })
    })?;
    Ok(Reanalysed {
        runs: shared.runs.into_inner(),
        samples: shared.samples.into_inner(),
        seconds: begin.elapsed().as_secs_f64(),
        changed: sorted(shared.changed),
        left_out: sorted(shared.left_out),
    })
}

fn sorted<T: Ord>(list: Mutex<Vec<T>>) -> Vec<T> {
    let mut list = list.into_inner().unwrap_or_else(PoisonError::into_inner);
    list.sort();
    list.dedup();
    list
}

/// Rows of one bench, handed to its threads.
struct Feed {
    store: Store,
    after: i64,
    rows: VecDeque<(i64, RunRow)>,
}

impl Feed {
    fn next(&mut self) -> Result<Option<RunRow>, OpsError> {
        const AT_A_TIME: u32 = 100;
        if self.rows.is_empty() {
            self.rows = self.store.stale(analysis::VERSION, self.after, AT_A_TIME)?.into();
        }
        let Some((id, row)) = self.rows.pop_front() else { return Ok(None) };
        self.after = id;
        Ok(Some(row))
    }
}

/// Works through the bench's own rows; in a shop, through those that the server has from another worker.
fn from_feed(store: &Store, feed: &Mutex<Feed>, shared: &Shared) -> Result<(), OpsError> {
    while !shared.ending.load(Ordering::Relaxed) {
        let next = feed.lock().unwrap_or_else(PoisonError::into_inner).next()?;
        let Some(row) = next else { break };
        if !store.is_free(&row.run, analysis::VERSION)? {
            continue;
        }
        if let Ok((document, state)) = go_through(store, &row, shared)? {
            store.insert(&document, &row.dir, state)?;
        }
    }
    Ok(())
}

/// Works on what the server hands out.
fn by_turns(store: &Store, shared: &Shared) -> Result<(), OpsError> {
    let mut whose = Whose::Own;
    while !shared.ending.load(Ordering::Relaxed) {
        let mut failed = None;
        let turn = store.take_turn(analysis::VERSION, &whose, |row| {
            if whose != Whose::Own && !may_be_had(store, row) {
                return None;
            }
            Some(go_through(store, row, shared).unwrap_or_else(|error| {
                let why = error.to_string();
                failed = Some(error);
                Err(why)
            }))
        })?;
        if let Some(error) = failed {
            return Err(error);
        }
        match (turn, &whose) {
            (Turn::Nothing, Whose::Own) if store.has_records() => whose = Whose::Others(String::new()),
            (Turn::Nothing, _) => break,
            (Turn::Passed(dir), _) => whose = Whose::Others(dir),
            (Turn::Done | Turn::LeftOut, _) => {}
        }
    }
    Ok(())
}

/// Whether the record of another bench is here or among the shop's records.
fn may_be_had(store: &Store, row: &RunRow) -> bool {
    // Away now, it is left to those who have it.
    row.dir.join(EVENTS_FILE).is_file() || store.has_record(&row.dir).unwrap_or(false)
}

/// Goes through one record, brought from the shop's records if need be. The inner error is a record that cannot be read.
fn go_through(store: &Store, row: &RunRow, shared: &Shared) -> Result<Worked, OpsError> {
    let brought = match store.bring_record(&row.dir) {
        Ok(brought) => brought,
        Err(error) => return Ok(Err(shared.leave_out(&row.dir, error.to_string()))),
    };
    let worked = write_anew(row, shared);
    if brought {
        // Only lent: thousands of them would fill the disk.
        for name in [EVENTS_FILE, SAMPLES_FILE, SEAL_FILE] {
            let path = row.dir.join(name);
            std::fs::remove_file(&path).map_err(|source| OpsError::Write { path, source })?;
        }
    }
    worked
}

/// Analyses one record and writes its documents.
fn write_anew(row: &RunRow, shared: &Shared) -> Result<Worked, OpsError> {
    let (evaluated, state) = match again(&row.dir) {
        Ok(found) => found,
        Err(error) => return Ok(Err(shared.leave_out(&row.dir, error.to_string()))),
    };
    document::write(&row.dir, &evaluated)?;
    shared.runs.fetch_add(1, Ordering::Relaxed);
    shared.samples.fetch_add(samples(&evaluated.recording), Ordering::Relaxed);
    let to = evaluated.document.verdict.as_ref().map(|verdict| verdict.grade);
    if row.grade != to {
        let changed = Changed { unit: row.unit.clone(), run: row.run.clone(), from: row.grade, to };
        shared.changed.lock().unwrap_or_else(PoisonError::into_inner).push(changed);
    }
    Ok(Ok((evaluated.document, state)))
}

fn again(dir: &Path) -> Result<(Evaluated, RunState), OpsError> {
    let finished = reader::is_finished(dir)?;
    let evaluated = analyze::record(dir)?;
    let state = match (finished, &evaluated.document.stopped) {
        (false, _) => RunState::Interrupted,
        (true, Some(_)) => RunState::Stopped,
        (true, None) => RunState::Finished,
    };
    Ok((evaluated, state))
}

fn samples(recording: &Recording) -> u64 {
    let values = recording.channels.values().flat_map(|series| series.chunks()).map(|chunk| chunk.values.len());
    (values.sum::<usize>() + recording.tach_s.as_ref().map_or(0, Vec::len)) as u64
}
