//! `galebench gauge`: repeatability and reproducibility of a bench.

use std::path::PathBuf;

use clap::{Args, Subcommand};

use crate::cli::exit::{ExitStatus, Failure};
use crate::cli::output::{print, say};
use crate::ops::gauge;
use crate::ops::write_whole;
use crate::report;

/// Find out whether a bench can decide a plan's limits: repeatability and reproducibility over units, sessions, repeats
#[derive(Debug, Args)]
pub(crate) struct GaugeArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    Plan(PlanArgs),
    Evaluate(EvaluateArgs),
}

/// Print the runs of a study in the order in which to make them
///
/// A session is another day, another operator, or everything taken apart and connected again. Each becomes a batch.
#[derive(Debug, Args)]
struct PlanArgs {
    /// Units that span what the bench will see, good and bad, for example TQ-0001,TQ-0002
    #[arg(long, value_name = "TAGS", value_delimiter = ',', required = true)]
    units: Vec<String>,
    /// Sessions
    #[arg(long, value_name = "N", default_value_t = 3)]
    sessions: usize,
    /// Repeats of each unit in each session
    #[arg(long, value_name = "N", default_value_t = 2)]
    repeats: usize,
    /// Rig file, for the commands
    #[arg(long, value_name = "FILE", default_value = "RIG")]
    rig: String,
    /// Plan file, for the commands
    #[arg(long, value_name = "FILE", default_value = "PLAN")]
    plan: String,
    /// Name of the study
    #[arg(long, value_name = "NAME", default_value = "gauge")]
    name: String,
    /// Seed of the order
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    seed: u64,
}

/// Evaluate a study from stored runs or from a table
#[derive(Debug, Args)]
struct EvaluateArgs {
    /// The sessions: one batch each, for example gauge-s1,gauge-s2,gauge-s3
    #[arg(
        long,
        value_name = "NAMES",
        value_delimiter = ',',
        required_unless_present = "table",
        conflicts_with = "table"
    )]
    batches: Vec<String>,
    /// Table with the columns unit, session and one for each quantity, in place of stored runs
    #[arg(long, value_name = "FILE")]
    table: Option<PathBuf>,
    /// Plan file whose limits are to be decided
    #[arg(long, value_name = "FILE")]
    plan: Option<PathBuf>,
    /// Only these quantities, for example drop_v,ramp_10_90_s [default: all]
    #[arg(long, value_name = "NAMES", value_delimiter = ',')]
    only: Vec<String>,
    /// Write every reading as a drawing to this file
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    /// Add what sessions differ by to the calibration file of this rig, so that it is in `u` of every later run
    #[arg(long, value_name = "RIG")]
    keep: Option<PathBuf>,
    /// Runs of the virtual bench
    #[arg(long = "virtual")]
    is_virtual: bool,
    /// Folder with records and store
    #[arg(long, value_name = "DIR", default_value = "reports")]
    out: PathBuf,
}

impl GaugeArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        match &self.what {
            What::Plan(args) => args.run(),
            What::Evaluate(args) => args.run(),
        }
    }
}

impl PlanArgs {
    fn run(&self) -> Result<ExitStatus, Failure> {
        let steps = gauge::plan(&self.units, self.sessions, self.repeats, self.seed)?;
        let mut text = String::new();
        let mut session = 0;
        for step in &steps {
            if step.session != session {
                session = step.session;
                text += &format!("# session {session}: another day or operator, everything connected anew\n");
            }
            text += &format!(
                "galebench run --rig {} --plan {} --batch {}-s{} --unit {}\n",
                self.rig, self.plan, self.name, step.session, step.unit
            );
        }
        let batches: Vec<String> = (1..=self.sessions).map(|session| format!("{}-s{session}", self.name)).collect();
        text += &format!("# then\ngalebench gauge evaluate --batches {} --plan {}\n", batches.join(","), self.plan);
        print(&text)?;
        Ok(ExitStatus::Done)
    }
}

impl EvaluateArgs {
    fn run(&self) -> Result<ExitStatus, Failure> {
        let mut readings = match &self.table {
            Some(path) => gauge::from_table(path)?,
            None => gauge::from_batches(&self.out, &self.batches, self.is_virtual)?,
        };
        if let Some(name) = self.only.iter().find(|name| !readings.contains_key(*name)) {
            let there: Vec<&str> = readings.keys().map(String::as_str).collect();
            return Err(Failure::bad_input(format!("--only: no readings of `{name}`; there are {}", there.join(", "))));
        }
        readings.retain(|name, _| self.only.is_empty() || self.only.contains(name));
        let study = gauge::evaluate(&readings, self.plan.as_deref())?;
        print(&report::gauge::text(&study))?;
        if let Some(path) = &self.svg {
            write_whole(path, report::gauge::svg(&study).as_bytes())?;
        }
        if let Some(rig) = &self.keep {
            let source = self.table.as_ref().map_or(self.batches.join(","), |path| path.display().to_string());
            let path = gauge::keep(rig, &study, &source)?;
            say(&format!("kept in {}: later runs on this rig carry it in u", path.display()));
        }
        Ok(ExitStatus::Done)
    }
}
