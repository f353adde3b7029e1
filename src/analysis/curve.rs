//! The curve of settled points, the settled speed of the last constant stretch, and the command frequency used.

use crate::analysis::level::{self, Reading, Witness};
use crate::analysis::signal::{fit, stats};
use crate::analysis::speed::{self, Motion};
use crate::bench::Channel;
use crate::record::event::{Event, SpanKind};
use crate::record::recording::{Recording, Span};
use crate::results::{Contribution, CurvePoint, Findings, Measured, ResultName};
use crate::units::significant;

/// Exponent of speed over voltage of a fan with square-law load when the curve does not show it: between 1 (friction
/// alone) and 0.5 (load alone).
const USUAL_EXPONENT: f64 = 0.75;
/// Creep over the stretch, as a share of the speed, above which it is said to creep.
const CREEP: f64 = 0.01;
/// A commanded stretch that lasts so long, read in so many cells, is read at its end: warming copper slows the fan for minutes.
const LONG_S: f64 = 30.0;
const LONG_CELLS: usize = 30;
/// Points of duty on either side from which the slope of the speed is taken.
const BESIDE_PCT: f64 = 10.0;
/// A duty is on one side of the knee that lies so many standard uncertainties away.
const CLEAR: f64 = 2.0;

/// Finds the curve and `command_hz`.
pub(crate) fn find(rec: &Recording, findings: &mut Findings) {
    let witness = Witness::of(rec);
    for span in rec.spans_where(|kind| matches!(kind, SpanKind::Point { .. } | SpanKind::OutputPoint { .. })) {
        findings.curve.extend(point(rec, witness, span));
    }
    to_reference(rec, &mut findings.curve);
    command_hz(rec, findings);
}

fn point(rec: &Recording, witness: Option<Witness>, span: &Span) -> Option<CurvePoint> {
    let (direction, witness) = match span.kind {
        SpanKind::Point { direction } => (direction, witness),
        SpanKind::OutputPoint { direction } => (direction, None),
        _ => return None,
    };
    let setting = rec.setting_at(0.5 * (span.t0_s + span.t1_s))?;
    let level = |channel| level::settled(rec, channel, span.t0_s, span.t1_s).map(|r| r.value);
    let speed = witness.and_then(|w| level::settled_speed(rec, w, span.t0_s, span.t1_s));
    Some(CurvePoint {
        // A millionth of a point is far below what any bench commands; it keeps 15 from reading 15.000000000000002.
        duty_pct: (level::commanded_pct(&setting) * 1e6).round() / 1e6,
        direction,
        speed_rpm: speed.map(|s| s.value),
        u_rpm: speed.map(|s| s.u).filter(|u| u.is_finite()),
        supply_a: level(Channel::SupplyA),
        output_v: level(Channel::OutputV),
        supply_v: level(Channel::SupplyV),
        speed_ref_rpm: None,
    })
}

/// Adds the speed that each point would have at the reference voltage: w (V_ref / V)^e, with e the local slope of
/// ln w over ln V_out along the curve where output voltage is there.
fn to_reference(rec: &Recording, curve: &mut [CurvePoint]) {
    let Some(reference_v) = rec.header.plan_facts.reference_v else { return };
    let pairs: Vec<(f64, f64)> = curve
        .iter()
        .filter_map(|p| p.output_v.zip(p.speed_rpm))
        .filter(|(v, w)| *v > 0.0 && *w > 0.0)
        .map(|(v, w)| (v.ln(), w.ln()))
        .collect();
    for point in curve {
        let (Some(speed), Some(supply)) = (point.speed_rpm, point.supply_v.filter(|v| *v > 0.0)) else { continue };
        let exponent = point.output_v.filter(|v| *v > 0.0).and_then(|v| local_slope(&pairs, v.ln()));
        let exponent = exponent.unwrap_or(USUAL_EXPONENT);
        point.speed_ref_rpm = Some(speed * (reference_v / supply).powf(exponent));
    }
}

/// Slope of `pairs` within a factor of 1.5 of `at` (logarithms); `None` where too few points tell.
fn local_slope(pairs: &[(f64, f64)], at: f64) -> Option<f64> {
    let near: Vec<&(f64, f64)> = pairs.iter().filter(|(v, _)| (v - at).abs() < 0.4).collect();
    let (x, y): (Vec<f64>, Vec<f64>) = near.into_iter().copied().unzip();
    let spread = x.iter().copied().fold(f64::NEG_INFINITY, f64::max) - x.iter().copied().fold(f64::INFINITY, f64::min);
    let line = stats::line(&x, &y).filter(|_| x.len() >= 4 && spread > 0.2)?;
    Some(line.slope.clamp(0.3, 1.5))
}

