//! Poses whose gaps were measured on the mesh: the truth of the keypoint bench.

use crate::error::{Error, Result};
use crate::leg::shape::POINT_COUNT;
use crate::types::{CarpetPoint, Leg, STATION_COUNT};

/// Which bodies: what is fitted is fitted on one half, what is reported is measured on the other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Half {
    /// For setting numbers.
    Calibration,
    /// For reporting.
    Test,
}

/// A kneeling leg with its measured gaps.
#[derive(Debug, Clone, PartialEq)]
pub struct Pose {
    /// Which bodies it is from.
    pub half: Half,
    /// The kneeling leg.
    pub leg: Leg,
    /// Standing height, metres.
    pub stature_m: f64,
    /// Knee joint to ankle joint, metres.
    pub shank_m: f64,
    /// Height of the lowest inner skin over the carpet, mm, knee to heel; slightly negative where flesh is pressed in.
    pub gap_mm: [f64; STATION_COUNT],
    /// The leg's points in the order of [`crate::pose::track::LEG_POINT_NAMES`], carpet frame; the middle of knee joint and heel is over the origin.
    pub points: [CarpetPoint; POINT_COUNT],
}

/// The shipped poses (`scripts/bench/make_poses.py`): tenths of a millimetre.
const SHIPPED: &str = include_str!("../../fixtures/bench/poses.csv");

/// The shipped poses.
///
/// # Errors
/// [`Error::Ours`] where the file is damaged.
pub fn shipped() -> Result<Vec<Pose>> {
    parse(SHIPPED)
}

/// Reads a pose table's text.
///
/// # Errors
/// [`Error::Ours`] with the line.
pub fn parse(text: &str) -> Result<Vec<Pose>> {
    let first = 4;
    let columns = first + STATION_COUNT + 3 * POINT_COUNT;
    text.lines()
        .enumerate()
        .skip(1)
        .filter(|(_, line)| !line.trim().is_empty())
        .map(|(k, line)| {
            let damaged = || {
                Error::ours(format!(
                    "The pose table is damaged at line {}; make it anew with scripts/bench/make_poses.py.",
                    k + 1
                ))
            };
            let words: Vec<&str> = line.split(',').collect();
            if words.len() != columns {
                return Err(damaged());
            }
            let half = match words[0] {
                "calibration" => Half::Calibration,
                "test" => Half::Test,
                _ => return Err(damaged()),
            };
            let leg = match words[1] {
                "left" => Leg::Left,
                "right" => Leg::Right,
                _ => return Err(damaged()),
            };
            let m = words[2..]
                .iter()
                .map(|w| w.trim().parse::<f64>().map(|x| x / 1e4).map_err(|_| damaged()))
                .collect::<Result<Vec<f64>>>()?;
            let points = &m[2 + STATION_COUNT..];
            Ok(Pose {
                half,
                leg,
                stature_m: m[0],
                shank_m: m[1],
                gap_mm: std::array::from_fn(|s| 1000.0 * m[2 + s]),
                points: std::array::from_fn(|p| CarpetPoint::new(points[3 * p], points[3 * p + 1], points[3 * p + 2])),
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_shipped_poses_are_sound() {
        let poses = shipped().unwrap();
        for half in [Half::Calibration, Half::Test] {
            let of: Vec<&Pose> = poses.iter().filter(|p| p.half == half).collect();
            assert!(of.len() >= 300, "{} poses", of.len());
            let share = |f: &dyn Fn(&Pose) -> bool| of.iter().filter(|p| f(p)).count() as f64 / of.len() as f64;
            assert!(share(&|p| p.gap_mm.iter().all(|g| *g <= 5.0)) > 0.15, "clean ones");
            assert!(share(&|p| p.gap_mm[5] > 20.0 && p.gap_mm[2] <= 8.0) > 0.03, "heel alone");
            assert!(share(&|p| p.gap_mm[2] > 15.0 && p.gap_mm[5] <= 8.0) > 0.01, "calf alone");
            assert!(share(&|p| p.gap_mm[2] > 15.0 && p.gap_mm[5] > 15.0) > 0.01, "both");
            assert!(share(&|p| p.gap_mm[0] > 15.0) > 0.02, "knee up");
            assert!(of.iter().all(|p| p.gap_mm.iter().all(|g| (-12.0..=160.0).contains(g)) && (0.28..0.55).contains(&p.shank_m)));
        }
    }

    #[test]
    fn damage_is_named_by_its_line() {
        let broken = SHIPPED.replacen("calibration,", "calibrated,", 1);
        assert!(parse(&broken).unwrap_err().to_string().contains("line 2"));
    }
}
