//! Least-squares fits to a rising curve: with a plateau that begins at a knee, and smooth without one, compared by the
//! Bayesian information criterion. Abscissae and ordinates are the caller's; nothing here knows what they mean.

use crate::analysis::signal::stats;

/// Steps of the search for a knee or a decay length.
const STEPS: u32 = 100;
/// A plateau must be preferred to every smooth curve by this much of the criterion ("strong" on the usual scale).
const PREFERRED: f64 = 6.0;
/// The slope beyond the knee, uncertainty included, may be this share of the slope before it.
const FLAT: f64 = 0.12;
/// Scatter, as a share of the top, below which differences in fit mean nothing.
const FLOOR: f64 = 3e-4;

/// A point of a curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Point {
    pub(crate) x: f64,
    pub(crate) y: f64,
}

/// A knee with its plateau.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Knee {
    /// Where the plateau begins.
    pub(crate) x: f64,
    /// Ends of its 95 % profile interval.
    pub(crate) low: f64,
    pub(crate) high: f64,
    /// By how much it moves when the rise below it is taken as straight instead of bent, or the other way round.
    pub(crate) shape: f64,
    /// How far the points next to it lie off the corner, along the rise: its rounding.
    pub(crate) rounding: f64,
    /// Level of the plateau.
    pub(crate) plateau: f64,
}

/// What the curve shows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Found {
    /// A plateau that begins at a knee.
    Knee(Knee),
    /// No plateau, or none that a smooth curve would not explain as well.
    Smooth,
    /// Flat all along.
    Flat,
    /// Too few points to tell.
    TooFew,
}

/// Looks for a plateau in a rising curve. `bend` lets the ordinate be y + g y² with a fitted g before the fit, for
/// curves whose rise is bent by a square law.
pub(crate) fn plateau(points: &[Point], bend: bool) -> Found {
    let mut points = points.to_vec();
    points.sort_by(|a, b| a.x.total_cmp(&b.x));
    let (Some(first), Some(last)) = (points.first().copied(), points.last().copied()) else { return Found::TooFew };
    if distinct(&points) < 6 || last.x <= first.x {
        return Found::TooFew;
    }
    let top = points.iter().map(|p| p.y).fold(f64::NEG_INFINITY, f64::max);
    let least = points.iter().map(|p| p.y).fold(f64::INFINITY, f64::min);
    if top <= 0.0 || top - least < 0.02 * top {
        return Found::Flat;
    }
    let scale = Scale { x0: first.x, width: last.x - first.x, top };
    let unit: Vec<Point> = points.iter().map(|p| Point { x: (p.x - scale.x0) / scale.width, y: p.y / top }).collect();
    let bends: &[f64] = if bend { &[0.0, 0.1, 0.2, 0.35, 0.6, 1.0, 1.7, 3.0, 6.0] } else { &[0.0] };
    // A bent ordinate takes the place of a bent rise.
    let orders: &[usize] = if bend { &[1] } else { &[1, 2] };
    let shapes = bends.iter().flat_map(|&g| orders.iter().map(move |&order| (g, order)));
    let candidates: Vec<Hinge> = shapes.filter_map(|(g, order)| best_knee(&unit, g, order)).collect();
    let Some(hinge) = candidates.iter().min_by(|a, b| a.bic.total_cmp(&b.bic)) else { return Found::Smooth };
    let smooth = smooth_bic(&unit, bends);
    if smooth - hinge.bic < PREFERRED || !is_flat_beyond(&unit, hinge) {
        return Found::Smooth;
    }
    Found::Knee(describe(&unit, hinge, &candidates, &scale))
}

struct Scale {
    x0: f64,
    width: f64,
    top: f64,
}

/// A fitted plateau with rise of `order` 1 (straight) or 2 (bent) below the knee, in unit scales.
#[derive(Clone, Copy, Debug)]
struct Hinge {
    bend: f64,
    order: usize,
    knee: f64,
    plateau: f64,
    slope: f64,
    rss: f64,
    bic: f64,
}

fn distinct(sorted: &[Point]) -> usize {
    1 + sorted.windows(2).filter(|w| w[1].x - w[0].x > 1e-9).count()
}

