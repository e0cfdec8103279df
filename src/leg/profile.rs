//! The gap profile and what may be said from it.

use crate::numerics::normal;
use crate::types::{Station, STATION_COUNT};
use nalgebra::{SMatrix, SVector};
use serde::{Deserialize, Serialize};

/// A value for each station, knee to heel.
pub type StationVector = SVector<f64, STATION_COUNT>;
/// A covariance over the stations.
pub type StationMatrix = SMatrix<f64, STATION_COUNT, STATION_COUNT>;

/// Height of the inner surface over the carpet at every station, with covariance.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GapProfile {
    /// Gap, mm, knee to heel; may be slightly negative by error.
    pub gap_mm: StationVector,
    /// Covariance, mm².
    pub covariance_mm2: StationMatrix,
}

impl GapProfile {
    /// Standard deviation at one station, mm.
    pub fn sd_mm(&self, station: Station) -> f64 {
        let i = station.index();
        self.covariance_mm2[(i, i)].max(0.0).sqrt()
    }

    /// The same gaps with each station's standard deviation times its factor; correlations stay.
    pub fn with_sd_scaled(&self, factor: &[f64; STATION_COUNT]) -> Self {
        Self {
            gap_mm: self.gap_mm,
            covariance_mm2: StationMatrix::from_fn(|i, k| self.covariance_mm2[(i, k)] * factor[i] * factor[k]),
        }
    }

    /// Probability that the true gap at one station exceeds `tolerance_mm`, given that no gap is below zero.
    ///
    /// The normal distribution of the estimate, truncated at zero (nothing is under the carpet).
    pub fn over_probability(&self, station: Station, tolerance_mm: f64) -> f64 {
        truncated_over(self.gap_mm[station.index()], self.sd_mm(station), tolerance_mm)
    }

    /// Probability that the gap exceeds `tolerance_mm` at one station at least among `stations`.
    ///
    /// The joint normal distribution, by a fixed low-discrepancy sample of 4096 draws with negative gaps refused, so that the answer is the same every time; never less
    /// than the largest single station's.
    pub fn any_over_probability(&self, stations: &[Station], tolerance_mm: f64) -> f64 {
        self.any_over_probabilities(stations, &[tolerance_mm])[0]
    }

    /// The same for several tolerances at once, from one sample.
    pub fn any_over_probabilities(&self, stations: &[Station], tolerances_mm: &[f64]) -> Vec<f64> {
        let mut single: Vec<f64> = tolerances_mm
            .iter()
            .map(|t| stations.iter().map(|s| self.over_probability(*s, *t)).fold(0.0, f64::max))
            .collect();
        if stations.len() < 2 {
            return single;
        }
        let Some(factor) = psd_factor(&self.covariance_mm2) else {
            return single;
        };
        let mut weight = 0.0;
        let mut over = vec![0.0; tolerances_mm.len()];
        for z in standard_draws() {
            let g = self.gap_mm + factor * z;
            // A soft floor: draws far below the carpet are unlikely, not impossible, since flesh gives by some millimetres.
            let below: f64 = stations.iter().map(|s| (-g[s.index()]).max(0.0)).fold(0.0, f64::max);
            let w = (-0.5 * (below / FLESH_GIVE_MM).powi(2)).exp();
            weight += w;
            for (over, tolerance) in over.iter_mut().zip(tolerances_mm) {
                if stations.iter().any(|s| g[s.index()] > *tolerance) {
                    *over += w;
                }
            }
        }
        if weight >= 4.0 {
            for (single, over) in single.iter_mut().zip(over) {
                *single = (over / weight).max(*single);
            }
        }
        single
    }
}

/// How far flesh gives under the body's weight before the carpet stops it, mm (common practice, no source; the body model's fits allow 10 mm at the most).
pub const FLESH_GIVE_MM: f64 = 4.0;

fn truncated_over(gap_mm: f64, sd_mm: f64, tolerance_mm: f64) -> f64 {
    let sd = sd_mm.max(1e-6);
    let above = |x: f64| 1.0 - normal::cdf((x - gap_mm) / sd);
    let total = above(-FLESH_GIVE_MM);
    if total < 1e-9 {
        return 0.0;
    }
    (above(tolerance_mm) / total).clamp(0.0, 1.0)
}

/// The smallest lift that a view with this standard deviation can show, mm.
///
/// A lift counts as shown when the estimate stands off zero at the chosen confidence, and the smallest such lift is the one for which that happens nine times in ten:
/// `(Φ⁻¹(confidence) + Φ⁻¹(0.9)) · sd`, the detection limit with both error rates stated (Currie, *Analytical Chemistry* 40(3), 1968).
pub fn smallest_lift_mm(sd_mm: f64, confidence: f64) -> f64 {
    (normal::quantile(confidence) + normal::quantile(0.9)) * sd_mm
}

/// A square root of a positive semi-definite matrix (negative eigenvalues by rounding are taken as zero).
pub fn psd_factor(m: &StationMatrix) -> Option<StationMatrix> {
    if m.iter().any(|x| !x.is_finite()) {
        return None;
    }
    let eigen = m.symmetric_eigen();
    let roots = eigen.eigenvalues.map(|v| v.max(0.0).sqrt());
    Some(eigen.eigenvectors * StationMatrix::from_diagonal(&roots))
}

/// 4096 low-discrepancy draws of the standard normal distribution over the stations, made once.
fn standard_draws() -> &'static [StationVector] {
    static DRAWS: std::sync::OnceLock<Vec<StationVector>> = std::sync::OnceLock::new();
    DRAWS.get_or_init(|| {
        (1..=4096)
            .map(|draw| StationVector::from_fn(|i, _| normal::quantile_fast(halton(draw, i))))
            .collect()
    })
}

/// Halton's sequence (Halton 1960), one prime a dimension.
fn halton(index: u32, dimension: usize) -> f64 {
    let base = [2_u32, 3, 5, 7, 11, 13][dimension % 6];
    let (mut f, mut r, mut i) = (1.0, 0.0, index + 20);
    while i > 0 {
        f /= f64::from(base);
        r += f * f64::from(i % base);
        i /= base;
    }
    r.clamp(1e-6, 1.0 - 1e-6)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn joint_probability_matches_independent_stations() {
        // Two independent far-from-zero stations: P(any over) = 1 − ∏(1 − p). Closed form, elementary probability.
        let mut covariance = StationMatrix::identity();
        covariance *= 25.0;
        let profile = GapProfile {
            gap_mm: StationVector::from_element(40.0),
            covariance_mm2: covariance,
        };
        let p = profile.over_probability(Station::Knee, 42.0);
        let joint = profile.any_over_probability(&[Station::Knee, Station::Calf50], 42.0);
        assert!((joint - (1.0 - (1.0 - p) * (1.0 - p))).abs() < 0.01, "{joint} {p}");
    }

    #[test]
    fn currie_detection_limit_at_five_percent() {
        // Currie (1968): both error rates 5 % and a constant standard deviation give a detection limit of 3.29 sd; with ours at 0.95 and 0.9 it is 1.645 + 1.282.
        assert!((smallest_lift_mm(1.0, 0.95) - (1.6449 + 1.2816)).abs() < 1e-3);
    }
}
