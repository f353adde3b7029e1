use super::*;
use crate::report::sample::sample;
use crate::verdict::batch::Standing;

/// A crate of `n` units around the sample, the last not run.
fn crate_of(n: u32) -> Summary {
    let (document, recording, _) = sample();
    let members = (1..=n).map(|i| {
        let mut member = Member::waiting(&format!("TQ-{i:04}"));
        if i < n {
            member.take(&document);
            member.runs = 1;
            member.bench_s = 400.0 + f64::from(i);
            for (value, u) in member.numbers.values_mut() {
                *value *= 1.0 + 0.002 * f64::from(i * 7 % 11);
                *u *= 0.1;
            }
            for rpm in member.curve.rpm.iter_mut().flatten() {
                *rpm *= 1.0 + 0.004 * f64::from(i * 7 % 11);
            }
        }
        if i == 2 {
            member.given = Some((Grade::Fit, "the foreman".to_owned(), "clip <was> loose".to_owned()));
        }
        if i == 3 {
            member.measured = Some(Grade::Scrap);
            member.numbers.insert(ResultName::DropV, (0.9, 0.01));
        }
        member
    });
    let limits = recording.header.plan_facts.limits.clone();
    Summary::new("may-shelf-3".to_owned(), true, members.collect(), limits, &BTreeMap::new())
}

#[test]
fn the_page_says_what_to_do_with_each_unit_and_marks_virtual_runs_and_people() {
    let page = html(&crate_of(12));
    for expected in [
        "VIRTUAL RUNS",
        "of 11 judged units are fit",
        "given by a person",
        "fit by the foreman: clip &lt;was&gt; loose (measured: restricted)",
        "run it",
        "Odd ones out",
        "TQ-0003",
        "Pairs for vehicles that take two",
        "11 units, ",
    ] {
        assert!(page.contains(expected), "{expected}");
    }
    assert!(!page.contains("NaN") && !page.contains("<was>"));
    assert_eq!(page, html(&crate_of(12)), "the same summary gives the same bytes");
}

#[test]
fn few_units_claim_no_more_than_few_units_tell() {
    let page = html(&crate_of(4));
    assert!(
        page.contains("3 units, ") && !page.contains("middle half") && !page.contains("at 9"),
        "no intervals of three"
    );
    assert!(page.contains("too few units of one kind"));
    let empty = Summary::new("empty".to_owned(), false, Vec::new(), BTreeMap::new(), &BTreeMap::new());
    assert!(html(&empty).contains("Nothing was run") && !html(&empty).contains("VIRTUAL"));
}

#[test]
fn json_and_csv_hold_every_unit_in_the_order_of_the_ranking() {
    let summary = crate_of(12);
    let document: serde_json::Value = serde_json::from_str(&json(&summary)).unwrap();
    assert_eq!(document["units"].as_array().unwrap().len(), 12);
    assert_eq!(document["units"][0]["unit"], "TQ-0002", "the only fit one");
    assert_eq!(document["units"][0]["measured"], "restricted");
    assert_eq!(document["counts"]["none"], 1);
    assert_eq!(document["odd"][0]["unit"], "TQ-0003");
    let text = csv(&summary);
    let mut reader = csv::ReaderBuilder::new().from_reader(text.as_bytes());
    let drop_at = reader.headers().unwrap().iter().position(|name| name == "drop_v").unwrap();
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    assert_eq!(rows.len(), 12);
    assert_eq!(&rows[0][1], "TQ-0002");
    let odd = rows.iter().find(|row| &row[1] == "TQ-0003").unwrap();
    assert_eq!(&odd[drop_at], "0.9");
}

#[test]
fn what_a_spreadsheet_would_run_stays_text() {
    let mut summary = crate_of(2);
    summary.members[0].donor = Some("=HYPERLINK(\"x\")".to_owned());
    assert!(csv(&summary).contains("\"'=HYPERLINK(\"\"x\"\")\""));
}

#[test]
fn a_unit_that_was_stopped_is_to_be_run_again() {
    let mut member = Member::waiting("TQ-0001");
    member.standing = Standing::Stopped("the converter was unplugged".to_owned());
    let summary = Summary::new("b".to_owned(), false, vec![member], BTreeMap::new(), &BTreeMap::new());
    assert!(text(&summary).contains("run it again; it was stopped: the converter was unplugged"));
}
