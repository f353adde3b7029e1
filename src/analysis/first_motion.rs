//! Delay from a command edge to first motion: stands in for the delay to the output where neither output nor current
//! was recorded, so that a dead time is not lost in the rise.

use crate::analysis::command;
use crate::analysis::level;
use crate::analysis::signal::{stats, steps};
use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};
use crate::results::{Contribution, Findings, Measured, ResultName};

/// Share of the top speed up to which the rise is fitted.
const FOOT: f64 = 0.12;

/// Finds `command_delay_s` from a delivered speed column, as a proxy, when nothing better was recorded.
pub(crate) fn find(rec: &Recording, findings: &mut Findings) {
    let name = ResultName::CommandDelayS;
    let better = [Channel::OutputV, Channel::SupplyA].iter().any(|channel| rec.channels.contains_key(channel));
    if better || findings.results.contains_key(&name) {
        return;
    }
    let starts = rec.spans_where(|kind| *kind == SpanKind::Start);
    let found: Vec<(f64, f64)> = starts.filter_map(|span| delay(rec, span)).collect();
    let delays: Vec<f64> = found.iter().map(|(delay_s, _)| *delay_s).collect();
    let Some(mean_s) = stats::mean(&delays) else { return };
    let count = found.len() as f64;
    let fit = found.iter().map(|(_, u_s)| u_s * u_s).sum::<f64>().sqrt() / count;
    let spread = stats::deviation(&delays).map_or(0.0, |sd| sd / count.sqrt());
    let budget = vec![
        Contribution::random("onset fit", fit),
        Contribution::random("spread", spread),
        Contribution::common("clock", mean_s.abs() * rec.header.bench.clock_u),
    ];
    let measured = Measured::number(name, mean_s, 2.0, budget, "first motion", found.len() as u64);
    findings.put(name, measured.proxy("first motion of the fan; neither output nor current was recorded"));
}

/// Delay of one start and its standard uncertainty, seconds.
fn delay(rec: &Recording, span: &Span) -> Option<(f64, f64)> {
    let (edge_s, _, _) = command::first_change(rec, span)?;
    let samples = rec.channels.get(&Channel::SpeedRpm)?.samples(span.t0_s, span.t1_s);
    let (times, speeds): (Vec<f64>, Vec<f64>) = samples.map(|(t_s, rpm)| (t_s, rpm.abs())).unzip();
    let top = level::settled(rec, Channel::SpeedRpm, edge_s, span.t1_s)?.value.abs();
    let onset = steps::onset(&times, &speeds, 0.0, FOOT * top)?;
    // Rows and command are aligned to a row at best.
    let row_s = times.get(1).zip(times.first()).map_or(0.0, |(b, a)| b - a);
    Some((onset.at.t_s - edge_s, onset.at.u_s.hypot(row_s / 12.0_f64.sqrt())))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::synthetic::{Bench, at};

    #[test]
    fn a_dead_time_before_the_rise_is_found_and_marked() {
        let mut bench = Bench::new(61);
        bench.set(at(0.0));
        bench.run(0.5, &[(Channel::SpeedRpm, &|_| 0.0, 0.5)]);
        bench.set(at(90.0));
        let rise = |t: f64| if t < 0.35 { 0.0 } else { 600.0 * (1.0 - (-(t - 0.35) / 0.05).exp()) };
        bench.run(3.0, &[(Channel::SpeedRpm, &rise, 0.5)]);
        bench.span(SpanKind::Start, 0.2);
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        let result = &findings.results[&ResultName::CommandDelayS];
        assert!((result.as_number().unwrap() - 0.35).abs() < 0.005, "{result:?}");
        assert!(result.is_proxy());
    }
}
