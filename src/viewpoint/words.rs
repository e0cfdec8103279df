//! The map in plain words.

use crate::outcome::PerPart;
use crate::viewpoint::map::{as_good, best, worst_mm, Cell, Shown, DIRECTIONS};
use crate::viewpoint::simulate::{Floor, Place, Unusable};
use std::fmt::Write as _;

/// Directions within this of square, degrees, are called so.
const SQUARE_WITHIN_DEG: f64 = 10.0;

/// A direction in words.
pub fn direction(azimuth_deg: f64) -> String {
    let a = azimuth_deg.abs();
    if a < SQUARE_WITHIN_DEG {
        return "in line with the shin, beyond the foot".to_string();
    }
    if a > 180.0 - SQUARE_WITHIN_DEG {
        return "in line with the shin, beyond the knee".to_string();
    }
    let side = if azimuth_deg > 0.0 {
        "on the side the kneeling foot's toes point to"
    } else {
        "on the side of the seat and the front foot"
    };
    let off = (90.0 - a).abs();
    if off < SQUARE_WITHIN_DEG {
        format!("square to the shin, {side}")
    } else {
        let end = if a < 90.0 { "foot" } else { "knee" };
        format!("{off:.0}° off square towards the {end}, {side}")
    }
}

/// A place in words.
pub fn place(place: &Place) -> String {
    format!(
        "camera {:.1} m up (looking down at {:.0}°), {:.1} m away, {}",
        place.height_m(),
        place.elevation_deg,
        place.distance_m,
        direction(place.azimuth_deg)
    )
}

/// What a place shows, in words.
pub fn lifts(shown: &Shown) -> String {
    let one = |name: &str, l: &Option<crate::viewpoint::map::Lift>| {
        l.map(|l| format!("{name} {:.0} mm ({:.0} to {:.0})", l.median_mm, l.low_mm, l.high_mm))
    };
    [
        one("calf", &shown.calf),
        one("heel", &shown.heel),
        one("clean stance", &shown.clean),
    ]
    .into_iter()
    .flatten()
    .collect::<Vec<_>>()
    .join(", ")
}

/// The short sentence over the picture and the table.
pub fn headline(cells: &[Cell], tolerance_mm: PerPart<f64>) -> String {
    let Some(b) = best(cells) else {
        return format!("No place at this distance can be used: {}.", why(cells));
    };
    let tolerance = tolerance_mm.calf.min(tolerance_mm.heel);
    let worst = worst_mm(b);
    let shows = if worst.round() <= tolerance {
        format!("it shows lifts from {worst:.0} mm, within the tolerance of {tolerance:.0} mm")
    } else {
        format!("even there a lift shows only from {worst:.0} mm (tolerance {tolerance:.0} mm)")
    };
    format!("Best place: {}; {shows}.", place(&b.place))
}

fn why(cells: &[Cell]) -> &'static str {
    match cells.iter().find_map(|c| c.unusable) {
        Some(Unusable::OutOfFrame) | None => "the athlete does not fit into the frame; stand further away or use a wider lens",
        Some(Unusable::MarksOutOfFrame) => "the marks or the sheet do not fit into the frame; stand further away or use a wider lens",
        Some(Unusable::NoFit | Unusable::TooSmall) => "the leg is too small to be measured; come closer or zoom in",
    }
}

/// Whether a clean stance can be called clear, and how high up that holds.
pub fn clear_words(cells: &[Cell], tolerance_mm: f64) -> Option<String> {
    let clean: Vec<&Cell> = cells
        .iter()
        .filter(|c| c.shown.as_ref().is_some_and(|s| s.clean.is_some()))
        .collect();
    if clean.is_empty() {
        return None;
    }
    let holds = |c: &&&Cell| c.shown.as_ref().and_then(|s| s.clean).is_some_and(|l| l.median_mm <= tolerance_mm);
    let highest = clean.iter().filter(holds).map(|c| c.height_m).fold(0.0, f64::max);
    let count = clean.iter().filter(holds).count();
    Some(if count == 0 {
        "From no place here can a clean stance be called clear.".to_string()
    } else {
        format!(
            "A clean stance can be called clear from {count} of {} places, up to {highest:.1} m up.",
            clean.len()
        )
    })
}

/// The table for a terminal: larger of calf's and heel's smallest lift, mm, heights down and directions across.
pub fn table(cells: &[Cell], tolerance_mm: f64) -> String {
    let mut out = String::new();
    let names = [
        "foot", "+30", "+60", "TOES", "+120", "+150", "knee", "-150", "-120", "SEAT", "-60", "-30",
    ];
    let _ = writeln!(out, "{:>9}  {}", "height", names.map(|n| format!("{n:>5}")).join(""));
    for ring in cells.chunks(DIRECTIONS).rev() {
        let _ = write!(out, "{:>7.1} m  ", ring[0].height_m);
        for c in ring {
            let text = match (&c.shown, c.unusable) {
                (Some(s), _) => {
                    let mark = if s.worst_mm().round() <= tolerance_mm { "*" } else { "" };
                    format!("{:.0}{mark}", s.worst_mm())
                }
                (None, Some(Unusable::OutOfFrame | Unusable::MarksOutOfFrame)) => "out".to_string(),
                _ => "-".to_string(),
            };
            let _ = write!(out, "{text:>5}");
        }
        out.push('\n');
    }
    out
}

/// What the directions of the table mean.
pub const TABLE_KEY: &str = "Directions in degrees about the athlete: foot, knee = in line with the shin beyond the kneeling foot or knee; TOES = square to the shin on the side the kneeling foot's\ntoes point to; SEAT = square to it on the side of the seat and the front foot. * within the tolerance; out = athlete or marks do not fit into the frame; - = too small.";

/// The places as good as the best, in words.
pub fn also(cells: &[Cell]) -> Option<String> {
    let good = as_good(cells);
    let best = best(cells)?;
    let others = good.len().checked_sub(1)?;
    let heights = good.iter().map(|c| c.height_m);
    (others > 0).then(|| {
        format!(
            "As good in practice (within 15 %): {others} other place{} here, from {:.1} to {:.1} m up{}.",
            if others == 1 { "" } else { "s" },
            heights.clone().fold(f64::INFINITY, f64::min),
            heights.fold(0.0, f64::max),
            if good.iter().any(|c| (c.place.azimuth_deg > 0.0) != (best.place.azimuth_deg > 0.0)) {
                ", on either side"
            } else {
                ", on the same side"
            }
        )
    })
}

/// The floor in words.
pub fn floor(floor: Floor) -> &'static str {
    match floor {
        Floor::Body => "floor from the athlete's body",
        Floor::Marks => "four marks on the carpet, corners of a square of 1 m",
        Floor::Sheet => "printed sheet beside the leg, taken as flat and true to size",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn directions_read_well() {
        assert_eq!(direction(90.0), "square to the shin, on the side the kneeling foot's toes point to");
        assert_eq!(
            direction(-60.0),
            "30° off square towards the foot, on the side of the seat and the front foot"
        );
        assert_eq!(direction(180.0), "in line with the shin, beyond the knee");
    }
}
