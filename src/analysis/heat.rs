//! Heating of the case in a soak: first-order fit of case less ambient, carried on to its end.

use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};
use crate::results::{Findings, Measured, ResultName, SoakedHeat};

use super::estimate::{self, Estimate, miss_all, pool, shortfall, spans};
use super::signal::{fit, stats};
use super::zero;

const BOTH: [ResultName; 2] = [ResultName::HeatRiseK, ResultName::HeatTauS];
/// Cells that are fitted.
const CELLS: f64 = 150.0;
/// Time constants that must be seen for an extrapolation to count as measured.
const SEEN: f64 = 2.0;

/// How well a case has one time constant.
const TAU_SHARE: f64 = 0.002;

/// One soak as fitted.
struct Soak {
    duty_pct: f64,
    /// Ambient over its last tenth.
    ambient_c: f64,
    /// Supply current over its last tenth.
    supply_a: Option<f64>,
    /// Seconds held.
    held_s: f64,
    /// Case less ambient at the end.
    last_k: f64,
    last_u: f64,
    rise: Estimate,
    tau: Option<Estimate>,
    tau_s: f64,
}

impl Soak {
    fn complete(&self) -> bool {
        self.held_s >= SEEN * self.tau_s
    }
}

/// Fills in rise and time constant from the soak with the largest rise.
pub(crate) fn find(rec: &Recording, findings: &mut Findings) {
    let spans = spans(rec, &SpanKind::Soak);
    if spans.is_empty() {
        return;
    }
    if !rec.channels.contains_key(&Channel::CaseC) {
        miss_all(findings, &BOTH, "no case temperature channel");
        return;
    }
    let mut soaks: Vec<Soak> = spans.iter().filter_map(|span| one(rec, span)).collect();
    share_the_time_constant(&mut soaks);
    // A soak too short to be carried on says nothing beside one that was long enough.
    let any_whole = soaks.iter().any(Soak::complete);
    let counted: Vec<&Soak> = soaks.iter().filter(|soak| !any_whole || soak.complete()).collect();
    findings.soaks = by_duty(rec, &counted);
    let rise = |soak: &SoakedHeat| soak.rise.as_number().unwrap_or(f64::NEG_INFINITY);
    let Some(worst) = findings.soaks.iter().max_by(|a, b| rise(a).total_cmp(&rise(b))) else {
        miss_all(findings, &BOTH, &format!("the soak was too short for a fit{}", shortfall(&spans)));
        return;
    };
    findings.put(ResultName::HeatRiseK, worst.rise.clone());
    // The time constant is the case's own: from the soak that shows it best.
    let clearest = soaks
        .iter()
        .filter_map(|soak| soak.tau.as_ref().map(|tau| (soak, tau)))
        .min_by(|a, b| a.0.tau_relative_u().total_cmp(&b.0.tau_relative_u()));
    match clearest {
        Some((soak, tau)) => put_tau(soak, tau, findings),
        None => findings.miss(ResultName::HeatTauS, "the case hardly warmed: no time constant to see"),
    }
}

impl Soak {
    fn tau_relative_u(&self) -> f64 {
        let u = self
            .tau
            .as_ref()
            .map_or(f64::INFINITY, |tau| tau.measured(ResultName::HeatTauS, "", 1).u.unwrap_or(f64::INFINITY));
        if self.complete() { u / self.tau_s } else { 1e3 + u / self.tau_s }
    }
}

/// The time constant is the case's own: what the clearest soak shows says how much of it the others have seen.
fn share_the_time_constant(soaks: &mut [Soak]) {
    let doubt = |soak: &Soak| soak.tau.as_ref().map_or(f64::INFINITY, |tau| tau.variance().sqrt() / tau.value);
    let clearest = soaks.iter().min_by(|a, b| doubt(a).total_cmp(&doubt(b)));
    let Some((tau_s, u)) = clearest.filter(|soak| soak.complete()).map(|soak| (soak.tau_s, doubt(soak))) else {
        return;
    };
    for soak in soaks.iter_mut().filter(|soak| doubt(soak) > u) {
        soak.tau_s = tau_s;
    }
}

