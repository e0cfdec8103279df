//! The camera from marks on the carpet whose carpet coordinates are known.
//!
//! Planar homography by the normalised direct linear transform (Hartley and Zisserman, *Multiple View Geometry*, 2nd ed., algorithm 4.2), focal length from
//! its two orthogonality constraints (Zhang, IEEE PAMI 22(11), 2000, with the principal point at the frame's middle), then all parameters by least squares on the
//! reprojection error.

use crate::error::{Error, Result};
use crate::floor::camera::{focal_prior, CameraCovariance, FloorCamera, PARAMETER_COUNT};
use crate::numerics::least_squares::{self, Options};
use crate::outcome::FloorSource;
use crate::types::{CarpetPoint, ImagePoint};
use nalgebra::{DMatrix, DVector, Matrix3, Vector3};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// A floor file: what a person marked.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FloorFile {
    /// Width and height of the upright frame the marks were read from, px.
    pub image_size: [usize; 2],
    /// Four marks or more, not on one line.
    pub marks: Vec<Mark>,
    /// Focal length, px, where known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub focal_px: Option<f64>,
    /// How well the marks were read off the frame (standard deviation), px; 1.5 where not said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sigma_px: Option<f64>,
    /// Time of the frame the marks were read from, seconds; the first frame where not said. Matters only where the camera moves.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time_s: Option<f64>,
}

/// One mark: where it is seen and where it lies.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Mark {
    /// Upright frame, px.
    pub image: [f64; 2],
    /// On the carpet, metres.
    pub carpet_m: [f64; 2],
}

/// How well marks are read where the file does not say, px.
pub const DEFAULT_SIGMA_PX: f64 = 1.5;

/// The fitted camera and what a person should know about the fit.
#[derive(Debug, Clone)]
pub struct MarksFit {
    /// The camera.
    pub camera: FloorCamera,
    /// Distance between each mark and where the fit puts it, px.
    pub residual_px: Vec<f64>,
    /// Notes.
    pub notes: Vec<String>,
}

impl FloorFile {
    /// Reads and checks a floor file.
    ///
    /// # Errors
    /// [`Error::Input`] with one sentence where the file is missing, is not such a file, or its marks cannot fix a floor.
    pub fn read(path: &Path) -> Result<Self> {
        let shown = path.display();
        let text = std::fs::read_to_string(path)
            .map_err(|e| Error::input(format!("The floor file {shown} cannot be read ({e}); check the path.")))?;
        let file: Self = serde_json::from_str(&text).map_err(|e| {
            Error::input(format!(
                "The floor file {shown} is not a floor file ({e}); it needs image_size and marks with image and carpet_m."
            ))
        })?;
        file.check()
            .map_err(|e| Error::input(format!("The floor file {shown} cannot be used: {e}")))?;
        Ok(file)
    }

    /// Refuses marks that cannot fix a floor.
    ///
    /// # Errors
    /// [`Error::Input`] with the reason.
    pub fn check(&self) -> Result<()> {
        if self.marks.len() < 4 {
            return Err(Error::input(format!(
                "{} marks are too few; give four or more carpet points with known coordinates.",
                self.marks.len()
            )));
        }
        if self.image_size.iter().any(|s| *s < 16) {
            return Err(Error::input(
                "image_size must be the width and height of the upright frame in pixels.",
            ));
        }
        for (k, m) in self.marks.iter().enumerate() {
            if m.image.iter().chain(&m.carpet_m).any(|x| !x.is_finite()) {
                return Err(Error::input(format!("mark {} has a number that is not finite.", k + 1)));
            }
            let [w, h] = self.image_size.map(|s| s as f64);
            if m.image[0] < -w || m.image[0] > 2.0 * w || m.image[1] < -h || m.image[1] > 2.0 * h {
                return Err(Error::input(format!(
                    "mark {} at ({:.0}, {:.0}) lies far outside the {w:.0}×{h:.0} frame; give image points in pixels of the upright frame.",
                    k + 1,
                    m.image[0],
                    m.image[1]
                )));
            }
        }
        if let Some(f) = self.focal_px {
            if !(f.is_finite() && f > 10.0) {
                return Err(Error::input("focal_px must be a positive focal length in pixels."));
            }
        }
        if let Some(t) = self.time_s {
            if !(t.is_finite() && t >= 0.0) {
                return Err(Error::input(
                    "time_s must be the time of the marked frame in seconds from the recording's start.",
                ));
            }
        }
        if let Some(s) = self.sigma_px {
            if !(s.is_finite() && s > 0.0) {
                return Err(Error::input("sigma_px must be a positive standard deviation in pixels."));
            }
        }
        for (what, of) in [("carpet", 0), ("image", 1)] {
            let points: Vec<[f64; 2]> = self.marks.iter().map(|m| if of == 0 { m.carpet_m } else { m.image }).collect();
            if spread_ratio(&points) < 0.01 {
                return Err(Error::input(format!(
                    "the marks lie on one line (or on one spot) in the {what}; add a mark well off that line."
                )));
            }
        }
        if !has_four_in_general_position(&self.marks) {
            return Err(Error::input(
                "all marks but one lie on one line; add a mark off that line so that four of them form a quadrilateral.",
            ));
        }
        Ok(())
    }

