//! The leg in the carpet's frame from image points.
//!
//! Maximum a posteriori fit: where the leg stands and points, how long the shank is, the modes of [`LegShape`], and the camera's own seven parameters with their
//! covariance as the prior, so that the floor's uncertainty is carried into the gaps. Observed: image points with covariances. Nothing may lie under the carpet by more than
//! flesh gives.

use crate::floor::FloorCamera;
use crate::leg::profile::{GapProfile, StationMatrix, StationVector, FLESH_GIVE_MM};
use crate::leg::shape::{LegShape, POINT_COUNT, STATION_POINTS};
use crate::numerics::least_squares::{self, Options};
use crate::types::{CarpetPoint, Covariance2, ImagePoint, Leg, STATION_COUNT};
use nalgebra::{DMatrix, DVector, Matrix2, Vector2};

/// One observed image point: a weighted mean of points of the shape (most often one point).
#[derive(Debug, Clone, PartialEq)]
pub struct Observation {
    /// Point of the shape and its weight; the weights add up to one.
    pub of: Vec<(usize, f64)>,
    /// Where it is seen, px.
    pub at: ImagePoint,
    /// How well, px².
    pub covariance: Covariance2,
}

/// What the fit starts from.
#[derive(Debug, Clone)]
pub struct LegProblem<'a> {
    /// The camera over the carpet.
    pub camera: &'a FloorCamera,
    /// How legs go together.
    pub shape: &'a LegShape,
    /// Which leg.
    pub leg: Leg,
    /// Shank length, metres.
    pub shank_m: f64,
    /// Its standard deviation, metres.
    pub shank_sd_m: f64,
    /// Image points.
    pub observations: &'a [Observation],
}

/// The fitted leg.
#[derive(Debug, Clone)]
pub struct LegFit {
    /// The eleven points, carpet frame.
    pub points: Vec<CarpetPoint>,
    /// Gaps with covariance.
    pub profile: GapProfile,
    /// Heading of the shank (knee to ankle) about the vertical, radians from the carpet's x axis.
    pub heading_rad: f64,
    /// Angle of the line through the knee's and the ankle's inner surface over the carpet, radians, positive with the ankle higher.
    pub shank_angle_rad: f64,
    /// Its standard deviation, radians.
    pub shank_angle_sd_rad: f64,
    /// Shank length of the fit, metres.
    pub shank_m: f64,
    /// Standard deviation of that.
    pub shank_sd_m: f64,
    /// Root mean square of the whitened image residuals (about 1 where the points fit their covariances).
    pub residual_rms: f64,
}

// Parameters: x, y of the knee (m), heading (rad), ln(shank / prior mean), camera step (7), modes.
const PLACE: usize = 4;
const CAMERA: usize = crate::floor::camera::PARAMETER_COUNT;

