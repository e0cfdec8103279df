//! Runs the whole check over rendered stills with known gaps and prints one JSON text a still and floor: `shankline bench --measured` makes the tables.
//!
//!     cargo run --release --example measure_stills -- FOLDER > measured.jsonl
//!
//! FOLDER holds NAME.jpg, NAME.truth.json and NAME.floor.json (`scripts/bench/make_stills.py`).

use serde_json::{json, Value};
use shankline::check::{check_recording, CarpetUse, CheckOptions, Eyes, LegChoice, SheetUse};
use shankline::floor::marks::FloorFile;
use shankline::leg::profile::GapProfile;
use shankline::pose::models::default_folder;
use shankline::rules::RuleProfile;
use std::path::PathBuf;

fn profile(p: &GapProfile) -> Value {
    let sd: Vec<f64> = (0..6).map(|i| p.covariance_mm2[(i, i)].max(0.0).sqrt()).collect();
    let covariance: Vec<Vec<f64>> = (0..6).map(|i| (0..6).map(|k| p.covariance_mm2[(i, k)]).collect()).collect();
    json!({"gap_mm": p.gap_mm.as_slice(), "sd_mm": sd, "covariance_mm2": covariance})
}

/// The athlete meant, pointed at as a user would among several people (neighbours may be in the stance too): the kneeling knee, as fractions of the frame.
fn athlete_of(truth: &Value) -> Option<[f64; 2]> {
    let number = |v: &Value| v.as_f64();
    let knee = &truth["points_px"][0];
    let size = &truth["image_size"];
    Some([number(&knee[0])? / number(&size[0])?, number(&knee[1])? / number(&size[1])?])
}

fn main() -> shankline::Result<()> {
    let folder = PathBuf::from(std::env::args_os().nth(1).unwrap_or_default());
    let mut pictures: Vec<PathBuf> = std::fs::read_dir(&folder)
        .map_err(|e| shankline::Error::input(format!("{} cannot be read ({e}); give a folder of stills.", folder.display())))?
        .filter_map(|e| e.ok().map(|e| e.path()))
        .filter(|p| p.extension().is_some_and(|e| e == "jpg"))
        .collect();
    pictures.sort();
    let mut eyes = Eyes::open(&default_folder()?)?;
    for picture in pictures {
        let name = picture.file_stem().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let truth: Value = std::fs::read(picture.with_extension("truth.json"))
            .ok()
            .and_then(|t| serde_json::from_slice(&t).ok())
            .unwrap_or_default();
        let floor_file = FloorFile::read(&picture.with_extension("floor.json"));
        for (floor, stature_m) in [
            ("marks", truth["stature_m"].as_f64()),
            ("body", truth["stature_m"].as_f64()),
            ("body_only", None),
        ] {
            let options = CheckOptions {
                floor: if floor == "marks" {
                    floor_file.as_ref().ok().cloned()
                } else {
                    None
                },
                stature_m,
                leg: LegChoice::Auto,
                rules: RuleProfile::shipped(),
                athlete: athlete_of(&truth),
                sheet: SheetUse::Find(None),
                carpet: CarpetUse::Ignore,
            };
            if floor == "marks" && options.floor.is_none() {
                continue;
            }
            let line = match check_recording(&picture, &options, &mut eyes, &mut |_, _| {}) {
                Ok(checked) => {
                    let hold = checked.outcome.holds.first();
                    let reading = checked.track.frames.first().and_then(|f| f.lower_leg.as_ref());
                    json!({
                        "name": name, "floor": floor, "truth": truth,
                        "hold": hold.map(|h| { let mut h = h.clone(); h.frames.clear(); h }),
                        "floor_report": {"elevation_deg": checked.outcome.floor.camera_elevation_deg, "elevation_sd_deg": checked.outcome.floor.camera_elevation_sd_deg},
                        "not_judged": checked.outcome.not_judged,
                        "geometry": checked.parts.first().and_then(|p| p.geometry.as_ref()).map(profile),
                        "picture": checked.parts.first().map(|p| profile(&p.picture)),
                        "points": reading.map(|r| r.points.clone()),
                        "reading": reading,
                        "present": reading.map(|r| r.present),
                        "body": checked.track.frames.first().and_then(|f| f.body.as_ref()).map(|b| b.keypoints().skip(23).collect::<Vec<_>>()),
                    })
                }
                Err(e) => json!({"name": name, "floor": floor, "truth": truth, "error": e.to_string()}),
            };
            println!("{line}");
        }
    }
    Ok(())
}
