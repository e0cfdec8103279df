//! What a recording shows of the body's motion that does not depend on where the camera stands.
//!
//! Heights over the ankles in the body's own scale (from the picture, with what a raised camera adds to them for the body's depth taken off by the network's three-dimensional
//! landmarks), the hips' distance from the ankles and the bends of the knees from those landmarks. Arms are left out: what a camera does not see of them the network makes up.

use crate::phases::series::{interval_s, local_line};
use crate::pose::track::{Body, Landmark, Track};
use nalgebra::Vector3;
use serde::{Deserialize, Serialize};

/// Signals of one recording over its own time.
pub const CHANNELS: usize = 5;

/// Half the stretch over which a signal is smoothed by a straight line, seconds of real time.
const HALF_WINDOW_S: f64 = 0.05;

/// Samples (time in seconds, value) of every channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Motion {
    /// Signal by signal, in one order for every recording; a channel holds only the frames in which it was seen.
    pub channels: [Vec<(f64, f64)>; CHANNELS],
    /// The usual time between frames, seconds.
    pub interval_s: f64,
}

/// Bend at `b`, radians.
fn bend(a: Vector3<f64>, b: Vector3<f64>, c: Vector3<f64>) -> f64 {
    (a - b).angle(&(c - b))
}

/// Every channel's value in one frame.
fn signals(body: &Body, elevation_rad: f64) -> [Option<f64>; CHANNELS] {
    use Landmark::{LeftAnkle, LeftHip, LeftKnee, Nose, RightAnkle, RightHip, RightKnee};
    let world = |l: Landmark| Vector3::from(body.world_m(l as usize));
    let seen = |of: &[Landmark]| of.iter().all(|l| body.keypoint(*l).visibility > 0.3);
    // Up is (0, −cos e, −sin e) for a camera that looks down by e.
    let (sin, cos) = elevation_rad.sin_cos();
    let scale = body.px_per_m.max(1e-6);
    let up = |l: Landmark| -cos * body.at(l).v / scale - sin * world(l).z;
    let ankles = 0.5 * (up(LeftAnkle) + up(RightAnkle));
    let angle = |a: Landmark, b: Landmark, c: Landmark| seen(&[a, b, c]).then(|| bend(world(a), world(b), world(c)));
    let feet = [LeftAnkle, RightAnkle];
    [
        seen(&feet).then(|| 0.5 * (up(LeftHip) + up(RightHip)) - ankles),
        (seen(&feet) && seen(&[Nose])).then(|| up(Nose) - ankles),
        seen(&feet).then(|| (0.5 * (world(LeftHip) + world(RightHip)) - 0.5 * (world(LeftAnkle) + world(RightAnkle))).norm()),
        angle(LeftHip, LeftKnee, LeftAnkle),
        angle(RightHip, RightKnee, RightAnkle),
    ]
}

/// The signals of a track. `elevation_rad`: how far the camera looks down on the athlete; `slower`: how many times slower than real time it runs, for the smoothing.
pub fn of(track: &Track, elevation_rad: f64, slower: f64) -> Motion {
    let mut raw: [Vec<(f64, f64)>; CHANNELS] = Default::default();
    for frame in &track.frames {
        let Some(body) = &frame.body else { continue };
        for (channel, value) in raw.iter_mut().zip(signals(body, elevation_rad)) {
            channel.extend(value.filter(|v| v.is_finite()).map(|v| (frame.time_s, v)));
        }
    }
    let half = HALF_WINDOW_S * slower;
    Motion {
        channels: raw.map(|samples| {
            samples
                .iter()
                .map(|(t, v)| (*t, local_line(&samples, *t, half).map_or(*v, |(smooth, _)| smooth)))
                .collect()
        }),
        interval_s: interval_s(track.frames.iter().map(|f| f.time_s)),
    }
}
