//! Where a recording was cut: the picture changed at once, or what one frame shows of the body cannot have followed from the frame before.

use crate::pose::track::{Body, Landmark, Track};

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
pub fn shots(track: &Track) -> Vec<usize> {
    let frames = &track.frames;
    let seen: Vec<(usize, &Body)> = frames
        .iter()
        .enumerate()
        .filter_map(|(i, f)| f.body.as_ref().map(|b| (i, b)))
        .collect();
    let mut starts = vec![0];
    starts.extend(track.cuts_s.iter().map(|c| frames.partition_point(|f| f.time_s < c - 1e-9)));
    for (n, pair) in seen.windows(2).enumerate() {
        let ((k, before), (i, after)) = (pair[0], pair[1]);
        let dt = |j: usize| frames[j].time_s - frames[k].time_s;
        // One misread frame is no cut: the frame after it must be as far from the one before.
        let confirmed = || seen.get(n + 2).is_none_or(|(j, next)| is_cut(before, next, dt(*j)));
        if dt(i) > GAP_S {
            starts.push(i);
        } else if is_cut(before, after, dt(i)) && confirmed() {
            starts.push(k + 1);
        }
    }
    starts.sort_unstable();
    starts.dedup();
    // One cut may show in the picture and, a frame or two on, in the body.
    starts.dedup_by(|later, earlier| *later - *earlier <= 2);
    starts.retain(|s| *s < frames.len().max(1));
    starts
}

fn is_cut(before: &Body, after: &Body, dt_s: f64) -> bool {
    let ratio = after.px_per_m / before.px_per_m.max(1e-9);
    if dt_s < 0.3 && !(1.0 / SIZE_RATIO..=SIZE_RATIO).contains(&ratio) {
        return true;
    }
    let scale = 0.5 * (before.px_per_m + after.px_per_m);
    let (a, b) = (before.hips(), after.hips());
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
