//! Gathers the rows of a trace column by column.

use std::borrow::Cow;

use crate::bench::{ActiveLevel, Channel, Line, Setting, Supply};
use crate::record::recording::Recording;
use crate::units::{Duty, Hertz};

use super::numbers::Decimal;
use super::spacing::{self, Run};
use super::{Column, Series, SettledPoint, TraceError};

/// Times beyond this are no seconds of a measurement (it is 30 000 years).
const LATEST_S: f64 = 1e12;

/// What is wrong with a field: a clause that goes on after the text as found.
type Why = Cow<'static, str>;
/// The same with the index of the column.
type Wrong = (usize, Why);

const NO_DUTY: &str = "is not within 0 to 100 percent";

/// A trace being gathered.
pub(super) struct Table {
    times_s: Vec<f64>,
    /// One per channel, in the order of [`Channel::ALL`].
    channels: [Samples; Channel::ALL.len()],
    present: Vec<Channel>,
    tach: Option<Tach>,
    command: Option<Command>,
    /// Whether there are columns that mean nothing without a duty.
    dutiless: bool,
    /// Whether there is a column for the state of the line.
    line: bool,
}

impl Table {
    pub(super) fn new(columns: &[Column]) -> Self {
        let present = columns.iter().filter_map(|column| match column {
            Column::Sampled(channel) => Some(*channel),
            _ => None,
        });
        let has = |column| columns.contains(&column);
        Self {
            times_s: Vec::new(),
            channels: Default::default(),
            present: present.collect(),
            tach: has(Column::Tach).then(Tach::default),
            command: has(Column::Duty).then(Command::default),
            line: has(Column::Line),
            dutiless: !has(Column::Duty) && (has(Column::Frequency) || has(Column::Line) || has(Column::Supply)),
        }
    }

    /// Adds a row of as many fields as there are columns.
    pub(super) fn row(&mut self, columns: &[Column], fields: &[&[u8]], decimal: &mut Decimal) -> Result<(), Wrong> {
        let mut row = Row::default();
        for (index, (column, field)) in columns.iter().zip(fields).enumerate() {
            if field.is_empty() {
                if *column == Column::Time {
                    return Err((index, "is blank; every row needs its time".into()));
                }
                continue;
            }
            self.field(*column, field, decimal, &mut row).map_err(|why| (index, why))?;
        }
        self.times_s.push(row.time_s);
        if let (Some(tach), Some(level)) = (&mut self.tach, row.tach) {
            tach.push(row.time_s, level);
        }
        if let Some(command) = &mut self.command {
            command.push(&row);
        }
        Ok(())
    }

    /// Takes a field that is not blank.
    fn field(&mut self, column: Column, field: &[u8], decimal: &mut Decimal, row: &mut Row) -> Result<(), Why> {
        if column == Column::Unknown {
            return Ok(());
        }
        if column == Column::Line {
            row.line = Some(line(field).ok_or("is none of `pwm`, `open`, `low`, `high`")?);
            return Ok(());
        }
        let value = decimal.number(field)?;
        match column {
            Column::Time => row.time_s = next_time(value, self.times_s.last())?,
            Column::Duty => row.duty = Some(Duty::from_percent(value).ok_or(NO_DUTY)?),
            Column::Frequency if value < 0.0 => return Err("is no frequency; 0 or more is due".into()),
            Column::Frequency => row.frequency = Some(Hertz(value)),
            Column::Supply => row.supply = Some(if logic(value)? { Supply::On } else { Supply::Off }),
            Column::Tach => row.tach = Some(logic(value)?),
            Column::Sampled(channel) => {
                #[expect(clippy::cast_possible_truncation, reason = "overflow is looked for")]
                let value = value as f32;
                if !value.is_finite() {
                    return Err("is too large".into());
                }
                self.channels[channel as usize].push(self.times_s.len(), value);
            }
            Column::Line | Column::Unknown => {}
        }
        Ok(())
    }

    /// The trace as a recording whose first row is time 0.
    pub(super) fn into_recording(self, warnings: &mut Vec<String>) -> Result<Recording, TraceError> {
        if self.times_s.len() < 2 {
            return Err(TraceError::TooShort { rows: self.times_s.len() });
        }
        let origin = self.times_s[0];
        let times_s: Vec<f64> = self.times_s.iter().map(|t_s| t_s - origin).collect();
        let runs = spacing::runs(&times_s);
        let mut channels = Series::new();
        for (channel, samples) in Channel::ALL.into_iter().zip(self.channels) {
            if !self.present.contains(&channel) {
                continue;
            }
            if samples.values.is_empty() {
                warnings.push(format!("column `{channel}` holds no sample"));
                continue;
            }
            channels.insert(channel, samples.into_series(&times_s, &runs));
        }
        let mut recording = Recording::default();
        recording.channels = channels;
        recording.line_told = self.line;
        recording.end_s = runs.last().map_or(0.0, Run::end_s);
        if let Some(tach) = self.tach {
            if tach.last.is_none() {
                warnings.push("column `tach` holds no sample".to_owned());
            } else {
                recording.tach_s = Some(tach.edges_s.iter().map(|t_s| t_s - origin).collect());
            }
        }
        if let Some(command) = self.command {
            if command.settings.is_empty() {
                warnings.push("column `command_pct` holds no value".to_owned());
            }
            recording.settings = command.settings.iter().map(|(t_s, setting)| (t_s - origin, *setting)).collect();
        }
        if self.dutiless {
            let columns = "`command_hz`, `line` and `supply_on` say nothing without `command_pct` and were ignored";
            warnings.push(columns.to_owned());
        }
        Ok(recording)
    }
}

