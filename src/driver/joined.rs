//! Several benches as one: settings go to every one, which takes what it has; channels come from whichever has them, on
//! one clock. The bench that carries the supply current leads: its blocks are the blocks of the whole, and what others
//! sampled is laid into them.
//!
//! What happens when things end: when one bench fails, the whole has failed and takes no more settings; the way to the
//! safe state is then still gone with every one, the supply first, whatever becomes of the others. Dropping does the
//! same. Each bench lives on a thread of its own: one that hangs is given up and holds up nobody.

mod clock;
mod track;
mod worker;

use std::collections::{BTreeMap, VecDeque};
use std::time::{Duration, Instant};

use self::clock::Clock;
use self::track::Track;
use self::worker::{Answer, Ask, Timed, Worker};
use crate::bench::{Block, Channel, Pace, Setting, Supply};
use crate::driver::{Alignment, Bench, Control, DriverError, Offers};

/// Time that an answer may take beyond what was asked; each driver has bounds of its own, which come first.
const ALLOWED: Duration = Duration::from_secs(6);
/// The supply is given this long to go off before the others are told; then they are told whatever it does.
const HEAD_START: Duration = Duration::from_millis(200);
/// How often the times of a clock of its own are asked for at the start.
const BRACKETS: usize = 5;
/// Read of the leading bench once all are open, seconds.
const OPENING_S: f64 = 0.02;
/// A bench that lags behind the leading one is read on for at most so long.
const LAG_ALLOWED: Duration = Duration::from_secs(2);
/// Times that differ by less are the same time.
const SAME_S: f64 = 1e-6;

/// One of several benches.
#[derive(Debug)]
pub struct Part {
    /// Name of its driver.
    pub name: &'static str,
    /// The bench, just opened and therefore safe.
    pub bench: Box<dyn Bench>,
}

/// A part at work.
#[derive(Debug)]
struct Member {
    name: &'static str,
    offers: Offers,
    worker: Worker,
    clock: Clock,
    /// End of its last block on the run's clock, seconds.
    end_s: f64,
    tracks: BTreeMap<Channel, Track>,
    edges: VecDeque<f64>,
    /// What came since the last block of the whole.
    lost: u64,
    stop_pressed: Option<bool>,
}

/// Several benches as one.
#[derive(Debug)]
pub struct JoinedBench {
    /// The leading one comes first.
    members: Vec<Member>,
    /// Which has the supply switch, and which the command line.
    supply: usize,
    command: usize,
    /// Which sets the supply's voltage, where one does.
    level: Option<usize>,
    offers: Offers,
    /// The host's clock began here.
    origin: Instant,
    last: Setting,
    fault: Option<DriverError>,
    notes: Vec<String>,
    closed: bool,
}

impl JoinedBench {
    /// Joins benches that were just opened.
    ///
    /// # Errors
    /// When none carries the supply current or has the supply switch, when a channel or control comes from two, when
    /// some clocks are moved on and others run by themselves, and when one does not confirm its safe state.
    pub fn join(name: &str, parts: Vec<Part>) -> Result<Self, DriverError> {
        let refused = |why: String| DriverError::Open { what: format!("rig \"{name}\""), why };
        claims(&parts).map_err(refused)?;
        let leads = |part: &Part| part.bench.offers().channels.contains(&Channel::SupplyA);
        let mut parts = parts;
        parts.sort_by_key(|part| !leads(part));
        if !parts.first().is_some_and(leads) {
            return Err(refused("no driver offers the supply current".to_owned()));
        }
        let has = |control: Control| move |part: &Part| part.bench.offers().controls.contains(&control);
        let Some(supply) = parts.iter().position(has(Control::SupplyOn)) else {
            return Err(refused("no driver offers the supply switch".to_owned()));
        };
        let command = parts.iter().position(has(Control::DutyPct)).unwrap_or(supply);
        let level = parts.iter().position(has(Control::SupplyV));
        let origin = Instant::now();
        let members = parts.into_iter().map(|part| member(part, origin)).collect::<Result<Vec<_>, _>>()?;
        let offers = Offers {
            name: name.to_owned(),
            channels: members.iter().flat_map(|member| member.offers.channels.iter().copied()).collect(),
            tach: members.iter().any(|member| member.offers.tach),
            emergency_stop: members.iter().any(|member| member.offers.emergency_stop),
            controls: members.iter().flat_map(|member| member.offers.controls.iter().copied()).collect(),
            virtual_clock: members[0].offers.virtual_clock,
            is_virtual: members.iter().any(|member| member.offers.is_virtual),
            rate_hz: members[0].offers.rate_hz,
            alignment: alignment(&members, command),
        };
        let mut joined = Self {
            members,
            supply,
            command,
            level,
            notes: vec![alignment_note(&offers.alignment)],
            offers,
            origin,
            last: Setting::SAFE,
            fault: None,
            closed: false,
        };
        joined.skip_opening()?;
        Ok(joined)
    }

