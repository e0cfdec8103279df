//! The body's landmarks over time in the carpet frame.
//!
//! One view gives directions; the distance along them comes from two clues, joined by their weights: the apparent size of the body (calibrated against the carpet where
//! the feet are down), and the carpet itself under the lowest foot. In the air only the size and the distances before and after are left, so there the distance runs
//! straight from the one to the other.

use crate::floor::FloorCamera;
use crate::numerics::median;
use crate::phases::series::runs;
use crate::pose::track::{Body, Landmark, PoseFrame, LANDMARK_COUNT};
use crate::types::{ImagePoint, Leg};
use nalgebra::Vector3;

/// Height of a heel or toe landmark over the carpet when the foot stands, metres (measured on the body model: 15–35 mm).
const FOOT_POINT_HEIGHT_M: f64 = 0.025;
/// How well that is met by the general network's points, metres (measured on rendered clips: slow errors of 10–25 mm).
const FOOT_POINT_SD_M: f64 = 0.022;
/// Wobble of the apparent size over a movement, relative (measured on rendered clips: 0.018–0.041).
const SIZE_SD: f64 = 0.03;
/// How well the network's typical body stands for this one before the carpet has its say, relative.
const BODY_SCALE_SD: f64 = 0.08;
/// How well the network knows a landmark's distance relative to the hips, metres. Not measured on athletes.
pub const DEPTH_OFFSET_SD_M: f64 = 0.06;
/// Half the stretch over which the distance is averaged, seconds of the recording.
const DEPTH_HALF_WINDOW_S: f64 = 0.12;
/// Share of a flight's length by which it is widened on both sides for the distance.
const FLIGHT_MARGIN: f64 = 0.35;
/// The lowest foot point must stand this high before a body may be in the air, metres.
const AIR_M: f64 = 0.09;

/// The body in one frame, carpet frame.
#[derive(Debug, Clone)]
pub struct BodyAt {
    /// Position in the track.
    pub position: usize,
    /// Presentation time, seconds.
    pub time_s: f64,
    /// The landmarks, metres.
    pub at: [Vector3<f64>; LANDMARK_COUNT],
    /// The landmarks in the picture, px.
    pub image: [ImagePoint; LANDMARK_COUNT],
    /// Standard deviation of the landmarks' heights, metres.
    pub height_sd_m: [f64; LANDMARK_COUNT],
    /// Probability that a landmark is in view.
    pub visibility: [f64; LANDMARK_COUNT],
    /// Metres a pixel at the body's distance.
    pub metres_per_px: f64,
    /// Distance of the hips along the optical axis, metres, and its standard deviation.
    pub depth_m: [f64; 2],
    /// Relative standard deviation of the camera's own scale there, shared by all frames.
    pub scale_sd: f64,
    /// Sine of the angle at which the camera looks down on the feet.
    pub down: f64,
    /// Direction in the carpet's plane that points to the right in the picture, radians.
    pub right_rad: f64,
    /// Whether the size alone says that the body is in the air.
    pub airborne: bool,
}

impl BodyAt {
    /// One landmark, metres.
    pub fn point(&self, landmark: Landmark) -> Vector3<f64> {
        self.at[landmark as usize]
    }

    /// Middle of two landmarks, metres.
    pub fn middle(&self, a: Landmark, b: Landmark) -> Vector3<f64> {
        0.5 * (self.point(a) + self.point(b))
    }

    /// Middle of the hips, metres.
    pub fn hips(&self) -> Vector3<f64> {
        self.middle(Landmark::LeftHip, Landmark::RightHip)
    }

    /// Middle of the shoulders, metres.
    pub fn shoulders(&self) -> Vector3<f64> {
        self.middle(Landmark::LeftShoulder, Landmark::RightShoulder)
    }

    /// Heights of heel and toe of a foot over the carpet, metres.
    pub fn foot_heights(&self, leg: Leg) -> [f64; 2] {
        let [_, _, _, heel, toe] = Landmark::of_leg(leg);
        [self.point(heel).z, self.point(toe).z]
    }

    /// Height of the lower of heel and toe, metres.
    pub fn foot_height(&self, leg: Leg) -> f64 {
        let [heel, toe] = self.foot_heights(leg);
        heel.min(toe)
    }

