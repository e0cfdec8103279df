//! The camera for stripes taken for sides of the carpet.
//!
//! Residuals are those of the stripes themselves (the middle across, and the breadth, at two stations each), never of points made up from them. Beside the seven of the camera three
//! lengths may move within their own spreads: the carpet's two extents and the breadth of its line. Two sides that meet fix four of the camera's seven numbers; that the line is about 5 cm
//! broad and gets narrower as it goes away, that the camera is held level and that focal lengths are what they usually are (the project's priors) does for the rest, and how
//! well is in the covariance.

use super::carpet::{line_map, seen_at, CarpetSize, Lengths, Side, LINE_M};
use super::stripe::Stripe;
use crate::floor::body::{BodyClues, ROLL_SD_RAD};
use crate::floor::camera::{focal_prior, CameraCovariance, FloorCamera, PARAMETER_COUNT};
use crate::numerics::least_squares::{self, Options};
use crate::outcome::FloorSource;
use crate::types::{CarpetPoint, ImagePoint};
use nalgebra::{DMatrix, DVector, Matrix3, Rotation3, Vector2, Vector3};

/// How broad the line really is: standard deviation of the natural logarithm of its breadth. Wide on purpose: lines of 4 to 8 cm are common, a bright line blooms, and a scale taken
/// from it was off by up to a quarter on rendered lines of other breadths. So two sides alone tell next to nothing of the scale, which then comes from the body.
pub const LINE_SD: f64 = 0.2;
/// How long the carpet really is: standard deviation of the natural logarithm of each extent. Covers whether the length was taken over or inside its line.
pub const EXTENT_SD: f64 = 0.005;

/// A rectangle on some floor of which nothing is known: its extents are about so long, metres, and the standard deviation of their logarithms is so large (our choice: mats to halls).
const ANY_EXTENT_M: f64 = 6.0;
const ANY_EXTENT_SD: f64 = 0.7;

/// What is known of a rectangle's extents along x and y before it is seen, metres, the standard deviation of their natural logarithms, and the extents that a fit starts from.
#[derive(Debug, Clone, Copy)]
struct Extents {
    about_m: [f64; 2],
    ln_sd: f64,
    start_m: [f64; 2],
}

impl Extents {
    const fn of(size: CarpetSize) -> Self {
        Self {
            about_m: size.extent_m(),
            ln_sd: EXTENT_SD,
            start_m: size.extent_m(),
        }
    }
}

/// ln breadth of the line, ln extents along x and y.
const LENGTHS: usize = 3;
/// All that is solved for.
const COUNT: usize = PARAMETER_COUNT + LENGTHS;

/// Focal lengths that a fit starts from, shares of the frame's longer side.
const START_FOCALS: [f64; 5] = [0.6, 0.85, 1.25, 1.9, 3.0];
/// Downward tilts of the camera that a fit starts from, degrees.
const START_TILTS_DEG: [f64; 8] = [1.0, 3.0, 6.0, 10.0, 15.0, 22.0, 30.0, 40.0];
/// Starts that are followed to their end.
const STARTS_FOLLOWED: usize = 3;

/// A stripe taken for a side.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Taken {
    /// Its position among the stripes.
    pub stripe: usize,
    /// The side it is taken for.
    pub side: Side,
}

/// The fit of one guess.
#[derive(Debug, Clone)]
pub struct LinesFit {
    /// The camera; origin in the middle of the carpet, x along its longer side.
    pub camera: FloorCamera,
    /// Lengths as fitted.
    pub lengths: Lengths,
    /// Which stripe was taken for which side.
    pub taken: Vec<Taken>,
    /// Sum of squared whitened residuals, priors among them.
    pub cost: f64,
    /// Root mean square of the middles' residuals, px.
    pub residual_px: f64,
    /// Natural logarithm of the probability density of what was measured, by Laplace's approximation over everything that is solved for (MacKay, *Information Theory, Inference, and
    /// Learning Algorithms*, 2003, chapter 28).
    pub ln_evidence: f64,
}