impl LegProblem<'_> {
    /// Fits the leg; `None` where the points do not meet the carpet in front of the camera.
    pub fn solve(&self) -> Option<LegFit> {
        let start = self.start()?;
        let whiteners: Vec<Matrix2<f64>> = self
            .observations
            .iter()
            .map(|o| whitener(o.covariance))
            .collect::<Option<Vec<_>>>()?;
        let camera_whitener = camera_whitener(self.camera);
        let options = Options {
            max_steps: 30,
            cost_tolerance: 1e-6,
            ..Options::default()
        };
        let residuals = |x: &DVector<f64>| self.residuals(x, &whiteners, &camera_whitener, true);
        // From one view a leg may point towards or away from the camera, and a low camera hardly sees where the ankle stands: of headings all round, the three that
        // miss the points least are followed to the end, and the cheapest fit wins.
        let mut ranked: Vec<(f64, DVector<f64>)> = start.into_iter().map(|x0| (residuals(&x0).norm_squared(), x0)).collect();
        ranked.sort_by(|a, b| a.0.total_cmp(&b.0));
        let best = ranked
            .into_iter()
            .take(3)
            .map(|(_, x0)| least_squares::solve(residuals, x0, &options))
            .filter(|s| s.cost.is_finite())
            .min_by(|a, b| a.cost.total_cmp(&b.cost))?;
        // The floor's one-sided pull says where the leg can be, not how well it is known: leave it out of the covariance.
        let free = least_squares::jacobian(
            &|x: &DVector<f64>| self.residuals(x, &whiteners, &camera_whitener, false),
            &best.x,
            1e-6,
        );
        let covariance = least_squares::invert_information(&(free.transpose() * &free));
        Some(self.describe(&best.x, &covariance, &whiteners))
    }

    fn start(&self) -> Option<Vec<DVector<f64>>> {
        let near = |wanted: &[usize]| {
            self.observations
                .iter()
                .find(|o| o.of.iter().any(|(p, _)| wanted.contains(p)))
                .and_then(|o| self.camera.at_height(o.at, 0.0))
        };
        let knee = near(&[1, 0])?;
        let ankle = near(&[5, 6, 8, 7])?;
        let heading = (ankle.y - knee.y).atan2(ankle.x - knee.x);
        let size = PLACE + CAMERA + self.shape.basis.ncols();
        let starts = (0..16)
            .map(|k| {
                let mut x = DVector::zeros(size);
                x[0] = knee.x;
                x[1] = knee.y;
                x[2] = heading + f64::from(k) * std::f64::consts::TAU / 16.0;
                x
            })
            .collect();
        Some(starts)
    }

    fn points(&self, x: &DVector<f64>) -> Vec<CarpetPoint> {
        let shape = self.shape_at(x);
        let shank_m = self.shank_m * x[3].exp();
        let (sin, cos) = x[2].sin_cos();
        let side = match self.leg {
            Leg::Right => 1.0,
            Leg::Left => -1.0,
        };
        (0..POINT_COUNT)
            .map(|p| {
                let (a, b, z) = (shape[3 * p], side * shape[3 * p + 1], shape[3 * p + 2]);
                CarpetPoint::new(
                    x[0] + shank_m * (a * cos - b * sin),
                    x[1] + shank_m * (a * sin + b * cos),
                    shank_m * z,
                )
            })
            .collect()
    }

    fn camera(&self, x: &DVector<f64>) -> FloorCamera {
        self.camera.stepped(&x.as_slice()[PLACE..PLACE + CAMERA])
    }

    fn shape_at(&self, x: &DVector<f64>) -> DVector<f64> {
        &self.shape.mean + &self.shape.basis * x.rows(PLACE + CAMERA, self.shape.basis.ncols())
    }

    fn gaps_m(&self, x: &DVector<f64>) -> StationVector {
        let shape = self.shape_at(x);
        let shank_m = self.shank_m * x[3].exp();
        StationVector::from_fn(|s, _| shank_m * shape[3 * POINT_COUNT + s])
    }

    fn residuals(&self, x: &DVector<f64>, whiteners: &[Matrix2<f64>], camera_whitener: &DMatrix<f64>, with_floor: bool) -> DVector<f64> {
        let camera = self.camera(x);
        let points = self.points(x);
        let mut r = Vec::with_capacity(2 * whiteners.len() + x.len() + STATION_COUNT);
        for (o, w) in self.observations.iter().zip(whiteners) {
            match seen(&camera, &points, o) {
                Some(p) => {
                    let d = w * Vector2::new(p.u - o.at.u, p.v - o.at.v);
                    r.extend([soft(d.x), soft(d.y)]);
                }
                None => r.extend([1e3, 1e3]),
            }
        }
        r.push(x[3] / (self.shank_sd_m / self.shank_m));
        let step = x.rows(PLACE, CAMERA).into_owned();
        r.extend((camera_whitener * step).iter());
        r.extend(x.rows(PLACE + CAMERA, self.shape.basis.ncols()).iter());
        if with_floor {
            let gaps = self.gaps_m(x);
            r.extend(gaps.iter().map(|g| (-g * 1000.0 / FLESH_GIVE_MM).max(0.0)));
        }
        DVector::from_vec(r)
    }

    fn describe(&self, x: &DVector<f64>, covariance: &DMatrix<f64>, whiteners: &[Matrix2<f64>]) -> LegFit {
        let points = self.points(x);
        let shank_m = self.shank_m * x[3].exp();
        let quantities = |x: &DVector<f64>| {
            let points = self.points(x);
            let gaps = self.gaps_m(x) * 1000.0;
            let angle = angle_rad(&points);
            DVector::from_iterator(STATION_COUNT + 1, gaps.iter().copied().chain([angle]))
        };
        let c = least_squares::jacobian(&quantities, x, 1e-6);
        let sigma = &c * covariance * c.transpose();
        let mean = quantities(x);
        // What the modes leave over is an error of its own at every station.
        let rest_mm = self.shape.rest_sd * shank_m * 1000.0;
        let camera = self.camera(x);
        let squares: f64 = self
            .observations
            .iter()
            .zip(whiteners)
            .filter_map(|(o, w)| seen(&camera, &points, o).map(|p| (w * Vector2::new(p.u - o.at.u, p.v - o.at.v)).norm_squared()))
            .sum();
        LegFit {
            profile: GapProfile {
                gap_mm: StationVector::from_fn(|s, _| mean[s]),
                covariance_mm2: StationMatrix::from_fn(|i, k| sigma[(i, k)] + if i == k { rest_mm * rest_mm } else { 0.0 }),
            },
            heading_rad: x[2],
            shank_angle_rad: mean[STATION_COUNT],
            shank_angle_sd_rad: sigma[(STATION_COUNT, STATION_COUNT)].max(0.0).sqrt(),
            shank_m,
            shank_sd_m: shank_m * covariance[(3, 3)].max(0.0).sqrt(),
            residual_rms: (squares / (2.0 * self.observations.len() as f64)).sqrt(),
            points,
        }
    }
}

