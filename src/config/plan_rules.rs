//! Rules across the keys of a plan file.

use super::diagnostic::Sheet;
use super::field::Dim;
use super::tree::Node;

/// Checks what the field table cannot say; values that are missing or wrong by themselves are passed over.
pub(crate) fn check(tree: &Node, sheet: &mut Sheet<'_>) {
    for (name, limit) in tree.entries("limits").into_iter().flatten() {
        result_limit(name, limit, sheet);
    }
    for stage in tree.list("stage").into_iter().flatten() {
        if let Some(sweep) = stage.at("sweep") {
            ordered(sweep, "fine", "step", Dim::Duty, sheet);
        }
        if let Some(edges) = stage.at("frequency_edges") {
            ordered(edges, "from", "to", Dim::Hertz, sheet);
        }
        if let (Some(0), Some(0)) = (stage.count("repeats.starts"), stage.count("repeats.stops")) {
            sheet.problem(stage.span.clone(), "`repeats` asks for no start and no stop", None);
        }
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
