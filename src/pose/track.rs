//! What following the athlete hands on: keypoints with covariances, frame by frame.

use crate::camera_motion::CameraMotion;
use crate::types::{Covariance2, ImagePoint, Keypoint, Leg, STATION_COUNT};
use half::f16;
use serde::{Deserialize, Serialize};

/// Number of body landmarks of the general network.
pub const LANDMARK_COUNT: usize = 33;

/// A body landmark of the general network, in its order (0–32).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(usize)]
#[allow(missing_docs)]
pub enum Landmark {
    Nose = 0,
    LeftEye = 2,
    RightEye = 5,
    LeftEar = 7,
    RightEar = 8,
    LeftShoulder = 11,
    RightShoulder = 12,
    LeftElbow = 13,
    RightElbow = 14,
    LeftWrist = 15,
    RightWrist = 16,
    LeftHip = 23,
    RightHip = 24,
    LeftKnee = 25,
    RightKnee = 26,
    LeftAnkle = 27,
    RightAnkle = 28,
    LeftHeel = 29,
    RightHeel = 30,
    LeftToe = 31,
    RightToe = 32,
}

impl Landmark {
    /// Hip, knee, ankle, heel and big toe of one leg.
    pub const fn of_leg(leg: Leg) -> [Landmark; 5] {
        match leg {
            Leg::Left => [
                Landmark::LeftHip,
                Landmark::LeftKnee,
                Landmark::LeftAnkle,
                Landmark::LeftHeel,
                Landmark::LeftToe,
            ],
            Leg::Right => [
                Landmark::RightHip,
                Landmark::RightKnee,
                Landmark::RightAnkle,
                Landmark::RightHeel,
                Landmark::RightToe,
            ],
        }
    }
}

/// The athlete in one frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Body {
    points: Box<[BodyPoint]>,
    /// Probability that the region holds a person, 0–1.
    pub presence: f64,
    /// Apparent size at the body, px per metre of the network's own typical body (weak perspective fit of [`Body::world_m`] to [`Body::keypoints`]).
    pub px_per_m: f64,
}

/// A landmark as it is kept: its place in single precision (a ten-thousandth of a pixel), all else in half precision (a two-thousandth of a deviation, half a millimetre), because a
/// recording of an hour at 60 frames a second has seven million of them.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
struct BodyPoint {
    at: [f32; 2],
    /// Standard deviations along u and v, px.
    sd_px: [f16; 2],
    /// Correlation of the two errors.
    correlation: f16,
    visibility: f16,
    world_m: [f16; 3],
}

impl Body {
    /// A body from its 33 landmarks in the upright frame and the same 33 about the middle of the hips, metres, axes as the camera's (x right, y down, z away), for a body of
    /// the network's own typical size.
    ///
    /// # Panics
    /// Where there are not 33 of each.
    pub fn new(keypoints: &[Keypoint], world_m: &[[f64; 3]], presence: f64, px_per_m: f64) -> Self {
        assert_eq!((keypoints.len(), world_m.len()), (LANDMARK_COUNT, LANDMARK_COUNT));
        let points = keypoints.iter().zip(world_m).map(|(k, w)| {
            let mut point = BodyPoint {
                world_m: w.map(f16::from_f64),
                ..BodyPoint::default()
            };
            point.set(k);
            point
        });
        Self {
            points: points.collect(),
            presence,
            px_per_m,
        }
    }

    /// The keypoint of one landmark.
    pub fn keypoint(&self, landmark: Landmark) -> Keypoint {
        self.keypoint_at(landmark as usize)
    }

    /// The keypoint of a landmark by its number, 0–32.
    ///
    /// # Panics
    /// For a number that is no landmark's.
    pub fn keypoint_at(&self, landmark: usize) -> Keypoint {
        self.points[landmark].keypoint()
    }

