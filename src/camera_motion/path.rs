//! The camera's turn and zoom over one shot, from its series of homographies.
//!
//! Each frame's homography to its key frame is explained by a turn `R` and a change of focal length `z`, `K_key R K_frame⁻¹`, weighted by the homography's own covariance. What it
//! leaves unexplained near the athlete's feet is the miss: parallax of a camera that changed its place, a bent lens, a wrong focal length. The focal length is given (by the
//! marks), or it is the one within the stated prior that explains the shot's homographies best.

use super::plane;
use super::series::{CameraState, FrameMotion, NearFeet, ShotMotion, LOST_PX};
use crate::floor::camera::focal_prior;
use crate::numerics::least_squares::{self, Options};
use crate::types::ImagePoint;
use nalgebra::{DVector, Matrix3, Matrix4, Rotation3, SMatrix, Vector3};
use std::collections::HashMap;

/// Covariance over (rotation vector about the first frame's camera axes in radians × 3, ln zoom).
pub type TurnCovariance = Matrix4<f64>;

/// One frame's camera against the first frame's.
#[derive(Debug, Clone)]
pub struct FramePose {
    /// This camera's axes to the first one's.
    pub rotation: Matrix3<f64>,
    /// ln of the focal length over the first frame's.
    pub ln_zoom: f64,
    /// How well both are known.
    pub covariance: TurnCovariance,
    /// How much the background near the feet misses the turn and zoom (root mean square), px of this frame.
    pub miss_px: f64,
    /// Root mean square distance of all fitting background points from their homography, px of this frame.
    pub residual_px: f64,
}

impl FramePose {
    /// Whether the carpet about the feet was found again, so that the miss says something.
    pub fn holds_carpet(&self) -> bool {
        self.miss_px < 0.1 * LOST_PX
    }
}

/// The camera over one shot.
#[derive(Debug, Clone)]
pub struct ShotPath {
    /// Position of the first frame.
    pub first: usize,
    /// Position of the last frame.
    pub last: usize,
    /// What was seen of the camera.
    pub state: CameraState,
    /// Focal length in the first frame, px.
    pub focal_px: f64,
    /// One entry a frame from `first` to `last`; `None` where it could not be registered. Empty unless the camera moves.
    pub poses: Vec<Option<FramePose>>,
    /// Largest shift of the background that was taken for none, px.
    pub unseen_shift_px: f64,
    image_size: [usize; 2],
}

/// Homographies looked at for the focal length.
const FOCAL_SAMPLE: usize = 24;
/// Steps of the search for the focal length, each way.
const FOCAL_STEPS: i32 = 8;
/// A pose that magnifies the picture more than this against the first frame is not used: the mapped points lie far outside it.
const LARGEST_STRETCH: f64 = 6.0;

impl ShotPath {
    /// The path of a shot. `focal`: focal length, px, and the position of the frame it holds for, where known.
    pub fn new(shot: &ShotMotion, image_size: [usize; 2], focal: Option<(f64, usize)>) -> Self {
        let mut path = Self {
            first: shot.first,
            last: shot.last,
            state: shot.state,
            focal_px: focal.map_or_else(|| focal_prior(image_size).0.exp(), |f| f.0),
            poses: Vec::new(),
            unseen_shift_px: shot.unseen_shift_px,
            image_size,
        };
        if shot.state != CameraState::Moving {
            return path;
        }
        match focal {
            Some((focal_px, at)) => {
                // The zoom hardly depends on the focal length: once to find it, once more with the focal length it gives.
                path.poses = path.solved(shot);
                if let Some(pose) = path.pose(at) {
                    path.focal_px = focal_px / pose.ln_zoom.exp();
                }
            }
            None => path.focal_px = path.best_focal(shot),
        }
        path.poses = path.solved(shot);
        path
    }

