//! What the journal of a batch adds up to.

use std::collections::BTreeMap;

use super::journal::{Entry, Facts, Line};
use crate::results::Grade;

/// A registered unit.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct UnitCard {
    /// What is known of it.
    pub facts: Facts,
    /// Pictures, files below the batch's folder, with their SHA-256.
    pub photos: Vec<(String, String)>,
    /// When it was registered first, RFC 3339.
    pub registered: String,
    /// Why it was passed over the last time, until it was run.
    pub skipped: Option<String>,
}

/// A grade given by a person beside the measured one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Override {
    /// The person's grade.
    pub grade: Grade,
    /// Who.
    pub by: String,
    /// Why.
    pub why: String,
    /// When, RFC 3339.
    pub at: String,
}

/// What is known of a batch beside its runs.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Book {
    /// Registered units by tag.
    pub units: BTreeMap<String, UnitCard>,
    /// Tags in the order registered.
    pub order: Vec<String>,
    /// Runs taken under a wrong tag: run to (tag in the record, right tag).
    pub retags: BTreeMap<String, (String, String)>,
    /// Runs that a person graded.
    pub overrides: BTreeMap<String, Override>,
}

impl Book {
    /// Goes through the lines in their order; later ones win.
    #[must_use]
    pub fn of(lines: &[Line]) -> Self {
        let mut book = Self::default();
        for line in lines {
            book.take(line);
        }
        book
    }

    fn take(&mut self, line: &Line) {
        match &line.entry {
            Entry::Unit { tag, facts } => self.card(tag, &line.at).facts.update(facts),
            Entry::Remove { tag } => {
                self.units.remove(tag);
                self.order.retain(|known| known != tag);
            }
            Entry::Photo { tag, file, sha256 } => {
                let photos = &mut self.card(tag, &line.at).photos;
                photos.retain(|(known, _)| known != file);
                photos.push((file.clone(), sha256.clone()));
            }
            Entry::Retag { run, from, to } => {
                self.retags.insert(run.clone(), (from.clone(), to.clone()));
            }
            Entry::Grade { run, grade, why } => {
                let by = line.by.clone().unwrap_or_default();
                let given = Override { grade: *grade, by, why: why.clone(), at: line.at.clone() };
                self.overrides.insert(run.clone(), given);
            }
            Entry::Withdraw { run } => {
                self.overrides.remove(run);
            }
            Entry::Skip { tag, why } => self.card(tag, &line.at).skipped = Some(why.clone()),
        }
    }

    fn card(&mut self, tag: &str, at: &str) -> &mut UnitCard {
        if !self.units.contains_key(tag) {
            self.order.push(tag.to_owned());
        }
        self.units
            .entry(tag.to_owned())
            .or_insert_with(|| UnitCard { registered: at.to_owned(), ..UnitCard::default() })
    }

    /// Tag of the unit that `run` was really of, its record naming `recorded`.
    #[must_use]
    pub fn tag_of<'a>(&'a self, run: &str, recorded: &'a str) -> &'a str {
        self.retags.get(run).map_or(recorded, |(_, to)| to)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(at: &str, by: Option<&str>, entry: Entry) -> Line {
        Line { at: at.to_owned(), by: by.map(str::to_owned), entry }
    }

    fn unit(tag: &str, donor: Option<&str>, shelf: Option<&str>) -> Entry {
        let facts = Facts { donor: donor.map(str::to_owned), shelf: shelf.map(str::to_owned), ..Facts::default() };
        Entry::Unit { tag: tag.to_owned(), facts }
    }

    #[test]
    fn later_statements_win_and_leave_alone_what_they_do_not_mention() {
        let book = Book::of(&[
            line("1", None, unit("TQ-0002", Some("grey van"), Some("3b"))),
            line("2", None, unit("TQ-0001", None, None)),
            line("3", None, unit("TQ-0002", None, Some("4a"))),
            line("4", None, unit("TQ-0009", None, None)),
            line("5", None, Entry::Remove { tag: "TQ-0009".to_owned() }),
        ]);
        assert_eq!(book.order, ["TQ-0002", "TQ-0001"]);
        let card = &book.units["TQ-0002"];
        assert_eq!((card.facts.donor.as_deref(), card.facts.shelf.as_deref()), (Some("grey van"), Some("4a")));
        assert_eq!(card.registered, "1");
    }

    #[test]
    fn a_grade_of_a_person_names_them_and_can_be_taken_back() {
        let run = "20260512T143015Z-a3f0c1".to_owned();
        let why = "drop measured with a loose clip".to_owned();
        let given = line("1", Some("the foreman"), Entry::Grade { run: run.clone(), grade: Grade::Fit, why });
        let book = Book::of(std::slice::from_ref(&given));
        assert_eq!((book.overrides[&run].grade, book.overrides[&run].by.as_str()), (Grade::Fit, "the foreman"));
        let book = Book::of(&[given, line("2", Some("the foreman"), Entry::Withdraw { run })]);
        assert!(book.overrides.is_empty());
    }

    #[test]
    fn a_wrong_tag_is_undone_without_touching_the_record() {
        let retag = |to: &str| {
            let (run, from) = ("r1".to_owned(), "TQ-0002".to_owned());
            line("1", None, Entry::Retag { run, from, to: to.to_owned() })
        };
        let book = Book::of(&[retag("TQ-0003")]);
        assert_eq!(book.tag_of("r1", "TQ-0002"), "TQ-0003");
        assert_eq!(book.tag_of("r2", "TQ-0002"), "TQ-0002");
        assert_eq!(Book::of(&[retag("TQ-0003"), retag("TQ-0002")]).tag_of("r1", "TQ-0002"), "TQ-0002");
    }
}
