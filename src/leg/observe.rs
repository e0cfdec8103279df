//! The leg's points as cameras see them, with derivatives.
//!
//! Parameters, in order: where the knee stands (x, y, metres, first view's carpet frame), heading of the shank (radians), ln(shank / prior mean) in its prior's standard deviations;
//! for each view in turn the camera's step along the principal axes of its covariance in standard deviations and the step of its tie's (x, y, yaw) in the columns of the
//! Cholesky factor of the tie's covariance; then the shape's modes. All but the first three have a standard normal prior (the modes one a component of the shape).

use crate::floor::camera::PARAMETER_COUNT;
use crate::floor::FloorCamera;
use crate::leg::fit::{is_loose, LegProblem, LegView, Observation, Tie};
use crate::leg::shape::{LegShape, POINT_COUNT};
use crate::types::{CarpetPoint, Covariance2, Leg};
use nalgebra::{Cholesky, DMatrix, DVector, Dyn, Matrix2, Matrix2x3, Matrix3, RowDVector, SMatrix, Vector2, Vector3};

/// Parameters before the cameras': x, y, heading, shank.
pub const PLACE: usize = 4;

/// Yaws tried for a tie that says too little to start from.
const YAWS: usize = 32;

/// A leg problem made ready for the solver.
pub struct Model<'a> {
    problem: &'a LegProblem<'a>,
    views: Vec<Sight<'a>>,
    modes_from: usize,
    shank_log_sd: f64,
}

/// One view made ready.
#[derive(Clone)]
struct Sight<'a> {
    view: &'a LegView<'a>,
    /// Camera step = axes · parameters, one column a principal axis that is uncertain at all.
    camera_axes: DMatrix<f64>,
    /// Lower Cholesky factor of the tie's covariance.
    tie_factor: Option<Matrix3<f64>>,
    /// Position of the first of the view's parameters.
    from: usize,
    whiteners: Vec<Matrix2<f64>>,
    /// Where the knee and the ankle would stand on the carpet, this view's own frame.
    down: Option<(CarpetPoint, CarpetPoint)>,
}

impl<'a> Sight<'a> {
    fn new(problem: &LegProblem, view: &'a LegView<'a>, first: bool, from: usize, knee: CarpetPoint) -> Option<Self> {
        let tie = view.tie.as_ref().filter(|_| !first);
        let down = view.knee_and_ankle_down(problem.shank_m);
        let there = match tie {
            Some(tie) if is_loose(tie) => down?.0,
            Some(tie) => tie.to_other(knee),
            None => knee,
        };
        let rest_px = view.camera.focal_px / view.camera.depth_m(there).max(0.1) * problem.shape.rest_sd * problem.shank_m;
        Some(Self {
            view,
            camera_axes: axes(view.camera),
            tie_factor: match tie {
                Some(tie) => Some(tie.covariance.cholesky()?.l()),
                None => None,
            },
            from,
            whiteners: view
                .observations
                .iter()
                .map(|o| whitener(o.covariance, rest_px))
                .collect::<Option<Vec<_>>>()?,
            down,
        })
    }

    fn tie_from(&self) -> usize {
        self.from + self.camera_axes.ncols()
    }

    fn parameter_count(&self) -> usize {
        self.camera_axes.ncols() + if self.tie_factor.is_some() { 3 } else { 0 }
    }

    /// (x, y, yaw) of this view's frame; zeros without a tie.
    fn tie(&self, x: &DVector<f64>) -> Vector3<f64> {
        match (&self.view.tie, &self.tie_factor) {
            (Some(tie), Some(factor)) => Vector3::new(tie.x_m, tie.y_m, tie.yaw_rad) + factor * x.fixed_rows::<3>(self.tie_from()),
            _ => Vector3::zeros(),
        }
    }

    /// The camera with its step, in its own frame.
    fn own_camera(&self, x: &DVector<f64>, growth: f64) -> FloorCamera {
        let step = &self.camera_axes * x.rows(self.from, self.camera_axes.ncols());
        let mut camera = self.view.camera.stepped(step.as_slice());
        if self.view.scales_with_shank {
            camera.translation_m *= growth;
        }
        camera
    }

    /// The same camera in the first view's frame.
    fn camera(&self, x: &DVector<f64>, growth: f64) -> FloorCamera {
        let mut camera = self.own_camera(x, growth);
        if self.tie_factor.is_some() {
            let tie = self.tie(x);
            camera.translation_m += camera.rotation * Vector3::new(tie.x, tie.y, 0.0);
            camera.rotation *= about_vertical(tie.z);
        }
        camera
    }

