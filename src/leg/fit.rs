//! The leg in the carpet's frame from image points.
//!
//! Where the leg stands and points, how long the shank is, the modes of [`LegShape`], and each camera's own parameters with their covariance as the prior, so that the floor's
//! uncertainty is carried into the gaps. Observed: image points with covariances, in one view or several; views after the first have a [`Tie`] of their carpet frame to the
//! first one's, with its covariance as the prior.
//!
//! Stances come in kinds (down, heel up, calf up, knee up, …), so the shape's prior is a mixture of normal distributions. The posterior is fitted once a component by
//! Levenberg–Marquardt; a component's weight is its share of the evidence in Laplace's approximation (MacKay, *Neural Computation* 4(3), 1992; Kass and Raftery, *Journal of
//! the American Statistical Association* 90(430), 1995, eq. 5), and mean and covariance of the gaps are those of the mixture. That nothing lies under the carpet is in the
//! components, which were measured on bodies that lie on it; nothing else pulls the gaps upwards.

use crate::floor::FloorCamera;
use crate::leg::observe::{Model, PLACE};
use crate::leg::profile::{GapProfile, StationMatrix, StationVector};
use crate::leg::shape::{Component, LegShape, POINT_COUNT, STATION_POINTS};
use crate::types::{CarpetPoint, Covariance2, ImagePoint, Leg, STATION_COUNT};
use nalgebra::{Cholesky, DMatrix, DVector, Dyn, Matrix3, SMatrix, Vector3};

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

/// How another view's carpet frame lies in the first view's: a point `p` of the first frame is `R(yaw) · p + (x, y, 0)` in the other.
#[derive(Debug, Clone, PartialEq)]
pub struct Tie {
    /// Along the other frame's x axis, metres.
    pub x_m: f64,
    /// Along its y axis, metres.
    pub y_m: f64,
    /// About the vertical, radians.
    pub yaw_rad: f64,
    /// Covariance of (x, y, yaw), metres and radians. Positive definite.
    pub covariance: Matrix3<f64>,
}

impl Tie {
    /// Two views whose floors were marked by the same marks: one frame, to within `place_sd_m` in x and y and `turn_sd_rad` in yaw.
    pub fn same_marks(place_sd_m: f64, turn_sd_rad: f64) -> Self {
        Self {
            x_m: 0.0,
            y_m: 0.0,
            yaw_rad: 0.0,
            covariance: Matrix3::from_diagonal(&Vector3::new(place_sd_m.powi(2), place_sd_m.powi(2), turn_sd_rad.powi(2))),
        }
    }

    /// Nothing is known of how the frames lie but that they are of one carpet, metres apart and turned any way; the leg's own points must find it.
    pub fn unknown() -> Self {
        Self::same_marks(1.5, 1.8)
    }

    /// A point of the first view's frame in this one.
    pub fn to_other(&self, p: CarpetPoint) -> CarpetPoint {
        let (sin, cos) = self.yaw_rad.sin_cos();
        CarpetPoint::new(cos * p.x - sin * p.y + self.x_m, sin * p.x + cos * p.y + self.y_m, p.z)
    }

    /// A point of this frame in the first view's.
    pub fn to_first(&self, p: CarpetPoint) -> CarpetPoint {
        let (sin, cos) = self.yaw_rad.sin_cos();
        let (x, y) = (p.x - self.x_m, p.y - self.y_m);
        CarpetPoint::new(cos * x + sin * y, -sin * x + cos * y, p.z)
    }
}

/// One view of the leg.
#[derive(Debug, Clone)]
pub struct LegView<'a> {
    /// The camera over the carpet, in this view's own carpet frame.
    pub camera: &'a FloorCamera,
    /// Image points.
    pub observations: &'a [Observation],
    /// How this view's carpet frame lies in the first view's; the first view has none, and a later one without counts as in the same frame exactly.
    pub tie: Option<Tie>,
    /// Whether the camera's distances grow with the shank: a floor that was taken from the body holds for the shank length assumed. Its covariance must then leave the shank's
    /// own uncertainty out (several such views would otherwise count it as often as there are views).
    pub scales_with_shank: bool,
}

