//! One person in one window: the landmark network, its points refined and brought back to the picture.

use super::accuracy::{covariance, Evidence, TYPICAL_SHANK_M};
use super::heatmap::{refine, HEATMAP_SIDE};
use super::region::{Border, Region};
use super::track::{Body, Landmark, LANDMARK_COUNT};
use crate::types::{Covariance2, ImagePoint, Keypoint, RgbImage};
use crate::{Error, Result};
use ort::session::Session;
use ort::value::TensorRef;

/// Side of the landmark network's square input, px.
pub const INPUT_SIDE: usize = 256;
/// Points that the network gives: the 33 landmarks and 6 helpers.
pub const POINT_COUNT: usize = 39;
/// The helper in the middle of the hips.
const HIPS_POINT: usize = 33;
/// The helper that gives the body's size and lean.
const SIZE_POINT: usize = 34;

/// The network's raw outputs for one crop.
#[derive(Debug, Clone, PartialEq)]
pub struct RawLandmarks {
    /// 39 × (x, y, z in px of the input, visibility logit, presence logit).
    pub landmarks: Vec<f32>,
    /// Probability that the crop shows a person.
    pub presence: f32,
    /// 39 planes of 64 × 64 logits.
    pub heatmap_logits: Vec<f32>,
    /// 39 × (x right, y down, z away), metres about the hips, turned with the crop.
    pub world_landmarks_m: Vec<f32>,
}

/// A person read from one window.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// The body in the picture.
    pub body: Body,
    /// The window for the next frame.
    pub next_region: Region,
    /// Radius of the circle about the whole body, px.
    pub radius_px: f64,
}

/// The landmark network's session.
pub struct Landmarks {
    session: Session,
}

impl Landmarks {
    /// A reader on an open session.
    pub(crate) fn new(session: Session) -> Self {
        Self { session }
    }

    /// The person in a window of the picture. Look at [`Body::presence`] before trusting it: the network gives points on an empty carpet too.
    ///
    /// # Errors
    /// [`Error::Input`] for a broken picture, [`Error::Ours`] where the network fails.
    pub fn read(&mut self, image: &RgbImage, region: &Region) -> Result<Reading> {
        let input = region.sample(image, INPUT_SIDE, Border::Nearest, 1.0 / 255.0, 0.0)?;
        let raw = self
            .run(&input)
            .map_err(|e| Error::ours(format!("The landmark network failed: {e}; please report this.")))?;
        reading(&raw, region, [image.width, image.height])
            .ok_or_else(|| Error::ours("The landmark network gave outputs of a wrong size or not finite; install the folder models anew."))
    }

    /// The raw outputs for one input. `input`: 256 × 256 × 3 values in [0, 1].
    ///
    /// # Errors
    /// ONNX Runtime's own.
    pub fn run(&mut self, input: &[f32]) -> ort::Result<RawLandmarks> {
        let tensor = TensorRef::from_array_view(([1, INPUT_SIDE, INPUT_SIDE, 3], input))?;
        let outputs = self.session.run(ort::inputs!["image" => tensor])?;
        let values = |name: &str| outputs[name].try_extract_tensor::<f32>().map(|(_, v)| v.to_vec());
        Ok(RawLandmarks {
            landmarks: values("landmarks")?,
            presence: values("presence")?.first().copied().unwrap_or(f32::NAN),
            heatmap_logits: values("heatmap_logits")?,
            world_landmarks_m: values("world_landmarks_m")?,
        })
    }
}

fn logistic(logit: f32) -> f64 {
    1.0 / (1.0 + f64::from(-logit).exp())
}

/// Raw outputs brought to the picture; `None` where they have a wrong size or are not finite.
pub(crate) fn reading(raw: &RawLandmarks, region: &Region, image_size: [usize; 2]) -> Option<Reading> {
    let cells = HEATMAP_SIDE * HEATMAP_SIDE;
    let sizes_fit = raw.landmarks.len() == POINT_COUNT * 5
        && raw.heatmap_logits.len() == POINT_COUNT * cells
        && raw.world_landmarks_m.len() == POINT_COUNT * 3;
    let finite = raw.presence.is_finite() && raw.landmarks.iter().chain(&raw.world_landmarks_m).all(|v| v.is_finite());
    if !(sizes_fit && finite) {
        return None;
    }
    let mut points = Vec::with_capacity(POINT_COUNT);
    for (index, row) in raw.landmarks.chunks_exact(5).enumerate() {
        let (x, y) = (f64::from(row[0]) / INPUT_SIDE as f64, f64::from(row[1]) / INPUT_SIDE as f64);
        let refined = refine(&raw.heatmap_logits[index * cells..(index + 1) * cells], x, y);
        let at = refined.map_or_else(|| region.to_image(x, y), |r| region.to_image(r.x, r.y));
        let inside = (0.0..image_size[0] as f64).contains(&at.u) && (0.0..image_size[1] as f64).contains(&at.v);
        let evidence = Evidence {
            // What is outside the picture is not in view, whatever the network makes of it.
            visibility: if inside { logistic(row[3]) } else { 0.0 },
            inside,
            spread_cells2: refined.map(|r| turned(r.spread_cells2, region.rotation_rad)),
        };
        points.push((at, evidence));
    }
    let world_m = upright_world(&raw.world_landmarks_m[..LANDMARK_COUNT * 3], region.rotation_rad);
    let body_points: Vec<(ImagePoint, f64)> = points[..LANDMARK_COUNT].iter().map(|(at, e)| (*at, e.visibility)).collect();
    let px_per_m = px_per_m(&body_points, &world_m);
    let shank_px = shank_m(&world_m) * px_per_m;
    let keypoints: Vec<Keypoint> = points[..LANDMARK_COUNT]
        .iter()
        .enumerate()
        .map(|(index, (at, evidence))| Keypoint {
            at: *at,
            covariance: covariance(index, shank_px, evidence),
            visibility: evidence.visibility,
        })
        .collect();
    let (hips, size_point) = (points[HIPS_POINT].0, points[SIZE_POINT].0);
    Some(Reading {
        body: Body::new(&keypoints, &world_m, f64::from(raw.presence), px_per_m),
        next_region: Region::about_body(hips, size_point),
        radius_px: hips.distance_px(size_point),
    })
}

