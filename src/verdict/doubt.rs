//! Which limits are open, and whether measuring again could close them: what a run asks before it ends.

use crate::record::event::LimitFacts;
use crate::record::recording::Recording;
use crate::results::{Findings, Grade, Measured, Nature, Outcome, ResultName};
use crate::verdict::grade::{judge, why_open};
use crate::verdict::proof::nothing_answered;
use crate::verdict::rule::{self, Reach};

/// What it takes to close an open limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lack {
    /// More of the same readings: random parts of the uncertainty keep it open.
    Readings,
    /// An end of the interval: too few trials to bound it.
    Trials,
    /// The result itself.
    Result,
    /// Something that the same stages will not bring, in plain words as [`Doubt::why`] says.
    Other,
}

/// A limit that is open.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Doubt {
    /// The limit.
    pub name: ResultName,
    /// What would close it.
    pub lack: Lack,
    /// Why it is open, in plain words.
    pub why: String,
}

/// Limits open in a run so far. Nothing for a unit that is scrap already or that answered nothing: looking again would
/// change neither.
#[must_use]
pub fn doubts(findings: &Findings, rec: &Recording) -> Vec<Doubt> {
    let Some(verdict) = judge(findings, rec, None).verdict else { return Vec::new() };
    if verdict.grade == Grade::Scrap || nothing_answered(rec, findings) {
        return Vec::new();
    }
    let plan = &rec.header.plan_facts;
    let open = verdict.limits.iter().filter(|(_, outcome)| **outcome == Outcome::Open);
    open.map(|(name, _)| {
        let measured = findings.results.get(name);
        let why = why_open(*name, measured, verdict.decisions.get(name), findings.absent.get(name));
        let look = rule::look(rec, *name);
        let risks = [look, look + 1].map(|look| rule::spent(rule::accepted(plan), look, plan.risk.looks));
        let (lack, why) = match (measured, plan.limits.get(name)) {
            (None, _) => (Lack::Result, why),
            (Some(m), _) if m.is_proxy() || m.as_word().is_some() => (Lack::Other, why),
            (Some(m), _) if m.is_bound() => (Lack::Trials, why),
            (Some(m), Some(limit)) if could_close(limit, m, risks) => (Lack::Readings, why),
            (Some(_), _) => (Lack::Other, format!("{why}; what is common to all readings keeps it so")),
        };
        Doubt { name: *name, lack, why }
    })
    .collect()
}

/// Whether as many readings again may close every end of the limit that is open now, at the risks of this look and of the
/// next.
///
/// Random parts shrink by the root of two, shared ones stay; the value itself may move by twice its random part.
fn could_close(limit: &LimitFacts, measured: &Measured, [now, next]: [f64; 2]) -> bool {
    let (Some(value), Some(u)) = (measured.as_number(), measured.u.filter(|u| *u > 0.0)) else { return false };
    let (Some(reach_now), Some(reach_next)) = (rule::reach(measured, now), rule::reach(measured, next)) else {
        return false;
    };
    let sum = |random: bool| {
        let parts = measured.budget.iter().filter(|part| (part.nature == Nature::Random) == random);
        parts.map(|part| part.u * part.u).sum::<f64>().sqrt()
    };
    let (random, shared) = (sum(true), sum(false));
    let shrinks = shared.hypot(random / 2.0_f64.sqrt()) / u;
    let ends = [limit.min.map(|min| (min, 0)), limit.max.map(|max| (max, 1))];
    ends.into_iter().flatten().all(|(limit, inside)| {
        let away = (value - limit).abs();
        // Inside the limit its own side counts, beyond it the other one.
        let beyond = if inside == 0 { value < limit } else { value > limit };
        let side = if beyond { 1 - inside } else { inside };
        let band = |reach: [Reach; 2]| reach[side].guard_band();
        away >= band(reach_now) || away + 2.0 * random >= band(reach_next) * shrinks
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::event::Event;
    use crate::results::{Contribution, RiskRule};
    use crate::verdict::made_up::Made;

    const NAME: ResultName = ResultName::DropV;

    fn run(looks_before: u32) -> Recording {
        let limit = LimitFacts { max: Some(0.4), ..LimitFacts::default() };
        let mut made = Made::new()
            .with(|rec| {
                rec.header.plan_facts.limits = [(NAME, limit)].into();
                rec.header.plan_facts.risk = RiskRule { looks: 4, ..RiskRule::default() };
            })
            .zero(1.0)
            .pulses(95.0, 70.0, 20.0);
        for number in 2..2 + looks_before {
            let limits = [(NAME, "close".to_owned())].into();
            made = made.event(Event::Look { number, limits, stages: vec!["drop".to_owned()] });
        }
        made.done()
    }

    fn found(value: f64, random: f64, common: f64) -> Findings {
        let mut findings = Findings::default();
        let parts = vec![Contribution::random("noise", random), Contribution::common("gain", common)];
        findings.put(NAME, Measured::number(NAME, value, 1.96, parts, "test", 3));
        findings
    }

    fn lack(findings: &Findings, rec: &Recording) -> Option<Lack> {
        doubts(findings, rec).first().map(|doubt| doubt.lack)
    }

    #[test]
    fn only_open_limits_are_in_doubt() {
        assert_eq!(doubts(&found(0.3, 0.01, 0.001), &run(0)), Vec::new());
        assert_eq!(lack(&found(0.39, 0.01, 0.001), &run(0)), Some(Lack::Readings));
        assert_eq!(lack(&Findings::default(), &run(0)), Some(Lack::Result));
    }

    #[test]
    fn what_is_common_to_all_readings_is_not_worth_another_look() {
        let doubt = doubts(&found(0.39, 0.001, 0.02), &run(0)).remove(0);
        assert_eq!(doubt.lack, Lack::Other);
        assert!(doubt.why.ends_with("keeps it so"), "{}", doubt.why);
        assert_eq!(lack(&found(0.4, 0.02, 0.0), &run(0)), Some(Lack::Readings), "even right at the limit");
    }

    #[test]
    fn bounds_want_trials_and_stand_ins_something_else() {
        let mut bound = found(0.39, 0.01, 0.0);
        if let Some(m) = bound.results.get_mut(&NAME) {
            m.interval = Some([None, Some(0.5)]);
        }
        assert_eq!(lack(&bound, &run(0)), Some(Lack::Trials));
        let mut proxy = Findings::default();
        proxy.put(NAME, found(0.39, 0.01, 0.0).results[&NAME].clone().proxy("from the current"));
        assert_eq!(lack(&proxy, &run(0)), Some(Lack::Other));
    }

    #[test]
    fn scrap_is_not_looked_at_again() {
        let mut findings = found(0.39, 0.01, 0.0);
        let cap = ResultName::CapacitanceF;
        findings.put(cap, Measured::number(cap, 0.5e-3, 2.0, vec![Contribution::random("fit", 1e-5)], "test", 1));
        assert_eq!(doubts(&findings, &run(0)), Vec::new());
    }

    #[test]
    fn the_guard_band_grows_with_the_looks_spent_on_a_limit() {
        let findings = found(0.376, 0.01, 0.0);
        assert_eq!(doubts(&findings, &run(0)), Vec::new(), "2.4 u away, 2.24 asked at the first look");
        let again = doubts(&findings, &run(1));
        assert_eq!(again.len(), 1, "2.5 u asked at the second");
        assert!(again[0].why.contains("at look 2"), "{}", again[0].why);
    }
}