    /// The 33 landmarks in the upright frame.
    pub fn keypoints(&self) -> impl Iterator<Item = Keypoint> + '_ {
        self.points.iter().map(BodyPoint::keypoint)
    }

    /// Where one landmark is, px.
    pub fn at(&self, landmark: Landmark) -> ImagePoint {
        self.keypoint(landmark).at
    }

    /// Middle of the hips, upright frame, px.
    pub fn hips(&self) -> ImagePoint {
        self.at(Landmark::LeftHip).towards(self.at(Landmark::RightHip), 0.5)
    }

    /// A landmark by its number about the middle of the hips, metres, axes as the camera's (x right, y down, z away), for a body of the network's own typical size.
    ///
    /// # Panics
    /// For a number that is no landmark's.
    pub fn world_m(&self, landmark: usize) -> [f64; 3] {
        self.points[landmark].world_m.map(f64::from)
    }

    /// Puts another keypoint in a landmark's place.
    ///
    /// # Panics
    /// For a number that is no landmark's.
    pub fn set_keypoint(&mut self, landmark: usize, keypoint: &Keypoint) {
        self.points[landmark].set(keypoint);
    }

    /// Exchanges two landmarks, in the picture and in metres.
    ///
    /// # Panics
    /// For a number that is no landmark's.
    pub fn exchange(&mut self, one: usize, other: usize) {
        self.points.swap(one, other);
    }
}

impl BodyPoint {
    fn keypoint(&self) -> Keypoint {
        let [u, v] = self.sd_px.map(f64::from);
        Keypoint {
            at: ImagePoint::new(f64::from(self.at[0]), f64::from(self.at[1])),
            covariance: Covariance2 {
                uu: u * u,
                uv: f64::from(self.correlation) * u * v,
                vv: v * v,
            },
            visibility: f64::from(self.visibility),
        }
    }

    fn set(&mut self, keypoint: &Keypoint) {
        let Covariance2 { uu, uv, vv } = keypoint.covariance;
        let sd = [uu, vv].map(|x| x.max(0.0).sqrt());
        let largest = f64::from(f16::MAX);
        self.at = [keypoint.at.u, keypoint.at.v].map(|x| x as f32);
        self.sd_px = sd.map(|x| f16::from_f64(x.min(largest)));
        // Short of 1, lest rounding leave a covariance that is none.
        self.correlation = f16::from_f64((uv / (sd[0] * sd[1]).max(f64::MIN_POSITIVE)).clamp(-0.999, 0.999));
        self.visibility = f16::from_f64(keypoint.visibility);
    }
}

/// Points of the lower-leg network, in its order: eleven on the kneeling leg, four on the front foot.
pub const LEG_POINT_NAMES: [&str; 15] = [
    "knee_joint",
    "knee_floor",
    "calf25_floor",
    "calf50_floor",
    "calf75_floor",
    "ankle_inner",
    "ankle_outer",
    "heel_back",
    "heel_floor",
    "big_toe_tip",
    "small_toe_tip",
    "front_heel_sole",
    "front_ball_sole",
    "front_big_toe_tip",
    "front_small_toe_tip",
];

/// What the lower-leg network read in one frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LegReading {
    /// Which leg kneels.
    pub leg: Leg,
    /// Probability of that, 0–1.
    pub leg_confidence: f64,
    /// Probability that the crop holds a kneeling lower leg in this stance, 0–1.
    pub present: f64,
    /// The points of [`LEG_POINT_NAMES`], upright frame.
    pub points: Vec<Keypoint>,
    /// Gap at each station as a fraction of the shank's length.
    pub gap_fraction: [f64; STATION_COUNT],
    /// Its calibrated standard deviation.
    pub gap_sd_fraction: [f64; STATION_COUNT],
    /// Correlation of the gap errors between stations, as measured for views of this elevation.
    pub gap_correlation: [[f64; STATION_COUNT]; STATION_COUNT],
    /// Camera elevation over the carpet along the ray to the leg, radians.
    pub elevation_rad: f64,
    /// Its standard deviation, radians.
    pub elevation_sd_rad: f64,
    /// Azimuth of the view about the vertical relative to the shank (knee to ankle), radians; ±π/2 is square to the shin.
    pub azimuth_rad: f64,
    /// Apparent length of one shank length at the leg's depth, px.
    pub shank_px: f64,
    /// Standard deviation of its natural logarithm.
    pub shank_log_sd: f64,
}