    /// Throws away what the leading bench sampled while the others were still being opened: they have nothing for it.
    fn skip_opening(&mut self) -> Result<(), DriverError> {
        if !self.offers.virtual_clock {
            let timed = self.ask(0, Ask::Read(OPENING_S, Pace::Normal), OPENING_S)?;
            self.take(0, timed)?;
        }
        Ok(())
    }

    /// Asks one member and waits for what it says.
    fn ask(&mut self, at: usize, ask: Ask, beyond_s: f64) -> Result<Timed, DriverError> {
        self.members[at].worker.ask(ask)?;
        self.wait(at, beyond_s)
    }

    fn wait(&mut self, at: usize, beyond_s: f64) -> Result<Timed, DriverError> {
        let mut timed = self.members[at].worker.answer(ALLOWED + Duration::from_secs_f64(beyond_s.max(0.0)))?;
        self.notes.append(&mut timed.notes);
        Ok(timed)
    }

    fn since_s(&self, moment: Instant) -> f64 {
        moment.saturating_duration_since(self.origin).as_secs_f64()
    }

    /// The run's clock is that of the leading bench.
    fn run_s(&self, at: usize, bench_s: f64) -> f64 {
        if at == 0 {
            return bench_s;
        }
        let lead = &self.members[0].clock;
        self.members[at].clock.host_s(bench_s) - lead.host_s(0.0)
    }

    /// The time that a command named, on the run's clock.
    fn commanded(&mut self, at: usize, timed: &Timed, t_s: f64) -> f64 {
        let (asked_s, answered_s) = (self.since_s(timed.asked), self.since_s(timed.answered));
        let member = &mut self.members[at];
        if let Some(step_s) = member.clock.command(asked_s, answered_s, t_s) {
            self.notes.push(format!("the clock of driver `{}` jumped by {step_s:.3} s", member.name));
        }
        self.run_s(at, t_s)
    }

    fn set_one(&mut self, at: usize, setting: &Setting) -> Result<f64, DriverError> {
        let timed = self.ask(at, Ask::Set(*setting), 0.0)?;
        match timed.answer {
            Ok(Answer::Time(t_s)) => Ok(self.commanded(at, &timed, t_s)),
            Ok(_) => Err(self.puzzled(at)),
            Err(error) => Err(error),
        }
    }

    fn puzzled(&self, at: usize) -> DriverError {
        DriverError::Answer {
            what: format!("driver `{}`", self.members[at].name),
            why: "it answered something else than was asked".to_owned(),
        }
    }

    /// Members with the supply switch last: what is upstream or beside it goes first.
    fn others_first(&self) -> Vec<usize> {
        let supply = self.supply;
        (0..self.members.len()).filter(|at| *at != supply).chain([supply]).collect()
    }

    fn apply(&mut self, setting: &Setting) -> Result<f64, DriverError> {
        // Off: the supply before the line. On: the line before the supply.
        let mut order = self.others_first();
        if setting.supply == Supply::Off {
            order.reverse();
        }
        let mut times = vec![0.0; self.members.len()];
        for at in order {
            times[at] = self.set_one(at, setting)?;
        }
        let by_the_line = Setting { supply: self.last.supply, supply_v: self.last.supply_v, ..*setting } != self.last;
        let of = match setting {
            _ if by_the_line => self.command,
            _ if setting.supply != self.last.supply => self.supply,
            _ if setting.supply_v != self.last.supply_v => self.level.unwrap_or(self.supply),
            _ => self.command,
        };
        self.last = *setting;
        Ok(times[of].max(self.members[0].end_s))
    }

