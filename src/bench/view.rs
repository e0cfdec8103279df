//! Cameras about a kneeling leg: phones, camcorders and zooms at 2 to 50 degrees, all round, 1.5 to 15 m away.

use crate::bench::poses::Pose;
use crate::floor::camera::{CameraCovariance, FloorCamera};
use crate::floor::marks::{FloorFile, Mark};
use crate::leg::shape::STATION_POINTS;
use crate::outcome::FloorSource;
use crate::types::CarpetPoint;
use nalgebra::{Matrix3, Rotation3, Vector3};
use rand::Rng;
use rand_distr::{Distribution, StandardNormal};

/// The true camera and how it stands to the leg.
#[derive(Debug, Clone)]
pub struct View {
    /// The camera without error.
    pub camera: FloorCamera,
    /// Elevation over the carpet seen from the leg's middle, degrees.
    pub elevation_deg: f64,
    /// Azimuth about the vertical relative to the shank (knee to ankle), degrees in (−180, 180]; ±90 is square to the shin.
    pub azimuth_deg: f64,
    /// Distance to the leg's middle, metres.
    pub distance_m: f64,
    /// Apparent length of one shank length at the leg's depth, px.
    pub shank_px: f64,
}

/// Horizontal field of view along the frame's longer side, degrees, and how often the lens is drawn (common practice, no source): a phone's main camera, its tele lens,
/// its wide lens, a camcorder, a long zoom.
const LENSES: [([f64; 2], f64); 5] = [
    ([58.0, 72.0], 0.45),
    ([22.0, 40.0], 0.15),
    ([85.0, 105.0], 0.07),
    ([12.0, 50.0], 0.20),
    ([4.0, 14.0], 0.13),
];

/// Frame sizes, 720p to 4K.
const FRAMES: [[usize; 2]; 5] = [[1280, 720], [1920, 1080], [1920, 1080], [2704, 1520], [3840, 2160]];

/// Elevations of the three classes, degrees.
pub const ELEVATIONS_DEG: [[f64; 2]; 3] = [[2.0, 10.0], [10.0, 25.0], [25.0, 50.0]];

/// Draws a camera of one elevation class ([`ELEVATIONS_DEG`]) that has the whole athlete in frame, at least 90 px tall.
pub fn draw(rng: &mut impl Rng, pose: &Pose, class: usize) -> View {
    let middle = leg_middle(pose);
    let heading = heading_rad(pose);
    loop {
        let [low, high] = ELEVATIONS_DEG[class];
        let elevation = rng.random_range(low..high).to_radians();
        let azimuth: f64 = rng.random_range(0.0..std::f64::consts::TAU);
        let distance_m = rng.random_range(1.5_f64.ln()..15.0_f64.ln()).exp();
        let centre = middle + distance_m * Vector3::new(elevation.cos() * azimuth.cos(), elevation.cos() * azimuth.sin(), elevation.sin());
        let mut normal = || -> f64 { StandardNormal.sample(rng) };
        // The operator aims at the athlete's body, not at the leg.
        let aim = Vector3::new(0.0, 0.0, 0.25 * pose.stature_m) + 0.02 * distance_m * Vector3::new(normal(), normal(), normal());
        let roll = (1.5 * normal()).to_radians();
        let mut size = FRAMES[rng.random_range(0..FRAMES.len())];
        let [narrow, wide] = lens(rng.random_range(0.0..1.0));
        let field = rng.random_range(narrow..wide).to_radians();
        let focal_px = 0.5 * size[0] as f64 / (0.5 * field).tan();
        if rng.random_range(0.0..1.0) < 0.3 {
            size.reverse();
        }
        let camera = looking(centre, aim, roll, focal_px, size);
        if !shows_the_athlete(&camera, pose.stature_m) {
            continue;
        }
        let mut azimuth_deg = (azimuth - heading).to_degrees().rem_euclid(360.0);
        if azimuth_deg > 180.0 {
            azimuth_deg -= 360.0;
        }
        let shank_px = camera.focal_px / camera.depth_m(middle.into()) * pose.shank_m;
        return View {
            camera,
            elevation_deg: elevation.to_degrees(),
            azimuth_deg,
            distance_m,
            shank_px,
        };
    }
}

fn lens(draw: f64) -> [f64; 2] {
    let mut left = draw;
    for (field, share) in LENSES {
        left -= share;
        if left < 0.0 {
            return field;
        }
    }
    LENSES[0].0
}

