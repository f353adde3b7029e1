//! One soft start as a trace of output ratio: onset, jump, level crossings, shape.

use crate::bench::Channel;
use crate::record::recording::Recording;

use super::motor_fit::{LEFT_MOST, LEFT_SHARE, MotorFit};
use super::signal::settling::{self, Rule};
use super::signal::steps::{self, Instant, Onset};
use super::signal::{chop, fit, stats};
use super::threshold_fit::golden_max;
use super::zero;

/// Cells in which a start is looked at, seconds.
const CELL_S: f64 = 1e-3;
/// From this jump (share of settled) on a start with a jump is called so.
const JUMP_SHAPE: f64 = 0.08;
/// From this share of the supply on an output is flat out, but for what the module loses.
const FLAT_OUT: f64 = 0.95;
/// How well an approach is exponential to its end, as a share of what is left of it when the recording ends.
const APPROACH_SHARE: f64 = 0.045;
/// Share of the settled value from which on the rest of an exponential approach is not fitted, and the fewest values to fit.
const APPROACH_ENDS: f64 = 0.004;
const APPROACH_LEAST: usize = 40;
/// Share of the settled value by which a level may be wrong, and no more, as to what that makes of a crossing between steps.
const AT_A_STEP: f64 = 0.01;
/// Share of the variance of slow noise that readings some seconds apart do not have in common, while zeros of one run lie
/// minutes apart: of noise that falls with the frequency every decade holds as much.
const SECONDS_APART: f64 = 2.0 / 3.0;
/// A rise to 90 % within this time is no ramp.
const NO_RAMP_S: f64 = 0.03;

/// Output over time, as ratio to the supply or (without a supply voltage) in volts.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Trace {
    pub(crate) times_s: Vec<f64>,
    pub(crate) values: Vec<f64>,
    /// Supply current over supply voltage, siemens, cell by cell; empty where one of them was not recorded.
    loads_s: Vec<f64>,
    /// Standard deviation of one cell before the edge.
    pub(crate) noise: f64,
    /// Settled value with its uncertainty.
    pub(crate) settled: f64,
    pub(crate) settled_u: f64,
    /// Whether the values still approach it when the recording ends.
    approaches: bool,
    /// [`MotorFit::loses_switched`].
    loses_switched: bool,
    /// Uncertainty of the zero of the values.
    pub(crate) zero_u: f64,
    /// How far output and supply voltage wander between moments of one start, over the supply voltage.
    wander: (f64, f64),
}

/// What one start shows.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct RampFigures {
    /// First output.
    pub(crate) onset: Onset,
    pub(crate) t_10: Instant,
    pub(crate) t_90: Instant,
    pub(crate) t_95: Instant,
    /// Jump as a share of the settled output.
    pub(crate) jump_share: f64,
    pub(crate) shape: Shape,
}

/// Why a start cannot be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Unreadable {
    /// No output voltage recorded.
    NoOutput,
    /// It never rose.
    NoRise,
    /// It did not settle.
    NotSettled,
}

impl Unreadable {
    pub(crate) const fn words(self) -> &'static str {
        match self {
            Self::NoOutput => "no output voltage was recorded",
            Self::NoRise => "the output did not come on after the command",
            Self::NotSettled => "the output did not settle within the recorded start",
        }
    }
}

impl Trace {
    /// Output ratio over a start with its command edge at `edge_s`.
    pub(crate) fn of_output(rec: &Recording, from_s: f64, edge_s: f64, to_s: f64) -> Result<Self, Unreadable> {
        let cells = |channel| zero::cells(rec, channel, from_s, to_s, CELL_S);
        let output = cells(Channel::OutputV);
        if output.len() < 50 {
            return Err(Unreadable::NoOutput);
        }
        let (zero_v, zero_u) = zero::offset(rec, Channel::OutputV, edge_s).unwrap_or_else(|| {
            (0.0, rec.header.bench.channels.get(&Channel::OutputV).map_or(0.0, |facts| facts.offset_u))
        });
        let supply_zero = zero::offset(rec, Channel::SupplyV, edge_s).map_or(0.0, |(zero, _)| zero);
        let (supply, amps) = (cells(Channel::SupplyV), cells(Channel::SupplyA));
        // The supply gives way while a slow chopper is on: the means are over each other, not each part over its own.
        let (output, supply, amps) = match chops(&output, edge_s) {
            true => (chop::averaged(&output), chop::averaged(&supply), chop::averaged(&amps)),
            false => (output, supply, amps),
        };
        let (mut times_s, mut values, mut loads_s, mut at) = (Vec::new(), Vec::new(), Vec::new(), 0);
        let mut typical_v = 1.0;
        for (t_s, volts) in output {
            while at + 1 < supply.len() && supply[at + 1].0 <= t_s + 1e-9 {
                at += 1;
            }
            typical_v = supply.get(at).map_or(1.0, |(_, v)| v - supply_zero);
            if supply.is_empty() || typical_v > 1.0 {
                times_s.push(t_s);
                values.push((volts - zero_v) / typical_v);
                if amps.len() == supply.len() && !supply.is_empty() {
                    loads_s.push(amps[at].1 / typical_v);
                }
            }
        }
        let trace = Self::finish(times_s, values, edge_s, zero_u / typical_v.max(1.0))?;
        let wander = |channel| zero::wander(rec, channel).map_or(0.0, |(volts, _)| volts / typical_v.max(1.0));
        Ok(Self { loads_s, wander: (wander(Channel::OutputV), wander(Channel::SupplyV)), ..trace })
    }

