//! On-resistance from the swing of the current after a start: while the fan runs up with the output flat out already, the
//! voltage lost in the module changes with the current alone, and gain errors of the two voltages shift all of it alike.

use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};

use super::estimate::{self, Estimate, pool, spans};
use super::signal::stats;
use super::zero;

/// Cells, seconds.
const CELL_S: f64 = 5e-3;
/// So many cells count as one point of the line: the current ripples once a turn, and what of that does not average out lies
/// across the line, as noise of the current does, and makes it flatter. Two turns of a fan.
const TURNS_CELLS: usize = 10;
/// The current must swing by this share of its end value, and by this many amperes.
const SWING: (f64, f64) = (0.1, 2.0);
/// Slow noise and warming make neighbouring points alike: so many count as one.
const ALIKE: f64 = 4.0;
/// The switch warms during the swing, and the meters' curves are not quite straight.
const MODEL_SHARE: f64 = 0.0085;
/// Share by which the resistance of a switch of silicon grows with each kelvin, and how far that differs between types: from
/// 25 to 100 °C data sheets have 1.25 to 1.4 times.
const WARMS_PER_K: (f64, f64) = (4e-3, 1e-3);
/// Fewest cells behind a line.
const LEAST: usize = 60;

/// On-resistance from all starts that show such a swing, but for the gain of the current and as it is with the
/// case at `case_c`, where that is known; `None` without a swing.
pub(crate) fn on_resistance(rec: &Recording, case_c: Option<f64>) -> Option<Estimate> {
    let found: Vec<Estimate> = spans(rec, &SpanKind::Start).iter().filter_map(|span| one(rec, span, case_c)).collect();
    pool(&found)
}

/// Currents, voltages lost and supply voltages of a start, cell by cell from the highest current on.
struct Fall {
    amps: Vec<f64>,
    lost_v: Vec<f64>,
    supply_v: Vec<f64>,
    end_a: f64,
}

impl Fall {
    fn of(rec: &Recording, span: &Span, current: Channel) -> Option<Self> {
        let cells = |channel| -> Vec<f64> {
            let to_s = span.t1_s.min(span.t0_s + 20.0);
            zero::cells(rec, channel, span.t0_s, to_s, CELL_S).into_iter().map(|(_, v)| v).collect()
        };
        let (supply, output, amps) = (cells(Channel::SupplyV), cells(Channel::OutputV), cells(current));
        let n = amps.len();
        if n < 2 * LEAST || supply.len() != n || output.len() != n {
            return None;
        }
        let end_a = stats::mean(&amps[n - 40..])?;
        let flat_out = output[n - 1] > 0.95 * supply[n - 1];
        let top = (0..n).max_by(|a, b| amps[*a].total_cmp(&amps[*b]))?;
        let lost_v = supply[top..].iter().zip(&output[top..]).map(|(s, o)| s - o).collect();
        flat_out.then(|| Self { amps: amps[top..].to_vec(), lost_v, supply_v: supply[top..].to_vec(), end_a })
    }

    fn swings_from(&self, from: usize) -> bool {
        self.amps[from] - self.end_a > (SWING.0 * self.end_a).max(SWING.1)
    }

    /// The earliest cell from which on one line explains all, with that line: before it the ramp still went on.
    fn line(&self) -> Option<(usize, stats::Line)> {
        let n = self.amps.len();
        let steps: Vec<f64> = self.lost_v.windows(2).map(|w| w[1] - w[0]).collect();
        let noise = stats::robust_sigma(&steps)? / 2.0_f64.sqrt();
        let step = (n / 300).max(1);
        (0..n.saturating_sub(LEAST)).step_by(step).take_while(|&from| self.swings_from(from)).find_map(|from| {
            let line = stats::line(&self.amps[from..], &self.lost_v[from..])?;
            let first = (n - from).min(30);
            let early =
                (from..from + first).map(|i| self.lost_v[i] - line.at(self.amps[i])).sum::<f64>() / first as f64;
            let explains = line.scatter < 1.4 * noise && early.abs() < 3.0 * line.scatter / (first as f64).sqrt();
            explains.then_some((from, line))
        })
    }
}

