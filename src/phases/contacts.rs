//! When a foot meets the carpet, or leaves it.
//!
//! A foot that comes down has a height that falls steadily and then stays: a broken line. The time of the break is found on a fine grid; for each time the height at rest,
//! the speed of the fall and its curvature are fitted in closed form (the curvature held near that of free fall by a prior), and the sum of squares gives the probability
//! of that time. So the contact lies between frames where the fall before it and the rest after it say so, with its own standard deviation.

use crate::phases::body_path::BodyAt;
use crate::phases::flight::STANDARD_GRAVITY_M_PER_S2;
use crate::phases::series::{half_window_s, interval_s, local_line, median};
use crate::types::Leg;
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
/// Least error of a height that neighbouring frames do not share, metres (measured on rendered clips: 2–4 mm at rest, several times that in fast motion).
const JITTER_M: f64 = 0.008;
/// How far the fall's curvature may differ from free fall (the leg stretches or bends in the air), m/s².
const CURVATURE_SD_M_PER_S2: f64 = 12.0;
/// Step of the grid over contact times, real seconds.
const GRID_S: f64 = 0.001;
/// Widening of the fit's own deviation, chosen so that 95 % intervals held about that share on simulated repetitions (`docs/bench-repetitions.md`).
const WIDENING: f64 = 1.3;
/// The share of the frame interval that is left uncertain whatever the fit says (a rectangle of one interval has a deviation of 0.29 of it).
const FRAME_SHARE: f64 = 0.12;

/// First contact of a foot at or after `from_s`, coming from the air. `factor` is the slow-motion factor.
pub fn first(path: &[BodyAt], leg: Leg, from_s: f64, factor: f64) -> Option<Contact> {
    let samples: Vec<(f64, [f64; 2])> = path.iter().filter(|b| b.time_s >= from_s).map(|b| (b.time_s, b.foot_heights(leg))).collect();
    meeting(&samples, factor).map(|(time_s, sd_s)| Contact { leg, time_s, sd_s })
}

/// Last contact of a foot at or before `until_s`, on the way into the air: the same, backwards in time.
pub fn last(path: &[BodyAt], leg: Leg, until_s: f64, factor: f64) -> Option<Contact> {
    let samples: Vec<(f64, [f64; 2])> =
        path.iter().rev().filter(|b| b.time_s <= until_s).map(|b| (-b.time_s, b.foot_heights(leg))).collect();
    meeting(&samples, factor).map(|(time_s, sd_s)| Contact { leg, time_s: -time_s, sd_s })
}

/// Time and deviation at which a foot (heights of heel and toe, metres) that starts in the air comes to rest.
fn meeting(samples: &[(f64, [f64; 2])], factor: f64) -> Option<(f64, f64)> {
    let interval = interval_s(samples.iter().map(|s| s.0));
    if samples.len() < 6 || interval <= 0.0 {
        return None;
    }
    let lowest: Vec<(f64, f64)> = samples.iter().map(|(t, h)| (*t, h[0].min(h[1]))).collect();
    let half = half_window_s(&lowest, 0.035 * factor);
    // The fall must be seen: the fastest descent, then the first rest after it.
    let slopes: Vec<Option<f64>> = lowest.iter().map(|(t, _)| local_line(&lowest, *t, half).map(|l| l.1 * factor)).collect();
    let start = lowest[0].1;
    let falling = (0..lowest.len()).find(|k| slopes[*k].is_some_and(|s| s < -2.0 * REST_M_PER_S) && lowest[*k].1 < start + 0.5)?;
    let rest = (falling + 1..lowest.len()).find(|k| {
        slopes[*k].is_some_and(|s| s.abs() < REST_M_PER_S) && lowest[*k].1 < 0.35 * (highest(&lowest[..*k]) - lowest[*k].1) + lowest[*k].1 && {
            // and stays there for a moment
            let later: Vec<f64> =
                lowest[*k..].iter().take_while(|(t, _)| *t <= lowest[*k].0 + (0.05 * factor).max(1.5 * interval)).map(|s| s.1).collect();
            later.iter().all(|h| (h - lowest[*k].1).abs() < 0.06)
        }
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
    let over: Vec<(f64, f64)> = samples.iter().map(|(t, h)| (*t, (h[0] - at_rest[0]).min(h[1] - at_rest[1]))).collect();
    let window: Vec<(f64, f64)> = over
        .iter()
        .copied()
        .filter(|(t, _)| *t >= around - (BEFORE_S * factor).max(4.2 * interval) && *t <= around + (AFTER_S * factor).max(3.2 * interval))
        .collect();
    broken_line(&window, factor, interval)
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
        let mut normal = Matrix3::from_diagonal(&Vector3::new(
            (0.02_f64).powi(-2),
            (6.0 / factor).powi(-2),
            curvature_sd.powi(-2),
        ));
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
    let costs: Vec<(f64, f64)> = (0..=count).filter_map(|k| fit(first + k as f64 * step).map(|c| (first + k as f64 * step, c))).collect();
    let least = costs.iter().map(|c| c.1).fold(f64::INFINITY, f64::min);
    if !least.is_finite() {
        return None;
    }
    // Where the fit is worse than the assumed jitter, the jitter was larger: one factor for all times.
    let spare = (window.len() as f64 - 3.0).max(1.0);
    let excess = (least / spare).max(1.0);
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
