//! Non-linear least squares for small problems (up to about ten parameters): damped Gauss-Newton after Levenberg and
//! Marquardt with a second-order correction of each step, derivatives by central differences, all linear algebra by
//! Householder reflections of the Jacobian itself (its normal matrix would square the condition).
//!
//! Every step is checked to be finite; a fit that cannot be made is `None`, never a guess.

/// A fit that converged.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// Parameters at the minimum, in the order of the start.
    pub params: Vec<f64>,
    /// Their covariance, from the scatter of the residuals; rows in the same order.
    pub covariance: Vec<Vec<f64>>,
    /// Sum of squared residuals.
    pub rss: f64,
    /// Residuals less parameters.
    pub dof: usize,
}

impl Fit {
    /// Standard uncertainty of parameter `index` from the scatter; NaN outside.
    #[must_use]
    pub fn u(&self, index: usize) -> f64 {
        self.covariance.get(index).and_then(|row| row.get(index)).map_or(f64::NAN, |v| v.max(0.0).sqrt())
    }

    /// Bayesian information criterion up to a constant shared by fits of the same residuals: smaller is better.
    #[must_use]
    pub fn bic(&self) -> f64 {
        let n = (self.dof + self.params.len()) as f64;
        n * (self.rss.max(f64::MIN_POSITIVE) / n).ln() + self.params.len() as f64 * n.ln()
    }
}

/// Enough for valleys that bend; ordinary problems take about ten.
const ITERATIONS: usize = 1000;
/// Damping is raised a little when a step fails and lowered a lot when one succeeds: the path stays near the floor of the
/// valley instead of leaping over its walls into regions where the model has evaporated.
const RAISE: f64 = 3.0;
const LOWER: f64 = 0.1;
/// Damping to begin with: a start that is far off must not be left by a leap.
const CAUTIOUS: f64 = 10.0;
/// What is held of a column's former length from step to step: an effect that is gone for good is forgotten.
const FORGET: f64 = 0.5;
/// Longest correction relative to the step that it corrects (Transtrum and Sethna, 2012): beyond, the model bends too
/// much for the step to mean anything.
const BEND: f64 = 0.3;
/// Part of the step along which the bend is taken.
const PROBE: f64 = 0.1;

/// Minimises the sum of squares of what `residuals` writes for given parameters, starting from `start`.
///
/// `count` is the number of residuals; `residuals` fills a slice of that length. `None` when there are fewer residuals
/// than parameters, the start gives residuals that are not finite, or the parameters are not determined at the end.
#[must_use]
pub fn fit(start: &[f64], count: usize, mut residuals: impl FnMut(&[f64], &mut [f64])) -> Option<Fit> {
    let p = start.len();
    if p == 0 || count < p {
        return None;
    }
    let mut params = start.to_vec();
    let mut current = vec![0.0; count];
    residuals(&params, &mut current);
    let mut rss = sum_of_squares(&current)?;
    let mut jacobian = vec![vec![0.0; count]; p];
    let mut longest = vec![0.0; p];
    let (mut damping, mut trial) = (CAUTIOUS, vec![0.0; count]);
    for _ in 0..ITERATIONS {
        derivatives(&params, &mut residuals, &mut jacobian)?;
        let mut basis = Basis::of(&jacobian);
        for (longest, norm) in longest.iter_mut().zip(&basis.norms) {
            *longest = norm.max(FORGET * *longest);
        }
        basis.held.clone_from(&longest);
        let mut improved = false;
        while damping < 1e12 {
            let better = bent_step(&basis, &jacobian, &params, &current, damping, &mut residuals).and_then(|c| {
                residuals(&c, &mut trial);
                sum_of_squares(&trial).filter(|new| *new <= rss).map(|new| (c, new))
            });
            let Some((candidate, new)) = better else {
                damping *= RAISE;
                continue;
            };
            let settled = rss - new <= 1e-14 * rss && close(&params, &candidate);
            params = candidate;
            std::mem::swap(&mut current, &mut trial);
            (rss, improved) = (new, !settled);
            damping = (damping * LOWER).max(1e-14);
            break;
        }
        if !improved {
            break;
        }
    }
    derivatives(&params, &mut residuals, &mut jacobian)?;
    let dof = count - p;
    let variance = if dof > 0 { rss / dof as f64 } else { 0.0 };
    let inverse = Basis::of(&jacobian).inverse_normal()?;
    let covariance = inverse.into_iter().map(|row| row.into_iter().map(|v| v * variance).collect()).collect();
    Some(Fit { params, covariance, rss, dof })
}

