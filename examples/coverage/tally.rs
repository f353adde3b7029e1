//! One unit of the study through the full plan, what is kept of it, and the arithmetic of errors and coverage.

use galebench::config::plan::{Plan, Stage};
use galebench::config::rig::ModuleKind;
use galebench::record::event::LimitFacts;
use galebench::results::{Measured, ResultName};
use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;
use serde::{Deserialize, Serialize};
use statrs::distribution::{Binomial, DiscreteCDF};

use super::support;

/// One result of one unit beside its truth.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
pub(crate) struct Number {
    pub(crate) name: ResultName,
    pub(crate) truth: f64,
    pub(crate) value: f64,
    pub(crate) u: f64,
    pub(crate) covered: bool,
    /// Width of the interval; `None` when an end is open.
    pub(crate) width: Option<f64>,
    /// Whether the value is the middle of a bracket.
    pub(crate) is_bracket: bool,
    /// Whether it is the difference of two voltages that nothing ties to each other.
    pub(crate) is_untied: bool,
    /// Whether the truth is within three u of a limit of the plan.
    pub(crate) is_near_limit: bool,
}

/// What is kept of one unit.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(crate) struct Unit {
    pub(crate) seed: u64,
    pub(crate) kind: String,
    /// Number of the bench that it shares with others; `None` has one of its own.
    pub(crate) rig: Option<u64>,
    /// Whether the limits of its plan were put close to its truth.
    pub(crate) is_close: bool,
    pub(crate) numbers: Vec<Number>,
    /// Result, whether the word is the true one.
    pub(crate) words: Vec<(ResultName, bool)>,
    /// Results that exist for the unit and were not given, with the reason.
    pub(crate) absent: Vec<(ResultName, String)>,
    /// Results that the plan cannot find of this unit: the truth lies beyond what it tries.
    #[serde(default)]
    pub(crate) beyond: Vec<ResultName>,
    /// Spread of the fan's own start threshold (standard deviation, points of duty).
    pub(crate) start_spread_pct: f64,
    /// Whether its soft start is smooth: not in steps, without jump.
    pub(crate) is_smooth: bool,
    /// Why the run ended early, if it did.
    pub(crate) stopped: Option<String>,
    /// Wall time of run and of analysis with verdict, seconds.
    pub(crate) wall_s: (f64, f64),
}

/// Five in a hundred of a normal distribution lie above.
const Z_95: f64 = 1.644_854;

/// Runs the full plan on the unit of this seed: kind, unit and noise are its own, the errors of the bench too unless a
/// bench is named.
pub(crate) fn play(seed: u64, rig: Option<u64>) -> Unit {
    played(seed, rig, support::plan("test-plans/full.toml"))
}

/// How many u a limit that is put close to a truth lies from it at most.
const CLOSE_U: f64 = 2.5;

/// Runs the unit of this seed, then once more against limits close to its truth: what is open is measured again and pooled.
/// Where a limit lies depends on the truth, on u and on chance, not on what was measured.
pub(crate) fn play_close(seed: u64) -> Unit {
    let first = play(seed, None);
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed ^ 0x11b1_7e5d);
    let mut plan = support::plan("test-plans/full.toml");
    for (name, limit) in &mut plan.limits {
        let Some(number) = first.numbers.iter().find(|number| number.name == *name) else { continue };
        let at = number.truth + rng.random_range(-CLOSE_U..CLOSE_U) * number.u;
        *limit = match limit.max {
            Some(_) => LimitFacts { min: None, max: Some(at), one_of: Vec::new() },
            None => LimitFacts { min: Some(at), max: None, one_of: Vec::new() },
        };
    }
    Unit { is_close: true, ..played(seed, None, plan) }
}

fn played(seed: u64, rig: Option<u64>, plan: Plan) -> Unit {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed ^ 0xc0fe_4a9e);
    let kind = ModuleKind::ALL[rng.random_range(0..ModuleKind::ALL.len())];
    let limits = plan.limits.clone();
    let tried_hz = tried_hz(&plan);
    let rig_seed = rig.map(|rig| (rig + 1).wrapping_mul(0x9e37_79b9_7f4a_7c15));
    let run = support::run_on_rig(support::rig("rigs/virtual.toml", kind, seed, &[]), plan, rig_seed);
    let document = &run.evaluated.document;
    let truth = &run.truth;
    let spread = truth.start_duty_95_pct.zip(truth.start_duty_pct).map_or(0.0, |(high, middle)| (high - middle) / Z_95);
    let mut unit = Unit {
        seed,
        kind: kind.name().to_owned(),
        rig,
        is_close: false,
        numbers: Vec::new(),
        words: Vec::new(),
        absent: Vec::new(),
        beyond: Vec::new(),
        start_spread_pct: spread,
        is_smooth: matches!(truth.ramp_shape, Some("linear" | "exponential" | "s")),
        stopped: document.stopped.as_ref().map(|stopped| stopped.cause.clone()),
        wall_s: run.wall_s,
    };
    for &name in ResultName::ALL {
        let (number, word) = (support::true_number(truth, name), support::true_word(truth, name));
        match (document.results.get(&name), number, word) {
            (_, None, None) => {}
            (None, Some(truth), _) if is_beyond(name, truth, tried_hz) => unit.beyond.push(name),
            (None, ..) => unit.absent.push((name, document.absent.get(&name).cloned().unwrap_or_default())),
            (Some(measured), Some(truth), _) => unit.numbers.extend(kept(name, measured, truth, limits.get(&name))),
            (Some(measured), None, Some(word)) => unit.words.push((name, measured.as_word() == Some(word))),
        }
    }
    unit
}