    /// Fits the camera.
    ///
    /// # Errors
    /// [`Error::Input`] where the marks do not fit any camera.
    pub fn fit(&self) -> Result<MarksFit> {
        self.check()?;
        let sigma_px = self.sigma_px.unwrap_or(DEFAULT_SIGMA_PX);
        let mut notes = Vec::new();
        let (w, h) = (self.image_size[0] as f64, self.image_size[1] as f64);
        let mut carpet: Vec<[f64; 2]> = self.marks.iter().map(|m| m.carpet_m).collect();
        let centred: Vec<[f64; 2]> = self.marks.iter().map(|m| [m.image[0] - w / 2.0, m.image[1] - h / 2.0]).collect();

        let homography = direct_linear_transform(&carpet, &centred)
            .ok_or_else(|| Error::input("the marks fit no plane seen by a camera; check the order of the marks."))?;
        let focal_from_marks = focal_from_homography(&homography);
        let (prior_ln, prior_sd) = match self.focal_px {
            Some(f) => (f.ln(), 0.01),
            None => focal_prior(self.image_size),
        };
        let focal0 = self.focal_px.or(focal_from_marks).unwrap_or_else(|| prior_ln.exp());
        let mut start = pose_from_homography(&homography, focal0, self.image_size, &carpet);
        if start.centre().z < 0.0 {
            // Below the carpet: the carpet axes were given left-handed. Mirror y, so that up is up.
            notes.push(
                "The marks' carpet axes are left-handed (x to y turns clockwise seen from above); y was mirrored so that heights count upwards.".to_string(),
            );
            for c in &mut carpet {
                c[1] = -c[1];
            }
            let mirrored = direct_linear_transform(&carpet, &centred)
                .ok_or_else(|| Error::input("the marks fit no plane seen by a camera; check the order of the marks."))?;
            start = pose_from_homography(&mirrored, focal0, self.image_size, &carpet);
        }

        let residuals = |step: &DVector<f64>| {
            let camera = start.stepped(step.as_slice());
            let mut r = Vec::with_capacity(2 * carpet.len() + 1);
            for (c, m) in carpet.iter().zip(&self.marks) {
                match camera.project(CarpetPoint::new(c[0], c[1], 0.0)) {
                    Some(p) => {
                        r.push((p.u - m.image[0]) / sigma_px);
                        r.push((p.v - m.image[1]) / sigma_px);
                    }
                    None => r.extend([1e4, 1e4]),
                }
            }
            r.push((camera.focal_px.ln() - prior_ln) / prior_sd);
            DVector::from_vec(r)
        };
        let solution = least_squares::solve(residuals, DVector::zeros(PARAMETER_COUNT), &Options::default());
        let mut camera = start.stepped(solution.x.as_slice());

        let residual_px: Vec<f64> = carpet
            .iter()
            .zip(&self.marks)
            .map(|(c, m)| {
                camera
                    .project(CarpetPoint::new(c[0], c[1], 0.0))
                    .map_or(f64::INFINITY, |p| p.distance_px(ImagePoint::new(m.image[0], m.image[1])))
            })
            .collect();
        let chi2: f64 = residual_px.iter().map(|r| (r / sigma_px).powi(2)).sum();
        let freedom = (2 * self.marks.len()) as f64 - PARAMETER_COUNT as f64;
        // Residuals larger than the stated reading error mean that something else is wrong (a slip, a lens, a carpet that is not flat): widen by Birge's ratio.
        let birge = (chi2 / freedom.max(1.0)).max(1.0);
        if birge > 4.0 {
            notes.push(format!(
                "The marks miss the fit by up to {:.1} px, more than the {sigma_px:.1} px they were read with; uncertainties were widened {:.1} times. Check the marks' coordinates.",
                residual_px.iter().copied().fold(0.0, f64::max),
                birge.sqrt()
            ));
        }
        if chi2 > 1e6 || !residual_px.iter().all(|r| r.is_finite()) {
            return Err(Error::input(
                "the marks do not fit a flat carpet seen by a camera (they miss by hundreds of pixels); check that each image point goes with its carpet point.",
            ));
        }
        if self.focal_px.is_none() && focal_from_marks.is_none() {
            notes.push("The marks do not fix the focal length; a stated prior was used.".to_string());
        }
        camera.covariance = CameraCovariance::from_fn(|i, k| solution.covariance[(i, k)] * birge);
        Ok(MarksFit {
            camera,
            residual_px,
            notes,
        })
    }
}