    /// What a member sampled, laid onto the run's clock.
    fn take(&mut self, at: usize, timed: Timed) -> Result<Option<Block>, DriverError> {
        let answered_s = self.since_s(timed.answered);
        let block = match timed.answer? {
            Answer::Block(block) => block,
            _ => return Err(self.puzzled(at)),
        };
        self.members[at].clock.block(answered_s, block.end_s());
        if at == 0 {
            self.members[0].end_s = block.end_s();
            return Ok(Some(block));
        }
        let (begin_s, end_s) = (self.run_s(at, block.t0_s), self.run_s(at, block.end_s()));
        let edges: Vec<f64> = block
            .tach_s
            .iter()
            .flatten()
            .map(|edge_s| self.run_s(at, *edge_s))
            .filter(|edge_s| *edge_s >= 0.0)
            .collect();
        let member = &mut self.members[at];
        for (channel, samples) in &block.channels {
            member.tracks.entry(*channel).or_default().add(begin_s, end_s - begin_s, samples);
        }
        member.edges.extend(edges);
        member.end_s = end_s;
        member.lost += block.lost;
        member.stop_pressed = match (member.stop_pressed, block.stop_pressed) {
            (Some(before), Some(now)) => Some(before || now),
            (before, now) => now.or(before),
        };
        Ok(None)
    }

    /// Reads all at once, then those on that lag behind the leading one.
    fn read_all(&mut self, seconds: f64, pace: Pace) -> Result<Block, DriverError> {
        let until_s = self.members[0].end_s + seconds;
        let mut asked = Vec::new();
        for at in 0..self.members.len() {
            let short_s = if at == 0 { seconds } else { until_s - self.members[at].end_s };
            if short_s > SAME_S {
                self.members[at].worker.ask(Ask::Read(short_s, pace))?;
                asked.push((at, short_s));
            }
        }
        let mut lead = None;
        // Every answer is taken before an error is told, so that none is left to be taken for another's.
        let mut failed = None;
        for (at, short_s) in asked {
            match self.wait(at, short_s).and_then(|timed| self.take(at, timed)) {
                Ok(block) => lead = lead.or(block),
                Err(error) => failed = failed.or(Some(error)),
            }
        }
        if let Some(error) = failed {
            return Err(error);
        }
        let lead = lead.ok_or_else(|| self.puzzled(0))?;
        for at in 1..self.members.len() {
            self.catch_up(at, lead.end_s(), pace)?;
        }
        self.laid_in(lead)
    }

    fn catch_up(&mut self, at: usize, until_s: f64, pace: Pace) -> Result<(), DriverError> {
        let deadline = Instant::now() + LAG_ALLOWED;
        while until_s - self.members[at].end_s > SAME_S {
            let short_s = until_s - self.members[at].end_s;
            let timed = self.ask(at, Ask::Read(short_s, pace), short_s)?;
            self.take(at, timed)?;
            if Instant::now() > deadline {
                let what = format!("driver `{}`, {short_s:.3} s behind the others", self.members[at].name);
                return Err(DriverError::Late { what, allowed_s: LAG_ALLOWED.as_secs_f64() });
            }
        }
        Ok(())
    }

    /// The leading bench's block with what the others have for its time.
    fn laid_in(&mut self, mut block: Block) -> Result<Block, DriverError> {
        for member in &mut self.members[1..] {
            for channel in &member.offers.channels {
                let samples = member.tracks.get_mut(channel).and_then(|track| track.over(block.t0_s, block.duration_s));
                let Some(samples) = samples else {
                    let why = format!("it brought no `{channel}` for the time from {:.3} s on", block.t0_s);
                    return Err(DriverError::Answer { what: format!("driver `{}`", member.name), why });
                };
                block.channels.push((*channel, samples));
            }
            if member.offers.tach {
                let end_s = block.end_s();
                let ready = member.edges.iter().take_while(|edge_s| **edge_s < end_s).count();
                block.tach_s = Some(member.edges.drain(..ready).collect());
            }
            block.lost += std::mem::take(&mut member.lost);
            if let Some(pressed) = member.stop_pressed.take() {
                block.stop_pressed = Some(block.stop_pressed.unwrap_or(false) || pressed);
            }
        }
        block.channels.sort_by_key(|(channel, _)| *channel);
        Ok(block)
    }

