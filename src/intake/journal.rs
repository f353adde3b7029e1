//! The journal of a batch: lines, how they are added, how they are read back.

use std::fs::{self, File, OpenOptions};
use std::io::{ErrorKind, Read as _, Seek as _, SeekFrom, Write as _};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::JOURNAL_FILE;
use super::error::IntakeError;
use crate::results::Grade;

/// One statement.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Line {
    /// When it was made, RFC 3339.
    pub at: String,
    /// Who made it, if they said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// What was said.
    pub entry: Entry,
}

/// What can be said.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Entry {
    /// A unit is in the crate; facts left out stay as they were.
    Unit {
        /// Its tag.
        tag: String,
        /// What is known of it.
        facts: Facts,
    },
    /// A unit was registered by mistake.
    Remove {
        /// Its tag.
        tag: String,
    },
    /// A picture was taken.
    Photo {
        /// Tag of the unit.
        tag: String,
        /// File below the batch's folder.
        file: String,
        /// SHA-256 of the file, hexadecimal.
        sha256: String,
    },
    /// A run was taken under the wrong tag.
    Retag {
        /// The run.
        run: String,
        /// Tag in its record.
        from: String,
        /// Tag of the unit that was on the bench.
        to: String,
    },
    /// A person grades a run otherwise than the measurement did.
    Grade {
        /// The run.
        run: String,
        /// The person's grade.
        grade: Grade,
        /// Their reason.
        why: String,
    },
    /// The person's grade of a run is taken back.
    Withdraw {
        /// The run.
        run: String,
    },
    /// A unit was passed over when its turn came.
    Skip {
        /// Its tag.
        tag: String,
        /// The reason.
        why: String,
    },
}

/// What is known of a unit before it is run.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Facts {
    /// What it was pulled from, in free words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub donor: Option<String>,
    /// What kind of module it is, in free words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kind: Option<String>,
    /// Where it lies.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shelf: Option<String>,
    /// What was paid, as written down.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub price: Option<String>,
    /// What eyes found, words of [`super::FINDINGS`].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub findings: Option<Vec<String>>,
    /// Anything else.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

impl Facts {
    /// Takes over what `newer` states.
    pub fn update(&mut self, newer: &Self) {
        let put = |old: &mut Option<String>, new: &Option<String>| {
            if new.is_some() {
                old.clone_from(new);
            }
        };
        put(&mut self.donor, &newer.donor);
        put(&mut self.kind, &newer.kind);
        put(&mut self.shelf, &newer.shelf);
        put(&mut self.price, &newer.price);
        put(&mut self.note, &newer.note);
        if newer.findings.is_some() {
            self.findings.clone_from(&newer.findings);
        }
    }
}

/// A journal read back.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Journal {
    /// Its lines, oldest first.
    pub lines: Vec<Line>,
    /// Whether the last line broke off and was passed over.
    pub torn: bool,
    /// Lines of a kind that only a newer program knows, passed over.
    pub unknown: u64,
}

/// Any line, whatever it states.
#[derive(Deserialize)]
struct Envelope {
    #[expect(dead_code, reason = "its presence tells a line of a newer program from a damaged one")]
    at: String,
    #[expect(dead_code, reason = "the same")]
    entry: serde::de::IgnoredAny,
}

/// The journal of the batch in `folder`.
#[must_use]
pub fn path(folder: &Path) -> PathBuf {
    folder.join(JOURNAL_FILE)
}

/// Reads the journal in `folder`; one that does not exist has no lines.
///
/// # Errors
/// An unreadable file, a damaged line before the last.
pub fn read(folder: &Path) -> Result<Journal, IntakeError> {
    let path = path(folder);
    let bytes = match fs::read(&path) {
        Ok(bytes) => bytes,
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(Journal::default()),
        Err(error) => return Err(IntakeError::io("read", &path, &error)),
    };
    let mut journal = Journal::default();
    let mut lines: Vec<&[u8]> = bytes.split(|byte| *byte == b'\n').collect();
    journal.torn = lines.pop().is_some_and(|tail| !tail.is_empty());
    for (index, line) in lines.iter().enumerate() {
        match serde_json::from_slice::<Line>(line) {
            Ok(line) => journal.lines.push(line),
            Err(_) if serde_json::from_slice::<Envelope>(line).is_ok() => journal.unknown += 1,
            Err(error) => {
                return Err(IntakeError::BadLine { path, line: index + 1, why: error.to_string() });
            }
        }
    }
    Ok(journal)
}

