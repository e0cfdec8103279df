//! Where a recording was cut: what one frame shows cannot have followed from the frame before.

use crate::pose::track::{Body, Landmark, PoseFrame};

/// Pairs of landmarks that are compared; either may be taken for the other by the network, which is no cut.
const COMPARED: [[Landmark; 2]; 5] = [
    [Landmark::LeftShoulder, Landmark::RightShoulder],
    [Landmark::LeftHip, Landmark::RightHip],
    [Landmark::LeftKnee, Landmark::RightKnee],
    [Landmark::LeftAnkle, Landmark::RightAnkle],
    [Landmark::LeftElbow, Landmark::RightElbow],
];
/// Fastest that the body as a whole moves, m/s (a fast jump: 5 m/s; common practice, no source).
const SPEED_LIMIT_M_PER_S: f64 = 9.0;
/// Fastest that limbs move about the hips on average, m/s.
const LIMB_SPEED_LIMIT_M_PER_S: f64 = 8.0;
/// Jumps that jitter may make, metres at the body's scale.
const JITTER_M: f64 = 0.12;
/// Ratio of apparent sizes between frames that no movement makes.
const SIZE_RATIO: f64 = 1.25;
/// A gap without a body longer than this starts a new shot, seconds.
const GAP_S: f64 = 1.5;

/// First frames of the shots, beginning with 0.
pub fn shots(frames: &[PoseFrame]) -> Vec<usize> {
    let mut starts = vec![0];
    let mut last: Option<(usize, &Body)> = None;
    for (i, frame) in frames.iter().enumerate() {
        let Some(body) = frame.body.as_ref() else { continue };
        if let Some((k, before)) = last {
            let dt = frame.time_s - frames[k].time_s;
            if dt > GAP_S || is_cut(before, body, dt) {
                starts.push(if i - k > 1 && dt > GAP_S { i } else { k + 1 });
            }
        }
        last = Some((i, body));
    }
    starts.dedup();
    starts
}

fn is_cut(before: &Body, after: &Body, dt_s: f64) -> bool {
    let ratio = after.px_per_m / before.px_per_m.max(1e-9);
    if dt_s < 0.3 && !(1.0 / SIZE_RATIO..=SIZE_RATIO).contains(&ratio) {
        return true;
    }
    let hips = |b: &Body| b.at(Landmark::LeftHip).towards(b.at(Landmark::RightHip), 0.5);
    let scale = 0.5 * (before.px_per_m + after.px_per_m);
    let (a, b) = (hips(before), hips(after));
    if a.distance_px(b) / scale > SPEED_LIMIT_M_PER_S * dt_s + JITTER_M {
        return true;
    }
    let square = |l: Landmark, m: Landmark| {
        let (p, q) = (before.at(l), after.at(m));
        let (du, dv) = ((q.u - b.u) - (p.u - a.u), (q.v - b.v) - (p.v - a.v));
        (du * du + dv * dv) / (scale * scale)
    };
    let squares: f64 = COMPARED
        .iter()
        .map(|[l, r]| (square(*l, *l) + square(*r, *r)).min(square(*l, *r) + square(*r, *l)))
        .sum();
    (squares / (2 * COMPARED.len()) as f64).sqrt() > LIMB_SPEED_LIMIT_M_PER_S * dt_s.min(0.2) + JITTER_M
}
