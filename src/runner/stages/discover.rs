//! Discovery: which frequency the unit answers, which level is active, which duty stops it, which is the highest useful.
//!
//! 50 % reads the same either way up, so the frequency is looked for first; then the level, from two duties that must
//! differ in the output; then, as soon as possible, a duty that is seen to stop the fan.

use crate::bench::{ActiveLevel, Line, Pace, Setting};
use crate::record::event::SpanKind;
use crate::results::StoppedBy;
use crate::runner::live;
use crate::runner::session::{Session, Work};
use crate::safety::{Halt, Rule, Trip};
use crate::units::{Duty, Hertz, Seconds};

/// Change of the output (share of the supply) that counts as an answer, and difference that tells the level.
const ANSWER: f64 = 0.03;
const DIFFERENCE: f64 = 0.06;
/// A settled answer that moves by more than this within the looks taken at it hunts; they follow on the two windows in which
/// it stood.
const HUNTS: f64 = 0.03;
const STEADY_LOOKS: u32 = 3;
/// An answer above this at the first duty leaves no room for a higher one.
const FLAT_OUT: f64 = 0.93;
/// A unit that runs already needs no start to answer.
const RUNNING_WITHIN_S: f64 = 3.0;
/// Longest wait for a fan that ran faster.
const COME_DOWN_S: f64 = 3.0;
/// A running fan is seen to leave its plateau by this much.
const LEAVES: f64 = 0.08;
/// How often an output that should go is looked at, and over how long.
const GOES_EACH_S: f64 = 0.1;
const GOES_LOOK_S: f64 = 0.2;
/// A line without edges for this long is off, or a broken wire, to any unit.
const SEES_OFF_S: f64 = 2.0;
/// Two windows in which the output stands, after the time in which the unit was first seen to answer; together at most so
/// long.
const STANDS_S: f64 = 0.8;
const SETTLES_AFTER_S: f64 = 1.5;
/// The same where the output must only have come, so that it can be seen to go.
const CAME_S: f64 = 0.5;
/// Longest soft start that is waited for.
const RAMP_WITHIN_S: f64 = 15.0;
/// An output that turned back so often, by more than [`HUNTS`] in means of so many seconds, will not stand: that of a fan
/// that coasts, is kicked and ramped up turns three times.
const TURNS: usize = 4;
const TURN_CELL_S: f64 = 0.1;
/// Duties (percent) with edges that may be off, in the order tried: below the usual thresholds, downwards.
const OFF_WITH_EDGES: [f64; 4] = [5.0, 4.0, 3.0, 2.0];
/// Where neither these nor 0 % stop the fan: above a reserved band that runs it.
const OFF_ABOVE: [f64; 3] = [8.0, 10.0, 12.0];
/// A duty is taken for off, not for a broken wire, when the output goes this much sooner than at 0 %.
const SOONER_S: f64 = 0.03;
/// Longest wait for the output to go, and the cells in which its going is timed.
const GONE_WITHIN_S: f64 = 5.0;
const GONE_CELL_S: f64 = 0.01;
/// Duty (percent) that is on the plateau, or near it, and those up to which it is followed, highest first.
const NEAR_PLATEAU: f64 = 80.0;
const MOST_CANDIDATES: [f64; 3] = [98.0, 95.0, 90.0];
/// Share of the supply from which an output can only be the plateau, and the one by which it has come up on the way there.
const TOP: f64 = 0.97;
const COME_UP: f64 = 0.5;

pub(crate) fn run(session: &mut Session<'_>, frequencies: &[Hertz], answer_within: Seconds) -> Work {
    session.power_on()?;
    let asked = within_rig(session, frequencies);
    let mut found = search(session, &asked, answer_within)?;
    if found.nothing() && shows_low(session)? {
        found = search(session, &asked, answer_within)?;
        if found.nothing() {
            session.known.quiet_line = Some(Line::Open);
        }
    }
    if let Some((frequency, active)) = found.steady {
        return characterise(session, frequency, active, Ok(()));
    }
    if let Some(&(frequency, active)) = found.hunting.first() {
        let why = format!("the unit hunts at every frequency that it answers; {frequency} is used");
        return characterise(session, frequency, active, Err(why));
    }
    if session.known.quiet_line.is_none() && found.wrongly == 0 && runs_at_every_state(session)? {
        runs_uncommanded(session, asked.len())?;
    }
    dead(session, asked.len())
}

