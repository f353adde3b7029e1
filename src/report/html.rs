//! The report of one unit as one self-contained HTML page.
//!
//! Everything that comes from files (tags, notes, reasons) is escaped by the template; only the style sheet and the plots are put
//! in as they are, and both are made here.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::plots::{self, Plot};
use super::{budget, history, style, view};
use crate::record::recording::Recording;
use crate::results::{Belongs, Document, Findings, Outcome, Sign};
use crate::units::significant;

/// The whole page. Deterministic: the same document, recording and findings give the same bytes.
#[must_use]
pub fn html(document: &Document, recording: &Recording, findings: &Findings) -> String {
    let unit = document.unit.as_deref().unwrap_or("trace");
    let foot = style::css_text(&format!("{unit} {}", document.run.as_deref().unwrap_or_default()));
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                @if let Some(run) = &document.run { meta name="galebench-run" content=(run); }
                title { (unit) ": " (view::grade(document).word) }
                style { (PreEscaped(style::sheet(foot.trim(), document.is_virtual))) }
            }
            body {
                (top(document))
                (grade(document))
                (label(document))
                (plots(document, recording))
                (results(document, recording))
                (by_frequency(document))
                (load_fan(document))
                (decisions(document))
                (under_stress(document))
                (hot_day(document))
                (signs(document))
                (by_itself(document, recording))
                (not_tested(document, recording))
                (history::events(recording))
                (budget::page(findings))
                (history::origin(document, recording))
                (cautions())
            }
        }
    };
    page.into_string()
}

fn top(document: &Document) -> Markup {
    let started = document.started.as_deref().map(crate::units::to_the_second);
    let parts = [
        ("batch", &document.batch),
        ("run", &document.run),
        ("started", &started),
        ("plan", &document.plan),
        ("rig", &document.rig),
    ];
    html! {
        @if document.is_virtual {
            div.mark aria-hidden="true" { "VIRTUAL" }
            div.virtual { "VIRTUAL RUN: made by calculation, says nothing about a real unit" }
        }
        h1 { "Fan drive module " (document.unit.as_deref().unwrap_or("(recorded trace)")) }
        p.sub {
            @for (what, value) in parts.iter().filter_map(|(what, value)| value.as_ref().map(|v| (what, v))) {
                (what) " " b { (value) } " · "
            }
            "bench time " (view::minutes(document.bench_seconds))
            @if let Some(earlier) = view::earlier_words(document) { " · " b { (earlier) } }
        }
    }
}

fn grade(document: &Document) -> Markup {
    let grade = view::grade(document);
    html! {
        div class={ "grade " (grade.word.replace(' ', "-")) } {
            div.word { span aria-hidden="true" { (grade.symbol) } " " (grade.word) }
            div {
                div.advice { (grade.advice) }
                ul { @for reason in view::reasons(document) { li { (reason) } } }
                @if let Some(risk) = view::risk_words(document) { p { (risk) } }
                @if let (Some(_), Some(stopped)) = (&document.verdict, &document.stopped) { p { (view::stopped_words(stopped)) } }
            }
        }
    }
}

fn label(document: &Document) -> Markup {
    html! {
        div.label {
            @for number in view::label_numbers(document) {
                div {
                    div.what { (number.what) }
                    div.value { (number.value) }
                    div.note { (number.note) }
                }
            }
        }
        div.facts {
            @for (what, value) in view::label_facts(document) { span { (what) ": " b { (value) } } }
        }
    }
}