impl LinesFit {
    /// How many sides were taken that lie at a constant place on this axis: 0 for short sides, 1 for long ones.
    pub fn sides_of(&self, axis: usize) -> usize {
        self.taken.iter().filter(|t| t.side.axis == axis).count()
    }
}

/// Flat priors of the evidence: tilt over 60°, heading over the circle, depth by its logarithm over a range of e³.
const TILT_RANGE_RAD: f64 = std::f64::consts::PI / 3.0;
const LN_DEPTH_RANGE: f64 = 3.0;

/// Where a camera level about its axis, one metre over the carpet and tilted down, sees points of the picture on the carpet.
struct Level {
    focal_px: f64,
    centre: [f64; 2],
    rotation: Matrix3<f64>,
}

impl Level {
    fn new(image_size: [usize; 2], focal_px: f64, tilt_rad: f64) -> Self {
        let down = Vector3::new(0.0, tilt_rad.cos(), tilt_rad.sin());
        let (right, up) = (Vector3::x(), -down);
        Self {
            focal_px,
            centre: image_size.map(|s| s as f64 / 2.0),
            rotation: Matrix3::from_columns(&[right, up.cross(&right), up]),
        }
    }

    fn on_floor(&self, at: ImagePoint) -> Option<Vector2<f64>> {
        let ray = self.rotation.transpose() * Vector3::new(at.u - self.centre[0], at.v - self.centre[1], self.focal_px);
        // Close under the horizon a pixel is metres.
        (ray.z < -1e-3 * ray.norm()).then(|| Vector2::new(ray.x, ray.y) / -ray.z)
    }
}

/// A stripe on that floor.
struct OnFloor {
    middle: Vector2<f64>,
    along: Vector2<f64>,
    /// Breadth at both stations, camera heights.
    width: [f64; 2],
}

fn laid(level: &Level, stripe: &Stripe) -> Option<OnFloor> {
    let ends = [level.on_floor(stripe.stations[0])?, level.on_floor(stripe.stations[1])?];
    let along = (ends[1] - ends[0]).try_normalize(1e-9)?;
    let mut width = [0.0; 2];
    for (width, (s, w)) in width.iter_mut().zip(stripe.stations.iter().zip(stripe.width_px)) {
        let w = 0.5 * w;
        let edge = |sign: f64| {
            level.on_floor(ImagePoint::new(
                s.u + sign * w * stripe.across[0],
                s.v + sign * w * stripe.across[1],
            ))
        };
        let across = edge(1.0)? - edge(-1.0)?;
        *width = (across.x * along.y - across.y * along.x).abs();
    }
    Some(OnFloor {
        middle: 0.5 * (ends[0] + ends[1]),
        along,
        width,
    })
}

