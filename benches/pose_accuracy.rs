//! Measures the general network's points on rendered stills with known truth, and whether their covariances are honest:
//! `cargo bench --bench pose_accuracy [-- FOLDER]`.
//!
//! The stills come from `scripts/models/make_pose_stills.py` (folder `.data/pose_stills`). Rendered bodies are not people: a hint, not a proof.

use nalgebra::Vector2;
use opencv::core::{Mat, MatTraitConst, MatTraitConstManual};
use opencv::imgcodecs::{imread, IMREAD_COLOR};
use opencv::imgproc::{cvt_color_def, COLOR_BGR2RGB};
use serde::Deserialize;
use shankline::pose::stance::Lowness;
use shankline::pose::track::{Body, Landmark};
use shankline::pose::{FollowOptions, Follower, Networks};
use shankline::types::{Frame, ImagePoint, RgbImage};
use std::path::{Path, PathBuf};

#[derive(Deserialize)]
struct Truth {
    pictures: Vec<Picture>,
}

#[derive(Deserialize)]
struct Picture {
    file: String,
    kind: String,
    elevation_deg: f64,
    kneeling_leg: String,
    shank_m: f64,
    px_per_m: f64,
    landmarks_px: Vec<[f64; 2]>,
}

/// One landmark of one picture.
struct Miss {
    /// Distance as a fraction of the shank's apparent length.
    of_shank: f64,
    /// Squared distance in the units of its own covariance: 1.386 in the median and 5.99 at 95 % if honest (χ², two degrees of freedom).
    mahalanobis2: f64,
    visible: bool,
}

fn read(path: &Path) -> RgbImage {
    let bgr = imread(path, IMREAD_COLOR).expect("a readable picture");
    assert!(bgr.rows() > 0, "{} cannot be read", path.display());
    let mut rgb = Mat::default();
    cvt_color_def(&bgr, &mut rgb, COLOR_BGR2RGB).expect("colours");
    RgbImage {
        width: rgb.cols() as usize,
        height: rgb.rows() as usize,
        data: rgb.data_bytes().expect("pixels").to_vec(),
    }
}

fn at(picture: &Picture, landmark: usize) -> ImagePoint {
    ImagePoint::new(picture.landmarks_px[landmark][0], picture.landmarks_px[landmark][1])
}

fn miss(body: &Body, picture: &Picture, landmark: usize) -> Miss {
    let point = body.keypoint_at(landmark);
    let truth = at(picture, landmark);
    let off = Vector2::new(point.at.u - truth.u, point.at.v - truth.v);
    let precision = point.covariance.matrix().try_inverse().expect("a covariance that can be inverted");
    Miss {
        of_shank: off.norm() / (picture.shank_m * picture.px_per_m),
        mahalanobis2: (off.transpose() * precision * off)[0],
        visible: point.visibility > 0.5,
    }
}

fn quantile(values: &mut [f64], share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    values
        .get(((values.len() as f64 - 1.0) * share).round() as usize)
        .copied()
        .unwrap_or(f64::NAN)
}

/// Whether the legs fit the truth better with left and right exchanged.
fn swapped(body: &Body, picture: &Picture) -> bool {
    let pairs = [25, 27, 29, 31];
    let cost = |exchange: bool| -> f64 {
        pairs
            .iter()
            .flat_map(|l| [(*l, l + usize::from(exchange)), (l + 1, l + 1 - usize::from(exchange))])
            .map(|(found, truth)| body.keypoint_at(found).at.distance_px(at(picture, truth)))
            .sum()
    };
    cost(true) < 0.8 * cost(false)
}

fn row(name: &str, misses: &[&Miss]) {
    let mut of_shank: Vec<f64> = misses.iter().map(|m| m.of_shank).collect();
    let mut mahalanobis2: Vec<f64> = misses.iter().map(|m| m.mahalanobis2).collect();
    let covered = |limit: f64| 100.0 * misses.iter().filter(|m| m.mahalanobis2 < limit).count() as f64 / misses.len().max(1) as f64;
    println!(
        "{name:28} {:4} points  median {:5.1} %  90th {:5.1} % of the shank; squared, in its covariance: median {:5.2} (1.39 if honest); 68 % region holds {:3.0} %, 95 % region {:3.0} %",
        misses.len(),
        100.0 * quantile(&mut of_shank, 0.5),
        100.0 * quantile(&mut of_shank, 0.9),
        quantile(&mut mahalanobis2, 0.5),
        covered(2.28),
        covered(5.99)
    );
}