fn one(rec: &Recording, span: &Span, case_c: Option<f64>) -> Option<Estimate> {
    let current = if rec.channels.contains_key(&Channel::FanA) { Channel::FanA } else { Channel::SupplyA };
    let fall = Fall::of(rec, span, current)?;
    let (from, _) = fall.line()?;
    let turns =
        |cells: &[f64]| -> Option<Vec<f64>> { cells[from..].chunks_exact(TURNS_CELLS).map(stats::mean).collect() };
    let (amps, lost_v, supply_v) = (turns(&fall.amps)?, turns(&fall.lost_v)?, turns(&fall.supply_v)?);
    let line = stats::line(&amps, &lost_v)?;
    let started_c = zero::level(rec, Channel::CaseC, span.t0_s, span.t1_s).map(|case| case.value);
    let warmer_k = case_c.zip(started_c).map_or(0.0, |(case_c, started_c)| case_c - started_c);
    let ohm = (line.slope - rec.header.bench.lead_ohm) * (1.0 + WARMS_PER_K.0 * warmer_k);
    let gain_u = |channel| rec.header.bench.channels.get(&channel).map_or(0.0, |facts| facts.gain_u);
    // The supply sags with the current, so that its gain error changes the difference by a little too.
    let sag_ohm = stats::line(&amps, &supply_v)?.slope.abs();
    let dof = (amps.len() as f64 / ALIKE - 2.0).max(3.0);
    Some(Estimate::new(
        ohm,
        vec![
            estimate::seen("swing of the current", line.slope_u * ALIKE.sqrt(), dof),
            estimate::lasting("warming during the swing", MODEL_SHARE * ohm.abs()),
            estimate::lasting("warming since the swing", WARMS_PER_K.1 * warmer_k.abs() * ohm.abs()),
            estimate::common(
                "voltage gains over the sag",
                gain_u(Channel::SupplyV).hypot(gain_u(Channel::OutputV)) * sag_ohm,
            ),
        ],
    ))
}

#[cfg(test)]
mod tests {
    use super::super::synthetic::{self, Bench};
    use super::*;

    /// A start whose ramp ends after 1 s, then 34 A falling to 21 A, on 5.5 mOhm with voltages two per mille apart.
    fn start(hump_a: f64) -> Recording {
        let mut bench = Bench::new(2);
        bench.set(synthetic::at(95.0));
        let amps = move |t: f64| if t < 1.0 { 30.0 * t } else { 21.0 + hump_a * (-(t - 1.0) / 0.6).exp() };
        let supply = move |t: f64| 13.0 - 0.012 * amps(t);
        let output = move |t: f64| 0.998 * (supply(t) - 5.5e-3 * amps(t)) * t.min(1.0);
        bench.run(
            9.0,
            &[(Channel::SupplyV, &supply, 0.002), (Channel::SupplyA, &amps, 0.05), (Channel::OutputV, &output, 0.002)],
        );
        bench.span(SpanKind::Start, 0.0);
        bench.rec
    }

    #[test]
    fn gains_of_the_voltages_do_not_reach_it() {
        let found = on_resistance(&start(13.0), None).expect("a swing");
        // The output's gain of 0.998 takes two per mille of itself and of the sag.
        assert!((found.value - 5.5e-3).abs() < 1.5e-4, "{found:?}");
        assert!((found.value - 5.5e-3).powi(2) < 9.0 * found.variance(), "{found:?}");
    }

    #[test]
    fn a_ripple_of_the_current_once_a_turn_does_not_make_it_smaller() {
        let mut bench = Bench::new(3);
        bench.set(synthetic::at(95.0));
        let amps = |t: f64| if t < 1.0 { 30.0 * t } else { 21.0 + 13.0 * (-(t - 1.0) / 0.6).exp() };
        let ripple = |t: f64| if t < 1.0 { 0.0 } else { 0.35 * (std::f64::consts::TAU * 40.0 * t).cos() };
        let output = |t: f64| (13.0 - 17.5e-3 * amps(t)) * t.min(1.0);
        // The meter of the output is too slow for it.
        let (total, supply) = (|t: f64| amps(t) + ripple(t), |t: f64| 13.0 - 12e-3 * (amps(t) + ripple(t)));
        let made: [synthetic::Made<'_>; 3] =
            [(Channel::SupplyV, &supply, 0.002), (Channel::SupplyA, &total, 0.05), (Channel::OutputV, &output, 0.002)];
        bench.run(9.0, &made);
        bench.span(SpanKind::Start, 0.0);
        let found = on_resistance(&bench.rec, None).expect("a swing");
        assert!((found.value - 5.5e-3).abs() < 1.2e-4, "{found:?}");
    }

    #[test]
    fn a_swing_with_a_cool_case_is_taken_to_a_warm_one() {
        let mut rec = start(13.0);
        let cool = on_resistance(&rec, Some(42.0)).expect("a swing");
        rec.channels.entry(Channel::CaseC).or_default().push(0.005, 0.01, &[22.0_f32; 890]);
        let warm = on_resistance(&rec, Some(42.0)).expect("a swing");
        // 0.4 % for each of 20 K, and 0.1 % to either side.
        assert!((warm.value / cool.value - 1.08).abs() < 1e-6, "{cool:?} {warm:?}");
        let u = (warm.variance() / warm.value.powi(2) - cool.variance() / cool.value.powi(2)).sqrt();
        assert!((u - 0.02).abs() < 2e-3, "{u}");
    }

    #[test]
    fn without_a_swing_there_is_none() {
        assert_eq!(on_resistance(&start(0.5), None), None);
        assert_eq!(on_resistance(&Recording::default(), None), None);
    }
}
