//! The style sheet of the report: black on white, one column, prints on A4.

/// Style sheet; `footer` is a fixed text for the page foot, made of letters that CSS strings hold without escapes.
pub(super) fn sheet(footer: &str, is_virtual: bool) -> String {
    let head = if is_virtual { "VIRTUAL RUN - no real unit" } else { "" };
    format!(
        "{SCREEN}\n@page {{ size: A4; margin: 16mm 14mm 16mm 14mm;\n  @top-center {{ content: \"{head}\"; font: bold 10pt sans-serif; }}\n  @bottom-left {{ content: \"{footer}\"; font: 9pt sans-serif; }}\n  @bottom-right {{ content: \"page \" counter(page) \" of \" counter(pages); font: 9pt sans-serif; }}\n}}\n{PRINT}"
    )
}

/// Keeps what a CSS string can hold as it is.
pub(super) fn css_text(text: &str) -> String {
    text.chars().filter(|c| c.is_ascii_alphanumeric() || " -_.,:".contains(*c)).collect()
}

const SCREEN: &str = "\
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { font: 15px/1.45 system-ui, 'Segoe UI', 'DejaVu Sans', Arial, sans-serif; color: #000; background: #fff; max-width: 60rem; margin: 0 auto; padding: 1rem; }
h1 { font-size: 1.5rem; margin: 0; }
h2 { font-size: 1.15rem; margin: 1.8rem 0 .5rem; border-bottom: 2px solid #000; padding-bottom: .15rem; }
p, ul { margin: .4rem 0; }
ul { padding-left: 1.3rem; }
.sub { color: #333; margin: .1rem 0 .8rem; }
.virtual { border: 3px double #000; padding: .4rem .7rem; font-weight: bold; text-align: center; margin-bottom: .8rem; letter-spacing: .04em; }
.mark { display: none; }
.grade { display: flex; gap: 1.2rem; align-items: flex-start; border: 3px solid #000; padding: .7rem 1rem; margin: .6rem 0; }
.grade.fit { border-left: 16px solid #009e73; }
.grade.restricted { border-left: 16px double #e69f00; }
.grade.undecided { border-left: 16px dotted #56b4e9; }
.grade.scrap { border-left: 16px dashed #d55e00; }
.grade .word { font-size: 2.3rem; line-height: 1.1; font-weight: 800; text-transform: uppercase; white-space: nowrap; }
.grade .advice { font-weight: 600; }
.grade ul { margin: .2rem 0 0; }
.label { display: grid; grid-template-columns: repeat(3, 1fr); border: 1px solid #000; margin: .8rem 0 0; }
.label > div { border: 1px solid #999; padding: .4rem .6rem; }
.label .what { font-size: .85rem; color: #333; }
.label .value { font-size: 1.3rem; font-weight: 700; }
.label .note { font-size: .82rem; color: #333; }
.facts { display: flex; flex-wrap: wrap; gap: .2rem 2rem; border: 1px solid #000; border-top: 0; padding: .4rem .6rem; }
figure { margin: 1rem 0; }
figure svg { display: block; width: 100%; height: auto; }
figcaption { font-size: .9rem; color: #333; }
.none { border: 1px dashed #777; padding: .5rem .7rem; color: #222; }
table { border-collapse: collapse; width: 100%; font-size: .86rem; }
th[scope=row] { font-weight: normal; }
th, td { border-bottom: 1px solid #bbb; padding: .22rem .45rem; text-align: left; vertical-align: top; }
thead th { border-bottom: 2px solid #000; }
td.num { text-align: right; white-space: nowrap; }
td.word { white-space: nowrap; }
tr.fails td, tr.open td { font-weight: 600; }
tr.note td { font-size: .82rem; color: #333; border-bottom: 1px solid #bbb; padding-top: 0; }
tr.noted td, tr.noted th { border-bottom: 0; }
code, pre { font: .84rem/1.35 ui-monospace, 'DejaVu Sans Mono', monospace; }
pre { white-space: pre-wrap; border: 1px solid #bbb; padding: .5rem; }
td.limit { min-width: 6.2em; }
td.hash { word-break: break-all; }
details { margin: .25rem 0; }
summary { cursor: pointer; }
.cautions { border: 2px solid #000; padding: .3rem .8rem .6rem; margin-top: 1.5rem; }
.cautions h2 { border: 0; margin-top: .4rem; }";

const PRINT: &str = "\
@media print {
  body { font-size: 10.5pt; max-width: none; padding: 0; }
  h2, figcaption { break-after: avoid; }
  figure, tr, .grade, .label, .facts, .cautions { break-inside: avoid; }
  thead { display: table-header-group; }
  .mark { display: block; position: fixed; top: 42%; left: 0; right: 0; text-align: center; font-size: 96pt; font-weight: 800; color: #000; opacity: .07; transform: rotate(-30deg); z-index: 5; }
  .grade, .label > div { print-color-adjust: exact; -webkit-print-color-adjust: exact; }
}";