    /// A frame's camera; `None` where it could not be registered (or the shot has none to register).
    pub fn pose(&self, position: usize) -> Option<&FramePose> {
        self.poses.get(position.checked_sub(self.first)?)?.as_ref()
    }

    /// The homography from one frame to another, px; `None` where either is not registered.
    pub fn between(&self, from: usize, to: usize) -> Option<Matrix3<f64>> {
        if self.state != CameraState::Moving || from == to {
            return Some(Matrix3::identity());
        }
        let (a, b) = (self.pose(from)?, self.pose(to)?);
        let h = self.intrinsic(b.ln_zoom) * b.rotation.transpose() * a.rotation * self.intrinsic(a.ln_zoom).try_inverse()?;
        Some(h / h[(2, 2)])
    }

    /// Middle of the frame, px.
    pub fn middle(&self) -> ImagePoint {
        ImagePoint::new(self.image_size[0] as f64 / 2.0, self.image_size[1] as f64 / 2.0)
    }

    fn intrinsic(&self, ln_zoom: f64) -> Matrix3<f64> {
        intrinsic(self.image_size, self.focal_px * ln_zoom.exp())
    }

    fn solved(&self, shot: &ShotMotion) -> Vec<Option<FramePose>> {
        let mut poses: Vec<Option<FramePose>> = vec![None; shot.last + 1 - shot.first];
        let scale = (self.image_size[0] as f64 / 640.0).max(1.0);
        let still = FramePose {
            rotation: Matrix3::identity(),
            ln_zoom: 0.0,
            covariance: TurnCovariance::identity() * (0.35 * scale / self.focal_px).powi(2),
            miss_px: shot.unseen_shift_px.max(0.1 * scale),
            residual_px: shot.unseen_shift_px,
        };
        let until = (shot.still_until - shot.first).min(poses.len().saturating_sub(1));
        for pose in &mut poses[..=until] {
            *pose = Some(still.clone());
        }
        poses[0] = Some(FramePose {
            covariance: TurnCovariance::zeros(),
            miss_px: 0.0,
            residual_px: 0.0,
            ..still
        });
        for frame in &shot.frames {
            let Some(key) = frame.key.checked_sub(shot.first).and_then(|k| poses.get(k).cloned().flatten()) else {
                continue;
            };
            let Some(turn) = Turn::fit(self.image_size, self.focal_px * key.ln_zoom.exp(), frame) else {
                continue;
            };
            // An error of the relative turn is one about the key frame's axes; about the first frame's it is turned along.
            let mut along = Matrix4::identity();
            along.fixed_view_mut::<3, 3>(0, 0).copy_from(&key.rotation);
            let pose = FramePose {
                rotation: key.rotation * turn.rotation,
                ln_zoom: key.ln_zoom + turn.ln_zoom,
                covariance: key.covariance + along * turn.covariance * along.transpose(),
                miss_px: turn.miss_px.hypot(key.miss_px * turn.ln_zoom.exp()),
                residual_px: frame.residual_px,
            };
            if self.usable(&pose) {
                if let Some(slot) = frame.position.checked_sub(shot.first).and_then(|p| poses.get_mut(p)) {
                    *slot = Some(pose);
                }
            }
        }
        poses
    }

    /// Whether the frame's middle still maps into a picture plane that the first frame's camera has.
    fn usable(&self, pose: &FramePose) -> bool {
        let ahead = pose.rotation * Vector3::z();
        ahead.z > 0.3 && (-pose.ln_zoom).exp() / ahead.z.powi(3) < LARGEST_STRETCH
    }

