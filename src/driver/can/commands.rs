//! From settings to the frames that say them. Plain data; nothing is sent here.

use std::collections::BTreeMap;

use super::signal::{FrameId, MOST_BYTES};
use crate::bench::{ActiveLevel, Line, Setting, Supply};
use crate::config::can::CanTarget;
use crate::config::rig::CommandSpec;
use crate::driver::Control;
use crate::units::{Duty, Volts};

/// A frame to be sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Outgoing {
    pub(super) id: FrameId,
    pub(super) data: [u8; MOST_BYTES],
    pub(super) bytes: usize,
}

impl Outgoing {
    pub(super) fn payload(&self) -> &[u8] {
        &self.data[..self.bytes]
    }
}

/// What the actuators are told, on the way from one setting to the next.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Stage {
    main: bool,
    gentle: bool,
    line: Setting,
}

impl Stage {
    fn of(setting: &Setting, has_gentle: bool) -> Self {
        let gentle = setting.supply == Supply::Gentle && has_gentle;
        Self { main: setting.supply != Supply::Off && !gentle, gentle, line: *setting }
    }
}

/// The controls of a bus.
#[derive(Clone, Debug)]
pub(super) struct Commands {
    controls: BTreeMap<Control, CanTarget>,
    range: CommandSpec,
    /// The rig's own supply voltage, which holds where a setting names none.
    own_v: f64,
}

impl Commands {
    pub(super) fn new(controls: &BTreeMap<Control, CanTarget>, range: CommandSpec, own: Volts) -> Self {
        Self { controls: controls.clone(), range, own_v: own.get() }
    }

    pub(super) fn has(&self, control: Control) -> bool {
        self.controls.contains_key(&control)
    }

    /// Frames of the safe state, that of the supply first.
    ///
    /// # Errors
    /// As [`Self::stages`].
    pub(super) fn safe(&self) -> Result<Vec<Outgoing>, String> {
        self.frames(&Stage::of(&Setting::SAFE, self.has(Control::GentleSupply)))
    }

    /// Frames on the way from one setting to another, each step to be sent before the next. Off: the supply before the
    /// line. On: the line before the supply, and the main contact closes over the first-power means before those let go.
    ///
    /// # Errors
    /// The value that its signal cannot hold, in words.
    pub(super) fn stages(&self, from: &Setting, to: &Setting) -> Result<Vec<Vec<Outgoing>>, String> {
        let has_gentle = self.has(Control::GentleSupply);
        let (old, new) = (Stage::of(from, has_gentle), Stage::of(to, has_gentle));
        let between = if to.supply == Supply::Off {
            vec![Stage { line: old.line, ..new }]
        } else {
            let bridged = Stage { gentle: old.gentle || new.gentle, ..new };
            vec![Stage { line: new.line, ..old }, if new.main { bridged } else { new }]
        };
        let mut all: Vec<Vec<Outgoing>> = Vec::new();
        for stage in between.into_iter().chain([new]) {
            let frames = self.frames(&stage)?;
            if all.last() != Some(&frames) {
                all.push(frames);
            }
        }
        Ok(all)
    }

    fn frames(&self, stage: &Stage) -> Result<Vec<Outgoing>, String> {
        let mut frames: Vec<Outgoing> = Vec::new();
        // The supply is the first of the controls, and its frame goes first.
        for (control, target) in &self.controls {
            let id = target.signal.frame;
            let at = frames.iter().position(|frame| frame.id == id).unwrap_or_else(|| {
                frames.push(Outgoing { id, data: [0; MOST_BYTES], bytes: target.bytes });
                frames.len() - 1
            });
            let value = self.value(*control, stage);
            if !target.signal.encode(value, &mut frames[at].data) {
                return Err(format!("`{}` cannot hold {value}", target.name));
            }
        }
        Ok(frames)
    }

    /// What a control is told, as the number that its signal stands for.
    fn value(&self, control: Control, stage: &Stage) -> f64 {
        let line = &stage.line;
        match control {
            Control::SupplyOn => f64::from(u8::from(stage.main)),
            Control::GentleSupply => f64::from(u8::from(stage.gentle)),
            Control::SupplyV => line.supply_v.map_or(self.own_v, Volts::get),
            Control::DutyPct => self.duty(line).percent(),
            Control::Active => f64::from(u8::from(line.active == ActiveLevel::High)),
            Control::FrequencyHz => line.frequency.get().clamp(self.range.lowest.get(), self.range.highest.get()),
            Control::Line => match line.line {
                Line::Open => 0.0,
                Line::Pwm => 1.0,
                Line::Low => 2.0,
                Line::High => 3.0,
            },
        }
    }

