//! What to do for a better view.

use crate::outcome::PerPart;

/// Elevation above which a camera looks down on the leg rather than along the carpet, degrees.
const RAISED_DEG: f64 = 12.0;

/// How far from square to the shin a view may be before the shank is foreshortened to less than 80 %, degrees.
const OBLIQUE_DEG: f64 = 37.0;

/// Apparent shank length below which the leg is too small in the frame, px.
const SMALL_PX: f64 = 90.0;

/// Share of the leg's points hidden beyond which gaps are read two to three times as wrong (measured: `models/README.md`, on path-traced pictures).
const MUCH_HIDDEN: f64 = 0.3;

/// Advice in a sentence or two. `hidden_share`: share of the lower leg's points that are hidden, 0–1.
pub fn words(elevation_deg: f64, azimuth_deg: f64, shank_px: f64, hidden_share: f64, can_tell: PerPart<bool>) -> String {
    let mut wants = Vec::new();
    if elevation_deg > RAISED_DEG {
        wants.push(format!("from knee height (this camera looks down at {elevation_deg:.0}°)"));
    }
    let off_square_deg = (90.0 - azimuth_deg.abs()).abs();
    if off_square_deg > OBLIQUE_DEG {
        wants.push(format!("square to the shin (this view is {off_square_deg:.0}° off)"));
    }
    if hidden_share > MUCH_HIDDEN {
        wants.push(format!(
            "from a side on which nothing stands before the lower leg ({:.0} in 10 of its points are hidden here)",
            10.0 * hidden_share
        ));
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_fault_of_a_view_is_named_and_a_good_view_is_left_alone() {
        let told = PerPart { calf: true, heel: true };
        let untold = PerPart { calf: true, heel: false };
        assert_eq!(words(5.0, 88.0, 160.0, 0.1, told), "This view can show it.");
        let all = words(31.0, -20.0, 60.0, 0.43, untold);
        for part in ["looks down at 31°", "70° off", "4 in 10 of its points are hidden", "60 px"] {
            assert!(all.contains(part), "{all}");
        }
        // Just as much hidden as is borne says nothing of it.
        assert!(!words(5.0, 88.0, 160.0, MUCH_HIDDEN, untold).contains("hidden"));
    }
}
