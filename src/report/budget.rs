//! Uncertainty budgets: each contribution with its share of the variance, what averages out apart from what does not.

use maud::{Markup, html};

use super::view;
use crate::results::{Contribution, Findings, Measured, Nature, ResultName};
use crate::units::{for_people, significant};

/// One line of a budget.
struct Row {
    what: String,
    u: String,
    nature: &'static str,
    /// Share of the variance.
    share: String,
}

/// Results that have a budget, in the order in which people read them.
fn with_budget(findings: &Findings) -> impl Iterator<Item = (ResultName, &Measured)> {
    let found = |name: &ResultName| findings.results.get(name).map(|measured| (*name, measured));
    ResultName::ALL.iter().filter_map(found).filter(|(_, measured)| !measured.budget.is_empty())
}

fn row(measured: &Measured, what: &str, nature: &'static str, variance: f64, whole: f64) -> Row {
    let (factor, unit) = for_people(&measured.unit, measured.as_number().unwrap_or(0.0));
    let u = format!("{} {unit}", significant(variance.sqrt() * factor, 2)).trim_end().to_owned();
    let share = if whole > 0.0 { format!("{:.0} %", 100.0 * variance / whole) } else { "-".to_owned() };
    Row { what: what.to_owned(), u, nature, share }
}

/// The contributions, largest first; then the sums of each nature and of all.
fn rows(measured: &Measured) -> (Vec<Row>, Vec<Row>) {
    let variance = |part: &Contribution| part.u * part.u;
    let whole: f64 = measured.budget.iter().map(variance).sum();
    let mut parts: Vec<&Contribution> = measured.budget.iter().collect();
    parts.sort_by(|a, b| b.u.total_cmp(&a.u));
    let lines = parts.iter().map(|part| row(measured, &part.name, view::nature(part.nature), variance(part), whole));
    let of = |nature: Nature| measured.budget.iter().filter(|part| part.nature == nature).map(variance).sum::<f64>();
    let natures = [Nature::Random, Nature::Lasting, Nature::Common].into_iter();
    let sums = natures
        .filter(|nature| of(*nature) > 0.0)
        .map(|nature| row(measured, "together", view::nature(nature), of(nature), whole));
    let all = row(measured, "all (u)", "", whole, whole);
    (lines.collect(), sums.chain([all]).collect())
}

/// The budgets for the page, each folded away.
pub(super) fn page(findings: &Findings) -> Markup {
    html! {
        h2 { "Uncertainty budgets" }
        @for (name, measured) in with_budget(findings) { (folded(name, measured)) }
        p.sub {
            "Share: of the variance. Random parts shrink with more readings; parts shared by this run or common to the rig do not."
        }
    }
}

fn folded(name: ResultName, measured: &Measured) -> Markup {
    let (parts, sums) = rows(measured);
    let line =
        |row: &Row| html! { tr { td { (row.what) } td.num { (row.u) } td { (row.nature) } td.num { (row.share) } } };
    html! {
        details {
            summary { code { (name.name()) } " " (measured.shown()) }
            table {
                thead { tr {
                    th scope="col" { "contribution" } th scope="col" { "u" } th scope="col" { "nature" } th scope="col" { "share" }
                } }
                tbody { @for row in &parts { (line(row)) } }
                tfoot { @for row in &sums { (line(row)) } }
            }
        }
    }
}

/// The budgets as plain text.
#[must_use]
pub fn budgets(findings: &Findings) -> String {
    let mut text = String::from("uncertainty budgets (share: of the variance)\n");
    for (name, measured) in with_budget(findings) {
        text += &format!("\n{name} {}\n", measured.shown());
        let (parts, sums) = rows(measured);
        for row in parts.iter().chain(&sums) {
            text += format!("  {:<40} {:>12}  {:<18} {:>5}", row.what, row.u, row.nature, row.share).trim_end();
            text.push('\n');
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn random_and_common_parts_are_told_apart_and_add_up() {
        let parts = vec![
            Contribution::common("supply_a gain", 0.3),
            Contribution::random("noise", 0.4),
            Contribution::random("resolution", 0.0),
        ];
        let name = ResultName::PeakSupplyA;
        let mut findings = Findings::default();
        findings.put(name, Measured::number(name, 50.0, 1.96, parts, "5 ms mean", 3));
        findings.put(ResultName::LossOpen, Measured::word(ResultName::LossOpen, "stops", "observed", 1));
        let text = budgets(&findings);
        let line = |start: &str, with: &str| {
            text.lines()
                .find(|line| line.trim_start().starts_with(start) && line.contains(with))
                .unwrap_or("")
                .to_owned()
        };
        assert!(line("noise", "random").contains("0.4 A") && line("noise", "random").ends_with("64 %"), "{text}");
        assert!(line("supply_a gain", "common").ends_with("36 %"), "{text}");
        assert!(line("together", "random").ends_with("64 %") && line("together", "common").ends_with("36 %"), "{text}");
        assert!(line("all (u)", "").contains("0.5 A") && !text.contains("loss_open"), "{text}");
        assert!(text.find("noise") < text.find("supply_a gain"), "largest first: {text}");
    }
}
