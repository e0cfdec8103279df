//! A pinhole camera over the carpet, with its covariance.

use crate::numerics::least_squares;
use crate::outcome::FloorSource;
use crate::types::{CarpetPoint, ImagePoint};
use nalgebra::{DMatrix, DVector, Matrix3, Rotation3, SMatrix, Vector3};
use serde::{Deserialize, Serialize};

/// Number of uncertain parameters of a [`FloorCamera`].
pub const PARAMETER_COUNT: usize = 7;

/// Covariance over (ln focal length, rotation vector about the camera's axes in radians × 3, translation in metres × 3).
pub type CameraCovariance = SMatrix<f64, PARAMETER_COUNT, PARAMETER_COUNT>;

/// A camera of unknown make over the carpet: square pixels, principal point at the middle of the frame, no lens distortion.
///
/// A carpet point `X` is seen at `camera = rotation · X + translation`, then `u = cx + focal · x / z`, `v = cy + focal · y / z`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FloorCamera {
    /// Upright frame size, px.
    pub image_size: [usize; 2],
    /// Focal length, px.
    pub focal_px: f64,
    /// Carpet frame to camera frame.
    pub rotation: Matrix3<f64>,
    /// Carpet origin in the camera frame, metres.
    pub translation_m: Vector3<f64>,
    /// How well all of it is known.
    pub covariance: CameraCovariance,
    /// Where it came from.
    pub source: FloorSource,
}

impl FloorCamera {
    /// Principal point, px.
    pub fn principal(&self) -> ImagePoint {
        ImagePoint::new(self.image_size[0] as f64 / 2.0, self.image_size[1] as f64 / 2.0)
    }

    /// Where a carpet point is seen; `None` behind the camera.
    pub fn project(&self, point: CarpetPoint) -> Option<ImagePoint> {
        let c = self.rotation * point.vector() + self.translation_m;
        if c.z <= 1e-6 {
            return None;
        }
        let p = self.principal();
        Some(ImagePoint::new(p.u + self.focal_px * c.x / c.z, p.v + self.focal_px * c.y / c.z))
    }

    /// Depth of a carpet point along the optical axis, metres.
    pub fn depth_m(&self, point: CarpetPoint) -> f64 {
        (self.rotation * point.vector() + self.translation_m).z
    }

    /// Where the camera stands.
    pub fn centre(&self) -> CarpetPoint {
        (-self.rotation.transpose() * self.translation_m).into()
    }

    /// Direction of the ray through an image point, carpet frame, unit length.
    pub fn ray(&self, at: ImagePoint) -> Vector3<f64> {
        let p = self.principal();
        let camera = Vector3::new(at.u - p.u, at.v - p.v, self.focal_px);
        (self.rotation.transpose() * camera).normalize()
    }

    /// The point of the ray through `at` at height `z_m` over the carpet; `None` where the ray does not come down to it.
    pub fn at_height(&self, at: ImagePoint, z_m: f64) -> Option<CarpetPoint> {
        let centre = self.centre().vector();
        let ray = self.ray(at);
        let distance = (z_m - centre.z) / ray.z;
        (ray.z.abs() > 1e-9 && distance > 0.0).then(|| (centre + distance * ray).into())
    }

    /// Elevation of the camera over the carpet seen from `point`, radians.
    pub fn elevation_rad_from(&self, point: CarpetPoint) -> f64 {
        let d = self.centre().vector() - point.vector();
        d.z.atan2(d.x.hypot(d.y))
    }

    /// Distance from the camera to `point`, metres.
    pub fn distance_m(&self, point: CarpetPoint) -> f64 {
        (self.centre().vector() - point.vector()).norm()
    }

    /// The camera moved by a step in its seven parameters (see [`CameraCovariance`]).
    pub fn stepped(&self, step: &[f64]) -> Self {
        let rotation = Rotation3::new(Vector3::new(step[1], step[2], step[3])).into_inner() * self.rotation;
        Self {
            focal_px: self.focal_px * step[0].exp(),
            rotation,
            translation_m: self.translation_m + Vector3::new(step[4], step[5], step[6]),
            ..self.clone()
        }
    }

