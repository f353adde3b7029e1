use super::ink::{Ink, Page};
use super::*;
use crate::intake::book::Override;
use crate::report::sample::sample;
use crate::results::Grade;

fn tags(count: usize) -> Vec<TagLabel> {
    let label = |i| TagLabel { tag: format!("TQ-{i:04}"), first: "may-shelf-3".to_owned(), second: String::new() };
    (1..=count).map(label).collect()
}

fn laid_out<L: Label>(labels: &[L], sheet: &str, first: usize) -> Vec<Page> {
    let labels: Vec<&dyn Label> = labels.iter().map(|label| label as &dyn Label).collect();
    lay_out(&labels, Layout::named(sheet).unwrap(), first).unwrap()
}

/// What a scanner held over the label at each place of a page reads, 12 pixels a millimetre; `None` for a bare place.
fn read_back(page: &Page, layout: &Layout) -> Vec<Option<String>> {
    (0..layout.columns * layout.rows).map(|place| read_label(page, layout, place)).collect()
}

fn read_label(page: &Page, layout: &Layout, place: usize) -> Option<String> {
    let pixels = |mm: f64| (mm.max(0.0) * 12.0).round() as usize;
    let ((left, top), (width, height)) = (layout.place(place), layout.size_mm);
    let (across, down) = (pixels(width), pixels(height));
    let mut grey = vec![255_u8; across * down];
    for ink in &page.inks {
        if let Ink::Filled([x, y, w, h]) = ink {
            for row in pixels(y - top)..pixels(y + h - top).min(down) {
                let columns = pixels(x - left).min(across)..pixels(x + w - left).min(across);
                grey[row * across..][columns].fill(0);
            }
        }
    }
    let mut image = rqrr::PreparedImage::prepare_from_greyscale(across, down, |x, y| grey[y * across + x]);
    let grids = image.detect_grids();
    assert!(grids.len() <= 1);
    grids.first().map(|grid| grid.decode().unwrap().1)
}

#[test]
fn every_code_reads_as_its_tag_and_nothing_else_on_every_sheet() {
    for layout in &LAYOUTS {
        let count = layout.columns * layout.rows;
        let pages = laid_out(&tags(count), layout.name, 0);
        assert_eq!(pages.len(), 1);
        let due: Vec<Option<String>> = tags(count).into_iter().map(|label| Some(label.tag)).collect();
        assert_eq!(read_back(&pages[0], layout), due, "{}", layout.name);
    }
}

#[test]
fn labels_go_on_at_the_place_asked_for_and_over_to_the_next_page() {
    let pages = laid_out(&tags(5), "a4-10", 7);
    let layout = Layout::named("a4-10").unwrap();
    assert_eq!(pages.len(), 2);
    let read: Vec<String> =
        pages.iter().flat_map(|page| read_back(page, layout)).map(Option::unwrap_or_default).collect();
    let due: Vec<String> = (0..20)
        .map(|place| if (7..12).contains(&place) { format!("TQ-{:04}", place - 6) } else { String::new() })
        .collect();
    assert_eq!(read, due);
}

#[test]
fn nothing_lies_outside_its_label_on_any_sheet() {
    let (document, _, _) = sample();
    let result = ResultLabel::new("TQ-0001", &document, None).unwrap();
    for layout in &LAYOUTS {
        let tag = tags(1).remove(0);
        for label in [&tag as &dyn Label, &result] {
            let pages = lay_out(&[label], layout, 0).unwrap();
            let (left, top) = layout.first_mm;
            let (right, bottom) = (left + layout.size_mm.0, top + layout.size_mm.1);
            for ink in &pages[0].inks {
                let [x, y, w, h] = match ink {
                    Ink::Filled(place) | Ink::Frame(place) => *place,
                    Ink::Text { at, size, bold, text } => {
                        [at.0, at.1 - size, ink::width(text, *size, *bold), 1.2 * size]
                    }
                };
                let inside = x >= left && y >= top && x + w <= right + 1e-6 && y + h <= bottom + 1e-6;
                assert!(inside, "{}: {ink:?}", layout.name);
            }
        }
    }
}

fn texts(page: &Page) -> Vec<String> {
    let text = |ink: &Ink| match ink {
        Ink::Text { text, .. } => Some(text.clone()),
        _ => None,
    };
    page.inks.iter().filter_map(text).collect()
}

#[test]
fn the_result_label_holds_grade_bound_conditions_and_the_six_numbers() {
    let (mut document, _, _) = sample();
    document.is_virtual = false;
    let label = ResultLabel::new("TQ-0001", &document, None).unwrap();
    insta::assert_snapshot!(texts(&laid_out(&[label], "a4-10", 0)[0]).join("\n"));
}

#[test]
fn a_grade_of_a_person_stands_with_their_name_and_reason_beside_the_measured_one() {
    let (document, _, _) = sample();
    let why = "second look at the drop".to_owned();
    let given = Override { grade: Grade::Fit, by: "the foreman".to_owned(), why, at: String::new() };
    let label = ResultLabel::new("TQ-0001", &document, Some(&given)).unwrap();
    let texts = texts(&laid_out(&[label], "a4-10", 0)[0]);
    assert!(texts.contains(&"FIT".to_owned()), "{texts:?}");
    let measured = document.verdict.as_ref().unwrap().grade.word();
    let all = texts.join(" ");
    assert!(all.contains(&format!("by the foreman: second look at the drop (measured: {measured})")), "{all}");
}

#[test]
fn a_virtual_run_and_one_without_a_verdict_have_no_label() {
    let (mut document, _, _) = sample();
    document.is_virtual = true;
    assert_eq!(ResultLabel::new("TQ-0001", &document, None), Err(NoLabel::Virtual));
    document.is_virtual = false;
    document.verdict = None;
    assert_eq!(ResultLabel::new("TQ-0001", &document, None), Err(NoLabel::NoVerdict));
}

#[test]
fn a_page_becomes_svg_and_pdf_with_its_text() {
    let label = TagLabel { tag: "TQ-0001".to_owned(), first: "R & <D>".to_owned(), second: "Regal 3".to_owned() };
    let pages = laid_out(&[label], "a4-21", 0);
    let text = svg(&pages[0]);
    assert!(text.contains(">R &amp; &lt;D&gt;</text>") && text.contains("width=\"210mm\""));
    let bytes = pdf(&pages);
    let text = String::from_utf8_lossy(&bytes);
    assert!(text.starts_with("%PDF-") && text.contains("(TQ-0001)") && text.contains("/Count 1"), "{text}");
}
