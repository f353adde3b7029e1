//! Sleep lost, input leaky, water in the connector: told apart by three readings together.
//!
//! A module that cannot sleep draws some share of what it draws awake, or all of it, and its line stands where it should. A leaky
//! input pulls the open line down and leaves the sleep alone. Water does both: it adds the same current awake and asleep,
//! so the fall on falling asleep is a whole one, and it pulls the line down.

use super::weigh::{Population, TAIL, posteriors, prior};
use super::{fault, sign, with};
use crate::bench::{Channel, Line, Supply};
use crate::record::event::SpanKind;
use crate::record::recording::Recording;
use crate::results::{Findings, ResultName, Sign};
use crate::verdict::proof::nothing_answered;
use crate::verdict::steadfast::{RUNNING_A, level, stretches};

/// Current asleep of sound modules, amperes.
const ASLEEP: Population = Population::even(40e-6, 1e-3, 0.15);
/// Current awake, output off.
const AWAKE: Population = Population::even(7e-3, 50e-3, 0.15);
/// Current that water between the pins draws.
const WATER: Population = Population::even(3e-3, 0.12, 0.2);
/// A fall of less is none: two readings of one current differ by some of it.
const LEAST_FALL: f64 = 0.3 * AWAKE.low;
/// Share of the current awake that a module with a sleep half lost keeps, and how often none is lost at all.
const HALF_ASLEEP: (f64, f64) = (0.14, 0.72);
const NEVER: f64 = 0.3;
/// Leak over pull-up, as a ratio of resistances: of a leaky input, and of a wet one.
const LEAKY: (f64, f64) = (1.2, 8.5);
const WET: (f64, f64) = (1.6, 13.0);
/// How exactly sound open lines stand at their reference: dividers, regulators.
const LINE_SPREAD: f64 = 0.012;
/// Share of sound lines that stand anywhere else, for reasons that nobody here has seen.
const ELSEWHERE: f64 = 2e-3;
/// Share of pull-ups behind a diode, and what it takes.
const BEHIND_DIODE: f64 = 0.2;
const DIODE_V: f64 = 0.7;

/// What the readings say, as densities under each of the four explanations.
#[derive(Clone, Copy, Debug)]
struct Weights {
    sound: f64,
    sleepless: f64,
    leaky: f64,
    wet: f64,
}

impl Weights {
    const NOTHING: Self = Self { sound: 1.0, sleepless: 1.0, leaky: 1.0, wet: 1.0 };

    fn and(self, other: Self) -> Self {
        Self {
            sound: self.sound * other.sound,
            sleepless: self.sleepless * other.sleepless,
            leaky: self.leaky * other.leaky,
            wet: self.wet * other.wet,
        }
    }
}

/// Signs found.
pub(super) fn find(findings: &Findings, rec: &Recording) -> Vec<Sign> {
    let (asleep, open) = (asleep(findings, rec), open_line(findings, rec));
    let weights =
        [asleep.as_ref().map(Asleep::weights), open.as_ref().map(OpenLine::weights), driven_line(findings, rec)]
            .into_iter()
            .flatten()
            .fold(Weights::NOTHING, Weights::and);
    let p = prior(rec);
    let strengths = posteriors(&[(p, weights.sleepless), (p, weights.leaky), (p, weights.wet)], weights.sound);
    let sleep_words = asleep.as_ref().map(Asleep::words);
    let line_words = open.as_ref().map(OpenLine::words);
    let both = [sleep_words.clone(), line_words.clone()].into_iter().flatten().collect::<Vec<_>>().join("; ");
    // The sleep of a unit that never answered is not known: what keeps it up may be what keeps it silent.
    let sleep_words = sleep_words.filter(|_| !nothing_answered(rec, findings));
    let candidates = [
        (fault::SLEEP_LOST, strengths[0], sleep_words),
        (fault::INPUT_LEAKY, strengths[1], line_words),
        (fault::WATER_IN_CONNECTOR, strengths[2], (!both.is_empty()).then_some(both)),
    ];
    candidates
        .into_iter()
        .filter_map(|(name, strength, words)| words.map(|words| (name, strength, words)))
        .filter(|(_, strength, _)| *strength >= super::SHOWN)
        .map(|(name, strength, words)| {
            let mut found = with(sign(name, strength, words), p);
            if let Some(asleep) = asleep.as_ref().filter(|_| name != fault::INPUT_LEAKY) {
                found.evidence.push(super::evidence("sleep_a", asleep.asleep_a, "A", (None, Some(1e-3))));
            }
            if let Some(open) = open.as_ref().filter(|_| name != fault::SLEEP_LOST) {
                let sound = (Some(0.94 * open.reference_v), Some(1.04 * open.reference_v));
                found.evidence.push(super::evidence("pull_up_v", open.volts, "V", sound));
            }
            found
        })
        .collect()
}