/// Those of `frequencies` that the bench can give.
pub(crate) fn within_rig(session: &Session<'_>, frequencies: &[Hertz]) -> Vec<Hertz> {
    let (lowest, highest) = (session.rig.command.lowest, session.rig.command.highest);
    frequencies.iter().copied().filter(|hz| (lowest..=highest).contains(hz)).collect()
}

/// What a search over the frequencies found.
#[derive(Default)]
struct Search {
    /// Followed steadily: the first such ends the search.
    steady: Option<(Hertz, ActiveLevel)>,
    /// Those at which the unit hunts, as asked for.
    hunting: Vec<(Hertz, ActiveLevel)>,
    /// Answers that tell no level.
    wrongly: usize,
}

impl Search {
    fn nothing(&self) -> bool {
        self.steady.is_none() && self.hunting.is_empty() && self.wrongly == 0
    }

    fn add(&mut self, frequency: Hertz, told: &Told) {
        match told {
            Told::Level(active, Follows::Steadily) => self.steady = Some((frequency, *active)),
            Told::Level(active, Follows::Hunting) => self.hunting.push((frequency, *active)),
            Told::Nothing | Told::Doubted => self.wrongly += 1,
        }
    }
}

/// Tries the frequencies in turn. Outside its band a unit hunts or runs flat out: where the first duty shows one of the two,
/// a frequency that is followed steadily is looked for before more is spent on this one.
fn search(session: &mut Session<'_>, asked: &[Hertz], answer_within: Seconds) -> Result<Search, Halt> {
    let mut found = Search::default();
    let mut put_off = Vec::new();
    for &frequency in asked {
        if !answers(session, frequency, answer_within)? {
            continue;
        }
        match level(session, frequency, Doubt::Ends)? {
            Told::Doubted => put_off.push(frequency),
            told => found.add(frequency, &told),
        }
        if found.steady.is_some() {
            return Ok(found);
        }
    }
    for frequency in put_off {
        let told = if answers(session, frequency, answer_within)? {
            level(session, frequency, Doubt::GoesOn)?
        } else {
            Told::Nothing
        };
        found.add(frequency, &told);
        if found.steady.is_some() {
            break;
        }
    }
    found.hunting.sort_by_key(|(frequency, _)| asked.iter().position(|hz| hz == frequency));
    Ok(found)
}

/// Holds the line of a silent unit low, which counts as its off from then on if it stays quiet; `false` where the search
/// had it low between its tries already, or the unit runs by it.
///
/// Some units do nothing before they have seen an off since power came, and to one that is active high with a pull-up of
/// its own the released line is full command.
fn shows_low(session: &mut Session<'_>) -> Result<bool, Halt> {
    let known = &session.known;
    if !session.can.line || known.quiet_line != Some(Line::Open) || known.running_lines.contains(&Line::Low) {
        return Ok(false);
    }
    session.set(Setting { line: Line::Low, ..session.command(Duty::ZERO) })?;
    session.read(SEES_OFF_S, Pace::Normal)?;
    if session.driven(0.5) {
        session.off()?;
        session.wait_undriven(5.0)?;
        return Ok(false);
    }
    session.known.quiet_line = Some(Line::Low);
    Ok(true)
}

/// The end of a search in which no frequency was followed: a unit that runs whatever the line does ends the run.
pub(crate) fn nothing_answers(session: &mut Session<'_>, tried: usize) -> Work {
    if session.known.quiet_line.is_none() && runs_at_every_state(session)? {
        runs_uncommanded(session, tried)?;
    }
    dead(session, tried)
}

fn runs_uncommanded(session: &mut Session<'_>, tried: usize) -> Result<(), Halt> {
    let saw = format!(
        "the fan runs with the line released, held low and held high and at {tried} frequencies, drawing {:.1} A",
        session.amps(0.5)
    );
    session.sup.trip(&Trip::new(Rule::RunsUncommanded, StoppedBy::Unit, saw))
}

fn dead(session: &mut Session<'_>, tried: usize) -> Work {
    session.off()?;
    let why = "not a PWM module, or dead".to_owned();
    session.known.dead = Some(why.clone());
    Ok(Err(format!("nothing answers at {tried} frequencies: {why}")))
}

/// How an answer follows the command.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Follows {
    Steadily,
    Hunting,
}

/// Learns everything else at this frequency and level.
fn characterise(session: &mut Session<'_>, frequency: Hertz, active: ActiveLevel, so_far: Result<(), String>) -> Work {
    learn(session, frequency, active);
    let off = learn_off(session)?;
    let most = learn_most(session)?;
    session.off()?;
    goes(session, 3.0)?;
    Ok(so_far.and(off).and(most))
}

