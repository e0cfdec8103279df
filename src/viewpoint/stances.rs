//! Typical stances to look at: measured poses of rendered bodies with the lift wanted.

use crate::bench::poses::{self, Half, Pose};
use crate::error::{Error, Result};
use crate::leg::shape::{POINT_COUNT, STATION_POINTS};
use crate::rules::RuleProfile;
use crate::types::{CarpetPoint, Leg, STATION_COUNT};
use nalgebra::Vector3;
use rand::seq::SliceRandom;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};

/// What is lifted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "snake_case")]
pub enum Lifted {
    /// The inner heel, the calf down.
    Heel,
    /// The inner calf.
    Calf,
    /// Nothing.
    Nothing,
}

/// A right kneeling leg in shank lengths: origin on the carpet under its middle, x from knee to ankle, y to the side its toes point to, z up.
#[derive(Debug, Clone, PartialEq)]
pub struct Stance {
    /// The leg's points.
    pub points: [Vector3<f64>; POINT_COUNT],
    /// True gaps, shank lengths, the natural hollow included.
    pub gap: [f64; STATION_COUNT],
}

impl Stance {
    /// A measured pose of the bench, turned into the leg's own frame and a left leg mirrored.
    pub fn of_pose(pose: &Pose) -> Self {
        let side = if pose.leg == Leg::Right { 1.0 } else { -1.0 };
        let at = |p: usize| pose.points[p].vector();
        let knee = at(STATION_POINTS[0]);
        let ankle = 0.5 * (at(ANKLES[0]) + at(ANKLES[1]));
        let (sin, cos) = (ankle.y - knee.y).atan2(ankle.x - knee.x).sin_cos();
        let middle = 0.5 * (knee + at(STATION_POINTS[5]));
        Self {
            points: std::array::from_fn(|p| {
                let d = at(p) - middle;
                Vector3::new(d.x * cos + d.y * sin, side * (d.y * cos - d.x * sin), at(p).z) / pose.shank_m
            }),
            gap: pose.gap_mm.map(|g| g / 1000.0 / pose.shank_m),
        }
    }

    /// The points for a shank of `shank_m`, carpet frame.
    pub fn carpet(&self, shank_m: f64) -> [CarpetPoint; POINT_COUNT] {
        self.points.map(|p| (p * shank_m).into())
    }
}

/// Inner and outer ankle.
const ANKLES: [usize; 2] = [5, 6];
/// A lift this much of the wanted one either way is one of that size.
const NEAR: f64 = 0.3;
/// What is down is under this share of the lift.
const DOWN: f64 = 0.4;
/// Fewer poses than this are too few to speak of.
const FEWEST: usize = 6;

/// `count` stances with a lift of about `lift_mm` beyond the natural hollow for a shank of `shank_m` (or with less than 0.4 of that everywhere, where nothing is lifted), from the measured
/// poses of rendered bodies that numbers may be set on; the same ones every time, some more than once where there are few.
///
/// Not drawn from the leg's shape: stances that come from the fit's own prior are easier for it than measured ones (`docs/bench-where.md`).
///
/// # Errors
/// [`Error::Input`] where there are hardly any such poses.
pub fn draw(rules: &RuleProfile, lifted: Lifted, lift_mm: f64, shank_m: f64, count: usize) -> Result<Vec<Stance>> {
    let heel = STATION_COUNT - 1;
    let near = |gap: f64| (gap / lift_mm - 1.0).abs() <= NEAR;
    let mut found: Vec<Stance> = poses::shipped()?
        .iter()
        .filter(|p| p.half == Half::Calibration)
        .map(Stance::of_pose)
        .filter(|s| {
            let beyond: [f64; STATION_COUNT] = std::array::from_fn(|k| 1000.0 * shank_m * s.gap[k] - rules.hollow.mean_mm[k]);
            let worst_calf = beyond[..heel].iter().copied().fold(f64::NEG_INFINITY, f64::max);
            match lifted {
                Lifted::Heel => near(beyond[heel]),
                Lifted::Calf => near(worst_calf),
                Lifted::Nothing => worst_calf.max(beyond[heel]) < DOWN * lift_mm,
            }
        })
        .collect();
    if found.len() < FEWEST {
        return Err(Error::input(format!(
            "The measured bodies hardly ever stand with a lift of {lift_mm:.0} mm there; choose another tolerance."
        )));
    }
    found.shuffle(&mut ChaCha8Rng::seed_from_u64(66_260_701));
    Ok(found.iter().cycle().take(count).cloned().collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stances_are_as_asked() {
        let rules = RuleProfile::shipped();
        for lifted in [Lifted::Heel, Lifted::Nothing] {
            let drawn = draw(&rules, lifted, 20.0, 0.42, 12).unwrap();
            assert_eq!(drawn.len(), 12);
            for s in &drawn {
                let gap = 420.0 * s.gap[5];
                assert_eq!((13.9..26.1).contains(&gap), lifted == Lifted::Heel, "{gap}");
                // The shank runs along x from knee to ankle, one shank length or nearly, and the toes point to y.
                assert!((s.points[5].x - s.points[1].x - 1.0).abs() < 0.2 && s.points[9].y > s.points[7].y);
            }
        }
        assert!(draw(&rules, Lifted::Heel, 4000.0, 0.42, 1).is_err());
    }
}