/// The parameters after one damped step, corrected to second order for the bend of the model along it; `None` when the
/// step is not finite or bends too much.
fn bent_step(
    basis: &Basis,
    jacobian: &[Vec<f64>],
    params: &[f64],
    current: &[f64],
    damping: f64,
    residuals: &mut impl FnMut(&[f64], &mut [f64]),
) -> Option<Vec<f64>> {
    let step = basis.damped(current, damping)?;
    let at: Vec<f64> = params.iter().zip(&step).map(|(a, s)| a - PROBE * s).collect();
    let mut bend = vec![0.0; current.len()];
    residuals(&at, &mut bend);
    for (i, bend) in bend.iter_mut().enumerate() {
        let along: f64 = jacobian.iter().zip(&step).map(|(column, s)| column[i] * s).sum();
        *bend = 2.0 / PROBE * ((*bend - current[i]) / PROBE + along);
    }
    sum_of_squares(&bend)?;
    let correction = basis.damped(&bend, damping)?;
    let long = |v: &[f64]| v.iter().zip(&basis.held).map(|(v, norm)| (v * norm).powi(2)).sum::<f64>().sqrt();
    if long(&correction) > BEND * long(&step) {
        return None;
    }
    Some(params.iter().zip(&step).zip(&correction).map(|((a, s), c)| a - s - 0.5 * c).collect())
}

fn close(a: &[f64], b: &[f64]) -> bool {
    a.iter().zip(b).all(|(x, y)| (x - y).abs() <= 1e-9 * (x.abs() + y.abs()) + f64::MIN_POSITIVE)
}

fn sum_of_squares(values: &[f64]) -> Option<f64> {
    let sum: f64 = values.iter().map(|v| v * v).sum();
    sum.is_finite().then_some(sum)
}