    /// A trace of any quantity that starts from zero, such as speed with the fan's lag taken out.
    pub(crate) fn finish(times_s: Vec<f64>, values: Vec<f64>, edge_s: f64, zero_u: f64) -> Result<Self, Unreadable> {
        let before = times_s.partition_point(|t| *t < edge_s);
        let noise = if before >= 20 {
            stats::robust_sigma(&values[..before]).unwrap_or(0.0)
        } else {
            // Nothing before the edge (the supply was off): from value to value.
            let steps: Vec<f64> = values.windows(2).map(|w| w[1] - w[0]).collect();
            stats::robust_sigma(&steps).unwrap_or(0.0) / 2.0_f64.sqrt()
        };
        let spacing_s = (times_s.last().copied().unwrap_or(0.0) - edge_s) / (times_s.len() - before).max(1) as f64;
        let (slow_t, slow_v) =
            thinned(&times_s, &values, ((0.05 / spacing_s.max(1e-6)).round() as usize).clamp(1, 500));
        let highest = stats::quantile(&values, 0.98).ok_or(Unreadable::NoRise)?;
        if highest < 8.0 * noise.max(zero_u) || highest <= 0.0 {
            return Err(Unreadable::NoRise);
        }
        let rule = Rule { span_s: 0.5, tolerance: 0.01 * highest };
        let tail = settling::settled_tail(&slow_t, &slow_v, &rule).ok_or(Unreadable::NotSettled)?;
        if tail.mean < 0.5 * highest {
            return Err(Unreadable::NotSettled);
        }
        let end = settling::end_of(&slow_t[tail.from_index..], &slow_v[tail.from_index..], rule.span_s);
        let (settled, settled_u) = end.unwrap_or((tail.mean, tail.u));
        let trace = Self {
            times_s,
            values,
            loads_s: Vec::new(),
            noise,
            settled,
            settled_u,
            approaches: false,
            loses_switched: false,
            zero_u,
            wander: (0.0, 0.0),
        };
        Ok(trace)
    }

    /// The share d of the time that the switch is on. All over the supply voltage, the mean output is d less (1 - d)
    /// times the freewheel drop `wheel`, less what the supply current loses in `on_ohm`; and nothing below.
    fn switched(&self, wheel: f64, on_ohm: f64) -> Self {
        let least = (6.0 * self.noise).max(0.004 * self.settled);
        let lost = |i: usize| self.loads_s.get(i).map_or(0.0, |siemens| on_ohm * siemens);
        let share = |(i, ratio): (usize, &f64)| (ratio + wheel + lost(i)) / (1.0 + wheel);
        let values: Vec<f64> =
            self.values.iter().enumerate().map(|v| if *v.1 > least { share(v) } else { 0.0 }).collect();
        let tail = values.len() - values.len() / 20 - 1;
        let settled = stats::mean(&values[tail..]).unwrap_or(self.settled);
        Self { values, times_s: self.times_s.clone(), loads_s: Vec::new(), settled, ..*self }
    }

