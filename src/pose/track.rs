//! What following the athlete hands on: keypoints with covariances, frame by frame.

use crate::camera_motion::CameraMotion;
use crate::types::{ImagePoint, Keypoint, Leg, STATION_COUNT};
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
    /// The 33 landmarks in the upright frame.
    pub keypoints: Vec<Keypoint>,
    /// The same 33 about the middle of the hips, metres, axes as the camera's (x right, y down, z away), for a body of the network's own typical size.
    pub world_m: Vec<[f64; 3]>,
    /// Probability that the region holds a person, 0–1.
    pub presence: f64,
    /// Apparent size at the body, px per metre of the network's own typical body (weak perspective fit of `world_m` to `keypoints`).
    pub px_per_m: f64,
}

impl Body {
    /// The keypoint of one landmark.
    pub fn keypoint(&self, landmark: Landmark) -> &Keypoint {
        &self.keypoints[landmark as usize]
    }

    /// Where one landmark is, px.
    pub fn at(&self, landmark: Landmark) -> ImagePoint {
        self.keypoint(landmark).at
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
    pub lower_leg: Option<LegReading>,
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