impl<'a> LegView<'a> {
    /// A view by itself, or one in the first view's frame.
    pub fn new(camera: &'a FloorCamera, observations: &'a [Observation]) -> Self {
        Self {
            camera,
            observations,
            tie: None,
            scales_with_shank: false,
        }
    }
}

/// What the fit starts from.
#[derive(Debug, Clone)]
pub struct LegProblem<'a> {
    /// The views, all of one instant; at least one. The answer is in the first one's carpet frame.
    pub views: &'a [LegView<'a>],
    /// How legs go together.
    pub shape: &'a LegShape,
    /// Which leg.
    pub leg: Leg,
    /// Shank length, metres.
    pub shank_m: f64,
    /// Its standard deviation, metres.
    pub shank_sd_m: f64,
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
    /// The same for each view by itself.
    pub view_residual_rms: Vec<f64>,
    /// Each view's tie as fitted, with its covariance; `None` where the view has none.
    pub ties: Vec<Option<Tie>>,
}

/// Headings tried all round.
const HEADINGS: usize = 16;
/// Of those, so many are followed to the end.
const FOLLOWED: usize = 3;
/// How much less sharp the points of several views are taken at first, step by step.
const BLURS: [f64; 3] = [64.0, 16.0, 4.0];
/// Fits this much worse in log evidence than the best do not count.
const NEGLIGIBLE: f64 = 9.0;

/// A fit under one component.
struct Fitted {
    x: DVector<f64>,
    /// Lower Cholesky factor of the information at `x`.
    information: Cholesky<f64, Dyn>,
    log_evidence: f64,
    component: usize,
}

/// Whether a tie says too little to start from: its yaw is not known to within a twelfth of a turn.
pub(crate) fn is_loose(tie: &Tie) -> bool {
    tie.covariance[(2, 2)].sqrt() > std::f64::consts::PI / 6.0
}

impl LegView<'_> {
    /// Where the knee and the ankle would stand if both were on the carpet, in this view's frame.
    pub(crate) fn knee_and_ankle_down(&self, shank_m: f64) -> Option<(CarpetPoint, CarpetPoint)> {
        let near = |wanted: &[usize]| {
            self.observations
                .iter()
                .find(|o| o.of.iter().any(|(p, _)| wanted.contains(p)))
                .and_then(|o| self.camera.at_height(o.at, 0.0).or_else(|| self.below(o.at, shank_m)))
        };
        let knee = near(&[1, 0])?;
        let ankle = near(&[5, 6, 8, 7]).unwrap_or(knee);
        Some((knee, ankle))
    }

    /// For a camera so low that the ray through a point does not come down to the carpet: the carpet point under that ray where a leg looks as large as this one.
    fn below(&self, at: ImagePoint, shank_m: f64) -> Option<CarpetPoint> {
        let extent_px = self
            .observations
            .iter()
            .flat_map(|a| self.observations.iter().map(|b| a.at.distance_px(b.at)))
            .fold(0.0, f64::max);
        // Knee to toe is about 1.2 shank lengths in the shape's mean; any start near it will do.
        let distance_m = 1.2 * shank_m * self.camera.focal_px / extent_px.max(1.0);
        let p = self.camera.centre().vector() + distance_m * self.camera.ray(at);
        (p.iter().all(|x| x.is_finite())).then(|| CarpetPoint::new(p.x, p.y, 0.0))
    }
}