/// Time constant of the case in a soak from `begin_s` to `now_s` with its standard uncertainty, seconds; `None` where
/// there is none to see yet. For judging how long a soak has to be.
pub(crate) fn time_constant(rec: &Recording, begin_s: f64, now_s: f64) -> Option<(f64, f64)> {
    let span = Span { kind: SpanKind::Soak, stage: String::new(), t0_s: begin_s, t1_s: now_s, complete: Ok(()) };
    let tau = one(rec, &span)?.tau?;
    Some((tau.value, tau.variance().sqrt()))
}

/// The rise of the soak as a result, a bound where it was not held long enough.
fn rise_of(rec: &Recording, soak: &Soak, rise: &Estimate, n: u64) -> Measured {
    let place = if rec.channels.contains_key(&Channel::AmbientC) { "" } else { ", ambient taken from the cold case" };
    let at = format!("at {:.0} % duty, {:.0} s held{place}", soak.duty_pct, soak.held_s);
    let measured = rise.measured(ResultName::HeatRiseK, "first-order fit", n);
    if soak.complete() { measured.noted(at) } else { bound(measured, soak.last_k - 2.0 * soak.last_u, &at, soak) }
}

/// Every soaked duty by itself, repeats of one pooled.
fn by_duty(rec: &Recording, soaks: &[&Soak]) -> Vec<SoakedHeat> {
    let mut all: Vec<SoakedHeat> = Vec::new();
    for soak in soaks {
        let same = |other: &&&Soak| (other.duty_pct - soak.duty_pct).abs() < 0.5;
        if all.iter().any(|known| (known.duty_pct - soak.duty_pct).abs() < 0.5) {
            continue;
        }
        let alike = soaks.iter().filter(same).filter(|other| other.rise.parts.len() == soak.rise.parts.len());
        let rises: Vec<Estimate> = alike.map(|other| other.rise.clone()).collect();
        let Some(rise) = pool(&rises) else { continue };
        all.push(SoakedHeat {
            duty_pct: soak.duty_pct,
            supply_a: soak.supply_a,
            ambient_c: soak.ambient_c,
            rise: rise_of(rec, soak, &rise, rises.len() as u64),
        });
    }
    all
}

fn put_tau(soak: &Soak, tau: &Estimate, findings: &mut Findings) {
    let name = ResultName::HeatTauS;
    let at = format!("at {:.0} % duty, {:.0} s held", soak.duty_pct, soak.held_s);
    let measured = tau.measured(name, "first-order fit", 1);
    findings
        .put(name, if soak.complete() { measured.noted(at) } else { bound(measured, soak.held_s / SEEN, &at, soak) });
}

/// The upper end opened: less was seen than an extrapolation needs.
fn bound(mut measured: Measured, least: f64, at: &str, soak: &Soak) -> Measured {
    measured.interval = Some([Some(least.max(0.0)), None]);
    let seen = soak.held_s / soak.tau_s;
    measured.noted(format!("a bound: {seen:.1} time constants seen, {SEEN:.0} needed; {at}"))
}

