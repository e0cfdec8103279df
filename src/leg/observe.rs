//! The leg's points as a camera sees them, with derivatives.
//!
//! Parameters, in order: where the knee stands (x, y, metres), heading of the shank (radians), ln(shank / prior mean) in its prior's standard deviations, the camera's step along the
//! principal axes of its covariance in standard deviations, then the shape's modes. All but the first three have a standard normal prior (the modes one a component of the shape).

use crate::floor::camera::PARAMETER_COUNT;
use crate::floor::FloorCamera;
use crate::leg::fit::{LegProblem, Observation};
use crate::leg::shape::{LegShape, POINT_COUNT};
use crate::types::{CarpetPoint, Covariance2, Leg};
use nalgebra::{DMatrix, DVector, Matrix2, Matrix2x3, Matrix3, RowDVector, SMatrix, Vector2, Vector3};

/// Parameters before the camera's: x, y, heading, shank.
pub const PLACE: usize = 4;

/// A leg problem made ready for the solver.
pub struct Model<'a> {
    problem: &'a LegProblem<'a>,
    /// Camera step = axes · parameters, one column a principal axis that is uncertain at all.
    camera_axes: DMatrix<f64>,
    shank_log_sd: f64,
    whiteners: Vec<Matrix2<f64>>,
}

impl<'a> Model<'a> {
    /// `None` where an observation has no proper covariance.
    ///
    /// `depth_m`: about how far the leg is along the optical axis; what the shape's modes leave over is added to the points' covariances at that depth.
    pub fn new(problem: &'a LegProblem<'a>, depth_m: f64) -> Option<Self> {
        let eigen = problem.camera.covariance.symmetric_eigen();
        let largest = eigen.eigenvalues.max();
        let columns: Vec<DVector<f64>> = (0..PARAMETER_COUNT)
            .filter(|i| eigen.eigenvalues[*i] > (1e-13 * largest).max(1e-18))
            .map(|i| {
                DVector::from_iterator(
                    PARAMETER_COUNT,
                    (eigen.eigenvectors.column(i) * eigen.eigenvalues[i].sqrt()).iter().copied(),
                )
            })
            .collect();
        let camera_axes = if columns.is_empty() {
            DMatrix::zeros(PARAMETER_COUNT, 0)
        } else {
            DMatrix::from_columns(&columns)
        };
        let rest_px = problem.camera.focal_px / depth_m.max(0.1) * problem.shape.rest_sd * problem.shank_m;
        let whiteners = problem
            .observations
            .iter()
            .map(|o| whitener(o.covariance, rest_px))
            .collect::<Option<Vec<_>>>()?;
        Some(Self {
            problem,
            camera_axes,
            shank_log_sd: problem.shank_sd_m / problem.shank_m,
            whiteners,
        })
    }

    /// How many parameters come before the shape's modes.
    pub fn modes_from(&self) -> usize {
        PLACE + self.camera_axes.ncols()
    }

    /// How many parameters there are.
    pub fn parameter_count(&self) -> usize {
        self.modes_from() + self.shape().basis.ncols()
    }

    /// The shape.
    pub fn shape(&self) -> &LegShape {
        self.problem.shape
    }

    /// Shank length, metres.
    pub fn shank_m(&self, x: &DVector<f64>) -> f64 {
        self.problem.shank_m * (self.shank_log_sd * x[3]).exp()
    }

    /// Relative standard deviation of the shank's prior, the unit of its parameter.
    pub fn shank_log_sd(&self) -> f64 {
        self.shank_log_sd
    }

    /// Points and gaps in shank lengths, leg frame.
    pub fn shape_at(&self, x: &DVector<f64>) -> DVector<f64> {
        let shape = self.shape();
        &shape.mean + &shape.basis * x.rows(self.modes_from(), shape.basis.ncols())
    }

    /// The camera with its step.
    pub fn camera(&self, x: &DVector<f64>) -> FloorCamera {
        let step = &self.camera_axes * x.rows(PLACE, self.camera_axes.ncols());
        self.problem.camera.stepped(step.as_slice())
    }

