//! Label sheets as files: tags of registered or coming units, results of tested ones.

use std::path::{Path, PathBuf};

use crate::intake::book::Book;
use crate::intake::journal;
use crate::ops::run::check_name;
use crate::ops::{OpsError, archive, write_whole};
use crate::record::RESULTS_FILE;
use crate::report::labels::{self, Label, Layout, ResultLabel, TagLabel};
use crate::results::Document;

/// What sheet, and where it goes.
#[derive(Clone, Debug)]
pub struct Sheet {
    /// File: `.pdf`, or `.svg` (more pages go to `NAME-2.svg` and on).
    pub to: PathBuf,
    /// The sheet of labels.
    pub layout: Layout,
    /// Labels of the first page that are used already.
    pub used: usize,
}

/// Tags that `words` name: each a tag, or a range such as `TQ-0001..TQ-0024`.
///
/// # Errors
/// A word that is neither, or a range that runs backwards or beyond 10 000.
pub fn tags(words: &[String]) -> Result<Vec<String>, OpsError> {
    let mut all = Vec::new();
    for word in words {
        match word.split_once("..") {
            Some((first, last)) => all.extend(range(word, first, last)?),
            None => {
                check_name("unit", word)?;
                all.push(word.clone());
            }
        }
    }
    Ok(all)
}

fn range(word: &str, first: &str, last: &str) -> Result<Vec<String>, OpsError> {
    let wrong = |why: &str| OpsError::Argument { what: format!("range `{word}`"), why: why.to_owned() };
    check_name("unit", first)?;
    check_name("unit", last)?;
    let cut = |tag: &str| tag.trim_end_matches(|letter: char| letter.is_ascii_digit()).len();
    let (head, digits) = first.split_at(cut(first));
    let (tail_head, tail_digits) = last.split_at(cut(last));
    let number = |text: &str| text.parse::<u64>().ok();
    let (Some(from), Some(to)) = (number(digits), number(tail_digits)) else {
        return Err(wrong("must end in numbers on both sides, such as TQ-0001..TQ-0024"));
    };
    if head != tail_head || to < from || to - from >= 10_000 {
        return Err(wrong("must count up from one tag to another of the same kind, at most 10 000 of them"));
    }
    let width = digits.len();
    Ok((from..=to).map(|number| format!("{head}{number:0width$}")).collect())
}

/// Writes tag labels and returns the files. With a batch its name, and what its book says of shelf and donor, stand
/// under each tag; without tags all units of the batch get one.
///
/// # Errors
/// No tags and no batch, a journal that cannot be read, a tag that fits no code, a file that cannot be written.
pub fn of_tags(out: &Path, batch: Option<&str>, wanted: &[String], sheet: &Sheet) -> Result<Vec<PathBuf>, OpsError> {
    let book = match batch {
        Some(batch) => {
            check_name("batch", batch)?;
            Book::of(&journal::read(&out.join(batch))?.lines)
        }
        None => Book::default(),
    };
    let mut tags = tags(wanted)?;
    if tags.is_empty() {
        tags.clone_from(&book.order);
    }
    if tags.is_empty() {
        return Err(nothing("no tags are given, and the batch has no registered units"));
    }
    let label = |tag: String| {
        let facts = book.units.get(&tag).map(|card| &card.facts);
        let shelf = facts.and_then(|facts| facts.shelf.as_deref()).map(|shelf| format!("shelf {shelf}"));
        let donor = facts.and_then(|facts| facts.donor.clone());
        let second = [shelf, donor].into_iter().flatten().collect::<Vec<_>>().join(", ");
        TagLabel { tag, first: batch.unwrap_or_default().to_owned(), second }
    };
    write(&tags.into_iter().map(label).collect::<Vec<_>>(), sheet)
}

