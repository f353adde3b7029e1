//! The renderers on a made-up document: whole texts and fragments as snapshots, and what must hold for any report.

use super::sample::{empty, sample};
use super::*;
use crate::record::event::{Event, Numbered, StageEnd};
use crate::record::recording::StageRun;
use crate::results::{Carried, Grade, Stopped, StoppedBy};

fn page() -> String {
    let (document, recording, findings) = sample();
    html(&document, &recording, &findings)
}

/// What lies between two markers of a page.
fn part<'p>(page: &'p str, from: &str, to: &str) -> &'p str {
    let begin = page.find(from).unwrap_or_else(|| panic!("no {from}"));
    let length = page[begin..].find(to).unwrap_or_else(|| panic!("no {to} after {from}"));
    &page[begin..begin + length]
}

/// One tag per line, so that a changed report shows what changed.
fn lines(html: &str) -> String {
    html.replace("><", ">\n<")
}

#[test]
fn text_summary() {
    insta::assert_snapshot!(text(&sample().0));
}

#[test]
fn text_summary_of_a_trace_that_gave_nothing() {
    insta::assert_snapshot!(text(&empty().0));
}

#[test]
fn curve_as_csv() {
    let mut document = sample().0;
    document.curve.truncate(4);
    document.curve[1].supply_a = None;
    insta::assert_snapshot!(curve_csv(&document));
}

#[test]
fn results_document_as_json() {
    let mut document = sample().0;
    document.curve.truncate(1);
    document.results.retain(|name, _| ["sleep_a", "loss_open", "drop_v"].contains(&name.name()));
    insta::assert_snapshot!(json(&document));
}

#[test]
fn json_reads_back_as_the_same_document() {
    let mut document = sample().0;
    for measured in document.results.values_mut() {
        // The budget stays inside the program.
        measured.budget.clear();
    }
    assert_eq!(serde_json::from_str::<Document>(&json(&document)).unwrap(), document);
}

#[test]
fn top_of_the_page() {
    let page = page();
    insta::assert_snapshot!(lines(part(&page, "<h1>", "<h2>Curves")));
}

#[test]
fn results_table_of_the_page() {
    let page = page();
    insta::assert_snapshot!(lines(part(&page, "<h2>Results", "<h2>Signs")));
}

#[test]
fn rest_of_the_page() {
    let page = page();
    insta::assert_snapshot!(lines(part(&page, "<h2>Signs", "</body>")));
}

#[test]
fn plot_of_the_supply_current() {
    let mut document = sample().0;
    document.curve.retain(|point| point.duty_pct > 79.0);
    insta::assert_snapshot!(plots::supply_current(&document).unwrap());
}

#[test]
fn the_same_document_gives_the_same_bytes() {
    assert_eq!(page(), page());
}

#[test]
fn the_page_is_self_contained_and_small() {
    let page = page();
    for foreign in ["<script", "<link", "<img", "src=", "url(", "@import"] {
        assert!(!page.contains(foreign), "{foreign}");
    }
    assert!(page.len() < 300_000, "{} bytes", page.len());
    assert_eq!(page.matches("<svg").count(), 7);
}

#[test]
fn letters_in_plots_are_14_px_or_more_at_the_width_of_a_page() {
    let page = page();
    // Plots are drawn at twice the pixels of a page's column.
    for size in page.split("font-size=\"").skip(1) {
        let size: f64 = size.split('"').next().unwrap().parse().unwrap();
        assert!(size / 2.0 >= 14.0, "{size}");
    }
}

#[test]
fn without_data_there_is_a_sentence_and_no_empty_plot() {
    let (document, recording, findings) = empty();
    let page = html(&document, &recording, &findings);
    assert!(!page.contains("<svg"));
    for said in [
        "there is no speed curve",
        "there is no soft-start trace",
        "there is no frequency response",
        "there is no sleep decay",
        "No temperatures were measured",
        "no verdict",
    ] {
        assert!(page.contains(said), "{said}");
    }
}