    /// Whitened misses, in the order of the observations; `None` where a point falls behind the camera.
    fn whitened<'s>(&'s self, camera: &'s FloorCamera, points: &'s [CarpetPoint]) -> impl Iterator<Item = Option<Vector2<f64>>> + 's {
        self.view
            .observations
            .iter()
            .zip(&self.whiteners)
            .map(move |(o, w)| Some(w * miss(camera, points, o)?))
    }
}

/// Rotation about the vertical.
fn about_vertical(angle: f64) -> Matrix3<f64> {
    let (sin, cos) = angle.sin_cos();
    Matrix3::new(cos, -sin, 0.0, sin, cos, 0.0, 0.0, 0.0, 1.0)
}

fn axes(camera: &FloorCamera) -> DMatrix<f64> {
    let eigen = camera.covariance.symmetric_eigen();
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
    if columns.is_empty() {
        DMatrix::zeros(PARAMETER_COUNT, 0)
    } else {
        DMatrix::from_columns(&columns)
    }
}

impl<'a> Model<'a> {
    /// `None` where an observation or a tie has no proper covariance.
    ///
    /// `knee`: about where the knee is, first view's frame; what the shape's modes leave over is added to the points' covariances at that depth.
    pub fn new(problem: &'a LegProblem<'a>, knee: CarpetPoint) -> Option<Self> {
        let mut from = PLACE;
        let mut views = Vec::new();
        for (k, view) in problem.views.iter().enumerate() {
            let sight = Sight::new(problem, view, k == 0, from, knee)?;
            from += sight.parameter_count();
            views.push(sight);
        }
        Some(Self {
            problem,
            views,
            modes_from: from,
            shank_log_sd: problem.shank_sd_m / problem.shank_m,
        })
    }

    /// The same with every image point known `times` times less well: from far away sharp points pull along a line and get nowhere.
    pub fn blurred(&self, times: f64) -> Self {
        let mut views = self.views.clone();
        for whitener in views.iter_mut().flat_map(|v| &mut v.whiteners) {
            *whitener /= times;
        }
        Self { views, ..*self }
    }

    /// Gives every tie that says too little to start from the yaw that misses this view's points least, and the place that puts the knee where this view alone would.
    pub fn place_loose_ties(&self, x: &mut DVector<f64>) {
        let points = self.points(x);
        let growth = self.growth(x);
        let knee = Vector2::new(x[0], x[1]);
        for sight in &self.views {
            let (Some(tie), Some(factor), Some((down, _))) = (&sight.view.tie, &sight.tie_factor, sight.down) else {
                continue;
            };
            if !is_loose(tie) {
                continue;
            }
            let Some(inverse) = factor.try_inverse() else { continue };
            let from = sight.tie_from();
            let mut best: Option<(f64, Vector3<f64>)> = None;
            for k in 0..YAWS {
                let away = (k as f64 / YAWS as f64 - 0.5) * std::f64::consts::TAU;
                let (sin, cos) = (tie.yaw_rad + away).sin_cos();
                let place = Vector2::new(down.x - (cos * knee.x - sin * knee.y), down.y - (sin * knee.x + cos * knee.y));
                let step = inverse * Vector3::new(place.x - tie.x_m, place.y - tie.y_m, away);
                x.fixed_rows_mut::<3>(from).copy_from(&step);
                let camera = sight.camera(x, growth);
                let squares: Option<f64> = sight
                    .whitened(&camera, &points)
                    .map(|d| d.map(|d| soft(d.x).0.powi(2) + soft(d.y).0.powi(2)))
                    .sum();
                if let Some(squares) = squares {
                    let squares = squares + step.norm_squared();
                    if best.as_ref().is_none_or(|(b, _)| squares < *b) {
                        best = Some((squares, step));
                    }
                }
            }
            let step = best.map_or(Vector3::zeros(), |(_, step)| step);
            x.fixed_rows_mut::<3>(from).copy_from(&step);
        }
    }

