//! Looking for the printed sheet in a recording or photograph, before anything else is done with it.

use crate::clip;
use crate::error::{Error, Result};
use crate::floor::sheet::align::Grey;
use crate::floor::sheet::detect;
use crate::floor::sheet::fit::{self, Print};
use crate::floor::sheet::placement::{self, Look, Placement, Sheet, LEAST_MARKERS, MARKER_COUNT};
use crate::floor::FloorCamera;
use crate::numerics::median;
use crate::outcome::{FloorReport, FloorSource, HoldReport, SheetReport};
use crate::pose::track::{Landmark, Track};
use crate::types::{CarpetPoint, RgbImage};
use std::path::Path;

/// Frames looked at first, spread over the recording, every other one thoroughly; where none shows a marker the rest is not looked at.
const FIRST_LOOKS: usize = 3;

/// Most frames looked at.
const MOST_LOOKS: usize = 40;

/// Shortest time between looks, seconds.
const APART_S: f64 = 0.4;

/// Said where the sheet was found and the camera moved.
pub const CAMERA_MOVED: &str =
    "A printed sheet was found, but the camera moved: it was not used, and the floor was taken from the body. Put the camera on a stand or against something firm.";

/// Looks for the sheet in a photograph.
///
/// # Errors
/// [`crate::Error::Ours`] where OpenCV fails.
pub fn in_photograph(image: &RgbImage, print: Print) -> Result<Sheet> {
    let look = look(image, 0.0, true)?;
    Ok(Sheet::of([image.width, image.height], &[look], print))
}

/// Looks for the sheet in a recording of `duration_s`; frames that cannot be read are passed over (the reading proper will say so).
///
/// # Errors
/// [`crate::Error::Ours`] where OpenCV fails.
pub fn in_recording(path: &Path, image_size: [usize; 2], duration_s: Option<f64>, print: Print) -> Result<Sheet> {
    let duration_s = duration_s.unwrap_or(0.0).max(0.0);
    let mut looks: Vec<Look> = Vec::new();
    let at = |n: usize, k: usize| duration_s * (k as f64 + 0.5) / n as f64;
    // Side by side: most of a look's time is a decoder that starts.
    let first: Vec<Result<Option<Look>>> = std::thread::scope(|scope| {
        let started: Vec<_> = (0..FIRST_LOOKS)
            .map(|k| scope.spawn(move || look_at(path, at(FIRST_LOOKS, k), k % 2 == 1)))
            .collect();
        started
            .into_iter()
            .map(|s| {
                s.join().unwrap_or_else(|_| {
                    Err(Error::ours(
                        "Looking for the printed sheet stopped unexpectedly; please report this.",
                    ))
                })
            })
            .collect()
    });
    for look in first {
        looks.extend(look?);
    }
    if looks.iter().any(|l| !l.found.is_empty()) {
        let n = ((duration_s / APART_S) as usize).min(MOST_LOOKS);
        for k in 0..n {
            looks.extend(look_at(path, at(n, k), true)?);
        }
        looks.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
        looks.dedup_by(|a, b| a.time_s == b.time_s);
    }
    Ok(Sheet::of(image_size, &looks, print))
}

fn look_at(path: &Path, time_s: f64, thorough: bool) -> Result<Option<Look>> {
    match clip::frame_at(path, time_s, &clip::OpenOptions::default()) {
        Ok(frame) => look(&frame.image, frame.time_s, thorough).map(Some),
        Err(_) => Ok(None),
    }
}

fn look(image: &RgbImage, time_s: f64, thorough: bool) -> Result<Look> {
    let grey = Grey::of(image);
    let found = detect::markers(&grey, thorough)?;
    let (small, reduced) = placement::small(&grey);
    Ok(Look {
        time_s,
        found,
        small,
        reduced,
    })
}

/// The floor to follow the athlete with and to time repetitions by: the first placement's, where the camera stood still over all of them.
pub fn while_following(sheet: &Sheet) -> Option<&FloorCamera> {
    sheet.placements.first().filter(|_| sheet.camera_still()).map(|p| &p.fit.camera)
}

/// Sizes of an athlete by the sheet over the network's typical body that no athlete has: the sheet then does not lie on the athlete's carpet, or is not printed to size.
const BELIEVABLE_SIZES: std::ops::Range<f64> = 0.55..1.6;

/// Depth that stands for the horizon, metres.
const BEYOND_M: f64 = 1e6;