    /// The focal length, within the prior, that explains the homographies best.
    fn best_focal(&self, shot: &ShotMotion) -> f64 {
        let (prior, sd) = focal_prior(self.image_size);
        let key_zoom: HashMap<usize, f64> = shot
            .frames
            .iter()
            .scan(HashMap::from([(shot.first, 0.0)]), |known: &mut HashMap<usize, f64>, f| {
                let zoom =
                    known.get(&f.key).copied().unwrap_or(0.0) + Turn::fit(self.image_size, self.focal_px, f).map_or(0.0, |t| t.ln_zoom);
                known.insert(f.position, zoom);
                Some((f.position, zoom))
            })
            .chain([(shot.first, 0.0)])
            .collect();
        let corners = plane::corners_of(self.image_size);
        let mut sample: Vec<&FrameMotion> = shot.frames.iter().collect();
        let shift = |f: &FrameMotion| -> f64 { f.corners_px.iter().zip(&corners).map(|(c, p)| (c[0] - p.u).hypot(c[1] - p.v)).sum() };
        sample.sort_by(|a, b| shift(b).total_cmp(&shift(a)));
        sample.truncate(FOCAL_SAMPLE);
        let cost = |ln_focal: f64| -> f64 {
            let misfit: f64 = sample
                .iter()
                .filter_map(|f| Turn::fit(self.image_size, (ln_focal + key_zoom.get(&f.key).copied().unwrap_or(0.0)).exp(), f))
                .map(|t| t.cost)
                .sum();
            // The frames of a shot share their errors: they count together as one.
            misfit / sample.len().max(1) as f64 + ((ln_focal - prior) / sd).powi(2)
        };
        let step = 2.0 * sd / f64::from(FOCAL_STEPS);
        (-FOCAL_STEPS..=FOCAL_STEPS)
            .map(|k| prior + step * f64::from(k))
            .map(|x| (x, cost(x)))
            .min_by(|a, b| a.1.total_cmp(&b.1))
            .map_or(prior, |(x, _)| {
                // The bottom of the parabola through the best and its neighbours.
                let (a, b, c) = (cost(x - step), cost(x), cost(x + step));
                let bend = a - 2.0 * b + c;
                if bend > 1e-12 {
                    x + (0.5 * step * (a - c) / bend).clamp(-step, step)
                } else {
                    x
                }
            })
            .exp()
    }
}

/// Camera matrix with the principal point in the middle, px.
pub fn intrinsic(image_size: [usize; 2], focal_px: f64) -> Matrix3<f64> {
    let (cx, cy) = (image_size[0] as f64 / 2.0, image_size[1] as f64 / 2.0);
    Matrix3::new(focal_px, 0.0, cx, 0.0, focal_px, cy, 0.0, 0.0, 1.0)
}

/// Turn and zoom from one frame to its key frame.
struct Turn {
    rotation: Matrix3<f64>,
    ln_zoom: f64,
    covariance: TurnCovariance,
    miss_px: f64,
    cost: f64,
}

