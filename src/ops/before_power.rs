//! What can be looked at before the bench is opened: the computer it runs on, and the readings taken by hand.

use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use crate::config::calibration::{self, Calibration};
use crate::config::form::{Connector, Form, Pair};
use crate::config::rig::Rig;
use crate::ops::OpsError;
use crate::record::preflight::Check;
use crate::results::StoppedBy;
use crate::units::{Ohms, significant};

/// Room for several full runs of about 10 MB each, bytes.
const LEAST_FREE: u64 = 100 << 20;
/// A clock before this has lost its time: no version of this program is older.
///
/// The beginning of 2025, seconds since 1970.
const OLDEST_S: u64 = 1_735_689_600;
/// A file may seem this much newer than now: file systems of other computers run on other clocks.
const CLOCK_SLACK_S: u64 = 120;
/// Both ways at or below this is a short, not a charging capacitor or a diode.
const SHORT_OHM: f64 = 10.0;
const SHORT_DIODE_V: f64 = 0.1;
/// Below this a heatsink counts as connected to a pin.
const LIVE_HEATSINK_OHM: f64 = 100e3;

/// Free disk under `out` and a clock that is no nonsense.
#[must_use]
pub fn host(rig: &Rig, out: &Path) -> Vec<Check> {
    let mut lines = vec![disk(out), clock(&[&rig.path, out])];
    lines.extend(calibration_lines(rig, SystemTime::now()));
    lines
}

/// Channels and ranges of the rig, each with the calibration in force.
fn in_force(rig: &Rig) -> impl Iterator<Item = (String, Option<&Calibration>)> {
    rig.channels.iter().flat_map(move |(channel, spec)| {
        let ranges = if spec.low.is_some() { vec![false, true] } else { vec![false] };
        ranges.into_iter().map(move |low| {
            let last = calibration::history(&rig.calibrations, *channel, low).next_back();
            (format!("{channel}{}", if low { " low range" } else { "" }), last)
        })
    })
}

/// The calibrations in force in words, for the record.
#[must_use]
pub fn calibrations(rig: &Rig) -> Vec<String> {
    let words = |(what, found): (String, Option<&Calibration>)| {
        let c = found?;
        Some(format!(
            "{what}: gain {} (u {}), offset {} (u {}), of {} by {} against {}, until {}",
            significant(c.gain, 6),
            significant(c.gain_u, 2),
            significant(c.offset, 4),
            significant(c.offset_u, 2),
            c.date,
            c.operator,
            c.reference,
            c.expires
        ))
    };
    in_force(rig).filter_map(words).collect()
}

/// One line for all that are in date, one for each that is not, one for those never calibrated.
fn calibration_lines(rig: &Rig, now: SystemTime) -> Vec<Check> {
    let seconds = now.duration_since(SystemTime::UNIX_EPOCH).map_or(0, |since| since.as_secs());
    let (mut good, mut never, mut lines) = (Vec::new(), Vec::new(), Vec::new());
    for (what, found) in in_force(rig) {
        let Some(found) = found else {
            never.push(what);
            continue;
        };
        let until = found.expires.parse::<jiff::Timestamp>().ok().and_then(|t| u64::try_from(t.as_second()).ok());
        let channel = found.channel;
        if until.is_some_and(|until| until >= seconds) {
            good.push(what);
        } else {
            let saw = format!("{what} was calibrated until {}", found.expires);
            let to_do = format!("`galebench calibrate {} {channel}`", rig.path.display());
            lines.push(Check::fail("calibration", StoppedBy::Rig, saw, to_do));
        }
    }
    if !good.is_empty() {
        lines.push(Check::pass("calibration", format!("in date: {}", good.join(", "))));
    }
    if !never.is_empty() {
        let saw = format!("never calibrated: {}", never.join(", "));
        lines.push(Check::note("calibration", saw, "their errors are believed as the rig file states them"));
    }
    lines
}

/// The folder itself, or the nearest above it that is there.
fn nearest(path: &Path) -> PathBuf {
    let there = path.ancestors().find(|folder| !folder.as_os_str().is_empty() && folder.exists());
    there.map_or_else(|| PathBuf::from("."), Path::to_owned)
}

#[cfg(unix)]
fn free_bytes(folder: &Path) -> Option<u64> {
    let told = rustix::fs::statvfs(folder).ok()?;
    Some(told.f_bavail.saturating_mul(told.f_frsize))
}

#[cfg(not(unix))]
fn free_bytes(_folder: &Path) -> Option<u64> {
    None
}

fn disk(out: &Path) -> Check {
    disk_line(free_bytes(&nearest(out)), out)
}