/// Smaller over larger standard deviation of a point set along its principal axes.
fn spread_ratio(points: &[[f64; 2]]) -> f64 {
    let n = points.len() as f64;
    let mean = points.iter().fold([0.0, 0.0], |m, p| [m[0] + p[0] / n, m[1] + p[1] / n]);
    let (mut a, mut b, mut c) = (0.0, 0.0, 0.0);
    for p in points {
        let (x, y) = (p[0] - mean[0], p[1] - mean[1]);
        a += x * x;
        b += x * y;
        c += y * y;
    }
    let middle = 0.5 * (a + c);
    let radius = (0.25 * (a - c) * (a - c) + b * b).sqrt();
    if middle + radius <= 0.0 {
        return 0.0;
    }
    ((middle - radius).max(0.0) / (middle + radius)).sqrt()
}

/// Whether some four marks have no three on one line (else a homography has a free direction).
fn has_four_in_general_position(marks: &[Mark]) -> bool {
    let area = |a: &Mark, b: &Mark, c: &Mark| {
        let p = |m: &Mark| Vector3::new(m.carpet_m[0], m.carpet_m[1], 0.0);
        let (ab, ac) = (p(b) - p(a), p(c) - p(a));
        let scale = ab.norm().max(ac.norm()).max((p(c) - p(b)).norm());
        ab.cross(&ac).norm() / (scale * scale).max(1e-12)
    };
    let ok = |a: &Mark, b: &Mark, c: &Mark| area(a, b, c) > 0.005;
    let n = marks.len();
    for i in 0..n {
        for j in i + 1..n {
            for k in j + 1..n {
                if !ok(&marks[i], &marks[j], &marks[k]) {
                    continue;
                }
                for l in k + 1..n {
                    let (a, b, c, d) = (&marks[i], &marks[j], &marks[k], &marks[l]);
                    if ok(a, b, d) && ok(a, c, d) && ok(b, c, d) {
                        return true;
                    }
                }
            }
        }
    }
    false
}

/// Homography from carpet (metres) to image (px about the principal point).
pub(crate) fn direct_linear_transform(carpet: &[[f64; 2]], image: &[[f64; 2]]) -> Option<Matrix3<f64>> {
    let (tc, nc) = normalised(carpet)?;
    let (ti, ni) = normalised(image)?;
    let rows = (2 * carpet.len()).max(9);
    let mut a = DMatrix::zeros(rows, 9);
    for (k, (c, i)) in nc.iter().zip(&ni).enumerate() {
        let (x, y, u, v) = (c[0], c[1], i[0], i[1]);
        for (col, value) in [x, y, 1.0, 0.0, 0.0, 0.0, -u * x, -u * y, -u].into_iter().enumerate() {
            a[(2 * k, col)] = value;
        }
        for (col, value) in [0.0, 0.0, 0.0, x, y, 1.0, -v * x, -v * y, -v].into_iter().enumerate() {
            a[(2 * k + 1, col)] = value;
        }
    }
    let svd = a.svd(false, true);
    let v_t = svd.v_t?;
    let smallest = svd.singular_values.imin();
    let row = v_t.row(smallest);
    let h = Matrix3::from_row_slice(&row.iter().copied().collect::<Vec<_>>());
    Some(ti.try_inverse()? * h * tc)
}