    /// Height of the body's centre of mass, metres, from the landmarks by segment masses (Dempster, as tabulated in Winter, *Biomechanics and Motor Control of Human
    /// Movement*; from memory).
    pub fn mass_height(&self) -> f64 {
        use Landmark::{
            LeftAnkle, LeftEar, LeftElbow, LeftHeel, LeftHip, LeftKnee, LeftShoulder, LeftToe, LeftWrist, RightAnkle, RightEar, RightElbow,
            RightHeel, RightHip, RightKnee, RightShoulder, RightToe, RightWrist,
        };
        let limbs = [
            (0.028, LeftShoulder, LeftElbow, 0.436),
            (0.028, RightShoulder, RightElbow, 0.436),
            (0.022, LeftElbow, LeftWrist, 0.682),
            (0.022, RightElbow, RightWrist, 0.682),
            (0.100, LeftHip, LeftKnee, 0.433),
            (0.100, RightHip, RightKnee, 0.433),
            (0.0465, LeftKnee, LeftAnkle, 0.433),
            (0.0465, RightKnee, RightAnkle, 0.433),
            (0.0145, LeftHeel, LeftToe, 0.5),
            (0.0145, RightHeel, RightToe, 0.5),
            (0.081, LeftEar, RightEar, 0.5),
        ];
        let trunk = 0.497;
        let mut height = trunk * 0.5 * (self.hips().z + self.shoulders().z);
        let mut mass = trunk;
        for (m, a, b, along) in limbs {
            height += m * (self.point(a).z + along * (self.point(b).z - self.point(a).z));
            mass += m;
        }
        height / mass
    }
}

/// The body over a stretch of the recording; frames without a body are left out.
pub fn of(frames: &[PoseFrame], offset: usize, camera: &FloorCamera, shank_m: f64) -> Vec<BodyAt> {
    let axis = camera.rotation.row(2).transpose();
    let centre = camera.centre().vector();
    let seen: Vec<(usize, &PoseFrame, &Body)> = frames
        .iter()
        .enumerate()
        .filter_map(|(i, f)| f.body.as_ref().map(|b| (offset + i, f, b)))
        .collect();
    let typical_shank = median(
        seen.iter()
            .flat_map(|(_, _, b)| [(25, 27), (26, 28)].map(|(k, a)| (Vector3::from(b.world_m(k)) - Vector3::from(b.world_m(a))).norm()))
            .collect(),
    )
    .filter(|s| *s > 0.05)
    .unwrap_or(crate::pose::accuracy::TYPICAL_SHANK_M);
    let scale = shank_m / typical_shank;

    // Distance by size, and by the carpet under the lowest foot point.
    struct Clue {
        by_size: f64,
        by_carpet: Option<(f64, f64)>,
        down: f64,
    }
    let clues: Vec<Clue> = seen
        .iter()
        .map(|(_, _, b)| {
            let by_size = camera.focal_px * scale / b.px_per_m;
            let lowest = [Landmark::LeftHeel, Landmark::LeftToe, Landmark::RightHeel, Landmark::RightToe]
                .into_iter()
                .max_by(|x, y| b.at(*x).v.total_cmp(&b.at(*y).v))
                .unwrap_or(Landmark::LeftHeel);
            let down = (-camera.ray(b.at(lowest)).z).max(0.0);
            let by_carpet = camera
                .at_height(b.at(lowest), FOOT_POINT_HEIGHT_M)
                .filter(|_| down > 0.01)
                .map(|p| {
                    let sd = (FOOT_POINT_SD_M / down).hypot(DEPTH_OFFSET_SD_M);
                    (camera.depth_m(p) - scale * b.world_m(lowest as usize)[2], sd)
                });
            Clue { by_size, by_carpet, down }
        })
        .collect();

    // The body's own scale: the size's distance times this is the carpet's. Frames in the air would make it too large; they are set aside once it is roughly known.
    let mut airborne = vec![false; seen.len()];
    let mut factor = 1.0;
    for round in 0..3 {
        let mut ratios: Vec<(f64, f64)> = clues
            .iter()
            .zip(&airborne)
            .filter(|(c, air)| !**air && c.by_size > 0.0)
            .filter_map(|(c, _)| c.by_carpet.map(|(d, sd)| (d / c.by_size, sd / c.by_size)))
            .filter(|(r, _)| *r > 0.0)
            .collect();
        ratios.sort_by(|a, b| a.0.total_cmp(&b.0));
        if !ratios.is_empty() {
            let (ratio, sd) = ratios[if round == 0 { ratios.len() / 3 } else { ratios.len() / 2 }];
            let (w, prior) = (sd.powi(-2), BODY_SCALE_SD.powi(-2));
            factor = (w * ratio + prior) / (w + prior);
        }
        for (k, (_, _, b)) in seen.iter().enumerate() {
            let clue = &clues[k];
            let lowest = [Landmark::LeftHeel, Landmark::LeftToe, Landmark::RightHeel, Landmark::RightToe]
                .into_iter()
                .map(|l| {
                    let ray = camera.ray(b.at(l));
                    (centre + ray * ((factor * clue.by_size + scale * b.world_m(l as usize)[2]) / ray.dot(&axis))).z
                })
                .fold(f64::INFINITY, f64::min);
            let sd = (SIZE_SD * factor * clue.by_size * clue.down).hypot(FOOT_POINT_SD_M);
            airborne[k] = lowest > AIR_M.max(2.0 * sd);
        }
    }

    let joined: Vec<(f64, f64)> = clues
        .iter()
        .map(|c| {
            let (size, size_sd) = (factor * c.by_size, SIZE_SD * factor * c.by_size);
            match c.by_carpet {
                Some((carpet, sd)) => {
                    let (w, v) = (sd.powi(-2), size_sd.powi(-2));
                    ((w * carpet + v * size) / (w + v), (w + v).powf(-0.5))
                }
                None => (size, size_sd),
            }
        })
        .collect();
    let times: Vec<f64> = seen.iter().map(|s| s.1.time_s).collect();
    let depth = smoothed_depth(&times, &joined, &around_flights(&times, &airborne));

    // The camera's own scale: how well metres a pixel are known at the athlete's distance.
    let scale_sd = depth.get(depth.len() / 2).map_or(0.0, |(d, _)| {
        let ray = camera.ray(camera.principal());
        let there = (centre + ray * (d / ray.dot(&axis))).into();
        camera.sd_of(|c| c.depth_m(there) / c.focal_px) * camera.focal_px / d.max(1e-6)
    });
    seen.iter()
        .enumerate()
        .map(|(k, (position, frame, body))| {
            let (depth_m, depth_sd_m) = depth[k];
            let metres_per_px = depth_m / camera.focal_px;
            let mut out = BodyAt {
                position: *position,
                time_s: frame.time_s,
                at: [Vector3::zeros(); LANDMARK_COUNT],
                image: [ImagePoint::new(0.0, 0.0); LANDMARK_COUNT],
                height_sd_m: [0.0; LANDMARK_COUNT],
                visibility: [0.0; LANDMARK_COUNT],
                metres_per_px,
                depth_m: [depth_m, depth_sd_m],
                scale_sd,
                down: clues[k].down,
                right_rad: camera.rotation[(0, 1)].atan2(camera.rotation[(0, 0)]),
                airborne: airborne[k],
            };
            for l in 0..LANDMARK_COUNT {
                let keypoint = body.keypoint_at(l);
                let ray = camera.ray(keypoint.at);
                let along = ray.dot(&axis).max(1e-3);
                out.at[l] = centre + ray * ((depth_m + scale * body.world_m(l)[2]) / along);
                out.image[l] = keypoint.at;
                let slope = (ray.z / along).abs();
                let in_picture = metres_per_px * keypoint.covariance.vv.max(0.0).sqrt();
                out.height_sd_m[l] = in_picture.hypot(slope * depth_sd_m).hypot(slope * DEPTH_OFFSET_SD_M);
                out.visibility[l] = keypoint.visibility;
            }
            out
        })
        .collect()
}

