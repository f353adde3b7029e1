//! Which driver serves which function of a rig file: a function's own `driver`, else that of `[bench]`. Rules that keep
//! what belongs together with one driver, and that no driver is named for nothing.

use std::collections::BTreeSet;

use super::diagnostic::Sheet;
use super::rig_rules::at;
use super::tree::Node;

/// Functions that only make sense together: what holds the command line is one thing, and so is what closes the supply.
const TOGETHER: [(&str, &[&str], &str); 2] = [
    (
        "control.supply_on",
        &["control.supply_gentle"],
        "one driver bridges the first-power means, so that it never opens onto them",
    ),
    (
        "control.duty_pct",
        &["control.active", "control.frequency_hz", "control.line"],
        "one driver holds the command line, so that two never drive it at once",
    ),
];

/// Every function of the file, as paths.
fn functions(tree: &Node) -> Vec<String> {
    let mut paths: Vec<String> =
        ["tach", "emergency_stop"].into_iter().filter(|path| tree.at(path).is_some()).map(str::to_owned).collect();
    for table in ["control", "channel"] {
        paths.extend(tree.entries(table).into_iter().flatten().map(|(name, _)| format!("{table}.{name}")));
    }
    paths
}

/// The driver of the function that holds the key at `path`; that of the bench for keys of no function.
fn driver_of<'t>(tree: &'t Node, path: &str) -> Option<&'t str> {
    let mut parts = path.split('.');
    let function = match (parts.next(), parts.next()) {
        (Some(table @ ("control" | "channel")), Some(name)) => format!("{table}.{name}"),
        (Some(table @ ("tach" | "emergency_stop")), _) => table.to_owned(),
        _ => String::new(),
    };
    tree.text(&format!("{function}.driver")).or_else(|| tree.text("bench.driver"))
}

/// Whether `driver` serves the function that holds the key at `path`, or is used at all where the key belongs to none.
pub(super) fn serves(tree: &Node, path: &str, driver: &str) -> bool {
    if path.starts_with("bench.") { used(tree).contains(driver) } else { driver_of(tree, path) == Some(driver) }
}

/// The drivers that serve a function, and that of the instruments, which follow the supply even where nothing names them.
pub(super) fn used(tree: &Node) -> BTreeSet<&str> {
    let instruments = tree.list("instrument").filter(|list| !list.is_empty()).map(|_| super::rig_scpi::NAME);
    functions(tree).iter().filter_map(|path| driver_of(tree, path)).chain(instruments).collect()
}

/// Drivers that cannot set a voltage.
const SETS_NO_VOLTAGE: [&str; 2] = ["linux", "raspberry"];

/// What is wrong with the drivers of the file and with what each needs.
pub(super) fn check(tree: &Node, sheet: &mut Sheet<'_>) {
    let Some(bench) = tree.text("bench.driver") else { return };
    let used = used(tree);
    if !used.contains(bench) && !used.is_empty() {
        let title = format!("driver = \"{bench}\" serves nothing: every function names another driver");
        at(tree, sheet, "bench.driver", title, "name one of theirs here, and leave it out at those functions");
    }
    whole_or_none(tree, sheet, bench, &used);
    together(tree, sheet);
    if let Some(driver) = tree.at("control.supply_v").and_then(|_| driver_of(tree, "control.supply_v"))
        && SETS_NO_VOLTAGE.contains(&driver)
    {
        let title = format!("driver = \"{driver}\" has no control `supply_v`");
        at(tree, sheet, "control.supply_v", title, "name the driver that has it, for example driver = \"scpi\"");
    }
    needs(tree, sheet, &used);
}

/// The virtual bench is one model of unit, supply and fan: a part of it cannot come from elsewhere.
fn whole_or_none(tree: &Node, sheet: &mut Sheet<'_>, bench: &str, used: &BTreeSet<&str>) {
    if used.len() < 2 || !used.contains("virtual") {
        return;
    }
    for path in functions(tree) {
        let path = format!("{path}.driver");
        if let Some(own) = tree.text(&path).filter(|own| *own != bench) {
            let title = format!("`{path}` is \"{own}\", but the driver of the bench is \"{bench}\"");
            at(tree, sheet, &path, title, "the virtual bench plays every function or none: remove the key");
        }
    }
}

fn together(tree: &Node, sheet: &mut Sheet<'_>) {
    for (first, others, why) in TOGETHER {
        for other in others.iter().filter(|other| tree.at(first).is_some() && tree.at(other).is_some()) {
            let (Some(a), Some(b)) = (driver_of(tree, first), driver_of(tree, other)) else { continue };
            if a != b {
                let title = format!("`{other}` is served by \"{b}\" and `{first}` by \"{a}\"");
                at(tree, sheet, other, title, why);
            }
        }
    }
}

fn needs(tree: &Node, sheet: &mut Sheet<'_>, used: &BTreeSet<&str>) {
    // Where no function could be read the driver of the bench is all that is known.
    let bench = tree.text("bench.driver");
    let has = |driver: &str| used.contains(driver) || (used.is_empty() && bench == Some(driver));
    let place = |driver: &str| {
        let own = functions(tree).into_iter().map(|path| format!("{path}.driver"));
        let own = own.into_iter().find(|path| tree.text(path) == Some(driver));
        if bench == Some(driver) { "bench.driver".to_owned() } else { own.unwrap_or_default() }
    };
    let (has_command, has_virtual) = (tree.at("bench.command").is_some(), tree.at("virtual").is_some());
    if has("external") && !has_command {
        let title = "an external bench lacks `bench.command`".to_owned();
        let help = "name the program, for example command = [\"python3\", \"my_daq.py\"]";
        at(tree, sheet, &place("external"), title, help);
    }
    if !has("external") && has_command {
        let title = "`bench.command` belongs to driver = \"external\"".to_owned();
        at(tree, sheet, "bench.command", title, "remove it, or name the driver \"external\"");
    }
    if has("virtual") && !has_virtual {
        let title = "a virtual bench lacks the table `[virtual]`".to_owned();
        at(tree, sheet, &place("virtual"), title, "an empty `[virtual]` plays the default module");
    }
    if !has("virtual") && has_virtual {
        let title = "`[virtual]` is read with driver = \"virtual\" only".to_owned();
        at(tree, sheet, "virtual", title, "remove the table, or name the driver \"virtual\"");
    }
}
