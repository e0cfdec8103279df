//! The camera over the carpet from the sheet's corners.
//!
//! A sheet is small and lies on something soft. So beside the camera the fit carries what is not known of the sheet: its tilt against the carpet, how it curls, and the scale it
//! was printed at, each with a stated spread, and all are solved for together (a Bayesian least squares with these spreads as priors). What they leave open is then in the
//! camera's covariance, at the sheet and, larger, away from it.

use super::artwork::{BLOCK_MM, MARKERS};
use super::detect::Found;
use crate::floor::camera::{focal_prior, CameraCovariance, FloorCamera, PARAMETER_COUNT};
use crate::floor::marks::{direct_linear_transform, pose_from_homography};
use crate::numerics::least_squares::{self, Options, Solution};
use crate::numerics::median;
use crate::outcome::FloorSource;
use crate::types::{CarpetPoint, ImagePoint};
use nalgebra::{DVector, Matrix3, Rotation3, Vector3};

/// Tilt of a sheet on a soft carpet against the carpet as a whole, about each of its axes (standard deviation, degrees; common practice, no source).
pub const TILT_SD_DEG: f64 = 1.0;

/// How far the ends of the sheet's block may lie over or under its middle by curl: along its width, by twist, along its length (standard deviations, metres; no source).
pub const CURL_SD_M: [f64; 3] = [0.0010, 0.0010, 0.0015];

/// Scale of a print that nobody measured (standard deviation, relative). "Fit to page" makes 3 to 6 %, and the sheet asks not to use it.
pub const PRINT_SCALE_SD: f64 = 0.02;

/// Scale of a print whose check line was measured with a ruler: 0.3 mm on 100 mm.
pub const MEASURED_SCALE_SD: f64 = 0.003;

/// How the sheet was printed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Print {
    /// Printed over drawn length.
    pub scale: f64,
    /// Standard deviation of its natural logarithm.
    pub scale_sd: f64,
}

impl Print {
    /// From the length of a check line as measured, millimetres; where nobody measured, as drawn with a wide spread.
    pub fn of_line(line_mm: Option<f64>) -> Self {
        match line_mm {
            Some(mm) => Self {
                scale: mm / super::artwork::CHECK_LINE_MM,
                scale_sd: MEASURED_SCALE_SD,
            },
            None => Self {
                scale: 1.0,
                scale_sd: PRINT_SCALE_SD,
            },
        }
    }
}

/// The camera from one or more looks at a sheet that lay still, seen by a camera that stood still.
#[derive(Debug, Clone)]
pub struct SheetFit {
    /// The camera; the carpet's origin is under the sheet's middle, its axes along the sheet's.
    pub camera: FloorCamera,
    /// Mean square of the whitened corner residuals; 1 where the corners are as good as they say.
    pub misfit: f64,
    /// Root mean square distance of the corners from where the fit puts them, px.
    pub residual_px: f64,
    /// Whether the fit looks straight down so much that the tilt is open.
    pub from_above: bool,
}

/// Camera, tilt about x and y (radians), curl along x², xy and y² (metres at the block's ends), ln scale.
const NUISANCES: usize = 6;

/// Half the block's sides, metres.
const HALF_M: [f64; 2] = [0.5e-3 * BLOCK_MM[0], 0.5e-3 * BLOCK_MM[1]];

/// Where a point of the sheet, metres from its middle, lies over the carpet. `nuisances`: the sheet's own [`NUISANCES`] parameters.
fn on_carpet(at: [f64; 2], nuisances: &[f64]) -> CarpetPoint {
    let n = nuisances;
    let at = at.map(|v| v * n[5].exp());
    let (a, b) = (at[0] / HALF_M[0], at[1] / HALF_M[1]);
    let z = n[0] * at[1] - n[1] * at[0] + n[2] * a * a + n[3] * a * b + n[4] * b * b;
    CarpetPoint::new(at[0], at[1], z)
}

