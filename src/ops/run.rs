//! One execution of a plan on one unit: files checked, record opened, bench opened, run, judged, written, indexed.

use std::path::{Path, PathBuf};

use sha2::{Digest as _, Sha256};

use crate::config::plan::{Plan, Stage, UpTo};
use crate::config::rig::Rig;
use crate::config::{self, Problems};
use crate::driver;
use crate::ops::document::{self, Evaluated};
use crate::ops::provenance::{self, PROGRAM};
use crate::ops::{OpsError, archive, before_power, contact, preflight, self_check};
use crate::record::event::{Event, FORMAT, Header, Numbered};
use crate::record::recording::Recording;
use crate::record::seal::hex;
use crate::record::writer::RecordWriter;
use crate::results::{Document, RiskRule, StoppedBy};
use crate::runner::{self, Observer, RunRequest, StopHandle};
use crate::store::SPIN_PLAN;
use crate::units::{Amps, Ratio, Seconds};

/// What to run on what.
#[derive(Clone, Debug)]
pub struct RunOptions {
    /// Rig file.
    pub rig: PathBuf,
    /// What to do.
    pub task: Task,
    /// Unit tag.
    pub unit: String,
    /// Batch; `unsorted` if none is given.
    pub batch: Option<String>,
    /// Folder that holds records and store.
    pub out: PathBuf,
    /// Seed of the virtual bench, in place of the rig file's.
    pub seed: Option<u64>,
    /// Readings of the unit taken by hand before power.
    pub form: Option<PathBuf>,
}

/// What to do to the unit.
#[derive(Clone, Debug)]
pub enum Task {
    /// A plan file.
    Plan(PathBuf),
    /// Spin it by hand at one duty, supervised: this one stage after first power.
    Spin(Stage),
    /// First power and line check only, to see whether every clip has contact.
    Contact,
    /// First power on a resistor of known value in place of a unit.
    SelfCheck,
}

/// A run that took place, to whatever end.
#[derive(Clone, Debug)]
pub struct RunDone {
    /// The results document, as written.
    pub document: Document,
    /// Folder of record and report.
    pub dir: PathBuf,
    /// Whether measurement confirmed the safe state at the end.
    pub safe_confirmed: bool,
}

/// Runs a task on a unit and leaves record, documents and an index entry.
///
/// # Errors
/// Everything that goes wrong before the bench is opened, and failures to write the documents afterwards. A run that
/// was stopped, also by a failing bench, is no error: see [`Document::stopped`].
pub fn run(options: &RunOptions, observer: &mut dyn Observer, stop: StopHandle) -> Result<RunDone, OpsError> {
    let rig = config::load_rig(&options.rig)?;
    let plan = plan_for(&options.task, &rig)?;
    config::check_together(&rig, &plan)?;
    let batch = options.batch.clone().unwrap_or_else(|| archive::UNSORTED.to_owned());
    for (what, name) in [("unit", &options.unit), ("batch", &batch)] {
        check_name(what, name)?;
    }
    let form = preflight::load_form(options.form.as_ref())?;
    let paper = form.as_ref().zip(options.form.as_deref());
    let mut checks = before_power::host(&rig, &options.out);
    checks.extend(before_power::papers(paper, Some(&options.unit))?);
    // Opening is inert, and only an open bench tells whether its samples are calculated.
    let opened = driver::open(&rig, options.seed);
    let calculated = opened.as_ref().is_ok_and(|bench| bench.offers().is_virtual);
    let mut header = header(options, &rig, &plan, &batch);
    header.is_virtual |= calculated;
    if let Ok(bench) = &opened {
        bench.offers().alignment.tell(&mut header.bench);
    }
    header.earlier_runs = Some(archive::earlier_runs(&options.out, header.is_virtual, &options.unit)?);
    let dir = options.out.join(&batch).join(&options.unit).join(&header.run);
    let writer = RecordWriter::create(&dir, &header)?;
    let outcome = match opened {
        Ok(bench) => runner::run(
            RunRequest { rig, plan, header, checks, advise: document::doubts },
            bench,
            writer,
            observer,
            stop,
        ),
        Err(error) => return never_opened(&dir, header, writer, &error.to_string(), options),
    };
    let evaluated = document::evaluate(outcome.recording, outcome.stopped);
    finish(&dir, evaluated, outcome.safe_confirmed, options)
}

fn finish(
    dir: &Path,
    mut evaluated: Evaluated,
    safe_confirmed: bool,
    options: &RunOptions,
) -> Result<RunDone, OpsError> {
    provenance::stamp(dir, &mut evaluated, true)?;
    document::write(dir, &evaluated)?;
    archive::index(&options.out, &evaluated.document, dir)?;
    Ok(RunDone { document: evaluated.document, dir: dir.to_owned(), safe_confirmed })
}

