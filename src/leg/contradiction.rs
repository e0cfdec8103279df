//! Whether two views' gaps can be of one leg.
//!
//! Each view states a posterior: what it saw, drawn towards the prior that all views share. Two such means agree better than two independent measurements would (both lean on the
//! prior), and where one view saw little and the other much they differ although both are right. With prior N(m₀, C₀), posteriors N(mᵢ, Cᵢ) and errors of the two views that
//! are independent given the leg, mᵢ − m₀ = Kᵢ (g − m₀ + eᵢ) with Kᵢ = I − Cᵢ C₀⁻¹, so that
//!
//! cov(m₁ − m₂) = (K₁ − K₂) C₀ (K₁ − K₂)ᵀ + Σᵢ (Cᵢ − Cᵢ C₀⁻¹ Cᵢ).
//!
//! χ² of the difference in the directions that this leaves open; the prior is a mixture, for which the normal form stands in: the bench (`docs/bench-joined.md`) measures how
//! often views of one leg are called contradictory all the same.

use crate::leg::profile::{GapProfile, StationMatrix};
use crate::numerics::chi_squared;
use crate::types::Station;

/// Differences of less than this are not looked at, mm: flesh gives, and no view states its gaps more finely.
const FINENESS_MM: f64 = 3.0;

/// The probability below which two views contradict each other.
pub const CONTRADICTION: f64 = 0.01;

/// The difference of two views' gaps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Difference {
    /// χ² of the difference.
    pub chi_squared: f64,
    /// Its degrees of freedom.
    pub degrees: usize,
    /// Probability of a χ² this large where both views saw one leg.
    pub probability: f64,
    /// The station whose difference is largest for its uncertainty.
    pub station: Station,
    /// That difference, second minus first, mm.
    pub difference_mm: f64,
    /// Its standard deviation, mm.
    pub difference_sd_mm: f64,
}

impl Difference {
    /// Whether the views contradict each other.
    pub fn contradicts(&self) -> bool {
        self.probability < CONTRADICTION
    }
}

/// Compares two views' gaps given what was known before either ([`crate::leg::shape::LegShape::gap_prior`]). The natural hollow may be taken off both or neither.
pub fn between(first: &GapProfile, second: &GapProfile, prior: &GapProfile) -> Difference {
    let c0 = prior.covariance_mm2;
    let inverse = c0.try_inverse().unwrap_or_else(StationMatrix::zeros);
    let gain = |c: &StationMatrix| StationMatrix::identity() - c * inverse;
    let seen = |c: &StationMatrix| c - c * inverse * c;
    let (a, b) = (&first.covariance_mm2, &second.covariance_mm2);
    let apart = gain(a) - gain(b);
    let covariance = apart * c0 * apart.transpose() + seen(a) + seen(b);
    let covariance = 0.5 * (covariance + covariance.transpose()) + StationMatrix::identity() * FINENESS_MM.powi(2);
    let d = second.gap_mm - first.gap_mm;
    let eigen = covariance.symmetric_eigen();
    // Directions in which neither view saw anything have only the fineness left: a difference there says nothing.
    let (mut chi_squared, mut degrees) = (0.0, 0);
    for (value, direction) in eigen.eigenvalues.iter().zip(eigen.eigenvectors.column_iter()) {
        if *value > 2.0 * FINENESS_MM.powi(2) {
            chi_squared += direction.dot(&d).powi(2) / value;
            degrees += 1;
        }
    }
    let sd = |s: &Station| covariance[(s.index(), s.index())].max(FINENESS_MM.powi(2)).sqrt();
    let standing_out = |s: &Station| d[s.index()].abs() / sd(s);
    let station = Station::ALL
        .into_iter()
        .max_by(|a, b| standing_out(a).total_cmp(&standing_out(b)))
        .unwrap_or(Station::Heel);
    Difference {
        chi_squared,
        degrees,
        probability: chi_squared::exceedance(chi_squared, degrees),
        station,
        difference_mm: d[station.index()],
        difference_sd_mm: sd(&station),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::leg::profile::StationVector;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    /// By simulation: legs drawn from the prior, two views with errors of their own, posteriors by the textbook's formula for normal distributions (conjugate prior). The probability
    /// must be below p in a share p of the cases, to within four standard errors of 4000 draws and the fineness (which makes the test a little shy, never eager).
    #[test]
    fn false_alarms_are_as_rare_as_stated() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(3);
        let mut normal = || StationVector::from_fn(|_, _| StandardNormal.sample(&mut rng));
        let prior = GapProfile {
            gap_mm: StationVector::from_element(20.0),
            covariance_mm2: StationMatrix::from_fn(|i, k| 900.0 * 0.6_f64.powi((i as i32 - k as i32).abs())),
        };
        let noise = [
            StationMatrix::from_fn(|i, k| 400.0 * 0.5_f64.powi((i as i32 - k as i32).abs())),
            StationMatrix::from_fn(|i, k| 2500.0 * 0.8_f64.powi((i as i32 - k as i32).abs())),
        ];
        let root = |m: &StationMatrix| m.cholesky().unwrap().l();
        let draws = 4000;
        let mut below = [0; 2];
        for _ in 0..draws {
            let g = prior.gap_mm + root(&prior.covariance_mm2) * normal();
            let [a, b] = noise.map(|n| {
                let y = g + root(&n) * normal();
                let c0 = prior.covariance_mm2.try_inverse().unwrap();
                let l = n.try_inverse().unwrap();
                let c = (c0 + l).try_inverse().unwrap();
                GapProfile {
                    gap_mm: c * (c0 * prior.gap_mm + l * y),
                    covariance_mm2: c,
                }
            });
            let p = between(&a, &b, &prior).probability;
            below[0] += usize::from(p < 0.05);
            below[1] += usize::from(p < 0.01);
        }
        for (count, level) in below.iter().zip([0.05, 0.01]) {
            let share = *count as f64 / f64::from(draws);
            let four = 4.0 * f64::sqrt(level * (1.0 - level) / f64::from(draws));
            assert!(share < level + four && share > 0.5 * level - four, "{share} below {level}");
        }
    }
}
