//! Where the camera stood: a plan seen from above and a view from the side, both about the kneeling leg. Angles are true, distances are not to scale.

use crate::outcome::{FloorReport, HoldReport};
use crate::report::chart::c;
use crate::report::quantity;
use maud::{html, Markup};

/// Centre of the plan and of its circle of places for the camera, canvas units.
const CENTRE: (f64, f64) = (100.0, 90.0);
const ORBIT: f64 = 62.0;
/// Where the leg stands in the side view, and how long the line of sight is drawn.
const LEG: (f64, f64) = (166.0, 130.0);
const SIGHT: f64 = 128.0;
/// Best sector in the plan: square to the shin ± this, degrees.
const SQUARE_WITHIN_DEG: f64 = 30.0;
/// Best wedge in the side view: up to this elevation, degrees.
const LOW_UP_TO_DEG: f64 = 10.0;

/// A point of the plan at `azimuth_deg` from the shank's direction knee to heel, anticlockwise seen from above, `radius` units from the leg.
fn around(azimuth_deg: f64, radius: f64) -> (f64, f64) {
    let a = azimuth_deg.to_radians();
    (CENTRE.0 + radius * a.cos(), CENTRE.1 - radius * a.sin())
}

/// A camera body with its lens towards +x, turned by `clockwise_deg`.
fn camera(at: (f64, f64), clockwise_deg: f64) -> Markup {
    html! {
        g transform=(format!("translate({},{}) rotate({})", c(at.0), c(at.1), c(clockwise_deg))) {
            path class="camera" d="M-9,-7H5V-3L11,-6V6L5,3V7H-9Z" {}
        }
    }
}

/// The plan seen from above.
pub(crate) fn plan(hold: &HoldReport) -> Markup {
    let azimuth = hold.view.azimuth_deg;
    let at = around(azimuth, ORBIT);
    let inner = around(azimuth, 16.0);
    // From the camera back to the leg; screen angles grow clockwise.
    let facing = 180.0 - azimuth;
    let off_square = (azimuth.rem_euclid(180.0) - 90.0).abs();
    let label = format!(
        "Plan seen from above: the camera looks {} off square to the shin.",
        format_args!("{off_square:.0}°")
    );
    html! {
        svg class="place" role="img" aria-label=(label) viewBox="0 0 200 190" {
            @for middle in [90.0, -90.0] {
                @let (a, b) = (around(middle - SQUARE_WITHIN_DEG, ORBIT + 13.0), around(middle + SQUARE_WITHIN_DEG, ORBIT + 13.0));
                path class="best" d=(format!("M{},{}L{},{}A{r},{r} 0 0 0 {},{}Z", c(CENTRE.0), c(CENTRE.1), c(a.0), c(a.1), c(b.0), c(b.1), r = c(ORBIT + 13.0))) {}
            }
            circle class="orbit" cx=(c(CENTRE.0)) cy=(c(CENTRE.1)) r=(c(ORBIT)) {}
            // The lower leg from above: knee left, heel right, foot turned out.
            path class="leg" d="M74,90H122L134,84" {}
            text class="tick" x="66" y="107" text-anchor="middle" { "knee" }
            text class="tick" x="138" y="107" text-anchor="middle" { "heel" }
            line class="sight" x1=(c(at.0)) y1=(c(at.1)) x2=(c(inner.0)) y2=(c(inner.1)) {}
            (camera(at, facing))
            text class="tick" x="100" y="186" text-anchor="middle" { "from above" }
        }
    }
}

/// The view from the side.
pub(crate) fn side(hold: &HoldReport, floor: &FloorReport) -> Markup {
    let elevation = hold.view.elevation_deg;
    let e = elevation.to_radians();
    let at = (LEG.0 - SIGHT * e.cos(), LEG.1 - SIGHT * e.sin());
    let low = LOW_UP_TO_DEG.to_radians();
    let reach = SIGHT + 18.0;
    let angle = floor
        .camera_elevation_sd_deg
        .map_or_else(|| format!("{elevation:.0}°"), |sd| quantity::compact(elevation, sd, "°"));
    let label = format!("Side view: the camera looks down on the leg from {angle} over the carpet.");
    html! {
        svg class="place" role="img" aria-label=(label) viewBox="0 0 200 190" {
            path class="best" d=(format!("M{x},{y}H{}A{r},{r} 0 0 1 {},{}Z", c(LEG.0 - reach), c(LEG.0 - reach * low.cos()), c(LEG.1 - reach * low.sin()), x = c(LEG.0), y = c(LEG.1), r = c(reach))) {}
            line class="carpet-line" x1="8" x2="192" y1=(c(LEG.1)) y2=(c(LEG.1)) {}
            rect class="under-carpet" x="8" width="184" y=(c(LEG.1)) height="9" {}
            line class="sight" x1=(c(at.0)) y1=(c(at.1)) x2=(c(LEG.0)) y2=(c(LEG.1 - 4.0)) {}
            circle class="leg-end" cx=(c(LEG.0)) cy=(c(LEG.1 - 6.0)) r="6" {}
            (camera(at, elevation))
            text class="tick" x=(c(LEG.0)) y="157" text-anchor="middle" { "leg" }
            text class="tick" x="72" y="157" text-anchor="middle" { (angle) }
            text class="tick" x="100" y="186" text-anchor="middle" { "from the side" }
        }
    }
}