fn disk_line(free: Option<u64>, out: &Path) -> Check {
    let what = "free disk";
    match free {
        None => Check::note(what, "this system does not tell how much is free", "see that 100 MB are"),
        Some(free) if free < LEAST_FREE => {
            let saw = format!("{} MB free under {}", free >> 20, out.display());
            Check::fail(what, StoppedBy::Host, saw, "make room: at least 100 MB, a full run takes about 10 MB")
        }
        Some(free) => Check::pass(what, format!("{} MB free", free >> 20)),
    }
}

fn clock(files: &[&Path]) -> Check {
    let newest = files.iter().filter_map(|path| std::fs::metadata(path).ok()?.modified().ok()).max();
    clock_line(SystemTime::now(), newest)
}

/// A board without a battery for its clock starts in the past: then its files are newer than now.
fn clock_line(now: SystemTime, newest_file: Option<SystemTime>) -> Check {
    let what = "clock";
    let shown =
        jiff::Timestamp::try_from(now).map_or_else(|_| "no date".to_owned(), |t| t.strftime("%F %T UTC").to_string());
    let oldest = SystemTime::UNIX_EPOCH + Duration::from_secs(OLDEST_S);
    let ahead = newest_file.and_then(|file| file.duration_since(now).ok()).filter(|by| by.as_secs() > CLOCK_SLACK_S);
    let to_do = "set the clock (`timedatectl`), records and calibrations are dated by it";
    if now < oldest {
        return Check::fail(what, StoppedBy::Host, format!("it is said to be {shown}"), to_do);
    }
    if let Some(ahead) = ahead {
        let saw = format!("it is said to be {shown}, but the rig file or the records are {} s newer", ahead.as_secs());
        return Check::fail(what, StoppedBy::Host, saw, to_do);
    }
    Check::pass(what, shown)
}

/// The readings of `form` for `unit`; one line that says so where there is no form.
///
/// # Errors
/// A form of another unit.
pub fn papers(form: Option<(&Form, &Path)>, unit: Option<&str>) -> Result<Vec<Check>, OpsError> {
    let what = "readings before power";
    let Some((form, path)) = form else {
        return Ok(vec![Check::absent(what, "no form given; `galebench preflight --blank` prints one")]);
    };
    if let Some(unit) = unit.filter(|unit| *unit != form.unit) {
        return Err(OpsError::Argument {
            what: format!("form {}", path.display()),
            why: format!("is of unit `{}`, not of `{unit}`: fill in one for the unit on the bench", form.unit),
        });
    }
    let by = form.by.as_deref().map_or(String::new(), |by| format!(", read by {by}"));
    let photo = form.photo.as_deref().map_or(", no photo".to_owned(), |photo| format!(", photo {photo}"));
    let mut lines = vec![Check::pass(what, format!("of {}{by}{photo}", form.unit))];
    lines.push(connector(form.connector));
    lines.push(supply_ground(&form.supply_ground));
    lines.push(output("supply to output", &form.supply_output));
    lines.push(output("output to ground", &form.output_ground));
    lines.push(heatsink(form.heatsink_pins));
    Ok(lines)
}

fn connector(connector: Option<Connector>) -> Check {
    let what = "connector";
    match connector {
        None => Check::absent(what, "not looked at"),
        Some(Connector::Clean) => Check::pass(what, "clean"),
        Some(Connector::Corroded) => {
            Check::note(what, "corroded", "clean it: its contact resistance is in every result")
        }
        Some(Connector::Wet) => {
            Check::fail(what, StoppedBy::Rig, "wet", "dry it and read again: water looks like a fault")
        }
        Some(Connector::Damaged) => Check::note(what, "damaged", "see that no pins touch before power"),
    }
}

fn words(pair: &Pair) -> String {
    let ohm = |ohm: Option<Ohms>| ohm.map_or("not read".to_owned(), |ohm| format!("{} Ohm", significant(ohm.get(), 3)));
    let mut text = format!("{} and {} reversed", ohm(pair.ohm), ohm(pair.ohm_reversed));
    if let (Some(diode), Some(reversed)) = (pair.diode, pair.diode_reversed) {
        text += &format!(", diode {} V and {} V", significant(diode.get(), 3), significant(reversed.get(), 3));
    }
    text
}

/// Low both ways: neither a capacitor that charges nor a diode.
fn shorted(pair: &Pair) -> bool {
    let ohm = pair.ohm.zip(pair.ohm_reversed).is_some_and(|(a, b)| a.get() <= SHORT_OHM && b.get() <= SHORT_OHM);
    let diode = pair.diode.zip(pair.diode_reversed);
    ohm || diode.is_some_and(|(a, b)| a.get() <= SHORT_DIODE_V && b.get() <= SHORT_DIODE_V)
}