fn one(rec: &Recording, span: &Span) -> Option<Soak> {
    let held_s = span.t1_s - span.t0_s;
    let width_s = (held_s / CELLS).max(0.2);
    let case = zero::cells(rec, Channel::CaseC, span.t0_s, span.t1_s, width_s);
    let (t, y): (Vec<f64>, Vec<f64>) =
        case.iter().map(|(t, case)| (t - span.t0_s, case - ambient(rec, *t, 10.0 * width_s))).unzip();
    if t.len() < 20 || held_s < 10.0 || y.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let setting = rec.setting_at(0.5 * (span.t0_s + span.t1_s));
    let duty_pct = setting.map_or(0.0, |setting| setting.duty.percent());
    let tail = t.len() - t.len() / 10 - 1;
    let last_k = stats::mean(&y[tail..])?;
    let noise = stats::robust_sigma(&y.windows(2).map(|w| w[1] - w[0]).collect::<Vec<_>>())? / 2.0_f64.sqrt();
    let common = common_u(rec, last_k);
    let first_k = stats::mean(&y[..t.len() / 10 + 1])?;
    let change = last_k - first_k;
    let end_s = span.t1_s - 0.1 * held_s;
    let ambient_c = ambient(rec, span.t1_s - 0.05 * held_s, 0.05 * held_s);
    let supply_a = zero::level(rec, Channel::SupplyA, end_s, span.t1_s).map(|level| level.value);
    let soak = |rise, tau, tau_s| Soak {
        duty_pct,
        ambient_c,
        supply_a,
        held_s,
        last_k,
        last_u: noise.hypot(common),
        rise,
        tau,
        tau_s,
    };
    if change.abs() < (6.0 * noise / (0.1 * t.len() as f64).sqrt()).max(0.3) {
        let parts = vec![estimate::seen("drift", change.abs().max(noise), 3.0), estimate::common("sensors", common)];
        return Some(soak(Estimate::new(last_k, parts), None, 0.25 * held_s));
    }
    let power = power_of_heat(rec, span);
    let heat = heat(rec, span, &t, power);
    let found = first_order(&t, &y, &heat, [last_k + 0.3 * change, first_k], held_s)?;
    let tau_s = found.params[2].exp();
    let mut model = vec![0.0; t.len()];
    warming(&t, &heat, found.params[0], found.params[1], tau_s, &mut model);
    let residuals: Vec<f64> = y.iter().zip(&model).map(|(y, m)| y - m).collect();
    let dof = stats::effective_n(&residuals);
    let wider = (residuals.len() as f64 / dof).sqrt();
    // Anywhere between a little more and a little less conduction.
    let other =
        |power: f64| first_order(&t, &y, &self::heat(rec, span, &t, power), [last_k + 0.3 * change, first_k], held_s);
    let (by_rise, by_tau) = match (other(power - POWER_HALF), other(power + POWER_HALF)) {
        (Some(low), Some(high)) => {
            let half = 12.0_f64.sqrt();
            ((low.params[0] - high.params[0]).abs() / half, (low.params[2].exp() - high.params[2].exp()).abs() / half)
        }
        _ => (0.02 * found.params[0].abs(), 0.1 * tau_s),
    };
    let rise = vec![
        estimate::seen("fit", found.u(0) * wider, dof),
        estimate::common("temperature sensors", common_u(rec, found.params[0])),
        estimate::lasting("changing heat", by_rise.hypot(0.01 * found.params[0])),
    ];
    // Sensors wander as slowly as a case warms, and a fit follows them.
    let stated_k = zero::slow_noise(rec, Channel::CaseC).hypot(zero::slow_noise(rec, Channel::AmbientC));
    let slow_k = stated_k * further_in_a_soak(held_s);
    let wandering = |half_waves: u32| {
        let height_k = slow_k * height_of_wave(half_waves, held_s);
        let off = |t: f64| height_k * (std::f64::consts::PI * f64::from(half_waves) * t / held_s).cos();
        let moved: Vec<f64> = t.iter().zip(&y).map(|(t, y)| y + off(*t)).collect();
        let found = first_order(&t, &moved, &heat, [last_k + 0.3 * change, first_k], held_s)?;
        Some((found.params[2].exp() - tau_s).powi(2))
    };
    let by_wander = WAVES.map(wandering).sum::<Option<f64>>().map_or(0.1 * tau_s, f64::sqrt);
    let by_scatter = tau_s * found.u(2);
    let tau = vec![
        estimate::seen("fit", unexplained(by_scatter, by_scatter * wider, by_wander), dof),
        estimate::lasting("slow noise of the sensors", by_wander),
        estimate::lasting("changing heat", by_tau),
        estimate::lasting("one time constant", TAU_SHARE * tau_s),
    ];
    Some(soak(Estimate::new(found.params[0], rise), Some(Estimate::new(tau_s, tau)), tau_s))
}

/// What the scatter about a fit says of a parameter beside `by_wander`: residuals hang together by slow noise as well, which
/// makes what they say (`in_all`) more than they would by themselves (`alone`), and is not to count twice.
fn unexplained(alone: f64, in_all: f64, by_wander: f64) -> f64 {
    let explained = alone.hypot(by_wander);
    if in_all > explained { (in_all.powi(2) - by_wander.powi(2)).sqrt() } else { alone }
}