pub(crate) fn probe(frequency: Hertz, active: ActiveLevel, percent: f64, session: &Session<'_>) -> Setting {
    Setting { frequency, active, ..session.command(Duty::clamped(percent / 100.0)) }
}

/// Whether the unit answers 50 % at this frequency: the output comes, or a running one leaves its plateau.
pub(crate) fn answers(session: &mut Session<'_>, frequency: Hertz, within: Seconds) -> Result<bool, Halt> {
    session.off()?;
    goes(session, 3.0)?;
    let before = session.answer(0.2);
    let runs_before = session.driven(0.2);
    let (answered, _) = session.span(SpanKind::Probe, |session| {
        session.set(probe(frequency, ActiveLevel::Low, 50.0, session))?;
        let begin_s = session.now_s();
        let mut answered_for = 0;
        let within_s = if runs_before { within.get().min(RUNNING_WITHIN_S) } else { within.get() };
        while session.now_s() < begin_s + within_s && answered_for < 3 {
            session.read(0.1, Pace::Normal)?;
            let answers = if runs_before {
                session.answer(0.1) < before - LEAVES
            } else {
                // Voltage of a coasting fan is no answer: current must flow.
                session.driven(0.1) && session.answer(0.1) > ANSWER
            };
            answered_for = if answers { answered_for + 1 } else { 0 };
        }
        let answered = answered_for >= 3;
        if answered && !runs_before {
            // It is shorter than this: the output had to grow to be seen.
            session.known.delay_s = Some(session.now_s() - begin_s - 0.3);
        }
        if answered && runs_before {
            // A fan too fast for the new output coasts down to it, and its voltage is no answer.
            let begin_s = session.now_s();
            while !session.driven(0.1) && session.now_s() < begin_s + COME_DOWN_S {
                session.read(0.1, Pace::Normal)?;
            }
            session.read(0.5, Pace::Normal)?;
        }
        Ok((answered, if answered { Ok(()) } else { Err("no answer".to_owned()) }))
    })?;
    Ok(answered)
}

/// Reads until nothing drives the fan any more; whether that came in time.
fn goes(session: &mut Session<'_>, within_s: f64) -> Result<bool, Halt> {
    session.wait_undriven_by(within_s, GOES_EACH_S, GOES_LOOK_S)
}

/// Reads until the output has stood for `stands_s`, no sooner than the unit can have answered.
fn settle(session: &mut Session<'_>, stands_s: f64) -> Result<bool, Halt> {
    let answers_s = session.known.delay_s.unwrap_or(SETTLES_AFTER_S);
    let (begin_s, least_s) = (session.now_s(), (answers_s + stands_s).min(SETTLES_AFTER_S));
    loop {
        session.read(0.1, Pace::Normal)?;
        let now_s = session.now_s();
        let waited_s = now_s - begin_s;
        if waited_s >= least_s - 1e-6 && live::output_settled(session.rec(), begin_s, now_s, 0.5 * stands_s) {
            return Ok(true);
        }
        if waited_s >= RAMP_WITHIN_S || live::turns(session.rec(), begin_s, now_s, TURN_CELL_S, HUNTS) >= TURNS {
            return Ok(false);
        }
    }
}

/// Settled answer at one duty (percent) of the low level, and whether it stands still then.
fn answer_at(session: &mut Session<'_>, frequency: Hertz, percent: f64) -> Result<(f64, Follows), Halt> {
    let (answer, _) = session.span(SpanKind::Probe, |session| {
        session.set(probe(frequency, ActiveLevel::Low, percent, session))?;
        let settled = settle(session, STANDS_S)?;
        let (mut least, mut most) = (f64::INFINITY, 0.0_f64);
        for _ in 0..STEADY_LOOKS {
            session.read(0.3, Pace::Normal)?;
            let answer = session.answer(0.3);
            (least, most) = (least.min(answer), most.max(answer));
        }
        let steady = settled && most - least < HUNTS;
        let complete = if steady { Ok(()) } else { Err("the output did not settle".to_owned()) };
        let follows = if steady { Follows::Steadily } else { Follows::Hunting };
        Ok(((0.5 * (least + most), follows), complete))
    })?;
    Ok(answer)
}

/// What the duties at one frequency told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Told {
    Level(ActiveLevel, Follows),
    /// They made no difference.
    Nothing,
    /// The first of them was not followed as within a band.
    Doubted,
}

/// What a first duty that is not followed as within a band does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Doubt {
    Ends,
    GoesOn,
}

