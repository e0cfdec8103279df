//! How well the general network's points are known: every constant in one place, and the covariance of a point from them.
//!
//! Measured on rendered bodies in the stance (cameras from 2 to 45° and from every side, `scripts/models/make_pose_stills.py` with its defaults but `--poses 30
//! --cameras 4`): the factors by maximum likelihood under Student's t with five degrees of freedom on 76 pictures of 19 bodies; the deviations then widened so that
//! the 95 % regions hold about that share on the 68 pictures of 17 other bodies (the fitted ones held 87 %, errors having long tails). `cargo bench --bench
//! pose_accuracy` says how honest they are. Rendered bodies are not people; a factor that was not measured is marked so.
//!
//! What tells a good point from a bad one is its heatmap: where it never reaches the threshold of refinement, the median error was 26–76 % of the shank, against
//! 4–10 % elsewhere; the network's own visibility adds little to that.

use super::track::Landmark;
use crate::types::Covariance2;

/// Standard deviation of a knee as a fraction of the shank's apparent length, for a sharp heatmap and a visible point.
pub const KNEE_SD_OF_SHANK: f64 = 0.055;
/// The same of an ankle.
pub const ANKLE_SD_OF_SHANK: f64 = 0.05;
/// The same of a heel.
pub const HEEL_SD_OF_SHANK: f64 = 0.065;
/// The same of a big toe.
pub const TOE_SD_OF_SHANK: f64 = 0.08;
/// The same of hips and shoulders, against the skeleton's joints; used for every point that is not on a leg (those were not measured).
pub const TRUNK_SD_OF_SHANK: f64 = 0.08;
/// Factor on the standard deviation of a point that the network holds to be hidden (visibility 0); none at visibility 1, in between in proportion.
pub const HIDDEN_FACTOR: f64 = 1.4;
/// Factor for a point whose heatmap never reaches the threshold of refinement.
pub const UNREFINED_FACTOR: f64 = 6.0;
/// Factor for a point outside the picture: the network invents those. Not measured.
pub const OUTSIDE_FACTOR: f64 = 6.0;
/// Standard deviation of a sharp heatmap about its centre, in heatmap cells, to which others are compared along their own axes.
pub const SHARP_SPREAD_CELLS: f64 = 1.15;
/// The point's variance grows with this power of the heatmap's variance.
pub const SPREAD_POWER: f64 = 1.7;
/// Least and largest ratio of a heatmap's variance to a sharp one's that is believed.
pub const SPREAD_RATIO_LIMITS: [f64; 2] = [0.6, 4.0];
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

fn sd_of_shank(landmark: usize) -> f64 {
    const BY_PAIR: [(Landmark, f64); 4] = [
        (Landmark::LeftKnee, KNEE_SD_OF_SHANK),
        (Landmark::LeftAnkle, ANKLE_SD_OF_SHANK),
        (Landmark::LeftHeel, HEEL_SD_OF_SHANK),
        (Landmark::LeftToe, TOE_SD_OF_SHANK),
    ];
    BY_PAIR
        .iter()
        .find(|(left, _)| landmark == *left as usize || landmark == *left as usize + 1)
        .map_or(TRUNK_SD_OF_SHANK, |(_, sd)| *sd)
}

/// Covariance of a landmark, px², for a shank of apparent length `shank_px`.
pub fn covariance(landmark: usize, shank_px: f64, evidence: &Evidence) -> Covariance2 {
    let hidden = 1.0 + (HIDDEN_FACTOR - 1.0) * (1.0 - evidence.visibility.clamp(0.0, 1.0));
    let sd_px = sd_of_shank(landmark) * shank_px * hidden;
    match evidence.spread_cells2 {
        _ if !evidence.inside => Covariance2::isotropic(sd_px * OUTSIDE_FACTOR),
        None => Covariance2::isotropic(sd_px * UNREFINED_FACTOR),
        Some(spread) => shaped(sd_px, spread),
    }
}

/// `sd_px` for a sharp heatmap, more or less along the axes in which the heatmap is wider or narrower.
fn shaped(sd_px: f64, spread_cells2: Covariance2) -> Covariance2 {
    let eigen = spread_cells2.matrix().symmetric_eigen();
    let [least, largest] = SPREAD_RATIO_LIMITS;
    let ratio = |l: f64| (l / (SHARP_SPREAD_CELLS * SHARP_SPREAD_CELLS)).clamp(least, largest);
    let variances = eigen.eigenvalues.map(|l| sd_px * sd_px * ratio(l).powf(SPREAD_POWER));
    let axes = eigen.eigenvectors;
    let matrix = axes * nalgebra::Matrix2::from_diagonal(&variances) * axes.transpose();
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
            spread_cells2: Some(Covariance2::isotropic(SHARP_SPREAD_CELLS)),
        }
    }

    #[test]
    fn a_clear_point_has_the_stated_deviation() {
        let heel = covariance(Landmark::RightHeel as usize, 200.0, &clear());
        assert_relative_eq!(heel.uu.sqrt(), 200.0 * HEEL_SD_OF_SHANK, max_relative = 1e-12);
        let hip = covariance(Landmark::RightHip as usize, 200.0, &clear());
        assert_relative_eq!(hip.vv.sqrt(), 200.0 * TRUNK_SD_OF_SHANK, max_relative = 1e-12);
    }

    #[test]
    fn doubt_widens_and_a_long_heatmap_widens_along_itself() {
        let heel = Landmark::LeftHeel as usize;
        let base = covariance(heel, 200.0, &clear()).mean_sd_px();
        let hidden = Evidence {
            visibility: 0.2,
            ..clear()
        };
        let outside = Evidence { inside: false, ..clear() };
        let faint = Evidence {
            spread_cells2: None,
            ..clear()
        };
        for doubt in [hidden, outside, faint] {
            assert!(covariance(heel, 200.0, &doubt).mean_sd_px() > 1.2 * base);
        }
        let long = Evidence {
            spread_cells2: Some(Covariance2 {
                uu: 3.0,
                uv: 0.0,
                vv: SHARP_SPREAD_CELLS * SHARP_SPREAD_CELLS,
            }),
            ..clear()
        };
        let along = covariance(heel, 200.0, &long);
        assert!(along.uu > 2.0 * along.vv);
        assert_relative_eq!(along.vv.sqrt(), 200.0 * HEEL_SD_OF_SHANK, max_relative = 1e-9);
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
