//! `galebench reanalyse`: today's analysis over every record.

use std::fmt::Write as _;
use std::path::PathBuf;

use clap::Args;

use crate::cli::exit::{ExitStatus, Failure};
use crate::cli::output::{print, say};
use crate::ops::reanalyse::{Changed, Reanalysed, reanalyse};
use crate::results::Grade;

/// Go through every record again with today's analysis; what earlier ones said is kept
///
/// Results are written anew where another analysis made them; the earlier documents move to `analyses` in the folder of the
/// run. With a shop's server, start it on as many machines as there are: each takes what the others have not. Stopped at any
/// moment, it goes on from there when started again.
#[derive(Debug, Args)]
pub(crate) struct ReanalyseArgs {
    /// Records gone through at a time [default: one for each core]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=256))]
    workers: Option<u16>,
    /// Records of the virtual bench, in place of real ones
    #[arg(long = "virtual")]
    is_virtual: bool,
    /// Folder with records and store
    #[arg(long, value_name = "DIR", default_value = "reports")]
    out: PathBuf,
}

impl ReanalyseArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        let cores = std::thread::available_parallelism().map_or(1, usize::from);
        let workers = self.workers.map_or(cores, usize::from);
        let done = reanalyse(&self.out, self.is_virtual, workers, &mut |runs, _| say(&format!("{runs} runs")))?;
        for (dir, why) in &done.left_out {
            say(&format!("warning: {dir} is left out: {why}"));
        }
        print(&text(&done, workers))?;
        Ok(if done.left_out.is_empty() { ExitStatus::Done } else { ExitStatus::Failed })
    }
}

#[expect(clippy::cast_precision_loss, reason = "counts to be read by people")]
fn text(done: &Reanalysed, workers: usize) -> String {
    let per_second = |count: u64| count as f64 / done.seconds.max(1e-9);
    let mut text = format!(
        "{} runs reanalysed in {:.1} s with {workers} workers: {:.2} runs/s, {:.0} samples/s; {} left out\n{} grades changed",
        done.runs,
        done.seconds,
        per_second(done.runs),
        per_second(done.samples),
        done.left_out.len(),
        done.changed.len(),
    );
    let word = |grade: Option<Grade>| grade.map_or("none", Grade::word);
    for Changed { unit, run, from, to } in &done.changed {
        // Writing to a `String` cannot fail.
        let _ = write!(text, "\n  {}  {run}  {} -> {}", unit.as_deref().unwrap_or("-"), word(*from), word(*to));
    }
    text
}
