//! `galebench labels`: sheets of labels to print.

use std::path::PathBuf;

use clap::Args;
use clap::builder::{PossibleValuesParser, TypedValueParser};

use crate::cli::exit::{ExitStatus, Failure};
use crate::cli::output::print;
use crate::ops::labels::{self, Sheet};
use crate::report::labels::{LAYOUTS, Layout};

/// Write a sheet of labels to print: tags with their QR code, or results of tested units
///
/// The QR code holds the tag and nothing else; any scanner types it like a keyboard. Print at 100 %, without fitting
/// to the page. Virtual runs get no result label.
#[derive(Debug, Args)]
pub(crate) struct LabelsArgs {
    /// Tags or ranges of tags such as TQ-0001..TQ-0024 [default: all units of the batch]
    tags: Vec<String>,
    /// Units of this batch
    #[arg(long, value_name = "NAME")]
    batch: Option<String>,
    /// The labels that go onto tested units, from their latest real run
    #[arg(long)]
    results: bool,
    /// Sheet: labels a page on A4 paper [default: a4-21, with --results a4-10]
    #[arg(long, value_name = "SHEET", value_parser = sheet_parser())]
    sheet: Option<Layout>,
    /// Labels of the first page that are used already
    #[arg(long, value_name = "N", default_value_t = 0)]
    used: usize,
    /// File to write: .pdf, or .svg with one file a page
    #[arg(long, value_name = "FILE")]
    to: PathBuf,
    /// Folder with records and store
    #[arg(long, value_name = "DIR", default_value = "reports")]
    out: PathBuf,
}

/// Accepts the names of the sheets.
fn sheet_parser() -> impl TypedValueParser<Value = Layout> {
    PossibleValuesParser::new(LAYOUTS.map(|layout| layout.name))
        .map(|name| Layout::named(&name).copied().unwrap_or(LAYOUTS[0]))
}

impl LabelsArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        let usual = if self.results { "a4-10" } else { "a4-21" };
        let layout = self.sheet.or_else(|| Layout::named(usual).copied()).unwrap_or(LAYOUTS[0]);
        let sheet = Sheet { to: self.to.clone(), layout, used: self.used };
        let batch = self.batch.as_deref();
        let files = if self.results {
            labels::of_results(&self.out, batch, &self.tags, &sheet)?
        } else {
            labels::of_tags(&self.out, batch, &self.tags, &sheet)?
        };
        let names: Vec<String> = files.iter().map(|file| file.display().to_string()).collect();
        print(&names.join("\n"))?;
        Ok(ExitStatus::Done)
    }
}