#[test]
fn text_from_files_is_escaped() {
    let (mut document, mut recording, findings) = sample();
    document.unit = Some("<script>alert(1)</script>".to_owned());
    document.warnings = vec!["a < b & \"c\"".to_owned()];
    recording.header.plan_text = Some("</pre><b>".to_owned());
    recording.events.push(Numbered { seq: 99, t_s: 1.0, event: Event::Note { text: "<i>".to_owned() } });
    let page = html(&document, &recording, &findings);
    for raw in ["<script", "</pre><b>", "<i>", "a < b"] {
        assert!(!page.contains(raw), "{raw}");
    }
    assert!(page.contains("&lt;script&gt;alert(1)"));
    // The foot of a printed page is a CSS string: only harmless letters get there.
    assert!(part(&page, "@bottom-left", "}").contains("scriptalert1script"));
}

#[test]
fn a_virtual_run_says_so_on_every_surface() {
    let (mut document, recording, findings) = sample();
    let marked = |document: &Document| {
        let page = html(document, &recording, &findings);
        let print = part(&page, "@top-center", "}").contains("VIRTUAL");
        let csv = curve_csv(document).lines().skip(1).all(|line| line.ends_with(",1"));
        [
            page.contains("VIRTUAL RUN"),
            print,
            text(document).starts_with("VIRTUAL"),
            json(document).contains("\"virtual\": true"),
            csv,
        ]
    };
    assert_eq!(marked(&document), [false; 5]);
    document.is_virtual = true;
    assert_eq!(marked(&document), [true; 5]);
}

#[test]
fn every_grade_has_a_word_a_symbol_and_an_advice_of_its_own() {
    let mut document = sample().0;
    let mut seen = std::collections::BTreeSet::new();
    for grade in [Some(Grade::Fit), Some(Grade::Restricted), Some(Grade::Undecided), Some(Grade::Scrap), None] {
        if let Some(verdict) = &mut document.verdict {
            match grade {
                Some(grade) => verdict.grade = grade,
                None => document.verdict = None,
            }
        }
        let view = view::grade(&document);
        assert!(seen.insert(view.word) && seen.insert(view.symbol) && seen.insert(view.advice), "{}", view.word);
    }
}

#[test]
fn a_stopped_run_says_by_whom_and_what_was_left_out() {
    let (mut document, mut recording, findings) = sample();
    document.verdict = None;
    document.stopped =
        Some(Stopped { cause: "emergency stop: pressed".to_owned(), by: StoppedBy::Operator, t_s: 41.2 });
    recording.stages.push(StageRun {
        stage: "soft_start".to_owned(),
        t0_s: 40.0,
        t1_s: 41.2,
        end: Some(StageEnd::Stopped),
    });
    let skipped = StageEnd::Skipped { why: "the rig has no low current range".to_owned() };
    recording.stages.push(StageRun { stage: "sleep".to_owned(), t0_s: 41.2, t1_s: 41.2, end: Some(skipped) });
    let page = html(&document, &recording, &findings);
    assert!(page.contains("stopped at 41.2 s by the operator: emergency stop: pressed"));
    assert!(page.contains("later stages were not begun"));
    assert!(page.contains("skipped, the rig has no low current range"));
    assert!(text(&document).contains("stopped at 41.2 s by the operator"));
}

#[test]
fn a_label_number_that_is_missing_says_why() {
    let (mut document, _, _) = sample();
    document.carried = None;
    document.results.remove(&crate::results::ResultName::SleepA);
    document.absent.insert(crate::results::ResultName::SleepA, "no low current range".to_owned());
    let numbers = view::label_numbers(&document);
    assert_eq!(numbers.len(), 6);
    assert_eq!((numbers[5].value.as_str(), numbers[5].note.as_str()), ("—", "no low current range"));
    assert_eq!(numbers[3].note, "never seen under load");
    document.carried = Some(Carried { supply_a: 20.0, duty_pct: 90.0, supply_v: None, seconds: 30.0 });
    assert_eq!(view::label_numbers(&document)[3].value, "20.0 A for 30 s");
}
