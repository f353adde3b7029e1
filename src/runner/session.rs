//! One run as the stages see it: what rig and unit can do, what is known of the unit, and the moves that stages share
//! (power on, off, wait for rest, wait until settled). Everything goes through the supervisor.

use crate::analysis::speed::Motion;
use crate::bench::{ActiveLevel, Channel, Line, Pace, Setting, Supply};
use crate::config::plan::{Plan, UpTo};
use crate::config::rig::Rig;
use crate::driver::{Control, Offers};
use crate::record::event::SpanKind;
use crate::record::recording::Recording;
use crate::runner::live::{self, Levels};
use crate::runner::preflight::Zeros;
use crate::safety::{Armed, Halt, Supervisor};
use crate::units::{Amps, Duty, Hertz};

/// What the rig can do.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Can {
    pub(crate) tach: bool,
    pub(crate) output: bool,
    pub(crate) case: bool,
    pub(crate) gentle: bool,
    pub(crate) line: bool,
    pub(crate) duty: bool,
    /// Whether the supply's voltage can be set.
    pub(crate) level: bool,
}

impl Can {
    fn of(offers: &Offers, rig: &Rig) -> Self {
        let control = |control| offers.controls.contains(&control);
        let channel = |channel| offers.channels.contains(&channel);
        Self {
            tach: offers.tach && rig.tach.is_some(),
            output: channel(Channel::OutputV),
            case: channel(Channel::CaseC),
            gentle: control(Control::GentleSupply),
            line: control(Control::Line),
            duty: control(Control::DutyPct),
            level: control(Control::SupplyV),
        }
    }
}

/// What is known of the unit so far.
#[derive(Clone, Debug, Default)]
pub(crate) struct Known {
    pub(crate) frequency: Option<Hertz>,
    pub(crate) active: Option<ActiveLevel>,
    /// Duty that was seen to stop the fan.
    pub(crate) off: Option<Duty>,
    /// Whether 0 %, which has no edges, was seen to stop the fan.
    pub(crate) still_stops: bool,
    /// Highest duty that keeps the plateau.
    pub(crate) most: Option<Duty>,
    /// Time from first output to nearly all of it, seconds.
    pub(crate) ramp_s: Option<f64>,
    /// State of the line in which there is no output.
    pub(crate) quiet_line: Option<Line>,
    /// Line states in which the fan ran.
    pub(crate) running_lines: Vec<Line>,
    /// Time from a command edge to the first output, seconds.
    pub(crate) delay_s: Option<f64>,
    /// Time from a jump at rest to a quarter of its small output, seconds.
    pub(crate) jump_s: Option<f64>,
    /// Last zero of the supply current, amperes, and of the output voltage, volts.
    pub(crate) zero_a: f64,
    pub(crate) zero_output_v: f64,
    /// Levels flat out.
    pub(crate) full: Option<Levels>,
    /// Duty at which the output came on, rising, as a fraction.
    pub(crate) on: Option<f64>,
    /// Duty at which the fan started, as a fraction.
    pub(crate) start: Option<f64>,
    /// Duty at which the fan stopped, falling, as a fraction.
    pub(crate) stop: Option<f64>,
    /// Whether the output thresholds were searched for by themselves, fan at rest.
    pub(crate) dead_band: bool,
    /// Why there is nothing to measure, once that is clear.
    pub(crate) dead: Option<String>,
}

/// How a stage's work went: everything done, or what is missing.
pub(crate) type Work = Result<Result<(), String>, Halt>;

/// Highest supply voltage at which the capacitors count as bled, and the wait for it before a zero: charged capacitors
/// spoil the zero of the supply voltage alone.
const BLED_V: f64 = 0.3;
const BLEED_WITHIN_S: f64 = 5.0;
const DRAIN_WITHIN_S: f64 = 3.0;
/// Usual length of a zero.
pub(crate) const ZERO_S: f64 = 1.2;
/// Longest wait for a coasting fan.
pub(crate) const COAST_WITHIN_S: f64 = 120.0;
/// Duty that no unit takes for a start but whose edges it sees, where its own threshold is not known yet.
const WAKE_DUTY: f64 = 0.03;
/// How long the line rests before the edges that wake a unit begin anew.
const QUIET_S: f64 = 0.1;
/// Asleep unless the plan says otherwise.
const ASLEEP_BELOW: Amps = Amps(5e-3);
/// Output ratio from which a driven output counts as on, and from which one at rest does, its zero taken off: a diode
/// takes most of a small output away again.
const OUTPUT_ON: f64 = 0.015;
const ON_AT_REST: f64 = 0.0035;
/// Command to output where it is not known yet.
const DELAY_S: f64 = 0.3;
/// Supply current above the zero that only a driven fan draws; an awake module takes less.
const DRIVEN_A: f64 = 0.25;