    /// The duty that is sent: the share of the active level where the node is told which that is, else of the low one.
    fn duty(&self, setting: &Setting) -> Duty {
        let share = if setting.active == ActiveLevel::High && !self.has(Control::Active) {
            setting.duty.inverted()
        } else {
            setting.duty
        };
        match setting.line {
            Line::Pwm => share,
            // A node that cannot hold the line holds it by its pulses, which stay low or high.
            Line::Low if !self.has(Control::Line) => Duty::FULL,
            Line::Open | Line::Low | Line::High => Duty::ZERO,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::driver::can::signal::{ByteOrder, Coding, Layout, Signal};
    use crate::units::Hertz;

    const SWITCH: FrameId = FrameId::Standard(0x210);
    const COMMAND: FrameId = FrameId::Standard(0x211);

    fn commands(without: &[Control]) -> Commands {
        let target = |frame, start, length, scale| {
            let layout = Layout::new(start, length, ByteOrder::Little, Coding::Unsigned).unwrap();
            let signal = Signal { frame, layout, scale, offset: 0.0, unit: String::new() };
            CanTarget { name: format!("{frame} bit {start}"), signal, bytes: 4 }
        };
        let mut controls = BTreeMap::from([
            (Control::SupplyOn, target(SWITCH, 0, 1, 1.0)),
            (Control::GentleSupply, target(SWITCH, 1, 1, 1.0)),
            (Control::DutyPct, target(COMMAND, 0, 16, 0.01)),
            (Control::Active, target(COMMAND, 30, 1, 1.0)),
            (Control::FrequencyHz, target(COMMAND, 16, 12, 1.0)),
            (Control::Line, target(COMMAND, 28, 2, 1.0)),
        ]);
        controls.retain(|control, _| !without.contains(control));
        let range = CommandSpec {
            lowest: Hertz(5.0),
            highest: Hertz(1_000.0),
            least_duty: Duty::ZERO,
            most_duty: Duty::FULL,
            duty_u: crate::units::Ratio(0.001),
        };
        Commands::new(&controls, range, Volts(13.0))
    }

    fn said(commands: &Commands, frames: &[Outgoing], control: Control) -> f64 {
        let signal = &commands.controls[&control].signal;
        let frame = frames.iter().find(|frame| frame.id == signal.frame).unwrap();
        signal.decode(frame.payload()).unwrap()
    }

    fn running(supply: Supply) -> Setting {
        Setting {
            supply,
            duty: Duty::new(0.35).unwrap(),
            active: ActiveLevel::High,
            frequency: Hertz(140.0),
            line: Line::Pwm,
            supply_v: None,
        }
    }

    #[test]
    fn every_control_is_said_and_the_supply_goes_first() {
        let commands = commands(&[]);
        let stages = commands.stages(&running(Supply::On), &running(Supply::On)).unwrap();
        let [frames] = stages.as_slice() else { panic!("{stages:?}") };
        assert_eq!(frames.iter().map(|frame| (frame.id, frame.bytes)).collect::<Vec<_>>(), [(SWITCH, 4), (COMMAND, 4)]);
        let of = |control| said(&commands, frames, control);
        assert_eq!((of(Control::SupplyOn), of(Control::GentleSupply)), (1.0, 0.0));
        assert_eq!((of(Control::Active), of(Control::FrequencyHz), of(Control::Line)), (1.0, 140.0, 1.0));
        assert!((of(Control::DutyPct) - 35.0).abs() < 1e-9);
    }

    #[test]
    fn the_safe_state_is_off_released_and_without_duty() {
        let commands = commands(&[]);
        let frames = commands.safe().unwrap();
        let all = [Control::SupplyOn, Control::GentleSupply, Control::DutyPct, Control::Active, Control::Line];
        assert!(all.into_iter().all(|control| said(&commands, &frames, control) == 0.0));
        assert_eq!(said(&commands, &frames, Control::FrequencyHz), 100.0);
    }

    #[test]
    fn the_line_stands_before_the_supply_comes_and_the_main_contact_bridges_the_resistor() {
        let commands = commands(&[]);
        let of = |stages: &[Vec<Outgoing>]| -> Vec<[f64; 3]> {
            let controls = [Control::SupplyOn, Control::GentleSupply, Control::Line];
            stages.iter().map(|frames| controls.map(|control| said(&commands, frames, control))).collect()
        };
        let go = |from: Setting, to: Setting| of(&commands.stages(&from, &to).unwrap());
        assert_eq!(go(Setting::SAFE, running(Supply::Gentle)), [[0.0, 0.0, 1.0], [0.0, 1.0, 1.0]]);
        assert_eq!(
            go(running(Supply::Gentle), running(Supply::On)),
            [[0.0, 1.0, 1.0], [1.0, 1.0, 1.0], [1.0, 0.0, 1.0]]
        );
        assert_eq!(go(running(Supply::On), Setting::SAFE), [[0.0, 0.0, 1.0], [0.0, 0.0, 0.0]]);
    }

    #[test]
    fn a_node_that_is_not_told_the_active_level_gets_the_share_of_the_low_one() {
        let commands = commands(&[Control::Active, Control::Line, Control::GentleSupply]);
        let duty = |setting: &Setting| {
            let stages = commands.stages(setting, setting).unwrap();
            said(&commands, &stages[0], Control::DutyPct)
        };
        assert!((duty(&running(Supply::On)) - 65.0).abs() < 1e-9);
        assert!((duty(&Setting { active: ActiveLevel::Low, ..running(Supply::On) }) - 35.0).abs() < 1e-9);
        let held = |line| duty(&Setting { line, ..running(Supply::On) });
        assert_eq!((held(Line::Low), held(Line::High), held(Line::Open)), (100.0, 0.0, 0.0));
        // Without first-power means the switch is all there is.
        let stages = commands.stages(&Setting::SAFE, &running(Supply::Gentle)).unwrap();
        assert_eq!(said(&commands, stages.last().unwrap(), Control::SupplyOn), 1.0);
    }

    #[test]
    fn a_value_that_does_not_fit_is_told_and_frequencies_keep_to_what_the_rig_has() {
        let mut commands = commands(&[]);
        let fast = Setting { frequency: Hertz(9_000.0), ..running(Supply::On) };
        let stages = commands.stages(&fast, &fast).unwrap();
        assert_eq!(said(&commands, &stages[0], Control::FrequencyHz), 1_000.0);
        commands.range.highest = Hertz(9_000.0);
        assert!(commands.stages(&fast, &fast).unwrap_err().contains("cannot hold 9000"));
    }
}
