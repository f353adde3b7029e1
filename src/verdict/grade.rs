//! The grade: what to do with the unit, and why, in plain words.
//!
//! Worst first. `scrap`: the unit itself ended the run, a sign is strong, or a limit is broken that no fitter can work round.
//! `undecided`: something limited is not known, or a fault is suspected. `restricted`: all that is left open or broken can be kept
//! by a bound that is stated. `fit`: every limit met. No verdict at all without a plan and a rig, or when the run was ended by
//! something that was not the unit.

use std::collections::BTreeMap;

use crate::record::event::{PlanFacts, SpanKind};
use crate::record::recording::Recording;
use crate::results::{
    Carried, Decision, Findings, Grade, HotDay, Measured, Outcome, ResultName, Sign, Stopped, StoppedBy, Verdict,
};
use crate::verdict::carried::{carried, words as carried_words};
use crate::verdict::hot_day::hot_day;
use crate::verdict::limits::{accepted_words, outcomes, words as limit_words};
use crate::verdict::proof::{nothing_answered, silence_is_the_units};
use crate::verdict::risk::risk;
use crate::verdict::rule::{self, Reach};
use crate::verdict::signs::{FAN_WORN, STRONG, SUSPICION, fault, from_trips, signs};

/// Reason given when nothing answered and the chain to the unit is not proven.
pub const NOTHING_ANSWERED: &str = "not a PWM module, or dead";

/// What the judgement of a run says.
#[derive(Clone, Debug, PartialEq)]
pub struct Judgement {
    /// The verdict; `None` when there is none to give.
    pub verdict: Option<Verdict>,
    /// Signs of faults, strongest first; given even without a verdict.
    pub signs: Vec<Sign>,
    /// Heaviest load carried; `None` when the unit was never loaded.
    pub carried: Option<Carried>,
}

/// Judges a run. `stopped` says why it ended early; a record that breaks off is a stop by the host and must be given so.
#[must_use]
pub fn judge(findings: &Findings, rec: &Recording, stopped: Option<&Stopped>) -> Judgement {
    let signs = signs(findings, rec, stopped);
    let carried = carried(rec);
    let foreign_stop = stopped.is_some_and(|s| s.by != StoppedBy::Unit);
    // Without plan nothing was asked, without rig nothing but the scatter of the readings is known.
    let bare = rec.header.plan.is_none() || rec.header.rig.is_none();
    let verdict = (!foreign_stop && !bare).then(|| verdict(findings, rec, stopped, &signs, carried.as_ref()));
    Judgement { verdict, signs, carried }
}

/// Reasons by the grade they lead to.
#[derive(Default)]
struct Reasons {
    scrap: Vec<String>,
    undecided: Vec<String>,
    /// Bound with what it gets round.
    restricted: Vec<(String, Vec<String>)>,
}

impl Reasons {
    fn restrict(&mut self, bound: &str, because: String) {
        match self.restricted.iter_mut().find(|(known, _)| known == bound) {
            Some((_, all)) => all.push(because),
            None => self.restricted.push((bound.to_owned(), vec![because])),
        }
    }

    fn grade(&self) -> Grade {
        if !self.scrap.is_empty() {
            Grade::Scrap
        } else if !self.undecided.is_empty() {
            Grade::Undecided
        } else if !self.restricted.is_empty() {
            Grade::Restricted
        } else {
            Grade::Fit
        }
    }

    /// All reasons, those that decided first, one line per bound.
    fn all(self) -> Vec<String> {
        let bounds = self.restricted.into_iter().map(|(bound, all)| format!("{bound}: {}", all.join("; ")));
        self.scrap.into_iter().chain(self.undecided).chain(bounds).collect()
    }
}

fn verdict(
    findings: &Findings,
    rec: &Recording,
    stopped: Option<&Stopped>,
    signs: &[Sign],
    carried: Option<&Carried>,
) -> Verdict {
    let plan = &rec.header.plan_facts;
    let (limits, decisions) = outcomes(rec, findings);
    let mut reasons = Reasons::default();
    let silent = nothing_answered(rec, findings);
    if silent {
        by_silence(findings, rec, &mut reasons);
    }
    by_stop(rec, stopped, &mut reasons);
    if !silent && nothing_followed(rec, findings) {
        reasons.undecided.push(format!("{NOTHING_ANSWERED}: it drew current at times but followed no command"));
    }
    by_signs(signs, &told(rec, stopped, silent), &mut reasons);
    let worn = signs.iter().find(|sign| sign.fault == FAN_WORN && sign.strength >= SUSPICION);
    by_limits(plan, (&limits, &decisions), findings, worn, &mut reasons);
    by_hot_day(&hot_day(findings, rec), &mut reasons);
    if plan.limits.is_empty() {
        reasons.undecided.push("the plan sets no limits".to_owned());
    }
    if carried.is_none() && !silent {
        reasons.undecided.push("it was never seen to carry a load".to_owned());
    }
    let grade = reasons.grade();
    let mut reasons = reasons.all();
    if grade == Grade::Fit {
        reasons.push(format!("meets all {} limits of the plan", limits.len()));
    }
    // What a unit for the bin carried bounds nothing.
    reasons.extend(carried.filter(|_| grade != Grade::Scrap).map(carried_words));
    Verdict { grade, reasons, limits, risk: risk(plan, findings), rule: plan.risk, decisions }
}