/// The bench could not be opened: nothing was energised, and the record says so.
fn never_opened(
    dir: &Path,
    header: Header,
    mut writer: RecordWriter,
    cause: &str,
    options: &RunOptions,
) -> Result<RunDone, OpsError> {
    let mut recording = Recording::default();
    recording.header = header;
    let trip = Event::Trip { rule: "bench_not_opened".to_owned(), saw: cause.to_owned(), by: StoppedBy::Rig };
    for (seq, event) in [(1, trip), (2, Event::End { finished: false })] {
        let line = Numbered { seq, t_s: 0.0, event };
        writer.event(&line)?;
        recording.push_event(line);
    }
    writer.finish()?;
    let stopped = document::stopped_of(&recording, false);
    finish(dir, document::evaluate(recording, stopped), true, options)
}

fn plan_for(task: &Task, rig: &Rig) -> Result<Plan, Problems> {
    match task {
        Task::Plan(path) => config::load_plan(path),
        Task::Spin(hold) => Ok(spin_plan(hold, rig)),
        Task::Contact => Ok(contact::plan(rig)),
        Task::SelfCheck => Ok(self_check::plan(rig)),
    }
}

/// The plan behind the manual command: first power as the rig declares, then one constant duty.
fn spin_plan(hold: &Stage, rig: &Rig) -> Plan {
    plain_plan(SPIN_PLAN, rig, vec![Stage::FirstPower { settle: Seconds(5.0) }, hold.clone()])
}

/// A plan that no file holds: these stages within the rig's limits, nothing asked of the unit, no second look.
pub(super) fn plain_plan(name: &str, rig: &Rig, stages: Vec<Stage>) -> Plan {
    Plan {
        name: name.to_owned(),
        reference_voltage: None,
        time_limit: rig.limits.energised_time,
        current_limit: UpTo::<Amps>::RigLimit,
        battery: None,
        asleep_below: None,
        under_bonnet: None,
        prior_bad: Ratio(0.1),
        risk: RiskRule::default(),
        look_again_within: Seconds(0.0),
        limits: std::collections::BTreeMap::new(),
        text: format!("{stages:?}"),
        stages,
        path: PathBuf::from(name),
    }
}

/// A name that becomes a folder: letters, digits, `.`, `_` and `-`, not beginning with a dot.
pub(super) fn check_name(what: &str, name: &str) -> Result<(), OpsError> {
    let legal = |c: char| c.is_alphanumeric() || matches!(c, '.' | '_' | '-');
    if !name.is_empty() && name.len() <= 100 && !name.starts_with('.') && name.chars().all(legal) {
        return Ok(());
    }
    Err(OpsError::Argument {
        what: format!("{what} `{name}`"),
        why: "becomes a folder name; use letters, digits, `-`, `_` and `.`, not beginning with `.`".to_owned(),
    })
}

fn header(options: &RunOptions, rig: &Rig, plan: &Plan, batch: &str) -> Header {
    let now = jiff::Timestamp::now();
    let (bench, plan_facts) = config::facts(rig, plan);
    let seed = rig.driver.played().map(|spec| options.seed.unwrap_or(spec.seed));
    Header {
        format: (FORMAT.major, FORMAT.minor),
        run: run_name(now, &options.unit),
        unit: Some(options.unit.clone()),
        batch: Some(batch.to_owned()),
        // Virtual runs can take less than a second each, and their order counts: which came first, which is nearest.
        started: Some(now.round(jiff::Unit::Millisecond).unwrap_or(now).to_string()),
        program: PROGRAM.to_owned(),
        rig: Some(rig.name.clone()),
        rig_text: Some(rig.text.clone()),
        plan: Some(plan.name.clone()),
        plan_text: Some(plan.text.clone()),
        frozen: Some(document::frozen(&rig.text, &plan.text)),
        is_virtual: rig.driver.played().is_some(),
        seed,
        earlier_runs: None,
        calibrations: before_power::calibrations(rig),
        bench,
        plan_facts,
    }
}

/// `20260512T143015Z-a3f0c1`: sorts by time; the tail tells runs of one second apart.
fn run_name(now: jiff::Timestamp, unit: &str) -> String {
    let mut hash = Sha256::new();
    hash.update(now.as_nanosecond().to_le_bytes());
    hash.update(std::process::id().to_le_bytes());
    hash.update(unit.as_bytes());
    let tail = hex(&hash.finalize()[..3]);
    format!("{}-{tail}", now.strftime("%Y%m%dT%H%M%SZ"))
}
