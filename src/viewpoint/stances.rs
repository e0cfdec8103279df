//! Typical stances to look at: drawn from the leg's shape, with the lift wanted.

use crate::bench::poses::Pose;
use crate::error::{Error, Result};
use crate::leg::shape::{LegShape, POINT_COUNT, STATION_POINTS};
use crate::rules::RuleProfile;
use crate::types::{CarpetPoint, Leg, STATION_COUNT};
use nalgebra::{DVector, Vector3};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
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
const NEAR: f64 = 0.25;
/// What is down is under this share of the lift.
const DOWN: f64 = 0.4;
/// Stances drawn before giving up.
const MOST_DRAWS: usize = 400_000;

/// `count` stances of the shape with a lift of about `lift_mm` beyond the natural hollow for a shank of `shank_m` (or with less than 0.4 of that everywhere, where nothing is lifted); the
/// same ones every time.
///
/// # Errors
/// [`Error::Input`] where the shape hardly holds such stances.
pub fn draw(shape: &LegShape, rules: &RuleProfile, lifted: Lifted, lift_mm: f64, shank_m: f64, count: usize) -> Result<Vec<Stance>> {
    let mut rng = ChaCha8Rng::seed_from_u64(66_260_701);
    let (heel, calf) = (STATION_COUNT - 1, 0..STATION_COUNT - 1);
    let down_mm = DOWN * lift_mm;
    let near = |gap: f64| (gap / lift_mm - 1.0).abs() <= NEAR;
    let mut found = Vec::with_capacity(count);
    for _ in 0..MOST_DRAWS {
        let stance = one(shape, &mut rng);
        let beyond: [f64; STATION_COUNT] = std::array::from_fn(|s| 1000.0 * shank_m * stance.gap[s] - rules.hollow.mean_mm[s]);
        let worst_calf = calf.clone().map(|s| beyond[s]).fold(f64::NEG_INFINITY, f64::max);
        let lowest = beyond.iter().copied().fold(f64::INFINITY, f64::min);
        let wanted = match lifted {
            Lifted::Heel => near(beyond[heel]) && worst_calf < down_mm,
            Lifted::Calf => near(worst_calf),
            Lifted::Nothing => worst_calf < down_mm && beyond[heel] < down_mm,
        };
        if wanted && lowest > -10.0 {
            found.push(stance);
            if found.len() == count {
                return Ok(found);
            }
        }
    }
    Err(Error::input(format!(
        "The bodies that this program learnt from hardly ever stand with a lift of {lift_mm:.0} mm there; choose a smaller tolerance."
    )))
}

fn one(shape: &LegShape, rng: &mut impl Rng) -> Stance {
    let mut left = rng.random_range(0.0..1.0);
    let total: f64 = shape.components.iter().map(|c| c.log_weight.exp()).sum();
    let component = shape
        .components
        .iter()
        .find(|c| {
            left -= c.log_weight.exp() / total;
            left < 0.0
        })
        .unwrap_or(&shape.components[0]);
    let z = DVector::from_fn(shape.basis.ncols(), |_, _| -> f64 { StandardNormal.sample(rng) });
    let all = &shape.mean + &shape.basis * (&component.mean + &component.factor * z);
    let points: [Vector3<f64>; POINT_COUNT] = std::array::from_fn(|p| Vector3::new(all[3 * p], all[3 * p + 1], all[3 * p + 2]));
    let mut middle = 0.5 * (points[STATION_POINTS[0]] + points[STATION_POINTS[5]]);
    middle.z = 0.0;
    Stance {
        points: points.map(|p| p - middle),
        gap: std::array::from_fn(|s| all[3 * POINT_COUNT + s]),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stances_are_as_asked() {
        let (shape, rules) = (LegShape::shipped(), RuleProfile::shipped());
        for (lifted, station) in [(Lifted::Heel, 5), (Lifted::Nothing, 5)] {
            let drawn = draw(&shape, &rules, lifted, 20.0, 0.42, 6).unwrap();
            for s in &drawn {
                let gap = 420.0 * s.gap[station];
                assert_eq!((14.0..26.0).contains(&gap), lifted == Lifted::Heel, "{gap}");
                // The heel's own point stands about as high as the heel's gap: the shape ties them.
                assert!((420.0 * s.points[STATION_POINTS[5]].z - gap).abs() < 15.0);
            }
        }
        assert!(draw(&shape, &rules, Lifted::Heel, 4000.0, 0.42, 1).is_err());
    }
}
