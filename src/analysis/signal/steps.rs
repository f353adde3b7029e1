//! Steps and ramps: when a signal leaves its base, when it crosses a level, between which levels it goes.
//!
//! Reference levels and crossing times follow IEEE Std 181: levels are the modes of the lower and the upper half,
//! instants are found by interpolation.

use super::{fit, stats};

/// An instant with its standard uncertainty from noise.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Instant {
    /// Time, seconds.
    pub t_s: f64,
    /// Standard uncertainty, seconds.
    pub u_s: f64,
    /// Whether it lies anywhere between two values, evenly.
    pub even: bool,
    /// What the uncertainty is where the values are known to be means from one to the next rather than instants; `None` where
    /// that changes nothing.
    pub of_means_u_s: Option<f64>,
}

impl Instant {
    /// An instant told by noise.
    #[must_use]
    pub const fn new(t_s: f64, u_s: f64) -> Self {
        Self { t_s, u_s, even: false, of_means_u_s: None }
    }

    /// An instant anywhere between two values that are so far apart.
    #[must_use]
    pub fn between(t_s: f64, apart_s: f64) -> Self {
        Self { even: true, ..Self::new(t_s, apart_s / 12.0_f64.sqrt()) }
    }
}

/// Where a signal leaves its base, and how.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Onset {
    /// When.
    pub at: Instant,
    /// Height of the jump at that instant; 0 where the signal rises without one.
    pub jump: f64,
    /// Standard uncertainty of the jump.
    pub jump_u: f64,
    /// How far an error of the base moves it, as a multiple of how far it moves a crossing of the line from it to the end of what
    /// was fitted: the error is one more constant to the fit, and a rise takes that up by moving along where it is at its
    /// begin as steep as it is there, a pure curvature by twice as much. 0 of a jump.
    pub pivot: f64,
}

/// Reference levels of a two-level waveform by histogram: modes of the lower and upper half of its range.
///
/// `None` without spread. The levels are means of the values within one bin of each mode.
#[must_use]
pub fn reference_levels(values: &[f64]) -> Option<(f64, f64)> {
    const BINS: usize = 100;
    let low = values.iter().copied().filter(|v| v.is_finite()).fold(f64::INFINITY, f64::min);
    let high = values.iter().copied().filter(|v| v.is_finite()).fold(f64::NEG_INFINITY, f64::max);
    let width = (high - low) / BINS as f64;
    if !(width > 0.0 && width.is_finite()) {
        return None;
    }
    let bin = |v: f64| (((v - low) / width) as usize).min(BINS - 1);
    let mut counts = [0_usize; BINS];
    values.iter().filter(|v| v.is_finite()).for_each(|v| counts[bin(*v)] += 1);
    let mode = |from: usize, to: usize| (from..to).max_by_key(|i| counts[*i]).unwrap_or(from);
    let level = |mode: usize| {
        let near: Vec<f64> = values.iter().copied().filter(|v| v.is_finite() && bin(*v).abs_diff(mode) <= 1).collect();
        stats::mean(&near)
    };
    Some((level(mode(0, BINS / 2))?, level(mode(BINS / 2, BINS))?))
}

/// First instant at which `values` rise through `level`, judged on their moving mean over `width` values.
///
/// A parabola through the values within `band` of the level, as far on one side as on the other, gives the instant, so
/// that noise averages out and a ramp may bend; where fewer than six lie there (a step), the two values around it do.
#[must_use]
pub fn rising_through(times_s: &[f64], values: &[f64], level: f64, band: f64, width: usize) -> Option<Instant> {
    let n = times_s.len().min(values.len());
    let smooth = moving_mean(&values[..n], width);
    let first = (1..n).find(|&i| smooth[i - 1] < level && smooth[i] >= level)?;
    // As far on one side as on the other, or a bend near the level would pull the line.
    let near = |i: &usize| (smooth[*i] - level).abs() <= band;
    let below = (0..first).rev().take_while(near).count();
    let above = (first..n).take_while(near).count();
    let reach = below.min(above);
    let (a, b) = (first - reach, first + reach);
    if b - a >= 6.max(2 * width)
        && let Some(at) = by_parabola(&times_s[a..b], &values[a..b], level)
    {
        return Some(at);
    }
    // A step: the raw pair around the level that lies nearest to where the mean crosses.
    let pair = |i: &usize| values[i - 1] < level && values[*i] >= level;
    let around = (first.saturating_sub(width).max(1)..(first + width + 1).min(n)).filter(pair);
    let index = around.min_by_key(|i| i.abs_diff(first)).unwrap_or(first);
    Some(step_between_lines(times_s, values, index).unwrap_or_else(|| between(times_s, values, index, level)))
}

