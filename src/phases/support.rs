//! Added support: a hand, an elbow, the other knee or the seat on the carpet.
//!
//! A part supports when it is inside the uncertainty of the carpet's height *and* at rest against the carpet. A hand that sweeps past is low but not at rest; one that is
//! held still in the air is at rest but not low. How low "low" is depends on the view: from a raised camera a height over the carpet is poor, and the answer may be
//! "cannot tell".

use crate::phases::body_path::BodyAt;
use crate::phases::report::Limb;
use crate::phases::series::{half_window_s, interval_s, local_line, runs};
use crate::pose::track::Landmark;
use crate::rules::movement::Movement;
use crate::types::Leg;

/// A part near the carpet and at rest.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Support {
    /// Which part.
    pub limb: Limb,
    /// Start, seconds of the recording.
    pub start_s: f64,
    /// End, seconds of the recording.
    pub end_s: f64,
    /// Height of the part's underside over the carpet, metres, and its standard deviation.
    pub height_m: [f64; 2],
    /// Probability that it rests on the carpet.
    pub on_carpet: f64,
    /// A landmark to look at.
    pub landmark: usize,
}

/// Slow error of a hand's height beside its stated one, metres (fingers: measured 25–60 mm on rendered clips).
const SLOW_SD_M: f64 = 0.03;
/// Odds that a part at rest near the carpet is on it rather than anywhere over it, before its height is looked at, per metre of height it might as well have.
const PRIOR_ODDS_M: f64 = 2.0;
/// Heights within so many deviations are looked into.
const NEAR_DEVIATIONS: f64 = 2.6;

struct Part {
    limb: Limb,
    /// Landmarks (index, height of the landmark over the carpet when the part rests on it, metres); the lowest underside counts.
    points: Vec<(usize, f64)>,
    /// Landmark whose motion is watched.
    watched: usize,
}

fn parts(kneeling: Option<Leg>) -> Vec<Part> {
    let hand = |limb, wrist: usize, fingers: [usize; 3]| Part {
        limb,
        points: fingers.iter().map(|f| (*f, 0.012)).chain([(wrist, 0.045)]).collect(),
        watched: wrist,
    };
    let mut parts = vec![
        hand(Limb::LeftHand, 15, [17, 19, 21]),
        hand(Limb::RightHand, 16, [18, 20, 22]),
        Part {
            limb: Limb::LeftElbow,
            points: vec![(13, 0.04)],
            watched: 13,
        },
        Part {
            limb: Limb::RightElbow,
            points: vec![(14, 0.04)],
            watched: 14,
        },
    ];
    if let Some(leg) = kneeling {
        let (limb, knee) = match leg.other() {
            Leg::Left => (Limb::LeftKnee, Landmark::LeftKnee as usize),
            Leg::Right => (Limb::RightKnee, Landmark::RightKnee as usize),
        };
        parts.push(Part {
            limb,
            points: vec![(knee, 0.05)],
            watched: knee,
        });
        parts.push(Part {
            limb: Limb::Seat,
            points: vec![(Landmark::LeftHip as usize, 0.10), (Landmark::RightHip as usize, 0.10)],
            watched: Landmark::LeftHip as usize,
        });
    }
    parts
}

/// Supports between two times of the recording. `factor` is the slow-motion factor; `kneeling` the leg whose knee belongs on the carpet.
pub fn find(path: &[BodyAt], kneeling: Option<Leg>, from_s: f64, to_s: f64, factor: f64, limits: &Movement) -> Vec<Support> {
    let frames: Vec<&BodyAt> = path.iter().filter(|b| b.time_s >= from_s && b.time_s <= to_s).collect();
    if frames.len() < 6 {
        return Vec::new();
    }
    let mut found = Vec::new();
    for part in parts(kneeling) {
        // Underside of the part: the lowest of its points, each taken down to its skin.
        let underside = |b: &BodyAt| {
            part.points
                .iter()
                .map(|(l, r)| (b.at[*l].z - r, b.height_sd_m[*l]))
                .min_by(|a, c| a.0.total_cmp(&c.0))
                .unwrap_or((1.0, 1.0))
        };
        let across: Vec<(f64, f64)> = frames
            .iter()
            .map(|b| (b.time_s, b.metres_per_px * b.image[part.watched].u))
            .collect();
        let upward: Vec<(f64, f64)> = frames
            .iter()
            .map(|b| (b.time_s, -b.metres_per_px * b.image[part.watched].v))
            .collect();
        let half = half_window_s(&across, 0.05 * factor);
        let interval = interval_s(across.iter().map(|s| s.0));
        let resting: Vec<bool> = frames
            .iter()
            .map(|b| {
                let speed = |s: &[(f64, f64)]| local_line(s, b.time_s, half).map_or(f64::INFINITY, |l| l.1 * factor);
                let (z, sd) = underside(b);
                speed(&across).hypot(speed(&upward)) < limits.support_speed_limit_m_per_s && z < NEAR_DEVIATIONS * sd.hypot(SLOW_SD_M)
            })
            .collect();
        let bridge = (0.04 * factor / interval.max(1e-6)).round() as usize;
        for (a, b) in runs(&resting, bridge) {
            let (start_s, end_s) = (frames[a].time_s, frames[b].time_s);
            if end_s - start_s < limits.support_for_at_least_s * factor {
                continue;
            }
            let low: Vec<(f64, f64)> = frames[a..=b].iter().map(|b| underside(b)).collect();
            let n = low.len() as f64;
            let height = low.iter().map(|l| l.0).sum::<f64>() / n;
            // The frames of a rest share their error: no averaging.
            let sd = (low.iter().map(|l| l.1).sum::<f64>() / n).hypot(SLOW_SD_M);
            // A reading under the carpet says "on it".
            let off = height.max(0.0) / sd;
            let density = (-0.5 * off * off).exp() / (sd * std::f64::consts::TAU.sqrt());
            let odds = PRIOR_ODDS_M * density;
            found.push(Support {
                limb: part.limb,
                start_s,
                end_s,
                height_m: [height, sd],
                on_carpet: odds / (1.0 + odds),
                landmark: part.watched,
            });
        }
    }
    found
}
