//! `shankline floor`: a floor file from marks, and a picture to see that it is right.

use crate::check::lines;
use crate::check::run::follow_photograph;
use crate::check::Eyes;
use crate::cli::arguments::{FloorArguments, LegArgument};
use crate::cli::print;
use crate::clip;
use crate::error::{Error, Result};
use crate::floor::lines::CarpetSize;
use crate::floor::marks::{FloorFile, DEFAULT_SIGMA_PX};
use crate::floor::sheet::fit::Print;
use crate::floor::FloorCamera;
use crate::report;
use crate::types::{CarpetPoint, ImagePoint, RgbImage};
use std::fmt::Write as _;
use std::path::Path;

/// Runs the command.
///
/// # Errors
/// [`Error::Input`] where the marks or the recording cannot be used.
pub fn run(arguments: &FloorArguments) -> Result<()> {
    let image = frame(&arguments.input, arguments.at)?;
    if let Some(carpet) = arguments.carpet_lines {
        return from_lines(&image, carpet, arguments);
    }
    if arguments.marks.is_empty() && arguments.floor.is_none() {
        return from_sheet(&image, arguments);
    }
    let mut file = match &arguments.floor {
        Some(path) => FloorFile::read(path)?,
        None => FloorFile {
            image_size: [image.width, image.height],
            marks: Vec::new(),
            focal_px: None,
            sigma_px: None,
            time_s: None,
        },
    };
    if file.image_size != [image.width, image.height] {
        return Err(Error::input(format!(
            "The floor file is for {}×{} frames and this recording's upright frames are {}×{}; mark the floor on a frame of this recording.",
            file.image_size[0], file.image_size[1], image.width, image.height
        )));
    }
    file.marks.extend(&arguments.marks);
    file.focal_px = arguments.focal.or(file.focal_px);
    file.sigma_px = arguments.sigma.or(file.sigma_px);
    if !arguments.marks.is_empty() && !clip::is_photograph(&arguments.input)? {
        file.time_s = Some(arguments.at);
    }
    let fit = file.fit().map_err(|e| Error::input(format!("These marks cannot be used: {e}")))?;

    let camera = &fit.camera;
    let n = file.marks.len() as f64;
    let middle = file.marks.iter().fold(CarpetPoint::new(0.0, 0.0, 0.0), |m, k| {
        CarpetPoint::new(m.x + k.carpet_m[0] / n, m.y + k.carpet_m[1] / n, 0.0)
    });
    let mut out = String::new();
    for (k, (m, r)) in file.marks.iter().zip(&fit.residual_px).enumerate() {
        let _ = writeln!(
            out,
            "mark {}: carpet ({} m, {} m), misses by {r:.1} px",
            k + 1,
            m.carpet_m[0],
            m.carpet_m[1]
        );
    }
    write_camera(&mut out, camera, middle, "camera elevation", [1, 2, 2, 0]);
    for note in &fit.notes {
        let _ = writeln!(out, "note: {note}");
    }
    if let Some(path) = &arguments.draw {
        let grid = camera.grid(middle, 2.0);
        let marks: Vec<ImagePoint> = file.marks.iter().map(|m| ImagePoint::new(m.image[0], m.image[1])).collect();
        report::write_whole(path, &report::floor_png(&image, &grid, &marks)?)?;
        let _ = writeln!(out, "grid drawn: {}", path.display());
    }
    if let Some(path) = &arguments.write {
        file.sigma_px.get_or_insert(DEFAULT_SIGMA_PX);
        let text = serde_json::to_string_pretty(&file).map_err(|e| Error::ours(e.to_string()))?;
        report::write_whole(path, (text + "\n").as_bytes())?;
        let _ = writeln!(out, "floor file: {}", path.display());
    }
    print(&out, true)
}

