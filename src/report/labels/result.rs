//! The label that goes onto a tested unit: grade with its bound, how it was tested, what an open line does, six numbers.

use super::Label;
use super::ink::{Canvas, Room};
use super::qr;
use crate::intake::book::Override;
use crate::report::view::{self, LabelNumber};
use crate::results::Document;

/// What is on the label of a tested unit.
#[derive(Clone, Debug, PartialEq)]
pub struct ResultLabel {
    tag: String,
    grade: String,
    /// The measured grade where a person gave another.
    measured: Option<String>,
    bound: String,
    facts: String,
    numbers: Vec<[String; 3]>,
    foot: String,
}

/// Why a run has no label.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NoLabel {
    /// It was calculated.
    #[error("a virtual run says nothing about a real unit and has no label")]
    Virtual,
    /// It graded nothing.
    #[error("the run graded nothing, so there is nothing to put on a label")]
    NoVerdict,
}

impl ResultLabel {
    /// The label of a run of the unit `tag`, with the grade that a person gave instead, if one did.
    ///
    /// # Errors
    /// A run that must have none.
    pub fn new(tag: &str, document: &Document, given: Option<&Override>) -> Result<Self, NoLabel> {
        if document.is_virtual {
            return Err(NoLabel::Virtual);
        }
        let verdict = document.verdict.as_ref().ok_or(NoLabel::NoVerdict)?;
        let measured = verdict.grade.word();
        let facts = view::label_facts(document).into_iter().map(|(what, value)| format!("{what}: {value}"));
        let numbers = view::label_numbers(document);
        let foot = [document.run.as_deref(), document.plan.as_deref()].into_iter().flatten();
        Ok(Self {
            tag: tag.to_owned(),
            grade: given.map_or(measured, |given| given.grade.word()).to_uppercase(),
            measured: given.map(|given| format!("by {}: {} (measured: {measured})", given.by, given.why)),
            bound: verdict.reasons.join("; "),
            facts: facts.collect::<Vec<_>>().join("  ·  "),
            numbers: numbers
                .into_iter()
                .map(|LabelNumber { what, value, note }| [what.to_owned(), value, note])
                .collect(),
            foot: foot.collect::<Vec<_>>().join("  ·  "),
        })
    }
}

impl Label for ResultLabel {
    fn draw(&self, canvas: &mut Canvas<'_>) -> Result<(), String> {
        let (width, height) = canvas.size;
        // Drawn for 99 by 57 mm; smaller labels shrink all of it.
        let unit = (width / 99.1).min(height / 57.0);
        let mm = |length: f64| length * unit;
        let (left, wide) = (mm(3.0), width - mm(6.0));
        qr::draw(canvas, &self.tag, (mm(1.0), mm(1.0)), mm(19.0))?;
        let beside = |y: f64| Room { x: mm(21.0), y: mm(y), width: width - mm(24.0) };
        canvas.line(Room { width: mm(38.0), ..beside(7.2) }, mm(5.6), true, &self.tag);
        let grade = Room { x: mm(60.0), y: mm(7.2), width: width - mm(63.0) };
        canvas.line(grade, mm(6.2), true, &self.grade);
        match &self.measured {
            Some(measured) => {
                canvas.lines(beside(10.7), mm(2.3), mm(2.5), 2, measured);
                canvas.lines(beside(16.2), mm(2.3), mm(2.5), 2, &self.bound);
            }
            None => canvas.lines(beside(10.9), mm(2.3), mm(2.55), 4, &self.bound),
        }
        canvas.line(Room { x: left, y: mm(22.4), width: wide }, mm(2.9), true, &self.facts);
        let cell = (wide / 3.0, mm(14.0));
        for (index, [what, value, note]) in self.numbers.iter().enumerate() {
            #[expect(clippy::cast_precision_loss, reason = "six numbers")]
            let (column, row) = ((index % 3) as f64, (index / 3) as f64);
            let (x, y) = (left + column * cell.0, mm(24.2) + row * cell.1);
            canvas.frame([x, y, cell.0, cell.1]);
            let inside = |down: f64| Room { x: x + mm(1.0), y: y + mm(down), width: cell.0 - mm(1.6) };
            canvas.line(inside(3.1), mm(2.4), false, what);
            canvas.line(inside(7.9), mm(4.3), true, value);
            canvas.lines(inside(10.7), mm(2.1), mm(2.4), 2, note);
        }
        canvas.line(Room { x: left, y: mm(55.2), width: wide }, mm(2.2), false, &self.foot);
        Ok(())
    }
}
