//! The list of a crate as CSV: one line per unit, columns in any order, comma, semicolon or tab between them.

use std::collections::BTreeMap;

use super::FINDINGS;
use super::journal::Facts;

/// A unit of the list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Row {
    /// Line in the file, from 1.
    pub line: u64,
    /// Its tag.
    pub tag: String,
    /// What the list says of it; empty fields say nothing.
    pub facts: Facts,
    /// Files of pictures as written.
    pub photos: Vec<String>,
}

/// The list.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Table {
    /// Its units in their order.
    pub rows: Vec<Row>,
    /// Columns of names that mean nothing here.
    pub ignored: Vec<String>,
}

/// Columns that are understood.
pub const COLUMNS: [&str; 8] = ["tag", "donor", "kind", "shelf", "price", "findings", "note", "photos"];

/// Reads the text of a list. Lines that begin with `#` are comments.
///
/// # Errors
/// Everything wrong with it at once, one line each, with the line in the file.
pub fn parse(bytes: &[u8]) -> Result<Table, Vec<String>> {
    let text = std::str::from_utf8(bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes))
        .map_err(|error| vec![format!("is not UTF-8 text (byte {})", error.valid_up_to())])?;
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(delimiter(text))
        .comment(Some(b'#'))
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes());
    let names: Vec<String> = match reader.headers() {
        Ok(names) => names.iter().map(|name| name.to_lowercase()).collect(),
        Err(error) => return Err(vec![error.to_string()]),
    };
    let place = |wanted: &str| names.iter().position(|name| name == wanted);
    let Some(tag_at) = place("tag") else {
        return Err(vec![format!("has no column `tag`; columns are {}", COLUMNS.join(", "))]);
    };
    let mut table = Table { rows: Vec::new(), ignored: Vec::new() };
    table.ignored = names.iter().filter(|name| !COLUMNS.contains(&name.as_str())).cloned().collect();
    let (mut problems, mut seen) = (Vec::new(), BTreeMap::new());
    for record in reader.records() {
        let record = match record {
            Ok(record) => record,
            Err(error) => {
                problems.push(error.to_string());
                continue;
            }
        };
        let line = record.position().map_or(0, csv::Position::line);
        let text = |name| place(name).and_then(|at| record.get(at)).filter(|text| !text.is_empty());
        let tag = record.get(tag_at).unwrap_or_default();
        if tag.is_empty() {
            problems.push(format!("line {line}: no tag"));
            continue;
        }
        if let Some(first) = seen.insert(tag.to_owned(), line) {
            problems.push(format!("line {line}: tag {tag} was on line {first} already"));
        }
        let findings = match text("findings").map(findings).transpose() {
            Ok(findings) => findings,
            Err(why) => {
                problems.push(format!("line {line}: {why}"));
                continue;
            }
        };
        let own = |name| text(name).map(str::to_owned);
        let facts = Facts {
            donor: own("donor"),
            kind: own("kind"),
            shelf: own("shelf"),
            price: own("price"),
            findings,
            note: own("note"),
        };
        let photos = text("photos").map(split).unwrap_or_default();
        table.rows.push(Row { line, tag: tag.to_owned(), facts, photos });
    }
    if problems.is_empty() { Ok(table) } else { Err(problems) }
}

/// The one of comma, semicolon and tab that the header line holds most often.
fn delimiter(text: &str) -> u8 {
    let header = text.lines().find(|line| !line.starts_with('#') && !line.trim().is_empty()).unwrap_or_default();
    let count = |wanted: u8| header.bytes().filter(|byte| *byte == wanted).count();
    [b',', b';', b'\t'].into_iter().rev().max_by_key(|byte| count(*byte)).unwrap_or(b',')
}

/// Parts of a field that holds several things.
fn split(text: &str) -> Vec<String> {
    text.split(['+', '|', ';', ',']).map(str::trim).filter(|part| !part.is_empty()).map(str::to_owned).collect()
}

/// Findings of a field, `none` for a unit that was looked at and had none.
///
/// # Errors
/// A word that is not known, with those that are.
pub fn findings(text: &str) -> Result<Vec<String>, String> {
    let words: Vec<String> = split(text).iter().map(|word| word.to_lowercase().replace(' ', "-")).collect();
    if words == ["none"] {
        return Ok(Vec::new());
    }
    match words.iter().find(|word| !FINDINGS.contains(&word.as_str())) {
        Some(word) => Err(format!(
            "finding `{word}` is not known; say none, {} (put anything else into the note)",
            FINDINGS.join(", ")
        )),
        None => Ok(words),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_list_with_semicolons_a_mark_at_its_begin_and_columns_in_any_order_is_read() {
        let text = "\u{feff}# crate of May\nshelf;Tag;donor;findings;photos;weight\n3b;TQ-0001;grey van, 2009;cracked+wires cut short;a.jpg+b.jpg;2\n;TQ-0002;;none;;\n";
        let table = parse(text.as_bytes()).unwrap();
        assert_eq!(table.ignored, ["weight"]);
        let [first, second] = &table.rows[..] else { panic!("two rows") };
        assert_eq!((first.line, first.tag.as_str()), (3, "TQ-0001"));
        assert_eq!(first.facts.donor.as_deref(), Some("grey van, 2009"));
        assert_eq!(first.facts.findings.as_deref(), Some(&["cracked".to_owned(), "wires-cut-short".to_owned()][..]));
        assert_eq!(first.photos, ["a.jpg", "b.jpg"]);
        assert_eq!(second.facts, Facts { findings: Some(Vec::new()), ..Facts::default() });
    }

    #[test]
    fn everything_wrong_with_a_list_is_told_at_once_with_its_lines() {
        let text = "tag,findings\nTQ-0001,\n,cracked\nTQ-0001,\nTQ-0002,rusty\nTQ-0003,wet,extra\n";
        let problems = parse(text.as_bytes()).unwrap_err();
        assert_eq!(problems.len(), 4, "{problems:#?}");
        assert_eq!(problems[0], "line 3: no tag");
        assert_eq!(problems[1], "line 4: tag TQ-0001 was on line 2 already");
        assert!(problems[2].starts_with("line 5: finding `rusty` is not known; say none, cracked"));
        assert!(problems[3].contains("line: 6"), "{}", problems[3]);
        assert!(parse(b"unit,donor\n").unwrap_err()[0].contains("no column `tag`"));
        assert!(parse(b"tag\n\xff\n").unwrap_err()[0].contains("UTF-8"));
    }
}