impl Turn {
    fn fit(image_size: [usize; 2], key_focal_px: f64, frame: &FrameMotion) -> Option<Self> {
        let whiten = frame.covariance().cholesky()?.inverse().cholesky()?.l().transpose();
        let corners = plane::corners_of(image_size);
        let key = intrinsic(image_size, key_focal_px);
        let of = |x: &DVector<f64>| -> Option<Matrix3<f64>> {
            let turn = Rotation3::new(Vector3::new(x[0], x[1], x[2])).into_inner();
            Some(key * turn * intrinsic(image_size, key_focal_px * x[3].exp()).try_inverse()?)
        };
        let residuals = |x: &DVector<f64>| {
            let mut r = SMatrix::<f64, 8, 1>::repeat(1e6);
            if let Some(h) = of(x) {
                for (k, c) in corners.iter().enumerate() {
                    if let Some(p) = plane::apply(&h, *c) {
                        r[2 * k] = p.u - frame.corners_px[k][0];
                        r[2 * k + 1] = p.v - frame.corners_px[k][1];
                    }
                }
            }
            let w = whiten * r;
            DVector::from_iterator(8, w.iter().copied())
        };
        // Start from where the middle went and how far the corners lie apart.
        let middle = frame
            .corners_px
            .iter()
            .fold([0.0, 0.0], |m, c| [m[0] + c[0] / 4.0, m[1] + c[1] / 4.0]);
        let (cx, cy) = (image_size[0] as f64 / 2.0, image_size[1] as f64 / 2.0);
        let across = (frame.corners_px[2][0] - frame.corners_px[0][0]).hypot(frame.corners_px[2][1] - frame.corners_px[0][1]);
        let roll = (frame.corners_px[2][1] - frame.corners_px[0][1]).atan2(frame.corners_px[2][0] - frame.corners_px[0][0]) - cy.atan2(cx);
        let start = DVector::from_vec(vec![
            -(middle[1] - cy) / key_focal_px,
            (middle[0] - cx) / key_focal_px,
            roll,
            -(across / (2.0 * cx.hypot(cy))).max(1e-3).ln(),
        ]);
        let solution = least_squares::solve(
            residuals,
            start,
            &Options {
                max_steps: 25,
                ..Options::default()
            },
        );
        let h = of(&solution.x)?;
        let covariance = TurnCovariance::from_fn(|i, k| solution.covariance[(i, k)]);
        covariance.iter().all(|c| c.is_finite()).then(|| Self {
            rotation: Rotation3::new(Vector3::new(solution.x[0], solution.x[1], solution.x[2])).into_inner(),
            ln_zoom: solution.x[3],
            covariance,
            miss_px: miss_near(image_size, &h, frame),
            cost: solution.cost,
        })
    }
}

