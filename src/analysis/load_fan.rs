//! The load fan in its own terms (constants of back-EMF, inertia and load, copper temperature), from the motor fitted to
//! a start and the speed at its end: what belongs to the bench and not to the unit.

use std::f64::consts::TAU;

use crate::bench::Channel;
use crate::record::event::{BenchFacts, SpanKind};
use crate::record::recording::{Recording, Span};
use crate::results::{Fitted, LoadFan, StartsCompared};

use super::motor_fit::{HardStart, MotorFit};
use super::{speed, zero};

/// Change of the resistance of copper per kelvin, from 20 degrees on.
const COPPER_PER_K: f64 = 3.93e-3;
/// End of a start over which its speed is read, seconds; and of a hold, over which all is read.
const END_S: f64 = 0.5;
const HOLD_END_S: f64 = 5.0;
/// What the fitted model leaves out (brush drop, viscous friction, switching losses), as a share of resistance, inertia
/// and load.
const MODEL_SHARE: (f64, f64, f64) = (0.01, 0.02, 0.04);
/// Resistance beyond this many times the stated one, with two standard uncertainties to spare, is another fan or a worn
/// one: brushes, cables and the warmth of the day explain less.
pub(crate) const SAME_FAN: f64 = 1.08;

/// The fan of the start in `span`, whose current peaked at `peak_a`.
pub(crate) fn identify(rec: &Recording, fit: &MotorFit, span: &Span, peak_a: f64, hard: &HardStart) -> LoadFan {
    let ohm = Fitted { value: fit.resistance_ohm, u: fit.resistance_u.hypot(MODEL_SHARE.0 * fit.resistance_ohm) };
    let end_s = span.t1_s.min(span.t0_s + 15.0);
    let spin = speed::mean_speed(rec, end_s - END_S, end_s).filter(|reading| reading.rpm > 10.0 * reading.u_rpm);
    let ke = spin.map(|reading| {
        let (rad_s, u_rad_s) = (reading.rpm * TAU / 60.0, reading.u_rpm * TAU / 60.0);
        let gain_u = rec.header.bench.channels.get(&Channel::OutputV).map_or(0.0, |facts| facts.gain_u);
        let u_v = (ohm.u * fit.end_a).hypot(gain_u * (fit.end_v + fit.end_a * ohm.value));
        let value = fit.end_v / rad_s;
        Fitted { value, u: value * (u_v / fit.end_v).hypot(u_rad_s / rad_s) }
    });
    // Inertia is that in volts times the square of the constant, load that in volts times its cube.
    let powered = |ke: Fitted, power: i32, factor: f64, share_u: f64, model: f64| {
        let value = factor * ke.value.powi(power);
        Fitted { value, u: value * share_u.hypot(model).hypot(f64::from(power) * ke.u / ke.value) }
    };
    LoadFan {
        resistance_ohm: ohm,
        ke_v_s: ke,
        inertia_kg_m2: ke.map(|ke| powered(ke, 2, fit.inertia, fit.inertia_share_u, MODEL_SHARE.1)),
        air_nm_s2: ke.map(|ke| powered(ke, 3, fit.load, fit.load_share_u, MODEL_SHARE.2)),
        copper_c: ke.and_then(|ke| copper(rec, fit, ohm, ke)),
        starts: Some(StartsCompared {
            soft_peak_a: peak_a,
            hard_peak_a: Fitted { value: hard.peak_a, u: hard.u() },
            soft_sag_v: fit.source_ohm * peak_a,
            hard_sag_v: fit.source_ohm * hard.peak_a,
            soft_heat_j: fit.heat_j,
            hard_heat_j: hard.heat_j,
        }),
        judgement: judgement(rec, ohm),
    }
}

/// Resistance by which the fan of the rig file would draw its locked-rotor current, ohms: what stands in that circuit
/// besides the rig's own source.
pub(crate) fn stated_ohm(bench: &BenchFacts) -> Option<f64> {
    Some(bench.supply_v? / bench.locked_rotor_a? - bench.supply_ohm?).filter(|ohm| *ohm > 0.0)
}

/// Least and most that the fitted resistance is of the stated one, two standard uncertainties to either side.
pub(crate) fn of_stated(ohm: Fitted, stated_ohm: f64) -> (f64, f64) {
    ((ohm.value - 2.0 * ohm.u) / stated_ohm, (ohm.value + 2.0 * ohm.u) / stated_ohm)
}

/// Copper temperature at the end of the last soak: its resistance there, by the constant found cold, against that of the
/// first start, when the copper was as warm as the air.
fn copper(rec: &Recording, fit: &MotorFit, cold: Fitted, ke: Fitted) -> Option<Fitted> {
    let span = rec.spans_where(|kind| matches!(kind, SpanKind::Soak)).last()?;
    let (from_s, to_s) = ((span.t1_s - HOLD_END_S).max(span.t0_s), span.t1_s);
    let mean = |channel| zero::level(rec, channel, from_s, to_s).map(|level| level.value);
    let (supply_v, output_v, supply_a) = (mean(Channel::SupplyV)?, mean(Channel::OutputV)?, mean(Channel::SupplyA)?);
    let air_c = rec.mean(Channel::AmbientC, span.t0_s - 1.0, span.t0_s + 1.0).or_else(|| mean(Channel::AmbientC))?;
    let rad_s = speed::mean_speed(rec, from_s, to_s)?.rpm * TAU / 60.0;
    let ratio = output_v / supply_v.max(1.0);
    let amps = mean(Channel::FanA).unwrap_or_else(|| {
        // The supply carries the fan's current while the switch is on.
        let carried = |share: f64| fit.switched_on(ratio, supply_a / share.max(0.05), supply_v).clamp(0.05, 1.0);
        let share = (0..4).fold(ratio, |share: f64, _| carried(share));
        supply_a / share
    });
    if amps < 1.0 {
        return None;
    }
    // The constant was found with the cold resistance: an error of that comes back in it, and cancels in the ratio but for
    // the difference of the two currents over speed.
    let hot_ohm = (output_v - ke.value * rad_s) / amps;
    let end_rad_s = fit.end_v / ke.value;
    let carried = fit.end_a * rad_s / (end_rad_s * amps);
    let by_cold = (carried - hot_ohm / cold.value) * cold.u / cold.value;
    // Gains are shared by both readings; the meters' curves, the switching loss and the start's own warmth are not.
    let by_reading = (5e-4 * output_v / amps).hypot(5e-3 * hot_ohm) / cold.value;
    let kelvin = (1.0 + COPPER_PER_K * (air_c - 20.0)) / COPPER_PER_K;
    Some(Fitted {
        value: air_c + (hot_ohm / cold.value - 1.0) * kelvin,
        u: (by_cold * kelvin).hypot(by_reading * kelvin).hypot(2.0),
    })
}

