//! The camera from the athlete's own body, nothing marked.
//!
//! Five facts tie the camera to the carpet at the kneeling leg: where the leg is in the frame, how many pixels one shank length measures there, from what elevation
//! it is seen, how long the shank is, and how high the leg's middle is over the carpet. Focal length and the camera's roll are stated priors. The carpet frame's origin is the
//! carpet point under the middle of the leg, and its x axis points to the camera's right.

use crate::floor::camera::{focal_prior, CameraCovariance, FloorCamera, PARAMETER_COUNT};
use crate::numerics::least_squares;
use crate::outcome::FloorSource;
use crate::types::ImagePoint;
use nalgebra::{DMatrix, DVector, Matrix3, Rotation3, Vector3};

/// What the body tells of the camera.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BodyClues {
    /// Middle of the kneeling leg, upright frame, px.
    pub leg_at: ImagePoint,
    /// How high that middle is over the carpet, metres.
    pub leg_height_m: f64,
    /// Standard deviation of that, metres.
    pub leg_height_sd_m: f64,
    /// Apparent length of one shank length at the leg's depth, px.
    pub shank_px: f64,
    /// Standard deviation of its natural logarithm.
    pub shank_log_sd: f64,
    /// The shank's length, metres.
    pub shank_m: f64,
    /// Its standard deviation, metres.
    pub shank_sd_m: f64,
    /// Elevation of the camera over the carpet seen from the leg, radians.
    pub elevation_rad: f64,
    /// Its standard deviation, radians.
    pub elevation_sd_rad: f64,
}

/// Roll of a hand-held or tripod camera about its axis: level to within this (standard deviation, radians; common practice, no source).
pub const ROLL_SD_RAD: f64 = 2.5 * std::f64::consts::PI / 180.0;

/// Parameters of the closed form: ln focal, roll, elevation, ln(shank_m / shank_px), height of the leg's middle (m).
const CLUE_COUNT: usize = 5;

/// The camera that fits the clues, with the covariance that the clues' and priors' uncertainties give it (first order).
pub fn fit(image_size: [usize; 2], clues: &BodyClues) -> FloorCamera {
    let (prior_ln, prior_sd) = focal_prior(image_size);
    let mean = DVector::from_vec(vec![
        prior_ln,
        0.0,
        clues.elevation_rad,
        (clues.shank_m / clues.shank_px).ln(),
        clues.leg_height_m,
    ]);
    let metres_per_px_sd = (clues.shank_log_sd.powi(2) + (clues.shank_sd_m / clues.shank_m).powi(2)).sqrt();
    let sd = [
        prior_sd,
        ROLL_SD_RAD,
        clues.elevation_sd_rad,
        metres_per_px_sd,
        clues.leg_height_sd_m,
    ];
    let mut camera = closed_form(image_size, clues.leg_at, &mean);

    // Sensitivity of the seven camera parameters to the four clues.
    let base = camera.clone();
    let to_parameters = |x: &DVector<f64>| base.step_to(&closed_form(image_size, clues.leg_at, x));
    let c = least_squares::jacobian(&to_parameters, &mean, 1e-6);
    let clue_covariance = DMatrix::from_fn(CLUE_COUNT, CLUE_COUNT, |i, k| if i == k { sd[i] * sd[i] } else { 0.0 });
    let sigma = &c * clue_covariance * c.transpose();
    camera.covariance = CameraCovariance::from_fn(|i, k| sigma[(i, k)]);
    debug_assert_eq!(sigma.nrows(), PARAMETER_COUNT);
    camera
}

fn closed_form(image_size: [usize; 2], leg_at: ImagePoint, x: &DVector<f64>) -> FloorCamera {
    let focal_px = x[0].exp();
    let (roll, elevation, metres_per_px) = (x[1], x[2], x[3].exp());
    let (cx, cy) = (image_size[0] as f64 / 2.0, image_size[1] as f64 / 2.0);
    // Ray to the leg in the camera's frame, and in the same camera with its roll taken off.
    let ray = Vector3::new((leg_at.u - cx) / focal_px, (leg_at.v - cy) / focal_px, 1.0);
    let unroll = Rotation3::from_axis_angle(&Vector3::z_axis(), roll).into_inner();
    let level = unroll * ray;
    // Pitch so that the ray goes down at the elevation. In the level camera, "down" is d = (0, cos p, sin p) for a pitch p downwards: ray·d = |ray| sin e.
    // The largest sine that any pitch gives is hypot(y, z)/|ray|; clamp so that a leg far off the axis never gives NaN.
    let norm = level.norm();
    let radius = level.y.hypot(level.z);
    let sine = (norm * elevation.sin() / radius).clamp(-1.0, 1.0);
    let pitch = sine.asin() - level.y.atan2(level.z);
    let down = Vector3::new(0.0, pitch.cos(), pitch.sin());
    let right = Vector3::x();
    // Carpet axes in the level camera: X right, Z up = −down, Y = Z × X (away from the camera).
    let up = -down;
    let away = up.cross(&right);
    let level_from_carpet = Matrix3::from_columns(&[right, away, up]);
    let rotation = unroll.transpose() * level_from_carpet;
    let depth = focal_px * metres_per_px;
    FloorCamera {
        image_size,
        focal_px,
        rotation,
        translation_m: ray * depth - rotation.column(2) * x[4],
        covariance: CameraCovariance::zeros(),
        source: FloorSource::Body,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::types::CarpetPoint;

    fn clues() -> BodyClues {
        BodyClues {
            leg_at: ImagePoint::new(1300.0, 800.0),
            leg_height_m: 0.012,
            leg_height_sd_m: 0.01,
            shank_px: 150.0,
            shank_log_sd: 0.05,
            shank_m: 0.42,
            shank_sd_m: 0.02,
            elevation_rad: 0.2,
            elevation_sd_rad: 0.03,
        }
    }

    #[test]
    fn reproduces_its_clues() {
        let camera = fit([1920, 1080], &clues());
        let origin = CarpetPoint::new(0.0, 0.0, clues().leg_height_m);
        let seen = camera.project(origin).unwrap();
        assert!(seen.distance_px(clues().leg_at) < 1e-6);
        assert!((camera.elevation_rad_from(origin) - 0.2).abs() < 1e-9);
        assert!((camera.focal_px / camera.depth_m(origin) * 0.42 - 150.0).abs() < 1e-6);
        assert!((camera.rotation.determinant() - 1.0).abs() < 1e-9);
        assert!(camera.centre().z > 0.0);
    }

    #[test]
    fn elevation_uncertainty_is_carried() {
        let camera = fit([1920, 1080], &clues());
        let sd = camera.sd_of(|c| c.elevation_rad_from(CarpetPoint::new(0.0, 0.0, clues().leg_height_m)));
        assert!((sd - 0.03).abs() < 1e-3, "{sd}");
    }
}
