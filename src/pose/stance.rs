//! Whether a body is down in the low stance, roughly: only to pick the athlete among several people, never to judge.

use super::track::{Body, Landmark};
use crate::types::Leg;

/// Height of the hips over the lowest foot or knee, metres in the image's vertical, under which a body counts as low.
/// Common practice, no source: standing ≈ 0.9 m, sitting on a chair ≈ 0.45–0.5 m, the stance ≈ 0.2–0.45 m.
pub const LOW_HIPS_M: f64 = 0.55;
/// Height of the lower knee over the lowest point, metres in the image's vertical, under which a knee counts as down. Sitting on a chair gives ≈ 0.45 m.
/// Common practice, no source.
pub const LOW_KNEE_M: f64 = 0.22;

/// How low a body is, in metres along the image's vertical at the body.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lowness {
    /// Hips over the lowest foot or knee.
    pub hips_m: f64,
    /// The lower knee over the lowest foot or knee.
    pub knee_m: f64,
}

impl Lowness {
    /// Measures a body.
    pub fn of(body: &Body) -> Self {
        let v = |l: Landmark| body.at(l).v;
        let ground = [Leg::Left, Leg::Right]
            .into_iter()
            .flat_map(|leg| Landmark::of_leg(leg).into_iter().skip(1))
            .map(v)
            .fold(f64::NEG_INFINITY, f64::max);
        let hips = 0.5 * (v(Landmark::LeftHip) + v(Landmark::RightHip));
        let knee = v(Landmark::LeftKnee).max(v(Landmark::RightKnee));
        Self {
            hips_m: (ground - hips) / body.px_per_m,
            knee_m: (ground - knee) / body.px_per_m,
        }
    }

    /// Whether hips and one knee are down.
    pub fn is_low(&self) -> bool {
        self.hips_m < LOW_HIPS_M && self.knee_m < LOW_KNEE_M
    }
}
