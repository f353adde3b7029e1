//! Lines and fields of a trace, as slices of the file: nothing is copied, and line numbers are those of an editor.

/// A line that is neither blank nor a comment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Line<'a> {
    /// From 1.
    pub number: usize,
    /// Without its line end.
    pub text: &'a [u8],
    /// Whether it has a line end; only the last may lack one.
    pub ended: bool,
}

/// Goes through the lines of a text, whichever way they end.
pub(super) struct Lines<'a> {
    rest: &'a [u8],
    number: usize,
    end: u8,
}

impl<'a> Lines<'a> {
    pub(super) fn new(text: &'a [u8]) -> Self {
        // A lone carriage return ends lines only where nothing else does.
        let end = if text.contains(&b'\n') { b'\n' } else { b'\r' };
        Self { rest: text, number: 0, end }
    }

    fn take_line(&mut self) -> Option<Line<'a>> {
        if self.rest.is_empty() {
            return None;
        }
        self.number += 1;
        let (text, ended) = match self.rest.iter().position(|b| *b == self.end) {
            Some(end) => {
                let text = &self.rest[..end];
                self.rest = &self.rest[end + 1..];
                (text, true)
            }
            None => (std::mem::take(&mut self.rest), false),
        };
        Some(Line { number: self.number, text: text.strip_suffix(b"\r").unwrap_or(text), ended })
    }
}

impl<'a> Iterator for Lines<'a> {
    type Item = Line<'a>;

    fn next(&mut self) -> Option<Line<'a>> {
        loop {
            let line = self.take_line()?;
            match line.text.iter().find(|b| !b.is_ascii_whitespace()) {
                None | Some(b'#') => {}
                Some(_) => return Some(line),
            }
        }
    }
}

/// Splits a line at `delimiter` into trimmed fields; a field may stand in quotation marks, which are taken away.
///
/// # Errors
/// Position of the field whose closing mark is missing or followed by more text.
pub(super) fn split<'a>(line: &'a [u8], delimiter: u8, fields: &mut Vec<&'a [u8]>) -> Result<(), usize> {
    fields.clear();
    let mut rest = line;
    loop {
        let (field, after) = match trim_spaces(rest).split_first() {
            Some((b'"', quoted)) => take_quoted(quoted, delimiter).ok_or(fields.len())?,
            _ => match rest.iter().position(|b| *b == delimiter) {
                Some(end) => (rest[..end].trim_ascii(), Some(&rest[end + 1..])),
                None => (rest.trim_ascii(), None),
            },
        };
        fields.push(field);
        match after {
            Some(after) => rest = after,
            None => return Ok(()),
        }
    }
}

/// Spaces only: a tab may be a delimiter.
fn trim_spaces(text: &[u8]) -> &[u8] {
    &text[text.iter().take_while(|b| **b == b' ').count()..]
}

/// What stands before the closing mark, and what follows the delimiter after it.
fn take_quoted(text: &[u8], delimiter: u8) -> Option<(&[u8], Option<&[u8]>)> {
    let mut end = 0;
    loop {
        end += text[end..].iter().position(|b| *b == b'"')?;
        // A doubled mark stands for one that is part of the text.
        if text.get(end + 1) != Some(&b'"') {
            break;
        }
        end += 2;
    }
    let after = &text[end + 1..];
    let gap = after.iter().position(|b| *b == delimiter).unwrap_or(after.len());
    let blank = after[..gap].trim_ascii().is_empty();
    blank.then(|| (text[..end].trim_ascii(), after.get(gap + 1..)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lines(text: &str) -> Vec<(usize, String, bool)> {
        let owned = |line: Line<'_>| (line.number, String::from_utf8(line.text.to_vec()).unwrap(), line.ended);
        Lines::new(text.as_bytes()).map(owned).collect()
    }

    #[test]
    fn blank_lines_and_comments_are_passed_over_and_still_counted() {
        let due = [(3, "a".to_owned(), true), (5, "b".to_owned(), false)];
        assert_eq!(lines("# x\n\na\n  # y\nb"), due);
        assert_eq!(lines("# x\r\n \t\r\na\r\n#\r\nb"), due);
        assert_eq!(lines("# x\r\ra\r#\rb"), due);
        assert_eq!(lines(""), []);
    }

    fn fields(line: &str, delimiter: u8) -> Result<Vec<String>, usize> {
        let mut fields = Vec::new();
        split(line.as_bytes(), delimiter, &mut fields)?;
        Ok(fields.into_iter().map(|field| String::from_utf8(field.to_vec()).unwrap()).collect())
    }

    #[test]
    fn fields_are_trimmed_and_freed_of_quotation_marks() {
        let ok = |fields: &[&str]| Ok(fields.iter().map(|field| (*field).to_owned()).collect());
        assert_eq!(fields("1, 2 ,,", b','), ok(&["1", "2", "", ""]));
        assert_eq!(fields(r#""1,5";"a ""b""" ; 3"#, b';'), ok(&["1,5", r#"a ""b"""#, "3"]));
        assert_eq!(fields("\t\"x\"\t", b'\t'), ok(&["", "x", ""]));
        assert_eq!(fields("", b','), ok(&[""]));
    }

    #[test]
    fn a_mark_without_its_other_half_names_the_field() {
        assert_eq!(fields(r#"1,"2"#, b','), Err(1));
        assert_eq!(fields(r#""1"x,2"#, b','), Err(0));
    }
}
