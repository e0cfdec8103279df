//! A long shot in stretches that are looked at one after the other, so that memory does not grow with a recording's length.

use crate::hold::spans::in_stance;
use crate::pose::track::{PoseFrame, Track};

/// A shot up to this long stays whole, seconds of the recording.
const LONGEST_S: f64 = 120.0;
/// No stretch is shorter than this, seconds of the recording.
const SHORTEST_S: f64 = 60.0;
/// A stretch should not end nearer to a stance than this, seconds of the recording: a jump and its landing belong to the stance.
const FROM_STANCE_S: f64 = 8.0;
/// Movement of the hips is looked at over this much to either side, seconds.
const CALM_S: f64 = 0.25;

/// The stretches of a shot, by first and last frame. A long shot is parted away from stances, where the hips move least.
pub fn of(track: &Track, shot: (usize, usize)) -> Vec<(usize, usize)> {
    let frames = &track.frames;
    let mut out = Vec::new();
    let mut first = shot.0;
    while frames[shot.1].time_s - frames[first].time_s > LONGEST_S {
        let at = |s: f64| frames.partition_point(|f| f.time_s < frames[first].time_s + s);
        let (from, to) = (at(SHORTEST_S).max(first + 1), at(LONGEST_S).min(shot.1));
        let Some(next) = parting(frames, from, to) else { break };
        out.push((first, next - 1));
        first = next;
    }
    out.push((first, shot.1));
    out
}

/// Where to part within `from..=to`.
fn parting(frames: &[PoseFrame], from: usize, to: usize) -> Option<usize> {
    let around = |i: usize, s: f64| {
        let t = frames[i].time_s;
        frames.partition_point(|f| f.time_s < t - s)..frames.partition_point(|f| f.time_s <= t + s)
    };
    // Time to the nearest frame in the stance, up to the wanted one.
    let wide = around(from, FROM_STANCE_S).start..around(to.min(frames.len() - 1), FROM_STANCE_S).end;
    let stance: Vec<f64> = frames[wide].iter().filter(|f| in_stance(f)).map(|f| f.time_s).collect();
    let clear_s = |i: usize| {
        let t = frames[i].time_s;
        let k = stance.partition_point(|s| *s < t);
        let near = [k.checked_sub(1).map(|k| t - stance[k]), stance.get(k).map(|s| s - t)];
        near.into_iter().flatten().fold(FROM_STANCE_S, f64::min)
    };
    let most_clear_s = (from..=to).map(clear_s).fold(0.0, f64::max);
    (from..=to)
        .filter(|i| clear_s(*i) >= most_clear_s)
        .min_by(|a, b| movement(&frames[around(*a, CALM_S)]).total_cmp(&movement(&frames[around(*b, CALM_S)])))
}

/// Largest distance between the hips of two frames, metres at the body's scale; 0 where nobody is seen.
fn movement(frames: &[PoseFrame]) -> f64 {
    let mut range = [f64::INFINITY, f64::NEG_INFINITY, f64::INFINITY, f64::NEG_INFINITY];
    let mut px_per_m: f64 = 1e-3;
    for body in frames.iter().filter_map(|f| f.body.as_ref()) {
        let hips = body.hips();
        range = [
            range[0].min(hips.u),
            range[1].max(hips.u),
            range[2].min(hips.v),
            range[3].max(hips.v),
        ];
        px_per_m = px_per_m.max(body.px_per_m);
    }
    let [left, right, top, bottom] = range;
    if left > right {
        return 0.0;
    }
    (right - left).hypot(bottom - top) / px_per_m
}
