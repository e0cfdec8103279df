//! The keypoint bench: exact projection of measured poses, pixel noise, and the program's own geometry and rules. No pictures, no networks.

use crate::bench::case::{Answer, Case};
use crate::bench::poses::{Half, Pose};
use crate::bench::view::{self, View};
use crate::check::size;
use crate::error::{Error, Result};
use crate::floor::body::{self, BodyClues};
use crate::floor::FloorCamera;
use crate::leg::fit::{LegProblem, LegView, Observation};
use crate::leg::shape::{LegShape, POINT_COUNT, STATION_POINTS};
use crate::numerics::threads;
use crate::rules::{judge, RuleProfile};
use crate::types::{Covariance2, ImagePoint};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use serde::{Deserialize, Serialize};

/// Where the floor comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "snake_case")]
pub enum Floor {
    /// Marks on the carpet, read with the same noise as the points; stature known.
    Marks,
    /// The body; stature known.
    Body,
    /// The body; stature not known.
    BodyOnly,
}

impl Floor {
    /// The name used in files.
    pub const fn key(self) -> &'static str {
        match self {
            Floor::Marks => "marks",
            Floor::Body => "body",
            Floor::BodyOnly => "body_only",
        }
    }
}

/// What to run.
#[derive(Debug, Clone, PartialEq)]
pub struct Options {
    /// How many cases.
    pub cases: usize,
    /// Standard deviation of the points' noise in u and v, px.
    pub noise_px: f64,
    /// Where the floor comes from.
    pub floor: Floor,
    /// Which bodies.
    pub half: Half,
    /// Seed of all that is drawn; the same seed gives the same cases whatever the number of threads.
    pub seed: u64,
    /// Threads.
    pub threads: usize,
}

/// Error of the elevation read off a picture, degrees, for the body floor. On the 51 stills of `docs/bench-stills.md` the network's elevation scattered by about 4 degrees
/// (1.48 × the median absolute error; outliers left aside).
pub const ELEVATION_NOISE_DEG: f64 = 4.0;

/// Relative error of the shank's apparent size read off a picture, for the body floor (our choice, about what the network states).
pub const SIZE_NOISE: f64 = 0.05;

/// Runs the bench.
///
/// # Errors
/// [`Error::Input`] where there are no poses of that half.
pub fn run(poses: &[Pose], options: &Options, shape: &LegShape, rules: &RuleProfile) -> Result<Vec<Case>> {
    let poses: Vec<&Pose> = poses.iter().filter(|p| p.half == options.half).collect();
    if poses.is_empty() {
        return Err(Error::input(
            "There are no poses of that half; make them with scripts/bench/make_poses.py.",
        ));
    }
    threads::in_order(options.cases, options.threads, "bench", |k| {
        one(poses[k % poses.len()], k, options, shape, rules)
    })
}

/// One case: number `index` draws its camera and noise from its own random stream.
fn one(pose: &Pose, index: usize, options: &Options, shape: &LegShape, rules: &RuleProfile) -> Case {
    let mut rng = ChaCha8Rng::seed_from_u64(options.seed);
    rng.set_stream(index as u64);
    let class = rng.random_range(0..view::ELEVATIONS_DEG.len());
    let view = view::draw(&mut rng, pose, class);
    let points = observe(&mut rng, pose, &view, options.noise_px);
    let answer = points.and_then(|points| {
        let shank = size::from_stature((options.floor != Floor::BodyOnly).then_some(pose.stature_m));
        let camera = floor_camera(&mut rng, &view, &points, options, shank, shape)?;
        let observations = observations(&points, options.noise_px);
        let fit = LegProblem {
            views: &[LegView::new(&camera, &observations)],
            shape,
            leg: pose.leg,
            shank_m: shank.mean_m,
            shank_sd_m: shank.sd_m,
        }
        .solve()?;
        Some(Answer::of(&judge::judge(&fit.profile, rules), &pose.gap_mm, rules))
    });
    Case {
        floor: options.floor.key().to_string(),
        elevation_deg: view.elevation_deg,
        azimuth_deg: view.azimuth_deg,
        shank_px: view.shank_px,
        clothing: None,
        answer,
    }
}

/// The points as the fit takes them.
pub(crate) fn observations(points: &[ImagePoint; POINT_COUNT], noise_px: f64) -> Vec<Observation> {
    points
        .iter()
        .enumerate()
        .map(|(p, at)| Observation {
            of: vec![(p, 1.0)],
            at: *at,
            covariance: Covariance2::isotropic(noise_px.max(0.05)),
        })
        .collect()
}

/// The leg's points as seen, with noise.
pub(crate) fn observe(rng: &mut impl Rng, pose: &Pose, view: &View, noise_px: f64) -> Option<[ImagePoint; POINT_COUNT]> {
    let mut seen = [ImagePoint::new(0.0, 0.0); POINT_COUNT];
    for (at, point) in seen.iter_mut().zip(&pose.points) {
        let exact = view.camera.project(*point)?;
        let (a, b): (f64, f64) = (StandardNormal.sample(rng), StandardNormal.sample(rng));
        *at = ImagePoint::new(exact.u + noise_px * a, exact.v + noise_px * b);
    }
    Some(seen)
}

/// The floor as the program would find it from this view.
pub(crate) fn floor_camera(
    rng: &mut impl Rng,
    view: &View,
    points: &[ImagePoint; POINT_COUNT],
    options: &Options,
    shank: size::ShankLength,
    shape: &LegShape,
) -> Option<FloorCamera> {
    if options.floor == Floor::Marks {
        return view::draw_marks(rng, view, options.noise_px)?.fit().ok().map(|fit| fit.camera);
    }
    let (a, b): (f64, f64) = (StandardNormal.sample(rng), StandardNormal.sample(rng));
    let (height, height_sd) = shape.middle_height();
    let clues = BodyClues {
        leg_height_m: height * shank.mean_m,
        leg_height_sd_m: height_sd * shank.mean_m,
        leg_at: points[STATION_POINTS[0]].towards(points[STATION_POINTS[5]], 0.5),
        shank_px: view.shank_px * (SIZE_NOISE * a).exp(),
        shank_log_sd: SIZE_NOISE,
        shank_m: shank.mean_m,
        shank_sd_m: shank.sd_m,
        elevation_rad: (view.elevation_deg + ELEVATION_NOISE_DEG * b).max(0.5).to_radians(),
        elevation_sd_rad: ELEVATION_NOISE_DEG.to_radians(),
    };
    Some(body::fit(view.camera.image_size, &clues))
}
