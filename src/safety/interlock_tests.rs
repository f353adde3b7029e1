//! Fault x situation -> trip or none, and by whom.

use super::interlock::{Input, Interlock, OffCommand, Rule, Trip};
use super::limits::{Limits, LoadTakes, Sensor, Settable, Stalled};
use crate::bench::{ActiveLevel, Block, Channel, Line, Setting, Supply};
use crate::results::StoppedBy;
use crate::units::{Duty, Hertz, Volts};

pub(super) fn limits() -> Limits {
    let sensor = |range: f64| Sensor { plausible: (-range, range), lively_from: 0.0 };
    Limits {
        instant_a: 110.0,
        continuous_a: 30.0,
        i2t_a2s: 10_000.0,
        highest_v: 16.0,
        lowest_v: 9.0,
        case_c: 100.0,
        case_rise_k: Some(30.0),
        off_a: 0.5,
        stall: Some(Stalled { above_a: 27.0, longest_s: 3.0, locked_ohm: 13.0 / 90.0 }),
        load: None,
        energised_s: 3600.0,
        load_running_a: 25.0,
        supply_v: 13.0,
        settable: None,
        sensors: [
            (Channel::SupplyV, sensor(20.0)),
            (Channel::SupplyA, sensor(150.0)),
            (Channel::OutputV, sensor(20.0)),
            (Channel::CaseC, Sensor { plausible: (-60.0, 150.0), lively_from: f64::INFINITY }),
        ]
        .into(),
        tach: true,
    }
}

fn command(supply: Supply, duty: f64) -> Setting {
    Setting {
        supply,
        duty: Duty::clamped(duty),
        active: ActiveLevel::Low,
        frequency: Hertz(140.0),
        line: Line::Pwm,
        supply_v: None,
    }
}

/// What the bench shows for a while.
#[derive(Clone, Copy)]
struct Scene {
    supply_v: f64,
    supply_a: f64,
    output_v: f64,
    case_c: f64,
    turning: bool,
    /// Time constant with which the supply voltage falls from its value at the scene's begin.
    falls_s: f64,
}

const REST_OFF: Scene =
    Scene { supply_v: 0.01, supply_a: 0.0, output_v: 0.0, case_c: 25.0, turning: false, falls_s: f64::INFINITY };
const REST_ON: Scene = Scene { supply_v: 13.0, supply_a: 0.05, ..REST_OFF };
const RUNNING: Scene = Scene { supply_v: 12.5, supply_a: 20.0, output_v: 11.0, turning: true, ..REST_OFF };
const COASTING: Scene = Scene { supply_a: 0.05, output_v: 6.0, ..RUNNING };

struct Player {
    interlock: Interlock,
    now_s: f64,
    count: u32,
}

impl Player {
    fn new(tach: bool) -> Self {
        Self { interlock: Interlock::new(Limits { tach, ..limits() }), now_s: 0.0, count: 0 }
    }

    fn set(&mut self, setting: Setting) {
        assert_eq!(self.interlock.step(Input::Set { t_s: self.now_s, setting: &setting }), None);
    }

    fn off_known(&mut self) {
        let setting = command(Supply::On, 0.0);
        assert_eq!(self.interlock.step(Input::OffKnown(OffCommand { setting })), None);
    }

    fn block(&mut self, scene: Scene, begin_s: f64) -> Block {
        let fall = (-(self.now_s - begin_s) / scene.falls_s).exp();
        let mut noisy = |value: f64| -> Vec<f32> {
            (0..40)
                .map(|_| {
                    self.count += 1;
                    (value + 0.004 * f64::from(self.count % 7) - 0.012) as f32
                })
                .collect()
        };
        Block {
            t0_s: self.now_s,
            duration_s: 0.02,
            channels: vec![
                (Channel::SupplyV, noisy(scene.supply_v * fall)),
                (Channel::SupplyA, noisy(scene.supply_a)),
                (Channel::OutputV, noisy(scene.output_v)),
                (Channel::CaseC, vec![scene.case_c as f32]),
            ],
            tach_s: self.interlock.limits.tach.then(|| if scene.turning { vec![self.now_s + 0.01] } else { vec![] }),
            ..Block::default()
        }
    }

    fn give(&mut self, block: &Block) -> Option<Trip> {
        self.now_s = block.end_s();
        self.interlock.step(Input::Block { block, asked_s: 0.02 })
    }

    fn play(&mut self, scene: Scene, seconds: f64) -> Option<Trip> {
        let begin_s = self.now_s;
        while self.now_s < begin_s + seconds - 1e-9 {
            let block = self.block(scene, begin_s);
            let trip = self.give(&block);
            if trip.is_some() {
                return trip;
            }
        }
        None
    }
}

