//! The preflight by itself: everything that a run looks at before it energises, and nothing more.

use std::path::PathBuf;

use crate::bench::Pace;
use crate::config::plan::Stage;
use crate::config::{self, form::Form};
use crate::driver;
use crate::ops::{OpsError, before_power};
use crate::record::event::Header;
use crate::record::preflight::Check;
use crate::results::StoppedBy;
use crate::runner::{StopHandle, look_before};
use crate::safety::{Limits, Nowhere, Pulse, Supervisor};
use crate::units::Seconds;

use super::run::plain_plan;

/// What to look at.
#[derive(Clone, Debug)]
pub struct PreflightOptions {
    /// Rig file.
    pub rig: PathBuf,
    /// Tag of the unit, which the form must be of.
    pub unit: Option<String>,
    /// Readings taken by hand.
    pub form: Option<PathBuf>,
    /// Folder that will hold the records.
    pub out: PathBuf,
    /// Seed of the virtual bench, in place of the rig file's.
    pub seed: Option<u64>,
    /// Wait this long for somebody to press the emergency stop, and see the supervisor act on it.
    pub try_stop: Option<Seconds>,
}

/// Longest wait for the emergency stop.
const MOST_WAIT_S: f64 = 600.0;

/// The form at `path`, if one is given.
///
/// # Errors
/// Everything that is wrong with the file.
pub fn load_form(path: Option<&PathBuf>) -> Result<Option<Form>, OpsError> {
    Ok(path.map(|path| config::load_form(path)).transpose()?)
}

/// Looks at host, papers and bench; energises nothing. `tell_stop` is called when the emergency stop is to be pressed.
///
/// # Errors
/// Files that are wrong; a bench that cannot be opened is a line that fails, no error.
pub fn preflight(options: &PreflightOptions, tell_stop: &mut dyn FnMut(f64)) -> Result<Vec<Check>, OpsError> {
    let rig = config::load_rig(&options.rig)?;
    let form = load_form(options.form.as_ref())?;
    let mut checks = before_power::host(&rig, &options.out);
    let paper = form.as_ref().zip(options.form.as_deref());
    checks.extend(before_power::papers(paper, options.unit.as_deref())?);
    let bench = match driver::open(&rig, options.seed) {
        Ok(bench) => bench,
        Err(error) => {
            let to_do = "look at the device that is named; nothing was energised";
            checks.push(Check::fail("devices", StoppedBy::Rig, error.to_string(), to_do));
            return Ok(checks);
        }
    };
    let plan = plain_plan("preflight", &rig, vec![Stage::FirstPower { settle: Seconds(5.0) }]);
    let limits = Limits::of(&rig, &plan, bench.offers());
    let (stop, pulse) = (StopHandle::new(), Pulse::default());
    let mut sup = Supervisor::new(bench, limits, Box::new(Nowhere), Header::default(), stop, pulse);
    let (mut checks, zeros) = look_before(&mut sup, &rig, &checks);
    if let (Some(_), Some(within)) = (zeros, options.try_stop) {
        checks.push(try_stop(&mut sup, within.get().min(MOST_WAIT_S), tell_stop));
    }
    if let Err(why) = sup.finish(false).safe {
        let to_do = "press the emergency stop, keep hands off";
        checks.push(Check::fail("safe state", StoppedBy::Rig, why, to_do));
    }
    Ok(checks)
}

/// Waits for the emergency stop: what proves it is that the supervisor stops by it.
fn try_stop(sup: &mut Supervisor, within_s: f64, tell: &mut dyn FnMut(f64)) -> Check {
    let what = "emergency stop tried";
    if !sup.offers().emergency_stop {
        return Check::absent(what, "this rig does not tell the program of it");
    }
    tell(within_s);
    match sup.read(within_s, Pace::Normal) {
        Ok(()) => {
            let saw = format!("not seen pressed within {within_s:.0} s");
            Check::fail(what, StoppedBy::Rig, saw, "press it while this waits; if it was pressed, look at its wiring")
        }
        Err(_) => {
            let stopped = sup.stopped();
            let pressed = stopped.is_some_and(|stopped| stopped.by == StoppedBy::Operator);
            let cause =
                stopped.map_or_else(String::new, |stopped| format!("{} at {:.2} s", stopped.cause, stopped.t_s));
            if pressed {
                Check::pass(what, format!("the supervisor stopped by it ({cause}); release it before the run"))
            } else {
                Check::fail(what, StoppedBy::Rig, cause, "put it right and begin again")
            }
        }
    }
}
