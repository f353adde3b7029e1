//! Drop-outs while the harness is flexed by hand: how many, and what that many, or none, says of their rate.

use statrs::distribution::{ChiSquared, ContinuousCDF};

use crate::record::event::SpanKind;
use crate::record::recording::Recording;
use crate::results::{Contribution, Findings, Measured, ResultName, Transient, TransientKind};

use super::estimate::{shortfall, spans};
use super::events;

/// A watch that was ended sooner says nothing, seconds.
const LEAST_S: f64 = 3.0;

/// Fills in the count over all watches of the run.
pub(crate) fn find(rec: &Recording, findings: &mut Findings) {
    let spans = spans(rec, &SpanKind::FlexWatch);
    if spans.is_empty() {
        return;
    }
    let watches: Vec<(f64, Vec<Transient>)> = spans
        .iter()
        .filter(|span| span.t1_s - span.t0_s >= LEAST_S)
        .filter_map(|span| Some((span.t1_s - span.t0_s, events::drop_outs_in(rec, span.t0_s, span.t1_s)?)))
        .collect();
    let name = ResultName::FlexDropouts;
    if watches.is_empty() {
        let why = format!("no watch of {LEAST_S} s or more with a current that could drop out{}", shortfall(&spans));
        findings.miss(name, why);
        return;
    }
    let watched_s: f64 = watches.iter().map(|(seconds, _)| seconds).sum();
    let resets = watches.iter().flat_map(|(_, events)| events).filter(|e| e.kind == TransientKind::Reset).count();
    let count = watches.iter().map(|(_, events)| events.len()).sum();
    findings.put(name, counted(count, resets, watched_s));
}

/// The count with the interval of the number that such a watch shows in the mean (Garwood 1936): one-sided where none came,
/// so that what is left out lies above it.
fn counted(count: usize, resets: usize, watched_s: f64) -> Measured {
    #[expect(clippy::cast_precision_loss, reason = "events of minutes")]
    let k = count as f64;
    let half_chi = |p: f64, dof: f64| ChiSquared::new(dof).map_or(f64::NAN, |chi| 0.5 * chi.inverse_cdf(p));
    let at_most = |p: f64| half_chi(p, 2.0 * (k + 1.0));
    let least = if count == 0 { 0.0 } else { half_chi(0.025, 2.0 * k) };
    // Standard deviation of that mean given the count, every rate alike likely before.
    let budget = vec![Contribution::random("few drop-outs", (k + 1.0).sqrt())];
    let mut measured = Measured::number(ResultName::FlexDropouts, k, 2.0, budget, "count", count as u64);
    measured.interval = Some([Some(least), Some(at_most(if count == 0 { 0.95 } else { 0.975 }))]);
    let per_min = 60.0 * at_most(0.95) / watched_s;
    let resets = if resets == 0 { String::new() } else { format!(", {resets} of them with a new start") };
    measured.noted(format!(
        "{count} in {watched_s:.0} s of flexing{resets}: at most {per_min:.1} a minute, 95 % confidence"
    ))
}

#[cfg(test)]
mod tests {
    use super::super::synthetic::{self, Bench};
    use super::*;
    use crate::bench::Channel;

    /// A watch of this length in which the supply current is `amps`.
    fn watch(seconds: f64, amps: impl Fn(f64) -> f64) -> Findings {
        let mut bench = Bench::new(5);
        bench.set(synthetic::at(40.0));
        bench.run(6.0, &[(Channel::SupplyA, &|_| 8.0, 0.05)]);
        let t0_s = bench.t_s;
        bench.run(seconds, &[(Channel::SupplyA, &|t| amps(t), 0.05)]);
        bench.span(SpanKind::FlexWatch, t0_s);
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        findings
    }

    #[test]
    fn none_seen_still_gives_its_bound() {
        let found = watch(60.0, |_| 8.0);
        let measured = &found.results[&ResultName::FlexDropouts];
        // -ln 0.05 = 2.996.
        assert_eq!(measured.note.as_deref(), Some("0 in 60 s of flexing: at most 3.0 a minute, 95 % confidence"));
        let [low, high] = measured.interval.expect("an interval");
        assert!(low == Some(0.0) && high.is_some_and(|high| (high - 2.996).abs() < 1e-3), "{measured:?}");
    }

    #[test]
    fn drop_outs_and_resets_are_counted_with_the_interval_of_their_mean() {
        let amps = |t: f64| match t {
            t if (5.0..5.05).contains(&t) || (20.0..20.2).contains(&t) => 0.02,
            t if (31.0..31.4).contains(&t) => 0.02,
            t if (31.4..32.4).contains(&t) => 8.0 * (t - 31.4),
            _ => 8.0,
        };
        let found = watch(40.0, amps);
        let measured = &found.results[&ResultName::FlexDropouts];
        assert_eq!((measured.as_number(), measured.n), (Some(3.0), 3));
        let note = measured.note.as_deref().expect("a note");
        assert!(note.starts_with("3 in 40 s of flexing, 1 of them with a new start"), "{note}");
        // Tables of Garwood for 3: 0.619 to 8.767.
        let [low, high] = measured.interval.expect("an interval");
        assert!(low.is_some_and(|low| (low - 0.619).abs() < 1e-3), "{measured:?}");
        assert!(high.is_some_and(|high| (high - 8.767).abs() < 1e-3), "{measured:?}");
    }

    #[test]
    fn a_watch_that_could_show_nothing_is_no_proof_of_soundness() {
        for found in [watch(40.0, |_| 0.1), watch(1.0, |_| 8.0)] {
            assert!(
                found.results.is_empty() && found.absent[&ResultName::FlexDropouts].contains("no watch"),
                "{found:?}"
            );
        }
    }
}
