//! `galebench spin`: turns the fan by hand at one duty, supervised.

use clap::{Args, ValueEnum};

use crate::bench::ActiveLevel;
use crate::cli::exit::{ExitStatus, Failure};
use crate::cli::run::{BenchArgs, quantity};
use crate::config::plan::Stage;
use crate::ops::run::Task;
use crate::units::{Duty, Hertz, Seconds};

/// Spin the fan at one duty for a while, with the supervisor on
///
/// First power as the rig declares, then the duty, then the safe state. Leaves a record like any run.
#[derive(Debug, Args)]
pub(crate) struct SpinArgs {
    /// Duty at the active level, for example "30 %"
    #[arg(long, value_parser = quantity::<Duty>)]
    duty: Duty,
    /// How long, for example "10 s"
    #[arg(long = "for", value_name = "TIME", value_parser = quantity::<Seconds>)]
    time: Seconds,
    /// Command frequency, for example "140 Hz" [default: 100 Hz]
    #[arg(long, value_parser = quantity::<Hertz>)]
    frequency: Option<Hertz>,
    /// Level of the line that counts as active [default: low]
    #[arg(long)]
    active: Option<Level>,
    /// Tag of the unit on the bench
    #[arg(long, value_name = "TAG", default_value = "by-hand")]
    unit: String,
    #[command(flatten)]
    bench: BenchArgs,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Level {
    Low,
    High,
}

impl SpinArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        let active = self.active.map(|level| match level {
            Level::Low => ActiveLevel::Low,
            Level::High => ActiveLevel::High,
        });
        let hold = Stage::Hold { duty: self.duty, time: self.time, frequency: self.frequency, active };
        self.bench.go(&self.unit, Task::Spin(hold), None, None)
    }
}
