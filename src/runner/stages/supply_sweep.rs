//! The supply slowly down and up from its own voltage, at a running duty: where the unit cuts out and in.
//!
//! What comes on again needs its time: to look, to ramp, to catch up with a fan that still turns. On the way back it is
//! therefore seen too late, so that levels nearer to where it went off are held for longer, each from off, until it
//! stays off at one.

use crate::bench::{Pace, Setting};
use crate::config::plan::UpTo;
use crate::record::event::SpanKind;
use crate::results::Direction;
use crate::runner::session::{Session, Work};
use crate::runner::stages::supply_dip::{bring_back, comes_back, end, running};
use crate::safety::Halt;
use crate::units::{Duty, Seconds, Volts};

/// Stretch in which the output is looked for.
const LOOK_S: f64 = 0.2;
/// Longest wait for the output to go off again, and for it to come back in the end.
const GOES_WITHIN_S: f64 = 3.0;
const BACK_WITHIN_S: f64 = 10.0;
/// On its way back to the supply's own voltage with the output on: a step of so much, for so long.
const HOME_V: f64 = 0.5;
const HOME_S: f64 = 0.1;
/// Most levels tried for one at which it stays off.
const MOST_LEVELS: u32 = 60;

/// What the stage asks for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Ask {
    pub(crate) duty: Duty,
    pub(crate) step: Volts,
    pub(crate) stay: Seconds,
    pub(crate) confirm: Seconds,
    pub(crate) down_to: UpTo<Volts>,
    pub(crate) up_to: UpTo<Volts>,
}

/// One end of the sweep; levels count in steps away from the supply's own voltage.
#[derive(Clone, Copy, Debug)]
struct End {
    duty: Duty,
    own_v: f64,
    step_v: f64,
    steps: u32,
    stay_s: f64,
    confirm_s: f64,
}

pub(crate) fn run(session: &mut Session<'_>, ask: Ask) -> Work {
    let Some(range) = session.rig.supply.range else {
        return Ok(Err("the supply cannot be set".to_owned()));
    };
    let own_v = session.rig.supply.voltage.get();
    let duty = session.allowed(ask.duty);
    let mut missing = Vec::new();
    for (toward, end_v) in
        [(Direction::Down, ask.down_to.or(range.lowest).get()), (Direction::Up, ask.up_to.or(range.highest).get())]
    {
        let away_v = (end_v - own_v).abs();
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "some hundred steps")]
        let steps = (away_v / ask.step.get() + 1e-6).floor() as u32;
        let end = End {
            duty,
            own_v,
            step_v: ask.step.get() * if toward == Direction::Down { -1.0 } else { 1.0 },
            steps,
            stay_s: ask.stay.get(),
            confirm_s: ask.confirm.get(),
        };
        if let Err(why) = end.sweep(session, toward)? {
            missing.push(why);
        }
    }
    self::end(session)?;
    Ok(if missing.is_empty() { Ok(()) } else { Err(missing.join("; ")) })
}

impl End {
    fn sweep(self, session: &mut Session<'_>, toward: Direction) -> Work {
        if !running(session, self.duty)? {
            return Ok(Err("the fan did not settle before".to_owned()));
        }
        session.stretch(SpanKind::SupplySweep { toward }, |session| {
            session.read(self.stay_s, Pace::Normal)?;
            if let Some(out) = self.goes_off(session)? {
                self.comes_on(session, out)?;
            }
            self.home(session)
        })?;
        if !comes_back(session, BACK_WITHIN_S)? {
            bring_back(session, self.duty, BACK_WITHIN_S)?;
        }
        Ok(Ok(()))
    }

    /// The level so many steps away, held for `most_s`, or until the output is as `until_on` says; whether it is on.
    fn hold(self, session: &mut Session<'_>, steps: u32, most_s: f64, until_on: bool) -> Result<bool, Halt> {
        let volts = Volts(((self.own_v + f64::from(steps) * self.step_v) * 1e6).round() / 1e6);
        session.set(Setting { supply_v: Some(volts), ..session.command(self.duty) })?;
        let end_s = session.now_s() + most_s;
        loop {
            session.read(LOOK_S.min((end_s - session.now_s()).max(0.02)), Pace::Normal)?;
            let on = session.driven(0.5 * LOOK_S);
            if (on == until_on && until_on) || session.now_s() > end_s - 1e-6 {
                return Ok(on);
            }
        }
    }

    /// Away step by step; at which one the output went off.
    fn goes_off(self, session: &mut Session<'_>) -> Result<Option<u32>, Halt> {
        for steps in 1..=self.steps {
            if !self.hold(session, steps, self.stay_s, false)? {
                return Ok(Some(steps));
            }
        }
        Ok(None)
    }

    /// Back step by step until it comes on, then from off at levels nearer to `out`, held for longer, until it stays off.
    fn comes_on(self, session: &mut Session<'_>, out: u32) -> Result<(), Halt> {
        let mut on_at = None;
        for steps in (0..out).rev() {
            if self.hold(session, steps, self.stay_s, true)? {
                on_at = Some(steps);
                break;
            }
        }
        let Some(mut on_at) = on_at else { return Ok(()) };
        for _ in 0..MOST_LEVELS {
            let nearer = on_at + 1;
            let begin_s = session.now_s();
            while self.hold(session, out, self.stay_s, false)? {
                if session.now_s() > begin_s + GOES_WITHIN_S.max(2.5 * self.stay_s) {
                    return Ok(());
                }
            }
            if nearer > out || !self.hold(session, nearer, self.confirm_s, true)? {
                return Ok(());
            }
            on_at = nearer;
        }
        Ok(())
    }

    /// Back to the supply's own voltage: at once where the output is off, else step by step, so that no fan is thrown on.
    fn home(self, session: &mut Session<'_>) -> Result<(), Halt> {
        let own = session.command(self.duty);
        let Some(level_v) = session.sup.setting().supply_v.map(Volts::get) else { return Ok(()) };
        if session.driven(LOOK_S) {
            let count = ((level_v - self.own_v).abs() / HOME_V).floor();
            let by_v = HOME_V * (self.own_v - level_v).signum();
            let mut left = count;
            while left > 0.0 {
                let volts = self.own_v - left * by_v;
                session.set(Setting { supply_v: Some(Volts(volts)), ..own })?;
                session.read(HOME_S, Pace::Normal)?;
                left -= 1.0;
            }
        }
        session.set(own)
    }
}