/// Whether this is the fan of the rig file, by the rule behind the sign of a worn fan.
fn judgement(rec: &Recording, ohm: Fitted) -> Option<String> {
    let stated_ohm = stated_ohm(&rec.header.bench)?;
    let (least, most) = of_stated(ohm, stated_ohm);
    let (stated, found) = (1e3 * stated_ohm, 1e3 * ohm.value);
    Some(if least <= SAME_FAN && most >= 1.0 / SAME_FAN {
        format!(
            "the bench fan is as the rig file says ({found:.0} mOhm for {stated:.0} mOhm): a slow fan is the module's doing"
        )
    } else if least > SAME_FAN {
        format!(
            "the bench fan has {found:.0} mOhm for {stated:.0} mOhm by the rig file: worn brushes, a bad joint or another fan; it would slow with any module"
        )
    } else {
        format!(
            "the bench fan has {found:.0} mOhm for {stated:.0} mOhm by the rig file: another fan, or shorted turns; it draws more with any module"
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::motor_fit;

    /// A linear start of a fan with these constants behind 20 mOhm, with its tach at two pulses per revolution.
    fn start(ohm: f64, ke: f64, inertia: f64) -> Recording {
        let (mut w, mut amps, mut turns) = (0.0_f64, 0.0_f64, 0.0_f64);
        let air = ke * 15.0 / (300.0 * 300.0);
        let dt = 1e-4;
        let (mut supplies, mut currents, mut outputs, mut edges) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        for step in 0..80_000 {
            let share = (f64::from(step) * dt / 2.0).min(1.0);
            let supply = 13.0 - 0.02 * share * amps;
            amps += dt / 2e-4 * (share * supply - ke * w - ohm * amps) / (1.0 + dt * ohm / 2e-4);
            w = (w + dt / inertia * (ke * amps - 0.03 - air * w * w)).max(0.0);
            let before = (2.0 * turns).floor();
            turns += w * dt / TAU;
            if (2.0 * turns).floor() > before {
                edges.push(f64::from(step) * dt);
            }
            if step % 5 == 0 {
                supplies.push(supply as f32);
                currents.push((share * amps) as f32);
                outputs.push((share * supply) as f32);
            }
        }
        let mut rec = Recording::default();
        for (channel, values) in
            [(Channel::SupplyV, supplies), (Channel::SupplyA, currents), (Channel::OutputV, outputs)]
        {
            rec.channels.entry(channel).or_default().push(2.5e-4, 5e-4, &values);
        }
        rec.tach_s = Some(edges);
        rec.header.bench.pulses_per_rev = Some(2.0);
        rec.header.bench.supply_v = Some(13.0);
        // By its plate: 150 mOhm behind the supply's 20.
        rec.header.bench.locked_rotor_a = Some(13.0 / 0.17);
        rec.header.bench.supply_ohm = Some(0.02);
        rec.end_s = 8.0;
        rec
    }

    fn identified(rec: &Recording) -> LoadFan {
        let fit = motor_fit::fit_start(rec, 0.0, 8.0, None).expect("a fit");
        let span = Span { kind: SpanKind::Start, stage: String::new(), t0_s: 0.0, t1_s: 8.0, complete: Ok(()) };
        identify(rec, &fit, &span, 30.0, &fit.hard_start(1.0))
    }

    #[test]
    fn constants_come_out_within_their_uncertainty() {
        let fan = identified(&start(0.15, 0.035, 0.008));
        for (what, found, truth) in [
            ("resistance", Some(fan.resistance_ohm), 0.15),
            ("constant", fan.ke_v_s, 0.035),
            ("inertia", fan.inertia_kg_m2, 0.008),
            ("air", fan.air_nm_s2, 0.035 * 15.0 / 90_000.0),
        ] {
            let found = found.unwrap_or_else(|| panic!("no {what}"));
            assert!((found.value - truth).abs() < 2.5 * found.u, "{what}: {found:?} for {truth}");
            assert!(found.u < 0.15 * truth, "{what}: {found:?}");
        }
        assert!(fan.judgement.is_some_and(|words| words.contains("the module's doing")));
        let starts = fan.starts.expect("compared");
        assert!(starts.hard_sag_v > starts.soft_sag_v && starts.soft_heat_j > 0.0 && starts.hard_heat_j > 0.0);
    }

    #[test]
    fn a_worn_fan_is_told_from_a_weak_module() {
        let fan = identified(&start(0.21, 0.035, 0.008));
        assert!(fan.judgement.as_deref().is_some_and(|words| words.contains("with any module")), "{fan:?}");
    }
}
