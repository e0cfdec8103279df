//! Speed of the body, frame by frame.

use crate::pose::track::{Body, Landmark, Track};

/// Parts of the body whose motion is watched: head and shoulders, hips, knees, ankles. Arms may move in a hold.
const WATCHED: [&[Landmark]; 4] = [
    &[Landmark::Nose, Landmark::LeftShoulder, Landmark::RightShoulder],
    &[Landmark::LeftHip, Landmark::RightHip],
    &[Landmark::LeftKnee, Landmark::RightKnee],
    &[Landmark::LeftAnkle, Landmark::RightAnkle],
];

/// Half the length of the stretch over which a point's speed is fitted, seconds.
const HALF_WINDOW_S: f64 = 0.15;

/// Speed of the body at every frame, m/s at the body's own scale; `None` where the body was not found for long enough.
///
/// Each point's velocity is the slope of a straight line fitted to its places within 0.15 s either side. A part's speed is the mean over its points (the middle one of
/// head and shoulders), so that one jumping point does not count for much; the body's speed is its fastest part's, so that a body that sways over still feet counts as moving.
pub fn speeds_m_per_s(track: &Track) -> Vec<Option<f64>> {
    let frames = &track.frames;
    (0..frames.len())
        .map(|i| {
            let t0 = frames[i].time_s;
            frames[i].body.as_ref()?;
            let first = frames[..i].iter().rposition(|f| t0 - f.time_s > HALF_WINDOW_S).map_or(0, |k| k + 1);
            let last = frames[i..]
                .iter()
                .position(|f| f.time_s - t0 > HALF_WINDOW_S)
                .map_or(frames.len(), |k| i + k);
            let near: Vec<(f64, &Body)> = frames[first..last]
                .iter()
                .filter_map(|f| f.body.as_ref().map(|b| (f.time_s - t0, b)))
                .collect();
            if near.len() < 3 {
                return None;
            }
            let mut scale: Vec<f64> = near.iter().map(|(_, b)| b.px_per_m).collect();
            scale.sort_by(f64::total_cmp);
            let px_per_m = scale[scale.len() / 2];
            let seen = |l: &Landmark| near.iter().map(|(_, b)| b.keypoint(*l).visibility).sum::<f64>() > 0.5 * near.len() as f64;
            let parts: Vec<f64> = WATCHED
                .iter()
                .filter_map(|part| {
                    let mut speeds: Vec<f64> = part
                        .iter()
                        .filter(|l| seen(l))
                        .filter_map(|l| slope_px_per_s(&near, *l))
                        .map(|s| s / px_per_m)
                        .collect();
                    speeds.sort_by(f64::total_cmp);
                    match speeds.len() {
                        0 => None,
                        3 => Some(speeds[1]),
                        n => Some(speeds.iter().sum::<f64>() / n as f64),
                    }
                })
                .collect();
            if parts.len() < 3 {
                return None;
            }
            Some(parts.into_iter().fold(0.0, f64::max))
        })
        .collect()
}

fn slope_px_per_s(near: &[(f64, &Body)], landmark: Landmark) -> Option<f64> {
    let n = near.len() as f64;
    let mean = |f: &dyn Fn(&(f64, &Body)) -> f64| near.iter().map(f).sum::<f64>() / n;
    let t = mean(&|p| p.0);
    let (u, v) = (mean(&|p| p.1.at(landmark).u), mean(&|p| p.1.at(landmark).v));
    let tt: f64 = near.iter().map(|p| (p.0 - t).powi(2)).sum();
    if tt <= 0.0 {
        return None;
    }
    let tu: f64 = near.iter().map(|p| (p.0 - t) * (p.1.at(landmark).u - u)).sum();
    let tv: f64 = near.iter().map(|p| (p.0 - t) * (p.1.at(landmark).v - v)).sum();
    Some((tu / tt).hypot(tv / tt))
}
