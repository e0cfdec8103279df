//! The map drawn: the athlete from above in the middle, rings of camera places about it, the outermost ring the lowest camera.

use crate::types::Leg;
use crate::viewpoint::drawing::{hatch, lines_of, Anchor, Colour, Drawing, Letters, Shape};
use crate::viewpoint::map::{best, worst_mm, Cell, DIRECTIONS};
use crate::viewpoint::simulate::Place;

const WIDTH: f64 = 1000.0;
const RIM: f64 = 400.0;
const HUB: f64 = 120.0;
const INK: Colour = [30, 34, 38];
const PALE: Colour = [150, 156, 160];
const PAPER: Colour = [255, 255, 255];
const BODY: Colour = [226, 214, 196];
const SHANK: Colour = [196, 98, 40];
const BEST: Colour = [196, 98, 40];

/// A class of lifts: up to this many tolerances, how it is drawn.
struct Class {
    up_to: f64,
    fill: Colour,
    ink: Colour,
    /// Distance of the hatching lines, and whether they cross.
    hatched: Option<(f64, bool)>,
}

/// Dark is good: what lies within the tolerance stands out; what does not is hatched the denser, the worse.
const CLASSES: [Class; 5] = [
    Class {
        up_to: 1.0,
        fill: [20, 84, 92],
        ink: PAPER,
        hatched: None,
    },
    Class {
        up_to: 1.5,
        fill: [150, 200, 198],
        ink: INK,
        hatched: None,
    },
    Class {
        up_to: 2.0,
        fill: [222, 238, 236],
        ink: INK,
        hatched: None,
    },
    Class {
        up_to: 3.0,
        fill: PAPER,
        ink: INK,
        hatched: Some((12.0, false)),
    },
    Class {
        up_to: f64::INFINITY,
        fill: PAPER,
        ink: INK,
        hatched: Some((8.0, true)),
    },
];

/// What is drawn.
#[derive(Debug, Clone)]
pub struct Sheet<'a> {
    /// The map.
    pub cells: &'a [Cell],
    /// Sentence over it.
    pub headline: &'a str,
    /// Sentences under it.
    pub below: &'a [String],
    /// Tolerance, mm.
    pub tolerance_mm: f64,
    /// The kneeling leg to draw.
    pub leg: Leg,
    /// The first camera, where the map is that of a second one.
    pub first: Option<Place>,
}

fn class_of(lift_mm: f64, tolerance_mm: f64) -> &'static Class {
    CLASSES
        .iter()
        .find(|c| lift_mm.round() <= c.up_to * tolerance_mm)
        .unwrap_or(&CLASSES[CLASSES.len() - 1])
}