    /// Begin of the rise by its fitted shape, seen through a freewheel drop of `wheel` (over the supply voltage, with its
    /// standard uncertainty) and an on-resistance; `None` where it is seen as it is.
    ///
    /// An S tells the drop by itself: it is one curve with the part that is seen at one drop alone. A straight ramp goes
    /// through any drop alike.
    pub(crate) fn hidden_begin(&self, visible: &RampFigures, wheel: (f64, f64), on_ohm: f64) -> Option<Hidden> {
        let hidden = wheel.0 / (1.0 + wheel.0);
        if visible.jump_share > 2.0 * hidden || matches!(visible.shape.name, "none" | "stepped") {
            return None;
        }
        let from = self.times_s.partition_point(|t| *t < visible.onset.at.t_s);
        let through = |wheel: f64| {
            let switched = self.switched(wheel, on_ohm);
            let (t, v) = (&switched.times_s[from..], &switched.values[from..]);
            // The jump out of nothing is the drop's own.
            let smooth = Onset { jump: 0.0, ..visible.onset };
            shape(t, v, switched.settled, &smooth, visible.t_90.t_s, visible.t_95.t_s)
        };
        let found = through(wheel.0);
        let (found, by_wheel_s) = if found.name == "s" {
            let unlike = |wheel: f64| -through(wheel).scatter;
            let best = golden_max(&unlike, 0.3 * wheel.0, 2.0 * wheel.0, 14);
            let fitted = through(best);
            // The drop at which the shape is off by a sixth more than at the best.
            let off = through(best + WHEEL_STEP);
            let curvature = (off.scatter.powi(2) - fitted.scatter.powi(2)).max(0.0).sqrt();
            let wheel_u =
                (0.4_f64.sqrt() * WHEEL_STEP * fitted.scatter / curvature.max(f64::MIN_POSITIVE)).min(wheel.1);
            let slope_s = (off.begin?.t_s - fitted.begin?.t_s) / WHEEL_STEP;
            (fitted, slope_s.abs() * wheel_u)
        } else {
            let by_wheel_s = through(wheel.0 + wheel.1).begin?.t_s - found.begin?.t_s;
            (found, by_wheel_s.abs())
        };
        found.begin.map(|at| Hidden { at, by_wheel_s, unlike: found.scatter })
    }

    /// First output after `edge_s`.
    pub(crate) fn onset(&self, edge_s: f64) -> Option<Onset> {
        let before = self.times_s.partition_point(|t| *t < edge_s);
        let base = stats::mean(&self.values[..before.max(1)])?;
        let from = before.saturating_sub(200);
        steps::onset(&self.times_s[from..], &self.values[from..], base, 0.12 * self.settled)
    }

    /// All figures of the rise.
    pub(crate) fn figures(&self, edge_s: f64) -> Option<RampFigures> {
        let onset = self.onset(edge_s)?;
        let from = self.times_s.partition_point(|t| *t < onset.at.t_s - 0.05);
        let (t, v) = (&self.times_s[from..], &self.values[from..]);
        let crossing = |share: f64| {
            // Enough neighbours that the noise of their mean is half a percent of the settled value.
            let width = (self.noise / (0.005 * self.settled)).powi(2).ceil().clamp(1.0, 41.0) as usize;
            steps::rising_through(t, v, share * self.settled, 0.03 * self.settled, width)
        };
        let jump_share = onset.jump / self.settled;
        let t_10 = if jump_share > 0.1 { onset.at } else { crossing(0.1)? };
        let (t_90, t_95) = (crossing(0.9)?, crossing(0.95)?);
        let shape = shape(t, v, self.settled, &onset, t_90.t_s, t_95.t_s);
        Some(RampFigures { onset, t_10, t_90, t_95, jump_share, shape })
    }

    /// The trace with the settled value that its rise leads to, and its figures: an exponential ramp is still on its way
    /// when it looks settled, and so may be, after any ramp, the current that the module loses some of its output to: `fan` tells
    /// of that.
    pub(crate) fn read(self, edge_s: f64, fan: Option<&MotorFit>) -> Option<(Self, RampFigures)> {
        let loses_switched = fan.is_some_and(MotorFit::loses_switched);
        let read = Self { loses_switched, ..self };
        let figures = read.figures(edge_s)?;
        let approach = Some(&figures).filter(|figures| figures.shape.name == "exponential");
        let found = approach.and_then(|figures| read.leads_to(figures));
        let (leads_to, settled_u) = found.unwrap_or((read.settled, read.settled_u));
        let left = fan.and_then(|fan| fan.left_share(leads_to)).filter(|left| left.abs() < LEFT_MOST).unwrap_or(0.0);
        let still = if read.loads_s.is_empty() { 0.0 } else { lost_at_end(leads_to) * left };
        if found.is_none() && still == 0.0 {
            return Some((read, figures));
        }
        let settled_u = settled_u.hypot(LEFT_SHARE * still);
        let trace = Self { settled: leads_to - still, settled_u, approaches: found.is_some(), ..read };
        let figures = trace.figures(edge_s)?;
        Some((trace, figures))
    }

