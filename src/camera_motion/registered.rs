//! The track's points in the frame that the floor belongs to.
//!
//! Where the camera stood still, nothing is touched. In a moving shot every frame's points, covariances and sizes are mapped to the reference frame: the one the marks were read
//! from, where it lies in this shot, else the shot's first frame. A point's own covariance turns with the map's derivative; the registration's own uncertainty is common to all
//! points of a frame, so it goes into the camera ([`Registered::camera`]), not into the points.

use super::path::{FramePose, ShotPath, TurnCovariance};
use super::plane;
use super::series::CameraState;
use crate::floor::camera::{CameraCovariance, FloorCamera};
use crate::hold::Span;
use crate::outcome::{CameraMotionReport, CameraMotionState};
use crate::pose::track::{Body, LegReading, PoseFrame, Track, LANDMARK_COUNT};
use crate::types::{Covariance2, ImagePoint, Keypoint};
use nalgebra::{Matrix3, SMatrix, Vector3};
use std::borrow::Cow;

/// Half the breadth of the carpet around the feet over which the miss tilts the floor, metres.
const TILT_ARM_M: f64 = 0.5;
/// Most of a stance's frames that may be missing.
const MISSING_SHARE: f64 = 0.2;

/// What a hold in a moving shot is known by.
#[derive(Debug, Clone)]
pub struct HoldMotion {
    /// Share of its frames that could not be registered, or in which the carpet about the feet was not found again.
    pub missing_share: f64,
    /// Median miss of the background near the feet, px of the frames themselves; infinite where nothing was registered.
    pub miss_px: f64,
    /// Covariance of turn and zoom between a frame of the hold and the reference, about the reference camera's axes (median frame).
    pub covariance: TurnCovariance,
}

/// The camera's path through the recording, ready to map points.
#[derive(Debug, Clone)]
pub struct Registered {
    paths: Vec<ShotPath>,
    /// Frame the marks were read from, where it can be used.
    marks_at: Option<usize>,
}

impl Registered {
    /// From the track's series. `marks`: focal length of the marks' camera, px, and time of the frame they were read from, seconds.
    pub fn new(track: &Track, marks: Option<(f64, f64)>) -> Self {
        let marks_at = marks.map(|(_, time_s)| track.nearest(time_s));
        let paths: Vec<ShotPath> = track
            .camera_motion
            .shots
            .iter()
            .map(|shot| {
                let here = marks_at.filter(|m| (shot.first..=shot.last).contains(m));
                ShotPath::new(shot, track.image_size, marks.zip(here).map(|((focal, _), at)| (focal, at)))
            })
            .collect();
        let mut registered = Self { paths, marks_at };
        registered.marks_at = marks_at.filter(|m| {
            registered
                .path(*m)
                .is_none_or(|p| p.state != CameraState::Moving || p.pose(*m).is_some())
        });
        registered
    }

    /// Whether the camera moved anywhere.
    pub fn moves(&self) -> bool {
        self.paths.iter().any(|p| p.state == CameraState::Moving)
    }

    /// The shot a frame belongs to.
    pub fn path(&self, position: usize) -> Option<&ShotPath> {
        let next = self.paths.partition_point(|p| p.first <= position);
        self.paths.get(next.checked_sub(1)?)
    }

    /// The shot of a frame, where the camera moves in it.
    pub fn moving(&self, position: usize) -> Option<&ShotPath> {
        self.path(position).filter(|p| p.state == CameraState::Moving)
    }

    /// Frames for which the marks hold, where the camera moves at all: their own shot's. `None`: it never moves.
    pub fn marks_hold(&self) -> Option<(usize, usize)> {
        if !self.moves() {
            return None;
        }
        let shot = self.marks_at.and_then(|m| self.path(m));
        // Nowhere, where the marks' own frame could not be registered.
        Some(shot.map_or((usize::MAX, usize::MAX), |p| (p.first, p.last)))
    }

    /// The frame to which a shot's points are mapped.
    pub fn reference(&self, position: usize) -> usize {
        let Some(path) = self.path(position) else { return position };
        self.marks_at.filter(|m| (path.first..=path.last).contains(m)).unwrap_or(path.first)
    }

