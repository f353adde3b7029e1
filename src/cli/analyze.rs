//! `galebench analyze`: results from a recorded trace or from the record of a run.

use std::path::PathBuf;

use clap::Args;

use crate::cli::exit::{ExitStatus, Failure};
use crate::cli::output::{print, put_json, say};
use crate::ops::analyze::analyze;
use crate::ops::document;
use crate::record::csv_import::TraceOptions;
use crate::report;

/// Analyse a recorded trace from any logger or oscilloscope, or the record of a run
///
/// A trace is a CSV file with a header line, `time_s` and any of the known columns; docs/traces.md lists them. Without
/// rig and plan there is no verdict.
#[derive(Debug, Args)]
pub(crate) struct AnalyzeArgs {
    /// CSV file, or the folder of a run
    #[arg(value_name = "FILE.csv|RUN_DIR")]
    path: PathBuf,
    /// Tach pulses per revolution
    #[arg(long, value_name = "N", value_parser = count)]
    pulses_per_rev: Option<f64>,
    /// Commutator bars of the fan: with the brushes, gives the ripples per revolution
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=1000))]
    commutator_bars: Option<u32>,
    /// Brushes of the fan
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=100))]
    brushes: Option<u32>,
    /// Ripples per revolution, said directly; looked for if nothing is said
    #[arg(long, value_name = "N", value_parser = count, conflicts_with_all = ["commutator_bars", "brushes"])]
    ripple_per_rev: Option<f64>,
    /// Write the results document to this file, or to standard output and nothing else there for `-`
    #[arg(long, value_name = "PATH", num_args = 0..=1, default_missing_value = "-")]
    json: Option<PathBuf>,
    /// Write results.json, curve.csv and report.html into this folder
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
}

impl AnalyzeArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        let options = TraceOptions {
            pulses_per_rev: self.pulses_per_rev,
            commutator_bars: self.commutator_bars,
            brushes: self.brushes,
            ripple_per_rev: self.ripple_per_rev,
        };
        let evaluated = analyze(&self.path, &options)?;
        if let Some(dir) = &self.out {
            std::fs::create_dir_all(dir)
                .map_err(|error| Failure::failed(format!("cannot create {}: {error}", dir.display())))?;
            document::write(dir, &evaluated)?;
            say(&format!("report: {}", dir.join("report.html").display()));
        }
        match &self.json {
            Some(path) => put_json(&report::json(&evaluated.document), path)?,
            None => print(&report::text(&evaluated.document))?,
        }
        Ok(ExitStatus::Done)
    }
}

/// A number of events per revolution: above 0 and finite; fractions occur behind gears and dividers.
fn count(text: &str) -> Result<f64, String> {
    let count: f64 = text.parse().map_err(|_| "not a number".to_owned())?;
    if count.is_finite() && count > 0.0 && count <= 10_000.0 {
        Ok(count)
    } else {
        Err("must be above 0 and at most 10000".to_owned())
    }
}
