//! Sign of the command input's clock: its frequency band lies where it should not.

use super::{fault, sign};
use crate::record::recording::Recording;
use crate::results::{Findings, Outcome, ResultName, Sign};
use crate::verdict::limits::outcome;
use crate::verdict::rule;

/// Sign found. What is the band of a kind can only be known from the plan: a shifted band is one that breaks the plan's limit.
pub(super) fn find(findings: &Findings, rec: &Recording) -> Option<Sign> {
    let risk = rule::accepted(&rec.header.plan_facts);
    let broken: Vec<String> = [ResultName::CommandHzLow, ResultName::CommandHzHigh, ResultName::CommandHz]
        .into_iter()
        .filter_map(|name| {
            let limit = rec.header.plan_facts.limits.get(&name)?;
            let measured = findings.results.get(&name)?;
            (outcome(limit, Some(measured), risk) == Outcome::Fails)
                .then(|| format!("{} {:.0} Hz", name.words(), measured.as_number().unwrap_or_default()))
        })
        .collect();
    (!broken.is_empty()).then(|| sign(fault::BAND_SHIFTED, 0.97, broken.join(", ")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::event::LimitFacts;
    use crate::results::{Contribution, Measured};

    fn put(findings: &mut Findings, name: ResultName, value: f64, u: f64) {
        findings.put(name, Measured::number(name, value, 2.0, vec![Contribution::common("gain", u)], "test", 3));
    }

    #[test]
    fn a_band_edge_beyond_the_plans_limit_is_a_shifted_band() {
        let mut rec = Recording::default();
        let limit = LimitFacts { max: Some(80.0), ..LimitFacts::default() };
        rec.header.plan_facts.limits.insert(ResultName::CommandHzLow, limit);
        let mut findings = Findings::default();
        put(&mut findings, ResultName::CommandHzLow, 60.0, 1.0);
        assert_eq!(find(&findings, &rec), None);
        put(&mut findings, ResultName::CommandHzLow, 120.0, 1.0);
        assert_eq!(find(&findings, &rec).unwrap().fault, fault::BAND_SHIFTED);
    }
}
