//! Tracks of simulated repetitions: exact landmarks of `fixtures/repetitions` (made by `scripts/scenes/make_repetitions.py`), seen by a camera, with errors as the general
//! network makes them.
//!
//! The errors' sizes were measured on the rendered clips of `fixtures/clips` (general network against the projected landmarks, over five clips): what a landmark is off by
//! changes slowly (10–25 mm for the legs, 20–30 mm for the trunk, 25–60 mm for fingers), and 1–4 mm change from frame to frame at rest, more in fast motion (95 % of all
//! steps: under 15 mm). Depths relative to the hips were not measured; their errors are assumed.
#![allow(dead_code)]

use nalgebra::{Matrix3, Vector3};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use serde::Deserialize;
use shankline::floor::camera::CameraCovariance;
use shankline::floor::FloorCamera;
use shankline::hold::Span;
use shankline::outcome::FloorSource;
use shankline::phases::Floor;
use shankline::pose::track::{Body, LegReading, PoseFrame, Track, LEG_POINT_NAMES};
use shankline::types::{CarpetPoint, Covariance2, ImagePoint, Keypoint, Leg, STATION_COUNT};
use std::collections::BTreeMap;
use std::path::Path;

/// What is true of an event; times in real seconds.
#[derive(Debug, Clone, Deserialize)]
pub struct TrueEvent {
    pub kind: String,
    pub start_s: f64,
    pub end_s: f64,
    #[serde(default)]
    pub size: f64,
    pub limb: String,
}

/// What is true of a repetition; times in real seconds.
#[derive(Debug, Clone, Deserialize)]
pub struct Truth {
    pub kneeling_leg: Leg,
    pub stature_m: f64,
    pub shank_m: f64,
    pub rate: f64,
    pub landmarks: Vec<usize>,
    pub events: Vec<TrueEvent>,
    pub take_off_s: Option<f64>,
    pub contact_s: Option<BTreeMap<String, f64>>,
    pub turn_deg: Option<f64>,
    pub stance_s: Option<[f64; 2]>,
    #[serde(default)]
    pub rest_s: Option<f64>,
    pub leave_s: Option<f64>,
    pub still: bool,
    pub jump: bool,
    pub knee_down: bool,
}

impl Truth {
    /// Time between first contacts, seconds.
    pub fn gap_s(&self) -> Option<f64> {
        let c = self.contact_s.as_ref()?;
        Some((c["left"] - c["right"]).abs())
    }

    /// First contact, seconds.
    pub fn first_contact_s(&self) -> Option<f64> {
        self.contact_s.as_ref().map(|c| c["left"].min(c["right"]))
    }
}

/// A repetition's landmarks and truth.
pub struct Motion {
    pub name: String,
    pub truth: Truth,
    /// One row a time step, one point a kept landmark, metres.
    rows: Vec<Vec<Vector3<f64>>>,
}

impl Motion {
    /// Reads one of `fixtures/repetitions`.
    pub fn read(name: &str) -> Self {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/repetitions");
        let text = std::fs::read_to_string(folder.join(format!("{name}.json"))).expect("the truth lies beside the landmarks");
        let truth: Truth = serde_json::from_str(&text).expect("the truth is JSON");
        let picture = image::open(folder.join(format!("{name}.png")))
            .expect("the landmarks are a PNG")
            .into_luma16();
        let n = truth.landmarks.len();
        let rows = picture
            .rows()
            .map(|row| {
                let mm: Vec<f64> = row.map(|p| (f64::from(p.0[0]) - 32768.0) / 1000.0).collect();
                (0..n).map(|k| Vector3::new(mm[3 * k], mm[3 * k + 1], mm[3 * k + 2])).collect()
            })
            .collect();
        Self {
            name: name.to_string(),
            truth,
            rows,
        }
    }

    /// Names of all motions.
    pub fn names() -> Vec<String> {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/repetitions");
        let mut names: Vec<String> = std::fs::read_dir(folder)
            .expect("repetitions are shipped")
            .filter_map(|e| e.ok()?.file_name().into_string().ok()?.strip_suffix(".png").map(str::to_string))
            .collect();
        names.sort();
        names
    }

