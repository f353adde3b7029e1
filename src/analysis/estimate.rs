//! From parts of uncertainty to a result: coverage from the degrees of freedom behind each part, pooling of repeats.

use statrs::distribution::{ChiSquared, ContinuousCDF};

use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};
use crate::results::{Contribution, Findings, Measured, Nature, ResultName};

use super::signal::stats;
use super::signal::steps::Instant;

/// One part of an uncertainty with the degrees of freedom behind it.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Part {
    name: String,
    u: f64,
    nature: Nature,
    dof: f64,
    /// Excess kurtosis of its error: 0 of a normal one.
    excess: f64,
}

impl Part {
    /// The same where its error lies anywhere between two ends, evenly (what falls between two samples).
    pub(crate) fn even(self) -> Self {
        self.shaped(stats::EVEN)
    }

    /// The same with an error of this excess kurtosis.
    pub(crate) fn shaped(self, excess: f64) -> Self {
        Self { excess, ..self }
    }
}

/// A part seen in the scatter of readings, with its degrees of freedom.
pub(crate) fn seen(name: &str, u: f64, dof: f64) -> Part {
    Part { name: name.to_owned(), u, nature: Nature::Random, dof, excess: 0.0 }
}

/// A part for the instant of a step or a crossing, seen in the scatter of values. Those of a bench that plays its own time are
/// means.
pub(crate) fn instant(rec: &Recording, name: &str, at: &Instant, dof: f64) -> Part {
    match at.of_means_u_s.filter(|_| rec.header.is_virtual) {
        Some(u_s) => seen(name, u_s, dof),
        None if at.even => seen(name, at.u_s, dof).even(),
        None => seen(name, at.u_s, dof),
    }
}

/// A part that averages out, known without scatter (resolution, sampling).
pub(crate) fn random(name: &str, u: f64) -> Part {
    seen(name, u, f64::INFINITY)
}

/// A part shared by all readings of a rig.
pub(crate) fn common(name: &str, u: f64) -> Part {
    Part { nature: Nature::Common, ..random(name, u) }
}

/// The part of the bench's clock in a time, or in what is proportional to one: it lies evenly within what its crystal may be off.
pub(crate) fn clock(rec: &Recording, value: f64) -> Part {
    common("clock", value.abs() * rec.header.bench.clock_u).even()
}

/// A part that stretches of one run share although it is no property of the rig: a zero of which the run has few readings,
/// the warmth of the load fan, how well a model fits this unit.
pub(crate) fn lasting(name: &str, u: f64) -> Part {
    Part { nature: Nature::Lasting, ..random(name, u) }
}

/// Part for a time from a command to what these channels (or the tach) show, where another driver stamps them than takes
/// the command. Nothing on a rig of one driver.
pub(crate) fn apart(rec: &Recording, channels: &[Channel], tach: bool) -> Option<Part> {
    let bench = &rec.header.bench;
    let of = |channel: &Channel| bench.channels.get(channel).map_or(0.0, |facts| facts.alignment_u_s);
    let shown_s = channels.iter().map(of).fold(if tach { bench.tach_alignment_u_s } else { 0.0 }, f64::max);
    let u_s = shown_s.hypot(bench.command_alignment_u_s);
    (u_s > 0.0).then(|| lasting(APART, u_s))
}

/// Standard uncertainty of an instant that lies anywhere between two samples `spacing_s` apart, seconds. None of a bench that
/// plays its own time: it knows its commands between two reads, and its samples are means from one to the next.
pub(crate) fn unseen_s(rec: &Recording, spacing_s: f64) -> f64 {
    if rec.header.is_virtual { 0.0 } else { spacing_s / 12.0_f64.sqrt() }
}

/// Spacing of the samples of a real bench, seconds.
const SPACING_S: f64 = 5e-4;

/// Part for where a command falls between two samples: anywhere inside an interval of them.
pub(crate) fn on_the_grid(rec: &Recording) -> Part {
    lasting("alignment of samples and command", unseen_s(rec, SPACING_S)).even()
}

/// Part for where a step falls between two samples of a converter that takes instants; nothing of what does not step.
pub(crate) fn between_samples(rec: &Recording, steps: bool) -> Part {
    random("instants of the samples", if steps { unseen_s(rec, SPACING_S) } else { 0.0 }).even()
}

/// Part for a time between two moments of one channel (or of the tach). What its clock is off by as a whole cancels, but
/// how much of the stated error that is nobody says: it counts at both ends.
pub(crate) fn apart_within(rec: &Recording, channel: Option<Channel>) -> Option<Part> {
    let bench = &rec.header.bench;
    let u_s = match channel {
        Some(channel) => bench.channels.get(&channel).map_or(0.0, |facts| facts.alignment_u_s),
        None => bench.tach_alignment_u_s,
    };
    (u_s > 0.0).then(|| lasting(APART, 2.0_f64.sqrt() * u_s))
}

impl From<Part> for Contribution {
    fn from(part: Part) -> Self {
        Self { name: part.name, u: part.u, nature: part.nature }
    }
}