/// Finds `speed_rpm` in the last stretch of constant command in which the fan turned. Where the unit is flat out must be
/// known by then.
pub(crate) fn speed_rpm(rec: &Recording, findings: &mut Findings) {
    let name = ResultName::SpeedRpm;
    let Some(witness) = Witness::of(rec) else {
        return findings.miss(name, "no tach, speed or current recorded; output voltage alone is no proof of turning");
    };
    let constant =
        |kind: &SpanKind| matches!(kind, SpanKind::Hold | SpanKind::Soak | SpanKind::FlatOut | SpanKind::Point { .. });
    let mut spans: Vec<&Span> = rec.spans_where(constant).collect();
    spans.sort_by(|a, b| b.t1_s.total_cmp(&a.t1_s));
    if spans.is_empty() {
        return findings.miss(name, "no constant stretch");
    }
    let turning = spans.iter().find(|s| witness.motion(rec, s.t0_s, s.t1_s) != Motion::Rest);
    let Some(span) = turning else {
        return findings.miss(name, "the fan stands in every constant stretch");
    };
    match constant_speed(rec, witness, span) {
        Some(steady) => {
            let measured = measured_speed(rec, span, &steady, findings);
            findings.put(name, measured);
        }
        None => findings.miss(name, no_speed_reason(rec, span)),
    }
}

fn no_speed_reason(rec: &Recording, span: &Span) -> String {
    match speed::commutation(rec, span.t0_s, span.t1_s).map(|line| line.hz) {
        Some(hz) => format!(
            "ripples per revolution are not known; the ripple is at {} Hz (give --commutator-bars and --brushes)",
            significant(hz, 5)
        ),
        None => "neither tach nor ripple gives a speed in the last constant stretch".to_owned(),
    }
}

/// A speed over a constant stretch with what it did meanwhile.
struct Steady {
    speed: Reading,
    from_s: f64,
    creep_per_s: f64,
    creeps: bool,
    method: String,
    n: u64,
}

fn constant_speed(rec: &Recording, witness: Witness, span: &Span) -> Option<Steady> {
    let half_s = 0.5 * (span.t1_s - span.t0_s);
    let bare = rec.settings.is_empty();
    // Without a command the stretch was chosen for being constant; with one its begin is a transient.
    let from_s = if bare || half_s < 0.5 { span.t0_s } else { span.t0_s + half_s };
    let (track, speed, method) = match witness {
        Witness::Column { .. } => {
            let (a, b) = level::tail(from_s, span.t1_s, |_, _| false);
            let samples: Vec<(f64, f64)> =
                rec.channels.get(&Channel::SpeedRpm)?.samples(a, b).map(|(t, v)| (t, v.abs())).collect();
            (samples, level::reading(rec, Channel::SpeedRpm, a, b)?, "speed column".to_owned())
        }
        Witness::Tach | Witness::Kernel => {
            let reading = speed::mean_speed(rec, from_s, span.t1_s)?;
            let spacing_s = ((span.t1_s - from_s) / 40.0).max(0.05);
            let track = speed::speed_track(rec, from_s, span.t1_s, spacing_s);
            let speed = Reading { value: reading.rpm, u: reading.u_rpm };
            (track, speed, reading.source.word().to_owned())
        }
    };
    let (times, values): (Vec<f64>, Vec<f64>) = track.into_iter().unzip();
    if !bare && let Some((at_end, creep_per_s)) = carried_to_end(&times, &values, span.t1_s) {
        let speed = at_end;
        let creeps = creep_per_s.abs() * (span.t1_s - from_s) > CREEP * speed.value;
        let method = format!("{method}, carried to the end of the stretch");
        return Some(Steady { speed, from_s: span.t1_s, creep_per_s, creeps, method, n: values.len() as u64 });
    }
    let line = stats::line(&times, &values);
    let (creep_per_s, creep_u) = line.map_or((0.0, 0.0), |l| (l.slope, l.slope_u));
    let change = (creep_per_s.abs() - 2.0 * creep_u).max(0.0) * (span.t1_s - from_s);
    let speed = Reading { value: speed.value.abs(), u: speed.u };
    let n = values.len().max(1) as u64;
    Some(Steady { speed, from_s, creep_per_s, creeps: change > CREEP * speed.value, method, n })
}