/// Fits the camera to measured corners. `None` where they fit no camera over a carpet.
pub fn fit(image_size: [usize; 2], found: &[Found], print: Print) -> Option<SheetFit> {
    let mut sheet: Vec<[f64; 2]> = Vec::new();
    let mut image: Vec<ImagePoint> = Vec::new();
    let mut whiteners = Vec::new();
    for f in found {
        sheet.extend(MARKERS[f.marker].corners_mm().map(|c| c.map(|x| x * 1e-3 * print.scale)));
        image.extend(f.aligned.corners);
        // Whitening by the inverse of the covariance's Cholesky factor; a floor keeps sharp pictures from claiming more than a lens allows.
        let covariance = f.aligned.covariance + super::align::CornerCovariance::identity() * CORNER_FLOOR_PX.powi(2);
        whiteners.push(covariance.cholesky()?.l().try_inverse()?);
    }
    if found.is_empty() {
        return None;
    }
    let (prior_ln, prior_sd) = focal_prior(image_size);
    let (cx, cy) = (image_size[0] as f64 / 2.0, image_size[1] as f64 / 2.0);
    let centred: Vec<[f64; 2]> = image.iter().map(|p| [p.u - cx, p.v - cy]).collect();
    let homography = direct_linear_transform(&sheet, &centred)?;

    let tilt_sd = TILT_SD_DEG.to_radians();
    let residuals_from = |start: &FloorCamera, x: &DVector<f64>| -> DVector<f64> {
        let camera = start.stepped(&x.as_slice()[..PARAMETER_COUNT]);
        let n = &x.as_slice()[PARAMETER_COUNT..];
        let mut r = Vec::with_capacity(2 * sheet.len() + NUISANCES + 1);
        for (k, whitener) in whiteners.iter().enumerate() {
            let mut d = nalgebra::SVector::<f64, 8>::zeros();
            for c in 0..4 {
                match camera.project(on_carpet(sheet[4 * k + c], n)) {
                    Some(p) => {
                        d[2 * c] = p.u - image[4 * k + c].u;
                        d[2 * c + 1] = p.v - image[4 * k + c].v;
                    }
                    None => d.fill(1e4),
                }
            }
            r.extend((whitener * d).iter());
        }
        r.extend([n[0] / tilt_sd, n[1] / tilt_sd]);
        r.extend((0..3).map(|i| n[2 + i] / CURL_SD_M[i]));
        r.push(n[5] / print.scale_sd);
        r.push((camera.focal_px.ln() - prior_ln) / prior_sd);
        DVector::from_vec(r)
    };
    // A sheet far away is seen nearly in parallel projection, where a tilt and its mirror image look the same: both are tried, from several focal lengths.
    let mut best: Option<(FloorCamera, Solution)> = None;
    for focal in [0.6, 1.0, 1.8].map(|k| k * prior_ln.exp()) {
        let one = pose_from_homography(&homography, focal, image_size, &sheet);
        for start in [mirrored(&one), one] {
            let solution = least_squares::solve(
                |x| residuals_from(&start, x),
                DVector::zeros(PARAMETER_COUNT + NUISANCES),
                &Options::default(),
            );
            let camera = start.stepped(&solution.x.as_slice()[..PARAMETER_COUNT]);
            // Cameras stand over the carpet and are not held on their side; a sheet that would need that hangs on a wall or is held up.
            let up = camera.rotation.column(2);
            let upright = -up.y > up.x.abs() / LARGEST_ROLL_DEG.to_radians().tan();
            let believable = camera.centre().z > 0.0 && camera.translation_m.z > 0.0 && upright;
            if believable && solution.cost.is_finite() && best.as_ref().is_none_or(|(_, b)| solution.cost < b.cost) {
                best = Some((camera, solution));
            }
        }
    }
    let (mut camera, solution) = best?;
    let freedom = (2 * sheet.len()) as f64 - 8.0;
    let misfit = (solution.cost / freedom.max(1.0)).max(0.0);
    let birge = misfit.max(1.0);
    camera.covariance = CameraCovariance::from_fn(|i, k| solution.covariance[(i, k)] * birge);
    camera.source = FloorSource::Sheet;
    let n = &solution.x.as_slice()[PARAMETER_COUNT..];
    let squares: f64 = sheet
        .iter()
        .zip(&image)
        .map(|(at, seen)| camera.project(on_carpet(*at, n)).map_or(1e8, |p| p.distance_px(*seen).powi(2)))
        .sum();
    let from_above = camera.elevation_rad_from(CarpetPoint::new(0.0, 0.0, 0.0)) > FROM_ABOVE_DEG.to_radians();
    Some(SheetFit {
        camera,
        misfit,
        residual_px: (squares / sheet.len() as f64).sqrt(),
        from_above,
    })
}

/// What corners cannot be better than, px: lens distortion within the sheet and the like (our choice).
const CORNER_FLOOR_PX: f64 = 0.03;

/// Roll of a camera about its axis beyond which a pose is not believed, degrees.
const LARGEST_ROLL_DEG: f64 = 30.0;

/// Over this elevation the sheet is seen so nearly frontal that neither focal length nor tilt shows, degrees.
const FROM_ABOVE_DEG: f64 = 70.0;

/// The other pose that a plane has in nearly parallel projection: its normal mirrored about the line of sight.
fn mirrored(camera: &FloorCamera) -> FloorCamera {
    let sight = camera.translation_m.normalize();
    let turn = Rotation3::rotation_between(&Vector3::z(), &sight).map_or_else(Matrix3::identity, Rotation3::into_inner);
    let d = Matrix3::from_diagonal(&Vector3::new(1.0, 1.0, -1.0));
    FloorCamera {
        rotation: turn * d * turn.transpose() * camera.rotation * d,
        ..camera.clone()
    }
}

/// Joins looks at the same still sheet by the same still camera: a marker's corners are the looks' mean by their weights. Their errors are partly common to all looks (the
/// drawing's own faults, compression), so that a mean of many is taken to be at best [`LOOKS_SHARE`] as uncertain in variance as one.
pub fn joined(looks: &[Vec<Found>]) -> Vec<Found> {
    let mut all = Vec::new();
    for marker in 0..MARKERS.len() {
        let of_marker: Vec<&Found> = looks.iter().flatten().filter(|f| f.marker == marker).collect();
        let Some(first) = of_marker.first() else { continue };
        let n = of_marker.len() as f64;
        let mut result = (*first).clone();
        result.read = of_marker.iter().any(|f| f.read);
        result.aligned.corners = std::array::from_fn(|c| {
            let corner = first.aligned.corners[c];
            let middle = |value: &dyn Fn(&ImagePoint) -> f64| median(of_marker.iter().map(|f| value(&f.aligned.corners[c])).collect());
            ImagePoint::new(middle(&|p| p.u).unwrap_or(corner.u), middle(&|p| p.v).unwrap_or(corner.v))
        });
        let mean = of_marker
            .iter()
            .fold(super::align::CornerCovariance::zeros(), |s, f| s + f.aligned.covariance / n);
        result.aligned.covariance = mean * (LOOKS_SHARE + (1.0 - LOOKS_SHARE) / n);
        all.push(result);
    }
    all
}

/// The share of a corner's variance that all looks have in common (our choice).
pub const LOOKS_SHARE: f64 = 0.5;