/// A starting camera for two sides that meet, with how badly it fits them; the carpet lies where the feet are.
fn start(
    image_size: [usize; 2],
    stripes: [&Stripe; 2],
    axis: usize,
    size: CarpetSize,
    feet: ImagePoint,
    focal_px: f64,
    tilt_rad: f64,
) -> Option<(f64, FloorCamera, [Side; 2])> {
    let level = Level::new(image_size, focal_px, tilt_rad);
    let (a, b) = (laid(&level, stripes[0])?, laid(&level, stripes[1])?);
    let feet = level.on_floor(feet)?;
    let mut height = [LINE_M / a.width[0], LINE_M / a.width[1], LINE_M / b.width[0], LINE_M / b.width[1]];
    let spread = |x: f64, y: f64| (x / y).ln().powi(2);
    let misfit = (a.along.dot(&b.along) / 0.15).powi(2)
        + (spread(a.width[0], a.width[1]) + spread(b.width[0], b.width[1]) + spread(a.width[0] * a.width[1], b.width[0] * b.width[1]))
            / 0.2_f64.powi(2);
    height.sort_by(f64::total_cmp);
    let height_m = (height[1] * height[2]).sqrt();
    // Carpet axes: a side of axis 0 runs along y.
    let mut heading = a.along.y.atan2(a.along.x) - if axis == 0 { std::f64::consts::FRAC_PI_2 } else { 0.0 };
    let local = |heading: f64, p: Vector2<f64>| {
        let (s, c) = heading.sin_cos();
        Vector2::new(c * p.x + s * p.y, -s * p.x + c * p.y)
    };
    let one = Side { axis, positive: true };
    if local(heading, feet)[axis] > local(heading, a.middle)[axis] {
        heading += std::f64::consts::PI;
    }
    let other = Side {
        axis: 1 - axis,
        positive: local(heading, feet)[1 - axis] < local(heading, b.middle)[1 - axis],
    };
    let lengths = Lengths {
        extent_m: size.extent_m(),
        line_m: LINE_M,
    };
    let mut origin = Vector2::zeros();
    origin[axis] = local(heading, a.middle)[axis] * height_m - lengths.middle_m(one);
    origin[1 - axis] = local(heading, b.middle)[1 - axis] * height_m - lengths.middle_m(other);
    let turn = Rotation3::from_axis_angle(&Vector3::z_axis(), heading).into_inner();
    let rotation = level.rotation * turn;
    let translation_m = rotation * Vector3::new(origin.x, origin.y, 0.0) - rotation.column(2) * height_m;
    let camera = FloorCamera {
        image_size,
        focal_px,
        rotation,
        translation_m,
        covariance: CameraCovariance::zeros(),
        source: FloorSource::Lines,
    };
    (height_m.is_finite() && misfit.is_finite()).then_some((misfit, camera, [one, other]))
}

/// Fits two stripes as sides that meet, the first of `axis`; the best of several starts. `feet`: a point of the picture that lies on the carpet.
pub fn two_sides(
    image_size: [usize; 2],
    stripes: &[Stripe],
    pair: [usize; 2],
    axis: usize,
    size: CarpetSize,
    feet: ImagePoint,
) -> Option<LinesFit> {
    let longer = image_size[0].max(image_size[1]) as f64;
    let of_pair = pair.map(|k| &stripes[k]);
    let mut starts: Vec<(f64, FloorCamera, [Side; 2])> = START_FOCALS
        .iter()
        .flat_map(|f| START_TILTS_DEG.iter().map(move |t| (f * longer, t.to_radians())))
        .filter_map(|(focal, tilt)| start(image_size, of_pair, axis, size, feet, focal, tilt))
        .collect();
    starts.sort_by(|x, y| x.0.total_cmp(&y.0));
    let mut followed: Vec<(f64, FloorCamera, [Side; 2])> = Vec::new();
    for s in starts {
        // One of a kind: neighbours of a start already taken end where it does.
        let near = |o: &FloorCamera| (o.focal_px / s.1.focal_px).ln().abs() < 0.45 && (o.rotation - s.1.rotation).norm() < 0.12;
        if followed.len() < STARTS_FOLLOWED && !followed.iter().any(|(_, o, _)| near(o)) {
            followed.push(s);
        }
    }
    followed
        .into_iter()
        .filter_map(|(_, camera, sides)| {
            let taken: Vec<Taken> = pair
                .iter()
                .zip(sides)
                .map(|(stripe, side)| Taken { stripe: *stripe, side })
                .collect();
            fit(stripes, &taken, size, &camera)
        })
        .min_by(|x, y| x.cost.total_cmp(&y.cost))
}

/// Roll of a camera about its axis against the carpet, radians.
fn roll_rad(camera: &FloorCamera) -> f64 {
    let up = camera.rotation.column(2);
    up.x.atan2(-up.y)
}

/// Fits the camera to stripes taken for sides, from a camera near it. `None` where it settles on nothing that is a camera over a carpet.
pub fn fit(stripes: &[Stripe], taken: &[Taken], size: CarpetSize, start: &FloorCamera) -> Option<LinesFit> {
    solved(stripes, taken, Extents::of(size), start, None)
}