/// One run.
pub(crate) struct Session<'a> {
    pub(crate) sup: &'a mut Supervisor,
    pub(crate) armed: &'a Armed,
    pub(crate) rig: &'a Rig,
    pub(crate) plan: &'a Plan,
    pub(crate) can: Can,
    pub(crate) known: Known,
    /// Whether the fan drew high current since the last zero.
    pub(crate) zero_due: bool,
    /// Whether nothing came after the zeros of the preflight.
    pub(crate) zero_fresh: bool,
}

impl<'a> Session<'a> {
    /// `zeros` are those of the preflight, which nothing came after.
    pub(crate) fn new(sup: &'a mut Supervisor, armed: &'a Armed, rig: &'a Rig, plan: &'a Plan, zeros: Zeros) -> Self {
        let can = Can::of(sup.offers(), rig);
        let known = Known { zero_a: zeros.supply_a, zero_output_v: zeros.output_v, ..Known::default() };
        Self { sup, armed, rig, plan, can, known, zero_due: true, zero_fresh: true }
    }

    pub(crate) fn rec(&self) -> &Recording {
        self.sup.recording()
    }

    pub(crate) fn now_s(&self) -> f64 {
        self.sup.now_s()
    }

    pub(crate) fn set(&mut self, setting: Setting) -> Result<(), Halt> {
        self.sup.set(self.armed, setting).map(|_| ())
    }

    pub(crate) fn read(&mut self, seconds: f64, pace: Pace) -> Result<(), Halt> {
        self.sup.read(seconds, pace)
    }

    /// Pace at which motion can be seen: ripple needs bursts where there is no tach.
    pub(crate) fn motion_pace(&self) -> Pace {
        if self.can.tach { Pace::Normal } else { Pace::Burst }
    }

    /// A pulse-train command with the supply on, at what is known of the unit.
    pub(crate) fn command(&self, duty: Duty) -> Setting {
        Setting {
            supply: Supply::On,
            duty,
            active: self.known.active.unwrap_or(ActiveLevel::Low),
            frequency: self.known.frequency.unwrap_or(Setting::SAFE.frequency),
            line: Line::Pwm,
            supply_v: None,
        }
    }

    pub(crate) fn set_duty(&mut self, fraction: f64) -> Result<(), Halt> {
        self.set(self.command(Duty::clamped(fraction)))
    }

    /// The command under which the fan is off: the learned off duty, else a line state that was seen to be quiet, else a
    /// released line.
    pub(crate) fn off_setting(&self) -> Setting {
        match (self.known.off, self.known.quiet_line) {
            (Some(off), _) => self.command(off),
            (None, Some(line)) => Setting { line, ..self.command(Duty::ZERO) },
            (None, None) => Setting { line: Line::Open, ..self.command(Duty::ZERO) },
        }
    }

    pub(crate) fn off(&mut self) -> Result<(), Halt> {
        self.set(self.off_setting())
    }

    /// Highest duty that rig, plan and unit allow.
    pub(crate) fn highest(&self, to: UpTo<Duty>) -> f64 {
        let known = self.known.most.map_or(1.0, Duty::fraction);
        self.highest_of_rig(to).min(known)
    }

    /// Highest duty that rig and plan allow, whatever the unit makes of it.
    pub(crate) fn highest_of_rig(&self, to: UpTo<Duty>) -> f64 {
        to.or(Duty::FULL).fraction().min(self.rig.command.most_duty.fraction())
    }

    /// This duty, or the highest that rig and unit allow.
    pub(crate) fn allowed(&self, duty: Duty) -> Duty {
        Duty::clamped(duty.fraction().min(self.highest(UpTo::RigLimit)))
    }

