//! When a foot meets the carpet, or leaves it.
//!
//! A foot that comes down has a height that falls steadily and then stays: a broken line. The time of the break is found on a fine grid; for each time the height at rest,
//! the speed of the fall and its curvature are fitted in closed form (the curvature held near that of free fall by a prior), and the sum of squares gives the probability
//! of that time. So the contact lies between frames where the fall before it and the rest after it say so, with its own standard deviation.

use crate::numerics::median;
use crate::phases::body_path::BodyAt;
use crate::phases::flight::STANDARD_GRAVITY_M_PER_S2;
use crate::phases::series::{half_window_s, interval_s, local_line};
use crate::pose::track::Landmark;
use crate::types::{ImagePoint, Leg};
use nalgebra::{Matrix3, Vector3};

/// A first (or last) contact.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Contact {
    /// Whose foot.
    pub leg: Leg,
    /// When, seconds of the recording.
    pub time_s: f64,
    /// Standard deviation, seconds of the recording.
    pub sd_s: f64,
}

/// Frames before the contact that are looked at, real seconds.
const BEFORE_S: f64 = 0.13;
/// Frames after it, real seconds.
const AFTER_S: f64 = 0.09;
/// A foot is at rest below this speed, m/s.
const REST_M_PER_S: f64 = 0.45;
/// A foot that rests is lower than this, or than a quarter of its height in the air (a raised camera's heights are off by so much), metres.
const LOW_M: f64 = 0.13;
/// Least error of a height that neighbouring frames do not share, metres (measured on rendered clips: 2–4 mm at rest, several times that in fast motion).
const JITTER_M: f64 = 0.008;
/// How far the fall's curvature may differ from free fall (the leg stretches or bends in the air), m/s².
const CURVATURE_SD_M_PER_S2: f64 = 12.0;
/// Step of the grid over contact times, real seconds.
const GRID_S: f64 = 0.001;
/// Widening of the fit's own deviation, chosen so that 95 % intervals held about that share on simulated repetitions (`docs/bench-repetitions.md`).
const WIDENING: f64 = 1.5;
/// Frames within this share their errors, real seconds.
const SHARED_S: f64 = 0.03;
/// The share of the frame interval that is left uncertain whatever the fit says (a rectangle of one interval has a deviation of 0.29 of it).
const FRAME_SHARE: f64 = 0.22;

/// The two first contacts at or after `from_s` (in the air), in time order. `factor` is the slow-motion factor.
pub fn landing(path: &[BodyAt], from_s: f64, factor: f64) -> Vec<Contact> {
    let part: Vec<&BodyAt> = path.iter().filter(|b| b.time_s >= from_s).collect();
    let times: Vec<(f64, f64)> = [false, true]
        .iter()
        .filter_map(|higher| meeting(&by_height(&part, *higher, 1.0), factor))
        .collect();
    let mut found: Vec<Contact> = times
        .iter()
        .map(|(time_s, sd_s)| Contact {
            leg: Leg::Left,
            time_s: *time_s,
            sd_s: *sd_s,
        })
        .collect();
    found.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
    if found.len() == 2 {
        found[0].leg = first_leg(&part, found[0].time_s, found[1].time_s, factor);
        found[1].leg = found[0].leg.other();
    }
    found
}

/// The last contact of any foot at or before `until_s` (in the air): the same, backwards in time. Time and deviation, seconds of the recording.
pub fn take_off(path: &[BodyAt], until_s: f64, factor: f64) -> Option<(f64, f64)> {
    let part: Vec<&BodyAt> = path.iter().rev().filter(|b| b.time_s <= until_s).collect();
    meeting(&by_height(&part, false, -1.0), factor).map(|(time_s, sd_s)| (-time_s, sd_s))
}

/// Heights of heel and toe of the lower or higher foot, frame by frame, against time (or time backwards).
fn by_height(part: &[&BodyAt], higher: bool, direction: f64) -> Vec<(f64, [f64; 2])> {
    part.iter()
        .map(|b| {
            let (left, right) = (b.foot_heights(Leg::Left), b.foot_heights(Leg::Right));
            let left_lower = left[0].min(left[1]) <= right[0].min(right[1]);
            (direction * b.time_s, if left_lower == higher { right } else { left })
        })
        .collect()
}

