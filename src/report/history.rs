//! What happened in the run and where it comes from: events, stages cut short, rig, plan, versions, hashes.

use maud::{Markup, html};

use super::view;
use crate::record::event::{Event, StageEnd};
use crate::record::recording::Recording;
use crate::results::{Document, StoppedBy};

/// Stages that were skipped, cut short or never ended, with the reason.
pub(super) fn shortened_stages(recording: &Recording) -> Vec<(String, String)> {
    let mut all = Vec::new();
    for run in &recording.stages {
        let why = match &run.end {
            Some(StageEnd::Done) => continue,
            Some(StageEnd::Skipped { why }) => format!("skipped, {why}"),
            Some(StageEnd::Partial { why }) => format!("in part, {why}"),
            Some(StageEnd::Stopped) => "the run was stopped in it; later stages were not begun".to_owned(),
            None => "the record breaks off in it".to_owned(),
        };
        all.push((run.stage.replace('_', " "), why));
    }
    all
}

/// Trips, facts learned, notes, lost samples and the safe state, with their times.
pub(super) fn events(recording: &Recording) -> Markup {
    let lines: Vec<(f64, String)> =
        recording.events.iter().filter_map(|numbered| Some((numbered.t_s, words(&numbered.event)?))).collect();
    html! {
        h2 { "Events" }
        @if lines.is_empty() { p { "None worth telling." } } @else {
            table {
                thead { tr { th scope="col" { "time (s)" } th scope="col" { "what happened" } } }
                tbody { @for (t_s, what) in &lines { tr { td.num { (format!("{t_s:.2}")) } td { (what) } } } }
            }
        }
    }
}

fn words(event: &Event) -> Option<String> {
    Some(match event {
        Event::Trip { rule, saw, by } => {
            let by = match by {
                StoppedBy::Unit => "the unit's doing",
                StoppedBy::Rig => "the rig's doing",
                StoppedBy::Record => "the record could not be kept",
                StoppedBy::Host => "the computer's doing",
                StoppedBy::Operator => "by the operator",
            };
            format!("TRIP {}: {saw} ({by})", rule.replace('_', " "))
        }
        Event::Safe { confirmed: Err(saw) } => format!("SAFE STATE NOT CONFIRMED: {saw}"),
        Event::Safe { confirmed: Ok(()) } => "safe state confirmed".to_owned(),
        Event::Learned { what, value } => format!("learned {}: {value}", what.replace('_', " ")),
        Event::Note { text } => format!("note: {text}"),
        Event::Look { number, limits, stages } => {
            let why: Vec<String> = limits.iter().map(|(name, why)| format!("{}: {why}", name.words())).collect();
            format!("look {number}, stages again: {}; because {}", stages.join(", ").replace('_', " "), why.join("; "))
        }
        Event::Preflight { checks } => crate::record::preflight::summary(checks),
        Event::Lost { samples } => format!("{samples} samples lost"),
        Event::End { finished: false } => "the run ended before its plan did".to_owned(),
        _ => return None,
    })
}

/// Rig, plan, versions and hashes; the files as they were, folded.
pub(super) fn origin(document: &Document, recording: &Recording) -> Markup {
    let header = &recording.header;
    html! {
        h2 { "Rig, plan and origin" }
        table { tbody { @for (what, value) in facts(document, recording) {
            tr { th scope="row" { (what) } td.hash { (value) } }
        } } }
        @if !header.bench.channels.is_empty() { (channels(recording)) }
        @for (what, text) in [("rig file", &header.rig_text), ("plan file", &header.plan_text)] {
            @if let Some(text) = text { details { summary { "The " (what) " as it was" } pre { (text) } } }
        }
    }
}

fn facts(document: &Document, recording: &Recording) -> Vec<(&'static str, String)> {
    let header = &recording.header;
    let mut all = Vec::new();
    let mut put = |what, value: Option<String>| all.extend(value.map(|value| (what, value)));
    let filled = |text: &String| (!text.is_empty()).then(|| text.clone());
    put("rig", header.rig.clone());
    put("plan", header.plan.clone());
    put("load fan", header.bench.load_fan.clone());
    put("rig supply", header.bench.supply_v.map(|v| format!("{v:.2} V open circuit")));
    put("reference voltage", header.plan_facts.reference_v.map(|v| format!("{v:.2} V")));
    put(
        "prior share of bad units",
        document
            .verdict
            .as_ref()
            .map(|_| format!("{} %", crate::units::significant(100.0 * header.plan_facts.prior_bad, 3))),
    );
    put("program", filled(&header.program));
    put("record layout", Some(format!("{}.{}", header.format.0, header.format.1)));
    put("run", filled(&header.run));
    put("started", header.started.as_deref().map(crate::units::to_the_second));
    put("bench time", Some(format!("{} ({:.1} s)", view::minutes(document.bench_seconds), document.bench_seconds)));
    put("seed of the virtual bench", header.seed.map(|seed| seed.to_string()));
    put("SHA-256 of rig and plan, frozen before the run", header.frozen.clone());
    for calibration in &header.calibrations {
        put("calibration", Some(calibration.clone()));
    }
    let provenance = document.provenance.as_ref();
    put("fingerprint of the record, for `galebench verify`", provenance.map(|from| from.record_sha256.clone()));
    put("analysis", document.analysis.clone());
    put("samples lost", (recording.lost > 0).then(|| recording.lost.to_string()));
    all
}

/// Stated errors of the channels.
fn channels(recording: &Recording) -> Markup {
    let shown = |x: f64, unit: &str| {
        let (factor, unit) = crate::units::for_people(unit, x);
        format!("{} {unit}", crate::units::significant(x * factor, 3))
    };
    html! {
        details {
            summary { "Channels with their stated errors (standard uncertainties)" }
            table {
                thead { tr { th scope="col" { "channel" } th scope="col" { "range" } th scope="col" { "noise" } th scope="col" { "offset" } th scope="col" { "gain" } th scope="col" { "low range" } } }
                tbody { @for (channel, facts) in &recording.header.bench.channels {
                    @let unit = channel.unit();
                    tr {
                        th scope="row" { (channel.name()) }
                        td.num { (shown(facts.range, unit)) } td.num { (shown(facts.noise, unit)) } td.num { (shown(facts.offset_u, unit)) }
                        td.num { (crate::units::significant(100.0 * facts.gain_u, 2)) " %" }
                        td.num { @if let Some(low) = facts.low { (shown(low.range, unit)) } @else { "none" } }
                    }
                } }
            }
        }
    }
}