/// Where a run stands when a fault comes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Situation {
    BeforePower,
    OnAtRest,
    Running,
    /// Off command known to be valid, given while running, fan coasting.
    OffKnownCoasting,
    /// Off command of which nothing is known yet, given while running.
    OffUnknownCoasting,
    /// Relay opened, fan at rest for a minute.
    OpenedAtRest,
}

const SITUATIONS: [Situation; 6] = [
    Situation::BeforePower,
    Situation::OnAtRest,
    Situation::Running,
    Situation::OffKnownCoasting,
    Situation::OffUnknownCoasting,
    Situation::OpenedAtRest,
];

fn bring_to(situation: Situation) -> (Player, Scene) {
    let mut player = Player::new(true);
    let mut go = |settings: &[(Setting, Scene, f64)]| {
        for (setting, scene, seconds) in settings {
            player.set(*setting);
            let trip = player.play(*scene, *seconds);
            assert_eq!(trip, None, "a healthy unit trips on the way to {situation:?}");
        }
    };
    let (off, half) = (command(Supply::On, 0.0), command(Supply::On, 0.5));
    go(&[(Setting::SAFE, REST_OFF, 1.0)]);
    let scene = match situation {
        Situation::BeforePower => REST_OFF,
        Situation::OnAtRest => {
            go(&[(half, REST_ON, 1.0)]);
            REST_ON
        }
        Situation::Running => {
            go(&[(half, RUNNING, 5.0)]);
            RUNNING
        }
        Situation::OffUnknownCoasting => {
            go(&[(half, RUNNING, 5.0), (off, COASTING, 3.0)]);
            COASTING
        }
        Situation::OffKnownCoasting => {
            player.off_known();
            let mut go = |setting, scene, seconds| {
                player.set(setting);
                assert_eq!(player.play(scene, seconds), None);
            };
            go(half, RUNNING, 5.0);
            go(off, COASTING, 3.0);
            COASTING
        }
        Situation::OpenedAtRest => {
            let bleeding = Scene { supply_v: 12.0, turning: false, supply_a: 0.0, falls_s: 4.0, ..REST_OFF };
            go(&[(half, RUNNING, 5.0), (Setting::SAFE, bleeding, 60.0)]);
            REST_OFF
        }
    };
    (player, scene)
}

#[derive(Clone, Copy, Debug)]
enum Fault {
    Nothing,
    ShortAmps,
    OverVoltage,
    VoltageCollapse,
    HotCase,
    RunsOn,
    Welded,
    FanJammed,
    NotANumber,
    OverRange,
    Frozen,
    Gap,
    Backwards,
    SupplyCurrentMissing,
    EmergencyStop,
    OperatorStop,
}

fn inject(player: &mut Player, scene: Scene, fault: Fault) -> Option<Trip> {
    let begin_s = player.now_s;
    let mut bent = |bend: &dyn Fn(&mut Block)| {
        let mut block = player.block(scene, begin_s);
        bend(&mut block);
        player.give(&block)
    };
    match fault {
        Fault::Nothing => player.play(scene, 20.0),
        Fault::ShortAmps => player.play(Scene { supply_a: 140.0, ..scene }, 0.02),
        Fault::OverVoltage => player.play(Scene { supply_v: 17.0, ..scene }, 0.02),
        Fault::VoltageCollapse => player.play(Scene { supply_v: 6.0, ..scene }, 2.0),
        Fault::HotCase => player.play(Scene { case_c: 104.0, ..scene }, 0.1),
        Fault::RunsOn => player.play(RUNNING, 4.0),
        Fault::Welded => player.play(Scene { supply_v: 13.0, ..scene }, 20.0),
        Fault::FanJammed => player.play(Scene { supply_a: 60.0, output_v: 11.0, turning: false, ..scene }, 4.0),
        Fault::NotANumber => bent(&|block| block.channels[1].1[7] = f32::NAN),
        Fault::OverRange => bent(&|block| block.channels[2].1.fill(25.0)),
        Fault::Frozen => (0..40).find_map(|_| {
            let mut block = player.block(scene, begin_s);
            block.channels[0].1.fill(12.345);
            player.give(&block)
        }),
        Fault::Gap => {
            player.now_s += 0.1;
            player.play(scene, 0.02)
        }
        Fault::Backwards => {
            player.now_s -= 0.1;
            player.play(scene, 0.02)
        }
        Fault::SupplyCurrentMissing => bent(&|block| {
            block.channels.remove(1);
        }),
        Fault::EmergencyStop => bent(&|block| block.stop_pressed = Some(true)),
        Fault::OperatorStop => player.interlock.step(Input::OperatorStop),
    }
}