/// Adds lines to the journal in `folder`, all or none, and returns when they are on the disk. Several programs may do
/// so at once. What a crash left of an unfinished line is dropped: it was never confirmed to anybody.
///
/// # Errors
/// A folder or file that cannot be created, locked or written.
pub fn append(folder: &Path, lines: &[Line]) -> Result<(), IntakeError> {
    let path = path(folder);
    let failed = |doing: &'static str| {
        let path = path.clone();
        move |error: std::io::Error| IntakeError::io(doing, &path, &error)
    };
    fs::create_dir_all(folder).map_err(failed("create the folder of"))?;
    let mut text = Vec::new();
    for line in lines {
        serde_json::to_writer(&mut text, line).map_err(|error| failed("write")(error.into()))?;
        text.push(b'\n');
    }
    let open = OpenOptions::new().read(true).write(true).create(true).truncate(false).open(&path);
    let mut file = open.map_err(failed("open"))?;
    file.lock().map_err(failed("lock"))?;
    let end = whole_lines(&mut file).map_err(failed("read"))?;
    let write = |file: &mut File| {
        file.set_len(end)?;
        file.seek(SeekFrom::Start(end))?;
        file.write_all(&text)?;
        file.sync_all()?;
        File::open(folder)?.sync_all()
    };
    if let Err(error) = write(&mut file) {
        // Half a batch of lines must not stay behind; the error below is what the person is told.
        let _ = file.set_len(end);
        return Err(failed("write")(error));
    }
    Ok(())
}

/// Length up to the last line end.
fn whole_lines(file: &mut File) -> std::io::Result<u64> {
    let length = file.seek(SeekFrom::End(0))?;
    let mut from = length;
    while from > 0 {
        let step = from.min(4096);
        from -= step;
        file.seek(SeekFrom::Start(from))?;
        let mut part = vec![0; usize::try_from(step).unwrap_or(0)];
        file.read_exact(&mut part)?;
        if let Some(at) = part.iter().rposition(|byte| *byte == b'\n') {
            return Ok(from + at as u64 + 1);
        }
    }
    Ok(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn unit(tag: &str) -> Line {
        let facts = Facts { donor: Some("grey van, 2009".to_owned()), ..Facts::default() };
        Line { at: "2026-05-12T14:30:15Z".to_owned(), by: None, entry: Entry::Unit { tag: tag.to_owned(), facts } }
    }

    #[test]
    fn lines_come_back_in_their_order_from_several_writers() {
        let folder = tempfile::tempdir().unwrap();
        std::thread::scope(|scope| {
            for writer in 0..4 {
                let folder = folder.path();
                scope.spawn(move || {
                    for i in 0..25 {
                        append(folder, &[unit(&format!("TQ-{writer}{i:02}"))]).unwrap();
                    }
                });
            }
        });
        let journal = read(folder.path()).unwrap();
        assert_eq!(journal.lines.len(), 100);
        for writer in 0..4 {
            let mine = journal.lines.iter().filter_map(|line| match &line.entry {
                Entry::Unit { tag, .. } if tag.starts_with(&format!("TQ-{writer}")) => Some(tag.clone()),
                _ => None,
            });
            assert!(mine.is_sorted());
        }
    }

    #[test]
    fn a_torn_last_line_is_passed_over_and_gone_after_the_next_statement() {
        let folder = tempfile::tempdir().unwrap();
        append(folder.path(), &[unit("TQ-0001"), unit("TQ-0002")]).unwrap();
        let whole = fs::read(path(folder.path())).unwrap();
        fs::write(path(folder.path()), &whole[..whole.len() - 7]).unwrap();
        let journal = read(folder.path()).unwrap();
        assert!(journal.torn);
        assert_eq!(journal.lines.len(), 1);
        append(folder.path(), &[unit("TQ-0003")]).unwrap();
        let journal = read(folder.path()).unwrap();
        assert!(!journal.torn);
        assert_eq!(journal.lines, [unit("TQ-0001"), unit("TQ-0003")]);
    }

    #[test]
    fn damage_in_the_middle_is_an_error_with_its_line_and_a_newer_line_is_counted() {
        let folder = tempfile::tempdir().unwrap();
        append(folder.path(), &[unit("TQ-0001")]).unwrap();
        let good = fs::read_to_string(path(folder.path())).unwrap();
        let newer = "{\"at\":\"2027-01-01T00:00:00Z\",\"entry\":{\"sold\":{\"tag\":\"TQ-0001\"}}}\n";
        fs::write(path(folder.path()), format!("{good}{newer}")).unwrap();
        let journal = read(folder.path()).unwrap();
        assert_eq!((journal.lines.len(), journal.unknown), (1, 1));
        fs::write(path(folder.path()), format!("{good}half a li\n{good}")).unwrap();
        assert!(matches!(read(folder.path()), Err(IntakeError::BadLine { line: 2, .. })));
    }
}