    pub fn length_s(&self) -> f64 {
        (self.rows.len() - 1) as f64 / self.truth.rate
    }

    /// All 33 landmarks at a real time; those not kept stand at the nose.
    fn at(&self, time_s: f64) -> Vec<Vector3<f64>> {
        let x = (time_s * self.truth.rate).clamp(0.0, (self.rows.len() - 1) as f64);
        let (i, share) = (x.floor() as usize, x.fract());
        let next = (i + 1).min(self.rows.len() - 1);
        let mut out = vec![Vector3::zeros(); 33];
        for (k, l) in self.truth.landmarks.iter().enumerate() {
            out[*l] = self.rows[i][k] + share * (self.rows[next][k] - self.rows[i][k]);
        }
        for l in 0..33 {
            if !self.truth.landmarks.contains(&l) {
                out[l] = out[0];
            }
        }
        out
    }
}

/// How a repetition is filmed.
#[derive(Debug, Clone, Copy)]
pub struct Filming {
    pub fps: f64,
    /// Share of a frame by which the first frame is late.
    pub phase: f64,
    /// Shown this many times slower.
    pub slower: f64,
    pub elevation_deg: f64,
    pub azimuth_deg: f64,
    pub distance_m: f64,
    pub seed: u64,
    /// Factor on all errors of the landmarks; 0 is exact.
    pub errors: f64,
    /// Whether the floor is known from marks (else: from the body, less well).
    pub marks: bool,
    /// Part of the motion shown, real seconds.
    pub part: Option<(f64, f64)>,
}

impl Filming {
    pub fn plain(fps: f64) -> Self {
        Self {
            fps,
            phase: 0.4,
            slower: 1.0,
            elevation_deg: 8.0,
            azimuth_deg: 20.0,
            distance_m: 5.5,
            seed: 1,
            errors: 1.0,
            marks: true,
            part: None,
        }
    }
}

pub const IMAGE: [usize; 2] = [1920, 1080];

/// The true camera.
fn camera(f: &Filming) -> FloorCamera {
    let (e, a) = (f.elevation_deg.to_radians(), f.azimuth_deg.to_radians());
    let centre = f.distance_m * Vector3::new(e.cos() * a.cos(), e.cos() * a.sin(), e.sin());
    let z = (Vector3::new(0.0, 0.0, 0.85) - centre).normalize();
    let x = z.cross(&Vector3::z()).normalize();
    let y = z.cross(&x);
    let rotation = Matrix3::from_rows(&[x.transpose(), y.transpose(), z.transpose()]);
    FloorCamera {
        image_size: IMAGE,
        focal_px: 275.0 * f.distance_m,
        rotation,
        translation_m: -rotation * centre,
        covariance: CameraCovariance::zeros(),
        source: FloorSource::Marks,
    }
}

/// A value that wanders about zero with standard deviation 1 as the pose changes, smoothly: what a network is off by depends on what it sees, so it hardly changes in a still
/// pose.
struct Wander {
    target: f64,
    value: f64,
}

impl Wander {
    fn new(rng: &mut ChaCha8Rng) -> Self {
        let target = normal(rng);
        Self { target, value: target }
    }

    /// A step of `dt_s` real seconds in which the body's points moved by `moved_m` on average.
    fn step(&mut self, dt_s: f64, moved_m: f64, rng: &mut ChaCha8Rng) -> f64 {
        let keep = (-(dt_s / 4.0 + moved_m / 0.6)).exp();
        self.target = keep * self.target + (1.0 - keep * keep).sqrt() * normal(rng);
        let follow = 1.0 - (-dt_s / 0.06).exp();
        self.value += follow * (self.target - self.value);
        self.value
    }
}

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    Normal::new(0.0, 1.0).expect("a unit normal").sample(rng)
}