/// Where a parabola fitted to rising values reaches `level`; `None` where they do not rise clearly, or not to it.
fn by_parabola(times_s: &[f64], values: &[f64], level: f64) -> Option<Instant> {
    let line = stats::line(times_s, values).filter(|line| line.slope > 3.0 * line.slope_u)?;
    let half_s = 0.5 * (times_s[times_s.len() - 1] - times_s[0]);
    let x: Vec<f64> = times_s.iter().map(|t| (t - line.centre) / half_s).collect();
    let squares: Vec<f64> = x.iter().map(|x| x * x).collect();
    let off: Vec<f64> = values.iter().map(|v| v - level).collect();
    let (found, rss) = fit::linear(&[&vec![1.0; x.len()], &x, &squares], &off)?;
    let [height, slope, bend] = found[..] else { return None };
    // The root on the rising side, in the form that no small bend spoils.
    let root = slope * slope - 4.0 * height * bend;
    let at = (root >= 0.0 && slope > 0.0).then(|| -2.0 * height / (slope + root.sqrt()))?;
    let n = x.len() as f64;
    let left: Vec<f64> = off.iter().zip(&x).map(|(v, x)| v - height - x * (slope + x * bend)).collect();
    let scatter = stats::scatter_in_batches(&left, 3).unwrap_or_else(|| (rss / (n - 3.0)).sqrt());
    // The middle of a parabola has nine fourths of the variance of a mean.
    let u = 1.5 * scatter / n.sqrt() / (slope + 2.0 * bend * at).max(0.2 * slope);
    (at.abs() <= 1.0).then(|| Instant::new(line.centre + at * half_s, u * half_s))
}

/// Centred moving mean over `width` values (an even width counts one more), narrower at the ends.
fn moving_mean(values: &[f64], width: usize) -> Vec<f64> {
    let half = width / 2;
    if half == 0 {
        return values.to_vec();
    }
    let sums: Vec<f64> = std::iter::once(0.0)
        .chain(values.iter().scan(0.0, |sum, v| {
            *sum += v;
            Some(*sum)
        }))
        .collect();
    (0..values.len())
        .map(|i| {
            // The same number on both sides, or the ends of a ramp would be drawn inwards.
            let reach = half.min(i).min(values.len() - 1 - i);
            (sums[i + reach + 1] - sums[i - reach]) / (2 * reach + 1) as f64
        })
        .collect()
}

/// First instant at which `values` fall through `level`; as [`rising_through`].
#[must_use]
pub fn falling_through(times_s: &[f64], values: &[f64], level: f64, band: f64, width: usize) -> Option<Instant> {
    let turned: Vec<f64> = values.iter().map(|v| -v).collect();
    rising_through(times_s, &turned, -level, band, width)
}

/// When evenly spaced samples go from one of `levels` to the other, from samples of that step and little else: samples that
/// are means from one to the next keep the area under a step, whatever rounds its corners, so it came as long after the first
/// of them as they hold of the former level. `None` where the levels are the same.
#[must_use]
pub fn step_by_area(times_s: &[f64], values: &[f64], levels: (f64, f64)) -> Option<f64> {
    let height = levels.1 - levels.0;
    let n = times_s.len().min(values.len());
    if n < 2 || height == 0.0 {
        return None;
    }
    let spacing_s = (times_s[n - 1] - times_s[0]) / (n - 1) as f64;
    let held: f64 = values[..n].iter().map(|v| (levels.1 - v) / height).sum();
    Some(times_s[0] + spacing_s * (held - 0.5))
}

/// Values on either side of a step that may hold some of it, and those beyond, whose lines are the levels between which it is.
const STEP_REACH: usize = 4;
const STEP_LEVEL: usize = 20;
/// A step is at least so many times as high as its levels scatter.
const STEP_CLEAR: f64 = 10.0;
/// Share of its height by which a value may lie beyond a step.
const STEP_OVERSHOOT: f64 = 0.1;