fn plots(document: &Document, recording: &Recording) -> Markup {
    let all: [(&str, &str, Plot); 7] = [
        ("Speed over duty", "Settled speed; belongs to the module with this load fan.", plots::speed(document)),
        ("Supply current over duty", "Settled supply current at the same points.", plots::supply_current(document)),
        ("Soft start", "From standstill, one step of the command.", plots::soft_start(document, recording)),
        ("Frequency response", "Same duty, other command frequencies.", plots::frequency(document, recording)),
        (
            "Decode error",
            "What the unit reads of one commanded duty, from its output, against the frequency used.",
            plots::decode(document),
        ),
        (
            "Falling asleep",
            "Supply current after the off command; readings at or under zero are left out.",
            plots::sleep(document, recording),
        ),
        ("Temperature", "Over the whole run.", plots::temperature(recording)),
    ];
    // Of stages that few plans have only what was run is shown.
    let more = [
        (
            "Dips of the supply",
            "The deepest dip and the deepest of its length that was ridden through, or the cranking profile.",
            plots::dips(recording),
        ),
        (
            "Slow sweep of the supply",
            "Supply current at each level that was held, by way.",
            plots::sweep(document, recording),
        ),
        (
            "Standing load",
            "Current of the dummy load in each try, from the command on.",
            plots::stall(document, recording),
        ),
    ];
    html! {
        h2 { "Curves" }
        @for (title, caption, plot) in all.into_iter().chain(more.into_iter().filter(|(.., plot)| plot.is_ok())) {
            @match plot {
                Ok(svg) => figure role="img" aria-label=(title) {
                    figcaption { b { (title) } ". " (caption) }
                    (PreEscaped(svg))
                },
                Err(why) => p.none { b { (title) } ". " (why) },
            }
        }
    }
}

/// What the unit makes of its command at each frequency that was tried.
fn by_frequency(document: &Document) -> Markup {
    html! {
        @if !document.by_frequency.is_empty() {
            h2 { "By command frequency" }
            table {
                thead { tr {
                    th scope="col" { "frequency (Hz)" } th scope="col" { "does" } th scope="col" { "decode error (points)" }
                    th scope="col" { "output on (%)" } th scope="col" { "output off (%)" } th scope="col" { "fan starts (%)" } th scope="col" { "fan stops (%)" }
                } }
                tbody { @for row in &document.by_frequency { tr {
                    th scope="row" { (significant(row.hz, 4)) }
                    td.word { (row.did.as_deref().unwrap_or("")) }
                    @for found in [row.decode_error_pct, row.output_on_pct, row.output_off_pct, row.start_duty_pct, row.stop_duty_pct] {
                        td.num { (view::with_u(found)) }
                    }
                } } }
            }
            p.sub { "Value ± standard uncertainty. Decode error: duty that the unit reads less the commanded one, 0 at the frequency used. Thresholds are looked for where the plan asks; those at the frequency used are among the results." }
        }
    }
}

fn results(document: &Document, recording: &Recording) -> Markup {
    let rows = view::rows(document);
    html! {
        h2 { "Results" }
        @if rows.is_empty() { p.none { "Nothing was measured." } } @else {
            table {
                thead { tr {
                    th scope="col" { "quantity" } th scope="col" { "value" } th scope="col" { "u" }
                    th scope="col" { "95 % interval" } th scope="col" { "limit" } th scope="col" { "outcome" }
                    th scope="col" { "method, n" } th scope="col" { "of" }
                } }
                tbody { @for row in &rows { (result(row, recording)) } }
            }
            p.sub { "u: standard uncertainty. Interval: 95 % coverage. A limit is met only from its acceptance limit inwards, see below. Of: m is the module, m+f the module with this load fan." }
        }
    }
}

fn result(row: &view::Row, recording: &Recording) -> Markup {
    let limit = recording.header.plan_facts.limits.get(&row.name);
    let limit = limit.map(|limit| unbroken(crate::verdict::limit_words(limit, row.name.unit()))).unwrap_or_default();
    let class = match row.outcome {
        Some(Outcome::Fails) => "fails",
        Some(Outcome::Open) => "open",
        _ => "",
    };
    let noted = if row.note.is_empty() { "" } else { " noted" };
    html! {
        tr class={ (class) (noted) } {
            th scope="row" { b { (row.name.words()) } br; code { (row.name.name()) } }
            td.num { b { (row.value) } }
            td.num { (row.u) }
            td.num { (row.interval) }
            td.limit { (limit) }
            td.word { (row.outcome.map_or("", view::outcome_words)) }
            td { (row.method) ", " (row.n) }
            td { @match row.name.of() { Belongs::Module => "m", Belongs::Fan => "m+f" } }
        }
        @if !row.note.is_empty() { tr.note { td colspan="8" { (row.note) } } }
    }
}