    fn usable(&self) -> Result<(), DriverError> {
        match &self.fault {
            Some(error) => Err(error.clone()),
            None if self.closed => {
                Err(DriverError::Gone { what: "the bench".to_owned(), why: "it was closed".to_owned() })
            }
            None => Ok(()),
        }
    }

    fn failed<T>(&mut self, outcome: Result<T, DriverError>) -> Result<T, DriverError> {
        if let Err(error) = &outcome {
            self.fault.get_or_insert_with(|| error.clone());
        }
        outcome
    }

    /// Tells every member to be safe, the one with the supply first; the answers by member.
    fn all_safe(&mut self) -> Vec<Result<f64, DriverError>> {
        let mut order = self.others_first();
        order.reverse();
        let mut outcomes: Vec<Result<f64, DriverError>> = vec![Ok(0.0); self.members.len()];
        let mut early = None;
        for at in order.iter().copied() {
            if let Err(error) = self.members[at].worker.ask(Ask::Safe) {
                outcomes[at] = Err(error);
            } else if at == self.supply {
                early = self.members[at].worker.answer(HEAD_START).ok();
            }
        }
        for at in order {
            if outcomes[at].is_err() {
                continue;
            }
            let timed = match early.take_if(|_| at == self.supply) {
                Some(timed) => Ok(timed),
                None => self.wait(at, 0.0),
            };
            outcomes[at] = timed.and_then(|mut timed| {
                self.notes.append(&mut timed.notes);
                match std::mem::replace(&mut timed.answer, Ok(Answer::Feedback(None))) {
                    Ok(Answer::Time(t_s)) => Ok(self.commanded(at, &timed, t_s)),
                    Ok(_) => Err(self.puzzled(at)),
                    Err(error) => Err(error),
                }
            });
        }
        outcomes
    }
}

impl Bench for JoinedBench {
    fn offers(&self) -> &Offers {
        &self.offers
    }

    fn set(&mut self, setting: &Setting) -> Result<f64, DriverError> {
        self.usable()?;
        let outcome = self.apply(setting);
        self.failed(outcome)
    }

    fn read(&mut self, seconds: f64, pace: Pace) -> Result<Block, DriverError> {
        self.usable()?;
        let outcome = self.read_all(seconds, pace);
        self.failed(outcome)
    }

    fn make_safe(&mut self) -> Result<f64, DriverError> {
        self.last = Setting::SAFE;
        let outcomes = self.all_safe();
        let failures: Vec<String> = self
            .members
            .iter()
            .zip(&outcomes)
            .filter_map(|(member, outcome)| Some(format!("driver `{}`: {}", member.name, outcome.as_ref().err()?)))
            .collect();
        if failures.is_empty() {
            return Ok(outcomes.into_iter().flatten().fold(self.members[0].end_s, f64::max));
        }
        let why = format!("safe state NOT confirmed: {}", failures.join("; "));
        Err(DriverError::Answer { what: "the safe state".to_owned(), why })
    }

    fn supply_feedback(&mut self) -> Result<Option<bool>, DriverError> {
        self.usable()?;
        let timed = self.ask(self.supply, Ask::Feedback, 0.0)?;
        match timed.answer? {
            Answer::Feedback(closed) => Ok(closed),
            _ => Err(self.puzzled(self.supply)),
        }
    }

    fn notes(&mut self) -> Vec<String> {
        std::mem::take(&mut self.notes)
    }

    fn close(&mut self) {
        if std::mem::replace(&mut self.closed, true) {
            return;
        }
        self.all_safe();
        for at in 0..self.members.len() {
            // One that is gone or hangs was told of by `make_safe`.
            let _ = self.ask(at, Ask::Close, 0.0);
        }
    }
}

impl Drop for JoinedBench {
    fn drop(&mut self) {
        self.close();
    }
}