    /// The step that takes this camera to `other`, of the same picture: the inverse of [`FloorCamera::stepped`].
    pub fn step_to(&self, other: &Self) -> DVector<f64> {
        let turn = Rotation3::from_matrix_unchecked(other.rotation * self.rotation.transpose()).scaled_axis();
        let shift = other.translation_m - self.translation_m;
        DVector::from_vec(vec![
            (other.focal_px / self.focal_px).ln(),
            turn.x,
            turn.y,
            turn.z,
            shift.x,
            shift.y,
            shift.z,
        ])
    }

    /// First-order covariance of any quantity computed from the camera (JCGM 102:2011, 6.2.1.3): `C Σ Cᵀ` with a numeric sensitivity `C`.
    pub fn propagate(&self, quantity: impl Fn(&FloorCamera) -> DVector<f64>) -> DMatrix<f64> {
        let zero = DVector::zeros(PARAMETER_COUNT);
        let c = least_squares::jacobian(&|step: &DVector<f64>| quantity(&self.stepped(step.as_slice())), &zero, 1e-6);
        let sigma = DMatrix::from_fn(PARAMETER_COUNT, PARAMETER_COUNT, |i, k| self.covariance[(i, k)]);
        &c * sigma * c.transpose()
    }

    /// Standard deviation of one number computed from the camera.
    pub fn sd_of(&self, quantity: impl Fn(&FloorCamera) -> f64) -> f64 {
        self.propagate(|camera| DVector::from_element(1, quantity(camera)))[(0, 0)]
            .max(0.0)
            .sqrt()
    }

    /// The carpet grid as image polylines: lines every 0.5 m within `radius_m` of `about`, cut where they leave the view.
    pub fn grid(&self, about: CarpetPoint, radius_m: f64) -> Vec<Vec<ImagePoint>> {
        let spacing_m = 0.5;
        let half = (radius_m / spacing_m).round() as i64;
        let (x0, y0) = ((about.x / spacing_m).round() * spacing_m, (about.y / spacing_m).round() * spacing_m);
        let [w, h] = self.image_size;
        let inside = |p: &ImagePoint| p.u > -0.5 * w as f64 && p.u < 1.5 * w as f64 && p.v > -0.5 * h as f64 && p.v < 1.5 * h as f64;
        let mut lines = Vec::new();
        for i in -half..=half {
            for along_x in [true, false] {
                let mut line = Vec::new();
                for k in 0..=(8 * half) {
                    let a = (k - 4 * half) as f64 * spacing_m / 4.0;
                    let b = i as f64 * spacing_m;
                    let (x, y) = if along_x { (x0 + a, y0 + b) } else { (x0 + b, y0 + a) };
                    match self.project(CarpetPoint::new(x, y, 0.0)).filter(inside) {
                        Some(p) => line.push(p),
                        None => {
                            if line.len() > 1 {
                                lines.push(std::mem::take(&mut line));
                            }
                            line.clear();
                        }
                    }
                }
                if line.len() > 1 {
                    lines.push(line);
                }
            }
        }
        lines
    }
}

/// Focal length stated as a prior where nothing fixes it: a phone's main camera or a moderate zoom.
///
/// A 26 mm full-frame-equivalent lens on a 36 mm wide frame has a focal length of 0.72 of the longer side (common practice, no source);
/// zooms are longer, so the prior's middle is put at 0.85 with a wide spread.
pub fn focal_prior(image_size: [usize; 2]) -> (f64, f64) {
    let longer = image_size[0].max(image_size[1]) as f64;
    ((0.85 * longer).ln(), 0.40)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_step_to_a_stepped_camera_is_the_step() {
        let camera = FloorCamera {
            image_size: [1280, 720],
            focal_px: 1100.0,
            rotation: Rotation3::from_euler_angles(1.9, 0.2, -0.4).into_inner(),
            translation_m: Vector3::new(0.3, -0.2, 4.0),
            covariance: CameraCovariance::zeros(),
            source: FloorSource::None,
        };
        let step = [0.1, 0.3, -0.2, 0.5, 0.7, -0.4, 1.1];
        let found = camera.step_to(&camera.stepped(&step));
        assert!((found - DVector::from_row_slice(&step)).norm() < 1e-12);
    }
}