    fn side(&self) -> f64 {
        match self.problem.leg {
            Leg::Right => 1.0,
            Leg::Left => -1.0,
        }
    }

    /// The leg's points, carpet frame.
    pub fn points(&self, x: &DVector<f64>) -> Vec<CarpetPoint> {
        let shape = self.shape_at(x);
        let turn = self.leg_to_carpet(x) * self.shank_m(x);
        (0..POINT_COUNT)
            .map(|p| (turn * Vector3::new(shape[3 * p], shape[3 * p + 1], shape[3 * p + 2]) + Vector3::new(x[0], x[1], 0.0)).into())
            .collect()
    }

    fn leg_to_carpet(&self, x: &DVector<f64>) -> Matrix3<f64> {
        let (sin, cos) = x[2].sin_cos();
        let side = self.side();
        Matrix3::new(cos, -side * sin, 0.0, sin, side * cos, 0.0, 0.0, 0.0, 1.0)
    }

    /// Whitened and softened residuals of the image points; `None` where a point falls behind the camera.
    pub fn residuals(&self, x: &DVector<f64>) -> Option<DVector<f64>> {
        let camera = self.camera(x);
        let points = self.points(x);
        let mut out = DVector::zeros(2 * self.whiteners.len());
        for (k, (o, w)) in self.problem.observations.iter().zip(&self.whiteners).enumerate() {
            let d = w * miss(&camera, &points, o)?;
            out[2 * k] = soft(d.x).0;
            out[2 * k + 1] = soft(d.y).0;
        }
        Some(out)
    }

    /// Root mean square of the whitened residuals.
    pub fn residual_rms(&self, x: &DVector<f64>) -> f64 {
        let camera = self.camera(x);
        let points = self.points(x);
        let squares: f64 = self
            .problem
            .observations
            .iter()
            .zip(&self.whiteners)
            .filter_map(|(o, w)| miss(&camera, &points, o).map(|d| (w * d).norm_squared()))
            .sum();
        (squares / (2.0 * self.whiteners.len().max(1) as f64)).sqrt()
    }