    /// Where the exponential approach of the later part of the rise leads, with its uncertainty; `None` where that is
    /// not near.
    fn leads_to(&self, figures: &RampFigures) -> Option<(f64, f64)> {
        let length_s = figures.t_90.t_s - figures.t_10.t_s;
        let from = self.times_s.partition_point(|t| *t < figures.t_10.t_s + 0.3 * length_s);
        let step = ((self.times_s.len() - from) / 400).max(1);
        let (t, v) = thinned(self.times_s.get(from..)?, self.values.get(from..)?, step);
        let (begin_s, first) = (*t.first()?, *v.first()?);
        // What the module loses flat out goes with the current, which has a hump of its own in a start.
        let loads = match self.loads_s.get(from..) {
            Some(loads) if self.loads_s.len() == self.times_s.len() => thinned(&self.times_s[from..], loads, step).1,
            _ => vec![0.0; t.len()],
        };
        let last = stats::mean(&loads[loads.len() - (loads.len() / 20).max(1)..])?;
        let lost = if last > 0.0 { lost_at_end(self.settled) / last } else { 0.0 };
        let approach = |start: &[f64], n: usize| {
            fit::fit(start, n, |p, r| {
                for (((r, t), v), load) in r.iter_mut().zip(&t).zip(&v).zip(&loads) {
                    *r = v - p[0] - p[1] * (-(t - begin_s) / p[2].clamp(-7.0, 5.0).exp()).exp() + lost * (load - last);
                }
            })
        };
        let found = approach(&[self.settled, first - self.settled, (0.45 * length_s).ln()], t.len())?;
        // A module takes the last step at once: what it makes of the rise when there is next to nothing left is no approach.
        let left_s = found.params[2].exp() * (found.params[1].abs() / (APPROACH_ENDS * self.settled)).ln();
        let n = t.partition_point(|t| *t < begin_s + left_s);
        let before_it = (n >= APPROACH_LEAST).then(|| approach(&found.params, n)).flatten();
        let found = before_it.unwrap_or(found);
        let settled = found.params[0];
        let rest = settled - self.settled;
        // The residuals are the likeness of the shape more than noise: a fifth of them count.
        let u = (found.u(0) * 5.0_f64.sqrt()).hypot(APPROACH_SHARE * rest);
        (rest.abs() < 0.05 * self.settled).then_some((settled, u))
    }

    /// Share of the supply voltage that the module loses to its on-resistance while the output comes through `share` of the
    /// settled value at `t_s`: all the fan's current loses it there, or what of it the switch carries. 0 where it never was flat
    /// out or no current was recorded.
    pub(crate) fn lost_through(&self, share: f64, t_s: f64) -> f64 {
        let by_supply = self.lost_at(t_s);
        if self.loses_switched { by_supply } else { by_supply / share }
    }

    /// What the current of the supply would lose there.
    fn lost_at(&self, t_s: f64) -> f64 {
        let last = self.loads_s.last().copied().unwrap_or(0.0);
        if last <= 0.0 {
            return 0.0;
        }
        let at = self.times_s.partition_point(|t| *t < t_s).min(self.loads_s.len() - 1);
        let near = &self.loads_s[at.saturating_sub(10)..(at + 10).min(self.loads_s.len())];
        lost_at_end(self.settled) * stats::mean(near).unwrap_or(0.0).max(0.0) / last
    }

    /// What slow noise makes of the time at which the values cross `share` of the settled one, seconds: it is another at the
    /// crossing than where the values settled, and averages out at neither. Against the settled value a ratio moves with
    /// the supply's as much as with the output's.
    pub(crate) fn by_slow_noise(&self, figures: &RampFigures, share: f64) -> f64 {
        let (output, supply) = self.wander;
        let there = output.hypot(share * supply);
        let settled = share * output.hypot(supply);
        self.seconds_per_unit(figures, share) * (SECONDS_APART * (there * there + settled * settled)).sqrt()
    }

    /// What may come at once after the recording: the end of it is short of the settled value by that, and no more of an
    /// approach is taken in one last step.
    pub(crate) fn last_step(&self) -> f64 {
        let last = stats::mean(&self.values[self.values.len() - (self.values.len() / 50).max(1)..]);
        let left = last.filter(|_| self.approaches).map_or(0.0, |last| self.settled - last);
        left.clamp(0.0, APPROACH_ENDS * self.settled)
    }