/// Supply current with nothing commanded: at its lowest, and awake before.
struct Asleep {
    asleep_a: f64,
    u: f64,
    awake_a: Option<f64>,
}

impl Asleep {
    fn weights(&self) -> Weights {
        let (a, u) = (self.asleep_a, self.u);
        let sound = ASLEEP.sound(a, u);
        let (sleepless, wet) = match self.awake_a.filter(|awake| *awake > 0.8 * a) {
            // Half asleep the share is spread evenly; never asleep it is all of it, as well as two readings agree.
            Some(awake) => {
                let share = (a / awake).min(1.0);
                let inside = (HALF_ASLEEP.0..HALF_ASLEEP.1).contains(&share);
                let half = if inside { share / (HALF_ASLEEP.1 - HALF_ASLEEP.0) } else { 0.0 };
                let never = if share > 0.95 { 1.0 / 0.1 } else { 0.0 };
                let kept = (1.0 - NEVER) * half + NEVER * never;
                // With water the fall is a whole one, from awake and wet to wet alone.
                let fall = awake - a;
                let whole = if fall > LEAST_FALL { AWAKE.density(fall, u) * awake / fall } else { 0.0 };
                (AWAKE.density(awake, u) * kept, WATER.density(a, u) * whole)
            }
            None => {
                let kept = (1.0 - NEVER) * AWAKE.taken_by(HALF_ASLEEP, a, u) + NEVER * AWAKE.density(a, u);
                (kept, WATER.density(a, u))
            }
        };
        // How much it draws awake says nothing against a sound one.
        let sound = sound * self.awake_a.map_or(1.0, |awake| AWAKE.sound(awake, u));
        let leaky = sound;
        Weights { sound, sleepless: sleepless + TAIL * TAIL, leaky, wet: wet + TAIL * TAIL }
    }

    fn words(&self) -> String {
        let awake = self.awake_a.map_or(String::new(), |a| format!(", {:.1} mA awake before", 1e3 * a));
        let milliamperes = 1e3 * self.asleep_a;
        let digits = if milliamperes < 1.0 { 2 } else { 1 };
        format!("still {milliamperes:.digits$} mA with nothing commanded{awake}")
    }
}

/// Lowest and awake current. Where no sleep was waited for, the quiet stretches of the run tell as much.
fn asleep(findings: &Findings, rec: &Recording) -> Option<Asleep> {
    let span = rec.spans_where(|kind| matches!(kind, SpanKind::Sleep)).filter(|s| s.t1_s - s.t0_s >= 30.0).last();
    if let Some(measured) = findings.results.get(&ResultName::SleepA).filter(|m| !m.is_bound()) {
        let awake_a = span.and_then(|span| level(rec, Channel::SupplyA, span.t0_s + 0.5, span.t0_s + 2.0));
        let awake_a = awake_a.filter(|a| *a < RUNNING_A);
        return Some(Asleep { asleep_a: measured.as_number()?, u: measured.u.unwrap_or(0.0), awake_a });
    }
    let low = rec.header.bench.channels.get(&Channel::SupplyA)?.low?;
    let quiet = quiet_currents(rec);
    let least = quiet.iter().copied().reduce(f64::min)?;
    let most = quiet.iter().copied().reduce(f64::max)?;
    // An awake module that was never given the time to sleep says nothing of its sleep.
    let waited = span.is_some() || least < 0.7 * most;
    waited.then_some(Asleep { asleep_a: least.max(low.offset_u), u: 3.0 * low.offset_u, awake_a: Some(most) })
}