fn unread(pair: &Pair) -> bool {
    pair.ohm.zip(pair.ohm_reversed).is_none() && pair.diode.zip(pair.diode_reversed).is_none()
}

fn supply_ground(pair: &Pair) -> Check {
    let what = "supply to ground";
    if unread(pair) {
        return Check::absent(what, "not read both ways");
    }
    if shorted(pair) {
        let to_do = "do not power it: fuse and wiring would carry the short";
        return Check::fail(what, StoppedBy::Unit, format!("short both ways: {}", words(pair)), to_do);
    }
    Check::pass(what, words(pair))
}

/// A short at the output is no reason not to power through the first-power means: fan plus of a low-side chopper sits
/// at the supply by design.
fn output(what: &str, pair: &Pair) -> Check {
    if unread(pair) {
        return Check::absent(what, "not read both ways");
    }
    if shorted(pair) {
        let saw = format!("short both ways: {}", words(pair));
        return Check::note(
            what,
            saw,
            "a shorted switch, unless that pin is tied there by design: expect the fan to run",
        );
    }
    Check::pass(what, words(pair))
}

fn heatsink(ohms: Option<Ohms>) -> Check {
    let what = "heatsink to pins";
    match ohms {
        None => Check::absent(what, "not read"),
        Some(ohms) if ohms.get() < LIVE_HEATSINK_OHM => {
            let saw = format!("{} Ohm", significant(ohms.get(), 3));
            Check::note(what, saw, "the heatsink may be live: let it touch nothing")
        }
        Some(ohms) => Check::pass(what, format!("{} Ohm", significant(ohms.get(), 3))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::form::BLANK;
    use crate::config::parse_form;
    use crate::record::preflight::Finding;

    fn finding(text: &str, what: &str) -> (Finding, StoppedBy) {
        let form = parse_form(Path::new("form.toml"), text).map_err(|p| p.to_string()).unwrap();
        let lines = papers(Some((&form, Path::new("form.toml"))), Some("TQ-0001")).unwrap();
        let line = lines.iter().find(|line| line.what == what).unwrap();
        (line.finding, line.by)
    }

    #[test]
    fn the_blank_form_passes_and_each_bad_reading_is_told() {
        let at = |from: &str, to: &str, what| finding(&BLANK.replace(from, to), what).0;
        assert_eq!(at("", "", "supply to ground"), Finding::Pass);
        assert_eq!(at("\"clean\"", "\"wet\"", "connector"), Finding::Fail);
        assert_eq!(at("pins = \"20 MOhm\"", "pins = \"3 Ohm\"", "heatsink to pins"), Finding::Note);
        let short = BLANK.replace("ohm = \"20 kOhm\"", "ohm = \"1 Ohm\"").replace("\"5 kOhm\"", "\"2 Ohm\"");
        assert_eq!(finding(&short, "supply to ground"), (Finding::Fail, StoppedBy::Unit));
        let one_way = BLANK.replace("ohm = \"20 kOhm\"", "ohm = \"1 Ohm\"");
        assert_eq!(finding(&one_way, "supply to ground").0, Finding::Pass, "a capacitor that charges");
        let output = BLANK.replace("\"20 kOhm\"", "\"1 Ohm\"");
        assert_eq!(finding(&output, "supply to output").0, Finding::Note, "may be by design");
        assert_eq!(finding("unit = \"TQ-0001\"", "output to ground").0, Finding::Absent);
    }

    #[test]
    fn a_form_of_another_unit_is_refused() {
        let form = parse_form(Path::new("form.toml"), BLANK).map_err(|p| p.to_string()).unwrap();
        let error = papers(Some((&form, Path::new("form.toml"))), Some("TQ-0002")).unwrap_err();
        assert!(error.is_usage() && error.to_string().contains("TQ-0001"), "{error}");
    }

    #[test]
    fn a_clock_that_lost_its_time_and_a_full_disk_fail() {
        let now = SystemTime::UNIX_EPOCH + Duration::from_secs(OLDEST_S + 40_000_000);
        let day = Duration::from_secs(86_400);
        assert!(!clock_line(now, Some(now - day)).failed());
        assert!(!clock_line(now, None).failed());
        assert!(clock_line(now, Some(now + day)).failed());
        assert!(clock_line(SystemTime::UNIX_EPOCH + day, None).failed());
        assert!(disk_line(Some(99 << 20), Path::new("reports")).failed());
        assert!(!disk_line(Some(101 << 20), Path::new("reports")).failed());
    }
}