/// The active level, from duties that must make a difference. They go so that the output rises where the line held told the
/// level: up to it is less to wait for than down, and the fan runs as the search for an off needs it.
fn level(session: &mut Session<'_>, frequency: Hertz, doubt: Doubt) -> Result<Told, Halt> {
    let (presumed, other) = match presumed_level(session) {
        ActiveLevel::Low => (ActiveLevel::Low, ActiveLevel::High),
        ActiveLevel::High => (ActiveLevel::High, ActiveLevel::Low),
    };
    for less in [35.0, 20.0] {
        let (first, last) = if presumed == ActiveLevel::Low { (less, 100.0 - less) } else { (100.0 - less, less) };
        let (at_first, first_follows) = answer_at(session, frequency, first)?;
        if doubt == Doubt::Ends && (first_follows == Follows::Hunting || at_first > FLAT_OUT) {
            return Ok(Told::Doubted);
        }
        let (at_last, last_follows) = answer_at(session, frequency, last)?;
        let follows = if first_follows == Follows::Hunting { first_follows } else { last_follows };
        if at_last > at_first + DIFFERENCE {
            return Ok(Told::Level(presumed, follows));
        }
        if at_first > at_last + DIFFERENCE {
            return Ok(Told::Level(other, follows));
        }
    }
    Ok(Told::Nothing)
}

/// The level that the line held alone makes likely.
fn presumed_level(session: &Session<'_>) -> ActiveLevel {
    let ran = |line| session.known.running_lines.contains(&line);
    if ran(Line::High) && !ran(Line::Low) { ActiveLevel::High } else { ActiveLevel::Low }
}

pub(crate) fn learn(session: &mut Session<'_>, frequency: Hertz, active: ActiveLevel) {
    session.known.frequency = Some(frequency);
    session.known.active = Some(active);
    session.sup.learned("command_hz", frequency.to_string());
    session.sup.learned("active_level", active.name().to_owned());
}

/// Finds a duty that stops the fan, from running: 0 % first, then one with edges that is quicker.
///
/// Without edges a unit may see a broken wire and wait before it stops.
fn learn_off(session: &mut Session<'_>) -> Work {
    let found = find_off(session)?;
    if let Some(off) = session.known.off {
        session.sup.learned("off_duty", off.to_string());
    }
    Ok(found)
}

/// Tries the duties; the interlock is told at once of what stops the fan.
fn find_off(session: &mut Session<'_>) -> Work {
    let Some(still) = off_after(session, 0.0)? else { return Ok(Err("the fan does not run at 65 %".to_owned())) };
    if still.is_finite() {
        take_off(session, 0.0);
        session.known.still_stops = true;
    }
    let least = session.rig.command.least_duty.percent();
    for percent in OFF_WITH_EDGES.into_iter().filter(|percent| *percent >= least) {
        let Some(after_s) = off_after(session, percent)?.filter(|after_s| after_s.is_finite()) else { continue };
        if after_s < still - SOONER_S {
            take_off(session, percent);
            return Ok(Ok(()));
        }
        // Off like 0 %, and no sooner: a lower duty is no other.
        break;
    }
    if session.known.still_stops {
        return Ok(Ok(()));
    }
    for percent in OFF_ABOVE.into_iter().filter(|percent| *percent >= least) {
        if off_after(session, percent)?.is_some_and(f64::is_finite) {
            take_off(session, percent);
            return Ok(Ok(()));
        }
    }
    Ok(Err("no duty was found that stops the fan".to_owned()))
}

/// Whether two commands make the same pulses: a duty of one level is the rest of the period of the other.
fn same_on_the_line(a: &Setting, b: &Setting) -> bool {
    let low = |setting: &Setting| match setting.active {
        ActiveLevel::Low => setting.duty.fraction(),
        ActiveLevel::High => 1.0 - setting.duty.fraction(),
    };
    let as_low = |setting: &Setting| Setting { active: ActiveLevel::Low, duty: Duty::clamped(0.0), ..*setting };
    as_low(a) == as_low(b) && (low(a) - low(b)).abs() < 1e-9
}

/// Time from this duty (percent), commanded to a running fan, until nothing drives it, seconds; infinite where it runs
/// on; `None` where it did not run before.
fn off_after(session: &mut Session<'_>, percent: f64) -> Result<Option<f64>, Halt> {
    if !same_on_the_line(&session.sup.setting(), &session.command(Duty::clamped(0.65))) {
        session.set_duty(0.65)?;
        settle(session, CAME_S)?;
    }
    if !session.driven(0.3) {
        return Ok(None);
    }
    session.set_duty(percent / 100.0)?;
    let edge_s = session.now_s();
    if !goes(session, GONE_WITHIN_S)? {
        return Ok(Some(f64::INFINITY));
    }
    let undriven_s = session.now_s();
    // Gone for good, not just between two pulses or in a ramp down.
    session.read(0.6, Pace::Normal)?;
    if session.driven(0.5) {
        return Ok(Some(f64::INFINITY));
    }
    let mut from_s = edge_s;
    while from_s < undriven_s && session.driven_in(from_s, from_s + GONE_CELL_S) {
        from_s += GONE_CELL_S;
    }
    Ok(Some(from_s - edge_s))
}

