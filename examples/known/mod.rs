//! Pictures whose camera and gaps are known, for the measurements of floors: reading them, and what a floor's camera is off by.

use serde_json::Value;
use shankline::check::{CarpetUse, CheckOptions, Checked, LegChoice, SheetUse};
use shankline::floor::camera::{CameraCovariance, FloorCamera};
use shankline::floor::marks::FloorFile;
use shankline::outcome::FloorSource;
use shankline::rules::RuleProfile;
use std::path::{Path, PathBuf};

/// A number of the truth; not a number where it is missing.
pub fn number(v: &Value) -> f64 {
    v.as_f64().unwrap_or(f64::NAN)
}

/// The middle of the finite values, the upper of two.
pub fn median(mut values: Vec<f64>) -> f64 {
    values.retain(|v| v.is_finite());
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}

/// A folder's pictures (NAME.jpg), by name.
pub fn pictures(folder: &Path) -> shankline::Result<Vec<PathBuf>> {
    let mut pictures: Vec<PathBuf> = std::fs::read_dir(folder)
        .map_err(|e| shankline::Error::input(format!("{} cannot be read ({e}); give folders of pictures.", folder.display())))?
        .filter_map(|e| e.ok().map(|e| e.path()))
        .filter(|p| p.extension().is_some_and(|e| e == "jpg"))
        .collect();
    pictures.sort();
    Ok(pictures)
}

/// What NAME.truth.json says.
pub fn truth_of(picture: &Path) -> Value {
    std::fs::read(picture.with_extension("truth.json"))
        .ok()
        .and_then(|t| serde_json::from_slice(&t).ok())
        .unwrap_or_default()
}

/// The true camera.
pub fn true_camera(truth: &Value) -> FloorCamera {
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

/// A check with the true stature and the athlete pointed at, on the marks where they are asked for (then `None` where there are none) or with these clues to the floor.
pub fn options(picture: &Path, truth: &Value, marks: bool, sheet: SheetUse, carpet: CarpetUse) -> Option<CheckOptions> {
    let floor = if marks {
        Some(FloorFile::read(&picture.with_extension("floor.json")).ok()?)
    } else {
        None
    };
    let knee = &truth["points_px"][0];
    Some(CheckOptions {
        floor,
        stature_m: truth["stature_m"].as_f64(),
        leg: LegChoice::Auto,
        rules: RuleProfile::shipped(),
        athlete: Some([0, 1].map(|k| (number(&knee[k]) / number(&truth["image_size"][k])).clamp(0.0, 1.0))),
        sheet,
        carpet,
    })
}

/// Error and stated standard deviation of elevation (degrees), ln camera height, ln focal length, heel gap (mm); `None` where nothing was judged.
pub fn errors(checked: &Checked, truth: &Value) -> Option<[(f64, f64); 4]> {
    let (hold, camera) = (checked.outcome.holds.first()?, &checked.parts.first()?.camera);
    let report = &checked.outcome.floor;
    // What is reported is the elevation seen from where the leg's middle meets the carpet: the same for the true camera.
    let exact = true_camera(truth);
    let elevation_there = exact
        .at_height(hold.best_frame.crop_centre, 0.0)
        .map_or(f64::NAN, |p| exact.elevation_rad_from(p).to_degrees());
    let heel = &hold.gaps[5];
    let value = |v: Option<f64>| v.unwrap_or(f64::NAN);
    Some([
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
    ])
}

/// A table's cells for these errors: of each the median of the absolute (lengths in per cent), and how many of the 95 % intervals hold the truth.
pub fn cells(errors: &[[(f64, f64); 4]]) -> String {
    [1.0, 100.0, 100.0, 1.0]
        .into_iter()
        .enumerate()
        .map(|(k, scale)| {
            let off = median(errors.iter().map(|e| scale * e[k].0.abs()).collect());
            let held = errors.iter().filter(|e| e[k].0.abs() < 1.96 * e[k].1).count();
            format!(" {off:.1} | {held} of {} |", errors.len())
        })
        .collect()
}