/// A sentence where the athlete's size on the sheet's floor cannot be true.
pub fn contradiction(track: &Track, sheet: &Sheet) -> Option<String> {
    let sizes = track.frames.iter().filter_map(|f| {
        let body = f.body.as_ref()?;
        let camera = &sheet.during(f.time_s, f.time_s)?.fit.camera;
        let lowest = [Landmark::LeftHeel, Landmark::LeftToe, Landmark::RightHeel, Landmark::RightToe]
            .into_iter()
            .map(|l| body.at(l))
            .max_by(|x, y| x.v.total_cmp(&y.v))?;
        // A foot that is seen over the sheet's horizon is as far away as can be.
        let depth = camera.at_height(lowest, 0.0).map_or(BEYOND_M, |p| camera.depth_m(p));
        Some(body.px_per_m * depth / camera.focal_px)
    });
    let size = median(sizes.collect())?;
    (!BELIEVABLE_SIZES.contains(&size)).then(|| {
        format!(
            "A printed sheet was found, but on its floor the athlete would be {}: it does not lie flat on the athlete's carpet, or is not printed to size. It was not used.",
            if size < 100.0 {
                format!("{size:.1} times as large as people are")
            } else {
                "beyond the horizon".to_string()
            }
        )
    })
}

/// Says of a hold's floor what the sheet did for it.
pub fn tell(sheet: &Sheet, placement: Option<&Placement>, sheet_line_mm: Option<f64>, floor: &mut FloorReport, hold: &mut HoldReport) {
    if floor.source == FloorSource::Marks || sheet.placements.is_empty() {
        return;
    }
    let moved = sheet.placements.len() > 1;
    let Some(p) = placement else {
        hold.notes.push(
            "The camera moved in this recording and the printed sheet was not measured during this hold: the floor was taken from the body.".to_string(),
        );
        return;
    };
    let camera = &p.fit.camera;
    floor.sheet = Some(SheetReport {
        markers: p.found.len(),
        markers_printed: MARKER_COUNT,
        frames: p.looks,
        frames_looked_at: sheet.looked,
        placements: sheet.placements.len(),
        residual_px: p.fit.residual_px,
        camera_distance_m: camera.distance_m(CarpetPoint::new(0.0, 0.0, 0.0)),
        outlines: p.outlines(),
    });
    floor.notes.push(format!(
        "The floor was taken from the printed sheet: {} of its {MARKER_COUNT} markers, measured in {} of {} frames looked at, corners within {:.1} px of the fit. A sheet on a soft carpet may tilt by {:.0}\u{b0} (standard deviation) and curl; both are in the uncertainty.",
        p.found.len(),
        p.looks,
        sheet.looked,
        p.fit.residual_px,
        fit::TILT_SD_DEG
    ));
    floor.notes.push(match sheet_line_mm {
        Some(mm) => format!("The sheet's check line measures {mm} mm: lengths on it were scaled by {:.3}.", mm / 100.0),
        None => format!(
            "The sheet was taken to be printed true to size within {:.0} %; measure its lines and give --sheet-line-mm for tighter distances.",
            100.0 * fit::PRINT_SCALE_SD
        ),
    });
    let focal_sd = camera.sd_of(|c| c.focal_px.ln());
    if focal_sd > 0.15 {
        floor.notes.push(format!(
            "The sheet is too small in the picture to tell the focal length well (\u{b1} {:.0} %): that rests mostly on what lenses are common, and camera height and distance with it; the elevation does not.",
            196.0 * focal_sd
        ));
    }
    if p.fit.from_above {
        floor
            .notes
            .push("The sheet is seen from nearly straight above, where neither its tilt nor the focal length shows well.".to_string());
    }
    if moved {
        hold.notes.push(if sheet.camera_still() {
            format!(
                "The printed sheet was moved during the recording while the camera stood still; this hold uses it as it lay from {:.1} s to {:.1} s.",
                p.start_s, p.end_s
            )
        } else {
            format!(
                "The camera moved during the recording; this hold uses the printed sheet as seen from {:.1} s to {:.1} s.",
                p.start_s, p.end_s
            )
        });
    }
}

/// What to say where markers were seen that make no floor.
pub fn too_little(sheet: &Sheet) -> Option<String> {
    (sheet.placements.is_empty() && sheet.most_markers > 0).then(|| {
        if sheet.most_markers < LEAST_MARKERS {
            format!("One marker of the printed sheet was seen, but a floor needs {LEAST_MARKERS} of its {MARKER_COUNT}: the sheet was not used. Uncover it, or bring the camera higher or closer.")
        } else {
            "Markers of the printed sheet were seen, but they do not lie as on a flat sheet on a carpet: the sheet was not used. Lay it flat.".to_string()
        }
    })
}