/// How well the next two values tell what a step went to, as a share of its height.
const STEP_TOLD: f64 = 0.005;
/// What goes through a step between values that are no plain means (an input filter, instants beside each other) is to one of
/// them: standard uncertainty by that, in spacings.
const STEP_CORNER: f64 = 0.05;
/// Variance of the line before a step where it is carried on to it, over that of one of its values.
const STEP_CARRIED: f64 = 0.37;

/// The step around `index` by what the values there hold of the line before it and of what it went to; `None` where none stands
/// out of the lines before and after.
fn step_between_lines(times_s: &[f64], values: &[f64], index: usize) -> Option<Instant> {
    let n = times_s.len().min(values.len());
    let (from, to) = (index.checked_sub(STEP_REACH)?, index + STEP_REACH);
    let (first, last) = (from.checked_sub(STEP_LEVEL)?, to + STEP_LEVEL);
    if last > n {
        return None;
    }
    let before = stats::line(&times_s[first..from], &values[first..from])?;
    let after = stats::line(&times_s[to..last], &values[to..last])?;
    let height = after.at(times_s[index]) - before.at(times_s[index]);
    let spacing_s = (times_s[to - 1] - times_s[from]) / (to - from - 1) as f64;
    // Neither line may rise by much of the step itself: a steep ramp is none.
    let rises = (before.slope.abs() + after.slope.abs()) * spacing_s * (to - from) as f64;
    if height <= STEP_CLEAR * before.scatter.max(after.scatter).max(rises) {
        return None;
    }
    let held = |i: usize| (after.at(times_s[i]) - values[i]) / (after.at(times_s[i]) - before.at(times_s[i]));
    let held: Vec<f64> = (from..to).map(held).collect();
    // A fan that is switched off drags its voltage past what is left of it: the area is no longer that of the step alone.
    let alone = held.iter().all(|share| (-STEP_OVERSHOOT..=1.0 + STEP_OVERSHOOT).contains(share));
    // A step is between in one value at most; what is between in more is a steep ramp in few values.
    let between = held.iter().filter(|share| (STEP_OVERSHOOT..1.0 - STEP_OVERSHOOT).contains(*share)).count();
    if !alone || between > 1 {
        return None;
    }
    // The value that holds some of either level, and the one before it, which holds some of the new one where next to nothing of
    // the former is left in this.
    let within = from + held.iter().position(|share| *share < 1.0 - STEP_OVERSHOOT)?;
    // The current of a fan that is switched on has yet to flow, and the module loses nothing by it: where the step went to
    // before it did is on the line through the next two values.
    let (next, later) = (values[within + 1], values[within + 2]);
    let beyond = 1.0 - 0.5 * held[within - from];
    let level = next + (next - later) * beyond;
    let share = |i: usize| (level - values[i]) / (level - before.at(times_s[i]));
    let (of_before, of_this) = (share(within - 1), share(within));
    // Noise of the two values, of the line before them, and of the level as far as it counts.
    let scatter = (0.5 * (before.scatter.powi(2) + after.scatter.powi(2))).sqrt() / height;
    let counts = 1.0 - of_this;
    let squares = 2.0 + STEP_CARRIED * (of_before + of_this).powi(2) + (counts * (1.0 + beyond).hypot(beyond)).powi(2);
    let noise = scatter * squares.sqrt();
    let t_s = times_s[within] + spacing_s * (of_before + of_this - 1.5);
    let of_means_u_s = Some(spacing_s * noise.hypot(STEP_TOLD * counts));
    // A value in between shows that values hold what came before them; without one the step is anywhere between two.
    let apart = if between == 1 { STEP_CORNER } else { 1.0 / 12.0_f64.sqrt() };
    Some(Instant { t_s, u_s: spacing_s * noise.hypot(apart), even: between == 0, of_means_u_s })
}

/// The crossing of `level` between `index - 1` and `index` by interpolation.
fn between(times_s: &[f64], values: &[f64], index: usize, level: f64) -> Instant {
    let (t0, t1) = (times_s[index - 1], times_s[index]);
    let (v0, v1) = (values[index - 1], values[index]);
    let share = if v1 > v0 { ((level - v0) / (v1 - v0)).clamp(0.0, 1.0) } else { 0.5 };
    Instant::between(t0 + share * (t1 - t0), t1 - t0)
}