/// Currents of the stretches in which nothing ran: each over its last second, at half a second or more after a change.
fn quiet_currents(rec: &Recording) -> Vec<f64> {
    stretches(rec)
        .into_iter()
        .filter(|stretch| stretch.setting.supply == Supply::On && stretch.seconds() >= 1.0)
        .filter_map(|stretch| {
            level(rec, Channel::SupplyA, (stretch.to_s - 1.0).max(stretch.from_s + 0.5), stretch.to_s)
        })
        .filter(|a| *a < RUNNING_A)
        .collect()
}

/// The open line of an input with a pull-up.
struct OpenLine {
    volts: f64,
    u: f64,
    ohm: Option<f64>,
    /// Where a sound one stands: the supply, or 5 V.
    reference_v: f64,
    supply_v: f64,
    /// Whether it was read asleep, behind a pull-up that may be ten times as high then.
    asleep: bool,
}

/// What sleep may make of a pull-up, as a ratio of resistances.
const ASLEEP_PULL_UP: f64 = 10.0;

/// Share of wet modules that slept while their line was read, and were not seen to: the water draws on.
const WET_SLEEPERS: f64 = 0.2;

impl OpenLine {
    fn weights(&self) -> Weights {
        let reference_v = self.reference_v;
        let diode = if reference_v > 6.0 { BEHIND_DIODE } else { 0.0 };
        let (bare, behind_diode) = (self.bell(reference_v, 1.0), self.bell(reference_v, 1.0 - DIODE_V / reference_v));
        let sound = (1.0 - diode) * bare + diode * behind_diode + ELSEWHERE / reference_v;
        let asleep = |(least, most): (f64, f64)| (least / ASLEEP_PULL_UP, most);
        let (leaky, wet) = if self.asleep {
            (self.divided(reference_v, asleep(LEAKY)), self.divided(reference_v, asleep(WET)))
        } else {
            let sleeper = self.divided(self.supply_v, asleep(WET));
            let wet = (1.0 - WET_SLEEPERS) * self.divided(reference_v, WET) + WET_SLEEPERS * sleeper;
            (self.divided(reference_v, LEAKY), wet)
        };
        Weights { sound, sleepless: sound, leaky, wet }
    }

    /// Density of the voltage read, per volt, about the share `at` of `reference_v`.
    fn bell(&self, reference_v: f64, at: f64) -> f64 {
        let spread_v = (LINE_SPREAD * reference_v).hypot(self.u);
        let off = (self.volts - at * reference_v) / spread_v;
        (-0.5 * off * off).exp() / (spread_v * std::f64::consts::TAU.sqrt())
    }

    /// The same under leaks of `least` to `most` times the pull-up to `reference_v`: one of k times leaves k / (k + 1).
    fn divided(&self, reference_v: f64, (least, most): (f64, f64)) -> f64 {
        let steps = 60;
        let at = |i: u32| {
            let k = least * f64::powf(most / least, (f64::from(i) + 0.5) / f64::from(steps));
            self.bell(reference_v, k / (k + 1.0))
        };
        (0..steps).map(at).sum::<f64>() / f64::from(steps)
    }

    fn words(&self) -> String {
        let ohm = self.ohm.map_or(String::new(), |ohm| format!("{ohm:.0} Ohm, "));
        let at = if self.reference_v > 6.0 { "the supply".to_owned() } else { "5 V".to_owned() };
        format!("command line shows {ohm}{:.1} V open, where sound ones stand at {at}", self.volts)
    }
}

