//! The form for readings taken by hand before power: a small file, also good as a sheet of paper.

use super::diagnostic::Sheet;
use super::field::{Bounds, Dim, Field, Kind, Table, optional, required};
use super::tree::Node;
use crate::units::{Ohms, Volts};

/// Readings of a unit that has no power yet.
#[derive(Clone, Debug, PartialEq)]
pub struct Form {
    /// Tag of the unit.
    pub unit: String,
    /// Who read.
    pub by: Option<String>,
    /// Where the picture is.
    pub photo: Option<String>,
    /// How the connector looks.
    pub connector: Option<Connector>,
    /// Supply pin against ground pin.
    pub supply_ground: Pair,
    /// Supply pin against the switched output pin.
    pub supply_output: Pair,
    /// Switched output pin against ground pin.
    pub output_ground: Pair,
    /// Heatsink against the nearest of all pins.
    pub heatsink_pins: Option<Ohms>,
}

/// One pair of pins, read both ways.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Pair {
    /// Red probe on the first pin.
    pub ohm: Option<Ohms>,
    /// Black probe on the first pin.
    pub ohm_reversed: Option<Ohms>,
    /// Diode range, red probe on the first pin.
    pub diode: Option<Volts>,
    /// Diode range, black probe on the first pin.
    pub diode_reversed: Option<Volts>,
}

/// How a connector looks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Connector {
    /// Clean and whole.
    Clean,
    /// Green or white, but dry.
    Corroded,
    /// Wet.
    Wet,
    /// Bent, burnt or broken.
    Damaged,
}

const CONNECTORS: [(&str, Connector); 4] = [
    ("clean", Connector::Clean),
    ("corroded", Connector::Corroded),
    ("wet", Connector::Wet),
    ("damaged", Connector::Damaged),
];

/// A form to fill in.
pub const BLANK: &str = "\
# Readings before power. Unit on the table, nothing connected, capacitors discharged through a resistor.
# Over range: write the highest range of the meter, for example \"20 MOhm\" or \"3 V\".
unit = \"TQ-0001\"
# by = \"name\"
# photo = \"photos/tq-0001.jpg\"
connector = \"clean\"           # clean, corroded, wet, damaged

# Red probe on the first-named pin; `_reversed`: black probe on it. Wait until the reading stands: capacitors charge.
[supply_ground]
ohm = \"20 kOhm\"
ohm_reversed = \"5 kOhm\"
diode = \"3 V\"
diode_reversed = \"0.5 V\"

[supply_output]
ohm = \"20 kOhm\"
ohm_reversed = \"20 kOhm\"

[output_ground]
ohm = \"20 kOhm\"
ohm_reversed = \"20 kOhm\"

[heatsink]
pins = \"20 MOhm\"              # the lowest of heatsink to each pin
";

const fn ohms(key: &'static str, doc: &'static str) -> Field {
    optional(key, Kind::Quantity(Dim::Ohms, Bounds::NotNegative), doc)
}

const fn volts(key: &'static str, doc: &'static str) -> Field {
    optional(key, Kind::Quantity(Dim::Volts, Bounds::NotNegative), doc)
}

static PAIR: Table = Table {
    doc: "One pair of pins, read both ways.",
    fields: &[
        ohms("ohm", "Red probe on the first-named pin."),
        ohms("ohm_reversed", "Black probe on the first-named pin."),
        volts("diode", "Diode range, red probe on the first-named pin."),
        volts("diode_reversed", "Diode range, black probe on the first-named pin."),
    ],
};

static HEATSINK: Table =
    Table { doc: "Heatsink.", fields: &[ohms("pins", "Heatsink against each pin: the lowest reading.")] };

/// The whole file.
pub(crate) static FORM: Table = Table {
    doc: "Readings of a unit that has no power yet.",
    fields: &[
        required("unit", Kind::Text, "Tag of the unit."),
        optional("by", Kind::Text, "Who read."),
        optional("photo", Kind::Text, "Where the picture is."),
        optional("connector", Kind::Word(|| CONNECTORS.map(|(word, _)| word).to_vec()), "How the connector looks."),
        optional("supply_ground", Kind::Table(&PAIR), "Supply pin against ground pin."),
        optional("supply_output", Kind::Table(&PAIR), "Supply pin against the switched output pin."),
        optional("output_ground", Kind::Table(&PAIR), "Switched output pin against ground pin."),
        optional("heatsink", Kind::Table(&HEATSINK), "Heatsink."),
    ],
};

/// Nothing that the field table cannot say.
pub(crate) fn check(_tree: &Node, _sheet: &mut Sheet<'_>) {}

pub(crate) fn build(tree: &Node, _sheet: &Sheet<'_>) -> Option<Form> {
    let text = |key: &str| tree.text(key).map(str::to_owned);
    let pair = |name: &str| Pair {
        ohm: tree.number(&format!("{name}.ohm")).map(Ohms),
        ohm_reversed: tree.number(&format!("{name}.ohm_reversed")).map(Ohms),
        diode: tree.number(&format!("{name}.diode")).map(Volts),
        diode_reversed: tree.number(&format!("{name}.diode_reversed")).map(Volts),
    };
    let connector = tree.text("connector");
    Some(Form {
        unit: text("unit")?,
        by: text("by"),
        photo: text("photo"),
        connector: CONNECTORS.into_iter().find(|(word, _)| Some(*word) == connector).map(|(_, connector)| connector),
        supply_ground: pair("supply_ground"),
        supply_output: pair("supply_output"),
        output_ground: pair("output_ground"),
        heatsink_pins: tree.number("heatsink.pins").map(Ohms),
    })
}