    /// What is not known of the settled value beside slow noise. The change of a tail from one stretch to the next holds that
    /// noise too; where an approach leads is known as well as its shape.
    pub(crate) fn settled_beside_noise(&self) -> f64 {
        let (output, supply) = self.wander;
        let by_noise = (2.0 * SECONDS_APART).sqrt() * output.hypot(supply);
        if self.approaches { self.settled_u } else { (self.settled_u.powi(2) - by_noise.powi(2)).max(0.0).sqrt() }
    }

    /// What the zero of the values makes of the time from a crossing of `from` (`None` from the onset, which no zero moves) to
    /// one of `to`, seconds: it is taken from the settled value as well, and at a share of that only the rest of it counts.
    pub(crate) fn by_zero(&self, figures: &RampFigures, from: Option<f64>, to: f64) -> f64 {
        let moved = |share: f64| (1.0 - share) * self.seconds_per_unit(figures, share);
        (moved(to) - from.map_or(0.0, moved)).abs() * self.zero_u
    }

    /// Seconds by which a crossing of `share` moves when the values move by one unit.
    pub(crate) fn seconds_per_unit(&self, figures: &RampFigures, share: f64) -> f64 {
        let from = self.times_s.partition_point(|t| *t < figures.onset.at.t_s);
        let (t, v) = (&self.times_s[from..], &self.values[from..]);
        let at = |share: f64| steps::rising_through(t, v, share * self.settled, 0.02 * self.settled, 9).map(|i| i.t_s);
        // A step does not move with the level until that is at the next.
        let reach = if figures.shape.name == "stepped" { AT_A_STEP } else { 0.05 };
        let (low, high) = ((share - reach).max(0.02), (share + reach).min(0.98));
        match (at(low), at(high)) {
            (Some(a), Some(b)) => (b - a).max(0.0) / ((high - low) * self.settled),
            _ => 0.0,
        }
    }
}

/// What a module whose output settles at this ratio loses of the supply then, a share of it; 0 where it never was flat out.
fn lost_at_end(settled: f64) -> f64 {
    if settled > FLAT_OUT { (1.0 - settled).max(0.0) } else { 0.0 }
}

/// Whether single periods of a chopper show in the output of a start.
fn chops(output: &[(f64, f64)], edge_s: f64) -> bool {
    let before: Vec<f64> = output.iter().take_while(|(t_s, _)| *t_s < edge_s).map(|(_, volts)| *volts).collect();
    chop::shows(output, chop::OUTPUT_FALL, stats::robust_sigma(&before).unwrap_or(0.0))
}

/// Means of `count` neighbours each.
fn thinned(times_s: &[f64], values: &[f64], count: usize) -> (Vec<f64>, Vec<f64>) {
    let t = times_s.chunks_exact(count).filter_map(stats::mean).collect();
    let v = values.chunks_exact(count).filter_map(stats::mean).collect();
    (t, v)
}

/// Step of a freewheel drop over the supply voltage by which it is asked how well a shape tells it.
const WHEEL_STEP: f64 = 0.005;

/// A begin that a freewheel drop hides.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Hidden {
    pub(crate) at: Instant,
    /// What the uncertainty of the drop makes of it, seconds.
    pub(crate) by_wheel_s: f64,
    /// What the rise is off its shape where it is seen, share of settled.
    pub(crate) unlike: f64,
}

/// How the rise goes, and when it began by that shape.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Shape {
    pub(crate) name: &'static str,
    /// Begin of the fitted shape; `None` for steps and jumps, whose begin is seen.
    pub(crate) begin: Option<Instant>,
    /// Scatter about the fitted shape, share of settled.
    pub(crate) scatter: f64,
}