/// What two benches offer at once, or clocks that do not go together, in words.
fn claims(parts: &[Part]) -> Result<(), String> {
    let mut claimed: BTreeMap<String, &str> = BTreeMap::new();
    for part in parts {
        let offers = part.bench.offers();
        let functions = offers.channels.iter().map(|channel| format!("channel `{channel}`"));
        let functions = functions.chain(offers.controls.iter().map(|control| format!("control `{}`", control.name())));
        let functions = functions.chain(offers.tach.then(|| "tach".to_owned()));
        for function in functions.chain(offers.emergency_stop.then(|| "emergency stop".to_owned())) {
            if let Some(other) = claimed.insert(function.clone(), part.name) {
                return Err(format!("the {function} comes from `{other}` and from `{}`", part.name));
            }
        }
    }
    let moved: Vec<&str> =
        parts.iter().filter(|part| part.bench.offers().virtual_clock).map(|part| part.name).collect();
    if moved.is_empty() || moved.len() == parts.len() {
        return Ok(());
    }
    Err(format!(
        "time is calculated in `{}` and passes by itself in the others: they cannot be joined",
        moved.join("`, `")
    ))
}

/// Takes a bench over and finds where its clock stands.
fn member(mut part: Part, origin: Instant) -> Result<Member, DriverError> {
    let offers = part.bench.offers().clone();
    let since_s = |moment: Instant| moment.saturating_duration_since(origin).as_secs_f64();
    let mut brackets = Vec::new();
    let clock = match part.bench.clock_began() {
        // A clock of this host may have begun before or after the origin.
        Some(began) => Clock::exact(since_s(began) - origin.saturating_duration_since(began).as_secs_f64()),
        None => {
            for _ in 0..BRACKETS {
                let asked = Instant::now();
                let t_s = part.bench.make_safe()?;
                brackets.push((since_s(asked), since_s(Instant::now()), t_s));
            }
            match (offers.virtual_clock, brackets.last()) {
                (true, Some((_, _, t_s))) => Clock::exact(-t_s),
                _ => Clock::bracketed(&brackets).unwrap_or(Clock::exact(0.0)),
            }
        }
    };
    let worker = Worker::start(part.name, part.bench)?;
    let tracks = BTreeMap::new();
    Ok(Member {
        name: part.name,
        offers,
        worker,
        clock,
        end_s: 0.0,
        tracks,
        edges: VecDeque::new(),
        lost: 0,
        stop_pressed: None,
    })
}

/// How far the times of all channels may be off those of the leading bench.
fn alignment(members: &[Member], command: usize) -> Alignment {
    let clocks_s = |at: usize| if at == 0 { 0.0 } else { members[at].clock.u_s().hypot(members[0].clock.u_s()) };
    let mut alignment = Alignment { command_s: clocks_s(command), ..members[0].offers.alignment.clone() };
    alignment.command_s = alignment.command_s.hypot(members[command].offers.alignment.command_s);
    for (at, member) in members.iter().enumerate().skip(1) {
        // The nearest sample is at most half a spacing off.
        let nearest_s = 1.0 / member.offers.rate_hz.max(1.0) / 12.0_f64.sqrt();
        for channel in &member.offers.channels {
            let own_s = member.offers.alignment.channels.get(channel).copied().unwrap_or(0.0);
            alignment.channels.insert(*channel, clocks_s(at).hypot(nearest_s).hypot(own_s));
        }
        if member.offers.tach {
            alignment.tach_s = clocks_s(at).hypot(member.offers.alignment.tach_s);
        }
    }
    alignment
}

fn alignment_note(alignment: &Alignment) -> String {
    let mut parts: Vec<String> =
        alignment.channels.iter().map(|(channel, u_s)| format!("{channel} {:.2} ms", 1e3 * u_s)).collect();
    parts.push(format!("tach {:.2} ms", 1e3 * alignment.tach_s));
    parts.push(format!("commands {:.2} ms", 1e3 * alignment.command_s));
    format!("times of several drivers, standard uncertainty against the supply current: {}", parts.join(", "))
}

#[cfg(test)]
#[path = "joined/tests.rs"]
mod tests;
