//! The calibration file beside a rig file: one JSON line per calibration of a channel and per gauge study, only ever
//! added to, so that its history shows how a sensor drifts.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::diagnostic::{Diagnostic, Problems};
use super::rig::Rig;
use crate::bench::Channel;
use crate::results::ResultName;

/// One line of the file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Entry {
    /// A channel was calibrated.
    Calibration(Calibration),
    /// A gauge study was evaluated.
    Gauge(GaugeEntry),
}

/// A calibration of one range of one channel: value = gain * reading + offset.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Calibration {
    /// The channel.
    pub channel: Channel,
    /// Whether it is of the channel's low range.
    #[serde(default)]
    pub low: bool,
    /// When, RFC 3339.
    pub date: String,
    /// Until when it holds, RFC 3339.
    pub expires: String,
    /// What the values were read from: instrument, its number, its own calibration.
    pub reference: String,
    /// Relative standard uncertainty of the reference.
    pub reference_u: f64,
    /// Standard uncertainty of the reference's offset, in the channel's unit.
    #[serde(default)]
    pub reference_offset_u: f64,
    /// Who did it.
    pub operator: String,
    /// Reference, mean reading, its standard uncertainty; one per point.
    pub points: Vec<[f64; 3]>,
    /// Factor on the reading.
    pub gain: f64,
    /// Added after it, in the channel's unit.
    pub offset: f64,
    /// Standard uncertainty of the gain.
    pub gain_u: f64,
    /// Standard uncertainty of the offset.
    pub offset_u: f64,
    /// Correlation of the two.
    #[serde(default)]
    pub correlation: f64,
}

/// What a gauge study found to be the scatter between sessions or operators that the budget of one run does not show.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct GaugeEntry {
    /// When, RFC 3339.
    pub date: String,
    /// Which runs or which file.
    pub source: String,
    /// Units, sessions and repeats of the study.
    pub design: [usize; 3],
    /// Standard uncertainty of reproducibility by result, in the result's unit.
    pub reproducibility: BTreeMap<ResultName, f64>,
}

/// The calibration that holds for one range, with what its forerunner says of drift.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Correction {
    /// Factor on the reading.
    pub gain: f64,
    /// Added after it, in the channel's unit.
    pub offset: f64,
    /// Relative standard uncertainty of the gain, drift since the calibration before it included.
    pub gain_u: f64,
    /// Standard uncertainty of the offset, likewise.
    pub offset_u: f64,
}

impl Correction {
    /// The value that a reading stands for.
    #[must_use]
    pub fn apply(&self, reading: f64) -> f64 {
        self.gain * reading + self.offset
    }
}

/// Where the calibrations of the rig at `rig` are kept.
#[must_use]
pub fn path_for(rig: &Path) -> PathBuf {
    rig.with_extension("calibration.jsonl")
}

/// Everything in the file at `path`, oldest first; nothing where there is no file.
///
/// # Errors
/// A file that cannot be read, and every line that is none.
pub fn load(path: &Path) -> Result<Vec<Entry>, Problems> {
    let text = match std::fs::read_to_string(path) {
        Ok(text) => text,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => {
            let title = format!("the calibration file cannot be read: {error}");
            return Err(Problems::one(Diagnostic::of_file(path, title, None)));
        }
    };
    let (mut entries, mut problems) = (Vec::new(), Vec::new());
    for (number, line) in text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty()) {
        match serde_json::from_str::<Entry>(line).map_err(|error| error.to_string()).and_then(plausible) {
            Ok(entry) => entries.push(entry),
            Err(why) => {
                let title = format!("line {} is no calibration: {why}", number + 1);
                let help = "put the line as it was, or move the file away and calibrate anew";
                problems.push(Diagnostic::of_file(path, title, Some(help)));
            }
        }
    }
    if problems.is_empty() { Ok(entries) } else { Err(Problems(problems)) }
}

/// A line by hand may hold a slip that would turn every sample around.
fn plausible(entry: Entry) -> Result<Entry, String> {
    if let Entry::Calibration(calibration) = &entry {
        let Calibration { gain, offset, gain_u, offset_u, expires, .. } = calibration;
        if !(0.2..=5.0).contains(gain) || !offset.is_finite() {
            return Err(format!("a gain of {gain} and an offset of {offset} are no small correction"));
        }
        if !((0.0..=0.5).contains(gain_u) && offset_u.is_finite() && *offset_u >= 0.0) {
            return Err(format!("uncertainties of {gain_u} and {offset_u} are not possible"));
        }
        expires.parse::<jiff::Timestamp>().map_err(|error| format!("`expires` is no time: {error}"))?;
    }
    if let Entry::Gauge(gauge) = &entry
        && let Some((name, u)) = gauge.reproducibility.iter().find(|(_, u)| !(u.is_finite() && **u >= 0.0))
    {
        return Err(format!("a reproducibility of {u} for {} is not possible", name.name()));
    }
    Ok(entry)
}