/// Ordinate straightened by the bend, and the weight that turns its residual back into one of y.
fn bent(y: f64, g: f64) -> (f64, f64) {
    ((y + g * y * y) / (1.0 + g), ((1.0 + g) / (1.0 + 2.0 * g * y)).powi(2))
}

fn hinge_at(points: &[Point], g: f64, order: usize, knee: f64) -> Option<(Vec<f64>, f64)> {
    least_squares(points, g, |x| {
        let under = (x - knee).min(0.0);
        let mut row = [0.0; 4];
        row[0] = 1.0;
        row[1] = under;
        row[2] = under * under;
        (row, order + 1)
    })
}

fn best_knee(points: &[Point], g: f64, order: usize) -> Option<Hinge> {
    let rss = |knee: f64| hinge_at(points, g, order, knee).map_or(f64::INFINITY, |(_, rss)| rss);
    let step = 1.0 / f64::from(STEPS);
    let coarse = (1..STEPS).map(|i| f64::from(i) * step).min_by(|a, b| rss(*a).total_cmp(&rss(*b)))?;
    let knee = super::threshold_fit::golden_max(&|k| -rss(k), coarse - step, coarse + step, 20);
    let (terms, rss) = hinge_at(points, g, order, knee)?;
    let parameters = 2 + order + usize::from(g > 0.0);
    let bic = criterion(rss, points.len(), parameters);
    Some(Hinge { bend: g, order, knee, plateau: terms[0], slope: terms[1], rss, bic })
}

/// n ln(rss / n) + m ln n, with a floor to the scatter.
fn criterion(rss: f64, n: usize, parameters: usize) -> f64 {
    let count = n as f64;
    count * (rss / count + FLOOR * FLOOR).ln() + parameters as f64 * count.ln()
}

/// The best criterion of curves without a plateau: straight, quadratic, cubic, saturating exponential, and straight
/// after the bend.
fn smooth_bic(points: &[Point], bends: &[f64]) -> f64 {
    let n = points.len();
    let polynomial = |terms: usize, g: f64| {
        let fitted = least_squares(points, g, |x| ([1.0, x, x * x, x * x * x], terms));
        fitted.map_or(f64::INFINITY, |(_, rss)| criterion(rss, n, terms + usize::from(g > 0.0)))
    };
    let exponential = (1..40_u32).map(|i| {
        let length = 0.05 * f64::from(i);
        let fitted = least_squares(points, 0.0, |x| ([1.0, (-x / length).exp(), 0.0, 0.0], 2));
        fitted.map_or(f64::INFINITY, |(_, rss)| criterion(rss, n, 3))
    });
    let straightened = bends.iter().map(|&g| polynomial(2, g));
    (2..=4).map(|terms| polynomial(terms, 0.0)).chain(exponential).chain(straightened).fold(f64::INFINITY, f64::min)
}

/// Whether the points beyond the knee go on at a small share of the slope before it, uncertainty included.
fn is_flat_beyond(points: &[Point], hinge: &Hinge) -> bool {
    let beyond: Vec<&Point> = points.iter().filter(|p| p.x >= hinge.knee).collect();
    let (x, y): (Vec<f64>, Vec<f64>) = beyond.iter().map(|p| (p.x, bent(p.y, hinge.bend).0)).unzip();
    let count = 1 + x.windows(2).filter(|w| w[1] - w[0] > 1e-9).count();
    let below = points.iter().filter(|p| p.x < hinge.knee).count();
    let Some(line) = stats::line(&x, &y).filter(|_| count >= 3 && below >= 3) else { return false };
    // The few points beyond the knee may scatter little by chance: the scatter of the whole fit stands for theirs.
    let freedom = (points.len() as f64 - 2.0 - hinge.order as f64).max(1.0);
    let scatter = (hinge.rss / freedom).sqrt().max(FLOOR);
    let centre = stats::mean(&x).unwrap_or(0.0);
    let slope_u = scatter / x.iter().map(|x| (x - centre).powi(2)).sum::<f64>().sqrt();
    hinge.slope > 0.0 && line.slope.abs() + stats::k95(freedom) * slope_u < FLAT * hinge.slope
}

