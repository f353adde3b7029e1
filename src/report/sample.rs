//! A made-up document with its recording, for the tests of the renderers: invented numbers, invented unit.

use std::collections::BTreeMap;

use crate::bench::{Channel, Setting};
use crate::record::event::{ChannelFacts, Event, LimitFacts, LowRange, SpanKind};
use crate::record::recording::Recording;
use crate::results::{
    ByFrequency, Carried, Contribution, CurvePoint, Decision, Direction, Document, Findings, Fitted, Grade, Guard,
    HotDay, LoadFan, Measured, Outcome, Provenance, ResultName, RiskKind, RiskRule, Sign, StartsCompared, Verdict,
};
use crate::units::Hertz;
use crate::verdict::made_up::{Made, pulses};

/// Document, recording and findings of a unit that is fit but for a sleep current with no low range.
pub(crate) fn sample() -> (Document, Recording, Findings) {
    let recording = recording();
    let findings = findings();
    (document(&recording, &findings), recording, findings)
}

fn number(name: ResultName, value: f64, random: f64, common: f64, method: &str) -> Measured {
    let budget = vec![Contribution::random("spread of readings", random), Contribution::common("gain", common)];
    Measured::number(name, value, 2.0, budget, method, 9)
}

fn findings() -> Findings {
    let mut findings = Findings::default();
    for (name, value, random, common, method) in [
        (ResultName::CommandHz, 140.0, 0.0, 0.01, "answered"),
        (ResultName::PullUpOhm, 4710.0, 12.0, 35.0, "two_loads"),
        (ResultName::StartDutyPct, 13.1, 0.12, 0.05, "threshold"),
        (ResultName::StartDuty95Pct, 14.6, 0.3, 0.05, "threshold"),
        (ResultName::StopDutyPct, 9.8, 0.1, 0.05, "threshold"),
        (ResultName::SaturationDutyPct, 88.2, 0.2, 0.05, "piecewise"),
        (ResultName::CommandHzLow, 62.0, 1.5, 0.0, "bracketed"),
        (ResultName::CommandHzHigh, 440.0, 9.0, 0.0, "bracketed"),
        (ResultName::CommandDelayS, 0.118, 0.002, 0.0002, "fit"),
        (ResultName::Ramp1090S, 2.43, 0.012, 0.0005, "output_ratio"),
        (ResultName::RampFullS, 2.95, 0.02, 0.0005, "output_ratio"),
        (ResultName::PeakSupplyA, 31.4, 0.2, 0.16, "5_ms_mean"),
        (ResultName::DropV, 0.213, 0.0012, 0.004, "differential"),
        (ResultName::OnResistanceOhm, 0.0086, 0.0001, 0.0002, "differential"),
        (ResultName::CapacitanceF, 3.1e-3, 3e-5, 9e-5, "pre_charge"),
    ] {
        findings.put(name, number(name, value, random, common, method));
    }
    findings.put(ResultName::ActiveLevel, Measured::word(ResultName::ActiveLevel, "low", "two duties", 2));
    findings.put(ResultName::LossOpen, Measured::word(ResultName::LossOpen, "stops", "watched", 1));
    let asleep = number(ResultName::SleepA, 0.0021, 1e-5, 2e-5, "tail");
    findings.put(ResultName::SleepA, asleep.noted("settled, one wake cycle of 8.0 s in the mean"));
    findings.put(ResultName::SleepAfterS, number(ResultName::SleepAfterS, 31.5, 0.2, 0.0, "10 % of the way"));
    findings.miss(ResultName::HeatRiseK, "soaked for 1.2 time constants only; at least 11 K");
    findings.miss(ResultName::UpperCutoffPct, "no cut-off up to 98 %");
    findings.curve = curve();
    findings.warnings.push("3 one-sample glitches on supply_a left out".to_owned());
    findings
}

fn speed_at(duty_pct: f64, falling: bool) -> f64 {
    let from = if falling { 9.8 } else { 13.1 };
    if duty_pct < from { 0.0 } else { 2680.0 * ((duty_pct - 4.0) / 84.2).min(1.0).powf(0.8) }
}

fn curve() -> Vec<CurvePoint> {
    let point = |duty_pct: f64, direction: Direction| {
        let rpm = speed_at(duty_pct, direction == Direction::Down);
        CurvePoint {
            duty_pct,
            direction,
            speed_rpm: Some(rpm),
            u_rpm: Some(4.0 + 0.004 * rpm),
            supply_a: Some(0.05 + 25.0 * (rpm / 2680.0).powi(3)),
            output_v: Some(12.7 * (duty_pct / 88.2).min(1.0)),
            supply_v: Some(13.0),
            speed_ref_rpm: Some(rpm * 1.04),
        }
    };
    let up = (1..=24).map(|i| point(4.0 * f64::from(i), Direction::Up));
    let down = (1..=24).rev().map(|i| point(4.0 * f64::from(i), Direction::Down));
    up.chain(down).collect()
}