/// Which of the known shapes describes the rise best.
fn shape(t: &[f64], v: &[f64], settled: f64, onset: &Onset, t_90_s: f64, t_95_s: f64) -> Shape {
    let length_s = t_95_s - onset.at.t_s;
    let seen = |name| Shape { name, begin: None, scatter: 0.0 };
    if t_90_s - onset.at.t_s < NO_RAMP_S {
        return seen("none");
    }
    // The rise and as much again of what follows, in about 300 cells.
    let from = t.partition_point(|t| *t < onset.at.t_s + 0.01 * length_s);
    let to = t.partition_point(|t| *t < onset.at.t_s + 1.8 * length_s);
    let step = ((to - from) / 300).max(1);
    let (x, y) = thinned(&t[from..to], &v[from..to], step);
    let x: Vec<f64> = x.iter().map(|x| (x - onset.at.t_s) / length_s).collect();
    let y: Vec<f64> = y.iter().map(|y| y / settled).collect();
    if in_steps(&x, &y) {
        return seen("stepped");
    }
    let jump = onset.jump / settled;
    let jumps = jump > JUMP_SHAPE;
    let base = if jumps { jump } else { 0.0 };
    let best = [
        ("linear", model(&x, &y, base, |x| x.clamp(0.0, 1.0), 1.0)),
        ("exponential", model(&x, &y, base, |x| 1.0 - (-x.max(0.0)).exp(), 0.35)),
        ("s", model(&x, &y, base, |x| 0.5 - 0.5 * (std::f64::consts::PI * x.clamp(0.0, 1.0)).cos(), 1.1)),
    ]
    .into_iter()
    .filter_map(|(name, fit)| fit.map(|fit| (name, fit)))
    .min_by(|a, b| a.1.bic().total_cmp(&b.1.bic()));
    let Some((name, fit)) = best else { return seen("linear") };
    if jumps && name != "exponential" {
        return seen("jump_then_ramp");
    }
    // The residuals are the likeness of the shape more than noise: a tenth of them count.
    let u_s = fit.u(0) * length_s * 10.0_f64.sqrt();
    let begin = Instant::new(onset.at.t_s + fit.params[0] * length_s, u_s);
    let scatter = (fit.rss / fit.dof.max(1) as f64).sqrt();
    Shape { name, begin: (!jumps).then_some(begin), scatter }
}

/// Whether the rise happens in steps: nine tenths of it within a third of the cells of the rise.
fn in_steps(x: &[f64], y: &[f64]) -> bool {
    let end = x.partition_point(|x| *x < 1.0).min(y.len());
    let mut rises: Vec<f64> = y[..end].windows(2).map(|w| (w[1] - w[0]).max(0.0)).collect();
    if rises.len() < 40 {
        return false;
    }
    rises.sort_by(|a, b| b.total_cmp(a));
    let total: f64 = rises.iter().sum();
    let fast: f64 = rises[..rises.len() / 5].iter().sum();
    fast > 0.85 * total
}

/// A shape fitted by its begin and its length, after a base.
fn model(x: &[f64], y: &[f64], base: f64, rise: impl Fn(f64) -> f64, length: f64) -> Option<fit::Fit> {
    fit::fit(&[0.0, length], x.len(), |p, r| {
        for ((r, x), y) in r.iter_mut().zip(x).zip(y) {
            *r = y - base - (1.0 - base) * rise((x - p[0]) / p[1].abs().max(1e-3));
        }
    })
}

#[cfg(test)]
mod tests {
    use super::super::motor_fit;
    use super::super::signal::stats::tests::noise;
    use super::*;

    /// A start of 8 s at 1 kS/s, edge at 0.3 s, delay 40 ms.
    fn trace(rise: impl Fn(f64) -> f64, sigma: f64, seed: u64) -> Trace {
        let times: Vec<f64> = (0..8000).map(|i| f64::from(i) / 1000.0).collect();
        let e = noise(seed, 8000, sigma);
        let values = times.iter().zip(e).map(|(t, e)| if *t < 0.34 { e } else { rise(t - 0.34) + e }).collect();
        Trace::finish(times, values, 0.3, 1e-4).expect("a start")
    }

    fn check(rise: impl Fn(f64) -> f64, ramp_s: f64, shape: &str) {
        for seed in 0..5 {
            let trace = trace(&rise, 0.004, seed);
            let figures = trace.figures(0.3).expect("figures");
            let at = figures.onset.at;
            assert!((at.t_s - 0.34).abs() < 3.0 * at.u_s && at.u_s < 0.02, "{shape}: {figures:?}");
            let found_s = figures.t_90.t_s - figures.t_10.t_s;
            assert!((found_s - ramp_s).abs() < 0.01 * ramp_s + 0.002, "{shape}: {found_s} {figures:?}");
            assert_eq!(figures.shape.name, shape, "{figures:?}");
        }
    }

    #[test]
    fn each_shape_is_told_and_timed() {
        check(|t| (t / 3.0).min(1.0), 2.4, "linear");
        check(|t| 1.0 - (-t / 0.8).exp(), 0.8 * 9.0_f64.ln(), "exponential");
        let s_10 = (1.0 - 0.2_f64).acos() / std::f64::consts::PI;
        check(|t| 0.5 - 0.5 * (std::f64::consts::PI * (t / 3.0).min(1.0)).cos(), 3.0 * (1.0 - 2.0 * s_10), "s");
        check(
            |t| if t >= 3.0 { 1.0 } else { (((t * 8.0 / 3.0).floor() + 1.0) / 8.0).min(1.0) },
            7.0 / 8.0 * 3.0,
            "stepped",
        );
        check(|t| (0.2 + t / 3.0).min(1.0), 2.1, "jump_then_ramp");
        check(|_| 1.0, 0.0, "none");
    }

