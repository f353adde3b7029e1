//! One unit of the study through the full plan, and what of it is truly beyond the plan's limits.

use std::fmt::Write as _;

use galebench::driver::virtual_bench::VirtualBench;
use galebench::ops::document::Evaluated;
use galebench::plant::THERMAL_SPAN_K;
use galebench::plant::config::{PlantConfig, Switch};
use galebench::plant::statics;
use galebench::plant::truth::{Truth, TruthConditions, truth};
use galebench::record::event::{LimitFacts, SpanKind};
use galebench::results::{Document, ResultName};

use super::draw::{Drawn, Made};
use super::second::make::{self, Unit};
use super::second::{self, Second};
use super::support::{self, Inside};

/// What became of one unit.
pub(crate) struct Played {
    pub(crate) document: Document,
    /// What is truly wrong by the plan's own limits, by more than the measurement's U.
    pub(crate) beyond: Vec<String>,
}

/// Runs the full plan on the unit, record included.
pub(crate) fn play(drawn: &mut Drawn) -> Played {
    let spec = support::virtual_spec(&mut drawn.actual).clone();
    let (rig, plan, seed) = (&drawn.stated, &drawn.plan, drawn.seed);
    let carried = match &drawn.made {
        Made::First(config) => {
            let bench = VirtualBench::with_plant(&drawn.actual, &spec, seed, (**config).clone());
            support::carry_out(rig, plan, seed, bench)
        }
        Made::Second(unit) => {
            let plant = Second::new((**unit).clone(), seed);
            let bench = VirtualBench::around(&drawn.actual, &spec, seed, plant, unit.ambient_c);
            support::carry_out(rig, plan, seed, bench)
        }
    };
    let beyond = beyond(drawn, &carried.evaluated, &carried.inside);
    Played { document: carried.evaluated.document, beyond }
}

/// Every result of a unit of the second plant beside its truth, with signs and grade, for work on the rules.
pub(crate) fn show(drawn: &mut Drawn) -> String {
    let Made::Second(unit) = &drawn.made else { return "not of the second plant".to_owned() };
    let spec = support::virtual_spec(&mut drawn.actual).clone();
    let bench = VirtualBench::around(
        &drawn.actual,
        &spec,
        drawn.seed,
        Second::new((**unit).clone(), drawn.seed),
        unit.ambient_c,
    );
    let carried = support::carry_out(&drawn.stated, &drawn.plan, drawn.seed, bench);
    let truth = second::truth::truth_of(unit, &second::groups(&carried, &drawn.plan));
    let document = &carried.evaluated.document;
    let mut text = format!("{unit:#?}\n{:?} {:?}\n", drawn.fault, drawn.trouble);
    for &name in ResultName::ALL {
        let (truth, word) = (support::true_number(&truth, name), support::true_word(&truth, name));
        let measured = document.results.get(&name);
        let shown = measured.map_or_else(
            || format!("absent: {}", document.absent.get(&name).map_or("", String::as_str)),
            |m| m.shown(),
        );
        let off = measured
            .and_then(|m| Some((m.as_number()?, m.u?)))
            .zip(truth)
            .map_or(String::new(), |((value, u), truth)| {
                format!("{:+.1} u, {:+.2} %", (value - truth) / u, 100.0 * (value / truth - 1.0))
            });
        let _ = writeln!(text, "{:26} {shown}; truth {truth:?} {word:?}; {off}", name.name());
    }
    for sign in &document.signs {
        let _ = writeln!(text, "{} {}: {}", sign.fault, sign.strength, sign.because);
    }
    let _ = writeln!(text, "{:?} {:?}", document.stopped, document.verdict.as_ref().map(|v| (v.grade, &v.reasons)));
    text
}

