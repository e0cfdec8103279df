//! Small tools for values over time.

use crate::numerics::median;

/// Value and slope (per second) at `t` of a straight line fitted to the samples within `half_s`; `None` with fewer than three or all at one time.
pub fn local_line(samples: &[(f64, f64)], t: f64, half_s: f64) -> Option<(f64, f64)> {
    let from = samples.partition_point(|s| s.0 < t - half_s - 1e-9);
    let to = samples.partition_point(|s| s.0 <= t + half_s + 1e-9);
    let near = &samples[from..to];
    if near.len() < 3 {
        return None;
    }
    let n = near.len() as f64;
    let (mt, my) = near.iter().fold((0.0, 0.0), |a, s| (a.0 + s.0 / n, a.1 + s.1 / n));
    let tt: f64 = near.iter().map(|s| (s.0 - mt).powi(2)).sum();
    if tt <= 1e-12 {
        return None;
    }
    let slope = near.iter().map(|s| (s.0 - mt) * (s.1 - my)).sum::<f64>() / tt;
    Some((my + slope * (t - mt), slope))
}

/// Half width of a window that holds at least three samples about its middle: `wanted_s`, or a little over one frame interval.
pub fn half_window_s(samples: &[(f64, f64)], wanted_s: f64) -> f64 {
    wanted_s.max(1.05 * interval_s(samples.iter().map(|s| s.0)))
}

/// The usual time between samples, seconds (the median; 0 for fewer than two).
pub fn interval_s(times: impl Iterator<Item = f64>) -> f64 {
    let times: Vec<f64> = times.collect();
    median(times.windows(2).map(|w| w[1] - w[0]).collect()).unwrap_or(0.0)
}

/// Polynomial of least squares: coefficients from the constant up, and the covariance factor (XᵀX)⁻¹, of weighted samples (t, y, weight).
pub fn polynomial(samples: &[(f64, f64, f64)], order: usize) -> Option<(nalgebra::DVector<f64>, nalgebra::DMatrix<f64>)> {
    let n = order + 1;
    if samples.len() < n {
        return None;
    }
    let mut normal = nalgebra::DMatrix::zeros(n, n);
    let mut right = nalgebra::DVector::zeros(n);
    for (t, y, w) in samples {
        let row = nalgebra::DVector::from_fn(n, |k, _| t.powi(k as i32));
        normal += *w * &row * row.transpose();
        right += *w * *y * &row;
    }
    let inverse = normal.try_inverse()?;
    Some((&inverse * right, inverse))
}

/// Runs of `true` as (first, last), with gaps of at most `bridge` elements closed.
pub fn runs(flags: &[bool], bridge: usize) -> Vec<(usize, usize)> {
    let mut out: Vec<(usize, usize)> = Vec::new();
    for (i, _) in flags.iter().enumerate().filter(|(_, f)| **f) {
        match out.last_mut() {
            Some(r) if i - r.1 <= bridge + 1 => r.1 = i,
            _ => out.push((i, i)),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_found_again() {
        let samples: Vec<(f64, f64)> = (0..20).map(|i| (0.1 * f64::from(i), 3.0 - 2.0 * 0.1 * f64::from(i))).collect();
        let (value, slope) = local_line(&samples, 1.0, 0.25).unwrap();
        assert!((value - 1.0).abs() < 1e-9 && (slope + 2.0).abs() < 1e-9);
        assert!(local_line(&samples, 9.0, 0.25).is_none());
    }

    #[test]
    fn a_parabola_is_found_again() {
        let samples: Vec<(f64, f64, f64)> = (0..9)
            .map(|i| {
                let t = 0.05 * f64::from(i);
                (t, 1.0 + 2.0 * t - 4.903325 * t * t, 1.0)
            })
            .collect();
        let (c, _) = polynomial(&samples, 2).unwrap();
        assert!((c[2] + 4.903325).abs() < 1e-6);
        assert!(polynomial(&samples[..2], 2).is_none());
    }

    #[test]
    fn runs_bridge_short_gaps() {
        let flags = [true, true, false, true, false, false, false, true];
        assert_eq!(runs(&flags, 1), vec![(0, 3), (7, 7)]);
    }
}