/// Without marks: the floor from the printed sheet in the frame.
fn from_sheet(image: &RgbImage, arguments: &FloorArguments) -> Result<()> {
    if arguments.write.is_some() {
        return Err(Error::input(
            "A floor file holds marks: give some with --mark. A printed sheet needs no file, check finds it by itself.",
        ));
    }
    let sheet = crate::check::sheet::in_photograph(image, Print::of_line(None))?;
    let Some(placement) = sheet.placements.first() else {
        return Err(Error::input(match crate::check::sheet::too_little(&sheet) {
            Some(sentence) => sentence,
            None => "No marks were given and no printed sheet was found in this frame; give four marks or more with --mark, or another time with --at.".to_string(),
        }));
    };
    let camera = &placement.fit.camera;
    let origin = CarpetPoint::new(0.0, 0.0, 0.0);
    let mut out = format!(
        "printed sheet: {} markers, corners within {:.2} px of the fit (at {:.1} times what they claim)\n",
        placement.found.len(),
        placement.fit.residual_px,
        placement.fit.misfit.sqrt()
    );
    write_camera(&mut out, camera, origin, "camera elevation", [2; 4]);
    if let Some(path) = &arguments.draw {
        let corners: Vec<ImagePoint> = placement.found.iter().flat_map(|f| f.aligned.corners).collect();
        report::write_whole(path, &report::floor_png(image, &camera.grid(origin, 2.0), &corners)?)?;
        let _ = writeln!(out, "grid drawn: {}", path.display());
    }
    print(&out, true)
}

/// The carpet's own lines in the frame, as `check --carpet-lines` would take them, whether it would use them or not.
fn from_lines(image: &RgbImage, carpet: CarpetSize, arguments: &FloorArguments) -> Result<()> {
    let mut eyes = Eyes::open(&crate::pose::models::default_folder()?)?;
    let options = crate::cli::check::options(None, None, LegArgument::Auto, None, None)?;
    let track = follow_photograph(image, None, &options, &mut eyes)?;
    let lines = lines::in_photograph(image, &track, &options, carpet)?;
    let Some(look) = lines.looks.first() else {
        return Err(Error::ours("The frame was not looked at; please report this."));
    };
    let shown = lines::shown(look);
    let mut out = shown.text.clone();
    if let Ok(camera) = &look.looked.verdict {
        let leg = CarpetPoint::new(0.0, 0.0, 0.0);
        write_camera(&mut out, camera, leg, "camera elevation, lines and body joined", [2; 4]);
    }
    if let Some(path) = &arguments.draw {
        report::write_whole(path, &report::lines_png(image, &shown)?)?;
        let _ = writeln!(out, "lines drawn: {}", path.display());
    }
    print(&out, true)
}

/// Where the camera is over the carpet, seen from `at`, and its lens, each with its standard deviation and so many decimal places.
fn write_camera(out: &mut String, camera: &FloorCamera, at: CarpetPoint, elevation: &str, places: [usize; 4]) {
    let rows = [
        (
            elevation,
            camera.elevation_rad_from(at).to_degrees(),
            camera.sd_of(|c| c.elevation_rad_from(at)).to_degrees(),
            "°",
        ),
        ("camera height", camera.centre().z, camera.sd_of(|c| c.centre().z), "m"),
        ("camera distance", camera.distance_m(at), camera.sd_of(|c| c.distance_m(at)), "m"),
        ("focal length", camera.focal_px, camera.sd_of(|c| c.focal_px), "px"),
    ];
    for ((what, value, sd, unit), places) in rows.into_iter().zip(places) {
        let _ = writeln!(out, "{what}: {value:.places$} {unit} ± {sd:.places$} {unit}");
    }
}

fn frame(input: &Path, at_s: f64) -> Result<RgbImage> {
    if clip::is_photograph(input)? {
        Ok(clip::read_photograph(input)?.image)
    } else {
        Ok(clip::frame_at(input, at_s, &clip::OpenOptions::default())?.image)
    }
}