    #[test]
    fn the_settled_level_is_that_of_the_end_of_a_tail_that_still_creeps() {
        let times: Vec<f64> = (0..8000).map(|i| f64::from(i) / 1000.0).collect();
        // The fan gains the last of its speed for seconds after the ramp.
        let rise =
            |t: f64| if t < 0.34 { 0.0 } else { ((t - 0.34) / 3.0).min(0.98 - 0.004 * (-(t - 3.3) / 0.6).exp()) };
        let values = times.iter().map(|t| rise(*t)).zip(noise(5, 8000, 3e-4)).map(|(v, e)| v + e).collect();
        let trace = Trace::finish(times, values, 0.3, 1e-4).expect("a start");
        assert!((trace.settled - 0.98).abs() < 5e-5 && trace.settled_u < 1e-3, "{} {}", trace.settled, trace.settled_u);
    }

    #[test]
    fn an_s_tells_the_freewheel_drop_that_hides_its_begin() {
        let wheel = 0.043;
        let s = |t: f64| 0.5 - 0.5 * (std::f64::consts::PI * (t / 4.0).min(1.0)).cos();
        let trace = trace(|t| ((1.0 + wheel) * s(t) - wheel).max(0.0), 3e-4, 2);
        let figures = trace.figures(0.3).expect("figures");
        // The drop as somebody else takes it is a third off.
        let begin = trace.hidden_begin(&figures, (1.3 * wheel, 0.3 * wheel), 0.0).expect("hidden");
        assert!((begin.at.t_s - 0.34).abs() < 0.01 && begin.by_wheel_s < 0.02, "{begin:?}");
    }

    #[test]
    fn what_is_lost_at_a_tenth_goes_with_the_current_there() {
        let level = trace(|t| 0.98 * (t / 3.0).min(1.0), 3e-4, 6);
        assert_eq!(level.lost_at(0.64), 0.0, "no current was recorded");
        let loads_s = level.times_s.iter().map(|t| if *t < 1.0 { 0.8 } else { 1.6 }).collect();
        let level = Trace { loads_s, ..level };
        assert!((level.lost_at(0.64) - 0.01).abs() < 5e-4, "{}", level.lost_at(0.64));
        // The supply gives a tenth of what the fan draws: a second switch carries the rest, or a diode that loses nothing by it.
        assert!((level.lost_through(0.1, 0.64) - 0.1).abs() < 5e-3);
        let level = Trace { loses_switched: true, ..level };
        assert!((level.lost_through(0.1, 0.64) - 0.01).abs() < 5e-4);
    }

    #[test]
    fn slow_noise_moves_a_crossing_by_what_the_ramp_takes_to_rise_by_it() {
        let quiet = trace(|t| (t / 3.0).min(1.0), 3e-4, 7);
        let figures = quiet.figures(0.3).expect("figures");
        assert_eq!(quiet.by_slow_noise(&figures, 0.9), 0.0, "nothing wanders");
        let moved = Trace { wander: (1e-4, 1e-4), ..quiet }.by_slow_noise(&figures, 0.9);
        // Three seconds a unit; output at the crossing and settled, nine tenths of the supply at both.
        let expected_s = 3e-4 * (SECONDS_APART * (1.0 + 3.0 * 0.9_f64.powi(2))).sqrt();
        assert!((moved - expected_s).abs() < 0.02 * expected_s, "{moved} for {expected_s}");
    }

    #[test]
    fn a_zero_moves_a_crossing_by_what_is_not_in_the_settled_value_too() {
        let linear = trace(|t| (t / 3.0).min(1.0), 3e-4, 7);
        let figures = linear.figures(0.3).expect("figures");
        // Three seconds a unit and a zero of 1e-4: nine tenths of it at a tenth, a tenth at nine.
        let by_zero = |from| linear.by_zero(&figures, from, 0.9);
        assert!((by_zero(Some(0.1)) - 2.4e-4).abs() < 1e-5 && (by_zero(None) - 3e-5).abs() < 2e-6, "{}", by_zero(None));
        let unlike = Trace { settled_u: 5e-4, wander: (1e-4, 0.0), ..linear.clone() };
        let by_noise = 1e-4 * (4.0_f64 / 3.0).sqrt();
        assert!((unlike.settled_beside_noise().hypot(by_noise) - 5e-4).abs() < 1e-12, "more than noise makes");
        let explained = Trace { settled_u: by_noise, ..unlike };
        assert_eq!(explained.settled_beside_noise(), 0.0);
        assert_eq!(
            Trace { approaches: true, ..explained }.settled_beside_noise(),
            by_noise,
            "no noise that it ends elsewhere"
        );
    }

