//! Between the program's names and numbers and ours: which controls and channels are used, what a setting is called,
//! what a sample is worth.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Map, Value};

use super::protocol::{Clock, Hello, Samples};
use crate::bench::{ActiveLevel, Channel, Setting, Supply};
use crate::config::rig::{ChannelSpec, Rig};
use crate::driver::{Alignment, Control, Offers};

/// What of the program the rig uses, by the program's names.
#[derive(Clone, Debug)]
pub(crate) struct Names {
    controls: BTreeMap<Control, String>,
    channels: BTreeMap<Channel, ChannelSpec>,
    tach: Option<String>,
    emergency_stop: Option<String>,
    /// The rig's own supply voltage, which holds where a setting names none.
    own_v: f64,
}

impl Names {
    /// What rig file and program both have. What only the rig file has is left out and noted (its stages are then
    /// skipped with a reason), unless nothing may be energised without it.
    ///
    /// # Errors
    /// All that is missing of supply switch, supply current and emergency stop, in words.
    pub(crate) fn matched(rig: &Rig, hello: &Hello) -> Result<(Self, Vec<String>), String> {
        let has = |list: &[String], name: &String| list.contains(name);
        let mut names = Self {
            controls: rig.controls.clone(),
            channels: rig.channels.clone(),
            tach: rig.tach.as_ref().map(|tach| tach.address.clone()),
            emergency_stop: rig.emergency_stop.clone(),
            own_v: rig.supply.voltage.get(),
        };
        let (mut fatal, mut notes) = (Vec::new(), Vec::new());
        let mut missing = |needed: bool, what: String| if needed { fatal.push(what) } else { notes.push(what) };
        names.controls.retain(|control, name| {
            let there = has(&hello.controls, name);
            // Without `active` the program means low, and the driver turns the duty round.
            if !there && *control != Control::Active {
                missing(*control == Control::SupplyOn, format!("the program offers no control `{name}`"));
            }
            there
        });
        names.channels.retain(|channel, spec| {
            let there = has(&hello.channels, &spec.address);
            if !there {
                let what = format!("the program offers no channel `{}` ({channel} of the rig file)", spec.address);
                missing(*channel == Channel::SupplyA, what);
            }
            there
        });
        if let Some(address) = names.tach.take_if(|address| !has(&hello.edges, address)) {
            missing(false, format!("the program offers no edges `{address}` (the tach of the rig file)"));
        }
        if let Some(address) = names.emergency_stop.take_if(|address| !has(&hello.channels, address)) {
            missing(true, format!("the program offers no channel `{address}` (the emergency stop of the rig file)"));
        }
        if fatal.is_empty() { Ok((names, notes)) } else { Err(fatal.join("; ")) }
    }

    /// What the bench offers through this program.
    pub(crate) fn offers(&self, hello: &Hello) -> Offers {
        let mut controls: BTreeSet<Control> = self.controls.keys().copied().collect();
        if controls.contains(&Control::DutyPct) {
            // Told as the complement at the other level when the program has no such control.
            controls.insert(Control::Active);
        }
        Offers {
            name: hello.name.clone(),
            channels: self.channels.keys().copied().collect(),
            tach: self.tach.is_some(),
            emergency_stop: self.emergency_stop.is_some(),
            controls,
            virtual_clock: hello.clock == Clock::Virtual,
            // A clock that can be moved on at will belongs to a calculation.
            is_virtual: hello.clock == Clock::Virtual,
            rate_hz: hello.rate_hz,
            alignment: Alignment::default(),
        }
    }

    /// `setting` in the program's fields, without those that it does not take.
    pub(crate) fn fields(&self, setting: &Setting) -> Map<String, Value> {
        let has_active = self.controls.contains_key(&Control::Active);
        let duty = match setting.active {
            ActiveLevel::High if !has_active => setting.duty.inverted(),
            _ => setting.duty,
        };
        let mut fields = Map::new();
        for (control, name) in &self.controls {
            let value = match control {
                Control::SupplyOn => Value::from(setting.supply != Supply::Off),
                // Left as it is while the relay is open, so that opening can never bridge the first-power means.
                Control::GentleSupply if setting.supply == Supply::Off => continue,
                Control::GentleSupply => Value::from(setting.supply == Supply::Gentle),
                Control::SupplyV => Value::from(setting.supply_v.map_or(self.own_v, |volts| volts.get())),
                Control::DutyPct => Value::from(tidy(duty.percent())),
                Control::Active => Value::from(setting.active.name()),
                Control::FrequencyHz => Value::from(setting.frequency.get()),
                Control::Line => Value::from(setting.line.name()),
            };
            fields.insert(name.clone(), value);
        }
        fields
    }