/// Draws the sheet.
pub fn draw(sheet: &Sheet) -> Drawing {
    let mut shapes = Vec::new();
    let mut y = 30.0;
    for line in lines_of(sheet.headline, ((WIDTH - 60.0) / Letters::Large.advance()) as usize) {
        shapes.push(words([30.0, y], Anchor::Start, Letters::Large, INK, line, "headline"));
        y += 30.0;
    }
    let how = "Seen from above. Every field is a place for the camera; the outer ring is the lowest camera, the inner one looks down most.";
    shapes.push(words([30.0, y + 4.0], Anchor::Start, Letters::Small, INK, how.to_string(), "how"));
    let centre = [WIDTH / 2.0, y + 92.0 + RIM];
    let side = if sheet.leg == Leg::Right { 1.0 } else { -1.0 };
    let at = |azimuth_deg: f64, radius: f64| {
        let a = azimuth_deg.to_radians();
        [centre[0] + side * radius * a.sin(), centre[1] + radius * a.cos()]
    };
    let rings = sheet.cells.len() / DIRECTIONS;
    let step = (RIM - HUB) / rings.max(1) as f64;
    let ring_of = |k: usize| RIM - step * (k as f64 + 0.5);
    for (n, c) in sheet.cells.iter().enumerate() {
        let middle = ring_of(n / DIRECTIONS);
        let corners = sector(&at, c.place.azimuth_deg, middle - 0.5 * step, middle + 0.5 * step);
        let class = class_of(worst_mm(c), sheet.tolerance_mm);
        let usable = c.shown.is_some();
        shapes.push(Shape::Area {
            corners: corners.clone(),
            fill: if usable { class.fill } else { [236, 236, 236] },
            ink: PALE,
            edge: 1.0,
            class: "place",
        });
        let hatched = class.hatched.filter(|_| usable);
        shapes.extend(hatching(&corners, hatched));
        let text = if usable { format!("{:.0}", worst_mm(c)) } else { "x".to_string() };
        let here = at(c.place.azimuth_deg, middle);
        if hatched.is_some() {
            shapes.push(plate(here, Letters::Large.advance() * text.len() as f64 + 6.0, 26.0, PAPER));
        }
        let ink = if usable { class.ink } else { PALE };
        shapes.push(words(here, Anchor::Middle, Letters::Large, ink, text, "lift"));
    }
    athlete(&mut shapes, &centre, side);
    if let Some(b) = best(sheet.cells) {
        let n = sheet.cells.iter().position(|c| std::ptr::eq(c, b)).unwrap_or(0);
        let middle = ring_of(n / DIRECTIONS);
        shapes.push(Shape::Line {
            points: closed(sector(&at, b.place.azimuth_deg, middle - 0.5 * step, middle + 0.5 * step)),
            ink: BEST,
            width: 5.0,
        });
        phone(&mut shapes, at(b.place.azimuth_deg, RIM + 26.0), "best");
    }
    for k in 0..rings {
        let text = format!("{:.1} m", sheet.cells[k * DIRECTIONS].height_m);
        // On two rays between the sectors, so that one is near wherever the eye is.
        for ray in [75.0, -105.0] {
            let here = at(ray, ring_of(k));
            shapes.push(plate(here, Letters::Small.advance() * text.len() as f64 + 6.0, 18.0, PAPER));
            shapes.push(words(here, Anchor::Middle, Letters::Small, INK, text.clone(), "height"));
        }
    }
    if let Some(first) = sheet.first {
        phone(&mut shapes, at(first.azimuth_deg, RIM + 26.0), "first camera");
    }
    for (azimuth_deg, text) in [(180.0, "knee's end"), (0.0, "foot's end")] {
        let here = at(azimuth_deg, RIM + 52.0);
        shapes.push(words(here, Anchor::Middle, Letters::Small, INK, text.to_string(), "side"));
    }
    for (azimuth_deg, lines) in [(90.0, ["toes'", "side"]), (-90.0, ["seat's", "side"])] {
        let here = at(azimuth_deg, RIM + 62.0);
        for (k, line) in lines.iter().enumerate() {
            let here = [here[0], here[1] + 20.0 * k as f64 - 10.0];
            shapes.push(words(here, Anchor::Middle, Letters::Small, INK, (*line).to_string(), "side"));
        }
    }
    y = centre[1] + RIM + 90.0;
    y = legend(&mut shapes, y, sheet.tolerance_mm);
    for sentence in sheet.below {
        for line in lines_of(sentence, ((WIDTH - 60.0) / Letters::Small.advance()) as usize) {
            shapes.push(words([30.0, y], Anchor::Start, Letters::Small, INK, line, "note"));
            y += 21.0;
        }
        y += 5.0;
    }
    Drawing {
        width: WIDTH,
        height: (y + 10.0).ceil(),
        shapes,
        said: format!("Where to stand, seen from above. {}", sheet.headline),
    }
}

/// The lines of a class's hatching inside an area, as [`Class::hatched`] says.
fn hatching(corners: &[[f64; 2]], hatched: Option<(f64, bool)>) -> Vec<Shape> {
    let Some((spacing, crossed)) = hatched else { return Vec::new() };
    let directions: &[bool] = if crossed { &[false, true] } else { &[false] };
    directions
        .iter()
        .flat_map(|falling| hatch(corners, spacing, *falling))
        .map(|line| Shape::Line {
            points: line.to_vec(),
            ink: PALE,
            width: 1.0,
        })
        .collect()
}

fn words(at: [f64; 2], anchor: Anchor, letters: Letters, ink: Colour, text: String, class: &'static str) -> Shape {
    Shape::Words {
        at,
        anchor,
        letters,
        ink,
        text,
        class,
    }
}

/// A small rectangle behind words.
fn plate(at: [f64; 2], width: f64, height: f64, fill: Colour) -> Shape {
    let (w, h) = (0.5 * width, 0.5 * height);
    Shape::Area {
        corners: [[-w, -h], [w, -h], [w, h], [-w, h]].map(|p| [at[0] + p[0], at[1] + p[1]]).to_vec(),
        fill,
        ink: fill,
        edge: 0.0,
        class: "plate",
    }
}

fn closed(mut corners: Vec<[f64; 2]>) -> Vec<[f64; 2]> {
    corners.extend(corners.first().copied());
    corners
}

/// The part of a ring about a direction.
fn sector(at: &dyn Fn(f64, f64) -> [f64; 2], azimuth_deg: f64, inner: f64, outer: f64) -> Vec<[f64; 2]> {
    let half = 180.0 / DIRECTIONS as f64;
    let steps = 8;
    let turn = |k: usize| azimuth_deg - half + 2.0 * half * k as f64 / steps as f64;
    (0..=steps)
        .map(|k| at(turn(k), outer))
        .chain((0..=steps).rev().map(|k| at(turn(k), inner)))
        .collect()
}