/// The truth at the temperatures of the stay flat out, the heating at the copper of the soak's end. A supply in current
/// limit is the bench's doing: what the unit truly does is asked of a supply that gives what is drawn.
fn true_values(config: &PlantConfig, at: &TruthConditions, copper_soaked_c: Option<f64>) -> Truth {
    let mut config = config.clone();
    config.supply.limit_a = None;
    let config = &config;
    let mut all = truth(config, at);
    if all.active_level.is_some() {
        let soak = statics::ratio_at(config, at.soak_duty, at.command_hz);
        let copper_c = copper_soaked_c.unwrap_or(config.ambient_c);
        all.heat_rise_k = Some(statics::heat(config, soak, copper_c).0);
    }
    all
}

/// The same of a unit of the second plant.
fn true_values_of_second(unit: &Unit, at: &TruthConditions, copper_soaked_c: Option<f64>) -> Truth {
    let mut unit = unit.clone();
    unit.supply.limit_a = None;
    let mut all = second::truth::truth(&unit, at);
    if all.active_level.is_some() {
        let soaked = TruthConditions { copper_c: copper_soaked_c, ..*at };
        all.heat_rise_k = Some(second::truth::heat_rise_k(&unit, &soaked, at.soak_duty));
    }
    all
}

fn beyond(drawn: &Drawn, evaluated: &Evaluated, inside: &[Inside]) -> Vec<String> {
    let rec = &evaluated.recording;
    let mean = |kind: SpanKind, of: fn(&Inside) -> f64| {
        let spans: Vec<_> = rec.spans_where(|k| *k == kind).map(|span| (span.t0_s, span.t1_s)).collect();
        let seen: Vec<f64> =
            inside.iter().filter(|now| spans.iter().any(|s| (s.0..=s.1).contains(&now.t_s))).map(of).collect();
        (!seen.is_empty()).then(|| seen.iter().sum::<f64>() / seen.len() as f64)
    };
    let soaked_s = rec.spans_where(|kind| *kind == SpanKind::Soak).last().map_or(f64::INFINITY, |span| span.t1_s);
    let copper_soaked_c = inside.iter().rev().find(|now| now.t_s <= soaked_s).map(|now| now.copper_c);
    let mut at = support::conditions(evaluated, &drawn.plan);
    (at.copper_c, at.case_c) = (mean(SpanKind::FlatOut, |now| now.copper_c), mean(SpanKind::FlatOut, |now| now.case_c));
    let (truth, not_there) = match &drawn.made {
        Made::First(config) => (true_values(config, &at, copper_soaked_c), not_there(config, &at, copper_soaked_c)),
        Made::Second(unit) => {
            (true_values_of_second(unit, &at, copper_soaked_c), not_there_of_second(unit, &at, copper_soaked_c))
        }
    };
    let mut all: Vec<String> = drawn
        .plan
        .limits
        .iter()
        .filter(|(name, limit)| breaks(**name, limit, &truth, &evaluated.document))
        .map(|(name, _)| name.name().to_owned())
        .collect();
    all.extend(not_there.into_iter().filter(|(is, _)| *is).map(|(_, words)| words.to_owned()));
    all
}

/// Whether the true value is beyond the limit by the expanded uncertainty (k = 2) with which it was measured; by
/// anything at all where it was not measured.
fn breaks(name: ResultName, limit: &LimitFacts, truth: &Truth, document: &Document) -> bool {
    if let Some(word) = support::true_word(truth, name) {
        return !limit.one_of.is_empty() && !limit.one_of.iter().any(|allowed| allowed == word);
    }
    let Some(value) = support::true_number(truth, name) else { return false };
    let by = document.results.get(&name).and_then(|measured| measured.u).map_or(0.0, |u| 2.0 * u);
    limit.max.is_some_and(|max| value > max + by) || limit.min.is_some_and(|min| value < min - by)
}