/// What the begin of a rise is unlike a parabola, as a share of the stretch that was fitted: where it is a corner, and what
/// comes on top where there is none, by the square of how much it bends.
const UNLIKE_CORNER: f64 = 0.0004;
const UNLIKE_BEND: f64 = 0.019;
/// Most by which a base is thought to move a begin, in [`Onset::pivot`].
const PIVOT_MOST: f64 = 4.0;
/// A jump is higher than what the rise after it makes of so many values.
const JUMP_CELLS: f64 = 4.0;

/// Where a signal that rests at `base` begins to rise: base up to an unknown instant, then a possible jump followed by
/// a parabola, fitted to the values from the start up to where they last lie under `upto`.
///
/// `None` when nothing rises above the noise. A jump is only stated when the fit without one is clearly worse and the rise
/// after it would take some values to make as much. The uncertainty is that of the instant in the fit; for a jump it is that
/// of what its values hold of either level, or anywhere between them.
#[must_use]
pub fn onset(times_s: &[f64], values: &[f64], base: f64, upto: f64) -> Option<Onset> {
    // A few values beyond, so that a step straight past the level still shows its height.
    let end = values.iter().position(|v| *v - base >= upto).map_or(values.len(), |i| i + 9);
    let (t, v) = (&times_s[..end.min(times_s.len())], &values[..end.min(times_s.len())]);
    if t.len() < 8 {
        return None;
    }
    let rise: Vec<f64> = v.iter().map(|v| v - base).collect();
    let quiet = stats::robust_sigma(&rise[..(rise.len() / 8).max(4)]).unwrap_or(0.0).max(1e-12);
    // The last stretch must stand clear of the noise.
    let reached = stats::mean(&rise[rise.len() - 2..])?;
    if reached < 4.0 * quiet {
        return None;
    }
    let n = rise.len() as f64;
    let floor = n * quiet * quiet * 1e-6;
    let criterion = |start: &Start| n * (start.rss + floor).ln() + start.shape.terms() * n.ln();
    let smooth = [Shape::Line, Shape::Square, Shape::Bent]
        .into_iter()
        .filter_map(|shape| best_start(t, &rise, shape))
        .min_by(|a, b| criterion(a).total_cmp(&criterion(b)))?;
    let jump = best_start(t, &rise, Shape::Jump)?;
    let gain = criterion(&smooth) - criterion(&jump);
    let spacing_s = (t[t.len() - 1] - t[0]) / (n - 1.0);
    let dof = (n - 4.0).max(1.0);
    // Of a ramp that begins at nothing a cell or two look like a jump, where its bend is no parabola's.
    let per_cell = (reached - jump.height) / jump.after as f64;
    if gain > 2.0 * n.ln() && jump.height > (4.0 * quiet).max(JUMP_CELLS * per_cell) {
        let jump_u = (jump.rss / dof).sqrt().max(quiet) / (jump.after.min(10) as f64).sqrt();
        // It came anywhere from the first cell on that holds some of it: of a begin that is no clean step that is one before.
        let first = (0..jump.index).rev().take_while(|i| rise[*i] > 4.0 * quiet).last().unwrap_or(jump.index);
        let cells = (jump.index - first + 1) as f64;
        let within = Instant::between(0.5 * (t[first] + jump.t_s), cells * spacing_s);
        let at = step_between_lines(times_s, values, jump.index).unwrap_or(within);
        return Some(Onset { at, jump: jump.height, jump_u, pivot: 0.0 });
    }
    let at = refine(t, &rise, &smooth, spacing_s, dof);
    let unlike = UNLIKE_CORNER + UNLIKE_BEND * smooth.bend * smooth.bend;
    let fitted_s = t[t.len() - 1] - at.t_s;
    // An error of the base moves the corner of a line as far as it moves a crossing; noise that makes such an error also hides a
    // bend of the rise, and with that begins lie three to four times as far off.
    let base_u = quiet / (smooth.index.max(1) as f64).sqrt();
    let by_base = 3.5 * base_u * fitted_s / upto;
    let u_s = at.u_s.hypot(unlike * fitted_s).hypot(by_base);
    Some(Onset { at: Instant { u_s, ..at }, jump: 0.0, jump_u: quiet, pivot: smooth.pivot })
}

