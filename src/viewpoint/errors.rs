//! How sure the lower-leg network says it is in a view, before there is a picture: fitted to its readings on calibration stills (`scripts/calibrate/view_errors.py`).

use crate::error::{Error, Result};
use crate::leg::shape::POINT_COUNT;
use crate::pose::calibration::elevation_class;
use crate::pose::lower_leg::CROP_SIDE_SHANKS;
use crate::pose::track::LEG_POINT_NAMES;
use crate::types::{Covariance2, Station, STATION_COUNT};
use serde::Deserialize;
use std::collections::BTreeMap;

/// Side of the network's input, px: beyond one shank length of `INPUT_PX / CROP_SIDE_SHANKS` in the frame it sees no more detail.
const INPUT_PX: f64 = 256.0;
/// Numbers that a standard deviation's logarithm is a linear function of.
const FEATURE_COUNT: usize = 9;

#[derive(Debug, Clone, Deserialize)]
struct Line {
    coefficients: [f64; FEATURE_COUNT],
}

/// How far pictures of one view scatter about the lines (clothes, light, body), natural logarithm.
#[derive(Debug, Clone, Copy, Deserialize)]
struct Scatter {
    points_log_sd: f64,
    gaps_log_sd: f64,
    correlation: f64,
    points_alone_log_sd: f64,
    gaps_alone_log_sd: f64,
}

/// One picture against the middle of its kind.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PictureFactors {
    /// On the points' standard deviations.
    pub points: [f64; POINT_COUNT],
    /// On the picture's own gaps' standard deviations.
    pub gaps: [f64; STATION_COUNT],
}

impl PictureFactors {
    /// The middle of its kind.
    pub const MIDDLE: Self = Self {
        points: [1.0; POINT_COUNT],
        gaps: [1.0; STATION_COUNT],
    };
}

#[derive(Debug, Clone, Deserialize)]
struct Axes {
    u: Line,
    v: Line,
}

#[derive(Debug, Clone, Deserialize)]
struct File {
    points_log_sd_shanks: BTreeMap<String, Axes>,
    gaps_log_sd_shanks: BTreeMap<String, Line>,
    elevation_log_sd_rad: Line,
    shank_log_sd: Line,
    between_pictures: Scatter,
    gap_correlation: BTreeMap<String, [[f64; STATION_COUNT]; STATION_COUNT]>,
    joined_sd_factor: BTreeMap<String, f64>,
    made_by: String,
}

/// The fitted lines.
#[derive(Debug, Clone)]
pub struct ViewErrors {
    points: Vec<Axes>,
    gaps: Vec<Line>,
    elevation: Line,
    size: Line,
    scatter: Scatter,
    /// By elevation class: under 10°, under 25°, and over.
    correlation: [[[f64; STATION_COUNT]; STATION_COUNT]; 3],
    /// Likewise.
    joined_sd_factor: [f64; 3],
    /// How they were made.
    pub made_by: String,
}

/// A view of the kneeling leg.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// Elevation of the camera over the carpet, radians.
    pub elevation_rad: f64,
    /// Azimuth as in [`crate::viewpoint`], radians.
    pub azimuth_rad: f64,
    /// Apparent length of one shank length at the leg's depth, px.
    pub shank_px: f64,
    /// Whether something on the carpet gives the elevation.
    pub elevation_known: bool,
}

impl Seen {
    fn features(&self, gap_mm: f64) -> [f64; FEATURE_COUNT] {
        let size = (self.shank_px * CROP_SIDE_SHANKS / INPUT_PX).ln();
        let (sin, cos) = self.azimuth_rad.sin_cos();
        [
            1.0,
            size.min(0.0),
            size.max(0.0),
            self.elevation_rad.sin(),
            cos,
            sin,
            cos * cos,
            f64::from(u8::from(self.elevation_known)),
            (gap_mm.max(0.0) / 10.0).ln_1p(),
        ]
    }
}

impl Line {
    fn at(&self, features: &[f64; FEATURE_COUNT]) -> f64 {
        self.coefficients.iter().zip(features).map(|(c, f)| c * f).sum::<f64>().exp()
    }
}

impl ViewErrors {
    /// The lines shipped with the program.
    pub fn shipped() -> Self {
        Self::parse(include_str!("../../models/view_errors.json")).expect("the shipped file is checked by a test")
    }