/// One frame of the track.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PoseFrame {
    /// Position among the delivered frames.
    pub index: u64,
    /// Presentation time, seconds.
    pub time_s: f64,
    /// The athlete, if found.
    pub body: Option<Body>,
    /// The kneeling lower leg, if the body is low enough to look.
    // Boxed: most frames of a long recording have none.
    pub lower_leg: Option<Box<LegReading>>,
}

/// Something that happened while following and that a person should know.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrackEvent {
    /// When, seconds.
    pub time_s: f64,
    /// What, in one sentence.
    pub sentence: String,
}

/// The athlete through the recording.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Track {
    /// Width and height of the upright frames, px.
    pub image_size: [usize; 2],
    /// Every frame in order.
    pub frames: Vec<PoseFrame>,
    /// Lost and found, swaps repaired, other people near.
    pub events: Vec<TrackEvent>,
    /// Times of the first frames after a cut, seconds, as the pictures show them.
    #[serde(default)]
    pub cuts_s: Vec<f64>,
    /// Whether and how the camera moved, as the pictures' background shows it; empty where nobody looked.
    #[serde(default)]
    pub camera_motion: CameraMotion,
}

impl Track {
    /// Position of the frame nearest to a time, seconds; 0 without frames.
    pub fn nearest(&self, time_s: f64) -> usize {
        let next = self.frames.partition_point(|f| f.time_s < time_s);
        // The nearer of the two neighbours.
        match (next.checked_sub(1), self.frames.get(next)) {
            (Some(before), Some(f)) if time_s - self.frames[before].time_s < f.time_s - time_s => before,
            (Some(before), None) => before,
            _ => next,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// IEEE 754 half precision keeps eleven bits: a part in 2,048, and half of that after rounding.
        #[test]
        fn what_is_kept_of_a_landmark_is_what_was_put_in(
            u in -4000.0f64..4000.0, v in -4000.0f64..4000.0, a in 0.01f64..600.0, b in 0.01f64..600.0, turn in -3.2f64..3.2,
            visibility in 0.0f64..1.0, x in -1.5f64..1.5,
        ) {
            let (s, c) = turn.sin_cos();
            let (aa, bb) = (a * a, b * b);
            let covariance = Covariance2 { uu: aa * c * c + bb * s * s, uv: (aa - bb) * s * c, vv: aa * s * s + bb * c * c };
            let put = Keypoint { at: ImagePoint::new(u, v), covariance, visibility };
            let body = Body::new(&vec![put; LANDMARK_COUNT], &[[x, 0.0, -x]; LANDMARK_COUNT], 0.9, 300.0);
            let kept = body.keypoint(Landmark::LeftKnee);
            prop_assert!(kept.at.distance_px(put.at) < 1e-3);
            prop_assert!((kept.visibility - visibility).abs() < 1e-3);
            prop_assert!((body.world_m(25)[0] - x).abs() < 5e-4 && (body.world_m(25)[2] + x).abs() < 5e-4);
            let (k, p) = (kept.covariance, covariance);
            prop_assert!((k.uu / p.uu - 1.0).abs() < 2e-3 && (k.vv / p.vv - 1.0).abs() < 2e-3);
            prop_assert!((k.uv - p.uv).abs() < 3e-3 * (p.uu * p.vv).sqrt());
            prop_assert!(k.uu * k.vv - k.uv * k.uv > 0.0);
        }
    }
}
