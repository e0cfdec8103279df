//! A still against a moving camera, on the shipped clips: what registration costs in millimetres. Prints the tables of `docs/bench-moving.md`.
//!
//!     cargo run --release --example measure_moving -- FOLDER [CLIPS]     # virtual cameras over the first CLIPS shipped clips
//!     cargo run --release --example measure_moving -- FOLDER rendered    # the rendered moving clips, checked whole
//!
//! FOLDER keeps the networks' readings of each clip (made on the first run). A virtual camera then turns and zooms over the clip's frames by known homographies `K₁ R K₂⁻¹`; the frames
//! are warped and registered as in a check, the readings are carried through the same homographies, and the whole judgement runs on what the registration made of it. So the tables
//! show the registration's own part. The networks on truly moving pictures: the rendered clips of `fixtures/moving_clips`.

use nalgebra::{Matrix3, Rotation3, Vector3};
use opencv::core::{Mat, Scalar, Size, BORDER_REPLICATE};
use opencv::imgproc::{warp_perspective, INTER_LINEAR};
use opencv::prelude::*;
use serde_json::Value;
use shankline::camera_motion::path::intrinsic;
use shankline::camera_motion::registered::map_frame;
use shankline::camera_motion::{plane, CameraWatcher, Registered};
use shankline::check::run::{fit_marks, judge_track, made_by};
use shankline::check::{check_recording, CarpetUse, CheckOptions, Eyes, LegChoice, SheetUse};
use shankline::clip::{Clip, OpenOptions};
use shankline::floor::marks::{FloorFile, Mark};
use shankline::outcome::{Call, InputKind, InputReport, Outcome};
use shankline::pose::models::default_folder;
use shankline::pose::track::Track;
use shankline::rules::RuleProfile;
use shankline::types::{ImagePoint, RgbImage, Station};
use shankline::{Error, Result};
use std::path::{Path, PathBuf};

const CLIPS: [&str; 6] = ["heel30-low", "clean-high", "calf60-low", "clean-low", "heel30-high", "calf60-high"];

/// Turn about the camera's axes (radians) and zoom at a time (s).
type Motion = fn(f64) -> ([f64; 3], f64);

const MOTIONS: [(&str, Motion); 6] = [
    ("tripod", |_| ([0.0; 3], 1.0)),
    ("hand, 0.3°", |t| {
        (
            [
                0.002 * (4.0 * t).sin(),
                0.005 * (3.0 * t).sin() + 0.0007 * (44.0 * t).sin(),
                0.004 * (5.0 * t).sin(),
            ],
            1.0,
        )
    }),
    ("hand, 1.5°", |t| {
        (
            [
                0.010 * (4.0 * t).sin(),
                0.026 * (3.0 * t).sin() + 0.0015 * (44.0 * t).sin(),
                0.015 * (5.0 * t).sin(),
            ],
            1.0,
        )
    }),
    ("pan 6°/s and back", |t| ([0.0, 0.07 * (1.5 * t).sin(), 0.0], 1.0)),
    ("tilt 2°/s", |t| ([0.035 * (1.0 * t).sin(), 0.0, 0.0], 1.0)),
    ("zoom 1 to 1.3", |t| ([0.0; 3], 1.0 + 0.1 * t)),
];

/// Cut off on every side, so that the turned camera sees no border; as shares of the frame.
const MARGIN: f64 = 0.08;

fn fixtures() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures")
}

fn read_json(path: &Path) -> Result<Value> {
    let text = std::fs::read_to_string(path).map_err(|e| Error::input(format!("{} cannot be read ({e}).", path.display())))?;
    serde_json::from_str(&text).map_err(|e| Error::input(format!("{} is no JSON ({e}).", path.display())))
}

fn options(truth: &Value, floor: Option<FloorFile>) -> CheckOptions {
    CheckOptions {
        floor,
        stature_m: truth["stature_m"].as_f64(),
        leg: LegChoice::Auto,
        rules: RuleProfile::shipped(),
        athlete: None,
        sheet: SheetUse::Find(None),
        carpet: CarpetUse::Ignore,
    }
}

/// True gaps beyond the natural hollow, mean over the hold, mm.
fn true_gaps(truth: &Value, rules: &RuleProfile) -> [f64; 6] {
    let hold = [
        truth["hold_s"][0].as_f64().unwrap_or(0.0),
        truth["hold_s"][1].as_f64().unwrap_or(1e9),
    ];
    let rows: Vec<&Value> = truth["frames"]
        .as_array()
        .map(|f| {
            f.iter()
                .filter(|r| r["time_s"].as_f64().is_some_and(|t| t >= hold[0] && t <= hold[1]))
                .collect()
        })
        .unwrap_or_default();
    Station::ALL.map(|s| {
        let sum: f64 = rows.iter().filter_map(|r| r["gap_mm"][s.key()].as_f64()).sum();
        sum / rows.len().max(1) as f64 - rules.hollow.mean_mm[s.index()]
    })
}

