//! Copper wire and the fuse before it: the one table that sheets and pages are made from.

/// A wire that is sold.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Wire {
    pub(super) area_mm2: f64,
    /// The next usual AWG size that is no thinner.
    pub(super) awg: &'static str,
    /// What it carries for ever: PVC insulation, two loaded conductors in a conduit on a wall, 30 °C (IEC 60364-5-52, table
    /// B.52.2, reference method B1). On an open bench it stays cooler.
    pub(super) carries_a: f64,
    /// The largest usual fuse (ratings of ISO 8820) that melts before the wire is too warm.
    pub(super) fuse_a: f64,
}

const fn wire(area_mm2: f64, awg: &'static str, carries_a: f64, fuse_a: f64) -> Wire {
    Wire { area_mm2, awg, carries_a, fuse_a }
}

/// From thin to thick.
pub(super) const WIRES: [Wire; 9] = [
    wire(1.5, "14", 17.5, 15.0),
    wire(2.5, "12", 24.0, 20.0),
    wire(4.0, "10", 32.0, 30.0),
    wire(6.0, "8", 41.0, 40.0),
    wire(10.0, "6", 57.0, 50.0),
    wire(16.0, "4", 76.0, 70.0),
    wire(25.0, "2", 101.0, 100.0),
    wire(35.0, "1", 125.0, 125.0),
    wire(50.0, "1/0", 151.0, 150.0),
];

/// Resistivity of annealed copper at 20 °C, ohm mm² per metre (IEC 60028: 1/58).
const COPPER_20C: f64 = 1.0 / 58.0;
/// Its rise per kelvin (IEC 60028).
const PER_KELVIN: f64 = 0.00393;

impl Wire {
    /// The thinnest one that such a fuse guards.
    pub(super) fn behind(fuse_a: f64) -> Option<Self> {
        WIRES.into_iter().find(|wire| wire.fuse_a >= fuse_a)
    }

    /// Resistance of a metre at a temperature of the copper, ohms.
    fn per_metre_ohm(self, celsius: f64) -> f64 {
        COPPER_20C * (1.0 + PER_KELVIN * (celsius - 20.0)) / self.area_mm2
    }

    /// Voltage lost over a metre there and back, copper at 20 °C.
    pub(super) fn lost_v(self, amps: f64) -> f64 {
        2.0 * amps * self.per_metre_ohm(20.0)
    }
}

#[cfg(test)]
mod tests {
    use std::fmt::Write as _;
    use std::path::Path;

    use super::*;
    use crate::units::significant;

    /// Share of its rating that a fuse bears for hours.
    const FOR_HOURS: f64 = 0.75;

    /// The table as pages show it.
    fn markdown() -> String {
        let mut text = "| copper | AWG | fuse at most | current for hours | mOhm per metre at 20 °C | at 70 °C | lost per metre there and \
                    back at that current |\n|---|---|---|---|---|---|---|\n"
        .to_owned();
        for wire in WIRES {
            let hours_a = FOR_HOURS * wire.fuse_a;
            let _ = writeln!(
                text,
                "| {} mm² | {} | {} A | {} A | {} | {} | {} V |",
                wire.area_mm2,
                wire.awg,
                wire.fuse_a,
                significant(hours_a, 2),
                significant(1e3 * wire.per_metre_ohm(20.0), 3),
                significant(1e3 * wire.per_metre_ohm(70.0), 3),
                significant(wire.lost_v(hours_a), 2)
            );
        }
        text
    }

    #[test]
    fn the_page_has_this_table() {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/wires-and-fuses.md");
        let kept = std::fs::read_to_string(&path).unwrap();
        let begin = kept.find("| copper |").expect("a table");
        let end = begin + kept[begin..].find("\n\n").expect("text after the table") + 1;
        if std::env::var_os("GALEBENCH_WRITE_DOCS").is_some() {
            let page = format!("{}{}{}", &kept[..begin], markdown(), &kept[end..]);
            return std::fs::write(&path, page).unwrap();
        }
        assert!(kept[begin..end] == markdown(), "out of date: run the tests with GALEBENCH_WRITE_DOCS=1");
    }

    #[test]
    fn every_fuse_melts_before_its_wire_and_every_awg_is_no_thinner() {
        for wire in WIRES {
            assert!(wire.fuse_a <= wire.carries_a, "{wire:?}");
            assert!(Wire::behind(wire.fuse_a).unwrap().area_mm2 <= wire.area_mm2);
            // ASTM B258: 36 is 0.127 mm thick, 39 sizes up is 92 times that; 1/0 stands for 0.
            let number = if wire.awg == "1/0" { 0.0 } else { wire.awg.parse::<f64>().unwrap() };
            let thick_mm = 0.127 * 92.0_f64.powf((36.0 - number) / 39.0);
            let area_mm2 = std::f64::consts::FRAC_PI_4 * thick_mm * thick_mm;
            assert!((wire.area_mm2..1.5 * wire.area_mm2).contains(&area_mm2), "AWG {number} is {area_mm2} mm²");
        }
    }

    #[test]
    fn no_shipped_rig_promises_more_than_the_wire_that_its_fuse_guards() {
        let root = Path::new(env!("CARGO_MANIFEST_DIR"));
        let files = ["rigs", "rigs/faults"].map(|folder| std::fs::read_dir(root.join(folder)).unwrap());
        let files = files.into_iter().flatten().map(|entry| entry.unwrap().path());
        let mut seen = 0;
        for path in files.filter(|path| path.extension().is_some_and(|end| end == "toml")) {
            let wiring = crate::config::load_rig(&path).unwrap().wiring;
            let carries_a = Wire::behind(wiring.fuse.get()).expect("a wire").carries_a;
            let rating_a = wiring.wire_rating.get();
            assert!(rating_a <= carries_a, "{}: {rating_a} A of {carries_a} A", path.display());
            seen += 1;
        }
        assert!(seen > 7, "{seen} rigs");
    }

    #[test]
    fn a_metre_of_ten_square_millimetres_is_worked_by_hand() {
        let wire = Wire::behind(50.0).unwrap();
        assert_eq!((wire.area_mm2, wire.awg), (10.0, "6"));
        // 1/580 ohm a metre: two of them at 58 A lose 0.2 V; 50 K warmer it is a fifth more.
        assert!((wire.lost_v(58.0) - 0.2).abs() < 1e-12);
        assert!((wire.per_metre_ohm(70.0) / wire.per_metre_ohm(20.0) - 1.1965).abs() < 1e-12);
        assert_eq!(Wire::behind(400.0), None);
    }
}
