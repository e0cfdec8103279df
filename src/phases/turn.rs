//! How far the body turned about the vertical between take-off and first contact.
//!
//! Hips and shoulders give a heading in every frame, known only up to whole turns and poor where the body stands edge on to the camera. The rate of turning that makes all
//! headings of the flight agree best tells the whole turns; a cubic through the headings unwrapped about it gives the turn itself.

use crate::phases::body_path::BodyAt;
use crate::phases::series::{interval_s, polynomial};
use crate::pose::track::Landmark;
use std::f64::consts::{PI, TAU};

/// A turn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Turn {
    /// Radians, positive anticlockwise seen from above (to the athlete's left).
    pub angle_rad: f64,
    /// Standard deviation, radians.
    pub sd_rad: f64,
    /// Probability that the whole turns are right.
    pub sure: f64,
}

/// Fastest turn looked for, radians per real second (a double turn in half a second: 25).
const FASTEST_RAD_PER_S: f64 = 30.0;
/// Largest step between frames that can be told from one the other way, radians.
const LARGEST_STEP_RAD: f64 = 0.8 * PI;
/// Frames before take-off and after the contact that help to hold the ends, real seconds.
const MARGIN_S: f64 = 0.08;
/// What a heading is off by for seconds on end (on a rendered jump hips and shoulders were off by 5–25° each, mostly the same way before and after it), twice, radians.
const BODY_SD_RAD: f64 = 0.18;
/// Errors of the length from right to left: across the picture, and in depth, metres.
const ACROSS_SD_M: f64 = 0.035;
const AWAY_SD_M: f64 = 0.075;
/// Errors of neighbouring frames are shared: the frames of this stretch count as one, real seconds.
const SHARED_S: f64 = 0.30;