/// Interval of the knee by profile (an F test against the best), and its move under the other shape of rise.
fn describe(points: &[Point], hinge: &Hinge, candidates: &[Hinge], scale: &Scale) -> Knee {
    let freedom = (points.len() as f64 - 2.0 - hinge.order as f64).max(1.0);
    let floor = points.len() as f64 * FLOOR * FLOOR;
    let limit = (hinge.rss + floor) * (1.0 + stats::k95(freedom).powi(2) / freedom) - floor;
    let inside = |knee: f64| hinge_at(points, hinge.bend, hinge.order, knee).is_some_and(|(_, rss)| rss <= limit);
    let walk = |sign: f64| {
        let (mut near, mut far) = (0.0, 0.002);
        while far < 1.0 && inside(hinge.knee + sign * far) {
            near = far;
            far *= 2.0;
        }
        for _ in 0..16 {
            let middle = f64::midpoint(near, far);
            if inside(hinge.knee + sign * middle) { near = middle } else { far = middle }
        }
        far
    };
    // Another shape counts when the points do not rule it out.
    let shape = candidates
        .iter()
        .filter(|other| other.bic - hinge.bic < PREFERRED)
        .map(|other| (other.knee - hinge.knee).abs())
        .fold(0.0, f64::max);
    let x = |unit: f64| scale.x0 + unit * scale.width;
    let plateau: Vec<f64> = points.iter().filter(|p| p.x >= hinge.knee).map(|p| p.y).collect();
    Knee {
        x: x(hinge.knee),
        low: x(hinge.knee - walk(-1.0)),
        high: x(hinge.knee + walk(1.0)),
        shape: shape * scale.width,
        rounding: rounding(points, hinge) * scale.width,
        plateau: stats::mean(&plateau).unwrap_or(hinge.plateau) * scale.top,
    }
}

/// Largest distance of the two points on either side of the knee from the corner, over the slope of the rise.
fn rounding(points: &[Point], hinge: &Hinge) -> f64 {
    let Some((terms, _)) = hinge_at(points, hinge.bend, hinge.order, hinge.knee) else { return 0.0 };
    let at = points.partition_point(|p| p.x < hinge.knee);
    let next = &points[at.saturating_sub(2)..(at + 2).min(points.len())];
    let off = |p: &Point| {
        let under = (p.x - hinge.knee).min(0.0);
        let fitted = terms.iter().rev().fold(0.0, |sum, term| sum * under + term);
        (bent(p.y, hinge.bend).0 - fitted).abs()
    };
    next.iter().map(off).fold(0.0, f64::max) / hinge.slope.abs().max(f64::MIN_POSITIVE)
}

/// Weighted least squares of the bent ordinates on up to four terms: coefficients and residual sum in units of y².
fn least_squares(points: &[Point], g: f64, terms: impl Fn(f64) -> ([f64; 4], usize)) -> Option<(Vec<f64>, f64)> {
    let mut normal = [[0.0; 5]; 4];
    let mut size = 0;
    for point in points {
        let (row, count) = terms(point.x);
        let (y, weight) = bent(point.y, g);
        size = count;
        for i in 0..count {
            for j in 0..count {
                normal[i][j] += weight * row[i] * row[j];
            }
            normal[i][4] += weight * row[i] * y;
        }
    }
    let solution = solve(normal, size)?;
    let rss = points
        .iter()
        .map(|point| {
            let (row, _) = terms(point.x);
            let (y, weight) = bent(point.y, g);
            let fitted: f64 = solution.iter().zip(row).map(|(a, b)| a * b).sum();
            weight * (y - fitted).powi(2)
        })
        .sum();
    Some((solution, rss))
}

