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
/// What hips and shoulders disagree by even where both are seen well, radians.
const BODY_SD_RAD: f64 = 0.10;
/// Errors of neighbouring frames are shared: so many frames count as one at 60 frames a second.
const SHARED_S: f64 = 0.05;

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

    // Unwrap about the best and fit.
    let about = |t: f64| best.3 + turned(t, best.1, best.2);
    let mut samples: Vec<(f64, f64, f64)> = seen
        .iter()
        .map(|(t, a, w)| {
            let off = (a - about(*t) + PI).rem_euclid(TAU) - PI;
            ((t - middle) / span, off, *w)
        })
        .collect();
    let order = if samples.len() >= 10 { 3 } else { 1 };
    let mut rms = 0.3;
    let mut fit = None;
    for _ in 0..3 {
        let (c, inverse) = polynomial(&samples, order)?;
        let value = |u: f64| (0..=order).map(|k| c[k] * u.powi(k as i32)).sum::<f64>();
        let weight: f64 = samples.iter().map(|s| s.2).sum();
        rms = (samples.iter().map(|s| s.2 * (s.1 - value(s.0)).powi(2)).sum::<f64>() / weight.max(1e-9)).sqrt().max(0.05);
        for (s, original) in samples.iter_mut().zip(&seen) {
            let off = (s.1 - value(s.0)).abs();
            s.2 = original.2 * (1.5 * rms / off.max(1.5 * rms));
        }
        fit = Some((c, inverse));
    }
    let (c, inverse) = fit?;
    let row = |u: f64| nalgebra::DVector::from_fn(order + 1, |k, _| u.powi(k as i32));
    let difference = row(0.5) - row(-0.5);
    let angle_rad = about(contact_s) - about(take_off_s) + c.dot(&difference);
    let shared = (SHARED_S * factor / interval.max(1e-6)).max(1.0);
    let mean_weight = total / seen.len() as f64;
    let sd = (rms * rms * mean_weight * shared * (difference.transpose() * inverse * &difference)[(0, 0)]).max(0.0).sqrt();
    // How much worse the best rival fits, in units of the headings' scatter: their sum of squares grows by 2·(1 − score).
    let effective = seen.len() as f64 / shared;
    let odds = (effective * (best.0 - rival) / (rms * rms).max(0.04)).exp();
    Some(Turn {
        angle_rad,
        sd_rad: sd.hypot(BODY_SD_RAD),
        sure: odds / (1.0 + odds),
    })
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
