//! `galebench show`: the history of one unit and its latest results.

use std::path::PathBuf;

use clap::Args;

use crate::cli::exit::{ExitStatus, Failure};
use crate::cli::output::{print, put_json};
use crate::cli::{list, table};
use crate::ops::analyze;
use crate::ops::archive::{self, History};
use crate::record::csv_import::TraceOptions;
use crate::report;
use crate::store::Listing;

/// Show every run of a unit and the results of the latest
#[derive(Debug, Args)]
pub(crate) struct ShowArgs {
    /// Tag of the unit, for example TQ-0001
    unit: String,
    /// Folder with records and store
    #[arg(long, value_name = "DIR", default_value = "reports")]
    out: PathBuf,
    /// Show also what the uncertainty of each result of the latest run is made of
    #[arg(long)]
    budget: bool,
    /// Write the runs as JSON to this file, or to standard output for `-`
    #[arg(long, value_name = "PATH", num_args = 0..=1, default_missing_value = "-")]
    json: Option<PathBuf>,
}

impl ShowArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        let History { real, played, latest } = archive::history(&self.out, &self.unit)?;
        match &self.json {
            Some(path) => put_json(&list::json(&real, &played)?, path)?,
            None => {
                let (real, played) = (Listing::whole(real), Listing::whole(played));
                let mut text = table::both(&real, &played);
                if let Some(row) = real.rows.first().or(played.rows.first()) {
                    text += &format!("\nlatest run: {}\n\n", row.dir.display());
                    text += &match &latest {
                        Some(document) => report::text(document),
                        None => format!("it has no results yet; `galebench analyze {}` looks\n", row.dir.display()),
                    };
                    if self.budget {
                        // The document does not carry them; the record gives them anew.
                        let evaluated = analyze::analyze(&row.dir, &TraceOptions::default())?;
                        text += &format!("\n{}", report::budgets(&evaluated.findings));
                    }
                }
                print(&text)?;
            }
        }
        Ok(ExitStatus::Done)
    }
}
