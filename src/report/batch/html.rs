//! The crate as one self-contained page.

use std::collections::BTreeMap;

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::{Summary, plots};
use crate::report::{style, view};
use crate::results::{Grade, ResultName};
use crate::units::{for_people, significant};
use crate::verdict::batch::{Spread, mixed_note, share_interval, spread, to_do};
use crate::verdict::limit_words;

/// Most units that the page lists; CSV and JSON hold all.
const MOST_LISTED: usize = 500;
/// Most odd values that the page lists.
const MOST_ODD: usize = 40;

/// The whole page. Deterministic: the same summary gives the same bytes.
#[must_use]
pub fn html(summary: &Summary) -> String {
    let foot = style::css_text(&format!("crate {}", summary.batch));
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { "Crate " (summary.batch) }
                style { (PreEscaped(style::sheet(foot.trim(), summary.is_virtual))) (PreEscaped(OWN)) }
            }
            body {
                (top(summary))
                (counts(summary))
                (units(summary))
                (curves(summary))
                (kinds(summary))
                (spreads(summary))
                (odd(summary))
                (matches(summary))
                (bench_time(summary))
            }
        }
    };
    page.into_string()
}

const OWN: &str = "\
.counts { display: flex; flex-wrap: wrap; border: 1px solid #000; margin: .8rem 0; }
.counts > div { flex: 1; padding: .4rem .7rem; border-right: 1px solid #999; min-width: 7rem; }
.counts .n { font-size: 2rem; font-weight: 800; line-height: 1.1; }
td.verdict { font-weight: 700; white-space: nowrap; }
th.tag { white-space: nowrap; }
.strip { margin: .9rem 0 0; break-inside: avoid; }
.strip svg { display: block; width: 100%; height: auto; }
.strip .head { display: flex; flex-wrap: wrap; gap: 0 1.2rem; font-size: .9rem; }";

fn top(summary: &Summary) -> Markup {
    html! {
        @if summary.is_virtual {
            div.mark aria-hidden="true" { "VIRTUAL" }
            div.virtual { "VIRTUAL RUNS: made by calculation, say nothing about real units" }
        }
        h1 { "Crate " (summary.batch) }
        p.sub { (summary.members.len()) " units" }
    }
}

fn symbol(grade: Option<Grade>) -> (&'static str, &'static str) {
    match grade {
        Some(Grade::Fit) => ("✔", "fit"),
        Some(Grade::Restricted) => ("▲", "restricted"),
        Some(Grade::Undecided) => ("?", "undecided"),
        Some(Grade::Scrap) => ("✖", "scrap"),
        None => ("–", "no verdict"),
    }
}

fn counts(summary: &Summary) -> Markup {
    let judged: usize = summary.counts().iter().filter(|(grade, _)| grade.is_some()).map(|(_, n)| n).sum();
    let fit = summary.counts()[0].1;
    let given = summary.members.iter().filter(|member| member.given.is_some()).count();
    html! {
        div.counts {
            @for (grade, n) in summary.counts() {
                @let (symbol, word) = symbol(grade);
                div { div.n { (n) } div { span aria-hidden="true" { (symbol) } " " (word) } }
            }
        }
        @if judged > 0 {
            @let [low, high] = share_interval(fit, judged);
            p {
                (fit) " of " (judged) " judged units are fit. For more units of the same source that means a share between "
                (percent(low)) " and " (percent(high)) " (95 % interval, exact)."
            }
        }
        @if given > 0 { p { "Grades of " (given) " units were given by a person; the measured ones stand beside them." } }
    }
}

fn percent(share: f64) -> String {
    format!("{:.0} %", 100.0 * share)
}

fn units(summary: &Summary) -> Markup {
    html! {
        h2 { "Units, best first, and what to do with each" }
        p.sub { "Ordered by grade, then by the risk of breaking a limit, then by the room left to the tightest limit." }
        table {
            thead { tr {
                th scope="col" { "" } th scope="col" { "unit" } th scope="col" { "grade" } th scope="col" { "risk" }
                th scope="col" { "shelf" } th scope="col" { "what to do" } th scope="col" { "because" } th scope="col" { "runs" }
            } }
            tbody { @for (place, ranked) in summary.ranked.iter().take(MOST_LISTED).enumerate() {
                @let member = &summary.members[ranked.member];
                @let (symbol, word) = symbol(member.grade());
                tr {
                    td.num { (place + 1) }
                    th.tag scope="row" { b { (member.tag) } }
                    td.verdict { span aria-hidden="true" { (symbol) } " " (word) @if member.given.is_some() { "*" } }
                    td.num { (member.risk.map_or(String::new(), risk)) }
                    td { (member.shelf.as_deref().unwrap_or("")) }
                    td { (to_do(member)) }
                    td { (ranked.because) }
                    td.num { (member.runs) }
                }
            } }
        }
        @if summary.members.iter().any(|member| member.given.is_some()) { p.sub { "* given by a person" } }
        @if summary.ranked.len() > MOST_LISTED {
            p { "The first " (MOST_LISTED) " of " (summary.ranked.len()) " units; the CSV and JSON files hold all." }
        }
    }
}

fn risk(risk: f64) -> String {
    match 100.0 * risk {
        p if p < 0.1 => "< 0.1 %".to_owned(),
        p if p > 99.0 => "> 99 %".to_owned(),
        p => format!("{} %", significant(p, 2)),
    }
}

fn curves(summary: &Summary) -> Markup {
    let drawn = summary.members.iter().filter(|member| member.curve.is_whole()).count();
    html! {
        h2 { "Curves over one another" }
        @match plots::curves(summary) {
            Some(svg) => figure {
                figcaption {
                    "Rising settled speed of " (drawn) " units, at the reference voltage where the plan has one. "
                    @if drawn > 60 { "Middle line: the median; band: nine of ten units." }
                }
                (PreEscaped(svg))
            },
            None => p.none { "No unit has a settled speed curve." },
        }
    }
}

fn spreads(summary: &Summary) -> Markup {
    let mut named: BTreeMap<ResultName, Vec<&str>> = BTreeMap::new();
    for odd in &summary.odd {
        named.entry(odd.result).or_default().push(&odd.unit);
    }
    html! {
        h2 { "Spread of each result" }
        p.sub {
            "One dot a unit (bars in large crates); shaded: outside the plan's limit; rings with a tag: odd ones. "
            "Medians have distribution-free intervals, which need six units; quartiles need five."
        }
        @for name in ResultName::ALL {
            @let values = summary.values(*name);
            @let numbers: Vec<f64> = values.iter().map(|(_, value)| *value).collect();
            @if let Some(spread) = spread(&numbers) {
                @let limit = summary.limits.get(name);
                div.strip {
                    div.head {
                        b { (name.words()) }
                        span { (spread_words(&spread, name.unit())) }
                        @if let Some(limit) = limit { span { "limit: " (limit_words(limit, name.unit())) } }
                    }
                    @if spread.most > spread.least {
                        (PreEscaped(plots::strip(&values, name.unit(), limit, named.get(name).map_or(&[][..], Vec::as_slice))))
                    }
                }
            }
        }
    }
}

fn spread_words(spread: &Spread, unit: &str) -> String {
    let (factor, unit) = for_people(unit, spread.median);
    let shown = |value: f64| format!("{} {unit}", significant(value * factor, 3)).trim_end().to_owned();
    if spread.n == 1 {
        return format!("one unit: {}", shown(spread.median));
    }
    if spread.most <= spread.least {
        return format!("{} units, all {}", spread.n, shown(spread.median));
    }
    let mut text = format!(
        "{} units, {} to {}, median {}",
        spread.n,
        shown(spread.least),
        shown(spread.most),
        shown(spread.median)
    );
    if let Some(interval) = spread.median_interval {
        let confidence = 100.0 * interval.confidence;
        text += &format!(" ({} to {} at {confidence:.0} %)", shown(interval.low), shown(interval.high));
    }
    if let Some([low, _, high]) = spread.quartiles {
        text += &format!(", middle half {} to {}", shown(low), shown(high));
    }
    text
}

fn kinds(summary: &Summary) -> Markup {
    html! {
        h2 { "Kinds of module in this crate" }
        @if summary.kinds.is_empty() { p.none { "Nothing was run." } } @else {
            p.sub {
                "Put together by band, pull-up, thresholds, ramp, delays and capacitance. A kind is named by what you note of any of its units: "
                code { "galebench intake add --batch " (summary.batch) " TAG --kind \"...\"" } "."
            }
            table {
                thead { tr { th scope="col" { "kind" } th scope="col" { "units" } th scope="col" { "noted as" } th scope="col" { "on the bench" } th scope="col" { "such as" } } }
                tbody { @for kind in &summary.kinds {
                    tr {
                        th.tag scope="row" { b { (kind.letter) } }
                        td.num { (kind.units) }
                        td { (if kind.noted.is_empty() { "–".to_owned() } else { kind.noted.join(" / ") }) }
                        td { (kind.looks) }
                        td { (kind.members.iter().take(3).map(|unit| summary.members[*unit].tag.as_str()).collect::<Vec<_>>().join(", ")) }
                    }
                } }
            }
        }
    }
}

fn odd(summary: &Summary) -> Markup {
    html! {
        h2 { "Odd ones out" }
        p.sub { "Against units of their own kind, in robust standard deviations (more than 3.5, their own uncertainty included). Odd is not bad; look twice." }
        @if summary.odd.is_empty() && summary.odd_wholes.is_empty() { p { "None, or too few units of one kind (eight are needed) to tell." } }
        @if !summary.odd_wholes.is_empty() {
            table {
                thead { tr { th scope="col" { "unit" } th scope="col" { "kind" } th scope="col" { "stands out by" } th scope="col" { "most at duty" } th scope="col" { "deviations" } } }
                tbody { @for odd in summary.odd_wholes.iter().take(MOST_ODD) {
                    tr {
                        th.tag scope="row" { b { (odd.unit) } }
                        td { (odd.kind) }
                        td { (odd.by.words()) }
                        td.num { (odd.at_duty_pct.map_or(String::new(), |duty| format!("{} %", significant(duty, 3)))) }
                        td.num { (format!("{:+.1}", odd.deviations)) }
                    }
                } }
            }
            @if summary.odd_wholes.len() > MOST_ODD { p { "The first " (MOST_ODD) " of " (summary.odd_wholes.len()) "; the JSON file holds all." } }
        }
        @if !summary.odd.is_empty() {
            table {
                thead { tr { th scope="col" { "unit" } th scope="col" { "kind" } th scope="col" { "result" } th scope="col" { "value" } th scope="col" { "median of its kind" } th scope="col" { "deviations" } } }
                tbody { @for odd in summary.odd.iter().take(MOST_ODD) {
                    @let (factor, unit) = for_people(odd.result.unit(), odd.value);
                    tr {
                        th.tag scope="row" { b { (odd.unit) } }
                        td { (odd.kind) }
                        td { (odd.result.words()) }
                        td.num { (significant(odd.value * factor, 3)) " " (unit) }
                        td.num { (significant(odd.median * factor, 3)) " " (unit) }
                        td.num { (format!("{:+.1}", odd.deviations)) }
                    }
                } }
            }
            @if summary.odd.len() > MOST_ODD { p { "The first " (MOST_ODD) " of " (summary.odd.len()) "; the JSON file holds all." } }
        }
    }
}

fn matches(summary: &Summary) -> Markup {
    html! {
        h2 { "Pairs for vehicles that take two" }
        @if let Some(why) = &summary.no_pairs { p.none { (why) } }
        @else if summary.pairs.is_empty() { p.none { "No two units may be fitted and have curves that can be compared." } }
        @else {
            p.sub {
                "As many pairs as can be, with the least sum of distances over the whole crate. Distance: speed over the whole duty range and soft start, in percent of full speed. "
                "With one duty table for both, the speeds differ by the residual; with a table of its own for each unit, in whole percents, by what is left (no gain where one table does as well)."
            }
            table {
                thead { tr {
                    th scope="col" { "pair" } th scope="col" { "distance" } th scope="col" { "residual, worst" } th scope="col" { "at duty" }
                    th scope="col" { "left with own tables" } th scope="col" { "both reach" } th scope="col" { "ramps" } th scope="col" { "rig" }
                } }
                tbody { @for pair in &summary.pairs {
                    tr {
                        th.tag scope="row" { b { (pair.units.join(" + ")) } }
                        td.num { (significant(pair.distance_pct, 2)) " %" }
                        td.num { (format!("{:.0} ± {:.0} rpm", pair.worst_rpm, (2.0 * pair.worst_u_rpm).max(1.0))) " (" (significant(pair.worst_pct, 2)) " %)" }
                        td.num { (significant(pair.worst_duty_pct, 3)) " %" }
                        td.num { @if pair.table_helps() { "about " (format!("{:.0} rpm", pair.after_table_rpm)) } @else { "no gain" } }
                        td.num { (format!("{:.0} rpm", pair.common_full_rpm)) }
                        td.num { (pair.ramp_ratio.map_or("–".to_owned(), |ratio| format!("1 : {ratio:.2}"))) }
                        td { @if pair.one_rig { "one" } @else { "two" } }
                    }
                } }
            }
            @let kinds = [true, false].into_iter().filter(|one| summary.pairs.iter().any(|pair| pair.one_rig == *one));
            @for one_rig in kinds { p.sub { "± is twice the standard uncertainty. Pairs " (mixed_note(one_rig)) "." } }
        }
    }
}

fn bench_time(summary: &Summary) -> Markup {
    let times: Vec<f64> = summary.members.iter().map(|member| member.bench_s).filter(|s| *s > 0.0).collect();
    let total: f64 = times.iter().sum();
    html! {
        h2 { "Bench time" }
        @match spread(&times) {
            Some(spread) => p {
                (hours(total)) " in all, contact checks apart; a unit took " (view::minutes(spread.least)) " to " (view::minutes(spread.most))
                ", half of them less than " (view::minutes(spread.median)) "."
            },
            None => p.none { "Nothing was run." },
        }
    }
}

fn hours(seconds: f64) -> String {
    if seconds >= 3600.0 { format!("{:.1} h", seconds / 3600.0) } else { view::minutes(seconds) }
}
