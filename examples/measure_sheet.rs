//! Puts rendered pictures with a printed sheet, true camera and gaps known, through the whole program with each floor (sheet, marks, body) and prints the tables of
//! `docs/bench-sheet.md`.
//!
//!     cargo run --release --example measure_sheet -- FOLDER > tables.md
//!
//! FOLDER holds NAME.jpg, NAME.truth.json and NAME.floor.json (`scripts/bench/make_sheet_pictures.py`).

use serde_json::Value;
use shankline::check::{check_recording, CarpetUse, CheckOptions, Eyes, LegChoice, SheetUse};
use shankline::floor::camera::{CameraCovariance, FloorCamera};
use shankline::floor::marks::FloorFile;
use shankline::outcome::FloorSource;
use shankline::pose::models::default_folder;
use shankline::rules::RuleProfile;
use std::path::PathBuf;

/// What one floor gave for one picture.
struct Row {
    floor: &'static str,
    elevation_deg: f64,
    /// Error and stated standard deviation of elevation (degrees), ln camera height, ln focal length, heel gap (mm).
    errors: Vec<(f64, f64)>,
    heel_sd_of_geometry_mm: f64,
    markers: usize,
}

fn median(mut values: Vec<f64>) -> f64 {
    values.retain(|v| v.is_finite());
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}

fn true_camera(truth: &Value) -> FloorCamera {
    let number = |v: &Value| v.as_f64().unwrap_or(f64::NAN);
    let camera = &truth["camera"];
    FloorCamera {
        image_size: [0, 1].map(|k| number(&truth["image_size"][k]) as usize),
        focal_px: number(&truth["focal_px"]),
        rotation: nalgebra::Matrix3::from_fn(|i, k| number(&camera["rotation"][i][k])),
        translation_m: nalgebra::Vector3::from_fn(|i, _| number(&camera["translation_m"][i])),
        covariance: CameraCovariance::zeros(),
        source: FloorSource::None,
    }
}

