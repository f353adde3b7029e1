//! Calibrating a channel against a reference that a person reads out: points taken on the open bench with nothing
//! energised, a line through them, a line added to the calibration file beside the rig.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use crate::analysis::calibration::{self, Line, Point, ReferenceU};
use crate::analysis::zero;
use crate::bench::{Channel, Pace};
use crate::config;
use crate::config::calibration::{Calibration, Entry};
use crate::config::plan::Stage;
use crate::config::rig::Rig;
use crate::driver;
use crate::ops::OpsError;
use crate::record::event::Header;
use crate::runner::StopHandle;
use crate::safety::{Limits, Nowhere, Pulse, Supervisor};
use crate::units::Seconds;

use super::run::plain_plan;

/// What to calibrate, and by what.
#[derive(Clone, Debug)]
pub struct CalibrateOptions {
    /// Rig file.
    pub rig: PathBuf,
    /// Channel.
    pub channel: Channel,
    /// Its low range instead of the wide one.
    pub low: bool,
    /// Instrument, its number, its own calibration.
    pub reference: String,
    /// Standard uncertainties of the reference.
    pub reference_u: ReferenceU,
    /// Who does it.
    pub operator: String,
    /// Days for which it holds.
    pub valid_days: u32,
    /// Seed of the virtual bench, in place of the rig file's.
    pub seed: Option<u64>,
}

/// How long a reading is let settle and then taken, seconds.
const SETTLE_S: f64 = 0.5;
const READ_S: f64 = 2.0;
/// Days in which a bench calibration may at most hold.
const MOST_DAYS: u32 = 3660;
/// A point this many times as far from the line as expected is no scatter.
const FAR: f64 = 3.0;

/// A channel with an open bench that gives readings, nothing energised.
#[derive(Debug)]
pub struct Readings {
    sup: Supervisor,
    channel: Channel,
    low_range: Option<f64>,
    low: bool,
}

fn argument(what: &str, why: impl Into<String>) -> OpsError {
    OpsError::Argument { what: what.to_owned(), why: why.into() }
}

/// Checks the options against the rig file, before any device is opened.
///
/// # Errors
/// A rig file that is wrong, a channel that the rig lacks, a reference that is not described.
pub fn prepare(options: &CalibrateOptions) -> Result<Rig, OpsError> {
    let rig = config::load_rig(&options.rig)?;
    let name = options.channel.name();
    let Some(spec) = rig.channels.get(&options.channel) else {
        let has: Vec<&str> = rig.channels.keys().map(|channel| channel.name()).collect();
        return Err(argument(
            &format!("channel `{name}`"),
            format!("this rig does not have it; it has {}", has.join(", ")),
        ));
    };
    if options.low && spec.low.is_none() {
        return Err(argument("--low", format!("`{name}` has no low range on this rig")));
    }
    if options.reference.trim().is_empty() || options.operator.trim().is_empty() {
        return Err(argument("reference and operator", "say what the values are read from, and who reads them"));
    }
    if !(1..=MOST_DAYS).contains(&options.valid_days) {
        return Err(argument("days", format!("a calibration holds for 1 to {MOST_DAYS} days")));
    }
    Ok(rig)
}

/// Opens the bench for readings as the sensors give them. What an outer reference puts on the channel is no welded
/// contact, so the interlock does not hold it against the relay; there is no permission to energise in this.
///
/// # Errors
/// A bench that cannot be opened.
pub fn open(rig: &Rig, options: &CalibrateOptions) -> Result<Readings, OpsError> {
    let bench = driver::open_raw(rig, options.seed)?;
    let plan = plain_plan("calibration", rig, vec![Stage::FirstPower { settle: Seconds(1.0) }]);
    let mut limits = Limits::of(rig, &plan, bench.offers());
    (limits.off_a, limits.supply_v) = (f64::INFINITY, f64::INFINITY);
    let (stop, pulse) = (StopHandle::new(), Pulse::default());
    let sup = Supervisor::new(bench, limits, Box::new(Nowhere), Header::default(), stop, pulse);
    let low_range = rig.channels.get(&options.channel).and_then(|spec| spec.low).map(|low| low.range.get());
    Ok(Readings { sup, channel: options.channel, low_range, low: options.low })
}

impl Readings {
    /// The channel's reading while the reference stands at `reference`.
    ///
    /// # Errors
    /// A bench that stopped or gives no samples, a reading in the other range.
    pub fn take(&mut self, reference: f64) -> Result<Point, OpsError> {
        let read = |sup: &mut Supervisor, seconds| sup.read(seconds, Pace::Normal);
        if read(&mut self.sup, SETTLE_S).and_then(|()| read(&mut self.sup, READ_S)).is_err() {
            let cause = self.sup.stopped().map_or_else(String::new, |stopped| stopped.cause.clone());
            return Err(argument("calibration", format!("the bench stopped: {cause}")));
        }
        let to_s = self.sup.now_s();
        let name = self.channel.name();
        let mean = zero::mean_of(self.sup.recording(), self.channel, to_s - READ_S, to_s)
            .ok_or_else(|| argument(name, "no samples came; look at its wiring and address"))?;
        if let Some(range) = self.low_range
            && (mean.mean.abs() <= 0.95 * range) != self.low
        {
            let (is, other) = if self.low { ("low", "below") } else { ("wide", "above") };
            let why = format!("reads {} which is not of its {is} range: set the reference {other} {range}", mean.mean);
            return Err(argument(name, why));
        }
        // A reading of very few samples has no scatter of its own: the fit then takes that about the line.
        let reading_u = if mean.u.is_finite() { mean.u } else { 0.0 };
        Ok(Point { reference, reading: mean.mean, reading_u })
    }