fn open_line(findings: &Findings, rec: &Recording) -> Option<OpenLine> {
    if findings.word(ResultName::LineKind) != Some("open_collector") {
        return None;
    }
    let measured = findings.results.get(&ResultName::PullUpV)?;
    // Asleep a pull-up may be another or gone: what it shows then is no measure of a leak while the unit answers.
    if measured.is_proxy() && !nothing_answered(rec, findings) {
        return None;
    }
    let (volts, u) = (measured.as_number()?, measured.u.unwrap_or(0.05));
    let span = rec.spans_where(|kind| matches!(kind, SpanKind::LineRead { line: Line::Open })).last();
    let supply_v = span.and_then(|span| rec.mean(Channel::SupplyV, span.t0_s, span.t1_s));
    let supply_v = supply_v.or(rec.header.bench.supply_v).unwrap_or(13.0);
    let asleep = measured.is_proxy();
    // Far under 5 V and read asleep it may be what a leak leaves of the supply behind a sleeping pull-up.
    let reference_v = if volts > 5.4 || (asleep && volts < 4.0) { supply_v } else { 5.0 };
    Some(OpenLine { volts, u, ohm: findings.number(ResultName::PullUpOhm), reference_v, supply_v, asleep })
}

/// Resistance to ground of an input without pull-up, from the line held high: 40 kOhm and more when dry.
fn driven_line(findings: &Findings, rec: &Recording) -> Option<Weights> {
    const DRY: Population = Population::even(40e3, 200e3, 0.1);
    if findings.word(ResultName::LineKind) != Some("push_pull") {
        return None;
    }
    let bench = &rec.header.bench;
    let (high_v, high_ohm) = (bench.line_high_v?, bench.line_high_ohm?);
    let span = rec.spans_where(|kind| matches!(kind, SpanKind::LineRead { line: Line::High })).last()?;
    // As read: while other channels are zeroed the line need not be at nothing.
    let volts = rec.mean(Channel::LineV, 0.5 * (span.t0_s + span.t1_s), span.t1_s)?;
    let sense = bench.line_sense_ohm.map_or(0.0, |ohm| 1.0 / ohm);
    let facts = bench.channels.get(&Channel::LineV).copied().unwrap_or_default();
    let u_v = (facts.gain_u * volts).hypot(facts.offset_u);
    let ohm = |volts: f64| {
        let siemens = (high_v - volts) / (volts * high_ohm) - sense;
        1.0 / siemens.max(1e-6)
    };
    let (value, u) = (ohm(volts), (ohm(volts) - ohm(volts - u_v)).abs());
    let sound = DRY.sound(value, u);
    // Leaks between 18 and 120 kOhm beside the input's own resistance.
    Some(Weights { sound, sleepless: sound, leaky: sound, wet: DRY.taken_by((0.2, 0.75), value, u) + TAIL })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::{Contribution, Measured};
    use crate::verdict::made_up::{Made, pulses};
    use crate::verdict::signs::{STRONG, SUSPICION};

    fn findings(ohm: f64, volts: f64, asleep_a: Option<f64>) -> Findings {
        let mut findings = Findings::default();
        let mut put = |name: ResultName, value: f64, u: f64| {
            findings.put(name, Measured::number(name, value, 2.0, vec![Contribution::common("gain", u)], "test", 3));
        };
        put(ResultName::PullUpOhm, ohm, 0.01 * ohm);
        put(ResultName::PullUpV, volts, 0.02);
        if let Some(asleep_a) = asleep_a {
            put(ResultName::SleepA, asleep_a, 0.01 * asleep_a);
        }
        findings.put(ResultName::LineKind, Measured::word(ResultName::LineKind, "open_collector", "two loads", 2));
        findings
    }

    /// A minute of waiting for sleep that begins at this current.
    fn waited(awake_a: f64) -> Recording {
        Made::new()
            .held(SpanKind::Sleep, pulses(0.0), 60.0, move |channel, _| match channel {
                Channel::SupplyA => Some(awake_a),
                Channel::SupplyV => Some(13.0),
                _ => None,
            })
            .done()
    }

    fn first(findings: &Findings, rec: &Recording) -> Option<(String, f64)> {
        find(findings, rec).into_iter().max_by(|a, b| a.strength.total_cmp(&b.strength)).map(|s| (s.fault, s.strength))
    }

    #[test]
    fn sound_pull_ups_and_sleeps_of_every_kind_show_no_suspicion() {
        for (ohm, volts, asleep_a) in
            [(1000.0, 12.95, 80e-6), (10_000.0, 5.0, 900e-6), (4700.0, 4.9, 250e-6), (3300.0, 12.3, 400e-6)]
        {
            let found = first(&findings(ohm, volts, Some(asleep_a)), &waited(14e-3));
            assert!(found.as_ref().is_none_or(|(_, strength)| *strength < SUSPICION), "{ohm} {volts}: {found:?}");
        }
    }

    #[test]
    fn a_line_pulled_down_with_a_sound_sleep_is_a_leaky_input() {
        let (fault, strength) = first(&findings(2400.0, 9.7, Some(200e-6)), &waited(14e-3)).unwrap();
        assert!(fault == fault::INPUT_LEAKY && strength >= STRONG, "{fault} {strength}");
    }

    #[test]
    fn milliamperes_with_a_sound_line_are_a_lost_sleep() {
        for (asleep_a, awake_a) in [(14e-3, 14e-3), (6e-3, 14e-3), (38e-3, 38e-3)] {
            let (fault, strength) = first(&findings(3300.0, 12.98, Some(asleep_a)), &waited(awake_a)).unwrap();
            assert!(fault == fault::SLEEP_LOST && strength >= STRONG, "{asleep_a}: {fault} {strength}");
        }
    }

    #[test]
    fn the_same_current_awake_and_asleep_with_a_line_pulled_down_is_water() {
        let (fault, strength) = first(&findings(3000.0, 11.4, Some(12e-3)), &waited(27e-3)).unwrap();
        assert!(fault == fault::WATER_IN_CONNECTOR && strength >= STRONG, "{fault} {strength}");
    }

    #[test]
    fn a_wet_sleeper_that_looks_awake_is_still_water() {
        // 22 kOhm to the supply and 5 kOhm of water, while 100 mA flow on.
        let (fault, strength) = first(&findings(4100.0, 2.45, Some(0.1)), &waited(0.118)).unwrap();
        assert!(fault == fault::WATER_IN_CONNECTOR && strength >= STRONG, "{fault} {strength}");
    }

    #[test]
    fn a_sleep_lost_for_good_is_no_water_by_the_noise_of_two_readings() {
        let (fault, strength) = first(&findings(3300.0, 12.98, Some(9.79e-3)), &waited(9.8e-3)).unwrap();
        assert!(fault == fault::SLEEP_LOST && strength >= STRONG, "{fault} {strength}");
    }

    /// An input without a pull-up, driven high through 1 kOhm; what the channels read while they are zeroed is put in.
    fn driven(line_v: f64, zero_v: f64) -> Recording {
        let at = |volts: f64| {
            move |channel| match channel {
                Channel::LineV => Some(volts),
                Channel::SupplyA => Some(4.6e-3),
                Channel::SupplyV => Some(13.0),
                _ => None,
            }
        };
        let (zero, high) = (at(zero_v), at(line_v));
        Made::new()
            .with(|rec| {
                let bench = &mut rec.header.bench;
                (bench.line_high_v, bench.line_high_ohm, bench.line_sense_ohm) = (Some(5.0), Some(1e3), Some(1e6));
            })
            .held(SpanKind::Zero, pulses(0.0), 1.0, move |channel, _| zero(channel))
            .held(SpanKind::LineRead { line: Line::High }, pulses(0.0), 3.0, move |channel, _| high(channel))
            .done()
    }

    #[test]
    fn a_driven_line_is_wet_by_its_voltage_and_not_by_where_it_rested_while_channels_were_zeroed() {
        let weights = |line_v: f64, zero_v: f64| {
            let mut findings = Findings::default();
            findings.put(ResultName::LineKind, Measured::word(ResultName::LineKind, "push_pull", "two loads", 2));
            driven_line(&findings, &driven(line_v, zero_v)).unwrap()
        };
        for zero_v in [0.0, 0.22] {
            let (dry, wet) = (weights(4.945, zero_v), weights(4.65, zero_v));
            assert!(dry.wet < 2.0 * dry.sound && wet.wet > 100.0 * wet.sound, "{zero_v}: {dry:?} {wet:?}");
        }
    }

    #[test]
    fn a_little_over_a_milliampere_is_no_more_than_a_hint() {
        let found = first(&findings(3300.0, 12.98, Some(1.1e-3)), &waited(14e-3));
        assert!(found.as_ref().is_none_or(|(_, strength)| *strength < STRONG), "{found:?}");
    }
}