    /// Reads a file's text.
    ///
    /// # Errors
    /// [`Error::Ours`] where the text is not such a file or lacks a point or station.
    pub fn parse(text: &str) -> Result<Self> {
        let damaged = |what: String| {
            Error::ours(format!(
                "models/view_errors.json cannot be used ({what}); install the folder models anew."
            ))
        };
        let mut file: File = serde_json::from_str(text).map_err(|e| damaged(e.to_string()))?;
        let points = LEG_POINT_NAMES[..POINT_COUNT]
            .iter()
            .map(|n| file.points_log_sd_shanks.remove(*n).ok_or_else(|| damaged((*n).to_string())))
            .collect::<Result<Vec<_>>>()?;
        let gaps = Station::ALL
            .iter()
            .map(|s| file.gaps_log_sd_shanks.remove(s.key()).ok_or_else(|| damaged(s.key().to_string())))
            .collect::<Result<Vec<_>>>()?;
        let mut class = |n: &str| file.gap_correlation.remove(n).ok_or_else(|| damaged(n.to_string()));
        let factor = |n: &str| file.joined_sd_factor.get(n).copied().ok_or_else(|| damaged(n.to_string()));
        Ok(Self {
            points,
            gaps,
            elevation: file.elevation_log_sd_rad,
            size: file.shank_log_sd,
            scatter: file.between_pictures,
            correlation: [class("low")?, class("middle")?, class("high")?],
            joined_sd_factor: [factor("low")?, factor("middle")?, factor("high")?],
            made_by: file.made_by,
        })
    }

    /// Covariance of a point of the leg, px².
    pub fn point(&self, point: usize, seen: &Seen) -> Covariance2 {
        let f = seen.features(0.0);
        let sd_px = |line: &Line| line.at(&f) * seen.shank_px;
        Covariance2 {
            uu: sd_px(&self.points[point].u).powi(2),
            uv: 0.0,
            vv: sd_px(&self.points[point].v).powi(2),
        }
    }

    /// Standard deviation of the picture's own gap at a station, fraction of the shank, where it reads `gap_mm`.
    pub fn gap(&self, station: Station, seen: &Seen, gap_mm: f64) -> f64 {
        self.gaps[station.index()].at(&seen.features(gap_mm))
    }

    /// Standard deviation of the elevation read off the picture, radians.
    pub fn elevation_sd_rad(&self, seen: &Seen) -> f64 {
        self.elevation.at(&seen.features(0.0))
    }

    /// Standard deviation of the logarithm of the apparent shank length.
    pub fn shank_log_sd(&self, seen: &Seen) -> f64 {
        self.size.at(&seen.features(0.0))
    }

    /// Correlation of the picture's gap errors between stations.
    pub fn gap_correlation(&self, elevation_rad: f64) -> &[[f64; STATION_COUNT]; STATION_COUNT] {
        &self.correlation[elevation_class(elevation_rad)]
    }

    /// How much surer than the program a simulated call is in the middle, as a factor on its standard deviations: what simulation leaves out (what stands before the leg, the network's
    /// worse readings, points and picture that contradict each other). Fitted on calibration stills.
    pub fn joined_sd_factor(&self, elevation_rad: f64) -> f64 {
        self.joined_sd_factor[elevation_class(elevation_rad)]
    }

    /// A picture drawn by standard normal numbers: two for all points and all gaps together, one each beside.
    pub fn picture(&self, normal: &mut impl FnMut() -> f64) -> PictureFactors {
        let s = self.scatter;
        let first = normal();
        let second = s.correlation * first + (1.0 - s.correlation * s.correlation).max(0.0).sqrt() * normal();
        PictureFactors {
            points: std::array::from_fn(|_| (s.points_log_sd * first + s.points_alone_log_sd * normal()).exp()),
            gaps: std::array::from_fn(|_| (s.gaps_log_sd * second + s.gaps_alone_log_sd * normal()).exp()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What any camera does, whatever was fitted: a larger leg is read better, a higher camera worse (Criminisi, Reid, Zisserman, *International Journal of Computer Vision* 40(2),
    /// 2000: a height over a plane is the less certain, the steeper it is looked at).
    #[test]
    fn larger_is_surer_and_higher_is_less_sure() {
        let errors = ViewErrors::shipped();
        let seen = |elevation_deg: f64, shank_px: f64| Seen {
            elevation_rad: f64::to_radians(elevation_deg),
            azimuth_rad: 1.5,
            shank_px,
            elevation_known: false,
        };
        for s in Station::ALL {
            assert!(
                errors.gap(s, &seen(5.0, 100.0), 15.0) < errors.gap(s, &seen(5.0, 40.0), 15.0),
                "{s:?}"
            );
            assert!(
                errors.gap(s, &seen(5.0, 100.0), 15.0) < errors.gap(s, &seen(40.0, 100.0), 15.0),
                "{s:?}"
            );
        }
        for (p, name) in LEG_POINT_NAMES.iter().take(POINT_COUNT).enumerate() {
            let sd = errors.point(p, &seen(5.0, 100.0)).mean_sd_px();
            assert!((0.3..12.0).contains(&sd), "{name}: {sd}");
        }
        assert_eq!(errors.picture(&mut || 0.0), PictureFactors::MIDDLE);
        assert!(errors.picture(&mut || 1.0).gaps.iter().all(|g| (1.1..3.5).contains(g)));
    }
}