/// Half waves in a soak that slow noise of the sensors is played as: quicker ones average out.
const WAVES: std::ops::RangeInclusive<u32> = 1..=4;
/// Slow noise is stated of readings at least so many seconds apart: the quickest of its waves. It is what parts two means over
/// as long that are some ten seconds apart.
const QUICKEST_S: f64 = 1.0;
const STATED_APART_S: f64 = 10.0;
const EULER: f64 = 0.577_216;

/// How much further noise that goes with 1/f wanders in a soak than between the readings that it is stated of: each octave of
/// time adds as much as any other. Half the variance of the difference of two means is the logarithm of their distance over
/// their length and three halves of its power.
fn further_in_a_soak(held_s: f64) -> f64 {
    let of_stated = (STATED_APART_S / QUICKEST_S).ln() + 1.5;
    (all_waves(held_s) / of_stated).max(1.0).sqrt()
}

/// Sum of the reciprocals of all half waves in a soak.
fn all_waves(held_s: f64) -> f64 {
    (2.0 * held_s / QUICKEST_S).ln() + EULER
}

/// Height of the cosine with so many half waves in `held_s`, as a share of the standard deviation of noise that goes with
/// 1/f: its variance is shared out over the half waves as their reciprocals, of which the sum of the first n is ln n and
/// Euler's constant.
fn height_of_wave(half_waves: u32, held_s: f64) -> f64 {
    (2.0 / (f64::from(half_waves) * all_waves(held_s))).sqrt()
}

/// Share of conduction in the heat of a module at its highest current: it grows with the square of the current, what diodes,
/// switching and the electronics add with the current itself at most.
const CONDUCTION: f64 = 0.75;
/// How far the power of the heat may lie from what follows.
const POWER_HALF: f64 = 0.25;

/// Power of the current with which the module's heat is taken to grow in this span: near a square at the highest current
/// held in the recording, less at a lower one.
fn power_of_heat(rec: &Recording, span: &Span) -> f64 {
    let held = |kind: &SpanKind| matches!(kind, SpanKind::Soak | SpanKind::FlatOut | SpanKind::Hold);
    let end_a = |span: &Span| {
        let mean = rec.mean(Channel::SupplyA, span.t1_s - 0.1 * (span.t1_s - span.t0_s), span.t1_s);
        mean.filter(|amps| *amps > 0.0)
    };
    let Some(own_a) = end_a(span) else { return 1.0 + CONDUCTION };
    let highest_a = rec.spans_where(held).filter_map(end_a).fold(own_a, f64::max);
    let conducted = CONDUCTION * own_a / highest_a;
    1.0 + conducted / (conducted + 1.0 - CONDUCTION)
}

/// Heat over its value at the end, at the times `t` from the begin of the span: the fan's copper warms too, and the
/// current falls while it does. All ones without a supply current.
fn heat(rec: &Recording, span: &Span, t: &[f64], power: f64) -> Vec<f64> {
    let width_s = (span.t1_s - span.t0_s) / 20.0;
    let level = |t_s: f64| {
        let middle_s = span.t0_s + t_s;
        rec.mean(Channel::SupplyA, middle_s - 0.5 * width_s, middle_s + 0.5 * width_s).filter(|amps| *amps > 0.2)
    };
    let Some(end) = level(span.t1_s - span.t0_s - 0.5 * width_s) else { return vec![1.0; t.len()] };
    // The start itself lies outside: a fan that runs up draws for seconds only.
    let first = width_s.max(10.0).min(0.3 * (span.t1_s - span.t0_s));
    let nodes: Vec<f64> = (0..=20)
        .map(|i| {
            let t_s = (f64::from(i) * width_s).max(first).min(span.t1_s - span.t0_s - 0.5 * width_s);
            level(t_s).map_or(1.0, |amps| (amps / end).powf(power))
        })
        .collect();
    t.iter()
        .map(|t_s| {
            let position = (t_s / width_s).clamp(0.0, 19.999);
            let low = position as usize;
            nodes[low] + (position - low as f64) * (nodes[low + 1] - nodes[low])
        })
        .collect()
}

