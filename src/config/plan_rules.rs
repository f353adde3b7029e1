//! Rules across the keys of a plan file.

use super::diagnostic::Sheet;
use super::field::Dim;
use super::tree::Node;

/// Checks what the field table cannot say; values that are missing or wrong by themselves are passed over.
pub(crate) fn check(tree: &Node, sheet: &mut Sheet<'_>) {
    for (name, limit) in tree.entries("limits").into_iter().flatten() {
        result_limit(name, limit, sheet);
    }
    guarded(tree, sheet);
    if let Some(day) = tree.at("under_bonnet") {
        ordered(day, "ambient", "highest_case", Dim::Celsius, sheet);
    }
    for stage in tree.list("stage").into_iter().flatten() {
        if let Some(sweep) = stage.at("sweep") {
            ordered(sweep, "fine", "step", Dim::Duty, sheet);
        }
        if let Some(edges) = stage.at("frequency_edges") {
            ordered(edges, "from", "to", Dim::Hertz, sheet);
        }
        if let Some(crank) = stage.at("crank")
            && let (Some(levels), Some(times)) = (crank.list("levels"), crank.list("times"))
            && levels.len() != times.len()
        {
            sheet.problem(
                crank.span.clone(),
                format!("`crank` has {} levels and {} times", levels.len(), times.len()),
                Some("give each level the time that it lasts".to_owned()),
            );
        }
        if let (Some(0), Some(0)) = (stage.count("repeats.starts"), stage.count("repeats.stops")) {
            sheet.problem(stage.span.clone(), "`repeats` asks for no start and no stop", None);
        }
    }
}

/// Largest share of broken units that a global risk may let through each: beyond it there is next to no guard band.
const MOST_THROUGH: f64 = 0.2;

/// A global risk asks for guard bands at all: beside the share of bad units it is small.
fn guarded(tree: &Node, sheet: &mut Sheet<'_>) {
    if let (Some("global"), Some(accepted), Some(prior), Some(node)) =
        (tree.text("risk.kind"), tree.number("risk.accepted"), tree.number("prior_bad"), tree.at("risk.accepted"))
        && accepted > MOST_THROUGH * prior
    {
        let (share, most) = (Dim::Ratio.show(accepted), Dim::Ratio.show(MOST_THROUGH * prior));
        let bad = Dim::Ratio.show(prior);
        sheet.problem(
            node.span.clone(),
            format!("`risk.accepted` of {share} of all units leaves nothing to guard where {bad} are bad"),
            Some(format!("accept at most {most}, a fifth of `prior_bad`, or state a `specific` risk")),
        );
    }
}

fn result_limit(name: &str, limit: &Node, sheet: &mut Sheet<'_>) {
    let (min, max) = (limit.number("min"), limit.number("max"));
    if let (Some(low), Some(high)) = (min, max)
        && low > high
        && let Some(node) = limit.at("min")
    {
        sheet.problem(node.span.clone(), format!("`limits.{name}`: min is above max, so nothing can meet it"), None);
    }
    if ["min", "max", "one_of"].iter().all(|key| limit.at(key).is_none()) {
        let help = Some("give it `min`, `max` or `one_of`, or remove the line".to_owned());
        sheet.problem(limit.span.clone(), format!("`limits.{name}` limits nothing"), help);
    }
}

/// The value of `low` lies below that of `high`.
fn ordered(settings: &Node, low: &str, high: &str, dim: Dim, sheet: &mut Sheet<'_>) {
    if let (Some(a), Some(b), Some(node)) = (settings.number(low), settings.number(high), settings.at(low))
        && a >= b
    {
        sheet.problem(
            node.span.clone(),
            format!("`{low}` of {} is not below `{high}` of {}", dim.show(a), dim.show(b)),
            None,
        );
    }
}
