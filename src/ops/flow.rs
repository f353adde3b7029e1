//! Flow for volume: the units of a crate one after another, each keeping its place when it is skipped, aborted or has a
//! loose clip.

use std::collections::{BTreeMap, VecDeque};
use std::path::PathBuf;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc;
use std::time::Instant;

use crate::config;
use crate::intake::journal::Facts;
use crate::ops::intake::{Desk, find_run};
use crate::ops::run::{self, RunDone, RunOptions, Task};
use crate::ops::{OpsError, contact};
use crate::record::reader;
use crate::results::{Grade, StoppedBy};
use crate::runner::{Observer, Quiet, StopHandle};
use crate::store::{Filter, Page, RunState, Store};

/// What crate on what bench.
#[derive(Clone, Debug)]
pub struct FlowOptions {
    /// Rig file.
    pub rig: PathBuf,
    /// Plan file.
    pub plan: PathBuf,
    /// Batch, folder and person.
    pub desk: Desk,
    /// Seed of the first unit on the virtual bench; each next place in the crate has the next one.
    pub seed: Option<u64>,
    /// Whether contacts are checked before each unit.
    pub contact: bool,
}

/// A unit that was run to an end of any kind.
#[derive(Debug)]
pub struct UnitDone {
    /// Its tag.
    pub tag: String,
    /// Grade, reasons and all; `None` when the contact check held it back.
    pub run: Option<RunDone>,
    /// What is wrong with its contacts.
    pub contact: Vec<String>,
    /// Wall time that it took, seconds.
    pub wall_s: f64,
}

/// What is known of a tag that was scanned.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Known {
    /// Registered, not run yet.
    Waiting,
    /// Run to its end before.
    Finished(Option<Grade>),
    /// Not registered, though the batch has registered units.
    Stranger,
}

/// How a crate goes on after a unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum After {
    /// The next unit.
    Next,
    /// The person stopped it.
    Aborted,
    /// Bench, record or program failed, or the safe state was not confirmed: nothing more is energised.
    Broken,
}

/// A crate under way.
#[derive(Debug)]
pub struct Flow {
    options: FlowOptions,
    /// Tags in the order of the crate.
    order: Vec<String>,
    /// Whether the crate had registered units when it was opened, so that another tag is worth a question.
    registered: bool,
    finished: BTreeMap<String, Option<Grade>>,
    is_virtual: bool,
    /// Seed of the first place.
    seed: u64,
    /// Wall times from unit to unit in this session, seconds.
    cycles_s: Vec<f64>,
    /// Worst bench time of the plan.
    worst_s: f64,
}

impl UnitDone {
    /// What the crate does after this unit.
    #[must_use]
    pub fn after(&self) -> After {
        let Some(run) = &self.run else { return After::Next };
        match run.document.stopped.as_ref().map(|stopped| stopped.by) {
            _ if !run.safe_confirmed => After::Broken,
            Some(StoppedBy::Rig | StoppedBy::Record | StoppedBy::Host) => After::Broken,
            Some(StoppedBy::Operator) => After::Aborted,
            Some(StoppedBy::Unit) | None => After::Next,
        }
    }

    /// The measured grade.
    #[must_use]
    pub fn grade(&self) -> Option<Grade> {
        self.run.as_ref()?.document.verdict.as_ref().map(|verdict| verdict.grade)
    }

    /// Whether the unit is through: it has a verdict, and nobody stopped the run.
    #[must_use]
    pub fn is_finished(&self) -> bool {
        self.after() == After::Next && self.grade().is_some()
    }
}

impl Flow {
    /// Opens a crate: everything that can be wrong with rig, plan and names is found here, before any device is opened.
    ///
    /// # Errors
    /// Wrong files or names; a journal or a store that cannot be read.
    pub fn open(options: FlowOptions) -> Result<Self, OpsError> {
        let rig = config::load_rig(&options.rig)?;
        let plan = config::load_plan(&options.plan)?;
        let worst_s = config::check_together(&rig, &plan)?.worst_s();
        let book = options.desk.book()?;
        let played = rig.driver.played();
        let (is_virtual, own_seed) = (played.is_some(), played.map_or(0, |spec| spec.seed));
        let seed = options.seed.unwrap_or(own_seed);
        let mut flow = Self {
            options,
            registered: !book.order.is_empty(),
            order: book.order,
            finished: BTreeMap::new(),
            is_virtual,
            seed,
            cycles_s: Vec::new(),
            worst_s,
        };
        flow.look_up_finished()?;
        Ok(flow)
    }

