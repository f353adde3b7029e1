//! `galebench calibrate`: a channel against a reference that the person reads out.

use std::io::{BufRead as _, Write as _};
use std::path::PathBuf;

use clap::Args;

use crate::analysis::calibration::{Point, ReferenceU};
use crate::bench::Channel;
use crate::cli::exit::{ExitStatus, Failure};
use crate::cli::output::{print, say};
use crate::cli::run::quantity;
use crate::config::calibration::history;
use crate::ops::calibrate::{self, CalibrateOptions, Calibrated};
use crate::units::{self, Amps, Celsius, Ratio, Rpm, Volts, significant};

/// Calibrate a channel of a rig against a reference that you read out
///
/// Nothing is energised: put the reference on the channel's terminals, type what it shows with its unit, go to the next
/// value, end with an empty line. Two points at least, one near zero and one near full scale; better five. Gain and
/// offset with their uncertainties are added to the calibration file beside the rig and used by every run from then on.
#[derive(Debug, Args)]
pub(crate) struct CalibrateArgs {
    /// Rig file
    rig: PathBuf,
    /// Channel, for example supply_a
    #[arg(value_parser = channel)]
    channel: Channel,
    /// The low range of the channel instead of the wide one
    #[arg(long)]
    low: bool,
    /// Show the calibrations of the channel so far and do nothing
    #[arg(long)]
    history: bool,
    /// What the values are read from, for example "clamp meter 3, certificate 118"
    #[arg(long, value_name = "TEXT", required_unless_present = "history", default_value = "")]
    reference: String,
    /// Relative standard uncertainty of the reference, for example "0.2 %"
    #[arg(long, value_name = "RATIO", value_parser = quantity::<Ratio>, required_unless_present = "history")]
    reference_u: Option<Ratio>,
    /// Standard uncertainty of its zero, in the channel's unit, for example "2 mA" [default: 0]
    #[arg(long, value_name = "QUANTITY")]
    reference_zero_u: Option<String>,
    /// Who reads
    #[arg(long, value_name = "NAME", required_unless_present = "history", default_value = "")]
    operator: String,
    /// Days for which the calibration holds
    #[arg(long, value_name = "DAYS", default_value_t = 365)]
    valid: u32,
    /// Take the points from this table (reference, reading, reading_u) instead of from the bench
    #[arg(long, value_name = "FILE")]
    points: Option<PathBuf>,
    /// Seed of the virtual bench, in place of the rig file's
    #[arg(long, value_name = "NUMBER")]
    seed: Option<u64>,
}

fn channel(text: &str) -> Result<Channel, String> {
    Channel::from_name(text)
        .ok_or_else(|| format!("is no channel; the channels are {}", Channel::ALL.map(Channel::name).join(", ")))
}

/// A value with its unit, in the unit of the channel.
fn value(channel: Channel, text: &str) -> Result<f64, String> {
    let told = |error: units::ParseQuantityError| error.to_string();
    match channel {
        Channel::SupplyA | Channel::FanA => units::parse::<Amps>(text).map(Amps::get).map_err(told),
        Channel::SupplyV | Channel::OutputV | Channel::LineV => {
            units::parse::<Volts>(text).map(Volts::get).map_err(told)
        }
        Channel::CaseC | Channel::AmbientC => units::parse::<Celsius>(text).map(Celsius::get).map_err(told),
        Channel::SpeedRpm => units::parse::<Rpm>(text).map(Rpm::get).map_err(told),
    }
}