    /// Closes the bench, which was never energised.
    pub fn close(self) {
        // A reference that still stands at the terminals is not the bench's doing.
        let _ended = self.sup.finish(true);
    }
}

/// Points from a table with the columns `reference`, `reading` and, if known, `reading_u`.
///
/// # Errors
/// A file that cannot be read, a row that holds no numbers, with its line.
pub fn points_from(path: &Path) -> Result<Vec<Point>, OpsError> {
    #[derive(serde::Deserialize)]
    struct Row {
        reference: f64,
        reading: f64,
        #[serde(default)]
        reading_u: Option<f64>,
    }
    let text = std::fs::read_to_string(path).map_err(|source| OpsError::Read { path: path.to_owned(), source })?;
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).trim(csv::Trim::All).from_reader(text.as_bytes());
    let rows = reader.deserialize::<Row>();
    rows.map(|row| {
        row.map(|row| Point { reference: row.reference, reading: row.reading, reading_u: row.reading_u.unwrap_or(0.0) })
            .map_err(|error| argument(&path.display().to_string(), error.to_string()))
    })
    .collect()
}

/// What came of a calibration.
#[derive(Clone, Debug)]
pub struct Calibrated {
    /// The line.
    pub line: Line,
    /// As it was written.
    pub entry: Calibration,
    /// The one that held before.
    pub before: Option<Calibration>,
    /// The file.
    pub path: PathBuf,
    /// What to know about it.
    pub warnings: Vec<String>,
}

/// Fits the line and adds it to the file beside the rig.
///
/// # Errors
/// Points that make no line; a file that cannot be written.
pub fn keep(rig: &Rig, options: &CalibrateOptions, points: &[Point]) -> Result<Calibrated, OpsError> {
    let name = options.channel.name();
    let line = calibration::line(points, options.reference_u).map_err(|why| argument(name, why))?;
    let now = jiff::Timestamp::now();
    let expires = now
        .checked_add(jiff::SignedDuration::from_hours(24 * i64::from(options.valid_days)))
        .map_err(|error| argument("days", error.to_string()))?;
    let second = |t: jiff::Timestamp| t.round(jiff::Unit::Second).unwrap_or(t).to_string();
    let entry = Calibration {
        channel: options.channel,
        low: options.low,
        date: second(now),
        expires: second(expires),
        reference: options.reference.clone(),
        reference_u: options.reference_u.relative,
        reference_offset_u: options.reference_u.offset,
        operator: options.operator.clone(),
        points: points.iter().map(|p| [p.reference, p.reading, p.reading_u]).collect(),
        gain: line.gain,
        offset: line.offset,
        gain_u: line.gain_u,
        offset_u: line.offset_u,
        correlation: line.correlation,
    };
    let before = config::calibration::history(&rig.calibrations, options.channel, options.low).next_back().cloned();
    let warnings = warnings(rig, options, points, &line, before.as_ref());
    let path = config::calibration::path_for(&rig.path);
    add(&path, &Entry::Calibration(entry.clone()))?;
    Ok(Calibrated { line, entry, before, path, warnings })
}

fn warnings(
    rig: &Rig,
    options: &CalibrateOptions,
    points: &[Point],
    line: &Line,
    before: Option<&Calibration>,
) -> Vec<String> {
    let mut all = Vec::new();
    if line.worst > FAR {
        all.push(format!(
            "one point is {:.1} times as far from the line as its scatter explains: read it again",
            line.worst
        ));
    }
    if line.dof < 2.0 || points.len() == calibration::LEAST_POINTS {
        all.push("with two points nobody sees a bend: take three or more".to_owned());
    }
    let spec = rig.channels.get(&options.channel);
    let range = spec.map_or(f64::INFINITY, |s| s.low.filter(|_| options.low).map_or(s.range, |low| low.range.get()));
    let most = points.iter().map(|p| p.reading.abs()).fold(0.0, f64::max);
    if most < 0.4 * range {
        all.push(format!(
            "the points cover {:.0} % of the range; beyond them the line is believed",
            100.0 * most / range
        ));
    }
    if let Some(before) = before {
        let change = (line.gain - before.gain).abs();
        let expected = line.gain_u.hypot(before.gain_u);
        if change > 2.0 * expected {
            all.push(format!(
                "the gain changed by {:.3} % since {}: it drifts, or one of them was wrong",
                100.0 * change,
                before.date
            ));
        }
    }
    all
}

/// Adds one line to the file, synced.
///
/// # Errors
/// A file that cannot be written.
pub fn add(path: &Path, entry: &Entry) -> Result<(), OpsError> {
    let fail = |source| OpsError::Write { path: path.to_owned(), source };
    let line = serde_json::to_string(entry).map_err(|error| fail(error.into()))?;
    let mut file = std::fs::OpenOptions::new().create(true).append(true).open(path).map_err(fail)?;
    writeln!(file, "{line}").and_then(|()| file.sync_all()).map_err(fail)
}