/// The networks' readings of a clip, from FOLDER or made anew.
fn readings(folder: &Path, name: &str, eyes: &mut Option<Eyes>) -> Result<Track> {
    let kept = folder.join(format!("{name}.track.json"));
    if let Ok(text) = std::fs::read_to_string(&kept) {
        if let Ok(track) = serde_json::from_str(&text) {
            return Ok(track);
        }
    }
    let clip = fixtures().join("clips").join(format!("{name}.mp4"));
    let truth = read_json(&clip.with_extension("truth.json"))?;
    if eyes.is_none() {
        *eyes = Some(Eyes::open(&default_folder()?)?);
    }
    let Some(eyes) = eyes.as_mut() else {
        return Err(Error::ours("no networks"));
    };
    let floor = FloorFile::read(&clip.with_extension("floor.json"))?;
    let track = check_recording(&clip, &options(&truth, Some(floor)), eyes, &mut |_, _| {})?.track;
    let text = serde_json::to_string(&track).map_err(|e| Error::ours(e.to_string()))?;
    std::fs::write(&kept, text).map_err(|e| Error::input(format!("{} cannot be written ({e}).", kept.display())))?;
    Ok(track)
}

fn pictures(name: &str) -> Result<Vec<RgbImage>> {
    let mut clip = Clip::open(&fixtures().join("clips").join(format!("{name}.mp4")), &OpenOptions::default())?;
    let mut out = Vec::new();
    while let Some(frame) = clip.next_frame()? {
        out.push(frame.image);
    }
    Ok(out)
}

/// The clip's frame as the virtual camera sees it: homography clip → virtual frame, px.
fn seen_by(size: [usize; 2], focal_px: f64, motion: Motion, time_s: f64) -> (Matrix3<f64>, Matrix3<f64>) {
    let (turn, zoom) = motion(time_s);
    let rotation = Rotation3::new(Vector3::from(turn)).into_inner();
    let [mu, mv] = [MARGIN * size[0] as f64, MARGIN * size[1] as f64].map(f64::round);
    let crop = Matrix3::new(1.0, 0.0, -mu, 0.0, 1.0, -mv, 0.0, 0.0, 1.0);
    let h = intrinsic(size, focal_px * zoom) * rotation * intrinsic(size, focal_px).try_inverse().unwrap_or_else(Matrix3::identity);
    (crop * h, rotation)
}

fn warped(image: &RgbImage, h: &Matrix3<f64>, size: [usize; 2]) -> opencv::Result<RgbImage> {
    let half = Matrix3::new(1.0, 0.0, -0.5, 0.0, 1.0, -0.5, 0.0, 0.0, 1.0);
    let m = half * h * half.try_inverse().unwrap_or_else(Matrix3::identity);
    let rows: Vec<[f64; 3]> = (0..3).map(|i| [m[(i, 0)], m[(i, 1)], m[(i, 2)]]).collect();
    let flat = Mat::from_slice(&image.data)?;
    let source = flat.reshape(3, image.height as i32)?;
    let mut out = Mat::default();
    let shape = Size::new(size[0] as i32, size[1] as i32);
    warp_perspective(
        &source,
        &mut out,
        &Mat::from_slice_2d(&rows)?,
        shape,
        INTER_LINEAR,
        BORDER_REPLICATE,
        Scalar::default(),
    )?;
    Ok(RgbImage {
        width: size[0],
        height: size[1],
        data: out.data_bytes()?.to_vec(),
    })
}

/// What one run adds to its motion's row.
#[derive(Default)]
struct Row {
    errors: Vec<f64>,
    sds: Vec<f64>,
    against_tripod: Vec<f64>,
    told: usize,
    wrong: usize,
    findings: usize,
    floor_unknown: usize,
    registration: Vec<f64>,
    miss: Vec<f64>,
    late: Vec<f64>,
    ms: Vec<f64>,
}

impl Row {
    fn add(&mut self, outcome: &Outcome, truth: &[f64; 6], tripod: Option<&[f64; 6]>, rules: &RuleProfile) -> Option<[f64; 6]> {
        self.floor_unknown += usize::from(
            outcome
                .not_judged
                .iter()
                .any(|n| n.reason == shankline::outcome::NotJudgedReason::FloorUnknown),
        );
        let hold = outcome.holds.first()?;
        for g in &hold.gaps {
            self.errors.push(g.gap_mm - truth[g.station.index()]);
            self.sds.push(g.sd_mm);
            if let Some(t) = tripod {
                self.against_tripod.push(g.gap_mm - t[g.station.index()]);
            }
        }
        for (finding, rule) in hold.findings.iter().zip(&rules.checks) {
            let fault = rule.stations.iter().any(|s| truth[s.index()] > rule.tolerance_mm);
            self.findings += 1;
            self.told += usize::from(finding.call != Call::CannotTell);
            self.wrong += usize::from((finding.call == Call::Suspected && !fault) || (finding.call == Call::Clear && fault));
        }
        let mut gaps = [0.0; 6];
        hold.gaps.iter().for_each(|g| gaps[g.station.index()] = g.gap_mm);
        Some(gaps)
    }
}

fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|v| v * v).sum::<f64>() / values.len().max(1) as f64).sqrt()
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(f64::NAN)
}

fn input(size: [usize; 2]) -> InputReport {
    InputReport {
        path: String::new(),
        kind: InputKind::Video,
        width: size[0],
        height: size[1],
        duration_s: 0.0,
        frames_read: 0,
        frames_expected: None,
        warnings: Vec::new(),
        camera_motion: None,
    }
}

/// One virtual camera over one clip, its frames played forwards and backwards until `seconds` are over.
fn over(
    name: &str,
    images: &[RgbImage],
    track: &Track,
    motion: Motion,
    seconds: Option<f64>,
    row: &mut Row,
) -> Result<(Outcome, [f64; 6])> {
    let truth = read_json(&fixtures().join("clips").join(format!("{name}.truth.json")))?;
    let focal_px = truth["camera"]["focal_px"].as_f64().unwrap_or(1000.0);
    let full = [images[0].width, images[0].height];
    let size = full.map(|s| s - 2 * (MARGIN * s as f64).round() as usize);
    let cv = |e: opencv::Error| Error::ours(e.to_string());
    let count = seconds.map_or(images.len(), |s| (s * 30.0) as usize);
    let shown = |k: usize| {
        let lap = k % (2 * images.len() - 2);
        if lap < images.len() {
            lap
        } else {
            2 * images.len() - 2 - lap
        }
    };
    let mut watcher = CameraWatcher::new();
    let mut moved = track.clone();
    moved.image_size = size;
    moved.frames.clear();
    moved.events.clear();
    let mut maps = Vec::new();
    let mut spent = 0.0;
    for k in 0..count {
        let time_s = k as f64 / 30.0;
        let (h, rotation) = seen_by(full, focal_px, motion, time_s);
        let image = warped(&images[shown(k)], &h, size).map_err(cv)?;
        let mut frame = map_frame(&h, &rotation, &track.frames[shown(k)]).unwrap_or_else(|| track.frames[shown(k)].clone());
        frame.time_s = time_s;
        frame.index = k as u64;
        let start = std::time::Instant::now();
        watcher.step(&image, frame.body.as_ref(), time_s, false)?;
        spent += start.elapsed().as_secs_f64();
        moved.frames.push(frame);
        maps.push(h);
    }
    row.ms.push(1000.0 * spent / count as f64);
    moved.camera_motion = watcher.finish()?;
    // The marks as read from the virtual camera's first frame.
    let mut floor = FloorFile::read(&fixtures().join("clips").join(format!("{name}.floor.json")))?;
    floor.image_size = size;
    floor.marks = floor
        .marks
        .iter()
        .filter_map(|m| {
            let p = plane::apply(&maps[0], ImagePoint::new(m.image[0], m.image[1]))?;
            Some(Mark {
                image: [p.u, p.v],
                carpet_m: m.carpet_m,
            })
        })
        .collect();
    let options = options(&truth, Some(floor));
    let marks = fit_marks(&options, size[0], size[1])?;
    // Registration against the truth at the ankles.
    let registered = Registered::new(&moved, marks.as_ref().map(|m| (m.camera.focal_px, 0.0)));
    for k in 1..count {
        let at = moved.frames[k]
            .body
            .as_ref()
            .map(|b| b.at(shankline::pose::track::Landmark::LeftAnkle));
        let true_map = maps[k].try_inverse().map(|back| maps[0] * back);
        if let (Some(at), Some(true_map), Some(path)) = (at, true_map, registered.moving(k)) {
            if let (Some(pose), Some(h)) = (path.pose(k), path.between(k, path.first)) {
                if let (Some(a), Some(b)) = (plane::apply(&h, at), plane::apply(&true_map, at)) {
                    row.registration.push(a.distance_px(b));
                    row.miss.push(pose.miss_px);
                    if k + 15 >= count {
                        row.late.push(a.distance_px(b));
                    }
                }
            }
        }
    }
    let (outcome, _) = judge_track(&moved, input(size), marks.as_ref(), &options, made_by(&[], &options.rules));
    Ok((outcome, true_gaps(&truth, &options.rules)))
}