fn recording() -> Recording {
    let mut made = Made::new().with(header).zero(1.0);
    let off = pulses(0.0);
    let full = pulses(95.0);
    made = made.event(Event::Learned { what: "off_duty".to_owned(), value: "5 %".to_owned() });
    made = made.held(SpanKind::Hold, off, 1.0, |channel, t| start(channel, t - 2.0));
    made = made.held(SpanKind::Start, full, 12.0, start);
    made = made.held(SpanKind::Soak, full, 90.0, |channel, t| match channel {
        Channel::CaseC => Some(24.0 + 18.0 * (1.0 - (-t / 60.0).exp())),
        _ => start(channel, 12.0 + t),
    });
    for hz in [20.0, 40.0, 60.0, 80.0, 140.0, 250.0, 400.0, 500.0, 1000.0] {
        let setting = Setting { frequency: Hertz(hz), ..pulses(50.0) };
        let share = if (62.0..440.0).contains(&hz) { 1.0 } else { 0.0 };
        made = made.held(SpanKind::Follow, setting, 3.0, move |channel, _| match channel {
            Channel::SpeedRpm => Some(1650.0 * share),
            _ => start(channel, -1.0),
        });
    }
    made = made.held(SpanKind::Sleep, off, 120.0, |channel, t| match channel {
        Channel::SupplyA => Some(0.0021 + if t < 30.0 { 0.045 } else { 0.045 * (-(t - 30.0) / 2.0).exp() }),
        _ => start(channel, -1.0),
    });
    made.event(Event::Safe { confirmed: Ok(()) }).event(Event::End { finished: true }).done()
}

/// Levels at `t` seconds after the command edge of a start with a linear ramp.
fn start(channel: Channel, t: f64) -> Option<f64> {
    let ramp = ((t - 0.118) / 3.04).clamp(0.0, 1.0);
    let speed = 2680.0 * ((t - 0.4) / 3.4).clamp(0.0, 1.0).powf(0.9);
    let inrush = 12.0 * (-((t - 2.6) / 1.2).powi(2)).exp();
    Some(match channel {
        Channel::SupplyV => 13.0,
        Channel::SupplyA => 0.03 + 24.6 * ramp.powi(2) + inrush * ramp,
        Channel::OutputV => 12.78 * ramp,
        Channel::SpeedRpm => speed,
        Channel::CaseC => 24.0,
        Channel::AmbientC => 22.5,
        Channel::FanA | Channel::LineV => return None,
    })
}

fn header(rec: &mut Recording) {
    let header = &mut rec.header;
    header.format = (1, 0);
    header.run = "2024-05-14-0930-1".to_owned();
    header.unit = Some("TQ-0001".to_owned());
    header.batch = Some("may-shelf-3".to_owned());
    header.started = Some("2024-05-14T09:30:00+01:00".to_owned());
    header.program = "galebench 0.1.0".to_owned();
    header.frozen = Some("6b1f".repeat(16));
    header.rig_text = Some("name = \"made up\" # a <rig> & more\n".to_owned());
    header.bench.load_fan = Some("bench fan, 2 brushes".to_owned());
    header.bench.cannot = vec!["tell the emergency stop apart from a dead supply".to_owned()];
    let low = Some(LowRange { range: 0.1, noise: 2e-6, offset_u: 1e-6, gain_u: 0.002 });
    let amps = ChannelFacts {
        range: 120.0,
        noise: 0.05,
        offset_u: 0.1,
        gain_u: 0.005,
        resolution: 0.01,
        alignment_u_s: 0.0,
        low,
    };
    header.bench.channels = BTreeMap::from([(Channel::SupplyA, amps)]);
    header.plan_facts.reference_v = Some(13.5);
    let at_most = |max| LimitFacts { max: Some(max), ..LimitFacts::default() };
    header.plan_facts.limits = BTreeMap::from([
        (ResultName::StartDuty95Pct, at_most(20.0)),
        (ResultName::DropV, at_most(0.4)),
        (ResultName::SleepA, at_most(2e-3)),
        (
            ResultName::LossOpen,
            LimitFacts { one_of: vec!["stops".to_owned(), "holds".to_owned()], ..LimitFacts::default() },
        ),
    ]);
}