    /// Residuals as in [`Self::residuals`] and their Jacobian, analytic.
    pub fn linearised(&self, x: &DVector<f64>) -> Option<(DVector<f64>, DMatrix<f64>)> {
        let n = self.parameter_count();
        let modes_from = self.modes_from();
        let (axes, shape) = (&self.camera_axes, self.shape());
        let step = axes * x.rows(PLACE, axes.ncols());
        let base = self.problem.camera;
        let camera = base.stepped(step.as_slice());
        let turn_step = Vector3::new(step[1], step[2], step[3]);
        let left = left_jacobian(&turn_step);
        let in_shanks = self.shape_at(x);
        let shank_m = self.shank_m(x);
        let leg_to_carpet = self.leg_to_carpet(x);
        let place = Vector3::new(x[0], x[1], 0.0);
        // Derivative of each point's image (2 × n), needed once a point.
        let mut derivative: Vec<Option<(Vector2<f64>, DMatrix<f64>)>> = vec![None; POINT_COUNT];
        for o in self.problem.observations {
            for (p, _) in &o.of {
                if derivative[*p].is_some() {
                    continue;
                }
                let local = Vector3::new(in_shanks[3 * p], in_shanks[3 * p + 1], in_shanks[3 * p + 2]);
                let arm = leg_to_carpet * local * shank_m;
                let turned = camera.rotation * (arm + place);
                let at = turned + camera.translation_m;
                if at.z <= 1e-6 {
                    return None;
                }
                let (f, z) = (camera.focal_px, at.z);
                let principal = camera.principal();
                let (du, dv) = (f * at.x / z, f * at.y / z);
                let by_camera = Matrix2x3::new(f / z, 0.0, -du / z, 0.0, f / z, -dv / z);
                let by_carpet = by_camera * camera.rotation;
                let mut d = DMatrix::zeros(2, n);
                let mut put = |column: usize, value: Vector2<f64>| {
                    d[(0, column)] = value.x;
                    d[(1, column)] = value.y;
                };
                put(0, by_carpet.column(0).into_owned());
                put(1, by_carpet.column(1).into_owned());
                put(2, by_carpet * Vector3::new(-arm.y, arm.x, 0.0));
                put(3, by_carpet * arm * self.shank_log_sd);
                // ln focal, rotation (left Jacobian of the rotation group), translation.
                let mut by_step = SMatrix::<f64, 2, PARAMETER_COUNT>::zeros();
                by_step.set_column(0, &Vector2::new(du, dv));
                by_step
                    .fixed_view_mut::<2, 3>(0, 1)
                    .copy_from(&(by_camera * (-turned.cross_matrix()) * left));
                by_step.fixed_view_mut::<2, 3>(0, 4).copy_from(&by_camera);
                for i in 0..axes.ncols() {
                    put(PLACE + i, by_step * axes.column(i));
                }
                let by_local = by_carpet * leg_to_carpet * shank_m;
                for i in 0..shape.basis.ncols() {
                    let b = &shape.basis;
                    put(
                        modes_from + i,
                        by_local * Vector3::new(b[(3 * p, i)], b[(3 * p + 1, i)], b[(3 * p + 2, i)]),
                    );
                }
                derivative[*p] = Some((Vector2::new(principal.u + du, principal.v + dv), d));
            }
        }
        let mut residual = DVector::zeros(2 * self.whiteners.len());
        let mut jacobian = DMatrix::zeros(2 * self.whiteners.len(), n);
        for (k, (o, w)) in self.problem.observations.iter().zip(&self.whiteners).enumerate() {
            let mut at = Vector2::new(-o.at.u, -o.at.v);
            let mut rows = [RowDVector::zeros(n), RowDVector::zeros(n)];
            for (p, weight) in &o.of {
                let (seen, d) = derivative[*p].as_ref()?;
                at += *weight * seen;
                rows[0] += *weight * d.row(0);
                rows[1] += *weight * d.row(1);
            }
            let white = w * at;
            for i in 0..2 {
                let (value, slope) = soft(white[i]);
                residual[2 * k + i] = value;
                jacobian
                    .row_mut(2 * k + i)
                    .copy_from(&(slope * (w[(i, 0)] * &rows[0] + w[(i, 1)] * &rows[1])));
            }
        }
        Some((residual, jacobian))
    }
}

fn miss(camera: &FloorCamera, points: &[CarpetPoint], o: &Observation) -> Option<Vector2<f64>> {
    let mut at = Vector2::new(-o.at.u, -o.at.v);
    for (p, w) in &o.of {
        let seen = camera.project(points[*p])?;
        at += *w * Vector2::new(seen.u, seen.v);
    }
    Some(at)
}

/// Residual that grows as its square near zero and as a line beyond three standard deviations (Huber 1964), so that one wrong point does not carry the leg away; with
/// its slope.
fn soft(r: f64) -> (f64, f64) {
    let k = 3.0;
    if r.abs() <= k {
        (r, 1.0)
    } else {
        let root = (2.0 * k * r.abs() - k * k).sqrt();
        (r.signum() * root, k / root)
    }
}

fn whitener(covariance: Covariance2, rest_px: f64) -> Option<Matrix2<f64>> {
    let mut matrix = covariance.matrix();
    matrix[(0, 0)] += rest_px * rest_px;
    matrix[(1, 1)] += rest_px * rest_px;
    matrix.cholesky()?.inverse().cholesky().map(|c| c.l().transpose())
}

/// Left Jacobian of the rotation group at a rotation vector: exp(v + δ) ≈ exp(J δ) exp(v) (Solà, Deray, Atchuthan, "A micro Lie theory", 2018, eq. 145).
fn left_jacobian(v: &Vector3<f64>) -> Matrix3<f64> {
    let angle = v.norm();
    let k = v.cross_matrix();
    if angle < 1e-6 {
        return Matrix3::identity() + 0.5 * k;
    }
    Matrix3::identity() + (1.0 - angle.cos()) / (angle * angle) * k + (angle - angle.sin()) / (angle * angle * angle) * k * k
}