    /// The channels of a block in our units, in [`Channel::ALL`] order.
    ///
    /// # Errors
    /// When a channel is missing or a scaled sample is not finite.
    pub(crate) fn channels(&self, samples: &Samples) -> Result<Vec<(Channel, Vec<f32>)>, String> {
        let ordered = Channel::ALL.into_iter().filter_map(|channel| Some((channel, self.channels.get(&channel)?)));
        ordered
            .map(|(channel, spec)| {
                let raw = found(&samples.channels, &spec.address, "channel")?;
                #[expect(clippy::cast_possible_truncation, reason = "samples are kept as f32; overflow is checked")]
                let values: Vec<f32> = raw.iter().map(|value| (value * spec.scale + spec.offset) as f32).collect();
                match values.iter().position(|value| !value.is_finite()) {
                    Some(at) => Err(format!("sample {at} of `{}` is {}, beyond any reading", spec.address, raw[at])),
                    None => Ok((channel, values)),
                }
            })
            .collect()
    }

    /// Rising tach edges on the program's clock; `None` without a tach.
    ///
    /// # Errors
    /// When the edges are missing.
    pub(crate) fn edges<'a>(&self, samples: &'a Samples) -> Result<Option<&'a [f64]>, String> {
        self.tach.as_ref().map(|address| found(&samples.edges, address, "edge input")).transpose()
    }

    /// Whether the emergency stop was pressed at any sample: its channel is 1 when pressed, else 0.
    ///
    /// # Errors
    /// When its channel is missing.
    pub(crate) fn stop_pressed(&self, samples: &Samples) -> Result<Option<bool>, String> {
        let Some(address) = &self.emergency_stop else { return Ok(None) };
        Ok(Some(found(&samples.channels, address, "channel")?.iter().any(|value| *value >= 0.5)))
    }
}

/// Whether a block has about as many samples as were asked for.
///
/// # Errors
/// What was asked and what came.
#[expect(clippy::cast_precision_loss, reason = "block lengths are far below 2^52")]
pub(crate) fn check_length(samples: &Samples, seconds: f64, virtual_clock: bool) -> Result<(), String> {
    let (n, due) = (samples.n as f64, seconds / samples.dt);
    // A virtual clock owes what was asked to a sample or so; a converter may deliver in lumps.
    let (least, most) =
        if virtual_clock { (due - 2.0, due + 2.0) } else { (0.5 * due - 2.0, 2.0 * due + 2.0 + 0.05 / samples.dt) };
    if samples.n == 0 || n < least || n > most {
        return Err(format!(
            "wrong length: {} samples spaced by {} s came for the {seconds} s asked, which is about {due:.0}",
            samples.n, samples.dt
        ));
    }
    Ok(())
}

/// Whether `edges` lie inside the block of `samples`, give or take `tolerance_s`, and in order after `last`.
///
/// # Errors
/// The edge that does not.
#[expect(clippy::cast_precision_loss, reason = "block lengths are far below 2^52")]
pub(crate) fn check_edges(samples: &Samples, edges: &[f64], tolerance_s: f64, mut last: f64) -> Result<(), String> {
    let end = samples.t0 + samples.n as f64 * samples.dt;
    for &edge in edges {
        if !(samples.t0 - tolerance_s..=end + tolerance_s).contains(&edge) {
            return Err(format!("edge at {edge} s lies outside its block from {} s to {end} s", samples.t0));
        }
        if edge < last {
            return Err(format!("edge at {edge} s comes after one at {last} s; edges must be in order"));
        }
        last = edge;
    }
    Ok(())
}

fn found<'a>(arrays: &'a BTreeMap<String, Vec<f64>>, name: &str, what: &str) -> Result<&'a [f64], String> {
    arrays.get(name).map(Vec::as_slice).ok_or_else(|| format!("the {what} `{name}` that `hello` promised is missing"))
}

/// Percent without the dust of binary fractions, so that 35 % is sent as 35.0.
fn tidy(percent: f64) -> f64 {
    (percent * 1e9).round() / 1e9
}

#[cfg(test)]
pub(super) mod tests {
    use std::path::PathBuf;

    use super::*;
    use crate::bench::Line;
    use crate::config::rig::{
        CommandSpec, DriverSpec, FirstPower, LineSpec, Load, LoadFan, RigLimits, SupplySpec, TachSpec, Wiring,
    };
    use crate::units::{AmpSquaredSeconds, Amps, Celsius, Duty, Hertz, Ohms, Ratio, Rpm, Seconds, Volts};

    fn channel(address: &str, scale: f64, offset: f64) -> ChannelSpec {
        ChannelSpec {
            address: address.to_owned(),
            scale,
            offset,
            range: 100.0,
            noise: 0.01,
            offset_u: 0.01,
            gain_u: Ratio(0.005),
            correction: None,
            resolution: 0.001,
            low: None,
        }
    }