    /// The frame's points in the `reference` frame of the same shot; `None` where either is not registered.
    pub fn mapped(&self, frame: &PoseFrame, position: usize, reference: usize) -> Option<PoseFrame> {
        let Some(path) = self.moving(position) else {
            return Some(frame.clone());
        };
        if position == reference {
            return Some(frame.clone());
        }
        let h = path.between(position, reference)?;
        let turn = path.pose(reference)?.rotation.transpose() * path.pose(position)?.rotation;
        map_frame(&h, &turn, frame)
    }

    /// The track with every moving shot's points in its reference frame; frames that could not be registered show no body.
    pub fn track<'a>(&self, track: &'a Track) -> Cow<'a, Track> {
        if !self.moves() {
            return Cow::Borrowed(track);
        }
        let mut out = track.clone();
        // Where the thread was lost, points before and after are not in one frame: as good as a cut.
        out.cuts_s.extend(
            self.paths
                .iter()
                .skip(1)
                .filter_map(|p| track.frames.get(p.first))
                .map(|f| f.time_s),
        );
        out.cuts_s.sort_by(f64::total_cmp);
        out.cuts_s.dedup_by(|a, b| (*a - *b).abs() < 1e-9);
        for (position, frame) in out.frames.iter_mut().enumerate() {
            match self.mapped(frame, position, self.reference(position)) {
                Some(mapped) => *frame = mapped,
                // A body in another frame would read as a body that leapt.
                None => frame.body = None,
            }
        }
        Cow::Owned(out)
    }

    /// A point of the reference frame in the picture of frame `position`.
    pub fn in_picture(&self, at: ImagePoint, position: usize, reference: usize) -> ImagePoint {
        self.moving(position)
            .and_then(|p| p.between(reference, position))
            .and_then(|h| plane::apply(&h, at))
            .unwrap_or(at)
    }

    /// Linear scale from the reference frame to the picture of frame `position`, at a point of the reference frame.
    pub fn picture_scale(&self, at: ImagePoint, position: usize, reference: usize) -> f64 {
        self.moving(position)
            .and_then(|p| p.between(reference, position))
            .map_or(1.0, |h| plane::scale_at(&h, at))
    }

    /// What a stretch of a moving shot is known by; `None` where the camera did not move in it.
    pub fn over(&self, span: &Span, reference: usize) -> Option<HoldMotion> {
        let path = self.moving(span.first)?;
        let poses: Vec<&FramePose> = (span.first..=span.last.min(path.last))
            .filter_map(|i| path.pose(i).filter(|p| p.holds_carpet()))
            .collect();
        let count = span.last + 1 - span.first;
        let base = path.pose(reference);
        let mut ordered = poses.clone();
        ordered.sort_by(|a, b| a.miss_px.total_cmp(&b.miss_px));
        let middle = ordered.get(ordered.len() / 2).zip(base);
        let about = base.map_or_else(Matrix3::identity, |b| b.rotation);
        let mut turn = TurnCovariance::identity();
        turn.fixed_view_mut::<3, 3>(0, 0).copy_from(&about.transpose());
        Some(HoldMotion {
            missing_share: 1.0 - poses.len() as f64 / count as f64,
            miss_px: middle.map_or(f64::INFINITY, |(m, b)| m.miss_px.hypot(b.miss_px)),
            covariance: middle.map_or_else(TurnCovariance::zeros, |(m, b)| {
                turn * (m.covariance + b.covariance) * turn.transpose()
            }),
        })
    }

    /// How much the background misses the camera's turn and zoom in a frame, px; `None` where it was not registered, zero where the camera does not move.
    pub fn miss_px(&self, position: usize) -> Option<f64> {
        match self.moving(position) {
            Some(path) => path.pose(position).filter(|p| p.holds_carpet()).map(|p| p.miss_px),
            None => Some(0.0),
        }
    }

    /// A camera of the reference frame, made less certain by the registration: its turn and zoom about the camera's own centre, and the miss as a turn about the camera's centre
    /// and as a tilt of the carpet about `leg_m` (camera frame, metres). `px_per_m`: apparent size at the leg.
    pub fn camera(&self, camera: &FloorCamera, motion: &HoldMotion, leg_m: Vector3<f64>, px_per_m: f64) -> FloorCamera {
        let arm_px = (TILT_ARM_M * px_per_m).max(1.0);
        let (aim, tilt) = ((motion.miss_px / camera.focal_px).powi(2), (motion.miss_px / arm_px).powi(2));
        let own = motion.covariance + TurnCovariance::from_diagonal(&nalgebra::Vector4::new(aim, aim, tilt, tilt));
        let about_leg = TurnCovariance::from_diagonal(&nalgebra::Vector4::new(tilt, tilt, 0.0, 0.0));
        let centre = steps_about(camera, &Vector3::zeros());
        let leg = steps_about(camera, &leg_m);
        let added: CameraCovariance = centre * own * centre.transpose() + leg * about_leg * leg.transpose();
        FloorCamera {
            covariance: camera.covariance + added,
            ..camera.clone()
        }
    }

    /// Why the floor is not known over a stance, in words; `None` where it is. `mm_per_px`: at the leg, of the frames themselves.
    pub fn trouble(&self, span: &Span, mm_per_px: f64, limit_mm: f64) -> Option<String> {
        let motion = self.over(span, self.reference(span.first))?;
        let when = format!(
            "From {:.2} s to {:.2} s the camera moved and the floor could not be held",
            span.start_s, span.end_s
        );
        if motion.missing_share > MISSING_SHARE || !motion.miss_px.is_finite() {
            return Some(format!(
                "{when}: in {:.0} % of the frames the background, and the carpet about the feet above all, could not be followed. Either it shows too little, or the camera changed its place and the carpet moved against the walls. Put the camera on something firm.",
                100.0 * motion.missing_share
            ));
        }
        let miss_mm = motion.miss_px * mm_per_px;
        (miss_mm > limit_mm).then(|| {
            format!(
                "{when}: the background near the feet misses a camera that only turns and zooms by {:.1} px, {miss_mm:.0} mm at the leg (limit {limit_mm:.1} mm). The camera changed its place; stand still and turn, or put it on something firm.",
                motion.miss_px
            )
        })
    }

    /// For `call.json` and a sentence for people, where there is something to say.
    pub fn report(&self) -> (Option<CameraMotionReport>, Option<String>) {
        if self.paths.is_empty() {
            return (None, None);
        }
        let moving: Vec<&ShotPath> = self.paths.iter().filter(|p| p.state == CameraState::Moving).collect();
        let frames: usize = moving.iter().map(|p| p.poses.len()).sum();
        let poses: Vec<&FramePose> = moving
            .iter()
            .flat_map(|p| p.poses.iter().flatten())
            .filter(|p| p.holds_carpet())
            .collect();
        let not_seen = self.paths.iter().all(|p| p.state == CameraState::NotSeen);
        let state = if moving.is_empty() {
            if not_seen {
                CameraMotionState::NotSeen
            } else {
                CameraMotionState::Still
            }
        } else if poses.len() as f64 >= (1.0 - MISSING_SHARE) * frames as f64 {
            CameraMotionState::MovingRegistered
        } else {
            CameraMotionState::MovingUnregistered
        };
        let mut residuals: Vec<f64> = poses.iter().map(|p| p.residual_px).collect();
        residuals.sort_by(f64::total_cmp);
        let residual_px = residuals.get(residuals.len() / 2).copied();
        let shift = |path: &ShotPath| -> f64 {
            let middle = path.middle();
            (path.first..=path.last)
                .filter_map(|i| path.between(i, path.first).and_then(|h| plane::apply(&h, middle)))
                .map(|p| p.distance_px(middle))
                .fold(0.0, f64::max)
        };
        let largest_shift_px = moving
            .iter()
            .map(|p| shift(p))
            .chain(
                self.paths
                    .iter()
                    .filter(|p| p.state != CameraState::Moving)
                    .map(|p| p.unseen_shift_px),
            )
            .fold(0.0, f64::max);
        let range = |of: &dyn Fn(&FramePose) -> f64| -> f64 {
            moving
                .iter()
                .map(|path| {
                    let (low, high) = path
                        .poses
                        .iter()
                        .flatten()
                        .map(of)
                        .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(v), b.max(v)));
                    (high - low).max(0.0)
                })
                .fold(0.0, f64::max)
        };
        let report = CameraMotionReport {
            state,
            largest_shift_px,
            residual_px,
            frames_registered: (!moving.is_empty()).then_some(poses.len() as u64),
            frames_moving: (!moving.is_empty()).then_some(frames as u64),
            pan_deg: range(&|p| p.rotation[(0, 2)].atan2(p.rotation[(2, 2)]).to_degrees()),
            tilt_deg: range(&|p| (-p.rotation[(1, 2)]).clamp(-1.0, 1.0).asin().to_degrees()),
            roll_deg: range(&|p| p.rotation[(1, 0)].atan2(p.rotation[(0, 0)]).to_degrees()),
            zoom: range(&|p| p.ln_zoom).exp(),
        };
        let sentence = match state {
            CameraMotionState::Still => None,
            CameraMotionState::NotSeen => {
                Some("The background shows too little to tell whether the camera moved; it was taken to stand still.".to_string())
            }
            CameraMotionState::MovingRegistered | CameraMotionState::MovingUnregistered => Some(format!(
                "The camera moved: pan {:.1}°, tilt {:.1}°, roll {:.1}°, zoom {:.2} times; {} of {frames} frames were registered on the background{}.",
                report.pan_deg,
                report.tilt_deg,
                report.roll_deg,
                report.zoom,
                poses.len(),
                residual_px.map_or_else(String::new, |r| format!(" to ± {r:.1} px"))
            )),
        };
        (Some(report), sentence)
    }
}

