//! Conformance check of a bench program: does it speak the line protocol as it must, and if not, what is wrong and
//! what to do about it.
//!
//! The check closes the supply relay and drives the command line for moments: no unit may be connected. It talks to
//! the program below the driver, so that it can ask what the driver never would.

mod talk;

use serde::Serialize;

use self::talk::{Flaw, Talk};
use crate::config::rig::{DriverSpec, Rig};

/// What the check found.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ConformReport {
    /// The command as in the rig file.
    pub program: String,
    /// The checks in the order made.
    pub checks: Vec<Check>,
    /// What the program wrote to its standard error meanwhile, oldest first.
    pub log: Vec<String>,
}

impl ConformReport {
    /// Whether every check was made and passed.
    #[must_use]
    pub fn passed(&self) -> bool {
        self.checks.iter().all(|check| check.outcome == Outcome::Pass)
    }
}

/// One check.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Check {
    /// A short name, such as `hello` or `read, timing`.
    pub name: &'static str,
    /// What must hold.
    pub must: &'static str,
    /// What came out.
    pub outcome: Outcome,
}

/// Outcome of a check.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// It holds.
    Pass,
    /// It does not.
    Fail {
        /// What was seen.
        wrong: String,
        /// What to do.
        advice: String,
    },
    /// It was not made.
    NotMade {
        /// Why.
        why: String,
    },
}

/// Checks the program that `rig` names; `None` when its driver is no external program.
///
/// Takes a few seconds; a program that does not answer is waited for as long as the protocol allows and then ended.
#[must_use]
pub fn conform(rig: &Rig) -> Option<ConformReport> {
    let DriverSpec::External { command } = &rig.driver else { return None };
    let mut checks = Checks::default();
    let mut log = Vec::new();
    match Talk::begin(command) {
        Ok(mut talk) => {
            checks.make(HELLO, || talk.check_hello());
            checks.make(RIG_FILE, || talk.compare_with(rig));
            for (name, must, part) in talk::PARTS {
                checks.make((name, must), || part(&mut talk));
            }
            talk.end();
            log = talk.log();
            checks.broken = false;
            checks.make(END_OF_INPUT, || talk::end_of_input(command));
        }
        Err(flaw) => checks.make(HELLO, || Err(flaw)),
    }
    Some(ConformReport { program: command.join(" "), checks: checks.list, log })
}

const HELLO: (&str, &str) = ("hello", "`hello` is answered within 10 s with what the program has");
const RIG_FILE: (&str, &str) = ("rig file", "the program has what the rig file names");
const END_OF_INPUT: (&str, &str) = ("end of input", "when its input ends, the program makes the bench safe and ends");

#[derive(Default)]
struct Checks {
    list: Vec<Check>,
    /// Whether question and answer no longer belong together.
    broken: bool,
}

impl Checks {
    fn make(&mut self, (name, must): (&'static str, &'static str), check: impl FnOnce() -> Result<(), Flaw>) {
        let outcome = if self.broken {
            let why = "after the fault above, answers no longer belong to what is asked".to_owned();
            Outcome::NotMade { why }
        } else if let Err(flaw) = check() {
            self.broken = flaw.breaks_off;
            Outcome::Fail { wrong: flaw.wrong, advice: flaw.advice.to_owned() }
        } else {
            Outcome::Pass
        };
        self.list.push(Check { name, must, outcome });
    }
}