/// Fit of final rise, first rise and logarithm of the time constant.
fn first_order(t: &[f64], y: &[f64], heat: &[f64], levels: [f64; 2], held_s: f64) -> Option<fit::Fit> {
    [0.3, 1.0]
        .into_iter()
        .filter_map(|share| {
            fit::fit(&[levels[0], levels[1], (share * held_s).ln()], t.len(), |p, r| {
                warming(t, heat, p[0], p[1], p[2].clamp(-3.0, 14.0).exp(), r);
                for (r, y) in r.iter_mut().zip(y) {
                    *r = y - *r;
                }
            })
        })
        .filter(|found| (-3.0..14.0).contains(&found.params[2]))
        .min_by(|a, b| a.rss.total_cmp(&b.rss))
}

/// Case less ambient with one time constant under a changing heat, from `first` at time 0 towards `rise` times heat.
fn warming(t: &[f64], heat: &[f64], rise: f64, first: f64, tau_s: f64, out: &mut [f64]) {
    let (mut now_s, mut value) = (0.0, first);
    for ((out, t), heat) in out.iter_mut().zip(t).zip(heat) {
        let goal = rise * heat;
        value = goal + (value - goal) * (-(t - now_s) / tau_s).exp();
        now_s = *t;
        *out = value;
    }
}

/// Ambient temperature around `t_s`; without the channel, the case in the first second of the recording.
fn ambient(rec: &Recording, t_s: f64, width_s: f64) -> f64 {
    let mean = rec.mean(Channel::AmbientC, t_s - width_s, t_s + width_s);
    mean.or_else(|| {
        let first_s = rec.channels.get(&Channel::CaseC)?.chunks().first()?.t0_s;
        rec.mean(Channel::CaseC, first_s, first_s + 1.0)
    })
    .unwrap_or(f64::NAN)
}

/// Errors of the two sensors that no averaging takes out.
fn common_u(rec: &Recording, rise_k: f64) -> f64 {
    let facts = |channel| rec.header.bench.channels.get(&channel).copied().unwrap_or_default();
    let (case, ambient) = (facts(Channel::CaseC), facts(Channel::AmbientC));
    case.offset_u.hypot(ambient.offset_u).hypot(case.gain_u * (rise_k.abs() + 20.0)).hypot(ambient.gain_u * 20.0)
}

#[cfg(test)]
mod tests {
    use super::super::synthetic::{self, Bench};
    use super::*;

    fn soak(held_s: f64, seed: u64) -> Findings {
        let mut bench = Bench::new(seed);
        bench.set(synthetic::at(60.0));
        let case = |t: f64| 22.0 + 30.0 - 27.0 * (-t / 120.0).exp();
        bench.run(held_s, &[(Channel::CaseC, &case, 0.05), (Channel::AmbientC, &|_| 22.0, 0.05)]);
        bench.span(SpanKind::Soak, 0.0);
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        findings
    }

    #[test]
    fn the_waves_of_a_soak_share_out_the_whole_variance_of_slow_noise() {
        let variance = |half_waves: u32| 0.5 * height_of_wave(half_waves, 400.0).powi(2);
        let all: f64 = (1..=800).map(variance).sum();
        assert!((all - 1.0).abs() < 1e-3, "{all}");
    }

    #[test]
    fn slow_noise_wanders_further_in_a_soak_than_in_the_seconds_it_is_stated_of() {
        // As many octaves as lie between: (ln 800 + 0.577) over (ln 10 + 1.5).
        assert!((further_in_a_soak(400.0) - 1.3819).abs() < 1e-3, "{}", further_in_a_soak(400.0));
        let with_noise = |noise: f64| {
            let mut bench = Bench::new(1);
            for channel in [Channel::CaseC, Channel::AmbientC] {
                let facts = crate::record::event::ChannelFacts { noise, ..Default::default() };
                bench.rec.header.bench.channels.insert(channel, facts);
            }
            let case = |t: f64| 22.0 + 20.0 - 17.0 * (-t / 120.0).exp();
            bench.run(400.0, &[(Channel::CaseC, &case, 0.02), (Channel::AmbientC, &|_| 22.0, 0.02)]);
            bench.span(SpanKind::Soak, 0.0);
            time_constant(&bench.rec, 0.0, 400.0).expect("it warms").1
        };
        let (quiet, noisy) = (with_noise(0.0), with_noise(0.5));
        let by_wander = (noisy * noisy - quiet * quiet).sqrt();
        assert!((1.9..2.2).contains(&by_wander), "{by_wander}");
    }