/// Gauss elimination with pivoting of the first `size` rows, right side in column 4; `None` when singular.
fn solve(mut rows: [[f64; 5]; 4], size: usize) -> Option<Vec<f64>> {
    for i in 0..size {
        let pivot = (i..size).max_by(|&a, &b| rows[a][i].abs().total_cmp(&rows[b][i].abs()))?;
        rows.swap(i, pivot);
        if rows[i][i].abs() < 1e-13 {
            return None;
        }
        for j in i + 1..size {
            let factor = rows[j][i] / rows[i][i];
            let above = rows[i];
            for (value, upper) in rows[j].iter_mut().zip(above).skip(i) {
                *value -= factor * upper;
            }
        }
    }
    let mut solution = vec![0.0; size];
    for i in (0..size).rev() {
        let known: f64 = (i + 1..size).map(|j| rows[i][j] * solution[j]).sum();
        solution[i] = (rows[i][4] - known) / rows[i][i];
    }
    Some(solution)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::signal::stats::tests::noise;

    fn curve(f: impl Fn(f64) -> f64, sigma: f64, step: f64, seed: u64) -> Vec<Point> {
        let count = (80.0 / step) as usize + 1;
        let noise = noise(seed, count, sigma);
        (0..count)
            .map(|i| {
                let x = 20.0 + step * i as f64;
                Point { x, y: f(x) + noise[i] }
            })
            .collect()
    }

    #[test]
    fn a_knee_is_found_where_it_is_as_often_as_stated() {
        let truth = 83.7;
        let mut held = 0;
        for seed in 0..60 {
            let points = curve(|x| (x / truth).min(1.0), 0.003, 4.0, seed);
            let Found::Knee(knee) = plateau(&points, false) else { panic!("no knee for seed {seed}") };
            assert!((knee.x - truth).abs() < 1.0, "{knee:?}");
            assert!((knee.plateau - 1.0).abs() < 0.01);
            held += u32::from(knee.low <= truth && truth <= knee.high);
        }
        // 57 of 60 expected; below 50 has a chance under 1 in 1000 (binomial).
        assert!(held >= 50, "{held} of 60");
    }

    #[test]
    fn a_bent_rise_under_a_plateau_still_gives_the_knee() {
        let points =
            curve(|x| if x < 80.0 { 1.0 - 0.012 * (80.0 - x) - 4e-5 * (80.0 - x).powi(2) } else { 1.0 }, 0.001, 4.0, 5);
        let Found::Knee(knee) = plateau(&points, false) else { panic!("no knee") };
        assert!((knee.x - 80.0).abs() < 1.0, "{knee:?}");
    }

    #[test]
    fn concave_curves_without_a_plateau_show_none() {
        for seed in 0..20 {
            for sigma in [0.001, 0.01, 0.02] {
                let exponential = curve(|x| 1.0 - (-(x - 15.0) / 25.0).exp(), sigma, 2.0, seed);
                assert_eq!(plateau(&exponential, false), Found::Smooth, "exponential, {sigma}, {seed}");
                assert_eq!(plateau(&exponential, true), Found::Smooth, "exponential as speed, {sigma}, {seed}");
                let root = curve(|x| (x / 100.0).sqrt(), sigma, 2.0, seed);
                assert_eq!(plateau(&root, false), Found::Smooth, "root, {sigma}, {seed}");
                assert_eq!(plateau(&root, true), Found::Smooth, "root as speed, {sigma}, {seed}");
            }
        }
    }

    #[test]
    fn a_straight_rise_a_flat_line_and_few_points_are_told_apart() {
        assert_eq!(plateau(&curve(|x| x / 100.0, 0.002, 4.0, 1), false), Found::Smooth);
        assert_eq!(plateau(&curve(|_| 0.98, 0.002, 4.0, 1), false), Found::Flat);
        assert_eq!(plateau(&curve(|x| x / 100.0, 0.0, 40.0, 1), false), Found::TooFew);
    }

    #[test]
    fn a_square_law_fan_on_a_saturating_module_is_straightened() {
        // V = w + 1.5 w², V linear in duty up to 85 %.
        let speed = |x: f64| {
            let volts = 2.5 * (x / 85.0).min(1.0);
            (-1.0 + (1.0 + 6.0 * volts).sqrt()) / 3.0
        };
        for seed in 0..10 {
            let Found::Knee(knee) = plateau(&curve(speed, 0.002, 4.0, seed), true) else { panic!("no knee") };
            assert!((knee.x - 85.0).abs() < 2.0, "{knee:?}");
        }
    }

    #[test]
    fn scaling_both_axes_scales_the_knee() {
        let base = curve(|x| (x / 70.0).min(1.0), 0.002, 4.0, 9);
        let scaled: Vec<Point> = base.iter().map(|p| Point { x: 2.0 * p.x + 7.0, y: 13.0 * p.y }).collect();
        let (Found::Knee(a), Found::Knee(b)) = (plateau(&base, false), plateau(&scaled, false)) else {
            panic!("no knee")
        };
        assert!((2.0 * a.x + 7.0 - b.x).abs() < 1e-6, "{a:?} {b:?}");
    }
}