/// The frames in the air and a good part of a flight's length before and after: there a raised camera does not tell a foot a little over the carpet from one on it further
/// away, and the carpet under it would draw the foot down.
fn around_flights(times: &[f64], airborne: &[bool]) -> Vec<bool> {
    let mut out = airborne.to_vec();
    for (a, b) in runs(airborne, 2) {
        let reach = FLIGHT_MARGIN * (times[b] - times[a]);
        for (k, t) in times.iter().enumerate() {
            out[k] |= *t >= times[a] - reach && *t <= times[b] + reach;
        }
    }
    out
}

/// Averages the distance over neighbouring frames on the ground and draws it straight through the air.
fn smoothed_depth(times: &[f64], joined: &[(f64, f64)], airborne: &[bool]) -> Vec<(f64, f64)> {
    let n = times.len();
    let ground: Vec<usize> = (0..n).filter(|k| !airborne[*k]).collect();
    if ground.is_empty() {
        let all = median(joined.iter().map(|j| j.0).collect()).unwrap_or(1.0);
        return joined.iter().map(|j| (all, j.1)).collect();
    }
    let mean = |k: usize| {
        let near: Vec<f64> = ground
            .iter()
            .filter(|g| (times[**g] - times[k]).abs() <= DEPTH_HALF_WINDOW_S)
            .map(|g| joined[*g].0)
            .collect();
        near.iter().sum::<f64>() / near.len().max(1) as f64
    };
    (0..n)
        .map(|k| {
            if !airborne[k] {
                return (mean(k), joined[k].1);
            }
            let next = ground.partition_point(|g| *g < k);
            match (next.checked_sub(1).map(|i| ground[i]), ground.get(next).copied()) {
                (Some(a), Some(b)) => {
                    let share = (times[k] - times[a]) / (times[b] - times[a]).max(1e-9);
                    (mean(a) + share * (mean(b) - mean(a)), joined[a].1.hypot(joined[b].1) * 0.8)
                }
                (Some(a), None) => (mean(a), joined[a].1),
                (None, Some(b)) => (mean(b), joined[b].1),
                (None, None) => joined[k],
            }
        })
        .collect()
}