fn seen(camera: &FloorCamera, points: &[CarpetPoint], o: &Observation) -> Option<ImagePoint> {
    let (mut u, mut v) = (0.0, 0.0);
    for (p, w) in &o.of {
        let at = camera.project(points[*p])?;
        u += w * at.u;
        v += w * at.v;
    }
    Some(ImagePoint::new(u, v))
}

/// Angle of the line from the knee's to the ankle's inner surface over the carpet.
fn angle_rad(points: &[CarpetPoint]) -> f64 {
    let d = points[STATION_POINTS[4]].vector() - points[STATION_POINTS[0]].vector();
    d.z.atan2(d.x.hypot(d.y))
}

/// Residual that grows as its square near zero and as a line beyond three standard deviations (Huber 1964), so that one wrong point does not carry the leg away.
fn soft(r: f64) -> f64 {
    let k = 3.0;
    if r.abs() <= k {
        r
    } else {
        r.signum() * (2.0 * k * r.abs() - k * k).sqrt()
    }
}

fn whitener(covariance: Covariance2) -> Option<Matrix2<f64>> {
    covariance.matrix().cholesky()?.inverse().cholesky().map(|c| c.l().transpose())
}

/// W with WᵀW = Σ⁻¹ of the camera's covariance; directions known for certain (a closed form's) are held with a millionth's slack.
fn camera_whitener(camera: &FloorCamera) -> DMatrix<f64> {
    let eigen = camera.covariance.symmetric_eigen();
    let largest = eigen.eigenvalues.max().max(1e-12);
    DMatrix::from_fn(CAMERA, CAMERA, |i, k| {
        let variance = eigen.eigenvalues[i].max(1e-10 * largest).max(1e-14);
        eigen.eigenvectors[(k, i)] / variance.sqrt()
    })
}