/// How much the background near the feet misses the homography `h`: its own scatter about the free homography, and that one's distance from `h` over the same area.
fn miss_near(image_size: [usize; 2], h: &Matrix3<f64>, frame: &FrameMotion) -> f64 {
    let NearFeet {
        at_px,
        spread_px,
        residual_px,
        ..
    } = frame.near;
    let Some(free) = plane::from_corners(image_size, &frame.corners_px) else {
        return LOST_PX;
    };
    let mut square = 0.0;
    for (du, dv) in [(0.0, 0.0), (1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)] {
        let p = ImagePoint::new(at_px[0] + 1.4 * du * spread_px[0], at_px[1] + 1.4 * dv * spread_px[1]);
        square += match (plane::apply(h, p), plane::apply(&free, p)) {
            (Some(a), Some(b)) => a.distance_px(b).powi(2) / 5.0,
            _ => 1e12,
        };
    }
    residual_px.hypot(square.sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::SMatrix;

    const SIZE: [usize; 2] = [1280, 720];
    const FOCAL_PX: f64 = 1080.0;

    /// A camera at `centre` (carpet frame, metres) that looks at the leg, and what it sees of a point.
    fn camera(centre: Vector3<f64>) -> (Matrix3<f64>, Vector3<f64>) {
        let ahead = (Vector3::new(0.0, 0.0, 0.3) - centre).normalize();
        let right = ahead.cross(&Vector3::z()).normalize();
        let down = ahead.cross(&right);
        (
            Matrix3::from_rows(&[right.transpose(), down.transpose(), ahead.transpose()]),
            centre,
        )
    }

    fn see(camera: &(Matrix3<f64>, Vector3<f64>), p: Vector3<f64>) -> ImagePoint {
        let c = camera.0 * (p - camera.1);
        ImagePoint::new(640.0 + FOCAL_PX * c.x / c.z, 360.0 + FOCAL_PX * c.y / c.z)
    }

    /// A frame whose background is nothing but carpet, seen by a camera that went from one place to another: the homography of the plane, exact.
    fn frame_over_carpet(before: &(Matrix3<f64>, Vector3<f64>), after: &(Matrix3<f64>, Vector3<f64>)) -> FrameMotion {
        let grid: Vec<(ImagePoint, ImagePoint)> = (-4..=4)
            .flat_map(|x| (-4..=4).map(move |y| Vector3::new(0.4 * f64::from(x), 0.4 * f64::from(y), 0.0)))
            .map(|p| (see(after, p), see(before, p)))
            .collect();
        let matches: Vec<plane::Match> = grid
            .iter()
            .map(|(from, to)| plane::Match {
                from: *from,
                to: *to,
                weight: 1.0,
            })
            .collect();
        let start = intrinsic(SIZE, FOCAL_PX) * before.0 * after.0.transpose() * intrinsic(SIZE, FOCAL_PX).try_inverse().unwrap();
        let fit = plane::fit(SIZE, &matches, &start).unwrap();
        let covariance = SMatrix::<f64, 8, 8>::identity() * 0.04 + fit.covariance;
        let n = grid.len() as f64;
        let at = grid.iter().fold([0.0; 2], |m, (p, _)| [m[0] + p.u / n, m[1] + p.v / n]);
        let spread = grid
            .iter()
            .fold([0.0; 2], |m, (p, _)| {
                [m[0] + (p.u - at[0]).powi(2) / n, m[1] + (p.v - at[1]).powi(2) / n]
            })
            .map(f64::sqrt);
        FrameMotion {
            position: 1,
            key: 0,
            corners_px: fit.corners_px,
            covariance_px2: (0..8).flat_map(|i| (i..8).map(move |k| (i, k))).map(|e| covariance[e]).collect(),
            points: grid.len(),
            inlier_share: 1.0,
            residual_px: 0.1,
            near: NearFeet {
                at_px: at,
                spread_px: spread,
                points: grid.len(),
                expected: grid.len(),
                residual_px: 0.1,
            },
        }
    }

    fn pose_of(frame: FrameMotion, focal: Option<f64>) -> FramePose {
        let shot = ShotMotion {
            first: 0,
            last: 1,
            state: CameraState::Moving,
            unseen_shift_px: 0.0,
            still_until: 0,
            frames: vec![frame],
        };
        ShotPath::new(&shot, SIZE, focal.map(|f| (f, 0))).pose(1).unwrap().clone()
    }

    /// Where nothing but the carpet is seen, a free homography follows it exactly whatever the camera does; only the turn-and-zoom model shows that the camera changed its place. The
    /// elevation it would get wrong (exact geometry of two cameras) must show in the miss.
    #[test]
    fn a_camera_that_changes_its_place_over_bare_carpet_is_told() {
        let from = camera(Vector3::new(0.0, -4.0, 0.7));
        for (shift, least_px) in [([0.3, 0.0, 0.0], 3.0), ([0.0, 0.0, 0.3], 3.0), ([0.0, 0.8, 0.0], 3.0)] {
            let to = camera(from.1 + Vector3::from(shift));
            for focal in [Some(FOCAL_PX), None] {
                let miss = pose_of(frame_over_carpet(&from, &to), focal).miss_px;
                println!("{shift:?} focal {focal:?}: miss {miss:.1} px");
                assert!(miss > least_px, "{shift:?} focal {focal:?}: {miss}");
            }
        }
    }

    /// The turn between two exact cameras at one place comes out to the covariance stated.
    #[test]
    fn a_turn_is_recovered() {
        let from = camera(Vector3::new(0.0, -4.0, 0.7));
        let turn = Rotation3::new(Vector3::new(0.02, -0.08, 0.03)).into_inner();
        let to = (turn.transpose() * from.0, from.1);
        let pose = pose_of(frame_over_carpet(&from, &to), Some(FOCAL_PX));
        let off = Rotation3::from_matrix_unchecked(pose.rotation * turn.transpose()).scaled_axis();
        for i in 0..3 {
            assert!(off[i].abs() < 3.0 * pose.covariance[(i, i)].sqrt() && off[i].abs() < 1e-4, "{off}");
        }
        assert!(pose.ln_zoom.abs() < 1e-4);
        assert!(pose.miss_px < 0.3, "{}", pose.miss_px);
    }
}