fn expected(fault: Fault, situation: Situation) -> Option<(Rule, StoppedBy)> {
    use Situation::{BeforePower, OffKnownCoasting, OpenedAtRest};
    let closed = !matches!(situation, BeforePower | OpenedAtRest);
    let open_weld = Some((Rule::WeldedContact, StoppedBy::Rig));
    match fault {
        Fault::Nothing => None,
        Fault::ShortAmps => Some((Rule::OverCurrent, StoppedBy::Unit)),
        // A voltage that comes back though the relay stays open is no capacitor's.
        Fault::OverVoltage | Fault::VoltageCollapse if situation == OpenedAtRest => open_weld,
        Fault::OverVoltage => closed.then_some((Rule::OverVoltage, StoppedBy::Rig)),
        Fault::VoltageCollapse => closed.then_some((Rule::UnderVoltage, StoppedBy::Rig)),
        Fault::HotCase => closed.then_some((Rule::CaseTemperature, StoppedBy::Unit)),
        // The fan's current with a command that should stop it, or with the relay open.
        Fault::RunsOn if situation == OffKnownCoasting => Some((Rule::CurrentAtOff, StoppedBy::Unit)),
        Fault::RunsOn => {
            if closed {
                None
            } else {
                open_weld
            }
        }
        Fault::Welded => {
            if closed {
                None
            } else {
                open_weld
            }
        }
        Fault::FanJammed if situation == OffKnownCoasting => Some((Rule::CurrentAtOff, StoppedBy::Unit)),
        Fault::FanJammed => {
            if closed {
                Some((Rule::Stalled, StoppedBy::Rig))
            } else {
                open_weld
            }
        }
        Fault::NotANumber | Fault::OverRange => Some((Rule::SensorRange, StoppedBy::Rig)),
        // With the relay open it is the height of the reading that counts.
        Fault::Frozen => {
            if closed {
                Some((Rule::SensorFrozen, StoppedBy::Rig))
            } else {
                open_weld
            }
        }
        Fault::Gap | Fault::SupplyCurrentMissing => closed.then_some((Rule::Samples, StoppedBy::Rig)),
        Fault::Backwards => Some((Rule::Samples, StoppedBy::Rig)),
        Fault::EmergencyStop => Some((Rule::EmergencyStop, StoppedBy::Operator)),
        Fault::OperatorStop => Some((Rule::OperatorStop, StoppedBy::Operator)),
    }
}

#[test]
fn every_fault_in_every_situation_trips_as_it_should() {
    use Fault as F;
    let faults = [
        F::Nothing,
        F::ShortAmps,
        F::OverVoltage,
        F::VoltageCollapse,
        F::HotCase,
        F::RunsOn,
        F::Welded,
        F::FanJammed,
        F::NotANumber,
        F::OverRange,
        F::Frozen,
        F::Gap,
        F::Backwards,
        F::SupplyCurrentMissing,
        F::EmergencyStop,
        F::OperatorStop,
    ];
    for situation in SITUATIONS {
        for fault in faults {
            let (mut player, scene) = bring_to(situation);
            let trip = inject(&mut player, scene, fault);
            let got = trip.as_ref().map(|trip| (trip.rule, trip.by));
            assert_eq!(got, expected(fault, situation), "{fault:?} while {situation:?}: {trip:?}");
        }
    }
}

#[test]
fn a_coasting_fan_and_a_charged_capacitor_trip_nothing() {
    let (mut player, _) = bring_to(Situation::Running);
    player.off_known();
    player.set(command(Supply::On, 0.0));
    // The module ramps down for a second, then the fan coasts with back-EMF on the output.
    assert_eq!(player.play(RUNNING, 1.0), None);
    assert_eq!(player.play(COASTING, 15.0), None);
    player.set(command(Supply::Off, 0.0));
    // Capacitors hold the supply pin up for a long while.
    let charged = Scene { falls_s: 25.0, supply_v: 13.0, supply_a: 0.0, ..REST_OFF };
    assert_eq!(player.play(charged, 120.0), None);
}

#[test]
fn an_off_command_counts_only_once_it_is_known_to_be_valid() {
    let (mut player, _) = bring_to(Situation::Running);
    player.set(command(Supply::On, 0.0));
    assert_eq!(player.play(RUNNING, 10.0), None);
    player.off_known();
    let trip = player.play(RUNNING, 1.0).map(|trip| (trip.rule, trip.by));
    assert_eq!(trip, Some((Rule::CurrentAtOff, StoppedBy::Unit)));
}