/// The leg on whose later place a foot already stands between the two contacts.
fn first_leg(part: &[&BodyAt], first_s: f64, second_s: f64, factor: f64) -> Leg {
    let ankle = |leg: Leg| Landmark::of_leg(leg)[2] as usize;
    let after: Vec<&&BodyAt> = part
        .iter()
        .filter(|b| b.time_s >= second_s + 0.02 * factor && b.time_s <= second_s + 0.14 * factor)
        .collect();
    let place = |leg: Leg| -> Option<ImagePoint> {
        Some(ImagePoint::new(
            median(after.iter().map(|b| b.image[ankle(leg)].u).collect())?,
            median(after.iter().map(|b| b.image[ankle(leg)].v).collect())?,
        ))
    };
    let between: Vec<&&BodyAt> = part
        .iter()
        .filter(|b| b.time_s >= first_s && b.time_s <= second_s.max(first_s + 0.03 * factor))
        .collect();
    let (Some(left), Some(right)) = (place(Leg::Left), place(Leg::Right)) else {
        return Leg::Left;
    };
    let near = |b: &BodyAt, p: ImagePoint| {
        b.image[ankle(Leg::Left)]
            .distance_px(p)
            .min(b.image[ankle(Leg::Right)].distance_px(p))
    };
    let off: f64 = between.iter().map(|b| near(b, left) - near(b, right)).sum();
    if off <= 0.0 {
        Leg::Left
    } else {
        Leg::Right
    }
}

/// Time and deviation at which a foot (heights of heel and toe, metres) that starts in the air comes to rest.
fn meeting(samples: &[(f64, [f64; 2])], factor: f64) -> Option<(f64, f64)> {
    let interval = interval_s(samples.iter().map(|s| s.0));
    if samples.len() < 6 || interval <= 0.0 {
        return None;
    }
    // One point that jumps for one frame must not look like a rest or a fall: the middle one of three.
    let samples: Vec<(f64, [f64; 2])> = samples
        .windows(3)
        .map(|w| (w[1].0, std::array::from_fn(|p| middle(w[0].1[p], w[1].1[p], w[2].1[p]))))
        .collect();
    let samples = &samples[..];
    let lowest: Vec<(f64, f64)> = samples.iter().map(|(t, h)| (*t, h[0].min(h[1]))).collect();
    let half = half_window_s(&lowest, 0.035 * factor);
    // The fall must be seen: the fastest descent, then the first rest after it, low and for a moment.
    let slopes: Vec<Option<f64>> = lowest
        .iter()
        .map(|(t, _)| local_line(&lowest, *t, half).map(|l| l.1 * factor))
        .collect();
    let falling = (0..lowest.len()).find(|k| slopes[*k].is_some_and(|s| s < -2.0 * REST_M_PER_S))?;
    let rest = (falling + 1..lowest.len()).find(|k| {
        let until = lowest[*k].0 + (0.06 * factor).max(2.2 * interval);
        let later: Vec<f64> = lowest[*k..].iter().take_while(|(t, _)| *t <= until).map(|s| s.1).collect();
        slopes[*k].is_some_and(|s| s.abs() < REST_M_PER_S)
            && lowest[*k].1 < LOW_M.max(0.25 * highest(&lowest[..*k]))
            && later.len() >= 3
            && later.iter().all(|h| (h - lowest[*k].1).abs() < 0.04)
    })?;
    let around = lowest[rest].0;
    // Height of heel and toe at rest, so that a foot that stays on its ball meets the carpet when its ball does.
    let at_rest: [f64; 2] = std::array::from_fn(|p| {
        let near: Vec<f64> = samples
            .iter()
            .filter(|(t, _)| *t >= around && *t <= around + (0.08 * factor).max(2.5 * interval))
            .map(|(_, h)| h[p])
            .collect();
        median(near).unwrap_or(samples[rest].1[p])
    });
    let over: Vec<(f64, f64)> = samples
        .iter()
        .map(|(t, h)| (*t, (h[0] - at_rest[0]).min(h[1] - at_rest[1])))
        .collect();
    let window: Vec<(f64, f64)> = over
        .iter()
        .copied()
        .filter(|(t, _)| *t >= around - (BEFORE_S * factor).max(4.2 * interval) && *t <= around + (AFTER_S * factor).max(3.2 * interval))
        .collect();
    broken_line(&window, factor, interval)
}