/// Writes the result label of the latest real run of each unit named, or of each unit of the batch that has one.
///
/// # Errors
/// A named unit without a real run that graded it; files that cannot be read or written.
pub fn of_results(out: &Path, batch: Option<&str>, wanted: &[String], sheet: &Sheet) -> Result<Vec<PathBuf>, OpsError> {
    let named = tags(wanted)?;
    let all = named.is_empty();
    let tags = match batch {
        _ if !all => named,
        Some(batch) => archive::tags_of_batch(out, false, batch)?,
        None => return Err(nothing("neither units nor a batch are given")),
    };
    let mut labels = Vec::new();
    for tag in tags {
        let wrong = |why: String| OpsError::Argument { what: format!("unit `{tag}`"), why };
        let runs = archive::runs_of(out, false, &tag)?;
        let Some(run) = runs.iter().find(|run| run.judges() && batch.is_none_or(|batch| run.batch == batch)) else {
            let played = !archive::runs_of(out, true, &tag)?.is_empty();
            let why = if played { "has virtual runs only, and those get no label" } else { "has no run here" };
            return Err(wrong(why.to_owned()));
        };
        let document = document(&run.dir)?;
        let book = Book::of(&journal::read(&out.join(&run.batch))?.lines);
        match ResultLabel::new(&tag, &document, book.overrides.get(&run.run)) {
            Ok(label) => labels.push(label),
            Err(_) if all => {}
            Err(why) => return Err(wrong(why.to_string())),
        }
    }
    if labels.is_empty() {
        return Err(nothing("no real run graded any of the units; virtual runs get no label"));
    }
    write(&labels, sheet)
}

/// The results document in the folder of a run.
///
/// # Errors
/// A file that cannot be read or is no results document.
pub fn document(dir: &Path) -> Result<Document, OpsError> {
    let path = dir.join(RESULTS_FILE);
    let bytes = std::fs::read(&path).map_err(|source| OpsError::Read { path: path.clone(), source })?;
    serde_json::from_slice(&bytes).map_err(|error| OpsError::Argument {
        what: path.display().to_string(),
        why: format!("is no results document: {error}"),
    })
}

fn nothing(why: &str) -> OpsError {
    OpsError::Argument { what: "labels".to_owned(), why: why.to_owned() }
}

fn write<L: Label>(labels: &[L], sheet: &Sheet) -> Result<Vec<PathBuf>, OpsError> {
    let labels: Vec<&dyn Label> = labels.iter().map(|label| label as &dyn Label).collect();
    let pages = labels::lay_out(&labels, &sheet.layout, sheet.used).map_err(|why| nothing(&why))?;
    let extension = sheet.to.extension().map(|text| text.to_string_lossy().to_lowercase()).unwrap_or_default();
    match extension.as_str() {
        "pdf" => {
            write_whole(&sheet.to, &labels::pdf(&pages))?;
            Ok(vec![sheet.to.clone()])
        }
        "svg" => {
            let name = |index: usize| match index {
                0 => sheet.to.clone(),
                _ => {
                    let stem = sheet.to.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
                    sheet.to.with_file_name(format!("{stem}-{}.svg", index + 1))
                }
            };
            for (index, page) in pages.iter().enumerate() {
                write_whole(&name(index), labels::svg(page).as_bytes())?;
            }
            Ok((0..pages.len()).map(name).collect())
        }
        _ => Err(OpsError::Argument {
            what: sheet.to.display().to_string(),
            why: "must end in .pdf or .svg, which says what is written".to_owned(),
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_of_tags_are_counted_with_their_zeros() {
        let tags = |words: &[&str]| tags(&words.iter().map(|word| (*word).to_owned()).collect::<Vec<_>>());
        assert_eq!(tags(&["TQ-0009..TQ-0011", "TQ-7"]).unwrap(), ["TQ-0009", "TQ-0010", "TQ-0011", "TQ-7"]);
        for wrong in ["TQ-2..TQ-1", "TQ-1..TR-2", "TQ..TR", "TQ-1..TQ-99999", "a b", "../x"] {
            assert!(tags(&[wrong]).is_err(), "{wrong}");
        }
    }
}