#[test]
fn short_test_pulses_and_a_start_that_sags_the_supply_trip_nothing() {
    let (mut player, _) = bring_to(Situation::OffKnownCoasting);
    for _ in 0..20 {
        assert_eq!(player.play(Scene { supply_a: 5.0, ..REST_ON }, 0.02), None);
        assert_eq!(player.play(REST_ON, 0.98), None);
    }
    player.set(command(Supply::On, 0.9));
    let start = Scene { supply_a: 80.0, supply_v: 8.5, output_v: 8.0, turning: true, ..RUNNING };
    assert_eq!(player.play(start, 0.3), None);
    assert_eq!(player.play(RUNNING, 10.0), None);
}

#[test]
fn a_stall_is_seen_without_a_tach_from_the_current_of_a_locked_rotor() {
    let mut player = Player::new(false);
    player.interlock.limits.i2t_a2s = 30_000.0;
    player.set(command(Supply::On, 0.5));
    assert_eq!(player.play(RUNNING, 10.0), None);
    let jammed = Scene { supply_a: 75.0, output_v: 12.0, turning: false, ..RUNNING };
    let trip = player.play(jammed, 4.0).map(|trip| trip.rule);
    assert_eq!(trip, Some(Rule::Stalled));
}

#[test]
fn a_dummy_load_may_stand_and_everything_else_is_watched_as_on_a_fan() {
    let standing = Scene { supply_a: 75.0, output_v: 12.0, turning: false, ..RUNNING };
    let on_dummy = || {
        let mut player = Player::new(false);
        let limits = &mut player.interlock.limits;
        (limits.stall, limits.load) = (None, Some(LoadTakes { continuous_a: 40.0, a2s: 30_000.0 }));
        (limits.i2t_a2s, limits.load_running_a) = (60_000.0, 90.0);
        player.set(command(Supply::On, 0.95));
        player
    };
    assert_eq!(on_dummy().play(standing, 6.0), None, "longer than a stalled fan may stand");
    // Chopped to half, the supply gives half of what heats the load.
    let chopped = Scene { supply_a: 37.0, output_v: 6.0, ..standing };
    for scene in [standing, chopped] {
        let trip = on_dummy().play(scene, 10.0).expect("more than the load takes");
        assert!(trip.rule == Rule::OverI2t && trip.by == StoppedBy::Rig && trip.saw.contains("dummy load"), "{trip:?}");
    }
    let mut rested = on_dummy();
    for _ in 0..3 {
        assert_eq!(rested.play(standing, 5.0), None);
        assert_eq!(rested.play(REST_ON, 15.0), None, "it cools meanwhile");
    }
    let faults = [
        (Scene { supply_a: 115.0, ..standing }, Rule::OverCurrent),
        (Scene { case_c: 105.0, ..standing }, Rule::CaseTemperature),
    ];
    for (scene, rule) in faults {
        assert_eq!(on_dummy().play(scene, 1.0).map(|trip| trip.rule), Some(rule));
    }
    let mut short = on_dummy();
    short.interlock.limits.energised_s = 2.0;
    assert_eq!(short.play(standing, 3.0).map(|trip| trip.rule), Some(Rule::EnergisedTime));
    let mut tight = on_dummy();
    tight.interlock.limits.i2t_a2s = 10_000.0;
    assert_eq!(tight.play(standing, 5.0).map(|trip| trip.rule), Some(Rule::OverI2t));
}

#[test]
fn a_long_overload_trips_by_i2t_and_the_fans_own_current_is_not_the_units_doing() {
    for (supply_a, by) in [(50.0, StoppedBy::Unit), (28.5, StoppedBy::Rig)] {
        let mut player = Player::new(true);
        player.interlock.limits.continuous_a = 20.0;
        player.set(command(Supply::On, 0.9));
        let trip = player.play(Scene { supply_a, ..RUNNING }, 60.0);
        assert_eq!(trip.map(|trip| (trip.rule, trip.by)), Some((Rule::OverI2t, by)));
    }
}

#[test]
fn energised_time_and_case_rise_are_capped() {
    let mut player = Player::new(true);
    player.interlock.limits.energised_s = 5.0;
    player.set(command(Supply::On, 0.9));
    assert_eq!(player.play(RUNNING, 6.0).map(|trip| trip.rule), Some(Rule::EnergisedTime));
    let (mut player, _) = bring_to(Situation::Running);
    let trip = player.play(Scene { case_c: 60.0, ..RUNNING }, 5.0);
    assert_eq!(trip.map(|trip| (trip.rule, trip.by)), Some((Rule::CaseRise, StoppedBy::Unit)));
}

