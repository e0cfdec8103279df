//! How a kneeling lower leg and its foot go together: a mixture of normal distributions of the eleven points' places in the leg's own frame and of the gaps at the six
//! stations.
//!
//! The leg's frame: origin on the carpet straight below `knee_floor`; x level, from the knee towards the ankle joint; y level, to the left of x for a right leg and to the
//! right for a left leg (so that both legs share one shape); z up. Unit: one shank length. Means and covariances are measured on the body model by
//! `scripts/calibrate/leg_shape.py` and kept in `models/leg_shape.json` with how they were made.

use crate::error::{Error, Result};
use crate::leg::profile::{GapProfile, StationMatrix, StationVector};
use crate::types::STATION_COUNT;
use nalgebra::{Cholesky, DMatrix, DVector, Dyn};
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
    /// Basis of the covariance, one column a mode, scaled by its standard deviation: over all stances, point = mean + basis · modes with modes of mean 0 and variance 1.
    pub basis: DMatrix<f64>,
    /// What is left over by the modes, standard deviation of each coordinate.
    pub rest_sd: f64,
    /// The kinds of stance: normal distributions of the modes.
    pub components: Vec<Component>,
}

/// One normal distribution of a mixture over the modes.
#[derive(Debug, Clone)]
pub struct Component {
    /// Logarithm of its share.
    pub log_weight: f64,
    /// Mean of the modes.
    pub mean: DVector<f64>,
    /// Lower Cholesky factor of their covariance.
    pub factor: DMatrix<f64>,
    /// Inverse of their covariance.
    pub precision: DMatrix<f64>,
    /// Logarithm of the determinant of the precision.
    pub log_det_precision: f64,
}

impl Component {
    fn of(weight: f64, mean: DVector<f64>, factor: DMatrix<f64>) -> Option<Self> {
        let log_det_precision = -2.0 * factor.diagonal().iter().map(|d| d.ln()).sum::<f64>();
        let inverse = factor.clone().try_inverse()?;
        let sound = weight > 0.0 && log_det_precision.is_finite();
        sound.then(|| Self {
            log_weight: weight.ln(),
            mean,
            precision: inverse.transpose() * inverse,
            factor,
            log_det_precision,
        })
    }

    /// The standard normal distribution: all stances taken as one kind.
    pub fn standard(modes: usize) -> Self {
        Self {
            log_weight: 0.0,
            mean: DVector::zeros(modes),
            factor: DMatrix::identity(modes, modes),
            precision: DMatrix::identity(modes, modes),
            log_det_precision: 0.0,
        }
    }

    /// Log evidence of a fit with this sum of squares and this information, up to a constant that all components share (Laplace's approximation).
    pub fn log_evidence(&self, sum_of_squares: f64, information: &Cholesky<f64, Dyn>) -> f64 {
        let half_log_det: f64 = information.l_dirty().diagonal().iter().map(|d| d.ln()).sum();
        self.log_weight + 0.5 * self.log_det_precision - 0.5 * sum_of_squares - half_log_det
    }
}

#[derive(Deserialize)]
struct ShapeFile {
    names: Vec<String>,
    mean: Vec<f64>,
    modes: Vec<Vec<f64>>,
    rest_sd: f64,
    components: Vec<ComponentFile>,
}

#[derive(Deserialize)]
struct ComponentFile {
    weight: f64,
    mean: Vec<f64>,
    /// Rows of the lower Cholesky factor, each up to the diagonal.
    factor: Vec<Vec<f64>>,
}

impl LegShape {
    /// Height over the carpet of the point half way between the knee's floor side and the heel's, and its standard deviation, shank lengths.
    pub fn middle_height(&self) -> (f64, f64) {
        let [knee, heel] = [STATION_POINTS[0], STATION_POINTS[5]].map(|p| 3 * p + 2);
        let row = 0.5 * (self.basis.row(knee) + self.basis.row(heel));
        (0.5 * (self.mean[knee] + self.mean[heel]), row.norm())
    }

    /// Mean and covariance of the gaps before anything is seen, over all kinds of stance, for a shank of this length; mm, before the natural hollow is taken off.
    pub fn gap_prior(&self, shank_m: f64, shank_sd_m: f64) -> GapProfile {
        let modes = self.basis.ncols();
        let mut mean = DVector::zeros(modes);
        let mut second = DMatrix::zeros(modes, modes);
        for c in &self.components {
            let weight = c.log_weight.exp();
            mean += weight * &c.mean;
            second += weight * (&c.factor * c.factor.transpose() + &c.mean * c.mean.transpose());
        }
        let covariance = second - &mean * mean.transpose();
        let rows = self.basis.rows(3 * POINT_COUNT, STATION_COUNT);
        let mm = 1000.0 * shank_m;
        let gap = (self.mean.rows(3 * POINT_COUNT, STATION_COUNT) + rows * mean) * mm;
        let spread = rows * covariance * rows.transpose() * (mm * mm);
        let (rest, relative) = (mm * self.rest_sd, shank_sd_m / shank_m);
        GapProfile {
            gap_mm: StationVector::from_fn(|i, _| gap[i]),
            covariance_mm2: StationMatrix::from_fn(|i, k| {
                spread[(i, k)] + gap[i] * gap[k] * relative * relative + if i == k { rest * rest } else { 0.0 }
            }),
        }
    }

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
        let modes = file.modes.len();
        let components = file
            .components
            .into_iter()
            .map(|c| {
                let fits =
                    c.mean.len() == modes && c.factor.len() == modes && c.factor.iter().enumerate().all(|(i, row)| row.len() == i + 1);
                let factor = fits.then(|| DMatrix::from_fn(modes, modes, |i, k| if k <= i { c.factor[i][k] } else { 0.0 }))?;
                Component::of(c.weight, DVector::from_vec(c.mean), factor)
            })
            .collect::<Option<Vec<_>>>()
            .filter(|c| !c.is_empty())
            .ok_or_else(|| Error::ours("models/leg_shape.json holds a component that does not fit its modes."))?;
        Ok(Self {
            mean: DVector::from_vec(file.mean),
            basis: DMatrix::from_columns(&file.modes.into_iter().map(DVector::from_vec).collect::<Vec<_>>()),
            rest_sd: file.rest_sd,
            components,
        })
    }
}
