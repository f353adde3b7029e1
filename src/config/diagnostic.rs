//! Problems found in rig and plan files, each with its place, and how they are shown.
//!
//! A [`Diagnostic`] keeps the one line of the file that it is about, so that it outlives the text it came from.

use std::fmt;
use std::ops::Range;
use std::path::{Path, PathBuf};

use annotate_snippets::{AnnotationKind, Group, Level, Origin, Renderer, Snippet};

/// One problem of one file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Diagnostic {
    /// What was found and what is wrong with it; one sentence, lower case.
    pub title: String,
    /// What to do about it.
    pub help: Option<String>,
    /// The file.
    pub path: PathBuf,
    /// Where in the file; `None` when it is about the file as a whole.
    pub place: Option<Place>,
}

/// A stretch of one line of a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// Line, from 1.
    pub line: usize,
    /// Column of the first character, from 1.
    pub column: usize,
    /// The line's text without its end.
    pub text: String,
    /// The stretch in bytes of `text`, on character borders, inside it.
    pub span: Range<usize>,
}

impl Place {
    /// The place of `span` (bytes) in `text`; what goes beyond its first line is cut off, and a stretch outside
    /// the text or inside a character is moved to the nearest border.
    #[must_use]
    pub fn new(text: &str, span: Range<usize>) -> Self {
        let start = border(text, span.start);
        let begin = text[..start].rfind('\n').map_or(0, |at| at + 1);
        let length = text[begin..].find('\n').unwrap_or(text.len() - begin);
        let line_text = text[begin..begin + length].trim_end_matches('\r');
        let from = border(line_text, start - begin);
        let to = border(line_text, span.end.saturating_sub(begin).max(from));
        Self {
            line: text[..begin].matches('\n').count() + 1,
            column: line_text[..from].chars().count() + 1,
            text: line_text.to_owned(),
            span: from..to,
        }
    }
}

/// The nearest character border of `text` at or before `at`.
fn border(text: &str, at: usize) -> usize {
    let mut at = at.min(text.len());
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    at
}

impl Diagnostic {
    /// A problem of the file as a whole.
    #[must_use]
    pub fn of_file(path: &Path, title: impl Into<String>, help: Option<&str>) -> Self {
        Self { title: title.into(), help: help.map(str::to_owned), path: path.to_owned(), place: None }
    }

    /// The text that a person sees, ending without a line break.
    #[must_use]
    pub fn render(&self) -> String {
        let path = self.path.display().to_string();
        let title = Level::ERROR.primary_title(one_line(&self.title));
        let main = match &self.place {
            Some(place) => title.element(
                Snippet::source(place.text.as_str())
                    .path(path)
                    .line_start(place.line)
                    .annotation(AnnotationKind::Primary.span(place.span.clone())),
            ),
            None => title.element(Origin::path(path)),
        };
        let mut groups = vec![main];
        if let Some(help) = &self.help {
            groups.push(Group::with_title(Level::HELP.secondary_title(one_line(help))));
        }
        Renderer::plain().render(&groups)
    }
}

/// Control characters from the file would break the layout (and could drive a terminal).
fn one_line(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { '\u{fffd}' } else { c }).collect()
}

impl fmt::Display for Diagnostic {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.render())
    }
}

/// All problems found, never empty where it is an error.
#[derive(Clone, Debug, Default, PartialEq, Eq, thiserror::Error)]
pub struct Problems(pub Vec<Diagnostic>);

impl Problems {
    /// A single problem.
    #[must_use]
    pub fn one(diagnostic: Diagnostic) -> Self {
        Self(vec![diagnostic])
    }
}

impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, diagnostic) in self.0.iter().enumerate() {
            if i > 0 {
                f.write_str("\n\n")?;
            }
            write!(f, "{diagnostic}")?;
        }
        Ok(())
    }
}

/// More problems than this are not worth reading; a hostile file could hold a hundred thousand.
const MOST_PROBLEMS: usize = 200;

/// The text of a file with its path, and the problems found in it so far.
#[derive(Debug)]
pub(crate) struct Sheet<'a> {
    /// Where the text came from.
    pub(crate) path: &'a Path,
    /// The text.
    pub(crate) text: &'a str,
    found: Vec<(usize, Diagnostic)>,
}

impl<'a> Sheet<'a> {
    /// A sheet without problems.
    pub(crate) fn new(path: &'a Path, text: &'a str) -> Self {
        Self { path, text, found: Vec::new() }
    }

    /// Notes a problem at `span`, unless there are too many already.
    pub(crate) fn problem(&mut self, span: Range<usize>, title: impl Into<String>, help: impl Into<Option<String>>) {
        if self.is_full() {
            return;
        }
        let start = span.start;
        let place = Some(Place::new(self.text, span));
        let diagnostic = Diagnostic { title: title.into(), help: help.into(), path: self.path.to_owned(), place };
        self.found.push((start, diagnostic));
    }

    /// Whether further problems are no longer noted.
    pub(crate) fn is_full(&self) -> bool {
        self.found.len() >= MOST_PROBLEMS
    }

    /// Whether nothing was found.
    pub(crate) fn is_clean(&self) -> bool {
        self.found.is_empty()
    }

    /// The problems in the order of the file.
    pub(crate) fn into_problems(mut self) -> Problems {
        self.found.sort_by_key(|(start, _)| *start);
        Problems(self.found.into_iter().map(|(_, diagnostic)| diagnostic).collect())
    }
}
