//! How a kneeling lower leg and its foot go together: a normal distribution of the eleven points' places in the leg's own frame and of the gaps at the six stations.
//!
//! The leg's frame: origin on the carpet straight below `knee_floor`; x level, from the knee towards the ankle joint; y level, to the left of x for a right leg and to the
//! right for a left leg (so that both legs share one shape); z up. Unit: one shank length. Mean and covariance are measured on the body model by
//! `scripts/calibrate/leg_shape.py` and kept in `models/leg_shape.json` with how they were made.

use crate::error::{Error, Result};
use crate::types::STATION_COUNT;
use nalgebra::{DMatrix, DVector};
use serde::Deserialize;

/// Points of the kneeling leg in the shape, the first eleven of [`crate::pose::track::LEG_POINT_NAMES`].
pub const POINT_COUNT: usize = 11;

/// The point that carries each station's gap, knee to heel.
pub const STATION_POINTS: [usize; 6] = [1, 2, 3, 4, 5, 8];

/// The distribution.
#[derive(Debug, Clone)]
pub struct LegShape {
    /// Mean of (x, y, z) of each point in turn, then of the six gaps, shank lengths.
    pub mean: DVector<f64>,
    /// Basis of the covariance, one column a mode, scaled by its standard deviation: point = mean + basis · N(0, 1).
    pub basis: DMatrix<f64>,
    /// What is left over by the modes, standard deviation of each coordinate.
    pub rest_sd: f64,
}

#[derive(Deserialize)]
struct ShapeFile {
    names: Vec<String>,
    mean: Vec<f64>,
    modes: Vec<Vec<f64>>,
    rest_sd: f64,
}

impl LegShape {
    /// The shape shipped with the program.
    pub fn shipped() -> Self {
        Self::parse(include_str!("../../models/leg_shape.json")).expect("the shipped shape file is checked by a test")
    }

    /// Reads a shape file's text.
    ///
    /// # Errors
    /// [`Error::Ours`] where the text is not a shape file.
    pub fn parse(text: &str) -> Result<Self> {
        let file: ShapeFile =
            serde_json::from_str(text).map_err(|e| Error::ours(format!("models/leg_shape.json cannot be read ({e}).")))?;
        let size = 3 * POINT_COUNT + STATION_COUNT;
        let names_fit = file
            .names
            .iter()
            .zip(crate::pose::track::LEG_POINT_NAMES)
            .take(POINT_COUNT)
            .all(|(a, b)| a == b);
        if file.names.len() != POINT_COUNT + STATION_COUNT
            || !names_fit
            || file.mean.len() != size
            || file.modes.iter().any(|m| m.len() != size)
        {
            return Err(Error::ours("models/leg_shape.json does not hold the eleven points of the leg."));
        }
        Ok(Self {
            mean: DVector::from_vec(file.mean),
            basis: DMatrix::from_columns(&file.modes.into_iter().map(DVector::from_vec).collect::<Vec<_>>()),
            rest_sd: file.rest_sd,
        })
    }
}