/// A phone that stands there.
fn phone(shapes: &mut Vec<Shape>, at: [f64; 2], text: &str) {
    let shape = |w: f64, h: f64, fill: Colour| match plate(at, w, h, fill) {
        Shape::Area { corners, .. } => Shape::Area {
            corners,
            fill,
            ink: INK,
            edge: 1.0,
            class: "phone",
        },
        other => other,
    };
    shapes.push(shape(18.0, 30.0, INK));
    shapes.push(shape(12.0, 22.0, PAPER));
    let below = [at[0], at[1] + 26.0];
    shapes.push(plate(
        below,
        Letters::Small.advance() * text.chars().count() as f64 + 4.0,
        18.0,
        PAPER,
    ));
    shapes.push(words(below, Anchor::Middle, Letters::Small, BEST, text.to_string(), "phone-name"));
}

/// The athlete from above, at the medians of 15 rendered stances (the kneeling leg drawn over all else); shank lengths about the middle of the kneeling leg, x from knee to foot, y to
/// the toes' side.
fn athlete(shapes: &mut Vec<Shape>, centre: &[f64; 2], side: f64) {
    const UNIT: f64 = 84.0;
    let at = |x: f64, y: f64| [centre[0] + side * UNIT * (y + 0.1), centre[1] + UNIT * (x - 0.25)];
    let limbs = [
        // The front leg, the seat, the kneeling thigh; shoulders and head; the kneeling shank and foot.
        ([-0.66, -0.42], [-1.1, -0.13], 17.0, BODY),
        ([-0.1, -0.56], [-0.85, -0.19], 32.0, BODY),
        ([0.33, -0.26], [0.0, 0.05], 32.0, BODY),
        ([0.33, -0.26], [-0.1, -0.56], 44.0, BODY),
        ([0.36, 0.0], [-0.26, -0.48], 34.0, BODY),
        ([-0.03, -0.15], [-0.1, -0.1], 46.0, BODY),
        ([1.04, -0.08], [1.25, 0.45], 17.0, SHANK),
        ([0.0, 0.05], [1.0, 0.0], 22.0, SHANK),
    ];
    for ([x0, y0], [x1, y1], width, fill) in limbs {
        shapes.push(Shape::Area {
            corners: capsule(at(x0, y0), at(x1, y1), width),
            fill,
            ink: INK,
            edge: 1.0,
            class: "athlete",
        });
    }
    for (x, y, text) in [(-0.02, 0.42, "knee"), (1.1, -0.42, "heel")] {
        shapes.push(words(
            at(x, y),
            Anchor::Middle,
            Letters::Small,
            INK,
            text.to_string(),
            "athlete-word",
        ));
    }
}

/// A line with round ends.
fn capsule(a: [f64; 2], b: [f64; 2], width: f64) -> Vec<[f64; 2]> {
    let along = (b[1] - a[1]).atan2(b[0] - a[0]);
    let r = 0.5 * width;
    let arc = |c: [f64; 2], from: f64| {
        (0..=8).map(move |k| {
            let t = from + std::f64::consts::PI * f64::from(k) / 8.0;
            [c[0] + r * t.cos(), c[1] + r * t.sin()]
        })
    };
    let quarter = std::f64::consts::FRAC_PI_2;
    arc(b, along - quarter).chain(arc(a, along + quarter)).collect()
}

/// What the filling means; gives the height below it.
fn legend(shapes: &mut Vec<Shape>, top: f64, tolerance_mm: f64) -> f64 {
    shapes.push(words(
        [30.0, top],
        Anchor::Start,
        Letters::Small,
        INK,
        "Number: smallest lift in mm that a camera there can show, the larger of calf and heel. Ring: height of the camera.".to_string(),
        "legend",
    ));
    let mut below = 0.0;
    let box_width = 176.0;
    for (k, class) in CLASSES.iter().enumerate() {
        let x = 30.0 + k as f64 * (box_width + 12.0);
        let corners = vec![
            [x, top + 18.0],
            [x + box_width, top + 18.0],
            [x + box_width, top + 46.0],
            [x, top + 46.0],
        ];
        shapes.push(Shape::Area {
            corners: corners.clone(),
            fill: class.fill,
            ink: PALE,
            edge: 1.0,
            class: "legend-box",
        });
        shapes.extend(hatching(&corners, class.hatched));
        let from = if k == 0 { 0.0 } else { CLASSES[k - 1].up_to * tolerance_mm };
        let text = if k == 0 {
            format!("to {tolerance_mm:.0}: good")
        } else if class.up_to.is_finite() {
            format!("to {:.0}", class.up_to * tolerance_mm)
        } else {
            format!("over {from:.0}")
        };
        let here = [x + 0.5 * box_width, top + 32.0];
        if class.hatched.is_some() {
            shapes.push(plate(here, Letters::Small.advance() * text.len() as f64 + 6.0, 18.0, PAPER));
        }
        shapes.push(words(here, Anchor::Middle, Letters::Small, class.ink, text, "legend"));
        below = top + 68.0;
    }
    below
}
