//! Non-linear least squares for small problems (up to about eight parameters): damped Gauss-Newton after Levenberg and
//! Marquardt, derivatives by central differences, covariance from the normal matrix.
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

const ITERATIONS: usize = 200;

/// Minimises the sum of squares of what `residuals` writes for given parameters, starting from `start`.
///
/// `count` is the number of residuals; `residuals` fills a slice of that length. `None` when there are fewer residuals
/// than parameters, the start gives residuals that are not finite, or the normal matrix is singular at the end.
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
    let (mut damping, mut trial) = (1e-3, vec![0.0; count]);
    for _ in 0..ITERATIONS {
        derivatives(&params, &mut residuals, &mut jacobian)?;
        let (normal, gradient) = normal_equations(&jacobian, &current);
        let mut improved = false;
        while damping < 1e12 {
            let step = damped_step(&normal, &gradient, damping);
            let candidate: Option<Vec<f64>> = step.map(|s| params.iter().zip(&s).map(|(a, b)| a - b).collect());
            let better = candidate.and_then(|c| {
                residuals(&c, &mut trial);
                sum_of_squares(&trial).filter(|new| *new <= rss).map(|new| (c, new))
            });
            let Some((candidate, new)) = better else {
                damping *= 8.0;
                continue;
            };
            let settled = rss - new <= 1e-14 * rss && close(&params, &candidate);
            params = candidate;
            std::mem::swap(&mut current, &mut trial);
            (rss, improved) = (new, !settled);
            damping = (damping * 0.2).max(1e-14);
            break;
        }
        if !improved {
            break;
        }
    }
    derivatives(&params, &mut residuals, &mut jacobian)?;
    let (normal, _) = normal_equations(&jacobian, &current);
    let dof = count - p;
    let variance = if dof > 0 { rss / dof as f64 } else { 0.0 };
    let inverse = invert(&normal)?;
    let covariance = inverse.into_iter().map(|row| row.into_iter().map(|v| v * variance).collect()).collect();
    Some(Fit { params, covariance, rss, dof })
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

/// JᵀJ and Jᵀr.
fn normal_equations(jacobian: &[Vec<f64>], residuals: &[f64]) -> (Vec<Vec<f64>>, Vec<f64>) {
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
    let normal = jacobian.iter().map(|a| jacobian.iter().map(|b| dot(a, b)).collect()).collect();
    (normal, jacobian.iter().map(|row| dot(row, residuals)).collect())
}

fn damped_step(normal: &[Vec<f64>], gradient: &[f64], damping: f64) -> Option<Vec<f64>> {
    let mut damped = normal.to_vec();
    for (i, row) in damped.iter_mut().enumerate() {
        row[i] *= 1.0 + damping;
    }
    solve(&damped, gradient)
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

fn invert(matrix: &[Vec<f64>]) -> Option<Vec<Vec<f64>>> {
    let n = matrix.len();
    (0..n)
        .map(|column| {
            let unit: Vec<f64> = (0..n).map(|i| if i == column { 1.0 } else { 0.0 }).collect();
            solve(matrix, &unit)
        })
        .collect()
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