fn by_frequency() -> Vec<ByFrequency> {
    let fitted = |value, u| Some(Fitted { value, u });
    let row = |hz, did: &str, decode_error_pct| ByFrequency {
        hz,
        did: Some(did.to_owned()),
        decode_error_pct,
        output_on_pct: None,
        output_off_pct: None,
        start_duty_pct: None,
        stop_duty_pct: None,
    };
    vec![
        row(41.7, "stops", None),
        row(62.5, "follows", fitted(-0.06, 0.05)),
        row(140.0, "follows", fitted(0.0, 0.04)),
        ByFrequency {
            output_on_pct: fitted(8.31, 0.09),
            output_off_pct: fitted(6.94, 0.09),
            start_duty_pct: fitted(11.8, 0.16),
            stop_duty_pct: fitted(7.2, 0.15),
            ..row(250.0, "follows", fitted(0.42, 0.05))
        },
    ]
}

fn fan() -> LoadFan {
    let fitted = |value, u| Fitted { value, u };
    LoadFan {
        resistance_ohm: fitted(0.1323, 0.0017),
        ke_v_s: Some(fitted(0.0371, 0.0002)),
        inertia_kg_m2: Some(fitted(0.0081, 0.0002)),
        air_nm_s2: Some(fitted(9.6e-6, 4e-7)),
        copper_c: Some(fitted(58.0, 4.0)),
        starts: Some(StartsCompared {
            soft_peak_a: 31.2,
            hard_peak_a: fitted(85.0, 1.4),
            soft_sag_v: 0.37,
            hard_sag_v: 1.02,
            soft_heat_j: 240.0,
            hard_heat_j: 310.0,
        }),
        judgement: Some("the bench fan is as the rig file says (132 mOhm for 133 mOhm)".to_owned()),
    }
}

fn document(recording: &Recording, findings: &Findings) -> Document {
    let header = &recording.header;
    let outcomes = [
        (ResultName::StartDuty95Pct, Outcome::Meets),
        (ResultName::DropV, Outcome::Meets),
        (ResultName::SleepA, Outcome::Fails),
        (ResultName::LossOpen, Outcome::Meets),
    ];
    Document {
        format: 1,
        unit: header.unit.clone(),
        batch: header.batch.clone(),
        run: Some(header.run.clone()),
        plan: header.plan.clone(),
        rig: header.rig.clone(),
        started: header.started.clone(),
        bench_seconds: recording.end_s,
        is_virtual: false,
        results: findings.results.clone(),
        absent: findings.absent.clone(),
        curve: findings.curve.clone(),
        signs: vec![Sign { fault: "sleep lost".to_owned(), strength: 0.4, because: "2.1 mA with nothing commanded".to_owned(), ..Sign::default() }],
        verdict: Some(Verdict {
            grade: Grade::Restricted,
            reasons: vec![
                "current asleep: 2.10 mA breaks the limit, at most 2 mA; fit only on a feed that is off with the ignition".to_owned(),
                "carried 24.6 A for 1.5 min at 95 % duty and 13.0 V; nothing is known beyond that load".to_owned(),
            ],
            limits: outcomes.into(),
            risk: Some(0.986),
            rule: RiskRule { kind: RiskKind::Specific, accepted: 0.025, looks: 3 },
            decisions: BTreeMap::from([(
                ResultName::DropV,
                Decision {
                    look: 2,
                    risk: 0.00625,
                    min: None,
                    max: Some(Guard { limit: 0.4, expanded_u: 0.01, r: 1.274, guard_band: 0.01274, accepted: 0.38726 }),
                },
            )]),
        }),
        stopped: None,
        earlier_runs: Some(2),
        hot_day: vec![HotDay {
            duty_pct: 85.0,
            supply_a: Some(19.1),
            ambient_c: 70.0,
            case_c: 98.2,
            interval: [Some(95.9), Some(100.5)],
            highest_case_c: 100.0,
            most_ambient_c: Some(69.1),
        }],
        by_frequency: by_frequency(),
        carried: Some(Carried { supply_a: 24.6, duty_pct: 95.0, supply_v: Some(13.0), seconds: 90.0 }),
        load_fan: Some(fan()),
        warnings: findings.warnings.clone(),
        events: Vec::new(),
        provenance: Some(Provenance {
            record_sha256: "9d2f".repeat(16),
            frozen_sha256: header.frozen.clone(),
            recorded_by: header.program.clone(),
        }),
        analysis: Some("galebench 1.0.0, analysis 1".to_owned()),
    }
}

/// Nothing measured at all: a bare trace that gave nothing.
pub(crate) fn empty() -> (Document, Recording, Findings) {
    let (whole, _, _) = sample();
    let document = Document {
        unit: None,
        batch: None,
        run: None,
        plan: None,
        rig: None,
        started: None,
        results: BTreeMap::new(),
        absent: BTreeMap::new(),
        curve: Vec::new(),
        signs: Vec::new(),
        verdict: None,
        hot_day: Vec::new(),
        by_frequency: Vec::new(),
        carried: None,
        earlier_runs: None,
        load_fan: None,
        warnings: Vec::new(),
        provenance: None,
        ..whole
    };
    (document, Recording::default(), Findings::default())
}
