//! A start of a warm unit beside the cold start of the same run: whether it comes at all, how long it takes, how much it
//! draws.
//!
//! A warm fan draws less than a cold one at its start and turns a little slower afterwards; what a thermal limit or a joint that
//! opens when warm takes away is far more.

use crate::bench::{Channel, Supply};
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};
use crate::results::{Findings, Measured, ResultName};

use super::command;
use super::estimate::{self, Estimate, miss_all, pool, shortfall, spans};
use super::motor_fit;
use super::peak::{self, Peak};
use super::power_up::CHARGED_S;
use super::ramp::{Trace, Unreadable};
use super::repeated_starts::{self, DRIVEN_A};
use super::soft_start;
use super::speed::{self, Motion};
use super::zero;

const ALL: [ResultName; 3] = [ResultName::HotRestart, ResultName::HotDelayS, ResultName::HotInrushRatio];
/// Output below this share of the cold start's is less than warmth explains.
const WEAKER: f64 = 0.95;
/// The same of the current, of which a warm fan takes some by itself.
const WEAKER_BY_CURRENT: f64 = 0.75;
/// Duties closer than this are the same.
const SAME_DUTY: f64 = 0.01;
/// Stretch at the end of a start that counts as settled.
const END_S: f64 = 0.5;

/// One start with its edge.
struct Start<'a> {
    span: &'a Span,
    edge_s: f64,
    by_supply: bool,
    duty: f64,
}

impl<'a> Start<'a> {
    fn of(rec: &Recording, span: &'a Span) -> Option<Self> {
        let (edge_s, before, after) = command::first_change_under_supply(rec, span)?;
        Some(Self { span, edge_s, by_supply: before?.supply != Supply::On, duty: after.duty.fraction() })
    }

    fn peak(&self, rec: &Recording) -> Option<Peak> {
        let charged_s = if self.by_supply { CHARGED_S } else { 0.0 };
        peak::supply_current(rec, self.edge_s + charged_s, self.span.t1_s)
    }

    /// Level at the end, and the share of the cold one below which it is too low: output over supply where there is one,
    /// else current.
    fn level(&self, rec: &Recording) -> Option<(f64, f64)> {
        let (from_s, to_s) = (self.span.t1_s - END_S, self.span.t1_s);
        let mean = |channel| zero::level(rec, channel, from_s, to_s).map(|level| level.value);
        match (mean(Channel::OutputV), mean(Channel::SupplyV), mean(Channel::SupplyA)) {
            (Some(output_v), Some(supply_v), _) if supply_v > 1.0 => Some((output_v / supply_v, WEAKER)),
            (_, _, amps) => amps.map(|amps| (amps, WEAKER_BY_CURRENT)),
        }
    }
}

/// Fills in the warm start. The worst of several ways counts for the word, the first that was read for the numbers.
pub(crate) fn find(rec: &Recording, findings: &mut Findings) {
    let hot_spans = spans(rec, &SpanKind::HotStart);
    if hot_spans.is_empty() {
        return;
    }
    let starts: Vec<Start<'_>> = hot_spans.iter().filter_map(|span| Start::of(rec, span)).collect();
    if starts.is_empty() {
        miss_all(findings, &ALL, &format!("the warm start shows no edge{}", shortfall(&hot_spans)));
        return;
    }
    let cold_spans: Vec<Span> = [SpanKind::Start, SpanKind::PowerUp].iter().flat_map(|kind| spans(rec, kind)).collect();
    let cold: Vec<Start<'_>> = cold_spans.iter().filter_map(|span| Start::of(rec, span)).collect();
    let beside = |hot: &Start<'_>| {
        cold.iter().find(|cold| {
            let same = cold.by_supply == hot.by_supply && (cold.duty - hot.duty).abs() < SAME_DUTY;
            same && cold.span.complete.is_ok()
        })
    };
    let judged: Vec<(Answer, String)> = starts.iter().map(|hot| answer(rec, hot, beside(hot))).collect();
    if let Some(worst) = judged.iter().map(|(answer, _)| *answer).max() {
        let notes: Vec<&str> = judged.iter().map(|(_, note)| note.as_str()).collect();
        let method = if rec.channels.contains_key(&Channel::OutputV) { "output" } else { "current" };
        let measured = Measured::word(ResultName::HotRestart, worst.word(), method, starts.len() as u64);
        findings.put(ResultName::HotRestart, measured.noted(notes.join("; ")));
    }
    delay(rec, &starts, &cold, findings);
    inrush(rec, &starts, beside, findings);
}

/// What a warm start does, best first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Answer {
    Starts,
    Weaker,
    Falters,
    StaysOff,
}

impl Answer {
    const fn word(self) -> &'static str {
        match self {
            Self::Starts => "starts",
            Self::Weaker => "weaker",
            Self::Falters => "falters",
            Self::StaysOff => "stays_off",
        }
    }
}

