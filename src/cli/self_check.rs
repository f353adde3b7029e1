//! `galebench self-check`: the rig against a resistor of known value.

use clap::Args;

use crate::cli::exit::{ExitStatus, Failure};
use crate::cli::output::{print, say};
use crate::cli::progress;
use crate::cli::run::{BenchArgs, quantity, warn};
use crate::ops::run::{Task, run};
use crate::ops::self_check::{self, Load};
use crate::record::reader;
use crate::runner::StopHandle;
use crate::units::{Ohms, Ratio, significant};

/// Check a rig against a resistor of known value in place of the unit
///
/// The resistor is powered like a unit, for about a second: it must carry the full supply voltage that long. Ends with
/// status 4 when voltage over current does not give the resistor back within what both are said to be off.
#[derive(Debug, Args)]
pub(crate) struct SelfCheckArgs {
    /// Resistance of the load, for example "1 Ohm"
    #[arg(long, value_name = "OHMS", value_parser = quantity::<Ohms>)]
    load: Ohms,
    /// Its relative standard uncertainty, warming included
    #[arg(long, value_name = "RATIO", value_parser = quantity::<Ratio>, default_value = "1 %")]
    load_u: Ratio,
    #[command(flatten)]
    bench: BenchArgs,
}

impl SelfCheckArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        let load = Load { resistance: self.load, u: self.load_u };
        let options = self.bench.options("self-check", Task::SelfCheck);
        let watts = self_check::power_w(&options.rig, load)?;
        say(&format!(
            "the load takes about {} W for a second: see that it and its wires bear that",
            significant(watts, 2)
        ));
        let mut observer = progress::observer(self.bench.is_quiet(), None);
        let done = run(&options, observer.as_mut(), StopHandle::new());
        drop(observer);
        let done = done?;
        warn(&done);
        let status = ExitStatus::of_run(&done.document, done.safe_confirmed, None);
        if status != ExitStatus::Done {
            return Ok(status);
        }
        let (recording, _) = reader::read(&done.dir).map_err(Failure::failed)?;
        let found = self_check::judge(&recording, load).map_err(Failure::failed)?;
        let shown = |value: f64| significant(value, 4);
        let word = if found.agrees() { "pass" } else { "FAIL" };
        let mut text = format!(
            "{word}  {} V / {} A = {} Ohm (u {} Ohm), the load has {} Ohm (u {} Ohm); En {:.2}\n",
            shown(found.volts),
            shown(found.amps),
            shown(found.ohm.0),
            significant(found.ohm.1, 2),
            shown(self.load.get()),
            significant(self.load.get() * self.load_u.get(), 2),
            found.en
        );
        if !found.agrees() {
            text += "calibrate supply_v and supply_a, or measure the resistor again\n";
        }
        print(&text)?;
        say(&format!("record: {}", done.dir.display()));
        Ok(if found.agrees() { ExitStatus::Done } else { ExitStatus::Failed })
    }
}