/// The turn between two times of the recording; `factor` is the slow-motion factor. `None` with too few frames.
pub fn between(path: &[BodyAt], take_off_s: f64, contact_s: f64, factor: f64) -> Option<Turn> {
    let margin = MARGIN_S * factor;
    let seen: Vec<(f64, f64, f64)> = path
        .iter()
        .filter(|b| b.time_s >= take_off_s - margin && b.time_s <= contact_s + margin)
        .filter_map(|b| heading(b).map(|(angle, weight)| (b.time_s, angle, weight)))
        .collect();
    if seen.len() < 5 {
        return None;
    }
    let middle = 0.5 * (take_off_s + contact_s);
    let span = contact_s - take_off_s;
    let interval = interval_s(seen.iter().map(|s| s.0));
    let fastest = (FASTEST_RAD_PER_S / factor).min(LARGEST_STEP_RAD / interval.max(1e-6));
    // The heading turns at `rate` in the air and slows towards both ends of the margins.
    let turned = |t: f64, rate: f64, change: f64| {
        let u = (t - middle).clamp(-0.5 * span - 0.5 * margin, 0.5 * span + 0.5 * margin);
        rate * u + 0.5 * change * u * u
    };
    let total: f64 = seen.iter().map(|s| s.2).sum();
    let agreement = |rate: f64, change: f64| {
        let (re, im) = seen.iter().fold((0.0, 0.0), |acc, (t, a, w)| {
            let d = a - turned(*t, rate, change);
            (acc.0 + w * d.cos(), acc.1 + w * d.sin())
        });
        (re.hypot(im) / total, im.atan2(re))
    };
    let step = 0.25 / span;
    let steps = (fastest / step).ceil() as i64;
    let changes = [-0.4, -0.2, 0.0, 0.2, 0.4];
    let mut tried: Vec<(f64, f64, f64, f64)> = (-steps..=steps)
        .map(|k| {
            let rate = k as f64 * step;
            changes
                .iter()
                .map(|c| {
                    let change = c * rate.abs().max(3.0 / span) / span;
                    let (score, phase) = agreement(rate, change);
                    (score, rate, change, phase)
                })
                .max_by(|a, b| a.0.total_cmp(&b.0))
                .unwrap_or((0.0, rate, 0.0, 0.0))
        })
        .collect();
    tried.sort_by(|a, b| b.0.total_cmp(&a.0));
    let best = tried[0];
    let rival = tried.iter().find(|t| (t.1 - best.1).abs() * span > 0.75 * TAU).map_or(0.0, |t| t.0);

    // Unwrap about the best: a first cubic.
    let about = |t: f64| best.3 + turned(t, best.1, best.2);
    let order = if seen.len() >= 8 { 3 } else { 1 };
    let samples: Vec<(f64, f64, f64)> = seen
        .iter()
        .map(|(t, a, w)| ((t - middle) / span, about(*t) + (a - about(*t) + PI).rem_euclid(TAU) - PI, *w))
        .collect();
    let (mut c, _) = polynomial(&samples, order)?;
    // Then hips and shoulders themselves: what each shows across the picture is known better than what the network says of its depth.
    let bars: Vec<Bar> = path
        .iter()
        .filter(|b| b.time_s >= take_off_s - margin && b.time_s <= contact_s + margin)
        .flat_map(|b| bars(b, (b.time_s - middle) / span))
        .collect();
    let lengths: [f64; 2] = std::array::from_fn(|k| {
        let mut all: Vec<f64> = bars.iter().filter(|b| b.which == k).map(|b| b.across.hypot(b.away)).collect();
        all.sort_by(f64::total_cmp);
        all.get(all.len() * 3 / 5).copied().unwrap_or(0.3)
    });
    let n = order + 1;
    let mut inverse = nalgebra::DMatrix::identity(n, n);
    let mut per_bar = 1.0;
    for _ in 0..8 {
        let mut normal = nalgebra::DMatrix::identity(n, n) * 1e-6;
        let mut right = nalgebra::DVector::zeros(n);
        let mut squares = 0.0;
        for bar in &bars {
            let row = nalgebra::DVector::from_fn(n, |k, _| bar.u.powi(k as i32));
            let angle = c.dot(&row) - bar.axis_rad;
            let length = lengths[bar.which];
            for (value, predicted, slope, sd) in [
                (bar.across, length * angle.cos(), -length * angle.sin(), ACROSS_SD_M),
                (bar.away, length * angle.sin(), length * angle.cos(), AWAY_SD_M),
            ] {
                let off = (value - predicted) / sd;
                // Huber's weight: a misread frame pulls no more than one that is two deviations off.
                let w = (2.0 / off.abs().max(2.0)) / (sd * sd);
                normal += w * slope * slope * &row * row.transpose();
                right += w * slope * (value - predicted) * &row;
                squares += (off * off).min(9.0);
            }
        }
        inverse = normal.try_inverse()?;
        let step = &inverse * right;
        c += &step;
        per_bar = (squares / (2.0 * bars.len() as f64)).max(0.6);
        if step.norm() < 1e-5 {
            break;
        }
    }
    let row = |u: f64| nalgebra::DVector::from_fn(n, |k, _| u.powi(k as i32));
    let difference = row(0.5) - row(-0.5);
    let angle_rad = c.dot(&difference);
    let shared = (SHARED_S * factor / interval.max(1e-6)).max(1.0) * 2.0;
    let sd = (per_bar * shared * (difference.transpose() * &inverse * &difference)[(0, 0)])
        .max(0.0)
        .sqrt();
    // How much worse the best rival agrees, for as many independent headings as there are.
    let effective = (seen.len() as f64 / (0.05 * factor / interval.max(1e-6)).max(1.0)).max(1.0);
    let odds = (effective * 12.0 * (best.0 - rival)).exp();
    Some(Turn {
        angle_rad,
        sd_rad: sd.hypot(BODY_SD_RAD),
        sure: odds / (1.0 + odds),
    })
}

/// Hips (1) or shoulders (0) in one frame: from right to left, across the picture and away from the camera, metres.
struct Bar {
    which: usize,
    u: f64,
    across: f64,
    away: f64,
    /// Direction of "across" in the carpet's plane.
    axis_rad: f64,
}

fn bars(body: &BodyAt, u: f64) -> Vec<Bar> {
    [
        (Landmark::LeftShoulder, Landmark::RightShoulder),
        (Landmark::LeftHip, Landmark::RightHip),
    ]
    .into_iter()
    .enumerate()
    .map(|(which, (left, right))| {
        let d = body.point(left) - body.point(right);
        let (s, c) = body.right_rad.sin_cos();
        Bar {
            which,
            u,
            across: d.x * c + d.y * s,
            away: -d.x * s + d.y * c,
            axis_rad: body.right_rad,
        }
    })
    .collect()
}

/// Heading of the body and its weight: the direction from right to left of hips and shoulders in the carpet's plane, each weighted by how long it is there.
fn heading(body: &BodyAt) -> Option<(f64, f64)> {
    let lines = [
        (Landmark::LeftShoulder, Landmark::RightShoulder, 1.0),
        (Landmark::LeftHip, Landmark::RightHip, 1.0),
    ];
    let (mut re, mut im, mut weight) = (0.0, 0.0, 0.0);
    for (left, right, w) in lines {
        let d = body.point(left) - body.point(right);
        let length = d.x.hypot(d.y);
        let w = w * length;
        if length > 1e-6 {
            re += w * d.x / length;
            im += w * d.y / length;
            weight += w;
        }
    }
    (weight > 0.05).then(|| (im.atan2(re), re.hypot(im)))
}
