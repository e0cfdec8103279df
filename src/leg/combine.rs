//! Many frames of one hold made one, with regard for the errors that do not average out.

use crate::leg::profile::{GapProfile, StationMatrix, StationVector};

/// Combines the frames' profiles.
///
/// Errors of neighbouring frames share their cause (the same view, light, cloth, and the network's habits), so only the share `1 − common` of the variance falls with
/// the number of frames: `Σ = Σ̄ · (common + (1 − common)/n)`. Frames that stand far from the median at any station count less (they are often hidden or blurred), and
/// a scatter larger than the stated one widens the result.
pub fn frames(profiles: &[GapProfile], common: f64) -> Option<GapProfile> {
    if profiles.is_empty() {
        return None;
    }
    let n = profiles.len() as f64;
    let median = StationVector::from_fn(|i, _| median(profiles.iter().map(|p| p.gap_mm[i]).collect()));
    let mut weight_sum = 0.0;
    let mut weight_square_sum = 0.0;
    let mut mean = StationVector::zeros();
    let mut covariance = StationMatrix::zeros();
    for p in profiles {
        let far = (0..median.len())
            .map(|i| (p.gap_mm[i] - median[i]).abs() / p.covariance_mm2[(i, i)].max(1.0).sqrt())
            .fold(0.0, f64::max);
        let precision = 1.0 / p.covariance_mm2.trace().max(1e-9);
        let w = precision / (1.0 + (far / 2.0).powi(4));
        weight_sum += w;
        weight_square_sum += w * w;
        mean += w * p.gap_mm;
        covariance += w * p.covariance_mm2;
    }
    mean /= weight_sum;
    covariance /= weight_sum;
    let effective = (weight_sum * weight_sum / weight_square_sum).max(1.0);
    // Scatter among the frames against the part of the variance that should scatter.
    let scatter: f64 = profiles
        .iter()
        .map(|p| {
            (0..mean.len())
                .map(|i| (p.gap_mm[i] - mean[i]).powi(2) / covariance[(i, i)].max(1e-9))
                .sum::<f64>()
        })
        .sum::<f64>()
        / (n * mean.len() as f64);
    let widening = if profiles.len() > 2 { scatter.max(1.0) } else { 1.0 };
    let share = common + (1.0 - common) / effective;
    Some(GapProfile {
        gap_mm: mean,
        covariance_mm2: covariance * (share * widening),
    })
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn common_errors_do_not_average_out() {
        // Mean of n equally correlated values: variance σ²(ρ + (1 − ρ)/n) (elementary; JCGM 100:2008, 5.2.2 with equal correlation).
        let p = GapProfile {
            gap_mm: StationVector::from_element(10.0),
            covariance_mm2: StationMatrix::identity() * 36.0,
        };
        let joined = frames(&vec![p; 20], 0.7).unwrap();
        assert!((joined.covariance_mm2[(3, 3)] - 36.0 * (0.7 + 0.3 / 20.0)).abs() < 1e-9);
        assert!((joined.gap_mm[0] - 10.0).abs() < 1e-12);
    }
}
