//! Levenberg–Marquardt on a residual function, with the covariance of the result.
//!
//! Residuals are whitened by the caller (divided by their standard deviation), so that the covariance of the parameters is the inverse of JᵀJ
//! (JCGM 102:2011, 6.2; first order).

use nalgebra::{DMatrix, DVector};

/// Every choice of the solver.
#[derive(Debug, Clone)]
pub struct Options {
    /// At most this many steps.
    pub max_steps: usize,
    /// Stop when a step lowers the cost by less than this fraction.
    pub cost_tolerance: f64,
    /// Step of the numeric derivative, relative to `scale` of the parameter.
    pub derivative_step: f64,
    /// First damping.
    pub damping: f64,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            max_steps: 60,
            cost_tolerance: 1e-9,
            derivative_step: 1e-6,
            damping: 1e-3,
        }
    }
}

/// The result of a fit.
#[derive(Debug, Clone)]
pub struct Solution {
    /// Parameters.
    pub x: DVector<f64>,
    /// Their covariance, (JᵀJ)⁻¹; infinite entries where the data leave a parameter free.
    pub covariance: DMatrix<f64>,
    /// Sum of squared whitened residuals.
    pub cost: f64,
    /// Jacobian of the whitened residuals at the result.
    pub jacobian: DMatrix<f64>,
    /// Whether the steps settled.
    pub converged: bool,
}

/// Numeric Jacobian of `residuals` at `x` by central differences.
pub fn jacobian(residuals: &impl Fn(&DVector<f64>) -> DVector<f64>, x: &DVector<f64>, step: f64) -> DMatrix<f64> {
    let mut columns = Vec::with_capacity(x.len());
    for i in 0..x.len() {
        let h = step * x[i].abs().max(1.0);
        let mut forward = x.clone();
        forward[i] += h;
        let mut back = x.clone();
        back[i] -= h;
        columns.push((residuals(&forward) - residuals(&back)) / (2.0 * h));
    }
    DMatrix::from_columns(&columns)
}

/// Minimises the sum of squares of `residuals` from `x0`.
pub fn solve(residuals: impl Fn(&DVector<f64>) -> DVector<f64>, x0: DVector<f64>, options: &Options) -> Solution {
    let mut x = x0;
    let mut r = residuals(&x);
    let mut cost = r.norm_squared();
    let mut damping = options.damping;
    let mut converged = false;
    let mut j = jacobian(&residuals, &x, options.derivative_step);
    for _ in 0..options.max_steps {
        let normal = j.transpose() * &j;
        let gradient = j.transpose() * &r;
        let mut accepted = false;
        for _ in 0..12 {
            let mut damped = normal.clone();
            for i in 0..damped.nrows() {
                damped[(i, i)] += damping * normal[(i, i)].max(1e-12);
            }
            let Some(step) = damped.cholesky().map(|c| c.solve(&gradient)) else {
                damping *= 10.0;
                continue;
            };
            let candidate = &x - &step;
            let candidate_r = residuals(&candidate);
            let candidate_cost = candidate_r.norm_squared();
            if candidate_cost.is_finite() && candidate_cost <= cost {
                let gain = cost - candidate_cost;
                x = candidate;
                r = candidate_r;
                converged = gain <= options.cost_tolerance * (cost + 1e-12);
                cost = candidate_cost;
                damping = (damping * 0.2).max(1e-12);
                accepted = true;
                break;
            }
            damping *= 6.0;
        }
        j = jacobian(&residuals, &x, options.derivative_step);
        if !accepted {
            converged = true;
        }
        if converged {
            break;
        }
    }
    let covariance = invert_information(&(j.transpose() * &j));
    Solution {
        x,
        covariance,
        cost,
        jacobian: j,
        converged,
    }
}

/// Inverse of a symmetric positive semi-definite information matrix; directions the data leave free get a variance of 1e12.
pub fn invert_information(information: &DMatrix<f64>) -> DMatrix<f64> {
    // Scale to a unit diagonal first, so that the cut-off does not depend on the units.
    let n = information.nrows();
    let scale = DVector::from_fn(n, |i, _| {
        let d = information[(i, i)];
        if d > 0.0 {
            1.0 / d.sqrt()
        } else {
            1.0
        }
    });
    let scaled = DMatrix::from_fn(n, n, |i, k| information[(i, k)] * scale[i] * scale[k]);
    let eigen = scaled.symmetric_eigen();
    let mut inverse = DMatrix::zeros(n, n);
    for (k, value) in eigen.eigenvalues.iter().enumerate() {
        let v = eigen.eigenvectors.column(k);
        let variance = if *value > 1e-13 { 1.0 / value } else { 1e12 };
        inverse += variance * v * v.transpose();
    }
    DMatrix::from_fn(n, n, |i, k| inverse[(i, k)] * scale[i] * scale[k])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn recovers_a_line_and_its_covariance() {
        // Straight-line fit with known variances: closed form of Press et al., Numerical Recipes (3rd ed.), eqs. 15.2.6 and 15.2.9.
        let t: Vec<f64> = (0..8).map(f64::from).collect();
        let y: Vec<f64> = t.iter().map(|t| 2.0 + 0.5 * t + 0.1 * (7.0 * t).sin()).collect();
        let sd = 0.3;
        let solution = solve(
            |x| DVector::from_fn(8, |i, _| (x[0] + x[1] * t[i] - y[i]) / sd),
            DVector::from_vec(vec![0.0, 0.0]),
            &Options::default(),
        );
        let s = 8.0 / (sd * sd);
        let sx: f64 = t.iter().sum::<f64>() / (sd * sd);
        let sxx: f64 = t.iter().map(|t| t * t).sum::<f64>() / (sd * sd);
        let sy: f64 = y.iter().sum::<f64>() / (sd * sd);
        let sxy: f64 = t.iter().zip(&y).map(|(t, y)| t * y).sum::<f64>() / (sd * sd);
        let delta = s * sxx - sx * sx;
        assert!((solution.x[0] - (sxx * sy - sx * sxy) / delta).abs() < 1e-7);
        assert!((solution.x[1] - (s * sxy - sx * sy) / delta).abs() < 1e-7);
        assert!((solution.covariance[(0, 0)] - sxx / delta).abs() < 1e-6);
        assert!((solution.covariance[(1, 1)] - s / delta).abs() < 1e-6);
        assert!((solution.covariance[(0, 1)] + sx / delta).abs() < 1e-6);
    }
}