/// The bench's own fan, and what the unit's soft start saves on it.
fn load_fan(document: &Document) -> Markup {
    let Some(fan) = &document.load_fan else { return html! {} };
    html! {
        h2 { "The load fan" }
        @if let Some(starts) = &fan.starts { p { (view::start_words(starts)) } }
        table {
            thead { tr { th scope="col" { "of the fan, not of the unit" } th scope="col" { "value" } th scope="col" { "u" } } }
            tbody { @for (what, value, u) in view::fan_rows(fan) {
                tr { th scope="row" { (what) } td.num { b { (value) } } td.num { (u) } }
            } }
        }
        @if let Some(judgement) = &fan.judgement { p { (view::sentence(judgement)) } }
    }
}

/// How the limits on numbers were judged.
fn decisions(document: &Document) -> Markup {
    let rows = view::decision_rows(document);
    let rule = document.verdict.as_ref().map(|verdict| view::rule_words(&verdict.rule));
    html! {
        @if let (false, Some(rule)) = (rows.is_empty(), rule) {
            h2 { "How the limits were judged" }
            table {
                thead { tr {
                    th scope="col" { "quantity" } th scope="col" { "limit" } th scope="col" { "U" } th scope="col" { "r" }
                    th scope="col" { "guard band" } th scope="col" { "accepted from here inwards" } th scope="col" { "value" }
                    th scope="col" { "outcome" } th scope="col" { "look, risk spent" }
                } }
                tbody { @for row in &rows { tr {
                    th scope="row" { (row.name.words()) }
                    td.limit { (unbroken(row.limit.clone())) }
                    td.num { (row.expanded_u) } td.num { (row.r) } td.num { (row.guard_band) }
                    td.num { b { (row.accepted) } } td.num { (row.value) }
                    td.word { (row.outcome.map_or("", view::outcome_words)) }
                    td.num { (row.look) ", " (row.risk) }
                } } }
            }
            p.sub { (rule) " U: half the 95 % interval on the side of the limit; the guard band is r U (JCGM 106). Beyond the limit by as much it fails; between, it is open." }
        }
    }
}

/// A limit with its unit kept beside its number; lists of words may break anywhere.
fn unbroken(limit: String) -> String {
    match limit.rsplit_once(' ') {
        Some((before, unit)) if !limit.starts_with("one of") => format!("{before}\u{a0}{unit}"),
        _ => limit,
    }
}

fn under_stress(document: &Document) -> Markup {
    let lines = view::under_stress(document);
    html! {
        @if !lines.is_empty() {
            h2 { "Under stress" }
            ul { @for line in &lines { li { (line) } } }
        }
    }
}

fn hot_day(document: &Document) -> Markup {
    let lines = view::hot_days(document);
    html! {
        @if !lines.is_empty() {
            h2 { "On a hot day" }
            ul { @for line in &lines { li { (line) } } }
            p.sub { (view::BENCH_AIR) }
        }
    }
}

fn signs(document: &Document) -> Markup {
    html! {
        h2 { "Signs of faults" }
        @if document.signs.is_empty() { p { "None seen in what was tested." } } @else {
            table {
                thead { tr { th scope="col" { "fault" } th scope="col" { "probability" } th scope="col" { "evidence, meaning, what to check next" } } }
                tbody { @for sign in &document.signs { (sign_row(sign)) } }
            }
            p.sub { "Probability of the fault given what was measured, with its share among such units before as the prior where one is stated. Signs of the bench bar no grade." }
        }
    }
}

/// How many events are drawn; all are listed.
const DRAWN: usize = 12;