fn main() -> Result<()> {
    let folder = PathBuf::from(
        std::env::args_os()
            .nth(1)
            .ok_or_else(|| Error::input("Give a folder to keep the readings in."))?,
    );
    let what = std::env::args().nth(2);
    if what.as_deref() == Some("rendered") {
        return rendered(&RuleProfile::shipped());
    }
    let clips = what.and_then(|n| n.parse().ok()).unwrap_or(CLIPS.len()).min(CLIPS.len());
    std::fs::create_dir_all(&folder).map_err(|e| Error::input(format!("{} cannot be made ({e}).", folder.display())))?;
    let rules = RuleProfile::shipped();
    let mut eyes = None;
    let mut rows: Vec<Row> = MOTIONS.iter().map(|_| Row::default()).collect();
    let mut drift: Vec<(f64, Row)> = [2.0, 5.0, 10.0].map(|s| (s, Row::default())).into();
    for name in CLIPS.into_iter().take(clips) {
        let track = readings(&folder, name, &mut eyes)?;
        let images = pictures(name)?;
        let mut tripod = None;
        for ((_, motion), row) in MOTIONS.iter().zip(&mut rows) {
            let (outcome, truth) = over(name, &images, &track, *motion, None, row)?;
            let gaps = row.add(&outcome, &truth, tripod.as_ref(), &rules);
            tripod = tripod.or(gaps);
        }
        if name.starts_with("heel") {
            for (seconds, row) in &mut drift {
                over(name, &images, &track, MOTIONS[2].1, Some(*seconds), row)?;
            }
        }
        eprintln!("{name} done");
    }
    println!("| camera | gap error, mm (rms) | stated sd, mm (rms) | change against the tripod, mm (rms) | findings told | wrong | floor unknown | registration error at the ankle, px (median, worst) | stated miss, px (median) | ms a frame |");
    println!("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |");
    for ((words, _), row) in MOTIONS.iter().zip(&rows) {
        let worst = row.registration.iter().copied().fold(0.0, f64::max);
        println!(
            "| {words} | {:.1} | {:.1} | {:.1} | {} of {} | {} | {} | {:.2}, {worst:.2} | {:.2} | {:.1} |",
            rms(&row.errors),
            rms(&row.sds),
            rms(&row.against_tripod),
            row.told,
            row.findings,
            row.wrong,
            row.floor_unknown,
            median(&row.registration),
            median(&row.miss),
            median(&row.ms)
        );
    }
    println!("\n| after, s | registration error at the ankle over the last half second, px (median) |\n| --- | --- |");
    for (seconds, row) in &drift {
        println!("| {seconds:.0} | {:.2} |", median(&row.late));
    }
    Ok(())
}

/// The rendered moving clips, checked whole.
fn rendered(rules: &RuleProfile) -> Result<()> {
    let mut eyes = Eyes::open(&default_folder()?)?;
    println!("\n| rendered clip | floor | camera | call | worst gap, mm (truth) | gap error, mm (rms) | stated sd, mm (rms) |\n| --- | --- | --- | --- | --- | --- | --- |");
    for name in ["sway", "pan", "walk"] {
        let clip = fixtures().join("moving_clips").join(format!("{name}.mp4"));
        let truth = read_json(&clip.with_extension("truth.json"))?;
        for marks in [true, false] {
            let floor = if marks {
                Some(FloorFile::read(&clip.with_extension("floor.json"))?)
            } else {
                None
            };
            let outcome = check_recording(&clip, &options(&truth, floor), &mut eyes, &mut |_, _| {})?.outcome;
            let gaps = true_gaps(&truth, rules);
            let mut row = Row::default();
            row.add(&outcome, &gaps, None, rules);
            let call = outcome.holds.first().map_or_else(
                || {
                    outcome
                        .not_judged
                        .iter()
                        .map(|n| format!("{:?}", n.reason))
                        .collect::<Vec<_>>()
                        .join(", ")
                },
                |h| h.call.words().to_string(),
            );
            let camera = outcome
                .input
                .camera_motion
                .as_ref()
                .map_or_else(String::new, |c| format!("{:?}", c.state));
            let worst = outcome
                .holds
                .first()
                .and_then(|h| h.gaps.iter().map(|g| g.gap_mm).reduce(f64::max))
                .unwrap_or(f64::NAN);
            println!(
                "| {name} | {} | {camera} | {call} | {worst:.0} ({:.0}) | {:.1} | {:.1} |",
                if marks { "marks" } else { "body" },
                gaps.iter().copied().fold(f64::MIN, f64::max),
                rms(&row.errors),
                rms(&row.sds)
            );
            for n in &outcome.not_judged {
                eprintln!("{name}: {}", n.detail);
            }
            for w in &outcome.input.warnings {
                eprintln!("{name}: {w}");
            }
        }
    }
    Ok(())
}