impl LegProblem<'_> {
    /// Fits the leg; `None` where the points do not meet the carpet in front of the camera.
    pub fn solve(&self) -> Option<LegFit> {
        let (knee, heading) = self.start()?;
        let model = Model::new(self, knee)?;
        let whole = Component::standard(self.shape.basis.ncols());
        // From one view a leg may point towards or away from the camera, and a low camera hardly sees where the ankle stands: of headings all round, those that
        // miss the points least are followed to the end under the shape as a whole.
        let mut ranked: Vec<(f64, DVector<f64>)> = (0..HEADINGS)
            .filter_map(|k| {
                let mut x = DVector::zeros(model.parameter_count());
                x[0] = knee.x;
                x[1] = knee.y;
                x[2] = heading + k as f64 * std::f64::consts::TAU / HEADINGS as f64;
                model.place_loose_ties(&mut x);
                Some((cost(&model, &whole, &x)?, x))
            })
            .collect();
        ranked.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut seeds: Vec<Fitted> = Vec::new();
        for (_, mut x) in ranked.into_iter().take(FOLLOWED) {
            // Several views leave far less room than one, so that a start is many standard deviations off: they are brought into focus step by step.
            for blur in BLURS.iter().filter(|_| self.views.len() > 1) {
                if let Some(fit) = minimise(&model.blurred(*blur), &whole, 0, x.clone(), 20) {
                    x = fit.x;
                }
            }
            if let Some(fit) = minimise(&model, &whole, 0, x, 30) {
                if !seeds.iter().any(|s| same_heading(s.x[2], fit.x[2])) {
                    seeds.push(fit);
                }
            }
        }
        let best = seeds.iter().map(|s| s.log_evidence).fold(f64::NEG_INFINITY, f64::max);
        // The whole shape is a blunt prior: a second heading must be far behind before it is left out.
        seeds.retain(|s| s.log_evidence > best - 3.0 * NEGLIGIBLE);
        let mut fits: Vec<Fitted> = Vec::new();
        for seed in &seeds {
            self.under_components(&model, seed, &mut fits);
        }
        self.describe(&model, fits)
    }

    /// Fits under every component that can matter, from one seed.
    fn under_components(&self, model: &Model, seed: &Fitted, fits: &mut Vec<Fitted>) {
        let Some((residual, jacobian)) = model.linearised(&seed.x) else {
            return;
        };
        let information = jacobian.transpose() * &jacobian;
        let gradient = jacobian.transpose() * &residual;
        let squares = residual.norm_squared();
        // One linear step for each first, with the points linearised once.
        let mut steps: Vec<(f64, usize, DVector<f64>)> = self
            .shape
            .components
            .iter()
            .enumerate()
            .filter_map(|(k, component)| {
                let (mut h, mut g) = (information.clone(), gradient.clone());
                let prior = add_prior(model, component, &seed.x, &mut h, &mut g);
                let factor = h.cholesky()?;
                let step = factor.solve(&g);
                let predicted = squares + prior - g.dot(&step);
                Some((component.log_evidence(predicted, &factor), k, &seed.x - step))
            })
            .collect();
        let best = steps.iter().map(|s| s.0).fold(f64::NEG_INFINITY, f64::max);
        steps.retain(|s| s.0 > best - 1.5 * NEGLIGIBLE);
        for (_, k, x) in steps {
            let component = &self.shape.components[k];
            let start = match (cost(model, component, &x), cost(model, component, &seed.x)) {
                (Some(a), Some(b)) if a < b => x,
                (Some(_), None) => x,
                _ => seed.x.clone(),
            };
            if let Some(fit) = minimise(model, component, k, start, 6) {
                // Two seeds may run into one valley.
                match fits.iter_mut().find(|f| f.component == k && same_heading(f.x[2], fit.x[2])) {
                    Some(same) if same.log_evidence < fit.log_evidence => *same = fit,
                    Some(_) => {}
                    None => fits.push(fit),
                }
            }
        }
    }

    /// Where the knee and the ankle would stand if both were on the carpet, in the first view's frame: knee, and heading of the shank. From the view that looks down on the
    /// carpet most steeply among those whose frame is tied to the first one's well enough to start from.
    fn start(&self) -> Option<(CarpetPoint, f64)> {
        let starts = self.views.iter().enumerate().filter_map(|(k, view)| {
            let tie = view.tie.as_ref();
            if k > 0 && tie.is_some_and(is_loose) {
                return None;
            }
            let (knee, ankle) = view.knee_and_ankle_down(self.shank_m)?;
            let steepness = view.camera.elevation_rad_from(knee);
            let to_first = |p: CarpetPoint| tie.filter(|_| k > 0).map_or(p, |t| t.to_first(p));
            Some((steepness, to_first(knee), to_first(ankle)))
        });
        let (_, knee, ankle) = starts.max_by(|a, b| a.0.total_cmp(&b.0))?;
        Some((knee, (ankle.y - knee.y).atan2(ankle.x - knee.x)))
    }

    fn describe(&self, model: &Model, mut fits: Vec<Fitted>) -> Option<LegFit> {
        fits.sort_by(|a, b| b.log_evidence.total_cmp(&a.log_evidence));
        let best = fits.first()?.log_evidence;
        fits.retain(|f| f.log_evidence > best - NEGLIGIBLE);
        let total: f64 = fits.iter().map(|f| (f.log_evidence - best).exp()).sum();
        let parts: Vec<(f64, Quantities, QuantityMatrix)> = fits
            .iter()
            .map(|f| {
                let (value, slope) = quantities(model, &f.x);
                let spread = f.information.solve(&slope.transpose());
                let covariance = QuantityMatrix::from_iterator((&slope * spread).iter().copied());
                ((f.log_evidence - best).exp() / total, value, covariance)
            })
            .collect();
        let mean: Quantities = parts.iter().map(|(w, v, _)| *w * v).sum();
        let covariance: QuantityMatrix = parts
            .iter()
            .map(|(w, v, c)| {
                let d = v - mean;
                *w * (c + d * d.transpose())
            })
            .sum();
        let x = &fits[0].x;
        // What the modes leave over is an error of its own at every station.
        let rest_mm = 1000.0 * self.shape.rest_sd * model.shank_m(x);
        Some(LegFit {
            points: model.points(x),
            profile: GapProfile {
                gap_mm: StationVector::from_fn(|s, _| mean[s]),
                covariance_mm2: StationMatrix::from_fn(|i, k| covariance[(i, k)] + if i == k { rest_mm * rest_mm } else { 0.0 }),
            },
            heading_rad: x[2],
            shank_angle_rad: mean[ANGLE],
            shank_angle_sd_rad: covariance[(ANGLE, ANGLE)].max(0.0).sqrt(),
            shank_m: mean[SHANK],
            shank_sd_m: covariance[(SHANK, SHANK)].max(0.0).sqrt(),
            residual_rms: model.residual_rms(x),
            view_residual_rms: model.view_residual_rms(x),
            ties: model.ties(x, &fits[0].information),
        })
    }
}