    /// Lowest duty worth a try: with edges, and not below one that is off already.
    pub(crate) fn lowest(&self) -> f64 {
        self.rig.command.least_duty.fraction().max(self.known.off.map_or(0.0, Duty::fraction))
    }

    // Observing.

    /// Supply current over the last `window_s`, less its zero.
    pub(crate) fn amps(&self, window_s: f64) -> f64 {
        let now_s = self.now_s();
        self.rec().mean(Channel::SupplyA, now_s - window_s, now_s).unwrap_or(0.0) - self.known.zero_a
    }

    pub(crate) fn ratio(&self, window_s: f64) -> Option<f64> {
        live::ratio(self.rec(), self.now_s() - window_s, self.now_s())
    }

    /// Whether the fan was driven from `from_s` to `to_s`, by its current alone.
    pub(crate) fn driven_in(&self, from_s: f64, to_s: f64) -> bool {
        self.rec().mean(Channel::SupplyA, from_s, to_s).is_some_and(|amps| amps - self.known.zero_a > DRIVEN_A)
    }

    /// Whether the output drives the fan: current flows beyond what the module itself takes. Back-EMF does not count.
    pub(crate) fn driven(&self, window_s: f64) -> bool {
        self.amps(window_s) > DRIVEN_A && self.ratio(window_s).is_none_or(|ratio| ratio > OUTPUT_ON)
    }

    /// Whether the output is on, known that the fan rests (so that there is no back-EMF).
    pub(crate) fn output_on_at_rest(&self, window_s: f64) -> bool {
        let now_s = self.now_s();
        let mean = |channel| self.rec().mean(channel, now_s - window_s, now_s);
        match (mean(Channel::OutputV), mean(Channel::SupplyV)) {
            (Some(output_v), Some(supply_v)) if self.can.output => {
                output_v - self.known.zero_output_v > ON_AT_REST * supply_v.max(1.0)
            }
            _ => self.amps(window_s) > DRIVEN_A,
        }
    }

    /// Whether tach edges came within `window_s`.
    pub(crate) fn turns_by_edges(&self, window_s: f64) -> bool {
        let now_s = self.now_s();
        self.can.tach && self.rec().tach_in(now_s - window_s, now_s).is_some_and(|edges| !edges.is_empty())
    }

    /// Time after a change of duty by which the output has answered, seconds.
    pub(crate) fn answer_s(&self) -> f64 {
        let twice_s = 2.0 * self.known.delay_s.unwrap_or(DELAY_S);
        0.3 + self.known.jump_s.map_or(twice_s, |jump_s| jump_s.min(twice_s))
    }

    /// Time after a small step of duty by which the output has come, if it does, seconds.
    pub(crate) fn comes_s(&self) -> f64 {
        self.answer_s().min(0.3 + self.known.delay_s.unwrap_or(DELAY_S))
    }

    /// What the unit answers with: output ratio, else supply current over that of the load fan.
    pub(crate) fn answer(&self, window_s: f64) -> f64 {
        self.ratio(window_s)
            .filter(|_| self.can.output)
            .unwrap_or_else(|| self.amps(window_s) / self.rig.running().get())
    }

    pub(crate) fn motion(&self, window_s: f64) -> Motion {
        live::motion_now(self.rec(), window_s)
    }

    // Waiting.

    /// Reads until everything has settled, at least `least_s`, at most `most_s`; whether it has.
    pub(crate) fn settle(&mut self, least_s: f64, most_s: f64, pace: Pace) -> Result<bool, Halt> {
        let begin_s = self.now_s();
        loop {
            self.read(0.1, pace)?;
            let now_s = self.now_s();
            if now_s - begin_s >= least_s - 1e-6 && live::settled(self.rec(), begin_s, now_s, !self.can.tach) {
                return Ok(true);
            }
            if now_s - begin_s >= most_s {
                return Ok(false);
            }
        }
    }

    /// Reads until the output (not the fan) has settled; whether it has.
    pub(crate) fn settle_output(&mut self, least_s: f64, most_s: f64) -> Result<bool, Halt> {
        let begin_s = self.now_s();
        loop {
            self.read(0.1, Pace::Normal)?;
            let now_s = self.now_s();
            if now_s - begin_s >= least_s - 1e-6 && live::output_settled(self.rec(), begin_s, now_s, 0.4) {
                return Ok(true);
            }
            if now_s - begin_s >= most_s {
                return Ok(false);
            }
        }
    }

