//! Steps, hops and shuffles: what the feet do between the first contact and the leaving.
//!
//! A foot's place is read in the picture, in metres at the body's distance: sideways and upwards. A move is a stretch in which it is faster than a limit, between two rests.
//! Its way is the difference of the rests (a way towards or away from the camera shows only as a change of height in the picture, by the sine of the camera's elevation);
//! its lift is how far it rises over the straight line between the rests, whatever the view.

use crate::numerics::normal;
use crate::phases::body_path::BodyAt;
use crate::phases::series::{half_window_s, interval_s, local_line, runs};
use crate::pose::track::Landmark;
use crate::rules::movement::Movement;
use crate::types::Leg;

/// One move of one foot.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Move {
    /// Whose foot.
    pub leg: Leg,
    /// Start, seconds of the recording.
    pub start_s: f64,
    /// End, seconds of the recording.
    pub end_s: f64,
    /// Way over the carpet, metres, and its standard deviation.
    pub way_m: [f64; 2],
    /// Probability that the way is at least the limit given.
    pub far: f64,
    /// Greatest height over the line between the rests, metres.
    pub lift_m: f64,
    /// Probability that the foot left the carpet.
    pub lifted: f64,
}

/// A foot that moves is faster than this, real m/s.
const MOVING_M_PER_S: f64 = 0.22;
/// Pauses shorter than this do not end a move, real seconds.
const PAUSE_S: f64 = 0.05;
/// A move is at least this long, real seconds.
const SHORTEST_S: f64 = 0.07;
/// A rest is averaged over this long, real seconds.
const REST_S: f64 = 0.15;
/// How far a resting foot's reading differs from one rest to the next though it never moved, metres (slow errors change with the pose; measured on rendered clips).
const REST_SD_M: f64 = 0.014;
/// The same of a lift.
const LIFT_SD_M: f64 = 0.014;

/// Moves of a foot between two times of the recording. `factor` is the slow-motion factor.
pub fn moves(path: &[BodyAt], leg: Leg, from_s: f64, to_s: f64, factor: f64, limits: &Movement) -> Vec<Move> {
    let [_, _, ankle, heel, toe] = Landmark::of_leg(leg);
    let frames: Vec<&BodyAt> = path.iter().filter(|b| b.time_s >= from_s && b.time_s <= to_s).collect();
    if frames.len() < 8 {
        return Vec::new();
    }
    // Metres at one distance for the whole stretch: the foot's own distance hardly changes, and the estimate's wobble must not look like a move.
    let mut scales: Vec<f64> = frames.iter().map(|b| b.metres_per_px).collect();
    scales.sort_by(f64::total_cmp);
    let metres = scales[scales.len() / 2];
    let mean = |f: &dyn Fn(usize) -> f64| metres * [ankle, heel, toe].iter().map(|l| f(*l as usize)).sum::<f64>() / 3.0;
    let across: Vec<(f64, f64)> = frames.iter().map(|b| (b.time_s, mean(&|l| b.image[l].u))).collect();
    let upward: Vec<(f64, f64)> = frames.iter().map(|b| (b.time_s, -mean(&|l| b.image[l].v))).collect();
    let half = half_window_s(&across, 0.04 * factor);
    let interval = interval_s(across.iter().map(|s| s.0));
    let moving: Vec<bool> = frames
        .iter()
        .map(|b| {
            let speed = |s: &[(f64, f64)]| local_line(s, b.time_s, half).map_or(0.0, |l| l.1 * factor);
            speed(&across).hypot(speed(&upward)) > MOVING_M_PER_S
        })
        .collect();
    let down = {
        let mut all: Vec<f64> = frames.iter().map(|b| b.down).collect();
        all.sort_by(f64::total_cmp);
        all[all.len() / 2].max(0.02)
    };
    let bridge = (PAUSE_S * factor / interval.max(1e-6)).round() as usize;
    let mut found = Vec::new();
    for (a, b) in runs(&moving, bridge) {
        let (start_s, end_s) = (across[a].0, across[b].0);
        if end_s - start_s < SHORTEST_S * factor {
            continue;
        }
        let rest = |samples: &[(f64, f64)], from: f64, to: f64| -> Option<f64> {
            let near: Vec<f64> = samples
                .iter()
                .enumerate()
                .filter(|(k, s)| s.0 >= from && s.0 <= to && !moving[*k])
                .map(|(_, s)| s.1)
                .collect();
            (!near.is_empty()).then(|| near.iter().sum::<f64>() / near.len() as f64)
        };
        let before = |s: &[(f64, f64)]| rest(s, start_s - (REST_S * factor).max(2.5 * interval), start_s);
        let after = |s: &[(f64, f64)]| rest(s, end_s, end_s + (REST_S * factor).max(2.5 * interval));
        let (Some(x0), Some(x1), Some(z0), Some(z1)) = (before(&across), after(&across), before(&upward), after(&upward)) else {
            continue;
        };
        let (side, along) = (x1 - x0, (z1 - z0) / down);
        let (side_sd, along_sd) = (REST_SD_M, REST_SD_M / down);
        // The way along the line of sight counts only as far as it can be told from nothing.
        let along_counts = along.abs() > 2.0 * along_sd;
        let way = if along_counts { side.hypot(along) } else { side.abs() };
        let way_sd = if along_counts && way > 1e-9 {
            ((side * side_sd).powi(2) + (along * along_sd).powi(2)).sqrt() / way
        } else {
            side_sd
        };
        let limit = limits.step_m.min(limits.shuffle_m);
        let lift_m = (a..=b)
            .map(|k| {
                let share = ((upward[k].0 - start_s) / (end_s - start_s).max(1e-9)).clamp(0.0, 1.0);
                upward[k].1 - (z0 + share * (z1 - z0))
            })
            .fold(0.0, f64::max);
        // A way along the line of sight is not at an even speed: up to a tenth of it looks like height.
        let lift_sd = LIFT_SD_M.hypot(0.1 * (z1 - z0));
        found.push(Move {
            leg,
            start_s,
            end_s,
            way_m: [way, way_sd],
            far: normal::cdf((way - limit) / way_sd),
            lift_m,
            lifted: normal::cdf((lift_m - limits.lift_m) / lift_sd),
        });
    }
    found
}

/// The smallest way along the line of sight that this view tells from none, metres.
pub fn smallest_way_along_sight_m(path: &[BodyAt], from_s: f64, to_s: f64, confidence: f64) -> Option<f64> {
    let down = crate::numerics::median(
        path.iter()
            .filter(|b| b.time_s >= from_s && b.time_s <= to_s)
            .map(|b| b.down)
            .collect(),
    )?;
    Some(crate::leg::profile::smallest_lift_mm(REST_SD_M / down.max(0.01), confidence))
}