fn same_heading(a: f64, b: f64) -> bool {
    let turn = (a - b).rem_euclid(std::f64::consts::TAU);
    turn.min(std::f64::consts::TAU - turn) < 0.15
}

/// Sum of squared residuals under one component, priors included.
fn cost(model: &Model, component: &Component, x: &DVector<f64>) -> Option<f64> {
    let squares = model.residuals(x)?.norm_squared();
    let free = PLACE - 1;
    let camera_and_shank = x.rows(free, model.modes_from() - free).norm_squared();
    let away = x.rows(model.modes_from(), component.mean.len()) - &component.mean;
    Some(squares + camera_and_shank + away.dot(&(&component.precision * &away)))
}

/// Adds the priors' information and gradient (half that of the sum of squares) at `x`, and gives their sum of squares.
fn add_prior(model: &Model, component: &Component, x: &DVector<f64>, information: &mut DMatrix<f64>, gradient: &mut DVector<f64>) -> f64 {
    let (modes_from, count) = (model.modes_from(), component.mean.len());
    let mut sum = 0.0;
    for i in PLACE - 1..modes_from {
        information[(i, i)] += 1.0;
        gradient[i] += x[i];
        sum += x[i] * x[i];
    }
    let away = x.rows(modes_from, count) - &component.mean;
    let pull = &component.precision * &away;
    let mut block = information.view_mut((modes_from, modes_from), (count, count));
    block += &component.precision;
    let mut rows = gradient.rows_mut(modes_from, count);
    rows += &pull;
    sum + away.dot(&pull)
}

