//! `galebench conform`: does a bench program speak the protocol as it must?

use std::fmt::Write as _;
use std::path::PathBuf;

use clap::Args;

use crate::cli::exit::{ExitStatus, Failure};
use crate::cli::output::{print, put_json, say};
use crate::config;
use crate::ops::conform::{Check, ConformReport, Outcome, conform};

/// Check a bench program against the protocol and say what is wrong
///
/// Starts the program that the rig file names, asks it everything a run would ask, and also what goes wrong in real
/// life. Closes the supply relay and drives the command line for moments: leave the unit disconnected.
#[derive(Debug, Args)]
pub(crate) struct ConformArgs {
    /// Rig file with `driver = "external"`
    rig: PathBuf,
    /// Write the checks as JSON to this file, or to standard output for `-`
    #[arg(long, value_name = "PATH", num_args = 0..=1, default_missing_value = "-")]
    json: Option<PathBuf>,
}

impl ConformArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        let rig = config::load_rig(&self.rig)?;
        say("caution: the supply relay will close and the command line will be driven; leave the unit disconnected");
        let Some(report) = conform(&rig) else {
            let why = "its driver is no external program, there is nothing to check; set driver = \"external\"";
            return Err(Failure::bad_input(format!("{}: {why}", self.rig.display())));
        };
        match &self.json {
            Some(path) => put_json(&serde_json::to_string_pretty(&report).map_err(Failure::failed)?, path)?,
            None => print(&text(&report))?,
        }
        Ok(if report.passed() { ExitStatus::Done } else { ExitStatus::Failed })
    }
}

fn text(report: &ConformReport) -> String {
    let mut text = format!("bench program: {}\n", report.program);
    for check in &report.checks {
        row(&mut text, check);
    }
    if !report.log.is_empty() {
        let _ = write!(text, "it wrote to its standard error:\n    {}\n", report.log.join("\n    "));
    }
    let passed = report.checks.iter().filter(|check| check.outcome == Outcome::Pass).count();
    let _ = writeln!(text, "{passed} of {} checks passed", report.checks.len());
    text
}

/// Writing to a `String` cannot fail.
fn row(text: &mut String, check: &Check) {
    let Check { name, must, outcome } = check;
    let _ = match outcome {
        Outcome::Pass => writeln!(text, "  pass  {name:<17} {must}"),
        Outcome::Fail { wrong, advice } => {
            let wrong = wrong.replace('\n', "\n                          ");
            writeln!(text, "  FAIL  {name:<17} {must}\n        what came: {wrong}\n        what to do: {advice}")
        }
        Outcome::NotMade { why } => writeln!(text, "  ----  {name:<17} not checked: {why}"),
    };
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_outcome_has_its_line() {
        let check = |name, outcome| Check { name, must: "it must hold", outcome };
        let report = ConformReport {
            program: "python3 my_daq.py".to_owned(),
            checks: vec![
                check("hello", Outcome::Pass),
                check("bye", Outcome::Fail { wrong: "silence".to_owned(), advice: "answer".to_owned() }),
                check("end of input", Outcome::NotMade { why: "it was gone".to_owned() }),
            ],
            log: vec!["converter found".to_owned()],
        };
        insta::assert_snapshot!(text(&report));
    }
}