/// The same stripes as the same sides of a rectangle of which nothing is known, for weighing a fit with three or four sides against it.
pub fn any_rectangle(stripes: &[Stripe], fitted: &LinesFit) -> Option<LinesFit> {
    let any = Extents {
        about_m: [ANY_EXTENT_M; 2],
        ln_sd: ANY_EXTENT_SD,
        start_m: fitted.lengths.extent_m,
    };
    solved(stripes, &fitted.taken, any, &fitted.camera, None)
}

/// The same fit with what the athlete's body says of elevation and size among its observations: for a guess that was found to agree with the body by itself.
///
/// Two sides that meet leave a direction nearly open (a longer lens, a camera further away and higher); the body closes it, and lines and body together say more than either.
pub fn with_body(stripes: &[Stripe], fitted: &LinesFit, size: CarpetSize, body: &BodyClues) -> Option<LinesFit> {
    solved(stripes, &fitted.taken, Extents::of(size), &fitted.camera, Some(body))
}

/// ln of how many times the athlete is as large on the camera's floor as by the body's own length, and the standard deviation that the body gives it.
pub fn ln_size(camera: &FloorCamera, body: &BodyClues) -> Option<(f64, f64)> {
    let depth_m = camera.depth_m(camera.at_height(body.leg_at, body.leg_height_m)?);
    let ln = (body.shank_px * depth_m / (camera.focal_px * body.shank_m)).ln();
    ln.is_finite()
        .then_some((ln, body.shank_log_sd.hypot(body.shank_sd_m / body.shank_m)))
}

/// Elevation of the camera over the carpet at the athlete's leg, radians.
pub fn elevation_rad(camera: &FloorCamera, body: &BodyClues) -> Option<f64> {
    Some(camera.elevation_rad_from(camera.at_height(body.leg_at, body.leg_height_m)?))
}

