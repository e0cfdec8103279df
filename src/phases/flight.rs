//! Jumps, and what free fall says about the speed of the picture.
//!
//! Between take-off and first contact the centre of mass falls with g whatever the limbs do. A recording slowed down by a factor `s` shows g/s²; so with the carpet's scale
//! known, s = √(g / shown).

use crate::phases::body_path::BodyAt;
use crate::phases::series::{polynomial, runs};
use crate::types::Leg;

/// Standard acceleration of free fall, m/s² (3rd CGPM, 1901; ISO 80000-3).
pub const STANDARD_GRAVITY_M_PER_S2: f64 = 9.80665;

/// Feet this high over the carpet are in the air, metres.
const AIR_M: f64 = 0.10;
/// A flight is at least this long, seconds of the recording.
const SHORTEST_S: f64 = 0.12;
/// Left off at both ends of a flight before the fall is fitted, as a share of it.
const TRIM: f64 = 0.08;
/// What the centre of mass from landmarks adds to the error of the shown acceleration, relative (limbs' masses are a table's).
const MASS_SD: f64 = 0.05;
/// Within this of 1 a factor is real time.
const REAL_TIME: f64 = 0.15;

/// A stretch with both feet in the air: positions in the path.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Flight {
    /// Last frame on the carpet.
    pub before: usize,
    /// First frame on the carpet again.
    pub after: usize,
    /// Highest frame.
    pub top: usize,
}

/// Stretches in the air.
pub fn find(path: &[BodyAt]) -> Vec<Flight> {
    let up: Vec<bool> = path
        .iter()
        .map(|b| {
            let [depth, sd] = b.depth_m;
            let height_sd = (sd * b.down / depth.max(1e-6) * depth).min(0.12).hypot(0.02);
            let limit = AIR_M.max(1.6 * height_sd);
            b.foot_height(Leg::Left) > limit && b.foot_height(Leg::Right) > limit
        })
        .collect();
    runs(&up, 1)
        .into_iter()
        .filter_map(|(a, b)| {
            let (before, after) = (a.checked_sub(1)?, b + 1);
            if after >= path.len() || path[b].time_s - path[a].time_s < SHORTEST_S {
                return None;
            }
            let top = (a..=b).max_by(|i, k| path[*i].mass_height().total_cmp(&path[*k].mass_height()))?;
            // A body that is carried by something else does not rise and fall: the hips must come from below and go below.
            let peak = path[top].mass_height();
            let rise = peak - path[a].mass_height().max(path[b].mass_height());
            (rise > 0.02).then_some(Flight { before, after, top })
        })
        .collect()
}

/// What the free fall says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FreeFall {
    /// Slow-motion factor.
    pub factor: f64,
    /// Its standard deviation.
    pub factor_sd: f64,
}

impl FreeFall {
    /// The factor to work with: 1 where the estimate is near real time.
    pub fn applied(&self) -> f64 {
        if (self.factor - 1.0).abs() < REAL_TIME.max(2.0 * self.factor_sd).min(0.4) {
            1.0
        } else {
            self.factor
        }
    }
}

/// Fits the fall between take-off and first contact (seconds of the recording). `None` where it is too short, does not fall, or is too uncertain to say anything.
pub fn free_fall(path: &[BodyAt], take_off_s: f64, contact_s: f64) -> Option<FreeFall> {
    let span = contact_s - take_off_s;
    let (from, to) = (take_off_s + TRIM * span, contact_s - TRIM * span);
    let middle = 0.5 * (from + to);
    let mut samples: Vec<(f64, f64, f64)> = path
        .iter()
        .filter(|b| b.time_s >= from && b.time_s <= to)
        .map(|b| (b.time_s - middle, b.mass_height(), 1.0))
        .collect();
    let mut result = None;
    // Twice: what lies far off the first parabola was misread and is left out of the second.
    for _ in 0..2 {
        if samples.len() < 5 {
            return None;
        }
        let (c, inverse) = polynomial(&samples, 2)?;
        let off = |s: &(f64, f64, f64)| s.1 - c[0] - c[1] * s.0 - c[2] * s.0 * s.0;
        let spare = (samples.len() as f64 - 3.0).max(1.0);
        let rms = (samples.iter().map(|s| off(s).powi(2)).sum::<f64>() / spare).sqrt().max(0.003);
        // Neighbouring frames share part of their error: the deviation of independent ones is doubled.
        result = Some((-2.0 * c[2], 2.0 * 2.0 * rms * inverse[(2, 2)].sqrt()));
        samples.retain(|s| off(s).abs() < 2.5 * rms);
    }
    let (shown, sd) = result?;
    let depth: Vec<&BodyAt> = path.iter().filter(|b| b.time_s >= from && b.time_s <= to).collect();
    let scale_sd = depth.iter().map(|b| (b.depth_m[1] / b.depth_m[0]).hypot(b.scale_sd)).sum::<f64>() / depth.len() as f64;
    if shown <= 0.0 {
        return None;
    }
    let relative = (sd / shown).hypot(scale_sd).hypot(MASS_SD);
    if relative > 0.5 {
        return None;
    }
    let factor = (STANDARD_GRAVITY_M_PER_S2 / shown).sqrt();
    Some(FreeFall {
        factor,
        factor_sd: 0.5 * factor * relative,
    })
}