    #[test]
    fn a_level_between_two_steps_moves_nothing() {
        let steps = trace(|t| if t >= 3.0 { 1.0 } else { (((t * 8.0 / 3.0).floor() + 1.0) / 8.0).min(1.0) }, 3e-4, 9);
        let figures = steps.figures(0.3).expect("figures");
        assert_eq!(figures.shape.name, "stepped");
        assert!(steps.seconds_per_unit(&figures, 0.9) < 0.1, "{}", steps.seconds_per_unit(&figures, 0.9));
    }

    #[test]
    fn an_approach_is_doubted_by_what_is_left_of_it_at_the_end() {
        let read = |tau_s: f64| trace(|t| 1.0 - (-t / tau_s).exp(), 3e-4, 8).read(0.3, None).expect("a start").0;
        let (over, left) = (read(0.8), read(2.0));
        assert!((over.settled - 1.0).abs() < 3e-4 && over.settled_u < 3e-4, "{} {}", over.settled, over.settled_u);
        // A fortieth of the way is left of the slow one when the recording ends.
        assert!((left.settled - 1.0).abs() < left.settled_u, "{} {}", left.settled, left.settled_u);
        assert!((1e-3..5e-3).contains(&left.settled_u), "{}", left.settled_u);
        assert!((left.last_step() - 0.004).abs() < 1e-5, "a fiftieth is left: {}", left.last_step());
        assert!(over.last_step() < 3e-4, "{}", over.last_step());
        let there = trace(|t| (t / 3.0).min(1.0), 3e-4, 8).read(0.3, None).expect("a start").0;
        assert_eq!(there.last_step(), 0.0, "nothing approaches");
    }

    #[test]
    fn a_ramp_leads_to_what_the_module_still_loses_when_the_current_has_settled() {
        let start = motor_fit::tests::start_along(&|t| 1.0 - (-t / 0.9).exp(), 5);
        let fan = motor_fit::fit_start(&start, 0.0, 6.0, None).expect("a fit");
        let rises: [&dyn Fn(f64) -> f64; 2] = [&|t| 1.0 - (-t / 0.8).exp(), &|t| (t / 1.5).min(1.0)];
        for rise in rises {
            let read = |fan: Option<&MotorFit>| {
                let start = trace(|t| 0.998 * rise(t), 3e-4, 8);
                let loads_s = vec![1.6; start.times_s.len()];
                Trace { loads_s, ..start }.read(0.3, fan).expect("a start").0.settled
            };
            let (now, then) = (read(None), read(Some(&fan)));
            let left = fan.left_share(now).expect("fitted to the end");
            assert!((-LEFT_MOST..-1e-3).contains(&left), "its current still falls: {left}");
            assert!((then - now + (1.0 - now) * left).abs() < 1e-6 && then > now + 1e-6, "{now} {then}");
        }
    }

    #[test]
    fn an_approach_that_ends_in_one_last_step_leads_where_it_was_going() {
        // Within two thousandths of the end the module is there at once.
        let rise = |t: f64| Some(1.0 - (-t / 0.9_f64).exp()).filter(|v| *v < 0.998).unwrap_or(1.0);
        for seed in 0..4 {
            let (read, figures) = trace(rise, 3e-4, seed).read(0.3, None).expect("a start");
            assert!((read.settled - 1.0).abs() < 2e-4, "{}", read.settled);
            let ramp_s = figures.t_90.t_s - figures.t_10.t_s;
            assert!((ramp_s - 0.9 * 9.0_f64.ln()).abs() < 2e-3, "{ramp_s}");
        }
    }

    #[test]
    fn no_rise_and_no_settling_are_told_apart() {
        let times: Vec<f64> = (0..3000).map(|i| f64::from(i) / 1000.0).collect();
        let flat = noise(1, 3000, 0.01);
        assert_eq!(Trace::finish(times.clone(), flat, 0.3, 1e-3).err(), Some(Unreadable::NoRise));
        let rising = times.iter().map(|t| t / 3.0).collect();
        assert_eq!(Trace::finish(times, rising, 0.3, 1e-3).err(), Some(Unreadable::NotSettled));
    }
}
