//! Sway of the trunk in the stance: it leans out and comes back.
//!
//! Going down into the stance and getting up move the trunk one way only; a sway has a way out and a way back. So the lean is read as a sequence of turning points, and
//! a turning point counts that stands far enough from both of its neighbours.

use crate::numerics::normal;
use crate::phases::body_path::BodyAt;
use crate::phases::series::{half_window_s, local_line};
use crate::rules::movement::Movement;

/// A sway.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sway {
    /// Start, seconds of the recording.
    pub start_s: f64,
    /// End, seconds of the recording.
    pub end_s: f64,
    /// Lean from the turning point before, degrees.
    pub lean_deg: f64,
    /// Its standard deviation, degrees.
    pub sd_deg: f64,
    /// Way of the shoulders in the picture, metres.
    pub way_m: f64,
    /// Probability that it is over a limit of the rule file.
    pub over: f64,
}

/// Deviation of a lean in the picture's plane, and of one towards the camera (read from the network's own depth), degrees.
const LEAN_SD_DEG: [f64; 2] = [2.5, 6.0];
/// Deviation of the shoulders' way, metres.
const WAY_SD_M: f64 = 0.02;
/// The way back counts from this share of the way out.
const BACK_SHARE: f64 = 0.55;
/// A sway and its way back take at most this long, real seconds.
const LONGEST_S: f64 = 2.5;

/// Sways between two times of the recording. `factor` is the slow-motion factor.
pub fn find(path: &[BodyAt], from_s: f64, to_s: f64, factor: f64, limits: &Movement) -> Vec<Sway> {
    let frames: Vec<&BodyAt> = path.iter().filter(|b| b.time_s >= from_s && b.time_s <= to_s).collect();
    if frames.len() < 8 {
        return Vec::new();
    }
    // Axes of the view: to the right in the picture and away from the camera, both level.
    let (s, c) = frames[0].right_rad.sin_cos();
    let right = nalgebra::Vector3::new(c, s, 0.0);
    let away = nalgebra::Vector3::new(-right.y, right.x, 0.0);
    let lean = |axis: nalgebra::Vector3<f64>| -> Vec<(f64, f64)> {
        frames
            .iter()
            .map(|b| {
                let trunk = b.shoulders() - b.hips();
                (b.time_s, trunk.dot(&axis).atan2(trunk.z.max(0.05)).to_degrees())
            })
            .collect()
    };
    let way: Vec<(f64, f64)> = frames.iter().map(|b| (b.time_s, b.shoulders().dot(&right))).collect();
    let mut found: Vec<Sway> = Vec::new();
    for (series, sd) in [(lean(right), LEAN_SD_DEG[0]), (lean(away), LEAN_SD_DEG[1])] {
        for (start_s, end_s, size) in out_and_back(&series, 0.7 * limits.sway_deg, factor) {
            let over = normal::cdf((size - limits.sway_deg) / (sd * std::f64::consts::SQRT_2));
            found.push(Sway {
                start_s,
                end_s,
                lean_deg: size,
                sd_deg: sd * std::f64::consts::SQRT_2,
                way_m: 0.0,
                over,
            });
        }
    }
    for (start_s, end_s, size) in out_and_back(&way, 0.7 * limits.sway_m, factor) {
        let over = normal::cdf((size - limits.sway_m) / (WAY_SD_M * std::f64::consts::SQRT_2));
        found.push(Sway {
            start_s,
            end_s,
            lean_deg: 0.0,
            sd_deg: 0.0,
            way_m: size,
            over,
        });
    }
    merged(found)
}

/// Overlapping sways are one: the likeliest, over the whole time, with the largest lean and way.
fn merged(mut found: Vec<Sway>) -> Vec<Sway> {
    found.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    let mut out: Vec<Sway> = Vec::new();
    for s in found {
        match out.last_mut() {
            Some(last) if s.start_s <= last.end_s => {
                last.end_s = last.end_s.max(s.end_s);
                if s.over > last.over && s.lean_deg > 0.0 || last.lean_deg == 0.0 {
                    last.lean_deg = last.lean_deg.max(s.lean_deg);
                    last.sd_deg = last.sd_deg.max(s.sd_deg);
                }
                last.way_m = last.way_m.max(s.way_m);
                last.over = last.over.max(s.over);
            }
            _ => out.push(s),
        }
    }
    out
}

/// Stretches that leave by at least `least` and come back by a good part of it: (start, end, size).
fn out_and_back(series: &[(f64, f64)], least: f64, factor: f64) -> Vec<(f64, f64, f64)> {
    let half = half_window_s(series, 0.06 * factor);
    let smooth: Vec<(f64, f64)> = series
        .iter()
        .filter_map(|(t, _)| local_line(series, *t, half).map(|l| (*t, l.0)))
        .collect();
    // Turning points that stand at least half the least size from the one before (a zigzag).
    let mut turns: Vec<(f64, f64)> = Vec::new();
    for p in &smooth {
        match turns.len() {
            0 => turns.push(*p),
            1 => {
                if (p.1 - turns[0].1).abs() >= 0.5 * least {
                    turns.push(*p);
                }
            }
            n => {
                let rising = turns[n - 1].1 > turns[n - 2].1;
                if (p.1 > turns[n - 1].1) == rising {
                    turns[n - 1] = *p;
                } else if (p.1 - turns[n - 1].1).abs() >= 0.5 * least {
                    turns.push(*p);
                }
            }
        }
    }
    turns
        .windows(3)
        .filter_map(|w| {
            let (out, back) = ((w[1].1 - w[0].1).abs(), (w[2].1 - w[1].1).abs());
            let quick = w[2].0 - w[0].0 <= LONGEST_S * factor;
            // The stretch is that in which the trunk is away from where it started, and not all the time before and after.
            let away = |p: &&(f64, f64), from: f64| (p.1 - from).abs() > 0.15 * out;
            let inside: Vec<&(f64, f64)> = smooth.iter().filter(|p| p.0 >= w[0].0 && p.0 <= w[2].0).collect();
            let start = inside
                .iter()
                .rev()
                .skip_while(|p| p.0 > w[1].0)
                .take_while(|p| away(p, w[0].1))
                .last()
                .map_or(w[0].0, |p| p.0);
            let end = inside
                .iter()
                .skip_while(|p| p.0 < w[1].0)
                .take_while(|p| away(p, w[2].1))
                .last()
                .map_or(w[2].0, |p| p.0);
            (out >= least && back >= BACK_SHARE * out && quick).then_some((start, end, out))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_swing_counts_and_a_single_way_does_not() {
        let swing: Vec<(f64, f64)> = (0..60)
            .map(|i| {
                let t = f64::from(i) / 30.0;
                (
                    t,
                    if (0.5..1.5).contains(&t) {
                        15.0 * (std::f64::consts::PI * (t - 0.5)).sin()
                    } else {
                        0.0
                    },
                )
            })
            .collect();
        let found = out_and_back(&swing, 8.0, 1.0);
        assert_eq!(found.len(), 1);
        assert!((found[0].2 - 15.0).abs() < 1.5, "{found:?}");
        let settle: Vec<(f64, f64)> = (0..60).map(|i| (f64::from(i) / 30.0, 20.0 * (-f64::from(i) / 8.0).exp())).collect();
        assert!(out_and_back(&settle, 8.0, 1.0).is_empty());
    }
}