fn by_itself(document: &Document, recording: &Recording) -> Markup {
    let events = &document.events;
    html! {
        h2 { "What happened by itself" }
        @if events.is_empty() {
            p { "No drop-out, reset, spike or waking at an unchanged command." }
        } @else {
            p.sub { "At an unchanged command, by every sample of every electrical channel; the first " (DRAWN) " are drawn." }
            table {
                thead { tr { th scope="col" { "time (s)" } th scope="col" { "stage" } th scope="col" { "what" } th scope="col" { "for (ms)" } th scope="col" { "reading" } th scope="col" { "usual" } } }
                tbody { @for event in events {
                    tr {
                        td.num { (format!("{:.3}", event.t_s)) } td { (event.stage.replace('_', " ")) }
                        td { (event.kind.words()) ", " (event.channel.name().replace('_', " ")) }
                        td.num { (format!("{:.1}", 1e3 * event.seconds)) }
                        td.num { (format!("{:.3} {}", event.value, event.channel.unit())) }
                        td.num { (format!("{:.3} {}", event.usual, event.channel.unit())) }
                    }
                } }
            }
            @for event in events.iter().take(DRAWN) {
                @if let Ok(svg) = plots::event(recording, event) {
                    figure role="img" aria-label=(event.kind.words()) {
                        figcaption { b { (event.kind.words()) } (format!(" at {:.3} s.", event.t_s)) }
                        (PreEscaped(svg))
                    }
                }
            }
        }
    }
}

fn sign_row(sign: &Sign) -> Markup {
    html! {
        tr {
            th scope="row" { (sign.fault) @if sign.of_bench { " (bench)" } }
            td.num {
                (format!("{:.2}", sign.strength))
                @if let Some(prior) = sign.prior { br; span.sub { (format!("prior {prior:.3}")) } }
            }
            td {
                (sign.because)
                @for reading in &sign.evidence { br; span.sub { (view::evidence(reading)) } }
                @if !sign.implies.is_empty() { br; "For use: " (sign.implies) "." }
                @if !sign.check.is_empty() { br; "Check: " (sign.check) "." }
            }
        }
    }
}

fn not_tested(document: &Document, recording: &Recording) -> Markup {
    let absent = view::absent(document);
    let stages = history::shortened_stages(recording);
    let cannot = &recording.header.bench.cannot;
    html! {
        h2 { "What was not tested" }
        @if absent.is_empty() && stages.is_empty() && cannot.is_empty() { p { "Everything in the plan was gone through." } }
        @if !stages.is_empty() || !cannot.is_empty() {
            ul {
                @for (stage, why) in &stages { li { "stage " b { (stage) } ": " (why) } }
                @for what in cannot { li { "this rig: " (what) } }
            }
        }
        @if !absent.is_empty() {
            table {
                thead { tr { th scope="col" { "quantity" } th scope="col" { "why it is absent" } } }
                tbody { @for (name, why) in &absent {
                    tr { th scope="row" { (name.words()) br; code { (name.name()) } } td { (why) } }
                } }
            }
        }
        @if !document.warnings.is_empty() {
            h2 { "Noticed in the data" }
            ul { @for warning in &document.warnings { li { (warning) } } }
        }
    }
}

fn cautions() -> Markup {
    html! {
        div.cautions {
            h2 { "Cautions" }
            ul {
                li { "Software cannot make a bench or a vehicle safe: it can be late, wrong or gone. A shorted switch runs the fan whatever is commanded." }
                li { "Keep a fuse within 20 cm of the battery post, sized for the wires." }
                li { "Keep a hardwired emergency stop in reach that opens the supply without this program." }
                li { "Clamp the fan and keep its guard on; it can start at any moment while the supply is on. Never stall it by hand." }
                li { "Eye protection, rings off; charger off and fresh air when a battery is near. Heatsinks reach 110 °C and may be live." }
                li { "Follow local electrical codes and leave to a licensed person what they ask one for." }
                li { "This grade holds for the unit as tested, on this bench, within the load it carried." }
            }
        }
    }
}
