//! Whether a body is down in the low stance, roughly: only to pick the athlete among several people, never to judge.

use super::track::{Body, Landmark};
use crate::types::Leg;
use nalgebra::Vector3;

/// Height of the hips over the lowest foot or knee, metres along the trunk, under which a body counts as low.
pub const LOW_HIPS_M: f64 = 0.68;
/// Rise of a shank (its share along the trunk, 0 lying, 1 upright) under which the leg may be kneeling.
pub const LYING_SHANK_RISE: f64 = 0.75;

/// How low a body is. Heights are taken along the trunk, of the network's metric landmarks: in the picture's vertical a raised camera mixes height with distance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lowness {
    /// Hips over the lowest foot or knee, metres.
    pub hips_m: f64,
    /// Rise of the flatter shank.
    pub shank_rise: f64,
}

impl Lowness {
    /// Measures a body.
    pub fn of(body: &Body) -> Self {
        let at = |l: Landmark| Vector3::from(body.world_m(l as usize));
        let hips = 0.5 * (at(Landmark::LeftHip) + at(Landmark::RightHip));
        let shoulders = 0.5 * (at(Landmark::LeftShoulder) + at(Landmark::RightShoulder));
        let up = (shoulders - hips).try_normalize(1e-6).unwrap_or_else(|| -Vector3::y());
        let mut lowest_m: f64 = 0.0;
        let mut shank_rise: f64 = 1.0;
        for leg in [Leg::Left, Leg::Right] {
            let [_, knee, ankle, heel, toe] = Landmark::of_leg(leg).map(at);
            lowest_m = [knee, ankle, heel, toe]
                .iter()
                .map(|p| (p - hips).dot(&up))
                .fold(lowest_m, f64::min);
            let shank = ankle - knee;
            if shank.norm() > 1e-6 {
                shank_rise = shank_rise.min(shank.dot(&up).abs() / shank.norm());
            }
        }
        Self {
            hips_m: -lowest_m,
            shank_rise,
        }
    }

    /// Whether the hips are down and one shank lies.
    pub fn is_low(&self) -> bool {
        self.hips_m < LOW_HIPS_M && self.shank_rise < LYING_SHANK_RISE
    }
}