fn solved(stripes: &[Stripe], taken: &[Taken], extents: Extents, start: &FloorCamera, body: Option<&BodyClues>) -> Option<LinesFit> {
    let (prior_ln, prior_sd) = focal_prior(start.image_size);
    let lengths_of = |x: &[f64]| Lengths {
        extent_m: [extents.about_m[0] * x[1].exp(), extents.about_m[1] * x[2].exp()],
        line_m: LINE_M * x[0].exp(),
    };
    let residuals = |x: &DVector<f64>| -> DVector<f64> {
        let camera = start.stepped(&x.as_slice()[..PARAMETER_COUNT]);
        let n = &x.as_slice()[PARAMETER_COUNT..];
        let lengths = lengths_of(n);
        let map = line_map(&camera);
        let mut r = Vec::with_capacity(4 * taken.len() + 2 + LENGTHS);
        for t in taken {
            let s = &stripes[t.stripe];
            for k in 0..2 {
                match map.as_ref().and_then(|m| seen_at(m, &lengths, t.side, s, k)) {
                    Some((middle, width)) => {
                        // Far off, a line's place across a stripe runs away; bounded, it still leads back.
                        let bounded = |z: f64| z.clamp(-1e4, 1e4);
                        r.push(bounded(middle / s.middle_sd_px[k]));
                        r.push(bounded((width - s.width_px[k]) / s.width_sd_px[k]));
                    }
                    None => r.extend([1e4, 1e4]),
                }
            }
        }
        r.push((camera.focal_px.ln() - prior_ln) / prior_sd);
        r.push(roll_rad(&camera) / ROLL_SD_RAD);
        r.push(n[0] / LINE_SD);
        r.extend([n[1] / extents.ln_sd, n[2] / extents.ln_sd]);
        if let Some(body) = body {
            match (elevation_rad(&camera, body), ln_size(&camera, body)) {
                (Some(e), Some((ln, sd))) => r.extend([(e - body.elevation_rad) / body.elevation_sd_rad, ln / sd]),
                _ => r.extend([1e4, 1e4]),
            }
        }
        DVector::from_vec(r)
    };
    let mut begin = DVector::zeros(COUNT);
    for k in 0..2 {
        begin[PARAMETER_COUNT + 1 + k] = (extents.start_m[k] / extents.about_m[k]).ln();
    }
    let solution = least_squares::solve(residuals, begin, &Options::default());
    if !solution.cost.is_finite() {
        return None;
    }
    let mut camera = start.stepped(&solution.x.as_slice()[..PARAMETER_COUNT]);
    let lengths = lengths_of(&solution.x.as_slice()[PARAMETER_COUNT..]);
    let height_m = camera.centre().z;
    let finite = camera.focal_px.is_finite() && height_m.is_finite();
    if !finite || height_m < 0.03 || -camera.rotation.column(2).y < 0.3 {
        return None;
    }
    // In front of the camera, and somewhere on the side.
    for t in taken {
        for p in stripes[t.stripe].stations {
            let there = camera.at_height(p, 0.0)?;
            let along = [there.x, there.y][1 - t.side.axis];
            if along.abs() > 0.5 * lengths.extent_m[1 - t.side.axis] + 0.5 {
                return None;
            }
        }
    }
    let covariance = &solution.covariance;
    camera.covariance = CameraCovariance::from_fn(|i, k| covariance[(i, k)]);
    camera.source = FloorSource::Lines;
    let map = line_map(&camera)?;
    let middles: Vec<f64> = taken
        .iter()
        .flat_map(|t| (0..2).map(|k| seen_at(&map, &lengths, t.side, &stripes[t.stripe], k).map_or(1e3, |s| s.0)))
        .collect();
    let residual_px = (middles.iter().map(|m| m * m).sum::<f64>() / middles.len().max(1) as f64).sqrt();
    let mut sds = vec![prior_sd, ROLL_SD_RAD, LINE_SD, extents.ln_sd, extents.ln_sd];
    for t in taken {
        let s = &stripes[t.stripe];
        sds.extend(s.middle_sd_px.iter().chain(&s.width_sd_px));
    }
    let root_two_pi = (2.0 * std::f64::consts::PI).sqrt();
    let area = lengths.extent_m[0] * lengths.extent_m[1];
    let ln_evidence = -0.5 * solution.cost - sds.iter().map(|s| (s * root_two_pi).ln()).sum::<f64>()
        + COUNT as f64 * root_two_pi.ln()
        + 0.5 * ln_determinant(covariance)?
        - (TILT_RANGE_RAD * 2.0 * std::f64::consts::PI).ln()
        - (area * LN_DEPTH_RANGE * height_m).ln();
    Some(LinesFit {
        camera,
        lengths,
        taken: taken.to_vec(),
        cost: solution.cost,
        residual_px,
        ln_evidence,
    })
}

/// `None` where a direction is left free or the matrix is not positive.
fn ln_determinant(covariance: &DMatrix<f64>) -> Option<f64> {
    let cholesky = covariance.clone().cholesky()?;
    let l = cholesky.l();
    let sum: f64 = (0..l.nrows()).map(|i| l[(i, i)].ln()).sum();
    sum.is_finite().then_some(2.0 * sum)
}

/// The same camera in a frame with its origin on the carpet under the image point `under`, axes along the carpet's, with the covariance that goes with it.
///
/// Where the athlete is on the carpet is known much worse than how the carpet is seen at the athlete; in a frame that is tied to the carpet's middle the one would blur the other.
pub fn at_athlete(camera: &FloorCamera, under: ImagePoint) -> Option<FloorCamera> {
    let moved = |c: &FloorCamera| -> Option<FloorCamera> {
        let origin: CarpetPoint = c.at_height(under, 0.0)?;
        Some(FloorCamera {
            translation_m: c.rotation * origin.vector() + c.translation_m,
            ..c.clone()
        })
    };
    let base = moved(camera)?;
    let covariance = camera.propagate(|c| base.step_to(&moved(c).unwrap_or_else(|| base.clone())));
    Some(FloorCamera {
        covariance: CameraCovariance::from_fn(|i, k| covariance[(i, k)]),
        ..base
    })
}
