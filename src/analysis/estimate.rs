//! From parts of uncertainty to a result: coverage from the degrees of freedom behind each part, pooling of repeats.

use statrs::distribution::{ChiSquared, ContinuousCDF};

use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};
use crate::results::{Contribution, Findings, Measured, Nature, ResultName};

use super::signal::stats;

/// One part of an uncertainty with the degrees of freedom behind it.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Part {
    name: String,
    u: f64,
    nature: Nature,
    dof: f64,
}

/// A part seen in the scatter of readings, with its degrees of freedom.
pub(crate) fn seen(name: &str, u: f64, dof: f64) -> Part {
    Part { name: name.to_owned(), u, nature: Nature::Random, dof }
}

/// A part that averages out, known without scatter (resolution, sampling).
pub(crate) fn random(name: &str, u: f64) -> Part {
    seen(name, u, f64::INFINITY)
}

/// A part shared by all readings of a rig.
pub(crate) fn common(name: &str, u: f64) -> Part {
    Part { name: name.to_owned(), u, nature: Nature::Common, dof: f64::INFINITY }
}

/// A part that stretches of one run share although it is no property of the rig: a zero of which the run has few readings,
/// the warmth of the load fan, how well a model fits this unit.
pub(crate) fn lasting(name: &str, u: f64) -> Part {
    Part { nature: Nature::Lasting, ..random(name, u) }
}

/// A value found in one stretch, with its parts.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Estimate {
    pub(crate) value: f64,
    pub(crate) parts: Vec<Part>,
}

impl Estimate {
    pub(crate) fn new(value: f64, parts: Vec<Part>) -> Self {
        Self { value, parts }
    }

    /// Combined variance; never quite zero.
    pub(crate) fn variance(&self) -> f64 {
        self.parts.iter().map(|part| part.u * part.u).sum::<f64>().max(f64::MIN_POSITIVE)
    }

    /// The parts as they count in a sum to which this contributes `factor` times.
    pub(crate) fn weighted(&self, factor: f64) -> Vec<Part> {
        self.parts.iter().map(|part| Part { u: part.u * factor.abs(), ..part.clone() }).collect()
    }

    /// The result; coverage by the effective degrees of freedom (JCGM 100, G.4).
    pub(crate) fn measured(&self, name: ResultName, method: &str, n: u64) -> Measured {
        let dof = stats::combined_dof(&self.parts.iter().map(|p| (p.u, p.dof)).collect::<Vec<_>>());
        let budget =
            self.parts.iter().map(|p| Contribution { name: p.name.clone(), u: p.u, nature: p.nature }).collect();
        Measured::number(name, self.value, stats::k95(dof), budget, method, n)
    }
}

/// Chance at which repeats that differ by no more than their random parts explain are taken to differ by more.
const BY_CHANCE: f64 = 0.05;

/// Mean of repeats. What they share stays, random parts shrink; what the repeats scatter beyond what those explain
/// (a chi-square test of the scatter against them) comes on top. `None` of nothing.
///
/// Without the test two repeats would widen their own interval more often than not: a scatter of two says little beside
/// parts that are known from many readings each.
pub(crate) fn pool(repeats: &[Estimate]) -> Option<Estimate> {
    let first = repeats.first()?;
    let n = repeats.len() as f64;
    if repeats.len() == 1 {
        return Some(first.clone());
    }
    let values: Vec<f64> = repeats.iter().map(|e| e.value).collect();
    let (value, scatter) = (stats::mean(&values)?, stats::deviation(&values)? / n.sqrt());
    let mut parts: Vec<Part> = Vec::new();
    for (i, part) in first.parts.iter().enumerate() {
        let squares = repeats.iter().filter_map(|e| e.parts.get(i)).map(|p| p.u * p.u).sum::<f64>();
        let u = if part.nature != Nature::Random { (squares / n).sqrt() } else { squares.sqrt() / n };
        parts.push(Part { u, dof: part.dof * n, ..part.clone() });
    }
    let inside: f64 = parts.iter().filter(|p| p.nature == Nature::Random).map(|p| p.u * p.u).sum();
    let explained = inside * ChiSquared::new(n - 1.0).map_or(1.0, |chi| chi.inverse_cdf(1.0 - BY_CHANCE)) / (n - 1.0);
    let beyond = if scatter * scatter > explained { (scatter * scatter - inside).max(0.0).sqrt() } else { 0.0 };
    parts.push(seen("scatter of repeats", beyond, n - 1.0));
    Some(Estimate { value, parts })
}

/// Spans of `kind`, in order.
pub(crate) fn spans(rec: &Recording, kind: &SpanKind) -> Vec<Span> {
    rec.spans.iter().filter(|span| span.kind == *kind).cloned().collect()
}

/// Why the first of `spans` is not what its kind promises, as a clause to add to a reason; empty when it is.
pub(crate) fn shortfall(spans: &[Span]) -> String {
    let why = spans.iter().find_map(|span| span.complete.as_ref().err());
    why.map_or_else(String::new, |why| format!(" ({why})"))
}

/// Notes the same reason for several results.
pub(crate) fn miss_all(findings: &mut Findings, names: &[ResultName], reason: &str) {
    for name in names {
        findings.miss(*name, reason);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn few_readings_widen_the_interval_by_student() {
        let few = Estimate::new(10.0, vec![seen("scatter", 1.0, 3.0)]).measured(ResultName::SleepA, "mean", 4);
        let [low, high] = few.interval.expect("a number has one");
        assert!((high.expect("closed") - 13.18).abs() < 0.01 && (low.expect("closed") - 6.82).abs() < 0.01);
        let many = Estimate::new(10.0, vec![common("gain", 1.0)]).measured(ResultName::SleepA, "mean", 4);
        assert!((many.interval.expect("a number has one")[1].expect("closed") - 11.96).abs() < 0.01);
    }

    #[test]
    fn pooling_shrinks_what_is_random_and_keeps_what_is_common() {
        let one = |value| Estimate::new(value, vec![random("noise", 0.2), common("gain", 0.5), lasting("zero", 0.3)]);
        let pooled = pool(&[one(1.0), one(1.0), one(1.0), one(1.0)]).expect("four");
        let shrunk: Vec<f64> = pooled.parts.iter().map(|part| part.u).collect();
        for (u, expected) in shrunk.iter().zip([0.1, 0.5, 0.3, 0.0]) {
            assert!((u - expected).abs() < 1e-12, "{shrunk:?}");
        }
        let two = pool(&[one(1.0), one(1.5)]).expect("two");
        assert!(two.parts.iter().all(|p| p.name != "scatter of repeats" || p.u == 0.0), "0.25 beside 0.14 is chance");
        let scattered = pool(&[one(0.0), one(2.0)]).expect("two");
        assert!((scattered.value - 1.0).abs() < 1e-12 && scattered.parts.iter().any(|p| p.u > 0.9));
        assert_eq!(pool(&[]), None);
    }
}