#[derive(Clone, Copy, Debug)]
enum Shape {
    /// A slope from the start on.
    Line,
    /// A curvature from the start on, as of a soft S.
    Square,
    /// Slope and curvature.
    Bent,
    /// A jump, slope and curvature.
    Jump,
}

impl Shape {
    /// Coefficients beside the instant.
    const fn terms(self) -> f64 {
        match self {
            Self::Line | Self::Square => 1.0,
            Self::Bent => 2.0,
            Self::Jump => 3.0,
        }
    }
}

struct Start {
    shape: Shape,
    t_s: f64,
    index: usize,
    rss: f64,
    height: f64,
    /// Share of its bend in the rise, from 0 of a line to 1 of a curvature alone.
    bend: f64,
    /// See [`Onset::pivot`].
    pivot: f64,
    after: usize,
}

/// Start with the least squares among the sample times.
fn best_start(t: &[f64], rise: &[f64], shape: Shape) -> Option<Start> {
    // Sums of squares of everything before each index: the base's share of the residuals.
    let before: Vec<f64> = std::iter::once(0.0)
        .chain(rise.iter().scan(0.0, |sum, v| {
            *sum += v * v;
            Some(*sum)
        }))
        .collect();
    let last = t.len() - 5;
    let score = |index: usize| {
        let fitted = after_start(&t[index..], &rise[index..], t[index], shape)?;
        let Fitted { height, bend, pivot, rss } = fitted;
        Some(Start {
            shape,
            t_s: t[index],
            index,
            rss: before[index] + rss,
            height,
            bend,
            pivot,
            after: t.len() - index,
        })
    };
    let coarse = (last / 60).max(1);
    let least = |a: &Start, b: &Start| a.rss.total_cmp(&b.rss);
    let first = (0..=last).step_by(coarse).filter_map(score).min_by(least)?;
    let (from, to) = (first.index.saturating_sub(coarse), (first.index + coarse).min(last));
    (from..=to).filter_map(score).min_by(least)
}

/// Fit from a start on.
struct Fitted {
    /// Height at the start, share of the bend in the rise, and how far a base moves the start.
    height: f64,
    bend: f64,
    pivot: f64,
    /// Sum of squared residuals.
    rss: f64,
}

/// Fit from the start on.
///
/// The residual sum is what the normal equations leave of the squares; abscissae are scaled to the stretch, so that
/// nothing of it is lost to rounding.
fn after_start(t: &[f64], rise: &[f64], start_s: f64, shape: Shape) -> Option<Fitted> {
    let scale = 1.0 / (t[t.len() - 1] - start_s).max(f64::MIN_POSITIVE);
    let (mut powers, mut moments, mut squares) = ([0.0; 5], [0.0; 3], 0.0);
    for (t, y) in t.iter().zip(rise) {
        let x = (t - start_s) * scale;
        let xx = x * x;
        for (sum, value) in powers.iter_mut().zip([1.0, x, xx, xx * x, xx * xx]) {
            *sum += value;
        }
        for (sum, value) in moments.iter_mut().zip([*y, x * y, xx * y]) {
            *sum += value;
        }
        squares += y * y;
    }
    let terms: &[usize] = match shape {
        Shape::Line => &[1],
        Shape::Square => &[2],
        Shape::Bent => &[1, 2],
        Shape::Jump => &[0, 1, 2],
    };
    let normal: Vec<Vec<f64>> = terms.iter().map(|i| terms.iter().map(|j| powers[i + j]).collect()).collect();
    let right: Vec<f64> = terms.iter().map(|i| moments[*i]).collect();
    let found = fit::solve(&normal, &right)?;
    let explained: f64 = found.iter().zip(&right).map(|(c, r)| c * r).sum();
    let of = |power: usize| terms.iter().position(|term| *term == power).map_or(0.0, |i| found[i]);
    let pivot = match shape {
        Shape::Square => 2.0,
        // Steepest at its begin it moves least; what hardly rises there takes up no constant.
        _ => ((of(1) + of(2)) / of(1)).clamp(0.0, PIVOT_MOST),
    };
    let (slope, bend) = (of(1).abs(), of(2).abs());
    let bend = bend / (slope + bend).max(f64::MIN_POSITIVE);
    Some(Fitted { height: of(0), bend, pivot, rss: (squares - explained).max(0.0) })
}