fn answer(rec: &Recording, hot: &Start<'_>, cold: Option<&Start<'_>>) -> (Answer, String) {
    let by = if hot.by_supply { "by the supply" } else { "by command" };
    let seconds = hot.span.t1_s - hot.edge_s;
    let stands = speed::motion(rec, hot.span.t1_s - 1.0, hot.span.t1_s) == Motion::Rest;
    let trace = Trace::of_output(rec, hot.span.t0_s, hot.edge_s, hot.span.t1_s).err();
    if trace == Some(Unreadable::NoRise) || stands || stayed_off(rec, hot) {
        let too = if cold.is_some_and(|cold| stayed_off(rec, cold)) { "; nor did it cold" } else { "" };
        return (Answer::StaysOff, format!("{by}: no start within {seconds:.1} s{too}"));
    }
    if trace == Some(Unreadable::NotSettled) || repeated_starts::breaks_off(rec, hot.edge_s, hot.span.t1_s).is_some() {
        return (Answer::Falters, format!("{by}: it starts but breaks off again within {seconds:.1} s"));
    }
    let levels = hot.level(rec).zip(cold.and_then(|cold| cold.level(rec)));
    match levels {
        Some(((hot, least), (cold, _))) if cold > 0.0 => {
            let share = 100.0 * hot / cold;
            let word = if hot < least * cold { Answer::Weaker } else { Answer::Starts };
            (word, format!("{by}: settles at {share:.0} % of the cold start"))
        }
        _ => (Answer::Starts, format!("{by}: no cold start like it in this run to compare with")),
    }
}

/// Whether next to nothing flows at the end of this start.
fn stayed_off(rec: &Recording, start: &Start<'_>) -> bool {
    let (from_s, to_s) = (start.span.t1_s - END_S, start.span.t1_s);
    zero::level(rec, Channel::SupplyA, from_s, to_s).is_some_and(|amps| amps.value < DRIVEN_A)
}

fn delay(rec: &Recording, starts: &[Start<'_>], cold: &[Start<'_>], findings: &mut Findings) {
    let name = ResultName::HotDelayS;
    let on_ohm = findings.number(ResultName::OnResistanceOhm);
    let fan = cold
        .iter()
        .find(|cold| !cold.by_supply)
        .and_then(|cold| motor_fit::fit_start(rec, cold.edge_s, cold.span.t1_s, on_ohm));
    let by_supply = starts[0].by_supply;
    let found: Vec<Estimate> = starts
        .iter()
        .filter(|hot| hot.by_supply == by_supply)
        .filter_map(|hot| soft_start::delay_in(rec, hot.span, hot.edge_s, fan.as_ref()))
        .collect();
    let Some(delay) = pool(&found) else {
        let why = if rec.channels.contains_key(&Channel::OutputV) {
            "the output did not come on and settle in the warm start"
        } else {
            Unreadable::NoOutput.words()
        };
        findings.miss(name, why);
        return;
    };
    let from = if by_supply { "from the supply" } else { "from the command" };
    let note = match findings.number(ResultName::CommandDelayS).filter(|_| !by_supply) {
        // With zero added a minus zero is none.
        Some(cold_s) => {
            let later_ms = (1e3 * (delay.value - cold_s)).round() + 0.0;
            format!("{from}; {later_ms:+.0} ms against the cold start")
        }
        None => from.to_owned(),
    };
    findings.put(name, delay.measured(name, "onset", found.len() as u64).noted(note));
}

fn inrush<'a>(
    rec: &Recording,
    starts: &[Start<'_>],
    beside: impl Fn(&Start<'_>) -> Option<&'a Start<'a>>,
    findings: &mut Findings,
) {
    let name = ResultName::HotInrushRatio;
    let Some((hot, cold)) = starts.iter().find_map(|hot| Some((hot, beside(hot)?))) else {
        findings.miss(name, "no cold start to the same duty in this run to compare with");
        return;
    };
    let (Some(hot), Some(cold)) = (hot.peak(rec), cold.peak(rec)) else {
        findings.miss(name, "no supply current was recorded");
        return;
    };
    if cold.value < DRIVEN_A {
        findings.miss(name, "the cold start drew no current to compare with");
        return;
    }
    let ratio = hot.value / cold.value;
    // The gain is that of one sensor and cancels.
    let parts = vec![
        estimate::seen(
            "noise and ripple at the peaks",
            hot.u_noise.hypot(ratio * cold.u_noise) / cold.value,
            hot.dof.min(cold.dof),
        ),
        estimate::lasting("supply_a zero", hot.u_zero.hypot(ratio * cold.u_zero) / cold.value),
    ];
    let note = format!("{:.1} A warm, {:.1} A cold", hot.value, cold.value);
    findings.put(name, Estimate::new(ratio, parts).measured(name, "5 ms mean", 1).noted(note));
}