fn main() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let folder = std::env::args()
        .skip(1)
        .find(|a| !a.starts_with("--"))
        .map_or_else(|| root.join(".data/pose_stills"), PathBuf::from);
    let Ok(text) = std::fs::read_to_string(folder.join("truth.json")) else {
        println!(
            "{} holds no truth.json; make it with scripts/models/make_pose_stills.py",
            folder.display()
        );
        return;
    };
    let truth: Truth = serde_json::from_str(&text).expect("truth.json as make_pose_stills.py writes it");
    let mut networks = Networks::load(&root.join("models")).expect("the networks");
    let (mut missed, mut swaps, mut low_right, mut low_wrong, mut stances) = (Vec::new(), Vec::new(), 0, 0, 0);
    let mut scale_ratio = Vec::new();
    let mut heights = [(Vec::new(), Vec::new()), (Vec::new(), Vec::new())];
    let mut per_landmark: Vec<Vec<Miss>> = (0..33).map(|_| Vec::new()).collect();
    let mut kneeling: Vec<(f64, usize, Miss)> = Vec::new();
    for picture in &truth.pictures {
        let frame = Frame {
            index: 0,
            time_s: 0.0,
            image: read(&folder.join(&picture.file)),
        };
        let mut follower = Follower::new(&mut networks, FollowOptions::default());
        let Some(body) = follower.step(&frame).expect("the follower").body else {
            missed.push(format!("{} ({}, {:.0}°)", picture.file, picture.kind, picture.elevation_deg));
            continue;
        };
        let is_stance = picture.kind == "stance";
        stances += usize::from(is_stance);
        let lowness = Lowness::of(&body);
        low_right += usize::from(is_stance && lowness.is_low());
        low_wrong += usize::from(!is_stance && lowness.is_low());
        heights[usize::from(is_stance)].0.push(lowness.hips_m);
        heights[usize::from(is_stance)].1.push(lowness.shank_rise);
        scale_ratio.push(body.px_per_m / picture.px_per_m);
        if swapped(&body, picture) {
            swaps.push(format!("{} ({}, {:.0}°)", picture.file, picture.kind, picture.elevation_deg));
            continue;
        }
        for (landmark, misses) in per_landmark.iter_mut().enumerate() {
            misses.push(miss(&body, picture, landmark));
        }
        if is_stance {
            let first = usize::from(picture.kneeling_leg == "right");
            for (part, left) in [25, 27, 29, 31].into_iter().enumerate() {
                kneeling.push((picture.elevation_deg, part, miss(&body, picture, left + first)));
            }
        }
    }
    println!(
        "{} pictures; nobody found in {}: {}",
        truth.pictures.len(),
        missed.len(),
        missed.join(", ")
    );
    println!("left and right legs exchanged in {}: {}", swaps.len(), swaps.join(", "));
    println!(
        "{low_right} of {stances} bodies in the stance seen as low, and {low_wrong} of {} others",
        scale_ratio.len() - stances
    );
    for ((hips, knee), word) in heights.iter_mut().zip(["other", "stance"]) {
        println!(
            "  {word}: hips at 5th {:.2}, median {:.2}, 95th {:.2} m; rise of the flatter shank 5th {:.2}, median {:.2}, 95th {:.2}",
            quantile(hips, 0.05),
            quantile(hips, 0.5),
            quantile(hips, 0.95),
            quantile(knee, 0.05),
            quantile(knee, 0.5),
            quantile(knee, 0.95)
        );
    }
    println!(
        "apparent size over the true one: 5th {:.2}, median {:.2}, 95th {:.2}",
        quantile(&mut scale_ratio, 0.05),
        quantile(&mut scale_ratio, 0.5),
        quantile(&mut scale_ratio, 0.95)
    );
    for (name, landmarks) in [
        ("shoulders", [Landmark::LeftShoulder, Landmark::RightShoulder]),
        ("hips", [Landmark::LeftHip, Landmark::RightHip]),
        ("knees", [Landmark::LeftKnee, Landmark::RightKnee]),
        ("ankles", [Landmark::LeftAnkle, Landmark::RightAnkle]),
        ("heels", [Landmark::LeftHeel, Landmark::RightHeel]),
        ("toes", [Landmark::LeftToe, Landmark::RightToe]),
    ] {
        for (word, visible) in [("seen", true), ("hidden", false)] {
            let misses: Vec<&Miss> = landmarks
                .iter()
                .flat_map(|l| &per_landmark[*l as usize])
                .filter(|m| m.visible == visible)
                .collect();
            row(&format!("{name}, {word}"), &misses);
        }
    }
    for (part, name) in ["knee", "ankle", "heel", "toe"].into_iter().enumerate() {
        for (low, high) in [(0.0, 10.0), (10.0, 25.0), (25.0, 90.0)] {
            let misses: Vec<&Miss> = kneeling
                .iter()
                .filter(|(e, p, _)| *p == part && *e >= low && *e < high)
                .map(|k| &k.2)
                .collect();
            row(&format!("kneeling {name}, {low:.0}–{high:.0}°"), &misses);
        }
    }
}
