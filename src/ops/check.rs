//! `check`: reads rig and plan files without touching a device, and says what would happen.

use std::fmt::Write;
use std::path::PathBuf;

use crate::config::{
    self, Diagnostic, EffectiveLimit, EffectiveLimits, FileKind, Plan, Problems, Rig, Timeline, duration,
};
use crate::units::significant;

/// Checks `files`, rigs and plans in any order, each by itself and every plan on every rig.
///
/// The text tells, for each plan on each rig, its stages with worst-case bench time and peak energy, which of them the rig must
/// skip, the limits in force with their origin, and cautions.
///
/// # Errors
/// Everything wrong with any of the files, and everything in a plan that goes beyond a rig.
pub fn check(files: &[PathBuf]) -> Result<String, Problems> {
    let (mut rigs, mut plans, mut problems) = (Vec::new(), Vec::new(), Vec::new());
    for file in files {
        match config::load_either(file) {
            Ok(FileKind::Rig(rig)) => rigs.push(*rig),
            Ok(FileKind::Plan(plan)) => plans.push(*plan),
            Err(found) => problems.extend(found.0),
        }
    }
    let mut text = String::new();
    for rig in &rigs {
        line(&mut text, format_args!("{}: rig \"{}\", no problem", rig.path.display(), rig.name));
    }
    for plan in &plans {
        let stages = plan.stages.len();
        let s = if stages == 1 { "" } else { "s" };
        line(&mut text, format_args!("{}: plan \"{}\", {stages} stage{s}, no problem", plan.path.display(), plan.name));
    }
    for rig in &rigs {
        for plan in &plans {
            match config::check_together(rig, plan) {
                Ok(timeline) => together(&mut text, rig, plan, &timeline),
                Err(found) => problems.extend(found.0.into_iter().map(|problem| on_rig(problem, rig))),
            }
        }
    }
    if problems.is_empty() { Ok(text) } else { Err(Problems(problems)) }
}

/// With several rigs a person must see which one a plan goes beyond.
fn on_rig(problem: Diagnostic, rig: &Rig) -> Diagnostic {
    let title = format!("on {}: {}", rig.path.display(), problem.title);
    Diagnostic { title, ..problem }
}

/// Writing to a `String` cannot fail.
fn line(text: &mut String, arguments: std::fmt::Arguments<'_>) {
    let _ = text.write_fmt(arguments);
    text.push('\n');
}

fn together(text: &mut String, rig: &Rig, plan: &Plan, timeline: &Timeline) {
    line(text, format_args!("\nplan \"{}\" on rig \"{}\"", plan.name, rig.name));
    line(text, format_args!("\n   #  stage            worst case   peak energy"));
    for (i, stage) in timeline.stages.iter().enumerate() {
        match &stage.skipped {
            Some(why) => line(text, format_args!("  {:>2}  {:<15}  skipped: {why}", i + 1, stage.stage)),
            None => line(
                text,
                format_args!(
                    "  {:>2}  {:<15}  {:>10}  {:>12}",
                    i + 1,
                    stage.stage,
                    duration(stage.worst_s),
                    energy(stage.peak_energy_j)
                ),
            ),
        }
    }
    line(text, format_args!("      {:<15}  {:>10}", "all", duration(timeline.worst_s())));
    limits(text, &timeline.limits);
    let missing = config::missing_results(rig);
    if !missing.is_empty() {
        line(text, format_args!("\nresults that this rig cannot give"));
        for same in missing.chunk_by(|one, other| one.1 == other.1) {
            let names: Vec<&str> = same.iter().map(|(result, _)| result.name()).collect();
            let why = &same[0].1;
            match names[..] {
                [name] if name.len() <= 20 => line(text, format_args!("  {name:<20} {why}")),
                _ => line(text, format_args!("  {}: {why}", names.join(", "))),
            }
        }
    }
    if !timeline.cautions.is_empty() {
        line(text, format_args!("\ncautions"));
        for caution in &timeline.cautions {
            line(text, format_args!("  - {caution}"));
        }
    }
}

fn limits(text: &mut String, limits: &EffectiveLimits) {
    line(text, format_args!("\nlimits in force"));
    let mut row = |words: &str, limit: &EffectiveLimit, unit: &str| {
        let value = format!("{} {unit}", significant(limit.value, 4));
        line(text, format_args!("  {words:<34} {value:>12}  {}", limit.from));
    };
    row("supply cut at once above", &limits.instant_a, "A");
    row("current for ever", &limits.continuous_a, "A");
    row("supply cut at an overload of", &limits.i2t_a2s, "A2s");
    row("highest supply voltage", &limits.over_v, "V");
    row("lowest supply voltage", &limits.under_v, "V");
    row("highest case temperature", &limits.case_c, "°C");
    if let Some(rise) = &limits.case_rise_k_per_min {
        row("highest rise of it in a minute", rise, "K");
    }
    row("current while off is commanded", &limits.off_a, "A");
    if let Some(stall) = &limits.stall {
        row("stalled fan current from", &stall.amps, "A");
        row("longest stall", &stall.seconds, "s");
    }
    if let Some(load) = &limits.load_a2s {
        row("dummy load heated at most by", load, "A2s");
    }
    let energised = &limits.energised_s;
    line(
        text,
        format_args!("  {:<34} {:>12}  {}", "longest energised time", duration(energised.value), energised.from),
    );
}

/// An energy that a person at the bench can picture: joules below one kilojoule, else kilojoules.
fn energy(joules: f64) -> String {
    if joules < 1000.0 { format!("{joules:.0} J") } else { format!("{:.1} kJ", joules / 1000.0) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn paths(files: &[&str]) -> Vec<PathBuf> {
        files.iter().map(PathBuf::from).collect()
    }

    #[test]
    fn a_plan_on_a_rig_gives_its_timeline() {
        insta::assert_snapshot!(check(&paths(&["rigs/virtual.toml", "test-plans/full.toml"])).unwrap());
    }

    #[test]
    fn a_rig_with_less_skips_and_warns() {
        insta::assert_snapshot!(check(&paths(&["test-plans/quick.toml", "rigs/external.toml"])).unwrap());
    }

    #[test]
    fn problems_of_all_files_are_told_at_once() {
        let folder = tempfile::tempdir().unwrap();
        let plan = folder.path().join("plan.toml");
        let text = "name = \"x\"\ncurrent_limit = \"400 A\"\n[[stage]]\nsweep = { to = \"100 %\" }\n";
        std::fs::write(&plan, text).unwrap();
        let neither = folder.path().join("neither.toml");
        std::fs::write(&neither, "colour = \"red\"\n").unwrap();
        let files = [PathBuf::from("rigs/virtual.toml"), plan, neither, folder.path().join("gone.toml")];
        let problems = check(&files).unwrap_err().to_string().replace(&folder.path().display().to_string(), "FOLDER");
        insta::assert_snapshot!(problems);
    }
}