/// Name of the part that joined drivers add to times.
const APART: &str = "alignment between drivers";

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

    /// The parts that two readings of one rig do not share, counting `factor` times.
    pub(crate) fn unshared(&self, factor: f64) -> Vec<Part> {
        self.weighted(factor).into_iter().filter(|part| part.nature != Nature::Common).collect()
    }

    /// The same where its whole error has this excess kurtosis.
    pub(crate) fn shaped(self, excess: f64) -> Self {
        let fourth: f64 = self.parts.iter().map(|part| part.u.powi(4)).sum();
        let each = excess * self.variance().powi(2) / fourth.max(f64::MIN_POSITIVE);
        Self { parts: self.parts.into_iter().map(|part| part.shaped(each)).collect(), ..self }
    }

    /// Excess kurtosis of its error: fourth cumulants of independent parts add.
    fn excess(&self) -> f64 {
        self.parts.iter().map(|part| part.excess * part.u.powi(4)).sum::<f64>() / self.variance().powi(2)
    }

    /// The result; coverage by the effective degrees of freedom (JCGM 100, G.4) and by how flat its error is.
    pub(crate) fn measured(&self, name: ResultName, method: &str, n: u64) -> Measured {
        let dof = stats::combined_dof(&self.parts.iter().map(|p| (p.u, p.dof)).collect::<Vec<_>>());
        let budget = self.parts.iter().cloned().map(Contribution::from).collect();
        let k = stats::k95(dof) * stats::k95_flat(self.excess()) / stats::k95_flat(0.0);
        Measured::number(name, self.value, k, budget, method, n)
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
        // A mean of independent errors is nearer to normal than each.
        let (u, excess) = match part.nature {
            Nature::Random => (squares.sqrt() / n, part.excess / n),
            Nature::Lasting | Nature::Common => ((squares / n).sqrt(), part.excess),
        };
        parts.push(Part { u, dof: part.dof * n, excess, ..part.clone() });
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
    fn an_even_error_narrows_the_interval_but_not_u() {
        let half = |estimate: &Estimate| {
            let measured = estimate.measured(ResultName::LossZeroAfterS, "first change", 1);
            assert!((measured.u.expect("a number has one") - estimate.variance().sqrt()).abs() < 1e-12);
            measured.interval.expect("a number has one")[1].expect("closed") - estimate.value
        };
        let even = Estimate::new(1.0, vec![random("between samples", 0.2).even()]);
        assert!((half(&even) - 0.2 * 0.95 * 3.0_f64.sqrt()).abs() < 1e-3);
        // Beside a large normal part its form does not count, and a mean of many is normal.
        let normal = Estimate::new(1.0, vec![random("between samples", 0.2).even(), common("gain", 1.0)]);
        assert!((half(&normal) / normal.variance().sqrt() - 1.96).abs() < 3e-3);
        let many = pool(&vec![even; 30]).expect("thirty");
        assert!((half(&many) / many.variance().sqrt() - 1.96).abs() < 0.02);
        // Where the whole is shaped, its parts are too.
        let shaped = Estimate::new(1.0, vec![random("fit", 0.3), common("clock", 0.1)]).shaped(stats::EVEN);
        assert!((half(&shaped) / shaped.variance().sqrt() - 0.95 * 3.0_f64.sqrt()).abs() < 1e-3);
    }

    #[test]
    fn times_across_drivers_carry_how_far_those_may_be_apart() {
        let mut rec = Recording::default();
        let u = |rec: &Recording, tach| apart(rec, &[Channel::OutputV, Channel::SupplyA], tach).map(|part| part.u);
        assert_eq!((u(&rec, true), apart_within(&rec, Some(Channel::OutputV))), (None, None), "one driver");
        let facts = |alignment_u_s| crate::record::event::ChannelFacts { alignment_u_s, ..Default::default() };
        rec.header.bench.channels.insert(Channel::OutputV, facts(0.003));
        rec.header.bench.command_alignment_u_s = 0.004;
        rec.header.bench.tach_alignment_u_s = 0.012;
        assert!((u(&rec, false).unwrap() - 0.005).abs() < 1e-12);
        assert!((u(&rec, true).unwrap() - 0.012_f64.hypot(0.004)).abs() < 1e-12);
        let within = apart_within(&rec, Some(Channel::OutputV)).unwrap();
        assert!((within.u - 0.003 * 2.0_f64.sqrt()).abs() < 1e-12 && within.nature == Nature::Lasting);
    }

    #[test]
    fn a_command_falls_inside_an_interval_of_samples_but_on_a_bench_that_plays_its_time() {
        let mut rec = Recording::default();
        assert!((on_the_grid(&rec).u - 5e-4 / 12.0_f64.sqrt()).abs() < 1e-12);
        assert!((between_samples(&rec, true).u - 5e-4 / 12.0_f64.sqrt()).abs() < 1e-12);
        rec.header.is_virtual = true;
        assert_eq!((on_the_grid(&rec).u, between_samples(&rec, true).u), (0.0, 0.0));
    }

    #[test]
    fn a_clock_lies_evenly_within_what_its_crystal_may_be_off() {
        let mut rec = Recording::default();
        rec.header.bench.clock_u = 58e-6;
        let measured = Estimate::new(-40.0, vec![clock(&rec, -40.0)]).measured(ResultName::SleepAfterS, "fall", 1);
        let half = measured.interval.expect("a number has one")[1].expect("closed") + 40.0;
        assert!((measured.u.expect("a number has one") - 40.0 * 58e-6).abs() < 1e-12);
        assert!((half / (0.95 * 40.0 * 100e-6) - 1.0).abs() < 0.01, "{half}");
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