/// Value at the end of a slowly bending track, with the slope there in units per second; `None` of a short one.
///
/// A parabola by the first three Legendre polynomials, orthogonal over evenly spaced cells: at the end each is 1 and
/// their variances are 1, 3 and 5 times that of the mean. The scatter around it holds jitter and gusts alike.
fn carried_to_end(times: &[f64], values: &[f64], end_s: f64) -> Option<(Reading, f64)> {
    let (first, last) = (*times.first()?, *times.last()?);
    if times.len() < LONG_CELLS || last - first < LONG_S {
        return None;
    }
    let half_s = 0.5 * (last - first);
    let place = |t: f64| (t - first) / half_s - 1.0;
    let one = vec![1.0; times.len()];
    let slope: Vec<f64> = times.iter().map(|t| place(*t)).collect();
    let bend: Vec<f64> = slope.iter().map(|x| 1.5 * x * x - 0.5).collect();
    let (terms, _) = fit::linear(&[&one, &slope, &bend], values)?;
    let at = |x: f64| terms[0] + terms[1] * x + terms[2] * (1.5 * x * x - 0.5);
    let left: Vec<f64> = slope.iter().zip(values).map(|(x, v)| v - at(*x)).collect();
    let n = stats::effective_n(&left).min(times.len() as f64 - 3.0);
    let scatter = stats::deviation(&left)?;
    let x = place(end_s);
    let creep_per_s = (terms[1] + 3.0 * terms[2] * x) / half_s;
    Some((Reading { value: at(x).abs(), u: scatter * (9.0 / n).sqrt() }, creep_per_s))
}

fn measured_speed(rec: &Recording, span: &Span, steady: &Steady, findings: &Findings) -> Measured {
    let clock = rec.header.bench.clock_u * steady.speed.value;
    let creep = steady.creep_per_s.abs() * (span.t1_s - steady.from_s) / 12.0_f64.sqrt();
    let budget = vec![
        Contribution::random("scatter of the mean", if steady.speed.u.is_finite() { steady.speed.u } else { 0.0 }),
        Contribution::common("creep over the stretch", creep),
        Contribution::common("sampling clock", clock),
        Contribution::common("duty realised at the pin", duty_part(rec, span, steady.speed.value, findings)),
    ];
    let mut notes = Vec::new();
    if let Some(setting) = rec.setting_at(0.5 * (span.t0_s + span.t1_s)) {
        notes.push(format!("at {} %", significant(level::commanded_pct(&setting), 4)));
    }
    if let Some(supply) = level::settled(rec, Channel::SupplyV, span.t0_s, span.t1_s) {
        notes.push(format!("supply {} V", significant(supply.value, 4)));
    }
    if steady.creeps {
        notes.push(format!("not settled: still creeping by {} rpm/s", significant(steady.creep_per_s, 2)));
    }
    let cells_dof = (steady.n.min(40) as f64 - 1.0).max(1.0);
    // The scatter alone comes from the cells, the rest is known as well as it is stated; of a reading without a scatter
    // nobody knows what it would be.
    let dof = |i: usize| if i == 0 { cells_dof } else { f64::INFINITY };
    let parts: Vec<(f64, f64)> = budget.iter().enumerate().map(|(i, part)| (part.u, dof(i))).collect();
    let known = steady.speed.u.is_finite();
    let k = stats::k95(if known { stats::combined_dof(&parts) } else { cells_dof }).min(4.0);
    let measured = Measured::number(ResultName::SpeedRpm, steady.speed.value, k, budget, &steady.method, steady.n);
    if notes.is_empty() { measured } else { measured.noted(notes.join("; ")) }
}

/// What the uncertainty of the duty at the pin means for the speed: its slope in the curve around the commanded duty, on that
/// side of the knee alone on which it lies, since flat out the speed does not follow the duty; the knee was found with the
/// same error of the duty, which moves neither past the other. On the knee, or of a unit that shows none, it is the slope
/// of the steeper side, and without a curve that of a fan with square-law load.
fn duty_part(rec: &Recording, span: &Span, speed: f64, findings: &Findings) -> f64 {
    let setting = rec.setting_at(0.5 * (span.t0_s + span.t1_s));
    let Some(duty_pct) = setting.map(|s| level::commanded_pct(&s)).filter(|duty| *duty > 0.0) else { return 0.0 };
    let side = |from_pct: f64, to_pct: f64| {
        let within = |point: &&CurvePoint| (duty_pct + from_pct..duty_pct + to_pct).contains(&point.duty_pct);
        let near = findings.curve.iter().filter(within);
        let (x, y): (Vec<f64>, Vec<f64>) = near.filter_map(|p| Some((p.duty_pct, p.speed_rpm?))).unzip();
        let (low, high) = x.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), x| (a.min(*x), b.max(*x)));
        stats::line(&x, &y).filter(|_| x.len() >= 3 && high - low > 2.0).map(|line| line.slope.max(0.0))
    };
    let knee = findings.results.get(&ResultName::SaturationDutyPct).filter(|knee| !knee.is_bound());
    let beside_knee = knee.and_then(|knee| {
        let (at_pct, clear_pct) = (knee.as_number()? - duty_pct, CLEAR * knee.u?);
        if at_pct.abs() <= clear_pct {
            None
        } else if at_pct > 0.0 {
            side(-BESIDE_PCT, (at_pct - clear_pct).min(BESIDE_PCT))
        } else {
            side(0.0, BESIDE_PCT)
        }
    });
    let steeper = || side(-BESIDE_PCT, 1.0).into_iter().chain(side(-1.0, BESIDE_PCT)).reduce(f64::max);
    beside_knee.or_else(steeper).unwrap_or(USUAL_EXPONENT * speed / duty_pct) * rec.header.bench.duty_u_pct
}