/// Steps of the camera's seven parameters for a turn about a point of the camera frame (radians × 3) and ln zoom: `x' = exp(δ)(x − p) + p`.
fn steps_about(camera: &FloorCamera, point_m: &Vector3<f64>) -> SMatrix<f64, 7, 4> {
    let mut out = SMatrix::<f64, 7, 4>::zeros();
    out[(0, 3)] = 1.0;
    out.fixed_view_mut::<3, 3>(1, 0).copy_from(&Matrix3::identity());
    out.fixed_view_mut::<3, 3>(4, 0)
        .copy_from(&-(camera.translation_m - point_m).cross_matrix());
    out
}

/// A frame's points seen by another camera at the same place: mapped by the homography `h`; `turn`: this camera's axes to the other's. `None` where a point would lie behind it.
pub fn map_frame(h: &Matrix3<f64>, turn: &Matrix3<f64>, frame: &PoseFrame) -> Option<PoseFrame> {
    let body = match &frame.body {
        Some(body) => Some(map_body(h, turn, body)?),
        None => None,
    };
    let lower_leg = match &frame.lower_leg {
        Some(leg) => Some(Box::new(map_leg(h, leg)?)),
        None => None,
    };
    Some(PoseFrame {
        body,
        lower_leg,
        ..frame.clone()
    })
}