    /// How many parameters come before the shape's modes.
    pub fn modes_from(&self) -> usize {
        self.modes_from
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

    /// By how much larger the shank is than its prior mean.
    fn growth(&self, x: &DVector<f64>) -> f64 {
        (self.shank_log_sd * x[3]).exp()
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

    /// Whitened and softened residuals of the image points, view by view; `None` where a point falls behind its camera.
    pub fn residuals(&self, x: &DVector<f64>) -> Option<DVector<f64>> {
        let points = self.points(x);
        let growth = self.growth(x);
        let mut out = DVector::zeros(self.residual_count());
        let mut k = 0;
        for sight in &self.views {
            let camera = sight.camera(x, growth);
            for d in sight.whitened(&camera, &points) {
                let d = d?;
                out[k] = soft(d.x).0;
                out[k + 1] = soft(d.y).0;
                k += 2;
            }
        }
        Some(out)
    }

    fn residual_count(&self) -> usize {
        2 * self.views.iter().map(|s| s.whiteners.len()).sum::<usize>()
    }

    /// Sum of squared whitened residuals and their count, each view.
    fn squares(&self, x: &DVector<f64>) -> Vec<(f64, usize)> {
        let points = self.points(x);
        let growth = self.growth(x);
        self.views
            .iter()
            .map(|sight| {
                let camera = sight.camera(x, growth);
                let squares = sight.whitened(&camera, &points).flatten().map(|d| d.norm_squared()).sum();
                (squares, 2 * sight.whiteners.len())
            })
            .collect()
    }

    /// Root mean square of the whitened residuals.
    pub fn residual_rms(&self, x: &DVector<f64>) -> f64 {
        let (squares, count) = self.squares(x).iter().fold((0.0, 0), |a, b| (a.0 + b.0, a.1 + b.1));
        (squares / count.max(2) as f64).sqrt()
    }

    /// The same for each view.
    pub fn view_residual_rms(&self, x: &DVector<f64>) -> Vec<f64> {
        self.squares(x)
            .iter()
            .map(|(squares, count)| (squares / (*count).max(2) as f64).sqrt())
            .collect()
    }

    /// Each view's tie at `x`, with the covariance that the information at `x` leaves it.
    pub fn ties(&self, x: &DVector<f64>, information: &Cholesky<f64, Dyn>) -> Vec<Option<Tie>> {
        self.views
            .iter()
            .map(|sight| {
                let factor = sight.tie_factor.as_ref()?;
                let from = sight.tie_from();
                let mut pick = DMatrix::zeros(x.len(), 3);
                for a in 0..3 {
                    for i in 0..3 {
                        pick[(from + i, a)] = factor[(a, i)];
                    }
                }
                let spread = pick.transpose() * information.solve(&pick);
                let tie = sight.tie(x);
                Some(Tie {
                    x_m: tie.x,
                    y_m: tie.y,
                    yaw_rad: tie.z,
                    covariance: Matrix3::from_fn(|i, k| spread[(i, k)]),
                })
            })
            .collect()
    }

    /// Residuals as in [`Self::residuals`] and their Jacobian, analytic.
    pub fn linearised(&self, x: &DVector<f64>) -> Option<(DVector<f64>, DMatrix<f64>)> {
        let mut residual = DVector::zeros(self.residual_count());
        let mut jacobian = DMatrix::zeros(self.residual_count(), self.parameter_count());
        let mut row = 0;
        for sight in &self.views {
            self.linearise_view(sight, x, row, &mut residual, &mut jacobian)?;
            row += 2 * sight.whiteners.len();
        }
        Some((residual, jacobian))
    }

    /// Writes one view's rows, from `row` on.
    fn linearise_view(
        &self,
        sight: &Sight,
        x: &DVector<f64>,
        row: usize,
        residual: &mut DVector<f64>,
        jacobian: &mut DMatrix<f64>,
    ) -> Option<()> {
        let n = self.parameter_count();
        let modes_from = self.modes_from();
        let (axes, shape) = (&sight.camera_axes, self.shape());
        let growth = self.growth(x);
        let step = axes * x.rows(sight.from, axes.ncols());
        let camera = sight.own_camera(x, growth);
        let turn_step = Vector3::new(step[1], step[2], step[3]);
        let left = left_jacobian(&turn_step);
        let in_shanks = self.shape_at(x);
        let shank_m = self.shank_m(x);
        let tie = sight.tie(x);
        let to_own = about_vertical(tie.z);
        let leg_to_carpet = to_own * self.leg_to_carpet(x);
        let shift = Vector3::new(tie.x, tie.y, 0.0);
        let place = to_own * Vector3::new(x[0], x[1], 0.0);
        // Derivative of each point's image (2 × n), needed once a point.
        let mut derivative: Vec<Option<(Vector2<f64>, DMatrix<f64>)>> = vec![None; POINT_COUNT];
        for o in sight.view.observations {
            for (p, _) in &o.of {
                if derivative[*p].is_some() {
                    continue;
                }
                let local = Vector3::new(in_shanks[3 * p], in_shanks[3 * p + 1], in_shanks[3 * p + 2]);
                let arm = leg_to_carpet * local * shank_m;
                let turned = camera.rotation * (arm + place + shift);
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
                put(0, by_carpet * to_own.column(0));
                put(1, by_carpet * to_own.column(1));
                put(2, by_carpet * Vector3::new(-arm.y, arm.x, 0.0));
                let mut by_shank = by_carpet * arm * self.shank_log_sd;
                if sight.view.scales_with_shank {
                    by_shank += by_camera * camera.translation_m * self.shank_log_sd;
                }
                put(3, by_shank);
                // ln focal, rotation (left Jacobian of the rotation group), translation.
                let mut by_step = SMatrix::<f64, 2, PARAMETER_COUNT>::zeros();
                by_step.set_column(0, &Vector2::new(du, dv));
                by_step
                    .fixed_view_mut::<2, 3>(0, 1)
                    .copy_from(&(by_camera * (-turned.cross_matrix()) * left));
                let reach = if sight.view.scales_with_shank { growth } else { 1.0 };
                by_step.fixed_view_mut::<2, 3>(0, 4).copy_from(&(by_camera * reach));
                for i in 0..axes.ncols() {
                    put(sight.from + i, by_step * axes.column(i));
                }
                if let Some(factor) = &sight.tie_factor {
                    let about = arm + place;
                    let mut by_tie = by_carpet;
                    by_tie.set_column(2, &(by_carpet * Vector3::new(-about.y, about.x, 0.0)));
                    let by_tie = by_tie * factor;
                    for i in 0..3 {
                        put(sight.tie_from() + i, by_tie.column(i).into_owned());
                    }
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
        for (k, (o, w)) in sight.view.observations.iter().zip(&sight.whiteners).enumerate() {
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
                residual[row + 2 * k + i] = value;
                jacobian
                    .row_mut(row + 2 * k + i)
                    .copy_from(&(slope * (w[(i, 0)] * &rows[0] + w[(i, 1)] * &rows[1])));
            }
        }
        Some(())
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::floor::camera::CameraCovariance;
    use crate::numerics::least_squares;
    use crate::outcome::FloorSource;
    use crate::types::ImagePoint;

    fn camera(elevation: f64, azimuth: f64) -> FloorCamera {
        let centre = 4.0 * Vector3::new(elevation.cos() * azimuth.cos(), elevation.cos() * azimuth.sin(), elevation.sin());
        let forward = -centre.normalize();
        let right = forward.cross(&Vector3::z()).normalize();
        let rotation = Matrix3::from_rows(&[right.transpose(), forward.cross(&right).transpose(), forward.transpose()]);
        let root = CameraCovariance::from_fn(|i, k| 0.01 * ((i * 7 + k * 3) as f64).sin());
        FloorCamera {
            image_size: [1920, 1080],
            focal_px: 1500.0,
            rotation,
            translation_m: -rotation * centre,
            covariance: root * root.transpose(),
            source: FloorSource::Marks,
        }
    }

    /// Analytic against numeric Jacobian, two views: tied frames, uncertain cameras, one floor that grows with the shank.
    #[test]
    fn jacobian_of_two_views() {
        let shape = LegShape::shipped();
        let (low, high) = (camera(0.1, 0.3), camera(0.6, 2.0));
        let root = Matrix3::new(0.05, 0.0, 0.0, 0.01, 0.04, 0.0, 0.02, -0.01, 0.03);
        let tie = Tie {
            x_m: 0.2,
            y_m: -0.1,
            yaw_rad: 0.7,
            covariance: root * root.transpose(),
        };
        let observations: Vec<Observation> = (0..POINT_COUNT)
            .map(|p| Observation {
                of: vec![(p, 0.7), ((p + 3) % POINT_COUNT, 0.3)],
                at: ImagePoint::new(960.0, 540.0),
                covariance: Covariance2 { uu: 9e4, uv: 1e4, vv: 4e4 },
            })
            .collect();
        let mut second = LegView::new(&high, &observations);
        second.tie = Some(tie);
        second.scales_with_shank = true;
        let views = [LegView::new(&low, &observations), second];
        let problem = LegProblem {
            views: &views,
            shape: &shape,
            leg: Leg::Left,
            shank_m: 0.42,
            shank_sd_m: 0.02,
        };
        let model = Model::new(&problem, CarpetPoint::new(0.0, 0.0, 0.0)).unwrap();
        let x = DVector::from_fn(model.parameter_count(), |i, _| 0.5 * (1.7 * i as f64).cos());
        let (residual, analytic) = model.linearised(&x).unwrap();
        assert!((residual - model.residuals(&x).unwrap()).norm() < 1e-9);
        let numeric = least_squares::jacobian(&|x: &DVector<f64>| model.residuals(x).unwrap(), &x, 1e-6);
        let worst = (&analytic - &numeric).abs().max();
        assert!(worst < 1e-5 * (1.0 + analytic.abs().max()), "largest difference {worst}");
    }
}
