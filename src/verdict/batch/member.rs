//! A unit as the batch sees it: what its counting run found, cut down so that a crate of thousands fits in memory.

use std::collections::BTreeMap;

use super::curve::SpeedCurve;
use super::fan::Fan;
use crate::record::event::{BenchFacts, LimitFacts};
use crate::results::{Document, Grade, Measured, Outcome, ResultName};

/// Where a unit stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Standing {
    /// A run judged it.
    Judged,
    /// Its last run was stopped, or broke off, before a verdict.
    Stopped(String),
    /// It was passed over, for this reason.
    Skipped(String),
    /// It was never run.
    Waiting,
}

/// Errors of a rig that all its readings share, as far as speeds are concerned.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct RigErrors {
    /// Relative, of the sampling clock.
    pub clock: f64,
    /// Relative, of the supply voltage to which speeds are corrected.
    pub supply: f64,
    /// Of the duty at the pin, percent of the period.
    pub duty_pct: f64,
}

/// A unit of a batch.
#[derive(Clone, Debug, PartialEq)]
pub struct Member {
    /// Its tag.
    pub tag: String,
    /// Where it stands.
    pub standing: Standing,
    /// The measured grade.
    pub measured: Option<Grade>,
    /// A person's grade beside it: grade, name, reason.
    pub given: Option<(Grade, String, String)>,
    /// Reasons of the measured grade, most important first.
    pub reasons: Vec<String>,
    /// Probability that it breaks any limit.
    pub risk: Option<f64>,
    /// Results with their standard uncertainty.
    pub numbers: BTreeMap<ResultName, (f64, f64)>,
    /// Results that are words.
    pub words: BTreeMap<ResultName, String>,
    /// Outcomes of the plan's limits.
    pub outcomes: BTreeMap<ResultName, Outcome>,
    /// Faults that were named, strongest first.
    pub signs: Vec<String>,
    /// Rising speed over duty.
    pub curve: SpeedCurve,
    /// Load fan behind those speeds.
    pub fan: Fan,
    /// Rig that the run was taken on.
    pub rig: Option<String>,
    /// Plan of the run.
    pub plan: Option<String>,
    /// The run.
    pub run: Option<String>,
    /// Number of runs of the unit that were meant to judge it.
    pub runs: usize,
    /// Bench time of all its runs, seconds.
    pub bench_s: f64,
    /// Where it lies.
    pub shelf: Option<String>,
    /// What it was pulled from.
    pub donor: Option<String>,
    /// What kind of module somebody noted it to be.
    pub noted_kind: Option<String>,
}

impl Member {
    /// A registered unit without any run.
    #[must_use]
    pub fn waiting(tag: &str) -> Self {
        Self {
            tag: tag.to_owned(),
            standing: Standing::Waiting,
            measured: None,
            given: None,
            reasons: Vec::new(),
            risk: None,
            numbers: BTreeMap::new(),
            words: BTreeMap::new(),
            outcomes: BTreeMap::new(),
            signs: Vec::new(),
            curve: SpeedCurve::default(),
            fan: Fan::default(),
            rig: None,
            plan: None,
            run: None,
            runs: 0,
            bench_s: 0.0,
            shelf: None,
            donor: None,
            noted_kind: None,
        }
    }

    /// Takes over what a run found.
    pub fn take(&mut self, document: &Document) {
        self.rig.clone_from(&document.rig);
        self.plan.clone_from(&document.plan);
        self.run.clone_from(&document.run);
        let known = |(name, measured): (&ResultName, &Measured)| {
            let value = measured.plain_number()?;
            Some((*name, (value, measured.u.filter(|u| u.is_finite()).unwrap_or(0.0))))
        };
        self.numbers = document.results.iter().filter_map(known).collect();
        let word = |(name, measured): (&ResultName, &Measured)| Some((*name, measured.as_word()?.to_owned()));
        self.words = document.results.iter().filter_map(word).collect();
        self.signs = document.signs.iter().map(|sign| sign.fault.clone()).collect();
        self.curve = SpeedCurve::of(&document.curve);
        self.fan = Fan::of(document.load_fan.as_ref());
        self.standing = match (&document.verdict, &document.stopped) {
            (Some(_), _) => Standing::Judged,
            (None, Some(stopped)) => Standing::Stopped(stopped.cause.clone()),
            (None, None) => Standing::Stopped("the run graded nothing".to_owned()),
        };
        if let Some(verdict) = &document.verdict {
            self.measured = Some(verdict.grade);
            self.reasons.clone_from(&verdict.reasons);
            self.risk = verdict.risk;
            self.outcomes.clone_from(&verdict.limits);
        }
    }

    /// The grade that counts: a person's where there is one.
    #[must_use]
    pub fn grade(&self) -> Option<Grade> {
        self.given.as_ref().map(|(grade, _, _)| *grade).or(self.measured)
    }

    /// The limit that it comes closest to, with the room that is left as a share of the limit: below zero it breaks it.
    #[must_use]
    pub fn tightest(&self, limits: &BTreeMap<ResultName, LimitFacts>) -> Option<(ResultName, f64)> {
        let margin = |(name, limit): (&ResultName, &LimitFacts)| {
            let (value, _) = *self.numbers.get(name)?;
            let share = |room: f64, end: f64| room / end.abs().max(1e-12);
            let room = [limit.min.map(|min| share(value - min, min)), limit.max.map(|max| share(max - value, max))];
            Some((*name, room.into_iter().flatten().reduce(f64::min)?))
        };
        limits.iter().filter_map(margin).min_by(|a, b| a.1.total_cmp(&b.1))
    }
}

impl RigErrors {
    /// Those that a record's header states.
    #[must_use]
    pub fn of(bench: &BenchFacts) -> Self {
        let supply = bench.channels.get(&crate::bench::Channel::SupplyV).map_or(0.0, |facts| facts.gain_u);
        Self { clock: bench.clock_u, supply, duty_pct: bench.duty_u_pct }
    }
}

/// Units that may be compared: same kind of input and active level.
#[must_use]
pub fn group(member: &Member) -> (String, String) {
    let word = |name| member.words.get(&name).cloned().unwrap_or_else(|| "?".to_owned());
    (word(ResultName::LineKind), word(ResultName::ActiveLevel))
}