fn leg_middle(pose: &Pose) -> Vector3<f64> {
    0.5 * (pose.points[STATION_POINTS[0]].vector() + pose.points[STATION_POINTS[5]].vector())
}

/// Heading of the shank, knee joint to between the ankle's sides, radians.
fn heading_rad(pose: &Pose) -> f64 {
    let d = 0.5 * (pose.points[5].vector() + pose.points[6].vector()) - pose.points[0].vector();
    d.y.atan2(d.x)
}

/// A camera at `centre` that looks at `aim`, both in the carpet frame, metres.
pub(crate) fn looking(centre: Vector3<f64>, aim: Vector3<f64>, roll_rad: f64, focal_px: f64, image_size: [usize; 2]) -> FloorCamera {
    let forward = (aim - centre).normalize();
    let right = forward.cross(&Vector3::z()).normalize();
    let level = Matrix3::from_rows(&[right.transpose(), forward.cross(&right).transpose(), forward.transpose()]);
    let rotation = Rotation3::from_axis_angle(&Vector3::z_axis(), roll_rad).into_inner() * level;
    FloorCamera {
        image_size,
        focal_px,
        rotation,
        translation_m: -rotation * centre,
        covariance: CameraCovariance::zeros(),
        source: FloorSource::Marks,
    }
}

/// Whether a box about the crouching athlete (0.6 of the stature high, 0.35 to each side) is in frame and at least 90 px tall.
pub(crate) fn shows_the_athlete(camera: &FloorCamera, stature_m: f64) -> bool {
    let (half, top) = (0.35 * stature_m, 0.6 * stature_m);
    let [w, h] = camera.image_size.map(|s| s as f64);
    let (mut highest, mut lowest) = (f64::INFINITY, f64::NEG_INFINITY);
    for corner in 0..8 {
        let side = |bit: i32| if corner & bit == 0 { -half } else { half };
        let at = CarpetPoint::new(side(1), side(2), if corner & 4 == 0 { 0.0 } else { top });
        if camera.depth_m(at) < 0.4 {
            return false;
        }
        match camera.project(at) {
            Some(p) if p.u > 0.0 && p.u < w && p.v > 0.0 && p.v < h => {
                highest = highest.min(p.v);
                lowest = lowest.max(p.v);
            }
            _ => return false,
        }
    }
    lowest - highest > 90.0
}

/// Six marks on a rectangle's corners and long sides near the leg (half sides 0.4 to 1.2 m), read with `noise_px`; those far outside the frame are left out.
///
/// `None` where fewer than four are left.
pub fn draw_marks(rng: &mut impl Rng, view: &View, noise_px: f64) -> Option<FloorFile> {
    let mut normal = || -> f64 { StandardNormal.sample(rng) };
    let at = [0.3 * normal(), 0.3 * normal()];
    let noise: Vec<[f64; 2]> = (0..6).map(|_| [noise_px * normal(), noise_px * normal()]).collect();
    let (sin, cos) = rng.random_range(0.0..std::f64::consts::TAU).sin_cos();
    let half: [f64; 2] = [rng.random_range(0.4..1.2), rng.random_range(0.4..1.2)];
    let [w, h] = view.camera.image_size.map(|s| s as f64);
    let marks: Vec<Mark> = [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0), (0.0, -1.0), (0.0, 1.0)]
        .iter()
        .zip(&noise)
        .filter_map(|((a, b), n)| {
            let (x, y) = (a * half[0], b * half[1]);
            let carpet = [at[0] + x * cos - y * sin, at[1] + x * sin + y * cos];
            let place = CarpetPoint::new(carpet[0], carpet[1], 0.0);
            if view.camera.depth_m(place) < 0.2 {
                return None;
            }
            let p = view.camera.project(place)?;
            (p.u > -0.4 * w && p.u < 1.4 * w && p.v > -0.4 * h && p.v < 1.4 * h).then_some(Mark {
                image: [p.u + n[0], p.v + n[1]],
                carpet_m: carpet,
            })
        })
        .collect();
    (marks.len() >= 4).then_some(FloorFile {
        image_size: view.camera.image_size,
        marks,
        focal_px: None,
        sigma_px: Some(noise_px.max(0.05)),
        time_s: None,
    })
}