/// What a limit speaks of and the unit does not do at all, and whether it is so.
type NotThere = [(bool, &'static str); 6];

/// Share of its rise that a case has after the two time constants that the soak is to last: what comes later is not seen.
const SOAKED: f64 = 0.864_664_716_763_387_3;

/// Duty of the hottest soak, and the share of current or output from which a limit of the unit's own shows.
const SOAK_DUTY: f64 = 0.85;
const SHOWS: f64 = 1.02;

/// Whether a unit that runs at output `ratio` gives back a fiftieth of it or more by its own heat: from its limit on the output
/// falls to nothing over `span_k`, and with the output the heat. `above_k` is how far above the limit a ratio leads.
fn takes_back(ratio: f64, span_k: f64, above_k: impl Fn(f64) -> f64) -> bool {
    let mut held = ratio;
    for _ in 0..60 {
        held = 0.5 * (held + ratio.min((1.0 - above_k(held) / span_k).max(0.0)));
    }
    held * SHOWS < ratio
}

const SHORTED: &str = "runs uncommanded";
const SILENT: &str = "answers nothing";
const SLEEPLESS: &str = "never sleeps";
const CRACKED: &str = "a joint that opens";
const LIMITED: &str = "its own current limit keeps it from flat out";
const TAKEN_BACK: &str = "takes its output back in the soak";

fn not_there(config: &PlantConfig, at: &TruthConditions, copper_c: Option<f64>) -> NotThere {
    let module = &config.module;
    let answers = module.defect.switch == Switch::Works && !module.input.dead;
    let copper_c = copper_c.unwrap_or(config.ambient_c);
    let soaked = statics::ratio_at(config, SOAK_DUTY, at.command_hz);
    let above_k = |ratio: f64| {
        let rise_k = statics::heat(config, ratio, copper_c).0;
        let junction_k = rise_k * (SOAKED + module.heat.junction_k_per_w / module.heat.case_k_per_w);
        config.ambient_c + junction_k - module.protect.thermal_limit_c
    };
    let mut unlimited = config.clone();
    unlimited.module.protect.current_limit_a = f64::INFINITY;
    let flat_a = statics::steady(&unlimited, 1.0, config.ambient_c, config.ambient_c).fan_a;
    [
        (matches!(module.defect.switch, Switch::Shorted(_)), SHORTED),
        (module.defect.switch == Switch::Open || module.input.dead, SILENT),
        (module.sleep.is_none(), SLEEPLESS),
        (module.defect.joint.is_some(), CRACKED),
        (answers && flat_a > SHOWS * module.protect.current_limit_a, LIMITED),
        (answers && takes_back(soaked, THERMAL_SPAN_K, above_k), TAKEN_BACK),
    ]
}

fn not_there_of_second(unit: &Unit, at: &TruthConditions, copper_c: Option<f64>) -> NotThere {
    let mut unit = unit.clone();
    unit.supply.limit_a = None;
    let (unit, module) = (&unit, &unit.module);
    let answers = second::truth::answers(unit, at.command_hz);
    let at = TruthConditions { copper_c, ..*at };
    let [(heatsink, _), (case, _)] = module.paths;
    let soaked = second::truth::ratio_at(unit, SOAK_DUTY, at.command_hz);
    // Heat goes with the square of the current, and that with the output.
    let above_k = |ratio: f64| {
        let rise_k = second::truth::heat_rise_k(unit, &at, SOAK_DUTY) * (ratio / soaked).powi(2);
        unit.ambient_c + rise_k * (SOAKED + module.die_k_per_w / (heatsink + case)) - module.hottest_die_c
    };
    [
        (matches!(module.flaw.switch, make::Switch::Shorted(_)), SHORTED),
        (module.flaw.switch == make::Switch::Open || module.input.dead, SILENT),
        (module.sleep.is_none(), SLEEPLESS),
        (module.flaw.crack.is_some(), CRACKED),
        (answers && second::truth::flat_out(unit, &at).limited, LIMITED),
        (answers && takes_back(soaked, second::firmware::DIE_SPAN_K, above_k), TAKEN_BACK),
    ]
}
