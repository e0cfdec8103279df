//! How well the general network's points are known: every constant in one place, and the covariance of a point from them.
//!
//! The starting values come from a trial on rendered bodies in the stance (heel off by about 8 % of the shank, knee by about 7 %, toe more). `benches/` calibrates
//! them; a value that was not measured is marked so.

use super::track::Landmark;
use crate::types::Covariance2;

/// Standard deviation of knee, ankle, heel and toe as a fraction of the shank's apparent length.
pub const LEG_SD_OF_SHANK: f64 = 0.07;
/// Standard deviation of hips and shoulders, and of every point that is not on a leg, as a fraction of the shank's apparent length.
pub const TRUNK_SD_OF_SHANK: f64 = 0.03;
/// Factor on the standard deviation of a point that the network holds to be hidden (visibility 0); none at visibility 1, in between in proportion.
/// Not measured.
pub const HIDDEN_FACTOR: f64 = 2.5;
/// Factor for a point outside the picture: the network invents those. Not measured.
pub const OUTSIDE_FACTOR: f64 = 4.0;
/// Factor for a point whose heatmap never reaches the threshold of refinement. Not measured.
pub const UNREFINED_FACTOR: f64 = 1.5;
/// Spread of a sharp heatmap about its centre, in heatmap cells: a wider one widens the covariance along its own axes.
/// Median over visible points of the photograph in `tests/data/pose`.
pub const SHARP_SPREAD_CELLS: f64 = 1.6;
/// Largest factor that a wide heatmap can give. Not measured.
pub const SPREAD_FACTOR_LIMIT: f64 = 2.0;
/// Factor for the points of a leg whose left and right were swapped back: the network was confused there. Not measured.
pub const SWAPPED_FACTOR: f64 = 1.5;
/// Length of the network's own typical shank, metres, used where its 3-D landmarks give none. From memory (0.246 of a stature of 1.70 m).
pub const TYPICAL_SHANK_M: f64 = 0.418;

/// What the network said about one point, for its covariance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Evidence {
    /// Probability that the point is in view and not hidden, 0–1.
    pub visibility: f64,
    /// Whether it lies in the picture.
    pub inside: bool,
    /// Second moment of its heatmap about the centre, upright frame, in cells² (uu, uv, vv); `None` where the heatmap stayed under the threshold.
    pub spread_cells2: Option<Covariance2>,
}

/// Covariance of a landmark, px², for a shank of apparent length `shank_px`.
pub fn covariance(landmark: usize, shank_px: f64, evidence: &Evidence) -> Covariance2 {
    let on_leg = (Landmark::LeftKnee as usize..=Landmark::RightToe as usize).contains(&landmark);
    let fraction = if on_leg { LEG_SD_OF_SHANK } else { TRUNK_SD_OF_SHANK };
    let hidden = 1.0 + (HIDDEN_FACTOR - 1.0) * (1.0 - evidence.visibility.clamp(0.0, 1.0));
    let outside = if evidence.inside { 1.0 } else { OUTSIDE_FACTOR };
    let sd_px = fraction * shank_px * hidden * outside;
    match evidence.spread_cells2 {
        None => Covariance2::isotropic(sd_px * UNREFINED_FACTOR),
        Some(spread) => shaped(sd_px, spread),
    }
}

/// `sd_px` in every direction, widened along the axes in which the heatmap is wider than a sharp one.
fn shaped(sd_px: f64, spread_cells2: Covariance2) -> Covariance2 {
    let eigen = spread_cells2.matrix().symmetric_eigen();
    let sharp = SHARP_SPREAD_CELLS * SHARP_SPREAD_CELLS;
    let limit = SPREAD_FACTOR_LIMIT * SPREAD_FACTOR_LIMIT;
    let widened = eigen.eigenvalues.map(|l| sd_px * sd_px * (l / sharp).clamp(1.0, limit));
    let axes = eigen.eigenvectors;
    let matrix = axes * nalgebra::Matrix2::from_diagonal(&widened) * axes.transpose();
    Covariance2 {
        uu: matrix[(0, 0)],
        uv: 0.5 * (matrix[(0, 1)] + matrix[(1, 0)]),
        vv: matrix[(1, 1)],
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;
    use proptest::prelude::*;

    fn clear() -> Evidence {
        Evidence {
            visibility: 1.0,
            inside: true,
            spread_cells2: Some(Covariance2::isotropic(1.0)),
        }
    }

    #[test]
    fn a_clear_heel_has_the_stated_deviation() {
        let heel = covariance(Landmark::LeftHeel as usize, 200.0, &clear());
        assert_relative_eq!(heel.uu.sqrt(), 14.0, max_relative = 1e-12);
        let hip = covariance(Landmark::RightHip as usize, 200.0, &clear());
        assert_relative_eq!(hip.vv.sqrt(), 6.0, max_relative = 1e-12);
    }

    #[test]
    fn doubt_widens_and_a_long_heatmap_widens_along_itself() {
        let heel = Landmark::LeftHeel as usize;
        let base = covariance(heel, 200.0, &clear()).mean_sd_px();
        for doubt in [
            Evidence {
                visibility: 0.2,
                ..clear()
            },
            Evidence { inside: false, ..clear() },
            Evidence {
                spread_cells2: None,
                ..clear()
            },
        ] {
            assert!(covariance(heel, 200.0, &doubt).mean_sd_px() > 1.2 * base);
        }
        let long = Evidence {
            spread_cells2: Some(Covariance2 { uu: 6.0, uv: 0.0, vv: 1.0 }),
            ..clear()
        };
        let along = covariance(heel, 200.0, &long);
        assert!(along.uu > 1.5 * along.vv);
        assert_relative_eq!(along.vv.sqrt(), 14.0, max_relative = 1e-9);
    }

    proptest! {
        #[test]
        fn covariances_are_positive_definite(
            index in 0usize..33, shank in 1.0f64..500.0, visibility in 0.0f64..1.0, inside: bool,
            a in 0.01f64..9.0, b in 0.01f64..9.0, turn in -3.0f64..3.0,
        ) {
            let (s, c) = turn.sin_cos();
            let spread = Covariance2 { uu: a * c * c + b * s * s, uv: (a - b) * s * c, vv: a * s * s + b * c * c };
            let found = covariance(index, shank, &Evidence { visibility, inside, spread_cells2: Some(spread) });
            prop_assert!(found.uu > 0.0 && found.uu * found.vv - found.uv * found.uv > 0.0);
        }
    }
}