/// Calibrations of one range of a channel, oldest first.
pub fn history(entries: &[Entry], channel: Channel, low: bool) -> impl DoubleEndedIterator<Item = &Calibration> {
    entries.iter().filter_map(move |entry| match entry {
        Entry::Calibration(found) if found.channel == channel && found.low == low => Some(found),
        _ => None,
    })
}

/// What holds for one range: the latest calibration. Against the one before it the change, evenly spread between its
/// bounds, is what the sensor may drift again (JCGM 100, 4.3.7).
#[must_use]
pub fn correction(entries: &[Entry], channel: Channel, low: bool) -> Option<Correction> {
    let mut newest_first = history(entries, channel, low).rev();
    let last = newest_first.next()?;
    let drift = |change: f64| change.abs() / 3.0_f64.sqrt();
    let (gain_drift, offset_drift) = newest_first
        .next()
        .map_or((0.0, 0.0), |before| (drift(last.gain - before.gain), drift(last.offset - before.offset)));
    Some(Correction {
        gain: last.gain,
        offset: last.offset,
        gain_u: last.gain_u.hypot(gain_drift) / last.gain.abs(),
        offset_u: last.offset_u.hypot(offset_drift),
    })
}

/// Puts what `entries` say into the rig.
pub(super) fn attach(rig: &mut Rig, entries: Vec<Entry>) {
    for (channel, spec) in &mut rig.channels {
        spec.correction = correction(&entries, *channel, false);
        if let Some(low) = &mut spec.low {
            low.correction = correction(&entries, *channel, true);
        }
    }
    rig.calibrations = entries;
}

/// Reproducibility by result, of the latest gauge study that has it.
#[must_use]
pub fn reproducibility(entries: &[Entry]) -> BTreeMap<ResultName, f64> {
    let studies = entries.iter().filter_map(|entry| match entry {
        Entry::Gauge(gauge) => Some(&gauge.reproducibility),
        Entry::Calibration(_) => None,
    });
    studies.flat_map(|found| found.iter().map(|(name, u)| (*name, *u))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(gain: f64, offset: f64) -> Entry {
        Entry::Calibration(Calibration {
            channel: Channel::SupplyA,
            low: false,
            date: "2026-05-12T10:00:00Z".to_owned(),
            expires: "2027-05-12T10:00:00Z".to_owned(),
            reference: "shunt 7".to_owned(),
            reference_u: 0.001,
            reference_offset_u: 0.0,
            operator: "A. Keeper".to_owned(),
            points: vec![[0.0, 0.1, 0.01], [20.0, 20.1, 0.01]],
            gain,
            offset,
            gain_u: 0.001,
            offset_u: 0.01,
            correlation: 0.0,
        })
    }

    #[test]
    fn the_latest_holds_and_the_one_before_tells_of_drift() {
        let first = correction(&[entry(1.02, -0.1)], Channel::SupplyA, false).unwrap();
        assert!((first.apply(10.0) - 10.1).abs() < 1e-12);
        assert!((first.gain_u - 0.001 / 1.02).abs() < 1e-9);
        let second = correction(&[entry(1.02, -0.1), entry(1.03, -0.1)], Channel::SupplyA, false).unwrap();
        assert_eq!(second.gain, 1.03);
        assert!((second.gain_u * 1.03 - 0.001_f64.hypot(0.01 / 3.0_f64.sqrt())).abs() < 1e-9);
        assert_eq!(correction(&[entry(1.02, 0.0)], Channel::SupplyA, true), None);
        assert_eq!(correction(&[entry(1.02, 0.0)], Channel::SupplyV, false), None);
    }

    #[test]
    fn bad_lines_are_told_with_their_numbers_and_a_missing_file_is_empty() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("rig.calibration.jsonl");
        assert_eq!(load(&path).unwrap(), []);
        let good = serde_json::to_string(&entry(1.01, 0.0)).unwrap();
        std::fs::write(&path, format!("{good}\n\n{good}\n")).unwrap();
        assert_eq!(load(&path).unwrap().len(), 2);
        let turned = serde_json::to_string(&entry(-1.0, 0.0)).unwrap();
        std::fs::write(&path, format!("{good}\nnonsense\n{turned}\n")).unwrap();
        let problems = load(&path).unwrap_err().to_string();
        assert!(problems.contains("line 2 is no") && problems.contains("line 3 is no"), "{problems}");
    }
}