/// Hartley's normalisation: mean at the origin, mean distance √2.
fn normalised(points: &[[f64; 2]]) -> Option<(Matrix3<f64>, Vec<[f64; 2]>)> {
    let n = points.len() as f64;
    let mean = points.iter().fold([0.0, 0.0], |m, p| [m[0] + p[0] / n, m[1] + p[1] / n]);
    let distance = points.iter().map(|p| (p[0] - mean[0]).hypot(p[1] - mean[1])).sum::<f64>() / n;
    if distance <= 0.0 {
        return None;
    }
    let s = std::f64::consts::SQRT_2 / distance;
    let t = Matrix3::new(s, 0.0, -s * mean[0], 0.0, s, -s * mean[1], 0.0, 0.0, 1.0);
    Some((t, points.iter().map(|p| [s * (p[0] - mean[0]), s * (p[1] - mean[1])]).collect()))
}

/// Focal length from the homography's columns being images of two orthonormal directions; `None` where they do not fix it (camera straight above, or level).
fn focal_from_homography(h: &Matrix3<f64>) -> Option<f64> {
    // h1·ω·h2 = 0 and h1·ω·h1 = h2·ω·h2 with ω = diag(1/f², 1/f², 1): two linear equations in 1/f².
    let (a, b) = (h.column(0), h.column(1));
    let (p1, q1) = (a[0] * b[0] + a[1] * b[1], a[2] * b[2]);
    let (p2, q2) = (a[0] * a[0] + a[1] * a[1] - b[0] * b[0] - b[1] * b[1], a[2] * a[2] - b[2] * b[2]);
    let inverse_square = -(p1 * q1 + p2 * q2) / (p1 * p1 + p2 * p2);
    (inverse_square.is_finite() && inverse_square > 1e-12)
        .then(|| inverse_square.sqrt().recip())
        .filter(|f| (50.0..200_000.0).contains(f))
}

/// Rotation and translation from a homography and a focal length, with the marks in front of the camera.
pub(crate) fn pose_from_homography(h: &Matrix3<f64>, focal_px: f64, image_size: [usize; 2], carpet: &[[f64; 2]]) -> FloorCamera {
    let k_inverse = Matrix3::from_diagonal(&Vector3::new(1.0 / focal_px, 1.0 / focal_px, 1.0));
    let m = k_inverse * h;
    let scale = 2.0 / (m.column(0).norm() + m.column(1).norm());
    // The homography's sign is free: the marks' middle must lie in front of the camera.
    let n = carpet.len() as f64;
    let middle = carpet
        .iter()
        .fold(Vector3::new(0.0, 0.0, 1.0), |m, c| m + Vector3::new(c[0] / n, c[1] / n, 0.0));
    let sign = if (m * middle).z < 0.0 { -1.0 } else { 1.0 };
    let m = m * scale * sign;
    let (r1, r2, t) = (m.column(0).into_owned(), m.column(1).into_owned(), m.column(2).into_owned());
    let raw = Matrix3::from_columns(&[r1, r2, r1.cross(&r2)]);
    let svd = raw.svd(true, true);
    let (u, v_t) = (svd.u.unwrap_or_else(Matrix3::identity), svd.v_t.unwrap_or_else(Matrix3::identity));
    let mut d = Matrix3::identity();
    d[(2, 2)] = (u * v_t).determinant().signum();
    FloorCamera {
        image_size,
        focal_px,
        rotation: u * d * v_t,
        translation_m: t,
        covariance: CameraCovariance::zeros(),
        source: FloorSource::Marks,
    }
}
