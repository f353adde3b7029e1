//! The reference page of rig and plan files (`docs/rigs-and-plans.md`), written from the field tables, so that it cannot
//! say anything that the parser does not do.

use std::fmt::Write as _;

use super::field::{Field, Kind, Need, RIG_LIMIT, Table};
use super::{plan_table, rig_table};

/// The whole page as Markdown.
#[must_use]
fn markdown() -> String {
    let mut page = String::from(
        "# Rig and plan files, key by key\n\n\
         Written from the program's own field tables; `tests` fail when this page is not up to date.\n\
         `galebench check FILE...` validates files without running anything; `galebench schema rig` and \
         `galebench schema plan` print JSON Schemas for editors.\n\n\
         Values carry their unit as text: `\"25 A\"`, `\"140 Hz\"`, `\"85 %\"`, `\"2 min\"`. \
         A bare number where a unit is due is refused.\n\
         All uncertainties are standard uncertainties (one sigma).\n",
    );
    for (title, table) in [("Rig files", &rig_table::RIG), ("Plan files", &plan_table::PLAN)] {
        let _ = write!(page, "\n## {title}\n");
        section(&mut page, "", table);
    }
    page
}

/// A table's own keys, then the tables below it. One that stands on the page already, word by word, is referred to.
fn section(page: &mut String, path: &str, table: &Table) {
    let mut keys = format!("\n{}\n\n| key | value | left out | meaning |\n|---|---|---|---|\n", table.doc);
    for field in table.fields {
        let _ = writeln!(keys, "| `{}` | {} | {} | {} |", field.key, value(&field.kind), need(field), cell(field.doc));
    }
    if !path.is_empty() {
        let _ = write!(page, "\n### `{path}`\n");
    }
    match page.find(&keys).and_then(|at| heading_before(&page[..at])) {
        Some(first) => {
            let _ = write!(page, "\nThe same keys as [`{first}`](#{}).\n", anchor(&first));
        }
        None => page.push_str(&keys),
    }
    for field in table.fields {
        below(page, &join(path, field.key), &field.kind);
    }
}

/// The last heading of a table in this text.
fn heading_before(text: &str) -> Option<String> {
    let heading = text.lines().rev().find_map(|line| line.strip_prefix("### `"))?;
    heading.strip_suffix('`').map(str::to_owned)
}

/// What a reader of Markdown makes of a heading.
fn anchor(heading: &str) -> String {
    let kept = heading.chars().filter(|letter| letter.is_alphanumeric() || matches!(letter, '_' | '-' | ' '));
    kept.collect::<String>().replace(' ', "-")
}

/// Sections of the tables that `kind` holds. Keyed tables of one shape share a section.
fn below(page: &mut String, path: &str, kind: &Kind) {
    match kind {
        Kind::Table(table) => section(page, path, table),
        Kind::Choice(table) => choices(page, path, table),
        Kind::List(item, _) => below(page, path, item),
        Kind::Keyed(keys) => keyed(page, path, &keys()),
        _ => {}
    }
}

fn choices(page: &mut String, path: &str, table: &Table) {
    let _ = write!(page, "\n### `{path}`: exactly one of\n\n{}\n", table.doc);
    for field in table.fields {
        below(page, &join(path, field.key), &field.kind);
    }
}

fn keyed(page: &mut String, path: &str, keys: &[(&str, &'static Table, &str)]) {
    let _ = write!(page, "\n### `{path}.<name>`\n\n| name | meaning |\n|---|---|\n");
    for (name, _, doc) in keys {
        let _ = writeln!(page, "| `{name}` | {} |", cell(doc));
    }
    let mut shown: Vec<&'static Table> = Vec::new();
    for (name, table, _) in keys {
        if !shown.iter().any(|other| std::ptr::eq(*other, *table)) {
            shown.push(table);
            let alike = keys.iter().filter(|(_, other, _)| std::ptr::eq(*other, *table)).count();
            let others = if alike > 1 { " and those like it" } else { "" };
            section(page, &format!("{}{others}", join(path, name)), table);
        }
    }
}

fn join(path: &str, key: &str) -> String {
    if path.is_empty() { key.to_owned() } else { format!("{path}.{key}") }
}

fn value(kind: &Kind) -> String {
    match kind {
        Kind::Text => "text".to_owned(),
        Kind::Word(words) => words().iter().map(|word| format!("`{word}`")).collect::<Vec<_>>().join(", "),
        Kind::Quantity(dim, _) => format!("{}, such as `\"{}\"`", dim.words(), dim.example()),
        Kind::UpTo(dim, _) => format!("{}, such as `\"{}\"`, or `\"{RIG_LIMIT}\"`", dim.words(), dim.example()),
        Kind::Number(_) => "a plain number".to_owned(),
        Kind::Count(low, high) => format!("a whole number from {low} to {high}"),
        Kind::Flag => "`true` or `false`".to_owned(),
        Kind::List(item, _) => format!("list of: {}", value(item)),
        Kind::Table(_) | Kind::Keyed(_) | Kind::Choice(_) => "table".to_owned(),
    }
}

fn need(field: &Field) -> String {
    match field.need {
        Need::Required => "must be there".to_owned(),
        Need::Optional => "no value".to_owned(),
        Need::Default("") => "its own defaults".to_owned(),
        Need::Default(text) => format!("`{text}`"),
    }
}

fn cell(text: &str) -> String {
    text.replace('|', "\\|").replace('\n', " ")
}

#[cfg(test)]
mod tests {
    #[test]
    fn the_page_in_docs_is_up_to_date() {
        let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/rigs-and-plans.md");
        let page = super::markdown();
        if std::env::var_os("GALEBENCH_WRITE_DOCS").is_some() {
            std::fs::write(&path, &page).unwrap();
        }
        let kept = std::fs::read_to_string(&path).unwrap_or_default();
        assert!(kept == page, "docs/rigs-and-plans.md is out of date: run the tests with GALEBENCH_WRITE_DOCS=1");
    }
}