/// Whether a worn load fan changes this result more than the unit does: one that sticks starts late and runs unevenly.
fn is_of_the_fan(name: ResultName) -> bool {
    use ResultName as R;
    matches!(name, R::StartDutyPct | R::StartDuty95Pct | R::StopDutyPct | R::HysteresisPct | R::SteadinessPct)
}

/// Whether commands were looked for and none was found that the unit follows.
fn nothing_followed(rec: &Recording, findings: &Findings) -> bool {
    let looked = rec.spans_where(|kind| matches!(kind, SpanKind::Probe)).next().is_some();
    looked && !findings.results.contains_key(&ResultName::CommandHz)
}

/// A stop by the unit is a finding.
fn by_stop(rec: &Recording, stopped: Option<&Stopped>, reasons: &mut Reasons) {
    let Some(stop) = stopped else { return };
    let named: Vec<String> = from_trips(rec, stopped).into_iter().map(|sign| sign.fault).collect();
    let named = if named.is_empty() { String::new() } else { format!("{}, ", named.join(", ")) };
    reasons.scrap.push(format!("{named}the unit ended the run itself: {}", stop.cause));
}

/// Faults that the reasons already tell by other means: those of a stop, and what a silent unit shows by its silence.
fn told(rec: &Recording, stopped: Option<&Stopped>, silent: bool) -> Vec<String> {
    let mut all: Vec<String> = from_trips(rec, stopped).into_iter().map(|sign| sign.fault).collect();
    if silent {
        all.extend([fault::SWITCH_OPEN.to_owned(), fault::INPUT_DEAD.to_owned()]);
    }
    all
}

/// A silent unit is scrapped only when all between bench and unit is proven good.
fn by_silence(findings: &Findings, rec: &Recording, reasons: &mut Reasons) {
    match silence_is_the_units(rec, findings) {
        Ok(()) => reasons
            .scrap
            .push("dead: power, wiring and the bench itself are proven good and nothing answered".to_owned()),
        Err(why) => {
            reasons.undecided.push(NOTHING_ANSWERED.to_owned());
            reasons.undecided.push(format!("not scrapped, because {why}"));
        }
    }
}

fn by_signs(signs: &[Sign], told: &[String], reasons: &mut Reasons) {
    for sign in signs.iter().filter(|sign| !sign.of_bench && sign.strength >= SUSPICION && !told.contains(&sign.fault))
    {
        let because = format!("{}: {}", sign.fault, sign.because);
        match sign.fault.as_str() {
            fault::SLEEP_LOST => reasons.restrict(SWITCHED_FEED, because),
            fault::BAND_SHIFTED => reasons.restrict(TESTED_FREQUENCY, because),
            _ if sign.strength >= STRONG => reasons.scrap.push(because),
            _ => reasons.undecided.push(format!("suspected {because}")),
        }
    }
}

/// `worn` is the sign of a worn load fan, where there is one: what its bearings and brushes spoil is not the unit's.
fn by_limits(
    plan: &PlanFacts,
    (limits, decisions): (&BTreeMap<ResultName, Outcome>, &BTreeMap<ResultName, Decision>),
    findings: &Findings,
    worn: Option<&Sign>,
    reasons: &mut Reasons,
) {
    for (name, outcome) in limits {
        let measured = findings.results.get(name);
        let decision = decisions.get(name);
        let limit = plan.limits.get(name).map(|limit| limit_words(limit, name.unit())).unwrap_or_default();
        let reason = match outcome {
            Outcome::Meets => continue,
            Outcome::Fails => {
                let value = measured.map(Measured::shown).unwrap_or_default();
                format!("{}: {value} breaks the limit, {limit}", name.words())
            }
            Outcome::Open => format!(
                "{}: {} ({limit})",
                name.words(),
                why_open(*name, measured, decision, findings.absent.get(name))
            ),
        };
        if let Some(sign) = worn.filter(|_| *outcome == Outcome::Fails && is_of_the_fan(*name)) {
            reasons
                .undecided
                .push(format!("{reason}; but the bench's load fan looks worn ({}): mend it first", sign.because));
            continue;
        }
        match (bound(*name, measured, decision), outcome) {
            (Some(bound), _) => reasons.restrict(&bound, reason),
            (None, Outcome::Fails) => reasons.scrap.push(reason),
            (None, _) => reasons.undecided.push(reason),
        }
    }
}

