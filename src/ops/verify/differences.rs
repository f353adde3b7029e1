//! What two versions of a document differ in, said so that a person finds it.

use serde::Serialize;
use serde_json::Value;
use similar::{Algorithm, DiffTag, capture_diff_slices};

use crate::record::seal::Altered;

/// A place where something is not as it should be.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Difference {
    /// Where: the path of a value, a line and column, a heading.
    pub at: String,
    /// What stands there.
    pub found: String,
    /// What the record gives; `None` where that cannot be told.
    pub due: Option<String>,
}

impl From<Altered> for Difference {
    fn from(altered: Altered) -> Self {
        Self { at: format!("{} {}", altered.file, altered.at), found: altered.found, due: None }
    }
}

/// Stands for something that is not there.
const NOTHING: &str = "nothing";

/// Differences between a document as `found` and as it is `due`; `kind` is its usual file name.
pub(super) fn between(kind: &str, found: &str, due: &str) -> Vec<Difference> {
    let differences = match kind.rsplit('.').next() {
        Some("json") => of_values(found, due),
        Some("csv") => of_tables(found, due),
        _ => of_pages(found, due),
    };
    // Equal in content and yet not the same bytes: spaces, line ends, order.
    if differences.is_empty() { of_lines(found, due) } else { differences }
}

/// The run that a report page names.
pub(super) fn run_in_page(page: &str) -> Option<String> {
    let (_, after) = page.split_once("<meta name=\"galebench-run\" content=\"")?;
    Some(after.split_once('"')?.0.to_owned())
}

fn difference(at: impl Into<String>, found: impl Into<String>, due: impl Into<String>) -> Difference {
    Difference { at: at.into(), found: found.into(), due: Some(due.into()) }
}

fn of_values(found: &str, due: &str) -> Vec<Difference> {
    let Ok(due_value) = serde_json::from_str::<Value>(due) else { return of_lines(found, due) };
    match serde_json::from_str::<Value>(found) {
        Ok(found) => {
            let mut differences = Vec::new();
            walk("", &found, &due_value, &mut differences);
            differences
        }
        Err(error) => {
            let mut differences = vec![difference("the whole file", format!("no JSON any more: {error}"), "JSON")];
            differences.extend(of_lines(found, due));
            differences
        }
    }
}

fn walk(path: &str, found: &Value, due: &Value, differences: &mut Vec<Difference>) {
    let below = |key: &str| if path.is_empty() { key.to_owned() } else { format!("{path}.{key}") };
    match (found, due) {
        (Value::Object(found), Value::Object(due)) => {
            let mut keys: Vec<&String> = due.keys().chain(found.keys().filter(|key| !due.contains_key(*key))).collect();
            keys.dedup();
            for key in keys {
                match (found.get(key), due.get(key)) {
                    (Some(found), Some(due)) => walk(&below(key), found, due, differences),
                    (found, due) => differences.push(difference(below(key), words(found), words(due))),
                }
            }
        }
        (Value::Array(found), Value::Array(due)) => {
            for index in 0..found.len().max(due.len()) {
                match (found.get(index), due.get(index)) {
                    (Some(found), Some(due)) => walk(&format!("{path}[{index}]"), found, due, differences),
                    (found, due) => differences.push(difference(format!("{path}[{index}]"), words(found), words(due))),
                }
            }
        }
        (found, due) if found != due => differences.push(difference(path, words(Some(found)), words(Some(due)))),
        _ => {}
    }
}

fn words(value: Option<&Value>) -> String {
    value.map_or_else(|| NOTHING.to_owned(), |value| shortened(&value.to_string()))
}

/// Line by line, and in a line of the same number of fields, field by field with the name of its column.
fn of_tables(found: &str, due: &str) -> Vec<Difference> {
    let columns: Vec<&str> = due.lines().next().unwrap_or_default().split(',').collect();
    let mut differences = Vec::new();
    for one in of_lines(found, due) {
        let due_text = one.due.clone().unwrap_or_default();
        let (was, is): (Vec<&str>, Vec<&str>) = (due_text.split(',').collect(), one.found.split(',').collect());
        if was.len() == columns.len() && is.len() == columns.len() {
            for ((column, was), is) in columns.iter().zip(was).zip(is).filter(|((_, was), is)| was != is) {
                differences.push(difference(format!("{}, {column}", one.at), is, was));
            }
        } else {
            differences.push(one);
        }
    }
    differences
}

fn of_lines(found: &str, due: &str) -> Vec<Difference> {
    let (found, due): (Vec<&str>, Vec<&str>) = (found.split('\n').collect(), due.split('\n').collect());
    of_pieces(&found, &due, |index| format!("line {}", index + 1), |text| text.replace('\r', "\\r"))
}

/// Texts and tags of a page; a place is told by the heading above it and the last words before it.
fn of_pages(found: &str, due: &str) -> Vec<Difference> {
    let (found, due) = (tokens(found), tokens(due));
    let place = |index: usize| {
        let before = &found[..index.min(found.len())];
        let heading = before
            .windows(2)
            .rev()
            .find(|pair| pair[0].starts_with("<h1") || pair[0].starts_with("<h2"))
            .map_or("the beginning", |pair| pair[1]);
        let last = before.iter().rev().find(|token| !token.starts_with('<') && !token.trim().is_empty());
        match last.filter(|last| **last != heading) {
            Some(last) => format!("under \"{}\", after \"{}\"", plain(heading), shortened(&plain(last))),
            None => format!("under \"{}\"", plain(heading)),
        }
    };
    of_pieces(&found, &due, place, plain)
}

