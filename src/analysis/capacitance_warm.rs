//! Input capacitance while warm, and its change from the cold charge of the same run.
//!
//! An electrolytic gains a few percent from 20 to 85 °C. One that has dried out has lost most when cold, and comes back with
//! warmth many times as fast. The series resistance is the same in both charges and cancels in the change.

use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};
use crate::results::{Findings, ResultName};

use super::capacitance;
use super::estimate::{Estimate, miss_all, pool, shortfall, spans};

const BOTH: [ResultName; 2] = [ResultName::CapacitanceWarmF, ResultName::CapacitanceChangePct];
/// With less warmth than this nothing is said of the change.
const LEAST_K: f64 = 3.0;

/// Fills in both.
pub(crate) fn find(rec: &Recording, findings: &mut Findings) {
    let warm_spans = spans(rec, &SpanKind::WarmCharge);
    if warm_spans.is_empty() {
        return;
    }
    let Some((ohm, ohm_u)) = rec.header.bench.pre_charge_ohm else {
        miss_all(findings, &BOTH, "the rig applies its first power without a known series resistance");
        return;
    };
    let read = |spans: &[Span]| -> Result<Estimate, String> {
        let all: Vec<Result<Estimate, String>> =
            spans.iter().map(|span| capacitance::one(rec, span, ohm, ohm_u)).collect();
        let good: Vec<Estimate> = all.iter().filter_map(|one| one.as_ref().ok().cloned()).collect();
        let why = || all.into_iter().find_map(Result::err).unwrap_or_else(|| "there was no such charge".to_owned());
        pool(&good).ok_or_else(why)
    };
    let warm = match read(&warm_spans) {
        Ok(warm) => warm,
        Err(why) => {
            miss_all(findings, &BOTH, &format!("{why}{}", shortfall(&warm_spans)));
            return;
        }
    };
    let (name, n) = (ResultName::CapacitanceWarmF, warm_spans.len() as u64);
    let warm_c = case(rec, &warm_spans);
    let at = warm_c.map_or("case temperature not recorded".to_owned(), |c| format!("case at {c:.0} °C"));
    findings.put(name, warm.measured(name, "time constant", n).noted(format!("charged through {ohm:.1} Ohm, {at}")));
    // Only a charge before any warmth is a cold one: first power comes again where a limit is looked at again.
    let cold_spans: Vec<Span> = spans(rec, &SpanKind::PreCharge).into_iter().take(1).collect();
    let name = ResultName::CapacitanceChangePct;
    match (read(&cold_spans), warm_c.zip(case(rec, &cold_spans))) {
        (Err(why), _) => findings.miss(name, format!("no cold charge to compare with: {why}")),
        (Ok(_), Some((warm_c, cold_c))) if warm_c - cold_c < LEAST_K => {
            findings.miss(name, format!("the case was only {:.1} K warmer than at the cold charge", warm_c - cold_c));
        }
        (Ok(cold), cases) => {
            let ratio = warm.value / cold.value;
            let mut parts = warm.unshared(100.0 / cold.value);
            parts.extend(cold.unshared(100.0 * ratio / cold.value));
            let change = Estimate::new(100.0 * (ratio - 1.0), parts);
            let note = cases.map_or("case temperature not recorded".to_owned(), |(warm_c, cold_c)| {
                let per_k = change.value / (warm_c - cold_c);
                format!("case from {cold_c:.0} to {warm_c:.0} °C, {per_k:.2} % per kelvin")
            });
            findings.put(name, change.measured(name, "ratio of charges", n).noted(note));
        }
    }
}

/// Mean case temperature in the charges; `None` without the channel.
fn case(rec: &Recording, spans: &[Span]) -> Option<f64> {
    let all: Option<Vec<f64>> = spans.iter().map(|span| rec.mean(Channel::CaseC, span.t0_s, span.t1_s)).collect();
    super::signal::stats::mean(&all?)
}