#[test]
fn after_a_trip_it_never_arms_again() {
    let (mut player, _) = bring_to(Situation::Running);
    assert!(player.interlock.step(Input::OperatorStop).is_some());
    assert!(player.interlock.step(Input::OperatorStop).is_none());
    assert_eq!(player.play(Scene { supply_a: 140.0, ..RUNNING }, 1.0), None);
}

/// A supply that may be set from 3 to 15 V at 400 V/s, and follows within a volt.
fn programmable() -> Player {
    let settable = Some(Settable { lowest_v: 3.0, highest_v: 15.0, slew_v_per_s: 400.0, within_v: 1.0 });
    let mut player = Player::new(true);
    player.interlock.limits.settable = settable;
    player.set(command(Supply::On, 0.6));
    assert_eq!(player.play(RUNNING, 1.0), None);
    player
}

fn at_level(volts: Option<f64>) -> Setting {
    Setting { supply_v: volts.map(Volts), ..command(Supply::On, 0.6) }
}

#[test]
fn a_commanded_dip_is_no_under_voltage_however_long_and_the_own_level_is_guarded_again_after_it() {
    let mut player = programmable();
    player.set(at_level(Some(4.5)));
    assert_eq!(player.play(Scene { supply_v: 4.3, supply_a: 2.0, ..RUNNING }, 20.0), None);
    player.set(at_level(None));
    assert_eq!(player.play(RUNNING, 5.0), None);
    let trip = player.play(Scene { supply_v: 8.5, ..RUNNING }, 2.0).expect("9 V are the lowest of the rig's own level");
    assert_eq!((trip.rule, trip.by), (Rule::UnderVoltage, StoppedBy::Rig));
}

#[test]
fn a_supply_that_does_not_follow_trips_down_and_up() {
    let mut player = programmable();
    player.set(at_level(Some(4.5)));
    let trip = player.play(RUNNING, 3.0).expect("13 V though 4.5 V are commanded");
    assert_eq!((trip.rule, trip.by), (Rule::OverVoltage, StoppedBy::Rig));
    assert!(trip.saw.contains("does not follow"), "{}", trip.saw);
    // It has half a second to settle, and half a second of being elsewhere is no evidence.
    assert!((1.9..2.3).contains(&player.now_s), "{}", player.now_s);

    let mut player = programmable();
    player.set(at_level(Some(15.0)));
    let trip = player.play(RUNNING, 3.0).expect("13 V though 15 V are commanded");
    assert_eq!((trip.rule, trip.by), (Rule::UnderVoltage, StoppedBy::Rig));

    let mut player = programmable();
    player.set(at_level(Some(8.0)));
    let trip = player.play(Scene { supply_v: 6.5, ..RUNNING }, 3.0).expect("it falls short of the level commanded");
    assert_eq!((trip.rule, trip.by), (Rule::UnderVoltage, StoppedBy::Rig));
}

#[test]
fn a_charged_capacitor_that_holds_the_pins_up_is_no_supply_that_does_not_follow() {
    let mut player = programmable();
    player.set(at_level(Some(4.5)));
    assert_eq!(player.play(Scene { supply_v: 12.0, supply_a: 0.0, falls_s: 8.0, ..COASTING }, 7.0), None);
}

#[test]
fn levels_in_quick_succession_are_followed_and_the_highest_voltage_holds_at_every_level() {
    let mut player = programmable();
    for _ in 0..10 {
        for volts in [4.5, 9.0, 6.0] {
            player.set(at_level(Some(volts)));
            assert_eq!(player.play(Scene { supply_v: volts, supply_a: 3.0, ..RUNNING }, 0.06), None);
        }
    }
    player.set(at_level(Some(15.0)));
    let trip = player.play(Scene { supply_v: 16.5, ..RUNNING }, 0.1).expect("above the highest voltage");
    assert_eq!((trip.rule, trip.by), (Rule::OverVoltage, StoppedBy::Rig));
}

#[test]
fn another_supply_voltage_gives_a_current_at_off_no_new_time() {
    let mut player = programmable();
    player.off_known();
    player.set(command(Supply::On, 0.0));
    assert_eq!(player.play(COASTING, 5.0), None);
    for volts in [12.0, 11.0, 10.0, 9.0] {
        player.set(Setting { supply_v: Some(Volts(volts)), ..command(Supply::On, 0.0) });
        if let Some(trip) = player.play(Scene { supply_v: volts, supply_a: 2.0, ..COASTING }, 1.0) {
            assert_eq!(trip.rule, Rule::CurrentAtOff);
            return;
        }
    }
    panic!("2 A flow at an off command for four seconds");
}