    /// Units of the crate that have a verdict already. A program behind a rig file may turn out to be virtual.
    fn look_up_finished(&mut self) -> Result<(), OpsError> {
        const ROWS: u32 = 500;
        let filter = Filter { batch: Some(self.options.desk.batch.clone()), ..Filter::default() };
        for is_virtual in if self.is_virtual { &[true][..] } else { &[true, false] } {
            let store = Store::open(&self.options.desk.out, *is_virtual)?;
            let mut page = Page::first(ROWS);
            loop {
                let listing = store.list(&filter, &page)?;
                for row in listing.rows.iter().filter(|row| row.state != RunState::Interrupted && row.judges()) {
                    if let (Some(unit), Some(_)) = (&row.unit, row.grade) {
                        self.finished.entry(unit.clone()).or_insert(row.counted_grade());
                    }
                }
                if listing.next.is_none() {
                    break;
                }
                page.after = listing.next;
            }
        }
        Ok(())
    }

    /// Whether the bench is calculated, so that several units can go at once.
    #[must_use]
    pub const fn is_virtual(&self) -> bool {
        self.is_virtual
    }

    /// Registered units without a verdict, in the order of the crate.
    #[must_use]
    pub fn left(&self) -> Vec<String> {
        self.order.iter().filter(|tag| !self.finished.contains_key(*tag)).cloned().collect()
    }

    /// What is known of a tag.
    #[must_use]
    pub fn known(&self, tag: &str) -> Known {
        match self.finished.get(tag) {
            Some(grade) => Known::Finished(*grade),
            None if !self.registered || self.order.iter().any(|known| known == tag) => Known::Waiting,
            None => Known::Stranger,
        }
    }

    /// Takes a unit into the crate that was not registered.
    ///
    /// # Errors
    /// A tag that cannot be one; a journal that cannot be written.
    pub fn take_in(&mut self, tag: &str) -> Result<(), OpsError> {
        if !self.order.iter().any(|known| known == tag) {
            self.options.desk.register(tag, &Facts::default(), &[])?;
            self.order.push(tag.to_owned());
        }
        Ok(())
    }

    /// Passes a unit over; it keeps its place.
    ///
    /// # Errors
    /// A journal that cannot be written.
    pub fn skip(&self, tag: &str, why: &str) -> Result<(), OpsError> {
        self.options.desk.skip(tag, why)
    }

    /// Checks contacts, unless told not to, and runs the plan on a unit.
    ///
    /// # Errors
    /// What [`run::run`] fails with.
    pub fn run(
        &mut self,
        tag: &str,
        contact: bool,
        observer: &mut dyn Observer,
        stop: &StopHandle,
    ) -> Result<UnitDone, OpsError> {
        self.take_in(tag)?;
        let options = self.options_for(tag);
        let done = run_unit(&options, contact && self.options.contact, observer, stop)?;
        self.note(&done);
        Ok(done)
    }

    fn options_for(&self, tag: &str) -> RunOptions {
        let place = self.order.iter().position(|known| known == tag).unwrap_or(self.order.len());
        RunOptions {
            rig: self.options.rig.clone(),
            task: Task::Plan(self.options.plan.clone()),
            unit: tag.to_owned(),
            batch: Some(self.options.desk.batch.clone()),
            out: self.options.desk.out.clone(),
            seed: self.is_virtual.then(|| self.seed.wrapping_add(place as u64)),
            form: None,
        }
    }

    /// Takes note of how a unit went.
    fn note(&mut self, done: &UnitDone) {
        if done.is_finished() {
            self.finished.insert(done.tag.clone(), done.grade());
            self.cycles_s.push(done.wall_s);
        }
    }

    /// Says that the last run was of another unit.
    ///
    /// # Errors
    /// A tag that cannot be one; a journal that cannot be written.
    pub fn undo(&mut self, done: &UnitDone, to: &str) -> Result<(), OpsError> {
        let Some(run) = done.run.as_ref().and_then(|run| run.document.run.clone()) else { return Ok(()) };
        let row = find_run(&self.options.desk.out, &run)?;
        self.options.desk.retag(&row, to)?;
        self.finished.remove(&done.tag);
        self.take_in(to)?;
        if done.is_finished() {
            self.finished.insert(to.to_owned(), done.grade());
        }
        Ok(())
    }

    /// Puts a person's grade beside the measured one of a run.
    ///
    /// # Errors
    /// No name or reason; a journal that cannot be written.
    pub fn grade(&self, done: &UnitDone, by: &str, grade: Grade, why: &str) -> Result<(), OpsError> {
        let Some(run) = done.run.as_ref().and_then(|run| run.document.run.clone()) else { return Ok(()) };
        let row = find_run(&self.options.desk.out, &run)?;
        let desk = Desk { by: Some(by.to_owned()), ..self.options.desk.clone() };
        desk.grade(&row, Some((grade, why)))
    }

