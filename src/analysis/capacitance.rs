//! Input capacitance from the time constant with which it charges through the rig's first-power resistor.

use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};
use crate::results::{Findings, ResultName};

use super::command;
use super::estimate::{self, Estimate, pool, shortfall, spans};
use super::signal::{fit, stats};
use super::zero;

/// Part of the charge that is fitted, as shares of the final voltage: above the meter's zero, below where controllers
/// wake up and draw.
const FITTED: (f64, f64) = (0.02, 0.48);
/// What a leak inside the module may take from the charging current unseen, as a share of the result.
const LEAK_SHARE: f64 = 0.004;

/// Fills in the capacitance.
pub(crate) fn find(rec: &Recording, findings: &mut Findings) {
    let name = ResultName::CapacitanceF;
    let spans = spans(rec, &SpanKind::PreCharge);
    if spans.is_empty() {
        return;
    }
    let Some((ohm, ohm_u)) = rec.header.bench.pre_charge_ohm else {
        findings.miss(name, "the rig applies its first power without a known series resistance");
        return;
    };
    if !rec.channels.contains_key(&Channel::SupplyV) {
        findings.miss(name, "no supply voltage was recorded");
        return;
    }
    let read: Vec<Result<Estimate, String>> = spans.iter().map(|span| one(rec, span, ohm, ohm_u)).collect();
    let good: Vec<Estimate> = read.iter().filter_map(|r| r.as_ref().ok().cloned()).collect();
    match pool(&good) {
        Some(farads) => {
            let note = format!("charged through {ohm:.1} Ohm");
            findings.put(name, farads.measured(name, "time constant", good.len() as u64).noted(note));
        }
        None => {
            let why = read.into_iter().find_map(Result::err).unwrap_or_default();
            findings.miss(name, format!("{why}{}", shortfall(&spans)));
        }
    }
}

/// Capacitance by one charge.
pub(crate) fn one(rec: &Recording, span: &Span, ohm: f64, ohm_u: f64) -> Result<Estimate, String> {
    let (edge_s, ..) = command::first_change(rec, span).ok_or("the supply did not come on in the recorded stretch")?;
    let final_v = final_voltage(rec, span, ohm).ok_or("the input did not charge within the recorded stretch")?;
    let (t, v) = rise(rec, span, edge_s, final_v);
    if t.len() < 20 {
        let t_s = 1e3 * t.len() as f64 * 5e-5;
        return Err(format!("the charge is over within {t_s:.1} ms as sampled, too fast to be fitted"));
    }
    let length_s = t[t.len() - 1] - t[0];
    let tau = length_s / 0.6;
    let found = fit::fit(&[t[0] - edge_s, tau], t.len(), |p, r| {
        for ((r, t), v) in r.iter_mut().zip(&t).zip(&v) {
            *r = v - final_v * (1.0 - (-(t - edge_s - p[0]) / p[1]).exp());
        }
    })
    .ok_or("the charge does not follow one time constant")?;
    let tau_s = found.params[1];
    if !(tau_s > 0.0 && found.u(1) < 0.2 * tau_s) {
        return Err("the charge does not follow one time constant".to_owned());
    }
    let farads = tau_s / ohm;
    let inside = residual_correlation(&found, &t, &v, edge_s, final_v);
    let final_u = zero::offset(rec, Channel::SupplyV, edge_s).map_or(0.01, |(_, u)| u).max(0.002 * final_v);
    // The initial slope is final voltage over time constant.
    let parts = vec![
        estimate::common("series resistance", farads * ohm_u / ohm),
        estimate::seen("fit", found.u(1) / ohm * inside, found.dof as f64),
        estimate::lasting("final voltage", farads * final_u / final_v),
        estimate::lasting("leak and waking of the module", farads * LEAK_SHARE),
        estimate::clock(rec, farads),
    ];
    Ok(Estimate::new(farads, parts))
}

/// Voltage towards which the input charges: that at the end with what the series resistor drops there added.
fn final_voltage(rec: &Recording, span: &Span, ohm: f64) -> Option<f64> {
    let from_s = span.t1_s - (0.05_f64).min(0.25 * (span.t1_s - span.t0_s));
    let end = zero::level(rec, Channel::SupplyV, from_s, span.t1_s)?.value;
    let drawn = zero::level(rec, Channel::SupplyA, from_s, span.t1_s).map_or(0.0, |level| level.value.max(0.0));
    let volts = end + ohm * drawn;
    let stated = rec.header.bench.supply_v.unwrap_or(volts);
    (end > 1.0 && volts > 0.5 * stated && volts < 1.3 * stated).then_some(volts)
}