/// Levenberg–Marquardt under one component, until a step gains less than a hundredth in the sum of squares.
fn minimise(model: &Model, component: &Component, index: usize, mut x: DVector<f64>, most_steps: usize) -> Option<Fitted> {
    let mut now = cost(model, component, &x)?;
    let mut damping = 1e-4;
    let mut information = None;
    for _ in 0..most_steps {
        let (residual, jacobian) = model.linearised(&x)?;
        let mut here = jacobian.transpose() * &jacobian;
        let mut gradient = jacobian.transpose() * &residual;
        add_prior(model, component, &x, &mut here, &mut gradient);
        let mut gain = 0.0;
        for _ in 0..8 {
            let mut damped = here.clone();
            for i in 0..damped.nrows() {
                damped[(i, i)] *= 1.0 + damping;
            }
            let candidate = damped.cholesky().map(|c| &x - c.solve(&gradient));
            if let Some((candidate, then)) = candidate.and_then(|c| cost(model, component, &c).map(|then| (c, then))) {
                if then <= now {
                    gain = now - then;
                    x = candidate;
                    now = then;
                    damping = (damping * 0.1).max(1e-9);
                    break;
                }
            }
            damping *= 10.0;
        }
        // The information of the last linearisation: the step that followed hardly moved.
        information = Some(here);
        if gain < 0.01 {
            break;
        }
    }
    let information = information?.cholesky()?;
    Some(Fitted {
        log_evidence: component.log_evidence(now, &information),
        x,
        information,
        component: index,
    })
}

const ANGLE: usize = STATION_COUNT;
const SHANK: usize = STATION_COUNT + 1;
const QUANTITY_COUNT: usize = STATION_COUNT + 2;
/// Six gaps (mm), shank angle (radians), shank length (metres).
type Quantities = SMatrix<f64, QUANTITY_COUNT, 1>;
type QuantityMatrix = SMatrix<f64, QUANTITY_COUNT, QUANTITY_COUNT>;

/// What is reported of a fit, and its derivatives by the parameters.
fn quantities(model: &Model, x: &DVector<f64>) -> (Quantities, DMatrix<f64>) {
    let shape = model.shape_at(x);
    let shank_m = model.shank_m(x);
    let basis = &model.shape().basis;
    let (modes_from, modes) = (model.modes_from(), basis.ncols());
    let mut value = Quantities::zeros();
    let mut slope = DMatrix::zeros(QUANTITY_COUNT, x.len());
    for s in 0..STATION_COUNT {
        let row = 3 * POINT_COUNT + s;
        value[s] = 1000.0 * shank_m * shape[row];
        slope[(s, PLACE - 1)] = value[s] * model.shank_log_sd();
        slope
            .view_mut((s, modes_from), (1, modes))
            .copy_from(&(1000.0 * shank_m * basis.row(row)));
    }
    // Angle of the line from the knee's to the ankle's inner surface over the carpet; it does not depend on the size.
    let (knee, ankle) = (3 * STATION_POINTS[0], 3 * STATION_POINTS[4]);
    let d = Vector3::from_fn(|i, _| shape[ankle + i] - shape[knee + i]);
    let level = d.x.hypot(d.y).max(1e-9);
    value[ANGLE] = d.z.atan2(level);
    let square = level * level + d.z * d.z;
    let by = Vector3::new(-d.z * d.x / level / square, -d.z * d.y / level / square, level / square);
    for i in 0..modes {
        slope[(ANGLE, modes_from + i)] = (0..3).map(|a| by[a] * (basis[(ankle + a, i)] - basis[(knee + a, i)])).sum();
    }
    value[SHANK] = shank_m;
    slope[(SHANK, PLACE - 1)] = shank_m * model.shank_log_sd();
    (value, slope)
}
