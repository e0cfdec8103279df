//! The networks in Rust against the outside: the TFLite interpreter's numbers, and the original pipeline's landmarks on a photograph
//! (sources in `tests/data/pose/README.md`).

use opencv::core::{Mat, MatTraitConst, MatTraitConstManual};
use opencv::imgcodecs::{imread, IMREAD_COLOR};
use opencv::imgproc::{cvt_color_def, COLOR_BGR2RGB};
use serde_json::Value;
use shankline::pose::region::Region;
use shankline::pose::track::LANDMARK_COUNT;
use shankline::pose::{FollowOptions, Follower, Networks, People};
use shankline::types::{Frame, RgbImage};
use std::path::{Path, PathBuf};

fn data(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/pose").join(name)
}

fn json(name: &str) -> Value {
    serde_json::from_str(&std::fs::read_to_string(data(name)).unwrap()).unwrap()
}

fn numbers(value: &Value) -> Vec<f64> {
    match value {
        Value::Array(items) => items.iter().flat_map(numbers).collect(),
        other => vec![other.as_f64().unwrap()],
    }
}

fn networks() -> Networks {
    Networks::load(&Path::new(env!("CARGO_MANIFEST_DIR")).join("models")).unwrap()
}

fn picture(name: &str) -> RgbImage {
    let bgr = imread(data(name).to_str().unwrap(), IMREAD_COLOR).unwrap();
    assert!(bgr.cols() > 0, "{name} is missing");
    let mut rgb = Mat::default();
    cvt_color_def(&bgr, &mut rgb, COLOR_BGR2RGB).unwrap();
    RgbImage {
        width: rgb.cols() as usize,
        height: rgb.rows() as usize,
        data: rgb.data_bytes().unwrap().to_vec(),
    }
}

/// The computed picture of `scripts/models/verify.py`.
fn pattern(side: usize) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(side * side * 3);
    for y in 0..side {
        for x in 0..side {
            for c in 0..3 {
                bytes.push(((x * 7 + y * 13 + c * 29 + (x * y) / 64) % 256) as u8);
            }
        }
    }
    bytes
}

fn largest_difference(found: impl IntoIterator<Item = f64>, expected: &[f64]) -> f64 {
    let found: Vec<f64> = found.into_iter().collect();
    assert_eq!(found.len(), expected.len());
    assert!(!expected.is_empty());
    found.iter().zip(expected).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max)
}

/// Source of the numbers: TFLite interpreter. Limits as in `scripts/models/verify.py` (the pattern shows no person, where rounding is amplified).
#[test]
fn detector_matches_the_tflite_interpreter() {
    let cases = json("pose_networks.json")["cases"].clone();
    let mut networks = networks();
    for (name, bytes) in [("pattern", pattern(224)), ("photograph", picture("astronaut_224.png").data)] {
        let case = &cases[format!("person_detector, {name}")];
        let input: Vec<f32> = bytes.iter().map(|&v| f32::from(v) / 127.5 - 1.0).collect();
        let (boxes, logits) = networks.detector.run(&input).unwrap();
        let rows: Vec<usize> = numbers(&case["rows"]).iter().map(|v| *v as usize).collect();
        assert!(rows.len() >= 15);
        let boxes = rows.iter().flat_map(|r| boxes[r * 12..r * 12 + 12].iter().map(|v| f64::from(*v)));
        assert!(largest_difference(boxes, &numbers(&case["boxes"])) < 5e-3, "{name}");
        let logits = rows.iter().map(|r| f64::from(logits[*r]));
        assert!(largest_difference(logits, &numbers(&case["score_logits"])) < 5e-3, "{name}");
    }
}

