//! The way in: file or text to a typed rig or plan, or all that is wrong with it.

use std::path::Path;

use super::diagnostic::{Diagnostic, Place, Problems, Sheet};
use super::field::Table;
use super::form::{self, FORM, Form};
use super::plan::Plan;
use super::plan_table::PLAN;
use super::rig::Rig;
use super::rig_table::RIG;
use super::tree::Node;
use super::walk::{top_keys, walk};
use super::{calibration, plan_build, plan_rules, rig_build, rig_rules};

/// A file larger than this is no rig or plan.
const MOST_BYTES: usize = 1 << 20;

/// Reads the rig file at `path`, and the calibration file beside it if there is one.
///
/// # Errors
/// Everything that is wrong with the files.
pub fn load_rig(path: &Path) -> Result<Rig, Problems> {
    let mut rig = parse_rig(path, &read(path)?)?;
    calibration::attach(&mut rig, calibration::load(&calibration::path_for(path))?);
    Ok(rig)
}

/// Reads the plan file at `path`.
///
/// # Errors
/// Everything that is wrong with the file.
pub fn load_plan(path: &Path) -> Result<Plan, Problems> {
    parse_plan(path, &read(path)?)
}

/// The rig in `text`; `name` is the path shown in messages.
///
/// # Errors
/// Everything that is wrong with the text.
pub fn parse_rig(name: &Path, text: &str) -> Result<Rig, Problems> {
    parse(name, text, &RIG, "rigs/virtual.toml", rig_rules::check, rig_build::build)
}

/// The plan in `text`; `name` is the path shown in messages.
///
/// # Errors
/// Everything that is wrong with the text.
pub fn parse_plan(name: &Path, text: &str) -> Result<Plan, Problems> {
    parse(name, text, &PLAN, "test-plans/full.toml", plan_rules::check, plan_build::build)
}

/// Reads the form at `path`: readings of a unit before power.
///
/// # Errors
/// Everything that is wrong with the file.
pub fn load_form(path: &Path) -> Result<Form, Problems> {
    parse_form(path, &read(path)?)
}

/// The form in `text`; `name` is the path shown in messages.
///
/// # Errors
/// Everything that is wrong with the text.
pub fn parse_form(name: &Path, text: &str) -> Result<Form, Problems> {
    parse(name, text, &FORM, "galebench preflight --blank", form::check, form::build)
}

/// A file of either kind.
#[derive(Clone, Debug, PartialEq)]
pub enum FileKind {
    /// A bench.
    Rig(Box<Rig>),
    /// What to do to a unit.
    Plan(Box<Plan>),
}

/// Reads the file at `path`, which tells by its content whether it is a rig or a plan.
///
/// # Errors
/// Everything that is wrong with the file, or that it is neither.
pub fn load_either(path: &Path) -> Result<FileKind, Problems> {
    let text = read(path)?;
    let keys = top_keys(&text);
    let has = |marks: &[&str]| marks.iter().any(|mark| keys.iter().any(|key| key == mark));
    if has(&["bench", "control", "channel", "load_fan", "dummy_load", "wiring", "command"]) {
        return load_rig(path).map(|rig| FileKind::Rig(Box::new(rig)));
    }
    // An empty file has its own message, the same for both kinds.
    if has(&["stage", "reference_voltage", "time_limit", "battery"]) || keys.is_empty() {
        return parse_plan(path, &text).map(|plan| FileKind::Plan(Box::new(plan)));
    }
    let help = "a rig has the table `[bench]`, a plan has stages beginning with `[[stage]]`";
    Err(Problems::one(Diagnostic::of_file(path, "neither a rig nor a plan", Some(help))))
}

/// Arbitrary bytes as a rig file: the entry for fuzzing, which must return for every input.
///
/// # Errors
/// As [`parse_rig`], and text that is not UTF-8 or too long.
pub fn rig_from_bytes(name: &Path, bytes: &[u8]) -> Result<Rig, Problems> {
    parse_rig(name, text_of(name, bytes)?)
}

/// Arbitrary bytes as a plan file: the entry for fuzzing, which must return for every input.
///
/// # Errors
/// As [`parse_plan`], and text that is not UTF-8 or too long.
pub fn plan_from_bytes(name: &Path, bytes: &[u8]) -> Result<Plan, Problems> {
    parse_plan(name, text_of(name, bytes)?)
}

/// The text of the file at `path`.
///
/// # Errors
/// Not there, not readable, not text, too long.
pub(crate) fn read(path: &Path) -> Result<String, Problems> {
    let bytes = std::fs::read(path).map_err(|error| {
        let title = match error.kind() {
            std::io::ErrorKind::NotFound => "no such file".to_owned(),
            _ => format!("the file cannot be read: {error}"),
        };
        Problems::one(Diagnostic::of_file(path, title, None))
    })?;
    text_of(path, &bytes).map(str::to_owned)
}

/// `bytes` as text.
fn text_of<'b>(path: &Path, bytes: &'b [u8]) -> Result<&'b str, Problems> {
    if bytes.len() > MOST_BYTES {
        let title = format!("the file has {} bytes, which is too long for a rig or plan file", bytes.len());
        return Err(Problems::one(Diagnostic::of_file(path, title, None)));
    }
    std::str::from_utf8(bytes).map_err(|error| {
        let good = String::from_utf8_lossy(&bytes[..error.valid_up_to()]);
        let place = Place::new(&good, good.len()..good.len());
        let title = format!("not UTF-8 text from line {}, column {}", place.line, place.column);
        Problems::one(Diagnostic::of_file(path, title, Some("save the file as UTF-8")))
    })
}

/// Walk, rules, build.
fn parse<T>(
    name: &Path,
    text: &str,
    table: &'static Table,
    example: &str,
    rules: fn(&Node, &mut Sheet<'_>),
    build: fn(&Node, &Sheet<'_>) -> Option<T>,
) -> Result<T, Problems> {
    if text.trim_start_matches('\u{feff}').trim().is_empty() {
        let help = format!("`{example}` is a complete example");
        return Err(Problems::one(Diagnostic::of_file(name, "the file is empty", Some(&help))));
    }
    let mut sheet = Sheet::new(name, text);
    let tree = walk(&mut sheet, table);
    rules(&tree, &mut sheet);
    if sheet.is_clean() {
        // Without a problem everything due is there; should that ever be untrue, it must not pass for a good file.
        match build(&tree, &sheet) {
            Some(value) => return Ok(value),
            None => sheet.problem(0..0, "the file could not be read completely", None),
        }
    }
    Err(sheet.into_problems())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_shipped_file_loads() {
        for path in [
            "rigs/virtual.toml",
            "rigs/virtual-two-wire.toml",
            "rigs/virtual-supply.toml",
            "rigs/virtual-dummy-load.toml",
            "rigs/external.toml",
            "rigs/linux-board.toml",
            "rigs/low-cost-bench.toml",
            "rigs/lab-bench.toml",
            "rigs/can-bench.toml",
            "rigs/two-wire-bench.toml",
        ] {
            load_rig(Path::new(path)).unwrap_or_else(|problems| panic!("{problems}"));
        }
        for path in ["rigs/faults/switch-shorted.toml", "rigs/faults/soft-start-lost.toml"] {
            load_rig(Path::new(path)).unwrap_or_else(|problems| panic!("{problems}"));
        }
        for path in ["test-plans/full.toml", "test-plans/quick.toml", "test-plans/stress.toml", "test-plans/stall.toml"]
        {
            load_plan(Path::new(path)).unwrap_or_else(|problems| panic!("{problems}"));
        }
    }
}
