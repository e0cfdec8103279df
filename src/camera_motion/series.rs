//! What watching the camera hands on.

use serde::{Deserialize, Serialize};

/// The camera through the recording, shot by shot.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct CameraMotion {
    /// In order of time, without gaps.
    pub shots: Vec<ShotMotion>,
}

/// What was seen of the camera in one shot.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CameraState {
    /// The background stayed where it was, to within the measurement.
    Still,
    /// It moved.
    Moving,
    /// The background shows too little to tell.
    NotSeen,
}

/// One shot: frames between cuts, or between places where the background was lost for too long.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ShotMotion {
    /// Position of the first frame in the track; the frame to which the others are registered.
    pub first: usize,
    /// Position of the last frame.
    pub last: usize,
    /// What was seen.
    pub state: CameraState,
    /// Largest shift of the background that was still taken for none, px of the upright frame.
    pub unseen_shift_px: f64,
    /// Last frame up to which the camera stood as in the first one; frames up to here have no entry of their own.
    pub still_until: usize,
    /// The registered frames after that, in order, of a moving shot; a frame that could not be registered is missing.
    pub frames: Vec<FrameMotion>,
}

/// One frame registered to a key frame (which is the first frame or has an entry of its own further up).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FrameMotion {
    /// Position of this frame in the track.
    pub position: usize,
    /// Position of the key frame.
    pub key: usize,
    /// Where this frame's corners (top left, top right, bottom right, bottom left) lie in the key frame, px: the homography in its four-point form.
    pub corners_px: [[f64; 2]; 4],
    /// Covariance of those eight numbers, px²: the upper triangle row by row.
    pub covariance_px2: Vec<f64>,
    /// Background points that fit.
    pub points: usize,
    /// Their share of all points that could be followed.
    pub inlier_share: f64,
    /// Root mean square distance between the points and the fit, px.
    pub residual_px: f64,
    /// The background around the athlete's feet.
    pub near: NearFeet,
}

/// Stands for "not found again" where a distance is asked for, px.
pub const LOST_PX: f64 = 1e6;

/// How well the fit holds on the carpet around the athlete's feet.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NearFeet {
    /// Middle of the points looked at, this frame, px.
    pub at_px: [f64; 2],
    /// Their spread about it, px.
    pub spread_px: [f64; 2],
    /// How many there were.
    pub points: usize,
    /// How many of the key frame's points were expected there.
    pub expected: usize,
    /// Distance from the fit that half of them do not exceed, turned into a root mean square, px; [`LOST_PX`] or so where too few were found again.
    pub residual_px: f64,
}

impl FrameMotion {
    /// The covariance of the eight corner numbers, px².
    pub fn covariance(&self) -> nalgebra::SMatrix<f64, 8, 8> {
        let mut out = nalgebra::SMatrix::zeros();
        let mut entries = self.covariance_px2.iter();
        for i in 0..8 {
            for k in i..8 {
                let value = entries.next().copied().unwrap_or(0.0);
                out[(i, k)] = value;
                out[(k, i)] = value;
            }
        }
        out
    }
}