    /// Seconds that `left` units will take: from the median of this session's units; before the first, the plan's worst
    /// case on a bench with a clock.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "some hundred units")]
    pub fn estimate_s(&self, left: usize, at_once: usize) -> Option<f64> {
        let mut cycles = self.cycles_s.clone();
        cycles.sort_by(f64::total_cmp);
        let median = cycles.get(cycles.len() / 2).copied();
        let each = median.or_else(|| (!self.is_virtual).then_some(self.worst_s))?;
        Some(each * left as f64 / at_once.max(1) as f64)
    }

    /// Runs all units that are left, `at_once` of them at a time on the virtual bench (one on any other), and hands each
    /// to `each` when it is done, with the seconds that the rest will take. A unit whose contacts stay bad is skipped and
    /// keeps its place. The crate ends early when a run was stopped by the operator, the bench failed or `halt` was set.
    ///
    /// # Errors
    /// The first failure that no record holds, such as a folder that cannot be written.
    pub fn unattended(
        &mut self,
        at_once: usize,
        halt: &AtomicBool,
        mut each: impl FnMut(&UnitDone, Option<f64>),
    ) -> Result<After, OpsError> {
        let at_once = if self.is_virtual { at_once.max(1) } else { 1 };
        let queue: Mutex<VecDeque<RunOptions>> =
            Mutex::new(self.left().iter().map(|tag| self.options_for(tag)).collect());
        let mut left = queue.lock().map_or(0, |queue| queue.len());
        let contact = self.options.contact;
        let (sender, receiver) = mpsc::channel::<Result<UnitDone, OpsError>>();
        std::thread::scope(|scope| {
            for _ in 0..at_once {
                let (sender, queue) = (sender.clone(), &queue);
                scope.spawn(move || {
                    while let Some(options) = next(queue, halt) {
                        let done = run_unit(&options, contact, &mut Quiet, &StopHandle::new());
                        let goes_on = done.as_ref().is_ok_and(|done| done.after() == After::Next);
                        if !goes_on {
                            halt.store(true, Ordering::SeqCst);
                        }
                        if sender.send(done).is_err() {
                            return;
                        }
                    }
                });
            }
            drop(sender);
            let mut after = After::Next;
            for done in receiver {
                let done = done?;
                left -= 1;
                self.note(&done);
                if !done.contact.is_empty() {
                    self.skip(&done.tag, &format!("contact check: {}", done.contact.join("; ")))?;
                }
                after = match (after, done.after()) {
                    (After::Broken, _) | (_, After::Broken) => After::Broken,
                    (After::Aborted, _) | (_, After::Aborted) => After::Aborted,
                    _ => After::Next,
                };
                each(&done, self.estimate_s(left, at_once));
            }
            let asked = halt.load(Ordering::SeqCst) && after == After::Next;
            Ok(if asked { After::Aborted } else { after })
        })
    }
}

fn next(queue: &Mutex<VecDeque<RunOptions>>, halt: &AtomicBool) -> Option<RunOptions> {
    if halt.load(Ordering::SeqCst) {
        return None;
    }
    queue.lock().ok()?.pop_front()
}

fn run_unit(
    options: &RunOptions,
    check_contact: bool,
    observer: &mut dyn Observer,
    stop: &StopHandle,
) -> Result<UnitDone, OpsError> {
    let begin = Instant::now();
    let done =
        |run, contact| UnitDone { tag: options.unit.clone(), run, contact, wall_s: begin.elapsed().as_secs_f64() };
    if check_contact {
        let check = RunOptions { task: Task::Contact, ..options.clone() };
        let checked = run::run(&check, observer, stop.clone())?;
        let problems = contact::problems(&reader::read(&checked.dir)?.0);
        match checked.document.stopped.as_ref().map(|stopped| stopped.by) {
            _ if !checked.safe_confirmed => return Ok(done(Some(checked), Vec::new())),
            None | Some(StoppedBy::Unit | StoppedBy::Rig) if !problems.is_empty() => return Ok(done(None, problems)),
            // What the unit itself does is a finding: the plan below meets it again and grades it.
            None | Some(StoppedBy::Unit) => {}
            Some(_) => return Ok(done(Some(checked), Vec::new())),
        }
    }
    let run = run::run(options, observer, stop.clone())?;
    Ok(done(Some(run), Vec::new()))
}
