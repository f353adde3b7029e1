//! Keys of a rig file that name actuators on a CAN bus: each control is a signal of a frame that is sent again and again.

use std::collections::BTreeMap;

use super::can::CanTarget;
use super::dbc::Entry;
use super::diagnostic::Sheet;
use super::field::Dim;
use super::rig_build::CONTROLS;
use super::rig_can::{NAME, Problem, is_unit, problem, signal, tell};
use super::rig_drivers::serves;
use super::rig_rules::at;
use super::tree::Node;
use crate::driver::Control;
use crate::driver::can::signal::{MOST_BYTES, Signal};

/// How often frames are sent when nothing is stated.
pub(super) const PERIOD_S: f64 = 0.02;

/// Controls that this driver serves.
pub(super) fn here(tree: &Node) -> impl Iterator<Item = (Control, &Node)> {
    CONTROLS.into_iter().filter_map(|control| {
        let path = format!("control.{}", control.name());
        tree.at(&path).filter(|_| serves(tree, &path, NAME)).map(|node| (control, node))
    })
}

/// Rules of the controls; `read` are the signals that channels come from.
pub(super) fn check(tree: &Node, sheet: &mut Sheet<'_>, entries: Option<&[Entry]>, read: &[Signal]) {
    if here(tree).next().is_none() {
        if tree.at("can.period").is_some() {
            let title = "`can.period` is for controls, and none names driver = \"can\"".to_owned();
            at(tree, sheet, "can.period", title, "remove it");
        }
        return;
    }
    if tree.flag("can.listen_only") == Some(true) {
        let title = "controls are sent, and the rig file asks for a controller that only listens".to_owned();
        at(tree, sheet, "can.listen_only", title, "write listen_only = false, and set the interface up without it");
    }
    let mut sent: Vec<(Control, CanTarget)> = Vec::new();
    for (control, node) in here(tree) {
        let found = target(tree, control, node, entries).and_then(|target| {
            beside(&target, &sent, read)?;
            Ok(target)
        });
        match found {
            Ok(target) => sent.push((control, target)),
            Err(problem) => tell(tree, sheet, &format!("control.{}", control.name()), problem),
        }
    }
    duty_step(tree, sheet, &sent);
}

/// What does not go with the signals of other functions.
fn beside(target: &CanTarget, sent: &[(Control, CanTarget)], read: &[Signal]) -> Result<(), Problem> {
    let frame = target.signal.frame;
    if read.iter().any(|signal| signal.frame == frame) {
        let title = format!("frame {frame} is sent for a control and read for a channel");
        return Err(problem("", title, "one node sends a frame: give the control a frame of its own"));
    }
    for (other, with) in sent.iter().filter(|(_, with)| with.signal.frame == frame) {
        if with.signal.layout.overlaps(&target.signal.layout) {
            let title = format!("`{}` lies on bits of `control.{}`", target.name, other.name());
            return Err(problem("", title, "give each control bits of its own"));
        }
        if with.bytes != target.bytes {
            let title = format!(
                "frame {frame} has {} bytes here and {} at `control.{}`",
                target.bytes,
                with.bytes,
                other.name()
            );
            return Err(problem("", title, "write the same `bytes` at both"));
        }
    }
    Ok(())
}

/// What a control must be able to say, the lowest and the highest where all between are due.
fn due(tree: &Node, control: Control) -> Vec<f64> {
    match control {
        Control::SupplyOn | Control::GentleSupply | Control::Active => vec![0.0, 1.0],
        Control::Line => vec![0.0, 1.0, 2.0, 3.0],
        Control::SupplyV => ["supply.range.lowest", "supply.voltage", "supply.range.highest"]
            .into_iter()
            .filter_map(|path| tree.number(path))
            .collect(),
        Control::DutyPct => vec![0.0, 100.0],
        Control::FrequencyHz => {
            ["command.lowest", "command.highest"].into_iter().filter_map(|p| tree.number(p)).collect()
        }
    }
}

/// Where a control goes, or what is wrong with it.
fn target(tree: &Node, control: Control, node: &Node, entries: Option<&[Entry]>) -> Result<CanTarget, Problem> {
    let (name, signal, bytes) = signal(&format!("control.{}", control.name()), node, entries)?;
    let key = if node.at("frame").is_some() { "frame" } else { "address" };
    let bytes = bytes.map_or(MOST_BYTES, |bytes| usize::try_from(bytes).unwrap_or(usize::MAX));
    if bytes > MOST_BYTES || bytes < signal.layout.bytes() {
        let title = format!("`{name}` needs a frame of {} to {MOST_BYTES} bytes, not {bytes}", signal.layout.bytes());
        return Err(problem(key, title, ""));
    }
    let unit = match control {
        Control::DutyPct => "%",
        Control::FrequencyHz => "Hz",
        Control::SupplyV => "V",
        _ => "",
    };
    if !unit.is_empty() && !signal.unit.is_empty() && !is_unit(&signal.unit, unit) {
        let title = format!("`{name}` is in \"{}\", `control.{}` in {unit}", signal.unit, control.name());
        return Err(problem(key, title, &format!("name a signal in {unit}")));
    }
    for value in due(tree, control) {
        let mut data = [0; MOST_BYTES];
        let back = signal.encode(value, &mut data).then(|| signal.decode(&data)).flatten();
        // A step too coarse for a frequency is a slip of the pen as well: half of the value would be off.
        let allowed = match control {
            Control::SupplyV => 0.05,
            _ if unit.is_empty() => 1e-6,
            _ => 0.5 * value.max(1.0),
        };
        if back.is_none_or(|back| (back - value).abs() > allowed) {
            let title = format!("`{name}` cannot say {value}, which `control.{}` needs", control.name());
            return Err(problem(key, title, "name a signal of more bits, or another factor"));
        }
    }
    Ok(CanTarget { name, signal, bytes })
}

/// A duty that comes in steps is off by them, and the rig file must own up to it.
fn duty_step(tree: &Node, sheet: &mut Sheet<'_>, sent: &[(Control, CanTarget)]) {
    let duty = sent.iter().find(|(control, _)| *control == Control::DutyPct);
    let (Some(step_pct), Some(stated)) =
        (duty.and_then(|(_, target)| target.signal.step()), tree.number("command.duty_u"))
    else {
        return;
    };
    // Evenly spread over one step.
    let u = step_pct / 100.0 / 12.0_f64.sqrt();
    if stated < u {
        let title = format!(
            "duties go out in steps of {step_pct} %, which alone makes them uncertain by {}, not {}",
            Dim::Ratio.show(u),
            Dim::Ratio.show(stated)
        );
        at(tree, sheet, "command.duty_u", title, "state what node and signal can do, or name a signal of finer steps");
    }
}

/// The typed controls; `None` when one is wrong, of which the rules have told.
pub(super) fn build(tree: &Node, entries: Option<&[Entry]>) -> Option<BTreeMap<Control, CanTarget>> {
    here(tree).map(|(control, node)| Some((control, target(tree, control, node, entries).ok()?))).collect()
}