pub(crate) fn take_off(session: &mut Session<'_>, percent: f64) {
    let off = Duty::clamped(percent / 100.0);
    session.known.off = Some(off);
    session.sup.off_known(session.command(off));
}

/// Finds the highest duty that keeps the plateau: reserved bands near 100 % are told by the output falling.
fn learn_most(session: &mut Session<'_>) -> Work {
    let top = session.rig.command.most_duty.percent();
    if top < NEAR_PLATEAU {
        return Ok(Err("the command output reaches no high duty".to_owned()));
    }
    let candidates: Vec<f64> = MOST_CANDIDATES.into_iter().filter(|percent| *percent <= top).collect();
    let most = match candidates.first() {
        Some(&highest) if flat_out_at(session, highest)? => highest,
        _ => highest_like(session, &candidates)?,
    };
    let most = Duty::clamped(most / 100.0);
    session.known.most = Some(most);
    session.sup.learned("most_duty", most.to_string());
    Ok(Ok(()))
}

/// Whether this duty (percent) is on the plateau by itself: nothing is above the supply. In two steps, as a unit without a
/// soft start draws less then, but without a stay at the first once the output has come.
fn flat_out_at(session: &mut Session<'_>, percent: f64) -> Result<bool, Halt> {
    if !session.can.output {
        return Ok(false);
    }
    session.set_duty(NEAR_PLATEAU / 100.0)?;
    let begin_s = session.now_s();
    loop {
        session.read(0.1, Pace::Normal)?;
        let (now_s, waited_s) = (session.now_s(), session.now_s() - begin_s);
        let came = waited_s >= CAME_S && session.driven(0.1) && session.answer(0.1) > COME_UP;
        let stands = waited_s >= SETTLES_AFTER_S && live::output_settled(session.rec(), begin_s, now_s, 0.5 * STANDS_S);
        if came || stands || waited_s >= RAMP_WITHIN_S {
            break;
        }
    }
    Ok(plateau_at(session, percent)? > TOP)
}

/// The first of the candidates whose output is no lower than near the plateau, all in percent.
fn highest_like(session: &mut Session<'_>, candidates: &[f64]) -> Result<f64, Halt> {
    let near = plateau_at(session, NEAR_PLATEAU)?;
    for &percent in candidates {
        if plateau_at(session, percent)? >= near - 0.01 {
            return Ok(percent);
        }
    }
    Ok(NEAR_PLATEAU)
}

/// Answer at a high duty (percent) once it stands.
fn plateau_at(session: &mut Session<'_>, percent: f64) -> Result<f64, Halt> {
    session.set_duty(percent / 100.0)?;
    settle(session, STANDS_S)?;
    Ok(session.answer(0.3))
}

/// Whether the fan is driven with the line released, low and high, each held long enough for a ramp down.
fn runs_at_every_state(session: &mut Session<'_>) -> Result<bool, Halt> {
    if !session.can.line {
        return Ok(false);
    }
    for line in [Line::Open, Line::Low, Line::High] {
        session.set(Setting { line, ..session.command(Duty::ZERO) })?;
        if session.wait_undriven(5.0)? {
            return Ok(false);
        }
    }
    Ok(true)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_duty_of_one_level_is_the_rest_of_the_other_at_the_same_frequency_alone() {
        let command = |active, percent: f64, hz| Setting {
            active,
            duty: Duty::clamped(percent / 100.0),
            frequency: Hertz(hz),
            ..Setting::SAFE
        };
        let low = command(ActiveLevel::Low, 35.0, 100.0);
        assert!(same_on_the_line(&low, &command(ActiveLevel::High, 65.0, 100.0)));
        assert!(same_on_the_line(&low, &low));
        assert!(!same_on_the_line(&low, &command(ActiveLevel::Low, 65.0, 100.0)));
        assert!(!same_on_the_line(&low, &command(ActiveLevel::High, 35.0, 100.0)));
        assert!(!same_on_the_line(&low, &command(ActiveLevel::High, 65.0, 200.0)));
    }
}