/// The network's metric landmarks are turned with its crop; this turns them back, so that their axes are the camera's.
fn upright_world(world: &[f32], rotation_rad: f64) -> Vec<[f64; 3]> {
    let (sin, cos) = rotation_rad.sin_cos();
    world
        .chunks_exact(3)
        .map(|p| {
            let (x, y, z) = (f64::from(p[0]), f64::from(p[1]), f64::from(p[2]));
            [cos * x - sin * y, sin * x + cos * y, z]
        })
        .collect()
}

/// A covariance given in the crop's axes, in the picture's.
fn turned(c: Covariance2, rotation_rad: f64) -> Covariance2 {
    let (sin, cos) = rotation_rad.sin_cos();
    let turn = nalgebra::Matrix2::new(cos, -sin, sin, cos);
    let m = turn * c.matrix() * turn.transpose();
    Covariance2 {
        uu: m[(0, 0)],
        uv: m[(0, 1)],
        vv: m[(1, 1)],
    }
}

/// Mean length of the two shanks of the metric landmarks, metres.
pub(crate) fn shank_m(world_m: &[[f64; 3]]) -> f64 {
    let length = |a: Landmark, b: Landmark| {
        let (p, q) = (world_m[a as usize], world_m[b as usize]);
        ((p[0] - q[0]).powi(2) + (p[1] - q[1]).powi(2) + (p[2] - q[2]).powi(2)).sqrt()
    };
    let mean = 0.5 * (length(Landmark::LeftKnee, Landmark::LeftAnkle) + length(Landmark::RightKnee, Landmark::RightAnkle));
    // An invented body can have legs of any length; the covariances must not follow it.
    if mean > 0.5 * TYPICAL_SHANK_M && mean < 1.5 * TYPICAL_SHANK_M {
        mean
    } else {
        TYPICAL_SHANK_M
    }
}

/// Pixels per metre at the body: least squares of one scale and one shift that carry x, y of `world_m` onto the image points, weighted by visibility (weak
/// perspective).
pub(crate) fn px_per_m(points: &[(ImagePoint, f64)], world_m: &[[f64; 3]]) -> f64 {
    // Shoulders, hips and what lies below; the face is small and the hands move fast.
    let used = (11..=12).chain(23..LANDMARK_COUNT);
    // Weight, u, v, x, y.
    let rows: Vec<[f64; 5]> = used
        .map(|i| {
            let ((at, visibility), world) = (&points[i], &world_m[i]);
            [visibility + 0.05, at.u, at.v, world[0], world[1]]
        })
        .collect();
    let total: f64 = rows.iter().map(|r| r[0]).sum();
    let mean = |of: &dyn Fn(&[f64; 5]) -> f64| rows.iter().map(|r| r[0] * of(r)).sum::<f64>() / total;
    let [mu, mv, mx, my] = [1, 2, 3, 4].map(|k| mean(&|r| r[k]));
    let cross = mean(&|r| (r[1] - mu) * (r[3] - mx) + (r[2] - mv) * (r[4] - my));
    let spread = mean(&|r| (r[3] - mx).powi(2) + (r[4] - my).powi(2));
    // A scale can be neither nought nor negative, even for points that no body made.
    (cross / spread.max(1e-9)).max(1e-3)
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn scale_is_found_from_metric_points() {
        let world: Vec<[f64; 3]> = (0..LANDMARK_COUNT)
            .map(|i| [(i as f64 * 0.7).sin() * 0.4, (i as f64 * 0.3).cos() * 0.8, 0.1])
            .collect();
        let points: Vec<(ImagePoint, f64)> = world
            .iter()
            .map(|w| (ImagePoint::new(500.0 + 230.0 * w[0], 300.0 + 230.0 * w[1]), 0.9))
            .collect();
        assert_relative_eq!(px_per_m(&points, &world), 230.0, max_relative = 1e-9);
    }

    #[test]
    fn outputs_of_a_wrong_size_or_not_finite_are_refused() {
        let region = Region::whole(100, 100);
        let good = RawLandmarks {
            landmarks: vec![1.0; POINT_COUNT * 5],
            presence: 0.9,
            heatmap_logits: vec![-5.0; POINT_COUNT * 4096],
            world_landmarks_m: vec![0.1; POINT_COUNT * 3],
        };
        assert!(reading(&good, &region, [100, 100]).is_some());
        let mut short = good.clone();
        short.landmarks.pop();
        assert!(reading(&short, &region, [100, 100]).is_none());
        let mut broken = good;
        broken.world_landmarks_m[5] = f32::NAN;
        assert!(reading(&broken, &region, [100, 100]).is_none());
    }
}
