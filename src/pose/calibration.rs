//! Measured errors of the lower-leg network: how far its own standard deviations can be trusted.
//!
//! From the description beside the network (`models/lower_leg.json`, written by `scripts/train/calibrate.py` on bodies, carpets and lights that were never trained on and
//! are not those that results are reported on).

use crate::error::{Error, Result};
use crate::types::{Station, STATION_COUNT};
use serde::Deserialize;
use std::collections::BTreeMap;

/// Elevation classes of the calibration: low (under 10°), middle, high (25° and over).
const CLASSES: [&str; 3] = ["low", "middle", "high"];

/// What the description file says.
#[derive(Debug, Clone, Deserialize)]
pub struct Description {
    /// Side of the square input, px.
    pub input_px: usize,
    /// Side of the crop in shank lengths.
    pub crop_side_shanks: f64,
    /// Names of the points, in order.
    pub points: Vec<String>,
    calibration: Fits,
}

#[derive(Debug, Clone, Deserialize)]
struct Fits {
    elevation_known: Fit,
    elevation_unknown: Fit,
}

#[derive(Debug, Clone, Deserialize)]
struct Fit {
    classes: BTreeMap<String, Class>,
    is_left_temperature: f64,
    present_temperature: f64,
}

#[derive(Debug, Clone, Deserialize)]
struct Class {
    gap_sd_scale: BTreeMap<String, Scale>,
    #[serde(default)]
    gap_bias_shank: BTreeMap<String, f64>,
    gap_error_correlation: [[f64; STATION_COUNT]; STATION_COUNT],
    points_sd_scale_seen: BTreeMap<String, Scale>,
    points_sd_scale_hidden: BTreeMap<String, Scale>,
    elevation_sd_scale: Scale,
    scale_sd_scale: Scale,
}

#[derive(Debug, Clone, Copy, Deserialize)]
struct Scale {
    scale: f64,
}

/// Factors for one class of camera elevation.
#[derive(Debug, Clone, PartialEq)]
pub struct ClassFactors {
    /// On the gaps' standard deviations, knee to heel.
    pub gap_sd: [f64; STATION_COUNT],
    /// Mean error of the gaps on the calibration set, fraction of the shank, taken off.
    pub gap_bias: [f64; STATION_COUNT],
    /// Correlation of gap errors between stations.
    pub station_correlation: [[f64; STATION_COUNT]; STATION_COUNT],
    /// On the points' standard deviations where seen.
    pub point_sd_seen: Vec<f64>,
    /// On the points' standard deviations where hidden.
    pub point_sd_hidden: Vec<f64>,
    /// On the elevation's standard deviation.
    pub elevation_sd: f64,
    /// On the apparent size's standard deviation.
    pub scale_sd: f64,
}

/// All factors, for a known and an unknown camera elevation.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibration {
    known: [ClassFactors; 3],
    unknown: [ClassFactors; 3],
    /// Temperature of the left/right output.
    pub is_left_temperature: f64,
    /// Temperature of the present output.
    pub present_temperature: f64,
}

impl Calibration {
    /// From a description.
    ///
    /// # Errors
    /// [`Error::Ours`] where a class, station or point is missing.
    pub fn of(description: &Description) -> Result<Self> {
        let fits = &description.calibration;
        Ok(Self {
            known: classes(&fits.elevation_known, &description.points)?,
            unknown: classes(&fits.elevation_unknown, &description.points)?,
            is_left_temperature: fits.elevation_unknown.is_left_temperature.max(1.0),
            present_temperature: fits.elevation_unknown.present_temperature.max(0.5),
        })
    }

    /// The factors for a camera elevation, given (`known`) or read off the picture.
    pub fn factors(&self, elevation_rad: f64, known: bool) -> &ClassFactors {
        let class = elevation_class(elevation_rad);
        if known {
            &self.known[class]
        } else {
            &self.unknown[class]
        }
    }
}

/// Class of a camera's elevation: under 10°, under 25°, and over.
pub(crate) fn elevation_class(elevation_rad: f64) -> usize {
    match elevation_rad.to_degrees() {
        e if e < 10.0 => 0,
        e if e < 25.0 => 1,
        _ => 2,
    }
}

fn classes(fit: &Fit, points: &[String]) -> Result<[ClassFactors; 3]> {
    let missing = |what: &str| {
        Error::ours(format!(
            "lower_leg.json lacks the calibration of {what}; install the folder models anew."
        ))
    };
    let one = |name: &str| -> Result<ClassFactors> {
        // A class with too few crops has no row of its own: the fit over all classes stands in.
        let class = fit
            .classes
            .get(name)
            .or_else(|| fit.classes.get("all"))
            .ok_or_else(|| missing(name))?;
        let mut gap_sd = [1.0; STATION_COUNT];
        let mut gap_bias = [0.0; STATION_COUNT];
        for s in Station::ALL {
            gap_sd[s.index()] = class.gap_sd_scale.get(s.key()).ok_or_else(|| missing(s.key()))?.scale;
            gap_bias[s.index()] = class.gap_bias_shank.get(s.key()).copied().unwrap_or(0.0);
        }
        let of_points = |table: &BTreeMap<String, Scale>| -> Result<Vec<f64>> {
            points
                .iter()
                .map(|p| table.get(p).map(|s| s.scale).ok_or_else(|| missing(p)))
                .collect()
        };
        Ok(ClassFactors {
            gap_sd,
            gap_bias,
            station_correlation: class.gap_error_correlation,
            point_sd_seen: of_points(&class.points_sd_scale_seen)?,
            point_sd_hidden: of_points(&class.points_sd_scale_hidden)?,
            elevation_sd: class.elevation_sd_scale.scale,
            scale_sd: class.scale_sd_scale.scale,
        })
    };
    let [a, b, c] = CLASSES;
    Ok([one(a)?, one(b)?, one(c)?])
}
