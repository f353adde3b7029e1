//! `galebench preflight`: looks at everything before anything is energised.

use std::path::PathBuf;

use clap::Args;

use crate::cli::exit::{ExitStatus, Failure};
use crate::cli::output::{print, put_json, say};
use crate::cli::run::quantity;
use crate::config::form::BLANK;
use crate::ops::preflight::{PreflightOptions, preflight};
use crate::record::preflight::{self as lines, Check};
use crate::units::Seconds;

/// Look at host, papers and bench before anything is energised
///
/// Every run does the same by itself; this command does nothing else. Ends with status 4 when a line fails.
#[derive(Debug, Args)]
pub(crate) struct PreflightArgs {
    /// Rig file: the bench
    #[arg(long, value_name = "FILE", required_unless_present = "blank")]
    rig: Option<PathBuf>,
    /// Readings taken by hand before power, see --blank
    #[arg(long, value_name = "FILE")]
    form: Option<PathBuf>,
    /// Tag of the unit on the bench, which the form must be of
    #[arg(long, value_name = "TAG")]
    unit: Option<String>,
    /// Folder that will hold records, reports and the store
    #[arg(long, value_name = "DIR", default_value = "reports")]
    out: PathBuf,
    /// Wait this long for you to press the emergency stop, and see that the supervisor acts on it
    #[arg(long, value_name = "TIME", value_parser = quantity::<Seconds>)]
    try_stop: Option<Seconds>,
    /// Seed of the virtual bench, in place of the rig file's
    #[arg(long, value_name = "NUMBER")]
    seed: Option<u64>,
    /// Print a form for the readings before power, to fill in as a file or on paper, and do nothing else
    #[arg(long)]
    blank: bool,
    /// Write the lines as JSON to this file, or to standard output and nothing else there for `-`
    #[arg(long, value_name = "PATH", num_args = 0..=1, default_missing_value = "-")]
    json: Option<PathBuf>,
}

impl PreflightArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        let Some(rig) = self.rig.clone().filter(|_| !self.blank) else {
            print(BLANK)?;
            return Ok(ExitStatus::Done);
        };
        let options = PreflightOptions {
            rig,
            unit: self.unit.clone(),
            form: self.form.clone(),
            out: self.out.clone(),
            seed: self.seed,
            try_stop: self.try_stop,
        };
        let mut tell = |seconds: f64| say(&format!("press the emergency stop within {seconds:.0} s"));
        let checks = preflight(&options, &mut tell)?;
        match &self.json {
            Some(path) => put_json(&serde_json::to_string_pretty(&checks).map_err(Failure::failed)?, path)?,
            None => {
                let mut text: String = checks.iter().map(|check| check.line() + "\n").collect();
                text += &lines::summary(&checks);
                print(&text)?;
            }
        }
        Ok(if checks.iter().any(Check::failed) { ExitStatus::Failed } else { ExitStatus::Done })
    }
}
