//! One unit of the study through the full plan, and what of it is truly beyond the plan's limits.

use std::sync::{Arc, Mutex};

use galebench::config;
use galebench::driver::virtual_bench::VirtualBench;
use galebench::ops::document::{self, Evaluated};
use galebench::plant::config::{PlantConfig, Switch};
use galebench::plant::statics;
use galebench::plant::truth::{Truth, TruthConditions, truth};
use galebench::record::event::{FORMAT, Header, LimitFacts, SpanKind};
use galebench::record::writer::RecordWriter;
use galebench::results::{Document, ResultName};
use galebench::runner::{self, Quiet, RunRequest, StopHandle};

use super::draw::Drawn;
use super::support::{self, Inside, Watched};

/// What became of one unit.
pub(crate) struct Played {
    pub(crate) document: Document,
    /// What is truly wrong by the plan's own limits, by more than the measurement's U.
    pub(crate) beyond: Vec<String>,
}

/// Runs the full plan on the unit, record included.
pub(crate) fn play(drawn: &mut Drawn) -> Played {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let (bench, plan_facts) = config::facts(&drawn.stated, &drawn.plan);
    let header = Header {
        format: (FORMAT.major, FORMAT.minor),
        run: "study".to_owned(),
        unit: Some(format!("TQ-{:05}", drawn.seed)),
        rig: Some(drawn.stated.name.clone()),
        plan: Some(drawn.plan.name.clone()),
        is_virtual: true,
        seed: Some(drawn.seed),
        bench,
        plan_facts,
        ..Header::default()
    };
    let writer = RecordWriter::create(&dir.path().join("record"), &header).expect("a record");
    let spec = support::virtual_spec(&mut drawn.actual).clone();
    let inside = Arc::new(Mutex::new(Vec::new()));
    let bench = VirtualBench::with_plant(&drawn.actual, &spec, drawn.seed, drawn.config.clone());
    let bench = Watched { bench, inside: Arc::clone(&inside) };
    let request = RunRequest {
        rig: drawn.stated.clone(),
        plan: drawn.plan.clone(),
        header,
        checks: Vec::new(),
        advise: document::doubts,
    };
    let outcome = runner::run(request, Box::new(bench), writer, &mut Quiet, StopHandle::default());
    let evaluated = document::evaluate(outcome.recording, outcome.stopped);
    let inside = inside.lock().expect("nobody panicked with it").clone();
    let beyond = beyond(drawn, &evaluated, &inside);
    Played { document: evaluated.document, beyond }
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

fn beyond(drawn: &Drawn, evaluated: &Evaluated, inside: &[Inside]) -> Vec<String> {
    let config = &drawn.config;
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
    let truth = true_values(config, &at, copper_soaked_c);
    let mut all: Vec<String> = drawn
        .plan
        .limits
        .iter()
        .filter(|(name, limit)| breaks(**name, limit, &truth, &evaluated.document))
        .map(|(name, _)| name.name().to_owned())
        .collect();
    all.extend(not_there(config, &at, copper_soaked_c).map(str::to_owned));
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

/// What a limit speaks of and the unit does not do at all.
fn not_there(config: &PlantConfig, at: &TruthConditions, copper_c: Option<f64>) -> impl Iterator<Item = &'static str> {
    let module = &config.module;
    let answers = module.defect.switch == Switch::Works && !module.input.dead;
    let copper_c = copper_c.unwrap_or(config.ambient_c);
    let junction_c = |duty: f64| {
        let rise_k = statics::heat(config, statics::ratio_at(config, duty, at.command_hz), copper_c).0;
        config.ambient_c + rise_k * (1.0 + module.heat.junction_k_per_w / module.heat.case_k_per_w)
    };
    let flat_a = statics::steady(config, 1.0, config.ambient_c, config.ambient_c).fan_a;
    [
        (matches!(module.defect.switch, Switch::Shorted(_)), "runs uncommanded"),
        (module.defect.switch == Switch::Open || module.input.dead, "answers nothing"),
        (module.sleep.is_none(), "never sleeps"),
        (module.defect.joint.is_some(), "a joint that opens"),
        (answers && flat_a >= 0.99 * module.protect.current_limit_a, "its own current limit keeps it from flat out"),
        (answers && junction_c(0.85) > module.protect.thermal_limit_c, "takes its output back in the soak"),
    ]
    .into_iter()
    .filter_map(|(is, words)| is.then_some(words))
}