/// Start of a smooth rise between the samples: vertex of a parabola through the sum of squares, whose curvature also
/// gives the uncertainty.
fn refine(t: &[f64], rise: &[f64], best: &Start, spacing_s: f64, dof: f64) -> Instant {
    let rss_at = |start_s: f64| {
        let index = t.partition_point(|t| *t < start_s).min(t.len() - 4);
        let base: f64 = rise[..index].iter().map(|v| v * v).sum();
        after_start(&t[index..], &rise[index..], start_s, best.shape).map(|fitted| base + fitted.rss)
    };
    // Wide enough that the sum of squares changes by more than its roughness.
    let variance = best.rss / dof;
    let step = (0..12)
        .map(|k| spacing_s * f64::from(1 << k))
        .find(|h| {
            rss_at(best.t_s + h).zip(rss_at(best.t_s - h)).is_some_and(|(a, b)| a + b - 2.0 * best.rss > 8.0 * variance)
        })
        .unwrap_or(spacing_s);
    let (Some(above), Some(below)) = (rss_at(best.t_s + step), rss_at(best.t_s - step)) else {
        return Instant::new(best.t_s, spacing_s);
    };
    let curvature = above - 2.0 * best.rss + below;
    if curvature <= 0.0 {
        return Instant::new(best.t_s, spacing_s);
    }
    let shift = (0.5 * (below - above) / curvature).clamp(-1.0, 1.0) * step;
    Instant::new(best.t_s + shift, (2.0 * variance / curvature).sqrt() * step)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::stats::tests::noise;
    use super::*;

    /// A signal at 1 kS/s for 2 s with noise.
    fn sampled(wave: impl Fn(f64) -> f64, sigma: f64, seed: u64) -> (Vec<f64>, Vec<f64>) {
        let t: Vec<f64> = (0..2000).map(|i| f64::from(i) / 1000.0).collect();
        let v = t.iter().zip(noise(seed, 2000, sigma)).map(|(t, e)| wave(*t) + e).collect();
        (t, v)
    }

    #[test]
    fn levels_of_a_step_are_its_modes() {
        let (_, v) = sampled(|t| if t < 1.2 { 0.5 } else { 9.5 }, 0.05, 1);
        let (low, high) = reference_levels(&v).expect("two levels");
        assert!((low - 0.5).abs() < 0.02 && (high - 9.5).abs() < 0.02, "{low} {high}");
        assert_eq!(reference_levels(&[1.0; 50]), None);
    }

    #[test]
    fn a_crossing_on_a_ramp_is_found_far_inside_the_noise_and_covers() {
        let covered = (0..200)
            .filter(|seed| {
                let (t, v) = sampled(|t| t / 2.0, 0.02, *seed);
                let at = rising_through(&t, &v, 0.5, 0.1, 20).expect("crosses");
                assert!((at.t_s - 1.0).abs() < 0.02, "{at:?}");
                (at.t_s - 1.0).abs() < 1.96 * at.u_s
            })
            .count();
        assert!((174..=199).contains(&covered), "{covered} of 200");
    }

    #[test]
    fn a_ramp_may_bend_where_it_crosses() {
        let (t, v) = sampled(|t| 1.0 - (-t / 0.5).exp(), 1e-4, 4);
        let at = rising_through(&t, &v, 0.9, 0.03, 3).expect("crosses");
        assert!((at.t_s - 0.5 * 10.0_f64.ln()).abs() < 1e-3, "{at:?}");
    }

    #[test]
    fn a_crossing_in_a_step_lies_between_its_two_samples() {
        let (t, v) = sampled(|t| if t < 0.7005 { 0.0 } else { 1.0 }, 1e-6, 3);
        let at = rising_through(&t, &v, 0.5, 0.05, 3).expect("crosses");
        assert!((at.t_s - 0.7005).abs() <= 0.0005 + 1e-9 && at.u_s < 4e-4, "{at:?}");
        let falling: Vec<f64> = v.iter().map(|v| 1.0 - v).collect();
        assert_eq!(
            falling_through(&t, &falling, 0.5, 0.05, 3).map(|i| (i.t_s * 1e6).round()),
            Some((at.t_s * 1e6).round())
        );
    }

    #[test]
    fn a_step_inside_a_mean_is_placed_by_its_area() {
        let spacing_s = 1e-3;
        let t: Vec<f64> = (0..80).map(|i| spacing_s * (f64::from(i) + 0.5)).collect();
        for step_s in [0.0401, 0.04043, 0.04077, 0.04098] {
            // Means over each spacing of a step from 0.862 to 0.985.
            let gone = |t: &f64| ((t - step_s) / spacing_s + 0.5).clamp(0.0, 1.0);
            let v: Vec<f64> = t.iter().map(|t| 0.862 + 0.123 * gone(t)).collect();
            for level in [0.89, 0.93, 0.96] {
                let at = rising_through(&t, &v, level, 0.03, 1).expect("crosses");
                assert!((at.t_s - step_s).abs() < 1e-6, "{at:?} for {step_s} at {level}");
                // With the step close to the edge of a mean that holds next to nothing of it, these could be instants.
                let hidden = (step_s - 0.0401).abs() < 1e-9 || (step_s - 0.04098).abs() < 1e-9;
                assert!(at.even == hidden && (at.u_s > 0.1 * spacing_s) == hidden, "{at:?} for {step_s}");
            }
            let falling: Vec<f64> = v[38..44].iter().map(|v| -v).collect();
            let at_s = step_by_area(&t[38..44], &falling, (-0.862, -0.985)).expect("steps");
            assert!((at_s - step_s).abs() < 1e-9, "{at_s} for {step_s}");
        }
        assert_eq!(step_by_area(&t, &[3.0; 80], (3.0, 3.0)), None, "no step");
        // Switched off in the middle of the cell of 40 ms: the fan's current holds its voltage under nothing for 0.3 ms.
        let off = |t: &f64| if *t < 0.0401 { -12.8 } else { -10.0 };
        let mut v: Vec<f64> = t.iter().map(off).collect();
        assert!(step_between_lines(&t, &v, 40).is_some());
        v[40] = -0.5 * 12.8 + 0.3 * 0.7 - 0.2 * 10.0;
        assert_eq!(step_between_lines(&t, &v, 40), None, "its area is not that of the step");
    }

    #[test]
    fn a_step_is_placed_by_what_it_went_to_before_the_current_flowed() {
        let (spacing_s, winding_s) = (1e-3, 1.4e-3);
        let t: Vec<f64> = (0..80).map(|i| spacing_s * (f64::from(i) + 0.5)).collect();
        for (i, step_s) in [0.0401, 0.04003, 0.04043, 0.04077, 0.04098].into_iter().enumerate() {
            // Up to a tenth; a fiftieth of that goes again as the current of the fan comes.
            let since = |t_s: f64| (t_s - step_s).max(0.0);
            let area = |t_s: f64| 0.1 * (since(t_s) + 0.02 * winding_s * (1.0 - (-since(t_s) / winding_s).exp()));
            let mean = |t_s: &f64| (area(t_s + 0.5 * spacing_s) - area(t_s - 0.5 * spacing_s)) / spacing_s;
            let v: Vec<f64> = t.iter().map(mean).zip(noise(i as u64, 80, 1e-5)).map(|(v, e)| v + e).collect();
            let at = onset(&t, &v, 0.0, 0.05).expect("steps").at;
            // By its whole area it came 0.03 ms early.
            assert!((at.t_s - step_s).abs() < 6e-6, "{at:?} for {step_s}");
            let of_means_u_s = at.of_means_u_s.unwrap_or(at.u_s);
            assert!((1e-6..8e-6).contains(&of_means_u_s), "{at:?} for {step_s}");
            // Instants beside each other may look the same.
            let apart_s = if at.even { spacing_s / 12.0_f64.sqrt() } else { STEP_CORNER * spacing_s };
            assert!((at.u_s / apart_s - 1.0).abs() < 0.01, "{at:?} for {step_s}");
        }
    }

    #[test]
    fn the_onset_of_a_ramp_is_where_it_leaves_the_base() {
        let covered = (0..100)
            .filter(|seed| {
                let (t, v) = sampled(|t| (t - 0.4321).max(0.0) / 3.0, 0.003, *seed);
                let onset = onset(&t, &v, 0.0, 0.25).expect("rises");
                assert!(onset.jump.abs() < 1e-9, "{onset:?}");
                assert!((onset.at.t_s - 0.4321).abs() < 0.02, "{onset:?}");
                (onset.at.t_s - 0.4321).abs() < 1.96 * onset.at.u_s
            })
            .count();
        assert!((86..=100).contains(&covered), "{covered} of 100");
    }

    #[test]
    fn a_jump_is_told_from_a_ramp_and_its_height_is_found() {
        let (t, v) = sampled(|t| if t < 0.3 { 0.0 } else { 0.15 + (t - 0.3) / 3.0 }, 0.003, 5);
        let onset = onset(&t, &v, 0.0, 0.4).expect("rises");
        assert!((onset.jump - 0.15).abs() < 0.005, "{onset:?}");
        assert!((onset.at.t_s - 0.3).abs() < 0.002, "{onset:?}");
    }

    #[test]
    fn a_steep_begin_that_bends_is_no_jump() {
        for seed in 0..30 {
            // Between two samples; the first of the rise lies above the noise.
            let (t, v) = sampled(|t| 1.0 - (-(t - 0.2995).max(0.0) / 1.2).exp(), 3e-4, seed);
            let onset = onset(&t, &v, 0.0, 0.12).expect("rises");
            assert!(onset.jump.abs() < 1e-9 && (onset.at.t_s - 0.2995).abs() < 3.0 * onset.at.u_s, "{seed}: {onset:?}");
        }
    }

    #[test]
    fn a_begin_is_doubted_by_how_much_it_bends() {
        let begin = |wave: &dyn Fn(f64) -> f64, seed| {
            let (t, v) = sampled(wave, 3e-4, seed);
            onset(&t, &v, 0.0, 0.12).expect("rises").at
        };
        for seed in 0..10 {
            let corner = begin(&|t| 1.0 - (-(t - 0.3).max(0.0) / 1.2).exp(), seed);
            assert!(corner.u_s < 4e-4 && (corner.t_s - 0.3).abs() < 3.0 * corner.u_s, "{seed}: {corner:?}");
            // An S whose very begin a diode hides.
            let s = |t: f64| 0.5 - 0.5 * (std::f64::consts::PI * ((t - 0.3) / 3.0).clamp(0.0, 1.0)).cos();
            let bent = begin(&|t| (1.04 * s(t) - 0.04).max(0.0), seed);
            let seen_s = 0.3 + 3.0 / std::f64::consts::PI * (1.0_f64 - 2.0 * 0.04 / 1.04).acos();
            assert!((bent.t_s - seen_s).abs() < 3.0 * bent.u_s, "{seed}: {bent:?} for {seen_s}");
            assert!(bent.u_s > 4.0 * corner.u_s, "{seed}: {bent:?} {corner:?}");
        }
    }

    #[test]
    fn noise_has_no_onset() {
        let (t, v) = sampled(|_| 0.0, 0.01, 6);
        assert_eq!(onset(&t, &v, 0.0, 0.25), None);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(32))]

        #[test]
        fn instants_move_with_time_and_not_with_gain(shift in -20.0..20.0_f64, gain in 0.1..10.0_f64) {
            let (t, v) = sampled(|t| (t - 0.5).max(0.0) / 2.0, 0.002, 7);
            let moved: Vec<f64> = t.iter().map(|t| t + shift).collect();
            let scaled: Vec<f64> = v.iter().map(|v| v * gain).collect();
            let a = rising_through(&t, &v, 0.4, 0.05, 10).expect("crosses");
            let b = rising_through(&moved, &scaled, 0.4 * gain, 0.05 * gain, 10).expect("crosses");
            prop_assert!((a.t_s + shift - b.t_s).abs() < 1e-6);
            let a = onset(&t, &v, 0.0, 0.3).expect("rises");
            let b = onset(&moved, &scaled, 0.0, 0.3 * gain).expect("rises");
            prop_assert!((a.at.t_s + shift - b.at.t_s).abs() < 1e-4);
        }
    }
}