/// A time, which must lie after the one before.
fn next_time(t_s: f64, before: Option<&f64>) -> Result<f64, Why> {
    match before {
        _ if t_s.abs() > LATEST_S => Err("is no time in seconds".into()),
        Some(before) if t_s < *before => Err(format!("goes back behind the {before} of the row before").into()),
        Some(before) if t_s == *before => {
            Err("is the time of the row before; if it was rounded, write more decimals".into())
        }
        _ => Ok(t_s),
    }
}

fn logic(value: f64) -> Result<bool, &'static str> {
    match value {
        0.0 => Ok(false),
        1.0 => Ok(true),
        _ => Err("is no logic level; 0 or 1 is due"),
    }
}

fn line(field: &[u8]) -> Option<Line> {
    [Line::Pwm, Line::Open, Line::Low, Line::High].into_iter().find(|line| line.name().as_bytes() == field)
}

/// Samples of a channel; rows are noted only once a blank was met.
#[derive(Default)]
struct Samples {
    values: Vec<f32>,
    rows: Option<Vec<usize>>,
}

impl Samples {
    fn push(&mut self, row: usize, value: f32) {
        if self.rows.is_none() && row != self.values.len() {
            self.rows = Some((0..self.values.len()).collect());
        }
        if let Some(rows) = &mut self.rows {
            rows.push(row);
        }
        self.values.push(value);
    }

    /// `runs` are those of a column without blanks.
    fn into_series(self, times_s: &[f64], runs: &[Run]) -> crate::record::recording::Series {
        let mut series = crate::record::recording::Series::default();
        let own;
        let runs = match self.rows {
            None => runs,
            Some(rows) => {
                let times_s: Vec<f64> = rows.iter().map(|row| times_s[*row]).collect();
                own = spacing::runs(&times_s);
                &own
            }
        };
        // A column that ends with blanks is shorter than the table, without having noted its rows.
        for run in runs.iter().filter(|run| run.first < self.values.len()) {
            let end = (run.first + run.len).min(self.values.len());
            series.push(run.t0_s, run.dt_s, &self.values[run.first..end]);
        }
        series
    }
}

/// Rising edges of the tach.
#[derive(Default)]
struct Tach {
    last: Option<(f64, bool)>,
    edges_s: Vec<f64>,
}

impl Tach {
    fn push(&mut self, t_s: f64, level: bool) {
        // An edge lies somewhere between the two rows.
        if let (Some((before_s, false)), true) = (self.last, level) {
            self.edges_s.push(0.5 * (before_s + t_s));
        }
        self.last = Some((t_s, level));
    }
}

/// What a row says beside its samples. The header has a time column, so that every row gets its time.
#[derive(Default)]
struct Row {
    time_s: f64,
    tach: Option<bool>,
    duty: Option<Duty>,
    frequency: Option<Hertz>,
    line: Option<Line>,
    supply: Option<Supply>,
}

/// The command over time.
struct Command {
    now: Setting,
    duty_known: bool,
    settings: Vec<(f64, Setting)>,
}

impl Default for Command {
    fn default() -> Self {
        let now = Setting {
            supply: Supply::On,
            line: Line::Pwm,
            frequency: Hertz::ZERO,
            active: ActiveLevel::Low,
            ..Setting::SAFE
        };
        Self { now, duty_known: false, settings: Vec::new() }
    }
}

impl Command {
    fn push(&mut self, row: &Row) {
        self.now = Setting {
            supply: row.supply.unwrap_or(self.now.supply),
            duty: row.duty.unwrap_or(self.now.duty),
            active: self.now.active,
            frequency: row.frequency.unwrap_or(self.now.frequency),
            line: row.line.unwrap_or(self.now.line),
            supply_v: None,
        };
        self.duty_known |= row.duty.is_some();
        if self.duty_known && self.settings.last().is_none_or(|(_, last)| *last != self.now) {
            self.settings.push((row.time_s, self.now));
        }
    }
}

/// Points of the two-column form being gathered.
pub(super) struct Settled {
    columns: Vec<Column>,
    points: Vec<SettledPoint>,
}

impl Settled {
    pub(super) fn new(columns: &[Column]) -> Self {
        Self { columns: columns.to_vec(), points: Vec::new() }
    }

    /// Adds a row of as many fields as there are columns.
    pub(super) fn row(&mut self, fields: &[&[u8]], decimal: &mut Decimal) -> Result<(), Wrong> {
        let mut point = SettledPoint { duty_pct: 0.0, speed_rpm: 0.0 };
        for (index, (column, field)) in self.columns.iter().zip(fields).enumerate() {
            let target = match column {
                Column::Duty => &mut point.duty_pct,
                Column::Sampled(_) => &mut point.speed_rpm,
                _ => continue,
            };
            if field.is_empty() {
                return Err((index, "is blank; a settled point needs duty and speed".into()));
            }
            *target = decimal.number(field).map_err(|why| (index, why.into()))?;
            if *column == Column::Duty && !(0.0..=100.0).contains(target) {
                return Err((index, NO_DUTY.into()));
            }
        }
        self.points.push(point);
        Ok(())
    }

    pub(super) fn into_points(self) -> Vec<SettledPoint> {
        self.points
    }
}