/// Lowest and highest command frequency at which the plan looks for an edge.
fn tried_hz(plan: &Plan) -> Option<(f64, f64)> {
    plan.stages.iter().find_map(|stage| match stage {
        Stage::FrequencyEdges { from, to, .. } => Some((from.get(), to.get())),
        _ => None,
    })
}

fn is_beyond(name: ResultName, truth: f64, tried_hz: Option<(f64, f64)>) -> bool {
    tried_hz.is_some_and(|(lowest, highest)| match name {
        ResultName::CommandHzLow => truth < lowest,
        ResultName::CommandHzHigh => truth > highest,
        _ => false,
    })
}

fn kept(name: ResultName, measured: &Measured, truth: f64, limit: Option<&LimitFacts>) -> Option<Number> {
    let u = measured.u?;
    let near = |end: Option<f64>| end.is_some_and(|end| (truth - end).abs() < 3.0 * u);
    let width = measured.interval.and_then(|[low, high]| Some(high? - low?));
    Some(Number {
        name,
        truth,
        value: measured.as_number()?,
        u,
        covered: support::covers(measured, truth),
        width,
        is_bracket: measured.method == "bracket",
        is_untied: measured.note.as_ref().is_some_and(|note| note.contains("without a tie-point")),
        is_near_limit: limit.is_some_and(|limit| near(limit.min) || near(limit.max)),
    })
}

impl Unit {
    /// One tab-separated line per result, for work on the estimators.
    pub(crate) fn lines(&self) -> impl Iterator<Item = String> + '_ {
        let head = format!("{}\t{}\t{}", self.seed, self.kind, self.rig.map_or(-1, |rig| rig as i64));
        let wordy = head.clone();
        let other = head.clone();
        let numbers = self.numbers.iter().map(move |n| {
            let state = if n.covered { "in" } else { "OUT" };
            format!("{head}\t{}\t{}\t{}\t{}\t{}\t{state}", n.name, n.value, n.u, n.truth, (n.value - n.truth) / n.u)
        });
        let words =
            self.words.iter().filter(|(_, right)| !right).map(move |(name, _)| format!("{wordy}\t{name}\twrong word"));
        let absent = self.absent.iter().map(move |(name, why)| format!("{other}\t{name}\tabsent: {why}"));
        numbers.chain(words).chain(absent)
    }
}

/// Errors of many values of one result.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Errors {
    pub(crate) n: u64,
    pub(crate) covered: u64,
    squares: f64,
    sum: f64,
    u_sum: f64,
    u_squares: f64,
    z_squares: f64,
    relative_squares: f64,
    pub(crate) worst: f64,
}

impl Errors {
    pub(crate) fn of<'a>(numbers: impl Iterator<Item = &'a Number>) -> Self {
        numbers.fold(Self::default(), |sum, number| sum.and(number))
    }

    fn and(self, number: &Number) -> Self {
        let error = number.value - number.truth;
        Self {
            n: self.n + 1,
            covered: self.covered + u64::from(number.covered),
            squares: self.squares + error * error,
            sum: self.sum + error,
            u_sum: self.u_sum + number.u,
            u_squares: self.u_squares + number.u * number.u,
            z_squares: self.z_squares + (error / number.u).powi(2),
            relative_squares: self.relative_squares + (error / number.truth).powi(2),
            worst: self.worst.max(error.abs()),
        }
    }

    fn mean(self, of: f64) -> f64 {
        of / self.n.max(1) as f64
    }

    pub(crate) fn rms(self) -> f64 {
        self.mean(self.squares).sqrt()
    }

    pub(crate) fn bias(self) -> f64 {
        self.mean(self.sum)
    }

    /// RMS of the error over the truth.
    pub(crate) fn relative(self) -> f64 {
        self.mean(self.relative_squares).sqrt()
    }

    /// RMS of the error over its own u.
    pub(crate) fn z(self) -> f64 {
        self.mean(self.z_squares).sqrt()
    }

    /// RMS of u over the RMS error: variances are what adds up, so that also of kinds whose u differs by far this is 1
    /// where every u is right.
    pub(crate) fn rms_u_over_rms(self) -> f64 {
        self.mean(self.u_squares).sqrt() / self.rms()
    }

    /// Mean u over the RMS error.
    pub(crate) fn u_over_rms(self) -> f64 {
        self.mean(self.u_sum) / self.rms()
    }
}

/// Counts between which the covered ones of `n` lie when intervals hold the truth 95 times in 100, with 99 % over `tests`
/// such counts together (exact binomial, Bonferroni).
pub(crate) fn region(n: u64, tests: usize) -> (u64, u64) {
    let Ok(binomial) = Binomial::new(0.95, n) else { return (0, n) };
    let tail = 0.005 / tests.max(1) as f64;
    let low = binomial.inverse_cdf(tail);
    (low, binomial.inverse_cdf(1.0 - tail).min(n))
}