/// Central differences, one row per parameter.
fn derivatives(
    params: &[f64],
    residuals: &mut impl FnMut(&[f64], &mut [f64]),
    jacobian: &mut [Vec<f64>],
) -> Option<()> {
    let mut shifted = params.to_vec();
    let mut below = vec![0.0; jacobian.first().map_or(0, Vec::len)];
    for (i, row) in jacobian.iter_mut().enumerate() {
        let h = 6e-6 * params[i].abs().max(1e-6);
        shifted[i] = params[i] - h;
        residuals(&shifted, &mut below);
        shifted[i] = params[i] + h;
        residuals(&shifted, row);
        shifted[i] = params[i];
        for (above, below) in row.iter_mut().zip(&below) {
            *above = (*above - below) / (2.0 * h);
        }
        sum_of_squares(row)?;
    }
    Some(())
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// Parameters whose columns keep less than this share of their length beside the others are not determined: central
/// differences carry no more digits.
const DEPENDENT: f64 = 1e-9;

/// A Jacobian with columns scaled to length one, as an orthogonal matrix times a triangular one.
struct Basis {
    /// Lengths of the columns.
    norms: Vec<f64>,
    /// The same, but not shorter than they have been lately on the way: a parameter that has lost its effect is held by the effect it had
    /// (Moré, 1978), else it would run away.
    held: Vec<f64>,
    /// Unit vectors of the reflections, each zero before its own row.
    mirrors: Vec<Vec<f64>>,
    /// The triangular part, column by column; the diagonal is last in each.
    triangle: Vec<Vec<f64>>,
}

impl Basis {
    fn of(jacobian: &[Vec<f64>]) -> Self {
        let norms: Vec<f64> = jacobian.iter().map(|column| dot(column, column).sqrt()).collect();
        let scaled =
            |(column, norm): (&Vec<f64>, &f64)| column.iter().map(|v| v / norm.max(f64::MIN_POSITIVE)).collect();
        Self::factored(jacobian.iter().zip(&norms).map(scaled).collect(), norms)
    }

    fn factored(columns: Vec<Vec<f64>>, norms: Vec<f64>) -> Self {
        let mut basis = Self { held: norms.clone(), norms, mirrors: Vec::new(), triangle: Vec::new() };
        for (i, mut column) in columns.into_iter().enumerate() {
            basis.turn(&mut column);
            let mut entries = column[..i].to_vec();
            let mut mirror = column;
            mirror[..i].fill(0.0);
            let length = dot(&mirror, &mirror).sqrt();
            let diagonal = if mirror[i] > 0.0 { -length } else { length };
            mirror[i] -= diagonal;
            let scale = 1.0 / dot(&mirror, &mirror).sqrt().max(f64::MIN_POSITIVE);
            mirror.iter_mut().for_each(|v| *v *= scale);
            entries.push(diagonal);
            basis.mirrors.push(mirror);
            basis.triangle.push(entries);
        }
        basis
    }

    /// Turns a vector into the basis.
    fn turn(&self, vector: &mut [f64]) {
        for (i, mirror) in self.mirrors.iter().enumerate() {
            let twice = 2.0 * dot(&mirror[i..], &vector[i..]);
            for (v, m) in vector[i..].iter_mut().zip(&mirror[i..]) {
                *v -= twice * m;
            }
        }
    }

    /// What the triangle turns into the first entries of `right`; `None` when it is singular.
    fn back(&self, right: &[f64]) -> Option<Vec<f64>> {
        let p = self.triangle.len();
        let mut solution = vec![0.0; p];
        for i in (0..p).rev() {
            let known: f64 = (i + 1..p).map(|j| self.triangle[j][i] * solution[j]).sum();
            solution[i] = (right[i] - known) / self.triangle[i][i];
        }
        solution.iter().all(|v| v.is_finite()).then_some(solution)
    }

    /// Least-squares solution for `right`, damped by this share of the held lengths.
    fn damped(&self, right: &[f64], damping: f64) -> Option<Vec<f64>> {
        let p = self.triangle.len();
        let mut turned = right.to_vec();
        self.turn(&mut turned);
        turned.truncate(p);
        turned.resize(2 * p, 0.0);
        let below = |(i, entries): (usize, &Vec<f64>)| {
            let mut column = entries.clone();
            column.resize(2 * p, 0.0);
            column[p + i] = damping.sqrt() * self.held[i] / self.norms[i].max(f64::MIN_POSITIVE);
            column
        };
        let stacked = Self::factored(self.triangle.iter().enumerate().map(below).collect(), Vec::new());
        stacked.turn(&mut turned);
        let mut step = stacked.back(&turned)?;
        for (value, norm) in step.iter_mut().zip(&self.norms) {
            *value /= norm;
        }
        step.iter().all(|v| v.is_finite()).then_some(step)
    }

    /// Inverse of the normal matrix; `None` when the columns depend on each other.
    fn inverse_normal(&self) -> Option<Vec<Vec<f64>>> {
        let p = self.triangle.len();
        let dependent = |(i, entries): (usize, &Vec<f64>)| entries[i].abs() < DEPENDENT;
        if self.norms.iter().any(|norm| *norm < f64::MIN_POSITIVE) || self.triangle.iter().enumerate().any(dependent) {
            return None;
        }
        let inverse: Vec<Vec<f64>> = (0..p)
            .map(|column| self.back(&(0..p).map(|i| if i == column { 1.0 } else { 0.0 }).collect::<Vec<_>>()))
            .collect::<Option<_>>()?;
        let entry = |i: usize, j: usize| {
            inverse.iter().map(|column| column[i] * column[j]).sum::<f64>() / (self.norms[i] * self.norms[j])
        };
        Some((0..p).map(|i| (0..p).map(|j| entry(i, j)).collect()).collect())
    }
}

/// Solves a small symmetric system, scaled by its diagonal, with pivoting; `None` when it is singular.
#[must_use]
pub fn solve(matrix: &[Vec<f64>], right: &[f64]) -> Option<Vec<f64>> {
    let n = right.len();
    let scale: Vec<f64> = (0..n).map(|i| 1.0 / matrix[i][i].abs().sqrt()).collect();
    if scale.iter().any(|s| !s.is_finite()) {
        return None;
    }
    let mut rows: Vec<Vec<f64>> = (0..n)
        .map(|i| {
            let scaled = (0..n).map(|j| matrix[i][j] * scale[i] * scale[j]);
            scaled.chain(std::iter::once(right[i] * scale[i])).collect()
        })
        .collect();
    for column in 0..n {
        let pivot = (column..n).max_by(|a, b| rows[*a][column].abs().total_cmp(&rows[*b][column].abs()))?;
        rows.swap(column, pivot);
        if rows[column][column].abs() < 1e-13 {
            return None;
        }
        let (above, below) = rows.split_at_mut(column + 1);
        let lead = &above[column];
        for row in below {
            let factor = row[column] / lead[column];
            for (value, lead) in row[column..].iter_mut().zip(&lead[column..]) {
                *value -= factor * lead;
            }
        }
    }
    let mut solution = vec![0.0; n];
    for i in (0..n).rev() {
        let known: f64 = (i + 1..n).map(|j| rows[i][j] * solution[j]).sum();
        solution[i] = (rows[i][n] - known) / rows[i][i];
    }
    for (value, scale) in solution.iter_mut().zip(&scale) {
        *value *= scale;
    }
    solution.iter().all(|v| v.is_finite()).then_some(solution)
}

/// Linear least squares: coefficients of the `columns` that best sum to `target`, with the sum of squared residuals.
///
/// Columns are as long as the target; `None` when they do not determine the coefficients.
#[must_use]
pub fn linear(columns: &[&[f64]], target: &[f64]) -> Option<(Vec<f64>, f64)> {
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
    let normal: Vec<Vec<f64>> = columns.iter().map(|a| columns.iter().map(|b| dot(a, b)).collect()).collect();
    let right: Vec<f64> = columns.iter().map(|a| dot(a, target)).collect();
    let coefficients = solve(&normal, &right)?;
    let rss = (0..target.len())
        .map(|i| {
            let sum: f64 = columns.iter().zip(&coefficients).map(|(column, c)| column[i] * c).sum();
            (target[i] - sum).powi(2)
        })
        .sum();
    Some((coefficients, rss))
}

#[cfg(test)]
mod tests {
    use super::super::stats::tests::noise;
    use super::*;

    /// Fits `model` to (x, y) from two starts and compares with the certified parameters and deviations.
    fn certified(
        data: &[(f64, f64)],
        model: impl Fn(&[f64], f64) -> f64,
        starts: [&[f64]; 2],
        params: &[f64],
        deviations: &[f64],
    ) {
        for start in starts {
            let found = fit(start, data.len(), |p, r| {
                for (r, (x, y)) in r.iter_mut().zip(data) {
                    *r = y - model(p, *x);
                }
            })
            .expect("a minimum");
            for (i, (value, sd)) in params.iter().zip(deviations).enumerate() {
                assert!((found.params[i] / value - 1.0).abs() < 1e-6, "{start:?}: {:?}", found.params);
                assert!((found.u(i) / sd - 1.0).abs() < 1e-4, "{start:?}: {}", found.u(i));
            }
        }
    }

    // NIST Statistical Reference Datasets, nonlinear regression (public domain).

    #[test]
    fn misra1a_comes_out_as_certified() {
        let x = [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0];
        let y = [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78];
        let data: Vec<(f64, f64)> = x.into_iter().zip(y).collect();
        certified(
            &data,
            |p, x| p[0] * (1.0 - (-p[1] * x).exp()),
            [&[500.0, 1e-4], &[250.0, 5e-4]],
            &[2.389_421_291_8e2, 5.501_564_318_1e-4],
            &[2.707_007_524_1, 7.266_868_843_6e-6],
        );
    }

    #[test]
    fn boxbod_comes_out_as_certified_from_the_near_start() {
        let data = [(1.0, 109.0), (2.0, 149.0), (3.0, 149.0), (5.0, 191.0), (7.0, 213.0), (10.0, 224.0)];
        certified(
            &data,
            |p, x| p[0] * (1.0 - (-p[1] * x).exp()),
            [&[100.0, 0.75], &[150.0, 0.6]],
            &[2.138_094_088_9e2, 5.472_374_854_2e-1],
            &[1.235_451_517_6e1, 1.045_599_323_7e-1],
        );
    }

    #[test]
    fn mgh09_comes_out_as_certified_from_the_near_start() {
        let x = [4.0, 2.0, 1.0, 0.5, 0.25, 0.167, 0.125, 0.1, 0.0833, 0.0714, 0.0625];
        let y = [0.1957, 0.1947, 0.1735, 0.16, 0.0844, 0.0627, 0.0456, 0.0342, 0.0323, 0.0235, 0.0246];
        let data: Vec<(f64, f64)> = x.into_iter().zip(y).collect();
        let near: &[f64] = &[0.25, 0.39, 0.415, 0.39];
        certified(
            &data,
            |p, x| p[0] * (x * x + x * p[1]) / (x * x + x * p[2] + p[3]),
            [near, near],
            &[1.928_069_345_8e-1, 1.912_823_287_3e-1, 1.230_565_069_3e-1, 1.360_623_306_8e-1],
            &[1.143_531_222_7e-2, 1.963_322_091_1e-1, 8.084_203_123_2e-2, 9.002_554_230_8e-2],
        );
    }

    #[test]
    fn intervals_from_the_covariance_cover_95_percent() {
        let covered = (0..200)
            .filter(|seed| {
                let e = noise(*seed, 80, 0.05);
                let y = |i: usize| 3.0 * (-(i as f64) / 20.0).exp() + e[i];
                let found = fit(&[1.0, 10.0], 80, |p, r| {
                    for (i, r) in r.iter_mut().enumerate() {
                        *r = y(i) - p[0] * (-(i as f64) / p[1]).exp();
                    }
                })
                .expect("a minimum");
                (found.params[1] - 20.0).abs() < 1.99 * found.u(1)
            })
            .count();
        assert!((178..=198).contains(&covered), "{covered} of 200");
    }

    #[test]
    fn what_cannot_be_fitted_is_refused() {
        assert_eq!(fit(&[], 3, |_, r| r.fill(1.0)), None);
        assert_eq!(fit(&[1.0, 2.0], 1, |_, r| r.fill(1.0)), None);
        assert_eq!(fit(&[1.0], 5, |_, r| r.fill(f64::NAN)), None);
        assert_eq!(fit(&[1.0, 1.0], 5, |p, r| r.fill(p[0])), None);
    }

    #[test]
    fn linear_coefficients_are_exact_on_exact_data() {
        let (a, b) = ([1.0, 2.0, 3.0, 4.0], [1.0, 1.0, 1.0, 1.0]);
        let target = [5.0, 7.0, 9.0, 11.0];
        let (c, rss) = linear(&[&a, &b], &target).expect("determined");
        assert!((c[0] - 2.0).abs() < 1e-12 && (c[1] - 3.0).abs() < 1e-12 && rss < 1e-20);
        assert_eq!(linear(&[&a, &a], &target), None);
    }
}