    /// Reads until nothing drives the fan; whether that came within `most_s`.
    pub(crate) fn wait_undriven(&mut self, most_s: f64) -> Result<bool, Halt> {
        self.wait_undriven_by(most_s, 0.3, 0.2)
    }

    /// The same, looked at after every `each_s` over the last `look_s`.
    pub(crate) fn wait_undriven_by(&mut self, most_s: f64, each_s: f64, look_s: f64) -> Result<bool, Halt> {
        let begin_s = self.now_s();
        while self.now_s() < begin_s + most_s {
            self.read(each_s, Pace::Normal)?;
            if !self.driven(look_s) {
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// Reads at `pace` until the fan is verified at rest (output off meanwhile); whether it is.
    pub(crate) fn wait_rest(&mut self, pace: Pace) -> Result<bool, Halt> {
        let begin_s = self.now_s();
        let blind = !self.can.tach && !self.can.output;
        while self.now_s() < begin_s + COAST_WITHIN_S {
            self.read(0.5, pace)?;
            let waited_s = self.now_s() - begin_s;
            let rests = match self.motion_at_rest() {
                Motion::Rest => true,
                Motion::Turning => false,
                Motion::Unknown => blind && waited_s > 60.0,
            };
            // Silence of the tach is looked back on; without one the output has to have gone first.
            if rests && (self.can.tach || waited_s >= 1.5) {
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// Motion with the output off: no tach edges, or no back-EMF.
    pub(crate) fn motion_at_rest(&self) -> Motion {
        let now_s = self.now_s();
        if self.can.tach {
            let silent = self.rec().tach_in(now_s - 1.5, now_s).is_none_or(<[f64]>::is_empty);
            return if silent { Motion::Rest } else { Motion::Turning };
        }
        match self.rec().mean(Channel::OutputV, now_s - 0.5, now_s) {
            Some(output_v) if output_v.abs() < 0.1 => Motion::Rest,
            Some(_) => Motion::Turning,
            None => Motion::Unknown,
        }
    }

    // Moves.

    /// Supply on with the off command there, if it is off; the capacitors are charged gently where the rig can.
    pub(crate) fn power_on(&mut self) -> Result<(), Halt> {
        if self.sup.setting().supply == Supply::On {
            return Ok(());
        }
        let off = self.off_setting();
        if self.can.gentle {
            self.set(Setting { supply: Supply::Gentle, ..off })?;
            let begin_s = self.now_s();
            while self.now_s() < begin_s + 2.0 {
                self.read(0.1, Pace::Normal)?;
                let volts = self.rec().mean(Channel::SupplyV, self.now_s() - 0.02, self.now_s());
                if volts.is_none_or(|volts| volts > 0.9 * self.rig.supply.voltage.get()) {
                    break;
                }
            }
        }
        self.set(off)?;
        self.read(0.5, Pace::Normal)
    }

    /// From rest: a command too low for any output, so that the unit is awake for what follows.
    pub(crate) fn wake(&mut self) -> Result<(), Halt> {
        let duty = self.known.on.map_or(WAKE_DUTY, |on| 0.6 * on).max(self.lowest());
        if self.known.still_stops {
            // Some sleep while edges of an off duty come, and wake when edges begin.
            self.set_duty(0.0)?;
            self.read(QUIET_S, Pace::Normal)?;
        }
        self.set_duty(duty)?;
        self.read(1.5, Pace::Normal)?;
        if self.output_on_at_rest(0.2) {
            // Not as low as thought: what ran must rest again, and is awake.
            self.off()?;
            self.wait_rest(Pace::Slow)?;
        }
        Ok(())
    }

    /// Whether the supply current over the last `window_s` is that of a sleeping unit. Only a low range can say so.
    pub(crate) fn asleep(&self, window_s: f64) -> bool {
        let low = self.rig.channels.get(&Channel::SupplyA).is_some_and(|spec| spec.low.is_some());
        low && self.amps(window_s).abs() < self.asleep_below_a()
    }

    /// Supply current below which the unit counts as asleep.
    pub(crate) fn asleep_below_a(&self) -> f64 {
        self.plan.asleep_below.unwrap_or(ASLEEP_BELOW).get()
    }

    /// From whatever is going on to verified standstill with the supply on and the off command there; whether it came.
    pub(crate) fn stand_still(&mut self) -> Result<bool, Halt> {
        self.power_on()?;
        if self.sup.setting() != self.off_setting() {
            self.off()?;
        }
        self.wait_rest(Pace::Slow)
    }

    /// Relay open, fan at rest, capacitors bled, then the channels' zeros. Leaves the supply off.
    pub(crate) fn zero(&mut self) -> Result<(), Halt> {
        self.zero_for(ZERO_S)
    }

    /// The same with a zero of this length.
    pub(crate) fn zero_for(&mut self, seconds: f64) -> Result<(), Halt> {
        self.drain()?;
        self.set(Setting { supply: Supply::Off, ..self.off_setting() })?;
        let rests = self.wait_rest(Pace::Slow)?;
        let bled = self.wait_bled(BLEED_WITHIN_S)?;
        let complete = match (rests, bled) {
            (true, true) => Ok(()),
            (false, _) => Err("the fan was not seen to come to rest".to_owned()),
            (true, false) => Err("the capacitors had not bled: no zero of the supply voltage".to_owned()),
        };
        self.zero_span(seconds, complete)
    }

    /// Opens the relay with a low command there: the unit empties its capacitors through the fan, which hardly moves.
    /// A sleeping unit would hold them charged for minutes.
    fn drain(&mut self) -> Result<(), Halt> {
        let (Supply::On, Some(start)) = (self.sup.setting().supply, self.known.start) else { return Ok(()) };
        self.set(Setting { supply: Supply::Off, ..self.command(Duty::clamped(start + 0.05)) })?;
        let begin_s = self.now_s();
        while self.now_s() < begin_s + DRAIN_WITHIN_S {
            self.read(0.1, Pace::Normal)?;
            let volts = self.rec().mean(Channel::SupplyV, self.now_s() - 0.1, self.now_s());
            if volts.is_none_or(|volts| volts < 0.6 * self.rig.supply.voltage.get()) {
                break;
            }
        }
        Ok(())
    }

    /// With the relay open, reads until the capacitors have bled; whether they have within `most_s`.
    pub(crate) fn wait_bled(&mut self, most_s: f64) -> Result<bool, Halt> {
        let begin_s = self.now_s();
        loop {
            self.read(0.2, Pace::Slow)?;
            let volts = self.rec().mean(Channel::SupplyV, self.now_s() - 0.2, self.now_s());
            if volts.is_none_or(|volts| volts.abs() < BLED_V) {
                return Ok(true);
            }
            if self.now_s() > begin_s + most_s {
                return Ok(false);
            }
        }
    }

    /// The zero itself, with the relay open, then taken over for watching currents.
    pub(crate) fn zero_span(&mut self, seconds: f64, complete: Result<(), String>) -> Result<(), Halt> {
        let span = self.sup.begin_span(SpanKind::Zero);
        let begin_s = self.now_s();
        self.read(seconds, Pace::Normal)?;
        let rests = self.motion_at_rest() != Motion::Turning;
        if rests {
            let mean = |channel| self.rec().mean(channel, begin_s, self.now_s()).unwrap_or(0.0);
            (self.known.zero_a, self.known.zero_output_v) = (mean(Channel::SupplyA), mean(Channel::OutputV));
        }
        self.zero_due = false;
        self.sup.end_span(span, complete);
        Ok(())
    }

    /// Runs `work` inside a span of `kind`; an `Err` inside marks it incomplete.
    pub(crate) fn span<T>(
        &mut self,
        kind: SpanKind,
        work: impl FnOnce(&mut Self) -> Result<(T, Result<(), String>), Halt>,
    ) -> Result<(T, Result<(), String>), Halt> {
        let id = self.sup.begin_span(kind);
        let (value, complete) = work(self)?;
        self.sup.end_span(id, complete.clone());
        Ok((value, complete))
    }

    /// Runs `work` inside a span of `kind` that is complete whatever comes of it.
    pub(crate) fn stretch(
        &mut self,
        kind: SpanKind,
        work: impl FnOnce(&mut Self) -> Result<(), Halt>,
    ) -> Result<(), Halt> {
        let id = self.sup.begin_span(kind);
        work(self)?;
        self.sup.end_span(id, Ok(()));
        Ok(())
    }
}