/// Differing pieces, each with the one it stands in place of.
fn of_pieces(
    found: &[&str],
    due: &[&str],
    place: impl Fn(usize) -> String,
    shown: impl Fn(&str) -> String,
) -> Vec<Difference> {
    let mut differences = Vec::new();
    for op in capture_diff_slices(Algorithm::Myers, due, found) {
        if op.tag() == DiffTag::Equal {
            continue;
        }
        let (old, new) = (op.old_range(), op.new_range());
        for step in 0..old.len().max(new.len()) {
            let side = |texts: &[&str], start: usize, length: usize| match (step < length).then(|| texts[start + step])
            {
                Some(text) => shortened(&shown(text)),
                None => NOTHING.to_owned(),
            };
            let is = side(found, new.start, new.len());
            let was = side(due, old.start, old.len());
            differences.push(difference(place(new.start + step.min(new.len())), is, was));
        }
    }
    differences
}

/// A page as its tags and the texts between them.
fn tokens(page: &str) -> Vec<&str> {
    let mut tokens = Vec::new();
    let mut rest = page;
    while !rest.is_empty() {
        let end = if rest.starts_with('<') {
            rest.find('>').map_or(rest.len(), |at| at + 1)
        } else {
            rest.find('<').unwrap_or(rest.len())
        };
        let (token, after) = rest.split_at(end);
        tokens.push(token);
        rest = after;
    }
    tokens
}

/// Text as a reader of the page sees it.
fn plain(text: &str) -> String {
    text.replace("&lt;", "<").replace("&gt;", ">").replace("&quot;", "\"").replace("&amp;", "&")
}

fn shortened(text: &str) -> String {
    const CHARACTERS: usize = 120;
    let mut short: String = text.chars().take(CHARACTERS).collect();
    if short.len() < text.len() {
        short.push('…');
    }
    short
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(kind: &str, found: &str, due: &str, expected: &[(&str, &str, &str)]) {
        let all = between(kind, found, due);
        let all: Vec<_> = all.iter().map(|d| (d.at.as_str(), d.found.as_str(), d.due.as_deref().unwrap())).collect();
        assert_eq!(all, expected, "{kind}: {found}");
    }

    #[test]
    fn a_value_is_named_by_its_path() {
        let due = r#"{"results":{"drop_v":{"value":0.41,"n":3}},"curve":[{"duty_pct":20.0},{"duty_pct":30.0}]}"#;
        check("results.json", due, due, &[]);
        check("results.json", &due.replace("0.41", "0.31"), due, &[("results.drop_v.value", "0.31", "0.41")]);
        check("results.json", &due.replace(r#","n":3"#, ""), due, &[("results.drop_v.n", "nothing", "3")]);
        check(
            "results.json",
            &due.replace(r#",{"duty_pct":30.0}"#, ""),
            due,
            &[("curve[1]", "nothing", r#"{"duty_pct":30.0}"#)],
        );
        check(
            "results.json",
            &due.replace("\"n\":3", "\"n\":3,\"by\":1"),
            due,
            &[("results.drop_v.by", "1", "nothing")],
        );
        assert!(between("results.json", "{", due)[0].found.starts_with("no JSON any more"));
    }

    #[test]
    fn a_field_of_a_table_is_named_by_line_and_column() {
        let due = "duty_pct,speed_rpm\n20.0,800\n30.0,1200\n";
        check("curve.csv", &due.replace("1200", "1300"), due, &[("line 3, speed_rpm", "1300", "1200")]);
        check("curve.csv", &due.replace("20.0,800\n", ""), due, &[("line 2", "nothing", "20.0,800")]);
        check("curve.csv", &due.replace("1200\n", "1200\r\n"), due, &[("line 3, speed_rpm", "1200\\r", "1200")]);
    }

    #[test]
    fn words_of_a_page_are_named_by_what_stands_before_them() {
        let due = "<h1>Fan drive module TQ-0001</h1><h2>Results</h2><td>drop</td><td>0.41 V</td><td>&lt; 0.5</td>";
        let at = "under \"Results\", after \"drop\"";
        check("report.html", &due.replace("0.41", "0.31"), due, &[(at, "0.31 V", "0.41 V")]);
        let at = "under \"Results\", after \"0.41 V\"";
        check("report.html", &due.replace("&lt; 0.5", "&lt; 0.6"), due, &[(at, "< 0.6", "< 0.5")]);
        check(
            "report.html",
            &due.replace("TQ-0001", "TQ-0002"),
            due,
            &[("under \"the beginning\"", "Fan drive module TQ-0002", "Fan drive module TQ-0001")],
        );
    }

    #[test]
    fn a_page_names_its_run() {
        let page = "<head><meta name=\"galebench-run\" content=\"20260512T143015Z-a3f0c1\"></head>";
        assert_eq!(run_in_page(page).as_deref(), Some("20260512T143015Z-a3f0c1"));
        assert_eq!(run_in_page("<html>"), None);
    }
}