    #[test]
    fn residuals_that_hang_together_by_slow_noise_widen_nothing_twice() {
        assert!((unexplained(0.3, 0.6, 1.0) - 0.3).abs() < 1e-12, "the noise explains it");
        // 1.3 in all, of which slow noise makes 0.5.
        assert!((unexplained(0.3, 1.3, 0.5) - 1.2).abs() < 1e-12, "a misfit is left");
        assert!((unexplained(0.3, 1.3, 0.0) - 1.3).abs() < 1e-12, "no slow noise is stated");
    }

    #[test]
    fn heat_grows_nearly_with_the_square_of_the_highest_current_and_slower_with_a_lower_one() {
        let mut bench = Bench::new(4);
        let mut soak = |amps: f64| {
            let t0_s = bench.t_s;
            bench.run(50.0, &[(Channel::SupplyA, &|_| amps, 0.01)]);
            bench.span(SpanKind::Soak, t0_s);
        };
        soak(4.0);
        soak(20.0);
        let power = |i: usize| power_of_heat(&bench.rec, &bench.rec.spans[i]);
        assert!((power(1) - 1.75).abs() < 0.01 && (power(0) - 1.375).abs() < 0.01, "{} {}", power(0), power(1));
    }

    #[test]
    fn two_time_constants_are_enough_to_extrapolate() {
        let found = soak(300.0, 1);
        let rise = found.results.get(&ResultName::HeatRiseK).expect("measured");
        assert!((rise.as_number().expect("a number") - 30.0).abs() < 0.3 && !rise.is_bound(), "{rise:?}");
        let tau = found.results.get(&ResultName::HeatTauS).expect("measured");
        assert!((tau.as_number().expect("a number") - 120.0).abs() < 4.0 && !tau.is_bound(), "{tau:?}");
    }

    #[test]
    fn a_current_that_falls_while_the_fan_warms_does_not_shorten_the_time_constant() {
        let mut bench = Bench::new(3);
        bench.set(synthetic::at(85.0));
        // Heat of 0.85 + 0.15 exp(-t / 300) on a case of 150 s and 25 K: closed form of the linear equation.
        let case = |t: f64| {
            let part = 25.0 * 0.15 * 300.0 / (300.0 - 150.0);
            22.0 + 25.0 * 0.85 * (1.0 - (-t / 150.0).exp()) + part * ((-t / 300.0).exp() - (-t / 150.0).exp())
        };
        let amps = |t: f64| 20.0 * (0.85 + 0.15 * (-t / 300.0).exp()).powf(1.0 / 1.5);
        let ambient: &dyn Fn(f64) -> f64 = &|_| 22.0;
        bench.run(
            400.0,
            &[(Channel::SupplyA, &amps, 0.05), (Channel::CaseC, &case, 0.05), (Channel::AmbientC, ambient, 0.05)],
        );
        bench.span(SpanKind::Soak, 0.0);
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        let tau = findings.results.get(&ResultName::HeatTauS).expect("measured");
        assert!((tau.as_number().expect("a number") - 150.0).abs() < 6.0, "{tau:?}");
    }

    #[test]
    fn less_is_marked_as_a_bound() {
        let found = soak(120.0, 2);
        let rise = found.results.get(&ResultName::HeatRiseK).expect("a bound");
        assert!(
            rise.is_bound() && rise.interval.is_some_and(|[low, _]| low.is_some_and(|low| low > 15.0 && low < 30.0))
        );
        assert!(found.results.get(&ResultName::HeatTauS).is_some_and(Measured::is_bound));
    }

    #[test]
    fn without_case_temperature_it_is_absent() {
        let mut bench = Bench::new(1);
        bench.run(100.0, &[(Channel::SupplyV, &|_| 13.0, 0.05)]);
        bench.span(SpanKind::Soak, 0.0);
        let mut findings = Findings::default();
        find(&bench.rec, &mut findings);
        assert_eq!(
            findings.absent.get(&ResultName::HeatRiseK).map(String::as_str),
            Some("no case temperature channel")
        );
    }
}