/// A case that may get too hot at the ambient of the plan is kept cool enough by a place that stays cooler.
fn by_hot_day(days: &[HotDay], reasons: &mut Reasons) {
    let most = |day: &HotDay| day.most_ambient_c.filter(|most| *most < day.ambient_c);
    let hottest = days.iter().filter_map(|day| Some((day, most(day)?))).min_by(|a, b| a.1.total_cmp(&b.1));
    if let Some((day, most_c)) = hottest {
        let because = format!(
            "at {:.0} % duty its case goes to {:.0} °C in air of {:.0} °C, where at most {:.0} °C are allowed",
            day.duty_pct, day.case_c, day.ambient_c, day.highest_case_c
        );
        reasons.restrict(&format!("fit only where the air at it stays below {:.0} °C", most_c.floor()), because);
    }
}

/// Why the outcome of a limit cannot be told.
pub(super) fn why_open(
    name: ResultName,
    measured: Option<&Measured>,
    decision: Option<&Decision>,
    absent: Option<&String>,
) -> String {
    match measured {
        None => absent.map_or("not measured".to_owned(), |why| format!("not measured, {why}")),
        Some(m) if m.is_bound() => {
            let note = m.note.as_deref().unwrap_or("one end is open");
            format!("only a bound is known, {}", note.strip_prefix("a bound: ").unwrap_or(note))
        }
        Some(m) if m.is_proxy() => format!("{} is known only by a stand-in", m.shown()),
        Some(m) if m.as_word().is_some() => format!("`{}` cannot be judged", m.shown()),
        Some(m) if m.interval.is_none() => format!("{} has no known uncertainty", m.shown()),
        Some(m) => {
            let accepted = decision.map_or(String::new(), |decision| format!(", {}", accepted_words(name, decision)));
            format!("{} is too close to the limit for its uncertainty{accepted}", m.shown())
        }
    }
}

const SWITCHED_FEED: &str = "fit only on a feed that is off with the ignition";
const BY_CURVE: &str = "lay the duty table by the duties measured here";
const TESTED_FREQUENCY: &str = "fit only with the command frequency tested";

/// The bound within which the fitter gets round a limit that is broken or open; `None` when nothing the fitter does helps.
///
/// Duties can be kept by the vehicle's duty table once they are known, however uncertain; sleep by a switched feed;
/// frequencies by commanding the one that was tested.
fn bound(name: ResultName, measured: Option<&Measured>, decision: Option<&Decision>) -> Option<String> {
    // As far as the guard band of the limit reaches, so that the bound is kept with the risk of the plan.
    let at = || {
        let m = measured.filter(|m| !m.is_bound() && !m.is_proxy())?;
        let value = m.as_number()?;
        let sides = decision.and_then(|decision| rule::reach(m, decision.risk));
        let [below, above] = sides.map_or([0.0; 2], |sides| sides.map(Reach::guard_band));
        Some((value - below, value + above))
    };
    // A duty that nobody can command is no advice: the number is too uncertain to lay a table by.
    let duty = |wanted: Option<f64>| wanted.filter(|duty| (0.0..=100.0).contains(duty));
    match name {
        ResultName::SleepA | ResultName::SleepAfterS | ResultName::BatteryDays => Some(SWITCHED_FEED.to_owned()),
        ResultName::CommandHzLow | ResultName::CommandHzHigh => Some(TESTED_FREQUENCY.to_owned()),
        ResultName::StartDutyPct | ResultName::StartDuty95Pct | ResultName::OutputOnPct => {
            duty(at().map(|(_, high)| high)).map(|high| format!("begin the duty table at {high:.1} % or above"))
        }
        ResultName::StopDutyPct | ResultName::OutputOffPct | ResultName::HysteresisPct => {
            at().map(|_| BY_CURVE.to_owned())
        }
        // Still rising at the highest duty offered: the curve itself is what can be kept to.
        ResultName::SaturationDutyPct if measured.is_some_and(Measured::is_bound) => Some(BY_CURVE.to_owned()),
        ResultName::SaturationDutyPct => {
            duty(at().map(|(low, _)| low)).map(|low| format!("end the duty table at {low:.1} %"))
        }
        ResultName::UpperCutoffPct => {
            duty(at().map(|(low, _)| low)).map(|low| format!("never command above {low:.1} %"))
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests;