/// Slow error of a landmark, metres.
fn slow_sd_m(l: usize) -> f64 {
    match l {
        0..=10 => 0.012,
        11 | 12 => 0.026,
        13..=16 => 0.020,
        17..=22 => 0.038,
        23 | 24 => 0.024,
        25..=28 => 0.014,
        _ => 0.018,
    }
}

/// Stated standard deviation of a landmark as a fraction of the shank, as `pose::accuracy` states it.
fn stated_of_shank(l: usize) -> f64 {
    match l {
        25 | 26 => 0.055,
        27 | 28 => 0.05,
        29 | 30 => 0.065,
        _ => 0.08,
    }
}

/// The camera as the program knows it, for every shot of a track.
pub struct Known(pub FloorCamera, pub f64);

impl Floor for Known {
    fn of(&self, _: (usize, usize), _: Option<&Span>) -> Option<(FloorCamera, f64)> {
        Some((self.0.clone(), self.1))
    }
}

/// Films a motion, beginning at `start_s` in the recording's time; frames are added to `frames`. Returns the camera as known and the shift from real time:
/// recording = start + slower · (real − from).
pub fn film(motion: &Motion, f: &Filming, start_s: f64, frames: &mut Vec<PoseFrame>) -> (Known, impl Fn(f64) -> f64) {
    let mut rng = ChaCha8Rng::seed_from_u64(f.seed);
    let camera = camera(f);
    let truth = &motion.truth;
    let scale = truth.stature_m / 1.70;
    let (from, to) = f.part.unwrap_or((0.0, motion.length_s()));
    let step_real = 1.0 / (f.fps * f.slower);
    let mut slow: Vec<[Wander; 2]> = (0..33).map(|_| [Wander::new(&mut rng), Wander::new(&mut rng)]).collect();
    let mut depth: Vec<Wander> = (0..33).map(|_| Wander::new(&mut rng)).collect();
    let mut size = Wander::new(&mut rng);
    let size_bias = 1.0 + 0.05 * normal(&mut rng) * f.errors;
    // In half of the jumps the network takes the legs for one another for a while, from somewhere in the air until shortly before or after the landing (seen on rendered jumps).
    let swapped = match (truth.take_off_s, truth.first_contact_s()) {
        (Some(off), Some(on)) if f.errors > 0.0 && rng.random::<f64>() < 0.5 => Some((
            off + (0.3 + 0.5 * rng.random::<f64>()) * (on - off),
            on + 0.08 * (2.0 * rng.random::<f64>() - 1.0),
        )),
        _ => None,
    };
    let mut before: Option<Vec<ImagePoint>> = None;
    let mut real = from + f.phase * step_real;
    while real <= to {
        let points = motion.at(real);
        let in_camera: Vec<Vector3<f64>> = points.iter().map(|p| camera.rotation * p + camera.translation_m).collect();
        let hips = 0.5 * (in_camera[23] + in_camera[24]);
        let m_per_px = hips.z / camera.focal_px;
        let exact: Vec<ImagePoint> = points
            .iter()
            .map(|p| camera.project(CarpetPoint::from(*p)).expect("in front of the camera"))
            .collect();
        let shank_px = truth.shank_m / m_per_px;
        let mut keypoints = Vec::new();
        let mut world_m = Vec::new();
        let pace = before.as_ref().map_or(0.0, |b| {
            let kept = &truth.landmarks;
            kept.iter().map(|l| b[*l].distance_px(exact[*l]) * m_per_px).sum::<f64>() / kept.len() as f64
        });
        for l in 0..33 {
            let moved = before.as_ref().map_or(0.0, |b| b[l].distance_px(exact[l]) * m_per_px);
            let jitter = 0.0025 + (0.10 * moved).min(0.022);
            let stray = if rng.random::<f64>() < 0.004 { 0.12 } else { 0.0 };
            let mut off = [0.0; 2];
            for k in 0..2 {
                off[k] = slow_sd_m(l) * slow[l][k].step(step_real, pace, &mut rng) + (jitter + stray) * normal(&mut rng);
            }
            let deep = 0.05 * depth[l].step(step_real, pace, &mut rng) + 0.015 * normal(&mut rng);
            let e = f.errors;
            keypoints.push(Keypoint {
                at: ImagePoint::new(exact[l].u + e * off[0] / m_per_px, exact[l].v + e * off[1] / m_per_px),
                covariance: Covariance2::isotropic(stated_of_shank(l) * shank_px),
                visibility: 0.9,
            });
            let rel = (in_camera[l] - hips) / scale;
            world_m.push([rel.x + e * off[0], rel.y + e * off[1], rel.z + e * deep]);
        }
        if swapped.is_some_and(|(a, b)| real >= a && real <= b) {
            for l in [25, 27, 29, 31] {
                keypoints.swap(l, l + 1);
                world_m.swap(l, l + 1);
            }
        }
        let wobble = 1.0 + 0.025 * f.errors * size.step(step_real, pace, &mut rng);
        let in_stance = truth.stance_s.is_some_and(|[a, b]| real >= a && real <= b);
        frames.push(PoseFrame {
            index: frames.len() as u64,
            time_s: start_s + f.slower * (real - from),
            body: Some(Body::new(&keypoints, &world_m, 0.99, scale / m_per_px * wobble * size_bias)),
            lower_leg: Some(Box::new(reading(
                truth.kneeling_leg,
                if in_stance { 0.95 } else { 0.05 },
                f.elevation_deg,
            ))),
        });
        before = Some(exact);
        real += step_real;
    }
    // What the program knows of the camera: off by little with marks, by more without.
    let (tilt, zoom) = if f.marks { (0.25, 0.006) } else { (1.5, 0.05) };
    let mut known = camera.clone();
    let e = f.errors;
    known = known.stepped(&[0.0, (tilt * e * normal(&mut rng)).to_radians(), 0.0, 0.0, 0.0, 0.0, 0.0]);
    known.translation_m *= 1.0 + zoom * e * normal(&mut rng);
    // The stance stands near the origin: the known camera puts that point on the carpet.
    if let Some(seen) = camera.project(CarpetPoint::new(0.0, 0.0, 0.0)) {
        if let Some(p) = known.at_height(seen, 0.0) {
            known.translation_m += known.rotation * Vector3::new(p.x, p.y, 0.0);
        }
    }
    let t = known.translation_m;
    for i in 0..3 {
        for k in 0..3 {
            known.covariance[(4 + i, 4 + k)] = (zoom * e).powi(2) * t[i] * t[k];
        }
    }
    let slower = f.slower;
    (
        Known(known, truth.shank_m * if f.marks { 1.0 } else { 1.0 + 0.04 * normal(&mut rng) }),
        move |real_s: f64| start_s + slower * (real_s - from),
    )
}