/// Samples of the first passage through the fitted part.
fn rise(rec: &Recording, span: &Span, edge_s: f64, final_v: f64) -> (Vec<f64>, Vec<f64>) {
    let zero_v = zero::offset(rec, Channel::SupplyV, edge_s).map_or(0.0, |(zero, _)| zero);
    let Some(series) = rec.channels.get(&Channel::SupplyV) else { return (Vec::new(), Vec::new()) };
    let all = series.samples(edge_s, span.t1_s).map(|(t, v)| (t, v - zero_v));
    let inside = all
        .skip_while(|(_, v)| *v < FITTED.0 * final_v)
        .take_while(|(_, v)| *v < FITTED.1 * final_v)
        .collect::<Vec<_>>();
    // Enough is enough: every second, third, ... sample of a slow charge.
    let step = inside.len().div_ceil(2000).max(1);
    inside.into_iter().step_by(step).unzip()
}

/// By how much correlated residuals (steps of the converter, slow noise) widen the fit's own uncertainty.
fn residual_correlation(found: &fit::Fit, t: &[f64], v: &[f64], edge_s: f64, final_v: f64) -> f64 {
    let residuals: Vec<f64> = t
        .iter()
        .zip(v)
        .map(|(t, v)| v - final_v * (1.0 - (-(t - edge_s - found.params[0]) / found.params[1]).exp()))
        .collect();
    (residuals.len() as f64 / stats::effective_n(&residuals)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::super::signal::stats::tests::noise;
    use super::super::synthetic;
    use super::*;
    use crate::bench::{Setting, Supply};

    /// A charge of `farads` through 22 Ohm at 20 kS/s, the controller waking at 7 V and drawing 14 mA.
    fn charge(farads: f64, seed: u64) -> Findings {
        let mut rec = Recording::default();
        rec.header.bench.pre_charge_ohm = Some((22.0, 0.22));
        rec.header.bench.supply_v = Some(13.0);
        rec.settings.push((0.0, Setting::SAFE));
        rec.settings.push((0.04, Setting { supply: Supply::Gentle, ..synthetic::at(0.0) }));
        let e = noise(seed, 20_000, 0.016);
        let (mut v, mut volts, mut amps) = (0.0_f64, Vec::new(), Vec::new());
        for (i, e) in e.iter().enumerate() {
            let draws = v / 2200.0 + if v > 7.0 { 0.014 } else { 0.0 };
            let current = if i >= 800 { (13.0 - v) / 22.0 } else { 0.0 };
            v += 5e-5 / farads * (current - draws);
            volts.push((v + e) as f32);
            amps.push(current as f32);
        }
        rec.channels.entry(Channel::SupplyV).or_default().push(2.5e-5, 5e-5, &volts);
        rec.channels.entry(Channel::SupplyA).or_default().push(2.5e-5, 5e-5, &amps);
        rec.end_s = 1.0;
        rec.spans.push(Span {
            kind: SpanKind::PreCharge,
            stage: "first_power".to_owned(),
            t0_s: 0.0,
            t1_s: 1.0,
            complete: Ok(()),
        });
        let mut findings = Findings::default();
        find(&rec, &mut findings);
        findings
    }

    #[test]
    fn capacitances_from_dried_to_fresh_come_out_within_a_percent() {
        for (seed, farads) in [4e-4, 1.5e-3, 3.3e-3, 4.7e-3].into_iter().enumerate() {
            let found = charge(farads, seed as u64);
            let measured = found.results.get(&ResultName::CapacitanceF).unwrap_or_else(|| panic!("{:?}", found.absent));
            let value = measured.as_number().expect("a number");
            assert!((value / farads - 1.0).abs() < 0.01, "{measured:?} for {farads}");
            assert!((value - farads).abs() < 2.0 * measured.u.expect("a number"), "{measured:?} for {farads}");
        }
    }

    #[test]
    fn without_a_known_resistance_there_is_none() {
        let mut rec = Recording::default();
        let span = Span { kind: SpanKind::PreCharge, stage: String::new(), t0_s: 0.0, t1_s: 1.0, complete: Ok(()) };
        rec.spans.push(span);
        let mut findings = Findings::default();
        find(&rec, &mut findings);
        assert!(findings.absent.get(&ResultName::CapacitanceF).is_some_and(|why| why.contains("series resistance")));
    }
}