/// The frequency at which the unit was characterised: what the run learned, else what was commanded at the points.
fn command_hz(rec: &Recording, findings: &mut Findings) {
    let name = ResultName::CommandHz;
    if findings.results.contains_key(&name) {
        return;
    }
    let learned = rec.events.iter().any(|e| matches!(&e.event, Event::Learned { what, .. } if what == "command_hz"));
    let used = rec
        .spans_where(|kind| {
            matches!(
                kind,
                SpanKind::Point { .. } | SpanKind::Start | SpanKind::Hold | SpanKind::Ascend | SpanKind::Stall
            )
        })
        .filter_map(|span| rec.setting_at(0.5 * (span.t0_s + span.t1_s)))
        .filter(|setting| level::commanded_pct(setting) > 0.0)
        .last();
    let Some(setting) = used else { return findings.miss(name, "no command recorded") };
    if setting.frequency.get() <= 0.0 {
        return findings.miss(name, "the trace does not tell the command frequency");
    }
    let hz = setting.frequency.get();
    let budget = vec![Contribution::common("command clock", rec.header.bench.clock_u * hz)];
    let method = if learned { "discovered" } else { "as commanded" };
    findings.put(name, Measured::number(name, hz, 1.96, budget, method, 1));
}

#[cfg(test)]
mod tests {
    use super::super::synthetic::{self, Bench};
    use super::*;
    use crate::results::Direction;

    /// A speed held at `duty_pct` by a fan that is flat out from 80 % on.
    fn held_at(duty_pct: f64) -> Measured {
        let mut bench = Bench::new(4);
        bench.rec.header.bench.duty_u_pct = 0.1;
        bench.set(synthetic::at(duty_pct));
        let speed = |duty: f64| 30.0 * duty.min(80.0);
        bench.run(4.0, &[(Channel::SpeedRpm, &|_| speed(duty_pct), 0.2)]);
        bench.span(SpanKind::Hold, 0.0);
        let mut findings = Findings::default();
        for duty_pct in (40..=100).map(f64::from) {
            findings.curve.push(CurvePoint {
                duty_pct,
                direction: Direction::Up,
                speed_rpm: Some(speed(duty_pct)),
                u_rpm: None,
                supply_a: None,
                output_v: Some(0.1625 * duty_pct.min(80.0)),
                supply_v: Some(13.0),
                speed_ref_rpm: None,
            });
        }
        super::super::saturation::find(&bench.rec, &mut findings);
        speed_rpm(&bench.rec, &mut findings);
        findings.results.remove(&ResultName::SpeedRpm).expect("measured")
    }

    /// Part of the duty in the budget of that speed.
    fn part_of_the_duty(duty_pct: f64) -> f64 {
        let found = held_at(duty_pct);
        found.budget.iter().find(|part| part.name == "duty realised at the pin").expect("in the budget").u
    }

    #[test]
    fn the_duty_at_the_pin_is_nothing_to_a_speed_flat_out_and_all_of_its_slope_below() {
        assert!(part_of_the_duty(84.0) < 1e-6, "{}", part_of_the_duty(84.0));
        let short = part_of_the_duty(76.0);
        assert!((short - 3.0).abs() < 0.2, "{short}");
        // As near to the knee as this it may be on either side.
        assert!((part_of_the_duty(80.1) - 3.0).abs() < 0.2, "{}", part_of_the_duty(80.1));
    }

    #[test]
    fn a_speed_that_the_duty_leaves_open_is_widened_by_no_number_of_cells() {
        let found = held_at(76.0);
        let [_, high] = found.interval.expect("a number has one");
        let k = (high.expect("closed") - found.as_number().expect("a number")) / found.u.expect("a number has one");
        assert!((k - 1.96).abs() < 0.005, "{k}");
    }
}