    /// A rig with two channels, one of them scaled, a tach, and every control by its own name.
    pub(in super::super) fn rig() -> Rig {
        let controls = [
            Control::SupplyOn,
            Control::GentleSupply,
            Control::SupplyV,
            Control::DutyPct,
            Control::Active,
            Control::FrequencyHz,
            Control::Line,
        ];
        Rig {
            name: "test".to_owned(),
            driver: DriverSpec::External { command: Vec::new() },
            controls: controls.into_iter().map(|control| (control, control.name().to_owned())).collect(),
            channels: BTreeMap::from([
                (Channel::SupplyV, channel("supply_v", 1.0, 0.0)),
                (Channel::SupplyA, channel("supply_a", 2.0, 1.0)),
            ]),
            tach: Some(TachSpec { address: "tach".to_owned(), pulses_per_rev: Some(2.0) }),
            emergency_stop: None,
            first_power: FirstPower::Straight,
            command: CommandSpec {
                lowest: Hertz(10.0),
                highest: Hertz(1000.0),
                least_duty: Duty::ZERO,
                most_duty: Duty::FULL,
                duty_u: Ratio(0.001),
            },
            line: LineSpec::default(),
            supply: SupplySpec { voltage: Volts(13.0), resistance: Ohms(0.02), sinks: true, range: None },
            load: Load::Fan(LoadFan {
                name: "fan".to_owned(),
                locked_rotor: Amps(50.0),
                running: Amps(15.0),
                speed: Rpm(2500.0),
                bars: None,
                brushes: None,
            }),
            wiring: Wiring {
                fuse: Amps(40.0),
                fuse_i2t: AmpSquaredSeconds(5000.0),
                wire_rating: Amps(50.0),
                lead_resistance: Ohms(0.0),
            },
            limits: RigLimits {
                instant_current: Amps(90.0),
                continuous_current: Amps(30.0),
                i2t: AmpSquaredSeconds(3000.0),
                highest_voltage: Volts(16.0),
                lowest_voltage: Volts(9.0),
                case_temperature: Celsius(100.0),
                case_rise: None,
                off_current: Amps(1.0),
                stall_time: Seconds(3.0),
                energised_time: Seconds(3600.0),
            },
            cannot: Vec::new(),
            calibrations: Vec::new(),
            text: String::new(),
            path: PathBuf::new(),
        }
    }

    fn hello(channels: &[&str], controls: &[&str]) -> Hello {
        let list = |names: &[&str]| names.iter().map(|name| (*name).to_owned()).collect();
        Hello {
            name: "p".to_owned(),
            clock: Clock::Virtual,
            rate_hz: 2000.0,
            channels: list(channels),
            edges: list(&["tach"]),
            controls: list(controls),
        }
    }

    fn fields(controls: &[&str], setting: &Setting) -> String {
        let (names, _) = Names::matched(&rig(), &hello(&["supply_a"], controls)).unwrap();
        Value::Object(names.fields(setting)).to_string()
    }

    #[test]
    fn a_high_duty_is_told_as_its_complement_to_a_program_that_means_low() {
        let mut setting = Setting::SAFE;
        setting.active = ActiveLevel::High;
        setting.line = Line::Pwm;
        setting.duty = Duty::from_percent(30.0).unwrap();
        assert_eq!(fields(&["supply_on", "duty_pct"], &setting), r#"{"duty_pct":70.0,"supply_on":false}"#);
        let with_control = fields(&["supply_on", "duty_pct", "active"], &setting);
        assert_eq!(with_control, r#"{"active":"high","duty_pct":30.0,"supply_on":false}"#);
    }

    #[test]
    fn gentle_supply_is_plain_supply_without_that_control_and_opening_never_bridges_it() {
        let gentle = Setting { supply: Supply::Gentle, ..Setting::SAFE };
        assert_eq!(fields(&["supply_on"], &gentle), r#"{"supply_on":true}"#);
        let both = ["supply_on", "supply_gentle"];
        assert_eq!(fields(&both, &gentle), r#"{"supply_gentle":true,"supply_on":true}"#);
        assert_eq!(
            fields(&both, &Setting { supply: Supply::On, ..gentle }),
            r#"{"supply_gentle":false,"supply_on":true}"#
        );
        assert_eq!(fields(&both, &Setting::SAFE), r#"{"supply_on":false}"#);
    }

    #[test]
    fn what_the_program_lacks_is_noted_and_nothing_runs_without_switch_and_current() {
        let (names, notes) = Names::matched(&rig(), &hello(&["supply_a"], &["supply_on"])).unwrap();
        let offers = names.offers(&hello(&[], &[]));
        assert_eq!(offers.channels, BTreeSet::from([Channel::SupplyA]));
        assert_eq!(offers.controls, BTreeSet::from([Control::SupplyOn]));
        assert!(notes.iter().any(|note| note.contains("`supply_v`")), "{notes:?}");
        let why = Names::matched(&rig(), &hello(&["supply_v"], &["duty_pct"])).unwrap_err();
        assert!(why.contains("`supply_on`") && why.contains("`supply_a`"), "{why}");
    }

    #[test]
    fn the_number_of_samples_must_fit_the_time_asked() {
        let samples =
            |n: usize| Samples { t0: 0.0, dt: 0.001, lost: 0, channels: BTreeMap::new(), edges: BTreeMap::new(), n };
        assert!(check_length(&samples(100), 0.1, true).is_ok());
        assert!(check_length(&samples(101), 0.1, true).is_ok());
        assert!(check_length(&samples(50), 0.1, true).unwrap_err().contains("about 100"));
        assert!(check_length(&samples(128), 0.1, false).is_ok());
        assert!(check_length(&samples(0), 0.001, false).is_err());
        assert!(check_length(&samples(900), 0.1, false).is_err());
    }
}
