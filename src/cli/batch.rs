//! `galebench batch` and `galebench match`: a crate as a whole.

use std::fmt::Write as _;
use std::path::PathBuf;

use clap::Args;

use crate::cli::exit::{ExitStatus, Failure};
use crate::cli::output::{print, put_json, say};
use crate::ops::batch::{self, Crate};
use crate::report;
use crate::verdict::batch::{Match, mixed_note};

/// Report a crate as a whole: counts, ranking, spreads, odd ones, pairs, what to do with each unit
#[derive(Debug, Args)]
pub(crate) struct BatchArgs {
    #[command(flatten)]
    which: WhichArgs,
    /// Folder to write batch.html, batch.csv and batch.json into [default: the batch's own]
    #[arg(long, value_name = "DIR")]
    to: Option<PathBuf>,
    /// Write the summary as JSON to this file, or to standard output for `-`, and no other files
    #[arg(long, value_name = "PATH", num_args = 0..=1, default_missing_value = "-")]
    json: Option<PathBuf>,
}

/// Find units that behave alike, for one vehicle or in pairs for the whole crate
#[derive(Debug, Args)]
pub(crate) struct MatchArgs {
    #[command(flatten)]
    which: WhichArgs,
    /// Choose this many units for one vehicle, in place of pairs for the whole crate
    #[arg(long, value_name = "K", value_parser = clap::value_parser!(u8).range(2..=12))]
    units: Option<u8>,
    /// Write the matches as JSON to this file, or to standard output for `-`
    #[arg(long, value_name = "PATH", num_args = 0..=1, default_missing_value = "-")]
    json: Option<PathBuf>,
}

#[derive(Debug, Args)]
struct WhichArgs {
    /// The batch, for example may-shelf-3
    batch: String,
    /// Runs of the virtual bench [default: only when the batch has no real ones]
    #[arg(long = "virtual")]
    is_virtual: bool,
    /// Folder with records and store
    #[arg(long, value_name = "DIR", default_value = "reports")]
    out: PathBuf,
}

impl WhichArgs {
    fn gather(&self) -> Result<Crate, Failure> {
        Ok(Crate::gather(&self.out, &self.batch, self.is_virtual.then_some(true))?)
    }
}

impl BatchArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        let summary = self.which.gather()?.summary();
        if let Some(path) = &self.json {
            put_json(&report::batch::json(&summary), path)?;
            return Ok(ExitStatus::Done);
        }
        let files = batch::write(&self.which.out, self.to.as_deref(), &summary)?;
        print(&report::batch::text(&summary))?;
        say(&format!("report: {}", files[0].display()));
        Ok(ExitStatus::Done)
    }
}

impl MatchArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        let gathered = self.which.gather()?;
        let is_virtual = gathered.is_virtual();
        let matches = match self.units {
            Some(k) => match gathered.alike(usize::from(k)) {
                Some((found, exact)) => {
                    if !exact {
                        say("not every set was tried: each unit with those nearest to it");
                    }
                    vec![found]
                }
                None => Vec::new(),
            },
            None => {
                let summary = gathered.summary();
                if let Some(why) = summary.no_pairs {
                    return Err(Failure::bad_input(why));
                }
                summary.pairs
            }
        };
        match &self.json {
            Some(path) => put_json(&serde_json::to_string_pretty(&matches).map_err(Failure::failed)?, path)?,
            None => print(&text(&matches, is_virtual))?,
        }
        Ok(ExitStatus::Done)
    }
}

fn text(matches: &[Match], is_virtual: bool) -> String {
    if matches.is_empty() {
        return "no units that may be fitted and can be compared: same kind of input, active level and load fan\n"
            .to_owned();
    }
    let mut text = String::new();
    if is_virtual {
        text.push_str("VIRTUAL BENCH, no real units\n");
    }
    for found in matches {
        // Writing to a `String` cannot fail.
        let _ = writeln!(
            text,
            "{}\n  distance {:.2} % of full speed; worst {:.0} rpm (+- {:.0}, 95 %) at {} % duty, {:.1} %\n  \
             {}; all reach {:.0} rpm{}",
            found.units.join("  "),
            found.distance_pct,
            found.worst_rpm,
            (2.0 * found.worst_u_rpm).max(1.0),
            found.worst_duty_pct,
            found.worst_pct,
            if found.table_helps() {
                format!("with a table of its own each, about {:.0} rpm are left", found.after_table_rpm)
            } else {
                "one table for all does as well as one each".to_owned()
            },
            found.common_full_rpm,
            found.ramp_ratio.map_or(String::new(), |ratio| format!("; ramps 1 : {ratio:.2}")),
        );
    }
    for one_rig in [true, false] {
        if matches.iter().any(|found| found.one_rig == one_rig) {
            let _ = writeln!(text, "({})", mixed_note(one_rig));
        }
    }
    text
}