fn main() -> shankline::Result<()> {
    let folder = PathBuf::from(std::env::args_os().nth(1).unwrap_or_default());
    let mut pictures: Vec<PathBuf> = std::fs::read_dir(&folder)
        .map_err(|e| shankline::Error::input(format!("{} cannot be read ({e}); give a folder of pictures.", folder.display())))?
        .filter_map(|e| e.ok().map(|e| e.path()))
        .filter(|p| p.extension().is_some_and(|e| e == "jpg"))
        .collect();
    pictures.sort();
    let mut eyes = Eyes::open(&default_folder()?)?;
    let mut rows = Vec::new();
    let mut seen = Vec::new();
    for picture in &pictures {
        let truth: Value = std::fs::read(picture.with_extension("truth.json"))
            .ok()
            .and_then(|t| serde_json::from_slice(&t).ok())
            .unwrap_or_default();
        let number = |v: &Value| v.as_f64().unwrap_or(f64::NAN);
        let knee = &truth["points_px"][0];
        let athlete = [
            (number(&knee[0]) / number(&truth["image_size"][0])).clamp(0.0, 1.0),
            (number(&knee[1]) / number(&truth["image_size"][1])).clamp(0.0, 1.0),
        ];
        for floor in ["sheet", "marks", "body"] {
            let options = CheckOptions {
                floor: if floor == "marks" {
                    FloorFile::read(&picture.with_extension("floor.json")).ok()
                } else {
                    None
                },
                stature_m: truth["stature_m"].as_f64(),
                leg: LegChoice::Auto,
                rules: RuleProfile::shipped(),
                athlete: Some(athlete),
                sheet: if floor == "sheet" { SheetUse::Find(None) } else { SheetUse::Ignore },
                carpet: CarpetUse::Ignore,
            };
            if floor == "marks" && options.floor.is_none() {
                continue;
            }
            let Ok(checked) = check_recording(picture, &options, &mut eyes, &mut |_, _| {}) else {
                continue;
            };
            let report = &checked.outcome.floor;
            let elevation = number(&truth["elevation_deg"]);
            if floor == "sheet" {
                let markers = report.sheet.as_ref().map_or(0, |s| s.markers);
                seen.push((elevation, markers));
                eprintln!(
                    "{}: {elevation:.0}°, {markers} markers, floor {:?}, {}",
                    picture.file_stem().map_or_else(String::new, |n| n.to_string_lossy().into_owned()),
                    report.source,
                    report.notes.first().map_or("", |n| n.as_str())
                );
                if report.source != FloorSource::Sheet {
                    continue;
                }
            }
            let (Some(hold), Some(parts)) = (checked.outcome.holds.first(), checked.parts.first()) else {
                continue;
            };
            let camera: &FloorCamera = &parts.camera;
            // What is reported is the elevation seen from where the leg's middle meets the carpet: the same for the true camera.
            let exact = true_camera(&truth);
            let elevation_there = exact
                .at_height(hold.best_frame.crop_centre, 0.0)
                .map_or(f64::NAN, |p| exact.elevation_rad_from(p).to_degrees());
            let heel = &hold.gaps[5];
            let value = |v: Option<f64>| v.unwrap_or(f64::NAN);
            rows.push(Row {
                floor,
                elevation_deg: elevation,
                errors: vec![
                    (
                        value(report.camera_elevation_deg) - elevation_there,
                        value(report.camera_elevation_sd_deg),
                    ),
                    (
                        (camera.centre().z / number(&truth["height_m"])).ln(),
                        camera.sd_of(|c| c.centre().z.abs().max(1e-3).ln()),
                    ),
                    (
                        (camera.focal_px / number(&truth["focal_px"])).ln(),
                        camera.sd_of(|c| c.focal_px.ln()),
                    ),
                    (heel.gap_mm + heel.natural_hollow_mm - number(&truth["gap_mm"]["heel"]), heel.sd_mm),
                ],
                heel_sd_of_geometry_mm: parts
                    .geometry
                    .as_ref()
                    .map_or(f64::NAN, |g| g.sd_mm(shankline::types::Station::Heel)),
                markers: report.sheet.as_ref().map_or(0, |s| s.markers),
            });
        }
    }
    let classes = [("under 14°", 0.0, 14.0), ("14–22°", 14.0, 22.0), ("22° and over", 22.0, 91.0)];
    println!("| camera over the carpet | pictures | sheet used | markers measured (median of used) |\n| --- | --- | --- | --- |");
    for (name, low, high) in classes {
        let here: Vec<usize> = seen.iter().filter(|s| s.0 >= low && s.0 < high).map(|s| s.1).collect();
        let used: Vec<f64> = here.iter().filter(|m| **m > 0).map(|m| *m as f64).collect();
        println!("| {name} | {} | {} | {:.0} |", here.len(), used.len(), median(used.clone()));
    }
    println!("\nErrors: median of absolute, then how many of the 95 % intervals hold the truth.\n");
    println!("| camera over the carpet | floor | pictures | elevation, ° | | camera height, % | | focal length, % | | heel gap, mm | | heel sd of the geometry, mm | heel sd, mm |");
    println!("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |");
    for (name, low, high) in classes {
        for floor in ["sheet", "marks", "body"] {
            let here: Vec<&Row> = rows
                .iter()
                .filter(|r| r.floor == floor && r.elevation_deg >= low && r.elevation_deg < high)
                .collect();
            let mut line = format!("| {name} | {floor} | {} |", here.len());
            for (k, scale) in [1.0, 100.0, 100.0, 1.0].into_iter().enumerate() {
                let off = median(here.iter().map(|r| scale * r.errors[k].0.abs()).collect());
                let held = here.iter().filter(|r| r.errors[k].0.abs() < 1.96 * r.errors[k].1).count();
                line += &format!(" {off:.1} | {held} of {} |", here.len());
            }
            line += &format!(
                " {:.0} | {:.1} |",
                median(here.iter().map(|r| r.heel_sd_of_geometry_mm).collect()),
                median(here.iter().map(|r| r.errors[3].1).collect())
            );
            println!("{line}");
        }
    }
    let few = rows.iter().filter(|r| r.floor == "sheet" && r.markers < 4).count();
    println!("\nWith fewer than four markers: {few} pictures.");
    Ok(())
}