/// Source of the numbers: TFLite interpreter.
#[test]
fn landmark_network_matches_the_tflite_interpreter() {
    let cases = json("pose_networks.json")["cases"].clone();
    let mut networks = networks();
    for (name, bytes, limit_px) in [
        ("pattern", pattern(256), 1e-2),
        ("photograph", picture("astronaut_256.png").data, 5e-3),
    ] {
        let case = &cases[format!("body_landmarks, {name}")];
        let input: Vec<f32> = bytes.iter().map(|&v| f32::from(v) / 255.0).collect();
        let raw = networks.landmarks.run(&input).unwrap();
        let wide = |v: &[f32]| v.iter().map(|v| f64::from(*v)).collect::<Vec<_>>();
        let points = |flat: &[f64]| flat.chunks(5).flat_map(|r| [r[0], r[1]]).collect::<Vec<_>>();
        let expected = numbers(&case["landmarks"]);
        let found = wide(&raw.landmarks);
        assert!(largest_difference(points(&found), &points(&expected)) < limit_px, "{name}");
        assert!(largest_difference(found, &expected) < 2e-2, "{name}");
        assert!((f64::from(raw.presence) - case["presence"].as_f64().unwrap()).abs() < 1e-4);
        assert!(largest_difference(wide(&raw.world_landmarks_m), &numbers(&case["world_landmarks_m"])) < 2e-4);
        let row: Vec<f64> = (0..39)
            .flat_map(|p| (0..64).step_by(8).map(move |x| p * 4096 + 32 * 64 + x))
            .map(|i| f64::from(raw.heatmap_logits[i]))
            .collect();
        assert!(largest_difference(row, &numbers(&case["heatmap_logits_row_32"])) < 2e-2, "{name}");
    }
}

/// Source of the numbers: PyPI `mediapipe`, the networks' original pipeline, whose points lie half a pixel off ours (its origin is a pixel's centre, the same
/// half that `Region::sample` takes off). Points out of the picture are left out: they are invented.
#[test]
fn photograph_gives_the_original_pipelines_landmarks() {
    let cases = json("pose_pipeline.json")["cases"].clone();
    let mut networks = networks();
    for name in ["astronaut_256", "astronaut_256_leaning"] {
        let image = picture(&format!("{name}.png"));
        let found = networks
            .detector
            .find_in(&image, &Region::whole(image.width, image.height))
            .unwrap();
        assert_eq!(found.len(), 1, "{name}");
        let reading = networks.read(&image, &found[0].region()).unwrap();
        assert!(reading.body.presence > 0.9);
        let expected_px = numbers(&cases[name]["landmarks_px"]);
        let expected_m = numbers(&cases[name]["world_m"]);
        let visibility = numbers(&cases[name]["visibility"]);
        let (mut off_px, mut off_m) = (Vec::new(), Vec::new());
        for i in 0..LANDMARK_COUNT {
            let at = reading.body.keypoint_at(i).at;
            let (u, v) = (expected_px[2 * i] + 0.5, expected_px[2 * i + 1] + 0.5);
            if visibility[i] < 0.5 || !(0.0..256.0).contains(&v) {
                continue;
            }
            off_px.push(((at.u - u).hypot(at.v - v), i));
            let world = reading.body.world_m(i);
            off_m.push((0..3).map(|k| (world[k] - expected_m[3 * i + k]).powi(2)).sum::<f64>().sqrt());
            assert!((reading.body.keypoint_at(i).visibility - visibility[i]).abs() < 0.02, "{name} {i}");
        }
        assert!(off_px.len() >= 13, "{name}: only {} points to compare", off_px.len());
        off_px.sort_by(|a, b| a.0.total_cmp(&b.0));
        let median = off_px[off_px.len() / 2].0;
        let largest = off_px[off_px.len() - 1].0;
        let largest_m = off_m.iter().copied().fold(0.0, f64::max);
        println!("{name}: median {median:.3} px, largest {largest:.3} px, world largest {largest_m:.4} m; {off_px:.3?}");
        assert!(median < 0.2 && largest < 3.0, "{name}: {off_px:?}");
        assert!(largest_m < 0.01, "{name}: {largest_m}");
    }
}

#[test]
fn a_still_picture_is_followed_and_an_empty_one_is_not() {
    let step = |image: RgbImage| {
        let mut follower = Follower::new(networks(), FollowOptions::default());
        for index in 0..3u64 {
            let frame = Frame {
                index,
                time_s: index as f64 / 30.0,
                image: image.clone(),
            };
            follower.step(&frame).unwrap();
        }
        follower.finish()
    };
    let person = step(picture("astronaut_256.png"));
    assert_eq!(person.frames.len(), 3);
    assert!(person.frames.iter().all(|f| f.body.is_some()));
    assert!(person.events.is_empty(), "{:?}", person.events);
    let empty = step(RgbImage::filled(320, 180, [120, 130, 110]));
    assert!(empty.frames.iter().all(|f| f.body.is_none()));
    assert_eq!(empty.events.len(), 1);
}