impl CalibrateArgs {
    pub(crate) fn run(&self) -> Result<ExitStatus, Failure> {
        if self.history {
            return self.show();
        }
        let offset = self.reference_zero_u.as_deref().map_or(Ok(0.0), |text| value(self.channel, text));
        let offset = offset.map_err(|why| Failure::bad_input(format!("--reference-zero-u: {why}")))?;
        let options = CalibrateOptions {
            rig: self.rig.clone(),
            channel: self.channel,
            low: self.low,
            reference: self.reference.clone(),
            reference_u: ReferenceU { relative: self.reference_u.map_or(0.0, Ratio::get), offset },
            operator: self.operator.clone(),
            valid_days: self.valid,
            seed: self.seed,
        };
        let rig = calibrate::prepare(&options)?;
        let points = match &self.points {
            Some(path) => calibrate::points_from(path)?,
            None => {
                let mut readings = calibrate::open(&rig, &options)?;
                let points = self.ask(&mut readings);
                readings.close();
                points?
            }
        };
        let done = calibrate::keep(&rig, &options, &points)?;
        print(&self.words(&done, &points))?;
        done.warnings.iter().for_each(|warning| say(&format!("warning: {warning}")));
        Ok(ExitStatus::Done)
    }

    /// Points as the person reads them out, until an empty line or the end of input.
    fn ask(&self, readings: &mut calibrate::Readings) -> Result<Vec<Point>, Failure> {
        let unit = self.channel.unit();
        say(&format!("nothing is energised; put the reference on the terminals of `{}`", self.channel));
        let mut points = Vec::new();
        loop {
            let mut out = std::io::stderr().lock();
            // A prompt that cannot be shown is no reason to stop.
            let _shown =
                write!(out, "point {}: what does the reference show (with its unit; empty: done)? ", points.len() + 1)
                    .and_then(|()| out.flush());
            drop(out);
            let mut line = String::new();
            let read = std::io::stdin().lock().read_line(&mut line).map_err(Failure::failed)?;
            if read == 0 || line.trim().is_empty() {
                return Ok(points);
            }
            match value(self.channel, line.trim()) {
                Err(why) => say(&format!("not taken: {why}")),
                Ok(reference) => {
                    let point = readings.take(reference)?;
                    let reading = significant(point.reading, 6);
                    say(&format!("reads {reading} {unit} (u {} {unit})", significant(point.reading_u, 2)));
                    points.push(point);
                }
            }
        }
    }

    fn words(&self, done: &Calibrated, points: &[Point]) -> String {
        let (unit, line) = (self.channel.unit(), &done.line);
        let range = if self.low { " low range" } else { "" };
        let mut text = format!("{}{range}: value = gain x reading + offset\n", self.channel);
        text += &format!("  gain    {}  u {}\n", significant(line.gain, 7), significant(line.gain_u, 2));
        text +=
            &format!("  offset  {} {unit}  u {} {unit}\n", significant(line.offset, 5), significant(line.offset_u, 2));
        text += "  reference      reading        left over\n";
        for point in points {
            let left = point.reference - (line.gain * point.reading + line.offset);
            let [reference, reading, left] = [point.reference, point.reading, left].map(|v| significant(v, 6));
            text += &format!("  {reference:<13}  {reading:<13}  {left}\n");
        }
        if let Some(before) = &done.before {
            text += &format!(
                "  before ({}): gain {}, offset {} {unit}\n",
                before.date,
                significant(before.gain, 7),
                significant(before.offset, 5)
            );
        }
        text + &format!("  holds until {}; kept in {}\n", done.entry.expires, done.path.display())
    }

    fn show(&self) -> Result<ExitStatus, Failure> {
        let rig = crate::config::load_rig(&self.rig)?;
        let unit = self.channel.unit();
        let mut text = String::new();
        for c in history(&rig.calibrations, self.channel, self.low) {
            text += &format!(
                "{}  gain {} (u {})  offset {} {unit} (u {} {unit})  {} points  until {}  by {} against {}\n",
                c.date,
                significant(c.gain, 7),
                significant(c.gain_u, 2),
                significant(c.offset, 5),
                significant(c.offset_u, 2),
                c.points.len(),
                c.expires,
                c.operator,
                c.reference
            );
        }
        if text.is_empty() {
            text = format!("`{}` was never calibrated on this rig\n", self.channel);
        }
        print(&text)?;
        Ok(ExitStatus::Done)
    }
}