fn middle(a: f64, b: f64, c: f64) -> f64 {
    a.min(b).max(a.max(b).min(c))
}

fn highest(samples: &[(f64, f64)]) -> f64 {
    samples.iter().map(|s| s.1).fold(f64::NEG_INFINITY, f64::max)
}

/// The break of a falling and then level line, in the time of the samples.
fn broken_line(window: &[(f64, f64)], factor: f64, interval_s: f64) -> Option<(f64, f64)> {
    if window.len() < 5 {
        return None;
    }
    let (first, last) = (window[0].0, window[window.len() - 1].0);
    let gravity = STANDARD_GRAVITY_M_PER_S2 / (factor * factor);
    let curvature_sd = CURVATURE_SD_M_PER_S2 / (factor * factor);
    let fit = |time: f64| -> Option<f64> {
        // height = rest + speed·τ − ½·curvature·τ² for τ = time − t > 0; rest near 0, curvature near g.
        let mut normal = Matrix3::from_diagonal(&Vector3::new((0.02_f64).powi(-2), (6.0 / factor).powi(-2), curvature_sd.powi(-2)));
        let mut right = Vector3::new(0.0, 0.0, gravity * curvature_sd.powi(-2));
        let w = JITTER_M.powi(-2);
        for (t, h) in window {
            let tau = (time - t).max(0.0);
            let row = Vector3::new(1.0, tau, -0.5 * tau * tau);
            normal += w * row * row.transpose();
            right += w * *h * row;
        }
        let x = normal.try_inverse()? * right;
        if x[1] < 0.0 {
            return None;
        }
        let mut cost = (x[0] / 0.02).powi(2) + ((x[2] - gravity) / curvature_sd).powi(2) + (x[1] * factor / 6.0).powi(2);
        for (t, h) in window {
            let tau = (time - t).max(0.0);
            cost += w * (h - x[0] - x[1] * tau + 0.5 * x[2] * tau * tau).powi(2);
        }
        Some(cost)
    };
    let step = GRID_S * factor;
    let count = ((last - first) / step).ceil() as usize;
    let costs: Vec<(f64, f64)> = (0..=count)
        .filter_map(|k| fit(first + k as f64 * step).map(|c| (first + k as f64 * step, c)))
        .collect();
    let least = costs.iter().map(|c| c.1).fold(f64::INFINITY, f64::min);
    if !least.is_finite() {
        return None;
    }
    // Where the fit is worse than the assumed jitter, the jitter was larger: one factor for all times.
    let spare = (window.len() as f64 - 3.0).max(1.0);
    // and neighbouring frames share part of it, so that more frames do not say as much more.
    let excess = (least / spare).max(1.0) * (SHARED_S * factor / interval_s).max(1.0);
    let (mut sum, mut mean, mut square) = (0.0, 0.0, 0.0);
    for (t, c) in &costs {
        let p = (-0.5 * (c - least) / excess).exp();
        sum += p;
        mean += p * t;
        square += p * t * t;
    }
    mean /= sum;
    let variance = (square / sum - mean * mean).max(0.0);
    Some((mean, (WIDENING * variance.sqrt()).hypot(FRAME_SHARE * interval_s)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A foot that falls freely from rest 0.4 m up meets the carpet after √(2·0.4/g) (Galilei's law; g is the standard value of the 3rd CGPM, 1901).
    #[test]
    fn a_dropped_foot_meets_the_carpet_when_free_fall_says() {
        let expected = (2.0 * 0.4 / STANDARD_GRAVITY_M_PER_S2).sqrt();
        for fps in [30.0, 60.0, 120.0] {
            for phase in [0.0, 0.3, 0.7] {
                let samples: Vec<(f64, [f64; 2])> = (0..(0.9 * fps) as usize)
                    .map(|i| {
                        let t = (i as f64 + phase) / fps;
                        let h = (0.4 - 0.5 * STANDARD_GRAVITY_M_PER_S2 * t * t).max(0.0) + 0.025;
                        (t, [h, h + 0.01])
                    })
                    .collect();
                let (time, sd) = meeting(&samples, 1.0).unwrap();
                assert!((time - expected).abs() < 0.006 && sd < 0.02, "{fps}: {time} ± {sd}, {expected}");
            }
        }
    }
}