/// One filmed motion as a track.
pub fn track(motion: &Motion, f: &Filming) -> (Track, Known, impl Fn(f64) -> f64) {
    let mut frames = Vec::new();
    let (known, clock) = film(motion, f, 0.0, &mut frames);
    (
        Track {
            image_size: IMAGE,
            frames,
            events: Vec::new(),
            cuts_s: Vec::new(),
            camera_motion: shankline::camera_motion::CameraMotion::default(),
        },
        known,
        clock,
    )
}

fn reading(leg: Leg, present: f64, elevation_deg: f64) -> LegReading {
    LegReading {
        leg,
        leg_confidence: 0.97,
        present,
        points: vec![
            Keypoint {
                at: ImagePoint::new(0.0, 0.0),
                covariance: Covariance2::isotropic(5.0),
                visibility: 0.9,
            };
            LEG_POINT_NAMES.len()
        ],
        gap_fraction: [0.0; STATION_COUNT],
        gap_sd_fraction: [0.01; STATION_COUNT],
        gap_correlation: std::array::from_fn(|i| std::array::from_fn(|k| if i == k { 1.0 } else { 0.0 })),
        elevation_rad: elevation_deg.to_radians(),
        elevation_sd_rad: 0.03,
        azimuth_rad: 1.5,
        shank_px: 110.0,
        shank_log_sd: 0.03,
    }
}
