//! `galebench verify`: whether runs, reports and records are still what they were.

use std::fmt::Write as _;
use std::path::PathBuf;

use clap::Args;

use crate::cli::exit::{ExitStatus, Failure};
use crate::cli::output::{print, put_json, say};
use crate::ops::verify::{self, Difference, Request, State, Verified};

/// Verify a run, a report or a record, and show what was changed
///
/// The record is compared with the hashes taken while it was written, and every document with what the record gives. The
/// fingerprint on a printed report, given with --expect, shows that nobody has exchanged the whole run either. Ends with 4
/// when anything does not hold.
#[derive(Debug, Args)]
pub(crate) struct VerifyArgs {
    /// Tag of a unit, folder of a run (or of a batch, or of all), or a results.json, curve.csv or report.html
    #[arg(value_name = "UNIT|FOLDER|FILE")]
    target: String,
    /// Folder of the run, for a document that lies elsewhere and does not name its run
    #[arg(long, value_name = "RUN_DIR")]
    run: Option<PathBuf>,
    /// Fingerprint that the record must have, or its first 12 digits or more, as the report shows it
    #[arg(long, value_name = "DIGITS", value_parser = digits)]
    expect: Option<String>,
    /// Differences shown per file
    #[arg(long, value_name = "N", default_value_t = 10)]
    most: usize,
    /// Folder with records and store
    #[arg(long, value_name = "DIR", default_value = "reports")]
    out: PathBuf,
    /// Write what was found as JSON to this file, or to standard output for `-`
    #[arg(long, value_name = "PATH", num_args = 0..=1, default_missing_value = "-")]
    json: Option<PathBuf>,
}

/// Part of a fingerprint that is long enough to prove something.
fn digits(text: &str) -> Result<String, String> {
    if (12..=64).contains(&text.len()) && text.chars().all(|c| c.is_ascii_hexdigit()) {
        Ok(text.to_owned())
    } else {
        Err("must be 12 to 64 hexadecimal digits".to_owned())
    }
}

impl VerifyArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        let request = Request {
            target: self.target.clone(),
            run: self.run.clone(),
            expect: self.expect.clone(),
            out: self.out.clone(),
        };
        let targets = verify::targets(&request)?;
        if self.expect.is_some() && targets.len() > 1 {
            let why = "has several runs, and a fingerprint is of one; name the folder of the run";
            return Err(Failure::bad_input(format!("{} {why}", self.target)));
        }
        let (mut holding, mut all) = (0, Vec::new());
        let count = targets.len();
        for (dir, document) in targets {
            let verified = match verify::verify(&dir, document.as_deref(), self.expect.as_deref()) {
                Ok(verified) => verified,
                // One broken folder must not hide what the others hold.
                Err(error) if count > 1 && !error.is_usage() => {
                    say(&format!("error: {}: {error}", dir.display()));
                    continue;
                }
                Err(error) => return Err(error.into()),
            };
            holding += usize::from(verified.holds());
            match &self.json {
                Some(_) => all.push(verified),
                None => print(&self.text(&verified))?,
            }
        }
        match &self.json {
            Some(path) => put_json(&serde_json::to_string_pretty(&all).map_err(Failure::failed)?, path)?,
            None if count > 1 => print(&format!("{holding} of {count} runs are verified"))?,
            None => {}
        }
        Ok(if holding == count { ExitStatus::Done } else { ExitStatus::Failed })
    }

    fn text(&self, verified: &Verified) -> String {
        let unit = verified.unit.as_deref().unwrap_or("(no tag)");
        let kind = if verified.is_virtual { ", VIRTUAL" } else { "" };
        let word = if verified.holds() { "verified" } else { "NOT VERIFIED" };
        let mut text = format!("{unit} run {}{kind}: {word}\n", verified.run);
        let _ = writeln!(text, "  folder       {}", verified.dir.display());
        let _ = writeln!(text, "  fingerprint  {} (record taken by {})", verified.record_sha256, verified.recorded_by);
        for check in &verified.checks {
            let state = match check.state {
                State::Holds => "holds",
                State::Altered => "ALTERED",
                State::Missing => "MISSING",
                State::Unproven => "UNPROVEN",
            };
            let _ = writeln!(text, "  {:<12} {state}: {}", check.what, check.because);
            for difference in check.differences.iter().take(self.most) {
                let _ = writeln!(text, "      {}", line(difference));
            }
            if let Some(more) = check.differences.len().checked_sub(self.most).filter(|more| *more > 0) {
                let _ = writeln!(text, "      and {more} more; --most shows them");
            }
        }
        text
    }
}

fn line(difference: &Difference) -> String {
    let Difference { at, found, due } = difference;
    match due {
        Some(due) => format!("{at}: {found}; the record gives {due}"),
        None => format!("{at}: {found}"),
    }
}