fn map_keypoint(h: &Matrix3<f64>, k: &Keypoint) -> Option<Keypoint> {
    let at = plane::apply(h, k.at)?;
    let j = plane::derivative(h, k.at);
    let c = j * k.covariance.matrix() * j.transpose();
    Some(Keypoint {
        at,
        covariance: Covariance2 {
            uu: c[(0, 0)],
            uv: c[(0, 1)],
            vv: c[(1, 1)],
        },
        visibility: k.visibility,
    })
}

fn map_body(h: &Matrix3<f64>, turn: &Matrix3<f64>, body: &Body) -> Option<Body> {
    let hips = body.hips();
    let keypoints = body.keypoints().map(|k| map_keypoint(h, &k)).collect::<Option<Vec<_>>>()?;
    let world_m: Vec<[f64; 3]> = (0..LANDMARK_COUNT)
        .map(|l| (turn * Vector3::from(body.world_m(l))).into())
        .collect();
    Some(Body::new(
        &keypoints,
        &world_m,
        body.presence,
        body.px_per_m * plane::scale_at(h, hips),
    ))
}

fn map_leg(h: &Matrix3<f64>, leg: &LegReading) -> Option<LegReading> {
    let n = leg.points.len().max(1) as f64;
    let middle = leg.points.iter().fold(ImagePoint::new(0.0, 0.0), |m, k| {
        ImagePoint::new(m.u + k.at.u / n, m.v + k.at.v / n)
    });
    Some(LegReading {
        points: leg.points.iter().map(|k| map_keypoint(h, k)).collect::<Option<Vec<_>>>()?,
        shank_px: leg.shank_px * plane::scale_at(h, middle),
        ..leg.clone()
    })
}
