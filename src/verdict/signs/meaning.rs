//! What each fault means for use, and what to check by hand next.

use super::fault;
use crate::results::Sign;

/// Fills both in.
pub(super) fn add(sign: &mut Sign) {
    let (implies, check) = words(&sign.fault);
    implies.clone_into(&mut sign.implies);
    check.clone_into(&mut sign.check);
}

fn words(name: &str) -> (&'static str, &'static str) {
    match name {
        fault::SWITCH_SHORTED => (
            "the fan runs whenever there is power and flattens the battery; nothing can be commanded",
            "with the supply off, ohm and diode reading between supply plus, fan plus, fan minus and ground, both ways",
        ),
        fault::SWITCH_OPEN => (
            "the fan never runs: the engine overheats",
            "diode reading across the output switch; look at the bond or solder joint of the fan pins",
        ),
        fault::PARALLEL_SWITCH_OPEN => (
            "one switch carries all the current and runs hot: it works until a hot day",
            "millivolts from pin to pin of each switch at a steady current; look for a cracked joint at one of them",
        ),
        fault::CRACKED_JOINT => (
            "the fan drops out at random, more when warm or shaken, and will stop for good",
            "flex the loom and press on the connector while the drop-outs are watched; look at the solder joints with a glass",
        ),
        fault::DRIED_CAPACITOR => (
            "the supply line rings and dips: resets at start, noise in the vehicle's electronics, the rest of the capacitor heats",
            "capacitance and series resistance with a meter; look for a bulged can or a leak",
        ),
        fault::SOFT_START_LOST => (
            "each start pulls the full inrush: dips the lights, drags the idle down, wears fuse and contacts",
            "repeat the start cold and hot and look at the current trace; nothing can be set from outside",
        ),
        fault::INPUT_DEAD => (
            "no command arrives: the fan never runs, or always as on a lost signal",
            "continuity from the pin to the board; resistance of the pin to ground and supply, unpowered",
        ),
        fault::INPUT_LEAKY => (
            "the command is read wrong, more so with another controller or in the wet",
            "clean and dry the connector, then read resistance from the pin to ground again",
        ),
        fault::BAND_SHIFTED => (
            "at the vehicle's command frequency it may stop, hunt or run flat out",
            "repeat the frequency edges warm; compare with another of its kind",
        ),
        fault::CURRENT_LIMIT_EARLY => (
            "the fan never reaches full speed; cooling is short when it matters",
            "repeat with a lighter fan: a limit keeps its amperes, a resistance its ohms",
        ),
        fault::THERMAL_LIMIT_EARLY => (
            "full speed for minutes only, less on a hot day",
            "look at the paste and the screws between switch and case; repeat with air blown on the case",
        ),
        fault::SLEEP_LOST => (
            "drains the battery of a parked vehicle",
            "wait longer with the line open and held; clamp the supply lead; fit only on a feed that is off with the ignition",
        ),
        fault::WATER_IN_CONNECTOR => (
            "corrodes on, drains the battery, and the command drifts with the weather",
            "open the connector: green or white deposits; dry it warm for a day and test again",
        ),
        fault::OVERHEATS => {
            ("stops or dies under load", "look at the paste and screws of the heat path; test again with air")
        }
        fault::OVER_CURRENT => {
            ("blows the fuse", "resistance of fan and output with a meter; turn the fan by hand with the supply off")
        }
        "load fan worn" => (
            "speeds, start duties and currents of this run belong to a worn fan, those of the module hold",
            "look at the brushes of the load fan; measure its resistance at several positions",
        ),
        "supply weak or a bad contact in its wires" => (
            "currents and speeds of this run are lower than in a vehicle; resistances hold",
            "millivolts along the supply path at a steady current; charge the battery",
        ),
        "supply in its current limit" => (
            "peaks and soft start of this run are the supply's; nothing is known beyond its limit",
            "use a battery, or set the supply's limit above the load fan's locked-rotor current",
        ),
        _ => ("the run was ended by it", "read the trip in the report and look at the trace before it"),
    }
}
