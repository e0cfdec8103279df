//! What to do for a better view.

use crate::outcome::PerPart;

/// Elevation above which a camera looks down on the leg rather than along the carpet, degrees.
const RAISED_DEG: f64 = 12.0;

/// How far from square to the shin a view may be before the shank is foreshortened to less than 80 %, degrees.
const OBLIQUE_DEG: f64 = 37.0;

/// Apparent shank length below which the leg is too small in the frame, px.
const SMALL_PX: f64 = 90.0;

/// Advice in a sentence or two.
pub fn words(elevation_deg: f64, azimuth_deg: f64, shank_px: f64, can_tell: PerPart<bool>) -> String {
    let mut wants = Vec::new();
    if elevation_deg > RAISED_DEG {
        wants.push(format!("from knee height (this camera looks down at {elevation_deg:.0}°)"));
    }
    let off_square_deg = (90.0 - azimuth_deg.abs()).abs();
    if off_square_deg > OBLIQUE_DEG {
        wants.push(format!("square to the shin (this view is {off_square_deg:.0}° off)"));
    }
    if shank_px < SMALL_PX {
        wants.push(format!("closer or with more zoom (the shin measures {shank_px:.0} px here)"));
    }
    match (wants.is_empty(), can_tell.calf && can_tell.heel) {
        (true, true) => "This view can show it.".to_string(),
        (true, false) => "Film from knee height, square to the shin and close enough that the shin is 150 px long or more.".to_string(),
        (false, true) => format!("This view can show it; a better one: film {}.", wants.join(", ")),
        (false, false) => format!("For an answer, film {}.", wants.join(", ")),
    }
}
